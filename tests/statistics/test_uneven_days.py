"""A wind that gets up or dies over the outing: little on most days, much on some."""

import numpy as np
import pytest
from scipy.stats import norm

from tuninglib.physics.motion import Hill, exit_speed_m_s
from tuninglib.statistics.gain import estimate_gains
from tuninglib.statistics.mixed_model import Rows, average_over_variances, spread, variance_grid
from tuninglib.statistics.population import WIND_OVER_THE_OUTING_M_S, Kinds
from tuninglib.statistics.road_runs import Runs, StatedSds, usual_unknowns

BLOCKS, TURNS = (0, 0, 1, 1, 2, 2), (0, 1, 2, 0, 1, 2)


def test_the_kinds_of_days_are_weighed_by_what_the_rows_say():
    """A mean of four rows that share one unknown, which is seen by the last two alone."""
    kinds, data = Kinds((0.5, 3.0), (0.7, 0.3)), np.array([1.0, 1.4, 3.1, 3.5])
    shared = np.array([0.0, 0.0, 1.0, 1.0])
    rows = Rows(
        data[:, None], np.ones((4, 1, 1)), shared[:, None, None], np.full((4, 1, 1), 0.04),
        uneven=(0, kinds),
    )  # fmt: skip
    grid = variance_grid(rows)
    found = spread(average_over_variances(rows, grid), np.array([1.0, 0.0]))

    total, below = 0.0, np.zeros(2)
    for sd, chance in zip(kinds.sds, kinds.chances, strict=True):
        v = np.linalg.inv(0.04 * np.eye(4) + sd**2 * np.outer(shared, shared))
        precision = v.sum()
        mean = (v @ data).sum() / precision
        squares = (data - mean) @ v @ (data - mean)
        weight = chance * np.sqrt(np.linalg.det(v) / precision) * np.exp(-squares / 2)
        total += weight
        below += weight * norm.cdf([found.low, found.high], mean, precision**-0.5)
    assert below / total == pytest.approx([0.025, 0.975], abs=1e-4)
    # The rows speak for a day on which it was large.
    assert grid.weights[grid.variances[:, 0] == 9.0].sum() > 0.9


def fitted(order, written=False, dies=0.0):
    """A day of three equal setups in still air, or in one that dies."""
    noise = np.array([0.01, -0.008, 0.004, -0.01, 0.006, -0.002])
    runs = Runs(
        hill=Hill(400.0, 0.06), setup=order, rider=0, mass_kg=200.0, true_entry_m_s=13.0,
        true_exit_m_s=1.0, air_density_kg_m3=1.2, drag_area_m2=0.55, rolling_coefficient=0.015,
        headwind_m_s=dies * (0.5 - np.arange(6) / 5),
    )  # fmt: skip
    ends = exit_speed_m_s(runs.ride, force_n=268 * np.exp(noise), entry_speed_m_s=13.0)
    runs = Runs(**(vars(runs) | {"true_exit_m_s": ends, "headwind_m_s": 0.0}))
    stated = {"rider_effect_sd": 0.03, "drift_sd": 0.02, "wind_sd_m_s": 0.75}
    widths = []
    for swing in (None, WIND_OVER_THE_OUTING_M_S):
        unknowns = usual_unknowns(
            runs, StatedSds(wind_over_the_outing_m_s=swing, **stated), wind_written=written
        )
        fit = estimate_gains(runs, unknowns=unknowns)
        widths.append(np.array([one.ratio.high - one.ratio.low for one in fit.gains]))
    return fit, widths[1] / widths[0]


def test_setups_in_blocks_are_wider_for_the_wind_and_those_that_take_turns_hardly():
    assert fitted(TURNS)[1].max() < 1.06
    assert fitted(BLOCKS)[1].max() > 1.15


def test_a_wind_that_was_written_down_at_every_run_cannot_have_died_unnoticed():
    assert fitted(BLOCKS, written=True)[1] == pytest.approx(1.0)


def test_setups_that_take_turns_tell_a_wind_that_died():
    fit, _ = fitted(TURNS, dies=3.0)
    (wind,) = (
        one.mean * WIND_OVER_THE_OUTING_M_S.sd
        for one, stated in zip(fit.unknowns, fit.shared, strict=True)
        if stated.kinds
    )
    assert -3.2 < wind < -1.5
    assert not fit.contradicted
    assert all(one.ratio.low < 0 < one.ratio.high for one in fit.gains)
