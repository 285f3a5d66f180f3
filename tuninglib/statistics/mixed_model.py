"""Generalised least squares with variances that are partly known and partly estimated.

``d = X β + e``, ``cov e = V = V_known + Σ φ_j K_j``. The φ are estimated by restricted maximum
likelihood; :mod:`tuninglib.statistics.mixed_intervals` makes intervals that allow for how poorly
they are known.
"""

from dataclasses import dataclass

import numpy as np

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
    variances, variance_covariance : array
        φ, and its covariance by the expected information.
    information : array
        Expected information of φ from the data alone.
    total : array
        V.
    weights : array
        Rows G with β = G d.
    projector : array
        P, which turns the data into V⁻¹ (d − X β).
    scaled_residuals : array
        P d.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    variances: np.ndarray
    variance_covariance: np.ndarray
    information: np.ndarray
    total: np.ndarray
    weights: np.ndarray
    projector: np.ndarray
    scaled_residuals: np.ndarray


def fit_mixed(data, design, known, components, *, first=None) -> MixedFit:
    """Coefficients by generalised least squares, unknown variances by restricted likelihood.

    Parameters
    ----------
    data : array, n
    design : array, n by k
        X, of full column rank.
    known : array, n by n
        The part of the covariance that is known.
    components : sequence of Component
        The parts with an unknown factor, which is kept at zero or above.
    first : array, optional
        Where the search for φ starts, if not at the stated values.

    Returns
    -------
    MixedFit

    Notes
    -----
    Fisher scoring: with P = V⁻¹ − V⁻¹X(XᵀV⁻¹X)⁻¹XᵀV⁻¹ the score of φ_j is
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
    """
    data, design, known = np.asarray(data), np.asarray(design), np.asarray(known)
    phi = np.array([c.start for c in components], dtype=float)
    if first is not None:
        phi = np.maximum(first, 1e-6 * phi)
    state = _state(data, design, known, components, phi)
    for _ in range(_MOST_STEPS):
        score, information = state.score, state.information + state.prior_information
        # A variance at zero that wants to be negative stays there.
        free = (phi > 0) | (score > 0)
        if not free.any():
            break
        step = np.zeros_like(phi)
        step[free] = np.linalg.lstsq(information[np.ix_(free, free)], score[free], rcond=1e-10)[0]
        for _ in range(30):
            trial = np.maximum(phi + step, np.where(state.has_prior, 0.05 * phi, 0.0))
            new = _state(data, design, known, components, trial)
            if new is not None and new.objective <= state.objective + 1e-10:
                break
            step = step / 2
        else:
            break
        moved = np.max(np.abs(trial - phi) / (np.abs(trial) + 1e-3 * state.scale))
        phi, state = trial, new
        if moved < 1e-5:
            break
    information = state.information
    inverse = np.linalg.pinv(information + state.prior_information, rcond=1e-14)
    return MixedFit(
        coefficients=state.beta,
        covariance=state.cov,
        variances=phi,
        variance_covariance=inverse,
        information=information,
        total=state.total,
        weights=state.weights,
        projector=state.projector,
        scaled_residuals=state.pd,
    )


@dataclass(frozen=True)
class _State:
    beta: np.ndarray
    cov: np.ndarray
    weights: np.ndarray
    total: np.ndarray
    projector: np.ndarray
    pd: np.ndarray
    score: np.ndarray
    information: np.ndarray
    prior_information: np.ndarray
    has_prior: np.ndarray
    objective: float
    scale: np.ndarray


def _state(data, design, known, components, phi):
    """Everything at one φ; None where V is singular."""
    total = known + sum(f * c.matrix for f, c in zip(phi, components, strict=True))
    try:
        factor = np.linalg.cholesky(total)
    except np.linalg.LinAlgError:
        return None
    inverse = np.linalg.inv(total)
    vx = inverse @ design
    cov = np.linalg.inv(design.T @ vx)
    cov = (cov + cov.T) / 2
    weights = cov @ vx.T
    beta = weights @ data
    p = inverse - vx @ weights
    pd = p @ data
    pk = [p @ c.matrix for c in components]
    score = np.array(
        [0.5 * (pd @ c.matrix @ pd - np.trace(m)) for c, m in zip(components, pk, strict=True)]
    )
    information = np.array([[0.5 * np.sum(a * b.T) for b in pk] for a in pk])
    information = information.reshape(len(phi), len(phi))
    dof = np.array([c.prior_dof for c in components])
    start = np.array([c.start for c in components])
    has = dof > 0
    safe = np.where(has, np.maximum(phi, 1e-300), 1.0)
    score = score + np.where(has, dof / 2 * (start / safe**2 - 1 / safe), 0.0)
    objective = np.log(np.diag(factor)).sum() + 0.5 * (data @ pd)
    objective -= 0.5 * np.linalg.slogdet(cov)[1]
    objective += np.sum(np.where(has, dof / 2 * (np.log(safe) + start / safe), 0.0))
    return _State(
        beta=beta, cov=cov, weights=weights, total=total, projector=p, pd=pd, score=score,
        information=information, prior_information=np.diag(np.where(has, dof / 2 / safe**2, 0.0)),
        has_prior=has, objective=float(objective), scale=start,
    )  # fmt: skip
