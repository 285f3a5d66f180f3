"""Notes that speak of knock, readings that move over the day, and what heavy knock silences."""

import pytest

from tests.outing import Outing
from tuninglib.analysis.day_plan import (
    Aim,
    SwapTimes,
    closed_setups,
    plan_day,
    start_of,
    watched_setups,
)
from tuninglib.lab.plan import day_words
from tuninglib.report import heat, mixture
from tuninglib.session.tables import speaks_of_knock


@pytest.mark.parametrize(
    ("note", "knocked"),
    [
        ("pinking near the top, backed off", True),
        ("Pinged twice in fourth", True),
        ("slight knock", True),
        ("detonation!", True),
        ("Klingeln oben", True),
        ("hat geklopft", True),
        ("cliquetis en haut", True),
        ("picado de biela", True),
        ("batte in testa", True),
        ("no knock", False),
        ("ran without pinking", False),
        ("kein Klopfen", False),
        ("nie geklingelt", False),
        ("pas de cliquetis", False),
        ("sin picado", False),
        ("knock: none", False),
        ("pink cable tie, shipping strap", False),
        ("not warm yet; knocked at the top", True),
        ("", False),
    ],
)
def test_what_a_note_says_of_knock(note, knocked):
    assert speaks_of_knock(note) is knocked


@pytest.mark.parametrize(
    ("column", "level"), [("none", "noted"), ("", "noted"), ("heavy", "heavy")]
)
def test_a_note_counts_where_the_column_says_less(column, level, demo_folder, tmp_path):
    outing = Outing(demo_folder, tmp_path / "outing")
    row = outing.full("big_185")[-1]
    row.update(knock=column, note="pinging at the top")
    results = outing.results()
    assert [k.level for k in results.knocks if k.setup == "big_185"] == [level]
    said = str(heat.sentences(results))
    assert ("the note speaks of knock, the column knock does not" in said) is (level == "noted")
    assert f"Run {row['run']} (big 185)" in said or level == "heavy"


def trending(outing, by, setups=None):
    """Readings of every run moved by so much over the day, as the gauge shows it."""
    rows = outing.full(*setups or ())
    for place, row in enumerate(rows):
        for name in ("gauge_low", "gauge_high"):
            row[name] = f"{float(row[name]) + by * place / (len(rows) - 1):.1f}"
    return outing


@pytest.mark.parametrize(("by", "side"), [(-2.0, "richer"), (3.0, "leaner"), (0.1, None)])
def test_readings_that_move_over_the_day_are_named(by, side, demo_folder, tmp_path):
    outing = Outing(demo_folder, tmp_path / "outing").key("gauge", lowest=7.0)
    results = trending(outing, by).results()
    said = dict(mixture.sentences(results).items)
    assert ("Over the day" in said) is (side is not None)
    if side:
        assert f"to the {side} side from run 1 to run" in said["Over the day"]


def test_enough_is_not_said_of_what_heavy_knock_was_heard_with(demo_folder, tmp_path):
    outing = Outing(demo_folder, tmp_path / "quiet").key("bike", lowest_octane="91 RON")
    assert "e5 has 98 RON on the engine 'big'" in str(heat.sentences(outing.results()))
    outing = Outing(demo_folder, tmp_path / "loud").key("bike", lowest_octane="91 RON")
    said = str(heat.sentences(outing.knock("big_172", "heavy").results()))
    assert "e5 has 98 RON on the engine 'big'" not in said
    assert "e10 has 95 RON on the engine 'big'" not in said


def test_nobody_knows_the_true_ratio_of_a_fuel_without_a_label(demo_folder, tmp_path):
    outing = Outing(demo_folder, tmp_path / "outing")
    outing.key("fuels.e5", ethanol=None, octane="104 RON")
    results = outing.results()
    of = {one.setup: one for one in results.mixtures}
    assert of["big_172"].true_ratio is None
    assert of["big_172"].lambda_ is not None
    assert of["big_172_e10"].true_ratio is not None
    row = next(row for row in mixture.table(results).rows if row[0] == "big 172")
    assert row[5] == "–"


def test_a_test_of_what_may_run_lean_is_marked_as_no_ride(demo_folder, tmp_path):
    outing = Outing(demo_folder, tmp_path / "outing").quiet()
    folder = outing.save()
    results = outing.results()
    assert watched_setups(results) == ("big_172_e10",)
    assert set(closed_setups(results)) == {"big_150", "big_164"}
    start = start_of(folder)
    aim = Aim(gain=0.06, scatter=start.scatter)
    day = plan_day(
        aim,
        setups=start.setups,
        riders=start.riders,
        minutes_a_run=10,
        swap=SwapTimes(fuel=5.0, injector=15.0, engine=60.0),
        parts=start.parts,
        richness=start.richness,
    )
    assert "big_172_e10" in day.order.setups
    words = str(day_words(day, aim, "moved", start.watched)[0])
    assert "only for tests with an eye on the gauge, not for riding: big 172 e10." in words
    assert "Not for riding" not in str(day_words(day, aim, "moved")[0])
