"""Bikes of one kind pooled: what their readings say of a bike that nobody has read yet.

``log(lambda * what the fuel asks for / displacement) = level - response * log(flow)``, displacement
and flow over those that the maker delivered. All bikes of a kind share level and response, what a
kit breathes and what a seller's injectors truly flow; each bike, cylinder, injector, fuel and gauge
has something of its own. How far bikes differ is what the bikes tell.
"""

import copy
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import expit, logit

from tuninglib.checks import require
from tuninglib.statistics import normal_mixture
from tuninglib.statistics.ladder import Priors
from tuninglib.statistics.ladder_prediction import Prediction, prediction_of

# Before anything is read. Standard deviations of logarithms; where nothing else is said, ours.
# Bikes of one model: pump pressure, valve lash, sensors, air filter put 95 of 100 within 5 %.
_BIKE_SD = 0.025
# One cylinder against another of the same kit; one ECU's response against another's.
_CYLINDER_SD, _RESPONSE_SD = 0.012, 0.04
# How much is known of these spreads beforehand: as much as from so many bikes.
_SPREAD_DOF = 8.0
# How far all tolerances may be off together, as in the ladder of one bike.
_TOLERANCE_SPREAD = Priors().tolerance_spread
# Of an injector's tolerance so much of the variance is the seller's, alike on all of one stated
# flow: of 7 % that leaves 3.5 % from one to the next (common practice: sets match within 2 to 4 %).
_SELLERS_SHARE = 0.75
# One bike in twelve is off by an eighth, and so are its cylinder and each of its injectors: a wrong
# number was typed, or a gauge's scale misread.
_ODD_CHANCE, _ODD_SD = 0.08, 0.12
_ROUNDS = 8


@dataclass(frozen=True, kw_only=True)
class Cell:
    """What a bike's readings of one engine, injector and fuel come to, or a question about them.

    Attributes
    ----------
    kit : str
        Which cylinder; the same text, the same kit. Empty: as its maker delivered it.
    injector : str
        What it is sold as; the same text, the same seller's number.
    fuel : str
    log_flow : float
        Logarithm of its flow over that of the injector that the maker delivered.
    log_level : float
        Logarithm of lambda times what the fuel asks for, over displacement; not of a question.
    sd : float
        Of that, by the scatter of its own readings; of a question, what widens it alone.
    tolerance_sd, fuel_sd : float
        How far flow and fuel may be off what is stated.
    """

    kit: str = ""
    injector: str = ""
    fuel: str = ""
    log_flow: float = 0.0
    log_level: float = 0.0
    sd: float = 0.0
    tolerance_sd: float = 0.0
    fuel_sd: float = 0.0


@dataclass(frozen=True, kw_only=True)
class BikeCells:
    """One bike's cells.

    Attributes
    ----------
    cells : tuple of Cell
    shared_sd : float
        What all of them may be off by together: its gauge, the day, how far the bike is of another
        kind than the one that is asked about.
    """

    cells: tuple[Cell, ...]
    shared_sd: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Before:
    """What is assumed of the kind of bike before any is read: means, standard deviations.

    Attributes
    ----------
    level, level_sd : float
    response, response_sd : float
        1: lambda follows flow as the fuel table has it.
    kit_sd : float
        Of a kit's breathing, displacement aside.
    bike_sd : float
        How far bikes differ.
    """

    level: float = 0.0
    level_sd: float = 0.07
    response: float = 1.0
    response_sd: float = 0.15
    kit_sd: float = 0.05
    bike_sd: float = _BIKE_SD

    def __post_init__(self):
        for name in ("level_sd", "response_sd", "kit_sd", "bike_sd"):
            require(getattr(self, name), what=name, unit="", above=0)


@dataclass(frozen=True, kw_only=True)
class ByOthers:
    """What all other bikes say of one.

    Attributes
    ----------
    odd : float
        Chance that it is off by what no spread of bikes explains.
    held : tuple of bool
        Of each cell whether the others' 95 % interval of its reading holds it.
    off : float
        Its readings over what the others say, on average, less 1.
    """

    odd: float
    held: tuple[bool, ...]
    off: float


