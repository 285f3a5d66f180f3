"""The page for the roadside on a phone: touched, without a network, died and re-opened."""

import datetime
import shutil
from pathlib import Path

import pytest

from tests.browser import chromium
from tests.outing import Outing
from tests.report.roadside_page import EVERY_COLUMN, data_of, write_page
from tuninglib.lab.plan import PHONE_PAGE
from tuninglib.session.load import load_session
from tuninglib.session.read_table import COLUMNS

pytestmark = [pytest.mark.browser, pytest.mark.slow]
PHONE = {
    "viewport": {"width": 390, "height": 844},
    "has_touch": True,
    "is_mobile": True,
    "offline": True,
}


@pytest.fixture(scope="module")
def browser():
    with chromium() as one:
        yield one


class Phone:
    """One phone with its memory; the page can be opened on it again and again."""

    def __init__(self, browser, folder):
        self.context = browser.new_context(**PHONE)
        self.complaints, self.asked = [], []
        self.context.on("request", lambda request: self.asked.append(request.url))
        # Of the year the page shows nothing.
        self.context.clock.install(time=datetime.datetime(2026, 5, 16, 14, 5, 30))
        self.path = folder / PHONE_PAGE
        self.page = None

    def open(self):
        if self.page is not None:
            # As when the battery is empty: the page has no time to say good-bye.
            self.page.close(run_before_unload=False)
        self.page = self.context.new_page()
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("console", lambda said: self.complaints.append(said.text))
        self.page.goto(self.path.as_uri())
        return self

    @property
    def card(self):
        return self.page.locator(".card[open]")

    def type(self, **cells):
        for key, text in cells.items():
            field = self.card.locator(f'.field[data-key="{key}"]')
            if key == "knock":
                field.get_by_text(text, exact=True).tap()
            else:
                field.locator("input").fill(text)

    def next(self):
        self.card.locator(".next").tap()

    def problem(self, key):
        return self.card.locator(f'.field[data-key="{key}"] .problem').inner_text()

    def save(self, to):
        with self.page.expect_download() as handed:
            self.page.get_by_role("button", name="Save runs.csv").tap()
        assert handed.value.suggested_filename == "runs.csv"
        handed.value.save_as(to)
        return to

    def cells(self, key):
        """What one field of every card holds."""
        return self.page.eval_on_selector_all(
            f'#cards .field[data-key="{key}"] input[type=text]', "all => all.map(one => one.value)"
        )


@pytest.fixture(scope="module")
def page(demo_folder, tmp_path_factory):
    """The page of the demo's next day, written once."""
    folder = Path(shutil.copytree(demo_folder, tmp_path_factory.mktemp("plan") / "outing"))
    write_page(folder)
    return folder / PHONE_PAGE


@pytest.fixture
def phone(browser, demo_copy, page):
    shutil.copy(page, demo_copy / PHONE_PAGE)
    one = Phone(browser, demo_copy)
    yield one.open()
    one.context.close()
    allowed = ("data:", "blob:", one.path.as_uri())
    assert [url for url in one.asked if not url.startswith(allowed)] == []
    assert one.complaints == []


def test_a_day_typed_on_the_phone_becomes_the_session(phone, demo_copy, tmp_path):
    before = (demo_copy / "runs.csv").read_text(encoding="utf-8")
    phone.type(entry_speed="48", exit_speed="62", gauge_low="12,6", gauge_high="12.8")
    phone.type(air_temperature="14", knock="none", head_temperature="171", note='wet, "cold"')
    phone.next()
    # The weather stays from run to run, and so most likely does the speed at the start line; that
    # alone is no run. Nothing else of the run itself stays.
    assert phone.cells("air_temperature")[:2] == ["14", "14"]
    assert phone.cells("entry_speed")[:2] == ["48", "48"]
    hint = phone.card.locator('.field[data-key="entry_speed"] .hint')
    assert hint.inner_text() == "as on run 34; change if it was another"
    assert phone.cells("exit_speed")[:2] == ["62", ""]
    assert phone.page.locator("#text").input_value().count("\n35,") == 0
    phone.page.clock.fast_forward(600_000)
    phone.type(entry_speed="49", exit_speed="61")
    assert hint.inner_text() == ""
    text = phone.save(tmp_path / "saved.csv").read_text(encoding="utf-8")
    assert text == before + (
        '34,stock,tove,48,62,12.6,12.8,14,none,171,full,"wet, ""cold"""\n'
        "35,stock,ilmar,49,61,,,14,,,full,14:15\n"
    )
    assert phone.page.locator("#text").input_value() == text
    said = "Handed to this phone's downloads with 2 new rows."
    assert phone.page.locator("#said").inner_text() == said
    (demo_copy / "runs.csv").write_text(text, encoding="utf-8")
    runs = load_session(demo_copy).runs
    assert len(runs) == 35
    assert runs["note"].iloc[33] == 'wet, "cold"'


