"""Weights of the runs of a day: each held against what all the others say of it."""

import numpy as np

from tuninglib.statistics.mixed_model import Component, fit_mixed
from tuninglib.statistics.robust import Weighed, settled_weights

# Usual scatter of wheel force from run to run, and how many repeats that is worth (ours). It is the
# yardstick of the weights alone: the intervals rest on the scatter that the runs show.
_USUAL_SD, _PRIOR_DOF = 0.025, 4.0


def run_weights(system, data, blocks, design, gust_dof) -> Weighed:
    """Weights of the rows of data: every run up, then the ways down.

    Parameters
    ----------
    system : tuninglib.statistics._gain_system.System
    data, blocks
        Of its ``linearise``.
    design : array
    gust_dof : float

    Returns
    -------
    Weighed
        One for each row of data.

    Notes
    -----
    With P of :func:`tuninglib.statistics.mixed_model.fit_mixed` the distance of row i from what the
    others say is (P d)_i / P_ii, of variance 1 / P_ii [1]_. The scatter that goes with it is that
    of the others: one step of Fisher scoring without row i.

    References
    ----------
    .. [1] R. Christensen, L. M. Pearson, W. Johnson, Case-deletion diagnostics for mixed models,
       Technometrics 34 (1992), 38-45.
    """
    up = system.up.astype(float)
    start, n = _USUAL_SD**2, up.size
    squares = [block @ block.T for block in blocks]
    none = np.zeros((n, n))
    known = sum((m for j, m in enumerate(squares) if j != system.gust), none)
    own = sum(
        (np.diag(m) for m, one in zip(squares, system.unknowns, strict=True) if one.each_run),
        np.zeros(n),
    )
    gust = [] if system.gust is None else [Component(squares[system.gust], 1.0, gust_dof)]
    dof = _PRIOR_DOF + up.sum() - design.shape[1]
    first = None

    def leave_out(weight):
        nonlocal first
        extra = 1 / weight - 1
        scatter = Component(np.diag(up / weight), start, _PRIOR_DOF)
        fit = fit_mixed(data, design, known + np.diag(own * extra), [scatter, *gust], first=first)
        first = fit.variances
        p, pd, phi = fit.projector, fit.scaled_residuals, fit.variances[0]
        # A run that is alone in its setup is what its setup is: nothing else speaks of it.
        single = np.diag(p) * np.diag(fit.total) < 1e-9
        there = np.where(single, 1.0, np.diag(p))
        off = np.where(single, 0.0, pd / there)
        others = _scatter_of_others(p, pd, up / weight, phi, start, there)
        variance = 1 / there - (own + phi * up) * extra
        slope = (p**2 @ (up / weight)) / there**2 - extra * up
        variance = np.maximum(variance + slope * (others - phi), 0.05 * start)
        return off, np.where(single, np.inf, variance), own + others * up

    group = np.full(n, -1)
    group[: system.n] = system.runs.setup
    return settled_weights(leave_out, group, data, max(dof - 1, 1.0))


def _scatter_of_others(p, pd, matrix, phi, start, there):
    """Scatter that the rows show without each one, by one step of scoring from the common one."""
    # Without row i, P becomes P - p pᵀ / P_ii.
    rest = pd[None] - p * (pd / there)[:, None]
    pk = p * matrix[None]
    square = rest**2 @ matrix
    diagonal = p**2 @ matrix
    trace = np.trace(pk) - diagonal / there
    twice = np.einsum("ij,j,jk,k,ki->i", p, matrix, p, matrix, p, optimize=True)
    information = np.sum(pk * pk.T) - 2 * twice / there + (diagonal / there) ** 2
    score = square - trace + _PRIOR_DOF * (start / phi**2 - 1 / phi)
    step = score / (information + _PRIOR_DOF / phi**2)
    return np.maximum(phi + step, 0.05 * start)
