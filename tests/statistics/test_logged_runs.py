"""Runs in logs of a known truth: found, timed, with speeds, readings and clocks as they were."""

import numpy as np
import pytest

from demo_data.log_maker import Devices, World, degrees, road, usual_force, written
from tuninglib.physics.track import local_metres
from tuninglib.statistics.clock_shift import (
    clock_shift,
)
from tuninglib.statistics.end_speeds import (
    end_speeds_from_speed,
    end_speeds_from_way,
)
from tuninglib.statistics.settled_gauge import full_stretch, gauge_lag, settled_reading
from tuninglib.statistics.track_runs import (
    line_passes,
    logged_grade,
    logged_length,
    runs_by_length,
)


def passes_of(made, **more):
    return line_passes(
        made.time_s, latitude_deg=made.latitude_deg, longitude_deg=made.longitude_deg,
        start_deg=made.start_deg, marker_deg=made.marker_deg, **more,
    )  # fmt: skip


@pytest.fixture(scope="module")
def outings():
    """Eight outings of five runs by devices of several rates, and what was found in each."""
    found = []
    for seed in range(8):
        devices = Devices(rate_hz=(1.0, 5.0, 1.0, 10.0)[seed % 4], jitter_s=0.02 * (seed % 2))
        made = written(np.random.default_rng(seed), [usual_force] * 5, [0.88] * 5, devices=devices)
        found.append((made, passes_of(made)))
    return found


def test_every_run_is_found_up_and_down(outings):
    for made, found in outings:
        np.testing.assert_array_equal(found.direction, [1, -1] * 5)
        up = found.direction > 0
        assert np.abs(found.enter_s[up] - made.start_s).max() < 1.5
        assert np.abs(found.leave_s[up] - made.marker_s).max() < 1.0
        assert 1.0 < found.position_sd_m < 6.0


def test_errors_of_the_lines_are_those_of_positions(outings):
    """A position is off by about so much, and a line is passed so much too early or too late."""
    off = [
        (found.leave_s[found.direction > 0] - made.marker_s) * made.exit_m_s / found.position_sd_m
        for made, found in outings
    ]
    assert 0.5 < np.std(np.concatenate(off)) < 1.3


@pytest.mark.slow
@pytest.mark.parametrize("source", ["speed", "positions"])
def test_speeds_at_both_lines_are_within_their_intervals(outings, source):
    scores = {"entry": [], "exit": []}
    for made, found in outings:
        up = found.direction > 0
        ends = {
            "enter_s": found.enter_s[up],
            "leave_s": found.leave_s[up],
            "place_sd_m": found.position_sd_m,
        }
        if source == "speed":
            speeds = end_speeds_from_speed(made.time_s, made.speed_m_s, **ends)
        else:
            metres = local_metres(made.latitude_deg, made.longitude_deg, origin_deg=made.start_deg)
            speeds = end_speeds_from_way(made.time_s, *metres, **ends)
        scores["entry"] += list((speeds.entry_m_s - made.entry_m_s) / speeds.entry_sd_m_s)
        scores["exit"] += list((speeds.exit_m_s - made.exit_m_s) / speeds.exit_sd_m_s)
        widest = 0.4 if source == "speed" else 2.0
        assert speeds.exit_sd_m_s.max() < widest
    for score in scores.values():
        assert np.mean(np.abs(score) < 1.96) >= 0.85
        assert abs(np.mean(score)) < 0.6


@pytest.mark.parametrize("by", ["throttle", "pattern"])
def test_runs_without_places_are_found_where_they_were(outings, by):
    off = []
    for made, _ in outings:
        throttle = made.throttle_ratio if by == "throttle" else None
        found = runs_by_length(
            made.time_s, made.speed_m_s, length_m=400.0, entry_speed_m_s=12.5,
            throttle_ratio=throttle,
        )  # fmt: skip
        assert found.enter_s.size == 5
        off += list((found.enter_s - made.start_s) * made.entry_m_s / found.position_sd_m)
    assert np.mean(np.abs(off) < 1.96) > 0.85


def ride_of(places, speed=12.0):
    """Straight at one speed through places along the road, in metres of way and aside."""
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(places, axis=0).T))])
    time = np.arange(0.0, way[-1] / speed, 0.5)
    along, aside = (np.interp(time * speed, way, column) for column in np.transpose(places))
    east, north = road(along)
    turned = 0.6 + along / 700.0
    return time, *degrees(east + aside * np.sin(turned), north - aside * np.cos(turned))


