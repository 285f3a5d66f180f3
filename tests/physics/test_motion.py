"""Motion: closed forms and steps against an integrator, limits, predictions, top speed."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from tuninglib.physics.motion import (
    Hill,
    Ride,
    climb_force_n,
    exit_speed_at_power_m_s,
    exit_speed_by_steps_m_s,
    exit_speed_m_s,
    mean_power_w,
    travel_time_s,
    wheel_force_n,
    wheel_power_w,
)
from tuninglib.physics.road_load import top_speed_at_force_m_s, top_speed_at_power_m_s

ROAD = {
    "mass_kg": 205.0, "rotating_mass_kg": 8.0, "air_density_kg_m3": 1.17, "drag_area_m2": 0.57,
    "rolling_coefficient": 0.016,
}  # fmt: skip
EVEN = Hill(400.0, 0.06)
ENDS = {"entry_speed_m_s": 12.0, "exit_speed_m_s": 18.0}
BENT = Hill([150.0, 60.0, 190.0], [0.045, -0.02, 0.085])


def ride(hill=EVEN, **changes):
    """A ride on one of the hills, otherwise as in ROAD."""
    return Ride(hill=hill, **(ROAD | changes))


def integrate(entry, force, hill, wind, road=ROAD):
    """Exit speed and time by scipy, piece by piece."""
    state = [entry, 0.0]
    m = road["mass_kg"] + road["rotating_mass_kg"]
    for length, grade in zip(hill.lengths_m, hill.grade_ratios, strict=True):
        angle = np.arctan(grade)
        climb = road["mass_kg"] * 9.80665
        climb *= np.sin(angle) + road["rolling_coefficient"] * np.cos(angle)
        k = road["air_density_kg_m3"] * road["drag_area_m2"] / 2

        def slope(_, y, climb=climb, k=k):
            return [(force - climb - k * (y[0] + wind) ** 2) / (m * y[0]), 1 / y[0]]

        found = solve_ivp(slope, (0, length), state, method="DOP853", rtol=1e-12, atol=1e-12)
        state = found.y[:, -1]
    return state


CASES = [
    (entry, force, hill, wind)
    for entry in (6.0, 13.0, 24.0)
    for force in (190.0, 300.0, 480.0)
    for hill in (EVEN, BENT)
    for wind in (0.0, 3.0, -2.5)
    if not (entry == 6.0 and force == 190.0 and hill is EVEN and wind > 0)
]


# The equation of motion is ours; scipy only integrates it, so this is no outside check.
@pytest.mark.parametrize(("entry", "force", "hill", "wind"), CASES)
def test_exit_speed_and_time_agree_with_an_integrator(entry, force, hill, wind):
    speed, time = integrate(entry, force, hill, wind)
    own, given = ride(hill, wind_m_s=wind), {"entry_speed_m_s": entry, "force_n": force}
    assert exit_speed_m_s(own, **given) == pytest.approx(speed, rel=1e-8)
    assert travel_time_s(own, **given) == pytest.approx(time, rel=1e-8)


# The equation of motion is ours; scipy only integrates it, so this is no outside check.
@pytest.mark.parametrize(("entry", "force", "hill", "wind"), CASES)
def test_wheel_force_recovers_the_force_that_an_integrator_was_given(entry, force, hill, wind):
    speed, _ = integrate(entry, force, hill, wind)
    found = wheel_force_n(ride(hill, wind_m_s=wind), entry_speed_m_s=entry, exit_speed_m_s=speed)
    assert found == pytest.approx(force, rel=1e-8)


@settings(max_examples=60)
@given(
    entry=st.floats(3, 30),
    exit_=st.floats(3, 30),
    wind=st.floats(-2.5, 10),
    grade=st.floats(-0.15, 0.2),
    length=st.floats(20, 1500),
)
def test_force_and_exit_speed_undo_each_other(entry, exit_, wind, grade, length):
    hill = Hill([length, length / 3], [grade, grade / 2])
    own = ride(hill, wind_m_s=wind)
    force = wheel_force_n(own, entry_speed_m_s=entry, exit_speed_m_s=exit_)
    back = exit_speed_m_s(own, entry_speed_m_s=entry, force_n=np.nan_to_num(force))
    # Where a steep piece would stall the bike, the force is formal without wind, NaN with it.
    assert np.isnan(force) or np.isnan(back) or back == pytest.approx(exit_, rel=1e-7)


def test_pieces_of_one_grade_are_one_even_hill():
    cut = Hill([50.0, 130.0, 220.0], [0.06, 0.06, 0.06])
    for wind in (0.0, 2.0):
        whole = wheel_force_n(ride(wind_m_s=wind), **ENDS)
        assert wheel_force_n(ride(cut, wind_m_s=wind), **ENDS) == pytest.approx(whole, rel=1e-11)


def test_wind_tends_to_calm():
    calm = wheel_force_n(ride(BENT), **ENDS)
    assert wheel_force_n(ride(BENT, wind_m_s=1e-9), **ENDS) == pytest.approx(calm, rel=1e-9)
    assert wheel_force_n(ride(BENT, wind_m_s=2.0), **ENDS) > calm + 10


def test_wheel_force_is_close_to_the_mean_of_a_falling_force():
    # The mean of a torque curve over the hill, not its value at either end.
    m, k = 213.0, 0.5 * 1.17 * 0.57
    climb = climb_force_n(ride())[0]

    def pull(v):
        return 330.0 * (1 - ((v - 14.0) / 25.0) ** 2)

    def slope(_, y):
        return [(pull(y[0]) - climb - k * y[0] ** 2) / (m * y[0]), pull(y[0])]

    found = solve_ivp(slope, (0, 400), [11.0, 0.0], rtol=1e-10, atol=1e-10).y[:, -1]
    force = wheel_force_n(ride(), entry_speed_m_s=11.0, exit_speed_m_s=found[0])
    mean = found[1] / 400
    assert force == pytest.approx(mean, rel=0.01)
    assert abs(mean / pull(11.0) - 1) < 0.01 < abs(mean / pull(found[0]) - 1)


def test_stall_is_nan_and_leaves_the_others_alone():
    force = np.array([100.0, 300.0])
    for wind in (0.0, 1.0):
        speeds = exit_speed_m_s(ride(wind_m_s=wind), force_n=force, entry_speed_m_s=8.0)
        assert np.isnan(speeds[0])
        assert speeds[1] > 8


def test_arrays_broadcast_and_equal_scalars():
    entry, exit_ = np.array([[10.0], [12.0]]), np.array([15.0, 17.0, 19.0])
    for wind in (0.0, 1.5):
        own = ride(BENT, wind_m_s=wind)
        both = wheel_force_n(own, entry_speed_m_s=entry, exit_speed_m_s=exit_)
        assert both.shape == (2, 3)
        for i in range(2):
            for j in range(3):
                one = wheel_force_n(own, entry_speed_m_s=entry[i, 0], exit_speed_m_s=exit_[j])
                assert isinstance(one, float)
                assert both[i, j] == pytest.approx(one, rel=1e-10)


def test_hills_may_differ_from_run_to_run():
    hills = Hill(np.array([[200.0, 200.0], [300.0, 150.0]]), np.array([[0.05, 0.07], [0.06, 0.02]]))
    both = wheel_force_n(ride(hills), entry_speed_m_s=12.0, exit_speed_m_s=17.0)
    for row in range(2):
        one = Hill(hills.lengths_m[row], hills.grade_ratios[row])
        force = wheel_force_n(ride(one), entry_speed_m_s=12.0, exit_speed_m_s=17.0)
        assert both[row] == pytest.approx(force, rel=1e-12)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"mass_kg": 0.0}, "mass is 0 kg.*add bike and rider"),
        ({"rotating_mass_kg": -1.0}, "rotating mass is -1 kg .*; use 0 if unknown"),
        ({"air_density_kg_m3": 0.0}, "air density is 0 kg/m3"),
        ({"drag_area_m2": -0.1}, "drag area is -0.1 m2"),
        (
            {"rolling_coefficient": 0.9},
            "rolling coefficient is 0.9 but must be at most 0.5; 0.01 to 0.02 for road",
        ),
        ({"wind_m_s": np.nan}, "wind is nan m/s but must be a finite number; use 0"),
        ({"gravity_m_s2": 0.0}, "gravity is 0 m/s2 but must be above 0 m/s2; 9.81 on this planet"),
    ],
)
def test_refusals_of_a_ride(change, message):
    with pytest.raises(ValueError, match=message):
        ride(**change)


@pytest.mark.parametrize(
    ("entry", "exit_", "wind", "message"),
    [
        (0.0, 18.0, 0.0, "entry speed is 0 m/s but must be above 0 m/s"),
        (12.0, -3.0, 0.0, "exit speed is -3 m/s"),
        (12.0, np.nan, 0.0, "exit speed is nan m/s but must be a finite number"),
        (12.0, 18.0, -14.0, "wind from behind is 2 m/s faster than the bike"),
    ],
)
def test_refusals(entry, exit_, wind, message):
    with pytest.raises(ValueError, match=message):
        wheel_force_n(ride(wind_m_s=wind), entry_speed_m_s=entry, exit_speed_m_s=exit_)


def test_only_an_even_road_has_one_grade():
    assert Hill([100.0, 50.0], [0.06, 0.06]).even_grade_ratio == 0.06
    message = "grade of the road is -0.02 to 0.085 but must be one here; give a road of one piece"
    with pytest.raises(ValueError, match=message):
        _ = BENT.even_grade_ratio


@pytest.mark.parametrize(
    ("lengths", "grades", "message"),
    [
        (0.0, 0.05, "length of the hill is 0 m"),
        (100.0, 6.0, "grade is 6 but must be at most 1; give rise over run as a ratio"),
        (
            [100.0, 50.0],
            [0.05],
            "the hill has 2 lengths but 1 grades; give one grade for each piece",
        ),
    ],
)
def test_refusals_of_a_hill(lengths, grades, message):
    with pytest.raises(ValueError, match=message):
        Hill(lengths, grades)


# A force that changes with speed ------------------------------------------------------------------


OUTPUT = {"force_n": 300.0, "power_w": 4600.0, "entry_speed_m_s": 12.0}
TWO = Hill([150.0, 250.0], [0.045, 0.065])


def on_two(hill=TWO, **changes):
    """A on_two on one of the hills, otherwise as in ROAD."""
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
    for length, grade in zip(TWO.lengths_m, TWO.grade_ratios, strict=True):
        angle = np.arctan(grade)
        climb = 205.0 * 9.80665 * (np.sin(angle) + 0.016 * np.cos(angle))

        def slope(_, y, climb=climb):
            return (force(y) - climb - 0.5 * 1.17 * 0.57 * (y + wind) ** 2) / (213.0 * y)

        found = solve_ivp(slope, (0, length), [speed], method="DOP853", rtol=1e-12, atol=1e-12)
        speed = found.y[0, -1]
    ours = exit_speed_by_steps_m_s(on_two(wind_m_s=wind), force_at=force, entry_speed_m_s=entry)
    assert ours == pytest.approx(speed, rel=1e-8)


def test_power_and_exit_speed_undo_each_other():
    entry = np.array([10.0, 14.0])
    power = wheel_power_w(on_two(), entry_speed_m_s=entry, exit_speed_m_s=np.array([16.0, 15.0]))
    back = exit_speed_at_power_m_s(on_two(), power_w=power, entry_speed_m_s=entry)
    assert back == pytest.approx([16.0, 15.0], rel=1e-10)


def test_mean_power_is_force_times_mean_speed():
    force = wheel_force_n(on_two(), entry_speed_m_s=12.0, exit_speed_m_s=18.0)
    power = mean_power_w(on_two(), force_n=force, entry_speed_m_s=12.0)
    assert force * 12 < power < force * 18
    # Constant power that reaches the same speed pulls harder at first: it takes less time, and
    # is a few per cent more.
    constant = wheel_power_w(on_two(), entry_speed_m_s=12.0, exit_speed_m_s=18.0)
    assert 1.0 < constant / power < 1.1


def test_force_and_power_give_back_the_speed_that_they_are_from():
    speeds = {"entry_speed_m_s": 12.0, "exit_speed_m_s": 18.0}
    power = wheel_power_w(on_two(), **speeds)
    found = exit_speed_at_power_m_s(on_two(), power_w=power, entry_speed_m_s=12.0)
    assert found == pytest.approx(18.0, rel=1e-6)
    force = wheel_force_n(on_two(), **speeds)
    assert exit_speed_m_s(on_two(), force_n=force, entry_speed_m_s=12.0) == pytest.approx(18.0)


def test_a_grid_of_speeds_equals_single_ones():
    masses, grades = np.meshgrid([150.0, 230.0], [0.03, 0.07, 0.5], indexing="ij")
    hill = Hill(np.full((2, 3, 1), 400.0), grades[..., None])
    power = {"power_w": 4600.0, "entry_speed_m_s": 12.5, "steps": 20}
    grid = exit_speed_at_power_m_s(on_two(hill, mass_kg=masses), **power)
    for i in range(2):
        # Constant power never stalls: it crawls at the speed at which it holds the slope.
        steep = on_two(Hill(400.0, 0.5), mass_kg=masses[i, 2])
        assert grid[i, 2] == pytest.approx(top_speed_at_power_m_s(steep, power_w=4600.0), rel=1e-6)
        for j in range(2):
            own = on_two(Hill(400.0, grades[i, j]), mass_kg=masses[i, j])
            assert grid[i, j] == pytest.approx(exit_speed_at_power_m_s(own, **power), rel=1e-6)
    assert (grid[1] < grid[0]).all()


@pytest.mark.parametrize("wind", [0.0, 4.0, -4.0])
@pytest.mark.parametrize("grade", [0.0, 0.03])
def test_top_speed_holds_its_force_and_power(grade, wind):
    own = on_two(Hill(1000.0, grade), wind_m_s=wind)
    angle = np.arctan(grade)
    climb = 205.0 * 9.80665 * (np.sin(angle) + 0.016 * np.cos(angle))
    by_force = top_speed_at_force_m_s(own, force_n=250.0)
    need = climb + 0.5 * 1.17 * 0.57 * (by_force + wind) ** 2
    assert need == pytest.approx(250.0, rel=1e-12)
    by_power = top_speed_at_power_m_s(own, power_w=5000.0)
    need = climb + 0.5 * 1.17 * 0.57 * (by_power + wind) ** 2
    assert need * by_power == pytest.approx(5000.0, rel=1e-10)


def test_force_below_the_slope_has_no_top_speed():
    speeds = top_speed_at_force_m_s(on_two(Hill(1000.0, 0.05)), force_n=np.array([50.0, 250.0]))
    assert np.isnan(speeds[0])
    assert speeds[1] > 0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: exit_speed_at_power_m_s(on_two(), power_w=1e3, entry_speed_m_s=0.0),
         "entry speed is 0 m/s"),
        (lambda: top_speed_at_power_m_s(on_two(Hill(1000.0, 0.0)), power_w=0.0), "power is 0 W"),
        (lambda: top_speed_at_force_m_s(on_two(Hill(1000.0, 0.0), drag_area_m2=0.0), force_n=1.0),
         "drag area is 0 m2 but must be above 0 m2; without drag there is no top speed"),
        (lambda: top_speed_at_force_m_s(on_two(TWO), force_n=1.0),
         "grade of the road is 0.045 to 0.065 but must be one here"),
    ],
)  # fmt: skip
def test_refusals_varying_force(call, message):
    with pytest.raises(ValueError, match=message):
        call()
