"""A number with its 95 % interval: symmetric, as people state it, or as the sums find it."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np


# Half-width of a 95 % interval of a normal distribution, in standard deviations.
Z_95 = 1.959963984540054


@dataclass(frozen=True)
class Measured:
    """A value with the half-width of its 95 % interval, both in the same SI unit.

    Everywhere in this project "a ± b" means: 95 times out of 100 the truth lies within b of a.

    Attributes
    ----------
    value : float
        In SI.
    half_width : float
        Of its 95 % interval.
    """

    value: float
    half_width: float = 0.0

    @property
    def sd(self) -> float:
        """Standard deviation of the normal distribution that has this 95 % interval."""
        return self.half_width / Z_95


@dataclass(frozen=True)
class Interval:
    """A value and its 95 % interval, which need not be symmetric.

    Attributes
    ----------
    value : float or array
        Likeliest value, in the unit of the key that holds the interval.
    low : float or array
        Lower end of the 95 % interval.
    high : float or array
        Upper end of the 95 % interval.
    """

    value: float
    low: float
    high: float

    @property
    def half_width(self) -> float:
        """Half the width of the interval."""
        return (self.high - self.low) / 2

    def scaled(self, factor: float) -> "Interval":
        """The same in another unit."""
        return Interval(self.value * factor, self.low * factor, self.high * factor)

    def at(self, place: "int | slice | np.ndarray") -> "Interval":
        """One of several, or some, where value, low and high are arrays."""
        return Interval(self.value[place], self.low[place], self.high[place])
