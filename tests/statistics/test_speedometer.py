"""Speedometer factors."""

import numpy as np
import pytest

from tuninglib.statistics.speedometer import (
    legal_true_speed_m_s,
    speed_factor,
    unknown_factor,
)


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


def test_exact_pairs_give_the_exact_factor():
    shown = np.array([10.0, 14.0, 20.0, 26.0])
    assert speed_factor(shown, 0.95 * shown).value == pytest.approx(0.95)
    # But no better than a whole step of the speedometer lets it be known: Student's t of 3, 3.182,
    # times the standard deviation of one rounding, 1/√12, at 17.5.
    found = speed_factor(shown, 0.95 * shown, resolution=1.0)
    assert found.half_width == pytest.approx(3.182 * 0.95 / np.sqrt(12) / 17.5, rel=1e-3)


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
        (
            lambda: speed_factor([0.0, 12.0], [9.0, 11.0]),
            "shown speed is 0 .*; leave out pairs at rest",
        ),
        (lambda: unknown_factor(0.0), "speed is 0 m/s but must be above 0"),
        (lambda: legal_true_speed_m_s(-1.0), "speed is -1 m/s .*; check its sign"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        call()
