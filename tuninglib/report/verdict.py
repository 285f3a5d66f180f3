"""The verdict: what to ride now, what is next, what must not be ridden, what to watch.

And, while a day is being ridden, what the rows so far say, in words for the roadside.
"""

from tuninglib.analysis.analyse import Results
from tuninglib.analysis.combinations import USUAL_HOTTEST_K, leaner_than, mixture_weights
from tuninglib.analysis.day_plan import Interim
from tuninglib.analysis.worth import EVEN, SAME
from tuninglib.report import advice, cautions, heat, mixture
from tuninglib.report.heat import knock_sentence
from tuninglib.report.page_parts import (
    NONE,
    Prose,
    Table,
    count_of,
    mixture_of,
    plain,
    spaced,
    spaced_list,
    table_of,
)
from tuninglib.report.run_sheet import USUAL_HOTTEST, edge_text, whose_hottest
from tuninglib.rounding import (
    decimals_of_step,
    fixed,
    gauge_text,
    interval_text,
    listing,
    percent,
)
from tuninglib.session.defaults import Band, edge_not_said, leaner_limit_of
from tuninglib.session.schema import SHOWS_LAMBDA, Use

# From this chance of a place on it is named.
SURE = 0.8
# Above this chance of being in the band no chance is printed on the first screen.
SURELY_INSIDE = 0.95


def sentences(results: Results) -> Prose:
    """The answer in short: what to ride now, its mixture, what is next, what not to ride.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    plan, items = results.plan, []
    waiting = cautions.not_run_in(results.session)
    if waiting:
        items.append(("Full throttle waits", f"{listing(waiting)}."))
    items.append(("Ride now", advice.ride_sentence(results)))
    if plan.ride is not None and not _unread(plan):
        items.append(("Mixture", _mixture_sentence(results, plan.ride)))
    items.append(("Next", advice.next_in_brief(results)))
    if plan.shut:
        items.append(("Not to be ridden", f"{advice.shut_in_brief(results)}."))
    return Prose(tuple(items), style="verdict")


def reasons(results: Results) -> Prose:
    """What stands behind the answer: what could not be told, why, and what would change it.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    plan, items = results.plan, []
    if plan.ride is not None and not _unread(plan) and results.band.moved:
        items.append(("Target band", moved_band_sentence(results.band, results.session.use)))
    equals = _equals(results)
    if equals:
        items.append(("Too close to call", _equals_sentence(results, equals)))
    about = advice.about_next(results)
    if about:
        items.append(("About the next step", about))
    items += advice.fuel_items(results)
    if plan.shut:
        reasons = "; ".join(
            f"{spaced(str(one.setup))}: {advice.gate_sentence(results, one)}" for one in plan.shut
        )
        items.append(("Not to be ridden", f"{reasons}."))
    return Prose(tuple(items), style="points")


def worths(results: Results) -> Table | Prose:
    """What decided: expected gain, harm of the mixture, and worth of what was ridden or is next.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    plan = results.plan
    # What is ruled out was never weighed.
    own = [c for c in results.combinations if c.setup is not None and c.gate is None]
    own += [one.best for one in plan.fuels if one.best is not None and one.best.setup is None]
    if plan.ride is not None and plan.ride.key not in [one.key for one in own]:
        own.append(plan.ride)
    if len(own) < 2 or _unread(plan):
        return Prose(())
    own = [one for one in own if one.worth is not None]
    columns = {
        "Combination": lambda one: (
            f"{one.injector if one.setup is None else spaced(one.setup)} on {one.fuel}"
        ),
        "Worth": lambda one: fixed(one.worth, 1),
        "Gain": lambda one: fixed(one.gain, 1),
        "Harm": lambda one: NONE if one.harm is None else fixed(one.harm, 1),
        "Status": lambda one: (
            "ride now"
            if plan.ride and one.key == plan.ride.key
            else "untried"
            if one.setup is None
            else NONE
        ),
    }
    weights, session = mixture_weights(results.session), results.session
    cooler = (
        f", {weights.cooler:g} to its credit where richer runs cooler" if weights.cooler else ""
    )
    note = (
        "In per cent of pull. Gain is what runs and displacement together suggest, not what was "
        f"measured. Harm counts {weights.lean:g} for each hundredth of lambda beyond the lean "
        f"edge, {weights.rich:g} beyond the rich edge{cooler} "
        f'(wanted = "{session.use.wanted}" under [use]). Worth is gain less harm.'
    )
    own.sort(key=lambda one: (-one.worth, str(one.key)))
    return table_of(own, columns, "What decided", note)


def flips(results: Results) -> Table | Prose:
    """What would change the plan: if this, then that.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    columns = {"If": lambda row: row[0], "Then": lambda row: row[1]}
    return table_of(advice.flip_rows(results), columns, "What would change it")


