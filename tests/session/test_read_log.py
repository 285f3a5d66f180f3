"""Logs: part of a session, where a table of any make begins, what is refused or counted."""

import shutil
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.session.conftest import require_whole
from tuninglib.analysis.analyse import provenance
from tuninglib.lab.forms import as_value, fields_of
from tuninglib.lab.kit import as_text
from tuninglib.report.make import fingerprint
from tuninglib.session import read_log as module
from tuninglib.session.edit import write_values
from tuninglib.session.load import load_session, pack_session, unpack_session
from tuninglib.session.read_log import layout_of, log_files, read_delimited, read_log
from tuninglib.session.schema import Log
from tuninglib.session.trace import LeftOut
from tuninglib.text_files import SessionError, decoded

TABLE = "t,my gauge,v\n" + "".join(f"{i / 5},{13 + i % 3 / 10},{40 + i}\n" for i in range(50))
SAID = """
[logs.gauge]
file = "gauge log.txt"
columns = { time = "t", gauge = "my gauge", speed = "v" }
units = { time = "s", speed = "km/h" }
"""


@pytest.fixture
def logged(demo_copy):
    """The demo with a log of a gauge."""
    (demo_copy / "gauge log.txt").write_text(TABLE, encoding="utf-8")
    with (demo_copy / "session.toml").open("a", encoding="utf-8") as stream:
        stream.write(SAID)
    return demo_copy


def test_a_log_is_read_with_the_session(logged):
    session = load_session(logged)
    trace = session.traces["gauge"]
    assert session.logs["gauge"].file == "gauge log.txt"
    np.testing.assert_allclose(trace.channels["speed_m_s"][:2] * 3.6, [40, 41])
    assert trace.channels["gauge"].size == 50


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('file = "gauge log.txt"\n', "", "file is missing in [logs.gauge]"),
        ("gauge log.txt", "other.txt", "other.txt: is named under [logs], but is not in the"),
        ("gauge log.txt", "../session.toml", "is not the name of a file in the outing's folder"),
        ("gauge log.txt", ".hidden", "is not the name of a file in the outing's folder"),
        ("gauge log.txt", "..", "is not the name of a file in the outing's folder"),
        ("gauge log.txt", "logs/gauge.txt", "is not the name of a file in the outing's folder"),
        ("gauge log.txt", "logs\\\\gauge.txt", "is not the name of a file in the outing's folder"),
        (
            '"my gauge"',
            '"your gauge"',
            "has no column 'your gauge' for gauge; its columns are 't', 'my gauge'",
        ),
        ("gauge = ", "lamda = ", "has 'lamda'; known:"),
        ('{ time = "s", speed = "km/h" }', '"s"', "'s' must be in braces; write for example {"),
        ('"km/h"', "3.6", "speed is 3.6, but must be text in quotes"),
        ('"km/h"', '"kmh per"', "unknown unit 'kmh per'"),
        ("units =", "unit =", "unknown key 'unit'; did you mean 'units'?"),
    ],
)
def test_what_is_wrong_is_one_sentence(logged, old, new, said):
    path = logged / "session.toml"
    head, tail = path.read_text("utf-8").split("[logs.gauge]")
    assert old in tail
    path.write_text(f"{head}[logs.gauge]{tail.replace(old, new, 1)}", encoding="utf-8")
    with pytest.raises(SessionError) as refused:
        load_session(logged)
    assert said in "\n".join(str(one) for one in refused.value.problems)


def test_a_folder_in_place_of_a_log_is_refused(logged):
    (logged / "gauge log.txt").unlink()
    (logged / "gauge log.txt").mkdir()
    with pytest.raises(
        SessionError, match=r"gauge log\.txt: is a folder; put the log in its place"
    ):
        load_session(logged)


