"""Runs in a log without places: full throttle, or a pull, over the hill's length."""

import numpy as np

from tuninglib.checks import require
from tuninglib.statistics.line_passes import LinePasses
from tuninglib.statistics.settled_gauge import FULL_THROTTLE

# A pull gains at least this over the hill and never falls by this much on it; where it begins,
# speed is fitted by two straight lines over so long before and after.
_LEAST_GAIN_M_S, _MOST_FALL_M_S, _BEND_S = 1.0, 0.8, 5.0
# Errors of a logged speed last about this long: so many seconds are one reading.
_READING_S, _SMOOTH_S = 1.0, 1.0
# How well a rider opens the throttle at the start line (standard deviation, ours), and how much of
# the way it must be open.
_OPENS_WITHIN_S, _FULL_SHARE = 0.3, 0.8


def runs_by_length(
    time_s, speed_m_s, *, length_m, entry_speed_m_s=None, within_m_s=2.5, throttle_ratio=None
) -> LinePasses:
    """Runs up a hill of known length, by their throttle or by their pattern of speed.

    Parameters
    ----------
    time_s, speed_m_s : array
        Rising times; NaN where there is no speed. [s], [m/s]
    length_m : float
        From the start line to the marker. [m]
    entry_speed_m_s : float, optional
        Usual one at the start line; needed where no throttle was logged. [m/s]
    within_m_s : float
        How far that may differ from run to run. [m/s]
    throttle_ratio : array, optional
        0 shut, 1 fully open. [unitless]

    Returns
    -------
    LinePasses
        Runs up alone: nothing in a speed tells a way down. ``position_sd_m`` is how well the start
        line is known.

    Notes
    -----
    The start line is where the throttle was opened: at half of its opening if it was logged, else
    where two straight lines through the speed meet, averaged over where they may. The marker is
    the hill's length after it, by the speed.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 60.0, 0.2)
    >>> pull = np.interp(time, [0, 20, 40, 45, 60], [12.0, 12.0, 18.0, 5.0, 5.0])
    >>> found = runs_by_length(time, pull, length_m=300.0, entry_speed_m_s=12.0)
    >>> found.enter_s.round(), found.leave_s.round()
    (array([20.]), array([40.]))
    """
    time, v = (np.asarray(one, dtype=float) for one in (time_s, speed_m_s))
    throttle = None if throttle_ratio is None else np.asarray(throttle_ratio, dtype=float)
    known = np.isfinite(v) if throttle is None else np.isfinite(v) & np.isfinite(throttle)
    time, v = time[known], v[known]
    throttle = None if throttle is None else throttle[known]
    length = float(require(length_m, what="length of the hill", unit="m", above=0))
    none = LinePasses(
        direction=np.zeros(0, dtype=int), enter_s=np.zeros(0), leave_s=np.zeros(0),
        position_sd_m=np.nan,
    )  # fmt: skip
    if time.size < 10 or (throttle is None and entry_speed_m_s is None):
        return none
    way = np.concatenate([[0.0], np.cumsum(np.diff(time) * (v[1:] + v[:-1]) / 2)])
    if throttle is None:
        begins = _by_pattern(time, _smoothed(time, v), way, length, entry_speed_m_s, within_m_s)
    else:
        begins = _by_throttle(time, throttle, way, length)
    found, last = [], -np.inf
    for at, sd in begins:
        begun, entry = np.interp(at, time, way), np.interp(at, time, v)
        usual = entry_speed_m_s is None or abs(entry - entry_speed_m_s) <= within_m_s
        if begun >= last and begun + length <= way[-1] and usual:
            found.append((at, float(np.interp(begun + length, way, time)), sd * entry))
            last = begun + length
    if not found:
        return none
    enter, leave, sds = np.array(found).T
    return LinePasses(
        direction=np.ones(enter.size, dtype=int),
        enter_s=enter,
        leave_s=leave,
        position_sd_m=float(np.sqrt(np.mean(sds**2))),
    )


def _smoothed(time, v):
    """Running mean over a second."""
    low, high = (np.searchsorted(time, time + shift) for shift in (-_SMOOTH_S / 2, _SMOOTH_S / 2))
    total = np.concatenate([[0.0], np.cumsum(v)])
    return (total[high] - total[low]) / np.maximum(high - low, 1)


def _by_throttle(time, throttle, way, length):
    """When the throttle was opened and then stayed open over most of the way, each with its sd."""
    full = throttle >= FULL_THROTTLE
    for row in np.flatnonzero(full[1:] & ~full[:-1]) + 1:
        end = np.searchsorted(way, way[row] + length)
        if end >= time.size or full[row:end].mean() < _FULL_SHARE:
            continue
        before = row - 1
        while before > 0 and throttle[before - 1] < throttle[before]:
            before -= 1
        half = (throttle[before] + throttle[row]) / 2
        span = slice(before, row + 1)
        at = float(np.interp(half, throttle[span], time[span]))
        yield at, np.hypot((time[row] - time[row - 1]) / np.sqrt(12), _OPENS_WITHIN_S)


def _by_pattern(time, v, way, length, wanted, within):
    """Where a pull from about the entry speed over the length began, each with its sd."""
    end = np.searchsorted(way, way + length)
    here = np.flatnonzero((np.abs(v - wanted) <= within) & (end < time.size))
    here = here[v[end[here]] - v[here] >= _LEAST_GAIN_M_S]
    if here.size == 0:
        return
    least = np.minimum.reduceat(v, np.stack([here, end[here]], axis=1).ravel())[::2]
    here = here[least >= v[here] - _MOST_FALL_M_S]
    if here.size == 0:
        return
    for rows in np.split(here, np.flatnonzero(np.diff(time[here]) > _BEND_S) + 1):
        at, sd = _bend(time, v, rows)
        if np.isfinite(at):
            yield at, np.hypot(sd, _OPENS_WITHIN_S)


def _bend(time, v, rows):
    """Where two straight lines through the speed meet, and how well that is known."""
    low, high = np.searchsorted(time, [time[rows[0]] - _BEND_S, time[rows[-1]] + _BEND_S])
    t, y = time[low:high], v[low:high]
    places = np.arange(time[rows[0]] - 2.0, time[rows[-1]] + 2.0, 0.1)
    places = places[(places > t[0] + 1) & (places < t[-1] - 1)]
    if places.size == 0 or t.size < 6:
        return np.nan, np.nan
    squares, counts = np.full(places.size, np.inf), np.ones(places.size)
    for number, place in enumerate(places):
        near = np.abs(t - place) <= _BEND_S
        u, target = t[near] - place, y[near]
        design = np.stack([np.ones(u.size), np.minimum(u, 0), np.maximum(u, 0)], axis=1)
        found, *_ = np.linalg.lstsq(design, target, rcond=None)
        if found[2] > found[1] + 0.05:
            squares[number] = ((target - design @ found) ** 2).mean()
            counts[number] = np.ptp(u) / _READING_S
    if not np.isfinite(squares).any():
        return np.nan, np.nan
    best = np.argmin(squares)
    readings = max(counts[best], 4.0)
    noise = squares[best] * readings / (readings - 3) + 1e-4
    weight = np.exp(-(squares - squares[best]) * readings / (2 * noise))
    weight /= weight.sum()
    at = weight @ places
    return float(at), float(np.sqrt(weight @ (places - at) ** 2 + 0.1**2 / 12))
