"""Speeds of runs from the logs: passes over the hill found, brought to rows of runs.csv.

What was typed is never replaced. A row gets its speeds from a log if it has none, and if it is
clear which pass was its run.
"""

from dataclasses import dataclass, replace

import numpy as np

from tuninglib.interval import Z_95, Interval, Measured
from tuninglib.physics.track import local_metres
from tuninglib.session.defaults import hill_of, logged_factor, speedometer_factor, speedometer_step
from tuninglib.session.readings_from_logs import FoundReadings
from tuninglib.statistics.line_passes import line_passes
from tuninglib.statistics.logged_grade import logged_grade, logged_length
from tuninglib.statistics.pull_speeds import end_speeds_from_speed, end_speeds_from_way
from tuninglib.statistics.runs_by_length import runs_by_length

# A speed from a log is used if it is known at least this well (standard deviation). [m/s]
_WORST_SD_M_S = 1.5
# From so many pairs on, their scatter tells how good they are.
_SCATTER_TELLS = 4


@dataclass(frozen=True, kw_only=True)
class LogPass:
    """One way over the hill that was found in a log.

    Attributes
    ----------
    number : int
        Of the passes up, from 1; of a way down that of the pass before it.
    up : bool
    enter_s, leave_s : float
        In the log's own time.
    entry_m_s, exit_m_s : float
        True speeds at its first and second line; NaN where too little was logged.
    entry_sd_m_s, exit_sd_m_s : float
    run : float or None
        Its run's number in runs.csv.
    """

    number: int
    up: bool
    enter_s: float
    leave_s: float
    entry_m_s: float
    exit_m_s: float
    entry_sd_m_s: float
    exit_sd_m_s: float
    run: float | None


@dataclass(frozen=True, kw_only=True)
class FoundRuns:
    """What a track says of the runs.

    Attributes
    ----------
    log : str
        Name of the log that it is from.
    by : str
        What they were found by: ``"places"``, ``"throttle"`` or ``"pattern"`` of speed.
    source : str
        Of the speeds: ``"speed"`` as logged, or ``"positions"``.
    passes : tuple of LogPass
    rows : int
        Of runs.csv that are runs.
    why_not : str
        Why passes are not brought to rows: empty if they are; ``"none"`` was found; ``"count"``:
        there are more or fewer than rows; ``"listed"``: another number than ``runs`` lists;
        ``"unknown"``: ``runs`` names a run that is not in runs.csv, or one twice.
    filled : tuple of float
        Runs whose speeds are from the log.
    pairs : tuple of (float, float, float)
        Shown at the marker, true there, standard deviation of that, of the rows that have both.
    factor : Measured or None
        True over shown speed by those pairs, where nothing else is said of the speedometer.
    position_sd_m : float
    grade, length_m : Interval or None
        Mean grade of the hill by the track's elevations, and its length by its positions.
    readings : FoundReadings or None
        What the log of the gauge says of them.
    """

    log: str
    by: str
    source: str
    passes: tuple
    rows: int
    why_not: str
    filled: tuple
    pairs: tuple
    factor: Measured | None
    position_sd_m: float
    grade: Interval | None
    length_m: Interval | None
    readings: FoundReadings | None = None


def with_logged_speeds(session):
    """The session with speeds of runs from its logs, where it has places and a track.

    Parameters
    ----------
    session : tuninglib.session.load.Session

    Returns
    -------
    tuninglib.session.load.Session
        With ``found`` and, in ``runs``, the column ``speeds_logged``; and, where no speed was
        typed, ``logged_step_m_s``.

    Notes
    -----
    Where no row has a typed speed, the speedometer is not asked: its factor is that of a satellite
    receiver. Else shown speeds are what the speedometer would have shown.
    """
    runs = session.runs.assign(speeds_logged=False)
    session = replace(session, runs=runs)
    name, by = _where_to_look(session)
    if name is None:
        return session
    look = _by_places if by == "places" else _by_length
    passes, source, position_sd, grade, length = look(session, session.traces[name])
    up = [one for one in passes if one.up]
    numbers, why_not = _numbers(runs, session.logs[name].runs, len(up))
    passes = tuple(
        replace(one, run=(numbers[one.number - 1] or None) if one.up and numbers else None)
        for one in passes
    )
    found = FoundRuns(
        log=name,
        by=by,
        source=source,
        passes=passes,
        rows=int((runs["state"] == "full").sum()),
        why_not=why_not,
        filled=(),
        pairs=(),
        factor=None,
        position_sd_m=position_sd,
        grade=grade,
        length_m=length,
    )
    by_run = {
        one.run: one
        for one in passes
        if one.run is not None and max(one.entry_sd_m_s, one.exit_sd_m_s) < _WORST_SD_M_S
    }
    return _filled(session, found, by_run)


