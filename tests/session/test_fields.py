"""Fields of session.toml: what each shows as an example, and how wide a ± may be."""

import pytest

from tuninglib.session.fields import choice, number, quantity


def test_a_choice_shows_its_first_as_the_example():
    meta = choice("how it is ridden", "short", "long", "both").metadata
    assert (meta["example"], meta["choices"]) == ("short", ("short", "long", "both"))


@pytest.mark.parametrize(
    ("how", "widest"),
    [
        # Half of what lies between the limits, unless something else is said or there are none.
        ({"low": 1.0, "high": 5.0}, 2.0),
        ({"low": -1.0, "high": 5.0}, 3.0),
        ({"low": 1.0, "high": 5.0, "widest": 0.5}, 0.5),
        ({"low": 1.0}, None),
    ],
)
def test_a_doubt_may_be_as_wide_as_half_of_the_limits(how, widest):
    meta = quantity("m", "help", example="1 m", **how).metadata
    assert meta["widest"] == widest
    assert not meta["asked"]
    assert not number("help", example=1).metadata["whole"]
