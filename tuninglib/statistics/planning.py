"""A test before it is ridden: how many repeats, what they can show, and in which order."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaincinv, ndtr

from tuninglib.checks import plain, require
from tuninglib.interval import Z_95
from tuninglib.statistics.repeats import MANY, t_quantile

# What is "most likely" shown: the usual power of a planned test.
_POWER = 0.8
# Gauss-Legendre rule on the chances 0 to 1.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)
_CHANCES, _CHANCE_WEIGHTS = (_NODES + 1) / 2, _WEIGHTS / 2


@dataclass(frozen=True)
class RunOrder:
    """An order in which to ride the setups.

    Attributes
    ----------
    setups, riders : tuple of str
        Of each run, in order.
    swaps : int
        How many times parts have to be changed on the way.
    remaining_drift : float
        Largest bias that a steady drift leaves between two setups, in units of the drift from
        one run to the next.
    """

    setups: tuple
    riders: tuple
    swaps: int
    remaining_drift: float


def _relative_sds(dof):
    """Estimated over true standard deviation, at equally weighted-out chances (last axis)."""
    # χ²/dof has a gamma distribution; at chances of a Gauss rule an average over it is one dot
    # product.
    half = np.minimum(np.asarray(dof, dtype=float), MANY)[..., None] / 2
    return np.sqrt(gammaincinv(half, _CHANCES) / half)


def _shown(effect, critical, relative_sds):
    """P(|t| > critical) by averaging the normal distribution over the estimated scatter.

    The noncentral t distribution of scipy.special loses its digits at few degrees of freedom.
    """
    effect = np.asarray(effect, dtype=float)[..., None]
    limit = np.asarray(critical, dtype=float)[..., None] * relative_sds
    return (ndtr(effect - limit) + ndtr(-effect - limit)) @ _CHANCE_WEIGHTS


def power_two_setups(
    effect_size: ArrayLike, *, repeats: ArrayLike, setups: int = 2, alpha: float = 0.05
) -> float | np.ndarray:
    """Chance that a test shows a difference between two setups.

    Parameters
    ----------
    effect_size : float or array
        True difference over the standard deviation from run to run.
    repeats : float or array
        Runs of each setup.
    setups : int
        Of the test: the scatter is pooled over the repeats of all.
    alpha : float
        False alarm rate.

    Returns
    -------
    power : float or array
        0 to 1.

    Notes
    -----
    Both tails of the noncentral t distribution, by Gauss quadrature.

    Examples
    --------
    >>> power_two_setups(1.5, repeats=5)
    0.5494
    """
    repeats = require(repeats, "repeats", "", above=1, remedy="ride it twice at least")
    effect = np.asarray(effect_size, dtype=float) * np.sqrt(repeats / 2)
    dof = setups * (repeats - 1)
    return plain(_shown(effect, t_quantile(1 - alpha / 2, dof), _relative_sds(dof)))


def repeats_needed(
    gain: float, *, scatter_sd: float, setups: int = 2, alpha: float = 0.05, most: float = 10_000
) -> float:
    """Runs of each setup that most likely (80 %) show a gain, before rounding up.

    Parameters
    ----------
    gain : float
        Relative difference in wheel force. [unitless]
    scatter_sd : float
        Relative standard deviation of wheel force from run to run.
    setups : int
        Of the test: the scatter is pooled over the repeats of all.
    alpha : float
        False alarm rate; divide it by the number of comparisons if there are several.
    most : float
        Beyond this a ValueError is raised.

    Returns
    -------
    repeats : float
        At least 2 and not whole: round up.

    Notes
    -----
    On the logarithm of the force: effect size = ln(1 + gain)/ln-scatter.

    Examples
    --------
    >>> repeats_needed(0.05, scatter_sd=0.03)
    7.0382
    """
    require(scatter_sd, "scatter", "", above=0, remedy="3 % is usual for careful runs")
    require(gain, "gain", "", above=-1, remedy="give a ratio, 0.05 for 5 %")
    # On logarithms a gain and its loss, the parts taken off again, are alike.
    effect = abs(np.log1p(gain)) / scatter_sd

    def shown(repeats):
        return power_two_setups(effect, repeats=repeats, setups=setups, alpha=alpha) >= _POWER

    if not shown(most):
        raise ValueError(
            f"a gain of {gain:g} needs more than {most} runs of each setup at a scatter of "
            f"{scatter_sd:g}; ask for a larger gain"
        )
    return _least(shown, 2.0, 2.0)


def _least(shown, low, high):
    """Least value from which on something is shown; the chance rises with the value."""
    # Doubling finds a bracket, and bisection the place in it.
    while not shown(high):
        low, high = high, 2 * high
    while high - low > 1e-9 * high:
        middle = (low + high) / 2
        low, high = (low, middle) if shown(middle) else (middle, high)
    return high


def smallest_visible_effect(*, standard_error: float, dof: float, alpha: float = 0.05) -> float:
    """True difference that a two-sided t-test most likely (80 %) shows.

    Parameters
    ----------
    standard_error, dof : float
        Of the difference.
    alpha : float

    Returns
    -------
    effect : float
        In the unit of the standard error.

    Examples
    --------
    >>> smallest_visible_effect(standard_error=1.0, dof=1e9)
    2.8016
    """
    dof = min(float(dof), MANY)
    critical, sds = t_quantile(1 - alpha / 2, dof), _relative_sds(dof)

    def shown(effect):
        return _shown(effect, critical, sds) >= _POWER

    return _least(shown, 0.0, critical + 1) * standard_error


def smallest_visible_gain(
    *, scatter_sd: float, repeats: int, setups: int = 2, alpha: float = 0.05
) -> float:
    """Gain of one of two setups over the other that a planned test most likely (80 %) shows.

    Parameters
    ----------
    scatter_sd : float
        Relative standard deviation of wheel force from run to run.
    repeats : int
        Runs of each setup.
    setups : int
        Of the test: the scatter is pooled over the repeats of all.
    alpha : float

    Returns
    -------
    gain : float
        Ratio above 1, minus 1.

    Examples
    --------
    >>> smallest_visible_gain(scatter_sd=0.03, repeats=7)
    0.0502
    """
    require(repeats, "repeats", "", at_least=2, remedy="ride it twice at least")
    error = scatter_sd * np.sqrt(2 / repeats)
    effect = smallest_visible_effect(standard_error=error, dof=setups * (repeats - 1), alpha=alpha)
    return float(np.expm1(effect))


def half_width_across_days(
    *, scatter_sd: float, repeats: int, common_repeats: int, day_sd: float, own_sd: float
) -> float:
    """Half-width of the gain between two setups that are ridden on different days.

    Parameters
    ----------
    scatter_sd : float
        Of wheel force from run to run, as a ratio.
    repeats : int
        Of each of the two on its day.
    common_repeats : int
        Of one and the same other setup on both days; 0: none.
    day_sd, own_sd : float
        What a day does to all setups alike, and to each alone, as ratios.

    Returns
    -------
    ratio : float
        At 95 %, the scatter taken as known.

    Notes
    -----
    Best linear combination of the four means. With a the variance of a setup's mean and c that of
    the common one's, what a day does to all aside, the common setup tells the difference of two
    days, of variance 2 τ², to 2c; the gain has the variance 2a + 2 τ² c / (τ² + c).

    Examples
    --------
    Two runs of one setup on both days:

    >>> stated = dict(scatter_sd=0.02, repeats=4, day_sd=0.025, own_sd=0.005)
    >>> half_width_across_days(common_repeats=0, **stated)
    0.0759
    >>> half_width_across_days(common_repeats=2, **stated)
    0.0472
    """
    for name, value in (("scatter", scatter_sd), ("day_sd", day_sd)):
        require(value, name, "", above=0)
    require(own_sd, "own_sd", "", at_least=0)
    require(repeats, "repeats", "", at_least=1)
    require(common_repeats, "common repeats", "", at_least=0)
    # Between days nothing but a setup ridden on both tells what the day did: without one, all of τ²
    # stays in the gain, however many runs there are.
    variance = 2 * (scatter_sd**2 / repeats + own_sd**2)
    day = day_sd**2
    if common_repeats:
        common = scatter_sd**2 / common_repeats + own_sd**2
        day = day * common / (day + common)
    return float(Z_95 * np.sqrt(variance + 2 * day))


def run_order(setups: Sequence[str], *, repeats: int, riders: Sequence[str] = ("",)) -> RunOrder:
    """Order of runs that cancels a steady drift and costs few swaps of parts.

    Parameters
    ----------
    setups : sequence of str
        In the order in which each is to be ridden for the first time; that order is kept.
    repeats : int
        Runs of each setup.
    riders : sequence of str
        Take turns on each setup.

    Returns
    -------
    RunOrder

    Notes
    -----
    There and back: half of each setup's runs in order, the other half in reverse order, so that
    every setup has the same mean place in the day. An odd number of repeats cannot be halved: the
    smaller part is ridden on the way there, no split leaves less drift, and what remains is
    reported. Every setup is ridden at least once on the way there, so the way there is also the
    order of first appearance.

    Examples
    --------
    >>> run_order(["stock", "big"], repeats=2)
    RunOrder(setups=('stock', 'big', 'big', 'stock'), riders=('', '', '', ''), swaps=2,
             remaining_drift=0.0)
    """
    setups, riders = tuple(setups), tuple(riders)
    if repeats < 1 or not setups or not riders or len(set(setups)) != len(setups):
        said = f"{len(setups)} setups with {repeats} repeats are not a test"
        raise ValueError(f"{said}; name each setup once and ride each at least once")
    # None of each would leave a setup to the way back, and out of the order that was asked for.
    half = max(repeats // 2, 1)
    there = [setup for setup in setups for _ in range(half)]
    order = (*there, *(setup for setup in reversed(setups) for _ in range(repeats - half)))
    seen = dict.fromkeys(setups, 0)
    turns = []
    for setup in order:
        # Within each setup, so that riders cancel from every comparison of two of them.
        turns.append(riders[seen[setup] % len(riders)])
        seen[setup] += 1
    drift, swaps = _worth(order)
    return RunOrder(order, tuple(turns), swaps=swaps, remaining_drift=drift)


def run_order_in_blocks(
    blocks: Sequence[Sequence[str]], *, repeats: int, riders: Sequence[str] = ("",)
) -> RunOrder:
    """Order of runs where what lies between two blocks is to be crossed once only.

    Parameters
    ----------
    blocks : sequence of sequence of str
        Setups of each block, in the order in which each is to be ridden for the first time.
    repeats, riders
        As of :func:`run_order`.

    Returns
    -------
    RunOrder
        Its remaining drift is that between setups of different blocks.

    Notes
    -----
    There and back inside each block: between two of its setups a steady drift cancels, between
    blocks it does not.

    Examples
    --------
    >>> run_order_in_blocks([["stock"], ["lean", "rich"]], repeats=2).setups
    ('stock', 'stock', 'lean', 'rich', 'rich', 'lean')
    """
    ordered = [run_order(block, repeats=repeats, riders=riders) for block in blocks]
    setups = tuple(setup for order in ordered for setup in order.setups)
    if len(set(setups)) * repeats != len(setups):
        raise ValueError("a setup is in two blocks; name each setup once")
    drift, swaps = _worth(setups)
    turns = tuple(rider for order in ordered for rider in order.riders)
    return RunOrder(setups=setups, riders=turns, swaps=swaps, remaining_drift=drift)


def _worth(order):
    """Remaining drift and swaps of an order."""
    places = {}
    for place, setup in enumerate(order):
        places.setdefault(setup, []).append(place)
    means = [sum(p) / len(p) for p in places.values()]
    swaps = sum(a != b for a, b in pairwise(order))
    return max(means) - min(means), swaps
