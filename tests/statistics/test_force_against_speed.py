"""Wheel force against speed, from motions of a known truth."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares

from demo_data.log_maker import GRAVITY, Devices, World, usual_force, written
from tuninglib.physics.motion import Hill, Ride, exit_speed_m_s, travel_time_s
from tuninglib.statistics.force_against_speed import (
    LoggedRun,
    RunForces,
    _Batch,
    _motion,
    force_curves,
    run_forces,
)

HILL = Hill([150.0, 250.0], [0.050, 0.068])
RIDE = Ride(
    hill=HILL, mass_kg=205.0, rotating_mass_kg=9.0, air_density_kg_m3=1.17, drag_area_m2=0.57,
    rolling_coefficient=0.015, wind_m_s=1.0,
)  # fmt: skip


def ridden(force_at, rows=26, entry=12.5):
    """Times and speeds of an exact ride: another library's integrator, an own equation."""

    def change(_, state):
        way, v = state
        grade = 0.050 if way < 150 else 0.068
        climb = 205.0 * GRAVITY * (grade + 0.015) / np.hypot(1, grade)
        drag = 1.17 * 0.57 / 2 * (v + 1.0) ** 2
        return [v, (force_at(v) - climb - drag) / 214.0]

    time = np.linspace(0, 25, rows)
    found = solve_ivp(
        change, (0, 25), [0.0, entry], t_eval=time, rtol=1e-9, atol=1e-9, max_step=0.2
    )
    return time, found.y[1]


@pytest.mark.outside(source="SciPy's solve_ivp (Dormand and Prince 1980) as the integrator")
@pytest.mark.parametrize(
    "force_at", [lambda v: 300.0, lambda v: 420.0 - 7.0 * v, lambda v: 330 - 0.9 * (v - 14) ** 2]
)
def test_an_exact_ride_gives_its_force_at_every_speed(force_at):
    time, speed = ridden(force_at)
    forces = run_forces([LoggedRun(0, time, speed, RIDE)])
    grid = np.linspace(forces.low_m_s[0], forces.high_m_s[0], 7)
    np.testing.assert_allclose(forces.at(grid)[0], force_at(grid), rtol=0.012)


def test_a_constant_force_is_the_closed_form_s():
    """The end speed and the time of the hill's closed solution, rows of it every 0.8 s."""
    time, speed = ridden(lambda v: 300.0, rows=32)
    whole = travel_time_s(RIDE, force_n=300.0, entry_speed_m_s=12.5)
    end = exit_speed_m_s(RIDE, force_n=300.0, entry_speed_m_s=12.5)
    assert np.interp(whole, time, speed) == pytest.approx(end, rel=1e-3)
    middle = run_forces([LoggedRun(0, time, speed, RIDE)]).force_n[0]
    np.testing.assert_allclose(middle, 300.0, rtol=5e-3)


def test_no_value_where_the_bike_never_was():
    time, speed = ridden(lambda v: 300.0)
    forces = run_forces([LoggedRun(0, time, speed, RIDE), LoggedRun(0, time[:3], speed[:3], RIDE)])
    at = forces.at([speed.min() - 1, 14.0, speed.max() + 1])
    np.testing.assert_array_equal(np.isfinite(at), [[False, True, False], [False] * 3])


@pytest.mark.parametrize(("rows", "there"), [(7, True), (6, False)])
def test_seven_rows_make_a_curve(rows, there):
    time, speed = ridden(lambda v: 300.0, rows=rows)
    forces = run_forces([LoggedRun(0, time, speed, RIDE)])
    assert np.isfinite(forces.force_n).all() == there
    assert np.isfinite(forces.low_m_s[0]) == there


def test_a_curve_reaches_over_all_but_the_ends_of_the_speeds():
    """From six to ninety-four of a hundred rows, by their speeds."""
    time, speed = ridden(lambda v: 300.0, rows=60)
    forces = run_forces([LoggedRun(0, time, speed, RIDE)])
    wanted = np.quantile(speed, [0.06, 0.94])
    assert (forces.low_m_s[0], forces.high_m_s[0]) == pytest.approx(tuple(wanted))


@pytest.mark.outside(source="SciPy's solve_ivp (Dormand and Prince 1980) as the integrator")
def test_a_run_that_is_logged_from_later_on_is_where_it_then_is():
    """The road is steeper from 150 m on; rows begin 2 s after the line, and are of their time."""
    time, speed = ridden(lambda v: 320.0, rows=60)
    late = time > 2
    forces = run_forces([LoggedRun(0, time[late], speed[late], RIDE)])
    grid = np.linspace(forces.low_m_s[0], forces.high_m_s[0], 5)
    np.testing.assert_allclose(forces.at(grid)[0], 320.0, rtol=0.008)


