"""Gains in wheel force between setups, from runs up a hill and, where there are, back down.

One mechanism: the logarithm of each run's wheel force is the setup's, plus scatter, plus what the
unknowns do to it. Unknowns that setups share cancel by themselves, riders who rode only some
setups widen the interval by themselves, and the way down, which needs no force at the true
unknowns, sharpens wind and road load by itself.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import chdtrc

from tuninglib.interval import Z_95, Interval
from tuninglib.statistics._gain_system import Linear, Solved, System, solve
from tuninglib.statistics._run_weights import run_weights
from tuninglib.statistics.mixed_intervals import VarianceMixture, average_over_variances, spread
from tuninglib.statistics.planning import smallest_visible_effect
from tuninglib.statistics.road_runs import Runs
from tuninglib.statistics.robust import Weighed
from tuninglib.statistics.unknowns import reading_unknowns

# Of the directions of the unknowns, the runs must tell so much of the variance to be heard; and
# how rare a contradiction is by chance before it is spoken of.
_TOLD, _CONTRADICTED = 0.02, 0.002
# Rate of false alarms, over all comparisons together.
ALPHA = 0.05


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
    setup, over : int, or str where names were put in
    ratio : Interval
        The relative gain, 0.05 for 5 % more; the 95 % interval is of this comparison on its own.
    log_sd, dof : float
        Standard error of the logarithm of the forces' quotient, and its degrees of freedom.
    p_value, p_adjusted : float
        Against no difference; adjusted by Bonferroni for the number of comparisons made.
    told_apart : bool
        Whether the adjusted p is below 5 %, by a scatter that the runs themselves show.
    comparisons : int
        That the adjustment is for.
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
    shares: dict

    @property
    def smallest_visible(self) -> float:
        """Gain that this test would have told apart in 4 of 5 such days."""
        effect = smallest_visible_effect(
            standard_error=self.log_sd, dof=self.dof, power=0.8, alpha=ALPHA / self.comparisons
        )
        return float(np.expm1(effect))

    @property
    def verdict(self) -> str:
        """``"faster"``, ``"slower"`` or ``"not told apart"``."""
        if not self.told_apart:
            return "not told apart"
        return "faster" if self.ratio.value > 0 else "slower"


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
        Of each setup but the reference, against it; adjusted for as many comparisons.
    pairs : tuple of Gain
        Of all pairs, the later setup against the earlier; adjusted for as many comparisons.
    log_force, covariance : array
        Natural logarithm of the forces and its covariance.
    scatter_sd, scatter_dof : float
        Relative scatter of wheel force from run to run, reading and gusts included.
    scatter_is_assumed : bool
        True if nothing was repeated, so that the assumed scatter was used.
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
    scatter_is_assumed: bool
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


def estimate_gains(
    runs: Runs,
    *,
    unknowns=(),
    resolution_m_s=0.0,
    reference=0,
    assumed_scatter_sd=0.04,
    assumed_scatter_dof=0.0,
    gust_sd_m_s=0.6,
    gust_change_sd_m_s=0.2,
    gust_dof=4.0,
    relinearisations=3,
    weighed=None,
) -> GainFit:
    """Gains in wheel force between the setups of a day.

    Parameters
    ----------
    runs : Runs
    unknowns : sequence of Unknown
        For example of :func:`tuninglib.statistics.unknowns.usual_unknowns`.
    resolution_m_s : float
        Smallest step of the speeds that were read. [m/s]
    reference : int
        Index of the setup that gains are counted from.
    assumed_scatter_sd : float
        Relative scatter of wheel force from run to run, used where nothing is repeated; with ways
        down, a scatter that is larger still is taken for ever less likely.
    assumed_scatter_dof : float
        How many degrees of freedom the assumed scatter is worth beside the repeats; 0 leaves the
        scatter to the repeats, where there are any.
    gust_sd_m_s, gust_change_sd_m_s : float
        How the wind varies from run to run, and between the way up and the way down of one run;
        used only with ways down. [m/s]
    gust_dof : float
        How many degrees of freedom the stated run-to-run wind is worth; the data correct it.
    relinearisations : int
        At most so many times the slopes are taken again at the unknowns' likely values.
    weighed : Weighed or None
        Weights of the runs; None: worked out here, so that a run far from its repeats counts less.

    Returns
    -------
    GainFit

    Notes
    -----
    y(z) = X β + e, with z independent normal unknowns of unit variance, is linearised at the most
    likely z: cov(y) = φ I + J Jᵀ. Restricted likelihood gives φ, and the intervals average over
    what φ could be, which is Student's t where scatter is all there is. The wheel force is the
    mean over the hill, work at the tyre over length. A run's own part is divided by its weight,
    of :mod:`tuninglib.statistics.robust`: 1 unless it is far from what the other runs say.

    Examples
    --------
    >>> from tuninglib.physics.hill import Hill
    >>> speeds = np.array([17.0, 17.2, 17.1, 18.4, 18.2, 18.6])
    >>> runs = Runs(hill=Hill(400.0, 0.06), setup=[0, 0, 0, 1, 1, 1], rider=0, mass_kg=200.0,
    ...             true_entry_m_s=np.full(6, 13.0), true_exit_m_s=speeds,
    ...             air_density_kg_m3=1.2, drag_area_m2=0.55, rolling_coefficient=0.015)
    >>> found = estimate_gains(runs).gains[0]
    >>> found.ratio.value, found.ratio.low, found.ratio.high, found.verdict
    (0.0805, 0.0577, 0.1038, 'faster')
    """
    count = _checked_setups(runs, reference)
    unknowns = [*unknowns, *reading_unknowns(runs, resolution_m_s=resolution_m_s)]
    system = System(runs, unknowns, gust_sd_m_s, gust_change_sd_m_s)
    moved, log_force = system.start(), system.mean_log_force()
    first, design = None, system.design(count)
    for _ in range(max(relinearisations, 1)):
        linear = system.linearise(moved, log_force)
        if weighed is None:
            weighed = run_weights(system, linear, design, gust_dof)
        solved = solve(
            system,
            linear,
            design,
            system.blocks(weighed.weight),
            (assumed_scatter_sd**2, assumed_scatter_dof),
            gust_dof,
            first,
        )
        first = None if solved.scatter_is_assumed else solved.fit.variances
        before, moved = moved, system.likely(linear, solved)
        log_force = solved.fit.coefficients
        if all(
            np.max(np.abs(a - b), initial=0.0) < 0.1 for a, b in zip(moved, before, strict=True)
        ):
            break
    mixture = average_over_variances(**solved.problem, fit=solved.fit)
    day = _Day(system, linear, solved, mixture, system.shares(solved, linear))
    learnt = tuple(Learnt(*one) for one in system.learnt(solved.fit))
    base = np.eye(count)
    others = [j for j in range(count) if j != reference]
    pairs = [(j, i) for i in range(count) for j in range(i + 1, count)]
    return GainFit(
        forces=tuple(
            Force(
                setup=j,
                force_n=_through(np.exp, day.spread(base[j])),
                shares=day.shares(base[j]),
            )
            for j in range(count)
        ),
        gains=tuple(
            _gain(day, j, reference, base[j] - base[reference], len(others)) for j in others
        ),
        pairs=tuple(_gain(day, j, i, base[j] - base[i], len(pairs)) for j, i in pairs),
        log_force=solved.fit.coefficients,
        covariance=solved.fit.covariance,
        scatter_sd=solved.scatter_sd,
        scatter_dof=solved.scatter_dof,
        scatter_is_assumed=solved.scatter_is_assumed,
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


class _Day(NamedTuple):
    """The fit of a day, asked for contrasts of its setups."""

    system: System
    linear: Linear
    solved: Solved
    mixture: VarianceMixture
    parts: dict

    def spread(self, vector):
        shared = self.mixture.means.shape[1] - len(vector)
        return spread(self.mixture, np.concatenate([vector, np.zeros(shared)]))

    def steps(self, setup) -> Steps:
        """What the unknowns do to the force along with them, then what the runs' scatter does."""
        fit = self.solved.fit
        k = fit.coefficients.size
        own, both = fit.joint_covariance[k:, k:], fit.joint_covariance[setup, k:]
        values, vectors = np.linalg.eigh(own)
        moved = vectors * np.sqrt(np.maximum(values, 0.0))
        along = np.linalg.lstsq(own, both, rcond=1e-12)[0]
        vector = np.zeros(len(fit.joint))
        vector[setup], vector[k:] = 1.0, -along
        rest = spread(self.mixture, vector)
        scatter = (rest.high - rest.low) / 2 / Z_95
        return Steps(
            np.column_stack([moved, np.zeros(len(own))]), np.append(along @ moved, scatter)
        )

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
    means = solved.fit.joint[k:]
    values, vectors = np.linalg.eigh(np.eye(means.size) - solved.fit.joint_covariance[k:, k:])
    told = values > _TOLD
    if not told.any():
        return ()
    squares = float(np.sum((vectors[:, told].T @ means) ** 2 / values[told]))
    if chdtrc(told.sum(), squares) > _CONTRADICTED:
        return ()
    off = sorted((one for one in learnt if one.name != "reading"), key=lambda one: -abs(one.mean))
    return tuple(one for one in off[:2] if abs(one.mean) > 0.5 * abs(off[0].mean))


