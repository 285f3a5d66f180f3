"""How far a lambda gauge is off, from readings where the ECU itself holds lambda 1."""

from dataclasses import dataclass

import numpy as np

from tuninglib.checks import require
from tuninglib.interval import Z_95, Interval, Measured
from tuninglib.statistics.ladder import Priors

# How well narrowband control holds lambda 1 on average, 95 % (common practice).
CONTROL_HALF_WIDTH = 0.01


@dataclass(frozen=True)
class GaugeOffset:
    """Logarithm of shown over true lambda, the same for all readings of a gauge: a normal one.

    Parameters
    ----------
    log_mean, log_sd : float

    Examples
    --------
    >>> GaugeOffset(0.01, 0.005).ratio
    Interval(value=0.0101, low=0.0002, high=0.02)
    """

    log_mean: float
    log_sd: float

    @property
    def ratio(self) -> Interval:
        """How much too high the gauge reads, relative to true lambda."""
        half = Z_95 * self.log_sd
        return Interval(*(float(np.expm1(self.log_mean + k * half)) for k in (0, -1, 1)))


def offset_stated(accuracy: Measured) -> GaugeOffset:
    """The offset of a gauge of which nothing but its stated accuracy is known.

    Parameters
    ----------
    accuracy : Measured
        How far lambda may be off, as a ratio.

    Examples
    --------
    >>> offset_stated(Measured(0.0, 0.02))
    GaugeOffset(log_mean=0.0, log_sd=0.0102)
    """
    return GaugeOffset(float(np.log1p(accuracy.value)), accuracy.sd)


def offset_where_lambda_is_one(
    log_lambda,
    relative_sd,
    *,
    stated: GaugeOffset,
    control_half_width=CONTROL_HALF_WIDTH,
    priors=None,
) -> GaugeOffset:
    """The offset of a gauge after readings at a true lambda of 1.

    Parameters
    ----------
    log_lambda : array (n,)
        Logarithm of what the gauge shows, over its scale.
    relative_sd : array (n,)
        How well each stands for its run, of
        :func:`tuninglib.statistics.gauge_readings.reading_midpoint`.
    stated : GaugeOffset
        What is known of the gauge beforehand.
    control_half_width : float
        How far the lambda that is held may be off 1 on average (95 %), alike for all readings.
    priors : tuninglib.statistics.ladder.Priors or None
        Of it ``run_sd`` and ``run_dof``: the scatter that is guessed beforehand, and how many
        repeats that guess is worth.

    Returns
    -------
    GaugeOffset

    Notes
    -----
    The mean of n readings is normal about offset plus the control's error, with variance
    ``s**2 / n + control_sd**2``; with a normal prior the posterior is normal in closed form
    ([1]_, section 2.3.3): precisions add, means are weighted by them. The scatter s pools the
    readings' own with the guess, each by its degrees of freedom. Closed loop holds lambda itself,
    so the fuel in the tank does not enter.

    Examples
    --------
    Twelve readings at 1.02 on a gauge that is stated to 2 %:

    >>> stated = offset_stated(Measured(0.0, 0.02))
    >>> found = offset_where_lambda_is_one(np.full(12, np.log(1.02)), 0.005, stated=stated)
    >>> found.ratio
    Interval(value=0.0156, low=0.0062, high=0.0251)

    References
    ----------
    .. [1] C. M. Bishop, Pattern Recognition and Machine Learning, Springer 2006.
    """
    log_lambda = require(log_lambda, what="logarithm of lambda", unit="")
    relative_sd = require(relative_sd, what="spread of a reading", unit="", at_least=0)
    log_lambda, relative_sd = np.broadcast_arrays(np.atleast_1d(log_lambda), relative_sd)
    count = len(log_lambda)
    if count == 0:
        raise ValueError("there is no reading where lambda is 1; give one or more")
    mean = float(log_lambda.mean())
    priors = priors or Priors()
    guess = priors.run_sd**2 + float(np.mean(relative_sd**2))
    squares = float(np.sum((log_lambda - mean) ** 2))
    scatter = (priors.run_dof * guess + squares) / (priors.run_dof + count - 1)
    data = scatter / count + (control_half_width / Z_95) ** 2
    weight = stated.log_sd**2 / (stated.log_sd**2 + data)
    return GaugeOffset(
        stated.log_mean + weight * (mean - stated.log_mean), float(np.sqrt(weight * data))
    )
