import re

from tests.analysis.test_day_plan import day
from tests.lab.panels import labelled, words
from tuninglib.analysis.day_plan import start_of
from tuninglib.lab.plan import names_in, plan, write_sheet
from tuninglib.report.run_sheet import AFTER, BEFORE


def test_the_plan_starts_from_the_session_and_leaves_out_what_knocked(demo_folder, results):
    start = start_of(demo_folder)
    assert start.scatter == results.road.scatter_sd
    assert set(start.knocked) == set(results.knocked)
    assert not set(start.setups) & set(results.knocked)
    panel = plan(demo_folder)
    assert "knocked in this session" not in words(panel)
    labelled(panel, "setups").value = f"stock, {start.knocked[0]}"
    assert "knocked in this session" in words(panel)


def test_the_run_sheet_puts_safety_first_and_escapes_names(demo_folder, tmp_path):
    start = start_of(demo_folder)
    nasty = '<img src=x onerror="y">'
    planned = day(setups=("stock", nasty), gain=0.2)
    write_sheet(planned, start, tmp_path / "sheet.html")
    page = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "<img" not in page
    for sentence in (*BEFORE, *AFTER):
        assert sentence.replace("'", "&#39;") in page
    assert page.index("On the first knock") < page.index("<table")
    assert page.count("<tr") == 1 + len(planned.order.setups)
    assert not re.search(r"<(?:script|link|iframe|object)|url\(|@import", page)


def test_an_earlier_run_sheet_is_kept(demo_folder, tmp_path):
    start, path = start_of(demo_folder), tmp_path / "sheet.html"
    write_sheet(day(), start, path)
    first = path.read_bytes()
    write_sheet(day(), start, path)
    assert list(tmp_path.iterdir()) == [path]
    write_sheet(day(gain=0.2), start, path)
    assert (tmp_path / "sheet.earlier-1.html").read_bytes() == first


def test_names_are_split_at_commas_once():
    assert names_in(" a, b ,,a, big 2 ") == ("a", "b", "big 2")
