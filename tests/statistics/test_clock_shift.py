"""Two clocks brought together: each step against brute force and by hand."""

import numpy as np
import pytest

from tuninglib.statistics.repeats import mean_interval
from tuninglib.statistics.track_runs import _even, _likeness, _pieces, _rivals, clock_shift

STEP = 0.2


def seen(seconds=400.0, step=STEP):
    time = np.arange(0.0, seconds, step)
    return time, np.sin(time / 9) + np.sin(time / 31) + np.sin(time / 4.3)


def test_a_log_is_brought_to_even_steps_about_its_mean():
    time, values = np.array([3.0, 3.5, 4.0, 5.0]), np.array([1.0, np.nan, 2.0, 4.0])
    start, even = _even(time, values)
    # On 3 to 5 s, linear from 1 to 2 to 4.
    wanted = np.interp(np.arange(3.0, 5.0, 0.2), [3, 4, 5], [1, 2, 4])
    assert start == 3.0
    np.testing.assert_allclose(even, wanted - wanted.mean())
    assert _even(time[:2], values[:2])[1].size == 0
    assert _even(time[:2], np.array([1.0, 2.0]))[1].size == 3


def test_likeness_is_the_correlation_of_what_both_saw():
    """About means of the whole, times the root of the share of the shorter one in common."""
    rng = np.random.default_rng(2)
    first, second = rng.standard_normal(700), rng.standard_normal(450)
    lags, likeness = _likeness(first, second)
    for lag in (-100, 0, 37, 250, 300, 380):
        low, high = max(0, lag), min(first.size, second.size + lag)
        a, b = first[low:high], second[low - lag : high - lag]
        wanted = a @ b / np.sqrt((a @ a) * (b @ b)) * np.sqrt(a.size / second.size)
        assert likeness[lags == lag][0] == pytest.approx(wanted, rel=1e-6)
    # Less than a minute, 300 steps, in common is none.
    for lag, there in ((400, True), (401, False), (-150, True), (-151, False)):
        assert (likeness[lags == lag][0] > -1) == there
    still = _likeness(np.zeros(700), second)[1]
    assert np.abs(still[still > -1]).max() == 0.0


def test_rivals_are_as_like_and_away_from_what_was_taken():
    lags = np.arange(-500, 501)
    likeness = np.zeros(lags.size)
    for lag, height in ((0, 0.9), (70, 0.85), (-80, 0.64), (-200, 0.62), (300, 0.8), (310, 0.7)):
        likeness[lags == lag] = height
    # Within fifteen seconds, 75 steps, of one that was taken is no other; 0.7 of the best.
    found = [int(lags[at]) for at in _rivals(lags, likeness, int(np.argmax(likeness)))]
    assert found == [300, -80]


def test_each_piece_that_moved_has_its_own_shift():
    _, values = seen(600.0)
    second = (10.0, values[100:2100])
    found = _pieces((0.0, values), second, 10.3)
    # Of 400 s there are six minutes; all of them say 20 - 10, within steps of a fifth.
    assert len(found) == 6
    np.testing.assert_allclose(found, 10.0, atol=1e-3)
    # What stands still for a minute is left out, and so is what reaches beyond the first log.
    still = values[100:2100].copy()
    still[300:600] = 0.0
    assert len(_pieces((0.0, values), (10.0, still), 10.3)) == 5
    assert len(_pieces((0.0, values[:1500]), second, 10.3)) == 4
    # Four seconds off at the most.
    assert len(_pieces((0.0, values), second, 13.8)) == 6
    assert len(_pieces((0.0, values), second, 6.2)) == 6
    # A log that does not begin at nothing.
    np.testing.assert_allclose(_pieces((500.0, values), (10.0, second[1]), 510.3), 510.0, atol=1e-3)
    late = _pieces((0.0, values), second, 14.5)
    assert len(late) < 6


def test_a_shift_between_two_steps_is_found():
    """Exact times of one log half a step from the other's, by the parabola through three scores."""
    time, values = seen(600.0, 0.01)
    coarse = slice(0, None, 20)
    other = (time[2010::20], values[2010::20])
    found = _pieces((0.0, values[coarse]), (float(other[0][0]) - 20.1, other[1]), 20.0)
    np.testing.assert_allclose(found, 20.1, atol=0.01)


def test_the_interval_is_that_of_the_pieces():
    """A clock that runs a thousandth too fast: six pieces, each a little later."""
    time, values = seen(600.0)
    wrong = time[100:2100] * 1.001
    found = clock_shift(time, values, wrong - 30.0, values[100:2100])
    pieces = _pieces((0.0, values - values.mean()), _even(wrong - 30.0, values[100:2100]), 29.8)
    plain = mean_interval(pieces)
    assert found.shift_s.value == pytest.approx(plain.value, abs=1e-3)
    assert found.shift_s.half_width == pytest.approx(plain.half_width, rel=0.05)
    exact = clock_shift(time, values, time[100:2100] - 30.0, values[100:2100])
    # Never better than a quarter of a step, 0.05 s, in each piece.
    t_95_of_five = 2.570582
    assert exact.shift_s.half_width == pytest.approx(t_95_of_five * 0.05 / np.sqrt(6), rel=1e-3)


@pytest.mark.parametrize(("seconds", "why"), [(59.0, "short"), (150.0, "short"), (250.0, "")])
def test_a_minute_is_needed_and_three_pieces(seconds, why):
    time, values = seen(600.0)
    count = round(seconds / STEP)
    found = clock_shift(time, values, time[500 : 500 + count], values[500 : 500 + count])
    assert found.why_not == why
    assert (found.shift_s is None) == bool(why)
    assert np.isnan(found.likeness) == (seconds < 60)


@pytest.mark.parametrize(("noise", "why"), [(1.4, ""), (3.0, "unlike")])
def test_half_alike_is_alike_enough(noise, why):
    """Noise of so many times the signal's size leaves a correlation of 0.58, and of 0.32."""
    time, values = seen(900.0)
    other = values + noise * values.std() * np.random.default_rng(0).standard_normal(values.size)
    found = clock_shift(time, values, time, other)
    assert found.likeness == pytest.approx(1 / np.hypot(1, noise), abs=0.05)
    assert (found.why_not == "unlike") == (why == "unlike")
