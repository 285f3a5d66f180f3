"""A number with its 95 % interval."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Interval:
    """A value and its 95 % interval, which need not be symmetric.

    Attributes
    ----------
    value, low, high : float or array
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

    def at(self, place) -> "Interval":
        """One of several, or some, where value, low and high are arrays."""
        return Interval(self.value[place], self.low[place], self.high[place])
