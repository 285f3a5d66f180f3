"""Wheel forces of many days pooled: what setups differ by, and how far days differ.

A day says of the logarithms of its setups' forces, and of the unknowns that it shares with other
days (drag, hill, riders), what a normal distribution says. Setup s on day d has the force
``μ_s + b_d + c_sd``: b_d is what the day does to all setups alike, c_sd what it does to one alone.
A comparison within a day is free of b, one across days is not.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import NamedTuple

import numpy as np

from tuninglib.checks import require
from tuninglib.interval import Z_95, Interval, interval_of_density
from tuninglib.statistics.mixed_model import VarianceMixture, spread
from tuninglib.statistics.normal_mixture import normalised
from tuninglib.statistics.repeats import t_quantile

# What a day does to one setup alone, over what it does to all of them (ours).
OWN_SHARE = 0.5
# Grid of both standard deviations: points, how far it reaches in stated ones, and how often it is
# drawn closer where the days know them well.
_DAY_POINTS, _GAIN_POINTS, _REACH, _CLOSER = 17, 9, 4.0, 4
_MATTERS = 1e-6
# Places at which a distribution on few points is read off.
_BETWEEN = 1001


class DayOfForces(NamedTuple):
    """What one day says of its setups, by itself.

    Attributes
    ----------
    setups : array (k,) of int
    unknowns : array (m,) of int
        Those that other days may share, each of unit variance before anything is known.
    mean : array (k + m,)
        Logarithms of the forces, then the unknowns, as the day alone has them.
    covariance : array (k + m, k + m)
    own_covariance : array (k, k)
        Part of the forces' covariance that runs have of their own.
    own_dof : float
        How many degrees of freedom the scatter behind that part is known with.
    time : float
        For a trend, in any unit.
    """

    setups: np.ndarray
    unknowns: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray
    own_covariance: np.ndarray
    own_dof: float = np.inf
    time: float = 0.0


@dataclass(frozen=True)
class Contrast:
    """A comparison of logarithms of forces.

    Attributes
    ----------
    log : Interval
    p_value : float
        Against zero, two-sided.
    """

    log: Interval
    p_value: float

    @property
    def sd(self) -> float:
        """Half the 95 % width over 1.96."""
        return self.log.half_width / Z_95


@dataclass(frozen=True, repr=False)
class PooledDays:
    """Many days pooled.

    Attributes
    ----------
    mixture : VarianceMixture
        Of μ by setup, then the unknowns that days share, then the trend if there is one.
    day_sd, gain_sd : Interval
        Between days: of all setups alike, and of one setup by itself. Logarithms of force.
    day_sd_is_assumed : bool
        Whether the days say next to nothing about it.
    trend : bool
    """

    mixture: VarianceMixture
    day_sd: Interval
    gain_sd: Interval
    day_sd_is_assumed: bool
    trend: bool
    _parts: tuple

    def contrast(self, setup: int, over: int | None = None) -> Contrast:
        """Logarithm of one setup's force, or of its ratio to another's.

        Parameters
        ----------
        setup : int
        over : int, optional
        """
        unit = np.eye(self.mixture.means.shape[1])
        return self._of(unit[setup] if over is None else unit[setup] - unit[over])

    @property
    def slope(self) -> Contrast:
        """The trend of all setups alike, per unit of the days' time."""
        if not self.trend:
            raise ValueError("the days were pooled without a trend; ask for one with trend=True")
        return self._of(np.eye(self.mixture.means.shape[1])[-1])

    def _of(self, vector) -> Contrast:
        """With what each day's scatter is worth in degrees of freedom (Satterthwaite)."""
        # Degrees of freedom at the likeliest scales only, since they merely correct a width.
        best = int(np.argmax(self.mixture.weights))
        turned = self.mixture.covariances[best] @ vector
        own, squares = 0.0, 0.0
        for design, of_runs, dof in self._parts:
            # By how much the contrast follows each of the days' forces.
            row = design @ turned
            each = np.einsum("nk,nkl,nl->n", row, of_runs, row)
            own, squares = own + each.sum(), squares + (each**2 / dof).sum()
        extra = 0.0
        if squares > 0:
            # The part of the variance that rests on days' own scatter gets Student's t for its
            # degrees of freedom, the rest stays normal: few runs a day widen a gain, many days do
            # not.
            extra = own * ((t_quantile(0.975, own**2 / squares) / Z_95) ** 2 - 1)
        wider = np.outer(vector, vector) * extra / (vector @ vector) ** 2
        found = spread(replace(self.mixture, covariances=self.mixture.covariances + wider), vector)
        return Contrast(Interval(found.value, found.low, found.high), found.p_value)


