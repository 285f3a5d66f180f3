"""Runs in a track, by hand: lines passed, pulls, speeds at both ends, grade, and two clocks."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.linalg import null_space
from scipy.stats import linregress, multivariate_normal

from tests.tools.simulate_logs import approached
from tuninglib.statistics.clock_shift import (
    _even,
    _likeness,
    _pieces,
    _rivals,
    clock_shift,
)
from tuninglib.statistics.end_speeds import (
    _at_line,
    _AtLine,
    _by_lasting,
    _by_quickness,
    _ends,
    _likelihood,
    _shares,
    _way,
    _Window,
    _windows,
    _with_pull,
    end_speeds_from_speed,
    end_speeds_from_way,
)
from tuninglib.statistics.repeats import mean_interval
from tuninglib.statistics.track_runs import (
    _bend,
    _between,
    _by_pattern,
    _by_throttle,
    _mean_of_passes,
    _passes,
    _position_sd,
    _same_way,
    _smoothed,
    _unseen,
    _way_of_each,
    gear_changes,
    line_passes,
    logged_grade,
    logged_length,
    pull_ends,
    pulls,
    runs_by_length,
    runs_by_pulls,
    speed_of_way,
)

# Lines --------------------------------------------------------------------------------------------


DEGREE_M = 111_319.49


def straight(speed=10.0, step=1.0, heading=0.0, aside=0.0, start=-103.0, seconds=30.0):
    """Past the place at the origin; with the moment at which it is nearest."""
    time = np.arange(0.0, seconds + step / 2, step)
    along = start + speed * time
    cos, sin = np.cos(heading), np.sin(heading)
    place = np.stack([along * cos - aside * sin, along * sin + aside * cos])
    return time, place, -start / speed


@pytest.mark.parametrize("heading", [0.0, 0.64, 2.2, -1.3])
@pytest.mark.parametrize("step", [0.2, 1.0, 3.0])
@pytest.mark.parametrize("aside", [-12.0, 0.0, 7.0])
def test_a_line_is_passed_where_the_ride_is_nearest(heading, step, aside):
    time, place, wanted = straight(step=step, heading=heading, aside=aside)
    ((at, across, *direction),) = _passes(time, place)
    assert at == pytest.approx(wanted)
    # To the left is positive.
    assert across == pytest.approx(aside)
    assert direction == pytest.approx([np.cos(heading), np.sin(heading)])


@pytest.mark.parametrize(
    ("how", "count"),
    [
        ({"aside": 29.9}, 1), ({"aside": 30.1}, 0), ({"aside": -29.9}, 1), ({"aside": -30.1}, 0),
        ({"speed": 2.1, "start": -20.0}, 1), ({"speed": 1.9, "start": -20.0}, 0),
        ({"step": 4.9, "seconds": 40.0}, 1), ({"step": 5.1, "seconds": 40.0}, 0),
        # Stops short of it, or starts behind it.
        ({"seconds": 9.0}, 0), ({"start": 8.0}, 0),
        # A line between two rows, or upon one, is passed once.
        ({"start": -105.0}, 1), ({"start": -100.0}, 1), ({"start": -109.9}, 1),
    ],
)  # fmt: skip
def test_what_a_pass_is(how, count):
    time, place, _ = straight(**how)
    assert len(_passes(time, place)) == count


@pytest.mark.parametrize(("metres", "passes"), [(18.0, 1), (24.0, 2)])
def test_back_within_four_seconds_is_the_same_pass(metres, passes):
    """Over the line, on for some metres at 10 m/s, and back: 3.6 or 4.8 s later."""
    time = np.arange(0.0, 40.0, 0.1)
    along = 10 * time - 103.0
    along = np.where(along > metres, 2 * metres - along, along)
    found = _passes(time, np.stack([along, 0 * along]))
    assert len(found) == passes
    if passes == 2:
        # Two seconds to each side of the turn are not straight, so the moment is a little off.
        assert found[1][0] - found[0][0] == pytest.approx(2 * metres / 10, abs=0.5)
        assert found[0][2] == pytest.approx(1.0)
        assert found[1][2] == pytest.approx(-1.0)


@pytest.mark.parametrize(("degrees", "kept"), [(59.0, True), (61.0, False), (180.0, False)])
def test_headings_of_sixty_degrees_off_are_another_road(degrees, kept):
    angles = np.deg2rad([0.0, 0.0, degrees, 0.0])
    found = _same_way(np.stack([np.cos(angles), np.sin(angles)], axis=1))
    assert found.tolist() == [True, True, kept, True]
    two = np.deg2rad([0.0, degrees])
    assert _same_way(np.stack([np.cos(two), np.sin(two)], axis=1)).all()


@pytest.mark.parametrize("end", [0, 1])
@pytest.mark.parametrize("way", [1, -1])
def test_each_line_has_a_heading_for_up_and_one_for_down(way, end):
    """Three runs up and three down, one of which passes one of its lines on another road."""
    gates, odd = ([], []), 3 if way < 0 else 2
    for run in range(6):
        direction = 1 if run % 2 == 0 else -1
        for number in (0, 1):
            line = number if direction > 0 else 1 - number
            angle = 0.3 * line + (0 if direction > 0 else np.pi)
            angle += np.deg2rad(70) * (run == odd and number == end)
            at = 100.0 * run + 30 * number
            gates[line].append((at, 1.0, np.cos(angle), np.sin(angle), at - 0.3, at + 0.4))
    found, kept = _between(gates), np.delete(np.arange(6), odd)
    assert found.direction.tolist() == [1 if run % 2 == 0 else -1 for run in kept]
    # Where a line was passed unseen, the run is what was seen: from its end on, and to its begin.
    assert found.enter_s == pytest.approx(100 * kept + 0.4)
    assert found.leave_s == pytest.approx(100 * kept + 29.7)
    assert (found.enter_gap_s, found.leave_gap_s) == (pytest.approx(0.7), pytest.approx(0.7))


@pytest.mark.parametrize("turn", [0.0, 2.5])
@pytest.mark.parametrize(
    ("how", "there"),
    [
        ({}, True),
        # Farther aside than 30 m and 15 % of 100 m.
        ({"aside": 44.9}, True), ({"aside": -44.9}, True), ({"aside": 45.1}, False),
        # Slower than 2 m/s; no gap; in front of the gap, and behind it.
        ({"gap": 49.0}, True), ({"gap": 51.0}, False), ({"gap": 4.9}, False), ({"gap": 5.1}, True),
        ({"start": 0.5}, False), ({"start": -0.5}, True), ({"start": -99.5}, True),
        ({"start": -100.5}, False),
        # Seen beside it: less than four seconds from either end.
        ({"seen": [-2.1, 16.1]}, True), ({"seen": [-1.9]}, False), ({"seen": [15.9]}, False),
        ({"seen": [-7.0, 7.0, 30.0]}, False),
    ],
)  # fmt: skip
def test_a_line_is_passed_unseen_where_the_straight_way_over_a_gap_passes_it(how, there, turn):
    """Rows a second apart at 10 m/s, from the third to the fourth of which 100 m are missing."""
    how = {"aside": 7.0, "gap": 10.0, "start": -10.0, "seen": []} | how
    time = np.cumsum([0.0, 1.0, 1.0, how["gap"], 1.0])
    x, y, (cos, sin) = how["start"] + np.array([-20.0, -10, 0, 100, 110]), how["aside"], [
        f(turn) for f in (np.cos, np.sin)
    ]  # fmt: skip
    found = _unseen(time, np.stack([x * cos - y * sin, x * sin + y * cos]), how["seen"])
    assert len(found) == there
    for at, across, *rest in found:
        assert at == pytest.approx(2 - how["start"] / 100 * how["gap"])
        assert np.isnan(across)
        assert rest == pytest.approx([cos, sin, 2.0, 2.0 + how["gap"]])


def test_the_error_of_positions_joins_the_stated_with_what_passes_show():
    """By hand: four of 9 m2, and of two runs up and one down each end's squares about its mean."""
    aside = np.array([1.0, 4.0, 0.0, 5.0, -2.0, 0.0])
    first, direction = np.array([0, 2, 4]), np.array([1, -1, 1])
    # Up: 1 and -2 at the start, 4 and 0 at the marker. Down, there is one.
    squares = 2 * 1.5**2 + 2 * 2.0**2
    found = _position_sd(aside, direction, first)
    assert found == pytest.approx(np.sqrt((4 * 9 + squares) / (4 + 2)))
    assert _position_sd(aside, direction[:1], first[:1]) == pytest.approx(3.0)


