"""Outings of few rows with known truth: the library's gains beside those of a Bayes referee.

Run it from the top of the project, ``python -m tests.tools.thin_days --days 500``: it prints the
table. Each day is drawn whole from one population, stated below; the motion is integrated here in
small steps, without anything from tuninglib, and neither the library nor the referee is told of
the bends of the hill, rolling that rises with speed, the torque curve, late throttle and when the
gusts come. ``--worlds`` draws days that are not as the population has them.
"""

import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from tests.tools import bayes_referee
from tests.tools.shared import asked, gusts, head, ride, row
from tuninglib.physics.motion import Hill
from tuninglib.statistics.gain import estimate_gains
from tuninglib.statistics.population import Kinds
from tuninglib.statistics.road_runs import Runs, StatedSds, Unknown, usual_unknowns

KMH, MPH = 1 / 3.6, 0.44704


@dataclass(frozen=True)
class Population:
    """What days have in common. Pairs are a value and a standard deviation unless said otherwise.

    "Common practice" means: what home riders without instruments reach; no published source.
    """

    # Told to everybody ---------------------------------------------------------------------------
    # Of the engine's force from run to run: median, and sd of the logarithm. With the winds below a
    # force that is worked out from a run scatters by 2.5 % in the median, and by 1 to 7 % on 95 of
    # 100 days, reading excluded. Common practice.
    scatter: tuple = (0.013, 0.5)
    # Each rider's own, beyond mass and drag: how he shifts and holds the throttle. Common practice.
    rider_effect: float = 0.03
    # Each rider's own, of drag area: how he sits. Common practice.
    rider_drag: float = 0.035
    # Along the hill, all day: a rider who says "calm". Common practice.
    wind_m_s: tuple = (0.0, 0.75)
    # Own wind of each run: scale of Student's t, its median and sd of the logarithm. Beaufort 1 to
    # 2 that comes and goes; common practice.
    run_wind_m_s: tuple = (0.35, 0.5)
    # Change between a way up and the way down minutes later, over the above: median, sd of log.
    change_ratio: tuple = (0.8, 0.6)
    # Degrees of freedom of both: gusty days have tails. Ours.
    wind_dof: float = 4.0
    # Within a run, and over what length it comes and goes. Common practice.
    gust_m_s: float = 0.3
    gust_length_m: float = 60.0
    # Steadily up or down from the first run to the last, on quiet outings and on those in the hours
    # in which wind gets up or dies; and the share of the latter. Common practice.
    wind_over_m_s: tuple = (0.5, 2.0, 0.1)
    # Entry speed said once for all runs, as shown; half the variance is one habit that all runs
    # share, half each run's own. Common practice: nobody holds a needle to better than 3 km/h.
    said_entry_m_s: tuple = (48 * KMH, 1.5 * KMH)
    # From the first run to the last: warming, fading, wear of the day. Common practice.
    drift: float = 0.02
    # Workshop manual and bathroom scales.
    bike_kg: tuple = (124.0, 2.0)
    riders_kg: tuple = ((84.0, 1.5), (66.0, 1.5))
    # Wheels and engine: 7 % of the unladen bike by rule of thumb (of 40 CFR 86.529-98).
    rotating_kg: tuple = (8.0, 1.5)
    # Table of road loads, 40 CFR 86.529-98, and what road tyres need; spread is common practice.
    drag_area_m2: tuple = (0.56, 0.07)
    rolling: tuple = (0.0133, 0.0027)
    # Level app on the road; odometer or map.
    grade: tuple = (0.060, 0.0025)
    length_m: tuple = (400.0, 2.0)
    # True over shown speed of an unchecked speedometer: all that UN R39 allows at 55 km/h, a
    # rectangle; middle and sd.
    speed_factor: tuple = (0.918, 0.0473)
    # No weather written down: a riding day, 0 to 30 °C.
    density_kg_m3: tuple = (1.20, 0.03)

    # Told to nobody ------------------------------------------------------------------------------
    # How far the entry that is read each run differs from run to run.
    entry_spread_m_s: float = 1.0 * KMH
    # Grade at the foot against the top.
    bend: float = 0.006
    # Share of the rolling resistance at 14 m/s that rises with v². From memory, of handbooks.
    rolling_rise: tuple = (0.15, 0.05)
    # Share of runs on which the throttle opens late, and over what share of the way at most.
    late: float = 0.1
    late_way: float = 0.08
    # Where and how steeply the torque falls off. [m/s]
    torque_m_s: tuple = (15.5, 25.0, 40.0)
    # Mean force of the reference, and gains of the others.
    force_n: float = 268.0
    gain: tuple = (0.03, 0.06)

    @property
    def calm(self) -> "Population":
        """The same with the wind from run to run and its gusts counted as part of the scatter."""
        return replace(self, run_wind_m_s=(1e-6, 0.0), gust_m_s=1e-6)


