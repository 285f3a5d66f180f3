"""Advice on sessions made up at random: what the plans were, and whether any contradicted itself.

Run it from the top of the project, ``python -m tests.tools.simulate_advice``: it prints a table of
the plans, and every contradiction with the seed of its session. The sessions have few runs,
injectors near and far from what the engine asks for, knock, hot heads, fuels that are not allowed,
and at times no gauge, no speeds or nobody who listened. The simulation knows the true mixtures; it
prints how many of those that were advised were leaner than the band.
"""

from collections import Counter
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from tests.advice_rules import advised, contradictions
from tests.conftest import DEMO
from tests.random_sessions import random_outing
from tests.tools.shared import asked, head, row
from tuninglib.analysis.analyse import analyse
from tuninglib.session.load import load_session


def one_session(seed):
    """What the plan of one session was, and its contradictions."""
    session, true_lambda = random_outing(np.random.default_rng(seed), load_session(DEMO))
    results = analyse(session)
    edge, known = results.band.highest, [one for one in advised(results) if one.odds is not None]
    lean = [true_lambda(one.engine, one.injector, one.fuel) > edge for one in known]
    plan = results.plan
    ride = plan.ride.engine if plan.ride else "nothing"
    reference = plan.ride is not None and plan.ride.setup == results.reference
    if plan.ride is not None:
        ride = "the reference" if reference else f"another setup, engine {ride}"
    step = plan.next.code + (f" ({plan.next.why})" if plan.next.why else "")
    return seed, ride, step, plan.strength, contradictions(results), (sum(lean), len(lean))


def main():
    given = asked(__doc__, count=2000, seed=20260601, processes=2)
    with ProcessPoolExecutor(given.processes) as pool:
        seeds = range(given.seed, given.seed + given.count)
        found = list(pool.map(one_session, seeds, chunksize=20))
    rides = sorted({ride for _, ride, *_ in found})
    table = Counter((step, ride) for _, ride, step, *_ in found)
    steps = Counter(step for _, _, step, *_ in found)
    head("next", *(f"ride {ride}" for ride in rides), "all")
    for step, count in steps.most_common():
        row(step, *(table[step, ride] for ride in rides), count)
    strengths = Counter(strength for _, _, _, strength, *_ in found)
    print(", ".join(f"{name}: {count}" for name, count in strengths.most_common()))
    lean, known = (sum(pair[i] for *_, pair in found) for i in (0, 1))
    print(f"leaner than the band: {lean} of {known} mixtures that were advised")
    broken = [(seed, problems) for seed, *_, problems, _ in found if problems]
    print(f"{len(found)} sessions from seed {given.seed}, {len(broken)} with a contradiction")
    for seed, problems in broken:
        print(seed, *problems, sep="\n  ")


if __name__ == "__main__":
    main()
