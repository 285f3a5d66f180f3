"""Files are whole whatever happens: killed, twice at once, a full disk; no path is handed on."""

import errno
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from tuninglib import whole_files
from tuninglib.__main__ import main
from tuninglib.report.make import make_report
from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError
from tuninglib.whole_files import alone_in, write_atomic, write_together

pytestmark = pytest.mark.slow

FILES = ("report.html", "results.json", "summary.html", "workbook.ipynb")
RUN = [sys.executable, "-c", "from tuninglib.__main__ import command; command()", "report"]
POSIX = pytest.mark.skipif(os.name != "posix", reason="signals of another kind")


def command(*arguments, **environment):
    return subprocess.Popen(
        [*RUN, *map(str, arguments)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, **environment},
    )  # fmt: skip


def whole(out):
    """Each of the files that are there, read to its end."""
    found = {name: (out / name).read_text("utf-8") for name in FILES if (out / name).exists()}
    if "report.html" in found:
        assert found["report.html"].rstrip().endswith("</html>")
    for name in ("results.json", "workbook.ipynb"):
        if name in found:
            json.loads(found[name])
    return found


@POSIX
def test_a_killed_report_leaves_whole_files_and_the_next_one_clears_up(demo_copy, tmp_path):
    out = tmp_path / "out"
    begin = time.perf_counter()
    make_report(demo_copy, out)
    took = time.perf_counter() - begin + 1.0  # the command starts Python first
    before = whole(out)
    text = (demo_copy / "runs.csv").read_text("utf-8")
    (demo_copy / "runs.csv").write_text(text.replace("14,48,62", "14,48,63"), "utf-8")
    for moment in (0.3, 0.9, 0.97):
        running = command(demo_copy, "--out", out)
        time.sleep(moment * took)
        running.send_signal(signal.SIGKILL)
        running.communicate()
        assert set(whole(out)) == set(before)
    (out / ".tuninglib.report.html.abcd1234.part").write_text("half")
    (out / ".notes.markdown").write_text("the rider's own")
    make_report(demo_copy, out)
    assert [path.name for path in out.iterdir() if path.name.startswith(".")] == [".notes.markdown"]
    assert len(whole(out)) == len(FILES)


@POSIX
def test_two_at_once_into_one_folder(demo_copy, tmp_path):
    out = tmp_path / "out"
    both = [command(demo_copy, "--out", out, "--quiet") for _ in range(2)]
    ends = [one.communicate() for one in both]
    codes = sorted(one.returncode for one in both)
    assert codes in ([0, 0], [0, 2])
    if codes == [0, 2]:
        said = next(err for one, (_, err) in zip(both, ends, strict=True) if one.returncode)
        assert b"another report is being written there; wait for it" in said
    assert len(whole(out)) == len(FILES)


def test_who_comes_second_is_told_so(demo_copy, tmp_path):
    with alone_in(tmp_path), pytest.raises(SessionError, match="another report is being written"):
        make_report(demo_copy, tmp_path)
    with alone_in(tmp_path):
        pass


def test_a_full_disk_is_said_of_the_file_and_leaves_the_earlier_one(tmp_path, monkeypatch):
    path = tmp_path / "report.html"
    write_atomic(path, "earlier")

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OSError, match="No space left") as error:
        write_atomic(path, "new")
    assert error.value.filename == str(path)
    assert path.read_text() == "earlier"
    assert [one.name for one in tmp_path.iterdir()] == ["report.html"]


def test_a_disk_that_fills_at_the_second_file_leaves_every_earlier_one(tmp_path, monkeypatch):
    paths = [tmp_path / name for name in FILES]
    write_together({path: "earlier" for path in paths})
    plain, calls = tempfile.mkstemp, []

    def full(*args, **named):
        calls.append(named)
        if len(calls) == 2:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return plain(*args, **named)

    monkeypatch.setattr(tempfile, "mkstemp", full)
    with pytest.raises(OSError, match="No space left") as error:
        write_together({path: "new" for path in paths}, keep=True)
    assert error.value.filename == str(paths[1])
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == dict.fromkeys(
        FILES, "earlier"
    )


