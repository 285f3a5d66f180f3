"""Of the setup to ride: another rider or hill, its engine speeds, its fuel and its price.

Marker speeds stand between two bounds; fuel use and money in the rider's own way of counting.
"""

import math

import numpy as np
from numpy.typing import ArrayLike

from tuninglib import units
from tuninglib.analysis import what_if
from tuninglib.analysis.analyse import Results
from tuninglib.analysis.gain import usable_rows
from tuninglib.analysis.records import one_each
from tuninglib.interval import Z_95, Interval
from tuninglib.physics.air import (
    STANDARD_GRAVITY_M_S2,
    air_density_kg_m3,
    correction_sae_j1349,
    standard_altitude_m,
    standard_pressure_pa,
)
from tuninglib.physics.motion import Hill
from tuninglib.report.advice import WORTH_A_WARNING, chance, gate_sentence
from tuninglib.report.page_parts import (
    Html,
    Prose,
    Table,
    as_points,
    asset,
    money,
    render,
    shown,
    spaced,
    system_of,
    table_of,
)
from tuninglib.rounding import fixed, interval_text, percent, quantity_text
from tuninglib.session.defaults import air_of_runs
from tuninglib.session.records import Session
from tuninglib.session.schema import SHOWS_LAMBDA

# Your weight, your hill ---------------------------------------------------------------------------

# Why there is no answer, by the code of :class:`tuninglib.analysis.what_if.Answer`.
REFUSALS = {
    "too far": "too far from what was tested to say",
    "stops": "the bike would stop before the marker, or could",
    "wind": "the wind from behind is faster than the bike",
}


def sentences(results: Results) -> Prose:
    """What the table for another rider shows, and between which bounds."""
    if not results.what_if:
        return Prose((("", "Without a wheel force there is nothing to work from."),))
    said = {
        "": "The same bike under another rider. How the engine's pull changes with its speed is "
        "not known, so there are two bounds: the same force at the wheel, and the same power."
    }
    top, system = results.flat_top_speeds, results.session.about.units
    if top is not None and top.at_power is not None:
        power, force = (quantity_text(v, "speed", system) for v in (top.at_power, top.at_force))
        said["On the flat"] = (
            f"without wind the same power would hold {power}; the same force {force}, if the "
            "engine could still pull it there. Calculated; not a target."
        )
    return Prose(tuple(said.items()))


def in_method(results: Results) -> str:
    """What is taken of another rider, beyond mass.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    taken = results.session.assumptions
    effect, drag = (percent(one.half_width) for one in (taken.rider_effect, taken.rider_drag))
    return (
        "a bigger one meets more air, too: half of the drag area is assumed to be the rider's, "
        "growing with mass to the power 0.425 (a rule, not a measurement). Every rider sits and "
        f"shifts in a way of his own: {effect} of force and {drag} of drag either way are part of "
        "the intervals."
    )


def table(results: Results) -> Table | Prose:
    """Marker speed under another rider, between constant force and constant power."""
    if not results.what_if:
        return Prose(())
    system = system_of(results)

    def at_marker(row) -> str:
        answer = row.answer
        if not answer.at_force:
            return REFUSALS[answer.refusal]
        return _as_shown(answer, results.road.speed_factor.value, system)

    columns = {
        ("Rider, dressed", "mass"): lambda row: row.rider_mass_kg,
        ("As shown", "speed"): at_marker,
        ("Marker, same force", "speed"): lambda row: row.answer.at_force,
        ("Marker, same power", "speed"): lambda row: row.answer.at_power,
    }
    setup = results.what_if_setup
    start = shown(results.road.equivalent[setup].entry_m_s, "speed", system)
    return table_of(
        results.what_if,
        columns,
        f"Marker speed of {spaced(setup)} under another rider",
        f"True speeds, from {start} {units.unit_label('speed', system)} at the start line; "
        "“as shown” is what this bike's speedometer would show for the two.",
        system=system,
    )


def _as_shown(answer, factor: float, system: str) -> str:
    """Both answers on the speedometer of the day, as one number where they are the same."""
    ends = [
        shown(one.value / factor, "speed", system) for one in (answer.at_force, answer.at_power)
    ]
    return " to ".join(dict.fromkeys(sorted(ends, key=float)))


# Engine speeds ------------------------------------------------------------------------------------


def gearing_sentences(results: Results) -> Prose:
    """What the gearing makes of the setup that is told about.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    found = results.gearing
    if found is None:
        return Prose(())
    system = results.session.about.units
    entry, end = (
        interval_text(one, "rpm", most_decimals=0) for one in (found.entry_rpm, found.exit_rpm)
    )
    turns = f"{fixed(found.ratio, 2)} turns of the crank for one of the wheel"
    speeds = f"{entry} at the start line, {end} at the marker ({turns})."
    torque = quantity_text(found.torque_n_m, "torque", system)
    said = {
        "At the crank": f"{torque} and {quantity_text(found.power_w, 'power', system)}, mean over "
        "the hill; losses of gearbox and chain are part of the interval."
    }
    if tyre := results.session.gearing.tyre:
        said["Tyre"] = f"{tyre}; a measured circumference would be more exact."
    if found.limit_speed_m_s is not None:
        said["Top speed"] = _limit(found, system)
    return as_points([(spaced(found.setup), speeds), *said.items()])


