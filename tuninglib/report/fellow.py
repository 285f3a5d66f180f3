"""The fellow rider's own questions inside the report page: controls, their data, their script.

The script is the same for every session and does the sums of :mod:`tuninglib.analysis.what_if`;
whatever it needs of this session stands in the page as plain data. Without scripts the controls
stay hidden.
"""

import math

import numpy as np
from numpy.typing import ArrayLike

from tuninglib import units
from tuninglib.analysis import what_if
from tuninglib.analysis.gain import usable_rows
from tuninglib.analysis.records import one_each
from tuninglib.analysis.results import Results
from tuninglib.interval import Z_95
from tuninglib.physics.air import (
    STANDARD_GRAVITY_M_S2,
    air_density_kg_m3,
    correction_sae_j1349,
    standard_pressure_pa,
)
from tuninglib.report.advice import WORTH_A_WARNING, chance, gate_sentence
from tuninglib.report.page_parts import Html, asset, render
from tuninglib.report.what_if import REFUSALS
from tuninglib.rounding import fixed, interval_text
from tuninglib.session.defaults import air_of_runs
from tuninglib.session.load import Session

# Lowest, highest and step of each control, in the unit shown; widened to hold the day's own value.
_FEET_AND_POUNDS = {
    "mass": (90, 330, 1),
    "length": (150, 6500, 10),
    "grade": (0, 20, 0.1),
    "altitude": (0, 10000, 50),
    "headwind": (-12, 12, 1),
    "entry": (6, 60, 1),
    "speedometer": (-5, 15, 0.5),
}
RANGES = {
    "metric": {
        "mass": (40, 150, 1),
        "length": (50, 2000, 5),
        "grade": (0, 20, 0.1),
        "altitude": (0, 3000, 10),
        "headwind": (-20, 20, 1),
        "entry": (10, 100, 1),
        "speedometer": (-5, 15, 0.5),
    },
    "us": _FEET_AND_POUNDS,
    "imperial": _FEET_AND_POUNDS,
}
_LABELS = {
    "mass": ("My weight, dressed to ride", "mass"),
    "length": ("My hill, start line to marker", "length"),
    "grade": ("Its grade", None),
    "altitude": ("My altitude", "length"),
    "headwind": ("Headwind, minus from behind", "speed"),
    "entry": ("My speed at the start line, as shown", "speed"),
    "speedometer": ("My speedometer shows too much by", None),
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
    session = results.session
    system = session.about.units
    values = _day_values(results, run) if run else {}
    found = data(results)
    page = render(
        "report/page/fellow.html.j2",
        fields=[_number_field(name, value, system) for name, value in values.items()],
        fuels=[fuel["name"] for fuel in fuels],
        fuel_in_use=results.plan.ride.fuel if fuels else None,
        setups=[(one["title"], one["shut"]) for one in found["setups"]],
        chosen=run.setup.replace("_", " ") if run else "",
        data=found,
    )
    return Html(page, "Asking for yourself works in the report page.")


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
    system = session.about.units
    found = {
        "run": None,
        "fuels": _fuels(results),
        "compensation": session.bike.density_compensation,
        "refusals": REFUSALS,
        "speed": {
            "label": units.unit_label("speed", system),
            "per_m_s": units.to_display(1.0, "speed", system),
            "true_per_shown": results.road.speed_factor.value if results.road else 1.0,
        },
    }
    if run is None:
        return found | {"setups": []}
    return (
        found | _of_run(results, run) | {"setups": [_setup(results, one) for one in _runs(results)]}
    )


def _runs(results) -> list:
    """Every setup that was timed, as one run each, in the order of the gain."""
    runs = (results.road.equivalent[pull.setup] for pull in results.pulls)
    return [run for run in runs if run is not None]


def _setup(results, run) -> dict:
    """What the script needs of one setup; of the one it starts with, not the run once more."""
    parts = results.session.setups[run.setup]
    known = next((one for one in results.combinations if one.setup == run.setup), None)
    shut = gate_sentence(results, known) if known is not None and known.gate is not None else ""
    system = results.session.about.units
    named = {
        "title": run.setup.replace("_", " "),
        "parts": [parts.engine, parts.injector],
        "fuel": parts.fuel,
        "shut": shut,
        "values": {
            name: _number_field(name, value, system)["value"]
            for name, value in _day_values(results, run).items()
        },
        "fuels": _fuels(results, parts.engine, parts.injector),
    }
    return named if run is _run_of(results) else named | _of_run(results, run)


def _of_run(results, run) -> dict:
    """What the script needs to work out the marker speeds of one setup."""
    session = results.session
    force, power = what_if.day_outputs(run)
    low, high = _altitudes(results, run)
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
    session : tuninglib.session.load.Session
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
    low, high = -1000.0, 11000.0
    for _ in range(60):
        middle = (low + high) / 2
        thinner = standard_pressure_pa(middle) < pressure_pa
        low, high = (low, middle) if thinner else (middle, high)
    return (low + high) / 2


def _run_of(results):
    setup = results.what_if_setup
    return None if setup is None else results.road.equivalent[setup]


def _mean_grade(run) -> float:
    lengths, grades = np.array(run.lengths_m), np.array(run.grade_ratios)
    level = lengths / np.sqrt(1 + grades**2)
    return float((level * grades).sum() / level.sum())


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


def _altitudes(results, run) -> tuple:
    """Whole steps that hold every altitude that the control offers. [m]"""
    system = results.session.about.units
    value = _day_values(results, run)["altitude"]
    low, high, *_ = _range("altitude", value, system)
    factor, step = _factor("altitude", system), _ALTITUDE_STEP_M
    return math.floor(low * factor / step) * step, math.ceil(high * factor / step) * step


def _factor(name: str, system: str) -> float:
    """SI value of one of the unit shown."""
    kind = _LABELS[name][1]
    return 0.01 if kind is None else units.from_display(1.0, kind, system)


def _range(name: str, value: float, system: str) -> tuple:
    """Lowest, highest, step and the day's value as a field shows them."""
    low, high, step = RANGES[system][name]
    shown = round(value / _factor(name, system), 0 if step >= 1 else 1) + 0.0
    return min(low, math.floor(shown)), max(high, math.ceil(shown)), step, shown


def _number_field(name: str, value_si: float, system: str) -> dict:
    """What the template says of one field."""
    label, kind = _LABELS[name]
    low, high, step, shown = _range(name, value_si, system)
    return {
        "name": name,
        "label": label,
        "unit": "%" if kind is None else units.unit_label(kind, system),
        "low": low,
        "high": high,
        "step": step,
        "value": f"{shown:.{0 if step >= 1 else 1}f}",
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
    shown = f", about {fixed(one.lambda_.value * scale, 1)} on this gauge" if scale > 1.5 else ""
    return f"lambda {interval_text(one.lambda_)}{shown}; {chance(one)}."


def _speaks_against(results, one) -> list:
    if one.gate is not None:
        return [f"Not on {one.fuel}: {gate_sentence(results, one)}."]
    if one.odds.leaner > WORTH_A_WARNING:
        return ["Read a gauge before any full throttle: lean runs hot and knocks sooner."]
    return []