def motion(start, nodes, low, high, time, ride, way=0.0):
    """Speeds under a force that is a parabola through three values, by another integrator."""
    ends, grades = np.cumsum(ride.hill.lengths_m), np.asarray(ride.hill.grade_ratios)
    middle = (low + high) / 2
    parabola = np.polynomial.Polynomial.fit([low, middle, high], nodes, 2, domain=[low, high])

    def change(_, state):
        x, v = state
        grade = grades[min(np.searchsorted(ends, x, side="right"), grades.size - 1)]
        climb = ride.mass_kg * GRAVITY * (grade + ride.rolling_coefficient) / np.hypot(1, grade)
        air = v + ride.wind_m_s
        drag = ride.air_density_kg_m3 * ride.drag_area_m2 / 2 * air * abs(air)
        # Beyond one and a half times its half range a parabola goes on as it is there.
        own = parabola(np.clip(v, middle - 0.75 * (high - low), middle + 0.75 * (high - low)))
        return [v, (own - climb - drag) / (ride.mass_kg + ride.rotating_mass_kg)]

    span = (time[0], time[-1])
    found = solve_ivp(change, span, [way, start], t_eval=time, rtol=1e-8, atol=1e-8, max_step=0.1)
    return found.y[1]


@pytest.mark.outside(source="SciPy's solve_ivp (Dormand and Prince 1980) as the integrator")
def test_the_motion_is_that_of_another_integrator():
    """Up a hill that gets steeper by four hundred pieces: the place counts all the way."""
    hill = Hill(np.full(400, 1.0), np.linspace(0.0, 0.12, 400))
    ride = replace(RIDE, hill=hill)
    time = np.arange(0.6, 24.0, 1.0)
    run = LoggedRun(0, time, np.full(time.size, 12.0), ride)
    low, high, nodes = 14.0, 16.0, np.array([330.0, 345.0, 310.0])
    state = np.array([12.2, *nodes])[None, :, None]
    (ours,) = _motion(_Batch([run]), state, np.array([low]), np.array([high]), [run])
    # The first row is 0.6 s at its speed behind the line.
    wanted = motion(12.2, nodes, low, high, time, ride, way=0.6 * 12.0)
    np.testing.assert_allclose(ours[0], wanted, atol=2e-3)
    # Beyond one and a half times the half range, where the parabola would go on downwards.
    assert wanted.max() > 15.0 + 1.5 + 0.9
    assert wanted.min() < 15.0 - 1.5 - 0.9


@pytest.mark.slow
@pytest.mark.outside(source="SciPy's least_squares and solve_ivp as the search and the integrator")
def test_noisy_speeds_are_weighed_against_what_is_taken_beforehand():
    """Residuals over 0.2 m/s; a bend of a quarter and a slope of 0.6 of the run's mean force."""
    time, speed = ridden(lambda v: 300.0, rows=14)
    rng = np.random.default_rng(5)
    speed = speed + 0.5 * rng.standard_normal(time.size)
    found = run_forces([LoggedRun(0, time, speed, RIDE)])
    low, high = found.low_m_s[0], found.high_m_s[0]
    gained = (speed[-1] - speed[0]) / (time[-1] - time[0])
    grades = np.array([0.050, 0.068])
    climb = np.mean(205 * GRAVITY * (grades + 0.015) / np.hypot(1, grades))
    drag = 1.17 * 0.57 / 2 * ((low + high) / 2 + 1.0) ** 2
    size = 214 * gained + climb + drag + 1

    def off(at):
        seen = motion(at[0], 300 * at[1:], low, high, time, RIDE)
        first, middle, last = 300 * at[1:]
        weak = [(first - 2 * middle + last) / size / 0.25, (last - first) / size / 0.6]
        return [*((seen - speed) / 0.2), *weak]

    best = least_squares(off, [speed[0], 1.0, 1.0, 1.0], xtol=1e-9)
    np.testing.assert_allclose(found.force_n[0], 300 * best.x[1:], rtol=3e-3)


def constant(levels, low=10.0, high=20.0):
    count = len(levels)
    return RunForces(
        force_n=np.repeat(np.array(levels, dtype=float)[:, None], 3, axis=1),
        low_m_s=np.broadcast_to(low, count).astype(float),
        high_m_s=np.broadcast_to(high, count).astype(float),
    )