def _limit(found, system) -> str:
    speed = quantity_text(found.limit_speed_m_s, "speed", system)
    said = {
        "revs": "; on the flat the engine runs out of revs before drag stops it: taller gearing "
        "would be faster there",
        "drag": "; on the flat drag stops it before: shorter gearing would lose nothing there",
        "unclear": "; on the flat that is about where drag stops it, too",
        "": "",
    }[found.limited_by]
    return f"{fixed(found.limit_rpm, 0)} rpm are {speed}{said}."


# Fuel use and money -------------------------------------------------------------------------------

_MILE_M = units.convert(1.0, "mile", "m")


def fuel_use_sentences(results: Results) -> Prose:
    """What the fills say, against what was to be expected, and what the parts cost.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    items = [
        (spaced(one.setup), _compared(one)) for one in results.fuel_use if one.over is not None
    ]
    session, per = results.session, results.outlay.per_gain
    if per is not None:
        value, low, high = (
            # In two figures, which is more than is known of it.
            money(float(f"{one:.2g}"), session)
            for one in (per.value, per.low, per.high)
        )
        cost = money(results.outlay.ride, session)
        text = f"{cost}, which is about {value} ({low} to {high}) per 1 % of pull."
        items.append((f"What {spaced(results.plan.ride.setup)} costs", text))
    if results.fuel_use:
        text = (
            "from fill to fill the road and the right hand count more than the setup. The ECU "
            "holds lambda 1 where it corrects, so a richer full throttle shows only as far as "
            "full throttle was ridden."
        )
        items.append(("Note", text))
    return as_points(items)


def _compared(one) -> str:
    more, size = ("more", one.over) if one.over.value >= 0 else ("less", one.over.turned())
    text = (
        f"{interval_text(size.scaled(100), '%', least_decimals=0)} {more} fuel than the reference"
    )
    text += "; that may be none at all." if one.over.low <= 0 <= one.over.high else "."
    if abs(one.expected) < 5e-4:
        return text
    way = "more" if one.expected > 0 else "less"
    return f"{text} By its fuel's energy it would be {percent(abs(one.expected), 1)} {way}."


def fuel_use_table(results: Results) -> Table | Prose:
    """Consumption, range and price of distance of each setup that was filled.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    system, session = system_of(results), results.session
    unit_m, unit = (1000.0, "km") if system == "metric" else (_MILE_M, "miles")
    columns = {
        "Setup": lambda one: spaced(one.setup),
        f"Fuel [{consumption_unit(system)}]": lambda one: interval_text(
            per_distance(one.per_m, system), most_decimals=2
        ),
        f"Range on a tank [{unit}]": lambda one: (
            one.range_m and interval_text(one.range_m.scaled(1 / unit_m), most_decimals=0)
        ),
        f"Fuel for 100 {unit}": lambda one: (
            one.cost_per_m and money(float(f"{one.cost_per_m.value * 100 * unit_m:.2f}"), session)
        ),
        f"Distance [{unit}]": lambda one: fixed(one.distance_m / unit_m, 0),
        "Fills": lambda one: str(one.fills),
    }
    return table_of(results.fuel_use, columns, "Fuel use", "In brackets: 95 % intervals.")


