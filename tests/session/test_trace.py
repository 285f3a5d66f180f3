"""Rows of a log brought into the order of time: times, channels, what is left out or refused."""

import numpy as np
import pandas as pd
import pytest

from tuninglib.session.trace import (
    CHANNELS,
    SI_NAMES,
    LeftOut,
    in_order,
    is_since_1970,
    kind_of_time,
    numbers,
    seconds_of,
)
from tuninglib.text_files import SessionError


def ordered(seconds, *, scale="elapsed", line=5, **channels):
    seconds = np.array(seconds, dtype=float)
    channels = channels or {"gauge": np.arange(seconds.size) + 10.0}
    return in_order(
        "table", "box.csv", seconds, {k: np.array(v, dtype=float) for k, v in channels.items()},
        np.arange(seconds.size) + line, scale=scale,
    )  # fmt: skip


def test_times_in_order_stay():
    trace = ordered([0, 0.25, 0.5])
    assert (trace.reordered, trace.left_out, trace.rows) == (0, (), 3)
    assert repr(trace) == "Trace of 3 rows over 0 s: gauge"


def test_what_a_time_tells_of_the_day():
    told = {
        "utc": (9e4, None),
        "local": (None, 3600),
        "clock": (None, 3600),
        "elapsed": (None,) * 2,
    }
    for scale, wanted in told.items():
        trace = ordered([90_000, 90_001], scale=scale)
        assert (trace.started_utc_s, trace.clock_s) == wanted
        np.testing.assert_array_equal(trace.time_s, [0, 1])


def test_rows_that_are_left_out_keep_their_lines():
    trace = ordered([3, np.nan, 4, 3.5, 4, np.nan])
    np.testing.assert_array_equal(trace.time_s, [0, 0.5, 1])
    np.testing.assert_array_equal(trace.channels["gauge"], [10, 13, 12])
    assert trace.left_out == (LeftOut("no time", 2, 6), LeftOut("time twice", 1, 9))
    assert trace.reordered == 1


@pytest.mark.parametrize(("days", "kept"), [(13.9, 4), (14.1, 3)])
def test_a_time_of_another_year_than_the_rest_is_none(days, kept):
    for sign, line in ((1, 8), (-1, 5)):
        seconds = sorted([1000, 1001, 1002, 1001 + sign * days * 86400])
        trace = ordered(seconds, scale="local")
        assert trace.time_s.size == kept
        left = [("no time", line)] * (4 - kept)
        assert [(one.reason, one.first) for one in trace.left_out] == left


@pytest.mark.parametrize(("lone", "kept"), [(5, 100), (6, 106)])
def test_lone_times_of_another_day_do_not_stretch_the_log(lone, kept):
    for days, line in ((-7, 5), (0.6, 105), (13, 105)):
        seconds = sorted([*range(lone), *(np.arange(100) - days * 86400)])
        trace = ordered(seconds, scale="utc", gauge=[13.0] * len(seconds))
        assert trace.time_s.size == kept
        assert (trace.left_out == (LeftOut("no time", 5, line),)) is (kept == 100)


def test_a_time_that_goes_back_is_late_or_a_new_start():
    for scale in ("elapsed", "utc", "local"):
        assert ordered([1000, 1010, 1008, 1020], scale=scale).reordered == 1
    for scale in ("elapsed", "clock"):
        with pytest.raises(SessionError, match=r"row 7: time goes back from 1010 s to 1007\.9 s"):
            ordered([1000, 1010, 1007.9, 1020], scale=scale)


@pytest.mark.parametrize("scale", ["utc", "local"])
def test_a_clock_that_is_set_back_is_refused_and_one_wild_time_costs_one_row(scale):
    ridden = np.arange(100, 200)
    for at, off in ((50, -3600), (50, 3600), (99, -3600), (0, 3600)):
        seconds = ridden + off * (np.arange(100) == at)
        trace = ordered(seconds, scale=scale, gauge=[13] * 100)
        assert (trace.left_out, trace.time_s.size) == ((LeftOut("no time", 1, 5 + at),), 99)
    said = "row 55: time goes back from 1970-01-01T01:02:29 to 1970-01-01T00:02:30, so the log"
    with pytest.raises(SessionError, match=said):
        ordered([*(3600 + ridden[:50]), *ridden[50:]], scale=scale)


@pytest.mark.parametrize(("hours", "over"), [(11, False), (13, True)])
def test_a_clock_that_goes_back_by_more_than_half_a_day_is_over_midnight(hours, over):
    seconds = np.array([20, 20.001, 20.001 - hours, 20.002 - hours]) * 3600
    if over:
        trace = ordered(seconds, scale="clock")
        assert trace.time_s[2] == pytest.approx(3.6 + (24 - hours) * 3600)
        return
    with pytest.raises(SessionError, match="time goes back"):
        ordered(seconds, scale="clock")


