"""What a rider can get wrong in the two files, and the sentence that each mistake earns."""

import dataclasses
import re

import pytest

from tuninglib.session import schema
from tuninglib.session.columns import COLUMNS
from tuninglib.session.defaults import speedometer_factor
from tuninglib.session.load import load_session
from tuninglib.session.new import session_template, write_new_session
from tuninglib.text_files import SessionError


def problems(folder) -> list[str]:
    with pytest.raises(SessionError) as caught:
        load_session(folder)
    return [str(problem) for problem in caught.value.problems]


def test_the_demo_reads_in_si(demo_folder):
    session = load_session(demo_folder)
    first = session.runs.iloc[0]
    assert first.shown_entry_m_s == pytest.approx(48 / 3.6)
    assert first.air_temperature_k == pytest.approx(287.15)
    assert session.bike.mass.value == 124.0
    assert session.bike.mass.half_width == 2.0
    assert session.candidates == ("i178", "i205")
    assert session.engines["big"].displacement_m3 == pytest.approx(204.3e-6, rel=1e-3)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            'mass = "124',
            'masss = "124',
            r"row \d+, masss: unknown key 'masss'; did you mean 'mass'",
        ),
        ('"124 kg +/- 2 kg"', '"124"', r"mass: '124' has no unit; write for example '124 kg"),
        ('"124 kg +/- 2 kg"', "124", r"mass: 124 has no unit"),
        ('"124 kg +/- 2 kg"', '"124 kg +/- 2 km"', r"'km' does not measure"),
        ('"124 kg +/- 2 kg"', '"1240 kg"', r"'1240 kg' is outside 40 to 500 kg; check"),
        ('"124 kg +/- 2 kg"', '""', r"mass: is still empty \(ready to ride"),
        ('"400 m +/- 2 m"', '"400,5 m"', r"write a point: '400\.5 m'"),
        ("date = 2026-05-16", 'date = "16 May"', r"date: '16 May' is not a date; write year-month"),
        (
            'reference = "stock"',
            'reference = "stok"',
            r"'stok' is not one of the setups; did you mean 'stock'",
        ),
        ('engine = "big"', 'engine = "bigg"', r"\bengine: 'bigg' is not one of the engines"),
        ('units = "metric"', 'units = "kmh"', r"units: 'kmh' is not one of 'metric', 'us'"),
        ("[gauge]", "[gauges]", r"unknown table \[gauges\]; did you mean 'gauge'"),
        ('bore = "60.0 mm"', "", r"bore is missing in \[engines\.stock\]"),
        ("scale = 14.7", "scale = true", r"scale: True must be a number"),
        ('grade = "5.2', 'slope = "5.2', r"piece 1: unknown key 'slope'"),
        ('length = "150 m"', 'length = "300 m"', r"pieces add up to 550 m, but length is 400 m"),
        ("lowest = 0.83", "lowest = 0.95", r"lowest \(0\.95\) must be below highest \(0\.9\)"),
        (
            'factor = "0.955 +/- 0.01"',
            'checks = [["50 km/h", "48 km/h"]]',
            r"row \d+, checks: .* is not two pairs of speeds or more; write pairs",
        ),
        (
            'factor = "0.955 +/- 0.01"',
            'checks = [["50 km/h", "48 km/h"], ["50", "300 m in 22 s"]]',
            r"checks: '50' has no unit; write for example '62 km/h'",
        ),
        ('title = "Bigger', "title = Bigger", r"row 5: is not valid TOML: .*text goes in quotes"),
    ],
)
def test_one_sentence_for_each_mistake_in_the_session(edit, old, new, sentence):
    found = problems(edit("session.toml", old, new))
    assert any(re.search(sentence, line) for line in found), found
    assert all(line.startswith("session.toml") for line in found)


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
        ("12.6,12.8", "12.9,12.8", r"row 2, gauge_low: 12\.9 is above gauge_high 12\.8; swap"),
        ("12.6,12.8", "1.26,12.8", r"row 2, gauge_low: 1\.26 is beyond what the gauge can print"),
        ("12.6,12.8", ",12.8", r"row 2, gauge_low: is empty while its partner is not"),
        ("48,62", "480,62", r"row 2, entry_speed: 480 km/h is outside 3\.6 to 252 km/h"),
        ("48,62", "48,", r"row 2, exit_speed: is empty while its partner is not"),
        ("48,62", "48,fast", r"row 2, exit_speed: 'fast' is not a number"),
        ("48,62", '48,"62,5"', r"row 2, exit_speed: '62,5' has a comma; write '62\.5'"),
        ("48,62", "48,62,5", r"row 2: has 13 cells where the header has 12; a decimal comma"),
        ("none,170", "loud,170", r"row 2, knock: 'loud' is not one of 'none', 'light', 'heavy'"),
    ],
)
def test_one_sentence_for_each_mistake_in_the_runs(edit, old, new, sentence):
    found = problems(edit("runs.csv", old, new))
    assert any(re.search(sentence, line) for line in found), found
    assert all(line.startswith("runs.csv") for line in found)


# 10.5 cc/min for one pound an hour: common practice in the trade, exactly 0.72 kg/L.
@pytest.mark.outside(source="common practice")
def test_a_flow_in_pounds_an_hour_is_read_as_the_trade_does(edit):
    session = load_session(edit("session.toml", '"150 cc/min"', '"14.3 lb/h"'))
    assert session.injectors["i150"].flow.value * 60e6 == pytest.approx(14.3 * 10.5, abs=0.05)


