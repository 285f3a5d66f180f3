"""The panel that takes a recording: what it says of it, plays, writes and refuses."""

import datetime
import io
import re
import shutil
import threading

import numpy as np
import pytest
from scipy.io import wavfile

from demo_data.sound_maker import (
    SINGLE,
    Engine,
    coloured_noise,
    engine_sound,
    pull_rpm,
    recorded,
)
from tests.conftest import ROOT
from tests.lab.panels import everything, labelled, words
from tuninglib.analysis.sound import place_of_phone
from tuninglib.lab.from_sound import from_sound
from tuninglib.session.load import load_session
from tuninglib.session.read_sound import read_recording

HEARD = ROOT / "demo_data" / "heard_on_the_hill"
TAKE = "Take this recording into my session"


@pytest.fixture
def folder(tmp_path):
    """The demo without its recordings but the second one, which nothing names."""
    made = shutil.copytree(HEARD, tmp_path / "outing", ignore=shutil.ignore_patterns("run [134].*"))
    text = (made / "session.toml").read_text("utf-8")
    (made / "session.toml").write_text(text.split("[logs.")[0], encoding="utf-8")
    return made


def take(panel):
    labelled(panel, TAKE).click()
    for one in threading.enumerate():
        if one.name == TAKE:
            one.join()


def drop(panel, name, content):
    now = datetime.datetime.now(datetime.UTC)
    one = {"name": name, "type": "", "size": len(content), "content": memoryview(content)}
    labelled(panel, "Drop").value = ({**one, "last_modified": now},)


def test_a_recording_in_the_folder_is_heard_seen_played_and_taken(folder):
    panel = from_sound(folder)
    said = words(panel)
    assert "the engine is heard in 97 % of it" in said
    assert "engine heard in 97 % of the seconds; good place" in said
    # In truth 43.0 and 68.8 km/h at both lines.
    begins, ends = map(
        float, re.search(r"7\.6 to 23\.14440 to 7220(..\..)(..\..)\D", said).groups()
    )
    assert (begins, ends) == (pytest.approx(43.0, abs=1.0), pytest.approx(68.8, abs=0.7))
    assert "Engine speed [rpm]Begins at [km/h]Ends at [km/h]" in said
    assert 'The button writes: [logs.run_2] with file = "run 2.wav" in session.toml' in said
    (player,) = (one for one in everything(panel) if type(one).__name__ == "Audio")
    assert (player.autoplay, player.loop) == (False, False), "a workbook is not loud by itself"
    labelled(panel, "hear it from").value, labelled(panel, "for").value = 24.5, 5.0
    rate, samples = wavfile.read(io.BytesIO(player.value))
    assert 0.5 < samples.size / rate < 2, "to its end"
    shown = (str(getattr(one, "value", "")) for one in everything(panel))
    (alt,) = (html for html in shown if "Shaded" in html)
    assert "pull from 4440 to 7220 rpm between 7.6 and 23.1 s" in alt
    assert "Shaded: what is played, 24.5 to " in alt
    before = (folder / "session.toml").read_text("utf-8")
    labelled(panel, "each pull").value = labelled(panel, "each pull").options[1]
    labelled(panel, "their numbers").value = "2"
    assert (folder / "session.toml").read_text("utf-8") == before, "nothing without the button"
    take(panel)
    log = load_session(folder).logs["run_2"]
    assert (log.file, log.runs, log.pulls_are_runs) == ("run 2.wav", (2.0,), "yes")
    assert "session.earlier-1.toml is the file as it was" in words(panel)
    assert not labelled(panel, TAKE).disabled
    take(panel)
    assert "[logs.run_2] in session.toml is 'run 2.wav' already" in words(panel)
    labelled(panel, "its name").value = "again"
    take(panel)
    assert "[logs.run_2] in session.toml is 'run 2.wav' already" in words(panel)
    assert "again" not in (folder / "session.toml").read_text("utf-8")
    # To its last whole half second.
    assert (
        labelled(panel, "hear it from").max
        == load_session(folder).traces["run_2"].time_s[-1] // 0.5 / 2
    )


