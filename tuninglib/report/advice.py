"""The plan in words: what to ride, what is shut and why, what is next. Said here, once.

Verdict, injector section, figure titles, page controls and lab all take their sentences from here,
so that one combination has one name, one reason and one chance wherever it is spoken of.
"""

from tuninglib import units
from tuninglib.analysis.analyse import Results
from tuninglib.analysis.combinations import (
    SURELY,
    extremes,
    lean_by_itself,
    stop_limits,
    unexplained,
    worst_knock,
)
from tuninglib.analysis.decide import Step, leans
from tuninglib.analysis.records import Combination, one_each
from tuninglib.analysis.worth import EVEN
from tuninglib.report import heat
from tuninglib.report.page_parts import (
    count_of,
    gain_text,
    money,
    plain,
    signed,
    spaced,
    spaced_list,
    with_unit,
)
from tuninglib.rounding import decimals_of_step, fixed, listing, odds_text, percent

# Chance of being leaner than the band above which a warning is given.
WORTH_A_WARNING = 0.05


def combination_name(one: Combination) -> str:
    """A combination as sentences call it: its setup, or its injector on its fuel.

    Parameters
    ----------
    one : tuninglib.analysis.combinations.Combination
    """
    if one.setup is not None:
        return spaced(one.setup)
    return f"{one.injector} on {one.fuel} (engine '{spaced(one.engine)}')"


def chance_of(probability: float, what: str) -> str:
    """A chance with its article: a 38 % chance, an 8 % chance.

    Parameters
    ----------
    probability : float
    what : str
        Of which it is the chance.

    Examples
    --------
    >>> chance_of(0.08, "rain")
    'an 8 % chance of rain'
    """
    text = odds_text(probability)
    first = text.split()[0]
    an = first in ("over", "under", "8", "11", "18") or (first.startswith("8") and len(first) == 2)
    return f"{'an' if an else 'a'} {text} chance of {what}"


def chance(one: Combination) -> str:
    """The chance of a combination's mixture being in the band, and of being leaner.

    Parameters
    ----------
    one : tuninglib.analysis.combinations.Combination
        Of which something is known.
    """
    return (
        f"{odds_text(one.odds.inside)} chance of being in the band, "
        f"{odds_text(one.odds.leaner)} of being leaner"
    )


def where(one: Combination) -> str:
    """The chances of a combination that say most: of the band, or of being richer than it.

    Parameters
    ----------
    one : tuninglib.analysis.combinations.Combination
        Of which something is known.
    """
    if one.odds.richer > EVEN:
        return f"{odds_text(one.odds.richer)} chance of being richer than the band"
    return chance(one)


def gate_sentence(results: Results, one: Combination) -> str:
    """Why a combination is shut, without a full stop.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    one : tuninglib.analysis.combinations.Combination
        With a gate.
    """
    gate = one.gate
    if gate.code == "knock":
        return heat.knock_sentence(gate.knock)
    if gate.code == "knock implied":
        return (
            f"no safer from knock than {combination_name(gate.because)}, with which "
            f"{heat.knock_sentence(gate.knock)}{_unlabelled(one, gate.because)}"
        )
    if gate.code == "knock unexplained":
        return (
            f"{heat.knock_sentence(gate.knock)} with {combination_name(gate.because)}, and "
            f"{_not_the_mixture(results, gate.because)}"
        )
    if gate.fuel_limit is not None:
        return heat.limit_sentence(gate.fuel_limit).removesuffix(".")
    if gate.code in ("lean", "rich") and gate.value is None:
        return f"every reading stood at the gauge's {gate.code} end"
    if gate.code == "lean":
        return f"{odds_text(gate.value)} chance of running leaner than the band"
    if gate.code == "air":
        return f"likely leaner than the band in {odds_text(gate.value)} of the air that you ride in"
    if gate.code == "rich":
        return (
            f"lambda {fixed(gate.value, 2)}, richer than {fixed(gate.limit, 2)}: that much fuel "
            "washes the oil off the bore"
        )
    if gate.code == "heat":
        return _heat(results, gate)
    if gate.code == "idle":
        return (
            f"with injector {gate.because.injector} it already idles at lambda "
            f"{fixed(gate.value, 2)}: the ECU cannot trim a larger one"
        )
    return (
        f"{chance_of(gate.value, 'running out of time')} at the highest engine speed (open for "
        f"more than {percent(gate.limit)} of the cycle)"
    )


