"""The report of the demo, made once in a process and looked at by many tests."""

import pytest

from tuninglib.report import page_parts
from tuninglib.report.make import make_report


@pytest.fixture(scope="session")
def written(demo_folder, tmp_path_factory):
    """Its files. Read only."""
    return make_report(demo_folder, tmp_path_factory.mktemp("report"))


@pytest.fixture
def drawn(monkeypatch):
    """Figures as they are drawn, once each."""
    made = []
    monkeypatch.setattr(page_parts, "_svg", lambda draw, _: made or made.append(draw(5.0)))
    return made
