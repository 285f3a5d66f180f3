"""The outing that is ridden first: four to six rows, as a person types them, and what is said."""

import re
from dataclasses import replace
from types import SimpleNamespace

import pytest

from tuninglib.analysis.analyse import analyse
from tuninglib.report import cautions, gain, tested, verdict
from tuninglib.report.advice import shut_word
from tuninglib.session.defaults import speedometer_step
from tuninglib.session.load import load_session

# An invented bike: a kit of 143 cc on 125 cc, entry speed said once, no weather, speedometer
# unchecked. Injectors from lean to rich.
SESSION = """
[session]
title = "First outing"
date = "2026-06-06"
reference = "stock"
units = "us"
[bike]
mass = "250 lb"
[riders.me]
mass = "170 lb"
[riders.mate]
mass = "140 lb"
[hill]
length = "1300 ft"
grade = "6 %"
entry_speed = "30 mph +/- 1 mph"
[gauge]
scale = 14.7
[fuels.e10]
ethanol = "10 %"
[engines.standard]
displacement = "125 cc"
[engines.kit]
displacement = "143 cc"
"""
SETUPS = {"stock": 120, "kit_120": 120, "kit_140": 140, "kit_150": 150, "kit_160": 160}
ROWS = (
    "1,stock,me,38,13.0 to 13.2,none",
    "2,kit_120,me,41,14.2 to 14.4,none",
    "3,kit_140,me,42,13.1 to 13.3,none",
    "4,kit_150,me,42,12.6 to 12.8,none",
    "5,kit_160,me,41,12.0 to 12.2,none",
)


@pytest.fixture(scope="module")
def outing(tmp_path_factory):
    """Results of rows that replace or follow those above; kept, since many tests look at them."""
    kept = {}

    def made(*rows):
        if rows not in kept:
            folder = tmp_path_factory.mktemp("outing")
            text = SESSION
            for flow in sorted(set(SETUPS.values())):
                text += f'[injectors.i{flow}]\nflow = "{flow} cc/min"\n'
            for name, flow in SETUPS.items():
                engine = "standard" if name == "stock" else "kit"
                text += (
                    f'[setups.{name}]\nengine = "{engine}"\ninjector = "i{flow}"\nfuel = "e10"\n'
                )
            (folder / "session.toml").write_text(text, "utf-8")
            by_number = {row.split(",")[0]: row for row in (*ROWS, *rows)}
            head = "run,setup,rider,exit_speed [mph],gauge,knock"
            (folder / "runs.csv").write_text("\n".join([head, *by_number.values()]) + "\n", "utf-8")
            results = analyse(load_session(folder))
            kept[rows] = SimpleNamespace(
                results=results,
                gains={one.setup: one.gain for one in results.pulls if one.gain},
                said=dict(gain.sentences(results).items),
                verdict=dict(verdict.sentences(results).items),
            )
        return kept[rows]

    return made


def test_one_repeat_does_not_tell_scatter_and_one_number_is_no_range(outing):
    # The first setup once more at the end: what a wind that gets up would do, too.
    one = outing("6,stock,me,38,12.7,none")
    said = str(gain.sentences(one.results))
    assert "too few runs were repeated to tell how runs scatter on this outing" in said
    gauge = [row[3] for row in tested.runs_table(one.results).rows]
    assert gauge[-2:] == ["12.0 to 12.2", "12.7"]


def test_what_nobody_wrote_of_the_air_is_said_with_where_the_mixture_leaves_the_band(outing):
    assert re.search(
        r"if the ECU corrects for air temperature; if it does not \(not known\), it is leaner than "
        r"the band below \d\d °F.*, taking the air of the day as 59 °F, which nobody wrote down",
        outing().verdict["Mixture"],
    )


def text(outing):
    return " ".join([*outing.said.values(), *outing.verdict.values()])


REPEAT, OTHER_RIDER = "6,kit_150,me,42,12.6 to 12.8,none", "6,kit_150,mate,43,12.6 to 12.8,none"


def test_one_run_each_leans_on_what_is_usual(outing):
    one = outing()
    assert "if runs scatter as they usually do" in one.said["kit 150"]
    assert one.said["kit 150"].startswith("likely stronger than stock by 11 % (−1 to 24 %)")
    assert one.gains["kit_150"].strength == "leaning"
    assert "no difference" not in text(one)


@pytest.mark.parametrize("row", [REPEAT, OTHER_RIDER])
def test_a_row_more_that_agrees_narrows_every_gain(outing, row):
    before, after = outing().gains, outing(row).gains
    for name in before:
        assert after[name].ratio.half_width < before[name].ratio.half_width
        assert after[name].smallest_visible < before[name].smallest_visible < 0.28


def test_no_number_is_absurd(outing):
    for rows in ((), (REPEAT,), (OTHER_RIDER,), ("6,kit_150,me,47,12.6 to 12.8,none",)):
        for one in outing(*rows).gains.values():
            assert one.smallest_visible < 0.6
            assert one.ratio.high - one.ratio.low < 0.6
        for pull in outing(*rows).results.pulls:
            assert pull.force_n.high < 4 * pull.force_n.low


