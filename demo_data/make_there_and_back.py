"""Make the runs of the second invented session, with the ride back down, from a known truth.

Like make_demo.py it integrates the motion itself and uses nothing of the library.
"""

import csv
import json
import math
from pathlib import Path

import numpy as np
from make_demo import air_density

SEED = 20260906
HERE = Path(__file__).parent / "there_and_back"

MPH, LB = 0.44704, 0.45359237
GRAVITY = 9.803
BIKE_KG, ROTATING_KG = 121.3, 8.1
RIDERS_KG = {"wren": 171 * LB, "cousin": 212 * LB}
DRAG_AREA_M2, ROLLING = 0.61, 0.0148
LENGTH_M, GRADE = 319.6, 0.0757
PULL_N = {"paper_filter": 355.0, "free_filter": 355.0 * 1.045}
LAMBDA = {"paper_filter": 0.872, "free_filter": 0.901}
DAY_WIND_M_S = 0.8
CLIMB_ENDS_F = {"paper_filter": 372.0, "free_filter": 381.0}
MILES_PER_GALLON = {"paper_filter": 78.0, "free_filter": 75.5}


def roll(entry_m_s, grade, pull, rider_kg, density, wind_m_s):
    """Speed after the hill, in steps of 0.2 m; ``pull`` gives the force for a speed."""
    step, speed = 0.2, entry_m_s
    mass = BIKE_KG + rider_kg
    slope = math.atan(grade)
    weight = mass * GRAVITY * (math.sin(slope) + ROLLING * math.cos(slope))
    for _ in range(round(LENGTH_M / step)):
        air = speed + wind_m_s
        drag = 0.5 * density * DRAG_AREA_M2 * air * abs(air)
        force = pull(speed) - weight - drag
        speed = math.sqrt(speed**2 + 2 * force * step / (mass + ROTATING_KG))
    return speed


def shown(speed_m_s, rng):
    """What is read: half miles an hour, with a little unsteadiness of the hand."""
    return round((speed_m_s / MPH + rng.normal(0, 0.15)) * 2) / 2


def fills(rng):
    """Write fills.csv: full to full, the mark on the filler met to a tenth of a litre."""
    rows, before = [], rng.normal(0, 0.026)
    for number in range(10):
        setup = "paper_filter" if number < 5 else "free_filter"
        miles = rng.uniform(95, 150)
        burnt = miles / (MILES_PER_GALLON[setup] * math.exp(rng.normal(0, 0.04)))
        after = rng.normal(0, 0.026)
        rows.append(
            {
                "setup": setup,
                "distance [mile]": f"{miles:.0f}",
                "volume [gal]": f"{burnt + after - before:.2f}",
            }
        )
        before = after
    with (HERE / "fills.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def climbs(rng):
    """Write climbs.csv: two long climbs, the head read to whole degrees Fahrenheit."""
    rows = []
    for number, setup in enumerate(("paper_filter", "free_filter"), start=1):
        end, way, minutes = CLIMB_ENDS_F[setup], 150.0, 2.4
        for time in (0, 1, 2, 3, 5, 7, 10):
            seen = end - way * math.exp(-time / minutes) + rng.normal(0, 2.0)
            rows.append(
                {
                    "climb": number,
                    "setup": setup,
                    "time [min]": time,
                    "head_temperature [degF]": f"{seen:.0f}",
                    "air_temperature [degF]": 68,
                }
            )
    with (HERE / "climbs.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def main():
    """Write runs.csv, fills.csv, climbs.csv and truth.json."""
    rng = np.random.default_rng(SEED)
    order = ["paper_filter", "free_filter", "free_filter", "paper_filter"] * 3
    rows = []
    for number, setup in enumerate(order, start=1):
        rider = ("wren", "wren", "cousin", "cousin")[(number - 1) % 4]
        celsius = 19.0 + 0.35 * number
        density = air_density(celsius, 969.2, 0.40)
        wind = DAY_WIND_M_S + rng.normal(0, 0.6)
        scale = math.exp(rng.normal(0, 0.006)) * density / 1.15
        entry = rng.normal(29.0, 0.6) * MPH

        def pull(speed, setup=setup, scale=scale):
            return PULL_N[setup] * scale * (1 - ((speed - 15.0) / 30.0) ** 2)

        exit_ = roll(entry, GRADE, pull, RIDERS_KG[rider], density, wind)
        start = rng.normal(12.0, 0.5) * MPH
        end = roll(
            start, -GRADE, lambda speed: 0.0, RIDERS_KG[rider], density,
            -(wind + rng.normal(0, 0.2)),
        )  # fmt: skip
        reading = LAMBDA[setup] * math.exp(rng.normal(0, 0.005))
        rows.append(
            {
                "run": number,
                "setup": setup,
                "rider": rider,
                "entry_speed [mph]": shown(entry, rng),
                "exit_speed [mph]": shown(exit_, rng),
                "down_entry_speed [mph]": shown(start, rng),
                "down_exit_speed [mph]": shown(end, rng),
                "gauge_low": f"{reading - 0.008:.2f}",
                "gauge_high": f"{reading + 0.008:.2f}",
                "air_temperature [degF]": round(celsius * 1.8 + 32),
                "knock": "none",
            }
        )
    with (HERE / "runs.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    fills(np.random.default_rng(SEED + 1))
    climbs(np.random.default_rng(SEED + 2))
    truth = {
        "seed": SEED,
        "miles_per_gallon": MILES_PER_GALLON,
        "climb_ends_f": CLIMB_ENDS_F,
        "gain": {"free_filter": PULL_N["free_filter"] / PULL_N["paper_filter"] - 1},
        "lambda": LAMBDA,
        "drag_area_m2": DRAG_AREA_M2,
        "rolling_coefficient": ROLLING,
        "headwind_m_s": DAY_WIND_M_S,
    }
    (HERE / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
