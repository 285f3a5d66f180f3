"""Speeds and readings of runs from logs: what was typed stays, what is unclear is not taken."""

import importlib.util
import json
import re
import shutil
import sys
from dataclasses import make_dataclass, replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from demo_data.log_maker import Devices, degrees, road, usual_force, written
from tests.conftest import EVENING, ROOT
from tuninglib.__main__ import main
from tuninglib.analysis.analyse import analyse
from tuninglib.interval import Interval, Measured
from tuninglib.physics.motion import Hill
from tuninglib.report import logs
from tuninglib.session import from_logs
from tuninglib.session.defaults import hill_of, speedometer_factor, speedometer_step
from tuninglib.session.from_logs import (
    USUAL_LAG,
    _by_likeness,
    _clock,
    _lag,
    _opened_about,
    _stretch,
    _with_readings,
    with_logged_readings,
)
from tuninglib.session.load import load_session
from tuninglib.session.trace import Trace
from tuninglib.statistics.end_speeds import EndSpeeds
from tuninglib.statistics.settled_gauge import FullStretch
from tuninglib.text_files import SessionError


@pytest.fixture(scope="module")
def truth():
    return json.loads((EVENING / "truth.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def session():
    return load_session(EVENING)


@pytest.fixture
def evening(tmp_path):
    """A copy of the logged evening that a test may spoil."""
    return shutil.copytree(EVENING, tmp_path / "evening")


def change(folder, name, old, new):
    path = folder / name
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return folder


@pytest.fixture
def with_columns(retyped):
    """A function that writes runs.csv with more columns: values by run, from the first on."""

    def write(folder, **columns):
        def change(rows):
            for at, row in enumerate(rows):
                row |= {name: values[at] for name, values in columns.items()}

        return retyped(change, folder)

    return write


def test_every_run_has_the_speeds_that_it_had(session, truth):
    runs, found = session.runs, session.found
    assert found.filled == tuple(range(1, 9))
    assert runs["speeds_logged"].all()
    up = [one for one in found.passes if one.up]
    for name, sd in (("entry", "entry_sd_m_s"), ("exit", "exit_sd_m_s")):
        true = np.array(truth[f"{name}_m_s"])
        off = (runs[f"shown_{name}_m_s"] - true) / [getattr(one, sd) for one in up]
        assert (np.abs(off) < 1.96).mean() >= 7 / 8
        assert np.abs(off).max() < 3


def test_speeds_of_a_log_are_true_ones_and_carry_their_own_error(session):
    factor, step = speedometer_factor(session, 17.0), speedometer_step(session)
    assert (factor.value, factor.half_width, factor.source) == (1.0, 0.005, "log")
    sds = [
        sd for one in session.found.passes if one.up for sd in (one.entry_sd_m_s, one.exit_sd_m_s)
    ]
    assert step.value / np.sqrt(12) == pytest.approx(np.sqrt(np.mean(np.square(sds))))


def test_the_truth_is_in_the_answers(session, truth):
    results = analyse(session)
    gain = next(pull.gain for pull in results.pulls if pull.gain).ratio
    assert gain.low <= truth["gain"]["large_nozzle"] <= gain.high
    assert gain.half_width < 0.06
    for mixture in results.mixtures:
        assert mixture.lambda_.low <= truth["lambda"][mixture.setup] <= mixture.lambda_.high


def test_the_gauge_is_brought_to_the_phones_clock(session, truth):
    readings = session.found.readings
    assert readings.clock == "found"
    assert readings.shift_s.value == pytest.approx(truth["box_later_s"], abs=0.3)
    # The box was switched on in the middle of the first run.
    assert readings.filled == tuple(range(2, 9))
    assert [one.covered for one in readings.readings] == [False] + [True] * 7
    assert session.runs["gauge_low"].isna().tolist() == [True] + [False] * 7
    middles = (session.runs["gauge_low"] + session.runs["gauge_high"]) / 2 / 14.7
    wanted = session.runs["setup"].map(truth["lambda"])
    assert (np.abs(middles / wanted - 1)[1:] < 0.025).all()


def test_what_was_typed_stays(with_columns, evening, truth):
    exits = [70, "", "", 66, "", "", "", ""]
    entries = [46, "", "", 45, "", "", "", ""]
    low = ["", 12.5, *[""] * 6]
    with_columns(
        evening, **{"entry_speed [km/h]": entries, "exit_speed [km/h]": exits,
                    "gauge_low": low, "gauge_high": low}
    )  # fmt: skip
    session = load_session(evening)
    runs = session.runs
    assert runs["shown_exit_m_s"][0] == pytest.approx(70 / 3.6)
    assert runs["speeds_logged"].tolist() == [False, True, True, False, True, True, True, True]
    assert runs["gauge_low"][1] == runs["gauge_high"][1] == 12.5
    assert session.logged_step_m_s is None
    # Two typed speeds calibrate: shown 70 and 66 against what the phone has there.
    factor = speedometer_factor(session, 17.0)
    true = [truth["exit_m_s"][0], truth["exit_m_s"][3]]
    assert factor.source == "pairs"
    assert 0.01 < factor.half_width < 0.04
    assert factor.value == pytest.approx(np.mean(np.array(true) * 3.6 / [70, 66]), abs=0.02)
    # The others are what this speedometer would have shown.
    assert runs["shown_exit_m_s"][1] * factor.value == pytest.approx(truth["exit_m_s"][1], abs=0.6)


@pytest.mark.parametrize(
    ("off", "by_scatter"),
    [((-5, 5, -4, 6), True), ((-5, 5, -4), False), ((0, 0, 0, 0), False), ((5,), False)],
)
def test_pairs_that_scatter_more_than_they_say_are_known_less_well(
    with_columns, evening, truth, off, by_scatter
):
    """From four pairs on the scatter of true over shown tells, if it is the larger one."""
    typed = [round(3.6 * v / 0.92) + d for v, d in zip(truth["exit_m_s"], off, strict=False)]
    some = [*typed, *[""] * (8 - len(typed))]
    with_columns(evening, **{"entry_speed [km/h]": [50] * len(typed) + some[len(typed):],
                             "exit_speed [km/h]": some})  # fmt: skip
    session = load_session(evening)
    passes = [one for one in session.found.passes if one.run and one.run <= len(typed)]
    shown = np.array(typed) / 3.6
    ratios = np.array([one.exit_m_s for one in passes]) / shown
    own = np.hypot([one.exit_sd_m_s for one in passes], 1 / 3.6 / np.sqrt(12)) / shown
    sd = np.std(ratios, ddof=1) if by_scatter else np.sqrt(np.mean(own**2))
    half = np.hypot(1.959964 * sd / np.sqrt(len(typed)), 0.005)
    factor = session.found.factor
    assert (factor.value, factor.half_width) == pytest.approx((ratios.mean(), half), rel=1e-5)
    text = logs.run_sentences(analyse(session)).plain()
    one = "a typed exit speed and the log's calibrate it: true over shown is 0.8" in text
    assert one == (len(typed) == 1)


@pytest.mark.parametrize(("sd", "filled"), [(1.4, 8), (1.6, 7)])
def test_a_speed_that_is_hardly_known_is_not_taken(monkeypatch, sd, filled):
    found = from_logs.end_speeds_from_speed

    def worse(*args, **kwargs):
        speeds = found(*args, **kwargs)
        speeds.entry_sd_m_s[0] = sd
        return speeds

    monkeypatch.setattr(from_logs, "end_speeds_from_speed", worse)
    session = load_session(EVENING)
    assert len(session.found.filled) == filled


def test_on_the_road_a_bike_is_faster_than_on_the_map(evening, monkeypatch):
    """A hill of one in two: each metre of the map is 1.118 of the road."""
    level = load_session(without_speeds(evening))
    gentle = hill_of(level).mean_grade_ratio
    monkeypatch.setattr(from_logs, "hill_of", lambda session: Hill(400.0, 0.5))
    steep = load_session(evening)
    ratio = steep.runs["shown_exit_m_s"] / level.runs["shown_exit_m_s"]
    np.testing.assert_allclose(ratio, np.sqrt(1.25) / np.hypot(1, gentle), rtol=1e-9)


def test_a_stated_speedometer_is_not_overruled(with_columns, evening):
    change(evening, "session.toml", "[use]", '[speedometer]\nfactor = "0.90 +/- 0.01"\n\n[use]')
    with_columns(evening, **{"entry_speed [km/h]": [50] * 2 + [""] * 6,
                             "exit_speed [km/h]": [75, 78] + [""] * 6})  # fmt: skip
    session = load_session(evening)
    assert session.found.factor is None
    assert speedometer_factor(session, 17.0).value == 0.90
    first = next(one for one in session.found.passes if one.up and one.run == 3)
    assert session.runs["shown_exit_m_s"][2] == pytest.approx(first.exit_m_s / 0.90)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("rows", "listed", "why", "filled"),
    [
        (8, None, "", 8),
        (7, None, "count", 0),
        (7, [1, 2, 3, 0, 4, 5, 6, 7], "", 7),
        (8, [1, 2, 3], "listed", 0),
        (8, [1, 2, 3, 4, 5, 6, 7, 99], "unknown", 0),
        (8, [1, 1, 2, 3, 4, 5, 6, 7], "unknown", 0),
        (8, [8, 7, 6, 5, 4, 3, 2, 1], "", 8),
    ],
)
def test_which_way_up_is_which_run_is_clear_or_nothing_is_taken(evening, rows, listed, why, filled):
    lines = (evening / "runs.csv").read_text("utf-8").splitlines()
    (evening / "runs.csv").write_text("\n".join(lines[: rows + 1]) + "\n", encoding="utf-8")
    if listed:
        said = f'file = "phone.gpx"\nruns = {listed}'
        change(evening, "session.toml", 'file = "phone.gpx"', said)
    session = load_session(evening)
    assert session.found.why_not == why
    assert len(session.found.filled) == filled
    assert session.runs["shown_exit_m_s"].notna().sum() == filled
    if listed and filled == 8:
        up = [one for one in session.found.passes if one.up]
        assert [one.run for one in up] == listed
        assert session.runs["shown_exit_m_s"][7] == pytest.approx(up[0].exit_m_s)
    if not filled:
        assert session.found.readings is None
        assert analyse(session).road is None


def without_points(folder, low_s, high_s):
    """The phone's track without the points between two times of the log."""
    path = folder / "phone.gpx"
    points = re.split(r"(?=<trkpt)", path.read_text("utf-8"))
    times = [re.search(r"<time>([^<]*)Z</time>", one) for one in points]
    seconds = [np.datetime64(one[1], "ms").astype(float) / 1e3 if one else np.nan for one in times]
    first = np.nanmin(seconds)
    kept = [one for one, at in zip(points, seconds, strict=True) if not low_s < at - first < high_s]
    # What stands after the last point stays.
    assert len(kept) < len(points)
    path.write_text("".join(kept), encoding="utf-8")
    return folder


@pytest.mark.slow
@pytest.mark.parametrize(
    ("line", "said"), [("leave_s", "the marker"), ("enter_s", "the start line")]
)
def test_a_gap_at_a_line_costs_its_run_alone_and_is_said(evening, session, capsys, line, said):
    third = next(one for one in session.found.passes if one.run == 3)
    at = getattr(third, line)
    without_points(evening, at - 4.5, at + 4.5)
    spoilt = load_session(evening)
    assert spoilt.found.why_not == ""
    assert spoilt.found.filled == (1, 2, 4, 5, 6, 7, 8)
    assert np.isnan(spoilt.runs["shown_exit_m_s"][2])
    others = [0, 1, 3, 4, 5, 6, 7]
    np.testing.assert_allclose(
        spoilt.runs["shown_exit_m_s"][others], session.runs["shown_exit_m_s"][others], atol=0.15
    )
    assert 3 in spoilt.found.readings.filled
    assert main(["check", str(evening)]) == 0
    told = capsys.readouterr().out
    assert re.search(
        rf"the speeds of run 3 were not found: phone has a gap of 1?\d(\.\d)? s at {said}\.", told
    )


def test_a_gap_over_a_whole_run_takes_nothing_from_the_log(evening, session):
    passes = session.found.passes
    third, down = (next(i for i, one in enumerate(passes) if one.run == 3) + k for k in (0, 1))
    without_points(evening, passes[third].enter_s - 12, passes[down].leave_s + 12)
    spoilt = load_session(evening)
    assert (spoilt.found.why_not, spoilt.found.filled) == ("count", ())


def test_a_throttle_opened_about_the_line_has_gained_speed_there_half_of_the_time():
    """Opened within 0.3 s of the line, normally: what the bike has gained there by then."""
    time = np.linspace(0.0, 60.0, 6001)
    enter, steep = np.array([10.0, 30.0]), np.array([1.5, 0.8])
    speed = 13.0 + np.where(time < 20, 1.5 * (time - 10), 0.8 * (time - 30)).clip(0.0)
    ends = EndSpeeds(
        entry_m_s=np.full(2, 13.0),
        exit_m_s=np.full(2, 20.0),
        entry_sd_m_s=np.full(2, 0.2),
        exit_sd_m_s=np.full(2, 0.2),
    )
    lines = SimpleNamespace(enter_s=enter)
    found = _opened_about(lines, time, speed, ends, np.array([True, False]))
    gained = steep * np.maximum(np.random.default_rng(11).normal(0.0, 0.3, (400_000, 1)), 0.0)
    assert found.entry_m_s - 13.0 == pytest.approx([gained.mean(0)[0], 0.0], rel=0.01)
    assert found.entry_sd_m_s == pytest.approx(np.hypot(0.2, gained.std(0)), rel=0.01)
    assert found.exit_m_s is ends.exit_m_s


def test_an_idle_row_is_no_run(evening):
    text = (evening / "runs.csv").read_text("utf-8").splitlines()
    rows = [f"{text[0]},state,gauge", *(f"{line},full," for line in text[1:])]
    rows.append("9,small_nozzle,juno,17,none,idle,14.7")
    (evening / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    session = load_session(evening)
    assert (session.found.why_not, session.found.rows) == ("", 8)
    assert np.isnan(session.runs["shown_exit_m_s"][8])


def test_without_places_nothing_is_looked_for(evening):
    path = evening / "session.toml"
    kept = [line for line in path.read_text("utf-8").splitlines() if "47.2" not in line]
    path.write_text("\n".join(kept) + "\n", encoding="utf-8")
    session = load_session(evening)
    assert session.found is None
    assert session.runs["shown_exit_m_s"].isna().all()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('marker = "47.252748, -38.646702"\n', "", "needs both start and marker, or neither"),
        ("47.252748, -38.646702", "47.250001, -38.650000", "start and marker are 0 m apart but"),
        ('file = "phone.gpx"', 'file = "phone.gpx"\nruns = [1, 2.5]', "must be a whole number"),
        ('file = "box.csv"', 'file = "box.csv"\nshift = "41 s"', "could be read two ways"),
        ('file = "box.csv"', 'file = "box.csv"\nshift = "41 km +/- 1 km"', "wrong kind of unit"),
    ],
)
def test_what_cannot_be_is_refused(evening, old, new, said):
    with pytest.raises(SessionError, match=said):
        load_session(change(evening, "session.toml", old, new))


