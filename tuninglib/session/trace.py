"""A log once read: what it may hold, its times in seconds, and a trace of channels in SI.

Times rise in a trace, and what was left out is counted with the reason and the first line.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from tuninglib.text_files import Problem, SessionError
from tuninglib.units import convert, measures

if TYPE_CHECKING:
    from tuninglib.statistics.engine_sound import HeardSpeed

Reason = Literal[
    "no time", "time twice", "too many cells", "no number", "limits", "zero", "other speed",
    "breaks off",
]  # fmt: skip


@dataclass(frozen=True)
class LeftOut:
    """Rows or cells of a log that are not used, all for one reason.

    Attributes
    ----------
    reason : str
        ``"no time"``, ``"time twice"``, ``"too many cells"``, ``"no number"``, ``"limits"``,
        ``"zero"`` (an elevation of just 0 among others), ``"other speed"`` (a logged speed that is
        not that of the positions), ``"breaks off"`` (the file ends in the middle), ``"jump"`` (far
        from what stands before and after it; of ``"latitude"`` it is the whole position).
    count : int
        Rows, or cells of one channel; 0 for ``"breaks off"``.
    first : int or None
        Line of the file (of a GPX file: number of the point) of the first of them.
    channel : str
        Empty where whole rows are left out.
    example : str
        What stands there.
    """

    reason: Reason
    count: int
    first: int | None
    channel: str = ""
    example: str = ""


def counted(
    reason: Reason,
    which: np.ndarray,
    lines: np.ndarray,
    channel: str = "",
    shown: Callable[[int], str] | None = None,
) -> list:
    """What is left out for a reason, as a list; empty if nothing is.

    Parameters
    ----------
    reason : str
    which : array of bool
        Whether a row, or its cell, is left out.
    lines : array of int
        Of the rows in the file.
    channel : str
    shown : callable, optional
        What stands in a row, as text.

    Examples
    --------
    >>> counted("no time", np.array([False, True, True]), np.array([2, 3, 4]))
    [LeftOut(reason='no time', count=2, first=3, channel='', example='')]
    """
    if not which.any():
        return []
    first = int(np.argmax(which))
    example = shown(first) if shown else ""
    return [LeftOut(reason, int(which.sum()), int(lines[first]), channel, example)]


@dataclass(frozen=True, kw_only=True, repr=False)
class Trace:
    """One log, read.

    Attributes
    ----------
    kind : str
        ``"gpx"``, ``"table"`` or ``"sound"``.
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
    dated_s : float or None
        Start since 1970 by whatever zone the log has; None where it has no date.
    heard : tuninglib.statistics.engine_sound.HeardSpeed or None
        Of a recording: what its engine speed is from.
    clipped : float
        Share of a recording's samples at full scale. [-]
    goes_past : bool
        Whether the engine goes past the recorder, by its pitch.
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
    dated_s: float | None = None
    heard: "HeardSpeed | None" = None
    clipped: float = 0.0
    goes_past: bool = False

    def __repr__(self) -> str:
        """One line: what it holds."""
        channels = ", ".join(self.channels) or "no channels"
        return f"Trace of {self.rows} rows over {self.time_s[-1]:.0f} s: {channels}"


@dataclass(frozen=True)
class Channel:
    """One kind of number in a log.

    Attributes
    ----------
    help : str
    unit : str
        In which it is kept; empty for a plain number.
    low, high : float
        Limits in that unit; what lies outside is no reading.
    usual : str
        A unit to show as an example.
    names : tuple of str
        Of columns that are taken for it where nothing else is said, in small letters.
    """

    help: str
    unit: str
    low: float
    high: float
    usual: str = ""
    names: tuple = ()


