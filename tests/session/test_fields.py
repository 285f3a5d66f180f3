"""Fields of session.toml: how wide a ± may be, and numbers that could be two."""

import re

import pytest

from tuninglib.session.fields import currency_of, quantity, read_value
from tuninglib.session.machine import Engine, Fuel, Gears, Setup


@pytest.mark.parametrize(("more", "widest"), [({}, 3.0), ({"widest": 0.5}, 0.5)])
def test_a_doubt_may_be_as_wide_as_half_of_the_limits(more, widest):
    meta = quantity(("m", -1.0, 5.0), "help", "1 m", **more).metadata
    assert meta["widest"] == widest


@pytest.mark.parametrize("typed", ["1,000 km", "1.000 km", "1,862 km", "1.862 km", "1.000 ft"])
def test_a_thousand_is_no_one_and_the_remedy_is_no_riddle_either(typed):
    meta = Engine.__dataclass_fields__["since_opened"].metadata
    with pytest.raises(ValueError, match="could be read two ways") as caught:
        read_value(meta, typed, {})
    whole, parts = re.findall("'([^']*)'", str(caught.value))[1:]
    read = [read_value(meta, one, {}).value for one in (whole, parts)]
    assert read[0] == pytest.approx(1000 * read[1])


def test_three_decimals_are_read_where_thousands_make_no_sense():
    for record, key, typed in ((Gears, "circumference", "1.862 m"), (Gears, "gear", "1.050")):
        read_value(record.__dataclass_fields__[key].metadata, typed, {})
    with pytest.raises(ValueError, match=r"write '1250 EUR' or '1\.25 EUR'"):
        read_value(Setup.__dataclass_fields__["cost"].metadata, "1.250 EUR", {})


@pytest.mark.parametrize("typed", ["145.9 p/l", "195 ct/l", "189 cents/L", "145.9p"])
def test_pence_and_cents_are_no_pounds_and_euros(typed):
    meta = Fuel.__dataclass_fields__["price"].metadata
    with pytest.raises(ValueError, match="is in cents or pence"):
        read_value(meta, typed, {})
    assert read_value(meta, "1.899 EUR/L", {}) == pytest.approx(1.899)


def test_a_currency_in_small_letters_is_seen():
    assert [currency_of(one) for one in ("4.89 usd/gal", "kr 19", "$38")] == ["USD", "kr", "$"]
