"""Runs from the logs: passes over the hill found, their speeds and gauge readings brought to rows.

What was typed is never replaced. A row of runs.csv gets its speeds from a log if it has none, and
if it is clear which pass was its run; its readings likewise, once the gauge's clock is set to the
track's and its lag is known.
"""

from dataclasses import replace

import numpy as np

from tuninglib.interval import Z_95, Interval, Measured
from tuninglib.physics.track import local_metres
from tuninglib.session.defaults import hill_of, logged_factor, speedometer_factor, speedometer_step
from tuninglib.session.read_toml import TOML
from tuninglib.session.records import FoundReadings, FoundRuns, LogPass, LogReading, Session
from tuninglib.session.trace import Trace
from tuninglib.statistics import settled_gauge, track_runs
from tuninglib.statistics.clock_shift import ClockShift, clock_shift
from tuninglib.statistics.end_speeds import end_speeds_from_speed, end_speeds_from_way
from tuninglib.statistics.engine_sound import STEP_S
from tuninglib.text_files import Problem, SessionError

# A speed from a log is used if it is known at least this well (standard deviation). [m/s]
_WORST_SD_M_S = 1.5


def with_logged_speeds(session: Session) -> Session:
    """The session with speeds of runs from its logs, where it has places and a track.

    Parameters
    ----------
    session : tuninglib.session.records.Session

    Returns
    -------
    tuninglib.session.records.Session
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
    looks = {"places": _by_places, "pulls": _by_pulls}
    session, passes, seen = looks.get(by, _by_length)(session, name)
    logs = [one for one, _ in seen.get("parts", ())] or [name]
    listed = [run for one in logs for run in session.logs[one].runs]
    passes, why_not = _numbered(runs, listed, passes)
    rows = int((runs["state"] == "full").sum())
    found = FoundRuns(log=name, by=by, passes=passes, rows=rows, why_not=why_not, **seen)
    by_run = {
        one.run: one
        for one in passes
        if one.run is not None and max(one.entry_sd_m_s, one.exit_sd_m_s) < _WORST_SD_M_S
    }
    return _with_speeds(session, found, by_run)


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
    heard = _heard(session)
    return (heard[0], "pulls") if heard else (None, "")


def _heard(session) -> list:
    """Names of the recordings whose pulls the rider says are runs, or whose runs are marked."""
    logs = session.logs.items()
    said = [name for name, log in logs if log.pulls_are_runs == "yes" or log.marks]
    traces = ((name, session.traces[name]) for name in said)
    return [name for name, one in traces if one.kind == "sound" and one.channels]


# Between two recordings in the time of all; and of their speeds, so many a second are used.
_BETWEEN_S, _SPEEDS_A_SECOND = 60.0, 5


def _by_pulls(session, _):
    """The session with its recordings in a row and their speeds, passes, and what these are from.

    In one gear a turn of the crank is the same way for every run, and all that way is the hill's.
    """
    parts, begin, times, turns, ends, marked = [], 0.0, [], [], [], []
    for name in _heard(session):
        trace, marks = session.traces[name], session.logs[name].marks
        parts.append((name, begin))
        times.append(begin + trace.time_s)
        turns.append(trace.channels["engine_speed_rpm"])
        own = track_runs.pull_ends(trace.time_s, turns[-1], marks)
        marked += [(name, one) for one in marks] or [None] * len(own)
        own[:, ::2] += begin
        ends.append(own)
        begin = float(times[-1][-1]) + _BETWEEN_S
    time, rpm, ends = (np.concatenate(one) for one in (times, turns, ends))
    _refuse(marked, np.isfinite(ends[:, 1]), "in one gear in which the engine is heard throughout")
    hill = hill_of(session)
    length_m, length_half = hill.length_m, session.hill.length.half_width
    found = track_runs.runs_by_pulls(time, rpm, length_m=length_m, ends=ends)
    alike = np.isin(np.arange(len(ends)), found.rows)
    _refuse(marked, alike, "as many turns of the crank long as the others")
    speed = rpm / 60 * found.metres_per_turn
    channels = {"engine_speed_rpm": rpm}
    if found.lines.enter_s.size:
        channels["speed_m_s"] = speed
    first = session.traces[parts[0][0]]
    session = replace(session, recordings=replace(first, time_s=time, channels=channels))
    passes, scale = (), None
    if found.lines.enter_s.size:
        some = slice(None, None, round(1 / (STEP_S * _SPEEDS_A_SECOND)))
        ends = end_speeds_from_speed(time[some], speed[some], **_ends(found.lines))
        # Whoever marks the line does not say that the throttle was opened there.
        opened = np.array([marked[row] is None for row in found.rows])
        ends = _opened_about(found.lines, time, speed, ends, opened)
        passes = _as_passes(found.lines, ends, 1.0)
        relative = np.hypot(Z_95 * found.relative_sd, length_half / length_m)
        scale = Measured(found.metres_per_turn, float(relative * found.metres_per_turn))
    seen = {"source": "speed", "position_sd_m": found.lines.position_sd_m}
    return session, passes, {**seen, "metres_per_turn": scale, "parts": tuple(parts)}


def _refuse(marked, fine, what) -> None:
    """Refuse marks between which there is no run."""
    for one, good in zip(marked, fine, strict=True):
        if one is not None and not good:
            (name, (begin, end)) = one
            message = (
                f"'{begin:g} to {end:g} s' is no run {what}; see when start line and marker were "
                "passed, or leave that one out"
            )
            raise SessionError([Problem(TOML, message, column=f"logs.{name} marks")])


def _usual_entry(session) -> float | None:
    """Speed at the start line, as stated once or typed; None where nobody said. [m/s]"""
    if session.hill.entry_speed is not None:
        return session.hill.entry_speed.value
    typed = session.runs["shown_entry_m_s"].dropna()
    return float(typed.median()) if len(typed) else None


def _by_places(session, name):
    """The session, passes with their speeds, and what the track says of these and of the hill."""
    hill, trace = session.hill, session.traces[name]
    channels = trace.channels
    places = {key: channels[key] for key in ("latitude_deg", "longitude_deg")}
    lines = track_runs.line_passes(
        trace.time_s, **places, start_deg=hill.start, marker_deg=hill.marker
    )
    metres = local_metres(*places.values(), origin_deg=hill.start)
    if "speed_m_s" in channels:
        source, steeper = "speed", 1.0
        speeds = end_speeds_from_speed(trace.time_s, channels["speed_m_s"], **_ends(lines))
    else:
        source = "positions"
        speeds = end_speeds_from_way(trace.time_s, *metres, **_ends(lines))
        # Along the road, not over its map.
        steeper = float(np.hypot(1.0, hill_of(session).mean_grade_ratio))
    seen = (lines.enter_gap_s == 0) & (lines.leave_gap_s == 0)
    times = {"enter_s": lines.enter_s[seen], "leave_s": lines.leave_s[seen]}
    found = {"source": source, "position_sd_m": lines.position_sd_m}
    found["length_m"] = track_runs.logged_length(trace.time_s, *metres, **times)
    if "elevation_m" in channels:
        heights, up = channels["elevation_m"], lines.direction[seen]
        found["grade"] = track_runs.logged_grade(
            trace.time_s, *metres, heights, direction=up, **times
        )
    return session, _as_passes(lines, speeds, steeper), found


def _ends(lines) -> dict:
    """When both lines were passed, and how well their places are known."""
    ends = {"enter_s": lines.enter_s, "leave_s": lines.leave_s}
    return {**ends, "place_sd_m": lines.position_sd_m}


def _by_length(session, name):
    """As :func:`_by_places`, of a log without places."""
    trace = session.traces[name]
    speed = trace.channels["speed_m_s"]
    hill = {"length_m": hill_of(session).length_m, "entry_speed_m_s": _usual_entry(session)}
    throttle = trace.channels.get("throttle_ratio")
    lines = track_runs.runs_by_length(trace.time_s, speed, **hill, throttle_ratio=throttle)
    passes = ()
    if lines.enter_s.size:
        passes = _as_passes(lines, end_speeds_from_speed(trace.time_s, speed, **_ends(lines)), 1.0)
    return session, passes, {"source": "speed", "position_sd_m": lines.position_sd_m}


def _as_passes(lines, speeds, steeper) -> tuple:
    """Passes as records; ways up have numbers."""
    found, number = [], 0
    for i, direction in enumerate(lines.direction):
        number += direction > 0
        gaps = np.array([lines.enter_gap_s[i], lines.leave_gap_s[i]])
        # From the start line to the marker in the order of a way up.
        ends = ("start", "marker") if direction > 0 else ("marker", "start")
        unseen = [end for end, gap in zip(ends, gaps, strict=True) if gap]
        entry, exit_ = np.where(gaps > 0, np.nan, 1.0)
        found.append(
            LogPass(
                number=int(number),
                up=bool(direction > 0),
                enter_s=float(lines.enter_s[i]),
                leave_s=float(lines.leave_s[i]),
                entry_m_s=float(speeds.entry_m_s[i] * entry) * steeper,
                exit_m_s=float(speeds.exit_m_s[i] * exit_) * steeper,
                entry_sd_m_s=float(speeds.entry_sd_m_s[i] * entry),
                exit_sd_m_s=float(speeds.exit_sd_m_s[i] * exit_),
                run=None,
                gap_s=float(gaps.max()),
                gap_at="both" if len(unseen) == 2 else "".join(unseen),
            )
        )
    return tuple(found)


# The slope of the pull is seen over so long. [s]
_SLOPE_S = 2.0


def _opened_about(lines, time, speed, ends, opened):
    """Entry speeds of pulls that begin about the line, not on it.

    Opened early, the bike has gained speed by the line; opened late it has not. Of a normal error x
    of sd s the mean of max(x, 0) is s / root(2 pi), and its variance s^2 (1 / 2 - 1 / (2 pi)).
    """
    known = np.isfinite(speed)
    at = np.add.outer([0.0, _SLOPE_S], lines.enter_s)
    first, later = np.interp(at, time[known], speed[known])
    gained = track_runs.OPENS_WITHIN_S * (later - first) / _SLOPE_S
    return replace(
        ends,
        entry_m_s=ends.entry_m_s + opened * gained / np.sqrt(2 * np.pi),
        entry_sd_m_s=np.hypot(ends.entry_sd_m_s, gained * np.sqrt(0.5 - 0.5 / np.pi)),
    )


def _numbered(runs, listed, passes):
    """Passes with their runs, and why these are not known."""
    up = [one for one in passes if one.up]
    numbers, why_not = _numbers(runs, listed, len(up))
    seen = tuple(one for one in passes if not one.gap_s)
    if why_not in ("count", "listed") and len(seen) < len(passes):
        # In a gap the bike may have been elsewhere: what was seen is enough if it fits.
        own, why_seen = _numbers(runs, listed, sum(one.up for one in seen))
        if not why_seen:
            count = np.cumsum([one.up for one in seen]).tolist()
            passes = tuple(replace(one, number=n) for one, n in zip(seen, count, strict=True))
            numbers, why_not = own, ""
    if not numbers:
        return passes, why_not
    named = []
    for one in passes:
        run = (numbers[one.number - 1] or None) if one.up else None
        named.append(replace(one, missed=run) if one.gap_s else replace(one, run=run))
    return tuple(named), why_not


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


def _with_speeds(session, found, by_run):
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
    if not exit_typed.any():
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


# From so many pairs on, their scatter tells how good they are.
_SCATTER_TELLS = 4


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


# How late a gauge shows what burns where nothing tells it (common practice). [s]
USUAL_LAG = Interval(0.6, 0.2, 1.5)


def with_logged_readings(session: Session) -> Session:
    """The session with gauge readings of runs from the log of its gauge.

    Parameters
    ----------
    session : tuninglib.session.records.Session
        As :func:`with_logged_speeds` left it.

    Returns
    -------
    tuninglib.session.records.Session
        With ``found.readings`` and, in ``runs``, the column ``readings_logged``.
    """
    session = replace(session, runs=session.runs.assign(readings_logged=False))
    name = next((n for n, t in session.traces.items() if "gauge" in t.channels), None)
    # What was seen of a run tells its reading, even where a gap hides its speeds.
    every = session.found.passes if session.found else ()
    passes = {run: one for one in every if (run := one.run or one.missed)}
    if name is None or not passes:
        return session
    log, trace, track = session.logs[name], session.traces[name], session.track
    clock, shift, found = _clock(name, log, trace, session.found.log, track, session.found.passes)
    readings = FoundReadings(log=name, clock=clock, lag_s=USUAL_LAG, lag_source="usual")
    if shift is None:
        readings = replace(readings, why_not=found.why_not if found else "nothing")
        return replace(session, found=replace(session.found, readings=readings))
    stretches = {run: _stretch(one, trace, track, shift.value) for run, one in passes.items()}
    time, shown = trace.time_s, trace.channels["gauge"]
    lag, source = _lag(log, time, shown, stretches.values())
    begin, end = (float(time[at]) + shift.value for at in (0, -1))
    taken = tuple(
        LogReading(
            run=run,
            full_share=full.share,
            covered=begin <= passes[run].enter_s and passes[run].leave_s <= end,
            **settled_gauge.settled_reading(time, shown, full=full, lag_s=lag.high)._asdict(),
        )
        for run, full in stretches.items()
    )
    likeness = found.likeness if found else None
    lags = {"lag_s": lag, "lag_source": source}
    readings = replace(readings, shift_s=shift, likeness=likeness, **lags, readings=taken)
    return _with_readings(session, readings)


# Clocks that say the date in UTC agree to this (ours: set by radio or by hand). [s]
_UTC_S = 2.0


def _clock(name, log, trace: Trace, track_name, track: Trace, passes=()):
    """How the clock was set, the shift as an interval or None, and what matching said."""
    if name == track_name:
        return "same", Measured(0.0).interval, None
    if log.shift is not None:
        return "stated", log.shift.interval, None
    found = _by_likeness(trace, track, passes)
    if found is not None and found.shift_s is not None:
        return "found", found.shift_s, found
    if trace.started_utc_s is not None and track.started_utc_s is not None:
        shift = Measured(trace.started_utc_s - track.started_utc_s, _UTC_S)
        return "utc", shift.interval, None
    return "unknown", None, found


# Full throttle is opened at the line and shut at the marker, so well over many runs (ours, 95 %).
_OPENS_AT_LINE_S = 0.6


def _by_likeness(trace: Trace, track: Trace, passes=()) -> ClockShift | None:
    """The shift by what both saw of the ride; None where one of them saw nothing of it.

    Two speeds, or that of the road and of the engine; where these do not tell, full throttle beside
    the runs that were found.
    """
    seen, tried = track.channels, []
    road = None
    if "speed_m_s" in seen:
        road = track.time_s, seen["speed_m_s"]
    elif "latitude_deg" in seen:
        places = seen["latitude_deg"], seen["longitude_deg"]
        origin = tuple(float(np.nanmedian(one)) for one in places)
        road = track_runs.speed_of_way(track.time_s, *local_metres(*places, origin_deg=origin))
    for key in ("speed_m_s", "engine_speed_rpm"):
        if road is not None and key in trace.channels:
            tried.append(clock_shift(*road, trace.time_s, trace.channels[key]))
            if tried[-1].shift_s is not None:
                return tried[-1]
    throttle = trace.channels.get("throttle_ratio")
    if throttle is not None:
        full = np.where(
            np.isfinite(throttle), 1.0 * (throttle >= settled_gauge.FULL_THROTTLE), np.nan
        )
        on_run = np.zeros(track.time_s.size)
        for one in passes:
            on_run[(track.time_s >= one.enter_s) & (track.time_s <= one.leave_s)] = one.up
        found = clock_shift(track.time_s, on_run, trace.time_s, full)
        if found.shift_s is not None:
            half = float(np.hypot(found.shift_s.half_width, _OPENS_AT_LINE_S))
            return replace(found, shift_s=Measured(found.shift_s.value, half).interval)
        tried.append(found)
    # What came nearest to an answer says why there is none.
    return max(tried, key=lambda one: np.nan_to_num(one.likeness, nan=-1.0), default=None)


# Before its first line and after its second, a run's throttle may open and shut. [s]
_AROUND_S = 1.5


def _stretch(one, trace: Trace, track: Trace, shift) -> settled_gauge.FullStretch:
    """Full throttle of a pass, in the time of the gauge's log."""
    for log, later in ((trace, shift), (track, 0.0)):
        if "throttle_ratio" in log.channels:
            begin, end = one.enter_s - later - _AROUND_S, one.leave_s - later + _AROUND_S
            throttle = log.channels["throttle_ratio"]
            found = settled_gauge.full_stretch(log.time_s, throttle, enter_s=begin, leave_s=end)
            moved = later - shift
            ridden = one.leave_s - one.enter_s
            share = min((found.to_s - found.from_s) / ridden, 1.0) if found.share else 0.0
            return settled_gauge.FullStretch(found.from_s + moved, found.to_s + moved, share)
    return settled_gauge.FullStretch(one.enter_s - shift, one.leave_s - shift, np.nan)


