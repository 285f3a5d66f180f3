"""Whether the ECU corrects, and the offset of a gauge: verdicts, and how often intervals hold."""

import numpy as np
import pytest

from tests.ladders import responses
from tuninglib.statistics.flow_response import (
    HALF_RESPONSE,
    HELD_WITHIN,
)
from tuninglib.statistics.gauge_readings import Readings
from tuninglib.statistics.ladder import Priors

FLOWS = {"a": 2.2e-6, "b": 2.4e-6, "c": 2.6e-6, "d": 2.9e-6}


def states(response, fuels=(1.0,), repeats=3, engines=(1.0,), noise=0.008, seed=6):
    """Readings where lambda follows fuel with a given response."""
    rng = np.random.default_rng(seed)
    flow, fuel, size = (
        column.ravel()
        for column in np.meshgrid(list(FLOWS.values()), fuels, engines, indexing="ij")
    )
    flow, fuel, size = (np.repeat(column, repeats) for column in (flow, fuel, size))
    strength = np.log(flow / 2.5e-6 * fuel / size)
    lambda_ = np.exp(-response * strength + rng.normal(0, noise, len(flow)))
    names = {value: name for name, value in FLOWS.items()}
    return {
        "lambda_low": lambda_ - 0.01, "lambda_high": lambda_ + 0.01, "flow_m3_s": flow,
        "injector": [names[value] for value in flow], "engine": [f"{value:g}" for value in size],
        "stoichiometric_ratio": 14.3 * fuel, "density_kg_m3": 745.0,
        "displacement": {f"{value:g}": value for value in engines}, "state": ["some"] * len(flow),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("response", "verdict"), [(0.0, "corrects"), (0.1, "corrects"), (1.0, "table")]
)
@pytest.mark.parametrize("more", [{}, {"fuels": (1.0, 0.95)}, {"engines": (1.0, 1.15)}])
def test_verdict_on_a_state(response, verdict, more):
    (one,) = responses(**states(response, **more))
    assert one.verdict == verdict
    assert one.response.low < response < one.response.high


def test_engines_alone_show_the_response():
    """One injector and fuel: lambda follows the displacement only where nothing corrects."""
    priors = Priors(breathing_sd=0.005)
    for response in (0.0, 1.0):
        both = states(response, engines=(1.0, 1.25), repeats=6)
        keep = np.flatnonzero([name == "b" for name in both["injector"]])
        one = {
            key: value if np.ndim(value) == 0 else [value[i] for i in keep]
            for key, value in both.items()
            if key != "displacement"
        }
        (state,) = responses(**one, displacement=both["displacement"], priors=priors)
        assert state.response.low < response < state.response.high
        assert state.response.high - state.response.low < 0.4


def test_half_a_response_is_not_decided():
    (one,) = responses(**states(0.5))
    assert one.verdict == "cannot tell"


def test_one_injector_on_one_fuel_cannot_tell():
    one = states(0.0)
    keep = [i for i, name in enumerate(one["injector"]) if name == "a"]
    for column in ("lambda_low", "lambda_high", "flow_m3_s", "stoichiometric_ratio"):
        one[column] = one[column][keep]
    for column in ("injector", "engine", "state"):
        one[column] = [one[column][i] for i in keep]
    (state,) = responses(**one)
    assert state.verdict == "cannot tell"
    assert state.readings == 3


def test_states_are_fitted_apart():
    one, other = states(0.0), states(1.0)
    both = {
        key: np.concatenate([one[key], other[key]])
        for key in ("lambda_low", "lambda_high", "flow_m3_s", "stoichiometric_ratio")
    }
    names = {key: one[key] + other[key] for key in ("injector", "engine")}
    together = responses(
        **both, **names, density_kg_m3=745.0, displacement=one["displacement"],
        state=["idle"] * 12 + ["full"] * 12,
    )  # fmt: skip
    assert [row.verdict for row in together] == ["corrects", "table"]
    (alone,) = responses(**one)
    assert together[0].response.high == pytest.approx(alone.response.high, rel=1e-9)


