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


def flat(rows):
    """n by b by columns as one matrix of n·b rows."""
    return rows.reshape(rows.shape[0] * rows.shape[1], rows.shape[2])


@dataclass(frozen=True)
class Columns:
    """Columns of n by b rows: g of groups of blocks first, then m that act on all.

    Parameters
    ----------
    own : array, n by b
        In the column of the block's group.
    group : array, n
        Of each block, from 0.
    sums : scipy.sparse array, g by n·b
        1 where a row is in a group; g may be 0, and ``own`` then counts for nothing.
    rest : array, n by b by m
    """

    own: np.ndarray
    group: np.ndarray
    sums: csr_array
    rest: np.ndarray

    @property
    def groups(self) -> int:
        return self.sums.shape[0]

    def left(self, blocks) -> "Columns":
        """Every block of rows times a matrix of its own, n by b by b."""
        return replace(self, own=(blocks @ self.own[..., None])[..., 0], rest=blocks @ self.rest)

    def scaled(self, factor) -> "Columns":
        """Every row times a factor, n by b."""
        return replace(self, own=self.own * factor, rest=self.rest * factor[..., None])

    def gram(self, other: "Columns"):
        """Products of these columns with others of the same groups. g + m by g + m"""
        g = self.groups
        found = np.empty((g + self.rest.shape[2], g + other.rest.shape[2]))
        found[g:, g:] = flat(self.rest).T @ flat(other.rest)
        if g:
            found[:g, :g] = np.diag(self.sums @ (self.own * other.own).reshape(-1))
            found[:g, g:] = self._by_group() @ flat(other.rest)
            found[g:, :g] = (other._by_group() @ flat(self.rest)).T
        return found

    def _by_group(self) -> csr_array:
        """The columns of groups as a sparse matrix, g by n·b."""
        at = self.sums.indices
        return csr_array((self.own.reshape(-1)[at], at, self.sums.indptr), shape=self.sums.shape)

    def against(self, rows):
        """Products of the columns with n by b rows. g + m"""
        shared = flat(self.rest).T @ rows.reshape(-1)
        return np.concatenate([self.sums @ (self.own * rows).reshape(-1), shared])

    def at(self, vector):
        """Sum of the columns, each times a number. n by b"""
        found = self.rest @ vector[self.groups :]
        if self.groups:
            found = found + self.own * vector[self.group, None]
        return found

    def times(self, matrix):
        """Product with a matrix of g + m rows. n by b by its columns"""
        found = self.rest @ matrix[self.groups :]
        if self.groups:
            found = found + self.own[..., None] * matrix[self.group][:, None]
        return found

    def forms(self, matrix, other: "Columns"):
        """Each row of these columns times a symmetric matrix times the same of others. n by b"""
        g = self.groups
        found = np.einsum("ibm,ibm->ib", self.rest @ matrix[g:, g:], other.rest)
        if g:
            across = matrix[:g, g:][self.group]
            found = found + self.own * np.einsum("im,ibm->ib", across, other.rest)
            found = found + other.own * np.einsum("im,ibm->ib", across, self.rest)
            found = found + self.own * other.own * np.diag(matrix)[self.group, None]
        return found


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
        own = (self.blocks @ rows[..., None])[..., 0]
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
        dmd = d @ md
        own = np.diagonal(dmd, axis1=1, axis2=2)
        once = own - 2 * u.forms(c, t) + t.forms(csc, t)
        # P (M D M) P, less (P M T) C (P M T)ᵀ with P M T = D M T − T C S.
        own = np.diagonal(dmd @ md, axis1=1, axis2=2)
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
        return self.design.groups + self.design.rest.shape[2]

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
    n, _, k = design.shape
    there = (design != 0).any(axis=1)
    if n == 1 or k < _WORTH_IT or np.any(there.sum(1) > 1):
        none = csr_array((0, design.shape[0] * design.shape[1]))
        rest = np.concatenate([design, shared], axis=-1)
        return Columns(np.zeros(design.shape[:2]), np.zeros(n, dtype=int), none, rest)
    group = there.argmax(1)
    size = n * design.shape[1]
    place = np.repeat(group, design.shape[1]), np.arange(size)
    sums = csr_array((np.ones(size), place), shape=(k, size))
    own = np.take_along_axis(design, group[:, None, None], axis=2)[..., 0]
    return Columns(own, group, sums, shared)
