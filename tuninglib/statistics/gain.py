"""Gains in wheel force between setups, from runs up a hill and, where there are, back down.

One mechanism: the logarithm of each run's wheel force is the setup's, plus scatter, plus what the
unknowns do to it. Unknowns that setups share cancel by themselves, riders who rode only some
setups widen the interval by themselves, and the way down, which needs no force at the true
unknowns, sharpens wind and road load by itself.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import chdtrc

from tuninglib.interval import Z_95, Interval
from tuninglib.statistics import mixed_model
from tuninglib.statistics.planning import smallest_visible_effect
from tuninglib.statistics.population import USUAL, Kinds, Scatters
from tuninglib.statistics.repeats import Weighed, settled_weights
from tuninglib.statistics.road_runs import Runs, Unknown, linearised, log_forces, reading_unknowns

# The rows of data behind the gains, their covariance, and the fit of one linearisation -----------
# A run is a block of one row, its way up, or of two where anybody rolled back down. What all runs
# share is one column of the design; what a run has of its own stays within its block.


class _Moved(NamedTuple):
    """Where the unknowns stand, in standard deviations.

    Attributes
    ----------
    shared : array (m,)
    own : array (q, n)
        One for each run.
    """

    shared: np.ndarray
    own: np.ndarray


class _Linear(NamedTuple):
    """The rows at one linearisation; blocks of runs, b rows each.

    Attributes
    ----------
    data : array, n by b
        With the known shift of the unknowns taken out.
    shared : array, n by b by m
        What one standard deviation of each unknown that runs share does to them.
    own : array, q by n by b
        The same of what every run draws for itself.
    """

    data: np.ndarray
    shared: np.ndarray
    own: np.ndarray


@dataclass(frozen=True)
class _Solved:
    """Fit of one linearisation.

    Attributes
    ----------
    fit : MixedFit
        At the mean of what the variances may be.
    grid : Grid
    rows : Rows
        What was fitted.
    scatter : array, n by b
        How much of the scatter's variance each row has.
    doubt : array, n by b
        Variance that the weights of the rows add to what they have of their own.
    ratios : array (q,)
        Factor of each own unknown's variance: the mean of what it may be.
    """

    fit: mixed_model.MixedFit
    grid: mixed_model.Grid
    rows: mixed_model.Rows
    scatter: np.ndarray
    doubt: np.ndarray
    ratios: np.ndarray


class _System:
    """The rows of data of one day: every run up, and the ways down."""

    def __init__(self, runs, unknowns, usual: Scatters):
        self.runs, self.usual = runs, usual
        self.there = runs.has_way_down
        self.n = self.there.size
        # What all runs share becomes a column of the design, and cancels from gains by itself; what
        # each run draws anew stays in the run's own block.
        self.shared = [one for one in unknowns if not one.each_run]
        self.own = [one for one in unknowns if one.each_run]
        # Of these the runs tell the size: each a component of the covariance, by its place.
        self.winds = {}
        self.uneven = ()
        for number, kinds in enumerate(one.kinds for one in self.shared):
            if kinds:
                sds = tuple(sd / kinds.sd for sd in kinds.sds)
                self.uneven = (number, Kinds(sds, kinds.chances))
        self.exists = np.ones((self.n, 1), dtype=bool)
        if self.there.any():
            # Up only, wind from run to run is part of the scatter: nothing tells the two apart.
            winds = {"headwind_m_s": usual.wind_m_s, "wind_change_m_s": usual.wind_change_m_s}
            for name, wind in winds.items():
                self.winds[len(self.own)] = wind.log_sd
                self.own.append(Unknown("gusts", {name: wind.median}, each_run=True))
            self.exists = np.column_stack([self.exists, self.there])
        # 1 for the ways up, 0 for the ways down. n by b
        self.up = np.eye(1, self.exists.shape[1]).repeat(self.n, axis=0)

    def listed(self, rows):
        """Rows of the blocks as one list: every way up, then the ways down."""
        return rows.T[self.exists.T]

    def blocks(self, listed):
        """The other way round; 1 where there is no row."""
        found = np.ones(self.exists.shape)
        found.T[self.exists.T] = listed
        return found

    def design(self, count):
        """Which setup each row of data belongs to; none for the ways down."""
        found = np.zeros((*self.exists.shape, count))
        found[np.arange(self.n), 0, self.runs.setup] = 1
        return found

    def start(self) -> _Moved:
        """All unknowns at their stated values."""
        return _Moved(np.zeros(len(self.shared)), np.zeros((len(self.own), self.n)))

    def mean_log_force(self):
        """Mean logarithm of each setup's forces as stated: where the fit begins."""
        found, setup = log_forces(self.runs, [], []), self.runs.setup
        return np.bincount(setup, found) / np.bincount(setup)

    def linearise(self, moved: _Moved, log_force) -> _Linear:
        """Data and slopes where what is shared and the setups' forces stand.

        Slopes are those of a ride at the setup's force and without what a run has of its own:
        taken where each run was, they would go up and down with its scatter, and the fit would
        lean on that.
        """
        # One linearisation serves all runs of a setup, so that repeats weigh alike.
        at, force = [*moved.shared, *self.start().own], log_force[self.runs.setup]
        found = linearised(self.runs, [*self.shared, *self.own], at, log_force=force)
        data, slopes = found.log_force[:, None], found.up_slopes[..., None]
        if self.winds:
            # The way down has no force to take a logarithm of: it is counted in mean forces.
            scale = np.exp(found.log_force.mean())
            down = np.where(self.there, found.down_force_n, 0.0) / scale
            falls = np.where(self.there, found.down_slopes, 0.0) / scale
            data = np.column_stack([data, down])
            slopes = np.concatenate([slopes, falls[..., None]], axis=-1)
        # The model is linear around where the unknowns stand, but they are counted from what was
        # stated: hence the shift.
        m = len(self.shared)
        shared, own = np.moveaxis(slopes[:m], 0, -1), slopes[m:]
        return _Linear(data - shared @ moved.shared, shared, own)

    def likely(self, linear: _Linear, solved: _Solved) -> _Moved:
        """Most likely unknowns, given the data."""
        # The best linear predictor of what a run drew: its covariance with the data, times P d.
        residuals = solved.fit.scaled_residuals
        own = -solved.ratios[:, None] * np.einsum("qib,ib->qi", linear.own, residuals)
        return _Moved(solved.fit.joint[solved.fit.coefficients.size :], own)

    def run_forces(self, moved: _Moved):
        """Force of each run at the likely unknowns; readings as they were read. [N]"""
        # A rounding error is not told to the run: a force as anybody can work it out stays.
        unknowns, at = [*self.shared, *self.own], [*moved.shared, *moved.own]
        at = [0.0 if one.name == "reading" else z for one, z in zip(unknowns, at, strict=True)]
        return np.exp(log_forces(self.runs, unknowns, at))

    def learnt(self, fit) -> "tuple[Learnt, ...]":
        k = fit.coefficients.size
        sds = np.sqrt(np.maximum(np.diag(fit.joint_covariance)[k:], 0.0))
        names = (one.name for one in self.shared)
        return tuple(map(Learnt, names, fit.joint[k:].tolist(), sds.tolist()))

    def shares(self, solved, linear) -> dict:
        """Covariance of the forces by each named part, setups by setups."""
        weights, found = solved.fit.weights, {}

        def add(name, rows):
            found[name] = found.get(name, 0.0) + rows @ rows.T

        # With β = G d, a part with the slopes s adds (G s)(G s)ᵀ; draws of single runs add up run
        # by run, one that runs share adds once, whole.
        for one, column in zip(self.shared, np.moveaxis(linear.shared, -1, 0), strict=True):
            add(one.name, np.einsum("kib,ib->k", weights, column)[:, None])
        for one, ratio, slope in zip(self.own, solved.ratios, linear.own, strict=True):
            add(one.name, np.sqrt(ratio) * np.einsum("kib,ib->ki", weights, slope))
        own = np.sqrt(solved.fit.variances[0] * solved.scatter + solved.doubt)
        add("scatter", (weights * own).reshape(len(weights), -1))
        return found


