"""The fill-in session: every key and column, and nothing overwritten."""

import dataclasses
import re

import pytest

from tuninglib.session import schema
from tuninglib.session.columns import COLUMNS
from tuninglib.session.load import load_session
from tuninglib.session.new import session_template, write_new_session
from tuninglib.text_files import SessionError


def test_the_fill_in_session_names_every_key_and_column(tmp_path):
    text = session_template()
    for record in (*schema.SINGLE.values(), *schema.NAMED.values()):
        for field in dataclasses.fields(record):
            assert field.name == "pieces" or re.search(rf"(?m)^(# )?{field.name} = ", text)
    paths = write_new_session(tmp_path / "mine")
    for name, column in COLUMNS.items():
        assert name in paths[1].read_text(encoding="utf-8"), column


def test_the_fill_in_session_is_accepted_once_filled_in(tmp_path, problems):
    folder = tmp_path / "mine"
    toml, runs = write_new_session(folder)
    assert len(problems(folder)) > 10
    filled = re.sub(r'= ""  (# .*for example "([^"]*)")', r'= "\2"  \1', toml.read_text())
    # Every optional line as well.
    filled = re.sub(r"(?m)^# (\w+ = )", r"\1", filled)
    # But one of each pair of keys that say the same thing.
    filled = re.sub(
        r"(?m)^(ron|lowest_ron|clearance_volume|checks|displacement|rise) = .*\n", "", filled
    )
    toml.write_text(filled, encoding="utf-8")
    with runs.open("a", encoding="utf-8") as stream:
        stream.write("1,before,me,46,60,12.7,12.9,,17,none,170,,\n")
        stream.write("2,after,me,46,65,13.0,13.2,full,18,,175,,felt strong\n")
    session = load_session(folder)
    assert list(session.runs["knock"]) == ["none", ""]


def test_a_new_session_never_overwrites(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thoughts.txt").write_text("keep me")
    with pytest.raises(SessionError, match="not an empty folder; choose a new name"):
        write_new_session(tmp_path / "mine")
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["thoughts.txt"]
