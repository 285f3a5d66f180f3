"""How the cost of a day's gains grows with its runs and setups.

Run it from the top of the project, ``python -m tests.tools.bench_growth``: time, time a row
over that of the smallest day, and peak memory of the arrays, all in one run.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time
import tracemalloc
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tuninglib.physics.motion import Hill, Ride, exit_speed_m_s
from tuninglib.statistics.gain import estimate_gains
from tuninglib.statistics.road_runs import Runs, StatedSds, usual_unknowns

STEP = 0.955 / 3.6
ROAD = {
    "rotating_mass_kg": 8.0,
    "air_density_kg_m3": 1.18,
    "drag_area_m2": 0.55,
    "rolling_coefficient": 0.015,
}


def day(rows, setups, way_down, seed=1):
    """Runs of a day as a rider would write them down."""
    rng = np.random.default_rng(seed)
    setup, rider = np.arange(rows) % setups, np.arange(rows) // setups % 2
    hill, mass = Hill([150.0, 250.0], [0.055, 0.065]), 124 + np.array([68.0, 86.0])[rider]
    entry = 13 + 0.25 * rng.standard_normal(rows)
    force = 265 * np.exp(0.02 * setup % 0.2 + 0.02 * rng.standard_normal(rows))
    wind = 0.6 * rng.standard_normal(rows) * way_down
    ride = Ride(hill=hill, mass_kg=mass, wind_m_s=wind, **ROAD)
    speeds = {"entry": entry, "exit": exit_speed_m_s(ride, force_n=force, entry_speed_m_s=entry)}
    if way_down:
        start = 7 + 0.4 * rng.standard_normal(rows)
        back = Ride(hill=hill.reversed(), mass_kg=mass, wind_m_s=-wind, **ROAD)
        speeds["down_entry"] = start
        speeds["down_exit"] = exit_speed_m_s(back, force_n=0.0 * entry, entry_speed_m_s=start)
    read = {f"true_{name}_m_s": np.round(v / STEP) * STEP for name, v in speeds.items()}
    return Runs(hill=hill, setup=setup, rider=rider, mass_kg=mass, **ROAD, **read)


def gains(runs):
    unknowns = usual_unknowns(
        runs,
        StatedSds(
            bike_mass_sd_kg=1.0,
            rotating_mass_sd_kg=1.5,
            rider_mass_sd_kg=1.0,
            drag_area_sd_m2=0.055,
            rolling_coefficient_sd=0.004,
            grade_sd=0.0015,
            length_sd_m=1.0,
            speed_factor_sd=0.005,
            wind_sd_m_s=0.75,
            rider_effect_sd=0.015,
            drift_sd=0.02,
        ),
    )
    return estimate_gains(runs, unknowns=unknowns, resolution_m_s=STEP)


def main():
    print("| rows | setups | rolled back down | seconds | ms a row | over 33 rows | peak MB |")
    print("|---|---|---|---|---|---|---|")
    gains(day(33, 2, True))
    for way_down in (False, True):
        for setups in (2, 40):
            first = None
            for rows in (33, 330, 3300, 10000, 33000):
                if rows < 2 * setups:
                    continue
                runs = day(rows, setups, way_down)
                begin = time.perf_counter()
                gains(runs)
                seconds = time.perf_counter() - begin
                tracemalloc.start()
                gains(runs)
                peak = tracemalloc.get_traced_memory()[1] / 1e6
                tracemalloc.stop()
                first = first or seconds / rows
                down = "yes" if way_down else "no"
                print(
                    f"| {rows} | {setups} | {down} | {seconds:.2f} | {1e3 * seconds / rows:.2f} | "
                    f"{seconds / rows / first:.2f} | {peak:.0f} |",
                    flush=True,
                )


if __name__ == "__main__":
    main()
