"""Repeated runs: means, differences and their intervals by Student's t."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import gammaincinv, stdtr, stdtrit

from tuninglib.checks import plain, require
from tuninglib.interval import Interval

# Degrees of freedom beyond which Student's t is the normal distribution.
MANY = 1e9


@dataclass(frozen=True)
class Estimate(Interval):
    """A mean, or a difference of means, with its interval by Student's t.

    Attributes
    ----------
    value, low, high : float
    standard_error, dof : float
    """

    standard_error: float
    dof: float

    @property
    def t(self) -> float:
        """How many standard errors the value is from zero."""
        if self.standard_error > 0:
            return self.value / self.standard_error
        return float(np.inf * np.sign(self.value))

    @property
    def p_value(self) -> float:
        """Probability of a value at least this far from zero by chance, two-sided."""
        return two_sided_p(self.t, self.dof)


class PooledScatter(NamedTuple):
    """Standard deviation within groups, and its degrees of freedom."""

    sd: float
    dof: int


def t_quantile(probability, dof):
    """Quantile of Student's t distribution; normal for infinite degrees of freedom.

    Parameters
    ----------
    probability, dof : float or array

    Returns
    -------
    t : float or array

    Examples
    --------
    >>> t_quantile(0.975, 4)
    2.7764
    """
    return plain(stdtrit(np.minimum(dof, MANY), probability))


def two_sided_p(t, dof):
    """Probability of a t at least this far from zero by chance.

    Parameters
    ----------
    t, dof : float or array

    Returns
    -------
    p_value : float or array

    Examples
    --------
    >>> two_sided_p(2.7764, 4)
    0.0500
    """
    return plain(2 * stdtr(np.minimum(dof, MANY), -np.abs(t)))


def estimate(value, *, standard_error, dof, confidence=0.95) -> Estimate:
    """Interval by Student's t around a value whose standard error is known.

    Parameters
    ----------
    value, standard_error, dof : float
    confidence : float
        Chance that the interval holds the truth, 0 to 1.

    Returns
    -------
    Estimate

    Examples
    --------
    >>> found = estimate(10.0, standard_error=1.0, dof=4)
    >>> found.low, found.high
    (7.2236, 12.7764)
    """
    half = t_quantile((1 + confidence) / 2, dof) * standard_error
    return Estimate(
        value=float(value),
        low=float(value - half),
        high=float(value + half),
        standard_error=float(standard_error),
        dof=float(dof),
    )


def mean_interval(values, *, confidence=0.95) -> Estimate:
    """Mean of repeats with its interval.

    Parameters
    ----------
    values : array
        Two or more.
    confidence : float

    Returns
    -------
    Estimate

    Examples
    --------
    >>> found = mean_interval([9.0, 10.0, 11.0])
    >>> found.value, found.low, found.high
    (10.0, 7.5159, 12.4841)
    """
    values = _repeats(values)
    error = values.std(ddof=1) / np.sqrt(values.size)
    return estimate(values.mean(), standard_error=error, dof=values.size - 1, confidence=confidence)


def pooled_sd(groups) -> PooledScatter:
    """Scatter within groups, pooled over groups, and its degrees of freedom.

    Parameters
    ----------
    groups : sequence of arrays
        Repeats of each setup; a single run adds nothing.

    Returns
    -------
    PooledScatter

    Examples
    --------
    >>> pooled_sd([[1.0, 3.0], [10.0, 14.0], [7.0]])
    PooledScatter(sd=2.2361, dof=2)
    """
    groups = [np.asarray(group, dtype=float) for group in groups]
    dof = sum(group.size - 1 for group in groups)
    if dof < 1:
        raise ValueError("no group has two runs, so that the scatter is unknown; repeat a setup")
    squares = sum(((group - group.mean()) ** 2).sum() for group in groups)
    return PooledScatter(float(np.sqrt(squares / dof)), dof)


def sd_interval(sd, *, dof, confidence=0.95) -> Interval:
    """Interval of a standard deviation that was estimated from repeats.

    Parameters
    ----------
    sd, dof : float
    confidence : float

    Returns
    -------
    Interval

    Notes
    -----
    dof · sd²/σ² has the χ² distribution with that many degrees of freedom.

    Examples
    --------
    >>> sd_interval(1.0, dof=4)
    Interval(value=1.0, low=0.5991, high=2.8736)
    """
    tail = (1 - confidence) / 2
    low, high = np.sqrt(dof / (2 * gammaincinv(dof / 2, [1 - tail, tail]))) * sd
    return Interval(float(sd), float(low), float(high))


def difference_of_means(*, means, sds, counts, equal_scatter: bool, confidence=0.95) -> Estimate:
    """Difference of two means, first minus second.

    Parameters
    ----------
    means, sds, counts : pair of float
        Of the two samples.
    equal_scatter : bool
        True pools the scatter; False is Welch's test.
    confidence : float

    Returns
    -------
    Estimate

    Examples
    --------
    >>> found = difference_of_means(means=(12.0, 10.0), sds=(1.0, 1.0), counts=(5, 5),
    ...                             equal_scatter=True)
    >>> found.t, found.dof
    (3.1623, 8.0)

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3.
    """
    (m1, m2), (s1, s2), (n1, n2) = means, sds, counts
    require(counts, what="count of runs", unit="", at_least=2, remedy="repeat the runs")
    if equal_scatter:
        dof = n1 + n2 - 2
        pooled = ((n1 - 1) * s1**2 + (n2 - 1) * s2**2) / dof
        error2 = pooled * (1 / n1 + 1 / n2)
    else:
        a, b = s1**2 / n1, s2**2 / n2
        error2 = a + b
        dof = error2**2 / (a**2 / (n1 - 1) + b**2 / (n2 - 1))
    return estimate(m1 - m2, standard_error=np.sqrt(error2), dof=dof, confidence=confidence)


def paired_difference(first, second, *, confidence=0.95) -> Estimate:
    """Mean difference of runs that belong together, first minus second.

    Parameters
    ----------
    first, second : array
        Of the same length.
    confidence : float

    Returns
    -------
    Estimate

    Examples
    --------
    >>> paired_difference([2.0, 4.0, 6.0], [1.0, 2.0, 3.0]).value
    2.0
    """
    return mean_interval(np.subtract(first, second), confidence=confidence)


def relative_accuracy(values, *, confidence=0.95) -> float:
    """Half-width of the mean's interval over the mean.

    Parameters
    ----------
    values : array
    confidence : float

    Returns
    -------
    ratio : float

    Notes
    -----
    p = t s / (√n · mean): the statistical accuracy that coast-down rules ask for, 2 % in [1]_.

    Examples
    --------
    >>> relative_accuracy([9.0, 10.0, 11.0])
    0.2484

    References
    ----------
    .. [1] Directive 70/220/EEC, Annex III, road-load determination.
    """
    found = mean_interval(values, confidence=confidence)
    return (found.high - found.value) / abs(found.value)


def _repeats(values):
    remedy = "leave out what was not read"
    values = np.asarray(require(values, what="value", unit="", remedy=remedy))
    if values.ndim != 1 or values.size < 2:
        raise ValueError(f"{values.size} run has no scatter; repeat it at least once")
    return values