def consumption_unit(system: str) -> str:
    """How riders of a system count fuel.

    Parameters
    ----------
    system : str
    """
    return {"metric": "L/100 km", "us": "mpg (US)", "imperial": "mpg (imperial)"}[system]


def per_distance(per_m: Interval, system: str) -> Interval:
    """Fuel for each metre in the way that riders of a system count it.

    Parameters
    ----------
    per_m : tuninglib.interval.Interval
        [m3/m]
    system : str

    Examples
    --------
    >>> per_distance(Interval(3e-8, 2.5e-8, 4e-8), "metric")
    Interval(value=3.0, low=2.5, high=4.0)
    >>> round(per_distance(Interval(3e-8, 2.5e-8, 4e-8), "us").value, 1)
    78.4
    """
    if system == "metric":
        return per_m.scaled(1e8)
    gallon = units.from_display(1.0, "volume", system)
    return Interval(*(gallon / _MILE_M / one for one in (per_m.value, per_m.high, per_m.low)))


# The fellow rider's own questions inside the page -------------------------------------------------
# The script is the same for every session and does the sums of tuninglib.analysis.what_if; whatever
# it needs of this session stands in the page as plain data. Without scripts the controls stay
# hidden.

# Of each control its label and kind, then lowest, highest and step in the unit shown, of kilometres
# and of feet; widened to hold the day's own value.
FIELDS: dict[str, tuple] = {
    "mass": ("My weight, dressed to ride", "mass", (40, 150, 1), (90, 330, 1)),
    "length": ("My hill, start line to marker", "length", (50, 2000, 5), (150, 6500, 10)),
    "grade": ("Its grade", None, (0, 20, 0.1), (0, 20, 0.1)),
    "altitude": ("My altitude", "length", (0, 3000, 10), (0, 10000, 50)),
    "headwind": ("Headwind, minus from behind", "speed", (-20, 20, 1), (-12, 12, 1)),
    "entry": ("My speed at the start line, as shown", "speed", (10, 100, 1), (6, 60, 1)),
    "speedometer": ("My speedometer shows too much by", None, (-5, 15, 0.5), (-5, 15, 0.5)),
}

# Between these altitudes the script interpolates logarithms; 60 m are good to 2e-6.
_ALTITUDE_STEP_M = 60.0
# A day's pressure farther than this from the standard atmosphere's is not that altitude's weather.
_LARGEST_DEPARTURE = 0.06


def script(results: Results) -> str:
    """Script of the page; empty if this session leaves nothing to ask.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    if _run_of(results) is None and not _fuels(results):
        return ""
    return str(asset("report/page/fellow.js"))


def controls(results: Results) -> Html:
    """Fields for the reader's own numbers, the place for the answer, and the data for the script.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    run, fuels = _run_of(results), _fuels(results)
    if run is None and not fuels:
        return Html("", "")
    system = system_of(results)
    values = _day_values(results, run) if run else {}
    found = data(results)
    page = render(
        "report/page/fellow.html.j2",
        fields=[_number_field(name, value, system) for name, value in values.items()],
        fuels=[fuel["name"] for fuel in fuels],
        fuel_in_use=results.plan.ride.fuel if fuels else None,
        setups=[(one["title"], one["shut"]) for one in found["setups"]],
        chosen=spaced(run.setup) if run else "",
        data=found,
    )
    return Html(page, "You can try your own numbers in the report page.")


