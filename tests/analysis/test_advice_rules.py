"""Rules that the advice keeps on any session, and no contradiction on hundreds made at random.

A failure names the seed of its session; `python -m tests.tools.simulate_advice` runs many more.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.advice_rules import bolder, contradictions, page, plan_of
from tests.random_sessions import (
    CC_MIN,
    exchanged,
    hotter,
    pick,
    random_session,
    reordered,
    used_as,
    with_knock,
    with_runs,
    without_gauge,
    without_speeds,
)
from tuninglib.analysis.analyse import analyse
from tuninglib.interval import Measured
from tuninglib.physics.fuels import Octane
from tuninglib.session.load import load_session
from tuninglib.session.machine import Fuel

# A contradiction in one session of 5 is found with 96 %; tests.tools.simulate_advice takes
# thousands.
SEEDS = range(20260601, 20260601 + 14)
# A loss whose interval holds no zero though nothing is settled, and a fuel to keep to for no gate.
ODD_SEED = 20261265
# Pairs of sessions cost twice; each rule has seeds of its own. What is broken in one session of
# three is found with 91 %.
PAIRS = 6


@pytest.fixture(scope="module")
def demo(demo_folder):
    return load_session(demo_folder)


def sessions(demo, rule, count=PAIRS, also=()):
    """Seeds, random numbers and sessions of one rule; and of seeds that broke it once."""
    for seed in (*range(1000 * rule, 1000 * rule + count), *also):
        rng = np.random.default_rng(seed)
        yield seed, rng, random_session(rng, demo)


def test_no_page_contradicts_itself(demo):
    found = {}
    for seed in SEEDS:
        problems = contradictions(analyse(random_session(np.random.default_rng(seed), demo)))
        if problems:
            found[seed] = problems
    assert found == {}


def test_no_difference_is_said_only_where_the_interval_holds_none(demo):
    results = analyse(random_session(np.random.default_rng(ODD_SEED), demo))
    assert contradictions(results) == []
    gain = next(pull.gain for pull in results.pulls if pull.setup == results.plan.ride.setup)
    assert gain.ratio.high < 0
    assert results.plan.strength == "open"
    text = page(results)
    assert "less pull than stock, which these runs do not settle." in text
    assert "no difference in pull" not in text


@pytest.mark.slow
def test_one_more_knock_never_makes_the_advice_leaner_or_lower_in_octane(demo):
    for seed, rng, session in sessions(demo, 1):
        row = int(rng.integers(len(session.runs)))
        quiet = with_runs(session, knock=session.runs["knock"].mask(session.runs.index == row, ""))
        before = analyse(quiet)
        for level in ("light", "heavy"):
            assert bolder(before, analyse(with_knock(quiet, row, level))) == [], (seed, level)


@pytest.mark.slow
def test_a_setup_that_knocked_is_not_ridden_again(demo):
    for seed, _, session in sessions(demo, 2):
        ride = analyse(session).plan.ride
        if ride is None:
            continue
        row = int(np.flatnonzero(session.runs["setup"] == ride.setup)[0])
        after = analyse(with_knock(session, row, "light"))
        assert ride.setup in [one.setup for one in after.plan.shut], seed
        assert after.plan.ride is None or after.plan.ride.setup != ride.setup, seed


@pytest.mark.slow
def test_long_climbs_never_make_it_leaner(demo):
    for seed, _, session in sessions(demo, 3):
        town = analyse(used_as(session, riding="town"))
        for riding in ("climbs", "motorway", "unknown"):
            assert bolder(town, analyse(used_as(session, riding=riding))) == [], (seed, riding)


@pytest.mark.slow
def test_hotter_heads_never_make_it_bolder(demo):
    limit = Measured(480.0)
    for seed, rng, session in sessions(demo, 4):
        heads = session.runs["head_temperature_k"].fillna(465.0)
        session = with_runs(session, head_temperature_k=heads)
        session = replace(session, bike=replace(session.bike, highest_head_temperature=limit))
        before = analyse(session)
        for setups in (None, [pick(rng, *session.setups)]):
            assert bolder(before, analyse(hotter(session, 40.0, setups))) == [], (seed, setups)


@pytest.mark.slow
def test_a_fuel_that_is_listed_and_not_burnt_changes_no_word(demo):
    for seed, _, session in sessions(demo, 5, also=(5903,)):
        spirit = Fuel(ethanol=Measured(0.85, 0.01), octane=Octane(104.0, "RON"))
        more = replace(session, fuels=session.fuels | {"spirit": spirit})
        assert page(analyse(more)) == page(analyse(session)), seed


@pytest.mark.slow
def test_a_candidate_that_is_shut_everywhere_changes_no_plan(demo):
    for seed, _, session in sessions(demo, 6, also=(56001,)):
        tiny = replace(demo.injectors["i172"], flow=Measured(60 * CC_MIN), owned="no", price=1.0)
        more = analyse(replace(session, injectors=session.injectors | {"tiny": tiny}))
        before, after = plan_of(analyse(session)), plan_of(more)
        after["gates"] = frozenset(gate for gate in after["gates"] if gate[1] != "tiny")
        assert after == before, seed


@pytest.mark.parametrize("take_out", [without_gauge, without_speeds])
def test_what_is_not_measured_is_not_claimed(demo, take_out):
    for seed, _, session in sessions(demo, 7):
        results = analyse(take_out(session))
        assert {"gauge", "speeds"} & set(results.plan.missing), seed
        assert contradictions(results) == [], seed


@pytest.mark.slow
def test_the_order_of_tables_does_not_matter(demo):
    for seed, rng, session in sessions(demo, 8):
        turned = analyse(reordered(session, rng))
        assert plan_of(turned) == plan_of(analyse(session)), seed


@pytest.mark.slow
def test_exchanging_two_names_exchanges_them_in_the_plan_and_nothing_else(demo):
    for seed, rng, session in sessions(demo, 9):
        if len(session.setups) == 1:
            continue
        one, other = rng.permutation(list(session.setups))[:2].tolist()
        after = plan_of(analyse(exchanged(session, one, other)), {one: other, other: one})
        assert after == plan_of(analyse(session)), seed
