"""The injector ladder: one model over every full-throttle reading, all injectors and fuels.

With a fixed fuel table, ``log(lambda * stoichiometric ratio * root of density) = level -
response * log(flow) + deviation of the injector + gauge error + noise``: an injector delivers mass
in proportion to the root of the fuel's density. Further down: injectors whose readings do not go
with their stated flow, and one ladder of many days. Candidates that were not tried are in
:mod:`tuninglib.statistics.ladder_prediction`.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import logsumexp, ndtr

from tuninglib.checks import require
from tuninglib.interval import Interval
from tuninglib.statistics import normal_mixture
from tuninglib.statistics.gauge_readings import Readings


@dataclass(frozen=True, kw_only=True)
class Priors:
    """What is assumed before anything is read; standard deviations of logarithms.

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
            require(getattr(self, name), name, "", at_least=0)
        # Infinite: nothing is taken for granted of the response, the noise is known.
        for name in ("response_sd", "run_dof"):
            if getattr(self, name) != np.inf:
                require(getattr(self, name), name, "", above=0)


@dataclass(frozen=True, kw_only=True)
class Parts:
    """What is stated of engines, injectors and fuels, and assumed of the rest.

    Parameters
    ----------
    displacement : dict of str to float
        Of each engine, in any one unit; engines without readings may be among them.
    tolerance : dict of str to float
        Relative standard deviation of an injector's true flow about its stated one; small for a
        measured flow. Injectors left out have the default of ``priors``.
    fuel_sd : dict of str to float
        How far what a fuel asks for may be from what ratio and density say, relative: of its
        ethanol, say. The same on all runs with it; 0 for fuels left out.
    priors : Priors

    Examples
    --------
    >>> Parts(displacement={"stock": 150.0}).priors.tolerance
    0.035
    """

    displacement: Mapping[str, float]
    tolerance: Mapping[str, float] = field(default_factory=dict)
    fuel_sd: Mapping[str, float] = field(default_factory=dict)
    priors: Priors = field(default_factory=Priors)

    def __post_init__(self):
        require(list(self.displacement.values()), "displacement", "", above=0)
        for name, value in self.tolerance.items():
            require(value, f"tolerance of {name}", "", at_least=0)

    def require_listed(self, engines: Sequence[str], injectors: Sequence[str]) -> None:
        """Refusal of an engine without a displacement, or a tolerance that nothing is read with.

        Parameters
        ----------
        engines, injectors : sequence of str
            Those of the readings.
        """
        unknown = sorted({*engines} - {*self.displacement})
        if unknown:
            raise ValueError(f"engine {unknown[0]!r} has no displacement; give it in displacement")
        unknown = sorted({*self.tolerance} - {*injectors})
        if unknown:
            said = f"tolerance is given for injector {unknown[0]!r}, which has no reading"
            raise ValueError(said)

    def tolerance_of(self, injector: str) -> float:
        """Of an injector, or the default."""
        return self.tolerance.get(injector, self.priors.tolerance)

    def deviations(
        self, injector: Iterable[str], engine: Iterable[str], fuel: Iterable[str]
    ) -> dict[str, float]:
        """Standard deviation of each injector, engine and fuel, by the name of its term."""
        # Of one engine, for the breathing of a difference. An injector's own deviation is common to
        # all runs on it: more runs do not average it out, another injector does.
        own = self.priors.breathing_sd / np.sqrt(2)
        found = {f"engine {name}": own for name in engine}
        found |= {f"injector {name}": self.tolerance_of(name) for name in injector}
        return found | {f"fuel {name}": self.fuel_sd.get(name, 0.0) for name in fuel}


@dataclass(frozen=True, kw_only=True)
class LadderRows:
    """Readings as the sums take them, or means of readings; one entry each.

    Parameters
    ----------
    observed : array (n,)
        Logarithm of lambda times what the fuel asks for, less the known offset.
    noise_sd : array (n,)
        Of each, as assumed.
    flow_m3_s : array (n,)
        [m3/s]
    injector, engine, fuel : sequence of str
    weight : float or array (n,)
        As in :class:`tuninglib.statistics.gauge_readings.Readings`.
    """

    observed: np.ndarray
    noise_sd: np.ndarray
    flow_m3_s: np.ndarray
    injector: Sequence[str]
    engine: Sequence[str]
    fuel: Sequence[str] = ()
    weight: np.ndarray = field(default_factory=lambda: np.array(1.0))

    def __post_init__(self):
        for name in ("observed", "noise_sd", "flow_m3_s", "weight"):
            object.__setattr__(self, name, np.asarray(getattr(self, name), dtype=float))
        remedy = "give run_sd or the gauge's resolution"
        require(self.noise_sd, "noise of a reading", "", above=0, remedy=remedy)
        require(self.weight, "weight of a reading", "", above=0, at_most=1 + 1e-9)


