"""Days of one season taken together: forces, and the ladder of many days."""

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import cumulative_trapezoid
from statsmodels.regression.linear_model import GLS
from statsmodels.stats.meta_analysis import combine_effects

from tests.ladders import predicted
from tests.tools.simulate_seasons import coverage
from tuninglib.statistics.gauge_readings import Readings
from tuninglib.statistics.ladder import (
    Parts,
    Priors,
    ReadingCell,
    fit_ladder,
    pool_readings,
    reading_cells,
)
from tuninglib.statistics.season import DayOfForces, _closer, pool_days

NONE = np.array([], dtype=int)
# Tuberculosis vaccine trials: events and others, treated and not. From memory.
BCG = np.array([
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619),
    (33, 5036, 47, 5761), (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892),
    (29, 7470, 45, 7232), (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338),
    (27, 16886, 29, 17825),
])  # fmt: skip
# Extra hours of sleep of ten patients with two drugs.
SLEEP = np.array([
    (0.7, 1.9), (-1.6, 0.8), (-0.2, 1.1), (-1.2, 0.1), (-0.1, -0.1),
    (3.4, 4.4), (3.7, 5.5), (0.8, 1.6), (0.0, 4.6), (2.0, 3.4),
])  # fmt: skip


def single(value, variance):
    return DayOfForces(
        np.array([0]), NONE, np.array([value]), np.array([[variance]]), np.zeros((1, 1))
    )


def bcg():
    a, b, c, d = BCG.T.astype(float)
    effect = np.log(a / (a + b)) - np.log(c / (c + d))
    return effect, 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


@pytest.mark.outside(source="statsmodels, combine_effects: inverse-variance weights")
def test_days_that_are_alike_are_weighed_by_their_variances():
    effect, variance = bcg()
    wanted = combine_effects(effect, variance)
    days = list(map(single, effect, variance))
    found = pool_days(days, setups=1, day_sd=1e-6, gain_sd=1e-6).contrast(0)
    assert found.log.value == pytest.approx(wanted.mean_effect_fe, rel=1e-5)
    assert found.sd == pytest.approx(wanted.sd_eff_w_fe, rel=1e-4)


@pytest.mark.outside(
    source="Berkey et al., Statistics in Medicine 14 (1995) 395; restricted likelihood gives "
    "-0.7145 with the standard error 0.180 (from memory)"
)
def test_days_that_differ_give_the_published_mean_of_the_vaccine_trials():
    season = pool_days(list(map(single, *bcg())), setups=1, day_sd=20.0, gain_sd=1e-6)
    found = season.contrast(0)
    # That is at the best heterogeneity; ours is averaged over what it may be.
    assert found.log.value == pytest.approx(-0.7145, abs=0.003)
    # The heterogeneity is not known exactly, which a plug-in standard error leaves out.
    assert 0.180 < found.sd < 0.180 * 1.25
    assert season.day_sd.low < np.sqrt(0.3132) < season.day_sd.high


@pytest.mark.outside(source="Student, Biometrika 6 (1908) 1: sleep data, mean difference 1.58")
def test_two_setups_on_ten_days_are_students_paired_difference():
    tiny = 1e-6 * np.eye(2)
    days = [DayOfForces(np.array([0, 1]), NONE, row, tiny, np.zeros((2, 2))) for row in SLEEP]
    found = pool_days(days, setups=2, day_sd=10.0, gain_sd=5.0).contrast(1, over=0)
    paired = stats.ttest_rel(SLEEP[:, 1], SLEEP[:, 0]).confidence_interval()
    assert found.log.value == pytest.approx(1.58, abs=1e-3)
    # With nothing taken for granted of two standard deviations, and ten days.
    assert 1.0 <= found.log.half_width / ((paired.high - paired.low) / 2) < 1.2


