"""Make the packed outings of an invented club, and a newcomer without runs, from a known truth.

Five bikes of one model with the same cylinder kit, each a little different, on the lane of
make_demo.py. One wrote other flows down than its injectors have; one has a gauge that is off.
Nothing of the library is used here: the packed files follow what its guide says of them.
"""

import csv
import hashlib
import io
import json
import math
import zipfile
from pathlib import Path

import numpy as np
from make_demo import air_density, ride

SEED = 20261130
HERE = Path(__file__).parent / "a_club"
# What nobody knows of the model and its kit: lambda as delivered, breathing, true over stated flow.
STOCK_LAMBDA, BREATHING = 0.885, 0.955
TRUE_FLOW = {"i150": 149.0, "i157": 158.5, "i164": 163.0, "i171": 173.5, "i179": 177.0}
DISPLACEMENT_RATIO = (64.0 / 60.0) ** 2
E10_LEANER = 1.0197
LIE = 1.16  # flow written down over that of the injector
BIKES = [
    # title, own level, own cylinder, gauge, injectors with the kit, what is special
    ("Kit on the blue one", 1.012, 0.994, 1.004, ("i157", "i164"), ""),
    ("Cylinder swap, first weekend", 0.985, 1.008, 0.993, ("i150", "i164"), "knocks"),
    ("Three injectors in one day", 1.004, 1.003, 1.008, ("i157", "i164", "i171"), ""),
    ("Borrowed gauge", 0.992, 0.990, 1.055, ("i164", "i171"), "gauge"),
    ("After the rebuild", 1.008, 1.004, 0.999, ("i157", "i164"), "lie"),
]  # fmt: skip
HEAD = """\
# An invented session: the bike, the rider, the hill and every number are made up.

[session]
title = "{title}"
invented = "yes"
date = 2026-06-{day:02d}
currency = "EUR"

[bike]
mass = "124 kg +/- 2 kg"
fuel_pressure = "3 bar"
density_compensation = "yes"
oxygen_sensor = "yes"
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

[riders.me]
mass = "{mass} kg +/- 2 kg"

[hill]
length = "400 m +/- 2 m"
grade = "6.0 +/- 0.3 %"
altitude = "210 m"
entry_speed = "48 km/h +/- 2 km/h"

[gauge]
scale = 14.7
resolution = 0.1

[use]
fuels = ["e5"]
riding = "mixed"
cooling = "air"

[fuels.e5]
ethanol = "4 +/- 1 %"
octane = "98 RON"

[fuels.e10]
ethanol = "9.5 +/- 0.5 %"
octane = "95 RON"
"""


def injector(name, flow, price=None):
    """A table of one injector."""
    cost = f"price = {price}\n" if price else ""
    return f'\n[injectors.{name}]\nflow = "{flow} cc/min"\n{cost}'


def setup(name, engine, fitted, fuel="e5", cost=None):
    """A table of one setup."""
    more = f"cost = {cost}\n" if cost else ""
    return f'\n[setups.{name}]\nengine = "{engine}"\ninjector = "{fitted}"\nfuel = "{fuel}"\n{more}'


def true_lambda(bike, engine, fitted, fuel="e5"):
    """Lambda of a fixed fuel table, and of one bike's own."""
    _, level, cylinder, *_ = bike
    air = DISPLACEMENT_RATIO * BREATHING * cylinder if engine == "big" else 1.0
    leaner = E10_LEANER if fuel == "e10" else 1.0
    return STOCK_LAMBDA * level * air * TRUE_FLOW["i150"] / TRUE_FLOW[fitted] * leaner


