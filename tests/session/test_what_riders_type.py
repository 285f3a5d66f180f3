"""What riders write in a cell or a key, wherever it could stand: read, or refused with a remedy.

The table says what happens to each text in each kind of place; the places come from the contract.
"""

import dataclasses
import re

import numpy as np
import pytest

from tuninglib.interval import Measured
from tuninglib.session import machine, read_table, schema
from tuninglib.session.fields import read_value
from tuninglib.session.read_table import columns_in_si
from tuninglib.text_files import RawTable, parse_table
from tuninglib.units import convert, unit_typed

TABLES = {
    "runs.csv": read_table.COLUMNS,
    "climbs.csv": read_table.CLIMB_COLUMNS,
    "fills.csv": read_table.FILL_COLUMNS,
    "coastdown.csv": read_table.FALL_COLUMNS,
    "benchflow.csv": read_table.BENCH_COLUMNS,
}
# Columns whose cells are numbers, by how they are read.
NUMERIC = [
    (file, key)
    for file, columns in TABLES.items()
    for key, column in columns.items()
    if column.kind in ("quantity", "number")
]
QUANTITIES = [
    (record, field.name)
    for record in (*schema.SINGLE.values(), schema.Piece, *schema.NAMED.values())
    for field in dataclasses.fields(record)
    if field.metadata["kind"] == "quantity"
]
NUMBERS = [
    (record, field.name)
    for record in (*schema.SINGLE.values(), *schema.NAMED.values())
    for field in dataclasses.fields(record)
    if field.metadata["kind"] == "number"
]


def outcome_in(columns: dict, key: str, cell: str, *, decimal_comma: bool = False):
    """What a cell becomes in SI, and the sentence if it is refused."""
    column, problems = columns[key], []
    head = f"{key} [{column.usual_unit}]" if column.kind == "quantity" else key
    table = RawTable((head,), ((cell,),), (2,), ";", decimal_comma)
    alone = {key: dataclasses.replace(column, required=False)}
    data = columns_in_si(table, "file.csv", alone, problems)
    return data[column.si_name or key][0], problems[0].message if problems else ""


def outcome_of(record, key: str, typed):
    """What a key's value becomes, and the sentence if it is refused."""
    try:
        return read_value(record.__dataclass_fields__[key].metadata, typed, {}), ""
    except ValueError as error:
        return None, str(error)


# A text in a cell that takes one number, and what is said of it: its own remedy.
IN_A_CELL = [
    ("61 to 62", "is a range, but one number is needed here; write "),
    ("12.6-12.8", "is a range, but one number is needed here; write "),
    ("13 +/- 0.2", "has a +/-, but one number is needed here; write "),
    ("13+-0.2", "has a +/-, but one number is needed here; write "),
    ("about 13", "does not say how far off it may be; write 13 alone"),
    ("~13", "does not say how far off it may be; write 13 alone"),
    ("38 $", "is more than a number; write 38 alone"),
    ("13 mph", "is more than a number; write 13 alone"),
    ("$38", "is not a number; write digits alone"),
    ("38,-", "is not a number; write digits alone"),
    ("10.4:1", "is not a number; write digits alone"),
    ("#REF!", "is not a number; write digits alone"),
    ("4 8", "is not a number; write digits alone"),
    ("٤٨", "is not a number; write digits alone"),
    ("1,300 ft", "could be read two ways; write '1300 ft' or '1.3 ft'"),
    ("1.300,5", "has marks between its thousands; write '1300.5'"),
]


@pytest.mark.parametrize(("file", "key"), NUMERIC)
def test_a_cell_with_more_than_a_number_is_refused_with_what_to_write(file, key):
    for typed, said in IN_A_CELL:
        _, found = outcome_in(TABLES[file], key, typed)
        assert said in found
        assert found.startswith(f"'{typed}' ")
        assert "\n" not in found


