"""Intervals, tests, power and regressions against published numbers and reference libraries.

A tolerance is half the last printed digit unless said otherwise.
"""

import csv
import warnings
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from tuninglib.statistics import mixed_model
from tuninglib.statistics.mixed_model import (
    Component,
    Rows,
    average_over_variances,
    fit_at,
    spread,
    variance_grid,
)
from tuninglib.statistics.planning import power_two_setups, repeats_needed
from tuninglib.statistics.repeats import mean_interval, t_quantile
from tuninglib.statistics.speedometer import speed_factor

# Student's sleep data: extra hours with two drugs, the same ten people.
SLEEP_A = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
SLEEP_B = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])


def in_one_block(data, design, known, *components):
    """Rows of one block that share nothing with others."""
    shared = np.zeros((1, data.size, 0))
    return Rows(data[None], design[None], shared, known[None], components)


def difference(a, b, usual):
    """Second sample's mean less the first's, next to nothing known of their common scatter."""
    setup = np.repeat([0, 1], [len(a), len(b)])
    ones = np.ones((setup.size, 1, 1))
    design = (setup[:, None, None] == [0, 1]).astype(float)
    rows = Rows(
        np.concatenate([a, b])[:, None], design, np.zeros((setup.size, 1, 0)), 0 * ones,
        (Component(ones, usual**2, 5.0),),
    )  # fmt: skip
    return spread(average_over_variances(rows, variance_grid(rows)), np.array([-1.0, 1.0]))


def of_moments(mean, sd, count):
    """Numbers with this mean and standard deviation."""
    found = np.linspace(-1, 1, count)
    return mean + sd * found / found.std(ddof=1)


@pytest.mark.outside(
    source="NIST/SEMATECH e-Handbook 1.3.5.3, two-sample t-test of AUTO83B.DAT, equal variances"
)
def test_nist_pooled_t():
    """Miles per gallon of US and Japanese cars."""
    us, japanese = of_moments(20.14458, 6.41470, 249), of_moments(30.48101, 6.10771, 79)
    found = difference(japanese, us, usual=5.0)
    # Half the last digit is theirs, and half what is usual, however vague, takes at 326 degrees.
    assert (found.low, found.high) == pytest.approx((-11.9477, -8.7252), abs=1e-4)
    assert found.value / found.sd == pytest.approx(-12.62059, rel=2e-5)
    assert found.dof == pytest.approx(326, abs=0.5)


# Student 1908, as printed by the usual analysis of the sleep data.
@pytest.mark.outside(source="Student's sleep data (Biometrika 6, 1908), two-sample t")
def test_sleep_two_samples():
    found = difference(SLEEP_B, SLEEP_A, usual=1.0)
    # What is usual, however vague, is a tenth of a per cent at 18 degrees of freedom.
    assert found.value / found.sd == pytest.approx(-1.861, abs=0.0015)
    assert found.p_value == pytest.approx(0.07919, rel=4e-3)


@pytest.mark.outside(source="Student's sleep data (Biometrika 6, 1908), paired t")
def test_sleep_paired():
    found = mean_interval(SLEEP_B - SLEEP_A)
    assert found.value / found.standard_error == pytest.approx(4.0621, abs=5e-5)
    assert (found.low, found.high) == pytest.approx((0.7001, 2.4599), abs=5e-5)


@pytest.mark.outside(source="scipy.stats.ttest_1samp")
def test_mean_against_scipy():
    mean = mean_interval(SLEEP_B)
    interval = stats.ttest_1samp(SLEEP_B, 0).confidence_interval()
    assert (mean.low, mean.high) == pytest.approx(interval, rel=1e-12)


