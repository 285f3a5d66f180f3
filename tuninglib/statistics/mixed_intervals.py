"""Intervals that average over what the unknown variances could be.

With few repeats a variance is poorly known. For a plain mean this averaging gives Student's t;
beside a known variance, which puts a floor under the total, it stays right where rules for
approximate degrees of freedom are far too wide.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from tuninglib.statistics._block_matrix import blocks_of, flat, rows_of
from tuninglib.statistics.repeats import t_quantile

# Grid of the first variance: points, and how far it reaches beyond the likely value; every so
# many are worked out first, then the neighbours of those that matter.
_POINTS, _REACH, _STRIDE = 64, 1e6, 8
# Points of a smaller weight, or so far below the best in log weight, do not matter; with fewer
# than so many that do, the grid is made finer.
_LEAST, _MATTERS, _FEWEST = 1e-9, 24.0, 12
# A part's values below that, of the largest, are rounding; widths of bins of their logarithms, and
# how exact the nodes in a bin are.
_NOTHING, _BIN, _EXACT = 1e-14, 2.0, 1e-14
# Numbers in one copy of the rows.
_AT_ONCE = 4_000_000
# Grid of the second, relative to its likely value.
_SECOND = np.exp(np.linspace(-2.0, 2.0, 5))

# Ratio of the 95 % to the 68.27 % half-width of Student's t, by degrees of freedom.
_DOFS = np.concatenate([np.linspace(0.3, 1, 8)[:-1], np.geomspace(1, 1e4, 120)])
_ONE_SIGMA = ndtr(1.0)
_WIDTH_RATIOS = t_quantile(0.975, _DOFS) / t_quantile(_ONE_SIGMA, _DOFS)


@dataclass(frozen=True)
class VarianceMixture:
    """Normal distributions of the coefficients, each with its weight.

    Attributes
    ----------
    means : array, grid by k
    covariances : array, grid by k by k
    weights : array, grid
        Sum to 1.
    """

    means: np.ndarray
    covariances: np.ndarray
    weights: np.ndarray


@dataclass(frozen=True)
class Spread:
    """A contrast of coefficients with its 95 % interval.

    Attributes
    ----------
    value, low, high : float
    p_value : float
        Against zero, two-sided.
    sd, dof : float
        Of the Student's t distribution with the same 95 % and 68 % widths.
    """

    value: float
    low: float
    high: float
    p_value: float
    sd: float
    dof: float


def average_over_variances(data, design, known, components, fit, *, shared=None) -> VarianceMixture:
    """Coefficients for every pair of variances on a grid, with the weight of each.

    Parameters
    ----------
    data, design, known, components, shared
        As given to :func:`tuninglib.statistics.mixed_model.fit_mixed`: none, one or two components.
    fit : MixedFit
        Its result.

    Returns
    -------
    VarianceMixture
        Of β, then of z where there is something shared.

    Notes
    -----
    The weight is the restricted likelihood times the square root of its information on each
    variance (Jeffreys' rule, 1/φ where nothing else adds to φ), times what was stated of them. A
    variance that is rarely above some value has a tail of φ to the power of -3/2.
    For each second variance one eigenvalue decomposition of the blocks serves the whole grid of
    the first. Points are worked out where they can matter; where the variance is so well known
    that few do, a finer grid takes over.

    Examples
    --------
    The interval of a plain mean is Student's:

    >>> import numpy as np
    >>> from tuninglib.statistics.mixed_model import Component, fit_mixed
    >>> data, ones, none = np.array([1.0, 2.0, 6.0]), np.ones((3, 1)), np.zeros((3, 3))
    >>> parts = [Component(np.eye(3), start=1.0)]
    >>> fit = fit_mixed(data, ones, none, parts)
    >>> found = spread(average_over_variances(data, ones, none, parts, fit), np.array([1.0]))
    >>> found.low, found.high
    (-3.5, 9.5)
    """
    if not components:
        return VarianceMixture(fit.joint[None], fit.joint_covariance[None], np.ones(1))
    rows = rows_of(data, design, known, shared)
    grid = _Grid(rows, components, fit)
    points = np.geomspace(1, _REACH, _POINTS)
    found = _evaluated(grid, points, np.arange(0, _POINTS, _STRIDE))
    weights = np.exp(found.log - found.log.max())
    if np.sum(weights > _LEAST) < _FEWEST * len(np.unique(found.second[weights > _LEAST])):
        at = points[np.unique(found.place[weights > _LEAST])]
        step = points[1] / points[0]
        points = np.geomspace(at.min() / step, at.max() * step, _POINTS)
        points = points[points >= 1.0]
        found = _evaluated(grid, points, np.arange(0, points.size, _STRIDE))
        weights = np.exp(found.log - found.log.max())
    weights /= weights.sum()
    kept = weights > _LEAST
    weights = weights[kept] / weights[kept].sum()
    return VarianceMixture(found.mean[kept], found.covariance[kept], weights)


class _Found(NamedTuple):
    """Points of the grid that were worked out, with the place of each."""

    second: np.ndarray
    place: np.ndarray
    log: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray


class _Grid:
    """Log weight and coefficients at pairs of variances."""

    def __init__(self, rows, components, fit):
        self.rows, self.first = rows, components[0]
        self.other = components[1] if len(components) > 1 else None
        self.seconds = [None]
        if self.other is not None:
            self.seconds = _SECOND * max(fit.variances[1], 1e-3 * self.other.start)
        # Steps are even in log(φ + scale), where scale is about the noise that φ adds to.
        first = self.first
        known = fit.information[0, 0] + first.prior_dof / 2 / first.start**2
        scale = 1 / np.sqrt(max(known, 1e-300))
        self.scale = np.clip(scale, 1e-4 * first.start, 1e6 * first.start)
        self.lowest = 1e-2 * self.scale
        self._turned = {}
        self.start = fit.joint

    def at(self, number, points):
        """Log weight, coefficients and covariance at some points for one second variance."""
        first, second = self.first, self.seconds[number]
        if number not in self._turned:
            own = self.rows.known + self.lowest * blocks_of(first.matrix)
            if second is not None:
                own = own + second * blocks_of(self.other.matrix)
            self._turned[number] = _turned(self.rows, own, blocks_of(first.matrix), self.start)
        added = self.scale * (points - 1)
        phi = added + self.lowest
        log, information, mean, covariance = _along(self._turned[number], self.rows.prior, added)
        information = information + first.prior_dof / phi**2
        log = log + 0.5 * np.log(np.maximum(information, 1e-300)) + np.log(phi + self.scale)
        log = log - first.prior_dof / 2 * (np.log(phi) + first.start / phi)
        log = log - 0.5 * np.log1p(phi / first.rarely_above)
        if second is not None:
            stated = self.other
            log = log - stated.prior_dof / 2 * (np.log(second) + stated.start / second)
            log = log - 0.5 * np.log1p(second / stated.rarely_above)
        return log, mean, covariance


def _evaluated(grid, points, start) -> _Found:
    """Points worked out outwards from some that span the grid, as far as they can matter."""
    parts, best = [], -np.inf
    # The likely value of the second variance first, then outwards while it can matter.
    middle = len(grid.seconds) // 2
    for side in (range(middle, len(grid.seconds)), range(middle - 1, -1, -1)):
        for number in side:
            log = np.full(points.size, -np.inf)
            mean = np.zeros((points.size, grid.rows.columns))
            covariance = np.zeros((*mean.shape, mean.shape[-1]))
            todo, done = start, np.zeros(points.size, dtype=bool)
            while todo.size:
                log[todo], mean[todo], covariance[todo] = grid.at(number, points[todo])
                done[todo] = True
                near = np.flatnonzero(log > log.max() - _MATTERS)
                reach = np.arange(-_STRIDE // 2, _STRIDE // 2 + 1)
                reach = np.clip(near[:, None] + reach, 0, points.size - 1)
                todo = np.setdiff1d(reach, np.flatnonzero(done))
            place = np.flatnonzero(done)
            parts.append(
                _Found(np.full(place.size, number), place, log[place], mean[place],
                       covariance[place])
            )  # fmt: skip
            best = max(best, log.max())
            if log.max() < best - _MATTERS:
                break
    return _Found(*(np.concatenate(column) for column in zip(*parts, strict=True)))


class _Turned(NamedTuple):
    """Sums over rows, turned so that B and the first variance's part K of it are diagonal.

    With r the data less X b₀, and K's diagonal as the rows' values, every sum of f(value) over rows
    is a sum over few nodes, as f is smooth: see :func:`_nodes`.

    Attributes
    ----------
    start : array, p
        b₀.
    upper : tuple of array
        Rows and columns of what is kept of a symmetric matrix.
    fixed : array
        Of [X r]ᵀ [X r], of rows whose value is 0.
    nodes, counts : array, j
        Values, and how many rows each stands for.
    products : array, j by pairs
        The same as ``fixed``, of the rows that each node stands for.
    log_root : float
        Half the logarithm of the determinant that was turned away.
    """

    start: np.ndarray
    upper: tuple
    fixed: np.ndarray
    nodes: np.ndarray
    counts: np.ndarray
    products: np.ndarray
    log_root: float


def _turned(rows, own, part, start) -> _Turned:
    root = np.linalg.cholesky(own)
    half = np.linalg.solve(root, np.broadcast_to(part, own.shape))
    values, vectors = np.linalg.eigh(np.linalg.solve(root, half.transpose(0, 2, 1)))
    left = rows.data - rows.design.at(start)
    design = rows.design.times(np.eye(rows.columns))
    both = np.concatenate([design, left[..., None]], axis=-1)
    turned = flat(vectors.transpose(0, 2, 1) @ np.linalg.solve(root, both))
    log_root = np.log(np.diagonal(root, axis1=1, axis2=2)).sum()
    values = values.reshape(-1)
    acts = values > _NOTHING * values.max()
    upper = _pairs(turned.shape[1], rows.design.groups)
    still = turned[~acts]
    nodes, counts, products = _nodes(values[acts], turned[acts], upper)
    return _Turned(start, upper, (still.T @ still)[upper], nodes, counts, products, log_root)


def _pairs(columns, groups) -> tuple:
    """Upper triangle without the pairs of two groups: no row has a part in both."""
    one, other = np.triu_indices(columns)
    met = (one == other) | (other >= groups)
    return one[met], other[met]


def _nodes(values, rows, upper) -> tuple:
    """Nodes in place of values, with the rows' products shared out among them.

    1/(1 + t v), its powers and its logarithm are analytic in log v with the nearest singularity π
    away, so that polynomials in log v on Chebyshev's nodes are exact to rounding ([1]_, theorems
    5.2 and 8.2). Bins are two wide in log v; where there are fewer rows than nodes, each row is
    its own.

    References
    ----------
    .. [1] L. N. Trefethen, Approximation Theory and Approximation Practice, SIAM 2013.
    """
    logs = np.log(values)
    place = np.floor((logs - logs.min(initial=0.0)) / _BIN).astype(int)
    found = [[], [], []]
    for one in np.unique(place):
        own = place == one
        low, high = logs[own].min(), logs[own].max()
        apart = max((high - low) / 2, 1e-9)
        # Bernstein's ellipse through the singularity.
        reach = np.pi / apart
        count = int(np.ceil(-np.log(_EXACT) / np.log(reach + np.hypot(reach, 1)))) + 2
        if own.sum() <= count:
            pairs = rows[own][:, upper[0]] * rows[own][:, upper[1]]
            parts = values[own], np.ones(own.sum()), pairs
        else:
            angle = np.pi * (np.arange(count) + 0.5) / count
            nodes = (low + high) / 2 + apart * np.cos(angle)
            share = _shared_out(logs[own], nodes, (-1.0) ** np.arange(count) * np.sin(angle))
            products = np.zeros((count, upper[0].size))
            some = max(1, _AT_ONCE // upper[0].size)
            for begin in range(0, len(share), some):
                piece = rows[own][begin : begin + some]
                pairs = piece[:, upper[0]] * piece[:, upper[1]]
                products += share[begin : begin + some].T @ pairs
            parts = np.exp(nodes), share.sum(0), products
        for column, part in zip(found, parts, strict=True):
            column.append(part)
    return tuple(map(np.concatenate, found))


def _shared_out(points, nodes, weights):
    """By how much each point's polynomial follows each node: the barycentric formula. n by j"""
    apart = points[:, None] - nodes
    at_node = apart == 0
    share = weights / np.where(at_node, 1.0, apart)
    share = np.where(at_node.any(1, keepdims=True), at_node, share)
    return share / share.sum(1, keepdims=True)


