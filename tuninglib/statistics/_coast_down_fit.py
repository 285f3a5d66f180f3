"""The fit behind :mod:`~tuninglib.statistics.coast_down`: least squares, a wind for each run."""

import numpy as np

from tuninglib.physics.road_load import RoadLoad
from tuninglib.statistics.mixed_intervals import average_over_variances, spread
from tuninglib.statistics.mixed_model import Component, fit_mixed

_MOST_STEPS = 30


def fit_falls(data, correlation, model, run, direction, start, wind_sd, gust_sd, gust_dof):
    """Gauss-Newton steps, each a mixed fit of the linearised model.

    The search starts at drag area [m2], rolling coefficient, wind [m/s] and whatever the model
    takes beyond these.
    """
    _, place = np.unique(run, return_inverse=True)
    if len(set(direction.tolist())) < 2:
        raise ValueError(
            "all coast-downs went the same way, so that wind and slope look like road load; "
            "ride the same stretch in both directions"
        )
    root = np.linalg.cholesky(correlation)
    fixed = np.array([0, 1, *range(3, start.size)])
    if data.size <= fixed.size + 1:
        raise ValueError(f"{data.size} falls of speed are too few; time at least 4, both ways")
    parameters = start
    winds = np.zeros(place.max() + 1)
    for _ in range(_MOST_STEPS):
        now = model(parameters, winds[place])
        slopes = [(model(parameters + step, winds[place]) - now) / step.sum()
                  for step in np.diag(np.full(parameters.size, 1e-6))[fixed]]  # fmt: skip
        design = np.stack(slopes, axis=1)
        blow = (model(parameters, winds[place] + 1e-5) - now) / 1e-5
        by_run = blow[:, None] * (place[:, None] == np.arange(winds.size))
        target = data - now + design @ parameters[fixed] + by_run @ winds
        columns = np.column_stack([target, design, by_run])
        columns, noise = _condensed(np.linalg.solve(root, columns), place)
        target, design, by_run = np.split(columns, [1, 1 + fixed.size], axis=1)
        target, blow = target[:, 0], by_run.sum(1)
        gust = Component(by_run @ by_run.T, start=gust_sd**2, prior_dof=gust_dof)
        parts, known = [gust, noise], wind_sd**2 * np.outer(blow, blow)
        fit = fit_mixed(target, design, known, parts)
        new = parameters.copy()
        new[fixed] = fit.coefficients
        common = wind_sd**2 * (blow @ fit.scaled_residuals)
        new[2] = common
        new_winds = common + fit.variances[0] * (by_run.T @ fit.scaled_residuals)
        share = 1.0
        while not np.all(np.isfinite(model(_between(parameters, new, share),
                                           _between(winds, new_winds, share)[place]))):  # fmt: skip
            share /= 2
            if share < 1e-3:
                raise ValueError(
                    "no road load explains these coast-downs; check units, directions and times"
                )
        moved = np.max(np.abs(new - parameters))
        parameters = _between(parameters, new, share)
        winds = _between(winds, new_winds, share)
        if moved < 1e-8:
            break
    area, rolling = parameters[:2]
    if area <= 0:
        raise ValueError(
            f"the coast-downs give a drag area of {area:.3g} m2; "
            "use a wider range of speeds, or check the times"
        )
    mixture = average_over_variances(target, design, known, parts, fit)
    found = [spread(mixture, unit) for unit in np.eye(fixed.size)[:2]]
    sds = np.array([one.sd for one in found])
    covariance = fit.covariance[:2, :2]
    if not np.all(np.diag(covariance) > 0):
        raise ValueError(
            f"{data.size} falls of speed fit so closely that they do not tell how far off they "
            "are; time more, both ways"
        )
    own = np.sqrt(np.diag(covariance))
    return RoadLoad(
        drag_area_m2=float(area),
        rolling_coefficient=float(rolling),
        covariance=covariance * np.outer(sds / own, sds / own),
        dof=min(one.dof for one in found),
        headwind_m_s=float(parameters[2]),
        source=f"{winds.size} coast-downs",
    )


def _condensed(columns, place):
    """The same rows turned within each run so that only a few hold signal, and the noise left.

    What stands at right angles to all slopes of a run is noise alone: it says how large the noise
    is, with so many degrees of freedom, and nothing else.
    """
    rows, squares, dof = [], 0.0, 0
    for one in range(place.max() + 1):
        own = columns[place == one]
        slopes = own[:, 1:]
        base, values, _ = np.linalg.svd(slopes, full_matrices=False)
        base = base[:, values > 1e-12 * values[0]]
        turned = base.T @ own
        rows.append(turned)
        squares += own[:, 0] @ own[:, 0] - turned[:, 0] @ turned[:, 0]
        dof += own.shape[0] - base.shape[1]
    rows = np.concatenate(rows)
    start = max(squares / dof, 1e-8) if dof else 0.1**2
    return rows, Component(np.eye(len(rows)), start=start, prior_dof=dof)


def _between(old, new, share):
    return old + share * (new - old)
