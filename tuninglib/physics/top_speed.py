"""Top speed on a long road, from a wheel force or a wheel power."""

import numpy as np

from tuninglib.checks import plain, require
from tuninglib.physics.air import STANDARD_GRAVITY_M_S2


def top_speed_at_force_m_s(
    *,
    force_n,
    mass_kg,
    air_density_kg_m3,
    drag_area_m2,
    rolling_coefficient,
    grade_ratio=0.0,
    wind_m_s=0.0,
    gravity_m_s2=STANDARD_GRAVITY_M_S2,
):
    """Speed at which a constant force only just holds on a long road.

    Parameters
    ----------
    force_n, mass_kg, air_density_kg_m3, drag_area_m2, rolling_coefficient, wind_m_s, gravity_m_s2
        As in :func:`tuninglib.physics.hill.exit_speed_m_s`.
    grade_ratio : float or array
        Rise over run. [unitless]

    Returns
    -------
    speed_m_s : float or array
        NaN where the force does not move the bike. [m/s]

    Examples
    --------
    >>> top_speed_at_force_m_s(force_n=150.0, mass_kg=200.0, air_density_kg_m3=1.2,
    ...     drag_area_m2=0.5, rolling_coefficient=0.0)
    22.3607
    """
    area = require(
        drag_area_m2, what="drag area", unit="m2", above=0, remedy="without drag there is no top"
    )
    grade = np.asarray(grade_ratio, dtype=float)
    climb = mass_kg * gravity_m_s2 * (grade + rolling_coefficient) / np.sqrt(1 + grade**2)
    k = air_density_kg_m3 * area / 2
    spare = np.asarray(force_n - climb, dtype=float)
    speed = np.sign(spare) * np.sqrt(np.abs(spare) / k) - wind_m_s
    return plain(np.where(speed > 0, speed, np.nan))


def top_speed_at_power_m_s(
    *,
    power_w,
    mass_kg,
    air_density_kg_m3,
    drag_area_m2,
    rolling_coefficient,
    grade_ratio=0.0,
    wind_m_s=0.0,
    gravity_m_s2=STANDARD_GRAVITY_M_S2,
):
    """Speed at which a constant power only just holds on a long road.

    Parameters
    ----------
    power_w : float or array
        At the tyre, above 0. [W]
    mass_kg, air_density_kg_m3, drag_area_m2, rolling_coefficient, grade_ratio, wind_m_s, \
gravity_m_s2
        As in :func:`top_speed_at_force_m_s`.

    Returns
    -------
    speed_m_s : float or array
        [m/s]

    Notes
    -----
    P/v falls with speed and the road load rises, so that they cross once where the road load is
    positive; the crossing is found by halving, down to 1e-12 of the speed.

    Examples
    --------
    >>> top_speed_at_power_m_s(power_w=0.5 * 1.2 * 0.5 * 20.0**3, mass_kg=200.0,
    ...     air_density_kg_m3=1.2, drag_area_m2=0.5, rolling_coefficient=0.0)
    20.0
    """
    power = require(power_w, what="power", unit="W", above=0, remedy="give the power at the tyre")
    area = require(
        drag_area_m2, what="drag area", unit="m2", above=0, remedy="without drag there is no top"
    )
    grade = np.asarray(grade_ratio, dtype=float)
    climb = mass_kg * gravity_m_s2 * (grade + rolling_coefficient) / np.sqrt(1 + grade**2)
    k = air_density_kg_m3 * area / 2
    wind = np.asarray(wind_m_s, dtype=float)

    def short(v):
        air = v + wind
        return (climb + k * air * np.abs(air)) * v > power

    low = np.zeros(np.broadcast_shapes(*(np.shape(x) for x in (power, climb, k, wind))))
    high = low + 1.0
    while not np.all(short(high)):
        high = np.where(short(high), high, 2 * high)
    while np.any(high - low > 1e-13 * high):
        middle = (low + high) / 2
        over = short(middle)
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return plain(high)
