"""The session that a new rider fills in: how little it asks for, and how riders type it."""

import dataclasses
import json
import re
import shutil

import pytest

from tests.conftest import EVENING
from tests.session.test_what_riders_type import outcome_in, outcome_of
from tuninglib.__main__ import main
from tuninglib.analysis.analyse import analyse
from tuninglib.session import machine, schema
from tuninglib.session.edit import (
    names_of,
    session_template,
    set_values,
    write_new_session,
    write_values,
)
from tuninglib.session.fields import example_in, read_value
from tuninglib.session.load import load_session
from tuninglib.session.read_table import COLUMNS
from tuninglib.text_files import SessionError

# What two riders type, in the order of the lines; their bikes and hills are invented.
SCRIPTS = {
    "us": ("2026-06-06", "250 lb", "170 lb", "1300 ft", "6 %", "30 mph +/- 1 mph", "14.7",
           "125 cc", "143 cc", "120 cc/min", "140 cc/min"),
    "metric": ("16.05.2026", "113 kg", "78 kg", "400 m", "5 to 6 %", "48 km/h +/- 2 km/h", "1",
               "125 cc", "143 cc", "120 cc", "140 cc"),
}  # fmt: skip
ROWS = {
    "us": ("1,stock,38,13.0 to 13.2,none,", "2,big,41,14.2 to 14.4,none,",
           "3,stock,38.5,13.1,none,", "4,big,41,14.3,none,felt strong"),
    "metric": ("1,stock,61,0.90,none,", "2,big,66,0.97 to 0.98,none,",
               "3,stock,62,0.90,none,", "4,big,66,0.97,none,"),
}  # fmt: skip
SYSTEMS = ("metric", "us", "imperial")


def typed_into(text: str, values) -> str:
    """The text with values put between its empty quotes, one after the other."""
    for value in values:
        text = text.replace('""', json.dumps(value), 1)
    return text


def filled_in(folder, units, values=None, rows=None):
    main(["new", str(folder), "--units", units])
    path = folder / "session.toml"
    path.write_text(typed_into(path.read_text("utf-8"), values or SCRIPTS[units]), "utf-8")
    with (folder / "runs.csv").open("a", encoding="utf-8") as stream:
        stream.write("\n".join(rows or ROWS[units]) + "\n")
    return folder


@pytest.mark.parametrize("units", SYSTEMS)
def test_what_is_asked_for_fits_one_screen(units):
    text = session_template(units)
    assert len(text.splitlines()) <= 25
    assert max(map(len, text.splitlines())) <= 100
    assert text.count('""') <= 11
    assert "`tuninglib guide`" in text


@pytest.mark.parametrize("units", SYSTEMS)
def test_every_example_in_it_can_be_typed_as_it_stands(tmp_path, units):
    lines = [line for line in session_template(units).splitlines() if '""' in line]
    values = [re.search(r'#.*?"([^"]+)"', line)[1] for line in lines]
    by_fuel = ["1,stock,61,13.1,none,"] if units == "metric" else ROWS["us"]
    session = load_session(filled_in(tmp_path / "mine", units, values, by_fuel))
    assert session.about.units == units
    foreign = r"\d (kg|m|km/h)\b" if units != "metric" else r"\d (lb|ft|mph)\b"
    assert not re.search(foreign, session_template(units))


@pytest.mark.parametrize("units", ["us", "metric"])
def test_two_riders_type_eleven_values_and_rows_and_have_a_report(tmp_path, units, capsys):
    assert len(SCRIPTS[units]) == 11
    folder = filled_in(tmp_path / "mine", units)
    assert main(["check", str(folder)]) == 0
    assert "Outing of 2026-0" in capsys.readouterr().out
    results = analyse(load_session(folder))
    assert results.reference == "stock"
    assert [pull.setup for pull in results.pulls if pull.gain] == ["big"]
    # What a rider types until then takes minutes: a key in two seconds, and a look at each value.
    keys = sum(map(len, (*SCRIPTS[units], *ROWS[units])))
    assert 2 * keys + 20 * (11 + len(ROWS[units])) < 15 * 60


@pytest.mark.parametrize(
    ("units", "header", "said"),
    [
        (
            "us",
            "km/h",
            "take 13.7 kW per litre at the wheel, outside the 14 to 55 of full throttle",
        ),
        ("metric", "mph", "write km/h in the header, or, if they are mph, convert them to km/h"),
        ("us", "mph", ""),
    ],
)
def test_a_header_in_the_other_unit_is_asked_about_once(tmp_path, units, header, said, capsys):
    folder = filled_in(tmp_path / "mine", units)
    path = folder / "runs.csv"
    path.write_text(re.sub(r"\[(mph|km/h)\]", f"[{header}]", path.read_text("utf-8")), "utf-8")
    if not said:
        assert load_session(folder).speed_units == {"exit_speed": "mph"}
        return
    with pytest.raises(SessionError, match=r"runs\.csv, row 1, exit_speed: in ") as caught:
        load_session(folder)
    (problem,) = caught.value.problems
    assert said in problem.message


