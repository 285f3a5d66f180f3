"""The rows of data behind the gains, their covariance, and the fit of one linearisation.

A run is a block of one row, its way up, or of two where anybody rolled back down. What all runs
share is one column of the design; what a run has of its own stays within its block.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tuninglib.checks import require
from tuninglib.statistics.mixed_model import Component, MixedFit, fit_mixed
from tuninglib.statistics.road_runs import linearised, log_forces
from tuninglib.statistics.unknowns import Unknown

# Below this many degrees of freedom the scatter counts as not estimated.
_FEWEST_DOF = 0.5


class Moved(NamedTuple):
    """Where the unknowns stand, in standard deviations.

    Attributes
    ----------
    shared : array (m,)
    own : array (q, n)
        One for each run.
    """

    shared: np.ndarray
    own: np.ndarray


class Linear(NamedTuple):
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

    def squares(self, skip=None):
        """Covariance of what runs have of their own, but for one of the unknowns. n by b by b"""
        own = np.delete(self.own, [] if skip is None else [skip], axis=0)
        return np.einsum("qia,qib->iab", own, own)


@dataclass(frozen=True)
class Solved:
    """Fit of one linearisation.

    Attributes
    ----------
    fit : MixedFit
    problem : dict
        What was fitted, by the names that :func:`~tuninglib.statistics.mixed_model.fit_mixed`
        gives it.
    scatter : array, n by b
        How much of the scatter's variance each row has.
    doubt : array, n by b
        Variance that the weights of the rows add to what they have of their own.
    ratios : array (q,)
        Estimated factor of each own unknown's variance.
    variance : float
        Of the scatter.
    scatter_sd, scatter_dof : float
    scatter_is_assumed : bool
    """

    fit: MixedFit
    problem: dict
    scatter: np.ndarray
    doubt: np.ndarray
    ratios: np.ndarray
    variance: float
    scatter_sd: float
    scatter_dof: float
    scatter_is_assumed: bool


class System:
    """The rows of data of one day: every run up, and the ways down."""

    def __init__(self, runs, unknowns, gust_sd, gust_change_sd):
        self.runs = runs
        self.there = runs.has_way_down
        self.n = self.there.size
        self.shared = [one for one in unknowns if not one.each_run]
        self.own = [one for one in unknowns if one.each_run]
        self.gust = None
        self.exists = np.ones((self.n, 1), dtype=bool)
        if self.there.any():
            require(gust_sd, what="gusts", unit="m/s", above=0, remedy="0.6 on a calm day")
            self.gust = len(self.own)
            for name, sd in (
                ("headwind_m_s", gust_sd),
                ("wind_change_m_s", gust_change_sd),
            ):
                self.own.append(Unknown("gusts", {name: sd}, each_run=True))
            self.exists = np.column_stack([self.exists, self.there])

    @property
    def up(self):
        """1 for the ways up, 0 for the ways down. n by b"""
        found = np.zeros(self.exists.shape)
        found[:, 0] = 1
        return found

    def listed(self, rows):
        """Rows of the blocks as one list: every way up, then the ways down."""
        return np.concatenate([rows[:, 0], *(rows[self.there, b] for b in range(1, rows.shape[1]))])

    def blocks(self, listed):
        """The other way round; 1 where there is no row."""
        found = np.ones(self.exists.shape)
        found[:, 0] = listed[: self.n]
        if found.shape[1] > 1:
            found[self.there, 1] = listed[self.n :]
        return found

    def design(self, count):
        """Which setup each row of data belongs to; none for the ways down."""
        found = np.zeros((*self.exists.shape, count))
        found[np.arange(self.n), 0, self.runs.setup] = 1
        return found

    def start(self) -> Moved:
        """All unknowns at their stated values."""
        return Moved(np.zeros(len(self.shared)), np.zeros((len(self.own), self.n)))

    def mean_log_force(self):
        """Mean logarithm of each setup's forces as stated: where the fit begins."""
        found, setup = log_forces(self.runs, [], []), self.runs.setup
        return np.bincount(setup, found) / np.bincount(setup)

    def linearise(self, moved: Moved, log_force) -> Linear:
        """Data and slopes where what is shared and the setups' forces stand.

        Slopes are those of a ride at the setup's force and without what a run has of its own:
        taken where each run was, they would go up and down with its scatter, and the fit would
        lean on that.
        """
        at = [*moved.shared, *self.start().own]
        found = linearised(
            self.runs, [*self.shared, *self.own], at, log_force=log_force[self.runs.setup]
        )
        data, slopes = found.log_force[:, None], found.up_slopes[..., None]
        if self.gust is not None:
            # The way down has no force to take a logarithm of: it is counted in mean forces.
            scale = np.exp(found.log_force.mean())
            down = np.where(self.there, found.down_force_n, 0.0) / scale
            falls = np.where(self.there, found.down_slopes, 0.0) / scale
            data = np.column_stack([data, down])
            slopes = np.concatenate([slopes, falls[..., None]], axis=-1)
        m = len(self.shared)
        shared, own = np.moveaxis(slopes[:m], 0, -1), slopes[m:]
        return Linear(data - shared @ moved.shared, shared, own)

    def likely(self, linear: Linear, solved: Solved) -> Moved:
        """Most likely unknowns, given the data."""
        residuals = solved.fit.scaled_residuals
        own = -solved.ratios[:, None] * np.einsum("qib,ib->qi", linear.own, residuals)
        return Moved(solved.fit.joint[solved.fit.coefficients.size :], own)

    def run_forces(self, moved: Moved):
        """Force of each run at the likely unknowns; readings as they were read. [N]"""
        unknowns = [*self.shared, *self.own]
        kept = [
            (one, at)
            for one, at in zip(unknowns, [*moved.shared, *moved.own], strict=True)
            if one.name != "reading"
        ]
        return np.exp(log_forces(self.runs, [one for one, _ in kept], [at for _, at in kept]))

    def learnt(self, fit):
        """Name, mean and sd of each unknown that runs share."""
        k = fit.coefficients.size
        sds = np.sqrt(np.maximum(np.diag(fit.joint_covariance)[k:], 0.0))
        return tuple(
            (one.name, float(mean), float(sd))
            for one, mean, sd in zip(self.shared, fit.joint[k:], sds, strict=True)
        )

    def shares(self, solved, linear) -> dict:
        """Covariance of the forces by each named part, setups by setups."""
        weights, found = solved.fit.weights, {}

        def add(name, rows):
            found[name] = found.get(name, 0.0) + rows @ rows.T

        for one, column in zip(self.shared, np.moveaxis(linear.shared, -1, 0), strict=True):
            add(one.name, np.einsum("kib,ib->k", weights, column)[:, None])
        for one, ratio, slope in zip(self.own, solved.ratios, linear.own, strict=True):
            add(one.name, np.sqrt(ratio) * np.einsum("kib,ib->ki", weights, slope))
        own = np.sqrt(solved.variance * solved.scatter + solved.doubt)
        add("scatter", (weights * own).reshape(len(weights), -1))
        return found