def over(east_m, **more):
    """Lines 300 m apart along the equator, ridden at even steps of a second."""
    east_m = np.asarray(east_m, dtype=float)
    how = {
        "latitude_deg": np.zeros(east_m.size), "longitude_deg": east_m / DEGREE_M,
        "start_deg": (0.0, 0.0), "marker_deg": (0.0, 300 / DEGREE_M),
    } | more  # fmt: skip
    return line_passes(np.arange(float(east_m.size)), **how)


def test_runs_are_from_one_line_to_the_other_with_none_between():
    there = np.arange(-55.0, 356.0, 10.0)
    turned = np.arange(-55.0, 100.0, 10.0)
    # Up; down; up to the start line only and back; up.
    ride = np.concatenate([there, there[::-1], turned, turned[::-1], there])
    found = over(ride)
    assert found.direction.tolist() == [1, -1, 1]
    assert found.enter_s == pytest.approx([5.5, 47.5, 5.5 + 2 * 42 + 2 * 16], abs=1e-6)
    assert found.leave_s == pytest.approx(found.enter_s + 30, abs=1e-6)
    assert found.position_sd_m == pytest.approx(3 * np.sqrt(4 / 6))


def test_who_stands_at_a_line_for_days_is_found_as_quickly_as_who_rides():
    # Every row beside every other one would be minutes, and every run beside its like gigabytes.
    there = np.arange(-55.0, 356.0, 10.0)
    stands = 2.0 * np.random.default_rng(4).standard_normal(100_000)
    found = over(np.concatenate([stands, there]))
    assert found.direction.tolist() == [1]
    assert found.enter_s == pytest.approx([100_005.5], abs=1e-6)
    rounds = np.tile([-100.0, 400.0], 10_000)
    seconds = 10.0 * np.arange(rounds.size)
    found = line_passes(
        seconds, latitude_deg=0 * rounds, longitude_deg=rounds / DEGREE_M,
        start_deg=(0.0, 0.0), marker_deg=(0.0, 300 / DEGREE_M),
    )  # fmt: skip
    assert found.direction.tolist() == [1, -1] * 9_999 + [1]


def test_places_that_are_not_known_are_left_out():
    there = np.arange(-55.0, 356.0, 10.0)
    there[[3, 20]] = np.nan
    assert over(there).enter_s == pytest.approx([5.5])


