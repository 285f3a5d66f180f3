"""The checklists as somebody prints them, and the question about running in."""

import re

import pytest

from tests.browser import chromium
from tests.lab.panels import labelled, words
from tests.outing import Outing
from tuninglib.lab.plan import plan
from tuninglib.report import cautions
from tuninglib.report.run_sheet import LISTS, checklists


def test_the_lists_are_written_from_the_plan(demo_copy):
    panel = plan(demo_copy)
    labelled(panel, "Write the checklists").click()
    assert "checklists.html; open it in a browser and print it." in words(panel)
    page = (demo_copy / "checklists.html").read_text(encoding="utf-8")
    assert "Checklists: Bigger cylinder on the quarry lane" in page
    for heading, sentences in LISTS:
        assert heading in page
        assert sentences
    assert not re.search(r"<(?:script|link|iframe|object)|url\(|@import", page)
    for said in ("before any full throttle", "no specks of aluminium", "learnt is cleared",
                 "a licensed mechanic go before this sheet"):  # fmt: skip
        assert said in page


def test_names_are_text_in_it():
    assert "<img" not in checklists("<img src=x onerror=y>")


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_two_pages_at_the_most(tmp_path, paper):
    path = tmp_path / "lists.html"
    path.write_text(checklists("An outing"), encoding="utf-8")
    with chromium() as browser:
        page = browser.new_page(viewport={"width": 390, "height": 800})
        page.goto(path.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper))) <= 2


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({}, None),
        ({"running_in": "300 km"}, "300 km of running in: was it run in? Write since_opened"),
        ({"running_in": "300 km", "since_opened": "50 km"}, "throttle 50 km after it was opened"),
        ({"running_in": "300 km", "since_opened": "300 km"}, None),
        ({"since_opened": "10 km"}, None),
    ],
)
def test_full_throttle_before_running_in_is_asked_about(demo_folder, tmp_path, keys, said):
    results = Outing(demo_folder, tmp_path / "outing").key("engines.big", **keys).results()
    found = [one for one in cautions.remarks(results) if "running in" in one]
    assert len(found) == (said is not None)
    if said is not None:
        assert said in found[0]
        assert "engine big" in found[0]
