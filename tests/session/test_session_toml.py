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


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ('mass = "124', 'masss = "124',
         r"row \d+, masss: unknown key 'masss'; did you mean 'mass'"),
        ('"124 kg +/- 2 kg"', '"124"', r"mass: '124' has no unit; write for example '124 kg"),
        ('"124 kg +/- 2 kg"', "124", r"mass: 124 has no unit"),
        ('"124 kg +/- 2 kg"', '"124 kg +/- 2 km"', r"'km' is the wrong kind"),
        ('"124 kg +/- 2 kg"', '"1240 kg"', r"'1240 kg' is outside 40 to 500 kg; check"),
        ('"124 kg +/- 2 kg"', '""', r"mass: is still empty \(ready to ride"),
        ('"400 m +/- 2 m"', '"400,5 m"', r"write a point: '400\.5 m'"),
        ("date = 2026-05-16", 'date = "16 May"', r"date: '16 May' is not a date; write year-month"),
        ('reference = "stock"', 'reference = "stok"',
         r"'stok' is not one of the setups; did you mean 'stock'"),
        ('engine = "big"', 'engine = "bigg"', r"\bengine: 'bigg' is not one of the engines"),
        ('units = "metric"', 'units = "kmh"', r"units: 'kmh' is not one of 'metric', 'us'"),
        ("[gauge]", "[gauges]", r"unknown table \[gauges\]; did you mean 'gauge'"),
        ('bore = "60.0 mm"', "", r"\[engines\.stock\] needs bore and stroke, or displ"),
        ("scale = 14.7", "scale = true", r"scale: True must be a number"),
        ('grade = "5.2', 'slope = "5.2', r"piece 1: unknown key 'slope'"),
        ('factor = "0.955 +/- 0.01"', 'checks = [["50 km/h", "48 km/h"]]',
         r"row \d+, checks: .* is not at least two pairs of speeds; write pairs"),
        ('factor = "0.955 +/- 0.01"', 'checks = [["50 km/h", "48 km/h"], ["50", "300 m in 22 s"]]',
         r"checks: '50' has no unit; write for example '62 km/h'"),
        ('title = "Bigger', "title = Bigger",
         r"row 5: is not valid TOML, .*text goes in quotes; write title = "),
    ],
)  # fmt: skip
def test_one_sentence_for_each_mistake_in_the_session(edit, old, new, sentence, problems):
    found = problems(edit("session.toml", old, new))
    assert any(re.search(sentence, line) for line in found), found
    assert all(line.startswith("session.toml") for line in found)


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


@pytest.mark.parametrize(("letters", "fits"), [(100, True), (101, False)])
def test_a_name_has_a_hundred_letters_at_most(demo_copy, edit, letters, fits):
    name = "s" * letters
    edit("session.toml", "[setups.big_185]", f"[setups.{name}]")
    runs = demo_copy / "runs.csv"
    runs.write_text(runs.read_text("utf-8").replace(",big_185,", f",{name},"), "utf-8")
    if fits:
        assert name in load_session(demo_copy).setups
        return
    with pytest.raises(SessionError, match="has 101 letters; at most 100 are allowed"):
        load_session(demo_copy)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ('" stock"', "begins or ends with a space"),
        ('"st\\tock"', "has a line break or the like"),
        ('""', "is not a name; write at least one letter"),
        ('"  "', "is not a name; write at least one letter"),
        ('"st\\u0007ock"', "has a line break or the like"),
        ('"#1"', "begins with #, as comments"),
    ],
)
def test_a_name_that_no_cell_can_hold_is_refused(edit, name, said):
    folder = edit("session.toml", "[setups.big_185]", f"[setups.{name}]")
    with pytest.raises(SessionError, match=said):
        load_session(folder)


