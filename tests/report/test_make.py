"""The written report as files: the same every time, nothing loaded, nothing lost."""

import base64
import gc
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from concurrent.futures import BrokenExecutor
from contextlib import suppress
from pathlib import Path
from types import SimpleNamespace

import nbformat
import pytest

from tuninglib.__main__ import main
from tuninglib.report import cautions, gain, make
from tuninglib.report.make import WorkbookError, make_report
from tuninglib.report.page_parts import MissingPdf, page_to_pdf, render, render_page
from tuninglib.text_files import SessionError


def run_command(*arguments, **environment):
    return subprocess.run(
        [sys.executable, "-m", "tuninglib", *map(str, arguments)], capture_output=True, text=True,
        env={**os.environ, **environment}, timeout=120,
    )  # fmt: skip


@pytest.fixture(scope="module")
def page(written):
    return written.page.read_text(encoding="utf-8")


@pytest.mark.slow
def test_two_runs_give_the_same_bytes_and_the_command_says_where(written, demo_folder, tmp_path):
    again = tmp_path / "again"
    done = run_command("report", demo_folder, "--out", again, PYTHONHASHSEED="77", TZ="Asia/Tokyo")
    assert done.returncode == 0, done.stderr
    for path in (written.page, written.results, written.notebook):
        assert (again / path.name).read_bytes() == path.read_bytes(), path.name
    # Progress goes to stderr and the page's name to stdout.
    assert done.stdout.strip() == str(again / "report.html")
    for step in ("Reading the outing", "Working it out", "Writing the page"):
        assert step in done.stderr


def test_a_report_that_is_whole_and_of_these_files_is_not_made_again(
    demo_folder, tmp_path, monkeypatch
):
    shutil.copytree(demo_folder, tmp_path / "outing")
    out, made = tmp_path / "outing.report", []

    def make_fake(session, place, *, pdf):
        made.append(pdf)
        names = {"page": "report.html", "summary": "summary.html", "results": "results.json",
                 "notebook": "report.ipynb"} | ({"pdf": "report.pdf"} if pdf else {})  # fmt: skip
        place.mkdir(exist_ok=True)
        for name in names.values():
            (place / name).write_text(name)
        none = {"pdf": None}
        return SimpleNamespace(**none | {what: place / name for what, name in names.items()})

    monkeypatch.setattr(make, "make_report", make_fake)

    def again(**options):
        (one,) = make.make_reports(tmp_path, jobs=1, **options)
        return one.code

    assert [again(), again(), again(anew=True)] == ["made", "unchanged", "made"]
    for name in ("report.html", "results.json"):
        (out / name).write_text("damaged")
        assert [again(), again()] == ["made", "unchanged"]
    (out / "summary.html").unlink()
    assert again() == "made"
    (tmp_path / "outing" / "runs.csv").write_bytes(
        (tmp_path / "outing" / "runs.csv").read_bytes() + b"\n"
    )
    assert [again(), again()] == ["made", "unchanged"]
    # A PDF that is asked for counts, and one that is not does not.
    assert [again(pdf=True), again(pdf=True)] == ["made", "unchanged"]
    (out / "report.pdf").write_text("damaged")
    assert [again(), again(pdf=True), again()] == ["unchanged", "made", "unchanged"]
    (out / make.MADE_FROM).write_text("")
    assert [again(), made.count(True)] == ["made", 2]


def test_the_page_loads_nothing_and_hides_the_code(page):
    assert not re.search(r"""(?:src|href)\s*=\s*["']?(?!data:|#)[^"'>\s]""", page)
    assert "@import" not in page
    assert not re.search(r"url\((?!data:)", page)
    assert "default-src &#39;none&#39;" in page or "default-src 'none'" in page
    assert "analyse(" not in page
    assert "import " not in page.split("<main")[1].split("<script")[0]


def test_every_picture_has_words_and_every_contents_link_a_target(page):
    images = re.findall(r"<img [^>]*>", page)
    assert len(images) == 2 * 3, "each for wide and for narrow screens"
    assert all(re.search(r'alt="[^"]{40,}"', image) for image in images)
    links = re.findall(r'<a href="#([^"]+)">', page.partition("<nav")[2].partition("</nav>")[0])
    assert links == re.findall(r'<h2 id="([^"]+)"', page)
    assert len(links) > 8


def test_no_heading_stands_over_nothing_and_one_line_says_what_could_be_added(page):
    shown = re.findall(r"<h2[^>]*>([^<]+)</h2>", page)
    for heading in ("Gearing", "Pull against speed", "The logs"):
        assert heading not in shown
        assert f">{heading}</a>" not in page
    # Parts and their prices are known, so that this one is not empty.
    assert "Fuel use and money" in shown
    told = page.count("What could be added")
    assert told == 1
    for file in ("([gearing] in session.toml)", "(fills.csv)", "([logs] in session.toml)"):
        assert file in page.partition("What could be added")[2]


