"""What to do: from what a session shows to one plan, and what would change it.

One decision under uncertainty. Gates cut first and are never outvoted; of what they leave, what is
worth most is ridden, and what may gain most is next (:mod:`tuninglib.analysis.worth`). The evidence
of a session is brought together once, the plan is decided once, and its flips, the nearest facts
that would change it, are found by trying them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import pandas as pd

from tuninglib.analysis.air_envelope import KnownAir, lean_share
from tuninglib.analysis.combinations import (
    Limits,
    combinations_of,
    gated,
    lean_by_itself,
    loudest_first,
    mixture_weights,
    stop_limits,
    unexplained,
)
from tuninglib.analysis.gain import Road
from tuninglib.analysis.mixture import analyse_mixtures, readings_of, tolerance_sd
from tuninglib.analysis.records import Combination, FlowWanted, FuelLimit, Knock, one_each
from tuninglib.analysis.season_record import AdviceOfDay
from tuninglib.analysis.worth import (
    EVEN,
    LIKELY,
    NOT_ON_THIS_FUEL,
    SAME,
    UNREAD,
    WORTH_THE_WORK,
    Gains,
    KnownMixture,
    Terms,
    gains_of,
    value_of_measuring,
    value_of_runs,
    value_of_trying,
)
from tuninglib.interval import Z_95, Measured
from tuninglib.physics.fuels import known_higher
from tuninglib.physics.injector import metering_demand
from tuninglib.session.defaults import band_of, blend_of, leaner_limit_of
from tuninglib.session.machine import Injector
from tuninglib.session.records import Session
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
        ``"measure flow"`` (of one that is owned and too likely lean to be tried unmeasured),
        ``"ride again"``, ``"change fuel"`` (without ``fuels``: none of them is allowed),
        ``"find knock"``, ``"find heat"``, ``"find power"`` or ``"list injectors"`` (none of those
        listed would do).
    why : str
        ``""``, or for ``"ride again"``: ``"gauge"``, ``"range"``, ``"steady"``,
        ``"open loop"``, ``"speeds"``, ``"too close"``, ``"doubted"``.
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


@dataclass(frozen=True)
class KnockedFuel:
    """A fuel that would be burnt, but knocked on the plan's engine though it was not lean.

    Attributes
    ----------
    fuel : str
        Name of the fuel in session.toml.
    heard : Combination
        What knocked.
    """

    fuel: str
    heard: Combination


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
    knocked_fuels : tuple of KnockedFuel
        That are no longer decided by.
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
    flow_wanted : FlowWanted or None
        An injector to look for on sale, where none of those listed is likely enough; None where
        nothing is looked for, or no flow may be tried.
    """

    ride: Combination | None
    engine: str | None
    strength: str
    runs: int | None
    next: Step
    fuels: tuple[OnFuel, ...]
    knocked_fuels: tuple[KnockedFuel, ...]
    for_all: str | None
    equals: tuple[str, ...]
    shut: tuple[Combination, ...]
    missing: tuple[str, ...]
    flow_wanted: FlowWanted | None = None


# Power is flat from here to the usual lean edge (handbooks, order only).
_RICH_OF_POWER = 0.77

# From evidence to the plan ------------------------------------------------------------------------

# Gates that another injector or fuel can open.
_MENDABLE = ("knock", "knock implied", "ethanol", "octane", "lean", "air", "rich", "flow")


@dataclass(frozen=True, kw_only=True)
class Evidence(Terms):
    """What a plan is made from: what the session states, and what was measured.

    Attributes
    ----------
    combinations : tuple of Combination
        With their gates.
    unexplained : dict of str to Combination
        Engines whose knock the mixture does not explain.
    gains : dict of str to tuninglib.statistics.gain.Gain or None
        Of the setups with speeds over the reference, which has None; empty without speeds.
    pulls : tuninglib.analysis.worth.Gains
        How everything pulls, by the runs and by what is usual of engines.
    apart : frozenset of frozenset of str
        Pairs of setups that the test tells apart in force.
    size : dict of str to float
        Displacement of every engine over that of the reference's.
    more_runs : dict
        Setup to the number of runs that would likely decide it; None if no number would.
    prices : dict of str to float
        Of injectors, where one is known.
    flow_sds : dict of str to float
        Of injectors that were not read: how far their flow may be off as stated, relative.
    missing : tuple of str
    """

    combinations: tuple
    unexplained: dict
    gains: dict
    pulls: Gains
    apart: frozenset
    size: Mapping
    more_runs: Mapping = field(default_factory=dict)
    prices: Mapping = field(default_factory=dict)
    flow_sds: Mapping = field(default_factory=dict)
    missing: tuple = ()

    @property
    def ridden(self) -> list[Combination]:
        """What was ridden, in the order of the setups."""
        return [one for one in self.combinations if one.setup is not None]

    def gain(self, one: Combination) -> float:
        """Expected gain in pull over the reference, in per cent."""
        return self.pulls.percent(one.setup, one.engine)

    def worth(self, one: Combination) -> float:
        """Its expected gain less the harm that its mixture is expected to do, in per cent."""
        return self.gain(one) - self.harm(one)

    def harm(self, one: Combination) -> float:
        """Expected harm of its mixture; of one that nobody read, what is put in its place."""
        if one.harm is not None:
            return one.harm
        others = any(c.source == "read" for c in self.combinations)
        return UNREAD if others and one.setup != self.reference else 0.0