def _heat(results, gate) -> str:
    system, bike = results.session.about.units, results.session.bike
    whose = "your limit" if bike.highest_head_temperature else "the usual limit"
    limit = f"{whose} of {plain(gate.limit, 'temperature', system)}"
    if gate.value is None or gate.value <= gate.limit:
        hot = f"on a long climb on a hot day the head goes above {limit}"
    else:
        hot = f"the head reached {plain(gate.value, 'temperature', system)}, above {limit}"
    if gate.because is None:
        return hot
    return f"not known to run cooler than {combination_name(gate.because)}, with which {hot}"


def _unlabelled(one, other) -> str:
    """Which octane number is missing; what is not known counts against a fuel."""
    missing = dict.fromkeys(c.fuel for c in (one, other) if c.octane is None)
    return f" (the octane number of {listing(missing)} is not written down)" if missing else ""


def _not_the_mixture(results, cause) -> str:
    """Why the mixture does not explain a knock, as far as anything was read."""
    richest, highest = extremes(cause, results.combinations)
    found = ["nothing richer"] if richest else []
    found += ["nothing of a higher octane number"] if highest else []
    text = f"{' and '.join(found)} was ridden on this engine"
    if cause.odds is None:
        return text
    return f"{text} and the mixture was not plainly lean, so it does not explain the knock"


def ride_sentence(results: Results) -> str:
    """What to leave on the bike today, with the speed, the pull and the money as riders quote them.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    ride = results.plan.ride
    if ride is None:
        ridden = [one for one in results.combinations if one.setup is not None]
        if not ridden:
            return "nothing from this outing: no run that counts was read or timed."
        if len(results.plan.shut) < len(ridden):
            return "nothing from this outing: too little is known about any setup."
        return "nothing from this outing: every setup that was ridden is ruled out."
    setup = results.session.setups[ride.setup]
    parts = f"{setup.parts}, " if setup.parts else ""
    what = f"{spaced(ride.setup)} ({parts}injector {ride.injector}, fuel {ride.fuel})"
    other = ""
    if ride.fuel != setup.fuel:
        other = f" It was ridden on {setup.fuel}; for {ride.fuel} its mixture is calculated."
    return f"{what}{_pull(results, ride)}.{other}"


def _pull(results, ride) -> str:
    pull = next((pull for pull in results.pulls if pull.setup == ride.setup), None)
    reference = spaced(results.reference)
    if pull is None:
        who = f"the reference {reference}" if ride.setup in _timed(results) else "it"
        return f"; {who} has no run with speeds, so nothing is known of its pull"
    if pull.gain is None:
        return _reference_pull(results)
    ratio, text, system = pull.gain.ratio, gain_text(pull.gain.ratio), results.session.about.units
    change = signed(pull.speed_gain_m_s, "speed", system)
    speed = f"{change} {units.unit_label('speed', system)} at your marker"
    if pull.gain.doubted:
        return f": {speed}; its speeds do not fit the other runs, so its pull is not judged"
    less = f": {speed}, {gain_text(ratio.turned())} less pull than {reference}"
    if results.plan.strength == "open":
        if ratio.low <= 0 <= ratio.high:
            return f": {speed}, but no difference in pull from {reference} was shown: {text}"
        way = less if ratio.value < 0 else f": {speed}, {text} more pull than {reference}"
        return f"{way}, which these runs do not settle"
    if ratio.value < 0:
        return less
    cost = results.session.setups[ride.setup].cost
    price = f", for {money(cost, results.session)}" if cost else ""
    if not results.road.repeated:
        price += ", if runs scatter as they usually do (too few were repeated to tell)"
    if results.plan.strength == "decided":
        return f": {speed}, {text} more pull than {reference}{price}"
    return f": {speed}, likely {text} more pull than {reference}{price}. {_leaning(results)}"


def _timed(results) -> list:
    """Setups of the runs that count and have speeds."""
    return [run.setup for run in results.runs if run.counts and run.shown_exit_m_s is not None]


def _leaning(results) -> str:
    plan, text = results.plan, "Likely, not settled"
    if plan.runs is None:
        return text
    turns = ""
    if results.road.one_after_the_other:
        text += (
            ": the setups were ridden one after the other, so the time of day may be part of the "
            "difference"
        )
        turns = ", taking turns,"
    waits = plan.next.code in ("find knock", "find heat")
    # How many runs settle it may be what is next already; and what is ruled out is not run again.
    said = plan.next.code == "ride again" and plan.next.runs is not None
    if said or waits or results.reference in [one.setup for one in plan.shut]:
        return text
    return (
        f"{text}{';' if turns else ':'} about {count_of(plan.runs, 'more run')} of this setup and "
        f"of {spaced(results.reference)}{turns} would most likely settle it"
    )


def _reference_pull(results) -> str:
    shut = [one.setup for one in results.plan.shut]
    ruled_out = [pull for pull in results.pulls if pull.gain and pull.setup in shut]
    for verb, found in (
        ("pulled harder", [pull.setup for pull in ruled_out if pull.verdict == "faster"]),
        ("may pull harder", [pull.setup for pull in ruled_out if leans(pull.gain)]),
    ):
        if found:
            as_is = "as it is" if len(found) == 1 else "as they are"
            return f"; {spaced_list(found)} {verb}, but must not be ridden {as_is}"
    if len(results.pulls) > 1:
        return "; nothing else was shown to pull harder"
    return ""


def next_sentence(results: Results) -> str:
    """The one next thing to do, and all that is to be known of it.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    return f"{next_in_brief(results)} {about_next(results)}".rstrip()


