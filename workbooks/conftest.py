"""The report's workbook takes a named session only: where it is tried, the invented one."""

import os
from pathlib import Path

import pytest

from tuninglib.lab.start import SESSION_VARIABLE

DEMO = Path(__file__).resolve().parent.parent / "demo_data" / "bigger_cylinder"


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item):
    """Before the workbook's kernel starts; of all others it stays as it is."""
    if item.path.name == "session_report.ipynb":
        os.environ[SESSION_VARIABLE] = str(DEMO)


def pytest_runtest_teardown(item):
    """Nobody else hears of it."""
    if item.path.name == "session_report.ipynb":
        os.environ.pop(SESSION_VARIABLE, None)
