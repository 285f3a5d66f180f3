"""Expected harm of a mixture that is only known within limits."""

import numpy as np
from scipy.special import ndtr

from tuninglib.checks import require
from tuninglib.interval import Z_95, Interval

# How much worse a hundredth of lambda is beyond the lean edge than beyond the rich one. Ours: too
# rich costs fuel, some power and a sooty plug; too lean can cost the piston.
LEAN_WEIGHT = 4.0


def expected_harm(lambda_: Interval, *, rich_edge: float, lean_edge: float) -> float:
    """Expected distance of lambda from where it does no harm, lean counted several times.

    Parameters
    ----------
    lambda_ : Interval
        Of the mixture; taken as normal.
    rich_edge, lean_edge : float
        Between them the harm is zero.

    Returns
    -------
    harm : float
        In hundredths of lambda on the rich side; one on the lean side counts ``LEAN_WEIGHT``.

    Notes
    -----
    For a normal x with mean m and standard deviation s, E max(x − a, 0) = s φ(z) + (m − a) Φ(z)
    with z = (m − a)/s.

    Examples
    --------
    A mixture that stands exactly on the lean edge, known to 0.02:

    >>> on_edge = Interval(0.90, 0.88, 0.92)
    >>> round(expected_harm(on_edge, rich_edge=0.80, lean_edge=0.90), 2)
    1.63
    >>> round(expected_harm(Interval(0.85, 0.84, 0.86), rich_edge=0.80, lean_edge=0.90), 2)
    0.0
    """
    edges = require(
        [rich_edge, lean_edge], what="target band", unit="", above=0, remedy="give it in lambda"
    )
    if not edges[0] < edges[1]:
        raise ValueError(
            f"the target band runs from {rich_edge:g} to {lean_edge:g}; give the richer end first"
        )
    mean, sd = lambda_.value, lambda_.half_width / Z_95
    rich = _mean_excess(rich_edge - mean, sd)
    lean = _mean_excess(mean - lean_edge, sd)
    return float(100 * (rich + LEAN_WEIGHT * lean))


def _mean_excess(distance: float, sd: float) -> float:
    """Mean of the positive part of a normal variable with this mean and standard deviation."""
    if sd <= 0:
        return max(distance, 0.0)
    z = distance / sd
    return sd * np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi) + distance * ndtr(z)
