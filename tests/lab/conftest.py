"""The demo's results, for the panels that work on them."""

import pytest

from tuninglib.analysis.analyse import analyse
from tuninglib.session.load import load_session


@pytest.fixture(scope="session")
def results(demo_folder):
    return analyse(load_session(demo_folder))
