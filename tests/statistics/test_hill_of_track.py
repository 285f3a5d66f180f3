"""The hill that a track was ridden on, beside the invented road of which the truth is known."""

import json
import sys

import numpy as np
import pytest

from tests.conftest import EVENING, ROOT
from tuninglib.physics.track import local_metres
from tuninglib.session.gpx_file import read_gpx
from tuninglib.statistics.hill_of_track import propose_hill

sys.path.insert(0, str(ROOT / "demo_data"))
import log_maker

WORLD = log_maker.World()


def proposed(time, channels, **without):
    channels = {name: None if name in without else values for name, values in channels.items()}
    return propose_hill(time, **channels)


@pytest.fixture(scope="module")
def evening():
    trace = read_gpx(EVENING / "phone.gpx")
    return trace.time_s, trace.channels


def way_of(place, start):
    """Metres along the invented road from its start line."""
    ways = np.linspace(-170.0, WORLD.length_m + 80.0, 6000)
    east, north = local_metres(*place, origin_deg=start)
    road = log_maker.road(ways)
    return ways[np.argmin(np.hypot(road[0] - east, road[1] - north))]


@pytest.mark.parametrize("without", [{}, {"speed_m_s": True}])
def test_the_stretch_that_was_pulled_up_is_found(evening, without):
    truth = json.loads((EVENING / "truth.json").read_text("utf-8"))
    hill = proposed(*evening, **without)
    assert hill.rides == len(truth["start_s"])
    begin, end = (way_of(place, truth["start"]) for place in (hill.start_deg, hill.marker_deg))
    # Inside the pull, and most of it.
    assert -5 < begin < 25
    assert WORLD.length_m - 75 < end < WORLD.length_m + 5
    assert hill.length_m.low < end - begin < hill.length_m.high
    rise = log_maker.height(WORLD, end) - log_maker.height(WORLD, begin)
    assert hill.grade.low < rise / np.sqrt((end - begin) ** 2 - rise**2) < hill.grade.high
    assert hill.grade.half_width < 0.005


def test_without_heights_it_has_no_grade_and_no_straight(evening):
    hill = proposed(*evening, elevation_m=True)
    assert hill.grade is None
    assert hill.rides == 8
    time, channels = evening
    once = time < time[0] + 150
    short = {name: values[once] for name, values in channels.items()}
    assert proposed(time[once], short, elevation_m=True) is None


def test_what_was_ridden_once_is_no_more_than_a_straight(evening):
    time, channels = evening
    once = time < time[0] + 150
    hill = proposed(time[once], {name: values[once] for name, values in channels.items()})
    assert hill.rides == 1
    assert hill.grade.low < 0.061 < hill.grade.high
    assert hill.grade.half_width == pytest.approx(0.021, abs=0.001)
    assert hill.length_m.value == pytest.approx(400, abs=20)


def test_a_ride_on_the_flat_and_no_ride_are_no_hill():
    time = np.arange(600.0)
    east = 14 * time / 111319.49
    flat = {"latitude_deg": 0 * time, "longitude_deg": east, "elevation_m": 0 * time}
    assert propose_hill(time, **flat) is None
    nothing = {"latitude_deg": np.full(600, np.nan), "longitude_deg": east}
    assert propose_hill(time, **nothing) is None
    assert propose_hill(np.zeros(0), latitude_deg=[], longitude_deg=[]) is None
    still = {"latitude_deg": 0 * time, "longitude_deg": 0 * time, "elevation_m": 0 * time}
    assert propose_hill(time, **still) is None


def test_three_pulls_down_a_hill_are_no_hill_up():
    up = np.concatenate([np.zeros(9), np.arange(10), np.full(9, 10.0), 10 + np.arange(30) / 4])
    speed = np.tile(np.concatenate([up, np.zeros(5), -up[::-1]]), 4)
    east = np.cumsum(speed)
    place = {"latitude_deg": 0 * east, "longitude_deg": east / 111319.49}
    assert propose_hill(np.arange(east.size), **place, elevation_m=0.06 * east).rides == 4
    down = propose_hill(np.arange(east.size), **place, elevation_m=-0.06 * east)
    assert down is None or down.rides == 1


@pytest.mark.parametrize(("aside_m", "found"), [(10.0, True), (250.0, False)])
def test_a_steep_road_of_hairpins_is_no_straight(aside_m, found):
    time = np.arange(300.0)
    aside = aside_m * np.abs((time + 15) % 30 - 15) / 15
    way = np.concatenate([[0.0], np.cumsum(np.hypot(9.0, np.diff(aside)))])
    place = {"latitude_deg": aside / 110574, "longitude_deg": 9 * time / 111319.49}
    hill = propose_hill(time, **place, elevation_m=0.05 * way)
    assert (hill is not None) is found
