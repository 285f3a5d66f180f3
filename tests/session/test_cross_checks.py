"""What no single cell shows: contradictions, runs that nobody rode, tables in another unit."""

import datetime
import re
import shutil
from types import SimpleNamespace

import numpy as np
import pytest

from tests.conftest import ROOT
from tests.outing import Outing
from tests.random_sessions import random_session
from tuninglib.analysis.analyse import analyse
from tuninglib.interval import Interval, Measured
from tuninglib.report import cautions, verdict
from tuninglib.report.cautions import remarks
from tuninglib.session import cross_checks
from tuninglib.session.cross_checks import KMH_IN_MPH, _other_unit, _push, whole_table
from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError


@pytest.mark.parametrize(
    ("old", "new"), [("12.6,12.8", "12.9,12.8"), ("12.6,12.8", "1.26,12.8"), ("48,62", "48,")]
)
def test_a_run_that_does_not_count_contradicts_nothing(edit, retyped, old, new):
    def change(rows):
        return [row | {"exclude": "rain" * (row is rows[0])} for row in rows]

    edit("runs.csv", old, new)
    assert load_session(retyped(change)).runs["exclude"].iloc[0] == "rain"


def test_speeds_down_the_hill_come_in_pairs(retyped, problems):
    def change(rows):
        both = {"down_entry_speed [km/h]": "", "down_exit_speed [km/h]": ""}
        return [rows[0] | both | {"down_entry_speed [km/h]": "15"}, *(r | both for r in rows[1:])]

    (found,) = problems(retyped(change))
    assert found.startswith("runs.csv, row 2, down_exit_speed: is empty while its partner is not")


def test_a_day_without_a_temperature_is_taken_widely_and_said(demo_copy):
    path = demo_copy / "runs.csv"
    told = analyse(load_session(demo_copy))
    text = re.sub(r"(?m)^((?:[^,\n]*,){7})\d+,", r"\1,", path.read_text(encoding="utf-8"))
    path.write_text(text, encoding="utf-8")
    untold = analyse(load_session(demo_copy))
    (said,) = [one for one in cautions.remarks(untold) if "air somewhere" in one]
    assert "not written down, so assumed: air somewhere from 0 °C to 30 °C" in said
    assert not [one for one in cautions.remarks(told) if "air somewhere" in one]
    for before, after in zip(told.pulls, untold.pulls, strict=True):
        assert after.force_n.low < before.force_n.value < after.force_n.high
        relative = [one.force_n.half_width / one.force_n.value for one in (before, after)]
        assert relative[1] > relative[0]


def test_a_setup_far_from_the_others_is_noticed(demo_copy, problems):
    """A setup whose runs agree with each other, but with no other setup of the session."""
    path = demo_copy / "runs.csv"
    text = re.sub(r"(?m)^(\d+,big_150,\w+),\d+,\d+,", r"\1,48,115,", path.read_text("utf-8"))
    path.write_text(text, encoding="utf-8")
    found = problems(demo_copy)
    assert any("of this outing's median run (limit 0.59 to 1.7)" in line for line in found)


@pytest.mark.parametrize(
    ("length", "agrees"),
    [("402 m", True), ("403.9 m", True), ("404.1 m", False), ("396.1 m", True), ("395.9 m", False)],
)
def test_pieces_agree_with_the_length_within_twice_what_is_not_known_of_it(edit, length, agrees):
    folder = edit("session.toml", 'length = "400 m +/- 2 m"', f'length = "{length} +/- 2 m"')
    if agrees:
        load_session(folder)
    else:
        with pytest.raises(SessionError, match=r"the pieces add up to 400 m, but length is"):
            load_session(folder)


