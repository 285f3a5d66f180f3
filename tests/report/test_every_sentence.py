"""What no other test reads of a report: tables and figures by their names, sentences by a case."""

import csv
from collections import Counter
from dataclasses import replace

import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from tests.conftest import ROOT
from tuninglib.analysis.combinations import stop_limits
from tuninglib.analysis.day_plan import Interim
from tuninglib.analysis.decide import Step
from tuninglib.analysis.records import Doubt, Gate, GaugeDeviation, Knock
from tuninglib.analysis.season import Remark, Trend
from tuninglib.interval import Interval, Measured
from tuninglib.report import (
    advice,
    cautions,
    gain,
    heat,
    injector,
    logs,
    method,
    mixture,
    page_parts,
    season,
    tested,
    verdict,
    verdict_figure,
    what_if,
)
from tuninglib.session.trace import LeftOut
from tuninglib.statistics.ladder_prediction import Odds

# Tables and figures ---------------------------------------------------------------------------

INTERVALS = "In brackets: 95 % intervals."
# Caption, columns and the beginning of the note; by hand.
TABLES = {
    "demo": {
        verdict.worths: "What decided | Combination | Worth | Gain | Harm | Status | In per cent",
        verdict.flips: "What would change it | If | Then",
        mixture.table: "Full-throttle mixture, as read | Setup | Lambda (95 % interval) | Chance "
        "inside | Chance leaner | Gauge | True air to fuel | Fuel | Readings | Target band: lambda "
        "0.83 to 0.90. The interval covers the spread of the readings",
        gain.table: "Against stock | Setup | Verdict | Gain in pull [%] | Marker speed [km/h] | "
        f"Wheel force [N] | Wheel power [kW] | Runs | {INTERVALS} Errors that all setups share",
        injector.table: "Injectors, tried and to buy | Injector and fuel | In short | Lambda (95 % "
        "interval) | Chance inside | Chance leaner | Expected harm | Flow [cc/min] | Open time of "
        "a cycle | On the engine 'big'; as read where an injector was ridden",
        heat.table: "Heat and knock | Setup | Runs with knock | Head, highest [°C] | Head, lowest "
        "[°C] | Head temperatures of single runs say little",
        tested.table: "The setups | Setup | Parts | Engine [cc] | Injector | Fuel | Full-throttle "
        "runs | Cost of parts | Note",
        tested.weather_table: "Weather corrections | Setup | Gain, corrected | Gain, raw | SAE "
        "J1349 | ISO 1585 | Factors that bring engine output to 25 °C and 990 hPa of dry air; "
        "gains use SAE J1349.",
        tested.provenance_table: "Provenance | What | SHA-256 or version | No random numbers",
        method.contributions: "What makes the gain of big 172 uncertain | Source | Share of the "
        "variance | To learn more from the next outing, work on the largest share.",
    },
    "evening": {
        logs.table: "Channels of the logs | Log | Channel | Readings | Lowest | Highest | Unit",
        logs.runs_table: "Logged runs in phone | Logged run | Run | Setup | At [min:s] | Took [s] "
        "| Entry [km/h] | Exit [km/h] | Gauge | Full throttle | True speeds, ± 95 %.",
    },
    "back": {
        heat.climbs_table: "Head on long climbs | Climb, setup | End on a hot day [°F] | End on "
        f"the day [°F] | Hottest read [°F] | Time constant [s] | Readings | {INTERVALS}",
        what_if.fuel_use_table: "Fuel use | Setup | Fuel [mpg (US)] | Range on a tank [miles] | "
        f"Fuel for 100 miles | Distance [miles] | Fills | {INTERVALS}",
    },
}  # fmt: skip
# What is written in a figure besides numbers and names.
FIGURES = {
    "demo": {
        verdict_figure.figure: "richer | leaner | Not to be ridden | Lambda | Gain in pull [%]",
        injector.figure: "stated injector flow [cc/min] | Lambda (up: leaner)",
    },
    "evening": {
        logs.runs_figure: "time in the log [min] | Speed over the log [km/h] | time since the "
        "start line [s] | Each run's speed [km/h]",
        logs.curve_figure: "speed [km/h] | Wheel force [N]",
    },
}  # fmt: skip


@pytest.mark.parametrize("which", TABLES)
def test_tables_have_their_captions_and_columns(results, evening, back, which):
    of = {"demo": results, "evening": evening, "back": back}[which]
    for make, expected in TABLES[which].items():
        table = make(of)
        printed = " | ".join(filter(None, (table.caption, *table.header, table.note)))
        assert printed.startswith(expected)
        assert printed == expected or table.note


@pytest.mark.parametrize("which", FIGURES)
def test_figures_have_their_titles_and_axes(results, evening, which, monkeypatch):
    def written(draw, width_in):
        figure = draw(width_in)
        for ax in figure.axes:
            # With room for its title above it and its numbers below, and over no other.
            (left, low), (right, high) = ax.get_position().get_points()
            inch = figure.get_figheight()
            assert 0 <= left < right <= 1
            assert low * inch > 0.3
            assert (1 - high) * inch > 0.3
            others = [one.get_position() for one in figure.axes if one is not ax]
            assert not any(ax.get_position().overlaps(one) for one in others)
        return {text.get_text() for text in figure.findobj(Text)}

    monkeypatch.setattr(page_parts, "_svg", written)
    for make, expected in FIGURES[which].items():
        drawn = make({"demo": results, "evening": evening}[which])
        assert {*expected.split(" | ")} <= drawn.svg & drawn.narrow


def test_chances_stand_in_their_own_columns(results):
    """As of a normal distribution within the interval printed beside them, by hand."""

    def row(table, name):
        return next(dict(zip(table.header, own, strict=True)) for own in table.rows if name in own)

    for table, name in ((injector.table, "i172 on e10"), (mixture.table, "big 172 e10")):
        own = row(table(results), name)
        # (0.900 − 0.897) / 0.010 is 0.3 standard deviations and a bit.
        assert own["Lambda (95 % interval)"] == "0.897 (0.877 to 0.917)"
        assert (own["Chance inside"], own["Chance leaner"]) == ("63 %", "37 %")
    own = row(injector.table(results), "i178 on e5")
    assert (own["Chance inside"], own["Chance leaner"]) == ("51 %", "2 %")


