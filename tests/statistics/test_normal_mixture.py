"""Linear models with scales that are roughly known: against densities and dense matrices."""

from itertools import pairwise

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import invgamma, multivariate_normal, norm

from tuninglib.statistics.normal_mixture import (
    few_rows,
    linear_posterior,
    mixture_cdf,
    mixture_moments,
    mixture_quantile,
    normalised,
    scale_grid,
)

RNG = np.random.default_rng(20)
DESIGN, OBSERVED = RNG.normal(size=(7, 3)), RNG.normal(size=7)
NOISE, CENTRE = RNG.uniform(0.3, 2.0, 7), np.array([0.5, -1.0, 2.0])


@pytest.mark.outside(source="scipy: density of the multivariate normal distribution")
def test_the_evidence_is_the_density_of_what_was_observed():
    """Several noises and priors side by side; a constant is the same for all."""
    noise = NOISE * np.array([0.5, 1.0, 3.0])[:, None]
    precision = np.array([[1.0, 0.2, 4.0], [2.0, 3.0, 0.1], [0.5, 0.5, 9.0]])
    found = linear_posterior(DESIGN, OBSERVED, noise, CENTRE, precision)
    for at in range(3):
        prior = np.diag(1 / precision[at])
        spread = DESIGN @ prior @ DESIGN.T + np.diag(noise[at] ** 2)
        density = multivariate_normal(DESIGN @ CENTRE, spread).logpdf(OBSERVED)
        constant = -3.5 * np.log(2 * np.pi)
        assert found.log_evidence[at] == pytest.approx(density - constant)
        gain = prior @ DESIGN.T @ np.linalg.inv(spread)
        assert found.mean[at] == pytest.approx(CENTRE + gain @ (OBSERVED - DESIGN @ CENTRE))
        assert found.covariance[at] == pytest.approx(prior - gain @ DESIGN @ prior)
        off, moved = OBSERVED - DESIGN @ found.mean[at], found.mean[at] - CENTRE
        misfit = np.sum((off / noise[at]) ** 2) + np.sum(precision[at] * moved**2)
        assert found.misfit[at] == pytest.approx(misfit)


@pytest.mark.outside(source="statsmodels: weighted least squares, as the reference")
def test_without_priors_it_is_weighted_least_squares():
    found = linear_posterior(DESIGN, OBSERVED, NOISE, np.zeros(3), np.zeros(3))
    plain = sm.WLS(OBSERVED, DESIGN, weights=NOISE**-2.0).fit()
    assert found.mean == pytest.approx(plain.params)
    assert found.covariance == pytest.approx(plain.normalized_cov_params)
    assert found.misfit == pytest.approx(np.sum((plain.wresid) ** 2))


def test_what_the_readings_leave_open_needs_a_prior():
    twice = DESIGN[:, [0, 0]]
    for design in (twice, 0 * twice):
        with pytest.raises(ValueError, match="leave an unknown open"):
            linear_posterior(design, OBSERVED, NOISE, np.zeros(2), np.zeros(2))
    found = linear_posterior(twice, OBSERVED, NOISE, np.zeros(2), np.ones(2))
    assert found.mean[0] == pytest.approx(found.mean[1])


@pytest.mark.parametrize("group_sd", [0.0, 0.7])
def test_few_rows_say_what_many_did(group_sd):
    """A group's rows move together: as with the whole covariance of all rows."""
    rng = np.random.default_rng(3)
    design, observed = rng.normal(size=(12, 3)), rng.normal(size=12)
    noise, group = rng.uniform(0.3, 2.0, 12), np.array([0, 1, 2, 0, 1, 2, 0, 0, 0, 2, 1, 1])
    rows = few_rows(design, observed, noise, group=group, group_sd=group_sd)
    together = (group[:, None] == group) * group_sd**2
    inverse = np.linalg.inv(np.diag(noise**2) + together)
    assert rows.design.T @ rows.design == pytest.approx(design.T @ inverse @ design)
    assert rows.design.T @ rows.observed == pytest.approx(design.T @ inverse @ observed)
    assert rows.observed @ rows.observed == pytest.approx(observed @ inverse @ observed)
    assert (rows.design.shape, rows.left_out) == ((4, 3), 8)
    # Up to one more than there are columns they are what they were.
    few = few_rows(design[:4], observed[:4], noise[:4])
    assert few.left_out == 0
    assert few.design == pytest.approx(design[:4] / noise[:4, None])
    bare = few_rows(design, observed, noise, group=None, group_sd=group_sd)
    plain = np.diag(noise**-2.0)
    assert bare.design.T @ bare.design == pytest.approx(design.T @ plain @ design)