# Degrees of freedom, and t for 90 and 95 % on two sides.
T_TABLE = """
1 6.314 12.706, 2 2.920 4.303, 3 2.353 3.182, 4 2.132 2.776, 5 2.015 2.571, 6 1.943 2.447,
7 1.895 2.365, 8 1.860 2.306, 9 1.833 2.262, 10 1.812 2.228, 11 1.796 2.201, 12 1.782 2.179,
13 1.771 2.160, 14 1.761 2.145, 15 1.753 2.131, 16 1.746 2.120, 18 1.734 2.101, 20 1.725 2.086,
22 1.717 2.074, 24 1.711 2.064, 26 1.706 2.056, 28 1.701 2.048, 30 1.697 2.042, 35 1.690 2.030,
40 1.684 2.021, 50 1.676 2.009, 70 1.667 1.994, 100 1.660 1.984
"""


@pytest.mark.outside(source="40 CFR 1065.602, table 1: critical values of t")
def test_t_table():
    for row in T_TABLE.split(","):
        dof, *printed = map(float, row.split())
        ours = [t_quantile(0.95, dof), t_quantile(0.975, dof)]
        assert ours == pytest.approx(printed, abs=5.1e-4), dof


@pytest.mark.outside(source="40 CFR 1065.602(b) and (c), worked examples")
def test_mean_and_scatter():
    found = mean_interval([10.60, 11.91, 11.09])
    assert found.value == pytest.approx(11.20, abs=0.005)
    assert found.standard_error * np.sqrt(3) == pytest.approx(0.6619, abs=5e-5)


@pytest.mark.outside(source="statsmodels TTestIndPower.solve_power")
@pytest.mark.parametrize("effect", [0.5, 2.0])
def test_repeats_for_two_setups(effect):
    power = pytest.importorskip("statsmodels.stats.power")
    reference = power.TTestIndPower().solve_power(effect, power=0.8, alpha=0.05)
    ours = repeats_needed(np.expm1(effect * 0.03), scatter_sd=0.03)
    assert ours == pytest.approx(reference, abs=0.01)


@pytest.mark.outside(
    source="Cohen, A power primer, Psychological Bulletin 112 (1992) 155, table 2 (from memory)"
)
def test_runs_of_each_of_two_setups_in_a_published_table():
    for effect, runs in ((0.2, 393), (0.5, 64), (0.8, 26)):
        ours = repeats_needed(np.expm1(effect * 0.03), scatter_sd=0.03)
        assert ours == pytest.approx(runs, abs=0.5)


@pytest.mark.outside(source="statsmodels TTestIndPower")
@pytest.mark.parametrize(("effect", "repeats"), [(1.5, 2), (0.5, 12)])
def test_power(effect, repeats):
    power = pytest.importorskip("statsmodels.stats.power")
    reference = power.TTestIndPower().power(effect, repeats, 0.05)
    assert power_two_setups(effect, repeats=repeats) == pytest.approx(reference, abs=2e-6)


NORRIS = Path(__file__).parent.parent / "data" / "nist-norris.csv"


@pytest.mark.outside(source="NIST StRD, Norris (linear regression, 36 observations)")
def test_norris():
    with NORRIS.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    x = np.array([float(row["x"]) for row in rows])
    y = np.array([float(row["y"]) for row in rows])
    design = np.column_stack([x, np.ones_like(x)])
    fit = fit_at(in_one_block(y, design, np.eye(x.size)), [])
    rest = y - design @ fit.coefficients
    scatter = np.sqrt(rest @ rest / (x.size - 2))
    # Certified values; 1e-9 of them.
    certified = [1.00211681802045, -0.262323073774029]
    assert fit.coefficients == pytest.approx(certified, rel=1e-9)
    assert scatter == pytest.approx(0.884796396144373, rel=1e-9)
    errors = scatter * np.sqrt(np.diag(fit.covariance))
    assert errors == pytest.approx([0.000429796848199937, 0.232818234301152], rel=1e-9)


