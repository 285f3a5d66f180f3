"""What the evidence is taken to be: when the time of day could have made a gain, and so on."""

from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.outing import Outing
from tuninglib.analysis import gain as road_tests
from tuninglib.analysis.combinations import _beyond, _was_ridden
from tuninglib.analysis.decide import evidence_of
from tuninglib.analysis.worth import Terms
from tuninglib.interval import Z_95, Interval, Measured
from tuninglib.session.defaults import air_of_runs
from tuninglib.session.load import load_session
from tuninglib.statistics.planning import power_two_setups, repeats_needed


@dataclass(frozen=True)
class Told:
    """As much of a gain as is looked at here."""

    setup: str
    over: str
    ratio: Interval
    told_apart: bool = field(default=True)
    log_sd: float = 0.01
    doubted: bool = field(default=False)


def gain(low, high, *, told=True, setup="b", over="a"):
    return Told(setup, over, Interval((low + high) / 2, low, high), told)


BLOCKS, TURNS = True, False


@pytest.mark.parametrize(
    ("in_blocks", "one", "stands"),
    [
        (TURNS, gain(0.01, 0.03), True),
        (BLOCKS, gain(0.01, 0.03), False),
        (BLOCKS, gain(0.09, 0.14), True),
        (BLOCKS, gain(-0.14, -0.09), True),
        (BLOCKS, gain(0.07, 0.14), False),
        (BLOCKS, gain(-0.14, -0.01), False),
        # Far to both sides, so not told apart by any day.
        (BLOCKS, gain(-0.2, 0.2), False),
        (BLOCKS, gain(0.08, 0.14, told=False), False),
    ],
)
def test_what_the_day_can_have_made_is_not_settled(in_blocks, one, stands):
    numbered = replace(one, setup=1, over=0)
    said = road_tests._as_said(numbered, ["a", "b"], in_blocks, set())
    assert (said.setup, said.over) == ("b", "a")
    assert said.told_apart is stands
    # What the rest speaks against is never told apart, whichever of the two it is.
    for doubted in ({"a"}, {"b"}):
        said = road_tests._as_said(numbered, ["a", "b"], in_blocks, doubted)
        assert said.doubted
        assert not said.told_apart


def test_pairs_against_the_reference_are_told_apart_as_the_gains_have_it():
    pairs = (gain(0.1, 0.2), gain(0.1, 0.2, setup="c", over="b"),
             gain(-0.1, 0.1, told=False, setup="d", over="c"))  # fmt: skip
    gains = {"a": None, "b": gain(0.1, 0.2, told=False), "c": gain(0.2, 0.3, setup="c")}
    terms = Terms(reference="a", burnt=(), bigger=(), band=None, weights=None)
    engines = dict.fromkeys("abcd", "big")
    found = evidence_of(terms, (), engines, {"big": 2.0, "huge": 3.0}, gains, pairs)
    assert found.size == {"big": 1.0, "huge": 1.5}
    assert found.apart == {frozenset(("c", "b")), frozenset(("c", "a"))}
    assert evidence_of(terms, (), engines, {"big": 1.0}, {}, ()).apart == frozenset()


def test_what_is_stated_as_a_half_width_counts_as_a_standard_deviation(session, monkeypatch):
    """Two riders differ by what each has of his own, twice."""
    asked, taken = [], session.assumptions
    monkeypatch.setattr(road_tests, "usual_unknowns", lambda runs, said, **more: asked.append(said))
    with pytest.raises(TypeError):
        road_tests.analyse_road(session, air_of_runs(session))
    halves = {
        "bike_mass_sd_kg": session.bike.mass, "length_sd_m": session.hill.length,
        "wind_sd_m_s": session.weather.headwind, "air_density_sd_ratio": taken.air_density,
        "rider_effect_sd": taken.rider_effect, "rider_drag_sd_ratio": taken.rider_drag,
        "drift_sd": taken.drift,
    }  # fmt: skip
    for name, one in halves.items():
        twice = 2**0.5 if name.startswith("rider_") else 1.0
        assert getattr(asked[0], name) == pytest.approx(one.half_width / 1.96 / twice, rel=1e-3)
    assert asked[0].speed_factor_sd == pytest.approx(0.01 / 1.96 / 0.955, rel=1e-3)
    assert asked[0].grade_sd == 0.0  # its pieces have their own


