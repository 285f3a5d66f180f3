"""What a rider reads first of invented outings, to notice what a change of the program changes.

Gains, mixtures, speeds, fuel and plans, not what stands between them. They are the program's own
and prove nothing of their being right: other tests do that, against known truths and published
figures. `python -m tests.tools.answers` writes them anew; look at the difference before it is
committed, and say in the commit why it is there. The limits of every key and column are kept the
same way.
"""

import csv
import dataclasses
import tempfile
from pathlib import Path

from tests.conftest import DEMO, ROOT
from tests.outing import Outing
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.coast_down import fit_of, values_for_session
from tuninglib.analysis.combinations import stop_limits
from tuninglib.analysis.day_plan import Aim, SwapTimes, interim, plan_day, start_of, usual_repeats
from tuninglib.analysis.injector import Change, guess_of
from tuninglib.analysis.season import Outing as SeasonOuting
from tuninglib.analysis.season import season_of
from tuninglib.analysis.what_if import Question, answers
from tuninglib.session import schema
from tuninglib.session.load import load_session
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
SUMMER = DEMO.parent / "one_summer"

# The session, the setup that is watched, and what is changed.
OUTINGS = {
    "demo": (DEMO, "big_172", lambda outing: outing),
    "there and back": (BACK, "free_filter", lambda outing: outing),
    "one run each": (DEMO, "big_172", lambda outing: outing.once()),
    "no gauge": (DEMO, "big_172", lambda outing: outing.without_columns("gauge")),
    "no speeds": (DEMO, "big_172", lambda outing: outing.without_columns("speed")),
    "knock and climbs": (
        DEMO, "big_172",
        lambda outing: outing.knock("big_172", "light").key("use", riding="climbs").hotter(25),
    ),
    "a hand-made hill and no weather": (
        DEMO, "big_172",
        lambda outing: (
            outing.key("hill", pieces=None).key("weather", pressure=None, humidity=None)
            .without_columns("temperature").key("weather", temperature="24 +/- 3 degC")
        ),
    ),
    "a coast-down and checks": (
        DEMO, "big_172",
        lambda outing: (
            outing.key("bike", drag_area="0.52 m2 +/- 0.04 m2")
            .key("bike", rolling_coefficient="0.016 +/- 0.003")
            .key("speedometer", factor=None,
                 checks=[["60 km/h", "57 km/h"], ["50 km/h", "47.8 km/h"], ["40 km/h", "38 km/h"]])
        ),
    ),
    "set in blocks": (
        DEMO, "big_185",
        lambda outing: in_blocks(outing).key("assumptions", drift="0 +/- 6 %"),
    ),
    "one misread": (DEMO, "big_164", lambda outing: misread(outing)),
    "a wet fuel and a far injector": (
        DEMO, "big_172_e10",
        lambda outing: (
            outing.key("fuels.e10", ethanol="30 +/- 3 %").key("injectors.i205", flow="300 cc/min")
            .key("use", fuels=["e5", "e10"]).key("assumptions", flow_response="0.8 +/- 0.2")
        ),
    ),
    "odd readings": (DEMO, "big_164", lambda outing: odd_readings(outing)),
    "one reading each, the gauge at its end": (
        DEMO, "big_172_e10",
        lambda outing: (
            one_reading_each(outing).key("gauge", lowest=11.6, highest=15.0)
            .key("bike", density_compensation="no").gauge("big_172_e10", 13.8, 14.0)
        ),
    ),
    "a misread way down": (BACK, "free_filter", lambda outing: misread_way_down(outing)),
    "two setups on the way back": (
        BACK, "free_filter", lambda outing: without_some_ways_down(outing),
    ),
    "a speedometer that reads high on the way back": (
        BACK, "free_filter",
        lambda outing: outing.key("speedometer", factor="0.95 +/- 0.01"),
    ),
    "an entry said once for some": (
        DEMO, "big_172",
        lambda outing: entry_once_for_some(outing.key("hill", entry_speed="48 km/h +/- 2 km/h")),
    ),
    "a gauge that is off": (DEMO, "big_172", lambda outing: all_readings_leaner(outing)),
}  # fmt: skip
WHOLE = ("demo", "there and back")
NAMES = ("before a session", *OUTINGS, "a summer")


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


def found_in(results, watched, everything) -> dict:
    """What a rider reads of an outing first; most of it of the one setup that is watched."""
    plan, pulls = results.plan, {pull.setup: pull for pull in results.pulls}
    shut = [f"{one.engine} {one.injector} {one.fuel}: {one.gate.code}" for one in plan.shut]
    found = {
        "plan": f"{plan.strength}; ride {plan.ride and plan.ride.setup}; {plan.next.code} "
        f"{plan.next.why} {plan.next.injector}",
        "shut": "; ".join(shut),
        "doubts": "; ".join(f"{one.code} {one.setup}" for one in results.doubts),
        "verdicts": "; ".join(f"{name} {pull.verdict}" for name, pull in pulls.items()),
        "gauge": results.gauge_check.code,
    }
    for name, pull in pulls.items():
        if pull.gain and (everything or name == watched):
            found |= _ends(f"gain of {name}", pull.gain.ratio)
    for one in results.mixtures:
        if everything or one.setup == watched:
            found |= _ends(f"lambda of {one.setup}", one.lambda_)
    wanted, offset = results.plan.flow_wanted, results.gauge_check.offset
    found["offset of the gauge"] = offset and offset.value
    found["flow wanted [m3/s]"] = wanted and wanted.flow_m3_s
    run = results.road and results.road.equivalent[watched]
    if run:
        (light,) = answers(run, [Question(rider_mass_kg=60.0)])
        found["marker speed with 60 kg [m/s]"] = light.at_power.value
    if everything:
        found |= _found_once(results)
    return {key: value for key, value in found.items() if value is not None}


