"""Refusal of input that cannot be, in one clear sentence."""

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


def plain(result):
    """Float where the result has no dimension, the array itself otherwise.

    Examples
    --------
    >>> import numpy as np
    >>> plain(np.array(2.5))
    2.5
    """
    return float(result) if np.ndim(result) == 0 else result
