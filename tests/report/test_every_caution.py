"""Every caution, with a case on either side of its limit; signs and chances of the verdict."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from tests.report.test_every_sentence import of_setup
from tests.report.test_every_sentence import planned as of_plan
from tests.report.test_every_sentence import ridden as one_of
from tuninglib.analysis import injector
from tuninglib.analysis.combinations import stop_limits
from tuninglib.analysis.day_plan import Aim, Interim, start_of, usual_day
from tuninglib.analysis.decide import Flip, KnockedFuel, OnFuel, Step
from tuninglib.analysis.injector import Asked, guess_of
from tuninglib.analysis.records import (
    Doubt,
    FlowWanted,
    FuelLimit,
    Gate,
    Knock,
    OctaneMargin,
)
from tuninglib.analysis.touring import Climb
from tuninglib.interval import Interval, Measured
from tuninglib.lab import coast_down, explore, first_guess, plan
from tuninglib.physics.fuels import Octane
from tuninglib.physics.road_load import RoadLoad
from tuninglib.report import advice, cautions, gain, heat, verdict
from tuninglib.report.page_parts import NONE
from tuninglib.session.tables import FALLS_HEADER, parse_falls
from tuninglib.statistics.ladder_prediction import Odds

LITRE, CC_MIN, CELSIUS = 1e-3, 1e-6 / 60, 273.15

# What always stands there ---------------------------------------------------------------------

ALWAYS = {
    "all cautions": (
        "closed or quiet road, within the law", "full protective gear", "somebody who knows where",
        "Stop at the first rattle, close the throttle and do not ride that setup again until it "
        "runs richer, cooler or on fuel of a higher octane number", "Knock breaks pistons",
        "Never go leaner to win a marker speed. Lean and hot go together on a long climb",
        "stay on the rich side", "Handle fuel outdoors or with good ventilation, away from flames",
        "relieve the pressure before a line is opened",
        "no more ethanol and no lower octane number than the maker",
        "Let the exhaust and the head cool before",
        "never run an engine in a closed room: carbon monoxide kills",
        "Local law, the maker's manual and a licensed mechanic come before",
    ),
    "watch": (
        "full throttle only on a closed or quiet road, within the law, in full gear",
        "Stop at the first knock. Never go leaner for speed. If the manual disagrees, follow it",
    ),
    "tank": ("octane numbers do not mix by such a simple rule", "outdoors, with the engine cold"),
    "guess": ("Start at the rich end of the range, read the gauge on a short gentle run",),
    "kit": ("squish, ring gap, clearance", "hoses and seals may not last", "manual comes before"),
}  # fmt: skip


def test_what_always_stands_there(results):
    said = {
        "all cautions": str(cautions.sentences()),
        "watch": watched(results),
        "tank": tank(0.10),
        "guess": guess(),
        "kit": kit(10.0),
    }
    found = [(where, text) for where, texts in ALWAYS.items() for text in texts]
    assert [one for one in found if one[1] not in said[one[0]]] == []


# The watch box of the report ------------------------------------------------------------------


def watched(results) -> str:
    return str(verdict.watch(results))


def fitted(results, fuel, **changes):
    """What is fitted, changed on one fuel."""
    ride = results.plan.ride
    changed = tuple(
        replace(one, gate=None, **changes)
        if (one.engine, one.injector, one.fuel) == (ride.engine, ride.injector, fuel)
        else one
        for one in results.combinations
    )
    return replace(results, combinations=changed)


def leaner(chance):
    return lambda results: fitted(results, "e10", odds=Odds(0.0, 1 - chance, chance))


def of_session(record, **values):
    def change(results):
        old = getattr(results.session, record)
        return replace(
            results, session=replace(results.session, **{record: replace(old, **values)})
        )

    return change


def heads(hottest, stated=None):
    def change(results):
        # One is hot, as is not to be lost among those that are not.
        combinations = tuple(
            replace(one, hottest_k=hottest if one.setup == "big_172" else CELSIUS + 180)
            for one in results.combinations
        )
        changed = of_session("bike", highest_head_temperature=stated)(results)
        return replace(changed, combinations=combinations)

    return change


def climbs(place, told=True):
    def change(results):
        end = Interval(480.0, 470.0, 490.0)
        one = Climb(
            climb=1.0, setup="big_172", readings=6, hottest_k=470.0, final_k=end, hot_day_k=end,
            time_constant_s=Interval(90.0, 80.0, 100.0), told=told, limit_k=205 + CELSIUS,
            limit_is_stated=True, place=place,
        )  # fmt: skip
        return replace(results, climbs=(one,))

    return change


def planned(**values):
    return lambda results: replace(results, plan=replace(results.plan, **values))


def unheard(listened):
    def change(results):
        ride = replace(results.plan.ride, listened=listened)
        return replace(results, knocks=(), plan=replace(results.plan, ride=ride))

    return change


def margin(fuel, engine="big", **values):
    def change(results):
        return replace(
            results,
            octane=tuple(
                replace(one, **values) if (one.fuel, one.engine) == (fuel, engine) else one
                for one in results.octane
            ),
        )

    return change


def maker_silent(compression):
    def change(results):
        session = results.session
        engines = {
            name: replace(one, compression_ratio=compression)
            for name, one in session.engines.items()
        }
        bike = replace(session.bike, lowest_octane=None)
        return replace(results, session=replace(session, engines=engines, bike=bike))

    return change


def climbs_not_said(value):
    """Nothing is said of the riding, and the mixture stands so far from what climbs ask for."""

    def change(results):
        ride = replace(results.plan.ride, lambda_=Interval(value, value - 0.0196, value + 0.0196))
        return planned(ride=ride)(of_session("use", riding="unknown")(results))

    return change


def strong(watt_cc):
    """Setups of which the strongest puts so much on the road for its size."""

    def change(results):
        session = results.session
        most = max(
            one.power_w.value / session.engines[session.setups[one.setup].engine].displacement_m3
            for one in results.pulls
        )
        pulls = tuple(
            replace(one, power_w=one.power_w.scaled(watt_cc * 1e6 / most)) for one in results.pulls
        )
        return replace(results, road=replace(results.road, pulls=pulls))

    return change


LEAN = "on e10, i172 has a"
BAND = "leaner than 0.90 at full throttle the engine runs hotter"
CLIMB = "on a long climb on a hot day its head {} above 205 °C: keep climbs short"
HEAD = "the head reached 231 °C, and session.toml states no limit; above about 230 °C at the spark"
# What is said, with the change at which it is and the change at which it is not.
WATCHED = {
    "lean on a fuel": (f"{LEAN} 6 % chance of running leaner", leaner(0.06), leaner(0.05)),
    "lean band": (BAND, of_session("target", highest=0.91), of_session("target", highest=0.90)),
    "too strong": ("put up to 55 kW per litre on the road on average", strong(55.1), strong(54.9)),
    "mixture unknown": (
        "nobody knows the mixture of big 172: keep full throttle short until it is read",
        planned(missing=("gauge",)), planned(missing=()),
    ),
    "climbs not said": (
        "big 172 has an 11 % chance of being leaner than that. Keep full throttle short",
        climbs_not_said(0.8677), climbs_not_said(0.8670),
    ),
    "hot head": (HEAD, heads(CELSIUS + 231), heads(CELSIUS + 229)),
    "hot head, limit stated": (HEAD, heads(CELSIUS + 231), heads(CELSIUS + 231, Measured(480.0))),
    "hot climb": (CLIMB.format("goes"), climbs("above"), climbs("below")),
    "hot climb, early": (CLIMB.format("goes"), climbs("above", told=False), climbs("below", False)),
    "perhaps hot climb": (CLIMB.format("may go"), climbs("unclear"), climbs("unclear", False)),
    "nobody listened": (
        "nobody wrote down whether it knocked, so nothing is known of that: listen",
        planned(missing=("knock",)), planned(missing=()),
    ),
    "quiet": ("no knock was heard on 3 runs of big 172", unheard(3), planned()),
    "no proof": ("That is no proof: keep listening, above all on a hot", unheard(3), unheard(0)),
    "quiet, not listened": ("nobody wrote down whether big 172 knocked", unheard(0), unheard(1)),
    "octane unknown": (
        "the octane number of e10 is not known, so it is not checked against",
        margin("e10", margin="unknown"), margin("e10", margin="enough"),
    ),
    "compression unknown": (
        "the compression of the engine 'big' is not known: whether it needs more octane",
        margin("e5", rise_unknown=True), margin("e5", "stock", rise_unknown=True),
    ),
    "maker silent": ("burn none below what the manual", maker_silent(10.0), maker_silent(10.1)),
    "high compression": (
        "has a compression of 10.1: listen for knock", maker_silent(10.1), maker_silent(10.0),
    ),
}  # fmt: skip


def test_an_outing_of_which_even_the_strongest_is_weak_is_asked_about(results):
    said = "no setup puts more than 14 kW per litre on the road"
    assert said in " ".join(cautions.remarks(strong(13.9)(results)))
    assert "no setup puts more" not in " ".join(cautions.remarks(strong(14.1)(results)))
    weakest = min(pull.force_n.value for pull in results.pulls)
    said = f"That makes {weakest:.0f} N at the wheel of the weakest setup"
    slower = " ".join(cautions.remarks(slow(11)(results)))
    assert said in slower
    assert "on 11 of 21 runs the bike was slower at the marker than at the start line" in slower


@pytest.mark.parametrize("case", WATCHED)
def test_what_is_to_be_watched(results, case):
    said, there, not_there = WATCHED[case]
    assert said in watched(there(results))
    assert said not in watched(not_there(results))


CLIMBS = {
    ("below", True): "that stays below your limit of 205 °C. Most of the way there takes about 3 "
    "minutes.",
    ("above", True): "that is above your limit of 205 °C: not for long climbs as it is. Most",
    ("above", False): "that is above your limit of 205 °C: not for long climbs as it is. Most",
    ("unclear", True): "whether that stays below your limit of 205 °C cannot be said: go easy. M",
    ("unclear", False): "the readings end too early to tell where the head would end; 196.9 °C was "
    "read. Read on for longer.",
}


def test_a_long_climb_says_whether_the_head_stays_below_its_limit(results):
    for (place, told), said in CLIMBS.items():
        text = str(heat.climbs_sentences(climbs(place, told)(results)))
        assert [one for one in dict.fromkeys(CLIMBS.values()) if one in text] == [said]


# Octane: every margin of a fuel against an engine, and what the page says to it.
OCTANE = {
    "not enough": None,
    "unclear": "e10 has 95 RON on the engine 'big' (maker asks for 91 RON, compression raised by "
    "0.8): whether that is enough cannot be said.",
    "unknown": "compression raised by 0.8): its octane number is not written down.",
    "enough": "e10 has 95 RON on the engine 'big' (maker asks for 91 RON, compression raised by "
    "0.8): enough.",
}


@pytest.mark.parametrize("code", OCTANE)
def test_octane_that_is_not_plainly_enough_is_said(results, code):
    quiet = replace(
        results, combinations=tuple(replace(c, knocks=()) for c in results.combinations)
    )
    said = [text for label, text in heat.sentences(margin("e10", margin=code)(quiet)).items
            if label == "Octane" and text.startswith("e10")]  # fmt: skip
    expected = OCTANE[code]
    assert len(said) == (expected is not None)
    assert expected is None or expected in said[0]
    # On an engine as it was made, only what is not known is worth a word.
    plain = OctaneMargin("stock", "e10", code, Octane(95.0, "RON"), Octane(91.0, "RON"), 0.0)
    said = str(heat.sentences(replace(quiet, octane=(plain,))))
    assert ("on the engine 'stock'" in said) == (code in ("unclear", "unknown"))
    assert "3 to 5 octane numbers" not in said


def test_no_sum_calls_a_fuel_enough_beside_heavy_knock(results):
    """Nor one of a lower number; of a higher one it is still the sum that tells."""
    knock = replace(results.knocks[0], level="heavy")
    heavy = replace(
        results,
        combinations=tuple(
            replace(
                one,
                knocks=(knock,) * (one.fuel == "e10"),
                octane=Octane(98.0 if one.fuel == "e5" else 95.0, "RON"),
            )
            for one in results.combinations
            if one.engine == "big"
        ),
        octane=tuple(
            OctaneMargin("big", fuel, "enough", Octane(number, "RON"), Octane(91.0, "RON"), 0.8)
            for fuel, number in (("e10", 95.0), ("e5", 98.0))
        ),
    )
    said = [text for label, text in heat.sentences(heavy).items if label == "Octane"]
    assert [text.split()[0] for text in said] == ["e5"]


# The lab's ------------------------------------------------------------------------------------


def guess(**changes):
    change = replace(first_guess.USUAL, **changes)
    same = {"own_valves": 2, "chart_valves": first_guess.NO_CHART, "chart_ethanol": 0.0}
    return " ".join(str(one) for one in first_guess.guess_words("metric", change, **same))


def guess_at(lower_end):
    """A first guess whose lower end is so many times the flow that runs out of time."""
    guessed = guess_of(first_guess.USUAL)
    # What runs out goes with the speed; the range does not.
    share = guessed.flow_m3_s.low / guessed.runs_out_m3_s
    for _ in range(20):
        speed = first_guess.USUAL.engine_speed_rpm * share / lower_end
        again = guess_of(replace(first_guess.USUAL, engine_speed_rpm=speed))
        share *= again.flow_m3_s.low / again.runs_out_m3_s / lower_end
    return guess(engine_speed_rpm=speed)


def idle(pulse_s):
    """The new injector's pulse at a warm idle."""
    old = first_guess.USUAL.idle_pulse_s
    new, steeper = (guess_of(replace(first_guess.USUAL, idle_pulse_s=old + d)).idle_pulse_s
                    for d in (0, 1e-3))  # fmt: skip
    return guess(idle_pulse_s=old + (pulse_s - new) / (steeper - new) * 1e-3)


