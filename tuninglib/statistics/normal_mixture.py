"""Linear models with normal errors whose scales are only roughly known.

Given the scales, everything is Gaussian and a closed form. The scales are summed over a fixed
grid, so each answer is a weighted sum of normal distributions: no sampler, no seed.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

# Grid for the logarithm of the noise scale: a seventh to sixteen times in steps of a fifth. A
# hundred readings leave the scale uncertain by 7 %, which such steps still resolve.
NOISE_GRID = np.linspace(-2.0, 2.8, 25)
TOLERANCE_NODES = 5  # Gauss-Hermite: exact for polynomials to the ninth degree
NEGLIGIBLE_WEIGHT = 1e-5  # of a grid point in a prediction, relative to the heaviest


class Posterior(NamedTuple):
    """Coefficients of a linear model, given the observations.

    Attributes
    ----------
    mean : array (..., k)
    covariance : array (..., k, k)
    misfit : array (...)
        Weighted sum of squared residuals, those from the prior means included.
    log_evidence : array (...)
        Logarithm of the density of the observations, up to a constant.
    """

    mean: np.ndarray
    covariance: np.ndarray
    misfit: np.ndarray
    log_evidence: np.ndarray


class ScaleGrid(NamedTuple):
    """Noise and tolerance scales, and the logarithm of their prior weights, by grid point."""

    noise_scale: np.ndarray
    tolerance_scale: np.ndarray
    log_weight: np.ndarray


def linear_posterior(
    design: ArrayLike,
    observed: ArrayLike,
    noise_sd: ArrayLike,
    prior_mean: ArrayLike,
    prior_precision: ArrayLike,
) -> Posterior:
    """Posterior of the coefficients of a linear model with known noise.

    Parameters
    ----------
    design : array (n, k)
    observed : array (n,)
    noise_sd : array (..., n)
        Of each observation; leading axes are assumptions worked out side by side.
    prior_mean : array (k,)
    prior_precision : array (..., k)
        Inverse variance of independent normal priors; 0 for a flat one.

    Returns
    -------
    Posterior

    Notes
    -----
    Normal equations, with columns scaled first so that they stay well conditioned ([1]_, section
    3.3).

    Examples
    --------
    Two readings of one quantity, no prior:

    >>> found = linear_posterior(
    ...     np.ones((2, 1)), np.array([1.0, 3.0]), np.ones(2), np.zeros(1), np.zeros(1))
    >>> found.mean.item(), found.covariance.item(), found.misfit.item()
    (2.0, 0.5, 2.0)

    References
    ----------
    .. [1] C. M. Bishop, Pattern Recognition and Machine Learning, Springer 2006.
    """
    given = (design, observed, noise_sd, prior_mean, prior_precision)
    design, observed, noise_sd, prior_mean, prior_precision = (np.asarray(x, float) for x in given)
    weighted = design / noise_sd[..., None] ** 2
    precision = np.swapaxes(weighted, -1, -2) @ design
    diagonal = np.arange(design.shape[1])
    precision[..., diagonal, diagonal] += prior_precision
    # Unknowns have sizes from a hundredth (a tolerance) to ten (a level). Scaled to a unit diagonal
    # the normal equations lose no digits to that; below 1e-6 a pivot is rounding, not knowledge.
    scale = np.sqrt(precision[..., diagonal, diagonal])
    pairs = scale[..., :, None] * scale[..., None, :]
    scaled = precision / np.where(pairs > 0, pairs, 1.0)
    try:
        factor = np.linalg.cholesky(scaled)
    except np.linalg.LinAlgError:
        factor = np.zeros_like(scaled)
    pivots = factor[..., diagonal, diagonal]
    if pivots.min() < 1e-6:
        raise ValueError("the readings leave an unknown open; give it a finite prior")
    inverse = np.linalg.inv(factor) / scale[..., None, :]
    covariance = np.swapaxes(inverse, -1, -2) @ inverse
    right = (np.swapaxes(weighted, -1, -2) @ observed) + prior_precision * prior_mean
    mean = (covariance @ right[..., None])[..., 0]

    residual = (observed - mean @ design.T) / noise_sd
    pulled = mean - prior_mean
    # A prior counts as one more observation of its unknown, so its miss belongs to the squares.
    misfit = (residual**2).sum(-1) + (prior_precision * pulled**2).sum(-1)
    proper = prior_precision > 0
    # Bishop's equation 3.86 (from memory), no constants. A flat prior has no density to speak of;
    # it drops out, for every scale that is compared alike.
    log_prior = np.log(np.where(proper, prior_precision, 1.0)).sum(-1)
    logs = (np.log(part).sum(-1) for part in (pivots, scale, noise_sd))
    log_evidence = 0.5 * (log_prior - 2 * sum(logs) - misfit)
    return Posterior(mean, covariance, misfit, log_evidence)


class FewRows(NamedTuple):
    """Rows that say of a linear model what many said.

    Attributes
    ----------
    design : array (r, k)
    observed : array (r,)
        Each with a noise of standard deviation 1.
    left_out : int
        How many rows are missing: a noise scale s takes so many times log(s) from the evidence.
    """

    design: np.ndarray
    observed: np.ndarray
    left_out: int


def few_rows(
    design: np.ndarray,
    observed: np.ndarray,
    noise_sd: ArrayLike,
    *,
    group: ArrayLike | None = None,
    group_sd: float = 0.0,
) -> FewRows:
    """The same evidence in no more rows than there are unknowns, and one.

    Parameters
    ----------
    design : array (n, k)
    observed, noise_sd : array (n,)
    group : array (n,), optional
        Numbers from 0 of what moves rows together, days for example.
    group_sd : float
        By how much it does.

    Returns
    -------
    FewRows

    Notes
    -----
    Rows over their noise, turned into a triangle: what is left below it says nothing. The sums of
    squares stay what they were, whatever the scale of the noise. Of a group, rows over their noise
    have the covariance I + u uᵀ, whose inverse root is I − (1 − (1 + uᵀu)^−½) u uᵀ / uᵀu.

    Examples
    --------
    >>> found = few_rows(np.ones((4, 1)), np.array([1.0, 2.0, 3.0, 4.0]), np.full(4, 0.5))
    >>> found.design.shape, found.left_out
    ((2, 1), 2)
    """
    both = np.column_stack([design, observed]) / np.asarray(noise_sd, dtype=float)[:, None]
    n, columns = both.shape
    if group is not None and group_sd > 0:
        group = np.asarray(group)
        moved = group_sd / np.asarray(noise_sd, dtype=float)
        # Taking out what the rows of a day share costs one sum a day instead of a matrix of all
        # rows.
        squares = np.bincount(group, moved**2)
        along = np.column_stack([np.bincount(group, moved * column) for column in both.T])
        along = along * ((1 - (1 + squares) ** -0.5) / squares)[:, None]
        both = both - moved[:, None] * along[group]
    triangle = np.linalg.qr(both, mode="r") if n > columns else both
    return FewRows(triangle[:, :-1], triangle[:, -1], n - len(triangle))


@lru_cache(maxsize=8)
def scale_grid(noise_dof: float, tolerance_spread: float) -> ScaleGrid:
    """Noise and tolerance scales with their prior weights.

    Parameters
    ----------
    noise_dof : float
        Degrees of freedom of the guess at the noise; infinite: known. The noise variance is
        scaled inverse chi-square, so that with nothing else unknown the answers are Student's t.
    tolerance_spread : float
        Standard deviation of the logarithm of the tolerance scale; 0: known.

    Returns
    -------
    ScaleGrid
        Of m points; the weights add up to 1.

    Examples
    --------
    >>> [scale.tolist() for scale in scale_grid(np.inf, 0.0)]
    [[1.0], [1.0], [0.0]]
    """
    if np.isinf(noise_dof):
        noise, noise_weight = np.ones(1), np.ones(1)
    else:
        noise = np.exp(NOISE_GRID)
        # Scaled inverse chi-square of the variance, as a density of the logarithm of its root: the
        # grid is even in that logarithm.
        log_density = -noise_dof * (NOISE_GRID + 0.5 / noise**2)
        noise_weight = np.exp(log_density - log_density.max())
    if tolerance_spread == 0:
        tolerance, tolerance_weight = np.ones(1), np.ones(1)
    else:
        nodes, tolerance_weight = np.polynomial.hermite_e.hermegauss(TOLERANCE_NODES)
        tolerance = np.exp(tolerance_spread * nodes)
    noise_scale, tolerance_scale = np.meshgrid(noise, tolerance, indexing="ij")
    weight = noise_weight[:, None] * tolerance_weight
    log_weight = np.log(weight / weight.sum())
    return ScaleGrid(noise_scale.ravel(), tolerance_scale.ravel(), log_weight.ravel())


def normalised(log_weight: np.ndarray) -> np.ndarray:
    """Weights that add up to 1.

    Examples
    --------
    >>> normalised(np.log([1.0, 3.0]))
    array([0.25, 0.75])
    """
    weight = np.exp(np.asarray(log_weight) - np.max(log_weight))
    return weight / weight.sum()


def mixture_cdf(
    value: ArrayLike, weight: ArrayLike, mean: np.ndarray, sd: ArrayLike
) -> float | np.ndarray:
    """Probability of at most a value, for a weighted sum of normal distributions.

    Parameters
    ----------
    value : array (...)
    weight : array (m,)
    mean, sd : array (..., m)

    Examples
    --------
    >>> float(mixture_cdf(0.0, np.array([0.5, 0.5]), np.array([-1.0, 1.0]), np.ones(2)))
    0.5
    """
    return ndtr((np.asarray(value)[..., None] - mean) / np.asarray(sd)) @ np.asarray(weight)


def mixture_quantile(
    probability: ArrayLike, weight: ArrayLike, mean: ArrayLike, sd: ArrayLike
) -> np.ndarray:
    """Values that a weighted sum of normal distributions stays below with some probabilities.

    Parameters
    ----------
    probability : array (p,)
    weight : array (m,)
    mean, sd : array (..., m)

    Returns
    -------
    array (p, ...)

    Notes
    -----
    Newton's steps, with bisection where one would leave the bracket between the lowest and the
    highest quantile of the parts, until one is below 1e-7 of the least standard deviation.

    Examples
    --------
    >>> mixture_quantile([0.5, 0.975], np.array([0.5, 0.5]), np.zeros(2), np.ones(2)).tolist()
    [0.0, 1.959964]
    """
    weight, mean, sd = np.asarray(weight), np.asarray(mean), np.asarray(sd)
    wanted = np.reshape(np.asarray(probability), (-1,) + (1,) * (np.ndim(mean) - 1))
    quantiles = mean + ndtri(wanted)[..., None] * sd
    low, high = quantiles.min(-1), quantiles.max(-1)
    value = quantiles @ weight
    # The quantile of a mixture lies between the parts' lowest and highest, so the bracket is sure.
    density_weight = weight / (sd * np.sqrt(2 * np.pi))
    for _ in range(60):
        standard = (value[..., None] - mean) / sd
        excess = ndtr(standard) @ weight - wanted
        low, high = np.where(excess < 0, value, low), np.where(excess > 0, value, high)
        density = (np.exp(-0.5 * standard**2) * density_weight).sum(-1)
        flat = density < 1e-100
        step = value - excess / np.where(flat, 1.0, density)
        trusted = (step >= low) & (step <= high) & ~flat
        step = np.where(trusted, step, 0.5 * (low + high))
        if np.all(np.abs(step - value) <= 1e-7 * sd.min()):
            return step
        value = step
    return value


def mixture_moments(
    weight: np.ndarray, mean: np.ndarray, sd: np.ndarray
) -> tuple[float | np.ndarray, float | np.ndarray]:
    """Mean and standard deviation of a weighted sum of normal distributions.

    Examples
    --------
    >>> mean, sd = mixture_moments(np.array([0.5, 0.5]), np.array([-1.0, 1.0]), np.zeros(2))
    >>> float(mean), float(sd)
    (0.0, 1.0)
    """
    weight, mean, sd = np.asarray(weight), np.asarray(mean), np.asarray(sd)
    centre = (weight * mean).sum(-1)
    return centre, np.sqrt((weight * (sd**2 + (mean - centre[..., None]) ** 2)).sum(-1))
