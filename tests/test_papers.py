"""The papers for people: what README and DEVELOPERS name exists, under that very name."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

import tuninglib
from tuninglib.__main__ import main

ROOT = Path(__file__).resolve().parents[1]
PAPERS = ("README.md", "DEVELOPERS.md")
# A path from the top of the project, as prose, tables and commands write it. What a command makes
# and what stands for a choice of the reader is none.
_PATH = re.compile(r"(?<![\w/.:-])((?:tuninglib|tests|workbooks|demo_data|\.ci)/[\w./*-]*[\w/])")
# A module without its package, such as `session/read_table` or `analysis/results`.
_MODULE = re.compile(r"`((?:lab|report|analysis|session|statistics|physics)/[\w/]*)`")
_ROW = re.compile(r"^\*\*`tuninglib/(\w+)/`\*\*", re.M)


def paper(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def rows_told() -> dict:
    """By row, the modules that DEVELOPERS names: in the table's first column, or in a line."""
    told = {}
    for piece in re.split(r"\n(?=\*\*)", paper("DEVELOPERS.md").split("## Rules of the house")[0]):
        if row := _ROW.match(piece):
            lines = [line.split("|")[1] for line in piece.splitlines() if line.startswith("| `")]
            text = " ".join(lines) or piece.split("**:")[-1]
            told[row[1]] = re.findall(r"`(\w+)`", text)
    return told


@pytest.mark.parametrize("name", PAPERS)
def test_paths_exist(name):
    paths = _PATH.findall(paper(name))
    assert paths
    missing = [path for path in paths if not list(ROOT.glob(path.rstrip("/")))]
    assert missing == []


@pytest.mark.parametrize("name", PAPERS)
def test_modules_exist(name):
    missing = [
        module
        for module in _MODULE.findall(paper(name))
        if not (ROOT / "tuninglib" / f"{module}.py").exists()
        and not (ROOT / "tuninglib" / module).is_dir()
    ]
    assert missing == []


def test_every_module_of_a_row_is_told_and_no_other():
    told = rows_told()
    assert set(told) == {path.parent.name for path in (ROOT / "tuninglib").glob("*/__init__.py")}
    for row, modules in told.items():
        there = {path.stem for path in (ROOT / "tuninglib" / row).glob("*.py")} - {"__init__"}
        assert sorted(modules) == sorted(there), row


@pytest.mark.parametrize("name", PAPERS)
def test_commands_exist(name):
    text = paper(name)
    tools = re.findall(r"\btests\.tools\.(\w+)", text)
    assert [one for one in tools if not (ROOT / "tests" / "tools" / f"{one}.py").exists()] == []
    for names in re.findall(r"from tuninglib import ([\w, ]+)", text):
        for one in names.split(","):
            getattr(tuninglib, one.strip())


def test_every_tool_is_told():
    told = set(re.findall(r"\btests\.tools\.(\w+)", paper("DEVELOPERS.md")))
    # What others of them import, and no command.
    there = {path.stem for path in (ROOT / "tests" / "tools").glob("*.py")}
    assert there - told == {"__init__", "bayes_referee", "shared"}


@pytest.mark.slow
def test_every_tool_can_be_started():
    """As far as its imports go; what it measures takes too long here."""
    names = sorted(path.stem for path in (ROOT / "tests" / "tools").glob("*.py"))
    script = "".join(f"import tests.tools.{name}\n" for name in names)
    ended = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert ended.returncode == 0, ended.stderr


def test_the_guide_for_contributors_is_short():
    assert len(paper("DEVELOPERS.md").split()) <= 2000


def test_the_latest_version_has_its_changes():
    changes = (ROOT / "tuninglib" / "CHANGES.md").read_text(encoding="utf-8")
    assert re.search(r"^## (.+)$", changes, re.M)[1] == tuninglib.__version__


def test_the_readme_is_short_and_begins_with_the_job():
    text = paper("README.md")
    assert len(text.split()) <= 700
    assert len(re.findall(r"!\[", text)) == 1
    title, job = text.split("\n\n")[:2]
    assert (title, job.split()[:5]) == ("# tuninglib", ["You", "work", "on", "a", "small"])


def test_the_first_block_makes_the_demo_and_the_second_runs_the_tests():
    blocks = re.findall(r"^```sh\n(.*?)^```$", paper("README.md"), re.M | re.S)
    assert len(blocks) == 2
    assert blocks[0].endswith("tuninglib report demo_data/bigger_cylinder\n")
    assert "ruff format --check . && .venv/bin/mypy && .venv/bin/python -m pytest" in blocks[1]


def test_the_readme_quotes_the_table_of_the_advice():
    """What it gives away, too, and the rule of thumb that comes nearest to it."""
    text = (ROOT / "tests" / "calibration.md").read_text("utf-8")
    lines = re.search(r"\| day \| tool: unsafe \|.*?\n\n", text, re.S)[0].splitlines()
    (every,) = (line for line in lines if line.startswith("| all of these |"))
    unsafe, away, as_safe, *rest = (float(one) for one in re.findall(r"([\d.]+) ?%", every))
    strongest = rest[-2]
    days = 100 * (len(lines) - 4)
    quoted = next(line for line in paper("README.md").splitlines() if "invented days" in line)
    for said in (
        f"On {days:,} invented days",
        f"setup on {unsafe:.1f} % of them",
        f"one on {strongest:.0f} %",
        f"gave away {away:.1f} % of pull",
        f"as safe {as_safe:.1f} %",
    ):
        assert said in quoted


def test_the_commands_of_the_readme_are_there(capsys):
    told = set(re.findall(r"(?m)^tuninglib (\w+)", paper("README.md")))
    assert told == {"new", "check", "report", "plan", "before", "guide", "lab"}
    for command in told:
        with pytest.raises(SystemExit, match="0"):
            main([command, "--help"])
    options = set(re.findall(r"(?m)^tuninglib new my_outing (--\w+)", paper("README.md")))
    with pytest.raises(SystemExit):
        main(["new", "--help"])
    said = capsys.readouterr().out
    assert options
    assert [option for option in options if option not in said] == []