def _diagonal(values):
    """n by b on the diagonals of n blocks."""
    return values[..., None] * np.eye(values.shape[-1])


def _rows_of(system, linear, design, weight) -> tuple:
    """What is fitted, and what the weights add to the rows' own variance.

    What a row has of its own, scatter, reading and gusts, has its variance over its weight.
    """
    # A row of weight one half counts as if its variance were twice what it is.
    doubt = np.einsum("qib,qib->ib", linear.own, linear.own) * (1 / weight - 1)
    told = list(system.winds)
    stated = np.delete(linear.own, told, axis=0)
    # A row that is not there stands alone, with a variance of 1 and nothing that acts on it.
    known = np.einsum("qia,qib->iab", stated, stated) + _diagonal(doubt + ~system.exists)
    scatter = system.usual.engine if told else system.usual.run
    own = _diagonal(system.up / weight)
    components = [mixed_model.Component(own, scatter.median**2, scatter.log_sd)]
    # A gust moves the way up and the way down of one run together: a component of rank one.
    for number in told:
        blown = linear.own[number]
        both = blown[..., :, None] * blown[..., None, :]
        components.append(mixed_model.Component(both, 1.0, system.winds[number]))
    more = known, tuple(components), system.uneven
    return mixed_model.Rows(linear.data, design, -linear.shared, *more), doubt


