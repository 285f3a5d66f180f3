"""Generalised least squares with variances that are partly known and partly estimated.

``d = X β + J z + e`` with z of unit variance and ``cov e = V_known + Σ φ_j K_j``, in blocks along
the diagonal; ``V`` is the covariance of J z + e. The φ are estimated by restricted maximum
likelihood; :mod:`tuninglib.statistics.mixed_model` makes intervals that allow for how poorly
they are known.
"""

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.sparse import csr_array
from scipy.special import ndtr

from tuninglib.statistics.repeats import t_quantile

# Rows in blocks, the columns that act on them, and what a fit makes of both ----------------------
# The covariance of a day's data is blocks along the diagonal plus a product of two thin matrices,
# and so is its inverse: what a run has of its own stands in its block, what runs share in the
# thin ones. Sums, products, diagonals and traces then cost as much as there are rows, not their
# square or cube.
#
# Rows are counted by block and place: vectors are n by b, matrices n by b by columns. Columns
# that belong to one group of blocks each, as a setup's does to its runs, are kept as one.

# From so many groups on their columns are kept as one.
_WORTH_IT = 8
# Blocks of up to so many rows are multiplied place by place.
_SMALL = 2


def flat(rows):
    """n by b by columns as one matrix of n·b rows."""
    return rows.reshape(rows.shape[0] * rows.shape[1], rows.shape[2])


def product(blocks, others):
    """Every block times one of others, n by b by b and n by b by columns.

    Of two rows, it is worked out place by place: thousands of small products cost more to start.
    """
    if blocks.shape[-1] > _SMALL:
        return blocks @ others
    found = np.empty(others.shape)
    for row, column in np.ndindex(others.shape[1:]):
        each = (blocks[:, row, at] * others[:, at, column] for at in range(others.shape[1]))
        found[:, row, column] = sum(each)
    return found


def root_and_inverse(blocks):
    """Cholesky's factor of every block, and every block's inverse. n by b by b each

    Parameters
    ----------
    blocks : array, n by b by b

    Raises
    ------
    numpy.linalg.LinAlgError
        If a block is not positive definite.
    """
    root = np.linalg.cholesky(blocks)
    if blocks.shape[-1] > _SMALL:
        return root, np.linalg.inv(blocks)
    turn = np.zeros(root.shape)
    for at in range(root.shape[-1]):
        turn[:, at, at] = 1 / root[:, at, at]
    if root.shape[-1] == 2:
        turn[:, 1, 0] = -root[:, 1, 0] * turn[:, 0, 0] * turn[:, 1, 1]
    return root, product(turn.transpose(0, 2, 1), turn)


