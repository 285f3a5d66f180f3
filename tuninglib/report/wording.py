"""Results to sentences that a rider understands, rounded to their uncertainty."""

from tuninglib import units
from tuninglib.report import notes
from tuninglib.report.display import Prose
from tuninglib.rounding import (
    fixed,
    gauge_text,
    interval_text,
    listing,
    odds_text,
    percent,
    quantity_text,
)

CAUTIONS = (
    (
        "The road",
        "Full-throttle runs belong on a closed or quiet road, within the law and the speed limit "
        "of the place, in dry light, with full protective gear and somebody who knows where you "
        "are. A marker speed is not worth a fall.",
    ),
    (
        "Knock",
        "Stop at the first rattle, close the throttle and do not ride that setup again until it "
        "runs richer, cooler or on fuel of a higher octane number. Knock breaks pistons fast.",
    ),
    (
        "Lean mixture",
        "Never go leaner to win a marker speed. Lean and hot go together on a long climb; if in "
        "doubt, stay on the rich side of the band.",
    ),
    (
        "Fuel",
        "Handle fuel outdoors or with good ventilation, away from flames, sparks and hot parts, "
        "relieve the pressure before a line is opened, and catch what spills. Use no more ethanol "
        "and no lower octane number than the maker of the motorcycle allows.",
    ),
    (
        "Hot parts",
        "Let the exhaust and the head cool before you change parts, and never run an engine in a "
        "closed room: the exhaust kills without a smell.",
    ),
    (
        "The law and the maker",
        "Local law, the maker's manual and a licensed mechanic go before anything that is written "
        "here. A changed engine may need approval for the road.",
    ),
)


def _name(setup: str) -> str:
    return setup.replace("_", " ")


def _names(setups) -> str:
    return listing(_name(setup) for setup in setups)


def _gain_of(results, setup):
    return next((pull.gain for pull in results.pulls if pull.setup == setup), None)


def _mixture_of(results, setup):
    return next((mixture for mixture in results.mixtures if mixture.setup == setup), None)


def gain_text(gain) -> str:
    """A gain with its interval as per cent.

    Parameters
    ----------
    gain : tuninglib.analysis.results.Interval
        As a ratio.
    """
    return interval_text(gain.scaled(100), "%", least_decimals=0)


def verdict(results) -> Prose:
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
        reasons = "; ".join(f"{_name(s)}: {reason}" for s, reason in choice.ruled_out.items())
        items.append(("Not to be used", f"{reasons}."))
    money = _money_sentence(results)
    if money:
        items.append(("Money", money))
    items.append(("Next", next_sentence(results)))
    return Prose(tuple(items), style="verdict")


def _keep_sentence(results) -> str:
    keep = results.choice.keep
    setup = results.session.setups[keep]
    what = f"Keep {_name(keep)} ({_what(setup)})"
    gain = _gain_of(results, keep)
    if keep == results.reference:
        faster = [pull.setup for pull in results.pulls if pull.verdict == "faster"]
        why = (
            f"{_names(faster)} pulled harder, but cannot be recommended"
            if faster
            else "nothing else was shown to pull harder"
        )
        return f"{what}: {why}."
    if gain is None:
        return f"{what}: it has the best mixture; it has no run with speeds, so no gain is known."
    if gain.verdict == "faster":
        return (
            f"{what}: at the wheel it pulls {gain_text(gain.ratio)} harder than "
            f"{_name(results.reference)}."
        )
    if gain.verdict == "slower":
        return (
            f"{what}: it pulls less than {_name(results.reference)} "
            f"({gain_text(gain.ratio)}), but that one is ruled out."
        )
    return (
        f"{what}: no difference shown to {_name(results.reference)} in wheel force "
        f"({gain_text(gain.ratio)}); this test would have shown "
        f"{percent(gain.smallest_visible)} four times out of five."
    )


def _money_sentence(results) -> str:
    """What the kept setup's gain cost, if both are known."""
    keep = results.choice.keep
    gain, cost = _gain_of(results, keep), results.session.setups[keep].cost if keep else None
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
    mixture = _mixture_of(results, setup)
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
    ties = f"this test cannot tell it from {_names(choice.ties)}"
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
    items = [("Watch", sentence) for sentence in notes.warnings(results)]
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


def conditions(results) -> Prose:
    """The day, the hill and the bike in a few sentences."""
    session, system = results.session, results.session.about.units
    runs = [run for run in results.runs if run.force_n is not None]
    hill = session.hill
    riders = listing(
        f"{name} ({_plain(rider.mass.value, 'mass', system)} dressed)"
        for name, rider in session.riders.items()
    )
    text = (
        f"{len(runs)} full-throttle runs count, on a hill of "
        f"{_plain(hill.length.value, 'length', system)} at {percent(hill.grade.value, 1)}, with a "
        f"bike of {_plain(session.bike.mass.value, 'mass', system)}; riders: {riders}."
    )
    items = [("", text)]
    if runs:
        temperatures = [run.temperature_k for run in runs]
        low, high = (
            _plain(t, "temperature", system) for t in (min(temperatures), max(temperatures))
        )
        items.append(("", f"The air was between {low} and {high}."))
    left_out = [run for run in results.runs if run.exclude]
    if left_out:
        reasons = "; ".join(f"run {run.run:g}: {run.exclude}" for run in left_out)
        items.append(("Left out by the rider", f"{reasons}."))
    if session.about.note:
        items.append(("The rider's note", session.about.note))
    items += [("Note", remark) for remark in notes.remarks(results)]
    return Prose(tuple(items))


