"""Moist air, standard atmosphere, gravity and corrections against standards and libraries."""

import math

import pytest

from tuninglib.physics import air

IAPWS_95 = pytest.mark.outside(source="IAPWS-95, as CoolProp computes it")
IF97 = pytest.mark.outside(source="IAPWS R7-97(2012), verification table 35 (from memory)")
PSYCHROLIB = pytest.mark.outside(source="PsychroLib (ASHRAE Handbook of Fundamentals)")
COOLPROP_AIR = pytest.mark.outside(source="CoolProp humid air (virial equation, ASHRAE RP-1485)")
AMBIANCE = pytest.mark.outside(source="ambiance (ICAO standard atmosphere 1993)")


def psychrolib():
    library = pytest.importorskip("psychrolib")
    library.SetUnitSystem(library.SI)
    return library


@IAPWS_95
@pytest.mark.parametrize("celsius", [1.0, 20.0, 50.0])
def test_saturation_pressure(celsius):
    properties = pytest.importorskip("CoolProp.CoolProp")
    reference = properties.PropsSI("P", "T", celsius + 273.15, "Q", 0, "Water")
    assert air.saturation_pressure_pa(celsius + 273.15) == pytest.approx(reference, rel=1e-4)


@IF97
def test_saturation_pressure_in_the_verification_table():
    # Table 35: 300 K, 0.353 658 941e-2 MPa
    assert air.saturation_pressure_pa(300.0) == pytest.approx(3536.58941, abs=5e-6)


@pytest.mark.outside(source="IAPWS-IF97, as chemicals computes it")
@pytest.mark.parametrize("temperature_k", [273.16, 333.15])
def test_saturation_pressure_and_dew_point_against_the_same_standard(temperature_k):
    iapws = pytest.importorskip("chemicals.iapws")
    pressure_pa = iapws.Psat_IAPWS(temperature_k)
    assert air.saturation_pressure_pa(temperature_k) == pytest.approx(pressure_pa, rel=1e-12)
    assert air.dew_point_k(pressure_pa) == pytest.approx(iapws.Tsat_IAPWS(pressure_pa), abs=1e-9)


@pytest.mark.outside(source="Wexler, J. Res. NBS 80A (1976): triple point of water")
def test_saturation_pressure_at_the_triple_point():
    # 611.657 Pa at 273.16 K
    assert air.saturation_pressure_pa(273.16) == pytest.approx(611.657, abs=5e-4)


@pytest.mark.outside(source="Murphy and Koop, QJRMS 131 (2005), eq. 10 (from memory)")
def test_saturation_pressure_over_supercooled_water():
    t = 243.15
    log_pressure = (
        54.842763
        - 6763.22 / t
        - 4.210 * math.log(t)
        + 0.000367 * t
        + math.tanh(0.0415 * (t - 218.8))
        * (53.878 - 1331.22 / t - 9.44523 * math.log(t) + 0.014025 * t)
    )
    assert air.saturation_pressure_pa(t) == pytest.approx(math.exp(log_pressure), rel=6e-4)


@pytest.mark.outside(source="40 CFR 1065.645, worked example of a dew point")
def test_dew_point_example():
    # 925.717 Pa: 279.001 K, by an older formula, hence the whole last digit.
    assert air.dew_point_k(925.717) == pytest.approx(279.001, abs=0.001)


# 20.5 % at 26.09 °C (saturation 3.382 kPa) and 99.05 kPa: 4.378 g of water in a kg of dry air, with
# its factor of 6.211.
@pytest.mark.outside(source="40 CFR 86.544-90(d), worked example of humidity")
def test_humidity_example():
    assert air.saturation_pressure_pa(299.24) == pytest.approx(3382.0, abs=0.5)
    vapour_pa = air.vapour_pressure_pa(299.24, 0.205)
    assert 621.1 * vapour_pa / (99_050 - vapour_pa) == pytest.approx(4.378, abs=5e-4)


# A mole fraction of water of 0.0169 makes 28.7805 g/mol of the 28.96559 of dry air. Densities of
# ideal gases are as their molar masses.
@pytest.mark.outside(source="40 CFR 1065.640(c)(4), worked example: molar mass of moist air")
def test_moist_air_is_lighter_by_the_printed_molar_masses():
    at = {"temperature_k": 308.15, "pressure_abs_pa": 91_660.0}
    humidity = 0.0169 * 91_660 / air.saturation_pressure_pa(308.15)
    moist, dry = (air.air_density_kg_m3(**at, relative_humidity=h) for h in (humidity, 0.0))
    assert 28.96559 * moist / dry == pytest.approx(28.7805, abs=5e-5)


