"""The plan while a day is being ridden, on the demo cut short, with one thing changed."""

import pytest

from tests.outing import Outing
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.day_plan import (
    Richness,
    closed_setups,
    combination_of,
    ended_with,
    interim,
    interim_of_folder,
    richness_of,
)
from tuninglib.report import heat
from tuninglib.report import verdict as words
from tuninglib.session.load import load_session
from tuninglib.session.new import write_new_session


def after(folder, rows: int, *, change=("", ""), planned=3):
    """Interim after so many rows of the demo."""
    path = folder / "runs.csv"
    lines = path.read_text(encoding="utf-8").splitlines()[: rows + 1]
    text = "\n".join(lines) + "\n"
    assert change[0] in text
    path.write_text(text.replace(*change, 1), encoding="utf-8")
    return interim_of_folder(folder, planned=planned)[1]


def test_a_day_from_its_first_row_on(demo_copy):
    whole = (demo_copy / "runs.csv").read_text(encoding="utf-8")
    codes = []
    # The first of each setup, all that decide something, and the last.
    for rows in (1, 2, 3, 4, 5, 6, 10, 14, 17, 18, 19, 21):
        (demo_copy / "runs.csv").write_text(whole, encoding="utf-8")
        found = after(demo_copy, rows)
        codes.append((found.setup, found.code, found.why))
        assert found.run == rows
        ridden = {name for name, _ in found.to_ride}
        assert not ridden & {name for name, _ in found.closed}
    assert codes[:5] == [
        *[("stock", "go on", "")] * 3,
        ("big_150", "stop", "lean"),
        ("big_150", "stop", "knock"),
    ]
    assert {code for setup, code, _ in codes if setup == "big_185"} == {"go on", "decided"}
    assert codes[-1] == ("stock", "decided", "")


def test_an_early_look_asks_for_more_than_the_report(results, demo_folder):
    """With runs still planned, told apart is not enough: p must be below 0.001."""
    pair = next(p for p in results.road.pairs if {p.setup, p.over} == {"big_185", "big_172"})
    assert pair.p_value > 0.001
    assert results.plan.strength == "decided"
    assert interim(results, 21, planned=3).code == "decided"
    found = interim(results, 21, planned=4)
    assert (found.code, found.to_ride) == ("go on", (("big_185", 1), ("big_172_e10", 1)))
    assert interim_of_folder(demo_folder, planned=3)[1].code == "decided"


def test_the_richest_comes_first_among_those_to_ride(demo_copy):
    found = after(demo_copy, 3, planned=4)
    names = [name for name, _ in found.to_ride]
    assert names[:2] == ["stock", "big_185"]
    assert [count for _, count in found.to_ride][:2] == [1, 4]


def test_a_run_that_does_not_count_still_stops(demo_copy):
    old = "13,big_172,tove,49,72,12.8,13.1,21,none,184,full,"
    for new, why in (
        ("13,big_172,tove,,,13.9,14.1,21,none,184,full,backed off", "lean"),
        ("13,big_172,tove,,,,,21,light,184,full,backed off", "knock"),
    ):
        text = (demo_copy / "runs.csv").read_text(encoding="utf-8")
        spoilt = text.replace("state,note", "state,exclude").replace(old, new)
        assert spoilt != text
        (demo_copy / "runs.csv").write_text(spoilt, encoding="utf-8")
        found = after(demo_copy, 13)
        assert (found.code, found.why) == ("stop", why)
        (demo_copy / "runs.csv").write_text(text, encoding="utf-8")


def test_a_setup_that_something_else_shuts_stops_as_soon_as_it_is_ridden(demo_copy, edit):
    edit("session.toml", 'highest_ethanol = "10 %"', 'highest_ethanol = "5 %"')
    found = after(demo_copy, 14)
    assert (found.setup, found.code, found.why) == ("big_172_e10", "stop", "closed")
    assert found.combination.gate.code == "ethanol"
    assert after(demo_copy, 13).code != "stop"


def test_knock_closes_setups_that_were_not_ridden_yet(demo_copy):
    found = after(
        demo_copy,
        10,
        change=(
            "10,big_172,ilmar,47,69,12.9,13.1,21,none",
            "10,big_172,ilmar,47,69,12.9,13.1,21,heavy",
        ),
    )
    # The richest so far: the mixture does not explain it, so the whole engine is shut.
    assert (found.code, found.why) == ("stop", "knock")
    assert set(found.shut) == {"big_150", "big_164", "big_172_e10", "big_185"}


@pytest.mark.parametrize(
    "columns", [("gauge_low", "gauge_high"), ("entry_speed [km/h]", "exit_speed [km/h]")]
)
def test_half_of_the_evidence_never_decides(demo_copy, columns):
    path = demo_copy / "runs.csv"
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    at = [head.split(",").index(column) for column in columns]
    emptied = []
    for row in rows[:21]:
        cells = row.split(",")
        for place in at:
            cells[place] = ""
        emptied.append(",".join(cells))
    path.write_text("\n".join([head, *emptied]) + "\n", encoding="utf-8")
    results, found = interim_of_folder(demo_copy, planned=1)
    half = "gauge" if "gauge_low" in columns else "speeds"
    assert half in results.plan.missing
    assert found.code == "ridden"
    assert "decided" not in words.interim_sentences(results, found, "metric").plain().replace(
        "it is not decided", ""
    )


