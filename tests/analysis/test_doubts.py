"""Doubts: one bad row is named, counts less, and no longer turns the answer round."""

import json
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.conftest import BACK
from tests.outing import Outing
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.doubts import (
    _of_order,
    _of_readings,
    _of_the_day,
    check_gauge,
    doubts_of_gains,
    doubts_of_speeds,
)
from tuninglib.analysis.injector import ladder_of
from tuninglib.report import gain as gain_words
from tuninglib.report import mixture as mixture_words
from tuninglib.report import tested as runs_words
from tuninglib.session.defaults import air_of_runs
from tuninglib.session.load import load_session
from tuninglib.statistics.population import BREATHING_SD, MIXTURE_SD
from tuninglib.statistics.repeats import GroupMean, Weighed

RUN_13 = "13,big_172,tove,49,72,12.8,13.1"
RUN_4 = "4,big_150,tove,48,68,14.6,14.8"


@pytest.fixture
def clean(results):
    return results


@pytest.fixture(scope="module")
def truth(demo_folder):
    return json.loads((demo_folder / "truth.json").read_text())


@pytest.fixture
def changed(edit):
    """Results of the demo with a piece of runs.csv replaced."""

    def results(old, new):
        return analyse(load_session(edit("runs.csv", old, new)))

    return results


@pytest.fixture
def rewritten(demo_copy):
    """Results of the demo with every row of runs.csv changed by a function of its cells."""

    def results(change):
        path = demo_copy / "runs.csv"
        head, *rows = path.read_text().splitlines()
        path.write_text("\n".join([head, *(",".join(change(row.split(","))) for row in rows)]))
        return analyse(load_session(demo_copy))

    return results


def best_place(results):
    return max((m for m in results.mixtures if m.odds), key=lambda m: m.odds.inside).setup


def mixture(results, setup):
    return next(m for m in results.mixtures if m.setup == setup)


def pull(results, setup):
    return next(p for p in results.pulls if p.setup == setup)


def weight(results, number, what="reading_weight"):
    return getattr(next(run for run in results.runs if run.run == number), what)


def note(results, number):
    return next(row[-1] for row in runs_words.runs_table(results).rows if row[0] == f"{number}")


# Readings --------------------------------------------------------------------------------------


def test_nothing_is_doubted_in_the_demo(clean, back):
    assert clean.doubts == ()
    assert {run.reading_weight for run in clean.runs if run.state == "full"} == {1.0}
    assert {run.force_weight for run in clean.runs if run.force_n} == {1.0}
    assert {run.force_weight for run in clean.runs if not run.force_n} == {None}
    assert back.doubts == ()


@pytest.mark.parametrize(
    ("old", "setup"), [(RUN_13, "big_172"), ("16,big_172_e10,tove,48,69,13.1,13.3", "big_172_e10")]
)
def test_one_bad_reading_turns_nothing_round_and_is_named(changed, clean, old, setup):
    number = int(old.split(",")[0])
    results = changed(old, old.rsplit(",", 2)[0] + ",14.9,15.6")
    assert best_place(results) == best_place(clean)
    assert results.plan.ride.setup == clean.plan.ride.setup
    assert results.plan.next == clean.plan.next
    for one in results.mixtures:
        before = mixture(clean, one.setup)
        assert one.lambda_.value == pytest.approx(before.lambda_.value, abs=0.003)
        # A setup of three readings has two left, and less of the gauge in its interval.
        assert one.lambda_.half_width < 1.2 * before.lambda_.half_width
    (doubt,) = results.doubts
    assert (doubt.code, doubt.runs, doubt.setup) == ("reading", (number,), setup)
    assert weight(results, number) == doubt.weight < 0.05
    text = str(mixture_words.sentences(results))
    assert f"Run {number} ({setup.replace('_', ' ')})" in text
    assert re.search(r"reads 15.2 where the other readings suggest 1\d\.\d \(1\d % leaner\)", text)
    assert "counts with weight under 0.01 instead of 1" in text
    assert "say so in the column exclude" in text
    assert "reading counts under 0.01" in note(results, number)


def test_the_ladder_that_is_asked_has_the_same_weights(changed, clean):
    results = changed(RUN_13, "13,big_172,tove,49,72,14.9,15.6")
    good, bad = (ladder_of(one.judged, one.ladder).fit for one in (clean, results))
    assert bad.mean == pytest.approx(good.mean, abs=0.01)
    assert (bad.weights @ bad.noise_scale) < 1.2 * (good.weights @ good.noise_scale)


