"""What logs give of runs of a known truth: ``python -m tests.tools.simulate_logs --outings 60``.

A rider goes up and down one hill; a phone and a gauge's box of several rates and qualities write it
down (demo_data/log_maker.py). Counted is how often intervals hold what was true.
"""

import argparse
from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from demo_data.log_maker import Devices, World, usual_force, written
from tuninglib.physics.motion import Hill, Ride
from tuninglib.physics.track import local_metres
from tuninglib.session.from_logs import _by_likeness
from tuninglib.session.trace import Trace
from tuninglib.statistics.end_speeds import (
    end_speeds_from_speed,
    end_speeds_from_way,
)
from tuninglib.statistics.force_against_speed import LoggedRun, force_curves, run_forces
from tuninglib.statistics.settled_gauge import full_stretch, gauge_lag, settled_reading
from tuninglib.statistics.track_runs import (
    line_passes,
    logged_grade,
    logged_length,
    runs_by_length,
)

SEED, LATER_S = 20261126, 33.3
WORLDS = {
    "a phone, once a second": (World(), Devices(rate_hz=1.0)),
    "a receiver, five a second": (World(), Devices(rate_hz=5.0)),
    "ten a second, uneven": (World(), Devices(rate_hz=10.0, jitter_s=0.02)),
    "poor sky: 5 m, quick": (World(), Devices(rate_hz=1.0, position_sd_m=5.0, position_s=20.0)),
    "good sky, lasting speeds": (World(), Devices(rate_hz=1.0, position_sd_m=1.5, speed_s=1.5)),
    "strong gusts": (World(gust_sd_m_s=1.2), Devices(rate_hz=1.0)),
    "no round longer than another": (World(longer_waits_s=0.0), Devices(rate_hz=5.0)),
}


def _trace(time_s, channels):
    """A log that is in order already."""
    return Trace(
        kind="table", time_s=time_s, started_utc_s=None, clock_s=None, channels=channels,
        rows=time_s.size, left_out=(),
    )  # fmt: skip


