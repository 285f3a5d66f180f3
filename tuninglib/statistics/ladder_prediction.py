"""Injectors that could be fitted next: lambda, chance of the target band, flow wanted."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from tuninglib.checks import plain, require
from tuninglib.interval import Interval
from tuninglib.physics.injector import metering_demand
from tuninglib.statistics import normal_mixture
from tuninglib.statistics.ladder import LadderFit, design_rows

# Expected distances -------------------------------------------------------------------------------


def expected_excess(mean: float, sd: float) -> float:
    """Mean of the positive part of a normal variable.

    Parameters
    ----------
    mean, sd : float

    Notes
    -----
    E max(x, 0) = s φ(z) + m Φ(z) with z = m/s. It is the distance of a distribution, not of its
    middle: of two mixtures on one edge of a band the less known one lies further beyond it.

    Examples
    --------
    >>> round(expected_excess(0.0, 1.0), 3), expected_excess(-1.0, 0.0)
    (0.399, 0.0)
    """
    if sd <= 0:
        return max(mean, 0.0)
    z = mean / sd
    return float(sd * np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi) + mean * ndtr(z))


# Injectors not tried yet --------------------------------------------------------------------------


@dataclass(frozen=True)
class Odds:
    """Probabilities that lambda is richer than, inside and leaner than the target band.

    Parameters
    ----------
    richer, inside, leaner : float or array (n,)
        They add up to 1.
    """

    richer: float
    inside: float
    leaner: float

    def at(self, place: int | slice | np.ndarray) -> "Odds":
        """Those of one of several."""
        return Odds(self.richer[place], self.inside[place], self.leaner[place])


@dataclass(frozen=True, kw_only=True)
class Prediction:
    """Lambda at full throttle of one injector, or of several.

    Parameters
    ----------
    lambda_ : Interval of float or array (n,)
        Median and 95 % range.
    log_mean, log_sd : float or array (n,)
        Mean and standard deviation of the logarithm.
    extrapolated : bool or array (n,)
        Whether the flow lies outside those tried: the straight line is then a guess.
    weights, means, sds : array (m,), (..., m), (..., m)
        The distribution of the logarithm: a weighted sum of normal ones.
    """

    lambda_: Interval
    log_mean: float
    log_sd: float
    extrapolated: bool
    weights: np.ndarray = field(repr=False)
    means: np.ndarray = field(repr=False)
    sds: np.ndarray = field(repr=False)

    def odds(self, *, low: float, high: float) -> Odds:
        """Chances that lambda is richer than, inside and leaner than a target band.

        Parameters
        ----------
        low, high : float
            Richest and leanest lambda of the band.

        Examples
        --------
        >>> certain = Prediction(lambda_=Interval(0.9, 0.9, 0.9), log_mean=np.log(0.9),
        ...                      log_sd=0.01, extrapolated=False, weights=np.ones(1),
        ...                      means=np.log([0.9]), sds=np.array([0.01]))
        >>> certain.odds(low=0.80, high=0.90)
        Odds(richer=0.0, inside=0.5, leaner=0.5)
        """
        require([low, high], "target band", "", above=0)
        swap = "swap the two ends"
        require(low, "richer end of the target band", "", below=high, remedy=swap)
        richer = normal_mixture.mixture_cdf(np.log(low), self.weights, self.means, self.sds)
        # The upper tail from its own side keeps small odds of a lean engine exact.
        leaner = normal_mixture.mixture_cdf(-np.log(high), self.weights, -self.means, self.sds)
        return Odds(plain(richer), plain(1.0 - richer - leaner), plain(leaner))


@dataclass(frozen=True, kw_only=True)
class FuelDemand:
    """What a fuel asks of an injector, and how far that may be off.

    Parameters
    ----------
    stoichiometric_ratio, density_kg_m3 : float or array (n,)
        [1], [kg/m3]
    name : str or None
        A fuel that was ridden brings what the readings say of it.
    sd : float
        Of what it asks for, relative; counts for a fuel that was not ridden.
    """

    stoichiometric_ratio: float
    density_kg_m3: float
    name: str | None = None
    sd: float = 0.0

    def __post_init__(self):
        require(self.stoichiometric_ratio, "stoichiometric ratio", "", above=0)
        require(self.density_kg_m3, "density", "kg/m3", above=0)

    @property
    def demand(self) -> float | np.ndarray:
        """Of :func:`tuninglib.physics.injector.metering_demand`."""
        return plain(metering_demand(self.stoichiometric_ratio, self.density_kg_m3))


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """An injector that could be fitted.

    Parameters
    ----------
    flow_m3_s : float or array (n,)
        Stated, as in :class:`tuninglib.statistics.gauge_readings.Readings`. [m3/s]
    tried : str or None
        Name of one that was tried, which brings its own deviation; None: one that was not.
    tolerance : float or array (n,), or None
        Of one that was not tried; None: the default of the priors.
    """

    flow_m3_s: float
    tried: str | None = None
    tolerance: float | None = None

    def __post_init__(self):
        require(self.flow_m3_s, "flow", "m3/s", above=0)
        if self.tolerance is not None:
            require(self.tolerance, "tolerance", "", at_least=0)
            if self.tried is not None:
                raise ValueError(
                    f"injector {self.tried!r} was tried, so its tolerance is part of the fit; "
                    "leave one of the two out"
                )


def predict(
    fit: LadderFit,
    candidate: Candidate,
    *,
    engine: str,
    fuel: FuelDemand,
    offset: ArrayLike = 0.0,
    of_reading: bool = False,
    day_sd: float = 0.0,
) -> Prediction:
    """Lambda at full throttle that an injector would give on a fuel.

    Parameters
    ----------
    fit : LadderFit
    candidate : Candidate
        One, or several with an array of flows.
    engine : str
    fuel : FuelDemand
    offset : float or array (n,)
        Logarithm of the air density over the common one, as in the fit.
    of_reading : bool
        Whether to predict what the gauge will show, its error and the run's noise included,
        instead of the true lambda.
    day_sd : float
        By how much another day may be off, as assumed in the fit of several.

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

    >>> from tuninglib.statistics.gauge_readings import Readings
    >>> from tuninglib.statistics.ladder import Parts, fit_ladder
    >>> e5 = FuelDemand(stoichiometric_ratio=14.3, density_kg_m3=745.0)
    >>> readings = Readings(lambda_low=[0.89], lambda_high=[0.91], flow_m3_s=[2.5e-6],
    ...                     injector="a", engine="stock", stoichiometric_ratio=14.3,
    ...                     density_kg_m3=745.0)
    >>> fit = fit_ladder(readings, Parts(displacement={"stock": 150.0}))
    >>> lean = predict(fit, Candidate(flow_m3_s=2.75e-6), engine="stock", fuel=e5)
    >>> lean.lambda_.value, lean.extrapolated
    (0.8182, True)

    References
    ----------
    .. [1] C. M. Bishop, Pattern Recognition and Machine Learning, Springer 2006.
    """
    _require_listed("engine", engine, fit.displacement)
    tolerance = fit.priors.tolerance if candidate.tolerance is None else candidate.tolerance
    if candidate.tried is not None:
        _require_listed("injector", candidate.tried, fit.tolerance)
        tolerance = 0.0
    given = candidate.flow_m3_s, np.log(fuel.demand), np.asarray(tolerance, dtype=float), offset
    columns = np.broadcast_arrays(*given)
    shape = columns[0].shape
    flow, demand, tolerance, offset = (np.ravel(column) for column in columns)
    names = ([name] * len(flow) for name in (candidate.tried, engine, fuel.name))
    log_flow = np.log(flow / fit.reference_flow_m3_s)
    rows = design_rows(fit.terms, log_flow, *names, gauge=float(of_reading))
    # Light grid points matter to the doubts about an injector, not here.
    kept = fit.weights > normal_mixture.NEGLIGIBLE_WEIGHT * fit.weights.max()
    size = np.log(fit.displacement[engine] / fit.displacement[fit.reference_engine])
    # The ladder's equation solved for log lambda.
    means = rows @ fit.means[kept].T + (size + offset - demand)[:, None]
    variances = np.einsum("nk,mkl,nl->nm", rows, fit.covariances[kept], rows)
    apart = 0.0 if f"fuel {fuel.name}" in fit.terms else float(fuel.sd)
    variances += (tolerance[:, None] * fit.tolerance_scale[kept]) ** 2 + apart**2
    variances += (fit.noise_scale[kept] * day_sd) ** 2
    # A gauge's reading has the run's own noise besides; the true lambda of a setup has not.
    if of_reading:
        variances += (fit.noise_scale[kept] * fit.reading_sd) ** 2
    weights = fit.weights[kept] / fit.weights[kept].sum()
    tried = fit.flow_m3_s.values()
    outside = (flow < min(tried) * (1 - 1e-9)) | (flow > max(tried) * (1 + 1e-9))
    return prediction_of(weights, means, np.sqrt(variances), outside, shape)


def prediction_of(
    weights: np.ndarray, means: np.ndarray, sds: np.ndarray, outside: np.ndarray, shape: tuple
) -> Prediction:
    """Weighted normal distributions as a record, in the shape that was asked for.

    Parameters
    ----------
    weights : array (m,)
    means, sds : array (n, m)
        Of the logarithm.
    outside : array (n,)
        Whether it is extrapolated.
    shape : tuple of int
        Of what was asked; empty: one number.

    Examples
    --------
    >>> one = np.ones(1)
    >>> prediction_of(one, np.zeros((1, 1)), np.full((1, 1), 0.01), one < 0, ()).lambda_.low
    0.98059
    """

    def shaped(values):
        return values.reshape(shape) if shape else values[0].item()

    parts = weights, means, sds
    log_mean, log_sd = normal_mixture.mixture_moments(*parts)
    low, middle, high = np.exp(normal_mixture.mixture_quantile((0.025, 0.5, 0.975), *parts))
    return Prediction(
        lambda_=Interval(shaped(middle), shaped(low), shaped(high)),
        log_mean=shaped(log_mean),
        log_sd=shaped(log_sd),
        extrapolated=shaped(outside),
        weights=weights,
        means=means.reshape((*shape, -1)),
        sds=sds.reshape((*shape, -1)),
    )


def _require_listed(kind, name, known):
    if name not in known:
        raise ValueError(f"{kind} {name!r} is not in the fit, which has {', '.join(known)}")
