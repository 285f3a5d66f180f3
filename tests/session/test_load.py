"""A session's folder as a whole: in SI, or refused with every problem at once."""

import re

import pytest

from tuninglib.session.load import load_session


def test_the_demo_reads_in_si(demo_folder):
    session = load_session(demo_folder)
    first = session.runs.iloc[0]
    assert first.shown_entry_m_s == pytest.approx(48 / 3.6)
    assert first.air_temperature_k == pytest.approx(287.15)
    assert session.bike.mass.value == 124.0
    assert session.bike.mass.half_width == 2.0
    assert session.candidates == ("i178", "i205")
    assert session.engines["big"].displacement_m3 == pytest.approx(204.3e-6, rel=1e-3)


def test_all_problems_are_told_at_once(edit, problems):
    edit("session.toml", '"124 kg +/- 2 kg"', '"124"')
    edit("session.toml", "scale = 14.7", "scale = -3")
    folder = edit("runs.csv", "3,stock,tove", "3,stick,tovi")
    assert len(problems(folder)) == 4


def test_missing_files_and_folders(demo_copy, problems):
    (demo_copy / "runs.csv").unlink()
    assert problems(demo_copy) == ["runs.csv: is missing in the folder 'outing'"]
    assert re.search("is not a folder", problems(demo_copy / "nowhere")[0])