def _solve(system, linear, design, weight) -> _Solved:
    """Fit of one linearisation, with weights in the shape of the data."""
    rows, doubt = _rows_of(system, linear, design, weight)
    grid = mixed_model.variance_grid(rows)
    # At the mean of the variances the covariance is the mean one, as a plan and a season want it.
    # Intervals do not stop here: they average over the whole grid.
    fit = mixed_model.fit_at(rows, grid.mean)
    ratios = np.ones(len(system.own))
    ratios[list(system.winds)] = fit.variances[1 : len(rows.components)]
    return _Solved(fit, grid, rows, system.up / weight, doubt, ratios)


def _run_weights(system, linear, design) -> Weighed:
    """Weights of the rows of data, listed: each held against what all the others say of it."""

    def leave_out(listed):
        weight = system.blocks(listed)
        rows, _ = _rows_of(system, linear, design, weight)
        found = mixed_model.left_out(rows, mixed_model.variance_grid(rows, closer=False))
        # A weight is that of the row itself: what it is held against stays as it was.
        # The tails of a scatter not known are longer than a normal's: the variance that is handed
        # on is the one with which a normal would be as unlikely.
        full = (found.off / np.where(found.off == 0, 1.0, found.distance)) ** 2
        full = np.where(found.off == 0, np.inf, full - found.alone * (1 - weight))
        full = np.maximum(full, 0.05 * found.alone * weight)
        return tuple(system.listed(one) for one in (found.off, full, found.alone * weight))

    # Ways down belong to no setup: there is no force in them.
    group = np.full(system.exists.sum(), -1)
    group[: system.n] = system.runs.setup
    return settled_weights(leave_out, group, system.listed(linear.data), np.inf)


# Gains in wheel force between setups, from runs up a hill and, where there are, back down --------

# Of the directions of the unknowns, the runs must tell so much of the variance to be heard; and
# how rare a contradiction is by chance before it is spoken of.
_TOLD, _CONTRADICTED = 0.02, 0.002
# Rate of false alarms, over all comparisons together; and from which chance of being on its side of
# zero a gain is leaned on.
ALPHA, LEANING = 0.05, 0.90
# Degrees of freedom from which the runs themselves say how they scatter.
_FEWEST_DOF = 0.5
# At most so many times the slopes are taken again at the unknowns' likely values.
_MOST_ROUNDS = 3


@dataclass(frozen=True, kw_only=True)
class Force:
    """Mean wheel force of a setup over the hill.

    Attributes
    ----------
    setup : int
    force_n : Interval
        [N]
    shares : dict of str to float
        Share of each unknown, and of ``"scatter"``, in the variance.
    """

    setup: int
    force_n: Interval
    shares: dict


@dataclass(frozen=True, kw_only=True)
class Gain:
    """One setup's wheel force over another's, minus 1.

    Attributes
    ----------
    setup : int or str
        The setup.
    over : int or str
        The setup that it is compared with.
    ratio : Interval
        The relative gain, 0.05 for 5 % more; the 95 % interval is of this comparison on its own.
    log_sd : float
        Standard error of the logarithm of the forces' quotient.
    dof : float
        Its degrees of freedom; infinite where the scatter is known.
    p_value, p_adjusted : float
        Against no difference; adjusted by Bonferroni for the number of comparisons made.
    told_apart : bool
        Whether the adjusted p is below 5 %, by a scatter that the runs themselves show.
    comparisons : int
        That the adjustment is for.
    doubted : bool
        Whether the rest of the session speaks against it, so that nothing is made of it.
    shares : dict of str to float
        Share of each unknown, and of ``"scatter"``, in the variance.
    """

    setup: int | str
    over: int | str
    ratio: Interval
    log_sd: float
    dof: float
    p_value: float
    p_adjusted: float
    told_apart: bool
    comparisons: int
    shares: dict[str, float]
    doubted: bool = False

    @property
    def smallest_visible(self) -> float:
        """Gain that this test would have shown on 4 of 5 such days."""
        alpha = ALPHA / self.comparisons
        effect = smallest_visible_effect(standard_error=self.log_sd, dof=self.dof, alpha=alpha)
        return float(np.expm1(effect))

    @property
    def verdict(self) -> str:
        """``"faster"``, ``"slower"`` or ``"not told apart"``."""
        if not self.told_apart:
            return "not told apart"
        return "faster" if self.ratio.value > 0 else "slower"

    @property
    def strength(self) -> str:
        """How sure it is that there is a gain, or a loss.

        ``"decided"``: told apart. ``"leaning"``: on this side of zero with a chance of 90 % or
        more. ``"open"``: neither, or doubted; without a doubt the interval then holds zero.
        """
        if self.doubted:
            return "open"
        if self.told_apart:
            return "decided"
        return "leaning" if 1 - self.p_value / 2 >= LEANING else "open"


