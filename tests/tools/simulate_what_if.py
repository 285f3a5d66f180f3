"""Calibration of the predictions: days with known truth, and marker speeds under other conditions.

Run it from the top of the project, ``python -m tests.tools.simulate_what_if``: it prints the table.
The motion is integrated here, without anything from tuninglib, in worlds where the rule holds that
a bound stands for: the same force at every speed, or the same power. The truth of "nothing changed"
is the mean of the same runs without scatter, gusts and rounding; a question's is one ride with
nothing left to chance but the other rider's own ways.
"""

from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from tests.tools.shared import GRAVITY, asked, draw
from tests.tools.simulate_days import World, gains_of
from tuninglib.analysis.what_if import (
    Question,
    answers,
    equivalent_run,
    flat_top_speeds,
    rider_drag_factor,
)
from tuninglib.physics.motion import Hill
from tuninglib.statistics.road_runs import Runs

STEP = 1 / 3.6
RIDER_DRAG = 0.035
ASKED = {
    "nothing changed": {},
    "another rider": {"rider_mass_kg": 95.0},
    "another grade": {"lengths_m": (400.0,), "grade_ratios": (0.075,)},
    "another length": {"lengths_m": (600.0,), "grade_ratios": (0.06,)},
    "altitude": {"air_density_kg_m3": 1.02, "output_factor": 1.12},
    "headwind": {"headwind_m_s": 2.0},
}


def reached(kind, output, entry, *, length, grade, mass, rotating, drag, rolling, density, wind):
    """Speed at the marker, in small steps of distance; ``kind`` is force or power."""
    steps = 200
    energy, h = np.square(entry) / 2, length / steps
    angle = np.arctan(grade)
    slope = mass * GRAVITY * (np.sin(angle) + rolling * np.cos(angle))

    def rate(energy):
        speed = np.sqrt(2 * np.maximum(energy, 0.01))
        air = speed + wind
        pull = output if kind == "force" else output / speed
        return (pull - slope - 0.5 * density * drag * air * np.abs(air)) / (mass + rotating)

    for _ in range(steps):
        energy = energy + h * rate(energy + h / 2 * rate(energy))
    return np.sqrt(2 * np.maximum(energy, 0.01))