@dataclass(frozen=True)
class Columns:
    """Columns of n by b rows: g of groups of blocks first, then m that act on all.

    Blocks are on the last axis, the long one, along which sums are quick.

    Parameters
    ----------
    own : array, b by n
        In the column of the block's group.
    group : array, n
        Of each block, from 0.
    sums : scipy.sparse array, g by n
        1 where a block is in a group; g may be 0, and ``own`` then counts for nothing.
    rest : array, m by b by n
    """

    own: np.ndarray
    group: np.ndarray
    sums: csr_array
    rest: np.ndarray

    @property
    def groups(self) -> int:
        return self.sums.shape[0]

    @property
    def _long(self):
        """The columns that act on all, m by b·n."""
        return self.rest.reshape(len(self.rest), -1)

    def left(self, blocks) -> "Columns":
        """Every block of rows times a matrix of its own, n by b by b."""
        both = np.concatenate([self.own[None], self.rest])
        if len(self.own) > _SMALL:
            found = (blocks @ both.transpose(2, 1, 0)).transpose(2, 1, 0)
        else:
            found = np.empty(both.shape)
            for row in range(len(self.own)):
                each = (blocks[:, row, at] * both[:, at] for at in range(len(self.own)))
                found[:, row] = sum(each)
        return replace(self, own=found[0], rest=found[1:])

    def scaled(self, factor) -> "Columns":
        """Every row times a factor, n by b."""
        return replace(self, own=self.own * factor.T, rest=self.rest * factor.T)

    def gram(self, other: "Columns"):
        """Products of these columns with others of the same groups. g + m by g + m"""
        g = self.groups
        found = np.empty((g + len(self.rest), g + len(other.rest)))
        found[g:, g:] = self._long @ other._long.T
        if g:
            found[:g, :g] = np.diag(self.sums @ (self.own * other.own).sum(0))
            found[:g, g:] = self.sums @ np.einsum("bn,mbn->nm", self.own, other.rest)
            found[g:, :g] = (self.sums @ np.einsum("bn,mbn->nm", other.own, self.rest)).T
        return found

    def against(self, rows):
        """Products of the columns with n by b rows. g + m"""
        shared = self._long @ rows.T.reshape(-1)
        return np.concatenate([self.sums @ (self.own * rows.T).sum(0), shared])

    def at(self, vector):
        """Sum of the columns, each times a number. n by b"""
        return self.times(np.asarray(vector)[:, None])[..., 0]

    def times(self, matrix):
        """Product with a matrix of g + m rows. n by b by its columns"""
        found = (matrix[self.groups :].T @ self._long).reshape(-1, *self.own.shape)
        if self.groups:
            found = found + self.own * matrix[: self.groups].T[:, None, self.group]
        return np.ascontiguousarray(found.transpose(2, 1, 0))

    def forms(self, matrix, other: "Columns"):
        """Each row of these columns times a symmetric matrix times the same of others. n by b"""
        g = self.groups
        turned = (matrix[g:, g:] @ self._long).reshape(self.rest.shape)
        found = np.einsum("mbn,mbn->bn", turned, other.rest)
        if g:
            across = matrix[g:, :g][:, self.group]
            found += self.own * np.einsum("mn,mbn->bn", across, other.rest)
            found += other.own * np.einsum("mn,mbn->bn", across, self.rest)
            found += self.own * other.own * np.diag(matrix)[self.group]
        return found.T


@dataclass(frozen=True)
class Projector:
    """P = D − T C Tᵀ, which turns data into V⁻¹ (d − X β).

    Parameters
    ----------
    blocks : array, n by b by b
        D.
    turned : Columns
        T.
    covariance : array, g + m by g + m
        C.
    """

    blocks: np.ndarray
    turned: Columns
    covariance: np.ndarray

    def diagonal(self):
        """n by b."""
        own = np.diagonal(self.blocks, axis1=1, axis2=2)
        return own - self.turned.forms(self.covariance, self.turned)

    def times(self, rows):
        """Product with n by b rows."""
        own = product(self.blocks, rows[..., None])[..., 0]
        return own - self.turned.at(self.covariance @ self.turned.against(rows))

    def through(self, factor):
        """Of P M P and P M P M P, with M a diagonal: their diagonals; and the trace of P M.

        Parameters
        ----------
        factor : array, n by b
            M.

        Returns
        -------
        once, twice : array, n by b
        trace : float
        """
        d, t, c = self.blocks, self.turned, self.covariance
        mt = t.scaled(factor)
        u = mt.left(d)  # D M T
        s = t.gram(mt)
        csc = c @ s @ c
        md = factor[..., None] * d
        dmd = product(d, md)
        own = np.diagonal(dmd, axis1=1, axis2=2)
        once = own - 2 * u.forms(c, t) + t.forms(csc, t)
        # P (M D M) P, less (P M T) C (P M T)ᵀ with P M T = D M T − T C S.
        own = np.diagonal(product(dmd, md), axis1=1, axis2=2)
        again = u.scaled(factor).left(d)
        twice = own - 2 * again.forms(c, t) + t.forms(c @ mt.gram(u) @ c, t)
        twice = twice - u.forms(c, u) + 2 * u.forms(csc, t) - t.forms(csc @ s @ c, t)
        plain = np.diagonal(d, axis1=1, axis2=2)
        return once, twice, float((plain * factor).sum() - np.sum(c * s.T))


