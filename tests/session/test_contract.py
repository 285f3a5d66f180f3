"""The limits of every key and column, as they stand in a file: one that moves is seen."""

import csv
import dataclasses

import pytest

from tests.answers import CONTRACT, contract
from tuninglib.interval import Measured
from tuninglib.physics.octane import Octane
from tuninglib.session import machine, schema


def test_no_limit_moves_unseen():
    with CONTRACT.open(encoding="utf-8", newline="") as stream:
        kept = [tuple(row) for row in csv.reader(stream)]
    assert contract() == kept, "python -m tests.answers writes them anew, if that was wanted"


def test_every_example_is_inside_its_limits():
    from tuninglib.session.read_value import read_value

    names = {name: {"stock", "e5", "e10"} for name in schema.NAMED}
    for record in (*schema.SINGLE.values(), *schema.NAMED.values()):
        for field in dataclasses.fields(record):
            if "example" in field.metadata:
                assert read_value(field.metadata, field.metadata["example"], names) is not None


ENGINE = {"bore": Measured(0.058), "stroke": Measured(0.055)}


@pytest.mark.parametrize(
    ("stated", "wanted"),
    [
        ({}, None),
        ({"compression_ratio": 10.5}, 10.5),
        ({"clearance_volume": Measured(16e-6)}, 1 + 0.25 * 3.141592653589793 * 58**2 * 55e-3 / 16),
        ({"clearance_volume": Measured(16e-6), "cylinders": 2.0}, 10.0822),
    ],
)
def test_compression_is_as_stated_or_from_the_volume(stated, wanted):
    found = machine.Engine(**ENGINE, **stated).compression
    assert found == (None if wanted is None else pytest.approx(wanted, rel=1e-4))


@pytest.mark.parametrize(
    ("stated", "wanted"),
    [({}, None), ({"ron": 95.0}, Octane(95.0, "RON")), ({"octane": Octane(91, "AKI")},) * 2],
)
def test_octane_is_on_the_scale_that_it_was_typed_in(stated, wanted):
    wanted = wanted["octane"] if isinstance(wanted, dict) else wanted
    assert machine.Fuel(**stated).octane_number == wanted
    bike = {f"lowest_{key}": value for key, value in stated.items()}
    assert machine.Bike(mass=Measured(120.0), **bike).octane_need == wanted


@pytest.mark.parametrize(
    ("riding", "cooling", "sustained", "air_cooled"),
    [
        ("unknown", "unknown", True, True),
        ("town", "air", False, True),
        ("mixed", "oil cooler", False, False),
        ("climbs", "liquid", True, False),
        ("motorway", "air", True, True),
    ],
)
def test_the_careful_use_is_taken_unless_another_is_said(riding, cooling, sustained, air_cooled):
    use = schema.Use(riding=riding, cooling=cooling)
    assert (use.sustained, use.air_cooled) == (sustained, air_cooled)
