"""The injector and its ladder against numbers and libraries that nobody in this project made."""

from pathlib import Path

import numpy as np
import pytest
from scipy import constants, stats

from tests.ladders import predicted, solved
from tuninglib.physics import injector
from tuninglib.statistics import normal_mixture
from tuninglib.statistics.ladder import Priors

CC_MIN = 1e-6 / 60  # m3/s
POUND_HOUR = constants.lb / 3600  # kg/s

# Nothing known beforehand and nothing unknown but a straight line: weighted least squares.
LINE_ONLY = Priors(
    response_sd=np.inf, tolerance=0.0, tolerance_spread=0.0, gauge_sd=0.0, run_dof=np.inf,
)  # fmt: skip


# By hand: 453.59237 g an hour are 7.5599 g/min, of 0.745 g/cm3.
def test_volume_flow_of_one_pound_an_hour():
    one_cc_min = injector.mass_flow_kg_s(CC_MIN, density_kg_m3=745.0)
    assert POUND_HOUR / one_cc_min == pytest.approx(10.147, abs=0.0005)


def orifice_kg_s(pressure_pa, density):
    flow_meter = pytest.importorskip("fluids.flow_meter")
    return flow_meter.flow_meter_discharge(
        D=0.004, Do=0.0003, P1=1e5 + pressure_pa, P2=1e5, rho=density, C=0.7
    )


@pytest.mark.outside(source="fluids library, ISO 5167 orifice")
@pytest.mark.parametrize("pressure", [2.5e5, 4e5])
def test_flow_at_pressure_against_an_orifice(pressure):
    ratio = orifice_kg_s(pressure, 745.0) / orifice_kg_s(3e5, 745.0)
    assert injector.flow_at_pressure(
        1.0, rated_pressure_pa=3e5, pressure_pa=pressure
    ) == pytest.approx(ratio, rel=1e-9)


@pytest.mark.outside(source="fluids library, ISO 5167 orifice; CoolProp n-heptane")
@pytest.mark.parametrize("density", [720.0, 789.4])
def test_flow_on_fuel_against_an_orifice(density):
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    heptane = coolprop.PropsSI("D", "T", 294.15, "P", 101325, "n-Heptane")
    ratio = orifice_kg_s(3e5, density) / density / (orifice_kg_s(3e5, heptane) / heptane)
    assert injector.flow_on_fuel(
        1.0, rated_density_kg_m3=heptane, density_kg_m3=density
    ) == pytest.approx(ratio, rel=1e-9)


def flat_line(x, y, intercept=True):
    """Least squares with our Gaussian core: coefficients, their standard errors, s, R2."""
    design = np.stack([np.ones_like(x), x], axis=1) if intercept else x[:, None]
    count = design.shape[1]
    mean, covariance, misfit, _ = normal_mixture.linear_posterior(
        design, y, np.ones(len(y)), np.zeros(count), np.zeros(count)
    )
    s = np.sqrt(misfit / (len(y) - count))
    total = ((y - y.mean() * intercept) ** 2).sum()
    return mean, s * np.sqrt(np.diag(covariance)), s, 1 - misfit / total


# NIST StRD, Linear Regression, Norris: certified values, 15 digits; nine asked for here.
@pytest.mark.outside(source="NIST StRD Norris")
def test_norris():
    path = Path(__file__).parent.parent / "data" / "nist-norris.csv"
    y, x = np.loadtxt(path, delimiter=",", skiprows=2).T
    mean, error, s, r2 = flat_line(x, y)
    assert mean == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert error == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=1e-9)
    assert (s, r2) == pytest.approx((0.884796396144373, 0.999993745883712), rel=1e-9)