def next_in_brief(results: Results) -> str:
    """The one next thing to do.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    step = results.plan.next
    return _STEPS[step.code](results, step)


def about_next(results: Results) -> str:
    """What else is to be known of the next thing to do; may be empty.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    step, plan = results.plan.next, results.plan
    said = []
    if step.code in ("fit", "buy"):
        missing = [one.fuel for one in plan.fuels if one.fuel not in step.fuels]
        if missing:
            said.append(f"No listed injector passes on {listing(missing)} in this engine.")
        if plan.flow_wanted is not None:
            said.append(_wanted_flow(results))
    elif step.code in ("list injectors", "measure flow") or plan.flow_wanted is not None:
        said.append(_wanted_flow(results))
    else:
        return ""
    return " ".join(filter(None, [*said, _instead(results, step)]))


def _nothing(results, step) -> str:
    if sum(one.setup is not None for one in results.combinations) == 1:
        return (
            "nothing has to be changed; only one setup was ridden, so there is nothing to compare "
            "it with. Keep listening."
        )
    if results.plan.strength != "decided":
        return "nothing that may be ridden is left to compare it with. Ride it, and keep listening."
    return "nothing more to test: this is decided. Ride it, and keep listening."


def _injector(results, step) -> str:
    plan = results.plan
    rows = {one.fuel: one for one in _of_step(results, step)}
    price = results.session.injectors[step.injector].price
    verb = f"fit injector {step.injector}, which you have"
    if step.code == "buy":
        verb = f"buy injector {step.injector}"
        verb += f" for {money(price, results.session)}" if price is not None else ""
    engine = ""
    if plan.ride is None or plan.ride.engine != step.engine:
        engine = f" for the engine '{spaced(step.engine)}'"
        engine += ", not the one to ride now" if plan.ride is not None else ""
        # A comma after what stands between two.
        verb += "," if step.code == "fit" else ""
    known = [rows[fuel] for fuel in step.fuels if fuel in rows]
    chances = ", ".join(
        f"{odds_text(one.odds.inside)}{'' if at else ' chance of being in the band'} on {one.fuel} "
        f"(leaner: {odds_text(one.odds.leaner)})"
        for at, one in enumerate(known)
    )
    late = [one for one in known if one.gate is not None and one.gate.code == "flow"]
    time = f" It has {gate_sentence(results, late[0])}: stay below that speed." if late else ""
    return f"{verb}{engine}: {chances}.{_as_a_trial(results, known)}{time}"


