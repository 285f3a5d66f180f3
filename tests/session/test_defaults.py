"""What the sums take: what was said, or a default with a code for where it is from."""

import dataclasses

import pytest

from tuninglib.interval import Measured
from tuninglib.physics.road_load import default_road_load
from tuninglib.session.defaults import (
    air_of_runs,
    band_of,
    blend_of,
    day_pressure_of,
    edge_not_said,
    ethanol_of,
    hill_of,
    leaner_limit_of,
    petrol_density_of,
    road_load_of,
    speedometer_factor,
)
from tuninglib.session.load import load_session
from tuninglib.session.machine import Fuel
from tuninglib.session.schema import Target, Use
from tuninglib.statistics.speedometer import unknown_factor


def test_a_speedometer_is_calibrated_from_pairs_and_timed_distances(edit):
    pairs = (
        'checks = [["50 km/h", "47.5 km/h"], ["60 km/h", "57 km/h"], ["72 km/h", "190 m in 10 s"]]'
    )
    session = load_session(edit("session.toml", 'factor = "0.955 +/- 0.01"', pairs))
    assert session.speedometer.checks[2] == (pytest.approx(20.0), pytest.approx(19.0))
    factor = speedometer_factor(session, 15.0)
    assert factor.value == pytest.approx(0.95, abs=1e-6)
    assert factor.source == "checks"


def test_what_is_stated_goes_first(demo_folder):
    session = load_session(demo_folder)
    factor = speedometer_factor(session, 15.0)
    assert (factor.value, factor.half_width, factor.source) == (0.955, 0.01, "stated")
    rotating = road_load_of(session, 200.0).rotating_mass_kg
    assert (rotating.value, rotating.half_width, rotating.source) == (8.0, 3.0, "stated")
    assert (day_pressure_of(session).value, day_pressure_of(session).source) == (98900.0, "stated")
    assert ethanol_of(session.fuels["e5"]).source == "stated"
    assert hill_of(session).length_m == pytest.approx(400.0)


# Range of a legal speedometer (UN R39): never low, high by a tenth and 4 km/h at most.
def test_without_a_calibration_or_a_coast_down_the_law_and_the_table_are_taken(edit):
    edit("session.toml", 'rotating_mass = "8 kg +/- 3 kg"', "")
    session = load_session(edit("session.toml", 'factor = "0.955 +/- 0.01"', ""))
    factor = speedometer_factor(session, 60 / 3.6)
    assert factor.source == "legal range"
    assert (60 - 4) / 1.1 / 60 < factor.value < 1.0
    assert factor.value + factor.half_width > 0.99
    assert factor.half_width == pytest.approx(1.96 * unknown_factor(60 / 3.6)[1], rel=1e-4)
    road, table = road_load_of(session, 200.0), default_road_load(200.0)
    area, rolling, rotating = road.drag_area_m2, road.rolling_coefficient, road.rotating_mass_kg
    assert (area.source, rolling.source, rotating.source) == ("table", "table and tyres", "rule")
    assert rotating.value == pytest.approx(0.07 * 124)
    halves = (table.drag_area_sd_m2, table.rolling_coefficient_sd, 0.015 * 124)
    for one, sd in zip((area, rolling, rotating), halves, strict=True):
        assert one.half_width == pytest.approx(1.96 * sd, rel=1e-4)


def test_without_a_pressure_the_standard_atmosphere_is_taken(edit):
    at_hill = day_pressure_of(load_session(edit("session.toml", 'pressure = "989 hPa"', "")))
    assert at_hill.source == "altitude"
    at_sea = day_pressure_of(load_session(edit("session.toml", 'altitude = "210 m"', "")))
    assert (at_sea.value, at_sea.source) == (pytest.approx(101325.0), "sea level")
    # About 12 Pa a metre near the sea.
    assert at_sea.value - at_hill.value == pytest.approx(210 * 12, rel=0.03)