def test_the_page_says_what_a_rider_asks_first(page):
    text = re.sub(r"<[^>]+>", "", page).replace("\u00a0", " ")
    assert "Ride now: big 172" in text
    assert re.search(r"\d+ % \(\d+ to \d+ %\) more pull than stock, for 199 EUR", text)
    assert "inside the target band 0.83 to 0.90" in text
    assert "big 150: light knock was heard on run 5" in text
    assert "closed or quiet road" in text
    assert "SAE J1349" in text


@pytest.mark.slow
def test_an_earlier_report_is_kept_and_told(demo_copy, edit, tmp_path):
    out = tmp_path / "out"
    first = make_report(demo_copy, out)
    before = first.page.read_bytes()
    assert make_report(demo_copy, out).kept == ()
    edit("session.toml", "Bigger cylinder", "Biggest cylinder")
    second = make_report(demo_copy, out)
    assert out / "report.earlier-1.html" in second.kept
    assert (out / "report.earlier-1.html").read_bytes() == before
    assert second.page.read_bytes() != before


@pytest.mark.slow
def test_a_session_that_cannot_be_used_leaves_the_earlier_report_alone(demo_copy, edit, tmp_path):
    out = tmp_path / "out"
    make_report(demo_copy, out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    edit("runs.csv", "3,stock,tove", "3,stick,tove")
    done = run_command("report", demo_copy, "--out", out)
    assert done.returncode == 2
    assert "runs.csv, row 4, setup: 'stick' is not one of the setups" in done.stderr
    assert "Traceback" not in done.stderr
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


@pytest.mark.slow
def test_a_fault_of_the_program_leaves_the_earlier_report_alone(demo_copy, tmp_path, monkeypatch):
    out = tmp_path / "out"
    make_report(demo_copy, out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}

    def broken(results):
        raise RuntimeError("a fault")

    monkeypatch.setattr(gain, "table", broken)
    with pytest.raises(
        WorkbookError, match=r"'gain\.table\(results\)' failed with RuntimeError: a"
    ):
        make_report(demo_copy, out)
    assert (out / "workbook.failed.ipynb").exists()
    (out / "workbook.failed.ipynb").unlink()
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


CELLS = (
    "word = 'x'  # said", "import sys\nprint(word)\nprint('!', file=sys.stderr)", "word * 2",
    "from IPython.display import HTML, display\ndisplay(HTML('<b>', metadata={'a': 1}))",
)  # fmt: skip


@pytest.fixture
def workbook(tmp_path):
    """A small one: words, a value to set, and what is shown in each way; and what fails."""

    def made(*more):
        notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell("Words")])
        notebook.cells += [nbformat.v4.new_code_cell(one) for one in (*CELLS, *more)]
        notebook.cells[1].metadata["tags"] = ["parameters"]
        notebook.metadata.kernelspec = {"name": "python3", "display_name": "", "language": "python"}
        nbformat.write(notebook, tmp_path / "small.ipynb")
        return tmp_path / "small.ipynb"

    return made


def test_cells_are_run_in_order_and_keep_what_they_show(workbook):
    before, names = (sys.displayhook, sys.excepthook, sys.modules["__main__"]), {}
    path = workbook()
    left = path.parent / "failed.ipynb"
    left.write_text("of an earlier time")
    done = make.run_workbook(
        path, {"word": "ab"}, shown={"word": "shown"}, failed=left, namespace=names
    )
    assert before == (sys.displayhook, sys.excepthook, sys.modules["__main__"])
    assert names["word"] == "ab"
    assert not left.exists()
    nbformat.validate(done)
    words, typed, injected, printed, value, shown = done.cells
    assert (words.source, typed.source) == ("Words", CELLS[0])
    assert "shown" in injected.source
    streams = [(one.name, one.text) for one in printed.outputs]
    assert streams == [("stdout", "ab\n"), ("stderr", "!\n")]
    assert value.outputs[0].data["text/plain"] == "'abab'"
    assert [value.execution_count, value.outputs[0].execution_count] == [4, 4]
    assert shown.outputs[0].data["text/html"] == "<b>"
    assert shown.outputs[0].metadata == {"text/html": {"a": 1}}
    assert (shown.outputs[0].output_type, shown.execution_count) == ("display_data", 5)