def one_outing(rng, world, devices):
    """Scores of one outing: whether each interval holds the truth, and half widths."""
    count = int(rng.integers(4, 9))
    lambdas = 0.86 + 0.04 * rng.standard_normal(count)
    made = written(rng, [usual_force] * count, lambdas, world=world, devices=devices)
    lines = line_passes(
        made.time_s, latitude_deg=made.latitude_deg, longitude_deg=made.longitude_deg,
        start_deg=made.start_deg, marker_deg=made.marker_deg,
    )  # fmt: skip
    up = lines.direction > 0
    score = {"runs found": [up.sum() == count]}
    if up.sum() != count:
        return score, {}
    ends = {
        "enter_s": lines.enter_s[up],
        "leave_s": lines.leave_s[up],
        "place_sd_m": lines.position_sd_m,
    }
    metres = local_metres(made.latitude_deg, made.longitude_deg, origin_deg=made.start_deg)
    widths = {}
    for name, speeds in (
        ("logged speed", end_speeds_from_speed(made.time_s, made.speed_m_s, **ends)),
        ("speed of positions", end_speeds_from_way(made.time_s, *metres, **ends)),
    ):
        for end, true in (("entry", made.entry_m_s), ("exit", made.exit_m_s)):
            found, sd = getattr(speeds, f"{end}_m_s"), getattr(speeds, f"{end}_sd_m_s")
            score[f"{name}, {end}"] = list(np.abs(found - true) < 1.96 * sd)
            widths[f"{name}, {end}"] = 1.96 * float(np.mean(sd))
    passes = {"enter_s": lines.enter_s, "leave_s": lines.leave_s}
    grade = logged_grade(
        made.time_s, *metres, made.elevation_m, direction=lines.direction, **passes
    )
    level = [a / np.hypot(1, g) for a, g in zip(world.lengths_m, world.grades, strict=True)]
    true_grade = np.dot(level, world.grades) / np.sum(level)
    score["grade"] = [grade.low <= true_grade <= grade.high]
    widths["grade"] = grade.half_width
    length = logged_length(made.time_s, *metres, **passes)
    score["length"] = [length.low <= world.length_m <= length.high]
    widths["length"] = length.half_width
    box = slice(int(rng.uniform(0, 60) * devices.rate_hz), None)
    track = {
        "latitude_deg": made.latitude_deg,
        "longitude_deg": made.longitude_deg,
        "speed_m_s": made.speed_m_s,
    }
    places = {name: track[name] for name in ("latitude_deg", "longitude_deg")}
    engine = {"engine_speed_rpm": made.engine_speed_rpm[box]}
    throttle = {"throttle_ratio": made.throttle_ratio[box]}
    passes = [
        SimpleNamespace(enter_s=begin, leave_s=end, up=way > 0)
        for begin, end, way in zip(lines.enter_s, lines.leave_s, lines.direction, strict=True)
    ]
    for name, seen, own in (
        ("clock", track, engine),
        ("clock by places", places, engine),
        ("clock by full throttle", places, throttle),
    ):
        found = _by_likeness(
            _trace(made.time_s[box] - LATER_S, own), _trace(made.time_s, seen), passes
        ).shift_s
        score[f"{name} known"] = [found is not None]
        if found is not None:
            score[name] = [found.low <= LATER_S <= found.high]
            score[f"{name} of another round"] = [abs(found.value - LATER_S) > 5]
            widths[name] = found.half_width
    for name, throttle in (("throttle", made.throttle_ratio), ("pattern", None)):
        bare = runs_by_length(
            made.time_s, made.speed_m_s, length_m=world.length_m, entry_speed_m_s=world.entry_m_s,
            throttle_ratio=throttle,
        )  # fmt: skip
        score[f"runs found by {name}"] = [bare.enter_s.size == count]
        if bare.enter_s.size == count:
            off = np.abs(bare.enter_s - made.start_s) * made.entry_m_s
            score[f"start line by {name}"] = list(off < 1.96 * bare.position_sd_m)
            widths[f"start line by {name}"] = 1.96 * bare.position_sd_m
    _forces(score, widths, made, lines, up, world)
    full = [
        full_stretch(made.time_s, made.throttle_ratio, enter_s=a - 1.5, leave_s=b + 1.5)
        for a, b in zip(made.start_s, made.marker_s, strict=True)
    ]
    lag = gauge_lag(
        made.time_s, made.lambda_, opened_s=[o.from_s for o in full], shut_s=[o.to_s for o in full]
    )
    score["lag known"] = [lag is not None]
    taken = [
        settled_reading(made.time_s, made.lambda_, full=o, lag_s=lag.high if lag else 1.5)
        for o in full
    ]
    score["reading"] = [
        one.low <= true <= one.high for one, true in zip(taken, lambdas, strict=True)
    ]
    widths["reading"] = float(np.mean([(one.high - one.low) / 2 for one in taken]))
    return score, widths


def _forces(score, widths, made, lines, up, world):
    """Wheel force at three speeds, all runs of one setup; the wind of a run is scatter."""
    ride = Ride(
        hill=Hill(world.lengths_m, world.grades), mass_kg=world.mass_kg,
        rotating_mass_kg=world.rotating_kg, air_density_kg_m3=world.air_kg_m3,
        drag_area_m2=world.drag_area_m2, rolling_coefficient=world.rolling,
    )  # fmt: skip
    runs = []
    for begin, end in zip(lines.enter_s[up], lines.leave_s[up], strict=True):
        rows = (made.time_s > begin + 0.6) & (made.time_s < end - 0.6)
        runs.append(LoggedRun(0, made.time_s[rows] - begin, made.speed_m_s[rows], ride))
    speeds = np.array([14.5, 16.0, 17.5])
    found = force_curves(run_forces(runs), setup=[0] * len(runs), speed_m_s=speeds)
    for at, speed in enumerate(speeds):
        off, half = abs(found.force_n[0, at] - usual_force(speed)), found.half_width_n[0, at]
        if np.isfinite(off):
            score[f"force at {speed} m/s"] = [off <= half]
            widths[f"force at {speed} m/s"] = half


