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
from typing import Any

import numpy as np
from scipy.special import ndtr

from tuninglib.analysis.injector import HIGHEST_SHARE, open_time_share
from tuninglib.analysis.mixture import (
    candidate_of,
    engine_as_made,
    flow_on_bike,
    fuel_terms,
    lambda_of,
    readings_of,
)
from tuninglib.analysis.records import Combination, FuelLimit, Gate, Knock, Mixture
from tuninglib.analysis.worth import EVEN, TRIAL, Weights, harm_of, weights_of
from tuninglib.interval import Z_95, Interval
from tuninglib.physics.fuels import known_higher, known_not_lower
from tuninglib.session.defaults import Band, band_of
from tuninglib.session.read_table import KNOCKED
from tuninglib.session.records import Session
from tuninglib.statistics.ladder import LadderFit
from tuninglib.statistics.ladder_prediction import predict

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
    known : tuninglib.session.records.Session, or what stands of one
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
        resolution=gauge.step if gauge else None,
        hottest_k=stated.value if stated else USUAL_HOTTEST_K,
        hottest_is_stated=stated is not None,
        liquid=use is not None and use.cooling == "liquid",
    )


def _shown(lambda_: float, gauge) -> float:
    """The last step of the gauge that is not leaner than a lambda."""
    exact = lambda_ * gauge.scale * (1 + gauge.accuracy.value)
    return math.floor(exact / gauge.step + 1e-9) * gauge.step


# What is known of each combination ----------------------------------------------------------------


def mixture_weights(session: Session) -> Weights:
    """What a hundredth of lambda is worth to this rider.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    """
    use = session.use
    return weights_of(use.wanted, climbs=use.sustained and use.air_cooled)


def combinations_of(
    session: Session,
    fit: LadderFit | None,
    mixtures: tuple[Mixture, ...],
    knocks: tuple[Knock, ...],
    *,
    engines: Sequence[str] | None = None,
    fuels: Sequence[str] | None = None,
) -> tuple:
    """Every combination of the session: those that were ridden, then those that could be.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    fit : tuninglib.statistics.ladder.LadderFit or None
        None where nothing can be predicted.
    mixtures : tuple of Mixture
        As read, one for each setup.
    knocks : tuple of Knock
    engines, fuels : sequence of str, optional
        Of those that were not ridden only such are wanted; left out: all engines that were, and
        all fuels.

    Returns
    -------
    tuple of Combination
    """
    read, beyond, idle = {one.setup: one for one in mixtures}, _beyond(session), _idle(session)
    ridden = tuple(
        _ridden(session, fit, name, read[name], knocks, beyond.get(name, ""), idle.get(name))
        for name in session.setups
        if _was_ridden(session, name, read[name])
    )
    there = {(one.engine, one.injector, one.fuel) for one in ridden}
    # Of a mixture beyond the gauge the ladder knows nothing, on whatever fuel; nor of a factory
    # setup that nobody read.
    unread = {
        (one.engine, one.injector)
        for one in ridden
        if one.beyond or (one.setup == session.about.reference and one.source == "unknown")
    }
    fitted = dict.fromkeys(setup.engine for setup in session.setups.values())
    others = tuple(
        combination(session, None if (engine, injector) in unread else fit, engine, injector, fuel)
        for engine in engines or fitted
        for injector in session.injectors
        for fuel in fuels or session.fuels
        if (engine, injector, fuel) not in there
    )
    found = (*ridden, *others)
    if not any(_changed_since(session, one, other) for one in ridden for other in ridden):
        return found
    return tuple(replace(one, as_made=False) for one in found)


def _changed_since(session, one, other) -> bool:
    """Whether another engine of the same size shows that the reference is not as it was made.

    A filter or an exhaust lets more air in; what runs richer with the same injector was there
    before.
    """
    size = {name: engine.displacement_m3 for name, engine in session.engines.items()}
    alike = (one.injector, one.fuel, size[one.engine]) == (
        other.injector, other.fuel, size[other.engine]
    )  # fmt: skip
    return one.as_made and alike and richer(other, one)


