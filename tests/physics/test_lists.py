"""A list is as good as an array, for every argument of every public function of the physics."""

import dataclasses
import importlib
import inspect
import pkgutil

import numpy as np
import pytest

from tuninglib import physics
from tuninglib.physics import (
    air,
    engine,
    fuels,
    gearing,
    injector,
    motion,
    road_load,
    stoichiometry,
    track,
)

RIDE = {
    "hill": motion.Hill(400.0, 0.05),
    "mass_kg": 200.0,
    "air_density_kg_m3": 1.2,
    "drag_area_m2": 0.55,
    "rolling_coefficient": 0.015,
    "rotating_mass_kg": 8.0,
    "wind_m_s": 1.0,
    "gravity_m_s2": 9.81,
}
MILD = {"temperature_k": 293.15, "pressure_abs_pa": 99e3, "relative_humidity": 0.5}
ENTRY, EXIT = {"entry_speed_m_s": 13.0}, {"exit_speed_m_s": 17.0}
FORCE, POWER = {"force_n": 290.0}, {"power_w": 4500.0}
EXHAUST = {
    "carbon_dioxide_mole_fraction": 0.12,
    "carbon_monoxide_mole_fraction": 0.04,
    "oxygen_mole_fraction": 0.01,
    "hydrogen_to_carbon": 1.85,
    "oxygen_to_carbon": 0.02,
    "hydrocarbon_mole_fraction": 0.001,
    "nitric_oxide_mole_fraction": 0.002,
    "water_gas_constant": 3.5,
}
CHANGES = dict.fromkeys(
    [f"{what}_ratio" for what in ("displacement", "breathing", "lambda", "pressure", "fuel")], 1.1
) | dict.fromkeys(
    [f"{w}_sd" for w in ("flow", "displacement", "breathing", "lambda", "pressure", "fuel")], 0.02
)