@dataclass(frozen=True, kw_only=True)
class LadderFit:
    """What the readings say about engine, injectors and ECU.

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
    log_evidence : float
        Logarithm of the density of the readings, but for a constant that is the same for the same
        setups: it weighs what is assumed about them.
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
    log_evidence: float = 0.0

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


def fit_ladder(readings: Readings, parts: Parts) -> LadderFit:
    """Engine, injectors and flow response from all full-throttle readings of a session.

    Parameters
    ----------
    readings : Readings
    parts : Parts

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

    >>> readings = Readings(lambda_low=[0.86], lambda_high=[0.88], flow_m3_s=[2.5e-6],
    ...                     injector="a", engine="stock", stoichiometric_ratio=14.3,
    ...                     density_kg_m3=745.0)
    >>> fit = fit_ladder(readings, Parts(displacement={"stock": 150.0}))
    >>> fit.interval("response").value
    1.0

    References
    ----------
    .. [1] C. M. Bishop, Pattern Recognition and Machine Learning, Springer 2006.
    """
    return solve(_rows_of(readings, parts.priors.run_sd), parts)


def _rows_of(readings: Readings, run_sd: float) -> LadderRows:
    # Logarithms turn the products of fuelling (flow, density, air) into a sum, and a ± of so many
    # per cent into a constant one. What is left is what the fuel table and the injector do.
    same = ("flow_m3_s", "injector", "engine", "fuel", "weight")
    return LadderRows(
        observed=readings.log_lambda + readings.log_fuel - readings.offset,
        noise_sd=np.hypot(run_sd, readings.relative_sd),
        **{name: getattr(readings, name) for name in same},
    )


def solve(
    rows: LadderRows,
    parts: Parts,
    *,
    day: np.ndarray | None = None,
    day_sd: float = 0.0,
    within: tuple[float, float] = (0.0, 0),
) -> LadderFit:
    """Fit of the ladder to prepared columns.

    Parameters
    ----------
    rows : LadderRows
    parts : Parts
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
    >>> rows = LadderRows(observed=np.log([0.9, 0.8]), noise_sd=[0.01, 0.01],
    ...                   flow_m3_s=[8e-6, 9e-6], injector=["a", "b"], engine=["x", "x"])
    >>> solve(rows, Parts(displacement={"x": 1.0})).terms
    ('response', 'level', 'injector a', 'injector b', 'gauge')
    """
    parts.require_listed(rows.engine, rows.injector)
    prior = _TermPriors(rows, parts)
    spread = parts.priors.tolerance_spread if prior.is_tolerance.any() else 0.0
    grid = normal_mixture.scale_grid(parts.priors.run_dof, spread)
    noise_scale, tolerance_scale, log_weight = grid
    # From the middle of the flows, level and response are nearly uncorrelated.
    reference_flow = float(np.exp(np.log(rows.flow_m3_s).mean()))
    size, reference_engine = parts.displacement, rows.engine[0]
    design = design_rows(
        prior.terms, np.log(rows.flow_m3_s / reference_flow),
        rows.injector, rows.engine, rows.fuel, gauge=1.0,
    )  # fmt: skip
    larger = np.log([size[name] / size[reference_engine] for name in rows.engine])
    noise_sd = rows.noise_sd / np.sqrt(rows.weight)
    few = normal_mixture.few_rows(
        design, rows.observed - larger, noise_sd, group=day, group_sd=day_sd
    )
    squares, more = within
    # What means of cells do not show: how far their readings scatter about them, as a chi-square
    # likelihood of the noise scale.
    misfit = -0.5 * squares / noise_scale**2 - more * np.log(noise_scale)
    noise = noise_scale[:, None] * np.ones(few.observed.size)
    prior_sd = prior.sd * np.where(prior.is_tolerance, tolerance_scale[:, None], 1.0)
    means, covariances, _, log_evidence = normal_mixture.linear_posterior(
        few.design, few.observed, noise, prior.mean, prior_sd**-2.0
    )
    # Bayes' rule on the grid: prior of the scales times evidence of the readings.
    log_weight = log_weight + log_evidence + misfit - few.left_out * np.log(noise_scale)
    weights = normal_mixture.normalised(log_weight)
    kept = weights > 0
    tried = dict.fromkeys(rows.injector)
    flows = {name: [q for q, at in zip(rows.flow_m3_s, rows.injector, strict=True) if at == name]
             for name in tried}  # fmt: skip
    return LadderFit(
        terms=prior.terms,
        weights=weights[kept],
        means=means[kept],
        covariances=covariances[kept],
        noise_scale=noise_scale[kept],
        tolerance_scale=tolerance_scale[kept],
        reading_sd=float(np.sqrt(np.mean(rows.noise_sd**2))),
        reference_flow_m3_s=reference_flow,
        displacement=dict(size),
        reference_engine=reference_engine,
        flow_m3_s={name: float(np.mean(own)) for name, own in flows.items()},
        tolerance={name: parts.tolerance_of(name) for name in tried},
        priors=parts.priors,
        log_evidence=float(logsumexp(log_weight)),
    )


class _TermPriors:
    """Of the unknowns: mean and standard deviation, and whether that goes with the tolerances."""

    def __init__(self, rows: LadderRows, parts: Parts):
        priors, size = parts.priors, parts.displacement
        # The level is flat: nobody knows beforehand how much fuel the table gives, and one reading
        # tells it. It is of one engine; the others stand off it by the logarithm of displacement,
        # which is known, and by their breathing, which is not.
        sds = {"response": priors.response_sd, "level": np.inf}
        sds |= parts.deviations(rows.injector, size if len(size) > 1 else (), rows.fuel)
        # Common to all readings: it cancels between them and stays in every true lambda.
        sds["gauge"] = priors.gauge_sd
        # A term whose prior sd is 0 is not unknown and stays out.
        self.terms = tuple(term for term, sd in sds.items() if sd > 0)
        self.sd = np.array([sds[term] for term in self.terms])
        self.mean = np.array([priors.response_mean, *np.zeros(len(self.terms) - 1)])
        self.is_tolerance = np.array([term.startswith("injector ") for term in self.terms])


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

# Odds below which a statement is not believed: the usual two standard deviations.
_BELIEVED = 0.05


@dataclass(frozen=True, kw_only=True)
class InjectorCheck:
    """What the readings say of one injector's flow, its statement set aside.

    Parameters
    ----------
    injector : str
        Its name.
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


