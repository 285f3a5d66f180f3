"""The report page in a real browser: reading it, printing it, and asking it for yourself."""

import random
import re
import shutil
import subprocess
from contextlib import contextmanager

import pytest

from tests.browser import chromium, shown
from tuninglib.analysis import what_if
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.what_if import Question
from tuninglib.interval import Interval
from tuninglib.report import what_if as fellow
from tuninglib.report.make import make_report
from tuninglib.rounding import fixed, interval_text, quantity_text
from tuninglib.session.load import load_session

pytestmark = pytest.mark.browser

PHONE, DESK = 390, 1280
NASTY = "</script><script>document.title='ran'</script><img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def reports(demo_folder, tmp_path_factory):
    """Page and results of the demo as it is, and of a copy that differs in all that matters."""
    made = {}
    for name, changes in {
        "demo": (),
        "other": (
            ('units = "metric"', 'units = "us"'),
            ('headwind = "0 +/- 1.5 m/s"', 'headwind = "1.2 +/- 0.8 m/s"'),
            ('density_compensation = "yes"', 'density_compensation = "no"'),
            ('[[hill.pieces]]\nlength = "150 m"\ngrade = "5.2 +/- 0.4 %"\n', ""),
            ('[[hill.pieces]]\nlength = "250 m"\ngrade = "6.5 +/- 0.4 %"\n', ""),
            ("[fuels.e10]", f'[fuels."{NASTY}"]\nethanol = "30 %"\n\n[fuels.e10]'),
        ),
    }.items():
        folder = tmp_path_factory.mktemp("asked") / name
        shutil.copytree(demo_folder, folder)
        text = (folder / "session.toml").read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        (folder / "session.toml").write_text(text, encoding="utf-8")
        made[name] = make_report(folder).page, analyse(load_session(folder))
    return made


@pytest.fixture(scope="module")
def browser(reports):
    # After the reports: playwright's loop must not be running while a workbook is.
    with chromium() as running:
        yield running


@pytest.fixture(scope="module")
def report(reports):
    return reports["demo"][0]


def run_of(results):
    return fellow._run_of(results)


@contextmanager
def asked(browser, path, **options):
    """A page whose own numbers are all open to be typed."""
    with shown(browser, path, **options) as page:
        page.evaluate("document.getElementById('ask-more').open = true")
        yield page


# Reading it -------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [320, PHONE, DESK])
def test_the_page_never_scrolls_sideways(browser, report, width):
    with shown(browser, report, width=width) as page:
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width
        # Not even with the longest answer in place.
        page.fill("#ask-mass", "999")
        page.select_option("#ask-fuel", "1")
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_link_into_a_folded_part_opens_it(browser, report):
    with shown(browser, report) as page:
        part = page.locator("details.section", has=page.locator("#every-run"))
        assert part.get_attribute("open") is None
        page.click("nav summary")
        page.click("nav a[href='#every-run']")
        assert part.get_attribute("open") is not None
        assert page.get_by_role("table", name=re.compile("Speeds as shown")).is_visible()


def test_all_parts_are_open_on_paper_and_shut_again_after_it(browser, report):
    with shown(browser, report) as page:
        shut = page.locator("details:not([open])")
        before = shut.count()
        assert before > 8
        page.evaluate("dispatchEvent(new Event('beforeprint'))")
        assert shut.count() == 0
        page.evaluate("dispatchEvent(new Event('afterprint'))")
        assert shut.count() == before


def test_what_is_to_be_read_at_once_is_short(browser, report):
    """What is folded is there for those who doubt; cautions are never folded."""
    with shown(browser, report, width=PHONE) as page:
        read = page.locator("main").inner_text().split()
        assert len(read) < 1500
        whole = page.evaluate("document.querySelector('main').textContent").split()
        assert len(whole) > 2.2 * len(read)
        headings = page.locator("main > h2").all_inner_texts()
        assert "Cautions" in headings
        assert page.locator("#cautions ~ .caution").first.is_visible()
        ride = page.get_by_text("Ride now:").bounding_box()
        assert ride["y"] + ride["height"] < 844, "the headline stands on the first screen"


def test_the_name_of_a_row_stays_when_a_wide_table_is_moved(browser, report):
    with shown(browser, report, width=PHONE) as page:
        box = page.locator(".numbers", has=page.get_by_text("Injectors, tried and to buy"))
        box.locator("summary").click()
        table = box.locator(".table")
        assert table.evaluate("t => t.scrollWidth > t.clientWidth + 50")
        before = table.locator("tbody th").first.bounding_box()["x"]
        table.evaluate("t => { t.scrollLeft = 200 }")
        assert table.locator("tbody th").first.bounding_box()["x"] == pytest.approx(before, abs=8)


