"""Moist air, standard atmosphere, gravity and corrections against standards and libraries."""

import math

import pytest

from tuninglib.physics import air

IAPWS_95 = pytest.mark.outside(source="IAPWS-95, as CoolProp computes it")
IF97 = pytest.mark.outside(source="IAPWS R7-97(2012), verification table 35")
CFR_1065_645 = pytest.mark.outside(source="40 CFR 1065.645 worked examples")
PSYCHROLIB = pytest.mark.outside(source="PsychroLib (ASHRAE Handbook of Fundamentals)")
COOLPROP_AIR = pytest.mark.outside(source="CoolProp humid air (virial equation, ASHRAE RP-1485)")
AMBIANCE = pytest.mark.outside(source="ambiance (ICAO standard atmosphere 1993)")

INCH_MERCURY_PA = 3386.389  # at 0 degC


def psychrolib():
    library = pytest.importorskip("psychrolib")
    library.SetUnitSystem(library.SI)
    return library


def fahrenheit_k(fahrenheit):
    return (fahrenheit + 459.67) / 1.8


@IAPWS_95
@pytest.mark.parametrize("celsius", [1.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0])
def test_saturation_pressure(celsius):
    properties = pytest.importorskip("CoolProp.CoolProp")
    reference = properties.PropsSI("P", "T", celsius + 273.15, "Q", 0, "Water")
    assert air.saturation_pressure_pa(celsius + 273.15) == pytest.approx(reference, rel=1e-4)


@IF97
def test_saturation_pressure_in_the_verification_table():
    # Table 35: 300 K, 0.353 658 941e-2 MPa (from memory)
    assert air.saturation_pressure_pa(300.0) == pytest.approx(3536.58941, abs=5e-6)


@pytest.mark.outside(source="IAPWS-IF97, as chemicals computes it")
@pytest.mark.parametrize("temperature_k", [273.16, 288.15, 300.0, 313.15, 333.15])
def test_saturation_pressure_and_dew_point_against_the_same_standard(temperature_k):
    iapws = pytest.importorskip("chemicals.iapws")
    pressure_pa = iapws.Psat_IAPWS(temperature_k)
    assert air.saturation_pressure_pa(temperature_k) == pytest.approx(pressure_pa, rel=1e-12)
    assert air.dew_point_k(pressure_pa) == pytest.approx(iapws.Tsat_IAPWS(pressure_pa), abs=1e-9)


@pytest.mark.outside(source="Wexler, J. Res. NBS 80A (1976): triple point of water")
def test_saturation_pressure_at_the_triple_point():
    # 611.657 Pa at 273.16 K
    assert air.saturation_pressure_pa(273.16) == pytest.approx(611.657, abs=0.01)


@pytest.mark.outside(source="Murphy and Koop, Q. J. R. Meteorol. Soc. 131 (2005), eq 10 (memory)")
@pytest.mark.parametrize("celsius", [-30.0, -20.0, -10.0, 0.0])
def test_saturation_pressure_over_supercooled_water(celsius):
    t = celsius + 273.15
    log_pressure = (
        54.842763
        - 6763.22 / t
        - 4.210 * math.log(t)
        + 0.000367 * t
        + math.tanh(0.0415 * (t - 218.8))
        * (53.878 - 1331.22 / t - 9.44523 * math.log(t) + 0.014025 * t)
    )
    assert air.saturation_pressure_pa(t) == pytest.approx(math.exp(log_pressure), rel=6e-4)


@CFR_1065_645
def test_vapour_pressure_example():
    # 282.65 K: 1.186581 kPa, by an older formula, hence 0.1 %
    assert air.saturation_pressure_pa(282.65) == pytest.approx(1186.581, rel=1e-3)


@CFR_1065_645
def test_water_mole_fraction_example():
    # 50.77 %, saturation 2.3371 kPa (that of 20 degC), 99.980 kPa: 0.011868; older formula
    fraction = air.vapour_pressure_pa(293.15, 0.5077) / 99_980
    assert fraction == pytest.approx(0.011868, rel=1.2e-3)


@CFR_1065_645
def test_dew_point_example():
    # 925.717 Pa: 279.001 K, by an older formula
    assert air.dew_point_k(925.717) == pytest.approx(279.001, abs=0.02)


