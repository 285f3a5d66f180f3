"""The records of the columns: whole, and such that a new file can be read."""

import pytest

from tuninglib.session.read_table import (
    COLUMNS,
    FALL_COLUMNS,
    columns_in_si,
    header_line,
    parse_head,
)
from tuninglib.text_files import parse_table
from tuninglib.units import convert


@pytest.mark.parametrize("columns", [COLUMNS, FALL_COLUMNS], ids=["runs", "falls"])
def test_every_column_says_what_its_kind_needs(columns):
    for key, column in columns.items():
        assert column.help, key
        numeric = column.kind in ("quantity", "number", "range")
        assert numeric == (column.low is not None and column.low < column.high), key
        assert (column.kind == "choice") == bool(column.choices), key
        assert (column.kind == "quantity") == bool(column.unit), key
        if column.unit:
            low, high = convert([column.low, column.high], column.unit, column.usual_unit)
            assert low < high, key


def test_the_header_of_a_new_file_is_read_without_a_problem():
    problems = []
    cells = "1,stock,me,48,62,12.6,12.8,full,18,none,170,,"
    table = parse_table(f"{header_line(COLUMNS)}\n{cells}\n", "runs.csv")
    data = columns_in_si(table, "runs.csv", COLUMNS, problems)
    assert problems == []
    assert data["shown_exit_m_s"] == [pytest.approx(62 / 3.6)]
    assert data["air_temperature_k"] == [pytest.approx(291.15)]
    assert data["row"] == [2]


def test_a_new_file_starts_without_the_columns_that_few_have():
    names = [parse_head(head).key for head in header_line(COLUMNS).split(",")]
    assert names == [key for key in COLUMNS if COLUMNS[key].in_new_file]
    assert not {"headwind", "air_pressure", "down_exit_speed"} & set(names)


@pytest.mark.parametrize("key", COLUMNS)
def test_si_names_end_in_the_unit(key):
    column = COLUMNS[key]
    ends = {"m/s": "_m_s", "K": "_k", "Pa": "_pa", "1": "_ratio", "": ""}
    assert (column.si_name or key).endswith(ends[column.unit])


@pytest.mark.parametrize(
    ("text", "key", "unit"),
    [
        ("run", "run", ""),
        (" Exit Speed  [ km/h ] ", "exit_speed", "km/h"),
        ("", "", ""),
        ("exit_speed [km/h", "exit_speed_[km/h", ""),
    ],
)
def test_header_cells(text, key, unit):
    head = parse_head(text)
    assert (head.key, head.unit) == (key, unit)
