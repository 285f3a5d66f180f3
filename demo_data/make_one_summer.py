"""Make the four outings of an invented summer from a known truth.

The bike, lane and riders of make_demo.py, with what a day does to all setups alike and to one
alone, which the library has to find again. Nothing of the library is used here.
"""

import csv
import json
import math
from pathlib import Path

import numpy as np
from make_demo import (
    RIDERS_KG,
    SPEEDOMETER_FACTOR,
    air_density,
    pull_factor,
    ride,
    true_lambda,
)

SEED = 20260523
HERE = Path(__file__).parent / "one_summer"
DAY_SD, OWN_SD, MIXTURE_DAY_SD = 0.015, 0.006, 0.007
WEAR_PER_DAY = -0.00012
PIPE_GAIN = 0.02

# Setup: engine, injector, fuel, parts, pull beside mixture and cylinder.
SETUPS = {
    "stock": ("stock", "i150", "e5", "as it left the factory", 1.0),
    "big_164": ("big", "i164", "e5", "204 cc cylinder", 1.0),
    "big_172": ("big", "i172", "e5", "204 cc cylinder", 1.0),
    "big_172_pipe": ("big", "i172", "e5", "204 cc cylinder, open end pipe", 1.0 + PIPE_GAIN),
}
OUTINGS = [
    # folder, date, title, hPa, degC in the morning, setups with the riders of their runs
    ("1_may", "2026-05-23", "Stock before the kit", 991, 13,
     [("stock", ["tove", "ilmar", "tove", "ilmar"])]),
    ("2_june", "2026-06-20", "Kit, first try", 985, 18,
     [("stock", ["tove", "ilmar"]), ("big_164", ["tove", "ilmar", "tove", "ilmar"]),
      ("stock", ["tove"])]),
    ("3_july", "2026-07-18", "Next injector", 994, 24,
     [("big_164", ["ilmar", "tove"]), ("big_172", ["tove", "ilmar", "tove", "ilmar"]),
      ("big_164", ["tove"])]),
    ("4_august", "2026-08-22", "End pipe", 988, 21,
     [("big_172", ["tove", "ilmar"]), ("big_172_pipe", ["ilmar", "tove", "ilmar", "tove"]),
      ("big_172", ["ilmar"])]),
]  # fmt: skip

SESSION = """\
# An invented session: the bike, the riders, the hill and every number are made up.

[session]
title = "{title}"
invented = "yes"
date = {date}
reference = "{reference}"
currency = "EUR"

[bike]
name = "the quarry lane bike"
mass = "124 kg +/- 2 kg"
rotating_mass = "8 kg +/- 3 kg"
fuel_pressure = "3 bar"
density_compensation = "yes"
highest_ethanol = "10 %"
lowest_octane = "91 RON"

[engines.stock]
bore = "60.0 mm"
stroke = "63.5 mm"
compression_ratio = 9.4
highest_speed = "8500 rpm"

[engines.big]
bore = "64.0 mm"
stroke = "63.5 mm"
compression_ratio = 10.2
highest_speed = "8500 rpm"

[riders.tove]
mass = "68 kg +/- 2 kg"

[riders.ilmar]
mass = "86 kg +/- 2 kg"

[hill]
length = "400 m +/- 2 m"
grade = "6.0 +/- 0.3 %"
altitude = "210 m"

[weather]
pressure = "{pressure} hPa"
humidity = "55 +/- 10 %"
headwind = "0 +/- 1.5 m/s"

[gauge]
scale = 14.7
resolution = 0.1
lowest = 10.0
highest = 20.0

[speedometer]
factor = "0.955 +/- 0.01"
resolution = "1 km/h"

[target]
lowest = 0.83
highest = 0.90

[use]
fuels = ["e5", "e10"]
riding = "mixed"
cooling = "air"

[fuels.e5]
ethanol = "4 +/- 1 %"
octane = "98 RON"

[fuels.e10]
ethanol = "9.5 +/- 0.5 %"
octane = "95 RON"

[injectors.i150]
flow = "150 cc/min"
flow_pressure = "3 bar"

[injectors.i164]
flow = "164 cc/min"
flow_pressure = "3 bar"

[injectors.i172]
flow = "172 cc/min"
flow_pressure = "3 bar"

[injectors.i185]
flow = "185 cc/min"
flow_pressure = "3 bar"
"""


