"""What is not known of runs: by hand, and rounding by the integral of what it does."""

import numpy as np
import pytest
from scipy.stats import norm

from tuninglib.physics.motion import Hill
from tuninglib.statistics.road_runs import (
    Runs,
    StatedSds,
    Unknown,
    linearised,
    moved_fields,
    reading_unknowns,
    usual_unknowns,
)


def runs_of(exits, **changes):
    usual = {
        "hill": Hill([150.0, 250.0], [0.055, 0.065]), "setup": 0, "rider": 0, "mass_kg": 200.0,
        "true_entry_m_s": 13.0, "air_density_kg_m3": 1.2, "drag_area_m2": 0.55,
        "rolling_coefficient": 0.015,
    } | changes  # fmt: skip
    usual["setup"] = np.broadcast_to(usual["setup"], len(exits))
    return Runs(true_exit_m_s=np.asarray(exits, dtype=float), **usual)


def common_part(sd):
    """Correlation of the errors of two readings of one speed that scatters, in steps of one.

    The speed may stand anywhere between two steps; at each place the two errors are independent.
    """
    places, shown = (np.arange(400) + 0.5) / 400, np.arange(-6, 8)
    edges = np.arange(-6, 9) - 0.5
    chances = np.diff(norm.cdf((edges - places[:, None]) / sd))
    mean_error = chances @ shown - places
    return np.mean(mean_error**2) * 12


@pytest.mark.parametrize("sd", [0.05, 0.15, 0.25, 0.4])
def test_repeats_share_as_much_of_their_rounding_as_the_scatter_leaves(sd):
    step = 0.3
    # Two repeats of two setups; readings spread as true speeds and rounding do together.
    apart = step * np.sqrt(2 * (sd**2 + 1 / 12))
    exits = [17.0, 17.0 + apart, 18.3, 18.3 + apart]
    found = reading_unknowns(runs_of(exits, setup=[0, 0, 1, 1]), resolution_m_s=step)
    own = [one for one in found if "true_exit_m_s" in one.changes and one.each_run]
    shared = [one for one in found if "true_exit_m_s" in one.changes and not one.each_run]
    columns = np.array([one.changes["true_exit_m_s"] * np.ones(4) for one in shared])
    wanted = common_part(sd) * step**2 / 12
    covariance = columns.T @ columns if len(columns) else np.zeros((4, 4))
    # The sum ends after 19 terms and is brought to 1 there: up to three parts in a hundred more.
    assert covariance[0, 1] == pytest.approx(1.016 * wanted, rel=0.017)
    assert covariance[2, 3] == pytest.approx(covariance[0, 1])
    assert covariance[0, 2] == covariance[1, 3] == 0
    # With its own part each has the variance of a rounded value.
    (alone,) = own
    assert covariance[0, 0] + alone.changes["true_exit_m_s"] ** 2 == pytest.approx(step**2 / 12)


def test_single_runs_have_rounding_of_their_own_and_an_unread_speed_none():
    found = reading_unknowns(runs_of([17.0, 18.0], setup=[0, 1]), resolution_m_s=0.3)
    assert [(*one.changes, one.each_run) for one in found] == [
        ("true_entry_m_s", True), ("true_exit_m_s", True),
    ]  # fmt: skip
    assert [one.changes[name] for one, name in zip(found, ("true_entry_m_s", "true_exit_m_s"),
            strict=True)] == pytest.approx([0.3 / np.sqrt(12)] * 2)  # fmt: skip


def test_who_states_nothing_has_no_unknowns():
    assert usual_unknowns(runs_of([17.0, 17.2]), StatedSds()) == ()
    assert not Unknown("mass", {"mass_kg": 1.0}).each_run


def test_a_speed_factor_moves_every_speed_by_its_share():
    (factor,) = usual_unknowns(runs_of([17.0, 18.0]), StatedSds(speed_factor_sd=0.005))
    assert factor.changes["true_exit_m_s"] == pytest.approx([0.085, 0.09])
    assert factor.changes["true_entry_m_s"] == pytest.approx([0.065, 0.065])
    assert np.isnan(factor.changes["true_down_exit_m_s"]).all()


