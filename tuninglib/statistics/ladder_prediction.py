"""Injectors that could be fitted next: lambda, odds of the target band, and open time."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tuninglib.checks import require
from tuninglib.interval import Interval
from tuninglib.physics import injector as injectors
from tuninglib.physics.engine import fuel_mass_per_cycle_kg
from tuninglib.statistics import normal_mixture
from tuninglib.statistics.ladder import LadderFit, design_rows


@dataclass(frozen=True, kw_only=True)
class Prediction:
    """Lambda at full throttle of one injector, or of several.

    Parameters
    ----------
    lambda_, low, high : float or array (n,)
        Median and 95 % range.
    log_mean, log_sd : float or array (n,)
        Mean and standard deviation of the logarithm.
    extrapolated : bool or array (n,)
        Whether the flow lies outside those tried: the straight line is then a guess.
    weights, means, sds : array (m,), (..., m), (..., m)
        The distribution of the logarithm: a weighted sum of normal ones.
    """

    lambda_: float
    low: float
    high: float
    log_mean: float
    log_sd: float
    extrapolated: bool
    weights: np.ndarray = field(repr=False)
    means: np.ndarray = field(repr=False)
    sds: np.ndarray = field(repr=False)


@dataclass(frozen=True, kw_only=True)
class BandOdds:
    """Probabilities of the true lambda about the target band; they add up to 1.

    Parameters
    ----------
    richer, inside, leaner : float or array (n,)
    """

    richer: float
    inside: float
    leaner: float


@dataclass(frozen=True, kw_only=True)
class FuelOutlook:
    """One candidate on one fuel.

    Parameters
    ----------
    fuel : str
    lambda_, low, high : float
        Median and 95 % range.
    richer, inside, leaner : float
        Odds about the target band.
    open_time_fraction : float
        Share of the cycle that the middle of the band needs at the highest engine speed; NaN where
        the air of one cycle is not given.
    """

    fuel: str
    lambda_: float
    low: float
    high: float
    richer: float
    inside: float
    leaner: float
    open_time_fraction: float


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One injector that could be fitted, on every fuel.

    Parameters
    ----------
    name : str
    flow_m3_s : float
        As stated. [m3/s]
    tried : bool
        Whether it has readings of its own.
    extrapolated : bool
        Whether its flow lies outside those tried.
    least_inside : float
        Odds of the target band on the fuel where they are least.
    fuels : tuple of FuelOutlook
        The leanest fuel first.
    """

    name: str
    flow_m3_s: float
    tried: bool
    extrapolated: bool
    least_inside: float
    fuels: tuple


