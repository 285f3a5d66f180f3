"""Coverage of what a season says: ``python -m tests.tools.simulate_seasons``.

Days of a known truth: setups, a drag that all days share, what a day does to all setups and to one
alone, and a scatter that each day knows only from its own repeats.
"""

import numpy as np

from tests.tools.shared import asked, head, row
from tuninglib.statistics.season import DayOfForces, pool_days

SEED = 20261126
# Relative: what one standard deviation of drag and wind does, and the scatter of one run.
_DRAG, _WIND, _SCATTER = 0.06, 0.02, 0.025
# What is taken for granted of the days.
STATED = {"day_sd": 0.025, "gain_sd": 0.0125}


def season_of(rng, rows, *, repeats, day_sd, gain_sd, uneven=0.0, slope=0.0):
    """Days of one season; setup j has the logarithm j / 20 of the force of setup 0.

    Parameters
    ----------
    rng : numpy.random.Generator
    rows : sequence of sequence of int
        Setups of each day.
    repeats : int
        Runs of each setup on each day.
    day_sd, gain_sd : float
        True standard deviations between days.
    uneven : float
        Standard deviation of the logarithm of a day's scatter.
    slope : float
        By how much the logarithm of all forces changes from one day to the next.
    """
    drag = rng.normal()
    days = []
    for at, setups in enumerate(rows):
        k = len(setups)
        # Heavy setups lose a little more to the drag.
        slopes = _DRAG * (1 + 0.1 * np.array(setups))
        scatter = _SCATTER * np.exp(uneven * rng.normal())
        dof = k * (repeats - 1)
        found = scatter * np.sqrt(rng.chisquare(dof) / dof)
        truth = (
            np.array(setups) / 20 + rng.normal(0, day_sd) + rng.normal(0, gain_sd, k) + slope * at
        )
        wind = _WIND * (1 + 0.1 * np.array(setups))
        noise = rng.normal(0, scatter / np.sqrt(repeats), k) + wind * rng.normal()
        # What is usual of a scatter is worth two degrees of freedom beside the day's own.
        variance = (2 * _SCATTER**2 + dof * found**2) / (2 + dof)
        own = variance / repeats * np.eye(k)
        # The day does not tell the drag: its mean stays where it was stated.
        design = np.column_stack([slopes])
        covariance = np.block(
            [
                [own + np.outer(wind, wind) + design @ design.T, -design],
                [-design.T, np.eye(1)],
            ]
        )
        mean = np.concatenate([truth + slopes * drag + noise, [0.0]])
        days.append(
            DayOfForces(np.array(setups), np.array([0]), mean, covariance, own, dof + 2, float(at))
        )
    return days


WORLDS = {
    "stock and kit on two days, stock on both": ([[0], [0, 1]], {}),
    "one setup a day, two days": ([[0], [1]], {}),
    "one setup a day, four days": ([[0], [1], [0], [1]], {}),
    "both on four days": ([[0, 1]] * 4, {}),
    "both on eight days": ([[0, 1]] * 8, {}),
    "four setups, two a day, stock on all six": ([[0, 1], [0, 2], [0, 3]] * 2, {}),
    "both on eight days, uneven scatter": ([[0, 1]] * 8, {"uneven": 0.4}),
    "both on eight days, days alike": ([[0, 1]] * 8, {"day_sd": 0.0, "gain_sd": 0.0}),
    "both on eight days, days twice as far apart": (
        [[0, 1]] * 8,
        {"day_sd": 0.05, "gain_sd": 0.02},
    ),
    "both on eight days, wear": ([[0, 1]] * 8, {"slope": -0.01}),
}


def coverage(rows, seasons, *, repeats=4, seed=SEED, day_sd=None, gain_sd=None, **world):
    """Share of seasons whose interval of the last setup over the first holds the truth.

    Returns
    -------
    tuple of float
        Of the gain, its usual half-width; of the trend, its usual half-width.
    """
    rng = np.random.default_rng(seed)
    held, half, held_slope, half_slope = [], [], [], []
    last = max(max(row) for row in rows)
    for _ in range(seasons):
        # The truth is drawn from what is taken for granted, unless the world says otherwise.
        true_day = abs(rng.normal(0, STATED["day_sd"])) if day_sd is None else day_sd
        true_gain = abs(rng.normal(0, STATED["gain_sd"])) if gain_sd is None else gain_sd
        days = season_of(rng, rows, repeats=repeats, day_sd=true_day, gain_sd=true_gain, **world)
        found = pool_days(days, setups=last + 1, **STATED).contrast(last, over=0)
        held.append(found.log.low <= last / 20 <= found.log.high)
        half.append(found.log.half_width)
        if len(rows) >= 3:
            trend = pool_days(days, setups=last + 1, **STATED, trend=True).slope
            held_slope.append(trend.log.low <= world.get("slope", 0.0) <= trend.log.high)
            half_slope.append(trend.log.half_width)
    typical = np.median(half_slope) if half_slope else np.nan
    share = np.mean(held_slope) if held_slope else np.nan
    return np.mean(held), np.median(half), share, typical


def main():
    given = asked(__doc__, seasons=400, seed=SEED)
    head("season", "holds the true gain", "usual ±", "holds the true trend a day", "usual ±")
    for name, (rows, world) in WORLDS.items():
        held, half, trend, half_trend = coverage(rows, given.seasons, seed=given.seed, **world)
        slope = ("", "") if np.isnan(trend) else (f"{trend:.1%}", f"{half_trend:.2%}")
        row(name, f"{held:.1%}", f"{half:.1%}", *slope)


if __name__ == "__main__":
    main()
