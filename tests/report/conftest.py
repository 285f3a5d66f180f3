"""The report of the demo, made once in a process and looked at by many tests."""

import pytest

from tuninglib.report.make import make_report


@pytest.fixture(scope="session")
def written(demo_folder, tmp_path_factory):
    """Its files. Read only."""
    return make_report(demo_folder, tmp_path_factory.mktemp("report"))
