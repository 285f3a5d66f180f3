"""How often the mixtures' intervals are right, with and without one reading that is far off.

    python -m tests.tools.simulate_readings [days] [seed]

Every day has its own setups, scatter from run to run and within a run, gauge error and a gauge that
rounds. One reading of a bad day is off by 5 to 20 %. The library sees what a rider would write
down.
"""

import sys
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from tuninglib.statistics.gauge_readings import reading_midpoint
from tuninglib.statistics.repeats import NAMED, group_means, weigh_groups

GAUGE_STEP, SCALE = 0.1, 14.7
RUN_SD = 0.01  # the guess
SEED = 20260516


@dataclass(frozen=True)
class Score:
    """What came out.

    Attributes
    ----------
    held, width : float
        Share of setups whose interval holds the truth, and its middle half-width (logarithm).
    held_there, width_there : float
        Of the setup with the bad reading; 1 and 0 on days without one.
    named, wrongly_named : float
        Share of days on which the bad reading is named (alone or with its setup), and another one.
    """

    held: float
    width: float
    held_there: float
    width_there: float
    named: float
    wrongly_named: float


def one_day(rng, repeats, setups, gross):
    """True logarithms of the setups, and what was read."""
    truth = np.log(rng.uniform(0.78, 0.98, setups))
    group = np.repeat(np.arange(setups), repeats)
    run_sd, flutter = rng.uniform(0.005, 0.015), rng.uniform(0.003, 0.008)
    middle = truth[group] + rng.normal(0, 0.01) + rng.normal(0, run_sd, group.size)
    bad = rng.integers(group.size) if gross else None
    if gross:
        middle[bad] += rng.choice([-1, 1]) * rng.uniform(0.05, 0.20)
    trace = SCALE * np.exp(middle[:, None] + rng.normal(0, flutter, (group.size, 12)))
    low, high = (np.round(x / GAUGE_STEP) * GAUGE_STEP for x in (trace.min(1), trace.max(1)))
    return truth, group, low, high, bad


def simulate(days, *, repeats, setups=5, gross=False, weigh=True, seed=SEED) -> Score:
    """Shares over many days."""
    rng = np.random.default_rng(seed)
    held, widths, there, widths_there, named, wrongly = [], [], [], [], [], []
    for _ in range(days):
        truth, group, low, high, bad = one_day(rng, repeats, setups, gross)
        middle, own = reading_midpoint(low, high, resolution=GAUGE_STEP)
        values = np.log(middle / SCALE)
        found = weigh_groups(values, np.hypot(RUN_SD, own), group)
        weight = found.weight if weigh else np.ones(group.size)
        means = group_means(values, own, weight, group, assumed_sd=RUN_SD)
        for setup, one in means.items():
            variance = one.variance + 0.01**2
            dof = one.dof * (variance / one.variance) ** 2 if one.dof else 1e9
            half = stdtrit(dof, 0.975) * np.sqrt(variance)
            good = abs(one.mean - truth[setup]) < half
            is_there = gross and setup == group[bad]
            (there if is_there else held).append(good)
            (widths_there if is_there else widths).append(half)
        doubted = found.disagree | (found.weight < NAMED)
        if gross:
            named.append(doubted[bad])
        wrongly.append((doubted & (group != (group[bad] if gross else -1))).any())
    if not gross:
        there, widths_there, named = [True], [0.0], [True]
    return Score(
        held=np.mean(held), width=np.median(widths), held_there=np.mean(there),
        width_there=np.median(widths_there), named=np.mean(named), wrongly_named=np.mean(wrongly),
    )  # fmt: skip


def main(days=2000, seed=SEED):
    """Print the table."""
    print(f"{days} days a line, 5 setups, seed {seed}; half-widths of log(lambda)")
    print("repeats  bad one  weighed   others hold  ±      its setup holds  ±     named  wrongly")
    for repeats in (1, 2, 3, 4):
        for gross in (False, True):
            for weigh in (False, True):
                s = simulate(days, repeats=repeats, gross=gross, weigh=weigh, seed=seed)
                its = (
                    f"{s.held_there:13.1%}{s.width_there:11.3f}{s.named:9.0%}"
                    if gross
                    else " " * 33
                )
                print(
                    f"{repeats:5}{'yes' if gross else 'no':>10}{'yes' if weigh else 'no':>9}"
                    f"{s.held:14.1%}{s.width:9.3f}{its}{s.wrongly_named:8.1%}",
                    flush=True,
                )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
