"""The guide: every key and column there is, in the reader's units, as a page of its own."""

import dataclasses
import re

import pytest

from tuninglib.__main__ import main
from tuninglib.lab.start import SESSION_VARIABLE, chosen_units
from tuninglib.report import guide
from tuninglib.report.make import WorkbookError
from tuninglib.session import read_table, schema

SYSTEMS = ("metric", "us", "imperial")


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    path = tmp_path_factory.mktemp("guide") / "guide.html"
    assert main(["guide", str(path), "--units", "us"]) == 0
    return path.read_text("utf-8")


def rows_of(table):
    return {row[0]: row for row in table.rows}


def test_it_has_every_key_and_every_column(page):
    for name, record in {**schema.SINGLE, **schema.NAMED}.items():
        assert f"[{name}{'' if name in schema.SINGLE else '.a_name'}]: " in page
        rows = rows_of(guide.keys(name))
        assert set(rows) == {f.name for f in dataclasses.fields(record)} - {"pieces"}
        for key in rows:
            assert re.search(rf"<th scope=\"row\">{key}</th>", page), key
    assert "[[hill.pieces]]: " in page
    assert guide.pieces().header == ("key", "what it is", "for example", "left out")
    for columns in (
        read_table.COLUMNS, read_table.FILL_COLUMNS, read_table.CLIMB_COLUMNS,
        read_table.FALL_COLUMNS, read_table.BENCH_COLUMNS,
    ):  # fmt: skip
        for key in columns:
            assert re.search(rf"<th scope=\"row\">{key}(?:\s\[[^\]]+\])?</th>", page), key


# What a key or column is; by hand, for those that are typed wrongly if it is said wrongly.
MEANINGS = """
title: a name for this outing; left out: its date | date: the day, year first | primary: ratio of
the primary drive | gear: ratio of the gear that the hill was ridden in | front: teeth of the
front sprocket | rear: teeth of the rear sprocket | tyre: size of the rear tyre; or circumference
| slip: how much faster the driven wheel turns than it rolls | efficiency: of gearbox and chain |
tank: usable fuel in a full tank, for the range | lowest_ron: research octane number |
compression_ratio: swept plus clearance volume over clearance volume | grade: rise over horizontal
distance | resolution: the smallest step that it shows | lowest: richest lambda wanted | highest:
leanest lambda wanted | wanted: what goes first where pull, mixture and heat do not agree |
plug_gap: from the least to the most | oil_added: since the row before | octane: octane number as
the pump shows it, with its scale | petrol_density: of its petrol without the ethanol, at 15 degC
| engine: which engine | direction: out or back | head_temperature: right after the run |
distance: since the last fill | time: since the climb began | compression: cranking, throttle open
| intake_clearance: of the valve, cold | exhaust_clearance: of the valve, cold | width: of one
pulse | time: how long it was held open | volume: that was caught | currency: for prices and costs
| parts: what else is fitted | invented: is it made up, as an example or to try things out?
"""


def test_it_says_what_the_reader_has_to_type(page):
    told = {}
    for key, said in re.findall(
        r'<th scope="row">(\w+)[^<]*</th><td[^>]*>([^<]*)', page.replace("\xa0", " ")
    ):
        told.setdefault(key, []).append(said)
    for one in " ".join(MEANINGS.split()).split(" | "):
        key, _, said = one.partition(": ")
        assert any(said in own for own in told.get(key, [])), one


# What stands for a key or a column that is left out; by hand, as it is written in the sources of
# what is usual or decided.
LEFT_OUT = """
runs.csv: run needed, setup needed | fills.csv: setup needed, distance needed, volume needed |
climbs.csv: climb needed, setup needed, time needed, head_temperature needed |
upkeep.csv: date needed, distance needed | coastdown.csv: run needed, direction needed, from_speed
needed, to_speed needed, time needed | benchflow.csv: injector needed, volume needed |
session: date needed, units metric, invented no | bike: mass needed, density_compensation unknown,
oxygen_sensor unknown | hill: length needed, grade needed | weather: humidity 50 +/- 30 %, headwind
0 +/- 1.5 m/s | gauge: accuracy 0 +/- 2 % | speedometer: | target: lowest 0.83,
highest 0.9 | use: riding unknown, cooling unknown, wanted balanced | gearing: slip 2 +/- 1 %,
efficiency 92 +/- 4 % | upkeep: | assumptions: run_scatter 2.6 %, rider_effect 0 +/- 6 %,
flow_response 1 +/- 0.3, breathing_change 0 +/- 10 %, rider_drag 0 +/- 10 %, drift 0 +/- 4 %,
air_density 0 +/- 1 %, day_to_day 0 +/- 5 %, mixture_day_to_day 0 +/- 2 %, richest_lambda 0.75 |
engines: bore needed, stroke needed, cylinders 1, breathing 0.85 +/- 0.08 | riders: mass needed |
fuels: | injectors: flow needed, tolerance 7 %, dead_time 1 +/- 0.4 ms, owned unknown | setups:
engine needed, injector needed, fuel needed | logs: file needed, pulls_are_runs unknown
"""


