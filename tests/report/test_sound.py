"""What sound gave, of invented records: each number in its sentence, each mark in its place."""

import base64
import re
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tuninglib.analysis.records import HeardPull, HeardRing, Recording
from tuninglib.interval import Interval, Measured
from tuninglib.report import sound
from tuninglib.session.machine import Gears
from tuninglib.session.schema import Log
from tuninglib.statistics.engine_sound import PICTURE_BAND_HZ, STEP_S

ONE = Recording(name="way_up", seconds=61.4, heard_share=0.874, why_not="", clipped_share=0.0,
                pulls=(), gear_changes_s=(), sd_ratio=None)  # fmt: skip
LOG = Log(file="a.wav")
PULL = HeardPull(begin_s=20.04, end_s=30.06, low_rpm=4044, high_rpm=6013)
RING = HeardRing(run=2.0, begin_s=9.04, end_s=10.16, low_hz=8340, high_hz=9160, against="s_n")
SLIPS = {"slip": Interval(0.05, 0.03, 0.07)}
TIMES = tuple(4.04 + number for number in range(13))
HEARD = "a recording of 61 s; the engine is heard in"
LOUD = "at 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0, 13.0, 14.0 and 15.0 s something short"


@pytest.mark.parametrize(
    ("values", "typed", "labels", "said"),
    [
        ({"sd_ratio": 0.0025}, {}, "A", f"A: {HEARD} 87 % of it, good to ± 0.5 %."),
        ({"heard_share": 0.991}, {}, "A", f"A: {HEARD} nearly all of it."),
        ({"heard_share": 0.989}, {}, "A", f"A: {HEARD} 99 % of it."),
        ({"heard_share": 0.0, "why_not": "drowned"}, {}, "A",
         f"A: {HEARD} nothing of it. In the rest, wind or other noise drowns it, or it stands"),
        ({"why_not": "past"}, {}, "A",
         "A: a recording of 61 s; the pitch falls as the bike goes past: this was recorded beside"),
        ({"why_not": "clipped"}, {}, "A", "of it. The rest is too loud for the microphone, or"),
        ({"why_not": "octave"}, {}, "A", "of it. For much of the rest it cannot be told from half"),
        ({"gear_changes_s": TIMES}, {}, "A Gear",
         "Gear: engine speed steps at 4.0 s, 5.0 s, 6.0 s, 7.0 s, 8.0 s and 9.0 s, as where the"),
        ({"pulls": (PULL,) * 9}, {}, "A Pulls",
         f"9 pulls in one gear: {'20.0 to 30.1 s, ' * 6}20.0 to 30.1 s and 20.0 to 30.1 s. If"),
        ({"pulls": (PULL,), "loud_s": (4.0,)}, {}, "A Pulls",
         'write pulls_are_runs = "yes" under [logs.way_up], and their speeds are used.'),
        ({"pulls": (PULL,), "loud_s": TIMES}, {}, "A Pulls Loud", f"Loud: {LOUD} and loud stood"),
        ({"pulls": (PULL,), "loud_s": TIMES[:2]}, {}, "A Pulls Loud",
         'write marks = ["4.0 to 5.0 s"] under [logs.way_up], one for each run, and runs go'),
        # Pulls that are taken as runs, or marked, are offered no more.
        ({"pulls": (PULL,)}, {"pulls_are_runs": "yes"}, "A", HEARD),
        ({"pulls": (PULL,)}, {"marks": ((1.0, 9.0),)}, "A", HEARD),
        (SLIPS, {}, "A Clutch", "turns 5.0 % (3.0 to 7.0 %) faster in one part of the runs than"),
        ({"slip": Interval(0.03, 0.02, 0.04)}, {}, "A", HEARD),
    ],
)  # fmt: skip
def test_what_was_heard_is_said_with_its_numbers(values, typed, labels, said):
    items = sound.heard("A", replace(ONE, **values), replace(LOG, **typed))
    assert " ".join(label for label, _ in items) == labels
    assert said in "\n".join(f"{label}: {text}" for label, text in items)


def test_where_the_phone_lay_is_said_with_what_was_heard():
    assert sound.place("", ONE) == ""
    assert sound.place("good", ONE) == (
        "engine heard in 87 % of the seconds; good place: the engine stands clear of the wind, "
        "with some to spare for the hill."
    )
    none = sound.place("wind", replace(ONE, heard_share=0.0))
    assert none.startswith("engine heard in none of the seconds; too much wind: put the phone")


def test_a_turn_of_the_crank_stands_beside_the_gearing():
    """1.86 m / (3.35 × 1.05 × 42/14) / 1.02 is 0.1728 m, ± the root of 0.54² + 1² per cent."""
    gears = Gears(primary=3.35, gear=1.05, front=14, rear=42, circumference=Measured(1.86, 0.01))
    near, far = (sound.turns(Measured(per, 0.001), gears) for per in (0.17605, 0.1762))
    assert near.endswith("asked; the gearing gives 0.1728 m.")
    assert "gives 0.1762 ± 0.0010 m per turn of the crank, so that neither" in far
    assert ", which is far from it: check length and [gearing], and that the throttle" in far
    assert sound.turns(Measured(0.1762, 0.001), Gears()).endswith("speedometer is asked.")