def evidence_of(
    terms: Terms,
    combinations: tuple,
    engine_of: Mapping[str, str],
    displacement_m3: Mapping[str, float],
    gains: dict,
    pairs: Sequence[Gain],
    **known: Any,
) -> Evidence:
    """Evidence of a session or a season.

    Parameters
    ----------
    terms : Terms
    combinations : tuple of Combination
        With their gates.
    engine_of : dict of str to str
        Setup to engine.
    displacement_m3 : dict of str to float
        Of every engine.
    gains : dict of str to Gain or None
        As of :class:`Evidence`.
    pairs : sequence of Gain
        Of all pairs of setups.
    **known
        ``more_runs``, ``prices``, ``flow_sds`` and ``missing`` of :class:`Evidence`.
    """
    # Against the reference as the gains have it, and no other way.
    apart = [p for p in pairs if terms.reference not in (p.setup, p.over)]
    apart += [gain for gain in gains.values() if gain is not None]
    own = displacement_m3[engine_of[terms.reference]]
    return Evidence(
        **vars(terms),
        combinations=combinations,
        size={name: volume / own for name, volume in displacement_m3.items()},
        unexplained=unexplained(combinations),
        gains=gains,
        pulls=gains_of(engine_of, displacement_m3, gains, pairs, terms.reference),
        apart=frozenset(frozenset((one.setup, one.over)) for one in apart if one.told_apart),
        **known,
    )


def make_plan(evidence: Evidence) -> Plan:
    """The plan that a session supports.

    Parameters
    ----------
    evidence : Evidence

    Returns
    -------
    Plan

    Notes
    -----
    Gates come first. Of what they leave, what was ridden and is worth most is ridden now. What is
    next is whatever may gain most: an injector to try under the gauge, runs that may show something
    else to be better, or, before all that, the cause of a knock, of heat or of missing power.
    """
    ride = _ride(evidence)
    evidence = replace(evidence, combinations=_with_worths(evidence, ride))
    engine = _engine_of_interest(evidence, ride)
    dropped = _knocked_fuels(evidence, engine)
    evidence = replace(evidence, burnt=tuple(f for f in evidence.burnt if f not in dropped))
    equals = _equals(evidence, ride)
    strength = _strength(evidence, ride, equals)
    choices = _Choices(evidence, engine, ride)
    step = _next(evidence, ride, strength, equals, choices)
    return Plan(
        ride=ride,
        engine=engine,
        strength=strength,
        runs=None if strength == "decided" else _runs(evidence, (ride, *equals)),
        next=step,
        fuels=choices.by_fuel(step),
        knocked_fuels=tuple(KnockedFuel(fuel, heard) for fuel, heard in dropped.items()),
        for_all=choices.for_all(step),
        equals=_named(*equals),
        # What is ridden now was perhaps ridden on another fuel, on which it must not be.
        shut=tuple(
            one
            for one in evidence.ridden
            if one.gate is not None and (ride is None or one.setup != ride.setup)
        ),
        missing=evidence.missing,
    )


def _with_worths(evidence, ride) -> tuple:
    """Every combination that is known of, with what it is worth."""

    def weighed(one):
        if one.setup is None and one.harm is None:
            return one
        # An injector changes the pull by its mixture alone, and inside the band that is flat.
        swap = one.setup is None and ride is not None and one.engine == ride.engine
        gain = evidence.gain(ride if swap else one)
        return replace(one, gain=gain, worth=gain - evidence.harm(one))

    return tuple(map(weighed, evidence.combinations))


def leans(gain: Gain | None) -> bool:
    """Whether a gain is likely enough to rely on, settled or not.

    Parameters
    ----------
    gain : tuninglib.statistics.gain.Gain or None
        None of the reference.
    """
    return gain is not None and gain.ratio.value > 0 and gain.strength != "open"


# What to ride -------------------------------------------------------------------------------------


