"""Whether the advice is worth it: the setup it rides beside what rules of thumb would ride.

Run it from the top of the project, ``python -m tests.tools.simulate_choice --days 100``. Each day
has a truth of its own: forces, mixtures and which setups knock. Of each it is counted how often the
choice was unsafe (truly leaner than the band, or one that knocks), how often it was the strongest
of the safe ones, how much force was given away, and how often the mixture was richer than the band.
A second table asks for the injector to fit next. The days share no sum with the library: the motion
is integrated in small steps, the pull depends on the mixture, injectors are all off the same way
and follow their stated flow in part only. What knocks is what is too lean for its engine; who
listens misses three of ten.
"""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from tests.conftest import DEMO
from tests.random_sessions import as_read
from tests.tools.shared import asked, gusts, head, ride, row
from tests.tools.thin_days import Population
from tuninglib.analysis.analyse import analyse
from tuninglib.interval import Measured
from tuninglib.report.advice import next_sentence
from tuninglib.session.load import load_session
from tuninglib.session.machine import Setup

KMH, CC_MIN = 1 / 3.6, 1e-6 / 60
BAND = (0.83, 0.90)
# Ethanol of the fuels, by volume; and petrol as handbooks have it, from memory.
FUELS = {"e5": 0.04, "e10": 0.095}


def air_need(ethanol):
    """Air to fuel by mass times the root of the density: what a fuel asks of an injector."""
    density = 745.0 * (1 - ethanol) + 789.0 * ethanol
    share = 789.0 * ethanol / density
    return (14.6 * (1 - share) + 9.0 * share) * density**0.5


def pull_of(lambda_):
    """Pull over its best: flat over rich mixtures, 8 % less at lambda 1; order from handbooks.

    No less than 60 %: what pulls less climbs no hill, and nobody notes its speeds.
    """
    lean, rich = np.maximum(lambda_ - 0.88, 0.0), np.maximum(0.79 - lambda_, 0.0)
    return np.maximum(1 - 0.08 * (lean / 0.12) ** 2 - 0.08 * (rich / 0.12) ** 2, 0.6)


@dataclass(frozen=True)
class Line:
    """One kind of day."""

    name: str
    repeats: int = 4
    gauge_off: float = 0.0
    misread: bool = False
    injectors_only: bool = False
    candidates: bool = False
    unsaid: bool = False


LINES = (
    Line("four setups, four runs each"),
    Line("two runs each", repeats=2),
    Line("eight runs each", repeats=8),
    Line("one run each", repeats=1),
    Line("gauge reads 0.3 too rich", gauge_off=-0.3),
    Line("gauge reads 0.3 too lean", gauge_off=0.3),
    Line("one exit speed misread by 10 km/h", misread=True),
    Line("injectors only", injectors_only=True),
    Line("two runs each, injectors only", repeats=2, injectors_only=True),
    Line("a run each, nothing said of the riding", repeats=1, unsaid=True),
)
NEXT = (
    Line("candidates, two runs each", repeats=2, candidates=True),
    Line("candidates, one run each", repeats=1, candidates=True),
)


class Day(NamedTuple):
    """A session, and the truth: by setup, and of injectors on fuels."""

    session: object
    lambda_: dict
    log_force: dict
    knocks: dict
    lambda_of: object


def day_of(seed, line: Line, demo) -> Day:
    """One day of a line; the seed draws it."""
    rng = np.random.default_rng(seed)
    session, base = _session(rng, line, demo)
    size = {"stock": 1.0, "big": (64.0 / 60.0) ** 2}
    breath = {"stock": 1.0, "big": float(np.exp(rng.normal(0, 0.05)))}
    together, response = rng.normal(0, 0.015), rng.normal(1.0, 0.06)
    true_flow = {
        name: float(np.exp(rng.normal(together, 0.03)))
        * (one.flow.value / CC_MIN / base) ** response
        for name, one in session.injectors.items()
    }

    def lambda_of(engine, injector, fuel):
        return (
            0.87 * size[engine] * breath[engine] / true_flow[injector]
            * air_need(0.04) / air_need(FUELS[fuel])
        )  # fmt: skip

    lambda_, log_force, knocks = {}, {}, {}
    other = {"stock": 0.0, "big": np.log(size["big"]) + np.log(breath["big"])}
    for name, setup in session.setups.items():
        lambda_[name] = lambda_of(setup.engine, setup.injector, setup.fuel)
        own = 0.0 if line.injectors_only or name == "stock" else rng.normal(0, 0.03)
        log_force[name] = other[setup.engine] + own + float(np.log(pull_of(lambda_[name])))
        edge = (0.95 if setup.engine == "stock" else 0.935) + rng.normal(0, 0.015)
        knocks[name] = bool(lambda_[name] > edge)
    runs = _runs(rng, line, session, lambda_, log_force, knocks)
    return Day(replace(session, runs=runs), lambda_, log_force, knocks, lambda_of)


