"""Calibration of the gains: days of road tests with known truth, and what the library says of them.

Run it from the top of the project, ``python -m tests.tools.simulate_days``: it prints the table.
The motion is integrated here in small steps, without anything from tuninglib: a curved hill of
which the rider knows the mean grade only, a torque curve, gusts, a scatter of the engine from run
to run, a speedometer that shows whole km/h, and masses, road load, grade, length, speedometer
factor and wind that are off by what is stated of them. The truth of a gain is the ratio of the mean
wheel forces over the hill that the same simulation gives without wind, rounding and scatter.
"""

import functools
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from tests.tools.shared import STEPS, asked, draw, gusts, head, ride, row
from tuninglib.physics.motion import Hill
from tuninglib.statistics.gain import estimate_gains
from tuninglib.statistics.planning import run_order
from tuninglib.statistics.repeats import NAMED
from tuninglib.statistics.road_runs import Runs, StatedSds, usual_unknowns

STEP_KMH = 1.0


@dataclass(frozen=True)
class World:
    """What the rider states (value and standard deviation), and how the day really scatters."""

    length_m: tuple = (400.0, 1.0)
    grade: tuple = (0.060, 0.0015)
    bend: float = 0.008  # sd of how the grade changes from foot to top, unknown to the rider
    bike_kg: tuple = (124.0, 1.0)
    rotating_kg: tuple = (8.0, 1.5)
    riders_kg: tuple = ((68.0, 1.0), (86.0, 1.0))
    drag_area_m2: tuple = (0.55, 0.055)
    rolling: tuple = (0.015, 0.004)
    speed_factor: tuple = (0.955, 0.005)
    wind_m_s: tuple = (0.0, 0.75)
    rider_effect: float = 0.015
    scatter: float = 0.012
    run_wind_m_s: float = 0.6
    gust_m_s: float = 0.5  # within a run
    gust_length_m: float = 60.0
    wind_change_m_s: float = 0.2
    force_n: float = 265.0
    entry_m_s: tuple = (13.0, 0.25)
    density: float = 1.18


def simulate(seed, *, days, setups, repeats, riders=2, equal=False, way_down=False, world=None):
    """Days with known truth.

    Returns
    -------
    true_log_gain : array, days by setups
    readings : dict of array, days by runs
        What the rider wrote down: shown speeds in m/s, and setup and rider of each run.
    """
    world = world or World()
    rng = np.random.default_rng(seed)
    names = [str(j) for j in range(setups)]
    order = run_order(names, repeats=repeats, riders=[str(r) for r in range(riders)])
    setup = np.array([int(s) for s in order.setups])
    rider = np.array([int(r) for r in order.riders])
    n = setup.size
    one = (days, 1)
    length, mean_grade = draw(rng, world.length_m, one), draw(rng, world.grade, one)
    bend, wave = world.bend * rng.standard_normal((2, *one))

    def grade(share):
        return mean_grade + bend * np.cos(np.pi * share) + wave / 2 * np.cos(2 * np.pi * share)

    bike, rotating = draw(rng, world.bike_kg, one), draw(rng, world.rotating_kg, one)
    riders_kg = np.stack([draw(rng, r, days) for r in world.riders_kg[:riders]], axis=1)
    drag = np.maximum(draw(rng, world.drag_area_m2, one), 0.2)
    rolling = np.maximum(draw(rng, world.rolling, one), 0.002)
    factor, wind = draw(rng, world.speed_factor, one), draw(rng, world.wind_m_s, one)
    effect = world.rider_effect * rng.standard_normal((days, riders))
    gains = np.zeros((days, setups))
    if not equal:
        gains[:, 1:] = rng.normal(0.06, 0.08, (days, setups - 1))
    torque = rng.uniform(20.0, 35.0, one)
    mass = bike + riders_kg[:, rider]
    pull = world.force_n * np.exp(
        gains[:, setup] + effect[:, rider] + world.scatter * rng.standard_normal((days, n))
    )
    entry = draw(rng, world.entry_m_s, (days, n))
    own_wind = wind + world.run_wind_m_s * rng.standard_normal((days, n))
    road = {
        "length": length, "grade": grade, "mass": mass, "rotating": rotating, "drag": drag,
        "rolling": rolling, "density": world.density, "torque": (14.5, torque),
    }  # fmt: skip
    exit_, _ = ride(entry, road, gusts(rng, own_wind, world), pull)
    calm = road | {"mass": bike + riders_kg.mean(1, keepdims=True)}
    clean_entry = np.full(one, world.entry_m_s[0])
    _, clean = ride(clean_entry, calm, np.zeros(STEPS), world.force_n * np.exp(gains))
    shown = {"entry": entry, "exit": exit_}
    if way_down:
        down_wind = -(own_wind + world.wind_change_m_s * rng.standard_normal((days, n)))
        start = draw(rng, (7.0, 0.4), (days, n))
        winds = gusts(rng, down_wind, world)
        end, _ = ride(start, road, winds, np.zeros(one), down=True)
        shown |= {"down_entry": start, "down_exit": end}
    step = STEP_KMH / 3.6
    readings = {name: np.round(v / factor / step) * step for name, v in shown.items()}
    truth = np.log(clean)
    return truth, {"setup": setup, "rider": rider, **readings}


