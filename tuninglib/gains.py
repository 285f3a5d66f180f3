"""Gains in wheel force between setups, from runs up a hill and, where there are, back down.

One mechanism: the logarithm of each run's wheel force is the setup's, plus scatter, plus what the
nuisances do to it. Nuisances that setups share cancel by themselves, riders who rode only some
setups widen the interval by themselves, and the way down, which needs no force at the true
nuisances, sharpens wind and road load by itself.
"""

from dataclasses import dataclass

import numpy as np

from tuninglib.checks import require
from tuninglib.mixed import Component, contrast, fit_mixed
from tuninglib.nuisances import Nuisance, Runs, linearised, reading_nuisances
from tuninglib.planning import smallest_visible_effect
from tuninglib.repeats import t_quantile, two_sided_p

# Rate of false alarms, over all comparisons together.
ALPHA = 0.05

# Below this many degrees of freedom the scatter counts as not estimated.
_FEWEST_DOF = 0.5


@dataclass(frozen=True)
class Force:
    """Mean wheel force of a setup over the hill.

    Attributes
    ----------
    setup : int
    force_n, low_n, high_n : float
        With its 95 % interval. [N]
    shares : dict of str to float
        Share of each nuisance, and of ``"scatter"``, in the variance.
    """

    setup: int
    force_n: float
    low_n: float
    high_n: float
    shares: dict


@dataclass(frozen=True)
class Difference:
    """One setup's wheel force over another's, minus 1.

    Attributes
    ----------
    setup, other : int
    gain, low, high : float
        With the 95 % interval of this comparison on its own.
    log_sd, dof : float
        Standard error of the logarithm of the ratio, and its degrees of freedom.
    p_value, p_adjusted : float
        Against no difference; adjusted by Bonferroni for the number of comparisons made.
    told_apart : bool
        Whether the adjusted p is below 5 %.
    comparisons : int
        That the adjustment is for.
    shares : dict of str to float
        Share of each nuisance, and of ``"scatter"``, in the variance.
    """

    setup: int
    other: int
    gain: float
    low: float
    high: float
    log_sd: float
    dof: float
    p_value: float
    p_adjusted: float
    told_apart: bool
    comparisons: int
    shares: dict

    @property
    def smallest_visible_gain(self) -> float:
        """Gain that this test would have told apart in 4 of 5 such days."""
        effect = smallest_visible_effect(
            standard_error=self.log_sd, dof=self.dof, power=0.8, alpha=ALPHA / self.comparisons
        )
        return float(np.expm1(effect))


@dataclass(frozen=True)
class GainFit:
    """What a day of runs says.

    Attributes
    ----------
    forces : tuple of Force
        By setup.
    gains : tuple of Difference
        Of each setup but the reference, against it; adjusted for as many comparisons.
    pairs : tuple of Difference
        Of all pairs, the later setup against the earlier; adjusted for as many comparisons.
    log_force, covariance : array
        Natural logarithm of the forces and its covariance.
    scatter_sd, scatter_dof : float
        Relative scatter of wheel force from run to run, reading and gusts included.
    scatter_is_assumed : bool
        True if nothing was repeated, so that the assumed scatter was used.
    run_force_n : array
        Of each run, at the nuisances' most likely values. [N]
    nuisances : tuple of (name, mean, sd)
        What the runs say of each nuisance that they share, in standard deviations of what was
        known before: mean 0 and sd 1 mean nothing new.
    """

    forces: tuple
    gains: tuple
    pairs: tuple
    log_force: np.ndarray
    covariance: np.ndarray
    scatter_sd: float
    scatter_dof: float
    scatter_is_assumed: bool
    run_force_n: np.ndarray
    nuisances: tuple


