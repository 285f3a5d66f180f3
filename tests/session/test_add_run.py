"""Rows added to runs.csv: the words of check, the dialect of the file, and nothing else changed."""

import pytest

from tuninglib.session.edit import add_run, names_of, open_sheet, problems_of_row, row_text
from tuninglib.session.load import load_session
from tuninglib.session.read_table import COLUMNS

ROW = {
    "run": "90",
    "setup": "stock",
    "rider": "tove",
    "entry_speed": "48",
    "exit_speed": "63",
    "gauge_low": "12.6",
    "gauge_high": "12.8",
    "air_temperature": "20",
    "knock": "none",
}


@pytest.mark.parametrize(
    ("change", "column", "said"),
    [
        ({"exit_speed": "630"}, "exit_speed", "outside 3.6 to 252 km/h"),
        ({"exit_speed": "fast"}, "exit_speed", "is not a number"),
        ({"exit_speed": ""}, "exit_speed", "is empty while its partner is not"),
        ({"gauge_low": "13.5"}, "gauge_low", "is above gauge_high 12.8; swap the two"),
        ({"setup": "stok"}, "setup", "did you mean 'stock'?"),
        ({"run": "3"}, "run", "stands in row 4 already"),
        ({"run": ""}, "run", "is empty"),
    ],
)
def test_what_is_wrong_with_a_row_is_said_as_check_would_say_it(demo_folder, change, column, said):
    found = problems_of_row(open_sheet(demo_folder), {**ROW, **change})
    assert said in found[column]
    assert set(found) == {column}


def test_a_good_row_has_no_problem(demo_folder):
    assert problems_of_row(open_sheet(demo_folder), ROW) == {}


def test_an_empty_knock_means_that_nobody_listened(demo_copy):
    sheet = open_sheet(demo_copy)
    assert problems_of_row(sheet, {**ROW, "knock": ""}) == {}
    add_run(sheet, {**ROW, "knock": ""}, keep=False)
    assert load_session(demo_copy).runs.iloc[-1]["knock"] == ""
    assert "empty: nobody listened" in COLUMNS["knock"].help


def test_an_added_run_is_one_more_line_and_nothing_else(demo_copy):
    path = demo_copy / "runs.csv"
    before, count = path.read_bytes(), len(load_session(demo_copy).runs)
    kept = add_run(open_sheet(demo_copy), {**ROW, "note": 'gusty, "wet"'}, keep=True)
    after = path.read_bytes()
    assert after.startswith(before)
    assert after[len(before) :].count(b"\n") == 1
    assert kept.read_bytes() == before
    runs = load_session(demo_copy).runs
    assert len(runs) == count + 1
    assert runs.iloc[-1]["note"] == 'gusty, "wet"'
    assert runs.iloc[-1]["shown_exit_m_s"] == pytest.approx(63 / 3.6)


def test_the_row_speaks_the_files_own_dialect(demo_copy):
    path = demo_copy / "runs.csv"
    head = "setup;run;rider;exit_speed [mph];entry_speed [mph];air_temperature [degF];gauge_low;"
    rows = "stock;1;tove;39,5;30,0;60,0;12,6;12,8\n"
    path.write_bytes(
        b"\xef\xbb\xbf" + (head + "gauge_high\n" + rows).replace("\n", "\r\n").encode()
    )
    sheet = open_sheet(demo_copy)
    typed = {**ROW, "entry_speed": "30.5", "exit_speed": "39,5", "air_temperature": "61"}
    assert row_text(sheet, typed) == "stock;90;tove;39,5;30,5;61;12,6;12,8"
    assert problems_of_row(sheet, typed) == {}
    add_run(sheet, typed, keep=False)
    raw = path.read_bytes()
    assert raw.startswith(b"\xef\xbb\xbfsetup;")
    assert raw.count(b"\n") == raw.count(b"\r\n") == 3
    assert open_sheet(demo_copy).table.rows[-1][4] == "30,5"