def test_a_log_that_changes_makes_another_report(logged):
    before, files = fingerprint(logged), dict(provenance(logged, ["gauge log.txt"]))
    (logged / "gauge log.txt").write_text(TABLE + "10,13,50\n", encoding="utf-8")
    assert fingerprint(logged) != before
    assert dict(provenance(logged, ["gauge log.txt"]))["gauge log.txt"] != files["gauge log.txt"]
    assert "gauge log.txt" not in dict(provenance(logged))
    (logged / "other.txt").write_text("not named", encoding="utf-8")
    unnamed = fingerprint(logged)
    (logged / "other.txt").write_text("not named either", encoding="utf-8")
    assert fingerprint(logged) == unnamed


def test_a_log_is_packed_and_comes_back(logged, tmp_path):
    (logged / "other.txt").write_text("not named", encoding="utf-8")
    folder = unpack_session(pack_session(logged, tmp_path / "x.outing.zip"), tmp_path / "back")
    assert (folder / "gauge log.txt").read_text("utf-8") == TABLE
    assert not (folder / "other.txt").exists()
    assert load_session(folder).traces["gauge"].rows == 50


def test_a_log_that_cannot_be_packed_is_said(logged, tmp_path):
    shutil.move(logged / "gauge log.txt", logged / "gauge(1).txt")
    path = logged / "session.toml"
    path.write_text(path.read_text("utf-8").replace("gauge log.txt", "gauge(1).txt"), "utf-8")
    with pytest.raises(SessionError, match=r"'gauge\(1\)\.txt' cannot be packed"):
        pack_session(logged, tmp_path / "x.outing.zip")
    assert not (tmp_path / "x.outing.zip").exists()


def test_the_form_writes_what_columns_are_called(logged):
    field = next(one for one in fields_of("logs.gauge") if one.name == "columns")
    shown = as_text({"time": "t", "gauge": "my gauge"})
    assert shown == "time = t; gauge = my gauge"
    value = as_value(field, shown + "; speed = v")
    assert value == {"time": "t", "gauge": "my gauge", "speed": "v"}
    del value["speed"]
    write_values(logged, {"logs.gauge": {"columns": value}})
    assert 'columns = {time = "t", gauge = "my gauge"}' in (logged / "session.toml").read_text(
        "utf-8"
    )
    assert "speed_m_s" not in load_session(logged).traces["gauge"].channels
    with pytest.raises(SessionError, match="has no column 'AFR'"):
        write_values(logged, {"logs.gauge": {"columns": {"time": "t", "gauge": "AFR"}}})


def test_xml_is_told_by_its_first_letter_after_blank_lines_too(tmp_path):
    point = '<trkpt lat="46" lon="8"><time>2026-05-16T12:00:0{}Z</time></trkpt>'
    text = "<gpx>" + point.format(1) + point.format(2) + "</gpx>"
    (tmp_path / "a.gpx").write_text("\n" * 150 + text, encoding="utf-8")
    log = SimpleNamespace(file="a.gpx", columns={}, units={}, time_format="")
    assert read_log(tmp_path, log).kind == "gpx"


def test_only_names_of_files_in_the_folder_are_packed():
    named = {"a": {"file": "x.gpx"}, "b": {"file": "../y.gpx"}, "c": {"file": ""}, "d": {"file": 3},
             "e": {}, "f": None}  # fmt: skip
    assert log_files({"logs": named}) == ["x.gpx"]
    assert log_files({"logs": ["x"]}) == log_files({}) == []


# Where a table begins -----------------------------------------------------------------------------


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
    assert len(found.heads) == len(heads)


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

    assert len(layout(table(2000)).heads) == 2000
    with pytest.raises(SessionError, match="has 2001 columns; at most 2000 are allowed"):
        layout(table(2001))


def test_a_column_is_found_with_its_unit_or_without(layout):
    found = layout("Time [s],speed [km/h],speed,Gauge 1\n0,1,2,3\n1,2,3,4\n")
    assert found.places("time") == found.places("TIME [s]") == [0]
    assert found.places("speed") == [2]
    assert found.places("speed", name_only=True) == [1, 2]
    assert found.places("gauge_1") == found.places(" gauge   1 ") == [3]
    assert found.places("lambda") == []