@pytest.mark.parametrize(("metres", "refused"), [(59.0, True), (61.0, False)])
def test_two_lines_are_twice_the_reach_apart(metres, refused):
    there, marker = np.arange(-55.0, 156.0, 10.0), (0.0, metres / DEGREE_M)
    if refused:
        with pytest.raises(ValueError, match="are 59 m apart but must be at least 60 m"):
            over(there, marker_deg=marker)
    else:
        assert over(there, marker_deg=marker).direction.tolist() == [1]


# Runs without places ------------------------------------------------------------------------------


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
        ((found, sd),) = _by_pattern(TIME, speed, way, 300.0, 12.0)
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


@pytest.mark.parametrize(("usual", "count"), [(15.0, 0), (14.0, 1)])
def test_an_entry_may_be_off_by_two_and_a_half(usual, count):
    how = {"length_m": 300.0, "entry_speed_m_s": usual}
    for throttle in (opened(until=47.0), None):
        assert runs_by_length(TIME, pull(), throttle_ratio=throttle, **how).enter_s.size == count


def test_a_running_mean_is_of_the_rows_within_half_a_second():
    time = np.cumsum(np.random.default_rng(8).uniform(0.05, 0.7, 60))
    wanted = [time[(time >= t - 0.5) & (time < t + 0.5)].mean() for t in time]
    np.testing.assert_allclose(_smoothed(time, time), wanted)


def test_a_rough_speed_is_of_places_two_seconds_apart():
    """Way |t - 5|: by the row or two a second before and after; none beside a gap of three."""
    for step, far in ((0.25, 1.25), (0.5, 1.0), (1.0, 1.0), (3.0, 3.0)):
        time = np.arange(0.0, 21.0, step)
        at, speed = speed_of_way(time, 0.6 * np.abs(time - 9), 0.8 * np.abs(time - 9))
        inner = (at >= far) & (at <= time[-1] - far)
        wanted = np.abs(np.abs(at + far - 9) - np.abs(at - far - 9)) / (2 * far)
        np.testing.assert_allclose(speed[inner], wanted[inner], atol=1e-12)
    time = np.arange(0.0, 12.0, 0.25)
    at, _ = speed_of_way(*[time[(time <= 3) | (time >= 6)]] * 3)
    wanted = (time > 0.5) & (time < 2.5) | (time > 6.5) & (time < 11.25)
    np.testing.assert_allclose(at, time[wanted])


# Runs by engine speed -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("knots", "speeds", "count"),
    [
        # Eight per cent at least, over four seconds.
        ([10, 20, 22], [5000, 5450, 5000], 1), ([10, 20, 22], [5000, 5350, 5000], 0),
        ([10, 14.5, 17], [5000, 6200, 5000], 1), ([10, 13.5, 17], [5000, 6200, 5000], 0),
        # Then it falls by one per cent within two seconds, all of which is there.
        ([10, 20, 22, 30], [5000, 6000, 5920, 5000], 1),
        ([10, 20, 22, 24], [5000, 6000, 5960, 5900], 0),
        ([10, 20, 21.3], [5000, 6000, 5400], 1), ([10, 20, 20.5], [5000, 6000, 5700], 0),
    ],
)  # fmt: skip
def test_what_a_pull_is(knots, speeds, count):
    time = np.arange(0.0, knots[-1] + (8 if speeds[-1] == 5000 else 0), 0.05)
    assert len(pulls(time, np.interp(time, knots, speeds))) == count


def test_a_pull_begins_at_a_bend_or_after_a_fall_and_needs_to_be_heard_all_the_way():
    time = np.arange(0.0, 30.0, 0.05)
    even = np.interp(time, [10, 20, 22], [5000, 6500, 5000])
    # Of 6500 turns 20 m/s: it falls by 0.31, or by 0.15 m/s each second.
    for before, falls in ((6000, True), (5480, False)):
        ((at, sd, end),) = pulls(time, np.interp(time, [0, 10, 20, 22], [before, 5000, 6500, 5000]))
        assert (at, end) == (pytest.approx(10, abs=0.15), pytest.approx(20))
        assert (sd == 0.15) == falls
    for pause, count in ((0.9, 1), (1.1, 0)):
        heard = (time < 14.98) | (time > 14.98 + pause)
        assert len(pulls(time[heard], even[heard])) == count


def test_a_gear_is_twelve_per_cent_from_the_next():
    time = np.arange(0.0, 30.0, 0.05)
    for share, count in ((0.13, 2), (-0.13, 2), (0.11, 0)):
        found = gear_changes(time, 6000 * np.exp(share * ((time >= 10) & (time < 20))))
        assert found == (pytest.approx(10, abs=0.06), pytest.approx(20, abs=0.06))[:count]
    # The change itself may take most of a second.
    slow = np.interp(time, [10.0, 10.7], [7000.0, 5500.0])
    assert gear_changes(time, slow) == (pytest.approx(10.35, abs=0.06),)
    assert gear_changes(time[:3], slow[:3]) == ()


