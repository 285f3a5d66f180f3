"""What the logs of an outing say: what was read of them, and what follows from it.

Besides runs and readings, which :mod:`tuninglib.session.from_logs` takes from them: the mixture by
bands of throttle and engine speed, which tells where the ECU corrects, and the wheel force of each
setup against speed.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from tuninglib.analysis.mixture import lambda_of
from tuninglib.interval import Z_95, Interval
from tuninglib.physics.motion import Ride
from tuninglib.session.defaults import TakenRoadLoad, hill_of, logged_factor
from tuninglib.session.records import Session
from tuninglib.session.trace import LeftOut
from tuninglib.statistics.force_against_speed import LoggedRun, force_curves, run_forces
from tuninglib.statistics.settled_gauge import BandMean, band_mean, settled_stretches
from tuninglib.units import from_display

# What was read ------------------------------------------------------------------------------------

# A pause this many times the usual step, and of seconds, is a gap.
_GAP_STEPS, _GAP_S = 5, 2.0


@dataclass(frozen=True, kw_only=True)
class LogChannel:
    """One channel of a log.

    Attributes
    ----------
    name : str
        With its unit, as ``speed_m_s``.
    readings : int
        How many.
    low, high : float
        Of the readings, in SI.
    """

    name: str
    readings: int
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class LogRead:
    """One log, as it was read.

    Attributes
    ----------
    name : str
        Of its table in session.toml.
    file : str
        Its name.
    kind : str
        ``"gpx"``, ``"table"`` or ``"sound"``.
    rows, used : int
        That the file holds, and that are used.
    duration_s : float
        From the first to the last.
    usual_step_s : float
        From row to row, the median.
    gaps : int
        Pauses of five usual steps and of two seconds at the least.
    longest_gap_s : float
        The longest way from one row to the next.
    started_utc_s, clock_s : float or None
        As :class:`tuninglib.session.trace.Trace` has them.
    channels : tuple of LogChannel
        What it holds.
    left_out : tuple of LeftOut
        What is not used.
    reordered : int
        How often time went back.
    unused : tuple of str
        Columns that are none of ours.
    """

    name: str
    file: str
    kind: Literal["gpx", "table", "sound"]
    rows: int
    used: int
    duration_s: float
    usual_step_s: float
    gaps: int
    longest_gap_s: float
    started_utc_s: float | None
    clock_s: float | None
    channels: tuple[LogChannel, ...]
    left_out: tuple[LeftOut, ...]
    reordered: int
    unused: tuple[str, ...]


def logs_read(session: Session) -> tuple:
    """Every log of a session, in the order of session.toml.

    Parameters
    ----------
    session : tuninglib.session.records.Session

    Returns
    -------
    tuple of LogRead
    """
    return tuple(_log_read(name, session.logs[name], t) for name, t in session.traces.items())


def _log_read(name, log, trace) -> LogRead:
    steps = np.diff(trace.time_s)
    usual = float(np.median(steps))
    return LogRead(
        name=name,
        file=log.file,
        kind=trace.kind,
        rows=trace.rows,
        used=int(trace.time_s.size),
        duration_s=float(trace.time_s[-1]),
        usual_step_s=usual,
        gaps=int(np.count_nonzero(steps > max(_GAP_S, _GAP_STEPS * usual))),
        longest_gap_s=float(steps.max()),
        started_utc_s=trace.started_utc_s,
        clock_s=trace.clock_s,
        channels=tuple(
            LogChannel(
                name=key,
                readings=int(np.count_nonzero(np.isfinite(values))),
                low=float(np.nanmin(values)),
                high=float(np.nanmax(values)),
            )
            for key, values in trace.channels.items()
        ),
        left_out=trace.left_out,
        reordered=trace.reordered,
        unused=trace.unused,
    )


# Mixture by bands of throttle and engine speed ----------------------------------------------------

# Shut throttle is none of them: fuel may be cut there.
THROTTLE_EDGES = (0.05, 0.2, 0.4, 0.6, 0.9, 1.06)
_STEP_RPM, _AT_REST_M_S = 1000.0, 1.0


@dataclass(frozen=True, kw_only=True)
class BandMixture:
    """Lambda of one setup in one band.

    Attributes
    ----------
    setup : str
        Which.
    by : str
        ``"throttle"`` (0 to 1), or ``"engine speed"`` at full throttle (rpm).
    low, high : float
        Of the band.
    lambda_ : Interval or None
        As read, the gauge's own offset aside; None with fewer than two settled stretches.
    stretches : int
        Settled ones.
    seconds : float
        That they last.
    """

    setup: str
    by: Literal["throttle", "engine speed"]
    low: float
    high: float
    lambda_: Interval | None
    stretches: int
    seconds: float


def mixture_by_bands(session: Session) -> tuple:
    """Lambda by throttle, and at full throttle by engine speed, of each setup.

    Parameters
    ----------
    session : tuninglib.session.records.Session
        With its gauge as the check found it.

    Returns
    -------
    tuple of BandMixture
        Empty where no log of a gauge can be brought to runs, or none holds the throttle.
    """
    readings = session.found.readings if session.found else None
    if readings is None or readings.shift_s is None or session.gauge.scale is None:
        return ()
    trace = session.traces[readings.log]
    throttle = trace.channels.get("throttle_ratio")
    if throttle is None:
        return ()
    shown = lambda_of(session, trace.channels["gauge"])
    setup_at = _setups(session, readings)
    lag = readings.lag_s.high

    def bands(by, values, edges):
        stretches = settled_stretches(trace.time_s, values, shown, edges=edges, lag_s=lag)
        means = _by_setup(stretches, setup_at)
        return [_band(setup, by, edges, band, mean) for (setup, band), mean in means.items()]

    found = bands("throttle", throttle, THROTTLE_EDGES)
    speed = trace.channels.get("engine_speed_rpm", np.full(throttle.shape, np.nan))
    full = np.where(throttle >= THROTTLE_EDGES[-2], speed, np.nan)
    if np.isfinite(full).any():
        ends = np.floor(np.nanmin(full) / _STEP_RPM), np.ceil(np.nanmax(full) / _STEP_RPM)
        edges = _STEP_RPM * np.arange(ends[0], ends[1] + 1)
        if edges.size > 1:
            found += bands("engine speed", full, edges)
    order = {name: at for at, name in enumerate(session.setups)}
    found.sort(key=lambda one: (one.by != "throttle", one.low, order[one.setup]))
    return tuple(found)


def _setups(session, readings):
    """Setup that was ridden at a time of the gauge's log; empty where that is not clear.

    A setup is changed while the bike stands: from the last stop before a run to the last stop
    before the next, the ride is that run's.
    """
    track = session.track
    setups = dict(zip(session.runs["run"], session.runs["setup"], strict=True))
    passes = [one for one in session.found.passes if one.up and one.run is not None]
    speed = track.channels.get("speed_m_s")
    still = np.zeros(0) if speed is None else track.time_s[speed < _AT_REST_M_S]
    begins = []
    for at, one in enumerate(passes):
        earliest = passes[at - 1].leave_s if at else -np.inf
        stops = still[(still < one.enter_s) & (still > earliest)]
        begins.append(float(stops[-1]) if stops.size else one.enter_s)
    begins = np.array(begins) - readings.shift_s.value

    def setup_at(time):
        at = int(np.searchsorted(begins, time, side="right")) - 1
        return setups[passes[at].run] if at >= 0 else ""

    return setup_at


def _by_setup(stretches, setup_at) -> dict:
    groups: dict[tuple, list] = {}
    for one in stretches:
        name = setup_at(one.begin_s)
        if name:
            groups.setdefault((name, one.band), []).append(one)
    return {key: band_mean(own) for key, own in groups.items()}


def _band(setup, by, edges, band, mean: BandMean) -> BandMixture:
    return BandMixture(
        setup=setup,
        by=by,
        low=float(edges[band]),
        high=float(min(edges[band + 1], 1.0)) if by == "throttle" else float(edges[band + 1]),
        lambda_=mean.interval,
        stretches=mean.stretches,
        seconds=mean.seconds,
    )


# Wheel force against speed ------------------------------------------------------------------------

# Speeds apart, in the reader's unit; and seconds at both lines in which the throttle opens and
# shuts, as far as their places are known.
_STEP_SHOWN, _MARGIN_S = 5.0, 0.6


@dataclass(frozen=True, kw_only=True)
class ForceCurve:
    """Force of one setup over speed, in the air of the day.

    Attributes
    ----------
    setup : str
        Which.
    runs : int
        With logged speeds.
    speed_m_s : tuple of float
        True speeds.
    force_n : tuple of Interval or None
        None where too few of its runs went through the speed.
    gain : tuple of Interval or None
        Over the reference at the same speed.
    """

    setup: str
    runs: int
    speed_m_s: tuple[float, ...]
    force_n: tuple[Interval | None, ...]
    gain: tuple[Interval | None, ...]


def curves_of_force(session: Session, air: pd.DataFrame, road: TakenRoadLoad | None) -> tuple:
    """A curve for each setup with logged speeds, the reference first.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    road : TakenRoadLoad or None
        As the road tests took it; None without them.

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
    trace = session.track
    speed = trace.channels["speed_m_s"]
    rows = session.runs.set_index("run", drop=False)
    index = dict(zip(session.runs["run"], session.runs.index, strict=True))
    found = []
    for one in session.found.passes:
        if one.run is None or not one.up:
            continue
        row, weather = rows.loc[one.run], air.loc[index[one.run]]
        if row["exclude"] or row["state"] != "full":
            continue
        since = trace.time_s - one.enter_s
        within = (since >= _MARGIN_S) & (trace.time_s <= one.leave_s - _MARGIN_S)
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
        found.append((row["setup"], (since[within], speed[within]), ride))
    return found


