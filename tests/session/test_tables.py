"""Tables: their columns, and timed falls, fills and long climbs as a rider types them."""

import numpy as np
import pytest

from tuninglib.session.read_table import (
    COLUMNS,
    FALL_COLUMNS,
)
from tuninglib.session.tables import (
    CLIMBS,
    FALLS_HEADER,
    FILLS,
    HEADER_MPH,
    UPKEEP,
    parse_falls,
    read_climbs,
    read_fills,
    read_upkeep,
)
from tuninglib.text_files import SessionError
from tuninglib.units import convert


@pytest.mark.parametrize("columns", [COLUMNS, FALL_COLUMNS], ids=["runs", "falls"])
def test_every_column_says_what_its_kind_needs(columns):
    for key, column in columns.items():
        assert column.help, key
        numeric = column.kind in ("quantity", "number", "range")
        assert numeric == (column.low is not None and column.low < column.high), key
        assert (column.kind == "choice") == bool(column.choices), key
        assert (column.kind == "quantity") == bool(column.unit), key
        ends = {"m/s": "_m_s", "K": "_k", "Pa": "_pa", "1": "_ratio", "s": "_s", "": ""}
        assert (column.si_name or key).endswith(ends[column.unit]), key
        if column.unit:
            low, high = convert([column.low, column.high], column.unit, column.usual_unit)
            assert low < high, key


# Falls --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (FALLS_HEADER, "there is no timed fall yet"),
        ("", "has no header row; the first row names the columns"),
        (FALLS_HEADER + "1,sideways,60,50,4",
         "row 2, direction: 'sideways' is not one of 'out', 'back'"),
        (FALLS_HEADER + "1,out,60,50,", "row 2, time: is empty"),
        (FALLS_HEADER + "1,out,600,50,4",
         "row 2, from_speed: 600 km/h is outside 0.36 to 252 km/h"),
        (FALLS_HEADER.replace("[s]", "[km]") + "1,out,60,50,4",
         r"row 1, time: \[km\] is not a unit of time; write for example time \[s\]"),
        (FALLS_HEADER.replace(",time [s]", "") + "1,out,60,50",
         "row 1, time: the column time is missing"),
        (FALLS_HEADER + "1,out,60,50,4,2", "row 2: has 6 cells where the header has 5"),
        (FALLS_HEADER + "1,out,60,0,4", "row 2, to_speed: 0 km/h is outside 0.36 to 252 km/h"),
        (FALLS_HEADER + "1.5,out,60,50,4", "row 2, run: 1.5 is not a whole number"),
        (FALLS_HEADER.replace("time", "tome"), r"unknown column 'tome \[s\]'; did you mean 'time'"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_typed_row_is_said(text, said):
    with pytest.raises(SessionError, match=said):
        parse_falls(text)


def test_falls_are_read_in_si_with_their_directions():
    falls = parse_falls(HEADER_MPH + "# first roll\n1,out,40,30,4.4\n2,Back,30,20,5.1\n")
    assert falls.run.tolist() == [1, 2]
    assert falls.direction.tolist() == [1, -1]
    # NIST SP 811: one mile an hour is 0.44704 m/s.
    assert falls.shown_from_m_s.tolist() == pytest.approx([40 * 0.44704, 30 * 0.44704])
    assert falls.shown_to_m_s.tolist() == pytest.approx([30 * 0.44704, 20 * 0.44704])


# Fills and climbs ---------------------------------------------------------------------------------


KNOWN = {"setups": {"stock", "big"}}


def read(reader, path, text):
    """The table and what was said of it: message, row, column."""
    problems = []
    path.write_text(text, encoding="utf-8")
    table = reader(path, KNOWN, problems)
    assert {one.file for one in problems} <= {path.name}
    return table, [(one.message, one.row, one.column) for one in problems]


def test_a_folder_without_the_tables_has_empty_ones(tmp_path):
    problems = []
    for reader, columns in (
        (read_fills, {"row", "setup", "distance_m", "volume_m3", "exclude", "note"}),
        (read_climbs, {"climb", "setup", "time_s", "head_temperature_k", "air_temperature_k"}),
    ):
        table = reader(tmp_path / "none.csv", KNOWN, problems)
        assert columns <= set(table.columns)
        assert len(table) == 0
    assert problems == []


def test_fills_are_read_in_si(tmp_path):
    table, said = read(
        read_fills, tmp_path / FILLS,
        "setup,distance [km],volume [L],exclude\nstock,200,5,\nbig,150,3,spilt\n",
    )  # fmt: skip
    assert said == []
    assert table["distance_m"].tolist() == [200e3, 150e3]
    assert table["volume_m3"].tolist() == pytest.approx([5e-3, 3e-3])
    assert (table["row"].tolist(), table["exclude"].tolist()) == ([2, 3], ["", "spilt"])


@pytest.mark.parametrize(
    ("litres", "message"),
    [
        (0.79, "0.79 L/100 km (298 miles to the US gallon)"),
        (0.81, None),
        (8.9, None),
        (9.1, "9.1 L/100 km (25.8 miles to the US gallon)"),
    ],
)
def test_a_fill_that_no_small_motorcycle_drinks_is_refused(tmp_path, litres, message):
    """By hand: 235.2 miles to the US gallon are one litre on 100 km."""
    text = f"setup,distance [km],volume [L],exclude\nstock,200,5,\nbig,100,{litres},"
    _, said = read(read_fills, tmp_path / FILLS, text)
    assert [(row, column) for _, row, column in said] == [(3, "volume")] * (message is not None)
    assert all(words.startswith(message) for words, _, _ in said)
    # Of one that is left out with a reason nobody asks.
    _, said = read(read_fills, tmp_path / FILLS, text + "spilt\n")
    assert said == []


def climb(*rows):
    head = "climb,setup,time [min],head_temperature [degC],air_temperature [degC]\n"
    return head + "".join(",".join(map(str, row)) + "\n" for row in rows)


RISING = ((1, "stock", 0, 100, 20), (1, "stock", 1, 120, 20), (1, "stock", 2, 130, 20))


def test_climbs_are_read_in_si(tmp_path):
    table, said = read(
        read_climbs,
        tmp_path / CLIMBS,
        climb(*RISING, (2, "big", 0, 90, "")) + "2,big,1,95,\n2,big,3,94,\n",
    )
    assert said == []
    assert table["time_s"].tolist() == [0, 60, 120, 0, 60, 180]
    assert table["head_temperature_k"].tolist()[:2] == pytest.approx([373.15, 393.15])
    assert np.isnan(table["air_temperature_k"]).tolist() == [False] * 3 + [True] * 3


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ((*RISING[:2], (1, "big", 2, 130, 20)),
         ("climb 1 has rows of 2 setups; number each climb anew", 2)),
        (RISING[:2], ("climb 1 has fewer than 3 readings at different times", 2)),
        ((*RISING[:2], (1, "stock", 1, 130, 20)),
         ("climb 1 has fewer than 3 readings at different times", 2)),
        # By time, not by row: from 130 to 130 is no rise; the first climb is whole.
        ((*RISING, (2, "big", 2, 130, 20), (2, "big", 0, 130, 20), (2, "big", 1, 140, 20)),
         ("the head of climb 2 (big) did not get hotter", 5)),
        ((*RISING, (2, "big", 2, 131, 20), (2, "big", 0, 130, 20), (2, "big", 1, 99, 20)), None),
    ],
)  # fmt: skip
def test_a_climb_that_tells_nothing_is_refused_with_its_first_row(tmp_path, rows, said):
    _, found = read(read_climbs, tmp_path / CLIMBS, climb(*rows))
    assert [(row, column) for _, row, column in found] == ([(said[1], "climb")] if said else [])
    assert all(message.startswith(said[0]) for message, _, _ in found)


