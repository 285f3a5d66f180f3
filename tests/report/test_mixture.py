"""The mixture in other air and the gauge behind it, in words and in a picture, of invented air."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from tuninglib.interval import Measured
from tuninglib.report import mixture, page_parts

LEAN = {"lean_below_k": 290.15, "lean_cases": ("neither", "pressure")}
RICH = {"rich_above_k": 298.15, "rich_cases": ("neither", "temperature")}
FULL = {"lean_below_k": 308.15, "lean_cases": ("neither", "temperature", "pressure")}
NOWHERE = {"lean_below_k": None, "rich_above_k": None, "worst_leaner": 0.0}
HILLS = {"lowest_m": 0.0, "highest_m": 1200.0, "altitude_is_stated": True}
# What is said of these; the chance that an ECU lacks something is that of its cases together.
LEANER, RICHER = "leaner than the band below 17 °C", "richer than the band above 25 °C"
KEEPS, NOT = "it keeps its place in the band", "as the ECU does not correct for"
OR_NOT = f"{KEEPS} if the ECU corrects for air temperature; if it does not"
EVEN, BARE = (0.4, 0.2, 0.2, 0.2), (0.1, 0.7, 0.1, 0.1)


def of_air(results, chances, source="readings", **riding):
    """The demo ridden in other air, under an ECU of which these four chances are known."""
    cases = ("both", "neither", "temperature", "pressure")
    air = replace(
        results.air, ecu_corrects=dict(zip(cases, chances, strict=True)), source=source,
        riding=replace(results.air.riding, **riding),
    )  # fmt: skip
    return replace(results, air=air)


@pytest.mark.parametrize(
    ("chances", "values", "riding", "said"),
    [
        (BARE, LEAN, {}, f"In air of −5 to 35 °C it is likely {LEANER}, {NOT} air temperature."),
        (EVEN, LEAN, {}, f"{OR_NOT} (40 % chance), it is {LEANER}."),
        # Where even one that corrects for both would be lean there, it is at any chance.
        (EVEN, LEAN | {"lean_cases": ("both",)}, {}, f"it is likely {LEANER}."),
        (BARE, LEAN | RICH, {}, f"likely {LEANER} and {RICHER}, {NOT} air temperature and air "
         "pressure."),
        (BARE, FULL, {}, f"it is likely leaner than the band throughout, {NOT} the air."),
        (BARE, FULL | RICH, {}, f"{RICHER}, {NOT} the air."),
        ((0.1, 0.3, 0.1, 0.5), LEAN | RICH, {}, f"it is likely {LEANER}, {NOT} air temperature; if "
         f"the ECU does not correct for air pressure (40 % chance), it is {RICHER}."),
        ((0.6, 0.2, 0.1, 0.1), LEAN | RICH | {"rich_cases": ("temperature",)}, {}, f"{KEEPS}; if "
         f"the ECU does not correct for air temperature (30 % chance), it is {LEANER}; if the ECU "
         f"does not correct for air pressure (10 % chance), it is {RICHER}."),
        # Conditions with two chances are two conditions.
        ((0.5, 0.2, 0.15, 0.15), LEAN | RICH | {"lean_cases": ("neither",),
         "rich_cases": ("neither", "temperature", "pressure")}, HILLS, f"{KEEPS}; if the ECU does "
         f"not correct for either air temperature or pressure (20 % chance), it is {LEANER} at 0 "
         "m; if the ECU does not correct for both air temperature and pressure (50 % chance), it "
         f"is {RICHER} at 1200 m."),
        # Over hills an ECU that corrects for nothing misses both.
        (BARE, LEAN | RICH | {"lean_cases": ("neither",), "rich_cases": ("neither",)}, HILLS,
         f"In air of −5 to 35 °C, 0 to 1200 m it is likely {LEANER} at 0 m and {RICHER} at 1200 m, "
         f"{NOT} the air."),
        (BARE, LEAN | {"coldest_read_k": None}, {}, f"{NOT} air temperature, taking the air of the "
         "day as 18 °C, which nobody wrote down."),
        (EVEN, {"coldest_read_k": None}, {}, f"{KEEPS}."),
        (EVEN, {"worst_leaner": 0.3}, {}, f"{KEEPS}; at −5 °C it is 30 % likely to run leaner."),
        # What is said with its chance is not said again.
        (EVEN, LEAN | {"worst_leaner": 0.3}, {}, f"{OR_NOT} (40 % chance), it is {LEANER}."),
        (BARE, LEAN | {"lean_cases": ("neither",), "worst_leaner": 0.3}, {},
         f"it is likely {LEANER}, {NOT} air temperature."),
        (EVEN, RICH, {"coldest_k": 298.15, "hottest_k": 298.15}, f"In air of 25 °C {KEEPS} if the "
         "ECU corrects for air pressure; if it does not (40 % chance), it is richer than the band "
         "throughout."),
    ],
)  # fmt: skip
def test_for_which_air_a_mixture_holds(results, chances, values, riding, said):
    day = replace(results.session.weather, temperature=Measured(291.15, 1.0))
    results = replace(results, session=replace(results.session, weather=day))
    one = replace(results.air.mixtures[0], **(NOWHERE | values))
    text = mixture.air_in_brief(of_air(results, chances, **riding), one)
    assert text.endswith(said)
    assert text.count(said) == 1


@pytest.mark.parametrize(
    ("chances", "source", "said"),
    [
        ((0, 1, 0, 0), "stated", "corrects for neither air temperature nor pressure, as session."),
        ((0.2, 0.1, 0.4, 0.3), "readings", "by readings in air of 14 to 22 °C, the chances are "
         "that it corrects for air temperature alone 40 %, air pressure alone 30 %, both air "
         "temperature and pressure 20 % and neither 10 %; the intervals span them."),
        ([0.25] * 4, "unknown", "not known, and readings in air of 14 to 22 °C cannot tell: the "
         "intervals span all cases. Read again on a day that is 10 °C colder or warmer, or write"),
    ],
)  # fmt: skip
def test_what_the_ecu_corrects_for(results, chances, source, said):
    bike = replace(results.session.bike, density_compensation="no")
    changed = of_air(replace(results, session=replace(results.session, bike=bike)), chances, source)
    assert mixture.ecu_sentence(changed).startswith(said)
    own = replace(results.air.mixtures[0], coldest_read_k=None, hottest_read_k=None)
    unread = replace(changed, air=replace(changed.air, mixtures=(own,)))
    nobody = "that nobody wrote down" in mixture.ecu_sentence(unread)
    assert nobody == (source != "stated")
    if source == "unknown":
        session = changed.session
        us = replace(session, about=replace(session.about, units="us"))
        assert "20 °F colder" in mixture.ecu_sentence(replace(changed, session=us))
        text = mixture.air_in_brief(changed, replace(own, **(NOWHERE | LEAN)))
        assert f"{OR_NOT} (not known), it is {LEANER}" in text


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (LEAN | {"worst_leaner": 0.61}, "in air of −5 °C, big 172 has a 61 % chance of running "
         "leaner than the band: no full throttle below 17 °C until the gauge was read in such "
         "air."),
        (FULL | {"worst_leaner": 0.9}, "no full throttle until the gauge was read"),
        (LEAN | {"worst_leaner": 0.6}, None), (NOWHERE | {"worst_leaner": 0.9}, None),
        (LEAN | {"worst_leaner": 0.9, "setup": None}, None),
    ],
)  # fmt: skip
def test_what_is_likely_lean_in_the_cold_is_not_opened_there(results, values, said):
    own, *others = results.air.mixtures
    own = replace(own, **values)
    ride = replace(results.plan.ride, setup=own.setup)
    changed = replace(results, air=replace(results.air, mixtures=(own, *others)),
                      plan=replace(results.plan, ride=ride))  # fmt: skip
    found = mixture.lean_in_the_cold(changed)
    assert len(found) == (said is not None)
    assert said is None or said in found[0]


@pytest.mark.parametrize(
    ("tried", "said"),
    [
        ([(False, None, None), (True, None, None)], "Injector i164 stays inside all of it."),
        ([(True, 290.0, None), (True, None, 298.15)], "None that is listed covers all of it; i164 "
         "is nowhere leaner, and richer than the band above 25 °C."),
        ([(True, 290.0, None), (True, None, 268.15)], "No injector listed covers all of it."),
        ([(True, 290.0, None), (False, None, None)], "No injector listed covers all of it."),
    ],
)  # fmt: skip
def test_which_injector_covers_all_of_the_air(results, tried, said):
    own, *others = results.air.mixtures
    made = [replace(one, may_be_tried=may, lean_below_k=lean, rich_above_k=rich)
            for one, (may, lean, rich) in zip(others, tried, strict=False)]  # fmt: skip
    air = replace(results.air, mixtures=(replace(own, **LEAN), *made))
    text = str(mixture.air_sentences(replace(results, air=air)))
    assert text.startswith("big 172: in air of −5 to 35 °C it ")
    assert f". {said}" in text


def test_air_that_is_stated_is_not_assumed(results):
    neither = str(mixture.air_sentences(results))
    assert "assumed (air and altitude under [use] change it); denser air" in neither
    half = of_air(results, (1, 0, 0, 0), air_is_stated=True)
    assert "°C at the hill's altitude is assumed (altitude under [use] changes it); denser air" in (
        str(mixture.air_sentences(half))
    )
    both = of_air(results, (1, 0, 0, 0), air_is_stated=True, **HILLS)
    assert "assumed" not in str(mixture.air_sentences(both))


@pytest.mark.parametrize("fitted", [True, False])
def test_the_picture_of_other_air_has_each_line_where_it_is(results, drawn, fitted):
    """Big 172 as read, the same on the highest ground if it differs there, and what is next."""
    own, *others = results.air.mixtures
    wanted, plan = {"i172, 210 m": own.lambda_[0]}, results.plan
    if fitted:
        by_air = np.linspace(0.95, 0.82, 9)
        rows = tuple(tuple(by_air * part) for part in (1, 0.9, 0.9, 0.9, 0.9, 0.989))
        own = replace(own, lambda_=rows)
        wanted = {"i172, 210 m": own.lambda_[0], "i172, 2500 m": own.lambda_[-1],
                  "i178, 210 m": others[2].lambda_[0]}  # fmt: skip
    else:
        own = replace(own, coldest_read_k=None)
        plan = replace(plan, next=replace(plan.next, code="nothing"), ride=None)
    # An injector that two setups share is one line.
    air = replace(results.air, mixtures=(own, *others, others[2]))
    shown = mixture.air_figure(replace(results, air=air, plan=plan))
    (ax,) = drawn[0].axes
    dotted = [one for one in ax.lines if one.get_linestyle() == ":"]
    assert sorted(one.get_ydata()[0] for one in dotted) == [0.83, 0.9]
    lines = [one for one in ax.lines if one not in dotted and len(one.get_xdata()) > 2]
    assert [list(one.get_ydata()) for one in lines] == [list(one) for one in wanted.values()]
    celsius = np.array(air.temperature_k) - 273.15
    assert all(one.get_xdata() == pytest.approx(celsius) for one in lines)
    assert [one.get_text() for one in drawn[0].legends[0].get_texts()] == list(wanted)
    (around,) = ax.collections
    assert to_rgb(lines[0].get_color()) == tuple(around.get_facecolor()[0][:3])
    ends = around.get_paths()[0].get_extents()
    assert (ends.y0, ends.y1) == pytest.approx((min(own.low[0]), max(own.high[0])))
    thick = [one for one in ax.lines if len(one.get_xdata()) == 2 and one.get_linewidth() > 3]
    assert bool(thick) == fitted == shown.key.startswith("Thick: as it was read; around")
    for one in thick:
        assert list(one.get_xdata()) == pytest.approx([21.0, 22.0])
        assert list(one.get_ydata()) == [own.read_lambda] * 2
    said = [f"{name}: {one[0]:.2f} at −5 °C, {one[-1]:.2f} at 35 °C"
            for name, one in wanted.items()]  # fmt: skip
    said = f"Lambda against air temperature. {'; '.join(said)}. The target band is 0.83 to 0.90."
    assert shown.alt == said
    assert shown.key.endswith("with dotted edges: target band, lambda 0.83 to 0.90.")
    cold, hot = (f"{own.lambda_[0][at]:.2f} at" for at in (0, -1))
    assert shown.caption == f"big 172 in other air: lambda {cold} −5 °C and {hot} 35 °C."


# The gauge ------------------------------------------------------------------------------------


def test_readings_at_the_end_of_the_gauge_and_no_readings_are_named(results):
    first, second, *others = results.mixtures
    bare = {"lambda_": None, "gauge": None, "true_ratio": None, "odds": None}
    changed = (replace(first, pegged=2), replace(second, **bare), *others)
    found = replace(results, mixtures=changed)
    said = str(mixture.sentences(found))
    assert "At the gauge's end: stock (2): these readings only say 'beyond', so they are" in said
    assert f"No reading: {page_parts.spaced(second.setup)}." in said
    read, none, *_ = mixture.table(found).rows
    assert none[1:6] == ("–",) * 5
    assert read[4:] == ("12.8", f"{first.true_ratio.value:.1f}", "e5", "5")
    assert "The ECU" not in said
    assert "Gauge check: " in str(mixture.gauge_sentences(found))
    # Where nothing is read, or the gauge shows lambda itself, there is less to say.
    none = replace(results, mixtures=tuple(replace(one, **bare) for one in results.mixtures))
    assert "Gauge check" not in str(mixture.gauge_sentences(none))
    session = results.session
    for scale, said in ((1.0, False), (2.0, True)):
        own = replace(session, gauge=replace(session.gauge, scale=scale))
        text = str(mixture.gauge_sentences(replace(results, session=own)))
        assert (f"on a scale of {scale:g}: lambda 1 reads {scale:g}, whatever" in text) == said
        fuels = str(mixture.sentences(replace(results, session=own)))
        assert (" on this gauge" in fuels) == said


def test_fuels_are_compared_where_any_gauge_would_show_it(results):
    """A hundredth more ethanol runs 0.38 % leaner, to either side of 0.1 and 0.2 %."""
    e5, e10 = results.session.fuels.values()
    for more, said in ((0.002, False), (0.0045, True), (0.006, True)):
        other = replace(e10, ethanol=Measured(e5.ethanol.value + more))
        session = replace(results.session, fuels={"e5": e5, "e10": other})
        text = str(mixture.sentences(replace(results, session=session)))
        assert (f"e10 runs {0.38 * more * 100:.1f} % leaner than e5" in text) == said


def test_what_would_settle_a_state_is_another_injector_or_more_readings(results):
    idle, *_ = results.gauge_check.states
    for ratio, said in ((1.09, "with another injector, too"), (1.1, "two or three times more")):
        one = replace(idle, chance=0.5, flow_ratio=ratio)
        check = replace(results.gauge_check, states=(one,))
        assert said in str(mixture.gauge_sentences(replace(results, gauge_check=check)))