def one_day(seed, *, kind, repeats, way_down):
    """Whether each answer holds its truth, and half its width."""
    rng, world = np.random.default_rng(seed), World()
    setup, n = np.tile([0, 1], repeats), 2 * repeats
    rider = np.arange(n) // 2 % 2
    truth = {
        "length": draw(rng, world.length_m, ()), "grade": draw(rng, world.grade, ()),
        "rotating": draw(rng, world.rotating_kg, ()), "drag": draw(rng, world.drag_area_m2, ()),
        "rolling": draw(rng, world.rolling, ()), "density": world.density,
        "wind": draw(rng, world.wind_m_s, ()),
    }  # fmt: skip
    bike = draw(rng, world.bike_kg, ())
    riders = np.array([draw(rng, one, ()) for one in world.riders_kg])
    factor = draw(rng, world.speed_factor, ())
    effect, own_drag = (
        world.rider_effect * rng.standard_normal(3),
        RIDER_DRAG * rng.standard_normal(3),
    )
    typical = world.force_n if kind == "force" else world.force_n * 15.0
    output = typical * np.exp(rng.normal(0.06, 0.05) * setup + effect[rider])
    entry = draw(rng, world.entry_m_s, n)
    mine = truth | {"mass": bike + riders[rider], "drag": truth["drag"] * (1 + own_drag[rider])}
    wind = truth["wind"] + world.run_wind_m_s * rng.standard_normal(n)
    scatter = np.exp(world.scatter * rng.standard_normal(n))
    end = reached(kind, output * scatter, entry, **(mine | {"wind": wind}))
    read = {"true_entry_m_s": entry, "true_exit_m_s": end}
    if way_down:
        back = -(wind + world.wind_change_m_s * rng.standard_normal(n))
        start = draw(rng, (7.0, 0.4), n)
        down = mine | {"wind": back, "grade": -truth["grade"]}
        read |= {"true_down_entry_m_s": start,
                 "true_down_exit_m_s": reached("force", 0.0, start, **down)}  # fmt: skip
    stated = world.speed_factor[0]
    runs = Runs(
        hill=Hill(world.length_m[0], world.grade[0]), setup=setup, rider=rider,
        mass_kg=world.bike_kg[0] + np.array([one[0] for one in world.riders_kg])[rider],
        rotating_mass_kg=world.rotating_kg[0], air_density_kg_m3=world.density,
        drag_area_m2=world.drag_area_m2[0], rolling_coefficient=world.rolling[0],
        **{name: stated * np.round(v / factor / STEP) * STEP for name, v in read.items()},
    )  # fmt: skip
    fit = gains_of(runs, world, STEP * stated, rider_drag_sd_ratio=RIDER_DRAG)
    differ = np.sqrt(2) * np.array([world.rider_effect, RIDER_DRAG])
    run = equivalent_run(
        "b", runs, setup.astype(float), fit, bike_mass_kg=world.bike_kg[0],
        other_rider_sds=tuple(differ),
    )  # fmt: skip
    found = {}
    own = setup == 1
    # The mean rider of these runs: their effects' and drags' means.
    mean = truth | {
        "mass": bike + riders[rider[own]].mean(),
        "drag": truth["drag"] * (1 + own_drag[rider[own]].mean()),
    }
    pull, start = np.exp(np.log(output[own]).mean()), entry[own].mean()
    for name, changed in ASKED.items():
        (answer,) = answers(run, [Question(**changed)])
        if answer.refusal:
            continue
        there, push = dict(mean), pull
        if name == "another rider":
            there["mass"] = bike + 95.0
            there["drag"] = truth["drag"] * (
                rider_drag_factor(95.0, riders[rider[own]].mean()) + own_drag[2]
            )
            push = typical * np.exp(np.log(output[own] / typical).mean()
                                    - effect[rider[own]].mean() + effect[2])  # fmt: skip
        there |= {"length": changed.get("lengths_m", (there["length"],))[0]}
        there |= {"grade": changed.get("grade_ratios", (there["grade"],))[0]}
        there |= {"density": changed.get("air_density_kg_m3", there["density"])}
        there |= {"wind": changed.get("headwind_m_s", there["wind"])}
        push = push / changed.get("output_factor", 1.0)
        if name == "nothing changed":
            conditions = {key: np.broadcast_to(value, n)[own] for key, value in mine.items()}
            right = reached(kind, output[own], entry[own], **conditions).mean()
        else:
            right = reached(kind, push, start, **there)
        found[name] = _held(getattr(answer, f"at_{kind}"), right)
    top = flat_top_speeds(run)
    if top.at_force is not None:
        flat = mean | {"length": 60000.0, "grade": 0.0, "wind": 0.0}
        found["flat top speed"] = _held(
            getattr(top, f"at_{kind}"), reached(kind, pull, 25.0, **flat)
        )
    return found


def _held(interval, right):
    return interval.low <= right <= interval.high, interval.half_width, interval.value - right


def table(days, seed, pool, **world):
    """Share of intervals that hold the truth, their usual half width, and the mean miss. [km/h]"""
    found = defaultdict(list)
    for one in pool.map(_one, [(seed + day, world) for day in range(days)], chunksize=10):
        for name, values in one.items():
            found[name].append(values)
    return {
        name: (np.mean(held), 3.6 * np.median(half), 3.6 * np.mean(off))
        for name, (held, half, off) in ((n, zip(*v, strict=True)) for n, v in found.items())
    }


def _one(task):
    return one_day(task[0], **task[1])


def main():
    """Print the table."""
    given = asked(__doc__, days=500, seed=20260516)
    print(f"{given.days} days a column, seed {given.seed}; two setups, four repeats, two riders")
    with ProcessPoolExecutor() as pool:
        for kind in ("force", "power"):
            for way_down in (False, True):
                print(f"constant {kind}, {'rolled back down' if way_down else 'up only'}")
                rows = table(given.days, given.seed, pool, kind=kind, repeats=4, way_down=way_down)
                for name, (held, half, off) in rows.items():
                    print(f"  {name:16} {held:7.1%}  ±{half:.1f} km/h  {off:+.2f} km/h", flush=True)


if __name__ == "__main__":
    main()