def _as_a_trial(results, known, what="Try it") -> str:
    """That what was not read yet is tried with an eye on the gauge, and when to stop."""
    if all(one.source == "read" for one in known):
        return ""
    limits = stop_limits(results.session)
    if limits.reading is None:
        return f" {what} with an eye on the gauge."
    edge = fixed(limits.reading, decimals_of_step(limits.resolution))
    return f" {what} with an eye on the gauge: stop beyond {edge}."


def _of_step(results, step) -> list:
    """What is known of the step's injector on its engine, fuel by fuel."""
    known = one_each(results.combinations, results.plan.ride).values()
    return [one for one in known if one.odds is not None and _is_of_step(one, step)]


def _instead(results, step) -> str:
    """What the injector that is fitted would do, and the fuels to keep to with it."""
    fitted = [f.fitted for f in results.plan.fuels if f.fitted is not None]
    if not fitted or fitted[0].injector == step.injector or step.code == "change fuel":
        return ""
    shut = [one for one in fitted if one.gate is not None]
    stands = [one.fuel for one in fitted if one.gate is None]
    reasons = "; ".join(
        _on(one.fuel, gate_sentence(results, one) if shut else where(one)) for one in shut or fitted
    )
    keep = f" To keep it, burn {listing(stands)} only." if shut and stands else ""
    return f"The fitted {fitted[0].injector}: {reasons}.{keep}"


def _on(fuel: str, text: str) -> str:
    """What holds on a fuel; the name is not said twice."""
    return text if text.startswith(f"{fuel} ") else f"on {fuel}, {text}"


def _measure_flow(results, step) -> str:
    worst = max(_of_step(results, step), key=lambda one: one.odds.leaner)
    off = percent(results.session.injectors[step.injector].tolerance.value)
    engine = ""
    if results.plan.ride is None or results.plan.ride.engine != step.engine:
        engine = f" to the engine '{spaced(step.engine)}'"
    return (
        f"measure the flow of injector {step.injector}, which you have, before it is fitted"
        f"{engine}: with its flow as stated, ± {off}, there is "
        f"{chance_of(worst.odds.leaner, 'running leaner than the band')} on {worst.fuel}, too much "
        "to try it. Measured to ± 2 %, it may turn out to fit: use the workbook bench and a fluid "
        "that does not burn easily, as sprayed petrol catches fire from any spark."
    )


_AGAIN = {
    "gauge": "ride again with a lambda gauge: the mixture is not known, and not judged here.",
    "speeds": "ride again and write down the speeds at both lines: without them pull is not known, "
    "and not judged here.",
    "steady": "read the gauge again before an injector is bought: most readings span more than "
    "half a unit, as the extremes of a whole run do. Write down the steady range after two or "
    "three seconds of full throttle.",
    "open loop": "no injector can be advised: at full throttle lambda did not follow injector "
    "flow, so the ECU (engine control unit) trims the mixture there by its oxygen sensor, and "
    "another injector will not move it. Check first whether these readings were really taken at "
    "full throttle and in open loop.",
}


def _again(results, step) -> str:
    if step.why == "speeds" and _timed(results):
        if results.reference in [one.setup for one in results.plan.shut]:
            return (
                f"name another reference under [session]: {spaced(results.reference)} has no run "
                "with speeds and must not be ridden, so there is nothing to compare the pull of "
                "the others with."
            )
        return (
            f"ride the reference {spaced(results.reference)} with speeds at both lines: without "
            "them there is nothing to compare the pull of the others with."
        )
    if step.why in _AGAIN:
        return _AGAIN[step.why]
    if step.why == "range":
        ends = {one.beyond for one in results.combinations if one.beyond}
        what = (
            "an injector with less flow, one step at a time"
            if ends == {"rich"}
            else "one that brings the reading back into the gauge's range, on the rich side first"
        )
        return f"every reading stood at the gauge's end: fit {what}, and ride again."
    if step.runs is None:
        return (
            f"{spaced_list(step.setups)} are too close to call, and no number of runs worth riding "
            "would settle it; choose by heat, noise and fuel."
        )
    open_ = results.plan.strength == "open"
    why = "they are still too close to call" if open_ else "that would most likely settle it"
    if step.why == "doubted":
        why = f"the speeds of {spaced(step.setups[0])} do not fit the other runs"
    turns = ", taking turns" if results.road.one_after_the_other else ""
    runs = count_of(step.runs, "more run")
    return f"ride {spaced_list(step.setups)} again, about {runs} of each{turns}: {why}."