@pytest.mark.parametrize(
    ("key", "typed", "remedy"),
    [
        ("exit_speed", "61 to 62", "write 61.5, and how finely it can be read as resolution under"),
        ("exit_speed", "62 +/- 1", "write 62, and how finely it can be read as resolution under"),
        ("headwind", "5 to 10", "write 7.5, and how far winds may be off in headwind under [wea"),
        ("gauge_low", "12.6-12.8", "write 12.6 under gauge_low and 12.8 under gauge_high"),
        ("gauge_high", "13 +/- 0.2", "write 12.8 under gauge_low and 13.2 under gauge_high"),
        ("head_temperature", "180 to 190", "write 185"),
    ],
)
def test_what_is_said_of_two_numbers_can_be_done(key, typed, remedy):
    _, said = outcome_in(read_table.COLUMNS, key, typed)
    assert said.partition("here; ")[2].startswith(remedy)
    number = re.search(r"write ([\d.]+)", said)[1]
    assert outcome_in(read_table.COLUMNS, key, number)[1] == ""


@pytest.mark.parametrize(
    ("typed", "ends"),
    [
        ("12.6 to 12.8", (12.6, 12.8)),
        ("12.6 bis 12.8", (12.6, 12.8)),
        ("13 +/- 0.2", (12.8, 13.2)),
        ("13+-0.2", (12.8, 13.2)),
        ("13", (13.0, 13.0)),
        ("about 13", "write 13, or the steady range, as 12.6 to 12.8"),
        ("about 12.6 to 12.8", (12.6, 12.8)),
        ("~13 ± 0.2", (12.8, 13.2)),
        ("13 AFR", "is more than a number; write 13 alone"),
        ("lean", "is not a reading; write one number, as 12.8, or the steady range, as 12.6 to"),
        (">18", "at its end, write the number of that end here, and as highest or lowest under"),
        ("14.4/14.6", "'14.4/14.6' is not a reading"),
        ("---", "is not a reading"),
    ],
)
def test_the_one_column_of_the_gauge_takes_a_range(typed, ends):
    found, said = outcome_in(read_table.COLUMNS, "gauge", typed)
    if isinstance(ends, str):
        assert ends in said
    else:
        assert said == ""
        assert found == pytest.approx(ends, abs=1e-12)


@pytest.mark.parametrize("between", [" to ", " bis ", *"-‐‑‒–—−", " - ", " – "])
def test_a_range_may_be_all_that_shows_the_decimal_sign(between):
    table = parse_table(f"run;gauge\n1;12,6{between}12,8\n2;13\n", "runs.csv")
    assert table.decimal_comma
    problems = []
    columns = {key: read_table.COLUMNS[key] for key in ("run", "gauge")}
    data = columns_in_si(table, "runs.csv", columns, problems)
    assert data["gauge"] == [(12.6, 12.8), (13.0, 13.0)]
    assert problems == []
    assert not parse_table("run;gauge\n1;12.6-12.8\n2;1,250\n", "runs.csv").decimal_comma


@pytest.mark.parametrize(
    ("key", "typed", "said"),
    [
        ("exit_speed", "61,5", ""),
        ("exit_speed", "61,5 bis 62,5", "write 62, and how finely"),
        ("gauge_low", "12,6 bis 12,8", "write 12,6 under gauge_low and 12,8 under gauge_high"),
        ("gauge_low", "ca. 12,6", "write 12,6 alone"),
        ("air_pressure", "1.013,5", "has marks between its thousands; write '1013,5'"),
        ("air_pressure", "1,013", "could be read two ways, as 1013 or as 1,013; write it without"),
    ],
)
def test_a_remedy_has_the_decimal_sign_of_the_file(key, typed, said):
    _, found = outcome_in(read_table.COLUMNS, key, typed, decimal_comma=True)
    assert said in found
    assert bool(found) == bool(said)


def test_both_readings_of_a_distance_are_said_where_only_one_can_be():
    _, said = outcome_in(read_table.FILL_COLUMNS, "distance", "1,250", decimal_comma=True)
    assert said.startswith("1,250 could be read two ways, as 1250 or as 1,250; write it without")
    _, said = outcome_in(read_table.FILL_COLUMNS, "distance", "1,250")
    assert said == "'1,250' could be read two ways; write '1250' or '1.25'"
    found, said = outcome_in(read_table.FILL_COLUMNS, "distance", "1250")
    assert (found, said) == (1.25e6, "")


