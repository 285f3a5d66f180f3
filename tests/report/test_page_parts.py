"""Pieces of a page: text, tables, pictures, money."""

import re
from types import SimpleNamespace

import pytest
from matplotlib.figure import Figure

from tuninglib.interval import Interval
from tuninglib.report import page_parts
from tuninglib.report.page_parts import (
    NONE,
    Prose,
    Table,
    figure_of,
    gain_text,
    interval_cell,
    money,
    name_rows,
    picture,
    signed,
    title,
    width_of,
    with_round_ticks,
)

NASTY = '<script>alert("x")</script> & **bold** <img src=x onerror=y>'


def test_what_people_type_is_shown_as_text():
    for shown in (
        Prose(((NASTY, NASTY),), style="points"),
        Prose((("", NASTY),), style="verdict"),
        Table(NASTY, ("a", NASTY), ((NASTY, NASTY),), NASTY),
    ):
        bundle = shown._repr_mimebundle_()
        page = (bundle[0] if isinstance(bundle, tuple) else bundle)["text/html"]
        assert "<script" not in page
        assert "<img" not in page
        assert "&lt;script&gt;" in page
        assert NASTY in str(shown)


def test_a_table_has_headers_that_a_screen_reader_can_use():
    page = Table("Runs", ("Setup", "Heard"), (("stock", "nothing"),)).html()
    assert "<caption>Runs</caption>" in page
    assert '<th scope="col">Heard</th>' in page
    assert '<th scope="row">stock</th>' in page


def test_the_same_figure_gives_the_same_bytes_and_carries_its_words():
    def draw(width_in):
        figure = Figure(figsize=(width_in, 2))
        figure.subplots().plot([1, 2, 3], label="a")
        return figure

    first, second = (picture(draw, "A line that rises.", "It rises.") for _ in range(2))
    assert first == second
    assert first.svg != first.narrow
    data, metadata = first._repr_mimebundle_()
    assert metadata["text/html"] == {"figure": True}
    assert data["text/html"].count('alt="A line that rises."') == 2
    assert "<figcaption>It rises.</figcaption>" in data["text/html"]
    assert data["text/plain"] == "A line that rises."


def test_a_column_in_which_nothing_stands_is_left_out():
    table = Table("Runs", ("Run", "Speed", "Note"), (("1", "62", "–"), ("2", "–", "")))
    assert "Note" not in str(table)
    assert "Note" not in table.html()
    assert table.html().count("<td") == 2
    assert "Speed" in str(table)
    bare = Table("Runs", ("Run", "Note"), ())
    assert "Note" in str(bare), "a table without rows shows its head"
    assert "Note" in bare.html()


def test_plain_text_stands_in_columns_and_a_table_of_many_is_set_smaller():
    shown = str(Table("Runs", ("Setup", "Runs"), (("stock", "4"), ("a long name", "3"))))
    assert {line.rindex(end) for line, end in zip(shown.splitlines()[1:], ("Runs", "4", "3"),
                                                  strict=True)} == {13}  # fmt: skip
    for columns in (8, 9):
        row = tuple(map(str, range(columns)))
        assert ("wide" in Table("t", row, (row,)).html()) == (columns > 8)


def test_a_column_of_one_value_is_said_below_and_the_second_stays():
    rows = (("stock", "yes", "e5", "tove"), ("big", "yes", "e5", "ilmar"))
    table = Table("Setups", ("Setup", "Fit", "Fuel", "Rider"), rows, "A note.")
    assert str(table).splitlines()[-1] == "A note. In every row: Fuel e5."
    assert '<th scope="col">Fit</th>' in table.html()
    assert "Fuel</th>" not in table.html()
    assert "Fuel" in str(Table("Setups", table.header, rows[:1])).splitlines()[1]


