"""How often the ladder's intervals and odds are right, over many invented sessions.

    python -m tests.tools.simulate_ladder [sessions] [seed]

Every session has its own truth: level, flow response, injectors off their stated flow, gauge error,
noise from run to run and within a run, a gauge that rounds. The readings are made here from
that truth without the library; the library sees only what a rider would write down.
"""

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import chain

import numpy as np

from tuninglib.statistics.gauge_readings import Readings, reading_midpoint
from tuninglib.statistics.ladder import Parts, Priors, fit_ladder, suspicious_injectors
from tuninglib.statistics.ladder_prediction import Candidate, FuelDemand, predict
from tuninglib.statistics.repeats import weigh_groups

GAUGE_STEP = 0.1 / 14.7
# Stoichiometric ratio and density of two petrols, E5 and E10.
FUELS = np.array([[14.29, 747.0], [14.0, 750.0]])
SEED = 20260516


@dataclass(frozen=True)
class World:
    """What is true in a set of invented sessions."""

    title: str
    deviation: tuple = (0.02, 0.05)  # sd of the injectors, drawn anew for each session
    response_mean: float = 1.0
    response_sd: float = 0.15
    gauge_sd: float = 0.01
    run_sd: tuple = (0.005, 0.015)
    flutter: tuple = (0.003, 0.012)  # sd within a run
    repeats: tuple = (1, 3)
    injectors: tuple = (2, 5)
    engines: int = 1
    breathing_sd: float = 0.05
    tolerance: float = Priors().tolerance  # what the rider believes
    gross: tuple = ()  # how far one reading of each session is off, to either side


WORLDS = (
    World("deviation 2 to 5 %, believed 3.5 % (the default)"),
    World("the same, two engines", engines=2), World("one injector only", injectors=(1, 1)),
    World("two injectors", injectors=(2, 2)), World("five injectors", injectors=(5, 5)),
    World("no repeats", repeats=(1, 1)), World("three repeats", repeats=(3, 3)),
    World("three repeats, one reading off by 5 to 20 %", repeats=(3, 3), gross=(0.05, 0.20)),
    World("response exactly 1", response_sd=0.0),
    World("deviation 2 to 5 %, believed 3 %", tolerance=0.03),
    World("deviation 3 %, believed 3 %", deviation=(0.03, 0.03), tolerance=0.03),
    World("wrong: deviation 2 %, believed 3 %", deviation=(0.02, 0.02), tolerance=0.03),
    World("wrong: deviation 5 %, believed 3 %", deviation=(0.05, 0.05), tolerance=0.03),
    World("wrong: noise three times the guess", run_sd=(0.03, 0.03)),
    World("wrong: response 0.7, two sd off", response_mean=0.7, response_sd=0.0),
    World("wrong: gauge error 2 %, believed 1 %", gauge_sd=0.02),
)  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """Truth against statement, one entry per prediction."""

    covered: np.ndarray
    covered_tried: np.ndarray
    covered_response: np.ndarray
    width: np.ndarray
    inside: np.ndarray
    is_inside: np.ndarray
    leaner: np.ndarray
    is_leaner: np.ndarray
    accused: np.ndarray


def one_session(world, rng, candidates):
    """Readings of one session, and the true log of lambda * fuel as a function of the injector."""
    count = rng.integers(world.injectors[0], world.injectors[1] + 1)
    fuels = rng.integers(1, 3)
    deviation_sd = rng.uniform(*world.deviation)
    run_sd, flutter = rng.uniform(*world.run_sd), rng.uniform(*world.flutter)
    response = rng.normal(world.response_mean, world.response_sd)
    gauge = rng.normal(0.0, world.gauge_sd)
    level = np.log(rng.uniform(0.80, 0.95) * FUELS[0].prod())

    stated = 2.5e-6 * np.exp(np.sort(rng.uniform(-0.2, 0.2, count)))
    deviation = rng.normal(0.0, deviation_sd, count)
    breathing = np.array([0.0, rng.normal(0.0, world.breathing_sd)])
    size = np.array([0.0, np.log(1.15)])

    # Every injector on the first fuel, one of them on the second as well.
    setups = [(i, 0) for i in range(count)]
    if fuels == 2:
        setups.append((rng.integers(count), 1))
    rows = [s for s in setups for _ in range(rng.integers(world.repeats[0], world.repeats[1] + 1))]
    at, fuel = np.array(rows).T
    engine = np.where(at == 0, 0, 1) if world.engines == 2 else np.zeros(len(at), dtype=int)

    def log_lambda(log_flow, deviation, fuel, engine):
        strength = level - response * (log_flow - np.log(2.5e-6)) + deviation
        return strength + size[engine] + breathing[engine] - np.log(FUELS[fuel].prod(-1))

    shown = log_lambda(np.log(stated[at]), deviation[at], fuel, engine) + gauge
    shown = shown + rng.normal(0.0, run_sd, len(at))
    if world.gross:
        shown[rng.integers(len(at))] += rng.choice([-1, 1]) * rng.uniform(*world.gross)
    trace = np.exp(shown[:, None] + rng.normal(0.0, flutter, (len(at), 12)))
    low = np.round(trace.min(1) / GAUGE_STEP) * GAUGE_STEP
    high = np.round(trace.max(1) / GAUGE_STEP) * GAUGE_STEP

    last = int(engine[-1])
    new_flow = np.exp(rng.uniform(np.log(stated[0]) - 0.1, np.log(stated[-1]) + 0.1, candidates))
    new_fuel = rng.integers(0, 2, candidates)
    truth = log_lambda(np.log(new_flow), rng.normal(0.0, deviation_sd, candidates), new_fuel, last)
    tried = int(rng.integers(count))
    truth_tried = log_lambda(np.log(stated[tried]), deviation[tried], 1, last)
    readings = {
        "lambda_low": low, "lambda_high": high, "flow_m3_s": stated[at],
        "injector": [f"i{i}" for i in at], "engine": [f"e{i}" for i in engine],
        "stoichiometric_ratio": FUELS[fuel, 0], "density_kg_m3": FUELS[fuel, 1],
        "resolution": GAUGE_STEP,
    }  # fmt: skip
    middle, own = reading_midpoint(low, high, resolution=GAUGE_STEP)
    _, group = np.unique(np.stack([at, fuel]), axis=1, return_inverse=True)
    sd = np.hypot(Priors().run_sd, own)
    readings["weight"] = weigh_groups(np.log(middle), sd, group.reshape(-1)).weight
    return (
        Readings(**readings), {f"e{i}": np.exp(size[i]) for i in range(world.engines)}, response,
        (new_flow, new_fuel, truth), (tried, stated[tried], truth_tried), last,
    )  # fmt: skip