@dataclass(frozen=True)
class Odd:
    """What is not as the population has it."""

    # Normal own wind of each run, and its change before the way down.
    winds_m_s: tuple | None = None
    heavy_gusts: bool = False
    dying_wind_m_s: float = 0.0
    blocks: bool = False
    grade_off: float = 0.0
    # Loss of force where the clutch slips, on each run with this chance.
    slip: float = 0.0
    slips: float = 0.25


@dataclass(frozen=True)
class Design:
    """Who rides which setup in which order.

    ``copied`` is the run whose luck the last run repeats: a row that agrees.
    """

    setup: tuple
    rider: tuple | None = None
    ways_down: bool = False
    copied: int | None = None

    @property
    def riders(self):
        return np.zeros(len(self.setup), int) if self.rider is None else np.array(self.rider)


DESIGNS = {
    "one run each, 5 setups": Design((0, 1, 2, 3, 4)),
    "one setup twice, 5 setups": Design((0, 1, 2, 3, 4, 0)),
    "two riders crossed, 3 setups": Design((0, 1, 2, 2, 1, 0), (0, 0, 0, 1, 1, 1)),
    "lighter rider on one of 5 only": Design((0, 1, 2, 3, 4, 0), (0, 0, 0, 0, 1, 0)),
    "two each, 3 setups": Design((0, 1, 2, 0, 1, 2)),
    "three each, 3 setups": Design((0, 1, 2) * 3),
    "two each with ways down": Design((0, 1, 2, 0, 1, 2), ways_down=True),
    "four on one and one on the rest": Design((0, 1, 0, 2, 0, 3, 0, 4)),
}
# A design whose gains are told apart: those of setups that a lighter rider alone rode.
CONFOUNDED, LIGHTER = "lighter rider on one of 5 only", 4
FIXED = (0.01, 0.02, 0.04, 0.06)
MORE = {
    "the reference again": Design((0, 1, 2, 3, 4, 0)),
    "the reference again, by another rider": Design((0, 1, 2, 3, 4, 0), (0, 0, 0, 0, 0, 1)),
}
# Order of the setups, and what is odd.
WORLDS = {
    "as the population": ((0, 1, 2, 0, 1, 2), Odd()),
    "wind 0.6, change 0.6 m/s": ((0, 1, 2, 0, 1, 2), Odd(winds_m_s=(0.6, 0.6))),
    "wind 0.6, change 0.85 m/s": ((0, 1, 2, 0, 1, 2), Odd(winds_m_s=(0.6, 0.85))),
    "wind 1.5, change 1.5 m/s": ((0, 1, 2, 0, 1, 2), Odd(winds_m_s=(1.5, 1.5))),
    "gusts with heavy tails": ((0, 1, 2, 0, 1, 2), Odd(heavy_gusts=True)),
    "wind dies from 3 m/s": ((0, 1, 2, 0, 1, 2), Odd(dying_wind_m_s=3.0)),
    "in blocks": ((0, 0, 1, 1, 2, 2), Odd()),
    "in blocks, wind dies from 3 m/s": ((0, 0, 1, 1, 2, 2), Odd(dying_wind_m_s=3.0)),
    "grade off by a point": ((0, 1, 2, 0, 1, 2), Odd(grade_off=0.01)),
    "clutch slips 8 % on a quarter": ((0, 1, 2, 0, 1, 2), Odd(slip=0.08)),
}


# The days ----------------------------------------------------------------------------------------


class Days(NamedTuple):
    """Days of one design: truth, days by setups, and what was written down, days by runs."""

    design: Design
    log_force: np.ndarray
    shown: dict
    said: bool
    step: float