def test_a_new_row_keeps_the_encoding_of_the_file(demo_copy):
    path = demo_copy / "runs.csv"
    text = path.read_text(encoding="utf-8").replace("\n", "\r\n")
    path.write_bytes(text.encode("utf-16"))
    add_run(open_sheet(demo_copy), {**ROW, "note": "böig"}, keep=False)
    new = path.read_bytes().decode("utf-16")
    assert new.startswith(text)
    assert new.endswith("böig\r\n")


def test_the_next_run_is_one_more_than_the_highest(demo_copy):
    path = demo_copy / "runs.csv"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("\n1,stock", "\n99,stock"), encoding="utf-8")
    assert open_sheet(demo_copy).next_run == "100"
    path.write_text(text.split("\n")[0] + "\n", encoding="utf-8")
    assert open_sheet(demo_copy).next_run == "1"


def test_names_of_a_session_that_is_not_valid_are_unknown(demo_folder, edit):
    assert "stock" in names_of(demo_folder)[0]
    assert names_of(edit("session.toml", "[bike]", "[bike")) == ((), ())


def test_a_file_that_lacks_its_last_line_end_gets_it(demo_copy):
    path = demo_copy / "runs.csv"
    path.write_text(path.read_text("utf-8").rstrip("\n"), "utf-8")
    before = path.read_text("utf-8")
    add_run(open_sheet(demo_copy), ROW, keep=False)
    after = path.read_text("utf-8")
    assert after.startswith(f"{before}\n90,stock,")
    assert after.endswith("\n")


def test_a_column_that_nobody_knows_stays_empty_in_a_new_row(demo_copy):
    path = demo_copy / "runs.csv"
    header, *rows = path.read_text("utf-8").strip().split("\n")
    path.write_text("\n".join([f"{header},mood", *(f"{row},fine" for row in rows)]) + "\n", "utf-8")
    sheet = open_sheet(demo_copy)
    assert sheet.keys[-1] == ""
    assert row_text(sheet, ROW).endswith(",")
    found = problems_of_row(sheet, ROW)
    assert set(found) == {""}
    assert "unknown column 'mood'" in found[""]


def test_what_is_wrong_with_the_session_is_not_said_of_a_cell_of_the_row(edit):
    folder = edit("session.toml", "scale = 14.7", "scale = 147")
    found = problems_of_row(open_sheet(folder), ROW)
    assert set(found) == {""}
    assert found[""].startswith("session.toml, row ")


def test_a_file_without_run_numbers_takes_a_row(demo_copy):
    path = demo_copy / "runs.csv"
    lines = [line.split(",", 1)[1] for line in path.read_text("utf-8").strip().split("\n")]
    path.write_text("\n".join(lines) + "\n", "utf-8")
    sheet = open_sheet(demo_copy)
    assert sheet.next_run == "1"
    assert set(problems_of_row(sheet, ROW)) == {""}, "the column run is missing, of the header"


def test_a_reading_in_the_one_column_is_blamed_there(demo_copy):
    (demo_copy / "runs.csv").write_text("run,setup,rider,gauge\n1,stock,tove,12.7\n")
    values = {"run": "2", "setup": "stock", "rider": "tove", "gauge": "30"}
    message = problems_of_row(open_sheet(demo_copy), values)["gauge"]
    assert message.startswith("30 is beyond what the gauge can print (10 to 20)")
    assert message.count("beyond") == 1


def test_what_is_wrong_with_the_header_is_not_blamed_on_a_row(demo_copy):
    (demo_copy / "runs.csv").write_text("run,setup,rider,exit_speed [kg]\n1,stock,tove,\n")
    found = problems_of_row(
        open_sheet(demo_copy), {"run": "2", "setup": "stock", "rider": "tove", "exit_speed": "50"}
    )
    assert "exit_speed" not in found
    assert "[kg] is not a unit of exit_speed" in found[""]
