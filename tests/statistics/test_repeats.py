"""Intervals by Student's t: limits, agreement with each other, and refusals."""

import numpy as np
import pytest

from tuninglib.statistics.repeats import (
    difference_of_means,
    estimate,
    mean_interval,
    paired_difference,
    pooled_sd,
    relative_accuracy,
    sd_interval,
    t_quantile,
    two_sided_p,
)


def test_interval_covers_as_often_as_it_says():
    rng = np.random.default_rng(3)
    days = rng.normal(10.0, 2.0, (4000, 3))
    held = [found.low <= 10 <= found.high for found in map(mean_interval, days)]
    assert np.mean(held) == pytest.approx(0.95, abs=0.012)


def test_pooled_two_sample_equals_pooled_sd():
    a, b = [9.0, 11.0, 10.5], [12.0, 13.0, 12.2]
    sd, dof = pooled_sd([a, b])
    found = difference_of_means(
        means=(np.mean(a), np.mean(b)),
        sds=(np.std(a, ddof=1), np.std(b, ddof=1)),
        counts=(3, 3),
        equal_scatter=True,
    )
    assert found.dof == dof
    assert found.standard_error == pytest.approx(sd * np.sqrt(2 / 3))


def test_welch_equals_pooled_for_equal_samples():
    common = dict(means=(5.0, 4.0), sds=(1.3, 1.3), counts=(6, 6))
    welch = difference_of_means(equal_scatter=False, **common)
    pooled = difference_of_means(equal_scatter=True, **common)
    assert welch.dof == pytest.approx(pooled.dof)
    assert welch.low == pytest.approx(pooled.low)


def test_a_constant_offset_is_told_by_pairs():
    first = np.array([10.0, 20.0, 30.0])
    found = paired_difference(first + 1.0 + np.array([0.1, 0.0, -0.1]), first)
    assert found.low > 0
    assert found.value == pytest.approx(1.0)


def test_normal_limit():
    assert t_quantile(0.975, np.inf) == pytest.approx(1.959964, abs=1e-6)
    assert two_sided_p(1.959964, np.inf) == pytest.approx(0.05, abs=1e-7)


def test_identical_runs_have_no_width():
    found = mean_interval([4.0, 4.0, 4.0])
    assert (found.low, found.high) == (4.0, 4.0)
    assert found.t == np.inf


def test_confidence_widens():
    narrow = estimate(1.0, standard_error=0.1, dof=5, confidence=0.5)
    wide = estimate(1.0, standard_error=0.1, dof=5, confidence=0.99)
    assert wide.low < narrow.low < narrow.high < wide.high


def test_scatter_of_few_runs_is_known_to_a_factor():
    found = sd_interval(0.02, dof=2)
    assert found.low < 0.02 / 1.5
    assert found.high > 0.02 * 5


def test_accuracy_improves_with_repeats():
    few, many = [9.0, 11.0, 10.0], [9.0, 11.0, 10.0] * 4
    assert relative_accuracy(many) < relative_accuracy(few) / 2


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: mean_interval([1.0]), "1 run has no scatter; repeat it"),
        (lambda: mean_interval([1.0, np.nan]), "value is nan.*leave out what was not read"),
        (lambda: pooled_sd([[1.0], [2.0]]), "no group has two runs"),
        (
            lambda: difference_of_means(
                means=(1, 2), sds=(1, 1), counts=(1, 5), equal_scatter=True
            ),
            "count of runs is 1 but must be at least 2",
        ),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        call()
