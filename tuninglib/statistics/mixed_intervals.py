"""Intervals that average over what the unknown variances could be.

With few repeats a variance is poorly known. For a plain mean this averaging gives Student's t;
beside a known variance, which puts a floor under the total, it stays right where rules for
approximate degrees of freedom are far too wide.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from tuninglib.statistics.repeats import t_quantile

# Grid of the first variance: points, and how far it reaches beyond the likely value.
_POINTS, _REACH = 64, 1e6
# Grid of the second, relative to its likely value.
_SECOND = np.exp(np.linspace(-2.0, 2.0, 5))

# Ratio of the 95 % to the 68.27 % half-width of Student's t, by degrees of freedom.
_DOFS = np.concatenate([np.linspace(0.3, 1, 8)[:-1], np.geomspace(1, 1e4, 120)])
_ONE_SIGMA = ndtr(1.0)
_WIDTH_RATIOS = t_quantile(0.975, _DOFS) / t_quantile(_ONE_SIGMA, _DOFS)


@dataclass(frozen=True)
class VarianceMixture:
    """Normal distributions of the coefficients, each with its weight.

    Attributes
    ----------
    means : array, grid by k
    covariances : array, grid by k by k
    weights : array, grid
        Sum to 1.
    """

    means: np.ndarray
    covariances: np.ndarray
    weights: np.ndarray


@dataclass(frozen=True)
class Spread:
    """A contrast of coefficients with its 95 % interval.

    Attributes
    ----------
    value, low, high : float
    p_value : float
        Against zero, two-sided.
    sd, dof : float
        Of the Student's t distribution with the same 95 % and 68 % widths.
    """

    value: float
    low: float
    high: float
    p_value: float
    sd: float
    dof: float


def average_over_variances(data, design, known, components, fit) -> VarianceMixture:
    """Coefficients for every pair of variances on a grid, with the weight of each.

    Parameters
    ----------
    data, design, known, components
        As given to :func:`tuninglib.statistics.mixed_model.fit_mixed`: none, one or two components.
    fit : MixedFit
        Its result.

    Returns
    -------
    VarianceMixture

    Notes
    -----
    The weight is the restricted likelihood times the square root of its information on each
    variance (Jeffreys' rule, 1/φ where nothing else adds to φ), times what was stated of them.
    For each second variance one eigenvalue decomposition serves the whole grid of the first.

    Examples
    --------
    The interval of a plain mean is Student's:

    >>> import numpy as np
    >>> from tuninglib.statistics.mixed_model import Component, fit_mixed
    >>> data, ones, none = np.array([1.0, 2.0, 6.0]), np.ones((3, 1)), np.zeros((3, 3))
    >>> parts = [Component(np.eye(3), start=1.0)]
    >>> fit = fit_mixed(data, ones, none, parts)
    >>> found = spread(average_over_variances(data, ones, none, parts, fit), np.array([1.0]))
    >>> found.low, found.high
    (-3.5, 9.5)
    """
    data, design, known = np.asarray(data), np.asarray(design), np.asarray(known)
    if not components:
        return VarianceMixture(fit.coefficients[None], fit.covariance[None], np.ones(1))
    first = components[0]
    seconds = _SECOND * max(fit.variances[1], 1e-3) if len(components) > 1 else [None]
    # Steps are even in log(φ + scale), where scale is about the noise that φ adds to.
    scale = 1 / np.sqrt(max(fit.information[0, 0] + first.prior_dof / 2 / first.start**2, 1e-300))
    scale = np.clip(scale, 1e-4 * first.start, 1e6 * first.start)
    lowest = 1e-2 * scale
    phi = scale * (np.geomspace(1, _REACH, _POINTS) - 1) + lowest
    measure = np.log(phi + scale)
    means, covariances, logs = [], [], []
    for second in seconds:
        base = known + lowest * first.matrix
        if second is not None:
            base = base + second * components[1].matrix
        mean, covariance, log, information = _along(data, design, base, first, phi - lowest)
        information = information + first.prior_dof / phi**2
        log = log + 0.5 * np.log(np.maximum(information, 1e-300)) + measure
        log = log - first.prior_dof / 2 * (np.log(phi) + first.start / phi)
        if second is not None:
            stated = components[1]
            log = log - stated.prior_dof / 2 * (np.log(second) + stated.start / second)
        means.append(mean)
        covariances.append(covariance)
        logs.append(log)
    log = np.concatenate(logs)
    weights = np.exp(log - log.max())
    weights /= weights.sum()
    kept = weights > 1e-9
    return VarianceMixture(
        np.concatenate(means)[kept],
        np.concatenate(covariances)[kept],
        weights[kept] / weights[kept].sum(),
    )


def _along(data, design, base, first, added):
    """Coefficients, covariance, log likelihood and information of base + added × K, each."""
    root = np.linalg.cholesky(base)
    half = np.linalg.solve(root, first.matrix)
    values, vectors = np.linalg.eigh(np.linalg.solve(root, half.T))
    values = np.maximum(values, 0.0)
    turned = vectors.T @ np.linalg.solve(root, np.column_stack([data, design]))
    y, x = turned[:, 0], turned[:, 1:]
    weight = 1 / (1 + added[:, None] * values)  # grid by n
    xw = x.T[None] * weight[:, None, :]  # grid by k by n
    covariance = np.linalg.inv(xw @ x)
    mean = (covariance @ (xw @ y)[..., None])[..., 0]
    rest = y - mean @ x.T
    log = 0.5 * np.log(weight).sum(1) - np.log(np.diag(root)).sum()
    log += 0.5 * np.linalg.slogdet(covariance)[1] - 0.5 * (weight * rest**2).sum(1)
    # tr(P K P K) in these coordinates, where K is diagonal and P = W − W X C Xᵀ W.
    wk = weight * values
    once = covariance @ ((xw * wk[:, None, :]) @ x)
    twice = covariance @ ((xw * (wk**2)[:, None, :]) @ x)
    information = (wk**2).sum(1) - 2 * np.trace(twice, axis1=1, axis2=2)
    information += (once * once.transpose(0, 2, 1)).sum((1, 2))
    return mean, covariance, log, information


def spread(mixture: VarianceMixture, vector) -> Spread:
    """A contrast of the coefficients with its 95 % interval.

    Parameters
    ----------
    mixture : VarianceMixture
    vector : array, k

    Returns
    -------
    Spread

    Examples
    --------
    >>> import numpy as np
    >>> one = VarianceMixture(np.zeros((1, 1)), np.ones((1, 1, 1)), np.ones(1))
    >>> found = spread(one, np.array([1.0]))
    >>> found.high, found.sd
    (1.96, 1.0)
    """
    vector = np.asarray(vector, dtype=float)
    means = mixture.means @ vector
    sds = np.sqrt(np.einsum("i,gij,j->g", vector, mixture.covariances, vector))
    weights = mixture.weights
    value = float(weights @ means)
    tails = np.array([0.025, 1 - _ONE_SIGMA, _ONE_SIGMA, 0.975])
    # Halving, in steps that grow outwards, finds the neighbourhood even of a tail that is thin;
    # Newton's method the rest.
    usual = sds[np.argmax(weights)]
    reach = np.arcsinh((10 * sds.max() + np.abs(means - value).max()) / usual)
    low, high = np.full(4, -reach), np.full(4, reach)
    for _ in range(10):
        middle = (low + high) / 2
        at = value + usual * np.sinh(middle)
        under = ndtr((at[:, None] - means) / sds) @ weights < tails
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    at = value + usual * np.sinh((low + high) / 2)
    for _ in range(3):
        z = (at[:, None] - means) / sds
        density = np.exp(-(z**2) / 2) / sds @ weights / np.sqrt(2 * np.pi)
        at = at - (ndtr(z) @ weights - tails) / density
    wide, narrow = at[3] - at[0], at[2] - at[1]
    dof = float(np.interp(-wide / narrow, -_WIDTH_RATIOS, _DOFS))
    below = float(ndtr(-means / sds) @ weights)
    return Spread(
        value=value,
        low=float(at[0]),
        high=float(at[3]),
        p_value=min(1.0, 2 * min(below, 1 - below)),
        sd=float(wide / 2 / t_quantile(0.975, dof)),
        dof=dof if dof < _DOFS[-1] else np.inf,
    )
