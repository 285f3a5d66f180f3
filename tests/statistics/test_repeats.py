"""Intervals by Student's t, and weights that keep one bad row from turning an answer round."""

import numpy as np
import pytest
from scipy.special import stdtrit
from scipy.stats import norm

from tests.tools.simulate_readings import simulate
from tuninglib.physics.motion import Hill
from tuninglib.statistics.gain import estimate_gains
from tuninglib.statistics.repeats import (
    NAMED,
    group_means,
    mean_interval,
    t_quantile,
    weigh_groups,
    weight_at,
)
from tuninglib.statistics.road_runs import Runs, linearised


def test_many_degrees_of_freedom_are_normal_and_identical_runs_have_no_width():
    assert t_quantile(0.975, np.inf) == pytest.approx(1.959964, abs=1e-6)
    found = mean_interval([4.0, 4.0, 4.0])
    assert (found.low, found.high) == (4.0, 4.0)


@pytest.mark.parametrize(
    ("values", "message"),
    [([1.0], "1 run has no scatter; repeat it"),
     ([1.0, np.nan], "value is nan.*leave out what was not read")],
)  # fmt: skip
def test_refusals(values, message):
    with pytest.raises(ValueError, match=message):
        mean_interval(values)


# Weights ------------------------------------------------------------------------------------------


SD = 0.01


def readings(seed, groups=4, repeats=3):
    """Clean logarithms about a mean of each group, and the groups."""
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(groups), repeats)
    return rng.normal(0.0, 0.1, groups)[group] + rng.normal(0.0, SD, group.size), group


def pooled(values, group, some):
    """Variance within groups of one size."""
    return np.mean([values[group == one].var(ddof=1) for one in some])


def means_of(values, group, weight):
    return group_means(values, np.full(values.size, 0.004), weight, group, assumed_sd=SD)


def half_width(found):
    return stdtrit(found.dof, 0.975) * np.sqrt(found.variance)


def test_the_weight_is_whole_up_to_the_limit_and_falls_with_the_fourth_power():
    distance = np.array([0.0, 2.49, 2.5, 5.0, 10.0, -10.0])
    assert weight_at(distance) == pytest.approx([1, 1, 1, 1 / 16, 1 / 256, 1 / 256], abs=1e-9)
    assert weight_at(3.5, dof=4) == 1.0
    with pytest.raises(ValueError, match="distance is nan"):
        weight_at(np.nan)


def test_clean_readings_count_fully_and_give_the_plain_pooled_mean():
    values, group = readings(1)
    found = weigh_groups(values, np.full(values.size, SD), group)
    assert found.weight.tolist() == [1.0] * values.size
    scatter = pooled(values, group, range(4))
    for j, one in means_of(values, group, found.weight).items():
        assert one.mean == pytest.approx(values[group == j].mean())
        assert one.variance == pytest.approx(scatter / 3)
        assert (one.dof, one.count) == (8, 3)


@pytest.mark.parametrize("repeats", [3, 4, 6])
def test_one_far_off_loses_its_weight_and_the_others_keep_theirs(repeats):
    values, group = readings(1, repeats=repeats)
    values[1] += 0.15
    found = weigh_groups(values, np.full(values.size, SD), group)
    assert found.weight[1] < 0.05
    assert np.delete(found.weight, 1).min() > 0.5
    assert found.off[1] == pytest.approx(0.15, abs=0.03)
    assert not found.disagree.any()


def test_of_two_that_disagree_both_are_kept_and_wide_and_the_others_are_not_widened():
    values, group = readings(2, repeats=2)
    own = group == 0
    values[own] = 0.0, 0.1201  # never quite symmetric
    found = weigh_groups(values, np.full(values.size, SD), group)
    assert found.disagree.tolist() == own.tolist()
    assert np.ptp(found.weight[own]) < 0.1 * found.weight[own].max()
    assert found.weight[~own].min() == 1.0
    one = means_of(values, group, found.weight)[0]
    assert one.mean == pytest.approx(0.06, abs=0.002)
    assert half_width(one) > 0.06
    plain = means_of(values, group, np.ones(values.size))
    assert half_width(means_of(values, group, found.weight)[1]) < 0.5 * half_width(plain[1])


def test_two_against_two_never_make_a_certain_mean():
    for seed in range(20):
        values, group = readings(seed, repeats=4)
        values[:4] = np.array([0.0, 0.001, 0.12, 0.122])
        one = means_of(values, group, weigh_groups(values, np.full(16, SD), group).weight)[0]
        assert one.mean == pytest.approx(0.061, abs=0.002)
        assert half_width(one) > 0.025


def test_a_single_reading_and_a_single_group_are_left_alone():
    found = weigh_groups(np.array([0.0, 0.5]), np.full(2, SD), np.array([0, 1]))
    assert found.weight.tolist() == [1.0, 1.0]
    assert found.off.tolist() == [0.0, 0.0]
    values = np.array([0.0, 0.01, -0.01, 0.4])
    assert weigh_groups(values, np.full(4, SD), np.zeros(4, int)).weight[3] < 0.01


def test_a_day_of_large_scatter_is_not_a_day_of_doubts():
    rng = np.random.default_rng(4)
    group = np.repeat(np.arange(5), 4)
    named = [
        (
            weigh_groups(3 * SD * rng.standard_normal(20), np.full(20, SD), group).weight < NAMED
        ).any()
        for _ in range(200)
    ]
    assert np.mean(named) < 0.15


