"""What to do: from what a session shows to one plan, and what would change it.

Gates come first, then the least harm among equals, then one next step. The session's evidence is
brought together once, the plan is decided once, and its flips, the nearest facts that would
change it, are found by trying them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import pandas as pd

from tuninglib.analysis.combinations import Combination, Limits, combinations_of, gated, unexplained
from tuninglib.analysis.gain import Road
from tuninglib.analysis.mixture import analyse_mixtures
from tuninglib.analysis.records import FuelLimit, Knock, Mixture, one_each
from tuninglib.physics.injector import metering_demand
from tuninglib.session.defaults import blend_of
from tuninglib.session.load import Session
from tuninglib.statistics.gain import Gain
from tuninglib.statistics.ladder import LadderFit

# The plan and its steps ---------------------------------------------------------------------------
# Verdict, watch box, tables, lab and results.json all speak from this one record, so that no two
# of them can disagree.


@dataclass(frozen=True, kw_only=True)
class Step:
    """The next thing to do: exactly one.

    Attributes
    ----------
    code : str
        ``"nothing"`` (it is decided), ``"fit"`` (an injector that is owned), ``"buy"``,
        ``"ride again"``, ``"change fuel"`` (without ``fuels``: none of them is allowed),
        ``"find knock"``, ``"find heat"``, ``"find power"`` or ``"list injectors"`` (none of those
        listed would do).
    why : str
        ``""``, or for ``"ride again"``: ``"gauge"``, ``"range"``, ``"steady"``,
        ``"open loop"``, ``"speeds"``, ``"too close"``.
    engine, injector : str or None
        The engine is another one than that of the ride where the page must say so.
    fuels : tuple of str
        The fuels it is for, or to keep to.
    setups : tuple of str
        To ride again.
    runs : int or None
        More runs of each of them until it is likely decided.
    """

    code: str
    why: str = ""
    engine: str | None = None
    injector: str | None = None
    fuels: tuple[str, ...] = ()
    setups: tuple[str, ...] = ()
    runs: int | None = None


@dataclass(frozen=True)
class OnFuel:
    """The plan's answer on one fuel that may be burnt.

    Attributes
    ----------
    fuel : str
        Name of the fuel in session.toml.
    best : Combination or None
        On the plan's engine; None if all are shut, or if a cause has to be found before anything
        else is fitted.
    fitted : Combination or None
        What is ridden now, on this fuel.
    """

    fuel: str
    best: Combination | None
    fitted: Combination | None


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What the session advises.

    Attributes
    ----------
    ride : Combination or None
        What to leave on the bike today; None if nothing of the session can be.
    engine : str or None
        That the next injector is for.
    strength : str
        ``"decided"``, ``"leaning"`` or ``"open"``.
    runs : int or None
        More runs of each setup that would likely decide it; None if it is, or no number would.
    next : Step
        The one next thing to do.
    fuels : tuple of OnFuel
        Of those that may be burnt, the leanest first.
    for_all : str or None
        One injector that passes every gate on all of them.
    equals : tuple of str
        Setups that the test cannot tell from ``ride`` in force, and that no gate shuts.
    shut : tuple of Combination
        Ridden setups that are never recommended, each with its gate.
    missing : tuple of str
        Halves of the evidence that are not there: ``"gauge"``, ``"range"`` (every reading stood at
        the gauge's end), ``"steady"`` (most readings are the extremes of a whole run),
        ``"open loop"`` (the ECU corrects at full throttle), ``"speeds"``, ``"knock"``.
    """

    ride: Combination | None
    engine: str | None
    strength: str
    runs: int | None
    next: Step
    fuels: tuple[OnFuel, ...]
    for_all: str | None
    equals: tuple[str, ...]
    shut: tuple[Combination, ...]
    missing: tuple[str, ...]


# From evidence to the plan ------------------------------------------------------------------------