def _ride(evidence) -> Combination | None:
    """What is worth most of what may be ridden on a fuel that will be burnt."""
    standing = [one for one in _on_burnt_fuels(evidence) if one.gate is None]
    # Of what pulled harder than the rest lets believe, only what engines usually do is believed.
    sound = [one for one in standing if not _doubted(evidence, one)]
    least = max(map(evidence.worth, sound), default=float("-inf")) + WORTH_THE_WORK
    able = [*sound, *(one for one in standing if _too_good(evidence, one, least))] or standing
    if not evidence.gains:
        # Nothing was timed, and perhaps nothing read either: then nothing is taken off or put on.
        able = [one for one in sound if one.harm is not None or one.setup == evidence.reference]
    if not able:
        return None
    best = max(map(evidence.worth, able))
    near = [one for one in able if evidence.worth(one) >= best - WORTH_THE_WORK]
    reference = [one for one in near if one.setup == evidence.reference]
    near = [one for one in near if evidence.worth(one) >= best - SAME]
    # Where little is to gain: the reference, which needs no work, else the larger injector.
    ride = min(reference or near, key=lambda one: (-one.flow_m3_s, -evidence.worth(one)))
    return replace(ride, gain=evidence.gain(ride), worth=evidence.worth(ride))


def _doubted(evidence, one) -> bool:
    gain = evidence.gains.get(one.setup)
    return gain is not None and gain.doubted


def _too_good(evidence, one, least) -> bool:
    """Whether it is doubted because it pulled too hard, and is worth more than the rest even so."""
    stronger = _doubted(evidence, one) and evidence.gains[one.setup].ratio.value > 0
    return stronger and evidence.worth(one) > least


def _on_burnt_fuels(evidence) -> list:
    """What was ridden, on fuels that will be burnt.

    What was ridden on other fuels alone is evidence: it stands for the same parts on the fuel that
    will be in the tank, whose mixture is then calculated.
    """
    own = [one for one in evidence.ridden if one.fuel in evidence.burnt]
    there = {(one.engine, one.injector) for one in own}
    return own + [
        replace(other, setup=one.setup, parts=one.parts)
        for one in evidence.ridden
        if (one.engine, one.injector) not in there
        for other in evidence.combinations
        if other.setup is None
        and other.key[:2] == one.key[:2]
        and other.fuel in evidence.burnt
        and not (one.knocks and other.gate is None)
    ]


def _equals(evidence, ride) -> list:
    """Other setups that may be ridden, and that the test cannot tell from the ride in force."""
    if ride is None or ride.setup not in evidence.gains or _doubted(evidence, ride):
        return []
    return [
        one
        for one in evidence.ridden
        if one.gate is None
        and one.fuel in evidence.burnt
        and one.setup in evidence.gains
        and one.setup != ride.setup
        and frozenset((one.setup, ride.setup)) not in evidence.apart
        and not _doubted(evidence, one)
    ]


def _strength(evidence, ride, equals) -> str:
    """How sure it is that what is ridden pulls as it should: by its own gain, not by another's."""
    if ride is None or ride.setup not in evidence.gains:
        return "open"
    if ride.setup == evidence.reference:
        return "open" if equals else "decided"
    if evidence.gains[ride.setup].told_apart:
        return "decided"
    return "leaning" if leans(evidence.gains[ride.setup]) else "open"


def _runs(evidence, setups) -> int | None:
    """More runs of each that would likely settle the likeliest gain among them."""
    own = [one for one in setups if one is not None and evidence.gains.get(one.setup) is not None]
    if not own:
        return None
    return evidence.more_runs.get(max(own, key=lambda one: abs(evidence.gain(one))).setup)


def _engine_of_interest(evidence, ride) -> str | None:
    """The engine that the next injector is for: the ride's, unless one is shut that pulls harder.

    It must be shut by what another injector or fuel can mend, and by nothing else.
    """
    ridden = evidence.ridden

    def gain(engine):
        return max(evidence.gain(one) for one in ridden if one.engine == engine)

    engines = sorted({one.engine for one in ridden}, key=lambda name: (-gain(name), name))
    least = SAME + (evidence.gain(ride) if ride is not None else 0.0)
    for engine in engines:
        # On the fuels that will be burnt; what stands on another one is of no use.
        shut = [one.gate for one in _on_burnt_fuels(evidence) if one.engine == engine]
        shut = shut or [one.gate for one in ridden if one.engine == engine]
        mendable = all(gate is not None and gate.code in _MENDABLE for gate in shut)
        weak = gain(engine) <= least and not _never_right(evidence, engine)
        if engine not in evidence.unexplained and mendable and not weak:
            return engine
    if ride is not None:
        return ride.engine
    return next((one.engine for one in ridden if one.setup == evidence.reference), None)


def _never_right(evidence, engine) -> bool:
    """Whether a bigger engine was ridden only with mixtures that cost it its power."""
    own = [one for one in evidence.ridden if one.engine == engine]
    weak = [one for one in own if one.lambda_ is not None and _costs_power(one)]
    return engine in evidence.bigger and len(weak) == len(own)


def _costs_power(one) -> bool:
    return one.lambda_.value < _RICH_OF_POWER or one.odds.leaner > 1 - LIKELY