def test_a_speedometer_is_calibrated_from_pairs_and_timed_distances(edit):
    pairs = (
        'checks = [["50 km/h", "47.5 km/h"], ["60 km/h", "57 km/h"], ["72 km/h", "190 m in 10 s"]]'
    )
    session = load_session(edit("session.toml", 'factor = "0.955 +/- 0.01"', pairs))
    assert session.speedometer.checks[2] == (pytest.approx(20.0), pytest.approx(19.0))
    factor = speedometer_factor(session, 15.0)
    assert factor.value == pytest.approx(0.95, abs=1e-6)
    assert factor.source == "checks"


def test_all_problems_are_told_at_once(edit):
    edit("session.toml", '"124 kg +/- 2 kg"', '"124"')
    edit("session.toml", "scale = 14.7", "scale = -3")
    folder = edit("runs.csv", "3,stock,tove", "3,stick,tovi")
    assert len(problems(folder)) == 4


def test_runs_without_a_number_are_not_called_the_same(demo_copy):
    text = _text(demo_copy).replace("\n3,stock", "\n,stock").replace("\n5,", "\n,")
    (demo_copy / "runs.csv").write_text(text, encoding="utf-8")
    assert problems(demo_copy) == [
        f"runs.csv, row {n}, run: is empty; its number, each once" for n in (4, 6)
    ]


def test_a_gauge_scale_that_does_not_fit_the_readings_is_noticed(edit):
    edit("session.toml", "scale = 14.7", "scale = 1")
    folder = edit("session.toml", "lowest = 10.0\nhighest = 20.0\n", "")
    assert re.search(r"is lambda 12\.\d\d on a scale of 1, outside 0\.5 to 2", problems(folder)[0])


def _text(folder):
    return (folder / "runs.csv").read_text(encoding="utf-8")


def test_a_semicolon_export_with_decimal_commas_reads_the_same(demo_folder, demo_copy):
    text = _text(demo_copy).replace(",", ";")
    text = re.sub(r"(\d)\.(\d)", r"\1,\2", text)
    (demo_copy / "runs.csv").write_bytes(text.replace("\n", "\r\n").encode("utf-8-sig"))
    a, b = load_session(demo_folder).runs, load_session(demo_copy).runs
    columns = [name for name in a.columns if name != "note"]
    assert a[columns].equals(b[columns])


def test_points_and_commas_mixed_in_one_file_are_refused(demo_copy):
    text = _text(demo_copy).replace(",", ";").replace("12.6", "12,6")
    (demo_copy / "runs.csv").write_text(text, encoding="utf-8")
    assert re.search(r"'12,6' has a comma; write '12\.6'", problems(demo_copy)[0])


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
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
            "run,setup,rider,note\n1,stock,tove,für\n".encode("latin-1"),
            r"runs.csv, row 2: byte 0xfc is not UTF-8; save it as UTF-8",
        ),
        (b"PK\x03\x04rest", "spreadsheet's own file, not text; export it as CSV"),
        (b"\x00\x01\x02", "is not a text file"),
    ],
)
def test_files_that_are_not_what_they_say(demo_copy, content, sentence):
    (demo_copy / "runs.csv").write_bytes(content)
    assert re.search(sentence, problems(demo_copy)[0])


def test_missing_files_and_folders(demo_copy):
    (demo_copy / "runs.csv").unlink()
    assert problems(demo_copy) == ["runs.csv: is missing in the folder 'outing'"]
    assert re.search("is not a folder", problems(demo_copy / "nowhere")[0])


def test_remarks_and_empty_lines_keep_the_row_numbers(demo_copy):
    text = "# typed at the roadside\n\n" + _text(demo_copy).replace("3,stock,tove", "3,stick,tove")
    (demo_copy / "runs.csv").write_text(text, encoding="utf-8")
    assert problems(demo_copy)[0].startswith("runs.csv, row 6, setup")


def test_us_units_read_to_the_same_session(demo_folder, edit):
    edit("session.toml", '"124 kg +/- 2 kg"', '"273.373 lb +/- 4.409 lb"')
    session = load_session(edit("session.toml", '"989 hPa"', '"29.205 inHg"'))
    assert session.bike.mass.value == pytest.approx(124.0, abs=1e-3)
    assert session.weather.pressure.value == pytest.approx(98900, rel=1e-4)


def test_the_fill_in_session_names_every_key_and_column(tmp_path):
    text = session_template()
    for record in (*schema.SINGLE.values(), *schema.NAMED.values()):
        for field in dataclasses.fields(record):
            assert field.name == "pieces" or re.search(rf"(?m)^(# )?{field.name} = ", text)
    paths = write_new_session(tmp_path / "mine")
    for name, column in COLUMNS.items():
        assert name in paths[1].read_text(encoding="utf-8"), column


def test_the_fill_in_session_is_accepted_once_filled_in(tmp_path):
    folder = tmp_path / "mine"
    toml, runs = write_new_session(folder)
    assert len(problems(folder)) > 10
    filled = re.sub(r'= ""  (# .*for example "([^"]*)")', r'= "\2"  \1', toml.read_text())
    # Every optional line as well.
    filled = re.sub(r"(?m)^# (\w+ = )", r"\1", filled)
    toml.write_text(filled, encoding="utf-8")
    with runs.open("a", encoding="utf-8") as stream:
        stream.write("1,before,me,46,60,12.7,12.9,,17,none,170,,\n")
        stream.write("2,after,me,46,65,13.0,13.2,full,18,,175,,felt strong\n")
    session = load_session(folder)
    assert list(session.runs["knock"]) == ["none", "none"]


def test_a_new_session_never_overwrites(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thoughts.txt").write_text("keep me")
    with pytest.raises(SessionError, match="not an empty folder; choose a new name"):
        write_new_session(tmp_path / "mine")
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["thoughts.txt"]