def _change_fuel(results, step) -> str:
    if not step.fuels:
        session = results.session
        wanted = session.use.fuels or [setup.fuel for setup in session.setups.values()]
        where = f"on the engine '{spaced(step.engine)}'" if step.engine else "in this engine"
        reasons = dict.fromkeys(
            heat.limit_sentence(limit).removesuffix(".")
            for limit in results.fuel_limits
            if limit.engine in (None, step.engine) and limit.fuel in wanted
        )
        said = f" ({'; '.join(reasons)})" if reasons else ""
        return f"change the fuel: none of those that you will burn is allowed {where}{said}."
    others = [f.fitted for f in results.plan.fuels if f.fitted is not None and f.fitted.gate]
    reasons = "; ".join(_on(one.fuel, gate_sentence(results, one)) for one in others)
    # Another injector is no help against a fuel that is not allowed.
    helps = any(one.gate.code in ("lean", "air", "rich", "flow") for one in others)
    list_others = ", or list another injector in session.toml" if helps else ""
    because = f" ({reasons})" if reasons else ""
    tried = [one for one in others if one.may_be_tried]
    trial = _as_a_trial(results, tried, f"If you try {listing(one.fuel for one in tried)}, do so")
    said = f"keep to {listing(step.fuels)} with {step.injector}{because}{list_others}."
    return said + trial * bool(tried)


def _find_knock(results, step) -> str:
    cause = next(one for one in results.combinations if one.setup == step.setups[0])
    why = _not_the_mixture(results, cause)
    if cause.engine not in unexplained(results.combinations):
        heavy = worst_knock(cause).level == "heavy"
        octane = f" ({cause.octane})" if cause.octane else ""
        why = (
            f"after heavy knock nothing is to be ridden or bought for {cause.fuel}{octane} or less"
            if heavy
            else "nothing listed is known to be safer"
        )
    return (
        f"find what made {spaced_list(step.setups)} knock before the engine "
        f"'{spaced(step.engine)}' is ridden at full throttle again: {why}. Look at "
        f"{'' if cause.odds and not lean_by_itself(cause) else 'the mixture, '}octane, "
        "compression, ignition timing, heat and deposits."
    )


def _find_heat(results, step) -> str:
    hot = next(one for one in results.combinations if one.setup == step.setups[0])
    return (
        f"find out why the engine '{spaced(step.engine)}' ran hot before it is ridden at full "
        f"throttle again: {gate_sentence(results, hot)}. Look at cooling fins and air, oil, "
        "ignition timing, a leak in the intake, and where the temperature is measured."
    )


def _find_power(results, step) -> str:
    session = results.session
    slower = [
        pull.setup
        for pull in results.pulls
        if pull.verdict == "slower" and session.setups[pull.setup].engine == step.engine
    ]
    text = "was not shown to pull harder. That is no reason to strip it. Find out first"
    if slower:
        text = (
            f"{spaced_list(slower)} pulled less: something is wrong with it. Find out before it is "
            "ridden again"
        )
    return (
        f"the engine '{spaced(step.engine)}' has more displacement, but {text}: compression, valve "
        "timing and clearance, full throttle opening, a slipping clutch, a blocked exhaust or "
        "filter, the spark plug."
    )


def _list_injectors(results, step) -> str:
    engine = f"on the engine '{spaced(step.engine)}'"
    if step.injector is None:
        return f"none of the injectors listed may be fitted {engine}; list another."
    worst = max(_of_step(results, step), key=lambda one: max(one.odds.richer, one.odds.leaner))
    rich = worst.odds.richer > worst.odds.leaner
    return (
        f"list another injector in session.toml: {engine}, injector {step.injector} is nearest to "
        f"the band for {listing(step.fuels)}, and still likely too {'rich' if rich else 'lean'} "
        f"({odds_text(worst.odds.richer if rich else worst.odds.leaner)} chance on {worst.fuel})."
    )