class Learnt(NamedTuple):
    """What the runs say of an unknown that they share, in standard deviations of what was known.

    Mean 0 and standard deviation 1 mean nothing new.
    """

    name: str
    mean: float
    sd: float


class Steps(NamedTuple):
    """Independent ways, of one standard deviation each, in which a setup's force can be off.

    Attributes
    ----------
    shared : array, unknowns by ways
        How each unknown that runs share moves along. [standard deviations of what was known]
    log_force : array, ways
        How the logarithm of the force does.
    """

    shared: np.ndarray
    log_force: np.ndarray


@dataclass(frozen=True)
class GainFit:
    """What a day of runs says.

    Attributes
    ----------
    forces : tuple of Force
        By setup.
    gains : tuple of Gain
        Of each setup but the first, against that; adjusted for as many comparisons.
    pairs : tuple of Gain
        Of all pairs, the later setup against the earlier; adjusted for as many comparisons.
    log_force, covariance : array
        Natural logarithm of the forces and its covariance.
    scatter_sd : float
        Relative scatter of wheel force from run to run, reading and gusts included: what is usual
        and what the runs say, together.
    scatter_dof : float
        How many degrees of freedom that is worth; 2 before anything is repeated.
    repeats_dof : float
        With how many of them the runs themselves say it.
    run_force_n : array
        Of each run, at the unknowns' most likely values. [N]
    weighed : Weighed
        Of every run up, then of the ways down: with what weight it counted.
    unknowns : tuple of Learnt
        Of each unknown that the runs share.
    contradicted : tuple of Learnt
        Those that the runs would have elsewhere than stated, where all of them together are so
        far off that chance does not explain it; the farthest first.
    shared : tuple of Unknown
        The same, as they were put in, rounded readings among them.
    steps : tuple of Steps
        By setup: how force and unknowns can be off together.
    weights : array, setups by runs
        By how much each setup's log force follows each run's.
    joint, joint_covariance : array
        Logarithm of the forces, then the unknowns ``shared``, and the covariance of both together.
    own_covariance : array, setups by setups
        The part of ``covariance`` that comes of what every run has of its own.
    """

    forces: tuple
    gains: tuple
    pairs: tuple
    log_force: np.ndarray
    covariance: np.ndarray
    scatter_sd: float
    scatter_dof: float
    repeats_dof: float
    run_force_n: np.ndarray
    weighed: Weighed
    unknowns: tuple
    contradicted: tuple
    shared: tuple
    steps: tuple
    weights: np.ndarray
    joint: np.ndarray
    joint_covariance: np.ndarray
    own_covariance: np.ndarray

    @property
    def repeated(self) -> bool:
        """Whether the runs themselves say how they scatter."""
        return self.repeats_dof >= _FEWEST_DOF


