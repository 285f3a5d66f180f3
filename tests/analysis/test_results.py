"""Results of an outing: as they tell of themselves, and as results.json holds them."""

import json
from dataclasses import replace
from types import SimpleNamespace

import jsonschema
import pytest

from tests.tools.results_schema import as_text, results_schema
from tuninglib.analysis.analyse import SCHEMA, SCHEMA_FILE, analyse, results_document
from tuninglib.analysis.records import Prospect
from tuninglib.interval import Interval
from tuninglib.session.load import load_session


def test_results_tell_in_a_few_lines_what_was_found(results):
    gain = next(pull for pull in results.pulls if pull.setup == "big_172").gain.ratio.value
    text = repr(results)
    assert f"big_172 {100 * gain:+.1f} %" in text
    assert "wheel force over stock: " in text
    assert f"ride now: {results.plan.ride.setup}" in text
    assert f"{len(results.runs)} rows, {len(results.session.setups)} setups" in text


def test_without_its_scale_nobody_knows_what_a_gauge_shows_at_one(results):
    assert results.shown_at_lambda_one == pytest.approx(
        14.7 * (1 + results.gauge_check.offset.value)
    )
    session = results.session
    bare = replace(session, gauge=replace(session.gauge, scale=None))
    assert replace(results, session=bare).shown_at_lambda_one is None


# Records ------------------------------------------------------------------------------------------


def one(fuel="e5", *, setup="a", lean=0.9, gate=None, harm=0.0, injector="i1"):
    lambda_ = None if lean is None else Interval(lean, lean, lean)
    return SimpleNamespace(
        engine="big", injector=injector, fuel=fuel, setup=setup, lambda_=lambda_, gate=gate,
        harm=harm, key=("big", injector, fuel, setup),
    )  # fmt: skip


def prospect(*fuels):
    return Prospect(injector="i1", flow_m3_s=2.5e-6, tried=True, outside_tried_range=False,
                    fuels=fuels, price=None)  # fmt: skip


def test_its_harm_is_the_mean_over_its_fuels():
    assert prospect(one(harm=1.0), one("e10", harm=4.0), one("e85", harm=7.0)).harm == 4.0
    own = one("e10")
    assert prospect(one(), own).on("e10") is own
    assert prospect(one()).on("e10") is None


@pytest.mark.parametrize(
    ("knock", "heard"), [("", False), ("none", False), ("light", True), ("heard", True)]
)
def test_a_run_knocked_if_somebody_heard_it(results, knock, heard):
    run = results.runs[0]
    assert replace(run, knock=knock).knocked is heard
    assert replace(run, exclude="").counts
    assert not replace(run, exclude="a car").counts


# For programs -------------------------------------------------------------------------------------


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


@pytest.mark.slow
def test_the_demo_sessions_keep_to_it(demo_folder):
    assert check(demo_folder)["plan"]["ride"]["setup"] == "big_172"
    for name in ("there_and_back", "logged_evening", "one_summer/3_july", "one_summer/4_august"):
        check(demo_folder.parent / name)


@pytest.mark.slow
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


@pytest.mark.slow
def test_thin_sessions_keep_to_it(demo_copy):
    path = demo_copy / "runs.csv"
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    for kept in (("1",), ("1", "7"), ("4", "5"), ("22", "23")):
        lines = [row for row in rows if row.split(",")[0] in kept]
        path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
        document = check(demo_copy)
        assert len(document["runs"]) == len(kept)
