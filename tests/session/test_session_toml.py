"""session.toml: every key with every kind of wrong value is read right, or refused."""

import dataclasses
import math
import re

import pytest

from tuninglib.interval import Measured
from tuninglib.session import machine, schema
from tuninglib.session.fields import PieceError, read_value
from tuninglib.session.load import load_session
from tuninglib.session.read_toml import read_toml, tables_as_typed, what_stands
from tuninglib.text_files import SessionError


# 10.5 cc/min for one pound an hour: common practice in the trade, exactly 0.72 kg/L.
def test_a_flow_in_pounds_an_hour_is_read_as_the_trade_does(edit):
    session = load_session(edit("session.toml", '"150 cc/min"', '"14.3 lb/h"'))
    assert session.injectors["i150"].flow.value * 60e6 == pytest.approx(14.3 * 10.5, abs=0.05)


def test_the_row_of_a_problem_is_not_looked_for_in_a_note(edit, problems):
    edit("session.toml", 'note = "Top', 'note = """\n[bike]\nmass = 3\n"""\n# note = "Top')
    folder = edit("session.toml", '"124 kg +/- 2 kg"', '"124"')
    (found,) = problems(folder)
    lines = (folder / "session.toml").read_text(encoding="utf-8").split("\n")
    row = int(re.search(r"row (\d+), mass", found)[1])
    assert lines[row - 1] == 'mass = "124"'


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("bike = 3", "bike must be a table: write [bike] above its keys"),
        ("", "the table [bike] is missing"),
        ("", "no [engines.a_name] is given; at least one is needed"),
        ("[engines]", "no [engines.a_name] is given; at least one is needed"),
        ("setups = [1, 2]", "each of setups needs its own table: write [setups.a_name] above its"),
        ("[setups]\nstock = 3", "each of setups needs its own table: write [setups.a_name] above"),
    ],
)
def test_a_table_that_is_none_or_missing_is_said(tmp_path, typed, said):
    (tmp_path / "session.toml").write_text(f'{typed}\n[session]\ntitle = "x"\n', "utf-8")
    found = []
    read_toml(tmp_path / "session.toml", found)
    assert any(one.message.startswith(said) for one in found)


def test_what_stands_is_there_though_the_session_is_not_complete(demo_copy, edit):
    found = what_stands(edit("session.toml", "scale = 14.7", "scale = 147"))
    assert found.gauge is None
    assert found.about.reference == "stock"
    assert found.bike.mass.value == 124
    assert set(found.setups) == set(tables_as_typed(demo_copy)["setups"])
    (demo_copy / "session.toml").write_text("[session\n", "utf-8")
    assert tables_as_typed(demo_copy)["setups"] == {}
    assert what_stands(demo_copy).about is None


# Every key with every kind of value ---------------------------------------------------------------


LONG = 100_000
WRONG = [
    True, 3, -1, 0, 1e300, 1e-322, math.nan, math.inf, [1, 2], ["a"], {"a": 1}, "", "   ", "kg",
    "5", "-5", "0", "1e300 kg", "nan kg", "inf", "5 kg", "5 m", "5 km/h", "5 degC", "5 %", "5 % %",
    "5 deg", "118 kg lb", "118 kg 3 lb", "118 kg +/- 5000 kg", "5 +/- 900 %", "0 +/- 1e300",
    "5 kg**99999999", "5 m^1e9", "5 ((((((((m))))))))", "5" + " " * LONG + "kg", "1" * LONG,
    "." * LONG, "+/-" * LONG, "5 kg\n", "5 kg\x07", "☃", "５ kg", "5,5 kg", "1.234,5 kg",
    "5 kg +/-", "± 5 kg", "5 kg ± ± 2", "5 rad/s", "2800 rpm", "95 RON", "95", "x" * 6000, "1.0",
    "2 %", "1e-300 kg", "1e-322", "-0", "5 +/- -2 %", "5 % +/- 2 kg", "2026-13-45",
]  # fmt: skip
RECORDS = [*schema.SINGLE.values(), *schema.NAMED.values()]
KEYS = [(record, field) for record in RECORDS for field in dataclasses.fields(record)]
NAMES = {name: {"a"} for name in schema.NAMED}


@pytest.mark.parametrize(
    ("record", "field"), KEYS, ids=[f"{record.__name__}.{field.name}" for record, field in KEYS]
)
def test_a_value_is_read_or_refused_in_one_sentence(record, field):
    for typed in WRONG:
        read, said = outcome(field.metadata, typed)
        assert all(0 < len(one) < 600 and "\n" not in one for one in said)
        value = read.value if isinstance(read, Measured) else read
        if isinstance(value, float):
            assert math.isfinite(value)
            assert field.metadata["low"] <= value <= field.metadata["high"]


