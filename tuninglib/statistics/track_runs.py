"""What a track says of runs: when lines were passed, the speeds there, the hill, and two clocks.

Runs are found by places (:func:`line_passes`) or, in a log without any, by throttle or speed over
the hill's length (:func:`runs_by_length`).
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import require
from tuninglib.interval import Interval
from tuninglib.physics.track import local_metres
from tuninglib.statistics.repeats import mean_interval, t_quantile
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


@dataclass(frozen=True, kw_only=True)
class EndSpeeds:
    """Speeds at the two lines; arrays count the runs, NaN where too little was logged.

    Parameters
    ----------
    entry_m_s, exit_m_s : array
        [m/s]
    entry_sd_m_s, exit_sd_m_s : array
        That of the line's place included. [m/s]
    noise_sd : float
        Of one logged value about the smooth course: a speed [m/s], or a way [m].
    """

    entry_m_s: np.ndarray
    exit_m_s: np.ndarray
    entry_sd_m_s: np.ndarray
    exit_sd_m_s: np.ndarray
    noise_sd: float


@dataclass(frozen=True, kw_only=True)
class ClockShift:
    """What to add to the second log's times to have the first one's.

    Parameters
    ----------
    shift_s : Interval or None
        None where it cannot be told. [s]
    likeness : float
        Correlation of the two at the best shift.
    why_not : str
        ``"short"``: less than a minute in common; ``"unlike"``: nothing in one looks like the
        other; ``"twins"``: two shifts fit about as well; empty where it was found.
    """

    shift_s: Interval | None
    likeness: float
    why_not: str


# Rows so near in time to a pass tell when it was; passes closer to each other are one; slower or
# with a longer pause a line is not passed but stood at.
_AROUND_S, _ONE_PASS_S, _SLOWEST_M_S, _LONGEST_STEP_S = 2.0, 4.0, 2.0, 5.0
_WIDEST_TURN = np.cos(np.deg2rad(60))
# What a stated error of positions is worth beside the passes, in degrees of freedom.
_POSITION_DOF = 4.0


def line_passes(
    time_s: ArrayLike,
    *,
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    start_deg: tuple[float, ...],
    marker_deg: tuple[float, ...],
    reach_m: float = 30.0,
    position_sd_m: float = 3.0,
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
    reach_m : float
        How far aside of its place a line still counts as passed. [m]
    position_sd_m : float
        Usual error of a position, joined with the scatter across the road that passes show. [m]

    Returns
    -------
    LinePasses
        Empty arrays if there are none.

    Raises
    ------
    ValueError
        If the two places are closer to each other than twice the reach.

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
    require(reach_m, what="reach of a line", unit="m", above=0)
    require(position_sd_m, what="error of positions", unit="m", above=0)
    time, latitude, longitude = (
        np.asarray(one, dtype=float) for one in (time_s, latitude_deg, longitude_deg)
    )
    known = np.isfinite(latitude) & np.isfinite(longitude)
    time, latitude, longitude = time[known], latitude[known], longitude[known]
    _require_apart(start_deg, marker_deg, 2 * reach_m)
    gates = []
    for place in (start_deg, marker_deg):
        metres = np.stack(local_metres(latitude, longitude, origin_deg=place))
        seen = [(*one, one[0], one[0]) for one in _passes(time, metres, reach_m)]
        gates.append(seen + _unseen(time, metres, reach_m, [one[0] for one in seen]))
    return _between(gates, position_sd_m)


def _require_apart(start_deg, marker_deg, least_m) -> None:
    """Refuse two lines that one place could pass at once."""
    apart = float(np.hypot(*local_metres(*marker_deg, origin_deg=start_deg)))
    if apart < least_m:
        raise ValueError(
            f"start and marker are {apart:.0f} m apart but must be at least {least_m:.0f} m; "
            "check their coordinates"
        )


def _between(gates, position_sd_m) -> LinePasses:
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
        position_sd_m=_position_sd(aside, direction, first, position_sd_m),
        enter_gap_s=(after - before)[first],
        leave_gap_s=(after - before)[first + 1],
    )


def _passes(time, place, reach):
    """Time, offset across the way and heading (two numbers) of each pass of one line."""
    found: list[tuple] = []
    if time.size < 3:
        return found
    distance = np.hypot(*place)
    # Only what is near can pass; a long ride elsewhere costs nothing.
    near = np.flatnonzero(distance < reach + 200.0)
    for stretch in np.split(near, np.flatnonzero(np.diff(near) > 1) + 1):
        if stretch.size < 3:
            continue
        t, (x, y) = time[stretch], place[:, stretch]
        for row in range(1, stretch.size):
            if t[row] - t[row - 1] > _LONGEST_STEP_S:
                continue
            own = np.abs(t - (t[row] + t[row - 1]) / 2) <= max(
                _AROUND_S, 1.1 * (t[row] - t[row - 1])
            )
            if np.count_nonzero(own) < 2:
                continue
            # Least squares of both coordinates over time: the way is straight for a few seconds.
            u = t[own] - t[own].mean()
            step = np.array([u @ x[own], u @ y[own]]) / (u @ u)
            speed = np.hypot(*step)
            if speed < _SLOWEST_M_S:
                continue
            heading = step / speed
            # How far before the line the middle was, along the heading, at that speed.
            middle = heading @ [x[own].mean(), y[own].mean()]
            at = t[own].mean() - middle / speed
            # Each row has its own line through its neighbours: half a step more, so that none is
            # missed between two.
            slack = (t[row] - t[row - 1]) / 2
            if not t[row - 1] - slack < at <= t[row] + slack:
                continue
            across = float(heading[0] * y[own].mean() - heading[1] * x[own].mean())
            if abs(across) < reach and not (found and at - found[-1][0] < _ONE_PASS_S):
                found.append((at, across, *heading))
    return found


# A road bends: so much of a gap's way it may pass farther aside.
_BENDS = 0.15


def _unseen(time, place, reach, seen):
    """As :func:`_passes`, of gaps, with begin and end of each; how far aside, nobody knows."""
    found = []
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
        known = any(begin - _ONE_PASS_S < one < end + _ONE_PASS_S for one in seen)
        if 0 < along <= length and abs(aside) < reach + _BENDS * length and not known:
            found.append((begin + along / length * (end - begin), np.nan, *heading, begin, end))
    return found


def _same_way(heading):
    """Whether each heading is that of most of its like."""
    if len(heading) < 3:
        return np.ones(len(heading), dtype=bool)
    agree = heading @ heading.T > _WIDEST_TURN
    return agree[np.argmax(agree.sum(1))]


def _position_sd(aside, direction, first, stated) -> float:
    """Error of a position: the stated one, joined with how far passes lie from each other."""
    # Pooled as variances are. Rides of one direction keep to one side of the road, so that what
    # differs from pass to pass across the way is mostly the receiver's error.
    squares, dof = _POSITION_DOF * stated**2, _POSITION_DOF
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
# Errors of a logged speed last about this long: so many seconds are one reading.
_READING_S, _SMOOTH_S = 1.0, 1.0
# How well a rider opens the throttle at the start line (standard deviation, ours), and how much of
# the way it must be open.
_OPENS_WITHIN_S, _FULL_SHARE = 0.3, 0.8


def runs_by_length(
    time_s: ArrayLike,
    speed_m_s: ArrayLike,
    *,
    length_m: float,
    entry_speed_m_s: float | None = None,
    within_m_s: float = 2.5,
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
    if time.size < 10 or (throttle is None and entry_speed_m_s is None):
        return _runs_up([])
    # The way by the trapezium rule; an error of the speed's scale is one of the hill's length.
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
    for row in np.flatnonzero(full[1:] & ~full[:-1]) + 1:
        end = np.searchsorted(way, way[row] + length)
        if end >= time.size or full[row:end].mean() < _FULL_SHARE:
            continue
        # Back to where it began to open: half of that travel is the moment of opening.
        before = row - 1
        while before > 0 and throttle[before - 1] < throttle[before]:
            before -= 1
        half = (throttle[before] + throttle[row]) / 2
        span = slice(before, row + 1)
        at = float(np.interp(half, throttle[span], time[span]))
        # Within a row's time it is uniform, with the standard deviation of a step over root 12.
        yield at, np.hypot((time[row] - time[row - 1]) / np.sqrt(12), _OPENS_WITHIN_S)


def _smoothed(time, v):
    """Running mean over a second."""
    low, high = (np.searchsorted(time, time + shift) for shift in (-_SMOOTH_S / 2, _SMOOTH_S / 2))
    total = np.concatenate([[0.0], np.cumsum(v)])
    return (total[high] - total[low]) / np.maximum(high - low, 1)


def _by_pattern(time, v, way, length, wanted, within):
    """Where a pull from about the entry speed over the length began, each with its sd."""
    end = np.searchsorted(way, way + length)
    here = np.flatnonzero((np.abs(v - wanted) <= within) & (end < time.size))
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


# On a run speed over time is smooth: so many terms hold it. Before the line two do over so many
# seconds where it is steady.
_TERMS, _TERMS_BEFORE, _BEFORE_S = 4, 2, 6.0
# Where a rider still gathers speed or eases off, the hand moves once or twice in that time: each
# time acceleration changes by about so much (standard deviation, ours), at places so far apart.
_MOVES, _MOVE_M_S2, _MOVE_STEP_S = 2, 1.0, 0.25
# Besides, acceleration wanders a little, or hardly: a Wiener process of one of these strengths
# [m/s² in the root of a second, ours].
_WANDERS = (0.02, 0.12)
# How common each number of moves is the runs of one rider tell together; none, one and two count as
# seen in so many runs from the start, since who looks at a line mostly holds the speed before it.
_SEEN_BEFORE, _ROUNDS = (1.0, 0.25, 0.25), 20
# Within the error of a line's time, what was before or after it may be in the log: left out.
_MARGIN_SDS = 2.0
_FEWEST_ROWS_OF_A_RUN = 7
# How long errors of a logged speed may last; each is tried.
_LASTING_S = (0.0, 0.3, 0.6, 1.2, 2.5, 5.0)
# Errors of positions last about this long (common experience); positions this far apart at the
# least make the way, since their quick error makes a way of many small steps too long.
_POSITION_LASTING_S, _WAY_STEP_S = 40.0, 1.0
# Some receivers' errors of place jump about, of others they drift: of the lasting part so much goes
# as roughly as an exponential covariance has it; the rest is too smooth to be seen in a speed.
_ROUGH = (0.1, 0.2, 0.4, 0.8, 1.2)
# What gusts and the road do to a speed beside its smooth course (ours). [m/s]
_WIGGLE_M_S = 0.06


def end_speeds_from_speed(
    time_s: ArrayLike,
    speed_m_s: ArrayLike,
    *,
    enter_s: ArrayLike,
    leave_s: ArrayLike,
    place_sd_m: float,
) -> EndSpeeds:
    """Speeds at both ends of runs, from a logged speed.

    Parameters
    ----------
    time_s, speed_m_s : array
        Rising times; NaN where no speed is. [s], [m/s]
    enter_s, leave_s : array
        When each run began and ended. [s]
    place_sd_m : float
        How well the place is known where that was. [m]

    Returns
    -------
    EndSpeeds

    Notes
    -----
    Generalised least squares, each run its own, with one noise for all: exponential in time, its
    size and lasting by restricted likelihood of the runs. The exit speed is the end of a cubic in
    time through the run. The entry speed is the end of the six seconds before it: a straight line,
    in which the rider's hand may move once or twice at unknown times, and acceleration may wander
    as a Wiener process does [1]_. What the moves could have been is averaged over by its likelihood
    in each run, and by how common moves are among the runs. At both lines the throttle opens or
    shuts; a smoother through them would round that off.

    References
    ----------
    .. [1] Wahba, G.: Improper priors, spline smoothing and the problem of guarding against model
       errors in regression. J. R. Stat. Soc. B 40 (1978), 364-372 (from memory).

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 40.0, 0.2)
    >>> speed = 12 + 0.2 * time + 0.1 * np.sin(17.0 * np.arange(200) ** 2)
    >>> found = end_speeds_from_speed(time, speed, enter_s=[10.0], leave_s=[30.0], place_sd_m=0.5)
    >>> bool(abs(found.entry_m_s[0] - 14) < 0.1), bool(abs(found.exit_m_s[0] - 18) < 0.1)
    (True, True)
    """
    time, values = (np.asarray(one, dtype=float) for one in (time_s, speed_m_s))
    require(place_sd_m, what="error of a place", unit="m", above=0)
    windows = _windows(time, values, enter_s, leave_s, place_sd_m)
    return _ends(windows, _by_lasting(windows), len(enter_s), place_sd_m, derivative=0)


def end_speeds_from_way(
    time_s: ArrayLike,
    east_m: ArrayLike,
    north_m: ArrayLike,
    *,
    enter_s: ArrayLike,
    leave_s: ArrayLike,
    place_sd_m: float,
) -> EndSpeeds:
    """Speeds at both ends of runs, from positions alone.

    Parameters
    ----------
    time_s : array
        Rising. [s]
    east_m, north_m : array
        NaN where there is no position. [m]
    enter_s, leave_s : array
        When each run began and ended. [s]
    place_sd_m : float
        Error of one position, which lasts tens of seconds. [m]

    Returns
    -------
    EndSpeeds
        Over level ground; on a grade g the bike is faster by the root of 1 + g².

    Notes
    -----
    As :func:`end_speeds_from_speed`, with the way along positions a second apart or more: its noise
    has a part that lasts 40 s, of the size of ``place_sd_m``, and a quick one.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 40.0)
    >>> found = end_speeds_from_way(time, 12 * time + 0.1 * time**2, 0 * time, enter_s=[10.0],
    ...                             leave_s=[30.0], place_sd_m=2.0)
    >>> bool(abs(found.entry_m_s[0] - 14) < 0.1), bool(abs(found.exit_m_s[0] - 18) < 0.1)
    (True, True)
    """
    time, east, north = (np.asarray(one, dtype=float) for one in (time_s, east_m, north_m))
    require(place_sd_m, what="error of a place", unit="m", above=0)
    windows = _windows(time, np.stack([east, north]), enter_s, leave_s, place_sd_m)
    covariances = _by_quickness(windows, place_sd_m)
    return _ends(windows, covariances, len(enter_s), place_sd_m, derivative=1)


class _Window(NamedTuple):
    """A stretch of one run to which a polynomial is fitted, and the time that is asked about."""

    run: int
    end: str
    time: np.ndarray
    values: np.ndarray
    terms: int
    at: float


def _windows(time, values, enter, leave, place_sd) -> list:
    """Before and within each run, but for a margin at its lines; those with rows enough."""
    place = np.atleast_2d(values)
    known = np.isfinite(place).all(0)
    time, place = time[known], place[:, known]
    found = []
    for run, (begin, end) in enumerate(zip(enter, leave, strict=True)):
        inside = slice(*np.searchsorted(time, [begin, end]))
        if inside.stop - inside.start < _FEWEST_ROWS_OF_A_RUN:
            continue
        own = place[:, inside]
        ridden = (
            np.hypot(*(own[:, -1] - own[:, 0])) if len(place) == 2 else own.mean() * (end - begin)
        )
        # The error of the line's place as a time at the mean speed; at less than 2 m/s it would
        # swallow the run, and so would more than a sixth of it.
        margin = min(_MARGIN_SDS * place_sd / max(ridden / (end - begin), 2.0), (end - begin) / 6)
        for name, low, high, terms, at in (
            ("entry", begin - _BEFORE_S - margin, begin - margin, _TERMS_BEFORE, begin),
            ("exit", begin + margin, end - margin, _TERMS, end),
        ):
            rows = slice(*np.searchsorted(time, [low, high]))
            one = time[rows], place[0, rows]
            if len(place) == 2:
                # A way is the sum of a speed: one power of time more.
                one = _way(time[rows], place[:, rows])
                terms += 1
            if one[0].size > terms + 1:
                found.append(_Window(run, name, *one, terms, at))
    return found


def _way(time, place):
    """Way along positions that are apart enough."""
    kept = [0] if time.size else []
    for row in range(1, time.size):
        if time[row] - time[kept[-1]] >= _WAY_STEP_S * 0.99:
            kept.append(row)
    steps = np.hypot(*np.diff(place[:, kept]))
    return time[kept], np.concatenate([[0.0], np.cumsum(steps)])[: len(kept)]


def _by_lasting(windows):
    """Covariances of each window for every lasting of the noise, its size left open."""

    def covariance(window, lasting):
        apart = np.abs(window.time[:, None] - window.time)
        same = np.eye(window.time.size)
        # A twentieth of the variance is each value's own, such as its rounding; it also keeps the
        # matrix far from singular where rows are close in time.
        return same if lasting == 0 else 0.95 * np.exp(-apart / lasting) + 0.05 * same

    return [[covariance(one, lasting) for one in windows] for lasting in _LASTING_S], True


def _by_quickness(windows, place_sd):
    """The same for ways: shares of a stated lasting part, and quick parts of several sizes."""

    def covariance(window, rough, quick):
        apart = np.abs(window.time[:, None] - window.time)
        lasting = (rough * place_sd) ** 2 * np.exp(-apart / _POSITION_LASTING_S)
        return lasting + quick**2 * np.eye(window.time.size)

    return [
        [covariance(one, rough, size) for one in windows]
        for rough in _ROUGH
        for size in np.geomspace(0.03, 5.0, 12)
    ], False


def _ends(windows, models, runs, place_sd, *, derivative) -> EndSpeeds:
    candidates, open_size = models
    found = {name: np.full(runs, np.nan) for name in ("entry", "exit", "entry_sd", "exit_sd")}
    noise = np.nan
    if windows:
        # One noise for all runs: a single run tells too little of how long errors last. What a
        # rider does before the line is not smooth enough to tell it.
        told = [at for at, one in enumerate(windows) if one.end == "exit"] or range(len(windows))
        fits = [
            _fit_all([windows[at] for at in told], [own[at] for at in told], open_size)
            for own in candidates
        ]
        chosen = int(np.argmax([fit[0] for fit in fits]))
        noise = fits[chosen][1]
        size = noise**2 if open_size else 1.0
        covariances = [size * one for one in candidates[chosen]]
        # The pull, followed back to the line: none of its moments knows how the bike came there.
        line = {one.run: one.at for one in windows if one.end == "entry"}
        after = {
            one.run: _at_line(one._replace(at=line[one.run]), covariance, 0, derivative)
            for one, covariance in zip(windows, covariances, strict=True)
            if one.end == "exit" and one.run in line
        }
        for end, moves in (("entry", _MOVES), ("exit", 0)):
            own = [at for at, one in enumerate(windows) if one.end == end]
            tried = [_at_line(windows[at], covariances[at], moves, derivative) for at in own]
            if moves:
                tried = [
                    _with_pull(one, after.get(windows[at].run))
                    for at, one in zip(own, tried, strict=True)
                ]
            for at, row, share in zip(own, tried, _shares(tried), strict=True):
                # Three errors that know nothing of each other: of the fit, of when the line was
                # passed, and of the road itself.
                by_place = row.slope * place_sd / np.maximum(row.speed, 1.0)
                speed = share @ row.speed
                apart = row.variance + by_place**2 + (row.speed - speed) ** 2
                found[end][windows[at].run] = speed
                found[f"{end}_sd"][windows[at].run] = np.sqrt(share @ apart + _WIGGLE_M_S**2)
    return EndSpeeds(
        entry_m_s=found["entry"],
        exit_m_s=found["exit"],
        entry_sd_m_s=found["entry_sd"],
        exit_sd_m_s=found["exit_sd"],
        noise_sd=float(noise),
    )


class _AtLine(NamedTuple):
    """What each story of a window makes of it; arrays count the stories."""

    kind: np.ndarray
    likelihood: np.ndarray
    speed: np.ndarray
    variance: np.ndarray
    slope: np.ndarray


def _at_line(window, covariance, moves, derivative) -> _AtLine:
    """Speed and slope at the line by a polynomial with up to so many moves of the hand about it."""
    # Time in halves of the window, from the line on: value, slope and bend there are coefficients.
    half = (window.time[-1] - window.time[0]) / 2
    design = ((window.time - window.at) / half)[:, None] ** np.arange(window.terms)
    value, slope = np.zeros((2, window.terms))
    value[derivative], slope[derivative + 1] = half**-derivative, half ** -(derivative + 1)
    slope *= 1 + derivative
    kicks = np.zeros((1, 0))
    if moves:
        places = np.arange(window.time[0] + _MOVE_STEP_S / 2, window.at, _MOVE_STEP_S)
        # A move of acceleration is a ramp of speed, and a parabola of the way.
        since = np.maximum(window.time[:, None] - places, 0.0)
        design = np.hstack([design, since ** (1 + derivative) / (1 + derivative)])
        value = np.append(value, window.at - places)
        slope = np.append(slope, np.ones(places.size))
        every = np.eye(places.size)
        first, second = np.triu_indices(places.size, 1)
        kicks = np.concatenate([0 * every[:1], every, every[first] + every[second]])
    count = kicks.sum(1).astype(int)
    root = np.linalg.cholesky(covariance)
    a, b = np.linalg.solve(root, design), np.linalg.solve(root, window.values)
    found = []
    for number, wander in enumerate(_WANDERS if moves else (1.0,)):
        prior = wander**2 * _MOVE_STEP_S + _MOVE_M_S2**2 * kicks
        information = np.tile(a.T @ a, (len(kicks), 1, 1))
        diagonal = np.arange(window.terms, design.shape[1])
        information[:, diagonal, diagonal] += 1 / prior
        spread = np.linalg.inv(information)
        state = spread @ (a.T @ b)
        # The sum of squares and the determinant with the moves integrated out; what the polynomial
        # took is paid for as in restricted likelihood. Each number of moves has one chance, shared
        # by the places where they may have been.
        log_det = np.log(prior).sum(1) + np.linalg.slogdet(information)[1]
        squares = b @ b - state @ (a.T @ b)
        likelihood = -(squares + log_det) / 2 - np.log(np.bincount(count)[count])
        variance = np.einsum("i,kij,j->k", value, spread, value)
        kind = number * (moves + 1) + count
        found.append((kind, likelihood, state @ value, variance, state @ slope))
    return _AtLine(*map(np.concatenate, zip(*found, strict=True)))


# The throttle opens so near the line (standard deviation, ours): by then the speed followed back
# from the pull is no longer the one ridden.
_OPENS_AROUND_S = 0.6


def _with_pull(stories: _AtLine, pull: _AtLine | None) -> _AtLine:
    """The stories of what was before the line beside what the run after it says."""
    if pull is None:
        return stories
    bend = pull.slope[0] - stories.slope
    variance = pull.variance[0] + (_OPENS_AROUND_S * bend) ** 2 + _WIGGLE_M_S**2
    both = stories.variance + variance
    apart = pull.speed[0] - stories.speed
    share = stories.variance / both
    return stories._replace(
        likelihood=stories.likelihood - (apart**2 / both + np.log(both)) / 2,
        speed=stories.speed + share * apart,
        variance=share * variance,
    )


def _shares(tried) -> list:
    """Chance of each story in each run, by its likelihood and by how common its kind is."""
    kinds = max((one.kind.max() for one in tried), default=0) + 1
    before = np.resize(_SEEN_BEFORE, kinds)
    common = before / before.sum()
    # Likelihoods of one run have a factor in common.
    own = [np.exp(one.likelihood - one.likelihood.max()) for one in tried]
    shares: list = []
    for _ in range(_ROUNDS):
        shares = [weight * common[one.kind] for weight, one in zip(own, tried, strict=True)]
        shares = [weight / weight.sum() for weight in shares]
        seen = sum(
            np.bincount(one.kind, share, kinds) for one, share in zip(tried, shares, strict=True)
        )
        common = (seen + before) / (len(tried) + before.sum())
    return shares


def _fit_all(windows, covariances, open_size):
    """Restricted log likelihood, size of the noise and fits with these covariances."""
    squares = log_det = rest_squares = 0.0
    rows, fitted = 0, []
    for window, covariance in zip(windows, covariances, strict=True):
        time = window.time
        middle, half = (time[0] + time[-1]) / 2, (time[-1] - time[0]) / 2
        # Scaled, so that powers stay tame.
        design = ((time - middle) / half)[:, None] ** np.arange(window.terms)
        # With the root L of the covariance, L^-1 of both sides makes it ordinary least squares.
        root = np.linalg.cholesky(covariance)
        a, b = np.linalg.solve(root, design), np.linalg.solve(root, window.values)
        information = a.T @ a
        state = np.linalg.solve(information, a.T @ b)
        squares += ((b - a @ state) ** 2).sum()
        rest_squares += ((window.values - design @ state) ** 2).sum()
        log_det += 2 * np.log(np.diag(root)).sum() + np.linalg.slogdet(information)[1]
        # Restricted likelihood: rows beyond the terms count, and log|X' V^-1 X| is paid for them,
        # so that the noise is not made small by what the polynomial took.
        rows += time.size - window.terms
        fitted.append((state, np.linalg.inv(information), middle, half))
    if not open_size:
        return -(squares + log_det) / 2, np.sqrt(rest_squares / rows), fitted
    size = squares / rows
    fitted = [(state, size * spread, *rest) for state, spread, *rest in fitted]
    return -(rows * np.log(size) + log_det) / 2, np.sqrt(size), fitted


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
    columns = [np.asarray(one, dtype=float) for one in (time_s, *columns)]
    known = np.all(np.isfinite(columns), axis=0)
    time, *columns = (one[known] for one in columns)
    for begin, end in zip(enter_s, leave_s, strict=True):
        rows = np.flatnonzero((time >= begin) & (time <= end))
        # The first row of each second alone.
        _, first = np.unique(np.floor((time[rows] - begin) / _WAY_STEP_S), return_index=True)
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
    half = float(np.hypot((found.high - found.low) / 2, 1.96 * _SCALE_SD * found.value))
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
    time, *place = (np.asarray(one, dtype=float) for one in (time_s, east_m, north_m))
    known = np.isfinite(place).all(0)
    time, place = time[known], np.array(place)[:, known]
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


# Both are brought to this step; they must have so much in common and be so alike at the best.
_CLOCK_STEP_S, _LEAST_OVERLAP_S, _ALIKE = 0.2, 60.0, 0.5
# A shift that is farther off than this and so nearly as like is a rival: rounds over one hill look
# alike. Pieces agree best on the right one, by so much, since no two rounds take as long.
_NEIGHBOURHOOD_S, _RIVAL, _LOOSER, _MOSTLY = 15.0, 0.7, 1.5, 0.6
# The shift is found once more in pieces of this length, within so much of the first answer.
_PIECE_S, _WITHIN_S, _FEWEST_PIECES = 60.0, 4.0, 3


def clock_shift(
    time_s: np.ndarray, values: np.ndarray, other_time_s: np.ndarray, other_values: np.ndarray
) -> ClockShift:
    """Shift between two clocks by two channels that rise and fall together.

    Parameters
    ----------
    time_s, other_time_s : array
        Rising, each by its own clock. [s]
    values, other_values : array
        Such as two speeds, or acceleration and throttle; NaN where there is none.

    Returns
    -------
    ClockShift

    Notes
    -----
    The shift with the largest correlation over what both have in common, which counts the more the
    longer that is. Its interval follows from how far pieces of a minute disagree, each matched for
    itself, by Student's distribution; a rival on which they agree about as well makes it unknown.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 600.0, 0.5)
    >>> seen = np.sin(time / 9) + np.sin(time / 31) + np.sin(time / 4.3)
    >>> found = clock_shift(time, seen, time[100:] - 62.5, seen[100:])
    >>> found.shift_s.value, found.why_not
    (62.5, '')
    """
    first, second = (_even(*pair) for pair in ((time_s, values), (other_time_s, other_values)))
    if min(first[1].size, second[1].size) * _CLOCK_STEP_S < _LEAST_OVERLAP_S:
        return ClockShift(shift_s=None, likeness=np.nan, why_not="short")
    lags, likeness = _likeness(first[1], second[1])
    best = int(np.argmax(likeness))
    top = float(likeness[best])
    if not top >= _ALIKE:
        return ClockShift(shift_s=None, likeness=top, why_not="unlike")
    # The best shift and its rivals have the same chance: pieces of a minute decide between them.
    offset = first[0] - second[0]
    tried = [
        _pieces(first, second, lags[at] * _CLOCK_STEP_S + offset)
        for at in (best, *_rivals(lags, likeness, best))
    ]
    # A shift that leaves most of the ride without its like cannot be shown by what is left.
    most = max(map(len, tried))
    tried = [pieces for pieces in tried if len(pieces) >= max(_FEWEST_PIECES, _MOSTLY * most)]
    if not tried:
        return ClockShift(shift_s=None, likeness=top, why_not="short")
    # Pieces cannot agree better than a quarter of a step, to which a parabola finds a top.
    scatters = np.sort([max(np.std(pieces, ddof=1), _CLOCK_STEP_S / 4) for pieces in tried])
    if scatters.size > 1 and scatters[1] < _LOOSER * scatters[0]:
        return ClockShift(shift_s=None, likeness=top, why_not="twins")
    pieces, scatter = min(tried, key=lambda one: np.std(one, ddof=1)), scatters[0]
    middle = float(np.mean(pieces))
    half = t_quantile(0.975, len(pieces) - 1) * scatter / np.sqrt(len(pieces))
    return ClockShift(
        shift_s=Interval(middle, middle - half, middle + half), likeness=top, why_not=""
    )


def _even(time, values):
    """First time, and values at even steps with mean 0 where the log has no gap."""
    time, values = np.asarray(time, dtype=float), np.asarray(values, dtype=float)
    require(time, what="time of a log", unit="s", remedy="leave out rows without a time")
    known = np.isfinite(values)
    if np.count_nonzero(known) < 2:
        return 0.0, np.zeros(0)
    time, values = time[known], values[known]
    at = np.arange(time[0], time[-1], _CLOCK_STEP_S)
    even = np.interp(at, time, values)
    return float(time[0]), even - even.mean()


def _likeness(first, second):
    """Correlation at every shift, less where little is in common; lags in steps."""
    # At each lag the sums over what both have in common: of products, of rows, of squares of each.
    lags = np.arange(1 - second.size, first.size)
    product = _correlated(first, second)
    ones = _correlated(np.ones(first.size), np.ones(second.size))
    squares = _correlated(first**2, np.ones(second.size))
    other = _correlated(np.ones(first.size), second**2)
    ends = np.sqrt(np.maximum(squares, 0) * np.maximum(other, 0))
    # Where one stands still there is nothing to compare, and the transform leaves its rounding.
    floor = 1e-9 * ends.max(initial=1.0)
    share = np.sqrt(np.clip(ones / min(first.size, second.size), 0, 1))
    likeness = np.where(ends > floor, product / np.maximum(ends, floor), 0.0) * share
    return lags, np.where(ones * _CLOCK_STEP_S >= _LEAST_OVERLAP_S, likeness, -1.0)


def _correlated(first, second):
    """Sum of products at every shift of the second against the first.

    By Fourier transforms, since hours of a log have tens of thousands of shifts; padded to a power
    of two beyond both together, so that no end meets the other's beginning.
    """
    count = first.size + second.size - 1
    size = 1 << (count - 1).bit_length()
    product = np.fft.rfft(first, size) * np.fft.rfft(second[::-1], size)
    return np.fft.irfft(product, size)[:count]


def _rivals(lags, likeness, best):
    """Other shifts that are about as like, as of one run upon the next."""
    left = likeness.copy()
    taken = best
    while True:
        left[np.abs(lags - lags[taken]) * _CLOCK_STEP_S <= _NEIGHBOURHOOD_S] = -1.0
        taken = int(np.argmax(left))
        if left[taken] < _RIVAL * likeness[best]:
            return
        yield taken


def _pieces(first, second, rough) -> list:
    """The shift by each piece of the second log that moved."""
    (start, a), (other, b) = first, second
    size, within = round(_PIECE_S / _CLOCK_STEP_S), round(_WITHIN_S / _CLOCK_STEP_S)
    moved = np.std(b) / 2
    found = []
    for low in range(0, b.size - size + 1, size):
        # A minute at a stand is like any other minute at a stand.
        piece = b[low : low + size] - b[low : low + size].mean()
        if piece.std() < moved:
            continue
        at = round((other + low * _CLOCK_STEP_S + rough - start) / _CLOCK_STEP_S)
        if at < within or at + size + within > a.size:
            continue
        scores = np.empty(2 * within + 1)
        for k in range(-within, within + 1):
            own = a[at + k : at + k + size]
            own = own - own.mean()
            scores[k + within] = own @ piece / max(np.sqrt(own @ own), 1e-12)
        top = int(np.argmax(scores))
        # At the edge of the search the top lies elsewhere; inside, a parabola through three scores.
        if 0 < top < scores.size - 1:
            left, middle, right = scores[top - 1 : top + 2]
            bend = left - 2 * middle + right
            fine = (left - right) / (2 * bend) if bend < 0 else 0.0
            exact = start + at * _CLOCK_STEP_S - (other + low * _CLOCK_STEP_S)
            found.append(exact + (top - within + fine) * _CLOCK_STEP_S)
    return found
