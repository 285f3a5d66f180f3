"""Sessions with little in them: the report does what it can, and says what it cannot."""

import re

import pytest

from tests.outing import Outing
from tuninglib.analysis.analyse import analyse
from tuninglib.physics.fuels import Blend, lambda_shift
from tuninglib.report import cautions, method, mixture, verdict
from tuninglib.report.make import make_report
from tuninglib.session.load import load_session


def keep_rows(folder, wanted):
    """Leave only the rows of runs.csv for which ``wanted(cells)`` is true."""
    path = folder / "runs.csv"
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    kept = [row for row in rows if wanted(row.split(","))]
    path.write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")


def drop_columns(folder, pattern):
    path = folder / "runs.csv"
    table = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    keep = [i for i, name in enumerate(table[0]) if not re.search(pattern, name)]
    lines = [",".join(row[i] for i in keep) for row in table]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def no_speeds(folder, edit):
    keep_rows(folder, lambda row: '"' not in row[-1] and int(row[0]) != 5)
    drop_columns(folder, "speed")


def no_gauge(folder, edit):
    keep_rows(folder, lambda row: int(row[0]) != 5)
    drop_columns(folder, "gauge")


def no_scale(folder, edit):
    edit("session.toml", "scale = 14.7", "")


def one_reading(folder, edit):
    keep_rows(folder, lambda row: row[0] == "1")


def once_each(folder, edit):
    keep_rows(folder, lambda row: row[0] in {"1", "7", "10", "14", "17"})


def only_the_reference(folder, edit):
    keep_rows(folder, lambda row: row[1] == "stock")


def all_at_the_end(folder, edit):
    edit("session.toml", "lowest = 10.0", "lowest = 5.0")
    path = folder / "runs.csv"
    text = re.sub(r",\d\d\.\d,\d\d\.\d,", ",20.0,20.0,", path.read_text(encoding="utf-8"))
    path.write_text(text, encoding="utf-8")


def identical_injectors(folder, edit):
    path = folder / "session.toml"
    text = re.sub(r'flow = "\d+ cc/min"', 'flow = "165 cc/min"', path.read_text("utf-8"))
    path.write_text(text, encoding="utf-8")


def no_ethanol(folder, edit):
    edit("session.toml", 'ethanol = "4 +/- 1 %"', "")


def all_excluded(folder, edit):
    path = folder / "runs.csv"
    text = path.read_text(encoding="utf-8").replace(",note\n", ",exclude\n", 1)
    lines = text.splitlines()
    rows = [re.sub(r',("[^"]*")?$', ",rain", line) for line in lines[1:]]
    path.write_text("\n".join([lines[0], *rows]) + "\n", encoding="utf-8")


CASES = {
    no_speeds: ["no run has speeds, so no gain can be worked out"],
    no_gauge: ["ride again with a lambda gauge", "the mixture is not known, and not judged"],
    no_scale: ["the gauge's scale is not known", "no mixture is judged"],
    one_reading: ["only one injector was read", "is assumed"],
    once_each: ["no rider repeated a setup, so how runs scatter is not known from this outing"],
    only_the_reference: ["only one setup was ridden, so there is nothing to compare it with"],
    all_at_the_end: ["every reading stood at the gauge's end", "left out of the sums"],
    identical_injectors: ["reads as if it flowed", "cc/min"],
    no_ethanol: ["ethanol content of e5 is not written down"],
    all_excluded: ["every setup that was ridden is ruled out", "left out: rain"],
}


# A whole report each: five of them now, all of them with the slow tests.
LONG = (once_each, only_the_reference, all_at_the_end, identical_injectors, no_ethanol)


@pytest.mark.parametrize(
    "spoil",
    [pytest.param(one, marks=pytest.mark.slow if one in LONG else ()) for one in CASES],
    ids=lambda spoil: spoil.__name__,
)
def test_the_report_does_what_it_can(spoil, demo_copy, edit, tmp_path):
    spoil(demo_copy, edit)
    page = make_report(demo_copy, tmp_path / "out").page.read_text(encoding="utf-8")
    text = (
        re.sub(r"<[^>]+>", "", page.split("<main")[1]).replace("&#39;", "'").replace("\u00a0", " ")
    )
    for sentence in CASES[spoil]:
        assert sentence in text, sentence
    assert "nan" not in re.sub(r"<script.*", "", text, flags=re.DOTALL).lower().split()
    assert "closed or quiet road" in text