def test_a_new_session_never_overwrites(tmp_path):
    folder = tmp_path / "this year" / "made before"
    folder.mkdir(parents=True)
    assert {path.name for path in write_new_session(folder)} == {"session.toml", "runs.csv"}
    (folder / "runs.csv").write_text("keep me")
    with pytest.raises(SessionError, match="not an empty folder; choose a new name"):
        write_new_session(folder)
    assert (folder / "runs.csv").read_text() == "keep me"
    assert all(path.is_file() for path in write_new_session(tmp_path / "next year" / "first"))


@pytest.mark.parametrize("units", SYSTEMS)
def test_every_example_of_a_key_is_read_and_says_the_same_in_all_units(units):
    """In at most three digits: one is round in its own units, and 1 mph is more than 1 km/h."""
    for record in (*schema.SINGLE.values(), *schema.NAMED.values()):
        for field in dataclasses.fields(record):
            meta = field.metadata
            if meta["kind"] in ("pieces", "reference", "references"):
                continue
            other = example_in(meta["example"], units)
            before, after = (read_value(meta, one, {}) for one in (meta["example"], other))
            if meta["kind"] == "quantity":
                near = 0.7 if other == "1 mph" else 0.07
                assert after.value == pytest.approx(before.value, rel=near, abs=1e-9)
                assert after.half_width == pytest.approx(before.half_width, rel=0.25)
                for number in re.findall(r"\d+\.?\d*", other):
                    digits = number.replace(".", "").lstrip("0")
                    assert len(digits if "." in number else digits.rstrip("0")) <= 3, other
            if meta["kind"] == "speed pairs":
                factors = [true / shown for shown, true in after]
                assert factors == pytest.approx([0.955, 0.955], abs=0.003)
    assert example_in("310 m", units) == ("310 m" if units == "metric" else "1000 ft")


def test_all_that_is_missing_is_named_in_one_go(tmp_path, capsys):
    folder = tmp_path / "mine"
    main(["new", str(folder), "--units", "us"])
    assert main(["check", str(folder)]) == 2
    said = capsys.readouterr().err
    assert said.count("is still empty") == 11
    rows = [int(row) for row in re.findall(r"session.toml, row (\d+)", said)]
    assert rows == sorted(set(rows))
    assert "'270 lb +/- 4 lb'" in said
    assert not re.search(r"\d (kg|m|km/h)\b", said)
    assert "runs.csv: has a header but no run" in said


@pytest.mark.parametrize(
    ("typed", "remedy"),
    [
        ("mass = 250 lb", 'mass = "250 lb"'),
        ('mass = "250 lb', 'mass = "250 lb"'),
        ("mass = “250 lb”", 'mass = "250 lb"'),
        ('mass: "250 lb"  # dry', 'mass = "250 lb"'),
    ],
)
def test_quotes_that_lack_hide_nothing_else(tmp_path, typed, remedy):
    folder = filled_in(tmp_path / "mine", "us", SCRIPTS["us"][:-1])
    path = folder / "session.toml"
    path.write_text(path.read_text("utf-8").replace('mass = "250 lb"', typed), "utf-8")
    with pytest.raises(SessionError) as error:
        load_session(folder)
    quotes, empty = map(str, error.value.problems)
    assert quotes.startswith("session.toml, row 7: is not valid TOML, since text goes in quotes")
    assert quotes.endswith(f"; write {remedy}")
    assert empty.startswith("session.toml, row 21, flow: is still empty")


def test_lines_that_nobody_can_read_are_said_all_at_once(tmp_path):
    folder = filled_in(tmp_path / "mine", "us")
    path = folder / "session.toml"
    text = path.read_text("utf-8").replace("[bike]", "[bike").replace("[fuels.usual]", "fuel usual")
    path.write_text(f"{text}stock = 1\n", "utf-8")
    with pytest.raises(SessionError) as error:
        load_session(folder)
    said = [str(one) for one in error.value.problems]
    assert [re.search(r"row \d+", one)[0] for one in said] == ["row 6", "row 22", "row 26"]
    assert "this key is there twice; keep one" in said[-1]


