import math

import numpy as np
import pint
import pytest

from tuninglib import units
from tuninglib.units import convert, parse_number, parse_quantity


@pytest.mark.parametrize(
    ("text", "unit", "value", "half"),
    [
        ("118 kg", "kg", 118.0, 0.0),
        ("118 kg +/- 1 kg", "kg", 118.0, 1.0),
        ("118 ± 1 kg", "kg", 118.0, 1.0),
        ("100 lb +/- 1 kg", "kg", 45.359237, 1.0),
        ("6.5 +/- 0.3 %", "1", 0.065, 0.003),
        ("0.018 +/- 0.004", "1", 0.018, 0.004),
        ("\N{MINUS SIGN}5 °C", "K", 268.15, 0.0),
        ("68 degF +/- 9 degF", "K", 293.15, 5.0),
        ("9500 rpm", "1/min", 9500.0, 0.0),
        ("60 mph", "m/s", 26.8224, 0.0),
        ("62mm", "m", 0.062, 0.0),
        ("62 KM/H", "m/s", 62 / 3.6, 0.0),
        ("124 kilos", "kg", 124.0, 0.0),
        ("2800 revolutions per minute", "1/min", 2800.0, 0.0),
        ("46.6666666667 rps", "1/min", 2800.0, 0.0),
        ("46.6666666667 Hz", "1/min", 2800.0, 0.0),
        ("293.215314335 rad/s", "1/min", 2800.0, 0.0),
        ("55 percent", "1", 0.55, 0.0),
    ],
)
def test_quantities_as_riders_type_them(text, unit, value, half):
    read = parse_quantity(text, unit)
    assert read.value == pytest.approx(value, rel=1e-9)
    assert read.half_width == pytest.approx(half, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "unit", "value", "half"),
    [
        ("5 to 10 mph", "m/s", 7.5 * 0.44704, 2.5 * 0.44704),
        ("5‑10 mph", "m/s", 7.5 * 0.44704, 2.5 * 0.44704),
        ("-2 to 3 m/s", "m/s", 0.5, 2.5),
        ("-3 - -1 m/s", "m/s", -2.0, 1.0),
        ("60 degF to 20 degC", "K", (60 + 459.67) / 3.6 + 293.15 / 2, None),
        ("15 to 22 °C", "K", 291.65, 3.5),
        ("4 to 6 %", "1", 0.05, 0.01),
    ],
)
def test_a_range_is_its_middle_and_half_of_its_width(text, unit, value, half):
    found = parse_quantity(text, unit)
    assert found.value == pytest.approx(value)
    assert half is None or found.half_width == pytest.approx(half)


@pytest.mark.parametrize(
    ("text", "unit", "message"),
    [
        ("10 to 5 mph", "m/s", "goes down; write the lower value first"),
        ("5 to 10", "m/s", "has no unit"),
        ("5 to 10 kg", "m/s", "is the wrong kind of unit"),
        ("5 to 10 to 15 mph", "m/s", "unknown unit|not a value"),
        ("118", "kg", "has no unit; write for example '118 kg'"),
        ("118 kgf s", "kg", "unknown unit 'kgf s'"),
        ("118 km", "kg", "is the wrong kind of unit"),
        ("6,5 %", "1", "write a point: '6.5 %'"),
        ("about 5 kg", "kg", r"write '5 kg', or '5 \+/- 0.2 kg' if"),
        ("5 kg +/- -1 kg", "kg", "negative uncertainty"),
        ("5 kg + 3", "kg", "is not a value with a unit"),
        ("1; import os", "kg", "unknown unit|not a value"),
        ("0.13 tons", "kg", "has several meanings; write kg or lb"),
        ("6 kg*m/s**2/N", "1", "unit"),
        ("55 deg", "1", "is the wrong kind of unit"),
        ("6 %%", "1", "unknown unit|wrong kind"),
        ("118 kg lb", "kg", "unknown unit"),
        ("118 kg 3 lb", "kg", "unknown unit"),
        ("5 cycles/min", "1/min", "unknown unit .*write rpm"),
        ("5 revolution", "1/min", "unknown unit .*write rpm"),
        ("1e400 kg", "kg", "not a finite number"),
        ("118 kg +/- 1e400 kg", "kg", "not a finite number"),
    ],
)
def test_quantities_that_are_refused_name_the_remedy(text, unit, message):
    with pytest.raises(ValueError, match=message):
        parse_quantity(text, unit)


@pytest.mark.parametrize("text", ["nan", "1e999", "", "0x10", "12,8"])
def test_what_is_not_one_finite_number(text):
    with pytest.raises(ValueError, match=r"is not a|has a comma; write '12\.8'"):
        parse_number(text)


@pytest.mark.parametrize("system", units.SYSTEMS)
@pytest.mark.parametrize("kind", sorted(units.KINDS))
def test_every_printed_unit_leads_back(system, kind):
    values = np.array([0.5, 1.0, 300.0])
    back = units.from_display(units.to_display(values, kind, system), kind, system)
    assert back == pytest.approx(values)
    assert units.unit_label(kind, system)


