"""From evidence to the plan: gates first, then least harm among equals, then one next step."""

from dataclasses import dataclass

from tuninglib.analysis.combinations import Combination
from tuninglib.analysis.plan import OnFuel, Plan, Step

# Odds that a gain is real from which it is leaned on, though it is not told apart.
LEANING = 0.90
# A candidate must be this much likelier to be inside the band before buying it is advised.
WORTH_BUYING = 0.10
# Expected harms closer than this are the same: half a hundredth of lambda on the rich side.
SAME_HARM = 0.5
# Below these odds of the band on every fuel an injector is no answer, only the best of those tried.
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
    more_runs : callable
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
    more_runs: object
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
    ridden. A bigger engine is not taken off again because a test could not tell it apart.
    """
    ridden = [one for one in evidence.combinations if one.setup is not None]
    standing = [one for one in ridden if one.gate is None]
    ride, equals, strength = _ride(evidence, standing)
    engine = _engine_of_interest(evidence, ride, ridden)
    choices = _Choices(evidence, engine, ride)
    return Plan(
        ride=ride,
        engine=engine,
        strength=strength,
        next=_next(evidence, ride, strength, equals, choices, ridden),
        fuels=choices.by_fuel(),
        for_all=choices.for_all(),
        equals=tuple(one.setup for one in equals if one is not ride),
        shut=tuple(one for one in ridden if one.gate is not None),
        missing=evidence.missing,
    )


def _gain(evidence, one) -> float:
    """Likeliest relative gain over the reference."""
    gain = evidence.gains[one.setup]
    return 0.0 if gain is None else gain.ratio.value


def _odds_of_gain(evidence, one) -> float:
    """Odds that it pulls harder than the reference at all."""
    gain = evidence.gains[one.setup]
    if gain is None:
        return 0.5
    return 1 - gain.p_value / 2 if gain.ratio.value > 0 else gain.p_value / 2


def _pulled(evidence, one) -> bool:
    """Whether it was shown to pull harder than the reference."""
    gain = evidence.gains.get(one.setup)
    return gain is not None and gain.told_apart and gain.ratio.value > 0


def _strongest(evidence, ridden, engine) -> float:
    """Highest likeliest gain of an engine's setups."""
    own = [one for one in ridden if one.engine == engine and one.setup in evidence.gains]
    return max((_gain(evidence, one) for one in own), default=0.0)


def _harm(one: Combination) -> float:
    return float("inf") if one.harm is None else one.harm


def _ride(evidence, standing) -> tuple:
    """What to ride now, its equals, and how sure that is."""
    if not standing:
        return None, [], "open"
    measured = [one for one in standing if one.setup in evidence.gains]
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
        return _gentlest(evidence, equals, best.engine), equals, "decided"
    grown = [one for one in equals if one.engine in evidence.bigger]
    if best is not reference and _odds_of_gain(evidence, best) >= LEANING:
        return _gentlest(evidence, equals, best.engine), equals, "leaning"
    if grown:
        strongest = max(grown, key=gain)
        return _gentlest(evidence, equals, strongest.engine), equals, "open"
    if len(equals) == 1:
        return reference, equals, "decided"
    return _gentlest(evidence, equals, reference.engine), equals, "open"


def _without_speeds(evidence, standing) -> tuple:
    # Whoever fitted a bigger engine does not take it off because nothing was timed.
    grown = [one for one in standing if one.engine in evidence.bigger]
    read = [one for one in grown or standing if one.harm is not None]
    if not read:
        reference = [one for one in standing if one.setup == evidence.reference]
        return (reference or [None])[0], [], "open"
    return min(read, key=_harm), [], "open"


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
    for engine in sorted(changed, key=lambda name: -_strongest(evidence, ridden, name)):
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
        found = {}
        for one in evidence.combinations:
            if one.engine != engine or one.fuel not in evidence.burnt or one.odds is None:
                continue
            at = (one.injector, one.fuel)
            # What was ridden says more than what is predicted, and what is ridden now most.
            if at not in found or (one.setup is not None and found[at] is not ride):
                found[at] = one
            if one is ride:
                found[at] = one
        self.at = found
        self.injectors = tuple(dict.fromkeys(injector for injector, _ in found))

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
        """Injectors that pass every gate on every fuel, the gentlest first."""
        names = [n for n in self.injectors if self.open_on(n) == self.evidence.burnt]
        return sorted(names, key=lambda name: (self.harm(name), -self.inside(name)))

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

    def by_fuel(self) -> tuple:
        """The answer on each fuel, the leanest first."""
        found = []
        for fuel in self.evidence.burnt:
            own = [one for (_, on), one in self.at.items() if on == fuel]
            standing = [one for one in own if one.gate is None]
            fitted = self.at.get((self.fitted, fuel))
            best = min(standing, key=_harm, default=None)
            if fitted in standing and best is not None:
                near = fitted.odds.inside >= best.odds.inside - WORTH_BUYING
                best = fitted if near else best
            found.append(OnFuel(fuel, best, fitted))
        return tuple(found)


def _next(evidence, ride, strength, equals, choices, ridden) -> Step:
    engine = choices.engine
    ridden_engines = {one.engine for one in ridden}
    for cause in evidence.unexplained.values():
        if cause.engine in ridden_engines:
            return Step(code="find knock", engine=cause.engine, setups=(cause.setup,))
    step = _mixture_step(evidence, ride, choices)
    if step is not None:
        return step
    names = tuple(one.setup for one in equals) or ((ride.setup,) if ride is not None else ())
    for half in ("gauge", "range", "speeds"):
        if half in evidence.missing:
            return Step(code="ride again", why=half, engine=engine, setups=names)
    grown = [one for one in ridden if one.engine in evidence.bigger and one.setup in evidence.gains]
    if grown and (ride is None or strength == "open" or ride.engine not in evidence.bigger):
        return Step(code="find power", engine=grown[0].engine)
    if strength != "decided" and len(names) > 1:
        runs = evidence.more_runs(ride.setup)
        return Step(code="ride again", why="too close", engine=engine, setups=names, runs=runs)
    return Step(code="nothing", engine=engine)


def _mixture_step(evidence, ride, choices) -> Step | None:
    """The step that the mixture asks for; None if it asks for none."""
    fitted, engine = choices.fitted, choices.engine
    if not choices.injectors or not evidence.burnt:
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
    if stays:
        return Step(code="change fuel", engine=engine, injector=fitted, fuels=stays)
    most = max(choices.injectors, key=lambda name: len(choices.open_on(name)))
    some = choices.open_on(most)
    if some:
        code = "fit" if choices.owned(most) else "buy"
        return Step(code=code, engine=engine, injector=most, fuels=some)
    return Step(code="list injectors", engine=engine, fuels=evidence.burnt)