def estimate_gains(
    runs: Runs,
    *,
    unknowns: Sequence[Unknown] = (),
    resolution_m_s: float = 0.0,
    usual: Scatters = USUAL,
) -> GainFit:
    """Gains in wheel force between the setups of a day.

    Parameters
    ----------
    runs : Runs
    unknowns : sequence of Unknown
        For example of :func:`tuninglib.statistics.road_runs.usual_unknowns`.
    resolution_m_s : float
        Smallest step of the speeds that were read. [m/s]
    usual : Scatters
        What is usual of scatters and winds; the runs say the rest.

    Returns
    -------
    GainFit

    Notes
    -----
    y(z) = X β + e, with z independent normal unknowns of unit variance, is linearised at the most
    likely z: cov(y) = φ I + J Jᵀ. The intervals average over what φ could be, by what is usual
    and by what the runs say, so that a run more sharpens them whether or not it is the first
    repeat. The wheel force is the mean over the hill, work at the tyre over length. A run's own
    part is divided by its weight, 1 unless it is far from what the other runs say. Gains are
    counted from the first setup.

    Examples
    --------
    >>> from tuninglib.physics.motion import Hill
    >>> speeds = np.array([17.0, 17.2, 17.1, 18.4, 18.2, 18.6])
    >>> runs = Runs(hill=Hill(400.0, 0.06), setup=[0, 0, 0, 1, 1, 1], rider=0, mass_kg=200.0,
    ...             true_entry_m_s=np.full(6, 13.0), true_exit_m_s=speeds,
    ...             air_density_kg_m3=1.2, drag_area_m2=0.55, rolling_coefficient=0.015)
    >>> found = estimate_gains(runs).gains[0]
    >>> found.ratio.value, found.ratio.low, found.ratio.high, found.verdict
    (0.0805, 0.0491, 0.1128, 'faster')
    """
    count = _checked_setups(runs)
    unknowns = [*unknowns, *reading_unknowns(runs, resolution_m_s=resolution_m_s)]
    system = _System(runs, unknowns, usual)
    moved, log_force = system.start(), system.mean_log_force()
    design, weighed = system.design(count), None
    # Forces are nearly linear in drag, slope and wind: two rounds are usual, and a tenth of a
    # standard deviation moves no printed digit.
    for _ in range(_MOST_ROUNDS):
        linear = system.linearise(moved, log_force)
        # Weights once: taken again with every round, a row at the edge would go in and out.
        if weighed is None:
            weighed = _run_weights(system, linear, design)
        solved = _solve(system, linear, design, system.blocks(weighed.weight))
        before, moved = moved, system.likely(linear, solved)
        log_force = solved.fit.coefficients
        steps = (np.abs(a - b) for a, b in zip(moved, before, strict=True))
        if all(np.max(step, initial=0.0) < 0.1 for step in steps):
            break
    mixture = mixed_model.average_over_variances(solved.rows, solved.grid)
    shown = _scatter(system, linear, solved)
    day = _Day(solved, mixture, system.shares(solved, linear), shown)
    learnt = system.learnt(solved.fit)
    pairs = [(j, i) for i in range(count) for j in range(i + 1, count)]
    return GainFit(
        forces=tuple(
            Force(setup=j, force_n=_through(np.exp, day.spread(vector)), shares=day.shares(vector))
            for j, vector in enumerate(np.eye(count))
        ),
        gains=tuple(_gain(day, j, 0, comparisons=count - 1) for j in range(1, count)),
        pairs=tuple(_gain(day, j, i, comparisons=len(pairs)) for j, i in pairs),
        log_force=solved.fit.coefficients,
        covariance=solved.fit.covariance,
        scatter_sd=shown.sd,
        scatter_dof=shown.dof,
        repeats_dof=shown.repeats_dof,
        run_force_n=system.run_forces(moved),
        weighed=weighed,
        unknowns=learnt,
        contradicted=_contradicted(learnt, solved),
        shared=tuple(system.shared),
        steps=tuple(day.steps(j) for j in range(count)),
        weights=solved.fit.weights[:, :, 0],
        joint=solved.fit.joint,
        joint_covariance=solved.fit.joint_covariance,
        own_covariance=_of_the_runs(solved.fit),
    )


def _of_the_runs(fit):
    """Covariance of the forces that comes of what rows do not share."""
    turned = np.einsum("kia,iab->kib", fit.weights, fit.own)
    return np.einsum("kib,lib->kl", turned, fit.weights)


class _RunScatter(NamedTuple):
    """How the runs scatter."""

    sd: float
    dof: float
    repeats_dof: float


def _scatter(system, linear, solved) -> _RunScatter:
    """From run to run, reading and gusts included."""
    # The middle, not the mean: what is printed is what a rider takes for the usual scatter.
    middle, ratios = solved.grid.middle, np.ones(len(system.own))
    ratios[list(system.winds)] = middle[1 : 1 + len(system.winds)]
    own = (ratios @ linear.own[..., 0] ** 2).mean()
    # The logarithm of a standard deviation of so many degrees of freedom has the variance 1/2dof.
    dof = 1 / (2 * solved.grid.log_sd[0] ** 2)
    repeats_dof = mixed_model.degrees_of_freedom(solved.rows, solved.fit, 0)
    return _RunScatter(float(np.sqrt(middle[0] + own)), float(dof), repeats_dof)


