"""What a track says of runs: when lines were passed, the hill's grade and length, rough speeds.

Runs are found by places (:func:`line_passes`) or, in a log without any, by throttle or speed over
the hill's length (:func:`runs_by_length`), or by how engine speed climbs (:func:`runs_by_pulls`).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import require
from tuninglib.interval import Interval
from tuninglib.physics.track import complete_rows, local_metres
from tuninglib.statistics.end_speeds import WAY_STEP_S
from tuninglib.statistics.repeats import mean_interval
from tuninglib.statistics.settled_gauge import FULL_THROTTLE


@dataclass(frozen=True, kw_only=True)
class LinePasses:
    """Runs between two lines, in the order ridden; all arrays count the runs.

    Parameters
    ----------
    direction : array of int
        +1 from the start line to the marker, -1 back.
    enter_s, leave_s : array
        When the first and the second line were passed. [s]
    position_sd_m : float
        Error of one position, along the road as across it. [m]
    enter_gap_s, leave_gap_s : array
        How long nothing was logged where that line was passed; 0 where it was seen. Then the time
        is the end of the gap at the first line, and its begin at the second. [s]
    """

    direction: np.ndarray
    enter_s: np.ndarray
    leave_s: np.ndarray
    position_sd_m: float
    enter_gap_s: np.ndarray
    leave_gap_s: np.ndarray


# Rows so near in time to a pass tell when it was; passes closer to each other are one; slower or
# with a longer pause a line is not passed but stood at.
_AROUND_S, _ONE_PASS_S, _SLOWEST_M_S, _LONGEST_STEP_S = 2.0, 4.0, 2.0, 5.0
# No receiver has more rows in those seconds; so many to either side are looked at.
_MOST_AROUND = 500
_WIDEST_TURN = np.deg2rad(60)
# So far aside of its place a line still counts as passed. The usual error of a position, and what
# it is worth beside the scatter across the road that passes show, in degrees of freedom.
_REACH_M, _POSITION_SD_M, _POSITION_DOF = 30.0, 3.0, 4.0


def line_passes(
    time_s: ArrayLike,
    *,
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    start_deg: tuple[float, ...],
    marker_deg: tuple[float, ...],
) -> LinePasses:
    """Runs between two places, up and down.

    Parameters
    ----------
    time_s : array
        Rising. [s]
    latitude_deg, longitude_deg : array
        NaN where there is none. [deg]
    start_deg, marker_deg : tuple of float
        Latitude and longitude of the start line and of the marker. [deg]

    Returns
    -------
    LinePasses
        Empty arrays if there are none.

    Raises
    ------
    ValueError
        If the two places are closer to each other than 60 m.

    Notes
    -----
    A line is at right angles to the way ridden, through its place. When it was passed follows from
    a straight line through the way along that heading over two seconds to both sides. In a gap of
    more than five seconds it was passed if the straight way over the gap passes it. A run is a
    pass of one line and then of the other with none in between; passes whose heading is 60 degrees
    or more from that of most of their like are left out.

    Examples
    --------
    One ride east at 10 m/s, 300 m between the lines:

    >>> import numpy as np
    >>> time = np.arange(0.0, 60.0)
    >>> found = line_passes(
    ...     time, latitude_deg=np.zeros(60), longitude_deg=(10 * time - 150) / 111319.49,
    ...     start_deg=(0.0, 0.0), marker_deg=(0.0, 300 / 111319.49))
    >>> found.direction, found.enter_s, found.leave_s
    (array([1]), array([15.]), array([45.]))
    """
    time, latitude, longitude = complete_rows(time_s, latitude_deg, longitude_deg)
    _require_apart(start_deg, marker_deg)
    gates = []
    for place in (start_deg, marker_deg):
        metres = np.stack(local_metres(latitude, longitude, origin_deg=place))
        seen = [(*one, one[0], one[0]) for one in _passes(time, metres)]
        gates.append(seen + _unseen(time, metres, [one[0] for one in seen]))
    return _between(gates)


def _require_apart(start_deg, marker_deg) -> None:
    """Refuse two lines that one place could pass at once."""
    apart, least_m = float(np.hypot(*local_metres(*marker_deg, origin_deg=start_deg))), 2 * _REACH_M
    if apart < least_m:
        said = f"start and marker are {apart:.0f} m apart but must be at least {least_m:.0f} m"
        raise ValueError(f"{said}; check their coordinates")


def _between(gates) -> LinePasses:
    """Runs from the passes of the two lines: one and then the other, ridden the usual way."""
    # One list of passes in the order of time; a run is where the line changes from one to the next,
    # so that a second pass of the same line, after a turn short of the other, begins anew.
    line = np.repeat([0, 1], [len(gate) for gate in gates])
    rows = np.concatenate([np.reshape(gate, (-1, 6)) for gate in gates])
    order = np.argsort(rows[:, 0], kind="stable")
    rows, line = rows[order], line[order]
    aside, heading, (before, after) = rows[:, 1], rows[:, 2:4], rows[:, 4:].T
    first = np.flatnonzero(np.diff(line))
    direction = np.diff(line)[first]
    kept = np.ones(first.size, dtype=bool)
    # Up and down have headings of their own, and so has each line, since a road may bend.
    for one in (1, -1):
        own = np.flatnonzero(direction == one)
        for end in (0, 1):
            kept[own] &= _same_way(heading[first[own] + end])
    first, direction = first[kept], direction[kept]
    return LinePasses(
        direction=direction,
        enter_s=after[first],
        leave_s=before[first + 1],
        position_sd_m=_position_sd(aside, direction, first),
        enter_gap_s=(after - before)[first],
        leave_gap_s=(after - before)[first + 1],
    )


def _passes(time, place):
    """Time, offset across the way and heading (two numbers) of each pass of one line."""
    found: list[tuple] = []
    # Only what is near can pass; a long ride elsewhere costs nothing.
    near = np.flatnonzero(np.hypot(*place) < _REACH_M + 200.0)
    for stretch in np.split(near, np.flatnonzero(np.diff(near) > 1) + 1):
        if stretch.size < 3:
            continue
        for at, across, *heading in _crossings(time[stretch], place[:, stretch]):
            if abs(across) < _REACH_M and not (found and at - found[-1][0] < _ONE_PASS_S):
                found.append((at, across, *heading))
    return found


def _crossings(t, place):
    """Passes by each row's own line through its neighbours; one pass is seen by several rows."""
    step = np.diff(t)
    middle = t[1:] - step / 2
    around = np.maximum(_AROUND_S, 1.1 * step)
    row = np.arange(1, t.size)
    low = np.maximum(np.searchsorted(t, middle - around), row - _MOST_AROUND)
    high = np.minimum(np.searchsorted(t, middle + around, side="right"), row + _MOST_AROUND)
    own = np.flatnonzero((step <= _LONGEST_STEP_S) & (high - low >= 2))
    low, high, middle, step = low[own], high[own], middle[own], step[own]
    # Sums over the rows from low to high, which overlap: every second one of these. From the first
    # row on, so that the squares of times stay small beside what they differ by.
    t, origin = np.append(t, t[-1]) - t[0], t[0]
    place = np.append(place, place[:, -1:], axis=1)
    pairs = np.stack([low, high], axis=1).ravel()

    def mean(values):
        return np.add.reduceat(values, pairs)[::2] / (high - low)

    if own.size == 0:
        return np.zeros((0, 4))
    # Least squares of both coordinates over time: the way is straight for a few seconds.
    u, (x, y) = mean(t), map(mean, place)
    squares = mean(t * t) - u * u
    velocity = np.stack([mean(t * one) - u * m for one, m in zip(place, (x, y), strict=True)])
    velocity /= np.maximum(squares, 1e-12)
    speed = np.hypot(*velocity)
    moved = speed >= _SLOWEST_M_S
    heading = velocity / np.where(moved, speed, 1.0)
    # How far before the line the middle was, along the heading, at that speed.
    at = u + origin - (heading[0] * x + heading[1] * y) / np.where(moved, speed, 1.0)
    # Half a step more to either side, so that no pass is missed between two rows.
    seen = moved & (middle - step < at) & (at <= middle + step)
    across = heading[0] * y - heading[1] * x
    return np.stack([at, across, *heading], axis=1)[seen].tolist()


