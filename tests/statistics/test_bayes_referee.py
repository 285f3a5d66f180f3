"""The Bayes referee of thin days: known answers, its motion, and its calibration.

It judges the program and is no part of it, so that nothing here counts as an outside check.
"""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import integrate, stats

from tests.tools.bayes_referee import (
    Outing,
    _Road,
    mixture_quantile,
    posterior,
    posterior_of,
    pull_n,
)
from tests.tools.thin_days import DESIGNS, Population, simulate

NOTHING = np.full(4, np.nan)
STATED = (
    "bike_kg", "rotating_kg", "drag_area_m2", "rolling", "grade", "length_m", "speed_factor",
    "wind_m_s", "density_kg_m3", "said_entry_m_s",
)  # fmt: skip


def certain(**changes):
    """A population in which all is known but what is named."""
    all_of = Population()
    known = {name: (getattr(all_of, name)[0], 0.0) for name in STATED}
    known |= {
        "rider_effect": 0.0, "rider_drag": 0.0, "drift": 0.0, "gust_m_s": 0.0,
        "riders_kg": tuple((kg, 0.0) for kg, _ in all_of.riders_kg),
        "scatter": (1e-9, 0.0), "run_wind_m_s": (1e-9, 0.0), "wind_over_m_s": (1e-9, 1e-9, 0.0),
    }  # fmt: skip
    return replace(all_of, **(known | changes))


def outing(exits_kmh, setup, rider=None, step=1e-9):
    """Runs entered at 48 km/h as shown."""
    n = len(exits_kmh)
    return Outing(
        np.array(setup), np.zeros(n, int) if rider is None else np.array(rider),
        np.full(n, 48 / 3.6), np.array(exits_kmh) / 3.6, NOTHING[:n], NOTHING[:n], False, step,
    )  # fmt: skip


def forces_n(day, p):
    """Forces of an outing whose unknowns are all known."""
    road = _Road(day, p)
    return np.exp(road.up(road.state(np.zeros((1, len(road.names)))), day.entry, day.exit_)[0])


def test_with_known_covariance_it_is_generalised_least_squares():
    # Against statsmodels, generalised least squares with a known covariance.
    rng = np.random.default_rng(3)
    root = rng.standard_normal((7, 7))
    covariance = root @ root.T + np.eye(7)
    design = np.eye(3)[[0, 1, 2, 0, 1, 2, 0]]
    data = rng.standard_normal(7)
    fit = sm.GLS(data, design, sigma=covariance).fit(cov_type="fixed scale")
    found = posterior_of(data, design, covariance[None])
    vector = np.array([-1.0, 0.0, 1.0])
    sd = np.sqrt(vector @ fit.normalized_cov_params @ vector)
    expected = stats.norm.ppf([0.025, 0.5, 0.975], vector @ fit.params, sd)
    assert found.interval(vector)[:3] == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("setup", [(0, 1, 0), (0, 1, 2, 0, 1, 2), (0,) * 6])
def test_a_wide_prior_of_the_scatter_gives_students_t(setup):
    # Against statsmodels, the 95 % intervals of ordinary least squares.
    rng = np.random.default_rng(5)
    data, design = rng.standard_normal(len(setup)), np.eye(max(setup) + 1)[list(setup)]
    # Flat in the logarithm, which is the prior under which t is exact.
    sds = np.exp(np.linspace(-6, 9, 3001))
    found = posterior_of(data, design, sds[:, None, None] ** 2 * np.eye(len(setup)))
    fit = sm.OLS(data, design).fit()
    vector = design[0] - design[1] if len(set(setup)) > 1 else np.ones(1)
    expected = fit.t_test(vector).conf_int()[0]
    assert [found.interval(vector).low, found.interval(vector).high] == pytest.approx(
        expected, rel=0.005
    )


def test_a_quantile_of_a_mixture_has_its_chance_below():
    # Against SciPy's normal distribution.
    weights, means, sds = np.array([0.3, 0.7]), np.array([-1.0, 2.0]), np.array([0.5, 2.0])
    for chance in (0.025, 0.3, 0.975):
        at = mixture_quantile(chance, weights, means, sds)
        assert weights @ stats.norm.cdf(at, means, sds) == pytest.approx(chance, abs=1e-6)


@pytest.mark.parametrize(("wind", "tolerance"), [(0.0, 1e-7), (1.5, 5e-4), (-1.5, 5e-4)])
def test_the_closed_form_is_the_motion(wind, tolerance):
    # Against SciPy's solve_ivp (Dormand and Prince 1980) as the integrator.
    s = {"k": 0.34, "length": 400.0, "inertia": 216.0, "roll": 27.0}
    force, climb, entry = 270.0, 120.0, 12.5

    def slope(_, energy):
        speed = np.sqrt(2 * energy)
        return (force - climb - s["roll"] - s["k"] * (speed + wind) ** 2) / s["inertia"]

    end = integrate.solve_ivp(slope, (0, s["length"]), [entry**2 / 2], rtol=1e-10, atol=1e-10)
    exit_ = np.sqrt(2 * end.y[0, -1])
    assert pull_n(s, entry, exit_, climb, wind) == pytest.approx(force, rel=tolerance)


