"""Sessions with little in them: the report does what it can, and says what it cannot."""

import re
from dataclasses import replace

import pytest

from tests.outing import Outing
from tuninglib.analysis.analyse import analyse
from tuninglib.interval import Measured
from tuninglib.physics.fuels import Blend, lambda_shift
from tuninglib.report import cautions, method, mixture, verdict
from tuninglib.report.make import make_report
from tuninglib.session.load import load_session


def runs(*numbers):
    return lambda outing: outing.only(lambda row: row["run"] in numbers)


def no_speeds(outing):
    return outing.only(lambda row: not row["note"] and row["run"] != "5").without_columns("speed")


def no_gauge(outing):
    return outing.only(lambda row: row["run"] != "5").without_columns("gauge")


def all_at_the_end(outing):
    for row in outing.rows:
        row["gauge_low"] = row["gauge_high"] = row["gauge_low"] and "20.0"
    return outing


def identical_injectors(outing):
    for name in outing.toml["injectors"]:
        outing.key(f"injectors.{name}", flow="165 cc/min")
    return outing


def no_ethanol(outing):
    return outing.key("fuels.e5", ethanol=None)


# A whole report each: five of them now, all of them with the slow tests.
CASES = {
    "no speeds": (no_speeds, "no run has speeds, so no gain can be worked out"),
    "no gauge": (no_gauge, "ride again with a lambda gauge: the mixture is not known"),
    "no scale": (lambda one: one.key("gauge", scale=None), "the gauge's scale is not known"),
    "one reading": (runs("1"), "only one injector was read, so how lambda follows flow is assumed"),
    "all excluded": (Outing.excluded, "every setup that was ridden is ruled out", "left out: rain"),
}
LONG = {
    "once each": (runs("1", "7", "10", "14", "17"), "too few runs were repeated to tell how runs"),
    "only the reference": (
        lambda one: one.only(lambda row: row["setup"] == "stock"), "only one setup was ridden",
    ),
    "all at the end": (
        all_at_the_end, "every reading stood at the gauge's end", "left out of the sums"
    ),
    "identical injectors": (identical_injectors, "reads as if it flowed"),
    "no ethanol": (no_ethanol, "ethanol content of e5 is not written down"),
}  # fmt: skip


@pytest.mark.parametrize(
    "case", [*CASES, *(pytest.param(one, marks=pytest.mark.slow) for one in LONG)]
)
def test_the_report_does_what_it_can(case, outing, tmp_path):
    spoil, *sentences = (CASES | LONG)[case]
    page = make_report(spoil(outing).save(), tmp_path / "out").page.read_text(encoding="utf-8")
    text = re.sub(r"<[^>]+>", "", page.split("<main")[1])
    text = text.replace("&#39;", "'").replace("\u00a0", " ")
    for sentence in (*sentences, "closed or quiet road"):
        assert sentence in text, sentence
    assert "nan" not in re.sub(r"<script.*", "", text, flags=re.DOTALL).lower().split()


# Fuels whose ethanol content nobody wrote down ----------------------------------------------------


def test_labelled_fuels_are_compared(demo_folder):
    said = dict(mixture.sentences(analyse(load_session(demo_folder))).items)
    shift = float(lambda_shift(Blend(0.04), Blend(0.095))) - 1
    assert f"e10 runs {100 * shift:.1f} % leaner than e5" in said["Fuel"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("e5", "e10"), [(None, "9.5 %"), ("4 %", None), (None, None), ("4 %", "4.2 %")]
)
def test_fuels_without_a_label_or_that_come_out_the_same_are_not_compared(outing, e5, e10):
    outing.key("fuels.e5", ethanol=e5).key("fuels.e10", ethanol=e10)
    results = outing.results()
    assert "Fuel" not in dict(mixture.sentences(results).items)
    unlabelled = [name for name, typed in (("e5", e5), ("e10", e10)) if typed is None]
    said = f"the ethanol content of {' and '.join(unlabelled)} is not written down"
    assert (said in " ".join(cautions.remarks(results))) == bool(unlabelled)


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
    assert words["Headwind"] == "usual (headwind under [weather] changes it)"
    assert words["Injector tolerance"] == (
        "of the stated flow; usual (tolerance under [injectors] changes it)"
    )
    edit("session.toml", 'factor = "0.955 +/- 0.01"', "")
    assert said(folder)["True over shown speed"] == "no calibration: legal range of UN R39"
    checks = 'checks = [["50 km/h", "48 km/h"], ["60 km/h", "57.3 km/h"]]\n'
    edit("session.toml", "[speedometer]\n", "[speedometer]\n" + checks)
    assert said(folder)["True over shown speed"] == "2 checks in session.toml"
    edit("session.toml", 'headwind = "0 +/- 1.5 m/s"', 'headwind = "1 +/- 2 m/s"')
    assert said(folder)["Headwind"] == "headwind under [weather] in session.toml"


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


def test_a_point_of_grade_is_what_the_forces_would_move_by(demo_folder):
    session = load_session(demo_folder)
    session = replace(session, hill=replace(session.hill, pieces=()))
    before = analyse(session)
    said = dict(method.sentences(before).items)["The grade"]
    more = float(
        re.search(r"every force would be (\d+) N higher \(\d+ % of that of stock\)", said)[1]
    )
    steeper = Measured(session.hill.grade.value + 0.01, session.hill.grade.half_width)
    after = analyse(replace(session, hill=replace(session.hill, grade=steeper)))
    for was, now in zip(before.pulls, after.pulls, strict=True):
        assert now.force_n.value - was.force_n.value == pytest.approx(more, rel=0.12)
    assert "allow for ±0.3 points of grade. If the grade were one point steeper (7.0 %)" in said
    tenth = float(re.search(r"one of 10 % would become (\d\.\d) %", said)[1])
    ratio = after.pulls[1].gain.ratio.value / before.pulls[1].gain.ratio.value
    assert ratio == pytest.approx(tenth / 10, abs=0.02)


@pytest.fixture
def outing(demo_folder, tmp_path):
    return Outing(demo_folder, tmp_path / "outing")
