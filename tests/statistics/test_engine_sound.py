"""Engine speed from sound: against sounds whose speed is known, facts, and another estimator."""

import numpy as np
import pytest

from demo_data.sound_maker import (
    Engine,
    coloured_noise,
    engine_sound,
    gusts,
    heard_from_the_road,
    pull_rpm,
    recorded,
)
from tuninglib.statistics.engine_sound import SOUND_RATE_HZ, STEP_S, _proved, goes_past, heard_speed

RATE, SINGLE = SOUND_RATE_HZ, Engine()


def pulled(seed, snr_db, engine=SINGLE, noise=coloured_noise, seconds=16.0, **also):
    """What is heard of one pull, and relative errors of what is claimed."""
    rng = np.random.default_rng(seed)
    rpm = pull_rpm(rng, RATE, seconds)
    sound = engine_sound(rng, rpm, RATE, engine)
    if second := also.pop("second", None):
        sound = sound + second * engine_sound(rng, np.full(rpm.size, 3100.0), RATE)
    sound = recorded(sound, noise(rng, rpm.size, RATE), snr_db, also.pop("clip", None))
    sound += also.pop("whine", 0.0) * np.sin(2 * np.pi * 17.3 * np.cumsum(rpm) / 60 / RATE)
    heard = heard_speed(sound, cylinders=engine.cylinders, **also)
    true = np.interp(heard.time_s, np.arange(rpm.size) / RATE, rpm)
    claimed = np.isfinite(heard.engine_speed_rpm)
    return heard, (heard.engine_speed_rpm / true - 1)[claimed], claimed.mean()