def check_injectors(fit: LadderFit) -> tuple[InjectorCheck, ...]:
    """Each tried injector's flow by its readings, against its statement.

    Parameters
    ----------
    fit : LadderFit

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
    >>> rows = LadderRows(observed=-np.log(flow) + [0, 0, 0, 0.15], noise_sd=np.full(4, 0.01),
    ...                   flow_m3_s=flow, injector=list("abcd"), engine=["x"] * 4)
    >>> fit = solve(rows, Parts(displacement={"x": 1.0}))
    >>> [one.believable for one in check_injectors(fit)]
    [True, True, True, False]
    """
    return tuple(_check(fit, name, stated) for name, stated in fit.flow_m3_s.items())


def _check(fit, name, stated) -> InjectorCheck:
    implied, odds = _implied_flow(fit, name)
    return InjectorCheck(
        injector=name,
        stated_flow_m3_s=stated,
        implied_flow_m3_s=Interval(*(stated * implied).tolist()),
        odds=odds,
        believable=odds >= _BELIEVED,
    )


def _implied_flow(fit, name):
    """Median, low and high of an injector's flow by its readings over the stated one; the odds."""
    term = f"injector {name}"
    if term not in fit.terms:  # tolerance 0: beyond doubt by decree
        return np.ones(3), 1.0
    at = fit.terms.index(term)
    prior_variance = (fit.tolerance[name] * fit.tolerance_scale) ** 2
    # Precisions of independent statements add: posterior less prior is what the readings say.
    gained = 1.0 / fit.covariances[:, at, at] - 1.0 / prior_variance
    # Nothing was learnt of it: a single injector cannot be told from the level.
    if np.any(gained * prior_variance < 1e-9):
        return np.array([1.0, 0.0, np.inf]), 1.0
    variance = 1.0 / gained
    mean = fit.means[:, at] * variance / fit.covariances[:, at, at]
    spread = variance + prior_variance
    log_weight = np.log(fit.weights) + 0.5 * (mean**2 / spread + np.log(spread))
    weight = normal_mixture.normalised(log_weight)
    # A lean deviation means less flow than stated, hence the sign.
    parts = weight, -mean, np.sqrt(variance)
    quantiles = normal_mixture.mixture_quantile((0.5, 0.025, 0.975), *parts)
    return np.exp(quantiles), float(weight @ (2 * ndtr(-np.abs(mean) / np.sqrt(spread))))


