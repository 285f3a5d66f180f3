"""The workbooks in a real JupyterLab, driven as a rider does: keys, clicks, files."""

import contextlib
import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request

import pytest

from tests.browser import chromium
from tests.foreign_units import FOREIGN, foreign_units
from tuninglib.__main__ import main
from tuninglib.lab import start
from tuninglib.session.edit import write_new_session
from tuninglib.text_files import SessionError

# Without the browser -------------------------------------------------------------------------


def test_a_folder_that_is_not_there_is_said_before_anything_starts(tmp_path, capsys):
    assert main(["lab", str(tmp_path / "nowhere")]) == 2
    assert "is not a folder that exists" in capsys.readouterr().err


def test_the_folder_comes_from_the_cell_then_the_command_then_the_demo(
    demo_folder, demo_copy, monkeypatch, tmp_path
):
    monkeypatch.delenv(start.SESSION_VARIABLE, raising=False)
    monkeypatch.setattr(start, "COPIES", tmp_path / "copies")
    copy = start.chosen_folder()
    assert copy.name == demo_folder.name
    assert copy.is_relative_to(tmp_path / "copies")
    assert {p.name: p.read_bytes() for p in copy.iterdir()} == {
        p.name: p.read_bytes() for p in demo_folder.iterdir() if p.is_file()
    }
    assert "a copy of the invented demo" in str(start.which_session())
    assert start.opened().folder == copy
    with pytest.raises(start.Unfinished, match="name your outing's folder"):
        start.opened(demo=False)
    (copy / "runs.csv").write_text("typed in")
    assert start.chosen_folder() == copy
    assert (copy / "runs.csv").read_text() == "typed in"
    assert start.chosen_season() == start.SEASON_DEMO
    monkeypatch.setenv(start.SESSION_VARIABLE, str(demo_copy))
    assert start.chosen_folder() == demo_copy
    assert start.chosen_season() == demo_copy.parent
    assert start.chosen_season(str(demo_folder)) == demo_folder
    assert start.chosen_folder(str(demo_folder)) == demo_folder
    monkeypatch.delenv(start.SESSION_VARIABLE)
    monkeypatch.setattr(start, "DEMO", demo_copy / "nowhere")
    with pytest.raises(SessionError, match="name your outing's folder"):
        start.chosen_folder()


def test_an_edit_in_the_lab_changes_a_copy_that_no_start_overwrites(monkeypatch, tmp_path):
    monkeypatch.setattr(start, "COPIES", tmp_path / "copies")
    originals = shutil.copytree(start.workbook_path("start").parent, tmp_path / "originals")
    monkeypatch.setattr(start, "workbook_path", lambda name: originals / f"{name}.ipynb")
    folder = start.own_workbooks()
    assert f"--ServerApp.root_dir={folder}" in start.lab_command()
    assert {p.name for p in folder.glob("*.ipynb")} == {p.name for p in originals.glob("*.ipynb")}
    (folder / "plan.ipynb").write_text("edited")
    (folder / "runs.ipynb").unlink()
    start.own_workbooks()
    assert (folder / "plan.ipynb").read_text() == "edited"
    assert (folder / "runs.ipynb").read_bytes() == (originals / "runs.ipynb").read_bytes()
    # Another version of the program: the untouched copy is renewed, the edited one is kept.
    for name in ("plan.ipynb", "session.ipynb"):
        (originals / name).write_text("newer")
    start.own_workbooks()
    assert [(folder / n).read_text() for n in ("plan.ipynb", "session.ipynb")] == ["newer"] * 2
    (kept,) = folder.glob("*.earlier-*")
    assert (kept.name, kept.read_text()) == ("plan.earlier-1.ipynb", "edited")