def test_nothing_is_lost_when_the_phone_dies(phone, browser, demo_copy, tmp_path):
    phone.type(entry_speed="48", exit_speed="62", gauge_low="12.6")
    phone.open()
    assert phone.cells("entry_speed")[0] == "48"
    # The half-typed run is not hidden: it is the one that needs fixing, and it is in the file.
    first = phone.page.locator("#cards .card").first
    assert first.locator(".state").inner_text() == "\u26a0 to fix"
    saved = phone.save(tmp_path / "runs.csv")
    assert "Still to fix: run 34." in phone.page.locator("#said").inner_text()
    # Another phone, with another run of the same number: what stands on it is kept.
    other = Phone(browser, demo_copy).open()
    other.page.locator("#open").set_input_files(saved)
    other.page.get_by_text("1 runs taken from runs.csv.").wait_for()
    assert other.cells("entry_speed")[0] == "48"
    other.page.locator("#cards .card").first.locator("summary").first.tap()
    other.page.clock.fast_forward(3_600_000)
    other.type(entry_speed="47")
    # It was begun on the first phone.
    assert other.cells("note")[0] == "14:05"
    other.page.locator("#open").set_input_files(saved)
    other.page.get_by_text("Run 34 differs there; what is here was kept.").wait_for()
    assert other.cells("entry_speed")[0] == "47"
    other.page.locator("#open").set_input_files(
        {"name": "x.csv", "mimeType": "text/csv", "buffer": b"a,b\n1,2\n"}
    )
    other.page.get_by_text("x.csv has other columns than this page").wait_for()
    film = {"name": "y.mp4", "mimeType": "video/mp4", "buffer": bytes(5_000_001)}
    other.page.locator("#open").set_input_files(film)
    other.page.get_by_text("y.mp4 is too large for a day's runs.").wait_for()
    assert other.complaints == []
    other.context.close()


def test_a_new_plan_takes_over_what_an_earlier_page_holds(phone, demo_copy):
    phone.type(entry_speed="48", exit_speed="62")
    write_page(demo_copy, gain=0.2)
    phone.open()
    assert phone.cells("entry_speed")[0] == ""
    phone.page.get_by_role("button", name="Take over 1 runs").tap()
    assert phone.cells("entry_speed")[0] == "48"
    assert "1 runs taken from the earlier page." in phone.page.locator("#said").inner_text()


def test_a_browser_without_memory_says_so(phone):
    phone.page.add_init_script(
        "Object.defineProperty(window, 'localStorage', {get() { throw new Error('no'); }})"
    )
    phone.page.reload()
    said = phone.page.locator("#kept").inner_text()
    assert said.startswith("This browser keeps nothing: save the file after each run")
    phone.type(entry_speed="48")
    assert ",48,," in phone.page.locator("#text").input_value()


def test_the_time_of_day_stands_in_the_row_as_long_as_it_says_anything(phone):
    phone.type(exit_speed="62")
    assert phone.cells("note")[0] == "14:05"
    phone.page.clock.fast_forward(120_000)
    phone.type(note="14:05 gust", gauge_low="12.6")
    assert phone.cells("note")[0] == "14:05 gust"
    phone.type(note="", gauge_low="", exit_speed="")
    assert phone.cells("note")[0] == ""
    assert "0 of 16 runs filled in" in phone.page.locator("#kept").inner_text()
    phone.type(exit_speed="6")
    assert phone.cells("note")[0] == "14:07"
    phone.type(exit_speed="")
    assert phone.cells("note")[0] == ""


