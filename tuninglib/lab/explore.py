"""What-if under sliders: another injector, fuel or target; other air; another rider, hill or wind.

The first shows lambda, gauge reading, chance of the band and open time, the second lambda in that
air, the third the marker speed between two bounds.
"""

import re
from dataclasses import replace

import ipywidgets as widgets

from tuninglib import units
from tuninglib.analysis.air_envelope import known_air, over_air
from tuninglib.analysis.analyse import Results
from tuninglib.analysis.injector import HIGHEST_SHARE, Asked, Outlook, ladder_of, outlook
from tuninglib.analysis.mixture import flow_on_bike, tolerance_sd, weighed_readings
from tuninglib.analysis.what_if import EquivalentRun, Question, answers
from tuninglib.interval import Z_95
from tuninglib.lab import kit
from tuninglib.lab.kit import LadderPicture
from tuninglib.report.advice import gate_sentence, next_sentence
from tuninglib.report.mixture import ecu_sentence
from tuninglib.report.page_parts import Prose, plain, spaced, with_unit
from tuninglib.report.verdict import moved_band_sentence
from tuninglib.report.what_if import REFUSALS
from tuninglib.rounding import fixed, interval_text, odds_text, percent, quantity_text
from tuninglib.session.defaults import Band, air_of_runs, band_of, ethanol_of, leaner_limit_of
from tuninglib.session.records import Session
from tuninglib.session.schema import SHOWS_LAMBDA
from tuninglib.text_files import Problem, SessionError

# Mixture and injector -----------------------------------------------------------------------------


def mixture(results: Results) -> widgets.VBox | Prose:
    """Sliders for fuel, band and injector; picture, words and buttons that write to session.toml.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    ipywidgets widget, or Prose where there is nothing to ask
    """
    ladder = ladder_of(results.judged, results.ladder)
    if ladder is None and results.ladder is not None:
        return Prose((("Next", next_sentence(results)),))
    if ladder is None or not results.ladder.prospects:
        return Prose((("", "There is no usable gauge reading at full throttle in this outing."),))
    session = results.session
    system = session.about.units
    picture, controls = LadderPicture(results, ladder), _mixture_controls(results, ladder)

    def moved(name, value):
        return None if kit.at_rest(controls[name]) else value

    def answer(*, injector, fuel, ethanol, lowest, highest, flow, tolerance):
        if not lowest < highest:
            said = f"the band's richest end ({lowest:g}) must be below its leanest ({highest:g})"
            raise ValueError(said)
        target = replace(session.target, lowest=lowest, highest=highest)
        band = band_of(replace(session, target=target))
        asked = Asked(
            injector=injector,
            fuel=fuel,
            lowest=band.lowest,
            highest=band.highest,
            ethanol=moved("ethanol", ethanol),
            flow_m3_s=moved("flow", flow),
            tolerance=moved("tolerance", tolerance),
        )
        one = outlook(ladder, asked)
        return kit.Said(outlook_words(results, one, band), picture.render(one))

    name = kit.text("name of the candidate", "", "for example i178; letters, digits, _")

    def write_band():
        values = {key: round(kit.taken(controls[key]), 4) for key in ("lowest", "highest")}
        return kit.write(session.folder, {"target": values})

    def write_candidate():
        flow = plain(kit.taken(controls["flow"]), "flow", system)
        tolerance = f"{100 * kit.taken(controls['tolerance']):.4g} %"
        return add_candidate(session, name.value, flow, tolerance)

    sets = "Sets lowest and highest under [target] in session.toml"
    band = kit.action("Write the target band into my session", sets, write_band)
    adds = "Adds an [injectors.…] table to session.toml"
    label = "Write this injector into my session, as a candidate"
    candidate = kit.action(label, adds, write_candidate)
    more = (band, name, candidate)
    return kit.panel(controls, answer, name=f"mixture of {session.folder}", more=more)


def _mixture_controls(results, ladder) -> dict:
    """Sliders that start from an injector and a fuel of the session; another choice moves them."""
    session, system = results.session, results.session.about.units
    listed = [one.injector for one in results.ladder.prospects]
    untried = [one.injector for one in results.ladder.prospects if not one.tried]
    injector = kit.choice("start from injector", listed, (untried or listed)[0])
    fuel = kit.choice("start from fuel", tuple(session.fuels), results.ridden_setup.fuel)
    flows, content = ladder.flow_m3_s, kit.percent("% by volume")
    (flow_shown,), doubt = kit.of_kinds(system, "flow"), kit.percent("±%, 95 of 100")

    def of_injector():
        tolerance = Z_95 * tolerance_sd(session, injector.value)
        return flow_on_bike(session, injector.value), tolerance

    def of_fuel():
        return ethanol_of(session.fuels[fuel.value]).value

    flow, tolerance = of_injector()
    richest, leanest = session.target.lowest, session.target.highest
    controls = {
        "injector": injector,
        "fuel": fuel,
        "ethanol": kit.slider("ethanol in the fuel", content, of_fuel(), (0, 0.85), 0.5),
        "lowest": kit.slider("band, richest", "lambda", richest, (0.7, 1.1), 0.005),
        "highest": kit.slider("band, leanest", "lambda", leanest, (0.7, 1.1), 0.005),
        "flow": kit.slider("injector flow on this bike", flow_shown, flow, flows[[0, -1]], 1),
        "tolerance": kit.slider("flow may be off by", doubt, tolerance, (0.005, 0.2), 0.5),
    }

    def other_injector(_):
        for name, value in zip(("flow", "tolerance"), of_injector(), strict=True):
            kit.put(controls[name], value)

    injector.observe(other_injector, "value")
    fuel.observe(lambda _: kit.put(controls["ethanol"], of_fuel()), "value")
    return controls