@pytest.mark.outside(source="statsmodels, GLS over all days at once")
def test_what_days_share_is_that_of_all_days_in_one_fit():
    """Two days that share an unknown; one of them tells something of it."""
    rng = np.random.default_rng(4)
    slopes = [np.array([[0.05, 0.01], [0.06, -0.02]]), np.array([[0.055, 0.03], [0.02, 0.01]])]
    noise = [np.diag([4e-4, 2e-4]), np.array([[3e-4, 1e-4], [1e-4, 5e-4]])]
    told = [np.zeros(2), np.array([0.8, 0.3])]  # what a day's own readings of the unknowns weigh
    data = [rng.normal(0, 0.03, 2) + 5.0 for _ in range(2)]
    reading = np.array([0.7, -0.4])
    days = []
    for y, slope, cov, weight in zip(data, slopes, noise, told, strict=True):
        # Unknowns z ~ N(0, 1), y = mu + slope z + e, and perhaps z read with variance 1 / weight.
        inverse = np.linalg.inv(cov)
        across = inverse @ slope
        own = slope.T @ across + np.eye(2) + np.diag(weight)
        precision = np.block([[inverse, across], [across.T, own]])
        right = np.concatenate([inverse @ y, across.T @ y + weight * reading])
        covariance = np.linalg.inv(precision)
        # The second day names them the other way round.
        order = [0, 1, 3, 2] if days else [0, 1, 2, 3]
        days.append(
            DayOfForces(
                np.array([0, 1]), np.array([7, 3])[[at - 2 for at in order[2:]]],
                (covariance @ right)[order], covariance[np.ix_(order, order)], np.zeros((2, 2)),
            )
        )  # fmt: skip
    found = pool_days(days, setups=2, day_sd=1e-7, gain_sd=1e-7)
    # All rows: the four forces, the readings of z, and what was known of z.
    design = np.zeros((8, 4))
    design[[0, 1, 2, 3], [0, 1, 0, 1]] = 1
    design[:4, 2:] = np.concatenate(slopes)
    design[4:6, 2:] = design[6:, 2:] = np.eye(2)
    sigma = np.eye(8)
    sigma[:2, :2], sigma[2:4, 2:4] = noise
    sigma[4:6, 4:6] = np.diag(1 / told[1])
    fit = GLS(np.concatenate([*data, reading, np.zeros(2)]), design, sigma=sigma).fit(
        cov_type="fixed scale"
    )
    for at in range(2):
        assert found.contrast(at).log.value == pytest.approx(fit.params[at], rel=1e-6)
        assert found.contrast(at).sd == pytest.approx(np.sqrt(fit.cov_params()[at, at]), rel=1e-3)
    across = np.array([-1.0, 1.0, 0.0, 0.0])
    assert found.contrast(1, over=0).sd == pytest.approx(
        np.sqrt(across @ fit.cov_params() @ across), rel=1e-3
    )


def test_what_a_day_does_to_all_cancels_within_it_and_not_across_days():
    day = np.diag([1e-4, 1e-4])
    both = [DayOfForces(np.array([0, 1]), NONE, np.array([5.0, 5.1]), day, day)] * 2
    apart = [single(5.0, 1e-4), single(5.1, 1e-4)._replace(setups=np.array([1]))]
    stated = {"setups": 2, "day_sd": 0.05, "gain_sd": 1e-6}
    near = pool_days(both, **stated).contrast(1, over=0)
    far = pool_days(apart, **stated)
    assert near.sd == pytest.approx(np.sqrt(2e-4 / 2), rel=0.02)
    assert far.contrast(1, over=0).sd > 0.04
    assert far.day_sd_is_assumed
    assert not pool_days([both[0]] * 12, **stated).day_sd_is_assumed


