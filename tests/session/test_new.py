"""The fill-in session: every key and column, and nothing overwritten."""

import dataclasses
import re

import pytest

from tuninglib.session import schema
from tuninglib.session.edit import example_in, session_template, write_new_session
from tuninglib.session.fields import read_value
from tuninglib.session.load import load_session
from tuninglib.session.read_table import COLUMNS
from tuninglib.text_files import SessionError


def test_the_fill_in_session_names_every_key_and_column(tmp_path):
    text = session_template()
    for record in (*schema.SINGLE.values(), *schema.NAMED.values()):
        for field in dataclasses.fields(record):
            assert field.name == "pieces" or re.search(rf"(?m)^(# +)?{field.name} = ", text)
    paths = write_new_session(tmp_path / "mine")
    for name, column in COLUMNS.items():
        assert name in paths[1].read_text(encoding="utf-8"), column


def test_the_fill_in_session_is_accepted_once_filled_in(tmp_path, problems):
    folder = tmp_path / "mine"
    toml, runs = write_new_session(folder)
    assert len(problems(folder)) > 10
    filled = re.sub(r'= ""  (# .*for example "([^"]*)")', r'= "\2"  \1', toml.read_text())
    # Every optional line as well.
    filled = re.sub(r"(?m)^# (\w+ = )", r"\1", filled)
    # But one of each pair of keys that say the same thing.
    twins = "ron|lowest_ron|clearance_volume|checks|displacement|rise|circumference"
    filled = re.sub(rf"(?m)^({twins}) = .*\n", "", filled)
    toml.write_text(filled, encoding="utf-8")
    with runs.open("a", encoding="utf-8") as stream:
        stream.write("1,before,me,46,60,12.7,12.9,,17,none,170,,\n")
        stream.write("2,after,me,46,65,13.0,13.2,full,18,,175,,felt strong\n")
    session = load_session(folder)
    assert list(session.runs["knock"]) == ["none", ""]


def test_a_new_session_never_overwrites(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thoughts.txt").write_text("keep me")
    with pytest.raises(SessionError, match="not an empty folder; choose a new name"):
        write_new_session(tmp_path / "mine")
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["thoughts.txt"]


@pytest.mark.parametrize("units", ["metric", "us", "imperial"])
def test_the_fill_in_session_speaks_the_riders_units(tmp_path, units):
    toml, runs = write_new_session(tmp_path / "mine", units)
    text, header = toml.read_text("utf-8"), runs.read_text("utf-8")
    assert f'\nunits = "{units}"' in text
    foreign = {
        "metric": r"[^1] (lb|ft|mph|degF|psi|inHg)\b",
        "us": r"\d (kg|m|km/h|m/s|degC|hPa|bar|m2)(?=[ \"])",
        "imperial": r"\d (kg|m|km/h|m/s|degF|hPa|bar|m2)(?=[ \"])",
    }[units]
    assert not re.findall(foreign, text)
    assert ("entry_speed [mph]" in header) == (units != "metric")
    assert ("air_temperature [degF]" in header) == (units == "us")


@pytest.mark.parametrize("units", ["us", "imperial"])
def test_an_example_in_other_units_says_the_same(units):
    tried = 0
    for record in (*schema.SINGLE.values(), *schema.NAMED.values()):
        for field in dataclasses.fields(record):
            meta = field.metadata
            if meta["kind"] != "quantity":
                continue
            other = example_in(meta["example"], units)
            before, after = (read_value(meta, text, {}) for text in (meta["example"], other))
            # Each is round in its own units; a step of 1 mph is larger than one of 1 km/h.
            near = 0.7 if other == "1 mph" else 0.07
            assert after.value == pytest.approx(before.value, rel=near, abs=1e-9)
            assert after.half_width == pytest.approx(before.half_width, rel=0.25)
            tried += other != meta["example"]
    assert tried > 8


@pytest.mark.parametrize("units", ["metric", "us", "imperial"])
def test_no_example_has_more_than_three_significant_digits(units):
    """Places on a map aside, which need theirs, and dates and names, which are no numbers."""
    values = [
        value
        for line in session_template(units).splitlines()
        for value in re.findall(r'(?:= |for example )("[^"]*"|\[.*\]|[\d.]+)(?=  #|$)', line)
        if not re.search(r"start = |marker = |date = |title = |tyre = ", line)
    ]
    numbers = [one for value in values for one in re.findall(r"\d+\.?\d*", value)]
    assert len(numbers) > 60
    for number in numbers:
        digits = number.replace(".", "").lstrip("0")
        assert len(digits.rstrip("0") if "." not in number else digits) <= 3, number


def test_checks_of_a_speedometer_in_miles_agree_with_each_other():
    meta = {f.name: f for f in dataclasses.fields(schema.Speedometer)}["checks"].metadata
    for units in ("metric", "us", "imperial"):
        pairs = [[example_in(one, units) for one in pair] for pair in meta["example"]]
        factors = [true / shown for shown, true in read_value(meta, pairs, {})]
        assert factors == pytest.approx([0.955, 0.955], abs=0.003)


def test_the_fill_in_session_in_us_units_is_accepted_once_filled_in(tmp_path):
    toml, runs = write_new_session(tmp_path / "mine", "us")
    filled = re.sub(r'= ""  (# .*for example "([^"]*)")', r'= "\2"  \1', toml.read_text("utf-8"))
    toml.write_text(filled, "utf-8")
    with runs.open("a", encoding="utf-8") as stream:
        stream.write("1,before,me,29,37,12.7,12.9,,62,none,340,,\n")
        stream.write("2,after,me,29,40,13.0,13.2,full,64,,350,,felt strong\n")
    session = load_session(tmp_path / "mine")
    assert session.about.units == "us"
    assert session.bike.mass.value == pytest.approx(124, rel=0.02)


def test_an_empty_folder_that_is_there_is_filled(tmp_path):
    folder = tmp_path / "made before"
    folder.mkdir()
    assert {path.name for path in write_new_session(folder)} == {"session.toml", "runs.csv"}
    with pytest.raises(SessionError, match="exists and is not an empty folder"):
        write_new_session(folder)


def test_metric_examples_stay_as_they_are_written():
    for example in ("6.0 +/- 0.3 %", "124 kg +/- 2 kg", "0 +/- 1.5 m/s", "18 degC"):
        assert example_in(example, "metric") == example
    assert example_in("6.0 +/- 0.3 %", "us") == "6.0 +/- 0.3 %"
    assert example_in("310 m", "us") == "1000 ft"


def test_a_folder_inside_folders_that_are_not_there_yet_is_made(tmp_path):
    made = write_new_session(tmp_path / "this year" / "first outing")
    assert all(path.is_file() for path in made)
