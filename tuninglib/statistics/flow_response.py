"""Is the ECU correcting? How strongly lambda follows fuel at idle, cruise, full throttle.

Where it does hold lambda 1, readings there tell how far a gauge is off.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np

from tuninglib.checks import require
from tuninglib.interval import Z_95, Interval, Measured, interval_of_density
from tuninglib.statistics import normal_mixture
from tuninglib.statistics.gauge_readings import Readings
from tuninglib.statistics.ladder import Parts, design_rows

# The response, state by state ---------------------------------------------------------------------

# The verdict on a state turns at the middle between "corrects" (0) and "follows its table" (1).
HALF_RESPONSE = 0.5
_PRIOR_SD = 1.0
# How far lambda may differ from injector to injector though the ECU holds it: within one per cent
# (common practice), as a standard deviation.
HELD_WITHIN = 0.005
# Sizes of the response at which the readings are weighed, and the grid in between and beyond.
_SIZES = np.array([0, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5, 1.9, 2.6, 4.0])
_GRID = np.linspace(-3.5, 4.0, 1501)


@dataclass(frozen=True, kw_only=True)
class Response:
    """How lambda follows fuel in one state of the engine.

    Parameters
    ----------
    state : str
        Of the throttle: full, cruise or idle.
    response : Interval
        1: the fuel table; 0: corrected by the controller's own sensor.
    readings, injectors : int
        How many it rests on.
    verdict : str
        ``"corrects"``, ``"table"`` or ``"cannot tell"``.
    """

    state: str
    response: Interval
    readings: int
    injectors: int
    verdict: str


def response_per_state(
    readings: Readings, parts: Parts, *, state: Sequence[str]
) -> tuple[Response, ...]:
    """How strongly lambda follows fuel in each state: idle, cruise, full throttle.

    Parameters
    ----------
    readings : Readings
    parts : Parts
        The response of its priors is not used.
    state : sequence of str
        Of each reading, in the rider's words.

    Returns
    -------
    tuple of Response
        In the order of first appearance. ``"corrects"`` where the whole 95 % range of the response
        is below 0.5, ``"table"`` where it is above, ``"cannot tell"`` otherwise.

    Notes
    -----
    Here log(lambda) falls with response times the logarithm of fuel offered over displacement: a
    controller that corrects holds lambda itself on any injector, fuel and engine. The response is
    as likely near 0 as near 1 beforehand, with mean 0.5 and standard deviation 1. What an injector
    deviates, or an engine breathes, shows only as far as lambda follows fuel: for each size of the
    response its prior goes with that size, and the density of the response is the evidence of the
    readings for just that size. Where the ECU holds lambda it may still differ by one per cent from
    injector to injector. Each state is fitted by itself.

    Examples
    --------
    Lambda 1 at idle on both injectors, following flow at full throttle:

    >>> readings = Readings(
    ...     lambda_low=[0.99, 0.99, 0.99, 0.74], lambda_high=[1.01, 1.01, 1.01, 0.76],
    ...     flow_m3_s=[2.25e-6, 3e-6, 2.25e-6, 3e-6], injector=["a", "b", "a", "b"], engine="x",
    ...     stoichiometric_ratio=14.3, density_kg_m3=745.0)
    >>> states = response_per_state(
    ...     readings, Parts(displacement={"x": 150.0}), state=["idle", "idle", "full", "full"])
    >>> [(one.state, one.verdict) for one in states]
    [('idle', 'corrects'), ('full', 'table')]
    """
    parts.require_listed(readings.engine, readings.injector)
    if len(state) != len(readings.engine):
        said = f"{len(state)} states for {len(readings.engine)} readings"
        raise ValueError(f"{said}; give one for each reading")
    size = np.array([parts.displacement[name] for name in readings.engine])
    # Fuel offered over air drawn in: takes the place of the flow.
    strength = np.log(readings.flow_m3_s / size) + readings.log_fuel - readings.offset
    # A reading of weight w counts as w readings.
    noise_sd = np.hypot(parts.priors.run_sd, readings.relative_sd) / np.sqrt(readings.weight)
    answers = []
    # State by state, since an ECU may hold lambda at idle and cruise and follow its table at full
    # throttle.
    for one in dict.fromkeys(state):
        at = np.flatnonzero([other == one for other in state])
        columns = readings.injector, readings.engine, readings.fuel
        names, engines, fuels = ([column[i] for i in at] for column in columns)
        sds = parts.deviations(names, engines if len(parts.displacement) > 1 else (), fuels)
        density = _density(
            readings.log_lambda[at], strength[at] - strength[at].mean(), noise_sd[at],
            (names, engines, fuels), {name: sd for name, sd in sds.items() if sd > 0}, parts.priors,
        )  # fmt: skip
        response = interval_of_density(density, _GRID)
        verdict = "cannot tell"
        if response.high < HALF_RESPONSE:
            verdict = "corrects"
        elif response.low > HALF_RESPONSE:
            verdict = "table"
        counts = {"readings": len(at), "injectors": len(set(names))}
        answers.append(Response(state=one, response=response, verdict=verdict, **counts))
    return tuple(answers)


def _density(observed, strength, noise_sd, names, sds, priors):
    """Density of the response on the grid, times any constant.

    With the priors of the deviations fixed at one size of the response all is normal, so that
    evidence times posterior there is prior times likelihood at just that size.
    """
    # What the gauge is off is in the level, which is free.
    terms = ("response", "level", *sds)
    design = design_rows(terms, strength, *names, gauge=0.0)
    mean = np.zeros(len(terms))
    mean[0] = HALF_RESPONSE
    noise, spread, log_weight = normal_mixture.scale_grid(priors.run_dof, priors.tolerance_spread)
    size = np.maximum(_SIZES, 1e-3)[:, None]
    sd = np.empty((size.size, spread.size, len(terms)))
    sd[..., 0], sd[..., 1] = _PRIOR_SD, np.inf
    held = np.array([HELD_WITHIN if name.startswith("injector ") else 0.0 for name in sds])
    # An injector that is 5 % off moves lambda by 5 % times the response, hence the size; where the
    # ECU holds lambda, only what it leaves.
    sd[..., 2:] = np.hypot((size * spread)[..., None] * np.array(list(sds.values())), held)
    rows = normal_mixture.few_rows(design, observed, noise_sd)
    each = np.broadcast_to(noise[:, None], (*sd.shape[:2], rows.observed.size))
    found = normal_mixture.linear_posterior(rows.design, rows.observed, each, mean, sd**-2.0)
    log_weight = log_weight - rows.left_out * np.log(noise)
    columns = (log_weight + found.log_evidence, found.mean[..., 0], found.covariance[..., 0, 0])
    log, centre, variance = (_between(column) for column in columns)
    log = log - 0.5 * (np.log(variance) + (_GRID[:, None] - centre) ** 2 / variance)
    return np.exp(log - log.max()).sum(1)


def _between(column):
    """From the sizes at which a column was worked out to the size at each point of the grid."""
    size = np.abs(_GRID)
    above = np.clip(np.searchsorted(_SIZES, size), 1, _SIZES.size - 1)
    share = (size - _SIZES[above - 1]) / (_SIZES[above] - _SIZES[above - 1])
    return column[above - 1] + share[:, None] * (column[above] - column[above - 1])


# Does the ECU hold lambda 1 here? And how far, then, is the gauge off? ----------------------------

# How well narrowband control holds lambda 1 on average, as a standard deviation: within one per
# cent (common practice).
CONTROL_SD = 0.005
# It may hold another lambda than 1, 0.97 to 1.01, as an altered signal makes it: mean, spread and
# share. Air may leak in before the gauge's sensor: how much leaner that reads at idle, its spread
# and share; elsewhere it is so much of that. Or the sensor stands in other gas for any reason, with
# all setups or with one of them: spread and shares (ours, all).
NOT_ONE = (-0.01, 0.01, 0.15)
LEAK, LEAK_ELSEWHERE = (0.04, 0.02, 0.10), 0.6
ELSEWHERE_SD, ELSEWHERE, ODD_ONE = 0.03, 0.05, 0.05
# Lambda that a fuel table gives at idle and cruise with the parts that it was written for: twice as
# often within 2 % of 1, as makers want it there, as anywhere from 0.85 to 1.15; spread and share
# (ours).
_TABLE_LEVELS = ((0.01, 2 / 3), (0.08, 1 / 3))
# How lambda follows fuel there, with the dead time of injectors; and displacement: not at all where
# the throttle alone lets air in, fully where a pressure is metered by. Means and deviations (ours).
_TABLE_RESPONSE, _TABLE_SIZE = (1.0, 0.25), (0.5, 0.35)
# Of the states of an engine whose sensor works, those in which the ECU goes by it (ours).
_USED = 0.9
# An old sensor errs in slope as well as at lambda 1: half of what a gauge may be off by at full
# throttle, of the variance, does not show at lambda 1 (common practice: sensors are truest there).
SHARE_AT_ONE = 0.5


@dataclass(frozen=True)
class GaugeOffset:
    """Logarithm of shown over true lambda, the same for all readings of a gauge: a normal one.

    Parameters
    ----------
    log_mean, log_sd : float

    Examples
    --------
    >>> GaugeOffset(0.01, 0.005)
    GaugeOffset(log_mean=0.01, log_sd=0.005)
    """

    log_mean: float
    log_sd: float


def offset_stated(accuracy: Measured) -> GaugeOffset:
    """The offset of a gauge of which nothing but its stated accuracy is known.

    Parameters
    ----------
    accuracy : Measured
        How far lambda may be off, as a ratio.

    Examples
    --------
    >>> offset_stated(Measured(0.0, 0.02))
    GaugeOffset(log_mean=0.0, log_sd=0.0102)
    """
    return GaugeOffset(float(np.log1p(accuracy.value)), accuracy.sd)


@dataclass(frozen=True, kw_only=True)
class Control:
    """Whether the ECU holds lambda 1, state by state, and what that makes of the gauge.

    Parameters
    ----------
    held : dict of str to float
        Probability, of each state.
    elsewhere : float
        Probability, if lambda is held in any, that what the gauge's sensor stands in is not of
        lambda 1, with all setups alike.
    odd : dict of str to float
        The same of one setup alone.
    offset : Interval
        How much too high the gauge reads at full throttle, relative to true lambda.
    """

    held: Mapping[str, float]
    elsewhere: float
    odd: Mapping[str, float]
    offset: Interval


@dataclass(frozen=True, kw_only=True)
class SteadyReadings:
    """Readings where the ECU may hold lambda 1; one entry each.

    Parameters
    ----------
    state : sequence of str
        Idle, cruise, a band of the throttle.
    log_lambda : array (n,)
        Logarithm of what the gauge shows, over its scale.
    relative_sd : array (n,)
        How well each stands for its run, of
        :func:`tuninglib.statistics.gauge_readings.reading_midpoint`.
    log_fuel, log_size : array (n,)
        Logarithms of the fuel that a pulse offers and of displacement; 0: with the parts that the
        table is for.
    setup, injector, engine, fuel : sequence of str
        Names.
    """

    state: Sequence[str]
    log_lambda: np.ndarray
    relative_sd: np.ndarray
    log_fuel: np.ndarray
    log_size: np.ndarray
    setup: Sequence[str]
    injector: Sequence[str]
    engine: Sequence[str]
    fuel: Sequence[str]

    def __post_init__(self):
        if np.size(self.log_lambda) == 0:
            raise ValueError("there is no reading at idle or cruise; give one or more")
        shown = require(self.log_lambda, "logarithm of lambda", "")
        spread = require(self.relative_sd, "spread of a reading", "", at_least=0)
        names = ("log_lambda", "relative_sd", "log_fuel", "log_size")
        given = (np.atleast_1d(shown), spread, self.log_fuel, self.log_size)
        for name, value in zip(names, np.broadcast_arrays(*given), strict=True):
            object.__setattr__(self, name, value)


def weigh_control(
    readings: SteadyReadings, *, parts: Parts, stated: GaugeOffset, chance: float
) -> Control:
    """The chance that the ECU holds lambda 1 in each state, and the gauge's offset by that chance.

    Parameters
    ----------
    readings : SteadyReadings
    parts : tuninglib.statistics.ladder.Parts
        Of its ``priors`` the scatter that is guessed beforehand, ``run_sd``, how many repeats that
        guess is worth, ``run_dof``, and ``breathing_sd``.
    stated : GaugeOffset
        What is known of the gauge beforehand.
    chance : float
        Beforehand, that the ECU holds lambda 1 in a state.

    Returns
    -------
    Control

    Notes
    -----
    Two answers for each state. Held: lambda 1, within one per cent, on any injector, engine and
    fuel; now and then another lambda, or the gauge's sensor stands in other gas, by a leak or for
    any reason, with all setups or with one. Table: lambda falls as fuel rises, with what injectors,
    engines and fuels deviate, from a level that is not known. The gauge's offset is in all of them.
    Given the answers all is normal, so that the readings' density, and the offset after them, are
    closed forms ([1]_, section 3.3); the offset is the sum over all answers with their
    probabilities for weights. The scatter of the readings is summed over a grid.

    The offset at full throttle is that at lambda 1 and the error of the slope, each with half of
    the variance that is stated. What is stated is stretched to where the readings would have it,
    and never narrowed by them.

    Examples
    --------
    Three injectors, 2 % above lambda 1 with each of them:

    >>> readings = SteadyReadings(
    ...     state=["idle"] * 3, log_lambda=np.log([1.021, 1.019, 1.02]), relative_sd=0.005,
    ...     log_fuel=[0.0, 0.12, 0.2], log_size=0.0, setup=["a", "b", "c"],
    ...     injector=["a", "b", "c"], engine=["x"] * 3, fuel=["e5"] * 3)
    >>> parts = Parts(displacement={"x": 150.0}, tolerance=dict.fromkeys("abc", 0.02))
    >>> stated = offset_stated(Measured(0.0, 0.02))
    >>> found = weigh_control(readings, parts=parts, stated=stated, chance=0.5)
    >>> round(found.held["idle"], 2)
    1.0

    References
    ----------
    .. [1] C. M. Bishop, Pattern Recognition and Machine Learning, Springer 2006.
    """
    require(chance, "chance that the ECU corrects", "", at_least=0, at_most=_USED)
    states, setups = (tuple(dict.fromkeys(one)) for one in (readings.state, readings.setup))
    shown = _HeldOrNot(readings, parts, stated, states, setups)
    answers = _answers(len(states), chance)
    cases = [one for held, before in answers for one in _cases(shown, np.array(held), before)]
    weight = normal_mixture.normalised(np.stack([one.log_weight for one in cases]))
    of_case = weight.sum(1)
    held = np.array([one.held for one in cases])
    anywhere = of_case @ held.any(1)
    which = np.array([-2 if one.off is None else one.off for one in cases])
    off = [float(of_case[which == at].sum() / (anywhere or 1.0)) for at in range(-1, len(setups))]
    slope = (1 - SHARE_AT_ONE) * stated.log_sd**2
    mean = np.concatenate([one.mean for one in cases])
    variance = np.concatenate([one.variance for one in cases])
    return Control(
        held=dict(zip(states, (of_case @ held).tolist(), strict=True)),
        elsewhere=off[0],
        odd=dict(zip(setups, off[1:], strict=True)),
        offset=_wider(stated, weight.ravel(), mean, np.sqrt(variance + slope)),
    )


class _HeldOrNot:
    """Readings at idle and cruise beside what is stated of the parts; by state and by setup."""

    def __init__(self, readings, parts, stated, states, setups):
        self.observed = readings.log_lambda - stated.log_mean
        self.noise_sd = np.hypot(parts.priors.run_sd, readings.relative_sd)
        self.run_dof = parts.priors.run_dof
        self.gauge_sd = float(np.sqrt(SHARE_AT_ONE) * stated.log_sd)
        self.log_fuel, self.log_size = readings.log_fuel, readings.log_size
        self.idle = np.array(["idle" in one for one in readings.state])
        self.is_state = np.equal.outer(readings.state, states).astype(float)
        self.is_setup = np.equal.outer(readings.setup, setups).astype(float)
        # Which engine, injector and fuel; one engine alone shows no breathing.
        engines = readings.engine if len(set(readings.engine)) > 1 else ()
        sds = parts.deviations(readings.injector, engines, readings.fuel)
        columns = readings.injector, readings.engine, readings.fuel
        self.parts = design_rows(tuple(sds), readings.log_fuel, *columns, gauge=0.0)
        self.part_sds = np.array(list(sds.values()))
        self.is_injector = np.array([name.startswith("injector ") for name in sds])


class _Case(NamedTuple):
    """Answers taken together, and the gauge's offset at lambda 1 if they are right."""

    held: np.ndarray
    # None: what is held is lambda 1; -1: it is not, with all setups; else the setup's place.
    off: int | None
    log_weight: np.ndarray
    mean: np.ndarray
    variance: np.ndarray