def _was_ridden(session, name, mixture) -> bool:
    """Whether there is a full-throttle run of a setup that says anything."""
    rows = session.runs[(session.runs["setup"] == name) & (session.runs["state"] == "full")]
    counted = rows[rows["exclude"] == ""]
    loud = rows["knock"].isin(KNOCKED)
    return bool(
        mixture.readings or mixture.pegged or counted["shown_exit_m_s"].notna().any() or loud.any()
    )


def combination(
    session: Session,
    fit: LadderFit | None,
    engine: str,
    injector: str,
    fuel: str,
    **known: Any,
) -> Combination:
    """A combination with what its parts alone tell, and the ladder's prediction.

    Parameters
    ----------
    session : tuninglib.session.records.Session
        It need not have runs.
    fit : tuninglib.statistics.ladder.LadderFit or None
        None where it predicts nothing.
    engine, injector, fuel : str
    **known
        Fields of which more is known.
    """
    record = session.injectors[injector]
    fitted = {setup.injector for setup in session.setups.values()}
    reference = session.setups[session.about.reference]
    made = engine_as_made(session), reference.injector
    facts = {
        "engine": engine,
        "injector": injector,
        "fuel": fuel,
        "owned": record.owned == "yes" or (record.owned == "unknown" and injector in fitted),
        "as_made": (engine, injector) == made == (reference.engine, reference.injector),
        "octane": session.fuels[fuel].octane_number,
        "compression": session.engines[engine].compression,
        "flow_m3_s": flow_on_bike(session, injector),
        "open_time_fraction": open_time_share(session, engine, injector, fuel),
    }
    if fit is not None and not known.get("source"):
        facts |= _predicted(session, fit, engine, injector, fuel)
    return Combination(**{**facts, **known})


def _ridden(session, fit, name, mixture, knocks, beyond, idle_lambda) -> Combination:
    setup = session.setups[name]
    rows = session.runs[(session.runs["setup"] == name) & (session.runs["state"] == "full")]
    climbs = session.climbs[session.climbs["setup"] == name]
    heads = rows["head_temperature_k"].dropna().tolist()
    if session.use.sustained:
        heads += climbs["head_temperature_k"].tolist()
    known = {
        "parts": setup.parts,
        "setup": name,
        "knocks": tuple(knock for knock in knocks if knock.setup == name),
        "listened": int((rows["knock"] != "").sum()),
        "hottest_k": float(max(heads)) if heads else None,
        "beyond": beyond,
        "idle_lambda": idle_lambda,
    }
    if mixture.lambda_ is not None:
        known |= {"source": "read", "odds": mixture.odds, **_mixture(session, mixture.lambda_)}
    if mixture.lambda_ is None and (beyond or name == session.about.reference):
        # What its maker delivered and nobody read is not read: it was ridden before this tool was,
        # and what the ladder makes of it from other engines shuts nothing. Beyond the gauge's end
        # a mixture is beyond it, whatever the ladder makes of it.
        fit = None
    return combination(session, fit, setup.engine, setup.injector, setup.fuel, **known)


def _mixture(session, lambda_) -> dict:
    band, weights = band_of(session), mixture_weights(session)
    return weighed_mixture(lambda_, session.gauge.accuracy.sd, band, weights)


def weighed_mixture(lambda_: Interval, gauge_sd: float, band: Band, weights: Weights) -> dict:
    """A mixture with what the choice makes of it: values of a :class:`Combination`.

    Parameters
    ----------
    lambda_ : Interval
    gauge_sd : float
        Of the gauge's error that all readings share.
    band : Band
    weights : Weights
    """
    sd = lambda_.half_width / Z_95 / lambda_.value
    return {
        "lambda_": lambda_,
        "own_sd": float(np.sqrt(max(sd**2 - gauge_sd**2, 0.0))),
        "harm": harm_of(lambda_, band, weights),
    }