# Sentences ------------------------------------------------------------------------------------


def planned(results, **values):
    return replace(results, plan=replace(results.plan, **values))


def of_setup(results, setup, **values):
    """What is known of a ridden setup, changed."""
    return replace(
        results,
        combinations=tuple(
            replace(one, **values) if one.setup == setup else one for one in results.combinations
        ),
    )


def doubted(results, setup):
    pulls = tuple(
        replace(one, gain=replace(one.gain, doubted=True)) if one.setup == setup else one
        for one in results.pulls
    )
    return replace(results, road=replace(results.road, pulls=pulls))


def held(chance):
    """Whether the ECU corrects at idle, with this chance."""

    def say(results):
        idle, *_ = results.gauge_check.states
        check = replace(results.gauge_check, states=(replace(idle, chance=chance),))
        return str(injector.response_sentences(replace(results, gauge_check=check)))

    return say


def undecided(log_sd, with_more):
    """A gain that is not told, known so well; and what two more runs would most likely show."""

    def say(results):
        pulls = tuple(
            replace(
                one,
                gain=replace(
                    one.gain,
                    told_apart=False,
                    p_value=0.9,
                    log_sd=log_sd,
                    dof=1e9,
                    ratio=Interval(0.0, -0.2, 0.2),
                ),
                visible_with_more=with_more,
            )
            if one.setup == "big_185"
            else one
            for one in results.pulls
        )
        return str(gain.sentences(replace(results, road=replace(results.road, pulls=pulls))))

    return say


def ridden(results, setup):
    return next(one for one in results.combinations if one.setup == setup)


def step(code, **values):
    return lambda results: advice.next_in_brief(planned(results, next=Step(code=code, **values)))


def refused(code):
    """Another rider, for whom there is no answer."""

    def say(results):
        (first, *_), none = results.what_if, {"at_force": None, "at_power": None}
        row = replace(first, answer=replace(first.answer, refusal=code, **none))
        return str(what_if.table(replace(results, what_if=(row,))))

    return say


def opened(since_m, limit_m=300e3, name="big"):
    """An engine that has done so much of its running in."""

    def say(results):
        session = results.session
        limits = {"running_in": Measured(limit_m), "since_opened": since_m and Measured(since_m)}
        engines = session.engines | {name: replace(session.engines[name], **limits)}
        return str(verdict.sentences(replace(results, session=replace(session, engines=engines))))

    return say


def pictured(**values):
    """What the picture of the ladder comes to where the fuel is to be changed."""
    change = Step(code="change fuel", engine="big", injector="i172", **values)
    return lambda results: injector.figure(planned(results, next=change)).caption


def equal(harm):
    """Two that pull alike, of which the one to ride does so much harm, the other 0.5."""

    def say(results):
        ride = replace(results.plan.ride, harm=harm)
        other = of_setup(results, "big_185", harm=0.5)
        return str(verdict.reasons(planned(other, ride=ride, equals=("big_185",))))

    return say


def listed(**odds):
    """To list other injectors: chances of being richer and leaner of i172 on each fuel."""

    def say(results):
        own = tuple(
            replace(one, odds=Odds(odds[one.fuel][0], 1 - sum(odds[one.fuel]), odds[one.fuel][1]))
            for one in results.combinations
            if (one.engine, one.injector) == ("big", "i172") and one.fuel in odds
        )
        wanted = Step(code="list injectors", engine="big", injector="i172", fuels=tuple(odds))
        return advice.next_in_brief(planned(replace(results, combinations=own), next=wanted))

    return say


def shut_by(code):
    def say(results):
        gate = Gate(code, value=0.3, limit=0.1, knock=results.knocks[0])
        return advice.status_word(of_setup(results, "big_185", gate=gate), shut := replace(
            ridden(results, "big_185"), gate=gate
        )) + advice.shut_in_brief(planned(results, shut=(shut,)))  # fmt: skip

    return say


def doubt(code, runs=(), setup="big_172", **values):
    def say(results):
        found = (Doubt(code, runs, setup, **values),)
        return str(cautions.doubts(replace(results, doubts=found)))

    return say


def misread(off):
    """A reading of 12.8 that is so far from what the others suggest."""

    def say(results):
        first, *others = results.runs
        first = replace(first, gauge_low=12.6, gauge_high=13.0)
        own = replace(results, runs=(first, *others))
        return doubt("reading", (first.run,), first.setup, off=off, weight=0.2)(own)

    return say


def lean(chance):
    """A doubted gain of a setup that has this chance of being leaner than the band."""

    def say(results):
        odds = Odds(0.0, 1 - chance, chance)
        mixtures = tuple(replace(one, odds=odds) for one in results.mixtures)
        return doubt("gain", (4.0,), off=0.08)(replace(results, mixtures=mixtures))

    return say


def weather(within):
    def say(results):
        runs = tuple(
            replace(one, within_limits=within or one.setup != "big_164") for one in results.runs
        )
        return str(tested.weather_sentences(replace(results, runs=runs)))

    return say


def session_with(say, record, **values):
    def changed(results):
        old = getattr(results.session, record)
        return str(
            say(
                replace(
                    results, session=replace(results.session, **{record: replace(old, **values)})
                )
            )
        )

    return changed


def nothing_known(results):
    """The picture of the verdict where neither what to ride nor one setup's mixture is known."""
    bare = of_setup(results, "big_185", lambda_=None, source="unknown", gate=None)
    return (
        verdict_figure.figure(planned(bare, ride=None)).alt
        + verdict_figure.figure(planned(bare, ride=None, shut=())).caption
    )


def summed(**odds):
    """The verdict's mixture of a ride whose mixture is calculated, with a chance of a place."""

    def say(results):
        each = (1 - sum(odds.values())) / 2
        known = Odds(**(dict.fromkeys(("richer", "inside", "leaner"), each) | odds))
        ride = replace(
            results.plan.ride, source="predicted", odds=known, lambda_=Interval(0.86, 0.83, 0.90)
        )
        return str(verdict.sentences(planned(results, ride=ride)))

    return say


