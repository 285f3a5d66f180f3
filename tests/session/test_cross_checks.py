"""What no single cell shows: contradictions, and runs that cannot have been ridden."""

import re

import pytest

from tuninglib.analysis.analyse import analyse
from tuninglib.report import cautions
from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError


def add_columns(folder, header, first_run):
    """Columns at the end of runs.csv that are empty but for the first run."""
    path = folder / "runs.csv"
    head, first, *rest = path.read_text(encoding="utf-8").strip().split("\n")
    empty = "," * (first_run.count(",") + 1)
    lines = [f"{head},{header}", f"{first},{first_run}", *(f"{row}{empty}" for row in rest)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ('length = "150 m"', 'length = "300 m"', r"pieces add up to 550 m, but length is 400 m"),
        ("lowest = 0.83", "lowest = 0.95", r"lowest \(0\.95\) must be below highest \(0\.9\)"),
        (
            "highest = 0.90",
            "highest = 0.96",
            r"highest \(0\.96\) is leaner than 0\.95: .* write 0\.9 or less",
        ),
    ],
)
def test_contradictions_in_the_session(edit, old, new, sentence, problems):
    (found,) = problems(edit("session.toml", old, new))
    assert re.search(sentence, found), found


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("12.6,12.8", "12.9,12.8", r"row 2, gauge_low: 12\.9 is above gauge_high 12\.8; swap"),
        ("12.6,12.8", "1.26,12.8", r"row 2, gauge_low: 1\.26 is beyond what the gauge can print"),
        ("12.6,12.8", ",12.8", r"row 2, gauge_low: is empty while its partner is not"),
        ("48,62", "48,", r"row 2, exit_speed: is empty while its partner is not"),
        (
            "17,none,184,full",
            "17,none,184,cruise",
            r"row 5, state: speeds belong to full-throttle runs; this row says cruise",
        ),
    ],
)
def test_contradictions_in_a_run(edit, old, new, sentence, problems):
    found = problems(edit("runs.csv", old, new))
    assert any(re.search(sentence, line) for line in found), found
    assert all(line.startswith("runs.csv") for line in found)


@pytest.mark.parametrize(
    ("old", "new"), [("12.6,12.8", "12.9,12.8"), ("12.6,12.8", "1.26,12.8"), ("48,62", "48,")]
)
def test_a_run_that_does_not_count_contradicts_nothing(edit, old, new):
    folder = add_columns(edit("runs.csv", old, new), "exclude", "rain")
    assert load_session(folder).runs["exclude"].iloc[0] == "rain"


def test_speeds_down_the_hill_come_in_pairs(demo_copy, problems):
    header = "down_entry_speed [km/h],down_exit_speed [km/h]"
    (found,) = problems(add_columns(demo_copy, header, "15,"))
    assert found.startswith("runs.csv, row 2, down_exit_speed: is empty while its partner is not")


def test_a_day_without_a_temperature_is_taken_widely_and_said(demo_copy):
    path = demo_copy / "runs.csv"
    told = analyse(load_session(demo_copy))
    text = re.sub(r"(?m)^((?:[^,\n]*,){7})\d+,", r"\1,", path.read_text(encoding="utf-8"))
    path.write_text(text, encoding="utf-8")
    untold = analyse(load_session(demo_copy))
    (said,) = [one for one in cautions.remarks(untold) if "air somewhere" in one]
    assert "not written down, so taken: air somewhere from 0 °C to 30 °C" in said
    assert not [one for one in cautions.remarks(told) if "air somewhere" in one]
    for before, after in zip(told.pulls, untold.pulls, strict=True):
        assert after.force_n.low < before.force_n.value < after.force_n.high
        relative = [one.force_n.half_width / one.force_n.value for one in (before, after)]
        assert relative[1] > relative[0]


def test_a_gauge_scale_that_does_not_fit_the_readings_is_noticed(edit, problems):
    edit("session.toml", "scale = 14.7", "scale = 1")
    folder = edit("session.toml", "lowest = 10.0\nhighest = 20.0\n", "")
    assert re.search(r"is lambda 12\.\d\d on a scale of 1, outside 0\.5 to 2", problems(folder)[0])