def _plain(value, kind, system) -> str:
    shown = units.to_display(value, kind, system)
    return f"{shown:.4g} {units.unit_label(kind, system)}"


def mixture(results) -> Prose:
    """What the gauge said, and what it means on the fuel that was in the tank."""
    session = results.session
    scale = session.gauge.scale
    items = []
    if scale and scale > 1.5:
        items.append(
            (
                "",
                f"The gauge measures lambda and prints it on a scale of {scale:g}: lambda 1 reads "
                f"{scale:g}, whatever is in the tank. The true ratio of air to fuel is another "
                "number, because each fuel needs its own amount of air; the table has both.",
            )
        )
    for place, text in (
        ("inside", "inside the target band"),
        ("leaner", "leaner than the target band"),
        ("richer", "richer than the target band"),
        ("unsure", "too close to an edge of the band to say"),
    ):
        setups = [m.setup for m in results.mixtures if m.place == place and m.lambda_ is not None]
        if setups:
            items.append((text[0].upper() + text[1:], f"{_names(setups)}."))
    pegged = [m for m in results.mixtures if m.pegged]
    if pegged:
        names = listing(f"{_name(m.setup)} ({m.pegged})" for m in pegged)
        items.append(
            (
                "At the gauge's end",
                f"{names}: these readings only say 'beyond', so they are left out of the sums.",
            )
        )
    silent = [m.setup for m in results.mixtures if m.lambda_ is None]
    if silent:
        items.append(("No reading", f"{_names(silent)}."))
    items += [("Fuel", sentence) for sentence in notes.fuels(results)]
    return Prose(tuple(items), style="points")


def gain(results) -> Prose:
    """Faster, slower or not told apart, with the smallest gain that the test would have shown."""
    if not results.pulls:
        return Prose((("", "There are no speeds in this session, so no gain can be worked out."),))
    items = []
    for record in results.pulls:
        if record.gain is None:
            continue
        name = _name(record.setup)
        speed = _speed_gain(results, record)
        if record.verdict == "not told apart":
            items.append(
                (
                    name,
                    f"no difference shown to {_name(results.reference)}: "
                    f"{gain_text(record.gain.ratio)}. This test would have shown "
                    f"{percent(record.gain.smallest_visible)} four times out of five. {speed}",
                )
            )
        else:
            more = "more" if record.verdict == "faster" else "less"
            ratio = record.gain.ratio
            size = ratio if record.verdict == "faster" else _negated(ratio)
            items.append((name, f"{gain_text(size)} {more} force at the wheel. {speed}"))
    count = len(results.pulls) - 1
    if count > 1:
        items.append(
            (
                "Several at once",
                f"{count} setups are compared with {_name(results.reference)}. The intervals are "
                "for one comparison each; the words faster and slower are only used where the "
                f"difference stands up to {count} comparisons at 5 % together (Bonferroni).",
            )
        )
    items += [("Note", sentence) for sentence in notes.gains(results)]
    return Prose(tuple(items), style="points")


def _negated(interval):
    return type(interval)(-interval.value, -interval.high, -interval.low)


def _speed_gain(results, record) -> str:
    system = results.session.about.units
    change = units.to_display(record.speed_gain_m_s, "speed", system)
    label = units.unit_label("speed", system)
    sign = "+" if change >= 0 else "−"
    return f"At the marker the speedometer showed {sign}{abs(change):.1f} {label}."


def next_sentence(results) -> str:
    """Which injector to try next, or why to stay, in a sentence or two."""
    ladder = results.ladder
    if ladder is None and any(mixture.pegged for mixture in results.mixtures):
        return (
            "every reading stood at the gauge's end, so no injector can be advised: fit one that "
            "brings the reading back into the gauge's range, on the rich side first."
        )
    if ladder is None:
        return (
            "read the lambda gauge on the next runs: without a usable reading no injector can be "
            "advised."
        )
    if ladder.advice == "none":
        return (
            "none of the injectors listed is likely to be inside the target band on every fuel; "
            "list others in session.toml." + _wanted_flow(results)
        )
    record = next(p for p in ladder.prospects if p.injector == ladder.injector)
    leanest = record.fuels[0]
    text = (
        f"on {leanest.fuel}, the leanest of the fuels, lambda {interval_text(leanest.lambda_)} and "
        f"odds of the band {odds_text(leanest.odds.inside)}"
    )
    if ladder.advice == "stay":
        return (
            f"stay with injector {ladder.injector}: {text}. None of the others listed has odds "
            "that are better by a tenth or more. Richer would run cooler and cost fuel."
        )
    price = ""
    if record.price is not None:
        price = f" for {record.price:g} {results.session.about.currency}".rstrip()
    verb = "fit" if record.tried else "buy"
    return f"{verb} injector {ladder.injector}{price}: {text}{_than_staying(ladder)}."


