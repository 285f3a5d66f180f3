"""Whether the ECU holds lambda 1, and the gauge's offset: matrices written out, and limits."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from tuninglib.interval import Z_95, Measured
from tuninglib.statistics.flow_response import (
    CONTROL_SD,
    ELSEWHERE,
    ELSEWHERE_SD,
    HELD_WITHIN,
    LEAK,
    LEAK_ELSEWHERE,
    NOT_ONE,
    ODD_ONE,
    GaugeOffset,
    SteadyReadings,
    offset_stated,
    weigh_control,
)
from tuninglib.statistics.gauge_readings import reading_midpoint
from tuninglib.statistics.ladder import Parts, Priors

STEP = 0.1 / 14.7
STATED = offset_stated(Measured(0.0, 0.02))
FLOW = {"a": 0.0, "b": 0.11, "c": 0.2, "d": 0.03}


def controlled(*, tolerance, fuel_sd, breathing_sd, stated, chance, priors=None, **columns):
    """What is said of the parts, and the columns of the readings."""
    parts = Parts(
        displacement=dict.fromkeys(columns["engine"], 1.0), tolerance=tolerance, fuel_sd=fuel_sd,
        priors=replace(priors or Priors(), breathing_sd=breathing_sd),
    )  # fmt: skip
    return weigh_control(SteadyReadings(**columns), parts=parts, stated=stated, chance=chance)


def weighed(shown, names="a", *, states=("idle",), spread=0.005, chance=0.5, **more):
    """Injectors by a letter, each in all states, the states going fastest."""
    injector = [name for name in names for _ in states]
    asked = {
        "state": [one for _ in names for one in states],
        "log_lambda": shown, "relative_sd": spread,
        "log_fuel": [FLOW[name] for name in injector], "log_size": 0.0, "setup": injector,
        "injector": injector, "engine": ["x"] * len(injector), "fuel": ["e5"] * len(injector),
        "tolerance": dict.fromkeys(FLOW, 0.025), "fuel_sd": {}, "breathing_sd": 0.05,
        "stated": STATED, "chance": chance,
    }  # fmt: skip
    return controlled(**asked | more)


def test_it_is_what_full_matrices_give():
    """Every answer's density by scipy; two engines, two fuels, idle and cruise."""
    state, setup = ["idle", "idle", "idle", "cruise", "cruise"], ["p", "q", "r", "p", "q"]
    injector, engine, fuel = "abbab", "xyyxy", ["e5", "e10", "e5", "e5", "e10"]
    shown = np.array([0.004, -0.012, -0.03, 0.012, -0.021])
    log_fuel = np.array([0.0, 0.1, 0.13, 0.0, 0.1])
    log_size = np.array([0.0, 0.12, 0.12, 0.0, 0.12])
    stated, noise = GaugeOffset(0.003, 0.012), np.array([0.004, 0.006, 0.005, 0.004, 0.009])
    found = controlled(
        state=state, log_lambda=shown, relative_sd=noise, log_fuel=log_fuel, log_size=log_size,
        setup=setup, injector=list(injector), engine=list(engine), fuel=fuel,
        tolerance={"a": 0.02, "b": 0.03}, fuel_sd={"e5": 0.004, "e10": 0.002}, breathing_sd=0.06,
        stated=stated, chance=0.6, priors=Priors(run_sd=0.011, run_dof=np.inf),
    )  # fmt: skip

    def same(names):
        return np.equal.outer(np.array(list(names)), np.array(list(names))).astype(float)

    tolerance = np.array([{"a": 0.02, "b": 0.03}[one] for one in injector])
    fuel_sd = np.array([{"e5": 0.004, "e10": 0.002}[one] for one in fuel])
    parts = same(injector) * np.outer(tolerance, tolerance) + same(fuel) * np.outer(
        fuel_sd, fuel_sd
    )
    parts += same(engine) * 0.06**2 / 2
    parts += 0.25**2 * np.outer(log_fuel, log_fuel) + 0.35**2 * np.outer(log_size, log_size)
    ones, works = np.ones((5, 5)), 0.6 / 0.9
    answers = []
    for held in itertools.product((False, True), repeat=2):
        before = works * 0.9 ** sum(held) * 0.1 ** (2 - sum(held)) + (1 - works) * (not any(held))
        at = np.array([dict(zip(("idle", "cruise"), held, strict=True))[one] for one in state])
        both, neither = np.outer(at, at), np.outer(~at, ~at)
        of_setups = [(np.equal.outer(setup, setup) & np.equal.outer(setup, [s] * 5), s)
                     for s in "pqr"]  # fmt: skip
        leaner = np.where(np.array(state) == "idle", 1.0, LEAK_ELSEWHERE)
        exact, others = CONTROL_SD**2 * ones, NOT_ONE[2] + LEAK[2] + ELSEWHERE + ODD_ONE
        controls = [(exact, 0.0, None, 1 - others),
                    (NOT_ONE[1]**2 * ones, NOT_ONE[0], "all", NOT_ONE[2]),
                    (exact + LEAK[1]**2 * np.outer(leaner, leaner), LEAK[0] * leaner, "all",
                     LEAK[2]),
                    (ELSEWHERE_SD**2 * ones, 0.0, "all", ELSEWHERE)]  # fmt: skip
        controls += [(exact + ELSEWHERE_SD**2 * own, 0.0, s, ODD_ONE / 3)
                     for own, s in of_setups]  # fmt: skip
        for control, shift, off, share in controls if any(held) else [(0 * ones, 0.0, None, 1.0)]:
            for level, often in ((0.01, 2 / 3), (0.08, 1 / 3)):
                covariance = np.diag(noise**2 + 0.011**2) + ones * stated.log_sd**2 / 2
                covariance += both * (control + HELD_WITHIN**2 * same(injector))
                covariance += neither * (parts + level**2 * same(state))
                mean = 0.003 + ~at * (0.5 * log_size - log_fuel) + at * shift
                density = multivariate_normal(mean, covariance).pdf(shown)
                pull = stated.log_sd**2 / 2 * np.linalg.solve(covariance, np.ones(5))
                answers.append((before * share * often * density, held, off,
                                0.003 + pull @ (shown - mean),
                                stated.log_sd**2 * (1 - pull.sum() / 2)))  # fmt: skip
    weight = np.array([one[0] for one in answers]) / sum(one[0] for one in answers)
    held = np.array([one[1] for one in answers])
    assert [found.held["idle"], found.held["cruise"]] == pytest.approx(weight @ held, rel=1e-6)
    anywhere = weight @ held.any(1)
    for of_one, found_one in (("all", found.elsewhere), *found.odd.items()):
        wanted = weight @ [one[2] == of_one for one in answers] / anywhere
        assert found_one == pytest.approx(wanted, rel=1e-6)
    draws = np.random.default_rng(1)
    which = draws.choice(weight.size, 400_000, p=weight)
    mean, variance = np.array([one[3] for one in answers]), np.array([one[4] for one in answers])
    drawn = mean[which] + np.sqrt(variance[which]) * draws.standard_normal(which.size)
    low, high = np.quantile(drawn, [0.025, 0.975])
    # What is stated is stretched by it, never narrowed.
    assert low < 0.003 - Z_95 * 0.012 < high < 0.003 + Z_95 * 0.012
    ends = np.expm1([low, 0.003 + Z_95 * 0.012])
    assert (found.offset.low, found.offset.high) == pytest.approx(ends, abs=2e-4)
    assert found.offset.value == pytest.approx(ends.mean(), abs=2e-4)


