"""The verdict: what to ride now, what is next, what must not be ridden, what to watch."""

from tuninglib.report import heat
from tuninglib.report.advice import (
    WORTH_A_WARNING,
    band_text,
    flip_sentence,
    fuel_items,
    gate_sentence,
    next_sentence,
    ride_sentence,
)
from tuninglib.report.cells import mixture_of, spaced, spaced_list
from tuninglib.report.display import Prose
from tuninglib.rounding import gauge_text, interval_text, odds_text


def sentences(results) -> Prose:
    """The answer: what to ride now and why, what could not be told, what to try next.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    plan, items = results.plan, [("Ride now", ride_sentence(results))]
    if plan.ride is not None and not {"gauge", "range"} & set(plan.missing):
        items.append(("Mixture", _mixture_sentence(results, plan.ride.setup)))
    if plan.equals:
        items.append(("Too close to call", _equals_sentence(results)))
    items.append(("Next", next_sentence(results)))
    items += fuel_items(results)
    if plan.shut:
        reasons = "; ".join(
            f"{spaced(one.setup)}: {gate_sentence(results, one)}" for one in plan.shut
        )
        items.append(("Not to be ridden", f"{reasons}."))
    if results.flips:
        items.append(("What would change it", flip_sentence(results)))
    return Prose(tuple(items), style="verdict")


def _mixture_sentence(results, setup) -> str:
    mixture = mixture_of(results, setup)
    band = f"the target band {band_text(results)}"
    if mixture is None or mixture.lambda_ is None:
        return f"not known, it has no usable gauge reading. Aim for {band}."
    printed = gauge_text(mixture.gauge.value, results.session.gauge)
    shown = f", {printed} on this gauge" if results.session.gauge.scale > 1.5 else ""
    place = {
        "inside": f"inside {band}",
        "richer": f"richer than {band}",
        "leaner": f"leaner than {band}",
        "unsure": f"too close to an edge of {band} to say on which side",
    }[mixture.place]
    return (
        f"lambda {interval_text(mixture.lambda_)}{shown}: {place} "
        f"({odds_text(mixture.odds.inside)} chance of being in it, "
        f"{odds_text(mixture.odds.leaner)} of being leaner)."
    )


def _equals_sentence(results) -> str:
    plan = results.plan
    text = f"in pull, {spaced(plan.ride.setup)} and {spaced_list(plan.equals)}"
    engines = {one.setup: one.engine for one in results.combinations if one.setup}
    if plan.ride.harm is not None and plan.ride.engine in map(engines.get, plan.equals):
        return f"{text}. Among equals the mixture that risks least is taken."
    return f"{text}."


def watch(results) -> Prose:
    """What to watch when riding what the verdict says, as a caution box."""
    items = [("Watch", sentence) for sentence in _warnings(results)]
    items.append(
        (
            "Before you ride",
            "full throttle on a closed or quiet road only, within the law, in full gear. Stop at "
            "the first knock. Never go leaner to win a marker speed. If the manual disagrees, "
            "follow the manual.",
        )
    )
    return Prose(tuple(items), style="caution")


def _warnings(results) -> list:
    """What can hurt, from what was read and heard, and what nobody read or heard."""
    plan = results.plan
    found = [f"{heat.knock_sentence(one)} ({spaced(one.setup)})." for one in results.knocks]
    for one in plan.fuels:
        fitted = one.fitted
        if fitted is not None and fitted.odds.leaner > WORTH_A_WARNING:
            found.append(
                f"with {one.fuel} in the tank, {fitted.injector} may run leaner than the band "
                f"({odds_text(fitted.odds.leaner)} chance)."
            )
    listened = sum(one.listened for one in results.combinations)
    if "knock" in plan.missing:
        found.append("nobody wrote down whether it knocked, so nothing is known of that: listen.")
    elif not results.knocks:
        found.append(
            f"no knock was heard on the {listened} runs on which somebody listened. That is no "
            "proof: listen on, above all on a hot day and a long climb."
        )
    return found
