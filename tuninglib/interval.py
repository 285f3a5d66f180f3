"""A number with its 95 % interval: symmetric, as people state it, or as the sums find it."""

from dataclasses import dataclass

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

    @property
    def interval(self) -> "Interval":
        """The same with both ends."""
        return Interval(self.value, self.value - self.half_width, self.value + self.half_width)


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

    def turned(self) -> "Interval":
        """The same on the other side of zero."""
        return Interval(-self.value, -self.high, -self.low)

    def at(self, place: int | slice | np.ndarray) -> "Interval":
        """One of several, or some, where value, low and high are arrays."""
        return Interval(self.value[place], self.low[place], self.high[place])


def interval_of_density(density: np.ndarray, points: np.ndarray) -> Interval:
    """Mean and 95 % interval of a density that is known on even points, by the trapezoidal rule.

    Examples
    --------
    >>> interval_of_density(np.ones(101), np.linspace(0.0, 1.0, 101))
    Interval(value=0.5, low=0.025, high=0.975)
    """
    below = np.cumsum(np.concatenate([[0.0], (density[1:] + density[:-1]) / 2]))
    low, high = np.interp([0.025, 0.975], below / below[-1], points)
    return Interval(float(density @ points / density.sum()), float(low), float(high))
