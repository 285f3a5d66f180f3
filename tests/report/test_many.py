"""Reports of many sessions: several at a time, the unchanged left alone, the bad ones listed."""

import multiprocessing
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tuninglib.__main__ import main
from tuninglib.report import make
from tuninglib.report.make import MADE_FROM, fingerprint, make_reports, sessions_in

pytestmark = pytest.mark.slow

NAMES = ("june/first", "june/second", "may")
FILES = ("report.html", "summary.html", "results.json")


@pytest.fixture(scope="module")
def made(demo_folder, tmp_path_factory):
    """Three sessions, one of them in a folder of its own, with their reports. Read only."""
    folder = tmp_path_factory.mktemp("club") / "season"
    for name in NAMES:
        shutil.copytree(demo_folder, folder / name)
    assert [one.code for one in make_reports(folder, jobs=1)] == ["made"] * 3
    return folder


@pytest.fixture
def season(made, tmp_path):
    """A copy of it that a test may spoil."""
    return Path(shutil.copytree(made, tmp_path / "season"))


def without_reports(folder):
    for name in NAMES:
        shutil.rmtree(folder / f"{name}.report")


def pages(folder):
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("report.html"))


def test_sessions_are_found_wherever_they_lie(season):
    for place in (".hidden/copy", "june/first.report/copy", "may/inside"):
        shutil.copytree(season / "may", season / place)
    assert [str(one.relative_to(season)) for one in sessions_in(season)] == [*NAMES]


@pytest.mark.parametrize("jobs", [1, 2])
def test_what_has_not_changed_is_not_made_again(season, jobs):
    assert pages(season) == [f"{name}.report/report.html" for name in NAMES]
    before = {path: path.stat().st_mtime_ns for path in season.rglob("report.html")}
    said = []
    found = make_reports(season, jobs=jobs, progress=lambda *one: said.append(one[1:]))
    assert [one.code for one in found] == ["unchanged"] * 3
    assert said == [(1, 3), (2, 3), (3, 3)]
    # One letter in one session: that one alone. And a report that is no longer whole.
    toml = season / "may" / "session.toml"
    text = toml.read_text(encoding="utf-8").replace("124 kg", "125 kg")
    toml.write_text(text, encoding="utf-8")
    (season / "june" / "first.report" / "report.html").unlink()
    found = make_reports(season, jobs=jobs)
    assert [one.code for one in found] == ["made", "unchanged", "made"]
    after = {path: path.stat().st_mtime_ns for path in season.rglob("report.html")}
    second = season / "june" / "second.report" / "report.html"
    assert after[second] == before[second]


