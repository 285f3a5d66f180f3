"""Refusals and coverage of timed coast-downs: ``python -m tests.tools.simulate_coast_down``.

Days of a known truth: runs in turn both ways, as many falls of each as a line says, in a steady
wind. Riders read a dial within 0.1 to 0.4 m/s and gusts differ by 0.3 to 1 m/s from run to run (all
days of that range alike, not as the fit expects them), and times are kept to a tenth of a second.
In half of the lines rolling resistance rises by a seventh up to 18 m/s, which no fit here knows.
"""

import sys

import numpy as np

from tests.tools.shared import head, row
from tuninglib.physics.motion import Hill, Ride
from tuninglib.statistics.coast_down import fit_coast_down
from tuninglib.statistics.repeats import t_quantile

SEED = 20261130
MARKS_M_S = (np.array([18.0, 14.0, 10.5, 7.0]), np.array([16.0, 11.0, 6.0, 4.0]))
LAYOUTS = {
    "2+2+1+1": (2, 2, 1, 1), "2+2": (2, 2), "2+2+2+2": (2, 2, 2, 2), "3 each of 6": (3,) * 6,
}  # fmt: skip


BIKE = Ride(
    hill=Hill(1000.0, 0.0), mass_kg=200.0, rotating_mass_kg=8.0, air_density_kg_m3=1.2,
    drag_area_m2=0.5, rolling_coefficient=0.012,
)  # fmt: skip


def seconds(area, rolling, wind, fast, slow):
    """Time of one fall, step by step, the wind from behind pushing where it is faster."""
    v = np.linspace(fast, slow, 401)
    z = v + wind
    slowing = (200.0 * 9.80665 * rolling(v) + 0.6 * area * z * np.abs(z)) / 208.0
    return np.trapezoid(1 / slowing, -v) if np.all(slowing > 0.02) else np.nan


def day(rng, layout, rise=0.0):
    """Drag area, rolling coefficient at walking pace, and timed falls of one day."""
    while True:
        area, rolling = rng.uniform(0.35, 0.7), rng.uniform(0.010, 0.022)

        def coefficient(v, rolling=rolling):
            return rolling * (1 + rise * (v / 18.0) ** 2)

        misread, gust = np.exp(rng.uniform(np.log([0.1, 0.3]), np.log([0.4, 1.0])))
        steady = 1.0 * rng.standard_normal()
        # A stretch that is still on a calm day; others nobody coasts on.
        marks = MARKS_M_S[rng.integers(2)]
        rows = []
        for run, falls in enumerate(layout):
            way = 1 if run % 2 == 0 else -1
            blow = way * (steady + gust * rng.standard_normal())
            first = rng.integers(len(marks) - falls)
            own = marks[first : first + falls + 1]
            # Who reads the speed clicks where it only seems to be the mark; the end of one fall is
            # the start of the next.
            true = own + misread * rng.standard_normal(own.size)
            for number in range(falls):
                time = seconds(area, coefficient, blow, true[number], true[number + 1])
                rows.append((run, way, own[number], own[number + 1], np.round(time, 1)))
        rows = np.array(rows).T
        if np.all(rows[4] > 0):
            return (area, rolling), rows


def fit(rows):
    run, way, fast, slow, time = rows
    return fit_coast_down(
        BIKE, run=run, direction=way, from_speed_m_s=fast, to_speed_m_s=slow, time_s=time
    )


def line(layout, days, rise=0.0):
    """What was refused, and on which days the intervals of drag area and rolling held the truth."""
    rng = np.random.default_rng(SEED)
    held, refused = [], []
    for _ in range(days):
        truth, rows = day(rng, layout, rise)
        try:
            road = fit(rows)
        except ValueError as problem:
            refused.append(str(problem))
            continue
        half = t_quantile(0.975, road.dof) * np.sqrt(np.diag(road.covariance))
        found = np.array([road.drag_area_m2, road.rolling_coefficient])
        held.append(np.abs(found - truth) <= half)
    return refused, np.array(held)


def main(days: int) -> None:
    """Print a line for each layout of falls."""
    print(f"{days} days a line, seed {SEED}")
    head("falls", "rolling rises", "refused", "drag area holds", "rolling holds")
    for name, layout in LAYOUTS.items():
        for rise in (0.0, 0.15):
            refused, held = line(layout, days, rise)
            area, rolling = held.mean(0)
            row(name, f"{rise:.0%}", len(refused), f"{area:.1%}", f"{rolling:.1%}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
