"""What a rider can get wrong in runs.csv, and the sentence that each mistake earns."""

import re

import pytest

from tuninglib.session.load import load_session
from tuninglib.session.tables import read_runs


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "exit_speed [km/h]",
            "exit_speed",
            r"row 1, exit_speed: has no unit; write for example exit_speed \[km/h\]",
        ),
        ("exit_speed [km/h]", "exit_speed [kg]", r"\[kg\] is not a unit of exit_speed"),
        (
            "exit_speed [km/h]",
            "exit_sped [km/h]",
            r"unknown column 'exit_sped \[km/h\]'; did you mean 'exit_speed'",
        ),
        ("setup,rider", "set,rider", r"the column setup is missing"),
        ("gauge_low,gauge_high", "gauge_low,gauge_low", r"the column gauge_low stands twice"),
        (
            "3,stock,tove",
            "3,stick,tove",
            r"row 4, setup: 'stick' is not one of the setups .* 'stock'",
        ),
        (
            "3,stock,tove",
            "3,stock,tovi",
            r"row 4, rider: 'tovi' is not one of the riders .* 'tove'",
        ),
        ("3,stock,tove", "2,stock,tove", r"row 4, run: run 2 stands in row 3 too"),
        ("3,stock,tove", ",stock,tove", r"row 4, run: is empty"),
        ("48,62", "480,62", r"row 2, entry_speed: 480 km/h is outside 3\.6 to 252 km/h"),
        ("48,62", "48,fast", r"row 2, exit_speed: 'fast' is not a number"),
        ("48,62", '48,"62,5"', r"row 2, exit_speed: '62,5' has a comma; write '62\.5'"),
        ("48,62", "48,62,5", r"row 2: has 13 cells where the header has 12; a decimal comma"),
        ("none,170", "loud,170", r"row 2, knock: 'loud' is not one of 'none', 'light', 'heavy'"),
    ],
)
def test_one_sentence_for_each_mistake_in_the_runs(edit, old, new, sentence, problems):
    found = problems(edit("runs.csv", old, new))
    assert any(re.search(sentence, line) for line in found), found
    assert all(line.startswith("runs.csv") for line in found)


def _text(folder):
    return (folder / "runs.csv").read_text(encoding="utf-8")


def test_runs_without_a_number_are_not_called_the_same(demo_copy, problems):
    text = _text(demo_copy).replace("\n3,stock", "\n,stock").replace("\n5,", "\n,")
    (demo_copy / "runs.csv").write_text(text, encoding="utf-8")
    assert problems(demo_copy) == [
        f"runs.csv, row {n}, run: is empty; its number, each once" for n in (4, 6)
    ]


def test_a_semicolon_export_with_decimal_commas_reads_the_same(demo_folder, demo_copy):
    text = _text(demo_copy).replace(",", ";")
    text = re.sub(r"(\d)\.(\d)", r"\1,\2", text)
    (demo_copy / "runs.csv").write_bytes(text.replace("\n", "\r\n").encode("utf-8-sig"))
    a, b = load_session(demo_folder).runs, load_session(demo_copy).runs
    columns = [name for name in a.columns if name != "note"]
    assert a[columns].equals(b[columns])


def test_points_and_commas_mixed_in_one_file_are_refused(demo_copy, problems):
    text = _text(demo_copy).replace(",", ";").replace("12.6", "12,6")
    (demo_copy / "runs.csv").write_text(text, encoding="utf-8")
    assert re.search(r"'12,6' has a comma; write '12\.6'", problems(demo_copy)[0])


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_byte_order_marks_are_understood(demo_folder, demo_copy, encoding):
    (demo_copy / "runs.csv").write_bytes(_text(demo_copy).encode(encoding))
    assert load_session(demo_copy).runs.equals(load_session(demo_folder).runs)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "runs.csv: is empty"),
        (b"\n \n", "runs.csv: is empty"),
        (b"# only a remark\n", "runs.csv: has no header row"),
        (b"run,setup,rider\n", "runs.csv: has a header but no run"),
        (
            "run,setup,rider,note\n1,stock,tove,für".encode() + b" f\xfcr schwarze H\xc3\xb6hen\n",
            r"runs.csv, row 2: byte 0xfc is not UTF-8; save it as UTF-8",
        ),
        (b"PK\x03\x04rest", "spreadsheet's own file, not text; export it as CSV"),
        (b"\x00\x01\x02", "is not a text file"),
    ],
)
def test_files_that_are_not_what_they_say(demo_copy, content, sentence, problems):
    (demo_copy / "runs.csv").write_bytes(content)
    assert re.search(sentence, problems(demo_copy)[0])


def test_remarks_and_empty_lines_keep_the_row_numbers(demo_copy, problems):
    text = "# typed at the roadside\n\n" + _text(demo_copy).replace("3,stock,tove", "3,stick,tove")
    (demo_copy / "runs.csv").write_text(text, encoding="utf-8")
    assert problems(demo_copy)[0].startswith("runs.csv, row 6, setup")


@pytest.mark.parametrize("beside", ["gauge_low", "gauge_high"])
def test_a_reading_typed_twice_is_refused_whichever_end_it_is(tmp_path, beside):
    path = tmp_path / "runs.csv"
    path.write_text(f"run,setup,rider,gauge,{beside}\n1,a,b,12.7,12.8\n", encoding="utf-8")
    problems = []
    read_runs(path, {}, problems)
    assert [one.message for one in problems if one.column == "gauge"] == [
        "stands beside gauge_low or gauge_high; write the reading once"
    ]