def blocks_of(matrix):
    """A matrix of one block, or of blocks, as blocks."""
    matrix = np.asarray(matrix, dtype=float)
    return matrix[None] if matrix.ndim == 2 else matrix


@dataclass(frozen=True)
class Rows:
    """Data with all that acts on them, by block and place.

    Parameters
    ----------
    data : array, n by b
    design : Columns
        X, then J.
    fixed : int
        k
    known : array, n by b by b
    """

    data: np.ndarray
    design: Columns
    fixed: int
    known: np.ndarray

    @property
    def columns(self) -> int:
        """k + m"""
        return self.design.groups + len(self.design.rest)

    @property
    def prior(self):
        """Precision that z brings along: 1 each; β has none."""
        return np.diag((np.arange(self.columns) >= self.fixed).astype(float))


def rows_of(data, design, known, shared=None) -> Rows:
    """Data as given to :func:`fit_mixed`, in blocks.

    Parameters
    ----------
    data, design, known, shared
        As :func:`tuninglib.statistics.mixed_model.fit_mixed` takes them; without an axis for
        blocks all is one block.
    """
    data, design, known = (np.asarray(one, dtype=float) for one in (data, design, known))
    shared = np.zeros((*data.shape, 0)) if shared is None else np.asarray(shared, dtype=float)
    if data.ndim == 1:
        data, design, known, shared = data[None], design[None], known[None], shared[None]
    return Rows(data, columns_of(design, shared), design.shape[-1], known)


def columns_of(design, shared) -> Columns:
    """Columns of X and J, those of X by group where each block has but one.

    Parameters
    ----------
    design, shared : array, n by b by k, n by b by m
    """
    n, b, k = design.shape
    there = (design != 0).any(axis=1)
    if n == 1 or k < _WORTH_IT or np.any(there.sum(1) > 1):
        rest = np.concatenate([design, shared], axis=-1)
        own, group, sums = np.zeros((b, n)), np.zeros(n, dtype=int), csr_array((0, n))
    else:
        group, rest = there.argmax(1), shared
        sums = csr_array((np.ones(n), (group, np.arange(n))), shape=(k, n))
        own = np.take_along_axis(design, group[:, None, None], axis=2)[..., 0].T
    return Columns(np.ascontiguousarray(own), group, sums, rest.transpose(2, 1, 0).copy())


# Generalised least squares with variances that are partly known and partly estimated -------------

_MOST_STEPS = 100


@dataclass(frozen=True)
class Component:
    """One unknown variance φ, with the matrix that it multiplies.

    Parameters
    ----------
    matrix : array
        K: cov of the data for φ = 1.
    start : float
        Stated φ: the start of the search, and the centre of the prior if there is one.
    prior_dof : float
        How many degrees of freedom the stated value is worth; 0 leaves it to the data.
    rarely_above : float
        Beyond it a larger φ is ever less likely beforehand, as that of a half-Cauchy standard
        deviation is ([1]_, section 5.2); for intervals alone, the likeliest φ is that of the data.

    References
    ----------
    .. [1] A. Gelman, Prior distributions for variance parameters in hierarchical models, Bayesian
       Analysis 1 (2006), 515-534 (from memory).
    """

    matrix: np.ndarray
    start: float
    prior_dof: float = 0.0
    rarely_above: float = np.inf


@dataclass(frozen=True)
class MixedFit:
    """Coefficients, their covariance and the estimated variances.

    Attributes
    ----------
    coefficients, covariance : array
        β and its covariance.
    joint, joint_covariance : array
        β, then the likeliest z, and the covariance of both together.
    variances : array
        φ.
    projector : Projector
        P, which turns the data into V⁻¹ (d − X β).
    scaled_residuals : array, in the shape of the data
        P d.
    own : array
        Covariance of what the rows do not share, in blocks: V − J Jᵀ.
    """

    # Of what is asked for seldom, no more is worked out than is asked for.

    coefficients: np.ndarray
    covariance: np.ndarray
    joint: np.ndarray
    joint_covariance: np.ndarray
    variances: np.ndarray
    projector: Projector
    scaled_residuals: np.ndarray
    own: np.ndarray
    _state: "_State" = field(repr=False)

    @property
    def information(self):
        """Expected information of φ from the data alone."""
        return self._state.information

    @cached_property
    def variance_covariance(self):
        """Covariance of φ by the expected information."""
        known = self._state.information + self._state.prior_information
        return np.linalg.pinv(known, rcond=1e-14)

    @cached_property
    def weights(self):
        """G with β = G d: k rows in the shape of the data."""
        found = self.projector.turned.times(self.joint_covariance[:, : self.coefficients.size])
        return np.moveaxis(found, -1, 0).reshape(-1, *self.scaled_residuals.shape)