def test_cells_beyond_their_limits_are_no_readings():
    trace = ordered([0, 1, 2, 3], throttle=[-0.05, 1.05, 1.06, -0.06], speed=[-1, 200, 300, 999])
    np.testing.assert_array_equal(trace.channels["throttle_ratio"], [-0.05, 1.05, np.nan, np.nan])
    assert trace.left_out == (
        LeftOut("limits", 4, 5, "speed", "-1"), LeftOut("limits", 2, 7, "throttle", "1.06"),
    )  # fmt: skip
    # Of a channel without any reading there is nothing.
    assert "speed_m_s" not in trace.channels
    assert ordered([0, 1], gauge=[np.nan, np.nan]).channels == {}


@pytest.mark.parametrize(
    ("others", "kept"), [([30.0, 31.0, 29.0], True), ([31.0, 31.0, 31.0], False), ([], False)]
)
def test_an_elevation_of_nothing_is_one_on_a_coast(others, kept):
    """Up to thirty metres the others' middle is a coast; without others it is nothing."""
    values = [0.0, *others, 0.0]
    trace = ordered(range(len(values)), elevation=values)
    assert trace.left_out == (() if kept else (LeftOut("zero", 2, 5, "elevation", "0"),))
    assert ("elevation_m" in trace.channels) == bool(others)


@pytest.mark.parametrize("step", [0.1, 1.0])
def test_one_wild_reading_costs_one_reading_and_is_counted(step):
    """A speed of 300 km/h, and a position two kilometres off; all others stay as they are."""
    time = step * np.arange(60)
    speed = 15 + 3 * np.sin(time / 5)
    latitude, longitude = 47 + 12 * time / 111_000, -39 + 5 * time / 76_000
    wild = speed.copy(), latitude.copy(), longitude.copy()
    wild[0][20], wild[1][30], wild[2][40] = 300 / 3.6, 47.02, -38.97
    trace = ordered(time, speed=wild[0], latitude=wild[1], longitude=wild[2])
    jumps = [one for one in trace.left_out if one.reason == "jump"]
    assert jumps == [
        LeftOut("jump", 1, 25, "speed", "83.3333"), LeftOut("jump", 2, 35, "latitude", "47.02"),
    ]  # fmt: skip
    assert trace.rows == trace.time_s.size == 60
    for name, true, gone in (
        ("speed_m_s", speed, [20]), ("latitude_deg", latitude, [30, 40]),
        ("longitude_deg", longitude, [30, 40]),
    ):  # fmt: skip
        found = trace.channels[name]
        assert np.flatnonzero(np.isnan(found)).tolist() == gone
        np.testing.assert_array_equal(np.delete(found, gone), np.delete(true, gone))


def test_what_a_bike_can_do_is_no_jump():
    """Braking hard, turning round, a pause, and a logger that is on for a few rows alone."""
    time = np.array([0.0, 1, 2, 3, 4, 5, 6, 60, 61, 62, 63])
    speed = np.array([0.0, 9, 18, 27, 18, 9, 0, 20, 21, 22, 23])
    place = 47 + np.array([0, 20, 40, 60, 40, 20, 0, -800, -780, -760, -740]) / 111_000
    assert ordered(time, speed=speed, latitude=place, longitude=0 * place).left_out == ()
    few = [15.0, 83.0, 15.0, 15.0]
    assert ordered(range(4), speed=few).left_out == ()


# Channels -----------------------------------------------------------------------------------------


# A pole, the date line, the Dead Sea's shore and the highest peak; a device's noise at a stand and
# faster than any motorcycle; a gauge in lambda or air to fuel; a throttle a little out of its
# calibration; an engine's fastest; heads and air between the coldest and the hottest.
EDGES = {
    "latitude": (-90, 90), "longitude": (-180, 180), "elevation": (-450, 9000),
    "speed": (-0.5, 120), "gauge": (0.2, 45), "throttle": (-0.05, 1.05), "engine_speed": (0, 25000),
    "head_temperature": (200, 800), "air_temperature": (200, 350),
}  # fmt: skip