def simulate(seed, design: Design, days, *, population=None, odd=None, said=True, step=KMH) -> Days:
    """Days with known truth."""
    p, odd = population or Population(), odd or Odd()
    rng = np.random.default_rng(seed)
    setup, rider = np.array(design.setup), design.riders
    n, one = setup.size, (days, 1)

    def normal(stated, shape=one):
        return stated[0] + stated[1] * rng.standard_normal(shape)

    def log_normal(stated):
        return stated[0] * np.exp(stated[1] * rng.standard_normal(one))

    scatter, scale = log_normal(p.scatter), log_normal(p.run_wind_m_s)
    change_scale = scale * log_normal(p.change_ratio)
    luck = rng.standard_normal((days, n))
    own, change = (size * rng.standard_t(p.wind_dof, (days, n)) for size in (scale, change_scale))
    if odd.winds_m_s:
        own, change = (sd * rng.standard_normal((days, n)) for sd in odd.winds_m_s)
    habit, each = rng.standard_normal(one), rng.standard_normal((days, n))
    late = np.where(rng.random((days, n)) < p.late, p.late_way * rng.random((days, n)), 0.0)
    slips = rng.random((days, n)) < odd.slips
    effects = p.rider_effect * rng.standard_normal((days, len(p.riders_kg)))
    off_kg = np.stack([sd * rng.standard_normal(days) for _, sd in p.riders_kg], axis=1)
    shapes = p.rider_drag * rng.standard_normal((days, len(p.riders_kg)))
    effect, shape, off = effects[:, rider], shapes[:, rider], off_kg[:, rider]
    place = np.arange(n) / max(n - 1, 1) - 0.5
    drift = p.drift * rng.standard_normal(one) * place
    if design.copied is not None:
        for drawn in (luck, own, each, late, effect, shape, off, drift, slips):
            drawn[:, -1] = drawn[:, design.copied]
    grade, bend = normal(p.grade) + odd.grade_off, p.bend * rng.standard_normal((2, *one))
    half = np.sqrt(3) * p.speed_factor[1]
    factor = p.speed_factor[0] + rng.uniform(-half, half, one)
    stated_kg = np.array([kg for kg, _ in p.riders_kg])
    bike = normal(p.bike_kg)
    torque = p.torque_m_s[0], rng.uniform(*p.torque_m_s[1:], one)
    road = {
        "length": normal(p.length_m),
        "grade": lambda s: grade + bend[0] * np.cos(np.pi * s) + bend[1] / 2 * np.cos(6.283 * s),
        "mass": bike + stated_kg[rider] + off,
        "rotating": normal(p.rotating_kg),
        "drag": np.maximum(normal(p.drag_area_m2), 0.2) * (1 + shape),
        "rolling": np.maximum(normal(p.rolling), 0.002),
        "rise": normal(p.rolling_rise),
        "density": normal(p.density_kg_m3),
        "torque": torque,
    }
    gains = np.zeros((days, setup.max() + 1))
    gains[:, 1:] = normal(p.gain, gains[:, 1:].shape)
    pull = p.force_n * np.exp(gains[:, setup] + effect + drift + scatter * luck)
    pull = pull * np.where(slips, 1 - odd.slip, 1.0)
    if said:
        shown_entry = p.said_entry_m_s[0] + p.said_entry_m_s[1] / np.sqrt(2) * (habit + each)
    else:
        shown_entry = p.said_entry_m_s[0] + p.entry_spread_m_s * each
    *sizes, chance = p.wind_over_m_s
    swing = np.where(rng.random(one) < chance, *sizes[::-1]) * rng.standard_normal(one)
    if odd.dying_wind_m_s:
        swing = -odd.dying_wind_m_s
    wind = normal(p.wind_m_s) + own + swing * place + odd.dying_wind_m_s / 2
    up_wind = gusts(rng, wind, p, odd.heavy_gusts)
    if design.copied is not None:
        for at_step in up_wind:
            at_step[:, -1] = at_step[:, design.copied]
    end, _ = ride(factor * shown_entry, road, up_wind, pull, late)
    shown = {"entry": shown_entry, "exit": end / factor}
    if design.ways_down:
        start = 7.0 + 0.4 * rng.standard_normal((days, n))
        wind = gusts(rng, -(wind + change), p, odd.heavy_gusts)
        end, _ = ride(start, road, wind, np.zeros(one), np.zeros(one), down=True)
        shown |= {"down_entry": start / factor, "down_exit": end / factor}
    shown = {name: np.round(v / step) * step for name, v in shown.items()}
    if said:
        shown["entry"] = np.full((days, n), p.said_entry_m_s[0])
    clean = road | {"mass": bike + stated_kg[0] + off_kg[:, :1], "drag": road["drag"][:, :1]}
    clean_entry = p.said_entry_m_s[0] * p.speed_factor[0] * np.ones(one)
    _, force = ride(clean_entry, clean, np.zeros(80), p.force_n * np.exp(gains), np.zeros(one))
    return Days(design, np.log(force), shown, said, step)


