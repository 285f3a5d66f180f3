"""The verdict: what to ride now, what is next, what must not be ridden, what to watch."""

from tuninglib.analysis.decide import SAME_HARM
from tuninglib.report import heat
from tuninglib.report.advice import (
    WORTH_A_WARNING,
    about_next,
    band_text,
    chance_of,
    fitted_on_fuels,
    flip_sentence,
    fuel_items,
    gate_sentence,
    next_in_brief,
    ride_sentence,
    shut_in_brief,
)
from tuninglib.report.cells import mixture_of, plain, spaced, spaced_list
from tuninglib.report.display import Prose
from tuninglib.report.stop_rules import usual_hottest
from tuninglib.rounding import fixed, gauge_text, interval_text, listing, odds_text

# 230 °C under the spark plug of an air-cooled engine (common practice; makers differ).
USUAL_HOTTEST_K = 503.15
# Above this chance of being in the band no chance is printed on the first screen.
SURELY_INSIDE = 0.95


def sentences(results) -> Prose:
    """The answer in short: what to ride now, its mixture, what is next, what not to ride.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    plan, items = results.plan, [("Ride now", ride_sentence(results))]
    if plan.ride is not None and not {"gauge", "range"} & set(plan.missing):
        items.append(("Mixture", _mixture_sentence(results, plan.ride.setup)))
    items.append(("Next", next_in_brief(results)))
    if plan.shut:
        items.append(("Not to be ridden", f"{shut_in_brief(results)}."))
    return Prose(tuple(items), style="verdict")


def reasons(results) -> Prose:
    """What stands behind the answer: what could not be told, why, and what would change it.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    plan, items = results.plan, []
    if plan.ride is not None and not {"gauge", "range"} & set(plan.missing) and results.band.moved:
        items.append(("Target band", _moved_sentence(results)))
    if plan.equals:
        items.append(("Too close to call", _equals_sentence(results)))
    about = about_next(results)
    if about:
        items.append(("About the next step", about))
    items += fuel_items(results)
    if plan.shut:
        reasons = "; ".join(
            f"{spaced(one.setup)}: {gate_sentence(results, one)}" for one in plan.shut
        )
        items.append(("Not to be ridden", f"{reasons}."))
    if results.flips:
        items.append(("What would change it", flip_sentence(results)))
    return Prose(tuple(items), style="points")


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
    text = f"lambda {interval_text(mixture.lambda_)}{shown}: {place}"
    if mixture.odds.inside > SURELY_INSIDE:
        return f"{text}."
    return (
        f"{text} ({odds_text(mixture.odds.inside)} chance of being in it, "
        f"{odds_text(mixture.odds.leaner)} of being leaner)."
    )


def _moved_sentence(results) -> str:
    """Why the band is not the one that was typed."""
    band, use = results.band, results.session.use
    said = {"riding": use.riding, "cooling": use.cooling}
    silent = [name for name, value in said.items() if value == "unknown"]
    taken = f" ({listing(silent)} under [use] not written down: taken as that)" if silent else ""
    return (
        f"its lean edge is {fixed(band.highest, 2)}, not {fixed(band.stated_highest, 2)}: minutes "
        "of full load on an engine that only the moving air cools ask for a richer mixture"
        f"{taken}."
    )


def _equals_sentence(results) -> str:
    plan = results.plan
    text = f"in pull, {spaced(plan.ride.setup)} and {spaced_list(plan.equals)}"
    harms = [one.harm for one in results.combinations if one.setup in plan.equals]
    known = [harm for harm in harms if harm is not None]
    if plan.ride.harm is None or not known or plan.ride.harm > min(known) + SAME_HARM:
        return f"{text}."
    return f"{text}. Among equals the mixture that risks least is taken."


def watch(results) -> Prose:
    """What to watch when riding what the verdict says, as a caution box."""
    items = [("Watch", sentence) for sentence in _warnings(results)]
    items.append(
        (
            "Riding",
            "full throttle only on a closed or quiet road, within the law, in full gear. Stop at "
            "the first knock. Never go leaner for speed. If the manual disagrees, follow it.",
        )
    )
    return Prose(tuple(items), style="caution")


def _warnings(results) -> list:
    """What can hurt, from what was read and heard, and what nobody read or heard."""
    plan = results.plan
    found = []
    for one in fitted_on_fuels(results):
        if one.gate is not None and one.gate.fuel_limit is not None:
            found.append(heat.limit_sentence(one.gate.fuel_limit))
        elif one.odds is not None and one.odds.leaner > WORTH_A_WARNING:
            found.append(
                f"on {one.fuel}, {one.injector} has "
                f"{chance_of(one.odds.leaner, 'running leaner than the band')}."
            )
    found += _hot_heads(results)
    found += _hot_climbs(results)
    if "knock" in plan.missing:
        found.append("nobody wrote down whether it knocked, so nothing is known of that: listen.")
    elif not results.knocks:
        listened = heat.runs_listened(results)
        found.append(
            f"no knock was heard on the {listened} runs on which somebody listened. That is no "
            "proof: listen on, above all on a hot day and a long climb."
        )
    return found


def _hot_climbs(results) -> list:
    """Whether the head of what is ridden now gets too hot on a long climb on a hot day."""
    ride, system = results.plan.ride, results.session.about.units
    own = [one for one in results.climbs if ride is not None and one.setup == ride.setup]
    places = {one.place for one in own if one.told or one.place == "above"}
    verb = "goes" if "above" in places else "may go" if "unclear" in places else ""
    if not verb:
        return []
    stated = own[0].limit_is_stated
    limit = plain(own[0].limit_k, "temperature", system) if stated else usual_hottest(system)
    return [f"on a long climb on a hot day its head {verb} above {limit}: keep climbs short."]


def _hot_heads(results) -> list:
    """Head temperatures that are high for any air-cooled engine, where no limit was stated."""
    session = results.session
    heads = [one.hottest_k for one in results.combinations if one.hottest_k is not None]
    if session.bike.highest_head_temperature or not heads or max(heads) <= USUAL_HOTTEST_K:
        return []
    system = session.about.units
    return [
        f"the head reached {plain(max(heads), 'temperature', system)}, and session.toml states no "
        f"limit; above about {usual_hottest(system)} at the spark plug an "
        "air-cooled engine is too hot (common practice). Let it cool, and state the limit."
    ]
