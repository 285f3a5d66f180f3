"""runs.csv: every line with data is read, or the file is refused with what to write instead."""

import os
import re
from contextlib import suppress

import numpy as np
import pytest

from tuninglib.analysis.analyse import analyse
from tuninglib.report.cautions import remarks
from tuninglib.session.defaults import speedometer_factor
from tuninglib.session.load import load_session
from tuninglib.session.tables import read_runs
from tuninglib.text_files import SessionError, parse_table


@pytest.fixture
def lines(demo_copy):
    """The demo's runs, line by line, to be changed and read again."""
    path = demo_copy / "runs.csv"
    rows = path.read_text(encoding="utf-8").splitlines()

    def read(change):
        changed = change(list(rows))
        path.write_text("\n".join(changed) + "\n", encoding="utf-8", newline="")
        return load_session(demo_copy)

    read.rows = rows
    return read


def with_reason(rows, word):
    """The column exclude, with a word in the sixth row."""
    return [f"{row},{'exclude' if at == 0 else word * (at == 6)}" for at, row in enumerate(rows)]


def with_note(note, at=6):
    def change(rows):
        rows[at] = rows[at].rsplit(",", 1)[0] + "," + note
        return rows

    return change


@pytest.mark.parametrize(
    ("note", "read_as"),
    [
        ('6" pipe', '6" pipe'),
        ('"6"" pipe, longer"', '6" pipe, longer'),
        ('said "no"', 'said "no"'),
        ("# loud", "# loud"),
    ],
)
def test_a_mark_in_a_note_is_a_letter(lines, note, read_as):
    runs = lines(with_note(note)).runs
    assert len(runs) == len(lines.rows) - 1
    assert runs["note"].iloc[5] == read_as


@pytest.mark.parametrize("note", ['"', '" as before', '"6 in pipe', '"one\ntwo"', '""" x'])
@pytest.mark.parametrize("at", [1, 6, 33])
def test_a_cell_that_does_not_end_on_its_line_is_refused_with_that_line(lines, note, at):
    with pytest.raises(SessionError) as error:
        lines(with_note(note, at))
    first = str(error.value).splitlines()[0]
    assert first.startswith(f"runs.csv, row {at + 1}: a quotation mark opens a cell")
    assert "write the note on one line" in first


def test_comments_and_empty_lines_carry_no_data_and_keep_their_row(lines):
    def change(rows):
        return [*rows[:4], "", "# 3 was wet", "   ", *rows[4:]]

    runs = lines(change).runs
    assert len(runs) == len(lines.rows) - 1
    assert runs["row"].tolist()[:5] == [2, 3, 4, 8, 9]


@pytest.mark.parametrize("word", ["No", "0", "FALSE", "–"])
def test_no_is_no_reason_to_leave_a_run_out(lines, word):
    assert lines(lambda rows: with_reason(rows, word)).runs["exclude"].iloc[5] == ""


@pytest.mark.parametrize("word", ["x", "1", "no throttle"])
def test_a_reason_leaves_a_run_out(lines, word):
    assert lines(lambda rows: with_reason(rows, word)).runs["exclude"].iloc[5] == word


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("1,000", "could be read two ways, as 1000 or as 1.000; write it without a comma"),
        ("1.000", "could be read two ways, as 1000 or as 1.000; write it without a comma"),
        ("12.345", "could be read two ways, as 12345 or as 12.345; write it without a comma"),
        ("1,000,000", "has marks between its thousands; write '1000000'"),
        ("1.5", "not a whole number"),
        ("1e3", None),
        *((typed, "is not a number") for typed in (
            "0x10", "1_000", "１２", "--", "n/a", "#N/A", "#REF!", '"#N/A"', "nan", "inf",
            "9" * 400, "2026-05-16",
        )),
        (" " * 100000, "is empty"),
    ],
)  # fmt: skip
def test_a_run_number_is_whole(demo_copy, typed, said):
    path = demo_copy / "runs.csv"
    rows = [row.replace(",", ";") for row in path.read_text(encoding="utf-8").splitlines()]
    rows[6] = typed + ";" + rows[6].split(";", 1)[1]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    if said is None:
        # 1e3 is a thousand.
        assert len(load_session(demo_copy).runs) == len(rows) - 1
        return
    with pytest.raises(SessionError, match=said) as error:
        load_session(demo_copy)
    assert "runs.csv, row 7, run" in str(error.value)