# The judged --------------------------------------------------------------------------------------


class Judged(NamedTuple):
    """A gain over setup 0 or, with ``visible`` left out, a force, in logarithms."""

    setup: int
    low: float
    high: float
    value: float
    visible: float = np.nan


def runs_of(days: Days, day, p: Population) -> Runs:
    """What the library gets of one day."""
    factor, rider = p.speed_factor[0], days.design.riders
    speeds = {f"true_{name}_m_s": factor * shown[day] for name, shown in days.shown.items()}
    return Runs(
        hill=Hill(p.length_m[0], p.grade[0]), setup=days.design.setup, rider=rider,
        mass_kg=p.bike_kg[0] + np.array([kg for kg, _ in p.riders_kg])[rider],
        rotating_mass_kg=p.rotating_kg[0], air_density_kg_m3=p.density_kg_m3[0],
        drag_area_m2=p.drag_area_m2[0], rolling_coefficient=p.rolling[0], **speeds,
    )  # fmt: skip


def unknowns_of(runs: Runs, days: Days, p: Population) -> tuple:
    """What the rider states of what is not known."""
    riders = np.unique(days.design.riders)
    found = usual_unknowns(
        runs,
        StatedSds(
            bike_mass_sd_kg=p.bike_kg[1],
            rotating_mass_sd_kg=p.rotating_kg[1],
            rider_mass_sd_kg=np.array([p.riders_kg[r][1] for r in riders]),
            drag_area_sd_m2=p.drag_area_m2[1],
            rolling_coefficient_sd=p.rolling[1],
            grade_sd=p.grade[1],
            length_sd_m=p.length_m[1],
            speed_factor_sd=p.speed_factor[1] / p.speed_factor[0],
            wind_sd_m_s=p.wind_m_s[1],
            air_density_sd_ratio=p.density_kg_m3[1] / p.density_kg_m3[0],
            rider_effect_sd=p.rider_effect,
            rider_drag_sd_ratio=p.rider_drag,
            drift_sd=p.drift,
            wind_over_the_outing_m_s=Kinds(
                p.wind_over_m_s[:2], (1 - p.wind_over_m_s[2], p.wind_over_m_s[2])
            ),
        ),
    )
    if not days.said:
        return found
    change = {"true_entry_m_s": p.speed_factor[0] * p.said_entry_m_s[1] / np.sqrt(2)}
    return (
        *found,
        Unknown("entry speed", change),
        Unknown("entry speed", change, each_run=True),
    )


def judge(runs, unknowns, resolution_m_s):
    """Gains and forces that the library finds; the one place that knows its signature."""
    fit = estimate_gains(runs, unknowns=unknowns, resolution_m_s=resolution_m_s)
    gains = [
        Judged(g.setup, *np.log1p([g.ratio.low, g.ratio.high, g.ratio.value]), g.smallest_visible)
        for g in fit.gains
    ]
    forces = [
        Judged(f.setup, *np.log([f.force_n.low, f.force_n.high, f.force_n.value]))
        for f in fit.forces
    ]
    return gains, forces


def judged_day(days: Days, day, p: Population):
    """What the library says of one day."""
    runs = runs_of(days, day, p)
    return judge(runs, unknowns_of(runs, days, p), days.step * p.speed_factor[0])