def outlook_words(results: Results, one: Outlook, band: Band) -> tuple:
    """An outlook in sentences, with what to watch.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    one : tuninglib.analysis.injector.Outlook
    band : tuninglib.session.defaults.Band
        That was asked about.
    """
    session, scale = results.session, results.session.gauge.scale
    system, ethanol = session.about.units, one.ethanol
    lambda_ = interval_text(one.lambda_)
    gauge = one.lambda_.scaled(results.shown_at_lambda_one)
    read = f"the gauge (scale {scale:g}) would show {interval_text(gauge)}; "
    read = read if scale > SHOWS_LAMBDA else ""
    flow = plain(one.flow_m3_s, "flow", system)
    as_read = ", as read" if one.reported is not None and one.reported.source == "read" else ""
    said = {
        "Lambda": f"{lambda_} with {flow} and {percent(ethanol, 1)} ethanol on engine "
        f"{results.ladder.engine}{as_read}.",
        "Read as": f"{read}the true ratio of air to fuel is {interval_text(one.true_ratio)}.",
        "Chances": f"inside the band ({fixed(band.lowest, 3)} to {fixed(band.highest, 3)}) "
        f"{odds_text(one.odds.inside)}, richer {odds_text(one.odds.richer)}, leaner "
        f"{odds_text(one.odds.leaner)}.",
    }
    if band.moved:
        said["The band"] = moved_band_sentence(band, session.use)
    watch = []
    if one.open_time_s is None:
        said["Open time"] = "not worked out: session.toml has no highest_speed for this engine."
    else:
        share = one.open_time_s / one.cycle_time_s
        said["Open time"] = (
            f"the middle of the band needs {one.open_time_s * 1e3:.1f} ms of the "
            f"{one.cycle_time_s * 1e3:.1f} ms of one cycle at the highest engine speed "
            f"({percent(share)})."
        )
        if share > HIGHEST_SHARE:
            watch.append(
                f"the open time is more than {percent(HIGHEST_SHARE)} of the cycle: this injector "
                "runs out of time, and the engine runs lean at full speed."
            )
    if one.outside_tried_range:
        watch.append("this flow lies outside those that were read: this is extrapolated.")
    gate = one.reported.gate if one.reported is not None else None
    # What a gate says of lean odds is about the band of session.toml.
    if gate is not None and gate.code not in ("lean", "ethanol"):
        watch.append(f"the report rules this out: {gate_sentence(results, one.reported)}.")
    if one.odds.leaner > min(0.1, leaner_limit_of(session)):
        watch.append(
            f"this may be leaner than the band (chance {odds_text(one.odds.leaner)}). Lean and hot "
            "go together on a long climb."
        )
    limit = session.bike.highest_ethanol
    if limit and ethanol > limit.value + 1e-9:
        watch.append(
            f"{percent(ethanol, 1)} ethanol is more than the {percent(limit.value)} that the maker "
            "allows: do not use it."
        )
    return kit.with_watch(said, watch)


def add_candidate(session: Session, name: str, flow: str, tolerance: str) -> Prose:
    """Write an injector to be thought about into session.toml.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    name, flow, tolerance : str
        As they will stand there.
    """
    name = name.strip()
    if not re.fullmatch(r"\w[\w-]*", name, flags=re.ASCII):
        message = f"{name!r} is no name for an injector; use letters, digits, - and _"
        raise SessionError([Problem("name of the candidate", message)])
    if users := [setup for setup, one in session.setups.items() if one.injector == name]:
        message = f"{name} is fitted in {users[0]}, so it is no candidate; choose another name"
        raise SessionError([Problem("name of the candidate", message)])
    values = {"flow": flow, "tolerance": tolerance}
    record = session.injectors.get(name)
    if record and record.flow_pressure and session.bike.fuel_pressure:
        # The slider's flow is the one at the bike's pressure.
        system = session.about.units
        pressure = units.to_display(session.bike.fuel_pressure.value, "fuel_pressure", system)
        unit = units.unit_label("fuel_pressure", system)
        values["flow_pressure"] = f"{pressure:.6g} {unit}"
    return kit.write(session.folder, {f"injectors.{name}": values})


# Other air ----------------------------------------------------------------------------------------


