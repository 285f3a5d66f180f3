"""What logs give of runs of a known truth: ``python -m tests.tools.simulate_logs --outings 60``.

A rider goes up and down one hill; a phone and a gauge's box of several rates and qualities write it
down (demo_data/log_maker.py). Counted is how often intervals hold what was true.
"""

import argparse
from dataclasses import replace

import numpy as np

from demo_data.log_maker import Devices, World, usual_force, written
from tuninglib.physics.motion import Hill, Ride
from tuninglib.physics.track import local_metres
from tuninglib.statistics.force_against_speed import LoggedRun, force_curves, run_forces
from tuninglib.statistics.settled_gauge import full_stretch, gauge_lag, settled_reading
from tuninglib.statistics.track_runs import (
    clock_shift,
    end_speeds_from_speed,
    end_speeds_from_way,
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


def one_outing(rng, world, devices):
    """Scores of one outing: whether each interval holds the truth, and half widths."""
    count = int(rng.integers(4, 9))
    lambdas = 0.86 + 0.04 * rng.standard_normal(count)
    made = written(rng, [usual_force] * count, lambdas, world=world, devices=devices)
    lines = line_passes(
        made.time_s,
        latitude_deg=made.latitude_deg,
        longitude_deg=made.longitude_deg,
        start_deg=made.start_deg,
        marker_deg=made.marker_deg,
    )
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
    shift = clock_shift(
        made.time_s, made.speed_m_s, made.time_s[box] - LATER_S, made.engine_speed_rpm[box]
    )
    score["clock known"] = [shift.shift_s is not None]
    if shift.shift_s is not None:
        score["clock"] = [shift.shift_s.low <= LATER_S <= shift.shift_s.high]
        score["clock of another round"] = [abs(shift.shift_s.value - LATER_S) > 5]
        widths["clock"] = shift.shift_s.half_width
    for name, throttle in (("throttle", made.throttle_ratio), ("pattern", None)):
        bare = runs_by_length(
            made.time_s,
            made.speed_m_s,
            length_m=world.length_m,
            entry_speed_m_s=world.entry_m_s,
            throttle_ratio=throttle,
        )
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
        hill=Hill(world.lengths_m, world.grades),
        mass_kg=world.mass_kg,
        rotating_mass_kg=world.rotating_kg,
        air_density_kg_m3=world.air_kg_m3,
        drag_area_m2=world.drag_area_m2,
        rolling_coefficient=world.rolling,
    )
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
    main(parser.parse_args().outings)
