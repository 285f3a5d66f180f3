"""Answers of a dozen invented outings, to notice what a change of the program changes.

They are the program's own and prove nothing of their being right: other tests do that, against
known truths and published figures. `python -m tests.answers` writes them anew; look at the
difference before it is committed, and say in the commit why it is there. The limits of every key
and column are kept the same way.
"""

import csv
import dataclasses
import math
import tempfile
import zlib
from pathlib import Path

import numpy as np

from tests.conftest import DEMO, ROOT
from tests.outing import Outing
from tuninglib.analysis.coast_down import fit_of, half_widths, values_for_session
from tuninglib.analysis.combinations import stop_limits
from tuninglib.analysis.day_plan import (
    SwapTimes,
    interim,
    plan_day,
    richness_of,
    start_of,
    usual_repeats,
)
from tuninglib.analysis.injector import Change, guess_of, ladder_of, outlook
from tuninglib.analysis.what_if import Question, answers, flat_top_speeds
from tuninglib.session import schema
from tuninglib.session.read_table import (
    BENCH_COLUMNS,
    CLIMB_COLUMNS,
    COLUMNS,
    FALL_COLUMNS,
    FILL_COLUMNS,
)
from tuninglib.session.tables import FALLS_HEADER, parse_falls

FILE = ROOT / "tests" / "data" / "answers.csv"
CONTRACT = ROOT / "tests" / "data" / "contract.csv"
BACK = DEMO.parent / "there_and_back"

OUTINGS = {
    "demo": (DEMO, lambda outing: outing),
    "there and back": (BACK, lambda outing: outing),
    "one run each": (DEMO, lambda outing: outing.once()),
    "no gauge": (DEMO, lambda outing: outing.without_columns("gauge")),
    "no speeds": (DEMO, lambda outing: outing.without_columns("speed")),
    "knock and climbs": (
        DEMO,
        lambda outing: outing.knock("big_172", "light").key("use", riding="climbs").hotter(25),
    ),
    "a hand-made hill and no weather": (
        DEMO,
        lambda outing: (
            outing.key("hill", pieces=None).key("weather", pressure=None, humidity=None)
            .without_columns("temperature").key("weather", temperature="24 +/- 3 degC")
        ),
    ),
    "a coast-down and checks": (
        DEMO,
        lambda outing: (
            outing.key("bike", drag_area="0.52 m2 +/- 0.04 m2")
            .key("bike", rolling_coefficient="0.016 +/- 0.003")
            .key("speedometer", factor=None,
                 checks=[["60 km/h", "57 km/h"], ["50 km/h", "47.8 km/h"], ["40 km/h", "38 km/h"]])
        ),
    ),
    "set in blocks": (
        DEMO,
        lambda outing: in_blocks(outing).key("assumptions", drift="0 +/- 6 %"),
    ),
    "one misread": (DEMO, lambda outing: misread(outing)),
    "a wet fuel and a far injector": (
        DEMO,
        lambda outing: (
            outing.key("fuels.e10", ethanol="30 +/- 3 %").key("injectors.i205", flow="300 cc/min")
            .key("use", fuels=["e5", "e10"]).key("assumptions", flow_response="0.8 +/- 0.2")
        ),
    ),
    "odd readings": (DEMO, lambda outing: odd_readings(outing)),
    "one reading each, the gauge at its end": (
        DEMO,
        lambda outing: (
            one_reading_each(outing).key("gauge", lowest=11.6, highest=15.0)
            .key("bike", density_compensation="no").gauge("big_172_e10", 13.8, 14.0)
        ),
    ),
    "a misread way down": (BACK, lambda outing: misread_way_down(outing)),
    "two setups on the way back": (BACK, lambda outing: without_some_ways_down(outing)),
    "a speedometer that reads high on the way back": (
        BACK,
        lambda outing: outing.key("speedometer", factor="0.95 +/- 0.01"),
    ),
    "an entry said once for some": (
        DEMO,
        lambda outing: entry_once_for_some(outing.key("hill", entry_speed="48 km/h +/- 2 km/h")),
    ),
    "a gauge that is off": (DEMO, lambda outing: all_readings_leaner(outing)),
}  # fmt: skip


def in_blocks(outing):
    """All runs of a setup one after the other."""
    outing.rows.sort(key=lambda row: row["setup"])
    for number, row in enumerate(outing.rows, start=1):
        row["run"] = f"{number}"
    return outing


def misread(outing):
    """One run with a marker speed far too high and a reading far too lean."""
    row = outing.full("big_164")[1]
    row["exit_speed [km/h]"] = f"{float(row['exit_speed [km/h]']) + 4:g}"
    row["gauge_low"], row["gauge_high"] = "13.6", "13.8"
    return outing


