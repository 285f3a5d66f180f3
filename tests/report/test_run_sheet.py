"""The run sheet and the checklists as somebody holds them."""

import dataclasses
import functools
import html
import re

import pytest

from tests.browser import chromium
from tests.lab.panels import labelled, words
from tests.outing import Outing
from tuninglib.__main__ import main
from tuninglib.analysis.day_plan import FirstPass, start_of
from tuninglib.lab.plan import plan
from tuninglib.report import cautions
from tuninglib.report.roadside import ON_THE_PHONE
from tuninglib.report.run_sheet import (
    HABITS,
    KNOCK_ENDS,
    ROWS_ON_A_PAGE,
    Heading,
    box,
    checklists,
    edge_text,
    end_the_run,
    run_sheet,
    stop_in_brief,
    whose_limits,
    why_first,
)
from tuninglib.session.defaults import Band
from tuninglib.session.edit import write_new_session
from tuninglib.session.load import load_session
from tuninglib.statistics.planning import run_order

SETUPS = ("stock", "big_172_and_more", "big_172_e10", "big_185")
GIVEN = FirstPass(setups=SETUPS, source="given", unknown=SETUPS)


limits_of = functools.cache(lambda folder: start_of(folder).limits)


def sheet(folder, *, system="metric", first_pass=GIVEN, repeats=6, **limits) -> str:
    order = run_order(SETUPS, repeats=repeats, riders=("tove", "ilmar"))
    title = "A rather long title of an outing on the quarry lane, second weekend"
    own = dataclasses.replace(limits_of(folder), **limits)
    fuels = dict.fromkeys(SETUPS, "e5 of the station")
    return run_sheet(order, Heading(title, system, fuels, own, first_pass))


def text_of(page: str) -> str:
    bare = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(bare).replace("\u00a0", " ").split())


