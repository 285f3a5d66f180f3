"""The same reports from the workers of a scheduler: two local ones, in processes of their own."""

import os
import shutil
import signal
import socket

import pytest

from tests.conftest import ROOT
from tuninglib.__main__ import main
from tuninglib.report import make
from tuninglib.report.make import MADE_FROM, make_reports

SUMMER = ROOT / "demo_data" / "one_summer"
# What dask.distributed itself warns of.
pytestmark = [
    pytest.mark.filterwarnings("ignore::DeprecationWarning:distributed"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


@pytest.fixture(scope="module")
def scheduler():
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as workers:
        yield workers


@pytest.fixture
def summer(tmp_path):
    return shutil.copytree(SUMMER, tmp_path / "summer")


def files_of(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and ".report" in str(path)
    }


@pytest.mark.slow
def test_reports_are_those_of_this_machine_and_made_once(scheduler, summer, tmp_path, capsys):
    address = scheduler.scheduler_address
    for name in ("3_july", "4_august"):
        shutil.rmtree(summer / name)
    here = shutil.copytree(summer, tmp_path / "here")
    shutil.copytree(summer / "1_may", summer / "5_bad")
    (summer / "5_bad" / "runs.csv").write_text("run,setup\n", encoding="utf-8")
    assert main(["report", str(summer), "--scheduler", address]) == 2
    said = capsys.readouterr()
    assert "2 made, 0 unchanged, of 3 outings." in said.out
    assert "5_bad: runs.csv: has a header but no run" in said.err
    assert (summer / "season.html").is_file()
    make_reports(here, jobs=1)
    assert files_of(summer) == files_of(here)
    assert main(["report", str(summer), "--scheduler", address, "--quiet"]) == 2
    assert "0 made, 2 unchanged, of 3 outings." in capsys.readouterr().out


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals of another kind")
def test_a_worker_that_is_lost_loses_nothing(scheduler, summer):
    with make.executor_at(scheduler.scheduler_address) as executor:
        one, _ = executor.submit(os.getpid).result(), None
        # The worker that answered is killed in the middle of the work.
        killed = []

        def kill(*_):
            if not killed:
                killed.append(one)
                os.kill(one, signal.SIGKILL)

        found = make_reports(summer, executor=executor, progress=kill)
    assert killed
    assert [one.code for one in found] == ["made"] * 4
    for page in summer.rglob("report.html"):
        assert page.read_text(encoding="utf-8").rstrip().endswith("</html>")
    assert len(list(summer.rglob(MADE_FROM))) == 4
    assert not [name for name in files_of(summer) if "earlier" in name]


@pytest.fixture(scope="module")
def silent():
    """Address of a port that takes a call and never answers."""
    with socket.create_server(("127.0.0.1", 0)) as port:
        yield f"tcp://127.0.0.1:{port.getsockname()[1]}"


def test_a_scheduler_that_does_not_work_is_said_in_one_sentence(
    silent, summer, capsys, monkeypatch
):
    assert make._PATIENCE_S < 10
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=0, processes=False, protocol="tcp", dashboard_address=None
    ) as idle:
        idle = idle.scheduler_address
        for patience_s, address, said in (
            (1.5, idle, f"has no workers; start one with: dask worker {idle}"),
            (0.2, "tcp://127.0.0.1:9", "no scheduler answers at tcp://127.0.0.1:9; start one with"),
            (0.2, silent, f"no scheduler answers at {silent}; start one with"),
            (0.2, "tls://127.0.0.1:9", "as the guide says under Many outings"),
            (0.2, "nowhere at all", "is neither on this machine nor at tls://"),
            (0.2, "tcp://server:8786", "is neither on this machine nor at tls://"),
            (0.2, "tcp://127.0.0.1.example.org:8786", "is neither on this machine nor at tls://"),
        ):
            monkeypatch.setattr(make, "_PATIENCE_S", patience_s)
            assert main(["report", str(summer), "--scheduler", address]) == 2
            err = capsys.readouterr().err
            assert said in err, err
            assert err.count("\n") == 1, err
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    assert main(["report", str(summer), "--scheduler", "tcp://127.0.0.1:9"]) == 2
    assert "pip install 'tuninglib[cluster]'" in capsys.readouterr().err