def test_what_had_other_content_is_kept_and_only_that(tmp_path):
    one, two = tmp_path / "one.html", tmp_path / "two.json"
    write_together({one: "same", two: "old"})
    assert write_together({one: "same", two: "new"}, keep=True) == (
        tmp_path / "two.earlier-1.json",
    )
    assert (tmp_path / "two.earlier-1.json").read_text() == "old"
    assert (one.read_text(), two.read_text()) == ("same", "new")


@POSIX
def test_a_write_protected_report_is_not_overwritten(demo_copy, tmp_path, capsys):
    out = tmp_path / "out"
    page = make_report(demo_copy, out).page
    before = whole(out)
    page.chmod(0o444)
    text = (demo_copy / "runs.csv").read_text("utf-8")
    (demo_copy / "runs.csv").write_text(text.replace("14,48,62", "14,48,63"), "utf-8")
    assert main(["report", str(demo_copy), "--out", str(out), "--quiet"]) == 2
    assert capsys.readouterr().err.strip() == (
        f"{page}: is write-protected; allow writing there, or choose another place"
    )
    assert whole(out) == before
    assert sorted(path.name for path in out.iterdir()) == sorted((*FILES, "summary.png"))
    page.chmod(0o640)
    make_report(demo_copy, out)
    assert page.stat().st_mode & 0o777 == 0o640


@POSIX
def test_a_linked_file_stays_a_link_and_its_target_is_written(tmp_path):
    target, link = tmp_path / "elsewhere.toml", tmp_path / "session.toml"
    target.write_text("old")
    link.symlink_to(target)
    write_atomic(link, "new")
    assert link.is_symlink()
    assert target.read_text() == "new"


@POSIX
def test_the_report_of_a_linked_session_stands_beside_the_link(demo_copy, tmp_path):
    link = tmp_path / "sessions" / "today"
    link.parent.mkdir()
    link.symlink_to(demo_copy)
    assert make_report(link).page == tmp_path / "sessions" / "today.report" / "report.html"


@POSIX
@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda path: path.symlink_to(path), "choose another"),
        (lambda path: path.write_text("mine"), "something else has that name"),
    ],
)
def test_an_out_that_is_no_folder_ends_in_one_sentence(demo_copy, tmp_path, make, said, capsys):
    out = tmp_path / "out"
    make(out)
    assert main(["report", str(demo_copy), "--out", str(out), "--quiet"]) == 2
    text = capsys.readouterr().err
    assert said in text
    assert text.count("\n") == 1


@POSIX
def test_a_lock_deleted_by_its_holder_is_asked_for_again(tmp_path, monkeypatch):
    """Between our opening the lock's file and our locking it, its holder ends and deletes it."""
    import fcntl

    lock, plain, deleted = tmp_path / whole_files._LOCK, fcntl.flock, []

    def late(handle, operation):
        if lock.exists() and not deleted:
            lock.unlink()
            deleted.append(handle)
        return plain(handle, operation)

    monkeypatch.setattr(fcntl, "flock", late)
    with alone_in(tmp_path):
        assert deleted
        assert lock.exists()
        with pytest.raises(SessionError), alone_in(tmp_path):
            pass


@POSIX
def test_a_disk_without_locks_does_not_hinder_the_work(tmp_path, monkeypatch):
    import fcntl

    def no_locks(*_):
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(fcntl, "flock", no_locks)
    with alone_in(tmp_path):
        pass
    assert not list(tmp_path.iterdir())


NAMES = [b"-dash it's quo\"te #hash trail ", b"back\\slash dol$lar {brace} %41 a&b<c>",
         "new\nline \u202eltr caf\u00e9".encode()]  # fmt: skip


@pytest.mark.skipif(os.name != "posix", reason="names that other systems do not have")
@pytest.mark.parametrize("name", NAMES, ids=repr)
def test_nothing_that_is_handed_on_says_where_it_was(demo_copy, tmp_path, name):
    parent = tmp_path / "whose home is this"
    parent.mkdir()
    folder = os.path.join(os.fsencode(parent), name)
    shutil.copytree(os.fsencode(demo_copy), folder)
    written = make_report(os.fsdecode(folder), tmp_path / "out")
    for path in (written.page, written.results, written.notebook):
        text = path.read_text("utf-8")
        assert "whose home is this" not in text
        assert str(tmp_path) not in text


