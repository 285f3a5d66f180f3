"""Long climbs, fuel use and money, engine speeds: by hand, by published numbers, in words."""

import json
import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.conftest import BACK
from tests.outing import Outing
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.touring import _limited_by, long_climbs, outlay
from tuninglib.analysis.what_if import Answer
from tuninglib.interval import Interval
from tuninglib.physics import gearing as sums
from tuninglib.report import heat, verdict
from tuninglib.report import what_if as words
from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError

# Heat on long climbs ------------------------------------------------------------------------------


HEADER = "climb,setup,time [min],head_temperature [degC],air_temperature [degC]\n"


def climb(number, setup, end, *, air="20", minutes=(0, 1, 2, 4, 6, 9), tau=2.0, way=90.0):
    """Rows of a climb to the whole degree."""
    return "".join(
        f"{number},{setup},{t},{end - way * np.exp(-t / tau):.0f},{air}\n" for t in minutes
    )


def with_climbs(folder, text):
    (folder / "climbs.csv").write_text(HEADER + text, encoding="utf-8")
    return load_session(folder)


def climbs_of(folder, text):
    return long_climbs(with_climbs(folder, text))


@pytest.fixture
def told(results):
    """The demo's results with other climbs, as far as the words of them go."""

    def words_of(folder, text):
        session = with_climbs(folder, text)
        return replace(results, session=session, climbs=long_climbs(session))

    return words_of


def test_the_end_of_a_climb_moves_with_the_air(demo_copy):
    (one,) = climbs_of(demo_copy, climb(1, "big_172", 200))
    assert one.final_k.value == pytest.approx(273.15 + 200, abs=1.5)
    # 35 °C instead of 20 °C.
    assert one.hot_day_k.value - one.final_k.value == pytest.approx(15.0)
    assert one.time_constant_s.value == pytest.approx(120, rel=0.05)
    assert (one.told, one.place, one.readings) == (True, "below", 6)
    assert (one.limit_k, one.limit_is_stated) == (503.15, False)


def test_without_a_reading_the_air_is_that_of_the_day_with_its_doubt(demo_copy, edit):
    edit("session.toml", "[weather]", '[weather]\ntemperature = "25 +/- 6 degC"')
    (one,) = climbs_of(demo_copy, climb(1, "big_172", 200, air=""))
    assert one.hot_day_k.value - one.final_k.value == pytest.approx(10.0)
    wider = one.hot_day_k.high - one.hot_day_k.value
    assert wider == pytest.approx(np.hypot(one.final_k.high - one.final_k.value, 6.0))
    lower = one.hot_day_k.value - one.hot_day_k.low
    assert lower == pytest.approx(np.hypot(one.final_k.value - one.final_k.low, 6.0))


@pytest.mark.parametrize(
    ("end", "minutes", "place", "said"),
    [
        (200, (0, 1, 2, 4, 6, 9), "below", "that stays below the usual limit of about 230 °C"),
        (240, (0, 1, 2, 4, 6, 9), "above", "not for long climbs as it is"),
        (215, (0, 1, 2, 4, 6), "unclear", "cannot be said: go easy"),
        (200, (0, 0.2, 0.4), "unclear", "the readings end too early to tell"),
    ],
)
def test_a_climb_has_its_place_and_its_sentence(demo_copy, told, end, minutes, place, said):
    results = told(demo_copy, climb(1, "big_172", end, minutes=minutes))
    assert results.climbs[0].place == place
    assert said in str(heat.climbs_sentences(results))
    row = heat.climbs_table(results).rows[0]
    assert (row[0], row[-1]) == ("1, big 172", str(len(minutes)))
    assert (row[1] == "not told") is (len(minutes) == 3)


def test_what_was_read_above_the_limit_is_above_however_short_the_climb(demo_copy, edit, told):
    edit("session.toml", "[engines.stock]",
         'highest_head_temperature = "180 degC"\n\n[engines.stock]')  # fmt: skip
    results = told(demo_copy, climb(1, "big_172", 240, minutes=(0, 0.5, 1.0)))
    assert results.climbs[0].place == "above"
    said = str(heat.climbs_sentences(results))
    assert "above your limit of 180 °C: not for long climbs as it is" in said
    assert "spark plug" not in said


