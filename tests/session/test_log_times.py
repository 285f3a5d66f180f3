"""Times of a log: which kind they are, and where a number is too large or too small for one."""

import numpy as np
import pandas as pd
import pytest

from tuninglib.session.trace import is_since_1970, kind_of_time, numbers, seconds_of

DAY = 86400


@pytest.mark.parametrize(
    ("cells", "unit", "kind"),
    [
        (["1", "2", "3"], "s", "s"),
        (["1", "", "3"], "min", "min"),
        # By the middle one, so that a stray first row does no harm.
        (["9", f"{13 * DAY}", f"{13 * DAY + 1}"], "s", "s"),
        (["1778933002", "1778933003"], "s", "s"),
        (["1778933002", "1778933003"], "", "s"),
        (["1778933002000", "1778933003000"], "", "ms"),
        (["1778933002000000", "1778933003000000"], "", "us"),
        (["950000000"], "", "s"),
        (["4190000000"], "", "s"),
        (["1:02:03", "1:02:04", "1.5"], "", "clock"),
        (["2026-05-16 14:03", "2026-05-16T14:04Z", "x"], "", "iso"),
        (["1,5", "2,5", "x"], "s", "s"),
        (["-1", "-.5", "0"], "s", "s"),
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
        (["930000000"], "s", "more than 14 days"),
        # No date, and no unit.
        (["4300000000"], "", "has no unit"),
        (["930000000"], "", "has no unit"),
        (["1", "2"], "", "has no unit"),
        (["1", "2"], "km", r"\[km\] is no unit of time"),
        (["1", "x", "y"], "s", "'1' is a time of a kind that cannot be told"),
        (["x", "1", "y", "2"], "s", "'x' is a time of a kind that cannot be told"),
        (["1:02:03", "1", "x", "y"], "s", "cannot be told"),
        # Half is not most.
        (["1:02:03", "1", "x"], "s", "cannot be told"),
        (["2026-05-16 14:03", "1", "x"], "s", "cannot be told"),
        (["1:02:03", "x"], "", "cannot be told"),
        (["", " "], "s", "empty in all of the first lines"),
    ],
)
def test_what_is_no_time_for_sure_is_asked_about(cells, unit, said):
    with pytest.raises(ValueError, match=said):
        kind_of_time(cells, unit, "")


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