@pytest.mark.parametrize("typed", ["setups = 3", "setups = [1, 2]", "[setups]\nstock = 3"])
def test_named_tables_that_are_none_are_refused(demo_copy, typed):
    path = demo_copy / "session.toml"
    text = re.sub(r"(?ms)^\[setups\..*", "", path.read_text("utf-8"))
    path.write_text(f"{typed}\n{text}", "utf-8")
    with pytest.raises(
        SessionError, match=r"each of setups needs its own table: write .setups.a_n"
    ):
        load_session(demo_copy)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("bike = 3", "bike must be a table: write [bike] above its keys"),
        ("", "the table [bike] is missing"),
        ("", "no [engines.a_name] is given; at least one is needed"),
        ("[engines]", "no [engines.a_name] is given; at least one is needed"),
    ],
)
def test_a_table_that_is_none_or_missing_is_said(tmp_path, typed, said):
    (tmp_path / "session.toml").write_text(f'{typed}\n[session]\ntitle = "x"\n', "utf-8")
    found = []
    read_toml(tmp_path / "session.toml", found)
    assert said in [one.message for one in found]


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
        (machine.Bike, "highest_ethanol", "10 +/- 1 %", "taken as exact; leave it out"),
        (machine.Engine, "bore", "62 +/- 0.1 mm", "taken as exact; leave it out"),
        (machine.Engine, "cylinders", 1.5, "must be a whole number"),
        (machine.Injector, "tolerance", "7 +/- 1 %", "taken as exact; leave it out"),
        (schema.MeasuredHill, "grade", "6 +/- 900 %", "uncertain by more than 20 %"),
        (schema.Gauge, "accuracy", "2 %", r"could be read two ways; write '0 \+/- 2 %'"),
        (schema.Gauge, "accuracy", "0 +/- 30 %", "uncertain by more than 20 %"),
        (schema.Assumptions, "flow_response", "1.0", "could be read two ways"),
        (schema.Assumptions, "rider_effect", "3 %", "could be read two ways|outside"),
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


@pytest.mark.parametrize("digits", [400, 4400])
def test_a_number_of_endless_digits_is_refused(edit, digits):
    folder = edit("session.toml", "scale = 14.7", "scale = 1" + "0" * digits)
    with pytest.raises(SessionError, match=r"too many digits|thousands of digits"):
        load_session(folder)


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


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('octane = "98 RON"', 'octane = "98 RON"\nron = 97', r"fuels.e5. has ron and octane, w"),
        ('lowest_octane = "91 RON"', 'lowest_octane = "91 RON"\nlowest_ron = 91',
         r"bike. has lowest_ron and lowest_octane, which say the same thing; keep"),
        ("[speedometer]",
         '[speedometer]\nchecks = [["60 km/h", "57 km/h"], ["50 km/h", "47 km/h"]]',
         r"speedometer. has factor and checks, which say the same"),
        ('altitude = "210 m"', 'altitude = "1500 m"', "1500 m above the sea, where 846 hPa is"),
        (
            "compression_ratio", 'clearance_volume = "18 cc"\ncompression_ratio',
            r"has compression_ratio and clearance_volume, which say",
        ),
    ],
)  # fmt: skip
def test_what_contradicts_is_not_passed_over(edit, old, new, said):
    with pytest.raises(SessionError, match=said):
        load_session(edit("session.toml", old, new))


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


def test_small_letters_make_no_other_currency(edit, problems):
    edit("session.toml", 'currency = "EUR"', 'currency = "eur"')
    folder = edit("session.toml", "price = 1.95", 'price = "1.95 EUR/L"')
    assert load_session(folder).about.currency == "eur"
    edit("session.toml", "1.95 EUR/L", "4.89 usd/gal")
    (said,) = problems(folder)
    assert "is in USD, but the currency" in said


@pytest.mark.parametrize(
    ("more", "table", "refused"),
    [(60, "setups", True), (50, "setups", False), (99, "fuels", False)],
)
def test_more_setups_than_a_session_holds_are_refused_in_one_sentence(
    demo_copy, more, table, refused
):
    path = demo_copy / "session.toml"
    entry = '[setups.s{0}]\nengine = "stock"\ninjector = "i150"\nfuel = "e5"\n'
    entry = entry if table == "setups" else "[fuels.f{0}]\nethanol = '5 %'\n"
    text = path.read_text(encoding="utf-8") + "\n" + "".join(map(entry.format, range(more)))
    path.write_text(text, encoding="utf-8")
    found = []
    read_toml(path, found)
    assert [one for one in found if "one outing can have at most 60" in one.message] == (
        found if refused else []
    )
    assert len(found) == refused, found