def test_a_gap_at_the_line_is_a_pass_of_which_nothing_was_seen():
    time, latitude, longitude = ride_of([(-150, 0), (550, 0)])
    away = np.abs(time * 12 - 150) < 40
    found = line_passes(
        time[~away], latitude_deg=latitude[~away], longitude_deg=longitude[~away],
        start_deg=degrees(*road(0.0)), marker_deg=degrees(*road(400.0)),
    )  # fmt: skip
    # From 110 to 190 m, on a grid of 6 m: from 108 to 192 m at 12 m/s.
    assert found.direction.tolist() == [1]
    assert (found.enter_gap_s[0], found.leave_gap_s[0]) == (pytest.approx(7.0), 0.0)
    assert found.enter_s[0] == pytest.approx(16.0)


def test_the_grade_of_the_elevations_holds_the_true_one(outings):
    """By hand: 7.491 m and 16.961 m up in 149.81 m and 249.42 m of level way are 6.125 %."""
    held = []
    for made, found in outings:
        metres = local_metres(made.latitude_deg, made.longitude_deg, origin_deg=made.start_deg)
        grade = logged_grade(
            made.time_s, *metres, made.elevation_m, enter_s=found.enter_s, leave_s=found.leave_s,
            direction=found.direction,
        )  # fmt: skip
        held.append(grade.low <= 0.06125 <= grade.high)
        assert grade.half_width < 0.012
    assert sum(held) >= 6


def test_the_length_between_the_lines_holds_the_true_one(outings):
    """The way in the maker's world is that of the map: 400 m on an arc of 700 m."""
    held = []
    for made, found in outings:
        metres = local_metres(made.latitude_deg, made.longitude_deg, origin_deg=made.start_deg)
        length = logged_length(made.time_s, *metres, enter_s=found.enter_s, leave_s=found.leave_s)
        held.append(length.low <= 400 <= length.high)
        assert length.half_width < 15
    assert sum(held) >= 7


@pytest.mark.parametrize("step", [1, 5])
def test_clocks_are_brought_together_by_what_both_saw(step):
    held = 0
    for seed in range(6):
        made = written(np.random.default_rng(seed), [usual_force] * 5, [0.88] * 5)
        part = slice(150, made.time_s.size - 200)
        found = clock_shift(
            made.time_s[::step],
            made.speed_m_s[::step],
            made.time_s[part] - 33.3,
            made.engine_speed_rpm[part],
        )
        assert found.likeness > 0.8
        assert abs(found.shift_s.value - 33.3) < 0.6
        held += found.shift_s.low <= 33.3 <= found.shift_s.high
    assert held >= 5


def test_rounds_that_are_all_alike_leave_the_clock_open():
    """One round upon the next fits as well: which is which cannot be told."""
    time = np.arange(0.0, 1200.0, 0.5)
    seen = np.sin(2 * np.pi * time / 120) ** 3 + 0.3 * np.sin(2 * np.pi * time / 24)
    found = clock_shift(time, seen, time[:1200] - 5.0, seen[:1200])
    assert (found.shift_s, found.why_not) == (None, "twins")


def gauge_world(seed, **more):
    devices = Devices(rate_hz=10.0, **more)
    lambdas = [0.84, 0.88, 0.95, 0.86]
    made = written(
        np.random.default_rng(seed), [usual_force] * 4, lambdas, world=World(), devices=devices
    )
    full = [
        full_stretch(made.time_s, made.throttle_ratio, enter_s=a - 1.5, leave_s=b + 1.5)
        for a, b in zip(made.start_s, made.marker_s, strict=True)
    ]
    return made, lambdas, full


@pytest.mark.parametrize(("delay", "constant"), [(0.3, 0.5), (0.8, 0.3), (0.1, 0.9)])
def test_the_lag_of_the_gauge_is_found_where_the_throttle_opens(delay, constant):
    """Half of the way is reached after the delay and ln 2 of the constant, by the first order.

    Less 0.12 s: the maker's filter is a step of 0.05 s ahead, and the log's rows, a tenth apart,
    see nine tenths of the throttle 0.07 s after the mixture turned.
    """
    wanted = delay + np.log(2) * constant - 0.12
    made, _, full = gauge_world(2, gauge_delay_s=delay, gauge_time_s=constant)
    lag = gauge_lag(
        made.time_s, made.lambda_, opened_s=[o.from_s for o in full], shut_s=[o.to_s for o in full]
    )
    assert lag.value == pytest.approx(wanted, abs=0.06)
    assert lag.low <= wanted <= lag.high


def test_the_settled_reading_is_that_of_full_throttle():
    """The transient from cruise, at lambda 1, is not in it: its middle is the run's own."""
    made, lambdas, full = gauge_world(4)
    for one, wanted in zip(full, lambdas, strict=True):
        found = settled_reading(made.time_s, made.lambda_, full=one, lag_s=0.7)
        assert (found.low + found.high) / 2 == pytest.approx(wanted, abs=0.006)
        assert found.high - found.low < 0.04
        assert found.samples > 100
    short = full[0]._replace(to_s=full[0].from_s + 3.3)
    assert settled_reading(made.time_s, made.lambda_, full=short, lag_s=0.7).samples < 5
