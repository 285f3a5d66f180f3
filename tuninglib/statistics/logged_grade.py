"""Length and mean grade of a hill from a track, to hold against what is stated."""

import numpy as np

from tuninglib.interval import Interval
from tuninglib.statistics.repeats import mean_interval

_FEWEST_PASSES, _FEWEST_ROWS = 3, 6
# Rows at least this far apart in time make the way, since the quick error of positions makes a way
# of many small steps too long.
_STEP_S = 1.0
# Scales of elevations and ways are taken to be right to this share (ours).
_SCALE_SD = 0.01


def logged_grade(time_s, east_m, north_m, elevation_m, *, enter_s, leave_s, direction):
    """Mean grade of the hill, upwards from the start line, by passes in both directions.

    Parameters
    ----------
    time_s, east_m, north_m, elevation_m : array
        Rising times; NaN where there is none. [s], [m]
    enter_s, leave_s, direction : array
        Of each pass; +1 up, -1 down. [s]

    Returns
    -------
    Interval or None
        Rise over horizontal distance; None with fewer than three passes that have elevations.

    Notes
    -----
    Each pass gives a slope by least squares of elevation over the way. Errors of elevation last
    about as long as a pass, so that passes and not rows tell the uncertainty, by Student's
    distribution; one per cent of scale is joined with it.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 90.0)
    >>> there = np.abs((time + 15) % 60 - 30) * 10.0
    >>> found = logged_grade(time, there, 0 * time, 500 + 0.06 * there, enter_s=[15, 45, 75],
    ...                      leave_s=[44, 74, 89], direction=[1, -1, 1])
    >>> found.value
    0.06
    """
    ways = _ways(time_s, (east_m, north_m, elevation_m), enter_s, leave_s)
    return _mean(
        up * np.polyfit(way, columns[2], 1)[0]
        for (_, way, columns), up in zip(ways, direction, strict=True)
        if way is not None
    )


def logged_length(time_s, east_m, north_m, *, enter_s, leave_s):
    """Length of the hill over level ground, by passes in either direction.

    Parameters
    ----------
    time_s, east_m, north_m : array
        Rising times; NaN where there is no position. [s], [m]
    enter_s, leave_s : array
        Of each pass. [s]

    Returns
    -------
    Interval or None
        [m]; None with fewer than three passes.

    Notes
    -----
    As :func:`logged_grade`. What lies between a line and the nearest row of the track is put back
    at the mean speed of the pass.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 90.0)
    >>> there = np.abs((time + 15) % 60 - 30) * 10.0
    >>> logged_length(time, there, 0 * time, enter_s=[15.5, 45, 76], leave_s=[44, 73.5, 89]).value
    233.3
    """
    ways = _ways(time_s, (east_m, north_m), enter_s, leave_s)
    return _mean(
        way[-1] * (end - begin) / (time[-1] - time[0])
        for (time, way, _), begin, end in zip(ways, enter_s, leave_s, strict=True)
        if way is not None
    )


def _ways(time_s, columns, enter_s, leave_s):
    """Time, way and columns of each pass, a row a second; None for the way where it is short."""
    columns = [np.asarray(one, dtype=float) for one in (time_s, *columns)]
    known = np.all(np.isfinite(columns), axis=0)
    time, *columns = (one[known] for one in columns)
    for begin, end in zip(enter_s, leave_s, strict=True):
        rows = np.flatnonzero((time >= begin) & (time <= end))
        _, first = np.unique(np.floor((time[rows] - begin) / _STEP_S), return_index=True)
        rows = rows[first]
        own = [one[rows] for one in columns]
        way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(own[0]), np.diff(own[1])))])
        enough = rows.size >= _FEWEST_ROWS and way[-1] > 0
        yield time[rows], way if enough else None, own


def _mean(values) -> Interval | None:
    """Mean over passes with what their scatter and one per cent of scale say of it."""
    values = list(values)
    if len(values) < _FEWEST_PASSES:
        return None
    found = mean_interval(values)
    half = float(np.hypot((found.high - found.low) / 2, 1.96 * _SCALE_SD * found.value))
    return Interval(found.value, found.value - half, found.value + half)
