"""A list and a column are as good as an array, and a number gives a number: for every argument."""

import dataclasses
import importlib
import inspect
import pkgutil

import numpy as np
import pandas as pd
import pytest

from tuninglib import physics
from tuninglib.physics import (
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
    "mass_kg": 200.0, "air_density_kg_m3": 1.2, "drag_area_m2": 0.55,
    "rolling_coefficient": 0.015, "rotating_mass_kg": 8.0, "wind_m_s": 1.0, "gravity_m_s2": 9.81,
}  # fmt: skip
BLEND = {
    "ethanol_volume_fraction": 0.1, "petrol_density_kg_m3": 745.0,
    "petrol_heating_value_j_kg": 43e6,
}  # fmt: skip
# A good value of every argument, by its name.
GOOD = RIDE | BLEND | {
    "added_ethanol_volume_fraction": 0.85, "added_volume_m3": 0.001, "air_mass_kg": 150e-6,
    "altitude_m": 500.0, "bore_m": 0.057, "breathing_ratio": 1.1, "breathing_sd": 0.02,
    "carbon_dioxide_mole_fraction": 0.12, "carbon_monoxide_mole_fraction": 0.04,
    "chamber_m3": 17e-6, "circumference_m": 1.8, "clearance_volume_m3": 16e-6,
    "cooling_air_ratio": 0.9, "cylinders": 2, "dead_time_s": 1e-3, "density_15_kg_m3": 745.0,
    "density_kg_m3": 750.0, "displacement_m3": 150e-6, "displacement_ratio": 1.1,
    "displacement_sd": 0.02, "dome_m3": 2e-6, "efficiency": 0.9, "engine_factor": 0.9,
    "engine_speed": 6000.0, "engine_speed_rpm": 8500.0, "entry_speed_m_s": 13.0,
    "ethanol_octane": 109.0, "exit_speed_m_s": 17.0, "flow_m3_s": 2.5e-6, "flow_sd": 0.02,
    "force_n": 290.0, "front_teeth": 14.0, "fuel_mass_kg": 1e-5, "fuel_ratio": 1.1,
    "fuel_sd": 0.02, "gasket_m": 0.0005, "gauge_scale": 14.7, "gear": 1.1, "highest_fraction": 0.8,
    "hydrocarbon_mole_fraction": 0.001, "hydrogen_to_carbon": 1.85, "injectors": 2,
    "interaction": 5.0, "lambda_": 0.88, "lambda_ratio": 1.1, "lambda_sd": 0.02,
    "latitude_deg": 45.0, "mass_flow_kg_s": 2e-3, "mon": 85.0,
    "nitric_oxide_mole_fraction": 0.002, "open_time_s": 0.008, "oxygen_mole_fraction": 0.01,
    "oxygen_pressure_inside_pa": 1e-10, "oxygen_to_carbon": 0.02,
    "petrol_molar_mass_kg_mol": 0.108, "petrol_octane": 91.0, "power_ratio": 1.1,
    "power_w": 4500.0, "pressure_abs_pa": 99e3, "pressure_pa": 2.5e5, "pressure_ratio": 1.1,
    "pressure_sd": 0.02, "primary": 3.0, "rated_density_kg_m3": 684.0, "rated_pressure_pa": 3e5,
    "ratio": 9.0, "reading": 12.8, "rear_teeth": 42.0, "reference_oxygen_pressure_pa": 2e4,
    "relative_humidity": 0.5, "ron": 95.0, "slip": 0.02, "specific_consumption_kg_j": 9e-8,
    "speed_m_s": 18.0, "stoichiometric_ratio": 14.0, "stroke_m": 0.058,
    "swept_volume_m3": 150e-6, "tank_ethanol_volume_fraction": 0.05, "tank_volume_m3": 0.003,
    "temperature_k": 293.15, "torque_n_m": 10.0, "volumetric_efficiency": 0.85,
    "wanted_ethanol_volume_fraction": 0.25, "water_gas_constant": 3.5,
    "water_vapour_pressure_pa": 1200.0,
}  # fmt: skip
# What is not a number; of a blend and a ride each number is tried below.
OTHERS = {
    "blend": fuels.Blend(0.1),
    "change": injector.EngineChange(),
    "ride": motion.Ride(hill=motion.Hill(400.0, 0.05), **RIDE),
    "force_at": lambda speed: 4000.0 / speed,
}
ONE_ONLY = ("steps",)
HOT = {stoichiometry.nernst_emf_v: {"temperature_k": 973.15}}
OTHERWISE = {
    gearing.tyre_diameter_m: "takes a size",
    stoichiometry.parse_formula: "takes a formula",
    stoichiometry.molar_mass_kg_mol: "takes a formula",
    stoichiometry.stoichiometric_ratio: "takes a formula",
    fuels.lambda_shift: "takes blends, which are tried as such",
    fuels.on_scale: "takes one octane number",
    fuels.known_higher: "takes two octane numbers",
    fuels.known_not_lower: "takes two octane numbers",
    fuels.octane_margin: "takes two octane numbers",
    motion.require_headway: "is asked with what the others take",
    motion.even_climb: "is a step of the others, on arrays",
    track.complete_rows: "is asked with columns of a log",
    track.local_metres: "takes a place as its origin; lists of degrees in test_track",
    road_load.default_road_load: "is for one bike, with its covariance",
}
# What these do not ask of a ride.
UNASKED = {
    motion.climb_force_n: ("air_density_kg_m3", "drag_area_m2", "rotating_mass_kg", "wind_m_s"),
    road_load.top_speed_at_force_m_s: ("rotating_mass_kg",),
    road_load.top_speed_at_power_m_s: ("rotating_mass_kg",),
}