def test_a_dropped_recording_is_copied_and_writes_nothing_over(folder):
    # A short one, so that little is to be listened to.
    hiss = np.random.default_rng(22).integers(-9000, 9000, 20_000, dtype=np.int16)
    wavfile.write(folder / "run 2.wav", 8000, hiss)
    wavfile.write(folder / "other", 8000, hiss[::-1])
    panel, raw = from_sound(folder), (folder / "other").read_bytes()
    drop(panel, "../r\u00f6ad 3.wav", raw)
    assert "a copy of r_ad 3.wav in outing; [logs.r_ad_3]" in words(panel)
    take(panel)
    assert (folder / "r_ad 3.wav").read_bytes() == raw
    assert load_session(folder).logs["r_ad_3"].file == "r_ad 3.wav"
    there = (folder / "run 2.wav").read_bytes()
    drop(panel, "run 2.wav", raw)
    take(panel)
    assert "run 2.wav is in the outing's folder already" in words(panel)
    assert (folder / "run 2.wav").read_bytes() == there
    # A name that no log can have, and a run that is none, leave no copy behind.
    drop(panel, "new.wav", raw)
    refused = ("its name", "a.b", "is no name"), ("their numbers", "three", "is no list of run")
    for label, typed, said in refused:
        was, labelled(panel, label).value = labelled(panel, label).value, typed
        assert said in words(panel)
        take(panel)
        labelled(panel, label).value = was
    labelled(panel, "their numbers").value = "9999999"
    take(panel)
    assert "is outside 0 to" in words(panel)
    drop(panel, "broken.wav", b"RIFF\0\0\0\0WAVE" + bytes(90))
    assert "broken.wav: is called a WAV file but holds no sound" in words(panel)
    take(panel)
    assert sorted(one.name for one in folder.glob("*.wav")) == ["r_ad 3.wav", "run 2.wav"]


def test_where_there_is_no_recording_it_asks_for_one(folder):
    (folder / "run 2.wav").unlink()
    panel = from_sound(folder)
    assert "drop one here" in words(panel)
    assert any('alt="No recording yet."' in str(getattr(w, "value", "")) for w in everything(panel))
    take(panel)
    assert "no recording is chosen" in words(panel)
    labelled(panel, "Reset").click()
    (folder / "session.toml").unlink()
    assert "session.toml" in words(from_sound(folder))


@pytest.mark.parametrize(
    ("snr_db", "seconds", "code"),
    [(8, 10, "good"), (-3, 10, "wind"), (-9, 10, "wind")],
)
def test_ten_seconds_tell_whether_the_phone_lies_well(tmp_path, snr_db, seconds, code):
    assert place_of_phone(ten_seconds(tmp_path, snr_db, seconds)) == code


def test_a_place_that_is_just_heard_or_too_loud_is_no_good_one(tmp_path):
    # Of a piston that sounds halfway, too, the comb stands out less.
    just = ten_seconds(tmp_path, 3, engine=Engine(between=0.7))
    assert np.isfinite(just.channels["engine_speed_rpm"]).mean() > 0.9
    assert place_of_phone(just) == "wind"
    assert place_of_phone(ten_seconds(tmp_path, 6, clip=1.2)) == "clipped"


def ten_seconds(folder, snr_db, seconds=10, clip=None, engine=SINGLE):
    rng = np.random.default_rng(21)
    rpm = pull_rpm(rng, 8000, seconds)
    noise = coloured_noise(rng, rpm.size, 8000)
    sound = recorded(engine_sound(rng, rpm, 8000, engine), noise, snr_db, clip)
    wavfile.write(folder / "test.wav", 8000, np.round(sound * 32767).astype(np.int16))
    return read_recording(folder / "test.wav", 1, None)
