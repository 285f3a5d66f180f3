"""The engine: displacement, compression, piston speed, mean pressure, air and fuel of one cycle."""

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import limited, plain, positive, require, require_or_missing


def _cylinder_size(value, what) -> np.ndarray:
    return limited(value, what, "m", 0.01, 0.5, "57 mm is 0.057 m")


def displacement_m3(
    *, bore_m: ArrayLike, stroke_m: ArrayLike, cylinders: ArrayLike = 1
) -> float | np.ndarray:
    """Volume that the pistons sweep.

    Parameters
    ----------
    bore_m, stroke_m : float or array
        [m]
    cylinders : int or array
        [-]

    Returns
    -------
    displacement_m3 : same shape
        Of all cylinders. [m3]

    Notes
    -----
    π/4·bore²·stroke·cylinders.

    Examples
    --------
    >>> round(displacement_m3(bore_m=0.060, stroke_m=0.054) * 1e6, 1)
    152.7
    """
    bore_m = _cylinder_size(bore_m, "bore")
    stroke_m = _cylinder_size(stroke_m, "stroke")
    remedy = "count them"
    cylinders = require_or_missing(cylinders, "number of cylinders", "", at_least=1, remedy=remedy)
    return plain(np.pi / 4 * bore_m**2 * stroke_m * cylinders)


def compression_ratio(
    *, swept_volume_m3: ArrayLike, clearance_volume_m3: ArrayLike
) -> float | np.ndarray:
    """Geometric compression ratio of one cylinder.

    Parameters
    ----------
    swept_volume_m3 : float or array
        Displacement of one cylinder. [m3]
    clearance_volume_m3 : float or array
        What is left above the piston at the top, gasket and plug thread counted in. [m3]

    Returns
    -------
    compression_ratio : same shape
        [-]

    Notes
    -----
    (swept + clearance)/clearance. A larger bore under the same head raises it.

    Examples
    --------
    >>> round(compression_ratio(swept_volume_m3=150e-6, clearance_volume_m3=16.5e-6), 2)
    10.09
    """
    swept_volume_m3 = positive(swept_volume_m3, "swept volume", "m3")
    clearance_volume_m3 = positive(clearance_volume_m3, "clearance volume", "m3")
    return plain(swept_volume_m3 / clearance_volume_m3 + 1)


def chamber_with_kit_m3(
    chamber_m3: ArrayLike, *, dome_m3: ArrayLike, bore_m: ArrayLike, gasket_m: ArrayLike
) -> float | np.ndarray:
    """Volume above the piston at the top once a kit with another crown and gaskets is on.

    Parameters
    ----------
    chamber_m3 : float or array
        Before, gasket and plug thread counted in. [m3]
    dome_m3 : float or array
        What the new crown takes from it beyond the old one; minus for a dish. [m3]
    bore_m : float or array
        Of the gasket's hole, taken to be the new bore. [m]
    gasket_m : float or array
        By how much the gaskets are thicker together; minus for thinner. [m]

    Returns
    -------
    chamber_m3 : same shape
        [m3]

    Raises
    ------
    ValueError
        If nothing would be left of it.

    Notes
    -----
    Geometry: a gasket adds its area times its thickness.

    Examples
    --------
    >>> round(chamber_with_kit_m3(17e-6, dome_m3=2e-6, bore_m=0.06, gasket_m=0.0005) * 1e6, 3)
    16.414
    """
    chamber_m3 = positive(chamber_m3, "chamber", "m3")
    bore_m = positive(bore_m, "bore", "m")
    left = chamber_m3 - np.asarray(dome_m3) + np.pi / 4 * bore_m**2 * np.asarray(gasket_m)
    remedy = "the piston would touch the head; measure dome and gaskets"
    return plain(require(left, "chamber with the kit", "m3", above=0, remedy=remedy))


def mean_piston_speed_m_s(
    *, stroke_m: ArrayLike, engine_speed_rpm: ArrayLike
) -> float | np.ndarray:
    """Mean speed of the piston over a turn of the crank.

    Parameters
    ----------
    stroke_m : float or array
        [m]
    engine_speed_rpm : float or array
        [1/min]

    Returns
    -------
    speed_m_s : same shape
        [m/s]

    Notes
    -----
    2·stroke·turns per second.

    Examples
    --------
    >>> round(mean_piston_speed_m_s(stroke_m=0.0579, engine_speed_rpm=8500), 1)
    16.4
    """
    stroke_m = _cylinder_size(stroke_m, "stroke")
    engine_speed_rpm = positive(engine_speed_rpm, "engine speed", "1/min")
    return plain(2 * stroke_m * engine_speed_rpm / 60)


# First zero of the derivative of the Bessel function J1.
_FIRST_TANGENTIAL = 1.8412
# In the gas that burns (common practice, 900 to 1000 m/s).
SOUND_IN_BURNT_GAS_M_S = 950.0