def estimate_gains(
    runs: Runs,
    *,
    nuisances=(),
    resolution_m_s=0.0,
    reference=0,
    assumed_scatter_sd=0.04,
    assumed_scatter_dof=0.0,
    gust_sd_m_s=0.6,
    gust_change_sd_m_s=0.2,
    gust_dof=4.0,
    relinearisations=3,
) -> GainFit:
    """Gains in wheel force between the setups of a day.

    Parameters
    ----------
    runs : Runs
    nuisances : sequence of Nuisance
        For example of :func:`tuninglib.nuisances.usual_nuisances`.
    resolution_m_s : float
        Smallest step of the speeds that were read. [m/s]
    reference : int
        Index of the setup that gains are counted from.
    assumed_scatter_sd : float
        Relative scatter of wheel force from run to run, used where nothing is repeated.
    assumed_scatter_dof : float
        How many degrees of freedom the assumed scatter is worth beside the repeats; 0 leaves the
        scatter to the repeats, where there are any.
    gust_sd_m_s, gust_change_sd_m_s : float
        How the wind varies from run to run, and between the way up and the way down of one run;
        used only with ways down. [m/s]
    gust_dof : float
        How many degrees of freedom the stated run-to-run wind is worth; the data correct it.
    relinearisations : int
        At most so many times the slopes are taken again at the nuisances' likely values.

    Returns
    -------
    GainFit

    Notes
    -----
    y(z) = X β + e, with z independent normal nuisances of unit variance, is linearised at the most
    likely z: cov(y) = φ I + J Jᵀ. Restricted likelihood gives φ, Satterthwaite's rule the degrees
    of freedom. The wheel force is the mean over the hill, work at the tyre over length.

    Examples
    --------
    >>> from tuninglib.roadtest import Hill
    >>> speeds = np.array([17.0, 17.2, 17.1, 18.4, 18.2, 18.6])
    >>> runs = Runs(hill=Hill(400.0, 0.06), setup=[0, 0, 0, 1, 1, 1], rider=0, mass_kg=200.0,
    ...             entry_speed_m_s=np.full(6, 13.0), exit_speed_m_s=speeds,
    ...             air_density_kg_m3=1.2, drag_area_m2=0.55, rolling_coefficient=0.015)
    >>> found = estimate_gains(runs).gains[0]
    >>> found.gain, found.low, found.high, found.told_apart
    (0.0805, 0.0577, 0.1038, True)
    """
    count = _checked_setups(runs, reference)
    system = _System(
        runs,
        [*nuisances, *reading_nuisances(runs, resolution_m_s=resolution_m_s)],
        gust_sd_m_s,
        gust_change_sd_m_s,
    )
    moved, variances = system.start(), None
    for _ in range(max(relinearisations, 1)):
        data, blocks = system.linearise(moved)
        fit, components, parts, unknown, dof = _solve(
            system,
            data,
            blocks,
            count,
            (assumed_scatter_sd, assumed_scatter_dof),
            gust_dof,
            variances,
        )
        variances = None if unknown else fit.variances
        before, moved = moved, system.likely(blocks, parts, fit)
        if all(np.max(np.abs(a - b)) < 0.02 for a, b in zip(moved, before, strict=True)):
            break
    base = np.eye(count)
    others = [j for j in range(count) if j != reference]
    pairs = [(j, i) for i in range(count) for j in range(i + 1, count)]
    own = sum(part.covariance for part in parts if part.each_run)
    return GainFit(
        forces=tuple(_force(fit, components, parts, j, base[j]) for j in range(count)),
        gains=tuple(
            _difference(
                fit, components, parts, j, reference, base[j] - base[reference], len(others)
            )
            for j in others
        ),
        pairs=tuple(
            _difference(fit, components, parts, j, i, base[j] - base[i], len(pairs))
            for j, i in pairs
        ),
        log_force=fit.coefficients,
        covariance=fit.covariance,
        scatter_sd=float(np.sqrt(np.diag(own)[: system.n].mean())),
        scatter_dof=dof,
        scatter_is_assumed=unknown,
        run_force_n=system.run_forces(moved),
        nuisances=system.learnt(blocks, fit, moved),
    )


@dataclass(frozen=True)
class _Part:
    """One named part of the covariance of the data, and its estimated factor."""

    name: str
    covariance: np.ndarray
    each_run: bool
    ratio: float


class _System:
    """The rows of data of one day: every run up, then the ways down."""

    def __init__(self, runs, nuisances, gust_sd, gust_change_sd):
        self.runs = runs
        self.there = runs.has_way_down
        self.n = self.there.size
        self.nuisances = list(nuisances)
        self.gust = None
        if self.there.any():
            require(gust_sd, what="gusts", unit="m/s", above=0, remedy="0.6 on a calm day")
            self.gust = len(self.nuisances)
            for name, sd in (
                ("headwind_m_s", gust_sd),
                ("wind_change_m_s", gust_change_sd),
            ):
                self.nuisances.append(Nuisance("gusts", {name: sd}, each_run=True))
        self.up = np.arange(self.n + self.there.sum()) < self.n
        self.down_row = self.n + np.cumsum(self.there) - 1

    def start(self):
        """All nuisances at their stated values."""
        return [np.zeros(self.n if one.each_run else 1) for one in self.nuisances]

    def linearise(self, moved):
        """Data with the known shift of the nuisances taken out, and what each does to them."""
        up, up_slopes, down, down_slopes = linearised(self.runs, self.nuisances, moved)
        there = self.there
        # The way down has no force to take a logarithm of: it is counted in mean forces.
        scale = np.exp(up.mean())
        data = np.concatenate([up, down[there] / scale])
        blocks = []
        for one, at, rise, fall in zip(
            self.nuisances, moved, up_slopes, down_slopes / scale, strict=True
        ):
            if one.each_run:
                block = np.zeros((self.up.size, self.n))
                block[np.arange(self.n), np.arange(self.n)] = rise
                block[self.down_row[there], np.flatnonzero(there)] = fall[there]
            else:
                block = np.concatenate([rise, fall[there]])[:, None]
            data = data - block @ at
            blocks.append(block)
        return data, blocks

    def likely(self, blocks, parts, fit):
        """Most likely nuisances, given the data."""
        ratios = [part.ratio for part in parts[: len(blocks)]]
        return [
            -ratio * (block.T @ fit.scaled_residuals)
            for ratio, block in zip(ratios, blocks, strict=True)
        ]

    def run_forces(self, moved):
        """Force of each run at the likely nuisances; readings as they were read. [N]"""
        kept = [
            (one, at)
            for one, at in zip(self.nuisances, moved, strict=True)
            if one.name != "reading"
        ]
        up, *_ = linearised(self.runs, [one for one, _ in kept], [at for _, at in kept])
        return np.exp(up)

    def learnt(self, blocks, fit, moved):
        """Name, mean and sd of each nuisance that runs share."""
        return tuple(
            (one.name, float(at[0]), float(np.sqrt(max(0.0, 1 - (b.T @ fit.projector @ b)[0, 0]))))
            for one, at, b in zip(self.nuisances, moved, blocks, strict=True)
            if not one.each_run
        )


