"""The verdict's picture shows what the plan says, and nothing forbidden looks allowed."""

import dataclasses
import re

import pytest

from tuninglib.report import advice, verdict_figure
from tuninglib.report.page_parts import NARROW_IN, WIDE_IN, spaced


def rows_said(picture) -> dict:
    """Setup to what the words for the blind say of it, in the picture's order."""
    said = picture.alt.removeprefix("One row for each setup. ").removesuffix(".").split(". ")
    return dict(row.split(": ", 1) for row in said)


def test_rows_are_the_plans_answer_best_first(results):
    said = rows_said(verdict_figure.figure(results))
    ridden = [one for one in results.combinations if one.setup is not None]
    assert sorted(said) == sorted(spaced(one.setup) for one in ridden)
    first, *_ = said
    assert first == spaced(results.plan.ride.setup)
    assert said[first].endswith(": ride now")
    shut = {spaced(one.setup): advice.shut_word(one) for one in results.plan.shut}
    assert list(said)[-len(shut) :] == [name for name in said if name in shut]
    for name, words in said.items():
        status = words.rpartition(": ")[2]
        assert status.startswith("must not be ridden") == (name in shut)
        assert name not in shut or status.endswith(f", {shut[name]}")


@pytest.mark.parametrize("width_in", [WIDE_IN, NARROW_IN])
def test_what_must_not_be_ridden_is_hollow_and_broken_and_below_the_line(results, width_in):
    rows = verdict_figure._rows(results)
    drawn = verdict_figure._drawn(width_in, rows, results)
    for ax in drawn.axes:
        marks = [one for one in ax.lines if one.get_marker() in ("o", "D")]
        assert len(marks) == len(rows)
        # From the top: half a row of at most three lines above the first, and none over another.
        places = [float(mark.get_ydata()[0]) for mark in marks]
        assert 0 < abs(places[0] - ax.get_ylim()[1]) < 0.5
        assert places == sorted(places)
        for row, mark in zip(rows, marks, strict=True):
            assert (mark.get_markerfacecolor() == "white") == (not row.may)
            largest = max(one.get_markersize() for one in marks)
            assert (mark.get_markersize() == largest) == row.now or mark.get_marker() == "D"
        rest = [one for one in ax.lines if one.get_linestyle() == "--"]
        assert len(rest) == sum(not row.may and not row.reference for row in rows)
    text = " ".join(one.get_text() for ax in drawn.axes for one in ax.texts)
    assert verdict_figure._FORBIDDEN in text
    for row in rows:
        assert row.status in text


def test_a_fuel_that_knocked_is_below_the_line_without_a_gate(results):
    """The plan no longer decides by it, so the picture must not offer it."""
    plan = results.plan
    rich = next(one for one in results.combinations if one.setup == "big_185")
    assert rich.gate is None
    knocked = dataclasses.replace(
        plan, knocked_fuels=(type("K", (), {"fuel": rich.fuel, "heard": rich})(),)
    )
    said = rows_said(verdict_figure.figure(dataclasses.replace(results, plan=knocked)))
    assert said["big 185"].endswith("must not be ridden, e5 knocked")
    assert said["stock"].endswith("may be ridden"), "on another engine nothing knocked"


def test_without_a_ride_nothing_is_recommended(results):
    """And the finding says so."""
    shut = [one for one in results.combinations if one.gate is not None and one.setup]
    none = dataclasses.replace(
        results,
        plan=dataclasses.replace(results.plan, ride=None),
        combinations=tuple(shut),
    )
    picture = verdict_figure.figure(none)
    assert picture.caption == "None of the 3 setups may be ridden."
    assert "●" not in picture.key
    assert all("must not be ridden" in words for words in rows_said(picture).values())


def test_nothing_read_and_nothing_timed_is_said(results):
    unread = [
        dataclasses.replace(one, source="unknown", lambda_=None, gate=None)
        for one in results.combinations
        if one.setup
    ]
    plan = dataclasses.replace(results.plan, ride=None)
    bare = dataclasses.replace(results, plan=plan, combinations=tuple(unread), road=None)
    assert "nothing to draw" in str(verdict_figure.figure(bare))
    assert verdict_figure.shared_picture(bare) is None
    # Timed, but not read: one panel, and each says that it was not read.
    timed = dataclasses.replace(bare, road=results.road)
    picture = verdict_figure.figure(timed)
    assert all(words.endswith("not read") for words in rows_said(picture).values())
    assert "grey ●: too little is known" in picture.key
    assert "may be ridden" not in picture.key, "what nobody read is not offered"


def test_the_key_says_what_hollow_means_and_the_caption_what_it_comes_to(results):
    picture = verdict_figure.figure(results)
    assert re.fullmatch(
        r"big 172 is the one to ride now; 3 of 6 setups must not be ridden\.", picture.caption
    )
    for words in ("● may be ridden", "○ and broken line: must not be ridden", "◆ stock"):
        assert words in picture.key


def test_the_picture_to_send_on_is_the_same_every_time(results):
    first, second = (verdict_figure.shared_picture(results) for _ in range(2))
    assert first.startswith(b"\x89PNG")
    assert first == second
    # The finding and the title stand on the picture, not a picture's height above it.
    width, height = (int.from_bytes(first[at : at + 4], "big") for at in (16, 20))
    assert 0.5 < height / width < 1.0
