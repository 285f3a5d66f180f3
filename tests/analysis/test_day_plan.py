import numpy as np
import pytest

from tuninglib.analysis.day_plan import plan_day, start_of
from tuninglib.session.new import write_new_session
from tuninglib.statistics.planning import power_two_setups


def day(**more):
    usual = {
        "gain": 0.10,
        "scatter": 0.04,
        "setups": ("a", "b", "c"),
        "riders": ("x", "y"),
        "minutes_a_run": 6,
        "minutes_a_swap": 45,
    }
    return plan_day(**{**usual, **more})


def test_the_plan_has_the_power_that_it_promises():
    planned = day()
    effect = np.log(1.10) / 0.04
    alpha = 0.05 / 2
    assert power_two_setups(effect, repeats=planned.repeats, alpha=alpha) >= 0.8
    assert power_two_setups(effect, repeats=planned.repeats - 1, alpha=alpha) < 0.8
    assert planned.visible <= 0.10 < planned.visible_with_one_less
    runs, swaps = len(planned.order.setups), planned.order.swaps
    assert planned.minutes == 6 * runs + 45 * swaps


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