def test_the_cell_that_fails_is_named_and_the_workbook_so_far_is_kept(workbook):
    path = workbook("print('on the way')\n1 / 0", "word")
    left = path.parent / "failed.ipynb"
    with pytest.raises(WorkbookError) as refused:
        make.run_workbook(path, {}, failed=left)
    cell = "the cell \"print('on the way')\" failed with ZeroDivisionError: division by zero"
    assert str(refused.value) == f"{cell}; the workbook so far is {left}"
    failed, after = nbformat.read(left, as_version=4).cells[-2:]
    # Its traceback once.
    assert [one.output_type for one in failed.outputs] == ["error"]
    assert failed.outputs[0].evalue == "division by zero"
    assert not after.outputs
    with pytest.raises(WorkbookError, match=r"division by zero$"):
        make.run_workbook(path, {})
    with pytest.raises(WorkbookError, match=r"^the cell '1 \+' failed with SyntaxError"):
        make.run_workbook(workbook("1 +"), {})
    with pytest.raises(ValueError, match=r"^small.ipynb has no parameter 'bird'; it has word$"):
        make.run_workbook(path, {"word": "", "bird": ""}, shown={"word": ""})


@pytest.mark.parametrize(("problems", "more"), [(1, ""), (2, " (and 1 more)")])
def test_of_many_the_first_problem_is_said_and_how_many_more(tmp_path, monkeypatch, problems, more):
    def refuse(*_, **__):
        raise SessionError([f"runs.csv, row {at}" for at in range(problems)])

    monkeypatch.setattr(make, "make_report", refuse)
    monkeypatch.setattr(make, "fingerprint", lambda session: "")
    monkeypatch.setattr(make, "_is_made", lambda *_: True)
    assert make._made(tmp_path, tmp_path, anew=False, pdf=False).code == "made"
    outcome = make._made(tmp_path, tmp_path, anew=True, pdf=False)
    assert (outcome.code, outcome.said) == ("to fix", f"runs.csv, row 0{more}")


def test_reports_of_many_lie_as_their_sessions_and_follow_from_the_whole_program():
    assert make.place_of(Path("a/b/c"), "a", "out") == Path("out/b/c.report")
    assert {one.suffix for one in make.program_files()} == {".py", ".j2", ".js", ".css", ".json"}


@pytest.mark.parametrize(
    ("jobs", "cores", "sessions", "workers"),
    [(None, 3, 9, 3), (2, 3, 9, 2), (7, 3, 4, 4), (None, None, 9, None), (4, 3, 0, None)],
)
def test_as_many_are_made_at_a_time_as_there_are_cores(monkeypatch, jobs, cores, sessions, workers):
    """Or as are asked for; never more than there are sessions; one alone needs no process."""
    asked = []

    def pool(count, **_):
        asked.append(count)
        raise BrokenExecutor

    monkeypatch.setattr("concurrent.futures.ProcessPoolExecutor", pool)
    monkeypatch.setattr(os, "cpu_count", lambda: cores)
    monkeypatch.setattr(make, "_make", lambda session, *_: session)
    todo = dict.fromkeys(range(sessions))
    with suppress(BrokenExecutor):
        assert len(list(make._finished(list(todo), todo, (), jobs, None))) == sessions
    assert asked == ([] if workers is None else [workers])


def test_a_workbook_that_leaves_no_results_is_refused(demo_folder, tmp_path, monkeypatch):
    notebook = nbformat.read(make.workbook_path("session_report"), as_version=4)
    notebook.cells[-1].source = "del results"
    spoilt = tmp_path / "session_report.ipynb"
    nbformat.write(notebook, spoilt)
    monkeypatch.setattr(make, "workbook_path", lambda name: spoilt)
    out = tmp_path / "out"
    with pytest.raises(WorkbookError, match="left no results under the name 'results'"):
        make_report(demo_folder, out)
    assert list(out.iterdir()) == []


ODD = 'Müllers "große" {tour} $HOME \\ it\'s'


@pytest.mark.slow
def test_the_workbook_of_a_kernel_does_not_say_where_the_folder_lies(demo_folder, tmp_path):
    folder = shutil.copytree(demo_folder, tmp_path / ODD)
    says_not_where_it_lies(make_report(folder, kernel=True), tmp_path)


def says_not_where_it_lies(written, tmp_path):
    """Neither a page nor the workbook that is handed on, whatever the folder is called."""
    assert written.page.parent == tmp_path / f"{ODD}.report"
    for path in (written.page, written.results, written.notebook):
        text = path.read_text(encoding="utf-8")
        # However the path is spelled: the name of the folder above is plain letters.
        assert tmp_path.name not in text
    notebook = nbformat.read(written.notebook, as_version=4)
    (cell,) = [c for c in notebook.cells if "injected-parameters" in c.metadata.get("tags", [])]
    names = {}
    exec(cell.source, names)
    assert names["session_folder"] == ODD


@pytest.mark.slow
def test_a_fault_in_a_folder_with_an_odd_name_is_told_and_kept(demo_folder, tmp_path, monkeypatch):
    folder = shutil.copytree(demo_folder, tmp_path / ODD)
    monkeypatch.setattr(cautions, "sentences", None)
    with pytest.raises(WorkbookError, match="failed with TypeError"):
        make_report(folder)
    assert (tmp_path / f"{ODD}.report" / "workbook.failed.ipynb").exists()


