"""Passes of a line by hand: straight rides over a plane, where geometry gives the moment."""

import numpy as np
import pytest

from tuninglib.statistics.track_runs import _passes, _position_sd, _same_way, line_passes

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
    ((at, across, *direction),) = _passes(time, place, 30.0)
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
    assert len(_passes(time, place, 30.0)) == count


@pytest.mark.parametrize(("metres", "passes"), [(18.0, 1), (24.0, 2)])
def test_back_within_four_seconds_is_the_same_pass(metres, passes):
    """Over the line, on for some metres at 10 m/s, and back: 3.6 or 4.8 s later."""
    time = np.arange(0.0, 40.0, 0.1)
    along = 10 * time - 103.0
    along = np.where(along > metres, 2 * metres - along, along)
    found = _passes(time, np.stack([along, 0 * along]), 30.0)
    assert len(found) == passes
    if passes == 2:
        # Two seconds to each side of the turn are not straight, so the moment is a little off.
        assert found[1][0] - found[0][0] == pytest.approx(2 * metres / 10, abs=0.5)
        assert found[0][2] == pytest.approx(1.0)
        assert found[1][2] == pytest.approx(-1.0)


def test_fewer_than_three_positions_tell_nothing():
    time, place, _ = straight()
    assert len(_passes(time[9:12], place[:, 9:12], 30.0)) == 1
    assert _passes(time[9:11], place[:, 9:11], 30.0) == []


@pytest.mark.parametrize(("degrees", "kept"), [(59.0, True), (61.0, False), (180.0, False)])
def test_headings_of_sixty_degrees_off_are_another_road(degrees, kept):
    angles = np.deg2rad([0.0, 0.0, degrees, 0.0])
    found = _same_way(np.stack([np.cos(angles), np.sin(angles)], axis=1))
    assert found.tolist() == [True, True, kept, True]
    two = np.deg2rad([0.0, degrees])
    assert _same_way(np.stack([np.cos(two), np.sin(two)], axis=1)).all()


def test_the_error_of_positions_joins_the_stated_with_what_passes_show():
    """By hand: four of 9 m2, and of two runs up and one down each end's squares about its mean."""
    aside = np.array([1.0, 4.0, 0.0, 5.0, -2.0, 0.0])
    first, direction = np.array([0, 2, 4]), np.array([1, -1, 1])
    # Up: 1 and -2 at the start, 4 and 0 at the marker. Down, there is one.
    squares = 2 * 1.5**2 + 2 * 2.0**2
    found = _position_sd(aside, direction, first, 3.0)
    assert found == pytest.approx(np.sqrt((4 * 9 + squares) / (4 + 2)))
    assert _position_sd(aside, direction[:1], first[:1], 3.0) == pytest.approx(3.0)


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
    assert over(ride, position_sd_m=5.0).position_sd_m == pytest.approx(5 * np.sqrt(4 / 6))


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
    assert over(there, marker_deg=marker, reach_m=20.0).direction.tolist() == [1]
