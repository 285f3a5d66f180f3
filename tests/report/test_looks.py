"""What a typographer would measure: letters, ticks, colours, tables, length, what is pressed."""

import base64
import io
import re

import numpy as np
import pytest
from matplotlib.image import imread

from tests.browser import chromium
from tests.conftest import EVENING
from tuninglib.report.make import make_report
from tuninglib.report.page_parts import LETTER_PT

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PHONE, DESK, SCREEN = 390, 1280, 844
WIDEST = 34 * 16
FIGURES = """[...document.querySelectorAll('figure img')].filter(i => i.checkVisibility()).map(
    i => [i.src, i.getBoundingClientRect().width])"""


@pytest.fixture(scope="module")
def reports(written, tmp_path_factory):
    """Pages of the demo, and of one with many figures."""
    evening = make_report(EVENING, tmp_path_factory.mktemp("evening"))
    return {"demo": written.page, "summary": written.summary, "evening": evening.page}


@pytest.fixture(scope="module")
def browser(reports):
    # After the reports: playwright's loop must not be running while a workbook is.
    with chromium() as running:
        yield running


@pytest.fixture(scope="module")
def sheet(browser):
    """One page for all of them."""
    context = browser.new_context(offline=True)
    yield context.new_page()
    context.close()


@pytest.fixture
def opened(sheet, reports):
    """A report at a width, with all parts open where that is asked for."""

    def show(name="demo", width=PHONE, *, parts=False, scheme="light", media="null"):
        sheet.set_viewport_size({"width": width, "height": SCREEN})
        sheet.emulate_media(color_scheme=scheme, media=media)
        sheet.goto(reports[name].as_uri())
        if parts:
            sheet.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
        return sheet

    return show


def drawings(page) -> list:
    """SVG and shown width of every figure that can be seen."""
    return [
        (base64.b64decode(src.partition(",")[2]).decode(), width)
        for src, width in page.evaluate(FIGURES)
    ]


def letters_px(svg: str, width: float) -> set:
    """Sizes of all texts of a figure as they are shown."""
    natural_pt = float(re.search(r'<svg[^>]* width="([\d.]+)pt"', svg)[1])
    # Outlines of letters are drawn 100 units to their size.
    return {float(one) * 100 * width / natural_pt for one in re.findall(r"scale\(([\d.]+) -", svg)}


@pytest.mark.parametrize("name", ["demo", "evening"])
@pytest.mark.parametrize("width", [PHONE, DESK])
def test_letters_of_figures_are_as_large_as_the_text(opened, name, width):
    page = opened(name, width, parts=True)
    text = page.locator("main p").first.evaluate("p => parseFloat(getComputedStyle(p).fontSize)")
    text = min(text, 16.8)
    found = drawings(page)
    assert len(found) == {"demo": 3, "evening": 6}[name]
    for svg, wide in found:
        assert wide <= WIDEST
        assert letters_px(svg, wide), "there are letters"
        assert all(abs(size - text) <= 1 for size in letters_px(svg, wide)), letters_px(svg, wide)


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_figures_are_as_wide_in_print_as_they_should_be(opened, width):
    page = opened("demo", width, media="print")
    for svg, wide in drawings(page):
        assert wide == pytest.approx(11.5 / 2.54 * 96, abs=1)
        assert min(letters_px(svg, wide)) > 0.75 * LETTER_PT