def _checked_setups(runs, reference):
    """Number of setups, once every one has a run."""
    if runs.setup.size == 0:
        raise ValueError("there are no runs; ride each setup at least once")
    count = int(runs.setup.max()) + 1
    missing = sorted(set(range(count)) - set(runs.setup.tolist()))
    if missing or runs.setup.min() < 0:
        which = missing[0] if missing else runs.setup.min()
        raise ValueError(f"setup {which} has no runs, or is no setup; count them from 0")
    if not 0 <= reference < count:
        raise ValueError(
            f"reference is {reference} but must be one of 0 to {count - 1}; count setups from 0"
        )
    return count


def _through(function, found) -> Interval:
    """An interval of a logarithm, turned back."""
    return Interval(*function([found.value, found.low, found.high]).tolist())


def _gain(day, setup, over, vector, comparisons):
    found = day.spread(vector)
    return Gain(
        setup=setup,
        over=over,
        ratio=_through(np.expm1, found),
        log_sd=found.sd,
        dof=found.dof,
        p_value=found.p_value,
        p_adjusted=min(1.0, found.p_value * comparisons),
        told_apart=found.p_value * comparisons < ALPHA and not day.solved.scatter_is_assumed,
        comparisons=comparisons,
        shares=day.shares(vector),
    )
