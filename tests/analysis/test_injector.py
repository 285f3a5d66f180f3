"""The injector ladder of the demo: its order, what each prospect repeats, and untried ones."""

from dataclasses import replace

import numpy as np
import pytest

from tests.outing import Outing
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.injector import (
    AIR_DENSITY_KG_M3,
    Asked,
    Change,
    guess_of,
    ladder_of,
    open_time_share,
    outlook,
)
from tuninglib.analysis.mixture import weighed_readings
from tuninglib.interval import Measured
from tuninglib.physics.fuels import Blend, lambda_shift
from tuninglib.session.defaults import air_of_runs, blend_of


@pytest.fixture(scope="module")
def ladder(results):
    return results.ladder


@pytest.mark.parametrize("fuel", ["e5", "e10"])
def test_the_order_is_by_the_fuel_that_is_burnt_alone(demo_folder, tmp_path, fuel):
    """172 is in the band on e5 and too lean on e10: first where e5 is burnt, else behind 185."""
    outing = Outing(demo_folder, tmp_path / "outing").key("use", fuels=[fuel])
    prospects = outing.results().ladder.prospects
    own = [next(one for one in prospect.fuels if one.fuel == fuel) for prospect in prospects]
    assert own == sorted(own, key=lambda one: (one.gate is not None, one.harm))
    assert (own[0].injector == "i172") == (fuel == "e5")


def test_the_order_is_by_expected_harm_and_what_is_shut_comes_last(ladder):
    shut = [all(f.gate for f in one.fuels) for one in ladder.prospects]
    assert shut == sorted(shut)
    assert True in shut
    standing = [one.harm for one, out in zip(ladder.prospects, shut, strict=True) if not out]
    assert standing == sorted(standing)
    for one in ladder.prospects:
        lambdas = [fuel.lambda_.value for fuel in one.fuels]
        assert len(lambdas) > 1
        assert lambdas == sorted(lambdas, reverse=True)  # the leanest first
        assert one.harm == pytest.approx(np.mean([fuel.harm for fuel in one.fuels]))


def test_what_was_ridden_stands_in_the_table_as_it_was_read(results):
    read = {mixture.setup: mixture for mixture in results.mixtures}
    prospect = next(p for p in results.ladder.prospects if p.injector == "i172")
    assert prospect.on("e5").odds == read["big_172"].odds
    assert prospect.on("e10").lambda_ == read["big_172_e10"].lambda_


def test_open_time_is_dead_time_plus_fuel_over_mass_flow(session, ladder):
    """By hand: the middle of the band, in the air of one cycle of one cylinder."""
    engine = session.engines[ladder.engine]
    prospect = ladder.prospects[0]
    injector = session.injectors[prospect.injector]
    air = engine.displacement_m3 / engine.cylinders * AIR_DENSITY_KG_M3 * engine.breathing.value
    middle = np.sqrt(session.target.lowest * session.target.highest)
    for one in prospect.fuels:
        blend = blend_of(session.fuels[one.fuel])
        fuel = air / (middle * blend.stoichiometric_ratio)
        # Stated on petrol of 745 kg/m3; mass goes with the root of density.
        mass_flow = prospect.flow_m3_s * np.sqrt(745.0 * blend.density_kg_m3)
        open_time = fuel / mass_flow + injector.dead_time.value
        cycle = 120 / engine.highest_speed.value
        assert one.open_time_fraction.value == pytest.approx(open_time / cycle, rel=1e-12)
        # 7 % of flow, and what the session says of breathing and dead time.
        breathing = engine.breathing.half_width / engine.breathing.value
        half = np.hypot(fuel / mass_flow * np.hypot(injector.tolerance.value, breathing),
                        injector.dead_time.half_width) / cycle  # fmt: skip
        assert one.open_time_fraction.half_width == pytest.approx(half, rel=1e-9)


def test_without_the_highest_speed_there_is_no_open_time(session):
    engines = {
        name: replace(engine, highest_speed=None) for name, engine in session.engines.items()
    }
    ladder = analyse(replace(session, engines=engines)).ladder
    for prospect in ladder.prospects:
        assert {one.open_time_fraction for one in prospect.fuels} == {None}


def test_a_pressure_that_is_not_known_counts_by_its_root(session):
    bike = replace(session.bike, fuel_pressure=Measured(300e3, 30e3))
    pressed = replace(session, bike=bike)
    usual, wider = (
        open_time_share(one, "big", "i172", "e5")
        for one in (replace(session, bike=replace(bike, fuel_pressure=Measured(300e3))), pressed)
    )
    cycle = 120 / session.engines["big"].highest_speed.value
    fuelling = usual.value - session.injectors["i172"].dead_time.value / cycle
    own = np.sqrt(wider.half_width**2 - usual.half_width**2)
    assert own == pytest.approx(fuelling * 0.1 / 2, rel=1e-6)