# Each function with good arguments; those on a ride stand below.
GOOD = {
    air.saturation_pressure_pa: {"temperature_k": 293.15},
    air.vapour_pressure_pa: {"temperature_k": 293.15, "relative_humidity": 0.5},
    air.dew_point_k: {"water_vapour_pressure_pa": 1200.0},
    air.air_density_kg_m3: MILD,
    air.standard_temperature_k: {"altitude_m": 500.0},
    air.standard_pressure_pa: {"altitude_m": 500.0},
    air.normal_gravity_m_s2: {"latitude_deg": 45.0, "altitude_m": 500.0},
    air.correction_sae_j1349: MILD,
    air.correction_iso_1585: MILD,
    fuels.density_at_temperature: {
        "density_15_kg_m3": 745.0,
        "temperature_k": 303.15,
        "ethanol_volume_fraction": 0.1,
    },
    fuels.content_after_topping_up: {
        "tank_volume_m3": 0.003,
        "tank_ethanol_volume_fraction": 0.05,
        "added_volume_m3": 0.001,
        "added_ethanol_volume_fraction": 0.85,
    },
    fuels.volume_to_add: {
        "tank_volume_m3": 0.003,
        "tank_ethanol_volume_fraction": 0.05,
        "added_ethanol_volume_fraction": 0.85,
        "wanted_ethanol_volume_fraction": 0.25,
    },
    fuels.anti_knock_index: {"ron": 95.0, "mon": 85.0},
    engine.displacement_m3: {"bore_m": 0.057, "stroke_m": 0.058, "cylinders": 2},
    gearing.overall_ratio: {"primary": 3.0, "gear": 1.1, "front_teeth": 14.0, "rear_teeth": 42.0},
    gearing.engine_speed_rpm: {"speed_m_s": 20.0, "ratio": 9.0, "circumference_m": 1.8},
    gearing.road_speed_m_s: {"engine_speed": 6000.0, "ratio": 9.0, "circumference_m": 1.8},
    gearing.crank_torque_n_m: {
        "force_n": 270.0,
        "ratio": 9.0,
        "circumference_m": 1.8,
        "efficiency": 0.9,
    },
    engine.chamber_with_kit_m3: {
        "chamber_m3": 17e-6,
        "dome_m3": 2e-6,
        "bore_m": 0.06,
        "gasket_m": 0.0005,
    },
    engine.compression_ratio: {"swept_volume_m3": 150e-6, "clearance_volume_m3": 16e-6},
    engine.mean_piston_speed_m_s: {"stroke_m": 0.058, "engine_speed_rpm": 8500.0},
    engine.torque_n_m: {"power_w": 9000.0, "engine_speed_rpm": 8000.0},
    engine.brake_mean_effective_pressure_pa: {"torque_n_m": 10.0, "displacement_m3": 150e-6},
    engine.cycle_time_s: {"engine_speed_rpm": 8000.0},
    engine.air_mass_per_cycle_kg: {
        "displacement_m3": 150e-6,
        "air_density_kg_m3": 1.18,
        "volumetric_efficiency": 0.85,
    },
    engine.fuel_mass_per_cycle_kg: {
        "air_mass_kg": 150e-6,
        "lambda_": 0.88,
        "stoichiometric_ratio": 14.0,
    },
    engine.head_temperature_difference_ratio: {"power_ratio": 1.1, "cooling_air_ratio": 0.9},
    injector.flow_at_pressure: {
        "flow_m3_s": 2.5e-6,
        "rated_pressure_pa": 3e5,
        "pressure_pa": 2.5e5,
    },
    injector.metering_demand: {"stoichiometric_ratio": 14.3, "density_kg_m3": 745.0},
    injector.flow_on_fuel: {
        "flow_m3_s": 2.5e-6,
        "rated_density_kg_m3": 684.0,
        "density_kg_m3": 750.0,
    },
    injector.mass_flow_kg_s: {"flow_m3_s": 2.5e-6, "density_kg_m3": 750.0},
    injector.first_guess_flow: {"flow_m3_s": 2.5e-6, **CHANGES},
    injector.open_time_s: {"fuel_mass_kg": 1e-5, "mass_flow_kg_s": 2e-3, "dead_time_s": 1e-3},
    injector.open_time_fraction: {"open_time_s": 0.008, "engine_speed_rpm": 9000.0},
    injector.flow_that_runs_out: {
        "fuel_mass_kg": 1e-5,
        "density_kg_m3": 750.0,
        "engine_speed_rpm": 9000.0,
        "dead_time_s": 1e-3,
        "highest_fraction": 0.8,
    },
    injector.mass_flow_for_power_kg_s: {
        "power_w": 8000.0,
        "specific_consumption_kg_j": 9e-8,
        "highest_fraction": 0.8,
        "injectors": 2,
    },
    road_load.table_force_n: {"mass_kg": 170.0, "speed_m_s": 18.0},
    road_load.table_coefficients: {"mass_kg": 170.0},
    stoichiometry.lambda_from_gauge: {"reading": 12.8, "gauge_scale": 14.7},
    stoichiometry.gauge_from_lambda: {"lambda_": 0.87, "gauge_scale": 14.7},
    stoichiometry.true_ratio: {"lambda_": 0.87, "stoichiometric_ratio": 14.0},
    stoichiometry.exhaust_lambda: EXHAUST,
    stoichiometry.nernst_emf_v: {
        "oxygen_pressure_inside_pa": 1e-10,
        "reference_oxygen_pressure_pa": 2e4,
        "temperature_k": 973.15,
    },
}
ON_A_BLEND = {
    fuels.charge_cooling_j_kg_air: {"lambda_": 0.9},
    fuels.blend_octane: {
        "petrol_octane": 91.0,
        "ethanol_octane": 109.0,
        "petrol_molar_mass_kg_mol": 0.108,
        "interaction": 5.0,
    },
}
ON_A_RIDE = {
    motion.wheel_force_n: ENTRY | EXIT,
    motion.exit_speed_m_s: FORCE | ENTRY,
    motion.travel_time_s: FORCE | ENTRY,
    motion.climb_force_n: {},
    road_load.top_speed_at_force_m_s: FORCE,
    road_load.top_speed_at_power_m_s: POWER,
    motion.exit_speed_by_steps_m_s: ENTRY,
    motion.exit_speed_at_power_m_s: POWER | ENTRY,
    motion.wheel_power_w: ENTRY | EXIT,
    motion.mean_power_w: FORCE | ENTRY,
    motion.predict_exit_speed: FORCE | POWER | ENTRY | {"engine_factor": 0.9},
}
OTHERWISE = {
    gearing.tyre_diameter_m: "takes a size",
    stoichiometry.parse_formula: "takes a formula",
    stoichiometry.molar_mass_kg_mol: "takes a formula",
    stoichiometry.stoichiometric_ratio: "takes a formula",
    fuels.lambda_shift: "takes blends, which are tried as such",
    fuels.on_scale: "takes one octane number",
    fuels.known_higher: "takes two octane numbers",
    fuels.octane_margin: "takes two octane numbers",
    track.local_metres: "takes a place as its origin; lists of degrees in test_track",
    road_load.default_road_load: "is for one bike, with its covariance",
}