def public():
    """Every public function of the physics but those that take no arrays."""
    for info in pkgutil.iter_modules(physics.__path__, "tuninglib.physics."):
        if info.name.rsplit(".", 1)[-1].startswith("_"):
            continue
        module = importlib.import_module(info.name)
        for name, value in vars(module).items():
            own = inspect.isfunction(value) and value.__module__ == info.name
            if own and not name.startswith("_") and value not in OTHERWISE:
                yield value


def arguments(function):
    """Its arguments, with good values; one that has none here fails."""
    names = [name for name in inspect.signature(function).parameters if name not in ONE_ONLY]
    good = OTHERS | GOOD | HOT.get(function, {})
    return {name: good[name] for name in names}


FUNCTIONS = tuple(public())
ON_A_RIDE = [one for one in FUNCTIONS if "ride" in inspect.signature(one).parameters]


def numbers(result):
    """All numbers of a result, a record's one after another."""
    if dataclasses.is_dataclass(result):
        result = dataclasses.astuple(result)
    if isinstance(result, tuple):
        return [number for one in result for number in numbers(one)]
    return [] if isinstance(result, str) else [np.asarray(result, dtype=float)]


def same_with_lists(call, value):
    """A call gives for a list of two good values what it gives for an array of them."""
    pair = [value, 1.001 * value]
    pairs = list(zip(numbers(call(pair)), numbers(call(np.array(pair))), strict=True))
    assert any(number.size > 1 for number, _ in pairs)
    for number, twin in pairs:
        np.testing.assert_array_equal(number, twin)


# What is given as a column of a table comes back as one, with its rows' names.
def keeps_rows(function):
    own = function.__module__.endswith(("air", "engine", "fuels", "stoichiometry"))
    return own and function is not engine.chamber_with_kit_m3


def as_number_and_column(call, value, as_columns):
    """A float for a float; a column for a column, and what is missing stays missing."""

    single = call(value)
    single = getattr(single, "factor", single)
    assert type(single) is float or dataclasses.is_dataclass(single) or isinstance(single, tuple)
    if not as_columns:
        return
    for values in (np.array([value, np.nan]), pd.Series([value, np.nan], index=[7, 9])):
        found = call(values)
        found = getattr(found, "factor", found)
        np.testing.assert_allclose(found, [single, np.nan], rtol=1e-14)
    assert list(found.index) == [7, 9]


@pytest.mark.parametrize("function", FUNCTIONS, ids=lambda one: one.__name__)
def test_lists(function):
    good = arguments(function)
    for key in set(good) - set(OTHERS):

        def call(value, key=key):
            return function(**good | {key: value})

        same_with_lists(call, good[key])
        as_number_and_column(call, good[key], keeps_rows(function))


@pytest.mark.parametrize("function", ON_A_RIDE, ids=lambda one: one.__name__)
def test_a_ride_of_lists(function):
    for key in set(RIDE) - set(UNASKED.get(function, ())):

        def call(value, key=key):
            ride = motion.Ride(hill=motion.Hill(400.0, 0.05), **RIDE | {key: value})
            return function(**arguments(function) | {"ride": ride})

        same_with_lists(call, RIDE[key])


@pytest.mark.parametrize("key", BLEND)
def test_a_blend_of_lists(key):
    properties = [name for name, one in vars(fuels.Blend).items() if isinstance(one, property)]

    def call(value):
        made = fuels.Blend(**BLEND | {key: value})
        shift = fuels.lambda_shift(fuels.Blend(0.0), made)
        return (*(getattr(made, name) for name in properties), shift)

    same_with_lists(call, BLEND[key])


def test_a_hill_of_lists():
    listed = motion.Hill([150.0, 250.0], [0.05, 0.06])
    array = motion.Hill(np.array([150.0, 250.0]), np.array([0.05, 0.06]))
    for name in ("lengths_m", "grade_ratios"):
        np.testing.assert_array_equal(getattr(listed, name), getattr(array, name))


@pytest.mark.parametrize("key", [field.name for field in dataclasses.fields(injector.EngineChange)])
def test_a_change_of_lists(key):
    good = GOOD[key]
    same_with_lists(
        lambda value: injector.first_guess_flow(2e-6, injector.EngineChange(**{key: value})), good
    )