def _found_once(results) -> dict:
    """What is read of a whole outing only: force, speeds, heat, fuel, gearing, money, the way."""
    found = {}
    for pull in results.pulls:
        found[f"force of {pull.setup} [N]"] = pull.force_n.value
    for one in results.what_if[::4]:
        found[f"marker speed with {one.rider_mass_kg:g} kg [m/s]"] = one.answer.at_power.value
    found |= _ends("flat top speed [m/s]", results.flat_top_speeds.at_power)
    for one in results.climbs:
        found |= _ends(f"climb {one.climb:g}, final [K]", one.final_k)
    for one in results.fuel_use:
        found |= _ends(f"fuel of {one.setup} [m3/m]", one.per_m)
        found |= _ends(f"fuel of {one.setup} over the reference", one.over)
    if results.gearing:
        found |= _ends("engine speed at the marker [rpm]", results.gearing.exit_rpm)
        found |= _ends("torque [N m]", results.gearing.torque_n_m)
    found |= _ends("price of a gain", results.outlay.per_gain)
    for one in (one for one in results.ladder.prospects if not one.tried):
        for fuel in one.fuels:
            found |= _ends(f"lambda with {one.injector} on {fuel.fuel}", fuel.lambda_)
    said = interim(results, results.runs[len(results.runs) // 2].run, planned=5)
    found["half-way"] = f"{said.code}; " + ", ".join(f"{name} {n}" for name, n in said.to_ride)
    found["lean end of the gauge"] = stop_limits(results.session).reading
    return found


def _ends(key, interval) -> dict:
    if interval is None:
        return {}
    return {
        f"{key}, {end}": float(getattr(interval, end))
        for end in ("value", "low", "high")
        if getattr(interval, end) is not None
    }


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
    guess, start = guess_of(CHANGE), start_of(DEMO)
    found = _ends("first guess [m3/s]", guess.flow_m3_s)
    found["open time [s]"] = guess.open_time_s
    for gain, scatter in ((0.1, 0.03), (0.2, 0.05)):
        day = plan_day(
            Aim(gain=gain, scatter=scatter), setups=("stock", "big_164", "big_172"),
            riders=("tove", "ilmar"), minutes_a_run=6.0,
            swap=SwapTimes(fuel=10.0, injector=25.0, engine=90.0), parts=start.parts,
            in_blocks=scatter > 0.04, richness=start.richness,
        )  # fmt: skip
        found |= {
            f"day for {gain:g}: order": " ".join(day.order.setups),
            f"day for {gain:g}: minutes": day.minutes,
            f"day for {gain:g}: visible": day.visible,
        }
    road, _ = fit_of(
        parse_falls(FALLS), bike_kg=120.0, rider_kg=80.0, temperature_k=291.0, pressure_pa=9.9e4,
        speed_factor=0.96,
    )  # fmt: skip
    found |= {f"coast-down: {key}": text for key, text in values_for_session(road).items()}
    found["coast-down: drag area [m2]"] = road.drag_area_m2
    return found | {"usual repeats": usual_repeats(start)}


def found_in_season() -> dict:
    """Four outings of one summer taken together."""
    outings = []
    for folder in sorted(path for path in SUMMER.iterdir() if path.is_dir()):
        session = load_session(folder)
        outings.append(
            SeasonOuting(
                folder=folder.name, title=session.about.title, date=session.about.date,
                record=analyse(session).season, runs_checksum=folder.name,
            )
        )  # fmt: skip
    season = season_of(tuple(outings))
    found = _ends("trend", season.trend.ratio) | _ends("scatter of days", season.day_sd)
    for pull in season.pulls:
        found |= _ends(f"gain of {pull.setup}", pull.gain and pull.gain.ratio)
    for one in season.ladder.mixtures:
        if one.tried:
            name = f"lambda of {one.engine} with {one.injector} on {one.fuel}"
            found |= _ends(name, one.lambda_)
    return found


def answers_of(name: str) -> dict:
    """What is said of one outing; ``"before a session"`` and ``"a summer"`` are two more."""
    if name not in OUTINGS:
        return {"before a session": found_without_runs, "a summer": found_in_season}[name]()
    source, watched, change = OUTINGS[name]
    with tempfile.TemporaryDirectory() as folder:
        outing = change(Outing(source, Path(folder) / "outing"))
        return found_in(outing.results(), watched, name in WHOLE)


def kept() -> dict:
    """The answers that were written last, by outing and key, as text."""
    found: dict[str, dict] = {}
    with FILE.open(encoding="utf-8", newline="") as stream:
        for outing, key, answer in csv.reader(stream):
            found.setdefault(outing, {})[key] = answer
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


_WORDS = ("help", "example", "record", "of_two")


def main():
    with CONTRACT.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(contract())
    with FILE.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        for name in NAMES:
            for key, answer in answers_of(name).items():
                text = answer if isinstance(answer, str) else f"{answer:.6g}"
                writer.writerow((name, key, text))


if __name__ == "__main__":
    main()
