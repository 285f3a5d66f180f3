"""What the sums take: what was said, or a default with a code for where it is from."""

import pytest

from tuninglib.interval import Measured
from tuninglib.session.defaults import (
    air_of_runs,
    blend_of,
    day_pressure_of,
    ethanol_of,
    hill_of,
    petrol_density_of,
    road_load_of,
    speedometer_factor,
)
from tuninglib.session.load import load_session
from tuninglib.session.machine import Fuel


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
def test_without_a_calibration_the_legal_range_is_taken(edit):
    session = load_session(edit("session.toml", 'factor = "0.955 +/- 0.01"', ""))
    factor = speedometer_factor(session, 60 / 3.6)
    assert factor.source == "legal range"
    assert (60 - 4) / 1.1 / 60 < factor.value < 1.0
    assert factor.value + factor.half_width > 0.99


def test_without_a_coast_down_the_table_is_taken(edit):
    session = load_session(edit("session.toml", 'rotating_mass = "8 kg +/- 3 kg"', ""))
    road = road_load_of(session, 200.0)
    sources = (road.drag_area_m2.source, road.rolling_coefficient.source)
    assert sources == ("table", "table and tyres")
    assert road.rotating_mass_kg.source == "rule"
    assert road.rotating_mass_kg.value == pytest.approx(0.07 * 124)


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
