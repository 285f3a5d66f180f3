"""A list is as good as an array for what the workbook on the library shows of the statistics."""

import dataclasses
import inspect

import numpy as np
import pytest

from tuninglib.physics.motion import Hill, Ride
from tuninglib.statistics import coast_down, force_against_speed, planning, repeats, speedometer

RIDE = Ride(
    hill=Hill(400.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2, drag_area_m2=0.5,
    rolling_coefficient=0.012,
)  # fmt: skip
FORCES = force_against_speed.RunForces(
    force_n=np.array([[300.0] * 3, [306.0] * 3, [330.0] * 3, [336.0] * 3]),
    low_m_s=np.full(4, 10.0), high_m_s=np.full(4, 20.0),
)  # fmt: skip
# What each function is given; every list of it once as it is, and once as an array.
GIVEN = {
    coast_down.coast_time_s: ((RIDE,), {"from_speed_m_s": [20, 18.0], "to_speed_m_s": [15, 12.0]}),
    coast_down.fit_coast_down: ((RIDE,), {
        "run": [1, 1, 2, 2, 3, 3, 4, 4], "direction": [1, 1, -1, -1, 1, 1, -1, -1],
        "from_speed_m_s": [18.0, 12.0] * 4, "to_speed_m_s": [12.0, 7.0] * 4,
        "time_s": [10.8, 15.5, 13.0, 18.9, 11.4, 16.3, 13.8, 20.1],
    }),
    force_against_speed.force_curves: ((FORCES,), {
        "setup": [0, 0, 1, 1], "speed_m_s": [12.0, 18.0],
    }),
    planning.power_two_setups: (([1.0, 1.5],), {"repeats": [3, 5]}),
    planning.run_order: ((["a", "b"],), {"repeats": 2}),
    planning.run_order_in_blocks: (([["a", "c"], ["b", "d"]],), {"repeats": 2}),
    repeats.group_means: (
        ([0.0, 0.01, 0.1, 0.1], [0.02] * 4, [1.0, 1.0, 1.0, 0.5], [0, 0, 1, 1]),
        {"assumed_sd": 0.01},
    ),
    repeats.mean_interval: (([9.0, 10.0, 11.5],), {}),
    repeats.t_quantile: (([0.9, 0.975], [4, 8]), {}),
    repeats.weigh_groups: (([0.0, 0.01, 0.3, 0.1, 0.1], [0.02] * 5, [0, 0, 0, 1, 1]), {}),
    repeats.weight_at: (([0.5, 4.0],), {}),
    speedometer.legal_true_speed_m_s: (([10.0, 9.0],), {}),
    speedometer.speed_factor: (([50.0, 60.0, 70.0], [48.0, 57.0, 67.0]), {}),
    speedometer.unknown_factor: (([10.0, 9.0],), {}),
}  # fmt: skip
# Functions of plain numbers, of records or of a function.
OTHERWISE = {
    force_against_speed.run_forces, planning.half_width_across_days, planning.repeats_needed,
    planning.smallest_visible_effect, planning.smallest_visible_gain, repeats.estimate,
    repeats.settled_weights,
}  # fmt: skip


def parts(result):
    """All that a result is made of, one after another."""
    if dataclasses.is_dataclass(result):
        result = tuple(getattr(result, field.name) for field in dataclasses.fields(result))
    if isinstance(result, dict):
        result = tuple(result.values())
    if isinstance(result, (tuple, list)):
        return [part for one in result for part in parts(one)]
    return [np.asarray(result)]


def as_arrays(one):
    return np.array(one) if isinstance(one, list) else one


def test_no_function_is_left_out():
    public = {
        value
        for module in (coast_down, force_against_speed, planning, repeats, speedometer)
        for name, value in vars(module).items()
        if inspect.isroutine(value) or hasattr(value, "cache_info")
        if value.__module__ == module.__name__ and not name.startswith("_")
    }
    assert public == {*GIVEN, *OTHERWISE}


@pytest.mark.parametrize("function", GIVEN, ids=lambda one: one.__name__)
def test_lists(function):
    given, named = GIVEN[function]
    listed = parts(function(*given, **named))
    arrays = {name: as_arrays(one) for name, one in named.items()}
    array = parts(function(*map(as_arrays, given), **arrays))
    assert listed
    for one, other in zip(listed, array, strict=True):
        np.testing.assert_array_equal(one, other)