def test_who_rode_need_not_be_said_where_there_is_one(tmp_path):
    folder = filled_in(tmp_path / "mine", "us")
    assert set(load_session(folder).runs["rider"]) == {"me"}
    path = folder / "session.toml"
    two = path.read_text("utf-8").replace("[hill]", 'mate.mass = "140 lb"\n[hill]')
    path.write_text(two, "utf-8")
    with pytest.raises(SessionError, match=r"row 1, rider: the column rider is missing"):
        load_session(folder)
    runs = folder / "runs.csv"
    rows = (
        runs.read_text("utf-8").replace("note\n", "note,rider\n").replace(",none,\n", ",none,,me\n")
    )
    runs.write_text(rows, "utf-8")
    with pytest.raises(SessionError, match=r"row 7, rider: is empty; a rider of"):
        load_session(folder)


def test_values_are_written_into_it_as_into_any_other(tmp_path):
    folder = tmp_path / "mine"
    toml, _ = write_new_session(folder, "us")
    toml.write_text(typed_into(toml.read_text("utf-8"), SCRIPTS["us"]), "utf-8")
    new = {
        "engines.stock": {"displacement": "126 cc", "compression_ratio": 9.3},
        "setups.big": {"parts": "open exhaust"},
        "riders.mate": {"mass": "140 lb"},
        "bike": {"oxygen_sensor": "no"},
    }
    write_values(folder, new)
    text = (folder / "session.toml").read_text("utf-8")
    assert len(text.splitlines()) == 25 + 5
    assert '# "125 cc"' in text
    assert names_of(folder) == (("stock", "big"), ("me", "mate"))
    text = set_values(text, "setups.big", {"parts": None})
    text = set_values(text, "engines.stock", {"compression_ratio": None})
    assert "parts" not in text
    assert "\n# stock.compression_ratio = 9.3\n" in text


# Forty ways in which riders type what the first session asks for, and the rows. What one of them
# becomes; None where it is refused, which is a guess more.
WAYS = [
    (schema.About, "date", "2026-06-05"), (schema.About, "date", "2026/6/5"),
    (schema.About, "date", "5.6.2026"), (schema.About, "date", "6/25/2026"),
    (schema.About, "date", "June 5, 2026"), (schema.About, "date", "5 Jun 2026"),
    (schema.About, "date", "6/5/2026"),
    (machine.Bike, "mass", "270 lb"), (machine.Bike, "mass", "270lbs"),
    (machine.Bike, "mass", "270 pounds"), (machine.Bike, "mass", "124kg"),
    (machine.Bike, "mass", "265-275 lb"), (machine.Bike, "mass", "about 270 lb"),
    (schema.MeasuredHill, "length", "1300ft"), (schema.MeasuredHill, "length", "0.25 mile"),
    (schema.MeasuredHill, "length", "433 yards"), (schema.MeasuredHill, "length", "400 metres"),
    (schema.MeasuredHill, "grade", "6%"), (schema.MeasuredHill, "grade", "6 percent"),
    (schema.MeasuredHill, "grade", "0.06"), (schema.MeasuredHill, "grade", "5-6 %"),
    (schema.MeasuredHill, "entry_speed", "30 mph +/- 1"),
    (schema.MeasuredHill, "entry_speed", "29 to 31 mph"),
    (schema.MeasuredHill, "entry_speed", "30 mph"),
    (schema.Gauge, "scale", "14.7"), (schema.Gauge, "scale", "14.7:1"),
    (schema.Gauge, "scale", "14.7 AFR"), (schema.Gauge, "scale", "lambda"),
    (machine.Engine, "displacement", "125cc"), (machine.Engine, "displacement", "125 cm3"),
    (machine.Engine, "displacement", "0.125 L"),
    (machine.Injector, "flow", "120cc"), (machine.Injector, "flow", "120 ml/min"),
    (machine.Injector, "flow", "11.4 lb/hr"),
    (COLUMNS, "gauge", "12.6-12.8"), (COLUMNS, "gauge", "12.6 to 12.8"), (COLUMNS, "gauge", "12.7"),
    (COLUMNS, "knock", "no"), (COLUMNS, "knock", "None"), (COLUMNS, "exit_speed", "38.5"),
]  # fmt: skip


def test_of_forty_ways_of_typing_three_are_a_wrong_guess():
    assert len(WAYS) == 40
    wrong = {}
    for place, key, typed in WAYS:
        outcome = outcome_in if place is COLUMNS else outcome_of
        said = outcome(place, key, typed)[1]
        if said:
            wrong[typed] = said
    assert len(wrong) <= 3
    # Those that are left say what to write, and that is taken.
    assert "write '2026-05-06' or '2026-06-05'" in wrong["6/5/2026"]
    assert "write '270 lb', or '270 +/- 10 lb'" in wrong["about 270 lb"]
    assert "write 30 mph +/- how far it may be off" in wrong["30 mph"]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("31.2.2026", "is not a date"),
        ("5-6-2026", "write '2026-05-06' or '2026-06-05'"),
        ("5 June", "is not a date"),
        ("Smarch 5, 2026", "is not a date"),
        ("5 June 5 2026", "is not a date"),
        ("5 Marching 2026", "is not a date"),
        ("5 septober 2026", "is not a date"),
    ],
)
def test_a_date_that_could_be_none_or_two_is_refused(typed, said):
    assert said in outcome_of(schema.About, "date", typed)[1]


