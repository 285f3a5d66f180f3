"""Combinations of engine, injector and fuel: what is known of each, and what shuts it.

Advice is about a combination, never about an injector alone: the same injector on another fuel or
another engine is another combination. What is known of one, ridden or predicted, stands in one
record, so that the same chance stands wherever it is spoken of. Gates are what is never advised,
whatever it gained: knock, heat, mixture, fuel limits, open time. Beside them stand the limits at
which a test run is ended at once.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from types import SimpleNamespace

from tuninglib.analysis.injector import HIGHEST_SHARE, open_time_share
from tuninglib.analysis.mixture import candidate_of, flow_on_bike, fuel_terms, readings_of
from tuninglib.analysis.records import FuelLimit, Knock, Mixture
from tuninglib.interval import Interval
from tuninglib.physics.fuels import Octane, known_higher
from tuninglib.session.defaults import Band, band_of
from tuninglib.session.load import Session
from tuninglib.session.read_table import LOUD
from tuninglib.statistics.ladder import LadderFit
from tuninglib.statistics.ladder_prediction import Odds, expected_harm, predict

# When to end a test run ---------------------------------------------------------------------------

# At the spark plug of an air-cooled engine (common practice, from memory).
USUAL_HOTTEST_K = 503.15
# Of a limit or a middle that binary fractions miss.
SLACK = 1e-9


@dataclass(frozen=True, kw_only=True)
class StopLimits:
    """Limits of one session.

    Attributes
    ----------
    band : Band or None
        Whose lean edge ends a run; None if it is not known.
    reading : float or None
        What the gauge shows at that edge, at the last step that is not leaner; None where the
        gauge's scale is not known.
    resolution : float or None
        Of the gauge.
    hottest_k : float
        Of the head. [K]
    hottest_is_stated : bool
        Whether the rider states it; else it is the usual one.
    liquid : bool
        Whether the engine has a coolant whose temperature counts, too.
    """

    band: Band | None
    reading: float | None
    resolution: float | None
    hottest_k: float
    hottest_is_stated: bool
    liquid: bool

    def too_lean(self, low: float, high: float) -> bool:
        """Whether the middle of a steady range is leaner than the edge; not if neither is known.

        Parameters
        ----------
        low, high : float
            On the gauge's own scale.
        """
        return self.reading is not None and (low + high) / 2 > self.reading + SLACK

    def too_hot(self, head_k: float) -> bool:
        """Whether a head temperature is above the limit.

        Parameters
        ----------
        head_k : float
            [K]
        """
        return head_k > self.hottest_k + SLACK


def stop_limits(known: Session | SimpleNamespace) -> StopLimits:
    """Limits of a session, which need not be complete yet.

    Parameters
    ----------
    known : tuninglib.session.load.Session, or what stands of one
        See :func:`tuninglib.session.read_toml.what_stands`.
    """
    target, use, gauge, bike = known.target, known.use, known.gauge, known.bike
    band = None
    if target is not None and use is not None and target.lowest < target.highest:
        band = band_of(known)
    stated = bike.highest_head_temperature if bike is not None else None
    return StopLimits(
        band=band,
        reading=_shown(band.highest, gauge) if band and gauge and gauge.scale else None,
        resolution=gauge.resolution if gauge else None,
        hottest_k=stated.value if stated else USUAL_HOTTEST_K,
        hottest_is_stated=stated is not None,
        liquid=use is not None and use.cooling == "liquid",
    )


def _shown(lambda_: float, gauge) -> float:
    """The last step of the gauge that is not leaner than a lambda."""
    exact = lambda_ * gauge.scale * (1 + gauge.accuracy.value)
    if gauge.resolution <= 0:
        return exact
    return math.floor(exact / gauge.resolution + 1e-9) * gauge.resolution


# What is known of each combination ----------------------------------------------------------------


@dataclass(frozen=True)
class Gate:
    """Why a combination is shut.

    Attributes
    ----------
    code : str
        ``"knock"``, ``"knock implied"``, ``"knock unexplained"``, ``"ethanol"``, ``"octane"``,
        ``"lean"``, ``"heat"`` or ``"flow"``.
    knock : Knock or None
        What was heard, for the three that begin with knock.
    because : Combination or None
        The combination that knocked, or whose head was too hot, where it is another one.
    fuel_limit : FuelLimit or None
        For a fuel that is not allowed.
    value, limit : float or None
        Of the others: odds of being leaner, head temperature [K], share of the cycle. A lean gate
        without a value: every reading stood at the gauge's lean end.
    """

    code: str
    knock: Knock | None = None
    because: "Combination | None" = None
    fuel_limit: FuelLimit | None = None
    value: float | None = None
    limit: float | None = None


@dataclass(frozen=True, kw_only=True)
class Combination:
    """One engine with one injector on one fuel.

    Attributes
    ----------
    engine : str
        Name of the engine in session.toml.
    injector : str
        Name of the injector in session.toml.
    fuel : str
        Name of the fuel in session.toml.
    parts : str
        What else is fitted, as typed.
    setup : str or None
        The name under which it was ridden; None: it was not.
    owned : bool
        Whether the injector is at hand.
    source : str
        Of its mixture: ``"read"``, ``"predicted"`` or ``"unknown"``.
    lambda_ : Interval or None
        At full throttle.
    odds : Odds or None
        About the band that the advice is for.
    harm : float or None
        Expected harm of its mixture, by
        :func:`tuninglib.statistics.ladder_prediction.expected_harm`.
    beyond_lean : bool
        Whether there are readings, and every one stood at the gauge's lean end.
    listened : int
        Full-throttle runs on which somebody wrote down whether it knocked.
    knocks : tuple of Knock
        Knock that was heard with it, in the order of the runs.
    octane : Octane or None
        Of the fuel, as typed.
    compression : float or None
        Of the engine.
    flow_m3_s : float
        Of the injector on this bike. [m3/s]
    open_time_fraction : Interval or None
        Share of the cycle that the middle of the band needs at the highest engine speed.
    hottest_k : float or None
        Highest head temperature that was read with it. [K]
    gate : Gate or None
        The first that shuts it; None: it stands open.
    """

    engine: str
    injector: str
    fuel: str
    parts: str = ""
    setup: str | None = None
    owned: bool = False
    source: str = "unknown"
    lambda_: Interval | None = None
    odds: Odds | None = None
    harm: float | None = None
    beyond_lean: bool = False
    listened: int = 0
    knocks: tuple[Knock, ...] = ()
    octane: Octane | None = None
    compression: float | None = None
    flow_m3_s: float = float("nan")
    open_time_fraction: Interval | None = None
    hottest_k: float | None = None
    gate: Gate | None = None

    @property
    def key(self) -> tuple:
        """What tells it from every other combination of the session."""
        return self.engine, self.injector, self.fuel, self.setup


def harm_of(lambda_: Interval, band: Band, *, sustained: bool) -> float:
    """Expected harm of a mixture for the riding that is to be expected.

    Parameters
    ----------
    lambda_ : Interval
    band : Band
    sustained : bool
        Whether minutes of full load are to be expected: then the lean half of the band already
        counts as harm.
    """
    lean_edge = (band.lowest + band.highest) / 2 if sustained else band.highest
    return expected_harm(lambda_, rich_edge=band.lowest, lean_edge=lean_edge)


def combinations_of(
    session: Session,
    fit: LadderFit | None,
    mixtures: tuple[Mixture, ...],
    knocks: tuple[Knock, ...],
) -> tuple:
    """Every combination of the session: those that were ridden, then those that could be.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    fit : tuninglib.statistics.ladder.LadderFit or None
        None where nothing can be predicted.
    mixtures : tuple of Mixture
        As read, one for each setup.
    knocks : tuple of Knock

    Returns
    -------
    tuple of Combination
    """
    read, lean_end = {mixture.setup: mixture for mixture in mixtures}, _beyond_lean(session)
    ridden = tuple(
        _ridden(session, fit, name, read[name], knocks, name in lean_end)
        for name in session.setups
        if _was_ridden(session, name, read[name])
    )
    there = {(one.engine, one.injector, one.fuel) for one in ridden}
    engines = dict.fromkeys(setup.engine for setup in session.setups.values())
    others = tuple(
        _combination(session, fit, engine, injector, fuel)
        for engine in engines
        for injector in session.injectors
        for fuel in session.fuels
        if (engine, injector, fuel) not in there
    )
    return (*ridden, *others)


def _was_ridden(session, name, mixture) -> bool:
    """Whether there is a full-throttle run of a setup that says anything."""
    rows = session.runs[(session.runs["setup"] == name) & (session.runs["state"] == "full")]
    counted = rows[rows["exclude"] == ""]
    loud = rows["knock"].isin(LOUD)
    return bool(
        mixture.readings or mixture.pegged or counted["shown_exit_m_s"].notna().any() or loud.any()
    )


def _combination(session, fit, engine, injector, fuel, **known) -> Combination:
    """A combination with what its parts alone tell, and the ladder's prediction."""
    record = session.injectors[injector]
    fitted = {setup.injector for setup in session.setups.values()}
    facts = {
        "engine": engine,
        "injector": injector,
        "fuel": fuel,
        "owned": record.owned == "yes" or (record.owned == "unknown" and injector in fitted),
        "octane": session.fuels[fuel].octane_number,
        "compression": session.engines[engine].compression,
        "flow_m3_s": flow_on_bike(session, injector),
        "open_time_fraction": open_time_share(session, engine, injector, fuel),
    }
    if fit is not None and not known.get("source"):
        facts |= _predicted(session, fit, engine, injector, fuel)
    return Combination(**{**facts, **known})