def _shared_sd(session, road, runs, grid, force):
    """What is not known of bike, road and air does to the forces of all runs alike. [N]

    The force is the sum of what speeds the bike up and of what resists, so each part moves it by
    its own share.
    """
    ride = runs[0].ride
    air = grid + ride.wind_m_s
    density, area = ride.air_density_kg_m3, ride.drag_area_m2
    drag = density * air * np.abs(air) / 2
    weight = ride.mass_kg * ride.gravity_m_s2
    steepness = hill_of(session).mean_grade_ratio + ride.rolling_coefficient
    inertia = ride.mass_kg + ride.rotating_mass_kg
    pull = (np.nan_to_num(force) - weight * steepness - drag * area) / inertia
    riders = [rider.mass.half_width for rider in session.riders.values()]
    mass_sd = np.hypot(session.bike.mass.half_width, max(riders)) / Z_95
    parts = (
        drag * road.drag_area_m2.sd,
        weight * road.rolling_coefficient.sd,
        weight * session.hill.grade.sd,
        density * area * np.abs(air) * session.weather.headwind.sd,
        drag * area * session.assumptions.air_density.sd,
        pull * road.rotating_mass_kg.sd,
        (pull + ride.gravity_m_s2 * steepness) * mass_sd,
        (pull * inertia + 2 * drag * area) * logged_factor(session).sd,
    )
    return np.sqrt(sum(part**2 for part in parts))