def _than_staying(ladder) -> str:
    """What the fitted injector offers instead, on the same fuel."""
    fitted = next((p for p in ladder.prospects if p.injector == ladder.fitted), None)
    if fitted is None:
        return ""
    odds = fitted.fuels[0].odds
    return (
        f"; with {ladder.fitted}, which is fitted now, they are {odds_text(odds.inside)}, and "
        f"{odds_text(odds.leaner)} of being leaner"
    )


def _wanted_flow(results) -> str:
    guess = results.ladder.first_guess
    if guess is None:
        return ""
    system = results.session.about.units
    return (
        f" The middle of the band on the leanest fuel asks for "
        f"{quantity_text(guess, 'flow', system)}."
    )


def next_injector(results) -> Prose:
    """Which injector next, how its odds come about, and which stated flow is not believable."""
    items = [("Advice", next_sentence(results))]
    ladder = results.ladder
    if ladder is not None:
        for suspicion in ladder.suspicions:
            system = results.session.about.units
            items.append(
                (
                    f"Injector {suspicion.injector}",
                    f"reads as if it flowed "
                    f"{quantity_text(suspicion.implied_flow_m3_s, 'flow', system)}, not the "
                    f"{_plain(suspicion.stated_flow_m3_s, 'flow', system)} that it is stated with.",
                )
            )
    items += [("Note", sentence) for sentence in notes.ladder(results)]
    return Prose(tuple(items))


_STATES = {"full": "Full throttle", "cruise": "Cruise", "idle": "Idle"}


def response(results) -> Prose:
    """Whether lambda follows the injector, state by state, and what it means for gadgets."""
    verdicts = {
        "corrects": "lambda does not follow flow: the controller corrects by its own sensor here, "
        "and another injector does not change the mixture",
        "table": "lambda follows flow: the controller runs from its fuel table here, and its own "
        "sensor has no say",
        "cannot tell": "the readings cannot tell whether the controller corrects; read the gauge "
        "with two injectors that differ by a tenth or more",
    }
    ladder = results.ladder
    items = [
        (
            _STATES[one.state],
            f"{verdicts[one.verdict]} (response {interval_text(one.response)}; 1 follows, 0 "
            f"corrects; {one.readings} readings, {one.injectors} injectors).",
        )
        for one in (ladder.responses if ladder else ())
    ]
    items.append(
        (
            "What it means",
            "a device that alters the signal of the controller's own sensor can only matter where "
            "the controller corrects. A narrowband sensor says little richer than about 12.5 or "
            "leaner than about 15.5 on a 14.7 scale (common practice).",
        )
    )
    return Prose(tuple(items), style="points")


def what_if(results) -> Prose:
    """What the table for another rider shows, and between which bounds."""
    if not results.what_if:
        return Prose((("", "Without a wheel force there is nothing to carry over."),))
    items = [
        (
            "",
            "The same bike under another rider; the table has the same hill and air. The gearing "
            "is not known, so there are two bounds: the same force at the wheel, and the same "
            "power. A bigger rider meets more air, too: half of the drag area is taken to be the "
            "rider's, growing with mass to the power 0.425 (a rule, not a measurement).",
        )
    ]
    top, system = results.flat_top_speeds, results.session.about.units
    if top is not None and top.at_power is not None:
        items.append(
            (
                "On the flat",
                "without wind the same power would hold "
                f"{quantity_text(top.at_power, 'speed', system)}; the same force "
                f"{quantity_text(top.at_force, 'speed', system)}, if the engine could still pull "
                "it there. A sum, not a target.",
            )
        )
    return Prose(tuple(items))


def knock_and_heat(results) -> Prose:
    """Knock that was heard, fuel against the maker's limits, and head temperatures."""
    items = []
    for run in results.runs:
        if run.knock != "none":
            items.append((f"Run {run.run:g}, {_name(run.setup)}", f"{run.knock} knock was heard."))
    if not items:
        items.append(("Knock", "none was heard on any run."))
    items += [("Fuel", sentence) for sentence in notes.limits(results)]
    items.append(
        (
            "Heat",
            "head temperatures of single runs say little: the engine warms over the day, and the "
            "air cools it more the faster it goes. Compare neighbours in time.",
        )
    )
    return Prose(tuple(items), style="points")


def weather(results) -> Prose:
    """How the weather of the day is taken out, raw and corrected side by side."""
    return Prose(tuple(("", sentence) for sentence in notes.weather(results)))


def method(results) -> Prose:
    """How the numbers come about, what they rest on, and where that is published."""
    return Prose(notes.METHOD, style="points")


def cautions() -> Prose:
    """The usual cautions, in full."""
    return Prose(CAUTIONS, style="caution")