# A candidate must be this much likelier to be inside the band before buying it is advised.
WORTH_BUYING = 0.10
# Expected harms closer than this are the same: half a hundredth of lambda on the rich side.
SAME_HARM = 0.5
# Below these odds of the band on any of the fuels an injector is no answer, only the best of those
# listed.
LIKELY = 0.5
# Gates that another injector or fuel can open.
_MENDABLE = ("knock", "knock implied", "ethanol", "octane", "lean", "flow")


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What a plan is made from.

    Attributes
    ----------
    combinations : tuple of Combination
        With their gates.
    unexplained : dict of str to Combination
        Engines whose knock the mixture does not explain.
    gains : dict of str to tuninglib.statistics.gain.Gain or None
        Of the setups with speeds over the reference, which has None; empty without speeds.
    apart : frozenset of frozenset of str
        Pairs of setups that the test tells apart in force.
    reference : str
        Setup that gains are counted from.
    burnt : tuple of str
        Fuels that may be burnt and that the maker allows.
    bigger : frozenset of str
        Engines of more displacement than the reference's.
    more_runs : dict
        Setup to the number of runs that would likely decide it; None if no number would.
    missing : tuple of str
    """

    combinations: tuple
    unexplained: dict
    gains: dict
    apart: frozenset
    reference: str
    burnt: tuple
    bigger: frozenset
    more_runs: dict
    missing: tuple = ()


def make_plan(evidence: Evidence) -> Plan:
    """The plan that a session bears.

    Parameters
    ----------
    evidence : Evidence

    Returns
    -------
    Plan

    Notes
    -----
    Gates come first. Of what is left, setups that the test cannot tell from the strongest are
    equals; among equals on its engine the one with the least expected harm of its mixture is
    ridden. A bigger engine is not taken off again because a test could not tell it apart. What was
    ridden on a fuel that will not be burnt is taken only where nothing else is left.
    """
    ridden = [one for one in evidence.combinations if one.setup is not None]
    standing = [one for one in ridden if one.gate is None]
    standing = [one for one in standing if one.fuel in evidence.burnt] or standing
    ride, equals = _ride(evidence, standing)
    strength = _strength(evidence, ride, equals)
    engine = _engine_of_interest(evidence, ride, ridden)
    choices = _Choices(evidence, engine, ride)
    step = _next(evidence, ride, strength, equals, choices, ridden)
    return Plan(
        ride=ride,
        engine=engine,
        strength=strength,
        runs=None if strength == "decided" else _runs(evidence, equals),
        next=step,
        fuels=choices.by_fuel(step),
        for_all=choices.for_all(),
        equals=tuple(one.setup for one in equals if one is not ride),
        shut=tuple(one for one in ridden if one.gate is not None),
        missing=evidence.missing,
    )


def _gain(evidence, one) -> float:
    """Likeliest relative gain over the reference."""
    gain = evidence.gains[one.setup]
    return 0.0 if gain is None else gain.ratio.value


def leans(gain: Gain | None) -> bool:
    """Whether a gain is likely enough to be leaned on, be it settled or not.

    Parameters
    ----------
    gain : tuninglib.statistics.gain.Gain or None
        None of the reference.
    """
    return gain is not None and gain.ratio.value > 0 and gain.strength != "open"


def _doubted(evidence, one) -> bool:
    gain = evidence.gains[one.setup]
    return gain is not None and gain.doubted


def _pulled(evidence, one) -> bool:
    """Whether it pulled harder than the reference, settled or leaned on."""
    return leans(evidence.gains.get(one.setup))


def _strongest(evidence, ridden, engine) -> float:
    """Highest likeliest gain of an engine's setups."""
    own = [one for one in ridden if one.engine == engine and one.setup in evidence.gains]
    return max((_gain(evidence, one) for one in own), default=0.0)


def _harm(one: Combination) -> float:
    return float("inf") if one.harm is None else one.harm


def _strength(evidence, ride, equals) -> str:
    """How sure it is that what is ridden pulls as it should: by its own gain, not by another's."""
    if ride is None or ride.setup not in evidence.gains:
        return "open"
    if ride.setup == evidence.reference:
        return "open" if len(equals) > 1 else "decided"
    if evidence.gains[ride.setup].told_apart:
        return "decided"
    return "leaning" if _pulled(evidence, ride) else "open"