def _knocked_fuels(evidence, engine) -> dict:
    """Fuels that knocked on an engine though not lean, where one of more octane stands on it.

    A fuel that knocked is no longer one to decide by.
    """
    own = [one for one in evidence.ridden if one.engine == engine]
    found = {}
    for one in own:
        better = any(
            c.gate is None and c.fuel in evidence.burnt and known_higher(c.octane, one.octane)
            for c in own
        )
        if one.knocks and not lean_by_itself(one) and better:
            found.setdefault(one.fuel, one)
    return found


# What is next -------------------------------------------------------------------------------------


class _Choices:
    """Injectors on one engine over the fuels that may be burnt, and what each may gain."""

    def __init__(self, evidence, engine, ride):
        self.evidence, self.engine, self.ride = evidence, engine, ride
        self.fitted = ride.injector if ride is not None and ride.engine == engine else None
        self.known = one_each(evidence.combinations, ride)
        own = [
            one
            for one in evidence.combinations
            if one.engine == engine and one.fuel in evidence.burnt and one.odds is not None
        ]
        self.at = {(one.injector, one.fuel): one for one in one_each(own, ride).values()}

    def open_on(self, injector) -> tuple:
        """Fuels on which an injector may be ridden, or tried under the gauge."""
        at, burnt = self.at, self.evidence.burnt
        return tuple(f for f in burnt if (injector, f) in at and at[injector, f].may_be_tried)

    def inside(self, injector, fuels) -> float:
        """Chance of the band on the fuel where it is least."""
        return _inside([self.at[injector, fuel] for fuel in fuels])

    def owned(self, injector) -> bool:
        return any(one.owned for (name, _), one in self.at.items() if name == injector)

    def value(self, injector) -> float:
        """What fitting it may gain over today's ride, in per cent of pull."""
        evidence = self.evidence
        mine = [self.at.get((injector, fuel)) for fuel in evidence.burnt]
        setup = next((c.setup for c in mine if c is not None and c.setup is not None), None)
        if self.fitted is not None and setup is not None:
            # It was ridden: what trying it would tell is known, but for fuels not ridden yet.
            today = [self._today(fuel) for fuel in evidence.burnt]
            harms = [_harm_on(c) - _harm_on(t) for c, t in zip(mine, today, strict=True)]
            return max(self._stronger(setup) - sum(harms) / len(harms), 0.0)
        return value_of_trying(
            [KnownMixture(c and c.lambda_, shut=c is None or not c.may_be_tried) for c in mine],
            **self._trying(),
        )

    def _trying(self) -> dict:
        """What any untried injector on the engine is held against."""
        evidence = self.evidence
        today = [self._today(fuel) for fuel in evidence.burnt]
        return {
            "today": [
                KnownMixture(c and c.lambda_, shut=c is None or c.gate is not None) for c in today
            ],
            # Inside the band another injector on the same engine changes the mixture alone.
            "stronger": self._stronger(None) if self.fitted is None else 0.0,
            "gauge_sd": evidence.gauge_sd,
            "band": evidence.band,
            "weights": evidence.weights,
        }

    def best_to_measure(self) -> tuple:
        """Of what is at hand and too likely lean to be tried: whose flow to measure first."""
        evidence, held, values = self.evidence, self._trying(), {}
        for name in sorted(evidence.flow_sds):
            own = [self.at.get((name, fuel)) for fuel in evidence.burnt]
            lean = [c is not None and c.gate is not None and c.gate.code == "lean" for c in own]
            if any(lean) and self.owned(name):
                known = [
                    KnownMixture(c and c.lambda_, shut=not (opens or (c and c.may_be_tried)))
                    for c, opens in zip(own, lean, strict=True)
                ]
                flow_sd = evidence.flow_sds[name]
                values[name] = value_of_measuring(known, flow_sd=flow_sd, **held)
        name = max(values, key=values.__getitem__, default=None)
        return name, values.get(name, 0.0)

    def _stronger(self, setup) -> float:
        """Expected pull of a setup, or of one on the engine, over today's ride, in per cent."""
        ride = self.ride
        today = (ride.setup, ride.engine) if ride else (self.evidence.reference, self.engine)
        return self.evidence.pulls.apart((setup, self.engine), today)[0]

    def _today(self, fuel):
        """What is ridden now, on a fuel."""
        ride = self.ride
        if ride is None or ride.fuel == fuel:
            return ride
        return self.known.get((ride.engine, ride.injector, fuel))

    def best(self) -> tuple:
        """The injector that may gain most, and what it may gain; of the same gain one at hand."""
        names = sorted({name for name, _ in self.at} - {self.fitted})
        names = [name for name in names if self.open_on(name)]
        # What is hardly likely to fit is named only where nothing else may be tried.
        likely = [n for n in names if self.inside(n, self.open_on(n)) >= LIKELY]
        values = {name: self.value(name) for name in likely or names}
        if not values:
            return None, 0.0

        most = max(values.values())

        def rank(name):
            price = self.evidence.prices.get(name, 0.0)
            fuels = self.open_on(name)
            own = [self.at[name, fuel] for fuel in fuels]
            # Where no more pull is expected of any, the one that risks least.
            last = -self.inside(name, fuels) if most >= SAME else _mean_harm(own)
            return (-len(fuels), not self.owned(name), price, last, name)

        name = min((name for name in values if values[name] >= most - SAME), key=rank)
        return name, values[name]

    def only_fuel_shuts(self) -> bool:
        """Whether none of the fuels is allowed on this engine, whatever the injector."""
        limited = {one.fuel for one in self.at.values() if _fuel_shuts(one)}
        return limited == set(self.evidence.burnt)

    def for_all(self, step) -> str | None:
        """One injector that may be ridden on all fuels: the next one, or what is fitted."""
        burnt = self.evidence.burnt
        names = (name for name in (step.injector, self.fitted) if name and burnt)
        return next((name for name in names if self.open_on(name) == burnt), None)

    def by_fuel(self, step) -> tuple:
        """The answer on each fuel, the leanest first: what is next, fitted, or worth most."""
        found = []
        for fuel in self.evidence.burnt:
            own = [one for (_, on), one in self.at.items() if on == fuel and one.gate is None]
            fitted = self.at.get((self.fitted, fuel))
            best = min(own, key=lambda one: (one.harm, one.injector), default=None)
            if step.code in ("fit", "buy") and fuel in step.fuels:
                best = self.at[step.injector, fuel]
            elif step.code in ("find knock", "find heat"):
                # Nothing else is fitted before the cause is known.
                best = fitted if fitted in own else None
            elif fitted in own and best and fitted.harm <= best.harm + WORTH_THE_WORK:
                best = fitted
            found.append(OnFuel(fuel, best, fitted))
        return tuple(found)