def other_air(results: Results) -> widgets.VBox | Prose:
    """Sliders for air temperature and altitude; lambda there of what was read or could be fitted.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    ipywidgets widget, or Prose where there is nothing to ask
    """
    session, system, envelope = results.judged, results.session.about.units, results.air
    if envelope is None:
        return Prose((("", "No mixture of this outing is known to change with the air."),))
    air = air_of_runs(session)
    known = known_air(session, air, weighed_readings(session, air), open_loop=True)
    listed = {one.injector: one for one in results.combinations if envelope.of(one) is not None}
    names = [one.injector for one in envelope.mixtures]
    heights = (0.0, max(2500.0, envelope.riding.highest_m))
    ends = envelope.temperature_k[0], envelope.temperature_k[-1]
    warm, band = float(air["temperature_k"].mean()), results.band
    degrees, height = kit.of_kinds(system, "temperature", "length")
    controls = {
        "injector": kit.choice("injector", names, names[0]),
        "temperature": kit.slider("air temperature", degrees, warm, ends, 1),
        "altitude": kit.slider("altitude", height, envelope.riding.lowest_m, heights, 50),
    }

    def answer(*, injector, temperature, altitude):
        there = {"temperature_k": temperature, "altitude_m": altitude}
        lambda_, odds = over_air(known, listed[injector], band, **there)
        richer, inside, leaner = (odds_text(float(x)) for x in vars(odds).values())
        said = {
            "Lambda": f"{interval_text(lambda_)} with {injector} on {listed[injector].fuel}.",
            "Chances": f"inside the band ({fixed(band.lowest, 2)} to {fixed(band.highest, 2)}) "
            f"{inside}, richer {richer}, leaner {leaner}.",
            "The ECU": ecu_sentence(results),
        }
        lean = bool(odds.leaner > leaner_limit_of(session))
        watch = ["this may be leaner than the band: read the gauge in such air first."] * lean
        return kit.Said(kit.with_watch(said, watch))

    return kit.panel(controls, answer, name=f"air of {session.folder}")


# Rider, hill and wind -----------------------------------------------------------------------------


def another_rider(results: Results) -> widgets.VBox | Prose:
    """Sliders for rider, hill and wind; marker speed at the same force and at the same power.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    ipywidgets widget, or Prose where there is nothing to ask
    """
    setup = results.what_if_setup
    if setup is None:
        text = "Without speeds of the reference setup there is nothing to work from."
        return Prose((("", text),))
    system = results.session.about.units
    run = results.road.equivalent[setup]
    length = sum(run.lengths_m)
    grade = sum(a * b for a, b in zip(run.lengths_m, run.grade_ratios, strict=True)) / length

    mass, way, speed = kit.of_kinds(system, "mass", "length", "speed")
    wind = run.headwind_m_s
    controls = {
        "mass": kit.slider("rider, dressed to ride", mass, run.rider_mass_kg, (40.0, 140.0), 1),
        "length": kit.slider("length of the hill", way, length, (50.0, 1500.0), 10),
        "grade": kit.slider("grade", kit.percent(), grade, (0, 0.2), 0.1),
        "wind": kit.slider("headwind; minus: from behind", speed, wind, (-8.0, 8.0), 1),
    }
    start = kit.values_of(controls)

    def answer(**values):
        return kit.Said(rider_words(results, run, setup, question_of(values, start)))

    return kit.panel(controls, answer, name=f"rider of {results.session.folder}")


def question_of(values: dict, start: dict) -> Question:
    """What the sliders ask; one that stands where it started asks nothing.

    Parameters
    ----------
    values, start : dict of str to float
        ``mass``, ``length``, ``grade``, ``wind`` in SI.
    """
    asked = {name: x if kit.moved(x, start[name]) else None for name, x in values.items()}
    hill = {}
    if asked["length"] is not None or asked["grade"] is not None:
        hill = {"lengths_m": (values["length"],), "grade_ratios": (values["grade"],)}
    return Question(rider_mass_kg=asked["mass"], headwind_m_s=asked["wind"], **hill)


def rider_words(results: Results, run: EquivalentRun, setup: str, question: Question) -> tuple:
    """Marker speeds for one question, in sentences."""
    system = results.session.about.units
    (one,) = answers(run, [question])
    entry = with_unit(run.entry_m_s, "speed", system)
    if one.refusal:
        return (Prose((("No answer", f"{REFUSALS[one.refusal]}."),), style="caution"),)
    force, power = (quantity_text(speed, "speed", system) for speed in (one.at_force, one.at_power))
    text = (
        f"Setup {spaced(setup)}, {entry} at the start line; true speeds, not what a speedometer "
        "shows. The gearing is not known: the truth lies between the two."
    )
    items = [
        ("With the same force at the wheel", f"{force} at the marker."),
        ("With the same power at the wheel", f"{power} at the marker."),
        ("", text),
    ]
    if question.grade_ratios:
        grade = percent(question.grade_ratios[0], 1)
        items.append(("", f"The hill is taken as one even slope of {grade}, exactly."))
    return (Prose(tuple(items)),)