def test_each_rider_brings_his_own_mass_and_drag():
    runs = runs_of([17.0, 18.0, 17.5], rider=[0, 1, 0], drag_area_m2=[0.5, 0.6, 0.5])
    found = usual_unknowns(runs, StatedSds(rider_mass_sd_kg=[2.0, 3.0], rider_drag_sd_ratio=0.1))
    told = [(one.name, one.which, *one.changes.items()) for one in found]
    assert [(name, which, field) for name, which, (field, _) in told] == [
        ("rider mass", 0, "mass_kg"), ("rider", 0, "drag_area_m2"),
        ("rider mass", 1, "mass_kg"), ("rider", 1, "drag_area_m2"),
    ]  # fmt: skip
    changes = np.array([change for _, _, (_, change) in told])
    assert changes == pytest.approx(
        np.array([[2.0, 0, 2], [0.05, 0, 0.05], [0, 3.0, 0], [0, 0.06, 0]])
    )


def test_a_hill_is_longer_by_its_pieces_and_steeper_in_one_or_in_all():
    runs = runs_of([17.0, 18.0])
    (longer,) = usual_unknowns(runs, StatedSds(length_sd_m=8.0))
    assert longer.changes["lengths_m"] == pytest.approx([3.0, 5.0])
    one, first, second = usual_unknowns(runs, StatedSds(grade_sd=0.002, piece_grade_sd=0.001))
    assert [x.changes["grade_ratios"].tolist() for x in (one, first, second)] == [
        [0.002, 0.002], [0.001, 0.0], [0.0, 0.001],
    ]  # fmt: skip


# Runs ------------------------------------------------------------------------------------------


def test_the_run_that_needs_no_pull_is_named():
    with pytest.raises(ValueError, match=r"speeds of run 3 need no pull at all .wheel force -"):
        linearised(runs_of([17.0, 18.0, 4.0, 17.5], hill=Hill(400.0, -0.03)), [], [])


def test_what_is_nothing_is_moved_by_adding():
    """A rotating mass that nobody stated is none, and may yet be two kilograms."""
    runs = runs_of([17.0])
    assert runs.rotating_mass_kg.tolist() == [0.0]
    assert runs.headwind_m_s.tolist() == runs.log_correction.tolist() == [0.0]
    stated = {"rotating_mass_kg": runs.rotating_mass_kg, "mass_kg": runs.mass_kg}
    unknowns = [Unknown("rotating mass", {"rotating_mass_kg": 1.0}),
                Unknown("mass", {"mass_kg": 2.0})]  # fmt: skip
    moved = moved_fields(stated, unknowns, [2.0, 3.0])
    assert moved["rotating_mass_kg"] == pytest.approx([2.0])
    # Two kilograms in two hundred, three times, by factors.
    assert moved["mass_kg"] == pytest.approx([200 * np.exp(0.03)])
    both = [Unknown("mass", {"mass_kg": 2.0}), Unknown("mass", {"mass_kg": 1.0})]
    together = moved_fields(stated, both, [1.0, 2.0])
    assert together["mass_kg"] == pytest.approx([200 * np.exp(0.02)])


def test_slopes_at_the_forces_of_the_setups_are_those_of_the_motion():
    """Of runs that were a little off their setup, with ways down on some and pieces of hill."""
    down = {"true_down_entry_m_s": [7.0, np.nan, 7.3], "true_down_exit_m_s": [14.9, np.nan, 14.6]}
    runs = runs_of([17.0, 17.4, 16.8], rotating_mass_kg=8.0, headwind_m_s=0.5, **down)
    names = ("mass_kg", "drag_area_m2", "headwind_m_s", "rolling_coefficient")
    sds = (2.0, 0.05, 0.5, 0.003)
    unknowns = [Unknown(name, {name: sd}) for name, sd in zip(names, sds, strict=True)]
    unknowns.append(Unknown("grade", {"grade_ratios": np.array([0.002, 0.001])}))
    unknowns.append(Unknown("length", {"lengths_m": np.array([2.0, 0.0])}))
    found = linearised(runs, unknowns, [0.0] * 6)
    there = np.array([True, False, True])
    for row in range(6):
        at = np.zeros(6)
        at[row] = 1e-3
        more, less = linearised(runs, unknowns, at), linearised(runs, unknowns, -at)
        up = (more.log_force - less.log_force) / 2e-3
        assert found.up_slopes[row] == pytest.approx(up, rel=1e-4, abs=1e-7), row
        fall = (more.down_force_n - less.down_force_n) / 2e-3
        assert found.down_slopes[row][there] == pytest.approx(fall[there], rel=1e-4, abs=1e-4), row
    assert np.isnan(found.down_force_n).tolist() == (~there).tolist()
