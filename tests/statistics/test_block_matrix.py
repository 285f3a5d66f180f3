"""Columns by group and what a fit makes of them, against the same matrices written out in full."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from tuninglib.statistics import mixed_model
from tuninglib.statistics.mixed_model import (
    Component,
    Projector,
    average_over_variances,
    columns_of,
    fit_mixed,
    product,
    root_and_inverse,
    spread,
)

N, B, M, G = 9, 2, 3, 4


def in_full(blocks):
    found = np.zeros((N * B, N * B))
    for one in range(N):
        found[one * B : (one + 1) * B, one * B : (one + 1) * B] = blocks[one]
    return found


def pair(seed, few):
    """Columns in both kinds and written out: each block in one group, rows with and without."""
    rng = np.random.default_rng(seed)
    design = np.zeros((N, B, G))
    design[np.arange(N), :, np.arange(N) % G] = rng.normal(size=(N, B))
    design[3] = 0
    shared = rng.normal(size=(N, B, M))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(mixed_model, "_WORTH_IT", 1 if few else 99)
        columns = columns_of(design, shared)
    return columns, np.concatenate([design, shared], axis=-1).reshape(N * B, -1)


@pytest.fixture(params=[True, False], ids=["by group", "written out"])
def both(request):
    return pair(3, request.param), pair(4, request.param), request.param


def test_columns_are_those_written_out(both):
    (one, full), (other, more), few = both
    assert one.groups == (G if few else 0)
    rng = np.random.default_rng(5)
    matrix, rows = rng.normal(size=(G + M, G + M)), rng.normal(size=(N, B))
    blocks, vector = rng.normal(size=(N, B, B)), rng.normal(size=G + M)
    matrix = matrix + matrix.T
    assert one.gram(other) == pytest.approx(full.T @ more)
    assert one.against(rows) == pytest.approx(full.T @ rows.reshape(-1))
    assert one.at(vector).reshape(-1) == pytest.approx(full @ vector)
    assert one.times(matrix).reshape(N * B, -1) == pytest.approx(full @ matrix)
    assert one.forms(matrix, other).reshape(-1) == pytest.approx(np.diag(full @ matrix @ more.T))
    assert one.left(blocks).times(np.eye(G + M)).reshape(N * B, -1) == pytest.approx(
        in_full(blocks) @ full
    )
    assert one.scaled(rows).times(np.eye(G + M)).reshape(N * B, -1) == pytest.approx(
        rows.reshape(-1, 1) * full
    )


def test_the_projector_and_what_goes_through_it(both):
    (one, full), _, _ = both
    rng = np.random.default_rng(6)
    half = rng.normal(size=(N, B, B))
    blocks = half @ half.transpose(0, 2, 1) + np.eye(B)
    root = rng.normal(size=(G + M, G + M))
    covariance = root @ root.T
    p = Projector(blocks, one, covariance)
    whole = in_full(blocks) - full @ covariance @ full.T
    rows, factor = rng.normal(size=(N, B)), rng.uniform(size=(N, B))
    factor[:, 1] = 0
    m = np.diag(factor.reshape(-1))
    assert p.diagonal().reshape(-1) == pytest.approx(np.diag(whole))
    assert p.times(rows).reshape(-1) == pytest.approx(whole @ rows.reshape(-1))
    once, twice, trace = p.through(factor)
    assert once.reshape(-1) == pytest.approx(np.diag(whole @ m @ whole))
    assert twice.reshape(-1) == pytest.approx(np.diag(whole @ m @ whole @ m @ whole))
    assert trace == pytest.approx(np.trace(whole @ m))


@pytest.mark.parametrize("size", [1, 2, 3])
def test_blocks_are_multiplied_and_inverted_as_matrices_are(size):
    rng = np.random.default_rng(9)
    half = rng.normal(size=(N, size, size))
    blocks = half @ half.transpose(0, 2, 1) + 0.1 * np.eye(size)
    root, inverse = root_and_inverse(blocks)
    assert root @ root.transpose(0, 2, 1) == pytest.approx(blocks)
    assert inverse == pytest.approx(np.linalg.inv(blocks))
    assert product(blocks, half) == pytest.approx(blocks @ half)
    rows = rng.normal(size=(N, size, 1))
    assert product(blocks, rows) == pytest.approx(blocks @ rows)
    blocks[4, 0, 0] = -1.0
    with pytest.raises(np.linalg.LinAlgError):
        root_and_inverse(blocks)


@pytest.mark.parametrize("wide", [0.2, 6.0])
def test_nodes_stand_for_rows_whatever_their_weights(wide):
    """Five hundred rows of very unlike scatter: on nodes, and each row by itself."""
    rng = np.random.default_rng(7)
    n = 500
    part = np.exp(wide * rng.normal(size=n))
    data = 3.0 + np.sqrt(part) * rng.normal(size=n)
    stated = {
        "data": data[:, None],
        "design": np.ones((n, 1, 1)),
        "known": 0.3 * np.ones((n, 1, 1)),
        "components": [Component(part[:, None, None], 1.0)],
    }
    fit = fit_mixed(**stated)
    found = average_over_variances(**stated, fit=fit)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tuninglib.statistics.mixed_model._EXACT", 1e-300)
        patch.setattr("tuninglib.statistics.mixed_model._BIN", 1e-3)
        other = average_over_variances(**stated, fit=fit)
    assert found.weights == pytest.approx(other.weights, rel=1e-8, abs=1e-12)
    assert found.means == pytest.approx(other.means, rel=1e-11)
    assert found.covariances == pytest.approx(other.covariances, rel=1e-10)


def whole(projector):
    """Written out in full."""
    shape = projector.blocks.shape[:2]
    size = shape[0] * shape[1]
    return np.column_stack(
        [projector.times(row.reshape(shape)).reshape(-1) for row in np.eye(size)]
    )


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
    assert whole(one.projector) == pytest.approx(whole(other.projector))
    # The likeliest unknowns: J' P d, and what is left of their variance.
    thin = problem["shared"].reshape(N * B, M)
    assert one.joint[2:] == pytest.approx(thin.T @ other.scaled_residuals)
    left = np.eye(M) - thin.T @ whole(one.projector) @ thin
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


@pytest.mark.parametrize("rarely_above", [np.inf, 0.3])
def test_an_interval_is_that_of_the_densities_written_out(rarely_above):
    """Rows of unlike known noise: the mean moves with the scatter, and both are averaged over."""
    data = np.array([1.0, 1.2, 0.9, 1.3, 4.4, -0.4])
    known = np.diag([0.01, 0.01, 0.02, 0.02, 1.5, 1.5])
    ones = np.ones((6, 1))
    parts = [Component(np.eye(6), 0.1, rarely_above=rarely_above)]
    fit = fit_mixed(data, ones, known, parts)
    found = spread(average_over_variances(data, ones, known, parts, fit), np.array([1.0]))
    # By the same rule in full matrices: restricted likelihood, Jeffreys' rule, a fine grid.
    grid = np.geomspace(1e-6, 1e4, 4000)
    log, mean, sd = np.empty((3, grid.size))
    for at, phi in enumerate(grid):
        inverse = np.linalg.inv(known + phi * np.eye(6))
        variance = 1 / (ones.T @ inverse @ ones).item()
        mean[at] = variance * (ones.T @ inverse @ data).item()
        p = inverse - variance * inverse @ ones @ ones.T @ inverse
        log[at] = 0.5 * (np.linalg.slogdet(inverse)[1] + np.log(variance) - data @ p @ data)
        log[at] += 0.5 * np.log(np.trace(p @ p)) + np.log(phi)  # even steps are of the logarithm
        # Far beyond, the tail of a half-Cauchy standard deviation: φ to the power of -3/2.
        log[at] -= 0.5 * np.log(1 + phi / rarely_above)
        sd[at] = np.sqrt(variance)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    points = np.linspace(-6, 8, 28_001)
    below = np.array([weight @ norm.cdf(x, mean, sd) for x in points])
    low, high = np.interp([0.025, 0.975], below, points)
    assert np.ptp(mean[weight > 1e-4]) > 0.05
    # The grid begins a little above zero, which costs a hundredth of the width.
    assert (found.value, found.low, found.high) == pytest.approx(
        (weight @ mean, low, high), rel=0.012
    )


def test_many_rows_are_taken_in_pieces(monkeypatch):
    rng = np.random.default_rng(8)
    n = 300
    stated = {
        "data": rng.normal(size=(n, 1)),
        "design": np.ones((n, 1, 1)),
        "known": rng.uniform(0.1, 0.3, size=(n, 1, 1)),
        "components": [Component(rng.uniform(0.5, 1.5, size=(n, 1, 1)), 1.0)],
    }
    fit = fit_mixed(**stated)
    whole = average_over_variances(**stated, fit=fit)
    monkeypatch.setattr("tuninglib.statistics.mixed_model._AT_ONCE", 100)
    pieces = average_over_variances(**stated, fit=fit)
    assert pieces.means == pytest.approx(whole.means, rel=1e-12)
    assert pieces.covariances == pytest.approx(whole.covariances, rel=1e-11)


def by_the_rule(data, design, known, parts, vector, second):
    """An interval in full matrices: restricted likelihood, Jeffreys' rule, what was stated."""
    one, other = parts
    phi = np.geomspace(1e-4, 1e2, 400)[:, None, None, None]
    inverse = np.linalg.inv(known + phi * one.matrix + second[:, None, None] * other.matrix)
    normal = design.T @ inverse @ design
    beta = np.linalg.solve(normal, (design.T @ inverse @ data)[..., None])[..., 0]
    p = inverse - inverse @ design @ np.linalg.solve(normal, design.T @ inverse)
    pk, phi = p @ one.matrix, phi[..., 0, 0]
    log = np.linalg.slogdet(inverse)[1] - np.linalg.slogdet(normal)[1] - (p @ data) @ data
    log += np.log(np.einsum("...ij,...ji", pk, pk) + one.prior_dof / phi**2) + 2 * np.log(phi)
    for part, value in zip(parts, (phi, second), strict=True):
        log = log - part.prior_dof * (np.log(value) + part.start / value)
        log = log - np.log1p(value / part.rarely_above)
    weight = np.exp((log - log.max()) / 2)
    weight /= weight.sum()
    mean, sd = beta @ vector, np.sqrt(np.linalg.inv(normal) @ vector @ vector)

    def beyond(x, share):
        return np.sum(weight * norm.cdf(x, mean, sd)) - share

    return np.sum(weight * mean), *(brentq(beyond, -20, 20, (share,)) for share in (0.025, 0.975))


