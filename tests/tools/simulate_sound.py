"""How well engines are heard and what outings with sound give: two tables.

    python -m tests.tools.simulate_sound sounds --count 4
    python -m tests.tools.simulate_sound outings --count 25

The sounds are of demo_data/sound_maker.py, whose truth is known. An outing has two runs of each of
two setups, once with recordings and once with speeds typed in whole km/h.
"""

import argparse
import os
import tempfile
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
from scipy.io import wavfile

from demo_data.log_maker import World
from demo_data.sound_maker import (
    Engine,
    Hands,
    coloured_noise,
    engine_sound,
    gusts,
    phone_hears,
    pull_rpm,
    recorded,
    ridden,
)
from tuninglib.analysis.analyse import analyse
from tuninglib.interval import Z_95
from tuninglib.session.load import load_session
from tuninglib.statistics.engine_sound import SOUND_RATE_HZ, heard_speed

SEED, RATE = 20261130, SOUND_RATE_HZ
ENGINES = {
    "single": Engine(),
    "no fundamental": Engine(lowest_hz=250.0),
    "strong second order": Engine(between=0.5),
    "rough": Engine(jitter_deg=4.0, loudness_sd=0.25),
    "twin": Engine(cylinders=2), "triple": Engine(cylinders=3), "four": Engine(cylinders=4),
    "twin, pins half a turn apart": Engine(cylinders=2, firing_deg=(0, 180)),
    "V of 45 degrees": Engine(cylinders=2, firing_deg=(0, 315)),
    "uneven four": Engine(cylinders=4, firing_deg=(0, 270, 450, 540)),
}  # fmt: skip
SIGNAL_TO_NOISE_DB = (10, 0, -6)
NOISES = {"white": partial(coloured_noise, slope=0.0), "pink": coloured_noise, "wind": gusts}


def one_sound(seed, engine, noise, snr_db):
    """Share that is claimed, relative errors of it, errors over their sd."""
    rng = np.random.default_rng((SEED, seed))
    rpm = pull_rpm(rng, RATE)
    sound = recorded(
        engine_sound(rng, rpm, RATE, engine), NOISES[noise](rng, rpm.size, RATE), snr_db
    )
    within = None if engine.cylinders == 1 else (0.75 * rpm.min(), 1.3 * rpm.max())
    heard = heard_speed(sound, cylinders=engine.cylinders, within_rpm=within)
    true = np.interp(heard.time_s, np.arange(rpm.size) / RATE, rpm)
    known = np.isfinite(heard.engine_speed_rpm)
    error = (heard.engine_speed_rpm / true - 1)[known]
    return known.mean(), error, error / (heard.sd_rpm / heard.engine_speed_rpm)[known]


def sounds(count, first, only, pool):
    """Print how well engines are heard."""
    heads = (f"{snr} dB" for snr in SIGNAL_TO_NOISE_DB)
    print(f"| engine | noise | {' | '.join(heads)} |\n|---|---|---|---|---|")
    wrong = total = near = claimed = 0
    for name, engine in ENGINES.items():
        if only not in ("", name):
            continue
        for noise in NOISES:
            cells = []
            for snr in SIGNAL_TO_NOISE_DB:
                work = partial(one_sound, engine=engine, noise=noise, snr_db=snr)
                shares, errors, scores = zip(
                    *pool.map(work, range(first, first + count)), strict=True
                )
                # Nearer to half, double or another multiple than a change of gear could be.
                wrong += sum(bool(np.abs(one).max(initial=0) > 0.2) for one in errors)
                total += count
                every, score = np.concatenate(errors), np.concatenate(scores)
                near, claimed = near + int(np.sum(np.abs(every) < 0.003)), claimed + every.size
                within = 100 * np.quantile(np.abs(every), 0.95) if every.size else np.nan
                holds = 100 * np.mean(np.abs(score) < Z_95) if every.size else np.nan
                cells.append(f"{100 * np.mean(shares):.0f}, {within:.2f}, {holds:.0f}")
            print(f"| {name} | {noise} | {' | '.join(cells)} |", flush=True)
    print(f"\n{wrong} of {total} recordings claim a wrong octave.")
    print(f"{100 * near / claimed:.1f} % of {claimed} instants that are claimed are within 0.3 %.")


TOML = """[session]
title = "simulated"
invented = "yes"
date = 2026-09-18
reference = "a"
units = "metric"
[bike]
mass = "121 kg +/- 2 kg"
rotating_mass = "9 kg +/- 3 kg"
drag_area = "0.57 m2 +/- 0.06 m2"
rolling_coefficient = "0.015 +/- 0.004"
[engines.e]
displacement = "178 cc"
[riders.r]
mass = "84 kg +/- 2 kg"
[hill]
length = "400 m +/- 2 m"
grade = "6.1 +/- 0.3 %"
altitude = "620 m"
[weather]
temperature = "17 degC"
pressure = "972 hPa"
[gauge]
scale = 14.7
[fuels.f]
ethanol = "4 +/- 1 %"
octane = "98 RON"
[injectors.i]
flow = "150 cc/min"
flow_pressure = "3 bar"
[setups.a]
engine = "e"
injector = "i"
fuel = "f"
[setups.b]
engine = "e"
injector = "i"
fuel = "f"
parts = "another pipe"
"""