# Pictured from the tenth second on: all dark but one instant of one band.
START, AT, BAND = 10.0, 150, 20


@pytest.fixture
def outing():
    """Two recordings, one of a run and one of pulls that are none; a single and a twin."""
    time = START + STEP_S * np.arange(1000)
    picture = np.zeros((500, 200), dtype=np.uint8)
    picture[AT, BAND] = 255
    rpm = {"engine_speed_rpm": 4002 + 100 * (time - START)}
    trace = SimpleNamespace(time_s=time, channels=rpm, heard=SimpleNamespace(picture=picture))
    late = replace(PULL, begin_s=START + 2, end_s=time[-1] - 1, high_rpm=4800)
    logs = {"way_up": replace(LOG, runs=(3.0,)), "b_c": LOG}
    session = SimpleNamespace(
        logs=logs, traces=dict.fromkeys(logs, trace), folder=Path("there"),
        engines={at: SimpleNamespace(cylinders=at) for at in (1, 2)},
    )  # fmt: skip
    first = replace(ONE, pulls=(PULL,), rings=(RING,))
    return SimpleNamespace(session=session, sound=(first, replace(ONE, name="b_c", pulls=(late,))))


def test_a_place_to_listen_to_is_said_and_clears_nothing(outing):
    ((label, text),) = sound.listen(outing)
    assert label == "Run 2"
    assert text.startswith("listen to 9.0 to 10.2 s of a.wav: something between 8.3 and 9.2 kHz, ")
    assert "that was not there on the runs of s n. If it is knock, write light or heavy in" in text


def test_the_picture_of_sound_has_each_run_where_it_was(outing, drawn):
    shown, trace = sound.figure(outing), outing.session.traces["b_c"]
    said = "run 3 from 4040 to 6010 rpm between 20.0 and 30.1 s; b c from 4040 to 4800 rpm between"
    assert f"engine speed that was heard: {said}" in shown.alt
    assert shown.caption.startswith(f"Heard: {said} 12.0 and ")
    assert shown.key.endswith("harmonics. Shaded: a place to listen to for knock.")
    axes, last = drawn[0].axes, trace.time_s[-1]
    assert 1.5 < drawn[0].get_figheight() / 2 < 2.5
    titles = [ax.get_title() for ax in axes]
    assert titles == ["run 3: engine speed [1000 rpm]", "b c: engine speed [1000 rpm]"]
    # From four seconds before the pull to two after it, as far as there is sound.
    for ax, (begin, end) in zip(axes, [(16.04, 32.06), (START, last)], strict=True):
        (image,), (line,) = ax.images, ax.lines
        left, right, low, high = image.get_extent()
        assert (left, right) == pytest.approx((begin, end), abs=2 * STEP_S)
        assert left == START or begin != START
        (row,), (column,) = np.nonzero(image.get_array())
        rows, columns = image.get_array().shape
        at = left + (column + 0.5) / columns * (right - left)
        assert at == pytest.approx(START + 2 * STEP_S * (AT + 0.5))
        # A twin fires once a turn: 60 rpm for each Hz.
        hertz = (low + (row + 0.5) / rows * (high - low)) * 1000 / 60
        assert hertz == pytest.approx(PICTURE_BAND_HZ * (BAND + 0.5))
        assert image.origin == "lower"
        inside = (trace.time_s >= left) & (trace.time_s <= right)
        assert list(line.get_xdata()) == list(trace.time_s[inside])
        assert 1000 * line.get_ydata() == pytest.approx(4002 + 100 * (line.get_xdata() - START))
        # With room for the first harmonic of the fastest.
        assert ax.get_ylim()[0] == 0
        assert 2 * 6.013 < ax.get_ylim()[1] < 3 * 6.013
    (shaded,) = axes[0].patches
    assert (shaded.get_x(), shaded.get_width()) == pytest.approx((9.04, 1.12))
    assert not axes[1].patches


def test_more_runs_than_a_page_holds_are_not_drawn(outing, drawn):
    outing.sound = (replace(outing.sound[1], pulls=(PULL,) * 13),)
    assert "Shaded" not in sound.figure(outing).key
    assert len(drawn[0].axes) == 12
    outing.sound = ()
    assert str(sound.figure(outing)) == ""


def test_what_is_played_is_said_in_words(outing, monkeypatch):
    # What reads sound is slow to load.
    reader = SimpleNamespace(to_hear=lambda path, *ends: f"{path.as_posix()} {ends}".encode())
    monkeypatch.setitem(sys.modules, "tuninglib.session.read_sound", reader)
    logs = outing.session.logs
    logs["way_up"] = replace(logs["way_up"], play=((14.44, 16.76),))
    shown = sound.played(outing)
    said = "a.wav: 14.4 to 16.8 s of it, made louder. The engine turns at 4450 to 4680 rpm there."
    assert shown.plain() == said
    (wav,) = re.findall('base64,([^"]+)"', shown.html())
    assert base64.b64decode(wav) == b"there/a.wav (14.44, 16.76)"
    del outing.session.traces["way_up"].channels["engine_speed_rpm"]
    assert "louder. The engine speed is not known there." in sound.played(outing).plain()