# A road bends: so much of a gap's way it may pass farther aside.
_BENDS = 0.15


def _unseen(time, place, seen):
    """As :func:`_passes`, of gaps, with begin and end of each; how far aside, nobody knows."""
    found = []
    seen = np.array([-np.inf, *seen, np.inf])
    for row in np.flatnonzero(np.diff(time) > _LONGEST_STEP_S):
        begin, end = time[row], time[row + 1]
        chord = place[:, row + 1] - place[:, row]
        length = float(np.hypot(*chord))
        if length < _SLOWEST_M_S * (end - begin):
            continue
        heading = chord / length
        along = -float(heading @ place[:, row])
        aside = float(heading[0] * place[1, row] - heading[1] * place[0, row])
        # A row at the edge of the gap may have told it already.
        known = seen[np.searchsorted(seen, begin - _ONE_PASS_S, side="right")] < end + _ONE_PASS_S
        if 0 < along <= length and abs(aside) < _REACH_M + _BENDS * length and not known:
            found.append((begin + along / length * (end - begin), np.nan, *heading, begin, end))
    return found


def _same_way(heading):
    """Whether each heading is that of most of its like."""
    if len(heading) < 3:
        return np.ones(len(heading), dtype=bool)
    # Of each how many lie within the turn, on the circle of headings laid out three times.
    angle = np.arctan2(*heading.T)
    around = np.sort(np.concatenate([angle + turn for turn in (-2 * np.pi, 0.0, 2 * np.pi)]))
    low, high = (np.searchsorted(around, angle + turn) for turn in (-_WIDEST_TURN, _WIDEST_TURN))
    return heading @ heading[np.argmax(high - low)] > np.cos(_WIDEST_TURN)