# How far a hand at the horn is from a line (standard deviation). [s]
HORN_SD_S = 0.3


def one_outing(seed, snr_db=3.0, marks=False):
    """Errors over their sd of both speeds of each run; gain's error over its half width; widths."""
    rng = np.random.default_rng((SEED, 1, seed))
    # The length is as uncertain as it is stated.
    hands = Hands(before_s=8.0, after_s=3.0)
    world = World(lengths_m=(150.0, 250.0 + rng.standard_normal()))
    late, scale = hands.late_sd_s * rng.standard_normal(), 1 + 0.02 * rng.standard_normal()
    gain, order = float(np.exp(rng.normal(0, 0.06))), "abba"
    turns, true = rng.uniform(5.5, 6.8), []
    with tempfile.TemporaryDirectory() as folder:
        folder, toml, heard = Path(folder), TOML, ["run,setup,rider"]
        typed = ["run,setup,rider,entry_speed [km/h],exit_speed [km/h]"]
        for number, setup in enumerate(order, start=1):
            pull = 318.0 * scale * (gain if setup == "b" else 1) * np.exp(rng.normal(0, 0.012))
            run = ridden(
                rng, lambda v, pull=pull: pull * (1 - ((v - 14.0) / 19.0) ** 2), world, hands, late
            )
            true.append((run.entry_m_s, run.exit_m_s))
            sound = phone_hears(rng, run, turns_per_m=turns, rate_hz=8000, snr_db=snr_db)
            wavfile.write(folder / f"{number}.wav", 8000, (32000 * sound).astype(np.int16))
            toml += f'[logs.l{number}]\nfile = "{number}.wav"\n'
            apart = HORN_SD_S * rng.standard_normal(2) if marks else 0.0
            begin, end = np.array([run.start_s, run.marker_s]) + apart
            said = f'marks = "{begin:.1f} to {end:.1f} s"' if marks else 'pulls_are_runs = "yes"'
            toml += f"{said}\n"
            heard.append(f"{number},{setup},r")
            shown = [round(3.6 * one) for one in true[-1]]
            typed.append(f"{number},{setup},r,{shown[0]},{shown[1]}")
        found = []
        for text, rows in ((toml, heard), (TOML, typed)):
            (folder / "session.toml").write_text(text, encoding="utf-8")
            (folder / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
            found.append(analyse(load_session(folder)))
    by_sound, by_eye = found
    passes = by_sound.session.found.passes
    per = by_sound.session.found.metres_per_turn
    if len(passes) != len(order):
        return None
    scores = []
    for one, (entry, exit_) in zip(passes, true, strict=True):
        common = per.half_width / per.value / Z_95
        for got, sd, was in ((one.entry_m_s, one.entry_sd_m_s, entry),
                             (one.exit_m_s, one.exit_sd_m_s, exit_)):  # fmt: skip
            scores.append((got - was) / np.hypot(sd, common * got))
    gains = []
    for results in (by_sound, by_eye):
        ratio = next(pull.gain.ratio for pull in results.pulls if pull.setup == "b")
        half = (ratio.high - ratio.low) / 2
        gains.append((abs(ratio.value + 1 - gain) / half, half))
    return scores, gains


def outings(count, first, marks, pool):
    """Print how often intervals hold, and how wide those of a gain are."""
    work = partial(one_outing, marks=marks)
    done = [one for one in pool.map(work, range(first, first + count)) if one]
    scores = np.abs([one for one, _ in done])
    gains = np.array([one for _, one in done])
    print(f"{len(done)} of {count} outings with four runs found")
    print("| what | interval holds [%] | half width [%] |\n|---|---|---|")
    for name, own in (("entry speed", scores[:, ::2]), ("exit speed", scores[:, 1::2])):
        print(f"| {name} | {100 * np.mean(own < Z_95):.1f} | |")
    print(f"| speeds | {100 * np.mean(scores < Z_95):.1f} | |")
    for at, name in enumerate(("gain by sound", "gain by whole km/h")):
        print(f"| {name} | {100 * np.mean(gains[:, at, 0] < 1):.1f} "
              f"| {100 * np.median(gains[:, at, 1]):.1f} |")  # fmt: skip
    print(f"widths, one over the other: {np.median(gains[:, 0, 1] / gains[:, 1, 1]):.2f}")


def main():
    """Command line."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("what", choices=("sounds", "outings"))
    asked.add_argument("--count", type=int, default=4)
    asked.add_argument("--first", type=int, default=0)
    asked.add_argument("--marks", action="store_true", help="runs by a horn at both lines")
    asked.add_argument("--only", choices=("", *ENGINES), default="")
    asked.add_argument("--processes", type=int, default=os.cpu_count())
    options = asked.parse_args()
    with ProcessPoolExecutor(options.processes) as pool:
        if options.what == "sounds":
            sounds(options.count, options.first, options.only, pool)
        else:
            outings(options.count, options.first, options.marks, pool)


if __name__ == "__main__":
    main()