def trim(ratio):
    """An injector that the ECU must trim by so much at part load."""
    return guess(chosen_m3_s=first_guess.USUAL.flow_m3_s / (1 + ratio), new_displacement_m3=150e-6)


def kit(new_bore, **changes):
    given = {"bore": 60.0, "stroke": 63.5, "made": 9.5, "new_bore": 60.0 + new_bore,
             "speed": 9000.0, "clearance": 0.0, "dome": 0.0, "gasket": 0.0} | changes  # fmt: skip
    planned_kit = first_guess.CylinderKit(**given)
    words = first_guess.compression_words(
        planned_kit, system="metric", need=Octane(91.0, "RON"), fuel=Octane(95.0, "RON")
    )
    return " ".join(str(one) for one in words)


def tank(poured, wanted=0.10, limit=0.10):
    """A tank of what is poured into it."""
    words = first_guess.tank_words(
        first_guess.Known(system="metric", highest_ethanol=limit), tank_m3=3 * LITRE,
        tank_ethanol=poured, added_m3=LITRE, added_ethanol=poured, wanted_ethanol=wanted,
    )  # fmt: skip
    return " ".join(str(one) for one in words)


def chart(ethanol):
    """A chart of the same valves for a fuel of so much ethanol; mine has none."""
    change = replace(first_guess.USUAL, new_ethanol=0.0)
    return " ".join(
        first_guess.chart_warnings(change, own_valves=2, chart_valves=2, chart_ethanol=ethanol)
    )


def rolled(**values):
    """A coast-down whose fit has these values."""
    falls = parse_falls(f"{FALLS_HEADER}1,out,65,55,5.5\n2,back,65,55,5.9\n3,out,55,45,6.9\n")
    fit = {"drag_area_m2": 0.5, "rolling_coefficient": 0.015, "headwind_m_s": 1.0} | values
    road = RoadLoad(**fit, covariance=np.diag([1e-4, 1e-6, 1e-2]))
    return " ".join(str(one) for one in coast_down.fit_words(road, falls, "metric", 0.0))


started = functools.cache(start_of)


def day(**values):
    """A planned day, changed; what it says."""

    def say(results):
        start = started(results.session.folder)
        planned_day = replace(usual_day(start), **values)
        aim = Aim(gain=0.1, scatter=start.scatter)
        return " ".join(str(one) for one in plan.day_words(planned_day, aim, "moved"))

    return say


def day_from(source):
    def say(results):
        start = started(results.session.folder)
        aim = Aim(gain=0.1, scatter=start.scatter)
        return " ".join(str(one) for one in plan.day_words(usual_day(start), aim, source))

    return say


def outlook(results, *, share=0.5, leaner=0.05, ethanol=0.05, outside=False, **changes):
    asked = Asked(
        injector="i172", fuel="e5", lowest=0.83, highest=0.90, tolerance=0.06, ethanol=ethanol
    )
    one = replace(
        injector.outlook(injector.ladder_of(results.judged, results.ladder), asked),
        cycle_time_s=0.013, open_time_s=share * 0.013, odds=Odds(0.0, 1 - leaner, leaner),
        outside_tried_range=outside,
    )  # fmt: skip
    one = replace(one, **changes)
    return " ".join(str(part) for part in explore.outlook_words(results, one, results.band))


def shut(results, gate):
    """What the report says of what is asked about, ruled out by a gate."""
    return replace(results.plan.ride, gate=gate)


def limited(results, chance):
    return of_session("assumptions", leaner_limit=Measured(chance))(results)


def mixed(wanted):
    """A tank without ethanol, E20 poured in, to get so much."""
    words = first_guess.tank_words(
        first_guess.Known(system="metric", highest_ethanol=1.0), tank_m3=3 * LITRE,
        tank_ethanol=0.0, added_m3=LITRE, added_ethanol=0.2, wanted_ethanol=wanted,
    )  # fmt: skip
    return " ".join(str(one) for one in words)