def pool_days(
    days: Sequence[DayOfForces], *, setups: int, day_sd: float, gain_sd: float, trend: bool = False
) -> PooledDays:
    """What many days say together.

    Parameters
    ----------
    days : sequence of DayOfForces
        In which every setup is there at least once.
    setups : int
        How many there are.
    day_sd, gain_sd : float
        How far days may differ before anything is known: standard deviations of the half-normal
        distributions of the two standard deviations between days.
    trend : bool
        Whether the force of all setups may change steadily with the days' time.

    Returns
    -------
    PooledDays

    Notes
    -----
    With P the inverse of a day's covariance, less the unknowns' unit precision, the day's forces
    given the unknowns u have the covariance C = P_ββ⁻¹ and the mean C h_β − C P_βu u, and what is
    left of P speaks of u alone. Then y = X μ − L u + e with cov e = C + τ² 11ᵀ + ω² I, day by day,
    is a linear mixed model; its restricted likelihood [1]_ times the priors weighs a grid of τ and
    ω, as in random-effects meta-analysis [2]_. The cost grows with the number of days. An unknown
    that only one day has is left in that day's covariance.

    Examples
    --------
    Three days that say the same of two setups:

    >>> one = DayOfForces(np.array([0, 1]), np.array([], dtype=int), np.log([200.0, 220.0]),
    ...           np.diag([1e-4, 1e-4]), np.diag([1e-4, 1e-4]))
    >>> season = pool_days([one, one, one], setups=2, day_sd=0.02, gain_sd=0.01)
    >>> gain = season.contrast(1, over=0)
    >>> gain.log.value
    0.0953

    References
    ----------
    .. [1] H. D. Patterson, R. Thompson, Recovery of inter-block information when block sizes
       are unequal, Biometrika 58 (1971), 545-554.
    .. [2] A. Gelman, Prior distributions for variance parameters in hierarchical models,
       Bayesian Analysis 1 (2006), 515-534.
    """
    for name, sd in (("day_sd", day_sd), ("gain_sd", gain_sd)):
        require(sd, what=name, unit="", above=0)
    seen = set().union(*(set(np.asarray(one.setups).tolist()) for one in days)) if days else set()
    missing = sorted(set(range(setups)) - seen)
    if missing or not days:
        raise ValueError(f"setup {missing[0] if missing else 0} is on no day; leave it out")
    parts, prior, right = _prepared(days, setups, trend)
    # Even grids of both standard deviations from 0 on: a variance of nothing must be possible,
    # since days may be alike, and a logarithmic grid would shut it out.
    taus = np.linspace(0.0, _REACH * day_sd, _DAY_POINTS)
    omegas = np.linspace(0.0, _REACH * gain_sd, _GAIN_POINTS)
    for look in range(_CLOSER + 1):
        at = list(product(taus, omegas))
        found = [_at_sds(parts, prior, right, *sds) for sds in at]
        log, mean, covariance = (np.array(column) for column in zip(*found, strict=True))
        stated = (np.array(at) / [day_sd, gain_sd]) ** 2
        weight = normalised(log - 0.5 * stated.sum(1))
        table = weight.reshape(taus.size, omegas.size)
        closer = _closer(taus, table.sum(1)), _closer(omegas, table.sum(0))
        if look == _CLOSER or (closer[0] is taus and closer[1] is omegas):
            break
        taus, omegas = closer
    best = int(np.argmax(weight))
    kept = weight > _MATTERS
    return PooledDays(
        mixture=VarianceMixture(mean[kept], covariance[kept], weight[kept] / weight[kept].sum()),
        day_sd=_interval(taus, table.sum(1)),
        gain_sd=_interval(omegas, table.sum(0)),
        day_sd_is_assumed=_says_little(taus, table.sum(1), day_sd),
        trend=trend,
        _parts=tuple(
            (np.linalg.solve(part.variance(*at[best]), part.design), part.own, part.dof)
            for part in parts
        ),
    )


class _Part(NamedTuple):
    """Days with the same number of setups.

    Attributes
    ----------
    y, design : array (n, k), (n, k, p)
    covariance, own : array (n, k, k)
    dof : array (n,)
    """

    y: np.ndarray
    design: np.ndarray
    covariance: np.ndarray
    own: np.ndarray
    dof: np.ndarray

    def variance(self, tau, omega):
        k = self.y.shape[1]
        # What a day does to all alike is one number (ones), to each setup alone its own (diagonal).
        return self.covariance + tau**2 * np.ones((k, k)) + omega**2 * np.eye(k)