def _harm_on(one) -> float:
    """Harm on a fuel; where it must not be ridden, what that is worth."""
    if one is None or one.gate is not None:
        return NOT_ON_THIS_FUEL
    return UNREAD if one.harm is None else one.harm


def _named(*combinations) -> tuple[str, ...]:
    return tuple(one.setup for one in combinations if one is not None and one.setup is not None)


def _next(evidence, ride, strength, equals, choices) -> Step:
    """The first of these that there is reason for."""
    engine = choices.engine
    causes = [*evidence.unexplained.values(), *_all_knocked(evidence, engine)]
    for code, found in (("find knock", causes), ("find heat", _too_hot(evidence, ride))):
        if found:
            return Step(code=code, engine=found[0].engine, setups=_named(found[0]))
    here = ride.engine if ride is not None else engine

    def again(*halves):
        """Rides that bring a half of the evidence which is missing."""
        for half in halves:
            if half in evidence.missing:
                names = _named(ride, *equals)
                return Step(code="ride again", why=half, engine=here, setups=names)
        return None

    # Neither the extremes of whole runs nor a mixture that the ECU holds choose an injector.
    return (
        again("steady", "open loop")
        or _mixture_step(evidence, choices)
        or again("gauge", "range", "speeds")
        or _power_step(evidence, ride, strength)
        or _runs_step(evidence, ride, strength, equals, engine)
    )


def _all_knocked(evidence, engine) -> list:
    """What knocked, where knock leaves nothing of an engine to ride, to fit or to buy."""
    # What is only listed counts on fuels that may be burnt in it.
    own = [
        one
        for one in evidence.combinations
        if one.engine == engine
        and (one.setup is not None or (one.fuel in evidence.burnt and not _fuel_shuts(one)))
    ]
    if not all(one.gate is not None and one.gate.knock is not None for one in own):
        return []
    heard = [one for one in own if one.setup is not None and one.knocks]
    return sorted(heard, key=loudest_first)


def _fuel_shuts(one) -> bool:
    return one.gate is not None and one.gate.fuel_limit is not None


def _too_hot(evidence, ride) -> list:
    """What was ridden too hot on engines of which nothing is left, the strongest first."""
    left = {one.engine for one in evidence.ridden if one.gate is None}
    least = evidence.gain(ride) + SAME if ride is not None else float("-inf")
    hot = [
        one
        for one in evidence.ridden
        if one.gate is not None and one.gate.code == "heat" and one.gate.because is None
        if one.engine not in left and evidence.gain(one) > least
    ]
    return sorted(hot, key=lambda one: (-evidence.gain(one), one.key))


