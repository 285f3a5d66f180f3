"""A head that warms up: against another library, and how often the intervals hold the truth."""

import numpy as np
import pytest
import scipy.optimize

from tuninglib.statistics.warm_up import fit_warm_up


def curve(t, end, way, tau):
    return end - way * np.exp(-t / tau)


@pytest.mark.outside(source="SciPy, scipy.optimize.curve_fit: non-linear least squares")
def test_a_well_seen_curve_is_that_of_scipy():
    rng = np.random.default_rng(3)
    t = np.linspace(0, 600, 25)
    seen = curve(t, 470.0, 75.0, 110.0) + rng.normal(0, 2.0, t.size)
    (end, _, tau), covariance = scipy.optimize.curve_fit(curve, t, seen, p0=(460, 60, 80))
    found = fit_warm_up(t, seen)
    errors = np.sqrt(np.diag(covariance))
    assert found.final_k.value == pytest.approx(end, abs=0.05 * errors[0])
    assert found.time_constant_s.value == pytest.approx(tau, abs=0.05 * errors[2])
    assert (found.final_k.high - found.final_k.low) / 4 == pytest.approx(errors[0], rel=0.01)
    assert found.told


def test_a_short_climb_does_not_tell_the_end():
    t = np.array([0.0, 10.0, 20.0, 30.0])
    found = fit_warm_up(t, curve(t, 470.0, 80.0, 150.0))
    assert not found.told
    assert found.final_k.low < 470.0 < found.final_k.high


@pytest.mark.parametrize(
    ("t", "seen", "said"),
    [
        ([0, 60], [400, 420], "three readings at different times"),
        ([0, 60, 60], [400, 420, 421], "three readings at different times"),
        ([0, 60, 120], [430, 420, 410], "did not get hotter"),
        ([0, 60, 120], [430, 400, 420], "did not get hotter"),
        ([-5, 60, 120], [400, 420, 430], "time"),
    ],
)
def test_what_tells_nothing_is_refused(t, seen, said):
    with pytest.raises(ValueError, match=said):
        fit_warm_up(t, seen)


def test_the_order_of_the_rows_does_not_matter():
    t = np.array([0.0, 60, 120, 240, 360])
    seen = curve(t, 465.0, 70.0, 130.0) + np.array([0.4, -0.6, 0.2, 0.5, -0.3])
    turned = fit_warm_up(t[::-1], seen[::-1])
    assert turned.final_k.value == pytest.approx(fit_warm_up(t, seen).final_k.value)


@pytest.mark.parametrize(
    ("last", "count"),
    [
        (240, 5),
        pytest.param(480, 7, marks=pytest.mark.slow),
        pytest.param(900, 8, marks=pytest.mark.slow),
    ],
)
def test_intervals_hold_the_truth(last, count):
    """Climbs, the time constants and the reading errors of which differ."""
    climbs = 120 if count == 5 else 300
    rng = np.random.default_rng(20261126)
    held = np.zeros(2)
    t = np.linspace(0, last, count)
    for _ in range(climbs):
        end, way, tau = rng.uniform(430, 500), rng.uniform(40, 110), rng.uniform(60, 240)
        seen = curve(t, end, way, tau) + 2.0 * rng.uniform(0.6, 1.4) * rng.normal(size=count)
        found = fit_warm_up(t, seen)
        held += (
            found.final_k.low <= end <= found.final_k.high,
            found.time_constant_s.low <= tau <= found.time_constant_s.high,
        )
    assert np.all(held / climbs > 0.92), held / climbs