def left_out(values, sd, group, weight, at):
    """Row by row: how far one is from the others, and its weight by their scatter alone."""
    rest = np.delete(np.arange(values.size), at)
    precision = weight / sd**2
    squares = 4.0
    for one in np.unique(group[rest]):
        own = rest[group[rest] == one]
        middle = np.average(values[own], weights=precision[own])
        squares += np.sum(precision[own] * (values[own] - middle) ** 2)
    dof = 4.0 + values.size - np.unique(group).size - 1
    own = rest[group[rest] == group[at]]
    if not own.size:
        return 0.0, 1.0
    off = values[at] - np.average(values[own], weights=precision[own])
    variance = squares / dof * (sd[at] ** 2 + 1 / precision[own].sum())
    # As often beyond as 2.5 standard deviations of a normal distribution are.
    far = stdtrit(dof, norm.cdf(2.5))
    return off, min(1.0, (far * np.sqrt(variance) / abs(off)) ** 4)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_row_is_held_against_the_others_alone(seed):
    """Rows of unlike scatter, one of them off by more or less: each left out in turn."""
    rng = np.random.default_rng(seed)
    group = np.array([0, 0, 0, 0, 1, 1, 1, 2, 3, 3, 3, 3, 3])
    sd = SD * rng.uniform(0.5, 2.0, group.size)
    values = 0.1 * group + sd * rng.standard_normal(group.size)
    values[[1, 9]] += np.array([5.0, 9.0]) * sd[[1, 9]]
    found = weigh_groups(values, sd, group)
    off, weight = np.transpose(
        [left_out(values, sd, group, found.weight, at) for at in range(group.size)]
    )
    assert not found.disagree.any()
    assert found.weight.min() < 0.6
    assert found.off == pytest.approx(off, rel=0.01, abs=1e-4)
    assert found.weight == pytest.approx(weight, abs=0.01)


@pytest.mark.parametrize("off_by", [0.3, -1.5, -2.5])
def test_a_run_is_held_against_the_other_runs_alone(off_by):
    """Runs with nothing unknown are rows of one scatter, 2.5 % before any was seen."""
    setup = np.array([0, 0, 0, 0, 1, 1, 1, 2, 2, 2, 2, 3])
    exits = np.array([16.9, 17.1, 17.0, 16.95, 18.3, 18.1, 18.4, 17.6, 17.7, 17.9, 17.5, 17.0])
    exits[[2, 9]] += off_by, off_by / 4
    runs = Runs(
        hill=Hill([150.0, 250.0], [0.055, 0.065]), setup=setup, rider=0, true_entry_m_s=13.0,
        true_exit_m_s=exits, mass_kg=200.0, air_density_kg_m3=1.18, drag_area_m2=0.55,
        rolling_coefficient=0.015,
    )  # fmt: skip
    found = estimate_gains(runs).weighed
    values, sd = linearised(runs, [], [])[0], np.full(setup.size, 0.025)
    off, weight = np.transpose(
        [left_out(values, sd, setup, found.weight, at) for at in range(setup.size)]
    )
    assert found.off == pytest.approx(off, rel=0.02, abs=5e-4)
    # By Student's t with what 2.5 % is worth, where ours averages over what is usual of scatters:
    # near each other, and the same rows.
    assert found.weight == pytest.approx(weight, abs=0.1)
    assert bool(found.weight.min() < 0.9) is (abs(off_by) > 1)


@pytest.mark.parametrize("repeats", [3, 4])
@pytest.mark.parametrize("factor", np.linspace(0.8, 1.25, 10).tolist())
def test_no_factor_on_one_reading_moves_its_mean_beyond_what_was_known_without_it(factor, repeats):
    for seed in range(25):
        values, group = readings(seed, repeats=repeats)
        sd = np.full(values.size, SD)
        without = weigh_groups(values[1:], sd[1:], group[1:]).weight
        known = means_of(values[1:], group[1:], without)[0]
        values[0] += np.log(factor)
        moved = means_of(values, group, weigh_groups(values, sd, group).weight)[0]
        gauge = known._replace(variance=known.variance + 0.01**2)  # as every mixture has it
        assert abs(moved.mean - known.mean) < half_width(gauge)


def test_readings_that_are_off_together_are_as_wide_as_one():
    values, group = readings(3)
    together = group == 0
    weight = np.where(together, 0.02, 1.0)
    found = group_means(
        values, np.full(values.size, 0.004), weight, group, assumed_sd=SD, apart=together
    )
    scatter = pooled(values, group, range(1, 4))
    assert found[0].variance == pytest.approx(max(SD**2 + 0.004**2, scatter) / 0.06)
    assert found[1].dof == 6


@pytest.mark.parametrize("repeats", [2, 3, 4])
def test_intervals_hold_the_truth_with_and_without_a_bad_reading(repeats):
    clean, plain = (simulate(150, repeats=repeats, weigh=weigh, seed=11) for weigh in (True, False))
    assert 0.93 <= clean.held <= 0.98
    assert clean.width == pytest.approx(plain.width, rel=0.05)
    assert clean.wrongly_named < 0.08
    bad = simulate(150, repeats=repeats, gross=True, seed=11)
    assert bad.held >= 0.93
    assert bad.held_there >= 0.90
    assert bad.width < 1.1 * clean.width
    assert bad.named > 0.85
