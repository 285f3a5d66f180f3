import pytest

from tuninglib.interval import Interval, Measured


def test_half_width_is_a_95_percent_interval():
    assert Measured(5.0, 1.959963984540054).sd == pytest.approx(1.0)


def test_an_interval_in_another_unit_keeps_its_ends_apart():
    scaled = Interval(1.0, 0.5, 2.0).scaled(3.6)
    assert (scaled.low, scaled.high) == pytest.approx((1.8, 7.2))
    assert scaled.half_width == pytest.approx(2.7)