CHANNELS = {
    "latitude": Channel("north is positive", "degree", -90, 90, "deg", ("latitude", "lat")),
    "longitude": Channel("east is positive", "degree", -180, 180, "deg", ("longitude", "lon")),
    "elevation": Channel("above the sea", "m", -450, 9000, "m", ("elevation", "altitude")),
    "speed": Channel("over the ground", "m/s", -0.5, 120, "km/h", ("speed",)),
    "gauge": Channel("as the gauge shows it", "", 0.2, 45, "", ("gauge", "lambda", "afr")),
    "throttle": Channel("0 shut, 100 % open", "1", -0.05, 1.05, "%", ("throttle",)),
    "engine_speed": Channel("of the crankshaft", "1/min", 0, 25000, "rpm", ("engine_speed", "rpm")),
    "head_temperature": Channel("of the head", "K", 200, 800, "degC", ("head_temperature",)),
    "air_temperature": Channel("of the air", "K", 200, 350, "degC", ("air_temperature",)),
}
# The names of Trace's arrays: with the unit behind the name.
_SUFFIXES = {"degree": "_deg", "m/s": "_m_s", "1": "_ratio", "1/min": "_rpm", "m": "_m", "K": "_k"}
SI_NAMES = {name: name + _SUFFIXES.get(one.unit, "") for name, one in CHANNELS.items()}
TIME_NAMES = ("time", "timestamp")
_DAY_S = 86400.0
# A log lasts days at the most. A clock that is not set yet writes its maker's year, and a damaged
# cell any number.
_LONGEST_S = 14 * _DAY_S
_LONGEST_STEP_S = 60.0
# Fewer times than this share, so far from all others, are of a clock that was not set (ours).
_LONE_S, _LONE_SHARE = _DAY_S / 2, 0.05
# Rows that were buffered come this much too late at the most; more is a new start.
_SHUFFLE_S = 2.0
_NO_COAST_M = 30.0
# One reading that is so far from the middle of itself and two on either side is none: beyond what
# the quickest bike could do from one to the next, and what errors of receivers jump by (ours).
_JUMP_M_S, _JUMP_M_S2 = 5.0, 10.0
_JUMP_M, _JUMP_WAY_M_S = 20.0, 40.0
# Where more than this share would be such, it is no ride that we understand, and all stays.
_MOST_JUMPS = 0.05
_DEGREE_M = 111_000.0


def in_order(
    kind: str,
    file: str,
    seconds: np.ndarray,
    channels: dict[str, np.ndarray],
    lines: np.ndarray,
    *,
    left_out: list[LeftOut] = (),
    scale: str = "elapsed",
    parts: list[int] = (),
) -> Trace:
    """A trace whose times rise: rows without a time and double ones are left out and counted.

    Parameters
    ----------
    kind, file : str
    seconds : array
        In the file's order; NaN where there is none. [s]
    channels : dict of str to array
        By the keys of ``CHANNELS``, in SI.
    lines : array of int
        Line of the file, or number of the point, of each row.
    left_out : list of LeftOut
        Whole rows among it are no longer in ``seconds``.
    scale : str
        Of times: ``"utc"``, since 1970; ``"local"``, the same by the clock of a place; ``"clock"``,
        of the day alone; ``"elapsed"``, since a start.
    parts : list of int
        Rows at which a part of the file begins that may be older than what stands before it.

    Returns
    -------
    Trace

    Raises
    ------
    SessionError
        If no two rows with a time are left, or the clock goes back.
    """
    rows = seconds.size + sum(one.count for one in left_out if not one.channel)
    part = np.searchsorted(parts, np.arange(seconds.size), side="right")
    none = _no_time(seconds)
    if scale in ("utc", "local"):
        none[_wild(seconds, part, np.flatnonzero(~none))] = True
    part = part[~none]
    found = _Rows(seconds, channels, lines, list(left_out))
    found.without(none, "no time")
    if found.seconds.size < 2:
        message = f"holds {found.seconds.size} rows with a time; a log needs at least two"
        raise SessionError([Problem(file, message)])
    if scale == "clock":
        found.seconds = _over_midnight(found.seconds)
    back = np.diff(found.seconds) < 0
    if back.any():
        anew = (np.diff(found.seconds) < -_SHUFFLE_S) & (np.diff(part) == 0)
        if anew.any():
            first = int(np.argmax(anew))
            before, after = (
                np.datetime64(round(one), "s") if scale in ("utc", "local") else f"{one:.6g} s"
                for one in found.seconds[first : first + 2].tolist()
            )
            message = (
                f"time goes back from {before} to {after}, so the log was restarted or its "
                "clock was set; put each part into a file and a [logs.a_name] of its own"
            )
            raise SessionError([Problem(file, message, row=int(found.lines[first + 1]))])
        found.take(np.argsort(found.seconds, kind="stable"))
    found.without(np.concatenate([[False], found.seconds[1:] == found.seconds[:-1]]), "time twice")
    if found.seconds.size < 2:
        raise SessionError([Problem(file, "has the same time in all its rows; a log needs two")])
    every = {SI_NAMES[name]: found.within(name) for name in CHANNELS if name in found.channels}
    kept = {name: values for name, values in every.items() if values is not None}
    places = {"latitude_deg", "longitude_deg"}
    if len(places & kept.keys()) == 1:
        # Half a place is none.
        kept = {name: values for name, values in kept.items() if name not in places}
    found.without_jumps(kept)
    start = float(found.seconds[0])
    return Trace(
        kind=kind,
        time_s=found.seconds - start,
        started_utc_s=start if scale == "utc" else None,
        clock_s=start % _DAY_S if scale in ("local", "clock") else None,
        channels=kept,
        rows=rows,
        left_out=tuple(found.left_out),
        reordered=int(back.sum()),
        dated_s=start if scale in ("utc", "local") else None,
    )