def public():
    """Every public function of the physics."""
    for info in pkgutil.iter_modules(physics.__path__, "tuninglib.physics."):
        if info.name.rsplit(".", 1)[-1].startswith("_"):
            continue
        module = importlib.import_module(info.name)
        for name, value in vars(module).items():
            own = inspect.isfunction(value) and value.__module__ == info.name
            if own and not name.startswith("_"):
                yield value


def several(value):
    """Two good values near one, as a list and as an array."""
    pair = [value, 1.001 * value]
    return pair, np.array(pair)


def numbers(result):
    """All numbers of a result, a record's one after another."""
    if dataclasses.is_dataclass(result):
        result = dataclasses.astuple(result)
    if isinstance(result, tuple):
        return [number for one in result for number in numbers(one)]
    return [] if isinstance(result, str) else [np.asarray(result, dtype=float)]


def same(one, other):
    pairs = list(zip(numbers(one), numbers(other), strict=True))
    assert any(number.size > 1 for number, _ in pairs)
    for number, twin in pairs:
        np.testing.assert_array_equal(number, twin)


def test_no_function_is_left_out():
    assert set(public()) == {*GOOD, *ON_A_BLEND, *ON_A_RIDE, *OTHERWISE}


@pytest.mark.parametrize(
    ("function", "key"),
    [(function, key) for function, good in GOOD.items() for key in good],
    ids=lambda one: getattr(one, "__name__", one),
)
def test_lists(function, key):
    listed, array = several(GOOD[function][key])
    same(function(**{**GOOD[function], key: listed}), function(**{**GOOD[function], key: array}))


@pytest.mark.parametrize(
    ("function", "key"),
    [(function, key) for function, good in ON_A_BLEND.items() for key in good],
    ids=lambda one: getattr(one, "__name__", one),
)
def test_lists_on_a_blend(function, key):
    fuel, good = fuels.Blend(0.1), ON_A_BLEND[function]
    listed, array = several(good[key])
    same(function(fuel, **{**good, key: listed}), function(fuel, **{**good, key: array}))


@pytest.mark.parametrize(
    "key",
    ["ethanol_volume_fraction", "petrol_density_kg_m3", "petrol_heating_value_j_kg"],
)
def test_a_blend_of_lists(key):
    good = {
        "ethanol_volume_fraction": 0.1,
        "petrol_density_kg_m3": 745.0,
        "petrol_heating_value_j_kg": 43e6,
    }
    listed, array = (fuels.Blend(**{**good, key: value}) for value in several(good[key]))
    properties = [name for name, value in vars(fuels.Blend).items() if isinstance(value, property)]
    same(
        tuple(getattr(listed, name) for name in properties),
        tuple(getattr(array, name) for name in properties),
    )
    same(
        (fuels.lambda_shift(fuels.Blend(0.0), listed), listed.lower_heating_value_j_m3),
        (fuels.lambda_shift(fuels.Blend(0.0), array), array.lower_heating_value_j_m3),
    )


def on_a_ride(function, ride, good):
    if function is motion.exit_speed_by_steps_m_s:
        return function(ride, force_at=lambda speed: 4000.0 / speed, **good)
    return function(ride, **good)


@pytest.mark.parametrize(
    ("function", "key"),
    [(function, key) for function, good in ON_A_RIDE.items() for key in good],
    ids=lambda one: getattr(one, "__name__", one),
)
def test_lists_on_a_ride(function, key):
    ride, good = motion.Ride(**RIDE), ON_A_RIDE[function]
    listed, array = several(good[key])
    same(
        on_a_ride(function, ride, {**good, key: listed}),
        on_a_ride(function, ride, {**good, key: array}),
    )


# What these do not ask of a ride.
UNASKED = {
    motion.climb_force_n: ("air_density_kg_m3", "drag_area_m2", "rotating_mass_kg", "wind_m_s"),
    road_load.top_speed_at_force_m_s: ("rotating_mass_kg",),
    road_load.top_speed_at_power_m_s: ("rotating_mass_kg",),
}


@pytest.mark.parametrize(
    ("function", "key"),
    [(f, key) for f in ON_A_RIDE for key in RIDE if key not in ("hill", *UNASKED.get(f, ()))],
    ids=lambda one: getattr(one, "__name__", one),
)
def test_a_ride_of_lists(function, key):
    rides = (motion.Ride(**{**RIDE, key: value}) for value in several(RIDE[key]))
    same(*(on_a_ride(function, ride, ON_A_RIDE[function]) for ride in rides))


def test_a_hill_of_lists():
    listed = motion.Hill([150.0, 250.0], [0.05, 0.06])
    array = motion.Hill(np.array([150.0, 250.0]), np.array([0.05, 0.06]))
    same((listed.lengths_m, listed.grade_ratios), (array.lengths_m, array.grade_ratios))