def luminance(rgb):
    """Relative luminance of WCAG 2.2."""
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return linear @ np.array([0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_both_colours_stand_out_from_the_paper(opened, scheme):
    page = opened("demo", DESK, scheme=scheme)
    image = page.locator("figure img.wide:visible").last
    pixels = imread(io.BytesIO(image.screenshot()))[..., :3].reshape(-1, 3)
    paper = luminance(pixels[-1])
    assert (paper > 0.9) == (scheme == "light"), "no paper of its own"
    light = luminance(pixels)
    contrast = (np.maximum(light, paper) + 0.05) / (np.minimum(light, paper) + 0.05)
    red, _, blue = pixels.T
    for colour in (blue - red, red - blue):
        # The lines themselves, not what is pale beside them.
        assert np.median(contrast[colour > 0.85 * colour.max()]) >= 3.0
    ink = contrast[pixels.max(axis=1) - pixels.min(axis=1) < 0.08].max()
    assert ink >= 7.0


# Tables -------------------------------------------------------------------------------------------


def test_what_decides_is_seen_without_scrolling_and_numbers_are_not_broken(opened):
    page = opened(parts=True)
    tables = page.locator("div.table").evaluate_all(
        """all => all.map(t => [t.getAttribute('aria-label'),
        t.querySelectorAll('thead th')[1].getBoundingClientRect().right,
        [...t.querySelectorAll('td.number, td.interval')].map(
            c => [getComputedStyle(c).whiteSpace, getComputedStyle(c).fontVariantNumeric])])"""
    )
    assert len(tables) > 10
    for name, right, cells in tables:
        assert right <= PHONE, name
        for space, digits in cells:
            assert space == "nowrap"
            assert set(digits.split()) == {"lining-nums", "tabular-nums"}
    assert sum(len(cells) for *_, cells in tables) > 100


def test_figures_and_tables_are_numbered_and_folds_say_what_they_are(opened):
    page = opened(parts=True)
    for what, place in (("Figure", "figcaption b"), ("Table", "main details caption")):
        found = page.locator(place).evaluate_all("all => all.map(e => e.textContent)")
        numbers = [int(re.match(rf"{what} (\d+)[:.]", one)[1]) for one in found]
        assert numbers == list(range(1, len(numbers) + 1))
        assert len(numbers) > 1
    folds = page.locator(".numbers > summary").all_inner_texts()
    assert all(re.match(r"Table \d+: ", one) for one in folds)


# Length -------------------------------------------------------------------------------------------


def pages_of(page, paper: str) -> int:
    return len(re.findall(rb"/MediaBox", page.pdf(format=paper)))


def test_the_report_is_short(opened):
    """Towards 1,000 words, 8 screens of a phone and 5 printed pages; now no more than this."""
    page = opened()
    assert len(page.locator("main").inner_text().split()) <= 1000
    assert page.evaluate("document.documentElement.scrollHeight") / SCREEN <= 8.3
    page = opened(width=DESK)
    assert pages_of(page, "A4") <= 6
    assert pages_of(page, "Letter") <= 6


def test_the_summary_is_short_and_has_the_picture_and_one_line_of_what_was_ridden(opened):
    page = opened("summary")
    assert page.evaluate("document.documentElement.scrollHeight") / SCREEN <= 2.15
    assert len(drawings(page)) == 1
    said = page.locator("main").inner_text().replace("\u00a0", " ")
    for text in ("Ride now: big 172", "Watch: on e10", "Stop at the first knock", "Not to be"):
        assert text in said
    line = page.locator(".byline").inner_text().replace("\u00a0", " ")
    assert re.fullmatch(
        r"16 May 2026: 124 kg bike, 204 cc cylinder, 400 m at 6\.0 %, tove and ilmar, 21 "
        r"full-throttle runs\.",
        line,
    )
    for paper in ("A4", "Letter"):
        assert pages_of(page, paper) == 1


def test_a_short_table_is_not_broken_over_two_pages(opened):
    page = opened("demo", DESK, media="print")
    short = page.locator("div.table").evaluate_all(
        """all => all.filter(t => t.querySelectorAll('tbody tr').length <= 10).map(
            t => getComputedStyle(t).breakInside)"""
    )
    assert len(short) > 8
    assert set(short) == {"avoid"}


# What is pressed ----------------------------------------------------------------------------------


def test_what_is_pressed_is_large_enough_and_the_way_past_the_top_is_seen(opened):
    page = opened()
    page.locator("nav summary").click()
    for place, least in (("summary", 44), ("nav a", 24)):
        sizes = page.locator(place).evaluate_all(
            "all => all.filter(e => e.checkVisibility()).map(e => e.getBoundingClientRect().height)"
        )
        assert len(sizes) > 8
        assert min(sizes) >= least
    page.keyboard.press("Tab")
    page.locator(".skip").focus()
    assert page.locator(".skip").evaluate("e => getComputedStyle(e).outlineStyle") == "solid"
