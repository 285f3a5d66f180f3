"""Before buying, under sliders: which injector, how much compression, what is in the tank.

The injector's flow comes as a range with its open time and with where a chart misleads; a cylinder
kit with the octane that it asks for; a tank after topping up with what that does to the gauge.
"""

from dataclasses import dataclass, replace

import ipywidgets as widgets

from tuninglib import units
from tuninglib.analysis.analyse import Results
from tuninglib.analysis.injector import DEAD_TIME_S, HIGHEST_SHARE, Change, guess_of
from tuninglib.analysis.mixture import flow_on_bike
from tuninglib.lab import kit
from tuninglib.physics import engine, fuels
from tuninglib.report.page_parts import Prose, with_unit
from tuninglib.rounding import fixed, percent, quantity_text
from tuninglib.session.defaults import ethanol_of, petrol_density_of
from tuninglib.session.schema import SHOWS_LAMBDA

# The injector -------------------------------------------------------------------------------------

NO_CHART = "no chart at hand"
# Of what small injectors and their drivers do, and of what trims are usual (common practice).
SHORTEST_PULSE_S, TRIM_AUTHORITY = 1.5e-3, 0.20
# Less than any injector of a road engine flows, and more than any of a single; where sliders of
# flow begin and end.
SMALLEST_M3_S, LARGEST_M3_S = 50e-6 / 60, 600e-6 / 60


# Where the sliders start before there is a session: a small single (invented).
USUAL = Change(
    flow_m3_s=150e-6 / 60,
    flow_tolerance=0.07,
    lambda_read=0.87,
    lambda_wanted=0.87,
    gauge_accuracy=0.02,
    old_displacement_m3=150e-6,
    new_displacement_m3=175e-6,
    breathing_ratio=1.0,
    breathing_half_width=0.10,
    old_pressure_pa=3e5,
    new_pressure_pa=3e5,
    old_ethanol=0.05,
    new_ethanol=0.05,
    breathing=0.85,
    engine_speed_rpm=9000.0,
)