def test_the_scatter_of_runs_makes_the_interval():
    """By hand: logs ±0.01 about their mean in both setups, so s = 0.01 √2 with 2 degrees."""
    up, down = np.exp(0.01), np.exp(-0.01)
    found = force_curves(
        constant([300 * up, 300 * down, 330 * up, 330 * down]), setup=[0, 0, 1, 1], speed_m_s=[15.0]
    )
    t, s = 4.302653, 0.01 * np.sqrt(2)
    assert found.force_n[:, 0] == pytest.approx([300, 330])
    own = np.hypot(t * s / np.sqrt(2), 1.96 * 0.005)
    assert found.half_width_n[0, 0] == pytest.approx(300 * own, rel=1e-5)
    assert found.gain[1, 0] == pytest.approx(0.1)
    assert found.gain_half_width[1, 0] == pytest.approx(1.1 * t * s, rel=1e-5)
    assert found.dof[0] == 2
    assert np.isnan(found.gain[0, 0])


def test_a_speed_that_only_the_fastest_reached_has_no_value():
    found = force_curves(
        constant([300.0] * 4, high=np.array([20.0, 18.0, 18.0, 20.0])),
        setup=[0, 0, 0, 0],
        speed_m_s=[17.0, 19.0],
    )
    np.testing.assert_array_equal(np.isfinite(found.force_n[0]), [True, False])
    np.testing.assert_array_equal(found.runs[0], [4, 2])


def test_a_gain_counts_the_runs_of_both_setups():
    """Three runs and two; the scatter pooled over three degrees of freedom, by hand."""
    logs = np.array([0.01, -0.01, 0.0, 0.13, 0.11])
    found = force_curves(constant(300 * np.exp(logs)), setup=[0, 0, 0, 1, 1], speed_m_s=[15.0])
    variance = (2 * 0.01**2 + 2 * 0.01**2) / 3
    t_of_three = 3.182446
    half = np.exp(0.12) * t_of_three * np.sqrt(variance * (1 / 3 + 1 / 2))
    assert found.gain[1, 0] == pytest.approx(np.expm1(0.12))
    assert found.gain_half_width[1, 0] == pytest.approx(half, rel=1e-5)
    assert found.dof[0] == 3
    own = np.hypot(t_of_three * np.sqrt(variance / 2), 1.96 * 0.005)
    assert found.half_width_n[1, 0] == pytest.approx(300 * np.exp(0.12) * own, rel=1e-5)


def test_two_single_runs_have_no_curve():
    found = force_curves(constant([300.0, 330.0]), setup=[0, 1], speed_m_s=[15.0])
    assert np.isnan(found.force_n).all()
    assert np.isnan(found.gain).all()


@pytest.mark.slow
def test_bands_hold_the_truth_about_as_often_as_they_say():
    world, held, gains = World(), [], []
    grid = np.array([14.0, 16.0, 18.0])
    for seed in range(10):
        rng = np.random.default_rng(seed)
        scales = [np.exp(0.012 * rng.standard_normal()) * (1.06 if i % 2 else 1) for i in range(8)]
        made = written(
            rng, [lambda v, scale=scale: scale * usual_force(v) for scale in scales], [0.88] * 8,
            world=world, devices=Devices(rate_hz=1.0),
        )  # fmt: skip
        runs = []
        for i, (a, b) in enumerate(zip(made.start_s, made.marker_s, strict=True)):
            rows = (made.time_s > a + 0.6) & (made.time_s < b - 0.6)
            ride = Ride(
                hill=HILL, mass_kg=205.0, rotating_mass_kg=9.0, air_density_kg_m3=1.17,
                drag_area_m2=0.57, rolling_coefficient=0.015,
            )  # fmt: skip
            runs.append(LoggedRun(i % 2, made.time_s[rows] - a, made.speed_m_s[rows], ride))
        found = force_curves(run_forces(runs), setup=[one.setup for one in runs], speed_m_s=grid)
        for at, scale in enumerate((1.0, 1.06)):
            off = np.abs(found.force_n[at] - scale * usual_force(grid))
            held += (off <= found.half_width_n[at])[np.isfinite(off)].tolist()
        gains += (np.abs(found.gain[1] - 0.06) <= found.gain_half_width[1])[
            np.isfinite(found.gain[1])
        ].tolist()
    assert np.mean(held) > 0.84
    assert np.mean(gains) > 0.80
    assert len(held) > 40