def suspicious_injectors(fit: LadderFit) -> tuple[InjectorCheck, ...]:
    """Injectors whose readings cannot be believed with their stated flow, the worst first.

    Parameters
    ----------
    fit : LadderFit

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
    >>> rows = LadderRows(observed=-np.log(flow) + [0, 0, 0, 0.15], noise_sd=np.full(4, 0.01),
    ...                   flow_m3_s=flow, injector=list("abcd"), engine=["x"] * 4)
    >>> fit = solve(rows, Parts(displacement={"x": 1.0}))
    >>> [one.injector for one in suspicious_injectors(fit)]
    ['d']
    """
    bad = [row for row in check_injectors(fit) if not row.believable]
    return tuple(sorted(bad, key=lambda row: row.odds))


# The ladder of many days --------------------------------------------------------------------------


@dataclass(frozen=True)
class ReadingCell:
    """What a day's readings of one engine, injector and fuel come to.

    Attributes
    ----------
    engine, injector, fuel : str
        Its name.
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


def reading_cells(readings: Readings, *, run_sd: float) -> tuple[ReadingCell, ...]:
    """A day's full-throttle readings as few numbers, which say all that they say.

    Parameters
    ----------
    readings : Readings
    run_sd : float
        From run to run with nothing changed.

    Returns
    -------
    tuple of ReadingCell

    Examples
    --------
    >>> readings = Readings(lambda_low=[0.86, 0.87], lambda_high=[0.88, 0.89], injector="a",
    ...                     flow_m3_s=2.5e-6, engine="stock", fuel="e5",
    ...                     stoichiometric_ratio=14.3, density_kg_m3=745.0)
    >>> cell, = reading_cells(readings, run_sd=0.01)
    >>> cell.count, cell.sd
    (2, 0.0078)
    """
    rows = _rows_of(readings, run_sd)
    precision = rows.weight / rows.noise_sd**2
    names = list(zip(rows.engine, rows.injector, rows.fuel, strict=True))
    found = []
    for name in dict.fromkeys(names):
        own = np.array([other == name for other in names])
        # Mean, its variance and the squares about it are all that normal readings of one kind can
        # say (sufficient statistics), so that a season need not keep the runs.
        total = float(precision[own].sum())
        mean = float(precision[own] @ rows.observed[own] / total)
        squares = float(precision[own] @ (rows.observed[own] - mean) ** 2)
        flow = float(np.mean(rows.flow_m3_s[own]))
        found.append(ReadingCell(*name, flow, mean, total**-0.5, squares, int(own.sum())))
    return tuple(found)


def pool_readings(
    days: Sequence[Sequence[ReadingCell]], parts: Parts, *, day_sd: float
) -> LadderFit:
    """The ladder of all days' readings.

    Parameters
    ----------
    days : sequence of sequence of ReadingCell
    parts : Parts
    day_sd : float
        By how much the readings of one day may be off together: gauge, air and fuel of the day.

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
    >>> parts = Parts(displacement={"stock": 150.0}, tolerance={"a": 0.03})
    >>> pool_readings([[cell]] * 3, parts, day_sd=0.01).terms
    ('response', 'level', 'injector a', 'gauge')
    """
    cells = [(at, cell) for at, day in enumerate(days) for cell in day]
    if not cells:
        raise ValueError("there is no reading on any day")
    day, kept = zip(*cells, strict=True)
    observed, sd, flow = np.array([(one.log_mean, one.sd, one.flow_m3_s) for one in kept]).T
    engine, injector, fuel = zip(*((x.engine, x.injector, x.fuel) for x in kept), strict=True)
    rows = LadderRows(
        observed=observed, noise_sd=sd, flow_m3_s=flow, injector=injector, engine=engine, fuel=fuel
    )
    within = sum(cell.squares for cell in kept), sum(cell.count - 1 for cell in kept)
    return solve(rows, parts, day=np.array(day), day_sd=day_sd, within=within)