def test_speeds_whose_two_columns_are_swapped_are_named_as_that(edit, retyped, problems):
    """On the flat no bike rolls from 95 to 30 km/h in 400 m without a brake."""
    edit("session.toml", 'grade = "6.0 +/- 0.3 %"', 'grade = "0 +/- 0.3 %"')
    for grade in ("5.2", "6.5"):
        edit("session.toml", f'grade = "{grade} +/-', 'grade = "0.1 +/-')

    def typed(swapped):
        def change(rows):
            for at, row in enumerate(row for row in rows if row["exit_speed [km/h]"]):
                ends = ("95", "30") if at < swapped else ("30", "95")
                row["entry_speed [km/h]"], row["exit_speed [km/h]"] = ends

        return retyped(change)

    (found,) = problems(typed(swapped=99))
    assert "runs.csv, row 1, exit_speed: on all 21 runs the bike was slower at the marker" in found
    assert "look swapped; put each heading over its own column" in found
    # One such run among others is no swapped column, nor is the only one.
    for kept in (99, 1):
        retyped(lambda rows, kept=kept: rows[:kept])
        (found,) = problems(typed(swapped=1))
        assert "95 to 30 km/h up this hill needs no pull at all" in found


def test_a_bike_that_is_slower_at_the_marker_is_believed_if_it_pulls(demo_copy):
    path = demo_copy / "runs.csv"
    text = re.sub(r",[45]\d,[67]\d,", ",48,47,", path.read_text("utf-8"))
    path.write_text(text, "utf-8")
    runs = load_session(demo_copy).runs.dropna(subset="shown_exit_m_s")
    assert (runs["shown_exit_m_s"] < runs["shown_entry_m_s"]).all()


@pytest.mark.parametrize(
    ("reading", "scale", "ends", "said"),
    [
        (7.3, 14.7, (None, None), "7.3 is lambda 0.50 on a scale of 14.7, outside 0.5 to 2"),
        (29.5, 14.7, (None, None), "29.5 is lambda 2.01 on a scale of 14.7, outside 0.5 to 2"),
        (9.9, None, (10.0, 20.0), "9.9 is beyond what the gauge can show (10 to 20)"),
        (20.1, None, (10.0, 20.0), "20.1 is beyond what the gauge can show (10 to 20)"),
        (7.4, 14.7, (None, None), ""),
        (29.3, 14.7, (None, None), ""),
        (10.0, 14.7, (10.0, 20.0), ""),
        (20.0, 14.7, (10.0, 20.0), ""),
    ],
)
def test_a_reading_is_within_the_gauge_and_of_a_mixture(reading, scale, ends, said):
    row = SimpleNamespace(row=2, gauge_low=reading, gauge_high=reading, readings_logged=False)
    gauge = SimpleNamespace(scale=scale, lowest=ends[0], highest=ends[1])
    found = [one.message.partition(";")[0] for one in cross_checks._gauge(row, gauge)]
    assert found == ([said] if said else [])


@pytest.mark.parametrize("key", ["entry_speed", "exit_speed", "down_entry_speed"])
def test_only_the_speed_at_the_start_line_may_be_written_once(key):
    once = " (or once for all runs, under [hill])" if key == "entry_speed" else ""
    assert cross_checks.lacking_said(key).endswith(f"; write it{once}, or a reason in exclude")


@pytest.mark.parametrize(("end", "refused"), [(26.0, False), (27.0, False), (27.1, True)])
def test_a_stretch_may_end_within_a_second_of_its_recording(end, refused):
    session = SimpleNamespace(
        traces={"a": SimpleNamespace(kind="sound", time_s=np.array([0.0, 9.0, 26.0]))},
        logs={"a": SimpleNamespace(file="a.wav", marks=((1.0, 2.0), (3.0, end)), play=())},
    )
    said = "session.toml, logs.a marks: ends after a.wav, which is 26 s long; shorten it"
    assert [str(one) for one in cross_checks._stretches(session)] == [said] * refused


