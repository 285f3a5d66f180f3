"""Lines that changes slipped past: one value each, by hand or by another library."""

import numpy as np
import pytest
import scipy.stats
from scipy.special import ndtr

from tuninglib.statistics import gauge_readings, ladder_prediction, planning, speedometer
from tuninglib.statistics.ladder import Priors, check_injectors, fit_ladder, solve


@pytest.mark.outside(source="statsmodels.stats.power.TTestPower: power of the paired t-test")
@pytest.mark.parametrize(("effect", "pairs"), [(0.8, 5), (1.5, 4), (0.3, 30)])
def test_power_of_pairs_is_that_of_statsmodels(effect, pairs):
    power = pytest.importorskip("statsmodels.stats.power").TTestPower()
    expected = power.power(effect, nobs=pairs, alpha=0.05)
    found = planning.power_two_setups(effect, repeats=pairs, alpha=0.05, paired=True)
    assert found == pytest.approx(expected, abs=2e-4)


@pytest.mark.outside(source="SciPy, scipy.stats.linregress: slope, intercept and standard errors")
def test_a_line_through_the_speeds_is_that_of_scipy():
    shown = np.array([10.0, 13.0, 17.0, 21.0, 25.0])
    true = np.array([9.1, 12.3, 15.9, 19.8, 23.7])
    line, other = speedometer.speed_line(shown, true), scipy.stats.linregress(shown, true)
    assert line.factor.value == pytest.approx(other.slope)
    assert line.offset_m_s.value == pytest.approx(other.intercept)
    quantile = scipy.stats.t.ppf(0.975, 3)
    for one, error in ((line.factor, other.stderr), (line.offset_m_s, other.intercept_stderr)):
        assert (one.high - one.low) / 2 == pytest.approx(quantile * error)
    rest = true - other.slope * shown - other.intercept
    assert line.residual_sd_m_s == pytest.approx(np.sqrt((rest**2).sum() / 3))


def test_a_spread_of_exactly_the_widest_is_still_steady():
    # 15.6 to 16.1 is half a unit, though not in the last bit of the difference.
    low, high = 15.6, 16.1
    assert high - low > 0.5
    assert not gauge_readings.wide_spread(low, high, widest=0.5)
    assert not gauge_readings.wide_spread(low, low + 0.5 + 1e-12, widest=0.5)
    assert gauge_readings.wide_spread(low, high + 0.001, widest=0.5)


def test_a_gauge_without_stated_ends_has_none():
    assert not gauge_readings.pegged(0.5, 0.6)
    assert not gauge_readings.pegged(0.9, 1.0)
    # Without a resolution only the end itself is the end.
    assert not gauge_readings.pegged(10.5, 10.9, gauge_lowest=10.0)
    assert gauge_readings.pegged(10.0, 10.0, gauge_lowest=10.0)


def ladder(**more):
    """Three injectors on one engine, read on a fuel that is not exactly known."""
    flow = np.array([2.4e-6, 2.6e-6, 2.8e-6])
    return fit_ladder(
        **{
            "lambda_low": 2.4e-6 / flow,
            "lambda_high": 2.4e-6 / flow,
            "fuel": ["read"] * 3,
            "fuel_sd": {"read": 0.0},
            "flow_m3_s": flow,
            "injector": list("abc"),
            "engine": ["x"] * 3,
            "displacement": {"x": 1.5e-4},
            "stoichiometric_ratio": np.full(3, 14.3),
            "density_kg_m3": np.full(3, 745.0),
        }
        | more
    )


def test_what_is_not_known_of_an_unread_fuel_widens_a_prediction():
    asked = {
        "flow_m3_s": 2.6e-6, "engine": "x", "stoichiometric_ratio": 14.0, "density_kg_m3": 750.0,
        "tolerance": 0.03, "fuel": "other",
    }  # fmt: skip
    exact, vague = (ladder_prediction.predict(ladder(), **asked, fuel_sd=sd) for sd in (0.0, 0.05))
    assert vague.log_sd**2 - exact.log_sd**2 == pytest.approx(0.05**2, rel=0.02)


def checked(last):
    flow = np.array([2.4e-6, 2.5e-6, 2.6e-6, 2.7e-6])
    fit = solve(
        observed=-np.log(flow) + np.array([0, 0, 0, last]), noise_sd=np.full(4, 0.01),
        flow_m3_s=flow, injector=list("abcd"), engine=["x"] * 4, displacement={"x": 1.0},
        tolerance=None, priors=Priors(),
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
    assert ndtr(0) == 0.5