def own_unit(meta) -> tuple:
    """The unit of a key's example, and a value in it that is within its limits."""
    unit = unit_typed(meta["example"], meta["unit"])
    low, high = (convert(meta[end], meta["unit"], unit) for end in ("low", "high"))
    return "" if unit == "1" else f" {unit}", low, high


@pytest.mark.parametrize(
    ("record", "key"), QUANTITIES, ids=[f"{record.__name__}.{key}" for record, key in QUANTITIES]
)
def test_every_quantity_takes_a_range_and_a_doubt_or_says_what_to_write(record, key):
    """A range is its middle and half of its width; about needs a doubt, or is refused with one."""
    meta = record.__dataclass_fields__[key].metadata
    exact = meta["plus_minus"] == "none"
    unit, low, high = own_unit(meta)
    width = (high - low) / 64
    if meta["widest"]:
        width *= min(1.0, 16 * meta["widest"] / (meta["high"] - meta["low"]))
    middle = low + (high - low) / 4
    ends = f"{middle - width:.6g}", f"{middle + width:.6g}"
    for spelled in (" to ", " bis ", " – "):
        read, said = outcome_of(record, key, f"{ends[0]}{spelled}{ends[1]}{unit}")
        if exact:
            assert "is a range, but this is taken as exact; write one value, such as its" in said
            remedy = re.search(r"middle '([^']+)'", said)[1]
            assert outcome_of(record, key, remedy)[1] == ""
        else:
            assert said == ""
            first, last = (convert(float(end), unit.strip() or "1", meta["unit"]) for end in ends)
            assert read.value == pytest.approx((first + last) / 2, rel=1e-6)
            assert read.half_width == pytest.approx((last - first) / 2, rel=1e-4)
    for spelled in (" +/- ", " ± ", "+-", "±"):
        _, said = outcome_of(record, key, f"{middle:.6g}{spelled}{width:.6g}{unit}")
        assert ("taken as exact; leave it out" in said) if exact else (said == "")
    for about in ("about ", "~", "ca. ", "approx ", "≈"):
        _, said = outcome_of(record, key, f"{about}{middle:.6g}{unit}")
        assert "does not say how far off it may be; write" in said
        remedies = re.findall(r"'([^']+)'", said.partition("; write")[2])
        assert len(remedies) == (1 if meta["plus_minus"] in ("none", "needed") else 2)
        for remedy in remedies:
            read, refused = outcome_of(record, key, remedy)
            assert refused == "" or "uncertain" in refused
        # Where the doubt is stated, nothing is left open.
        read, said = outcome_of(record, key, f"{about}{middle:.6g} +/- {width:.6g}{unit}")
        assert (read is None) == exact


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("1,300 ft", "could be read two ways; write '1300 ft' or '1.3 ft'"),
        ("1.300,5 ft", "has marks between its thousands; write '1300.5 ft'"),
        ("1,300.5 ft", "has marks between its thousands; write '1300.5 ft'"),
        ("12,6 bis 12,8 ft", "has a comma in a number; write a point: '12.6 bis 12.8 ft'"),
        ("1,300 to 1,400 ft", "could be read two ways; write '1300 to 1,400 ft' or"),
        ("$38", "is not a value with a unit; write for example"),
        ("10.4:1", "write for example"),
    ],
)
def test_a_quantity_that_could_be_two_is_refused_with_what_to_write(typed, said):
    for record, key in QUANTITIES:
        _, found = outcome_of(record, key, typed)
        assert said in found, (record, key)


WITH_A_CURRENCY = (
    "$38", "38 $", "€38", "38 €", "38 EUR", "EUR 38", "38,-", "38.-", "£ 38", "38 kr",
)  # fmt: skip