def test_two_climbs_are_two_rows_and_no_climb_says_nothing(demo_copy, results):
    # In the order of the file, whatever their numbers.
    found = climbs_of(demo_copy, climb(2, "stock", 180) + climb(1, "big_172", 205))
    assert [(one.setup, one.climb) for one in found] == [("stock", 2.0), ("big_172", 1.0)]
    assert found[1].final_k.low > found[0].final_k.high
    assert results.climbs == ()
    assert str(heat.climbs_sentences(results)) == ""


@pytest.mark.parametrize(
    ("end", "hottest", "told", "place"),
    [
        # Low, value and high of the end in 20 °C; on a hot day of 35 °C fifteen more.
        ((195, 205, 214.5), 200, True, "below"),
        ((195, 205, 215.5), 200, True, "unclear"),
        ((195, 205, 214.5), 200, False, "unclear"),
        ((215.5, 225, 240), 200, True, "above"),
        ((214.5, 225, 240), 200, True, "unclear"),
        ((215.5, 225, 240), 200, False, "above"),
        ((180, 205, 240), 231, False, "above"),
        ((180, 205, 240), 229, True, "unclear"),
    ],
)
def test_a_place_is_told_by_the_whole_interval_or_by_what_was_read(
    demo_copy, monkeypatch, end, hottest, told, place
):
    low, value, high = (273.15 + one for one in end)
    fit = SimpleNamespace(
        final_k=Interval(value, low, high), time_constant_s=Interval(120, 100, 140), told=told
    )
    monkeypatch.setattr("tuninglib.analysis.touring.fit_warm_up", lambda time, seen: fit)
    rows = f"1,stock,0,100,20\n1,stock,1,{hottest},20\n1,stock,2,150,\n"
    (one,) = climbs_of(demo_copy, rows)
    assert (one.place, one.told) == (place, told)
    assert one.hottest_k == pytest.approx(273.15 + hottest)
    assert one.hot_day_k == Interval(*(pytest.approx(at + 15) for at in (value, low, high)))


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("1,stock,0,100,\n1,stock,1,120,\n", "fewer than 3 readings at different times"),
        ("1,stock,0,100,\n1,big_172,1,120,\n1,stock,2,130,\n", "has rows of 2 setups"),
        ("1,stock,0,150,\n1,stock,1,140,\n1,stock,2,130,\n", "did not get hotter"),
        ("1,stock,0,100,\n1,none,1,120,\n1,stock,2,130,\n", "'none' is not one of the setups"),
        ("1,stock,0,1000,\n1,stock,1,120,\n1,stock,2,130,\n", "1000 degC is outside"),
        ("1,stock,,100,\n1,stock,1,120,\n1,stock,2,130,\n", "time: is empty"),
    ],
)
def test_a_wrong_climb_is_said_with_its_place(demo_copy, rows, said):
    (demo_copy / "climbs.csv").write_text(HEADER + rows, encoding="utf-8")
    with pytest.raises(SessionError, match=r"climbs\.csv, row [23]") as refused:
        load_session(demo_copy)
    assert said in str(refused.value)


def results_of(folder, text):
    return analyse(with_climbs(folder, text))


def test_a_hot_climb_is_in_the_warnings_and_shuts_what_got_too_hot(demo_copy, edit):
    results = results_of(demo_copy, climb(1, "big_172", 240, minutes=(0, 1, 2, 4)))
    assert results.plan.ride.setup == "big_172"
    assert "on a long climb on a hot day its head goes above 230 °C" in str(verdict.watch(results))
    near = results_of(demo_copy, climb(1, "big_172", 215, minutes=(0, 1, 2, 4, 6)))
    assert "its head may go above 230 °C: keep climbs short" in str(verdict.watch(near))
    cool = results_of(demo_copy, climb(1, "big_172", 190) + climb(2, "stock", 240))
    assert "long climb on a hot day" not in str(verdict.watch(cool))
    # Read above the rider's own limit: who climbs does not ride it, whatever it pulls.
    edit("session.toml", 'riding = "mixed"', 'riding = "climbs"')
    edit("session.toml", 'cooling = "air"', 'cooling = "liquid"')
    edit("session.toml", "[engines.stock]",
         'highest_head_temperature = "215 degC"\n\n[engines.stock]')  # fmt: skip
    shut = results_of(demo_copy, climb(1, "big_172", 230))
    gate = next(one.gate for one in shut.combinations if one.setup == "big_172")
    assert gate.code == "heat"
    assert shut.plan.ride.setup != "big_172"
    assert "big 172: the head reached" in str(verdict.reasons(shut))
    # Nor what only a hot day takes there; read below it, and in cooler air below it on any day.
    hot = results_of(demo_copy, climb(1, "big_172", 209) + climb(2, "big_185", 190))
    codes = {one.setup: one.gate and one.gate.code for one in hot.combinations}
    assert (codes["big_172"], codes["big_185"]) == ("heat", None)


