"""Untried injectors: predictions and odds."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.ladders import fitted, predicted, solved
from tests.tools.simulate_ladder import WORLDS, deciles, simulate
from tuninglib.statistics.ladder import Priors

E5 = {"stoichiometric_ratio": 14.29, "density_kg_m3": 747.0}
FUELS = {"e5": (14.29, 747.0), "e10": (13.99, 750.0)}
BAND = (0.83, 0.90)


@pytest.fixture(scope="module")
def fit():
    return fitted(
        lambda_low=[0.99, 1.0, 0.90, 0.90, 0.87], lambda_high=[1.01, 1.02, 0.93, 0.92, 0.89],
        flow_m3_s=[2.5e-6, 2.5e-6, 2.75e-6, 2.75e-6, 2.85e-6],
        injector=["i150", "i150", "i165", "i165", "i171"], engine="big",
        displacement={"stock": 150.0, "big": 170.0}, **E5,
    )  # fmt: skip


def test_scalar_and_array_agree(fit):
    one = predicted(fit, flow_m3_s=2.8e-6, engine="big", **E5)
    many = predicted(fit, flow_m3_s=np.full((2, 3), 2.8e-6), engine="big", **E5)
    for record, several, name in (
        *((one.lambda_, many.lambda_, name) for name in ("value", "low", "high")),
        *((one, many, name) for name in ("log_mean", "log_sd")),
    ):
        assert type(getattr(record, name)) is float
        assert_allclose(getattr(several, name), np.full((2, 3), getattr(record, name)))
    assert one.extrapolated is False
    odds, many_odds = (p.odds(low=BAND[0], high=BAND[1]) for p in (one, many))
    assert type(odds.inside) is float
    assert_allclose(many_odds.leaner, np.full((2, 3), odds.leaner))


def test_more_flow_is_richer_and_the_range_widens_beyond_what_was_tried(fit):
    flows = np.array([2.2e-6, 2.5e-6, 2.7e-6, 2.85e-6, 3.3e-6])
    prediction = predicted(fit, flow_m3_s=flows, engine="big", **E5)
    assert np.all(np.diff(prediction.lambda_.value) < 0)
    assert prediction.extrapolated.tolist() == [True, False, False, False, True]
    assert prediction.log_sd[0] > prediction.log_sd[2] < prediction.log_sd[4]


def test_weaker_fuel_is_leaner_by_the_ratio(fit):
    one, other = (
        predicted(fit, flow_m3_s=2.8e-6, engine="big", stoichiometric_ratio=s, density_kg_m3=d)
        for s, d in FUELS.values()
    )
    assert other.lambda_.value / one.lambda_.value == pytest.approx(
        14.29 / 13.99 * np.sqrt(747 / 750), rel=1e-9
    )


def test_gauge_error_cancels_between_readings_but_not_against_the_truth():
    def sd(gauge_sd, of_reading):
        fit = solved(
            observed=np.full(20, np.log(0.9)), noise_sd=np.full(20, 0.001),
            flow_m3_s=np.full(20, 2.5e-6), injector=["a"] * 20, engine=["x"] * 20,
            displacement={"x": 1.0}, priors=Priors(gauge_sd=gauge_sd, run_dof=np.inf, run_sd=0.001),
        )  # fmt: skip
        one = {"stoichiometric_ratio": 1.0, "density_kg_m3": 1.0, "tried": "a", "engine": "x"}
        return predicted(fit, flow_m3_s=2.5e-6, of_reading=of_reading, **one).log_sd

    assert sd(0.02, True) == pytest.approx(sd(0.0, True), rel=1e-6)
    assert sd(0.02, False) == pytest.approx(np.hypot(0.02, sd(0.0, False)), rel=1e-6)


def test_future_reading_is_wider_than_the_truth(fit):
    truth, reading = (
        predicted(fit, flow_m3_s=2.8e-6, engine="big", of_reading=of_reading, **E5)
        for of_reading in (False, True)
    )
    assert reading.log_mean == pytest.approx(truth.log_mean, abs=1e-3)
    assert reading.log_sd > truth.log_sd


def test_odds_add_up_and_follow_the_band(fit):
    prediction = predicted(fit, flow_m3_s=2.8e-6, engine="big", **E5)
    odds = prediction.odds(low=BAND[0], high=BAND[1])
    assert odds.richer + odds.inside + odds.leaner == pytest.approx(1.0, abs=1e-12)
    ends = prediction.odds(low=prediction.lambda_.low, high=prediction.lambda_.high)
    assert (ends.richer, ends.inside, ends.leaner) == pytest.approx((0.025, 0.95, 0.025), abs=1e-9)
    half = prediction.odds(low=prediction.lambda_.value, high=2.0)
    assert half.richer == pytest.approx(0.5, abs=1e-9)


def test_what_is_not_known_of_a_fuel_and_of_a_day_is_added(fit):
    """Variances add: of a fuel that was not read, and of days, by the noise's own scale."""
    asked = {"flow_m3_s": 2.8e-6, "engine": "big"} | E5
    bare, fuel, day = (
        predicted(fit, **asked, **more) for more in ({}, {"sd": 0.02}, {"day_sd": 0.03})
    )
    assert_allclose(fuel.sds**2 - bare.sds**2, 0.02**2, rtol=1e-9)
    assert fuel.log_sd > bare.log_sd
    kept = fit.weights > 1e-5 * fit.weights.max()
    wanted = np.broadcast_to((fit.noise_scale[kept] * 0.03) ** 2, day.sds.shape)
    assert_allclose(day.sds**2 - bare.sds**2, wanted, rtol=1e-9)


