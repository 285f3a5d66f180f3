import pytest

from tests.lab.panels import labelled, words
from tuninglib import units
from tuninglib.analysis.what_if import Question, answers
from tuninglib.lab import explore


def test_a_slider_at_rest_asks_nothing(results):
    start = {"mass": 70.0, "length": 400.0, "grade": 6.0, "wind": 0.0}
    assert explore.question_of(start, start, "metric") == Question()
    back = {**start, "grade": 6.000000000001}
    assert explore.question_of(back, start, "metric") == Question()
    asked = explore.question_of({**start, "mass": 90.0, "grade": 7.0}, start, "us")
    assert asked.rider_mass_kg == pytest.approx(units.convert(90, "lb", "kg"))
    assert asked.grade_ratios == (0.07,)
    assert asked.headwind_m_s is None


def test_the_rider_panel_says_what_whatif_answers(results):
    panel = explore.another_rider(results)
    run = results.road.equivalent[results.plan.ride.setup]
    labelled(panel, "rider").value = 100
    (one,) = answers(run, [Question(rider_mass_kg=100.0)])
    assert f"{units.to_display(one.at_force.value, 'speed', 'metric'):.0f} km/h (" in words(panel)
    assert "one even slope" not in words(panel)
    labelled(panel, "grade").value = 20
    assert "No answer" in words(panel)