@pytest.mark.parametrize(
    ("day", "refused"),
    [("2026-05-14", True), ("2026-05-15", False), ("2026-05-16", False), ("2026-05-18", False),
     ("2026-05-19", True), ("2025-05-16", True)],
)  # fmt: skip
def test_a_log_is_of_the_day_or_of_the_next_where_midnight_or_a_zone_makes_it(day, refused):
    """This one began at 23:00 on the 16th and ended at 01:00 on the 17th."""
    begun = datetime.datetime(2026, 5, 16, 23, tzinfo=datetime.UTC).timestamp()
    trace = SimpleNamespace(dated_s=begun, time_s=np.array([0.0, 1.0, 7200.0]))
    session = SimpleNamespace(
        traces={"phone": trace, "bare": SimpleNamespace(dated_s=None)},
        logs={"phone": SimpleNamespace(file="phone.gpx")},
        about=SimpleNamespace(date=datetime.date.fromisoformat(day)),
    )
    found = [str(one) for one in cross_checks._dates(session)]
    said = (
        f"phone.gpx: was logged on 2026-05-16, but the date in session.toml is {day}; name the log"
    )
    assert [one.startswith(said) for one in found] == [True] * refused


# A whole table in another unit, or its lines swapped ----------------------------------------------


DEMO_DATA = ROOT / "demo_data"
UP = "entry_speed [km/h],exit_speed [km/h]"
DOWN = "down_entry_speed [mph],down_exit_speed [mph]"
STEP = 'resolution = "0.5 mph"'


@pytest.fixture
def changed(tmp_path):
    def change(name, *edits):
        folder = tmp_path / "outing"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(DEMO_DATA / name, folder)
        for file, old, new in edits:
            text = (folder / file).read_text(encoding="utf-8")
            assert old in text
            (folder / file).write_text(text.replace(old, new), encoding="utf-8")
        return folder

    return change


def refused(folder):
    with pytest.raises(SessionError) as caught:
        load_session(folder)
    (problem,) = caught.value.problems
    return str(problem)


def test_the_speedometers_steps_tell_the_unit(changed):
    said = refused(changed("bigger_cylinder", ("runs.csv", UP, UP.replace("km/h", "mph"))))
    assert (
        "runs.csv, row 1, entry_speed: no speed falls on the speedometer's steps of 1 km/h" in said
    )
    assert "but all 42 do if they are km/h and not mph; write km/h in the header" in said
    said = refused(changed("there_and_back", ("runs.csv", "mph", "km/h")))
    assert "steps of 0.5 mph" in said
    assert "if they are mph and not km/h" in said


def test_speeds_between_the_steps_are_believed(retyped):
    """From a phone, say, to a tenth: on no step in either unit."""

    def change(rows):
        for number, row in enumerate(rows):
            for key in ("entry_speed [km/h]", "exit_speed [km/h]"):
                row[key] = row[key] and f"{float(row[key]) + 0.1 * (1 + number % 8):.1f}"

    load_session(retyped(change))


@pytest.mark.parametrize(
    ("edit", "meant"),
    [
        (("runs.csv", "mph", "km/h"), "mph under a header in km/h"),
        (("runs.csv", DOWN, DOWN.replace("mph", "km/h")), "mph under a header in km/h"),
        (("runs.csv", DOWN, "down_exit_speed [mph],down_entry_speed [mph]"),
         "typed with start line and marker swapped"),
    ],
)  # fmt: skip
def test_gravity_tells_the_unit_of_a_way_down(changed, edit, meant):
    said = refused(changed("there_and_back", edit, ("session.toml", STEP + "\n", "")))
    assert "rolling down at these speeds would need a brake of" in said
    assert f"it needs none if they are {meant}" in said


def test_too_fast_a_way_down_is_told_as_well(changed, retyped):
    def change(rows):
        for row in rows:
            for key in ("down_entry_speed [mph]", "down_exit_speed [mph]"):
                row[key] = f"{float(row[key]) * KMH_IN_MPH:.1f}"

    folder = changed("there_and_back", ("session.toml", STEP + "\n", ""))
    said = refused(retyped(change, folder))
    assert "would need a push of" in said
    assert "km/h under a header in mph" in said