def shared(results):
    """What is written into the picture to send on."""
    texts = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Figure, "savefig", lambda self, *_, **__: texts.extend(self.findobj(Text)))
        verdict_figure.shared_picture(results)
    return " ".join(text.get_text() for text in texts).replace("\n", " ")


def too_hot(stated, value=514.15):
    """A setup that ran hot, by the limit that the rider states or by the usual one."""
    gate = Gate("heat", value=value, limit=503.15)
    return session_with(
        lambda r: advice.gate_sentence(r, replace(ridden(r, "big_172"), gate=gate)),
        "bike", highest_head_temperature=stated,
    )  # fmt: skip


def off_at_both(code, *off):
    """A gauge that stands off at idle and at cruise, the farthest first."""

    def say(results):
        deviations = tuple(
            GaugeDeviation("state", name, by)
            for name, by in zip(("cruise", "idle"), off, strict=True)
        )
        check = replace(results.gauge_check, code=code, deviations=deviations)
        return str(mixture.sentences(replace(results, gauge_check=check)))

    return say


def standing(code):
    """What the rows so far say."""

    def say(results):
        limits = stop_limits(results.session)
        interim = Interim(code=code, run=33.0, setup="stock", limits=limits)
        return str(verdict.interim_sentences(results, interim, "metric"))

    return say


def nothing_timed(results):
    bare = of_setup(results, "big_185", lambda_=None, source="unknown", gate=None)
    pulls = tuple(one for one in bare.pulls if one.setup != "big_185")
    return verdict_figure.figure(replace(bare, road=replace(bare.road, pulls=pulls))).alt


def drawn(results):
    return verdict_figure.figure(results).alt + verdict_figure.figure(results).caption


