"""A session's folder as a whole: in SI, or refused with every problem at once."""

import re
from dataclasses import replace

import pytest

from tuninglib.__main__ import main
from tuninglib.session.load import load_session
from tuninglib.session.read_toml import misnamed


def test_the_demo_reads_in_si(demo_folder):
    session = load_session(demo_folder)
    first = session.runs.iloc[0]
    assert first.shown_entry_m_s == pytest.approx(48 / 3.6)
    assert first.air_temperature_k == pytest.approx(287.15)
    assert session.bike.mass.value == 124.0
    assert session.bike.mass.half_width == 2.0
    assert {"i178", "i205"} <= session.injectors.keys()
    assert session.engines["big"].displacement_m3 == pytest.approx(204.3e-6, rel=1e-3)


def test_a_session_tells_of_itself_and_no_page_of_it(demo_folder):
    session = load_session(demo_folder)
    text = repr(session)
    assert text.startswith("Session 'DEMO, INVENTED: Bigger cylinder on the quarry lane', 2026-05")
    assert f"{len(session.runs)} rows, 6 setups against 'stock'; logs: none\n" in text
    assert len(repr(replace(session, about=replace(session.about, title="x" * 5000)))) < 300


def test_all_problems_are_told_at_once(edit, problems):
    edit("session.toml", '"124 kg +/- 2 kg"', '"124"')
    edit("session.toml", "scale = 14.7", "scale = -3")
    folder = edit("runs.csv", "3,stock,tove", "3,stick,tovi")
    assert len(problems(folder)) == 4


def test_missing_files_and_folders(demo_copy, problems):
    (demo_copy / "runs.csv").unlink()
    assert problems(demo_copy) == ["runs.csv: is missing from the folder 'outing'"]
    assert re.search("is not a folder", problems(demo_copy / "nowhere")[0])


@pytest.mark.parametrize(
    ("name", "own"),
    [
        ("Fills.csv", "fills.csv"),
        ("CLIMBS.CSV", "climbs.csv"),
        ("climbs (1).csv", "climbs.csv"),
        ("bench_flow.xlsx", "benchflow.csv"),
        ("coast-down.csv", "coastdown.csv"),
        ("fills.csv.txt", "fills.csv"),
        ("fills.csv.bak", ""),
        ("fills.earlier-1.csv", ""),
        ("bills.csv", ""),
        ("notes.txt", ""),
    ],
)
def test_names_that_nearly_fit_a_table(demo_copy, name, own):
    (demo_copy / name).write_text("climb,setup\n", encoding="utf-8")
    assert misnamed(demo_copy, []) == ({name: own} if own else {})
    # A log may be called anything.
    assert misnamed(demo_copy, [name]) == {}


def test_a_runs_csv_under_another_name_is_found(demo_copy, problems, capsys):
    (demo_copy / "runs.csv").rename(demo_copy / "Run.CSV")
    assert main(["check", str(demo_copy)]) == 2
    assert "[logs." not in capsys.readouterr().out
    assert problems(demo_copy) == [
        "runs.csv: is missing from the folder 'outing'",
        "Run.CSV: is not read, since that table is called runs.csv; rename it, or move it away",
    ]