def test_one_odd_sign_in_a_hundred_is_text(layout):
    text = PLAIN * 3
    assert layout(text + "\x01" * (len(text) // 100)).heads[0] == "time [s]"


# Tables of any make -------------------------------------------------------------------------------


@pytest.fixture
def read(tmp_path):
    def reader(content, encoding="utf-8", **how):
        path = tmp_path / "gauge.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
        how |= {key: tuple(how[key].items()) for key in ("columns", "units") if key in how}
        return read_delimited(path, Log(file=path.name, **how))

    return reader


SHORT = "time [s],speed [km/h],gauge,rpm\n0,36,12.8,5000\n0.5,54,12.9,5100\n1,72,13.0,5200\n"
BARE = SHORT.replace(" [s]", "").replace(" [km/h]", "")


def test_a_plain_table_is_read_in_si(read):
    trace = read(SHORT)
    assert (trace.kind, trace.rows, trace.left_out, trace.unused) == ("table", 3, (), ())
    np.testing.assert_array_equal(trace.time_s, [0, 0.5, 1])
    np.testing.assert_allclose(trace.channels["speed_m_s"], [10, 15, 20])
    np.testing.assert_array_equal(trace.channels["gauge"], [12.8, 12.9, 13.0])
    np.testing.assert_array_equal(trace.channels["engine_speed_rpm"], [5000, 5100, 5200])
    assert trace.started_utc_s is None
    assert trace.clock_s is None


WRITTEN = {
    "semicolons and commas": SHORT.replace(",", ";").replace(".", ","),
    "tabs": SHORT.replace(",", "\t"),
    "bars": SHORT.replace(",", "|"),
    "blanks": "time gauge rpm kmh\ns AFR rpm km/h\n" + "0 12.8 5000 36\n0.5  12.9 5100 54 \n"
    " 1 13.0 5200  72\n",
    "round brackets": SHORT.replace("[", "(").replace("]", ")"),
    "a line of units": BARE.replace("\n", "\ns,km/h,,\n", 1),
    "units in brackets on a line": BARE.replace("\n", "\n[s],[km/h],[AFR],[rpm]\n", 1),
    "a preamble": "Log of a device; version 2.1\nserial,17\n\n# made up\n" + SHORT,
    "every cell in quotes": "\n".join(
        ",".join(f'"{cell}"' for cell in line.split(",")) for line in SHORT.splitlines()
    ),
    "decimal commas in quotes": "\n".join(
        ",".join(f'"{cell.replace(".", ",")}"' for cell in line.split(","))
        for line in SHORT.splitlines()
    ),
    "blanks around": SHORT.replace(",", " , "),
    "empty lines": SHORT.replace("\n", "\n\n"),
    "trailing separators": SHORT.replace("\n", ",\n"),
    "ends of another system": SHORT.replace("\n", "\r\n"),
    "ends of an old system": SHORT.replace("\n", "\r"),
    "no end": SHORT.rstrip("\n"),
    "an end of file sign": SHORT + "\x1a",
    "capitals": SHORT.upper().replace("[S]", "[s]").replace("[KM/H]", "[km/h]"),
    "thousandths": SHORT.replace("[s]", "[ms]").replace("\n0.5", "\n500").replace("\n1", "\n1000"),
}  # fmt: skip


@pytest.mark.parametrize("how", WRITTEN)
def test_the_same_table_however_it_is_written(read, how):
    named = {"columns": {"speed": "kmh"}} if how == "blanks" else {}
    trace, plain = read(WRITTEN[how], **named), read(SHORT)
    np.testing.assert_allclose(trace.time_s, plain.time_s)
    assert trace.rows == 3
    assert trace.left_out == ()
    for name in plain.channels:
        np.testing.assert_allclose(trace.channels[name], plain.channels[name])


def test_a_doubt_of_letters_is_said_where_they_matter(read):
    text = "time [s],Öl [°C],gauge\n0,80,12.8\n1,81,12.9\n"
    how = {"columns": {"head_temperature": "Oel"}}
    said = r"\(read as Windows-1252, since the file is not UTF-8\)"
    with pytest.raises(SessionError, match=said):
        read(text, "cp1252", **how)
    with pytest.raises(SessionError) as refused:
        read(text, "utf-8", **how)
    assert "1252" not in str(refused.value)
    # A damaged byte takes its cell, not the letters of the rest.
    damaged = text.encode() + b"2,8\xff,13\n"
    trace = read(damaged, columns={"head_temperature": "Öl"})
    assert trace.left_out == (LeftOut("no number", 1, 4, "head_temperature", "8\ufffd"),)


def test_the_rider_says_what_columns_are_called_and_their_units(read):
    text = "t,v,Lambda 1,TPS\n0,10,0.85,4\n1,11,0.86,100\n"
    trace = read(
        text,
        columns={"time": "t", "speed": "v", "gauge": "lambda 1", "throttle": "tps"},
        units={"time": "s", "speed": "mph", "throttle": "%"},
    )
    np.testing.assert_allclose(trace.channels["speed_m_s"], [4.4704, 4.91744])
    np.testing.assert_allclose(trace.channels["throttle_ratio"], [0.04, 1.0])


def test_without_names_columns_go_by_their_numbers(read):
    trace = read(
        "0,1.5,7\n1,1.6,7\n2,1.7,7\n", columns={"time": "1", "gauge": "2"}, units={"time": "s"}
    )
    np.testing.assert_array_equal(trace.channels["gauge"], [1.5, 1.6, 1.7])
    assert trace.unused == ("3",)


TIMES = {
    "clock": (["14:03:22.5", "14:03:23.0", "14:03:24.5"], None, 50602.5, [0, 0.5, 2]),
    "over midnight": (["23:59:59.0", "00:00:01.0", "00:00:02.5"], None, 86399.0, [0, 2, 3.5]),
    "a date with its zone": (
        ["2026-05-16T14:03:22+02:00", "2026-05-16T14:03:23+02:00", "2026-05-16T14:03:25+02:00"],
        1778933002.0, None, [0, 1, 3],
    ),
    "a date of a place": (
        ["2026-05-16 14:03:22", "2026-05-16 14:03:23", "2026-05-16 14:03:25"],
        None, 50602.0, [0, 1, 3],
    ),
    "seconds since 1970": (
        ["1778933002", "1778933003", "1778933005"], 1778933002.0, None, [0, 1, 3],
    ),
    "thousandths since 1970": (
        ["1778933002000", "1778933003000", "1778933005000"], 1778933002.0, None, [0, 1, 3],
    ),
}  # fmt: skip


@pytest.mark.parametrize("how", TIMES)
def test_times_in_every_way_that_devices_write_them(read, how):
    texts, utc, clock, wanted = TIMES[how]
    trace = read("time,gauge\n" + "".join(f"{text},13\n" for text in texts))
    np.testing.assert_allclose(trace.time_s, wanted)
    assert trace.started_utc_s == utc
    assert trace.clock_s == clock


def test_a_date_that_could_be_two_is_asked_about(read):
    text = "time,gauge\n05.06.2026 14:03:22.5,13\n05.06.2026 14:03:23.5,13\n"
    with pytest.raises(SessionError, match="in an unclear format; say how it is"):
        read(text)
    # A blank inside a date, or a head, does not part cells that tabs part.
    american = text.replace("05.06.2026 14", "06/05/2026 02").replace(".5,", ".5 PM,")
    for written, how in (
        (text, "%d.%m.%Y %H:%M:%S.%f"),
        (text.replace(",", "\t").replace("gauge", "my gauge"), "%d.%m.%Y %H:%M:%S.%f"),
        (american, "%m/%d/%Y %I:%M:%S.%f %p"),
    ):
        name = "my gauge" if "my" in written else "gauge"
        trace = read(written, columns={"gauge": name}, time_format=how)
        np.testing.assert_allclose(trace.time_s, [0, 1])
        assert trace.clock_s == 14 * 3600 + 3 * 60 + 22.5


def test_a_date_by_a_format_is_utc_where_it_says_the_zone(read):
    for year, wanted in (("%Y", "2026"), ("%y", "26")):
        text = f"time,gauge\n05.06.{wanted} 14:03:22 +0200,13\n05.06.{wanted} 14:03:23 +0200,13\n"
        trace = read(text, time_format=f"%d.%m.{year} %H:%M:%S %z")
        assert (trace.started_utc_s, trace.clock_s) == (1780661002.0, None)
        local = read(text.replace(" +0200", ""), time_format=f"%d.%m.{year} %H:%M:%S")
        assert (local.started_utc_s, local.clock_s) == (None, 14 * 3600 + 3 * 60 + 22)
    # Of the day alone, which goes on over midnight.
    night = read("time,gauge\n23-59-00,13\n00-01-00,13\n", time_format="%H-%M-%S")
    assert (night.clock_s, night.time_s[1], night.started_utc_s) == (86340, 120, None)


@pytest.mark.parametrize(
    ("rows", "how"),
    [
        (["2026-05-16T14:03:22Z", "0026-05-16T14:03:23Z", "2026-05-16T14:03:23Z"], {}),
        (["16.5.2026 22", "16.5.0026 23", "16.5.2026 23"], {"time_format": "%d.%m.%Y %S"}),
        (["16.5.2026 22", "16.5.9999 23", "16.5.2026 23"], {"time_format": "%d.%m.%Y %S"}),
        (["1778933002", "1e30", "1778933003"], {}),
        (["1778933002", "1e999", "1778933003"], {}),
        (["0", "1e30", "1"], {"units": {"time": "s"}}),
        (["0:00:00", "0:99:00", "0:00:01"], {}),
    ],
)
def test_a_time_that_no_calendar_of_an_outing_holds_is_none(read, rows, how):
    trace = read("time,gauge\n" + "".join(f"{row},13\n" for row in rows), **how)
    assert trace.left_out == (LeftOut("no time", 1, 3),)
    np.testing.assert_allclose(trace.time_s, [0, 1])


def test_one_date_without_its_zone_makes_all_of_a_place(read):
    rows = ("2026-05-16T14:03:22Z", "2026-05-16T14:03:23", "2026-05-16T14:03:25Z")
    trace = read("time,gauge\n" + "".join(f"{row},13\n" for row in rows))
    assert (trace.started_utc_s, trace.clock_s) == (None, 50602.0)


@pytest.mark.parametrize("unit", ["", " [deg]", " [°]", " [degrees]"])
def test_places_are_in_degrees(read, unit):
    text = f"time [s],lat{unit},lon{unit},elevation [km]\n0,46.5,8.25,0.3\n1,46.6,8.26,0.31\n"
    trace = read(text)
    np.testing.assert_array_equal(trace.channels["latitude_deg"], [46.5, 46.6])
    np.testing.assert_array_equal(trace.channels["longitude_deg"], [8.25, 8.26])
    np.testing.assert_allclose(trace.channels["elevation_m"], [300, 310])


def test_degrees_are_no_unit_of_anything_else(read):
    with pytest.raises(SessionError, match=r"\[deg\] is not a unit of speed"):
        read("time [s],speed [deg],gauge\n0,46.5,12\n1,46.6,13\n")
    rows = "0,46.5,8.25\n1,46.6,8.26\n"
    trace = read(f"time [s],lat,lon\n{rows}", units={"latitude": "Degrees", "longitude": "°"})
    np.testing.assert_array_equal(trace.channels["latitude_deg"], [46.5, 46.6])


@pytest.mark.parametrize("name", ["lat", "lon"])
def test_half_a_position_is_no_position(read, name):
    trace = read(f"time [s],speed [km/h],{name}\n0,36,46.5\n1,36,46.6\n2,36,46.7\n")
    assert set(trace.channels) == {"speed_m_s"}


def test_a_head_that_is_only_a_unit_has_that_unit(read):
    trace = read("s,kmh,x\n0,36,1\n1,72,2\n", columns={"time": "s", "speed": "kmh"})
    np.testing.assert_allclose(trace.channels["speed_m_s"], [10, 20])
    assert trace.unused == ("x",)
    with pytest.raises(SessionError, match="has no unit for speed"):
        read("s,v\n0,36\n1,72\n", columns={"time": "s", "speed": "v"})


def test_what_is_left_out_is_counted_with_its_reason_and_line(read):
    body = (
        "0,10,12.8\n1,x,12.9\n2,11\n3,12,13.1,7\n\n?,13,13.1\n4,999,13.2\n4,14,13.2\n"
        "time [s],speed [m/s],gauge\n5,-,13.2\n6,1e400,ERR\n"
    )
    trace = read("time [s],speed [m/s],gauge\n" + body)
    assert set(trace.left_out) == {
        LeftOut("too many cells", 1, 5), LeftOut("no number", 1, 3, "speed", "x"),
        LeftOut("no number", 1, 12, "gauge", "ERR"), LeftOut("no time", 2, 7),
        LeftOut("time twice", 1, 9), LeftOut("limits", 2, 8, "speed", "999"),
    }  # fmt: skip
    assert trace.rows == 10
    np.testing.assert_array_equal(trace.time_s, [0, 1, 2, 4, 5, 6])
    np.testing.assert_array_equal(
        trace.channels["speed_m_s"], [10, np.nan, 11, np.nan, np.nan, np.nan]
    )


@pytest.mark.parametrize(
    ("content", "how", "said"),
    [
        ("", {}, "is empty"),
        (b"\x00\x01\x02" * 40, {}, "is not a text file that can be read"),
        (b"PK\x03\x04" + b"x" * 100, {}, "is a spreadsheet's own file"),
        ("dear diary\nit rained\n", {}, "holds no table of numbers"),
        ("a,b\nx,1\ny,2\n", {}, "holds no table of numbers"),
        (b"time,gauge\n" + b"\x01" * 3 + b"0,1\n" * 60, {}, "is not a text file that can be read"),
        ("time [s],gauge\n", {}, "holds no table of numbers"),
        ("a,b\n1,2\n2,3\n", {}, "has no column called time; say which it is, for example columns"),
        ("time,gauge\n0.1,13\n0.2,13\n", {}, "has no unit; write for example units = { time = "),
        ("time [km],gauge\n0.1,13\n0.2,13\n", {}, "[km] is not a unit of time"),
        ("time [s],x\n0.1,13\n0.2,13\n", {}, "has a time but no channel that is used here"),
        ("time [s],x,y z\n0.1,13,2\n0.2,13,3\n", {}, 'columns = { gauge = "y z" }; its columns'),
        ("t [s],x,gauge\n0.1,13,2\n0.2,13,3\n", {}, 'columns = { time = "t [s]" }; its columns'),
        ("time [s],speed [km/h],speed\n0,1,1\n1,1,1\n", {}, "has 'speed' and 'speed', both for"),
        ("time [s],lat [km],gauge\n0,1,1\n1,1,1\n", {}, 'units = { latitude = "deg" }'),
        ("time [s],speed\n0.1,13\n0.2,13\n", {}, 'write for example units = { speed = "km/h" }'),
        ("time [s],speed [kg]\n0.1,13\n0.2,13\n", {}, "[kg] is not a unit of speed"),
        (SHORT, {"columns": {"gauge": "AFR"}}, "has no column 'AFR' for gauge; its columns are"),
        ("time [s],gauge\n5,13\n6,13\n0,13\n", {}, "time goes back from 6 s to 0 s"),
        ('time [s],gauge\n5,13\n6,"13\n7,13\n8,13\n', {}, "as if a quotation mark were not closed"),
        ("time,gauge\n1,13\n2,13\n", {"time_format": "%Q"}, "'%Q' is not a time format"),
        ("time [s],gauge\n5,13\n", {}, "holds 1 rows with a time"),
        ("time [s],gauge\n5,13\n5,13\n", {}, "has the same time in all its rows"),
        ("time [s],gauge\n1e9,13\n1e10,13\n2e10,13\n", {}, "s is more than 14 days"),
    ],
)  # fmt: skip
def test_what_is_no_log_is_refused_in_one_sentence(read, content, how, said):
    with pytest.raises(SessionError) as refused:
        read(content, **how)
    (problem,) = refused.value.problems
    assert said in str(problem)
    assert problem.file == "gauge.csv"


@pytest.mark.parametrize(("kilobytes", "read_at_all"), [(190, True), (210, False)])
def test_a_line_may_have_two_hundred_kilobytes(read, kilobytes, read_at_all):
    text = "time [s],gauge,note\n0,12,a\n1,13," + "x" * (1000 * kilobytes) + "\n2,14,b\n"
    if read_at_all:
        assert read(text).rows == 3
        return
    with pytest.raises(SessionError, match="row 3: has a line of more than 200 kB"):
        read(text)


@pytest.mark.parametrize("end", ["13", '13"'])
def test_a_quotation_mark_that_is_not_closed_is_refused_with_its_line(read, end):
    """Two that close each other over two lines would swallow a row."""
    text = 'time [s],"gauge"\n' + "".join(f'{i},"12.{i}"\n' for i in range(4))
    with pytest.raises(
        SessionError, match="row 6: has lines from here to line 7 that run together"
    ):
        read(text + f'4,"13\n5,{end}\n')


def test_a_log_larger_than_any_evening_is_refused(read, monkeypatch):
    monkeypatch.setattr(module, "_LARGEST_BYTES", len(SHORT))
    assert read(SHORT).rows == 3
    with pytest.raises(SessionError, match="has 0 MB, more than the 0 MB that are read; keep only"):
        read(SHORT + " ")


def test_empty_lines_and_short_lines_lose_no_row(read):
    rows = ["0,1,12.1", "", "1,1,12.2", "", "", *(f"{i},1" for i in range(2, 8)), "8,1,12.9,4,5,6"]
    for quoted in (False, True):
        text = "time [s],x,gauge\n" + "\n".join(rows) + "\n"
        trace = read(text.replace("12.1", '"12.1"') if quoted else text)
        np.testing.assert_array_equal(trace.time_s, range(8))
        assert trace.left_out == (LeftOut("too many cells", 1, 13),)
        np.testing.assert_array_equal(trace.channels["gauge"], [12.1, 12.2, *[np.nan] * 6])


NASTY = st.sampled_from(
    ["\n", "\r", ",", ";", "\t", '"', "'", "\x00", "\x1a", "é", "-", ".", "e", "nan", "inf",
     "1e999", "#", "12:00:00", "2026-01-01T00:00:00Z", "1_000", "０", "−5", " ", "[", "(", "%",
     "time"]
)  # fmt: skip


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_damage_is_read_or_refused_and_no_row_is_lost_unsaid(read, data):
    text = data.draw(st.sampled_from(list(WRITTEN.values())))
    text += "".join(f"{i},{30 + i},12.5,5000\n" for i in range(2, 8))
    for _ in range(data.draw(st.integers(1, 5))):
        at = data.draw(st.integers(0, len(text)))
        cut = data.draw(st.sampled_from([0, 0, 1, 3, 20]))
        text = text[:at] + data.draw(NASTY) + text[at + cut :]
    try:
        trace = read(text, columns={}, units={"time": "s", "speed": "km/h"})
    except SessionError:
        return
    require_whole(trace)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    assert trace.rows <= len(lines)