# Fuels whose ethanol content nobody wrote down ----------------------------------------------------


E5, E10 = 'ethanol = "4 +/- 1 %"', 'ethanol = "9.5 +/- 0.5 %"'


def said_of_fuels(folder) -> list:
    items = mixture.sentences(analyse(load_session(folder))).items
    return [sentence for label, sentence in items if label == "Fuel"]


def test_labelled_fuels_are_compared(demo_folder):
    (sentence,) = said_of_fuels(demo_folder)
    shift = float(lambda_shift(Blend(0.04), Blend(0.095))) - 1
    assert f"e10 runs {100 * shift:.1f} % leaner than e5" in sentence


@pytest.mark.slow
@pytest.mark.parametrize("line", [E5, E10])
def test_an_unlabelled_fuel_is_compared_with_none(edit, line):
    assert said_of_fuels(edit("session.toml", line, "")) == []


def test_fuels_that_come_out_the_same_are_not_compared(edit):
    edit("session.toml", E10, 'ethanol = "4.2 %"')
    assert said_of_fuels(edit("session.toml", E5, 'ethanol = "4 %"')) == []


@pytest.mark.slow
def test_fuels_without_any_label_make_a_report_that_claims_no_difference(edit, tmp_path):
    edit("session.toml", E10, "")
    folder = edit("session.toml", E5, "")
    page = make_report(folder, tmp_path / "out").page.read_text(encoding="utf-8")
    text = re.sub(r"<[^>]+>", "", page)
    assert "% leaner than" not in text
    assert "the ethanol content of e5 and e10 is not written down" in text


@pytest.mark.slow
def test_where_a_value_is_from_is_said_in_words(edit):
    def said(folder):
        rows = method.assumptions(analyse(load_session(folder))).rows
        return {row[0]: row[2] for row in rows}

    folder = edit("session.toml", 'rotating_mass = "8 kg +/- 3 kg"\n', "")
    words = said(folder)
    assert words["Drag area"] == "motorcycle table of 40 CFR 86.529-98"
    assert words["Rotating mass"] == "7 % of the bike (rule of thumb, after UN GTR 2)"
    assert words["True over shown speed"] == "session.toml"
    edit("session.toml", 'factor = "0.955 +/- 0.01"', "")
    assert said(folder)["True over shown speed"] == "no calibration: legal range of UN R39"
    checks = 'checks = [["50 km/h", "48 km/h"], ["60 km/h", "57.3 km/h"]]\n'
    edit("session.toml", "[speedometer]\n", "[speedometer]\n" + checks)
    assert said(folder)["True over shown speed"] == "2 checks in session.toml"


def test_a_run_without_a_speed_and_an_outing_without_a_column_are_spoken_of(outing):
    row = outing.rows[4]
    row["entry_speed [km/h]"] = row["exit_speed [km/h]"] = ""
    said = " ".join(cautions.remarks(outing.results()))
    assert "no speed at the marker is written in row 6 of runs.csv" in said
    assert "write readings in the column gauge" not in said
    outing.without_columns("speed")
    said = " ".join(cautions.remarks(outing.results()))
    assert "no gain can be worked out; write them in the column exit_speed [km/h]" in said
    # Where no run has one, none is singled out.
    assert "no speed at the marker" not in said
    said = " ".join(cautions.remarks(outing.without_columns("gauge").results()))
    assert "no full-throttle run has a gauge reading, so nothing is known of the mixture" in said


def test_an_octane_number_that_nobody_wrote_down_is_watched(outing):
    said = str(verdict.watch(outing.results()))
    assert "so no fuel is checked against it" not in said
    outing.key("bike", lowest_octane=None).key("engines.big", compression_ratio=None)
    said = str(verdict.watch(outing.results()))
    assert "maker asks for is not known (lowest_octane under [bike]), so no fuel is checked" in said


@pytest.fixture
def outing(demo_folder, tmp_path):
    return Outing(demo_folder, tmp_path / "outing")
