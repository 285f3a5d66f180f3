"""Rows of runs.csv: as many are read as there are lines that carry data, or the file is refused."""

import csv
import os
from contextlib import suppress

import numpy as np
import pytest

from tuninglib.session.load import load_session
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
        ("it's", "it's"),
        ('said "no"', 'said "no"'),
        ("# loud", "# loud"),
        ("'", "'"),
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


def test_two_ditto_marks_do_not_swallow_what_stands_between(lines):
    def change(rows):
        return with_note('"', 12)(with_note('"', 6)(rows))

    with pytest.raises(SessionError, match="row 7") as error:
        lines(change)
    assert "row 13" in str(error.value)


def test_comments_and_empty_lines_carry_no_data_and_keep_their_row(lines):
    def change(rows):
        return [*rows[:4], "", "# 3 was wet", "   ", *rows[4:]]

    runs = lines(change).runs
    assert len(runs) == len(lines.rows) - 1
    assert runs["row"].tolist()[:5] == [2, 3, 4, 8, 9]


def test_a_setup_cannot_be_called_like_a_comment(demo_copy):
    path = demo_copy / "session.toml"
    text = path.read_text(encoding="utf-8").replace("[setups.big_185]", '[setups."#185"]')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SessionError, match=r"'#185' begins with #, as comments in runs.csv do"):
        load_session(demo_copy)


@pytest.mark.parametrize("name", ["", "  ", " a", "a ", "a\\nb", "a\\u0007b", "x" * 101])
def test_a_name_must_fit_into_a_cell(demo_copy, name):
    path = demo_copy / "session.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text + f'\n[fuels."{name}"]\nethanol = "5 %"\n', encoding="utf-8")
    with pytest.raises(SessionError, match=r"is no name|begins or ends|letters; 100"):
        load_session(demo_copy)


@pytest.mark.parametrize("word", ["no", "No", "0", "FALSE", "-", "–", "none", "n"])
def test_no_is_no_reason_to_leave_a_run_out(lines, word):
    assert lines(lambda rows: with_reason(rows, word)).runs["exclude"].iloc[5] == ""


@pytest.mark.parametrize("word", ["yes", "x", "1", "TRUE", "wet", "no throttle", "not full"])
def test_a_reason_leaves_a_run_out(lines, word):
    assert lines(lambda rows: with_reason(rows, word)).runs["exclude"].iloc[5] == word


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("1,001", "could be read two ways"),
        ("1.5", "not a whole number"),
        ("1e3", None),
        ("0x10", "is not a number"),
        ("1_000", "is not a number"),
        ("１２", "is not a number"),
        ("--", "is not a number"),
        ("n/a", "is not a number"),
        ("#N/A", "is not a number"),
        ("nan", "is not a number"),
        ("inf", "is not a number"),
        ("9" * 400, "is not a number"),
        ("2026-05-16", "is not a number"),
        (" " * 100000, "is empty"),
    ],
)
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


@pytest.mark.parametrize(
    "typed",
    ["48 km/h", "48mph", "#REF!", "4 8", "48;62", "٤٨", "4.8.1", "+-48", "48" + " " * 5000 + "x"],
)  # fmt: skip
def test_a_speed_is_one_number(lines, typed):
    head = lines.rows[0].split(",").index("entry_speed [km/h]")

    def change(rows):
        cells = rows[6].split(",")
        cells[head] = typed
        rows[6] = ",".join(cells)
        return rows

    with pytest.raises(
        SessionError, match=r"runs.csv, row 7, entry_speed: .*(is not|is more than) a number"
    ):
        lines(change)


@pytest.mark.parametrize(("typed", "value"), [("−3", -3.0), (" 48 ", 48.0), ("4.8e1", 48.0)])
def test_numbers_as_people_and_spreadsheets_write_them(typed, value):
    from tuninglib.units import parse_number

    assert parse_number(typed) == value


def test_long_runs_of_anything_are_read_or_refused_at_once():
    for letter in " .,+-−%[]()\"'\t0":
        text = f"run,setup\n1,{letter * 100_000}\n"
        for one in (text, f"run [{letter * 100_000}],setup\n1,a\n"):
            with suppress(SessionError):
                assert len(parse_table(one, "runs.csv").rows) == 1


def test_three_thousand_rows_are_all_read(lines):
    def change(rows):
        more = [
            f"{100 + i}," + rows[1 + i % 21].split(",", 1)[1].replace("light rattle", "rattle")
            for i in range(3000)
        ]
        return [*rows, *more]

    assert len(lines(change).runs) == len(lines.rows) - 1 + 3000


# Whole files ------------------------------------------------------------------------------------


def swapped(rows):
    head = rows[0].split(",")
    one, two = (head.index(f"{end}_speed [km/h]") for end in ("entry", "exit"))
    found = [rows[0]]
    for row in rows[1:]:
        cells = row.split(",")
        cells[one], cells[two] = cells[two], cells[one]
        found.append(",".join(cells))
    return found


