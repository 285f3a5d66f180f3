"""results.json holds what its schema says, key by key, and the schema explains every key."""

import json

import jsonschema
import pytest

from tests.tools.results_schema import as_text, meanings, results_schema, type_schema
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.results import SCHEMA, SCHEMA_FILE, results_document
from tuninglib.interval import Interval
from tuninglib.session.load import load_session

CONTRACT = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))


def check(folder):
    document = json.loads(json.dumps(results_document(analyse(load_session(folder)))))
    jsonschema.Draft202012Validator(CONTRACT).validate(document)
    return document


def test_the_schema_is_one_of_the_open_standard():
    jsonschema.Draft202012Validator.check_schema(CONTRACT)
    assert CONTRACT["properties"]["schema"]["const"] == SCHEMA


def test_the_schema_is_that_of_the_records():
    """Written by ``python -m tests.tools.results_schema``."""
    assert SCHEMA_FILE.read_text(encoding="utf-8") == as_text(results_schema())


def test_types_and_meanings_are_read_from_a_record():
    records = {}
    assert type_schema(float | None, records) == {"type": ["number", "null"]}
    assert type_schema(dict[str, tuple[int, ...]], records) == {
        "type": "object",
        "additionalProperties": {"type": "array", "items": {"type": "integer"}},
    }
    assert type_schema(Interval | None, records)["anyOf"][0] == {"$ref": "#/$defs/Interval"}
    assert records == {"Interval": Interval}
    assert meanings(Interval)["low"] == "Lower end of the 95 % interval."
    for bare in (tuple, dict, object):
        with pytest.raises(TypeError, match="says too little"):
            type_schema(bare, records)


def test_every_key_is_explained():
    records = [CONTRACT, *CONTRACT["$defs"].values()]
    silent = [
        (record.get("title") or record["description"], key)
        for record in records
        for key, about in record["properties"].items()
        if not about["description"].strip()
    ]
    assert silent == []
    # Nothing may be there that is not explained, and what is explained is there.
    for record in records:
        assert record["additionalProperties"] is False
        assert set(record["required"]) == set(record["properties"])


def test_the_demo_sessions_keep_to_it(demo_folder):
    assert check(demo_folder)["plan"]["ride"]["setup"] == "big_172"
    for name in ("there_and_back", "logged_evening", "one_summer/3_july", "one_summer/4_august"):
        check(demo_folder.parent / name)


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("runs.csv", "68,11.6,11.8,22,none", "68,11.6,11.8,22,heavy"),
        ("runs.csv", "13,big_172,tove,49,72,12.8,13.1", "13,big_172,tove,49,72,14.9,15.6"),
        ("session.toml", 'highest_ethanol = "10 %"', 'highest_ethanol = "5 %"'),
        ("session.toml", 'octane = "95 RON"', 'octane = "87 AKI"'),
        ("session.toml", 'factor = "0.955 +/- 0.01"', ""),
        ("session.toml", 'highest_speed = "8500 rpm"', ""),
        ("session.toml", "scale = 14.7", ""),
        ("session.toml", "lowest_octane", 'highest_head_temperature = "150 degC"\nlowest_octane'),
        ("session.toml", 'riding = "mixed"', 'riding = "climbs"'),
    ],
)  # fmt: skip
def test_other_sessions_keep_to_it(edit, name, old, new):
    check(edit(name, old, new))


def test_thin_sessions_keep_to_it(demo_copy):
    path = demo_copy / "runs.csv"
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    for kept in (("1",), ("1", "7"), ("4", "5"), ("22", "23")):
        lines = [row for row in rows if row.split(",")[0] in kept]
        path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
        document = check(demo_copy)
        assert len(document["runs"]) == len(kept)