def test_odds_are_prior_odds_times_what_the_readings_say():
    odds = []
    for before in (0.02, 0.5, 0.9):
        held = weighed([0.01, -0.02], "ab", chance=before).held["idle"]
        odds.append(held / (1 - held) * (1 - before) / before)
    assert odds == pytest.approx([odds[0]] * 3, rel=1e-6)


def test_one_injector_leaves_the_question_open_and_two_settle_it():
    one = weighed([0.0]).held["idle"]
    assert 0.5 < one < 0.75
    near = weighed([0.0, 0.0], "ad").held["idle"]
    assert one < near < 0.95
    assert weighed([0.0, 0.0], "ab").held["idle"] > 0.95
    assert weighed([0.0, -0.11], "ab").held["idle"] < 0.05
    # A rich mixture on a single injector is no narrowband control, whatever the gauge is off by.
    assert weighed([-0.12]).held["idle"] < 0.05


def test_the_likelier_it_is_held_the_farther_the_readings_stretch_what_is_stated():
    offsets = [weighed([0.03], chance=one).offset for one in (0.02, 0.1, 0.3, 0.5, 0.7, 0.89)]
    assert {one.low for one in offsets} == {np.expm1(-0.02)}
    highs = np.array([one.high for one in offsets])
    assert np.all(np.diff(highs) > 0)
    assert highs[0] < 0.0215
    assert highs[-1] > 0.023