@pytest.mark.parametrize("stated", [(0.03, 0.02), (0.05, 0.002)])
def test_how_far_days_differ_is_the_density_written_out(stated):
    """Five days of two setups: restricted likelihood times half-normal priors, on a fine grid."""
    rng = np.random.default_rng(12)
    own = np.array([[1.2e-4, 0.2e-4], [0.2e-4, 0.8e-4]])
    y = (
        5.0
        + np.array([0.0, 0.08])
        + 0.03 * rng.normal(size=(5, 1))
        + 0.02 * rng.normal(size=(5, 2))
    )
    days = [DayOfForces(np.array([0, 1]), NONE, row, own, np.zeros((2, 2))) for row in y]
    found = pool_days(days, setups=2, day_sd=stated[0], gain_sd=stated[1])
    tau = np.linspace(0, 5 * stated[0], 240)[:, None]
    omega = np.linspace(0, 5 * stated[1], 200)
    v = own + (tau**2)[..., None, None] * np.ones((2, 2)) + (omega**2)[..., None, None] * np.eye(2)
    left = y - y.mean(0)
    # Of five days of one covariance: −2 log L = 4 log det V + Σ rᵀ V⁻¹ r, but for a constant.
    inverse = np.linalg.inv(v)
    log = -2 * np.linalg.slogdet(v)[1] - 0.5 * np.einsum("ni,abij,nj->ab", left, inverse, left)
    log -= 0.5 * ((tau / stated[0]) ** 2 + (omega / stated[1]) ** 2)
    weight = np.exp(log - log.max())
    for told, points, each in ((found.day_sd, tau[:, 0], weight.sum(1)),
                               (found.gain_sd, omega, weight.sum(0))):  # fmt: skip
        below = cumulative_trapezoid(each, initial=0)
        wanted = [
            each @ points / each.sum(),
            *np.interp([0.025, 0.975], below / below[-1], points),
        ]
        assert (told.value, told.low, told.high) == pytest.approx(wanted, rel=0.03, abs=1.2e-3)
    gain = found.contrast(1, over=0)
    assert gain.log.value == pytest.approx(np.diff(y.mean(0)).item(), abs=1e-9)
    # A mixture of normal distributions: its 95 % by the same weights.
    sd = np.sqrt((v[..., 0, 0] + v[..., 1, 1] - 2 * v[..., 0, 1]) / 5)
    beyond = np.sum(weight * 2 * stats.norm.sf(gain.log.half_width / sd)) / weight.sum()
    assert beyond == pytest.approx(0.05, abs=0.004)
    assert gain.sd == pytest.approx(gain.log.half_width / 1.96, rel=1e-4)
    zero = np.sum(weight * 2 * stats.norm.sf(gain.log.value / sd)) / weight.sum()
    assert gain.p_value == pytest.approx(zero, rel=0.1)


def test_a_trend_is_found_and_the_setups_are_those_of_the_middle():
    day = np.diag([1e-6, 1e-6])
    days = [
        DayOfForces(
            np.array([0, 1]), NONE, np.array([5.0, 5.1]) - 0.002 * t, day, np.zeros((2, 2)), time=t
        )
        for t in (0.0, 10.0, 20.0, 60.0)
    ]
    season = pool_days(days, setups=2, day_sd=0.01, gain_sd=0.001, trend=True)
    assert season.slope.log.value == pytest.approx(-0.002, rel=1e-3)
    assert season.slope.p_value < 0.05
    assert season.contrast(0).log.value == pytest.approx(5.0 - 0.002 * 22.5, abs=1e-3)
    with pytest.raises(ValueError, match="trend=True"):
        pool_days(days, setups=2, day_sd=0.01, gain_sd=0.001).slope  # noqa: B018


def test_the_cost_of_few_repeats_is_in_the_interval():
    day = np.diag([1e-4, 1e-4])
    few = DayOfForces(np.array([0, 1]), NONE, np.array([5.0, 5.1]), day, day, 4.0)
    many = few._replace(own_dof=400.0)
    stated = {"setups": 2, "day_sd": 1e-6, "gain_sd": 1e-6}
    found = [pool_days([one], **stated).contrast(1, over=0).sd for one in (few, many)]
    assert found[0] / found[1] == pytest.approx(2.776 / 1.966, rel=0.01)


