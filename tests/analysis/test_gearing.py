"""Engine speeds from the gearing: by hand, from published sizes, and what is said of them."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.outing import Outing
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.upkeep import _limited_by, _taller
from tuninglib.analysis.what_if import Answer
from tuninglib.interval import Interval
from tuninglib.physics import gearing as sums
from tuninglib.physics.motion import Hill, Ride, exit_speed_m_s
from tuninglib.report import what_if as words
from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError

GEARS = {
    "primary": 3.35,
    "gear": 1.05,
    "front": 14,
    "rear": 42,
    "circumference": "1.88 m +/- 0.01 m",
}


@pytest.fixture
def geared(demo_folder, tmp_path):
    def results(**changes):
        outing = Outing(demo_folder, tmp_path / f"outing {len(list(tmp_path.iterdir()))}")
        return outing.key("gearing", **GEARS | changes).results()

    return results


def test_engine_speeds_by_hand(geared):
    results = geared()
    run, found = results.road.equivalent["big_172"], results.gearing
    # 3.35 x 1.05 x 42/14 = 10.5525 turns; 1.88 m each; the wheel turns two per cent faster.
    assert found.ratio == pytest.approx(10.5525)
    for speed, rpm in ((run.entry_m_s, found.entry_rpm), (run.exit_m_s, found.exit_rpm)):
        assert rpm.value == pytest.approx(speed / 1.88 * 60 * 10.5525 * 1.02)
        # Half-widths: 0.01/1.88, 0.01 and 0.01/0.955 in quadrature.
        relative = math.sqrt((0.01 / 1.88) ** 2 + 0.01**2 + (0.01 / 0.955) ** 2)
        assert rpm.high / rpm.value - 1 == pytest.approx(relative)
    assert found.limit_rpm == 8500
    back = sums.engine_speed_rpm(
        found.limit_speed_m_s.value, ratio=found.ratio, circumference_m=1.88, slip=0.02
    )
    assert back == pytest.approx(8500)
    # Power is torque times angular speed, at the mean of what was ridden.
    pull = next(one for one in results.pulls if one.setup == "big_172")
    assert found.power_w.value == pytest.approx(pull.power_w.value / 0.92)
    assert found.torque_n_m.value == pytest.approx(
        pull.force_n.value * 1.88 / (2 * math.pi) / 10.5525 / 0.92
    )
    assert found.torque_n_m.half_width > found.torque_n_m.value * pull.force_n.half_width / (
        pull.force_n.value
    )


def test_what_is_lost_on_the_way_widens_torque_and_power(geared):
    results = geared(efficiency="0.92 +/- 0.03")
    pull = next(one for one in results.pulls if one.setup == "big_172")
    found, lost = results.gearing, 0.03 / 0.92
    for one, of, doubt in (
        (found.torque_n_m, pull.force_n, np.hypot(lost, 0.01 / 1.88)),
        (found.power_w, pull.power_w, lost),
    ):
        wanted = np.hypot(of.half_width / of.value, doubt)
        assert (one.high - one.value) / one.value == pytest.approx(wanted)
        assert (one.value - one.low) / one.value == pytest.approx(wanted)
    at = found.limit_speed_m_s
    relative = math.sqrt((0.01 / 1.88) ** 2 + 0.01**2 + (0.01 / 0.955) ** 2)
    assert (at.high / at.value - 1, 1 - at.low / at.value) == pytest.approx((relative, relative))
    for one in (found.entry_rpm, found.exit_rpm):
        assert 1 - one.low / one.value == pytest.approx(relative)


@pytest.mark.parametrize("share", [1.0, 0.9, 0.8])
def test_a_bike_that_no_longer_speeds_up_is_told(geared, share):
    """With one tooth more in front: 14/15 of the force against what resists at the marker."""
    results = geared()
    run = results.road.equivalent["big_172"]
    run = replace(run, force_n=share * run.force_n)
    found = _taller(
        results.session.gearing, run, lambda speed, ratio: Interval(speed, speed, speed)
    )
    speed = found.marker.at_force.value
    mass = run.bike_mass_kg + run.rider_mass_kg
    climb = mass * 9.80665 * (run.grade_ratios[-1] + run.rolling_coefficient)
    climb /= math.hypot(1, run.grade_ratios[-1])
    drag = run.air_density_kg_m3 / 2 * run.drag_area_m2 * (speed + run.headwind_m_s) ** 2
    pulls = run.force_n * 14 / 15
    assert found.still_speeds_up is bool(pulls > climb + drag)


def test_one_tooth_more_is_less_force_and_fewer_turns(geared):
    found, run = (results := geared()).gearing, results.road.equivalent["big_172"]
    ride = Ride(
        hill=Hill(run.lengths_m, run.grade_ratios), mass_kg=run.bike_mass_kg + run.rider_mass_kg,
        rotating_mass_kg=run.rotating_mass_kg, air_density_kg_m3=run.air_density_kg_m3,
        drag_area_m2=run.drag_area_m2, rolling_coefficient=run.rolling_coefficient,
        wind_m_s=run.headwind_m_s,
    )  # fmt: skip
    speed = exit_speed_m_s(ride, force_n=run.force_n * 14 / 15, entry_speed_m_s=run.entry_m_s)
    assert found.taller.marker.at_force.value == pytest.approx(float(np.ravel(speed)[0]), rel=1e-9)
    assert found.taller.front_teeth == 15
    turns = found.taller.exit_rpm.value / found.exit_rpm.value
    assert turns == pytest.approx(float(np.ravel(speed)[0]) / run.exit_m_s * 14 / 15)
    assert found.taller.still_speeds_up is True


@pytest.mark.outside(
    source="ETRTO standards manual: overall diameters of new tyres, 90/90-18 619 mm, 130/70-17 "
    "614 mm, 110/80-17 608 mm (from memory)"
)
@pytest.mark.parametrize(
    ("size", "published_mm"), [("90/90-18", 619), ("130/70-17", 614), ("110/80 - 17", 608)]
)
def test_diameters_of_published_sizes(size, published_mm):
    assert 1000 * sums.tyre_diameter_m(size) == pytest.approx(published_mm, abs=0.6)


def test_a_tyre_in_inches():
    # 18 + 2 x 2.75 inches.
    assert sums.tyre_diameter_m("2.75-18") == pytest.approx(23.5 * 0.0254)
    with pytest.raises(ValueError, match="is no size of a tyre"):
        sums.tyre_diameter_m("big")


def test_the_size_of_the_tyre_stands_for_its_circumference(geared):
    by_size = geared(circumference=None, tyre="90/90-18")
    around = by_size.session.gearing.rolling_circumference
    # π x 619.2 mm x 0.965 is 1.877 m, and how much it is squeezed is not known well.
    assert around.value == pytest.approx(1.877, abs=0.001)
    assert around.half_width == pytest.approx(0.015 * around.value)


def test_what_limits_the_top_speed():
    def flat(low, high):
        return Answer(None, Interval((low + high) / 2, low, high), "")

    at = Interval(25.0, 24.5, 25.5)
    assert _limited_by(at, flat(26.0, 28.0)) == "revs"
    assert _limited_by(at, flat(20.0, 24.0)) == "drag"
    assert _limited_by(at, flat(24.0, 26.0)) == "unclear"
    assert _limited_by(None, flat(24.0, 26.0)) == ""
    assert _limited_by(at, Answer(None, None, "too far")) == ""


def test_the_page_says_it_and_says_when_it_is_not_known(geared, demo_folder):
    said = str(words.gearing_sentences(geared()))
    assert "rpm) at the start line, " in said
    assert "turns of the crank for one of the wheel" in said
    assert "N·m" in said
    assert "8500 rpm are 89" in said
    assert "with 15 teeth and the same torque" in said
    bare = analyse(load_session(demo_folder))
    assert bare.gearing is None
    assert "it is not known; [gearing] in session.toml" in str(words.gearing_sentences(bare))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"tyre": "90/90-18"}, "has tyre and circumference, which say the same thing"),
        ({"circumference": None, "tyre": "wide"}, "is no size of a tyre"),
        ({"front": 14.5}, "must be a whole number"),
        ({"gear": 0}, "is outside 0.3 to 6"),
        ({"circumference": "1.88"}, "has no unit"),
    ],
)
def test_a_wrong_gearing_is_refused(geared, changes, said):
    with pytest.raises(SessionError, match=said):
        geared(**changes)