def first_tangential_mode_hz(bore_m: ArrayLike) -> float | np.ndarray:
    """Frequency at which the gas in a cylinder rings when it knocks.

    Parameters
    ----------
    bore_m : float or array
        [m]

    Returns
    -------
    frequency_hz : same shape
        [1/s]

    Notes
    -----
    1.8412 c / (pi bore), the first mode that runs around a round chamber [1]_.

    Examples
    --------
    >>> round(first_tangential_mode_hz(0.0635))
    8768

    References
    ----------
    .. [1] Draper, C. S.: The physical effects of detonation in a closed cylindrical chamber. NACA
       Report 493 (1934); from memory.
    """
    bore_m = _cylinder_size(bore_m, "bore")
    return plain(_FIRST_TANGENTIAL * SOUND_IN_BURNT_GAS_M_S / (np.pi * bore_m))


def torque_n_m(*, power_w: ArrayLike, engine_speed_rpm: ArrayLike) -> float | np.ndarray:
    """Torque of a shaft that carries a given power.

    Parameters
    ----------
    power_w : float or array
        [W]
    engine_speed_rpm : float or array
        [1/min]

    Returns
    -------
    torque_n_m : same shape
        [N·m]

    Notes
    -----
    Power over angular speed, 2π turns per second.

    Examples
    --------
    >>> round(torque_n_m(power_w=9000.0, engine_speed_rpm=8000), 2)
    10.74
    """
    engine_speed_rpm = positive(engine_speed_rpm, "engine speed", "1/min")
    power_w = require_or_missing(power_w, "power", "W")
    return plain(power_w / (2 * np.pi * engine_speed_rpm / 60))


def cycle_time_s(engine_speed_rpm: ArrayLike) -> float | np.ndarray:
    """Time of one four-stroke cycle, two turns of the crank.

    Parameters
    ----------
    engine_speed_rpm : float or array
        [1/min]

    Returns
    -------
    time_s : same shape
        [s]

    Notes
    -----
    120/engine speed. It is all the time there is to inject the fuel of one cycle.

    Examples
    --------
    >>> cycle_time_s(8000)
    0.015
    """
    engine_speed_rpm = positive(engine_speed_rpm, "engine speed", "1/min")
    return plain(120 / engine_speed_rpm)


def air_mass_per_cycle_kg(
    *, displacement_m3: ArrayLike, air_density_kg_m3: ArrayLike, volumetric_efficiency: ArrayLike
) -> float | np.ndarray:
    """Air that an engine draws in one cycle.

    Parameters
    ----------
    displacement_m3 : float or array
        [m3]
    air_density_kg_m3 : float or array
        Of the outside air. [kg/m3]
    volumetric_efficiency : float or array
        Share of the displacement that is filled with air of that density. [-]

    Returns
    -------
    air_mass_kg : same shape
        [kg]

    Examples
    --------
    >>> air_kg = air_mass_per_cycle_kg(
    ...     displacement_m3=150e-6, air_density_kg_m3=1.184, volumetric_efficiency=0.85
    ... )
    >>> round(air_kg * 1e6, 2)
    150.96
    """
    displacement_m3 = positive(displacement_m3, "displacement", "m3")
    air_density_kg_m3 = positive(air_density_kg_m3, "air density", "kg/m3")
    limits = {"above": 0, "at_most": 2, "remedy": "0.85 is 85 %"}
    filled = require_or_missing(volumetric_efficiency, "volumetric efficiency", "", **limits)
    return plain(displacement_m3 * air_density_kg_m3 * filled)


def fuel_mass_per_cycle_kg(
    *, air_mass_kg: ArrayLike, lambda_: ArrayLike, stoichiometric_ratio: ArrayLike
) -> float | np.ndarray:
    """Fuel that brings the air of one cycle to a given lambda.

    Parameters
    ----------
    air_mass_kg : float or array
        [kg]
    lambda_ : float or array
        [-]
    stoichiometric_ratio : float or array
        Of the fuel in the tank. [kg air/kg fuel]

    Returns
    -------
    fuel_mass_kg : same shape
        [kg]

    Examples
    --------
    >>> fuel_kg = fuel_mass_per_cycle_kg(
    ...     air_mass_kg=150.96e-6, lambda_=0.88, stoichiometric_ratio=14.1
    ... )
    >>> round(fuel_kg * 1e6, 2)
    12.17
    """
    air_mass_kg = positive(air_mass_kg, "air mass", "kg")
    lambda_ = positive(lambda_, "lambda", "")
    stoichiometric_ratio = positive(stoichiometric_ratio, "stoichiometric ratio", "kg/kg")
    return plain(air_mass_kg / (lambda_ * stoichiometric_ratio))