# Of a run, at full throttle at the least, for its reading to count.
_FULL_SHARE = 0.6


def _lag(log, time, shown, stretches):
    """How late the gauge is, and where that is from."""
    if log.delay is not None:
        return log.delay.interval, "stated"
    # Without a throttle nothing says when it was opened but the line, which is not that well known.
    full = [one for one in stretches if one.share >= _FULL_SHARE]
    opened, shut = [one.from_s for one in full], [one.to_s for one in full]
    found = settled_gauge.gauge_lag(time, shown, opened_s=opened, shut_s=shut)
    return (USUAL_LAG, "usual") if found is None else (found, "found")


def _with_readings(session, found: FoundReadings):
    """The session with readings where none were typed."""
    runs = session.runs.copy()
    good = {
        one.run: one
        for one in found.readings
        if one.covered and np.isfinite(one.low) and not one.full_share < _FULL_SHARE
    }
    unread = runs[["gauge_low", "gauge_high"]].isna().all(axis=1)
    lacking = runs["run"].isin(list(good)) & (runs["state"] == "full") & unread
    own = [good[run] for run in runs.loc[lacking, "run"]]
    runs.loc[lacking, "gauge_low"] = [one.low for one in own]
    runs.loc[lacking, "gauge_high"] = [one.high for one in own]
    runs["readings_logged"] = lacking
    found = replace(found, filled=tuple(one.run for one in own))
    return replace(session, runs=runs, found=replace(session.found, readings=found))