def _position_sd(aside, direction, first) -> float:
    """Error of a position: the usual one, joined with how far passes lie from each other."""
    # Pooled as variances are. Rides of one direction keep to one side of the road, so that what
    # differs from pass to pass across the way is mostly the receiver's error.
    squares, dof = _POSITION_DOF * _POSITION_SD_M**2, _POSITION_DOF
    for one in (1, -1):
        for end in (0, 1):
            own = aside[first[direction == one] + end]
            own = own[np.isfinite(own)]
            if own.size > 1:
                squares += ((own - own.mean()) ** 2).sum()
                dof += own.size - 1
    return float(np.sqrt(squares / dof))


# A pull gains at least this over the hill and never falls by this much on it; where it begins,
# speed is fitted by two straight lines over so long before and after.
_LEAST_GAIN_M_S, _MOST_FALL_M_S, _BEND_S = 1.0, 0.8, 5.0
# How far the entry speed may differ from run to run.
_WITHIN_M_S = 2.5
# Errors of a logged speed last about this long: so many seconds are one reading.
_READING_S, _SMOOTH_S = 1.0, 1.0
# How well a rider opens the throttle at the start line (standard deviation, ours), and how much of
# the way it must be open.
OPENS_WITHIN_S, _FULL_SHARE = 0.3, 0.8