def _ridden(session, fit, name, mixture, knocks, beyond_lean) -> Combination:
    setup = session.setups[name]
    rows = session.runs[(session.runs["setup"] == name) & (session.runs["state"] == "full")]
    climbs = session.climbs[session.climbs["setup"] == name]
    heads = [*rows["head_temperature_k"].dropna(), *climbs["head_temperature_k"]]
    known = {
        "parts": setup.parts,
        "setup": name,
        "knocks": tuple(knock for knock in knocks if knock.setup == name),
        "listened": int((rows["knock"] != "").sum()),
        "hottest_k": float(max(heads)) if heads else None,
        "beyond_lean": beyond_lean,
    }
    if mixture.lambda_ is not None:
        band = band_of(session)
        known |= {
            "source": "read",
            "lambda_": mixture.lambda_,
            "odds": mixture.odds,
            "harm": harm_of(mixture.lambda_, band, sustained=session.use.sustained),
        }
    if mixture.lambda_ is None and name == session.about.reference:
        # What its maker delivered and nobody read is not read: it was ridden before this tool was,
        # and what the ladder makes of it from other engines shuts nothing.
        fit = None
    return _combination(session, fit, setup.engine, setup.injector, setup.fuel, **known)


def _beyond_lean(session) -> set:
    """Setups that were read, and only at the lean end of the gauge."""
    rows = readings_of(session)
    if rows.empty:
        return set()
    lean = rows["pegged"] & (rows["gauge_low"] > session.gauge.scale)
    return {name for name, own in lean.groupby(rows["setup"]) if own.all()}


