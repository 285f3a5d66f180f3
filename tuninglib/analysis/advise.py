"""The plan of a session, and the nearest facts that would change it, found by trying them."""

from dataclasses import dataclass, replace

from tuninglib.analysis.combinations import combinations_of
from tuninglib.analysis.decide import make_plan
from tuninglib.analysis.evidence import evidence_of
from tuninglib.analysis.gates import Limits, gated
from tuninglib.analysis.mixture import analyse_mixtures
from tuninglib.analysis.plan import Plan
from tuninglib.analysis.records import Knock

# How much richer a band is tried, and how far off a bought injector's flow.
RICHER_BAND = 0.02


@dataclass(frozen=True, kw_only=True)
class Flip:
    """Something that would change the plan.

    Attributes
    ----------
    code : str
        ``"knock"`` with what is ridden now, a band that is ``"richer"``, ``"climbs"`` (long ones
        are to be ridden), or only the ``"fuel"`` that is in the tank now.
    plan : Plan
        What it would be then.
    """

    code: str
    plan: Plan


@dataclass(frozen=True, kw_only=True)
class Advice:
    """The combinations with their gates, the plan, and what would change it."""

    combinations: tuple
    plan: Plan
    flips: tuple


def advise(session, read, fit, road, knocks, limits) -> Advice:
    """The plan of a session, and what would change it.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    read : pandas.DataFrame
        Full-throttle readings, of :func:`tuninglib.analysis.readings.weighed_readings`.
    fit : tuninglib.statistics.ladder.LadderFit or None
    road : Road or None
    knocks : tuple of Knock
    limits : tuple of FuelLimit

    Returns
    -------
    Advice
    """
    combinations, plan = _plan(session, read, fit, road, knocks, limits)
    found = []
    for code, other in _trials(session, read, fit, road, knocks, limits, plan):
        if _differs(other, plan):
            found.append(Flip(code=code, plan=other))
    return Advice(combinations=combinations, plan=plan, flips=tuple(found))


def _plan(session, read, fit, road, knocks, limits) -> tuple:
    mixtures = analyse_mixtures(session, read)
    hottest = session.bike.highest_head_temperature
    combinations = gated(
        combinations_of(session, fit, mixtures, knocks),
        Limits(
            fuels=limits,
            lean=session.assumptions.leaner_limit.value,
            hottest_k=hottest.value if hottest else None,
        ),
    )
    return combinations, make_plan(
        evidence_of(session, combinations, road, read, fit, mixtures, limits)
    )


def _trials(session, read, fit, road, knocks, limits, plan):
    """Plans of sessions that differ in one fact."""
    ride = plan.ride
    if ride is None:
        return
    rows = session.runs[session.runs["setup"] == ride.setup]
    heard = Knock(ride.setup, float(rows["run"].max()), "light")
    yield "knock", _plan(session, read, fit, road, (*knocks, heard), limits)[1]
    target = session.target
    richer = replace(
        target, lowest=target.lowest - RICHER_BAND, highest=target.highest - RICHER_BAND
    )
    others = {"richer": replace(session, target=richer)}
    if not session.use.sustained:
        others["climbs"] = replace(session, use=replace(session.use, riding="climbs"))
    for code, other in others.items():
        yield code, _plan(other, read, fit, road, knocks, limits)[1]
    if len(plan.fuels) > 1:
        one_fuel = replace(session, use=replace(session.use, fuels=(ride.fuel,)))
        yield "fuel", _plan(one_fuel, read, fit, road, knocks, limits)[1]


def _differs(other: Plan, plan: Plan) -> bool:
    def of(one):
        setup = one.ride.setup if one.ride else None
        return setup, one.next.code, one.next.engine, one.next.injector

    return of(other) != of(plan)
