"""What a rider can get wrong in session.toml, and the sentence that each mistake earns."""

import re

import pytest

from tuninglib.session.load import load_session


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
@pytest.mark.outside(source="common practice")
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
