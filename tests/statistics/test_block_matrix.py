"""Matrices of blocks plus thin products, against the same ones written out in full."""

import numpy as np
import pytest

from tuninglib.statistics._block_matrix import BlockMatrix
from tuninglib.statistics.mixed_intervals import average_over_variances, spread
from tuninglib.statistics.mixed_model import Component, fit_mixed

N, B, M = 9, 2, 3


def in_full(blocks):
    found = np.zeros((N * B, N * B))
    for one in range(N):
        found[one * B : (one + 1) * B, one * B : (one + 1) * B] = blocks[one]
    return found


def full(matrix):
    left, right = (part.reshape(N * B, -1) for part in (matrix.left, matrix.right))
    return in_full(matrix.blocks) + left @ right.T


@pytest.fixture
def pair():
    rng = np.random.default_rng(3)
    return [
        BlockMatrix(*(rng.normal(size=(N, B, k)) for k in (B, columns, columns)))
        for columns in (1, 4)
    ]


def test_products_diagonal_and_trace(pair):
    one, other = pair
    rows = np.random.default_rng(4).normal(size=(N, B, 2))
    assert full(one @ other) == pytest.approx(full(one) @ full(other))
    assert one.times(rows).reshape(N * B, 2) == pytest.approx(full(one) @ rows.reshape(N * B, 2))
    assert one.diagonal().reshape(-1) == pytest.approx(np.diag(full(one)))
    assert other.trace() == pytest.approx(np.trace(full(other)))


def test_blocks_alone_have_nothing_thin():
    blocks = np.random.default_rng(5).normal(size=(N, B, B))
    one = BlockMatrix.of_blocks(blocks)
    assert full(one @ one) == pytest.approx(in_full(blocks) @ in_full(blocks))


@pytest.fixture
def problem():
    """Data in blocks with two unknown variances, and unknowns that all blocks share."""
    rng = np.random.default_rng(6)
    design = np.zeros((N, B, 2))
    design[np.arange(N), 0, np.arange(N) % 2] = 1
    gusts, scatter = rng.normal(size=(N, B)), np.zeros((N, B, B))
    scatter[:, 0, 0] = rng.uniform(0.5, 1.5, N)
    parts = [Component(scatter, 1.0), Component(gusts[..., None] * gusts[:, None], 1.0, 4.0)]
    known = np.array([0.1, 0.2])[:, None] * np.eye(B) * np.ones((N, 1, 1))
    data, shared = rng.normal(size=(N, B)), rng.normal(size=(N, B, M))
    return {"data": data, "design": design, "known": known, "components": parts, "shared": shared}


def written_out(problem):
    """The same as one block, with what is shared as a part of the known covariance."""
    thin = problem["shared"].reshape(N * B, M)
    return {
        "data": problem["data"].reshape(-1),
        "design": problem["design"].reshape(N * B, 2),
        "known": in_full(problem["known"]) + thin @ thin.T,
        "components": [
            Component(in_full(one.matrix), one.start, one.prior_dof)
            for one in problem["components"]
        ],
    }


def test_a_fit_in_blocks_is_that_of_the_full_covariance(problem):
    one, other = fit_mixed(**problem), fit_mixed(**written_out(problem))
    for name in ("coefficients", "covariance", "variances", "information"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-8), name
    assert one.scaled_residuals.reshape(-1) == pytest.approx(other.scaled_residuals)
    assert one.weights.reshape(2, -1) == pytest.approx(other.weights)
    assert full(one.projector) == pytest.approx(
        other.projector.blocks[0] + other.projector.left[0] @ other.projector.right[0].T
    )
    # The likeliest unknowns: J' P d, and what is left of their variance.
    thin = problem["shared"].reshape(N * B, M)
    assert one.joint[2:] == pytest.approx(thin.T @ other.scaled_residuals)
    left = np.eye(M) - thin.T @ full(one.projector) @ thin
    assert one.joint_covariance[2:, 2:] == pytest.approx(left)


def test_an_interval_in_blocks_is_that_of_the_full_covariance(problem):
    fit, other = fit_mixed(**problem), fit_mixed(**written_out(problem))
    one = spread(average_over_variances(**problem, fit=fit), np.array([1.0, -1, 0, 0, 0]))
    two = spread(average_over_variances(**written_out(problem), fit=other), np.array([1.0, -1.0]))
    assert vars(one) == pytest.approx(vars(two), rel=1e-8)


def test_a_well_known_variance_is_not_lost_between_the_points_of_the_grid():
    """With five thousand rows the interval of a mean is the normal one."""
    rng = np.random.default_rng(7)
    data = rng.normal(5.0, 0.02, (5000, 1))
    ones, none = np.ones((5000, 1, 1)), np.zeros((5000, 1, 1))
    parts = [Component(ones, 0.04**2)]
    fit = fit_mixed(data, ones, none, parts)
    found = spread(average_over_variances(data, ones, none, parts, fit), np.array([1.0]))
    error = data.std(ddof=1) / np.sqrt(5000)
    assert found.sd == pytest.approx(error, rel=1e-3)
    assert (found.low, found.high) == pytest.approx(
        (data.mean() - 1.96 * error, data.mean() + 1.96 * error), abs=0.002 * error
    )
    assert found.dof > 1000