def test_a_hill_elsewhere_has_no_runs(evening):
    start, marker = (degrees(*road(way)) for way in (5000.0, 5400.0))
    change(evening, "session.toml", "47.250000, -38.650000", "{:.6f}, {:.6f}".format(*start))
    change(evening, "session.toml", "47.252748, -38.646702", "{:.6f}, {:.6f}".format(*marker))
    session = load_session(evening)
    assert (session.found.why_not, session.found.passes) == ("none", ())


def test_positions_alone_will_do_with_wider_speeds(evening, session, truth):
    bare = load_session(without_speeds(evening))
    assert bare.found.source == "positions"
    assert bare.logged_step_m_s > 2 * session.logged_step_m_s
    off = bare.runs["shown_exit_m_s"] - truth["exit_m_s"]
    sds = [one.exit_sd_m_s for one in bare.found.passes if one.up]
    assert (np.abs(off) < 1.96 * np.array(sds)).mean() >= 6 / 8


def without_speeds(folder):
    """The evening with a phone that writes places alone."""
    path = folder / "phone.gpx"
    text = path.read_text("utf-8")
    path.write_text(text.replace("own:speed>", "own:other>"), "utf-8")
    return folder


@pytest.mark.slow
@pytest.mark.parametrize("engine_speed", [True, False])
@pytest.mark.parametrize("speed", [True, False])
def test_a_clock_is_found_by_places_and_by_the_throttle(evening, truth, engine_speed, speed):
    """A road speed by places beside the engine's, and the runs beside full throttle."""
    if not speed:
        without_speeds(evening)
    if not engine_speed:
        change(evening, "session.toml", ', engine_speed = "Drehzahl"', "")
    readings = load_session(evening).found.readings
    assert (readings.clock, readings.why_not) == ("found", "")
    assert readings.shift_s.low <= truth["box_later_s"] <= readings.shift_s.high
    assert readings.shift_s.half_width < 1.5
    assert len(readings.filled) == 7


