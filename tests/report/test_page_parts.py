"""Pieces of a page: text, tables, pictures, money."""

import re
from types import SimpleNamespace

import pytest
from matplotlib.figure import Figure

from tuninglib.report.page_parts import NONE, Prose, Table, money, picture

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
    assert "Note" in str(Table("Runs", ("Run", "Note"), ())), "a table without rows shows its head"


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