def test_an_unfinished_session_is_one_line_with_a_link_to_where_it_is_mended(tmp_path, edit):
    write_new_session(tmp_path / "fresh", "us")
    with pytest.raises(start.Unfinished) as raised:
        start.opened(str(tmp_path / "fresh"))
    shown = start.not_finished(raised.value.problems)
    assert shown.plain() == (
        "Not finished: session.toml still lacks date, mass, length, grade, entry speed, "
        "scale, displacement and flow; runs.csv: has a header but no run; add one row for each run."
    )
    assert 'href="session.ipynb"' in shown.html()
    assert len(raised.value._render_traceback_()) == 1
    wrong = edit("runs.csv", ",48,", ",-48,")
    edit("runs.csv", ",62,", ",-62,")
    with pytest.raises(start.Unfinished, match=r"is outside 3\.6 to 252") as raised:
        start.opened(str(wrong))
    shown = start.not_finished(raised.value.problems)
    assert shown.plain().startswith("Not finished: runs.csv, row 2, entry_speed: -48 km/h is")
    assert "(1 more to fix)" in shown.plain()
    assert '<a href="runs.ipynb">Enter the runs</a>' in shown.html()
    with pytest.raises(start.Unfinished, match="there are no outings of this bike"):
        start.opened_season(str(tmp_path / "fresh"))


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGTERM to send")
def test_who_ends_the_command_ends_jupyterlab_with_it(demo_copy, tmp_path):
    settings = {"ServerApp": {"allow_root": True, "port": 0}}
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "jupyter_server_config.json").write_text(json.dumps(settings))
    own = {
        f"JUPYTER_{name}_DIR": str(tmp_path / name.lower())
        for name in ("CONFIG", "DATA", "RUNTIME")
    }
    command = [sys.executable, "-m", "tuninglib", "lab", str(demo_copy), "--no-browser"]
    with (tmp_path / "log.txt").open("wb") as log:
        running = subprocess.Popen(command, env=os.environ | own, stdout=log, stderr=log)
    try:
        for _ in range(600):
            started = list((tmp_path / "runtime").glob("jpserver-*.json"))
            if started:
                break
            assert running.poll() is None, (tmp_path / "log.txt").read_text(encoding="utf-8")
            time.sleep(0.1)
        server = json.loads(started[0].read_text(encoding="utf-8"))
        # What is edited there is a copy.
        assert server["root_dir"] == str(tmp_path / "data" / "tuninglib" / "workbooks")
    finally:
        running.terminate()
    assert running.wait(30) == 0
    with pytest.raises(ProcessLookupError):
        os.kill(server["pid"], 0)


# With it -------------------------------------------------------------------------------------

OPEN = """async name => {
  for (let i = 0; i < 400 && !window.jupyterapp; i++) await new Promise(r => setTimeout(r, 50));
  const app = window.jupyterapp;
  await app.restored;
  await app.commands.execute("docmanager:open", {path: name});
  const panel = [...app.shell.widgets("main")].find(w => w.context?.path === name);
  app.shell.activateById(panel.id);
  await panel.context.ready;
  await panel.sessionContext.ready;
  await panel.sessionContext.session.kernel.info;  // without it, running is lost now and then
}"""
PANEL = ".jp-NotebookPanel:not(.lm-mod-hidden)"


@contextlib.contextmanager
def lab_server(folder, private):
    """JupyterLab as ``tuninglib lab`` starts it, with settings of its own; yields its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    environment = start.lab_environment(str(folder))
    for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_RUNTIME_DIR", "JUPYTER_DATA_DIR", "IPYTHONDIR"):
        environment[name] = str(private / name.lower())
    settings = private / "settings"
    # Cells off the screen must be there to be found, and the project's own files left as they are.
    for plugin, wanted in (
        ("notebook-extension/tracker", {"windowingMode": "none"}),
        ("docmanager-extension/plugin", {"autosave": False}),
    ):
        path = settings / "@jupyterlab" / f"{plugin}.jupyterlab-settings"
        path.parent.mkdir(parents=True)
        path.write_text(json.dumps(wanted), encoding="utf-8")
    environment["JUPYTERLAB_SETTINGS_DIR"] = str(settings)
    environment["JUPYTERLAB_WORKSPACES_DIR"] = str(private / "workspaces")
    options = [
        "--ip=127.0.0.1",
        f"--port={port}",
        "--allow-root",
        # Reached from this machine only, for the length of a test.
        "--IdentityProvider.token=",
        "--LabApp.expose_app_in_browser=True",
    ]
    address = f"http://127.0.0.1:{port}"
    with pytest.MonkeyPatch.context() as patch, (private / "log.txt").open("wb") as log:
        patch.setattr(start, "COPIES", private / "copies")
        running = subprocess.Popen(
            start.lab_command(browser=False, options=options), env=environment, stdout=log,
            stderr=subprocess.STDOUT, cwd=private,
        )  # fmt: skip
    try:
        for _ in range(400):
            with contextlib.suppress(OSError), urllib.request.urlopen(f"{address}/api", timeout=2):
                break
            assert running.poll() is None, (private / "log.txt").read_text(encoding="utf-8")
            time.sleep(0.1)
        yield address
    finally:
        running.terminate()
        running.wait(20)


@pytest.fixture(scope="module")
def outing(demo_folder, tmp_path_factory):
    """A copy of the demo that the workbooks may write to."""
    return shutil.copytree(demo_folder, tmp_path_factory.mktemp("lab") / "outing")


@pytest.fixture(scope="module")
def private(tmp_path_factory):
    """Where the server keeps what is its own, the copies that it serves too."""
    return tmp_path_factory.mktemp("server")


@pytest.fixture(scope="module")
def page(outing, private):
    """A page with JupyterLab's start workbook open; nothing may be asked of another machine."""
    # The browser first: without one, no server is started.
    with chromium() as browser, lab_server(outing, private) as address:
        context = browser.new_context(viewport={"width": 1300, "height": 1000})
        asked, errors = [], []
        context.on("request", lambda request: asked.append(request.url))
        page = context.new_page()
        page.on("pageerror", lambda error: errors.append(str(error)))
        # The address that the command opens in the rider's browser.
        open_lab(page, address)
        yield page
        context.close()
    own = (address, address.replace("http", "ws"), "data:", "blob:")
    assert [url for url in asked if not url.startswith(own)] == []
    assert errors == []


