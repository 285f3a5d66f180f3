"""Grade and length of a hill from passes, by hand and against scipy's regression."""

import numpy as np
import pytest
from scipy.stats import linregress

from tuninglib.statistics.repeats import mean_interval
from tuninglib.statistics.track_runs import (
    _mean_of_passes,
    _way_of_each,
    logged_grade,
    logged_length,
)

HALF = 1.96 * 0.01


def test_a_mean_of_passes_has_their_scatter_and_one_per_cent_of_scale():
    values = [0.058, 0.062, 0.063, 0.057]
    plain = mean_interval(values)
    found = _mean_of_passes(values)
    assert found.value == pytest.approx(0.06)
    assert found.half_width == pytest.approx(np.hypot(plain.half_width, HALF * 0.06))
    assert _mean_of_passes(values[:3]) is not None
    assert _mean_of_passes(values[:2]) is None


def ridden(speed=10.0, step=0.5):
    """There and back between 0 and 300 m, with 60 m beyond either end; three rounds."""
    time = np.arange(0.0, 252.0, step)
    way = np.abs((speed * time + 60) % 840 - 420) - 60
    return time, 300 - way


PASSES = {"enter_s": [6.0, 48, 90, 132, 174], "leave_s": [36.0, 78, 120, 162, 204]}


def test_rows_are_a_second_apart_and_between_the_lines():
    time = np.arange(0.0, 20.0, 0.25)
    columns = (3 * time, 4 * time)
    columns[1][30] = np.nan
    ((own, way, (east, north)),) = _way_of_each(time, columns, [5.1], [12.1])
    # The first row of each second from the line on.
    np.testing.assert_allclose(own, [5.25, 6.25, 7.25, 8.25, 9.25, 10.25, 11.25])
    np.testing.assert_allclose(way, 5 * (own - own[0]))
    np.testing.assert_allclose((east, north), (3 * own, 4 * own))
    # Six rows are a pass, five are not; nor is a stand.
    for last, there in ((10.3, True), (10.0, False)):
        ((_, way, _),) = _way_of_each(time, columns, [5.1], [last])
        assert (way is not None) == there
    ((_, still, _),) = _way_of_each(time, (0 * time, 0 * time), [5.1], [12.1])
    assert still is None


@pytest.mark.outside(source="scipy.stats.linregress as the reference")
def test_a_grade_is_the_slope_of_elevation_over_the_way():
    time, along = ridden(step=1.0)
    rng = np.random.default_rng(4)
    elevation = 500 + 0.05 * along + 0.5 * rng.standard_normal(time.size)
    turned = (0.6 * along, 0.8 * along, elevation)
    direction = [1, -1, 1, -1, 1]
    found = logged_grade(time, *turned, **PASSES, direction=direction)
    slopes = []
    for begin, end in zip(*PASSES.values(), strict=True):
        own = (time >= begin) & (time <= end)
        slopes.append(linregress(along[own], elevation[own]).slope)
    assert found.value == pytest.approx(np.mean(slopes))
    assert np.sign(along[30] - along[8]) == 1.0
    plain = mean_interval(slopes)
    assert found.half_width == pytest.approx(np.hypot(plain.half_width, HALF * found.value))
    two = {key: some[:2] for key, some in PASSES.items()}
    assert logged_grade(time, *turned, **two, direction=[1, -1]) is None


@pytest.mark.parametrize("step", [0.5, 1.0, 2.5])
def test_a_length_reaches_from_line_to_line(step):
    """300 m at 10 m/s, whatever rows lie next to the lines."""
    time, along = ridden(step=step)
    found = logged_length(time + 0.3, 0.6 * along, -0.8 * along, **PASSES)
    assert found.value == pytest.approx(300.0, rel=1e-9)
    assert found.half_width == pytest.approx(HALF * 300)
    slow = {key: np.array(some) for key, some in PASSES.items()}
    slow["leave_s"] = slow["leave_s"] - [0, 3, 0, 3, 0]
    other = logged_length(time, along, 0 * along, **slow)
    plain = mean_interval([300, 270, 300, 270, 300])
    assert other.value == pytest.approx(plain.value)
    assert other.half_width == pytest.approx(np.hypot(plain.half_width, HALF * plain.value))