def test_long_runs_of_anything_are_read_or_refused_at_once():
    for letter in " .,+-−%[]()\"'\t0":
        text = f"run,setup\n1,{letter * 100_000}\n"
        for one in (text, f"run [{letter * 100_000}],setup\n1,a\n"):
            with suppress(SessionError):
                assert len(parse_table(one, "runs.csv").rows) == 1


# One sentence for each mistake ----------------------------------------------------------------


def test_runs_without_a_number_are_not_called_the_same(retyped, problems):
    def change(rows):
        rows[2]["run"] = rows[4]["run"] = ""

    assert problems(retyped(change)) == [
        f"runs.csv, row {n}, run: is empty; its number, each number once" for n in (4, 6)
    ]


def test_a_semicolon_export_with_decimal_commas_reads_the_same(demo_folder, demo_copy):
    text = (demo_copy / "runs.csv").read_text(encoding="utf-8").replace(",", ";")
    text = re.sub(r"(\d)\.(\d)", r"\1,\2", text)
    (demo_copy / "runs.csv").write_bytes(text.replace("\n", "\r\n").encode("utf-8-sig"))
    a, b = load_session(demo_folder).runs, load_session(demo_copy).runs
    columns = [name for name in a.columns if name != "note"]
    assert a[columns].equals(b[columns])


def test_points_and_commas_mixed_in_one_file_are_refused(demo_copy, problems):
    text = (demo_copy / "runs.csv").read_text(encoding="utf-8").replace(",", ";")
    (demo_copy / "runs.csv").write_text(text.replace("12.6", "12,6"), encoding="utf-8")
    assert re.search(r"'12,6' has a comma; write '12\.6'", problems(demo_copy)[0])


@pytest.mark.parametrize(
    ("content", "said"),
    [("# only a remark\n", "has no header row"), ("run,setup,rider\n", "has a header but no run")],
)
def test_a_table_without_rows_is_refused(demo_copy, content, said, problems):
    (demo_copy / "runs.csv").write_text(content, encoding="utf-8")
    assert problems(demo_copy)[0].startswith(f"runs.csv: {said}")


@pytest.mark.parametrize("beside", ["gauge_low", "gauge_high"])
def test_a_reading_typed_twice_is_refused_whichever_end_it_is(tmp_path, beside):
    path = tmp_path / "runs.csv"
    path.write_text(f"run,setup,rider,gauge,{beside}\n1,a,b,12.7,12.8\n", encoding="utf-8")
    problems = []
    read_runs(path, {}, problems)
    assert [one.message for one in problems if one.column == "gauge"] == [
        "is filled in beside gauge_low or gauge_high; write the reading once"
    ]


# Whole files ------------------------------------------------------------------------------------


def test_entry_and_exit_swapped_on_every_row_is_asked_about(retyped):
    def change(rows):
        for row in rows:
            ends = row["exit_speed [km/h]"], row["entry_speed [km/h]"]
            row["entry_speed [km/h]"], row["exit_speed [km/h]"] = ends

    said = " ".join(remarks(analyse(load_session(retyped(change)))))
    assert "on 21 of 21 runs the bike was slower at the marker than at the start line" in said
    assert "N at the wheel of the weakest setup: check that entry_speed and exit_speed" in said


