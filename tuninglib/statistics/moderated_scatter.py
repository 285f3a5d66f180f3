"""Scatters of many days, each known from few repeats, shrunk towards each other."""

from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq
from scipy.special import digamma, polygamma

from tuninglib.checks import require

# Degrees of freedom beyond which days scatter all alike.
_ALIKE = 1e6


class Moderated(NamedTuple):
    """Scatter of each day with what the other days say of it.

    Attributes
    ----------
    sd, dof : array (n,)
        Standard deviations, and the degrees of freedom that they are then worth.
    common_sd, common_dof : float
        What a day that nobody rode would be taken to scatter by, and what that is worth; infinite
        where the days scatter alike.
    """

    sd: np.ndarray
    dof: np.ndarray
    common_sd: float
    common_dof: float


def moderate_scatter(sd, dof) -> Moderated:
    """Standard deviations of many groups, each with what the others say of it.

    Parameters
    ----------
    sd : array (n,)
    dof : array (n,)
        Degrees of freedom of each.

    Returns
    -------
    Moderated

    Raises
    ------
    ValueError
        If there are fewer than two, or one is not above zero.

    Notes
    -----
    True variances are taken to be scaled inverse chi-square with d₀ degrees of freedom about s₀².
    The logarithms of the observed ones then have the variance ψ'(d/2) + ψ'(d₀/2), from which d₀
    follows, and s₀ from their mean ([1]_, section 6.2). A group's variance is
    (d₀ s₀² + d s²)/(d₀ + d), with d₀ + d degrees of freedom, at most those of all together.

    Examples
    --------
    Three days that scatter alike are one:

    >>> found = moderate_scatter([0.02, 0.03, 0.025], [6, 6, 6])
    >>> found.sd
    array([0.0253, 0.0253, 0.0253])
    >>> found.dof
    array([18., 18., 18.])

    References
    ----------
    .. [1] G. K. Smyth, Linear models and empirical Bayes methods for assessing differential
       expression in microarray experiments, Statistical Applications in Genetics and Molecular
       Biology 3 (2004), 3.
    """
    sd = np.asarray(require(sd, what="scatter", unit="", above=0))
    dof = np.asarray(require(dof, what="degrees of freedom", unit="", above=0))
    if sd.ndim != 1 or sd.size < 2:
        raise ValueError(f"{sd.size} scatter has no others; give at least two")
    dof = np.broadcast_to(dof, sd.shape).astype(float)
    logs = 2 * np.log(sd) - digamma(dof / 2) + np.log(dof / 2)
    beyond = float(np.var(logs, ddof=1) - np.mean(polygamma(1, dof / 2)))
    if beyond <= polygamma(1, _ALIKE / 2):
        common, alike = float(np.sqrt(dof @ sd**2 / dof.sum())), float(dof.sum())
        return Moderated(np.full(sd.shape, common), np.full(sd.shape, alike), common, np.inf)
    common_dof = 2 * brentq(lambda half: polygamma(1, half) - beyond, 1e-6, _ALIKE)
    log = float(np.mean(logs)) + digamma(common_dof / 2) - np.log(common_dof / 2)
    common = float(np.exp(log / 2))
    shrunk = np.sqrt((common_dof * common**2 + dof * sd**2) / (common_dof + dof))
    return Moderated(shrunk, np.minimum(common_dof + dof, dof.sum()), common, common_dof)
