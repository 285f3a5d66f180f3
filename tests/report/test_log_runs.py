"""The words on runs that were found: no two of them disagree, and each says what to do."""

import dataclasses

import pytest

from tuninglib.interval import Interval
from tuninglib.report import cautions, gain, logs, method, tested


@pytest.fixture
def results(evening):
    return evening


def with_found(results, **changes):
    session = results.session
    found = dataclasses.replace(session.found, **changes)
    return dataclasses.replace(results, session=dataclasses.replace(session, found=found))


def with_readings(results, **changes):
    readings = dataclasses.replace(results.session.found.readings, **changes)
    return with_found(results, readings=readings)


def test_the_sentences_say_what_was_found_and_how_to_overrule_it(results):
    text = logs.run_sentences(results).plain()
    assert "phone has 8 ways from the start line to the marker and 8 back." in text
    assert "if not, write runs = [1, 2, …] under [logs.phone]" in text
    assert "entry and exit speeds of runs 1 to 8 are from its logged speed" in text
    assert "its clock is shifted by 41.5 s (41.1 to 42.0 s), found from what both saw" in text
    assert "the readings of runs 2 to 8 are its steady range" in text
    assert "box was not on for all of run 1, so no reading is taken." in text
    assert "give a mean grade of 6.17 % (5.93 to 6.40 %); 6.1 % is stated and taken" in text
    assert "Throttle" not in text


@pytest.mark.parametrize(
    ("why", "said"),
    [
        ("count", "has 8 full-throttle rows, so which is which is not clear and nothing is taken"),
        ("listed", "The list under runs is longer or shorter than that, so nothing is taken"),
        ("unknown", "names a run that runs.csv does not have, or one twice, so nothing is taken"),
    ],
)
def test_why_nothing_is_taken_is_said_with_the_remedy(results, why, said):
    text = logs.run_sentences(with_found(results, why_not=why, filled=())).plain()
    assert said in text
    assert "write runs = [1, 2, …] under [logs.phone]" in text
    assert "are from its" not in text


@pytest.mark.parametrize(
    ("why", "said"),
    [
        ("short", "they have too little in common"),
        ("unlike", "does not rise and fall together"),
        ("twins", "two shifts fit about as well"),
        ("nothing", "it has no speed, engine speed or throttle to go by"),
    ],
)
def test_a_clock_that_is_not_known_is_asked_for(results, why, said):
    text = logs.run_sentences(with_readings(results, shift_s=None, why_not=why, filled=())).plain()
    assert said in text
    assert "Write shift under [logs.box] to have its readings used." in text
    assert "steady range" not in text


def test_a_grade_that_is_far_off_is_named(results):
    text = logs.run_sentences(with_found(results, grade=Interval(0.045, 0.042, 0.048))).plain()
    assert "which is far from it: check grade, length and the two places" in text


def test_a_length_that_is_far_off_is_named_and_a_good_one_is_not(results):
    assert "Length" not in logs.run_sentences(results).plain()
    text = logs.run_sentences(with_found(results, length_m=Interval(352.0, 346.0, 358.0))).plain()
    assert (
        "by the track it is 352 m (346 to 358 m) from start to marker, far from the 400 m" in text
    )


def test_a_typed_speed_that_the_log_contradicts_is_named(results):
    pairs = ((20.0, 19.9, 0.2), (25.0, 19.0, 0.2))
    text = logs.run_sentences(with_found(results, pairs=pairs)).plain()
    assert "far from each other: 90.0 as shown against 68.4 km/h in truth." in text


def test_a_run_without_full_throttle_is_named(results):
    first, *rest = results.session.found.readings.readings
    shut = dataclasses.replace(first, covered=True, full_share=0.3)
    text = logs.run_sentences(with_readings(results, readings=(shut, *rest))).plain()
    assert "run 1 had the throttle fully open, as far as was logged, for less than 60 %" in text


@pytest.mark.parametrize(
    ("at", "said"), [("marker", "the marker"), ("start", "the start line"), ("both", "both lines")]
)
def test_a_gap_at_a_line_is_named_with_its_run(results, at, said):
    first, *rest = results.session.found.passes
    unseen = dataclasses.replace(first, run=None, missed=3.0, gap_s=9.0, gap_at=at)
    spoilt = with_found(results, passes=(unseen, *rest))
    text = logs.run_sentences(spoilt).plain()
    assert f"the speeds of run 3 were not found: phone has a gap of 9.0 s at {said}." in text
    assert logs.runs_table(spoilt).rows[0][:3] == ("1", "3", "large nozzle")


def test_the_table_and_the_figure_show_every_way_up(results):
    table = logs.runs_table(results)
    assert [row[:3] for row in table.rows[:3]] == [
        ("1", "1", "small nozzle"), ("2", "2", "large nozzle"), ("3", "3", "large nozzle"),
    ]  # fmt: skip
    assert table.rows[1][5:] == (
        "42.0 ± 1.3", "70.7 ± 1.1", "12.80 to 13.10", "96 %",
    )  # fmt: skip
    assert table.rows[0][7:] == ("–", "–")
    alt = logs.runs_figure(results).alt
    assert "8 ways up marked, with 66.0 to 70.7 km/h at the marker" in alt


def test_other_headings_know_that_speeds_are_logged(results):
    assert not any("may read high" in one for one in cautions.remarks(results))
    assert tested.runs_table(results).caption == "Speeds as shown by the log"
    assert "At the marker the log showed" in gain.sentences(results).plain()
    assert any(row[2].startswith("speeds of a log are true ones") for row in
               method.assumptions(results).rows)  # fmt: skip


def test_without_places_the_page_says_what_to_write(results):
    session = results.session
    hill = dataclasses.replace(session.hill, start=None, marker=None)
    bare = dataclasses.replace(session, found=None, hill=hill)
    text = logs.run_sentences(dataclasses.replace(results, session=bare)).plain()
    assert "write start and marker under [hill]" in text
    none = dataclasses.replace(bare, traces={"box": session.traces["box"]})
    text = logs.run_sentences(dataclasses.replace(results, session=none)).plain()
    assert "no log has positions, so runs are not looked for in them." in text