def _wanted_flow(results) -> str:
    """The flow to look for, or what to do where none may be tried."""
    if results.ladder is None or results.ladder.withheld:
        return ""
    wanted = results.plan.flow_wanted
    if wanted is None:
        gates = [one.gate.code for one in results.plan.shut if one.engine == results.plan.engine]
        stays = results.plan.ride is not None and results.plan.ride.engine == results.plan.engine
        if "flow" in gates:
            return (
                "No flow fits the band and also delivers in the time that the highest engine "
                "speed leaves: stay below that speed."
            )
        return (
            "No flow is known well enough to be tried: measure the flow of an injector that was "
            f"ridden, and check the gauge{', and stay with what runs rich until then' * stays}."
        )
    system = results.session.about.units
    burnt = [one.fuel for one in results.plan.fuels]
    fuels = burnt[0] if len(burnt) == 1 else "each of your fuels"
    look = "If it does not fit, look" if results.plan.next.code == "measure flow" else "Look"
    return (
        f"{look} for about {with_unit(wanted.flow_m3_s, 'flow', system)}: "
        f"{chance_of(wanted.inside, 'being in the band')} on {fuels} "
        f"(leaner: at most {odds_text(wanted.leaner)})."
    )


_STEPS = {
    "nothing": _nothing,
    "fit": _injector,
    "buy": _injector,
    "ride again": _again,
    "change fuel": _change_fuel,
    "find knock": _find_knock,
    "find heat": _find_heat,
    "find power": _find_power,
    "list injectors": _list_injectors,
    "measure flow": _measure_flow,
}


_FLIPS = {
    "knock": "a knock with what you ride now",
    "richer": "a target band 0.02 richer",
    "climbs": "long climbs",
    "fuel": "only {fuel} in the tank",
}


def flip_rows(results: Results) -> list:
    """The nearest facts that would change the plan, and to what.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    return [
        (_FLIPS[one.code].format(fuel=results.plan.ride.fuel), _then(results, one.plan))
        for one in results.flips
    ]


def _then(results, plan) -> str:
    """Another plan in a few words, as far as it differs."""
    said = []
    if plan.ride is None:
        said.append("ride none of these setups")
    elif plan.ride.setup != results.plan.ride.setup:
        said.append(f"ride {spaced(plan.ride.setup)}")
    step, now = plan.next, results.plan.next
    if (step.code, step.injector) != (now.code, now.injector):
        said.append(step_in_short(step))
    # "ride it and find the cause", but "ride it; nothing more to test".
    between = "; " if step.code == "nothing" else " and "
    return between.join(said) or "another engine comes first"


_IN_SHORT = {
    "nothing": "nothing more to test",
    "fit": "fit {injector}",
    "buy": "buy {injector}",
    "ride again": "ride again",
    "change fuel": "keep to the fuels that pass",
    "find knock": "find the cause of the knock",
    "find heat": "find out why it ran hot",
    "find power": "find out why it does not pull",
    "list injectors": "list other injectors",
    "measure flow": "measure the flow of {injector}",
}


def step_in_short(step: Step) -> str:
    """The next thing to do in a few words.

    Parameters
    ----------
    step : tuninglib.analysis.decide.Step
    """
    return _IN_SHORT[step.code].format(injector=step.injector)


def fuel_items(results: Results) -> list:
    """The answer on each fuel that may be burnt, where it is not that of the ride itself.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    plan, items = results.plan, []
    read = {one.fuel for one in results.combinations if one.odds is not None}
    other_engine = plan.ride is not None and plan.ride.engine != plan.engine
    engine = f" (engine '{spaced(plan.engine)}')" if other_engine else ""
    waits, fits = plan.next.code in ("find knock", "find heat"), plan.next.code in ("fit", "buy")
    for one in plan.fuels:
        if one.fuel not in read or (waits and one.best is None):
            continue
        if plan.ride is not None and one.best is not None and one.best.key == plan.ride.key:
            continue
        if fits and one.best is not None and _is_of_step(one.best, plan.next):
            continue
        if one.best is None:
            text = "no injector listed passes"
            if one.fitted is not None and one.fitted.gate is not None:
                trial = "; only as a trial under the gauge" * one.fitted.may_be_tried
                text += f"; with {one.fitted.injector}: {gate_sentence(results, one.fitted)}{trial}"
        else:
            near = "" if one.best.odds.inside >= EVEN else "nearest is "
            text = f"{near}injector {one.best.injector}: {where(one.best)}"
        items.append((f"On {one.fuel}{engine}", f"{text}."))
    items += [
        (
            f"On {one.fuel}",
            f"no {one.fuel} in the engine '{spaced(plan.engine)}': "
            f"{heat.knock_sentence(worst_knock(one.heard))} with {combination_name(one.heard)}, "
            "and it was not plainly lean.",
        )
        for one in plan.knocked_fuels
    ]
    return items


