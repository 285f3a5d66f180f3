"""Whatever a rider may write as text in session.toml is read by somebody: page or results.json."""

import ast
import dataclasses
import html
import re
from pathlib import Path

import pytest

from tests.outing import Outing
from tuninglib.report.make import make_report
from tuninglib.session import read_table, schema

LOGGED = Path(__file__).resolve().parents[2] / "demo_data" / "logged_evening"
# The entry of a named table that gets the text.
ENTRIES = {
    "fuels": "e5", "injectors": "i165", "setups": "large_nozzle", "logs": "notes",
}  # fmt: skip
# Texts that are not free. They stand nowhere else in this session.
FIXED = {
    ("gearing", "tyre"): "90/90-18",
    ("logs", "file"): "head.csv",
    ("logs", "time_format"): "%d.%m.%Y %H-%M-%S",
}
NOTED = "<script>alert(1)</script> **x** <img src=http://e.example/y>"
GEARS = {"primary": 3.4, "gear": 1.0, "front": 14, "rear": 45}


def text_keys() -> list:
    """Table and key of each text of the contract."""
    tables = {**schema.SINGLE, "hill.pieces": schema.Piece, **schema.NAMED}
    return [
        (table, field.name)
        for table, record in tables.items()
        for field in dataclasses.fields(record)
        if field.metadata["kind"] == "text"
    ]


def typed(table: str, key: str) -> str:
    return FIXED.get((table, key), f"<u>{table} & **{key}**</u>")


@pytest.fixture(scope="module")
def read(tmp_path_factory):
    """Page and results.json of an outing in which every text key is written."""
    folder = tmp_path_factory.mktemp("keys")
    outing = Outing(LOGGED, folder / "outing").key("gearing", **GEARS)
    for table, key in text_keys():
        path = f"{table}.{ENTRIES[table]}" if table in ENTRIES else table
        outing.key(path, **{key: typed(table, key)})
    rows = [f"11.09.2026 10-00-{second:02};{80 + second};20" for second in range(30)]
    table = "\n".join(("time;head_temperature [degC];air_temperature [degC]", *rows, ""))
    (outing.folder / "head.csv").write_text(table, encoding="utf-8")
    outing.rows[0]["note"] = NOTED
    written = make_report(outing.save(), folder / "out")
    return (
        re.sub(r"<script.*?</script>", "", written.page.read_text(encoding="utf-8"), flags=re.S),
        written.results.read_text(encoding="utf-8"),
    )


@pytest.mark.parametrize(("table", "key"), text_keys())
def test_a_text_is_read_by_somebody(read, table, key):
    page, results = read
    text = typed(table, key)
    assert html.escape(text) in page.replace("\u00a0", " ") or text in results


def test_no_text_becomes_markup(read):
    page, _ = read
    assert "<u>" not in page
    assert "<script>alert" not in page
    assert html.escape(NOTED) in page.replace("\u00a0", " ")
    assert f"<title>DEMO, INVENTED: {html.escape(typed('session', 'title'))}" in page


def test_no_key_or_column_is_accepted_and_then_ignored():
    """By its name, which the code asks a record for, or a table of runs."""
    asked, owners = set(), (Path(schema.__file__), Path(read_table.__file__))
    for path in Path(schema.__file__).parents[1].rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Attribute):
                asked.add(node.attr)
            elif isinstance(node, ast.Constant) and path not in owners:
                asked.add(node.value)
    tables = {**schema.SINGLE, "hill.pieces": schema.Piece, **schema.NAMED}
    keys = {field.name for record in tables.values() for field in dataclasses.fields(record)}
    columns = {column.si_name or name for name, column in read_table.COLUMNS.items()}
    assert len(keys) > 80
    assert len(columns) > 15
    assert not (keys | columns) - asked
