"""What a combination is worth: expectations against sums over what may be true."""

import numpy as np
import pytest
from scipy import integrate, stats

from tests.analysis.test_decide import gain
from tuninglib.analysis.worth import (
    WEIGHTS,
    KnownMixture,
    gains_of,
    harm_of,
    value_of_measuring,
    value_of_runs,
    value_of_trying,
    weights_of,
)
from tuninglib.interval import Z_95, Interval
from tuninglib.session.defaults import Band
from tuninglib.statistics.population import BREATHING_SD, MIXTURE_SD

BAND = Band(0.83, 0.90, 0.90)
SIZES = {"stock": 150.0, "big": 171.0}


def around(mean, sd):
    return Interval(mean, mean - Z_95 * sd, mean + Z_95 * sd)


def loss(x, weights):
    """Harm of one mixture, point by point."""
    inside = np.clip(BAND.highest - x, 0, BAND.highest - BAND.lowest)
    lean, rich = np.maximum(x - BAND.highest, 0), np.maximum(BAND.lowest - x, 0)
    return 100 * (weights.lean * lean + weights.rich * rich - weights.cooler * inside)


@pytest.mark.parametrize("wanted", WEIGHTS)
@pytest.mark.parametrize("mean", [0.78, 0.83, 0.87, 0.90, 0.95])
def test_harm_is_the_mean_over_what_the_mixture_may_be(wanted, mean):
    weights = WEIGHTS[wanted]
    sums, _ = integrate.quad(
        lambda x: loss(x, weights) * stats.norm.pdf(x, mean, 0.02), 0.6, 1.2, points=[0.83, 0.90]
    )
    assert harm_of(around(mean, 0.02), BAND, weights) == pytest.approx(sums, abs=1e-6)


@pytest.mark.parametrize(
    ("wanted", "harms"),
    [
        ("pull first", (4.0, 0.12, 0.0)),
        ("balanced", (4.0, 1.2, 0.0)),
        # Cooler inside the band is a credit, which ends at the rich edge: seven hundredths.
        ("cool first", (4.0, -0.3, -0.5)),
    ],
)
def test_what_two_hundredths_too_lean_four_too_rich_and_the_inside_are_worth(wanted, harms):
    """In per cent of pull, as the page says it; what nobody read counts 1 %."""
    exact = [around(x, 0.0) for x in (0.92, 0.79, 0.85)]
    found = [harm_of(one, BAND, WEIGHTS[wanted]) for one in exact]
    assert found == pytest.approx(harms)
    for one, harm in zip(exact, harms, strict=True):
        sure = KnownMixture(around(one.value, 1e-9))
        own = value_of_trying([sure], [KnownMixture(None)], stronger=9.0, gauge_sd=0.0, band=BAND,
                              weights=WEIGHTS[wanted])  # fmt: skip
        assert own == pytest.approx(9.0 + 1.0 - harm, abs=1e-5)
    on_climbs = weights_of(wanted, climbs=True)
    assert harm_of(exact[2], BAND, on_climbs) == pytest.approx(-0.5)
    assert weights_of(wanted, climbs=False) == WEIGHTS[wanted]


def test_before_any_run_an_engine_pulls_by_its_displacement():
    found = gains_of({"a": "stock", "b": "big"}, SIZES, {}, (), "a")
    mean, sd = found.apart(("b", "big"), ("a", "stock"))
    assert mean == pytest.approx(14.0)
    assert sd == pytest.approx(100 * np.sqrt(2 * (BREATHING_SD**2 + MIXTURE_SD**2)))


def test_runs_and_prior_are_weighed_by_what_each_is_good_for():
    """A normal prior with normal data: the mean is weighed by the inverse variances."""
    engines = {"a": "stock", "b": "big"}
    prior = 2 * (BREATHING_SD**2 + MIXTURE_SD**2)
    for log_sd in (0.005, 0.03, 0.2):
        one = gain("b", 0.05, log_sd=log_sd, over="a")
        found = gains_of(engines, SIZES, {"a": None, "b": one}, (), "a")
        share = prior / (prior + log_sd**2)
        wanted = share * np.log(1.05) + (1 - share) * np.log(1.14)
        assert found.mean[found.place("b", "big")] == pytest.approx(wanted)


