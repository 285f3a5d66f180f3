"""Where a track was ridden for a test: the stretch ridden up again and again, or a steep straight.

It proposes; whoever rode there says whether it is right.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.interval import Interval, Measured
from tuninglib.physics.track import local_metres
from tuninglib.statistics.track_runs import line_passes, logged_grade, logged_length, speed_of_way


@dataclass(frozen=True, kw_only=True)
class ProposedHill:
    """A stretch of road to test on.

    Parameters
    ----------
    rides : int
        How often it was ridden up; 1 where it is no more than a straight that climbs.
    start_deg, marker_deg : tuple of float
        Latitude and longitude. [deg]
    length_m : Interval
        Along the road. [m]
    grade : Interval or None
        Rise over level distance; None without elevations. [unitless]
    """

    rides: int
    start_deg: tuple[float, float]
    marker_deg: tuple[float, float]
    length_m: Interval
    grade: Interval | None


# A ride moves at least this fast for so far without a gap; a pull gains so much on the speed that
# was held before it, or on this share of its highest where none was held.
_MOVING_M_S, _LEAST_WAY_M, _LONGEST_GAP_S = 3.0, 150.0, 5.0
_LEAST_GAIN_M_S, _SHARE = 2.0, 0.6
# A speed is held where it changes by less than this for so long.
_HELD_M_S2, _HELD_S, _AS_FAST_M_S = 0.25, 3, 0.4
# Pulls are of one stretch if their ends lie so near to each other; so many make it one.
_NEAR_M, _LEAST_PULLS = 60.0, 3
# A straight to propose: its length, how straight, how steep.
_STRAIGHT_M, _STRAIGHT, _GRADES = 400.0, 0.97, (0.02, 0.15)
# What one ride tells of height and place: errors at both ends (95 %, usual receivers, ours).
_END_M = 6.0 * np.sqrt(2)


def propose_hill(
    time_s: ArrayLike,
    *,
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    elevation_m: ArrayLike | None = None,
    speed_m_s: ArrayLike | None = None,
) -> ProposedHill | None:
    """The stretch that was ridden up most often, else the steepest straight; None if neither.

    Parameters
    ----------
    time_s : array
        Rising. [s]
    latitude_deg, longitude_deg, elevation_m : array
        NaN where there is none. [deg], [m]
    speed_m_s : array, optional
        As logged; left out: from the positions. [m/s]

    Returns
    -------
    ProposedHill or None

    Notes
    -----
    A pull begins where a speed that was held for three seconds rises for good, and ends at the
    highest speed of the ride. Three pulls whose ends lie within 60 m are one stretch: its start
    line is where they begin on average, its marker where the first of them ends, so that all are
    pulling there. Length and grade are those of all rides between the two lines, with their
    scatter. A straight that was ridden once has the usual errors of a receiver at both ends.

    Examples
    --------
    >>> import numpy as np
    >>> pull = 10 + np.arange(30) / 4
    >>> up = np.concatenate([np.zeros(9), np.arange(10), np.full(9, 10.0), pull])
    >>> speed = np.tile(np.concatenate([up, np.zeros(5), -up[::-1]]), 4)
    >>> east = np.cumsum(speed)
    >>> hill = propose_hill(np.arange(east.size), latitude_deg=0 * east,
    ...                     longitude_deg=east / 111319.49, elevation_m=0.06 * east)
    >>> hill.rides, round(hill.grade.value, 3)
    (4, 0.06)
    """
    columns = (time_s, latitude_deg, longitude_deg, elevation_m, speed_m_s)
    none = np.full(np.size(time_s), np.nan)
    rows = np.array([none if one is None else one for one in columns], dtype=float)
    time, latitude, longitude, height, speed = rows[:, np.isfinite(rows[1:3]).all(axis=0)]
    if time.size < 2 * _HELD_S or np.ptp(time) < _HELD_S:
        return None
    middle = (np.median(latitude), np.median(longitude))
    place = np.stack(local_metres(latitude, longitude, origin_deg=middle))
    if speed_m_s is None:
        speed = np.interp(time, *speed_of_way(time, *place), left=0.0, right=0.0)
    speed = np.nan_to_num(speed)
    rides = [*_rides(time, place, speed)]
    pulls = [pull for ride in rides if (pull := _pull(time, speed, ride))]
    start, marker, count = _stretch(place, pulls)
    if count:
        lines = [(float(latitude[at]), float(longitude[at])) for at in (start, marker)]
        hill = _by_passes(time, latitude, longitude, place, height, lines)
        if hill:
            return hill
    return _by_straight(latitude, longitude, place, height, rides)


def _rides(time, place, speed):
    """Rows of each ride without a stop or a gap, if it went far enough."""
    moving = np.flatnonzero(speed > _MOVING_M_S)
    breaks = (np.diff(moving) > 1) | (np.diff(time[moving]) > _LONGEST_GAP_S)
    for rows in np.split(moving, np.flatnonzero(breaks) + 1):
        if rows.size > _HELD_S and _way(place, rows)[-1] > _LEAST_WAY_M:
            yield rows


def _way(place, rows):
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(place[:, rows])))])


def _pull(time, speed, rows):
    """First and last row of the pull of a ride; None if it has none."""
    seconds = np.arange(time[rows[0]], time[rows[-1]], 1.0)
    # Three seconds smooth a receiver's speed and move no end by more than one.
    v = np.convolve(np.interp(seconds, time[rows], speed[rows]), np.ones(3) / 3, mode="same")
    if v.size <= 2 * _HELD_S:
        return None
    # The last second that is about as fast as the fastest: towards the end speed hardly rises.
    top = 1 + int(np.flatnonzero(v[1:-1] >= v[1:-1].max() - _AS_FAST_M_S)[-1])
    held = np.abs(v[_HELD_S:] - v[:-_HELD_S]) < _HELD_M_S2 * _HELD_S
    slower = v[_HELD_S:] < v[top] - _LEAST_GAIN_M_S
    # The longest such time is the approach: in a pull speed is held by chance, for a second.
    likely = np.flatnonzero((held & slower)[: max(top - _HELD_S, 0)])
    longest = max(np.split(likely, np.flatnonzero(np.diff(likely) > 1) + 1), key=len)
    begin = int(longest[-1]) + _HELD_S if longest.size else int(np.argmax(v > _SHARE * v[top]))
    if v[top] - v[begin] < _LEAST_GAIN_M_S:
        return None
    return tuple(rows[np.searchsorted(time[rows], seconds[at])] for at in (begin, top))


def _stretch(place, pulls) -> tuple:
    """Rows of the start line and the marker, and how many pulls they are of; 0 if too few."""
    if len(pulls) < _LEAST_PULLS:
        return 0, 0, 0
    begins, ends = (place[:, list(rows)].T for rows in zip(*pulls, strict=True))
    near = np.ones((len(pulls), len(pulls)), dtype=bool)
    for points in (begins, ends):
        near &= np.hypot(*np.moveaxis(points[:, None] - points[None], -1, 0)) < _NEAR_M
    own = np.flatnonzero(near[np.argmax(near.sum(1))])
    if own.size < _LEAST_PULLS:
        return 0, 0, 0
    middle = np.median(begins[own], axis=0)
    first = own[np.argmin(np.hypot(*(begins[own] - middle).T))]
    last = own[np.argmin(np.hypot(*(ends[own] - middle).T))]
    return pulls[first][0], pulls[last][1], own.size


def _by_passes(time, latitude, longitude, place, height, lines):
    """The hill between two lines by every ride over it; None if they are too near or too few."""
    try:
        places = {"latitude_deg": latitude, "longitude_deg": longitude}
        found = line_passes(time, **places, start_deg=lines[0], marker_deg=lines[1])
    except ValueError:
        return None
    passes = {"enter_s": found.enter_s, "leave_s": found.leave_s}
    level = logged_length(time, *place, **passes)
    grade = logged_grade(time, *place, height, direction=found.direction, **passes)
    if level is None or (grade is not None and grade.value <= 0):
        return None
    return ProposedHill(
        rides=int((found.direction > 0).sum()),
        start_deg=lines[0],
        marker_deg=lines[1],
        # Along the road, of what was ridden over level ground.
        length_m=level.scaled(float(np.hypot(1.0, grade.value)) if grade else 1.0),
        grade=grade,
    )


def _by_straight(latitude, longitude, place, height, rides):
    """The steepest straight of the rides, as far as elevations tell."""
    best = None
    for rows in rides:
        way = _way(place, rows)
        for first in range(rows.size):
            last = int(np.searchsorted(way, way[first] + _STRAIGHT_M))
            if last >= rows.size:
                break
            begin, end = rows[first], rows[last]
            chord, length = np.hypot(*(place[:, end] - place[:, begin])), way[last] - way[first]
            slope = (height[end] - height[begin]) / length
            straight = chord > _STRAIGHT * length and _GRADES[0] <= slope <= _GRADES[1]
            if straight and (best is None or slope > best[0]):
                best = slope, length, begin, end
    if best is None:
        return None
    slope, length, begin, end = best
    start, marker = ((float(latitude[at]), float(longitude[at])) for at in (begin, end))
    grade = Measured(float(slope), float(_END_M / length)).interval
    return ProposedHill(
        rides=1,
        start_deg=start,
        marker_deg=marker,
        length_m=Measured(float(length), float(_END_M)).interval,
        grade=replace(grade, low=max(grade.low, 0.0)),
    )
