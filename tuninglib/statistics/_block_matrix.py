"""Rows in blocks, the columns that act on them, and what a fit makes of both.

The covariance of a day's data is blocks along the diagonal plus a product of two thin matrices, and
so is its inverse: what a run has of its own stands in its block, what runs share in the thin ones.
Sums, products, diagonals and traces then cost as much as there are rows, not their square or cube.

Rows are counted by block and place: vectors are n by b, matrices n by b by columns. Columns that
belong to one group of blocks each, as a setup's does to its runs, are kept as one.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csr_array

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