def test_the_second_demo_holds_its_truth(back):
    truth = json.loads((BACK / "truth.json").read_text(encoding="utf-8"))["climb_ends_f"]
    found = back.climbs
    assert [one.setup for one in found] == list(truth)
    for one in found:
        end = (truth[one.setup] - 32) / 1.8 + 273.15
        assert one.final_k.low <= end <= one.final_k.high
        assert one.told


# Limits that are stated for a hotter day go up by the difference of the air, but for the barrel.
@pytest.mark.outside(source="14 CFR 23.1043(c): correction of temperatures of air-cooled engines")
def test_a_hot_day_moves_the_end_of_a_climb_degree_for_degree(back):
    read = back.session.climbs.groupby("climb")["air_temperature_k"].mean()
    for one in back.climbs:
        hotter = one.hot_day_k.value - one.final_k.value
        assert hotter == pytest.approx(1.0 * (308.15 - read[one.climb]), abs=0.05)


# Fuel use and what it all costs -------------------------------------------------------------------


L_PER_100KM = 1e-8


def with_fills(folder, text):
    (folder / "fills.csv").write_text(text, encoding="utf-8")
    return analyse(load_session(folder))


def test_fills_by_hand(demo_copy):
    results = with_fills(
        demo_copy,
        "setup,distance [km],volume [L],exclude\n"
        "stock,200,5.0,\nstock,150,3.9,\nbig_172,200,5.5,\nbig_172,100,2.6,\nbig_172,90,9,spilt\n",
    )
    stock, big = results.fuel_use
    # By hand: the geometric mean of 2.5 and 2.6, and of 2.75 and 2.6 L/100 km.
    assert stock.per_m.value == pytest.approx(np.sqrt(2.5 * 2.6) * L_PER_100KM)
    assert big.per_m.value == pytest.approx(np.sqrt(2.75 * 2.6) * L_PER_100KM)
    assert big.over.value == pytest.approx(np.sqrt(2.75 / 2.5) - 1)
    assert (stock.over, stock.fills, big.fills) == (None, 2, 2)
    assert (big.distance_m, big.volume_m3) == (300e3, pytest.approx(8.1e-3))
    assert big.over.low < 0 < big.over.high
    assert big.expected == 0
    # The demo's e5 costs 1.89 a litre.
    price = results.session.fuels["e5"].price
    assert big.cost_per_m.value == pytest.approx(1000 * price * big.per_m.value)
    assert big.range_m is None
    said = str(words.fuel_use_sentences(results))
    assert "big 172: 5 %" in said
    assert "more fuel than the reference; that may be none at all." in said
    row = words.fuel_use_table(results).rows[1]
    assert row[0] == "big 172"
    assert row[1].startswith("2.67 (")


