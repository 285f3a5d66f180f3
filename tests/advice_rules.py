"""Rules that the advice on any session must keep: what it advises, and that it says one thing."""

import re

from tuninglib.analysis.analyse import results_document
from tuninglib.analysis.combinations import no_safer
from tuninglib.analysis.records import one_each
from tuninglib.analysis.worth import LIKELY, SAME, TRIAL, WORTH_THE_WORK
from tuninglib.report import advice, injector, mixture, verdict
from tuninglib.report import what_if as fellow
from tuninglib.rounding import interval_text, odds_text
from tuninglib.session.defaults import leaner_limit_of


def advised(results) -> list:
    """Every combination that the plan advises to ride, now or next."""
    plan, found = results.plan, []
    if plan.ride is not None:
        found.append(plan.ride)
    if plan.next.code in ("fit", "buy", "change fuel"):
        found += [
            one
            for one in one_each(results.combinations, plan.ride).values()
            if one.engine == plan.next.engine
            and one.injector == plan.next.injector
            and one.fuel in plan.next.fuels
            and one.odds is not None
        ]
    return found


def bolder(before, after) -> list:
    """What is leaner or of a lower octane number after than before, on the same engine."""

    def worse(new, old):
        return (
            None not in (new, old)
            and new.engine == old.engine
            and new.key != old.key
            and no_safer(new, old)
            and not no_safer(old, new)
        )

    found = [(before.plan.ride, after.plan.ride)]
    if before.plan.engine == after.plan.engine:
        old = {one.fuel: one.best for one in before.plan.fuels}
        found += [(old.get(one.fuel), one.best) for one in after.plan.fuels]
    next_before, next_after = (_next_on_fuels(results) for results in (before, after))
    found += [(next_before[at], next_after[at]) for at in next_before if at in next_after]
    return [(old.key, new.key) for old, new in found if worse(new, old)]


def _next_on_fuels(results) -> dict:
    """The next injector on each fuel that it is for."""
    step, known = results.plan.next, one_each(results.combinations, results.plan.ride)
    if step.code not in ("fit", "buy"):
        return {}
    return {(step.engine, fuel): known[step.engine, step.injector, fuel] for fuel in step.fuels}


def plan_of(results, turned=None) -> dict:
    """What a plan comes to, without the order of anything and with setups' names as they are."""

    def named(setup):
        return (turned or {}).get(setup, setup)

    plan, step = results.plan, results.plan.next
    return {
        "ride": plan.ride and (named(plan.ride.setup), *plan.ride.key[:3]),
        "next": (step.code, step.why, step.engine, step.injector, step.runs),
        "fuels of next": frozenset(step.fuels),
        "setups of next": frozenset(map(named, step.setups)),
        "strength": (plan.strength, plan.runs, plan.missing, plan.for_all),
        "equals": frozenset(map(named, plan.equals)),
        "fuels": frozenset((one.fuel, one.best and one.best.injector) for one in plan.fuels),
        "gates": frozenset(
            (*one.key[:3], named(one.setup), one.gate and one.gate.code)
            for one in results.combinations
        ),
    }


def page(results) -> str:
    """What the page advises, in the sentences that a rider reads, and the title of its picture."""
    parts = (
        verdict.sentences(results),
        verdict.watch(results),
        verdict.reasons(results),
        injector.sentences(results),
        *_lines(verdict.flips(results)),
        *_lines(verdict.worths(results)),
    )
    title = injector._title_of(results) if results.ladder else ""
    return "\n".join([*(str(part) for part in parts), title])


def _lines(table) -> list:
    """The rows of a table, cells side by side, and its note; nothing of one that is not there."""
    if not hasattr(table, "rows"):
        return []
    return [*(" | ".join(filter(None, row)) for row in table.rows), table.note]


def contradictions(results) -> list:
    """What a page says twice in different ways, or advises against its own evidence."""
    text = page(results)
    return [f"{rule.__name__}: {problem}" for rule in RULES for problem in rule(results, text)]


def nothing_shut_is_advised(results, text):
    plan = results.plan
    for one in advised(results):
        if one.gate is not None and not _is_a_trial(results, one, text):
            yield f"{one.key} is shut by {one.gate.code}"
    for one in plan.fuels:
        if one.best and one.best.gate and not _is_a_trial(results, one.best, text):
            yield f"best on {one.fuel} is shut by {one.best.gate.code}"
        own = [
            c
            for c in results.combinations
            if (c.engine, c.injector, c.fuel) == (plan.engine, plan.for_all, one.fuel)
        ]
        if plan.for_all is not None and not any(c.may_be_tried for c in own):
            yield f"for all fuels {plan.for_all}, which is shut on {one.fuel}"


def _is_a_trial(results, one, text) -> bool:
    """Whether it was never read, is not likely lean, and the page says that it is a trial."""
    most = max(TRIAL, leaner_limit_of(results.session))
    return (
        one.setup is None
        and one.gate.code in ("lean", "flow")
        and (one.gate.code == "lean" or "running out of time" in text)
        and one.gate.value <= most
        and results.plan.next.code in ("fit", "buy")
        and "Try it with an eye on the gauge" in text
    )