def _where_to_look(session):
    """Name of the log that has the runs, and what they are found by; None where nothing tells."""
    holding = {
        key: [name for name, trace in session.traces.items() if key in trace.channels]
        for key in ("latitude_deg", "speed_m_s", "throttle_ratio")
    }
    if holding["latitude_deg"] and session.hill.start is not None:
        return holding["latitude_deg"][0], "places"
    both = [name for name in holding["speed_m_s"] if name in holding["throttle_ratio"]]
    if both:
        return both[0], "throttle"
    if holding["speed_m_s"] and _usual_entry(session) is not None:
        return holding["speed_m_s"][0], "pattern"
    return None, ""


def _usual_entry(session) -> float | None:
    """Speed at the start line, as stated once or typed; None where nobody said. [m/s]"""
    if session.hill.entry_speed is not None:
        return session.hill.entry_speed.value
    typed = session.runs["shown_entry_m_s"].dropna()
    return float(typed.median()) if len(typed) else None


def _by_length(session, trace):
    """As :func:`_by_places`, of a log without places."""
    entry = _usual_entry(session)
    lines = runs_by_length(
        trace.time_s,
        trace.channels["speed_m_s"],
        length_m=hill_of(session).length_m,
        entry_speed_m_s=entry,
        throttle_ratio=trace.channels.get("throttle_ratio"),
    )
    if not lines.enter_s.size:
        return (), "speed", lines.position_sd_m, None, None
    speeds = end_speeds_from_speed(
        trace.time_s,
        trace.channels["speed_m_s"],
        enter_s=lines.enter_s,
        leave_s=lines.leave_s,
        place_sd_m=lines.position_sd_m,
    )
    return _as_passes(lines, speeds, 1.0), "speed", lines.position_sd_m, None, None


def _by_places(session, trace):
    """Passes with their speeds, where these are from, error of a place, the hill by the track."""
    hill, channels = session.hill, trace.channels
    latitude, longitude = channels["latitude_deg"], channels["longitude_deg"]
    lines = line_passes(
        trace.time_s,
        latitude_deg=latitude,
        longitude_deg=longitude,
        start_deg=hill.start,
        marker_deg=hill.marker,
    )
    ends = {
        "enter_s": lines.enter_s,
        "leave_s": lines.leave_s,
        "place_sd_m": lines.position_sd_m,
    }
    metres = local_metres(latitude, longitude, origin_deg=hill.start)
    if "speed_m_s" in channels:
        source, steeper = "speed", 1.0
        speeds = end_speeds_from_speed(trace.time_s, channels["speed_m_s"], **ends)
    else:
        source = "positions"
        speeds = end_speeds_from_way(trace.time_s, *metres, **ends)
        # Along the road, not over its map.
        steeper = float(np.hypot(1.0, hill_of(session).mean_grade_ratio))
    grade = None
    times = {"enter_s": lines.enter_s, "leave_s": lines.leave_s}
    if "elevation_m" in channels:
        grade = logged_grade(
            trace.time_s,
            *metres,
            channels["elevation_m"],
            direction=lines.direction,
            **times,
        )
    length = logged_length(trace.time_s, *metres, **times)
    return _as_passes(lines, speeds, steeper), source, lines.position_sd_m, grade, length


