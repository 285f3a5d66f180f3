"""The plan in words: what to ride, what is shut and why, what is next. Said here, once.

Verdict, injector section, figure titles, page controls and lab all take their sentences from here,
so that one combination has one name, one reason and one chance wherever it is spoken of.
"""

from tuninglib import units
from tuninglib.report import heat
from tuninglib.report.cells import money, plain, spaced, spaced_list
from tuninglib.rounding import (
    fixed,
    interval_text,
    listing,
    odds_text,
    percent,
    quantity_text,
)

# Chance of being leaner than the band above which a warning is given.
WORTH_A_WARNING = 0.05


def combination_name(one) -> str:
    """A combination as sentences call it: its setup, or its injector on its fuel.

    Parameters
    ----------
    one : tuninglib.analysis.combinations.Combination
    """
    if one.setup is not None:
        return spaced(one.setup)
    return f"{one.injector} on {one.fuel} (engine {spaced(one.engine)})"


def chance(one) -> str:
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


def gate_sentence(results, one) -> str:
    """Why a combination is shut, without a full stop.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    one : tuninglib.analysis.combinations.Combination
        With a gate.
    """
    gate = one.gate
    if gate.code == "knock":
        return heat.knock_sentence(gate.knock)
    if gate.code == "knock implied":
        return (
            f"no safer from knock than {combination_name(gate.because)}, with which "
            f"{heat.knock_sentence(gate.knock)}"
        )
    if gate.code == "knock unexplained":
        return (
            f"{heat.knock_sentence(gate.knock)} with {combination_name(gate.because)}, and the "
            "mixture does not explain it"
        )
    if gate.fuel_limit is not None:
        return heat.limit_sentence(gate.fuel_limit).removesuffix(".")
    if gate.code == "lean":
        return f"{odds_text(gate.value)} chance of running leaner than the band"
    if gate.code == "heat":
        system = results.session.about.units
        return (
            f"the head reached {plain(gate.value, 'temperature', system)}, above your limit of "
            f"{plain(gate.limit, 'temperature', system)}"
        )
    return (
        f"the injector would have to stay open for {percent(gate.value)} of the cycle at the "
        "highest engine speed, so it runs out of time"
    )


def ride_sentence(results) -> str:
    """What to leave on the bike today, with the speed, the pull and the money as riders quote them.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    ride = results.plan.ride
    if ride is None:
        return "nothing of this session: every setup that was ridden is ruled out."
    setup = results.session.setups[ride.setup]
    parts = f"{setup.parts}, " if setup.parts else ""
    what = f"{spaced(ride.setup)} ({parts}injector {ride.injector}, fuel {ride.fuel})"
    return f"{what}{_pull(results, ride)}."


def _pull(results, ride) -> str:
    pull = next((pull for pull in results.pulls if pull.setup == ride.setup), None)
    if pull is None:
        return "; it has no run with speeds, so nothing is known of its pull"
    if pull.gain is None:
        return _reference_pull(results)
    reference, ratio = spaced(results.reference), pull.gain.ratio
    system = results.session.about.units
    change = units.to_display(pull.speed_gain_m_s, "speed", system)
    sign = "+" if change >= 0 else "−"
    speed = f"{sign}{abs(change):.1f} {units.unit_label('speed', system)} at your marker"
    text = interval_text(ratio.scaled(100), "%", least_decimals=0)
    if results.plan.strength == "open" or not (pull.gain.told_apart or ratio.value > 0):
        return (
            f": {speed}, but no difference in pull from {reference} was shown ({text}); a "
            f"difference of {percent(pull.gain.smallest_visible)} or more would most likely have "
            "shown"
        )
    cost = results.session.setups[ride.setup].cost
    price = f", for {money(cost, results.session)}" if cost else ""
    more = "more" if ratio.value > 0 else "more (that is, less)"
    if not pull.gain.told_apart:
        return f": {speed}, {text} {more} pull than {reference}{price}. Leaning, not settled"
    return f": {speed}, {text} {more} pull than {reference}{price}"


def _reference_pull(results) -> str:
    shut = [one.setup for one in results.plan.shut]
    harder = [p.setup for p in results.pulls if p.gain and p.verdict == "faster"]
    ruled_out = [name for name in harder if name in shut]
    if ruled_out:
        return f"; {spaced_list(ruled_out)} pulled harder, but must not be ridden as it is"
    if len(results.pulls) > 1:
        return "; nothing else was shown to pull harder"
    return ""


def next_sentence(results) -> str:
    """The one next thing to do.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    step = results.plan.next
    return _STEPS[step.code](results, step)


def _nothing(results, step) -> str:
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
    if plan.ride is None:
        engine = f" for the engine {spaced(step.engine)}"
    elif plan.ride.engine != step.engine:
        engine = f" for the engine {spaced(step.engine)}, not the one to ride now"
    chances = "; ".join(
        f"on {fuel} lambda {interval_text(rows[fuel].lambda_)}, {chance(rows[fuel])}"
        for fuel in step.fuels
        if fuel in rows
    )
    return f"{verb}{engine}: {chances}.{_instead(results, step)}"


def _of_step(results, step) -> list:
    """What is known of the step's injector on its engine, fuel by fuel."""
    return [
        one
        for one in results.combinations
        if (one.engine, one.injector) == (step.engine, step.injector)
        and one.fuel in step.fuels
        and one.odds is not None
    ]


def _instead(results, step) -> str:
    """What the injector that is fitted would do, and the fuels to keep to with it."""
    fitted = [f.fitted for f in results.plan.fuels if f.fitted is not None]
    shut = [one for one in fitted if one.gate is not None]
    stands = [one.fuel for one in fitted if one.gate is None]
    if not fitted or not shut:
        return ""
    reasons = listing(f"{gate_sentence(results, one)} on {one.fuel}" for one in shut)
    keep = f" Or keep to {listing(stands)} with it." if stands else ""
    return f" With {fitted[0].injector}, which is fitted now, {reasons}.{keep}"


