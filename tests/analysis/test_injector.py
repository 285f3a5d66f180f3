"""The injector ladder of the demo session: its order, and what each prospect repeats."""

from dataclasses import replace

import numpy as np
import pytest

from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.fuel import fuel_terms
from tuninglib.analysis.injector import AIR_DENSITY_KG_M3, ladder_columns
from tuninglib.analysis.mixture import blend_of
from tuninglib.analysis.readings import weighed_readings
from tuninglib.interval import Z_95
from tuninglib.session.defaults import air_of_runs
from tuninglib.session.load import load_session
from tuninglib.statistics.ladder import fit_ladder
from tuninglib.statistics.ladder_prediction import predict


@pytest.fixture(scope="module")
def session(demo_folder):
    return load_session(demo_folder)


@pytest.fixture(scope="module")
def ladder(session):
    return analyse(session).ladder


def test_the_order_is_by_expected_harm_and_what_is_shut_comes_last(ladder):
    shut = [one.shut_everywhere for one in ladder.prospects]
    assert shut == sorted(shut)
    assert True in shut
    standing = [one.harm for one in ladder.prospects if not one.shut_everywhere]
    assert standing == sorted(standing)
    for one in ladder.prospects:
        lambdas = [fuel.lambda_.value for fuel in one.fuels]
        assert len(lambdas) > 1
        assert lambdas == sorted(lambdas, reverse=True)  # the leanest first
        assert one.harm == pytest.approx(np.mean([fuel.harm for fuel in one.fuels]))


def test_an_injector_that_was_tried_brings_its_deviation(ladder):
    tried, untried = (
        [one for one in ladder.prospects if one.tried is was] for was in (True, False)
    )
    width = {
        one.injector: np.log(one.fuels[0].lambda_.high / one.fuels[0].lambda_.low)
        for one in ladder.prospects
        if not one.outside_tried_range
    }
    assert max(width[one.injector] for one in tried if one.injector in width) < min(
        width[one.injector] for one in untried if one.injector in width
    )


def test_prospects_repeat_the_model(session):
    results = analyse(session)
    ladder, judged = results.ladder, results.judged
    air = air_of_runs(judged)
    fit = fit_ladder(**ladder_columns(judged, air, weighed_readings(judged, air)))
    prospect = next(one for one in ladder.prospects if not one.tried)
    for one in prospect.fuels:
        blend = blend_of(session.fuels[one.fuel])
        expected = predict(
            fit,
            flow_m3_s=prospect.flow_m3_s,
            engine=ladder.engine,
            stoichiometric_ratio=blend.stoichiometric_ratio,
            density_kg_m3=blend.density_kg_m3,
            tolerance=session.injectors[prospect.injector].tolerance.value / Z_95,
            fuel=one.fuel,
            fuel_sd=fuel_terms(session, one.fuel)["fuel_sd"],
        )
        assert one.lambda_ == expected.lambda_
        assert one.odds == expected.odds(low=session.target.lowest, high=session.target.highest)


def test_what_was_ridden_stands_in_the_table_as_it_was_read(session):
    results = analyse(session)
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
