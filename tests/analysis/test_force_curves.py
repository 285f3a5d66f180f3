"""Curves of force: which rows and runs count, and what is not known, by differences."""

from dataclasses import replace

import numpy as np
import pytest

from tuninglib.analysis.logs import _intervals, _logged, _shared_sd, curves_of_force
from tuninglib.interval import Z_95, Interval, Measured
from tuninglib.session.defaults import air_of_runs, hill_of
from tuninglib.statistics.force_against_speed import LoggedRun


@pytest.fixture(scope="module")
def results(evening):
    return evening


@pytest.fixture(scope="module")
def air(results):
    return air_of_runs(results.session)


def test_what_is_not_known_moves_the_force_by_its_own_part(results, air):
    """Force = mass × pull + what resists, each part moved by itself, the pull as it was seen."""
    session, road = results.session, results.road
    session = replace(
        session,
        weather=replace(session.weather, headwind=Measured(1.0, 0.8)),
        bike=replace(session.bike, mass=Measured(130.0, 3.0)),
    )
    logged = _logged(session, air, road)
    runs = [LoggedRun(0, time, speed, ride) for _, (time, speed), ride in logged]
    grid, force = np.array([14.0, 18.0]), np.array([[310.0, 280.0]])
    ride = replace(runs[0].ride, wind_m_s=1.0)
    runs[0] = runs[0]._replace(ride=ride)
    grade, g = hill_of(session).mean_grade_ratio, float(ride.gravity_m_s2)
    stated = {
        "mass": float(ride.mass_kg), "rotating": float(ride.rotating_mass_kg), "grade": grade,
        "area": float(ride.drag_area_m2), "rolling": float(ride.rolling_coefficient),
        "density": float(ride.air_density_kg_m3), "wind": 1.0, "factor": 1.0,
    }  # fmt: skip

    def resists(at, speed):
        air_speed = speed + at["wind"]
        drag = at["density"] * at["area"] / 2 * air_speed * np.abs(air_speed)
        return at["mass"] * g * (at["grade"] + at["rolling"]) + drag

    pull = (force - resists(stated, grid)) / (stated["mass"] + stated["rotating"])

    def moved(name, by):
        at = stated | {name: stated[name] + by}
        # A speed that is shown too low is so in what it gains, too; wind is not of the gauge.
        speed = grid * at["factor"]
        drag = at["density"] * at["area"] / 2 * (speed + at["factor"] * at["wind"]) ** 2
        slope = at["mass"] * g * (at["grade"] + at["rolling"])
        return (at["mass"] + at["rotating"]) * pull * at["factor"] + slope + drag

    riders = [one.mass.half_width for one in session.riders.values()]
    halves = {
        "mass": np.hypot(3.0, max(riders)), "rotating": road.rotating_mass_kg.half_width,
        "grade": session.hill.grade.half_width, "area": road.drag_area_m2.half_width,
        "rolling": road.rolling_coefficient.half_width, "wind": 0.8, "factor": 0.005,
        # A share of the air's density.
        "density": session.assumptions.air_density.half_width * stated["density"],
    }  # fmt: skip
    assert all(half > 0 for half in halves.values())
    steps = [
        (moved(name, 1e-5) - moved(name, -1e-5)) / 2e-5 * half / Z_95
        for name, half in halves.items()
    ]
    wanted = np.sqrt(np.sum(np.square(steps), axis=0))
    found = _shared_sd(session, road, runs, grid, force)
    np.testing.assert_allclose(found, wanted, rtol=1e-6)


def test_only_rows_between_the_lines_of_runs_that_count_are_used(results, air):
    session, road = results.session, results.road
    up = [one for one in session.found.passes if one.up]
    trace = session.traces[session.found.log]
    for (_, (time, speed), ride), one in zip(_logged(session, air, road), up, strict=True):
        at = one.enter_s + time
        # Six tenths of a second from either line; the phone writes once a second.
        assert one.enter_s + 0.6 <= at.min() < one.enter_s + 1.6
        assert one.leave_s - 1.6 < at.max() <= one.leave_s - 0.6
        np.testing.assert_array_equal(
            speed, np.interp(at, trace.time_s, trace.channels["speed_m_s"])
        )
        row = session.runs[session.runs["run"] == one.run].iloc[0]
        rider = session.riders[row["rider"]].mass.value
        assert float(ride.mass_kg) == session.bike.mass.value + rider
    runs = session.runs.copy()
    runs.loc[runs["run"] == 3, "exclude"] = "a car"
    runs.loc[runs["run"] == 5, "state"] = "idle"
    fewer = _logged(replace(session, runs=runs), air, road)
    assert len(fewer) == len(up) - 2


def test_an_interval_is_there_where_both_its_numbers_are():
    found = _intervals(np.array([1.0, np.nan, 3.0, 4.0]), np.array([0.5, 1.0, np.nan, 1.0]),
                       np.array([True, True, True, False]))  # fmt: skip
    assert found == (Interval(1.0, 0.5, 1.5), None, None)


def test_without_a_reference_or_a_track_there_are_no_curves(results, air):
    session, road = results.session, results.road
    reference = session.about.reference
    curves = curves_of_force(session, air, road)
    assert curves[0].setup == reference
    assert curves[0].gain == (None,) * len(curves[0].speed_m_s)
    runs = session.runs.copy()
    runs.loc[runs["setup"] == reference, "exclude"] = "wet"
    assert curves_of_force(replace(session, runs=runs), air, road) == ()
    runs["exclude"] = "wet"
    assert curves_of_force(replace(session, runs=runs), air, road) == ()
    found = replace(session.found, source="positions")
    assert curves_of_force(replace(session, found=found), air, road) == ()
    assert curves_of_force(replace(session, found=None), air, road) == ()
    assert curves_of_force(session, air, None) == ()


def test_what_runs_share_is_joined_with_what_they_do_not(results, air):
    session, road = results.session, results.road
    exact = replace(session.hill, grade=replace(session.hill.grade, half_width=0.0))
    usual, less = (
        curves_of_force(one, air, road) for one in (session, replace(session, hill=exact))
    )
    weight = (session.bike.mass.value + 70) * 9.81
    for one, other in zip(usual[0].force_n, less[0].force_n, strict=True):
        if one is not None:
            gone = np.sqrt(one.half_width**2 - other.half_width**2)
            assert gone == pytest.approx(weight * session.hill.grade.half_width, rel=0.1)
