"""Worlds richer than the model: whole sessions with known truth, and what a report says of them.

Run it from the top of the project, ``python -m tests.tools.simulate_worlds``: it prints the table.
Three setups of four runs (another cylinder on two injectors), two riders, as the demo states hill,
bike and gauge. The motion is the one of :mod:`tests.tools.shared`, without anything from
tuninglib. In each world one thing is not as the model, or the rider, has it.
"""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from tests.conftest import DEMO
from tests.random_sessions import as_read
from tests.tools.shared import STEPS, asked, draw, gusts, head, ride, row
from tests.tools.simulate_days import World
from tuninglib.analysis.analyse import analyse
from tuninglib.interval import Measured
from tuninglib.report import gain as gain_words
from tuninglib.report import mixture as mixture_words
from tuninglib.report.cautions import remarks
from tuninglib.session.defaults import blend_of
from tuninglib.session.load import load_session

SETUPS = ("stock", "big_164", "big_172")
REPEATS = 4
# As the demo states them, in standard deviations; and what is not stated there.
DAY = World(
    length_m=(400.0, 1.0), grade=(0.060, 0.0015), bike_kg=(124.0, 1.0), rotating_kg=(8.0, 1.5),
    drag_area_m2=(0.56, 0.07), rolling=(0.0133, 0.0027), wind_m_s=(0.0, 0.75),
    rider_effect=0.0108,
)  # fmt: skip
LAMBDA = {"stock": 0.87, "big_164": 0.90, "big_172": 0.875}


@dataclass(frozen=True)
class Odd:
    """What is not as the model has it."""

    warming: float = 0.0  # loss of force from the first run to the last
    dying_wind_m_s: float = 0.0
    blocks: bool = False
    heavy_tails: bool = False
    misread: bool = False
    shown_too_much: float | None = None  # of a speedometer that is not calibrated
    grade_off: float = 0.0
    gauge_drift: float = 0.0
    ethanol_off: bool = False
    a_rider_each: bool = False
    once: bool = False
    typed_entry: bool = False
    said_entry: bool = False
    habit_m_s: float = 0.0


WORLDS = {
    "plain": Odd(), "ridden in blocks": Odd(blocks=True),
    "engine warms, 3 % less at the end": Odd(warming=0.03),
    "the same in blocks": Odd(warming=0.03, blocks=True),
    "wind dies, 3 m/s to none": Odd(dying_wind_m_s=3.0),
    "the same in blocks ": Odd(dying_wind_m_s=3.0, blocks=True),
    "heavy-tailed runs and readings": Odd(heavy_tails=True),
    "one speed misread by 10 km/h": Odd(misread=True),
    "speedometer not calibrated, shows 7 % too much": Odd(shown_too_much=1.07),
    "grade off by a point": Odd(grade_off=0.01), "gauge drifts by 3 %": Odd(gauge_drift=0.03),
    "the same in blocks  ": Odd(gauge_drift=0.03, blocks=True),
    "E10 that is E5": Odd(ethanol_off=True), "a rider for each setup": Odd(a_rider_each=True),
    "one run each": Odd(once=True), "entry always typed as 48": Odd(typed_entry=True),
    "entry said once, 48 ± 3 km/h": Odd(typed_entry=True, said_entry=True),
    "the same, all at 49": Odd(typed_entry=True, said_entry=True, habit_m_s=1 / 3.6),
}  # fmt: skip