def test_what_the_rider_excludes_is_out_and_no_longer_doubted(demo_copy, edit):
    edit("runs.csv", "state,note", "state,note,exclude")
    edit("runs.csv", f"{RUN_13},21,none,184,full,", "13,big_172,tove,49,72,14.9,15.6,21,none,184,"
         "full,,misfire")  # fmt: skip
    results = analyse(load_session(demo_copy))
    assert results.doubts == ()
    assert weight(results, 13) is None
    assert weight(results, 13, "force_weight") is None
    assert mixture(results, "big_172").readings == 3
    assert note(results, 13) == "left out: misfire"


def test_two_readings_that_disagree_are_both_kept(changed, clean, truth):
    results = changed(RUN_4, "4,big_150,tove,48,68,12.9,13.1")
    (doubt,) = results.doubts
    assert (doubt.code, doubt.runs, doubt.setup) == ("readings disagree", (4, 5), "big_150")
    wide = mixture(results, "big_150").lambda_
    assert wide.low < truth["lambda"]["big_150"] < wide.high
    assert wide.half_width > 4 * mixture(clean, "big_150").lambda_.half_width
    for name in ("stock", "big_164", "big_172", "big_172_e10", "big_185"):
        before, after = (mixture(one, name).lambda_.half_width for one in (clean, results))
        assert after < 1.1 * before
    text = str(mixture_words.sentences(results))
    assert "Runs 4 and 5 (big 150)" in text
    assert (
        "read 13.0 and 14.8, and of two, there is no telling which is wrong. Both are kept" in text
    )
    # It knocked: nobody is sent out with it again.
    assert "once more" not in text


def test_of_two_readings_the_same_injector_on_the_other_fuel_may_decide(rewritten):
    """Runs 15 and 16 are all there is of E10; big 172 says what the injector does."""

    def change(cells):
        if cells[0] == "14":
            cells[1] = "big_172"
            cells[5:7] = "12.7", "12.9"
        if cells[0] == "16":
            cells[5:7] = "14.9", "15.1"
        return cells

    results = rewritten(change)
    (doubt,) = results.doubts
    assert (doubt.code, doubt.runs) == ("reading", (16.0,))
    assert weight(results, 15) == 1.0
    assert mixture(results, "big_172_e10").lambda_.value == pytest.approx(0.895, abs=0.01)


# Wide readings ---------------------------------------------------------------------------------


def raised(cells):
    if cells[10] == "full":
        cells[6] = f"{float(cells[6]) + 2:.1f}"
    return cells


def test_the_extremes_of_the_whole_run_are_one_remark_and_widen(rewritten, clean, truth):
    results = rewritten(raised)
    assert {doubt.code for doubt in results.doubts} == {"wide spread"}
    for one in results.mixtures:
        assert one.lambda_.low < truth["lambda"][one.setup] < one.lambda_.high
        assert one.lambda_.half_width > 3 * mixture(clean, one.setup).lambda_.half_width
        if mixture(clean, one.setup).place == "inside":
            assert one.place == "unsure"
    text = str(mixture_words.sentences(results))
    assert text.count("Wide readings") == 1
    assert "on all 21 runs low and high are more than 0.5 apart on this gauge" in text
    assert "steady range after two or three seconds of full throttle" in text
    assert results.ladder.prospects[0].fuels[0].odds.inside < 0.75
    for prospect in results.ladder.prospects:
        before = next(p for p in clean.ladder.prospects if p.injector == prospect.injector)
        assert prospect.fuels[0].lambda_.half_width > 1.3 * before.fuels[0].lambda_.half_width


# Speeds ----------------------------------------------------------------------------------------


def test_one_misread_speed_leaves_verdicts_and_the_intervals_of_the_others(changed, clean):
    results = changed("13,big_172,tove,49,72", "13,big_172,tove,49,62")
    assert results.plan.ride.setup == clean.plan.ride.setup
    assert results.plan.next == clean.plan.next
    for one in results.pulls:
        before = pull(clean, one.setup)
        assert one.verdict == before.verdict
        if one.gain:
            assert one.gain.ratio.half_width < 1.25 * before.gain.ratio.half_width
            assert one.gain.ratio.value == pytest.approx(before.gain.ratio.value, abs=0.01)
    (doubt,) = results.doubts
    assert (doubt.code, doubt.runs, doubt.setup) == ("run", (13.0,), "big_172")
    assert weight(results, 13, "force_weight") == doubt.weight < 0.1
    assert weight(results, 13) == 1.0
    text = str(gain_words.sentences(results))
    assert "Run 13 (big 172): its speeds need 14 % less wheel force than the other runs" in text
    assert "counts with weight under 0.01 instead of 1" in text
    assert note(results, 13) == "speeds count under 0.01"