def _runs(evidence, equals) -> int | None:
    """More runs of each that would likely settle the likeliest gain among equals."""
    own = [one for one in equals if evidence.gains.get(one.setup) is not None]
    if not own:
        return None
    return evidence.more_runs.get(max(own, key=lambda one: abs(_gain(evidence, one))).setup)


def _ride(evidence, standing) -> tuple:
    """What to ride now, and its equals."""
    if not standing:
        return None, []
    measured = [one for one in standing if one.setup in evidence.gains]
    # What the rest of the session speaks against is no reason to ride anything.
    measured = [one for one in measured if not _doubted(evidence, one)] or measured
    if not measured:
        return _without_speeds(evidence, standing)

    def gain(one):
        return _gain(evidence, one)

    best = max(measured, key=lambda one: (gain(one), -_harm(one)))
    equals = [
        one
        for one in measured
        if one is best or frozenset((one.setup, best.setup)) not in evidence.apart
    ]
    reference = next((one for one in equals if one.setup == evidence.reference), None)
    if reference is None:
        return _gentlest(evidence, equals, best.engine), equals
    if _pulled(evidence, best):
        # Leaned on: it is not given up for the reference, be that as gentle as it may.
        others = [one for one in equals if one is not reference]
        return _gentlest(evidence, others, best.engine), equals
    grown = [one for one in equals if one.engine in evidence.bigger]
    if grown:
        strongest = max(grown, key=gain)
        return _gentlest(evidence, equals, strongest.engine), equals
    return _gentlest(evidence, equals, reference.engine), equals


def _without_speeds(evidence, standing) -> tuple:
    # Whoever fitted a bigger engine does not take it off because nothing was timed.
    grown = [one for one in standing if one.engine in evidence.bigger]
    read = [one for one in grown or standing if one.harm is not None]
    if not read:
        reference = [one for one in standing if one.setup == evidence.reference]
        return (reference or [None])[0], []
    return min(read, key=_harm), []


def _gentlest(evidence, equals, engine) -> Combination:
    """The equal of least harm on an engine; where nothing was read, the strongest."""
    own = [one for one in equals if one.engine == engine]
    read = [one for one in own if one.harm is not None]
    if not read:
        return max(own, key=lambda one: _gain(evidence, one))
    least = min(map(_harm, read))
    reference = [one for one in read if one.setup == evidence.reference]
    if reference and _harm(reference[0]) <= least + SAME_HARM:
        return reference[0]
    near = [one for one in read if _harm(one) <= least + SAME_HARM]
    return max(near, key=lambda one: (_gain(evidence, one), -_harm(one)))


def _engine_of_interest(evidence, ride, ridden) -> str | None:
    """The engine that the next injector is for."""
    changed = {
        one.engine for one in ridden if one.engine in evidence.bigger or _pulled(evidence, one)
    }
    if ride is not None and ride.engine in changed:
        return ride.engine
    for engine in sorted(changed, key=lambda name: (-_strongest(evidence, ridden, name), name)):
        found = [one.gate for one in ridden if one.engine == engine]
        # Shut by what another injector or fuel can mend, and by nothing else.
        if engine not in evidence.unexplained and all(
            gate is not None and gate.code in _MENDABLE for gate in found
        ):
            return engine
    if ride is not None:
        return ride.engine
    return next((one.engine for one in ridden if one.setup == evidence.reference), None)