@pytest.mark.parametrize("name", CHANNELS)
def test_readings_reach_to_their_edges(name):
    low, high = EDGES[name]
    beyond = 1e-6 * (high - low)
    values = np.array([low, low - beyond, high, high + beyond, (low + 3 * high) / 4])
    channels = {"latitude": np.zeros(5), "longitude": np.zeros(5)} | {name: values}
    trace = in_order("table", "box.csv", np.arange(5.0), channels, np.arange(5) + 2)
    known = np.isfinite(trace.channels[SI_NAMES[name]])
    assert known.tolist() == [True, False, True, False, True]
    (one,) = trace.left_out
    assert (one.reason, one.count, one.first, one.channel) == ("limits", 2, 3, name)


# Times --------------------------------------------------------------------------------------------


DAY = 86400


@pytest.mark.parametrize(
    ("cells", "unit", "kind"),
    [
        (["1", "2", "3"], "s", "s"),
        # By the middle one, so that a stray first row does no harm.
        (["9", f"{13 * DAY}", f"{13 * DAY + 1}"], "s", "s"),
        (["1778933002", "1778933003"], "s", "s"),
        (["1778933002", "1778933003"], "", "s"),
        (["1778933002000", "1778933003000"], "", "ms"),
        (["1778933002000000", "1778933003000000"], "", "us"),
        (["4190000000"], "", "s"),
        (["1:02:03", "1:02:04", "1.5"], "", "clock"),
        (["2026-05-16 14:03", "2026-05-16T14:04Z", "x"], "", "iso"),
        (["1,5", "2,5", "x"], "s", "s"),
    ],
)
def test_a_kind_of_time_is_what_most_of_the_first_are(cells, unit, kind):
    assert kind_of_time(cells, unit, "") == kind


@pytest.mark.parametrize(
    ("cells", "unit", "said"),
    [
        ([f"{15 * DAY}"], "s", "1.296e\\+06 s is more than 14 days"),
        ([f"{15 * DAY / 60:.0f}"], "min", "21600 min is more than 14 days"),
        (["4300000000"], "s", "more than 14 days"),
        # No date, and no unit.
        (["4300000000"], "", "has no unit"),
        (["1", "2"], "", "has no unit"),
        (["1", "2"], "km", r"\[km\] is not a unit of time"),
        (["x", "1", "y", "2"], "s", "'x' is a time in an unclear format"),
        (["1:02:03", "1", "x", "y"], "s", "unclear format"),
        # Half is not most.
        (["1:02:03", "1", "x"], "s", "unclear format"),
        (["2026-05-16 14:03", "1", "x"], "s", "unclear format"),
        (["0", "100", "200", "300", "400"], "min", "in min, rows would be 6000 s apart"),
        (["", " "], "s", "empty in all of the first lines"),
    ],
)
def test_what_is_no_time_for_sure_is_asked_about(cells, unit, said):
    with pytest.raises(ValueError, match=said):
        kind_of_time(cells, unit, "")


@pytest.mark.parametrize("word", ["day", "mixed", "ISO8601", "%Q", "%"])
def test_what_is_no_format_of_times_is_refused(word):
    with pytest.raises(ValueError, match=f"'{word}' is not a time format"):
        kind_of_time(["0", "100"], "ms", word)


def test_a_stated_format_is_not_doubted():
    assert kind_of_time(["x"], "", "%H.%M.%S") == "%H.%M.%S"
    found = seconds_of(pd.Series(["14.03.22", "x"]), "%H.%M.%S") % DAY
    np.testing.assert_array_equal(found, [14 * 3600 + 3 * 60 + 22, np.nan])


def test_times_become_seconds():
    np.testing.assert_allclose(seconds_of(pd.Series(["1,5", "2"]), "min", True), [90, 120])
    np.testing.assert_array_equal(seconds_of(pd.Series([1, 2]), "s"), [1, 2])
    clock = pd.Series(["1:02:03,5", "100:00:00", "0:59:60.5", "0:60:00", "0:00:61", None])
    wanted = [3723.5, 360000, 3600.5, np.nan, np.nan, np.nan]
    np.testing.assert_array_equal(seconds_of(clock, "clock"), wanted)


def test_numbers_with_a_comma_are_told_by_the_log_alone():
    cells = pd.Series(["1,5", " '2' ", "x", None])
    np.testing.assert_array_equal(numbers(cells, True), [1.5, 2, np.nan, np.nan])
    np.testing.assert_array_equal(numbers(cells), [np.nan, 2, np.nan, np.nan])


@pytest.mark.parametrize(
    ("seconds", "said"),
    [([9.3e8], False), ([9.5e8], True), ([4.1e9], True), ([4.3e9], False), ([np.nan], False),
     ([1.0, 1.7e9, 1.7e9], True), ([], False)],
)  # fmt: skip
def test_a_date_lies_between_1999_and_2103(seconds, said):
    assert is_since_1970(np.array(seconds)) is said