# NIST StRD, Linear Regression, NoInt1 (y 130 to 140, x 60 to 70) and NoInt2.
@pytest.mark.outside(source="NIST StRD NoInt1 and NoInt2")
def test_lines_through_the_origin():
    slope, error, _, r2 = flat_line(np.arange(60.0, 71.0), np.arange(130.0, 141.0), intercept=False)
    certified = (2.07438016528926, 0.0165289256198347, 0.999365492298663)
    assert (slope[0], error[0], r2) == pytest.approx(certified, rel=1e-10)
    slope, error, _, _ = flat_line(np.arange(4.0, 7.0), np.array([3.0, 4.0, 4.0]), intercept=False)
    assert (slope[0], error[0]) == pytest.approx((0.727272727272727, 0.0420827318078432), rel=1e-10)


# Pearson 1901 with York's weights 1966: X, Y and the weights of Y.
PEARSON_X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
YORK_WEIGHT_Y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])


def straight_ladder(x, y, noise_sd, priors=LINE_ONLY):
    """A ladder whose logarithm of flow is x: one injector, one engine."""
    return solved(
        observed=y, noise_sd=noise_sd, flow_m3_s=1e-6 * np.exp(x), injector=["a"] * len(x),
        engine=["e"] * len(x), displacement={"e": 1.0}, priors=priors,
    )  # fmt: skip


def ladder_at(fit, x):
    """Predicted logarithm where the logarithm of flow is x."""
    return predicted(
        fit, flow_m3_s=1e-6 * np.exp(x), engine="e", stoichiometric_ratio=1.0, density_kg_m3=1.0,
    )  # fmt: skip


# Kapteyn package documentation, Pearson's data with York's weights, weights on Y only.
@pytest.mark.outside(source="Pearson-York data, weighted least squares, Kapteyn documentation")
def test_ladder_is_weighted_least_squares():
    fit = straight_ladder(PEARSON_X, PEARSON_Y, YORK_WEIGHT_Y**-0.5)
    assert ladder_at(fit, 0.0).log_mean == pytest.approx(6.10010932, abs=5e-9)
    assert -fit.interval("response").value == pytest.approx(-0.61081296, abs=5e-9)


@pytest.mark.outside(source="statsmodels WLS, get_prediction with known weights")
@pytest.mark.parametrize("x", [3.0, 9.0])
def test_prediction_is_that_of_weighted_least_squares(x):
    api = pytest.importorskip("statsmodels.api")
    result = api.WLS(PEARSON_Y, api.add_constant(PEARSON_X), YORK_WEIGHT_Y).fit(
        cov_type="fixed scale"
    )
    expected = result.get_prediction([[1.0, x]])
    ours = ladder_at(straight_ladder(PEARSON_X, PEARSON_Y, YORK_WEIGHT_Y**-0.5), x)
    assert ours.log_mean == pytest.approx(expected.predicted_mean[0], rel=1e-9)
    assert ours.log_sd == pytest.approx(expected.se_mean[0], rel=1e-9)


# A guess at the noise variance worth nu degrees of freedom is conjugate: the posterior is
# Student's t with nu + n - 2 degrees of freedom about the least-squares line.
@pytest.mark.outside(source="scipy.stats.t about the line of statsmodels OLS (conjugate posterior)")
@pytest.mark.parametrize(("nu", "noise"), [(3.0, 0.3), (8.0, 3.0)])
def test_unknown_noise_gives_student_t(nu, noise):
    api = pytest.importorskip("statsmodels.api")
    x = np.linspace(-0.3, 0.3, 6)
    y = 1.0 - 0.8 * x + 0.02 * noise * np.array([1.1, -0.7, 0.2, -1.4, 1.3, -0.5])
    priors = Priors(
        response_sd=np.inf, tolerance=0.0, tolerance_spread=0.0, gauge_sd=0.0, run_dof=nu
    )
    ours = ladder_at(straight_ladder(x, y, np.full(6, 0.02), priors), 0.2)
    result = api.OLS(y, api.add_constant(x)).fit()
    dof = nu + 4
    scale2 = (nu * 0.02**2 + result.ssr) / dof
    se = result.get_prediction([[1.0, 0.2]]).se_mean[0] * np.sqrt(scale2 / result.scale)
    low, high = stats.t.interval(0.95, dof, loc=result.predict([[1.0, 0.2]])[0], scale=se)
    assert np.log(ours.lambda_.low) == pytest.approx(low, abs=2e-3 * se)
    assert np.log(ours.lambda_.high) == pytest.approx(high, abs=2e-3 * se)


