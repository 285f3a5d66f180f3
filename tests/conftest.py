"""What several tests share: the demo session, and a way to change one thing in a copy of it."""

import os
import shutil
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import settings

from tuninglib.analysis.analyse import analyse
from tuninglib.session.load import load_session

# The same examples every time, so that a test fails for everybody or for nobody. With
# --hypothesis-profile explore they are drawn anew, and what failed is kept and tried again.
settings.register_profile("same", derandomize=True, deadline=None, database=None)
settings.register_profile("explore", derandomize=False, deadline=None, print_blob=True)
settings.load_profile("same")

ROOT = Path(__file__).resolve().parent.parent
DEMO = ROOT / "demo_data" / "bigger_cylinder"
EVENING = ROOT / "demo_data" / "logged_evening"
BACK = ROOT / "demo_data" / "there_and_back"

# For the processes that xdist starts: matrices here are small, and threads that wait for each other
# beside other tests cost more than they save.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


@pytest.fixture(scope="session")
def demo_folder() -> Path:
    """The invented session, as it stands in the project. Read only."""
    return DEMO


@pytest.fixture(scope="session")
def session(demo_folder):
    """It, as it is loaded. Read only, as all that is made once."""
    return load_session(demo_folder)


@pytest.fixture(scope="session")
def results(session):
    """What follows from it."""
    return analyse(session)


@pytest.fixture(scope="session")
def evening():
    """What follows from the invented evening of which only logs tell."""
    return analyse(load_session(EVENING))


@pytest.fixture(scope="session")
def back():
    """What follows from the invented session with the ride back down, in US units."""
    return analyse(load_session(BACK))


@pytest.fixture
def demo_copy(tmp_path) -> Path:
    """A copy of the invented session that a test may spoil."""
    return Path(shutil.copytree(DEMO, tmp_path / "outing"))


@pytest.fixture
def edit(demo_copy):
    """Replace a piece of text, which must be there, in a file of the copied session."""

    def replace(name: str, old: str, new: str) -> Path:
        path = demo_copy / name
        text = path.read_text(encoding="utf-8")
        assert old in text, f"{old!r} is not in {name}"
        path.write_text(text.replace(old, new, 1), encoding="utf-8")
        return demo_copy

    return replace


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Workbooks in a kernel each take long; tests/report/test_workbooks runs them without one."""
    for item in items:
        if item.path.suffix == ".ipynb":
            item.add_marker(pytest.mark.slow)


def not_checked(reasons) -> str:
    """What a run did not check, from the reasons of all that it skipped; empty where it did all."""
    counts = Counter(reason.removeprefix("Skipped: ") for reason in reasons)
    parts = [
        f"{count} {'test' if count == 1 else 'tests'} ({reason})"
        for reason, count in counts.most_common()
    ]
    return f"NOT CHECKED: {'; '.join(parts)}" if parts else ""


def pytest_unconfigure(config):
    """The last line of a run, after the one that counts what passed."""
    reporter = config.pluginmanager.get_plugin("terminalreporter")
    skipped = reporter.stats.get("skipped", ()) if reporter else ()
    said = not_checked(report.longrepr[2] for report in skipped)
    if said:
        reporter.write_line(said, yellow=True)