def test_the_sheet_says_when_to_end_a_run(demo_folder):
    said = text_of(sheet(demo_folder))
    for sentence in (
        "At the first rattle or ping. Do not ride that setup again, nor any leaner one.",
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


def test_beside_the_clock_the_same_rules_stand_in_one_line(demo_folder):
    own = limits_of(demo_folder)
    said = "End the run: at the first rattle; leaner than {}; head above {}; anything that smells, "
    said += "leaks, slips or feels loose."
    assert stop_in_brief(own, "metric") == said.format("13.2 on this gauge", "about 230 °C")
    liquid = dataclasses.replace(own, liquid=True, hottest_k=488.15, hottest_is_stated=True)
    assert stop_in_brief(liquid, "metric") == said.format(
        "13.2 on this gauge", "215 °C, or the coolant above its usual"
    )
    unknown = dataclasses.replace(own, band=None)
    assert "leaner than your target band; head above about 445 °F;" in stop_in_brief(unknown, "us")


def test_the_sheet_has_room_for_what_no_run_says(demo_folder):
    said = text_of(sheet(demo_folder, system="us"))
    assert "air pressure [inHg]" in said
    assert "wind along the hill [mph]" in said
    assert "tyre pressures" in said


def test_whose_the_limits_are_is_said_of_each(demo_folder):
    own = limits_of(demo_folder)
    edge = "Lambda is the lean edge of your target band"
    thumb = "the head's limit is a rule of thumb, as you state none."
    moved = ", moved from 0.90 to the rich side for minutes of full load on an air-cooled engine"
    look = "; look up what your gauge shows there, since session.toml does not say"
    stated = {"hottest_k": 488.15, "hottest_is_stated": True}
    for changes, said in (
        ({}, f"{edge}; {thumb}"),
        ({"band": Band(0.83, 0.88, 0.90)}, f"{edge}{moved} (see [use]); {thumb}"),
        ({"reading": None} | stated, f"{edge}{look}; the head's limit is yours."),
        ({"band": None}, f"T{thumb[1:]}"),
    ):
        assert whose_limits(dataclasses.replace(own, **changes)) == said
    # On a gauge that shows lambda the edge is not said twice.
    in_lambda = dataclasses.replace(own, reading=0.90, resolution=0.01)
    assert edge_text(in_lambda) == "lambda 0.90"
    assert edge_text(own) == "13.2 on this gauge (lambda 0.90)"
    # The panels have all of it in one box.
    said = str(box(own, "metric"))
    for sentence in (*end_the_run(own, "metric"), whose_limits(own), *HABITS, KNOCK_ENDS):
        assert sentence in said


def test_the_sheet_marks_each_change_and_says_what_is_only_for_tests(demo_folder):
    for repeats, height in ((2, "8.5"), (5, "6.2"), (9, "5.2")):
        # As high as 125 mm allow, but no higher than two lines and no lower than a pencil's.
        assert f"--row-height: {height}mm" in sheet(demo_folder, repeats=repeats)
    assert ROWS_ON_A_PAGE * 5.2 < 125 < (ROWS_ON_A_PAGE + 1) * 5.2
    order = run_order(SETUPS, repeats=2, riders=("tove", "ilmar"))
    watched = ("big_172_e10", "big_164")
    heading = Heading("An outing", "metric", {}, limits_of(demo_folder), GIVEN, watched)
    page = run_sheet(order, heading)
    said = text_of(page)
    # A mark where something is to be changed, on the first run, too, and nowhere else.
    changes = 1 + sum(a != b for a, b in zip(order.setups, order.setups[1:], strict=False))
    assert page.count("<b>▸ ") == changes
    assert page.count('class="swap"') == changes - 1
    only = "May run lean, so only for tests with an eye on the gauge, not for riding: big 172 e10."
    assert f"strike them out. {only}" in said
    assert "May run lean" not in text_of(sheet(demo_folder))
    assert "Order: From rich to lean on each engine." in text_of(
        sheet(demo_folder, first_pass=FirstPass(setups=SETUPS, source="gauge"))
    )
    assert why_first(GIVEN).endswith("of stock, big 172 and more, big 172 e10 and big 185.")


@pytest.fixture(scope="module")
def browser():
    with chromium() as one:
        yield one


def shown(browser, folder, text, paper) -> tuple:
    """On how many pages of a paper a sheet stands, and how wide it is on a phone."""
    path = folder / "sheet.html"
    path.write_text(text, encoding="utf-8")
    page = browser.new_page(viewport={"width": 320, "height": 800})
    page.goto(path.as_uri())
    width, printed = page.evaluate("document.documentElement.scrollWidth"), page.pdf(format=paper)
    page.close()
    return len(re.findall(rb"/Type\s*/Page\b", printed)), width


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_full_sheet_is_one_page(browser, demo_folder, tmp_path, paper):
    for repeats, pages in ((4, 1), (ROWS_ON_A_PAGE // len(SETUPS), 1), (9, 2)):
        text = sheet(demo_folder, repeats=repeats, liquid=True)
        assert text.count("<tr") == 1 + repeats * len(SETUPS)
        printed, width = shown(browser, tmp_path, text, paper)
        assert printed == pages
        assert width <= 320
    assert "<main>" in text


# The command ------------------------------------------------------------------------------------


def test_plan_writes_page_and_sheet_and_says_how_to_open_it(demo_copy, capsys):
    assert main(["plan", str(demo_copy)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[0].startswith("Runs: 3 of each setup, 12 in all: a gain of 10.0 % or more")
    assert [line for line in said if line.startswith("Left out: big 150: light knock was heard")]
    sheet, page = (demo_copy / name for name in ("run_sheet.html", "roadside.html"))
    assert said[-5:] == [
        f"Written: {sheet}; open it in a browser and print it.",
        f"Written: {page}; open it on the phone, in its browser.",
        *(f"{label}: {text}" for label, text in ON_THE_PHONE.items()),
    ]
    assert len(ON_THE_PHONE) == 3
    before = page.read_text(encoding="utf-8")
    assert "When this page was made" in before
    # The same again writes nothing anew; another plan keeps the earlier one.
    assert main(["plan", str(demo_copy)]) == 0
    assert not list(demo_copy.glob("*.earlier-*"))
    assert main(["plan", str(demo_copy), "--gain", "20 %"]) == 0
    assert "Kept: the earlier one is roadside.earlier-1.html." in capsys.readouterr().out
    assert (demo_copy / "roadside.earlier-1.html").read_text(encoding="utf-8") == before
    assert page.read_text(encoding="utf-8") != before


@pytest.mark.parametrize("gain", ["0", "-5", "x", "nan", "101"])
def test_a_gain_that_is_none_is_refused(demo_folder, capsys, gain):
    with pytest.raises(SystemExit) as refused:
        main(["plan", str(demo_folder), "--gain", gain])
    assert refused.value.code == 2
    assert f"{gain!r} is not a gain; write a percentage from 1 to 100" in capsys.readouterr().err


def test_a_plan_that_cannot_be_says_why_and_writes_nothing(tmp_path, demo_copy, capsys):
    assert main(["plan", str(demo_copy), "--gain", "1"]) == 2
    assert "takes more than 120 runs; compare fewer setups" in capsys.readouterr().err
    assert not (demo_copy / "roadside.html").exists()
    assert main(["plan", str(tmp_path / "none")]) == 2
    assert "session.toml: is missing from the folder 'none'" in capsys.readouterr().err


def test_a_session_to_fill_in_can_be_planned(tmp_path, capsys):
    write_new_session(tmp_path / "new", "us")
    assert main(["plan", str(tmp_path / "new")]) == 0
    page = (tmp_path / "new" / "roadside.html").read_text(encoding="utf-8")
    assert "445 °F" in page
    assert "When this page was made" not in page


# The checklists -----------------------------------------------------------------------------------

# What somebody may be hurt by who does not read it.
SAFETY = (
    "Once, after the engine was opened",
    "before any full throttle; about ten heat cycles",
    "head and cylinder fasteners at the maker's torque, in the maker's order",
    "Oil and filter changed after running in; the oil looked at for metal.",
    "Compression, or a leak-down, written down for later.",
    "Before the ride",
    "The road is closed or quiet, and what we do on it is within the law and its limits.",
    "Full protective gear; somebody knows where we are and when we are back",
    "Dry, in daylight, run-out behind the marker clear, turning place agreed.",
    "Tyres, brakes, chain, throttle return are in order; every fastener touched is tight.",
    "within what the maker allows; no line weeps",
    "away from flames and hot parts; no engine runs in a closed room.",
    "Never leaner to win a marker speed. Who reads the gauge does not steer by it.",
    "no water runs into it; no gasket or joint ahead of it leaks.",
    "Wires and hoses are tied off hot and turning parts, and leave the steering free.",
    "the same clothes, the same tyre pressures on every run.",
    "Before the ride home",
    "Test gear is off: gauge, wires, camera, tape.",
    "The sensor's hole has its plug again; guards and covers are back on.",
    "Every fastener that was touched is tight; no leak of fuel, oil or exhaust.",
    "Fuel cans are closed and out of the sun",
    "no specks of aluminium, no melted edge, which are signs of knock.",
    "Piston crown through the plug's hole: no pitted or bright edge.",
    "Months later",
    "Valve clearance, and the compression against what was written down.",
    "Fuel line and connector: dry, no crack, clip on.",
    "Exhaust joints and the sensor's plug: no soot beside them.",
    "Chain, sprockets and clutch: more pull wears them sooner.",
    "Undoing it all",
    "The engine is cold, the fuel line without pressure, the battery's minus off.",
    "What the ECU has learned is cleared, if it can be",
    "Insurer and registration are informed, if they were informed of the change.",
)


def test_the_lists_are_written_from_the_plan(demo_copy):
    panel = plan(demo_copy)
    labelled(panel, "Write the checklists").click()
    assert "checklists.html; open it in a browser and print it." in words(panel)
    page = (demo_copy / "checklists.html").read_text(encoding="utf-8")
    assert "Checklists: DEMO, INVENTED: Bigger cylinder on the quarry lane" in page
    assert not re.search(r"<(?:script|link|iframe|object)|url\(|@import", page)
    said, at = text_of(page), 0
    # In this order, so that each stands under its own heading.
    for sentence in SAFETY:
        assert sentence in said[at:], sentence
        at = said.index(sentence, at)
    assert "a licensed mechanic come before this sheet" in said


def test_names_are_text_in_it():
    assert "<img" not in checklists("<img src=x onerror=y>")


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_two_pages_at_the_most(browser, tmp_path, paper):
    pages, width = shown(browser, tmp_path, checklists("An outing"), paper)
    assert pages <= 2
    assert width <= 320


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
def test_full_throttle_before_running_in_is_asked_about(demo_folder, results, tmp_path, keys, said):
    outing = Outing(demo_folder, tmp_path / "outing").key("engines.big", **keys)
    other = dataclasses.replace(results, session=load_session(outing.save()))
    found = [one for one in cautions.remarks(other) if "running in" in one]
    assert len(found) == (said is not None)
    if said is not None:
        assert said in found[0]
        assert "engine 'big'" in found[0]
