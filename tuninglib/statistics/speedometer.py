"""Speedometers: what the law lets them show, and how far one is off."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import plain, require
from tuninglib.statistics.repeats import Estimate, estimate

_KMH = 1 / 3.6  # m/s
# UN Regulation 39, revision 2, 5.4 (5.3 before): 0 <= shown - true <= true/10 + 4 km/h of the
# vehicle that is approved; of those that are then made, + 8 km/h for motorcycles (its annex on
# conformity of production; number from memory).
_LEGAL_RATIO, _LEGAL_OFFSET_M_S, _MADE_OFFSET_M_S = 0.1, 4 * _KMH, 8 * _KMH


class AssumedFactor(NamedTuple):
    """Factor from shown to true speed, and its standard deviation."""

    factor: float
    sd: float


def legal_true_speed_m_s(
    shown_speed_m_s: ArrayLike, *, as_made: bool = False
) -> tuple[float | np.ndarray, float | np.ndarray]:
    """Lowest and highest true speed behind a legal speedometer's reading.

    Parameters
    ----------
    shown_speed_m_s : float or array
        [m/s]
    as_made : bool, default False
        By what is left to a motorcycle in production, 8 km/h in place of 4.

    Returns
    -------
    lowest_m_s, highest_m_s : float or array
        The lowest is not below zero. [m/s]

    Examples
    --------
    >>> lowest, highest = legal_true_speed_m_s(59 / 3.6)
    >>> lowest * 3.6, highest * 3.6
    (50.0, 59.0)
    """
    shown = require(shown_speed_m_s, "speed", "m/s", at_least=0, remedy="check its sign")
    # 0 <= shown - true <= true/10 + 4 km/h, solved for the true speed; it may never show too
    # little, so that the highest true speed is the one shown.
    offset = _MADE_OFFSET_M_S if as_made else _LEGAL_OFFSET_M_S
    lowest = np.maximum((shown - offset) / (1 + _LEGAL_RATIO), 0.0)
    return plain(lowest), plain(shown)


def unknown_factor(shown_speed_m_s: float) -> AssumedFactor:
    """Factor from shown to true speed to assume of a speedometer that was never checked.

    Parameters
    ----------
    shown_speed_m_s : float
        Where it is needed, the middle of the test. [m/s]

    Returns
    -------
    AssumedFactor
        Middle and standard deviation of the legal range taken as equally likely throughout
        (width over √12); that of the approved vehicle, which makers build to. The wider one of
        production would put the middle 3 % lower, farther off than speedometers mostly are
        (common practice: they show 5 to 8 % too much).

    Examples
    --------
    >>> unknown_factor(60 / 3.6)
    AssumedFactor(factor=0.9242, sd=0.0437)
    """
    shown = require(shown_speed_m_s, "speed", "m/s", above=0, remedy="give a speed ridden")
    low, high = (speed / shown for speed in legal_true_speed_m_s(shown))
    return AssumedFactor(plain((low + high) / 2), plain((high - low) / np.sqrt(12)))


def speed_factor(shown: ArrayLike, true: ArrayLike, *, resolution: float = 0.0) -> Estimate:
    """Factor from shown to true speed, from pairs of readings.

    Parameters
    ----------
    shown, true : array
        For example speedometer and GPS, or speedometer and timed distance, in the same unit;
        two pairs or more.
    resolution : float
        Smallest step of the shown speeds, in their unit.

    Returns
    -------
    Estimate
        With its 95 % interval.

    Notes
    -----
    Least squares of the true speed through the origin: b = Σ xy / Σ x². The standard error is never
    taken below what one rounding of the shown speeds makes, resolution / √12 over their mean: pairs
    read at one speed share their rounding (JCGM 100, F.2.2.1).

    Examples
    --------
    >>> found = speed_factor([50.0, 60.0, 70.0], [48.0, 57.0, 67.0])
    >>> found.value, found.low, found.high
    (0.9555, 0.9434, 0.9675)
    """
    x, y = np.asarray(shown, dtype=float), np.asarray(true, dtype=float)
    require(x, "shown speed", "", above=0, remedy="leave out pairs at rest")
    require(y, "true speed", "", above=0, remedy="leave out pairs at rest")
    if x.shape != y.shape or x.ndim != 1 or x.size < 2:
        said = f"{x.size} shown and {y.size} true speeds are not 2 pairs or more"
        raise ValueError(f"{said}; give them in pairs")
    # Through the origin: most of what a speedometer is off is a factor (tyre, gearing), and pairs
    # at nearly one speed tell no offset.
    factor = (x @ y) / (x @ x)
    dof = x.size - 1
    s2 = ((y - factor * x) ** 2).sum() / dof
    least = factor * float(resolution) / np.sqrt(12) / x.mean()
    return estimate(factor, standard_error=max(float(np.sqrt(s2 / (x @ x))), least), dof=dof)