def _unread(plan) -> bool:
    """Whether no gauge tells the mixture of anything."""
    return bool({"gauge", "range"} & set(plan.missing))


# A gauge that shows lambda, and is off by less, shows the lambda that stands there.
_SAME_READING = 0.005


def _mixture_sentence(results, ride) -> str:
    band = f"the target band {advice.band_text(results)}"
    if ride.lambda_ is None:
        return f"not known, it has no usable gauge reading. Aim for {band}."
    gauge, at_one = results.session.gauge, results.shown_at_lambda_one
    shown = f", {gauge_text(ride.lambda_.value * at_one, gauge)} on this gauge"
    if gauge.scale < SHOWS_LAMBDA and abs(at_one / gauge.scale - 1) < _SAME_READING:
        shown = ""
    text = f"lambda {interval_text(ride.lambda_)}{shown}: {_place(results, ride)} {band}"
    if ride.odds.inside <= SURELY_INSIDE:
        text += f" ({advice.where(ride).replace('the band', 'it')})"
    air = results.air and results.air.of(ride)
    return f"{text}.{f' {mixture.air_in_brief(results, air)}' if air else ''}"


def _place(results, ride) -> str:
    """Where a mixture stands: as the mixture's own part says, or by the chances of a sum."""
    words = {"inside": "inside", "richer": "richer than", "leaner": "leaner than"}
    sure = [place for place in words if getattr(ride.odds, place) > SURE]
    place = mixture_of(results, ride.setup).place if ride.source == "read" else "".join(sure)
    return words.get(place, "near an edge of")


def moved_band_sentence(band: Band, use: Use) -> str:
    """Why the band is not the one that was typed.

    Parameters
    ----------
    band : tuninglib.session.defaults.Band
        One that was moved.
    use : tuninglib.session.schema.Use
    """
    silent = [name for name in ("riding", "cooling") if getattr(use, name) == "unknown"]
    taken = f" ({listing(silent)} under [use] not written down, so assumed)" if silent else ""
    return (
        f"its lean edge is {fixed(band.highest, 2)}, not {fixed(band.stated_highest, 2)}: minutes "
        "of full load on an engine that only the moving air cools ask for a richer mixture"
        f"{taken}."
    )


def _equals(results) -> tuple:
    """Setups that pull like what is ridden, as far as can be told; not one that it likely beats."""
    plan = results.plan
    beaten = results.reference if plan.strength == "leaning" else None
    return tuple(name for name in plan.equals if name != beaten)


def _equals_sentence(results, equals) -> str:
    plan = results.plan
    text = f"in pull, {spaced(plan.ride.setup)} and {spaced_list(equals)}"
    harms = [one.harm for one in results.combinations if one.setup in equals]
    known = [harm for harm in harms if harm is not None]
    if plan.ride.harm is None or not known or plan.ride.harm > min(known) + SAME:
        return f"{text}."
    return f"{text}. Where the pull is equal, the mixture that does least harm is chosen."


def watch(results: Results) -> Prose:
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
    found = cautions.not_believable(results)
    for one in advice.fitted_on_fuels(results):
        if one.gate is not None and one.gate.fuel_limit is not None:
            found.append(heat.limit_sentence(one.gate.fuel_limit))
        elif one.odds is not None and one.odds.leaner > advice.WORTH_A_WARNING:
            chance = advice.chance_of(one.odds.leaner, "running leaner than the band")
            limit, allowed = leaner_limit_of(results.session), ""
            if one.as_made and one.odds.leaner > limit:
                allowed = (
                    f"; the bike as its maker made it is ruled out above {percent(EVEN)}, anything "
                    f"else above {percent(limit)}"
                )
            found.append(f"on {one.fuel}, {one.injector} has {chance}{allowed}.")
    found += mixture.lean_in_the_cold(results)
    found += _hot_heads(results)
    found += _hot_climbs(results)
    found += _climbs_not_said(results)
    if "knock" in plan.missing:
        found.append("nobody wrote down whether it knocked, so nothing is known of that: listen.")
    elif not results.knocks:
        found.append(_quiet(results, plan.ride))
    found += _octane_unknown(results)
    silent = _unread(plan)
    if silent and plan.ride is not None and not plan.ride.as_made:
        found.append(
            f"nobody knows the mixture of {spaced(plan.ride.setup)}: keep full throttle short "
            "until it is read."
        )
    if results.session.target.highest > LEANEST_USUAL and not silent:
        found.append(
            f"the target band reaches lambda {fixed(results.session.target.highest, 2)}; leaner "
            f"than {fixed(LEANEST_USUAL, 2)} at full throttle the engine runs hotter and nearer to "
            "knock (common practice)."
        )
    return found


