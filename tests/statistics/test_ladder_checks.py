import numpy as np
import pytest

from tests.ladders import solved
from tuninglib.statistics.ladder import Priors, check_injectors, suspicious_injectors

FLOWS = {"a": 2.2e-6, "b": 2.4e-6, "c": 2.6e-6, "d": 2.9e-6}


def ladder(deviation, noise=0.0, rng=None, **more):
    names = [name for name in FLOWS for _ in range(2)]
    flow = np.array([FLOWS[name] for name in names])
    error = rng.normal(0, noise, len(names)) if noise else 0.0
    return solved(
        observed=9 - np.log(flow) + np.array([deviation.get(name, 0.0) for name in names]) + error,
        noise_sd=np.full(len(names), 0.011),
        flow_m3_s=flow,
        injector=names,
        engine=["x"] * len(names),
        displacement={"x": 1.0},
        **more,
    )


def test_right_injectors_are_believed():
    checks = check_injectors(ladder({}))
    assert [one.injector for one in checks] == list(FLOWS)
    for one in checks:
        assert one.believable
        assert one.odds > 0.9
        assert one.implied_flow_m3_s.value == pytest.approx(FLOWS[one.injector], rel=1e-6)


@pytest.mark.parametrize("name", list(FLOWS))
@pytest.mark.parametrize("sign", [-1, 1])
def test_the_injector_that_is_off_is_named_first(name, sign):
    """Leaner than its flow says: less flow than stated."""
    (worst, *_) = suspicious_injectors(ladder({name: 0.18 * sign}))
    assert worst.injector == name
    true_flow = FLOWS[name] * np.exp(-0.18 * sign)
    assert worst.implied_flow_m3_s.low < true_flow < worst.implied_flow_m3_s.high
    assert (worst.implied_flow_m3_s.value < FLOWS[name]) == (sign > 0)
    assert not worst.implied_flow_m3_s.low < FLOWS[name] < worst.implied_flow_m3_s.high


def test_small_deviation_is_nobodys_fault():
    assert suspicious_injectors(ladder({"b": 0.03})) == ()


def test_measured_flow_is_doubted_sooner():
    fit = ladder({"b": 0.07}, tolerance=dict.fromkeys(FLOWS, 0.01))
    assert [one.injector for one in suspicious_injectors(fit)][:1] == ["b"]


def test_strict_level_accuses_fewer():
    fit = ladder({"b": 0.18})
    assert suspicious_injectors(fit, level=1e-9) == ()
    assert len(suspicious_injectors(fit, level=1.0)) == len(FLOWS)


def test_few_right_sessions_accuse_anybody():
    rng = np.random.default_rng(8)
    accused = 0
    for _ in range(200):
        truth = dict(zip(FLOWS, rng.normal(0, 0.03, 4), strict=True))
        accused += bool(suspicious_injectors(ladder(truth, 0.01, rng)))
    assert accused <= 24  # 6 % expected at a true deviation of 3 %


def test_single_injector_cannot_be_checked():
    fit = solved(
        observed=np.array([9.0, 9.01]),
        noise_sd=np.full(2, 0.01),
        flow_m3_s=np.full(2, 2.5e-6),
        injector=["a", "a"],
        engine=["x", "x"],
        displacement={"x": 1.0},
    )
    (only,) = check_injectors(fit)
    assert only.believable
    assert only.odds == 1.0
    assert (only.implied_flow_m3_s.low, only.implied_flow_m3_s.high) == (0.0, np.inf)


def test_exact_flow_is_not_checked():
    checks = check_injectors(ladder({"b": 0.1}, tolerance={"b": 0.0}))
    exact = {one.injector: one for one in checks}["b"]
    assert exact.believable
    assert exact.implied_flow_m3_s.low == exact.implied_flow_m3_s.high == FLOWS["b"]


@pytest.mark.parametrize("name", list(FLOWS))
def test_implied_flow_is_that_of_a_fit_without_the_statement(name):
    """Dividing the prior out of the posterior is the same as fitting with next to none."""
    more = {
        "observed": 9 - np.log(list(FLOWS.values())) + np.array([0.0, 0.05, -0.1, 0.12]),
        "noise_sd": np.full(4, 0.02),
        "flow_m3_s": np.array(list(FLOWS.values())),
        "injector": list(FLOWS),
        "engine": ["x"] * 4,
        "displacement": {"x": 1.0},
        "priors": Priors(tolerance_spread=0.0, tolerance=0.01),
    }
    checks = {one.injector: one for one in check_injectors(solved(**more))}
    deviation = solved(**more, tolerance={name: 100.0}).interval(f"injector {name}")
    implied = checks[name].implied_flow_m3_s
    ends = FLOWS[name] * np.exp([-deviation.high, -deviation.low])
    assert (implied.low, implied.high) == pytest.approx(tuple(ends), rel=2e-4)


def checked(last):
    flow = np.array([2.4e-6, 2.5e-6, 2.6e-6, 2.7e-6])
    fit = solved(
        observed=-np.log(flow) + np.array([0, 0, 0, last]), noise_sd=np.full(4, 0.01),
        flow_m3_s=flow, injector=list("abcd"), engine=["x"] * 4, displacement={"x": 1.0},
    )  # fmt: skip
    return check_injectors(fit)


def test_the_odds_of_a_flow_are_two_sided_and_have_the_usual_level():
    found = [checked(last)[-1] for last in (0.0, 0.04, 0.08, 0.15)]
    chances = [one.odds for one in found]
    assert chances[0] > 0.5
    assert chances == sorted(chances, reverse=True)
    assert all(0 <= one <= 1 for one in chances)
    for one in found:
        assert one.believable == (one.odds >= 0.05)
    # Between five and ten in a hundred: believed, as usual.
    near = next(
        one
        for one in (checked(last)[-1] for last in np.linspace(0.02, 0.15, 60))
        if 0.05 < one.odds < 0.1
    )
    assert near.believable
