"""Engine sums against worked examples and textbook formulas in practical units."""

import pytest

from tuninglib.physics import engine


# Definitions in practical units, typed once more (Heywood, from memory): no outside value.
@pytest.mark.parametrize(("torque_n_m", "litres"), [(10.0, 0.150), (11.5, 0.1478), (95.0, 1.0)])
def test_mean_pressure_from_torque(torque_n_m, litres):
    # Eq 2.20b (from memory): mep [kPa] = 6.28·n_R·T [N·m]/V_d [dm3], n_R = 2 for a four-stroke
    ours = engine.brake_mean_effective_pressure_pa(
        torque_n_m=torque_n_m, displacement_m3=litres * 1e-3
    )
    assert ours / 1000 == pytest.approx(6.28 * 2 * torque_n_m / litres, rel=0.005 / 6.28)


def test_mean_pressure_from_torque_in_pounds():
    # Eq 2.20a (from memory): mep [lb/in2] = 75.4·n_R·T [lbf·ft]/V_d [in3]
    ours = engine.brake_mean_effective_pressure_pa(
        torque_n_m=8.0 * 1.3558179, displacement_m3=9.15 * 0.0254**3
    )
    assert ours / 6894.757 == pytest.approx(75.4 * 2 * 8.0 / 9.15, rel=0.05 / 75.4)


@pytest.mark.parametrize(
    ("power_kw", "rpm", "litres"), [(9.0, 8000.0, 0.150), (7.2, 7500.0, 0.1478)]
)
def test_mean_pressure_from_power(power_kw, rpm, litres):
    # Eq 2.19b (from memory): mep [kPa] = P [kW]·n_R·1000/(V_d [dm3]·N [rev/s])
    torque = engine.torque_n_m(power_w=power_kw * 1000, engine_speed_rpm=rpm)
    ours = engine.brake_mean_effective_pressure_pa(torque_n_m=torque, displacement_m3=litres * 1e-3)
    assert ours / 1000 == pytest.approx(power_kw * 2 * 1000 / (litres * rpm / 60), rel=1e-9)


@pytest.mark.outside(source="Definition of mechanical horsepower: 33 000 ft·lbf/min; 5252 rpm rule")
@pytest.mark.parametrize(
    ("horsepower", "rpm", "foot_pounds"), [(100.0, 5252.0, 100.0), (10.0, 5252.0, 10.0)]
)
def test_torque_from_power(horsepower, rpm, foot_pounds):
    # lbf·ft equals horsepower at 5252 rpm
    torque = engine.torque_n_m(power_w=horsepower * 745.69987, engine_speed_rpm=rpm)
    assert torque / 1.3558179 == pytest.approx(foot_pounds, rel=0.5 / 5252)


# Shaft speed [r/min], torque [N·m] and power [kW].
@pytest.mark.outside(source="40 CFR 1065.650(d) and (e), worked examples of power")
@pytest.mark.parametrize(
    ("rpm", "torque", "power_kw", "digit"),
    [
        (1800.2, 177.23, 33.41, 0.005),
        (1805.8, 175.00, 33.09, 0.005),
        (3584.5, 121.50, 45.607, 5e-4),
    ],
)
def test_power_of_a_shaft(rpm, torque, power_kw, digit):
    ours = engine.torque_n_m(power_w=power_kw * 1000, engine_speed_rpm=rpm)
    assert ours == pytest.approx(torque, abs=torque * digit / power_kw)


# 3.0 L, four-stroke, 2800 r/min, volumetric efficiency 0.9, 300 kPa and 348.15 K: 6.53 mol/s.
@pytest.mark.outside(source="40 CFR 1065.602(l), worked example of the flow of intake air")
def test_air_that_an_engine_draws():
    mole_m3 = 300e3 / (8.314472 * 348.15)
    per_cycle = engine.air_mass_per_cycle_kg(
        displacement_m3=3e-3, air_density_kg_m3=mole_m3 * 0.02897, volumetric_efficiency=0.9
    )
    assert per_cycle / 0.02897 / engine.cycle_time_s(2800.0) == pytest.approx(6.53, abs=0.005)


@pytest.mark.parametrize("rpm", [3000.0, 9000.0])
def test_air_flow_from_volumetric_efficiency(rpm):
    # Eq 2.27a (from memory): η = 2·ṁ/(ρ·V_d·N), N in rev/s
    per_cycle_kg = engine.air_mass_per_cycle_kg(
        displacement_m3=150e-6, air_density_kg_m3=1.184, volumetric_efficiency=0.85
    )
    flow_kg_s = per_cycle_kg / engine.cycle_time_s(rpm)
    assert 2 * flow_kg_s / (1.184 * 150e-6 * rpm / 60) == pytest.approx(0.85, rel=1e-12)


# Worked by hand from the exponents of Schey and Pinkel (NACA, 1936): with the power to 0.38 and the
# flow of cooling air to -0.39.
@pytest.mark.parametrize(
    ("power_ratio", "air_ratio", "expected"),
    [
        (1.10, 1.00, 1.0369),  # 1.1^0.38
        (1.00, 1.10, 0.9635),  # 1.1^-0.39
    ],
)
def test_head_temperature_scaling(power_ratio, air_ratio, expected):
    ours = engine.head_temperature_difference_ratio(power_ratio, air_ratio)
    assert ours == pytest.approx(expected, abs=5e-5)
