"""Doubts about what was tried: injectors off their stated flow, controllers that correct."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from tuninglib.interval import Interval
from tuninglib.statistics import normal_mixture
from tuninglib.statistics.gauge_readings import prepare_readings
from tuninglib.statistics.ladder import LadderFit, Priors, solve

# The verdict on a state turns at the middle between "corrects" (0) and "follows its table" (1).
HALF_RESPONSE = 0.5
RESPONSE_ITERATIONS = 5  # the share below settles to three digits in four


@dataclass(frozen=True, kw_only=True)
class InjectorCheck:
    """What the readings say of one injector's flow, its statement set aside.

    Parameters
    ----------
    injector : str
    stated_flow_m3_s : float
        [m3/s]
    implied_flow_m3_s : Interval
        Flow that its readings call for, given the other injectors. [m3/s]
    odds : float
        Odds of readings as far off as these, to either side, if the statement holds within its
        tolerance.
    believable : bool
        Whether the odds are not below the limit.
    """

    injector: str
    stated_flow_m3_s: float
    implied_flow_m3_s: Interval
    odds: float
    believable: bool


@dataclass(frozen=True, kw_only=True)
class Response:
    """How lambda follows fuel in one state of the engine.

    Parameters
    ----------
    state : str
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


def check_injectors(fit: LadderFit, *, level=0.05) -> tuple[InjectorCheck, ...]:
    """Each tried injector's flow by its readings, against its statement.

    Parameters
    ----------
    fit : LadderFit
    level : float
        Odds below which a statement is not believed; 0.05 is the usual two standard deviations.

    Returns
    -------
    tuple of InjectorCheck
        In the order tried.

    Notes
    -----
    An injector's own prior is divided out of its posterior, which leaves what its readings and the
    rest of the ladder say: deviation m with variance v. If the statement holds, m is normal with
    mean 0 and variance ``v + tolerance**2``; the odds are its two tails beyond m. The grid points
    are weighted without the injector's own misfit, so that it does not excuse itself. A single
    injector cannot be checked: its odds are 1 and its range is open.

    Examples
    --------
    Three alike, and a fourth that reads 15 % lean for its flow:

    >>> flow = np.array([2.4e-6, 2.5e-6, 2.6e-6, 2.7e-6])
    >>> fit = solve(observed=-np.log(flow) + [0, 0, 0, 0.15], noise_sd=np.full(4, 0.01),
    ...             flow_m3_s=flow, injector=list("abcd"), engine=["x"] * 4,
    ...             displacement={"x": 1.0}, tolerance=None, priors=Priors())
    >>> [one.believable for one in check_injectors(fit)]
    [True, True, True, False]
    """
    rows = []
    for name, stated in fit.flow_m3_s.items():
        term = f"injector {name}"
        if term not in fit.terms:  # tolerance 0: beyond doubt by decree
            exact = Interval(value=stated, low=stated, high=stated)
            rows.append(_row(name, stated, exact, 1.0, level))
            continue
        at = fit.terms.index(term)
        prior_variance = (fit.tolerance[name] * fit.tolerance_scale) ** 2
        gained = 1.0 / fit.covariances[:, at, at] - 1.0 / prior_variance
        if np.any(gained * prior_variance < 1e-9):
            unknown = Interval(value=stated, low=0.0, high=float("inf"))
            rows.append(_row(name, stated, unknown, 1.0, level))
            continue
        variance = 1.0 / gained
        mean = fit.means[:, at] * variance / fit.covariances[:, at, at]
        spread = variance + prior_variance
        weight = normal_mixture.normalised(
            np.log(fit.weights) + 0.5 * (mean**2 / spread + np.log(spread))
        )
        parts = weight, -mean, np.sqrt(variance)
        quantiles = normal_mixture.mixture_quantile((0.025, 0.5, 0.975), *parts)
        low, value, high = (stated * np.exp(quantiles)).tolist()
        odds = float(weight @ (2 * ndtr(-np.abs(mean) / np.sqrt(spread))))
        rows.append(_row(name, stated, Interval(value=value, low=low, high=high), odds, level))
    return tuple(rows)


def suspicious_injectors(fit: LadderFit, *, level=0.05) -> tuple[InjectorCheck, ...]:
    """Injectors whose readings cannot be believed with their stated flow, the worst first.

    Parameters
    ----------
    fit : LadderFit
    level : float
        As in :func:`check_injectors`.

    Returns
    -------
    tuple of InjectorCheck

    Notes
    -----
    One bad injector makes the others look worse: measure or replace the first one named, then fit
    again.

    Examples
    --------
    >>> flow = np.array([2.4e-6, 2.5e-6, 2.6e-6, 2.7e-6])
    >>> fit = solve(observed=-np.log(flow) + [0, 0, 0, 0.15], noise_sd=np.full(4, 0.01),
    ...             flow_m3_s=flow, injector=list("abcd"), engine=["x"] * 4,
    ...             displacement={"x": 1.0}, tolerance=None, priors=Priors())
    >>> [one.injector for one in suspicious_injectors(fit)]
    ['d']
    """
    bad = [row for row in check_injectors(fit, level=level) if not row.believable]
    return tuple(sorted(bad, key=lambda row: row.odds))


