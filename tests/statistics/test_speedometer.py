"""Speedometer factors and lines."""

import numpy as np
import pytest
import scipy.stats

from tuninglib.statistics.speedometer import (
    legal_indication_m_s,
    legal_true_speed_m_s,
    speed_factor,
    speed_line,
    unknown_factor,
)


def test_legal_limits_undo_each_other():
    true = np.array([5.0, 15.0, 30.0])
    _, highest = legal_indication_m_s(true)
    lowest, _ = legal_true_speed_m_s(highest)
    assert lowest == pytest.approx(true)


def test_lowest_true_speed_is_not_negative():
    assert legal_true_speed_m_s(0.5) == (0.0, 0.5)


def test_what_is_made_may_show_more_than_what_was_approved():
    # 11 tenths of 50 km/h and 8 km/h on top.
    lowest, highest = legal_true_speed_m_s(63 / 3.6, as_made=True)
    assert (lowest * 3.6, highest * 3.6) == pytest.approx((50.0, 63.0))


def test_unknown_factor_spans_the_legal_range():
    factor, sd = unknown_factor(20.0)
    low, high = (speed / 20.0 for speed in legal_true_speed_m_s(20.0))
    assert factor == pytest.approx((low + high) / 2)
    assert sd * np.sqrt(12) == pytest.approx(high - low)


def test_exact_pairs_give_the_exact_factor_and_line():
    shown = np.array([10.0, 14.0, 20.0, 26.0])
    assert speed_factor(shown, 0.95 * shown).value == pytest.approx(0.95)
    line = speed_line(shown, 0.95 * shown - 0.4)
    assert line.factor.value == pytest.approx(0.95)
    assert line.offset_m_s.value == pytest.approx(-0.4)


def test_intervals_cover_as_often_as_they_say():
    rng = np.random.default_rng(5)
    shown = np.linspace(9, 22, 6)
    held = []
    for _ in range(1500):
        found = speed_factor(shown, 0.95 * shown + rng.normal(0, 0.2, 6))
        held.append(found.low <= 0.95 <= found.high)
    assert np.mean(held) == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: speed_factor([10.0], [9.0]), "are not 2 pairs or more"),
        (lambda: speed_factor([10.0, 12.0], [9.0]), "2 shown and 1 true"),
        (lambda: speed_line([10.0, 10.0, 10.0], [9.0, 9.1, 9.2]), "different speeds"),
        (lambda: speed_factor([0.0, 12.0], [9.0, 11.0]), "shown speed is 0"),
        (lambda: unknown_factor(0.0), "speed is 0 m/s but must be above 0"),
        (lambda: legal_indication_m_s(-1.0), "speed is -1 m/s"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        call()


@pytest.mark.outside(source="SciPy, scipy.stats.linregress: slope, intercept and standard errors")
def test_a_line_through_the_speeds_is_that_of_scipy():
    shown = np.array([10.0, 13.0, 17.0, 21.0, 25.0])
    true = np.array([9.1, 12.3, 15.9, 19.8, 23.7])
    line, other = speed_line(shown, true), scipy.stats.linregress(shown, true)
    assert line.factor.value == pytest.approx(other.slope)
    assert line.offset_m_s.value == pytest.approx(other.intercept)
    quantile = scipy.stats.t.ppf(0.975, 3)
    for one, error in ((line.factor, other.stderr), (line.offset_m_s, other.intercept_stderr)):
        assert (one.high - one.low) / 2 == pytest.approx(quantile * error)
    rest = true - other.slope * shown - other.intercept
    assert line.residual_sd_m_s == pytest.approx(np.sqrt((rest**2).sum() / 3))