def _as_passes(lines, speeds, steeper) -> tuple:
    """Passes as records; ways up have numbers."""
    found, number = [], 0
    for i, direction in enumerate(lines.direction):
        number += direction > 0
        found.append(
            LogPass(
                number=int(number),
                up=bool(direction > 0),
                enter_s=float(lines.enter_s[i]),
                leave_s=float(lines.leave_s[i]),
                entry_m_s=float(speeds.entry_m_s[i]) * steeper,
                exit_m_s=float(speeds.exit_m_s[i]) * steeper,
                entry_sd_m_s=float(speeds.entry_sd_m_s[i]),
                exit_sd_m_s=float(speeds.exit_sd_m_s[i]),
                run=None,
            )
        )
    return tuple(found)


def _numbers(runs, listed, count):
    """Run of each pass up in their order, 0 for none, and why that is not known."""
    ridden = runs.loc[runs["state"] == "full", "run"].sort_values().tolist()
    if not count:
        return None, "none"
    if listed:
        named = [one for one in listed if one]
        if len(listed) != count:
            return None, "listed"
        if not set(named) <= set(ridden) or len(set(named)) != len(named):
            return None, "unknown"
        return list(listed), ""
    if len(ridden) != count:
        return None, "count"
    return ridden, ""


def _factor(session, shown, passes) -> Measured:
    """True over shown speed by pairs of typed and logged ones; one will do, with its own errors."""
    ratios = np.array([one.exit_m_s for one in passes]) / shown
    reading = speedometer_step(session).value / np.sqrt(12)
    own = np.hypot([one.exit_sd_m_s for one in passes], reading) / shown
    sd = float(np.sqrt(np.mean(own**2)))
    if ratios.size >= _SCATTER_TELLS:
        # They may scatter more than both say of themselves.
        sd = max(sd, float(np.std(ratios, ddof=1)))
    half = float(np.hypot(Z_95 * sd / np.sqrt(ratios.size), logged_factor(session).half_width))
    return Measured(float(ratios.mean()), half)


def _filled(session, found, by_run):
    """The session with speeds where none were typed, and with pairs for its speedometer."""
    runs = session.runs
    exit_typed, entry_typed = runs["shown_exit_m_s"].notna(), runs["shown_entry_m_s"].notna()
    known = runs["run"].isin(list(by_run)) & (runs["state"] == "full")
    pairs = tuple(
        (row.shown_exit_m_s, by_run[row.run].exit_m_s, by_run[row.run].exit_sd_m_s)
        for row in runs[known & exit_typed].itertuples()
    )
    lacking = known & ~exit_typed & ~entry_typed
    found = replace(found, pairs=pairs, filled=tuple(runs.loc[lacking, "run"].tolist()))
    typed = bool(runs["shown_exit_m_s"].notna().any())
    speedometer = session.speedometer
    counted = runs[known & exit_typed & (runs["exclude"] == "")]
    session = replace(session, found=found)
    if speedometer.factor is None and not speedometer.checks and len(counted):
        own = [by_run[run] for run in counted["run"]]
        factor = _factor(session, counted["shown_exit_m_s"].to_numpy(), own)
        session = replace(session, found=replace(found, factor=factor))
    if not lacking.any():
        return session
    own = [by_run[run] for run in runs.loc[lacking, "run"]]
    step = None
    if not typed:
        # Rounding to such a step has the standard deviation of the logged speeds.
        sds = [sd for one in own for sd in (one.entry_sd_m_s, one.exit_sd_m_s)]
        step = float(np.sqrt(12 * np.mean(np.square(sds))))
        session = replace(session, logged_step_m_s=step)
    middle = float(np.mean([one.exit_m_s for one in own]))
    factor = speedometer_factor(session, middle).value
    runs = runs.copy()
    runs.loc[lacking, "shown_entry_m_s"] = [one.entry_m_s / factor for one in own]
    runs.loc[lacking, "shown_exit_m_s"] = [one.exit_m_s / factor for one in own]
    runs["speeds_logged"] = lacking
    return replace(session, runs=runs)
