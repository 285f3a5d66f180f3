"""A gauge's log once it has settled: the steady reading, its lag, means by bands."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.interval import Interval, Measured
from tuninglib.physics.track import complete_rows
from tuninglib.statistics.repeats import estimate, t_quantile

# The steady reading, and how late the gauge is ----------------------------------------------------

FULL_THROTTLE = 0.9
# The mixture before the throttle opens is taken over this time, the steady one so long after it.
_BEFORE_S, _SETTLED_S = 2.0, 2.5
# A step of so many of its own standard deviations tells when it came; so much later is another.
_CLEAR_STEP, _LATEST_S, _FEWEST_STEPS = 6.0, 3.0, 2
_FEWEST_SAMPLES = 5
# Lowest and highest of the steady range, as a rider would write it down: single samples apart.
_ENDS = (0.05, 0.95)


class FullStretch(NamedTuple):
    """When the throttle was fully open within a run, and for which share of it."""

    from_s: float
    to_s: float
    share: float


class SettledReading(NamedTuple):
    """Ends of the steady range, and the samples that they are of; NaN where there are too few."""

    low: float
    high: float
    samples: int


def full_stretch(
    time_s: ArrayLike, throttle_ratio: ArrayLike, *, enter_s: float, leave_s: float
) -> FullStretch:
    """Longest stretch of full throttle between two times.

    Parameters
    ----------
    time_s, throttle_ratio : array
        Rising times; 0 shut, 1 fully open. [s], [unitless]
    enter_s, leave_s : float
        [s]

    Returns
    -------
    FullStretch
        NaN and a share of 0 where there is none.

    Examples
    --------
    >>> import numpy as np
    >>> full_stretch(np.arange(10.0), np.r_[0.2, 0.5, np.ones(7), 0.1], enter_s=0.0, leave_s=9.0)
    FullStretch(from_s=2.0, to_s=8.0, share=0.67)
    """
    time, throttle = np.asarray(time_s, dtype=float), np.asarray(throttle_ratio, dtype=float)
    rows = (time >= enter_s) & (time <= leave_s) & np.isfinite(throttle)
    own, full = time[rows], throttle[rows] >= FULL_THROTTLE
    if own.size < 2 or not full.any():
        return FullStretch(np.nan, np.nan, 0.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], full, [False]])))
    starts, ends = edges[::2], edges[1::2] - 1
    longest = int(np.argmax(own[ends] - own[starts]))
    low, high = float(own[starts[longest]]), float(own[ends[longest]])
    return FullStretch(low, high, (high - low) / (leave_s - enter_s))


def gauge_lag(
    time_s: np.ndarray, reading: np.ndarray, *, opened_s: ArrayLike, shut_s: ArrayLike
) -> Interval | None:
    """How long after the throttle opens the gauge is half of the way to its steady reading.

    Parameters
    ----------
    time_s, reading : array
        Rising times; NaN where there is no reading. [s]
    opened_s, shut_s : array
        Full throttle of each run. [s]

    Returns
    -------
    Interval or None
        Of the mean over the runs, by Student's distribution; None where fewer than two runs show a
        step. [s]

    Notes
    -----
    Flight from the valve to the sensor and the sensor's own time together. Only a step of six
    standard deviations of its own noise is taken for one.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 60.0, 0.1)
    >>> shown = np.where((time % 30 > 10.7) & (time % 30 < 25), 0.88, 1.0)
    >>> gauge_lag(time, shown, opened_s=[10.0, 40.0], shut_s=[25.0, 55.0]).value
    0.65
    """
    time, reading = complete_rows(time_s, reading)
    found = []
    for opened, shut in zip(opened_s, shut_s, strict=True):
        before = reading[(time >= opened - _BEFORE_S) & (time <= opened)]
        after = reading[(time >= opened + _SETTLED_S) & (time <= shut)]
        if min(before.size, after.size) < _FEWEST_SAMPLES:
            continue
        # Medians, as a single dropped or doubled sample is no part of the mixture.
        low, high = np.median(before), np.median(after)
        noise = np.hypot(_error(before), _error(after))
        if abs(high - low) < _CLEAR_STEP * noise or high == low:
            continue
        rows = slice(*np.searchsorted(time, [opened, opened + _LATEST_S]))
        share = (reading[rows] - low) / (high - low)
        passed = np.flatnonzero((share[1:] >= 0.5) & (share[:-1] < 0.5))
        if passed.size:
            # Noise passes the middle a little too early at first and too late at last.
            k = passed[[0, -1]]
            step = (0.5 - share[k]) / (share[k + 1] - share[k])
            at = time[rows][k] + step * (time[rows][k + 1] - time[rows][k])
            found.append(at.mean() - opened)
    if len(found) < _FEWEST_STEPS:
        return None
    # No step is known better than the log's own step of time.
    own = np.median(np.diff(time)) / np.sqrt(12)
    error = np.hypot(np.std(found, ddof=1), own) / np.sqrt(len(found))
    lag = estimate(np.mean(found), standard_error=error, dof=len(found) - 1)
    return Interval(lag.value, lag.low, lag.high)


def settled_reading(
    time_s: np.ndarray, reading: np.ndarray, *, full: FullStretch, lag_s: float
) -> SettledReading:
    """Steady range of the gauge on a run, as a rider writes it down.

    Parameters
    ----------
    time_s, reading : array
        Rising times; NaN where there is no reading. [s]
    full : FullStretch
        Of the run.
    lag_s : float
        How late the gauge shows what burns, at the most. [s]

    Returns
    -------
    SettledReading

    Notes
    -----
    From two and a half seconds and the lag after the throttle was fully open until it shut; the
    lowest and highest twentieth of the samples are left out.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 20.0, 0.5)
    >>> shown = np.where(time < 6, 14.7, 12.8 + 0.1 * (np.arange(40) % 2))
    >>> settled_reading(time, shown, full=FullStretch(5.0, 15.0, 1.0), lag_s=0.5)
    SettledReading(low=12.8, high=12.9, samples=15)
    """
    time, reading = complete_rows(time_s, reading)
    own = reading[(time >= full.from_s + _SETTLED_S + lag_s) & (time <= full.to_s)]
    if own.size < _FEWEST_SAMPLES:
        return SettledReading(np.nan, np.nan, int(own.size))
    low, high = np.quantile(own, _ENDS)
    return SettledReading(float(low), float(high), int(own.size))


def _error(values) -> float:
    """Standard deviation of a mean of samples of which neighbours are alike: a few count."""
    return float(np.std(values) / np.sqrt(min(values.size, 4)))


# Means by bands of throttle or engine speed -------------------------------------------------------

# A reading counts once what drives it has been in its band for so long, and the lag besides.
_STEADY_S, _FEWEST_IN_BAND, _FEWEST_STRETCHES = 1.5, 3, 2
# Means that agree better than this did so by chance: a gauge prints steps (ours).
_LEAST_SD = 0.002


class Stretch(NamedTuple):
    """One settled stretch in one band.

    Attributes
    ----------
    band : int
        From 0; the band between ``edges[band]`` and ``edges[band + 1]``.
    begin_s : float
    seconds : float
    mean : float
        Of the reading.
    """

    band: int
    begin_s: float
    seconds: float
    mean: float


class BandMean(NamedTuple):
    """Mean over the stretches of one band; None for the interval where fewer than two are there."""

    interval: Interval | None
    sd: float
    dof: int
    stretches: int
    seconds: float


def settled_stretches(
    time_s: ArrayLike,
    driver: ArrayLike,
    reading: ArrayLike,
    *,
    edges: Sequence[float] | np.ndarray,
    lag_s: float,
) -> list:
    """Stretches of a log in which what drives a reading stayed in one band long enough.

    Parameters
    ----------
    time_s, driver, reading : array
        Rising times, throttle or engine speed, and the gauge; NaN where there is none. [s]
    edges : array
        Of the bands, rising.
    lag_s : float
        How late the gauge shows what burns. [s]

    Returns
    -------
    list of Stretch

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 20.0, 0.5)
    >>> throttle = np.where(time < 10, 0.2, 1.0)
    >>> shown = np.where(time < 10.5, 1.0, 0.88)
    >>> found = settled_stretches(time, throttle, shown, edges=[0.1, 0.5, 1.01], lag_s=0.5)
    >>> [(one.band, one.begin_s, float(one.mean)) for one in found]
    [(0, 2.0, 1.0), (1, 12.0, 0.88)]
    """
    time, driver, reading = complete_rows(time_s, driver, reading)
    if time.size < _FEWEST_IN_BAND:
        return []
    band = np.digitize(driver, edges) - 1
    band[band >= len(edges) - 1] = -1
    # A pause in the log ends a stretch as a change of band does.
    longest = 4 * np.median(np.diff(time))
    cuts = np.flatnonzero((np.diff(band) != 0) | (np.diff(time) > longest)) + 1
    found = []
    for rows in np.split(np.arange(time.size), cuts):
        own = rows[time[rows] >= time[rows[0]] + _STEADY_S + lag_s]
        if band[rows[0]] < 0 or own.size < _FEWEST_IN_BAND:
            continue
        seconds = float(time[own[-1]] - time[own[0]])
        mean = float(reading[own].mean())
        found.append(Stretch(int(band[rows[0]]), float(time[own[0]]), seconds, mean))
    return found


def band_mean(stretches: list[Stretch]) -> BandMean:
    """Mean of stretches of one band, each weighted by how long it lasts.

    Parameters
    ----------
    stretches : list of Stretch

    Returns
    -------
    BandMean

    Notes
    -----
    Samples of one stretch share its hunting and its load, so that stretches tell the uncertainty,
    by Student's distribution.

    Examples
    --------
    >>> found = band_mean([Stretch(0, 0.0, 4.0, 0.99), Stretch(0, 9.0, 4.0, 1.01)])
    >>> found.interval.value, found.dof
    (1.0, 1)
    """
    seconds = np.array([one.seconds for one in stretches], dtype=float)
    means = np.array([one.mean for one in stretches], dtype=float)
    if len(stretches) < _FEWEST_STRETCHES or seconds.sum() <= 0:
        return BandMean(None, np.nan, 0, len(stretches), float(seconds.sum()))
    weight = seconds / seconds.sum()
    middle = float(weight @ means)
    dof = len(stretches) - 1
    # Weighted about the weighted mean; the same as the usual for equal weights.
    spread = np.sqrt((weight * (means - middle) ** 2).sum() / (1 - (weight**2).sum()))
    sd = float(max(spread, _LEAST_SD * middle) * np.sqrt((weight**2).sum()))
    interval = Measured(middle, t_quantile(0.975, dof) * sd).interval
    return BandMean(interval, sd, dof, len(stretches), float(seconds.sum()))
