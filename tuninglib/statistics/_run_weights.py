"""Weights of the runs of a day: each held against what all the others say of it."""

import numpy as np

from tuninglib.statistics._gain_system import problem_of
from tuninglib.statistics.mixed_model import fit_mixed
from tuninglib.statistics.robust import Weighed, settled_weights

# Usual scatter of wheel force from run to run, and how many repeats that is worth (ours). It is the
# yardstick of the weights alone: the intervals rest on the scatter that the runs show.
_USUAL_SD, _PRIOR_DOF = 0.025, 4.0


def run_weights(system, linear, design, gust_dof) -> Weighed:
    """Weights of the rows of data: every run up, then the ways down.

    Parameters
    ----------
    system : tuninglib.statistics._gain_system.System
    linear : tuninglib.statistics._gain_system.Linear
    design : array, n by b by k
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
    up, start = system.up, _USUAL_SD**2
    own = np.einsum("qib,qib->ib", linear.own, linear.own)
    dof = _PRIOR_DOF + system.n - design.shape[-1]
    first = None

    def leave_out(listed):
        nonlocal first
        weight = system.blocks(listed)
        extra = 1 / weight - 1
        problem, _ = problem_of(system, linear, design, weight, (start, _PRIOR_DOF), gust_dof)
        # Weights are wanted to a thousandth; the last round, which counts, starts where this ends.
        fit = fit_mixed(**problem, first=first, close=1e-4)
        first = fit.variances
        found, phi = fit.projector.diagonal(), fit.variances[0]
        # A run that is alone in its setup is what its setup is: nothing else speaks of it.
        single = found * np.diagonal(fit.own, axis1=1, axis2=2) < 1e-9
        there = np.where(single, 1.0, found)
        off = np.where(single, 0.0, fit.scaled_residuals / there)
        others, slope = _scatter_of_others(fit, up / weight, start, there)
        variance = 1 / there - (own + phi * up) * extra
        variance = variance + (slope - extra * up) * (others - phi)
        variance = np.maximum(variance, 0.05 * start)
        found = off, np.where(single, np.inf, variance), own + others * up
        return tuple(system.listed(one) for one in found)

    group = np.full(system.exists.sum(), -1)
    group[: system.n] = system.runs.setup
    values = system.listed(linear.data)
    return settled_weights(leave_out, group, values, dof - 1)


def _scatter_of_others(fit, matrix, start, there):
    """Scatter that the rows show without each one, by one step of scoring from the common one.

    And by how much the distance's variance changes with the scatter.
    """
    # Without row i, P becomes P - p pᵀ / P_ii.
    phi, p, pd = fit.variances[0], fit.projector, fit.scaled_residuals
    once, twice, trace = p.through(matrix)
    seen = p.times(matrix * pd)
    square = np.sum(matrix * pd**2) - 2 * pd / there * seen + (pd / there) ** 2 * once
    trace = trace - once / there
    information = np.sum(once * matrix) - 2 * twice / there + (once / there) ** 2
    score = square - trace + _PRIOR_DOF * (start / phi**2 - 1 / phi)
    step = score / (information + _PRIOR_DOF / phi**2)
    return np.maximum(phi + step, 0.05 * start), once / there**2