def _predicted(session, fit, engine, injector, fuel) -> dict:
    """What the ladder predicts of a combination that was not read."""
    band = band_of(session)
    asked, demand = candidate_of(session, fit, injector), fuel_terms(session, fuel)
    found = predict(fit, asked, engine=engine, fuel=demand)
    return {
        "source": "predicted",
        "lambda_": found.lambda_,
        "odds": found.odds(low=band.lowest, high=band.highest),
        "harm": harm_of(found.lambda_, band, sustained=session.use.sustained),
    }


# Gates --------------------------------------------------------------------------------------------
# They are tried in one order, and none is ever outvoted: knock that was heard, knock that follows
# from it, knock that the mixture does not explain, fuel that is not allowed, a lean mixture, a
# hot head, an injector that runs out of time.

# Lambda must be richer by more than this to count as richer: two readings of one gauge on one day.
CLEARLY_RICHER = 0.01
# The same for stated flows of two injectors where nothing was read.
CLEARLY_MORE_FLOW = 0.04


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What the gates compare with.

    Attributes
    ----------
    fuels : tuple of FuelLimit
        Fuels that are not allowed.
    lean : float
        Highest odds of being leaner than the band.
    hottest_k : float or None
        Highest head temperature that the rider allows.
    """

    fuels: tuple
    lean: float
    hottest_k: float | None = None


def gated(combinations: Sequence[Combination], limits: Limits) -> tuple:
    """Combinations, each with the first gate that shuts it.

    Parameters
    ----------
    combinations : sequence of Combination
        All of the session, ridden and predicted: knock on one shuts others.
    limits : Limits

    Returns
    -------
    tuple of Combination
    """
    knocked = sorted((one for one in combinations if one.knocks), key=_loudest_first)
    shut = unexplained(combinations)
    hot = sorted(
        (one for one in combinations if _too_hot(one, limits)),
        key=lambda one: (-one.hottest_k, one.key),
    )
    return tuple(replace(one, gate=_gate(one, knocked, shut, hot, limits)) for one in combinations)


def _gate(one, knocked, shut, hot, limits) -> Gate | None:
    if one.knocks:
        return Gate("knock", knock=worst_knock(one))
    if one.engine in shut:
        cause = shut[one.engine]
        return Gate("knock unexplained", knock=worst_knock(cause), because=cause)
    for other in knocked:
        if no_safer(one, other):
            return Gate("knock implied", knock=worst_knock(other), because=other)
    for limit in limits.fuels:
        if limit.fuel == one.fuel and limit.engine in (None, one.engine):
            return Gate(limit.code, fuel_limit=limit)
    if one.beyond_lean:
        return Gate("lean", limit=limits.lean)
    if one.odds is not None and one.odds.leaner > limits.lean:
        return Gate("lean", value=one.odds.leaner, limit=limits.lean)
    if _too_hot(one, limits):
        return Gate("heat", value=one.hottest_k, limit=limits.hottest_k)
    for other in hot:
        # What is not known to be richer is not known to run cooler.
        if one.engine == other.engine and not richer(one, other):
            return Gate("heat", because=other, value=other.hottest_k, limit=limits.hottest_k)
    if one.open_time_fraction is not None and one.open_time_fraction.value > HIGHEST_SHARE:
        return Gate("flow", value=one.open_time_fraction.value, limit=HIGHEST_SHARE)
    return None


def _too_hot(one, limits) -> bool:
    """Whether its head was read above the limit."""
    known = limits.hottest_k is not None and one.hottest_k is not None
    return known and one.hottest_k > limits.hottest_k


def worst_knock(one: Combination) -> Knock:
    """The loudest knock of a combination; of several, the first that was heard.

    Parameters
    ----------
    one : Combination
        With knocks.
    """
    return min(one.knocks, key=lambda knock: (knock.level != "heavy", knock.run))


def _loudest_first(one) -> tuple:
    knock = worst_knock(one)
    return knock.level != "heavy", knock.run


def no_safer(one: Combination, other: Combination) -> bool:
    """Whether one combination is no safer from knock than another, as far as is known.

    Parameters
    ----------
    one, other : Combination

    Notes
    -----
    On the same engine, or on one of higher compression, with an octane number that is not known to
    be higher and a mixture that is not known to be richer. What is not known counts against it.
    """
    same = one.engine == other.engine
    squeezed = one.compression is not None and other.compression is not None
    if not same and not (squeezed and one.compression >= other.compression):
        return False
    return not (known_higher(one.octane, other.octane) or richer(one, other))


def richer(one: Combination, other: Combination) -> bool:
    """Whether one combination is known to run richer than another.

    Parameters
    ----------
    one, other : Combination
    """
    if one.lambda_ is not None and other.lambda_ is not None:
        return one.lambda_.value < other.lambda_.value - CLEARLY_RICHER
    if one.engine == other.engine and one.fuel == other.fuel:
        return one.flow_m3_s > other.flow_m3_s * (1 + CLEARLY_MORE_FLOW)
    return False


def unexplained(combinations: Sequence[Combination]) -> dict:
    """Engines on which the mixture cannot be what made it knock, and what was heard there.

    Parameters
    ----------
    combinations : sequence of Combination

    Returns
    -------
    dict of str to Combination
        Engine to a combination that knocked on it.

    Notes
    -----
    That is so where it knocked with a mixture that was not lean by itself, and nothing richer was
    ridden on that engine, or nothing of a higher octane number though something of a lower one.
    Where no gauge was read, only the first is asked, by injector flow.
    """
    found = {}
    for one in sorted((one for one in combinations if one.knocks), key=_loudest_first):
        if not _lean_by_itself(one):
            richest, highest = extremes(one, combinations)
            if richest or (highest and one.odds is not None):
                found.setdefault(one.engine, one)
    return found


def extremes(one: Combination, combinations: Sequence[Combination]) -> tuple:
    """Whether a combination is the richest that was ridden on its engine, and of the best fuel.

    Parameters
    ----------
    one : Combination
    combinations : sequence of Combination

    Returns
    -------
    richest, highest : bool
        Nothing known to be richer was ridden; nothing of a higher octane number, but something of
        a lower one.
    """
    others = [
        c
        for c in combinations
        if c.engine == one.engine and c.setup is not None and c.key != one.key
    ]
    richest = not any(richer(c, one) for c in others)
    above_another = any(known_higher(one.octane, c.octane) for c in others)
    highest = above_another and not any(known_higher(c.octane, one.octane) for c in others)
    return richest, highest


def _lean_by_itself(one) -> bool:
    """Whether it may have knocked because it was lean."""
    return one.beyond_lean or (one.odds is not None and one.odds.leaner > 0.5)