def _quiet(results, ride) -> str:
    """What it is worth that nobody heard a knock."""
    if ride is not None and ride.fuel != results.session.setups[ride.setup].fuel:
        return f"{spaced(ride.setup)} was not ridden on {ride.fuel} yet: listen for knock."
    listened = ride.listened if ride is not None else heat.runs_listened(results)
    if not listened:
        return f"nobody wrote down whether {spaced(ride.setup)} knocked: listen."
    of = f" of {spaced(ride.setup)}" if ride is not None else ""
    return (
        f"no knock was heard on {count_of(listened, 'run')}{of} on which somebody listened. That "
        "is no proof: keep listening, above all on a hot day and a long climb."
    )


# At full throttle (common practice).
LEANEST_USUAL = 0.90


def _octane_unknown(results) -> list:
    """What is not known of octane and compression, and so was not checked against anything."""
    found, session = [], results.session
    said = "the octane number that the maker asks for is not known"
    if session.bike.octane_need is None:
        engines = {one.engine for one in results.combinations if one.setup is not None}
        return [
            f"{said}, and the engine '{spaced(name)}' has a compression of "
            f"{session.engines[name].compression:.1f}: listen for knock."
            for name in sorted(engines)
            if (session.engines[name].compression or 0) > HIGH_COMPRESSION
        ] or [
            f"{said} (lowest_octane under [bike]), so no fuel is checked against it: burn none "
            "below what the manual asks for."
        ]
    for fuel in dict.fromkeys(one.fuel for one in results.plan.fuels):
        if any(one.margin == "unknown" for one in results.octane if one.fuel == fuel):
            found.append(
                f"the octane number of {fuel} is not known, so it is not checked against what the "
                "engine needs."
            )
    engine = results.plan.ride.engine if results.plan.ride is not None else results.plan.engine
    unknown = [one.engine for one in results.octane if one.rise_unknown and one.engine == engine]
    if unknown:
        found.append(
            f"the compression of the engine '{spaced(unknown[0])}' is not known: whether it needs "
            "more octane than the maker asks for cannot be said."
        )
    return found


# From here on an engine is likely to ask for more than regular petrol (common practice).
HIGH_COMPRESSION = 10.0


def _climbs_not_said(results) -> list:
    """What long climbs would ask of what is ridden now, where nothing is said of the riding."""
    session, ride = results.session, results.plan.ride
    edge = edge_not_said(session)
    if edge is None or ride is None or ride.lambda_ is None:
        return []
    leaner = leaner_than(ride.lambda_, edge)
    if leaner <= leaner_limit_of(session):
        return []
    return [
        f"minutes of full load, as on long climbs or a motorway, ask for lambda "
        f"{fixed(edge, 2)} or richer on an air-cooled engine: {spaced(ride.setup)} has "
        f"{advice.chance_of(leaner, 'being leaner than that')}. Keep full throttle short "
        "(riding under [use] is not written down)."
    ]


def _hot_climbs(results) -> list:
    """Whether the head of what is ridden now gets too hot on a long climb on a hot day."""
    ride, system = results.plan.ride, results.session.about.units
    own = [one for one in results.climbs if ride is not None and one.setup == ride.setup]
    places = {one.place for one in own if one.told or one.place == "above"}
    verb = "goes" if "above" in places else "may go" if "unclear" in places else ""
    if not verb:
        return []
    stated = own[0].limit_is_stated
    limit = plain(own[0].limit_k, "temperature", system) if stated else USUAL_HOTTEST[system]
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
        f"limit; above about {USUAL_HOTTEST[system]} at the spark plug an "
        "air-cooled engine is too hot (common practice). Let it cool, and state the limit."
    ]


# While the day is ridden --------------------------------------------------------------------------

