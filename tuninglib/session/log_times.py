"""Times of a log, in the ways that devices write them, to seconds."""

import re

import numpy as np
import pandas as pd

from tuninglib.units import convert, measures

_DAY_S = 86400.0
# Numbers of this size are no time since a start but a date: seconds, or thousandths, since 1970.
_EPOCH_S = (9.4e8, 4.2e9)  # from 1999 to 2103
_LONGEST_S = 14 * _DAY_S
_CLOCK = re.compile(r"\s*(\d{1,3}):(\d\d):(\d\d(?:[.,]\d*)?)\s*")


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


def _since_1970(found: pd.Series) -> np.ndarray:
    return ((found - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1)).to_numpy(float)


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


def _clock_seconds(texts: pd.Series) -> np.ndarray:
    parts = texts.str.extract(_CLOCK)
    hours, minutes = (pd.to_numeric(parts[i], errors="coerce").to_numpy(float) for i in (0, 1))
    seconds = pd.to_numeric(parts[2].str.replace(",", "."), errors="coerce").to_numpy(float)
    found = 3600 * hours + 60 * minutes + seconds
    return np.where((minutes < 60) & (seconds < 61), found, np.nan)


def kind_of_time(cells, unit: str, time_format: str) -> str:
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
        return time_format
    texts = [cell.strip(" \t\"'") for cell in cells]
    texts = [text for text in texts if text]
    if not texts:
        raise ValueError("the column of time is empty in all of the first lines")

    def most(fits) -> bool:
        return 2 * sum(map(bool, map(fits, texts))) > len(texts)

    if most(_CLOCK.fullmatch):
        return "clock"
    if most(re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d.*").fullmatch):
        return "iso"
    values = [abs(float(t.replace(",", "."))) for t in texts if _NUMBER.fullmatch(t)]
    if 2 * len(values) <= len(texts):
        raise ValueError(
            f"{texts[0]!r} is a time of a kind that cannot be told for sure; say how it is "
            'written, for example time_format = "%d.%m.%Y %H:%M:%S.%f"'
        )
    middle = sorted(values)[len(values) // 2]
    if unit:
        if not measures(unit, "s"):
            raise ValueError(f"[{unit}] is no unit of time; write for example s or ms")
        longest = convert(middle, unit, "s")
        if longest > _LONGEST_S and not _EPOCH_S[0] < longest < _EPOCH_S[1]:
            raise ValueError(f"{middle:.6g} {unit} is more than {_LONGEST_S / _DAY_S:.0f} days")
        return unit
    for one, each in (("s", 1.0), ("ms", 1e3), ("us", 1e6)):
        if _EPOCH_S[0] < middle / each < _EPOCH_S[1]:
            return one
    raise ValueError(
        'the column of time has no unit; write for example units = { time = "s" } under it'
    )


_NUMBER = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?")


def is_since_1970(seconds) -> bool:
    """Whether numbers are a date rather than a time since a start.

    Examples
    --------
    >>> is_since_1970(np.array([1.7e9, np.nan])), is_since_1970(np.array([0.0, 3600.0]))
    (True, False)
    """
    known = seconds[np.isfinite(seconds)]
    return bool(known.size and _EPOCH_S[0] < np.median(known) < _EPOCH_S[1])
