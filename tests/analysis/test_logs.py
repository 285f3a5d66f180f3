"""What logs tell: rows counted by hand, mixture by bands, and curves of force."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tuninglib.analysis import logs
from tuninglib.analysis.logs import (
    THROTTLE_EDGES,
    LogChannel,
    _band,
    _by_setup,
    _intervals,
    _logged,
    _setups,
    _shared_sd,
    curves_of_force,
    logs_read,
    mixture_by_bands,
)
from tuninglib.interval import Z_95, Interval, Measured
from tuninglib.session.defaults import air_of_runs, hill_of
from tuninglib.session.trace import LeftOut, Trace
from tuninglib.statistics.force_against_speed import LoggedRun
from tuninglib.statistics.settled_gauge import BandMean, Stretch


def read(steps, **channels):
    time = np.concatenate([[0.0], np.cumsum(steps)])
    trace = Trace(
        kind="table", time_s=time, started_utc_s=7.0, clock_s=8.0, channels=channels, rows=99,
        left_out=(LeftOut("no time", 2, 3),), reordered=4, unused=("x",),
    )  # fmt: skip
    session = SimpleNamespace(logs={"box": SimpleNamespace(file="box.csv")}, traces={"box": trace})
    (one,) = logs_read(session)
    return one


def test_a_log_is_told_as_it_was_read():
    one = read([1.0] * 3, gauge=np.array([12.0, np.nan, 13.0, 11.0]))
    assert (one.name, one.file, one.kind, one.rows, one.used) == ("box", "box.csv", "table", 99, 4)
    assert (one.duration_s, one.usual_step_s, one.longest_gap_s) == (3.0, 1.0, 1.0)
    assert one.channels == (LogChannel(name="gauge", readings=3, low=11.0, high=13.0),)
    assert (one.started_utc_s, one.clock_s, one.reordered, one.unused) == (7.0, 8.0, 4, ("x",))
    assert one.left_out == (LeftOut("no time", 2, 3),)


@pytest.mark.parametrize(
    ("usual", "pause", "gaps"),
    # Five usual steps, and two seconds at the least.
    [(0.1, 1.9, 0), (0.1, 2.1, 1), (1.0, 4.9, 0), (1.0, 5.1, 1)],
)
def test_a_gap_is_a_pause_of_five_steps_and_two_seconds(usual, pause, gaps):
    one = read([usual] * 5 + [pause] + [usual] * 5)
    assert (one.gaps, one.longest_gap_s) == (gaps, pytest.approx(pause))
    assert one.usual_step_s == pytest.approx(usual)


# Mixture by bands: whose ride it was, and what follows from two means -----------------------------


FULL = len(THROTTLE_EDGES) - 2


def mean(value, sd=0.005, dof=3):
    return BandMean(Interval(value, value - 2 * sd, value + 2 * sd), sd, dof, dof + 1, 20.0)


def setup(injector, engine="big", fuel="e5"):
    return SimpleNamespace(injector=injector, engine=engine, fuel=fuel)


def session(**setups):
    return SimpleNamespace(
        setups={"a": setup("i1"), "b": setup("i2")} | setups,
        about=SimpleNamespace(reference="a"),
    )


def track(still=(), leave=(100.0, 200.0)):
    time = np.arange(0.0, 300.0)
    speed = np.full(time.size, 10.0)
    for low, high in still:
        speed[(time >= low) & (time <= high)] = 0.9
    return SimpleNamespace(time_s=time, channels={"speed_m_s": speed})


def ridden(trace, *, up=(True, True), shift=0.0):
    found = SimpleNamespace(
        log="phone",
        passes=tuple(
            SimpleNamespace(run=run, up=one, enter_s=begin, leave_s=begin + 20.0)
            for run, begin, one in zip((1.0, 2.0), (80.0, 180.0), up, strict=True)
        ),
    )
    runs = {"run": [1.0, 2.0], "setup": ["a", "b"]}
    outing = SimpleNamespace(track=trace, found=found, runs=runs)
    return _setups(outing, SimpleNamespace(shift_s=SimpleNamespace(value=shift)))


@pytest.mark.parametrize(
    ("still", "up", "shift", "at"),
    [
        # From the last stop before a run on the ride is that run's.
        ([(20, 30), (60, 70), (130, 140)], (True, True), 0.0,
         {69: "", 70.5: "a", 139: "a", 140.5: "b", 290: "b"}),
        # Stops before the run that came before are not this one's.
        ([(20, 30)], (True, True), 0.0, {29: "", 31: "a", 179: "a", 181: "b"}),
        ([], (True, True), 0.0, {79: "", 81: "a", 179: "a", 181: "b"}),
        # In the gauge's own time, which is ten seconds behind.
        ([(60, 70), (130, 140)], (True, True), 10.0, {59: "", 61: "a", 129: "a", 131: "b"}),
        # A way down is no run.
        ([(60, 70), (130, 140)], (True, False), 0.0, {71: "a", 290: "a"}),
    ],
)  # fmt: skip
def test_a_setup_is_changed_while_the_bike_stands(still, up, shift, at):
    setup_at = ridden(track(still), up=up, shift=shift)
    assert {time: setup_at(time) for time in at} == at


def test_without_a_speed_a_ride_begins_with_its_run():
    bare = SimpleNamespace(time_s=np.arange(300.0), channels={})
    setup_at = ridden(bare)
    assert [setup_at(time) for time in (79.0, 81.0, 181.0)] == ["", "a", "b"]


def test_stretches_are_joined_by_setup_and_band():
    stretches = [Stretch(0, 1.0, 4.0, 0.99), Stretch(0, 5.0, 4.0, 1.01), Stretch(1, 6.0, 4.0, 0.9),
                 Stretch(0, 9.0, 4.0, 5.0)]  # fmt: skip
    found = _by_setup(stretches, lambda time: "a" if time < 8 else "")
    assert set(found) == {("a", 0), ("a", 1)}
    assert found["a", 0].interval.value == pytest.approx(1.0)
    assert found["a", 1].interval is None


def test_the_widest_throttle_is_fully_open():
    top = _band("a", "throttle", THROTTLE_EDGES, FULL, mean(0.9))
    assert (top.low, top.high, top.stretches, top.seconds) == (0.9, 1.0, 4, 20.0)
    below = _band("a", "throttle", THROTTLE_EDGES, 1, mean(0.9))
    assert (below.low, below.high) == (0.2, 0.4)
    fast = _band("a", "engine speed", np.array([4000.0, 5000.0]), 0, mean(0.9))
    assert (fast.low, fast.high) == (4000.0, 5000.0)


def logged(monkeypatch, *, scale=14.7, readings=True, shift=True, **channels):
    """Two rides of a minute; throttle and speed change every ten seconds."""
    monkeypatch.setattr(logs, "lambda_of", lambda session, shown: shown / 14.7)
    time = np.arange(0.0, 300.0, 0.5)
    trace = SimpleNamespace(time_s=time, channels={"gauge": np.full(time.size, 14.7)} | channels)
    lag = Interval(0.5, 0.4, 0.6)
    said = SimpleNamespace(log="box", shift_s=Interval(0.0, 0.0, 0.0) if shift else None, lag_s=lag)
    passes = tuple(
        SimpleNamespace(run=run, up=True, enter_s=begin, leave_s=begin + 20.0)
        for run, begin in ((1.0, 20.0), (2.0, 160.0))
    )
    return SimpleNamespace(
        found=SimpleNamespace(readings=said if readings else None, log="box", passes=passes),
        traces={"box": trace}, track=trace, gauge=SimpleNamespace(scale=scale),
        runs={"run": [1.0, 2.0], "setup": ["a", "b"]},
        setups={"b": setup("i2"), "a": setup("i1")}, about=SimpleNamespace(reference="a"),
    )  # fmt: skip


def test_bands_are_in_order_of_what_is_driven(monkeypatch):
    time = np.arange(0.0, 300.0, 0.5)
    part = (time // 10).astype(int) % 3
    throttle = np.choose(part, [0.1, 1.0, 0.95])
    speed = np.choose(part, [3000.0, 5200.0, 6700.0])
    some = logged(monkeypatch, throttle_ratio=throttle, engine_speed_rpm=speed)
    bands = mixture_by_bands(some)
    assert [(one.by, one.low, one.high, one.setup) for one in bands] == [
        ("throttle", 0.05, 0.2, "b"), ("throttle", 0.05, 0.2, "a"),
        ("throttle", 0.9, 1.0, "b"), ("throttle", 0.9, 1.0, "a"),
        ("engine speed", 5000.0, 6000.0, "b"), ("engine speed", 5000.0, 6000.0, "a"),
        ("engine speed", 6000.0, 7000.0, "b"), ("engine speed", 6000.0, 7000.0, "a"),
    ]  # fmt: skip
    assert all(one.lambda_.value == pytest.approx(1.0) for one in bands)
    # Ten seconds less one and a half and the longest lag, four or five times for each.
    assert bands[0].seconds == pytest.approx(bands[0].stretches * 7.0)
    assert bands[4].seconds == pytest.approx(bands[4].stretches * 7.0)
    none = logged(
        monkeypatch, throttle_ratio=np.choose(part, [0.1, 0.3, 0.5]), engine_speed_rpm=speed
    )
    assert {one.by for one in mixture_by_bands(none)} == {"throttle"}
    one = logged(monkeypatch, throttle_ratio=throttle, engine_speed_rpm=0 * speed + 5000.0)
    assert {one.by for one in mixture_by_bands(one)} == {"throttle"}


@pytest.mark.parametrize("lacks", ["scale", "readings", "shift", "throttle"])
def test_what_cannot_be_brought_to_runs_has_no_bands(monkeypatch, lacks):
    more = {} if lacks == "throttle" else {"throttle_ratio": np.ones(600)}
    how = {"scale": {"scale": None}, "readings": {"readings": False}, "shift": {"shift": False}}
    assert mixture_by_bands(logged(monkeypatch, **how.get(lacks, {}), **more)) == ()
    assert mixture_by_bands(SimpleNamespace(found=None)) == ()


# Curves of force: which rows and runs count, and what is not known --------------------------------


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
