"""What a rider can get wrong in session.toml, and the sentence that each mistake earns."""

import re

import pytest

from tuninglib.session.load import load_session
from tuninglib.session.read_toml import tables_as_typed, what_stands
from tuninglib.text_files import SessionError


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            'mass = "124',
            'masss = "124',
            r"row \d+, masss: unknown key 'masss'; did you mean 'mass'",
        ),
        ('"124 kg +/- 2 kg"', '"124"', r"mass: '124' has no unit; write for example '124 kg"),
        ('"124 kg +/- 2 kg"', "124", r"mass: 124 has no unit"),
        ('"124 kg +/- 2 kg"', '"124 kg +/- 2 km"', r"'km' does not measure"),
        ('"124 kg +/- 2 kg"', '"1240 kg"', r"'1240 kg' is outside 40 to 500 kg; check"),
        ('"124 kg +/- 2 kg"', '""', r"mass: is still empty \(ready to ride"),
        ('"400 m +/- 2 m"', '"400,5 m"', r"write a point: '400\.5 m'"),
        ("date = 2026-05-16", 'date = "16 May"', r"date: '16 May' is not a date; write year-month"),
        (
            'reference = "stock"',
            'reference = "stok"',
            r"'stok' is not one of the setups; did you mean 'stock'",
        ),
        ('engine = "big"', 'engine = "bigg"', r"\bengine: 'bigg' is not one of the engines"),
        ('units = "metric"', 'units = "kmh"', r"units: 'kmh' is not one of 'metric', 'us'"),
        ("[gauge]", "[gauges]", r"unknown table \[gauges\]; did you mean 'gauge'"),
        ('bore = "60.0 mm"', "", r"\[engines\.stock\] needs bore and stroke, or displ"),
        ("scale = 14.7", "scale = true", r"scale: True must be a number"),
        ('grade = "5.2', 'slope = "5.2', r"piece 1: unknown key 'slope'"),
        (
            'factor = "0.955 +/- 0.01"',
            'checks = [["50 km/h", "48 km/h"]]',
            r"row \d+, checks: .* is not two pairs of speeds or more; write pairs",
        ),
        (
            'factor = "0.955 +/- 0.01"',
            'checks = [["50 km/h", "48 km/h"], ["50", "300 m in 22 s"]]',
            r"checks: '50' has no unit; write for example '62 km/h'",
        ),
        ('title = "Bigger', "title = Bigger", r"row 5: is not valid TOML: .*text goes in quotes"),
    ],
)
def test_one_sentence_for_each_mistake_in_the_session(edit, old, new, sentence, problems):
    found = problems(edit("session.toml", old, new))
    assert any(re.search(sentence, line) for line in found), found
    assert all(line.startswith("session.toml") for line in found)


# 10.5 cc/min for one pound an hour: common practice in the trade, exactly 0.72 kg/L.
def test_a_flow_in_pounds_an_hour_is_read_as_the_trade_does(edit):
    session = load_session(edit("session.toml", '"150 cc/min"', '"14.3 lb/h"'))
    assert session.injectors["i150"].flow.value * 60e6 == pytest.approx(14.3 * 10.5, abs=0.05)


def test_us_units_read_to_the_same_session(demo_folder, edit):
    edit("session.toml", '"124 kg +/- 2 kg"', '"273.373 lb +/- 4.409 lb"')
    session = load_session(edit("session.toml", '"989 hPa"', '"29.205 inHg"'))
    assert session.bike.mass.value == pytest.approx(124.0, abs=1e-3)
    assert session.weather.pressure.value == pytest.approx(98900, rel=1e-4)


def test_the_row_of_a_problem_is_not_looked_for_in_a_note(edit, problems):
    edit("session.toml", 'note = "Top', 'note = """\n[bike]\nmass = 3\n"""\n# note = "Top')
    folder = edit("session.toml", '"124 kg +/- 2 kg"', '"124"')
    (found,) = problems(folder)
    lines = (folder / "session.toml").read_text(encoding="utf-8").split("\n")
    row = int(re.search(r"row (\d+), mass", found)[1])
    assert lines[row - 1] == 'mass = "124"'


@pytest.mark.parametrize(("letters", "fits"), [(100, True), (101, False)])
def test_a_name_has_a_hundred_letters_at_most(demo_copy, letters, fits):
    name = "s" * letters
    path = demo_copy / "session.toml"
    text = path.read_text("utf-8")
    path.write_text(text.replace("[setups.big_185]", f"[setups.{name}]"), "utf-8")
    runs = demo_copy / "runs.csv"
    runs.write_text(runs.read_text("utf-8").replace(",big_185,", f",{name},"), "utf-8")
    if fits:
        assert name in load_session(demo_copy).setups
    else:
        with pytest.raises(SessionError, match="has 101 letters; 100 are the most"):
            load_session(demo_copy)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ('" stock"', "begins or ends with a space"),
        ('"st\\tock"', "has a line break or the like"),
        ('""', "is no name; write at least one letter"),
        ('"#1"', "begins with #, as comments"),
    ],
)
def test_a_name_that_no_cell_can_hold_is_refused(demo_copy, name, said):
    path = demo_copy / "session.toml"
    text = path.read_text("utf-8")
    path.write_text(text.replace("[setups.big_185]", f"[setups.{name}]"), "utf-8")
    with pytest.raises(SessionError, match=said):
        load_session(demo_copy)


@pytest.mark.parametrize("typed", ["setups = 3", 'setups = "stock"', "setups = [1, 2]"])
def test_named_tables_that_are_none_are_refused(demo_copy, typed):
    path = demo_copy / "session.toml"
    text = re.sub(r"(?ms)^\[setups\..*", "", path.read_text("utf-8"))
    path.write_text(f"{typed}\n{text}", "utf-8")
    with pytest.raises(
        SessionError, match=r"each of setups needs its own table: write .setups.a_n"
    ):
        load_session(demo_copy)


@pytest.mark.parametrize("typed", ["stock = 3", 'stock = "x"'])
def test_a_named_table_beside_a_value_is_refused(demo_copy, typed):
    path = demo_copy / "session.toml"
    text = path.read_text("utf-8").replace("[setups.stock]", f"[setups]\n{typed}\n[setups.other]")
    path.write_text(text, "utf-8")
    with pytest.raises(SessionError, match="each of setups needs its own table"):
        load_session(demo_copy)


def test_what_stands_is_there_though_the_session_is_not_complete(demo_copy):
    path = demo_copy / "session.toml"
    path.write_text(path.read_text("utf-8").replace("scale = 14.7", "scale = 147"), "utf-8")
    found = what_stands(demo_copy)
    assert found.gauge is None
    assert found.about.reference == "stock"
    assert found.bike.mass.value == 124
    assert set(found.setups) == set(tables_as_typed(demo_copy)["setups"])
    path.write_text("[session\n", "utf-8")
    assert tables_as_typed(demo_copy)["setups"] == {}
    assert what_stands(demo_copy).about is None