def fit_mixed(data, design, known, components, *, shared=None, first=None, close=1e-5) -> MixedFit:
    """Coefficients by generalised least squares, unknown variances by restricted likelihood.

    Parameters
    ----------
    data : array, N, or n by b
        One block of N rows, or n blocks of b rows that have nothing in common but what is shared.
    design : array, data's shape by k
        X, of full column rank.
    known : array, N by N, or n by b by b
        The part of the covariance that is known and not shared by blocks.
    components : sequence of Component
        The parts with an unknown factor, which is kept at zero or above; like ``known``.
    shared : array, data's shape by m, optional
        J: what one standard deviation of each unknown that all blocks share does to the data.
    first : array, optional
        Where the search for φ starts, if not at the stated values.
    close : float
        The search ends where φ moves by less than this share.

    Returns
    -------
    MixedFit

    Notes
    -----
    With B = V_known + Σ φ_j K_j in blocks, β and z together are the least squares of [X J] under
    B⁻¹ with unit precision added for z: with A their normal matrix, log|V| + log|XᵀV⁻¹X| is
    log|B| + log|A| and P is B⁻¹ − B⁻¹[X J] A⁻¹ [X J]ᵀ B⁻¹, so that all costs as much as there are
    rows [2]_. Fisher scoring: with P = V⁻¹ − V⁻¹X(XᵀV⁻¹X)⁻¹XᵀV⁻¹ the score of φ_j is
    ½ (dᵀP K_j P d − tr P K_j) and the information ½ tr(P K_j P K_k) [1]_. A stated value with ν
    degrees of freedom adds the likelihood of a scaled inverse χ² distribution.

    Examples
    --------
    With one unknown variance and a mean, the sample variance comes back:

    >>> import numpy as np
    >>> fit = fit_mixed(np.array([1.0, 2.0, 6.0]), np.ones((3, 1)), np.zeros((3, 3)),
    ...                 [Component(np.eye(3), start=1.0)])
    >>> fit.coefficients, fit.variances
    (array([3.]), array([7.]))

    References
    ----------
    .. [1] H. D. Patterson, R. Thompson, Recovery of inter-block information when block sizes
       are unequal, Biometrika 58 (1971), 545-554.
    .. [2] C. R. Henderson, Best linear unbiased estimation and prediction under a selection model,
       Biometrics 31 (1975), 423-447.
    """
    shape = np.shape(data)
    rows = rows_of(data, design, known, shared)
    parts = [blocks_of(one.matrix) for one in components]
    stated = np.array([c.start for c in components], dtype=float)
    dof = np.array([c.prior_dof for c in components], dtype=float)
    phi = stated
    if first is not None:
        phi = np.maximum(first, 1e-6 * phi)
    state = _state(rows, parts, phi, stated, dof)
    for _ in range(_MOST_STEPS):
        # As far as sums of so many rows can be told apart.
        same = 1e-10 + 1e-13 * abs(state.objective)
        score, information = state.score, state.information + state.prior_information
        # A variance at zero that wants to be negative stays there.
        free = (phi > 0) | (score > 0)
        if not free.any():
            break
        step = np.zeros_like(phi)
        step[free] = np.linalg.lstsq(information[np.ix_(free, free)], score[free], rcond=1e-10)[0]
        for _ in range(30):
            trial = np.maximum(phi + step, np.where(dof > 0, 0.05 * phi, 0.0))
            new = _state(rows, parts, trial, stated, dof)
            if new is not None and new.objective <= state.objective + same:
                break
            step = step / 2
        else:
            break
        moved = np.max(np.abs(trial - phi) / (np.abs(trial) + 1e-3 * stated))
        phi, state = trial, new
        if moved < close:
            break
    k = rows.fixed
    return MixedFit(
        coefficients=state.joint[:k],
        covariance=state.covariance[:k, :k],
        joint=state.joint,
        joint_covariance=state.covariance,
        variances=phi,
        projector=Projector(state.inverse, state.turned, state.covariance),
        scaled_residuals=state.pd.reshape(shape),
        own=state.own,
        _state=state,
    )