def odd_readings(outing):
    """Two that disagree, a wide one, a flow stated at another pressure, no end to the gauge."""
    for setup, readings in (
        ("big_164", [("12.6", "12.8"), ("14.3", "14.5")]),
        ("stock", [("12.2", "13.4"), ("12.4", "13.2")]),
        ("big_150", [("14.6", "14.8")]),
    ):
        for number, row in enumerate(outing.full(setup)):
            low, high = readings[number] if number < len(readings) else ("", "")
            row["gauge_low"], row["gauge_high"] = low, high
    outing.key("injectors.i164", flow_pressure="2.5 bar")
    return outing.key("gauge", highest=None, lowest=None)


def one_reading_each(outing):
    """The first reading of each setup, and no more."""
    for setup in outing.toml["setups"]:
        for row in outing.full(setup)[1:]:
            row["gauge_low"] = row["gauge_high"] = ""
    return outing


def misread_way_down(outing):
    """One speed at the end of a way down far too high."""
    row = outing.full()[4]
    name = next(name for name in row if name.startswith("down_exit"))
    row[name] = f"{float(row[name]) + 5:g}"
    return outing


def without_some_ways_down(outing):
    """Every third way down was not read."""
    for row in outing.full()[::3]:
        for name in row:
            if name.startswith("down_"):
                row[name] = ""
    return outing


def entry_once_for_some(outing):
    """Every other run without an entry speed of its own."""
    for row in outing.full()[::2]:
        row["entry_speed [km/h]"] = ""
    return outing


def all_readings_leaner(outing):
    """One unit more on the gauge at idle and cruise, more with one setup than the others."""
    for number, row in enumerate(row for row in outing.rows if row.get("state") != "full"):
        by = 1.0 + 0.2 * (number % 3)
        for end in ("gauge_low", "gauge_high"):
            row[end] = f"{float(row[end]) + by:.1f}"
    return outing