# 20.5 % at 26.09 °C (saturation 3.382 kPa) and 99.05 kPa: 4.378 g of water in a kg of dry air, with
# a factor of 6.211 for ours of 6.220.
@pytest.mark.outside(source="40 CFR 86.544-90(d), worked example of humidity")
def test_humidity_example():
    assert air.saturation_pressure_pa(299.24) == pytest.approx(3382.0, abs=1.5)
    vapour_pa = air.vapour_pressure_pa(299.24, 0.205)
    ours = 1000 * 18.01528 / 28.96559 * vapour_pa / (99_050 - vapour_pa)
    assert ours == pytest.approx(4.378, rel=2e-3)


# Molar mass of moist air [g/mol] by dew point [°C], at 91.66 kPa; of dry air 28.96559. Densities of
# ideal gases are as their molar masses.
@pytest.mark.outside(source="40 CFR 1065.640(c)(4), table 3: molar mass of dilution air")
@pytest.mark.parametrize(
    ("dew_point", "molar_mass"),
    [
        (0, 28.89263), (5, 28.86148), (10, 28.81911), (15, 28.76224), (20, 28.68685),
        (25, 28.58806), (30, 28.46005),
    ],
)  # fmt: skip
def test_moist_air_is_lighter_by_the_printed_molar_masses(dew_point, molar_mass):
    at = {"temperature_k": 308.15, "pressure_abs_pa": 91_660.0}
    humidity = air.saturation_pressure_pa(dew_point + 273.15) / air.saturation_pressure_pa(308.15)
    moist, dry = (air.air_density_kg_m3(**at, relative_humidity=h) for h in (humidity, 0.0))
    assert moist / dry == pytest.approx(molar_mass / 28.96559, abs=1e-4)


# On a road test at -7 °C all coefficients are a tenth higher; so is the air's density, from 20 °C.
@pytest.mark.outside(source="40 CFR 1066.305(b): cold road load")
def test_cold_air_is_denser_by_the_tenth_of_a_cold_road_load():
    cold, usual = (density(t, 98_210.0, 0.0) for t in (-7.0, 20.0))
    assert cold / usual == pytest.approx(1.1, abs=0.005)


@PSYCHROLIB
@pytest.mark.parametrize(
    ("celsius", "humidity"), [(5.0, 0.9), (15.0, 0.5), (25.0, 0.6), (30.0, 0.5), (38.0, 0.2)]
)
def test_dew_point(celsius, humidity):
    reference = psychrolib().GetTDewPointFromRelHum(celsius, humidity)
    ours = air.dew_point_k(air.vapour_pressure_pa(celsius + 273.15, humidity))
    assert ours - 273.15 == pytest.approx(reference, abs=0.02)