# Conversion factors to SI as printed; those in bold there are exact.
@pytest.mark.outside(source="NIST SP 811 (2008), appendix B.8")
@pytest.mark.parametrize(
    ("value", "unit", "si_unit", "printed", "half_digit"),
    [
        (1.0, "mph", "m/s", 0.44704, 1e-12),
        (1.0, "lb", "kg", 0.45359237, 1e-12),
        (1.0, "ft", "m", 0.3048, 1e-12),
        (1.0, "psi", "Pa", 6894.757, 5e-4),
        (1.0, "inHg", "Pa", 3386.389, 5e-4),
        (1.0, "hp", "W", 745.6999, 5e-5),
        (1.0, "lbf", "N", 4.448222, 5e-7),
        (1.0, "lbf*ft", "N*m", 1.355818, 5e-7),
        (1.0, "gallon", "m**3", 3.785412e-3, 5e-10),
        (1.0, "imp gal", "m**3", 4.54609e-3, 1e-12),
        (77.0, "degF", "K", 298.15, 1e-9),
    ],
)
def test_conversions_of_the_trade(value, unit, si_unit, printed, half_digit):
    assert convert(value, unit, si_unit) == pytest.approx(printed, rel=0, abs=half_digit)


# One of each unit in SI, as its definition has it, and how riders spell it.
SPELT = """
m/s 0.27777777777777779 kmh, km/h, kph, km/hr, KPH | m/s 0.44704 mph | kg 1 kg, kgs, kilo, kilos |
kg 0.45359237 lb, lbs | kg 6.35029318 st | m**3 1e-6 cc, ccm, cm3, mL | m**3 1.6387064e-5 cu in,
ci | m**3/s 1.6666666666666667e-8 cc/min, ccm/min, cm3/min, ml/min | m**3 4.54609e-3 imp gal,
imperial gal, imperial gallon, uk gal | m**3 3.785411784e-3 us gal, us gallon | m**3 1e-3 l,
liter, litre | 1/min 1 rpm, rev/min, revs/min, r/min, min-1, turns/min, revolutions per minute |
1/min 60 rps, rev/s, r/s, revolutions per second | m**2 1 m2, m² | m**2 0.09290304 ft2, ft², sq ft
| W 745.69987158 hp, bhp | kg/m**3 1 kg/m3, kg/m³ | kg/m**3 1000 kg/l, g/ml, g/cc | kg/s
1.2599788e-4 lb/hr, lb/h | Pa 100 mbar
"""
TWO_MEANINGS = {
    "ton": "kg or lb", "cwt": "kg or lb", "gr": "g or grain", "gr/min": "g/min or grain/min",
    "m/h": "mph or km/h", "m/hr": "mph or km/h",
}  # fmt: skip


def test_every_spelling_is_the_same_unit():
    for one in " ".join(SPELT.split()).split(" | "):
        si_unit, size, names = one.split(" ", 2)
        for name in names.split(", "):
            assert convert(1.0, name, si_unit) == pytest.approx(float(size), rel=1e-7), name
    for name, said in TWO_MEANINGS.items():
        with pytest.raises(ValueError, match=f"'{name}' has several meanings; write {said}"):
            units.parse_unit(name)


@pytest.mark.parametrize("letter", ["c", "f"])
def test_a_temperature_may_be_typed_in_many_ways(letter):
    word, sign = {"c": ("Celsius", "℃"), "f": ("Fahrenheit", "℉")}[letter]
    wanted = units.parse_unit(f"deg{letter.upper()}")
    typed = [f"{one}{letter.upper()}" for one in ("°", "° ", "º", "˚", "deg ", "degrees ", "")]
    for text in (*typed, f"{letter}°", word, f"degrees {word}", word.lower(), sign):
        assert units.parse_unit(text) == wanted, text
    with pytest.raises(ValueError, match="unknown unit"):
        units.parse_unit(f"degrees {letter}2")


def test_a_temperature_is_shown_with_its_offset():
    assert math.isclose(units.to_display(273.15, "temperature", "metric"), 0.0, abs_tol=1e-9)


PINT = pint.UnitRegistry()


@pytest.mark.outside(source="pint's table of units")
def test_the_units_of_the_table_are_what_pint_takes_them_for():
    for name, measure in ((name, si) for si, sizes in units._SIZES.items() for name in sizes):
        zero, one = (PINT.Quantity(x, name).to(measure).magnitude for x in (0.0, 1.0))
        assert units.parse_unit(name).size == pytest.approx(one - zero, rel=1e-13), name
        assert units.parse_unit(name).zero == pytest.approx(zero, rel=1e-13), name


def test_a_unit_that_only_pint_knows_is_read_through_it():
    assert "furlong" not in units._SIZES["m"]
    assert convert(1.0, "furlong", "m") == pytest.approx(201.168, rel=1e-5)
    assert convert(80.0, "degR", "K") == pytest.approx(80 / 1.8)
    with pytest.raises(ValueError, match="is the wrong kind of unit here"):
        convert(1.0, "lux", "m")
