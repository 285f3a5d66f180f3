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
from tuninglib.statistics.engine_sound import (
    _HIGHEST_HZ,
    SOUND_RATE_HZ,
    STEP_S,
    HeardSpeed,
    _agreed,
    _claims,
    _comb,
    _moved,
    _octaves,
    _posterior,
    _proved,
    _running_mean,
    goes_past,
    heard_speed,
    new_rings,
    rings,
    stands_out,
)

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
    # The first stands in the middle of 0.256 s; levels are over the loudest.
    assert (found.time_s[0], found.level_db.max()) == (pytest.approx(0.128), 0.0)
    # The picture has a row for every two of them, and 400 Hz in bands of 5.
    assert found.picture.shape == (found.time_s.size // 2, 80)


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


def heard_as(speed, level=0.0, time=None, unsure=False):
    """A recording of which this was heard."""
    time = STEP_S * np.arange(np.size(speed)) if time is None else time
    speed = np.broadcast_to(np.asarray(speed, dtype=float), time.shape)
    return HeardSpeed(
        time_s=time, engine_speed_rpm=speed, sd_rpm=speed / 1000, heard=0 * time + 1,
        level_db=level + 0 * time, over_noise_db=0 * time, unsure_octave=(0 * time + unsure) > 0,
        picture=np.zeros((0, 80)),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("louder", "seconds", "begun"),
    [
        (6.1, 0.5, (10.0,)), (5.9, 0.5, ()), (9.0, 1.4, (10.0,)), (9.0, 1.6, ()),
        # One instant alone is a click.
        (9.0, 0.1, (10.0,)), (9.0, 0.05, ()),
    ],
)  # fmt: skip
def test_what_is_short_and_louder_than_around_it_stands_out(louder, seconds, begun):
    """An engine grows louder by 2 dB a second meanwhile."""
    time = STEP_S * np.arange(400)
    loud = (time > 10 - STEP_S / 2) & (time < 10 + seconds - STEP_S / 2)
    found = stands_out(heard_as(5000.0, louder * loud - 10.0, time))
    assert found == pytest.approx(begun)
    assert stands_out(heard_as([])) == ()


@pytest.mark.parametrize(
    ("how", "beside"),
    [
        # Twice the speed over that of sound.
        ({"fall": 0.028}, True), ({"fall": 0.022}, False), ({"fall": 0.157}, True),
        ({"fall": 0.35}, False), ({"fall": -0.08}, False),
        # As steep before as after, and on its way up or even.
        ({"before": 0.03, "after": -0.01}, True), ({"before": 0.055, "after": -0.01}, False),
        ({"before": -0.03, "after": -0.03}, False), ({"before": 0.06, "after": 0.02}, True),
        ({"before": 0.02, "after": 0.06}, True), ({"before": 0.01, "after": 0.09}, False),
        # Fainter by 9 dB four seconds before and after.
        ({"fainter": (12.0, 10.0)}, True), ({"fainter": (12.0, 8.7)}, False),
        ({"fainter": (8.7, 12.0)}, False),
        # Where it is loudest, or up to a second beside.
        ({"aside": 0.9}, True), ({"aside": -0.9}, True), ({"aside": 2.5}, False),
        # Eight seconds of it are known, which go on beyond; a second on both sides.
        ({"known": 8.1}, True), ({"known": 7.9}, False), ({"unheard": (7.6, 9.0)}, True),
        ({"unheard": (6.9, 9.2)}, False), ({"unheard": (10.8, 13.1)}, False),
        ({"until": 12.5}, False),
    ],
)  # fmt: skip
def test_a_bystander_is_known_by_fall_slopes_and_loudness(how, beside):
    how = {"fall": 0.08, "before": 0.01, "after": 0.01, "fainter": (12.0, 12.0), "aside": 0.0,
           "known": 20.0, "unheard": (0.0, 0.0), "until": 20.0} | how  # fmt: skip
    time = STEP_S * np.arange(round(how["until"] / STEP_S))
    u = time - 10.0
    log = np.where(u < 0, how["before"], how["after"]) * u - how["fall"] * (u > 0)
    speed = 6000 * np.exp(log)
    speed[np.abs(u) > how["known"] / 2] = np.nan
    speed[(time > how["unheard"][0]) & (time < how["unheard"][1])] = np.nan
    far = u - how["aside"]
    level = -np.where(far < 0, *how["fainter"]) * np.minimum(np.abs(far) / 3, 1.0)
    assert goes_past(heard_as(speed, level, time)) == beside


def test_of_two_combs_that_is_left_which_both_say():
    one = heard_as([6000.0, 6000, 6000, np.nan])
    found = _agreed(one, heard_as([6080.0, 6100, 5900, 6000]))
    alike = [True, False, False, False]
    np.testing.assert_array_equal(found.engine_speed_rpm, np.where(alike, 6000.0, np.nan))
    np.testing.assert_array_equal(found.sd_rpm, np.where(alike, 6.0, np.nan))
    assert found.unsure_octave.tolist() == [False, True, True, False]
    assert _agreed(heard_as([1.0], unsure=True), heard_as([1.0])).unsure_octave.all()


def test_a_running_mean_is_of_what_there_is_around():
    values = np.random.default_rng(3).standard_normal((12, 2))
    for wide in (3, 5):
        half = wide // 2
        wanted = [values[max(0, at - half) : at + half + 1].mean(0) for at in range(12)]
        np.testing.assert_allclose(_running_mean(values, wide), wanted)


def test_what_is_claimed_is_the_mean_of_what_is_near_the_likeliest():
    grid = np.log(3000) + 0.001 * np.arange(400)
    far = (np.arange(400) - 200) * 0.001
    shape = np.exp(-0.5 * ((far - 0.0004) / 0.002) ** 2)
    shape /= shape.sum()
    even = np.full(400, 0.1 / 400)
    # Nine tenths are there; 95 % must be, within 0.015, and within 0.003 of each other.
    wide = np.exp(-0.5 * (far / 0.0035) ** 2)
    rows = [shape, 0.96 * shape + 0.4 * even, 0.93 * shape + 0.7 * even, wide / wide.sum()]
    rpm, sd, mass = _claims(np.array(rows), grid)
    assert np.isfinite(rpm).tolist() == np.isfinite(sd).tolist() == [True, True, False, False]
    assert rpm[0] == pytest.approx(3000 * np.exp(0.2004), rel=1e-6)
    assert sd[0] / rpm[0] == pytest.approx(0.002, rel=1e-3)
    assert mass[:3] == pytest.approx([1.0, 0.963, 0.935], abs=0.001)
    # The likeliest alone is known to a step of the grid.
    ((rpm,), (sd,), _) = _claims(np.eye(400)[[50]], grid)
    assert sd / rpm == pytest.approx(0.001 / np.sqrt(12))


def test_rings_that_were_never_there_before_are_pointed_to():
    """Quarters of a second; others had 10 dB at 6000, and nothing was heard above 6480."""
    time, others = (
        0.25 * np.arange(12),
        [np.array([[0.0], [6000], [10]]), np.array([[0.0], [4000], [2]])],
    )
    high = np.array([12.9, 13.1, 13.1, 12.9, 13.1, 12.9, 13.1, 13.1, 13.1, 0, 0, 0])
    speed = np.full(12, 6000.0)
    assert new_rings((time, speed, high), others) == [(0.25, 0.75), (1.5, 2.25)]
    for rpm, found in ((6470.0, 2), (6490.0, 0), (5530.0, 2), (5510.0, 0)):
        assert len(new_rings((time, np.full(12, rpm), high), others)) == found
    # A pause parts two of them.
    late = time + 0.25 * (time > 1.6)
    assert new_rings((late, speed, high), others) == [(0.25, 0.75), (2.0, 2.5)]


def test_what_sounds_once_a_firing_is_told_from_what_sounds_all_through():
    """At 6000 rpm, 50 firings of a single a second: 8 in the tenth of each that rings, 1 aside."""
    step = 0.001
    part = (np.arange(2000) * step * 50 % 1 + 0.5 * step * 50) // 0.1
    power = 1.0 + 7.0 * (part == 4)
    heard = heard_as(np.where(np.arange(40) == 27, np.nan, 6000.0))
    time, rpm, level = rings(power, np.full(2000, 0.5), step, heard)
    # The instant at 1.35 s was not heard.
    np.testing.assert_allclose(time, [0, 0.25, 0.5, 0.75, 1.0, 1.5, 1.75])
    np.testing.assert_allclose(rpm, 6000)
    # A tenth of 7 is 0.7 over the 0.5 of the engine.
    np.testing.assert_allclose(level, 10 * np.log10(0.7 / 0.5), atol=0.1)


def test_the_chain_moves_as_its_shares_say():
    """All pairs of 150 speeds: heard by a quarter or 1.2 %, unheard by 1.2 %; at times a gear."""
    far = 0.001 * np.subtract.outer(np.arange(150), np.arange(150))
    steps = 0.001 * np.arange(-50, 51)

    def move(shares, jumps):
        shape = [
            sum(w * np.exp(-((x / sd) ** 2) / 2) / sd for w, sd in shares) for x in (far, steps)
        ]
        near = np.where(np.abs(far) < 0.0505, shape[0], 0.0) / shape[1].sum()
        return (1 - jumps) * near + jumps / 901

    heard, unheard = move([(0.9, 0.0025), (0.1, 0.012)], 1e-4), move([(1.0, 0.012)], 2e-2)
    change = np.block([[0.99 * heard, 0.02 * unheard], [0.01 * heard, 0.98 * unheard]])
    rng = np.random.default_rng(4)
    state = rng.uniform(0, 1, (2, 150))
    np.testing.assert_allclose(_moved(state).ravel(), change @ state.ravel(), rtol=1e-9)
    # What is likely at the last instant is what came of all of them; silence scores nothing.
    scores, at = rng.normal(0, 3, (6, 150)), np.full(300, 1 / 300)
    for score in scores:
        at = (change @ at) * np.exp([*score, *np.zeros(150)])
        at /= at.sum()
    found, last = _posterior(scores, None, 6)
    np.testing.assert_allclose(found[-1], at[:150], rtol=1e-4)
    # An instant before, each speed by what may have come before and by what may follow.
    likely = np.exp(np.pad(scores, ((0, 0), (0, 150))))
    before, follows = np.full(300, 1 / 300), np.ones(300)
    for one in likely[:3]:
        before = (change @ before) * one
    for one in likely[:2:-1]:
        follows = change.T @ (one * follows)
    both = before * follows / (before @ follows)
    np.testing.assert_allclose(found[2], both[:150], rtol=1e-4)
    np.testing.assert_allclose(last.ravel(), at, rtol=1e-4)
    # Begun from there, the same.
    again, _ = _posterior(scores[:1], last, 1)
    at = (change @ at) * np.exp([*scores[0], *np.zeros(150)])
    np.testing.assert_allclose(again[0], at[:150] / at.sum(), rtol=1e-4)


def test_a_comb_is_its_teeth_less_what_is_halfway():
    """Tooth by tooth up to the highest frequency; each must stand out by a fifth."""
    hz = 10.0 * np.exp(0.001 * np.arange(int(np.log(_HIGHEST_HZ / 10) / 0.001) + 1))
    lines = np.random.default_rng(4).uniform(0, 1, (2, hz.size)).astype(np.float32)
    found = _comb(lines, hz, 300)
    for speed in (0, 120, 299):
        score = np.zeros(2)
        for half in range(1, 200):
            column = speed + round(1000 * np.log(2 * half))
            if column < hz.size:
                score += lines[:, column] - 0.2 if half % 2 == 0 else -lines[:, column]
        np.testing.assert_allclose(found[:, speed], score, atol=1e-4)


def test_an_octave_is_told_by_every_second_tooth_and_by_what_is_halfway():
    """Of a tooth at 50 Hz: 50, 150 ... 1150 beside 25 Hz to either side; 25, 75 ... beside 12.5."""
    hz = 10.0 * np.exp(0.001 * np.arange(int(np.log(_HIGHEST_HZ / 10) / 0.001) + 1))
    lines = np.random.default_rng(5).uniform(0, 1, (3, hz.size))
    found = _octaves(lines, hz, np.array([50.0, 117.0, np.nan]))
    for row, tooth in enumerate((50.0, 117.0)):
        for wide, got in zip((tooth, tooth / 2), found, strict=True):
            out = []
            for number in range(1, 25, 2):
                columns = np.rint(1000 * np.log(wide * (number + np.array([-0.5, 0, 0.5])) / 10))
                columns = columns.astype(int)
                if columns[2] < hz.size and hz[columns[0]] >= 30.0:
                    low, own, high = lines[row, columns]
                    out.append(own - (low + high) / 2)
            assert got[row] == pytest.approx(np.mean(out))
