"""The ladder of many days: one day is the ladder itself, many are one fit over all of them."""

import numpy as np
import pytest
from statsmodels.regression.linear_model import GLS

from tests.ladders import predicted
from tuninglib.statistics.gauge_readings import Readings
from tuninglib.statistics.ladder import (
    Parts,
    Priors,
    ReadingCell,
    fit_ladder,
    pool_readings,
    reading_cells,
)

FUEL = {"stoichiometric_ratio": 14.3, "density_kg_m3": 745.0}
DISPLACEMENT = {"stock": 150.0, "big": 175.0}


def day_of(rng, names, shift=0.0, repeats=3, response=1.0):
    """Readings of one day; injector names and flows as below."""
    flows = {"a": 2.5e-6, "b": 2.75e-6, "c": 3.0e-6}
    injector = [name for name in names for _ in range(repeats)]
    flow = np.array([flows[name] for name in injector])
    middle = (
        np.log(0.88) - response * np.log(flow / 2.7e-6) + shift + rng.normal(0, 0.01, len(flow))
    )
    return {
        "lambda_low": np.exp(middle) - 0.008,
        "lambda_high": np.exp(middle) + 0.008,
        "flow_m3_s": flow,
        "injector": injector,
        "engine": ["stock"] * len(flow),
        "fuel": ["e5"] * len(flow),
        **FUEL,
    }


def test_one_day_is_the_ladder_itself():
    rng = np.random.default_rng(3)
    columns = day_of(rng, "abc") | {
        "weight": np.r_[np.ones(8), 0.3],
        "offset": np.linspace(-0.02, 0.03, 9),
    }
    stated = {"displacement": DISPLACEMENT, "tolerance": {"a": 0.02}, "fuel_sd": {"e5": 0.004}}
    readings, parts = Readings(**columns), Parts(**stated)
    wanted = fit_ladder(readings, parts)
    found = pool_readings([reading_cells(readings)], parts, day_sd=0.0)
    for term in wanted.terms:
        a, b = found.interval(term), wanted.interval(term)
        assert (a.value, a.low, a.high) == pytest.approx((b.value, b.low, b.high), abs=1e-9)
    asked = {"flow_m3_s": 2.6e-6, "engine": "big", **FUEL, "name": "e5"}
    assert predicted(found, **asked).log_sd == pytest.approx(predicted(wanted, **asked).log_sd)


@pytest.mark.outside(source="statsmodels, GLS with what a day shares in the covariance")
def test_days_are_those_of_one_fit_with_their_covariance():
    rng = np.random.default_rng(5)
    days = [day_of(rng, names, shift=rng.normal(0, 0.02)) for names in ("ab", "bc", "c")]
    priors = Priors(response_sd=np.inf, gauge_sd=0.0, run_dof=np.inf, tolerance_spread=0.0)
    fit = pool_readings(
        [reading_cells(Readings(**one)) for one in days],
        Parts(displacement={"stock": 150.0}, tolerance=dict.fromkeys("abc", 0.0), priors=priors),
        day_sd=0.02,
    )
    flow = np.concatenate([one["flow_m3_s"] for one in days])
    low, high = (
        np.concatenate([one[name] for one in days]) for name in ("lambda_low", "lambda_high")
    )
    day = np.repeat(np.arange(3), [len(one["flow_m3_s"]) for one in days])
    read = Readings(
        lambda_low=low, lambda_high=high, flow_m3_s=flow, injector=["a"] * len(flow),
        engine=["stock"] * len(flow), **FUEL,
    )  # fmt: skip
    noise = np.hypot(priors.run_sd, read.relative_sd)
    sigma = np.diag(noise**2) + 0.02**2 * (day[:, None] == day)
    design = np.column_stack([-np.log(flow / fit.reference_flow_m3_s), np.ones(len(flow))])
    wanted = GLS(read.log_lambda + read.log_fuel, design, sigma=sigma).fit()
    np.testing.assert_allclose(fit.mean, wanted.params, rtol=1e-8)
    np.testing.assert_allclose(fit.covariance, wanted.normalized_cov_params, rtol=1e-6)


def test_days_that_differ_widen_what_is_said_of_another_day():
    cells = [
        [ReadingCell("stock", "a", "e5", 2.5e-6, 5.8 + d, 0.005, 2.0, 3)] for d in (0.0, 0.004)
    ]
    far = [[ReadingCell("stock", "a", "e5", 2.5e-6, 5.8 + d, 0.005, 2.0, 3)] for d in (-0.1, 0.1)]
    parts = Parts(displacement={"stock": 150.0}, tolerance={"a": 0.02})
    asked = {"flow_m3_s": 2.5e-6, "engine": "stock", "tried": "a", **FUEL}
    near, apart = (pool_readings(days, parts, day_sd=0.01) for days in (cells * 3, far * 3))
    assert near.weights @ near.noise_scale < 1.2 < 3 < apart.weights @ apart.noise_scale
    plain, other = (predicted(near, **asked, day_sd=sd).log_sd for sd in (0.0, 0.03))
    scale2 = near.weights @ near.noise_scale**2
    assert other**2 - plain**2 == pytest.approx(scale2 * 0.03**2, rel=0.02)


def test_more_days_sharpen_the_response_and_hold_it():
    rng = np.random.default_rng(8)
    held, widths = [], {1: [], 6: []}
    for _ in range(120):
        days = [
            reading_cells(Readings(**day_of(rng, names, shift=rng.normal(0, 0.01), response=0.9)))
            for names in ("ab", "bc", "ac", "ab", "bc", "ac")
        ]
        for count in widths:
            fit = pool_readings(
                days[:count],
                Parts(
                    displacement={"stock": 150.0},
                    tolerance=dict.fromkeys({c.injector for d in days[:count] for c in d}, 1e-4),
                    priors=Priors(response_sd=0.5, gauge_sd=0.0),
                ),
                day_sd=0.01,
            )
            one = fit.interval("response")
            widths[count].append(one.half_width)
            if count == 6:
                held.append(one.low <= 0.9 <= one.high)
    assert np.mean(held) == pytest.approx(0.95, abs=0.05)
    assert np.median(widths[6]) < 0.6 * np.median(widths[1])


def test_no_reading_is_refused():
    with pytest.raises(ValueError, match="no reading"):
        pool_readings([[], []], Parts(displacement={"a": 1.0}), day_sd=0.01)
