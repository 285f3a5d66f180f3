"""The injector ladder: one model over every full-throttle reading, all injectors and fuels.

With a fixed fuel table, ``log(lambda * stoichiometric ratio * root of density) = level -
response * log(flow) + deviation of the injector + gauge error + noise``: an injector delivers mass
in proportion to the root of the fuel's density. Further down: injectors whose readings do not go
with their stated flow, and one ladder of many days. Candidates that were not tried are in
:mod:`tuninglib.statistics.ladder_prediction`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from tuninglib.checks import require
from tuninglib.interval import Interval
from tuninglib.statistics import normal_mixture
from tuninglib.statistics.gauge_readings import prepare_readings


@dataclass(frozen=True, kw_only=True)
class Priors:
    """What is taken for granted before anything is read; standard deviations of logarithms.

    Parameters
    ----------
    response_mean, response_sd : float
        Flow response: 1 where the controller follows its fuel table, 0 where it corrects.
    tolerance : float
        Of an injector's true flow about the stated one, where the rider does not give it. New and
        used ones on sale are taken to be off by 2 to 5 % (assumed).
    tolerance_spread : float
        How far all tolerances may be off together: 0.35 is a factor of two either way (95 %).
    breathing_sd : float
        Of the breathing of one engine about another's, displacement aside.
    gauge_sd : float
        Of the gauge's error that all readings have alike.
    run_sd : float
        From run to run with nothing changed; adjusted by the repeats.
    run_dof : float
        How many repeats the guess at the noise is worth; infinite: the noise is known.

    Examples
    --------
    >>> Priors(tolerance=0.02).response_sd
    0.15
    """

    response_mean: float = 1.0
    response_sd: float = 0.15
    tolerance: float = 0.035
    tolerance_spread: float = 0.35
    breathing_sd: float = 0.05
    gauge_sd: float = 0.01
    run_sd: float = 0.01
    run_dof: float = 4.0

    def __post_init__(self):
        for name in ("tolerance", "tolerance_spread", "breathing_sd", "gauge_sd", "run_sd"):
            require(getattr(self, name), what=name, unit="", at_least=0)
        # Infinite: nothing is taken for granted of the response, the noise is known.
        for name in ("response_sd", "run_dof"):
            if getattr(self, name) != np.inf:
                require(getattr(self, name), what=name, unit="", above=0)


@dataclass(frozen=True, kw_only=True)
class LadderFit:
    """What the readings say about engine, injectors and controller.

    Parameters
    ----------
    terms : tuple of str
        The k unknowns: ``response``, ``level``, ``engine NAME``, ``injector NAME``, ``gauge``.
    weights : array (m,)
        Of the grid points over the two scales; they add up to 1.
    means, covariances : array (m, k), (m, k, k)
        Of the unknowns at each grid point.
    noise_scale, tolerance_scale : array (m,)
        Noise and tolerance over what was assumed, at each grid point.
    reading_sd : float
        Assumed standard deviation of the logarithm of a typical reading.
    reference_flow_m3_s : float
        Flow at which ``level`` holds. [m3/s]
    displacement : dict of str to float
        Of each engine, in the unit that it came in.
    reference_engine : str
        The engine whose displacement ``level`` is for.
    flow_m3_s : dict of str to float
        Of each injector tried. [m3/s]
    tolerance : dict of str to float
        Of each injector tried.
    priors : Priors
    """

    terms: tuple
    weights: np.ndarray
    means: np.ndarray
    covariances: np.ndarray
    noise_scale: np.ndarray
    tolerance_scale: np.ndarray
    reading_sd: float
    reference_flow_m3_s: float
    displacement: Mapping
    reference_engine: str
    flow_m3_s: Mapping
    tolerance: Mapping
    priors: Priors

    @property
    def mean(self) -> np.ndarray:
        """Mean of the unknowns, in the order of ``terms``."""
        return self.weights @ self.means

    @property
    def covariance(self) -> np.ndarray:
        """Covariance of the unknowns."""
        # Law of total covariance: what is not known at a grid point, plus how far the points
        # differ.
        apart = self.means - self.mean
        spread = self.covariances + apart[:, :, None] * apart[:, None, :]
        return np.tensordot(self.weights, spread, 1)

    def interval(self, term: str) -> Interval:
        """Mean and 95 % range of one of ``terms``.

        Parameters
        ----------
        term : str
        """
        at = self.terms.index(term)
        # A mixture of normals has wider ends than one normal of the same variance, hence quantiles.
        parts = self.weights, self.means[:, at], np.sqrt(self.covariances[:, at, at])
        low, high = normal_mixture.mixture_quantile((0.025, 0.975), *parts).tolist()
        return Interval(value=self.mean[at].item(), low=low, high=high)


def fit_ladder(
    *,
    lambda_low: ArrayLike,
    lambda_high: ArrayLike,
    flow_m3_s: ArrayLike,
    injector: Sequence[str] | str,
    engine: Sequence[str] | str,
    stoichiometric_ratio: ArrayLike,
    density_kg_m3: ArrayLike,
    displacement: dict[str, float],
    resolution: ArrayLike = 0.0,
    offset: ArrayLike = 0.0,
    weight: ArrayLike = 1.0,
    tolerance: dict[str, float] | None = None,
    fuel: Sequence[str] | None = None,
    fuel_sd: dict[str, float] | None = None,
    priors: Priors | None = None,
) -> LadderFit:
    """Engine, injectors and flow response from all full-throttle readings of a session.

    Parameters
    ----------
    lambda_low, lambda_high : array (n,)
        Lowest and highest lambda of each run; none pegged.
    flow_m3_s : array (n,)
        Stated or measured flow of the run's injector at the bike's fuel pressure, the same on all
        fuels, or on each fuel by :func:`tuninglib.physics.injector.flow_on_fuel`. [m3/s]
    injector, engine : sequence of str, or one for all
        Names, one for each run.
    stoichiometric_ratio, density_kg_m3 : array (n,) or float
        Of the fuel in the tank. [1], [kg/m3]
    displacement : dict of str to float
        Of each engine, in any one unit; engines without readings may be among them.
    resolution : float or array
        The last step of the gauge, as lambda.
    offset : float or array
        Logarithm of the run's air density over a common one where the controller does not
        compensate for it; 0 where it does.
    weight : float or array
        0 to 1: the variance of a reading is what is assumed of it, over this. Of
        :mod:`tuninglib.statistics.repeats`.
    tolerance : dict of str to float, or None
        Relative standard deviation of an injector's true flow about ``flow_m3_s``; small for a
        measured flow. Injectors left out have the default of ``priors``.
    fuel : sequence of str, optional
        Names, one for each run.
    fuel_sd : dict of str to float, optional
        How far what a fuel asks for may be from what ratio and density say, relative: of its
        ethanol, say. The same on all runs with it.
    priors : Priors or None

    Returns
    -------
    LadderFit

    Notes
    -----
    Linear in the unknowns, with independent normal priors; the level common to all engines has a
    flat one ([1]_, section 3.3). An engine adds the logarithm of its displacement and a breathing
    of its own; two engines differ by ``breathing_sd`` in it. The noise of a reading has the
    variance ``run_sd**2`` plus that of
    :func:`tuninglib.statistics.gauge_readings.reading_midpoint`, times a factor with a scaled
    inverse chi-square prior of ``run_dof`` degrees of freedom, which the repeats adjust; all
    tolerances have one log-normal factor. Both factors are summed over a grid.
    A deviation stands for all that one injector does alike on every run: flow, dead time, spray.

    Valid for full throttle in open loop, over moderate changes of flow (about a factor of 1.5).

    Examples
    --------
    One run on one injector says little more than its own reading:

    >>> fit = fit_ladder(lambda_low=[0.86], lambda_high=[0.88], flow_m3_s=[2.5e-6], injector="a",
    ...                  engine="stock", stoichiometric_ratio=14.3, density_kg_m3=745.0,
    ...                  displacement={"stock": 150.0})
    >>> fit.interval("response").value
    1.0

    References
    ----------
    .. [1] C. M. Bishop, Pattern Recognition and Machine Learning, Springer 2006.
    """
    priors = priors or Priors()
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
    return solve(
        # Logarithms turn the products of fuelling (flow, density, air) into a sum, and a ± of so
        # many per cent into a constant one. What is left is what the fuel table and the injector
        # do.
        observed=readings.log_lambda + readings.log_fuel - readings.offset,
        noise_sd=np.hypot(priors.run_sd, readings.relative_sd),
        flow_m3_s=readings.flow_m3_s,
        injector=readings.injector,
        engine=readings.engine,
        displacement=displacement,
        tolerance=tolerance,
        priors=priors,
        weight=weight,
        fuel=fuel,
        fuel_sd=fuel_sd,
    )


def solve(
    *,
    observed: ArrayLike,
    noise_sd: ArrayLike,
    flow_m3_s: np.ndarray,
    injector: Sequence[str],
    engine: Sequence[str],
    displacement: Mapping[str, float],
    tolerance: Mapping[str, float] | None,
    priors: Priors,
    weight: ArrayLike = 1.0,
    fuel: Sequence[str] | None = None,
    fuel_sd: Mapping[str, float] | None = None,
    day: np.ndarray | None = None,
    day_sd: float = 0.0,
    within: tuple[float, float] = (0.0, 0),
) -> LadderFit:
    """Fit of the ladder to prepared columns.

    Parameters
    ----------
    observed : array (n,)
        Logarithm of lambda times what the fuel asks for, less the known offset.
    noise_sd : array (n,)
        Of each, as assumed.
    flow_m3_s, injector, engine, displacement, tolerance, priors, weight, fuel, fuel_sd
        As in :func:`fit_ladder`, one of each per reading.
    day : array (n,), optional
        Number of the day of each, from 0.
    day_sd : float
        By how much the readings of one day are off together, as assumed; the same factor as the
        noise's makes it more or less.
    within : (float, int)
        Where columns are means of readings: the readings' squares about them, over their assumed
        variances, and how many degrees of freedom that is.

    Returns
    -------
    LadderFit

    Examples
    --------
    >>> fit = solve(observed=np.log([0.9, 0.8]), noise_sd=np.array([0.01, 0.01]),
    ...             flow_m3_s=np.array([8e-6, 9e-6]), injector=["a", "b"], engine=["x", "x"],
    ...             displacement={"x": 1.0}, tolerance=None, priors=Priors())
    >>> fit.terms
    ('response', 'level', 'injector a', 'injector b', 'gauge')
    """
    observed, noise_sd, flow_m3_s = (
        np.asarray(column, dtype=float) for column in (observed, noise_sd, flow_m3_s)
    )
    tried = list(dict.fromkeys(injector))
    unknown = sorted({*engine} - {*displacement})
    if unknown:
        raise ValueError(f"engine {unknown[0]!r} has no displacement; give it in displacement")
    require(list(displacement.values()), what="displacement", unit="", above=0)
    unknown = sorted({*(tolerance or {})} - {*tried})
    if unknown:
        raise ValueError(f"tolerance is given for injector {unknown[0]!r}, which has no reading")
    tolerances = {name: priors.tolerance for name in tried} | dict(tolerance or {})
    for name in tried:
        require(tolerances[name], what=f"tolerance of {name}", unit="", at_least=0)
    require(
        noise_sd,
        what="noise of a reading",
        unit="",
        above=0,
        remedy="give run_sd or the gauge's resolution",
    )
    require(weight, what="weight of a reading", unit="", above=0, at_most=1 + 1e-9)

    # The level is of one engine; the others stand off it by the logarithm of displacement, which is
    # known, and by their breathing, which is not.
    reference_engine = engine[0]
    engines = list(displacement) if len(displacement) > 1 else []
    own_breathing_sd = priors.breathing_sd / np.sqrt(2)  # of one engine, for that of a difference
    # (term, prior mean, prior sd, whether the sd goes with the tolerance scale). A term whose
    # prior sd is 0 is not unknown and stays out.
    table = [("response", priors.response_mean, priors.response_sd, False)]
    # Flat: nobody knows beforehand how much fuel the table gives, and one reading tells it.
    table += [("level", 0.0, np.inf, False)]
    table += [(f"engine {name}", 0.0, own_breathing_sd, False) for name in engines]
    # Its own deviation is common to all runs on an injector: more runs on it do not average it out,
    # another injector does.
    table += [(f"injector {name}", 0.0, tolerances[name], True) for name in tried]
    fuels = dict.fromkeys(fuel or ())
    table += [(f"fuel {name}", 0.0, (fuel_sd or {}).get(name, 0.0), False) for name in fuels]
    # Common to all readings: it cancels between them and stays in every true lambda.
    table += [("gauge", 0.0, priors.gauge_sd, False)]
    table = [row for row in table if row[2] > 0]
    terms, prior_mean, prior_sd, is_tolerance = (
        np.array(column) for column in zip(*table, strict=True)
    )

    # Given both scales all is linear and normal. With few repeats neither scale is known, and one
    # best value would make intervals too narrow: both are averaged over.
    noise_scale, tolerance_scale, log_weight = normal_mixture.scale_grid(
        priors.run_dof, priors.tolerance_spread if is_tolerance.any() else 0.0
    )
    # From the middle of the flows, level and response are nearly uncorrelated.
    reference_flow = float(np.exp(np.log(flow_m3_s).mean()))
    scaled_sd = prior_sd * np.where(is_tolerance, tolerance_scale[:, None], 1.0)
    # A larger engine draws more air through the same injector: leaner by its displacement. The
    # limit: breathing at full throttle is taken as independent of engine size but for its own sd.
    known = np.log([displacement[name] / displacement[reference_engine] for name in engine])
    rows = normal_mixture.few_rows(
        design_rows(
            tuple(terms), np.log(flow_m3_s / reference_flow), injector, engine, fuel, gauge=1.0
        ),
        observed - known,
        # A reading of weight w is worth w readings.
        noise_sd / np.sqrt(weight),
        group=day,
        group_sd=day_sd,
    )
    squares, more = within
    # What means of cells do not show: how far their readings scatter about them, as a chi-square
    # likelihood of the noise scale.
    misfit = -0.5 * squares / noise_scale**2 - more * np.log(noise_scale)
    means, covariances, _, log_evidence = normal_mixture.linear_posterior(
        rows.design,
        rows.observed,
        noise_scale[:, None] * np.ones(rows.observed.size),
        prior_mean,
        scaled_sd**-2.0,
    )
    # Bayes' rule on the grid: prior of the scales times evidence of the readings.
    weights = normal_mixture.normalised(
        log_weight + log_evidence + misfit - rows.left_out * np.log(noise_scale)
    )
    kept = weights > 0
    return LadderFit(
        terms=tuple(terms.tolist()),
        weights=weights[kept],
        means=means[kept],
        covariances=covariances[kept],
        noise_scale=noise_scale[kept],
        tolerance_scale=tolerance_scale[kept],
        reading_sd=float(np.sqrt(np.mean(noise_sd**2))),
        reference_flow_m3_s=reference_flow,
        displacement=dict(displacement),
        reference_engine=reference_engine,
        flow_m3_s={
            name: float(
                np.mean([q for q, at in zip(flow_m3_s, injector, strict=True) if at == name])
            )
            for name in tried
        },
        tolerance=tolerances,
        priors=priors,
    )


def design_rows(
    terms: tuple[str, ...],
    log_flow: ArrayLike,
    injector: Sequence[str | None],
    engine: Sequence[str],
    fuel: Sequence[str | None] | None = None,
    *,
    gauge: float,
) -> np.ndarray:
    """Rows of the design matrix for readings or predictions.

    Parameters
    ----------
    terms : tuple of str
    log_flow : array (n,)
        Logarithm of the flow over the reference flow.
    injector, engine : sequence of str
    fuel : sequence of str, optional
    gauge : float
        1 for what the gauge shows, 0 for the true lambda.

    Examples
    --------
    >>> design_rows(("response", "level", "gauge"), np.array([0.1]), ["a"], ["x"], gauge=1.0)
    array([[-0.1,  1. ,  1. ]])
    """
    log_flow = np.asarray(log_flow, dtype=float)
    # More flow is richer: lambda falls with the response-th power of flow.
    column = {"response": -log_flow, "level": np.ones(len(log_flow))}
    column["gauge"] = np.full(len(log_flow), gauge)
    for kind, names in (("injector", injector), ("engine", engine), ("fuel", fuel or ())):
        for name in dict.fromkeys(names):
            column[f"{kind} {name}"] = np.array([float(other == name) for other in names])
    # Terms that a row has no part in, such as other injectors, or a fuel that was never tried.
    nothing = np.zeros(len(log_flow))
    return np.stack([column.get(term, nothing) for term in terms], axis=-1)


# Doubts about what was tried ----------------------------------------------------------------------


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


def check_injectors(fit: LadderFit, *, level: float = 0.05) -> tuple[InjectorCheck, ...]:
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

    >>> from tuninglib.statistics.ladder import Priors, solve
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
        # Precisions of independent statements add: posterior less prior is what the readings say.
        gained = 1.0 / fit.covariances[:, at, at] - 1.0 / prior_variance
        # Nothing was learnt of it: a single injector cannot be told from the level.
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
        # A lean deviation means less flow than stated, hence the sign.
        parts = weight, -mean, np.sqrt(variance)
        quantiles = normal_mixture.mixture_quantile((0.025, 0.5, 0.975), *parts)
        low, value, high = (stated * np.exp(quantiles)).tolist()
        odds = float(weight @ (2 * ndtr(-np.abs(mean) / np.sqrt(spread))))
        rows.append(_row(name, stated, Interval(value=value, low=low, high=high), odds, level))
    return tuple(rows)


def suspicious_injectors(fit: LadderFit, *, level: float = 0.05) -> tuple[InjectorCheck, ...]:
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
    >>> from tuninglib.statistics.ladder import Priors, solve
    >>> flow = np.array([2.4e-6, 2.5e-6, 2.6e-6, 2.7e-6])
    >>> fit = solve(observed=-np.log(flow) + [0, 0, 0, 0.15], noise_sd=np.full(4, 0.01),
    ...             flow_m3_s=flow, injector=list("abcd"), engine=["x"] * 4,
    ...             displacement={"x": 1.0}, tolerance=None, priors=Priors())
    >>> [one.injector for one in suspicious_injectors(fit)]
    ['d']
    """
    bad = [row for row in check_injectors(fit, level=level) if not row.believable]
    return tuple(sorted(bad, key=lambda row: row.odds))