class _Choices:
    """Injectors on one engine over the fuels that may be burnt."""

    def __init__(self, evidence, engine, ride):
        self.evidence, self.engine, self.ride = evidence, engine, ride
        self.fitted = ride.injector if ride is not None and ride.engine == engine else None
        known = [
            one
            for one in evidence.combinations
            if one.engine == engine and one.fuel in evidence.burnt and one.odds is not None
        ]
        self.at = {(one.injector, one.fuel): one for one in one_each(known, ride).values()}
        self.injectors = tuple(sorted({injector for injector, _ in self.at}))

    def open_on(self, injector) -> tuple:
        """Fuels on which no gate shuts an injector."""
        return tuple(
            fuel
            for fuel in self.evidence.burnt
            if (injector, fuel) in self.at and self.at[injector, fuel].gate is None
        )

    def harm(self, injector) -> float:
        """Mean expected harm over the fuels."""
        own = [self.at[injector, fuel].harm for fuel in self.evidence.burnt]
        return sum(own) / len(own)

    def inside(self, injector) -> float:
        """Odds of the band on the fuel where they are least."""
        return min(self.at[injector, fuel].odds.inside for fuel in self.evidence.burnt)

    def owned(self, injector) -> bool:
        return any(one.owned for (name, _), one in self.at.items() if name == injector)

    def good(self) -> list:
        """Injectors that pass every gate on every fuel: likely ones first, then the gentlest."""
        names = [n for n in self.injectors if self.open_on(n) == self.evidence.burnt]
        if self.fitted in names:
            # What was ridden and timed on all of them was weighed when the ride was chosen.
            fuels = self.evidence.burnt
            names = [n for n in names if n == self.fitted or not self._weighed(n, fuels)]
        # One that is likely too rich does little harm, but is no answer beside one that fits.
        return sorted(
            names, key=lambda n: (self.inside(n) < LIKELY, self.harm(n), -self.inside(n), n)
        )

    def _weighed(self, injector, fuels) -> bool:
        setups = [self.at[injector, fuel].setup for fuel in fuels]
        return all(setup in self.evidence.gains for setup in (*setups, self.ride.setup))

    def part_of_the_fuels(self) -> tuple:
        """The injector that passes on most of the fuels, and those; of several as in good()."""

        def rank(name):
            some = self.open_on(name)
            least = min((self.at[name, fuel].odds.inside for fuel in some), default=0.0)
            harm = sum(self.at[name, fuel].harm for fuel in some)
            return -len(some), least < LIKELY, harm, name

        most = min(self.injectors, key=rank)
        return most, self.open_on(most)

    def clearly_better(self, injector, some, stays) -> bool:
        """Whether one passes on more fuels than what is fitted, or is far surer on the same."""
        if some != stays:
            return len(some) > len(stays)
        if self._weighed(injector, some):
            return False

        def inside(name):
            return min(self.at[name, fuel].odds.inside for fuel in some)

        return inside(injector) > inside(self.fitted) + WORTH_BUYING

    def only_fuel_shuts(self) -> bool:
        """Whether none of the fuels is allowed on this engine, whatever the injector."""
        limited = {one.fuel for one in self.at.values() if one.gate and one.gate.fuel_limit}
        return limited == set(self.evidence.burnt)

    def best(self) -> str | None:
        """The injector to have: an owned one unless another is clearly likelier to fit the band."""
        good = self.good()
        if not good:
            return None
        first = good[0]
        owned = [name for name in good if self.owned(name)]
        keep = [self.fitted] if self.fitted in good else owned[:1]
        for name in keep:
            if self.inside(name) >= self.inside(first) - WORTH_BUYING:
                return name
        return first

    def for_all(self) -> str | None:
        return self.best() if self.evidence.burnt else None

    def by_fuel(self, step) -> tuple:
        """The answer on each fuel, the leanest first: what is fitted, next, or does least harm."""
        found = []
        for fuel in self.evidence.burnt:
            own = [one for (_, on), one in self.at.items() if on == fuel]
            standing = [one for one in own if one.gate is None]
            fitted = self.at.get((self.fitted, fuel))
            best = min(standing, key=lambda one: (_harm(one), one.injector), default=None)
            if step.code in ("fit", "buy") and fuel in step.fuels:
                best = self.at[step.injector, fuel]
            if step.code in ("find knock", "find heat"):
                # Nothing else is fitted before the cause is known.
                best = fitted if fitted in standing else None
            elif fitted in standing and best is not None:
                near = fitted.odds.inside >= best.odds.inside - WORTH_BUYING
                best = fitted if near else best
            found.append(OnFuel(fuel, best, fitted))
        return tuple(found)


def _named(setup) -> tuple[str, ...]:
    return () if setup is None else (setup,)