def outcome(metadata, typed):
    """What is read, and the sentences if it is refused; any other fault is one of the program."""
    try:
        return read_value(metadata, typed, NAMES), []
    except PieceError as error:
        return None, error.args[0]
    except ValueError as error:
        return None, [str(error)]


@pytest.mark.parametrize(
    ("record", "key", "typed", "said"),
    [
        (machine.Bike, "mass", "124 kg +/- 5000 kg", "uncertain by more than 230 kg"),
        (machine.Bike, "mass", "124 kg +/- 124 kg", "as uncertain as it is large"),
        (machine.Bike, "drag_area", "0.5 m2 +/- 9 m2", "uncertain by more than 0.7 m"),
        (machine.Engine, "cylinders", 1.5, "must be a whole number"),
        (schema.MeasuredHill, "grade", "6 +/- 900 %", "uncertain by more than 20 %"),
        (schema.Gauge, "accuracy", "2 %", r"could be read two ways; write '0 \+/- 2 %'"),
        (schema.Gauge, "accuracy", "0 +/- 30 %", "uncertain by more than 20 %"),
        (schema.Assumptions, "flow_response", "1.0", "could be read two ways"),
        (schema.Assumptions, "rider_effect", "3 %", "could be read two ways|outside"),
        # tan 4° is 0.0699; half a degree more or less moves it by 0.0088.
        (schema.MeasuredHill, "grade", "4 +/- 0.5 deg", r"is '7.0 \+/- 0.9 %': write that"),
        # On a steep one 2 degrees are 4.0 points, and not the 3.5 of flat ground.
        (schema.MeasuredHill, "grade", "20 +/- 2 deg", r"is '36.4 \+/- 4.0 %': write that"),
        (schema.MeasuredHill, "grade", "4°", "'4°' is an angle; as a grade it is '7.0 %'"),
        (schema.Piece, "grade", "-3 deg", "as a grade it is '-5.2 %'"),
        (schema.MeasuredHill, "grade", "89 deg", "is the wrong kind of unit here"),
        # Per cent is proposed where it would be allowed, up to 40 %.
        (schema.MeasuredHill, "grade", "40", "write '40 %' for per cent"),
        (schema.MeasuredHill, "grade", "45", "check the number and the unit"),
        (schema.Weather, "humidity", "55 deg", "is the wrong kind of unit here"),
        (schema.Weather, "headwind", "0 +/- 90 m/s", "uncertain by more than 10 m/s"),
        (schema.MeasuredHill, "altitude", "0.0000000000001 m", "is outside -450 to 6000 m"),
        (schema.MeasuredHill, "grade", "600", "is outside 0 to 0.4; check the number"),
        (schema.MeasuredHill, "grade", "300 %", "is outside 0 to 40 %; check the number"),
        (machine.Fuel, "price", "about 1.79 EUR/L", "is not an exact price; write for example"),
        (schema.MeasuredHill, "start", "-90.5, 8", "is beyond 90 degrees of latitude"),
        (schema.MeasuredHill, "start", "47, 180.5", "is beyond 90 degrees of latitude or 180 of"),
        (schema.MeasuredHill, "start", "47.1", "is not a place; write latitude and longitude"),
        (schema.Use, "fuels", [], "must be a list of names, for example"),
        (schema.Use, "fuels", "e5", "must be a list of names, for example"),
        (schema.Log, "columns", {"speeed": "v"}, "has 'speeed'; did you mean 'speed'?"),
        (schema.Log, "columns", {"speed": 3}, "speed is 3, but must be text in quotes"),
        (schema.Log, "columns", {"speed": " "}, "speed is ' ', but must be text in quotes"),
        (schema.Log, "runs", [], "must be a list of numbers, for example"),
        (schema.Log, "runs", 3, "must be a list of numbers, for example"),
    ],
)  # fmt: skip
def test_a_value_that_cannot_be_is_refused(record, key, typed, said):
    field = {f.name: f for f in dataclasses.fields(record)}[key]
    with pytest.raises(ValueError, match=said):
        read_value(field.metadata, typed, NAMES)


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        (["60 km/h", "300 m in 0 s"], "is not above zero"),
        (["60 km/h", "-300 m in -18.9 s"], "is not above zero"),
        (["60 km/h", "57 km/h +/- 2"], r"has a \+/-, which is not used here"),
        (["60 km/h", "300 m +/- 5 m in 18.9 s"], r"has a \+/-, which is not used here"),
        (["60 km/h +/- 1 km/h", "57 km/h"], r"has a \+/-, which is not used here"),
        (["60 km/h", "300 m in 18.9 s in the rain"], "unknown unit 's in the rain'"),
        (["60 km/h", "57 km/h or so"], "unknown unit 'km/h or so'"),
    ],
)
def test_a_speedometer_check_is_read_to_its_end(pair, said):
    field = {f.name: f for f in dataclasses.fields(schema.Speedometer)}["checks"]
    with pytest.raises(ValueError, match=said):
        read_value(field.metadata, [pair, ["50 km/h", "48 km/h"]], NAMES)