def predict(
    fit: LadderFit,
    *,
    flow_m3_s,
    engine,
    stoichiometric_ratio,
    density_kg_m3,
    injector=None,
    tolerance=None,
    offset=0.0,
    of_reading=False,
) -> Prediction:
    """Lambda at full throttle that an injector would give on a fuel.

    Parameters
    ----------
    fit : LadderFit
    flow_m3_s : float or array (n,)
        Stated, as in :func:`tuninglib.statistics.ladder.fit_ladder`. [m3/s]
    engine : str
    stoichiometric_ratio, density_kg_m3 : float or array (n,)
        Of the fuel. [1], [kg/m3]
    injector : str or None
        An injector that was tried brings its own deviation; None: one that was not.
    tolerance : float or array (n,), or None
        Of an injector that was not tried; None: the default of the priors.
    offset : float or array (n,)
        Logarithm of the air density over the common one, as in the fit.
    of_reading : bool
        Whether to predict what the gauge will show, its error and the run's noise included,
        instead of the true lambda.

    Returns
    -------
    Prediction

    Notes
    -----
    Linear in the unknowns, so normal at each grid point of the fit; an untried injector adds the
    square of its tolerance ([1]_, equation 3.58).

    Examples
    --------
    Ten per cent more flow, one injector read at 0.90:

    >>> from tuninglib.statistics.ladder import fit_ladder
    >>> fit = fit_ladder(lambda_low=[0.89], lambda_high=[0.91], flow_m3_s=[2.5e-6], injector="a",
    ...                  engine="stock", stoichiometric_ratio=14.3, density_kg_m3=745.0,
    ...                  displacement={"stock": 150.0})
    >>> lean = predict(fit, flow_m3_s=2.75e-6, engine="stock", stoichiometric_ratio=14.3,
    ...                density_kg_m3=745.0)
    >>> lean.lambda_, lean.extrapolated
    (0.8182, True)

    References
    ----------
    .. [1] C. M. Bishop, Pattern Recognition and Machine Learning, Springer 2006.
    """
    flow_m3_s = require(flow_m3_s, what="flow", unit="m3/s", above=0)
    stoichiometric_ratio = require(
        stoichiometric_ratio, what="stoichiometric ratio", unit="", above=0
    )
    density_kg_m3 = require(density_kg_m3, what="density", unit="kg/m3", above=0)
    _require_listed("engine", engine, fit.displacement)
    if injector is not None:
        _require_listed("injector", injector, fit.tolerance)
        if tolerance is not None:
            raise ValueError(
                f"injector {injector!r} was tried, so its tolerance is part of the fit; "
                "leave one of the two out"
            )
        tolerance = 0.0
    tolerance = fit.priors.tolerance if tolerance is None else tolerance
    tolerance = require(tolerance, what="tolerance", unit="", at_least=0)

    flow, ratio, density, tolerance, offset = np.broadcast_arrays(
        flow_m3_s, stoichiometric_ratio, density_kg_m3, tolerance, offset
    )
    shape = flow.shape
    flow, fuel, tolerance, offset = (
        np.ravel(a) for a in (flow, np.log(ratio * density), tolerance, offset)
    )
    rows = design_rows(
        fit.terms,
        np.log(flow / fit.reference_flow_m3_s),
        [injector] * len(flow),
        [engine] * len(flow),
        gauge=float(of_reading),
    )
    # Light grid points matter to the doubts about an injector, not here.
    kept = fit.weights > normal_mixture.NEGLIGIBLE_WEIGHT * fit.weights.max()
    size = np.log(fit.displacement[engine] / fit.displacement[fit.reference_engine])
    means = rows @ fit.means[kept].T + (size + offset - fuel)[:, None]
    variances = np.einsum("nk,mkl,nl->nm", rows, fit.covariances[kept], rows)
    variances += (tolerance[:, None] * fit.tolerance_scale[kept]) ** 2
    if of_reading:
        variances += (fit.noise_scale[kept] * fit.reading_sd) ** 2
    parts = (fit.weights[kept] / fit.weights[kept].sum(), means, np.sqrt(variances))
    log_mean, log_sd = normal_mixture.mixture_moments(*parts)
    tried = fit.flow_m3_s.values()
    outside = (flow < min(tried) * (1 - 1e-9)) | (flow > max(tried) * (1 + 1e-9))

    def shaped(values):
        return values.reshape(shape) if shape else values[0].item()

    low, middle, high = np.exp(normal_mixture.mixture_quantile((0.025, 0.5, 0.975), *parts))
    return Prediction(
        lambda_=shaped(middle),
        low=shaped(low),
        high=shaped(high),
        log_mean=shaped(log_mean),
        log_sd=shaped(log_sd),
        extrapolated=shaped(outside),
        weights=parts[0],
        means=means.reshape((*shape, -1)),
        sds=parts[2].reshape((*shape, -1)),
    )


def band_odds(prediction: Prediction, *, low, high) -> BandOdds:
    """Odds that lambda is richer than, inside and leaner than the target band.

    Parameters
    ----------
    prediction : Prediction
    low, high : float
        Richest and leanest lambda of the band.

    Returns
    -------
    BandOdds

    Examples
    --------
    >>> certain = Prediction(lambda_=0.9, low=0.9, high=0.9, log_mean=np.log(0.9), log_sd=0.01,
    ...                      extrapolated=False, weights=np.ones(1), means=np.log([0.9]),
    ...                      sds=np.array([0.01]))
    >>> band_odds(certain, low=0.80, high=0.90)
    BandOdds(richer=0.0, inside=0.5, leaner=0.5)
    """
    require([low, high], what="target band", unit="", above=0)
    require(
        low, what="richer end of the target band", unit="", below=high, remedy="swap the two ends"
    )
    parts = prediction.weights, prediction.means, prediction.sds
    richer = normal_mixture.mixture_cdf(np.log(low), *parts)
    # The upper tail from its own side keeps small odds of a lean engine exact.
    leaner = normal_mixture.mixture_cdf(-np.log(high), parts[0], -parts[1], parts[2])
    inside = 1.0 - richer - leaner
    if np.ndim(richer) == 0:
        return BandOdds(richer=float(richer), inside=float(inside), leaner=float(leaner))
    return BandOdds(richer=richer, inside=inside, leaner=leaner)