AIR_CASES = [  # degC, Pa, relative humidity
    (20.0, 101325.0, 0.5),
    (15.0, 101325.0, 0.0),
    (25.0, 101325.0, 0.6),
    (35.0, 95000.0, 0.8),
    (5.0, 102500.0, 0.3),
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


@pytest.mark.outside(source="CIPM-2007 (Picard et al., Metrologia 45, 2008; constants from memory)")
@pytest.mark.parametrize(("celsius", "pressure_pa", "humidity"), AIR_CASES)
def test_density_of_the_metrologists_formula(celsius, pressure_pa, humidity):
    t = celsius + 273.15
    saturation = math.exp(1.2378847e-5 * t**2 - 1.9121316e-2 * t + 33.93711047 - 6.3431645e3 / t)
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * celsius**2
    x = humidity * enhancement * saturation / pressure_pa
    z = (
        1
        - pressure_pa
        / t
        * (
            1.58123e-6
            - 2.9331e-8 * celsius
            + 1.1043e-10 * celsius**2
            + (5.707e-6 - 2.051e-8 * celsius) * x
            + (1.9898e-4 - 2.376e-6 * celsius) * x**2
        )
        + (pressure_pa / t) ** 2 * (1.83e-11 - 0.765e-8 * x**2)
    )
    reference = 28.96546e-3 * pressure_pa / (z * 8.314472 * t) * (1 - 0.3780 * x)
    assert 1e-4 < reference / density(celsius, pressure_pa, humidity) - 1 < 6e-4


@AMBIANCE
@pytest.mark.parametrize("altitude_m", [-300.0, 0.0, 500.0, 1000.0, 2000.0, 3500.0])
def test_standard_atmosphere(altitude_m):
    reference = pytest.importorskip("ambiance").Atmosphere(altitude_m)
    temperature_k = air.standard_temperature_k(altitude_m)
    pressure_pa = air.standard_pressure_pa(altitude_m)
    assert temperature_k == pytest.approx(reference.temperature[0], abs=1e-6)
    assert pressure_pa == pytest.approx(reference.pressure[0], rel=1e-6)
    dry = density(temperature_k - 273.15, pressure_pa, 0.0)
    assert dry == pytest.approx(reference.density[0], rel=5e-5)


@pytest.mark.outside(source="International standard atmosphere, handbook table")
@pytest.mark.parametrize(
    ("altitude_m", "bar", "kelvin"),
    [
        (500.0, 0.9546, 284.9),
        (1000.0, 0.8988, 281.7),
        (1500.0, 0.8456, 278.4),
        (2000.0, 0.7950, 275.2),
    ],
)
def test_standard_atmosphere_table(altitude_m, bar, kelvin):
    assert air.standard_pressure_pa(altitude_m) / 1e5 == pytest.approx(bar, abs=5e-5)
    assert air.standard_temperature_k(altitude_m) == pytest.approx(kelvin, abs=0.05)


@pytest.mark.outside(source="40 CFR 1065.630 worked example")
def test_gravity_example():
    # 45 degrees: 9.8061992026 m/s2
    assert air.normal_gravity_m_s2(latitude_deg=45.0) == pytest.approx(9.8061992026, abs=1e-9)


@pytest.mark.outside(source="40 CFR 1065.630 formula (coefficients from memory)")
@pytest.mark.parametrize("latitude_deg", [-60.0, 0.0, 15.0, 30.0, 52.0, 75.0, 90.0])
def test_gravity_by_the_series(latitude_deg):
    s = math.sin(math.radians(latitude_deg)) ** 2
    series = 1 + 5.2790414e-3 * s + 2.32718e-5 * s**2 + 1.262e-7 * s**3 + 7e-10 * s**4
    ours = air.normal_gravity_m_s2(latitude_deg=latitude_deg)
    assert ours == pytest.approx(9.7803267715 * series, abs=1e-8)


@pytest.mark.outside(source="WGS 84 normal gravity (NGA)")
@pytest.mark.parametrize(
    # WGS 84 differs from GRS 80 by 1.4e-6 m/s2
    ("latitude_deg", "altitude_m", "printed"),
    [
        (0.0, 0.0, 9.780325),
        (45.0, 0.0, 9.806198),
        (60.0, 0.0, 9.819177),
        (90.0, 0.0, 9.832185),
        (45.0, 1000.0, 9.80311),
    ],
)
def test_gravity_of_the_other_ellipsoid(latitude_deg, altitude_m, printed):
    ours = air.normal_gravity_m_s2(latitude_deg=latitude_deg, altitude_m=altitude_m)
    assert ours == pytest.approx(printed, abs=5e-6)


@pytest.mark.outside(source="SciPy constants (CODATA)")
def test_standard_gravity():
    assert pytest.importorskip("scipy.constants").g == air.STANDARD_GRAVITY_M_S2


@pytest.mark.outside(source="Reference conditions of SAE J1349: 77 °F, 29.234 inHg dry")
@pytest.mark.parametrize("correction", [air.correction_sae_j1349, air.correction_iso_1585])
def test_reference_conditions_give_one(correction):
    result = correction(
        temperature_k=fahrenheit_k(77.0),
        pressure_abs_pa=29.234 * INCH_MERCURY_PA,
        relative_humidity=0.0,
    )
    # 29.234 has half a digit of 2e-5, raised to 1.2.
    assert result.factor == pytest.approx(1.0, abs=3e-5)


@pytest.mark.outside(source="SAE J607, worked examples as printed")
@pytest.mark.parametrize(
    ("fahrenheit", "humidity", "inch_mercury", "printed"),
    [(85.0, 0.85, 28.85, 1.1005), (55.0, 0.35, 30.10, 0.994)],
)
def test_dry_pressure_in_the_worked_examples_of_an_older_code(
    fahrenheit, humidity, inch_mercury, printed
):
    # 29.92/pd·√((F + 460)/520): pd is what is left without vapour.
    vapour_pa = air.vapour_pressure_pa(fahrenheit_k(fahrenheit), humidity)
    dry_inch_mercury = inch_mercury - vapour_pa / INCH_MERCURY_PA
    ours = 29.92 / dry_inch_mercury * math.sqrt((fahrenheit + 460) / 520)
    assert ours == pytest.approx(printed, abs=1e-3)
