"""Engine sums against published worked examples."""

import pytest

from tuninglib.physics import engine


# Shaft speed [r/min], torque [N·m] and power [kW].
@pytest.mark.outside(source="40 CFR 1065.650(d) and (e), worked examples of power")
def test_power_of_a_shaft():
    for rpm, torque, power_kw, digit in (
        (1800.2, 177.23, 33.41, 0.005), (1805.8, 175.00, 33.09, 0.005),
        (3584.5, 121.50, 45.607, 5e-4),
    ):  # fmt: skip
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