@pytest.mark.parametrize(
    ("days", "said"),
    [([], "setup 0 is on no day"), ([single(5.0, 1e-4)], "setup 1 is on no day")],
)
def test_a_setup_without_a_day_is_refused(days, said):
    with pytest.raises(ValueError, match=said):
        pool_days(days, setups=2, day_sd=0.02, gain_sd=0.01)
    with pytest.raises(ValueError, match="day_sd"):
        pool_days([single(5.0, 1e-4)], setups=1, day_sd=0.0, gain_sd=0.01)


@pytest.mark.slow
def test_intervals_hold_the_truth_as_often_as_they_say():
    for rows in ([[0], [0, 1]], [[0, 1]] * 4):
        held, _, trend, _ = coverage(rows, 250)
        assert held == pytest.approx(0.95, abs=0.035), rows
        assert np.isnan(trend) or trend > 0.9


def test_what_days_differ_by_is_known_as_the_spread_of_many_days():
    rng = np.random.default_rng(9)
    values = 5.0 + 0.02 * rng.normal(size=300)
    found = pool_days(
        [single(one, 1e-10) for one in values], setups=1, day_sd=0.1, gain_sd=1e-6
    ).day_sd
    spread = float(np.std(values, ddof=1))
    low, high = spread * np.sqrt(299 / stats.chi2(299).ppf([0.975, 0.025]))
    assert (found.value, found.low, found.high) == pytest.approx((spread, low, high), rel=0.01)


def test_points_are_drawn_closer_to_where_they_matter():
    """One of nine matters: from the one before it to the one after it, nine again."""
    points = np.linspace(0.0, 8.0, 9)
    lone = np.where(points == 4, 1.0, 1e-6)
    np.testing.assert_allclose(_closer(points, lone), np.linspace(3, 5, 9))
    for at, low, high in ((0, 0, 1), (8, 7, 8)):
        np.testing.assert_allclose(
            _closer(points, np.where(points == at, 1.0, 0.0)), np.linspace(low, high, 9)
        )
    # A ten-thousandth of the largest is what matters; half of them are enough.
    few = np.where(np.abs(points - 4) < 2, [1e-3], [0.9e-4])
    few[4] = 1.0
    np.testing.assert_allclose(_closer(points, few), np.linspace(2, 6, 9))
    many = np.where(np.abs(points - 4) < 2.5, 1.0, 0.0)
    assert _closer(points, many) is points
    assert _closer(points[:1], lone[:1]).size == 1


# The ladder of many days --------------------------------------------------------------------------


FUEL = {"stoichiometric_ratio": 14.3, "density_kg_m3": 745.0}
DISPLACEMENT = {"stock": 150.0, "big": 175.0}


def day_of(rng, names, shift=0.0, repeats=3, response=1.0):
    """Readings of one day; injector names and flows as below."""
    flows = {"a": 2.5e-6, "b": 2.75e-6, "c": 3.0e-6}
    injector = [name for name in names for _ in range(repeats)]
    flow = np.array([flows[name] for name in injector])
    middle = (
        np.log(0.88) - response * np.log(flow / 2.7e-6) + shift + rng.normal(0, 0.01, len(flow))
    )
    return {
        "lambda_low": np.exp(middle) - 0.008, "lambda_high": np.exp(middle) + 0.008,
        "flow_m3_s": flow, "injector": injector, "engine": ["stock"] * len(flow),
        "fuel": ["e5"] * len(flow), **FUEL,
    }  # fmt: skip