def test_an_entry_speed_that_is_said_once_is_half_habit_and_half_each_runs_own():
    """Of 2 m/s in standard deviations, as shown; true speed is nine tenths of that."""
    hill = SimpleNamespace(entry_speed=Measured(13.0, 2 * Z_95))
    rows = pd.DataFrame({"entry_taken": [True, False, True]})
    of_day = SimpleNamespace(hill=hill)
    found = road_tests._of_the_entry(of_day, rows, SimpleNamespace(value=0.9))
    assert [one.each_run for one in found] == [False, True]
    for one in found:
        assert one.changes["true_entry_m_s"] == pytest.approx([1.8 / 2**0.5, 0, 1.8 / 2**0.5])


def more_runs(value, runs, *, blocks=False, setups=3):
    fit = SimpleNamespace(forces=[None] * setups, scatter_sd=0.03)
    one = SimpleNamespace(ratio=Interval(value, value - 0.1, value + 0.1), doubted=False)
    return road_tests._more_runs(fit, one, runs, blocks)


def test_how_many_more_runs_would_settle_it():
    needed = repeats_needed(0.06, scatter_sd=0.03, setups=3, alpha=0.025, most=1000)
    more = more_runs(0.06, 3)
    assert more == max(-(-needed // 1) - 3, 1)
    assert more_runs(-0.06, 3) == more
    # Enough were ridden: one more at the least, or two where setups take turns.
    assert more_runs(0.06, 40) == 1
    assert more_runs(0.06, 40, blocks=True) == 2
    # So small a gain takes more runs than anybody rides, or is none that matters.
    assert more_runs(0.011, 3) is None
    assert more_runs(0.0, 3) is None


def test_runs_that_would_settle_it_are_those_of_the_power():
    """With so many in all, a gain of 2 % shows four times out of five, and with one less not."""
    for pulls in (2, 3, 6):
        there = next(n for n in range(5, 90) if more_runs(0.02, n, setups=pulls))
        runs = there + more_runs(0.02, there, setups=pulls)
        chances = [
            power_two_setups(np.log(1.02) / 0.03, repeats=count, setups=pulls,
                             alpha=0.05 / (pulls - 1))
            for count in (runs - 1, runs)
        ]  # fmt: skip
        assert chances[0] < 0.8 <= chances[1]
        # Ten more are ridden, eleven are not.
        for there, wanted in ((runs - 10, 10), (runs - 11, None)):
            assert more_runs(0.02, there, setups=pulls) == wanted


def runs(*knocks, speeds=None):
    return SimpleNamespace(
        runs=pd.DataFrame(
            {
                "setup": "a",
                "state": "full",
                "exclude": "",
                "knock": list(knocks),
                "shown_exit_m_s": speeds or [float("nan")] * len(knocks),
            }
        )
    )


def test_a_setup_that_was_only_heard_was_ridden():
    silent = SimpleNamespace(readings=0, pegged=0)
    assert _was_ridden(runs("", "heavy"), "a", silent)
    assert not _was_ridden(runs("", "none"), "a", silent)
    assert _was_ridden(runs("", "", speeds=[float("nan"), 17.0]), "a", silent)
    assert _was_ridden(runs(""), "a", SimpleNamespace(readings=1, pegged=0))


def test_beyond_lean_is_what_was_read_at_the_lean_end_alone(demo_folder, tmp_path):
    outing = Outing(demo_folder, tmp_path / "outing")
    rows = outing.full("big_150")
    for row in rows:
        row["gauge_low"] = row["gauge_high"] = "20.0"
    assert _beyond(load_session(outing.save())) == {"big_150": "lean"}
    rows[0]["gauge_low"], rows[0]["gauge_high"] = "14.6", "14.8"
    assert _beyond(load_session(outing.save())) == {}
    # At the rich end it is not lean.
    for row in rows:
        row["gauge_low"] = row["gauge_high"] = "10.0"
    assert _beyond(load_session(outing.save())) == {"big_150": "rich"}


@pytest.mark.parametrize(
    ("reading", "end", "count", "found"),
    [
        ("10.0", "lowest", 3, {"big_150": "rich"}),
        ("10.0", "lowest", 1, {}),
        ("20.0", "highest", 3, {"big_150": "lean"}),
        # What an engine may well run at is no end of a gauge, however steady.
        ("12.0", "lowest", 3, {}),
        ("16.0", "highest", 3, {}),
    ],
)
def test_a_flat_line_is_the_end_of_the_gauge_stated_or_not(
    reading, end, count, found, demo_folder, tmp_path
):
    outing = Outing(demo_folder, tmp_path / "outing").key("gauge", **{end: None})
    rows = outing.full("big_150")
    for number, row in enumerate(rows):
        steady = number < count or count == 3
        row["gauge_low"], row["gauge_high"] = (reading, reading) if steady else ("13.9", "14.1")
    assert _beyond(load_session(outing.save())) == found