@dataclass(frozen=True, kw_only=True)
class Pooled:
    """A kind of bike, as far as some of it tell.

    Attributes
    ----------
    terms : tuple of str
        What all bikes share: ``level``, ``response``, ``kit NAME``, ``injector NAME``.
    weights : array (m,)
        Of the grid points over the two scales; they add up to 1.
    means, covariances : array (m, p), (m, p, p)
        Of the terms.
    bike_scale, tolerance_scale : array (m,)
        Spreads between bikes, and of injectors, over what was assumed.
    others : tuple of ByOthers
        Of each bike.
    before : Before
    """

    terms: tuple[str, ...]
    weights: np.ndarray = field(repr=False)
    means: np.ndarray = field(repr=False)
    covariances: np.ndarray = field(repr=False)
    bike_scale: np.ndarray = field(repr=False)
    tolerance_scale: np.ndarray = field(repr=False)
    others: tuple[ByOthers, ...]
    before: Before

    def of_one_more(
        self, cells: Sequence[Cell], shared_sd: float = 0.0
    ) -> tuple[np.ndarray, np.ndarray]:
        """Levels of one more bike of the kind, all of them together.

        Parameters
        ----------
        cells : sequence of Cell
        shared_sd : float
            As in :class:`BikeCells`.

        Returns
        -------
        means, covariances : array (m, n), (m, n, n)
            At each point of the grid.
        """
        rows = _rows(cells, self.terms)
        own = _Own(cells, shared_sd, self.before, self.terms)
        own_part = own.covariance(self.bike_scale, self.tolerance_scale)
        return self.means @ rows.T, rows @ self.covariances @ rows.T + own_part

    def predict(self, cells: Sequence[Cell], shared_sd: float = 0.0) -> Prediction:
        """The exponential of each level, with its interval; of all the cells side by side.

        Parameters
        ----------
        cells : sequence of Cell
        shared_sd : float

        Returns
        -------
        tuninglib.statistics.ladder_prediction.Prediction
        """
        means, covariances = self.of_one_more(cells, shared_sd)
        sds = np.sqrt(np.diagonal(covariances, axis1=1, axis2=2))
        near = np.zeros(len(cells), dtype=bool)
        return prediction_of(self.weights, means.T, sds.T, near, near.shape)

    @property
    def bike_sd(self) -> float:
        """How far bikes of the kind differ in level, as their readings have it."""
        return float(self.before.bike_sd * (self.weights @ self.bike_scale))