def data(results: Results) -> dict:
    """What the script needs of this session.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    dict
        Ready for JSON, SI. Force and power are those of the day's run, once as it was and then
        with each of its ``moves`` made and turned round.
    """
    session, run = results.session, _run_of(results)
    system, compensation = session.about.units, session.bike.density_compensation
    found = {
        "run": None,
        "fuels": _fuels(results),
        # The page asks about another altitude at the day's temperature.
        "compensation": {"pressure": "yes", "temperature": "no"}.get(compensation, compensation),
        "refusals": REFUSALS,
        "speed": {
            "label": units.unit_label("speed", system),
            "per_m_s": units.to_display(1.0, "speed", system),
            "true_per_shown": results.road.speed_factor.value if results.road else 1.0,
        },
    }
    if run is None:
        return found | {"setups": []}
    start = _of_run(results, run, _day_values(results, run))
    runs = (results.road.equivalent[pull.setup] for pull in results.pulls)
    return found | start | {"setups": [_setup(results, one) for one in runs if one is not None]}


def _setup(results, run) -> dict:
    """What the script needs of one setup; of the one it starts with, not the run once more."""
    parts = results.session.setups[run.setup]
    shut = [one for one in results.combinations if one.setup == run.setup and one.gate is not None]
    system, values = system_of(results), _day_values(results, run)
    named = {
        "title": run.setup.replace("_", " "),
        "parts": [parts.engine, parts.injector],
        "fuel": parts.fuel,
        "shut": gate_sentence(results, shut[0]) if shut else "",
        "values": {
            name: _number_field(name, value, system)["value"] for name, value in values.items()
        },
        "fuels": _fuels(results, parts.engine, parts.injector),
    }
    return named if run is _run_of(results) else named | _of_run(results, run, values)


def _of_run(results, run, values) -> dict:
    """What the script needs to work out the marker speeds of one setup."""
    session = results.session
    force, power = what_if.day_outputs(run)
    low, high = _altitudes(values["altitude"], session.about.units)
    altitudes = np.arange(low, high + _ALTITUDE_STEP_M, _ALTITUDE_STEP_M)
    density, output = air_at_altitude(session, altitudes, setup=run.setup)
    kept = {name: value for name, value in vars(run).items() if name not in ("setup", "force_n")}
    return {
        "run": kept,
        "force_n": force.tolist(),
        "power_w": power.tolist(),
        "mean_grade_ratio": _mean_grade(run),
        "air": {
            "lowest_m": low,
            "step_m": _ALTITUDE_STEP_M,
            "density_kg_m3": density.tolist(),
            "output_factor": output.tolist(),
        },
        "constants": {
            "gravity_m_s2": STANDARD_GRAVITY_M_S2,
            "z": Z_95,
            "steps": what_if.STEPS,
            "farthest": what_if.FARTHEST,
            "rider_share": what_if.RIDER_SHARE,
            "body_exponent": what_if.BODY_EXPONENT,
        },
    }


def air_at_altitude(session: Session, altitude_m: ArrayLike, *, setup: str) -> tuple:
    """Air of the day carried to another altitude.

    Parameters
    ----------
    session : tuninglib.session.records.Session
        With runs that have speeds.
    altitude_m : float or array
        Above the sea. [m]
    setup : str
        Whose runs tell the air of the day.

    Returns
    -------
    density_kg_m3, output_factor : same shape
        Of moist air [kg/m3], and after SAE J1349.

    Notes
    -----
    The mean temperature and humidity of the runs stay; their mean pressure changes as the
    standard atmosphere's does (ISO 2533), so that the day's weather is kept.
    """
    air = _air_of(session, setup)
    pressure = float(air["pressure_abs_pa"].mean())
    departure = pressure / standard_pressure_pa(_altitude_of(session, pressure))
    state = {
        "temperature_k": float(air["temperature_k"].mean()),
        "pressure_abs_pa": departure * standard_pressure_pa(altitude_m),
        "relative_humidity": float(air["humidity_ratio"].mean()),
    }
    return air_density_kg_m3(**state), correction_sae_j1349(**state).factor