def flow_for_lambda(
    fit: LadderFit,
    *,
    target_lambda,
    engine,
    stoichiometric_ratio,
    density_kg_m3,
    tolerance=None,
    offset=0.0,
) -> Interval:
    """Flow of an untried injector that gives a target lambda, with its 95 % range.

    Parameters
    ----------
    fit : LadderFit
    target_lambda : float
    engine, stoichiometric_ratio, density_kg_m3, tolerance, offset
        As in :func:`predict`; plain numbers.

    Returns
    -------
    Interval
        Flow with even odds of being leaner or richer than the target, and the flows where the odds
        of being leaner are 97.5 % and 2.5 %. NaN, zero and infinite, in this order, where no flow
        within a factor of twenty of those tried gets there: the controller corrects. [m3/s]

    Notes
    -----
    Solved on :func:`predict` by bisection, so the range and the predictions never disagree.

    Examples
    --------
    >>> from tuninglib.statistics.ladder import fit_ladder
    >>> fit = fit_ladder(lambda_low=[0.89], lambda_high=[0.91], flow_m3_s=[2.5e-6], injector="a",
    ...                  engine="stock", stoichiometric_ratio=14.3, density_kg_m3=745.0,
    ...                  displacement={"stock": 150.0})
    >>> flow = flow_for_lambda(fit, target_lambda=0.90, engine="stock", stoichiometric_ratio=14.3,
    ...                        density_kg_m3=745.0)
    >>> flow.value * 1e6, flow.low * 1e6, flow.high * 1e6
    (2.50, 2.21, 2.83)
    """
    target_lambda = require(target_lambda, what="target lambda", unit="", above=0)
    steps = np.log(20.0) * np.array([-1.0, 1.0])
    wanted = np.array([0.5, 0.975, 0.025])  # odds of being leaner, at value, low, high

    def leaner(log_flow):
        prediction = predict(
            fit,
            flow_m3_s=fit.reference_flow_m3_s * np.exp(log_flow),
            engine=engine,
            stoichiometric_ratio=stoichiometric_ratio,
            density_kg_m3=density_kg_m3,
            tolerance=tolerance,
            offset=offset,
        )
        return 1.0 - normal_mixture.mixture_cdf(
            np.log(target_lambda), prediction.weights, prediction.means, prediction.sds
        )

    low, high = np.full(3, steps[0]), np.full(3, steps[1])
    for _ in range(45):
        middle = 0.5 * (low + high)
        above = leaner(middle) > wanted
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    value, lowest, highest = fit.reference_flow_m3_s * np.exp(0.5 * (low + high))
    ends = leaner(steps)
    return Interval(
        value=float(value) if ends[1] < 0.5 < ends[0] else float("nan"),
        low=float(lowest) if ends[0] > 0.975 else 0.0,
        high=float(highest) if ends[1] < 0.025 else float("inf"),
    )


