"""The names that the library offers, and what is loaded when, since everybody waits for it."""

import inspect
import json
import subprocess
import sys

import pytest

import tuninglib

HEAVY = ("numpy", "pandas", "pint", "scipy", "matplotlib", "IPython", "papermill", "nbformat")


def fresh(code: str) -> str:
    """What a fresh Python prints."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_a_name_leads_to_something_that_says_what_it_is():
    for name in tuninglib.__all__:
        found = getattr(tuninglib, name)
        assert inspect.getdoc(found), name
        assert found.__name__.rsplit(".", 1)[-1] == name


def test_the_guide_at_the_top_has_a_line_for_each_name_and_for_nothing_else():
    lines = [line for line in tuninglib.__doc__.splitlines() if line.startswith("``")]
    assert sorted(line.split("``")[1] for line in lines) == sorted(tuninglib.__all__)
    assert all(len(line.split("``", 2)[2].split()) >= 3 for line in lines)


def test_a_name_that_is_not_there_is_told_as_python_tells_it():
    with pytest.raises(AttributeError, match="module 'tuninglib' has no attribute 'lode_session'"):
        _ = tuninglib.lode_session
    with pytest.raises(ImportError, match="cannot import name 'lode_session'"):
        exec("from tuninglib import lode_session")


def test_importing_the_library_loads_nothing_heavy():
    loaded = fresh("import sys, tuninglib; print(*sys.modules)").split()
    assert "tuninglib" in loaded
    assert not {name.split(".")[0] for name in loaded} & set(HEAVY)
    assert not [name for name in loaded if name.startswith("tuninglib.")]


def test_a_folder_becomes_results_by_these_names(demo_folder):
    session = tuninglib.load_session(demo_folder)
    results = tuninglib.analyse(session)
    assert isinstance(session, tuninglib.Session)
    assert isinstance(results, tuninglib.Results)
    assert tuninglib.convert(36.0, "km/h", "m/s") == 10.0


# Only with logs -----------------------------------------------------------------------------------


# Half a second of start, for readers of logs that most sessions do not have. (Where dask itself is
# installed, pint loads it to know its arrays; of ours nothing may ask for its cluster.)
ONLY_WITH_LOGS = (
    "scipy.signal", "scipy.stats", "scipy.optimize", "distributed", "tuninglib.session.read_log",
    "tuninglib.session.gpx_file", "tuninglib.session.from_logs", "tuninglib.statistics.track_runs",
    "tuninglib.statistics.end_speeds", "tuninglib.statistics.clock_shift", "av",
    "tuninglib.session.read_sound", "tuninglib.statistics.engine_sound",
)  # fmt: skip
CODE = """
import json, sys
from tuninglib.analysis.analyse import analyse
from tuninglib.session.load import load_session
analyse(load_session(sys.argv[1]))
from tuninglib.report import cautions, make, tested, verdict, verdict_figure, what_if
print(json.dumps(sorted(sys.modules)))
"""


def loaded(folder) -> set:
    """Modules that reading and analysing a session leaves in memory, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(folder)], capture_output=True, text=True, check=True
    )
    return set(json.loads(done.stdout))


def test_a_session_without_logs_loads_no_reader_of_logs(demo_folder):
    assert loaded(demo_folder) & set(ONLY_WITH_LOGS) == set()