def test_setups_of_one_engine_say_something_of_each_other_and_of_what_was_not_ridden():
    engines = {"a": "stock", "b": "big", "c": "big"}
    gains = {"a": None, "b": gain("b", 0.02, log_sd=0.002, over="a")}
    found = gains_of(engines, SIZES, gains, (), "a")
    for setup in ("c", None):
        assert 2.0 < found.percent(setup, "big") < 5.0
    # Each of the two has a mixture of its own.
    apart = found.apart((None, "big"), ("c", "big"))
    assert apart == pytest.approx((0.0, 100 * MIXTURE_SD * np.sqrt(2)), abs=1e-9)
    doubted = {"a": None, "b": gain("b", 0.59, over="a")}
    doubted["b"] = type(doubted["b"])(**{**vars(doubted["b"]), "doubted": True})
    assert gains_of(engines, SIZES, doubted, (), "a").percent("b", "big") == pytest.approx(14.0)


def test_what_two_gains_share_is_taken_from_their_pair():
    """Two that are each known to 3 % over the reference, but to 1 % over one another."""
    engines = {"a": "stock", "b": "big", "c": "big"}
    gains = {"a": None, "b": gain("b", 0.10, log_sd=0.03), "c": gain("c", 0.12, log_sd=0.03)}
    pair = (gain("c", 0.018, log_sd=0.01, over="b"),)
    near = gains_of(engines, SIZES, gains, pair, "a")
    far = gains_of(engines, SIZES, gains, (), "a")
    sds = [one.apart(("c", "big"), ("b", "big"))[1] for one in (near, far)]
    assert sds[0] < 1.0 < sds[1]
    # The pair's own interval, and beforehand that each has a mixture of its own.
    prior = 2 * MIXTURE_SD**2
    for known, sd in ((0.01, sds[0]), (0.03 * np.sqrt(2), sds[1])):
        assert sd == pytest.approx(100 / np.sqrt(1 / prior + 1 / known**2), rel=1e-6)


def drawn(known, gauge, own, gauge_sd):
    sd = known.lambda_.half_width / Z_95 / known.lambda_.value
    return known.lambda_.value * np.exp(gauge_sd * gauge + np.sqrt(sd**2 - gauge_sd**2) * own)


@pytest.mark.parametrize(("mean", "stronger"), [(0.86, 0.0), (0.92, 0.0), (0.86, 2.0)])
def test_trying_is_worth_the_mean_of_the_better_one(mean, stronger):
    weights, gauge_sd = WEIGHTS["balanced"], 0.01
    other, today = KnownMixture(around(mean, 0.04)), KnownMixture(around(0.80, 0.01))
    rng = np.random.default_rng(7)
    gauge, a, b = rng.standard_normal((3, 400_000))
    better = stronger - loss(drawn(other, gauge, a, gauge_sd), weights)
    better += loss(drawn(today, gauge, b, gauge_sd), weights)
    found = value_of_trying(
        [other], [today], stronger=stronger, gauge_sd=gauge_sd, band=BAND, weights=weights
    )
    assert found == pytest.approx(np.maximum(better, 0).mean(), abs=0.02)


def test_a_fuel_that_must_not_be_burnt_has_a_price():
    exact, weights = KnownMixture(around(0.86, 1e-6)), WEIGHTS["balanced"]
    terms = {"stronger": 0.0, "gauge_sd": 0.0, "band": BAND, "weights": weights}
    shut = KnownMixture(around(0.86, 1e-6), shut=True)
    for today, wanted in (
        ([exact, shut], 3.0 / 2),
        ([exact, KnownMixture(None)], 1.0 / 2),
        ([exact, exact], 0.0),
    ):
        found = value_of_trying([exact, exact], today, **terms)
        assert found == pytest.approx(wanted, abs=1e-4)


@pytest.mark.parametrize("runs", [1, 2, 8, 1000])
def test_more_runs_are_worth_what_they_may_show(runs):
    """Preposterior analysis, drawn: the truth, the runs, the choice by the posterior mean."""
    mean, sd, run_sd, rng = -1.0, 2.5, 3.0, np.random.default_rng(3)
    truth = mean + sd * rng.standard_normal(400_000)
    noise = run_sd * np.sqrt(2 / runs)
    seen = truth + noise * rng.standard_normal(truth.size)
    after = (mean / sd**2 + seen / noise**2) / (1 / sd**2 + 1 / noise**2)
    found = value_of_runs((mean, sd), harm=0.0, run_sd=run_sd, runs=runs)
    assert found == pytest.approx(np.where(after > 0, truth, 0).mean(), abs=0.01)
    assert value_of_runs((mean + 1, sd), harm=1.0, run_sd=run_sd, runs=runs) == found


