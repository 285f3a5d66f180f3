from dataclasses import replace

import numpy as np
import pytest

from tuninglib.analysis.day_plan import Aim, SwapTimes, plan_day, start_of, usual_repeats
from tuninglib.session.new import write_new_session
from tuninglib.statistics.planning import power_two_setups


def day(gain=0.10, scatter=0.04, **more):
    usual = {
        "setups": ("a", "b", "c"),
        "riders": ("x", "y"),
        "minutes_a_run": 6,
        "swap": SwapTimes(fuel=15, injector=45, engine=200),
    }
    return plan_day(Aim(gain=gain, scatter=scatter), **{**usual, **more})


def test_the_plan_has_the_power_that_it_promises():
    planned = day()
    effect = np.log(1.10) / 0.04
    alpha = 0.05 / 2
    assert power_two_setups(effect, repeats=planned.repeats, alpha=alpha) >= 0.8
    assert power_two_setups(effect, repeats=planned.repeats - 1, alpha=alpha) < 0.8
    assert planned.visible <= 0.10 < planned.visible_with_one_less
    for visible, repeats in ((planned.visible, 0), (planned.visible_with_one_less, -1)):
        effect = np.log1p(visible) / 0.04
        chance = power_two_setups(effect, repeats=planned.repeats + repeats, setups=3, alpha=alpha)
        assert chance == pytest.approx(0.8, abs=1e-4)
    # Two runs are the fewest from which a scatter shows: there is no plan with one less.
    assert day(gain=3.0).repeats == 2
    assert day(gain=3.0).visible_with_one_less is None
    runs, swaps = len(planned.order.setups), planned.order.swaps
    assert planned.minutes == 6 * runs + 45 * swaps


def test_runs_of_one_setup_on_both_days_tell_more_of_the_other_day():
    known = day().across_days
    assert list(known) == [0, 2, 4]
    assert known[0] > 1.1 * known[2] > 1.1 * known[4]


def test_two_setups_are_enough_to_plan_with():
    assert set(day(setups=("a", "b")).order.setups) == {"a", "b"}


def test_a_plan_starts_with_the_runs_of_the_usual_gain(tmp_path):
    write_new_session(tmp_path / "fresh")
    start = start_of(tmp_path / "fresh")
    for scatter in (0.02, 0.04):
        wanted = day(scatter=scatter, setups=start.setups, gain=0.10).repeats
        assert usual_repeats(replace(start, scatter=scatter)) == wanted
    assert usual_repeats(replace(start, scatter=0.5)) is None
    assert usual_repeats(replace(start, setups=("alone",))) is None


def test_a_hopeless_plan_says_what_to_change():
    with pytest.raises(ValueError, match="compare fewer setups, ask for a larger gain"):
        day(gain=0.01)
    with pytest.raises(ValueError, match="needs two setups at least"):
        day(setups=("a",))


def test_a_session_that_is_not_filled_in_can_be_planned(tmp_path):
    write_new_session(tmp_path / "fresh")
    start = start_of(tmp_path / "fresh")
    assert (start.setups, start.riders) == (("before", "after"), ("me",))
    assert "assumed" in start.source


PARTS = {
    "a": {"engine": "small", "injector": "i1", "fuel": "e5"},
    "b": {"engine": "big", "injector": "i2", "fuel": "e5"},
    "c": {"engine": "big", "injector": "i2", "fuel": "e10"},
}


def test_each_kind_of_change_takes_its_own_time():
    # a b c | c b a and so on: from a to b engine and injector, from b to c the fuel.
    planned = day(parts=PARTS)
    there = [pair for pair in zip(planned.order.setups, planned.order.setups[1:], strict=False)]
    engine = sum({"a"} < {*pair} for pair in there)
    fuel = sum({*pair} in ({"b", "c"}, {"a", "c"}) for pair in there)
    assert engine >= 2
    assert planned.changes == {"engine": engine, "injector": engine, "fuel": fuel}
    assert planned.minutes == 6 * len(planned.order.setups) + 245 * engine + 15 * fuel


def test_in_blocks_the_engine_is_opened_once():
    planned = day(parts=PARTS, in_blocks=True)
    assert planned.in_blocks
    assert planned.changes["engine"] == 1
    engines = [PARTS[name]["engine"] for name in planned.order.setups]
    assert engines == sorted(engines, reverse=True)
    # Inside a block a steady drift cancels as before, between blocks it does not.
    places = {name: [] for name in PARTS}
    for place, name in enumerate(planned.order.setups):
        places[name].append(place)
    means = {name: sum(own) / len(own) for name, own in places.items()}
    assert abs(means["b"] - means["c"]) <= 1.5
    assert planned.order.remaining_drift == pytest.approx(max(means.values()) - means["a"])
    assert not day(parts={"a": PARTS["a"]}, setups=("a", "x"), in_blocks=True).changes["engine"]


def test_the_session_says_which_parts_are_changed(demo_folder):
    start = start_of(demo_folder)
    assert start.parts["big_172_e10"] == {"engine": "big", "injector": "i172", "fuel": "e10"}
    assert start.riders == ("tove", "ilmar")


def test_the_most_runs_of_a_day_and_what_a_plan_is_called(demo_copy, edit, tmp_path):
    assert len(day(gain=0.0284).order.setups) == 120
    with pytest.raises(ValueError, match="takes more than 120 runs"):
        day(gain=0.028)
    assert start_of(demo_copy).title == "Bigger cylinder on the quarry lane"
    write_new_session(tmp_path / "fresh")
    assert start_of(tmp_path / "fresh").title == "fresh"
    # A setup of which nothing is filled in has no fuel yet.
    edit("session.toml", "[setups.stock]", "[setups.bare]\nnote = ''\n\n[setups.stock]")
    start = start_of(demo_copy)
    assert "bare" not in start.fuels
    assert start.fuels["stock"] == "e5"
