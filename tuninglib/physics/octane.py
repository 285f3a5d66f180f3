"""Octane numbers on their three scales, and whether a fuel has enough of it.

RON and MON are measured; AKI, the number on American pumps, is their mean. They are different
numbers for the same fuel: one must never be read as another.
"""

from dataclasses import dataclass

from tuninglib.checks import require
from tuninglib.interval import Interval

SCALES = ("RON", "MON", "AKI")
# RON minus MON of pump petrol: 10 by the least numbers of EN 228 (95 and 85), about 8 to 12
# (common practice).
SENSITIVITY = Interval(10.0, 8.0, 12.0)
# What one unit of compression ratio asks for, in octane numbers (from memory; handbooks differ).
PER_COMPRESSION = Interval(4.0, 3.0, 5.0)
# How far each scale lies below RON, in shares of the sensitivity.
_BELOW = {"RON": 0.0, "AKI": 0.5, "MON": 1.0}


@dataclass(frozen=True)
class Octane:
    """An octane number on its own scale.

    Parameters
    ----------
    value : float
    scale : str
        ``"RON"``, ``"MON"`` or ``"AKI"``.

    Examples
    --------
    >>> str(Octane(91.0, "AKI"))
    '91 AKI'
    """

    value: float
    scale: str

    def __post_init__(self):
        require(
            self.value,
            what="octane number",
            unit="",
            at_least=50,
            at_most=140,
            remedy="see the pump",
        )
        if self.scale not in SCALES:
            raise ValueError(
                f"{self.scale!r} is no scale of octane numbers; write one of {', '.join(SCALES)}"
            )

    def __str__(self) -> str:
        return f"{self.value:g} {self.scale}"


def on_scale(octane: Octane, scale: str) -> Interval:
    """An octane number on another scale, with the range that pump petrol leaves open.

    Parameters
    ----------
    octane : Octane
    scale : str
        ``"RON"``, ``"MON"`` or ``"AKI"``.

    Returns
    -------
    Interval

    Notes
    -----
    AKI = (RON + MON)/2, and RON − MON is taken as ``SENSITIVITY``.

    Examples
    --------
    >>> on_scale(Octane(91.0, "AKI"), "RON")
    Interval(value=96.0, low=95.0, high=97.0)
    """
    share = _BELOW[octane.scale] - _BELOW[scale]
    ends = sorted((share * SENSITIVITY.low, share * SENSITIVITY.high))
    return Interval(octane.value + share * SENSITIVITY.value, *(octane.value + x for x in ends))


def known_higher(one: Octane | None, other: Octane | None) -> bool:
    """Whether one fuel's octane number is known to be higher than another's.

    Parameters
    ----------
    one, other : Octane or None
        What is not known is not higher.

    Examples
    --------
    >>> known_higher(Octane(98.0, "RON"), Octane(91.0, "AKI"))
    True
    >>> known_higher(Octane(96.0, "RON"), Octane(91.0, "AKI"))
    False
    """
    if one is None or other is None:
        return False
    return on_scale(one, other.scale).low > other.value


def octane_margin(fuel: Octane, need: Octane, *, compression_rise: float = 0.0) -> str:
    """Whether a fuel has enough octane for an engine whose compression was raised.

    Parameters
    ----------
    fuel : Octane
    need : Octane
        What the maker asks for.
    compression_rise : float
        Compression ratio now less that of the engine as it was made.

    Returns
    -------
    margin : str
        ``"enough"``, ``"unclear"`` or ``"not enough"``.

    Notes
    -----
    Where the compression was lowered, the maker's number stays.

    Examples
    --------
    >>> octane_margin(Octane(95.0, "RON"), Octane(95.0, "RON"))
    'enough'
    >>> octane_margin(Octane(98.0, "RON"), Octane(95.0, "RON"), compression_rise=0.8)
    'unclear'
    >>> octane_margin(Octane(87.0, "AKI"), Octane(95.0, "RON"))
    'not enough'
    """
    rise = max(compression_rise, 0.0)
    least = need.value + PER_COMPRESSION.low * rise
    most = need.value + PER_COMPRESSION.high * rise
    has = on_scale(fuel, need.scale)
    if has.low >= most:
        return "enough"
    return "not enough" if has.high < least else "unclear"
