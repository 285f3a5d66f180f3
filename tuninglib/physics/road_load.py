"""Road load, that is rolling resistance and air drag: by a table or a coast-down; top speed."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import plain, require
from tuninglib.physics.motion import Ride, even_climb

# 40 CFR 86.529-98, figure F98-9: loaded mass [kg], A [N], C [N/(km/h)2] of F = A + C V2.
# (The figure's coast-down time for 160 kg, 4.10 s, does not follow from its own A and C, which
# give 4.175 s; A and C are used here.)
_TABLE = np.array([
    (100, 0.0, 0.0224), (120, 1.70, 0.0230), (130, 2.57, 0.0233), (140, 3.44, 0.0235),
    (150, 4.32, 0.0238), (160, 5.19, 0.0241), (170, 6.06, 0.0244), (180, 6.94, 0.0246),
    (200, 8.69, 0.0252), (220, 10.43, 0.0257), (240, 12.18, 0.0263), (250, 13.06, 0.0266),
    (300, 17.43, 0.0279), (350, 21.80, 0.0293), (400, 26.17, 0.0307),
])  # fmt: skip
TABLE_MASS_KG, TABLE_A_N, TABLE_C_N_KM2_H2 = _TABLE.T

# Air at the road-load reference of 40 CFR 1066.805(c), 20 °C and 98.21 kPa, taken as dry.
REFERENCE_AIR_DENSITY_KG_M3 = 98210 / (287.05 * 293.15)

# How far one motorcycle may be from the table, as standard deviations. The table gives most of
# the force to air drag; another published table (the running resistance of UN GTR 2, from memory)
# has the same total at 65 km/h with half a drag area of 0.50 m2 and a rolling coefficient of
# 0.009; seated riders measure 0.5 to 0.7 m2, road tyres 0.01 to 0.02 (common values, from memory).
DRAG_AREA_SD_M2 = 0.07
TABLE_ROLLING_SD = 0.007
# Of road tyres on a hard smooth road, 0.010 to 0.020 (handbook values, from memory): the table
# gives less than any tyre needs, so both are joined.
TYRE_ROLLING, TYRE_ROLLING_SD = 0.015, 0.003

# What wheels and engine add to the mass when speeding up, as a share of the unladen bike: 7 % in
# the road coast-down of UN GTR 2 (from memory). Its sd is ours: 4 % is in use elsewhere.
ROTATING_MASS_RATIO = 0.07
ROTATING_MASS_RATIO_SD = 0.015


@dataclass(frozen=True)
class RoadLoad:
    """Drag area and rolling coefficient with their covariance.

    Parameters
    ----------
    drag_area_m2, rolling_coefficient : float
        [m2], [unitless]
    covariance : array, 2 by 2
        Of drag area and rolling coefficient, in that order.
    dof : float
        Degrees of freedom behind the covariance; infinite if it is a stated one.
    headwind_m_s : float
        Wind against the rider in the outward direction, where a coast-down told it. [m/s]
    source : str
        Where the values are from.
    """

    drag_area_m2: float
    rolling_coefficient: float
    covariance: np.ndarray
    dof: float = np.inf
    headwind_m_s: float = 0.0
    source: str = ""

    @property
    def drag_area_sd_m2(self) -> float:
        """Standard deviation of the drag area. [m2]"""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def rolling_coefficient_sd(self) -> float:
        """Standard deviation of the rolling coefficient. [unitless]"""
        return float(np.sqrt(self.covariance[1, 1]))


class TableCoefficients(NamedTuple):
    """A [N] and C [N/(km/h)2] of F = A + C V2."""

    a_n: float
    c_n_km2_h2: float


def table_coefficients(mass_kg: ArrayLike) -> TableCoefficients:
    """Coefficients of the published table: A [N] and C [N/(km/h)2] of F = A + C V2.

    Parameters
    ----------
    mass_kg : float or array
        Bike and rider, 60 to 400. [kg]

    Returns
    -------
    TableCoefficients

    Notes
    -----
    From [1]_, linear between its rows; below its 100 kg the first stretch goes on straight (ours),
    A not below zero.

    References
    ----------
    .. [1] 40 CFR 86.529-98, figure F98-9.

    Examples
    --------
    >>> table_coefficients(200.0)
    TableCoefficients(a_n=8.69, c_n_km2_h2=0.0252)
    """
    remedy = "outside the motorcycle table; measure a coast-down"
    mass = require(mass_kg, "mass", "kg", at_least=60, at_most=400, remedy=remedy)
    a = np.maximum(_straight(mass, TABLE_A_N), 0.0)
    return TableCoefficients(plain(a), plain(_straight(mass, TABLE_C_N_KM2_H2)))


def _straight(mass, column):
    """Linear interpolation that goes on straight below the table."""
    row = np.maximum(np.searchsorted(TABLE_MASS_KG, mass) - 1, 0)
    share = (mass - TABLE_MASS_KG[row]) / (TABLE_MASS_KG[row + 1] - TABLE_MASS_KG[row])
    return column[row] + share * (column[row + 1] - column[row])


def default_road_load(mass_kg: float) -> RoadLoad:
    """Road load to assume where no coast-down was measured.

    Parameters
    ----------
    mass_kg : float
        Bike and rider, 60 to 400. [kg]

    Returns
    -------
    RoadLoad
        With wide standard deviations, 0.07 m2 and 0.0028, uncorrelated.

    Notes
    -----
    The table of [1]_ at its reference air of [2]_: CdA = 2 C · 3.6² / ρ, c_rr = A/(m g). The
    rolling coefficient is the mean of the table's, good to 0.007, and of what road tyres need,
    0.015 to 0.003, each weighted by its precision.

    Examples
    --------
    >>> load = default_road_load(170.0)
    >>> load.drag_area_m2, load.rolling_coefficient
    (0.5419, 0.0132)

    References
    ----------
    .. [1] 40 CFR 86.529-98, figure F98-9.
    .. [2] 40 CFR 1066.805(c).
    """
    a, c = table_coefficients(float(mass_kg))
    rolling = a / (mass_kg * float(Ride.gravity_m_s2)), TYRE_ROLLING
    precision = np.array([TABLE_ROLLING_SD, TYRE_ROLLING_SD]) ** -2.0
    return RoadLoad(
        drag_area_m2=2 * c * 3.6**2 / REFERENCE_AIR_DENSITY_KG_M3,
        rolling_coefficient=float(precision @ rolling / precision.sum()),
        covariance=np.diag([DRAG_AREA_SD_M2**2, 1 / precision.sum()]),
        source="motorcycle table of 40 CFR 86.529-98, and the rolling of road tyres",
    )


def top_speed_at_force_m_s(ride: Ride, *, force_n: ArrayLike) -> float | np.ndarray:
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
    >>> from tuninglib.physics.motion import Hill
    >>> ride = Ride(hill=Hill(1000.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.5, rolling_coefficient=0.0)
    >>> top_speed_at_force_m_s(ride, force_n=150.0)
    22.3607
    """
    climb, k = _even_resistance(ride)
    spare = np.asarray(force_n, dtype=float) - climb
    speed = np.sign(spare) * np.sqrt(np.abs(spare) / k) - ride.wind_m_s
    return plain(np.where(speed > 0, speed, np.nan))


def top_speed_at_power_m_s(ride: Ride, *, power_w: ArrayLike) -> float | np.ndarray:
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
    >>> from tuninglib.physics.motion import Hill
    >>> ride = Ride(hill=Hill(1000.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.5, rolling_coefficient=0.0)
    >>> top_speed_at_power_m_s(ride, power_w=0.5 * 1.2 * 0.5 * 20.0**3)
    20.0
    """
    power = require(power_w, "power", "W", above=0, remedy="give the power at the tyre")
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
    remedy = "without drag there is no top speed"
    area = require(ride.drag_area_m2, "drag area", "m2", above=0, remedy=remedy)
    return even_climb(ride), ride.air_density_kg_m3 * area / 2
