"""The ladder: its answers by hand, and injectors that are not what they are stated to be."""

import numpy as np
import pytest

from tests.ladders import fitted, predicted, solved
from tuninglib.statistics.ladder import Priors, check_injectors, suspicious_injectors

E5 = {"stoichiometric_ratio": 14.29, "density_kg_m3": 747.0}
SESSION = {
    "lambda_low": [0.90, 0.91, 0.84, 0.84, 0.80], "lambda_high": [0.92, 0.93, 0.87, 0.86, 0.83],
    "flow_m3_s": [2.5e-6, 2.5e-6, 2.7e-6, 2.7e-6, 2.9e-6], "injector": ["a", "a", "b", "b", "c"],
    "engine": "stock", "displacement": {"stock": 150.0}, **E5,
}  # fmt: skip


def outlook(fit, flow=2.8e-6, engine="stock", **more):
    return predicted(fit, flow_m3_s=flow, engine=engine, **{**E5, **more})


def test_one_reading_leaves_the_priors():
    fit = fitted(
        lambda_low=[0.86], lambda_high=[0.88], flow_m3_s=[2.5e-6], injector="a", engine="stock",
        displacement={"stock": 150.0}, **E5,
        priors=Priors(tolerance_spread=0.0, run_dof=np.inf, run_sd=0.012),
    )  # fmt: skip
    reading_sd2 = 0.012**2 + (0.02 / 0.87) ** 2 / 24
    same, further = outlook(fit, 2.5e-6), outlook(fit, 2.5e-6 * np.exp(0.2))
    assert same.log_mean == pytest.approx(np.log(0.87))
    assert further.log_mean == pytest.approx(np.log(0.87) - 0.2)
    # Noise, gauge, the deviations of both injectors; further away the response as well.
    expected = reading_sd2 + 0.01**2 + 2 * 0.035**2
    assert same.log_sd == pytest.approx(expected**0.5, rel=1e-9)
    assert further.log_sd == pytest.approx((expected + (0.2 * 0.15) ** 2) ** 0.5, rel=1e-9)
    response = fit.interval("response")
    assert (response.low, response.high) == pytest.approx((1 - 0.294, 1 + 0.294), abs=1e-4)


def test_identical_injectors_do_not_inform_on_the_response():
    identical = {**SESSION, "flow_m3_s": 2.5e-6, "injector": ["a", "a", "a", "b", "b"]}
    response = fitted(**identical).interval("response")
    assert response.value == pytest.approx(1.0)
    assert response.high - response.low == pytest.approx(2 * 1.96 * 0.15, rel=1e-3)


def test_deviation_is_shared_between_fuels():
    """A tried injector on a new fuel is known better than an untried one of the same flow."""
    fit = fitted(**SESSION)
    e10 = {"stoichiometric_ratio": 13.99, "density_kg_m3": 750.0}
    tried, untried = outlook(fit, 2.7e-6, tried="b", **e10), outlook(fit, 2.7e-6, **e10)
    assert tried.log_sd < 0.6 * untried.log_sd
    on_e5 = outlook(fit, 2.7e-6, tried="b")
    fuel = np.log(14.29 / 13.99) + np.log(747.0 / 750.0) / 2
    assert tried.log_mean - on_e5.log_mean == pytest.approx(fuel, abs=1e-12)


def test_bigger_engine_without_readings_is_leaner_and_wider():
    session = {**SESSION, "displacement": {"stock": 150.0, "big": 170.0}}
    fit = fitted(**session)
    stock, big = outlook(fit), outlook(fit, engine="big")
    assert big.log_mean - stock.log_mean == pytest.approx(np.log(170 / 150), abs=1e-12)
    assert big.log_sd**2 - stock.log_sd**2 == pytest.approx(0.05**2, rel=1e-6)


def test_thin_air_is_taken_out():
    """The same session in air 4 % thinner, uncompensated: readings 4 % richer, same answer."""
    thin = {
        **SESSION,
        "lambda_low": np.array(SESSION["lambda_low"]) * 0.96,
        "lambda_high": np.array(SESSION["lambda_high"]) * 0.96,
    }
    fit, thin_fit = fitted(**SESSION), fitted(**thin, offset=np.log(0.96))
    assert outlook(thin_fit).lambda_.value == pytest.approx(outlook(fit).lambda_.value, rel=1e-9)
    in_thin_air = outlook(thin_fit, offset=np.log(0.96))
    assert in_thin_air.lambda_.value == pytest.approx(0.96 * outlook(fit).lambda_.value, rel=1e-9)


