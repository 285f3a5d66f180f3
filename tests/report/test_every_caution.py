"""Every caution, with a case on either side of its limit; signs and chances of the verdict."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from tuninglib.analysis import injector
from tuninglib.analysis.day_plan import Aim, start_of, usual_day
from tuninglib.analysis.injector import Asked, guess_of
from tuninglib.analysis.records import Gate, OctaneMargin
from tuninglib.analysis.touring import Climb
from tuninglib.interval import Interval, Measured
from tuninglib.lab import coast_down, explore, first_guess, plan
from tuninglib.physics.fuels import Octane
from tuninglib.physics.road_load import RoadLoad
from tuninglib.report import advice, cautions, gain, heat, verdict
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
HEAD = "session.toml states no limit; above about"
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


def test_the_next_injector_has_its_chances_on_every_fuel(results):
    said = advice.next_in_brief(results)
    assert "70 % chance of being in the band on e10 (leaner: 6 %), 51 % on e5 (leaner: 2 %)" in said
