"""Make the recordings of an invented evening: a phone inside the jacket heard every run.

Nobody wrote a speed down. The world and what a phone hears of it are those of log_maker.py and
sound_maker.py; the truth is below. 8 bits at 8000 samples a second keep the files small.
"""

import csv
import json
import math
from pathlib import Path

import numpy as np
from log_maker import World
from scipy.io import wavfile
from sound_maker import Hands, phone_hears, ridden

SEED = 20261130
HERE = Path(__file__).parent / "heard_on_the_hill"
ORDER = ["i150", "i165", "i165", "i150"]
SETUP = {"i150": "small_nozzle", "i165": "large_nozzle"}
PULL_N = {"i150": 345.0, "i165": 345.0 * 1.06}
GAUGE = {"i150": (12.9, 13.1), "i165": (12.4, 12.6)}
RUN_SD = 0.012
WORLD = World(lengths_m=(100.0, 150.0), wind_m_s=0.3, entry_m_s=11.5)
TURNS_PER_M, RATE_HZ, SNR_DB = 6.3, 8000, 4.0
HANDS = Hands(before_s=8.0, after_s=3.0)


def main():
    """Write a recording of each run, runs.csv and truth.json."""
    rng = np.random.default_rng(SEED)
    HERE.mkdir(exist_ok=True)
    late = HANDS.late_sd_s * rng.standard_normal()
    rows, truth = [], []
    for number, nozzle in enumerate(ORDER, start=1):
        pull = PULL_N[nozzle] * math.exp(rng.normal(0, RUN_SD))
        run = ridden(
            rng, lambda v, pull=pull: pull * (1 - ((v - 14.0) / 19.0) ** 2), WORLD, HANDS, late
        )
        sound = phone_hears(rng, run, turns_per_m=TURNS_PER_M, rate_hz=RATE_HZ, snr_db=SNR_DB)
        samples = np.round(120 * sound + 128 + rng.uniform(-0.5, 0.5, sound.size))
        wavfile.write(HERE / f"run {number}.wav", RATE_HZ, samples.astype(np.uint8))
        low, high = GAUGE[nozzle]
        rows.append([number, SETUP[nozzle], "juno", low, high, 17, "none"])
        keys = ("start_s", "marker_s", "entry_m_s", "exit_m_s")
        truth.append({"run": number, **{key: float(getattr(run, key)) for key in keys}})
    with (HERE / "runs.csv").open("w", newline="", encoding="utf-8") as file:
        heads = ["gauge_low", "gauge_high", "air_temperature [degC]", "knock"]
        table = csv.writer(file, lineterminator="\n")
        table.writerows([["run", "setup", "rider", *heads], *rows])
    truth = {"runs": truth, "metres_per_turn": 1 / TURNS_PER_M, "gain": PULL_N["i165"] / 345.0 - 1}
    (HERE / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
