import math

import pytest

from tuninglib.physics import engine


@pytest.mark.parametrize(
    # π/4·bore²·stroke by hand
    ("bore_mm", "stroke_mm", "cm3"),
    [(50.0, 50.0, 98.175), (56.0, 60.0, 147.781), (60.0, 54.0, 152.681)],
)
def test_displacement(bore_mm, stroke_mm, cm3):
    volume = engine.displacement_m3(bore_m=bore_mm / 1000, stroke_m=stroke_mm / 1000)
    assert volume * 1e6 == pytest.approx(cm3, abs=5e-4)


def test_compression_ratio():
    # 150/16.5 + 1
    ratio = engine.compression_ratio(swept_volume_m3=150e-6, clearance_volume_m3=16.5e-6)
    assert ratio == pytest.approx(10.0909, abs=5e-5)


def test_larger_bore_under_the_same_head_raises_compression():
    small, large = (
        engine.compression_ratio(
            swept_volume_m3=engine.displacement_m3(bore_m=bore_m, stroke_m=0.06),
            clearance_volume_m3=16e-6,
        )
        for bore_m in (0.056, 0.062)
    )
    assert (large - 1) / (small - 1) == pytest.approx((62 / 56) ** 2, rel=1e-12)


def test_mean_piston_speed():
    # 2·0.0579·8500/60
    speed = engine.mean_piston_speed_m_s(stroke_m=0.0579, engine_speed_rpm=8500.0)
    assert speed == pytest.approx(16.405, abs=5e-4)


@pytest.mark.parametrize(
    ("rpm", "milliseconds"), [(6000, 20.0), (8000, 15.0), (9000.0, 40 / 3), (10000, 12.0)]
)
def test_cycle_time(rpm, milliseconds):
    assert engine.cycle_time_s(rpm) * 1000 == pytest.approx(milliseconds, rel=1e-12)


def test_air_and_fuel_of_a_cycle():
    air_kg = engine.air_mass_per_cycle_kg(
        displacement_m3=150e-6, air_density_kg_m3=1.184, volumetric_efficiency=0.85
    )
    assert air_kg * 1e6 == pytest.approx(150.96, abs=5e-3)
    fuel_kg = engine.fuel_mass_per_cycle_kg(
        air_mass_kg=air_kg, lambda_=0.88, stoichiometric_ratio=14.1
    )
    assert fuel_kg * 1e6 == pytest.approx(12.166, abs=5e-4)


# Every function with good arguments; every argument but those listed must be positive.
GOOD = [
    (engine.displacement_m3, {"bore_m": 0.057, "stroke_m": 0.058, "cylinders": 1}),
    (engine.compression_ratio, {"swept_volume_m3": 150e-6, "clearance_volume_m3": 16e-6}),
    (engine.mean_piston_speed_m_s, {"stroke_m": 0.058, "engine_speed_rpm": 8500.0}),
    (engine.torque_n_m, {"power_w": 9000.0, "engine_speed_rpm": 8000.0}),
    (engine.cycle_time_s, {"engine_speed_rpm": 8000.0}),
    (engine.air_mass_per_cycle_kg,
     {"displacement_m3": 150e-6, "air_density_kg_m3": 1.18, "volumetric_efficiency": 0.85}),
    (engine.fuel_mass_per_cycle_kg,
     {"air_mass_kg": 150e-6, "lambda_": 0.88, "stoichiometric_ratio": 14.0}),
]  # fmt: skip
MAY_BE_NEGATIVE = {"power_w"}  # an engine that is dragged
ONE_BY_ONE = [(function, good, key) for function, good in GOOD for key in good]


@pytest.mark.parametrize(
    ("function", "good", "key"), [case for case in ONE_BY_ONE if case[2] not in MAY_BE_NEGATIVE]
)
@pytest.mark.parametrize("wrong", [0.0, -1.0, math.inf])
def test_non_physical_input_is_refused(function, good, key, wrong):
    with pytest.raises(ValueError, match=r"^[a-z -]+ is (0|-1|inf).* but must be .*; \w+"):
        function(**{**good, key: wrong})


@pytest.mark.parametrize("key", ["bore_m", "stroke_m"])
def test_millimetres_are_not_taken_for_metres(key):
    good = {"bore_m": 0.057, "stroke_m": 0.058}
    with pytest.raises(ValueError, match=r"is 57 m but must be at most 0.5 m; 57 mm is"):
        engine.displacement_m3(**{**good, key: 57.0})


def test_per_cent_is_not_taken_for_a_fraction():
    with pytest.raises(
        ValueError, match=r"volumetric efficiency is 85 but must be at most 2; 0.85 is 85 %"
    ):
        engine.air_mass_per_cycle_kg(
            displacement_m3=150e-6, air_density_kg_m3=1.18, volumetric_efficiency=85.0
        )