# Approaches: how a rider comes to the start line -------------------------------------------------

# Here nothing is of the maker of logs above: motion is laid out over time about the line, errors of
# speeds are those of a filter of second order and of rounding, errors of places slow waves.
_FINE_S = 0.02
APPROACHES = {
    "holds, opens at the line": ("holds",),
    "gathers until 2 s before": ("gathers",),
    "gathers over the line": ("gathers on",),
    "eases off, then opens": ("eases",),
    "opens 0.7 s late": ("late",),
    "one way or another": ("holds", "gathers", "gathers on", "eases", "late"),
}


def _approach(rng, kind, at):
    """Acceleration before the line, at times that are negative. [m/s²]"""
    strength = rng.uniform(0.8, 1.6)
    swing = rng.uniform(0.02, 0.12) * np.sin(
        2 * np.pi * (at / rng.uniform(3, 7) + rng.uniform(0, 1))
    )
    if kind in ("holds", "late"):
        return swing
    if kind == "gathers":
        # The hand shuts within half a second, and the bike is steady from two seconds before on.
        return strength * np.clip((-2.0 - at) / 0.5, 0, 1) + swing
    if kind == "gathers on":
        return 0.5 * strength + swing
    # Fast at first, then too fast, off the throttle for a second and a half, and even again.
    off = np.clip((at + 4.0) / 0.3, 0, 1) * np.clip((-2.0 - at) / 0.4, 0, 1)
    return strength * np.clip((-4.0 - at) / 0.4, 0, 1) - 0.5 * strength * off + swing


def approached(rng, kinds, count, rate_hz):
    """Rides over one straight hill of 400 m: what was written down, and the true speeds."""
    rows, truth, begun = [], [], 0.0
    phases = rng.uniform(0, 2 * np.pi, (2, 4))
    periods = rng.uniform(50, 250, (2, 4))
    for _ in range(count):
        before = np.arange(-25.0, 0.0, _FINE_S)
        entry = 12.5 + 0.4 * rng.standard_normal()
        kind = str(rng.choice(kinds))
        pull, late = _approach(rng, kind, before), 0.7 * (kind == "late")
        # Backwards from the line; slower than a walk nobody was.
        speed = np.maximum(entry - _FINE_S * np.cumsum(pull[::-1])[::-1], 1.0)
        way = -_FINE_S * np.cumsum(speed[::-1])[::-1]
        after, at, done, v = [], 0.0, 0.0, entry
        gust = 0.08 * np.sin(2 * np.pi * rng.uniform(0, 1) + np.arange(4000) * _FINE_S * 1.3)
        strength = rng.uniform(0.5, 0.8)
        while done < 560:
            opened = np.clip((at - late) / 0.25, 0, 1) ** 2
            full = strength - 0.05 * (v - 12.5) + gust[len(after)]
            brake = -2.5 if done > 400 and v > 6 else 0.0
            v += _FINE_S * (brake or pull[-1] + (full - pull[-1]) * opened)
            done += v * _FINE_S
            at += _FINE_S
            after.append((at, v, done))
        fine = np.concatenate([np.stack([before, speed, way]).T, np.array(after)])
        left = float(np.interp(400.0, fine[:, 2], fine[:, 0]))
        exit_speed = float(np.interp(left, fine[:, 0], fine[:, 1]))
        truth.append((begun + 30, begun + 30 + left, entry, exit_speed))
        rows.append(fine + np.array([begun + 30, 0.0, 0.0]))
        begun += 150.0 + rng.uniform(0, 60)
    fine = np.concatenate(rows)
    # A filter of second order at half a hertz, twice a running mean.
    wide = round(0.4 / _FINE_S)
    noise = rng.standard_normal(len(fine) + 2 * wide)
    for _ in range(2):
        noise = np.convolve(noise, np.ones(wide) / wide, "valid")
    noise = 0.12 * noise[: len(fine)] / noise.std()
    kept = np.arange(int(rng.integers(0, round(1 / rate_hz / _FINE_S))), len(fine) - 2,
                     round(1 / rate_hz / _FINE_S))  # fmt: skip
    time, speed, way = fine[kept].T
    logged = np.round((speed + noise[kept]) * 36) / 36
    slow = 1.8 * np.sin(2 * np.pi * time / periods[..., None] + phases[..., None]).sum(1)
    place = np.stack([0.8 * way, 0.6 * way]) + slow + 0.3 * rng.standard_normal((2, time.size))
    return time, logged, np.round(place, 1), np.array(truth)


