"""What all panels have in common."""

import pytest

from tests.lab.panels import everything, labelled, words
from tuninglib import units
from tuninglib.analysis.analyse import analyse
from tuninglib.lab import explore, first_guess, kit
from tuninglib.lab.coast_down import coast_down
from tuninglib.lab.plan import plan
from tuninglib.session.load import load_session


def test_every_control_has_a_short_label_with_its_unit(results, demo_folder):
    built = [
        explore.mixture(results),
        explore.another_rider(results),
        first_guess.tank(results),
        first_guess.first_guess(results),
        plan(demo_folder),
        coast_down(demo_folder),
    ]
    sliders = [w for one in built for w in everything(one) if type(w).__name__ == "FloatSlider"]
    assert len(sliders) > 25
    for slider in sliders:
        assert len(slider.description) <= 42, slider.description
        # A ratio of two speeds is the only number without a unit.
        assert "[" in slider.description or slider.description == "true speed over shown speed"
        assert slider.readout
        assert slider.min <= slider.value <= slider.max
        steps = (slider.value - slider.min) / slider.step
        assert steps == pytest.approx(round(steps), abs=1e-6), "the browser would move it"


@pytest.mark.parametrize(("system", "volume"), [("us", "US gal"), ("imperial", "gal (imperial)")])
def test_the_panels_speak_the_riders_units(edit, system, volume):
    folder = edit("session.toml", 'units = "metric"', f'units = "{system}"')
    results = analyse(load_session(folder))
    ride = explore.another_rider(results)
    run = results.road.equivalent[results.plan.ride.setup]
    mass = labelled(ride, "rider, dressed to ride [lb]").value
    assert mass == pytest.approx(units.convert(run.rider_mass_kg, "kg", "lb"), abs=0.5)
    assert "mph) at the marker" in words(ride)
    assert "one even slope" not in words(ride), "rounding to a step was taken for a question"
    tank_now = first_guess.tank(results)
    labelled(tank_now, "in the tank").value, labelled(tank_now, "poured in").value = 1.0, 0.5
    assert f"ethanol in 1.50 {volume}." in words(tank_now)
    assert "from_speed [mph]" in labelled(coast_down(folder), "timed falls").value


def test_a_button_says_what_the_system_refused():
    def refused():
        raise PermissionError(13, "Permission denied", "runs.csv")

    built = kit.action("Keep", "Writes", refused)
    labelled(built, "Keep").click()
    assert (
        "Not possible: runs.csv: Permission denied; allow writing there, or choose another place."
        in words(built)
    )


@pytest.mark.parametrize(("low", "value", "step"), [(14.5, 43.51, 1), (0.05, 0.837, 0.005)])
def test_a_slider_stands_on_its_steps(low, value, step):
    slider = kit.slider("a", "b", value, low=low, high=100.2, step=step)
    for number in (slider.min, slider.value, slider.max):
        assert number / step == pytest.approx(round(number / step), abs=1e-9)
    assert slider.min <= low
    assert slider.max >= 100.2
