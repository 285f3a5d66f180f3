"""Gates: what is never advised, whatever it gained.

They are tried in one order, and none is ever outvoted: knock that was heard, knock that follows
from it, knock that the mixture does not explain, fuel that is not allowed, a lean mixture, a hot
head, an injector that runs out of time.
"""

from dataclasses import dataclass, replace

from tuninglib.analysis.combinations import Combination, Gate
from tuninglib.analysis.injector import HIGHEST_SHARE
from tuninglib.physics.octane import known_higher

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


def gated(combinations, limits: Limits) -> tuple:
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


def worst_knock(one: Combination):
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


def unexplained(combinations) -> dict:
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


def extremes(one: Combination, combinations) -> tuple:
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