@POSIX
@pytest.mark.parametrize(
    ("encoding", "name"),
    [
        ("ascii", b"\xff\xfe caf\xc3\xa9"),
        ("ascii", "caf\u00e9".encode()),
        ("utf-8", b"\xff\xfe caf\xc3\xa9"),
    ],
)
def test_a_terminal_that_lacks_letters_names_the_page_as_it_is_on_the_disk(
    demo_copy, tmp_path, encoding, name
):
    folder = os.path.join(os.fsencode(tmp_path), name)
    shutil.copytree(os.fsencode(demo_copy), folder)
    ended = subprocess.run(
        [*RUN, folder], capture_output=True, check=False,
        env={**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": encoding},
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout == folder + b".report" + os.fsencode(os.sep) + b"report.html\n"
    assert len(whole(Path(os.fsdecode(folder + b".report")))) == len(FILES)


def drawn_by(monkeypatch, results, *modules) -> list:
    """The figures that these modules make pictures of, as they are for a wide screen."""
    from tuninglib.report.page_parts import WIDE_IN, in_style

    figures = []

    def spy(draw, *words):
        with in_style():
            figures.append(draw(WIDE_IN))
            figures[-1].savefig(io.BytesIO(), format="svg")

    for module in modules:
        monkeypatch.setattr(module, "picture", spy)
        module.figure(results)
    return figures


def test_names_with_dollars_and_backslashes_stand_in_pictures_as_they_are(demo_copy, monkeypatch):
    from matplotlib.text import Text

    from tuninglib.analysis.analyse import analyse
    from tuninglib.report import injector, verdict_figure

    path = demo_copy / "session.toml"
    strange = "_$5 \\\\alpha_{x} $6 ^"
    text = path.read_text("utf-8").replace("setups.big_172]", f'setups."{strange}"]')
    path.write_text(text, "utf-8")
    runs = demo_copy / "runs.csv"
    name = strange.replace("\\\\", "\\")
    runs.write_text(runs.read_text("utf-8").replace(",big_172,", f",{name},"), "utf-8")
    results = analyse(load_session(demo_copy))
    figures = drawn_by(monkeypatch, results, verdict_figure, injector)
    drawn = [one for figure in figures for one in figure.findobj(Text) if one.get_text()]
    # A long name is broken into lines.
    said = [one.get_text().split() for one in drawn]
    assert name.replace("_", " ").split() in said
    assert not any(one.get_parse_math() for one in drawn)


def test_names_that_begin_with_an_underscore_stand_in_the_legends(demo_copy, monkeypatch):
    from tuninglib.analysis.analyse import analyse
    from tuninglib.report import injector

    for name in ("session.toml", "runs.csv"):
        path = demo_copy / name
        text = path.read_text("utf-8").replace("fuels.e10]", "fuels._e10]")
        text = text.replace('fuel = "e10"', 'fuel = "_e10"').replace('"e10"]', '"_e10"]')
        path.write_text(text, "utf-8")
    results = analyse(load_session(demo_copy))
    (figure,) = drawn_by(monkeypatch, results, injector)
    (legend,) = figure.legends
    assert {one.get_text() for one in legend.get_texts()} == {"_e10", "e5"}


def test_outputs_are_not_set_as_mathematics_and_the_page_has_no_trace_of_it(written):
    """JupyterLab leaves alone what stands in these classes; seen in a browser."""
    notebook = json.loads(written.notebook.read_text("utf-8"))
    shown = [
        "".join(output["data"]["text/html"])
        for cell in notebook["cells"]
        for output in cell.get("outputs", [])
        if "text/html" in output.get("data", {})
    ]
    wrapped = '<div class="mathjax_ignore tex2jax_ignore">'
    assert len([html for html in shown if html]) > 10
    assert all(html.startswith(wrapped) for html in shown if html)
    assert "mathjax_ignore" not in written.page.read_text("utf-8")
