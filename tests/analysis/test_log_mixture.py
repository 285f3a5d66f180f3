"""Mixture by bands: whose ride it was, and what follows from two means, by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from tuninglib.analysis import logs
from tuninglib.analysis.logs import (
    THROTTLE_EDGES,
    _band,
    _by_setup,
    _difference,
    _followings,
    _setups,
    mixture_by_bands,
)
from tuninglib.interval import Interval
from tuninglib.statistics.settled_gauge import BandMean, Stretch

FULL = len(THROTTLE_EDGES) - 2


def mean(value, sd=0.005, dof=3):
    return BandMean(Interval(value, value - 2 * sd, value + 2 * sd), sd, dof, dof + 1, 20.0)


def setup(injector, engine="big", fuel="e5"):
    return SimpleNamespace(injector=injector, engine=engine, fuel=fuel)


def session(**setups):
    return SimpleNamespace(
        setups={"a": setup("i1"), "b": setup("i2")} | setups,
        about=SimpleNamespace(reference="a"),
    )


def test_a_difference_is_of_logarithms():
    by = {("a", 1): mean(0.9, 0.009, 3), ("b", 1): mean(1.0, 0.02, 2)}
    change, sd, dof = _difference(by, "a", "b", 1)
    assert change == pytest.approx(np.log(1 / 0.9))
    assert sd == pytest.approx(np.hypot(0.01, 0.02))
    assert dof == 5
    assert _difference(by, "a", "b", 2) is None
    nothing = BandMean(None, np.nan, 0, 1, 5.0)
    assert _difference(by | {("b", 1): nothing}, "a", "b", 1) is None
    assert _difference(by | {("a", 1): nothing}, "a", "b", 1) is None


def test_a_share_is_that_of_the_difference_at_full_throttle():
    """By hand: 0.02 of 0.10, errors of each joined, Student's with the fewer degrees of freedom."""
    by = {
        ("a", FULL): mean(1.0, 0.006, 3), ("b", FULL): mean(np.exp(0.10), 0.0, 3),
        ("a", 0): mean(1.0, 0.008, 1), ("b", 0): mean(np.exp(0.02), 0.0, 2),
    }  # fmt: skip
    (one,) = _followings(session(), by)
    assert (one.setup, one.low, one.high) == ("b", 0.05, 0.2)
    assert one.share.value == pytest.approx(0.2)
    t_of_three = 3.182446
    half = t_of_three * np.hypot(0.008, 0.2 * 0.006) / 0.10
    assert one.share.half_width == pytest.approx(half, rel=1e-5)
    assert (one.share.high - one.share.low) / 2 == pytest.approx(one.share.half_width)


@pytest.mark.parametrize(
    ("here", "sd", "place"),
    [(0.0, 0.004, "stays"), (0.1, 0.004, "follows"), (0.05, 0.004, "unclear"),
     (0.0, 0.03, "unclear"), (-0.06, 0.004, "unclear"), (-0.02, 0.004, "stays"),
     (0.03, 0.0001, "stays"), (0.06, 0.0001, "follows"), (0.16, 0.004, "follows")],
)  # fmt: skip
def test_a_band_stays_or_follows_on_one_side_of_a_half(here, sd, place):
    by = {
        ("a", FULL): mean(1.0, 0.001, 6), ("b", FULL): mean(np.exp(0.1), 0.001, 6),
        ("a", 2): mean(1.0, sd, 6), ("b", 2): mean(np.exp(here), sd, 6),
    }  # fmt: skip
    (one,) = _followings(session(), by)
    assert (one.low, one.place) == (0.4, place)


@pytest.mark.parametrize(
    ("change", "there"), [(0.031, True), (0.029, False), (-0.031, True), (-0.029, False)]
)
def test_only_a_clear_difference_at_full_throttle_tells(change, there):
    """Three standard deviations of 0.01, either way."""
    by = {
        ("a", FULL): mean(1.0, 0.01, 6), ("b", FULL): mean(np.exp(change), 0.0, 6),
        ("a", 0): mean(1.0), ("b", 0): mean(1.0),
    }  # fmt: skip
    assert bool(_followings(session(), by)) == there