def simulate(world, sessions, seed=SEED, candidates=4):
    """Truth against statement over many sessions of one world."""
    rng = np.random.default_rng(seed)
    priors = Priors(tolerance=world.tolerance)
    columns = {name: [] for name in Outcome.__dataclass_fields__}
    for _ in range(sessions):
        readings, sizes, response, new, own, engine = one_session(world, rng, candidates)
        flow, fuel, truth = new
        fit = fit_ladder(readings, Parts(displacement=sizes, priors=priors))
        stated = predict(
            fit,
            Candidate(flow_m3_s=flow),
            engine=f"e{engine}",
            fuel=FuelDemand(stoichiometric_ratio=FUELS[fuel, 0], density_kg_m3=FUELS[fuel, 1]),
        )
        low, high = np.log(stated.lambda_.low), np.log(stated.lambda_.high)
        columns["covered"].append((low < truth) & (truth < high))
        columns["width"].append((high - low) / 2)
        tried, tried_flow, truth_tried = own
        stated_tried = predict(
            fit,
            Candidate(flow_m3_s=tried_flow, tried=f"i{tried}"),
            engine=f"e{engine}",
            fuel=FuelDemand(stoichiometric_ratio=FUELS[1, 0], density_kg_m3=FUELS[1, 1]),
        )
        own_lambda = stated_tried.lambda_
        columns["covered_tried"].append(
            np.log(own_lambda.low) < truth_tried < np.log(own_lambda.high)
        )
        interval = fit.interval("response")
        columns["covered_response"].append(interval.low < response < interval.high)
        # Bands about the prediction, narrow to wide, so that all odds occur.
        centre = rng.normal(stated.log_mean[0], 0.03)
        half = np.exp(rng.uniform(np.log(0.01), np.log(0.15)))
        low, high = centre - half, centre + half
        odds = stated.odds(low=np.exp(low), high=np.exp(high))
        columns["inside"].append(odds.inside)
        columns["is_inside"].append((low < truth) & (truth < high))
        columns["leaner"].append(odds.leaner)
        columns["is_leaner"].append(truth > high)
        columns["accused"].append(len(suspicious_injectors(fit)) > 0)
    return Outcome(
        **{
            name: np.concatenate([np.atleast_1d(v) for v in values])
            for name, values in columns.items()
        }
    )


def deciles(stated, happened):
    """Stated odds and observed frequency in ten bins of the stated odds, with the count."""
    which = np.minimum((stated * 10).astype(int), 9)
    rows = []
    for i in range(10):
        at = which == i
        rows.append((stated[at].mean(), happened[at].mean(), at.sum()))
    return np.array(rows)


def main(sessions=4000, seed=SEED):
    """Print the calibration tables."""
    few = sessions // 4
    print(f"{sessions} sessions in the first row, {few} in the others; seed {seed}. Shares of 95 %")
    print("intervals that hold the truth: untried injector, tried one on the other fuel, flow")
    print("response. +/-95%: half-width for the untried one. accused: sessions that doubt one.")
    print(f"\n{'':<49} untried  +/-95%   tried response accused")
    with ProcessPoolExecutor() as pool:
        quarters = pool.map(
            partial(simulate, WORLDS[0], few, candidates=8), range(seed + 1, seed + 5)
        )
        others = pool.map(partial(simulate, sessions=few, seed=seed), WORLDS[1:])
        main_world = joined(list(quarters))
        for world, outcome in zip(WORLDS, chain([main_world], others), strict=True):
            print(
                f"{world.title:<49} {outcome.covered.mean():7.3f} "
                f"{np.median(outcome.width):7.3f} {outcome.covered_tried.mean():7.3f} "
                f"{outcome.covered_response.mean():8.3f} {outcome.accused.mean():7.3f}",
                flush=True,
            )
    inside = deciles(main_world.inside, main_world.is_inside)
    leaner = deciles(main_world.leaner, main_world.is_leaner)
    print(f"\nOdds in the first row, {main_world.inside.size} predictions, by deciles")
    print("inside the band          | leaner than the band")
    print("stated observed   count  | stated observed   count")
    for a, b in zip(inside, leaner, strict=True):
        print(f" {a[0]:.3f}  {a[1]:.3f} {a[2]:9.0f}  |  {b[0]:.3f}  {b[1]:.3f} {b[2]:9.0f}")


def joined(outcomes):
    """Several outcomes as one."""
    return Outcome(
        **{
            name: np.concatenate([getattr(outcome, name) for outcome in outcomes])
            for name in Outcome.__dataclass_fields__
        }
    )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
