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
from tuninglib.statistics.repeats import (
    difference_of_means,
    mean_interval,
    paired_difference,
    pooled_sd,
    relative_accuracy,
    sd_interval,
    t_quantile,
)
from tuninglib.statistics.speedometer import speed_factor, speed_line

# Student's sleep data: extra hours with two drugs, the same ten people.
SLEEP_A = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
SLEEP_B = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])

NIST = "NIST/SEMATECH e-Handbook 1.3.5.3, two-sample t-test of AUTO83B.DAT"


def summary(a, b):
    return {
        "means": (np.mean(a), np.mean(b)),
        "sds": (np.std(a, ddof=1), np.std(b, ddof=1)),
        "counts": (len(a), len(b)),
    }


# Miles per gallon of US and Japanese cars.
AUTO83B = {"means": (20.14458, 30.48101), "sds": (6.41470, 6.10771), "counts": (249, 79)}


@pytest.mark.outside(source=NIST)
def test_nist_pooled_t():
    found = difference_of_means(equal_scatter=True, **AUTO83B)
    assert found.dof == 326
    assert found.t == pytest.approx(-12.62059, abs=5e-5)


@pytest.mark.outside(source=NIST)
def test_nist_pooled_interval():
    found = difference_of_means(equal_scatter=True, **AUTO83B)
    # Printed from unrounded means and standard deviations: 1e-4.
    assert (found.low, found.high) == pytest.approx((-11.9477, -8.7252), abs=1e-4)


@pytest.mark.outside(source="scipy.stats.ttest_ind_from_stats")
@pytest.mark.parametrize("equal", [True, False])
def test_two_sample_t_from_summaries(equal):
    (m1, m2), (s1, s2), (n1, n2) = AUTO83B.values()
    reference = stats.ttest_ind_from_stats(m1, s1, n1, m2, s2, n2, equal_var=equal)
    found = difference_of_means(equal_scatter=equal, **AUTO83B)
    assert found.t == pytest.approx(reference.statistic, rel=1e-12)
    assert found.p_value == pytest.approx(reference.pvalue, rel=1e-9)


# Student 1908, as printed by the usual analysis of the sleep data.
@pytest.mark.outside(source="Student's sleep data (Biometrika 6, 1908), two-sample t")
@pytest.mark.parametrize(("equal", "dof", "p"), [(True, 18.0, 0.07919), (False, 17.776, 0.07939)])
def test_sleep_two_samples(equal, dof, p):
    found = difference_of_means(equal_scatter=equal, **summary(SLEEP_A, SLEEP_B))
    assert found.t == pytest.approx(-1.861, abs=5e-4)
    assert found.dof == pytest.approx(dof, abs=5e-4)
    assert found.p_value == pytest.approx(p, abs=5e-6)


@pytest.mark.outside(source="Student's sleep data (Biometrika 6, 1908), paired t")
def test_sleep_paired():
    found = paired_difference(SLEEP_B, SLEEP_A)
    assert found.t == pytest.approx(4.0621, abs=5e-5)
    assert found.p_value == pytest.approx(0.002833, abs=5e-7)
    assert (found.low, found.high) == pytest.approx((0.7001, 2.4599), abs=5e-5)


@pytest.mark.outside(source="scipy.stats.ttest_rel and ttest_1samp")
def test_paired_and_mean_against_scipy():
    reference = stats.ttest_rel(SLEEP_B, SLEEP_A)
    found = paired_difference(SLEEP_B, SLEEP_A)
    assert (found.t, found.p_value) == pytest.approx(reference, rel=1e-12)
    interval = stats.ttest_1samp(SLEEP_B, 0).confidence_interval(0.9)
    mean = mean_interval(SLEEP_B, confidence=0.9)
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


@pytest.mark.outside(source="40 CFR 1065.602(b), (c) and (f), worked examples")
def test_mean_scatter_and_unequal_samples():
    values = [10.60, 11.91, 11.09]
    assert mean_interval(values).value == pytest.approx(11.20, abs=0.005)
    assert pooled_sd([values]).sd == pytest.approx(0.6619, abs=5e-5)
    found = difference_of_means(
        means=(1205.3, 1123.8), sds=(9.399, 10.583), counts=(11, 7), equal_scatter=False
    )
    assert found.t == pytest.approx(16.63, abs=0.005)
    assert found.dof == pytest.approx(11.76, abs=0.005)


@pytest.mark.outside(source="table of the chi-square distribution, 4 degrees of freedom")
def test_interval_of_a_standard_deviation():
    found = sd_interval(1.0, dof=4)
    assert (found.low, found.high) == pytest.approx((0.5991, 2.8736), abs=5e-5)


# Directive 70/220/EEC, Annex III: t and t/√n by number of coast-downs, from memory. It rounds t
# to the nearest tenth or up (2.447 for n = 7 is 2.5), and the quotients are those of its own t. A t
# of 2.2 for n = 10, as once typed here, is neither, nor does it go with its quotient of 0.73; it is
# left out.
TABLE = "Directive 70/220/EEC, Annex III, statistical accuracy of coast-downs"
COUNTS = [4, 5, 6, 7, 8, 9, 10, 12, 15]
PRINTED_T = [3.2, 2.8, 2.6, 2.5, 2.4, 2.3, None, 2.2, 2.2]
PRINTED_QUOTIENT = [1.6, 1.25, 1.06, 0.94, 0.85, 0.77, 0.73, 0.64, 0.57]


