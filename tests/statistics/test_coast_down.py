"""Road load from simulated coast-downs with known truth."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import least_squares, minimize

from tests.tools.simulate_coast_down import LAYOUTS, line
from tests.tools.simulate_coast_down import day as day_of_falls
from tuninglib.physics.motion import Hill, Ride
from tuninglib.statistics import coast_down, mixed_model
from tuninglib.statistics.coast_down import (
    _fall_time,
    coast_time_s,
    fit_coast_down,
)
from tuninglib.statistics.repeats import t_quantile

AREA, ROLLING = 0.55, 0.015
MARKS = np.array([18.0, 16.0, 14.0, 12.0, 10.0, 8.0])


def ride(grade=0.0, *, area=AREA, rolling=ROLLING, **changes):
    """The bike on an even road."""
    bike = {"mass_kg": 200.0, "rotating_mass_kg": 8.0, "air_density_kg_m3": 1.2}
    road = {"hill": Hill(1000.0, grade), "drag_area_m2": area, "rolling_coefficient": rolling}
    return Ride(**(bike | road | changes))


def start(grade=0.0):
    """Where the fits start: not at the truth."""
    return ride(grade, area=0.5, rolling=0.012)


def profile(wind, grade=0.0):
    """Times and speeds of one coast-down from 20 to 7 m/s, in steps of 0.02 s."""
    resist = 200 * 9.80665 * (ROLLING + grade) / np.sqrt(1 + grade**2)

    def slope(v):
        return -(resist + 0.5 * 1.2 * AREA * (v + wind) * abs(v + wind)) / 208.0

    speeds = [20.0]
    while speeds[-1] > 7:
        v = speeds[-1]
        speeds.append(v + 0.02 * slope(v + 0.01 * slope(v)))
    return 0.02 * np.arange(len(speeds)), np.array(speeds)


def day(rng, runs, *, steady=1.0, gust=0.6, noise=0.1, grade=0.0):
    """Timed falls of runs in turn both ways."""
    falls = []
    for run in range(runs):
        way = 1 if run % 2 == 0 else -1
        t, v = profile(way * (steady + gust * rng.standard_normal()), way * grade)
        slow = -np.interp(-MARKS, -v, np.gradient(v, t))
        at = np.interp(-MARKS, -v, t) + noise / slow * rng.standard_normal(MARKS.size)
        falls += [(run, way, *pair) for pair in zip(MARKS, MARKS[1:], np.diff(at), strict=False)]
    return np.array(falls).T


def fit_falls(falls, grade=0.0):
    run, way, fast, slow, time = falls
    return fit_coast_down(
        start(grade), run=run, direction=way, from_speed_m_s=fast, to_speed_m_s=slow, time_s=time
    )


@pytest.mark.parametrize("wind", [0.0, 2.0, -3.0])
@pytest.mark.parametrize("grade", [0.0, 0.01, -0.0151, -0.02])
def test_coast_time_is_the_integral(wind, grade):
    resist = 200 * 9.80665 * (grade + ROLLING) / np.sqrt(1 + grade**2)
    expected, _ = quad(lambda v: 208 / (resist + 0.5 * 1.2 * AREA * (v + wind) ** 2), 12, 20)
    time = coast_time_s(ride(grade, wind_m_s=wind), from_speed_m_s=20.0, to_speed_m_s=12.0)
    assert time == pytest.approx(expected, rel=1e-9)


def test_a_bike_that_does_not_slow_down_has_no_time():
    downhill = ride(-0.06, rotating_mass_kg=0.0)
    time = coast_time_s(downhill, from_speed_m_s=20.0, to_speed_m_s=5.0)
    assert np.isnan(time)


def test_a_bike_that_is_blown_along_is_refused():
    """From 10 to 1 m/s with 3 m/s from behind: at the end the air pushes."""
    with pytest.raises(ValueError, match="wind"):
        coast_time_s(ride(wind_m_s=-3.0), from_speed_m_s=10.0, to_speed_m_s=1.0)
    assert coast_time_s(ride(wind_m_s=-3.0), from_speed_m_s=10.0, to_speed_m_s=3.0) > 0
    assert coast_time_s(ride(wind_m_s=-3.0), from_speed_m_s=3.0, to_speed_m_s=10.0) < 0


def test_exact_readings_give_the_exact_road_load():
    falls = day(np.random.default_rng(0), 4, gust=0.0, noise=0.0, grade=0.002)
    found = fit_falls(falls, grade=0.002)
    assert found.drag_area_m2 == pytest.approx(AREA, rel=1e-3)
    assert found.rolling_coefficient == pytest.approx(ROLLING, rel=2e-3)
    # A little less: the stated calm day pulls at it.
    assert found.headwind_m_s == pytest.approx(1.0, abs=0.03)
    assert found.source == "4 coast-downs"


# Sixteen days know their spread to 18 %; a half of the width that it should have is noticed.
def test_intervals_hold_the_truth():
    rng = np.random.default_rng(11)
    held, errors, sds = [], [], []
    for _ in range(16):
        found = fit_falls(day(rng, 6))
        t = t_quantile(0.975, found.dof)
        held.append(abs(found.drag_area_m2 - AREA) <= t * found.drag_area_sd_m2)
        held.append(abs(found.rolling_coefficient - ROLLING) <= t * found.rolling_coefficient_sd)
        errors.append(found.drag_area_m2 - AREA)
        sds.append(found.drag_area_sd_m2)
    assert np.mean(held) >= 0.88
    assert np.std(errors) == pytest.approx(np.mean(sds), rel=0.25)


@pytest.mark.slow
def test_no_day_of_good_numbers_is_refused_and_intervals_hold_the_truth():
    """Four runs, of which two have one fall alone: the least that anybody times."""
    refused, held = line(LAYOUTS["2+2+1+1"], 500)
    assert refused == []
    # Half a thousand days know 95 % to one.
    assert np.all(np.abs(held.mean(axis=0) - 0.955) < 0.025)


def test_numbers_that_do_not_belong_together_are_refused_with_the_worst_row():
    """One time typed without its decimal point."""
    falls = day(np.random.default_rng(3), 4)
    falls[4, 7] *= 10
    with pytest.raises(ValueError, match=r"no road load explains.*the worst of them, row 8, is"):
        fit_falls(falls)


@pytest.mark.parametrize("factor", np.linspace(0.85, 1.05, 9))
def test_falls_of_different_number_are_fitted_at_any_factor_of_the_speeds(factor):
    """As the slider of the speedometer moves: the answer moves with it, smoothly."""
    rows = day_of_falls(np.random.default_rng(8), LAYOUTS["2+2+1+1"])[1]
    one, other = (
        fit_falls(rows * np.array([[1], [1], [at], [at], [1]])) for at in (factor, factor * 1.001)
    )
    assert other.drag_area_m2 == pytest.approx(one.drag_area_m2, rel=0.01)
    assert other.rolling_coefficient == pytest.approx(one.rolling_coefficient, rel=0.01)


def test_falls_that_tell_next_to_nothing_leave_what_is_usual_of_motorcycles():
    """One short fall of speed, four times: any split of drag and rolling slows the bike so."""
    found = fit_coast_down(
        start(), run=[1, 2, 3, 4], direction=[1, -1, 1, -1], from_speed_m_s=[11.0] * 4,
        to_speed_m_s=[10.0] * 4, time_s=[3.1, 3.3, 3.2, 3.2],
    )  # fmt: skip
    low, high = (found.drag_area_m2 + sign * 1.96 * found.drag_area_sd_m2 for sign in (-1, 1))
    assert 0.3 < found.drag_area_m2 < 0.8
    assert -0.2 < low < 0.3
    assert 0.7 < high < 1.4
    assert 0.002 < found.rolling_coefficient_sd < 0.009


def test_a_wind_from_behind_pushes_where_it_is_faster():
    """The search may pass there: the time is that of the steps, and no kink stands at calm air."""
    expected, _ = quad(
        lambda v: 208 / (29.4 + 0.33 * (v - 3.0) * abs(v - 3.0)), 1, 8, points=[3], epsabs=1e-10
    )
    assert _fall_time(8.0, 1.0, 29.4, 0.33, 208.0, -3.0) == pytest.approx(expected, rel=1e-9)
    assert np.isnan(_fall_time(8.0, 1.0, 1.0, 0.33, 208.0, -3.0))


@pytest.mark.parametrize(("area", "rolling", "begin"), [
    (0.1, 0.002, (1.2, 0.04)), (0.3, 0.004, (0.5, 0.03)), (0.55, 0.015, (0.1, 0.002)),
])  # fmt: skip
def test_exact_falls_are_found_from_a_start_far_off(area, rolling, begin):
    """Steps that would leave nothing to slow the bike are shortened; the start leaves no trace."""
    fast, slow = np.tile([16.0, 12.0, 8.0, 5.0], 4), np.tile([12.0, 8.0, 5.0, 3.0], 4)
    true = ride(area=area, rolling=rolling)
    found = fit_coast_down(
        ride(area=begin[0], rolling=begin[1]), run=np.repeat(range(4), 4),
        direction=np.repeat([1, -1, 1, -1], 4), from_speed_m_s=fast, to_speed_m_s=slow,
        time_s=coast_time_s(true, from_speed_m_s=fast, to_speed_m_s=slow),
    )  # fmt: skip
    assert found.drag_area_m2 == pytest.approx(area, rel=2e-4)
    assert found.rolling_coefficient == pytest.approx(rolling, rel=1e-3)


def test_falls_without_any_error_have_an_interval():
    """Four exact falls leave nothing that tells how far off they are; what is usual does."""
    for seed in range(5, 9):
        falls = day(np.random.default_rng(seed), 2, gust=0.3, noise=0.0)
        found = fit_falls(falls[:, [0, 4, 5, 9]])
        assert 0.02 < found.drag_area_sd_m2 < 0.3
        assert abs(found.drag_area_m2 - AREA) < 2 * found.drag_area_sd_m2


@pytest.mark.parametrize(("stated", "shown"), [(0.1, (0.02, 0.2)), (50.0, (0.998, 1.002))])
def test_a_wind_is_as_far_from_calm_as_the_stated_day_lets_it_be(monkeypatch, stated, shown):
    monkeypatch.setattr(coast_down, "_STEADY_SD_M_S", stated)
    found = fit_falls(day(np.random.default_rng(0), 4, gust=0.0, noise=0.0))
    assert shown[0] < found.headwind_m_s < shown[1]


def test_the_interval_counts_by_what_is_known_of_the_lesser(monkeypatch):
    """Drag and rolling have a number of degrees of freedom each."""
    found, spread = [], mixed_model.spread

    def kept(*args):
        found.append(spread(*args))
        return found[-1]

    monkeypatch.setattr(mixed_model, "spread", kept)
    road = fit_falls(day(np.random.default_rng(3), 4))
    first, second = (one.dof for one in found)
    assert first != second
    assert road.dof == min(first, second)


FALLS = day(np.random.default_rng(1), 4)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: fit_falls(FALLS[:, FALLS[1] > 0]), "all coast-downs went the same way"),
        (lambda: fit_falls(FALLS[[0, 1, 3, 2, 4]]), "fall of speed is -2 m/s.*swap from and to"),
        (lambda: fit_falls(FALLS * np.array([[1], [2], [1], [1], [1]])), "neither 1 .out. nor -1"),
        (lambda: fit_falls(FALLS[:, [0, 5, 6]]), "3 falls of speed are too few"),
        (lambda: fit_falls(FALLS * np.array([[1], [1], [1], [1], [-1]])),
         "coast-down value is -.*; leave out the unread"),
        (
            lambda: fit_coast_down(
                ride(wind_m_s=2.0), run=[1, 2], direction=[1, -1], from_speed_m_s=[20, 20],
                to_speed_m_s=[10, 10], time_s=[9, 9],
            ),
            "wind is 2 m/s but must be 0 m/s; the fit finds it",
        ),
        (
            lambda: fit_coast_down(
                start(), run=[1, 2], direction=[1], from_speed_m_s=[20, 20],
                to_speed_m_s=[10, 10], time_s=[9, 9],
            ),
            "give one value a row",
        ),
    ],
)  # fmt: skip
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_each_fall_counts_by_what_a_misread_speed_costs_it(monkeypatch):
    """Against scipy's least squares of the times over the time that 1 m/s takes, without wind."""
    ride = Ride(
        hill=Hill(1000.0, 0.0), mass_kg=200.0, rotating_mass_kg=8.0, air_density_kg_m3=1.2,
        drag_area_m2=0.5, rolling_coefficient=0.012,
    )  # fmt: skip
    # Short falls and long ones, which do not meet.
    first, last = np.tile([20.0, 17.0, 10.0], 4), np.tile([19.0, 11.0, 7.0], 4)
    exact = coast_time_s(ride, from_speed_m_s=first, to_speed_m_s=last)
    time = exact * np.tile([1.06, 1.0, 0.98, 1.02, 1.01, 0.99], 2)
    per_speed = time / (first - last)

    def off(parameters):
        area, rolling = parameters
        own = replace(ride, drag_area_m2=area, rolling_coefficient=rolling)
        model = coast_time_s(own, from_speed_m_s=first, to_speed_m_s=last)
        return (model - time) / per_speed

    expected = least_squares(off, [0.5, 0.012], x_scale=[0.1, 0.01], xtol=1e-12, ftol=1e-12)
    for name, sd in (("_STEADY_SD_M_S", 1e-5), ("_GUST_SD_M_S", 1e-5), ("_GUST_LOG_SD", 1e-3)):
        monkeypatch.setattr(coast_down, name, sd)
    found = fit_coast_down(
        ride, run=np.repeat([1, 2, 3, 4], 3), direction=np.repeat([1, -1, 1, -1], 3),
        from_speed_m_s=first, to_speed_m_s=last, time_s=time,
    )  # fmt: skip
    ours = found.drag_area_m2, found.rolling_coefficient
    assert ours == pytest.approx(tuple(expected.x), rel=1e-3)
    # And their standard deviations by the residuals' own scatter, twelve falls and two unknowns;
    # ours are wider, since dials are usually read less well than here.
    scatter = np.sum(expected.fun**2) / (12 - 2)
    sds = np.sqrt(scatter * np.diag(np.linalg.inv(expected.jac.T @ expected.jac)))
    assert np.all(np.abs(np.sqrt(np.diag(found.covariance)) / sds - 1.25) < 0.2)