def change_of(results: Results) -> Change:
    """From the reference of a session to its other engine, on the same fuel.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    session = results.session
    setup = session.setups[results.reference]
    new_name = results.ladder.engine if results.ladder else list(session.engines)[-1]
    new = session.engines[new_name]
    mixture = next(one for one in results.mixtures if one.setup == results.reference)
    middle = (session.target.lowest * session.target.highest) ** 0.5
    pressure = session.bike.fuel_pressure.value if session.bike.fuel_pressure else 3e5
    ethanol = ethanol_of(session.fuels[setup.fuel]).value
    return Change(
        flow_m3_s=flow_on_bike(session, setup.injector),
        flow_tolerance=session.injectors[setup.injector].tolerance.value,
        lambda_read=mixture.lambda_.value if mixture.lambda_ else middle,
        lambda_wanted=middle,
        gauge_accuracy=results.judged.gauge.accuracy.half_width,
        old_displacement_m3=session.engines[setup.engine].displacement_m3,
        new_displacement_m3=new.displacement_m3,
        breathing_ratio=1.0,
        breathing_half_width=session.assumptions.breathing_change.half_width,
        old_pressure_pa=pressure,
        new_pressure_pa=pressure,
        old_ethanol=ethanol,
        new_ethanol=ethanol,
        breathing=new.breathing.value,
        engine_speed_rpm=new.highest_speed.value if new.highest_speed else 9000.0,
        cylinders=new.cylinders,
    )


def first_guess(results: Results | None = None, *, system: str = "metric") -> widgets.VBox:
    """Sliders for the old and the new engine, target, pressure and fuel.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results, optional
        Where the sliders start; left out: a usual small engine, before there is a session.
    system : str
        System of units of that.
    """
    start = USUAL if results is None else change_of(results)
    system = system if results is None else results.session.about.units

    def answer(*, chosen_m3_s, change, own_valves, chart_valves, chart_ethanol, **changed):
        if 0 < chosen_m3_s < SMALLEST_M3_S:
            raise ValueError("no injector flows so little; 0 takes the flow that is called for")
        changed |= {"breathing_ratio": 1 + change, "chosen_m3_s": chosen_m3_s or None}
        chart = {"chart_valves": chart_valves, "chart_ethanol": chart_ethanol}
        planned = replace(start, **changed)
        return kit.Said(guess_words(system, planned, own_valves=own_valves, **chart))

    controls = _guess_controls(start, system)
    folder = results.session.folder if results is not None else ""
    return kit.panel(controls, answer, name=f"first guess in {system} {folder}")


def _guess_controls(start, system) -> dict:
    """Sliders that stand where a change starts, named as what they change."""
    flow, cc, pressure = kit.of_kinds(system, "flow", "displacement", "fuel_pressure")
    content, doubt = kit.percent("% by volume"), kit.percent("±%, 95 of 100")
    bar = 0.1 if system == "metric" else 0.5
    contents, sizes, pressures = (0, 0.85), (4e-5, 1e-3), (1e5, 6e5)

    milli_s = kit.Measure("ms", lambda seconds: 1e3 * seconds, lambda shown: shown / 1e3)
    rows = (
        ("flow_m3_s", "now: injector flow", flow, (SMALLEST_M3_S, LARGEST_M3_S), 1),
        ("old_displacement_m3", "now: displacement", cc, sizes, 1),
        ("lambda_read", "now: lambda read", "lambda", (0.7, 1.2), 0.005),
        ("old_ethanol", "now: ethanol", content, contents, 0.5),
        ("old_pressure_pa", "now: fuel pressure", pressure, pressures, bar),
        ("new_displacement_m3", "planned: displacement", cc, sizes, 1),
        ("change", "planned: breathing against now", kit.percent(), (-0.25, 0.25), 1),
        ("breathing_half_width", "breathing may be off by", doubt, (0, 0.25), 1),
        ("lambda_wanted", "planned: target lambda", "lambda", (0.7, 1.1), 0.005),
        ("new_ethanol", "planned: ethanol", content, contents, 0.5),
        ("new_pressure_pa", "planned: fuel pressure", pressure, pressures, bar),
        ("engine_speed_rpm", "highest engine speed", "rpm", (4000, 14000), 100),
        ("chosen_m3_s", "planned: flow; 0: that called for", flow, (0.0, LARGEST_M3_S), 1),
        ("idle_pulse_s", "now: pulse at a warm idle", milli_s, (1e-3, 6e-3), 0.05),
    )
    # What is changed or chosen starts from nothing.
    controls = {
        name: kit.slider(what, measure, getattr(start, name, None) or 0.0, ends, step)
        for name, what, measure, ends, step in rows
    }
    return controls | {
        "own_valves": kit.choice("valves per cylinder, my engine", (2, 3, 4, 5)),
        "chart_valves": kit.choice("valves per cylinder, of a chart", (NO_CHART, 2, 3, 4, 5)),
        "chart_ethanol": kit.slider("ethanol of the chart's fuel", content, 0, contents, 0.5),
    }


def guess_words(
    system: str,
    change: Change,
    *,
    own_valves: int | str,
    chart_valves: int | str,
    chart_ethanol: float,
) -> tuple:
    """A first guess in sentences.

    Parameters
    ----------
    system : str
    change : Change
    own_valves, chart_valves : int or str
        Valves for each cylinder, of the engine and of a chart that is compared with; or
        :data:`NO_CHART`.
    chart_ethanol : float
        Of the chart's fuel, by volume, 0 to 1.
    """
    guess = guess_of(change)
    wanted = quantity_text(guess.flow_m3_s, "flow", system)
    said = {"Injector to look for": f"{wanted} at the new fuel pressure."}
    if change.new_pressure_pa != change.old_pressure_pa:
        stated = quantity_text(guess.stated_at_old_pressure_m3_s, "flow", system)
        said["Stated at the old pressure"] = f"the same injector is one of {stated}."
    share = guess.open_time_s / guess.cycle_time_s
    runs_out = with_unit(guess.runs_out_m3_s, "flow", system)
    least, most = (f"{'+' if one > 0 else ''}{percent(one)}" for one in guess.trims)
    said |= {
        "Open time": f"{guess.open_time_s * 1e3:.1f} ms of the {guess.cycle_time_s * 1e3:.1f} ms "
        f"of one cycle at {change.engine_speed_rpm:.0f} rpm ({percent(share)}).",
        "Runs out": f"at full speed an injector below {runs_out} would need more than "
        f"{percent(HIGHEST_SHARE)} of the cycle.",
        "At idle": f"a pulse of {1e3 * change.idle_pulse_s:.2f} ms becomes "
        f"{1e3 * guess.idle_pulse_s:.2f} ms (dead time {1e3 * DEAD_TIME_S:g} ms taken).",
        "Where the ECU corrects": f"at part load it must trim by {least} to {most}, depending on "
        "whether its table goes by throttle or by manifold pressure; many can trim 20 to 25 % "
        "(common practice).",
    }
    chart = {"chart_valves": chart_valves, "chart_ethanol": chart_ethanol}
    watch = [*_guess_warnings(guess), *chart_warnings(change, own_valves=own_valves, **chart)]
    watch.append(
        "a first guess is no reading. Start at the rich end of the range, read the gauge on a "
        "short gentle run, then go on."
    )
    return kit.with_watch(said, watch)


def _guess_warnings(guess) -> list:
    watch = []
    if guess.idle_pulse_s < SHORTEST_PULSE_S:
        watch.append(
            f"pulses below about {1e3 * SHORTEST_PULSE_S:g} ms are seldom steady (rule of "
            "thumb): idle may hunt or stall."
        )
    if max(abs(one) for one in guess.trims) > TRIM_AUTHORITY:
        watch.append(
            "that trim may be more than the ECU can do: it would stay rich or lean at part load, "
            "and set a fault."
        )
    if guess.runs_out_m3_s > guess.flow_m3_s.low:
        watch.append(
            "the lower end of the range would run out of time at full speed and run lean there: "
            "ask for a higher fuel pressure or a lower engine speed."
        )
    return watch


def chart_warnings(
    change: Change, *, own_valves: int | str, chart_valves: int | str, chart_ethanol: float
) -> list:
    """Where a chart of injectors by displacement would mislead."""
    if chart_valves == NO_CHART:
        return []
    found = []
    if chart_valves != own_valves:
        found.append(
            f"the chart is for {chart_valves} valves per cylinder, your engine has {own_valves}: "
            "heads with other valves breathe differently at the same displacement, and each per "
            "cent of breathing is one per cent of flow. Do not take its flow as it is."
        )
    shift = fuels.lambda_shift(fuels.Blend(chart_ethanol), fuels.Blend(change.new_ethanol))
    off = float(shift) - 1
    if abs(off) > 0.005:
        less = "too small" if off > 0 else "too large"
        found.append(
            f"the chart is for {percent(chart_ethanol, 1)} ethanol, your fuel has "
            f"{percent(change.new_ethanol, 1)}: its flows are {percent(abs(off), 1)} {less} for "
            "you, for the fuel alone."
        )
    return found


# The cylinder kit ---------------------------------------------------------------------------------

# Above this mean piston speed small engines wear fast (common practice, from memory).
USUAL_FASTEST_M_S = 20.0


def compression(system: str = "metric") -> widgets.VBox:
    """Sliders for the engine as it was made, a larger cylinder, and the fuel.

    Parameters
    ----------
    system : str
        System of units, for volumes.
    """
    measured, dish = "cc; 0: not measured", "cc; minus: a dish"
    controls = {
        "bore": kit.slider("bore as made", "mm", 60.0, (30, 110), 0.1),
        "stroke": kit.slider("stroke", "mm", 63.5, (30, 110), 0.1),
        "made": kit.slider("compression as made", "", 9.5, (6, 15), 0.1),
        "new_bore": kit.slider("bore of the kit", "mm", 64.0, (30, 110), 0.1),
        "dome": kit.slider("dome of the piston, over the old one", dish, 0, (-20, 20), 0.1),
        "gasket": kit.slider("gaskets, thicker than the old ones by", "mm", 0, (-1, 3), 0.05),
        "clearance": kit.slider("chamber measured by burette", measured, 0, (0, 100), 0.1),
        "speed": kit.slider("highest engine speed", "rpm", 9000, (4000, 14000), 100),
        "need": kit.slider("octane that the maker asks for", "", 91, (80, 102), 0.5),
        "need_scale": kit.choice("its scale", tuple(fuels.SCALES)),
        "fuel": kit.slider("octane of the fuel", "", 95, (80, 112), 0.5),
        "fuel_scale": kit.choice("its scale", tuple(fuels.SCALES)),
    }

    def answer(*, need, need_scale, fuel, fuel_scale, **sizes):
        octanes = {"need": fuels.Octane(need, need_scale), "fuel": fuels.Octane(fuel, fuel_scale)}
        return kit.Said(compression_words(CylinderKit(**sizes), system=system, **octanes))

    return kit.panel(controls, answer, name=f"compression in {system}")


@dataclass(frozen=True, kw_only=True)
class CylinderKit:
    """One cylinder as made, and the larger one that is to take its place.

    Attributes
    ----------
    bore, stroke, new_bore : float
        [mm]
    made : float
        Compression ratio as made.
    dome, gasket : float
        What the new crown takes from the chamber beyond the old one [cc], and by how much the
        gaskets are thicker [mm]; of no use where the chamber was measured.
    clearance : float
        Measured with the kit on, gasket and plug thread counted in; 0: not measured. [cc]
    speed : float
        [1/min]
    """

    bore: float
    stroke: float
    made: float
    new_bore: float
    dome: float
    gasket: float
    clearance: float
    speed: float


def compression_words(
    planned: CylinderKit, *, system: str, need: fuels.Octane, fuel: fuels.Octane
) -> tuple[Prose, ...]:
    """Displacement, compression and octane of one cylinder with a kit, in sentences.

    Parameters
    ----------
    planned : CylinderKit
    system : str
    need, fuel : tuninglib.physics.fuels.Octane
    """
    made, stroke_m, new_bore_m = planned.made, planned.stroke / 1e3, planned.new_bore / 1e3
    bores_m = (planned.bore / 1e3, new_bore_m)
    old_m3, new_m3 = (engine.displacement_m3(bore_m=bore, stroke_m=stroke_m) for bore in bores_m)
    kit_m = {"dome_m3": planned.dome / 1e6, "bore_m": new_bore_m, "gasket_m": planned.gasket / 1e3}
    chamber_m3 = planned.clearance / 1e6 or engine.chamber_with_kit_m3(old_m3 / (made - 1), **kit_m)
    now = engine.compression_ratio(swept_volume_m3=new_m3, clearance_volume_m3=chamber_m3)
    rise = now - made
    old, new = (with_unit(one, "displacement", system, 1) for one in (old_m3, new_m3))
    how = f"with the chamber that was measured, {fixed(made, 1)} as made."
    if not planned.clearance:
        how = (
            f"with the kit if the head stays as it is, {fixed(made, 1)} as made. Measure the "
            "chamber with a burette before the engine runs: that counts, not the sum."
        )
    piston = engine.mean_piston_speed_m_s(stroke_m=stroke_m, engine_speed_rpm=planned.speed)
    margin = fuels.octane_margin(fuel, need, compression_rise=rise)
    said = {
        "Displacement": f"{old} as made, {new} with the kit ({percent(new_m3 / old_m3 - 1, 1)}).",
        "Compression": f"{fixed(now, 1)} {how}",
        "Octane": _octane_sentence(need, fuel, margin, rise),
        "Mean piston speed": f"{_piston_speed(piston, system)} at {planned.speed:.0f} rpm.",
    }
    watch = []
    if margin != "enough":
        watch.append(
            "too little octane knocks, and knock breaks pistons fast: a fuel with more, or less "
            "compression, before full throttle."
        )
    if piston > USUAL_FASTEST_M_S:
        watch.append(
            f"a mean piston speed above {_piston_speed(USUAL_FASTEST_M_S, system, 0)} wears small "
            "engines fast (rule of thumb)."
        )
    watch.append(
        "before it runs, measure what the kit's maker states: squish, ring gap, clearance of "
        "piston and cylinder and of piston and valves, and the wall that boring leaves of the "
        "liner. On much ethanol hoses and seals may not last, and a cold start needs more fuel."
    )
    watch.append(
        "a kit also changes oil need and heat, and may need approval for the road. The maker's "
        "manual comes before this sum."
    )
    return kit.with_watch(said, watch)


def _piston_speed(speed_m_s: float, system: str, decimals: int = 1) -> str:
    """As engine builders state it; no speed on the road."""
    if system == "metric":
        return f"{fixed(speed_m_s, decimals)} m/s"
    return f"{round(units.convert(speed_m_s, 'm/s', 'ft/min'), -1):.0f} ft/min"


# Compression raised by more than this is more than any kit raises it (common practice).
HIGHEST_RISE = 2.5


def _octane_sentence(need, fuel, margin, rise) -> str:
    text = f"the maker asks for {need}; {fuel} is {margin.replace('unclear', 'perhaps not enough')}"
    if rise <= 0.05:
        return f"{text}."
    if rise > HIGHEST_RISE:
        return (
            f"{text}: compression would be raised by {fixed(rise, 1)}, so far that no figure in "
            "octane numbers would hold. Measure the chamber again."
        )
    asked = fuels.PER_COMPRESSION.scaled(rise)
    low, high = fixed(asked.low, 1), fixed(asked.high, 1)
    return (
        f"{text} where compression is raised by {fixed(rise, 1)}, which asks for {low} to {high} "
        "octane numbers more (rule of thumb; engines of one model differ by 3 either way, and "
        "another chamber is another engine)."
    )


# The tank -----------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Known:
    """What the panel needs to know beside its sliders.

    Attributes
    ----------
    system : str
    middle : float
        Of the target band, as lambda.
    scale : float or None
        What the gauge shows at lambda 1; None: not known.
    ethanol, other_ethanol : float
        Contents where the sliders start, by volume.
    petrol_density_kg_m3 : float
    highest_ethanol : float or None
        That the maker allows, where it is known.
    """

    system: str
    middle: float = 0.87
    scale: float | None = None
    ethanol: float = 0.05
    other_ethanol: float = 0.85
    petrol_density_kg_m3: float = fuels.PETROL_DENSITY_KG_M3
    highest_ethanol: float | None = None


def known_of(results: Results) -> Known:
    """What a session knows of fuel and gauge.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    session = results.session
    fuel = session.fuels[results.ridden_setup.fuel]
    own = ethanol_of(fuel).value
    contents = [ethanol_of(one).value for one in session.fuels.values()]
    limit = session.bike.highest_ethanol
    return Known(
        system=session.about.units,
        middle=(session.target.lowest + session.target.highest) / 2,
        scale=results.shown_at_lambda_one,
        ethanol=own,
        other_ethanol=max(contents, key=lambda content: abs(content - own)),
        petrol_density_kg_m3=petrol_density_of(fuel).value,
        highest_ethanol=limit.value if limit else None,
    )


