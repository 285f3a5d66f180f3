"""Pieces of a page: text, tables, pictures, money."""

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
    page = Table("Runs", ("Run", "Speed"), (("1", "62"),)).html()
    assert "<caption>Runs</caption>" in page
    assert '<th scope="col">Speed</th>' in page
    assert '<th scope="row">1</th>' in page


def test_the_same_figure_gives_the_same_bytes_and_carries_its_words():
    def draw(width_in):
        figure = Figure(figsize=(width_in, 2))
        figure.subplots().plot([1, 2, 3], label="a")
        return figure

    first, second = (picture(draw, "A line that rises.", "It rises.") for _ in range(2))
    assert first == second
    assert first.svg != first.narrow
    data, metadata = first._repr_mimebundle_()
    assert metadata["image/svg+xml"]["alt"] == "A line that rises."
    assert data["text/plain"] == "A line that rises."


def test_a_column_in_which_nothing_stands_is_left_out():
    table = Table("Runs", ("Run", "Speed", "Note"), (("1", "62", "–"), ("2", "–", "")))
    assert "Note" not in str(table)
    assert "Note" not in table.html()
    assert table.html().count("<td>") == 2
    assert "Speed" in str(table)
    assert "Note" in str(Table("Runs", ("Run", "Note"), ())), "a table without rows shows its head"


@pytest.mark.parametrize(
    ("cost", "currency", "said"),
    [(285, "$", "$285"), (34.5, "€", "€34.5"), (34, "EUR", "34 EUR"), (0, "£", "£0")],
)
def test_signs_stand_before_the_amount_and_codes_after_it(cost, currency, said):
    assert money(cost, SimpleNamespace(about=SimpleNamespace(currency=currency))) == said


def test_no_price_is_a_dash():
    assert money(None, SimpleNamespace(about=SimpleNamespace(currency="$"))) == NONE
