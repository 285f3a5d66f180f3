"""Speeds at both ends of a run: windows by hand, fits against statsmodels and error contrasts."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.linalg import null_space
from scipy.stats import multivariate_normal

from tests.tools.simulate_logs import approached
from tuninglib.statistics.track_runs import (
    _at_line,
    _AtLine,
    _by_lasting,
    _by_quickness,
    _ends,
    _fit_all,
    _shares,
    _way,
    _Window,
    _windows,
    _with_pull,
    end_speeds_from_speed,
    end_speeds_from_way,
)


def windows_of(time, values, enter=20.0, leave=40.0, place=2.0):
    return {
        one.end: one
        for one in _windows(np.asarray(time), np.asarray(values), [enter], [leave], place)
    }


def test_what_is_fitted_stays_clear_of_the_lines():
    """Two standard deviations of the place, ridden at the run's mean speed of 16 m/s: 0.25 s."""
    time = np.arange(0.0, 60.0, 0.1)
    found = windows_of(time, np.full(time.size, 16.0))
    entry, exit_ = found["entry"], found["exit"]
    assert entry.time[[0, -1]] == pytest.approx([13.8, 19.7], abs=0.051)
    assert exit_.time[[0, -1]] == pytest.approx([20.3, 39.7], abs=0.051)
    assert (entry.at, exit_.at) == (20.0, 40.0)
    assert (entry.terms, exit_.terms) == (2, 4)
    # Of positions one term more, as the way is what the speed is of.
    way = windows_of(time, np.stack([16 * time, 0 * time]))
    assert (way["entry"].terms, way["exit"].terms) == (3, 5)
    assert way["exit"].time[0] == pytest.approx(20.3, abs=0.051)


@pytest.mark.parametrize(
    ("speed", "place", "margin"),
    # Walking pace counts as 2 m/s; a place that is hardly known takes a sixth at most.
    [(1.0, 2.0, 2.0), (4.0, 2.0, 1.0), (10.0, 100.0, 20 / 6)],
)
def test_the_margin_is_what_the_place_is_worth_in_time(speed, place, margin):
    time = np.arange(0.0, 60.0, 0.05)
    found = windows_of(time, np.full(time.size, speed), place=place)
    assert found["exit"].time[0] == pytest.approx(20 + margin, abs=0.051)
    assert found["exit"].time[-1] == pytest.approx(40 - margin, abs=0.051)
    assert found["entry"].time[[0, -1]] == pytest.approx([14 - margin, 20 - margin], abs=0.051)


@pytest.mark.parametrize(("rows", "ends"), [(7, {"entry", "exit"}), (6, set())])
def test_seven_rows_make_a_run(rows, ends):
    """As many on the run; the margins take one at either end, and five are one more than terms."""
    step = 20.0 / rows
    time = np.concatenate([np.arange(14.0, 20.0, 0.5), 20.0 + step * (np.arange(rows) + 0.5)])
    found = windows_of(time, np.full(time.size, 15.0), place=0.1)
    assert set(found) == ends
    # Four rows before the line are two more than terms; three are not.
    for before, there in ((4, True), (3, False)):
        some = time[12 - before :]
        assert ("entry" in windows_of(some, np.full(some.size, 15.0), place=0.1)) == (
            there and rows == 7
        )


def test_the_way_is_made_of_positions_a_second_apart():
    time = np.array([0.0, 0.5, 0.99, 1.2, 2.0, 3.5])
    place = np.stack([3 * time, 4 * time])
    kept, way = _way(time, place)
    np.testing.assert_allclose(kept, [0, 0.99, 2.0, 3.5])
    np.testing.assert_allclose(way, 5 * kept)
    assert _way(time[:0], place[:, :0])[0].size == 0


def noisy(seed=3, n=40, terms=4):
    rng = np.random.default_rng(seed)
    time = 20 + 0.5 * np.arange(n)
    values = 12 + 0.3 * (time - 20) - 0.004 * (time - 20) ** 2 + 0.2 * rng.standard_normal(n)
    return _Window(0, "exit", time, values, terms, 40.0)


def by_contrasts(window, covariance):
    """Log density of what the polynomial leaves, in contrasts that it cannot touch."""
    powers = (window.time[:, None] - window.time.mean()) ** np.arange(window.terms)
    free = null_space(np.linalg.qr(powers)[0].T)
    data = free.T @ window.values
    return data, free.T @ covariance @ free


@pytest.mark.outside(source="statsmodels, generalised least squares, as the reference")
def test_a_fit_is_generalised_least_squares():
    window = noisy()
    models, _ = _by_lasting([window])
    for (covariance,) in models:
        _, noise, [(state, spread, middle, half)] = _fit_all([window], [covariance], True)
        design = ((window.time - middle) / half)[:, None] ** np.arange(4)
        found = sm.GLS(window.values, design, sigma=covariance).fit()
        np.testing.assert_allclose(state, found.params, rtol=1e-8)
        np.testing.assert_allclose(spread, found.cov_params(), rtol=1e-7, atol=1e-12)
        assert noise == pytest.approx(np.sqrt(found.scale))


