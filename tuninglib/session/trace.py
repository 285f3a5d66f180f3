"""A log once read: times that rise, channels in SI, and what was left out with the reason."""

from dataclasses import dataclass

import numpy as np

from tuninglib.session.log_channels import CHANNELS, SI_NAMES
from tuninglib.text_files import Problem, SessionError


@dataclass(frozen=True)
class LeftOut:
    """Rows or cells of a log that are not used, all for one reason.

    Attributes
    ----------
    reason : str
        ``"no time"``, ``"time twice"``, ``"too many cells"``, ``"no number"``, ``"limits"``,
        ``"zero"`` (an elevation of just 0 among others), ``"other speed"`` (a logged speed that is
        not that of the positions), ``"breaks off"`` (the file ends in the middle).
    count : int
        Rows, or cells of one channel; 0 for ``"breaks off"``.
    first : int or None
        Line of the file (of a GPX file: number of the point) of the first of them.
    channel : str
        Empty where whole rows are left out.
    example : str
        What stands there.
    """

    reason: str
    count: int
    first: int | None
    channel: str = ""
    example: str = ""


@dataclass(frozen=True, kw_only=True, repr=False)
class Trace:
    """One log, read.

    Attributes
    ----------
    kind : str
        ``"gpx"`` or ``"table"``.
    time_s : array
        Rising, from 0. [s]
    started_utc_s : float or None
        When that was, in seconds since 1970 UTC; None where the log does not say.
    clock_s : float or None
        Time of the day at the start as the log's own clock had it; None for elapsed time. [s]
    channels : dict of str to array
        In SI by their names in ``SI_NAMES``, NaN where there is no reading.
    rows : int
        Lines that carry data, or points of a track.
    left_out : tuple of LeftOut
    reordered : int
        Rows that were put into the order of time.
    unused : tuple of str
        Columns that are none of ours.
    """

    kind: str
    time_s: np.ndarray
    started_utc_s: float | None
    clock_s: float | None
    channels: dict
    rows: int
    left_out: tuple
    reordered: int = 0
    unused: tuple = ()

    def __repr__(self) -> str:
        """One line: what it holds."""
        return (
            f"Trace of {self.rows} rows over {self.time_s[-1]:.0f} s: "
            f"{', '.join(self.channels) or 'no channels'}"
        )


def in_order(
    kind, file, seconds, channels, line_of, *, rows, left_out, absolute, utc, clock, unused=()
):
    """A trace whose times rise: rows without a time and double ones are left out and counted.

    Parameters
    ----------
    kind, file : str
    seconds : array
        In the file's order; NaN where there is none. [s]
    channels : dict of str to array
        By the keys of ``CHANNELS``, in SI.
    line_of : callable
        Line of the file, or number of the point, of a row's number.
    rows : int
        That the file holds.
    left_out : list of LeftOut
    absolute, utc, clock : bool
        Whether times are since 1970, of UTC rather than of a place, or of the day alone.
    unused : tuple of str

    Returns
    -------
    Trace

    Raises
    ------
    SessionError
        If no two rows with a time are left, or a time that is not absolute goes back.
    """
    found = _Rows(seconds, channels, line_of, list(left_out))
    found.without(~np.isfinite(found.seconds), "no time")
    if found.seconds.size < 2:
        message = f"holds {found.seconds.size} rows with a time; a log needs two at the least"
        raise SessionError([Problem(file, message)])
    if clock:
        found.seconds = _over_midnight(found.seconds)
    back = np.diff(found.seconds) < 0
    if back.any():
        first = int(np.argmax(back))
        before, after = found.seconds[first : first + 2]
        if not absolute and before - after > _SHUFFLE_S:
            message = (
                f"time goes back from {before:.6g} s to {after:.6g} s, so the log was started "
                "anew; put each part into a file and a [logs.a_name] of its own"
            )
            raise SessionError([Problem(file, message, row=found.line(first + 1))])
        found.take(np.argsort(found.seconds, kind="stable"))
    found.without(np.concatenate([[False], found.seconds[1:] == found.seconds[:-1]]), "time twice")
    if found.seconds.size < 2:
        raise SessionError([Problem(file, "has one time in all its rows; a log needs two")])
    kept = {}
    for name in CHANNELS:
        values = found.within(name) if name in found.channels else None
        if values is not None:
            kept[SI_NAMES[name]] = values
    start = float(found.seconds[0])
    return Trace(
        kind=kind,
        time_s=found.seconds - start,
        started_utc_s=start if utc else None,
        clock_s=start % _DAY_S if clock or (absolute and not utc) else None,
        channels=kept,
        rows=rows,
        left_out=tuple(found.left_out),
        reordered=int(back.sum()),
        unused=tuple(unused),
    )


_DAY_S = 86400.0
# Rows that were buffered come this much too late at the most; more is a new start.
_SHUFFLE_S = 2.0
_NO_COAST_M = 30.0


def _over_midnight(seconds):
    """Times of the day that go on over midnight."""
    days = np.concatenate([[0.0], np.cumsum(np.diff(seconds) < -_DAY_S / 2)])
    return seconds + _DAY_S * days


class _Rows:
    """Rows on their way into a trace; each knows where it stood as long as any was moved."""

    def __init__(self, seconds, channels, line_of, left_out):
        self.seconds, self.channels, self.left_out = seconds, channels, left_out
        self._line_of, self._numbers = line_of, None

    def line(self, row: int) -> int:
        """Line of the file of a row."""
        return self._line_of(row if self._numbers is None else int(self._numbers[row]))

    def take(self, rows) -> None:
        """Keep these rows in this order."""
        numbers = np.arange(self.seconds.size) if self._numbers is None else self._numbers
        self._numbers = numbers[rows]
        self.seconds = self.seconds[rows]
        self.channels = {name: values[rows] for name, values in self.channels.items()}

    def without(self, which, reason: str) -> None:
        """Leave rows out, and say so."""
        if which.any():
            first = self.line(int(np.argmax(which)))
            self.left_out.append(LeftOut(reason, int(which.sum()), first))
            self.take(~which)

    def within(self, name: str):
        """A channel with NaN for what cannot be, which is counted; None if nothing is left."""
        channel, values = CHANNELS[name], self.channels[name]
        # Two passes without temporaries; most logs hold nothing that cannot be.
        lowest, highest = np.fmin.reduce(values), np.fmax.reduce(values)
        if np.isnan(lowest):
            return None
        if lowest < channel.low or highest > channel.high:
            with np.errstate(invalid="ignore"):
                wrong = (values < channel.low) | (values > channel.high)
            values = self._without_cells(name, "limits", wrong, values)
        if name == "elevation":
            # Devices write 0 where they know none; on a coast, 0 is among its like.
            zero = values == 0
            others = values[~zero & np.isfinite(values)]
            if zero.any() and not (others.size and abs(np.median(others)) <= _NO_COAST_M):
                values = self._without_cells(name, "zero", zero, values)
        return values if np.isfinite(values).any() else None

    def _without_cells(self, name, reason, which, values):
        first = int(np.argmax(which))
        example = f"{values[first]:.6g}"
        self.left_out.append(LeftOut(reason, int(which.sum()), self.line(first), name, example))
        return np.where(which, np.nan, values)