# Why to stop after a row; the phone's page says it in the same words.
SAID_OF_STOPS = {
    "knock": "{heard} with {setup}.",
    "not again": " Do not ride it again until it runs richer, cooler or on fuel of a higher octane "
    "number.",
    "all leaner": " That ends all leaner setups on this engine, too.",
    "no safer": " No safer, and ended with it: {shut}.",
    "lean": "run {run} with {setup} showed {shown}, leaner than {edge}. Look for a leak in intake "
    "and exhaust, and at the fuel pressure; if there is none, ride nothing as lean as this.",
    "as lean": " As lean or leaner, as far as is known: {shut}.",
    "heat": "the head reached {head} on run {run}, above {limit}. Let it cool, and find out why "
    "before you ride on.",
}
STILL_TO_RIDE = "still to ride: {rides}."


def interim_sentences(results: Results | None, interim: Interim, system: str) -> Prose:
    """Go on, stop or decided, in one or two sentences each.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results or None
        None of a session that is not complete.
    interim : tuninglib.analysis.day_plan.Interim
    system : str
        System of units, for temperatures.
    """
    items = list(_SAID[interim.code](results, interim, system))
    if interim.problems:
        items.append(("Not complete", _missing(interim.problems)))
    return Prose(tuple(items), style="caution" if interim.code == "stop" else "paragraphs")


def _stop(results, interim, system):
    yield "Stop", _STOPS[interim.why](results, interim, system)
    if _is_unexplained(results):
        yield "Next", advice.next_sentence(results)


def _is_unexplained(results) -> bool:
    """Whether it knocked, and not because of the mixture."""
    return results is not None and results.plan.next.code == "find knock"


def _knock(results, interim, system) -> str:
    said = SAID_OF_STOPS
    text = said["knock"].format(heard=knock_sentence(interim.knock), setup=spaced(interim.setup))
    shut = spaced_list(interim.shut)
    if _is_unexplained(results):
        # Richer is not what helps then; what does, comes next.
        return f"{text} Ended with it: {shut}." if shut else text
    text += said["not again"]
    if results is None:
        return text + said["all leaner"]
    return text + said["no safer"].format(shut=shut) if shut else text


def _lean(results, interim, system) -> str:
    limits = interim.limits
    decimals = decimals_of_step(limits.resolution)
    ends = (fixed(one, decimals) for one in (interim.low, interim.high))
    shown = " to ".join(dict.fromkeys(ends))
    run, setup = f"{interim.run:g}", spaced(interim.setup)
    text = SAID_OF_STOPS["lean"].format(run=run, setup=setup, shown=shown, edge=edge_text(limits))
    if interim.shut:
        text += SAID_OF_STOPS["as lean"].format(shut=spaced_list(interim.shut))
    return text


def _heat(results, interim, system) -> str:
    return SAID_OF_STOPS["heat"].format(
        head=plain(interim.head_k, "temperature", system),
        run=f"{interim.run:g}",
        limit=whose_hottest(interim.limits, system),
    )


def _closed(results, interim, system) -> str:
    return (
        f"{advice.combination_name(interim.combination)} is ruled out: "
        f"{advice.gate_sentence(results, interim.combination)}. Ride it no more as it is."
    )


_STOPS = {"knock": _knock, "lean": _lean, "heat": _heat, "closed": _closed}


def _go_on(results, interim, system):
    rides = listing(f"{spaced(name)} {runs}" for name, runs in interim.to_ride)
    yield "Go on", STILL_TO_RIDE.format(rides=rides)
    if interim.closed:
        reasons = "; ".join(
            f"{spaced(name)}: {advice.gate_sentence(results, one)}" for name, one in interim.closed
        )
        yield "Not to be ridden", f"{reasons}."


def _decided(results, interim, system):
    heard = (
        " But nobody wrote down whether it knocked: listen before you trust it."
        if "knock" in results.plan.missing
        else ""
    )
    yield "Decided", f"nothing that is still planned is likely to change it.{heard}"
    yield "Ride now", advice.ride_sentence(results)
    yield "Next", advice.next_sentence(results)


def _ridden(results, interim, system):
    yield "Ridden as planned", "but it is not decided."
    yield "Next", advice.next_sentence(results)


_SAID = {
    "stop": _stop,
    "go on": _go_on,
    "decided": _decided,
    "ridden": _ridden,
    "unknown": lambda *_: (),
}


def _missing(problems) -> str:
    more = f" ({len(problems) - 1} more: tuninglib check)" if len(problems) > 1 else ""
    return f"what the rows show together is not known until this is fixed: {problems[0]}{more}"
