import numpy as np
import pytest
from numpy.testing import assert_allclose

from tuninglib.physics import injector
from tuninglib.physics.engine import fuel_mass_per_cycle_kg

CC_MIN = 1e-6 / 60  # m3/s


def test_same_pressure_and_fuel_change_nothing():
    assert injector.flow_at_pressure(2.5e-6, rated_pressure_pa=3e5, pressure_pa=3e5) == 2.5e-6
    assert injector.flow_on_fuel(2.5e-6, rated_density_kg_m3=745, density_kg_m3=745) == 2.5e-6


def test_four_times_the_pressure_doubles_the_flow():
    assert injector.flow_at_pressure(
        2.5e-6, rated_pressure_pa=1e5, pressure_pa=4e5
    ) == pytest.approx(5e-6)


def test_denser_fuel_has_less_volume_and_more_mass():
    volume = injector.flow_on_fuel(2.5e-6, rated_density_kg_m3=683.6, density_kg_m3=745.0)
    mass = injector.mass_flow_kg_s(volume, density_kg_m3=745.0)
    rated_mass = injector.mass_flow_kg_s(2.5e-6, density_kg_m3=683.6)
    assert volume < 2.5e-6
    assert mass > rated_mass
    assert volume / 2.5e-6 * (mass / rated_mass) == pytest.approx(1.0)


@pytest.mark.parametrize(("rpm", "milliseconds"), [(6000, 20), (8000, 15), (10000, 12)])
def test_cycle_takes_two_turns(rpm, milliseconds):
    assert injector.cycle_time_s(rpm) == pytest.approx(milliseconds / 1e3, rel=1e-15)


def test_first_guess_multiplies_the_factors():
    guess = injector.first_guess_flow(
        150 * CC_MIN,
        injector.EngineChange(
            displacement_ratio=1.138, breathing_ratio=1.02, lambda_ratio=0.90 / 0.88,
            pressure_ratio=3.0 / 3.5, fuel_ratio=1.02,
        ),
    )  # fmt: skip
    expected = 150 * 1.138 * 1.02 * (0.90 / 0.88) * (3.0 / 3.5) ** 0.5 * 1.02
    assert guess.value / CC_MIN == pytest.approx(expected)
    assert guess.low == guess.value == guess.high


def test_first_guess_range_holds_95_percent_of_draws():
    sds = {"flow": 0.03, "displacement": 0.005, "breathing": 0.05, "lambda": 0.01, "pressure": 0.04}
    own = {f"{name}_sd": sd for name, sd in sds.items() if name != "flow"}
    guess = injector.first_guess_flow(1.0, injector.EngineChange(**own), flow_sd=sds["flow"])
    draws = np.random.default_rng(1).normal(size=(200_000, 5)) * list(sds.values())
    draws[:, 4] /= 2  # the root of the pressure
    flow = np.exp(draws.sum(1))
    covered = np.mean((flow > guess.low) & (flow < guess.high))
    assert covered == pytest.approx(0.95, abs=0.0015)  # three standard errors


def test_leaner_than_wanted_calls_for_more_flow():
    change = injector.EngineChange(lambda_ratio=0.95 / 0.88)
    assert injector.first_guess_flow(1.0, change).value > 1.0


def test_open_time_is_a_straight_line_in_fuel():
    shots = np.array([5e-6, 10e-6, 15e-6])
    times = injector.open_time_s(shots, mass_flow_kg_s=2e-3, dead_time_s=1e-3)
    assert_allclose(times, [0.0035, 0.006, 0.0085])


@pytest.mark.parametrize("highest_fraction", [0.85, 0.9, 1.0])
def test_flow_that_runs_out_just_fits(highest_fraction):
    fuel, density, dead_time, rpm = 9e-6, 748.0, 0.0011, 9500.0
    flow = injector.flow_that_runs_out(
        fuel, density_kg_m3=density, engine_speed_rpm=rpm, dead_time_s=dead_time,
        highest_fraction=highest_fraction,
    )  # fmt: skip
    mass_flow = injector.mass_flow_kg_s(flow, density_kg_m3=density)
    open_time = injector.open_time_s(fuel, mass_flow_kg_s=mass_flow, dead_time_s=dead_time)
    fraction = injector.open_time_fraction(open_time, engine_speed_rpm=rpm)
    assert fraction == pytest.approx(highest_fraction)


def test_fuel_mass_against_the_air():
    fuel = fuel_mass_per_cycle_kg(air_mass_kg=150.96e-6, lambda_=0.88, stoichiometric_ratio=14.1)
    assert fuel * 0.88 * 14.1 == pytest.approx(150.96e-6)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: injector.flow_at_pressure(-1e-6, rated_pressure_pa=3e5, pressure_pa=3e5),
         "flow is -1e-06 m3/s but must be above 0 m3/s"),
        (lambda: injector.flow_at_pressure(1e-6, rated_pressure_pa=3e5, pressure_pa=[3e5, 0]),
         "pressure is 0 Pa"),
        (lambda: injector.flow_on_fuel(1e-6, rated_density_kg_m3=0.0, density_kg_m3=745.0),
         "rated density is 0 kg/m3"),
        (lambda: injector.mass_flow_kg_s(np.nan, density_kg_m3=745.0), "flow is nan"),
        (lambda: injector.EngineChange(lambda_ratio=0.0), "lambda ratio is 0"),
        (lambda: injector.EngineChange(breathing_sd=-0.1),
         "relative standard deviation is -0.1 but must be at least 0"),
        (lambda: injector.open_time_s(1e-5, mass_flow_kg_s=2e-3, dead_time_s=-1e-3),
         "dead time is -0.001 s"),
        (
            lambda: injector.flow_that_runs_out(
                1e-5, density_kg_m3=745.0, engine_speed_rpm=20000.0, dead_time_s=0.0055
            ),
            "no injector is fast enough",
        ),
        (
            lambda: injector.flow_that_runs_out(
                1e-5, density_kg_m3=745.0, engine_speed_rpm=9000.0, highest_fraction=1.2
            ),
            "highest usable fraction is 1.2 but must be at most 1",
        ),
        (
            lambda: injector.flow_that_runs_out(
                1e-5, density_kg_m3=745.0, engine_speed_rpm=12000.0, dead_time_s=0.02
            ),
            "usable time less dead time is -0.0",
        ),
        (lambda: injector.cycle_time_s(np.inf), "engine speed is inf 1/min"),
    ],
)  # fmt: skip
def test_refuses_what_cannot_be(call, message):
    with pytest.raises(ValueError, match=message):
        call()