def test_scatter_alone_gives_the_normal_interval():
    p = certain(scatter=(0.02, 0.0))
    day = outing([66.0, 70.0, 67.0], (0, 1, 0))
    found = posterior(day, p).interval(np.array([-1.0, 1.0]))
    logs = np.log(forces_n(day, p))
    assert found.value == pytest.approx(logs[1] - (logs[0] + logs[2]) / 2, abs=1e-5)
    half = 1.959964 * 0.02 * np.sqrt(1.5)
    assert (found.high - found.low) / 2 == pytest.approx(half, rel=1e-4)


def test_a_rider_of_his_own_counts_once_for_each():
    p = certain(scatter=(0.01, 0.0), rider_effect=0.03)
    day = outing([66.0, 70.0], (0, 1), rider=(0, 1))
    found = posterior(day, p).interval(np.array([-1.0, 1.0]))
    half = 1.959964 * np.sqrt(2 * (0.01**2 + 0.03**2))
    assert (found.high - found.low) / 2 == pytest.approx(half, rel=1e-4)


def test_a_stated_value_widens_by_what_it_does_to_the_force():
    p = certain(bike_kg=(124.0, 2.0))
    day = outing([66.0], (0,))
    force = [forces_n(day, replace(p, bike_kg=(kg, 0.0)))[0] for kg in (122.0, 126.0)]
    found = posterior(day, p).interval(np.ones(1))
    sd = np.log(force[1] / force[0]) / 2
    assert (found.high - found.low) / 2 == pytest.approx(1.959964 * sd, rel=1e-3)


def test_heavy_tailed_wind_has_the_tails_of_students_t():
    # Against SciPy's Student t, two of them convolved.
    p = certain(run_wind_m_s=(0.6, 0.0))
    day = outing([66.0, 66.0], (0, 1))
    found = posterior(day, p, 16384).interval(np.array([-1.0, 1.0]))
    # Both runs are alike, so that the slope by the wind is, too.
    slope = np.log(
        forces_n(day, replace(p, wind_m_s=(0.01, 0.0)))[0]
        / forces_n(day, replace(p, wind_m_s=(-0.01, 0.0)))[0]
    )
    at = (found.high - found.low) / 2 / (slope / 0.02 * 0.6)
    below, _ = integrate.quad(lambda x: stats.t.pdf(x, 4) * stats.t.cdf(at - x, 4), -np.inf, np.inf)
    assert below == pytest.approx(0.975, abs=0.001)


def test_more_nodes_change_nothing():
    p = Population()
    days = simulate(11, DESIGNS["two each, 3 setups"], 4)
    setup = np.array(days.design.setup)
    nothing = np.full(setup.size, np.nan)
    for day in range(4):
        one = Outing(
            setup, days.design.riders, days.shown["entry"][day], days.shown["exit"][day], nothing,
            nothing, days.said, days.step,
        )  # fmt: skip
        few, many = (
            posterior(one, p, count).interval(np.array([-1.0, 1.0, 0.0])) for count in (2048, 16384)
        )
        assert few.high - few.low == pytest.approx(many.high - many.low, rel=0.02)


def test_a_day_without_luck_is_read_as_it_was_ridden():
    # Simulator and referee agree on every sign: wind, way down, riders, factor.
    p = certain(wind_m_s=(1.2, 0.0), drag_area_m2=(0.5, 0.0))
    straight = replace(p, bend=0.0, rolling_rise=(0.0, 0.0), late=0.0, torque_m_s=(14.5, 1e3, 1e3))
    design = replace(DESIGNS["two each with ways down"], rider=(0, 0, 1, 1, 1, 0))
    days = simulate(2, design, 1, population=straight, said=False, step=1e-6)
    speeds = [days.shown[name][0] for name in ("entry", "exit", "down_entry", "down_exit")]
    day = Outing(np.array(design.setup), design.riders, *speeds, False, 1e-6)
    assert forces_n(day, p) == pytest.approx(np.exp(days.log_force[0])[day.setup], rel=2e-3)
    road = _Road(day, p)
    down = road.back(road.state(np.zeros((1, len(road.names)))), day.down_entry, day.down_exit)
    assert np.max(np.abs(down)) < 0.6


@pytest.mark.slow
def test_its_intervals_hold_the_truth_as_often_as_they_say():
    p, held = Population(), []
    days = simulate(20261129, DESIGNS["two each, 3 setups"], 500)
    setup = np.array(days.design.setup)
    nothing = np.full(setup.size, np.nan)
    for day in range(500):
        one = Outing(
            setup, days.design.riders, days.shown["entry"][day], days.shown["exit"][day], nothing,
            nothing, days.said, days.step,
        )  # fmt: skip
        found = posterior(one, p, 256)
        for j in (1, 2):
            low, _, high, _ = found.interval(np.eye(3)[j] - np.eye(3)[0])
            held.append(low <= days.log_force[day, j] - days.log_force[day, 0] <= high)
    assert 0.94 <= np.mean(held) <= 0.97
