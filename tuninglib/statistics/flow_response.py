"""Is the ECU correcting? How strongly lambda follows fuel at idle, cruise, full throttle.

Where it does hold lambda 1, readings there tell how far a gauge is off.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import require
from tuninglib.interval import Z_95, Interval, Measured, interval_of_density
from tuninglib.statistics import normal_mixture
from tuninglib.statistics.gauge_readings import Readings
from tuninglib.statistics.ladder import Parts, Priors, design_rows

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
        raise ValueError(
            f"{len(state)} states for {len(readings.engine)} readings; give one for each reading"
        )
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
        sds = {f"injector {name}": parts.tolerance_of(name) for name in names}
        if len(parts.displacement) > 1:
            # Of one engine, for that of a difference.
            sds |= {f"engine {name}": parts.priors.breathing_sd / np.sqrt(2) for name in engines}
        sds |= {f"fuel {name}": parts.fuel_sd.get(name, 0.0) for name in fuels}
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
        injectors = len(set(names))
        answers.append(
            Response(
                state=one,
                response=response,
                readings=len(at),
                injectors=injectors,
                verdict=verdict,
            )
        )
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


# The offset of a gauge where lambda is 1 ----------------------------------------------------------

# How well narrowband control holds lambda 1 on average, 95 % (common practice).
CONTROL_HALF_WIDTH = 0.01


@dataclass(frozen=True)
class GaugeOffset:
    """Logarithm of shown over true lambda, the same for all readings of a gauge: a normal one.

    Parameters
    ----------
    log_mean, log_sd : float

    Examples
    --------
    >>> GaugeOffset(0.01, 0.005).ratio
    Interval(value=0.0101, low=0.0002, high=0.02)
    """

    log_mean: float
    log_sd: float

    @property
    def ratio(self) -> Interval:
        """How much too high the gauge reads, relative to true lambda."""
        half = Z_95 * self.log_sd
        return Interval(*(float(np.expm1(self.log_mean + k * half)) for k in (0, -1, 1)))


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


def offset_where_lambda_is_one(
    log_lambda: ArrayLike,
    relative_sd: ArrayLike,
    *,
    stated: GaugeOffset,
    control_half_width: float = CONTROL_HALF_WIDTH,
    priors: Priors | None = None,
) -> GaugeOffset:
    """The offset of a gauge after readings at a true lambda of 1.

    Parameters
    ----------
    log_lambda : array (n,)
        Logarithm of what the gauge shows, over its scale.
    relative_sd : array (n,)
        How well each stands for its run, of
        :func:`tuninglib.statistics.gauge_readings.reading_midpoint`.
    stated : GaugeOffset
        What is known of the gauge beforehand.
    control_half_width : float
        How far the lambda that is held may be off 1 on average (95 %), alike for all readings.
    priors : tuninglib.statistics.ladder.Priors or None
        Of it ``run_sd`` and ``run_dof``: the scatter that is guessed beforehand, and how many
        repeats that guess is worth.

    Returns
    -------
    GaugeOffset

    Notes
    -----
    The mean of n readings is normal about offset plus the control's error, with variance
    ``s**2 / n + control_sd**2``; with a normal prior the posterior is normal in closed form
    ([1]_, section 2.3.3): precisions add, means are weighted by them. The scatter s pools the
    readings' own with the guess, each by its degrees of freedom. Closed loop holds lambda itself,
    so the fuel in the tank does not enter.

    Examples
    --------
    Twelve readings at 1.02 on a gauge that is stated to 2 %:

    >>> stated = offset_stated(Measured(0.0, 0.02))
    >>> found = offset_where_lambda_is_one(np.full(12, np.log(1.02)), 0.005, stated=stated)
    >>> found.ratio
    Interval(value=0.0156, low=0.0062, high=0.0251)

    References
    ----------
    .. [1] C. M. Bishop, Pattern Recognition and Machine Learning, Springer 2006.
    """
    log_lambda = require(log_lambda, what="logarithm of lambda", unit="")
    relative_sd = require(relative_sd, what="spread of a reading", unit="", at_least=0)
    log_lambda, relative_sd = np.broadcast_arrays(np.atleast_1d(log_lambda), relative_sd)
    count = len(log_lambda)
    if count == 0:
        raise ValueError("there is no reading where lambda is 1; give one or more")
    mean = float(log_lambda.mean())
    priors = priors or Priors()
    guess = priors.run_sd**2 + float(np.mean(relative_sd**2))
    squares = float(np.sum((log_lambda - mean) ** 2))
    scatter = (priors.run_dof * guess + squares) / (priors.run_dof + count - 1)
    data = scatter / count + (control_half_width / Z_95) ** 2
    weight = stated.log_sd**2 / (stated.log_sd**2 + data)
    return GaugeOffset(
        stated.log_mean + weight * (mean - stated.log_mean), float(np.sqrt(weight * data))
    )
