"""The injector flow that a change of engine calls for, before anything is read."""

from dataclasses import dataclass

from tuninglib.analysis.injector import AIR_DENSITY_KG_M3, HIGHEST_SHARE
from tuninglib.interval import Z_95, Interval
from tuninglib.physics.blend import PETROL_DENSITY_KG_M3, Blend
from tuninglib.physics.engine import air_mass_per_cycle_kg, cycle_time_s, fuel_mass_per_cycle_kg
from tuninglib.physics.injector import (
    first_guess_flow,
    flow_on_fuel,
    flow_that_runs_out,
    mass_flow_kg_s,
    metering_demand,
    open_time_s,
)

DEAD_TIME_S = 1e-3  # default of a session's injectors


@dataclass(frozen=True, kw_only=True)
class Change:
    """From the engine, injector and fuel that were read to those that are planned.

    Attributes
    ----------
    flow_m3_s, flow_tolerance : float
        Injector fitted now, and how far it may be off (95 %, as a ratio).
    lambda_read, lambda_wanted, gauge_accuracy : float
        The last as a ratio (95 %).
    old_displacement_m3, new_displacement_m3 : float
    breathing_ratio, breathing_half_width : float
        New over old volumetric efficiency, and its 95 % half-width.
    old_pressure_pa, new_pressure_pa : float
    old_ethanol, new_ethanol : float
        By volume, 0 to 1.
    breathing, engine_speed_rpm, cylinders : float
        Volumetric efficiency before the change, and the highest engine speed.
    idle_pulse_s : float
        That the injector fitted now is given at a warm idle, dead time included.
    chosen_m3_s : float or None
        Flow of the injector that is to be had, at the new pressure; None: the one called for.
    """

    flow_m3_s: float
    flow_tolerance: float
    lambda_read: float
    lambda_wanted: float
    gauge_accuracy: float
    old_displacement_m3: float
    new_displacement_m3: float
    breathing_ratio: float
    breathing_half_width: float
    old_pressure_pa: float
    new_pressure_pa: float
    old_ethanol: float
    new_ethanol: float
    breathing: float
    engine_speed_rpm: float
    cylinders: float = 1.0
    idle_pulse_s: float = 2e-3
    chosen_m3_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Guess:
    """What the change calls for; flows are at the new pressure.

    Attributes
    ----------
    flow_m3_s, stated_at_old_pressure_m3_s : Interval
    open_time_s, cycle_time_s, runs_out_m3_s : float
    idle_pulse_s : float
        At idle with the injector that is to be had.
    trims : tuple of float
        What the ECU must add where it corrects at part load, as ratios, lower first: with a table
        by throttle, where the air stays as it was, and with one by manifold pressure, where it
        grows with the engine. Below zero it must take away.
    """

    flow_m3_s: Interval
    stated_at_old_pressure_m3_s: Interval
    open_time_s: float
    cycle_time_s: float
    runs_out_m3_s: float
    idle_pulse_s: float
    trims: tuple


def guess_of(change: Change) -> Guess:
    """First guess, open time and the flow that runs out.

    Parameters
    ----------
    change : Change
    """
    before, after = Blend(change.old_ethanol), Blend(change.new_ethanol)
    old, new = (metering_demand(b.stoichiometric_ratio, b.density_kg_m3) for b in (before, after))
    pressure = (change.old_pressure_pa / change.new_pressure_pa) ** 0.5
    guess = first_guess_flow(
        change.flow_m3_s,
        displacement_ratio=change.new_displacement_m3 / change.old_displacement_m3,
        breathing_ratio=change.breathing_ratio,
        lambda_ratio=change.lambda_read / change.lambda_wanted,
        pressure_ratio=change.old_pressure_pa / change.new_pressure_pa,
        fuel_ratio=old / new,
        flow_sd=change.flow_tolerance / Z_95,
        breathing_sd=change.breathing_half_width / Z_95,
        lambda_sd=change.gauge_accuracy / Z_95,
    )
    stated = guess.flow_m3_s
    # first_guess_flow states it at the old pressure; on the bike it flows by the root more.
    flow = stated.scaled(1 / pressure)
    fuel = fuel_mass_per_cycle_kg(
        air_mass_kg=air_mass_per_cycle_kg(
            displacement_m3=change.new_displacement_m3 / change.cylinders,
            air_density_kg_m3=AIR_DENSITY_KG_M3,
            volumetric_efficiency=change.breathing * change.breathing_ratio,
        ),
        lambda_=change.lambda_wanted,
        stoichiometric_ratio=after.stoichiometric_ratio,
    )
    mass_flow = mass_flow_kg_s(
        flow.value, density_kg_m3=after.density_kg_m3, rated_density_kg_m3=PETROL_DENSITY_KG_M3
    )
    runs_out = flow_that_runs_out(
        fuel,
        density_kg_m3=after.density_kg_m3,
        engine_speed_rpm=change.engine_speed_rpm,
        dead_time_s=DEAD_TIME_S,
        highest_fraction=HIGHEST_SHARE,
    )
    # How much more of the air that is there the new injector's fuel burns in the same time.
    richer = (change.chosen_m3_s or flow.value) / change.flow_m3_s * new / old
    air = change.new_displacement_m3 / change.old_displacement_m3 * change.breathing_ratio
    return Guess(
        idle_pulse_s=DEAD_TIME_S + (change.idle_pulse_s - DEAD_TIME_S) / richer,
        trims=tuple(sorted((1 / richer - 1, air / richer - 1))),
        flow_m3_s=flow,
        stated_at_old_pressure_m3_s=stated,
        open_time_s=open_time_s(fuel, mass_flow_kg_s=mass_flow, dead_time_s=DEAD_TIME_S),
        cycle_time_s=cycle_time_s(change.engine_speed_rpm),
        runs_out_m3_s=flow_on_fuel(
            runs_out,
            rated_density_kg_m3=after.density_kg_m3,
            density_kg_m3=PETROL_DENSITY_KG_M3,
        ),
    )
