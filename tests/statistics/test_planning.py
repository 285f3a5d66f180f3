"""Power, repeats needed, and orders of runs."""

from itertools import product

import numpy as np
import pytest
from statsmodels.regression.linear_model import GLS

from tuninglib.statistics.planning import (
    half_width_across_days,
    power_two_setups,
    repeats_needed,
    run_order,
    smallest_visible_effect,
    smallest_visible_gain,
)


def test_power_of_nothing_is_the_false_alarm_rate():
    for repeats in (1.5, 2, 5, 1e9):
        assert power_two_setups(0.0, repeats=repeats) == pytest.approx(0.05, abs=2e-5)


@pytest.mark.parametrize(("dof", "alpha"), [(2, 0.05), (4, 0.05 / 3), (10, 0.01)])
def test_power_is_what_many_tests_show(dof, alpha):
    rng = np.random.default_rng(7)
    effect = smallest_visible_effect(standard_error=1.0, dof=dof, alpha=alpha)
    scatter = np.sqrt(rng.chisquare(dof, 200_000) / dof)
    t = (effect + rng.standard_normal(200_000)) / scatter
    critical = np.quantile(np.abs(rng.standard_t(dof, 2_000_000)), 1 - alpha)
    assert np.mean(np.abs(t) > critical) == pytest.approx(0.8, abs=0.01)


def test_repeats_needed_gives_the_power_it_was_asked_for():
    n = repeats_needed(0.04, scatter_sd=0.03, alpha=0.01)
    power = power_two_setups(np.log1p(0.04) / 0.03, repeats=n, alpha=0.01)
    assert power == pytest.approx(0.8, abs=1e-6)


def test_repeats_and_smallest_gain_undo_each_other():
    gain = smallest_visible_gain(scatter_sd=0.03, repeats=5)
    assert repeats_needed(gain, scatter_sd=0.03) == pytest.approx(5.0, rel=1e-5)


def test_a_loss_needs_as_many_repeats_as_its_inverse_gain():
    loss = repeats_needed(1 / 1.05 - 1, scatter_sd=0.03)
    assert loss == pytest.approx(repeats_needed(0.05, scatter_sd=0.03))


@pytest.mark.parametrize("setups", [2, 3, 5])
@pytest.mark.parametrize("repeats", [2, 4, 6])
def test_even_orders_cancel_a_steady_drift(setups, repeats):
    names = [f"s{j}" for j in range(setups)]
    order = run_order(names, repeats=repeats)
    assert order.remaining_drift == 0
    assert order.swaps == 2 * (setups - 1)
    assert [order.setups.count(name) for name in names] == [repeats] * setups
    drift = np.arange(len(order.setups)) * 0.01
    means = [np.mean(drift[np.array(order.setups) == name]) for name in names]
    assert np.ptp(means) < 1e-15


def test_odd_orders_say_what_is_left():
    order = run_order(["a", "b"], repeats=3)
    places = {s: [i for i, x in enumerate(order.setups) if x == s] for s in "ab"}
    left = abs(np.mean(places["a"]) - np.mean(places["b"]))
    assert order.remaining_drift == pytest.approx(left)
    assert 0 < left <= 1


@pytest.mark.parametrize(("count", "repeats"), [(3, 3), (4, 3), (5, 5)])
def test_an_odd_order_leaves_the_least_drift_of_all_its_splits(count, repeats):
    """Every way to ride a part of each setup's runs there and the rest back, in turn."""
    names = "abcde"[:count]

    def drift(split):
        there = [s for s, n in zip(names, split, strict=True) for _ in range(n)]
        back = [s for s, n in zip(names, split, strict=True) for _ in range(repeats - n)]
        order = there + back[::-1]
        means = [np.mean([at for at, s in enumerate(order) if s == name]) for name in names]
        return max(means) - min(means)

    least = min(map(drift, product((repeats // 2, repeats - repeats // 2), repeat=count)))
    assert run_order(names, repeats=repeats).remaining_drift == pytest.approx(least)


def test_riders_take_turns_on_every_setup():
    order = run_order(["a", "b", "c"], repeats=4, riders=["r", "q"])
    for setup in "abc":
        own = [r for s, r in zip(order.setups, order.riders, strict=True) if s == setup]
        assert own.count("r") == own.count("q") == 2
    # The first who is named begins, and three go round.
    three = run_order(["a", "b"], repeats=4, riders=["r", "q", "p"])
    for setup in "ab":
        own = [r for s, r in zip(three.setups, three.riders, strict=True) if s == setup]
        assert own == ["r", "q", "p", "r"]


@pytest.mark.parametrize("setups", [1, 2, 3, 5, 12])
@pytest.mark.parametrize("repeats", [1, 2, 3, 4, 7])
def test_setups_are_ridden_first_in_the_order_given_with_no_more_swaps(setups, repeats):
    names = [f"s{j}" for j in range(setups)]
    order = run_order(names, repeats=repeats)
    assert list(dict.fromkeys(order.setups)) == names
    assert {order.setups.count(name) for name in names} == {repeats}
    # Once through, and back where there is a second run.
    assert order.swaps == (1 + (repeats > 1)) * (setups - 1)


def test_one_setup_and_many():
    assert run_order(["a"], repeats=3).setups == ("a", "a", "a")
    many = run_order([f"s{j}" for j in range(14)], repeats=3)
    assert len(many.setups) == 42


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: run_order([], repeats=2), "0 setups with 2 repeats are not a test"),
        (lambda: run_order(["a", "a"], repeats=2), "name each setup once"),
        (lambda: repeats_needed(0.0, scatter_sd=0.03), "needs more than 10000 runs"),
        (
            lambda: repeats_needed(0.05, scatter_sd=0.0),
            "scatter is 0 but must be above 0; 3 % is usual",
        ),
        (
            lambda: repeats_needed(-1.0, scatter_sd=0.03),
            "gain is -1 .*; give a ratio, 0.05 for 5 %",
        ),
        (lambda: power_two_setups(1.0, repeats=1), "repeats is 1 but must be above 1"),
        (lambda: smallest_visible_gain(scatter_sd=0.03, repeats=1), "repeats is 1"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        call()


@pytest.mark.outside(source="statsmodels, GLS of the four means with what a day shares")
@pytest.mark.parametrize("common", [0, 2])
def test_a_gain_across_days_is_that_of_generalised_least_squares(common):
    scatter, repeats, day, own = 0.02, 4, 0.025, 0.006
    place = np.array([0, 1, 0, 1])
    counts = np.array([repeats, repeats, common, common])
    kept = counts > 0
    setup = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 0, 1]])[kept]
    design = setup[:, setup.any(0)]
    same_day = place[kept][:, None] == place[kept]
    sigma = day**2 * same_day + np.diag(scatter**2 / counts[kept] + own**2)
    fit = GLS(np.ones(kept.sum()), design, sigma=sigma).fit()
    gain = np.zeros(design.shape[1])
    gain[:2] = 1, -1
    wanted = 1.959964 * np.sqrt(gain @ fit.normalized_cov_params @ gain)
    found = half_width_across_days(
        scatter_sd=scatter, repeats=repeats, common_repeats=common, day_sd=day, own_sd=own
    )
    assert found == pytest.approx(wanted, rel=1e-5)
