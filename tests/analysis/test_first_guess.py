import pytest

from tuninglib.analysis.injector import Change, guess_of


def change(**more):
    usual = {
        "flow_m3_s": 150e-6 / 60,
        "flow_tolerance": 0.06,
        "lambda_read": 0.88,
        "lambda_wanted": 0.88,
        "gauge_accuracy": 0.02,
        "old_displacement_m3": 180e-6,
        "new_displacement_m3": 180e-6,
        "breathing_ratio": 1.0,
        "breathing_half_width": 0.1,
        "old_pressure_pa": 3e5,
        "new_pressure_pa": 3e5,
        "old_ethanol": 0.05,
        "new_ethanol": 0.05,
        "breathing": 0.85,
        "engine_speed_rpm": 8500.0,
    }
    return Change(**{**usual, **more})


def test_a_first_guess_grows_with_what_it_should():
    base = guess_of(change()).flow_m3_s.value
    assert base == pytest.approx(150e-6 / 60)
    bigger = guess_of(change(new_displacement_m3=207e-6))
    assert bigger.flow_m3_s.value == pytest.approx(1.15 * base)
    richer = guess_of(change(lambda_wanted=0.80))
    assert richer.flow_m3_s.value == pytest.approx(1.10 * base)
    # On the bike the same fuel is needed at any pressure; what changes is the stated flow.
    pressed = guess_of(change(new_pressure_pa=4 * 3e5))
    assert pressed.flow_m3_s.value == pytest.approx(base)
    assert pressed.stated_at_old_pressure_m3_s.value == pytest.approx(base / 2)


def test_an_injector_at_the_flow_that_runs_out_fills_85_percent_of_the_cycle():
    guess = guess_of(change())
    at_limit = guess_of(change(flow_m3_s=guess.runs_out_m3_s))
    assert at_limit.open_time_s / at_limit.cycle_time_s == pytest.approx(0.85)
