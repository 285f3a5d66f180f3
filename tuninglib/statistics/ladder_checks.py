"""Doubts about what was tried: injectors whose readings do not go with their stated flow."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from tuninglib.interval import Interval
from tuninglib.statistics import normal_mixture
from tuninglib.statistics.ladder import LadderFit


@dataclass(frozen=True, kw_only=True)
class InjectorCheck:
    """What the readings say of one injector's flow, its statement set aside.

    Parameters
    ----------
    injector : str
    stated_flow_m3_s : float
        [m3/s]
    implied_flow_m3_s : Interval
        Flow that its readings call for, given the other injectors. [m3/s]
    odds : float
        Odds of readings as far off as these, to either side, if the statement holds within its
        tolerance.
    believable : bool
        Whether the odds are not below the limit.
    """

    injector: str
    stated_flow_m3_s: float
    implied_flow_m3_s: Interval
    odds: float
    believable: bool


def check_injectors(fit: LadderFit, *, level=0.05) -> tuple[InjectorCheck, ...]:
    """Each tried injector's flow by its readings, against its statement.

    Parameters
    ----------
    fit : LadderFit
    level : float
        Odds below which a statement is not believed; 0.05 is the usual two standard deviations.

    Returns
    -------
    tuple of InjectorCheck
        In the order tried.

    Notes
    -----
    An injector's own prior is divided out of its posterior, which leaves what its readings and the
    rest of the ladder say: deviation m with variance v. If the statement holds, m is normal with
    mean 0 and variance ``v + tolerance**2``; the odds are its two tails beyond m. The grid points
    are weighted without the injector's own misfit, so that it does not excuse itself. A single
    injector cannot be checked: its odds are 1 and its range is open.

    Examples
    --------
    Three alike, and a fourth that reads 15 % lean for its flow:

    >>> from tuninglib.statistics.ladder import Priors, solve
    >>> flow = np.array([2.4e-6, 2.5e-6, 2.6e-6, 2.7e-6])
    >>> fit = solve(observed=-np.log(flow) + [0, 0, 0, 0.15], noise_sd=np.full(4, 0.01),
    ...             flow_m3_s=flow, injector=list("abcd"), engine=["x"] * 4,
    ...             displacement={"x": 1.0}, tolerance=None, priors=Priors())
    >>> [one.believable for one in check_injectors(fit)]
    [True, True, True, False]
    """
    rows = []
    for name, stated in fit.flow_m3_s.items():
        term = f"injector {name}"
        if term not in fit.terms:  # tolerance 0: beyond doubt by decree
            exact = Interval(value=stated, low=stated, high=stated)
            rows.append(_row(name, stated, exact, 1.0, level))
            continue
        at = fit.terms.index(term)
        prior_variance = (fit.tolerance[name] * fit.tolerance_scale) ** 2
        gained = 1.0 / fit.covariances[:, at, at] - 1.0 / prior_variance
        if np.any(gained * prior_variance < 1e-9):
            unknown = Interval(value=stated, low=0.0, high=float("inf"))
            rows.append(_row(name, stated, unknown, 1.0, level))
            continue
        variance = 1.0 / gained
        mean = fit.means[:, at] * variance / fit.covariances[:, at, at]
        spread = variance + prior_variance
        weight = normal_mixture.normalised(
            np.log(fit.weights) + 0.5 * (mean**2 / spread + np.log(spread))
        )
        parts = weight, -mean, np.sqrt(variance)
        quantiles = normal_mixture.mixture_quantile((0.025, 0.5, 0.975), *parts)
        low, value, high = (stated * np.exp(quantiles)).tolist()
        odds = float(weight @ (2 * ndtr(-np.abs(mean) / np.sqrt(spread))))
        rows.append(_row(name, stated, Interval(value=value, low=low, high=high), odds, level))
    return tuple(rows)


def suspicious_injectors(fit: LadderFit, *, level=0.05) -> tuple[InjectorCheck, ...]:
    """Injectors whose readings cannot be believed with their stated flow, the worst first.

    Parameters
    ----------
    fit : LadderFit
    level : float
        As in :func:`check_injectors`.

    Returns
    -------
    tuple of InjectorCheck

    Notes
    -----
    One bad injector makes the others look worse: measure or replace the first one named, then fit
    again.

    Examples
    --------
    >>> from tuninglib.statistics.ladder import Priors, solve
    >>> flow = np.array([2.4e-6, 2.5e-6, 2.6e-6, 2.7e-6])
    >>> fit = solve(observed=-np.log(flow) + [0, 0, 0, 0.15], noise_sd=np.full(4, 0.01),
    ...             flow_m3_s=flow, injector=list("abcd"), engine=["x"] * 4,
    ...             displacement={"x": 1.0}, tolerance=None, priors=Priors())
    >>> [one.injector for one in suspicious_injectors(fit)]
    ['d']
    """
    bad = [row for row in check_injectors(fit, level=level) if not row.believable]
    return tuple(sorted(bad, key=lambda row: row.odds))


def _row(name, stated, implied, odds, level):
    return InjectorCheck(
        injector=name,
        stated_flow_m3_s=stated,
        implied_flow_m3_s=implied,
        odds=odds,
        believable=odds >= level,
    )
