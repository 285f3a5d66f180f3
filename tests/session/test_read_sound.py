"""Recordings of every kind: read to the same sound, or refused in one sentence."""

import io
import struct

import numpy as np
import pytest
from scipy.io import wavfile

from demo_data.sound_maker import coloured_noise, engine_sound, pull_rpm, recorded
from tuninglib.session.read_log import is_sound
from tuninglib.session.read_sound import read_recording, read_sound, to_hear
from tuninglib.statistics.engine_sound import SOUND_RATE_HZ
from tuninglib.text_files import SessionError


def tone(rate, seconds=3.0, hz=200.0):
    return 0.5 * np.sin(2 * np.pi * hz * np.arange(int(seconds * rate)) / rate)


def wav_24(path, rate, values, channels=1):
    """SciPy reads 24 bits but does not write them."""
    whole = np.round(values * 2**23).astype("<i4").repeat(channels)
    data = whole.view("u1").reshape(-1, 4)[:, :3].tobytes()
    form = struct.pack("<HHIIHH", 1, channels, rate, rate * 3 * channels, 3 * channels, 24)
    body = b"WAVE" + b"fmt " + struct.pack("<I", 16) + form
    path.write_bytes(b"RIFF" + struct.pack("<I", 36 + len(data)) + body + b"data"
                     + struct.pack("<I", len(data)) + data)  # fmt: skip


@pytest.mark.parametrize("rate", [8000, 11025, 16000, 22050, 44100, 48000])
def test_every_rate_gives_the_same_sound(tmp_path, rate):
    wavfile.write(tmp_path / "run.wav", rate, (tone(rate, 25.0) * 32767).astype(np.int16))
    sound = read_sound(tmp_path / "run.wav")
    assert sound.rate_hz == rate
    assert sound.samples.size == 25 * SOUND_RATE_HZ
    # Pieces of ten seconds leave no seam.
    inner = slice(200, -200)
    assert sound.samples[inner] == pytest.approx(tone(SOUND_RATE_HZ, 25.0)[inner], abs=0.005)


def as_type(values, kind):
    if kind == np.uint8:
        return np.round(values * 127 + 128).astype(kind)
    return (values * (np.iinfo(kind).max if np.dtype(kind).kind == "i" else 1)).astype(kind)


@pytest.mark.parametrize("kind", [np.uint8, np.int16, np.int32, np.float32, np.float64, "24"])
@pytest.mark.parametrize("channels", [1, 2])
def test_every_kind_of_sample_gives_the_same_sound(tmp_path, kind, channels):
    path, values = tmp_path / "run.wav", tone(8000)
    if kind == "24":
        wav_24(path, 8000, values, channels)
    else:
        wavfile.write(path, 8000, np.stack([as_type(values, kind)] * channels, axis=1))
    found = read_sound(path).samples
    assert found[200:-200] == pytest.approx(tone(SOUND_RATE_HZ)[200:-200], abs=0.01)


def test_what_is_clipped_is_counted(tmp_path):
    wavfile.write(tmp_path / "run.wav", 8000, np.clip(4 * tone(8000), -1, 1).astype(np.float32))
    # |2 sin| is above 1 over two thirds of the time.
    assert read_sound(tmp_path / "run.wav").clipped == pytest.approx(2 / 3, abs=0.02)


def engine_file(path, seconds=8.0, rate=8000):
    rng = np.random.default_rng(3)
    rpm = pull_rpm(rng, rate, seconds)
    sound = recorded(engine_sound(rng, rpm, rate), coloured_noise(rng, rpm.size, rate), 6.0)
    wavfile.write(path, rate, (sound * 32767).astype(np.int16))
    return rpm


def test_a_recording_is_a_log_of_engine_speed(tmp_path):
    rpm = engine_file(tmp_path / "run.wav")
    trace = read_recording(tmp_path / "run.wav", 1, None)
    true = np.interp(trace.time_s, np.arange(rpm.size) / 8000, rpm)
    apart = trace.channels["engine_speed_rpm"] / true - 1
    assert np.nanquantile(np.abs(apart), 0.95) < 0.003
    assert np.isfinite(apart).mean() > 0.9
    assert (trace.kind, trace.left_out) == ("sound", ())


def test_a_file_that_breaks_off_is_used_up_to_there(tmp_path):
    path = tmp_path / "run.wav"
    engine_file(path)
    path.write_bytes(path.read_bytes()[: 44 + 5 * 8000 * 2])
    trace = read_recording(path, 1, None)
    assert [one.reason for one in trace.left_out] == ["breaks off"]
    assert 4.5 < trace.time_s[-1] < 5


def test_a_recorder_that_was_killed_left_no_length(tmp_path):
    path = tmp_path / "run.wav"
    engine_file(path)
    raw = bytearray(path.read_bytes())
    raw[40:44] = bytes(4)
    path.write_bytes(raw)
    assert read_sound(path).samples.size == 8 * SOUND_RATE_HZ


def wav_of(form, data=bytes(64_000), size=None):
    head = b"WAVE" + b"fmt " + struct.pack("<I", 16) + struct.pack("<HHIIHH", *form)
    size = len(data) if size is None else size
    return b"RIFF" + struct.pack("<I", 0) + head + b"data" + struct.pack("<I", size) + data