def _solve(system, data, blocks, count, assumed, gust_dof, first):
    """Fit of one linearisation, and the parts of its covariance by name."""
    design = np.zeros((data.size, count))
    design[np.arange(system.n), system.runs.setup] = 1
    scatter = Component(
        np.diag(system.up.astype(float)), start=assumed[0] ** 2, prior_dof=assumed[1]
    )
    squares = [block @ block.T for block in blocks]
    known = sum(
        (m for j, m in enumerate(squares) if j != system.gust), np.zeros((data.size, data.size))
    )
    components = [scatter]
    if system.gust is not None:
        components.append(Component(squares[system.gust], start=1.0, prior_dof=gust_dof))
    fit = fit_mixed(data, design, known, components, first=first)
    own = sum(
        np.diag(m)[: system.n]
        for m, one in zip(squares, system.nuisances, strict=True)
        if one.each_run
    )
    total = fit.variances[0] + np.mean(own)
    unknown = bool(2 * total**2 * fit.information[0, 0] < _FEWEST_DOF)
    dof = 2 * total**2 / fit.variance_covariance[0, 0] if not unknown else assumed[1] or np.inf
    variance = fit.variances[0]
    if unknown and not scatter.prior_dof:
        variance = scatter.start
        known = known + variance * scatter.matrix
        components = components[1:]
        fit = fit_mixed(data, design, known, components)
    ratios = [fit.variances[-1] if j == system.gust else 1.0 for j in range(len(blocks))]
    parts = [
        _Part(one.name, ratio * m, one.each_run, ratio)
        for one, ratio, m in zip(system.nuisances, ratios, squares, strict=True)
    ]
    parts.append(_Part("scatter", variance * scatter.matrix, True, 1.0))
    return fit, components, parts, unknown, float(dof)


def _checked_setups(runs, reference):
    """Number of setups, once every one has a run."""
    if runs.setup.size == 0:
        raise ValueError("there are no runs; ride each setup at least once")
    count = int(runs.setup.max()) + 1
    missing = sorted(set(range(count)) - set(runs.setup.tolist()))
    if missing or runs.setup.min() < 0:
        raise ValueError(f"setup {missing[:1] or runs.setup.min()} has no runs; count from 0")
    if not 0 <= reference < count:
        raise ValueError(f"reference is {reference} but setups go from 0 to {count - 1}")
    return count


def _shares(fit, parts, row):
    """Share of each named part in the variance of a contrast."""
    shares = {}
    for part in parts:
        shares[part.name] = shares.get(part.name, 0.0) + float(row @ part.covariance @ row)
    total = sum(shares.values())
    return {name: value / total for name, value in shares.items()}


def _force(fit, components, parts, setup, vector):
    value, variance, dof = contrast(fit, components, vector)
    half = t_quantile(0.975, dof) * np.sqrt(variance)
    shares = _shares(fit, parts, vector @ fit.weights)
    low, high = np.exp(value - half), np.exp(value + half)
    return Force(setup, float(np.exp(value)), float(low), float(high), shares)


def _difference(fit, components, parts, setup, other, vector, comparisons):
    value, variance, dof = contrast(fit, components, vector)
    sd = float(np.sqrt(variance))
    half = t_quantile(0.975, dof) * sd
    p = two_sided_p(value / sd, dof)
    return Difference(
        setup=setup,
        other=other,
        gain=float(np.expm1(value)),
        low=float(np.expm1(value - half)),
        high=float(np.expm1(value + half)),
        log_sd=sd,
        dof=float(dof),
        p_value=p,
        p_adjusted=min(1.0, p * comparisons),
        told_apart=bool(p * comparisons < ALPHA),
        comparisons=comparisons,
        shares=_shares(fit, parts, vector @ fit.weights),
    )
