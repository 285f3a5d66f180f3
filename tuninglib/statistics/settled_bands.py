"""Means of a reading by bands of throttle or engine speed, of what is settled in a log."""

from typing import NamedTuple

import numpy as np

from tuninglib.interval import Interval
from tuninglib.statistics.repeats import t_quantile

# A reading counts once what drives it has been in its band for so long, and the lag besides.
_STEADY_S, _FEWEST_SAMPLES, _FEWEST_STRETCHES = 1.5, 3, 2
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


def settled_stretches(time_s, driver, reading, *, edges, lag_s) -> list:
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
    time, driver, reading = (np.asarray(one, dtype=float) for one in (time_s, driver, reading))
    known = np.isfinite(driver) & np.isfinite(reading)
    time, driver, reading = time[known], driver[known], reading[known]
    if time.size < _FEWEST_SAMPLES:
        return []
    band = np.digitize(driver, edges) - 1
    band[band >= len(edges) - 1] = -1
    # A pause in the log ends a stretch as a change of band does.
    longest = 4 * np.median(np.diff(time))
    cuts = np.flatnonzero((np.diff(band) != 0) | (np.diff(time) > longest)) + 1
    found = []
    for rows in np.split(np.arange(time.size), cuts):
        own = rows[time[rows] >= time[rows[0]] + _STEADY_S + lag_s]
        if band[rows[0]] < 0 or own.size < _FEWEST_SAMPLES:
            continue
        seconds = float(time[own[-1]] - time[own[0]])
        mean = float(reading[own].mean())
        found.append(Stretch(int(band[rows[0]]), float(time[own[0]]), seconds, mean))
    return found


def band_mean(stretches) -> BandMean:
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
    half = t_quantile(0.975, dof) * sd
    return BandMean(
        Interval(middle, middle - half, middle + half), sd, dof, len(stretches),
        float(seconds.sum()),
    )  # fmt: skip
