"""The verdict: what to keep and why, what could not be told, what to try next, what to watch."""

from tuninglib.report import heat, injector
from tuninglib.report.cells import gain_of, gain_text, mixture_of, spaced, spaced_list
from tuninglib.report.display import Prose
from tuninglib.rounding import fixed, gauge_text, interval_text, odds_text, percent


def sentences(results) -> Prose:
    """The answer: what to keep and why, what could not be told, what to try next.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    choice, items = results.choice, []
    if choice.keep is None:
        items.append(("", "No setup of this session can be recommended."))
    else:
        items.append(("", _keep_sentence(results)))
        items.append(("Mixture", _mixture_sentence(results, choice.keep)))
        if choice.ties:
            items.append(("Not told apart", _ties_sentence(results)))
    if choice.ruled_out:
        reasons = "; ".join(
            f"{spaced(setup)}: {_reason(ruled_out)}"
            for setup, ruled_out in choice.ruled_out.items()
        )
        items.append(("Not to be used", f"{reasons}."))
    money = _money_sentence(results)
    if money:
        items.append(("Money", money))
    items.append(("Next", injector.next_sentence(results)))
    return Prose(tuple(items), style="verdict")


_REASONS = {
    "lean": "it is likely leaner than the target band",
    "ethanol": "its fuel has more ethanol than the maker allows",
    "octane": "its fuel has a lower octane number than the maker asks for",
}


def _reason(ruled_out) -> str:
    return heat.knock_sentence(ruled_out.knock) if ruled_out.knock else _REASONS[ruled_out.code]


def _keep_sentence(results) -> str:
    keep = results.choice.keep
    setup = results.session.setups[keep]
    what = f"Keep {spaced(keep)} ({_what(setup)})"
    gain = gain_of(results, keep)
    if keep == results.reference:
        faster = [pull.setup for pull in results.pulls if pull.verdict == "faster"]
        why = (
            f"{spaced_list(faster)} pulled harder, but cannot be recommended"
            if faster
            else "nothing else was shown to pull harder"
        )
        return f"{what}: {why}."
    if gain is None:
        return f"{what}: it has the best mixture; it has no run with speeds, so no gain is known."
    if gain.verdict == "faster":
        return (
            f"{what}: at the wheel it pulls {gain_text(gain.ratio)} harder than "
            f"{spaced(results.reference)}."
        )
    if gain.verdict == "slower":
        return (
            f"{what}: it pulls less than {spaced(results.reference)} "
            f"({gain_text(gain.ratio)}), but that one is ruled out."
        )
    return (
        f"{what}: no difference shown to {spaced(results.reference)} in wheel force "
        f"({gain_text(gain.ratio)}); this test would have shown "
        f"{percent(gain.smallest_visible)} four times out of five."
    )


def _money_sentence(results) -> str:
    """What the kept setup's gain cost, if both are known."""
    keep = results.choice.keep
    gain, cost = gain_of(results, keep), results.session.setups[keep].cost if keep else None
    if gain is None or not cost or gain.verdict != "faster":
        return ""
    currency = results.session.about.currency
    each = [fixed(cost / (100 * share), 0) for share in (gain.ratio.high, gain.ratio.low)]
    return (
        f"{cost:g} {currency}".rstrip()
        + f" of parts for {gain_text(gain.ratio)} more force: "
        f"{each[0]} to {each[1]} {currency}".rstrip()
        + " for each per cent."
    )


def _what(setup) -> str:
    parts = f"{setup.parts}, " if setup.parts else ""
    return f"{parts}injector {setup.injector}, fuel {setup.fuel}"


def _mixture_sentence(results, setup) -> str:
    mixture = mixture_of(results, setup)
    target = results.session.target
    band = f"the target band {fixed(target.lowest, 2)} to {fixed(target.highest, 2)}"
    if mixture is None or mixture.lambda_ is None:
        return f"nothing is known of its mixture: it has no usable gauge reading. Aim for {band}."
    scale = results.session.gauge.scale
    printed = gauge_text(mixture.gauge.value, results.session.gauge)
    shown = f", which this gauge prints as {printed}" if scale > 1.5 else ""
    place = {
        "inside": f"inside {band}",
        "richer": f"richer than {band}",
        "leaner": f"leaner than {band}",
        "unsure": f"too close to the edge of {band} to say on which side",
    }[mixture.place]
    return (
        f"it runs at lambda {interval_text(mixture.lambda_)}{shown}: {place} "
        f"(odds of being inside {odds_text(mixture.odds.inside)}, "
        f"leaner {odds_text(mixture.odds.leaner)})."
    )


def _ties_sentence(results) -> str:
    choice = results.choice
    ties = f"this test cannot tell it from {spaced_list(choice.ties)}"
    pairs = results.road.pairs if results.road else ()
    visible = [
        pair.smallest_visible
        for pair in pairs
        if {pair.setup, pair.over} <= {choice.keep, *choice.ties}
        and choice.keep in (pair.setup, pair.over)
    ]
    limit = (
        f"; it would have shown a difference of {percent(max(visible))} four times out of five"
        if visible
        else ""
    )
    grounds = {
        "mixture": "Among them it has the best odds of the target band: richer runs cooler and "
        "costs fuel, leaner runs hotter",
        "gain": "It has the highest measured pull of them, which proves nothing",
        "only one": "",
    }[choice.grounds]
    return f"{ties}{limit}. {grounds}." if grounds else f"{ties}{limit}."


def watch(results) -> Prose:
    """What to watch when riding what the verdict keeps, as a caution box."""
    items = [("Watch", sentence) for sentence in _warnings(results)]
    if not items:
        items.append(
            (
                "Watch",
                "nothing alarming was read or heard. That is no proof: listen for knock, above all "
                "on a hot day and a long climb.",
            )
        )
    items.append(
        (
            "Before you ride",
            "full throttle on a closed or quiet road only, within the law, in full gear. Stop at "
            "the first knock. Never go leaner to win a marker speed. The maker's manual counts "
            "for more than this page.",
        )
    )
    return Prose(tuple(items), style="caution")


def _warnings(results) -> list:
    """What can hurt, from what was read and heard."""
    found = [f"{heat.knock_sentence(one)} ({spaced(one.setup)})." for one in results.knocks]
    lean = [
        mixture
        for mixture in results.mixtures
        if mixture.odds and mixture.odds.leaner > 0.1 and mixture.setup not in results.knocked
    ]
    for mixture in lean:
        found.append(
            f"{spaced(mixture.setup)} may be leaner than the band "
            f"(odds {percent(mixture.odds.leaner)})."
        )
    ladder = results.ladder
    if ladder and ladder.fitted:
        fitted = next(p for p in ladder.prospects if p.injector == ladder.fitted)
        leanest = fitted.fuels[0]
        if leanest.odds.leaner > 0.1:
            found.append(
                f"with {leanest.fuel} in the tank the kept setup may be leaner than the band "
                f"(odds {percent(leanest.odds.leaner)})."
            )
    return found