def test_why_a_clock_is_not_known_is_the_true_reason(evening):
    """A box of which the gauge alone is used has nothing to go by; a throttle that tells nothing is
    unlike the ride, and so it is said."""
    change(evening, "session.toml", ', throttle = "Gas", engine_speed = "Drehzahl"', "")
    session = load_session(evening)
    assert session.found.readings.why_not == "nothing"
    text = logs.run_sentences(analyse(session)).plain()
    assert "it has no speed, engine speed or throttle to go by" in text
    change(evening, "session.toml", 'gauge = "Sonde"', 'gauge = "Sonde", throttle = "Gas"')
    rows = (evening / "box.csv").read_text("utf-8").splitlines()
    drawn = np.random.default_rng(4).integers(0, 101, len(rows))
    stuck = [";".join([one.split(";")[0], one.split(";")[1], str(gas), "2000"])
             for one, gas in zip(rows[2:], drawn[2:], strict=True)]  # fmt: skip
    (evening / "box.csv").write_text("\n".join([*rows[:2], *stuck]) + "\n", encoding="utf-8")
    assert load_session(evening).found.readings.why_not == "unlike"


def test_the_demo_is_what_its_script_makes(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT / "demo_data"))
    spec = importlib.util.spec_from_file_location(
        "make_logged_evening", ROOT / "demo_data" / "make_logged_evening.py"
    )
    maker = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(maker)
    sys.modules.pop("log_maker", None)
    monkeypatch.setattr(maker, "HERE", tmp_path / "made")
    maker.main()
    for name in ("phone.gpx", "box.csv", "runs.csv", "truth.json"):
        made, kept = ((one / name).read_text("utf-8") for one in (tmp_path / "made", EVENING))
        assert made.splitlines()[:50] == kept.splitlines()[:50], name
        assert len(made.splitlines()) == len(kept.splitlines())