def _mixture_step(evidence, choices) -> Step | None:
    """The step that the mixture asks for; None if it asks for none."""
    fitted, engine = choices.fitted, choices.engine
    if not evidence.burnt or choices.only_fuel_shuts():
        return Step(code="change fuel", engine=engine)
    if not choices.at:
        return None
    stays = choices.open_on(fitted) if fitted is not None else ()
    stays = tuple(f for f in stays if choices.at[fitted, f].gate is None)
    # Where what is ridden is not in the band that was asked for, a little gain is enough.
    inside = stays and choices.inside(fitted, stays) >= EVEN
    least = WORTH_THE_WORK if inside else SAME
    name, value = choices.best()
    measured, shown = choices.best_to_measure()
    if shown >= value + least:
        lean = tuple(f for f in evidence.burnt if not choices.at[measured, f].may_be_tried)
        return Step(code="measure flow", engine=engine, injector=measured, fuels=lean)
    # And where nothing of an engine may be ridden, none: it was not ridden with its mixture right.
    if name is not None and value >= (least if stays else 0.0):
        fuels = choices.open_on(name)
        if len(fuels) >= len(stays):
            code = "fit" if choices.owned(name) else "buy"
            if choices.inside(name, fuels) < LIKELY:
                code = "list injectors"
            return Step(code=code, engine=engine, injector=name, fuels=fuels)
    if not stays:
        return Step(code="list injectors", engine=engine, fuels=evidence.burnt)
    if len(stays) < len(evidence.burnt):
        return Step(code="change fuel", engine=engine, injector=fitted, fuels=stays)
    if _mean_harm([choices.at[fitted, fuel] for fuel in stays]) >= WORTH_THE_WORK:
        return Step(code="list injectors", engine=engine, injector=fitted, fuels=stays)
    return None


def _power_step(evidence, ride, strength) -> Step | None:
    """A search, where nothing shows or suggests that a bigger engine pulls harder."""
    timed = [one for one in evidence.ridden if one.setup in evidence.gains]
    for engine in sorted({one.engine for one in timed} & set(evidence.bigger)):
        own = [evidence.gains[one.setup] for one in timed if one.engine == engine]
        if any(_may_pull_as_it_should(one, evidence.size[engine]) for one in own if one):
            continue
        if ride is None or ride.engine != engine or strength == "open":
            return Step(code="find power", engine=engine)
    return None


def _may_pull_as_it_should(gain, size) -> bool:
    """Whether power came, or few runs leave room for all that the displacement promises."""
    too_hard = gain.doubted and gain.ratio.value > 0
    return leans(gain) or too_hard or (not gain.doubted and gain.ratio.high > size - 1)


# What is asked of a rider at once, when runs are to show which of two is the better one.
_MORE_RUNS = 2


def _runs_step(evidence, ride, strength, equals, engine) -> Step:
    """More runs, where they may show something else to be better or settle what is leaned on."""
    decided, rivals = strength == "decided", equals
    if ride is not None and _doubted(evidence, ride):
        # Its runs again, beside those that it is held against, where they may be ridden.
        shut = [one.setup for one in evidence.ridden if one.gate is not None]
        beside = [name for name in (evidence.reference,) if name not in shut]
        names = tuple(dict.fromkeys((*_named(ride), *beside)))
        return Step(code="ride again", why="doubted", engine=engine, setups=names, runs=_MORE_RUNS)
    if decided:
        rivals = [one for one in equals if _value_of_runs(evidence, ride, one) >= WORTH_THE_WORK]
    if ride is None or not rivals:
        return Step(code="nothing", engine=engine)
    runs = _MORE_RUNS if decided else _runs(evidence, (ride, *rivals))
    names = _named(ride, *rivals)
    return Step(code="ride again", why="too close", engine=engine, setups=names, runs=runs)


def _value_of_runs(evidence, ride, other) -> float:
    return value_of_runs(
        evidence.pulls.apart((other.setup, other.engine), (ride.setup, ride.engine)),
        harm=evidence.harm(other) - evidence.harm(ride),
        run_sd=evidence.run_sd,
        runs=_MORE_RUNS,
    )


# What is known of a session, and the advice that it gets ------------------------------------------

# Engines whose displacement is nearer than this are the same size.
_SAME_SIZE = 1.02
# How much richer a band is tried.
RICHER_BAND = 0.02


@dataclass(frozen=True, kw_only=True)
class Findings:
    """What is known of a session when its advice is made.

    Attributes
    ----------
    session : tuninglib.session.records.Session
        With its gauge as the check found it.
    read : pandas.DataFrame
        Full-throttle readings, of :func:`tuninglib.analysis.mixture.weighed_readings`.
    fit : tuninglib.statistics.ladder.LadderFit or None
    road : Road or None
    knocks : tuple of Knock
    fuel_limits : tuple of FuelLimit
    hot_climbs : tuple of str
        Setups whose head ends above the limit on a long climb on a hot day.
    air : KnownAir or None
        For which air the mixtures hold.
    """

    session: Session
    read: pd.DataFrame
    fit: LadderFit | None
    road: Road | None
    knocks: tuple[Knock, ...]
    fuel_limits: tuple[FuelLimit, ...]
    hot_climbs: tuple[str, ...]
    air: KnownAir | None = None


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
    """The combinations with their gates, the plan, what would change it, and what it rested on."""

    combinations: tuple
    plan: Plan
    flips: tuple
    of_day: AdviceOfDay