def runs_by_length(
    time_s: ArrayLike,
    speed_m_s: ArrayLike,
    *,
    length_m: float,
    entry_speed_m_s: float | None = None,
    throttle_ratio: ArrayLike | None = None,
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
    logged = [] if throttle_ratio is None else [throttle_ratio]
    time, v, *throttle = complete_rows(time_s, speed_m_s, *logged)
    length = float(require(length_m, "length of the hill", "m", above=0))
    if time.size < 10 or (not throttle and entry_speed_m_s is None):
        return _runs_up([])
    # The way by the trapezium rule; an error of the speed's scale is one of the hill's length.
    way = np.concatenate([[0.0], np.cumsum(np.diff(time) * (v[1:] + v[:-1]) / 2)])
    if throttle:
        begins = _by_throttle(time, throttle[0], way, length)
    else:
        begins = _by_pattern(time, _smoothed(time, v), way, length, entry_speed_m_s)
    found, last = [], -np.inf
    for at, sd in begins:
        begun, entry = np.interp(at, time, way), np.interp(at, time, v)
        usual = entry_speed_m_s is None or abs(entry - entry_speed_m_s) <= _WITHIN_M_S
        if begun >= last and begun + length <= way[-1] and usual:
            found.append((at, float(np.interp(begun + length, way, time)), sd * entry))
            last = begun + length
    return _runs_up(found)


def _runs_up(found) -> LinePasses:
    """Runs of which begin, end and error of the beginning are known. [s], [s], [m]"""
    enter, leave, sds = np.array(found, dtype=float).reshape(-1, 3).T
    return LinePasses(
        direction=np.ones(enter.size, dtype=int),
        enter_s=enter,
        leave_s=leave,
        position_sd_m=float(np.sqrt(np.mean(sds**2))) if sds.size else np.nan,
        enter_gap_s=np.zeros(enter.size),
        leave_gap_s=np.zeros(enter.size),
    )


def _by_throttle(time, throttle, way, length):
    """When the throttle was opened and then stayed open over most of the way, each with its sd."""
    full = throttle >= FULL_THROTTLE
    count = np.concatenate([[0], np.cumsum(full)])
    for row in np.flatnonzero(full[1:] & ~full[:-1]) + 1:
        end = np.searchsorted(way, way[row] + length)
        if end >= time.size or count[end] - count[row] < _FULL_SHARE * (end - row):
            continue
        # Back to where it began to open: half of that travel is the moment of opening.
        before = row - 1
        while before > 0 and throttle[before - 1] < throttle[before]:
            before -= 1
        half = (throttle[before] + throttle[row]) / 2
        span = slice(before, row + 1)
        at = float(np.interp(half, throttle[span], time[span]))
        # Within a row's time it is uniform, with the standard deviation of a step over root 12.
        yield at, np.hypot((time[row] - time[row - 1]) / np.sqrt(12), OPENS_WITHIN_S)


def _smoothed(time, v):
    """Running mean over a second."""
    low, high = (np.searchsorted(time, time + shift) for shift in (-_SMOOTH_S / 2, _SMOOTH_S / 2))
    total = np.concatenate([[0.0], np.cumsum(v)])
    return (total[high] - total[low]) / (high - low)


def _by_pattern(time, v, way, length, wanted):
    """Where a pull from about the entry speed over the length began, each with its sd."""
    end = np.searchsorted(way, way + length)
    here = np.flatnonzero((np.abs(v - wanted) <= _WITHIN_M_S) & (end < time.size))
    here = here[v[end[here]] - v[here] >= _LEAST_GAIN_M_S]
    if here.size == 0:
        return
    # Lowest speed from each candidate to its end, all at once: every second stretch is one.
    least = np.minimum.reduceat(v, np.stack([here, end[here]], axis=1).ravel())[::2]
    here = here[least >= v[here] - _MOST_FALL_M_S]
    if here.size == 0:
        return
    for rows in np.split(here, np.flatnonzero(np.diff(time[here]) > _BEND_S) + 1):
        at, sd = _bend(time, v, rows)
        if np.isfinite(at):
            yield at, np.hypot(sd, OPENS_WITHIN_S)


def _bend(time, v, rows, wide=_BEND_S):
    """Where two straight lines through the speed meet, and how well that is known."""
    low, high = np.searchsorted(time, [time[rows[0]] - wide, time[rows[-1]] + wide])
    t, y = time[low:high], v[low:high]
    places = np.arange(time[rows[0]] - 2.0, time[rows[-1]] + 2.0, 0.1)
    places = places[(places > t[0] + 1) & (places < t[-1] - 1)]
    if places.size == 0 or t.size < 6:
        return np.nan, np.nan
    squares, counts = np.full(places.size, np.inf), np.ones(places.size)
    for number, place in enumerate(places):
        near = np.abs(t - place) <= wide
        u, target = t[near] - place, y[near]
        design = np.stack([np.ones(u.size), np.minimum(u, 0), np.maximum(u, 0)], axis=1)
        found, *_ = np.linalg.lstsq(design, target, rcond=None)
        if found[2] > found[1] + 0.05:
            squares[number] = ((target - design @ found) ** 2).mean()
            counts[number] = np.ptp(u) / _READING_S
    if not np.isfinite(squares).any():
        return np.nan, np.nan
    # Instead of the best place alone, all places by their likelihood exp(-squares / 2 noise), with
    # one reading a second; three of them go into the lines, so that at least four are needed. The
    # grid of 0.1 s adds its own twelfth.
    best = np.argmin(squares)
    readings = max(counts[best], 4.0)
    noise = squares[best] * readings / (readings - 3) + 1e-4
    weight = np.exp(-(squares - squares[best]) * readings / (2 * noise))
    weight /= weight.sum()
    at = weight @ places
    return float(at), float(np.sqrt(weight @ (places - at) ** 2 + 0.1**2 / 12))


# A pull in one gear climbs by this share at least, over so many seconds; with a longer pause in
# what is known nobody can tell what was between.
_LEAST_CLIMB, _SHORTEST_PULL_S, _LONGEST_PAUSE_S = 1.08, 4.0, 1.0
# It began where its slope falls below this share of what it climbed by from there to its end.
_SLOPE_SHARE = 0.25
# Engine speed comes so often and so well that the straight lines through it may be short, which
# a pull that fades bends less. [s]
_SHORT_BEND_S = 2.5
# A pull that follows on a fall begins at the lowest value, known to this (ours). [m/s2], [s]
_FALLS_M_S2, _AFTER_FALL_S = 0.3, 0.15
# Pulls from line to line take about as many turns as most of their like.
_TURNS_ALIKE = 0.12
# How long after the marker engine speed is highest, since hands are late rather than early
# (standard deviation of a run, and of what all runs of a rider have in common; ours). [s]
_SHUTS_AFTER_S, _SHUTS_WITHIN_S, _ALL_LATE_S = 0.1, 0.25, 0.15


@dataclass(frozen=True, kw_only=True)
class PullRuns:
    """Pulls that went from the start line to the marker in one gear.

    Parameters
    ----------
    lines : LinePasses
        Runs up alone.
    metres_per_turn : float
        Of the crank: the hill's length over the turns that it took. [m]
    relative_sd : float
        Of that, when the throttle opens and shuts; the length's own error aside. [-]
    rows : array of int
        Which of the ends these runs are: the others took another number of turns.
    """

    lines: LinePasses
    metres_per_turn: float
    relative_sd: float
    rows: np.ndarray


def pulls(time_s: ArrayLike, engine_speed_rpm: ArrayLike) -> np.ndarray:
    """Pulls in one gear, by engine speed alone: where a climb begins and where it ends at once.

    Parameters
    ----------
    time_s, engine_speed_rpm : array
        Rising times; NaN where no engine speed is known. [s], [1/min]

    Returns
    -------
    array, pulls by 3
        Begin, its standard deviation, and end. [s]

    Notes
    -----
    The begin is where two straight lines through the engine speed meet; the end is its highest
    value, after which it falls because the throttle is shut or the gear changed.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 40.0, 0.05)
    >>> speed = np.interp(time, [0, 10, 30, 32, 40], [5000, 5000, 7000, 5000, 5000])
    >>> pulls(time, speed)[:, [0, 2]].round()
    array([[10., 30.]])
    """
    time, rpm = complete_rows(time_s, engine_speed_rpm)
    found = []
    pauses = np.flatnonzero(np.diff(time) > _LONGEST_PAUSE_S) + 1
    for rows in np.split(np.arange(time.size), pauses):
        t = time[rows]
        if not rows.size or t[-1] - t[0] < _SHORTEST_PULL_S:
            continue
        # In the unit for which the bend was made: about a speed in m/s.
        v = _smoothed(t, 20.0 * rpm[rows] / rpm[rows].max())
        ahead, back = (np.interp(t + shift, t, v) for shift in (0.5, -0.5))
        slope, last = ahead - back, -np.inf
        later = np.interp(t + 2.0, t, v)
        for peak in np.flatnonzero((slope[:-1] > 0) & (slope[1:] <= 0)) + 1:
            if later[peak] > 0.99 * v[peak] or t[peak] + 1.0 > t[-1]:
                continue
            begin = int(np.searchsorted(t, t[peak] - 1.0))
            while begin > 0 and slope[begin] > _SLOPE_SHARE * (v[peak] - v[begin]) / (
                t[peak] - t[begin]
            ):
                begin -= 1
            if t[peak] - t[begin] < _SHORTEST_PULL_S or v[peak] < _LEAST_CLIMB * v[begin]:
                continue
            around = np.flatnonzero(np.abs(t - t[begin]) <= 1.0)
            if slope[around[t[around] <= t[begin]]].min() < -_FALLS_M_S2:
                # After a change of gear, or a throttle that was shut, there is no line before it.
                at, sd = t[around[np.argmin(rpm[rows][around])]], _AFTER_FALL_S
            else:
                at, sd = _bend(t, v, around, _SHORT_BEND_S)
            near = np.flatnonzero(np.abs(t - t[peak]) <= 1.0)
            end = t[near[np.argmax(rpm[rows][near])]]
            if np.isfinite(at) and at >= last:
                found.append((at, sd, end))
                last = end
    return np.array(found, dtype=float).reshape(-1, 3)


# Gears are apart by more than this logarithm; a change takes less than a second (ours).
_GEARS_APART, _CHANGED_S = 0.12, 0.8


def gear_changes(time_s: ArrayLike, engine_speed_rpm: ArrayLike) -> tuple[float, ...]:
    """When engine speed stepped, to the middle of each step.

    Parameters
    ----------
    time_s, engine_speed_rpm : array
        As of :func:`pulls`.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 20.0, 0.05)
    >>> [round(at, 1) for at in gear_changes(time, np.where(time < 8, 7000.0, 5400.0))]
    [8.0]
    """
    time, rpm = complete_rows(time_s, engine_speed_rpm)
    if time.size < 4:
        return ()
    log = np.log(rpm)
    ahead, back = (
        np.interp(time + shift, time, log) for shift in (_CHANGED_S / 2, -_CHANGED_S / 2)
    )
    step = np.abs(ahead - back)
    rows = np.flatnonzero(step > _GEARS_APART)
    groups = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if rows.size else []
    return tuple(float(time[own[step[own] > 0.95 * step[own].max()]].mean()) for own in groups)


# A hand at the horn is so near to the line (standard deviation; ours). [s]
_MARKED_WITHIN_S = 0.3


def pull_ends(
    time_s: ArrayLike, engine_speed_rpm: ArrayLike, marks: Sequence[tuple[float, float]] = ()
) -> np.ndarray:
    """Where runs begin and end in one recording: at its marks, or else where its pulls do.

    Parameters
    ----------
    time_s, engine_speed_rpm : array
        As of :func:`pulls`.
    marks : sequence of (float, float)
        When start line and marker were passed, by whoever was there. [s]

    Returns
    -------
    array, runs by 4
        Begin and its standard deviation, end and its; NaN for the two standard deviations where the
        engine is not heard all the way, or the gear is changed on it. [s]

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 40.0, 0.05)
    >>> speed = np.interp(time, [0, 10, 30, 32, 40], [5000, 5000, 7000, 5000, 5000])
    >>> pull_ends(time, speed, [(9.0, 28.0), (33.0, 50.0)]).tolist()
    [[9.0, 0.3, 28.0, 0.3], [33.0, nan, 50.0, nan]]
    """
    if not len(marks):
        begin, sd, end = pulls(time_s, engine_speed_rpm).T
        sd = np.hypot(sd, OPENS_WITHIN_S)
        return np.stack([begin, sd, end - _SHUTS_AFTER_S, np.full(sd.size, _SHUTS_WITHIN_S)], 1)
    time, _ = complete_rows(time_s, engine_speed_rpm)
    changes, found = np.array(gear_changes(time_s, engine_speed_rpm)), []
    for begin, end in marks:
        seen = np.concatenate([[begin], time[(time > begin) & (time < end)], [end]])
        whole = np.diff(seen).max() < _LONGEST_PAUSE_S
        whole &= not np.any((changes > begin) & (changes < end))
        sd = _MARKED_WITHIN_S if whole else np.nan
        found.append((begin, sd, end, sd))
    return np.array(found)


def runs_by_pulls(
    time_s: ArrayLike,
    engine_speed_rpm: ArrayLike,
    *,
    length_m: float,
    ends: ArrayLike | None = None,
) -> PullRuns:
    """Runs from pulls that went from line to line in one gear, and what a turn of the crank is.

    Parameters
    ----------
    time_s, engine_speed_rpm : array
        Rising times; NaN where no engine speed is known. [s], [1/min]
    length_m : float
        From the start line to the marker. [m]
    ends : array, runs by 4, optional
        As of :func:`pull_ends`; left out: of all pulls.

    Returns
    -------
    PullRuns
        ``metres_per_turn`` is NaN without a pull.

    Notes
    -----
    In one gear the way is as many turns of the crank for every run, so that the mean over the runs
    is the hill's length and what a run differs by is when its throttle was opened and shut: its two
    ends are moved, each by its share of the variance, until it is as long as the hill.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 40.0, 0.05)
    >>> speed = np.interp(time, [0, 10, 30, 32, 40], [5000, 5000, 7000, 5000, 5000])
    >>> found = runs_by_pulls(time, speed, length_m=300.0)
    >>> bool(abs(found.metres_per_turn - 300 / (20 * 100)) < 0.002)
    True
    """
    length = float(require(length_m, "length of the hill", "m", above=0))
    time, rpm = complete_rows(time_s, engine_speed_rpm)
    ends = pull_ends(time, rpm) if ends is None else np.asarray(ends, dtype=float).reshape(-1, 4)
    begin, opened_sd, end, shut_sd = ends.T
    turns = np.concatenate([[0.0], np.cumsum(np.diff(time) * (rpm[1:] + rpm[:-1]) / 120)])
    taken = np.interp(end, time, turns) - np.interp(begin, time, turns)
    if not taken.size:
        none = np.zeros(0, dtype=int)
        return PullRuns(lines=_runs_up([]), metres_per_turn=np.nan, relative_sd=np.nan, rows=none)
    alike = np.abs(taken / np.median(taken) - 1) < _TURNS_ALIKE
    begin, opened_sd, end, shut_sd, taken = (
        one[alike] for one in (begin, opened_sd, end, shut_sd, taken)
    )
    per_second = np.stack([np.interp(one, time, rpm) / 60 for one in (begin, end)])
    # Errors of both ends in turns.
    errors = per_second * [opened_sd, shut_sd]
    mean = taken.mean()
    variances = errors**2
    off = variances / variances.sum(0) * (mean - taken) / per_second
    own = variances.sum(0).mean()
    if taken.size > 2:
        own = max(own, taken.var(ddof=1))
    late = (_ALL_LATE_S * per_second[1].mean()) ** 2
    per_turn = length / mean
    left = per_turn * np.sqrt(variances.prod(0) / variances.sum(0) + own / taken.size)
    lines = _runs_up(np.stack([begin - off[0], end + off[1], left], axis=1))
    sd_turns = np.sqrt(own / taken.size + late)
    return PullRuns(
        lines=lines,
        metres_per_turn=per_turn,
        relative_sd=float(sd_turns / mean),
        rows=np.flatnonzero(alike),
    )


_FEWEST_PASSES, _FEWEST_SECONDS = 3, 6
# Scales of elevations and ways are taken to be right to this share (ours).
_SCALE_SD = 0.01


def logged_grade(
    time_s: np.ndarray,
    east_m: np.ndarray,
    north_m: np.ndarray,
    elevation_m: np.ndarray,
    *,
    enter_s: ArrayLike,
    leave_s: ArrayLike,
    direction: ArrayLike,
) -> Interval | None:
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
    ways = _way_of_each(time_s, (east_m, north_m, elevation_m), enter_s, leave_s)
    return _mean_of_passes(
        up * np.polyfit(way, columns[2], 1)[0]
        for (_, way, columns), up in zip(ways, direction, strict=True)
        if way is not None
    )


def logged_length(
    time_s: np.ndarray,
    east_m: np.ndarray,
    north_m: np.ndarray,
    *,
    enter_s: ArrayLike,
    leave_s: ArrayLike,
) -> Interval | None:
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
    ways = _way_of_each(time_s, (east_m, north_m), enter_s, leave_s)
    return _mean_of_passes(
        way[-1] * (end - begin) / (time[-1] - time[0])
        for (time, way, _), begin, end in zip(ways, enter_s, leave_s, strict=True)
        if way is not None
    )


def _way_of_each(time_s, columns, enter_s, leave_s):
    """Time, way and columns of each pass, a row a second; None for the way where it is short."""
    time, *columns = complete_rows(time_s, *columns)
    for begin, end in zip(enter_s, leave_s, strict=True):
        rows = np.flatnonzero((time >= begin) & (time <= end))
        # The first row of each second alone.
        _, first = np.unique(np.floor((time[rows] - begin) / WAY_STEP_S), return_index=True)
        rows = rows[first]
        own = [one[rows] for one in columns]
        way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(own[0]), np.diff(own[1])))])
        enough = rows.size >= _FEWEST_SECONDS and way[-1] > 0
        yield time[rows], way if enough else None, own