def rank_candidates(
    fit: LadderFit,
    *,
    names: Sequence[str],
    flow_m3_s: Sequence,
    fuels: Mapping,
    engine: str,
    band,
    tolerance: Mapping | None = None,
    offset=0.0,
    air_mass_kg=None,
    engine_speed_rpm=None,
    dead_time_s=0.0,
) -> tuple[Candidate, ...]:
    """Injectors in the order of their odds of landing in the target band on the fuels at hand.

    Parameters
    ----------
    fit : LadderFit
    names : sequence of str
        Those that have readings in the fit bring their own deviation.
    flow_m3_s : sequence of float, or array (candidates, fuels)
        Stated flow of each, or its flow on each fuel. [m3/s]
    fuels : dict of str to (float, float)
        Stoichiometric ratio [1] and density [kg/m3] of each fuel.
    engine : str
    band : (float, float)
        Richest and leanest lambda wanted.
    tolerance : dict of str to float, or None
        Of the untried ones; those left out have the default of the priors.
    offset : float
        As in :func:`predict`.
    air_mass_kg, engine_speed_rpm : float or None
        Air of one cycle and highest engine speed, for the open time; None: not worked out.
    dead_time_s : float or sequence of float
        Of each injector. [s]

    Returns
    -------
    tuple of Candidate
        Best first: the highest odds on the fuel where they are least, and among equals the one less
        likely to run lean.

    Examples
    --------
    >>> from tuninglib.statistics.ladder import fit_ladder
    >>> fit = fit_ladder(lambda_low=[0.93], lambda_high=[0.95], flow_m3_s=[2.5e-6], injector="a",
    ...                  engine="stock", stoichiometric_ratio=14.3, density_kg_m3=745.0,
    ...                  displacement={"stock": 150.0})
    >>> ranked = rank_candidates(fit, names=["b", "a"], flow_m3_s=[2.7e-6, 2.5e-6],
    ...                          fuels={"e5": (14.3, 745.0), "e10": (14.0, 747.0)},
    ...                          engine="stock", band=(0.83, 0.90))
    >>> [(one.name, one.fuels[0].fuel) for one in ranked]
    [('b', 'e10'), ('a', 'e10')]
    """
    flows = np.asarray(flow_m3_s, dtype=float)
    flows = np.broadcast_to(flows if flows.ndim == 2 else flows[:, None], (len(names), len(fuels)))
    dead_times = np.broadcast_to(dead_time_s, len(names))
    ranked = []
    for name, own_flows, dead_time in zip(names, flows, dead_times, strict=True):
        tried = name in fit.tolerance
        outlooks, extrapolated = [], False
        for (fuel, (ratio, density)), flow in zip(fuels.items(), own_flows, strict=True):
            prediction = predict(
                fit,
                flow_m3_s=float(flow),
                engine=engine,
                stoichiometric_ratio=ratio,
                density_kg_m3=density,
                injector=name if tried else None,
                tolerance=None if tried else (tolerance or {}).get(name),
                offset=offset,
            )
            odds = band_odds(prediction, low=band[0], high=band[1])
            extrapolated = extrapolated or prediction.extrapolated
            outlooks.append(
                FuelOutlook(
                    fuel=fuel,
                    lambda_=prediction.lambda_,
                    low=prediction.low,
                    high=prediction.high,
                    richer=odds.richer,
                    inside=odds.inside,
                    leaner=odds.leaner,
                    open_time_fraction=_needed_fraction(
                        air_mass_kg, engine_speed_rpm, dead_time, flow, ratio, density, band
                    ),
                )
            )
        outlooks.sort(key=lambda outlook: -outlook.lambda_)
        ranked.append(
            Candidate(
                name=name,
                flow_m3_s=float(own_flows[0]),
                tried=tried,
                extrapolated=extrapolated,
                least_inside=min(outlook.inside for outlook in outlooks),
                fuels=tuple(outlooks),
            )
        )
    return tuple(sorted(ranked, key=lambda one: (-one.least_inside, one.fuels[0].leaner)))


def _needed_fraction(air_mass_kg, engine_speed_rpm, dead_time_s, flow_m3_s, ratio, density, band):
    if air_mass_kg is None or engine_speed_rpm is None:
        return float("nan")
    fuel = fuel_mass_per_cycle_kg(
        air_mass_kg=air_mass_kg,
        lambda_=float(np.sqrt(band[0] * band[1])),
        stoichiometric_ratio=ratio,
    )
    mass_flow = injectors.mass_flow_kg_s(float(flow_m3_s), density_kg_m3=density)
    open_time = injectors.open_time_s(fuel, mass_flow_kg_s=mass_flow, dead_time_s=dead_time_s)
    return injectors.open_time_fraction(open_time, engine_speed_rpm=engine_speed_rpm)


def _require_listed(kind, name, known):
    if name not in known:
        raise ValueError(f"{kind} {name!r} is not in the fit, which has {', '.join(known)}")