def _no_time(seconds):
    """Rows without a time, or with one of another day or year than nearly all the rest has."""
    none = ~np.isfinite(seconds)
    known = seconds[~none]
    if known.size and np.ptp(known) > _LONGEST_S:
        middle = np.partition(known, known.size // 2)[known.size // 2]
        none |= np.abs(seconds - middle) > _LONGEST_S
    rows = np.flatnonzero(~none)
    if rows.size and np.ptp(seconds[rows]) > _LONE_S:
        rows = rows[np.argsort(seconds[rows], kind="stable")]
        for part in np.split(rows, np.flatnonzero(np.diff(seconds[rows]) > _LONE_S) + 1):
            none[part] = part.size < _LONE_SHARE * rows.size
    return none


def _wild(seconds, part, rows):
    """Of these rows, single ones whose time is not between its neighbours' by far."""
    if rows.size < 3:
        return rows[:0]
    off = np.zeros(rows.size)
    near = np.lib.stride_tricks.sliding_window_view(seconds[rows], 3)
    off[1:-1] = np.abs(near[:, 1] - np.median(near, axis=1))
    off[0], off[-1] = np.maximum(-np.diff(seconds[rows])[[0, -1]], 0)
    # Where a part begins, time may go back.
    begins = np.flatnonzero(np.diff(part[rows]))
    off[begins] = off[begins + 1] = 0
    least = np.maximum(_SHUFFLE_S, np.maximum(np.roll(off, 1), np.roll(off, -1)))
    return rows[off > least]


def _over_midnight(seconds):
    """Times of the day that go on over midnight."""
    days = np.concatenate([[0.0], np.cumsum(np.diff(seconds) < -_DAY_S / 2)])
    return seconds + _DAY_S * days


class _Rows:
    """Rows on their way into a trace; each knows where it stood as long as any was moved."""

    def __init__(self, seconds, channels, lines, left_out):
        self.seconds, self.channels, self.lines = seconds, channels, lines
        self.left_out = left_out

    def take(self, rows) -> None:
        """Keep these rows in this order."""
        self.seconds, self.lines = self.seconds[rows], self.lines[rows]
        self.channels = {name: values[rows] for name, values in self.channels.items()}

    def without(self, which, reason: Reason) -> None:
        """Leave rows out, and say so."""
        self.left_out += counted(reason, which, self.lines)
        self.take(~which)

    def within(self, name: str):
        """A channel with NaN for what cannot be, which is counted; None if nothing is left."""
        channel, values = CHANNELS[name], self.channels[name]
        wrong = (values < channel.low) | (values > channel.high)
        values = self._without_cells(name, "limits", wrong, values)
        if name == "elevation":
            # Devices write 0 where they know none; on a coast, 0 is among its like.
            zero = values == 0
            others = values[~zero & np.isfinite(values)]
            if not (others.size and abs(np.median(others)) <= _NO_COAST_M):
                values = self._without_cells(name, "zero", zero, values)
        return values if np.isfinite(values).any() else None

    def without_jumps(self, kept: dict) -> None:
        """Take single wild readings out of speeds and positions, and say so."""
        speed = kept.get("speed_m_s")
        if speed is not None:
            far, step = _off_middle(self.seconds, speed)
            wild = np.abs(far) > _JUMP_M_S + _JUMP_M_S2 * step
            if 0 < wild.mean() <= _MOST_JUMPS:
                kept["speed_m_s"] = self._without_cells("speed", "jump", wild, speed)
        latitude = kept.get("latitude_deg")
        if latitude is None:
            return
        longitude = kept["longitude_deg"]
        north, step = _off_middle(self.seconds, latitude)
        east, _ = _off_middle(self.seconds, longitude)
        level = np.cos(np.deg2rad(np.nanmedian(latitude)))
        wild = _DEGREE_M * np.hypot(north, east * level) > _JUMP_M + _JUMP_WAY_M_S * step
        if 0 < wild.mean() <= _MOST_JUMPS:
            kept["latitude_deg"] = self._without_cells("latitude", "jump", wild, latitude)
            kept["longitude_deg"] = np.where(wild, np.nan, longitude)

    def _without_cells(self, name, reason, which, values):
        self.left_out += counted(reason, which, self.lines, name, lambda at: f"{values[at]:.6g}")
        return np.where(which, np.nan, values)


def _off_middle(seconds, values):
    """How far each value is from the median of five around it, and the longer of its two steps."""
    far, step = np.zeros(values.size), np.zeros(values.size)
    known = np.flatnonzero(np.isfinite(values))
    if known.size < _AROUND:
        return far, step
    own = values[known]
    middles = np.median(np.lib.stride_tricks.sliding_window_view(own, _AROUND), axis=1)
    # At both ends the nearest five, whose middle is two steps away.
    ends = _AROUND // 2
    middles = np.pad(middles, ends, mode="edge")
    steps = np.pad(np.diff(seconds[known]), 1, mode="edge")
    steps = np.maximum(steps[1:], steps[:-1])
    steps[:ends] *= 1 + ends
    steps[-ends:] *= 1 + ends
    far[known], step[known] = own - middles, steps
    return far, step


_AROUND = 5


def seconds_of(cells: pd.Series, kind: str, decimal_comma: bool = False) -> np.ndarray:
    """Seconds of one piece of a log's column of time; NaN for what is no time of its kind.

    Parameters
    ----------
    cells : pandas.Series
        Numbers or text.
    kind : str
        Of :func:`kind_of_time`.
    decimal_comma : bool
    """
    if kind == "iso":
        return iso_seconds(_texts(cells))
    if kind == "clock":
        return _clock_seconds(_texts(cells))
    if kind.startswith("%"):
        found = pd.to_datetime(_texts(cells), format=kind, utc=True, errors="coerce")
        return _since_1970(found)
    values = numbers(cells, decimal_comma)
    return values if kind == "s" else convert(values, kind, "s")


def iso_seconds(texts: pd.Series) -> np.ndarray:
    """Seconds since 1970 UTC of times like 2026-05-16T14:03:22.5Z; NaN for what is none.

    Parameters
    ----------
    texts : pandas.Series of str
        None where there is none. A time without a zone is UTC.

    Examples
    --------
    >>> iso_seconds(pd.Series(["1970-01-01T00:01:00Z", "1970-01-01T01:00:00+01:00", "x", None]))
    array([60.,  0., nan, nan])
    """
    # Unlike the standard's, the reader takes words such as "now" for times.
    dated = texts.where(texts.str.match(r"\s*\d{4}-?\d\d-?\d\d[T ]\d\d", na=False))
    found = pd.to_datetime(dated, format="ISO8601", utc=True, errors="coerce")
    return _since_1970(found)


# Nanoseconds since 1970 in 64 bits reach from 1678 to 2261. What a device says of the year 26 is no
# time of an outing, and some arithmetic of dates would break on it.
_CALENDAR_S = 9.2e9


def _since_1970(found: pd.Series) -> np.ndarray:
    # In the dates' own unit: a common one may not hold them.
    epoch = pd.Timestamp(0, tz="UTC").as_unit(found.dt.unit)
    seconds = (found - epoch).dt.total_seconds().to_numpy(float)
    return np.where(np.abs(seconds) < _CALENDAR_S, seconds, np.nan)


_CLOCK = re.compile(r"\s*(\d{1,3}):(\d\d):(\d\d(?:[.,]\d*)?)\s*")


def _clock_seconds(texts: pd.Series) -> np.ndarray:
    parts = texts.str.extract(_CLOCK)
    hours, minutes = (pd.to_numeric(parts[i], errors="coerce").to_numpy(float) for i in (0, 1))
    seconds = pd.to_numeric(parts[2].str.replace(",", "."), errors="coerce").to_numpy(float)
    found = 3600 * hours + 60 * minutes + seconds
    return np.where((minutes < 60) & (seconds < 61), found, np.nan)


def numbers(cells: pd.Series, decimal_comma: bool = False) -> np.ndarray:
    """Numbers of a column; NaN for what is none.

    Parameters
    ----------
    cells : pandas.Series
    decimal_comma : bool
    """
    if cells.dtype.kind in "fiu":
        return cells.to_numpy(float)
    texts = _texts(cells)
    texts = texts.str.replace(",", ".") if decimal_comma else texts
    return pd.to_numeric(texts, errors="coerce").to_numpy(float)


def _texts(cells: pd.Series) -> pd.Series:
    """Cells as text without blanks and quotation marks around them."""
    if cells.dtype.kind in "fiub":
        return cells.map(repr, na_action="ignore").astype(object)
    return cells.where(cells.isna(), cells.astype(str).str.strip(" \t\"'")).astype(object)


def kind_of_time(cells: list[str], unit: str, time_format: str) -> str:
    """How a log's times are written.

    Parameters
    ----------
    cells : list of str
        The first of them that are not empty.
    unit : str
        Of the header or of session.toml; empty where none is said.
    time_format : str
        Of session.toml, in the signs of the C standard's strftime; may be empty.

    Returns
    -------
    str
        A unit for a number, ``"clock"`` (hours:minutes:seconds), ``"iso"``, or the format.

    Raises
    ------
    ValueError
        If it cannot be told.

    Examples
    --------
    >>> kind_of_time(["14:03:22.5"], "", ""), kind_of_time(["0.1", "0.2"], "ms", "")
    ('clock', 'ms')
    """
    if time_format:
        try:
            # Without a sign, pandas takes words of its own, such as "mixed".
            if "%" not in time_format:
                raise ValueError("it has no % in it")
            pd.to_datetime(pd.Series(["x"]), format=time_format, utc=True, errors="coerce")
        except ValueError as error:
            raise ValueError(
                f"{time_format!r} is not a time format ({error}); write it in strftime codes, "
                'for example "%d.%m.%Y %H:%M:%S.%f"'
            ) from None
        return time_format
    texts = [cell.strip(" \t\"'") for cell in cells]
    texts = [text for text in texts if text]
    if not texts:
        raise ValueError("the time column is empty in all of the first lines")

    def most(fits) -> bool:
        return 2 * sum(map(bool, map(fits, texts))) > len(texts)

    if most(_CLOCK.fullmatch):
        return "clock"
    if most(re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d.*").fullmatch):
        return "iso"
    values = [abs(float(t.replace(",", "."))) for t in texts if _NUMBER.fullmatch(t)]
    if 2 * len(values) <= len(texts):
        raise ValueError(
            f"{texts[0]!r} is a time in an unclear format; say how it is "
            'written, for example time_format = "%d.%m.%Y %H:%M:%S.%f"'
        )
    middle = sorted(values)[len(values) // 2]
    if unit:
        if not measures(unit, "s"):
            raise ValueError(f"[{unit}] is not a unit of time; write for example s or ms")
        longest = convert(middle, unit, "s")
        if longest > _LONGEST_S and not _EPOCH_S[0] < longest < _EPOCH_S[1]:
            raise ValueError(f"{middle:.6g} {unit} is more than {_LONGEST_S / _DAY_S:.0f} days")
        # Of fewer rows a wild one would be most.
        steps = np.abs(np.diff(values)) if len(values) >= _AROUND else np.zeros(1)
        step = convert(float(np.median(steps)), unit, "s")
        if step > _LONGEST_STEP_S:
            raise ValueError(
                f"in {unit}, rows would be {step:.6g} s apart, but a log of a run has one at least "
                f"every {_LONGEST_STEP_S:g} s; correct the unit of time, for example to s or ms"
            )
        return unit
    for one, each in (("s", 1.0), ("ms", 1e3), ("us", 1e6)):
        if _EPOCH_S[0] < middle / each < _EPOCH_S[1]:
            return one
    wanted = 'write for example units = { time = "s" } under it'
    raise ValueError(f"the time column has no unit; {wanted}")


_NUMBER = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?")
# Numbers of this size are no time since a start but a date: seconds, or thousandths, since 1970.
_EPOCH_S = (9.4e8, 4.2e9)  # from 1999 to 2103


def is_since_1970(seconds: np.ndarray) -> bool:
    """Whether numbers are a date rather than a time since a start.

    Examples
    --------
    >>> is_since_1970(np.array([1.7e9, np.nan])), is_since_1970(np.array([0.0, 3600.0]))
    (True, False)
    """
    known = seconds[np.isfinite(seconds)]
    return bool(known.size and _EPOCH_S[0] < np.median(known) < _EPOCH_S[1])