def _mean_of_passes(values) -> Interval | None:
    """Mean over passes with what their scatter and one per cent of scale say of it."""
    values = list(values)
    if len(values) < _FEWEST_PASSES:
        return None
    found = mean_interval(values)
    # The scatter of passes and an error of scale that all of them share; 1.96 for 95 % of a normal.
    half = float(np.hypot(found.half_width, 1.96 * _SCALE_SD * found.value))
    return Interval(found.value, found.value - half, found.value + half)


# A speed is made of positions so far apart: nearer, their quick error is most of it.
_CHORD_S = 2.0


def speed_of_way(
    time_s: ArrayLike, east_m: ArrayLike, north_m: ArrayLike
) -> tuple[np.ndarray, np.ndarray]:
    """Speed by positions two seconds apart, good enough to tell one part of a ride from another.

    Parameters
    ----------
    time_s, east_m, north_m : array
        Rising times; NaN where there is no position. [s], [m]

    Returns
    -------
    time_s, speed_m_s : array

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(7.0)
    >>> speed_of_way(time, 3 * time, 4 * time)
    (array([1., 2., 3., 4., 5.]), array([5., 5., 5., 5., 5.]))
    """
    rows = complete_rows(time_s, east_m, north_m)
    time, place = rows[0], rows[1:]
    if time.size < 3:
        return np.zeros(0), np.zeros(0)
    # The next row, where rows are farther apart; a second's row may come a little late.
    reach = max(1.25 * _CHORD_S / 2, 1.1 * float(np.median(np.diff(time))))
    before = np.searchsorted(time, time - reach, side="left")
    after = np.searchsorted(time, time + reach, side="right") - 1
    # A row at an end, or beside a gap, has nothing on one side.
    fits = np.minimum(time - time[before], time[after] - time) > _CHORD_S / 4
    before, after = before[fits], after[fits]
    way = np.hypot(*(place[:, after] - place[:, before]))
    return time[fits], way / (time[after] - time[before])