def test_intervals_of_fills_by_hand(demo_copy, edit):
    """Scatter pooled over both setups, two degrees of freedom, and what the mark allows besides."""
    edit("session.toml", "[bike]", '[bike]\ntank = "9 L"')
    rows = {"stock": [(400, 9.0), (300, 9.5)], "big_172": [(300, 9.0), (400, 9.2)]}
    lines = [f"{name},{km},{litres}" for name, own in rows.items() for km, litres in own]
    stock, big = with_fills(
        demo_copy, "setup,distance [km],volume [L]\n" + "\n".join(lines) + "\n"
    ).fuel_use
    logs = {name: np.log([litres / km for km, litres in own]) for name, own in rows.items()}
    squares = sum(np.sum((own - own.mean()) ** 2) for own in logs.values())
    t_of_two = 4.302653
    half = t_of_two * np.sqrt(squares / 2 / 2)
    assert np.log(stock.per_m.high / stock.per_m.value) == pytest.approx(half, rel=0.03)
    assert np.log(big.over.high + 1) - np.log(big.over.value + 1) == pytest.approx(
        half * np.sqrt(2), rel=0.03
    )
    assert big.over.low == pytest.approx((1 + big.over.value) ** 2 / (1 + big.over.high) - 1)
    for one in (stock, big):
        assert one.range_m.value == pytest.approx(9e-3 / one.per_m.value)
        assert one.range_m.low == pytest.approx(9e-3 / one.per_m.high)
        assert one.range_m.high == pytest.approx(9e-3 / one.per_m.low)
    # Where no setup was filled twice, fills are taken to scatter by 5 %.
    (alone,) = with_fills(demo_copy, "setup,distance [km],volume [L]\nstock,400,9.0\n").fuel_use
    assert np.log(alone.per_m.high / alone.per_m.value) == pytest.approx(1.96 * 0.05, rel=0.06)


def test_the_second_demo_holds_its_truth_in_miles_to_the_gallon(back, demo_folder):
    truth = json.loads((demo_folder.parent / "there_and_back" / "truth.json").read_text())
    for one in back.fuel_use:
        shown = words.per_distance(one.per_m, "us")
        assert shown.low <= truth["miles_per_gallon"][one.setup] <= shown.high
        # 2.9 gallons, by hand.
        assert one.range_m.value == pytest.approx(2.9 * shown.value * 1609.344)
    header = words.fuel_use_table(back).header
    assert "Fuel [mpg (US)]" in header
    assert "Range on a tank [miles]" in header
    assert words.fuel_use_table(back).rows[0][3].startswith("$")


@pytest.mark.outside(
    source="DOE, Alternative Fuels Data Center, fuel properties (GREET): 116,090 and 76,330 Btu "
    "a gallon for petrol and ethanol, lower heating values"
)
def test_the_energy_of_e10_lets_expect_what_the_published_values_do(demo_copy, edit):
    edit("session.toml", 'ethanol = "4 +/- 1 %"', 'ethanol = "0 %"')
    edit("session.toml", 'ethanol = "9.5 +/- 0.5 %"', 'ethanol = "10 %"')
    results = with_fills(
        demo_copy, "setup,distance [km],volume [L]\nstock,200,5\nbig_172_e10,200,5.2\n"
    )
    published = 116_090 / (0.9 * 116_090 + 0.1 * 76_330) - 1
    assert results.fuel_use[1].expected == pytest.approx(published, abs=0.0003)
    assert "By its fuel's energy it would be 3." in str(words.fuel_use_sentences(results))


@pytest.mark.outside(source="NIST Handbook 44, Appendix C: 1 US gal = 3.785411784 L, "
                            "1 imperial gal = 4.54609 L, 1 mile = 1.609344 km")  # fmt: skip
def test_miles_to_either_gallon():
    three = SimpleNamespace()
    three.per_m = words.Interval(3 * L_PER_100KM, 2.9 * L_PER_100KM, 3.1 * L_PER_100KM)
    us, uk = (words.per_distance(three.per_m, system) for system in ("us", "imperial"))
    assert us.value == pytest.approx(100 / 1.609344 / (3 / 3.785411784))
    assert uk.value == pytest.approx(100 / 1.609344 / (3 / 4.54609))
    assert us.low < us.value < us.high


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("stock,200,0.5", "0.25 L/100 km"),
        ("stock,200,90", "45 L/100 km"),
        ("stock,,5", "distance: is empty"),
        ("stock,200,", "volume: is empty"),
        ("none,200,5", "'none' is not one of the setups"),
        ("stock,2,5", "2 km is outside 5 to 2000 km"),
        ("stock,200,500", "500 L is outside 0.2 to 100 L"),
    ],
)
def test_a_wrong_fill_is_said_with_its_row(demo_copy, row, said):
    (demo_copy / "fills.csv").write_text(f"setup,distance [km],volume [L]\n{row}\n")
    with pytest.raises(SessionError, match=r"fills\.csv, row 2") as refused:
        load_session(demo_copy)
    assert said in str(refused.value)