def referee_day(days: Days, day, p: Population):
    """What the referee says of it, in the same form."""
    setup = np.array(days.design.setup)
    nothing = np.full(setup.size, np.nan)
    names = ("entry", "exit", "down_entry", "down_exit")
    speeds = [days.shown[name][day] if name in days.shown else nothing for name in names]
    outing = bayes_referee.Outing(setup, days.design.riders, *speeds, days.said, days.step)
    found = bayes_referee.posterior(outing, p)
    base = np.eye(setup.max() + 1)
    parts = []
    for vectors in (base[1:] - base[0], base):
        intervals = [found.interval(vector) for vector in vectors]
        parts.append([Judged(int(np.argmax(v)), one.low, one.high, one.value, one.nodes)
                      for v, one in zip(vectors, intervals, strict=True)])  # fmt: skip
    return parts


# The table ---------------------------------------------------------------------------------------


class Task(NamedTuple):
    """Some days of one design; the seed draws them."""

    design: Design
    seed: tuple
    days: int
    drawn: Population
    told: Population
    options: dict
    odd: Odd = Odd()


class Rows(NamedTuple):
    """For tool and referee (first axis), by gain; the last two by force.

    ``visible`` is the tool's smallest visible gain; of the referee, its effective nodes.
    """

    setup: np.ndarray
    half: np.ndarray
    held: np.ndarray
    visible: np.ndarray
    force_half: np.ndarray
    force_held: np.ndarray
    refused: int

    def of(self, chosen) -> "Rows":
        """The gains of some setups alone."""
        kept = [one[:, chosen] for one in self[:4]]
        return self._replace(**dict(zip(self._fields, kept, strict=False)))


def _scored(judged, truth):
    setup, low, high, _, last = np.array(judged).T
    return setup, (high - low) / 2, (low <= truth) & (truth <= high), last


def run(task: Task) -> Rows:
    """Tool and referee on the days of a task."""
    days = simulate(
        list(task.seed), task.design, task.days, population=task.drawn, odd=task.odd,
        **task.options,
    )  # fmt: skip
    parts, refused = [], 0
    for day in range(task.days):
        log_force = days.log_force[day]
        found = []
        try:
            for judge_of in (judged_day, referee_day):
                gains, forces = judge_of(days, day, task.told)
                scored = _scored(gains, log_force[1:] - log_force[0])
                _, half, held, _ = _scored(forces, log_force)
                found.append((*scored, half, held))
        except ValueError as refusal:
            if "need no pull" not in str(refusal):
                raise
            refused += 1
            continue
        parts.append([np.stack(both) for both in zip(*found, strict=True)])
    return Rows(*(np.concatenate(one, axis=1) for one in zip(*parts, strict=True)), refused)


def tasks_of(design, days, seed, drawn, told, options, odd=None, chunk=10):
    return [
        Task(design, (*seed, at), min(chunk, days - at), drawn, told, options, odd or Odd())
        for at in range(0, days, chunk)
    ]


def gathered(pool, tasks) -> Rows:
    found = list(pool.map(run, tasks))
    *arrays, refused = zip(*found, strict=True)
    return Rows(*(np.concatenate(one, axis=1) for one in arrays), sum(refused))


def _percent(value):
    return f"{100 * value:.1f} %"