def test_runs_begin_and_end_at_their_pulls_or_at_their_marks():
    time = np.arange(0.0, 60.0, 0.05)
    speed = np.interp(time, [0, 10, 30, 34, 60], [5000, 5000, 7000, 5000, 5000])
    ((begin, sd, end),) = pulls(time, speed)
    # Opened 0.3 s about the line; shut a tenth of a second after the marker, a quarter about it.
    wanted = [[begin, np.hypot(sd, 0.3), end - 0.1, 0.25]]
    assert pull_ends(time, speed) == pytest.approx(np.array(wanted))
    speed[time >= 45] = 6500
    heard = (time < 5) | (time > 6.1)
    marks = [(2.0, 4.95), (2.0, 5.0), (3.0, 9.0), (4.9, 6.0), (6.0, 9.0), (10.0, 44.0),
             (40.0, 50.0), (46.0, 58.0), (50.0, 61.0)]  # fmt: skip
    found = pull_ends(time[heard], speed[heard], marks)
    assert found[:, [0, 2]].tolist() == [list(one) for one in marks]
    whole = [True, True, False, False, True, True, False, True, False]
    assert np.where(whole, 0.3, np.nan) == pytest.approx(found[:, 1], nan_ok=True)
    assert found[:, 1] == pytest.approx(found[:, 3], nan_ok=True)


@pytest.mark.parametrize(("opened_sd", "shut_sd", "runs"), [(0.4, 0.25, 3), (0.1, 0.05, 3),
                                                          (0.1, 0.05, 2)])  # fmt: skip
def test_ends_are_moved_until_a_run_is_as_long_as_the_hill(opened_sd, shut_sd, runs):
    """From 50 to 100 turns a second in 20 s: 1500 turns, and more where it began or ended aside."""
    time = np.arange(0.0, 401.0, 0.1)
    rpm = np.interp(time % 100, [10, 30, 50, 51], [3000, 6000, 6000, 3000])
    early, late = np.array([0.0, 0.4, 0.2]), np.array([0.0, 0.2, 0.1])
    begin, end = 10 + 100 * np.arange(3) - early, 30 + 100 * np.arange(3) + late
    turns, start = (1500 + 50 * early + 100 * late)[:runs], 100 * np.arange(3)
    ends = [(*one, opened_sd, shut_sd) for one in zip(begin, end, strict=True)][:runs]
    # In another gear, a fifth more turns.
    ends.insert(1, (310.0, 333.0, opened_sd, shut_sd))
    found = runs_by_pulls(time, rpm, length_m=450.0, ends=np.array(ends)[:, [0, 2, 1, 3]])
    opens, shuts = (50 * opened_sd) ** 2, (100 * shut_sd) ** 2
    own = max(opens + shuts, turns.var(ddof=1) if runs > 2 else 0.0)
    assert found.rows.tolist() == [0, *range(2, runs + 1)]
    assert found.metres_per_turn == pytest.approx(450 / turns.mean())
    short = turns.mean() - turns
    share = opens / (opens + shuts)
    wanted = (
        (begin - start)[:runs] - share * short / 50,
        (end - start)[:runs] + (1 - share) * short / 100,
    )
    got = found.lines.enter_s - start[:runs], found.lines.leave_s - start[:runs]
    np.testing.assert_allclose(got, wanted, atol=1e-3)
    # The hand that is late with all of them is 0.15 s at 100 turns a second.
    assert found.relative_sd == pytest.approx(np.sqrt(own / runs + 15**2) / turns.mean())
    left = np.sqrt(opens * shuts / (opens + shuts) + own / runs)
    assert found.lines.position_sd_m == pytest.approx(450 / turns.mean() * left)
    assert found.lines.direction.tolist() == [1] * runs
    assert not found.lines.enter_gap_s.any()
    assert not found.lines.leave_gap_s.any()
    none = runs_by_pulls(time, 0 * rpm + 5000, length_m=450.0)
    assert (none.lines.enter_s.size, none.rows.size) == (0, 0)
    assert np.isnan((none.metres_per_turn, none.relative_sd)).all()


# Speeds at both ends ------------------------------------------------------------------------------


def windows_of(time, values, enter=20.0, leave=40.0, place=2.0):
    found = _windows([time, *np.atleast_2d(values)], [enter], [leave], place)
    return {one.end: one for one in found}


def test_what_is_fitted_stays_clear_of_the_lines():
    """Two standard deviations of the place, ridden at the run's mean speed of 16 m/s: 0.25 s."""
    time = np.arange(0.0, 60.0, 0.1)
    found = windows_of(time, np.full(time.size, 16.0))
    entry, exit_ = found["entry"], found["exit"]
    assert entry.time[[0, -1]] == pytest.approx([13.8, 19.7], abs=0.051)
    assert exit_.time[[0, -1]] == pytest.approx([20.3, 39.7], abs=0.051)
    assert (entry.at, exit_.at) == (20.0, 40.0)
    assert (entry.terms, exit_.terms) == (2, 4)
    # Of positions one term more, as the way is what the speed is of.
    way = windows_of(time, np.stack([9.6 * time, 12.8 * time]))
    assert (way["entry"].terms, way["exit"].terms) == (3, 5)
    assert way["exit"].time[0] == pytest.approx(20.3, abs=0.051)


@pytest.mark.parametrize(
    ("speed", "place", "margin"),
    # Walking pace counts as 2 m/s; a place that is hardly known takes a sixth at most.
    [(1.0, 2.0, 2.0), (4.0, 2.0, 1.0), (10.0, 100.0, 20 / 6)],
)
def test_the_margin_is_what_the_place_is_worth_in_time(speed, place, margin):
    time = np.arange(0.0, 60.0, 0.05)
    found = windows_of(time, np.full(time.size, speed), place=place)
    assert found["exit"].time[0] == pytest.approx(20 + margin, abs=0.051)
    assert found["exit"].time[-1] == pytest.approx(40 - margin, abs=0.051)
    assert found["entry"].time[[0, -1]] == pytest.approx([14 - margin, 20 - margin], abs=0.051)