def test_no_difference_is_said_only_where_the_interval_holds_zero(outing):
    for rows in ((), (REPEAT,), (OTHER_RIDER,), ("3,kit_140,me,38,13.1 to 13.3,none",)):
        one = outing(*rows)
        for name, found in one.gains.items():
            said = one.said[name.replace("_", " ")]
            if "no difference from stock was shown" in said:
                assert found.ratio.low <= 0 <= found.ratio.high, (rows, name)
                assert "stronger" not in said
    weak = outing("3,kit_140,me,38,13.1 to 13.3,none")
    assert "no difference from stock was shown: " in weak.said["kit 140"]
    assert re.search(r"A difference of \d+ % or more would most likely have", weak.said["kit 140"])


def test_a_run_written_down_wrong_is_named_without_a_repeat(outing):
    """54 typed for 42: half as much force again, from a seventh more displacement."""
    far = outing("4,kit_150,me,54,12.6 to 12.8,none")
    assert "Run 4 (kit 150)" in far.said
    assert "This gain is not used until it is confirmed" in far.said["Run 4 (kit 150)"]
    assert "its speeds do not fit the other runs" in far.said["kit 150"]
    assert far.gains["kit_150"].strength == "open"
    # By its mixture and its displacement it is the one to ride; by those speeds it is not.
    assert far.verdict["Ride now"].startswith("kit 150 ")
    assert "more pull" not in far.verdict["Ride now"]
    assert far.verdict["Next"] == (
        "ride kit 150 and stock again, about 2 more runs of each: the speeds of kit 150 do not fit "
        "the other runs."
    )
    # Nor is the reference believed where it is what does not fit.
    fast = outing("1,stock,me,54,13.0 to 13.2,none")
    assert "Run 1 (stock)" in fast.said
    assert all(one.doubted for one in fast.gains.values())
    # Good rows are left in peace.
    for rows in ((), (REPEAT,), (OTHER_RIDER,)):
        assert not any(label.startswith("Run") for label in outing(*rows).said)


def test_a_second_run_far_from_the_first_widens_and_both_are_named(outing):
    far = outing("6,kit_150,me,52,12.6 to 12.8,none")
    assert "Runs 4 and 6 (kit 150)" in far.said
    before = outing().gains["kit_150"].ratio.half_width
    assert far.gains["kit_150"].ratio.half_width > 1.5 * before


def test_of_five_rows_the_one_in_the_band_is_ridden_and_climbs_are_spoken_of(outing):
    """12.7 on the gauge, and nothing said of the riding: neither nothing nor the richest."""
    one = outing()
    assert one.verdict["Ride now"].startswith("kit 150 (")
    # Only what is leaner than the band by more than 95 in 100 is said to be.
    assert one.verdict["Not to be ridden"] == "kit 120 (runs lean); kit 140 (may run lean)."
    shut = {own.setup: own for own in one.results.plan.shut}
    assert shut["kit_120"].gate.value > 0.95 > shut["kit_140"].gate.value
    # At the gauge's lean end nobody knows how lean, but that it is; what was not read may be.
    ended = replace(shut["kit_140"], gate=replace(shut["kit_140"].gate, value=None))
    assert shut_word(ended) == "runs lean"
    assert shut_word(replace(shut["kit_120"], source="predicted")) == "may run lean"
    warned = str(verdict.watch(one.results))
    assert "ask for lambda 0.88 or richer on an air-cooled engine: kit 150 has a" in warned


def test_what_was_not_written_down_is_one_line_with_its_cost(outing):
    found = [one for one in cautions.remarks(outing().results) if "not written down" in one]
    assert len(found) == 1
    (line,) = found
    for part in ("30.0 ± 1.0 mph", "speedometer", "32 °F to 86 °F", "at sea level"):
        assert part in line
    assert "the gain of kit 150" in line


def test_a_factory_setup_that_was_never_read_is_not_read(outing):
    one = outing("1,stock,me,38,,none")
    assert "stock" not in one.verdict["Not to be ridden"]
    notes = gain.sentences(one.results).items
    assert any("stock has no gauge reading, so part of what is gained" in note for _, note in notes)
    # Read, it is judged as any other.
    assert "stock" in outing("1,stock,me,38,14.2 to 14.4,none").verdict["Not to be ridden"]


def test_leaning_is_not_too_close_to_call(outing):
    for rows in ((), (REPEAT,), ("1,stock,me,38,,none",)):
        reasons = dict(verdict.reasons(outing(*rows).results).items)
        assert outing(*rows).results.plan.strength == "leaning"
        assert "stock" not in reasons.get("Too close to call", "")


def test_speeds_under_the_other_unit_are_spoken_of_before_anything_else(outing):
    """38 mph under a header in km/h is slower than the 30 mph of the start line."""
    slow = outing().results
    runs = tuple(
        replace(run, shown_exit_m_s=run.shown_exit_m_s and run.shown_exit_m_s / 1.609)
        for run in slow.runs
    )
    (first, *_) = verdict.watch(replace(slow, runs=runs)).items
    assert "on 5 of 5 runs the bike was slower at the marker" in first[1]
    assert "their headers have the right unit (km/h or mph?)" in first[1]


def test_no_runs_are_asked_of_what_must_not_be_ridden(outing):
    one = outing("6,kit_120,me,41,14.3,none")
    assert "would confirm it" in one.said["kit 150"]
    assert "would confirm it" not in one.said["kit 120"]


def test_a_speedometer_in_miles_is_read_to_a_mile(outing):
    """Not to a kilometre: 1 mph is 0.447 m/s."""
    session = outing().results.session
    assert speedometer_step(session).value == pytest.approx(0.44704)
    in_km = replace(session, speed_units={"exit_speed": "km/h"})
    assert speedometer_step(in_km).value == pytest.approx(1 / 3.6)