def tank_words(
    known: Known,
    *,
    tank_m3: float,
    tank_ethanol: float,
    added_m3: float,
    added_ethanol: float,
    wanted_ethanol: float,
) -> tuple:
    """Content after topping up, what to add for a wanted content, and the gauge's shift.

    Parameters
    ----------
    known : Known
    tank_m3, added_m3 : float
        [m3]
    tank_ethanol, added_ethanol, wanted_ethanol : float
        By volume, 0 to 1.
    """
    system = known.system
    poured = {
        "tank_volume_m3": tank_m3,
        "tank_ethanol_volume_fraction": tank_ethanol,
        "added_ethanol_volume_fraction": added_ethanol,
    }
    after = fuels.content_after_topping_up(**poured, added_volume_m3=added_m3)
    petrol = {"petrol_density_kg_m3": known.petrol_density_kg_m3}
    blends = (fuels.Blend(content, **petrol) for content in (tank_ethanol, after))
    shift = fuels.lambda_shift(*blends)
    whole = with_unit(tank_m3 + added_m3, "volume", system, 2)
    wanted = _to_add(system, poured, wanted_ethanol)
    said = {
        "After topping up": f"{percent(after, 1)} ethanol in {whole}.",
        "To get what you want": wanted,
        "On the gauge": _shift_words(known, shift),
    }
    watch, limit = [], known.highest_ethanol
    for what, content in (("after topping up", after), ("what you want", wanted_ethanol)):
        if limit is not None and content > limit + 1e-9:
            watch.append(
                f"{what}: {percent(content, 1)} ethanol is more than the {percent(limit)} "
                "that the maker allows: do not use it."
            )
    if limit is None:
        watch.append(
            "how much ethanol the maker allows is not known here (highest_ethanol in "
            "session.toml); look it up before you pour."
        )
    watch.append(
        "octane numbers do not mix by such a simple rule: stay with fuels that each have what the "
        "maker asks for. Pour outdoors, with the engine cold, away from flames."
    )
    return kit.with_watch(said, watch)