def invented_ladder(priors):
    rng = np.random.default_rng(3)
    at = np.array([0, 0, 1, 1, 2, 2, 2])
    engine = np.array([0, 0, 0, 1, 1, 1, 1])
    x = np.array([-0.1, 0.02, 0.12])[at]
    noise_sd = rng.uniform(0.008, 0.02, 7)
    y = 9.0 - x + 0.13 * engine + rng.normal(0, 0.03, 7)
    fit = solved(
        observed=y, noise_sd=noise_sd, flow_m3_s=2.5e-6 * np.exp(x), injector=[f"i{i}" for i in at],
        engine=[f"e{i}" for i in engine], displacement={"e0": 1.0, "e1": 1.15},
        tolerance={"i1": 0.01}, priors=priors,
    )  # fmt: skip
    return at, engine, x, y, noise_sd, fit


# With both scales known, the ladder is a generalised least squares problem: fixed level, random
# response, deviations, breathing and gauge error, all folded into the covariance of the readings.
@pytest.mark.outside(source="statsmodels GLS with the marginal covariance")
def test_level_against_generalised_least_squares():
    api = pytest.importorskip("statsmodels.api")
    priors = Priors(tolerance=0.03, tolerance_spread=0.0, run_dof=np.inf)
    at, engine, x, y, noise_sd, fit = invented_ladder(priors)
    x = x - x.mean()
    covariance = np.diag(noise_sd**2) + 0.15**2 * np.outer(x, x) + 0.01**2
    covariance += (at[:, None] == at) * np.where(at == 1, 0.01, 0.03) ** 2
    covariance += (engine[:, None] == engine) * 0.05**2 / 2
    shifted = y + x - engine * np.log(1.15)
    result = api.GLS(shifted, np.ones(7), sigma=covariance).fit(cov_type="fixed scale")
    level = fit.terms.index("level")
    assert fit.mean[level] == pytest.approx(result.params[0], rel=1e-10)
    assert fit.covariance[level, level] == pytest.approx(result.bse[0] ** 2, rel=1e-9)


# A normal prior is one more observation, of the unknown itself (mixed estimation, Theil 1971):
# weighted least squares on readings and priors together gives the whole posterior.
@pytest.mark.outside(source="statsmodels WLS with the priors as extra observations")
def test_posterior_against_mixed_estimation():
    api = pytest.importorskip("statsmodels.api")
    priors = Priors(tolerance=0.03, tolerance_spread=0.0, run_dof=np.inf)
    at, engine, x, y, noise_sd, fit = invented_ladder(priors)
    names = ["response", "level", "e0", "e1", "i0", "i1", "i2", "gauge"]
    ones = np.ones(7)
    columns = [-(x - x.mean()), ones, engine == 0, engine == 1, at == 0, at == 1, at == 2, ones]
    prior_sd = np.array([0.15, 0.05 / 2**0.5, 0.05 / 2**0.5, 0.03, 0.01, 0.03, 0.01])
    rows = np.vstack([np.stack(columns, axis=1).astype(float), np.delete(np.eye(8), 1, axis=0)])
    observed = np.concatenate([y - engine * np.log(1.15), [1.0], np.zeros(6)])
    weights = np.concatenate([noise_sd, prior_sd]) ** -2
    result = api.WLS(observed, rows, weights).fit(cov_type="fixed scale")
    for term in ("response", "level", "injector i1", "engine e1", "gauge"):
        theirs, ours = names.index(term.split()[-1]), fit.terms.index(term)
        assert fit.mean[ours] == pytest.approx(result.params[theirs], rel=1e-8, abs=1e-12), term
        assert fit.covariance[ours, ours] == pytest.approx(result.bse[theirs] ** 2, rel=1e-8), term
