"""Readings by bands of throttle: what is settled, and how far it is known."""

import numpy as np
import pytest

from tuninglib.statistics.repeats import mean_interval
from tuninglib.statistics.settled_gauge import Stretch, band_mean, settled_stretches

EDGES = [0.05, 0.4, 0.9, 1.06]


def log(*pieces, step=0.2):
    """Time, throttle and reading of pieces of (seconds, throttle, reading)."""
    throttle = np.concatenate([np.full(round(s / step), t) for s, t, _ in pieces])
    reading = np.concatenate([np.full(round(s / step), r) for s, _, r in pieces])
    return step * np.arange(throttle.size), throttle, reading


def test_only_what_is_settled_counts():
    """Ten seconds of cruise and of full throttle; the gauge shows each 1 s late."""
    time, throttle, reading = log((10, 0.2, 1.0), (1, 1.0, 1.0), (9, 1.0, 0.88), (1, 0.2, 0.88))
    found = settled_stretches(time, throttle, reading, edges=EDGES, lag_s=1.0)
    assert [(one.band, one.begin_s, one.mean) for one in found] == [
        (0, pytest.approx(2.6), 1.0), (2, pytest.approx(12.6), pytest.approx(0.88)),
    ]  # fmt: skip
    # With no lag allowed for, a half second of the old mixture would be in it.
    early = settled_stretches(time, throttle, reading, edges=EDGES, lag_s=-1.0)
    assert early[1].mean > 0.885


def test_shut_throttle_and_short_visits_are_left_out():
    time, throttle, reading = log((8, 0.0, 1.3), (2, 0.5, 0.9), (8, 0.2, 1.0), (8, 1.2, 0.9))
    found = settled_stretches(time, throttle, reading, edges=EDGES, lag_s=0.5)
    assert [one.band for one in found] == [0]


def test_a_pause_in_the_log_ends_a_stretch():
    time, throttle, reading = log((20, 0.2, 1.0))
    gap = (time < 9) | (time > 12)
    found = settled_stretches(time[gap], throttle[gap], reading[gap], edges=EDGES, lag_s=0.5)
    assert [round(one.begin_s, 1) for one in found] == [2.0, 14.2]


@pytest.mark.parametrize("means", [[0.90, 0.92, 0.97], [0.9, 0.95]])
def test_stretches_that_last_as_long_are_a_mean_with_students_interval(means):
    found = band_mean([Stretch(0, 0.0, 5.0, one) for one in means])
    plain = mean_interval(means)
    assert found.interval.value == pytest.approx(plain.value)
    assert found.interval.high == pytest.approx(plain.high)
    assert (found.dof, found.seconds) == (len(means) - 1, 5.0 * len(means))


def test_longer_stretches_count_for_more():
    found = band_mean([Stretch(0, 0.0, 30.0, 0.90), Stretch(0, 0.0, 10.0, 0.94)])
    assert found.interval.value == pytest.approx(0.91)


def test_one_stretch_has_no_interval_and_equal_ones_are_not_exact():
    assert band_mean([Stretch(0, 0.0, 30.0, 0.90)]).interval is None
    twins = band_mean([Stretch(0, 0.0, 30.0, 0.90)] * 2)
    # Two thousandths of each, Student's t with one degree of freedom.
    assert twins.interval.half_width == pytest.approx(12.7062 * 0.002 * 0.9 / np.sqrt(2), rel=1e-4)
    assert twins.sd == pytest.approx(0.002 * 0.9 / np.sqrt(2))
    still = band_mean([Stretch(0, 0.0, 0.0, 0.90)] * 2)
    assert (still.interval, still.stretches, still.seconds) == (None, 2, 0.0)


@pytest.mark.parametrize(("seconds", "there"), [(2.6, True), (2.4, False)])
def test_three_samples_after_it_has_settled_make_a_stretch(seconds, there):
    """A second and a half and the lag of half a second, then rows at 2.0, 2.2 and 2.4 s."""
    time, throttle, reading = log((seconds, 0.2, 1.0), (9, 0.0, 1.0))
    found = settled_stretches(time, throttle, reading, edges=EDGES, lag_s=0.5)
    assert bool(found) == there
    assert all((one.begin_s, one.seconds) == pytest.approx((2.0, 0.4)) for one in found)


@pytest.mark.parametrize(("pause", "pieces"), [(0.7, 1), (0.9, 2)])
def test_a_pause_of_more_than_four_rows_is_one(pause, pieces):
    time, throttle, reading = log((20, 0.2, 1.0))
    time = np.where(time > 9.9, time + pause - 0.2, time)
    found = settled_stretches(time, throttle, reading, edges=EDGES, lag_s=0.5)
    assert len(found) == pieces


def test_rows_without_both_are_left_out():
    time, throttle, reading = log((20, 0.2, 1.0))
    reading[::3], throttle[1::5] = np.nan, np.nan
    (one,) = settled_stretches(time, throttle, reading, edges=EDGES, lag_s=0.5)
    assert one.mean == 1.0
    assert settled_stretches(time[:2], throttle[:2], reading[:2], edges=EDGES, lag_s=0.5) == []