@PSYCHROLIB
@pytest.mark.parametrize(("celsius", "humidity"), [(5.0, 0.9), (38.0, 0.2)])
def test_dew_point(celsius, humidity):
    reference = psychrolib().GetTDewPointFromRelHum(celsius, humidity)
    ours = air.dew_point_k(air.vapour_pressure_pa(celsius + 273.15, humidity))
    assert ours - 273.15 == pytest.approx(reference, abs=0.02)


AIR_CASES = [  # degC, Pa, relative humidity
    (15.0, 101325.0, 0.0),
    (35.0, 95000.0, 0.8),
    (12.0, 78000.0, 0.7),
]


def density(celsius, pressure_pa, humidity):
    return air.air_density_kg_m3(
        temperature_k=celsius + 273.15, pressure_abs_pa=pressure_pa, relative_humidity=humidity
    )


@COOLPROP_AIR
@pytest.mark.parametrize(("celsius", "pressure_pa", "humidity"), AIR_CASES)
def test_density_of_real_air(celsius, pressure_pa, humidity):
    properties = pytest.importorskip("CoolProp.CoolProp")
    volume = properties.HAPropsSI("Vha", "T", celsius + 273.15, "P", pressure_pa, "R", humidity)
    # Ideal gases leave out 0.03 to 0.06 %, always to the same side.
    ours = density(celsius, pressure_pa, humidity)
    assert 1e-4 < 1 / volume / ours - 1 < 6e-4


@PSYCHROLIB
@pytest.mark.parametrize(("celsius", "pressure_pa", "humidity"), AIR_CASES)
def test_density_of_ideal_air(celsius, pressure_pa, humidity):
    library = psychrolib()
    ratio = library.GetHumRatioFromRelHum(celsius, humidity, pressure_pa)
    reference = library.GetMoistAirDensity(celsius, ratio, pressure_pa)
    assert density(celsius, pressure_pa, humidity) == pytest.approx(reference, rel=2e-4)


@AMBIANCE
@pytest.mark.parametrize("altitude_m", [-300.0, 1000.0, 3500.0])
def test_standard_atmosphere(altitude_m):
    reference = pytest.importorskip("ambiance").Atmosphere(altitude_m)
    temperature_k = air.standard_temperature_k(altitude_m)
    pressure_pa = air.standard_pressure_pa(altitude_m)
    assert temperature_k == pytest.approx(reference.temperature[0], abs=1e-6)
    assert pressure_pa == pytest.approx(reference.pressure[0], rel=1e-6)
    assert air.standard_altitude_m(reference.pressure[0]) == pytest.approx(altitude_m, abs=0.05)
    dry = density(temperature_k - 273.15, pressure_pa, 0.0)
    assert dry == pytest.approx(reference.density[0], rel=5e-5)


@pytest.mark.outside(source="International standard atmosphere, table in bar and kelvin")
def test_standard_atmosphere_table():
    for altitude_m, bar, kelvin in (
        (500.0, 0.9546, 284.9), (1000.0, 0.8988, 281.7), (1500.0, 0.8456, 278.4),
        (2000.0, 0.7950, 275.2),
    ):  # fmt: skip
        assert air.standard_pressure_pa(altitude_m) / 1e5 == pytest.approx(bar, abs=5e-5)
        assert air.standard_temperature_k(altitude_m) == pytest.approx(kelvin, abs=0.05)


@pytest.mark.outside(source="40 CFR 1065.630 worked example")
def test_gravity_example():
    # 45 degrees: 9.8061992026 m/s2
    assert air.normal_gravity_m_s2(latitude_deg=45.0) == pytest.approx(9.8061992026, abs=1e-9)


@pytest.mark.outside(source="GRS 80 (Moritz, J. Geodesy 74, 2000): gravity at a pole (from memory)")
def test_gravity_at_the_poles():
    for latitude_deg in (-90.0, 90.0):
        ours = air.normal_gravity_m_s2(latitude_deg=latitude_deg)
        assert ours == pytest.approx(9.8321863685, abs=5e-11)


@pytest.mark.outside(source="SciPy constants (CODATA)")
def test_standard_gravity():
    assert pytest.importorskip("scipy.constants").g == air.STANDARD_GRAVITY_M_S2


@pytest.mark.outside(source="SAE J1349: reference conditions of 77 °F and 29.234 inHg dry")
def test_reference_conditions_give_one():
    result = air.correction_sae_j1349(
        temperature_k=(77.0 + 459.67) / 1.8,
        pressure_abs_pa=29.234 * 3386.389,
        relative_humidity=0.0,
    )
    # 990 hPa are 29.2347 inHg: the last digit is cut, not rounded, and weighs 1.18 times 3.4e-5.
    assert result.factor == pytest.approx(1.0, abs=4e-5)