def advise(known: Findings) -> Advice:
    """The plan of a session, and what would change it.

    Parameters
    ----------
    known : Findings

    Returns
    -------
    Advice
    """
    found = _combinations(known)
    evidence = _evidence(known, found)
    plan = make_plan(evidence)
    combinations = _with_worths(evidence, plan.ride)
    plan = _with_flow(plan, combinations, _flow_wanted(known, plan))
    # Of the same engine: what it would do to another one is not asked.
    engines = (None, plan.engine, plan.ride.engine if plan.ride else None)
    others = {
        code: make_plan(_evidence(*changed)) for code, *changed in _trials(known, plan, found)
    }
    flips = tuple(
        Flip(code=code, plan=other)
        for code, other in others.items()
        if _gist(other) != _gist(plan) and other.next.engine in engines
    )
    of_day = AdviceOfDay(
        # What shuts one by another is found again, from all days.
        combinations=tuple(
            replace(one, gate=one.gate and replace(one.gate, because=None)) for one in combinations
        ),
        terms=_terms(known),
        limits=_limits(known),
        missing=plan.missing,
    )
    return Advice(combinations=combinations, plan=plan, flips=flips, of_day=of_day)


def _combinations(known, **only) -> tuple:
    """Every combination of a session, or only some of those not ridden; no gate has shut any."""
    session = known.session
    mixtures, band = analyse_mixtures(session, known.read), band_of(session)
    found = combinations_of(session, known.fit, mixtures, known.knocks, **only)
    return tuple(replace(one, lean_air=lean_share(known.air, one, band)) for one in found)


def _limits(known) -> Limits:
    session = known.session
    return Limits(
        fuels=known.fuel_limits,
        lean=leaner_limit_of(session),
        richest=session.assumptions.richest_lambda,
        hottest_k=stop_limits(session).hottest_k,
        hot_climbs=known.hot_climbs if session.use.sustained else (),
        stated_edge=session.target.highest,
    )


def _terms(known) -> Terms:
    session, road = known.session, known.road
    scatter = road.scatter_sd if road else session.assumptions.run_scatter.value
    return Terms(
        reference=session.about.reference,
        burnt=burnt_fuels(session, known.fuel_limits),
        bigger=_bigger_engines(session),
        band=band_of(session),
        weights=mixture_weights(session),
        gauge_sd=session.gauge.accuracy.sd,
        run_sd=100 * scatter,
    )


def _evidence(known, combinations) -> Evidence:
    session, road, combinations = known.session, known.road, gated(combinations, _limits(known))
    pulls = road.pulls if road else ()
    gains = {pull.setup: pull.gain for pull in pulls}

    def read(injector):
        return known.fit is not None and injector in known.fit.tolerance

    return evidence_of(
        _terms(known),
        combinations,
        {name: setup.engine for name, setup in session.setups.items()},
        {name: float(engine.displacement_m3) for name, engine in session.engines.items()},
        gains,
        road.pairs if road else (),
        more_runs={pull.setup: pull.more_runs for pull in pulls},
        prices={n: one.price for n, one in session.injectors.items() if one.price is not None},
        flow_sds={n: tolerance_sd(session, n) for n in session.injectors if not read(n)},
        missing=_missing(known, combinations, gains),
    )


def burnt_fuels(session: Session, limits: Sequence[FuelLimit]) -> tuple[str, ...]:
    """Fuels that may be in the tank, less those that no engine may burn; the leanest first.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    limits : sequence of FuelLimit
        Of :func:`tuninglib.analysis.mixture.fuel_limits`.
    """
    fuels = session.use.fuels or {setup.fuel: None for setup in session.setups.values()}
    forbidden = {limit.fuel for limit in limits if limit.engine is None}

    def need(name):
        blend = blend_of(session.fuels[name])
        return float(metering_demand(blend.stoichiometric_ratio, blend.density_kg_m3))

    # The less air a pulse of fuel asks for, the leaner it runs on the same injector.
    return tuple(sorted((name for name in fuels if name not in forbidden), key=need))


def _bigger_engines(session) -> tuple:
    """Engines that were fitted, of more displacement than the reference's."""
    size = {name: engine.displacement_m3 for name, engine in session.engines.items()}
    least = _SAME_SIZE * size[session.setups[session.about.reference].engine]
    fitted = {setup.engine for setup in session.setups.values()}
    return tuple(sorted(name for name in fitted if size[name] > least))


