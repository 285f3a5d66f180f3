"""Invented runs up a hill and what a phone on the bike hears; shares no code with the library.

Every firing is a pulse of its own at the time at which the crank gets there, so that no harmonic is
written down anywhere: the comb that a listener finds is what the pulses add up to.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, iirpeak, lfilter, sosfilt

STEP_S, GRAVITY = 0.05, 9.80665


@dataclass(frozen=True)
class Engine:
    """What fires how often, and what it sounds like.

    Attributes
    ----------
    cylinders, strokes : int
    firing_deg : tuple of float
        Crank angles within one cycle; empty for even ones.
    jitter_deg, loudness_sd : float
        From cycle to cycle, of the crank angle and of the pulse's size. [deg], [-]
    between : float
        Pulse halfway to the next firing (piston and valves on the other turn), of a firing's size.
    resonances_hz : tuple of float
        Of pipe and airbox.
    lowest_hz : float
        Below, the phone hears little (a missing fundamental).
    """

    cylinders: int = 1
    strokes: int = 4
    firing_deg: tuple = ()
    jitter_deg: float = 2.0
    loudness_sd: float = 0.15
    between: float = 0.2
    resonances_hz: tuple = (180.0, 520.0, 1100.0)
    lowest_hz: float = 40.0


SINGLE = Engine()


def engine_sound(rng, rpm, rate_hz, engine=SINGLE) -> np.ndarray:
    """The engine alone, of unit power.

    Parameters
    ----------
    rng : numpy.random.Generator
    rpm : array
        Engine speed at each sample.
    rate_hz : float
    engine : Engine
    """
    turns_per_cycle = engine.strokes / 2
    cycle = np.cumsum(rpm) / 60 / rate_hz / turns_per_cycle
    offsets = np.asarray(engine.firing_deg) / (360 * turns_per_cycle)
    if not offsets.size:
        offsets = np.arange(engine.cylinders) / engine.cylinders
    each = 1 + 0.12 * rng.standard_normal(offsets.size)
    places, sizes = [], []
    for at, own in zip(offsets, each, strict=True):
        count = np.arange(int(cycle[-1] - at) + 1)
        jitter = engine.jitter_deg / (360 * turns_per_cycle) * rng.standard_normal(count.size)
        places.append(np.interp(count + at + jitter, cycle, np.arange(rpm.size)))
        sizes.append(own * (1 + engine.loudness_sd * rng.standard_normal(count.size)))
        halfway = count + at + 0.5 / engine.cylinders
        places.append(np.interp(halfway, cycle, np.arange(rpm.size)))
        sizes.append(np.full(count.size, own * engine.between))
    place, size = np.concatenate(places), np.concatenate(sizes)
    impulses = np.zeros(rpm.size + 2)
    whole = place.astype(int)
    np.add.at(impulses, whole, size * (1 - place + whole))
    np.add.at(impulses, whole + 1, size * (place - whole))
    impulses = impulses[: rpm.size]
    # A blowdown of some ms, and the tick of valves.
    low = lfilter([1.0], [1.0, -np.exp(-1 / (0.0025 * rate_hz))], impulses)
    sound = low - np.roll(low, int(0.004 * rate_hz)) + 0.8 * impulses
    for hz in engine.resonances_hz:
        if hz < rate_hz / 2.2:
            sound = sound + 1.5 * lfilter(*iirpeak(hz, 6.0, fs=rate_hz), sound)
    sound = sosfilt(butter(2, engine.lowest_hz, "highpass", fs=rate_hz, output="sos"), sound)
    return sound / sound.std()


def coloured_noise(rng, samples, rate_hz, slope=1.0, floor_hz=30.0) -> np.ndarray:
    """Noise of unit power that falls with frequency: slope 0 white, 1 pink, 2 as wind."""
    frequency = np.fft.rfftfreq(samples, 1 / rate_hz)
    shape = np.maximum(frequency, floor_hz) ** (-slope / 2)
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(samples)) * shape, samples)
    return noise / noise.std()


def gusts(rng, samples, rate_hz) -> np.ndarray:
    """Wind at the microphone: rumble whose size comes and goes within seconds."""
    seconds = np.arange(samples / rate_hz + 1)
    size = np.exp(0.6 * rng.standard_normal(seconds.size))
    slow = np.interp(np.arange(samples) / rate_hz, seconds, size)
    wind = coloured_noise(rng, samples, rate_hz, slope=2.0) * slow
    return wind / wind.std()


def recorded(engine_part, noise, snr_db, clip=None) -> np.ndarray:
    """Engine and noise at a ratio of powers, from -1 to 1; ``clip`` is in the noise's own size."""
    sound = engine_part + noise * 10 ** (-snr_db / 20)
    full = 1.05 * np.abs(sound).max() if clip is None else clip * sound.std()
    return np.clip(sound / full, -1, 1)