@pytest.mark.outside(source="scipy.stats.norm.expect: unit normal loss integral by quadrature")
@pytest.mark.parametrize("d", [0.0, 1.0])
def test_the_unit_normal_loss_integral(d):
    """With runs without end the loss integral of what is not known is all that there is to gain."""
    found = value_of_runs((-d, 1.0), harm=0.0, run_sd=1e-6, runs=1)
    assert found == pytest.approx(stats.norm.expect(lambda x: x - d, lb=d), rel=1e-6)


@pytest.mark.parametrize(("mean", "sd", "flow_sd"), [(0.885, 0.043, 0.036), (0.92, 0.05, 0.05)])
def test_measuring_is_worth_what_benches_that_are_played_through_find(mean, sd, flow_sd):
    rng, off, benches, states = np.random.default_rng(8), 0.01, 4000, 400
    moves = np.sqrt(flow_sd**2 - (0.02 / 1.96) ** 2)
    shown = mean * np.exp(moves * rng.standard_normal(benches))
    left = np.sqrt((sd / mean) ** 2 - moves**2)
    gauge, own, rich_own = rng.standard_normal((3, benches, states))
    lambda_ = shown[:, None] * np.exp(off * gauge + np.sqrt(left**2 - off**2) * own)
    rich = 0.74 * np.exp(off * gauge + 0.009 * rich_own)

    def harm(lambda_):
        return 100 * (2 * np.maximum(lambda_ - 0.90, 0) + 0.3 * np.maximum(0.83 - lambda_, 0))

    # What a bench shows too lean to be tried stays in the drawer.
    tried = stats.norm.sf(0.90, shown, shown * left) <= 0.30
    played = np.maximum(harm(rich) - harm(lambda_), 0).mean(axis=1) * tried
    rich_sd = 0.74 * np.hypot(off, 0.009)
    found = value_of_measuring(
        [KnownMixture(around(mean, sd))], [KnownMixture(around(0.74, rich_sd))],
        flow_sd=flow_sd, stronger=0.0, gauge_sd=off, band=BAND, weights=WEIGHTS["balanced"],
    )  # fmt: skip
    assert found == pytest.approx(played.mean(), abs=3.5 * played.std() / np.sqrt(benches))


def test_a_bench_shows_nothing_of_a_flow_that_is_known_as_well_nor_opens_what_flow_does_not_shut():
    terms = {"stronger": 0.0, "gauge_sd": 0.01, "band": BAND, "weights": WEIGHTS["balanced"]}
    known, rich = KnownMixture(around(0.87, 0.02)), KnownMixture(around(0.74, 0.01))
    shut = known._replace(shut=True)
    asked = {"today": [rich, rich], **terms}
    plain = value_of_trying([known, known], **asked)
    assert value_of_measuring([known, known], flow_sd=0.005, **asked) == pytest.approx(plain)
    for other in (KnownMixture(None), shut):
        once = value_of_measuring([known, other], flow_sd=0.005, **asked)
        assert once == pytest.approx(value_of_trying([known, shut], **asked))
        assert value_of_measuring([other, other], flow_sd=0.036, **asked) == 0.0
    # Too lean with three chances in ten, or a hundredth more.
    for leaner, opened in ((0.29, True), (0.31, False)):
        edge = KnownMixture(around(0.90 + 0.02 * stats.norm.ppf(leaner), 0.02))
        assert (value_of_measuring([edge], [rich], flow_sd=0.005, **terms) > 0) is opened


def test_a_flow_that_readings_know_better_than_stated_is_no_wider_than_they_leave_it():
    terms = {"stronger": 0.0, "gauge_sd": 0.01, "band": BAND, "weights": WEIGHTS["balanced"]}
    known, rich = [KnownMixture(around(0.91, 0.02))], [KnownMixture(around(0.74, 0.01))]
    least, most = (value_of_measuring(known, rich, flow_sd=sd, **terms) for sd in (0.022, 0.05))
    assert 0 < least == pytest.approx(most, rel=0.02)
