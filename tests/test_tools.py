"""Every tool that measures by hand runs: for a moment, since what it measures takes long."""

import ast
import re
import subprocess
import sys

import pytest

from tests.conftest import ROOT, not_checked
from tests.tools import mutate

TOOLS = ROOT / "tests" / "tools"
# The smallest amount of work that goes through all of a tool, and what it then prints.
BRIEFLY = {
    "all_texts": "==== tuninglib/report/advice.py",
    "bench growth 100": "| 33 | 2 | no |", "bench season 4": r"\| 4 \| ",
    "bench club 12": r"\| 12 \| ",
    "mutate statistics/planning.py --most 1 --processes 1": "planning.py: . of 1 noticed",
    "simulate_advice --count 1 --processes 1": "", "simulate_coast_down 2": "3 each of 6",
    "simulate_days --days 1": r"\| 2 \| 6 \| yes",
    "simulate_club --clubs 1": r"\| 12 \| ",
    "simulate_choice --days 1 --processes 1 --only one": r"\| one run each \| \d+\.\d% ",
    "simulate_ladder 8": "leaner than the band", "simulate_logs --outings 1": r"\| reading \|",
    "simulate_readings 5": r"\| 4 \| yes \| yes",
    "simulate_seasons --seasons 2": "both on eight days, wear",
    "simulate_what_if --days 1": "constant power, rolled back down",
    "simulate_sound sounds --count 1 --only single": "0 of 9 recordings claim",
    "simulate_worlds --days 2 --only blocks": "blocks", "thin_days --days 1": "",
}  # fmt: skip
# They write files of the project, which the tests of those files hold them to; or are no command.
OTHERS = {"answers", "results_schema", "bayes_referee", "shared", "__init__"}


def test_every_tool_is_tried():
    tried = {command.split()[0] for command in BRIEFLY}
    assert {path.stem for path in TOOLS.glob("*.py")} == tried | OTHERS


def test_the_last_line_of_a_run_says_what_it_did_not_check():
    browser, library = "Skipped: no Chromium", "Skipped: could not import 'CoolProp'"
    said = not_checked([library, browser, browser])
    assert said == "NOT CHECKED: 2 tests (no Chromium); 1 test (could not import 'CoolProp')"
    assert not_checked([]) == ""


def test_what_is_left_out_as_without_effect_is_there_and_nothing_else_is_left_out():
    for module, lines in mutate.WITHOUT_EFFECT.items():
        source = (ROOT / "tuninglib" / module).read_text(encoding="utf-8")
        tree = ast.parse(source)
        there = {(line.strip(), change) for _, _, line, change in mutate.changes(tree, source)}
        named = {(line, change) for line, (_, *all_) in lines.items() for change in all_}
        assert named <= there, module
        left = len(list(mutate.changes(tree, source))) - len(mutate.counted(module, tree, source))
        assert 0 < left < 20, module
    assert mutate.has_effect("physics/air.py", "_MOST_STEPS = 60", "constant 60")
    assert mutate.has_effect("physics/motion.py", "_MOST_STEPS = 60", "sign -60")


def test_a_change_of_the_advice_is_tried_where_its_sentences_are_read():
    situations = "tests/analysis/test_advice_situations.py"
    assert situations in mutate.tests_of("report/advice.py")
    assert situations in mutate.tests_of("report/verdict.py")
    assert situations not in mutate.tests_of("report/season.py")
    # Where the names of an import stand on lines of their own, too.
    assert "tests/report/test_every_sentence.py" in mutate.tests_of("report/season.py")


@pytest.mark.slow
@pytest.mark.parametrize(("command", "printed"), BRIEFLY.items())
def test_a_tool_runs_and_prints(command, printed):
    ended = subprocess.run(
        [sys.executable, "-m", *f"tests.tools.{command}".split()],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout.strip()
    assert re.search(printed, ended.stdout), ended.stdout
