"""How often a newcomer's intervals hold: ``python -m tests.tools.simulate_club``.

Clubs of a known truth: bikes of one model with a kit, whose makers' mixture, kit's breathing and
sellers' flows nobody knows beforehand; each bike, injector, fuel and gauge is off by something of
its own; one bike in twelve lies. Beside the tool stands the rule of flow by displacement.
"""

import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np

from tests.tools.shared import asked, head, row
from tuninglib.analysis.club import BikeRecord, RiddenEngine, before_buying
from tuninglib.session.read_toml import what_stands
from tuninglib.statistics.ladder import ReadingCell
from tuninglib.statistics.ladder_prediction import FuelDemand

SEED = 20261130
BAND = 0.83, 0.90
# What is on sale, and what the maker delivered; and displacements. [cc/min], [cc]
FLOWS = np.array([150, 157, 164, 171, 178, 186, 194, 203, 212])
STOCK, MADE, GROWN = 150.0, 180.0, 204.0
# Ratio of air to fuel by mass and density of fuels by their ethanol, as pumps have them.
FUELS = {0.05: (14.30, 747.2), 0.10: (14.04, 749.4)}
NEWCOMER = """
[session]
title = "Newcomer"
date = 2026-05-01
[bike]
mass = "124 kg"
[engines.stock]
displacement = "{made} cc"
[engines.big]
displacement = "{grown} cc"
[hill]
length = "400 m"
grade = "6 %"
[gauge]
scale = 14.7
[use]
riding = "mixed"
[fuels.e5]
ethanol = "5 +/- 1 %"
[setups.stock]
engine = "stock"
injector = "i150"
fuel = "e5"
"""


class World:
    """What nobody knows of a model, its kit and the sellers."""

    def __init__(self, rng, bike_sd):
        self.rng, self.bike_sd = rng, bike_sd
        self.mixture = 0.87 * np.exp(0.07 * rng.normal())
        self.breathing = np.exp(0.05 * rng.normal())
        self.response = 1 + 0.08 * rng.normal()
        self.gain = np.log(GROWN / MADE) + 0.08 * rng.normal()
        self.true_flow = FLOWS * np.exp(0.03 * rng.normal(size=FLOWS.size))

    def log_gain(self):
        """Logarithm of one bike's wheel force with the kit over that without."""
        return self.gain + 0.03 * self.rng.normal()

    def bike(self):
        """Level, cylinder, response and injectors of one bike, each with what is its own."""
        rng, sd = self.rng, self.bike_sd
        flows = self.true_flow * np.exp(0.018 * rng.normal(size=FLOWS.size))
        own = np.exp(sd * rng.normal()), self.breathing * np.exp(sd / 2 * rng.normal())
        return own[0], own[1], self.response + 0.04 * rng.normal(), flows

    def lambda_of(self, bike, at, *, grown, ethanol):
        """True, at full throttle."""
        level, cylinder, response, flows = bike
        air = GROWN / MADE * cylinder if grown else 1.0
        here, usual = (ratio * np.sqrt(density) for ratio, density in
                       (FUELS[ethanol], FUELS[0.05]))  # fmt: skip
        return self.mixture * level * air * (flows[at] / STOCK) ** -response * usual / here


def record_of(world, number):
    """One outing as the library keeps it: stock, and one to four injectors with the kit."""
    rng, bike = world.rng, world.bike()
    stated = 0.05
    burnt = 0.10 if rng.random() < 0.1 else stated
    off = 0.01 * rng.normal()
    gauge_sd = 0.0102
    if rng.random() < 0.1:
        # Idle said that the gauge is off, and corrects half of it.
        off, gauge_sd = rng.choice([-1, 1]) * 0.02 + 0.01 * rng.normal(), 0.022
    lies = rng.random() < 1 / 12
    all_off = lies * (rng.random() < 0.5) * rng.choice([-1, 1]) * rng.uniform(0.08, 0.2)
    labels = FLOWS.astype(float)
    if lies and not all_off:
        labels = labels * np.exp(rng.choice([-1, 1]) * rng.uniform(0.08, 0.2))
        labels[0] = STOCK
    ridden = [(0, False)] if rng.random() < 0.8 else []
    first = rng.integers(1, 6)
    ridden += [(at, True) for at in range(first, first + rng.integers(1, 5)) if at < FLOWS.size]
    day, cells = 0.01 * rng.normal(), []
    gain_sd = rng.uniform(0.015, 0.05)
    for at, grown in ridden:
        count = int(rng.integers(1, 4))
        true = world.lambda_of(bike, at, grown=grown, ethanol=burnt)
        ratio, density = FUELS[stated]
        shown = np.log(true) + off + all_off + day + 0.01 * rng.normal() / np.sqrt(count)
        level = shown + np.log(ratio * np.sqrt(density))
        engine = "big" if grown else "stock"
        flow = labels[at] * 1e-6 / 60
        cells.append(ReadingCell(engine, f"i{FLOWS[at]}", "e5", flow, level, 0.012 / np.sqrt(count),
                                 1.0, count))  # fmt: skip
    return BikeRecord(
        title=f"Bike {number}",
        engines={
            "stock": RiddenEngine(displacement_m3=MADE * 1e-6),
            "big": RiddenEngine(
                displacement_m3=GROWN * 1e-6,
                log_gain=world.log_gain() + gain_sd * rng.normal(),
                gain_sd=gain_sd,
            ),
        },
        made="stock",
        made_flow_m3_s=STOCK * 1e-6 / 60,
        stated_flow_m3_s={f"i{n}": f * 1e-6 / 60 for n, f in zip(FLOWS, labels, strict=True)},
        tolerance_sd={f"i{n}": 0.0357 for n in FLOWS},
        demands={"e5": FuelDemand(stoichiometric_ratio=14.30, density_kg_m3=747.2, sd=0.002)},
        readings=tuple(cells),
        gauge_sd=gauge_sd, day_sd=0.01, air_kg_m3=1.225, corrects=False,
    ), lies  # fmt: skip