def _beyond(session) -> dict:
    """Setups that were read, and only at one end of the gauge; with that end."""
    rows = readings_of(session)
    if rows.empty:
        return {}
    rows = rows.assign(lean=rows["gauge_low"] > session.gauge.scale)
    ends = rows.groupby("setup")[["pegged", "lean"]].all()
    return {name: "lean" if lean else "rich" for name, lean in ends["lean"][ends["pegged"]].items()}


def _idle(session) -> dict:
    """Mean lambda at idle of the setups that were read there."""
    rows = readings_of(session, "idle")
    if rows.empty:
        return {}
    lambda_ = lambda_of(session, (rows["gauge_low"] + rows["gauge_high"]) / 2)
    return lambda_.groupby(rows["setup"]).mean().to_dict()


def _predicted(session, fit, engine, injector, fuel) -> dict:
    """What the ladder predicts of a combination that was not read."""
    band = band_of(session)
    asked, demand = candidate_of(session, fit, injector), fuel_terms(session, fuel)
    found = predict(fit, asked, engine=engine, fuel=demand)
    return {
        "source": "predicted",
        "odds": found.odds(low=band.lowest, high=band.highest),
        **_mixture(session, found.lambda_),
    }


# Gates --------------------------------------------------------------------------------------------
# They are tried in one order, and none is ever outvoted: knock that was heard, knock that follows
# from it, knock that the mixture does not explain, fuel that is not allowed, a lean mixture, one
# that washes the bore, a hot head, an injector that runs out of time or that idles too rich.

