"""How the report writes an amount of money."""

from types import SimpleNamespace

import pytest

from tuninglib.report.page_parts import NONE, money


@pytest.mark.parametrize(
    ("cost", "currency", "said"),
    [(285, "$", "$285"), (34.5, "€", "€34.5"), (34, "EUR", "34 EUR"), (0, "£", "£0")],
)
def test_signs_stand_before_the_amount_and_codes_after_it(cost, currency, said):
    assert money(cost, SimpleNamespace(about=SimpleNamespace(currency=currency))) == said


def test_no_price_is_a_dash():
    assert money(None, SimpleNamespace(about=SimpleNamespace(currency="$"))) == NONE