@pytest.mark.parametrize(("rows", "ends"), [(7, {"entry", "exit"}), (6, set())])
def test_seven_rows_make_a_run(rows, ends):
    """As many on the run; the margins take one at either end, and five are one more than terms."""
    step = 20.0 / rows
    time = np.concatenate([np.arange(14.0, 20.0, 0.5), 20.0 + step * (np.arange(rows) + 0.5)])
    found = windows_of(time, np.full(time.size, 15.0), place=0.1)
    assert set(found) == ends
    # Four rows before the line are two more than terms; three are not.
    for before, there in ((4, True), (3, False)):
        some = time[12 - before :]
        assert ("entry" in windows_of(some, np.full(some.size, 15.0), place=0.1)) == (
            there and rows == 7
        )


def test_the_way_is_made_of_positions_a_second_apart():
    time = np.array([0.0, 0.5, 0.99, 1.2, 2.0, 3.5])
    place = np.stack([3 * time, 4 * time])
    kept, way = _way(time, place)
    np.testing.assert_allclose(kept, [0, 0.99, 2.0, 3.5])
    np.testing.assert_allclose(way, 5 * kept)
    assert _way(time[:0], place[:, :0])[0].size == 0


def noisy(seed=3, n=40, terms=4):
    rng = np.random.default_rng(seed)
    time = 20 + 0.5 * np.arange(n)
    values = 12 + 0.3 * (time - 20) - 0.004 * (time - 20) ** 2 + 0.2 * rng.standard_normal(n)
    return _Window(0, "exit", time, values, terms, 40.0)


def by_contrasts(window, covariance):
    """Log density of what the polynomial leaves, in contrasts that it cannot touch."""
    powers = (window.time[:, None] - window.time.mean()) ** np.arange(window.terms)
    free = null_space(np.linalg.qr(powers)[0].T)
    data = free.T @ window.values
    return data, free.T @ covariance @ free


@pytest.mark.outside(source="scipy: normal density of error contrasts, as the reference")
@pytest.mark.parametrize("model", ["lasting", "quick"])
def test_the_likelihood_is_that_of_what_the_polynomial_cannot_touch(model):
    """Two windows of one run; between two covariances only the difference matters."""
    windows = [noisy(3), noisy(4, n=14, terms=2)]
    open_size = model == "lasting"
    models = _by_lasting(windows) if open_size else _by_quickness(windows, 2.0)
    found = [_likelihood(windows, own, open_size)[0] for own in models]
    wanted = []
    for own in models:
        parts = [by_contrasts(*pair) for pair in zip(windows, own, strict=True)]
        count = sum(data.size for data, _ in parts)
        squares = sum(data @ np.linalg.solve(cov, data) for data, cov in parts)
        size = squares / count if open_size else 1.0
        wanted.append(sum(multivariate_normal(cov=size * cov).logpdf(data) for data, cov in parts))
    np.testing.assert_allclose(np.diff(found), np.diff(wanted), rtol=1e-7, atol=1e-9)


def test_covariances_are_of_a_noise_that_lasts():
    window = noisy(n=10)
    models = _by_lasting([window])
    np.testing.assert_array_equal(models[0][0], np.eye(10))
    # Two rows half a second apart, lasting 0.6 s, of 95 parts in a hundred.
    assert models[2][0][3, 4] == pytest.approx(0.95 * np.exp(-0.5 / 0.6))
    assert np.diag(models[2][0]) == pytest.approx(np.ones(10))
    quick = _by_quickness([window], 2.0)
    assert len(quick) == 5 * 12
    # A tenth to 1.2 times the place's error, over 40 s, and 3 cm to 5 m of quick error.
    assert quick[0][0][3, 4] == pytest.approx(0.2**2 * np.exp(-0.5 / 40))
    assert quick[-1][0][3, 4] == pytest.approx(2.4**2 * np.exp(-0.5 / 40))
    for at, rough, size in ((0, 0.2, 0.03), (11, 0.2, 5.0), (-1, 2.4, 5.0)):
        assert quick[at][0][2, 2] == pytest.approx(rough**2 + size**2)


def test_an_end_has_the_value_the_slope_and_the_place_of_its_line():
    """A parabola without noise: 12 + 0.4 t - 0.01 t² from the line on, 20 s long."""
    time = np.arange(0.0, 60.0, 0.2)
    u = np.clip(time - 20, -20, 20)
    speed = np.where(time < 20, 12.0 + 0.05 * (time - 20), 12 + 0.4 * u - 0.01 * u**2)
    found = end_speeds_from_speed(time, speed, enter_s=[20.0], leave_s=[40.0], place_sd_m=3.0)
    assert (found.entry_m_s[0], found.exit_m_s[0]) == pytest.approx((12.0, 16.0), abs=2e-3)
    # Slopes: 0.05 at the start line, 0.4 - 0.4 at the marker; 0.06 m/s for gusts. In the half
    # second before the line that is left out the hand may have moved, if it mostly did not.
    assert np.hypot(0.05 * 3 / 12, 0.06) < found.entry_sd_m_s[0] < 0.2
    assert found.exit_sd_m_s[0] == pytest.approx(0.06, rel=2e-3)
    east = np.concatenate([[0.0], np.cumsum(0.2 * (speed[1:] + speed[:-1]) / 2)])
    way = end_speeds_from_way(time, 0.6 * east, 0.8 * east, enter_s=[20.0], leave_s=[40.0],
                              place_sd_m=0.05)  # fmt: skip
    assert (way.entry_m_s[0], way.exit_m_s[0]) == pytest.approx((12.0, 16.0), abs=0.02)