def _session(rng, line, demo):
    """Setups and injectors around what the engines ask for, and the flow that makes 0.87."""
    count = 6 if line.candidates else 4
    step, middle = rng.uniform(1.04, 1.07), 165 * rng.uniform(0.9, 1.1)
    # The stated flow that makes lambda 0.87 on the factory's engine; nobody knows it.
    base = 150 * float(np.exp(rng.normal(0, 0.03)))
    flows = [150.0, *(middle * step ** (np.arange(count) - count / 2))]
    injectors = {
        f"i{number}": replace(
            demo.injectors["i172"],
            flow=Measured(float(flow) * CC_MIN),
            tolerance=Measured(0.07),
            price=34.0,
            owned="unknown",
        )
        for number, flow in enumerate(flows)
    }
    setups = {"stock": Setup(engine="stock", injector="i0", fuel="e5")}
    engine = "big"
    if line.injectors_only:
        setups = {"stock": Setup(engine="big", injector="i1", fuel="e5")}
    ridden = [1, count] if line.candidates else [2, 3, 4] if line.injectors_only else [1, 2, 3]
    for number in ridden:
        setups[f"t{number}"] = Setup(engine=engine, injector=f"i{number}", fuel="e5")
    riding = "unknown" if line.unsaid else demo.use.riding
    use = replace(demo.use, fuels=("e5", "e10") if line.candidates else ("e5",), riding=riding)
    return replace(demo, injectors=injectors, setups=setups, use=use), base


def _runs(rng, line, session, lambda_, log_force, knocks):
    """Rows of runs.csv, the setups in turns, there and back."""
    names = list(session.setups)
    order = [n for k in range(line.repeats) for n in (names if k % 2 == 0 else names[::-1])]
    n, p = len(order), Population()
    scatter = 0.013 * np.exp(0.5 * rng.standard_normal())
    pull = np.array([log_force[name] for name in order]) + scatter * rng.standard_normal(n)
    pull = pull + 0.01 * rng.standard_normal() * (np.arange(n) / max(n - 1, 1) - 0.5)
    one = np.ones((1, n))
    grade = 0.060 + 0.0015 * rng.standard_normal()
    road = {
        "length": 400.0 * one,
        "grade": lambda s: grade + 0.004 * np.cos(np.pi * s),
        "mass": (124.0 + 68.0 + rng.normal(0, 1.5)) * one,
        "rotating": 8.0 * one,
        "drag": 0.56 * np.exp(0.05 * rng.standard_normal()) * one,
        "rolling": 0.0133 * np.exp(0.1 * rng.standard_normal()) * one,
        "rise": 0.15 * one,
        "density": 1.19 * one,
        "torque": (15.5, 35.0 * one),
    }
    wind = rng.normal(0, 0.6) + 0.4 * rng.standard_t(4, (1, n))
    late = np.where(rng.random((1, n)) < 0.1, 0.08 * rng.random((1, n)), 0.0)
    factor = 0.955 + 0.005 * rng.standard_normal()
    entry = np.round(48 + 1.2 * rng.standard_normal((1, n)))
    end, _ = ride(factor * entry * KMH, road, gusts(rng, wind, p), 285.0 * np.exp(pull)[None], late)
    shown = np.round(end[0] / factor / KMH)
    if line.misread:
        shown[rng.integers(n)] += rng.choice([-10, 10])
    gauge = np.exp(rng.normal(0, 0.01)) + line.gauge_off / 14.7
    rows = []
    for at, name in enumerate(order):
        middle = 14.7 * gauge * lambda_[name] * float(np.exp(rng.normal(0, 0.008)))
        heard = knocks[name] and rng.random() < 0.7
        rows.append(
            {
                "setup": name,
                "rider": "tove",
                "shown_entry_m_s": entry[0, at] * KMH,
                "shown_exit_m_s": shown[at] * KMH,
                "gauge_low": round(middle - 0.1, 1),
                "gauge_high": round(middle + 0.1, 1),
                "knock": "light" if heard else "none",
                "state": "full",
            }
        )
    return as_read(rows, session.runs)