def test_what_stands_with_a_number_means_what_it_says():
    assert outcome_of(schema.Gauge, "scale", "AFR 14.7") == (14.7, "")
    assert "not a number" in outcome_of(schema.Gauge, "scale", "AFR")[1]
    said = outcome_of(schema.MeasuredHill, "grade", "6")[1]
    assert said == "'6' is outside 0 to 0.4; write '6 %' for per cent"


def test_a_track_proposes_the_hill_for_the_rider_to_confirm(tmp_path, capsys):
    folder, track = tmp_path / "mine", tmp_path / "a\nride.gpx"
    track.write_bytes((EVENING / "phone.gpx").read_bytes())
    assert main(["new", str(folder), "--units", "us", "--track", str(track)]) == 0
    path = folder / "session.toml"
    text = path.read_text("utf-8")
    assert "# The stretch that was ridden up 8 times, found in 'a\\nride.gpx'. Check" in text
    length = re.search(r'\n# length = "(\d+) ft \+/- (\d+) ft"', text)
    assert 1000 < int(length[1]) < 1350
    assert 10 < int(length[2]) < 40
    # Nothing of it counts until the rider says so.
    hill = text.partition("[hill]")[2].partition("[gauge]")[0]
    assert [line[0] for line in hill.splitlines()[1:]] == ["#"] * 6 + ["e"]
    assert main(["check", str(folder)]) == 2
    assert "length is missing in [hill]" in capsys.readouterr().err
    confirmed = re.sub(r"(?m)^# (start|marker|length|grade) =", r"\1 =", text)
    values = [value for at, value in enumerate(SCRIPTS["us"]) if at not in (3, 4)]
    path.write_text(typed_into(confirmed, values), "utf-8")
    with (folder / "runs.csv").open("a", encoding="utf-8") as stream:
        stream.write("\n".join(ROWS["us"]) + "\n")
    hill = load_session(folder).hill
    assert hill.start == pytest.approx((47.25, -38.65), abs=3e-4)
    assert hill.grade.value == pytest.approx(0.061, abs=0.004)


def test_a_track_that_shows_no_hill_is_refused_and_writes_nothing(tmp_path, capsys):
    track = tmp_path / "flat.gpx"
    points = "".join(
        f'<trkpt lat="47.0" lon="{-39 + 2e-4 * second:.5f}"><ele>600</ele>'
        f"<time>2026-09-11T17:{second // 60:02d}:{second % 60:02d}Z</time></trkpt>"
        for second in range(120)
    )
    track.write_text(f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>")
    for name in (track.name, "nothing.gpx"):
        wrong = ["new", str(tmp_path / "mine"), "--track", str(tmp_path / name)]
        assert main(wrong) == 2
    said = capsys.readouterr().err
    assert "flat.gpx: shows no stretch that was ridden up three times" in said
    assert "nothing.gpx" in said
    assert not (tmp_path / "mine").exists()


def test_lines_typed_the_wrong_way_round_are_named_as_that(tmp_path):
    folder = shutil.copytree(EVENING, tmp_path / "evening")
    path = folder / "session.toml"
    text = path.read_text("utf-8")
    swapped = re.sub(r"(?m)^start(?= = \")", "X", text)
    swapped = re.sub(r"(?m)^marker(?= = \")", "start", swapped)
    path.write_text(re.sub(r"(?m)^X(?= = )", "marker", swapped), "utf-8")
    with pytest.raises(
        SessionError, match=r"start and marker look swapped: .* downhill at 6\.\d %; swap"
    ):
        load_session(folder)


@pytest.mark.parametrize(
    ("added", "said"),
    [
        ("[gauge]\naltitude", "altitude: unknown key 'altitude'; it belongs below [hill]"),
        ("[gauge]\nprice", "'price'; it belongs below [fuels.a_name] or [injectors.a_name]"),
        ("[gauge]\nscalee", "unknown key 'scalee'; did you mean 'scale'?"),
        ("[engines.stock]\nbreathing", "this table is already above; write its keys there"),
    ],
)
def test_a_key_from_the_guide_in_the_wrong_place_is_sent_home(tmp_path, added, said):
    folder = filled_in(tmp_path / "mine", "us")
    path = folder / "session.toml"
    text = path.read_text("utf-8")
    more = f'{added} = "1"\n'
    text = text.replace("[gauge]\n", more) if "gauge" in added else text + more
    path.write_text(text, "utf-8")
    with pytest.raises(SessionError, match=re.escape(said)):
        load_session(folder)
