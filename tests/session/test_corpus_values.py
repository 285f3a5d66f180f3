"""Every key of session.toml with every kind of wrong value: read right, or refused."""

import dataclasses
import math

import pytest

from tuninglib.interval import Measured
from tuninglib.session import machine, schema
from tuninglib.session.read_value import PieceError, read_value
from tuninglib.units import parse_quantity

LONG = 100_000
WRONG = [
    True, 3, -1, 0, 1e300, 1e-322, math.nan, math.inf, [1, 2], ["a"], {"a": 1}, "", "   ", "kg",
    "5", "-5", "0", "1e300 kg", "nan kg", "inf", "5 kg", "5 m", "5 km/h", "5 degC", "5 %", "5 % %",
    "5 deg", "118 kg lb", "118 kg 3 lb", "118 kg +/- 5000 kg", "5 +/- 900 %", "0 +/- 1e300",
    "5 kg**99999999", "5 m^1e9", "5 ((((((((m))))))))", "5" + " " * LONG + "kg", "1" * LONG,
    "." * LONG, "+/-" * LONG, "5 kg\n", "5 kg\x07", "☃", "５ kg", "5,5 kg", "1.234,5 kg",
    "5 kg +/-", "± 5 kg", "5 kg ± ± 2", "5 rad/s", "2800 rpm", "95 RON", "95", "x" * 6000, "1.0",
    "2 %", "1e-300 kg", "1e-322", "-0", "5 +/- -2 %", "5 % +/- 2 kg", "2026-13-45",
]  # fmt: skip
RECORDS = [*schema.SINGLE.values(), *schema.NAMED.values()]
KEYS = [(record, field) for record in RECORDS for field in dataclasses.fields(record)]
NAMES = {name: {"a"} for name in schema.NAMED}


@pytest.mark.parametrize(
    ("record", "field"), KEYS, ids=[f"{record.__name__}.{field.name}" for record, field in KEYS]
)
def test_a_value_is_read_or_refused_in_one_sentence(record, field):
    for typed in WRONG:
        read, said = outcome(field.metadata, typed)
        assert all(0 < len(one) < 600 and "\n" not in one for one in said)
        value = read.value if isinstance(read, Measured) else read
        if isinstance(value, float):
            assert math.isfinite(value)
            assert field.metadata["low"] <= value <= field.metadata["high"]


def outcome(metadata, typed):
    """What is read, and the sentences if it is refused; any other fault is one of the program."""
    try:
        return read_value(metadata, typed, NAMES), []
    except PieceError as error:
        return None, error.args[0]
    except ValueError as error:
        return None, [str(error)]


@pytest.mark.parametrize(
    ("typed", "unit", "value"),
    [
        ("2800 rpm", "1/min", 2800.0),
        ("2800 revolutions per minute", "1/min", 2800.0),
        ("2800 rev/min", "1/min", 2800.0),
        ("2800 r/min", "1/min", 2800.0),
        ("2800 1/min", "1/min", 2800.0),
        ("46.6666666667 rps", "1/min", 2800.0),
        ("46.6666666667 Hz", "1/min", 2800.0),
        ("293.215314335 rad/s", "1/min", 2800.0),
        ("55 %", "1", 0.55),
        ("55 percent", "1", 0.55),
        ("0.55", "1", 0.55),
        ("118   kg", "kg", 118.0),
        ("260 lb", "kg", 117.9340162),
        ("6 kg*m/s**2/N", "1", None),
        ("55 deg", "1", None),
        ("55 rpm", "1", None),
        ("6 % %", "1", None),
        ("6 %%", "1", None),
        ("118 kg lb", "kg", None),
        ("118 kg 3 lb", "kg", None),
        ("118 kg kg", "kg", None),
        ("5 cycles/min", "1/min", None),
        ("5 revolution", "1/min", None),
        ("1e400 kg", "kg", None),
        ("118 kg +/- 1e400 kg", "kg", None),
    ],
)
def test_units_mean_what_the_trade_means_by_them(typed, unit, value):
    if value is None:
        with pytest.raises(ValueError, match=r"write|measure|unit"):
            parse_quantity(typed, unit)
    else:
        assert parse_quantity(typed, unit).value == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("record", "key", "typed", "said"),
    [
        (machine.Bike, "mass", "124 kg +/- 5000 kg", "uncertain by more than 230 kg"),
        (machine.Bike, "mass", "124 kg +/- 124 kg", "as uncertain as it is large"),
        (machine.Bike, "drag_area", "0.5 m2 +/- 9 m2", "uncertain by more than 0.7 m"),
        (machine.Bike, "highest_ethanol", "10 +/- 1 %", "taken as exact; leave it out"),
        (machine.Engine, "bore", "62 +/- 0.1 mm", "taken as exact; leave it out"),
        (machine.Engine, "cylinders", 1.5, "must be a whole number"),
        (machine.Injector, "tolerance", "7 +/- 1 %", "taken as exact; leave it out"),
        (schema.MeasuredHill, "grade", "6 +/- 900 %", "uncertain by more than 0.2"),
        (schema.Gauge, "accuracy", "2 %", r"could be read two ways; write '0 \+/- 2 %'"),
        (schema.Gauge, "accuracy", "0 +/- 30 %", "uncertain by more than 0.2"),
        (schema.Assumptions, "flow_response", "1.0", "could be read two ways"),
        (schema.Assumptions, "rider_effect", "3 %", "could be read two ways|outside"),
        (schema.Weather, "humidity", "55 deg", "does not measure what is asked for here"),
        (schema.Weather, "headwind", "0 +/- 90 m/s", "uncertain by more than 10 m/s"),
    ],
)  # fmt: skip
def test_a_half_width_must_be_one(record, key, typed, said):
    field = {f.name: f for f in dataclasses.fields(record)}[key]
    with pytest.raises(ValueError, match=said):
        read_value(field.metadata, typed, NAMES)


def test_an_exact_accuracy_can_be_said():
    field = {f.name: f for f in dataclasses.fields(schema.Gauge)}["accuracy"]
    assert read_value(field.metadata, "2 +/- 0 %", NAMES) == Measured(0.02, 0.0)
    assert read_value(field.metadata, "0 +/- 2 %", NAMES) == Measured(0.0, 0.02)