def analyse(readings, day, world=None):
    """What the library says of one day, from what the rider states and wrote down."""
    world = world or World()
    factor = world.speed_factor[0]
    rider = readings["rider"]
    speeds = {
        f"true_{name}_m_s": factor * readings[name][day]
        for name in ("entry", "exit", "down_entry", "down_exit")
        if name in readings
    }
    runs = Runs(
        hill=Hill(world.length_m[0], world.grade[0]), setup=readings["setup"], rider=rider,
        mass_kg=world.bike_kg[0] + np.array([r[0] for r in world.riders_kg])[rider],
        rotating_mass_kg=world.rotating_kg[0], air_density_kg_m3=world.density,
        drag_area_m2=world.drag_area_m2[0], rolling_coefficient=world.rolling[0], **speeds,
    )  # fmt: skip
    return gains_of(runs, world, STEP_KMH / 3.6 * factor)


def gains_of(runs, world, resolution_m_s, **more):
    """Gains of runs of which a rider states what he does of a world, and perhaps more."""
    stated = StatedSds(
        bike_mass_sd_kg=world.bike_kg[1], rotating_mass_sd_kg=world.rotating_kg[1],
        rider_mass_sd_kg=world.riders_kg[0][1], drag_area_sd_m2=world.drag_area_m2[1],
        rolling_coefficient_sd=world.rolling[1], grade_sd=world.grade[1],
        length_sd_m=world.length_m[1], speed_factor_sd=world.speed_factor[1],
        wind_sd_m_s=world.wind_m_s[1], rider_effect_sd=world.rider_effect, **more,
    )  # fmt: skip
    unknowns = usual_unknowns(runs, stated)
    return estimate_gains(runs, unknowns=unknowns, resolution_m_s=resolution_m_s)


@dataclass(frozen=True)
class Score:
    """How a series of days came out."""

    held: float
    force_held: float
    told_apart: float
    half_width: float
    force_half_width: float
    error_sd: float
    named: float  # share of days on which the misread run is named, alone or with its setup
    wrongly_named: float  # share of days on which another run is named


def misread_one(readings, seed, off_kmh=10.0):
    """The same days with one exit speed of each written down wrong, and which run it is."""
    rng = np.random.default_rng(seed)
    days, n = readings["exit"].shape
    which, sign = rng.integers(n, size=days), rng.choice([-1.0, 1.0], size=days)
    exits = readings["exit"].copy()
    exits[np.arange(days), which] += sign * off_kmh / 3.6
    return {**readings, "exit": exits}, which


def score(seed, *, days, misread=False, **design) -> Score:
    """Share of intervals that hold the truth, and of days on which any two are told apart."""
    truth, readings = simulate(seed, days=days, **design)
    which = None
    if misread:
        readings, which = misread_one(readings, seed)
    held, force_held, apart, widths, force_widths, errors = [], [], [], [], [], []
    named, wrongly = [], []
    for day in range(days):
        found = analyse(readings, day)
        doubted = found.weighed.disagree | (found.weighed.weight < NAMED)
        doubted = doubted[: readings["setup"].size]
        bad = np.zeros(doubted.size, dtype=bool)
        if misread:
            bad[which[day]] = True
            named.append(doubted[bad][0])
            # The other run of a pair is named along with it.
            bad |= found.weighed.disagree[: bad.size] & (
                readings["setup"] == readings["setup"][which[day]]
            )
        wrongly.append((doubted & ~bad).any())
        for g in found.gains:
            gain = np.expm1(truth[day, g.setup] - truth[day, g.over])
            held.append(g.ratio.low <= gain <= g.ratio.high)
            widths.append(g.ratio.half_width)
            errors.append(g.ratio.value - gain)
        for f in found.forces:
            force_held.append(f.force_n.low <= np.exp(truth[day, f.setup]) <= f.force_n.high)
            force_widths.append(f.force_n.half_width / f.force_n.value)
        apart.append(any(pair.told_apart for pair in found.pairs))
    return Score(
        held=np.mean(held), force_held=np.mean(force_held), told_apart=np.mean(apart),
        half_width=np.median(widths), force_half_width=np.median(force_widths),
        error_sd=np.std(errors), named=np.mean(named) if misread else 0.0,
        wrongly_named=np.mean(wrongly),
    )  # fmt: skip


DESIGNS = [
    *(
        {"setups": setups, "repeats": repeats, "way_down": False}
        for setups, repeats in ((2, 2), (2, 3), (3, 3), (3, 4), (4, 2), (2, 6))
    ),
    *(
        {"setups": setups, "repeats": repeats, "way_down": True}
        for setups, repeats in ((2, 2), (3, 3), (3, 4), (2, 6))
    ),
]


def _row(design, days, seed):
    different = score(seed, days=days, **design)
    equal = score(seed + 1, days=days, equal=True, **design)
    misread = score(seed, days=days, misread=True, **design)
    return different, equal, misread


def main():
    """Print the table."""
    arguments = asked(__doc__, days=1000, seed=20260516)
    begin = time.perf_counter()
    print(f"{arguments.days} days a line, seed {arguments.seed}; two riders; 95 % intervals")
    head("setups", "repeats", "way down", "holds the true gain", "gain ±", "holds the true force",
         "force ±", "false alarm, equal setups", "one run misread by 10 km/h: holds the true gain",
         "gain ±", "named", "another named")  # fmt: skip
    with ProcessPoolExecutor() as pool:
        work = functools.partial(_row, days=arguments.days, seed=arguments.seed)
        for design, (one, equal, bad) in zip(DESIGNS, pool.map(work, DESIGNS), strict=True):
            shares = (one.held, one.half_width, one.force_held, one.force_half_width,
                      equal.told_apart, bad.held, bad.half_width, bad.named,
                      bad.wrongly_named)  # fmt: skip
            row(design["setups"], design["repeats"], "yes" if design["way_down"] else "no",
                *(f"{x:.1%}" for x in shares))  # fmt: skip
    print(f"{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