def test_one_day_is_the_ladder_itself():
    rng = np.random.default_rng(3)
    columns = day_of(rng, "abc") | {
        "weight": np.r_[np.ones(8), 0.3],
        "offset": np.linspace(-0.02, 0.03, 9),
    }
    stated = {"displacement": DISPLACEMENT, "tolerance": {"a": 0.02}, "fuel_sd": {"e5": 0.004}}
    readings, parts = Readings(**columns), Parts(**stated)
    wanted = fit_ladder(readings, parts)
    found = pool_readings([reading_cells(readings, run_sd=0.01)], parts, day_sd=0.0)
    for term in wanted.terms:
        a, b = found.interval(term), wanted.interval(term)
        assert (a.value, a.low, a.high) == pytest.approx((b.value, b.low, b.high), abs=1e-9)
    asked = {"flow_m3_s": 2.6e-6, "engine": "big", **FUEL, "name": "e5"}
    assert predicted(found, **asked).log_sd == pytest.approx(predicted(wanted, **asked).log_sd)


@pytest.mark.outside(source="statsmodels, GLS with what a day shares in the covariance")
def test_days_are_those_of_one_fit_with_their_covariance():
    rng = np.random.default_rng(5)
    days = [day_of(rng, names, shift=rng.normal(0, 0.02)) for names in ("ab", "bc", "c")]
    priors = Priors(response_sd=np.inf, gauge_sd=0.0, run_dof=np.inf, tolerance_spread=0.0)
    fit = pool_readings(
        [reading_cells(Readings(**one), run_sd=0.01) for one in days],
        Parts(displacement={"stock": 150.0}, tolerance=dict.fromkeys("abc", 0.0), priors=priors),
        day_sd=0.02,
    )
    flow = np.concatenate([one["flow_m3_s"] for one in days])
    low, high = (
        np.concatenate([one[name] for one in days]) for name in ("lambda_low", "lambda_high")
    )
    day = np.repeat(np.arange(3), [len(one["flow_m3_s"]) for one in days])
    read = Readings(
        lambda_low=low, lambda_high=high, flow_m3_s=flow, injector=["a"] * len(flow),
        engine=["stock"] * len(flow), **FUEL,
    )  # fmt: skip
    noise = np.hypot(priors.run_sd, read.relative_sd)
    sigma = np.diag(noise**2) + 0.02**2 * (day[:, None] == day)
    design = np.column_stack([-np.log(flow / fit.reference_flow_m3_s), np.ones(len(flow))])
    wanted = GLS(read.log_lambda + read.log_fuel, design, sigma=sigma).fit()
    np.testing.assert_allclose(fit.mean, wanted.params, rtol=1e-8)
    np.testing.assert_allclose(fit.covariance, wanted.normalized_cov_params, rtol=1e-6)


def test_days_that_differ_widen_what_is_said_of_another_day():
    cells = [
        [ReadingCell("stock", "a", "e5", 2.5e-6, 5.8 + d, 0.005, 2.0, 3)] for d in (0.0, 0.004)
    ]
    far = [[ReadingCell("stock", "a", "e5", 2.5e-6, 5.8 + d, 0.005, 2.0, 3)] for d in (-0.1, 0.1)]
    parts = Parts(displacement={"stock": 150.0}, tolerance={"a": 0.02})
    asked = {"flow_m3_s": 2.5e-6, "engine": "stock", "tried": "a", **FUEL}
    near, apart = (pool_readings(days, parts, day_sd=0.01) for days in (cells * 3, far * 3))
    assert near.weights @ near.noise_scale < 1.2 < 3 < apart.weights @ apart.noise_scale
    plain, other = (predicted(near, **asked, day_sd=sd).log_sd for sd in (0.0, 0.03))
    scale2 = near.weights @ near.noise_scale**2
    assert other**2 - plain**2 == pytest.approx(scale2 * 0.03**2, rel=0.02)


def test_no_reading_is_refused():
    with pytest.raises(ValueError, match="no reading"):
        pool_readings([[], []], Parts(displacement={"a": 1.0}), day_sd=0.01)