def nothing_is_less_safe_than_what_knocked(results, text):
    for heard in (one for one in results.combinations if one.knocks):
        for one in advised(results):
            if no_safer(one, heard):
                yield f"{one.key} is advised although {heard.key} knocked"


def only_fuels_that_may_be_burnt(results, text):
    session, plan = results.session, results.plan
    burnt = set(session.use.fuels or [setup.fuel for setup in session.setups.values()])
    burnt -= {limit.fuel for limit in results.fuel_limits if limit.engine is None}
    if not set(plan.next.fuels) <= burnt:
        yield f"next is for {plan.next.fuels}, burnt are {burnt}"
    if plan.ride is not None and plan.ride.fuel not in burnt:
        yield f"ride on {plan.ride.fuel}, burnt are {burnt}"
    calculated = plan.ride and plan.ride.fuel != session.setups[plan.ride.setup].fuel
    if bool(calculated) != ("its mixture is calculated" in text):
        yield f"ride on {plan.ride.fuel}, ridden on {session.setups[plan.ride.setup].fuel}"


def next_is_one_sensible_thing(results, text):
    session, plan, step = results.session, results.plan, results.plan.next
    record = session.injectors.get(step.injector)
    fitted = {setup.injector for setup in session.setups.values()}
    owned = record is not None and (
        record.owned == "yes" or (record.owned == "unknown" and step.injector in fitted)
    )
    if step.code == "buy" and owned:
        yield f"buy {step.injector}, which is owned"
    if step.code == "fit" and not owned:
        yield f"fit {step.injector}, which is not owned"
    same = plan.ride is not None and plan.ride.engine == step.engine
    if step.code in ("fit", "buy") and same and plan.ride.injector == step.injector:
        yield f"{step.code} {step.injector}, which is fitted"
    if step.code == "nothing" and plan.ride is None:
        yield "nothing to do, but nothing to ride"
    if step.code == "list injectors" and step.injector is None:
        known: dict = {}
        for one in results.combinations:
            if one.engine == step.engine and one.fuel in step.fuels and one.may_be_tried:
                known.setdefault(one.injector, []).append(one)
        for name, own in known.items():
            likely = all(one.odds is not None and one.odds.inside >= LIKELY for one in own)
            if len({one.fuel for one in own}) == len(step.fuels) and likely:
                yield f"none of those listed may be fitted, but {name} may be tried"
    if step.code == "nothing" and plan.strength != "decided" and plan.equals:
        yield f"nothing to do, but {plan.strength} and {plan.equals} could be ridden again"
    if step.code == "find power":
        for pull in results.pulls:
            if pull.verdict == "faster" and session.setups[pull.setup].engine == step.engine:
                yield f"{step.engine} lacks power, but {pull.setup} was faster"


def no_fuel_is_kept_to_where_another_injector_passes_on_more(results, text):
    plan, step = results.plan, results.plan.next
    if step.code != "change fuel" or not step.fuels:
        return
    passes = {}
    # What is worth less even so is no better: it pulled less than all that it would mend.
    least = plan.ride.worth - WORTH_THE_WORK if plan.ride and plan.ride.worth is not None else -99.0
    for one in one_each(results.combinations, plan.ride).values():
        passed = one.engine == step.engine and one.gate is None and one.source == "read"
        if passed and (one.worth is None or one.worth >= least):
            passes.setdefault(one.injector, set()).add(one.fuel)
    burnt = {one.fuel for one in plan.fuels}
    for other, fuels in passes.items():
        if len(fuels & burnt) > len(step.fuels):
            yield f"keep to {step.fuels} with {step.injector}, but {other} passes on {fuels}"


def sentences_say_what_the_plan_says(results, text):
    plan, step = results.plan, results.plan.next
    items = dict(verdict.sentences(results).items)
    why = dict(verdict.reasons(results).items)
    full = f"{items['Next']} {why.get('About the next step', '')}".strip()
    if full != advice.next_sentence(results):
        yield f"the page says {full!r}, the lab {advice.next_sentence(results)!r}"
    if (plan.strength == "leaning") != ("Likely, not settled" in items["Ride now"]):
        yield f"{plan.strength}: {items['Ride now']}"
    shut = {one.setup for one in plan.shut}
    again = set(step.setups) if step.code == "ride again" else set()
    if f"and of {advice.spaced(results.reference)}" in items["Ride now"]:
        again.add(results.reference)
    if shut & again:
        yield f"more runs are asked of what must not be ridden: {shut & again}"
    if "this is decided" in items["Next"] and plan.strength != "decided":
        yield "decided only in words"
    elsewhere = plan.ride is not None and step.engine not in (None, plan.ride.engine)
    if elsewhere and advice.spaced(step.engine) not in items["Next"]:
        yield f"next is for the engine {step.engine}, not said: {items['Next']}"
    for one in plan.shut:
        if f"{advice.spaced(one.setup)}: " not in why["Not to be ridden"]:
            yield f"{one.setup} is shut, not said why"
        if advice.spaced(one.setup) not in items["Not to be ridden"]:
            yield f"{one.setup} is shut, not said"
        if one.setup == (plan.ride and plan.ride.setup):
            yield f"{one.setup} is shut, and ridden"
    if "does least harm is chosen" in text:
        least = min(
            one.harm
            for one in results.combinations
            if one.setup in verdict._equals(results) and one.harm is not None
        )
        if plan.ride.harm > least + SAME:
            yield f"{plan.ride.harm} does least harm, but {least} is among its equals"
    changes = step.code in ("fit", "buy") and any(one.fitted for one in plan.fuels)
    if changes and f"The fitted {plan.ride.injector}" not in full:
        yield "another injector without saying why"
    title = injector._title_of(results) if results.ladder else ""
    if title and step.code in ("fit", "buy") and step.injector not in title:
        yield f"title: {title}"
    stays = "stays" in title
    if stays and (step.code in ("fit", "buy", "list injectors") or plan.ride is None):
        yield f"title: {title}"
    found = re.search(r"\b(nan|inf|None(?! of))\b|\(\)|\[\]|  | \.|: \.", text)
    if found:
        yield f"{found[0]!r} is printed"