@pytest.mark.parametrize(
    ("speeds", "sentence"),
    [
        ("240,30", r"240 to 30 km/h up this hill needs no pull at all; check speeds, unit"),
        (
            "48,150",
            r"needs 33 kW at the wheel, more than the 23 kW that an engine of 180 cc can",
        ),
        (
            "30,39",
            r"is 0\.\d\d times the wheel force of the middle run of this setup, and its speeds are "
            "to the others' as mph typed under the other unit are",
        ),
    ],
)
def test_a_run_that_nobody_rode(edit, speeds, sentence, problems):
    found = problems(edit("runs.csv", "1,stock,tove,48,62", f"1,stock,tove,{speeds}"))
    assert re.search(rf"^runs.csv, row 2, exit_speed: .*{sentence}", found[0]), found


def test_a_setup_far_from_the_others_is_noticed(demo_copy, problems):
    """A setup whose runs agree with each other, but with no other setup of the session."""
    path = demo_copy / "runs.csv"
    text = re.sub(r"(?m)^(\d+,big_150,\w+),\d+,\d+,", r"\1,48,115,", path.read_text("utf-8"))
    path.write_text(text, encoding="utf-8")
    found = problems(demo_copy)
    assert any("of the middle run of the session (limit 0.59 to 1.7)" in line for line in found)


@pytest.mark.parametrize(
    ("length", "agrees"),
    [("402 m", True), ("403.9 m", True), ("404.1 m", False), ("396.1 m", True), ("395.9 m", False)],
)
def test_pieces_agree_with_the_length_within_twice_what_is_not_known_of_it(edit, length, agrees):
    folder = edit("session.toml", 'length = "400 m +/- 2 m"', f'length = "{length} +/- 2 m"')
    if agrees:
        load_session(folder)
    else:
        with pytest.raises(SessionError, match=r"the pieces add up to 400 m, but length is"):
            load_session(folder)


@pytest.mark.parametrize(("altitude", "agrees"), [("600 m", True), ("800 m", False)])
def test_a_pressure_of_sea_level_on_a_hill_is_asked_about(edit, altitude, agrees):
    """At 600 m 943 hPa are usual, at 800 m 921; weather moves that by 55 hPa at most."""
    folder = edit("session.toml", 'altitude = "210 m"', f'altitude = "{altitude}"')
    if agrees:
        load_session(folder)
    else:
        with pytest.raises(SessionError, match="989 hPa does not go with 800 m"):
            load_session(folder)


def test_speeds_whose_two_columns_are_swapped_are_named_as_that(edit, problems):
    """On the flat no bike rolls from 95 to 30 km/h in 400 m without a brake."""
    folder = edit("session.toml", 'grade = "6.0 +/- 0.3 %"', 'grade = "0 +/- 0.3 %"')
    for grade in ("5.2", "6.5"):
        edit("session.toml", f'grade = "{grade} +/-', 'grade = "0.1 +/-')
    path = folder / "runs.csv"
    head, *rows = path.read_text(encoding="utf-8").strip().split("\n")
    keys = head.split(",")
    entry, leave = (keys.index(f"{one}_speed [km/h]") for one in ("entry", "exit"))

    def write(swapped):
        lines = [head]
        for at, row in enumerate(rows):
            cells = row.split(",")
            if cells[leave]:
                ends = ("95", "30") if at < swapped else ("30", "95")
                cells[entry], cells[leave] = ends
            lines.append(",".join(cells))
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")

    write(swapped=len(rows))
    (found,) = problems(folder)
    assert "runs.csv, row 1, exit_speed: on all 21 runs the bike was slower at the marker" in found
    assert "look swapped; put each heading over its own column" in found
    # One such run among others is no swapped column.
    write(swapped=1)
    (found,) = problems(folder)
    assert "95 to 30 km/h up this hill needs no pull at all" in found