def test_only_another_injector_alone_is_compared():
    keys = ((name, band) for name in "abcde" for band in (0, FULL))
    by = {key: mean(0.9 if key[1] == FULL and key[0] != "a" else 1.0) for key in keys}
    some = session(c=setup("i2", engine="stock"), d=setup("i2", fuel="e10"), e=setup("i1"))
    assert [one.setup for one in _followings(some, by)] == ["b"]
    # Full throttle itself is no band beside it.
    assert [one.low for one in _followings(some, by)] == [0.05]


def track(still=(), leave=(100.0, 200.0)):
    time = np.arange(0.0, 300.0)
    speed = np.full(time.size, 10.0)
    for low, high in still:
        speed[(time >= low) & (time <= high)] = 0.9
    return SimpleNamespace(time_s=time, channels={"speed_m_s": speed})


def ridden(trace, *, up=(True, True), shift=0.0):
    found = SimpleNamespace(
        log="phone",
        passes=tuple(
            SimpleNamespace(run=run, up=one, enter_s=begin, leave_s=begin + 20.0)
            for run, begin, one in zip((1.0, 2.0), (80.0, 180.0), up, strict=True)
        ),
    )
    runs = {"run": [1.0, 2.0], "setup": ["a", "b"]}
    outing = SimpleNamespace(traces={"phone": trace}, found=found, runs=runs)
    return _setups(outing, SimpleNamespace(shift_s=SimpleNamespace(value=shift)))


@pytest.mark.parametrize(
    ("still", "up", "shift", "at"),
    [
        # From the last stop before a run on the ride is that run's.
        ([(20, 30), (60, 70), (130, 140)], (True, True), 0.0,
         {69: "", 70.5: "a", 139: "a", 140.5: "b", 290: "b"}),
        # Stops before the run that came before are not this one's.
        ([(20, 30)], (True, True), 0.0, {29: "", 31: "a", 179: "a", 181: "b"}),
        ([], (True, True), 0.0, {79: "", 81: "a", 179: "a", 181: "b"}),
        # In the gauge's own time, which is ten seconds behind.
        ([(60, 70), (130, 140)], (True, True), 10.0, {59: "", 61: "a", 129: "a", 131: "b"}),
        # A way down is no run.
        ([(60, 70), (130, 140)], (True, False), 0.0, {71: "a", 290: "a"}),
    ],
)  # fmt: skip
def test_a_setup_is_changed_while_the_bike_stands(still, up, shift, at):
    setup_at = ridden(track(still), up=up, shift=shift)
    assert {time: setup_at(time) for time in at} == at


def test_without_a_speed_a_ride_begins_with_its_run():
    bare = SimpleNamespace(time_s=np.arange(300.0), channels={})
    setup_at = ridden(bare)
    assert [setup_at(time) for time in (79.0, 81.0, 181.0)] == ["", "a", "b"]


def test_stretches_are_joined_by_setup_and_band():
    stretches = [Stretch(0, 1.0, 4.0, 0.99), Stretch(0, 5.0, 4.0, 1.01), Stretch(1, 6.0, 4.0, 0.9),
                 Stretch(0, 9.0, 4.0, 5.0)]  # fmt: skip
    found = _by_setup(stretches, lambda time: "a" if time < 8 else "")
    assert set(found) == {("a", 0), ("a", 1)}
    assert found["a", 0].interval.value == pytest.approx(1.0)
    assert found["a", 1].interval is None