def _cases(shown: _HeldOrNot, held: np.ndarray, before: float) -> Iterator[_Case]:
    """One set of states that are held, with everything that may be there in two ways."""
    scale, _, log_scale_weight = normal_mixture.scale_grid(shown.run_dof, 0.0)
    corrected = shown.is_state[:, held].sum(1)
    table = 1 - corrected
    levels = shown.is_state[:, ~held]
    fixed = [(np.ones(table.size), 0.0, shown.gauge_sd)]
    fixed += [(corrected * one, 0.0, HELD_WITHIN) for one in shown.parts.T[shown.is_injector]]
    fixed += [(table * one, 0.0, sd) for one, sd in zip(shown.parts.T, shown.part_sds, strict=True)]
    fixed.append((-shown.log_fuel * table, *_TABLE_RESPONSE))
    fixed.append((shown.log_size * table, *_TABLE_SIZE))
    for control, off, share in _controls(shown, corrected, before):
        columns, mean, sd = zip(*fixed, *control, strict=True)
        design = np.column_stack([*columns, levels])
        rows = normal_mixture.few_rows(design, shown.observed, shown.noise_sd)
        mean = np.concatenate([mean, np.zeros(levels.shape[1])])
        for of_levels, how_often in _TABLE_LEVELS if levels.size else ((0.0, 1.0),):
            sds = np.concatenate([sd, np.full(levels.shape[1], of_levels)])
            # What has no spread is not unknown, but it may have an effect that is known.
            kept = sds > 0
            left = rows.observed - rows.design[:, ~kept] @ mean[~kept]
            noise = np.outer(scale, np.ones(left.size))
            found = normal_mixture.linear_posterior(
                rows.design[:, kept], left, noise, mean[kept], sds[kept] ** -2.0
            )
            log_weight = np.log(share * how_often) + log_scale_weight
            log_weight = log_weight + found.log_evidence - rows.left_out * np.log(scale)
            # A gauge that is stated to be exact has no unknown.
            moments = np.zeros((2, scale.size))
            if shown.gauge_sd > 0:
                moments = found.mean[:, 0], found.covariance[:, 0, 0]
            yield _Case(held, off, log_weight, *moments)