# What would be ridden ----------------------------------------------------------------------------


def _quiet(day, table):
    loud = set(table[table["knock"] == "light"]["setup"])
    return [name for name in day.session.setups if name not in loud]


def strongest(day, table, names):
    """The highest mean exit speed among some setups; None of none."""
    means = table.groupby("setup")["shown_exit_m_s"].mean()
    return max(names, key=lambda name: means[name], default=None)


# How much richer than the lean edge the gauge must read, in its own units.
MARGINS = (0.0, 0.15, 0.30, 0.45, 0.60, 0.80, 1.00, 1.25, 1.50)
CAREFUL = "strongest quiet one, {:.2f} richer than the edge, else {}"


BOLD = ("the strongest that did not knock", "gauge nearest the middle of the band")


def rules_of_thumb(day) -> dict:
    """Choices that need no tool; the careful one with every margin and both ways out."""
    table = day.session.runs
    quiet = _quiet(day, table)
    gauge = table[["gauge_low", "gauge_high"]].mean(axis=1).groupby(table["setup"]).mean()
    middle = 14.7 * sum(BAND) / 2
    richest = min(quiet, key=lambda name: gauge[name], default=None)
    found = {
        BOLD[0]: strongest(day, table, quiet),
        BOLD[1]: min(gauge.index, key=lambda name: abs(gauge[name] - middle)),
    }
    for by in MARGINS:
        enough = [name for name in quiet if gauge[name] <= 14.7 * BAND[1] - by]
        own = strongest(day, table, enough)
        found[CAREFUL.format(by, "the richest")] = own or richest
        found[CAREFUL.format(by, "nothing")] = own
    return found


WANTED = {
    "the tool": "balanced",
    "the tool, pull first": "pull first",
}


def tool(day, wanted):
    """What the library would ride; None: nothing."""
    use = replace(day.session.use, wanted=wanted)
    plan = analyse(replace(day.session, use=use)).plan
    return plan.ride.setup if plan.ride else None


class Judged(NamedTuple):
    """A choice held against the truth; nothing is as weak as the weakest setup, and safe."""

    unsafe: bool
    best: bool
    given_away: float
    rich: bool
    nothing: bool = False


def judged(day, choice) -> Judged:
    safe = [n for n in day.lambda_ if day.lambda_[n] <= BAND[1] and not day.knocks[n]]
    best = max(safe, key=day.log_force.get, default=None)
    if choice is None:
        choice_force = min(day.log_force.values())
        return Judged(False, best is None, _less(day, best, choice_force), False, True)
    unsafe = day.lambda_[choice] > BAND[1] or day.knocks[choice]
    rich = day.lambda_[choice] < BAND[0]
    return Judged(unsafe, choice == best, _less(day, best, day.log_force[choice]), rich)


def _less(day, best, force):
    return 0.0 if best is None else max(0.0, 100 * (1 - np.exp(force - day.log_force[best])))


_DEMO = None


def _demo():
    global _DEMO
    _DEMO = _DEMO or load_session(DEMO)
    return _DEMO


def choices(task) -> dict:
    """What everybody would ride on one day, judged."""
    seed, line = task
    day = day_of(seed, line, _demo())
    found = {name: tool(day, wanted) for name, wanted in WANTED.items()} | rules_of_thumb(day)
    return {name: judged(day, choice) for name, choice in found.items()}


# What would be fitted next -----------------------------------------------------------------------


class Named(NamedTuple):
    """An injector named next, by the tool and by flow; and whether a listed one truly fits."""

    code: str
    tool: tuple | None
    rule: tuple | None
    fits: bool


def named(task) -> Named:
    """The injector that is named next on one day with candidates."""
    seed, line = task
    day = day_of(seed, line, _demo())
    results = analyse(day.session)
    step = results.plan.next

    def truth(injector):
        values = [day.lambda_of("big", injector, fuel) for fuel in FUELS]
        inside = all(BAND[0] <= one <= BAND[1] for one in values)
        return inside, max(values) > BAND[1]

    untried = list(day.session.injectors)
    fits = any(truth(name)[0] for name in untried)
    ride, own = results.plan.ride, None
    if step.code in ("fit", "buy") and step.injector:
        own = truth(step.injector)
    elif step.code in ("nothing", "ride again") and ride is not None and ride.engine == "big":
        own = truth(ride.injector)
    elif step.code == "change fuel" and "eye on the gauge" in next_sentence(results):
        # Kept on one fuel, and tried on the other.
        own = truth(step.injector)
    table = day.session.runs[day.session.runs["setup"] != "stock"]
    gauge = table[["gauge_low", "gauge_high"]].mean(axis=1).groupby(table["setup"]).mean()
    nearest = min(gauge.index, key=lambda n: abs(gauge[n] - 14.7 * sum(BAND) / 2))
    flow = day.session.injectors[day.session.setups[nearest].injector].flow.value
    wanted = flow * gauge[nearest] / (14.7 * sum(BAND) / 2)
    near = min(untried, key=lambda n: abs(day.session.injectors[n].flow.value - wanted))
    return Named(step.code, own, truth(near), fits)