def _row(name, stated, implied, odds, level):
    return InjectorCheck(
        injector=name,
        stated_flow_m3_s=stated,
        implied_flow_m3_s=implied,
        odds=odds,
        believable=odds >= level,
    )


# The ladder of many days --------------------------------------------------------------------------


@dataclass(frozen=True)
class ReadingCell:
    """What a day's readings of one engine, injector and fuel come to.

    Attributes
    ----------
    engine, injector, fuel : str
    flow_m3_s : float
        Of the injector. [m3/s]
    log_mean : float
        Mean logarithm of lambda times what the fuel asks for, less the known offset.
    sd : float
        Of that mean, as assumed.
    squares : float
        The readings' squares about it, over their assumed variances.
    count : int
        Of readings.
    """

    engine: str
    injector: str
    fuel: str
    flow_m3_s: float
    log_mean: float
    sd: float
    squares: float
    count: int


def reading_cells(
    *,
    lambda_low: ArrayLike,
    lambda_high: ArrayLike,
    flow_m3_s: ArrayLike,
    injector: Sequence[str] | str,
    engine: Sequence[str] | str,
    fuel: Sequence[str],
    stoichiometric_ratio: ArrayLike,
    density_kg_m3: ArrayLike,
    resolution: ArrayLike = 0.0,
    offset: ArrayLike = 0.0,
    weight: ArrayLike = 1.0,
    run_sd: float | None = None,
) -> tuple[ReadingCell, ...]:
    """A day's full-throttle readings as few numbers, which say all that they say.

    Parameters
    ----------
    lambda_low, lambda_high, flow_m3_s, injector, engine, fuel, stoichiometric_ratio, \
density_kg_m3, resolution, offset, weight
        As in :func:`tuninglib.statistics.ladder.fit_ladder`.
    run_sd : float, optional
        From run to run with nothing changed; left out: that of the priors.

    Returns
    -------
    tuple of ReadingCell

    Examples
    --------
    >>> cell, = reading_cells(lambda_low=[0.86, 0.87], lambda_high=[0.88, 0.89], injector="a",
    ...                       flow_m3_s=[2.5e-6] * 2, engine="stock", fuel="e5",
    ...                       stoichiometric_ratio=14.3, density_kg_m3=745.0)
    >>> cell.count, cell.sd
    (2, 0.0078)
    """
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
    observed = readings.log_lambda + readings.log_fuel - readings.offset
    noise = np.hypot(Priors().run_sd if run_sd is None else run_sd, readings.relative_sd)
    precision = np.broadcast_to(weight, noise.shape) / noise**2
    fuels = [fuel] * len(observed) if isinstance(fuel, str) else list(fuel)
    names = list(zip(readings.engine, readings.injector, fuels, strict=True))
    found = []
    for name in dict.fromkeys(names):
        own = np.array([other == name for other in names])
        # Mean, its variance and the squares about it are all that normal readings of one kind can
        # say (sufficient statistics), so that a season need not keep the runs.
        total = float(precision[own].sum())
        mean = float(precision[own] @ observed[own] / total)
        squares = float(precision[own] @ (observed[own] - mean) ** 2)
        flow = float(np.mean(readings.flow_m3_s[own]))
        found.append(ReadingCell(*name, flow, mean, total**-0.5, squares, int(own.sum())))
    return tuple(found)


