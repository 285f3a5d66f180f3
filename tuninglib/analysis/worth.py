"""What each combination is worth to the rider, in per cent of pull.

A combination of engine, injector and fuel is worth its gain over the reference, less the harm that
its mixture is expected to do beyond the band. Both are known within limits only: gains by the runs
and by what is usual of engines, mixtures by the gauge. What a change is worth is the mean, over
what may be true, of the better of it and today's ride, since the gauge will tell which it is.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from scipy.special import ndtr, ndtri

from tuninglib.interval import Z_95, Interval
from tuninglib.session.defaults import Band
from tuninglib.statistics.gain import Gain
from tuninglib.statistics.ladder_prediction import expected_excess
from tuninglib.statistics.population import BREATHING_SD, MIXTURE_SD

# What counts how much -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Weights:
    """What a hundredth of lambda is worth, in per cent of pull.

    Attributes
    ----------
    lean : float
        Beyond the lean edge: a piston is at stake, so it outweighs any gain of power there.
    rich : float
        Beyond the rich edge: fuel, a sooty plug and some power.
    cooler : float
        Richer than the lean edge but still inside: a credit, where minutes of full load heat an
        engine that the moving air cools.
    """

    lean: float
    rich: float
    cooler: float


@dataclass(frozen=True, kw_only=True)
class Terms:
    """What a session states that its advice goes by.

    Attributes
    ----------
    reference : str
        The setup that gains are counted from.
    burnt : tuple of str
        Fuels that may be in the tank and are allowed, the leanest first.
    bigger : tuple of str
        Engines of more displacement than the reference's.
    band : Band
        Of lambda, that the advice is for.
    weights : Weights
        What a hundredth of lambda is worth to the rider.
    gauge_sd : float
        Of the gauge's error that all readings share, relative.
    run_sd : float
        Of one run's wheel force, in per cent.
    """

    reference: str
    burnt: tuple[str, ...]
    bigger: tuple[str, ...]
    band: Band
    weights: Weights
    gauge_sd: float = 0.01
    run_sd: float = 3.0


# By what the rider wants. All ours; a lean mixture is as bad to everybody.
WEIGHTS = {
    "pull first": Weights(lean=2.0, rich=0.03, cooler=0.0),
    "balanced": Weights(lean=2.0, rich=0.30, cooler=0.0),
    "cool first": Weights(lean=2.0, rich=0.10, cooler=0.10),
}
# On long climbs the cooler one gains, whatever is wanted.
COOLER_ON_CLIMBS = 0.10
# A mixture that nobody read, beside others that were.
UNREAD = 1.0
# A fuel that will be burnt and must not be with what is fitted.
NOT_ON_THIS_FUEL = 3.0
# A first purchase is a trial with an eye on the gauge, not a ride without one: up to this chance
# of being leaner than the band.
TRIAL = 0.30
# Below this chance of the band on any of the fuels an injector is no answer, only the nearest of
# those listed; and an even chance.
LIKELY, EVEN = 0.2, 0.5
# Worths nearer than this are the same; and a change that gains less is not worth the work.
SAME, WORTH_THE_WORK = 0.2, 0.5


def weights_of(wanted: str, *, climbs: bool) -> Weights:
    """Weights for what the rider wants.

    Parameters
    ----------
    wanted : str
        A key of ``WEIGHTS``.
    climbs : bool
        Whether minutes of full load on an air-cooled engine are to be expected.
    """
    found = WEIGHTS[wanted]
    return Weights(found.lean, found.rich, max(found.cooler, COOLER_ON_CLIMBS * climbs))


def harm_of(lambda_: Interval, band: Band, weights: Weights) -> float:
    """Expected harm of a mixture, less the credit for running cooler; in per cent of pull.

    Parameters
    ----------
    lambda_ : Interval
    band : Band
    weights : Weights

    Examples
    --------
    >>> exact = Interval(0.92, 0.92, 0.92)
    >>> harm_of(exact, Band(0.83, 0.90, 0.90), WEIGHTS["balanced"])
    4.0
    >>> harm_of(Interval(0.80, 0.80, 0.80), Band(0.83, 0.90, 0.90), WEIGHTS["balanced"])
    0.9
    """
    mean, sd = lambda_.value, lambda_.half_width / Z_95
    lean = expected_excess(mean - band.highest, sd)
    rich = expected_excess(band.lowest - mean, sd)
    # Inside, from the lean edge to the rich one, and no further.
    cooler = expected_excess(band.highest - mean, sd) - rich
    return 100 * (weights.lean * lean + weights.rich * rich - weights.cooler * cooler)


# Gains, by the runs and by what is usual ----------------------------------------------------------


@dataclass(frozen=True)
class Gains:
    """Logarithms of wheel force over the reference's, all of them together.

    Attributes
    ----------
    at : dict
        A setup that was ridden, or ``("engine", name)`` for one of an engine that was not, to its
        place in the rest.
    mean : array (n,)
    covariance : array (n, n)
    """

    at: Mapping
    mean: np.ndarray
    covariance: np.ndarray

    def place(self, setup: str | None, engine: str) -> int:
        """Of a setup, or of one on an engine that was not ridden."""
        return self.at.get(setup, self.at["engine", engine])

    def percent(self, setup: str | None, engine: str) -> float:
        """Expected gain over the reference, in per cent."""
        return 100 * float(np.expm1(self.mean[self.place(setup, engine)]))

    def apart(self, *both: tuple[str | None, str]) -> tuple[float, float]:
        """Mean and standard deviation of one setup and engine over another, in per cent."""
        one, other = (self.place(*own) for own in both)
        difference = self.mean[one] - self.mean[other]
        spread = self.covariance[one, one] + self.covariance[other, other]
        variance = max(spread - 2 * self.covariance[one, other], 0.0)
        return 100 * float(np.expm1(difference)), 100 * float(np.sqrt(variance))


def gains_of(
    engine_of: Mapping[str, str],
    displacement_m3: Mapping[str, float],
    gains: Mapping[str, Gain | None],
    pairs: Sequence[Gain],
    reference: str,
) -> Gains:
    """What runs and displacement say together of how every setup pulls.

    Parameters
    ----------
    engine_of : dict of str to str
        Setup to engine, the reference among them.
    displacement_m3 : dict of str to float
        Of every engine.
    gains : dict of str to Gain or None
        Of the setups with speeds over the reference, which has None; empty without speeds.
    pairs : sequence of Gain
        Of all pairs of those setups.
    reference : str

    Returns
    -------
    Gains

    Notes
    -----
    Before a run an engine is expected to pull by its displacement, with
    ``population.BREATHING_SD`` of its own, and its setups to differ by ``population.MIXTURE_SD``.
    The runs then say what they say: a normal prior and normal data ([1]_, section 2.3.3). It is for
    choosing only; the gains that the report shows are those of the runs alone.

    References
    ----------
    .. [1] C. M. Bishop, Pattern Recognition and Machine Learning, Springer 2006.
    """
    engines, setups = list(displacement_m3), list(engine_of)
    # Unknowns: the breathing of each engine, then what each setup has of its own, then what one
    # that nobody rode yet would have.
    k, n = len(engines), len(setups)
    sds = np.array([BREATHING_SD] * k + [MIXTURE_SD] * (n + k))
    rows = np.zeros((n + k, len(sds)))
    size = np.zeros(n + k)
    for place, name in enumerate([*(engine_of[s] for s in setups), *engines]):
        rows[place, engines.index(name)] = 1.0
        rows[place, k + place] = 1.0
        size[place] = np.log(displacement_m3[name])
    zero = setups.index(reference)
    rows, size = rows - rows[zero], size - size[zero]
    # The engine of the reference breathes as it does: others are counted from it.
    mean, covariance = size, (rows * sds**2) @ rows.T
    at: dict[str | tuple[str, str], int] = {name: place for place, name in enumerate(setups)}
    at |= {("engine", name): n + place for place, name in enumerate(engines)}
    known = {s: gain for s, gain in gains.items() if gain is not None and not gain.doubted}
    read = [s for s in setups if s in known]
    if read:
        seen = [at[s] for s in read]
        said = np.array([np.log1p(known[s].ratio.value) for s in read])
        noise = _covariance(read, known, pairs)
        gain = covariance[:, seen] @ np.linalg.inv(covariance[np.ix_(seen, seen)] + noise)
        mean = mean + gain @ (said - mean[seen])
        covariance = covariance - gain @ covariance[seen]
    return Gains(at, mean, covariance)


def _covariance(setups, gains, pairs):
    """Of gains over one reference, from how well each and each pair is known."""
    apart = {frozenset((p.setup, p.over)): p.log_sd**2 for p in pairs}
    own = np.array([gains[s].log_sd ** 2 for s in setups])
    found = np.diag(own)
    for i, one in enumerate(setups):
        for j, other in enumerate(setups[:i]):
            both = own[i] + own[j] - apart.get(frozenset((one, other)), own[i] + own[j])
            found[i, j] = found[j, i] = both / 2
    return found


# What may be true, and what a change is worth -----------------------------------------------------

# Steps of an additive recurrence in three dimensions, by the root of x**4 = x + 1: points that fill
# the space evenly, the same every time. The gauge's error, and what each mixture has of its own.
_ROOT = 1.2207440846057596
_COUNT = 2048
_STATES = ndtri((0.5 + np.outer(np.arange(1, _COUNT + 1), _ROOT ** -np.arange(1.0, 4))) % 1)


class KnownMixture(NamedTuple):
    """A mixture on one fuel, as far as it is known.

    Attributes
    ----------
    lambda_ : Interval or None
        None: not at all.
    shut : bool
        Whether it must not be ridden on this fuel.
    """

    lambda_: Interval | None
    shut: bool = False


def value_of_trying(
    other: Sequence[KnownMixture],
    today: Sequence[KnownMixture],
    *,
    stronger: float,
    gauge_sd: float,
    band: Band,
    weights: Weights,
) -> float:
    """What it is worth to fit another injector, look at the gauge, and keep the better one.

    Parameters
    ----------
    other, today : sequence of KnownMixture
        On each fuel that will be burnt.
    stronger : float
        Expected pull of the other over today's, in per cent; the gauge tells nothing of it.
    gauge_sd : float
        By how much the gauge may be off, which all mixtures share.
    band : Band
    weights : Weights

    Returns
    -------
    float
        Per cent of pull; never below zero.
    """
    common, own, todays = _STATES.T
    found = [
        _worth(a, common, own, gauge_sd, band, weights)
        - _worth(b, common, todays, gauge_sd, band, weights)
        for a, b in zip(other, today, strict=True)
    ]
    return float(np.maximum(sum(found) / len(found) + stronger, 0.0).mean())


# A flow that was measured with a beaker and a clock is known to ± 2 % (ours).
MEASURED_FLOW_SD = 0.02 / Z_95
# What a bench may show, in standard deviations, each as likely: what may be tried begins at a step,
# which a few nodes of high order miss by a third.
_SHOWN = ndtri((np.arange(51) + 0.5) / 51)


def value_of_measuring(
    other: Sequence[KnownMixture],
    today: Sequence[KnownMixture],
    *,
    flow_sd: float,
    stronger: float,
    gauge_sd: float,
    band: Band,
    weights: Weights,
) -> float:
    """What it is worth to measure an injector's flow, and to try it only if it may then be tried.

    Parameters
    ----------
    other : sequence of KnownMixture
        On each fuel that will be burnt; shut only by what a flow cannot change.
    today, stronger, gauge_sd, band, weights
        As of :func:`value_of_trying`.
    flow_sd : float
        Of its flow as stated, relative; a part of what is not known of the mixtures.

    Returns
    -------
    float
        Per cent of pull; never below zero.

    Notes
    -----
    As of :func:`value_of_runs`: what will be known scatters about today's mean by what the bench
    takes from the variance.

    Examples
    --------
    Too lean to be tried with a chance of four in ten, and what is ridden is far too rich:

    >>> mixture = KnownMixture(Interval(0.885, 0.80, 0.97))
    >>> rich = KnownMixture(Interval(0.74, 0.72, 0.76))
    >>> terms = {"stronger": 0.0, "gauge_sd": 0.01, "band": Band(0.83, 0.90, 0.90),
    ...          "weights": WEIGHTS["balanced"]}
    >>> round(value_of_measuring([mixture], [rich], flow_sd=0.036, **terms), 1)
    1.1
    """
    # Readings may say more of a flow than what is stated of it.
    flow_sd = min([flow_sd, *(_ratio_sd(one.lambda_) for one in other if one.lambda_ is not None)])
    moves = float(np.sqrt(max(flow_sd**2 - MEASURED_FLOW_SD**2, 0.0)))
    terms: dict[str, Any] = {"gauge_sd": gauge_sd, "band": band, "weights": weights}
    found = 0.0
    for z in _SHOWN:
        then = [_measured(one, z * moves, moves, band) for one in other]
        if not all(one.shut for one in then):
            found += value_of_trying(then, today, stronger=stronger, **terms)
    return found / len(_SHOWN)


def _measured(known, shift, moves, band) -> KnownMixture:
    """What a mixture would be known to be, if the bench showed that much less flow."""
    if known.lambda_ is None or known.shut:
        return KnownMixture(known.lambda_, shut=True)
    mean = known.lambda_.value * np.exp(shift)
    sd = mean * np.sqrt(_ratio_sd(known.lambda_) ** 2 - moves**2)
    shut = ndtr((mean - band.highest) / sd) > TRIAL
    return KnownMixture(Interval(mean, mean - Z_95 * sd, mean + Z_95 * sd), shut=bool(shut))


def _ratio_sd(lambda_) -> float:
    return lambda_.half_width / Z_95 / lambda_.value


def _worth(known, common, own, gauge_sd, band, weights):
    """Less the harm of a mixture in each state."""
    if known.shut:
        return -NOT_ON_THIS_FUEL
    if known.lambda_ is None:
        return -UNREAD
    sd = _ratio_sd(known.lambda_)
    rest = np.sqrt(max(sd**2 - gauge_sd**2, 0.0))
    lambda_ = known.lambda_.value * np.exp(min(sd, gauge_sd) * common + rest * own)
    lean = np.maximum(lambda_ - band.highest, 0.0)
    rich = np.maximum(band.lowest - lambda_, 0.0)
    cooler = np.clip(band.highest - lambda_, 0.0, band.highest - band.lowest)
    return -100 * (weights.lean * lean + weights.rich * rich - weights.cooler * cooler)


def value_of_runs(apart: tuple[float, float], *, harm: float, run_sd: float, runs: int) -> float:
    """What more runs of two setups are worth: that the other may turn out to be the better one.

    Parameters
    ----------
    apart : (float, float)
        Mean and standard deviation of the other's pull over that of what would be ridden, in per
        cent.
    harm : float
        By how much more harm the other's mixture does, in per cent.
    run_sd : float
        Scatter of one run, in per cent.
    runs : int
        More runs of each.

    Notes
    -----
    The mean of what will be known then scatters about today's by what the runs take from the
    variance ([1]_, chapter 5: expected value of sample information).

    References
    ----------
    .. [1] H. Raiffa, R. Schlaifer, Applied Statistical Decision Theory, Harvard 1961.

    Examples
    --------
    Two that nobody can tell apart, known to 3 %, after four more runs of each that scatter by 3 %:

    >>> round(value_of_runs((0.0, 3.0), harm=0.0, run_sd=3.0, runs=4), 2)
    0.98
    """
    mean, sd = apart[0] - harm, apart[1]
    noise = run_sd**2 * 2 / runs
    moves = sd**2 / np.sqrt(sd**2 + noise) if sd > 0 else 0.0
    return float(expected_excess(mean, moves))