def someone_new():
    """A session of the same model with the kit, and without runs."""
    with tempfile.TemporaryDirectory() as folder:
        injectors = "".join(f'[injectors.i{n}]\nflow = "{n} cc/min"\n' for n in FLOWS)
        text = NEWCOMER.format(made=MADE, grown=GROWN) + injectors
        (Path(folder) / "session.toml").write_text(text, encoding="utf-8")
        return what_stands(folder)


def count_clubs(clubs, bikes, seed, bike_sd):
    """What the clubs of one size come to."""
    rng = np.random.default_rng(seed)
    found = defaultdict(list)
    newcomer = someone_new()
    rule = int(np.argmin(np.abs(FLOWS - STOCK * GROWN / MADE)))
    for _ in range(clubs):
        spread = bike_sd or 0.025 * np.exp(0.35 * rng.normal())
        world = World(rng, spread)
        records, lies = zip(*(record_of(world, at) for at in range(bikes)), strict=True)
        mine = world.bike()
        day = np.exp(0.01 * rng.normal())
        true = np.array([
            day * world.lambda_of(mine, at, grown=True, ethanol=0.05) for at in range(FLOWS.size)
        ])  # fmt: skip
        told = before_buying(newcomer, records)
        for at, offer in enumerate(told.offers):
            lambda_ = offer.fuels[0].lambda_
            found["held"].append(lambda_.low <= true[at] <= lambda_.high)
            found["half"].append(lambda_.half_width / lambda_.value)
        gain = np.expm1(world.log_gain())
        found["gain held"].append(told.gain.low <= gain <= told.gain.high)
        found["gain half"].append(told.gain.half_width)
        inside = (BAND[0] <= true) & (true <= BAND[1])
        found["rule"].append(inside[rule])
        found["any"].append(inside.any())
        if told.first is not None:
            at = next(n for n, one in enumerate(told.offers) if one is told.first)
            found["first"].append(inside[at])
            found["odds"].append(told.first.fuels[0].odds.inside)
            found["leaner"].append(true[at] > BAND[1])
            found["leaner odds"].append(told.first.fuels[0].odds.leaner)
            found["rule then"].append(inside[rule])
        found["named"].append(told.first is not None)
        for one, lie in zip(told.beside, lies, strict=True):
            found["odd, lies" if lie else "odd, honest"].append(one.odd)
            if not lie:
                found["loo"] += one.others.held
    return found


def main():
    given = asked(__doc__, clubs=300, seed=SEED, spread=0.0)
    head(
        "bikes", "intervals hold", "usual ±", "named", "first is inside", "said", "first is leaner",
        "said", "rule is inside", "rule, all clubs", "times the rule", "liars named",
        "honest named", "left-one-out holds", "gains hold", "usual ±",
    )  # fmt: skip
    for bikes in (2, 5, 12):
        found = count_clubs(given.clubs, bikes, given.seed + bikes, given.spread)
        share = defaultdict(lambda: np.nan)
        share |= {name: float(np.mean(own)) for name, own in found.items()}
        row(
            bikes, f"{share['held']:.1%}", f"{np.median(found['half']):.1%}",
            f"{share['named']:.0%}", f"{share['first']:.1%}", f"{share['odds']:.1%}",
            f"{share['leaner']:.1%}", f"{share['leaner odds']:.1%}", f"{share['rule then']:.1%}",
            f"{share['rule']:.1%}", f"{share['first'] / (share['rule then'] or np.nan):.2f}",
            f"{share['odd, lies']:.0%}", f"{share['odd, honest']:.1%}",
            f"{share['loo']:.1%}", f"{share['gain held']:.1%}",
            f"{np.median(found['gain half']):.1%}",
        )  # fmt: skip


if __name__ == "__main__":
    main()