RUNS_OUT = "the lower end of the range would run out of time at full speed and run lean there"
LAB = {
    "flow runs out": (RUNS_OUT, lambda _: guess_at(0.98), lambda _: guess_at(1.02)),
    "idle may hunt": ("idle may hunt or stall", lambda _: idle(1.49e-3), lambda _: idle(1.51e-3)),
    "trim": ("more than the ECU can do", lambda _: trim(-0.21), lambda _: trim(-0.19)),
    "kit knocks": ("knock breaks pistons fast", lambda _: kit(6.0), lambda _: kit(0.0)),
    # 95 RON for 91 and 3 to 5 times the rise: cannot be said from 0.8 on, and has its caution.
    "kit unclear": ("knock breaks pistons fast", lambda _: kit(3.2), lambda _: kit(2.4)),
    "piston speed": (
        "wears small engines fast", lambda _: kit(0.0, speed=9500.0),
        lambda _: kit(0.0, speed=9400.0),
    ),
    "tank": ("after topping up: 10.1 % ethanol", lambda _: tank(0.101), lambda _: tank(0.1)),
    "wanted": ("what you want: 10.1 %", lambda _: tank(0.05, 0.101), lambda _: tank(0.05, 0.1)),
    "limit unknown": (
        "look it up before you pour", lambda _: tank(0.05, limit=None), lambda _: tank(0.05)
    ),
    "runs out": (
        "the engine runs lean at full speed", lambda r: outlook(r, share=0.86),
        lambda r: outlook(r, share=0.84),
    ),
    "may be leaner": (
        "may be leaner than the band (chance 11 %). Lean and hot",
        lambda r: outlook(r, leaner=0.11), lambda r: outlook(r, leaner=0.10),
    ),
    # A bold limit makes nothing bolder here, and a careful one warns sooner.
    "leaner, bold limit": (
        "may be leaner than the band (chance 11 %)",
        lambda r: outlook(limited(r, 0.3), leaner=0.11),
        lambda r: outlook(limited(r, 0.3), leaner=0.10),
    ),
    "leaner, careful limit": (
        "may be leaner than the band (chance 6 %)",
        lambda r: outlook(limited(r, 0.05), leaner=0.06),
        lambda r: outlook(limited(r, 0.05), leaner=0.05),
    ),
    "outside": (
        "this is extrapolated", lambda r: outlook(r, outside=True), lambda r: outlook(r)
    ),
    "ruled out": (
        "the report rules this out: light knock was heard on run 5.",
        lambda r: outlook(r, reported=shut(r, Gate("knock", knock=r.knocks[0]))),
        lambda r: outlook(r, reported=shut(r, Gate("lean", value=0.3, limit=0.1))),
    ),
    "no highest speed": (
        "Open time: not worked out: session.toml has no highest_speed for this engine.",
        lambda r: outlook(r, open_time_s=None), lambda r: outlook(r),
    ),
    "chances": (
        "inside the band (0.830 to 0.900) 89 %, richer under 1 %, leaner 11 %",
        lambda r: outlook(r, leaner=0.11), lambda r: outlook(r, leaner=0.12),
    ),
    "what is asked": (
        "172 cc/min and 5.0 % ethanol on engine big", lambda r: outlook(r),
        lambda r: outlook(r, ethanol=0.06),
    ),
    "look for": ("at the new fuel pressure.", lambda _: guess(), lambda _: ""),
    "old pressure": (
        "Stated at the old pressure: the same injector is one of",
        lambda _: guess(new_pressure_pa=3.5e5, old_pressure_pa=3e5), lambda _: guess(),
    ),
    # Ethanol asks for more fuel: who burns none would get too much from its chart.
    "chart too large": (
        "its flows are 3.7 % too large for you, for the fuel alone", lambda _: chart(0.10),
        lambda _: chart(0.0),
    ),
    "chart of hardly another fuel": (
        "its flows are 0.6 % too large for you", lambda _: chart(0.015), lambda _: chart(0.013),
    ),
    "nothing poured changes": ("no change.", lambda _: tank(0.10), lambda _: mixed(0.1)),
    "does it fit": ("Will the tank hold it?", lambda r: mixed(0.1), lambda r: mixed(0.25)),
    "piston": ("Mean piston speed: 19.1 m/s at 9000 rpm", lambda _: kit(0.0), lambda _: ""),
    "rolls": (
        "that is an unusual rolling coefficient; check slope, units and times.",
        lambda _: rolled(rolling_coefficient=0.051), lambda _: rolled(rolling_coefficient=0.05),
    ),
    "rolls too well": (
        "that is an unusual rolling coefficient", lambda _: rolled(rolling_coefficient=0.0029),
        lambda _: rolled(rolling_coefficient=0.003),
    ),
    "drag": (
        "that is an unusual drag area; check units, times and the speedometer.",
        lambda _: rolled(drag_area_m2=1.0), lambda _: rolled(drag_area_m2=0.99),
    ),
    "little drag": (
        "that is an unusual drag area", lambda _: rolled(drag_area_m2=0.2),
        lambda _: rolled(drag_area_m2=0.21),
    ),
    "wind out": (
        "3.6 km/h against the rider on the way out, from the difference of the directions",
        lambda _: rolled(), lambda _: rolled(headwind_m_s=-1.0),
    ),
    "wind back": (
        "3.6 km/h against the rider on the way back", lambda _: rolled(headwind_m_s=-1.0),
        lambda _: rolled(),
    ),
    "long day": (
        "more than eight hours: tired riders fall. Take two days, or fewer setups.",
        day(minutes=481), day(minutes=480),
    ),
    "time": ("Time: 8 h 01 min, with nothing to change", day(minutes=481, changes={}), day()),
    "visible": ("Smallest visible gain: 8.1 % with these repeats.", day(visible=0.081), day()),
    "one less": (
        "With one run less of each: 11.4 % would be the smallest.",
        day(visible_with_one_less=0.114), day(visible_with_one_less=None),
    ),
    "scatter assumed": (
        "(assumed; nothing is repeated in this outing yet)", day_from("assumed"), day_from("moved"),
    ),
    "scatter set": ("(as set here)", day_from("moved"), day_from("repeats")),
    "days": ("Against another day: a gain over a setup ridden on", day(), lambda _: ""),
    "blocks": ("Each engine in one block: an engine", day(), day(in_blocks=False)),
    "ethanol": (
        "10.1 % ethanol is more than the 10 % that the maker allows: do not use it",
        lambda r: outlook(r, ethanol=0.101), lambda r: outlook(r, ethanol=0.10),
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", LAB)
def test_the_lab_warns(results, case):
    said, there, not_there = LAB[case]
    assert said in there(results)
    assert said not in not_there(results)


def test_an_octane_that_cannot_be_told_comes_with_its_caution():
    assert "perhaps not enough" in kit(3.2)
    assert "is enough where" in kit(2.4)


# Signs and chances of the verdict -------------------------------------------------------------


def ridden(results, value, low, high, speed_m_s, strength="decided"):
    """The verdict for another gain of what is ridden now."""
    pulls = tuple(
        replace(
            one, speed_gain_m_s=speed_m_s, gain=replace(one.gain, ratio=Interval(value, low, high))
        )
        if one.setup == results.plan.ride.setup
        else one
        for one in results.pulls
    )
    plan = replace(results.plan, strength=strength)
    return replace(results, road=replace(results.road, pulls=pulls), plan=plan)


SLOWER = (-0.05, -0.08, -0.01, -1.0)


def test_what_is_slower_is_said_to_be_with_its_signs(results):
    said = advice.ride_sentence(ridden(results, *SLOWER))
    assert ": −3.6 km/h at your marker, 5 % (1 to 8 %) less pull than stock" in said
    assert "more pull" not in said
    faster = advice.ride_sentence(ridden(results, 0.05, 0.01, 0.08, 1.0))
    assert ": +3.6 km/h at your marker, 5 % (1 to 8 %) more pull than stock" in faster
    assert "less pull" not in faster
    still = advice.ride_sentence(ridden(results, 0.01, -0.02, 0.04, 0.0, "open"))
    assert ": +0.0 km/h at your marker, but no difference in pull from stock was shown" in still
    assert "was shown: 1 % (−2 to 4 %)" in still


def test_the_gain_s_own_part_says_the_same_signs(results):
    told = dict(gain.sentences(ridden(results, *SLOWER)).items)
    assert told["Weaker than stock"] == "big 172."
    told = dict(gain.sentences(ridden(results, 0.05, 0.01, 0.08, 1.0)).items)
    assert "big 172" in told["Stronger than stock"]
    row = next(row for row in gain.table(ridden(results, *SLOWER)).rows if row[0] == "big 172")
    assert row[3] == "−3.6"
    assert row[1] == "weaker"


# What is ridden, and what is next, by what is known ---------------------------------------------


def timed(results, *setups):
    """Only these setups have speeds."""
    runs = tuple(
        run if run.setup in setups else replace(run, shown_exit_m_s=None) for run in results.runs
    )
    pulls = tuple(pull for pull in results.pulls if pull.setup in setups and "stock" in setups)
    road = replace(results.road, pulls=pulls) if pulls else None
    return replace(results, runs=runs, road=road)


def leaning(results, value=0.05, *, in_turn=True, repeated=True, **plan):
    """What is ridden likely pulls harder, which so many runs more would settle."""
    low, high = sorted((value / 5, value * 8 / 5))
    found = ridden(results, value, low, high, 1.0, "leaning")
    road = replace(found.road, one_after_the_other=not in_turn, repeated=repeated)
    return of_plan(replace(found, road=road), **({"runs": 4} | plan))


def test_what_to_ride_is_said_as_far_as_it_is_known(results):
    ride, said = results.plan.ride, advice.ride_sentence
    own = tuple(one for one in results.combinations if one.setup)
    none = of_plan(results, ride=None)
    untried = tuple(one for one in results.combinations if not one.setup)
    assert said(replace(none, combinations=untried)).endswith("run that counts was read or timed.")
    assert said(none).endswith("too little is known about any setup.")
    assert said(of_plan(none, shut=own)).endswith("every setup that was ridden is ruled out.")
    other = said(of_plan(results, ride=replace(ride, fuel="e10")))
    assert other.endswith(". It was ridden on e5; for e10 its mixture is calculated.")
    assert said(results).endswith("16 % (12 to 19 %) more pull than stock, for 199 EUR.")
    for setups, who in (((), "it"), (("big_172",), "the reference stock"), (("stock",), "it")):
        has = f"; {who} has no run with speeds, so nothing is known of its pull."
        assert said(timed(results, *setups)).endswith(has)
    left_out = tuple(replace(run, exclude="rain") for run in results.runs)
    assert "; it has no run" in said(replace(timed(results, "big_172"), runs=left_out))
    # What is not settled is called neither, whichever side it is on.
    for value, side in ((0.05, "more"), (-0.05, "less")):
        words = f"{side} pull than stock, which these runs do not settle."
        assert said(ridden(results, value, *sorted((value / 5, value * 2)), 1.0, "open")).endswith(
            words
        )
    doubtful = tuple(
        replace(one, gain=one.gain and replace(one.gain, doubted=True)) for one in results.pulls
    )
    doubtful = replace(results, road=replace(results.road, pulls=doubtful))
    assert "do not fit the other runs, so its pull is not judged" in said(doubtful)


def test_what_is_likely_says_how_many_runs_would_settle_it_unless_that_is_no_use(results):
    likely = "likely 5 % (1 to 8 %) more pull than stock, for 199 EUR"
    text = "Likely, not settled"
    runs = "about 4 more runs of this setup and of stock"
    order = ": the setups were ridden one after the other, so the time of day may be part of the "
    usual = ", if runs scatter as they usually do (too few were repeated to tell)"
    again = Step(code="ride again", setups=("big_172", "stock"), runs=4)
    reference = one_of(results, "stock")
    for case, end in (
        (leaning(results), f"{likely}. {text}: {runs} would most likely settle it."),
        (leaning(results, repeated=False), f"{likely}{usual}. {text}: {runs} would most likely "
         "settle it."),
        (leaning(results, in_turn=False), f"{likely}. {text}{order}difference; {runs}, taking "
         "turns, would most likely settle it."),
        (leaning(results, runs=None), f"{likely}. {text}."),
        (leaning(results, next=again), f"{likely}. {text}."),
        (leaning(results, next=replace(again, runs=None)), f"{runs} would most likely settle it."),
        (leaning(results, next=Step(code="find heat")), f"{text}."),
        (leaning(results, next=Step(code="find knock")), f"{text}."),
        (leaning(results, shut=(reference,)), f"{text}."),
        (leaning(results, -0.05), ", 5 % (1 to 8 %) less pull than stock."),
    ):  # fmt: skip
        assert advice.ride_sentence(case).endswith(end)
    # Which of those to be ridden again settles it, and how often, is said once: with what is next.
    said = advice.next_in_brief(leaning(results, in_turn=False, next=again))
    assert said.endswith("big 172 and stock again, about 4 more runs of each, taking turns: that "
                         "would most likely settle it.")  # fmt: skip
    still = advice.next_in_brief(leaning(results, strength="open", next=again))
    assert still.endswith("about 4 more runs of each: they are still too close to call.")
    far = advice.next_in_brief(of_plan(results, next=replace(again, why="doubted")))
    assert far.endswith("of each: the speeds of big 172 do not fit the other runs.")


def test_where_the_reference_stays_what_pulled_harder_and_is_shut_is_named(results):
    stock = of_plan(results, ride=one_of(results, "stock"))
    shut = tuple(one_of(results, name) for name in ("big_164", "big_150"))
    said = advice.ride_sentence
    assert said(stock).endswith("; big 150, big 164 and big 172 e10 pulled harder, but must not be "
                                "ridden as they are.")  # fmt: skip
    one = of_plan(stock, shut=shut[:1])
    assert said(one).endswith("; big 164 pulled harder, but must not be ridden as it is.")
    maybe = replace(one, road=replace(one.road, pulls=tuple(
        replace(pull, gain=pull.gain and replace(pull.gain, told_apart=False, p_value=0.01))
        for pull in one.pulls
    )))  # fmt: skip
    assert said(maybe).endswith("; big 164 may pull harder, but must not be ridden as it is.")
    assert said(of_plan(stock, shut=())).endswith("; nothing else was shown to pull harder.")
    assert said(timed(of_plan(stock, shut=()), "stock")).endswith("fuel e5).")
    two = replace(stock.road, pulls=stock.pulls[:2])
    assert said(replace(of_plan(stock, shut=()), road=two)).endswith("was shown to pull harder.")


def test_what_is_next_has_its_engine_its_price_and_what_stands_against_it(results):
    def said(**plan):
        return advice.next_in_brief(of_plan(results, **plan))

    fit = replace(results.plan.next, code="fit")
    stock = one_of(results, "stock")
    known = "70 % chance of being in the band on e10 (leaner: 6 %), 51 % on e5 (leaner: 2 %)"
    assert said().startswith(f"buy injector i178 for 34 EUR: {known}")
    assert said(next=replace(results.plan.next, injector="i150", fuels=("e5",))).startswith(
        "buy injector i150: under 1 % chance of being in the band on e5 (leaner: over 99 %)."
    )
    # What was read on each of its fuels is no trial.
    read = said(next=replace(fit, injector="i172"))
    assert read.startswith("fit injector i172, which you have: 63 % chance of being in the band on")
    assert "eye on the gauge" not in read
    assert said(next=replace(fit, injector="i185")).endswith("on the gauge: stop beyond 13.2.")
    other = ", which you have, for the engine 'big', not the one to ride now: 70 %"
    assert f"fit injector i178{other}" in said(next=fit, ride=stock)
    assert "which you have, for the engine 'big': 70 %" in said(next=fit, ride=None)
    assert "which you have: 70 %" in said(next=fit)
    assert "for 34 EUR for the engine 'big', not the one" in said(ride=stock)
    slow = tuple(
        replace(one, gate=Gate("flow", value=0.6, limit=0.85)) if one.injector == "i178" else one
        for one in results.combinations
    )
    step = replace(results.plan.next, fuels=("e10",))
    late = advice.next_in_brief(of_plan(replace(results, combinations=slow), next=step))
    assert "It has a 60 % chance of running out of time at the highest engine speed" in late
    assert late.endswith("(open for more than 85 % of the cycle): stay below that speed.")
    assert "running out of time" not in said()
    measure = Step(code="measure flow", engine="big", injector="i172", fuels=("e5", "e10"))
    assert "before it is fitted: with its flow" in said(next=measure)
    assert "there is a 37 % chance of running leaner than the band on e10" in said(next=measure)
    assert "fitted to the engine 'big': with" in said(next=measure, ride=stock)
    assert "fitted to the engine 'big': with" in said(next=measure, ride=None)
    none = said(next=Step(code="list injectors", engine="big"))
    assert none == "none of the injectors listed may be fitted on the engine 'big'; list another."
    for setups, strength, words in (
        (1, "open", "only one setup was ridden"), (2, "open", "nothing that may be ridden is left"),
        (2, "decided", "nothing more to test: this is decided"),
    ):  # fmt: skip
        untried = (one for one in results.combinations if not one.setup)
        few = replace(results, combinations=(*results.combinations[:setups], *untried))
        nothing = of_plan(few, next=Step(code="nothing"), strength=strength)
        assert words in advice.next_in_brief(nothing)


def test_without_speeds_of_the_reference_it_is_what_to_ride_unless_it_is_shut(results):
    again = of_plan(results, next=Step(code="ride again", why="speeds"))
    said = advice.next_in_brief
    assert said(timed(again, "big_172")).startswith("ride the reference stock with speeds at both")
    assert said(timed(again)).startswith("ride again and write down the speeds at both lines")
    left_out = tuple(replace(run, exclude="rain") for run in results.runs)
    assert said(replace(again, runs=left_out)).startswith("ride again and write down the speeds")
    shut = of_plan(timed(again, "big_172"), shut=(one_of(results, "stock"),))
    assert said(shut).startswith("name another reference under [session]: stock has no run with")
    gauge = of_plan(results, next=Step(code="ride again", why="gauge"))
    assert said(gauge).startswith("ride again with a lambda gauge")
    for ends, words in (
        (("rich",), "fit an injector with less flow, one step at a time, and ride again."),
        (
            ("rich", "lean"),
            "brings the reading back into the gauge's range, on the rich side first",
        ),
    ):
        beyond = tuple(
            replace(one, beyond=end)
            for one, end in zip(results.combinations, ends * 9, strict=False)
        )
        stuck = of_plan(results, next=Step(code="ride again", why="range"))
        assert words in said(replace(stuck, combinations=beyond))


LEAN_GATE = Gate("lean", value=0.3, limit=0.1)
LIMIT = FuelLimit("e10", "octane", Octane(95.0, "RON"), Octane(98.0, "RON"), None)


def test_beside_the_next_step_stands_what_is_fitted_and_the_flow_to_look_for(results):
    ride, fuels = results.plan.ride, ("e10", "e5")
    e10 = replace(ride, fuel="e10", odds=Odds(0.0, 0.7, 0.3))

    def said(code="buy", gates=(None, None), of=results, **plan):
        pairs = zip((e10, ride), gates, strict=True)
        fitted = tuple(OnFuel(one.fuel, None, replace(one, gate=gate)) for one, gate in pairs)
        step = Step(code=code, engine="big", injector="i178", fuels=fuels)
        return advice.about_next(of_plan(of, **({"next": step, "fuels": fitted} | plan)))

    on_e10 = "The fitted i172: on e10, 30 % chance of running leaner than the band"
    assert said(gates=(LEAN_GATE, None)) == f"{on_e10}. To keep it, burn e5 only."
    assert (
        said(gates=(LEAN_GATE,) * 2)
        == f"{on_e10}; on e5, 30 % chance of running leaner than the band."
    )
    assert said() == (
        "The fitted i172: on e10, 70 % chance of being in the band, 30 % of being leaner; on e5, "
        "over 99 % chance of being in the band, under 1 % of being leaner."
    )
    only = OnFuel("e10", None, replace(e10, gate=LEAN_GATE))
    assert said(fuels=(only,)) == f"{on_e10}."
    for same in (
        said(next=replace(results.plan.next, injector="i172")), said(code="ride again"),
        said(fuels=tuple(OnFuel(fuel, None, None) for fuel in fuels)), said(code="change fuel"),
    ):  # fmt: skip
        assert same == ""
    missing = said(next=replace(results.plan.next, fuels=("e5",)))
    assert missing.startswith("No listed injector passes on e10 in this engine. The fitted")
    wanted = FlowWanted(185e-6 / 60, 0.7, 0.2)
    look = "ook for about 185 cc/min: a 70 % chance of being in the band on each of your fuels"
    assert said(flow_wanted=wanted).startswith(f"L{look}")
    assert said("ride again", flow_wanted=wanted).startswith(f"L{look}")
    one = said("list injectors", flow_wanted=wanted, fuels=(OnFuel("e5", None, None),))
    assert one.endswith("in the band on e5 (leaner: at most 20 %).")
    assert said("measure flow", flow_wanted=wanted).startswith(f"If it does not fit, l{look}")
    measure = "No flow is known well enough to be tried: measure the flow of an injector that was "
    stay = ", and stay with what runs rich until then"
    stock = one_of(results, "stock")
    assert said("list injectors").startswith(f"{measure}ridden, and check the gauge{stay}. The")
    for other in (None, stock):
        assert said("list injectors", ride=other).startswith(f"{measure}ridden, and check the")
    slow = replace(ride, gate=Gate("flow", value=0.6, limit=0.85))
    assert said("list injectors", shut=(slow,)).startswith("No flow fits the band and also")
    assert said("list injectors", shut=(replace(slow, engine="stock"),)).startswith(measure)
    for ladder in (None, replace(results.ladder, withheld="corrects")):
        assert said("list injectors", of=replace(results, ladder=ladder)).startswith("The fitted")


def test_a_fuel_is_changed_for_a_reason_and_another_injector_helps_only_against_the_mixture(
    results,
):
    e10 = replace(one_of(results, "big_172_e10"), gate=LEAN_GATE, may_be_tried=True)
    e5 = replace(results.plan.ride, gate=Gate("fuel", fuel_limit=replace(LIMIT, fuel="e5")))

    def said(*fitted, fuels=("e5",), **changes):
        step = Step(code="change fuel", engine="big", injector="i172", fuels=fuels)
        own = tuple(OnFuel(one.fuel, None, one) for one in fitted)
        return advice.next_in_brief(of_plan(replace(results, **changes), next=step, fuels=own))

    lean = "on e10, 30 % chance of running leaner than the band"
    octane = "e5 has 95 RON, below the 98 RON that the maker asks for: do not use it"
    another = ", or list another injector in session.toml."
    trial = " If you try e10, do so with an eye on the gauge: stop beyond 13.2."
    assert said(e10) == f"keep to e5 with i172 ({lean}){another}" + trial * (e10.source != "read")
    summed = replace(e10, source="predicted")
    assert said(summed) == f"keep to e5 with i172 ({lean}){another}{trial}"
    never = replace(summed, may_be_tried=False)
    assert said(never, e5) == f"keep to e5 with i172 ({lean}; {octane}){another}"
    assert said(e5) == f"keep to e5 with i172 ({octane})."
    assert said(results.plan.ride) == "keep to e5 with i172."
    # Why none is allowed: those that would be burnt, in this engine.
    limits = (LIMIT, replace(LIMIT, engine="stock"), replace(LIMIT, fuel="e85"))
    none = said(fuels=(), fuel_limits=limits)
    octane = octane.replace("e5", "e10")
    assert none.endswith(f"is allowed on the engine 'big' ({octane}).")
    use = replace(results.session.use, fuels=())
    silent = replace(
        results.session, use=use, setups={"big_172": results.session.setups["big_172"]}
    )
    assert said(fuels=(), fuel_limits=limits, session=silent).endswith("on the engine 'big'.")
    own = (replace(LIMIT, fuel="e5", engine="big"),)
    assert (
        "(e5 has 95 RON; the maker asks for 98 RON, and the higher compression of the engine "
        in (said(fuels=(), fuel_limits=own, session=silent))
    )


def knocking(results, setup, level="light", **values):
    """Only this setup knocked."""
    heard = (Knock(setup, 5.0, level),)
    quiet = (
        replace(one, knocks=heard if one.setup == setup else ()) for one in results.combinations
    )
    return of_setup(replace(results, combinations=tuple(quiet)), setup, **values)


def test_what_to_look_for_after_knock_heat_or_a_weak_engine(results):
    def said(code, of=results, setup="big_185"):
        return advice.next_in_brief(
            of_plan(of, next=Step(code=code, engine="big", setups=(setup, "big_150")))
        )

    rich = said("find knock", knocking(results, "big_185"))
    assert rich.startswith("find what made big 185 and big 150 knock before the engine 'big' is ")
    why = "nothing of a higher octane number was ridden on this engine and the mixture was not"
    assert f": nothing richer and {why} plainly" in rich
    right = said("find knock", knocking(results, "big_172"), "big_172")
    assert f"again: {why} plainly lean" in right
    assert rich.endswith("Look at octane, compression, ignition timing, heat and deposits.")
    unread = said("find knock", knocking(results, "big_185", odds=None))
    assert "on this engine. Look at the mixture, octane, compression" in unread
    lean = knocking(results, "big_150")
    assert "again: nothing listed is known to be safer. Look at the mixture, octane" in said(
        "find knock", lean, "big_150"
    )
    heavy = said("find knock", knocking(results, "big_150", "heavy"), "big_150")
    assert (
        "after heavy knock nothing is to be ridden or bought for e5 (98 RON) or less. Look" in heavy
    )
    bare = knocking(results, "big_150", "heavy", octane=None)
    assert "ridden or bought for e5 or less." in said("find knock", bare, "big_150")
    hot = of_setup(results, "big_185", gate=Gate("heat", value=520.0, limit=503.15))
    assert "throttle again: the head reached 246.9 °C, above the usual limit" in said(
        "find heat", hot
    )
    assert "was not shown to pull harder. That is no reason to strip it" in said("find power")
    slow = ridden(results, *SLOWER)
    assert "but big 172 pulled less: something is wrong with it" in said("find power", slow)


def test_each_fuel_has_its_answer_once(results):
    ride, i178 = results.plan.ride, replace(results.plan.ride, injector="i178", fuel="e10")
    fitted = replace(one_of(results, "big_172_e10"), gate=LEAN_GATE)

    def said(*fuels, code="ride again", **plan):
        step = Step(code=code, engine="big", injector="i178", fuels=("e10",))
        return advice.fuel_items(of_plan(results, **({"next": step, "fuels": fuels} | plan)))

    best = OnFuel("e10", i178, None)
    inside = "injector i178: over 99 % chance of being in the band, under 1 % of being leaner."
    assert said(best) == [("On e10", inside)]
    assert said(best, ride=one_of(results, "stock")) == [("On e10 (engine 'big')", inside)]
    assert said(best, ride=None) == [("On e10", inside)]
    # What the next step is about, and what is ridden, is said there.
    assert said(best, code="buy") == said(best, code="fit") == said(OnFuel("e5", ride, None)) == []
    assert said(replace(best, fuel="e85")) == []
    other = replace(best, best=replace(i178, injector="i185"))
    assert said(other, code="buy")[0][1].startswith("injector i185: ")
    for chance, words in ((0.5, "injector i178: 50 %"), (0.49, "nearest is injector i178: 49 %")):
        near = replace(i178, odds=Odds(0.0, chance, 1 - chance))
        assert said(OnFuel("e10", near, None))[0][1].startswith(words)
    none = "no injector listed passes"
    lean = f"{none}; with i172: 30 % chance of running leaner than the band"
    trial = replace(fitted, may_be_tried=True)
    for one, words in (
        (None, none), (replace(fitted, gate=None), none), (fitted, lean),
        (trial, f"{lean}; only as a trial under the gauge"),
    ):  # fmt: skip
        assert said(OnFuel("e10", None, one)) == [("On e10", f"{words}.")]
        assert said(OnFuel("e10", None, one), code="find knock") == []
    heard = knocking(results, "big_185").combinations
    heard = next(one for one in heard if one.setup == "big_185")
    ((label, text),) = said(knocked_fuels=(KnockedFuel("e5", heard),))
    assert label == "On e5"
    assert text.startswith("no e5 in the engine 'big': light knock was heard on run 5 with big")
    # A limit on what no label says counts against a fuel.
    implied = Gate("knock implied", knock=heard.knocks[0], because=heard)
    for octane, words in ((None, " (the octane number of e10 is not written down)"), (95.0, "")):
        unlabelled = replace(fitted, octane=octane and Octane(octane, "RON"), gate=implied)
        gate = advice.gate_sentence(results, unlabelled)
        assert (
            gate
            == f"no safer from knock than big 185, with which light knock was heard on run 5{words}"
        )


def test_only_what_was_read_and_is_surely_leaner_is_said_to_run_lean(results):
    ride, rich = results.plan.ride, Gate("rich", value=0.99)
    for gate, source, words in (
        (Gate("lean"), "read", "runs lean"), (Gate("lean", value=0.96), "read", "runs lean"),
        (Gate("lean", value=0.94), "read", "may run lean"), (rich, "read", "far too rich"),
        (Gate("lean", value=0.99), "predicted", "may run lean"),
    ):  # fmt: skip
        assert advice.shut_word(replace(ride, gate=gate, source=source)) == words


def test_what_would_change_the_plan_is_said_as_far_as_it_differs(results):
    stock, plan = one_of(results, "stock"), results.plan
    nothing = Step(code="nothing")
    for changes, words in (
        ({"ride": None}, "ride none of these setups"), ({"ride": stock}, "ride stock"),
        ({"ride": stock, "next": nothing}, "ride stock; nothing more to test"),
        ({"ride": stock, "next": Step(code="find heat")}, "ride stock and find out why it ran hot"),
        ({"next": replace(plan.next, injector="i185")}, "buy i185"),
        ({"next": replace(plan.next, code="fit")}, "fit i178"),
        ({"next": Step(code="change fuel")}, "keep to the fuels that pass"),
        ({"next": replace(plan.next, engine="stock")}, "another engine comes first"),
    ):  # fmt: skip
        flip = Flip(code="fuel", plan=replace(plan, **changes))
        assert advice.flip_rows(replace(results, flips=(flip,))) == [("only e5 in the tank", words)]
        assert verdict.flips(replace(results, flips=(flip,))).rows == (
            ("only e5 in the tank", words),
        )


# The verdict's parts ------------------------------------------------------------------------------


def test_the_verdict_has_the_parts_of_which_something_is_known(results):
    def labels(part=verdict.sentences, of=results, **plan):
        return [label for label, _ in part(of_plan(of, **plan)).items]

    full = ["Ride now", "Mixture", "Next", "Not to be ridden"]
    assert labels() == full
    assert labels(shut=()) == full[:3]
    climbs = of_session("use", riding="climbs", cooling="unknown")(results)
    for unread in ({"missing": ("gauge",)}, {"missing": ("range",)}, {"ride": None}):
        assert labels(**unread) == ["Ride now", "Next", "Not to be ridden"]
        assert "Target band" not in labels(verdict.reasons, climbs, equals=(), **unread)
    assert "Target band" not in labels(verdict.reasons)
    moved = dict(verdict.reasons(climbs).items)["Target band"]
    assert moved.startswith("its lean edge is 0.88, not 0.90: minutes of full load on an engine ")
    assert moved.endswith("richer mixture (cooling under [use] not written down, so assumed).")
    assert "assumed" not in str(verdict.reasons(of_session("use", cooling="air")(climbs)))
    # What is likely beaten does not pull alike.
    pair = {"equals": ("stock", "big_185"), "strength": "leaning"}
    assert "in pull, big 172 and big 185." in str(verdict.reasons(of_plan(results, **pair)))
    pair["strength"] = "open"
    assert "in pull, big 172 and stock and big 185." in str(
        verdict.reasons(of_plan(results, **pair))
    )


def test_the_mixture_of_what_is_ridden_has_its_number_and_its_chance_where_it_is_not_sure(results):
    def said(of=results, **ride):
        ride = replace(results.plan.ride, **ride)
        return dict(verdict.sentences(of_plan(of, ride=ride)).items)["Mixture"]

    band = "inside the target band 0.83 to 0.90"
    # 0.876 × 14.7 is 12.9.
    assert said().startswith(f"lambda 0.876 (0.857 to 0.895), 12.9 on this gauge: {band}.")
    chance = f"{band} (95 % chance of being in it, 5 % of being leaner)."
    assert chance in said(odds=Odds(0.0, 0.95, 0.05))
    assert "chance of being in it" not in said(odds=Odds(0.0, 0.951, 0.049))
    unread = said(lambda_=None)
    assert (
        unread == "not known, it has no usable gauge reading. Aim for the target band 0.83 to 0.90."
    )
    in_lambda = of_session("gauge", scale=1.0)(results)
    assert "on this gauge" not in said(in_lambda)
    # One that is off shows another number than the lambda that stands there.
    for off, shown in ((0.004, None), (-0.006, "0.87"), (0.03, "0.90")):
        gauge = {"scale": 1.0, "resolution": 0.01, "accuracy": Measured(off, 0.01)}
        check = replace(results.gauge_check, offset=None)
        text = said(replace(of_session("gauge", **gauge)(results), gauge_check=check))
        assert (f", {shown} on this gauge: " in text) == ("on this gauge" in text) == bool(shown)


def test_what_decided_is_printed_as_it_was_weighed(results):
    def rows(of=results, **plan):
        return {row[0]: row[1:] for row in verdict.worths(of_plan(of, **plan)).rows}

    ridden_now, known = results.plan.ride, {one.key: one for one in results.combinations}
    keys = [
        (one.setup, one.injector, one.fuel) for one in results.combinations if one.engine == "big"
    ]
    names = {
        f"{setup.replace('_', ' ') if setup else injector} on {fuel}": (
            "big",
            injector,
            fuel,
            setup,
        )
        for setup, injector, fuel in keys
    } | {"stock on e5": ("stock", "i150", "e5", "stock")}
    table = verdict.worths(results)
    assert len(table.rows) == 5
    worth = [known[names[row[0]]].worth for row in table.rows]
    assert worth == sorted(worth, reverse=True)
    for row in table.rows:
        one = known[names[row[0]]]
        assert [float(cell) for cell in row[1:4]] == pytest.approx(
            [one.worth, one.gain, one.harm], abs=0.051
        )
        assert row[4] == (
            "ride now" if one.key == ridden_now.key else NONE if one.setup else "untried"
        )
    elsewhere = rows(ride=replace(ridden_now, fuel="e10"))
    assert elsewhere["big 172 on e10"][3] == "ride now"
    assert elsewhere["big 172 on e5"][3] == NONE
    assert rows(of_setup(results, "big_185", harm=None))["big 185 on e5"][2] == NONE
    assert "big 185 on e5" not in rows(of_setup(results, "big_185", worth=None))
    assert {one[3] for one in rows(ride=None).values()} == {NONE, "untried"}
    alone = tuple(one for one in results.combinations if one.setup == "big_172")
    for few in (
        of_plan(replace(results, combinations=alone), fuels=()),
        of_plan(results, missing=("gauge",)), of_plan(results, missing=("range",)),
    ):  # fmt: skip
        assert str(verdict.worths(few)) == ""
    two = tuple(one for one in results.combinations if one.setup in ("stock", "big_172"))
    assert len(rows(replace(results, combinations=two), fuels=())) == 2


def test_what_nobody_heard_or_said_is_to_be_watched(results):
    other = of_plan(replace(results, knocks=()), ride=replace(results.plan.ride, fuel="e10"))
    assert "big 172 was not ridden on e10 yet: listen for knock" in watched(other)
    quiet = of_plan(replace(results, knocks=()), ride=None)
    heard = sum(bool(run.knock) for run in results.runs)
    assert f"no knock was heard on {heard} runs on which somebody" in watched(quiet)
    unread = planned(missing=("range",))(results)
    assert "nobody knows the mixture of big 172" in watched(unread)
    made = of_plan(unread, ride=replace(results.plan.ride, as_made=True))
    for one in (made, of_plan(unread, ride=None)):
        assert "nobody knows the mixture" not in watched(one)
    lean = of_session("target", highest=0.91)(results)
    assert "the target band reaches lambda 0.91; leaner than 0.90 at full" in watched(lean)
    assert "band reaches" not in watched(planned(missing=("gauge",))(lean))
    silent = climbs_not_said(0.8677)(results)
    assert "ask for lambda 0.88 or richer on an air-cooled engine" in watched(silent)
    usual = climbs("above")(results)
    usual = replace(usual, climbs=(replace(usual.climbs[0], limit_is_stated=False),))
    assert "its head goes above 230 °C: keep climbs short" in watched(usual)
    for none in (
        replace(usual, climbs=(replace(usual.climbs[0], setup="stock"),)),
        of_plan(usual, ride=None),
    ):
        assert "its head" not in watched(none)
    # Of an engine that was not ridden no compression is spoken of.
    new = maker_silent(10.1)(results)
    ridden_ones = tuple(one for one in new.combinations if one.engine == "big" or not one.setup)
    new = replace(new, combinations=ridden_ones)
    assert "the engine 'big' has a compression of 10.1: listen" in watched(new)
    assert "'stock' has a compression" not in watched(new)
    assert "the compression of the engine 'big' is" in watched(
        of_plan(margin("e5", rise_unknown=True)(results), ride=None)
    )


# While the day is ridden --------------------------------------------------------------------------


def test_why_to_stop_is_said_with_its_numbers_and_what_ends_with_it(results):
    limits, heard = stop_limits(results.session), Knock("big_164", 33.0, "light")

    def said(of=results, code="stop", **found):
        interim = Interim(code=code, run=33.0, setup="big_164", limits=limits, **found)
        return str(verdict.interim_sentences(of, interim, "metric"))

    knock = "Stop: light knock was heard on run 33 with big 164."
    again = (
        " Do not ride it again until it runs richer, cooler or on fuel of a higher octane number."
    )
    end = " That ends all leaner setups on this engine, too."
    find = Step(code="find knock", engine="big", setups=("big_185",))
    unexplained = of_plan(knocking(results, "big_185"), next=find)
    assert said(None, why="knock", knock=heard) == f"{knock}{again}{end}"
    assert said(why="knock", knock=heard) == f"{knock}{again}"
    both = said(why="knock", knock=heard, shut=("big_150", "big_172"))
    assert both == f"{knock}{again} No safer, and ended with it: big 150 and big 172."
    found = said(unexplained, why="knock", knock=heard, shut=("big_150",))
    assert found.startswith(f"{knock} Ended with it: big 150.")
    assert "Next: find what made big 185 knock" in found
    assert "Next" not in both
    lean = "run 33 with big 164 showed {}, leaner than 13.2 on this gauge (lambda 0.90). Look"
    assert lean.format("13.4 to 13.9") in said(why="lean", low=13.4, high=13.9)
    assert "As lean or leaner" not in said(why="lean", low=13.4, high=13.9)
    once = said(why="lean", low=13.4, high=13.4, shut=("big_150",))
    assert lean.format("13.4") in once
    assert once.endswith("As lean or leaner, as far as is known: big 150.")
    shut = replace(one_of(results, "big_164"), gate=LEAN_GATE)
    closed = said(why="closed", combination=shut)
    assert "big 164 is ruled out: 30 % chance of running leaner than the band. Ride it no" in closed
    go = said(code="go on", to_ride=(("stock", 2), ("big_185", 1)), closed=(("big_164", shut),))
    assert "Go on: still to ride: stock 2 and big 185 1." in go
    assert "Not to be ridden: big 164: 30 % chance of running leaner than the band." in go
    assert "Not to be ridden" not in said(code="go on", to_ride=(("stock", 2),))
    unheard = "But nobody wrote down whether it knocked: listen before you trust it."
    assert unheard in said(of_plan(results, missing=("knock",)), code="decided")
    assert unheard not in said(code="decided")
    for problems, more in ((("a.",), "a."), (("a.", "b.", "c."), "a. (2 more: tuninglib check)")):
        assert said(None, code="unknown", problems=problems).endswith(f"this is fixed: {more}")


# Doubts and remarks -------------------------------------------------------------------------------


def test_each_doubt_names_its_rows_and_its_sizes(results):
    def said(code, runs=(), setup="big_172", of=results, **values):
        own = Doubt(code, runs, setup, **values)
        ((label, text),) = cautions.doubts(replace(of, doubts=(own,)))
        return f"{label}: {text}"

    for expected, found in (
        ("Run 10 (big 172): its speeds need 8 % more wheel", said("gain", (10.0,), off=0.08)),
        ("Runs 10 and 11 (big 172): their speeds need 8 % less wheel force than the other setups",
         said("gain", (10.0, 11.0), off=-0.08)),
        ("Over the day: the readings move by 3 % to the richer side from run 1 to run 21, on all",
         said("trend", (1.0, 7.0, 21.0), off=-0.031)),
        ("Over the day: the readings move by 3 % to the lea", said("trend", (1.0, 9.0), off=0.03)),
        ("big 164 and big 150: big 164 reads 1.3 % leaner than big 150, although its injector",
         said("flow direction", setup="big_164", other="big_150", off=0.013)),
        ("Run 10 (big 172): the speeds of its roll back down do not fit the other runs. They count "
         "with weight under 0.01 instead", said("way down", (10.0,), weight=0.0021)),
        ("Wide readings: on run 10 low and high are more than 0.5 apart on this gauge",
         said("wide spread", (10.0,))),
        ("Wide readings: on runs 10 and 12 low", said("wide spread", (12.0, 10.0))),
        ("Wide readings: on run 10 low and high are more than 0.034 apart",
         said("wide spread", (10.0,), of=of_session("gauge", scale=1.0)(results))),
    ):  # fmt: skip
        assert found.startswith(expected)
    force = {run.run: run.force_n for run in results.runs}
    own = (10.0, 11.0, 12.0)
    weakest = min(own, key=force.get)
    apart = said("runs disagree", own, off=0.1)
    assert "their wheel forces differ by 10 %, more than is usual" in apart
    assert "All are kept with weight 1.00, which makes the interval of this setup wide" in apart
    assert f"would explain why run {weakest:g} is the weakest" in apart
    assert "their wheel forces differ, more than" in said("runs disagree", own)
    read = [run for run in results.runs if run.reading_weight is not None and run.state == "full"]
    every = said("wide spread", tuple(run.run for run in read))
    assert every.startswith(f"Wide readings: on all {len(read)} runs low and high")
    for both, which in (((10.0,), "run 10"), ((10.0, 11.0), "all 2 runs")):
        alone = tuple(run for run in results.runs if run.run in both)
        alone = replace(results, runs=(*alone, replace(results.runs[0], reading_weight=None)))
        assert f"on {which} low" in said("wide spread", both, of=alone)
    run = replace(results.runs[0], reading_weight=0.39, force_weight=0.2)
    assert cautions.on_run(run) == "reading counts 0.39; speeds count 0.20"
    assert cautions.on_run(replace(run, reading_weight=0.4, force_weight=None)) == ""
    assert cautions.on_run(replace(run, force_weight=0.013)).endswith("speeds count 0.01")


def typed(results, at=None, **cells):
    """Cells of the rows as somebody wrote them down: of all rows, or of the first so many."""
    runs = results.session.runs.copy()
    for name, value in cells.items():
        runs.loc[runs.index[:at], name] = value
    return replace(results, session=replace(results.session, runs=runs))


def roads(results, **values):
    return replace(results, road=replace(results.road, **values))


NOTHING = float("nan")


def speedometer(value, half_width, source="stated"):
    def change(results):
        factor = replace(
            results.road.speed_factor, value=value, half_width=half_width, source=source
        )
        return roads(results, speed_factor=factor)

    return change


def blowing(day, run=NOTHING):
    return lambda r: typed(of_session("weather", headwind=Measured(day))(r), 1, headwind_m_s=run)


def entered(results, **cells):
    hill = of_session("hill", entry_speed=Measured(13.3333))(results)
    return typed(typed(hill, entry_taken=True), **cells)


def unentered(results):
    runs = (replace(run, shown_entry_m_s=None) for run in results.runs)
    return replace(results, runs=tuple(runs))


def slow(count):
    """On so many of the runs with speeds the bike was slower at the marker."""

    def change(results):
        runs = [run for run in results.runs if run.shown_exit_m_s is not None]
        runs = [replace(run, shown_exit_m_s=5.0) for run in runs[:count]] + runs[count:]
        return replace(results, runs=tuple(runs))

    return change


def aired(**cells):
    return lambda r: typed(typed(r, air_temperature_k=290.0), 1, air_temperature_k=NOTHING, **cells)


def unlabelled(fuel):
    def change(results):
        fuels = results.session.fuels
        fuels = fuels | {fuel: replace(fuels[fuel], ethanol=None)}
        return replace(results, session=replace(results.session, fuels=fuels))

    return change


def new(results):
    engines = results.session.engines
    engines = engines | {"big": replace(engines["big"], running_in=Measured(3e5))}
    return replace(results, session=replace(results.session, engines=engines))


FULL = 21
LOW, HIGH = "shows less than the true speed", "shows more than UN R39 allows even a motorcycle in "
REMARKS = {
    "scale": ("scale is not known", of_session("gauge", scale=None), lambda r: r),
    "scale, few": ("scale is not known",
                   lambda r: of_session("gauge", scale=None)(typed(r, 3, gauge_low=NOTHING)),
                   lambda r: of_session("gauge", scale=None)(typed(r, gauge_low=NOTHING))),
    "label": ("the ethanol content of e5 is not written down; 5 % is assumed, and 0 to 10 %",
              unlabelled("e5"), unlabelled("e10")),
    "one marker": ("no speed at the marker is written in row 2 of runs.csv, which",
                   lambda r: typed(r, 1, shown_exit_m_s=NOTHING),
                   lambda r: typed(r, 1, shown_exit_m_s=NOTHING, exclude="rain")),
    "no marker": ("no speed at the marker", lambda r: typed(r, FULL - 1, shown_exit_m_s=NOTHING),
                  lambda r: typed(r, shown_exit_m_s=NOTHING)),
    "no reading": ("no full-throttle run has a gauge reading, so nothing is known of the mixture",
                   lambda r: typed(r, FULL, gauge_low=NOTHING),
                   lambda r: typed(r, FULL - 1, gauge_low=NOTHING)),
    "reference": ("no run of the reference stock has speeds", lambda r: replace(r, road=None),
                  lambda r: unentered(replace(r, road=None))),
    "no speeds": ("no run has speeds, so no gain", lambda r: unentered(replace(r, road=None)),
                  lambda r: replace(r, road=None)),
    "entry": ("one speed at the start line for all runs (48 km/h as shown)", entered,
              lambda r: entered(r, exclude="rain")),
    "legal": ("(true speed 85 % to 95 % of what it shows, UN R39)",
              speedometer(0.9, 0.05, "legal range"), speedometer(0.9, 0.05)),
    "altitude": ("standard air pressure at the hill's altitude",
                 lambda r: replace(r, pressure_source="altitude"),
                 lambda r: replace(r, pressure_source="stated")),
    "reads low": (LOW, speedometer(1.02, 0.01), speedometer(1.005, 0.01)),
    "reads low, assumed": (LOW, speedometer(1.02, 0.01, "checks"), speedometer(1.02, 0.01, "x")),
    # At a mean of 68.6 km/h the law leaves (68.6 - 8) / 1.1 / 68.6, which is 0.803.
    "reads high": (f"{HIGH}production (true speed plus a tenth plus 8 km/h)",
                   speedometer(0.79, 0.01), speedometer(0.8, 0.01)),
    # What was typed and what is allowed are never the same number.
    "wind": ("a wind of 11 km/h was written down; standards for road tests allow 10.8 km/h at most",
             blowing(11 / 3.6), blowing(3.0)),
    "wind of a run": ("a wind of 14.4 km/h was", blowing(0.0, -4.0), blowing(0.0, -3.0)),
    "units": ("runs.csv has entry_speed in km/h and exit_speed in mph, but one speedometer",
              lambda r: replace(r, session=replace(
                  r.session, speed_units={"entry_speed": "km/h", "exit_speed": "mph"})),
              lambda r: r),
    "slower": (f"of {FULL} runs the bike was slower at the marker", slow(11), slow(10)),
    "new": ("was it run in? Write since_op", new, lambda r: typed(new(r), exclude="rain")),
    "new, not at full throttle": ("was it run in?", new, lambda r: typed(new(r), state="idle")),
    "air": ("air somewhere from", aired(), aired(exclude="rain")),
    "air of the day": ("air somewhere from", aired(),
                       lambda r: of_session("weather", temperature=Measured(290.0))(aired()(r))),
    "no marker, no air": ("air somewhere from", aired(), aired(shown_exit_m_s=NOTHING)),
}  # fmt: skip


@pytest.mark.parametrize("case", REMARKS)
def test_what_is_remarked(results, case):
    said, there, not_there = REMARKS[case]
    assert said in " ".join(cautions.remarks(there(results)))
    assert said not in " ".join(cautions.remarks(not_there(results)))


def gains(results, **values):
    """All gains changed, and what is known of them."""
    pulls = (replace(one, gain=one.gain and replace(one.gain, **values)) for one in results.pulls)
    return roads(results, pulls=tuple(pulls))


def test_what_would_narrow_the_gain_is_named_the_largest_first(results):
    def said(of, **shares):
        of = entered(typed(of, air_temperature_k=NOTHING))
        own = {name.replace("_", " "): share for name, share in shares.items()}
        return " ".join(cautions.remarks(gains(of, shares=own)))

    both = said(results, weather=0.3, entry_speed=0.51)
    assert "as shown) and air somewhere from 0 °C to 30 °C. Of the gain of big 172, 16 %" in both
    start, air = (f"would narrow it to 16 % ({ends} %)" for ends in ("13 to 18", "13 to 19"))
    # What is left of its width is the root of what is left of its variance.
    assert f"a start speed that is read on every run {start}; the air temperature {air}." in both
    # What would change none of its digits is not worth the trouble.
    hardly = "For the gain of big 172, 16 % (12 to 19 %), that hardly matters."
    assert hardly in said(results, weather=0.1)
    assert hardly in said(results, scatter=1.0)
    assert "air temperature would" not in said(results, weather=0.1, entry_speed=0.51)
    known = roads(results, pulls=results.pulls[:1])
    assert said(known).endswith("30 °C.")
    for ride, setup in (("big_185", "big_185"), ("stock", "big_172"), (None, "big_172")):
        own = of_plan(results, ride=ride and one_of(results, ride))
        assert cautions.headline_pull(own).setup == setup
    assert cautions.headline_pull(gains(results, doubted=True)) is None


# Gain, knock and heat -----------------------------------------------------------------------------


def test_a_gain_is_said_as_sure_as_it_is(results):
    likely = gains(results, told_apart=False, p_value=0.01)
    counts = {"big_185": 3, "stock": None}
    pulls = (replace(one, more_runs=counts.get(one.setup, 1)) for one in likely.pulls)
    likely = roads(likely, pulls=tuple(pulls))
    told = dict(gain.sentences(likely).items)
    size = "likely stronger than stock by"
    assert (
        told["big 185"] == f"{size} 11 % (7 to 15 %). About 3 more runs of each would confirm it."
    )
    assert told["big 172"].endswith("16 % (12 to 19 %). About 1 more run of each would confirm it.")
    # Of what must not be ridden no more runs are asked, nor where no number of runs is known.
    assert told["big 164"] == f"{size} 15 % (12 to 19 %)."
    unknown = roads(likely, pulls=tuple(replace(one, more_runs=None) for one in likely.pulls))
    assert dict(gain.sentences(unknown).items)["big 185"] == f"{size} 11 % (7 to 15 %)."
    usual = roads(likely, repeated=False)
    assert dict(gain.sentences(usual).items)["big 164"].endswith("runs scatter as they usually do.")
    blocks = roads(likely, one_after_the_other=True)
    assert dict(gain.sentences(blocks).items)["big 164"].endswith("of day caused it (see below).")
    assert [row[1] for row in gain.table(blocks).rows] == ["reference"] + [
        "may be the time of day"
    ] * 5
    assert gain.table(roads(results, one_after_the_other=True)).rows[1][1] == "stronger"
    assert gain.table(roads(likely, one_after_the_other=False)).rows[1][1] == "likely stronger"
    one = gains(blocks, doubted=True).pulls[1].gain
    assert gain.verdict_text(one, in_blocks=True) == gain.verdict_text(one) == "check its runs"
    assert gain.verdict_text(likely.pulls[1].gain) == "likely stronger"
    apart = gain.sentences(gains(results, doubted=True)).items[0]
    assert apart[0] == "big 150"
    assert apart[1].endswith("do not fit the other runs, so it is not used (see below).")
    nothing = replace(results, road=None)
    assert str(gain.sentences(nothing)).startswith("No run of stock that counts has speeds, so no")
    runs = tuple(replace(one, shown_exit_m_s=None) for one in results.runs)
    assert "no speeds in this outing" in str(gain.sentences(replace(nothing, runs=runs)))
    open_ = gains(blocks, p_value=0.5)
    assert [row[1] for row in gain.table(open_).rows[1:]] == ["too close to call"] * 5
    bare = gain.table(results).rows[0]
    assert (bare[2], bare[3], bare[6]) == (NONE, NONE, "5")


def notes(results) -> str:
    return " ".join(text for label, text in gain.sentences(results).items if label == "Note")


def test_what_the_gains_rest_on_is_noted(results):
    said = notes(results)
    assert "by 2.1 % (standard deviation), reading and gusts included" in said
    usual = of_session("assumptions", run_scatter=Measured(0.031))(results)
    usual = notes(roads(usual, repeated=False))
    assert (
        "rest on what is usual: 3.1 % (standard deviation), give or take a factor of 2.7" in usual
    )
    for text in (
        "ran only once",
        "had no rider in common",
        "has no gauge reading",
        "one after the",
    ):
        assert text not in said
    counts = [1, 1, 2, 3, 4, 5]
    pulls = tuple(replace(one, runs=n) for one, n in zip(results.pulls, counts, strict=True))
    assert "stock and big 150 ran only once: their scatter" in notes(roads(results, pulls=pulls))
    single = roads(results, pulls=(replace(results.pulls[0], runs=1), *results.pulls[1:]))
    assert "stock ran only once: its scatter is assumed" in notes(single)
    assert "ran only once" not in notes(roads(single, repeated=False))
    down = notes(typed(results, 12, shown_down_exit_m_s=17.0))
    assert "on 12 runs the bike was rolled back down out of gear" in down
    assert "rolled back" not in said
    unread = of_setup(results, "stock", source="unknown")
    assert "stock has no gauge reading, so part of what is gained" in notes(unread)
    none = tuple(replace(one, source="unknown") for one in results.combinations)
    assert "has no gauge reading" not in notes(replace(results, combinations=none))
    apart = tuple(
        replace(run, rider="third") if run.setup == "big_185" else run for run in results.runs
    )
    assert "big 185 had no rider in common with stock" in notes(replace(results, runs=apart))
    # A rider of whom no force is known is no rider in common.
    other = tuple(replace(run, rider="third", force_n=None) for run in results.runs[:3])
    shared = replace(results, runs=(*apart, *other))
    assert "big 185 had no rider in common with stock" in notes(shared)
    blocks = notes(roads(results, one_after_the_other=True))
    assert "ridden one after the other, and stock not again at the end" in blocks
    logged = replace(results, session=replace(results.session, logged_step_m_s=0.1))
    assert "Marker speed is as the log shows it" in gain.table(logged).note


def test_heat_and_knock_of_each_setup_are_those_of_its_runs(results):
    def rows(of):
        return {row[0]: row[1:] for row in heat.table(of).rows}

    assert rows(results)["big 172 e10"] == ("0", "196", "187")
    assert rows(results)["big 150"][0] == "1"
    cold = replace(
        results, runs=tuple(replace(run, head_temperature_k=None) for run in results.runs)
    )
    assert rows(cold)["big 150"] == ("1", NONE, NONE)
    quiet = replace(results, runs=tuple(replace(run, knock="none") for run in results.runs))
    assert rows(quiet)["big 150"] == ("0", "187", "184")
    neither = replace(cold, runs=tuple(replace(run, knock="none") for run in cold.runs))
    assert str(heat.table(neither)) == ""
    for level, words in (
        ("light", "light knock was heard on run 4"), ("heavy", "heavy knock was heard on run 4"),
        ("heard", "knock was heard on run 4"), ("noted", "knock was noted on run 4"),
    ):  # fmt: skip
        assert heat.knock_sentence(Knock("stock", 4.0, level)) == words
    silent = replace(results, knocks=(), runs=results.runs[:3])
    assert "Knock: none was heard on the 3 runs on which somebody" in str(heat.sentences(silent))
    unsaid = replace(silent, runs=tuple(replace(run, knock="") for run in silent.runs))
    assert "Knock: nobody wrote down whether it knocked." in str(heat.sentences(unsaid))
    hot = climbs("below")(results)
    said = str(heat.climbs_sentences(hot))
    assert "the head would end at 207 °C (197 to 217 °C) with air of 35 °C; that stays" in said
    # Schey and Pinkel's power of 0.38 of a tenth more: 1.1 to that is 1.0369.
    assert "grows by about 4 %" in said
    usual = replace(hot.climbs[0], limit_is_stated=False)
    assert "below the usual limit of about 230 °C under the spark plug" in str(
        heat.climbs_sentences(replace(hot, climbs=(usual,)))
    )
    (row,) = heat.climbs_table(hot).rows
    assert row == (
        "1, big 172",
        "207 (197 to 217)",
        "207 (197 to 217)",
        "197",
        "90 (80 to 100)",
        "6",
    )
    assert (
        heat.climbs_table(climbs("unclear", told=False)(results)).rows[0][1:3] == ("not told",) * 2
    )
