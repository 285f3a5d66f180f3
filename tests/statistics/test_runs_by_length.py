"""Runs of a log without places: what a pull is, where it begins, and how well that is known."""

import numpy as np
import pytest

from tuninglib.statistics.track_runs import (
    _bend,
    _by_pattern,
    _by_throttle,
    _smoothed,
    runs_by_length,
)


def test_a_running_mean_takes_half_a_second_to_both_sides():
    time = np.array([0.0, 0.4, 0.9, 1.0, 1.6, 3.0])
    values = np.array([1.0, 2, 4, 8, 16, 32])
    # Rows from half a second before to, but not at, half a second after.
    wanted = [np.mean([1, 2]), np.mean([1, 2]), np.mean([2, 4, 8]), np.mean([4, 8]), 16.0, 32.0]
    np.testing.assert_allclose(_smoothed(time, values), wanted)


TIME = np.arange(0.0, 100.0, 0.2)


def opened(at=20.0, ramp=0.6, until=60.0, cruise=0.2, top=1.0):
    """Throttle that opens evenly within some time around a moment."""
    throttle = np.interp(TIME, [at - ramp / 2, at + ramp / 2], [cruise, top])
    return np.where(until > TIME, throttle, cruise)


def test_a_throttle_is_open_at_half_of_its_way():
    ((at, sd),) = _by_throttle(TIME, opened(), 15 * TIME, 400.0)
    # Between rows at 19.6 and 20.4, between 0.2 and 1: the middle of an even opening is 20 s.
    assert at == pytest.approx(20.0, abs=0.02)
    assert sd == pytest.approx(np.hypot(0.2 / np.sqrt(12), 0.3))
    quick = opened(ramp=0.01, at=20.1)
    ((at, _),) = _by_throttle(TIME, quick, 15 * TIME, 400.0)
    assert at == pytest.approx(20.1)
    # From where it began to rise for good, not from a blip before.
    blip = opened()
    blip[90:93] = [0.5, 0.7, 0.4]
    ((again, _),) = _by_throttle(TIME, blip, 15 * TIME, 400.0)
    assert again == pytest.approx(20.0, abs=0.02)


@pytest.mark.parametrize(
    ("throttle", "count"),
    [
        (opened(until=20 + 400 / 15 + 1), 1),
        # Open over eight tenths of the way and a little more, or less.
        (opened(until=20 + 0.84 * 400 / 15), 1),
        (opened(until=20 + 0.76 * 400 / 15), 0),
        (opened(top=0.91), 1),
        (opened(top=0.89), 0),
        # The log ends before the marker.
        (opened(at=99 - 400 / 15, until=200), 1),
        (opened(at=101 - 400 / 15, until=200), 0),
    ],
)
def test_full_throttle_over_the_hills_length_is_a_run(throttle, count):
    assert len(list(_by_throttle(TIME, throttle, 15 * TIME, 400.0))) == count


def pull(*, entry=12.0, gain=6.0, at=20.0, seconds=25.0, dip=0.0):
    speed = np.interp(TIME, [at, at + seconds, at + seconds + 5], [entry, entry + gain, entry])
    return speed - dip * np.exp(-(((TIME - at - 5) / 1.5) ** 2))


@pytest.mark.parametrize(
    ("speed", "count"),
    [
        (pull(), 1),
        (pull(gain=1.6), 1),
        (pull(gain=0.6), 0),
        (pull(entry=14.4), 1),
        (pull(entry=14.7), 0),
        (pull(entry=9.6), 1),
        # The pull goes on through the usual entry speed, but not over the length from there on.
        (pull(entry=8.0, seconds=12.0), 0),
        (pull(dip=1.6), 1),
        (pull(dip=4.5), 0),
        (np.full(TIME.size, 12.0), 0),
    ],
)
def test_a_pull_from_about_the_entry_speed_is_a_run(speed, count):
    found = runs_by_length(TIME, speed, length_m=300.0, entry_speed_m_s=12.0)
    assert found.enter_s.size == count


def test_a_pull_begins_where_two_lines_meet():
    rng = np.random.default_rng(6)
    for at in (20.0, 31.3):
        speed = pull(at=at, gain=16.0) + 0.05 * rng.standard_normal(TIME.size)
        way = np.concatenate([[0.0], np.cumsum(0.2 * (speed[1:] + speed[:-1]) / 2)])
        ((found, sd),) = _by_pattern(TIME, speed, way, 300.0, 12.0, 2.5)
        assert found == pytest.approx(at, abs=0.35)
        assert 0.3 < sd < 0.5
        # Together with how well a rider opens it at the line.
        bend, own = _bend(TIME, speed, np.flatnonzero(np.abs(TIME - at) < 1))
        assert bend == pytest.approx(found, abs=0.05)
        assert 0.1 < own < sd