@pytest.mark.outside(source=TABLE)
@pytest.mark.parametrize(
    ("n", "t"), [row for row in zip(COUNTS, PRINTED_T, strict=True) if row[1] is not None]
)
def test_coast_down_table_t(n, t):
    assert t - 0.1 < t_quantile(0.975, n - 1) <= t + 0.05


# No outside mark: what is allowed is wider than what is printed.
@pytest.mark.parametrize(("n", "quotient"), list(zip(COUNTS, PRINTED_QUOTIENT, strict=True)))
def test_coast_down_table_quotient(n, quotient):
    runs = 10.0 + np.linspace(-1, 1, n)
    ours = relative_accuracy(runs) * runs.mean() / runs.std(ddof=1)
    # The last printed digit, and a tenth of t rounded up.
    assert quotient - 0.1 / np.sqrt(n) - 0.005 < ours < quotient + 0.05 / np.sqrt(n) + 0.005


@pytest.mark.outside(source="statsmodels TTestIndPower.solve_power")
@pytest.mark.parametrize("effect", [0.5, 0.8, 1.0, 2.0])
def test_repeats_for_two_setups(effect):
    power = pytest.importorskip("statsmodels.stats.power")
    reference = power.TTestIndPower().solve_power(effect, power=0.8, alpha=0.05)
    ours = repeats_needed(np.expm1(effect * 0.03), scatter_sd=0.03)
    assert ours == pytest.approx(reference, abs=0.01)


@pytest.mark.outside(
    source="Cohen, A power primer, Psychological Bulletin 112 (1992) 155, table 2 (from memory)"
)
@pytest.mark.parametrize(("effect", "runs"), [(0.2, 393), (0.5, 64), (0.8, 26)])
def test_runs_of_each_of_two_setups_in_a_published_table(effect, runs):
    ours = repeats_needed(np.expm1(effect * 0.03), scatter_sd=0.03)
    assert ours == pytest.approx(runs, abs=0.6)


@pytest.mark.outside(source="statsmodels TTestPower.solve_power")
@pytest.mark.parametrize("effect", [0.5, 1.0])
def test_repeats_for_pairs(effect):
    power = pytest.importorskip("statsmodels.stats.power")
    reference = power.TTestPower().solve_power(effect, power=0.8, alpha=0.05)
    ours = repeats_needed(np.expm1(effect * 0.03), scatter_sd=0.03, paired=True)
    assert ours == pytest.approx(reference, abs=0.01)


@pytest.mark.outside(source="statsmodels TTestIndPower and TTestPower")
@pytest.mark.parametrize("paired", [False, True])
@pytest.mark.parametrize("repeats", [2, 3, 5, 12])
@pytest.mark.parametrize("effect", [0.5, 1.5])
def test_power(effect, repeats, paired):
    power = pytest.importorskip("statsmodels.stats.power")
    kind = power.TTestPower if paired else power.TTestIndPower
    reference = kind().power(effect, repeats, 0.05)
    assert power_two_setups(effect, repeats=repeats, paired=paired) == pytest.approx(
        reference, abs=2e-6
    )


NORRIS = Path(__file__).parent.parent / "data" / "nist-norris.csv"


@pytest.mark.outside(source="NIST StRD, Norris (linear regression, 36 observations)")
def test_norris():
    with NORRIS.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    x = np.array([float(row["x"]) for row in rows])
    y = np.array([float(row["y"]) for row in rows])
    line = speed_line(x, y)
    # Certified values; 1e-9 of them.
    assert line.factor.value == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.factor.standard_error == pytest.approx(0.000429796848199937, rel=1e-9)
    assert line.offset_m_s.value == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.offset_m_s.standard_error == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.residual_sd_m_s == pytest.approx(0.884796396144373, rel=1e-9)


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
@pytest.mark.parametrize("n", [2, 3, 5, 9])
def test_averaging_over_one_variance_is_students_t(n):
    rng = np.random.default_rng(n)
    a, b = rng.normal(5.0, 0.3, n), rng.normal(5.2, 0.3, n)
    design = np.kron(np.eye(2), np.ones((n, 1)))
    # Next to nothing is usual of the scatter.
    rows = in_one_block(
        np.concatenate([a, b]), design, np.zeros((2 * n, 2 * n)),
        Component(np.eye(2 * n)[None], 0.1, 5.0),
    )  # fmt: skip
    found = spread(average_over_variances(rows, variance_grid(rows)), np.array([-1.0, 1.0]))
    reference = stats.ttest_ind(b, a)
    interval = reference.confidence_interval()
    # What is usual, however vague, takes 1.5 % of the width at two degrees of freedom, and is worth
    # a fifteenth of one.
    width = interval.high - interval.low
    assert (found.low, found.high) == pytest.approx(tuple(interval), abs=0.015 * width)
    assert found.p_value == pytest.approx(reference.pvalue, rel=0.03)
    assert found.dof == pytest.approx(2 * n - 2, rel=0.04)


def in_one_block(data, design, known, *components):
    """Rows of one block that share nothing with others."""
    shared = np.zeros((1, data.size, 0))
    return Rows(data[None], design[None], shared, known[None], components)


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
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
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
