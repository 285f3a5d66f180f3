"""Generalised least squares with variances that are partly known and partly estimated.

``d = X β + J z + e`` with z of unit variance and ``cov e = V_known + Σ φ_j K_j``, in blocks along
the diagonal; ``V`` is the covariance of J z + e. The φ are estimated by restricted maximum
likelihood; :mod:`tuninglib.statistics.mixed_intervals` makes intervals that allow for how poorly
they are known.
"""

from dataclasses import dataclass

import numpy as np

from tuninglib.statistics._block_matrix import BlockMatrix, blocks_of, flat, rows_of

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
    """

    matrix: np.ndarray
    start: float
    prior_dof: float = 0.0


@dataclass(frozen=True)
class MixedFit:
    """Coefficients, their covariance and the estimated variances.

    Attributes
    ----------
    coefficients, covariance : array
        β and its covariance.
    joint, joint_covariance : array
        β, then the likeliest z, and the covariance of both together.
    variances, variance_covariance : array
        φ, and its covariance by the expected information.
    information : array
        Expected information of φ from the data alone.
    weights : array, k rows in the shape of the data
        G with β = G d.
    projector : BlockMatrix
        P, which turns the data into V⁻¹ (d − X β).
    scaled_residuals : array, in the shape of the data
        P d.
    own : array
        Covariance of what the rows do not share, in blocks: V − J Jᵀ.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    joint: np.ndarray
    joint_covariance: np.ndarray
    variances: np.ndarray
    variance_covariance: np.ndarray
    information: np.ndarray
    weights: np.ndarray
    projector: BlockMatrix
    scaled_residuals: np.ndarray
    own: np.ndarray


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
    inverse = np.linalg.pinv(state.information + state.prior_information, rcond=1e-14)
    k, turned = rows.fixed, state.turned
    weights = np.moveaxis(turned @ state.covariance[:, :k], -1, 0)
    return MixedFit(
        coefficients=state.joint[:k],
        covariance=state.covariance[:k, :k],
        joint=state.joint,
        joint_covariance=state.covariance,
        variances=phi,
        variance_covariance=inverse,
        information=state.information,
        weights=weights.reshape(k, *shape),
        projector=BlockMatrix(state.inverse, -turned @ state.covariance, turned),
        scaled_residuals=state.pd.reshape(shape),
        own=state.own,
    )


@dataclass(frozen=True)
class _State:
    joint: np.ndarray
    covariance: np.ndarray
    own: np.ndarray
    inverse: np.ndarray
    turned: np.ndarray
    pd: np.ndarray
    score: np.ndarray
    information: np.ndarray
    prior_information: np.ndarray
    objective: float


def _state(rows, parts, phi, stated, dof):
    """Everything at one φ; None where V is singular."""
    own = rows.known + sum(f * part for f, part in zip(phi, parts, strict=True))
    try:
        factor = np.linalg.cholesky(own)
        inverse = np.linalg.inv(own)
        turned = inverse @ rows.design
        normal = flat(rows.design).T @ flat(turned) + rows.prior
        covariance = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        return None
    covariance = (covariance + covariance.T) / 2
    joint, left = np.zeros(len(normal)), rows.data
    for _ in range(2):
        # The second time, what rounding left over.
        joint = joint + covariance @ (flat(turned).T @ left.reshape(-1) - rows.prior @ joint)
        left = rows.data - rows.design @ joint
    pd = (inverse @ left[..., None])[..., 0]
    moved = [part @ turned for part in parts]
    seen = [covariance @ (flat(turned).T @ flat(one)) for one in moved]
    mixed = [inverse @ part for part in parts]
    trace = [
        np.einsum("iaa->", one) - np.trace(other) for one, other in zip(mixed, seen, strict=True)
    ]
    score = np.array(
        [
            0.5 * (np.einsum("ia,iab,ib->", pd, part, pd) - t)
            for part, t in zip(parts, trace, strict=True)
        ]
    )
    information = np.zeros((len(parts), len(parts)))
    for j in range(len(parts)):
        for k in range(j + 1):
            twice = covariance @ (flat(moved[j]).T @ flat(inverse @ moved[k]))
            found = np.einsum("iab,iba->", mixed[j], mixed[k]) - 2 * np.trace(twice)
            information[j, k] = information[k, j] = 0.5 * (found + np.sum(seen[j] * seen[k].T))
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
        score=score, information=information,
        prior_information=np.diag(np.where(has, dof / 2 / safe**2, 0.0)),
        objective=float(objective),
    )  # fmt: skip