def main():
    given = asked(__doc__, days=300, seed=20261130, processes=2, only="")
    with ProcessPoolExecutor(given.processes) as pool:

        def each(work, lines, first):
            for number, line in enumerate(lines, start=first):
                if given.only in line.name:
                    tasks = [((given.seed, number, day), line) for day in range(given.days)]
                    yield line, list(pool.map(work, tasks, chunksize=10))

        print(f"the rule: {CAREFUL.format(0.15, 'nothing')}, with every margin")
        columns = ("unsafe", "gives away", "as safe, the rule gives away")
        head("day", *(f"{who}: {one}" for who in WANTED for one in columns), "best found",
             "too rich", "rides nothing", *(f"{who}: unsafe" for who in BOLD))  # fmt: skip
        every = []
        for line, found in each(choices, LINES, 0):
            _print_choices(line, found)
            every += found
        if not given.only:
            # One margin for all of them: nobody knows beforehand how a day is.
            _print_choices(Line("all of these"), every)
            print()
            head("margin of the rule", "unsafe", "gives away", "too rich", "rides nothing")
            for by in MARGINS:
                unsafe, _, less, rich, nothing = means_of(every)[CAREFUL.format(by, "nothing")]
                row(f"{by:.2f}", f"{unsafe:.1%}", f"{less:.2f} %", f"{rich:.0%}", f"{nothing:.0%}")
        print()
        head("day", "who names", "named", "fits both fuels", "leaner on one", "a listed one fits",
             "another is to be listed though one fits")  # fmt: skip
        for line, found in each(named, NEXT, 100):
            _print_named(line, found)


def means_of(found) -> dict:
    """Shares and force given away, by who chooses."""
    return {who: np.mean([one[who] for one in found], axis=0) for who in found[0]}


def _print_choices(line, found):
    means = means_of(found)
    careful = [CAREFUL.format(by, way) for by in MARGINS for way in ("the richest", "nothing")]
    points = [tuple(means[who][[0, 2]]) for who in careful]
    cells = []
    for who in WANTED:
        unsafe, _, less, *_ = means[who]
        as_safe = as_safe_as(unsafe, points)
        cells += [f"{unsafe:.1%}", f"{less:.2f} %", "" if as_safe is None else f"{as_safe:.2f} %"]
    _, best, _, rich, nothing = means["the tool"]
    bold = (f"{means[who][0]:.0%}" for who in BOLD)
    row(line.name, *cells, f"{best:.0%}", f"{rich:.0%}", f"{nothing:.0%}", *bold)


def as_safe_as(unsafe, points):
    """The least force that rules give away, each alone or two by turns, at a share of unsafe days.

    The best margin of each kind of day is known afterwards only: that favours the rules.
    """
    safe = [(share, less) for share, less in points if share <= unsafe]
    bold = [(share, less) for share, less in points if share > unsafe]
    mixed = [a + (b - a) * (unsafe - x) / (y - x) for x, a in safe for y, b in bold]
    return min([*(less for _, less in safe), *mixed], default=None)


def _print_named(line, found):
    listed = np.mean([one.code == "list injectors" and one.fits for one in found])
    fits = [one for one in found if one.fits]
    for who in ("tool", "rule"):
        own = [getattr(one, who) for one in fits]
        known = np.array([one for one in own if one is not None], dtype=float)
        inside, leaner = known.mean(axis=0) if known.size else (np.nan, np.nan)
        share, there = known.shape[0] / max(len(fits), 1), len(fits) / len(found)
        asks = f"{listed:.0%}" if who == "tool" else ""
        row(line.name, who, *(f"{x:.0%}" for x in (share, inside, leaner, there)), asks)


if __name__ == "__main__":
    main()
