"""Wheel force from several points of one run."""

import numpy as np
import pytest

from tuninglib.physics.motion import Hill, Ride, exit_speed_m_s
from tuninglib.statistics.force_against_speed import wheel_force_from_points

HILL = Hill([150.0, 250.0], [0.05, 0.065])
ROAD = {
    "mass_kg": 205.0,
    "rotating_mass_kg": 8.0,
    "air_density_kg_m3": 1.17,
    "drag_area_m2": 0.57,
    "rolling_coefficient": 0.016,
}
RIDE = Ride(hill=HILL, **ROAD)
DISTANCES = np.array([0.0, 60.0, 150.0, 220.0, 330.0, 400.0])


def ridden(distances, wind=0.0, force=290.0, entry=12.5):
    """Speeds at distances, each from the start line over its own piece of road."""
    speeds = []
    for s in distances:
        if s == 0:
            speeds.append(entry)
            continue
        hill = Hill([150.0, s - 150.0], [0.05, 0.065]) if s > 150 else Hill(s, 0.05)
        own = Ride(hill=hill, wind_m_s=wind, **ROAD)
        speeds.append(exit_speed_m_s(own, force_n=force, entry_speed_m_s=entry))
    return np.array(speeds)


@pytest.mark.parametrize("wind", [0.0, 2.0])
def test_exact_points_give_the_exact_force(wind):
    found = wheel_force_from_points(
        Ride(hill=HILL, wind_m_s=wind, **ROAD),
        distance_m=DISTANCES,
        speed_m_s=ridden(DISTANCES, wind),
    )
    assert found.force_n.value == pytest.approx(290.0, rel=1e-6)
    assert found.entry_speed_m_s.value == pytest.approx(12.5, rel=1e-7)
    assert found.residual_sd_m_s < 1e-6


def test_interval_holds_the_force_and_more_points_narrow_it():
    rng = np.random.default_rng(4)
    few, many = DISTANCES, np.linspace(0, 400, 40)
    held, widths = [], []
    for _ in range(150):
        found = [
            wheel_force_from_points(
                RIDE, distance_m=s, speed_m_s=ridden(s) + 0.15 * rng.standard_normal(s.size)
            ).force_n
            for s in (few, many)
        ]
        held += [one.low <= 290 <= one.high for one in found]
        widths.append([one.high - one.low for one in found])
    assert np.mean(held) == pytest.approx(0.95, abs=0.04)
    few_width, many_width = np.mean(widths, axis=0)
    assert many_width < 0.5 * few_width


@pytest.mark.parametrize(
    ("distances", "speeds", "message"),
    [
        ([0.0, 400.0], [12.0, 17.0], "2 distances and 2 speeds do not make three points"),
        ([0.0, 200.0, 200.0], [12.0, 17.0, 17.1], "do not make three points"),
        ([0.0, 200.0, 500.0], [12.0, 15.0, 17.0], "distance is 500 m but must be at most 400 m"),
        ([0.0, 200.0, 400.0], [12.0, 0.0, 17.0], "speed is 0 m/s"),
    ],
)
def test_refusals(distances, speeds, message):
    with pytest.raises(ValueError, match=message):
        wheel_force_from_points(RIDE, distance_m=distances, speed_m_s=speeds)
