"""A head that warms up on a long climb: where it will end, and how fast it gets there."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtr

from tuninglib.checks import require
from tuninglib.interval import Interval

# The standard deviation of one reading, and how many repeats that guess is worth (ours).
_READING_SD_K, _PRIOR_DOF = 2.0, 4.0
# Time constants that heads of small engines can have, from bare fins to a full oil pan (ours). [s]
_SHORTEST_S, _LONGEST_S = 10.0, 2000.0
_TAUS = 160


class WarmUp(NamedTuple):
    """What the readings of one climb say.

    Attributes
    ----------
    final_k : Interval
        Where the temperature would end if the climb went on.
    time_constant_s : Interval
        After which 63 % of the way there is done.
    told : bool
        Whether the readings tell the end at all: its interval is no wider than twice the way that
        was seen.
    """

    final_k: Interval
    time_constant_s: Interval
    told: bool


def fit_warm_up(time_s: ArrayLike, temperature_k: ArrayLike) -> WarmUp:
    """End and time constant of a warming head.

    Parameters
    ----------
    time_s : array (n,)
        Since the start of the climb, three at the least. [s]
    temperature_k : array (n,)
        [K]

    Returns
    -------
    WarmUp

    Raises
    ------
    ValueError
        If there are fewer than three readings, or they do not rise.

    Notes
    -----
    A lumped body under steady load goes to its end as ``T = T_end - (T_end - T_0) exp(-t / tau)``
    ([1]_, chapter 5). For each time constant, end and start are least squares; the scatter joins
    a reading error of 2 K, worth four repeats, with what the readings show. The time constants
    are weighed by how well they fit, alike on a logarithmic scale from 10 to 2000 s, so that an end
    that the readings do not tell has a wide interval.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.array([0.0, 60, 120, 240, 360, 480])
    >>> found = fit_warm_up(t, 473.15 - 80 * np.exp(-t / 120.0))
    >>> round(found.final_k.value), round(found.time_constant_s.value), found.told
    (473, 120, True)

    References
    ----------
    .. [1] F. P. Incropera, D. P. DeWitt, Fundamentals of Heat and Mass Transfer (chapter from
       memory).
    """
    time, seen = np.asarray(time_s, dtype=float), np.asarray(temperature_k, dtype=float)
    require(time, "time", "s", at_least=0, remedy="count from the start of the climb")
    if time.size < 3 or len(set(time.tolist())) < 3:
        said = "at least three readings at different times are needed; read it more often"
        raise ValueError(said)
    order = np.argsort(time, kind="stable")
    if seen[order][-1] <= seen[order][0]:
        raise ValueError("the head did not get hotter from the first reading to the last")
    # Only the time constant is not linear; at 160 of them, 3 % apart, all else is a closed form.
    taus = np.geomspace(_SHORTEST_S, _LONGEST_S, _TAUS)
    dof = _PRIOR_DOF + time.size - 2
    log, means, sds = [], [], []
    for tau in taus:
        design = np.column_stack([np.ones_like(time), np.exp(-time / tau)])
        normal = design.T @ design
        inverse = np.linalg.inv(normal)
        found = inverse @ design.T @ seen
        rest = seen - design @ found
        squares = _PRIOR_DOF * _READING_SD_K**2 + rest @ rest
        # Likelihood with the scatter integrated out, a Student's t; several ends fit alike well
        # while the curve has hardly bent, and all of them count.
        log.append(-dof / 2 * np.log(squares))
        means.append(found[0])
        sds.append(np.sqrt(squares / dof * inverse[0, 0]))
    weight = np.exp(np.array(log) - max(log))
    weight /= weight.sum()
    final = _quantiles(weight, np.array(means), np.array(sds), dof)
    # In the middle of each step.
    cumulated = np.cumsum(weight) - weight / 2
    tau = [float(np.exp(np.interp(p, cumulated, np.log(taus)))) for p in (0.5, 0.025, 0.975)]
    way = float(np.ptp(seen))
    return WarmUp(final, Interval(*tau), bool(final.high - final.low <= 2 * way))


def _quantiles(weight, means, sds, dof) -> Interval:
    """Median and 95 % interval of a mixture of Student's t distributions."""

    def at(p):
        low, high = (means - 60 * sds).min(), (means + 60 * sds).max()
        for _ in range(80):
            middle = (low + high) / 2
            under = weight @ stdtr(dof, (middle - means) / sds) < p
            low, high = (middle, high) if under else (low, middle)
        return float((low + high) / 2)

    return Interval(at(0.5), at(0.025), at(0.975))
