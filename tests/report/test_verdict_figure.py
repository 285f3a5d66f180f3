"""The verdict's picture shows what the plan says, and nothing forbidden looks allowed."""

import dataclasses
import re
from itertools import combinations, pairwise

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from tuninglib.report import advice, page_parts, verdict_figure
from tuninglib.report.page_parts import (
    NARROW_IN,
    WIDE_IN,
    gain_text,
    in_style,
    spaced,
    with_round_ticks,
)
from tuninglib.rounding import interval_text


def rows_said(picture) -> dict:
    """Setup to what the words for the blind say of it, in the picture's order."""
    said = picture.alt.removeprefix("One row for each setup. ").removesuffix(".").split(". ")
    return dict(row.split(": ", 1) for row in said)


@pytest.fixture(autouse=True, scope="module")
def undrawn():
    """Of pictures the words count here; how they are drawn is looked at by itself."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(page_parts, "_svg", lambda *_: "")
        yield


@pytest.fixture(scope="module")
def picture(results):
    return verdict_figure.figure(results)


def test_rows_are_the_plans_answer_best_first(results, picture):
    said = rows_said(picture)
    ridden = {spaced(one.setup): one for one in results.combinations if one.setup is not None}
    assert sorted(said) == sorted(ridden)
    first, *others = said
    assert first == spaced(results.plan.ride.setup)
    assert said[first].endswith(": ride now")
    shut = {spaced(one.setup): advice.shut_word(one) for one in results.plan.shut}
    assert list(said)[-len(shut) :] == [name for name in said if name in shut]
    worth = [ridden[name].worth for name in others if name not in shut]
    assert worth == sorted(worth, reverse=True)
    better = [dataclasses.replace(one, worth=10.0 if one.setup == "stock" else one.worth)
              for one in results.combinations]  # fmt: skip
    better = verdict_figure._rows(dataclasses.replace(results, combinations=tuple(better)))
    assert [row.name for row in better[:3]] == ["big 172", "stock", "big 185"]
    gains = {spaced(pull.setup): pull.gain for pull in results.pulls}
    for name, words in said.items():
        status = words.rpartition(": ")[2]
        assert status.startswith("must not be ridden") == (name in shut)
        assert name not in shut or status.endswith(f", {shut[name]}")
        gain = f"gain {gain_text(gains[name].ratio)}" if gains[name] else "the reference"
        assert words.startswith(f"lambda {interval_text(ridden[name].lambda_)}, {gain}: ")


# Where it stands ------------------------------------------------------------------------------


def boxes_of(figure) -> list:
    """What is written into a figure, and where: left, bottom, right and top. [in]"""
    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw_without_rendering()
    shown = [text for text in figure.findobj(Text) if text.get_visible() and text.get_text()]
    return [(one, one.get_window_extent(renderer).padded(-1)) for one in shown]


def assert_legible(figure, boxes):
    """Nothing is written over anything else, and lines of one text follow each other."""
    for (one, own), (other, its) in combinations(boxes, 2):
        assert not own.overlaps(its), (one.get_text(), other.get_text())
    for one, own in boxes:
        assert own.height / figure.dpi < 0.27 * (1 + one.get_text().count("\n"))


@pytest.fixture(scope="module", params=[WIDE_IN, NARROW_IN])
def placed(request, results):
    """The picture at a width, its rows, and what is written where."""
    rows = verdict_figure._rows(results)
    # A name that is too long for one line makes its row taller.
    rows[1] = dataclasses.replace(rows[1], name="big 185 and more of it")
    with in_style():
        figure = with_round_ticks(verdict_figure._drawn(request.param, rows, results))
        return figure, rows, boxes_of(figure)


def test_all_that_is_written_has_its_room_and_no_more(placed):
    figure, rows, boxes = placed
    assert_legible(figure, boxes)
    assert {row.status for row in rows} <= {
        line for text, _ in boxes for line in text.get_text().split("\n")
    }
    inch, (width, height) = figure.dpi, figure.get_size_inches()
    ends = [min(own.x0 for _, own in boxes), min(own.y0 for _, own in boxes),
            width * inch - max(own.x1 for _, own in boxes),
            height * inch - max(own.y1 for _, own in boxes)]  # fmt: skip
    assert all(0 <= end < 0.2 * inch for end in ends)
    wide = width == WIDE_IN
    for ax in figure.axes:
        panel = ax.get_window_extent()
        own = [(text, box) for text, box in boxes if text.axes is ax]
        beside = [one for one in own if one[0].get_transform() == ax.get_yaxis_transform()]
        assert len(beside) == len(rows) + 1 if ax is figure.axes[0] or not wide else len(rows)
        left = [box for _, box in beside if box.x1 < panel.x0]
        right = [box for _, box in beside if box.x0 > panel.x1]
        # Names end a little before the panel, and states begin a little behind it.
        gaps = [panel.x0 - max(box.x1 for box in left)] if left else []
        gaps += [min(box.x0 for box in right) - panel.x1] if right else []
        assert all(0.08 * inch < gap < 0.19 * inch for gap in gaps)
        assert bool(right) == (wide and ax is figure.axes[-1])
        down = sorted(left, key=lambda box: -box.y0)
        assert all(0.08 * inch < a.y0 - b.y1 < 0.2 * inch for a, b in pairwise(down))
    tops = [ax.get_window_extent().y1 for ax in figure.axes]
    first, second = (ax.get_window_extent() for ax in figure.axes)
    assert (tops[0] == tops[1]) == wide
    assert not wide or 0.2 < (second.x0 - first.x1) / inch < 0.3
    assert wide or (first.x0, first.x1) == (second.x0, second.x1)


def test_marks_stand_where_the_numbers_are_and_in_the_row_of_their_name(placed, results):
    figure, rows, boxes = placed
    wide = figure.get_figwidth() == WIDE_IN
    for ax, mixture in zip(figure.axes, (True, False), strict=True):
        lines = [line for line in ax.lines if line.get_transform() == ax.transData]
        marks = [line for line in lines if line.get_marker() in ("o", "D")]
        bars = iter([line for line in lines if line.get_marker() == "None"])
        for row, mark in zip(rows, marks, strict=True):
            assert 6 < mark.get_markersize() < 10
            assert (mark.get_markerfacecolor() == "white") == (not row.may)
            assert (mark.get_color() == marks[0].get_color()) == row.sure
            if row.reference and not mixture:
                assert (mark.get_marker(), mark.get_xdata()[0]) == ("D", 0)
                continue
            value = row.lambda_ if mixture else row.gain.scaled(100)
            assert mark.get_xdata()[0] == value.value
            assert (mark.get_markersize() > marks[1].get_markersize()) == row.now
            bar = next(bars)
            assert (bar.get_linestyle() == "--") == (not row.may)
            assert list(bar.get_xdata()) == [value.low, value.high]
            assert bar.get_ydata()[0] == bar.get_ydata()[1] == mark.get_ydata()[0]
        # A name stands at the height of its mark, and what is ridden now stands out.
        if mixture or not wide:
            for row, mark in zip(rows, marks, strict=True):
                y = ax.transData.transform((0, mark.get_ydata()[0]))[1]
                text, box = next(
                    (text, box) for text, box in boxes
                    if text.axes is ax and text.get_text().startswith(row.name[:11])
                )  # fmt: skip
                assert abs((box.y0 + box.y1) / 2 - y) < 0.05 * figure.dpi
                assert (text.get_weight() == "bold") == row.now
        panel = ax.get_window_extent()
        assert not ax.spines["left"].get_visible()
        straight = [line for line in ax.lines if list(line.get_xdata()) == [0, 0]]
        if mixture:
            (band,) = ax.patches
            assert (band.get_x(), band.get_width()) == pytest.approx((0.83, 0.07))
            # From 0.77 to 1.03, with a bit more than the tenths round it.
            assert ax.get_xlim() == pytest.approx((0.68, 1.12))
            words = {text.get_text(): box for text, box in boxes if text.axes is ax}
            assert abs(words["richer"].x0 - panel.x0) < 0.04 * figure.dpi
            assert abs(words["leaner"].x1 - panel.x1) < 0.04 * figure.dpi
            assert 0.3 < (panel.y0 - words["richer"].y1) / figure.dpi < 0.45
        else:
            low, high = ax.get_xlim()
            assert 0.03 < -low / (high - low) < 0.09
        assert len(straight) == (not mixture)
        (rule,) = [line for line in ax.lines if line.get_linestyle() == ":"] or [None]
        assert (rule is None) == (wide and not mixture)
        if rule is not None:
            # From the panel's left end to the picture's right one, between what may and may not.
            (x0, y), (x1, _) = rule.get_transform().transform(rule.get_xydata())
            ends = figure.axes[0].get_window_extent().x0, figure.axes[-1].get_window_extent().x1
            assert (x0, x1) == pytest.approx(ends)
            assert not rule.get_clip_on()
            heights = [mark.get_ydata()[0] for mark in marks]
            last = max(at for at, row in zip(heights, rows, strict=True) if row.may)
            over = min(at for at, row in zip(heights, rows, strict=True) if not row.may)
            assert last < rule.get_ydata()[0] < over
            said = next(box for text, box in boxes
                        if text.axes is ax and text.get_text() == "Not to be ridden")  # fmt: skip
            assert said.y0 < y < said.y1


def test_what_is_written_round_the_picture_to_send_on_stands_in_order(results, monkeypatch):
    about = dataclasses.replace(results.session.about, title="An outing " * 9)
    long = dataclasses.replace(results, session=dataclasses.replace(results.session, about=about))
    kept = []
    monkeypatch.setattr(
        Figure, "savefig", lambda figure, *_, **how: kept.extend((boxes_of(figure), figure, how))
    )
    verdict_figure.shared_picture(long)
    boxes, figure, how = kept
    assert_legible(figure, boxes)
    inch = figure.dpi
    title, finding, panel, axis, key = (
        next(box for text, box in boxes if text.get_text().startswith(beginning))
        for beginning in ("DEMO", "big 172 is", "Lambda", "richer", "●")
    )
    for upper, lower, most in ((title, finding, 0.3), (finding, panel, 0.3), (axis, key, 0.2)):
        assert 0.07 < (upper.y0 - lower.y1) / inch < most
    for one in (title, finding, key):
        assert abs(one.x0) < 0.04 * inch
        assert WIDE_IN / 2 < one.x1 / inch < WIDE_IN
    # Large enough for a phone, small enough to send.
    assert 1100 < (WIDE_IN + 2 * how["pad_inches"]) * how["dpi"] < 1300


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
    for count, words in ((2, "None of the 2 setups may be"), (1, "It must not be ridden.")):
        few = dataclasses.replace(none, combinations=none.combinations[:count])
        assert verdict_figure.figure(few).caption.startswith(words)
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
    # One of two is enough for a panel, and one of which too little is known for its mark.
    one = (*unread[:1], *results.combinations[1:])
    road = dataclasses.replace(results.road, pulls=results.pulls[:-1])
    some = dataclasses.replace(results, combinations=one, road=road)
    key = verdict_figure.figure(some).key
    for words in ("shaded", "◆", "● may be ridden", "grey ●: too little is known", "○"):
        assert words in key
    # Timed, but not read: one panel, and each says that it was not read.
    timed = dataclasses.replace(bare, road=results.road)
    picture = verdict_figure.figure(timed)
    assert all(words.endswith("not read") for words in rows_said(picture).values())
    assert "grey ●: too little is known" in picture.key
    assert "may be ridden" not in picture.key, "what nobody read is not offered"


def test_the_key_says_what_hollow_means_and_the_caption_what_it_comes_to(picture):
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