def _air_of(session, setup):
    """Air of a setup's runs."""
    rows = usable_rows(session)
    return air_of_runs(session).loc[rows.index[rows["setup"] == setup]]


def _altitude_of(session, pressure_pa: float) -> float:
    """Altitude of the hill: as stated if the pressure can be its, else that of the pressure."""
    stated = session.hill.altitude
    if stated is not None:
        departure = pressure_pa / standard_pressure_pa(stated.value) - 1
        if abs(departure) <= _LARGEST_DEPARTURE:
            return stated.value
    return float(standard_altitude_m(pressure_pa))


def _run_of(results):
    setup = results.what_if_setup
    return None if setup is None else results.road.equivalent[setup]


def _mean_grade(run) -> float:
    return float(Hill(run.lengths_m, run.grade_ratios).mean_grade_ratio)


def _day_values(results, run) -> dict:
    """What each control starts with, in SI."""
    air = _air_of(results.session, run.setup)
    return {
        "mass": run.rider_mass_kg,
        "length": sum(run.lengths_m),
        "grade": _mean_grade(run),
        "altitude": _altitude_of(results.session, float(air["pressure_abs_pa"].mean())),
        "headwind": run.headwind_m_s,
        "entry": run.entry_m_s / results.road.speed_factor.value,
        "speedometer": 1 / results.road.speed_factor.value - 1,
    }


def _altitudes(value: float, system: str) -> tuple:
    """Whole steps that hold every altitude that the control offers. [m]"""
    low, high, *_ = _range("altitude", value, system)
    factor, step = _factor("altitude", system), _ALTITUDE_STEP_M
    return math.floor(low * factor / step) * step, math.ceil(high * factor / step) * step


def _factor(name: str, system: str) -> float:
    """SI value of one of the unit shown."""
    kind = FIELDS[name][1]
    return 0.01 if kind is None else units.from_display(1.0, kind, system)


def _range(name: str, value: float, system: str) -> tuple:
    """Lowest, highest, step and the day's value in the unit of a field."""
    low, high, step = FIELDS[name][2 if system == "metric" else 3]
    shown = value / _factor(name, system)
    return min(low, math.floor(shown)), max(high, math.ceil(shown)), step, shown


def _number_field(name: str, value_si: float, system: str) -> dict:
    """What the template says of one field."""
    label, kind, *_ = FIELDS[name]
    low, high, step, shown = _range(name, value_si, system)
    return {
        "name": name,
        "label": label,
        "unit": "%" if kind is None else units.unit_label(kind, system),
        "low": low,
        "high": high,
        "step": step,
        "value": f"{shown:z.{0 if step >= 1 else 1}f}",
        "factor": repr(_factor(name, system)),
    }


def _fuels(results, engine=None, injector=None) -> list:
    """For each fuel: what an injector does on it, and what speaks against it.

    Left out: the engine and the injector to ride.
    """
    ride = results.plan.ride
    if engine is None:
        if ride is None:
            return []
        engine, injector = ride.engine, ride.injector
    found = {
        one.fuel: one
        for one in one_each(results.combinations, ride).values()
        if (one.engine, one.injector) == (engine, injector)
    }
    return [
        {
            "name": name,
            "mixture": f"On {name} with injector {injector}: {_mixture(results, found[name])}",
            "warnings": _speaks_against(results, found[name]),
        }
        for name in results.session.fuels
        if name in found and found[name].odds is not None
    ]


def _mixture(results, one) -> str:
    scale = results.shown_at_lambda_one
    shown = (
        f", about {fixed(one.lambda_.value * scale, 1)} on this gauge"
        if scale > SHOWS_LAMBDA
        else ""
    )
    return f"lambda {interval_text(one.lambda_)}{shown}; {chance(one)}."


def _speaks_against(results, one) -> list:
    if one.gate is not None:
        return [f"Not on {one.fuel}: {gate_sentence(results, one)}."]
    if one.odds.leaner > WORTH_A_WARNING:
        return ["Read a gauge before any full throttle: lean runs hot and knocks sooner."]
    return []