def _next(evidence, ride, strength, equals, choices, ridden) -> Step:
    engine = choices.engine
    ridden_engines = {one.engine for one in ridden}
    for cause in evidence.unexplained.values():
        if cause.engine in ridden_engines:
            return Step(code="find knock", engine=cause.engine, setups=_named(cause.setup))
    hot = _too_hot(evidence, ride, ridden)
    if hot is not None:
        return Step(code="find heat", engine=hot.engine, setups=_named(hot.setup))
    names = tuple(one.setup for one in equals) or ((ride.setup,) if ride is not None else ())
    here = ride.engine if ride is not None else engine
    for half in ("steady", "open loop"):
        # Neither the extremes of whole runs nor a mixture that the ECU holds choose an injector.
        if half in evidence.missing:
            return Step(code="ride again", why=half, engine=here, setups=names)
    step = _mixture_step(evidence, ride, choices)
    if step is not None:
        return step
    for half in ("gauge", "range", "speeds"):
        if half in evidence.missing:
            return Step(code="ride again", why=half, engine=here, setups=names)
    weak = _without_power(evidence, ride, strength, ridden)
    if weak is not None:
        return Step(code="find power", engine=weak)
    if strength != "decided" and len(names) > 1:
        runs = _runs(evidence, equals)
        return Step(code="ride again", why="too close", engine=engine, setups=names, runs=runs)
    return Step(code="nothing", engine=engine)


def _too_hot(evidence, ride, ridden) -> Combination | None:
    """What was ridden too hot on an engine of which nothing is left; None if there is none."""
    if ride is not None and (ride.engine in evidence.bigger or _pulled(evidence, ride)):
        return None
    left = {one.engine for one in ridden if one.gate is None}
    changed = {one.engine for one in ridden if one.engine in evidence.bigger}
    changed |= {one.engine for one in ridden if _pulled(evidence, one)}
    for one in sorted(ridden, key=lambda one: (-_strongest(evidence, ridden, one.engine), one.key)):
        hot = one.gate is not None and one.gate.code == "heat" and one.gate.because is None
        if hot and one.engine not in left and (ride is None or one.engine in changed):
            return one
    return None


def _without_power(evidence, ride, strength, ridden) -> str | None:
    """A bigger engine that nothing shows or suggests to pull harder; None if there is none."""
    timed = [one for one in ridden if one.setup in evidence.gains]
    for engine in sorted({one.engine for one in timed} & evidence.bigger):
        if any(_pulled(evidence, one) for one in timed if one.engine == engine):
            continue
        if ride is None or ride.engine != engine or strength == "open":
            return engine
    return None


def _mixture_step(evidence, ride, choices) -> Step | None:
    """The step that the mixture asks for; None if it asks for none."""
    fitted, engine = choices.fitted, choices.engine
    if not evidence.burnt:
        return Step(code="change fuel", engine=engine)
    if not choices.injectors:
        return None
    best = choices.best()
    stays = fitted is not None and choices.open_on(fitted)
    if best is not None and choices.inside(best) < LIKELY:
        return Step(code="list injectors", engine=engine, injector=best, fuels=evidence.burnt)
    if best is not None and best == fitted:
        return None
    if best is not None:
        code = "fit" if choices.owned(best) else "buy"
        return Step(code=code, engine=engine, injector=best, fuels=evidence.burnt)
    most, some = choices.part_of_the_fuels()
    if stays and not choices.clearly_better(most, some, stays):
        return Step(code="change fuel", engine=engine, injector=fitted, fuels=stays)
    if choices.only_fuel_shuts():
        return Step(code="change fuel", engine=engine)
    if not some:
        return Step(code="list injectors", engine=engine, fuels=evidence.burnt)
    if max(choices.at[most, fuel].odds.inside for fuel in some) < LIKELY:
        return Step(code="list injectors", engine=engine, injector=most, fuels=some)
    code = "fit" if choices.owned(most) else "buy"
    return Step(code=code, engine=engine, injector=most, fuels=some)


# The evidence of a session ------------------------------------------------------------------------

# Engines whose displacement is nearer than this are the same size.
_SAME_SIZE = 1.02