def pool_bikes(bikes: Sequence[BikeCells], before: Before, asked: Sequence[Cell] = ()) -> Pooled:
    """What bikes of one kind say together, and what the others say of each.

    Parameters
    ----------
    bikes : sequence of BikeCells
        Of one kind, as far as they are; each with a cell or more. None: what is assumed.
    before : Before
    asked : sequence of Cell
        What will be asked about.

    Returns
    -------
    Pooled

    Notes
    -----
    Given the scales of the spreads it is a linear mixed model [1]_: a bike's own deviations are
    summed out of its few cells, and what is left of each bike is a sum over the shared terms, so
    that the cost grows with the number of bikes. A cylinder or a seller's number that one bike has
    alone, and nobody asks about, stays with that bike. The scales are summed over a grid. A bike is
    regular or odd; the chance of the latter follows from what the others predict of its cells, and
    each counts by that chance (mean-field, [2]_ section 10.1, some rounds).

    Examples
    --------
    Five bikes, one of them off:

    >>> levels = (0.01, 0.0, -0.01, 0.0, 0.35)
    >>> bikes = [BikeCells(cells=(Cell(log_level=y, sd=0.01),)) for y in levels]
    >>> found = pool_bikes(bikes, Before())
    >>> [round(one.odd, 1) for one in found.others]
    [0.0, 0.0, 0.0, 0.0, 1.0]
    >>> round(float(found.predict([Cell()]).lambda_.value[0]), 2)
    1.0

    References
    ----------
    .. [1] C. M. Bishop, Pattern Recognition and Machine Learning, Springer 2006, section 3.3.
    .. [2] The same, chapter 10.
    """
    # Each question is one more that has a part.
    having = [one.cells for one in bikes] + [(one,) for one in asked]
    kits = _of_several({f"kit {one.kit}" for one in own if one.kit} for own in having)
    sold = _of_several(
        # What is exactly as stated is no unknown.
        {f"injector {one.injector}" for one in own if one.tolerance_sd > 0}
        for own in having
    )
    terms = ("level", "response", *kits, *sold)
    tolerance = [
        np.mean([c.tolerance_sd for own in having for c in own if f"injector {c.injector}" == name])
        for name in sold
    ]
    grid = normal_mixture.scale_grid(
        _SPREAD_DOF, 0.35 if any(c.tolerance_sd for own in having for c in own) else 0.0
    )
    bike_scale, tolerance_scale, log_weight = grid
    prior = np.zeros((log_weight.size, len(terms)))
    prior[:, 0], prior[:, 1] = before.level_sd**-2, before.response_sd**-2
    prior[:, 2 : 2 + len(kits)] = before.kit_sd**-2
    sellers = _SELLERS_SHARE * np.array(tolerance) ** 2
    prior[:, 2 + len(kits) :] = 1 / (sellers * tolerance_scale[:, None] ** 2)
    start = np.zeros(len(terms))
    start[:2] = before.level, before.response
    said = [_Said(one, terms, before, bike_scale, tolerance_scale) for one in bikes]
    whole = _Sum(prior, start, log_weight)
    odd = np.full(len(bikes), _ODD_CHANCE)
    for _ in range(_ROUNDS if len(bikes) > 1 else 0):
        together = whole.plus(said, odd)
        found = np.array([
            one.odds_of_odd(together.less(one, at)) for one, at in zip(said, odd, strict=True)
        ])  # fmt: skip
        settled = np.abs(found - odd).max() < 1e-3
        odd = found
        if settled:
            break
    together = whole.plus(said, odd)
    weights, means, covariances = together.solved()
    return Pooled(
        terms=terms,
        weights=weights,
        means=means,
        covariances=covariances,
        bike_scale=bike_scale,
        tolerance_scale=tolerance_scale,
        others=tuple(
            ByOthers(odd=float(at), **one.beside(together.less(one, at)))
            for one, at in zip(said, odd, strict=True)
        ),
        before=before,
    )


def _of_several(having) -> list:
    """Names that more than one has, in their order."""
    count = Counter(name for own in having for name in sorted(own))
    return [name for name, times in count.items() if times > 1]


def _rows(cells, terms) -> np.ndarray:
    """How the levels follow the shared terms."""
    rows = np.zeros((len(cells), len(terms)))
    for row, one in zip(rows, cells, strict=True):
        row[0], row[1] = 1.0, -one.log_flow
        for name in (f"kit {one.kit}", f"injector {one.injector}"):
            if name in terms:
                row[terms.index(name)] = 1.0
    return rows


class _Own:
    """What a bike has of its own, which moves its cells together."""

    def __init__(self, cells, shared_sd, before, terms):
        self.before = before
        log_flow, tolerance, fuel = (
            np.array([getattr(one, name) for one in cells])
            for name in ("log_flow", "tolerance_sd", "fuel_sd")
        )
        same_kit, self.same_injector, same_fuel = (
            np.array([[getattr(a, name) == getattr(b, name) for b in cells] for a in cells], float)
            for name in ("kit", "injector", "fuel")
        )
        self.same_kit = same_kit * [bool(one.kit) for one in cells]
        self.response = np.outer(log_flow, log_flow) * _RESPONSE_SD**2
        # A cylinder or a seller's number that it has alone is as unknown as it was before.
        alone = np.array([f"injector {one.injector}" not in terms for one in cells])
        share = 1 - _SELLERS_SHARE * ~alone
        self.unit = self.same_injector * np.outer(tolerance, tolerance) * share
        new = np.array([f"kit {one.kit}" not in terms for one in cells])
        self.fixed = (
            shared_sd**2
            + same_fuel * np.outer(fuel, fuel)
            + self.same_kit * new * before.kit_sd**2
            + np.diag([one.sd**2 for one in cells])
        )

    def covariance(self, bike_scale, tolerance_scale) -> np.ndarray:
        bikes = self.before.bike_sd**2 + self.same_kit * _CYLINDER_SD**2 + self.response
        scales = bike_scale[:, None, None] ** 2, tolerance_scale[:, None, None] ** 2
        return scales[0] * bikes + scales[1] * self.unit + self.fixed