class _Day(NamedTuple):
    """The fit of a day, asked for contrasts of its setups."""

    solved: _Solved
    mixture: mixed_model.VarianceMixture
    parts: dict
    shown: _RunScatter

    def spread(self, vector):
        # A contrast of setups asks nothing of the unknowns that follow them in the joint vector.
        shared = self.mixture.means.shape[1] - len(vector)
        return mixed_model.spread(self.mixture, np.concatenate([vector, np.zeros(shared)]))

    def steps(self, setup) -> Steps:
        """What the unknowns do to the force along with them, then what the runs' scatter does."""
        fit = self.solved.fit
        k = fit.coefficients.size
        own, both = fit.joint_covariance[k:, k:], fit.joint_covariance[setup, k:]
        # Independent directions of what is left unknown, each one standard deviation long.
        values, vectors = np.linalg.eigh(own)
        moved = vectors * np.sqrt(np.maximum(values, 0.0))
        # How the force goes along with the unknowns; what is left of its variance is the runs'.
        along = np.linalg.lstsq(own, both, rcond=1e-12)[0]
        vector = np.zeros(len(fit.joint))
        vector[setup], vector[k:] = 1.0, -along
        rest = mixed_model.spread(self.mixture, vector)
        scatter = (rest.high - rest.low) / 2 / Z_95
        shared = np.column_stack([moved, np.zeros(len(own))])
        return Steps(shared, np.append(along @ moved, scatter))

    def shares(self, vector):
        found = {name: float(vector @ part @ vector) for name, part in self.parts.items()}
        total = sum(found.values())
        return {name: value / total for name, value in found.items()}


def _contradicted(learnt, solved) -> tuple:
    """Unknowns that are off together beyond chance, by the squares of what was learnt of them.

    What the runs say of the unknowns has the covariance I − C before it is known, with C what is
    left of it after.
    """
    k = solved.fit.coefficients.size
    sds = np.ones(solved.fit.joint.size - k)
    if solved.rows.uneven:
        # On a day when wind gets up or dies it is no contradiction that it did.
        sds[solved.rows.uneven[0]] = np.sqrt(solved.fit.variances[-1])
    means = solved.fit.joint[k:] / sds
    left = solved.fit.joint_covariance[k:, k:] / np.outer(sds, sds)
    # Directions of which the runs tell next to nothing would divide nothing by nothing.
    values, vectors = np.linalg.eigh(np.eye(means.size) - left)
    told = values > _TOLD
    if not told.any():
        return ()
    squares = float(np.sum((vectors[:, told].T @ means) ** 2 / values[told]))
    if chdtrc(told.sum(), squares) > _CONTRADICTED:
        return ()
    # Roundings cannot be mended by the rider, and there are many of them.
    off = sorted((one for one in learnt if one.name != "reading"), key=lambda one: -abs(one.mean))
    return tuple(one for one in off[:2] if abs(one.mean) > 0.5 * abs(off[0].mean))


def _checked_setups(runs):
    """Number of setups, once every one has a run."""
    if runs.setup.size == 0:
        raise ValueError("there are no runs; ride each setup at least once")
    count = int(runs.setup.max()) + 1
    missing = sorted(set(range(count)) - set(runs.setup.tolist()))
    if missing or runs.setup.min() < 0:
        which = missing[0] if missing else runs.setup.min()
        raise ValueError(f"setup {which} has no runs, or is no setup; count them from 0")
    return count


def _through(function, found) -> Interval:
    """An interval of a logarithm, turned back."""
    return Interval(*function([found.value, found.low, found.high]).tolist())


def _gain(day, setup, over, comparisons):
    base = np.eye(len(day.solved.fit.coefficients))
    vector = base[setup] - base[over]
    found = day.spread(vector)
    return Gain(
        setup=setup,
        over=over,
        ratio=_through(np.expm1, found),
        log_sd=found.sd,
        dof=found.dof,
        p_value=found.p_value,
        # Bonferroni: simple, and never too sure.
        p_adjusted=min(1.0, found.p_value * comparisons),
        told_apart=found.p_value * comparisons < ALPHA and day.shown.repeats_dof >= _FEWEST_DOF,
        comparisons=comparisons,
        shares=day.shares(vector),
    )
