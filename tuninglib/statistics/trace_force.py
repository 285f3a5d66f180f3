"""Wheel force from speeds at several points of one run, as a trace gives them."""

from dataclasses import dataclass, replace

import numpy as np

from tuninglib.checks import require
from tuninglib.physics.hill import Hill, Ride, exit_speed_m_s, wheel_force_n
from tuninglib.statistics.repeats import Estimate, estimate

_MOST_STEPS = 30


@dataclass(frozen=True)
class PointFit:
    """Constant force that fits the speeds of one run best.

    Attributes
    ----------
    force_n, entry_speed_m_s : Estimate
        With their 95 % intervals from the scatter of the points alone.
    residual_sd_m_s : float
        Scatter of the speeds around the fit. [m/s]
    """

    force_n: Estimate
    entry_speed_m_s: Estimate
    residual_sd_m_s: float


def wheel_force_from_points(ride: Ride, *, distance_m, speed_m_s) -> PointFit:
    """Constant force at the tyre from speeds at several distances from the start line.

    Parameters
    ----------
    ride : Ride
        One ride: on one hill, in one or more pieces.
    distance_m : array
        From the start line, 0 to the hill's length, three or more. [m]
    speed_m_s : array
        True speed there. [m/s]

    Returns
    -------
    PointFit

    Notes
    -----
    Least squares of the speeds with force and entry speed free. Neighbouring points of a trace
    share gusts and smoothing, so that repeats, not points, tell the uncertainty of a gain.

    Examples
    --------
    >>> ride = Ride(hill=Hill(100.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.0, rolling_coefficient=0.0)
    >>> found = wheel_force_from_points(ride, distance_m=[0.0, 50.0, 100.0],
    ...                                 speed_m_s=[10.0, 15.8, 20.0])
    >>> found.force_n.value
    299.9
    """
    s, v = np.asarray(distance_m, dtype=float), np.asarray(speed_m_s, dtype=float)
    require(
        s, what="distance", unit="m", at_least=0, at_most=float(ride.hill.length_m),
        remedy="count from the start line and stop at the marker",
    )  # fmt: skip
    require(v, what="speed", unit="m/s", above=0, remedy="leave out points at rest")
    if s.shape != v.shape or s.ndim != 1 or np.unique(s).size < 3:
        raise ValueError(
            f"{s.size} distances and {v.size} speeds do not make three points; "
            "give a speed for each of three distances or more"
        )
    hill = ride.hill
    starts = np.concatenate([[0.0], hill.lengths_m.cumsum()[:-1]])
    # Up to each point: the part of every piece that lies before it, never quite nothing.
    parts = np.clip(s[:, None] - starts, 1e-9, hill.lengths_m)
    ridden = replace(ride, hill=Hill(parts, np.broadcast_to(hill.grade_ratios, parts.shape)))

    def speeds(entry, force):
        return exit_speed_m_s(ridden, force_n=force, entry_speed_m_s=entry)

    entry = v[np.argmin(s)]
    far = np.argmax(s)
    to_the_last = replace(ride, hill=Hill(parts[far], hill.grade_ratios))
    force = wheel_force_n(to_the_last, entry_speed_m_s=entry, exit_speed_m_s=v[far])
    for _ in range(_MOST_STEPS):
        now = speeds(entry, force)
        slopes = np.column_stack(
            [
                (speeds(entry + 1e-5, force) - now) / 1e-5,
                (speeds(entry, force + 1e-3) - now) / 1e-3,
            ]
        )
        if not np.all(np.isfinite(slopes)):
            raise ValueError(
                "no constant force explains these speeds: the bike would stall on the way; "
                "check the distances, the speeds and the grade"
            )
        step, *_ = np.linalg.lstsq(slopes, v - now, rcond=None)
        entry, force = entry + step[0], force + step[1]
        if np.abs(step[0]) < 1e-10 and np.abs(step[1]) < 1e-8:
            break
    rest = v - speeds(entry, force)
    dof = v.size - 2
    s2 = rest @ rest / dof
    errors = np.sqrt(np.diag(s2 * np.linalg.inv(slopes.T @ slopes)))
    return PointFit(
        force_n=estimate(force, standard_error=errors[1], dof=dof),
        entry_speed_m_s=estimate(entry, standard_error=errors[0], dof=dof),
        residual_sd_m_s=float(np.sqrt(s2)),
    )