def test_few_speeds_tell_nothing_and_eight_do(changed, retyped):
    edit = ("runs.csv", UP, UP.replace("km/h", "mph"))
    for kept in (3, 4):
        folder = changed("bigger_cylinder", edit)
        retyped(lambda rows, n=kept: [r for r in rows if r["setup"] == "stock"][:n], folder)
        if kept == 4:
            assert "but all 8 do" in refused(folder)
        else:
            load_session(folder)


MPH, KMH = 0.44704, 1 / 3.6


@pytest.mark.parametrize(
    ("pieces", "refused"),
    [
        ("150 m 11.8 %, 250 m 2.5 %", False),
        ("200 m 20 %, 200 m 40 %", False),
        ("40 m 26 %, 360 m 3.77 %", False),
        ("30 m 34.8 %, 370 m 3.67 %", True),
        # Here no force gets it up at all.
        ("200 m 40 %, 200 m 20 %", True),
        ("40 m 40 %, 360 m 2.2 %", True),
    ],
)
def test_a_hill_on_which_the_bike_would_nearly_stand_is_refused(tmp_path, pieces, refused):
    parts = [one.split() for one in pieces.split(", ")]
    grade = sum(float(one[0]) * float(one[2]) for one in parts) / 400
    stretches = [{"length": f"{one[0]} m", "grade": f"{one[2]} %"} for one in parts]
    outing = Outing(DEMO_DATA / "bigger_cylinder", tmp_path / "hill")
    outing.key("hill", length="400 m", grade=f"{grade:.3f} %", pieces=stretches).save()
    if not refused:
        load_session(outing.folder)
        return
    with pytest.raises(SessionError, match=r"row \d+, exit_speed: no constant pull gives .* grade"):
        load_session(outing.folder)


def test_speeds_that_are_on_the_steps_of_both_units_accuse_nobody():
    """23, 41, 64 and 87 mph are 37, 66, 103 and 140 km/h to the last two hundredths."""
    both = np.array([23, 41, 64, 87, 23, 41, 64, 87])
    assert _other_unit(KMH, both * MPH) == ("", "")
    # More than half on the steps as they stand: the rest was read between two marks.
    assert _other_unit(MPH, np.array([23, 41, 64, 87, 23, 41.5, 64.5, 87.5]) * MPH)[0] == ""
    # Half of them is no more than chance with steps of 1 km/h.
    half = np.array([23, 41, 64, 87, 50, 51, 52, 53])
    assert _other_unit(KMH, half * MPH) == ("km/h", "mph")
    # All of them have to be, and three speeds, however often, may be chance.
    for off, told in ((0.015, "km/h"), (0.03, ""), (0.25, "")):
        typed = np.array([50.0, 51, 52, 53 + off, 54, 55, 57, 58])
        assert _other_unit(KMH, typed * MPH)[0] == told
    assert _other_unit(KMH, np.tile([50.0, 51, 52], 4) * MPH) == ("", "")
    assert _other_unit(0.0, typed * MPH) == ("", "")


@pytest.mark.parametrize(
    ("off", "told"),
    [
        ({1.6: 1.8, "swapped": 0.3}, "typed with start line and marker swapped"),
        ({1.6: 0.3, "swapped": 1.8}, "mph under a header in km/h"),
        ({0.6: 2.0, "swapped": 2.1}, "km/h under a header in mph"),
        ({"swapped": 2.1}, None),
        ({"": 3.9, "swapped": 0.1}, None),
    ],
)
def test_the_likeliest_of_two_explanations_is_told(monkeypatch, off, told):
    """Two standard deviations from what gravity does are near, four are far."""
    session = load_session(DEMO_DATA / "there_and_back")

    def push(session, rows, factor, order=1):
        key = "swapped" if order < 0 else "" if factor == 1 else round(factor, 1)
        return 120.0, off.get(key, 9.0)

    monkeypatch.setattr(cross_checks, "_steps", lambda *_: None)
    monkeypatch.setattr(cross_checks, "_push", push)
    said = [problem.message for problem in whole_table(session)]
    assert len(said) == (told is not None)
    assert all(f"it needs none if they are {told};" in one for one in said)


# Asked about ------------------------------------------------------------------------------------