def even_falls():
    """Four falls of three runs that follow drag, rolling and wind in straight lines."""
    by_area, by_rolling, by_wind = np.random.default_rng(5).uniform(1, 3, (3, 4)) * [[1], [60], [1]]
    data, correlation = np.array([2.9, 5.1, 4.4, 3.0]), np.eye(4) + 0.3 * np.eye(4, k=1)
    correlation = np.minimum(1, correlation + 0.3 * np.eye(4, k=-1))
    falls = coast_down._Falls(
        data, correlation, lambda a, r, wind: by_area * a + by_rolling * r + by_wind * wind,
        [7, 7, 8, 9],
    )  # fmt: skip
    return falls, data, correlation, np.stack([by_area, by_rolling]), by_wind


def test_the_likeliest_road_load_is_that_of_the_falls_and_of_what_is_usual():
    """Drag 0.5 m2 to a factor of 1.65, rolling 0.015 to 0.008, 2 m/s of wind; by another search."""
    falls, data, correlation, slopes, by_wind = even_falls()

    def unlikely(at):
        left = data - [np.exp(at[0]), at[1] / 100] @ slopes - by_wind * at[[3, 3, 4, 5]]
        usual = ((at[0] - np.log(0.5)) / 0.5) ** 2 + ((at[1] - 1.5) / 0.8) ** 2 + (at[2] / 2) ** 2
        return (
            left @ np.linalg.solve(correlation, left) / 0.7
            + usual
            + sum((at[3:] - at[2]) ** 2) / 0.4
        )

    wanted = minimize(unlikely, [0, 1, 0, 0, 0, 0], tol=1e-12).x * [1, 0.01, 1, 1, 1, 1]
    found = falls.search(np.array([0, 0.01, 0, 0, 0, 0.0]), np.array([0.4, 0.7]))
    np.testing.assert_allclose(found, wanted, atol=2e-4)


