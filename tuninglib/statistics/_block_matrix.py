"""Large matrices that are blocks along the diagonal, plus a product of two thin ones.

The covariance of a day's data is of this kind, and so is its inverse: what a run has of its own
stands in its block, what runs share in the thin ones. Sums, products, diagonals and traces then
cost as much as there are rows, not their square or cube.

Rows are counted by block and place: vectors are n by b, matrices n by b by columns.
"""

from dataclasses import dataclass

import numpy as np


def flat(rows):
    """n by b by columns as one matrix of n·b rows."""
    return rows.reshape(rows.shape[0] * rows.shape[1], rows.shape[2])


@dataclass(frozen=True)
class BlockMatrix:
    """``D + L Rᵀ`` with D block diagonal.

    Parameters
    ----------
    blocks : array, n by b by b
        D.
    left, right : array, n by b by q
        L and R; q may be 0.
    """

    blocks: np.ndarray
    left: np.ndarray
    right: np.ndarray

    @classmethod
    def of_blocks(cls, blocks) -> "BlockMatrix":
        none = np.zeros((*blocks.shape[:2], 0))
        return cls(blocks, none, none)

    def times(self, rows):
        """Product with n by b by columns."""
        return self.blocks @ rows + self.left @ (flat(self.right).T @ flat(rows))

    def __matmul__(self, other: "BlockMatrix") -> "BlockMatrix":
        turned = other.blocks.transpose(0, 2, 1) @ self.right
        turned = turned + other.right @ (flat(other.left).T @ flat(self.right))
        return BlockMatrix(
            self.blocks @ other.blocks,
            np.concatenate([self.left, self.blocks @ other.left], axis=-1),
            np.concatenate([turned, other.right], axis=-1),
        )

    def diagonal(self):
        """Diagonal, n by b."""
        own = np.diagonal(self.blocks, axis1=1, axis2=2)
        return own + np.einsum("ibq,ibq->ib", self.left, self.right)

    def trace(self) -> float:
        return float(self.diagonal().sum())


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
    design : array, n by b by k + m
        X, then J.
    fixed : int
        k
    known : array, n by b by b
    """

    data: np.ndarray
    design: np.ndarray
    fixed: int
    known: np.ndarray

    @property
    def prior(self):
        """Precision that z brings along: 1 each; β has none."""
        return np.diag((np.arange(self.design.shape[-1]) >= self.fixed).astype(float))


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
    both = np.concatenate([design, shared], axis=-1)
    if data.ndim == 1:
        return Rows(data[None], both[None], design.shape[-1], known[None])
    return Rows(data, both, design.shape[-1], known)