def asked(folder):
    """What the report asks about the speeds of a session."""
    said = remarks(analyse(load_session(folder)))
    return [one for one in said if "units of the speeds" in one or "one speedometer" in one]


@pytest.fixture
def typed(tmp_path):
    """A demo with every speed as it is in another unit, and perhaps without stated steps."""

    def change(name, factor, steps=True, down=True):
        outing = Outing(DEMO_DATA / name, tmp_path / f"{name} {factor:g} {steps} {down}")
        if not steps:
            outing.key("speedometer", resolution=None)
        for row in outing.rows:
            for key in [key for key in row if "_speed [" in key]:
                if row[key]:
                    row[key] = f"{float(row[key]) * factor:.0f}"
                if key.startswith("down_") and not down:
                    row.pop(key)
        return outing.save()

    return change


def test_too_much_and_too_little_on_the_road_are_asked_about(typed):
    folder = typed("bigger_cylinder", KMH_IN_MPH, steps=False)
    (said,) = asked(folder)
    assert "would put up to 66 kW per litre on the road" in said
    # And before all else in the caution box.
    assert verdict.watch(analyse(load_session(folder))).items[0] == ("Watch", said)
    for steps in (True, False):
        (said,) = asked(typed("bigger_cylinder", 1 / KMH_IN_MPH, steps=steps))
        assert "no setup puts more than 11 kW per litre on the road" in said
        assert "little for full throttle: check the units of the speeds (mph or km/h?)" in said
    with pytest.raises(SessionError, match="needs 21 kW at the wheel, more than the 18 kW"):
        load_session(typed("there_and_back", KMH_IN_MPH, steps=False, down=False))
    # Without steps or a way down, on a steep hill: a weak engine's honest figures are these.
    assert not asked(typed("there_and_back", 1 / KMH_IN_MPH, steps=False, down=False))


@pytest.mark.parametrize("column", ["entry_speed", "down_exit_speed"])
def test_one_column_under_another_unit(changed, column):
    edit = ("runs.csv", f"{column} [mph]", f"{column} [km/h]")
    if column == "entry_speed":
        edit = ("runs.csv", f",{column} [mph]", f",{column} [km/h]")
    said = refused(changed("there_and_back", edit))
    assert f"row 1, {column}: no {column} falls on the speedometer's steps of 0.5 mph" in said
    assert "but all 12 do if they are mph and not km/h" in said
    if column == "entry_speed":
        (said,) = asked(changed("there_and_back", edit, ("session.toml", STEP + "\n", "")))
        assert "runs.csv has entry_speed in km/h and exit_speed, down_entry_speed and " in said
        assert "down_exit_speed in mph, but one speedometer shows one unit" in said


def test_one_unit_under_two_names_is_one(changed):
    edit = ("runs.csv", ",exit_speed [km/h]", ",exit_speed [kph]")
    assert load_session(changed("bigger_cylinder", edit)).speed_units["exit_speed"] == "kph"
    assert not asked(changed("bigger_cylinder", edit))


@pytest.mark.slow
def test_no_honest_session_is_asked_or_refused():
    honest = sorted(path.parent for path in DEMO_DATA.rglob("runs.csv"))
    assert len(honest) > 5
    for folder in honest:
        assert not asked(folder), folder
    demo = load_session(DEMO_DATA / "bigger_cylinder")
    for seed in range(8):
        session = random_session(np.random.default_rng(seed), demo)
        assert not list(whole_table(session)), seed
        if seed < 3:
            assert "units of the speeds" not in " ".join(remarks(analyse(session))), seed


# How far off gravity may be ---------------------------------------------------------------------


