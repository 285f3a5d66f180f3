"""Repeated rows: means and Student's t; weights that tame one bad row."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, stdtrit

from tuninglib.checks import plain, require
from tuninglib.interval import Interval

# Means and their intervals ------------------------------------------------------------------------

# Degrees of freedom beyond which Student's t is the normal distribution.
MANY = 1e9


@dataclass(frozen=True)
class Estimate(Interval):
    """A number with its 95 % interval by Student's t.

    Attributes
    ----------
    value, low, high : float
    standard_error, dof : float
    """

    standard_error: float
    dof: float


def t_quantile(probability: ArrayLike, dof: ArrayLike) -> float | np.ndarray:
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


def estimate(value: float, *, standard_error: float, dof: float) -> Estimate:
    """95 % interval by Student's t around a value whose standard error is known.

    Parameters
    ----------
    value, standard_error, dof : float

    Returns
    -------
    Estimate

    Examples
    --------
    >>> found = estimate(10.0, standard_error=1.0, dof=4)
    >>> found.low, found.high
    (7.2236, 12.7764)
    """
    half = t_quantile(0.975, dof) * standard_error
    ends = (value, value - half, value + half)
    return Estimate(*map(float, (*ends, standard_error, dof)))


def mean_interval(values: ArrayLike) -> Estimate:
    """Mean of repeats with its 95 % interval.

    Parameters
    ----------
    values : array
        Two or more.

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
    return estimate(values.mean(), standard_error=error, dof=values.size - 1)


def _repeats(values):
    remedy = "leave out what was not read"
    values = np.asarray(require(values, "value", "", remedy=remedy))
    if values.ndim != 1 or values.size < 2:
        raise ValueError(f"{values.size} run has no scatter; repeat it at least once")
    return values


# Weights ------------------------------------------------------------------------------------------
# Each row is held against what the others say of it, its own say left out. Up to 2.5 standard
# deviations nothing happens; beyond, its weight falls with the fourth power of the distance.
# Where a setup has no majority, as with two rows that are far apart, nobody can tell which one is
# wrong: then all are kept, with the scatter that they show.

# Standard deviations up to which a row counts fully: of a hundred good ones, one is beyond.
FAR = 2.5
# Below this weight a row is named in the report: beyond 3.1 standard deviations, two in a thousand.
NAMED = 0.4
# A setup disagrees where half of its rows or more lost half of their weight: no majority is left.
# Two rows are symmetric, and the first loss of either says that they are far apart.
_HALF, _ONE_OF_TWO = 0.5, 0.9
# How many repeats the guess at the scatter is worth.
_PRIOR_DOF = 4.0
# Steps until the weights stand still; they halve their distance each time.
_MOST_STEPS = 60


class Weighed(NamedTuple):
    """Rows with their weights.

    Attributes
    ----------
    weight : array (n,)
        0 to 1: the row's variance is what it was taken for, over this.
    off : array (n,)
        How far each row is from what the others say of it.
    disagree : array of bool (n,)
        Whether its setup's rows disagree, so that none can be called wrong.
    """

    weight: np.ndarray
    off: np.ndarray
    disagree: np.ndarray


def weight_at(distance: ArrayLike, dof: float = np.inf) -> float | np.ndarray:
    """Weight of a row so many standard deviations from what the others say.

    Parameters
    ----------
    distance : float or array
    dof : float
        How well the others know the standard deviation.

    Returns
    -------
    weight : float or array
        0 to 1.

    Notes
    -----
    1 up to 2.5 standard deviations (with few degrees of freedom: up to where Student's t has the
    same tails), (2.5/distance)⁴ beyond. So a row can pull its mean by no more than 2.5 standard
    deviations over the number of rows, the less the further off it is, and does not widen the
    scatter.

    Examples
    --------
    >>> weight_at(2.5), weight_at(5.0), weight_at(4.0, dof=4)
    (1.0, 0.0625, 1.0)
    """
    distance = np.asarray(require(distance, "distance", ""), dtype=float)
    far = t_quantile(ndtr(FAR), dof)
    return plain((far / np.maximum(np.abs(distance), far)) ** 4)


def settled_weights(
    leave_out: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]],
    group: np.ndarray,
    values: np.ndarray,
    dof: float,
) -> Weighed:
    """Weights that agree with the distances that they lead to.

    Parameters
    ----------
    leave_out : callable
        Takes weights; returns how far each row is from what the others say of it, the variance of
        that for a row of weight 1 as the others know it, and the variance of such a row alone.
    group : array of int (n,)
        Setup of each row; -1 belongs to none.
    values : array (n,)
        The rows themselves, for the scatter of setups whose rows disagree.
    dof : float
        How well the others know the variance.

    Returns
    -------
    Weighed

    Notes
    -----
    Iterated, with the geometric mean of the last two weights for the next; rows that agree are
    done at once.

    Examples
    --------
    >>> y = np.array([0.0, 0.1, -0.1, 5.0])
    >>> found = weigh_groups(y, np.full(4, 0.1), np.zeros(4, dtype=int))
    >>> found.weight.round(3).tolist(), found.off[3].round(2).item()
    ([1.0, 1.0, 1.0, 0.0], 5.0)
    """
    weight = np.ones(len(values))
    for _ in range(_MOST_STEPS):
        off, variance, alone = leave_out(weight)
        wanted = weight_at(off / np.sqrt(variance), dof)
        # The geometric mean damps: full steps may swing between two sets of weights for ever.
        before, weight = weight, np.sqrt(weight * wanted)
        if np.abs(weight - before).max(initial=0.0) < 1e-3:
            break
    weight = np.where(wanted >= 1.0, 1.0, weight)
    disagree = np.zeros(len(values), dtype=bool)
    for one in np.unique(group[weight < _ONE_OF_TWO]):
        own = group == one
        lost = weight[own] < (_ONE_OF_TWO if own.sum() == 2 else _HALF)
        if one >= 0 and own.sum() > 1 and 2 * lost.sum() >= own.sum():
            disagree |= own
            shown = max(float(values[own].var(ddof=1)), 1e-300)
            weight = np.where(own, np.minimum(1.0, alone / shown), weight)
    return Weighed(weight, off, disagree)