def test_two_runs_that_disagree_are_both_kept_and_said(changed, clean, truth):
    results = changed("4,big_150,tove,48,68", "4,big_150,tove,48,58")
    (doubt,) = results.doubts
    assert (doubt.code, doubt.runs, doubt.setup) == ("runs disagree", (4.0, 5.0), "big_150")
    ratio = pull(results, "big_150").gain.ratio
    assert ratio.low < truth["gain"]["big_150"] < ratio.high
    for name in ("big_164", "big_172", "big_172_e10", "big_185"):
        before, after = (pull(one, name).gain.ratio.half_width for one in (clean, results))
        assert after < 1.1 * before
    text = str(gain_words.sentences(results))
    assert "Runs 4 and 5 (big 150): their wheel forces differ by 18 %" in text
    assert "of two, there is no telling which is wrong. Both are kept with weight 0.03" in text


def test_a_misread_way_down_no_longer_stops_the_report(back, tmp_path):
    outing = Outing(BACK, tmp_path / "outing")
    down = next(name for name in outing.rows[4] if name.startswith("down_exit"))
    outing.rows[4][down] = "45.5"
    results = outing.results()
    (doubt,) = results.doubts
    assert (doubt.code, doubt.runs) == ("way down", (5.0,))
    assert weight(results, 5, "force_weight") == doubt.weight < 0.1
    assert "the speeds of its roll back down do not fit" in str(gain_words.sentences(results))
    after, was = (one.pulls[1].gain.ratio for one in (results, back))
    assert after.value == pytest.approx(was.value, abs=0.01)
    assert after.half_width < 1.25 * was.half_width


# Order -----------------------------------------------------------------------------------------


def swapped(one, other):
    def change(cells):
        cells[1] = {one: other, other: one}.get(cells[1], cells[1])
        return cells

    return change


def test_swapped_fuels_are_named(rewritten):
    results = rewritten(swapped("big_172", "big_172_e10"))
    (doubt,) = results.doubts
    assert (doubt.code, doubt.setup, doubt.other) == ("fuel direction", "big_172_e10", "big_172")
    text = str(mixture_words.sentences(results))
    assert "big 172 e10 reads 2.3 % richer than big 172, although its fuel has more ethanol" in text


def test_swapped_injectors_are_named(rewritten):
    results = rewritten(swapped("big_164", "big_172"))
    (doubt,) = results.doubts
    assert (doubt.code, doubt.setup, doubt.other) == ("flow direction", "big_172", "big_164")
    text = str(mixture_words.sentences(results))
    assert "big 172 reads 3.0 % leaner than big 164, although its injector flows more" in text


def test_an_injector_far_from_its_flow_is_said_once(rewritten):
    results = rewritten(swapped("big_164", "big_185"))
    assert {one.injector for one in results.ladder.suspicions} >= {"i164", "i185"}
    assert results.doubts == ()


def test_a_fuel_without_a_label_has_no_direction(edit, rewritten):
    edit("session.toml", 'ethanol = "4 +/- 1 %"', "")
    assert rewritten(swapped("big_172", "big_172_e10")).doubts == ()


def table(*rows):
    """Readings as weighed: setup, run, middle, weight, trust, disagree, wide."""
    names = ("setup", "run", "middle", "weight", "trust", "disagree", "wide")
    found = pd.DataFrame(rows, columns=names)
    return found.assign(log_middle=np.log(found["middle"]), off=np.log(found["middle"] / 12.5))