def test_what_is_hardly_known_of_a_way_down_widens_what_gravity_may_do(changed):
    """By hand for the slope: what the bike and its rider weigh, times the slope's doubt."""
    stated = {
        "grade": ("7.5 +/- 0.3 %", "7.5 +/- 2 %"),
        "rolling": ("[bike]\n", '[bike]\nrolling_coefficient = "0.026 +/- 0.025"\n'),
        "wind": ("0 +/- 5 mph", "0 +/- 9 mph"),
        "drag": ("[bike]\n", '[bike]\ndrag_area = "0.5 m2 +/- 0.35 m2"\n'),
        "factor": ("1.000 +/- 0.004", "1.0 +/- 0.1"),
    }

    def sd(*edits):
        session = load_session(changed("there_and_back", *edits))
        push, off = _push(session, session.runs, 1.0)
        return session, abs(push) / off

    session, usual = sd()
    wider = {name: sd(("session.toml", *edit))[1] for name, edit in stated.items()}
    assert min(wider.values()) > 1.15 * usual
    mass = session.bike.mass.value + np.mean([one.mass.value for one in session.riders.values()])
    slope = (0.02 / 1.96) ** 2 - 0.003**2
    assert wider["grade"] ** 2 - usual**2 == pytest.approx((mass * 9.80665) ** 2 * slope, rel=0.1)


def test_a_stated_wind_counts_on_the_way_down(changed):
    """What blew against the rider uphill pushes him down, and explains a way down too fast."""
    session = load_session(changed("there_and_back"))
    rows = session.runs[session.runs["shown_down_exit_m_s"].notna()]
    calm = _push(session, rows, 1.0)[0]
    windy = _push(session, rows.assign(headwind_m_s=2.0), 1.0)[0]
    stated = ("session.toml", '"0 +/- 5 mph"', '"4 +/- 5 mph"')
    of_day = _push(load_session(changed("there_and_back", stated)), rows, 1.0)[0]
    assert windy < calm - 10
    of_rows = _push(session, rows.assign(headwind_m_s=4 * 0.44704), 1.0)[0]
    assert of_day == pytest.approx(of_rows)
    # Nearly as fast as the bike at the marker: a gust against it only makes it slower.
    assert rows["shown_down_entry_m_s"].min() < 5.2
    assert 1.5 < _push(session, rows.assign(headwind_m_s=5.0), 1.0)[1] < 3
    # As fast as the bike at the marker: nothing is said of it.
    assert np.isnan(_push(session, rows.assign(headwind_m_s=6.0), 1.0)[1])


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ({"gear": 5}, "check primary, gear, tyre and the sprockets"),
        ({"front": 40, "rear": 14}, "easily swapped"),
        ({"tyre": "999/999-99"}, "rolls .* in one turn, outside 0.8 to 2.6 m"),
        ({}, ""),
    ],
)
def test_a_gearing_is_held_against_the_speed_of_the_engine(tmp_path, typed, sentence):
    usual = {"primary": 3.35, "gear": 1.05, "front": 14, "rear": 42, "tyre": "90/90-18"}
    outing = Outing(DEMO_DATA / "bigger_cylinder", tmp_path / "geared")
    folder = outing.key("gearing", circumference=None, **usual | typed).save()
    if not sentence:
        assert load_session(folder).gearing.is_known
        return
    with pytest.raises(SessionError, match=sentence) as caught:
        load_session(folder)
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize(("half_pa", "fits"), [(200.0, False), (400.0, True)])
def test_a_pressure_may_be_off_by_the_weather_and_its_own_half_width(half_pa, fits):
    """At 600 m 94 322 Pa are usual (ISO 2533); weather moves that by 5 500 at the most."""
    stated = SimpleNamespace(
        weather=SimpleNamespace(pressure=Measured(94322 + 5500 + 300.0, half_pa)),
        hill=SimpleNamespace(altitude=Measured(600.0)),
        about=SimpleNamespace(units="metric"),
    )
    assert (list(cross_checks._pressure(stated)) == []) == fits


@pytest.mark.parametrize(("highest", "swapped"), [(-0.006, True), (-0.004, False), (0.01, False)])
def test_only_a_way_that_surely_goes_down_has_its_lines_swapped(highest, swapped):
    found = SimpleNamespace(grade=Interval(-0.02, -0.05, highest), log="phone")
    assert bool(list(cross_checks._places(found))) == swapped
