"""Sounds of engines made up with known engine speed; shares no code with what listens to them.

Every firing is a pulse of its own at the time at which the crank gets there, so that no harmonic is
written down anywhere: the comb that a listener finds is what the pulses add up to.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, iirpeak, lfilter, sosfilt


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