def test_it_says_what_is_needed_and_what_is_taken_for_the_rest():
    tables = {name: guide.keys(name) for name in (*schema.SINGLE, *schema.NAMED)}
    for name in (read_table.RUNS, read_table.FILLS, read_table.CLIMBS, read_table.UPKEEP,
                 read_table.COASTDOWN, read_table.BENCHFLOW):  # fmt: skip
        tables[name] = guide.columns(name)
    wanted = dict(one.split(":") for one in " ".join(LEFT_OUT.split()).split(" | "))
    assert set(wanted) == set(tables)
    for name, table in tables.items():
        told = ", ".join(f"{row[0].split()[0]} {row[-1]}" for row in table.rows if row[-1])
        assert told == wanted[name].strip(), name
    heads = {row[0] for row in guide.columns("fills.csv", "us").rows}
    assert heads >= {"setup", "distance [miles]", "volume [gal]"}
    assert rows_of(guide.keys("hill", "us"))["length"][2:] == ('"1300 ft +/- 6 ft"', "needed")
    assert rows_of(guide.keys("weather", "us"))["headwind"][-1] == "0 +/- 3.4 mph"
    riding = rows_of(guide.keys("use"))["riding"]
    assert riding[1].endswith("(unknown, town, mixed, climbs, motorway)")
    assert riding[2] == "", "the choices are example enough"


def test_it_tells_the_rules_that_the_readme_leaves_out(page):
    assert "The guide to tuninglib " in page
    for said in ("fuel, full to full", "rolling out of gear, timed", "into a measuring glass"):
        assert said in page
    for heading in ("Logs of a phone", "Many outings", "At the roadside", "What it can tell"):
        assert re.search(f"<h2[^>]*>{heading}", page), heading
    for word in ("--scheduler", "season.html", "unpack", "95 RON", "decimal commas", "--pdf"):
        assert word in page
    assert not re.search(r"(?:src|href)=\"(?!#|data:)", page)


@pytest.mark.parametrize("units", SYSTEMS)
def test_examples_and_headers_are_the_readers(units):
    foreign = {
        "metric": r"\d (lb|ft|mph|degF|psi|inHg)\b|\[(mph|degF|miles|gal)\]",
        "us": r"\d (kg|m|km/h|m/s|degC|hPa|bar)\b|\[(km/h|degC|hPa|km|L)\]",
        "imperial": r"\d (kg(?!/)|m|km/h|m/s|degF|hPa|bar)\b|\[(km/h|degF|hPa|km|L)\]",
    }[units]
    tables = [guide.keys(name, units) for name in (*schema.SINGLE, *schema.NAMED)]
    tables += [guide.columns(file, units) for file in ("runs.csv", "climbs.csv", "fills.csv")]
    typed = [" ".join((row[0], *row[2:])) for table in tables for row in table.rows]
    assert not [text for text in typed if re.search(foreign, text)]


def test_an_earlier_guide_is_kept_and_the_same_one_is_not_written_twice(tmp_path, page):
    path = tmp_path / "not" / "there" / "guide.html"
    assert main(["guide", str(path), "--units", "us"]) == 0
    assert path.read_text("utf-8") == page
    assert main(["guide", str(path), "--units", "us"]) == 0
    assert [one.name for one in path.parent.iterdir()] == ["guide.html"]
    path.write_text("mine")
    guide.make_guide(path)
    assert (path.parent / "guide.earlier-1.html").read_text() == "mine"


def test_the_lab_shows_it_in_the_units_of_its_session(demo_copy, monkeypatch):
    monkeypatch.delenv(SESSION_VARIABLE, raising=False)
    assert (chosen_units(), chosen_units("us")) == ("metric", "us")
    path = demo_copy / "session.toml"
    path.write_text(path.read_text("utf-8").replace('"metric"', '"us"'), "utf-8")
    monkeypatch.setenv(SESSION_VARIABLE, str(demo_copy))
    assert (chosen_units(), chosen_units("metric")) == ("us", "metric")
    with pytest.raises(ValueError, match="'miles' are no units; write one of metric, us, imp"):
        chosen_units("miles")


def test_a_unit_that_is_none_stops_it(tmp_path):
    with pytest.raises(WorkbookError, match="are no units"):
        guide.make_guide(tmp_path / "guide.html", "furlongs")
    assert list(tmp_path.iterdir()) == []