def test_a_refusal_is_a_sentence_and_not_a_page(demo_copy):
    long = "k" * LONG
    path = demo_copy / "session.toml"
    text = path.read_text("utf-8")
    for more in (f"\n{long} = 1\n", f"\n[{long}]\nx = 1\n", f"\n[setups.{long}]\nx = 1\n"):
        path.write_text(text + more, "utf-8")
        with pytest.raises(SessionError) as refused:
            load_session(demo_copy)
        assert all(len(str(one)) < 900 for one in refused.value.problems)


def test_a_text_has_room_for_five_thousand_letters():
    field = {f.name: f for f in dataclasses.fields(schema.About)}["note"]
    assert read_value(field.metadata, "x" * 5000, NAMES) == "x" * 5000
    with pytest.raises(ValueError, match="has 5001 letters; at most 5000 are allowed"):
        read_value(field.metadata, "x" * 5001, NAMES)
    assert read_value(field.metadata, "two\n\tlines", NAMES) == "two\n\tlines"
    for strange in "\x1b\x07\u202e\x00":
        with pytest.raises(ValueError, match="which no page can show; take it out"):
            read_value(field.metadata, f"a{strange}b", NAMES)


def test_each_piece_of_a_hill_is_judged_by_its_number():
    field = {f.name: f for f in dataclasses.fields(schema.MeasuredHill)}["pieces"]
    good = {"length": "150 m", "grade": "5 %"}
    with pytest.raises(PieceError) as refused:
        read_value(
            field.metadata, [good, {"length": "1 km", "slope": "5 %"}, {"length": "9 m"}], NAMES
        )
    assert [one.split(":")[0] for one in refused.value.args[0]] == ["piece 2", "piece 2", "piece 3"]
    assert "piece 2: grade is missing" in refused.value.args[0]
    assert "piece 3: grade is missing" in refused.value.args[0]
    (read,) = read_value(field.metadata, [good], NAMES)
    assert (read.length.value, read.grade.value) == (150.0, 0.05)


@pytest.mark.parametrize(
    ("record", "key", "typed", "said"),
    [
        (machine.Bike, "mass", "1240 lb", "is outside 88.18 to 1102 lb; check"),
        (machine.Bike, "mass", "1240 kg", "is outside 40 to 500 kg; check"),
        (machine.Bike, "highest_head_temperature", "1400 degF", "is outside 170.3 to 710.3 degF"),
        (schema.Weather, "headwind", "0 +/- 30 mph", "by more than 22.37 mph, the most that"),
        (schema.Weather, "humidity", "140 %", "is outside 1.1 to 100 %; check"),
        (schema.Weather, "humidity", "1.4", "is outside 0.011 to 1; check"),
    ],
)
def test_limits_are_said_in_the_unit_that_was_typed(record, key, typed, said):
    """By hand: 40 kg are 88.18 lb, 350 K are 170.3 degF, 10 m/s are 22.37 mph."""
    meta = record.__dataclass_fields__[key].metadata
    with pytest.raises(ValueError, match=re.escape(said)):
        read_value(meta, typed, {})


@pytest.mark.parametrize(("more", "said"), [(60, 1), (50, 0)])
def test_more_setups_than_a_session_holds_are_refused_in_one_sentence(demo_copy, more, said):
    path = demo_copy / "session.toml"
    entry = '[setups.s{0}]\nengine = "stock"\ninjector = "i150"\nfuel = "e5"\n'
    text = path.read_text("utf-8") + "\n" + "".join(map(entry.format, range(more)))
    path.write_text(text, "utf-8")
    found = []
    read_toml(path, found)
    assert ["one outing can have at most 60" in one.message for one in found] == [True] * said
