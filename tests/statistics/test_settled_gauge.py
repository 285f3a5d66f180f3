"""Full throttle, lag and settled readings of a gauge, by hand; readings by bands of throttle."""

import numpy as np
import pytest

from tuninglib.statistics.repeats import mean_interval
from tuninglib.statistics.settled_gauge import (
    FullStretch,
    Stretch,
    band_mean,
    full_stretch,
    gauge_lag,
    settled_reading,
    settled_stretches,
)


def test_the_longest_full_throttle_counts():
    time = np.arange(0.0, 30.0)
    throttle = np.full(30, 0.3)
    throttle[5:8], throttle[10:16], throttle[20:22] = 1.0, 0.9, 1.0
    throttle[18] = np.nan
    assert full_stretch(time, throttle, enter_s=0.0, leave_s=29.0) == FullStretch(10, 15, 5 / 29)
    # Only what lies between the two times, both of them included.
    assert full_stretch(time, throttle, enter_s=5.0, leave_s=12.0) == FullStretch(5, 7, 2 / 7)
    assert full_stretch(time, throttle, enter_s=13.0, leave_s=15.0) == FullStretch(13, 15, 1.0)
    throttle[10:16] = 0.899
    assert full_stretch(time, throttle, enter_s=9.0, leave_s=29.0) == FullStretch(20, 21, 1 / 20)
    none = full_stretch(time, throttle, enter_s=8.0, leave_s=19.0)
    assert np.isnan([none.from_s, none.to_s]).all()
    assert none.share == 0.0
    assert full_stretch(time, throttle, enter_s=5.0, leave_s=5.5).share == 0.0
    assert full_stretch(time, throttle, enter_s=5.0, leave_s=6.0).share == 1.0


def steps(delays, *, noise=0.0, low=0.88, step=0.1, apart=30.0, seed=1):
    """A gauge that turns at once, so late after each opening of the throttle."""
    time = np.arange(0.0, apart * len(delays), step)
    shown = np.ones(time.size)
    opened = apart * np.arange(len(delays)) + 10.0
    for at, delay in zip(opened, delays, strict=True):
        shown[(time > at + delay) & (time < at + 16)] = low
    shown = shown + noise * np.random.default_rng(seed).standard_normal(time.size)
    return time, shown, {"opened_s": opened, "shut_s": opened + 15}


def test_a_lag_is_the_mean_of_the_runs_by_students_distribution():
    delays = [0.55, 0.85, 0.95]
    time, shown, when = steps(delays)
    found = gauge_lag(time, shown, **when)
    # Half of a turn between two rows lies in the middle between them.
    wanted = np.array(delays)
    assert found.value == pytest.approx(wanted.mean(), abs=1e-6)
    plain = mean_interval(wanted)
    sd = np.hypot(np.std(wanted, ddof=1), 0.1 / np.sqrt(12))
    assert found.half_width == pytest.approx(plain.half_width * sd / np.std(wanted, ddof=1))
    # One run shows a step, and nobody knows how far others differ.
    one = gauge_lag(*steps(delays[:1])[:2], **steps(delays[:1])[2])
    assert one is None


@pytest.mark.parametrize(
    ("how", "found"),
    [
        # Three seconds late at the most, before it is something else.
        ({"delays": [2.2, 2.2]}, True),
        ({"delays": [3.2, 3.2]}, False),
        # The mixture does not change, or less than the noise is.
        ({"delays": [0.5, 0.5], "low": 1.0}, False),
        ({"delays": [0.5, 0.5], "noise": 0.02}, True),
        ({"delays": [0.5, 0.5], "noise": 0.06}, False),
    ],
)
def test_only_a_clear_step_tells(how, found):
    time, shown, when = steps(**how)
    assert (gauge_lag(time, shown, **when) is not None) == found


def test_noise_about_the_middle_counts_from_both_ends():
    """It passes half way at 0.4 and, after one more turn, at 0.8 s: 0.6."""
    time, shown, when = steps([0.45, 0.45], step=0.1)
    for at in when["opened_s"]:
        shown[(time > at + 0.55) & (time < at + 0.75)] = 1.0
    found = gauge_lag(time, shown, **when)
    assert found.value == pytest.approx((0.45 + 0.75) / 2, abs=0.02)


@pytest.mark.parametrize(("open_s", "there"), [(3.05, True), (2.75, False)])
def test_five_samples_must_be_settled_after_it(open_s, there):
    """Two and a half seconds after it opened until it shut: six rows, or three."""
    time, shown, when = steps([0.5, 0.5])
    when["shut_s"] = when["opened_s"] + open_s
    assert (gauge_lag(time, shown, **when) is not None) == there
    # And as many before it: rows from half a second before the first, with none before that.
    late = {"opened_s": np.array([10.0, 40.0]), "shut_s": np.array([25.0, 55.0])}
    for first, told in ((9.45, True), (9.65, False)):
        rows = (time > first) & ((time < 30) | (time > 30 + first))
        assert (gauge_lag(time[rows], shown[rows], **late) is not None) == told


def test_the_mixture_before_is_that_of_two_seconds():
    """Rich until 2.2 s before, then lambda 1: what counts is lambda 1."""
    time, shown, when = steps([0.75, 0.75])
    for at in when["opened_s"]:
        shown[time < at - 2.05] = np.where(
            shown[time < at - 2.05] > 0.9, 1.4, shown[time < at - 2.05]
        )
    found = gauge_lag(time, shown, **when)
    assert found.value == pytest.approx(0.75, abs=0.02)


def test_a_settled_reading_leaves_out_a_twentieth_at_either_end():
    time = np.arange(0.0, 40.0, 0.1)
    values = np.linspace(0.8, 0.9, 101)
    shown = np.full(time.size, 1.0)
    rows = (time > 13.05) & (time < 23.15)
    shown[rows] = np.random.default_rng(0).permutation(values)
    # Open at 10, settled 2.5 s and 0.6 s later, shut at 23.1.
    found = settled_reading(time, shown, full=FullStretch(10.0, 23.11, 1.0), lag_s=0.6)
    assert found.samples == 101
    assert (found.low, found.high) == pytest.approx((0.805, 0.895))


@pytest.mark.parametrize(("to_s", "samples"), [(13.65, 5), (13.55, 4)])
def test_five_samples_make_a_reading(to_s, samples):
    time = np.arange(0.0, 40.0, 0.1)
    shown = np.where(time > 5, 0.88, np.nan)
    found = settled_reading(time, shown, full=FullStretch(10.05, to_s, 1.0), lag_s=0.6)
    assert found.samples == samples
    assert np.isnan(found.low) == (samples < 5)
    none = settled_reading(time, shown, full=FullStretch(np.nan, np.nan, 0.0), lag_s=0.6)
    assert (np.isnan(none.low), none.samples) == (True, 0)


# Bands of throttle --------------------------------------------------------------------------------


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