@pytest.mark.parametrize(
    ("dof", "unit", "rarely"),
    [
        ((3, 4), 1.0, (np.inf, np.inf)), ((3, 60), 1e5, (np.inf, np.inf)),
        ((400, 4), 1.0, (np.inf, np.inf)), ((2000, 400), 1e-5, (np.inf, np.inf)),
        ((3, 4), 1e3, (0.1, np.inf)), ((3, 4), 1.0, (np.inf, 0.05)), ((3, 4), 1.0, (0.1, 0.05)),
    ],
)  # fmt: skip
def test_an_interval_over_two_variances_is_that_of_the_densities_written_out(dof, unit, rarely):
    """Two setups, days that scatter, and runs of unlike scatter; in whatever unit it is read."""
    data = unit * np.array([1.0, 1.3, 0.2, 1.9, 2.1, 2.9, 1.4, 3.1])
    design = np.array([[1.0, 0.0]] * 4 + [[1.0, 1.0]] * 4)
    days = np.tile(np.eye(4), (2, 2))[:8, :4]
    known = unit**2 * np.diag(np.linspace(0.01, 0.1, 8))
    parts = [
        Component(np.eye(8), 0.2 * unit**2, dof[0], rarely[0] * unit**2),
        Component(
            days @ days.T + np.diag(np.linspace(0, 2, 8)),
            0.3 * unit**2,
            dof[1],
            rarely[1] * unit**2,
        ),
    ]
    fit = fit_mixed(data, design, known, parts)
    mixture = average_over_variances(data, design, known, parts, fit)
    # The second at five values, that is as fine as it is taken; and everywhere.
    few = fit.variances[1] / unit**2 * np.exp(np.linspace(-2, 2, 5))
    everywhere = np.geomspace(0.01, 9, 25)
    plain = [
        Component(one.matrix, one.start / unit**2, one.prior_dof, one.rarely_above / unit**2)
        for one in parts
    ]
    vector = np.array([0.5, 1.0])
    found = spread(mixture, vector)
    ours = np.array([found.value, found.low, found.high]) / unit
    for second, close in ((few, 3e-4), (everywhere, 0.02)):
        told = by_the_rule(data / unit, design, known / unit**2, plain, vector, second)
        assert ours == pytest.approx(told, abs=close * (told[2] - told[1])), close