def _missing(known, combinations, gains) -> tuple:
    """Halves of the evidence that are not there."""
    found = []
    if not any(one.source == "read" for one in combinations if one.setup is not None):
        found.append("range" if readings_of(known.session)["pegged"].any() else "gauge")
    elif known.read["wide"].mean() > 0.5:
        found.append("steady")
    elif known.fit is None:
        found.append("open loop")
    if not gains:
        found.append("speeds")
    if not (known.session.runs["knock"] != "").any():
        found.append("knock")
    return tuple(found)


def _trials(known, plan, combinations):
    """What would be known of a session that differs in one fact, and of its combinations."""
    session, ride = known.session, plan.ride
    if ride is None:
        return
    rows = session.runs[session.runs["setup"] == ride.setup]
    heard = Knock(ride.setup, float(rows["run"].max()), "light")
    knocked = tuple(
        replace(one, knocks=(*one.knocks, heard)) if one.setup == ride.setup else one
        for one in combinations
    )
    yield "knock", known, knocked
    lowest, highest = session.target.lowest - RICHER_BAND, session.target.highest - RICHER_BAND
    target = replace(session.target, lowest=lowest, highest=highest)
    yield _with(known, "richer", target=target)
    use = session.use
    if not use.sustained_as_said:
        yield _with(known, "climbs", use=replace(use, riding="climbs"))
    if len(plan.fuels) > 1:
        only = replace(session, use=replace(use, fuels=(ride.fuel,)))
        yield "fuel", replace(known, session=only), combinations


def _with(known, code, **changed):
    known = replace(known, session=replace(known.session, **changed))
    return code, known, _combinations(known)


def _gist(plan) -> tuple:
    ride = plan.ride.setup if plan.ride else None
    return ride, plan.next.code, plan.next.engine, plan.next.injector


# The flow to look for -----------------------------------------------------------------------------

# Flows that are asked of, over the geometric mean of those tried: half to double, 3 % apart.
_FLOWS = np.geomspace(0.5, 2.0, 47)


def _with_flow(plan, combinations, wanted) -> Plan:
    """The plan with the flow to look for; where knock leaves none, its cause comes first."""
    own = [one for one in combinations if one.engine == plan.engine and one.setup is not None]
    heard = min((one for one in own if one.knocks), key=loudest_first, default=None)
    late = any(one.gate is not None and one.gate.code == "flow" for one in own)
    rides = plan.ride is not None and plan.ride.engine == plan.engine
    nothing = plan.next.code == "list injectors" and wanted is None and not rides
    if nothing and heard is not None and not late:
        step = Step(code="find knock", engine=plan.engine, setups=_named(heard))
        fuels = tuple(replace(one, best=None) for one in plan.fuels)
        return replace(plan, next=step, fuels=fuels, for_all=None)
    return replace(plan, flow_wanted=wanted)


def _flow_wanted(known, plan) -> FlowWanted | None:
    """Of what the gates would let be tried, a flow that is expected to do least harm.

    Injectors of all flows are put on the list, and the same rule as for any other judges them: who
    starts on the rich side does not end beside a flow that is ruled out.
    """
    session, fit, step, burnt = known.session, known.fit, plan.next, [o.fuel for o in plan.fuels]
    asked = step.code in ("list injectors", "buy", "change fuel", "measure flow")
    if fit is None or not asked or not burnt:
        return None
    used = {setup.injector for setup in session.setups.values()}
    untried = Injector(flow=Measured(1.0), tolerance=Measured(Z_95 * fit.priors.tolerance))
    listed = {
        f"flow {number}": replace(untried, flow=Measured(float(flow)))
        for number, flow in enumerate(fit.reference_flow_m3_s * _FLOWS)
    }
    tried = {name: one for name, one in session.injectors.items() if name in used}
    found: dict = {}
    asked = replace(known, session=replace(session, injectors=tried | listed))
    for one in gated(_combinations(asked, engines=(plan.engine,), fuels=burnt), _limits(known)):
        if one.injector in listed and one.may_be_tried and one.odds is not None:
            found.setdefault(one.injector, []).append(one)
    # What is hardly likely to fit is no flow to look for, however little harm it does.
    every = [own for own in found.values() if len(own) == len(burnt) and _inside(own) >= LIKELY]
    if not every:
        return None
    # Of those that do about as little harm, the likeliest to fit.
    least = min(map(_mean_harm, every))
    best = max((own for own in every if _mean_harm(own) <= least + SAME), key=_inside)
    named = [one.best for one in plan.fuels if one.best is not None]
    # Beside what is bought no other flow is named, unless it would do clearly less harm.
    bought = step.code == "buy" and len(named) == len(burnt)
    if bought and _mean_harm(best) >= _mean_harm(named) - SAME:
        return None
    return FlowWanted(best[0].flow_m3_s, _inside(best), max(one.odds.leaner for one in best))


def _inside(combinations) -> float:
    """Chance of the band on the fuel where it is least."""
    return min(one.odds.inside for one in combinations)


def _mean_harm(combinations) -> float:
    return sum(one.harm for one in combinations) / len(combinations)
