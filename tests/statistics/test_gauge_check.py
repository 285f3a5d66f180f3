"""The offset of a gauge: how often its interval holds the truth, and the limits of the formula."""

import numpy as np
import pytest

from tuninglib.interval import Z_95, Measured
from tuninglib.statistics.flow_response import (
    GaugeOffset,
    offset_stated,
    offset_where_lambda_is_one,
)
from tuninglib.statistics.gauge_readings import reading_midpoint
from tuninglib.statistics.ladder import Priors

STEP = 0.1 / 14.7
STATED = offset_stated(Measured(0.0, 0.02))


def invented_gauge(rng, count, stated=0.02, held=0.01):
    """A gauge's true offset, and what a rider writes down where the ECU holds lambda 1."""
    offset = np.log1p(rng.normal(0.0, stated / 1.96))
    control = rng.normal(0.0, held / 1.96)
    shown = offset + control + rng.normal(0.0, rng.uniform(0.005, 0.015), count)
    trace = np.exp(shown[:, None] + rng.normal(0.0, rng.uniform(0.003, 0.012), (count, 12)))
    low, high = (np.round(end / STEP) * STEP for end in (trace.min(1), trace.max(1)))
    middle, spread = reading_midpoint(low, high, resolution=STEP)
    return offset, np.log(middle), spread


@pytest.mark.parametrize("counts", [(1, 3), (4, 12), (12, 30)])
def test_the_interval_holds_the_true_offset(counts):
    rng = np.random.default_rng(20260516)
    held, widths = [], []
    for _ in range(4000):
        offset, shown, spread = invented_gauge(rng, rng.integers(*counts, endpoint=True))
        found = offset_where_lambda_is_one(shown, spread, stated=STATED)
        ratio = found.ratio
        held.append(ratio.low < np.expm1(offset) < ratio.high)
        widths.append(ratio.half_width)
    assert 0.94 < np.mean(held) < 0.97
    # The statement alone is good to 2 %; perfect readings would leave 2 % and 1 % in parallel.
    assert 0.0089 < np.mean(widths) < 0.014


def test_it_is_what_bayes_rule_gives_on_a_grid():
    shown, spread = np.log([1.010, 1.022, 1.014, 1.030]), 0.006
    stated = GaugeOffset(-0.004, 0.012)
    known = Priors(run_sd=0.011, run_dof=1e9)
    found = offset_where_lambda_is_one(
        shown, spread, stated=stated, control_half_width=0.008, priors=known
    )
    offset, control = np.meshgrid(np.linspace(-0.08, 0.08, 1601), np.linspace(-0.03, 0.03, 601))
    log_density = -0.5 * ((offset - stated.log_mean) / stated.log_sd) ** 2
    log_density -= 0.5 * (control / (0.008 / 1.96)) ** 2
    for one in shown:
        log_density -= 0.5 * (one - offset - control) ** 2 / (0.011**2 + 0.006**2)
    weight = np.exp(log_density - log_density.max())
    weight /= weight.sum()
    mean = np.sum(weight * offset)
    assert found.log_mean == pytest.approx(mean, abs=2e-6)
    assert found.log_sd == pytest.approx(np.sqrt(np.sum(weight * (offset - mean) ** 2)), rel=1e-3)


def test_a_gauge_that_is_stated_to_be_exact_stays_so():
    exact = GaugeOffset(0.01, 0.0)
    assert offset_where_lambda_is_one([0.03, 0.03], 0.005, stated=exact) == exact


def test_no_number_of_readings_beats_the_control_that_holds_lambda():
    nothing_known = GaugeOffset(0.0, 10.0)
    many = offset_where_lambda_is_one(np.full(10_000, 0.02), 0.005, stated=nothing_known)
    assert many.log_mean == pytest.approx(0.02, abs=1e-6)
    assert many.log_sd == pytest.approx(0.01 / Z_95, rel=2e-3)


def test_scattered_readings_count_for_less():
    calm, wild = (
        offset_where_lambda_is_one(0.02 + s * np.array([-1, 0, 1]), 0.005, stated=STATED)
        for s in (0.002, 0.05)
    )
    assert wild.log_sd > 1.3 * calm.log_sd
    assert 0 < wild.log_mean < calm.log_mean < 0.02


def test_nothing_read_is_refused():
    with pytest.raises(ValueError, match="no reading where lambda is 1"):
        offset_where_lambda_is_one([], 0.005, stated=STATED)