# What a page says, with the case in which it does and one in which it does not.
SAID = {
    "no fuel allowed, engine": (
        "none of those that you will burn is allowed on the engine 'big'",
        step("change fuel", engine="big"), step("change fuel"),
    ),
    "no fuel allowed": (
        "none of those that you will burn is allowed in this engine", step("change fuel"),
        step("change fuel", engine="big"),
    ),
    "least harm": (
        "in pull, big 172 and big 185. Where the pull is equal, the mixture that does least harm "
        "is chosen.", equal(0.3), equal(0.8),
    ),
    "harm not known": ("in pull, big 172 and big 185.", equal(None), lambda r: ""),
    "least harm, not known": ("does least harm is chosen.", equal(0.3), equal(None)),
    "too lean on one": (
        "injector i172 is nearest to the band for e5 and e10, and still likely too lean (61 % "
        "chance on e10).", listed(e5=(0.3, 0.1), e10=(0.0, 0.61)), listed(e5=(0.3, 0.1)),
    ),
    "too rich on one": (
        "and still likely too rich (62 % chance on e5).",
        listed(e5=(0.62, 0.1), e10=(0.0, 0.61)), listed(e5=(0.6, 0.1), e10=(0.0, 0.61)),
    ),
    "implied": ("no safer than what knocked", shut_by("knock implied"), shut_by("knock")),
    "lean in other air": ("lean in your air", shut_by("air"), shut_by("lean")),
    "on its engine": ("knock on its engine", shut_by("knock unexplained"), shut_by("knock")),
    "too rich": ("far too rich", shut_by("rich"), shut_by("lean")),
    "out of time": ("its injector may run out of time", shut_by("flow"), shut_by("lean")),
    "idle": ("idles too rich", shut_by("idle"), shut_by("rich")),
    "other fuel": (
        "ride now, on e10",
        lambda r: advice.status_word(
            planned(r, ride=replace(r.plan.ride, fuel="e10")), ridden(r, "big_172")
        ),
        lambda r: advice.status_word(r, ridden(r, "big_172")),
    ),
    "doubted": (
        "check its runs",
        lambda r: advice.status_word(doubted(r, "big_185"), ridden(r, "big_185")),
        lambda r: advice.status_word(r, ridden(r, "big_185")),
    ),
    "doubted in the table": (
        "check its runs", lambda r: str(gain.table(doubted(r, "big_185"))),
        lambda r: str(gain.table(r)),
    ),
    "several comparisons": (
        "5 setups are compared with stock. The intervals are for one comparison each; likely is "
        "left out only where a difference is clear even after allowing for all 5.",
        lambda r: gain.table(r).note,
        lambda r: gain.table(replace(r, road=replace(r.road, pulls=r.pulls[:2]))).note,
    ),
    "one comparison": (
        "as the speedometer shows it, against the mean of stock.|",
        lambda r: gain.table(replace(r, road=replace(r.road, pulls=r.pulls[:2]))).note + "|",
        lambda r: gain.table(r).note + "|",
    ),
    "picture of another fuel": (
        "Injector i172 stays on the engine 'big', on e5.", pictured(fuels=("e5",)),
        pictured(fuels=()),
    ),
    "picture of no fuel": (
        "Lambda against injector flow on the engine 'big'.", pictured(fuels=()),
        pictured(fuels=("e5",)),
    ),
    "held": (
        "Idle: the ECU corrects by its oxygen sensor here, and another injector does not change "
        "the mixture: the chance of that is 96 %", held(0.96), held(0.04),
    ),
    "not held": (
        "Idle: the ECU runs from its fuel table here and ignores the oxygen sensor: the chance "
        "that it corrects is 4 %", held(0.04), held(0.96),
    ),
    "perhaps held": (
        "Idle: the chance that the ECU corrects by its oxygen sensor here is 90 %", held(0.9),
        held(0.96),
    ),
    "too coarse": (
        "could not have shown any gain that such a change brings; two more runs of each would most "
        "likely show 28 %.", undecided(0.2, 0.28), undecided(0.05, 0.28),
    ),
    "coarse": (
        # Of five comparisons: (2.576 + 0.842) × 0.05, as of a normal distribution.
        "A difference of 19 % or more would most likely have shown.", undecided(0.05, 0.1),
        undecided(0.06, 0.1),
    ),
    "two readings": (
        "of two, there is no telling which is wrong. Both are kept with weight 0.50, which makes "
        "the interval wide. Check what was written down",
        doubt("readings disagree", (4.0, 9.0), weight=0.5),
        doubt("readings disagree", (4.0, 9.0, 12.0), weight=0.5),
    ),
    "far reading": (
        "reads 12.8 where the other readings suggest 13.9 (8 % richer). The reading counts with "
        "weight 0.20 instead of 1.", misread(-0.08), misread(0.08),
    ),
    "far reading, lean": (
        "reads 12.8 where the other readings suggest 11.9 (8 % leaner).", misread(0.08),
        misread(-0.08),
    ),
    "ride it again": (
        "as they were written down, or ride that setup once more. If you know",
        doubt("gain", (4.0,), off=0.08), doubt("gain", (4.0,), "big_164", off=0.08),
    ),
    "not what knocked": (
        "as they were written down. If you know",
        lambda r: doubt("gain", (4.0,), off=0.08)(
            replace(r, knocks=(replace(r.knocks[0], setup="big_172"),))
        ),
        doubt("gain", (4.0,), off=0.08),
    ),
    "not what may be lean": (
        "as they were written down. If you know", lean(0.11), lean(0.10),
    ),
    "weak run": (
        "its speeds need 8 % less wheel force than the other runs suggest. The run counts with "
        "weight 0.20 instead of 1. Check both speeds as they were written down; if they are right, "
        "a slipping clutch, a missed gear, a throttle that was not fully open or a gust would "
        "explain it.", doubt("run", (4.0,), off=-0.08, weight=0.2),
        doubt("run", (4.0,), off=0.08, weight=0.2),
    ),
    "strong run": (
        "need 8 % more wheel force than the other runs suggest. The run counts with weight 0.20 "
        "instead of 1. Check both speeds as they were written down; if they are right, think of a "
        "gust from behind or the gear.", doubt("run", (4.0,), off=0.08, weight=0.2),
        doubt("run", (4.0,), off=-0.08, weight=0.2),
    ),
    "stated": (
        "Against session.toml', 'all runs together do not fit what is stated about slope, wind, "
        "masses, drag and the speedometer; they would fit best with another slope (by 1.6 times "
        "its ±).", doubt("stated", off=1.6, what="slope"), doubt("stated", off=1.0, what="slope"),
    ),
    "stated, within": (
        "another slope (within its ±, but together with the rest)",
        doubt("stated", off=1.0, what="slope"), doubt("stated", off=1.6, what="slope"),
    ),
    "weather moved": ("the air changed engine output by 2.3 %; the gains", weather(True), None),
    "beyond its standard": (
        "For big 164 a factor lies outside what its standard allows (0.95 to 1.05 for SAE J1349, "
        "0.93 to 1.07 for ISO 1585): forces of these runs are not comparable with a bench",
        weather(False), weather(True),
    ),
    "riders": ("The day: riders, dressed: tove", lambda r: str(tested.sentences(r)), None),
    "credit": (
        "0.3 beyond the rich edge, 0.1 to its credit where richer runs cooler (wanted",
        session_with(verdict.worths, "use", riding="climbs"), lambda r: str(verdict.worths(r)),
    ),
    "grade exact": (
        "the intervals of force take it as exact.",
        lambda r: session_with(
            method.sentences, "hill", grade=replace(r.session.hill.grade, half_width=0.0)
        )(r),
        lambda r: str(method.sentences(r)),
    ),
    "grade allowed for": (
        "the intervals of force allow for ±0.3 points of grade.",
        lambda r: str(method.sentences(r)), None,
    ),
    "weather, method": (
        "saturation pressure after IAPWS-IF97; engine output brought to 25 °C and 990 hPa of dry "
        "air by SAE J1349 (ISO 1585 beside it).", lambda r: str(method.sentences(r)), None,
    ),
    "response, method": (
        "at 0 it stays put (the ECU corrects). Found here: full throttle",
        lambda r: str(method.sentences(r)),
        lambda r: str(method.sentences(replace(r, ladder=None))),
    ),
    "what may not be known": ("big 185: mixture not known,", nothing_known, drawn),
    "none well enough": ("None is known well enough; ", nothing_known, drawn),
    "band in the key": (
        "shaded: target band, lambda 0.83 to 0.90;", lambda r: verdict_figure.figure(r).key, None,
    ),
    "gauge check": (
        "at idle and cruise the gauge reads up to 3.1 % leaner. Suspect air that leaks into the "
        "exhaust", off_at_both("lean", 0.031, 0.012), off_at_both("rich", -0.031, -0.012),
    ),
    "ridden as planned": (
        "Ridden as planned: but it is not decided.", standing("ridden"), standing("decided"),
    ),
    "gain not known": ("big 185: mixture not known, gain not known: ", nothing_timed, drawn),
    "stop on the gauge": (
        " with an eye on the gauge: stop beyond 13.2.",
        session_with(advice.next_in_brief, "gauge"),
        session_with(advice.next_in_brief, "gauge", scale=None),
    ),
    "no stop on the gauge": (
        " with an eye on the gauge.", session_with(advice.next_in_brief, "gauge", scale=None),
        session_with(advice.next_in_brief, "gauge"),
    ),
    "not run in": (
        "the engine 'big' has done 299 km of the 300 km that its parts ask for",
        opened(299e3), opened(300e3),
    ),
    "not said how far": ("parts ask for", opened(10e3), opened(None)),
    "would stop": (
        "the bike would stop before the marker, or could", refused("stops"), refused("wind"),
    ),
    "wind from behind": (
        "the wind from behind is faster than the bike", refused("wind"), refused("too far"),
    ),
    "too far to say": (
        "too far from what was tested to say", refused("too far"), refused("stops"),
    ),
    "no force at all": (
        "Without a wheel force there is nothing to work from.",
        lambda r: str(what_if.sentences(replace(r, what_if=()))),
        lambda r: str(what_if.sentences(r)),
    ),
    "imperial": (
        "mpg (imperial)", lambda r: what_if.consumption_unit("imperial"),
        lambda r: what_if.consumption_unit("us"),
    ),
    "shared picture": (
        "Read the report before riding.", shared, None,
    ),
    "invented": (
        "the bike, the hill and every number are made up.",
        lambda r: page_parts.whose_readings("x", r.session.about.title),
        lambda r: page_parts.whose_readings("x"),
    ),
    "usual limit of heat": (
        "above the usual limit of 230 °C", too_hot(None), too_hot(Measured(503.15)),
    ),
    "hot on a climb": (
        "on a long climb on a hot day the head goes above the usual limit of 230 °C",
        too_hot(None, 503.15), too_hot(None, 503.2),
    ),
    "hot on a climb, not read": (
        "on a long climb on a hot day the head goes above your limit of 230 °C",
        too_hot(Measured(503.15), None), too_hot(Measured(503.15)),
    ),
    "own limit of heat": (
        "the head reached 241 °C, above your limit of 230 °C", too_hot(Measured(503.15)),
        too_hot(None),
    ),
    "usual cautions": (
        "Hot parts: Let the exhaust and the head cool", lambda r: str(cautions.sentences()), None,
    ),
    "lean, usual cautions": (
        "Lean mixture: Never go leaner to win", lambda r: str(cautions.sentences()), None,
    ),
    "law": (
        "The law and the maker: Local law, the maker's", lambda r: str(cautions.sentences()), None,
    ),
    "room to trim": (
        "Room to trim: where the ECU corrects, it can add or take away only so much",
        lambda r: str(injector.response_sentences(r)), None,
    ),
    "learned trims": (
        "Learned trims: many ECUs store what they correct at idle",
        lambda r: str(injector.response_sentences(r)), None,
    ),
    "narrowband": (
        "Narrowband sensor: it switches near lambda 1",
        lambda r: str(injector.response_sentences(r)), None,
    ),
    "visible, method": (
        "Smallest visible gain: the true gain that a test", lambda r: str(method.sentences(r)),
        None,
    ),
    "doubtful, method": (
        "Doubtful rows: every reading and every run is compared",
        lambda r: str(method.sentences(r)), None,
    ),
    "left out by the rider": (
        "Left out by the rider: run 7: missed a gear",
        lambda r: str(tested.sentences(replace(
            r, runs=(*r.runs, replace(r.runs[0], run=7.0, exclude="missed a gear"))
        ))),
        lambda r: str(tested.sentences(replace(
            r, runs=tuple(replace(one, exclude="") for one in r.runs)
        ))),
    ),
    "sure by a sum": (
        "12.6 on this gauge: near an edge of the target band",
        summed(inside=0.79), summed(inside=0.81),
    ),
    "inside by a sum": ("inside the target band", summed(inside=0.81), summed(inside=0.79)),
    "leaner by a sum": ("leaner than the target band", summed(leaner=0.81), summed(leaner=0.79)),
    "richer by a sum": ("richer than the target band", summed(richer=0.81), summed(richer=0.79)),
    "could be added": (
        "fuel use (fills.csv)", lambda r: str(tested.missing_sentences(r)),
        lambda r: str(tested.missing_sentences(replace(r, fuel_use=(1,)))),
    ),
}  # fmt: skip


