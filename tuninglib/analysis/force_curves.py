"""Wheel force against speed of each setup, from the speeds that a track logged over its runs."""

from dataclasses import dataclass

import numpy as np

from tuninglib.interval import Z_95, Interval
from tuninglib.physics.hill import Ride
from tuninglib.session.defaults import hill_of, logged_factor
from tuninglib.statistics.force_against_speed import LoggedRun, force_curves, run_forces
from tuninglib.units import from_display

# Speeds apart, in the reader's unit; and seconds at both lines in which the throttle opens and
# shuts, as far as their places are known.
_STEP_SHOWN, _MARGIN_S = 5.0, 0.6


@dataclass(frozen=True, kw_only=True)
class ForceCurve:
    """Force of one setup over speed, in the air of the day.

    Attributes
    ----------
    setup : str
    runs : int
        With logged speeds.
    speed_m_s : tuple of float
    force_n : tuple of Interval or None
        None where too few of its runs went through the speed.
    gain : tuple of Interval or None
        Over the reference at the same speed.
    """

    setup: str
    runs: int
    speed_m_s: tuple
    force_n: tuple
    gain: tuple


def curves_of_force(session, air, road) -> tuple:
    """A curve for each setup with logged speeds, the reference first.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    road : Road or None

    Returns
    -------
    tuple of ForceCurve
        Empty where no track has speeds, or where no speed was reached by runs enough.
    """
    found = session.found
    if found is None or road is None or found.source != "speed":
        return ()
    logged = _logged(session, air, road)
    if not logged:
        return ()
    reference = session.about.reference
    names = [reference, *(n for n in session.setups if n != reference)]
    names = [name for name in names if any(name == own for own, _, _ in logged)]
    runs = [LoggedRun(names.index(name), time, speed, ride) for name, (time, speed), ride in logged]
    forces = run_forces(runs)
    step = from_display(_STEP_SHOWN, "speed", session.about.units)
    lowest, highest = np.nanmin(forces.low_m_s), np.nanmax(forces.high_m_s)
    if not np.isfinite(lowest):
        return ()
    grid = step * np.arange(np.ceil(lowest / step), np.floor(highest / step) + 1)
    if not grid.size:
        return ()
    setup = np.array([run.setup for run in runs])
    curves = force_curves(forces, setup=setup, speed_m_s=grid)
    kept = np.isfinite(curves.force_n).any(0)
    shared = _shared_sd(session, road, runs, grid, curves.force_n)
    shown = []
    for at, name in enumerate(names):
        half = np.hypot(curves.half_width_n[at], Z_95 * shared[at])
        shown.append(
            ForceCurve(
                setup=name,
                runs=int((setup == at).sum()),
                speed_m_s=tuple(grid[kept].tolist()),
                force_n=_intervals(curves.force_n[at], half, kept),
                gain=_intervals(curves.gain[at], curves.gain_half_width[at], kept),
            )
        )
    return tuple(shown) if kept.any() and names[0] == reference else ()


def _intervals(values, halves, kept) -> tuple:
    return tuple(
        Interval(float(v), float(v - h), float(v + h)) if np.isfinite(v + h) else None
        for v, h in zip(values[kept], halves[kept], strict=True)
    )


def _logged(session, air, road):
    """Setup, time and speed since the start line, and ride of each run that counts."""
    trace = session.traces[session.found.log]
    rows = session.runs.set_index("run", drop=False)
    index = dict(zip(session.runs["run"], session.runs.index, strict=True))
    found = []
    for one in session.found.passes:
        if one.run is None or not one.up:
            continue
        row, weather = rows.loc[one.run], air.loc[index[one.run]]
        if row["exclude"] or row["state"] != "full":
            continue
        speed = trace.channels["speed_m_s"]
        within = (trace.time_s >= one.enter_s + _MARGIN_S) & (
            trace.time_s <= one.leave_s - _MARGIN_S
        )
        within &= np.isfinite(speed)
        ride = Ride(
            hill=hill_of(session),
            mass_kg=session.bike.mass.value + session.riders[row["rider"]].mass.value,
            rotating_mass_kg=road.rotating_mass_kg.value,
            air_density_kg_m3=float(weather["density_kg_m3"]),
            drag_area_m2=road.drag_area_m2.value,
            rolling_coefficient=road.rolling_coefficient.value,
            wind_m_s=float(weather["headwind_m_s"]),
        )
        found.append((row["setup"], (trace.time_s[within] - one.enter_s, speed[within]), ride))
    return found


def _shared_sd(session, road, runs, grid, force):
    """What is not known of bike, road and air does to the forces of all runs alike. [N]

    The force is the sum of what speeds the bike up and of what resists, so each part moves it by
    its own share.
    """
    ride = runs[0].ride
    air = grid + ride.wind_m_s
    drag = ride.air_density_kg_m3 * air * np.abs(air) / 2
    weight = ride.mass_kg * ride.gravity_m_s2
    grade = hill_of(session).mean_grade_ratio
    resist = weight * (grade + ride.rolling_coefficient) + drag * ride.drag_area_m2
    pull = (np.nan_to_num(force) - resist) / (ride.mass_kg + ride.rotating_mass_kg)
    masses = [session.bike.mass, *(rider.mass for rider in session.riders.values())]
    sd = {name: value.half_width / Z_95 for name, value in (
        ("drag", road.drag_area_m2), ("rolling", road.rolling_coefficient),
        ("rotating", road.rotating_mass_kg), ("grade", session.hill.grade),
        ("wind", session.weather.headwind), ("density", session.assumptions.air_density),
        ("factor", logged_factor(session)),
    )}  # fmt: skip
    mass = np.hypot.reduce([masses[0].half_width, max(one.half_width for one in masses[1:])]) / Z_95
    parts = (
        drag * sd["drag"],
        weight * sd["rolling"] + 0 * grid,
        weight * sd["grade"] + 0 * grid,
        ride.air_density_kg_m3 * ride.drag_area_m2 * np.abs(air) * sd["wind"],
        drag * ride.drag_area_m2 * sd["density"],
    )
    squares = sum(part**2 for part in parts)[None]
    return np.sqrt(
        squares
        + (pull * sd["rotating"]) ** 2
        + ((pull + ride.gravity_m_s2 * (grade + ride.rolling_coefficient)) * mass) ** 2
        + (
            (pull * (ride.mass_kg + ride.rotating_mass_kg) + 2 * drag * ride.drag_area_m2)
            * sd["factor"]
        )
        ** 2
    )