LOUD = (np.arange(32_000) % 200 * 100).astype("<i2").tobytes()
REFUSED = {
    "no sound in it": (b"RIFF\0\0\0\0WAVE" + b"junk" + bytes(60), "holds no sound"),
    "ends in its header": (b"RIFF\0\0\0\0WAVEfmt ", "holds no sound"),
    "too slow": (wav_of((1, 1, 4000, 8000, 2, 16), LOUD), "4000 samples a second"),
    "no rate": (wav_of((1, 1, 0, 0, 2, 16), LOUD), "0 samples a second"),
    "a strange kind": (wav_of((2, 1, 8000, 8000, 1, 4), LOUD), "save it as 16-bit WAV"),
    "60,000 channels": (wav_of((1, 60000, 8000, 8000, 2, 16), LOUD), "60000 channels"),
    "contradiction": (wav_of((1, 2, 8000, 8000, 2, 16), LOUD), "contradicts itself"),
    "silent": (wav_of((1, 1, 8000, 16000, 2, 16)), "is silent"),
    "short": (wav_of((1, 1, 8000, 16000, 2, 16), LOUD[:8000]), "holds 0.5 s"),
    "none at all": (wav_of((1, 1, 8000, 16000, 2, 16), b""), "holds 0.0 s"),
    "no numbers": (wav_of((3, 1, 8000, 32000, 4, 32), np.full(20_000, np.nan, "<f4").tobytes()),
                   "no numbers"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_used_ends_in_one_sentence(tmp_path, case):
    content, said = REFUSED[case]
    path = tmp_path / "run.wav"
    path.write_bytes(content)
    with pytest.raises(SessionError, match=said) as caught:
        read_sound(path)
    assert len(caught.value.problems) == 1
    assert str(caught.value).startswith("run.wav: ")


def test_what_is_longer_than_an_hour_is_refused_before_it_fills_the_memory(tmp_path, monkeypatch):
    monkeypatch.setattr("tuninglib.session.read_sound._LONGEST_S", 3.0)
    wavfile.write(tmp_path / "run.wav", 8000, tone(8000, 5.0).astype(np.float32))
    with pytest.raises(SessionError, match="longer than the 0 minutes"):
        read_sound(tmp_path / "run.wav")


def test_another_file_of_the_same_family_is_no_wav(tmp_path):
    (tmp_path / "run.wav").write_bytes(b"RIFF\x24\0\0\0AVI LIST" + b"\0" * 40)
    with pytest.raises(SessionError) as caught:
        read_sound(tmp_path / "run.wav")
    assert "is called a WAV file" not in str(caught.value)


def test_without_the_extra_a_compressed_recording_names_it(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "av", None)
    (tmp_path / "run.m4a").write_bytes(b"\0\0\0\x20ftypM4A ")
    with pytest.raises(SessionError, match=r'needs the extra "sound".*or save it as WAV'):
        read_sound(tmp_path / "run.m4a")


def test_what_is_played_is_cut_out_of_the_pieces_as_they_come(monkeypatch):
    def pieces():
        yield from np.split(np.arange(24_000, dtype=np.float32), 3)
        yield np.full(8000, 1e9, dtype=np.float32)
        raise AssertionError("nothing behind the end is read")

    monkeypatch.setattr("tuninglib.session.read_sound._opened", lambda path: (8000, pieces()))
    rate, heard = wavfile.read(io.BytesIO(to_hear(None, 0.75, 2.25)))
    assert rate == 8000
    # The loudest is the last one, 17 999.
    np.testing.assert_allclose(heard, np.arange(6000, 18_000) / 17_999 * 32_000, atol=1)


def test_recordings_are_known_by_their_first_bytes_or_their_name():
    assert is_sound(b"\0\0\0\x20ftypM4A ", "a.bin")
    assert is_sound(b"", "run.MP3")
    assert not is_sound(b"<?xml version", "track.gpx")


FORMATS = {"m4a": "aac", "mp3": "libmp3lame", "ogg": "libopus", "opus": "libopus", "3gp": "aac"}


@pytest.mark.parametrize("suffix", FORMATS)
def test_what_phones_write_is_read(tmp_path, suffix):
    av = pytest.importorskip("av")
    path, rate = tmp_path / f"run.{suffix}", 48000
    values = (tone(rate) * 32767).astype(np.int16)
    with av.open(str(path), "w") as out:
        stream = out.add_stream(FORMATS[suffix], rate=rate, layout="mono")
        frame = av.AudioFrame.from_ndarray(values[None], format="s16", layout="mono")
        frame.rate = rate
        fifo = av.AudioResampler(stream.format, stream.layout, rate)
        for one in fifo.resample(frame):
            out.mux(stream.encode(one))
        out.mux(stream.encode(None))
    found = read_sound(path).samples
    middle = found[int(SOUND_RATE_HZ) : int(2 * SOUND_RATE_HZ)]
    peak = np.abs(np.fft.rfft(middle)).argmax()
    assert (peak, middle.max()) == (200, pytest.approx(0.5, abs=0.05))


def test_what_is_mislabelled_or_broken_ends_in_one_sentence(tmp_path):
    pytest.importorskip("av")
    odd = b"\0\0\0\x20ftypM4A " + bytes(range(256)) * 40
    files = {"a.m4a": b"time,rpm\n1,2\n" * 99, "b.mp3": bytes(5000), "c.ogg": b"OggS", "d.m4a": odd}
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(SessionError) as caught:
            read_sound(tmp_path / name)
        assert len(caught.value.problems) == 1