def test_the_error_of_an_end_grows_with_the_slope_there():
    """Of a window that is known exactly but for its place: bend over speed times metres."""
    time = np.arange(0.0, 10.0, 0.5)
    for derivative, values in ((0, 10 + 0.5 * time), (1, 10 * time + 0.25 * time**2)):
        window = _Window(0, "exit", time, values, 3, 10.0)
        models = [[1e-8 * np.eye(time.size)]]
        found = _ends([window], models, 1, 4.0, derivative=derivative)
        assert found.exit_m_s[0] == pytest.approx(15.0)
        assert found.exit_sd_m_s[0] == pytest.approx(np.hypot(0.5 * 4 / 15, 0.06), rel=1e-3)
        assert np.isnan(found.entry_m_s[0])
    # Hardly moving counts as a metre a second.
    slow = _Window(0, "exit", time, 0.01 * time, 3, 10.0)
    found = _ends([slow], [[1e-8 * np.eye(time.size)]], 1, 4.0, derivative=0)
    assert found.exit_sd_m_s[0] == pytest.approx(np.hypot(0.01 * 4 / 1.0, 0.06), rel=1e-3)


@pytest.mark.outside(source="statsmodels, generalised least squares, as the reference")
@pytest.mark.parametrize("derivative", [0, 1])
def test_without_moves_the_speed_at_the_line_is_that_of_least_squares(derivative):
    window = noisy(n=30, terms=3)
    covariance = _by_lasting([window])[2][0]
    story = _at_line(window, covariance, 0, derivative)
    u = window.time - window.at
    design = u[:, None] ** np.arange(3)
    fit = sm.GLS(window.values, design, sigma=covariance).fit(cov_type="fixed scale")
    assert story.speed[0] == pytest.approx(fit.params[derivative], rel=1e-6)
    assert story.variance[0] == pytest.approx(fit.cov_params()[derivative, derivative], rel=1e-6)
    assert story.slope[0] == pytest.approx((1 + derivative) * fit.params[1 + derivative], rel=1e-6)
    _, size = _likelihood([window], [covariance], True)
    free = sm.GLS(window.values, design, sigma=covariance).fit()
    assert size == pytest.approx(free.scale)


def test_a_move_that_the_speed_shows_is_the_likely_story():
    """1.2 m/s² until two seconds before the line, then even, in noise of 0.05 m/s."""
    time = np.arange(14.0, 19.6, 0.2)
    true = 12 + 1.2 * np.minimum(time - 18.0, 0.0)
    values = true + 0.05 * np.random.default_rng(2).standard_normal(time.size)
    window = _Window(0, "entry", time, values, 2, 20.0)
    stories = _at_line(window, 0.05**2 * np.eye(time.size), 2, 0)
    (share,) = _shares([stories])
    moves = stories.kind % 3
    assert share[moves == 0].sum() < 1e-6
    # A straight line through all of it would be half a metre a second off.
    speed = share @ stories.speed
    sd = np.sqrt(share @ (stories.variance + (stories.speed - speed) ** 2))
    assert abs(speed - 12.0) < min(1.96 * sd, 0.2)
    assert share.sum() == pytest.approx(1.0)
    # Stories that differ widen the error: the noise that a straight line shows leaves several.
    wide = (
        0.05**2 * _likelihood([window], [0.05**2 * np.eye(time.size)], True)[1] * np.eye(time.size)
    )
    stories = _at_line(window, wide, 2, 0)
    (share,) = _shares([stories])
    speed = share @ stories.speed
    place = (stories.slope * 3.0 / stories.speed) ** 2
    variance = share @ (stories.variance + place + (stories.speed - speed) ** 2) + 0.06**2
    found = _ends([window], [[0.05**2 * np.eye(time.size)]], 1, 3.0, derivative=0)
    assert found.entry_sd_m_s[0] == pytest.approx(np.sqrt(variance))
    # An even speed needs none.
    steady = window._replace(values=values - true + 12)
    (share,) = _shares([_at_line(steady, 0.05**2 * np.eye(time.size), 2, 0)])
    assert share[moves == 0].sum() > 0.6


def test_the_pull_after_the_line_is_one_more_reading_of_it():
    """By hand: 12 with variance 0.09 beside 13 with 0.01 + 0.06² and 0.6 s of the slopes' 0.5."""
    one = {"kind": np.array([0]), "likelihood": np.array([0.0]), "slope": np.array([0.1])}
    stories = _AtLine(**one, speed=np.array([12.0]), variance=np.array([0.09]))
    pull = _AtLine(**(one | {"slope": np.array([0.6])}), speed=np.array([13.0]),
                   variance=np.array([0.01]))  # fmt: skip
    other = 0.01 + 0.06**2 + 0.3**2
    found = _with_pull(stories, pull)
    assert found.variance[0] == pytest.approx(1 / (1 / 0.09 + 1 / other))
    assert found.speed[0] == pytest.approx(found.variance[0] * (12 / 0.09 + 13 / other))
    assert found.likelihood[0] == pytest.approx(-(1 / (0.09 + other) + np.log(0.09 + other)) / 2)
    assert _with_pull(stories, None) is stories


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "widest"), [("holds", 1.4), ("gathers", 2.3), ("gathers on", 1.8), ("eases", 2.3)]
)
def test_however_a_rider_comes_to_the_line_the_entry_speed_is_held(kind, widest):
    """Once a second, as a phone writes; widths in km/h."""
    off = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        time, logged, _, truth = approached(rng, (kind,), 6, 1.0)
        enter = truth[:, 0] + 0.2 * rng.standard_normal(6)
        found = end_speeds_from_speed(
            time, logged, enter_s=enter, leave_s=truth[:, 1], place_sd_m=2.5
        )
        off += list(zip(found.entry_m_s - truth[:, 2], found.entry_sd_m_s, strict=True))
    error, sd = np.transpose(off)
    assert np.mean(np.abs(error) < 1.96 * sd) >= 0.9
    assert abs(error.mean()) < 0.2
    assert 1.96 * 3.6 * sd.mean() < widest


