"""Refusal of input that cannot be, in one clear sentence.

:func:`require` and :func:`require_known` refuse a missing value (NaN); :func:`require_within` and
:func:`require_positive` let it pass, for columns in which a reading may be missing.
"""

import numpy as np


def require(value, *, what: str, unit: str, above=None, at_least=None, at_most=None, remedy: str):
    """Value as a float array, once it is finite and within its limits.

    Parameters
    ----------
    value : float or array
    what, unit : str
        How the sentence names the value and its unit.
    above, at_least, at_most : float, optional
        Limits; ``above`` is exclusive.
    remedy : str
        What to do about it.

    Returns
    -------
    array

    Raises
    ------
    ValueError
        Naming the worst value.

    Examples
    --------
    >>> require(-3.0, what="mass", unit="kg", above=0, remedy="weigh the bike")
    Traceback (most recent call last):
        ...
    ValueError: mass is -3 kg but must be above 0 kg; weigh the bike
    """
    array = np.asarray(value, dtype=float)
    if array.size == 0:
        return array
    # Two passes without temporaries: a NaN or an infinity shows in the extremes.
    lowest, highest = array.min(), array.max()
    unit = f" {unit}" if unit else ""
    if not (np.isfinite(lowest) and np.isfinite(highest)):
        worst, limit = array[~np.isfinite(array)].flat[0], "a finite number"
    elif above is not None and not lowest > above:
        worst, limit = lowest, f"above {above:g}{unit}"
    elif at_least is not None and not lowest >= at_least:
        worst, limit = lowest, f"at least {at_least:g}{unit}"
    elif at_most is not None and not highest <= at_most:
        worst, limit = highest, f"at most {at_most:g}{unit}"
    else:
        return array
    raise ValueError(f"{what} is {worst:g}{unit} but must be {limit}; {remedy}")


def require_within(what, value, unit, low, high, remedy, *, low_excluded=False):
    """Guard against non-physical input: a ValueError in one sentence, or nothing.

    Parameters
    ----------
    what : str
        The quantity in words.
    value : float or array
        NaN stands for a missing reading and passes: it comes out as NaN.
    unit : str
        Unit of value, low and high; empty for a plain number.
    low, high : float
        Limits; both are allowed values.
    remedy : str
        What to do about it.
    low_excluded : bool
        Whether ``low`` itself is refused.

    Examples
    --------
    >>> require_within("bore", 57.0, "m", 0.01, 0.5, "give metres")
    Traceback (most recent call last):
    ValueError: bore is 57 m; it must be within 0.01 to 0.5 m: give metres
    """
    array = np.asarray(value, dtype=float)
    bad = (array <= low if low_excluded else array < low) | (array > high) | np.isinf(array)
    if not bad.any():
        return
    unit = f" {unit}" if unit else ""
    if np.isinf(high):
        limit = f"{'above' if low_excluded else 'at least'} {low:g}{unit}"
    else:
        limit = f"within {low:g} to {high:g}{unit}"
    raise ValueError(f"{what} is {array[bad][0]:g}{unit}; it must be {limit}: {remedy}")


def require_positive(what, value, unit, remedy="check the sign and the unit"):
    """Guard against zero, negative and infinite input.

    Parameters
    ----------
    what, value, unit, remedy
        As in :func:`require_within`.

    Examples
    --------
    >>> require_positive("stroke", -0.06, "m")
    Traceback (most recent call last):
    ValueError: stroke is -0.06 m; it must be above 0 m: check the sign and the unit
    """
    require_within(what, value, unit, 0.0, np.inf, remedy, low_excluded=True)


def require_known(what, value, unit, *, zero_allowed=False, remedy="check the sign and the unit"):
    """Guard against zero, negative, infinite and missing input.

    Parameters
    ----------
    what : str
        The quantity in words.
    value : float or array
    unit : str
        Empty for a plain number.
    zero_allowed : bool
    remedy : str
        What to do about it.

    Examples
    --------
    >>> require_known("flow", -1e-6, "m3/s")
    Traceback (most recent call last):
    ValueError: flow is -1e-06 m3/s, it must be finite and above 0 m3/s: check the sign and the unit
    """
    array = np.asarray(value, dtype=float)
    bad = ~((array >= 0 if zero_allowed else array > 0) & (array < np.inf))
    if bad.any():
        unit = f" {unit}" if unit else ""
        limit = f"{'at least' if zero_allowed else 'above'} 0{unit}"
        first = array[bad].flat[0]
        raise ValueError(f"{what} is {first:g}{unit}, it must be finite and {limit}: {remedy}")


def plain(result):
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
