"""A list is as good as an array, for every public function of the statistics."""

import dataclasses
import importlib
import inspect
import pkgutil

import numpy as np
import pytest
from scipy.sparse import issparse

from tuninglib import statistics
from tuninglib.physics.motion import Hill, Ride
from tuninglib.statistics import (
    bench_flow,
    coast_down,
    flow_response,
    force_against_speed,
    gain,
    gauge_readings,
    ladder,
    ladder_prediction,
    mixed_model,
    normal_mixture,
    planning,
    repeats,
    road_runs,
    season,
    settled_gauge,
    speedometer,
    track_runs,
    warm_up,
)
from tuninglib.statistics.force_against_speed import wheel_force_from_points

RIDE = Ride(
    hill=Hill(400.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2, drag_area_m2=0.5,
    rolling_coefficient=0.012,
)  # fmt: skip
E5 = {"stoichiometric_ratio": 14.3, "density_kg_m3": 745.0}

STOCK = ladder.Parts(displacement={"stock": 150.0})


def readings(as_):
    return gauge_readings.Readings(
        lambda_low=as_([0.93, 0.92, 0.86]),
        lambda_high=as_([0.95, 0.95, 0.88]),
        flow_m3_s=as_([2.5e-6, 2.5e-6, 2.7e-6]),
        injector=["a", "a", "b"],
        engine="stock",
        stoichiometric_ratio=as_([14.3, 14.3, 14.0]),
        density_kg_m3=as_([745.0, 745.0, 747.0]),
        resolution=as_([0.01, 0.01, 0.01]),
        offset=as_([0.0, 0.01, 0.02]),
    )


def day_of_forces(as_):
    own = as_([[1e-4, 0.0], [0.0, 1e-4]])
    return season.DayOfForces(as_([0, 1]), as_([]), as_([5.0, 5.1]), own, own)


def runs(as_):
    return road_runs.Runs(
        hill=Hill(as_([150.0, 250.0]), as_([0.055, 0.065])), setup=as_([0, 0, 1, 1]),
        rider=as_([0, 1, 0, 1]), mass_kg=as_([190.0, 210.0, 190.0, 210.0]),
        true_entry_m_s=as_([13.0, 13.1, 13.0, 12.9]), true_exit_m_s=as_([17.0, 16.8, 18.1, 17.9]),
        air_density_kg_m3=as_([1.2, 1.2, 1.19, 1.19]), drag_area_m2=0.55, rolling_coefficient=0.015,
    )  # fmt: skip


def fit(as_):
    return ladder.fit_ladder(readings(as_), STOCK)


def solved(as_):
    rows = ladder.LadderRows(
        observed=as_([-0.1, -0.2]), noise_sd=as_([0.01, 0.01]), flow_m3_s=as_([8e-6, 9e-6]),
        injector=["a", "b"], engine=["x", "x"],
    )  # fmt: skip
    return ladder.solve(rows, ladder.Parts(displacement={"x": 1.0}))


ROWS = mixed_model.Rows(
    np.array([[1.0], [2.0], [6.0]]), np.ones((3, 1, 1)), np.zeros((3, 1, 0)), np.zeros((3, 1, 1)),
    (mixed_model.Component(np.ones((3, 1, 1)), 1.0, 0.5),),
)  # fmt: skip
AVERAGED = mixed_model.average_over_variances(ROWS, mixed_model.variance_grid(ROWS))


LOGGED = [float(one) for one in range(60)]
SEEN = [np.sin(one / 18) + np.sin(one / 62) + np.sin(one / 9) for one in range(1200)]
CLOCKS = ([one / 2 for one in range(1200)], SEEN, [one / 2 for one in range(1100)], SEEN[100:])
FALLS = {
    "run": [1, 1, 2, 2, 3, 3, 4, 4],
    "direction": [1, 1, -1, -1, 1, 1, -1, -1],
    "from_speed_m_s": [18.0, 12.0] * 4,
    "to_speed_m_s": [12.0, 7.0] * 4,
    "time_s": [10.8, 15.5, 13.0, 18.9, 11.4, 16.3, 13.8, 20.1],
}
TRACE = {
    "run": [1, 1, 1, 1, 2, 2, 2, 2],
    "direction": [1, 1, 1, 1, -1, -1, -1, -1],
    "time_s": [0.0, 5.0, 10.0, 15.0] * 2,
    "speed_m_s": [18.0, 14.8, 12.1, 9.9, 18.0, 15.2, 12.8, 10.8],
}

# Each function, called with lists or with arrays.
CALLS = {
    coast_down.coast_time_s: lambda as_: coast_down.coast_time_s(
        RIDE, from_speed_m_s=as_([20.0, 18.0]), to_speed_m_s=as_([15.0, 12.0])
    ),
    coast_down.fit_coast_down: lambda as_: coast_down.fit_coast_down(
        RIDE, **{name: as_(column) for name, column in FALLS.items()}
    ),
    coast_down.fit_coast_down_trace: lambda as_: coast_down.fit_coast_down_trace(
        RIDE, **{name: as_(column) for name, column in TRACE.items()}
    ),
    gain.estimate_gains: lambda as_: gain.estimate_gains(runs(as_)),
    gauge_readings.reading_midpoint: lambda as_: gauge_readings.reading_midpoint(
        as_([12.6, 12.7]), as_([13.0, 12.9]), resolution=as_([0.1, 0.01])
    ),
    flow_response.weigh_control: lambda as_: flow_response.weigh_control(
        flow_response.SteadyReadings(
            state=["idle", "idle"], log_lambda=as_([0.01, 0.02]), relative_sd=as_([0.005, 0.004]),
            log_fuel=as_([0.0, 0.1]), log_size=as_([0.0, 0.05]), setup=["p", "q"],
            injector=["a", "b"], engine=["x", "y"], fuel=["e5", "e5"],
        ),
        parts=ladder.Parts(displacement={"x": 1.0, "y": 1.0}),
        stated=flow_response.GaugeOffset(0.0, 0.01), chance=0.5,
    ),
    gauge_readings.steady_sd: lambda as_: gauge_readings.steady_sd(
        as_([12.6, 12.8]), as_([12.8, 13.9])
    ),
    gauge_readings.wide_spread: lambda as_: gauge_readings.wide_spread(
        as_([12.6, 12.8]), as_([12.8, 13.9]), widest=0.5
    ),
    repeats.weight_at: lambda as_: repeats.weight_at(as_([0.5, 4.0])),
    repeats.weigh_groups: lambda as_: repeats.weigh_groups(
        as_([0.0, 0.01, 0.3, 0.1, 0.1]), as_([0.02] * 5), as_([0, 0, 0, 1, 1])
    ),
    repeats.group_means: lambda as_: [
        tuple(one)
        for one in repeats.group_means(
            as_([0.0, 0.01, 0.1, 0.1]), as_([0.02] * 4), as_([1.0, 1.0, 1.0, 0.5]),
            as_([0, 0, 1, 1]), assumed_sd=0.01,
        ).values()
    ],
    gauge_readings.pegged: lambda as_: gauge_readings.pegged(
        as_([9.9, 12.6]), as_([10.4, 13.0]), gauge_lowest=10.0
    ),
    ladder.fit_ladder: fit,
    ladder.solve: solved,
    ladder.design_rows: lambda as_: ladder.design_rows(
        ("response", "level"), as_([0.1, 0.2]), ["a", "b"], ["x", "x"], gauge=1.0
    ),
    flow_response.response_per_state: lambda as_: flow_response.response_per_state(
        readings(as_), STOCK, state=as_(["full", "full", "full"])
    ),
    ladder_prediction.predict: lambda as_: ladder_prediction.predict(
        fit(np.array),
        ladder_prediction.Candidate(
            flow_m3_s=as_([2.6e-6, 2.8e-6]), tolerance=as_([0.03, 0.02])
        ),
        engine="stock",
        fuel=ladder_prediction.FuelDemand(
            stoichiometric_ratio=as_([14.3, 14.0]), density_kg_m3=as_([745.0, 747.0])
        ),
        offset=as_([0.0, 0.01]),
    ),
    mixed_model.spread: lambda as_: mixed_model.spread(AVERAGED, as_([1.0])),
    mixed_model.fit_at: lambda as_: mixed_model.fit_at(ROWS, as_([7.0])),
    normal_mixture.linear_posterior: lambda as_: normal_mixture.linear_posterior(
        as_([[1.0], [1.0]]), as_([1.0, 3.0]), as_([1.0, 1.0]), as_([0.0]), as_([0.5])
    ),
    normal_mixture.few_rows: lambda as_: normal_mixture.few_rows(
        as_([[1.0], [1.0], [1.0]]), as_([1.0, 3.0, 2.0]), as_([1.0, 1.0, 1.0])
    ),
    normal_mixture.normalised: lambda as_: normal_mixture.normalised(as_([0.0, 1.0])),
    normal_mixture.mixture_cdf: lambda as_: normal_mixture.mixture_cdf(
        as_([0.0, 0.1]), as_([0.5, 0.5]), as_([[-1.0, 1.0]] * 2), as_([[1.0, 2.0]] * 2)
    ),
    normal_mixture.mixture_quantile: lambda as_: normal_mixture.mixture_quantile(
        as_([0.5, 0.9]), as_([0.5, 0.5]), as_([-1.0, 1.0]), as_([1.0, 2.0])
    ),
    normal_mixture.mixture_moments: lambda as_: normal_mixture.mixture_moments(
        as_([0.5, 0.5]), as_([-1.0, 1.0]), as_([1.0, 2.0])
    ),
    planning.power_of_t: lambda as_: planning.power_of_t(as_([1.0, 3.0]), dof=as_([4, 8])),
    planning.power_two_setups: lambda as_: planning.power_two_setups(
        as_([1.0, 1.5]), repeats=as_([3, 5])
    ),
    bench_flow.fit_bench_flow: lambda as_: bench_flow.fit_bench_flow(
        pulses=as_([1000, 1000]), open_s=as_([0.004, 0.01]), volume_m3=as_([7e-6, 22e-6]),
        volume_sd_m3=2e-7,
    ),
    warm_up.fit_warm_up: lambda as_: warm_up.fit_warm_up(
        as_([0.0, 60, 120, 240]), as_([380.0, 415, 435, 455])
    ),
    planning.run_order: lambda as_: planning.run_order(as_(["a", "b"]), repeats=2),
    planning.run_order_in_blocks: lambda as_: planning.run_order_in_blocks(
        as_([["a", "c"], ["b", "d"]]), repeats=2
    ),
    repeats.t_quantile: lambda as_: repeats.t_quantile(as_([0.9, 0.975]), as_([4, 8])),
    repeats.two_sided_p: lambda as_: repeats.two_sided_p(as_([1.0, -2.0]), as_([4, 8])),
    repeats.mean_interval: lambda as_: repeats.mean_interval(as_([9.0, 10.0, 11.5])),
    repeats.pooled_sd: lambda as_: repeats.pooled_sd([as_([1.0, 3.0]), as_([10.0, 14.0])]),
    repeats.difference_of_means: lambda as_: repeats.difference_of_means(
        means=as_([12.0, 10.0]), sds=as_([1.0, 1.5]), counts=as_([5, 4]), equal_scatter=False
    ),
    repeats.paired_difference: lambda as_: repeats.paired_difference(
        as_([2.0, 4.0, 6.0]), as_([1.0, 2.5, 3.0])
    ),
    repeats.relative_accuracy: lambda as_: repeats.relative_accuracy(as_([9.0, 10.0, 11.0])),
    road_runs.moved_fields: lambda as_: [
        road_runs.moved_fields(
            {"mass_kg": as_([200.0, 210.0])}, [road_runs.Unknown("m", {"mass_kg": 1.0})], as_([2.0])
        )["mass_kg"]
    ],
    road_runs.log_forces: lambda as_: road_runs.log_forces(
        runs(as_), [road_runs.Unknown("drag", {"drag_area_m2": 0.05})], [0.3]
    ),
    road_runs.linearised: lambda as_: road_runs.linearised(
        runs(as_), [road_runs.Unknown("mass", {"mass_kg": as_([1.0, 2.0, 1.0, 2.0])})], as_([0.5])
    ),
    speedometer.legal_indication_m_s: lambda as_: speedometer.legal_indication_m_s(
        as_([10.0, 9.0])
    ),
    speedometer.legal_true_speed_m_s: lambda as_: speedometer.legal_true_speed_m_s(
        as_([10.0, 9.0])
    ),
    speedometer.unknown_factor: lambda as_: speedometer.unknown_factor(as_([10.0, 9.0])),
    speedometer.speed_factor: lambda as_: speedometer.speed_factor(
        as_([50.0, 60.0, 70.0]), as_([48.0, 57.0, 67.0])
    ),
    speedometer.speed_line: lambda as_: speedometer.speed_line(
        as_([10.0, 15.0, 20.0, 25.0]), as_([9.0, 13.9, 18.6, 23.5])
    ),
    track_runs.clock_shift: lambda as_: [
        track_runs.clock_shift(*(as_(one) for one in CLOCKS)).shift_s.value
    ],
    force_against_speed.force_curves: lambda as_: force_against_speed.force_curves(
        force_against_speed.RunForces(
            force_n=np.array([[300.0] * 3, [306.0] * 3, [330.0] * 3, [336.0] * 3]),
            low_m_s=np.full(4, 10.0), high_m_s=np.full(4, 20.0), residual_sd_m_s=np.full(4, 0.1),
        ),
        setup=as_([0, 0, 1, 1]), speed_m_s=as_([12.0, 18.0]),
    ),
    track_runs.speed_of_way: lambda as_: track_runs.speed_of_way(
        as_(LOGGED), as_([3.0 * one for one in LOGGED]), as_([4.0 * one for one in LOGGED])
    ),
    track_runs.line_passes: lambda as_: track_runs.line_passes(
        as_(LOGGED), latitude_deg=as_([0.0] * 60),
        longitude_deg=as_([(10 * one - 150) / 111319.49 for one in LOGGED]),
        start_deg=(0.0, 0.0), marker_deg=(0.0, 300 / 111319.49),
    ),
    track_runs.logged_grade: lambda as_: track_runs.logged_grade(
        as_(LOGGED), as_([10 * one for one in LOGGED]), as_([0.0] * 60),
        as_([500 + 0.6 * one + one % 2 for one in LOGGED]), enter_s=as_([0.0, 20.0, 40.0]),
        leave_s=as_([19.0, 39.0, 59.0]), direction=as_([1, 1, 1]),
    ),
    track_runs.logged_length: lambda as_: track_runs.logged_length(
        as_(LOGGED), as_([10 * one + one % 2 for one in LOGGED]), as_([0.0] * 60),
        enter_s=as_([0.0, 20.0, 40.0]), leave_s=as_([19.0, 39.0, 59.0]),
    ),
    track_runs.end_speeds_from_speed: lambda as_: track_runs.end_speeds_from_speed(
        as_(LOGGED), as_([10 + 0.1 * one + one % 3 / 10 for one in LOGGED]), enter_s=as_([15.0]),
        leave_s=as_([45.0]), place_sd_m=2.0,
    ),
    track_runs.end_speeds_from_way: lambda as_: track_runs.end_speeds_from_way(
        as_(LOGGED), as_([12 * one + one % 3 / 10 for one in LOGGED]), as_([0.0] * 60),
        enter_s=as_([15.0]), leave_s=as_([45.0]), place_sd_m=2.0,
    ),
    track_runs.runs_by_length: lambda as_: track_runs.runs_by_length(
        as_(LOGGED), as_([12.0 if one < 20 else 12 + 0.2 * (one - 20) for one in LOGGED]),
        length_m=300.0, entry_speed_m_s=12.0,
    ),
    settled_gauge.settled_stretches: lambda as_: settled_gauge.settled_stretches(
        as_(LOGGED), as_([0.2 if one < 30 else 1.0 for one in LOGGED]),
        as_([1.0 if one < 30 else 0.9 for one in LOGGED]), edges=as_([0.1, 0.5, 1.1]), lag_s=1.0,
    ),
    settled_gauge.full_stretch: lambda as_: settled_gauge.full_stretch(
        as_(LOGGED), as_([1.0 * (20 < one < 40) for one in LOGGED]), enter_s=10.0, leave_s=50.0
    ),
    settled_gauge.gauge_lag: lambda as_: settled_gauge.gauge_lag(
        as_([one / 10 for one in range(600)]),
        as_([0.9 if one % 300 > 107 else 1.0 for one in range(600)]),
        opened_s=as_([10.0, 40.0]), shut_s=as_([25.0, 55.0]),
    ),
    settled_gauge.settled_reading: lambda as_: settled_gauge.settled_reading(
        as_(LOGGED), as_([12.0 + one % 3 for one in LOGGED]),
        full=settled_gauge.FullStretch(10.0, 50.0, 1.0), lag_s=0.5,
    ),
    force_against_speed.wheel_force_from_points: lambda as_: wheel_force_from_points(
        RIDE, distance_m=as_([0.0, 150.0, 300.0, 400.0]), speed_m_s=as_([10.0, 13.9, 16.0, 17.4])
    ),
    road_runs.usual_unknowns: lambda as_: road_runs.usual_unknowns(
        runs(as_),
        road_runs.StatedSds(
            rider_mass_sd_kg=as_([1.0, 2.0]), rider_effect_sd=0.01, speed_factor_sd=0.02
        ),
    ),
    road_runs.reading_unknowns: lambda as_: road_runs.reading_unknowns(
        runs(as_), resolution_m_s=0.28
    ),
    season.pool_days: lambda as_: [
        season.pool_days([day_of_forces(as_), day_of_forces(as_)], setups=2, day_sd=0.02,
                         gain_sd=0.01).contrast(1, over=0)
    ],
    ladder.reading_cells: lambda as_: ladder.reading_cells(
        dataclasses.replace(
            readings(as_), fuel=["e5", "e5", "e10"], weight=as_([1.0, 0.5, 1.0])
        )
    ),
}  # fmt: skip
OTHERWISE = {
    settled_gauge.band_mean: "takes records",
    force_against_speed.run_forces: "takes records",
    flow_response.offset_stated: "takes what is stated of one gauge",
    ladder_prediction.expected_excess: "takes plain numbers",
    repeats.settled_weights: "takes a function",
    ladder.check_injectors: "takes a fit",
    ladder.suspicious_injectors: "takes a fit",
    normal_mixture.scale_grid: "takes plain numbers, and remembers",
    planning.half_width_across_days: "takes plain numbers",
    planning.repeats_needed: "takes plain numbers",
    planning.smallest_visible_effect: "takes plain numbers",
    planning.smallest_visible_gain: "takes plain numbers",
    repeats.estimate: "takes plain numbers",
    repeats.sd_interval: "takes plain numbers",
    ladder.pool_readings: "takes records",
    mixed_model.average_over_variances: "takes records",
    mixed_model.degrees_of_freedom: "takes records",
    mixed_model.left_out: "takes records",
    mixed_model.variance_grid: "takes records",
}


def public():
    """Every public function of the statistics."""
    for info in pkgutil.iter_modules(statistics.__path__, "tuninglib.statistics."):
        if info.name.rsplit(".", 1)[-1].startswith("_"):
            continue
        module = importlib.import_module(info.name)
        for name, value in vars(module).items():
            own = inspect.isroutine(value) or hasattr(value, "cache_info")
            if own and value.__module__ == info.name and not name.startswith("_"):
                yield value


def parts(result):
    """All that a result is made of, one after another."""
    if dataclasses.is_dataclass(result):
        result = tuple(getattr(result, field.name) for field in dataclasses.fields(result))
    if isinstance(result, dict):
        result = tuple(result.values())
    if isinstance(result, (tuple, list)):
        return [part for one in result for part in parts(one)]
    return [result.toarray() if issparse(result) else np.asarray(result)]


def test_no_function_is_left_out():
    assert set(public()) == {*CALLS, *OTHERWISE}


@pytest.mark.parametrize("function", CALLS, ids=lambda one: one.__name__)
def test_lists(function):
    listed, array = (parts(CALLS[function](as_)) for as_ in (list, np.array))
    assert listed
    for one, other in zip(listed, array, strict=True):
        np.testing.assert_array_equal(one, other)