@pytest.mark.outside(source="scipy: normal density of error contrasts, as the reference")
@pytest.mark.parametrize("model", ["lasting", "quick"])
def test_the_likelihood_is_that_of_what_the_polynomial_cannot_touch(model):
    """Two windows of one run; between two covariances only the difference matters."""
    windows = [noisy(3), noisy(4, n=14, terms=2)]
    models, open_size = _by_lasting(windows) if model == "lasting" else _by_quickness(windows, 2.0)
    found = [_fit_all(windows, own, open_size)[0] for own in models]
    wanted = []
    for own in models:
        parts = [by_contrasts(*pair) for pair in zip(windows, own, strict=True)]
        count = sum(data.size for data, _ in parts)
        squares = sum(data @ np.linalg.solve(cov, data) for data, cov in parts)
        size = squares / count if open_size else 1.0
        wanted.append(sum(multivariate_normal(cov=size * cov).logpdf(data) for data, cov in parts))
    np.testing.assert_allclose(np.diff(found), np.diff(wanted), rtol=1e-7, atol=1e-9)


def test_covariances_are_of_a_noise_that_lasts():
    window = noisy(n=10)
    models, _ = _by_lasting([window])
    np.testing.assert_array_equal(models[0][0], np.eye(10))
    # Two rows half a second apart, lasting 0.6 s, of 95 parts in a hundred.
    assert models[2][0][3, 4] == pytest.approx(0.95 * np.exp(-0.5 / 0.6))
    assert np.diag(models[2][0]) == pytest.approx(np.ones(10))
    quick, _ = _by_quickness([window], 2.0)
    assert len(quick) == 5 * 12
    # A tenth to 1.2 times the place's error, over 40 s, and 3 cm to 5 m of quick error.
    assert quick[0][0][3, 4] == pytest.approx(0.2**2 * np.exp(-0.5 / 40))
    assert quick[-1][0][3, 4] == pytest.approx(2.4**2 * np.exp(-0.5 / 40))
    for at, rough, size in ((0, 0.2, 0.03), (11, 0.2, 5.0), (-1, 2.4, 5.0)):
        assert quick[at][0][2, 2] == pytest.approx(rough**2 + size**2)


def test_an_end_has_the_value_the_slope_and_the_place_of_its_line():
    """A parabola without noise: 12 + 0.4 t - 0.01 t² from the line on, 20 s long."""
    time = np.arange(0.0, 60.0, 0.2)
    u = np.clip(time - 20, -20, 20)
    speed = np.where(time < 20, 12.0 + 0.05 * (time - 20), 12 + 0.4 * u - 0.01 * u**2)
    found = end_speeds_from_speed(time, speed, enter_s=[20.0], leave_s=[40.0], place_sd_m=3.0)
    assert (found.entry_m_s[0], found.exit_m_s[0]) == pytest.approx((12.0, 16.0), abs=2e-3)
    # Slopes: 0.05 at the start line, 0.4 - 0.4 at the marker; 0.06 m/s for gusts. In the half
    # second before the line that is left out the hand may have moved, if it mostly did not.
    assert np.hypot(0.05 * 3 / 12, 0.06) < found.entry_sd_m_s[0] < 0.2
    assert found.exit_sd_m_s[0] == pytest.approx(0.06, rel=2e-3)
    east = np.concatenate([[0.0], np.cumsum(0.2 * (speed[1:] + speed[:-1]) / 2)])
    way = end_speeds_from_way(time, 0.6 * east, 0.8 * east, enter_s=[20.0], leave_s=[40.0],
                              place_sd_m=0.05)  # fmt: skip
    assert (way.entry_m_s[0], way.exit_m_s[0]) == pytest.approx((12.0, 16.0), abs=0.02)


def test_the_error_of_an_end_grows_with_the_slope_there():
    """Of a window that is known exactly but for its place: bend over speed times metres."""
    time = np.arange(0.0, 10.0, 0.5)
    for derivative, values in ((0, 10 + 0.5 * time), (1, 10 * time + 0.25 * time**2)):
        window = _Window(0, "exit", time, values, 3, 10.0)
        models = [[1e-8 * np.eye(time.size)]], False
        found = _ends([window], models, 1, 4.0, derivative=derivative)
        assert found.exit_m_s[0] == pytest.approx(15.0)
        assert found.exit_sd_m_s[0] == pytest.approx(np.hypot(0.5 * 4 / 15, 0.06), rel=1e-3)
        assert np.isnan(found.entry_m_s[0])
    # Hardly moving counts as a metre a second.
    slow = _Window(0, "exit", time, 0.01 * time, 3, 10.0)
    found = _ends([slow], ([[1e-8 * np.eye(time.size)]], False), 1, 4.0, derivative=0)
    assert found.exit_sd_m_s[0] == pytest.approx(np.hypot(0.01 * 4 / 1.0, 0.06), rel=1e-3)