def test_curves_reach_a_twentieth_beyond_the_injectors_and_hold_what_was_read(session, ladder):
    flows = [one.flow.value for one in session.injectors.values()]
    full = session.runs[(session.runs["state"] == "full") & session.runs["gauge_low"].notna()]
    for curve in ladder.curves:
        assert (curve.flow_m3_s[0], curve.flow_m3_s[-1]) == pytest.approx(
            (0.95 * min(flows), 1.05 * max(flows))
        )
        assert len(curve.flow_m3_s) == len(curve.low) == len(curve.high) == 60
        own = [
            row for row in full.itertuples()
            if session.setups[row.setup].fuel == curve.fuel
            and session.setups[row.setup].engine == ladder.engine and not row.exclude
        ]  # fmt: skip
        assert len(curve.reading_lambda) == len(own)
        middles = [(row.gauge_low + row.gauge_high) / 2 / 14.7 for row in own]
        np.testing.assert_allclose(curve.reading_lambda, middles, rtol=1e-3)
        where = [session.injectors[session.setups[row.setup].injector].flow.value for row in own]
        np.testing.assert_allclose(curve.reading_flow_m3_s, where)


def test_outside_the_tried_range_is_beyond_all_that_were_fitted(session, ladder):
    used = {one.injector for one in session.setups.values()}
    flows = {name: one.flow.value for name, one in session.injectors.items()}
    low, high = (end(flows[name] for name in used) for end in (min, max))
    for one in ladder.prospects:
        assert one.tried == (one.injector in used)
        assert one.outside_tried_range == (not low <= flows[one.injector] <= high)
        assert one.flow_m3_s == flows[one.injector]
    assert {one.outside_tried_range for one in ladder.prospects} == {True, False}
    # A thousandth more or less is the same flow.
    for factor, outside in ((1.0005, False), (1.002, True)):
        flow = Measured(high * factor, 0.0)
        moved = replace(session.injectors["i205"], flow=flow)
        some = replace(session, injectors=session.injectors | {"i205": moved})
        found = next(p for p in analyse(some).ladder.prospects if p.injector == "i205")
        assert found.outside_tried_range == outside


def test_what_is_not_predicted_is_named(session, results):
    assert results.ladder.not_predicted == ()
    assert results.ladder.readings == len(weighed_readings(results.judged, air_of_runs(session)))
    assert results.ladder.withheld is None
    silent = session.runs[session.runs["gauge_low"].isna()]
    assert analyse(replace(session, runs=silent)).ladder is None


# Asked at any point -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def model(results):
    return ladder_of(results.judged, results.ladder)


ON_E5 = {"injector": "i178", "fuel": "e5", "lowest": 0.83, "highest": 0.9}


def test_more_ethanol_moves_curve_and_readings_by_the_same_shift(model):
    asked = Asked(**ON_E5, flow_m3_s=model.flow_m3_s[30], tolerance=0.06)
    dry, wet = (outlook(model, replace(asked, ethanol=x)) for x in (0.0, 0.2))
    shift = lambda_shift(Blend(0.0), Blend(0.2))
    np.testing.assert_allclose(wet.curve.value / dry.curve.value, shift, rtol=1e-6)
    np.testing.assert_allclose(wet.reading_lambda / dry.reading_lambda, shift, rtol=1e-12)


def test_a_reading_on_its_own_fuel_is_the_lambda_that_was_read(results, model):
    """A gauge with a scale of 14.7, off by less than a thousandth as it was checked."""
    session = results.session
    full = session.runs[(session.runs["state"] == "full") & session.runs["gauge_low"].notna()]
    fuels = full["setup"].map({name: one.fuel for name, one in session.setups.items()}).to_numpy()
    engines = full["setup"].map({name: one.engine for name, one in session.setups.items()})
    kept = (engines == model.engine).to_numpy()
    read = ((full["gauge_low"] + full["gauge_high"]) / 2 / 14.7).to_numpy()[kept]
    for fuel in ("e5", "e10"):
        found = outlook(model, Asked(**{**ON_E5, "fuel": fuel}))
        on_it = fuels[kept] == fuel
        assert on_it.any()
        assert found.reading_lambda[on_it] == pytest.approx(read[on_it], rel=1e-3)


