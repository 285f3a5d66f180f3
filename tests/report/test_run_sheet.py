"""The run sheet as somebody holds it: the rules that end a run, and all of it on one page."""

import dataclasses
import html
import re

import pytest

from tests.browser import chromium
from tuninglib.analysis.day_plan import FirstPass, start_of
from tuninglib.report.run_sheet import ROWS_ON_A_PAGE, Heading, run_sheet
from tuninglib.session.defaults import Band
from tuninglib.statistics.planning import run_order

SETUPS = ("stock", "big_172_and_more", "big_172_e10", "big_185")
GIVEN = FirstPass(setups=SETUPS, source="given", unknown=SETUPS)


def sheet(folder, *, system="metric", first_pass=GIVEN, repeats=6, **limits) -> str:
    order = run_order(SETUPS, repeats=repeats, riders=("tove", "ilmar"))
    title = "A rather long title of an outing on the quarry lane, second weekend"
    own = dataclasses.replace(start_of(folder).limits, **limits)
    fuels = dict.fromkeys(SETUPS, "e5 of the station")
    return run_sheet(order, Heading(title, system, fuels, own, first_pass))


def text_of(page: str) -> str:
    bare = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(bare).replace("\u00a0", " ").split())


def test_the_sheet_says_when_to_end_a_run(demo_folder):
    said = text_of(sheet(demo_folder))
    for sentence in (
        "At the first rattle or ping. Ride that setup no more, nor any leaner one.",
        "leaner than 13.2 on this gauge (lambda 0.90) after two seconds of full throttle.",
        "hotter than about 230 °C at the spark plug.",
        "When anything smells, leaks, slips or feels loose.",
        "Write down the gauge's steady range after two or three seconds of full throttle, not the "
        "extremes of the whole run. Before each run let the engine cool to the same head "
        "temperature.",
        "Order: As you named them; check that the richest comes first.",
        "A setup that knocks ends all leaner ones: strike them out.",
    ):
        assert sentence in said
        assert said.index(sentence) < said.index("entry speed")


def test_the_sheet_speaks_the_riders_units_and_the_bands_own_edge(demo_folder):
    by_flow = FirstPass(setups=SETUPS, source="flow", reference_first=True)
    moved = {"band": Band(0.83, 0.88, 0.90), "reading": 12.9}
    said = text_of(sheet(demo_folder, system="us", first_pass=by_flow, **moved))
    assert "leaner than 12.9 on this gauge (lambda 0.88)" in said
    assert "hotter than about 445 °F at the spark plug." in said
    assert "The reference, as its mixture is known; then from rich to lean on each engine." in said
    said = text_of(sheet(demo_folder, hottest_k=488.15, hottest_is_stated=True, liquid=True))
    assert "hotter than 215 °C, or the coolant hotter than usual." in said
    assert "leaner than lambda 0.90 after" in text_of(sheet(demo_folder, reading=None))
    assert "leaner than your target band after" in text_of(sheet(demo_folder, band=None))


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_full_sheet_is_one_page(demo_folder, tmp_path, paper):
    path = tmp_path / "sheet.html"
    with chromium() as browser:
        page = browser.new_page()
        for repeats, pages in ((4, 1), (ROWS_ON_A_PAGE // len(SETUPS), 1), (9, 2)):
            text = sheet(demo_folder, repeats=repeats, liquid=True)
            assert text.count("<tr") == 1 + repeats * len(SETUPS)
            path.write_text(text, encoding="utf-8")
            page.goto(path.as_uri())
            printed = page.pdf(format=paper)
            assert len(re.findall(rb"/Type\s*/Page\b", printed)) == pages