@pytest.mark.outside(source="NIST StRD, NoInt1 and NoInt2 (regression through the origin)")
@pytest.mark.parametrize(
    ("x", "y", "slope", "error"),
    [
        (range(60, 71), range(130, 141), 2.07438016528926, 0.0165289256198347),
        ((4, 5, 6), (3, 4, 4), 0.727272727272727, 0.0420827318078432),
    ],
)
def test_regression_through_the_origin(x, y, slope, error):
    found = speed_factor(list(x), list(y))
    assert found.value == pytest.approx(slope, rel=1e-10)
    assert found.standard_error == pytest.approx(error, rel=1e-10)


@pytest.mark.outside(source="scipy.stats.ttest_ind, by way of averaging over the variance")
@pytest.mark.parametrize(("n", "share"), [(2, 0.015), (9, 0.0005)])
def test_averaging_over_one_variance_is_students_t(n, share):
    rng = np.random.default_rng(n)
    a, b = rng.normal(5.0, 0.3, n), rng.normal(5.2, 0.3, n)
    found = difference(a, b, usual=0.3)
    reference = stats.ttest_ind(b, a)
    interval = reference.confidence_interval()
    # What is usual, however vague, takes 1.5 % of the width at two degrees of freedom and next to
    # nothing at sixteen, and is worth a fifteenth of one.
    width = interval.high - interval.low
    assert (found.low, found.high) == pytest.approx(tuple(interval), abs=share * width)
    assert found.p_value == pytest.approx(reference.pvalue, rel=0.005)
    assert found.dof == pytest.approx(2 * n - 2, abs=0.07)


@pytest.mark.outside(source="statsmodels GLS, known covariance")
def test_known_covariance_is_generalised_least_squares():
    models = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(8)
    x = np.column_stack([np.ones(12), rng.normal(size=12)])
    root = rng.normal(size=(12, 12))
    cov = root @ root.T + np.eye(12)
    y = x @ [1.0, 2.0] + np.linalg.cholesky(cov) @ rng.normal(size=12)
    fit = fit_at(in_one_block(y, x, cov), [])
    reference = models.GLS(y, x, sigma=cov).fit()
    assert fit.coefficients == pytest.approx(reference.params, rel=1e-9)
    assert fit.covariance == pytest.approx(reference.normalized_cov_params, rel=1e-9)


@pytest.mark.outside(source="statsmodels MixedLM, restricted maximum likelihood")
@pytest.mark.parametrize("seed", [1, 2])
def test_restricted_likelihood_with_a_random_rider(seed):
    models = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(seed)
    rider = np.repeat(np.arange(6), 5)
    x = np.column_stack([np.ones(30), np.tile([0.0, 0, 1, 1, 1], 6)])
    y = x @ [3.0, 0.5] + rng.normal(0, 0.6, 6)[rider] + rng.normal(0, 0.4, 30)
    same = (rider[:, None] == rider).astype(float)
    rows = in_one_block(
        y, x, np.zeros((30, 30)),
        Component(np.eye(30)[None], 0.1, 1.0), Component(same[None], 0.1, 1.0),
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = models.MixedLM(y, x, groups=rider).fit(reml=True)
    best = np.array([reference.scale, reference.cov_re[0, 0]])
    fit = fit_at(rows, best)
    assert fit.coefficients == pytest.approx(reference.fe_params, abs=1e-4)
    # Its variances are where our restricted likelihood is greatest.
    beside = best * np.array([[1, 1], [0.95, 1], [1.05, 1], [1, 0.9], [1, 1.1]])
    found = mixed_model._solve(rows, beside).log_likelihood
    assert np.argmax(found) == 0
    # And by as much lower beside it as that of statsmodels.
    profile = [reference.model.loglike((one[1] / one[0]).reshape(1, 1)) for one in beside[3:]]
    assert np.all(np.array(profile) < reference.llf)
    errors = np.sqrt(np.diag(fit.covariance))
    assert errors == pytest.approx(reference.bse_fe, rel=2e-3)