def pull_rpm(rng, rate_hz, seconds=22.0, low=None, high=None) -> np.ndarray:
    """Steady riding, a pull at full throttle, and the throttle shut again."""
    low = rng.uniform(3500, 5500) if low is None else low
    high = low * rng.uniform(1.25, 1.55) if high is None else high
    time = np.arange(int(seconds * rate_hz)) / rate_hz
    opened, shut = 0.2 * seconds, 0.85 * seconds
    u = np.clip((time - opened) / (shut - opened), 0, 1)
    rpm = low + (high - low) * (1 - np.exp(-1.6 * u)) / (1 - np.exp(-1.6))
    rpm = np.where(time > shut, rpm * np.exp(-0.09 * (time - shut)), rpm)
    wobble = np.interp(time, np.arange(0, seconds + 1), rng.standard_normal(int(seconds) + 1))
    return rpm * (1 + 0.002 * wobble)


def heard_from_the_road(sound, rate_hz, speed_m_s=15.0, nearest_m=6.0) -> np.ndarray:
    """The same as somebody beside the road hears it: by the way of sound, with Doppler and 1/r."""
    time = np.arange(sound.size) / rate_hz
    along = speed_m_s * (time - time[-1] / 2)
    away = np.hypot(along, nearest_m)
    heard = np.interp(time, time + away / 343.0, sound * nearest_m / away)
    return heard / heard.std()


@dataclass(frozen=True, kw_only=True)
class Hands:
    """When the rider opens at the line, and shuts after having read the speed at the marker. [s]

    ``late_sd_s`` is what shutting differs by from rider to rider.
    """

    opens_sd_s: float = 0.3
    shuts_after_s: float = 0.25
    shuts_sd_s: float = 0.25
    late_sd_s: float = 0.15
    before_s: float = 9.0
    after_s: float = 4.0


@dataclass(frozen=True, kw_only=True)
class Ridden:
    """One run: rows a twentieth of a second apart, and what was true at both lines."""

    time_s: np.ndarray
    speed_m_s: np.ndarray
    start_s: float
    marker_s: float
    entry_m_s: float
    exit_m_s: float


def ridden(rng, force_at, world, hands, late_s=0.0) -> Ridden:
    """A run up the hill of a world of log_maker.py, with hands that are never quite at the line."""
    edges = np.concatenate([[0.0], np.cumsum(world.lengths_m)[:-1]])
    slope = np.array(world.grades)
    resist = world.mass_kg * GRAVITY * (slope + world.rolling) / np.sqrt(1 + slope**2)
    drag = world.air_kg_m3 * world.drag_area_m2 / 2
    v = world.entry_m_s + world.entry_sd_m_s * rng.standard_normal()
    s, since, shut = -hands.before_s * v, np.nan, np.nan
    opens = hands.opens_sd_s * rng.standard_normal()
    shuts = hands.shuts_after_s + late_s + hands.shuts_sd_s * rng.standard_normal()
    wind = world.wind_m_s + world.run_wind_sd_m_s * rng.standard_normal()
    each = np.arange(0, 300, world.gust_s)
    gust = np.interp(np.arange(0, 200, STEP_S), each, rng.standard_normal(each.size))
    gust *= world.gust_sd_m_s
    rows, length = [], world.length_m
    while not since > shut + hands.after_s:
        rows.append((s, v))
        # Times at which the hands move are those of the lines at this speed, and so much later.
        share = np.clip(((s / v) - opens) / world.opening_s + 0.5, 0, 1)
        share *= 1 - np.clip(((s - length) / v - shuts) / world.opening_s + 0.5, 0, 1)
        since = (s - length) / v
        shut = max(shuts, 0.0)
        climb = resist[max(np.searchsorted(edges, s, side="right") - 1, 0)]
        air = v + wind + gust[len(rows)]
        against = climb + drag * air * abs(air)
        # Before the line the rider holds the speed, with a hand that is not quite steady.
        before = against + 8 * rng.standard_normal() if s < 0.5 * length else -60.0
        pull = share * force_at(v) + (1 - share) * before - against
        v += pull / (world.mass_kg + world.rotating_kg) * STEP_S
        s += v * STEP_S
    way, speed = np.array(rows).T
    time = STEP_S * np.arange(way.size)
    lines = np.interp([0.0, length], way, time)
    entry, exit_ = np.interp(lines, time, speed)
    return Ridden(
        time_s=time, speed_m_s=speed, start_s=lines[0], marker_s=lines[1],
        entry_m_s=entry, exit_m_s=exit_,
    )  # fmt: skip


def phone_hears(rng, run, *, turns_per_m, rate_hz, snr_db, engine=SINGLE) -> np.ndarray:
    """What a phone on the bike records of a run, from -1 to 1; the engine is louder under load."""
    at = np.arange(int(run.time_s[-1] * rate_hz)) / rate_hz
    rpm = 60 * turns_per_m * np.interp(at, run.time_s, run.speed_m_s)
    full = np.interp(at, [run.start_s - 0.2, run.start_s + 0.2, run.marker_s, run.marker_s + 0.3],
                     [0.5, 1.0, 1.0, 0.35])  # fmt: skip
    noise = gusts(rng, at.size, rate_hz) + 0.5 * coloured_noise(rng, at.size, rate_hz)
    return recorded(full * engine_sound(rng, rpm, rate_hz, engine), noise / noise.std(), snr_db)
