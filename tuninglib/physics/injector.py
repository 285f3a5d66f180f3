"""Injector flow: scaling with pressure and fuel, the first guess for a new engine, open time."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import plain, require
from tuninglib.interval import Z_95, Interval
from tuninglib.physics.engine import cycle_time_s


def flow_at_pressure(
    flow_m3_s: ArrayLike, *, rated_pressure_pa: ArrayLike, pressure_pa: ArrayLike
) -> float | np.ndarray:
    """Flow of an injector at another pressure than the one it is stated at.

    Parameters
    ----------
    flow_m3_s : float or array
        Stated volume flow, or mass flow: the ratio is the same. [m3/s]
    rated_pressure_pa : float or array
        Pressure difference across the injector at which the flow is stated. [Pa]
    pressure_pa : float or array
        Pressure difference across it on the bike. [Pa]

    Returns
    -------
    flow_m3_s : same shape
        [m3/s]

    Notes
    -----
    ``flow * sqrt(pressure / rated_pressure)``: the orifice equation at constant discharge
    coefficient [1]_. Holds while the nozzle neither cavitates more nor opens less than when it
    was rated; within about a factor of two of the rated pressure.

    Examples
    --------
    From 3 to 4 bar:

    >>> flow_at_pressure(150.0, rated_pressure_pa=3e5, pressure_pa=4e5)
    173.205

    References
    ----------
    .. [1] ISO 5167-1:2003, Measurement of fluid flow by means of pressure differential devices,
       equation 1 (number from memory).
    """
    flow_m3_s = require(flow_m3_s, "flow", "m3/s", above=0)
    rated_pressure_pa = require(rated_pressure_pa, "rated pressure", "Pa", above=0)
    pressure_pa = require(pressure_pa, "pressure", "Pa", above=0)
    return plain(flow_m3_s * np.sqrt(pressure_pa / rated_pressure_pa))


def flow_on_fuel(
    flow_m3_s: ArrayLike, *, rated_density_kg_m3: ArrayLike, density_kg_m3: ArrayLike
) -> float | np.ndarray:
    """Volume flow of an injector on another liquid than the one it is stated on.

    Parameters
    ----------
    flow_m3_s : float or array
        Stated volume flow. [m3/s]
    rated_density_kg_m3 : float or array
        Density of the liquid it is stated on; for n-heptane, the usual test fluid, about 683 at
        21 degC. [kg/m3]
    density_kg_m3 : float or array
        Density of the fuel in the tank. [kg/m3]

    Returns
    -------
    flow_m3_s : same shape
        [m3/s]

    Notes
    -----
    ``flow * sqrt(rated_density / density)`` at the same pressure and discharge coefficient: a
    denser fuel flows at less volume and more mass, each by the root of the density ratio [1]_.
    Viscosity is left out.

    Examples
    --------
    >>> flow_on_fuel(150.0, rated_density_kg_m3=683.6, density_kg_m3=745.0)
    143.686

    References
    ----------
    .. [1] ISO 5167-1:2003, equation 1 (number from memory).
    """
    flow_m3_s = require(flow_m3_s, "flow", "m3/s", above=0)
    rated_density_kg_m3 = require(rated_density_kg_m3, "rated density", "kg/m3", above=0)
    density_kg_m3 = require(density_kg_m3, "density", "kg/m3", above=0)
    return plain(flow_m3_s * np.sqrt(rated_density_kg_m3 / density_kg_m3))


def mass_flow_kg_s(
    flow_m3_s: ArrayLike, *, density_kg_m3: ArrayLike, rated_density_kg_m3: ArrayLike | None = None
) -> float | np.ndarray:
    """Mass flow of an injector that stays open.

    Parameters
    ----------
    flow_m3_s : float or array
        Volume flow on this fuel, or on the liquid that it is stated on. [m3/s]
    density_kg_m3 : float or array
        Of this fuel. [kg/m3]
    rated_density_kg_m3 : float or array, optional
        Of the liquid that the flow is stated on, if another. [kg/m3]

    Returns
    -------
    mass_flow_kg_s : same shape
        [kg/s]

    Examples
    --------
    150 cm3/min of a fuel of 740 kg/m3 is 111 g/min:

    >>> mass_flow_kg_s(150e-6 / 60, density_kg_m3=740.0)
    0.00185
    """
    flow_m3_s = require(flow_m3_s, "flow", "m3/s", above=0)
    density_kg_m3 = require(density_kg_m3, "density", "kg/m3", above=0)
    if rated_density_kg_m3 is not None:
        densities = {"rated_density_kg_m3": rated_density_kg_m3, "density_kg_m3": density_kg_m3}
        flow_m3_s = flow_on_fuel(flow_m3_s, **densities)
    return plain(flow_m3_s * density_kg_m3)


def metering_demand(
    stoichiometric_ratio: ArrayLike, density_kg_m3: ArrayLike
) -> float | np.ndarray:
    """Air that a pulse of a fuel asks for: the same pulse's lambda falls with it.

    Parameters
    ----------
    stoichiometric_ratio : float or array
        [unitless]
    density_kg_m3 : float or array
        [kg/m3]

    Returns
    -------
    demand : same shape
        ``stoichiometric_ratio * sqrt(density)``; only quotients mean anything.

    Notes
    -----
    At the same pressure and open time an injector delivers mass in proportion to the root of the
    density, as in :func:`flow_on_fuel`.

    Examples
    --------
    The same pulse of a fuel with a tenth of ethanol is leaner by 3 %:

    >>> metering_demand(14.56, 745.0) / metering_demand(14.04, 749.4)
    1.034
    """
    return plain(np.asarray(stoichiometric_ratio) * np.sqrt(density_kg_m3))


@dataclass(frozen=True, kw_only=True)
class EngineChange:
    """A change of engine, target, pressure or fuel, as ratios, and how far each may be off.

    Parameters
    ----------
    displacement_ratio : float or array
        New over old displacement.
    breathing_ratio : float or array
        New over old volumetric efficiency at full throttle.
    lambda_ratio : float or array
        Lambda read with the old injector over target lambda.
    pressure_ratio : float or array
        Old over new fuel pressure; the answer is a flow stated at the old pressure.
    fuel_ratio : float or array
        :func:`metering_demand`, old fuel over new fuel.
    displacement_sd, breathing_sd, lambda_sd, pressure_sd, fuel_sd : float or array
        Relative standard deviation of each of the above. [1]
    """

    displacement_ratio: float = 1.0
    breathing_ratio: float = 1.0
    lambda_ratio: float = 1.0
    pressure_ratio: float = 1.0
    fuel_ratio: float = 1.0
    displacement_sd: float = 0.0
    breathing_sd: float = 0.0
    lambda_sd: float = 0.0
    pressure_sd: float = 0.0
    fuel_sd: float = 0.0

    def __post_init__(self):
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name.endswith("_ratio"):
                require(value, field.name.replace("_", " "), "", above=0)
            else:
                require(value, "relative standard deviation", "", at_least=0)


def first_guess_flow(
    flow_m3_s: ArrayLike, change: EngineChange, *, flow_sd: ArrayLike = 0.0
) -> Interval:
    """Injector flow that a change of engine, target or fuel calls for, with its 95 % range.

    Parameters
    ----------
    flow_m3_s : float or array
        Flow of the injector fitted now. [m3/s]
    change : EngineChange
    flow_sd : float or array
        Relative standard deviation of the flow. [1]

    Returns
    -------
    Interval
        Of floats or arrays. [m3/s]

    Notes
    -----
    The same fuel table opens the injector for the same time, so flow has to grow with the air and
    shrink with the root of the pressure. The factors multiply, so their logarithms are taken as
    independent and normal and the relative standard deviations add in quadrature (the pressure's
    halved) [1]_. Meant for standard deviations below about 0.2.

    Examples
    --------
    A tenth more displacement, breathing unsure by 4 %, lambda 0.90 brought to 0.88:

    >>> change = EngineChange(displacement_ratio=1.1, breathing_sd=0.04, lambda_ratio=0.90 / 0.88)
    >>> guess = first_guess_flow(150.0, change)
    >>> guess.value, guess.low, guess.high
    (168.75, 156.02, 182.51)

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 5.1.6.
    """
    flow_m3_s = require(flow_m3_s, "flow", "m3/s", above=0)
    flow_sd = require(flow_sd, "relative standard deviation", "", at_least=0)
    of = {field.name: np.asarray(getattr(change, field.name)) for field in fields(change)}
    flow = flow_m3_s * of["displacement_ratio"] * of["breathing_ratio"] * of["lambda_ratio"]
    flow = flow * np.sqrt(of["pressure_ratio"]) * of["fuel_ratio"]
    others = of["displacement_sd"] ** 2 + of["breathing_sd"] ** 2 + of["lambda_sd"] ** 2
    sd = np.sqrt(flow_sd**2 + others + (of["pressure_sd"] / 2) ** 2 + of["fuel_sd"] ** 2)
    spread = np.exp(Z_95 * sd)
    return Interval(plain(flow), plain(flow / spread), plain(flow * spread))


def open_time_s(
    fuel_mass_kg: ArrayLike, *, mass_flow_kg_s: ArrayLike, dead_time_s: ArrayLike = 0.0
) -> float | np.ndarray:
    """Time that the injector has to be powered for one shot of fuel.

    Parameters
    ----------
    fuel_mass_kg : float or array
        [kg]
    mass_flow_kg_s : float or array
        Of the open injector. [kg/s]
    dead_time_s : float or array
        From the pulse to the flow. [s]

    Returns
    -------
    open_time_s : same shape
        [s]

    Notes
    -----
    ``fuel_mass / mass_flow + dead_time``: the straight part of an injector's calibration, whose
    slope is the flow and whose offset on the time axis is the dead time. Very short shots, below
    about twice the dead time, leave the straight line.

    Examples
    --------
    >>> open_time_s(11.1e-6, mass_flow_kg_s=1.85e-3, dead_time_s=1e-3)
    0.007
    """
    fuel_mass_kg = require(fuel_mass_kg, "fuel mass", "kg", above=0)
    mass_flow_kg_s = require(mass_flow_kg_s, "mass flow", "kg/s", above=0)
    dead_time_s = require(dead_time_s, "dead time", "s", at_least=0)
    return plain(fuel_mass_kg / mass_flow_kg_s + dead_time_s)


def open_time_fraction(
    open_time_s: ArrayLike, *, engine_speed_rpm: ArrayLike
) -> float | np.ndarray:
    """Share of one cycle that the injector is powered, four-stroke, one shot a cycle.

    Parameters
    ----------
    open_time_s : float or array
        [s]
    engine_speed_rpm : float or array
        [1/min]

    Returns
    -------
    open_time_fraction : same shape
        Above 1 the fuel does not fit into the cycle. [1]

    Notes
    -----
    Common practice keeps it below 0.85 to 0.9, because the flow of an injector that hardly closes
    is not repeatable (from memory; makers differ).

    Examples
    --------
    >>> open_time_fraction(0.0102, engine_speed_rpm=10000.0)
    0.85
    """
    open_time_s = require(open_time_s, "open time", "s", above=0)
    return plain(open_time_s / cycle_time_s(engine_speed_rpm))


def flow_that_runs_out(
    fuel_mass_kg: ArrayLike,
    *,
    density_kg_m3: ArrayLike,
    engine_speed_rpm: ArrayLike,
    dead_time_s: ArrayLike = 0.0,
    highest_fraction: ArrayLike = 0.85,
) -> float | np.ndarray:
    """Smallest volume flow that still gets one shot of fuel into the cycle.

    Parameters
    ----------
    fuel_mass_kg : float or array
        Fuel of one cycle. [kg]
    density_kg_m3 : float or array
        Of the fuel. [kg/m3]
    engine_speed_rpm : float or array
        The highest one under load. [1/min]
    dead_time_s : float or array
        [s]
    highest_fraction : float or array
        Usable share of the cycle, above 0 and at most 1; see :func:`open_time_fraction`. [1]

    Returns
    -------
    flow_m3_s : same shape
        A smaller injector runs out of time at this speed. [m3/s]

    Notes
    -----
    ``fuel_mass / (density * (highest_fraction * 120 / rpm - dead_time))``.

    Examples
    --------
    8.88 mg in 0.85 of 12 ms less 1 ms, in cm3/min:

    >>> flow = flow_that_runs_out(8.88e-6, density_kg_m3=740.0, engine_speed_rpm=10000.0,
    ...                           dead_time_s=1e-3)
    >>> flow * 60e6
    78.26
    """
    fuel_mass_kg = require(fuel_mass_kg, "fuel mass", "kg", above=0)
    density_kg_m3 = require(density_kg_m3, "density", "kg/m3", above=0)
    dead_time_s = require(dead_time_s, "dead time", "s", at_least=0)
    usable_s = _usable_share(highest_fraction) * cycle_time_s(engine_speed_rpm) - dead_time_s
    remedy = "no injector is fast enough here"
    usable_s = require(usable_s, "usable time less dead time", "s", above=0, remedy=remedy)
    return plain(fuel_mass_kg / (density_kg_m3 * usable_s))


def mass_flow_for_power_kg_s(
    power_w: ArrayLike, *, specific_consumption_kg_j: ArrayLike, highest_fraction: ArrayLike = 0.85
) -> float | np.ndarray:
    """Mass flow that an injector needs for an engine power, by specific consumption.

    Parameters
    ----------
    power_w : float or array
        At the crankshaft. [W]
    specific_consumption_kg_j : float or array
        Brake-specific fuel consumption; 300 g/kWh is 8.33e-8. [kg/J]
    highest_fraction : float or array
        Usable share of the cycle. [1]

    Returns
    -------
    mass_flow_kg_s : same shape
        [kg/s]

    Notes
    -----
    A rule for an engine that has not run yet: full-throttle consumption is known to some 15 % at
    best. Dead time is left out.

    Examples
    --------
    8 kW at 340 g/kWh:

    >>> flow = mass_flow_for_power_kg_s(8000.0, specific_consumption_kg_j=0.340 / 3.6e6)
    >>> flow * 1e3  # g/s
    0.88889
    """
    power_w = require(power_w, "power", "W", above=0)
    kg_j = require(specific_consumption_kg_j, "specific consumption", "kg/J", above=0)
    return plain(power_w * kg_j / _usable_share(highest_fraction))


def _usable_share(highest_fraction) -> np.ndarray:
    limits = {"above": 0, "at_most": 1, "remedy": "give the share of the cycle, such as 0.85"}
    return require(highest_fraction, "highest usable fraction", "", **limits)