def test_a_bad_cell_is_said_before_its_climb(tmp_path):
    _, found = read(read_climbs, tmp_path / CLIMBS, climb((1, "stock", "soon", 100, 20)))
    assert [(row, column) for _, row, column in found] == [(2, "time")]


# Upkeep -------------------------------------------------------------------------------------------

CHECKS = (
    "date,distance [km],compression [bar],leak_down [%],exhaust_clearance [mm],oil_added [mL]\n"
)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("soon,8200,13,8,0.1,", "row 2, date: 'soon' is not a date"),
        (",8200,13,8,0.1,", "row 2, date: is empty"),
        ("2026-05-01,,13,8,0.1,", "row 2, distance: is empty"),
        ("2026-05-01,8200,130,8,0.1,", "row 2, compression: 130 bar is outside 2 to 30 bar"),
        ("2026-05-01,8200,13,800,0.1,", "row 2, leak_down: 800 % is outside 0 to 100 %"),
        ("2026-05-01,8200,13,8,10,", "row 2, exhaust_clearance: 10 mm is outside 0 to 1 mm"),
        ("2026-05-01,8200,13,8,0.1,-5", "row 2, oil_added: -5 mL is outside 0 to"),
        ("2026-07-01,8200,13,8,0.1,\n2026-05-01,9200,13,8,0.1,",
         r"row 2, distance: is less than on 2026-05-01 \(row 3\), and no odometer runs back"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_row_of_upkeep_is_said(tmp_path, rows, said):
    path, problems = tmp_path / UPKEEP, []
    path.write_text(CHECKS + rows)
    read_upkeep(path, problems)
    with pytest.raises(SessionError, match=said):
        raise SessionError(problems)


def test_upkeep_is_read_in_si_by_date(tmp_path):
    path, problems = tmp_path / UPKEEP, []
    path.write_text(CHECKS + "1 July 2026,10100,12.4,11,,350\n2026-05-01,8200,13.1,8,0.11,\n")
    found = read_upkeep(path, problems)
    assert not problems
    assert found["date"].tolist() == ["2026-05-01", "2026-07-01"]
    assert found["distance_m"].tolist() == pytest.approx([8.2e6, 10.1e6])
    assert found["compression_pa"].tolist() == pytest.approx([13.1e5, 12.4e5])
    assert np.isnan(found["exhaust_clearance_m"].iloc[1])
    assert read_upkeep(tmp_path / "none.csv", problems).empty