CASES = {
    "quiet": {"snr_db": 10.0},
    "as loud as its wind": {"snr_db": 0.0, "noise": gusts},
    "quarter of its noise": {"snr_db": -6.0},
    "wind that clips": {"snr_db": -3.0, "noise": gusts, "clip": 1.2},
    "no fundamental": {"snr_db": 3.0, "engine": Engine(lowest_hz=250.0)},
    "strong second order": {"snr_db": 3.0, "engine": Engine(between=0.5)},
    "another vehicle": {"snr_db": 6.0, "second": 0.3},
    "gear whine": {"snr_db": 3.0, "whine": 0.2},
    "a twin": {"snr_db": 0.0, "engine": Engine(cylinders=2), "within_rpm": (3200, 9000)},
    "a triple": {"snr_db": 0.0, "engine": Engine(cylinders=3), "within_rpm": (3200, 9000)},
    "a four": {"snr_db": 0.0, "engine": Engine(cylinders=4), "within_rpm": (3200, 9000)},
    "pins half a turn apart": {"snr_db": 0.0, "engine": Engine(cylinders=2, firing_deg=(0, 180)),
                               "within_rpm": (3650, 9370)},
    "a V": {"snr_db": -3.0, "engine": Engine(cylinders=2, firing_deg=(0, 315)),
            "within_rpm": (3650, 9370)},
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_engine_speed_is_within_three_in_a_thousand_in_95_of_100_instants(case):
    _, error, share = pulled(7, **CASES[case])
    assert share > 0.75
    assert np.quantile(np.abs(error), 0.95) < 0.003
    assert np.abs(error).max() < 0.02


def test_its_standard_deviation_is_not_too_small():
    heard, error, _ = pulled(8, 0.0)
    sd = heard.sd_rpm / heard.engine_speed_rpm
    assert np.mean(np.abs(error) < 1.96 * sd[np.isfinite(sd)]) > 0.9
    assert np.nanmedian(sd) < 0.003


def test_noise_silence_and_too_little_sound_claim_nothing():
    rng = np.random.default_rng(9)
    for sound in (rng.standard_normal(40_000), np.zeros(40_000), gusts(rng, 40_000, RATE)):
        assert np.isnan(heard_speed(sound).engine_speed_rpm).all()
    assert heard_speed(np.zeros(100)).time_s.size == 0


def test_where_the_engine_is_drowned_nothing_is_claimed_and_before_and_after_it_is():
    rng = np.random.default_rng(10)
    rpm = pull_rpm(rng, RATE, 20.0)
    noise = coloured_noise(rng, rpm.size, RATE)
    drowned = slice(int(8 * RATE), int(13 * RATE))
    noise[drowned] *= 100
    sound = engine_sound(rng, rpm, RATE) + 0.3 * noise
    heard = heard_speed(sound)
    known = np.isfinite(heard.engine_speed_rpm)
    there = (heard.time_s > 8.2) & (heard.time_s < 12.8)
    assert not known[there].any()
    assert known[heard.time_s < 7].mean() > 0.97
    assert known[heard.time_s > 14].mean() > 0.97


def test_a_change_of_gear_is_followed():
    rng = np.random.default_rng(11)
    time = np.arange(int(14 * RATE)) / RATE
    rpm = np.where(time < 7, 5000 + 300 * time, 5200 + 200 * (time - 7))
    heard = heard_speed(
        recorded(engine_sound(rng, rpm, RATE), coloured_noise(rng, rpm.size, RATE), 3.0)
    )
    clear = np.abs(heard.time_s - 7) > 0.4
    true = np.interp(heard.time_s, time, rpm)
    assert np.nanmax(np.abs(heard.engine_speed_rpm / true - 1)[clear]) < 0.01
    assert np.isfinite(heard.engine_speed_rpm[clear]).mean() > 0.95


def test_blocks_leave_no_trace(monkeypatch):
    """A recording that is longer than a block is heard as one that is not."""
    whole, *_ = pulled(12, 0.0)
    monkeypatch.setattr("tuninglib.statistics.engine_sound._BLOCK", 100)
    parts, *_ = pulled(12, 0.0)
    apart = np.abs(parts.engine_speed_rpm / whole.engine_speed_rpm - 1)
    assert np.nanmax(apart) < 2e-4
    assert (np.isfinite(apart) == np.isfinite(whole.engine_speed_rpm)).all()


@pytest.mark.outside(source="ISO 16 (1975): the note A4 has 440 Hz")
def test_a_chord_on_concert_pitch_is_heard_as_its_notes():
    """A comb on the A three octaves below A4, 55 Hz, is a single at 6600 turns a minute."""
    time = np.arange(int(5 * RATE)) / RATE
    clicks = np.diff(np.floor(time * 440 / 8), prepend=0.0)
    noise = 0.05 * np.random.default_rng(13).standard_normal(time.size)
    found = heard_speed(clicks + noise).engine_speed_rpm
    assert np.mean(found) == pytest.approx(440 / 8 * 120, rel=3e-4)


@pytest.mark.outside(
    source="firing of four-strokes, any handbook: cylinders times turns over 2 a second; at 6000 "
    "turns a minute 50 of one cylinder, 100 of two, 200 of four"
)
@pytest.mark.parametrize(("cylinders", "hz"), [(1, 50.0), (2, 100.0), (4, 200.0)])
def test_engines_fire_as_often_as_they_do(cylinders, hz):
    time = np.arange(int(4 * RATE)) / RATE
    clicks = np.diff(np.floor(time * hz), prepend=0.0)
    noise = 0.05 * np.random.default_rng(14).standard_normal(time.size)
    found = heard_speed(clicks + noise, cylinders=cylinders, within_rpm=(4000, 9000))
    assert np.nanmedian(found.engine_speed_rpm) == pytest.approx(6000, rel=1e-3)


@pytest.mark.slow
@pytest.mark.outside(
    source="librosa's pyin (Mauch and Dixon 2014), which shares nothing with ours, where installed"
)
def test_another_pitch_tracker_hears_the_same():
    librosa = pytest.importorskip("librosa")
    rng = np.random.default_rng(15)
    rpm = pull_rpm(rng, RATE, 12.0)
    # It looks for one note at a time, so the engine alone, with even pulses.
    sound = engine_sound(rng, rpm, RATE, Engine(jitter_deg=0.5, between=0.0))
    theirs, *_ = librosa.pyin(
        sound,
        fmin=30.0,
        fmax=90.0,
        sr=RATE,
        frame_length=2048,
        hop_length=200,
        max_transition_rate=4.0,
    )
    ours = heard_speed(sound)
    at = 200 / RATE * np.arange(theirs.size)
    apart = 120 * theirs / np.interp(at, ours.time_s, ours.engine_speed_rpm) - 1
    assert np.isfinite(apart).mean() > 0.7
    # Its grid has steps of a tenth of a semitone, 0.6 %.
    assert np.nanmedian(np.abs(apart)) < 0.004
    assert np.nanquantile(np.abs(apart), 0.9) < 0.012


def test_instants_are_a_twentieth_of_a_second_apart():
    found = heard_speed(np.random.default_rng(16).standard_normal(8000))
    assert np.diff(found.time_s) == pytest.approx(STEP_S)


@pytest.mark.parametrize("seed", range(4))
def test_a_recording_from_beside_the_road_is_known_by_its_pitch(seed):
    rng = np.random.default_rng(seed)
    rpm = pull_rpm(rng, RATE, 16.0)
    sound = engine_sound(rng, rpm, RATE)
    noise = coloured_noise(rng, rpm.size, RATE)
    past = heard_from_the_road(sound, RATE, rng.uniform(12, 18), rng.uniform(4, 10))
    assert goes_past(heard_speed(recorded(past, noise, 15.0)))
    assert not goes_past(heard_speed(recorded(sound, noise, 3.0)))


def test_a_pitch_that_falls_while_it_stays_as_loud_is_no_bystanders():
    rng, time = np.random.default_rng(18), np.arange(int(14 * RATE)) / RATE
    rpm = (5200 + 60 * time) * np.interp(time, [6.6, 7.4], [1.0, 0.93])
    sound = recorded(engine_sound(rng, rpm, RATE), coloured_noise(rng, rpm.size, RATE), 6.0)
    # The loudest instant is where it falls.
    assert not goes_past(heard_speed(sound * np.interp(time, [6.9, 7.0, 7.1], [1.0, 1.3, 1.0])))


def test_of_two_octaves_at_once_the_shorter_is_not_claimed():
    speed = np.full(400, 6000.0)
    speed[200:260] = 3000.0
    rng = np.random.default_rng(17)
    teeth, halves = 1.5 + rng.standard_normal(400), 0.3 * rng.standard_normal(400)
    proved = _proved(speed, teeth, halves, 0.6, 40)
    assert proved[:190].all()
    assert not proved[200:260].any()
