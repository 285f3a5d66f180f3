"""What would change the plan: each fact is tried, and only those that change it are named."""

import pytest

from tests.advice_rules import by_header
from tests.outing import Outing
from tuninglib.analysis.analyse import analyse
from tuninglib.report import verdict
from tuninglib.session.load import load_session


def plans(results):
    return {flip.code: flip.plan for flip in results.flips}


def test_a_knock_with_what_is_ridden_now_ends_it(results, edit):
    other = plans(results)["knock"]
    assert other.ride.setup != results.plan.ride.setup
    # The same as if it had been written down.
    row = "13,big_172,tove,49,72,12.8,13.1,21,"
    heard = analyse(load_session(edit("runs.csv", f"{row}none", f"{row}light")))
    assert heard.plan.ride.setup == other.ride.setup
    assert heard.plan.next == other.next


def test_a_band_that_is_richer_is_tried_on_the_readings_too(results, edit):
    edit("session.toml", "lowest = 0.83", "lowest = 0.81")
    folder = edit("session.toml", "highest = 0.90", "highest = 0.88")
    tried = plans(results)["richer"]
    assert analyse(load_session(folder)).plan.ride.setup == tried.ride.setup


def test_long_climbs_are_tried_only_where_they_are_not_expected_already(results, edit):
    assert "climbs" in plans(results)
    folder = edit("session.toml", 'riding = "mixed"', 'riding = "climbs"')
    assert "climbs" not in plans(analyse(load_session(folder)))


def test_what_changes_nothing_is_not_named(back):
    assert "fuel" not in plans(back)
    for plan in plans(back).values():
        assert plan.next != back.plan.next or plan.ride != back.plan.ride


def test_the_page_says_what_would_change_it(results):
    said = dict(verdict.flips(results).rows)
    assert said["a knock with what you ride now"].startswith("ride stock and find the cause")
    assert said["only e5 in the tank"] == "nothing more to test"


def test_the_worths_that_decided_are_printed(results):
    table = verdict.worths(results)
    rows = {row["Combination"]: row for row in by_header(table)}
    assert rows["big 172 on e5"]["Status"] == "ride now"
    assert rows["i178 on e10"]["Status"] == "untried"
    # What is ruled out was never weighed.
    assert set(rows) == {
        *("big 172 on e5", "big 185 on e5", "stock on e5"),
        *("i178 on e5", "i178 on e10"),
    }
    for row in rows.values():
        gain, harm, worth = (
            float(row[name].replace("−", "-")) for name in ("Gain", "Harm", "Worth")
        )
        assert worth == pytest.approx(gain - harm, abs=0.11)
    # What may be ridden comes first, the best of it on top.
    assert by_header(table)[0]["Status"] == "ride now"
    assert (
        "Harm counts 2 for each hundredth of lambda beyond the lean edge, 0.3 beyond" in table.note
    )


def test_the_extremes_of_whole_runs_choose_no_injector(demo_folder, tmp_path):
    """A throttle transient noted as the highest reading of every run."""
    outing = Outing(demo_folder, tmp_path / "outing")
    for row in outing.full():
        row["gauge_high"] = f"{float(row['gauge_high']) + 2:.1f}"
    results = outing.results()
    assert (results.plan.next.code, results.plan.next.why) == ("ride again", "steady")
    said = dict(verdict.sentences(results).items)
    assert "steady range after two or three seconds" in said["Next"]
    assert "buy" not in said["Next"].replace("is bought", "")
