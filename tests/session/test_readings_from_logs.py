"""Readings of runs from the log of a gauge: clocks, lag and what counts, by hand."""

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tuninglib.interval import Interval, Measured
from tuninglib.session.from_logs import (
    USUAL_LAG,
    _by_likeness,
    _clock,
    _lag,
    _stretch,
    _with_readings,
    with_logged_readings,
)
from tuninglib.session.trace import Trace
from tuninglib.statistics.settled_gauge import FullStretch


def trace(time, started=None, **channels):
    return Trace(kind="table", time_s=np.asarray(time, dtype=float), started_utc_s=started,
                 clock_s=None, channels=channels, rows=len(time), left_out=())  # fmt: skip


def a_log(shift=None, delay=None):
    return SimpleNamespace(shift=shift, delay=delay)


@dataclass(frozen=True)
class Found:
    """As much of what was found as readings need."""

    log: str = "phone"
    passes: tuple = ()
    readings: tuple | None = None
    filled: tuple = ()


@dataclass(frozen=True)
class SimpleOuting:
    """As much of a session as readings need."""

    runs: pd.DataFrame
    found: Found | None
    traces: dict
    logs: dict


TIME = np.arange(0.0, 400.0, 0.5)
SEEN = 15 + np.sin(TIME / 9) + np.sin(TIME / 31) + np.sin(TIME / 4.3)
EMPTY = trace([0.0, 1.0])


def test_a_clock_is_its_own_before_it_is_stated():
    log = a_log(shift=Measured(43.0, 0.5))
    assert _clock("box", log, EMPTY, "box", EMPTY) == ("same", Interval(0.0, 0.0, 0.0), None)
    clock, shift, found = _clock("box", log, EMPTY, "phone", EMPTY)
    assert (clock, shift, found) == ("stated", Interval(43.0, 42.5, 43.5), None)


def test_a_clock_is_found_before_the_date_is_asked():
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


def test_two_dates_in_utc_agree_to_two_seconds():
    track, box = trace([0.0, 9.0], started=1000.0), trace([0.0, 9.0], started=1040.0)
    assert _clock("box", a_log(), box, "phone", track) == (
        "utc", Interval(40.0, 38.0, 42.0), None,
    )  # fmt: skip
    for one, other in ((EMPTY, track), (box, EMPTY)):
        assert _clock("box", a_log(), one, "phone", other) == ("unknown", None, None)


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


def test_without_a_throttle_all_of_the_run_counts():
    found = _stretch(PASS, EMPTY, EMPTY, 30.0)
    assert (found.from_s, found.to_s) == (70.0, 90.0)
    assert np.isnan(found.share)
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
