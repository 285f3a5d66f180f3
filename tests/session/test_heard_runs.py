"""Runs from recordings: the demo beside its truth, what is offered, refused and compared."""

import base64
import io
import json
import re
import shutil
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.io import wavfile
from scipy.special import jnp_zeros

from demo_data.sound_maker import engine_sound
from tests.conftest import ROOT
from tuninglib.__main__ import main
from tuninglib.analysis import sound as heard_sound
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.sound import _slip, place_of_phone
from tuninglib.physics.engine import SOUND_IN_BURNT_GAS_M_S, first_tangential_mode_hz
from tuninglib.report import cautions, logs, sound
from tuninglib.session.fields import read_value
from tuninglib.session.load import (
    _read_log,
    _turns_ridden,
    load_session,
    pack_session,
    unpack_session,
)
from tuninglib.session.read_sound import power_in_band
from tuninglib.session.schema import Log
from tuninglib.statistics.track_runs import pulls
from tuninglib.text_files import SessionError

HEARD = ROOT / "demo_data" / "heard_on_the_hill"


@pytest.fixture(scope="module")
def truth():
    return json.loads((HEARD / "truth.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def results():
    return analyse(load_session(HEARD))


@pytest.fixture
def folder(tmp_path):
    return shutil.copytree(HEARD, tmp_path / "outing")


def change(folder, name, *pairs):
    text = (folder / name).read_text("utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    (folder / name).write_text(text, encoding="utf-8")
    return folder


def only(folder, *numbers):
    """Of the four recordings these."""
    text = (folder / "session.toml").read_text("utf-8")
    head, *tables = text.split("[logs.")
    kept = [f"[logs.{one}" for one in tables if int(one.split("]")[0][4:]) in numbers]
    (folder / "session.toml").write_text("".join([head, *kept]), encoding="utf-8")
    return folder


def said(results):
    items = (*logs.sentences(results).items, *logs.run_sentences(results).items)
    return " ".join(f"{label}: {text}" for label, text in items)


def test_the_speeds_of_the_demo_are_what_they_were(results, truth):
    found = results.session.found
    per = found.metres_per_turn
    assert (found.by, found.filled, found.why_not) == ("pulls", (1, 2, 3, 4), "")
    assert per.value == pytest.approx(truth["metres_per_turn"], abs=per.half_width)
    common = per.half_width / per.value / 1.96
    for one, true in zip(found.passes, truth["runs"], strict=True):
        for end in ("entry", "exit"):
            got, sd = getattr(one, f"{end}_m_s"), getattr(one, f"{end}_sd_m_s")
            assert abs(got - true[f"{end}_m_s"]) < 2.5 * np.hypot(sd, common * got)


def test_the_gain_of_the_demo_holds_its_truth(results, truth):
    gain = next(pull.gain.ratio for pull in results.pulls if pull.setup == "large_nozzle")
    assert gain.low < truth["gain"] < gain.high


def test_a_scale_of_all_speeds_is_in_the_sums(results):
    per = results.session.found.metres_per_turn
    factor = results.road.speed_factor
    assert (factor.source, factor.value) == ("length", 1.0)
    assert factor.half_width == pytest.approx(per.half_width / per.value)


def test_what_is_said_of_the_demo(results):
    text = said(results)
    assert "the engine is heard in 97 % of it, good to ± 0.2 %." in text
    assert "are from the engine speed that was heard" in text
    assert "m per turn of the crank, so that neither gearing nor speedometer is asked." in text
    assert "4 recordings have 4 pulls in one gear" in text
    shown = sound.figure(results)
    assert shown.alt.count("rpm") == 4
    assert "run 3 from" in shown.alt
    assert "Which run is which stands under runs in session.toml." in text
    assert "In their order" not in text


def test_pulls_are_offered_and_not_taken_before_the_rider_says_so(folder, capsys):
    only(change(folder, "session.toml", ('pulls_are_runs = "yes"\n', "")), 2)
    session = load_session(folder)
    assert session.found is None
    assert not session.runs["speeds_logged"].any()
    assert main(["check", str(folder)]) == 0
    text = capsys.readouterr().out
    assert "1 pull in one gear: 7.6 to 23.1 s. If each began at the start line" in text
    assert 'write pulls_are_runs = "yes" under [logs.run_2]' in text


def test_typed_speeds_stay_and_are_compared(folder, truth):
    lines = (folder / "runs.csv").read_text("utf-8").splitlines()
    ends = [[round(3.6 * one[key]) for key in ("entry_m_s", "exit_m_s")] for one in truth["runs"]]
    lines[0] += ",entry_speed [km/h],exit_speed [km/h]"
    # Of the first run that of another was typed.
    ends[0][1] = 50
    lines[1:] = [f"{line},{a},{b}" for line, (a, b) in zip(lines[1:], ends, strict=True)]
    (folder / "runs.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    results = analyse(load_session(only(folder, 1, 2)))
    session = results.session
    assert session.found.filled == ()
    assert session.runs["shown_exit_m_s"].tolist() == [pytest.approx(b / 3.6) for _, b in ends]
    assert "typed and logged exit speeds are far from each other" in said(results)
    assert "50.0 as shown against 6" in said(results)


def test_gearing_that_disagrees_is_named(folder):
    gears = (
        '[gearing]\nprimary = 3.0\ngear = 1.5\nfront = 14\nrear = 42\ncircumference = "1.86 m"\n\n'
    )
    change(folder, "session.toml", ("[weather]", f"{gears}[weather]"))
    assert "which is far from it: check length and [gearing]" in said(
        analyse(load_session(only(folder, 1)))
    )


@pytest.mark.parametrize(("cylinders", "within"), [([1], None), ([1, 2], "turns"), ([], None)])
def test_only_more_cylinders_than_one_ask_how_fast_the_engine_turned(
    monkeypatch, cylinders, within
):
    monkeypatch.setattr("tuninglib.session.load._turns_ridden", lambda *given: "turns")
    monkeypatch.setattr("tuninglib.session.read_log.read_log", lambda *given, **how: how)
    engines = {number: SimpleNamespace(cylinders=count) for number, count in enumerate(cylinders)}
    found = _read_log(None, None, {"engines": engines}, None)
    assert found == {"cylinders": max(cylinders, default=1), "within_rpm": within}


def test_two_cylinders_need_a_gearing(folder):
    change(
        folder,
        "session.toml",
        ('displacement = "178 cc"', 'displacement = "178 cc"\ncylinders = 2'),
    )
    with pytest.raises(SessionError, match=r"2 cylinders, which sounds like.*fill in \[gearing\]"):
        load_session(only(folder, 1))


def test_a_listed_run_that_is_none_is_left_out(folder):
    change(folder, "session.toml", ("runs = [3]", "runs = [0]"))
    found = load_session(only(folder, 3)).found
    assert (found.filled, found.why_not, len(found.passes)) == ((), "", 1)


def test_recordings_are_packed_and_unpacked(folder, tmp_path):
    packed = pack_session(only(folder, 1), tmp_path / "one.outing.zip")
    again = unpack_session(packed, tmp_path / "again")
    assert (again / "run 1.wav").read_bytes() == (HEARD / "run 1.wav").read_bytes()


def wave(knots, speeds, rng=None):
    time = np.arange(0.0, knots[-1], 0.05)
    speed = np.interp(time, knots, speeds)
    return time, speed * (1 + (0 if rng is None else 4e-4 * rng.standard_normal(time.size)))


def test_only_pulls_of_one_gear_that_end_are_pulls():
    rng = np.random.default_rng(1)
    # A steady ride, a pull, a gear change within another, and one that the recording cuts off.
    knots = [0, 8, 24, 26, 40, 46, 46.4, 52, 54, 66, 80]
    speeds = [5000, 5000, 7200, 5000, 5000, 7000, 5400, 6300, 5000, 5000, 7000]
    found = pulls(*wave(knots, speeds, rng))
    assert found[:, [0, 2]] == pytest.approx(np.array([[8, 24], [40, 46], [46.4, 52]]), abs=0.35)


def test_the_demo_is_what_its_script_makes(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT / "demo_data"))
    import make_heard_on_the_hill as maker

    monkeypatch.setattr(maker, "HERE", tmp_path / "made")
    maker.main()
    for name in ("run 1.wav", "runs.csv", "truth.json"):
        made, kept = ((one / name).read_bytes() for one in (tmp_path / "made", HEARD))
        assert made[:2000] == kept[:2000], name


# Marks -------------------------------------------------------------------------------------------


def horn(folder, number, *times):
    """Sounded into a recording, half a second each time."""
    rate, samples = wavfile.read(folder / f"run {number}.wav")
    at = np.arange(samples.size) / rate
    tone = sum(np.sin(2 * np.pi * 420 * n * at) / n for n in (1, 2, 3))
    on = sum((at >= time) & (at < time + 0.5) for time in times)
    loud = (samples - 128.0) / 128 + 0.6 * on * tone
    wavfile.write(
        folder / f"run {number}.wav", rate, (20000 * loud / np.abs(loud).max()).astype("i2")
    )


def test_a_horn_is_offered_and_taken_once_it_is_typed(folder, truth):
    change(folder, "session.toml", ('pulls_are_runs = "yes"\n', ""))
    lines = [truth["runs"][1][key] for key in ("start_s", "marker_s")]
    horn(only(folder, 2), 2, *lines)
    session = load_session(folder)
    assert session.found is None
    offered = said(analyse(session))
    (begin, end) = map(float, re.search(r'marks = \["(.*?) to (.*?) s"\]', offered).groups())
    assert (begin, end) == (pytest.approx(lines[0], abs=0.15), pytest.approx(lines[1], abs=0.15))
    assert "Nothing is taken by itself." in offered
    change(folder, "session.toml", ("runs = [2]", f'runs = [2]\nmarks = ["{begin} to {end} s"]'))
    results = analyse(load_session(folder))
    (one,) = results.session.found.passes
    common = results.session.found.metres_per_turn.half_width / truth["metres_per_turn"] / 1.96
    for name in ("entry", "exit"):
        got, sd = getattr(one, f"{name}_m_s"), getattr(one, f"{name}_sd_m_s")
        assert abs(got - truth["runs"][1][f"{name}_m_s"]) < 2 * np.hypot(sd, common * got)
    assert "something short and loud" not in said(results)


@pytest.mark.parametrize(
    ("key", "typed", "wanted"),
    [
        ("marks", ["12 to 9 s"], "does not end after it begins"),
        ("marks", ["1 to 9 s", "8 to 12 s"], "begins before the one above it ends"),
        ("marks", ["at the horn"], "is no stretch of a recording; write begin and end in seconds"),
        ("play", "1 to 7 s", "is longer than 5 s"),
        ("play", ["1 to 2 s", "3 to 4 s"], "has 2 stretches; at most 1"),
    ],
)
def test_what_is_no_stretch_of_a_recording_is_refused(key, typed, wanted):
    with pytest.raises(ValueError, match=wanted):
        read_value(Log.__dataclass_fields__[key].metadata, typed, {})


@pytest.mark.parametrize(
    ("typed", "wanted"),
    [
        ('marks = "9 to 90 s"', "'9 to 90 s' is no run in one gear in which the engine is heard"),
        ('play = "60 to 62 s"', "ends after run 2.wav, which is 26 s long"),
    ],
)
def test_what_is_not_in_the_recording_is_refused(folder, typed, wanted):
    change(only(folder, 2), "session.toml", ("runs = [2]", typed))
    with pytest.raises(SessionError, match=wanted) as caught:
        load_session(folder)
    assert len(caught.value.problems) == 1


def test_a_marked_run_in_another_gear_is_refused(folder):
    change(only(folder, 1, 2, 3), "session.toml", ("runs = [2]", 'marks = ["9 to 15 s"]'))
    with pytest.raises(SessionError, match="as many turns of the crank long as the others"):
        load_session(folder)


def test_what_is_no_recording_has_no_marks(tmp_path):
    outing = shutil.copytree(ROOT / "demo_data" / "logged_evening", tmp_path / "outing")
    text = (outing / "session.toml").read_text("utf-8")
    name = re.search(r"^\[logs\.(\w+)\]\n", text, re.M)
    change(outing, "session.toml", (name[0], f'{name[0]}marks = "1 to 9 s"\n'))
    with pytest.raises(SessionError, match="is for sound recordings"):
        load_session(outing)


# Seconds to hear ---------------------------------------------------------------------------------


def test_seconds_are_played_only_where_they_are_asked_for(folder, results):
    assert sound.played(results).html() == ""
    change(only(folder, 2), "session.toml", ("runs = [2]", 'play = "12.4 to 13.4 s"'))
    shown = sound.played(analyse(load_session(folder)))
    assert re.search(r"run 2\.wav: 12\.4 to 13\.4 s of it, made louder\. The engine turns at "
                     r"\d{4} to \d{4} rpm there\.", shown.plain())  # fmt: skip
    (wav,) = re.findall(r'src="data:audio/wav;base64,([^"]+)"', shown.html())
    rate, samples = wavfile.read(io.BytesIO(base64.b64decode(wav)))
    assert (rate, samples.size, np.abs(samples).max()) == (8000, 8000, 32000)
    _, whole = wavfile.read(folder / "run 2.wav")
    own = whole[99_200:107_200] - 128.0
    assert np.corrcoef(own, samples)[0, 1] > 0.999


# Gears and the clutch -----------------------------------------------------------------------------


def ridden_beside_a_track(slip):
    """An engine heard and a road speed logged over five pulls; 7 s later by the other clock."""
    rng, knots, speeds, passes = np.random.default_rng(6), [0.0], [12.0], []
    for wait in (9, 31, 14, 55, 22):
        begin = knots[-1] + wait
        passes.append(SimpleNamespace(up=True, enter_s=begin, leave_s=begin + 18))
        knots += [begin, begin + 18, begin + 24]
        speeds += [12, 18, 12]
    time = np.arange(0, knots[-1], 0.05)
    true = np.interp(time, knots, speeds)
    log = time[::4], true[::4] + 0.1 * rng.standard_normal(time[::4].size)
    late = np.maximum.reduce([np.clip((time - one.leave_s + 6) / 3, 0, 1) * (time < one.leave_s)
                              for one in passes])  # fmt: skip
    rpm = 370 * true * (1 + slip * late)
    track = SimpleNamespace(time_s=log[0] + 7, channels={"speed_m_s": log[1]})
    for one in passes:
        one.enter_s, one.leave_s = one.enter_s + 7, one.leave_s + 7
    heard = SimpleNamespace(time_s=time, channels={"engine_speed_rpm": rpm})
    session = SimpleNamespace(
        track=track, recordings=None, found=SimpleNamespace(passes=tuple(passes))
    )
    return _slip(session, heard)


def test_a_clutch_that_slips_is_told_from_one_that_does_not():
    assert ridden_beside_a_track(0.0).high < 0.02
    slips = ridden_beside_a_track(0.05)
    assert slips.low > 0.02
    # Of the last 5.67 s, 3 s on the way to it and 2.5 s of it; thirds of five runs, each to 0.4 %.
    assert slips.value == pytest.approx(np.log1p(0.05 * 4.0 / 5.67), abs=0.003)
    assert slips.half_width == pytest.approx(1.96 * 0.004 * np.sqrt(2 / 5), rel=0.001)


def test_a_recording_says_how_much_is_heard_and_why_not_more(monkeypatch):
    log = SimpleNamespace(marks=((20.0, 50.0),))
    monkeypatch.setattr(heard_sound, "stands_out", lambda _: (14.9, 15.1, 30.0, 45.1, 54.9, 55.1))

    def of(known=100, unsure=0, **more):
        rpm = np.where(np.arange(101) < known, np.linspace(3000, 6000, 101), np.nan)
        octave = np.arange(101) >= 101 - unsure
        given = {"goes_past": False, "clipped": 0.0, "channels": {"engine_speed_rpm": rpm}, **more}
        heard = SimpleNamespace(unsure_octave=octave, sd_rpm=0.01 * rpm)
        return heard_sound.recording("a", SimpleNamespace(
            time_s=np.linspace(0, 100, 101), heard=heard, **given), log)  # fmt: skip

    found = of()
    (pull,) = found.pulls
    assert (pull.begin_s, pull.end_s, pull.low_rpm, pull.high_rpm) == (20, 50, 3600, 4500)
    assert (found.seconds, found.heard_share) == (100, pytest.approx(100 / 101))
    assert found.sd_ratio == pytest.approx(0.01)
    assert found.loud_s == (15.1, 45.1, 54.9), "within 5 s of either end"
    for more, why in (
        ({"known": 91}, ""), ({"known": 90}, "drowned"), ({"known": 50, "unsure": 26}, "octave"),
        ({"known": 50, "unsure": 25}, "drowned"), ({"known": 50, "clipped": 0.051}, "clipped"),
        ({"known": 50, "clipped": 0.049}, "drowned"), ({"goes_past": True}, "past"),
        ({"known": 50, "unsure": 26, "clipped": 0.051}, "octave"), ({"clipped": 0.051}, ""),
    ):  # fmt: skip
        assert of(**more).why_not == why
    unheard = of(channels={})
    assert (unheard.sd_ratio, unheard.pulls, unheard.why_not) == (None, (), "drowned")


def test_a_test_of_the_phone_takes_its_seconds_and_tells_what_is_wrong():
    def place(seconds=10.0, over=2.6, known=1.0, clipped=0.0, past=False, heard=True):
        noise = np.where(np.arange(1000) < 1000 * known, over, np.nan)
        return place_of_phone(SimpleNamespace(
            time_s=np.linspace(0, seconds, 1000), goes_past=past, clipped=clipped,
            heard=SimpleNamespace(over_noise_db=noise) if heard else None,
        ))  # fmt: skip

    assert place() == place(5.0) == place(30.0) == "good"
    assert place(4.9) == place(30.1) == place(heard=False) == ""
    assert place(over=2.4) == place(known=0.5) == "wind"
    assert (place(clipped=0.5), place(clipped=0.5, past=True)) == ("clipped", "past")


def test_engine_speeds_of_a_twin_are_looked_for_about_those_ridden():
    gears = SimpleNamespace(
        is_known=True, rolling_circumference=SimpleNamespace(value=1.8), ratio=lambda: 9.0
    )
    runs = pd.DataFrame({"shown_entry_m_s": [13.0, np.nan], "shown_exit_m_s": [19.5, 18.0]})
    hill = SimpleNamespace(entry_speed=None)
    low, high = _turns_ridden({"gearing": gears, "hill": hill}, runs)
    assert (low, high) == (pytest.approx(3000), pytest.approx(7605))
    assert _turns_ridden({"gearing": None, "hill": hill}, runs) is None


# Places to listen to ------------------------------------------------------------------------------


RING_RATE = 24_000


def rattled(folder, *, knocks_s, rate=RING_RATE):
    """Two runs at 24 kHz: valves tick in the band on both, and on the second one it also rings."""
    rng, band = np.random.default_rng(5), 8800.0
    for number, times in ((1, ()), (2, knocks_s)):
        at = np.arange(int(20 * rate)) / rate
        rpm = np.interp(at, [0, 4, 15, 17, 20], [4500, 4500, 6500, 5000, 5000])
        heard = engine_sound(rng, rpm, rate)
        cycle = np.cumsum(rpm) / 120 / rate
        ticks = np.exp(-(cycle % 1) * 120 / rpm / 0.0006) * np.sin(2 * np.pi * band * at)
        heard = heard + 0.05 * ticks + 0.02 * rng.standard_normal(at.size)
        if times:
            on = (at > times[0]) & (at < times[1])
            after = (cycle + 0.4) % 1 * 120 / rpm
            heard += on * 0.6 * np.exp(-after / 0.0015) * np.sin(2 * np.pi * band * at)
        whole = np.round(20000 * heard / np.abs(heard).max())
        wavfile.write(folder / f"run {number}.wav", rate, whole.astype(np.int16))
    change(folder, "session.toml", ('displacement = "178 cc"', 'bore = "63 mm"\nstroke = "57 mm"'))
    # The demo's first run is the lean one: here it is the rich one, which nobody heard knock.
    change(folder, "runs.csv", ("1,small_nozzle", "1,large"), ("2,large_nozzle", "2,small"))
    change(folder, "runs.csv", ("1,large,", "1,large_nozzle,"), ("2,small,", "2,small_nozzle,"))
    change(folder, "runs.csv", ("12.9,13.1", "12.0,12.2"), ("12.4,12.6", "12.9,13.1"))
    rows = (folder / "runs.csv").read_text("utf-8").splitlines()[:3]
    (folder / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return only(folder, 1, 2)


def test_what_was_not_there_on_the_safest_setup_is_pointed_to_and_nothing_is_cleared(folder):
    results = analyse(load_session(rattled(folder, knocks_s=(9.0, 10.0))))
    first, second = results.sound
    assert first.rings == ()
    (ring,) = second.rings
    assert (ring.begin_s, ring.end_s) == (pytest.approx(9, abs=0.3), pytest.approx(10, abs=0.3))
    assert (ring.run, ring.against) == (2, "large_nozzle")
    # 8 % about the first mode across 63 mm; by the speed of sound there.
    mode = 1.8412 * SOUND_IN_BURNT_GAS_M_S / (np.pi * 0.063)
    assert (ring.low_hz, ring.high_hz) == pytest.approx((0.92 * mode, 1.08 * mode), rel=1e-4)
    (item,) = sound.listen(results)
    assert item in cautions.doubts(results)
    assert "write light or heavy in the column knock" in item[1]
    assert "that says nothing about knock" in item[1]
    # It opens no gate and shuts none.
    quiet = [replace(one, rings=()) for one in results.sound]
    assert not results.knocks
    assert sound.listen(replace(results, sound=tuple(quiet))) == []


def test_without_a_ring_or_below_its_band_nothing_is_pointed_to(folder):
    assert sound.listen(analyse(load_session(rattled(folder, knocks_s=())))) == []


def test_a_setup_that_nobody_listened_to_is_not_safe(folder):
    rattled(folder, knocks_s=(9.0, 10.0))
    change(folder, "runs.csv", ("12.0,12.2,17,none", "12.0,12.2,17,"))
    assert sound.listen(analyse(load_session(folder))) == []


def test_a_rate_that_cannot_hold_the_band_says_nothing(folder):
    wavfile.write(folder / "slow.wav", 16_000, np.zeros(16_000, np.int16))
    assert power_in_band(folder / "slow.wav", 8100, 9500) is None


@pytest.mark.outside(source="zeros of the derivatives of Bessel functions, scipy.special.jnp_zeros")
def test_a_cylinder_rings_at_the_first_zero():
    mode = first_tangential_mode_hz(0.0635) * np.pi * 0.0635 / SOUND_IN_BURNT_GAS_M_S
    assert mode == pytest.approx(jnp_zeros(1, 1)[0], abs=5e-5)