def _to_add(system, poured, wanted) -> str:
    tank_m3, tank, added = poured.values()
    try:
        volume = fuels.volume_to_add(**poured, wanted_ethanol_volume_fraction=wanted)
    except ValueError:
        return (
            f"no amount of {percent(added, 1)} ethanol brings {percent(tank, 1)} to "
            f"{percent(wanted, 1)}: it must lie between the two."
        )
    add, whole = (with_unit(one, "volume", system, 2) for one in (volume, tank_m3 + volume))
    return f"{percent(wanted, 1)} ethanol: add {add}, which makes {whole}. Will the tank hold it?"


def _shift_words(known, shift) -> str:
    scale = known.scale
    if abs(shift - 1) < 5e-4:
        return "no change."
    way = "leaner" if shift > 1 else "richer"
    words = f"on the same injector it runs {percent(abs(shift - 1), 1)} {way}"
    words = f"{words}, where the ECU does not correct"
    if scale is None:
        return f"{words}."
    now, then = known.middle * scale, known.middle * shift * scale
    decimals = 1 if scale > SHOWS_LAMBDA else 3
    return f"{words}: a reading of {fixed(now, decimals)} becomes {fixed(then, decimals)}."


def tank(results: Results | None = None, *, system: str = "metric") -> widgets.VBox:
    """Sliders for the tank and what is poured in.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results, optional
        Where the sliders start; left out: a usual tank, before there is a session.
    system : str
        System of units of that.
    """
    known = known_of(results) if results is not None else Known(system=system)
    (volume,), usual_m3 = kit.of_kinds(known.system, "volume"), 0.003
    # A tenth of the reader's unit is as near as anybody pours.
    usual_m3 = volume.si(round(volume.shown(usual_m3), 1))

    def content(what, value):
        return kit.slider(what, kit.percent("% by volume"), value, (0, 1), 0.5)

    controls = {
        "tank_m3": kit.slider("in the tank now", volume, usual_m3, (0, 0.02), 0.1),
        "tank_ethanol": content("its ethanol", known.ethanol),
        "added_m3": kit.slider("poured in", volume, usual_m3, (0, 0.02), 0.1),
        "added_ethanol": content("its ethanol", known.other_ethanol),
        "wanted_ethanol": content("ethanol wanted", (known.ethanol + known.other_ethanol) / 2),
    }
    if results is None:
        controls["allowed"] = content("ethanol that the maker allows", 0.1)

    def answer(*, allowed=known.highest_ethanol, **poured):
        return kit.Said(tank_words(replace(known, highest_ethanol=allowed), **poured))

    folder = results.session.folder if results is not None else ""
    return kit.panel(controls, answer, name=f"tank in {known.system} {folder}")