def test_a_clock_for_cooling_starts_with_the_row_and_outlives_the_page(phone):
    timer = phone.page.locator("#timer")
    assert timer.inner_text() == "Cool down: 5 min"
    phone.page.get_by_role("button", name="One minute less").tap()
    assert timer.inner_text() == "Cool down: 4 min"
    phone.type(exit_speed="62")
    assert timer.inner_text() == "Cooling: 04:00"
    phone.page.clock.run_for(62_000)
    assert timer.inner_text() in ("Cooling: 02:59", "Cooling: 02:58")
    phone.open()
    assert phone.page.locator("#timer").inner_text().startswith("Cooling: 0")
    phone.page.clock.run_for(240_000)
    said = "Cooled for 4 min: is the head as cool as before the other runs?"
    assert phone.page.locator("#timer").inner_text() == said
    phone.page.get_by_role("button", name="Start", exact=True).tap()
    assert phone.page.locator("#timer").inner_text() == "Cooling: 04:00"
    # The rule that ends a run stands beside it.
    rule = phone.page.locator("#now .note").inner_text().replace("\u00a0", " ")
    assert "at the first rattle; leaner than 13.2 on this gauge; head above about 230 °C" in rule


def test_after_each_row_it_says_whether_to_go_on(phone):
    word, said = phone.page.locator("#word"), phone.page.locator(".standing:visible")
    assert word.inner_text() == ""
    phone.type(exit_speed="62", knock="none")
    assert word.inner_text() == "Go on"
    assert said.inner_text().startswith("Go on: still to ride: stock 3, big 185 4, big 172 4, big")
    first = phone.page.locator("#cards .card").first
    assert first.locator(".state").inner_text() == "\u2713"
    phone.type(knock="heavy")
    assert word.inner_text() == "Stop"
    assert first.locator(".state").inner_text() == "\u26a0 stop"
    phone.next()
    # What is struck out is not changed to.
    swaps = [text for text in phone.page.locator(".swap").all_inner_texts() if text]
    assert swaps == [
        "Start with stock, fuel: e5",
        "Change to big 185, fuel: e5; warm up, and check again from the top",
    ]
    phone.type(exit_speed="64", knock="none")
    assert (
        phone.page.locator(".standing:visible")
        .inner_text()
        .startswith("Go on: still to ride: big 185 3.")
    )
    said = "the form can say what these rows mean for setups not ridden yet: watch the gauge."
    assert phone.page.locator(".standing:visible").inner_text().endswith(said)


def test_a_speed_in_another_unit_is_asked_about(phone):
    hint = phone.card.locator('.field[data-key="exit_speed"] .hint')
    phone.type(exit_speed="39")
    said = "39 is far from the 69 of the other runs: misread, or in another unit?"
    assert hint.inner_text() == said
    assert phone.card.locator(".state").inner_text() == "? look again"
    phone.type(exit_speed="62")
    assert hint.inner_text() == ""


def test_the_range_of_a_gauge_has_two_boxes_and_one_cell(browser, demo_copy, tmp_path):
    header = "run,setup,rider,gauge,knock,note\n"
    (demo_copy / "runs.csv").write_text(header, encoding="utf-8")
    write_page(demo_copy)
    one = Phone(browser, demo_copy).open()
    lowest, highest = (one.card.get_by_label(f"gauge, {end}") for end in ("lowest", "highest"))
    lowest.fill("12,6")
    highest.fill("12.8")
    one.open()
    one.page.locator("#cards .card").first.locator("summary").first.tap()
    boxes = [one.card.get_by_label(f"gauge, {end}") for end in ("lowest", "highest")]
    assert [box.input_value() for box in boxes] == ["12,6", "12.8"]
    assert one.save(tmp_path / "runs.csv").read_text(encoding="utf-8") == (
        f"{header}1,stock,tove,12.6 to 12.8,,14:05\n"
    )
    assert one.complaints == []
    one.context.close()


def test_the_screen_is_kept_awake_where_the_browser_can(phone):
    phone.page.add_init_script(
        "Object.defineProperty(navigator, 'wakeLock', {value: {request: async (what) => {"
        "window.asked = (window.asked ?? 0) + 1; if (what !== 'screen') throw what; }}})"
    )
    phone.page.reload()
    assert phone.page.evaluate("window.asked") == 1
    phone.page.evaluate("dispatchEvent(new Event('visibilitychange'))")
    assert phone.page.evaluate("window.asked") == 2