def found_in(results) -> dict:
    """Everything that is worked out from one session."""
    road = results.road
    found = {
        field.name: getattr(results, field.name)
        for field in dataclasses.fields(results)
        if field.name not in ("session", "judged", "provenance")
    }
    last = results.runs[-1].run
    for at in (last, results.runs[len(results.runs) // 2].run):
        found[f"interim_{'last' if at == last else 'middle'}"] = interim(results, at, planned=5)
    found["stop"] = stop_limits(results.session)
    found["richness"] = richness_of(results.session, results)
    ladder = ladder_of(results)
    if ladder is not None:
        band = {"lowest": 0.83, "highest": 0.9}
        asked = {"ethanol": 0.08, "flow_m3_s": 2.9e-6, "tolerance": 0.06, **band}
        found["outlook"] = outlook(results, ladder, **asked)
    runs = {name: run for name, run in (road.equivalent if road else {}).items() if run}
    found["asked"] = {name: answers(run, QUESTIONS) for name, run in runs.items()}
    found["top"] = {name: flat_top_speeds(run) for name, run in runs.items()}
    return found


QUESTIONS = (
    Question(),
    Question(rider_mass_kg=60.0),
    Question(rider_mass_kg=96.0, entry_m_s=12.0),
    Question(air_density_kg_m3=1.05, output_factor=1.06),
    Question(headwind_m_s=1.5),
    Question(lengths_m=(150.0, 250.0), grade_ratios=(0.05, 0.08)),
)

CHANGE = Change(
    flow_m3_s=2.5e-6, flow_tolerance=0.06, lambda_read=0.93, lambda_wanted=0.86,
    gauge_accuracy=0.02, old_displacement_m3=1.25e-4, new_displacement_m3=1.5e-4,
    breathing_ratio=1.03, breathing_half_width=0.08, old_pressure_pa=3e5, new_pressure_pa=3.5e5,
    old_ethanol=0.05, new_ethanol=0.2, breathing=0.85, engine_speed_rpm=9000.0,
)  # fmt: skip

FALLS = FALLS_HEADER + "".join(
    f"{run},{way},{start},{start - 10},{time}\n"
    for run, way, times in ((1, "out", (4.1, 5.0, 6.3, 7.9)), (2, "back", (4.6, 5.9, 7.5, 10.2)),
                            (3, "out", (4.2, 5.1, 6.1, 8.0)), (4, "back", (4.7, 5.7, 7.7, 10.0)))
    for start, time in zip((65, 55, 45, 35), times, strict=True)
)  # fmt: skip


def found_without_runs() -> dict:
    """What is worked out before a session: a guess, a plan of the day, a coast-down."""
    start = start_of(DEMO)
    days = {
        f"day_{gain:g}_{scatter:g}": plan_day(
            gain=gain, scatter=scatter, setups=("stock", "big_164", "big_172"),
            riders=("tove", "ilmar"), minutes_a_run=6.0,
            swap=SwapTimes(fuel=10.0, injector=25.0, engine=90.0),
            parts=start.parts, in_blocks=scatter > 0.04,
            richness=start.richness,
        )
        for gain, scatter in ((0.1, 0.03), (0.2, 0.05))
    }  # fmt: skip
    road, rolled = fit_of(
        parse_falls(FALLS), bike_kg=120.0, rider_kg=80.0, temperature_k=291.0,
        pressure_pa=9.9e4, speed_factor=0.96,
    )  # fmt: skip
    fall = {"road": road, "rolled": rolled, "half": half_widths(road),
            "text": values_for_session(road)}  # fmt: skip
    return {"guess": guess_of(CHANGE), "repeats": usual_repeats(start), "falls": fall, **days}


def condensed(found) -> dict:
    """One number for each key: values weighted by their place, texts by a checksum of theirs."""
    lists: dict[str, list] = {}
    _collect(found, "", lists)
    return {key: _number(values) for key, values in sorted(lists.items())}


def _collect(value, path, lists) -> None:
    if dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            _collect(getattr(value, field.name), f"{path}.{field.name}", lists)
    elif isinstance(value, dict):
        for key in sorted(value, key=str):
            lists.setdefault(f"{path}.keys", []).append(str(key))
            _collect(value[key], f"{path}.{key}" if not path else f"{path}.*", lists)
    elif isinstance(value, np.ndarray):
        lists.setdefault(path, []).extend(value.ravel().tolist())
    elif isinstance(value, (list, tuple, set, frozenset)):
        for one in sorted(value, key=str) if isinstance(value, (set, frozenset)) else value:
            _collect(one, path, lists)
    elif value is None or isinstance(value, (str, bool, int, float, np.number, np.bool_)):
        lists.setdefault(path, []).append(value)


def _number(values) -> float:
    total = 0.0
    for place, value in enumerate(values, start=1):
        if isinstance(value, str) or value is None:
            number = zlib.crc32(str(value).encode()) / 2**32
        else:
            number = float(value)
        total += (1 + 0.37 * place) * (number if math.isfinite(number) else 7.0)
    return total


def all_answers() -> dict:
    """Outing to key to number."""
    made = {"before a session": condensed(found_without_runs())}
    for name in OUTINGS:
        made[name] = answers_of(name)
    return made


def answers_of(name: str) -> dict:
    """Key to number of one outing."""
    source, change = OUTINGS[name]
    with tempfile.TemporaryDirectory() as folder:
        outing = change(Outing(source, Path(folder) / "outing"))
        return condensed(found_in(outing.results()))


def kept() -> dict:
    """The answers that were written last, by outing and key."""
    found: dict[str, dict] = {}
    with FILE.open(encoding="utf-8", newline="") as stream:
        for outing, key, number in csv.reader(stream):
            found.setdefault(outing, {})[key] = float(number)
    return found


def contract() -> list:
    """Every key and column with its limits, one row each."""
    rows = []
    for table, record in {**schema.SINGLE, "hill.pieces": schema.Piece, **schema.NAMED}.items():
        for field in dataclasses.fields(record):
            needed = field.default is dataclasses.MISSING
            default = "needed" if needed else f"default {field.default}"
            told = {key: v for key, v in sorted(field.metadata.items()) if key not in _WORDS}
            rows.append((table, field.name, default, *(f"{k} {v}" for k, v in told.items())))
    for file, columns in (
        ("runs.csv", COLUMNS),
        ("coastdown.csv", FALL_COLUMNS),
        ("benchflow.csv", BENCH_COLUMNS),
        ("fills.csv", FILL_COLUMNS),
        ("climbs.csv", CLIMB_COLUMNS),
    ):
        for name, column in columns.items():
            told = dataclasses.asdict(column) | {"usual_unit": column.usual_unit}
            rows.append((file, name, *(f"{k} {v}" for k, v in told.items() if k not in _WORDS)))
    return [tuple(row) for row in rows]


_WORDS = ("help", "example", "record")


def main():
    with CONTRACT.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(contract())
    with FILE.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        for outing, numbers in all_answers().items():
            writer.writerows((outing, key, f"{number:.8g}") for key, number in numbers.items())


if __name__ == "__main__":
    main()