def weigh_groups(values: ArrayLike, sd: ArrayLike, group: ArrayLike) -> Weighed:
    """Weights of repeats against the others of their group.

    Parameters
    ----------
    values : array (n,)
    sd : array (n,)
        Of each, as assumed; one factor for all is adjusted by the repeats.
    group : array of int (n,)
        Numbers from 0.

    Returns
    -------
    Weighed

    Notes
    -----
    A row is held against the weighted mean of the others, with the scatter that the others show:
    one that is far off does not excuse itself.

    Examples
    --------
    Two readings that are thirty times further apart than they should be count alike, and little:

    >>> found = weigh_groups(np.array([0.0, 0.3]), np.full(2, 0.01), np.zeros(2, dtype=int))
    >>> found.weight.round(4).tolist(), found.disagree.tolist()
    ([0.0022, 0.0022], [True, True])
    """
    values, sd, group = np.asarray(values, float), np.asarray(sd, float), np.asarray(group, int)
    require(sd, "scatter of a row", "", above=0)
    dof = _PRIOR_DOF + len(values) - len(np.unique(group))

    def leave_out(weight):
        precision = weight / sd**2
        total = np.bincount(group, precision)[group]
        mean = np.bincount(group, precision * values)[group] / total
        squares = precision * (values - mean) ** 2
        others = total - precision
        single = others <= 1e-9 * total
        others = np.where(single, np.inf, others)
        # (values - mean) total / others, and squares total / others is what a row adds to the sum.
        off = np.where(single, 0.0, (values - mean) * (1 + precision / others))
        added = np.where(single, 0.0, squares * (1 + precision / others))
        # Without the row itself.
        scatter = (_PRIOR_DOF + squares.sum() - added) / (dof - 1)
        return off, scatter * (sd**2 + 1 / others), scatter * sd**2

    return settled_weights(leave_out, group, values, dof - 1)


class GroupMean(NamedTuple):
    """Weighted mean of repeats.

    Attributes
    ----------
    mean, variance, dof : float
        The variance is of the mean, without what all groups share; its degrees of freedom.
    count : int
    """

    mean: float
    variance: float
    dof: float
    count: int


def group_means(
    values: ArrayLike,
    sd: ArrayLike,
    weight: ArrayLike,
    group: ArrayLike,
    *,
    assumed_sd: float,
    apart: ArrayLike = False,
) -> dict:
    """Weighted mean of each group with its variance, the scatter pooled over the groups.

    Parameters
    ----------
    values, sd : array (n,)
        The rows; what each is uncertain by in itself, below which the scatter is never taken.
    weight : array (n,)
        Of :func:`weigh_groups`.
    group : array of int (n,)
    assumed_sd : float
        Scatter beside ``sd`` where nothing is repeated, and of rows that are apart.
    apart : bool or array of bool (n,)
        Rows that do not tell the scatter, because they are off together.

    Returns
    -------
    dict of int to GroupMean

    Examples
    --------
    >>> found = group_means(np.array([0.0, 2.0]), np.zeros(2), np.ones(2), np.zeros(2, dtype=int),
    ...                     assumed_sd=1.0)
    >>> found[0]
    GroupMean(mean=1.0, variance=1.0, dof=1, count=2)
    """
    values, sd, weight = (np.asarray(one, dtype=float) for one in (values, sd, weight))
    group = np.asarray(group)
    rows = {one.item(): np.flatnonzero(group == one) for one in np.unique(group)}
    means = {one: float(np.average(values[at], weights=weight[at])) for one, at in rows.items()}
    apart = np.broadcast_to(apart, len(values))
    tell = {j: at[~apart[at]] for j, at in rows.items()}
    squares = sum(float(weight[at] @ (values[at] - means[j]) ** 2) for j, at in tell.items())
    dof = sum(max(len(at) - 1, 0) for at in tell.values())
    own = np.where(apart, np.hypot(sd, assumed_sd), sd) ** 2
    found = {}
    for one, at in rows.items():
        shown = squares / dof if dof else assumed_sd**2 + np.average(sd[at] ** 2)
        scatter = max(float(shown), float(np.average(own[at], weights=weight[at])))
        found[one] = GroupMean(means[one], scatter / float(weight[at].sum()), dof, len(at))
    return found