def diagonal(values):
    """n by b on the diagonals of n blocks."""
    return values[..., None] * np.eye(values.shape[-1])


def problem_of(system, linear, design, weight, scatter, gust_dof):
    """What is fitted, and what the weights add to the rows' own variance.

    What a row has of its own, scatter, reading and gusts, has its variance over its weight.
    """
    own = np.einsum("qib,qib->ib", linear.own, linear.own)
    doubt = own * (1 / weight - 1)
    # A row that is not there stands alone, with a variance of 1 and nothing that acts on it.
    known = linear.squares(skip=system.gust) + diagonal(doubt + ~system.exists)
    # With ways down the wind is known apart, so that what is left is rarely more than is assumed
    # of all.
    rarely_above = scatter[0] if system.gust is not None else np.inf
    components = [Component(diagonal(system.up / weight), *scatter, rarely_above=rarely_above)]
    if system.gust is not None:
        gusts = linear.own[system.gust]
        gusts = gusts[..., :, None] * gusts[..., None, :]
        components.append(Component(gusts, start=1.0, prior_dof=gust_dof))
    problem = {
        "data": linear.data,
        "design": design,
        "known": known,
        "components": components,
        "shared": -linear.shared,
    }
    return problem, doubt


def solve(system, linear, design, weight, assumed, gust_dof, first) -> Solved:
    """Fit of one linearisation, with weights in the shape of the data."""
    problem, doubt = problem_of(system, linear, design, weight, assumed, gust_dof)
    fit = fit_mixed(**problem, first=first)
    own = np.einsum("qib,qib->ib", linear.own, linear.own)[:, 0].mean()
    total = fit.variances[0] + own
    unknown = bool(2 * total**2 * fit.information[0, 0] < _FEWEST_DOF)
    dof = 2 * total**2 / fit.variance_covariance[0, 0] if not unknown else assumed[1] or np.inf
    variance = fit.variances[0]
    if unknown and not assumed[1]:
        scatter, *others = problem["components"]
        variance = scatter.start
        known = problem["known"] + variance * scatter.matrix
        problem |= {"known": known, "components": others}
        fit = fit_mixed(**problem)
    ratios = np.ones(len(system.own))
    if system.gust is not None:
        ratios[system.gust] = fit.variances[-1]
    typical = variance + np.einsum("q,qi->i", ratios, linear.own[..., 0] ** 2).mean()
    return Solved(
        fit=fit, problem=problem, scatter=system.up / weight, doubt=doubt, ratios=ratios,
        variance=float(variance), scatter_sd=float(np.sqrt(typical)), scatter_dof=float(dof),
        scatter_is_assumed=unknown,
    )  # fmt: skip
