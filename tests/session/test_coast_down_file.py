"""Timed falls of speed as a rider types them."""

import pytest

from tuninglib.session.tables import FALLS_HEADER, HEADER_MPH, parse_falls
from tuninglib.text_files import SessionError


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (FALLS_HEADER, "there is no timed fall yet"),
        ("", "has no header row; the first row names the columns"),
        (
            FALLS_HEADER + "1,sideways,60,50,4",
            "row 2, direction: 'sideways' is not one of 'out', 'back'",
        ),
        (FALLS_HEADER + "1,out,60,50,", "row 2, time: is empty"),
        (
            FALLS_HEADER + "1,out,600,50,4",
            "row 2, from_speed: 600 km/h is outside 0.36 to 252 km/h",
        ),
        (
            FALLS_HEADER.replace("[s]", "[km]") + "1,out,60,50,4",
            r"row 1, time: \[km\] is not a unit of time; write for example time \[s\]",
        ),
        (
            FALLS_HEADER.replace(",time [s]", "") + "1,out,60,50",
            "row 1, time: the column time is missing",
        ),
        (FALLS_HEADER + "1,out,60,50,4,2", "row 2: has 6 cells where the header has 5"),
        (FALLS_HEADER + "1,out,60,0,4", "row 2, to_speed: 0 km/h is outside 0.36 to 252 km/h"),
        (FALLS_HEADER + "1.5,out,60,50,4", "row 2, run: 1.5 is not a whole number"),
        (FALLS_HEADER.replace("time", "tome"), r"unknown column 'tome \[s\]'; did you mean 'time'"),
    ],
)
def test_what_is_wrong_with_a_typed_row_is_said(text, said):
    with pytest.raises(SessionError, match=said):
        parse_falls(text)


def test_a_spreadsheets_dialect_is_understood():
    text = FALLS_HEADER.replace(",", ";") + "1;out;60,5;50;4,25\n"
    falls = parse_falls(text)
    assert falls.shown_from_m_s[0] == pytest.approx(60.5 / 3.6)
    assert falls.time_s[0] == 4.25


def test_falls_are_read_in_si_with_their_directions():
    falls = parse_falls(HEADER_MPH + "# first roll\n1,out,40,30,4.4\n2,Back,30,20,5.1\n")
    assert falls.run.tolist() == [1, 2]
    assert falls.direction.tolist() == [1, -1]
    # NIST SP 811: one mile an hour is 0.44704 m/s.
    assert falls.shown_from_m_s.tolist() == pytest.approx([40 * 0.44704, 30 * 0.44704])
    assert falls.shown_to_m_s.tolist() == pytest.approx([30 * 0.44704, 20 * 0.44704])


def test_all_problems_are_told_at_once():
    with pytest.raises(SessionError) as caught:
        parse_falls(FALLS_HEADER + "x,out,60,50,4\n1,up,60,50,\n")
    assert [(one.row, one.column) for one in caught.value.problems] == [
        (2, "run"),
        (3, "direction"),
        (3, "time"),
    ]
