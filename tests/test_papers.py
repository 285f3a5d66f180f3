"""The papers for people: what README and DEVELOPERS name exists, under that very name."""

import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

import tuninglib

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
    assert {path.stem for path in (ROOT / "tests" / "tools").glob("*.py")} - told == {
        "bayes_referee"
    }


@pytest.mark.slow
def test_every_tool_can_be_started():
    """As far as its imports go; what it measures takes too long here."""
    names = sorted(path.stem for path in (ROOT / "tests" / "tools").glob("*.py"))
    script = "".join(f"import tests.tools.{name}\n" for name in names)
    ended = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert ended.returncode == 0, ended.stderr


def test_names_of_functions_exist():
    for module, name in re.findall(
        r"`(checks|text_files|whole_files|page_parts)\.(?!py\b)(\w+)", paper("DEVELOPERS.md")
    ):
        home = "tuninglib.report." if module == "page_parts" else "tuninglib."
        getattr(importlib.import_module(home + module), name)


def test_the_guide_for_contributors_is_short():
    assert len(paper("DEVELOPERS.md").split()) <= 2000


def test_the_latest_version_has_its_changes():
    changes = (ROOT / "tuninglib" / "CHANGES.md").read_text(encoding="utf-8")
    assert re.search(r"^## (.+)$", changes, re.M)[1] == tuninglib.__version__
