"""Generalised least squares with variances that are partly known and partly estimated.

``d = X β + J z + e`` with z of unit variance and ``cov e = V_known + Σ φ_j K_j``, in blocks along
the diagonal; ``V`` is the covariance of J z + e. The φ are estimated by restricted maximum
likelihood; :mod:`tuninglib.statistics.mixed_intervals` makes intervals that allow for how poorly
they are known.
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from tuninglib.statistics._block_matrix import (
    Columns,
    Projector,
    blocks_of,
    product,
    root_and_inverse,
    rows_of,
)

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