def test_the_widest_throttle_is_fully_open():
    top = _band("a", "throttle", THROTTLE_EDGES, FULL, mean(0.9))
    assert (top.low, top.high, top.stretches, top.seconds) == (0.9, 1.0, 4, 20.0)
    below = _band("a", "throttle", THROTTLE_EDGES, 1, mean(0.9))
    assert (below.low, below.high) == (0.2, 0.4)
    fast = _band("a", "engine speed", np.array([4000.0, 5000.0]), 0, mean(0.9))
    assert (fast.low, fast.high) == (4000.0, 5000.0)


def logged(monkeypatch, *, scale=14.7, readings=True, shift=True, **channels):
    """Two rides of a minute; throttle and speed change every ten seconds."""
    monkeypatch.setattr(logs, "lambda_of", lambda session, shown: shown / 14.7)
    time = np.arange(0.0, 300.0, 0.5)
    trace = SimpleNamespace(time_s=time, channels={"gauge": np.full(time.size, 14.7)} | channels)
    lag = Interval(0.5, 0.4, 0.6)
    said = SimpleNamespace(log="box", shift_s=Interval(0.0, 0.0, 0.0) if shift else None, lag_s=lag)
    passes = tuple(
        SimpleNamespace(run=run, up=True, enter_s=begin, leave_s=begin + 20.0)
        for run, begin in ((1.0, 20.0), (2.0, 160.0))
    )
    return SimpleNamespace(
        found=SimpleNamespace(readings=said if readings else None, log="box", passes=passes),
        traces={"box": trace}, gauge=SimpleNamespace(scale=scale),
        runs={"run": [1.0, 2.0], "setup": ["a", "b"]},
        setups={"b": setup("i2"), "a": setup("i1")}, about=SimpleNamespace(reference="a"),
    )  # fmt: skip


def test_bands_are_in_order_of_what_is_driven(monkeypatch):
    time = np.arange(0.0, 300.0, 0.5)
    part = (time // 10).astype(int) % 3
    throttle = np.choose(part, [0.1, 1.0, 0.95])
    speed = np.choose(part, [3000.0, 5200.0, 6700.0])
    some = logged(monkeypatch, throttle_ratio=throttle, engine_speed_rpm=speed)
    bands, _ = mixture_by_bands(some)
    assert [(one.by, one.low, one.high, one.setup) for one in bands] == [
        ("throttle", 0.05, 0.2, "b"), ("throttle", 0.05, 0.2, "a"),
        ("throttle", 0.9, 1.0, "b"), ("throttle", 0.9, 1.0, "a"),
        ("engine speed", 5000.0, 6000.0, "b"), ("engine speed", 5000.0, 6000.0, "a"),
        ("engine speed", 6000.0, 7000.0, "b"), ("engine speed", 6000.0, 7000.0, "a"),
    ]  # fmt: skip
    assert all(one.lambda_.value == pytest.approx(1.0) for one in bands)
    # Ten seconds less one and a half and the longest lag, four or five times for each.
    assert bands[0].seconds == pytest.approx(bands[0].stretches * 7.0)
    assert bands[4].seconds == pytest.approx(bands[4].stretches * 7.0)
    none = logged(
        monkeypatch, throttle_ratio=np.choose(part, [0.1, 0.3, 0.5]), engine_speed_rpm=speed
    )
    assert {one.by for one in mixture_by_bands(none)[0]} == {"throttle"}
    one = logged(monkeypatch, throttle_ratio=throttle, engine_speed_rpm=0 * speed + 5000.0)
    assert {one.by for one in mixture_by_bands(one)[0]} == {"throttle"}


@pytest.mark.parametrize("lacks", ["scale", "readings", "shift", "throttle"])
def test_what_cannot_be_brought_to_runs_has_no_bands(monkeypatch, lacks):
    more = {} if lacks == "throttle" else {"throttle_ratio": np.ones(600)}
    how = {"scale": {"scale": None}, "readings": {"readings": False}, "shift": {"shift": False}}
    assert mixture_by_bands(logged(monkeypatch, **how.get(lacks, {}), **more)) == ((), ())
    assert mixture_by_bands(SimpleNamespace(found=None)) == ((), ())
