"""An injector on the bench: the line through caught volumes, and how often its intervals hold."""

import numpy as np
import pytest
import scipy.stats

from tuninglib.statistics.bench_flow import fit_bench_flow

CC_MIN = 1e-6 / 60


def test_two_widths_by_hand():
    """1000 pulses: 7.5 mL at 4 ms, 22.5 mL at 10 ms: 15 mL more in 6 s open, 2.5 mL/s."""
    found = fit_bench_flow(
        pulses=[1000, 1000], open_s=[0.004, 0.010], volume_m3=[7.5e-6, 22.5e-6], volume_sd_m3=2e-7
    )
    assert found.flow_m3_s.value == pytest.approx(2.5e-6)
    assert found.dead_time_s.value == pytest.approx(0.001)
    # The slope's error by hand: sd √2 over 6 s; four degrees of freedom, whose t is 2.776.
    half = 2.776 * 2e-7 * np.sqrt(2) / 6
    assert found.flow_m3_s.high - found.flow_m3_s.value == pytest.approx(half, rel=1e-3)


def test_the_error_of_the_dead_time_by_hand():
    """It is (w1 V2 - w2 V1) / (V2 - V1): each volume moves it by the other's share."""
    short, long, less, more = 0.004, 0.010, 7.5e-6, 22.5e-6
    found = fit_bench_flow(
        pulses=[1000, 1000], open_s=[short, long], volume_m3=[less, more], volume_sd_m3=2e-7
    )
    slopes = np.array([more, less]) * (long - short) / (more - less) ** 2
    half = 2.776 * 2e-7 * np.hypot(*slopes)
    assert found.dead_time_s.high - found.dead_time_s.value == pytest.approx(half, rel=1e-3)


def test_held_open_alone_tells_the_flow_and_no_dead_time():
    found = fit_bench_flow(pulses=[0, 0], open_s=[60, 30], volume_m3=[150e-6, 75e-6],
                           volume_sd_m3=5e-7)  # fmt: skip
    assert found.flow_m3_s.value == pytest.approx(150 * CC_MIN)
    assert found.dead_time_s is None


def test_one_width_and_a_row_held_open_tell_both():
    found = fit_bench_flow(pulses=[0, 2000], open_s=[60, 0.003], volume_m3=[150e-6, 10e-6],
                           volume_sd_m3=5e-7)  # fmt: skip
    # 2.5 mL/s: 2000 pulses of 3 ms would be 15 mL; 5 mL are missing, 2 s over 2000 pulses.
    assert found.dead_time_s.value == pytest.approx(0.001, rel=1e-6)


@pytest.mark.outside(source="SciPy, scipy.stats.linregress: slope and intercept of least squares")
def test_the_line_is_that_of_scipy():
    width = np.array([3, 4, 6, 8, 12]) / 1e3
    volume = np.array([5.1, 7.4, 12.6, 17.4, 27.6]) * 1e-6
    other = scipy.stats.linregress(1000 * width, volume)
    found = fit_bench_flow(pulses=np.full(5, 1000), open_s=width, volume_m3=volume,
                           volume_sd_m3=1e-12)  # fmt: skip
    assert found.flow_m3_s.value == pytest.approx(other.slope, rel=1e-9)
    assert found.dead_time_s.value == pytest.approx(-other.intercept / other.slope / 1000, rel=1e-9)
    # Without the stated error's four repeats the standard error would be SciPy's.
    assert found.flow_m3_s.standard_error * np.sqrt(7 / 3) == pytest.approx(other.stderr, rel=1e-6)


@pytest.mark.parametrize(
    ("pulses", "open_s", "said"),
    [
        ([1000, 1000], [0.004, 0.004], "one pulse width alone"),
        ([1000], [0.004], "one pulse width alone"),
        ([1000, 1000], [0.010, 0.004], "longer pulses gave less"),
        ([1000, 1000], [0.0, 0.004], "open time .*; write how long it was open"),
    ],
)
def test_what_cannot_be_told_is_refused(pulses, open_s, said):
    volume = np.array([7.5e-6, 22.5e-6])[: len(pulses)]
    with pytest.raises(ValueError, match=said):
        fit_bench_flow(pulses=pulses, open_s=open_s, volume_m3=volume, volume_sd_m3=2e-7)


def test_intervals_hold_the_truth():
    """2000 invented benches: three widths twice, the beaker worse or better than stated."""
    rng = np.random.default_rng(20261126)
    width = np.array([3, 6, 12] * 2) / 1e3
    held = np.zeros(2)
    for _ in range(2000):
        flow, dead = rng.uniform(100, 250) * CC_MIN, rng.uniform(0.6, 1.4) / 1e3
        sd = 0.3e-6 * rng.uniform(0.6, 1.5)
        volume = 1000 * flow * (width - dead) + sd * rng.standard_normal(6)
        found = fit_bench_flow(pulses=np.full(6, 1000), open_s=width, volume_m3=volume,
                               volume_sd_m3=0.3e-6)  # fmt: skip
        held += [one.low <= truth <= one.high for one, truth in
                 ((found.flow_m3_s, flow), (found.dead_time_s, dead))]  # fmt: skip
    assert np.all(np.abs(held / 2000 - 0.95) < 0.02), held / 2000