def design_table(pool, days, seed, population, options):
    """Print a line for each design."""
    head("design", "half-width tool", "referee", "ratio", "held tool", "held referee",
         *(f"at {_percent(fixed)} scatter, tool / referee" for fixed in FIXED),
         "smallest visible", "above 60 %", "refused")  # fmt: skip
    for number, (name, design) in enumerate(DESIGNS.items()):
        series = [gathered(pool, tasks_of(design, days, (seed, number), population, population,
                                          options))]  # fmt: skip
        for at, fixed in enumerate(FIXED, start=1):
            drawn = replace(population, scatter=(fixed, 0.0))
            series.append(gathered(pool, tasks_of(design, max(days // 4, 1), (seed, number, at),
                                                  drawn, population, options)))  # fmt: skip
        if name == CONFOUNDED:
            apart = [rows.setup[0] == LIGHTER for rows in series]
            _print(name, [r.of(~own) for r, own in zip(series, apart, strict=True)])
            name = "… the gain of that one"
            series = [r.of(own) for r, own in zip(series, apart, strict=True)]
        _print(name, series)


def _print(name, series):
    rows, *fixed = series
    visible = rows.visible[0]
    row(name, *map(_percent, np.median(rows.half, axis=1)),
        f"{np.median(rows.half[0] / rows.half[1]):.2f}",
        *map(_percent, rows.held.mean(axis=1)),
        *(" / ".join(f"{100 * one:.0f}" for one in of.held.mean(axis=1)) for of in fixed),
        _percent(np.median(visible)), _percent(np.mean(visible > 0.6)), rows.refused)  # fmt: skip


def agreeing(task):
    """Half-widths with a row more over those without, for tool and referee, by gain."""
    days = simulate(list(task.seed), task.design, task.days, population=task.drawn, **task.options)
    fewer = replace(task.design, setup=task.design.setup[:-1], copied=None,
                    rider=task.design.rider and task.design.rider[:-1])  # fmt: skip
    before = days._replace(design=fewer, shown={k: v[:, :-1] for k, v in days.shown.items()})
    ratios = []
    for day in range(task.days):
        try:
            ratios.append([
                [(b.high - b.low) / (a.high - a.low)
                 for a, b in zip(judge_of(before, day, task.told)[0],
                                 judge_of(days, day, task.told)[0], strict=True)]
                for judge_of in (judged_day, referee_day)
            ])  # fmt: skip
        except ValueError as refusal:
            if "need no pull" not in str(refusal):
                raise
    return np.array(ratios)


def more_table(pool, days, seed, population, options):
    """Print what one row more does to the half-widths of one run each."""
    head("one row more to one run each, 5 setups", "judge", "grows by over 1 %", "by over 10 %",
         "median change", "95 of 100 below")  # fmt: skip
    for number, (name, design) in enumerate(MORE.items()):
        for copied, kind in ((0, "agreeing"), (None, "as it comes")):
            one = replace(design, copied=copied)
            tasks = tasks_of(
                one, max(days // 2, 1), (seed, 100 + number), population, population, options
            )
            ratios = np.concatenate(list(pool.map(agreeing, tasks)))
            for judge_name, own in zip(("tool", "referee"), np.moveaxis(ratios, 1, 0), strict=True):
                grows = (_percent(np.mean(own > limit)) for limit in (1.01, 1.1))
                changes = (f"{one - 1:+.1%}" for one in (np.median(own), np.quantile(own, 0.95)))
                row(f"{name}, {kind}", judge_name, *grows, *changes)


def worlds_table(pool, days, seed, population, options):
    """Print two lines for each world: the same days without and with their ways down."""
    head("world, 3 setups, two runs each", "ways", "half-width tool", "referee", "held tool",
         "held referee", "force: half-width tool", "referee", "held tool", "held referee",
         "refused", "gains over 1 % wider with the ways down, tool / referee")  # fmt: skip
    for number, (name, (setup, odd)) in enumerate(WORLDS.items()):
        before = None
        for ways in ("up", "up and down"):
            # The ways down are drawn last: the ways up are the same with them and without.
            design = Design(setup, ways_down=ways != "up")
            rows = gathered(pool, tasks_of(design, days, (seed, 200 + number), population,
                                           population, options, odd))  # fmt: skip
            cells = [
                *np.median(rows.half, axis=1), *rows.held.mean(axis=1),
                *np.median(rows.force_half, axis=1), *rows.force_held.mean(axis=1),
            ]  # fmt: skip
            wider = ""
            if before is not None and before.half.shape == rows.half.shape:
                share = np.mean(rows.half > 1.01 * before.half, axis=1)
                wider = " / ".join(_percent(one) for one in share)
            before = rows
            row(name, ways, *map(_percent, cells), rows.refused, wider)


def main():
    """Print the tables."""
    given = asked(
        __doc__, days=500, seed=20261129, entry="said", unit="kmh", calm=False, worlds=False
    )
    population = Population().calm if given.calm else Population()
    options = {"said": given.entry == "said", "step": KMH if given.unit == "kmh" else MPH}
    begin = time.perf_counter()
    print(
        f"{given.days} days a line, a quarter at a fixed scatter, half with a row more; "
        f"seed {given.seed}; entry {given.entry}, {given.unit}"
        f"{', calm' if given.calm else ''}; half-widths are of the logarithm, medians; "
        "held: share of 95 % intervals with the truth inside\n",
        flush=True,
    )
    with ProcessPoolExecutor(2) as pool:
        tables = (worlds_table,) if given.worlds else (design_table, more_table)
        for table in tables:
            table(pool, given.days, given.seed, population, options)
            print(f"\n{time.perf_counter() - begin:.0f} s\n", flush=True)


if __name__ == "__main__":
    main()
