"""When a track passed the start line and the marker, and which passes make a run."""

from dataclasses import dataclass

import numpy as np

from tuninglib.checks import require
from tuninglib.physics.track import local_metres

# Rows so near in time to a pass tell when it was; passes closer to each other are one; slower or
# with a longer pause a line is not passed but stood at.
_AROUND_S, _ONE_PASS_S, _SLOWEST_M_S, _LONGEST_STEP_S = 2.0, 4.0, 2.0, 5.0
_WIDEST_TURN = np.cos(np.deg2rad(60))
# What a stated error of positions is worth beside the passes, in degrees of freedom.
_POSITION_DOF = 4.0


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
    """

    direction: np.ndarray
    enter_s: np.ndarray
    leave_s: np.ndarray
    position_sd_m: float


def line_passes(
    time_s,
    *,
    latitude_deg,
    longitude_deg,
    start_deg,
    marker_deg,
    reach_m=30.0,
    position_sd_m=3.0,
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
    a straight line through the way along that heading over two seconds to both sides. A run is a
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
    apart = float(np.hypot(*local_metres(*marker_deg, origin_deg=start_deg)))
    if apart < 2 * reach_m:
        raise ValueError(
            f"start and marker are {apart:.0f} m apart but must be at least {2 * reach_m:.0f} m; "
            "check their coordinates"
        )
    gates = [
        _passes(time, np.stack(local_metres(latitude, longitude, origin_deg=place)), reach_m)
        for place in (start_deg, marker_deg)
    ]
    line = np.repeat([0, 1], [len(gate) for gate in gates])
    rows = np.concatenate([np.reshape(gate, (-1, 4)) for gate in gates])
    order = np.argsort(rows[:, 0], kind="stable")
    rows, line = rows[order], line[order]
    when, aside, heading = rows[:, 0], rows[:, 1], rows[:, 2:]
    first = np.flatnonzero(np.diff(line))
    direction = np.diff(line)[first]
    kept = np.ones(first.size, dtype=bool)
    for one in (1, -1):
        own = np.flatnonzero(direction == one)
        for end in (0, 1):
            kept[own] &= _same_way(heading[first[own] + end])
    first, direction = first[kept], direction[kept]
    return LinePasses(
        direction=direction,
        enter_s=when[first],
        leave_s=when[first + 1],
        position_sd_m=_position_sd(aside, direction, first, position_sd_m),
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
            u = t[own] - t[own].mean()
            step = np.array([u @ x[own], u @ y[own]]) / (u @ u)
            speed = np.hypot(*step)
            if speed < _SLOWEST_M_S:
                continue
            heading = step / speed
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


def _same_way(heading):
    """Whether each heading is that of most of its like."""
    if len(heading) < 3:
        return np.ones(len(heading), dtype=bool)
    agree = heading @ heading.T > _WIDEST_TURN
    return agree[np.argmax(agree.sum(1))]


def _position_sd(aside, direction, first, stated) -> float:
    """Error of a position: the stated one, joined with how far passes lie from each other."""
    squares, dof = _POSITION_DOF * stated**2, _POSITION_DOF
    for one in (1, -1):
        for end in (0, 1):
            own = aside[first[direction == one] + end]
            if own.size > 1:
                squares += ((own - own.mean()) ** 2).sum()
                dof += own.size - 1
    return float(np.sqrt(squares / dof))