def open_lab(page, address):
    """Go where the command sends the rider's browser, and wait until the start page is there."""
    page.goto(f"{address}/")
    page.wait_for_selector(f"{PANEL} h1:has-text('Start here')", timeout=60_000)
    # Until its kernel answers, JupyterLab may still bring this page to the front again.
    page.evaluate(OPEN, "start.ipynb")


def run_workbook(page, name):
    """Open a workbook; it runs by itself."""
    page.evaluate(OPEN, f"{name}.ipynb")
    page.wait_for_selector(f"{PANEL}[data-tuninglib=ran]", timeout=60_000)
    return page.locator(PANEL)


def text_of(page):
    return " ".join(page.locator(PANEL).inner_text().split())


def wait_for_text(page, text):
    page.wait_for_function(
        "([panel, text]) => document.querySelector(panel).innerText.replace(/\\s+/g, ' ')"
        ".includes(text)",
        arg=[PANEL, text],
        timeout=20_000,
    )


@pytest.mark.slow
@pytest.mark.browser
def test_the_start_page_leads_to_the_workbooks_on_the_riders_session(page, outing):
    assert page.evaluate("window.jupyterapp.shell.currentWidget.context.path") == "start.ipynb"
    run_workbook(page, "start")
    wait_for_text(page, f"{outing} (the one that tuninglib lab was started with)")
    assert page.get_by_text("Would you like to get notified").count() == 0
    # Nothing was clicked: the cautions are there, and the page stands at its top.
    wait_for_text(page, "Full-throttle runs belong on a closed or quiet road")
    content = page.locator(f"{PANEL} .jp-WindowedPanel-outer")
    assert content.evaluate("one => one.scrollTop") == 0
    model = "window.jupyterapp.shell.currentWidget.context.model"
    assert page.evaluate(f"{model}.dirty") is False
    page.get_by_role("link", name="Plan the day").click()
    page.wait_for_function("window.jupyterapp.shell.currentWidget?.context?.path === 'plan.ipynb'")


@pytest.mark.slow
@pytest.mark.browser
def test_a_key_moves_the_picture_its_words_and_the_sentences(page):
    panel = run_workbook(page, "explore")
    picture = panel.locator("img.tuning-picture")
    picture.wait_for()
    before, alt = picture.get_attribute("src"), picture.get_attribute("alt")
    assert "target band" in alt
    said = panel.locator("[role=status]").first
    first = said.inner_text()
    handle = panel.locator(".widget-slider", has_text="injector flow on this bike").locator(
        ".noUi-handle"
    )
    start = float(handle.get_attribute("aria-valuenow"))
    handle.press("ArrowRight")
    wait_for_text(page, f"with {start + 1:g} cc/min")
    page.wait_for_function(
        "([old, at]) => document.querySelector(at).src !== old",
        arg=[before, f"{PANEL} img.tuning-picture"],
    )
    assert picture.get_attribute("alt") != alt
    panel.get_by_role("button", name="Reset").first.click()
    wait_for_text(page, f"with {start:g} cc/min")
    assert picture.get_attribute("src") == before
    assert said.inner_text() == first


@pytest.mark.slow
@pytest.mark.browser
def test_the_report_is_made_while_the_notebook_stays_usable(page, outing, tmp_path):
    panel = page.locator(PANEL)
    panel.get_by_role("button", name="Make the report").click()
    link = panel.locator("a.tuning-report")
    link.wait_for(timeout=40_000)
    with page.expect_download() as download:
        link.click()
    download.value.save_as(tmp_path / "copy.html")
    made = outing.parent / "outing.report" / "report.html"
    assert (tmp_path / "copy.html").read_bytes() == made.read_bytes()