def test_entry_and_exit_swapped_on_every_row_is_asked_about(lines):
    from tuninglib.analysis.analyse import analyse
    from tuninglib.report.cautions import remarks

    said = " ".join(remarks(analyse(lines(swapped))))
    assert "on 21 of 21 runs the bike was slower at the marker than at the start line" in said
    assert "N at the wheel of the weakest setup: check that entry_speed and exit_speed" in said
    assert "slower at the marker" not in " ".join(remarks(analyse(lines(lambda rows: rows))))


@pytest.mark.parametrize("factor", [1.609344, 1 / 1.609344])
def test_one_setup_typed_in_the_other_unit_is_refused(lines, factor):
    head = lines.rows[0].split(",")
    places = [head.index(f"{end}_speed [km/h]") for end in ("entry", "exit")]

    def change(rows):
        found = [rows[0]]
        for row in rows[1:]:
            cells = row.split(",")
            if cells[1] == "big_172" and cells[places[0]]:
                for place in places:
                    cells[place] = f"{float(cells[place]) * factor:.0f}"
            found.append(",".join(cells))
        return found

    with pytest.raises(SessionError, match=r"the speeds of 'big_172' are .* times those of the"):
        lines(change)


def test_a_wind_from_behind_that_is_faster_than_the_bike_is_refused(demo_copy):
    path = demo_copy / "session.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"0 +/- 1.5 m/s"', '"-14 +/- 1.5 m/s"'), encoding="utf-8")
    with pytest.raises(SessionError, match=r"a wind of [0-9.]+ km/h from behind is as fast as"):
        load_session(demo_copy)


@pytest.mark.parametrize("pairs", [[["60 km/h", "57 km/h"]] * 2, [["60 km/h", "57 km/h"]] * 5])
def test_checks_that_agree_are_no_surer_than_the_steps_of_the_speedometer(demo_copy, pairs):
    from tuninglib.session.defaults import speedometer_factor

    path = demo_copy / "session.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('factor = "0.955 +/- 0.01"', f"checks = {pairs}"), "utf-8")
    factor = speedometer_factor(load_session(demo_copy), 16.0)
    assert factor.value == pytest.approx(0.95)
    # Half of 95 % of one rounding to 1 km/h at 60 km/h, and Student's t for few pairs.
    assert factor.half_width >= 1.96 * 0.95 / np.sqrt(12) / 60


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
        (b"PK\x03\x04rest", "spreadsheet's own file"),
        (b"\xff\xfe\x00\xd8", "UTF-16"),
        (b"caf\x81\n", "row 1: byte 0x81 is neither UTF-8 nor Windows-1252; save it as UTF-8"),
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
        with pytest.raises(SessionError, match=f"{name}: is no ordinary file"):
            load_session(demo_copy)


def test_a_file_too_large_for_a_session_is_refused(demo_copy):
    with (demo_copy / "runs.csv").open("ab") as stream:
        stream.truncate(60_000_000)
    with pytest.raises(SessionError, match=r"runs.csv: has 60 MB, more than the 50 MB"):
        load_session(demo_copy)


def test_brackets_without_end_are_refused(demo_copy):
    path = demo_copy / "session.toml"
    path.write_text("a = " + "[" * 100_000, encoding="utf-8")
    with pytest.raises(SessionError, match=r"session.toml"):
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


@pytest.mark.parametrize("cell", ["#N/A", "#REF!", "#VALUE!", "#DIV/0!", "#NAME?", '"#N/A"'])
def test_what_a_spreadsheet_writes_for_a_failed_formula_is_no_comment(edit, cell):
    folder = edit("runs.csv", "\n2,", f"\n{cell},")
    with pytest.raises(SessionError, match=r"runs.csv, row \d+, run: '#.* is not a number"):
        load_session(folder)


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


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("1,000", "could be read two ways, as 1000 or as 1.000; write it without a comma"),
        ("1.000", "could be read two ways, as 1000 or as 1.000; write it without a comma"),
        ("12.345", "could be read two ways, as 12345 or as 12.345; write it without a comma"),
        ("1,000,000", "has marks between its thousands; write '1000000'"),
    ],
)
def test_a_run_number_with_a_thousands_sign_is_not_guessed(demo_copy, typed, said):
    path = demo_copy / "runs.csv"
    text = path.read_text("utf-8").replace(",", ";").replace("\n2;", f"\n{typed};", 1)
    path.write_text(text, "utf-8")
    with pytest.raises(SessionError, match=said):
        load_session(demo_copy)


def test_a_header_in_degrees_is_no_humidity(demo_copy):
    path = demo_copy / "runs.csv"
    lines = path.read_text("utf-8").splitlines()
    ended = [lines[0] + ",humidity [deg]", *(f"{line},50" for line in lines[1:])]
    path.write_text("\n".join(ended) + "\n", "utf-8")
    with pytest.raises(SessionError, match=r"\[deg\] is not a unit of humidity; write for"):
        load_session(demo_copy)