@pytest.mark.parametrize(("noise", "low", "high"), [(0.004, 0.002, 0.008), (0.03, 0.02, 0.05)])
def test_repeats_adjust_the_noise(noise, low, high):
    rng = np.random.default_rng(4)
    y = 0.9 * np.exp(rng.normal(0, noise, 12))
    fit = fitted(
        lambda_low=y, lambda_high=y, flow_m3_s=2.5e-6, injector="a", engine="stock",
        displacement={"stock": 150.0}, **E5,
    )  # fmt: skip
    order = np.argsort(fit.noise_scale, kind="stable")
    scale, chance = 0.01 * fit.noise_scale[order], np.cumsum(fit.weights[order])
    least, most = scale[np.searchsorted(chance, (0.025, 0.975))]
    assert low < np.sqrt(np.sum(fit.weights[order] * scale**2)) < high
    assert least / 1.3 < np.log(y).std(ddof=1) < most


def test_zero_priors_take_a_term_out():
    fit = fitted(**SESSION, tolerance={"a": 0.0}, priors=Priors(gauge_sd=0.0))
    assert fit.terms == ("response", "level", "injector b", "injector c")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"engine": "big"}, "engine 'big' has no displacement"),
        ({"displacement": {"stock": 0.0}}, "displacement is 0"),
        ({"tolerance": {"z": 0.03}}, "injector 'z', which has no reading"),
        ({"tolerance": {"a": -0.03}}, "tolerance of a is -0.03"),
        ({"lambda_high": SESSION["lambda_low"], "priors": Priors(run_sd=0.0)},
         "noise of a reading is 0.*give run_sd or the gauge's resolution"),
        ({"flow_m3_s": 2.5e-6, "priors": Priors(response_sd=np.inf)},
         "the readings leave an unknown open; give it a finite prior"),
    ],
)  # fmt: skip
def test_refuses_what_cannot_be(change, message):
    with pytest.raises(ValueError, match=message):
        fitted(**{**SESSION, **change})


@pytest.mark.parametrize("name", ["response_sd", "tolerance", "run_sd", "run_dof", "gauge_sd"])
def test_priors_refuse_negative_values(name):
    with pytest.raises(ValueError, match=f"{name} is -1"):
        Priors(**{name: -1.0})


# Injectors that are off ---------------------------------------------------------------------------


FLOWS = {"a": 2.2e-6, "b": 2.4e-6, "c": 2.6e-6, "d": 2.9e-6}


def ladder(deviation, noise=0.0, rng=None, **more):
    names = [name for name in FLOWS for _ in range(2)]
    flow = np.array([FLOWS[name] for name in names])
    error = rng.normal(0, noise, len(names)) if noise else 0.0
    return solved(
        observed=9 - np.log(flow) + np.array([deviation.get(name, 0.0) for name in names]) + error,
        noise_sd=np.full(len(names), 0.011), flow_m3_s=flow, injector=names,
        engine=["x"] * len(names), displacement={"x": 1.0}, **more,
    )  # fmt: skip


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


def test_few_right_sessions_accuse_anybody():
    rng = np.random.default_rng(8)
    accused = 0
    for _ in range(200):
        truth = dict(zip(FLOWS, rng.normal(0, 0.03, 4), strict=True))
        accused += bool(suspicious_injectors(ladder(truth, 0.01, rng)))
    assert accused <= 24  # 6 % expected at a true deviation of 3 %


def test_single_injector_cannot_be_checked():
    fit = solved(
        observed=np.array([9.0, 9.01]), noise_sd=np.full(2, 0.01), flow_m3_s=np.full(2, 2.5e-6),
        injector=["a", "a"], engine=["x", "x"], displacement={"x": 1.0},
    )  # fmt: skip
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
        "noise_sd": np.full(4, 0.02), "flow_m3_s": np.array(list(FLOWS.values())),
        "injector": list(FLOWS), "engine": ["x"] * 4, "displacement": {"x": 1.0},
        "priors": Priors(tolerance_spread=0.0, tolerance=0.01),
    }  # fmt: skip
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