def test_the_air_of_a_row_goes_before_that_of_the_day(edit):
    edit("session.toml", "[weather]\n", '[weather]\ntemperature = "30 degC"\n')
    air = air_of_runs(load_session(edit("runs.csv", "12.6,12.8,14,", "12.6,12.8,,")))
    assert air["temperature_k"].iloc[0] == pytest.approx(303.15)
    assert air["temperature_k"].iloc[1] == pytest.approx(288.15)
    assert (air["pressure_abs_pa"] == 98900.0).all()


def test_a_fuel_without_a_label_is_pump_petrol():
    ethanol = ethanol_of(Fuel())
    assert (ethanol.value, ethanol.half_width, ethanol.source) == (0.05, 0.05, "pump petrol")
    assert petrol_density_of(Fuel()).source == "usual petrol"
    blend = blend_of(Fuel())
    assert (blend.ethanol_volume_fraction, blend.petrol_density_kg_m3) == (0.05, 745.0)


def test_no_ethanol_is_not_the_same_as_not_known():
    ethanol = ethanol_of(Fuel(ethanol=Measured(0.0)))
    assert (ethanol.value, ethanol.half_width, ethanol.source) == (0.0, 0.0, "stated")
    blend = blend_of(Fuel(ethanol=Measured(0.0), petrol_density=Measured(735.0)))
    assert (blend.ethanol_volume_fraction, blend.density_kg_m3) == (0.0, 735.0)


@pytest.mark.parametrize(
    ("riding", "cooling", "target", "edge"),
    [
        ("climbs", "air", (0.83, 0.90), 0.88),
        ("town", "air", (0.83, 0.90), 0.90),
        ("climbs", "liquid", (0.83, 0.90), 0.90),
        # Not said: said in the caution, and nothing is shut by it.
        ("unknown", "air", (0.83, 0.90), 0.90),
        # Never past the middle.
        ("climbs", "air", (0.87, 0.90), 0.885),
    ],
)
def test_long_climbs_on_air_alone_move_the_lean_edge(demo_folder, riding, cooling, target, edge):
    session = load_session(demo_folder)
    session = dataclasses.replace(
        session,
        use=Use(riding=riding, cooling=cooling),
        target=Target(lowest=target[0], highest=target[1]),
    )
    band = band_of(session)
    assert (band.lowest, band.highest) == (target[0], pytest.approx(edge))
    assert band.stated_highest == target[1]
    assert band.moved == (edge != target[1])


@pytest.mark.parametrize(
    ("riding", "cooling", "edge"),
    [("unknown", "unknown", 0.88), ("unknown", "liquid", None), ("mixed", "air", None)],
)
def test_what_long_climbs_would_ask_for_is_known_where_nothing_is_said(
    demo_folder, riding, cooling, edge
):
    session = load_session(demo_folder)
    found = edge_not_said(dataclasses.replace(session, use=Use(riding=riding, cooling=cooling)))
    assert found == (None if edge is None else pytest.approx(edge))


@pytest.mark.parametrize(
    ("wanted", "stated", "limit"),
    [("pull first", None, 0.15), ("balanced", None, 0.10), ("cool first", None, 0.05),
     ("pull first", Measured(0.02), 0.02)],
)  # fmt: skip
def test_what_is_wanted_says_how_likely_lean_is_too_likely(demo_folder, wanted, stated, limit):
    session = load_session(demo_folder)
    assumed = dataclasses.replace(session.assumptions, leaner_limit=stated)
    use = dataclasses.replace(session.use, wanted=wanted)
    assert leaner_limit_of(dataclasses.replace(session, use=use, assumptions=assumed)) == limit


def test_both_standards_must_allow_their_factor(demo_folder):
    """Frost: beyond 0.95 of the one, still within 0.93 of the other."""
    session = load_session(demo_folder)
    runs = session.runs.assign(air_temperature_k=268.15, air_pressure_pa=99000.0)
    air = air_of_runs(dataclasses.replace(session, runs=runs))
    assert (air["sae_j1349"] < 0.95).all()
    assert (air["iso_1585"] > 0.93).all()
    assert not air["within_limits"].any()
    assert air_of_runs(session)["within_limits"].all()
