"""A folder made by a stranger who wishes us ill: nothing in it runs, leaks, hangs or is obeyed."""

import os
import shutil
import subprocess
import sys
import zipfile

import pytest

from tests.conftest import DEMO, ROOT
from tuninglib.lab import start
from tuninglib.report import make
from tuninglib.session.load import MANIFEST

CONFIGS = (
    "sitecustomize", "usercustomize", "conftest", "setup", "__init__", "__main__",
    "jupyter_config", "jupyter_server_config", "jupyter_lab_config", "jupyter_notebook_config",
    "jupyter_application_config", "ipython_config", "ipython_kernel_config", "startup",
)  # fmt: skip
MODULES = (
    "multiprocessing", "concurrent", "pickle", "signal",
    "re", "json", "random", "zmq", "numpy", "pandas", "scipy", "matplotlib", "pint", "papermill",
    "nbformat", "nbclient", "IPython", "ipykernel", "ipykernel_launcher", "jupyterlab",
    "jupyter_server", "jupyter_client", "jupyter_core", "traitlets", "tornado", "jinja2",
    "markupsafe", "filelock", "tqdm", "ipywidgets", "tuninglib", "yaml", "readline", "evil",
)  # fmt: skip
SETTINGS = {
    "matplotlibrc": "axes.edgecolor: ff0000\ntext.usetex: True\nbackend: module://evil\n",
    "pip.conf": "[global]\nindex-url = http://127.0.0.1:9/\n",
    "pyvenv.cfg": "home = .\n",
    "pandas.pth": "import evil\n",
    ".papermill.yaml": "engine: evil\n",
    "jupyter_server_config.json": '{"ServerApp": {"jpserver_extensions": {"evil": true}}}',
}
ESCAPE = "\x1b]0;owned\x07"


@pytest.fixture
def hostile(tmp_path):
    """The outing, the canary that any of its code would leave, and something to be kept private."""
    canary, secret = tmp_path / "canary", tmp_path / "secret.csv"
    secret.write_text("private\n")
    folder = shutil.copytree(DEMO, tmp_path / f"outing {ESCAPE}")
    code = f"open({str(canary)!r}, 'a').write(__name__ + '\\n')\n"
    for name in (*CONFIGS, *MODULES):
        (folder / f"{name}.py").write_text(code)
    for name, text in SETTINGS.items():
        (folder / name).write_text(text)
    (folder / "bank.csv").symlink_to(secret)
    (folder / "fills.earlier-1.csv").symlink_to(secret)
    (folder / "zero.csv").symlink_to("/dev/zero")
    (folder / "loop.csv").symlink_to("loop.csv")
    os.mkfifo(folder / "pipe.csv")
    (folder / f"{ESCAPE}.csv").write_text("time,speed\n1,2\n")
    return folder, canary


@pytest.fixture
def command(tmp_path):
    """The command as it is installed: a script that is not in the folder."""
    script = tmp_path / "bin" / "tuninglib"
    script.parent.mkdir()
    script.write_text(
        "from tuninglib.__main__ import command\n\nif __name__ == '__main__':\n    command()\n"
    )
    return sys.executable, str(script)


def run(command, folder, **more):
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **more}
    return subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, timeout=120
    )


@pytest.mark.slow
@pytest.mark.parametrize("arguments", [("check",), ("report",), ("report", "--kernel"), ("pack",)])
def test_nothing_in_it_runs_or_is_obeyed(hostile, command, arguments):
    folder, canary = hostile
    found = run((*command, *arguments, "."), folder)
    assert found.returncode == 0, found.stderr
    assert not canary.exists(), canary.read_text()
    assert "\x1b" not in found.stdout + found.stderr
    if arguments[0] == "report":
        page = (folder.parent / f"{folder.name}.report" / "report.html").read_bytes()
        kept = make.make_report(DEMO, folder.parent / "own").page.read_bytes()
        figure = [line for line in page.splitlines() if b"data:image/svg" in line]
        assert figure == [line for line in kept.splitlines() if b"data:image/svg" in line]
    if arguments == ("pack",):
        (file,) = folder.parent.glob("*.zip")
        with zipfile.ZipFile(file) as packed:
            assert set(packed.namelist()) == {"session.toml", "runs.csv", MANIFEST}
        back = folder.parent / "back"
        assert run((*command, "unpack", str(file), str(back)), folder).returncode == 0
        assert {path.name for path in back.iterdir()} == {"session.toml", "runs.csv"}
        assert "holds runs.csv, session.toml" in found.stdout
        assert not canary.exists()


@pytest.mark.slow
def test_nothing_runs_where_many_reports_are_made_at_a_time(hostile, command):
    """Processes are started where the command was given, among a stranger's files."""
    folder, canary = hostile
    for name in ("one", "two"):
        (folder / name).mkdir()
        for file in ("session.toml", "runs.csv"):
            shutil.copy(DEMO / file, folder / name)
    (folder / "session.toml").unlink()
    found = run((*command, "report", ".", "--jobs", "2", "--quiet"), folder)
    assert found.returncode == 0, found.stderr
    assert "2 made, 0 unchanged, of 2 outings." in found.stdout
    assert not canary.exists(), canary.read_text()


@pytest.mark.slow
@pytest.mark.parametrize(
    "module", [("tuninglib", "check", "."), ("ipykernel_launcher", "--version"),
               ("jupyterlab", "--show-config")],
)  # fmt: skip
def test_the_canary_fires_without_the_protection(hostile, module):
    folder, canary = hostile
    run((sys.executable, "-m", *module), folder)
    assert canary.exists()


@pytest.mark.slow
def test_the_lab_starts_away_from_it(hostile, monkeypatch):
    """Its child is started as it is, but shows its settings instead of serving."""
    folder, canary = hostile
    monkeypatch.chdir(folder)
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    whole = start.lab_command
    monkeypatch.setattr(start, "lab_command", lambda **k: [*whole(**k), "--show-config"])
    assert start.start_lab(".", browser=False) == 0
    assert not canary.exists(), canary.read_text()


def test_a_link_among_its_own_files_is_not_packed(demo_copy, tmp_path, capsys):
    from tuninglib.__main__ import main

    (tmp_path / "private").write_text("a,b\n")
    (demo_copy / "fills.csv").symlink_to(tmp_path / "private")
    assert main(["pack", str(demo_copy)]) == 2
    assert "fills.csv: is a link" in capsys.readouterr().err