def test_litres_typed_as_gallons_are_refused(demo_copy):
    # By hand: 5.2 US gal of 3.785 L over 120 miles of 1.609 km are 10.2 L/100 km.
    (demo_copy / "fills.csv").write_text("setup,distance [mile],volume [gal]\nstock,120,5.2\n")
    with pytest.raises(SessionError, match=r"10\.2 L/100 km .* check distance, volume"):
        load_session(demo_copy)


def test_without_fills_the_page_tells_what_parts_cost(results):
    assert results.fuel_use == ()
    said = str(words.fuel_use_sentences(results))
    # 199 EUR for 15.6 %: 12.7 each; and what is at hand and not used.
    gain = next(one for one in results.pulls if one.setup == "big_172").gain.ratio
    assert results.outlay.per_gain.value == pytest.approx(199 / (100 * gain.value))
    assert results.outlay.per_gain.low == pytest.approx(199 / (100 * gain.high))
    assert "What big 172 costs: 199 EUR, which is about 13 EUR (" in said
    assert "per 1 % of pull" in said


def test_what_a_gain_costs_needs_a_gain_that_is_sure(results):
    session, plan, pulls = results.session, results.plan, results.road.pulls
    own = next(one for one in pulls if one.setup == "big_172")
    whole = outlay(session, plan, pulls)
    assert whole.ride == 199
    assert whole.per_gain.high == pytest.approx(199 / (100 * own.gain.ratio.low))
    for low, there in ((0.001, True), (-0.001, False)):
        unsure = replace(own.gain, ratio=Interval(0.15, low, 0.3))
        found = outlay(session, plan, [replace(own, gain=unsure)])
        assert (found.per_gain is not None) == there
    assert outlay(session, plan, [replace(own, gain=None)]).per_gain is None
    nothing = outlay(session, replace(plan, ride=None), pulls)
    assert (nothing.ride, nothing.per_gain) == (None, None)
    others = [one for one in pulls if one.setup != "big_172"]
    assert outlay(session, plan, others).per_gain is None


# Engine speeds ------------------------------------------------------------------------------------


GEARS = {
    "primary": 3.35, "gear": 1.05, "front": 14, "rear": 42, "circumference": "1.88 m +/- 0.01 m",
}  # fmt: skip


@pytest.fixture
def geared(demo_folder, tmp_path):
    def results(**changes):
        outing = Outing(demo_folder, tmp_path / f"outing {len(list(tmp_path.iterdir()))}")
        return outing.key("gearing", **GEARS | changes).results()

    return results


def test_engine_speeds_by_hand(geared):
    results = geared()
    run, found = results.road.equivalent["big_172"], results.gearing
    # 3.35 x 1.05 x 42/14 = 10.5525 turns; 1.88 m each; the wheel turns two per cent faster.
    assert found.ratio == pytest.approx(10.5525)
    for speed, rpm in ((run.entry_m_s, found.entry_rpm), (run.exit_m_s, found.exit_rpm)):
        assert rpm.value == pytest.approx(speed / 1.88 * 60 * 10.5525 * 1.02)
        # Half-widths: 0.01/1.88, 0.01 and 0.01/0.955 in quadrature.
        relative = math.sqrt((0.01 / 1.88) ** 2 + 0.01**2 + (0.01 / 0.955) ** 2)
        assert rpm.high / rpm.value - 1 == pytest.approx(relative)
    assert found.limit_rpm == 8500
    back = sums.engine_speed_rpm(
        found.limit_speed_m_s.value, ratio=found.ratio, circumference_m=1.88, slip=0.02
    )
    assert back == pytest.approx(8500)
    # Power is torque times angular speed, at the mean of what was ridden.
    pull = next(one for one in results.pulls if one.setup == "big_172")
    assert found.power_w.value == pytest.approx(pull.power_w.value / 0.92)
    assert found.torque_n_m.value == pytest.approx(
        pull.force_n.value * 1.88 / (2 * math.pi) / 10.5525 / 0.92
    )
    assert found.torque_n_m.half_width > found.torque_n_m.value * pull.force_n.half_width / (
        pull.force_n.value
    )