@pytest.mark.parametrize(
    ("record", "key"), NUMBERS, ids=[f"{record.__name__}.{key}" for record, key in NUMBERS]
)
def test_a_plain_number_is_read_or_its_remedy_is_said(record, key):
    meta = record.__dataclass_fields__[key].metadata
    cases = [
        *((one, "one number is needed here; write 61.5") for one in ("61 to 62", "61-62")),
        *((f"{one}13", "write 13 alone") for one in ("about ", "~", "ca. ", "approx ", "≈")),
        *((f"13{one}0.2", "one number is needed here; write 13") for one in (" +/- ", "±", "+-")),
        ("1,300", "could be read two ways; write '1300' or '1.3'"),
        ("1.300,5", "has marks between its thousands; write '1300.5'"),
        ("12,6", "has a comma; write '12.6'"),
    ]
    for typed, said in cases:
        assert said in outcome_of(record, key, typed)[1], typed
    for typed in WITH_A_CURRENCY:
        read, said = outcome_of(record, key, typed)
        assert (read == 38.0) if meta.get("money") else ("number" in said)
    for typed in ("5:1", "5 : 1", "5:1.0"):
        read, said = outcome_of(record, key, typed)
        assert (read == 5.0) if meta.get("to_one") else ("number" in said)


@pytest.mark.parametrize(
    ("typed", "each"),
    [
        ("$4.89/gal", 4.89 / 3.785411784), ("4.89 $/gal", 4.89 / 3.785411784), ("€1.79/L", 1.79),
        ("1.79 EUR", 1.79), ("1.79,-", 1.79), ("2,-", 2.0), (1.89, 1.89), ("1.89", 1.89),
        ("6.80 GBP / imperial gal", 6.80 / 4.54609), ("£1.45/litre", 1.45),
    ],
)  # fmt: skip
def test_a_price_of_fuel_has_its_sign_before_or_after(typed, each):
    read, said = outcome_of(machine.Fuel, "price", typed)
    assert (read, said) == (pytest.approx(each), "")


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        *((one, "; write") for one in ("about $1.79", "1.79 to 1.85", "~1.79", "1,795")),
        *((one, "price per volume") for one in ("4.89 USD/kg", "cheap", "4.89/", "/gal")),
        ("-3 EUR/L", "price per volume"), ("1,89", "has a comma"),
    ],
)  # fmt: skip
def test_a_price_of_fuel_that_is_none_or_left_open_is_refused(typed, said):
    assert re.search(said, outcome_of(machine.Fuel, "price", typed)[1])


@pytest.mark.parametrize(
    ("currency", "price", "wrong"),
    [
        ("EUR", "$38", "'$38' is in $, but the currency under [session] is EUR; write all amounts"),
        ("$", "38 EUR", "'38 EUR' is in EUR, but the currency under [session] is $; write all"),
        ("EUR", "€38", ""),
        ("USD", "$38", ""),
        ("$", "38 AUD", ""),
        ("AUD", "38 USD", "'38 USD' is in USD, but the currency under [session] is AUD; write all"),
    ],
)
def test_amounts_are_in_one_currency(demo_copy, currency, price, wrong):
    from tuninglib.session.read_toml import read_toml

    path = demo_copy / "session.toml"
    text = re.sub(r"(?m)^(price|cost|currency) = .*\n", "", path.read_text("utf-8"))
    text = text.replace("[session]", f'[session]\ncurrency = "{currency}"', 1)
    text = re.sub(r"(?m)^(\[injectors\.\w+\])$", rf'\1\nprice = "{price}"', text, count=1)
    path.write_text(text, "utf-8")
    problems = []
    tables = read_toml(path, problems)
    if wrong:
        assert [wrong in one.message for one in problems] == [True]
    else:
        assert problems == []
        assert 38.0 in [one.price for one in tables["injectors"].values()]


def test_a_half_width_of_nothing_is_one():
    read, said = outcome_of(schema.Gauge, "accuracy", "0+-0 %")
    assert (read, said) == (Measured(0.0, 0.0), "")
    assert np.isclose(
        outcome_of(schema.MeasuredHill, "entry_speed", "48 ± 2 km/h")[0].value, 13.3333
    )
