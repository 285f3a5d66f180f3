"""Heat on long climbs: the end on a hot day against its limit, and what is said of it."""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from tuninglib.analysis.analyse import analyse
from tuninglib.interval import Interval
from tuninglib.report import heat as words
from tuninglib.report import verdict
from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError

HEADER = "climb,setup,time [min],head_temperature [degC],air_temperature [degC]\n"


def climb(number, setup, end, *, air="20", minutes=(0, 1, 2, 4, 6, 9), tau=2.0, way=90.0):
    """Rows of a climb to the whole degree."""
    return "".join(
        f"{number},{setup},{t},{end - way * np.exp(-t / tau):.0f},{air}\n" for t in minutes
    )


def results_with(folder, text):
    (folder / "climbs.csv").write_text(HEADER + text, encoding="utf-8")
    return analyse(load_session(folder))


def test_the_end_of_a_climb_moves_with_the_air(demo_copy):
    (one,) = results_with(demo_copy, climb(1, "big_172", 200)).climbs
    assert one.final_k.value == pytest.approx(273.15 + 200, abs=1.5)
    # 35 °C instead of 20 °C.
    assert one.hot_day_k.value - one.final_k.value == pytest.approx(15.0)
    assert one.time_constant_s.value == pytest.approx(120, rel=0.05)
    assert (one.told, one.place, one.readings) == (True, "below", 6)
    assert (one.limit_k, one.limit_is_stated) == (503.15, False)


def test_without_a_reading_the_air_is_that_of_the_day_with_its_doubt(demo_copy, edit):
    edit("session.toml", "[weather]", '[weather]\ntemperature = "25 +/- 6 degC"')
    (one,) = results_with(demo_copy, climb(1, "big_172", 200, air="")).climbs
    assert one.hot_day_k.value - one.final_k.value == pytest.approx(10.0)
    wider = one.hot_day_k.high - one.hot_day_k.value
    assert wider == pytest.approx(np.hypot(one.final_k.high - one.final_k.value, 6.0))
    lower = one.hot_day_k.value - one.hot_day_k.low
    assert lower == pytest.approx(np.hypot(one.final_k.value - one.final_k.low, 6.0))


@pytest.mark.parametrize(
    ("end", "minutes", "place", "said"),
    [
        (200, (0, 1, 2, 4, 6, 9), "below", "that stays below the usual limit of about 230 °C"),
        (240, (0, 1, 2, 4, 6, 9), "above", "not for long climbs as it is"),
        (215, (0, 1, 2, 4, 6), "unclear", "cannot be said: go easy"),
        (200, (0, 0.2, 0.4), "unclear", "the readings end too early to tell"),
    ],
)
def test_a_climb_has_its_place_and_its_sentence(demo_copy, end, minutes, place, said):
    results = results_with(demo_copy, climb(1, "big_172", end, minutes=minutes))
    assert results.climbs[0].place == place
    assert said in str(words.climbs_sentences(results))
    row = words.climbs_table(results).rows[0]
    assert row[:3] == ("1", "big 172", str(len(minutes)))
    assert (row[4] == "not told") is (len(minutes) == 3)


def test_what_was_read_above_the_limit_is_above_however_short_the_climb(demo_copy, edit):
    edit("session.toml", "[engines.stock]",
         'highest_head_temperature = "180 degC"\n\n[engines.stock]')  # fmt: skip
    results = results_with(demo_copy, climb(1, "big_172", 240, minutes=(0, 0.5, 1.0)))
    assert results.climbs[0].place == "above"
    said = str(words.climbs_sentences(results))
    assert "above your limit of 180 °C: not for long climbs as it is" in said
    assert "spark plug" not in said


def test_two_climbs_are_two_rows_and_no_climb_says_nothing(demo_copy, demo_folder):
    # In the order of the file, whatever their numbers.
    text = climb(2, "stock", 180) + climb(1, "big_172", 205)
    results = results_with(demo_copy, text)
    assert [one.setup for one in results.climbs] == ["stock", "big_172"]
    assert [one.climb for one in results.climbs] == [2.0, 1.0]
    assert results.climbs[1].final_k.low > results.climbs[0].final_k.high
    bare = analyse(load_session(demo_folder))
    assert bare.climbs == ()
    assert str(words.climbs_sentences(bare)) == ""