def _again(results, step) -> str:
    if step.why == "gauge":
        return (
            "ride again with a lambda gauge: nothing is known of the mixture, so nothing is said "
            "of it here."
        )
    if step.why == "range":
        return (
            "every reading stood at the gauge's end: fit an injector that brings it back into the "
            "gauge's range, on the rich side first, and ride again."
        )
    if step.why == "speeds":
        return (
            "ride again and write down the speeds at both lines: nothing is known of the pull, so "
            "nothing is said of it here."
        )
    if step.runs is None:
        return (
            f"{spaced_list(step.setups)} are too close to call, and no number of runs worth riding "
            "would settle it; choose by heat, noise and fuel."
        )
    return (
        f"ride {spaced_list(step.setups)} again, about {step.runs} more runs of each: they are too "
        "close to call as yet."
    )


def _change_fuel(results, step) -> str:
    if not step.fuels:
        return "change the fuel: none of those listed is allowed in this engine."
    others = [f.fitted for f in results.plan.fuels if f.fitted is not None and f.fitted.gate]
    reasons = "; ".join(f"on {one.fuel}: {gate_sentence(results, one)}" for one in others)
    return f"keep to {listing(step.fuels)} ({reasons}), or list other injectors in session.toml."


def _find_knock(results, step) -> str:
    (setup,) = step.setups
    one = next(one for one in results.combinations if one.setup == setup)
    ground = (
        "It was not lean, and it was the richest or on the best fuel that was tried"
        if one.odds is not None
        else "It had the largest injector that was tried"
    )
    return (
        f"find what made {spaced(setup)} knock before the engine {spaced(step.engine)} is ridden "
        f"at full throttle again. {ground}, so the mixture is not the cause: look at octane, "
        "compression, ignition timing, heat and deposits."
    )


def _find_power(results, step) -> str:
    return (
        f"the engine {spaced(step.engine)} has more displacement, but was not shown to pull "
        "harder. That is no reason to strip it. Find out first: compression, valve timing and "
        "clearance, full throttle opening, a slipping clutch, a blocked exhaust or filter, the "
        "spark plug."
    )


def _list_injectors(results, step) -> str:
    wanted = _wanted_flow(results)
    if step.injector is None:
        return (
            f"none of the injectors listed passes on the engine {spaced(step.engine)}; list others "
            f"in session.toml.{wanted}"
        )
    rows = _of_step(results, step)
    rich = all(one.odds.richer > one.odds.leaner for one in rows)
    return (
        f"{step.injector} is the safest of the injectors listed, and still likely too "
        f"{'rich' if rich else 'lean'}; list one that is nearer in session.toml.{wanted}"
    )


def _wanted_flow(results) -> str:
    guess = results.ladder.first_guess if results.ladder else None
    if guess is None:
        return ""
    system = results.session.about.units
    return (
        " The middle of the band on the leanest fuel asks for "
        f"{quantity_text(guess, 'flow', system)}."
    )


_STEPS = {
    "nothing": _nothing,
    "fit": _injector,
    "buy": _injector,
    "ride again": _again,
    "change fuel": _change_fuel,
    "find knock": _find_knock,
    "find power": _find_power,
    "list injectors": _list_injectors,
}


_FLIPS = {
    "knock": "a knock with what you ride now",
    "richer": "a target band 0.02 richer",
    "climbs": "long climbs",
    "fuel": "only {fuel} in the tank",
}


def flip_sentence(results) -> str:
    """The nearest facts that would change the plan, and to what.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    fuel = results.plan.ride.fuel
    said = [
        f"{_FLIPS[one.code].format(fuel=fuel)} (then {_then(results, one.plan)})"
        for one in results.flips
    ]
    return f"{'; '.join(said)}."


def _then(results, plan) -> str:
    """Another plan in a few words, as far as it differs."""
    said = []
    if plan.ride is None:
        said.append("ride none of these setups")
    elif plan.ride.setup != results.plan.ride.setup:
        said.append(f"ride {spaced(plan.ride.setup)}")
    step, now = plan.next, results.plan.next
    if (step.code, step.injector) != (now.code, now.injector):
        said.append(_IN_SHORT[step.code].format(injector=step.injector))
    return " and ".join(said) or "another engine comes first"


_IN_SHORT = {
    "nothing": "nothing more to test",
    "fit": "fit {injector}",
    "buy": "buy {injector}",
    "ride again": "ride again",
    "change fuel": "keep to the fuels that pass",
    "find knock": "find the cause of the knock",
    "find power": "find out why it does not pull",
    "list injectors": "list other injectors",
}


def fuel_items(results) -> list:
    """The answer on each fuel that may be burnt, where it is not that of the ride itself.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    plan, items = results.plan, []
    same = plan.ride is not None and plan.ride.engine == plan.engine
    engine = "" if same or plan.engine is None else f", engine {spaced(plan.engine)}"
    for one in plan.fuels:
        if plan.ride is not None and one.best is not None and one.best.key == plan.ride.key:
            continue
        if one.best is None:
            text = "no injector listed passes"
            if one.fitted is not None and one.fitted.gate is not None:
                text += f"; with {one.fitted.injector}: {gate_sentence(results, one.fitted)}"
        else:
            text = f"injector {one.best.injector}: {chance(one.best)}"
        items.append((f"On {one.fuel}{engine}", f"{text}."))
    return items


def band_text(results) -> str:
    """The band that the advice is for."""
    band = results.band
    return f"{fixed(band.lowest, 2)} to {fixed(band.highest, 2)}"