def box_alone(folder, found, *, throttle=True):
    """An outing with one box that has all but places; made of the world that the phone saw."""
    heads = ["time [s]", "speed [km/h]", "gauge", *(["throttle [%]"] if throttle else [])]
    rows = [",".join(heads)]
    for row in range(found.time_s.size):
        cells = [found.time_s[row], 3.6 * found.speed_m_s[row], 14.7 * found.lambda_[row]]
        cells += [100 * found.throttle_ratio[row]] if throttle else []
        rows.append(",".join(f"{one:.2f}" for one in cells))
    (folder / "box.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    path = folder / "session.toml"
    head = path.read_text("utf-8").split("[logs.phone]")[0]
    kept = [line for line in head.splitlines() if "47.2" not in line]
    path.write_text("\n".join([*kept, "[logs.box]", 'file = "box.csv"', ""]), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def made():
    lambdas = [0.958, 0.874, 0.874, 0.958, 0.958, 0.874, 0.874, 0.958]
    return written(np.random.default_rng(5), [usual_force] * 8, lambdas, devices=Devices(rate_hz=5))


def test_a_box_with_throttle_needs_no_places(evening, made):
    session = load_session(box_alone(evening, made))
    assert (session.found.by, session.found.why_not) == ("throttle", "")
    assert len(session.found.filled) == 8
    off = session.runs["shown_exit_m_s"] - made.exit_m_s
    sds = np.array([one.exit_sd_m_s for one in session.found.passes])
    assert (np.abs(off) < 1.96 * sds).mean() >= 7 / 8
    assert session.found.readings.clock == "same"
    assert len(session.found.readings.filled) == 8
    # A table's speed may be a wheel's.
    assert speedometer_factor(session, 17.0).half_width == 0.02
    text = logs.run_sentences(analyse(session)).plain()
    assert "box has full throttle over the hill's length 8 times, each from where" in text
    assert "Grade" not in text


def test_without_throttle_the_entry_speed_is_needed(evening, made):
    folder = box_alone(evening, made, throttle=False)
    assert load_session(folder).found is None
    change(folder, "session.toml", "[hill]", '[hill]\nentry_speed = "45 km/h +/- 2 km/h"')
    session = load_session(folder)
    assert (session.found.by, session.found.why_not) == ("pattern", "")
    off = session.runs["shown_exit_m_s"] - made.exit_m_s
    assert np.abs(off).max() < 1.0
    assert "has a pull over the hill's length" in logs.run_sentences(analyse(session)).plain()


def test_another_entry_speed_finds_none(evening, made):
    folder = box_alone(evening, made)
    change(folder, "session.toml", "[hill]", '[hill]\nentry_speed = "80 km/h +/- 2 km/h"')
    session = load_session(folder)
    assert (session.found.why_not, session.found.filled) == ("none", ())
    assert "no run from the start line to the marker was found in box" in logs.run_sentences(
        analyse(session)
    ).plain()  # fmt: skip


def test_a_log_in_lambda_under_a_scale_of_fuel_is_refused_with_its_run(evening):
    """The box writes 12.8 and the like; a gauge that prints lambda would be meant otherwise."""
    change(evening, "session.toml", "scale = 14.7", "scale = 1.0")
    change(evening, "session.toml", "lowest = 10.0\nhighest = 20.0\n", "")
    with pytest.raises(
        SessionError, match=r"in the log of this run is lambda 12\.\d+ on a scale of 1"
    ):
        load_session(evening)


def test_check_says_what_was_found_in_the_logs(evening, capsys):
    lines = (evening / "runs.csv").read_text("utf-8").splitlines()
    (evening / "runs.csv").write_text("\n".join(lines[:-1]) + "\n", encoding="utf-8")
    assert main(["check", str(evening)]) == 0
    said = capsys.readouterr().out
    assert "Runs: phone has 8 runs from the start line to the marker and 8 back." in said
    assert "runs.csv has 7 full-throttle rows, so nothing is taken from the log: write runs" in said


def test_check_speaks_of_a_log_that_nothing_names_and_its_lines_can_be_pasted(evening, capsys):
    before = (evening / "session.toml").read_text("utf-8")
    text = re.sub(r"(?m)^\[logs\.phone\]\n(?:.+\n)*", "", before)
    assert text != before
    (evening / "session.toml").write_text(text, encoding="utf-8")
    (evening / "runs.earlier-1.csv").write_text("x", encoding="utf-8")
    main(["check", str(evening)])
    said = capsys.readouterr().out
    assert "phone.gpx is in the folder, but session.toml does not name it, so it is not" in said
    assert "box.csv lies" not in said
    assert "runs.csv lies" not in said
    assert "earlier" not in said
    lines = said[said.index("[logs.phone]") :].split("\n")[:2]
    (evening / "session.toml").write_text(text + "\n" + "\n".join(lines) + "\n", "utf-8")
    assert main(["check", str(evening)]) == 0
    assert "is in the folder" not in capsys.readouterr().out


# Readings, by hand --------------------------------------------------------------------------------


def trace(time, started=None, **channels):
    return Trace(kind="table", time_s=np.asarray(time, dtype=float), started_utc_s=started,
                 clock_s=None, channels=channels, rows=len(time), left_out=())  # fmt: skip


def a_log(shift=None, delay=None):
    return SimpleNamespace(shift=shift, delay=delay)


# As much of an outing, and of what was found in its logs, as readings need.
SimpleOuting = make_dataclass(
    "SimpleOuting",
    ["runs", "found", "traces", "logs"],
    namespace={"track": property(lambda own: own.traces[own.found.log])},
)
Found = make_dataclass(
    "Found",
    [
        ("log", str, "phone"),
        ("passes", tuple, ()),
        ("readings", tuple, None),
        ("filled", tuple, ()),
    ],
)

TIME = np.arange(0.0, 400.0, 0.5)
SEEN = 15 + np.sin(TIME / 9) + np.sin(TIME / 31) + np.sin(TIME / 4.3)
EMPTY = trace([0.0, 1.0])


def test_a_clock_is_its_own_or_stated_or_found_before_the_date_is_asked():
    log = a_log(shift=Measured(43.0, 0.5))
    assert _clock("box", log, EMPTY, "box", EMPTY) == ("same", Interval(0.0, 0.0, 0.0), None)
    stated = ("stated", Interval(43.0, 42.5, 43.5), None)
    assert _clock("box", log, EMPTY, "phone", EMPTY) == stated
    # Two dates in UTC agree to two seconds.
    early, late = trace([0.0, 9.0], started=1000.0), trace([0.0, 9.0], started=1040.0)
    dated = ("utc", Interval(40.0, 38.0, 42.0), None)
    assert _clock("box", a_log(), late, "phone", early) == dated
    for one, other in ((EMPTY, early), (late, EMPTY)):
        assert _clock("box", a_log(), one, "phone", other) == ("unknown", None, None)
    track = trace(TIME, started=1000.0, speed_m_s=SEEN)
    box = trace(TIME[60:] - 28.0, started=5000.0, speed_m_s=SEEN[60:])
    clock, shift, found = _clock("box", a_log(), box, "phone", track)
    assert (clock, shift.value) == ("found", pytest.approx(28.0, abs=0.05))
    assert found.likeness > 0.9
    # Of an engine's speed in one gear the same, and a road's speed goes before it.
    engine = trace(TIME[60:] - 28.0, engine_speed_rpm=400 * SEEN[60:])
    assert _by_likeness(engine, track).shift_s.value == pytest.approx(28.0, abs=0.05)
    still = np.ones(TIME.size - 60)
    both = trace(TIME[60:] - 28.0, engine_speed_rpm=400 * SEEN[60:], speed_m_s=still)
    # A wheel's sensor that is dead leaves the engine's.
    assert _by_likeness(both, track).shift_s.value == pytest.approx(28.0, abs=0.05)
    assert _by_likeness(trace(TIME[60:], speed_m_s=still), track).why_not == "unlike"
    assert _by_likeness(box, trace(TIME)) is None
    assert _by_likeness(trace(TIME), track) is None


PASS = SimpleNamespace(enter_s=100.0, leave_s=120.0)


@pytest.mark.parametrize("own", [True, False])
def test_full_throttle_is_looked_for_in_the_gauges_log_first(own):
    """Open from 99 to 121 by the track's clock, which is 30 s ahead of the box's."""
    time = np.arange(0.0, 200.0, 0.5)
    open_ = ((time >= 99.0) & (time <= 121.0)).astype(float)
    track = trace(time, throttle_ratio=open_ if not own else 0 * time)
    box = trace(time - 30.0, **({"throttle_ratio": open_} if own else {}))
    found = _stretch(PASS, box, track, 30.0)
    # From 1.5 s before the line to 1.5 s after the marker; more than the run is all of it.
    assert found == FullStretch(69.0, 91.0, 1.0)
    half = ((time >= 105.0) & (time <= 115.0)).astype(float)
    box = trace(time - 30.0, throttle_ratio=half)
    assert _stretch(PASS, box, track, 30.0) == FullStretch(75.0, 85.0, 0.5)
    long = trace(time - 30.0, throttle_ratio=np.ones(time.size))
    assert _stretch(PASS, long, track, 30.0) == FullStretch(68.5, 91.5, 1.0)
    # Without a throttle all of the run counts, and nothing is said of its share.
    bare = _stretch(PASS, EMPTY, EMPTY, 30.0)
    assert (bare.from_s, bare.to_s, np.isnan(bare.share)) == (70.0, 90.0, True)
    shut = trace(np.arange(0.0, 200.0), throttle_ratio=np.zeros(200))
    assert _stretch(PASS, shut, EMPTY, 30.0).share == 0.0


def test_a_lag_is_stated_or_found_of_runs_at_full_throttle_or_usual():
    assert _lag(a_log(delay=Measured(0.5, 0.2)), None, None, ()) == (
        Interval(0.5, 0.3, 0.7), "stated",
    )  # fmt: skip
    time = np.arange(0.0, 120.0, 0.1)
    shown = np.where((time % 30 > 10.7) & (time % 30 < 25), 0.88, 1.0)
    full = [FullStretch(30.0 * at + 10, 30.0 * at + 25, 0.6) for at in range(3)]
    lag, source = _lag(a_log(), time, shown, full)
    assert (lag.value, source) == (pytest.approx(0.65, abs=0.1), "found")
    # Runs of less than six tenths, or of which no throttle tells, do not show when it opened.
    for share in (0.59, np.nan):
        part = [one._replace(share=share) for one in full]
        assert _lag(a_log(), time, shown, part) == (USUAL_LAG, "usual")
    assert Interval(0.6, 0.2, 1.5) == USUAL_LAG


@pytest.fixture
def outing():
    """Seven rows: of run 1 a reading was typed, of 2 one end; 7 is at idle."""
    runs = pd.DataFrame(
        {
            "run": [1.0, 2, 3, 4, 5, 6, 7],
            "state": ["full"] * 6 + ["idle"],
            "gauge_low": [12.0, np.nan, *[np.nan] * 5],
            "gauge_high": [12.2, 12.9, *[np.nan] * 5],
        }
    )
    return SimpleOuting(runs=runs, found=Found(), traces={}, logs={})


def reading(run, **changes):
    usual = {"low": 12.5, "high": 12.7, "full_share": 1.0, "covered": True, "run": float(run)}
    return SimpleNamespace(**(usual | changes))


def test_only_good_readings_go_where_none_were_typed(outing):
    found = Found(
        readings=(
            reading(1), reading(2), reading(3), reading(4, covered=False),
            reading(5, full_share=0.59), reading(6, full_share=np.nan, low=12.6), reading(7),
        )
    )  # fmt: skip
    filled = _with_readings(outing, found)
    assert filled.found.readings.filled == (3.0, 6.0)
    runs = filled.runs
    assert runs["readings_logged"].tolist() == [False, False, True, False, False, True, False]
    assert runs["gauge_low"].tolist()[:3] == [12.0, pytest.approx(np.nan, nan_ok=True), 12.5]
    assert (runs["gauge_low"][5], runs["gauge_high"][5]) == (12.6, 12.7)
    assert runs["gauge_low"][[3, 4, 6]].isna().all()
    # The outing that was given is as it was.
    assert outing.runs["gauge_low"].notna().sum() == 1
    nothing = Found(readings=(reading(3, low=np.nan), reading(4, full_share=0.6)))
    assert _with_readings(outing, nothing).found.readings.filled == (4.0,)


def test_without_a_gauge_or_without_runs_nothing_is_said(outing):
    gauged = {"box": trace(TIME, gauge=SEEN)}
    for traces, passes in (({}, [PASS]), (gauged, []), ({"box": EMPTY}, [PASS])):
        own = [SimpleNamespace(run=1.0, **vars(one)) for one in passes]
        same = with_logged_readings(
            replace(outing, traces=traces, found=Found(log="phone", passes=tuple(own)))
        )
        assert same.found.readings is None
        assert not same.runs["readings_logged"].any()
    bare = with_logged_readings(replace(outing, traces=gauged, found=None))
    assert bare.found is None


def test_a_run_that_the_log_does_not_cover_is_not_taken(outing):
    """The box ran from 30 to 400 s of the track's clock; which is stated to be 10 s ahead."""
    box = trace(np.arange(20.0, 390.5, 0.5), gauge=np.full(741, 12.6))
    ends = [(29.5, 45.0), (30.0, 45.0), (385.0, 400.0), (385.0, 400.5)]
    passes = tuple(
        SimpleNamespace(run=float(at + 3), enter_s=a, leave_s=b) for at, (a, b) in enumerate(ends)
    )
    session = replace(
        outing, traces={"box": box, "phone": EMPTY}, logs={"box": a_log(Measured(10.0, 1.0))},
        found=Found(log="phone", passes=passes),
    )  # fmt: skip
    found = with_logged_readings(session).found.readings
    assert [one.covered for one in found.readings] == [False, True, True, False]
    assert found.filled == (4.0, 5.0)
    assert (found.clock, found.why_not, found.likeness) == ("stated", "", None)
    unknown = replace(session, logs={"box": a_log()})
    found = with_logged_readings(unknown).found.readings
    assert (found.clock, found.why_not, found.shift_s) == ("unknown", "nothing", None)
    assert (found.readings, found.lag_source) == ((), "usual")