@pytest.mark.slow
@pytest.mark.parametrize(("width", "scheme"), [(PHONE, "light"), (DESK, "dark")])
@pytest.mark.outside(source="axe-core, rules for WCAG 2 and good practice")
def test_no_barrier_is_found(browser, report, width, scheme):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    with asked(browser, report, width=width, color_scheme=scheme, bypass_csp=True) as page:
        page.select_option("#ask-fuel", "1")
        page.fill("#ask-grade", "99")
        found = axe.run(page, options={"resultTypes": ["violations", "passes"]}).response
    assert len(found["passes"]) > 20
    grave = [(v["id"], v["nodes"][0]["html"]) for v in found["violations"]]
    assert grave == []


# What the page may do ---------------------------------------------------------------------------


def test_one_changed_letter_and_the_script_does_not_run(browser, report, tmp_path):
    text = report.read_text(encoding="utf-8")
    assert "default-src 'none'" in text
    spoilt = tmp_path / "report.html"
    spoilt.write_text(text.replace("ask.hidden = false", "ask.hidden = !true"), encoding="utf-8")
    with (
        pytest.raises(AssertionError, match="Content Security Policy"),
        shown(browser, spoilt) as page,
    ):
        assert page.locator("#ask").is_hidden()


def test_what_people_typed_is_never_run(browser, reports):
    with shown(browser, reports["other"][0]) as page:
        assert page.title() != "ran"
        page.select_option("#ask-fuel", label=NASTY)
        assert NASTY in page.locator("#ask-mixture").inner_text()
        assert page.locator("#ask img").count() == 0
        assert page.title() != "ran"


def test_without_scripts_the_table_is_there_and_the_controls_are_not(browser, report):
    with shown(browser, report, java_script_enabled=False) as page:
        table = page.get_by_role("table", name=re.compile("under another rider"))
        assert table.is_hidden()
        page.locator(".numbers summary", has_text="under another rider").click()
        assert table.is_visible()
        assert "km/h" in table.inner_text()
        assert page.locator("#ask").is_hidden()