def _along(turned, prior, added):
    """Log likelihood, information, coefficients and covariance of B + added × K, each."""
    k, upper = turned.start.size, turned.upper

    def whole(triangles):
        full = np.zeros((len(triangles), k + 1, k + 1))
        full[:, upper[0], upper[1]] = full[:, upper[1], upper[0]] = triangles
        return full

    weight = 1 / (1 + added[:, None] * turned.nodes)  # grid by nodes
    seen = whole(turned.fixed + weight @ turned.products)
    normal = seen[:, :k, :k] + prior
    covariance = np.linalg.inv(normal)
    right = seen[:, :k, k]
    moved = (covariance @ (right - prior @ turned.start)[..., None])[..., 0]
    mean = turned.start + moved
    log = 0.5 * np.log(weight) @ turned.counts - turned.log_root
    squares = seen[:, k, k] - 2 * (moved * right).sum(1) + (mean**2) @ np.diag(prior)
    squares += np.einsum("gi,gij,gj->g", moved, seen[:, :k, :k], moved)
    log -= 0.5 * (np.linalg.slogdet(normal)[1] + squares)
    # tr(P K P K) in these coordinates, where K is diagonal and P = W − W X C Xᵀ W.
    wk = weight * turned.nodes
    once = covariance @ whole((weight * wk) @ turned.products)[:, :k, :k]
    twice = covariance @ whole((weight * wk**2) @ turned.products)[:, :k, :k]
    information = wk**2 @ turned.counts - 2 * np.trace(twice, axis1=1, axis2=2)
    information += (once * once.transpose(0, 2, 1)).sum((1, 2))
    return log, information, mean, covariance