@pytest.mark.outside(source="statsmodels, generalised least squares, as the reference")
@pytest.mark.parametrize("derivative", [0, 1])
def test_without_moves_the_speed_at_the_line_is_that_of_least_squares(derivative):
    window = noisy(n=30, terms=3)
    covariance = _by_lasting([window])[0][2][0]
    story = _at_line(window, covariance, 0, derivative)
    u = window.time - window.at
    design = u[:, None] ** np.arange(3)
    fit = sm.GLS(window.values, design, sigma=covariance).fit(cov_type="fixed scale")
    assert story.speed[0] == pytest.approx(fit.params[derivative], rel=1e-6)
    assert story.variance[0] == pytest.approx(fit.cov_params()[derivative, derivative], rel=1e-6)
    assert story.slope[0] == pytest.approx((1 + derivative) * fit.params[1 + derivative], rel=1e-6)


def test_a_move_that_the_speed_shows_is_the_likely_story():
    """1.2 m/s² until two seconds before the line, then even, in noise of 0.05 m/s."""
    time = np.arange(14.0, 19.6, 0.2)
    true = 12 + 1.2 * np.minimum(time - 18.0, 0.0)
    values = true + 0.05 * np.random.default_rng(2).standard_normal(time.size)
    window = _Window(0, "entry", time, values, 2, 20.0)
    stories = _at_line(window, 0.05**2 * np.eye(time.size), 2, 0)
    (share,) = _shares([stories])
    moves = stories.kind % 3
    assert share[moves == 0].sum() < 1e-6
    # A straight line through all of it would be half a metre a second off.
    speed = share @ stories.speed
    sd = np.sqrt(share @ (stories.variance + (stories.speed - speed) ** 2))
    assert abs(speed - 12.0) < min(1.96 * sd, 0.2)
    assert share.sum() == pytest.approx(1.0)
    # An even speed needs none.
    steady = window._replace(values=values - true + 12)
    (share,) = _shares([_at_line(steady, 0.05**2 * np.eye(time.size), 2, 0)])
    assert share[moves == 0].sum() > 0.6


def test_the_pull_after_the_line_is_one_more_reading_of_it():
    """By hand: 12 with variance 0.09 beside 13 with 0.01 + 0.06² and 0.6 s of the slopes' 0.5."""
    one = {"kind": np.array([0]), "likelihood": np.array([0.0]), "slope": np.array([0.1])}
    stories = _AtLine(**one, speed=np.array([12.0]), variance=np.array([0.09]))
    pull = _AtLine(**(one | {"slope": np.array([0.6])}), speed=np.array([13.0]),
                   variance=np.array([0.01]))  # fmt: skip
    other = 0.01 + 0.06**2 + 0.3**2
    found = _with_pull(stories, pull)
    assert found.variance[0] == pytest.approx(1 / (1 / 0.09 + 1 / other))
    assert found.speed[0] == pytest.approx(found.variance[0] * (12 / 0.09 + 13 / other))
    assert found.likelihood[0] == pytest.approx(-(1 / (0.09 + other) + np.log(0.09 + other)) / 2)
    assert _with_pull(stories, None) is stories


@pytest.mark.parametrize(
    ("kind", "widest"), [("holds", 1.4), ("gathers", 2.3), ("gathers on", 1.8), ("eases", 2.3)]
)
def test_however_a_rider_comes_to_the_line_the_entry_speed_is_held(kind, widest):
    """Once a second, as a phone writes; widths in km/h."""
    off = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        time, logged, _, truth = approached(rng, (kind,), 6, 1.0)
        enter = truth[:, 0] + 0.2 * rng.standard_normal(6)
        found = end_speeds_from_speed(
            time, logged, enter_s=enter, leave_s=truth[:, 1], place_sd_m=2.5
        )
        off += list(zip(found.entry_m_s - truth[:, 2], found.entry_sd_m_s, strict=True))
    error, sd = np.transpose(off)
    assert np.mean(np.abs(error) < 1.96 * sd) >= 0.9
    assert abs(error.mean()) < 0.2
    assert 1.96 * 3.6 * sd.mean() < widest


def test_the_noise_is_that_of_one_value():
    rng = np.random.default_rng(8)
    time = np.arange(0.0, 200.0, 0.5)
    speed = 15 + 0.3 * rng.standard_normal(time.size)
    enter, leave = np.arange(10.0, 170.0, 40.0), np.arange(35.0, 195.0, 40.0)
    found = end_speeds_from_speed(time, speed, enter_s=enter, leave_s=leave, place_sd_m=1.0)
    assert found.noise_sd == pytest.approx(0.3, rel=0.15)
    none = end_speeds_from_speed(time[:5], speed[:5], enter_s=[0.0], leave_s=[2.0], place_sd_m=1.0)
    assert np.isnan(none.noise_sd)