@dataclass(frozen=True)
class _State:
    """Everything at one φ; the information is worked out when it is asked for."""

    joint: np.ndarray
    covariance: np.ndarray
    own: np.ndarray
    inverse: np.ndarray
    turned: Columns
    pd: np.ndarray
    score: np.ndarray
    prior_information: np.ndarray
    objective: float
    moved: tuple
    seen: tuple
    mixed: tuple

    @cached_property
    def information(self):
        """Expected information of φ from the data: ½ tr(P K_j P K_k)."""
        count = len(self.moved)
        found = np.zeros((count, count))
        for k in range(count):
            again = self.moved[k].left(self.inverse)
            for j in range(k, count):
                twice = self.covariance @ self.moved[j].gram(again)
                one = np.einsum("iab,iba->", self.mixed[j], self.mixed[k]) - 2 * np.trace(twice)
                one = 0.5 * (one + np.sum(self.seen[j] * self.seen[k].T))
                found[j, k] = found[k, j] = one
        return found


def _state(rows, parts, phi, stated, dof):
    """Everything at one φ; None where V is singular."""
    own = rows.known + sum(f * part for f, part in zip(phi, parts, strict=True))
    try:
        factor, inverse = root_and_inverse(own)
        turned = rows.design.left(inverse)
        normal = rows.design.gram(turned) + rows.prior
        covariance = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        return None
    covariance = (covariance + covariance.T) / 2
    joint, left = np.zeros(len(normal)), rows.data
    for _ in range(2):
        # The second time, what rounding left over.
        joint = joint + covariance @ (turned.against(left) - rows.prior @ joint)
        left = rows.data - rows.design.at(joint)
    pd = product(inverse, left[..., None])[..., 0]
    moved = tuple(turned.left(part) for part in parts)
    seen = tuple(covariance @ turned.gram(one) for one in moved)
    mixed = tuple(product(inverse, part) for part in parts)
    trace = [
        np.einsum("iaa->", one) - np.trace(other) for one, other in zip(mixed, seen, strict=True)
    ]
    score = np.array(
        [
            0.5 * (np.einsum("ia,iab,ib->", pd, part, pd) - t)
            for part, t in zip(parts, trace, strict=True)
        ]
    )
    has = dof > 0
    safe = np.where(has, np.maximum(phi, 1e-300), 1.0)
    score = score + np.where(has, dof / 2 * (stated / safe**2 - 1 / safe), 0.0)
    # dᵀP d, without the difference of two large sums.
    squares = np.sum(left * pd) + joint @ rows.prior @ joint
    objective = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum() + 0.5 * squares
    objective += 0.5 * np.linalg.slogdet(normal)[1]
    objective += np.sum(np.where(has, dof / 2 * (np.log(safe) + stated / safe), 0.0))
    return _State(
        joint=joint, covariance=covariance, own=own, inverse=inverse, turned=turned, pd=pd,
        score=score, prior_information=np.diag(np.where(has, dof / 2 / safe**2, 0.0)),
        objective=float(objective), moved=moved, seen=seen, mixed=mixed,
    )  # fmt: skip


# Intervals that average over what the unknown variances could be ---------------------------------
# With few repeats a variance is poorly known. For a plain mean this averaging gives Student's t;
# beside a known variance, which puts a floor under the total, it stays right where rules for
# approximate degrees of freedom are far too wide.

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