# Grade and length ---------------------------------------------------------------------------------


HALF = 1.96 * 0.01


def test_a_mean_of_passes_has_their_scatter_and_one_per_cent_of_scale():
    values = [0.058, 0.062, 0.063, 0.057]
    plain = mean_interval(values)
    found = _mean_of_passes(values)
    assert found.value == pytest.approx(0.06)
    assert found.half_width == pytest.approx(np.hypot(plain.half_width, HALF * 0.06))
    assert _mean_of_passes(values[:3]) is not None
    assert _mean_of_passes(values[:2]) is None


def ridden(speed=10.0, step=0.5):
    """There and back between 0 and 300 m, with 60 m beyond either end; three rounds."""
    time = np.arange(0.0, 252.0, step)
    way = np.abs((speed * time + 60) % 840 - 420) - 60
    return time, 300 - way


PASSES = {"enter_s": [6.0, 48, 90, 132, 174], "leave_s": [36.0, 78, 120, 162, 204]}


def test_rows_are_a_second_apart_and_between_the_lines():
    time = np.arange(0.0, 20.0, 0.25)
    columns = (3 * time, 4 * time)
    columns[1][30] = np.nan
    ((own, way, (east, north)),) = _way_of_each(time, columns, [5.1], [12.1])
    # The first row of each second from the line on.
    np.testing.assert_allclose(own, [5.25, 6.25, 7.25, 8.25, 9.25, 10.25, 11.25])
    np.testing.assert_allclose(way, 5 * (own - own[0]))
    np.testing.assert_allclose((east, north), (3 * own, 4 * own))
    # Six rows are a pass, five are not; nor is a stand.
    for last, there in ((10.3, True), (10.0, False)):
        ((_, way, _),) = _way_of_each(time, columns, [5.1], [last])
        assert (way is not None) == there
    ((_, still, _),) = _way_of_each(time, (0 * time, 0 * time), [5.1], [12.1])
    assert still is None


@pytest.mark.outside(source="scipy.stats.linregress as the reference")
def test_a_grade_is_the_slope_of_elevation_over_the_way():
    time, along = ridden(step=1.0)
    rng = np.random.default_rng(4)
    elevation = 500 + 0.05 * along + 0.5 * rng.standard_normal(time.size)
    turned = (0.6 * along, 0.8 * along, elevation)
    direction = [1, -1, 1, -1, 1]
    found = logged_grade(time, *turned, **PASSES, direction=direction)
    slopes = []
    for begin, end in zip(*PASSES.values(), strict=True):
        own = (time >= begin) & (time <= end)
        slopes.append(linregress(along[own], elevation[own]).slope)
    assert found.value == pytest.approx(np.mean(slopes))
    assert np.sign(along[30] - along[8]) == 1.0
    plain = mean_interval(slopes)
    assert found.half_width == pytest.approx(np.hypot(plain.half_width, HALF * found.value))
    two = {key: some[:2] for key, some in PASSES.items()}
    assert logged_grade(time, *turned, **two, direction=[1, -1]) is None


@pytest.mark.parametrize("step", [0.5, 1.0, 2.5])
def test_a_length_reaches_from_line_to_line(step):
    """300 m at 10 m/s, whatever rows lie next to the lines."""
    time, along = ridden(step=step)
    found = logged_length(time + 0.3, 0.6 * along, -0.8 * along, **PASSES)
    assert found.value == pytest.approx(300.0, rel=1e-9)
    assert found.half_width == pytest.approx(HALF * 300)
    slow = {key: np.array(some) for key, some in PASSES.items()}
    slow["leave_s"] = slow["leave_s"] - [0, 3, 0, 3, 0]
    other = logged_length(time, along, 0 * along, **slow)
    plain = mean_interval([300, 270, 300, 270, 300])
    assert other.value == pytest.approx(plain.value)
    assert other.half_width == pytest.approx(np.hypot(plain.half_width, HALF * plain.value))


# Two clocks ---------------------------------------------------------------------------------------


STEP = 0.2


def seen(seconds=400.0, step=STEP):
    time = np.arange(0.0, seconds, step)
    return time, np.sin(time / 9) + np.sin(time / 31) + np.sin(time / 4.3)


def test_a_log_is_brought_to_even_steps_about_its_mean():
    time, values = np.array([3.0, 3.5, 4.0, 5.0]), np.array([1.0, np.nan, 2.0, 4.0])
    start, even = _even(time, values)
    # On 3 to 5 s, linear from 1 to 2 to 4.
    wanted = np.interp(np.arange(3.0, 5.0, 0.2), [3, 4, 5], [1, 2, 4])
    assert start == 3.0
    np.testing.assert_allclose(even, wanted - wanted.mean())
    # A row of another day does not stretch the grid to there; the fuller of two days counts.
    for far in (-9e5, 9e5):
        rows = np.sort(np.append(time, far + time[:1]))
        also = np.append(values, 7.0) if far > 0 else np.append(7.0, values)
        begun, kept = _even(rows, also)
        assert begun == 3.0
        np.testing.assert_allclose(kept, even)
    assert _even(time[:2], values[:2])[1].size == 0
    assert _even(time[:2], np.array([1.0, 2.0]))[1].size == 3