@pytest.mark.parametrize(
    ("chance", "said"),
    [(0.08, "an 8 %"), (0.80, "an 80 %"), (0.11, "an 11 %"), (0.18, "an 18 %"), (0.38, "a 38 %"),
     (0.001, "an under 1 %"), (0.999, "an over 99 %"), (0.17, "a 17 %")],
)  # fmt: skip
def test_a_chance_has_its_article(chance, said):
    assert advice.chance_of(chance, "rain") == f"{said} chance of rain"


@pytest.mark.parametrize("case", SAID)
def test_what_a_case_says(results, case, monkeypatch):
    # Of pictures the words count here, not the drawing.
    monkeypatch.setattr(page_parts, "_svg", lambda *_: "")
    said, there, not_there = SAID[case]
    assert said in there(results)
    assert not_there is None or said not in not_there(results)


def test_what_stops_stands_in_a_box_and_nothing_else_does(results):
    limits = stop_limits(results.session)
    hot = {"why": "heat", "head_k": 514.15}
    for code, more in (("stop", hot), ("ridden", {}), ("go on", {"to_ride": (("stock", 1),)})):
        interim = Interim(code=code, run=33.0, setup="stock", limits=limits, **more)
        said = verdict.interim_sentences(results, interim, "metric")
        assert (said.style == "caution") == (code == "stop")
        assert ("Stop: the head reached 241 °C on run 33" in str(said)) == (code == "stop")


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (LeftOut("zero", 3, 12, "elevation", "0"), "of exactly 0, which devices write when they"),
        (LeftOut("breaks off", 0, 99), "the file breaks off; everything up to point 99 is used."),
    ],
)
def test_what_a_log_lost_is_said(evening, one, said):
    (first, *_), session = evening.logs, evening.session
    typed = replace(session.logs[first.name], time_format="%H-%M")
    lost = replace(
        evening,
        logs=(replace(first, left_out=(one,), reordered=2), replace(first, reordered=1)),
        session=replace(session, logs={first.name: typed}),
    )
    text = str(logs.sentences(lost))
    assert said in text
    assert "Format of its times: %H-%M" in text
    for often in ("2 times", "once"):
        assert f"time went back {often} in {first.file}; its rows were sorted by time." in text


@pytest.mark.parametrize(
    ("found", "said"),
    [
        ({"source": "positions"}, "are from its positions, which hold no speed; one at the marker"),
        ({"filled": (1.0,)}, "too little of runs 2 to 8 was logged to give a speed."),
    ],
)
def test_where_logged_speeds_are_from(evening, found, said):
    session = evening.session
    passes = tuple(
        replace(one, exit_sd_m_s=float("nan")) if one.run != 1.0 else one
        for one in session.found.passes
    )
    changes = found | ({"passes": passes} if "filled" in found else {})
    other = replace(session, found=replace(session.found, **changes))
    assert said in str(logs.run_sentences(replace(evening, session=other)))
    assert said not in str(logs.run_sentences(evening))