def test_what_is_lost_on_the_way_widens_torque_and_power(geared):
    results = geared(efficiency="0.92 +/- 0.03")
    pull = next(one for one in results.pulls if one.setup == "big_172")
    found, lost = results.gearing, 0.03 / 0.92
    for one, of, doubt in (
        (found.torque_n_m, pull.force_n, np.hypot(lost, 0.01 / 1.88)),
        (found.power_w, pull.power_w, lost),
    ):
        wanted = np.hypot(of.half_width / of.value, doubt)
        assert (one.high - one.value) / one.value == pytest.approx(wanted)
        assert (one.value - one.low) / one.value == pytest.approx(wanted)
    at = found.limit_speed_m_s
    relative = math.sqrt((0.01 / 1.88) ** 2 + 0.01**2 + (0.01 / 0.955) ** 2)
    assert (at.high / at.value - 1, 1 - at.low / at.value) == pytest.approx((relative, relative))
    for one in (found.entry_rpm, found.exit_rpm):
        assert 1 - one.low / one.value == pytest.approx(relative)


def test_diameters_of_tyres_by_hand():
    # 18 x 25.4 + 2 x 0.90 x 90 mm, 17 x 25.4 + 2 x 0.80 x 110 mm, and 18 + 2 x 2.75 inches.
    assert sums.tyre_diameter_m("90/90-18") == pytest.approx(0.6192)
    assert sums.tyre_diameter_m("110/80 - 17") == pytest.approx(0.6078)
    assert sums.tyre_diameter_m("2.75-18") == pytest.approx(23.5 * 0.0254)
    with pytest.raises(ValueError, match="is not a tyre size"):
        sums.tyre_diameter_m("big")


def test_the_size_of_the_tyre_stands_for_its_circumference(geared):
    by_size = geared(circumference=None, tyre="90/90-18")
    around = by_size.session.gearing.rolling_circumference
    # π x 619.2 mm x 0.965 is 1.877 m, and how much it is squeezed is not known well.
    assert around.value == pytest.approx(1.877, abs=0.001)
    assert around.half_width == pytest.approx(0.015 * around.value)


def test_what_limits_the_top_speed():
    def flat(low, high):
        return Answer(None, Interval((low + high) / 2, low, high), "")

    at = Interval(25.0, 24.5, 25.5)
    assert _limited_by(at, flat(26.0, 28.0)) == "revs"
    assert _limited_by(at, flat(20.0, 24.0)) == "drag"
    # Only whole intervals tell.
    for ends in ((24.0, 26.0), (25.2, 28.0), (22.0, 24.8)):
        assert _limited_by(at, flat(*ends)) == "unclear"
    assert _limited_by(None, flat(24.0, 26.0)) == ""
    assert _limited_by(at, Answer(None, None, "too far")) == ""


def test_the_page_says_it_and_says_when_it_is_not_known(geared, results):
    said = str(words.gearing_sentences(geared()))
    assert "rpm) at the start line, " in said
    assert "turns of the crank for one of the wheel" in said
    assert "N·m" in said
    assert "8500 rpm are 89" in said
    assert "At the crank: " in said
    by_size = geared(tyre="90/90-18", circumference=None)
    said = str(words.gearing_sentences(by_size))
    assert "Tyre: 90/90-18; a measured circumference would be more exact." in said
    assert results.gearing is None
    assert str(words.gearing_sentences(results)) == ""


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"tyre": "90/90-18"}, "has tyre and circumference, which say the same thing"),
        ({"circumference": None, "tyre": "wide"}, "is not a tyre size"),
        ({"front": 14.5}, "must be a whole number"),
        ({"gear": 0}, "is outside 0.3 to 6"),
        ({"circumference": "1.88"}, "has no unit"),
    ],
)
def test_a_wrong_gearing_is_refused(geared, changes, said):
    with pytest.raises(SessionError, match=said):
        geared(**changes)
