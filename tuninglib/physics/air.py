"""The air of the day: moisture, density, standard atmosphere, gravity, and output corrections."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import limited, plain
from tuninglib.physics.stoichiometry import (
    DRY_AIR_MOLAR_MASS_KG_MOL,
    GAS_CONSTANT_J_MOL_K,
    STANDARD_PRESSURE_PA,
    molar_mass_kg_mol,
)

STANDARD_GRAVITY_M_S2 = 9.80665  # CGPM 1901, exact by definition

# IAPWS-IF97, region 4 (saturation line), table 34.
_N = (
    float("nan"),  # so that _N[1] is n1
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)

# ISO 2533 standard atmosphere, the layer up to 11 km.
_SEA_LEVEL_K = 288.15
_LAPSE_K_M = 0.0065
_AIR_GAS_CONSTANT_J_KG_K = 287.05287
_EARTH_RADIUS_M = 6356766.0

# Geodetic Reference System 1980 (H. Moritz, Journal of Geodesy 74, 2000).
_EQUATOR_GRAVITY_M_S2 = 9.7803267715
_GRAVITY_K = 0.001931851353
_ECCENTRICITY_SQUARED = 0.00669438002290
_SEMI_MAJOR_AXIS_M = 6378137.0
_FLATTENING = 0.00335281068118
_GRAVITY_M = 0.00344978600308


def _temperature(value) -> np.ndarray:
    return limited(value, "air temperature", "K", 223.15, 333.15, "degC plus 273.15 is K")


def _pressure(value) -> np.ndarray:
    remedy = "give it absolute, 1013 hPa is 101300 Pa"
    return limited(value, "air pressure", "Pa", 30e3, 120e3, remedy)


def _humidity(value) -> np.ndarray:
    return limited(value, "relative humidity", "", 0, 1, "55 % is 0.55")


def _altitude(value) -> np.ndarray:
    return limited(value, "altitude", "m", -1000, 11000, "give metres above sea level")


def saturation_pressure_pa(temperature_k: ArrayLike) -> float | np.ndarray:
    """Vapour pressure of water at saturation, over liquid water.

    Parameters
    ----------
    temperature_k : float or array
        [K]

    Returns
    -------
    pressure_pa : same shape
        [Pa]

    Notes
    -----
    IAPWS-IF97, equation 30 of region 4 [1]_. Stated for 0 degC and up; below, down to -50 degC,
    it is extrapolated over supercooled water, as relative humidity is defined by the WMO.

    Examples
    --------
    >>> round(saturation_pressure_pa(293.15), 1)
    2339.2

    References
    ----------
    .. [1] IAPWS R7-97(2012), Industrial Formulation 1997 for the Properties of Water and Steam.
    """
    temperature_k = _temperature(temperature_k)
    theta = temperature_k + _N[9] / (temperature_k - _N[10])
    a = theta**2 + _N[1] * theta + _N[2]
    b = _N[3] * theta**2 + _N[4] * theta + _N[5]
    c = _N[6] * theta**2 + _N[7] * theta + _N[8]
    return plain((2 * c / (-b + (b**2 - 4 * a * c) ** 0.5)) ** 4 * 1e6)


def vapour_pressure_pa(
    temperature_k: ArrayLike, relative_humidity: ArrayLike
) -> float | np.ndarray:
    """Partial pressure of water vapour in moist air.

    Parameters
    ----------
    temperature_k : float or array
        [K]
    relative_humidity : float or array
        0 to 1. [-]

    Returns
    -------
    pressure_pa : same shape
        [Pa]

    Examples
    --------
    >>> round(vapour_pressure_pa(293.15, 0.5), 1)
    1169.6
    """
    relative_humidity = _humidity(relative_humidity)
    return plain(relative_humidity * saturation_pressure_pa(temperature_k))


def dew_point_k(water_vapour_pressure_pa: ArrayLike) -> float | np.ndarray:
    """Temperature at which air with this much vapour is saturated.

    Parameters
    ----------
    water_vapour_pressure_pa : float or array
        Partial pressure of water, from :func:`vapour_pressure_pa`. [Pa]

    Returns
    -------
    temperature_k : same shape
        [K]

    Notes
    -----
    IAPWS-IF97, equation 31, the inverse of :func:`saturation_pressure_pa`.

    Examples
    --------
    >>> round(dew_point_k(vapour_pressure_pa(298.15, 0.6)) - 273.15, 1)
    16.7
    """
    low, high = saturation_pressure_pa(np.array([223.15, 333.15]))
    p = limited(water_vapour_pressure_pa, "vapour pressure", "Pa", low, high, "give pascals")
    beta = (p / 1e6) ** 0.25
    e = beta**2 + _N[3] * beta + _N[6]
    f = _N[1] * beta**2 + _N[4] * beta + _N[7]
    g = _N[2] * beta**2 + _N[5] * beta + _N[8]
    d = 2 * g / (-f - (f**2 - 4 * e * g) ** 0.5)
    return plain((_N[10] + d - ((_N[10] + d) ** 2 - 4 * (_N[9] + _N[10] * d)) ** 0.5) / 2)


def air_density_kg_m3(
    *, temperature_k: ArrayLike, pressure_abs_pa: ArrayLike, relative_humidity: ArrayLike
) -> float | np.ndarray:
    """Density of moist air.

    Parameters
    ----------
    temperature_k : float or array
        [K]
    pressure_abs_pa : float or array
        Where the bike is, not reduced to sea level. [Pa]
    relative_humidity : float or array
        0 to 1. [-]

    Returns
    -------
    density_kg_m3 : same shape
        [kg/m3]

    Notes
    -----
    Dry air and vapour as ideal gases side by side: (p_dry·M_air + p_vapour·M_water)/(R·T). Real
    air (CIPM-2007) is 0.03 to 0.06 % denser.

    Examples
    --------
    >>> density = air_density_kg_m3(
    ...     temperature_k=293.15, pressure_abs_pa=101325.0, relative_humidity=0.5
    ... )
    >>> round(density, 3)
    1.199
    """
    temperature_k, pressure_abs_pa = _temperature(temperature_k), _pressure(pressure_abs_pa)
    vapour_pa = vapour_pressure_pa(temperature_k, relative_humidity)
    dry_pa = pressure_abs_pa - vapour_pa
    mass_per_mole = dry_pa * DRY_AIR_MOLAR_MASS_KG_MOL + vapour_pa * molar_mass_kg_mol("H2O")
    return plain(mass_per_mole / (GAS_CONSTANT_J_MOL_K * temperature_k))


def standard_temperature_k(altitude_m: ArrayLike) -> float | np.ndarray:
    """Temperature of the standard atmosphere.

    Parameters
    ----------
    altitude_m : float or array
        Above sea level. [m]

    Returns
    -------
    temperature_k : same shape
        [K]

    Notes
    -----
    ISO 2533: 288.15 K less 6.5 K per kilometre of geopotential altitude; -1 to 11 km.

    Examples
    --------
    >>> round(standard_temperature_k(1000.0), 2)
    281.65
    """
    altitude_m = _altitude(altitude_m)
    geopotential_m = _EARTH_RADIUS_M * altitude_m / (_EARTH_RADIUS_M + altitude_m)
    return plain(_SEA_LEVEL_K - _LAPSE_K_M * geopotential_m)


def standard_pressure_pa(altitude_m: ArrayLike) -> float | np.ndarray:
    """Pressure of the standard atmosphere, where no barometer was read.

    Parameters
    ----------
    altitude_m : float or array
        Above sea level. [m]

    Returns
    -------
    pressure_abs_pa : same shape
        [Pa]

    Notes
    -----
    ISO 2533, -1 to 11 km. The weather moves the true pressure by some 2 % either way.

    Examples
    --------
    >>> round(standard_pressure_pa(500.0) / 100, 1)
    954.6
    """
    exponent = STANDARD_GRAVITY_M_S2 / (_AIR_GAS_CONSTANT_J_KG_K * _LAPSE_K_M)
    colder = standard_temperature_k(altitude_m) / _SEA_LEVEL_K
    return plain(STANDARD_PRESSURE_PA * colder**exponent)


def standard_altitude_m(pressure_abs_pa: ArrayLike) -> float | np.ndarray:
    """Altitude at which the standard atmosphere has a pressure.

    Parameters
    ----------
    pressure_abs_pa : float or array
        [Pa]

    Returns
    -------
    altitude_m : same shape
        Above sea level. [m]

    Notes
    -----
    :func:`standard_pressure_pa` solved for the altitude.

    Examples
    --------
    >>> round(standard_altitude_m(95461.0))
    500
    """
    ratio = _pressure(pressure_abs_pa) / STANDARD_PRESSURE_PA
    exponent = _AIR_GAS_CONSTANT_J_KG_K * _LAPSE_K_M / STANDARD_GRAVITY_M_S2
    geopotential_m = _SEA_LEVEL_K / _LAPSE_K_M * (1 - ratio**exponent)
    return plain(_EARTH_RADIUS_M * geopotential_m / (_EARTH_RADIUS_M - geopotential_m))


def normal_gravity_m_s2(
    *, latitude_deg: ArrayLike, altitude_m: ArrayLike = 0.0
) -> float | np.ndarray:
    """Acceleration of free fall at a latitude and altitude.

    Parameters
    ----------
    latitude_deg : float or array
        South is negative. [deg]
    altitude_m : float or array
        Above sea level. [m]

    Returns
    -------
    gravity_m_s2 : same shape
        [m/s2]

    Notes
    -----
    Somigliana's formula for GRS 80 and the second-order free-air term [1]_.

    Examples
    --------
    >>> round(normal_gravity_m_s2(latitude_deg=45.0, altitude_m=1000.0), 4)
    9.8031

    References
    ----------
    .. [1] H. Moritz, Geodetic Reference System 1980, Journal of Geodesy 74 (2000) 128-133.
    """
    latitude_deg = limited(latitude_deg, "latitude", "deg", -90, 90, "give degrees")
    altitude_m = _altitude(altitude_m)
    sine2 = np.sin(np.radians(latitude_deg)) ** 2
    flattened = (1 + _GRAVITY_K * sine2) / np.sqrt(1 - _ECCENTRICITY_SQUARED * sine2)
    surface = _EQUATOR_GRAVITY_M_S2 * flattened
    h = altitude_m / _SEMI_MAJOR_AXIS_M
    slope = 1 + _FLATTENING + _GRAVITY_M - 2 * _FLATTENING * sine2
    return plain(surface * (1 - 2 * slope * h + 3 * h**2))


@dataclass(frozen=True)
class Correction:
    """What engine output is multiplied by to reach reference air, and whether that is allowed.

    Parameters
    ----------
    factor : float or array
        Reference output over measured output. [-]
    within_limits : bool or array of bool
        Whether the standard lets this factor be used. The factor is never clamped.
    standard : str
        Name of the standard.
    limits : tuple of float
        Lowest and highest factor that the standard allows. [-]

    Examples
    --------
    >>> Correction(factor=1.02, within_limits=True, standard="ISO 1585", limits=(0.93, 1.07)).factor
    1.02
    """

    factor: float
    within_limits: bool
    standard: str
    limits: tuple[float, float]


# Both standards refer to 25 degC and 99 kPa of dry air.
REFERENCE_K = 298.15
REFERENCE_DRY_PA = 99e3


def _reference_ratios(temperature_k, pressure_abs_pa, relative_humidity):
    """Reference over actual dry pressure, and actual over reference temperature."""
    temperature_k, pressure_abs_pa = _temperature(temperature_k), _pressure(pressure_abs_pa)
    dry_pa = pressure_abs_pa - vapour_pressure_pa(temperature_k, relative_humidity)
    return REFERENCE_DRY_PA / dry_pa, temperature_k / REFERENCE_K


def _correction(factor, standard, limits):
    within = (factor >= limits[0]) & (factor <= limits[1])
    return Correction(plain(factor), plain(within), standard, limits)


def correction_sae_j1349(
    *, temperature_k: ArrayLike, pressure_abs_pa: ArrayLike, relative_humidity: ArrayLike
) -> Correction:
    """Correction of engine output to reference air after SAE J1349.

    Parameters
    ----------
    temperature_k : float or array
        Of the air that the engine draws. [K]
    pressure_abs_pa : float or array
        Where the bike is, not reduced to sea level. [Pa]
    relative_humidity : float or array
        0 to 1. [-]

    Returns
    -------
    correction : Correction

    Notes
    -----
    1.180·(99 kPa/p_dry)·√(T/298.15 K) − 0.18, for engines without charging; 85 % mechanical
    efficiency is built in. Limits 0.95 to 1.05, as later editions have it (from memory).

    Examples
    --------
    >>> correction = correction_sae_j1349(
    ...     temperature_k=303.15, pressure_abs_pa=95e3, relative_humidity=0.4
    ... )
    >>> round(correction.factor, 3), correction.within_limits
    (1.083, False)

    References
    ----------
    .. [1] SAE J1349, Engine Power Test Code, Spark Ignition and Compression Ignition, June 1990.
    """
    pressure, temperature = _reference_ratios(temperature_k, pressure_abs_pa, relative_humidity)
    return _correction(1.180 * pressure * temperature**0.5 - 0.18, "SAE J1349", (0.95, 1.05))


def correction_iso_1585(
    *, temperature_k: ArrayLike, pressure_abs_pa: ArrayLike, relative_humidity: ArrayLike
) -> Correction:
    """Correction of engine output to reference air after ISO 1585.

    Parameters
    ----------
    temperature_k : float or array
        Of the air that the engine draws. [K]
    pressure_abs_pa : float or array
        Where the bike is, not reduced to sea level. [Pa]
    relative_humidity : float or array
        0 to 1. [-]

    Returns
    -------
    correction : Correction

    Notes
    -----
    (99 kPa/p_dry)^1.2·(T/298.15 K)^0.6, for spark ignition without charging. Form and limits, 0.93
    to 1.07, are from memory.

    Examples
    --------
    >>> correction = correction_iso_1585(
    ...     temperature_k=303.15, pressure_abs_pa=98e3, relative_humidity=0.0
    ... )
    >>> round(correction.factor, 3), correction.within_limits
    (1.022, True)

    References
    ----------
    .. [1] ISO 1585, Road vehicles, Engine test code, Net power.
    """
    pressure, temperature = _reference_ratios(temperature_k, pressure_abs_pa, relative_humidity)
    return _correction(pressure**1.2 * temperature**0.6, "ISO 1585", (0.93, 1.07))