def row(rng, number, bike, name, parts, rider_kg, state="full", knock="none"):
    """One row of runs.csv."""
    engine, fitted, fuel = parts
    held = state != "full"
    lambda_ = 1.0 if held else true_lambda(bike, engine, fitted, fuel)
    reading = 14.7 * lambda_ * bike[3] * math.exp(rng.normal(0, 0.004 if held else 0.006))
    found = {"run": number, "setup": name, "gauge_low": f"{reading - 0.1:.1f}",
             "gauge_high": f"{reading + 0.1:.1f}", "state": state}  # fmt: skip
    if held:
        return found
    pull = DISPLACEMENT_RATIO * BREATHING * bike[2] if engine == "big" else 1.0
    pull *= 1.0 - 2.6 * (lambda_ - 0.875) ** 2
    density = air_density(20.0, 989.0, 0.55)
    entry = rng.normal(45.7, 0.8) / 3.6
    exit_, _ = ride(entry, pull * math.exp(rng.normal(0, 0.012)), rider_kg, density,
                    rng.normal(0.2, 0.6))  # fmt: skip
    return found | {
        "entry_speed [km/h]": round(entry * 3.6 / 0.952),
        "exit_speed [km/h]": round(exit_ * 3.6 / 0.952),
        "knock": knock,
        "head_temperature [degC]": round(176 + 22 * (engine == "big") + rng.normal(0, 3)),
    }


def outing(rng, number, bike):
    """Files of one bike's outing."""
    title, *_, fitted, special = bike
    mass = 68 + 6 * number
    written = {name: name[1:] for name in TRUE_FLOW}
    if special == "lie":
        written |= {name: f"{LIE * float(name[1:]):.0f}" for name in fitted}
    text = HEAD.format(title=title, day=5 + number, mass=mass)
    text += injector("i150", 150)
    text += "".join(injector(name, written[name], 34) for name in fitted if name != "i150")
    plan = [("stock", ("stock", "i150", "e5"))]
    plan += [(f"big_{name[1:]}", ("big", name, "e5")) for name in fitted]
    if special == "knocks":
        plan.append(("big_164_e10", ("big", "i164", "e10")))
    for name, parts in plan:
        text += setup(name, *parts, cost=None if name == "stock" else 160 + 15 * number)
    rows = []
    for turn in range(3):
        for name, parts in plan:
            loud = "light" if name == "big_164_e10" and turn == 1 else "none"
            rows.append(row(rng, len(rows) + 1, bike, name, parts, float(mass), knock=loud))
    if special == "gauge":
        for name, parts in plan:
            rows.append(row(rng, len(rows) + 1, bike, name, parts, 0.0, state="idle"))
            rows.append(row(rng, len(rows) + 1, bike, name, parts, 0.0, state="cruise"))
    stream = io.StringIO()
    writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return {"runs.csv": stream.getvalue(), "session.toml": text}


def packed(path, files):
    """One file with a checksum of each, and no clock in it."""
    sums = "".join(f"{hashlib.sha256(t.encode()).hexdigest()}  {n}\n" for n, t in files.items())
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as stream:
        for name, text in {**files, "checksums.sha256": sums}.items():
            info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            stream.writestr(info, text.encode(), zipfile.ZIP_DEFLATED)


def main():
    """Write the club, the newcomer and truth.json."""
    rng = np.random.default_rng(SEED)
    club = HERE / "club"
    club.mkdir(parents=True, exist_ok=True)
    for number, bike in enumerate(BIKES, 1):
        packed(club / f"bike_{number}.outing.zip", outing(rng, number, bike))
    mine = ("", math.exp(rng.normal(0, 0.02)), math.exp(rng.normal(0, 0.01)), 1.0)
    newcomer = HERE / "newcomer"
    newcomer.mkdir(exist_ok=True)
    text = HEAD.format(title="My kit, not fitted yet", day=20, mass=77)
    text += injector("i150", 150)
    text += "".join(injector(name, name[1:], 34) for name in TRUE_FLOW if name != "i150")
    text += setup("stock", "stock", "i150")
    (newcomer / "session.toml").write_text(text, encoding="utf-8")
    truth = {
        "seed": SEED,
        "lambda": {name: round(true_lambda(mine, "big", name), 5) for name in TRUE_FLOW},
        "stock_lambda": round(true_lambda(mine, "stock", "i150"), 5),
        "gain": round(DISPLACEMENT_RATIO * BREATHING - 1, 5),
        "odd": BIKES[4][0],
        "gauge": BIKES[3][0],
    }
    (HERE / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