def test_likeness_is_the_correlation_of_what_both_saw():
    """About means of the whole, times the root of the share of the shorter one in common."""
    rng = np.random.default_rng(2)
    first, second = rng.standard_normal(700), rng.standard_normal(450)
    lags, likeness = _likeness(first, second)
    for lag in (-100, 0, 37, 250, 300, 380):
        low, high = max(0, lag), min(first.size, second.size + lag)
        a, b = first[low:high], second[low - lag : high - lag]
        wanted = a @ b / np.sqrt((a @ a) * (b @ b)) * np.sqrt(a.size / second.size)
        assert likeness[lags == lag][0] == pytest.approx(wanted, rel=1e-6)
    # Less than a minute, 300 steps, in common is none.
    for lag, there in ((400, True), (401, False), (-150, True), (-151, False)):
        assert (likeness[lags == lag][0] > -1) == there
    still = _likeness(np.zeros(700), second)[1]
    assert np.abs(still[still > -1]).max() == 0.0


def test_rivals_are_as_like_and_away_from_what_was_taken():
    lags = np.arange(-500, 501)
    likeness = np.zeros(lags.size)
    for lag, height in ((0, 0.9), (70, 0.85), (-80, 0.64), (-200, 0.62), (300, 0.8), (310, 0.7)):
        likeness[lags == lag] = height
    # Within fifteen seconds, 75 steps, of one that was taken is no other; 0.7 of the best.
    found = [int(lags[at]) for at in _rivals(lags, likeness, int(np.argmax(likeness)))]
    assert found == [300, -80]


def test_each_piece_that_moved_has_its_own_shift():
    _, values = seen(600.0)
    second = (10.0, values[100:2100])
    found = _pieces((0.0, values), second, 10.3)
    # Of 400 s there are six minutes; all of them say 20 - 10, within steps of a fifth.
    assert len(found) == 6
    np.testing.assert_allclose(found, 10.0, atol=1e-3)
    # What stands still for a minute is left out, and so is what reaches beyond the first log.
    still = values[100:2100].copy()
    still[300:600] = 0.0
    assert len(_pieces((0.0, values), (10.0, still), 10.3)) == 5
    assert len(_pieces((0.0, values[:1500]), second, 10.3)) == 4
    # Four seconds off at the most.
    assert len(_pieces((0.0, values), second, 13.8)) == 6
    assert len(_pieces((0.0, values), second, 6.2)) == 6
    # A log that does not begin at nothing.
    np.testing.assert_allclose(_pieces((500.0, values), (10.0, second[1]), 510.3), 510.0, atol=1e-3)
    late = _pieces((0.0, values), second, 14.5)
    assert len(late) < 6


def test_a_shift_between_two_steps_is_found():
    """Exact times of one log half a step from the other's, by the parabola through three scores."""
    time, values = seen(600.0, 0.01)
    coarse = slice(0, None, 20)
    other = (time[2010::20], values[2010::20])
    found = _pieces((0.0, values[coarse]), (float(other[0][0]) - 20.1, other[1]), 20.0)
    np.testing.assert_allclose(found, 20.1, atol=0.01)


def test_the_interval_is_that_of_the_pieces():
    """A clock that runs a thousandth too fast: six pieces, each a little later."""
    time, values = seen(600.0)
    wrong = time[100:2100] * 1.001
    found = clock_shift(time, values, wrong - 30.0, values[100:2100])
    pieces = _pieces((0.0, values - values.mean()), _even(wrong - 30.0, values[100:2100]), 29.8)
    plain = mean_interval(pieces)
    assert found.shift_s.value == pytest.approx(plain.value, abs=1e-3)
    assert found.shift_s.half_width == pytest.approx(plain.half_width, rel=0.05)
    exact = clock_shift(time, values, time[100:2100] - 30.0, values[100:2100])
    # Never better than a quarter of a step, 0.05 s, in each piece.
    t_95_of_five = 2.570582
    assert exact.shift_s.half_width == pytest.approx(t_95_of_five * 0.05 / np.sqrt(6), rel=1e-3)


@pytest.mark.parametrize(("seconds", "why"), [(59.0, "short"), (150.0, "short"), (250.0, "")])
def test_a_minute_is_needed_and_three_pieces(seconds, why):
    time, values = seen(600.0)
    count = round(seconds / STEP)
    found = clock_shift(time, values, time[500 : 500 + count], values[500 : 500 + count])
    assert found.why_not == why
    assert (found.shift_s is None) == bool(why)
    assert np.isnan(found.likeness) == (seconds < 60)


@pytest.mark.parametrize(("noise", "why"), [(1.4, ""), (3.0, "unlike")])
def test_half_alike_is_alike_enough(noise, why):
    """Noise of so many times the signal's size leaves a correlation of 0.58, and of 0.32."""
    time, values = seen(900.0)
    other = values + noise * values.std() * np.random.default_rng(0).standard_normal(values.size)
    found = clock_shift(time, values, time, other)
    assert found.likeness == pytest.approx(1 / np.hypot(1, noise), abs=0.05)
    assert (found.why_not == "unlike") == (why == "unlike")