def response_per_state(
    *,
    state,
    lambda_low,
    lambda_high,
    flow_m3_s,
    injector,
    engine,
    stoichiometric_ratio,
    density_kg_m3,
    displacement,
    resolution=0.0,
    offset=0.0,
    weight=1.0,
    tolerance=None,
    priors=None,
) -> tuple[Response, ...]:
    """How strongly lambda follows fuel in each state: idle, cruise, full throttle.

    Parameters
    ----------
    state : sequence of str
        Of each reading, in the rider's words.
    lambda_low, lambda_high, flow_m3_s, injector, engine, stoichiometric_ratio, density_kg_m3, \
displacement, resolution, offset, weight, tolerance, priors
        As in :func:`tuninglib.statistics.ladder.fit_ladder`; the response of ``priors`` is not
        used.

    Returns
    -------
    tuple of Response
        In the order of first appearance. ``"corrects"`` where the whole 95 % range of the response
        is below 0.5, ``"table"`` where it is above, ``"cannot tell"`` otherwise.

    Notes
    -----
    Here log(lambda) falls with response times the logarithm of flow times stoichiometric ratio
    times density over displacement: a controller that corrects holds lambda itself on any injector,
    fuel and engine. The response is as likely near 0 as near 1 beforehand, with mean 0.5 and
    standard deviation 1. What an injector deviates shows only as far as lambda follows fuel, so its
    tolerance is multiplied by the root mean square of the response, found by iteration. Each state
    is fitted by itself.

    Examples
    --------
    Lambda 1 at idle on both injectors, following flow at full throttle:

    >>> states = response_per_state(
    ...     state=["idle", "idle", "full", "full"], lambda_low=[0.99, 0.99, 0.99, 0.74],
    ...     lambda_high=[1.01, 1.01, 1.01, 0.76], flow_m3_s=[2.25e-6, 3e-6, 2.25e-6, 3e-6],
    ...     injector=["a", "b", "a", "b"], engine="x", stoichiometric_ratio=14.3,
    ...     density_kg_m3=745.0, displacement={"x": 150.0})
    >>> [(one.state, one.verdict) for one in states]
    [('idle', 'corrects'), ('full', 'table')]
    """
    priors = replace(priors or Priors(), response_mean=HALF_RESPONSE, response_sd=1.0)
    readings = prepare_readings(
        lambda_low=lambda_low,
        lambda_high=lambda_high,
        flow_m3_s=flow_m3_s,
        injector=injector,
        engine=engine,
        stoichiometric_ratio=stoichiometric_ratio,
        density_kg_m3=density_kg_m3,
        resolution=resolution,
        offset=offset,
    )
    unknown = sorted({*readings.engine} - {*displacement})
    if unknown:
        raise ValueError(f"engine {unknown[0]!r} has no displacement; give it in displacement")
    if len(state) != len(readings.engine):
        raise ValueError(
            f"{len(state)} states for {len(readings.engine)} readings; give one for each reading"
        )
    size = np.array([displacement[name] for name in readings.engine])
    # Fuel offered over air drawn in: takes the place of the flow.
    strength = readings.flow_m3_s * np.exp(readings.log_fuel - readings.offset) / size
    noise_sd = np.hypot(priors.run_sd, readings.relative_sd)
    weight = np.broadcast_to(weight, noise_sd.shape)
    answers = []
    for one in dict.fromkeys(state):
        at = np.flatnonzero([other == one for other in state])
        names = [readings.injector[i] for i in at]
        tolerances = dict.fromkeys(names, priors.tolerance) | {
            name: sd for name, sd in (tolerance or {}).items() if name in names
        }
        share = 1.0
        for _ in range(RESPONSE_ITERATIONS):
            fit = solve(
                observed=readings.log_lambda[at],
                noise_sd=noise_sd[at],
                flow_m3_s=strength[at],
                injector=names,
                engine=[readings.engine[i] for i in at],
                displacement=dict.fromkeys(displacement, 1.0),
                tolerance={name: share * sd for name, sd in tolerances.items()},
                priors=priors,
                weight=weight[at],
            )
            share = np.hypot(fit.mean[0], np.sqrt(fit.covariance[0, 0]))
        response = fit.interval("response")
        verdict = "cannot tell"
        if response.high < HALF_RESPONSE:
            verdict = "corrects"
        elif response.low > HALF_RESPONSE:
            verdict = "table"
        answers.append(
            Response(
                state=one,
                response=response,
                readings=len(at),
                injectors=len(set(names)),
                verdict=verdict,
            )
        )
    return tuple(answers)


def _row(name, stated, implied, odds, level):
    return InjectorCheck(
        injector=name,
        stated_flow_m3_s=stated,
        implied_flow_m3_s=implied,
        odds=odds,
        believable=odds >= level,
    )