def rows_of(rng, blocks, morning, pressure, day, mixture_day, own):
    """The rows of one outing, and the knockless truth of its setups."""
    rows = []
    for setup, riders in blocks:
        engine, injector, fuel, _, more = SETUPS[setup]
        lambda_ = true_lambda(engine, injector, fuel) * math.exp(mixture_day)
        for rider in riders:
            number = len(rows) + 1
            celsius = morning + 5.0 * math.sin(math.pi * number / 16) + rng.normal(0, 0.4)
            density = air_density(celsius, pressure, 0.55)
            pull = pull_factor(engine, lambda_) * more * math.exp(day + own[setup])
            entry = rng.normal(45.5, 0.8) / 3.6
            exit_, _ = ride(
                entry,
                pull * (density / 1.19) * math.exp(rng.normal(0, 0.010)),
                RIDERS_KG[rider],
                density,
                rng.normal(0.3, 0.6),
            )
            reading = 14.7 * lambda_ * math.exp(rng.normal(0, 0.006))
            rows.append(
                {
                    "run": number,
                    "setup": setup,
                    "rider": rider,
                    "entry_speed [km/h]": round(entry / SPEEDOMETER_FACTOR * 3.6),
                    "exit_speed [km/h]": round(exit_ / SPEEDOMETER_FACTOR * 3.6),
                    "gauge_low": f"{reading - abs(rng.normal(0.12, 0.04)):.1f}",
                    "gauge_high": f"{reading + abs(rng.normal(0.12, 0.04)):.1f}",
                    "air_temperature [degC]": f"{celsius:.0f}",
                    "knock": "none",
                    "state": "full",
                }
            )
    return rows


def main():
    """Write the sessions and truth.json."""
    rng = np.random.default_rng(SEED)
    first = np.datetime64(OUTINGS[0][1])
    truth = {"seed": SEED, "day": {}, "wear_per_day": WEAR_PER_DAY}
    for folder, date, title, pressure, morning, blocks in OUTINGS:
        days = int((np.datetime64(date) - first).astype(int))
        day = rng.normal(0, DAY_SD) + WEAR_PER_DAY * days
        own = {setup: rng.normal(0, OWN_SD) for setup in SETUPS}
        rows = rows_of(rng, blocks, morning, pressure, day, rng.normal(0, MIXTURE_DAY_SD), own)
        truth["day"][folder] = round(day, 5)
        here = HERE / folder
        here.mkdir(parents=True, exist_ok=True)
        with (here / "runs.csv").open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
        text = SESSION.format(title=title, date=date, reference=blocks[0][0], pressure=pressure)
        for setup in dict.fromkeys(name for name, _ in blocks):
            engine, injector, fuel, parts, _ = SETUPS[setup]
            text += (
                f'\n[setups.{setup}]\nengine = "{engine}"\ninjector = "{injector}"\n'
                f'fuel = "{fuel}"\nparts = "{parts}"\n'
            )
        (here / "session.toml").write_text(text, encoding="utf-8")
    clean = {}
    for setup, (engine, injector, fuel, _, more) in SETUPS.items():
        lambda_ = true_lambda(engine, injector, fuel)
        clean[setup] = ride(45.5 / 3.6, pull_factor(engine, lambda_) * more, 77.0, 1.19, 0.0)[1]
        truth.setdefault("lambda", {})[setup] = round(lambda_, 5)
    truth["gain"] = {name: round(force / clean["stock"] - 1, 5) for name, force in clean.items()}
    (HERE / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
