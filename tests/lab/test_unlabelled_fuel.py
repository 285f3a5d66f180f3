"""Panels of a session whose fuels have no label: they start from what pump petrol may have."""

import pytest

from tests.lab.panels import everything
from tuninglib.analysis.analyse import analyse
from tuninglib.lab import explore, first_guess
from tuninglib.session.load import load_session


@pytest.fixture
def unlabelled(edit):
    edit("session.toml", 'ethanol = "9.5 +/- 0.5 %"', "")
    return analyse(load_session(edit("session.toml", 'ethanol = "4 +/- 1 %"', "")))


def starts(panel) -> list:
    """Where the sliders about ethanol stand."""
    return [
        child.value
        for child in everything(panel)
        if "ethanol" in getattr(child, "description", "") and "chart" not in child.description
    ]


def test_the_mixture_panel_starts_from_pump_petrol(unlabelled):
    assert starts(explore.mixture(unlabelled)) == [5.0]


def test_the_tank_panel_starts_from_pump_petrol(unlabelled):
    assert starts(first_guess.tank(unlabelled)) == [5.0, 5.0, 5.0]


def test_the_first_guess_starts_from_pump_petrol(unlabelled):
    assert starts(first_guess.first_guess(unlabelled)) == [5.0, 5.0]
