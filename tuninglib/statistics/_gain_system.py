"""The rows of data behind the gains, their covariance, and the fit of one linearisation."""

from dataclasses import dataclass

import numpy as np

from tuninglib.checks import require
from tuninglib.statistics.mixed_model import Component, MixedFit, fit_mixed
from tuninglib.statistics.road_runs import linearised
from tuninglib.statistics.unknowns import Unknown

# Below this many degrees of freedom the scatter counts as not estimated.
_FEWEST_DOF = 0.5


@dataclass(frozen=True)
class Part:
    """One named part of the covariance of the data, and its estimated factor."""

    name: str
    covariance: np.ndarray
    each_run: bool
    ratio: float


@dataclass(frozen=True)
class Solved:
    """Fit of one linearisation."""

    fit: MixedFit
    problem: tuple
    parts: list
    scatter_sd: float
    scatter_dof: float
    scatter_is_assumed: bool


class System:
    """The rows of data of one day: every run up, then the ways down."""

    def __init__(self, runs, unknowns, gust_sd, gust_change_sd):
        self.runs = runs
        self.there = runs.has_way_down
        self.n = self.there.size
        self.unknowns = list(unknowns)
        self.gust = None
        if self.there.any():
            require(gust_sd, what="gusts", unit="m/s", above=0, remedy="0.6 on a calm day")
            self.gust = len(self.unknowns)
            for name, sd in (
                ("headwind_m_s", gust_sd),
                ("wind_change_m_s", gust_change_sd),
            ):
                self.unknowns.append(Unknown("gusts", {name: sd}, each_run=True))
        self.up = np.arange(self.n + self.there.sum()) < self.n
        self.down_row = self.n + np.cumsum(self.there) - 1

    def start(self):
        """All unknowns at their stated values."""
        return [np.zeros(self.n if one.each_run else 1) for one in self.unknowns]

    def linearise(self, moved):
        """Data with the known shift of the unknowns taken out, and what each does to them."""
        up, up_slopes, down, down_slopes = linearised(self.runs, self.unknowns, moved)
        there = self.there
        # The way down has no force to take a logarithm of: it is counted in mean forces.
        scale = np.exp(up.mean())
        data = np.concatenate([up, down[there] / scale])
        blocks = []
        for one, at, rise, fall in zip(
            self.unknowns, moved, up_slopes, down_slopes / scale, strict=True
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

    def likely(self, blocks, solved):
        """Most likely unknowns, given the data."""
        return [
            -part.ratio * (block.T @ solved.fit.scaled_residuals)
            for part, block in zip(solved.parts, blocks, strict=False)
        ]

    def run_forces(self, moved):
        """Force of each run at the likely unknowns; readings as they were read. [N]"""
        kept = [
            (one, at) for one, at in zip(self.unknowns, moved, strict=True) if one.name != "reading"
        ]
        up, *_ = linearised(self.runs, [one for one, _ in kept], [at for _, at in kept])
        return np.exp(up)

    def learnt(self, blocks, fit, moved):
        """Name, mean and sd of each unknown that runs share."""
        return tuple(
            (one.name, float(at[0]), float(np.sqrt(max(0.0, 1 - (b.T @ fit.projector @ b)[0, 0]))))
            for one, at, b in zip(self.unknowns, moved, blocks, strict=True)
            if not one.each_run
        )


def design_of(system, count):
    """Which setup each row of data belongs to; none for the ways down."""
    design = np.zeros((system.up.size, count))
    design[np.arange(system.n), system.runs.setup] = 1
    return design


def solve(system, data, blocks, design, weight, assumed, gust_dof, first):
    """Fit of one linearisation, with the parts of its covariance by name.

    What a row has of its own, scatter, reading and gusts, has its variance over its weight.
    """
    up = system.up.astype(float)
    scatter = Component(np.diag(up / weight), start=assumed[0] ** 2, prior_dof=assumed[1])
    squares = [block @ block.T for block in blocks]
    known = sum(
        (m for j, m in enumerate(squares) if j != system.gust), np.zeros((data.size, data.size))
    )
    own = sum(
        (np.diag(m) for m, one in zip(squares, system.unknowns, strict=True) if one.each_run),
        np.zeros(data.size),
    )
    doubt = np.diag(own * (1 / weight - 1))
    known = known + doubt
    components = [scatter]
    if system.gust is not None:
        components.append(Component(squares[system.gust], start=1.0, prior_dof=gust_dof))
    fit = fit_mixed(data, design, known, components, first=first)
    total = fit.variances[0] + np.mean(own[: system.n])
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
        Part(one.name, ratio * m, one.each_run, ratio)
        for one, ratio, m in zip(system.unknowns, ratios, squares, strict=True)
    ]
    parts.append(Part("scatter", variance * scatter.matrix + doubt, True, 1.0))
    problem = (data, design, known, components)
    typical = variance + float(
        np.mean(sum(np.diag(p.covariance)[: system.n] for p in parts[:-1] if p.each_run))
    )
    return Solved(fit, problem, parts, float(np.sqrt(typical)), float(dof), unknown)