def _is_of_step(one, step) -> bool:
    """Whether a combination is one that a step to an injector is about."""
    own = (one.engine, one.injector) == (step.engine, step.injector)
    return own and one.fuel in step.fuels


# Why a combination is shut, in a word or two; the reasons come with the plan.
_SHUT = {
    "knock": "knock",
    "knock implied": "no safer than what knocked",
    "knock unexplained": "knock on its engine",
    "lean": "may run lean",
    "air": "lean in your air",
    "rich": "far too rich",
    "heat": "heat",
    "flow": "its injector may run out of time",
    "idle": "idles too rich",
}


def shut_word(one: Combination) -> str:
    """Why a combination is shut, in a word or two.

    Parameters
    ----------
    one : tuninglib.analysis.combinations.Combination
        With a gate.
    """
    gate = one.gate
    # Read at the gauge's lean end, or all of its interval leaner than the band.
    if gate.code == "lean" and one.source == "read" and (gate.value or 1.0) > SURELY:
        return "runs lean"
    return "fuel" if gate.fuel_limit is not None else _SHUT[gate.code]


def must_not_be_ridden(results: Results, one: Combination) -> bool:
    """Whether the plan shuts a setup: by a gate, or since its fuel knocked on its engine.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    one : tuninglib.analysis.combinations.Combination
        That was ridden.
    """
    plan = results.plan
    if plan.ride is not None and one.setup == plan.ride.setup:
        return False
    return one.gate is not None or _fuel_knocked(results, one)


def _fuel_knocked(results, one) -> bool:
    knocked = results.plan.knocked_fuels
    return any((k.fuel, k.heard.engine) == (one.fuel, one.engine) for k in knocked)


MAY_BE_RIDDEN = "may be ridden"


def status_word(results: Results, one: Combination) -> str:
    """What the verdict says of a setup, in a word or two.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    one : tuninglib.analysis.combinations.Combination
        That was ridden.
    """
    ride = results.plan.ride
    if ride is not None and one.setup == ride.setup:
        return "ride now" if one.fuel == ride.fuel else f"ride now, on {ride.fuel}"
    if one.gate is not None:
        return shut_word(one)
    if _fuel_knocked(results, one):
        return f"{one.fuel} knocked"
    if any(p.setup == one.setup and p.gain and p.gain.doubted for p in results.pulls):
        return "check its runs"
    return MAY_BE_RIDDEN if one.source == "read" else "not read"


def shut_in_brief(results: Results) -> str:
    """What must not be ridden, with the kind of reason.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    by_reason: dict[str, list] = {}
    for one in results.plan.shut:
        by_reason.setdefault(shut_word(one), []).append(one.setup)
    return "; ".join(f"{spaced_list(names)} ({reason})" for reason, names in by_reason.items())


def fitted_on_fuels(results: Results) -> list:
    """What is to be ridden now, on each fuel that may be burnt.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    ride = results.plan.ride
    if ride is None:
        return []
    known = one_each(results.combinations, ride)
    found = (known.get((ride.engine, ride.injector, one.fuel)) for one in results.plan.fuels)
    return [one for one in found if one is not None]


def band_text(results: Results) -> str:
    """The band that the advice is for."""
    band = results.band
    return f"{fixed(band.lowest, 2)} to {fixed(band.highest, 2)}"