@pytest.mark.parametrize(
    ("units", "wanted", "unwanted"),
    [
        ("us", ["mph", "lbf", "°F", "hp"], ["km/h", " °C"]),
        pytest.param("imperial", ["mph", "lbf", "bhp"], ["km/h"], marks=pytest.mark.slow),
    ],
)
def test_the_report_prints_the_riders_units_in_a_folder_of_any_name(
    edit, tmp_path, units, wanted, unwanted
):
    folder = edit("session.toml", 'units = "metric"', f'units = "{units}"').rename(tmp_path / ODD)
    earlier = tmp_path / f"{ODD}.report" / "report.html"
    earlier.parent.mkdir()
    earlier.write_text("mine")
    written = make_report(folder)
    assert earlier.with_name("report.earlier-1.html").read_text() == "mine"
    assert written.kept == (earlier.with_name("report.earlier-1.html"),)
    says_not_where_it_lies(written, tmp_path)
    page = written.page.read_text(encoding="utf-8")
    # The part that is made of the session's numbers; sources and methods name units of standards.
    text = page.split("<main")[1].split('id="how-it-was-worked-out"')[0]
    text = re.sub(r"<script.*?</script>", "", text, flags=re.DOTALL)
    text = text.replace("\u00a0", " ").replace("25 °C and 990 hPa", "")
    for word in wanted:
        assert word in text, word
    for word in unwanted:
        assert word not in text, word


def test_check_tells_with_its_exit_status(demo_folder, edit, capsys):
    assert main(["check", str(demo_folder)]) == 0
    assert "nothing to fix" in capsys.readouterr().out
    assert main(["check", str(edit("runs.csv", "3,stock", "3,stick"))]) == 2
    assert "1 problem to fix" in capsys.readouterr().err


def test_new_then_check_tells_what_is_missing(tmp_path, capsys):
    assert main(["new", str(tmp_path / "mine")]) == 0
    assert main(["check", str(tmp_path / "mine")]) == 2
    assert "is still empty" in capsys.readouterr().err
    assert main(["new", str(tmp_path / "mine")]) == 2


def test_results_for_programs(written):
    document = json.loads(written.results.read_text(encoding="utf-8"))
    assert document["schema"] == "tuninglib results 3"
    assert document["interval"] == 0.95
    assert written.pdf is None
    assert set(document["provenance"]) >= {"session.toml", "runs.csv", "tuninglib", "numpy"}


def test_a_script_is_allowed_by_its_checksum_only(written):
    notebook = nbformat.read(written.notebook, as_version=4)
    script = "document.title = 'a < b && c > d';"
    page = render_page(notebook, title="t", byline="b", footer="f", script=script)
    inside = re.search(r"<script>(.*?)</script>", page, flags=re.DOTALL)[1]
    digest = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in page
    # A sound is played only where one was asked for.
    assert "media-src" not in page
    sound = render("report/page/audio.html.j2", heard=[("run 2.wav", "2 s", "UklGRg==")])
    output = nbformat.v4.new_output("display_data", {"text/html": sound})
    notebook.cells.append(nbformat.v4.new_code_cell(outputs=[output]))
    page = render_page(notebook, title="t", byline="b", footer="f")
    assert "; media-src data:" in page


@pytest.mark.slow
@pytest.mark.parametrize("name", ["summary", pytest.param("page", marks=pytest.mark.slow)])
def test_a_pdf_is_made_from_the_same_page_and_is_the_same_every_time(written, name):
    page = getattr(written, name).read_text(encoding="utf-8")
    try:
        first = page_to_pdf(page)
    except MissingPdf as error:
        pytest.skip(str(error))
    assert first.startswith(b"%PDF-")
    assert first == page_to_pdf(page)


@pytest.mark.slow
def test_a_pdf_that_cannot_be_made_is_refused_in_one_sentence(
    demo_folder, tmp_path, monkeypatch, capsys
):
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    out = tmp_path / "out"
    assert main(["report", str(demo_folder), "--out", str(out), "--pdf"]) == 2
    said = capsys.readouterr()
    assert "Writing the PDF" in said.out + said.err
    assert "or open report.html in a browser and print it" in said.err
    assert list(out.iterdir()) == []


@pytest.mark.slow
def test_a_finished_report_leaves_nothing_behind(demo_folder, tmp_path):
    """Hundreds are made in one process: neither results nor shells may stay."""

    def left():
        gc.collect()
        return sum(type(one).__name__ in ("Results", "_Shell") for one in gc.get_objects())

    make_report(demo_folder, tmp_path / "first")
    before = left()
    make_report(demo_folder, tmp_path / "second")
    assert left() == before
