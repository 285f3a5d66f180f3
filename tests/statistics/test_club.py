"""Bikes of one kind pooled. The sums are held against a truth in tests/tools/simulate_club."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit, logit, logsumexp
from scipy.stats import multivariate_normal

from tuninglib.statistics import normal_mixture
from tuninglib.statistics.club import Before, BikeCells, Cell, pool_bikes

KIT = Cell(kit="k", injector="b", log_flow=0.1, tolerance_sd=0.035)


def bike(level, *, kit=0.05, injector=0.0, **more):
    """One that reads its stock injector and another one with the kit."""
    stock = Cell(injector="a", log_level=level, sd=0.01, tolerance_sd=0.035)
    log = level + kit + injector - 0.1
    other = Cell(kit="k", injector="b", log_flow=0.1, log_level=log, sd=0.01, tolerance_sd=0.035)
    return BikeCells(cells=(stock, other), **more)


@pytest.fixture(scope="module")
def five():
    return [bike(y, shared_sd=0.01) for y in (0.02, -0.01, 0.0, 0.01, -0.02)]


def lambda_of(bikes, cell=KIT):
    return pool_bikes(bikes, Before()).predict([cell]).lambda_.at(0)


def test_one_more_bike_is_as_the_others_are_and_more_bikes_know_it_better(five):
    few, many = lambda_of(five[:2]), lambda_of(five)
    assert many.value == pytest.approx(np.exp(-0.05), abs=0.01)
    assert many.half_width < 0.8 * few.half_width < 0.8 * lambda_of([]).half_width


def test_it_is_never_known_better_than_bikes_differ():
    """Of many bikes: by their levels, cylinders and injectors, twice as far apart as usual."""
    rng = np.random.default_rng(20261130)
    apart = 0.05, 0.024, 0.0175
    own = rng.normal(0, apart, (60, 3))
    bikes = [bike(level, kit=0.05 + cylinder, injector=one) for level, cylinder, one in own]
    told = lambda_of(bikes)
    assert told.half_width / told.value == pytest.approx(1.96 * np.std(own.sum(1)), rel=0.15)


def test_an_odd_bike_is_found_and_does_not_turn_the_answer(five):
    liar = bike(0.3, shared_sd=0.01)
    told = pool_bikes([*five, liar], Before())
    assert [one.odd > 0.5 for one in told.others] == [False] * 5 + [True]
    assert told.others[-1].off == pytest.approx(np.expm1(0.3), abs=0.05)
    assert not any(told.others[-1].held)
    without = lambda_of(five)
    assert told.predict([KIT]).lambda_.at(0).value == pytest.approx(without.value, rel=0.01)


def test_what_no_bike_read_is_as_unknown_as_it_was(five):
    told = pool_bikes(five, Before())
    another = Cell(kit="k", injector="new", log_flow=0.1, tolerance_sd=0.035)
    exact = replace(another, tolerance_sd=0.0)
    other_kit = Cell(kit="new", injector="b", log_flow=0.1, tolerance_sd=0.035)
    known, injector, sure, kit = told.predict([KIT, another, exact, other_kit]).log_sd
    # The seller's share and that from one to the next; and a kit's breathing.
    assert injector**2 - sure**2 > 0.5 * 0.035**2
    assert kit**2 - known**2 > 0.5 * 0.05**2


def test_left_out_a_bike_is_foretold_by_the_others_alone(five):
    told = pool_bikes(five, Before())
    moved = pool_bikes([*five[:4], bike(0.06, shared_sd=0.01)], Before())
    assert all(all(one.held) for one in told.others)
    # What the fifth reads changes what is said of the others, not what they say of it.
    assert moved.others[4].off - told.others[4].off == pytest.approx(
        np.expm1(0.08), abs=0.01
    )  # fmt: skip


def test_what_is_assumed_of_a_kind_of_bike_before_any_is_read():
    """Ours, as calibration.md counts with them: how a kit breathes, how bikes and levels differ."""
    found = Before()
    assert (found.level, found.level_sd, found.kit_sd) == (0.0, 0.07, 0.05)
    assert (found.response, found.response_sd) == (1.0, 0.15)


TERMS = ("level", "response", "kit k", "injector a", "injector b")
CELLS = [
    [("", "a", "x", 0.0, 0.04, 0.01, 0.035, 0.02), ("k", "b", "x", 0.1, -0.02, 0.012, 0.035, 0.02)],
    [("", "a", "x", 0.0, 0.02, 0.010, 0.035, 0.02), ("k", "b", "y", 0.1, 0.05, 0.012, 0.035, 0.01),
     ("k", "c", "y", 0.2, -0.09, 0.015, 0.02, 0.01), ("j", "a", "x", 0.0, 0.07, 0.01, 0.035, 0.02)],
    [("", "a", "x", 0.0, 0.2, 0.020, 0.035, 0.02), ("k", "d", "y", 0.15, 0.3, 0.020, 0.0, 0.01)],
]  # fmt: skip
NAMES = ("kit", "injector", "fuel", "log_flow", "log_level", "sd", "tolerance_sd", "fuel_sd")


def covariance_by_hand(cells, shared_sd, scale, tolerance_scale, odd):
    """Pair by pair: what moves both readings of a bike, if it is regular and if it is odd."""
    found = np.zeros((len(cells), len(cells)))
    for i, (kit, injector, fuel, flow, _, sd, tolerance, fuel_sd) in enumerate(cells):
        for j, two in enumerate(cells):
            same = kit == two[0] and kit != "", injector == two[1], fuel == two[2]
            found[i, j] = scale**2 * (0.025**2 + same[0] * 0.012**2 + flow * two[3] * 0.04**2)
            # Three quarters are the seller's, which a number that others have shares with them.
            left = 0.25 if injector in ("a", "b") else 1.0
            found[i, j] += tolerance_scale**2 * left * same[1] * tolerance * two[6]
            found[i, j] += shared_sd**2 + same[2] * fuel_sd * two[7] + (i == j) * sd**2
            found[i, j] += (same[0] and kit == "j") * 0.05**2
            found[i, j] += odd * 0.12**2 * (1 + same[0] + same[1])
    return found


def test_pooled_bikes_are_the_sums_of_their_cells():
    """At every point of the grid, by hand; the last of the three bikes is off."""
    shared = (0.01, 0.0, 0.02)
    bikes = [BikeCells(cells=tuple(Cell(**dict(zip(NAMES, one, strict=True))) for one in own),
                       shared_sd=sd) for own, sd in zip(CELLS, shared, strict=True)]  # fmt: skip
    found = pool_bikes(bikes, Before(level=0.01))
    assert found.terms == TERMS
    odd = [one.odd for one in found.others]
    assert odd[0] < 0.1 < 0.5 < odd[2]
    # Of two bikes either may be off; of one nobody can tell.
    two, (one,) = pool_bikes(bikes[::2], Before()).others, pool_bikes(bikes[:1], Before()).others
    assert two[1].odd > 0.99 > 0.02 > two[0].odd
    assert one.odd == 0.08
    *scales, start = normal_mixture.scale_grid(8.0, 0.35)
    np.testing.assert_array_equal(scales, (found.bike_scale, found.tolerance_scale))
    rows = [np.array([[1, -c[3], c[0] == "k", c[1] == "a", c[1] == "b"] for c in own], float)
            for own in CELLS]  # fmt: skip
    levels = [np.array([c[4] for c in own]) for own in CELLS]
    covariances = [
        [
            [covariance_by_hand(own, sd, *at, is_odd) for is_odd in (0, 1)]
            for at in zip(*scales, strict=True)
        ]
        for own, sd in zip(CELLS, shared, strict=True)
    ]

    def pooled(which):
        means, spreads, logs = [], [], []
        for at, tolerance in enumerate(scales[1]):
            sold = 0.75 * (0.035 * tolerance) ** 2
            precision = np.diag(1 / np.array([0.07**2, 0.15**2, 0.05**2, sold, sold]))
            log = start[at] + np.linalg.slogdet(precision)[1] / 2
            begin = np.array([0.01, 1.0, 0, 0, 0])
            right = precision @ begin
            log -= begin @ right / 2
            for bike in which:
                for share, covariance in zip(
                    (1 - odd[bike], odd[bike]), covariances[bike][at], strict=True
                ):
                    precision = precision + share * rows[bike].T @ np.linalg.solve(
                        covariance, rows[bike]
                    )
                    turned = share * np.linalg.solve(covariance, levels[bike])
                    right = right + rows[bike].T @ turned
                    log -= share * np.linalg.slogdet(covariance)[1] / 2 + turned @ levels[bike] / 2
            spreads.append(np.linalg.inv(precision))
            means.append(spreads[-1] @ right)
            logs.append(log - np.linalg.slogdet(precision)[1] / 2 + right @ means[-1] / 2)
        return np.exp(np.array(logs) - logsumexp(logs)), np.array(means), np.array(spreads)

    weights, means, spreads = pooled((0, 1, 2))
    np.testing.assert_allclose(found.weights, weights, rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(found.means, means, rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(found.covariances, spreads, rtol=1e-6, atol=1e-12)
    for bike, others in enumerate(((1, 2), (0, 2), (0, 1))):
        weights, means, spreads = pooled(others)
        log = [
            [multivariate_normal.logpdf(levels[bike], rows[bike] @ mean,
                                        rows[bike] @ spread @ rows[bike].T + own[is_odd])
             for mean, spread, own in zip(means, spreads, covariances[bike], strict=True)]
            for is_odd in (0, 1)
        ]  # fmt: skip
        regular, off = (logsumexp(one, b=weights) for one in log)
        assert odd[bike] == pytest.approx(expit(logit(0.08) + off - regular), abs=3e-3)
        beside = np.expm1((levels[bike] - weights @ means @ rows[bike].T).mean())
        assert found.others[bike].off == pytest.approx(beside)
