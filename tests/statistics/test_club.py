"""Bikes of one kind pooled. The sums are held against a truth in tests/tools/simulate_club."""

from dataclasses import replace

import numpy as np
import pytest

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


def test_bikes_that_differ_more_make_it_wider(five):
    apart = [bike(4 * y, shared_sd=0.01) for y in (0.02, -0.01, 0.0, 0.01, -0.02)]
    assert lambda_of(apart).half_width > 1.2 * lambda_of(five).half_width


def test_an_odd_bike_is_found_and_does_not_turn_the_answer(five):
    liar = bike(0.3, shared_sd=0.01)
    told = pool_bikes([*five, liar], Before())
    assert [one.odd > 0.5 for one in told.others] == [False] * 5 + [True]
    assert told.others[-1].off == pytest.approx(np.expm1(0.3), abs=0.05)
    assert not any(told.others[-1].held)
    without = lambda_of(five)
    assert told.predict([KIT]).lambda_.at(0).value == pytest.approx(without.value, rel=0.01)


def test_a_gauge_that_may_be_off_counts_for_less(five):
    off, sure = bike(0.08, shared_sd=0.06), bike(0.08, shared_sd=0.01)
    plain = lambda_of(five).value
    assert abs(lambda_of([*five, off]).value - plain) < 0.5 * abs(
        lambda_of([*five, sure]).value - plain
    )


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
