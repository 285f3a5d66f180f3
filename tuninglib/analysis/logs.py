"""What was read from the logs of an outing, and what of them was left out."""

from dataclasses import dataclass

import numpy as np

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
    name, file : str
    kind : str
        ``"gpx"`` or ``"table"``.
    rows, used : int
        That the file holds, and that are used.
    duration_s : float
    usual_step_s : float
        From row to row, the median.
    gaps : int
        Pauses of five usual steps and of two seconds at the least.
    longest_gap_s : float
        The longest way from one row to the next.
    started_utc_s, clock_s : float or None
        As :class:`tuninglib.session.trace.Trace` has them.
    channels : tuple of LogChannel
    left_out : tuple of LeftOut
    reordered : int
    unused : tuple of str
    """

    name: str
    file: str
    kind: str
    rows: int
    used: int
    duration_s: float
    usual_step_s: float
    gaps: int
    longest_gap_s: float
    started_utc_s: float | None
    clock_s: float | None
    channels: tuple
    left_out: tuple
    reordered: int
    unused: tuple


def logs_read(session) -> tuple:
    """Every log of a session, in the order of session.toml.

    Parameters
    ----------
    session : tuninglib.session.load.Session

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