def test_an_injector_is_open_for_its_fuel_and_the_longest_dead_time(results, model):
    """One of twice the flow needs half as long beyond it; a leaner target less fuel."""
    session = results.session
    dead = iter([0.0009, 0.0016, *[0.0011] * 9])
    injectors = {
        name: replace(one, dead_time=Measured(next(dead)))
        for name, one in session.injectors.items()
    }
    model = replace(model, session=replace(session, injectors=injectors))

    def asked(flow, lowest, highest):
        asked = Asked(**{**ON_E5, "lowest": lowest, "highest": highest}, ethanol=0.05)
        return outlook(model, replace(asked, flow_m3_s=flow))

    flow = 178e-6 / 60
    one, two = asked(flow, 0.8, 0.9), asked(2 * flow, 0.8, 0.9)
    assert 2 * two.open_time_s - one.open_time_s == pytest.approx(0.0016)
    # In the middle of the band, by ratio: from 0.8 to 0.9 and from 0.96 to 1.08 is a factor 1.2.
    leaner = asked(flow, 0.96, 1.08)
    assert (one.open_time_s - 0.0016) / (leaner.open_time_s - 0.0016) == pytest.approx(1.2)
    assert one.cycle_time_s == pytest.approx(2 * 60 / 8500)
    # Air for a lambda of 1 weighs some 14.4 times the fuel: within the breathing that is stated.
    size = session.engines[model.engine].displacement_m3
    fuel_kg = size * 1.2 * 0.85 / 14.4 / np.sqrt(0.8 * 0.9)
    assert one.open_time_s - 0.0016 == pytest.approx(fuel_kg / (flow * 745), rel=0.06)
    # An injector of the session has its own.
    own, other = (outlook(model, Asked(**{**ON_E5, "injector": name})) for name in ("i178", "i172"))
    open_s = [one.open_time_s - injectors[name].dead_time.value
              for one, name in ((own, "i178"), (other, "i172"))]  # fmt: skip
    assert open_s[1] / open_s[0] == pytest.approx(178 / 172)


def test_where_nothing_can_be_predicted_there_is_no_ladder(results):
    withheld = replace(results.ladder, withheld="gauge")
    assert ladder_of(results.judged, withheld) is None
    assert ladder_of(results.judged, None) is None


# The first guess ----------------------------------------------------------------------------------


def change(**more):
    usual = {
        "flow_m3_s": 150e-6 / 60, "flow_tolerance": 0.06, "lambda_read": 0.88,
        "lambda_wanted": 0.88, "gauge_accuracy": 0.02, "old_displacement_m3": 180e-6,
        "new_displacement_m3": 180e-6, "breathing_ratio": 1.0, "breathing_half_width": 0.1,
        "old_pressure_pa": 3e5, "new_pressure_pa": 3e5, "old_ethanol": 0.05, "new_ethanol": 0.05,
        "breathing": 0.85, "engine_speed_rpm": 8500.0,
    }  # fmt: skip
    return Change(**{**usual, **more})


def test_a_guess_with_everything_changed_can_be_worked_out_by_hand():
    """Pressure, fuel, size, breathing and target at once, for a twin; four fifths of it chosen."""
    asked = change(
        new_displacement_m3=225e-6, breathing_ratio=1.1, breathing_half_width=0.08,
        lambda_read=0.92, idle_pulse_s=2.4e-3, engine_speed_rpm=9000.0,
        new_pressure_pa=3.5e5, old_ethanol=0.0, new_ethanol=0.10, cylinders=2.0,
    )  # fmt: skip
    found = guess_of(asked)
    dry, wet = Blend(0.0), Blend(0.10)
    air = 1.25 * 1.1
    # Fuel for one pulse: more air, richer, of a fuel that asks for less; by what a litre weighs.
    ratios = [one.stoichiometric_ratio * one.density_kg_m3**0.5 for one in (dry, wet)]
    flow = 150e-6 / 60 * air * 0.92 / 0.88 * ratios[0] / ratios[1]
    assert found.flow_m3_s.value == pytest.approx(flow, rel=1e-3)
    stated = found.stated_at_old_pressure_m3_s
    assert stated.value == pytest.approx(flow * (3 / 3.5) ** 0.5, rel=1e-3)
    # Six per cent of the injector, two of the gauge, eight of the breathing.
    for one in (found.flow_m3_s, stated):
        for end in (one.high / one.value, one.value / one.low):
            assert np.log(end) == pytest.approx(np.hypot(np.hypot(0.06, 0.02), 0.08), rel=1e-6)
    # Half of the engine draws its air once in two turns.
    fuel = 112.5e-6 * AIR_DENSITY_KG_M3 * 0.85 * 1.1 / (0.88 * wet.stoichiometric_ratio)
    open_s = fuel / (found.flow_m3_s.value * (745.0 * wet.density_kg_m3) ** 0.5)
    assert found.cycle_time_s == pytest.approx(120 / 9000)
    assert found.open_time_s == pytest.approx(0.001 + open_s, rel=1e-6)
    # Where it runs out, 85 % of the cycle is just enough.
    ratio = open_s / (0.85 * 120 / 9000 - 0.001)
    assert found.runs_out_m3_s == pytest.approx(ratio * found.flow_m3_s.value, rel=1e-6)
    for chosen in (None, 0.8 * found.flow_m3_s.value):
        found = guess_of(replace(asked, chosen_m3_s=chosen))
        richer = (chosen or found.flow_m3_s.value) / (150e-6 / 60) * ratios[1] / ratios[0]
        assert found.idle_pulse_s == pytest.approx(0.001 + 0.0014 / richer, rel=1e-3)
        assert found.trims == pytest.approx((1 / richer - 1, air / richer - 1), abs=1e-3)
        assert found.trims[0] < found.trims[1]