def test_a_setup_with_some_odds_of_being_lean_may_be_ridden_on_in_a_test(results):
    closed = closed_setups(results)
    assert set(closed) == {"big_150", "big_164"}
    e10 = next(one for one in results.combinations if one.setup == "big_172_e10")
    assert e10.gate.code == "lean"
    assert e10.lambda_.value < results.band.highest


def test_what_ends_with_a_setup_before_and_after_it_was_ridden(results):
    names = tuple(results.session.setups)
    known = richness_of(results.session, results)
    ended = ended_with("big_164", names, known, results)
    assert set(ended["lean"]) == {"big_150", "big_172_e10"}
    assert "stock" not in ended["knock"]
    assert "big_185" not in ended["knock"]
    # Before a run: by flow and fuel alone; what is not known counts against it.
    before = Richness(
        engine={"a": "big", "b": "big", "c": "big", "d": "small"},
        air_kg_s={"a": 2.0, "b": 3.0, "d": 1.0},
    )
    assert ended_with("a", ("a", "b", "c", "d"), before)["lean"] == ("c",)
    assert ended_with("b", ("a", "b", "c", "d"), before)["knock"] == ("a", "c")
    assert ended_with("new", ("a", "new"), before)["knock"] == ("a",)


def test_a_knock_of_which_nobody_said_how_loud(demo_copy):
    """ "yes" stops as any other knock does, and no level is made up for it."""
    path = demo_copy / "runs.csv"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("21,none,180,full", "21,yes,180,full", 1), encoding="utf-8")
    assert ",yes," in path.read_text(encoding="utf-8")
    results = analyse(load_session(demo_copy))
    heard = next(one for one in results.knocks if one.level == "heard")
    assert heat.knock_sentence(heard) == f"knock was heard on run {heard.run:g}"
    found = interim(results, heard.run, planned=3)
    assert (found.code, found.why) == ("stop", "knock")
    assert "Stop: knock was heard on run" in str(words.interim_sentences(results, found, "metric"))


def knocked_earlier(path):
    """The third run of a setup knocked; a later one of it was quiet."""
    lines = path.read_text(encoding="utf-8").splitlines()
    head = lines[0].split(",")
    at, setup = head.index("knock"), head.index("setup")
    own = [i for i, line in enumerate(lines) if i and line.split(",")[setup] == "big_172"]
    cells = lines[own[0]].split(",")
    cells[at] = "heavy"
    lines[own[0]] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return int(lines[own[0]].split(",")[0]), int(lines[own[1]].split(",")[0])


def test_a_setup_that_knocked_before_stops_though_the_last_run_was_quiet(demo_copy):
    heard, quiet = knocked_earlier(demo_copy / "runs.csv")
    found = interim(analyse(load_session(demo_copy)), quiet, planned=9)
    assert (found.code, found.why) == ("stop", "knock")
    assert (found.knock.run, found.knock.level) == (heard, "heavy")


def test_a_lean_run_ends_what_is_no_richer_on_its_own_engine_alone(results):
    found = interim(results, 6, planned=9)
    assert (found.why, found.setup) == ("lean", "big_164")
    # Not big_172 and big_185, which are richer, and not stock, which is another engine.
    assert found.shut == ("big_150", "big_172_e10")


def test_the_last_row_of_an_unfinished_session_is_read_by_itself(tmp_path):
    write_new_session(tmp_path / "fresh")
    path = tmp_path / "fresh" / "runs.csv"
    head = path.read_text(encoding="utf-8")
    keys = head.splitlines()[-1].split(",")

    def last(**cells):
        named = {key.partition(" [")[0]: "" for key in keys} | {"run": "1", "setup": "before"}
        path.write_text(head + ",".join((named | cells).values()) + "\n", encoding="utf-8")
        return interim_of_folder(tmp_path / "fresh", planned=3)[1]

    assert last(head_temperature="150").code == "unknown"
    assert (last(head_temperature="260").code, last(head_temperature="260").why) == ("stop", "heat")
    assert last(knock="light").why == "knock"
    assert last(knock="none").code == "unknown"


def test_a_setup_is_known_by_its_own_name_then_by_its_parts(demo_folder, tmp_path):
    """Two setups of the same parts, and one that was never ridden."""
    outing = Outing(demo_folder, tmp_path / "outing")
    outing.setup("twin", like="big_172").setup("unridden", like="big_172_e10", injector="i185")
    outing.full("big_172")[0]["setup"] = "twin"
    results = outing.results()
    for name in ("big_172", "twin"):
        assert combination_of(results, name).setup == name
    one = combination_of(results, "unridden")
    assert (one.setup, one.injector, one.fuel) == (None, "i185", "e10")
    # Named, not ridden: what is known of its parts is what the other one of them showed.
    outing.full("twin")[0]["setup"] = "big_172"
    assert combination_of(outing.results(), "twin").setup == "big_172"