# Chance with which an interval of the difference must say that one mixture is richer: 95 %.
_CLEARLY = 1.645
# And it must be richer by more than this, however well both are known.
_RICHER_BY = 0.01
# Leaner than the band beyond doubt: with more than this chance. Light knock there shuts only what
# is not this many times richer.
SURELY, _FAR = 0.95, 1.05
# The same for stated flows of two injectors where nothing was read: what ± 7 % of each leaves.
CLEARLY_MORE_FLOW = 0.08
# At idle a controller that corrects holds lambda 1; farther off it has run out of trim (common
# practice: 20 to 25 % at most).
RICHEST_IDLE, HELD_IDLE = 0.93, 0.96


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What the gates compare with.

    Attributes
    ----------
    fuels : tuple of FuelLimit
        Fuels that are not allowed.
    lean : float
        Highest odds of being leaner than the band; the same for running out of open time.
    richest : float
        Lambda below which the fuel washes the bore.
    hottest_k : float
        Highest head temperature: the rider's, or the usual one.
    hot_climbs : tuple of str
        Setups whose head ends above it on a long climb on a hot day, for who rides such.
    stated_edge : float or None
        The lean edge of the band as stated, where long climbs moved it.
    """

    fuels: tuple[FuelLimit, ...]
    lean: float
    richest: float = 0.75
    hottest_k: float = USUAL_HOTTEST_K
    hot_climbs: tuple[str, ...] = ()
    stated_edge: float | None = None


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
    heard = _Heard(
        knocked=sorted((one for one in combinations if one.knocks), key=loudest_first),
        unexplained=unexplained(combinations),
        hot=sorted(
            (one for one in combinations if _too_hot(one, limits)),
            key=lambda one: (-(one.hottest_k or math.inf), one.key),
        ),
        rich_idle=_out_of_trim(combinations),
    )
    trial = replace(limits, lean=max(limits.lean, TRIAL))
    found = []
    for one in combinations:
        gate = _gate(one, heard, limits)
        unread = one.setup is None and one.odds is not None
        tried = gate is None or (unread and _gate(one, heard, trial) is None)
        found.append(replace(one, gate=gate, may_be_tried=tried))
    return tuple(found)


def _out_of_trim(combinations) -> list:
    """What idles rich though the ECU holds lambda 1 with something else, the smallest first."""
    read = [one for one in combinations if one.idle_lambda is not None]
    # Where everything idles rich nothing shows that it corrects there at all.
    if not any(one.idle_lambda >= HELD_IDLE for one in read):
        return []
    rich = [one for one in read if one.idle_lambda < RICHEST_IDLE]
    return sorted(rich, key=lambda one: (one.flow_m3_s, one.key))


@dataclass(frozen=True)
class _Heard:
    """Combinations that shut others: what knocked, ran hot or idles too rich."""

    knocked: Sequence[Combination]
    unexplained: dict
    hot: Sequence[Combination]
    rich_idle: Sequence[Combination]


def _gate(one, heard, limits) -> Gate | None:
    # Of what nobody rode, a fuel that is not allowed says more than what may follow from a knock.
    first = (_by_knock, _by_fuel) if one.setup is not None else (_by_fuel, _by_knock)
    gates = (*first, _by_mixture, _by_heat, _by_injector)
    return next((gate for gate in (by(one, heard, limits) for by in gates) if gate), None)


def _by_knock(one, heard, limits) -> Gate | None:
    if one.knocks:
        return Gate("knock", knock=worst_knock(one))
    if one.engine in heard.unexplained:
        cause = heard.unexplained[one.engine]
        return Gate("knock unexplained", knock=worst_knock(cause), because=cause)
    for other in heard.knocked:
        if no_safer(one, other):
            return Gate("knock implied", knock=worst_knock(other), because=other)
    return None


def _by_fuel(one, heard, limits) -> Gate | None:
    for limit in limits.fuels:
        if limit.fuel == one.fuel and limit.engine in (None, one.engine):
            return Gate(limit.code, fuel_limit=limit)
    return None


def _by_mixture(one, heard, limits) -> Gate | None:
    if one.beyond == "lean":
        return Gate("lean", limit=limits.lean)
    lean = max(limits.lean, EVEN) if one.as_made else limits.lean
    if one.odds is not None and _leaner(one, limits) > lean:
        return Gate("lean", value=one.odds.leaner, limit=lean)
    if not one.as_made and one.lean_air is not None and one.lean_air > EVEN:
        return Gate("air", value=one.lean_air, limit=EVEN)
    if one.beyond == "rich":
        return Gate("rich", limit=limits.richest)
    # Rich does not hurt at once: here an even bet is the limit.
    if one.lambda_ is not None and one.lambda_.value < limits.richest:
        return Gate("rich", value=one.lambda_.value, limit=limits.richest)
    return None


def _leaner(one, limits) -> float:
    """Chance of being too lean to ride.

    The band is the rider's wish, and its maker knew of climbs: what was delivered so is no risk
    that the rider takes, until it is likelier than not that it is leaner than the band as stated.
    """
    if not one.as_made or limits.stated_edge is None or one.lambda_ is None:
        return one.odds.leaner
    return leaner_than(one.lambda_, limits.stated_edge)


def leaner_than(lambda_: Interval, edge: float) -> float:
    """Chance that a mixture is leaner than an edge.

    Parameters
    ----------
    lambda_ : Interval
    edge : float

    Examples
    --------
    >>> leaner_than(Interval(0.9, 0.88, 0.92), 0.9)
    0.5
    """
    return float(ndtr((lambda_.value - edge) / (lambda_.half_width / Z_95)))


def _by_heat(one, heard, limits) -> Gate | None:
    if _too_hot(one, limits):
        return Gate("heat", value=one.hottest_k, limit=limits.hottest_k)
    for other in heard.hot:
        # What is not known to be richer is not known to run cooler.
        if one.engine == other.engine and not richer(one, other):
            return Gate("heat", because=other, value=other.hottest_k, limit=limits.hottest_k)
    return None


def _by_injector(one, heard, limits) -> Gate | None:
    share = one.open_time_fraction
    if share is not None:
        # Ruled out as lean is: by the chance of passing the limit.
        sd = max(share.half_width / Z_95, 1e-12)
        chance = float(ndtr((share.value - HIGHEST_SHARE) / sd))
        if chance > limits.lean:
            return Gate("flow", value=chance, limit=HIGHEST_SHARE)
    for other in heard.rich_idle:
        larger = one.flow_m3_s > other.flow_m3_s * 1.001
        if one.setup is None and one.engine == other.engine and larger:
            return Gate("idle", because=other, value=other.idle_lambda, limit=RICHEST_IDLE)
    return None


def _too_hot(one, limits) -> bool:
    """Whether its head was read above the limit, or ends there on a long climb."""
    read = one.hottest_k is not None and one.hottest_k > limits.hottest_k
    return read or (one.setup is not None and one.setup in limits.hot_climbs)


def worst_knock(one: Combination) -> Knock:
    """The loudest knock of a combination; of several, the first that was heard.

    Parameters
    ----------
    one : Combination
        With knocks.
    """
    return min(one.knocks, key=lambda knock: (knock.level != "heavy", knock.run))


def loudest_first(one: Combination) -> tuple:
    """Rank of a combination that knocked: heavy before light, then by the run.

    Parameters
    ----------
    one : Combination
        With knocks.
    """
    knock = worst_knock(one)
    return knock.level != "heavy", knock.run


def no_safer(one: Combination, other: Combination) -> bool:
    """Whether one combination is no safer from knock than another, as far as is known.

    Parameters
    ----------
    one, other : Combination
        The other one knocked, or may have.

    Notes
    -----
    On the same engine, or on one of higher compression; one that is not known is taken to be no
    lower than what its maker gave the engine. Safer is what has an octane number that is known not
    to be lower and a mixture that is known to be richer; after heavy knock, an octane number that
    is known to be higher besides. What is not known counts against it.
    """
    known = one.compression is not None and other.compression is not None
    # Kits raise it: not known, it is taken to be no lower than what the engine was made with.
    squeezed = one.compression >= other.compression if known else other.as_made
    if one.engine != other.engine and not squeezed:
        return False
    if any(knock.level == "heavy" for knock in other.knocks):
        enough = known_higher(one.octane, other.octane)
    elif _far_too_lean(other):
        # That says that it was lean, not that the fuel was too poor.
        return not (richer(one, other) and _times(one, other) > _FAR)
    else:
        enough = one.fuel == other.fuel or known_not_lower(one.octane, other.octane)
    return not (enough and richer(one, other))


def _far_too_lean(one) -> bool:
    return one.beyond != "lean" and one.odds is not None and one.odds.leaner > SURELY


def _times(one, other) -> float:
    """How many times leaner another one is."""
    if one.beyond == "rich":
        return math.inf
    return other.lambda_.value / one.lambda_.value if one.lambda_ is not None else 1.0


def richer(one: Combination, other: Combination) -> bool:
    """Whether one combination is known to run richer than another.

    Parameters
    ----------
    one, other : Combination

    Notes
    -----
    By the interval of the difference: the gauge's own error is in both and cancels.
    """
    if one.lambda_ is not None and other.lambda_ is not None:
        by = math.log(other.lambda_.value / one.lambda_.value)
        sd = math.hypot(one.own_sd or 0.0, other.own_sd or 0.0)
        return by > max(_CLEARLY * sd, _RICHER_BY)
    if one.beyond == "rich" or other.beyond == "lean":
        return other.beyond != one.beyond
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
    for one in sorted((one for one in combinations if one.knocks), key=loudest_first):
        if not lean_by_itself(one):
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
    ridden = [c for c in combinations if c.engine == one.engine and c.setup is not None]
    others = [c for c in ridden if c.key != one.key]
    richest = not any(richer(c, one) for c in others)
    above_another = any(known_higher(one.octane, c.octane) for c in others)
    highest = above_another and not any(known_higher(c.octane, one.octane) for c in others)
    return richest, highest


def lean_by_itself(one: Combination) -> bool:
    """Whether it may have knocked because it was lean.

    Parameters
    ----------
    one : Combination
    """
    return one.beyond == "lean" or (one.odds is not None and one.odds.leaner > 0.5)
