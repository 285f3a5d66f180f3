"""Logs as a part of the session: named in session.toml, checked, packed, and in every checksum."""

import shutil
from types import SimpleNamespace

import numpy as np
import pytest

from tuninglib.analysis.results import provenance
from tuninglib.lab.session_form import as_text, as_value, fields_of
from tuninglib.report.many import fingerprint
from tuninglib.session.edit import set_values, write_values
from tuninglib.session.load import load_session
from tuninglib.session.pack import pack_session, unpack_session
from tuninglib.session.read_log import log_files, read_log
from tuninglib.text_files import SessionError

TABLE = "t,AFR 1,v\n" + "".join(f"{i / 5},{13 + i % 3 / 10},{40 + i}\n" for i in range(50))
SAID = """
[logs.gauge]
file = "gauge log.txt"
columns = { time = "t", gauge = "AFR 1", speed = "v" }
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


def test_a_session_without_logs_has_none(demo_folder):
    session = load_session(demo_folder)
    assert (session.logs, session.traces) == ({}, {})


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('file = "gauge log.txt"\n', "", "file is missing in [logs.gauge]"),
        ("gauge log.txt", "other.txt", "other.txt: is named under [logs], but is not in the"),
        ("gauge log.txt", "../session.toml", "is no name of a file in the session's folder"),
        ("gauge log.txt", ".hidden", "is no name of a file in the session's folder"),
        ("gauge log.txt", "..", "is no name of a file in the session's folder"),
        ('"AFR 1"', '"AFR 2"', "has no column 'AFR 2' for gauge; its columns are 't', 'AFR 1'"),
        ("gauge = ", "lamda = ", "has 'lamda'; known:"),
        ('{ time = "s", speed = "km/h" }', '"s"', "'s' must stand in braces; write for example {"),
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
    with pytest.raises(SessionError, match=r"gauge log\.txt: is no ordinary file"):
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
    shown = as_text({"time": "t", "gauge": "AFR 1"})
    assert shown == "time = t; gauge = AFR 1"
    value = as_value(field, shown + "; speed = v")
    assert value == {"time": "t", "gauge": "AFR 1", "speed": "v"}
    del value["speed"]
    write_values(logged, {"logs.gauge": {"columns": value}})
    assert 'columns = {time = "t", gauge = "AFR 1"}' in (logged / "session.toml").read_text("utf-8")
    assert "speed_m_s" not in load_session(logged).traces["gauge"].channels
    with pytest.raises(SessionError, match="has no column 'AFR 9'"):
        write_values(logged, {"logs.gauge": {"columns": {"time": "t", "gauge": "AFR 9"}}})


def test_a_new_log_is_written_as_a_table_of_its_own():
    text = set_values("[bike]\nmass = 1\n", "logs.phone", {"columns": {"time": "t"}})
    assert text == '[bike]\nmass = 1\n\n[logs.phone]\ncolumns = {time = "t"}\n'


@pytest.mark.parametrize("blanks", [150, 250])
def test_xml_is_told_by_its_first_letter(tmp_path, blanks):
    """After blank lines, too; behind two hundred of them a file is taken for a table."""
    point = '<trkpt lat="46" lon="8"><time>2026-05-16T12:00:0{}Z</time></trkpt>'
    text = "<gpx>" + point.format(1) + point.format(2) + "</gpx>"
    (tmp_path / "a.gpx").write_text("\n" * blanks + text, encoding="utf-8")
    log = SimpleNamespace(file="a.gpx", columns={}, units={}, time_format="")
    if blanks < 200:
        assert read_log(tmp_path, log).kind == "gpx"
        return
    with pytest.raises(SessionError, match="holds no table of numbers"):
        read_log(tmp_path, log)


def test_only_names_of_files_in_the_folder_are_packed():
    named = {"a": {"file": "x.gpx"}, "b": {"file": "../y.gpx"}, "c": {"file": ""}, "d": {"file": 3},
             "e": {}, "f": None}  # fmt: skip
    assert log_files({"logs": named}) == ["x.gpx"]
    assert log_files({"logs": ["x"]}) == log_files({}) == []