@pytest.mark.parametrize(
    ("end", "hottest", "told", "place"),
    [
        # Low, value and high of the end in 20 °C; on a hot day of 35 °C fifteen more.
        ((195, 205, 214.5), 200, True, "below"),
        ((195, 205, 215.5), 200, True, "unclear"),
        ((195, 205, 214.5), 200, False, "unclear"),
        ((215.5, 225, 240), 200, True, "above"),
        ((214.5, 225, 240), 200, True, "unclear"),
        ((215.5, 225, 240), 200, False, "above"),
        ((180, 205, 240), 231, False, "above"),
        ((180, 205, 240), 229, True, "unclear"),
    ],
)
def test_a_place_is_told_by_the_whole_interval_or_by_what_was_read(
    demo_copy, monkeypatch, end, hottest, told, place
):
    low, value, high = (273.15 + one for one in end)
    fit = SimpleNamespace(
        final_k=Interval(value, low, high), time_constant_s=Interval(120, 100, 140), told=told
    )
    monkeypatch.setattr("tuninglib.analysis.upkeep.fit_warm_up", lambda time, seen: fit)
    rows = f"1,stock,0,100,20\n1,stock,1,{hottest},20\n1,stock,2,150,\n"
    (one,) = results_with(demo_copy, rows).climbs
    assert (one.place, one.told) == (place, told)
    assert one.hottest_k == pytest.approx(273.15 + hottest)
    assert one.hot_day_k == Interval(*(pytest.approx(at + 15) for at in (value, low, high)))


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("1,stock,0,100,\n1,stock,1,120,\n", "fewer than 3 readings at different times"),
        ("1,stock,0,100,\n1,big_172,1,120,\n1,stock,2,130,\n", "has rows of 2 setups"),
        ("1,stock,0,150,\n1,stock,1,140,\n1,stock,2,130,\n", "did not get hotter"),
        ("1,stock,0,100,\n1,none,1,120,\n1,stock,2,130,\n", "'none' is not one of the setups"),
        ("1,stock,0,1000,\n1,stock,1,120,\n1,stock,2,130,\n", "1000 degC is outside"),
        ("1,stock,,100,\n1,stock,1,120,\n1,stock,2,130,\n", "time: is empty"),
    ],
)
def test_a_wrong_climb_is_said_with_its_place(demo_copy, rows, said):
    (demo_copy / "climbs.csv").write_text(HEADER + rows, encoding="utf-8")
    with pytest.raises(SessionError, match=r"climbs\.csv, row [23]") as refused:
        load_session(demo_copy)
    assert said in str(refused.value)


def test_a_hot_climb_is_in_the_warnings_and_shuts_what_got_too_hot(demo_copy, edit):
    results = results_with(demo_copy, climb(1, "big_172", 240, minutes=(0, 1, 2, 4)))
    assert results.plan.ride.setup == "big_172"
    assert "on a long climb on a hot day its head goes above 230 °C" in str(verdict.watch(results))
    near = results_with(demo_copy, climb(1, "big_172", 215, minutes=(0, 1, 2, 4, 6)))
    assert "its head may go above 230 °C: keep climbs short" in str(verdict.watch(near))
    cool = results_with(demo_copy, climb(1, "big_172", 190) + climb(2, "stock", 240))
    assert "long climb on a hot day" not in str(verdict.watch(cool))
    # Read above the rider's own limit: who climbs does not ride it, whatever it pulls.
    edit("session.toml", 'riding = "mixed"', 'riding = "climbs"')
    edit("session.toml", 'cooling = "air"', 'cooling = "liquid"')
    edit("session.toml", "[engines.stock]",
         'highest_head_temperature = "215 degC"\n\n[engines.stock]')  # fmt: skip
    shut = results_with(demo_copy, climb(1, "big_172", 230))
    gate = next(one.gate for one in shut.combinations if one.setup == "big_172")
    assert gate.code == "heat"
    assert shut.plan.ride.setup != "big_172"
    assert "big 172: the head reached" in str(verdict.reasons(shut))


def test_the_second_demo_holds_its_truth(demo_folder):
    folder = demo_folder.parent / "there_and_back"
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["climb_ends_f"]
    found = analyse(load_session(folder)).climbs
    assert [one.setup for one in found] == list(truth)
    for one in found:
        end = (truth[one.setup] - 32) / 1.8 + 273.15
        assert one.final_k.low <= end <= one.final_k.high
        assert one.told
