"""Another rider, gearing, fuel and money: what a reader sees, by sums of its own."""

from dataclasses import replace

import pytest

from tuninglib.analysis import analyse
from tuninglib.interval import Interval
from tuninglib.physics.air import standard_pressure_pa
from tuninglib.report import what_if

KM_H, MPH, MILE = 3.6, 1 / 0.44704, 1609.344


def metric(results):
    session = results.session
    return replace(results, session=replace(session, about=replace(session.about, units="metric")))


def test_riders_and_ranges_are_the_same_in_both_systems():
    """In round numbers of their own, within a tenth of each other."""
    per = {"mass": 1 / 0.45359237, "length": 1 / 0.3048, "speed": MPH / KM_H, None: 1.0}
    for name, (_, kind, metric_ends, feet_ends) in what_if.FIELDS.items():
        for si, us in zip(metric_ends[:2], feet_ends[:2], strict=True):
            assert us == pytest.approx(si * per[kind], rel=0.1), name
    kilograms, pounds = analyse._KILOGRAMS, analyse._POUNDS
    assert pounds == pytest.approx([one * per["mass"] for one in kilograms], rel=0.02)
    assert list(kilograms) == sorted(kilograms)


def test_the_table_has_what_the_speedometer_would_show(results):
    table = what_if.table(results)
    # True speeds over shown ones are 0.955 in the demo; where both bounds show the same it is once.
    for row, one in zip(table.rows, results.what_if, strict=True):
        bounds = [one.answer.at_force.value, one.answer.at_power.value]
        shown = sorted(f"{value * KM_H / 0.955:.0f}" for value in bounds)
        assert row[:2] == (f"{one.rider_mass_kg:.0f}", " to ".join(dict.fromkeys(shown)))
    assert {" to " in row[1] for row in table.rows} == {True, False}
    start = results.road.equivalent["big_172"].entry_m_s * KM_H
    assert table.note.startswith(f"True speeds, from {start:.0f} km/h at the start line; ")


def test_what_power_and_force_would_hold_on_the_flat_is_said_where_it_is_known(results):
    top = results.flat_top_speeds
    said = (
        f"On the flat: without wind the same power would hold {top.at_power.value * KM_H:.0f} km/h"
    )
    assert said in str(what_if.sentences(results))
    for none in (None, replace(top, at_force=None, at_power=None)):
        assert "flat" not in str(what_if.sentences(replace(results, flat_top_speeds=none)))


def test_engine_speeds_are_whole_and_say_how_the_crank_turns(back):
    rpm = Interval(4605.8, 4520.7, 4690.8)
    found = replace(back.gearing, entry_rpm=rpm, exit_rpm=rpm.scaled(0.01), ratio=10.926)
    first, *more = what_if.gearing_sentences(replace(back, gearing=found)).lines()
    assert first == (
        "paper filter: 4610 rpm (4520 to 4690 rpm) at the start line, 46 rpm (45 to 47 rpm) at "
        "the marker (10.93 turns of the crank for one of the wheel)."
    )
    assert more[0].startswith(f"At the crank: {found.torque_n_m.value * 0.737562:.1f} lb·ft (")
    assert more[-1].startswith(
        f"Top speed: 8800 rpm are {found.limit_speed_m_s.value * MPH:.1f} mp"
    )


@pytest.mark.parametrize("unit", ["miles", "km"])
def test_fuel_use_is_counted_in_the_readers_way(back, unit):
    metres = {"miles": MILE, "km": 1000.0}[unit]
    table = what_if.fuel_use_table(back if unit == "miles" else metric(back))
    for row, one in zip(table.rows, back.fuel_use, strict=True):
        cells = dict(zip(table.header, row, strict=True))
        assert cells[f"Distance [{unit}]"] == f"{one.distance_m / metres:.0f}"
        cost = f"${one.cost_per_m.value * 100 * metres:.2f}".rstrip("0")
        assert cells[f"Fuel for 100 {unit}"] == cost
        ends = (one.range_m.value, one.range_m.low, one.range_m.high)
        value, low, high = (f"{end / metres:.0f}" for end in ends)
        assert cells[f"Range on a tank [{unit}]"] == f"{value} ({low} to {high})"
        assert cells["Fills"] == "5"
    sharp = replace(back.fuel_use[0], per_m=Interval(3e-8, 2.9999e-8, 3.0001e-8),
                    range_m=Interval(3e5, 2.999e5, 3.001e5))  # fmt: skip
    row = what_if.fuel_use_table(metric(replace(back, fuel_use=(sharp,)))).rows[0]
    assert row[1:3] == ("3.00 (3.00 to 3.00)", "300 (300 to 300)")