def _controls(shown, corrected, before) -> Iterator[tuple[list, int | None, float]]:
    """What may be held: terms of the model, which setups are off lambda 1, and the share."""
    if not corrected.any():
        yield [], None, before
        return
    exact = (corrected, 0.0, CONTROL_SD)
    others = NOT_ONE[2] + LEAK[2] + ELSEWHERE + ODD_ONE
    yield [exact], None, before * (1 - others)
    yield [(corrected, *NOT_ONE[:2])], -1, before * NOT_ONE[2]
    leaner = corrected * np.where(shown.idle, 1.0, LEAK_ELSEWHERE)
    yield [exact, (leaner, *LEAK[:2])], -1, before * LEAK[2]
    yield [(corrected, 0.0, ELSEWHERE_SD)], -1, before * ELSEWHERE
    setups = shown.is_setup.shape[1]
    for at, of_setup in enumerate(shown.is_setup.T):
        off = (corrected * of_setup, 0.0, ELSEWHERE_SD)
        yield [exact, off], at, before * ODD_ONE / setups


def _answers(states: int, chance: float) -> Iterator[tuple[tuple[bool, ...], float]]:
    """Every set of states in which lambda may be held, with its probability beforehand.

    States are not independent: an ECU that has no sensor holds lambda nowhere.
    """
    works = chance / _USED
    for held in product((False, True), repeat=states):
        before = works * _USED ** sum(held) * (1 - _USED) ** (states - sum(held))
        before += (1 - works) * (not any(held))
        if before > 0:
            yield held, before


def _wider(stated, weight, mean, sd) -> Interval:
    """What is stated of the offset, stretched to where the readings would have it, as a ratio.

    They never narrow it: where a leak or a table that is near lambda 1 is the truth, an interval
    that these readings had narrowed would hold less than the stated one, and nobody could see it.
    """
    ends = Z_95 * stated.log_sd * np.array([-1.0, 1.0])
    if sd.min() > 0:
        told = normal_mixture.mixture_quantile((0.025, 0.975), weight, mean, sd)
        ends = np.array([min(ends[0], told[0]), max(ends[1], told[1])])
    low, high = np.expm1(stated.log_mean + ends)
    return Interval(float((low + high) / 2), float(low), float(high))
