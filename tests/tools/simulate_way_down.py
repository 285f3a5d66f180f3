"""What the ride back down is worth: errors of the gain beside the smallest that are possible.

Run it from the top of the project, ``python -m tests.tools.simulate_way_down [days]``: it prints
the table. Two setups on 320 m at 7.5 %, bike and rider 200 kg, speeds read to 0.12 m/s, wind that
varies by 0.6 m/s from run to run and by 0.2 m/s between up and down, drag known to 10 %. The
smallest possible error follows from the Fisher information of the same day.
"""

import sys

import numpy as np

from tests.statistics.test_gain import OPTIONS, RESOLUTION, fisher_bound, up_only, with_ways_down
from tuninglib.statistics.gain import estimate_gains
from tuninglib.statistics.road_runs import StatedSds, usual_unknowns

TRUE_LOG_GAIN = 0.06
SEED = 20260906


def main(days: int) -> None:
    """Print a line for each number of repeats, without and with the way down."""
    print(f"{days} days a line, seed {SEED}; 95 % half-widths of the gain, per cent")
    print(
        "repeats  way down  smallest possible  achieved  ratio  typical interval  holds the truth"
    )
    for repeats in (2, 3, 4, 6):
        rng = np.random.default_rng(SEED)
        errors, bounds, widths, held = [], [], [], []
        for _ in range(days):
            runs = with_ways_down(
                rng, n=repeats, area=0.55 + 0.055 * rng.standard_normal(),
                rolling=0.015 + 0.004 * rng.standard_normal(), steady=0.75 * rng.standard_normal(),
                gain=TRUE_LOG_GAIN,
            )  # fmt: skip
            unknowns = usual_unknowns(runs, StatedSds(**OPTIONS))
            found = [
                estimate_gains(way, unknowns=unknowns, resolution_m_s=RESOLUTION).gains[0].ratio
                for way in (up_only(runs), runs)
            ]
            logs = np.log1p([[one.value, one.low, one.high] for one in found])
            errors.append(logs[:, 0] - TRUE_LOG_GAIN)
            widths.append((logs[:, 2] - logs[:, 1]) / 2)
            held.append((logs[:, 1] < TRUE_LOG_GAIN) & (logs[:, 2] > TRUE_LOG_GAIN))
            if len(bounds) < 20:
                bounds.append(fisher_bound(runs, unknowns))
        achieved = np.sqrt(np.mean(np.square(errors), axis=0))
        possible = np.mean(bounds, axis=0)
        for number, way in enumerate(("no", "yes")):
            print(
                f"{repeats:7d}  {way:>8}  {196 * possible[number]:17.1f}  "
                f"{196 * achieved[number]:8.1f}  {achieved[number] / possible[number]:5.2f}  "
                f"{100 * np.median(widths, axis=0)[number]:16.1f}  "
                f"{np.mean(held, axis=0)[number]:15.1%}"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