@pytest.mark.parametrize("source", ["stated", "found"])
def test_how_late_a_gauge_is_and_whence(evening, source):
    found = evening.session.found
    readings = replace(found.readings, lag_source=source, lag_s=Interval(0.6, 0.4, 0.8))
    session = replace(evening.session, found=replace(found, readings=readings))
    said = str(logs.run_sentences(replace(evening, session=session)))
    whence = {"stated": "as stated", "found": "found where the throttle opens"}
    for other, words in whence.items():
        assert (f"the mixture 0.6 s (0.4 to 0.8 s) late, {words};" in said) == (other == source)


def test_a_climb_says_what_sustained_load_is(back):
    assert "Sustained load: a pull up the test hill is over" in str(heat.climbs_sentences(back))


# A season -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def summer():
    return season.season_below(ROOT / "demo_data" / "one_summer")


def of_days(say, **changes):
    """A part of a season that differs in something."""
    return lambda summer: str(say(replace(summer, **changes)))


def drifted(value, low, high, p_value):
    trend = Trend(days=91, ratio=Interval(value, low, high), p_value=p_value)
    return of_days(season.days, trend=trend)


def gauges(first, last):
    """What the gauge was off by on the first and on the last outing."""

    def say(summer):
        first_one, *between, last_one = summer.outings
        ends = [
            replace(
                one, record=replace(one.record, gauge_offset=Interval(by, by - 0.01, by + 0.01))
            )
            for one, by in ((first_one, first), (last_one, last))
        ]
        return str(season.days(replace(summer, outings=(ends[0], *between, ends[1]))))

    return say


def checked(summer):
    """The gauge was checked on the first day."""
    first, *others = summer.outings
    record = replace(first.record, gauge_offset=Interval(0.01, 0.0, 0.02))
    return replace(summer, outings=(replace(first, record=record), *others))


def knocked(summer):
    may, *others = summer.outings
    knock = Knock("big_164", 3.0, "light")
    loud = replace(may, record=replace(may.record, knocks=(knock,)))
    return str(season.sentences(replace(summer, outings=(loud, *others))))


def compared(**changes):
    """What the second setup's comparison rests on."""

    def say(summer):
        stock, second, *others = summer.pulls
        changed = replace(second, **changes)
        return str(season.gain_sentences(replace(summer, pulls=(stock, changed, *others))))

    return say


def pulled(*ratio, say=season.sentences, **values):
    """Another gain of the second setup."""

    def of(summer):
        stock, second, *others = summer.pulls
        gain = replace(second.gain, ratio=Interval(*ratio), **values)
        return str(say(replace(summer, pulls=(stock, replace(second, gain=gain), *others))))

    return of


def remarked(code, *about):
    return of_days(season.remarks, remarks=(Remark(code=code, about=about),))


def repeated(*setups):
    """One more outing that is to repeat these."""

    def say(summer):
        step = Step(code="ride again", why="too close", setups=setups)
        return str(season.sentences(replace(summer, plan=replace(summer.plan, next=step))))

    return say


def none_to_ride(all_shut):
    """Nothing to leave on the bike: all is shut, or all but one."""

    def say(summer):
        none = replace(summer.plan, ride=None, next=Step(code="find knock", engine="big"))
        every = tuple(
            replace(one, gate=Gate("heat") if all_shut or one.setup != "stock" else None)
            for one in summer.combinations
        )
        return str(season.sentences(replace(summer, plan=none, combinations=every)))

    return say


def gated(changed):
    """Why big 164 is shut: by the report of its last outing, or by what else."""

    def say(summer):
        every = tuple(
            replace(one, gate=changed(one.gate)) if one.setup == "big_164" else one
            for one in summer.combinations
        )
        return str(season.sentences(replace(summer, combinations=every)))

    return say


def of_first_day(summer):
    return str(season.sentences(replace(summer, outings=summer.outings[:1])))


def laddered(**changes):
    return lambda summer: str(
        season.mixture_sentences(replace(summer, ladder=replace(summer.ladder, **changes)))
    )