def evidence_of(
    session: Session,
    combinations: tuple[Combination, ...],
    road: Road | None,
    read: pd.DataFrame,
    fit: LadderFit | None,
    mixtures: tuple[Mixture, ...],
    limits: tuple[FuelLimit, ...],
) -> Evidence:
    """Evidence of a session.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    combinations : tuple of Combination
        With their gates.
    road : Road or None
    read : pandas.DataFrame
        Full-throttle readings, of :func:`tuninglib.analysis.mixture.weighed_readings`.
    fit : tuninglib.statistics.ladder.LadderFit or None
    mixtures : tuple of Mixture
    limits : tuple of FuelLimit

    Returns
    -------
    Evidence
    """
    gains = {pull.setup: pull.gain for pull in road.pulls} if road else {}
    return Evidence(
        combinations=combinations,
        unexplained=unexplained(combinations),
        gains=gains,
        apart=_told_apart(road, gains, session.about.reference),
        reference=session.about.reference,
        burnt=burnt_fuels(session, limits),
        bigger=bigger_engines(session),
        more_runs={pull.setup: pull.more_runs for pull in road.pulls} if road else {},
        missing=_missing(session, combinations, gains, read, fit, mixtures),
    )


def _told_apart(road, gains, reference) -> frozenset:
    """Pairs of setups that differ; against the reference as the gains have it, and no other way."""
    pairs = [p for p in road.pairs if reference not in (p.setup, p.over)] if road else []
    found = [(p.setup, p.over) for p in pairs if p.told_apart]
    found += [(name, reference) for name, gain in gains.items() if gain and gain.told_apart]
    return frozenset(map(frozenset, found))


def burnt_fuels(session: Session, limits: Sequence[FuelLimit] = ()) -> tuple:
    """Fuels that may be in the tank, less those that no engine may burn; the leanest first.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    limits : sequence of FuelLimit
    """
    fuels = session.use.fuels or tuple(
        dict.fromkeys(setup.fuel for setup in session.setups.values())
    )
    forbidden = {limit.fuel for limit in limits if limit.engine is None}

    def need(name):
        blend = blend_of(session.fuels[name])
        return float(metering_demand(blend.stoichiometric_ratio, blend.density_kg_m3))

    # The less air a pulse of fuel asks for, the leaner it runs on the same injector.
    return tuple(sorted((name for name in fuels if name not in forbidden), key=need))


def bigger_engines(session: Session) -> frozenset:
    """Engines that were fitted, of more displacement than the reference's.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    """
    reference = session.setups[session.about.reference].engine
    size = session.engines[reference].displacement_m3
    return frozenset(
        setup.engine
        for setup in session.setups.values()
        if session.engines[setup.engine].displacement_m3 > _SAME_SIZE * size
    )


def _missing(session, combinations, gains, read, fit, mixtures) -> tuple:
    """Halves of the evidence that are not there."""
    ridden = [one for one in combinations if one.setup is not None]
    found = []
    if not any(one.source == "read" for one in ridden):
        found.append("range" if any(one.pegged for one in mixtures) else "gauge")
    elif read["wide"].mean() > 0.5:
        found.append("steady")
    elif fit is None:
        found.append("open loop")
    if not gains:
        found.append("speeds")
    if not (session.runs["knock"] != "").any():
        found.append("knock")
    return tuple(found)


# What would change the plan -----------------------------------------------------------------------

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

    code: Literal["knock", "richer", "climbs", "fuel"]
    plan: Plan


@dataclass(frozen=True, kw_only=True)
class Advice:
    """The combinations with their gates, the plan, and what would change it."""

    combinations: tuple
    plan: Plan
    flips: tuple


def advise(
    session: Session,
    read: pd.DataFrame,
    fit: LadderFit | None,
    road: Road | None,
    knocks: tuple[Knock, ...],
    limits: tuple[FuelLimit, ...],
) -> Advice:
    """The plan of a session, and what would change it.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    read : pandas.DataFrame
        Full-throttle readings, of :func:`tuninglib.analysis.mixture.weighed_readings`.
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
