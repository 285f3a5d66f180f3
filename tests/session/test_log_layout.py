"""Where the table of a log begins, what its columns are called, and how it is written."""

import pytest

from tuninglib.session.read_log import layout_of
from tuninglib.text_files import SessionError, decoded


@pytest.fixture
def layout():
    def found(text, encoding="utf-8"):
        read = decoded(text.encode(encoding), "box.csv")
        return layout_of(read.text, "box.csv", read.encoding)

    return found


ROWS = "0,12.8,5000\n0.5,12.9,5100\n"
PLAIN = "time [s],gauge,rpm\n" + ROWS


@pytest.mark.parametrize(
    ("text", "header", "first", "heads"),
    [
        (PLAIN, 1, 2, ("time [s]", "gauge", "rpm")),
        ("time,gauge,rpm\ns,AFR,rpm\n" + ROWS, 1, 3, ("time", "gauge", "rpm")),
        ("time,gauge,rpm\n\n[s],,\n" + ROWS, 1, 4, ("time", "gauge", "rpm")),
        # A line of units has as many as are named, or it is none; and it is right above.
        ("time,,\ns,h,rpm\n" + ROWS, 2, 3, ("s", "h", "rpm")),
        ("time,gauge,rpm\n\n\ns,,\n" + ROWS, 4, 5, ("s", "", "")),
        ("time,gauge,rpm\n,,\n" + ROWS, 2, 3, ("", "", "")),
        # A header may be two empty lines above, no more.
        ("time,gauge,rpm\n\n\n" + ROWS, 1, 4, ("time", "gauge", "rpm")),
        ("time,gauge,rpm\n\n\n\n" + ROWS, 5, 5, ("1", "2", "3")),
        (ROWS, 1, 1, ("1", "2", "3")),
        # Numbers of a preamble are no table: what is below them is not their like.
        ("17,18\n" + PLAIN, 2, 3, ("time [s]", "gauge", "rpm")),
        ("17,18,19\nof a device\n" + PLAIN, 3, 4, ("time [s]", "gauge", "rpm")),
        # One row below a header is, whatever comes after it.
        ("time [s],gauge\n0,13\nend\n1,13\n", 1, 2, ("time [s]", "gauge")),
        ("made 2026\n" + PLAIN, 2, 3, ("time [s]", "gauge", "rpm")),
    ],
)
def test_a_table_begins_where_its_numbers_do(layout, text, header, first, heads):
    found = layout(text)
    assert (found.header_row, found.first_row, found.heads) == (header, first, heads)
    assert found.width == len(heads)


def test_units_are_of_the_head_or_of_their_own_line(layout):
    text = "time [s],speed (km/h),gauge [AFR],what [x y],t\nms,,,,min\n0,1,2,3,4\n1,2,3,4,5\n"
    found = layout(text)
    assert found.names == ("time", "speed", "gauge", "what [x y]", "t")
    assert found.units == ("ms", "km/h", "", "", "min")


@pytest.mark.parametrize(
    ("text", "separator", "comma"),
    [
        (PLAIN, ",", False),
        (PLAIN.replace(",", ";").replace(".", ","), ";", True),
        (PLAIN.replace(",", ";"), ";", False),
        # A point anywhere says that the comma is for thousands.
        ("time [s];gauge;rpm\n0;12.8;5,000\n1;12.9;5,100\n", ";", False),
        ("time [s];gauge;rpm\n0;12;5\n1;12;6\n", ";", False),
        ('time [s],gauge\n"0,5","12,8"\n"1,5","12,9"\n', ",", True),
        ("time gauge\n0 12,8\n1 12,9\n", r"\s+", True),
    ],
)
def test_a_comma_is_told_from_a_point(layout, text, separator, comma):
    found = layout(text)
    assert (found.separator, found.decimal_comma) == (separator, comma)


def test_of_a_long_log_the_first_lines_tell(layout):
    text = "time [s],Öl [°C],gauge\n" + "".join(f"{i},80,12.{i % 10}\n" for i in range(20_000))
    found = layout(text, "cp1252")
    assert (found.encoding, found.heads[1]) == ("cp1252", "Öl [°C]")
    assert len(found.sample) == 40
    utf = layout(text, "utf-8")
    assert (utf.encoding, utf.heads[1]) == ("utf-8-sig", "Öl [°C]")


def test_a_table_may_have_two_thousand_columns(layout):
    def table(columns):
        return "\n".join(",".join(map(str, range(at, at + columns))) for at in range(3)) + "\n"

    assert layout(table(2000)).width == 2000
    with pytest.raises(SessionError, match="has 2001 columns; 2000 are the most"):
        layout(table(2001))


def test_columns_are_listed_up_to_a_dozen(layout):
    heads = [f"c{at}" for at in range(13)]
    row = ",".join("1" * 13)
    found = layout(",".join(heads) + f"\n{row}\n{row}\n")
    assert found.listed() == ", ".join(f"'{one}'" for one in heads[:12]) + ", …"
    dozen = layout(",".join(heads[:12]) + f"\n{row[:-2]}\n{row[:-2]}\n")
    assert dozen.listed() == ", ".join(f"'{one}'" for one in heads[:12])


def test_a_column_is_found_with_its_unit_or_without(layout):
    found = layout("Time [s],speed [km/h],speed,Gauge 1\n0,1,2,3\n1,2,3,4\n")
    assert found.places("time") == found.places("TIME [s]") == [0]
    assert found.places("speed") == [2]
    assert found.places("speed", name_only=True) == [1, 2]
    assert found.places("gauge_1") == found.places(" gauge   1 ") == [3]
    assert found.places("lambda") == []


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"time,gauge\n" + b"\x01" * 3 + b"0,1\n" * 60, "is not a text file that can be read"),
        (b"time,gauge\n0,1\n\x00\n1,2\n", "is not a text file that can be read"),
        (b" \n\t\n", "is empty"),
        (b"\xd0\xcf\x11\xe0" + b"0,1\n" * 9, "is a spreadsheet's own file"),
        (b"only words\nand more\n", "holds no table of numbers"),
        (b"a,b\nx,1\ny,2\n", "holds no table of numbers"),
    ],
)
def test_what_is_no_table_is_refused(content, said):
    with pytest.raises(SessionError, match=said):
        layout_of(decoded(content, "box.csv").text, "box.csv")


def test_one_odd_sign_in_a_hundred_is_text(layout):
    text = PLAIN * 3
    assert layout(text + "\x01" * (len(text) // 100)).heads[0] == "time [s]"