def test_each_doubt_of_readings_has_its_size_its_weight_and_its_runs():
    rows = table(
        ("z", 1.0, 12.0, 0.5, 0.5, True, False),
        ("z", 2.0, 15.0, 0.2, 0.2, True, False),
        ("a", 3.0, 12.0, 0.3, 0.3, True, False),
        ("a", 4.0, 13.0, 0.1, 0.1, True, False),
        ("a", 5.0, 14.0, 0.6, 0.6, True, False),
        ("b", 6.0, 15.0, 0.04, 0.05, False, True),
        ("b", 7.0, 12.5, 0.7, 1.0, False, True),
        ("b", 8.0, 12.5, 0.9, 1.0, False, True),
        ("b", 9.0, 12.5, 1.0, 1.0, False, False),
        ("a", 10.0, 12.5, 0.8, 1.0, False, True),
    )
    two, three, one, wide, last = _of_readings(rows)
    # In the order in which the setups were ridden, not in that of the alphabet.
    assert (two.code, two.setup, two.runs, two.weight) == (
        "readings disagree",
        "z",
        (1.0, 2.0),
        0.5,
    )
    assert two.off == pytest.approx(15 / 12 - 1)
    assert (three.setup, three.runs, three.weight, three.off) == (
        "a", (3.0, 4.0, 5.0, 10.0), 0.8, None,
    )  # fmt: skip
    # The weight with which it counts, not only the trust in it; and one remark for one reading.
    assert (one.code, one.runs, one.weight) == ("reading", (6.0,), 0.04)
    assert one.off == pytest.approx(15 / 12.5 - 1)
    assert (wide.code, wide.runs, wide.weight) == ("wide spread", (7.0, 8.0), 0.9)
    assert (last.code, last.setup, last.runs) == ("wide spread", "a", (10.0,))


def test_each_doubt_of_speeds_has_its_size_its_weight_and_its_runs():
    rows = pd.DataFrame({"run": [1, 2, 3, 4, 5], "setup": ["z", "z", "a", "b", "b"]})
    runs = SimpleNamespace(has_way_down=np.array([False, False, True, True, True]))
    weighed = Weighed(
        weight=np.array([0.3, 0.2, 0.1, 1.0, 1.0, 1.0, 0.05, 1.0]),
        off=np.array([0.1, -0.1, -0.2, 0.0, 0.0, 0.0, 0.0, 0.0]),
        disagree=np.array([True, True, False, False, False]),
    )
    weight = np.array([0.3, 0.2, 0.1, 0.05, 1.0])
    one, down, two = doubts_of_speeds(rows, runs, weighed, weight)
    assert (one.code, one.runs, one.setup, one.weight) == ("run", (3,), "a", 0.1)
    assert one.off == pytest.approx(np.exp(-0.2) - 1)
    assert (down.code, down.runs, down.weight) == ("way down", (4,), 0.05)
    assert (two.code, two.runs, two.setup, two.weight) == ("runs disagree", (1, 2), "z", 0.3)
    assert two.off == pytest.approx(np.exp(0.1) - 1)


@pytest.mark.parametrize("far", [0.6, -0.6])
def test_of_two_gains_the_one_that_was_changed_is_doubted(far):
    fit = SimpleNamespace(covariance=np.eye(2) * 1e-4, log_force=np.array([0.0, far]))
    (found,) = doubts_of_gains(fit, ["a", "b"], [1.0, 1.0], ["x", "y"], {"a": [1], "b": [2]})
    assert (found.setup, found.runs) == ("b", (2,))
    assert found.off == pytest.approx(np.expm1(far))


@pytest.mark.parametrize("off", [0.35, -0.35, 0.25, -0.25, 0.06])
def test_of_several_gains_the_farthest_from_what_the_others_say_is_doubted(off):
    """By what the others let expect of it, one engine each, from 2.7 standard deviations."""
    sds, log_size = np.array([0.02, 0.03, 0.01, 0.05]), np.log([1.0, 1.2, 1.1, 1.3])
    moved = np.array([0.01, -0.02, 0.0, off])
    fit = SimpleNamespace(covariance=np.diag(sds**2), log_force=5.0 + log_size + moved)
    numbers = {"a": [0], "b": [1], "c": [2], "d": [3]}
    found = doubts_of_gains(fit, list("abcd"), list(np.exp(log_size)), list("wxyz"), numbers)
    variance = sds**2 + BREATHING_SD**2 / 2 + MIXTURE_SD**2
    said = np.average(moved[:3], weights=1 / variance[:3])
    far = (off - said) / np.sqrt(variance[3] + 1 / np.sum(1 / variance[:3]))
    assert len(found) == (abs(far) > 2.7)
    for one in found:
        assert (one.setup, one.runs) == ("d", (3,))
        assert one.off == pytest.approx(np.expm1(off - said))


