"""Motion under a force that changes with speed, predictions and top speed."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tuninglib.physics.motion import (
    Hill,
    Ride,
    exit_speed_at_power_m_s,
    exit_speed_by_steps_m_s,
    exit_speed_m_s,
    mean_power_w,
    predict_exit_speed,
    wheel_force_n,
    wheel_power_w,
)
from tuninglib.physics.road_load import top_speed_at_force_m_s, top_speed_at_power_m_s

ROAD = {
    "mass_kg": 205.0,
    "rotating_mass_kg": 8.0,
    "air_density_kg_m3": 1.17,
    "drag_area_m2": 0.57,
    "rolling_coefficient": 0.016,
}
OUTPUT = {"force_n": 300.0, "power_w": 4600.0, "entry_speed_m_s": 12.0}
BENT = Hill([150.0, 250.0], [0.045, 0.065])


def ride(hill=BENT, **changes):
    """A ride on one of the hills, otherwise as in ROAD."""
    return Ride(hill=hill, **(ROAD | changes))


FORCES = {
    "constant power": lambda v: 4600.0 / v,
    "torque curve": lambda v: 310.0 * (1 - ((v - 14.0) / 27.0) ** 2),
    "falling": lambda v: 420.0 - 9.0 * v,
}


# The equation of motion is ours; scipy only integrates it, so this is no outside check.
@pytest.mark.parametrize("name", FORCES)
@pytest.mark.parametrize("entry", [9.0, 13.0, 21.0])
@pytest.mark.parametrize("wind", [0.0, 2.5])
def test_steps_agree_with_an_integrator(name, entry, wind):
    force, speed = FORCES[name], entry
    for length, grade in zip(BENT.lengths_m, BENT.grade_ratios, strict=True):
        angle = np.arctan(grade)
        climb = 205.0 * 9.80665 * (np.sin(angle) + 0.016 * np.cos(angle))

        def slope(_, y, climb=climb):
            return (force(y) - climb - 0.5 * 1.17 * 0.57 * (y + wind) ** 2) / (213.0 * y)

        found = solve_ivp(slope, (0, length), [speed], method="DOP853", rtol=1e-12, atol=1e-12)
        speed = found.y[0, -1]
    ours = exit_speed_by_steps_m_s(ride(wind_m_s=wind), force_at=force, entry_speed_m_s=entry)
    assert ours == pytest.approx(speed, rel=1e-8)


def test_steps_agree_with_the_closed_form():
    for wind in (0.0, 2.0):
        own = ride(wind_m_s=wind)
        stepped = exit_speed_by_steps_m_s(
            own, force_at=lambda v: 300.0 + 0 * v, entry_speed_m_s=12.0
        )
        closed = exit_speed_m_s(own, force_n=300.0, entry_speed_m_s=12.0)
        assert stepped == pytest.approx(closed, rel=1e-9)


def test_power_and_exit_speed_undo_each_other():
    entry = np.array([10.0, 14.0])
    power = wheel_power_w(ride(), entry_speed_m_s=entry, exit_speed_m_s=np.array([16.0, 15.0]))
    back = exit_speed_at_power_m_s(ride(), power_w=power, entry_speed_m_s=entry)
    assert back == pytest.approx([16.0, 15.0], rel=1e-10)


def test_mean_power_is_force_times_mean_speed():
    force = wheel_force_n(ride(), entry_speed_m_s=12.0, exit_speed_m_s=18.0)
    power = mean_power_w(ride(), force_n=force, entry_speed_m_s=12.0)
    assert force * 12 < power < force * 18
    # Constant power that reaches the same speed pulls harder at first: it takes less time, and
    # is a few per cent more.
    constant = wheel_power_w(ride(), entry_speed_m_s=12.0, exit_speed_m_s=18.0)
    assert 1.0 < constant / power < 1.1


def test_prediction_in_the_same_conditions_is_the_same_speed():
    force = wheel_force_n(ride(), entry_speed_m_s=12.0, exit_speed_m_s=18.0)
    power = wheel_power_w(ride(), entry_speed_m_s=12.0, exit_speed_m_s=18.0)
    found = predict_exit_speed(ride(), force_n=force, power_w=power, entry_speed_m_s=12.0)
    assert found.at_force_m_s == pytest.approx(18.0, rel=1e-10)
    assert found.at_power_m_s == pytest.approx(18.0, rel=1e-6)


def test_a_heavier_rider_and_thinner_air_slow_it_down():
    light = predict_exit_speed(ride(), **OUTPUT)
    heavy = predict_exit_speed(ride(mass_kg=235.0), **OUTPUT)
    thin = predict_exit_speed(ride(), engine_factor=0.9, **OUTPUT)
    assert heavy.at_force_m_s < light.at_force_m_s
    assert heavy.at_power_m_s < light.at_power_m_s
    assert thin.at_force_m_s < light.at_force_m_s
    assert thin.at_power_m_s < light.at_power_m_s


def test_prediction_grid_equals_single_predictions():
    masses, grades = np.meshgrid([150.0, 230.0], [0.03, 0.07, 0.5], indexing="ij")
    hill = Hill(np.full((2, 3, 1), 400.0), grades[..., None])
    grid = predict_exit_speed(ride(hill, mass_kg=masses), **OUTPUT)
    assert np.isnan(grid.at_force_m_s[:, 2]).all()
    # Constant power never stalls: it crawls at the speed at which it holds the slope.
    for i in range(2):
        steep = ride(Hill(400.0, 0.5), mass_kg=masses[i, 2])
        top = top_speed_at_power_m_s(steep, power_w=4600.0)
        assert grid.at_power_m_s[i, 2] == pytest.approx(top, rel=1e-6)
    for i in range(2):
        for j in range(2):
            own = ride(Hill(400.0, grades[i, j]), mass_kg=masses[i, j])
            one = predict_exit_speed(own, **OUTPUT)
            assert grid.at_force_m_s[i, j] == pytest.approx(one.at_force_m_s, rel=1e-12)
            assert grid.at_power_m_s[i, j] == pytest.approx(one.at_power_m_s, rel=1e-6)


@pytest.mark.parametrize("wind", [0.0, 4.0, -4.0])
@pytest.mark.parametrize("grade", [0.0, 0.03])
def test_top_speed_holds_its_force_and_power(grade, wind):
    own = ride(Hill(1000.0, grade), wind_m_s=wind)
    angle = np.arctan(grade)
    climb = 205.0 * 9.80665 * (np.sin(angle) + 0.016 * np.cos(angle))
    by_force = top_speed_at_force_m_s(own, force_n=250.0)
    need = climb + 0.5 * 1.17 * 0.57 * (by_force + wind) ** 2
    assert need == pytest.approx(250.0, rel=1e-12)
    by_power = top_speed_at_power_m_s(own, power_w=5000.0)
    need = climb + 0.5 * 1.17 * 0.57 * (by_power + wind) ** 2
    assert need * by_power == pytest.approx(5000.0, rel=1e-10)


def test_force_below_the_slope_has_no_top_speed():
    speeds = top_speed_at_force_m_s(ride(Hill(1000.0, 0.05)), force_n=np.array([50.0, 250.0]))
    assert np.isnan(speeds[0])
    assert speeds[1] > 0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: exit_speed_at_power_m_s(ride(), power_w=1e3, entry_speed_m_s=0.0),
            "entry speed is 0 m/s",
        ),
        (lambda: top_speed_at_power_m_s(ride(Hill(1000.0, 0.0)), power_w=0.0), "power is 0 W"),
        (
            lambda: top_speed_at_force_m_s(ride(Hill(1000.0, 0.0), drag_area_m2=0.0), force_n=1.0),
            "drag area is 0 m2 but must be above 0 m2; without drag there is no top",
        ),
        (
            lambda: top_speed_at_force_m_s(ride(BENT), force_n=1.0),
            "grade of the road is 0.045 to 0.065 but must be one here",
        ),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        call()