# Every workbook, in both systems of units ---------------------------------------------------------

NAMES = [path.stem for path in sorted(start.workbook_path("start").parent.glob("*.ipynb"))]
# In SI by purpose; and what may be typed, which is in any unit.
IN_ANY_UNIT = ("library", "guide")
# The same rules for every workbook count once.
AXE = pytest.mark.outside(source="axe-core, rules for WCAG 2 and good practice")
# What a screen reader hears of each, once that has followed what is shown.
SLIDERS = """async panel => {
  for (let i = 0; i < 3; i++) await new Promise(requestAnimationFrame);
  return [...document.querySelector(panel).querySelectorAll(".noUi-handle")]
    .map(one => [one.getAttribute("aria-label"), one.getAttribute("aria-valuetext")]);
}"""
PRESS = """all => all.forEach(one => {
  one.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowRight", bubbles: true}));
})"""
RUN_ALL = """async () => {
  await window.jupyterapp.commands.execute("notebook:run-all-cells");
  await new Promise(r => setTimeout(r, 300));
}"""


@pytest.fixture(scope="module")
def of_a_us_rider(private, page, demo_folder, tmp_path_factory):
    """The same server's workbooks with a US session named in their first cells, as by hand."""
    whole = tmp_path_factory.mktemp("us")
    session = shutil.copytree(demo_folder.parent / "there_and_back", whole / "outing")
    folder = private / "copies" / "workbooks" / "us"
    folder.mkdir()
    for path in folder.parent.glob("*.ipynb"):
        text = path.read_text(encoding="utf-8")
        for name, value in (("session_folder", session), ("season_folder", whole), ("units", "us")):
            text = text.replace(f'{name}: str = \\"\\"', f'{name}: str = \\"{value}\\"')
        (folder / path.name).write_text(text, encoding="utf-8")
    return "us/"


@pytest.fixture(scope="module")
def barriers():
    """What axe-core calls serious of what a workbook shows."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    # The frame around is JupyterLab's own.
    shown = [[f"{PANEL} {one}"] for one in (".jp-OutputArea-output", ".jp-RenderedMarkdown")]

    def found(page):
        options = {"resultTypes": ["violations", "passes"]}
        response = axe.run(page, context={"include": shown}, options=options).response
        assert response["passes"]
        return [
            (one["id"], one["nodes"][0]["html"][:200])
            for one in response["violations"]
            if one["impact"] in ("serious", "critical")
        ]

    return found


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("system", list(FOREIGN))
@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=AXE) if name == "start" else name for name in NAMES]
)
def test_a_workbook_can_be_seen_heard_moved_and_run_again(
    page, barriers, name, system, of_a_us_rider
):
    panel = run_workbook(page, f"{of_a_us_rider if system == 'us' else ''}{name}")
    started = page.evaluate(SLIDERS, PANEL)
    panel.locator(".noUi-handle").evaluate_all(PRESS)
    moved = page.evaluate(SLIDERS, PANEL)
    assert all(label and said for label, said in moved), moved
    assert not started or moved != started
    assert barriers(page) == []
    page.evaluate(RUN_ALL)
    page.wait_for_function(
        f"async ([at, moved]) => JSON.stringify(await ({SLIDERS})(at)) === JSON.stringify(moved)",
        arg=[PANEL, moved],
    )
    for kind in ("error", "stderr"):
        assert panel.locator(f'[data-mime-type="application/vnd.jupyter.{kind}"]').count() == 0
    if name not in IN_ANY_UNIT:
        said = " ".join(f"{label} {value}" for label, value in moved)
        assert foreign_units(f"{panel.inner_html()} {said}", system) == []


@pytest.mark.slow
@pytest.mark.browser
def test_an_unfinished_session_leads_to_the_form(page, private, tmp_path):
    write_new_session(tmp_path / "fresh", "us")
    path = private / "copies" / "workbooks" / "explore.ipynb"
    text = path.read_text(encoding="utf-8")
    fresh = f'session_folder: str = \\"{tmp_path / "fresh"}\\"'
    unfinished = path.with_name("unfinished.ipynb")
    unfinished.write_text(text.replace('session_folder: str = \\"\\"', fresh), encoding="utf-8")
    panel = run_workbook(page, "unfinished")
    assert "Not finished: session.toml still lacks date, mass" in text_of(page)
    assert not panel.get_by_role("heading", name="Cautions").is_visible()
    assert "To fix in the session" not in text_of(page)
    panel.get_by_role("link", name="Fill in the session").click()
    page.wait_for_function(
        "window.jupyterapp.shell.currentWidget?.context?.path === 'session.ipynb'"
    )