def test_knock_lean_and_heat_stop_at_once(phone, demo_copy):
    stop = phone.card.locator(".warnings")
    phone.type(gauge_low="13.4", gauge_high="13.6")
    assert "34 with stock showed 13.4 to 13.6, leaner than 13.2 on this gauge" in stop.inner_text()
    phone.type(gauge_low="13.0", gauge_high="13.4")
    assert stop.inner_text() == ""
    phone.type(head_temperature="231")
    assert "the head reached 231 °C on run 34, above the usual limit of" in stop.inner_text()
    phone.type(head_temperature="229", knock="light")
    said = stop.inner_text()
    assert "Stop: light knock was heard on run 34 with stock. Do not ride it again" in said
    # The next card to open is one of a setup that is not ended.
    phone.next()
    assert phone.card.locator(".which").inner_text().startswith("Run 36 \u00b7 big 185")
    # Nor is one ridden that is no safer; those that are stay open.
    data = data_of(demo_copy)
    shut = {"stock", *data["ends"]["stock"]["knock"]["setups"]}
    planned = [one["setup"] for one in data["planned"]]
    assert {"big_172"} < shut & {*planned} < {*planned}
    for at, setup in enumerate(planned[1:], start=1):
        card = phone.page.locator("#cards .card").nth(at)
        state = card.locator(".state").inner_text()
        assert state == ("ended by run 34" if setup in shut else ""), setup


def test_a_run_that_was_not_planned(phone):
    phone.page.get_by_role("button", name="Add a run").tap()
    assert phone.card.locator(".which").inner_text().startswith("Run 50 \u00b7 stock")
    phone.card.locator('.field[data-key="state"] select').select_option("idle")
    phone.type(gauge_low="14.6", gauge_high="14.8", exit_speed="60")
    assert phone.problem("state") == "speeds belong to full-throttle runs; this row says idle."
    phone.card.locator('.field[data-key="run"] input').fill("3")
    assert phone.problem("run").startswith("run 3 is in another row already")
    phone.page.get_by_role("button", name="Add a run").tap()
    phone.page.get_by_role("button", name="Remove this empty run").tap()
    assert phone.page.locator("#cards .card").count() == 17


def test_what_is_ruled_out_already_says_so_when_it_is_chosen_all_the_same(phone):
    phone.page.get_by_role("button", name="Add a run").tap()
    phone.card.locator('.field[data-key="setup"] select').select_option("big_150")
    said = phone.card.locator(".warnings").inner_text()
    assert said == "Do not ride this: big 150 is ruled out: light knock was heard on run 5."
    phone.card.locator('.field[data-key="setup"] select').select_option("big_172")
    assert phone.card.locator(".warnings").inner_text() == ""


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_it_fits_every_width_and_can_be_touched(phone, width):
    phone.page.set_viewport_size({"width": width, "height": 844})
    phone.type(knock="heavy")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= width
    for button in phone.page.locator("button:visible, .pick:visible, summary:visible").all():
        assert button.bounding_box()["height"] >= 44
    # Of a gloved thumb.
    for button in phone.page.locator(".card[open] .pick").all():
        box = button.bounding_box()
        assert min(box["height"], box["width"]) >= 64
    # What stays at the bottom leaves most of the page.
    assert phone.page.locator("#now").bounding_box()["height"] < 844 / 5


@pytest.mark.parametrize("dark", ["light", "dark"])
def test_axe_finds_no_barrier(phone, dark):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    phone.page.emulate_media(color_scheme=dark)
    phone.type(knock="heavy", gauge_low="x")
    found = axe.run(phone.page, options={"resultTypes": ["violations"]})
    assert [one["id"] for one in found.response["violations"]] == []


def test_every_column_of_the_contract_can_be_on_the_page():
    named = {one.partition("[")[0].strip() for one in EVERY_COLUMN.split(",")}
    assert named | {"gauge"} == set(COLUMNS)


def test_names_are_shown_as_text_and_never_run(browser, demo_copy, tmp_path):
    nasty = "</script><img src=x onerror=alert(1)> $a$"
    outing = Outing(demo_copy, tmp_path / "nasty")
    outing.key("session", title=nasty).save()
    write_page(outing.folder)
    page = (outing.folder / PHONE_PAGE).read_text(encoding="utf-8")
    assert page.count("<script") == page.count("</script>") == 2
    assert "<img" not in page
    assert data_of(outing.folder)["title"] == f"DEMO, INVENTED: {nasty}"