class _Sum:
    """Precision, right side and logarithm of evidence, over the grid; bikes add to it."""

    def __init__(self, prior, start, log_weight):
        self.precision = prior[:, :, None] * np.eye(start.size)
        self.right = prior * start
        self.log = log_weight + 0.5 * np.log(prior).sum(1) - 0.5 * (prior * start**2).sum(1)

    def plus(self, said, odd, sign=1.0) -> "_Sum":
        total = copy.deepcopy(self)
        for one, chance in zip(said, odd, strict=True):
            at = one.columns
            for share, (precision, right, log) in zip((1 - chance, chance), one.parts, strict=True):
                total.precision[:, at[:, None], at] += sign * share * precision
                total.right[:, at] += sign * share * right
                total.log += sign * share * log
        return total

    def less(self, said, odd) -> "_Sum":
        return self.plus([said], [odd], sign=-1.0)

    def solved(self) -> tuple:
        """Weights of the grid, and the terms' means and covariances at its points."""
        covariance = np.linalg.inv(self.precision)
        mean = (covariance @ self.right[..., None])[..., 0]
        log = self.log - 0.5 * np.linalg.slogdet(self.precision)[1]
        log = log + 0.5 * (self.right * mean).sum(1)
        return normal_mixture.normalised(log), mean, covariance


class _Said:
    """What one bike says of the shared terms, if it is regular and if it is odd."""

    def __init__(self, bike, terms, before, bike_scale, tolerance_scale):
        rows = _rows(bike.cells, terms)
        self.columns = np.flatnonzero((rows != 0).any(0))
        self.rows = rows[:, self.columns]
        self.observed = np.array([one.log_level for one in bike.cells])
        own = _Own(bike.cells, bike.shared_sd, before, terms)
        regular = own.covariance(bike_scale, tolerance_scale)
        self.covariances = regular, regular + _ODD_SD**2 * (1 + own.same_kit + own.same_injector)
        self.parts = [self._part(one) for one in self.covariances]

    def _part(self, covariance) -> tuple:
        precision, y = np.linalg.inv(covariance), self.observed
        turned = self.rows.T @ precision
        log = -0.5 * (np.linalg.slogdet(covariance)[1] + precision @ y @ y)
        return turned @ self.rows, turned @ y, log

    def _by_others(self, others):
        weights, means, covariances = others.solved()
        at = self.columns
        shared = self.rows @ covariances[:, at[:, None], at] @ self.rows.T
        return weights, means[:, at] @ self.rows.T, shared

    def odds_of_odd(self, others) -> float:
        """By how the others' predictions of its readings fit, if it is regular and if it is odd."""
        weights, means, shared = self._by_others(others)
        miss = self.observed - means
        log = []
        for covariance in self.covariances:
            spread = shared + covariance
            turned = np.linalg.solve(spread, miss[..., None])[..., 0]
            each = -0.5 * np.linalg.slogdet(spread)[1] - 0.5 * (miss * turned).sum(1)
            log.append(np.logaddexp.reduce(np.log(weights + 1e-300) + each))
        return float(expit(logit(_ODD_CHANCE) + log[1] - log[0]))

    def beside(self, others) -> dict:
        weights, means, shared = self._by_others(others)
        sds = np.sqrt(np.diagonal(shared + self.covariances[0], axis1=1, axis2=2))
        low, high = normal_mixture.mixture_quantile((0.025, 0.975), weights, means.T, sds.T)
        off = float(np.expm1((self.observed - weights @ means).mean()))
        held = (low <= self.observed) & (self.observed <= high)
        return {"held": tuple(held.tolist()), "off": off}