def test_response_interval_holds_the_truth():
    rng = np.random.default_rng(9)
    hits, sessions = 0, 80
    for seed in range(sessions):
        truth = rng.choice([0.0, 0.3, 0.7, 1.0])
        readings = states(truth, repeats=2, seed=seed)
        deviation = dict(zip(FLOWS, rng.normal(0, 0.035, 4), strict=True))
        held = dict(zip(FLOWS, rng.normal(0, 0.005, 4), strict=True))
        factor = np.exp([truth * deviation[name] + held[name] for name in readings["injector"]])
        readings["lambda_low"] = readings["lambda_low"] * factor
        readings["lambda_high"] = readings["lambda_high"] * factor
        (one,) = responses(**readings)
        hits += one.response.low < truth < one.response.high
    assert 0.90 * sessions <= hits <= 0.995 * sessions


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"state": ["idle"]}, "1 states for 12 readings; give one for each reading"),
        ({"displacement": {"other": 1.0}}, "engine '1' has no displacement"),
    ],
)
def test_refuses_what_cannot_be(change, message):
    with pytest.raises(ValueError, match=message):
        responses(**{**states(0.0), **change})


def written_out(columns, *, tolerance, breathing_sd, run_sd, weight, spread):
    """The interval from the marginal density of the readings, size by size, in full matrices."""
    read = Readings(
        **{k: columns[k] for k in ("lambda_low", "lambda_high", "flow_m3_s", "injector", "engine",
                                   "stoichiometric_ratio", "density_kg_m3")},
    )  # fmt: skip
    size = np.array([columns["displacement"][name] for name in read.engine])
    strength = np.log(read.flow_m3_s / size) + read.log_fuel
    noise = np.diag((run_sd**2 + read.relative_sd**2) / weight)
    same = [np.equal.outer(names, names) for names in (read.injector, read.engine)]
    grid, ones = np.linspace(-1.0, 2.5, 1401), np.ones(len(size))
    # Tolerances that may all be off by one factor: Gauss and Hermite's rule for its logarithm.
    nodes, chances = np.polynomial.hermite_e.hermegauss(5 if spread else 1)
    log = np.empty((grid.size, nodes.size))
    for at, place in np.ndindex(log.shape):
        response, factor = grid[at], np.exp(spread * nodes[place])
        injector = (response * tolerance * factor) ** 2 + HELD_WITHIN**2
        engine = (response * factor * breathing_sd) ** 2 / 2 * (len(columns["displacement"]) > 1)
        inverse = np.linalg.inv(noise + injector * same[0] + engine * same[1])
        left = read.log_lambda + response * strength
        left = left - ones @ inverse @ left / (ones @ inverse @ ones)
        log[at, place] = 0.5 * (np.linalg.slogdet(inverse)[1] - np.log(ones @ inverse @ ones))
        log[at, place] -= 0.5 * (left @ inverse @ left + (response - HALF_RESPONSE) ** 2)
    density = np.exp(log - log.max()) @ chances
    below = np.cumsum(density) / density.sum()
    return density @ grid / density.sum(), *np.interp([0.025, 0.975], below, grid)


@pytest.mark.parametrize(
    ("response", "spread"), [(0.3, 0.0), (0.6, 0.0), (1.0, 0.0), (0.6, 0.5), (1.0, 0.5)]
)
def test_the_interval_is_that_of_the_density_written_out(response, spread):
    columns = states(response, fuels=(1.0, 0.93), engines=(1.0, 1.3), repeats=1, noise=0.02)
    weight = np.where(np.arange(len(columns["injector"])) % 3 == 0, 0.2, 1.0)
    stated = {"tolerance": 0.06, "breathing_sd": 0.08, "run_sd": 0.006}
    priors = Priors(
        run_dof=np.inf, tolerance_spread=spread, gauge_sd=0.0,
        run_sd=stated["run_sd"], breathing_sd=stated["breathing_sd"],
    )  # fmt: skip
    (found,) = responses(
        **columns, weight=weight, tolerance=dict.fromkeys(FLOWS, 0.06), priors=priors
    )
    wanted = written_out(columns, **stated, weight=weight, spread=spread)
    one = found.response
    assert (one.value, one.low, one.high) == pytest.approx(wanted, abs=0.012)
