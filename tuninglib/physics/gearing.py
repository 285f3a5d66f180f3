"""From road speed to engine speed: ratios, tyre, slip; and what the crank gives."""

import re

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import plain, require

# Rolling circumference of a loaded tyre over π times its free diameter (common practice, from
# memory; 0.95 to 0.98).
ROLLING_SHARE = 0.965
_INCH_M = 0.0254


def overall_ratio(
    *, primary: ArrayLike, gear: ArrayLike, front_teeth: ArrayLike, rear_teeth: ArrayLike
) -> float | np.ndarray:
    """Turns of the crank for one turn of the rear wheel.

    Parameters
    ----------
    primary, gear : float or array
        Reductions of the primary drive and of the gear. [-]
    front_teeth, rear_teeth : float or array
        Of the sprockets. [-]

    Returns
    -------
    ratio : same shape
        [-]

    Notes
    -----
    Their product; each is driven teeth over driving teeth.

    Examples
    --------
    >>> round(overall_ratio(primary=3.0, gear=1.0, front_teeth=14, rear_teeth=42), 3)
    9.0
    """
    parts = {"primary": primary, "gear": gear, "front": front_teeth, "rear": rear_teeth}
    primary, gear, front, rear = (
        require(value, f"{name} ratio", "", above=0) for name, value in parts.items()
    )
    return plain(primary * gear * rear / front)


def tyre_diameter_m(size: str) -> float:
    """Free diameter of a tyre from its size.

    Parameters
    ----------
    size : str
        Metric, as ``90/90-18``, or in inches, as ``2.75-18``.

    Returns
    -------
    diameter_m : float
        [m]

    Raises
    ------
    ValueError
        If it is no size.

    Notes
    -----
    Rim plus twice the section's height: width times the aspect in hundredths [1]_; tyres in inches
    are about as high as wide.

    Examples
    --------
    >>> round(tyre_diameter_m("90/90-18"), 4)
    0.6192

    References
    ----------
    .. [1] UN Regulation No. 75 (motorcycle tyres), definitions of nominal aspect ratio and rim
       diameter; from memory.
    """
    metric = re.fullmatch(r"\s*(\d{2,3})\s*/\s*(\d{2,3})\s*[A-Za-z]*\s*-?\s*(\d{1,2})\s*", size)
    inches = re.fullmatch(r"\s*(\d(?:\.\d{1,2})?)\s*-\s*(\d{1,2})\s*", size)
    if metric:
        width, aspect, rim = map(float, metric.groups())
        return rim * _INCH_M + 2 * width / 1000 * aspect / 100
    if inches:
        width, rim = map(float, inches.groups())
        return (rim + 2 * width) * _INCH_M
    raise ValueError(f"{size!r} is not a tyre size; write for example '90/90-18' or '2.75-18'")


def engine_speed_rpm(
    speed_m_s: ArrayLike, *, ratio: ArrayLike, circumference_m: ArrayLike, slip: ArrayLike = 0.0
) -> float | np.ndarray:
    """Engine speed at a road speed with the clutch closed.

    Parameters
    ----------
    speed_m_s : float or array
        [m/s]
    ratio : float or array
        Of :func:`overall_ratio`. [-]
    circumference_m : float or array
        Way of one turn of the wheel. [m]
    slip : float or array
        By how much faster the driven wheel turns than it rolls. [-]

    Returns
    -------
    engine_speed_rpm : same shape
        [1/min]

    Examples
    --------
    >>> engine_speed_rpm(20.0, ratio=9.0, circumference_m=1.8)
    6000.0
    """
    circumference_m = require(circumference_m, "circumference", "m", above=0)
    turns = np.asarray(speed_m_s, dtype=float) / circumference_m
    return plain(60.0 * turns * np.asarray(ratio) * (1 + np.asarray(slip)))


def road_speed_m_s(
    engine_speed: ArrayLike, *, ratio: ArrayLike, circumference_m: ArrayLike, slip: ArrayLike = 0.0
) -> float | np.ndarray:
    """Road speed at an engine speed: the other way round.

    Parameters
    ----------
    engine_speed : float or array
        [1/min]
    ratio, circumference_m, slip : float or array
        As of :func:`engine_speed_rpm`.

    Returns
    -------
    speed_m_s : same shape
        [m/s]

    Examples
    --------
    >>> road_speed_m_s(6000.0, ratio=9.0, circumference_m=1.8)
    20.0
    """
    per_turn = require(circumference_m, "circumference", "m", above=0)
    turns = np.asarray(engine_speed, dtype=float) / 60.0 / np.asarray(ratio)
    return plain(turns * per_turn / (1 + np.asarray(slip)))


def crank_torque_n_m(
    force_n: ArrayLike, *, ratio: ArrayLike, circumference_m: ArrayLike, efficiency: ArrayLike
) -> float | np.ndarray:
    """Torque at the crank that gives a force at the tyre.

    Parameters
    ----------
    force_n : float or array
        At the tyre. [N]
    ratio, circumference_m : float or array
        As of :func:`engine_speed_rpm`.
    efficiency : float or array
        Of gearbox and chain. [-]

    Returns
    -------
    torque_n_m : same shape
        [N m]

    Notes
    -----
    ``F r / (ratio × efficiency)`` with r the circumference over 2π.

    Examples
    --------
    >>> round(crank_torque_n_m(270.0, ratio=9.0, circumference_m=1.8, efficiency=0.9), 2)
    9.55
    """
    efficiency = require(efficiency, "efficiency", "", above=0, at_most=1)
    radius = np.asarray(circumference_m) / (2 * np.pi)
    return plain(np.asarray(force_n, dtype=float) * radius / np.asarray(ratio) / efficiency)