def by_header(table) -> list:
    """Rows of a table, each cell under its heading."""
    return [dict(zip(table.header, row, strict=True)) for row in table.rows]


def the_same_odds_everywhere(results, text):
    plan, ride = results.plan, results.plan.ride
    document = results_document(results)
    if document["plan"]["next"]["code"] != plan.next.code:
        yield "results.json has another next"
    if ride is None or ride.odds is None or ride.source != "read":
        return
    if document["plan"]["ride"]["odds"]["leaner"] != ride.odds.leaner:
        yield "results.json has other odds"
    inside, leaner = odds_text(ride.odds.inside), odds_text(ride.odds.leaner)
    said = dict(verdict.sentences(results).items)["Mixture"]
    sure = ride.odds.inside > verdict.SURELY_INSIDE and "chance" not in said
    chances = f"({inside} chance of being in it, {leaner} of being leaner)"
    if ride.odds.richer > 0.5:
        chances = f"({odds_text(ride.odds.richer)} chance of being richer than it)"
    if not sure and chances not in said:
        yield f"verdict: {said}, not {inside} and {leaner}"
    place = next(one.place for one in results.mixtures if one.setup == ride.setup)
    words = {"inside": ": inside the", "richer": ": richer than", "leaner": ": leaner than"}
    if words.get(place, ": near an edge of") not in said:
        yield f"verdict: {said}, mixture: {place}"
    name = advice.spaced(ride.setup)
    rows = [row for row in by_header(mixture.table(results)) if row["Setup"] == name]
    if (rows[0]["Chance inside"], rows[0]["Chance leaner"]) != (inside, leaner):
        yield f"mixture table: {rows[0]}"
    table = by_header(injector.table(results))
    if results.ladder.engine == ride.engine:
        own = [row for row in table if row["In short"] == "ride now"]
        wanted = interval_text(ride.lambda_), inside, leaner
        columns = "Lambda (95 % interval)", "Chance inside", "Chance leaner"
        if len(own) != 1 or tuple(own[0][column] for column in columns) != wanted:
            yield f"injector table: {own}"
    asked = [one for one in fellow.data(results)["fuels"] if one["name"] == ride.fuel]
    if not asked or f"{inside} chance of being in the band, {leaner}" not in asked[0]["mixture"]:
        yield f"fellow: {asked}"
    for one in plan.fuels:
        for row in table:
            for known in (one.fitted, one.best):
                same = known and row["Injector and fuel"] == f"{known.injector} on {one.fuel}"
                if same and row["Chance leaner"] != odds_text(known.odds.leaner):
                    yield f"injector table on {one.fuel}: {row}"


NOT_READ = ("chance", " band", "lambda 0", "lambda 1", "richer than", "leaner than", "least harm")
NOT_TIMED = ("more pull", "less pull", "at your marker", "pulled harder", "pulled less", "in pull")


def nothing_is_claimed_that_was_not_measured(results, text):
    missing = results.plan.missing
    if {"gauge", "range"} & set(missing):
        # How long an injector is open follows from its flow; no gauge is needed for it.
        read = text.replace("chance of running out of time", "")
        yield from (f"{word!r} without a gauge" for word in NOT_READ if word in read)
    if "speeds" in missing:
        yield from (f"{word!r} without speeds" for word in NOT_TIMED if word in text)
    if "knock" in missing and "no knock was heard" in text:
        yield "no knock was heard, but nobody listened"


RULES = (
    nothing_shut_is_advised,
    nothing_is_less_safe_than_what_knocked,
    only_fuels_that_may_be_burnt,
    next_is_one_sensible_thing,
    no_fuel_is_kept_to_where_another_injector_passes_on_more,
    sentences_say_what_the_plan_says,
    the_same_odds_everywhere,
    nothing_is_claimed_that_was_not_measured,
)