def pool_readings(
    days: Sequence[Sequence[ReadingCell]],
    *,
    displacement: dict[str, float],
    tolerance: dict[str, float],
    fuel_sd: dict[str, float],
    day_sd: float,
    priors: Priors | None = None,
) -> LadderFit:
    """The ladder of all days' readings.

    Parameters
    ----------
    days : sequence of sequence of ReadingCell
    displacement : dict of str to float
        Of each engine, in any one unit.
    tolerance, fuel_sd : dict of str to float
        Of each injector and each fuel, as in :func:`tuninglib.statistics.ladder.fit_ladder`.
    day_sd : float
        By how much the readings of one day may be off together: gauge, air and fuel of the day.
    priors : Priors, optional

    Returns
    -------
    LadderFit
        In which ``noise_scale`` is of the noise and of what days differ by alike.

    Notes
    -----
    The cost grows with the number of days: their readings end in as many rows as there are
    unknowns (:func:`tuninglib.statistics.normal_mixture.few_rows`).

    Examples
    --------
    >>> cell = ReadingCell("stock", "a", "e5", 2.5e-6, 2.5, 0.008, 1.0, 2)
    >>> fit = pool_readings([[cell]] * 3, displacement={"stock": 150.0}, tolerance={"a": 0.03},
    ...                     fuel_sd={"e5": 0.0}, day_sd=0.01)
    >>> fit.terms
    ('response', 'level', 'injector a', 'gauge')
    """
    cells = [(at, cell) for at, day in enumerate(days) for cell in day]
    if not cells:
        raise ValueError("there is no reading on any day")
    day, kept = zip(*cells, strict=True)
    return solve(
        observed=np.array([cell.log_mean for cell in kept]),
        noise_sd=np.array([cell.sd for cell in kept]),
        flow_m3_s=np.array([cell.flow_m3_s for cell in kept]),
        injector=[cell.injector for cell in kept],
        engine=[cell.engine for cell in kept],
        fuel=[cell.fuel for cell in kept],
        displacement=displacement,
        tolerance=tolerance,
        fuel_sd=fuel_sd,
        priors=priors or Priors(),
        day=np.array(day),
        day_sd=day_sd,
        within=(sum(cell.squares for cell in kept), sum(cell.count - 1 for cell in kept)),
    )