@pytest.mark.parametrize(("paper", "size"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_it_prints(browser, report, tmp_path, paper, size):
    printed = tmp_path / "report.pdf"
    with shown(browser, report) as page:
        page.pdf(path=printed, format=paper)
        page.emulate_media(media="print")
        assert page.locator("#ask").is_hidden()
        assert page.get_by_role("table", name=re.compile("under another rider")).is_visible()
    raw = printed.read_bytes()
    assert raw.startswith(b"%PDF")
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", raw)
    assert 1 < len(boxes) <= 8
    for width, height in boxes:
        assert (float(width), float(height)) == pytest.approx(size, abs=1)
    if shutil.which("pdftotext"):
        words = subprocess.run(
            ["pdftotext", "-layout", printed, "-"], capture_output=True, text=True, check=True
        ).stdout
        assert "Ride now: big 172" in " ".join(words.split())
        assert "Try your own numbers" not in words


# Asking it --------------------------------------------------------------------------------------


def grid(run, count=120):
    """Questions of every kind, gentle and absurd."""
    draw = random.Random(20260516)
    questions = [
        Question(),
        Question(rider_mass_kg=400.0),
        Question(lengths_m=(2000.0,), grade_ratios=(0.2,)),
    ]
    while len(questions) < count:
        asked = {}
        if draw.random() < 0.6:
            asked["rider_mass_kg"] = draw.uniform(40, 150)
        if draw.random() < 0.3:
            asked["entry_m_s"] = draw.uniform(0.6, 1.3) * run.entry_m_s
        if draw.random() < 0.5:
            asked["air_density_kg_m3"] = draw.uniform(0.8, 1.3)
            asked["output_factor"] = draw.uniform(0.9, 1.4)
        if draw.random() < 0.5:
            asked["headwind_m_s"] = draw.choice([0.0, draw.uniform(-6, 6)])
        if draw.random() < 0.5:
            pieces = draw.choice([1, 1, 2, 3])
            asked["lengths_m"] = tuple(draw.uniform(50, 900) for _ in range(pieces))
            asked["grade_ratios"] = tuple(draw.uniform(-0.02, 0.12) for _ in range(pieces))
        questions.append(Question(**asked))
    return questions


@pytest.mark.slow
@pytest.mark.parametrize("name", ["demo", "other"])
def test_the_script_does_the_same_sums(browser, reports, name):
    path, results = reports[name]
    questions = grid(run_of(results))
    expected = what_if.answers(run_of(results), questions)
    with asked(browser, path) as page:
        given = page.evaluate(
            "all => { const data = JSON.parse(document.getElementById('ask-data').textContent);"
            " return all.map(q => fellow.answer(data, q)); }",
            [{k: v for k, v in vars(q).items() if v is not None} for q in questions],
        )
    system = results.session.about.units
    answered = 0
    for theirs, ours in zip(given, expected, strict=True):
        assert theirs["refusal"] == ours.refusal
        for kind in ("at_force", "at_power"):
            one = getattr(ours, kind)
            if one is None:
                assert theirs[kind] is None
                continue
            answered += 1
            assert theirs[kind] == pytest.approx([one.value, one.low, one.high], rel=1e-9)
            texts = (quantity_text(x, "speed", system) for x in (one, Interval(*theirs[kind])))
            assert len(set(texts)) == 1
    assert answered > 100
    assert len({one.refusal for one in expected}) == 3


def test_a_wind_from_behind_that_is_faster_than_the_bike_is_refused(browser, reports):
    path, results = reports["demo"]
    question = {"entry_m_s": 3.0, "headwind_m_s": -4.0}
    (ours,) = what_if.answers(run_of(results), [Question(**question)])
    assert ours.refusal == "wind"
    with asked(browser, path) as page:
        code, sentence = page.evaluate(
            "q => { const data = JSON.parse(document.getElementById('ask-data').textContent);"
            " const code = fellow.answer(data, q).refusal; return [code, data.refusals[code]]; }",
            question,
        )
    assert code == ours.refusal
    assert sentence == "the wind from behind is faster than the bike"


def test_the_script_rounds_as_the_report_does(browser, report):
    draw = random.Random(7)
    intervals = []
    for _ in range(3000):
        half = 10 ** draw.uniform(-3, 3)
        value = draw.uniform(-1, 1) * 10 ** draw.uniform(-2, 3)
        intervals.append((value, value - half, value + half))
    # Just at the rule's own limits, and nothing but the value.
    intervals += [(10.0, 10 - h, 10 + h) for h in (0.125, 0.355, 0.3549, 0.95, 0.9499, 3.55, 95.0)]
    intervals.append((17.23456, 17.23456, 17.23456))
    ties = [(x / 8, n) for x in range(-41, 42) for n in range(-2, 4)]
    ties += [(5.0 * x, n) for x in range(-41, 42) for n in (-2, -1, 0)]
    with asked(browser, report) as page:
        texts = page.evaluate("all => all.map(i => fellow.intervalText(i, 'km/h'))", intervals)
        rounded = page.evaluate("all => all.map(([x, n]) => fellow.fixed(x, n))", ties)
    assert texts == [interval_text(Interval(*one), "km/h") for one in intervals]
    assert rounded == [fixed(*one) for one in ties]


def asked_in_si(results, values):
    """The question that these entries in the fields stand for."""
    run, system, asked = run_of(results), results.session.about.units, {}
    si = {name: value * fellow._factor(name, system) for name, value in values.items()}
    if "mass" in si:
        asked["rider_mass_kg"] = si["mass"]
    if "length" in si or "grade" in si:
        asked["lengths_m"] = (si.get("length", sum(run.lengths_m)),)
        asked["grade_ratios"] = (si.get("grade", fellow._mean_grade(run)),)
    if "altitude" in si:
        density, output = fellow.air_at_altitude(results.session, si["altitude"], setup=run.setup)
        asked |= {"air_density_kg_m3": float(density), "output_factor": float(output)}
    if "headwind" in si:
        asked["headwind_m_s"] = si["headwind"]
    if "entry" in si or "speedometer" in si:
        factor = results.road.speed_factor.value
        day = fellow._day_values(results, run)["entry"]
        asked["entry_m_s"] = si.get("entry", round_of("entry", day, system)) * (
            1 / (1 + si["speedometer"]) if "speedometer" in si else factor
        )
    return Question(**asked)


def round_of(name, value, system):
    """A day's value as its field shows it, in SI."""
    return float(fellow._number_field(name, value, system)["value"]) * fellow._factor(name, system)


def texts_of(results, values):
    (answer,) = what_if.answers(run_of(results), [asked_in_si(results, values)])
    system = results.session.about.units
    return [quantity_text(one, "speed", system) for one in (answer.at_force, answer.at_power)]


def texts_on(page):
    return [page.inner_text(f"#ask-at-{kind}") for kind in ("force", "power")]


METRIC = [
    {}, {"mass": 95}, {"mass": 62.5}, {"length": 350}, {"grade": 7.5}, {"altitude": 1234},
    {"altitude": 0}, {"headwind": 12}, {"headwind": -9}, {"entry": 40},
    {"entry": 40, "speedometer": 0}, {"speedometer": 9},
    {"mass": 110, "length": 300, "grade": 4.5, "altitude": 800, "headwind": 5},
]  # fmt: skip
US = [
    {}, {"mass": 215}, {"length": 1500, "grade": 5}, {"altitude": 4010}, {"headwind": 0},
    {"mass": 140, "altitude": 2500, "headwind": -4},
]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize(("name", "cases"), [("demo", METRIC), ("other", US)])
def test_what_is_typed_is_answered_as_python_answers_it(browser, reports, name, cases):
    path, results = reports[name]
    with asked(browser, path) as page:
        for values in cases:
            page.click("#ask-reset")
            for field, value in values.items():
                page.fill(f"#ask-{field}", str(value))
            assert texts_on(page) == texts_of(results, values), values
            assert page.inner_text("#ask-problem") == ""


def test_it_works_by_keyboard_alone(browser, reports):
    path, results = reports["demo"]
    start = round(run_of(results).rider_mass_kg)
    with asked(browser, path) as page:
        before = texts_on(page)
        page.focus("#ask-mass")
        for _ in range(5):
            page.keyboard.press("ArrowUp")
        assert page.input_value("#ask-mass") == str(start + 5)
        assert texts_on(page) == texts_of(results, {"mass": start + 5})
        assert texts_on(page) != before
        visited = []
        order = (
            "setup", "fuel", "", "length", "grade", "altitude", "headwind", "entry", "speedometer",
            "reset",
        )  # fmt: skip
        for _ in order:
            page.keyboard.press("Tab")
            visited.append(page.evaluate("document.activeElement.id"))
        assert visited == [name and f"ask-{name}" for name in order]
        page.keyboard.press("Enter")
        assert texts_on(page) == before
        assert page.input_value("#ask-mass") == str(start)


def test_the_slider_and_the_number_move_together(browser, reports):
    path, results = reports["demo"]
    with asked(browser, path, width=PHONE, has_touch=True) as page:
        page.fill("#slide-mass", "101")
        assert page.input_value("#ask-mass") == "101"
        assert texts_on(page) == texts_of(results, {"mass": 101})
        page.fill("#ask-mass", "64")
        assert page.input_value("#slide-mass") == "64"


def test_reset_brings_everything_back_and_nothing_is_remembered(browser, report):
    with asked(browser, report) as page:
        before = page.inner_text("#ask")
        page.fill("#ask-mass", "120")
        page.fill("#ask-altitude", "1500")
        page.select_option("#ask-fuel", label="e10")
        assert page.inner_text("#ask") != before
        page.click("#ask-reset")
        assert page.inner_text("#ask") == before
        assert page.input_value("#ask-mass") == page.input_value("#slide-mass")
        page.fill("#ask-mass", "120")
        stored = "localStorage.length + sessionStorage.length + document.cookie.length"
        assert page.evaluate(stored) == 0


def test_nonsense_gets_a_sentence_and_no_number(browser, report):
    with asked(browser, report) as page:
        for text in ("500", "", "-3"):
            page.fill("#ask-mass", text)
            assert texts_on(page) == ["–", "–"]
            said = page.inner_text("#ask-problem").replace("\u00a0", " ")
            assert said == "My weight, dressed to ride: write a number from 40 to 150 kg."
            assert page.get_attribute("#ask-mass", "aria-invalid") == "true"
        page.fill("#ask-grade", "50")
        said = page.inner_text("#ask-problem").replace("\u00a0", " ")
        assert said == (
            "My weight, dressed to ride: write a number from 40 to 150 kg. "
            "Its grade: write a number from 0 to 20 %."
        )
        assert page.inner_text("#ask-shown-force") == ""
        page.click("#ask-reset")
        assert page.get_attribute("#ask-mass", "aria-invalid") == "false"
        page.fill("#ask-grade", "19")
        page.fill("#ask-length", "2000")
        assert page.inner_text("#ask-problem").startswith("No answer: the bike would stop")


def test_the_answer_stands_on_the_speedometer_of_the_day_too(browser, reports):
    path, results = reports["demo"]
    factor = results.road.speed_factor.value
    with asked(browser, path) as page:
        page.fill("#ask-mass", "95")
        (answer,) = what_if.answers(run_of(results), [what_if.Question(rider_mass_kg=95.0)])
        for name in ("force", "power"):
            true = 3.6 * getattr(answer, f"at_{name}").value
            said = page.inner_text(f"#ask-shown-{name}").replace("\u00a0", " ")
            assert said == f"(as this speedometer shows it: {true / factor:.0f} km/h)"


def test_each_fuel_has_its_mixture_and_its_warnings(browser, reports):
    path, results = reports["demo"]
    fuels = fellow.data(results)["fuels"]
    with asked(browser, path) as page:
        for number, fuel in enumerate(fuels):
            page.select_option("#ask-fuel", str(number))
            lines = page.locator("#ask-mixture .line").all_inner_texts()
            said = [line.replace("\u00a0", " ") for line in lines]
            assert said == [fuel["mixture"], *fuel["warnings"]]
    assert fuels[0]["warnings"] != fuels[1]["warnings"]
    with asked(browser, reports["other"][0]) as page:
        page.select_option("#ask-fuel", label=NASTY)
        warning = page.locator("#ask-mixture .warning").first.inner_text()
        assert "30\u00a0% ethanol, more than the 10\u00a0% that the maker allows" in warning


def test_another_setup_and_another_fuel_have_speeds_of_their_own(browser, reports):
    path, results = reports["demo"]
    runs = {name.replace("_", " "): run for name, run in results.road.equivalent.items() if run}
    system = results.session.about.units

    def speeds(title, question=what_if.Question()):  # noqa: B008
        (answer,) = what_if.answers(runs[title], [question])
        return [quantity_text(one, "speed", system) for one in (answer.at_force, answer.at_power)]

    def said(page, place):
        return page.inner_text(place).replace("\u00a0", " ")

    with asked(browser, path) as page:
        options = page.locator("#ask-setup option").all_inner_texts()
        assert [one.removesuffix(" (not to be ridden)") for one in options] == list(runs)
        assert "big 150 (not to be ridden)" in options
        for number, title in enumerate(runs):
            page.select_option("#ask-setup", str(number))
            assert texts_on(page) == speeds(title)
            assert f"At the marker with {title}, from " in said(page, "#ask-from")
        page.select_option("#ask-setup", label="big 150 (not to be ridden)")
        assert "Not on e5: light knock was heard on run 5." in said(page, "#ask-mixture")
        # The same parts on the other fuel were ridden, too: the speed is that of the other setup.
        page.select_option("#ask-setup", label="big 172")
        page.fill("#ask-mass", "90")
        page.select_option("#ask-fuel", label="e10")
        assert texts_on(page) == speeds("big 172 e10", what_if.Question(rider_mass_kg=90.0))
        assert "not timed" not in said(page, "#ask-mixture")
        page.select_option("#ask-setup", label="big 185")
        assert page.input_value("#ask-mass") == "90"
        page.select_option("#ask-fuel", label="e10")
        assert texts_on(page) == speeds("big 185", what_if.Question(rider_mass_kg=90.0))
        untimed = "This setup was not timed on e10; the speed is the one on e5."
        assert untimed in said(page, "#ask-mixture")
        page.fill("#ask-speedometer", "0")
        assert "(as yours shows it: " in said(page, "#ask-shown-force")


def test_denser_air_is_warned_of_where_the_controller_does_not_adapt(browser, reports):
    path, results = reports["other"]
    density = run_of(results).air_density_kg_m3
    with asked(browser, path) as page:
        for feet, word in ((0, "leaner"), (5000, "richer")):
            page.fill("#ask-altitude", str(feet))
            there, _ = fellow.air_at_altitude(
                results.session, feet * 0.3048, setup=run_of(results).setup
            )
            said = page.locator("#ask-mixture .warning").last.inner_text()
            assert f"{abs(there / density - 1):.1%}".replace("%", "\u00a0%") in said
            assert f"lambda is then as much {word} than on the day" in said
    with asked(browser, reports["demo"][0]) as page:
        page.fill("#ask-altitude", "1500")
        assert "adapt" not in page.inner_text("#ask-mixture")