@pytest.mark.parametrize(
    ("slope", "noise", "said"),
    [(0.05, 0.002, True), (-0.05, 0.002, True), (0.028, 0.002, False), (0.05, 0.05, False)],
)
def test_a_day_is_named_that_moved_all_readings_one_way(slope, noise, said):
    """By three standard errors and three hundredths, within setups, whatever those differ by."""
    names, chance = list("abcabcabc"), np.random.default_rng(20261201)
    place = np.arange(1, 10) / 9
    level = np.log([12.0, 13.0, 14.0] * 3)
    y = level + slope * place + noise * chance.normal(size=9)
    rows = pd.DataFrame({"setup": names, "run": np.arange(3.0, 12), "trust": 1.0, "log_middle": y})
    lone = pd.DataFrame({"setup": ["d"], "run": [1.0], "trust": [1.0], "log_middle": [3.0]})
    bad = pd.DataFrame({"setup": ["a"], "run": [2.0], "trust": [0.1], "log_middle": [9.0]})
    found = _of_the_day(pd.concat([lone, bad, rows], ignore_index=True))
    columns = np.column_stack([*(np.array(names) == name for name in "abc"), place])
    fitted = np.linalg.lstsq(columns, y, rcond=None)[0]
    assert len(found) == said
    for one in found:
        assert one.runs == (3.0, 11.0)
        assert one.off == pytest.approx(np.expm1(fitted[3]))
    assert _of_the_day(rows.iloc[:6]) == []  # too few within the setups


def test_the_gauge_is_checked_by_what_setups_offer_over_the_reference_in_whatever_order(session):
    found = []
    for rows in (session.runs, session.runs[::-1]):
        turned = replace(session, runs=rows)
        found.append(check_gauge(turned, air_of_runs(turned)))
    assert vars(found[1].offset) == pytest.approx(vars(found[0].offset))
    for one, other in zip(*(check.states for check in found), strict=True):
        assert 1 - one.chance == pytest.approx(1 - other.chance, rel=1e-6)


FLOW = [("flow direction", "big_172", "big_164")]
FUEL = [("fuel direction", "big_172_e10", "big_172")]
ALIKE = {"first": "big_172", "other": "big_172_e10"}


@pytest.mark.parametrize(
    ("how", "said"),
    [
        # Standard errors of the difference; Student's t for 4 degrees of freedom is 2.78, for one
        # 12.7.
        ({"change": 2.5e-3, "dof": 4}, []),
        ({"change": 3.0e-3, "dof": 4}, FLOW),
        ({"change": 10e-3, "dof": 0}, []),
        ({"change": 13.5e-3, "dof": 0}, FLOW),
        # Flows that are the same have no order.
        ({"flows": {"i164": 1.0, "i172": 1.005}}, []),
        ({"flows": {"i164": 1.0, "i172": 1.015}}, FLOW),
        # More ethanol asks for less air: leaner is as it should be, if by less than it should.
        ({**ALIKE, "demands": {"e5": 1.0, "e10": 0.7}, "change": 0.1}, []),
        ({**ALIKE, "demands": {"e5": 1.0, "e10": 0.7}, "change": -0.05}, FUEL),
        ({**ALIKE, "demands": {"e5": 1.0, "e10": 0.985}, "change": -0.05}, FUEL),
        ({**ALIKE, "demands": {"e5": 1.0, "e10": 0.995}, "change": -0.05}, []),
        # An ECU that corrects at full throttle explains every order.
        ({"verdicts": {"idle": "corrects", "full": "table"}}, FLOW),
        ({"verdicts": {"idle": "table", "full": "corrects"}}, []),
        ({"verdicts": {"idle": "corrects"}}, FLOW),
    ],
)
def test_setups_that_go_the_wrong_way_are_said_beyond_their_noise(clean, monkeypatch, how, said):
    """Two setups, given the logarithms of their means; the difference is off by a thousandth."""
    change, ladder = how.get("change", 0.05), clean.ladder
    means = {
        how.get(name, usual): GroupMean(mean, 1e-6 / 2, how.get("dof", 9), 3)
        for name, usual, mean in (("first", "big_164", 0.0), ("other", "big_172", change))
    }
    patched = {
        "mean_readings": lambda session, rows: means,
        "flow_on_bike": how.get("flows") and (lambda session, name: how["flows"][name]),
        "_demand": how.get("demands") and (lambda session, name: how["demands"][name]),
    }
    for name, value in patched.items():
        if value:
            monkeypatch.setattr(f"tuninglib.analysis.doubts.{name}", value)
    if "verdicts" in how:
        responses = tuple(
            SimpleNamespace(state=state, verdict=verdict)
            for state, verdict in how["verdicts"].items()
        )
        ladder = replace(ladder, responses=responses)
    found = _of_order(clean.judged, pd.DataFrame({"x": [1]}), ladder)
    assert [(one.code, one.setup, one.other) for one in found] == said
    assert all(one.off == pytest.approx(np.exp(change) - 1) for one in found)