@pytest.mark.parametrize("factor", [1.609344, 1 / 1.609344])
def test_one_setup_typed_in_the_other_unit_is_refused(retyped, problems, factor):
    def change(rows):
        for row in rows:
            for key in ("entry_speed [km/h]", "exit_speed [km/h]"):
                if row["setup"] == "big_172" and row[key]:
                    row[key] = f"{float(row[key]) * factor:.0f}"

    assert "the speeds of 'big_172' are" in problems(retyped(change))[0]


def test_a_wind_from_behind_that_is_faster_than_the_bike_is_refused(edit):
    folder = edit("session.toml", '"0 +/- 1.5 m/s"', '"-14 +/- 1.5 m/s"')
    with pytest.raises(SessionError, match=r"a wind of [0-9.]+ km/h from behind is as fast as"):
        load_session(folder)


@pytest.mark.parametrize(("count", "student"), [(2, 12.706), (5, 2.776)])
def test_checks_that_agree_are_no_surer_than_the_steps_of_the_speedometer(edit, count, student):
    pairs = [["60 km/h", "57 km/h"]] * count
    folder = edit("session.toml", 'factor = "0.955 +/- 0.01"', f"checks = {pairs}")
    factor = speedometer_factor(load_session(folder), 16.0)
    assert factor.value == pytest.approx(0.95)
    # One rounding to 1 km/h at 60 km/h, and Student's t for few pairs.
    assert factor.half_width == pytest.approx(student * 0.95 / np.sqrt(12) / 60, rel=1e-3)


# States of files --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["session.toml", "runs.csv"])
@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "is missing"),
        (b"", "is empty"),
        (b" \n\t\n", "is empty"),
        (b"\x00" * 20, "is not a text file"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "is not a text file"),
        (b"run,setup\n1,big\n" * 40000 + b"\x00\n", "is not a text file"),
        (b"PK\x03\x04rest", "spreadsheet's own file"),
        (b"\xff\xfe\x00\xd8", "UTF-16"),
        (b"caf\x81\n", "row 1: byte 0x81 is neither UTF-8 nor Windows-1252; save it as UTF-8"),
        ("f\u00fcr".encode() + b" f\xfcr", "row 1: byte 0xfc is not UTF-8; save it as UTF-8"),
    ],
)
def test_a_file_that_is_none_is_said_to_be(demo_copy, name, content, said):
    path = demo_copy / name
    path.unlink()
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(SessionError, match=said) as error:
        load_session(demo_copy)
    assert name in str(error.value)
    if "not a text" in said or "own file" in said:
        remedy = "save it as plain text" if name == "session.toml" else "export it as CSV"
        assert str(error.value).endswith(remedy)


@pytest.mark.parametrize("name", ["session.toml", "runs.csv"])
def test_a_folder_or_a_pipe_in_place_of_a_file_is_refused_at_once(demo_copy, name):
    path = demo_copy / name
    path.unlink()
    path.mkdir()
    with pytest.raises(SessionError, match=f"{name}: is a folder; put a text file"):
        load_session(demo_copy)
    if hasattr(os, "mkfifo"):
        path.rmdir()
        os.mkfifo(path)
        with pytest.raises(SessionError, match=f"{name}: is not an ordinary file"):
            load_session(demo_copy)


def test_a_file_too_large_for_a_session_is_refused(demo_copy):
    with (demo_copy / "runs.csv").open("ab") as stream:
        stream.truncate(60_000_000)
    with pytest.raises(SessionError, match=r"runs.csv: has 60 MB, more than the 50 MB"):
        load_session(demo_copy)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_line_ends_and_encodings_of_spreadsheets_are_read(demo_copy, end, encoding):
    path = demo_copy / "runs.csv"
    header, first, rest = path.read_text(encoding="utf-8").split("\n", 2)
    path.write_text(f"{header}\n{first} schön\n{rest}", encoding="utf-8")
    before = load_session(demo_copy).runs
    text = path.read_text(encoding="utf-8").replace("\n", end)
    path.write_bytes(text.encode(encoding))
    assert load_session(demo_copy).runs.equals(before)


