"""Top speed on a long road, from a wheel force or a wheel power."""

import numpy as np

from tuninglib.checks import plain, require
from tuninglib.physics._motion import even_climb
from tuninglib.physics.hill import Ride


def top_speed_at_force_m_s(ride: Ride, *, force_n):
    """Speed at which a constant force only just holds on a long even road.

    Parameters
    ----------
    ride : Ride
        Its hill has one grade; the length does not count.
    force_n : float or array
        At the tyre. [N]

    Returns
    -------
    speed_m_s : float or array
        NaN where the force does not move the bike. [m/s]

    Examples
    --------
    >>> from tuninglib.physics.hill import Hill
    >>> ride = Ride(hill=Hill(1000.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.5, rolling_coefficient=0.0)
    >>> top_speed_at_force_m_s(ride, force_n=150.0)
    22.3607
    """
    climb, k = _even_resistance(ride)
    spare = np.asarray(force_n, dtype=float) - climb
    speed = np.sign(spare) * np.sqrt(np.abs(spare) / k) - ride.wind_m_s
    return plain(np.where(speed > 0, speed, np.nan))


def top_speed_at_power_m_s(ride: Ride, *, power_w):
    """Speed at which a constant power only just holds on a long even road.

    Parameters
    ----------
    ride : Ride
        As in :func:`top_speed_at_force_m_s`.
    power_w : float or array
        At the tyre, above 0. [W]

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
    >>> from tuninglib.physics.hill import Hill
    >>> ride = Ride(hill=Hill(1000.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.5, rolling_coefficient=0.0)
    >>> top_speed_at_power_m_s(ride, power_w=0.5 * 1.2 * 0.5 * 20.0**3)
    20.0
    """
    power = require(power_w, what="power", unit="W", above=0, remedy="give the power at the tyre")
    climb, k = _even_resistance(ride)
    wind = ride.wind_m_s

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


def _even_resistance(ride):
    """Force of slope and rolling, and ½ρCdA, which must be there for a top speed to be."""
    area = require(
        ride.drag_area_m2,
        what="drag area",
        unit="m2",
        above=0,
        remedy="without drag there is no top",
    )
    return even_climb(ride), ride.air_density_kg_m3 * area / 2
