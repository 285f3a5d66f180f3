"""Refusal of input that cannot be, in one clear sentence."""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike


def require(
    value: ArrayLike,
    what: str,
    unit: str,
    *,
    above: float | None = None,
    at_least: float | None = None,
    below: float | None = None,
    at_most: float | None = None,
    remedy: str = "check the sign and the unit",
) -> np.ndarray:
    """Value ready for sums, once it is finite and within its limits.

    Parameters
    ----------
    value : float, list, array or Series
    what, unit : str
        How the sentence names the value and its unit; the unit is empty for a plain number.
    above, at_least, below, at_most : float, optional
        Limits; ``above`` and ``below`` are exclusive.
    remedy : str
        What to do about it.

    Returns
    -------
    array or Series
        Of floats; a Series keeps its index.

    Raises
    ------
    ValueError
        Naming the worst value.

    Examples
    --------
    >>> require([80, -3], "mass", "kg", above=0, remedy="weigh the bike")
    Traceback (most recent call last):
        ...
    ValueError: mass is -3 kg but must be above 0 kg; weigh the bike
    """
    array = np.asarray(value, dtype=float)
    if array.ndim == 0 and _within(float(array), above, at_least, below, at_most):
        return array
    ready = value if hasattr(value, "to_numpy") else array
    if array.size == 0:
        return ready
    # Two passes without temporaries: a NaN or an infinity shows in the extremes.
    lowest, highest = array.min(), array.max()
    unit = f" {unit}" if unit else ""
    if not (np.isfinite(lowest) and np.isfinite(highest)):
        worst, limit = array[~np.isfinite(array)].flat[0], "a finite number"
    elif above is not None and not lowest > above:
        worst, limit = lowest, f"above {above:g}{unit}"
    elif at_least is not None and not lowest >= at_least:
        worst, limit = lowest, f"at least {at_least:g}{unit}"
    elif below is not None and not highest < below:
        worst, limit = highest, f"below {below:g}{unit}"
    elif at_most is not None and not highest <= at_most:
        worst, limit = highest, f"at most {at_most:g}{unit}"
    else:
        return ready
    raise ValueError(f"{what} is {worst:g}{unit} but must be {limit}; {remedy}")


def _within(number, above, at_least, below, at_most) -> bool:
    """Whether one number passes: most calls bring one, and numpy's extremes cost ten times this."""
    return (
        math.isfinite(number)
        and (above is None or number > above)
        and (at_least is None or number >= at_least)
        and (below is None or number < below)
        and (at_most is None or number <= at_most)
    )


def require_or_missing(value: ArrayLike, what: str, unit: str, **limits: Any) -> np.ndarray:
    """As :func:`require`, but NaN stands for a missing reading and passes, to come out as NaN.

    Parameters
    ----------
    value : float, list, array or Series
    what, unit, limits
        As in :func:`require`.

    Returns
    -------
    array or Series

    Examples
    --------
    >>> require_or_missing([80.0, np.nan], "mass", "kg", above=0)
    array([80., nan])
    """
    array = np.asarray(value, dtype=float)
    # One pass without temporaries where nothing is missing.
    missing = array.size > 0 and np.isnan(array.min())
    require(array[~np.isnan(array)] if missing else array, what, unit, **limits)
    return value if hasattr(value, "to_numpy") else array


def limited(
    value: ArrayLike, what: str, unit: str, low: float, high: float, remedy: str
) -> np.ndarray:
    """As :func:`require_or_missing`, from one limit to another.

    Parameters
    ----------
    value, what, unit, remedy
        As in :func:`require`.
    low, high : float
        Both are allowed values.

    Returns
    -------
    array or Series

    Examples
    --------
    >>> limited(55.0, "relative humidity", "", 0, 1, "55 % is 0.55")
    Traceback (most recent call last):
        ...
    ValueError: relative humidity is 55 but must be at most 1; 55 % is 0.55
    """
    return require_or_missing(value, what, unit, at_least=low, at_most=high, remedy=remedy)


def positive(value: ArrayLike, what: str, unit: str, **remedy: str) -> np.ndarray:
    """As :func:`require_or_missing`, above zero.

    Parameters
    ----------
    value, what, unit, remedy
        As in :func:`require`.

    Returns
    -------
    array or Series

    Examples
    --------
    >>> positive([0.9, np.nan], "lambda", "")
    array([0.9, nan])
    """
    return require_or_missing(value, what, unit, above=0, **remedy)


def plain(result: float | np.generic | np.ndarray) -> float | np.ndarray:
    """Float for a number without dimension; an array or a Series as it is.

    Parameters
    ----------
    result : float, numpy scalar, array or Series

    Examples
    --------
    >>> plain(np.array(2.5)), plain(np.exp(0.0))
    (2.5, 1.0)
    """
    if isinstance(result, (np.generic, np.ndarray)) and np.ndim(result) == 0:
        return result.item()
    return result
