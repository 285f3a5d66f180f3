"""Fuels whose ethanol content nobody wrote down: the report says so and does not compare them."""

import re

import pytest

from tuninglib.analysis.analyse import analyse
from tuninglib.physics.fuels import Blend, lambda_shift
from tuninglib.report import method, mixture
from tuninglib.report.make import make_report
from tuninglib.session.load import load_session

E5, E10 = 'ethanol = "4 +/- 1 %"', 'ethanol = "9.5 +/- 0.5 %"'


def said_of_fuels(folder) -> list:
    items = mixture.sentences(analyse(load_session(folder))).items
    return [sentence for label, sentence in items if label == "Fuel"]


def test_labelled_fuels_are_compared(demo_folder):
    (sentence,) = said_of_fuels(demo_folder)
    shift = float(lambda_shift(Blend(0.04), Blend(0.095))) - 1
    assert f"e10 runs {100 * shift:.1f} % leaner than e5" in sentence


@pytest.mark.parametrize("line", [E5, E10])
def test_an_unlabelled_fuel_is_compared_with_none(edit, line):
    assert said_of_fuels(edit("session.toml", line, "")) == []


def test_fuels_that_come_out_the_same_are_not_compared(edit):
    edit("session.toml", E10, 'ethanol = "4.2 %"')
    assert said_of_fuels(edit("session.toml", E5, 'ethanol = "4 %"')) == []


def test_fuels_without_any_label_make_a_report_that_claims_no_difference(edit, tmp_path):
    edit("session.toml", E10, "")
    folder = edit("session.toml", E5, "")
    page = make_report(folder, tmp_path / "out").page.read_text(encoding="utf-8")
    text = re.sub(r"<[^>]+>", "", page)
    assert "% leaner than" not in text
    assert "the ethanol content of e5 and e10 is not written down" in text


def test_where_a_value_is_from_is_said_in_words(edit):
    def said(folder):
        rows = method.assumptions(analyse(load_session(folder))).rows
        return {row[0]: row[2] for row in rows}

    folder = edit("session.toml", 'rotating_mass = "8 kg +/- 3 kg"\n', "")
    words = said(folder)
    assert words["Drag area"] == "motorcycle table of 40 CFR 86.529-98"
    assert words["Rotating mass"] == "7 % of the bike (rule of UN GTR 2, from memory)"
    assert words["True over shown speed"] == "session.toml"
    edit("session.toml", 'factor = "0.955 +/- 0.01"', "")
    assert said(folder)["True over shown speed"] == "no calibration: legal range of UN R39"
    checks = 'checks = [["50 km/h", "48 km/h"], ["60 km/h", "57.3 km/h"]]\n'
    edit("session.toml", "[speedometer]\n", "[speedometer]\n" + checks)
    assert said(folder)["True over shown speed"] == "2 checks in session.toml"