def approaches(outings, rates=(1.0, 5.0)):
    """Print how often intervals of the two end speeds hold the truth, and how wide they are."""
    metre = 1 / 111_319.49
    print("| approach | rate | " + " | ".join(
        f"{source}, {end}" for source in ("speed", "way") for end in ("entry", "exit")
    ) + " |")  # fmt: skip
    for rate in rates:
        for name, kinds in APPROACHES.items():
            rng, off = np.random.default_rng(SEED), [[] for _ in range(4)]
            for _ in range(outings):
                count = int(rng.integers(4, 9))
                time, logged, place, truth = approached(rng, kinds, count, rate)
                lines = line_passes(
                    time, latitude_deg=place[1] * metre, longitude_deg=place[0] * metre,
                    start_deg=(0.0, 0.0), marker_deg=(240 * metre, 320 * metre),
                )  # fmt: skip
                up = lines.direction > 0
                ends = {
                    "enter_s": lines.enter_s[up],
                    "leave_s": lines.leave_s[up],
                    "place_sd_m": lines.position_sd_m,
                }
                rows = [int(np.argmin(np.abs(truth[:, 0] - one))) for one in lines.enter_s[up]]
                both = (
                    end_speeds_from_speed(time, logged, **ends),
                    end_speeds_from_way(time, *place, **ends),
                )
                for at, (speeds, end) in enumerate((s, e) for s in both for e in (0, 1)):
                    found, sd = (
                        (speeds.entry_m_s, speeds.entry_sd_m_s),
                        (speeds.exit_m_s, speeds.exit_sd_m_s),
                    )[end]
                    off[at] += list(zip(found - truth[rows, 2 + end], sd, strict=True))
            cells = []
            for one in off:
                error, sd = np.array(one).T
                told = np.isfinite(error)
                held = np.abs(error[told]) < 1.96 * sd[told]
                cells.append(
                    f"{100 * held.mean():.1f} % ± {1.96 * 3.6 * sd[told].mean():.2f}, "
                    f"off {3.6 * error[told].mean():+.2f}"
                )
            print(f"| {name} | {rate:g} Hz | " + " | ".join(cells) + " |", flush=True)


def main(outings):
    names, table = [], {}
    for world_name, (world, devices) in WORLDS.items():
        rng = np.random.default_rng(SEED)
        scores, widths = {}, {}
        for _ in range(outings):
            score, width = one_outing(rng, replace(world), devices)
            for name, own in score.items():
                scores.setdefault(name, []).extend(own)
            for name, own in width.items():
                widths.setdefault(name, []).append(own)
        table[world_name] = scores, widths
        names += [name for name in scores if name not in names]
    print("| what | " + " | ".join(WORLDS) + " |")
    print("|" + "---|" * (len(WORLDS) + 1))
    for name in names:
        cells = []
        for scores, widths in table.values():
            share = f"{100 * np.mean(scores[name]):.1f} %" if name in scores else "–"
            half = f" ± {np.mean(widths[name]):.2g}" if name in widths else ""
            cells.append(share + half)
        print(f"| {name} | " + " | ".join(cells) + " |")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--outings", type=int, default=60)
    parser.add_argument("--approaches", action="store_true", help="the start line alone")
    chosen = parser.parse_args()
    (approaches if chosen.approaches else main)(chosen.outings)