FALLEN = pulled(-0.05, -0.08, -0.01)
OVER = "from the first outing to the last, 91 days, the force of all setups together"
SEASON = {
    "gauge column": (
        "Gauge off by [%]", lambda s: season.outings(checked(s)).html(),
        lambda s: season.outings(s).html(),
    ),
    "knock": (
        "heard with big 164 on 23 May 2026. No gain makes up for that.", knocked,
        of_days(season.sentences),
    ),
    "weaker": ("Measured: 5 % (1 to 8 %) less pull than stock.", FALLEN, of_days(season.sentences)),
    "one to repeat": (
        "should repeat big 172: ride it twice", repeated("big_172"), repeated("big_172", "stock"),
    ),
    "two to repeat": (
        "should repeat big 172 and stock: ride each twice, taking turns.",
        repeated("big_172", "stock"), repeated("big_172"),
    ),
    "nothing known": (
        "none of these setups: too little is known of any. Before another full-throttle run: find "
        "the cause of the knock.", none_to_ride(False), none_to_ride(True),
    ),
    "everything shut": (
        "none of these setups: every one is ruled out.", none_to_ride(True), none_to_ride(False),
    ),
    # A chance that another page gave is told from the one in this table.
    "another page's chance": (
        "may run lean (25 %, in the report of its last outing)",
        gated(lambda gate: replace(gate, value=0.25)), gated(lambda gate: gate),
    ),
    # Beyond the end of the gauge there is no chance to print, and a temperature is none.
    "beyond the gauge": (
        "do not ride: runs lean. Measured", gated(lambda _: Gate("lean", limit=0.9)),
        of_days(season.sentences),
    ),
    "hot": (
        "do not ride: heat. Measured", gated(lambda _: Gate("heat", value=510.0)),
        of_days(season.sentences),
    ),
    "before": ("Before you ride: what to ride and what is", of_days(season.sentences), None),
    "no trend": (
        f"none was shown: {OVER} changed by −1.0 % (−2.0 to 1.0 %).",
        drifted(-0.01, -0.02, 0.01, 0.05), drifted(-0.01, -0.02, 0.01, 0.049),
    ),
    "loosens": (
        f"{OVER} rose by 2.0 % (1.0 to 3.0 %). An engine that loosens up, or a change in the "
        "test, looks like that.",
        drifted(0.02, 0.01, 0.03, 0.01), drifted(-0.02, -0.03, -0.01, 0.01),
    ),
    "wears": (
        f"Wear or drift: {OVER} fell by 2.0 % (1.0 to 3.0 %). Worn or leaking parts, a chain, a "
        "tyre, a filter or a slipping clutch look like that; find out before the next "
        "full-throttle run.",
        drifted(-0.02, -0.03, -0.01, 0.01), drifted(0.02, 0.01, 0.03, 0.01),
    ),
    "gauge drifted": (
        "the gauge drifted by 1.5 %; its sensor may be near its end", gauges(0.0, 0.015),
        gauges(0.0, 0.014),
    ),
    "gauge held": ("no drift was shown", gauges(0.0, 0.014), gauges(0.0, 0.015)),
    "through others": (
        "Through other setups: big 164, big 172 and big 172 pipe shared no day with stock; they "
        "are compared through setups ridden on both days, so that days mostly cancel here, too.",
        compared(shared_days=0), compared(shared_days=1),
    ),
    "no difference": (
        "Measured: no difference from stock was shown: 3 % (−1 to 7 %).",
        pulled(0.03, -0.01, 0.07, told_apart=False), FALLEN,
    ),
    "too close": (
        "too close to call",
        pulled(0.03, -0.01, 0.07, say=season.gain_table, told_apart=False),
        of_days(season.gain_table),
    ),
    "across assumed days": (
        "These outings do not show how far days differ, so no such difference is called more",
        lambda s: compared(linked=False)(replace(s, day_sd_is_assumed=True)),
        compared(linked=False),
    ),
    "across days": (
        "Across days alone: no days with repeats link big 164 to stock",
        compared(shared_days=0, linked=False), compared(shared_days=0),
    ),
    "first": (
        "Ride now: big 172 pipe (injector i172, fuel e5). One more outing should repeat big 172 "
        "pipe and stock: ride each twice, taking turns. Next: buy i185.\n",
        of_days(season.sentences), None,
    ),
    "measured": (
        "big 164: do not ride: may run lean (61 %). Measured: 16 % (10 to 23 %) more pull than "
        "stock.\nBefore", of_days(season.sentences), None,
    ),
    "span": (
        "4 outings of the quarry lane bike from 23 May 2026 to 22 August 2026: ",
        of_days(season.sentences), of_first_day,
    ),
    "one day": (
        "1 outing of the quarry lane bike on 23 May 2026: ",
        of_first_day, of_days(season.sentences),
    ),
    "two on one day": (
        "22 August 2026 (DEMO, INVENTED: ",
        lambda s: season.day_of_outing(
            replace(s, outings=(*s.outings[:3], replace(s.outings[2], date=s.outings[3].date),
                                s.outings[3])), 4
        ),
        lambda s: season.day_of_outing(s, 3),
    ),
    "days differ by": (
        "1.2 % (0.4 to 3.5 %), and that of one setup alone by 0.7 % (0.2 to 2.1 %) (standard "
        "deviations). Every comparison across days allows for both.",
        of_days(season.days, day_sd_is_assumed=False, day_sd=Interval(0.012, 0.004, 0.035),
                own_sd=Interval(0.007, 0.002, 0.021)),
        of_days(season.days, day_sd_is_assumed=True, day_sd=Interval(0.012, 0.004, 0.035)),
    ),
    "days are assumed to differ": (
        "About 1.2 % is assumed (standard deviation;",
        of_days(season.days, day_sd_is_assumed=True, day_sd=Interval(0.012, 0.004, 0.035)),
        of_days(season.days, day_sd_is_assumed=False),
    ),
    "on the same day": (
        "On the same day: big 164 shared a day or more with stock; what a day does to all setups "
        "cancels there.", compared(shared_days=1), compared(shared_days=0),
    ),
    "scatter": (
        "Note: readings and days scatter 1.6 times as much as was assumed, and the intervals are "
        "wider by the same factor. See whether the gauge, the fuel or the air filter changed",
        laddered(scatter=1.6), laddered(scatter=1.5),
    ),
    "air": (
        "The ECU and the air: by the readings of days in other air, "
        "the chances are that it corrects for neither 60 %, air pressure alone 30 %, both air "
        "temperature and pressure 5 % and air temperature alone 5 %. Once you are sure, write "
        "density_compensation under [bike] of each outing: each report then says for which",
        laddered(air={"both": 0.05, "neither": 0.6, "temperature": 0.05, "pressure": 0.3}),
        laddered(air=None),
    ),
    "one model": ("readings of 4 outings in one model.", laddered(outings=4), laddered(outings=3)),
    "one reading": (
        "Readings: 1 reading of 1 outing in one model. Its intervals are of the true lambda on",
        laddered(outings=1, readings=1), None,
    ),
    "one of one": (
        "1 of 1 setup told apart from stock over the season.",
        lambda s: str(season.gain_figure(replace(s, pulls=s.pulls[:2]))), None,
    ),
    "no ladder": (
        "No reading at full throttle in these outings tells anything of injectors.",
        of_days(season.mixture_sentences, ladder=None), of_days(season.mixture_sentences),
    ),
    "nothing to compare": (
        "There are no two setups with speeds to compare.",
        lambda s: str(season.gain_sentences(replace(s, pulls=s.pulls[:1]))),
        of_days(season.gain_sentences),
    ),
    "two to draw": (
        "Two rows of panels.", lambda s: str(season.gain_figure(replace(s, pulls=s.pulls[:2]))),
        lambda s: str(season.gain_figure(replace(s, pulls=s.pulls[:1]))),
    ),
    "not to be ridden": (
        "big 172 pipe 16 % (8 % to 25 %) and big 164 16 % (10 % to 23 %), do not ride.",
        of_days(season.gain_figure), None,
    ),
    "unnamed": ("Note: these outings do not name their bike; all", remarked("unnamed"), None),
    "masses": (
        "stated mass is between 120 kg and 124 kg. If these are several bikes, give each a name",
        remarked("masses", 120.0, 124.0), None,
    ),
    "corrects": ("Note: on 20 June 2026 the ECU (engine", remarked("corrects", 1), None),
    "parts": (
        "the parts of big 164 are described as “kit”, nothing and “kit, pipe”. They are treated",
        remarked("parts", "big_164", "kit", "", "kit, pipe"), None,
    ),
    "copy": ("Note: b has the same runs as a; they are", remarked("copy", "a", "b"), None),
    "several engines": ("the engine big does not have", remarked("several engines", "big"), None),
    "several fuels": ("the fuel e5 does not have the same", remarked("several fuels", "e5"), None),
    "several injectors": ("the injector i1 does not", remarked("several injectors", "i1"), None),
    "outings": ("<caption>The outings</caption>", lambda s: str(season.outings(s)), None),
    "gains": ("Against stock, over the season\nSetup", of_days(season.gain_table), None),
    "told apart": (
        "3 of 3 setups told apart from stock over the season.", of_days(season.gain_figure), None,
    ),
    "mixtures": (
        "Injector, fuel, engine | Flow [cc/min] | Readings on outings | Lambda | Inside 0.83 to "
        "0.90 | Leaner | Mind", lambda s: " | ".join(season.mixture_table(s).header), None,
    ),
    "not tried": (
        "injector not tried; flow outside those tried", of_days(season.mixture_table), None,
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", SEASON)
def test_what_a_season_says(summer, case, monkeypatch):
    monkeypatch.setattr(page_parts, "_svg", lambda *_: "")
    said, there, not_there = SEASON[case]
    assert said in there(summer)
    assert not_there is None or said not in not_there(summer)


def test_a_seasons_picture_has_each_outing_and_what_is_not_to_be_ridden_hollow(summer, monkeypatch):
    drawn = []
    monkeypatch.setattr(page_parts, "_svg", lambda draw, width_in: drawn.append(draw(width_in)))
    picture = season.gain_figure(summer)
    top, bottom = drawn[0].axes
    assert len(top.lines) == 4, "one for each outing, every other one hollow"
    assert [one.get_markerfacecolor() == "none" for one in top.lines] == [False, True] * 2
    names = [one.get_text() for one in bottom.get_yticklabels()]
    for at, line in enumerate(top.lines):
        own = {round(y - 0.5 * ((at + 0.5) / 4 - 0.5), 6) for y in line.get_ydata()}
        forces = [one for one in summer.day_forces if one.outing == at]
        assert own == {names.index(page_parts.spaced(one.setup)) for one in forces}
        assert list(line.get_xdata()) == pytest.approx([one.force_n.value for one in forces])
    shut = {page_parts.spaced(one.setup) for one in summer.plan.shut}
    assert shut == {"big 164"}
    gains = {page_parts.spaced(one.setup): one.gain for one in summer.pulls}
    marks = [one for one in bottom.lines if one.get_marker() in ("o", "D")]
    for row, (name, mark) in enumerate(zip(names, marks, strict=True)):
        gain = gains[name] and 100 * gains[name].ratio.value
        assert (mark.get_xdata()[0], mark.get_ydata()[0]) == (pytest.approx(gain or 0), row)
        assert mark.get_marker() == ("D" if gain is None else "o")
        assert (mark.get_markerfacecolor() == "white") == (name in shut)
        assert (mark.get_color() == page_parts.SOFT) == (name in shut)
        assert (f"{name} {gain:.0f} %" in picture.alt) if gain else True
    bars = [one for one in bottom.lines if len(one.get_xdata()) == 2 and one.get_linewidth() == 2]
    broken = {names[int(one.get_ydata()[0])] for one in bars if one.get_linestyle() == "--"}
    assert broken == shut
    assert f"{len(marks) - 1} of" in picture.caption


def test_the_tables_of_a_season_hold_what_was_typed(summer):
    outings, ridden, read = [], {}, {}
    injectors = {"stock": "i150", "big 164": "i164", "big 172": "i172", "big 172 pipe": "i172"}
    for one in summer.outings:
        with (ROOT / "demo_data" / "one_summer" / one.folder / "runs.csv").open() as file:
            rows = [row | {"setup": row["setup"].replace("_", " ")} for row in csv.DictReader(file)]
        day = f"{one.date.day} {one.date:%B %Y}"
        runs = Counter(row["setup"] for row in rows)
        for setup, count in runs.items():
            ridden.setdefault(setup, []).append(day)
            read.setdefault(injectors[setup], Counter())[day] += count
        said = " and ".join(f"{setup} ({count})" for setup, count in runs.items())
        assert {row["rider"] for row in rows} == {"tove", "ilmar"}
        outings.append(f"{one.title}: {day}, tove and ilmar, {said}, none heard")
    assert season.outings(summer).plain() == "\n".join(outings)
    pages = season.outings(summer, links=True).html(), season.outings(summer).html()
    assert [page.count(".report/report.html") for page in pages] == [4, 0]
    total = sum(sum(own.values()) for own in read.values())
    assert f"2026: {total} full-throttle runs by tove and ilmar." in str(season.sentences(summer))

    rows = []
    for one in summer.pulls:
        name, force, gain = page_parts.spaced(one.setup), one.force_n, one.gain and one.gain.ratio
        shut = "; do not ride: may run lean (61 %)" * (name == "big 164")
        cells = [
            f"{x * one.value:.0f} ({x * one.low:.0f} to {x * one.high:.0f})" if one else "–"
            for x, one in ((1, force), (100, gain))
        ]
        rows.append((name, " and ".join(ridden[name]), *cells, f"more{shut}" if gain else "–"))
    # What must not be ridden stands last.
    rows.sort(key=lambda row: "do not ride" in row[-1])
    assert list(season.gain_table(summer).rows) == rows
    minds = ["do not ride: " in row[-1] for row in season.mixture_table(summer).rows]
    assert minds == sorted(minds)
    assert season.mixture_table(summer).rows[6][-1] == "do not ride: may run lean (34 %)"
    counted = {
        name.partition(",")[0]: cell
        for name, _, cell, *_ in season.mixture_table(summer).rows
        if cell != "–"
    }
    assert counted == {name: f"{sum(own.values())} on {len(own)}" for name, own in read.items()}
    off = season.outings(checked(summer)).html()
    assert "<td>1.0 (0.0 to 2.0)</td>" in off.replace("\u00a0", " ")
    assert off.count("<td>–</td>") == 3
