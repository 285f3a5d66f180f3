"""Gauge readings of runs from a log: its clock set, its lag found, the settled stretch taken."""

from dataclasses import dataclass, replace

import numpy as np

from tuninglib.interval import Interval
from tuninglib.session.trace import Trace
from tuninglib.statistics.clock_shift import ClockShift, clock_shift
from tuninglib.statistics.settled_gauge import FullStretch, full_stretch, gauge_lag, settled_reading

# Clocks that say the date in UTC agree to this (ours: set by radio or by hand). [s]
_UTC_S = 2.0
# How late a gauge shows what burns where nothing tells it (common practice). [s]
USUAL_LAG = Interval(0.6, 0.2, 1.5)
# Of a run, at full throttle at the least, for its reading to count.
_FULL_SHARE = 0.6
# Before its first line and after its second, a run's throttle may open and shut. [s]
_AROUND_S = 1.5


@dataclass(frozen=True, kw_only=True)
class LogReading:
    """The settled reading of one run.

    Attributes
    ----------
    run : float
    low, high : float
        On the gauge's own scale; NaN where too little is settled.
    samples : int
    full_share : float
        Of the run at full throttle; NaN where no throttle was logged.
    covered : bool
        Whether the log was on for all of the run.
    """

    run: float
    low: float
    high: float
    samples: int
    full_share: float
    covered: bool


@dataclass(frozen=True, kw_only=True)
class FoundReadings:
    """What the log of a gauge says of the runs.

    Attributes
    ----------
    log : str
        Name of the log.
    clock : str
        How its clock was set: ``"same"`` log as the track; ``"stated"``; ``"found"`` by what both
        saw; ``"utc"``, both say the date; or ``"unknown"``.
    why_not : str
        Of :class:`tuninglib.statistics.clock_shift.ClockShift`, or ``"nothing"`` to compare.
    shift_s : Interval or None
        What to add to its times to have the track's.
    likeness : float or None
        Of what both saw.
    lag_s : Interval
        How late the gauge shows what burns.
    lag_source : str
        ``"stated"``, ``"found"`` or ``"usual"``.
    readings : tuple of LogReading
    filled : tuple of float
        Runs whose reading is from the log.
    """

    log: str
    clock: str
    why_not: str
    shift_s: Interval | None
    likeness: float | None
    lag_s: Interval
    lag_source: str
    readings: tuple
    filled: tuple


def with_logged_readings(session):
    """The session with gauge readings of runs from the log of its gauge.

    Parameters
    ----------
    session : tuninglib.session.load.Session
        As :func:`tuninglib.session.from_logs.with_logged_speeds` left it.

    Returns
    -------
    tuninglib.session.load.Session
        With ``found.readings`` and, in ``runs``, the column ``readings_logged``.
    """
    session = replace(session, runs=session.runs.assign(readings_logged=False))
    name = next((n for n, t in session.traces.items() if "gauge" in t.channels), None)
    passes = {one.run: one for one in session.found.passes if one.run} if session.found else {}
    if name is None or not passes:
        return session
    log, trace, track = session.logs[name], session.traces[name], session.traces[session.found.log]
    clock, shift, found = _clock(name, log, trace, session.found.log, track)
    if shift is None:
        readings = FoundReadings(
            log=name,
            clock=clock,
            why_not=found.why_not if found else "nothing",
            shift_s=None,
            likeness=None,
            lag_s=USUAL_LAG,
            lag_source="usual",
            readings=(),
            filled=(),
        )
        return replace(session, found=replace(session.found, readings=readings))
    stretches = {run: _stretch(one, trace, track, shift.value) for run, one in passes.items()}
    time, shown = trace.time_s, trace.channels["gauge"]
    lag, source = _lag(log, time, shown, stretches.values())
    taken = tuple(
        LogReading(
            run=run,
            full_share=full.share,
            covered=bool(
                passes[run].enter_s - shift.value >= time[0]
                and passes[run].leave_s - shift.value <= time[-1]
            ),
            **settled_reading(time, shown, full=full, lag_s=lag.high)._asdict(),
        )
        for run, full in stretches.items()
    )
    return _filled(
        session,
        FoundReadings(
            log=name,
            clock=clock,
            why_not="",
            shift_s=shift,
            likeness=found.likeness if found else None,
            lag_s=lag,
            lag_source=source,
            readings=taken,
            filled=(),
        ),
    )


def _clock(name, log, trace: Trace, track_name, track: Trace):
    """How the clock was set, the shift as an interval or None, and what matching said."""
    if name == track_name:
        return "same", Interval(0.0, 0.0, 0.0), None
    if log.shift is not None:
        value, half = log.shift.value, log.shift.half_width
        return "stated", Interval(value, value - half, value + half), None
    found = _by_likeness(trace, track)
    if found is not None and found.shift_s is not None:
        return "found", found.shift_s, found
    if trace.started_utc_s is not None and track.started_utc_s is not None:
        shift = trace.started_utc_s - track.started_utc_s
        return "utc", Interval(shift, shift - _UTC_S, shift + _UTC_S), None
    return "unknown", None, found


def _by_likeness(trace: Trace, track: Trace) -> ClockShift | None:
    """The shift by two speeds, or by the speed of the road and of the engine."""
    speed = track.channels.get("speed_m_s")
    for key in ("speed_m_s", "engine_speed_rpm"):
        if speed is not None and key in trace.channels:
            return clock_shift(track.time_s, speed, trace.time_s, trace.channels[key])
    return None


def _stretch(one, trace: Trace, track: Trace, shift) -> FullStretch:
    """Full throttle of a pass, in the time of the gauge's log."""
    for log, later in ((trace, shift), (track, 0.0)):
        if "throttle_ratio" in log.channels:
            found = full_stretch(
                log.time_s,
                log.channels["throttle_ratio"],
                enter_s=one.enter_s - later - _AROUND_S,
                leave_s=one.leave_s - later + _AROUND_S,
            )
            moved = later - shift
            ridden = one.leave_s - one.enter_s
            share = min((found.to_s - found.from_s) / ridden, 1.0) if found.share else 0.0
            return FullStretch(found.from_s + moved, found.to_s + moved, share)
    return FullStretch(one.enter_s - shift, one.leave_s - shift, np.nan)


def _lag(log, time, shown, stretches):
    """How late the gauge is, and where that is from."""
    if log.delay is not None:
        value, half = log.delay.value, log.delay.half_width
        return Interval(value, value - half, value + half), "stated"
    # Without a throttle nothing says when it was opened but the line, which is not that well known.
    full = [one for one in stretches if one.share >= _FULL_SHARE]
    found = gauge_lag(
        time, shown, opened_s=[one.from_s for one in full], shut_s=[one.to_s for one in full]
    )
    return (USUAL_LAG, "usual") if found is None else (found, "found")


def _filled(session, found: FoundReadings):
    """The session with readings where none were typed."""
    runs = session.runs.copy()
    good = {
        one.run: one
        for one in found.readings
        if one.covered and np.isfinite(one.low) and not one.full_share < _FULL_SHARE
    }
    lacking = (
        runs["run"].isin(list(good))
        & (runs["state"] == "full")
        & runs["gauge_low"].isna()
        & runs["gauge_high"].isna()
    )
    own = [good[run] for run in runs.loc[lacking, "run"]]
    runs.loc[lacking, "gauge_low"] = [one.low for one in own]
    runs.loc[lacking, "gauge_high"] = [one.high for one in own]
    runs["readings_logged"] = lacking
    found = replace(found, filled=tuple(one.run for one in own))
    return replace(session, runs=runs, found=replace(session.found, readings=found))