def one_session(task):
    """What held and what was said on one day."""
    seed, odd = task
    rng = np.random.default_rng(seed)
    demo = load_session(DEMO)
    repeats = 1 if odd.once else REPEATS
    setup = np.repeat(np.arange(3), repeats) if odd.blocks else np.tile([0, 1, 2, 2, 1, 0], 2)
    setup = np.arange(3) if odd.once else setup[: 3 * repeats]
    n = setup.size
    # Riders take turns on each setup.
    turn = np.array([np.sum(setup[:i] == setup[i]) for i in range(n)])
    rider = setup % 2 if odd.a_rider_each else turn % 2
    through = np.linspace(0, 1, n)
    length, grade = draw(rng, DAY.length_m, ()), draw(rng, DAY.grade, ()) + odd.grade_off
    mass = draw(rng, DAY.bike_kg, ()) + np.array([draw(rng, r, ()) for r in DAY.riders_kg])[rider]
    rotating, drag = draw(rng, DAY.rotating_kg, ()), draw(rng, DAY.drag_area_m2, ())
    rolling, factor = draw(rng, DAY.rolling, ()), draw(rng, DAY.speed_factor, ())
    if odd.shown_too_much:
        factor = 1 / odd.shown_too_much
    true_gain = np.array([0.0, *rng.normal(0.12, 0.05, 2)])
    own = rng.standard_t(2.5, n) if odd.heavy_tails else rng.standard_normal(n)
    effect = DAY.rider_effect * rng.standard_normal(2)
    pull = DAY.force_n * np.exp(
        true_gain[setup] + effect[rider] + DAY.scatter * own - odd.warming * through
    )
    wind = draw(rng, DAY.wind_m_s, ()) + DAY.run_wind_m_s * rng.standard_normal(n)
    wind = wind + odd.dying_wind_m_s * (1 - through)
    entry = draw(rng, (13.0, 0.4 if odd.typed_entry else 0.25), n) + odd.habit_m_s
    road = {
        "length": length, "grade": lambda share: grade, "mass": mass, "rotating": rotating,
        "drag": drag, "rolling": rolling, "density": DAY.density, "torque": (14.5, 28.0),
    }  # fmt: skip
    end, _ = ride(entry, road, gusts(rng, wind, DAY), pull)
    calm = road | {"mass": mass.mean()}
    _, clean = ride(np.full(3, 13.0), calm, np.zeros(STEPS), DAY.force_n * np.exp(true_gain))
    shown = {"entry": entry, "exit": end}
    shown = {name: np.round(3.6 * v / factor) for name, v in shown.items()}
    if odd.misread:
        shown["exit"][rng.integers(n)] += rng.choice([-10, 10])
    if odd.typed_entry:
        shown["entry"][:] = round(3.6 * 13.0 / factor)
    # A gauge that is off by what is stated of it, flow off by what its tolerance says.
    fuel = "e10" if odd.ethanol_off else "e5"
    lambdas = np.array([LAMBDA[name] for name in SETUPS])
    gauge = demo.gauge.accuracy.sd * rng.standard_normal() + odd.gauge_drift * (through - 0.5)
    noise = rng.standard_t(2.5, n) if odd.heavy_tails else rng.standard_normal(n)
    middle = 14.7 * lambdas[setup] * np.exp(gauge + 0.008 * noise)
    rows = [
        {
            "setup": SETUPS[setup[i]], "rider": ("tove", "ilmar")[rider[i]], "state": "full",
            "knock": "none", "shown_entry_m_s": shown["entry"][i] / 3.6,
            "shown_exit_m_s": shown["exit"][i] / 3.6, "gauge_low": round(middle[i] - 0.1, 1),
            "gauge_high": round(middle[i] + 0.1, 1),
        }
        for i in range(n)
    ]  # fmt: skip
    setups = {name: replace(demo.setups[name], fuel=fuel) for name in SETUPS}
    if odd.shown_too_much:
        demo = replace(demo, speedometer=replace(demo.speedometer, factor=None))
    hill = replace(demo.hill, pieces=(), grade=Measured(0.06, 0.003))
    session = replace(demo, setups=setups, hill=hill, runs=as_read(rows, demo.runs))
    session = replace(session, runs=session.runs.assign(air_temperature_k=298.15))
    if odd.said_entry:
        hill = replace(hill, entry_speed=Measured(shown["entry"][0] / 3.6, 3 / 3.6))
        session = replace(session, hill=hill, runs=session.runs.assign(entry_taken=True))
    results = analyse(session)
    return _score(results, session, clean, lambdas, fuel, odd)


def _score(results, session, clean, lambdas, fuel, odd):
    pulls = {pull.setup: pull for pull in results.pulls}
    gains, forces = [], []
    for at, name in enumerate(SETUPS):
        # The force of the report is brought to the reference air; the truth is of the day's.
        factor = next(run.sae_j1349 for run in results.runs if run.setup == name)
        force = pulls[name].force_n.scaled(1 / factor)
        forces.append(force.low <= clean[at] <= force.high)
        if pulls[name].gain:
            ratio, truth = pulls[name].gain.ratio, clean[at] / clean[0] - 1
            gains.append((ratio.low <= truth <= ratio.high, ratio.half_width, ratio.value - truth))
    read = [
        mixture.lambda_.low <= lambdas[SETUPS.index(mixture.setup)] <= mixture.lambda_.high
        for mixture in results.mixtures
    ]
    # The tried injector on the other fuel: true lambda follows from what is really in the tanks.
    other = "e5" if fuel == "e10" else "e10"
    tank = blend_of(session.fuels["e5" if odd.ethanol_off else fuel])
    asked = blend_of(session.fuels[other])
    shift = tank.stoichiometric_ratio / asked.stoichiometric_ratio
    shift *= (tank.density_kg_m3 / asked.density_kg_m3) ** 0.5
    predicted = [
        one.lambda_.low <= lambdas[SETUPS.index("big_172")] * shift <= one.lambda_.high
        for one in results.combinations
        if (one.engine, one.injector, one.fuel) == ("big", "i172", other) and one.lambda_
    ]
    words = f"{gain_words.sentences(results)} {mixture_words.sentences(results)}"
    words = f"{words} {' '.join(remarks(results))}"
    phrases = ("one after the other", "no rider in common", "too few runs were", "may read high")
    said = bool(results.doubts) or any(phrase in words for phrase in phrases)
    return gains, forces, read, predicted, said


def table(days, seed, pool, odd):
    """Shares of a world, and the usual half-width and mean miss of its gains."""
    found = list(pool.map(one_session, [(seed + day, odd) for day in range(days)], chunksize=5))
    gains = [one for day in found for one in day[0]]
    held, half, off = (np.array(column) for column in zip(*gains, strict=True))
    shares = [np.mean([x for day in found for x in day[k]]) for k in (1, 2, 3)]
    return held.mean(), np.median(half), off.mean(), *shares, np.mean([day[4] for day in found])


def main():
    """Print the table."""
    given = asked(__doc__, days=200, seed=20260516, only="")
    head("world", "holds the true gain", "typical ±", "mean miss", "holds the true force",
         "holds lambda as read", "holds lambda on the other fuel",
         "the report says something")  # fmt: skip
    with ProcessPoolExecutor() as pool:
        for name, odd in WORLDS.items():
            if given.only in name:
                held, half, off, *others = table(given.days, given.seed, pool, odd)
                shares = [f"{100 * one:.1f} %" for one in others]
                row(name.strip(), f"{100 * held:.1f} %", f"{100 * half:.1f} %",
                    f"{100 * off:+.1f} %", *shares)  # fmt: skip


if __name__ == "__main__":
    main()