def test_no_number_of_readings_narrows_what_is_stated():
    """A sensor that is right at lambda 1 may be wrong at a rich mixture."""
    count = 400
    found = controlled(
        state=["idle"] * count, log_lambda=np.zeros(count), relative_sd=0.001,
        log_fuel=np.tile([0.0, 0.2], count // 2), log_size=0.0, setup=["p", "q"] * (count // 2),
        injector=["a", "b"] * (count // 2), engine=["x"] * count, fuel=["e5"] * count,
        tolerance={"a": 0.02, "b": 0.02}, fuel_sd={}, breathing_sd=0.05, stated=STATED, chance=0.9,
    )  # fmt: skip
    assert (found.offset.low, found.offset.high) == pytest.approx(np.expm1([-0.02, 0.02]))


def test_a_gauge_that_is_stated_to_be_exact_stays_so():
    found = weighed([0.03, 0.03], "ab", stated=GaugeOffset(0.01, 0.0))
    ends = (found.offset.value, found.offset.low, found.offset.high)
    assert ends == pytest.approx([np.expm1(0.01)] * 3)


def test_far_off_lambda_one_it_is_not_the_gauge():
    near, far = (weighed([off] * 6, "abc", states=("idle", "cruise")) for off in (0.0, 0.05))
    assert near.elsewhere < 0.15
    assert far.elsewhere > 0.95
    assert far.held["idle"] > 0.9
    # So the readings are not taken for the gauge's: a leak must not make a lean engine look rich.
    closer = weighed([0.02] * 6, "abc", states=("idle", "cruise"))
    assert far.offset.value < 0.6 * closer.offset.value


def test_one_setup_that_stands_off_is_told_from_all():
    off = weighed([0.0, 0.002, 0.05, 0.046, -0.002, 0.0], "abc", states=("idle", "cruise"))
    assert off.odd["b"] > 0.9
    assert max(off.odd["a"], off.odd["c"], off.elsewhere) < 0.05
    assert abs(off.offset.value) < 0.002


def test_scattered_readings_count_for_less():
    calm, wild = (
        weighed(0.015 + s * np.array([-1, 0, 1]), "abc", chance=0.9).offset for s in (0.002, 0.05)
    )
    assert 0 < wild.value < 0.7 * calm.value


def invented(rng, held, stated_sd=0.02 / 1.96):
    """Offset of a gauge at full throttle, and what a rider reads at idle and cruise."""
    at_one, slope = stated_sd / np.sqrt(2) * rng.standard_normal(2)
    true = np.repeat(rng.normal(0.0, 0.005), 6)
    if not held:
        level = rng.choice([rng.normal(0, 0.01), rng.uniform(-0.16, 0.1)], p=[2 / 3, 1 / 3])
        own = np.array([FLOW[name] for name in "abc"]) + rng.normal(0, 0.025, 3)
        true = level - rng.uniform(0.8, 1.1) * np.repeat(own, 2)
    shown = at_one + true + rng.normal(0.0, rng.uniform(0.005, 0.015), 6)
    trace = np.exp(shown[:, None] + rng.normal(0.0, rng.uniform(0.003, 0.012), (6, 12)))
    low, high = (np.round(end / STEP) * STEP for end in (trace.min(1), trace.max(1)))
    middle, spread = reading_midpoint(low, high, resolution=STEP)
    return at_one + slope, np.log(middle), spread


@pytest.mark.slow
@pytest.mark.parametrize("held", [True, False])
def test_the_interval_holds_the_true_offset(held):
    rng = np.random.default_rng(20260516)
    inside = []
    for _ in range(300):
        offset, shown, spread = invented(rng, held)
        found = weighed(shown, "abc", states=("idle", "cruise"), spread=spread).offset
        inside.append(found.low < np.expm1(offset) < found.high)
    assert np.mean(inside) > 0.94


def test_nothing_read_is_refused():
    with pytest.raises(ValueError, match="no reading at idle or cruise"):
        weighed([], "")