@pytest.mark.parametrize("mark", ["#", "# ", "  #", '"#'])
def test_a_row_behind_a_comment_mark_is_asked_about(demo_copy, mark):
    path = demo_copy / "runs.csv"
    lines = path.read_text("utf-8").splitlines()
    number, rest = lines[5].split(",", 1)
    lines[5] = f"{mark}{number}{chr(34) if chr(34) in mark else ''},{rest}"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    with pytest.raises(SessionError, match=r"runs.csv, row 6: begins with #, so it would not be"):
        load_session(demo_copy)
    lines[5] = "# 3 bars of fuel left, warm, no wind"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    assert len(load_session(demo_copy).runs) == 32


def test_a_header_in_degrees_is_no_humidity(lines):
    with pytest.raises(SessionError, match=r"\[deg\] is not a unit of humidity; write for"):
        lines(lambda rows: [f"{rows[0]},humidity [deg]", *(f"{row},50" for row in rows[1:])])


def test_more_columns_than_a_table_has_are_refused_at_once(lines):
    more = ",".join(map(str, range(30_000)))
    with pytest.raises(SessionError, match="has 30012 columns; at most 1000 are allowed"):
        lines(lambda rows: [f"{rows[0]},{more}", *rows[1:]])


@pytest.mark.parametrize("place", ["header", "setup"])
def test_a_cell_as_long_as_a_page_is_not_shown_whole(demo_copy, place):
    path = demo_copy / "runs.csv"
    text, long = path.read_text("utf-8"), "z" * 100_000
    old, new = ("\n", f",{long}\n") if place == "header" else (",stock,", f",{long},")
    path.write_text(text.replace(old, new, 1), "utf-8")
    with pytest.raises(SessionError) as refused:
        load_session(demo_copy)
    assert all(len(str(one)) < 700 for one in refused.value.problems)


def one_gauge_column(rows, between=" to "):
    """The two columns of the gauge as one."""
    for row in rows:
        low, high = row.pop("gauge_low"), row.pop("gauge_high")
        row["gauge"] = low if low == high else f"{low}{between}{high}"


def test_a_range_in_one_cell_is_read_as_two(demo_copy, retyped):
    before = load_session(demo_copy).runs
    folder = retyped(lambda rows: one_gauge_column(rows, " — "))
    assert load_session(folder).runs.equals(before)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("12.8 to 12.6", "goes down; write the lower reading first"),
        ("12.6 to", "is not a number"),
        ("12.6 to 12.8 to 13", "is not a number"),
        ("-12.6", "outside 0.4 to 40|is not a number"),
        ("12.6 to 128", "outside 0.4 to 40"),
    ],
)
def test_what_is_no_range_is_refused(retyped, typed, said):
    def change(rows):
        one_gauge_column(rows)
        rows[0]["gauge"] = typed

    with pytest.raises(SessionError, match=f"runs.csv, row 2, gauge: .*({said})"):
        load_session(retyped(change))


def test_a_column_without_a_name_may_be_empty_but_not_carry_data(demo_folder, lines):
    bare = lines(lambda rows: [f"{row}," for row in rows])
    assert bare.runs.equals(load_session(demo_folder).runs)
    with pytest.raises(SessionError, match=r"runs.csv, row 1: unknown column ''"):
        lines(lambda rows: [f"{rows[0]},", *(f"{row},7" for row in rows[1:])])


def test_what_an_empty_cell_stands_for(demo_folder, lines):
    plain = load_session(demo_folder).runs
    assert lines(lambda rows: [row.replace(",none,", ",No,") for row in rows]).runs.equals(plain)
    runs = lines(lambda rows: [row.replace(",none,", ",,") for row in rows]).runs
    assert set(runs["knock"]) == {"", "light"}, "nobody listened"
    assert set(runs["exclude"]) == {""}