def test_more_columns_than_a_table_has_are_refused_at_once(demo_copy):
    path = demo_copy / "runs.csv"
    header, rest = path.read_text("utf-8").split("\n", 1)
    path.write_text(f"{header},{','.join(map(str, range(30_000)))}\n{rest}", "utf-8")
    with pytest.raises(SessionError, match="has 30012 columns; 1000 are the most"):
        load_session(demo_copy)


@pytest.mark.parametrize("place", ["header", "setup"])
def test_a_cell_as_long_as_a_page_is_not_shown_whole(demo_copy, place):
    path = demo_copy / "runs.csv"
    text, long = path.read_text("utf-8"), "z" * 100_000
    old, new = ("\n", f",{long}\n") if place == "header" else (",stock,", f",{long},")
    path.write_text(text.replace(old, new, 1), "utf-8")
    with pytest.raises(SessionError) as refused:
        load_session(demo_copy)
    assert all(len(str(one)) < 700 for one in refused.value.problems)


def one_gauge_column(path, between=" to "):
    """The two columns of the gauge as one."""
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        low, high = row.pop("gauge_low"), row.pop("gauge_high")
        row["gauge"] = low if low == high else f"{low}{between}{high}"
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0], lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


@pytest.mark.parametrize("between", [" to ", "-", " - ", "–", " — "])
def test_a_range_in_one_cell_is_read_as_two(demo_copy, between):
    before = load_session(demo_copy).runs
    one_gauge_column(demo_copy / "runs.csv", between)
    assert load_session(demo_copy).runs.equals(before)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("12.8 to 12.6", "goes down; write the lower reading first"),
        ("12.6 to", "is not a number"),
        ("12.6 or 12.8", "is not a number"),
        ("12.6 to 12.8 to 13", "is not a number"),
        ("-12.6", "outside 0.4 to 40|is not a number"),
        ("12.6 to 128", "outside 0.4 to 40"),
    ],
)
def test_what_is_no_range_is_refused(demo_copy, typed, said):
    path = demo_copy / "runs.csv"
    one_gauge_column(path)
    header, first, rest = path.read_text("utf-8").split("\n", 2)
    first = ",".join([*first.split(",")[:-1], typed])
    path.write_text("\n".join([header, first, rest]), "utf-8")
    with pytest.raises(SessionError, match=f"runs.csv, row 2, gauge: .*({said})"):
        load_session(demo_copy)


def test_a_reading_that_stands_twice_is_refused(demo_copy):
    path = demo_copy / "runs.csv"
    header, first, *rest = path.read_text("utf-8").strip().split("\n")
    lines = [f"{header},gauge", f"{first},12.7", *(f"{line}," for line in rest)]
    path.write_text("\n".join(lines), "utf-8")
    with pytest.raises(SessionError, match="row 2, gauge: stands beside gauge_low or gauge_high"):
        load_session(demo_copy)


def test_no_knock_is_none(demo_copy):
    path = demo_copy / "runs.csv"
    before = load_session(demo_copy).runs
    path.write_text(path.read_text("utf-8").replace(",none,", ",No,"), "utf-8")
    assert load_session(demo_copy).runs.equals(before)


def test_a_column_without_a_name_may_be_empty_but_not_carry_data(demo_copy):
    path = demo_copy / "runs.csv"
    before = load_session(demo_copy).runs
    header, *rows = path.read_text("utf-8").strip().split("\n")
    path.write_text("\n".join([f"{header},", *(f"{row}," for row in rows)]), "utf-8")
    assert load_session(demo_copy).runs.equals(before)
    path.write_text("\n".join([f"{header},", *(f"{row},7" for row in rows)]), "utf-8")
    with pytest.raises(SessionError, match=r"runs.csv, row 1: unknown column ''"):
        load_session(demo_copy)


def test_a_missing_column_is_said_of_the_header(demo_copy):
    path = demo_copy / "runs.csv"
    path.write_text(path.read_text("utf-8").replace("rider", "ryder", 1), "utf-8")
    with pytest.raises(SessionError, match=r"runs.csv, row 1, rider: the column rider is missing"):
        load_session(demo_copy)


def test_what_an_empty_cell_stands_for(demo_copy):
    runs = load_session(demo_copy).runs
    assert set(runs["state"]) >= {"full"}
    assert set(runs["knock"]) <= {"", "none", "light", "heavy"}
    path = demo_copy / "runs.csv"
    path.write_text(path.read_text("utf-8").replace(",none,", ",,"), "utf-8")
    assert set(load_session(demo_copy).runs["knock"]) == {"", "light"}, "nobody listened"
    assert set(load_session(demo_copy).runs["exclude"]) == {""}
