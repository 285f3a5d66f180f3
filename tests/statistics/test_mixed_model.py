"""Rows in blocks with scatters not known, against full matrices and densities written out."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from tuninglib.statistics import mixed_model
from tuninglib.statistics.mixed_model import (
    Component,
    Rows,
    average_over_variances,
    degrees_of_freedom,
    fit_at,
    left_out,
    spread,
    variance_grid,
)

N, B, M = 9, 2, 3


def in_full(blocks):
    found = np.zeros((len(blocks) * blocks.shape[1],) * 2)
    for one, block in enumerate(blocks):
        at = slice(one * len(block), (one + 1) * len(block))
        found[at, at] = block
    return found


@pytest.fixture
def rows():
    """Data in blocks with two unknown variances, and unknowns that all blocks share."""
    rng = np.random.default_rng(6)
    design = np.zeros((N, B, 2))
    design[np.arange(N), 0, np.arange(N) % 2] = 1
    gusts, scatter = rng.normal(size=(N, B)), np.zeros((N, B, B))
    scatter[:, 0, 0] = rng.uniform(0.5, 1.5, N)
    parts = (
        Component(scatter, 1.0, 0.5),
        Component(gusts[..., None] * gusts[:, None], 1.0, 0.4),
    )
    known = np.array([0.1, 0.2])[:, None] * np.eye(B) * np.ones((N, 1, 1))
    data, shared = rng.normal(size=(N, B)), rng.normal(size=(N, B, M))
    return Rows(data, design, shared, known, parts)


def covariance_of(rows, variances):
    """V, written out."""
    thin = rows.shared.reshape(rows.data.size, -1)
    parts = (phi * in_full(one.matrix) for phi, one in zip(variances, rows.components, strict=True))
    return in_full(rows.known) + thin @ thin.T + sum(parts)


def projector_of(rows, variances):
    """P = V⁻¹ − V⁻¹X(XᵀV⁻¹X)⁻¹XᵀV⁻¹, written out, and the covariance of β."""
    inverse = np.linalg.inv(covariance_of(rows, variances))
    x = rows.design.reshape(rows.data.size, -1)
    covariance = np.linalg.inv(x.T @ inverse @ x)
    return inverse - inverse @ x @ covariance @ x.T @ inverse, covariance


def test_a_fit_in_blocks_is_that_of_the_full_covariance(rows):
    fit, at = fit_at(rows, [0.7, 1.4]), (0.7, 1.4)
    p, covariance = projector_of(rows, at)
    x, d = rows.design.reshape(N * B, -1), rows.data.reshape(-1)
    inverse = np.linalg.inv(covariance_of(rows, at))
    assert fit.covariance == pytest.approx(covariance)
    assert fit.coefficients == pytest.approx(covariance @ x.T @ inverse @ d)
    assert fit.weights.reshape(2, -1) == pytest.approx(covariance @ x.T @ inverse)
    assert fit.scaled_residuals.reshape(-1) == pytest.approx(p @ d)
    # The likeliest unknowns, J' P d, and what is left of their variance.
    thin = rows.shared.reshape(N * B, M)
    assert fit.joint[2:] == pytest.approx(thin.T @ p @ d)
    assert fit.joint_covariance[2:, 2:] == pytest.approx(np.eye(M) - thin.T @ p @ thin)
    acts = in_full(rows.components[0].matrix)
    total = np.diag(in_full(fit.own))[::2] / np.diag(acts)[::2]
    expected = np.trace(p @ acts @ p @ acts) * total.mean() ** 2
    assert degrees_of_freedom(rows, fit, 0) == pytest.approx(expected)


def test_the_grid_has_the_likelihood_of_the_full_covariance(rows):
    grid, x = variance_grid(rows), rows.design.reshape(N * B, -1)
    assert grid.weights.sum() == pytest.approx(1)

    def log(at):
        v, (p, _) = covariance_of(rows, at), projector_of(rows, at)
        d = rows.data.reshape(-1)
        normal = x.T @ np.linalg.solve(v, x)
        squares = d @ p @ d
        return -0.5 * (np.linalg.slogdet(v)[1] + np.linalg.slogdet(normal)[1] + squares)

    some = np.linspace(0, len(grid.weights) - 1, 5).astype(int)
    expected = np.array([log(grid.variances[at]) for at in some])
    assert np.diff(grid.log_likelihood[some]) == pytest.approx(np.diff(expected), abs=1e-8)
    # And beside it the density beforehand: log-normal standard deviations.
    stated = sum(
        norm.logpdf(np.log(grid.variances[some, at]) / 2, 0.0, log_sd)
        for at, log_sd in enumerate((0.5, 0.4))
    )
    assert np.diff(np.log(grid.weights[some])) == pytest.approx(
        np.diff(expected + stated), abs=1e-8
    )


@pytest.mark.parametrize("data", [[1.0, 1.2, 0.9, 1.3, 4.4, -0.4], [1.0, 1.1, 9.0, 1.2, 1.1, 1.0]])
def test_an_interval_is_that_of_the_densities_written_out(data):
    """Rows of unlike known noise: the mean moves with the scatter, and both are averaged over."""
    known = np.array([0.01, 0.01, 0.02, 0.02, 1.5, 1.5])
    data, usual, log_sd = np.array(data), 0.3, 0.5
    rows = Rows(
        data[:, None], np.ones((6, 1, 1)), np.zeros((6, 1, 0)), known[:, None, None],
        (Component(np.ones((6, 1, 1)), usual**2, log_sd),),
    )  # fmt: skip
    found = spread(average_over_variances(rows, variance_grid(rows)), np.array([1.0]))

    def at(sd):
        weight = 1 / (known + sd**2)
        mean = weight @ data / weight.sum()
        squares = weight @ (data - mean) ** 2
        density = np.exp(-0.5 * (squares - np.log(weight).sum() + np.log(weight.sum())))
        return density * norm.pdf(np.log(sd / usual), 0, log_sd) / sd, mean, weight.sum() ** -0.5

    def integral(of):
        return quad(lambda log: of(np.exp(log)) * np.exp(log), -5, 4, limit=300, epsabs=0)[0]

    total = integral(lambda sd: at(sd)[0])

    def below(x):
        def part(sd):
            density, mean, own = at(sd)
            return density * norm.cdf(x, mean, own)

        return integral(part) / total

    assert below(found.low) == pytest.approx(0.025, abs=2e-4)
    assert below(found.high) == pytest.approx(0.975, abs=2e-4)
    assert found.value == pytest.approx(integral(lambda sd: at(sd)[0] * at(sd)[1]) / total, 1e-3)
    assert found.p_value == pytest.approx(2 * min(below(0.0), 1 - below(0.0)), rel=0.01)


def test_a_well_known_variance_is_not_lost_between_the_points_of_the_grid():
    """With five thousand rows the interval of a mean is the normal one."""
    data = np.random.default_rng(7).normal(5.0, 0.02, (5000, 1))
    ones = np.ones((5000, 1, 1))
    rows = Rows(data, ones, np.zeros((5000, 1, 0)), 0 * ones, (Component(ones, 0.04**2, 0.5),))
    found = spread(average_over_variances(rows, variance_grid(rows)), np.array([1.0]))
    error = data.std(ddof=1) / np.sqrt(5000)
    assert found.sd == pytest.approx(error, rel=1e-3)
    assert (found.low, found.high) == pytest.approx(
        (data.mean() - 1.96 * error, data.mean() + 1.96 * error), abs=0.003 * error
    )
    assert found.dof > 1000


def test_a_scatter_far_from_what_is_usual_is_found_all_the_same():
    """Ten times as much as usual, shown by sixty rows."""
    data = np.random.default_rng(3).normal(0.0, 10.0, (60, 1))
    ones = np.ones((60, 1, 1))
    rows = Rows(data, ones, np.zeros((60, 1, 0)), 0 * ones, (Component(ones, 1.0, 0.5),))
    assert np.sqrt(variance_grid(rows).middle[0]) == pytest.approx(data.std(ddof=1), rel=0.1)


def test_a_row_is_held_against_what_the_others_say_without_it(rows):
    """Against fits from which the row is gone, by their own grids."""
    held, grid = left_out(rows, variance_grid(rows)), None
    for at in (0, 4, 7):
        known = rows.known.copy()
        known[at] = [[1e9, 0.0], [0.0, known[at, 1, 1]]]
        grid = variance_grid(Rows(rows.data, rows.design, rows.shared, known, rows.components))
        tail = 0.0
        far = held.off[at, 0]
        for variances, weight in zip(grid.variances, grid.weights, strict=True):
            p, _ = projector_of(rows, variances)
            off = (p @ rows.data.reshape(-1))[at * B] / p[at * B, at * B]
            tail += weight * norm.cdf(-abs(off) * np.sqrt(p[at * B, at * B]))
            far -= weight * off
        assert far == pytest.approx(0, abs=0.01)
        assert norm.cdf(-held.distance[at, 0]) == pytest.approx(tail, rel=0.02)


def test_nothing_speaks_of_a_row_that_is_alone():
    ones = np.ones((3, 1, 1))
    design = np.array([[[1.0, 0]], [[1.0, 0]], [[0, 1.0]]])
    rows = Rows(
        np.array([[0.0], [1.0], [50.0]]), design, np.zeros((3, 1, 0)), 0 * ones,
        (Component(ones, 1.0, 0.5),),
    )  # fmt: skip
    held = left_out(rows, variance_grid(rows))
    assert held.off[2, 0] == held.distance[2, 0] == 0
    assert held.off[:2, 0] == pytest.approx([-1.0, 1.0])


def test_many_rows_are_taken_in_pieces(rows, monkeypatch):
    whole = average_over_variances(rows, variance_grid(rows))
    monkeypatch.setattr(mixed_model, "_AT_ONCE", 2000)
    pieces = average_over_variances(rows, variance_grid(rows))
    assert pieces.means == pytest.approx(whole.means)
    assert pieces.weights == pytest.approx(whole.weights)


@pytest.mark.parametrize("size", [1, 2, 3])
def test_blocks_are_inverted_as_matrices_are(size):
    blocks = np.random.default_rng(size).normal(size=(4, 5, size, size))
    blocks = blocks @ blocks.swapaxes(-1, -2) + np.eye(size)
    inverse, log = mixed_model._inverse(blocks)
    assert inverse == pytest.approx(np.linalg.inv(blocks))
    assert log == pytest.approx(-np.linalg.slogdet(blocks)[1].sum(-1))