def test_flows_that_were_tried_are_inside(fit):
    for flow, outside in ((2.5e-6, False), (2.85e-6, False), (2.4999e-6, True), (2.8501e-6, True)):
        assert predicted(fit, flow_m3_s=flow, engine="big", **E5).extrapolated is outside


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"engine": "other"}, "engine 'other' is not in the fit, which has stock, big"),
        ({"tried": "other"}, "injector 'other' is not in the fit, which has i150, i165, i171"),
        ({"tried": "i150", "tolerance": 0.01}, "'i150' was tried, so its tolerance is part"),
        ({"flow_m3_s": 0.0}, "flow is 0 m3/s"),
        ({"tolerance": -0.1}, "tolerance is -0.1"),
    ],
)
def test_predict_refuses_what_cannot_be(fit, change, message):
    with pytest.raises(ValueError, match=message):
        predicted(fit, **{"flow_m3_s": 2.8e-6, "engine": "big", **E5, **change})


def test_band_the_wrong_way_round(fit):
    prediction = predicted(fit, flow_m3_s=2.8e-6, engine="big", **E5)
    with pytest.raises(
        ValueError, match=r"richer end of the target band is 0.9 but must be below 0.83; swap"
    ):
        prediction.odds(low=0.90, high=0.83)


@pytest.fixture(scope="module")
def outcome():
    return simulate(WORLDS[0], 250, candidates=6)


def test_intervals_hold_the_truth(outcome):
    """250 invented sessions; the full table comes from simulate_ladder.py."""
    assert 0.93 < outcome.covered.mean() < 0.97
    assert 0.93 < outcome.covered_tried.mean() < 0.98
    assert 0.93 < outcome.covered_response.mean() < 0.97


@pytest.mark.parametrize("which", ["inside", "leaner"])
def test_odds_match_the_frequencies(outcome, which):
    rows = deciles(getattr(outcome, which), getattr(outcome, f"is_{which}"))
    # Three points, and three standard errors of so small a simulation.
    allowed = 0.03 + 3 * np.sqrt(rows[:, 0] * (1 - rows[:, 0]) / rows[:, 2])
    assert np.all(np.abs(rows[:, 0] - rows[:, 1]) < allowed)
    overall = getattr(outcome, which).mean() - getattr(outcome, f"is_{which}").mean()
    assert abs(overall) < 0.02


def test_tolerance_that_is_far_too_small_shows_in_the_simulation():
    """The check above can fail: deviations of 5 % believed to be 1 %."""
    wrong = type(WORLDS[0])("wrong", deviation=(0.05, 0.05), tolerance=0.01)
    assert simulate(wrong, 100, candidates=4).covered.mean() < 0.75