def spread(mixture: VarianceMixture, vector) -> Spread:
    """A contrast of the coefficients with its 95 % interval.

    Parameters
    ----------
    mixture : VarianceMixture
    vector : array, k

    Returns
    -------
    Spread

    Examples
    --------
    >>> import numpy as np
    >>> one = VarianceMixture(np.zeros((1, 1)), np.ones((1, 1, 1)), np.ones(1))
    >>> found = spread(one, np.array([1.0]))
    >>> found.high, found.sd
    (1.96, 1.0)
    """
    vector = np.asarray(vector, dtype=float)
    means = mixture.means @ vector
    sds = np.sqrt(np.einsum("i,gij,j->g", vector, mixture.covariances, vector))
    weights = mixture.weights
    value = float(weights @ means)
    tails = np.array([0.025, 1 - _ONE_SIGMA, _ONE_SIGMA, 0.975])
    # Halving, in steps that grow outwards, finds the neighbourhood even of a tail that is thin;
    # Newton's method the rest.
    usual = sds[np.argmax(weights)]
    reach = np.arcsinh((10 * sds.max() + np.abs(means - value).max()) / usual)
    low, high = np.full(4, -reach), np.full(4, reach)
    for _ in range(10):
        middle = (low + high) / 2
        at = value + usual * np.sinh(middle)
        under = ndtr((at[:, None] - means) / sds) @ weights < tails
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    at = value + usual * np.sinh((low + high) / 2)
    for _ in range(3):
        z = (at[:, None] - means) / sds
        density = np.exp(-(z**2) / 2) / sds @ weights / np.sqrt(2 * np.pi)
        at = at - (ndtr(z) @ weights - tails) / density
    wide, narrow = at[3] - at[0], at[2] - at[1]
    dof = float(np.interp(-wide / narrow, -_WIDTH_RATIOS, _DOFS))
    below = float(ndtr(-means / sds) @ weights)
    return Spread(
        value=value,
        low=float(at[0]),
        high=float(at[3]),
        p_value=min(1.0, 2 * min(below, 1 - below)),
        sd=float(wide / 2 / t_quantile(0.975, dof)),
        dof=dof if dof < _DOFS[-1] else np.inf,
    )