def weights_by_brute_force(time, speed, places, *, readings):
    """Mean squares of two lines through each place, and what is then said of the place."""
    squares = []
    for place in places:
        near = np.abs(time - place) <= 5.0
        u, y = time[near] - place, speed[near]
        design = np.stack([np.ones(u.size), np.where(u < 0, u, 0), np.where(u > 0, u, 0)], 1)
        _, before, after = line = np.linalg.pinv(design) @ y
        # Speed must rise faster after it, by a twentieth of a metre a second each second.
        squares.append(np.mean((y - design @ line) ** 2) if after > before + 0.05 else np.inf)
    squares = np.array(squares)
    noise = squares.min() * readings / (readings - 3) + 1e-4
    weight = np.exp(-readings * (squares - squares.min()) / (2 * noise))
    return weight / weight.sum()


def test_where_lines_meet_is_averaged_over_where_they_may():
    """Rows over 9.8 s are so many readings; the places are a tenth of a second apart."""
    speed = pull() + 0.1 * np.sin(7.0 * np.arange(TIME.size))
    rows = np.flatnonzero(np.abs(TIME - 20) < 1.5)
    places = np.arange(TIME[rows[0]] - 2.0, TIME[rows[-1]] + 2.0, 0.1)
    # Of five seconds before the first and after the last of the rows.
    near = (TIME[rows[0]] - 5 <= TIME) & (TIME[rows[-1]] + 5 > TIME)
    weight = weights_by_brute_force(TIME[near], speed[near], places, readings=9.8)
    at, sd = _bend(TIME, speed, rows)
    assert at == pytest.approx(weight @ places, abs=0.003)
    wanted = np.sqrt(weight @ (places - at) ** 2 + 0.1**2 / 12)
    assert sd == pytest.approx(wanted, rel=0.01)


def test_speed_that_does_not_bend_upwards_begins_nothing():
    rows = np.flatnonzero(np.abs(TIME - 20) < 1)
    assert np.isnan(_bend(TIME, 12 + 0.1 * TIME, rows)).all()
    assert np.isnan(_bend(TIME, np.interp(TIME, [20, 40], [15.0, 5.0]), rows)).all()
    assert np.isfinite(_bend(TIME, np.interp(TIME, [20, 40], [12.0, 13.4]), rows)).all()
    assert np.isnan(_bend(TIME, np.interp(TIME, [20, 40], [12.0, 12.8]), rows)).all()


@pytest.mark.parametrize("throttle", [True, False])
def test_runs_do_not_overlap_and_end_the_length_later(throttle):
    speed = np.concatenate([pull(), pull()[5:]])
    time = 0.2 * np.arange(speed.size)
    full = np.concatenate([opened(until=47.0), opened(until=47.0)[5:]]) if throttle else None
    found = runs_by_length(time, speed, length_m=300.0, entry_speed_m_s=12.0, throttle_ratio=full)
    assert found.direction.tolist() == [1, 1]
    assert found.enter_s == pytest.approx([20.0, 119.0], abs=0.2)
    # 12 t + 0.12 t² is 300 m after 20.7 s.
    later = (-12 + np.sqrt(144 + 4 * 0.12 * 300)) / 0.24
    assert found.leave_s - found.enter_s == pytest.approx([later] * 2, abs=0.15)
    if throttle:
        own = np.hypot(0.2 / np.sqrt(12), 0.3)
        assert found.position_sd_m == pytest.approx(12.0 * own, rel=0.01)


def test_a_speed_that_is_not_logged_is_left_out():
    speed, full = pull(), opened(until=47.0)
    speed[::7], full[3::11] = np.nan, np.nan
    found = runs_by_length(TIME, speed, length_m=300.0, throttle_ratio=full)
    assert found.enter_s == pytest.approx([20.0], abs=0.3)
    bare = runs_by_length(TIME, speed, length_m=300.0)
    assert (bare.enter_s.size, np.isnan(bare.position_sd_m)) == (0, True)
    for rows, count in ((9, 0), (120, 0)):
        few = runs_by_length(TIME[:rows], pull()[:rows], length_m=1.0, throttle_ratio=full[:rows])
        assert few.enter_s.size <= count + 1


@pytest.mark.parametrize(("within", "count"), [(2.5, 0), (3.5, 1)])
def test_how_far_an_entry_may_be_off_is_stated(within, count):
    how = {"length_m": 300.0, "entry_speed_m_s": 15.0, "within_m_s": within}
    for throttle in (opened(until=47.0), None):
        assert runs_by_length(TIME, pull(), throttle_ratio=throttle, **how).enter_s.size == count