def test_numbers_stand_in_line_and_intervals_are_not_broken():
    def column(*cells):
        page = Table("t", ("a", "b"), tuple((f"r{i}", one) for i, one in enumerate(cells))).html()
        return re.findall(r'<td class="(\w+)">([^<]+)</td>', page)

    assert column("9.5 %", "12.0 %", "–") == [
        ("number", "9.5\u00a0%"), ("number", "12.0\u00a0%"), ("number", "–"),
    ]  # fmt: skip
    assert column("over 99 %", "2 %")[0] == ("number", "over\u00a099\u00a0%")
    intervals = column("9.5 (8 to 11)", "12 (9 to 15)", "−3 (−4 to −2)")
    assert [re.search(r"\d(?=[.\u00a0])", text).start() for _, text in intervals] == [1, 1, 1]
    assert all(kind == "interval" and " " not in text for kind, text in intervals)
    assert column("9.5 (8 to 11)", "–")[1] == ("interval", "–")
    assert column("12", "stock") == [], "no column of numbers"
    assert column("12:05.0", "stock, which runs far too lean") == [
        ("text", "12:05.0"), ("text", "stock, which runs far too lean"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("cost", "currency", "said"),
    [(285, "$", "$285"), (34.5, "€", "€34.5"), (34, "EUR", "34 EUR"), (0, "£", "£0")],
)
def test_signs_stand_before_the_amount_and_codes_after_it(cost, currency, said):
    assert money(cost, SimpleNamespace(about=SimpleNamespace(currency=currency))) == said


def test_no_price_is_a_dash():
    assert money(None, SimpleNamespace(about=SimpleNamespace(currency="$"))) == NONE


@pytest.mark.parametrize(
    ("names", "lines"),
    [((), 0), (("e5", "e10"), 1), (("n" * 30,) * 3, 3), (("e5", "n" * 30), 2), (("e10",) * 5, 2)],
)
def test_a_figure_has_room_for_its_numbers_and_for_a_legend_over_it(names, lines):
    """In inches: 0.36 over each of two axes, 0.55 below it, 0.16 beside it; 0.24 for each line."""
    figure, (upper, lower) = figure_of(3.0, 4.0, ["e5"], rows=2, legend=names)
    width, height = figure.get_size_inches()
    assert (width, height) == pytest.approx((3.0, 4.0 + 0.24 * lines))
    ends = [ax.get_position().get_points() * (width, height) for ax in (upper, lower)]
    (left, above), (right, top) = ends[0]
    assert (left, 3.0 - right, height - top) == pytest.approx((0.55, 0.16, 0.36 + 0.24 * lines))
    (_, bottom), (_, below) = ends[1]
    assert (bottom, above - below) == pytest.approx((0.55, 0.55 + 0.36))
    # To the left there is room for the longest name, up to 0.45 of the width.
    for name in ("a short name", "n" * 80):
        figure, (ax, *_) = figure_of(3.0, 2.0, ["stock", name])
        wanted = 0.1 + min(width_of(name, bold=True), 0.45 * 3.0)
        assert ax.get_position().x0 * 3.0 == pytest.approx(wanted)
        assert wanted > 0.55


@pytest.mark.parametrize(
    ("ends", "across", "up"),
    [
        # 2.29 in across, where a number takes about 0.2 in, and 1.09 in up, where it takes 0.4.
        ((0.0, 1.0), "0.0 0.2 0.4 0.6 0.8 1.0", "0.0 0.5 1.0"),
        ((0.83, 0.90), "0.84 0.86 0.88 0.90", "0.85 0.90"),
        ((-10.0, 200.0), "0 50 100 150 200", "0 100 200"),
        ((0.0, 9.0), "0 1 2 3 4 5 6 7 8 9", "0 5"),
        ((0.0, 1000.0), "0 500 1000", "0 500 1000"),
        # Between two ticks there is none: the axis is widened to both.
        ((0.205, 0.395), "0.25 0.30 0.35", "0.2 0.3 0.4"),
    ],
)
def test_ticks_are_round_and_as_close_as_their_numbers_may_stand(ends, across, up):
    figure, (ax,) = figure_of(3.0, 2.0)
    ax.set_xlim(*ends)
    ax.set_ylim(*ends)
    with_round_ticks(figure)
    for axis, wanted in ((ax.xaxis, across), (ax.yaxis, up)):
        assert " ".join(one.get_text() for one in axis.get_ticklabels()) == wanted
        numbers = [float(one) for one in wanted.replace("−", "-").split()]
        assert list(axis.get_ticklocs()) == pytest.approx(numbers)
        low, high = axis.get_view_interval()
        assert numbers[0] - (numbers[1] - numbers[0]) < low < numbers[0] + 1e-9
        assert numbers[-1] - 1e-9 < high < numbers[-1] + (numbers[1] - numbers[0])


def test_a_title_begins_at_the_figures_edge_and_rows_stand_from_the_top():
    _, (ax,) = figure_of(3.0, 2.0, ["stock", "big_172"])
    title(ax, "Gain")
    name_rows(ax, ["stock", "big_172"])
    place = ax.get_position()
    assert ax.title.get_position()[0] * place.width + place.x0 == pytest.approx(0)
    assert [one.get_text() for one in ax.get_yticklabels()] == ["stock", "big 172"]
    bottom, top = ax.get_ylim()
    # With room for half a row and more at either end.
    assert 0.5 < bottom - 1 < 1
    assert 0.5 < -top < 1
    # Names are set as they are: no mathematics between two signs.
    assert width_of("e5") < width_of("e5", bold=True) < width_of("$e5$", bold=True)


def test_changes_and_gains_have_their_signs_and_figures():
    assert [signed(one, "speed", "metric") for one in (0.0, 1.0, -1.0)] == ["+0.0", "+3.6", "−3.6"]
    sharp, rough, wide = (Interval(0.156, 0.156 - half, 0.156 + half) for half in (0.02, 0.03, 0.2))
    assert gain_text(sharp) == "15.6 % (13.6 to 17.6 %)"
    assert gain_text(Interval(0.156, 0.154, 0.158)) == "15.6 % (15.4 to 15.8 %)"
    assert gain_text(rough, "") == "16 (13 to 19)"
    assert gain_text(wide) == "16 % (−4 to 36 %)"
    assert interval_cell(None, "speed", "metric") == NONE
    assert interval_cell(Interval(10, 9, 11), "speed", "metric") == "36 (32 to 40)"


def test_data_in_a_page_are_plain_and_short_cells_are_not_broken():
    data = page_parts._environment().from_string("{{ it | tojson }}")
    assert data.render(it={"b": "25 °C", "a": 1}) == '{"b": "25 °C", "a": 1}'
    with pytest.raises(ValueError, match="not JSON compliant"):
        data.render(it=float("nan"))
    assert " " not in page_parts.cell("the whole page")
    assert " " in page_parts.cell("the whole pages")
    # 34 rem, and a phone of 390 px less a margin on either side.
    assert round(page_parts.WIDE_IN * 96) == 34 * 16
    assert 390 - 3 * 16 < page_parts.NARROW_IN * 96 < 390 - 2 * 16