def _prepared(days, setups, trend):
    """Days in parts, and what they say of the unknowns alone: precision and right-hand side."""
    counts = Counter(unknown for one in days for unknown in np.asarray(one.unknowns).tolist())
    place = {name: at for at, name in enumerate(n for n in sorted(counts) if counts[n] > 1)}
    columns = setups + len(place) + trend
    prior, right = np.zeros((columns, columns)), np.zeros(columns)
    unknown_columns = np.arange(setups, setups + len(place))
    # An unknown of one day is in that day's covariance already; only those that several days share
    # tie days together. Each has unit variance by its definition.
    prior[unknown_columns, unknown_columns] = 1.0
    # A trend counts from the middle of the season, so that the setups are those of then.
    middle = float(np.mean([one.time for one in days]))
    groups: dict = {}
    for one in days:
        k = len(one.setups)
        shared = [at for at, name in enumerate(np.asarray(one.unknowns).tolist()) if name in place]
        kept = np.concatenate([np.arange(k), k + np.array(shared, dtype=int)])
        mean = np.asarray(one.mean)[kept]
        covariance = np.asarray(one.covariance)[np.ix_(kept, kept)]
        # In precisions, days that share unknowns simply add, once the unknowns' own prior, which
        # each day counted for itself, is taken out of all but one.
        precision = np.linalg.inv(covariance)
        h = precision @ mean
        given = np.linalg.inv(precision[:k, :k])
        given = (given + given.T) / 2
        across = precision[:k, k:]
        into = [setups + place[int(one.unknowns[at])] for at in shared]
        alone = precision[k:, k:] - np.eye(len(shared)) - across.T @ given @ across
        prior[np.ix_(into, into)] += (alone + alone.T) / 2
        right[into] += h[k:] - across.T @ given @ h[:k]
        design = np.zeros((k, columns))
        design[np.arange(k), np.asarray(one.setups)] = 1.0
        # y0 = X μ − L u with β̂(u) = y0 + L u and L = −C P_βu.
        design[:, into] = given @ across
        if trend:
            design[:, -1] = one.time - middle
        groups.setdefault(k, []).append(
            (given @ h[:k], design, given, np.asarray(one.own_covariance), one.own_dof)
        )
    parts = [_Part(*map(np.array, zip(*own, strict=True))) for _, own in sorted(groups.items())]
    return parts, prior, right


def _at_sds(parts, prior, right, tau, omega):
    """Log likelihood and coefficients at a pair of standard deviations between days."""
    normal, right, squares, log = prior.copy(), right.copy(), 0.0, 0.0
    for part in parts:
        root = np.linalg.cholesky(part.variance(tau, omega))
        both = np.concatenate([part.y[..., None], part.design], axis=-1)
        half = np.linalg.solve(root, both)
        half = half.reshape(-1, half.shape[-1])
        normal += half[:, 1:].T @ half[:, 1:]
        right += half[:, 1:].T @ half[:, 0]
        squares += half[:, 0] @ half[:, 0]
        log -= np.log(np.diagonal(root, axis1=1, axis2=2)).sum()
    covariance = np.linalg.inv(normal)
    covariance = (covariance + covariance.T) / 2
    mean = covariance @ right
    # The restricted likelihood: its first term takes out what the setups' means cost, without
    # which the scatter between few days would come out too small.
    log -= 0.5 * (np.linalg.slogdet(normal)[1] + squares - right @ mean)
    return log, mean, covariance


def _closer(points, weight):
    """The same number of points where they matter; the same ones if enough do."""
    near = np.flatnonzero(weight > 1e-4 * weight.max())
    if near.size >= points.size // 2:
        return points
    low, high = points[max(near[0] - 1, 0)], points[min(near[-1] + 1, points.size - 1)]
    return np.linspace(low, high, points.size)


def _interval(points, weight) -> Interval:
    """Mean and 95 % interval of a distribution on even points."""
    # Late: it takes a quarter of a second to load, and only seasons need it.
    from scipy.interpolate import PchipInterpolator

    # Between few points a density is no polygon: its logarithm is a curve through them.
    between = np.linspace(points[0], points[-1], _BETWEEN)
    curve = PchipInterpolator(points, np.log(np.maximum(weight, 1e-300)))
    density = np.exp(curve(between) - curve(points).max())
    return interval_of_density(density, between)


def _says_little(points, weight, stated) -> bool:
    """Whether a distribution is nearly as wide as it was before the days."""
    mean = weight @ points / weight.sum()
    sd = np.sqrt(weight @ (points - mean) ** 2 / weight.sum())
    # The standard deviation of a half-normal distribution.
    return bool(sd > 0.85 * stated * np.sqrt(1 - 2 / np.pi))