@pytest.mark.parametrize(
    ("over", "expected", "said"),
    [
        ((0.05, 0.02, 0.08), 0.0312, "5.0 % (2.0 to 8.0 %) more fuel than the reference. By its "
         "fuel's energy it would be 3.1 % more."),
        ((-0.05, -0.08, -0.02), -0.0312, "5.0 % (2.0 to 8.0 %) less fuel than the reference. By "
         "its fuel's energy it would be 3.1 % less."),
        ((0.0, -0.12, 0.12), 0.0004, "0 % (−12 to 12 %) more fuel than the reference; that may be "
         "none at all."),
        ((0.05, 0.02, 0.08), 0.0006, "the reference. By its fuel's energy it would be 0.1 % more."),
    ],
)  # fmt: skip
def test_what_a_setup_burns_stands_beside_its_fuels_energy(back, over, expected, said):
    one = replace(back.fuel_use[1], over=Interval(*over), expected=expected)
    (first, *_) = what_if.fuel_use_sentences(replace(back, fuel_use=(one,))).lines()
    assert first.endswith(said)


# What the page can be asked -------------------------------------------------------------------


def test_each_setup_brings_what_it_needs_and_what_speaks_against_it(results):
    found = what_if.data(results)
    shut = {one.setup.replace("_", " ") for one in results.combinations if one.setup and one.gate}
    setups = {one["title"]: one for one in found["setups"]}
    assert list(setups) == [one.setup.replace("_", " ") for one in results.pulls]
    assert {name for name, one in setups.items() if one["shut"]} == shut > {"big 164"}
    # What the page starts with stands above them, once.
    assert [name for name, one in setups.items() if "force_n" not in one] == ["big 172"]
    assert setups["big 172 e10"]["parts"] == ["big", "i172"]
    assert found["speed"]["per_m_s"] == pytest.approx(KM_H)
    assert found["speed"]["true_per_shown"] == 0.955
    mine = replace(results, road=None, what_if_setup=None)
    assert what_if.data(mine)["speed"]["true_per_shown"] == 1.0
    assert what_if.data(mine)["setups"] == []
    assert "ask-fuel" in what_if.controls(mine).html()
    assert what_if.script(mine) == what_if.script(results) != ""


def test_a_fuel_is_said_with_what_the_gauge_shows_on_it(results):
    e5, e10 = (one["mixture"] for one in what_if.data(results)["fuels"])
    assert e5.startswith("On e5 with injector i172: lambda 0.876 (0.857 to 0.895), about 12.9 on")
    assert e10.startswith("On e10 with injector i172: lambda 0.897 (0.877 to 0.917), about 13.2 on")
    unknown = tuple(
        replace(one, odds=None) if one.fuel == "e10" else one for one in results.combinations
    )
    (only,) = what_if.data(replace(results, combinations=unknown))["fuels"]
    assert only["name"] == "e5"
    session = results.session
    for scale, said in ((1.0, False), (2.0, True)):
        own = replace(session, gauge=replace(session.gauge, scale=scale))
        first, *_ = what_if.data(replace(results, session=own))["fuels"]
        assert ("on this gauge" in first["mixture"]) == said


def test_no_wind_has_no_sign_and_a_hill_below_the_sea_has_its_air(results):
    field = what_if._number_field("headwind", -0.1, "metric")
    assert (field["value"], field["low"], field["high"]) == ("0", -20, 20)
    # A pressure 5 % off the hill's 210 m is weather, 7 % is another place.
    there = standard_pressure_pa(210.0)
    assert what_if._altitude_of(results.session, 0.95 * there) == 210.0
    assert what_if._altitude_of(results.session, 0.93 * there) > 700.0
    assert what_if._altitudes(-350.0, "metric") == (-360.0, 3000.0)
    # 10,000 ft are 3048 m.
    assert what_if._altitudes(-350.0, "us") == (-360.0, 3060.0)