def test_around_there_the_rows_are_straight_lines_and_what_is_usual():
    """A model of straight lines is its own tangent, wherever it is touched."""
    falls, data, correlation, slopes, by_wind = even_falls()
    rows = falls.linear(np.array([np.log(0.8), 0.02, 1.0, 0.5, 2.0, 1.5]))
    turn = np.linalg.inv(np.linalg.cholesky(correlation))
    usual = [0.8 * (1 + np.log(0.5 / 0.8)), 0.015]
    np.testing.assert_allclose(rows.data[0], [*(turn @ data), *usual], rtol=1e-4)
    np.testing.assert_allclose(rows.design[0], [*(turn @ slopes.T), [1, 0], [0, 1]], rtol=1e-4)
    blown = np.zeros((6, 3))
    blown[:4] = turn @ (by_wind[:, None] * np.array([[1, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]))
    every = np.outer(blown.sum(1), blown.sum(1)) * 2.0**2
    known = every + np.diag([0, 0, 0, 0, (0.8 * 0.5) ** 2, 0.008**2])
    np.testing.assert_allclose(rows.known[0], known, rtol=1e-3, atol=1e-9)
    gust, read = rows.components
    np.testing.assert_allclose(gust.matrix[0], blown @ blown.T, rtol=1e-3, atol=1e-9)
    np.testing.assert_allclose(read.matrix[0], np.diag([1, 1, 1, 1, 0, 0]))
    # Usually 0.6 m/s, to a factor of 1.65, and 0.2 m/s, to a factor of 2.
    assert (gust.usual, gust.log_sd) == pytest.approx((0.36, 0.5))
    assert (read.usual, read.log_sd) == pytest.approx((0.04, 0.7))


def test_on_a_slope_that_the_usual_rolling_does_not_hold_the_search_finds_its_way():
    way, true = np.tile([1, -1], 6), {1: ride(0.03, rolling=0.04), -1: ride(-0.03, rolling=0.04)}
    ends = {"from_speed_m_s": np.repeat([16.0, 12.0, 8.0], 4)}
    ends["to_speed_m_s"] = ends["from_speed_m_s"] - 4
    time = [coast_time_s(true[one], from_speed_m_s=a, to_speed_m_s=b)
            for one, a, b in zip(way, *ends.values(), strict=True)]  # fmt: skip
    found = fit_coast_down(start(0.03), run=np.arange(12), direction=way, time_s=time, **ends)
    assert found.rolling_coefficient == pytest.approx(0.04, rel=0.02)
    assert found.drag_area_m2 == pytest.approx(AREA, rel=0.05)
