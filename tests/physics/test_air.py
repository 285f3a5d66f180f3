import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuninglib.physics import air

TEMPERATURES = st.floats(225.0, 332.0)
CORRECTIONS = [air.correction_sae_j1349, air.correction_iso_1585]
MILD = {"temperature_k": 293.15, "pressure_abs_pa": 100e3, "relative_humidity": 0.5}


@given(TEMPERATURES)
def test_dew_point_of_saturated_air_is_its_temperature(temperature_k):
    vapour_pa = air.vapour_pressure_pa(temperature_k, 1.0)
    assert air.dew_point_k(vapour_pa) == pytest.approx(temperature_k, abs=1e-9)


@pytest.mark.parametrize("limit_k", [223.15, 333.15])
def test_dew_point_reaches_the_limits(limit_k):
    assert air.dew_point_k(air.saturation_pressure_pa(limit_k)) == pytest.approx(limit_k, abs=1e-9)


@given(st.floats(-900.0, 10000.0))
def test_standard_atmosphere_is_in_balance(altitude_m):
    # dp/dz = -ρ·g with gravity falling as (r/(r + z))².
    step = 1.0
    slope = (
        air.standard_pressure_pa(altitude_m + step) - air.standard_pressure_pa(altitude_m - step)
    ) / (2 * step)
    gas_constant = 287.05287
    density = air.standard_pressure_pa(altitude_m) / (
        gas_constant * air.standard_temperature_k(altitude_m)
    )
    gravity = 9.80665 * (6356766 / (6356766 + altitude_m)) ** 2
    assert slope == pytest.approx(-density * gravity, rel=1e-6)


def test_gravity_falls_with_altitude():
    # 3.086e-6 per second squared is the textbook free-air gradient.
    low, high = (air.normal_gravity_m_s2(latitude_deg=45.0, altitude_m=z) for z in (0.0, 1000.0))
    assert (low - high) / 1000 == pytest.approx(3.086e-6, abs=3e-9)


@pytest.mark.parametrize("correction", CORRECTIONS)
def test_thin_air_is_corrected_upwards_and_never_clamped(correction):
    result = correction(temperature_k=303.15, pressure_abs_pa=80e3, relative_humidity=0.5)
    assert result.factor > 1.25
    assert result.within_limits is False


@pytest.mark.parametrize("correction", CORRECTIONS)
def test_vapour_counts_as_no_air(correction):
    dry, moist = (
        correction(temperature_k=298.15, pressure_abs_pa=99e3, relative_humidity=humidity).factor
        for humidity in (0.0, 1.0)
    )
    assert dry == pytest.approx(1.0, abs=1e-12)
    vapour_share = air.saturation_pressure_pa(298.15) / 99e3
    assert moist - 1 == pytest.approx(1.2 * vapour_share, rel=0.05)


@pytest.mark.parametrize(
    ("correction", "standard", "limits"),
    [
        (air.correction_sae_j1349, "SAE J1349", (0.95, 1.05)),
        (air.correction_iso_1585, "ISO 1585", (0.93, 1.07)),
    ],
)
def test_limits_follow_the_factor(correction, standard, limits):
    pressure_pa = np.linspace(85e3, 108e3, 231)
    result = correction(temperature_k=298.15, pressure_abs_pa=pressure_pa, relative_humidity=0.0)
    assert (result.standard, result.limits) == (standard, limits)
    inside = result.factor[result.within_limits]
    outside = result.factor[~result.within_limits]
    assert limits[0] <= inside.min() < limits[0] + 0.002
    assert limits[1] - 0.002 < inside.max() <= limits[1]
    assert outside.min() < limits[0]
    assert outside.max() > limits[1]


@pytest.mark.parametrize("correction", CORRECTIONS)
def test_within_limits_is_bool_or_array(correction):
    assert correction(**MILD).within_limits is True
    several = correction(**{**MILD, "pressure_abs_pa": np.array([100e3, 80e3])})
    assert several.within_limits.tolist() == [True, False]


@pytest.mark.parametrize("function", [air.air_density_kg_m3, *CORRECTIONS])
@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("temperature_k", 20.0, r"air temperature is 20 K but must be .* degC plus 273.15"),
        ("pressure_abs_pa", 1013.0,
         r"air pressure is 1013 Pa but must be .* 1013 hPa is 101300 Pa"),
        ("pressure_abs_pa", -1.0, r"air pressure is -1 Pa but must be at least"),
        ("relative_humidity", 55.0, r"relative humidity is 55 but must be at most 1; 55 % is 0.55"),
        ("relative_humidity", -0.1, r"relative humidity is -0.1 but must be at least 0"),
    ],
)  # fmt: skip
def test_non_physical_air_is_refused(function, key, value, message):
    with pytest.raises(ValueError, match=message):
        function(**{**MILD, key: value})


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: air.dew_point_k(0.0), "vapour pressure is 0 Pa but must be at least"),
        (lambda: air.dew_point_k(101325.0), "vapour pressure is 101325 Pa .*; give pascals"),
        (lambda: air.standard_pressure_pa(12000.0), "is 12000 m but must be at most 11000 m"),
        (lambda: air.standard_temperature_k(-2000.0), "altitude is -2000 m .*; give metres above"),
        (lambda: air.normal_gravity_m_s2(latitude_deg=91.0), "latitude is 91 deg .*; give degrees"),
        (lambda: air.normal_gravity_m_s2(latitude_deg=45.0, altitude_m=2e4), "altitude is 20000 m"),
    ],
)  # fmt: skip
def test_out_of_range_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