def test_a_file_of_a_report_that_is_gone_or_damaged_is_made_again(made, tmp_path):
    for one in ("may", "may.report"):
        shutil.copytree(made / one, tmp_path / one)
    out = tmp_path / "may.report"
    assert make._is_made(tmp_path / "may", out, False)
    assert not make._is_made(tmp_path / "may", out, True), "there is no PDF"
    names = ["report.html", "summary.html", "results.json", "workbook.ipynb", MADE_FROM]
    for path in [out / name for name in names]:
        whole = path.read_bytes()
        path.unlink()
        assert not make._is_made(tmp_path / "may", out, False), path
        path.write_bytes(whole[: len(whole) // 2])
        assert not make._is_made(tmp_path / "may", out, False), path
        path.write_bytes(whole)
    (out / "results.json").write_bytes(b"{}")
    assert [one.code for one in make_reports(tmp_path, jobs=1)] == ["made"]
    assert (out / "results.json").read_bytes() == (made / "may.report/results.json").read_bytes()
    assert make._is_made(tmp_path / "may", out, False)


@pytest.mark.skipif(os.name != "posix", reason="signals of another kind")
def test_workers_end_with_the_process_that_started_them(season):
    without_reports(season)
    running = subprocess.Popen(
        [sys.executable, "-m", "tuninglib", "report", str(season), "--jobs", "2", "--quiet"],
        stderr=subprocess.DEVNULL,
    )
    workers = set()
    try:
        for _ in range(400):
            found = subprocess.run(
                ["ps", "-ww", "-o", "pid=,args=", "--ppid", str(running.pid)],
                capture_output=True, text=True,
            ).stdout  # fmt: skip
            workers = {int(line.split()[0]) for line in found.splitlines() if "spawn_main" in line}
            if len(workers) == 2:
                break
            time.sleep(0.05)
        assert len(workers) == 2
        # Into their work: a report takes longer than that.
        time.sleep(0.5)
    finally:
        running.kill()
        running.wait()
    for _ in range(400):
        left = {one for one in workers if os.path.exists(f"/proc/{one}")}
        if not left:
            break
        time.sleep(0.05)
    assert not left


def test_a_bad_session_does_not_stop_the_others(season, made, tmp_path, capsys):
    without_reports(season)
    (season / "june" / "first" / "runs.csv").write_text("run,setup\n", encoding="utf-8")
    out = tmp_path / "out"
    assert main(["report", str(season), "--out", str(out), "--jobs", "2"]) == 2
    said = capsys.readouterr()
    assert "2 made, 0 unchanged, of 3 outings." in said.out
    assert "first: runs.csv: has a header but no run" in said.err
    assert "3/3" in said.err
    assert pages(out) == ["june/second.report/report.html", "may.report/report.html"]
    # Made two at a time, they are what they are one after the other.
    for name in FILES:
        assert (out / "may.report" / name).read_bytes() == (made / "may.report" / name).read_bytes()
    # Mended, it alone is made; and all is well.
    shutil.copy(season / "may" / "runs.csv", season / "june" / "first" / "runs.csv")
    assert main(["report", str(season), "--out", str(out), "--quiet"]) == 0
    assert "1 made, 2 unchanged, of 3 outings." in capsys.readouterr().out


def test_a_report_of_many_is_the_report_of_one(made, tmp_path):
    assert main(["report", str(made / "may"), "--out", str(tmp_path / "one"), "--quiet"]) == 0
    for name in FILES:
        ours = (made / "may.report" / name).read_bytes()
        assert ours == (tmp_path / "one" / name).read_bytes()


def test_the_fingerprint_looks_at_what_a_report_follows_from(season):
    first = fingerprint(season / "may")
    assert first == fingerprint(season / "june" / "first")
    (season / "may" / "note.txt").write_text("hello")
    (season / "may" / "runs.earlier-1.csv").write_text("old")
    assert fingerprint(season / "may") == first
    (season / "may" / "fills.csv").write_text("setup,distance [km],volume [L]\nstock,200,5\n")
    assert fingerprint(season / "may") != first


def test_a_folder_without_sessions_is_said(tmp_path, capsys):
    assert main(["report", str(tmp_path)]) == 2
    assert "session.toml" in capsys.readouterr().err


@pytest.mark.skipif(os.name != "posix", reason="signals of another kind")
def test_a_kill_leaves_whole_files_and_the_rest_is_made_the_next_time(season):
    without_reports(season)
    running = subprocess.Popen(
        [sys.executable, "-m", "tuninglib", "report", str(season), "--jobs", "1", "--quiet"],
        start_new_session=True,
    )
    for _ in range(600):
        if list(season.rglob(MADE_FROM)):
            break
        time.sleep(0.05)
    os.killpg(running.pid, signal.SIGKILL)
    running.wait()
    for page in season.rglob("report.html"):
        assert page.read_text(encoding="utf-8").rstrip().endswith("</html>")
    codes = [one.code for one in make_reports(season, jobs=1)]
    assert "unchanged" in codes
    assert set(codes) <= {"made", "unchanged"}
    assert len(pages(season)) == 3


@pytest.mark.skipif(os.name != "posix", reason="signals of another kind")
def test_a_process_that_is_killed_is_named_and_the_rest_is_made_the_next_time(season):
    """What a machine that runs out of memory does: one of two processes is gone."""
    without_reports(season)
    killed = []

    def kill(*_):
        if not killed:
            killed.extend(multiprocessing.active_children()[:1])
            os.kill(killed[0].pid, signal.SIGKILL)

    found = make_reports(season, jobs=2, progress=kill)
    assert killed
    said = [one.said for one in found if one.code != "made"]
    assert said
    assert all("a process that made reports was stopped" in one for one in said)
    # the process that was killed may have written its report before it could say so
    again = {one.code for one in make_reports(season, jobs=1)}
    assert again <= {"made", "unchanged"}
    assert len(pages(season)) == 3
    for page in season.rglob("report.html"):
        assert page.read_text(encoding="utf-8").rstrip().endswith("</html>")
