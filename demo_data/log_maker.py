"""An invented rider goes up and down one hill; a phone and a gauge write it down.

Everything is known here: the motion is integrated in small steps and uses nothing of the library.
Positions are off by a slow error, as a phone's are (it wanders within tens of seconds), and by a
quick one; speeds, elevation and gauge have errors of their own, and the gauge lags.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

STEP_S, GRAVITY = 0.05, 9.80665
EQUATOR_M, FLATTENING = 6378137.0, 1 / 298.257223563
# In the open ocean, where nobody rides and nobody lives.
START_DEG = (47.25, -38.65)
CLOSED, CRUISE, FULL = 0.0, 0.3, 1.0
BEND_M, HEADING = 700.0, 0.6
# Engine speed over road speed in the gears, each up to a road speed. [1/min over m/s]
GEARS = np.array([860.0, 534.0, 382.0, 306.0])
GEAR_ENDS_M_S = [4.0, 8.0, 11.5]


def usual_force(speed_m_s):
    """Wheel force of an invented engine in one gear. [N]"""
    return 330.0 - 0.9 * (speed_m_s - 14.0) ** 2


@dataclass(frozen=True, kw_only=True)
class World:
    """What is true of the bike, the hill and the day."""

    lengths_m: tuple = (150.0, 250.0)
    grades: tuple = (0.050, 0.068)
    mass_kg: float = 205.0
    rotating_kg: float = 9.0
    air_kg_m3: float = 1.17
    drag_area_m2: float = 0.57
    rolling: float = 0.015
    wind_m_s: float = 0.0
    run_wind_sd_m_s: float = 0.4
    gust_sd_m_s: float = 0.4
    gust_s: float = 4.0
    entry_m_s: float = 12.5
    entry_sd_m_s: float = 0.3
    opening_s: float = 0.3
    # Beside the eight and ten seconds that a wait takes at the least, on average.
    longer_waits_s: float = 10.0

    @property
    def length_m(self) -> float:
        """Of the hill."""
        return sum(self.lengths_m)


@dataclass(frozen=True, kw_only=True)
class Devices:
    """How the phone and the gauge write it down."""

    rate_hz: float = 5.0
    jitter_s: float = 0.0
    position_sd_m: float = 2.5
    position_s: float = 40.0
    quick_sd_m: float = 0.3
    speed_sd_m_s: float = 0.12
    speed_s: float = 0.6
    elevation_sd_m: float = 2.0
    elevation_s: float = 60.0
    gauge_delay_s: float = 0.3
    gauge_time_s: float = 0.5
    gauge_sd: float = 0.006
    cruise_lambda: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Written:
    """What the devices wrote, and what was true; times of the lines are those of the runs up."""

    time_s: np.ndarray
    latitude_deg: np.ndarray
    longitude_deg: np.ndarray
    elevation_m: np.ndarray
    speed_m_s: np.ndarray
    throttle_ratio: np.ndarray
    engine_speed_rpm: np.ndarray
    lambda_: np.ndarray
    true_speed_m_s: np.ndarray
    true_way_m: np.ndarray
    start_s: np.ndarray
    marker_s: np.ndarray
    entry_m_s: np.ndarray
    exit_m_s: np.ndarray
    start_deg: tuple = START_DEG
    marker_deg: tuple = field(default=())


def wander(rng, n, sd, steps):
    """Noise of one sd that forgets itself within so many steps."""
    keep = np.exp(-1 / steps)
    kicks = rng.standard_normal(n) * sd * np.sqrt(1 - keep**2)
    kicks[0] = sd * rng.standard_normal()
    return lfilter([1.0], [1.0, -keep], kicks)


def written(rng, forces, lambdas, *, world=None, devices=None) -> Written:
    """An outing: a run up and a ride down for each force of speed and lambda at full throttle."""
    world, devices = world or World(), devices or Devices()
    time, way, speed, throttle, run = _ridden(rng, forces, world)
    lines = [np.flatnonzero(run == one) for one in range(len(forces))]
    starts, markers = (
        np.array([np.interp(line, way[rows], time[rows]) for rows in lines])
        for line in (0.0, world.length_m)
    )
    sensed = _gauge(throttle, np.array(lambdas)[np.maximum(run, 0)], devices)
    at = np.arange(0, time[-1], 1 / devices.rate_hz)
    if devices.jitter_s:
        at += devices.jitter_s * rng.uniform(-1, 1, at.size)
        at = np.unique(np.clip(at, 0, time[-1]))

    def logged(channel):
        return np.interp(at, time, channel)

    def slow(sd, seconds):
        return wander(rng, at.size, sd, seconds * devices.rate_hz)

    true_speed, true_way = logged(np.abs(speed)), logged(way)
    east, north = (
        axis
        + slow(devices.position_sd_m, devices.position_s)
        + devices.quick_sd_m * rng.standard_normal(at.size)
        for axis in road(true_way)
    )
    latitude, longitude = degrees(east, north)
    gear = GEARS[np.digitize(true_speed, GEAR_ENDS_M_S)]
    return Written(
        time_s=at,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=350
        + height(world, true_way)
        + slow(devices.elevation_sd_m, devices.elevation_s),
        speed_m_s=np.abs(true_speed + slow(devices.speed_sd_m_s, devices.speed_s)),
        throttle_ratio=logged(throttle),
        engine_speed_rpm=np.maximum(true_speed * gear, 1450.0) + 40 * rng.standard_normal(at.size),
        lambda_=logged(sensed) + wander(rng, at.size, devices.gauge_sd, devices.rate_hz),
        true_speed_m_s=true_speed,
        true_way_m=true_way,
        start_s=starts,
        marker_s=markers,
        entry_m_s=np.interp(starts, time, speed),
        exit_m_s=np.interp(markers, time, speed),
        marker_deg=tuple(float(one) for one in degrees(*road(world.length_m))),
    )


def _ridden(rng, forces, world):
    """Time, way along the road from the start line, speed along it, throttle, run."""
    edges = np.concatenate([[0.0], np.cumsum(world.lengths_m)[:-1]])
    slope = np.array(world.grades)
    resist = world.mass_kg * GRAVITY * (slope + world.rolling) / np.sqrt(1 + slope**2)
    drag = world.air_kg_m3 * world.drag_area_m2 / 2
    mass = world.mass_kg + world.rotating_kg
    far, s, rows = world.length_m + 90, -180.0, []
    for one, force_at in enumerate(forces):
        wind = world.wind_m_s + world.run_wind_sd_m_s * rng.standard_normal()
        gusts = wander(rng, 4000, world.gust_sd_m_s, world.gust_s / STEP_S)
        wanted = world.entry_m_s + world.entry_sd_m_s * rng.standard_normal()
        rows += [(s, 0.0, CLOSED, -1)] * int((8 + rng.exponential(world.longer_waits_s)) / STEP_S)
        v, throttle, count = 0.0, CRUISE, 0
        while s < world.length_m:
            if s < 0:
                v = min(v + 1.1 * STEP_S, wanted)
                s += v * STEP_S
            else:
                opened = (FULL - CRUISE) * STEP_S / max(world.opening_s, STEP_S)
                throttle = min(throttle + opened, FULL)
                share = (throttle - CRUISE) / (FULL - CRUISE)
                climb = resist[np.searchsorted(edges, s, side="right") - 1]
                air = v + wind + gusts[count]
                # What held the speed before is handed over to full throttle as it opens.
                hold = climb + drag * air * abs(air)
                pull = share * force_at(v) + (1 - share) * hold - climb - drag * air * abs(air)
                s += (v + pull / mass * STEP_S / 2) * STEP_S
                v += pull / mass * STEP_S
                count += 1
                if v < 1:
                    raise ValueError("the invented bike stalls")
            rows.append((s, v, throttle, one))
        while far - s > 0.5:
            v = max(min(v, np.sqrt(3.2 * (far - s))), 0.5)
            s += v * STEP_S
            rows.append((s, v, CLOSED, -1))
        rows += [(s, 0.0, CLOSED, -1)] * int((10 + rng.exponential(world.longer_waits_s)) / STEP_S)
        v = 0.0
        while s + 180 > 0.5:
            v = max(min(v + 1.2 * STEP_S, 13.0, np.sqrt(3.2 * (s + 180))), 0.5)
            s -= v * STEP_S
            rows.append((s, -v, 0.15 if v < 13 else CLOSED, -1))
    way, speed, throttle, run = (np.array(column) for column in zip(*rows, strict=True))
    return STEP_S * np.arange(way.size), way, speed, throttle, run.astype(int)


def _gauge(throttle, full, devices):
    """What the gauge shows at each step: the mixture, later and smoothed."""
    hunting = 0.012 * np.sin(2 * np.pi * STEP_S * np.arange(throttle.size) / 1.7)
    part = devices.cruise_lambda + hunting
    mixture = np.where(throttle >= 0.85, full, np.where(throttle > 0.05, part, 1.25))
    late = round(devices.gauge_delay_s / STEP_S)
    mixture = np.concatenate([np.full(late, mixture[0]), mixture[: mixture.size - late]])
    keep = np.exp(-STEP_S / devices.gauge_time_s)
    return lfilter([1 - keep], [1, -keep], mixture, zi=[keep * mixture[0]])[0]


def road(way):
    """East and north of a way along a road that bends to the left, from the start line. [m]"""
    turned = HEADING + np.asarray(way, dtype=float) / BEND_M
    return BEND_M * (np.sin(turned) - np.sin(HEADING)), BEND_M * (np.cos(HEADING) - np.cos(turned))


def height(world, way):
    """Height over the start line, the slopes at both ends going on. [m]"""
    way, grades = np.asarray(way, dtype=float), np.array(world.grades)
    ends = np.concatenate([[0.0], np.cumsum(world.lengths_m)])
    sines = grades / np.sqrt(1 + grades**2)
    heights = np.concatenate([[0.0], (sines * world.lengths_m).cumsum()])
    outside = sines[0] * np.minimum(way, 0) + sines[-1] * np.maximum(way - ends[-1], 0)
    return np.interp(way, ends, heights) + outside


def degrees(east, north):
    """Latitude and longitude of metres about the start line, by the radii of curvature there."""
    phi = np.deg2rad(START_DEG[0])
    e2 = FLATTENING * (2 - FLATTENING)
    root = np.sqrt(1 - e2 * np.sin(phi) ** 2)
    return (
        START_DEG[0] + np.rad2deg(north * root**3 / (EQUATOR_M * (1 - e2))),
        START_DEG[1] + np.rad2deg(east * root / (EQUATOR_M * np.cos(phi))),
    )