@pytest.mark.outside(source="scipy: density of the inverse gamma distribution")
def test_the_noise_is_a_scaled_inverse_chi_square():
    """Of the logarithm of the scale: the variance's density times twice the variance."""
    found = scale_grid(4.0, 0.0)
    variance = found.noise_scale**2
    density = invgamma(2.0, scale=2.0).pdf(variance) * 2 * variance
    assert np.exp(found.log_weight) == pytest.approx(density / density.sum())
    assert (found.noise_scale[0], found.noise_scale[-1]) == pytest.approx(
        (np.exp(-2.0), np.exp(2.8))
    )
    assert np.ptp(np.diff(np.log(found.noise_scale))) < 1e-12
    assert set(found.tolerance_scale) == {1.0}


@pytest.mark.parametrize("spread", [0.1, 0.35])
def test_the_tolerance_is_a_log_normal(spread):
    found = scale_grid(np.inf, spread)
    weight = np.exp(found.log_weight)
    assert weight.sum() == pytest.approx(1.0)
    assert weight @ found.tolerance_scale == pytest.approx(np.exp(spread**2 / 2), rel=1e-6)
    assert weight @ np.log(found.tolerance_scale) ** 2 == pytest.approx(spread**2)
    both = scale_grid(4.0, spread)
    assert both.log_weight.size == 25 * 5
    assert np.exp(both.log_weight).sum() == pytest.approx(1.0)


WEIGHT, MEAN, SD = np.array([0.2, 0.5, 0.3]), np.array([-4.0, 0.0, 7.0]), np.array([1.0, 0.1, 3.0])


def cdf(value):
    return WEIGHT @ norm.cdf((value - MEAN) / SD)


@pytest.mark.outside(source="scipy: normal distribution, Brent's search and quadrature")
def test_a_mixture_is_the_sum_of_its_parts():
    chances = np.array([0.001, 0.025, 0.2, 0.21, 0.5, 0.705, 0.975, 0.999])
    wanted = [brentq(lambda v, p=p: cdf(v) - p, -30, 40, xtol=1e-12) for p in chances]
    assert mixture_quantile(chances, WEIGHT, MEAN, SD) == pytest.approx(wanted, abs=1e-7)
    assert mixture_cdf(np.array([-4.0, 0.05]), WEIGHT, MEAN, SD) == pytest.approx(
        [cdf(-4.0), cdf(0.05)]
    )
    # Several mixtures at once are each its own.
    means = np.stack([MEAN, MEAN + 1.0])
    both = mixture_quantile(chances, WEIGHT, means, np.stack([SD, SD]))
    assert both[:, 1] - both[:, 0] == pytest.approx(np.ones(8), abs=2e-7)
    mean, sd = mixture_moments(WEIGHT, MEAN, SD)

    def density(v):
        return WEIGHT @ (norm.pdf((v - MEAN) / SD) / SD)

    parts = np.linspace(-30, 40, 141)
    moments = [
        sum(quad(lambda v, k=k: v**k * density(v), a, b)[0]
            for a, b in pairwise(parts))
        for k in (1, 2)
    ]  # fmt: skip
    assert mean == pytest.approx(moments[0])
    assert sd == pytest.approx(np.sqrt(moments[1] - moments[0] ** 2))


def test_weights_add_up_whatever_their_size():
    assert normalised([-2000.0, -2000.0 + np.log(3)]) == pytest.approx([0.25, 0.75])
    assert normalised([2000.0, 2000.0]) == pytest.approx([0.5, 0.5])
