"""Lambda readings of full-throttle runs: low and high, the ends of the gauge, and checks."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import plain, require
from tuninglib.physics.injector import metering_demand


class Midpoint(NamedTuple):
    """Middle of a reading, and its standard deviation relative to the middle."""

    middle: float
    relative_sd: float


def reading_midpoint(low: ArrayLike, high: ArrayLike, *, resolution: ArrayLike = 0.0) -> Midpoint:
    """Middle of what the gauge showed during a run, and how well it stands for the run's mean.

    Parameters
    ----------
    low, high : float or array
        Lowest and highest reading, as lambda or on the gauge's scale.
    resolution : float or array
        The last step that the gauge prints, in the same unit.

    Returns
    -------
    Midpoint
        In the unit of the readings.

    Notes
    -----
    The mean lies between the two, more likely near the middle: a triangular distribution of
    standard deviation ``(high - low) / sqrt(24)`` ([1]_, 4.3.9). Rounding adds a rectangular one,
    ``resolution / sqrt(12)`` ([1]_, F.2.2.1), in quadrature.

    Examples
    --------
    >>> reading_midpoint(12.6, 13.0, resolution=0.1)
    Midpoint(middle=12.8, relative_sd=0.00677)

    References
    ----------
    .. [1] JCGM 100:2008 (GUM).
    """
    low = require(low, "gauge reading", "", above=0)
    high = require(high, "gauge reading", "", above=0)
    resolution = require(resolution, "gauge resolution", "", at_least=0)
    if np.any(low > high):
        raise ValueError("a low gauge reading is above its high one; swap the two")
    middle = (low + high) / 2
    # Independent errors add in squares. Over the middle, since all that follows is in logarithms of
    # lambda, where a relative error is an absolute one.
    relative_sd = np.sqrt((high - low) ** 2 / 24 + resolution**2 / 12) / middle
    return Midpoint(plain(middle), plain(relative_sd))


def wide_spread(low: ArrayLike, high: ArrayLike, *, widest: float) -> bool | np.ndarray:
    """Whether a reading's ends are further apart than a steady engine's.

    Parameters
    ----------
    low, high : float or array
        Lowest and highest reading.
    widest : float
        That a steady one may show, in the same unit.

    Returns
    -------
    wide : bool, or array of bool

    Examples
    --------
    >>> wide_spread(12.6, 13.0, widest=0.5), wide_spread(12.6, 15.0, widest=0.5)
    (False, True)
    """
    # A spread of just the limit, typed in decimals, is not beyond it by rounding.
    wide = np.asarray(high) - np.asarray(low) > widest * (1 + 1e-9)
    return wide if np.ndim(wide) else bool(wide)


def steady_sd(low: ArrayLike, high: ArrayLike) -> float | np.ndarray:
    """How well the middle stands for the steady reading, where the ends are a transient's.

    Parameters
    ----------
    low, high : float or array
        Lowest and highest reading of the whole run.

    Returns
    -------
    relative_sd : float or array

    Notes
    -----
    The steady reading may stand anywhere between the two, as likely at an end as in the middle: a
    rectangular distribution of standard deviation ``(high - low) / sqrt(12)`` ([1]_, 4.3.7). Other
    runs of the rider have the same transient, so that this does not average out.

    Examples
    --------
    >>> steady_sd(12.6, 15.0)
    0.0502

    References
    ----------
    .. [1] JCGM 100:2008 (GUM).
    """
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    return plain((high - low) / np.sqrt(12) / ((low + high) / 2))


def pegged(
    low: ArrayLike,
    high: ArrayLike,
    *,
    gauge_lowest: float = 0.0,
    gauge_highest: float = np.inf,
    resolution: float = 0.0,
) -> bool | np.ndarray:
    """Whether a reading stands at the end of the gauge, where it only says "beyond this".

    Parameters
    ----------
    low, high : float or array
        Lowest and highest reading.
    gauge_lowest, gauge_highest : float
        Richest and leanest that the gauge can print, in the same unit.
    resolution : float
        The last step that it prints; readings within half of it count as at the end.

    Returns
    -------
    pegged : bool, or array of bool
        Leave these out of :func:`~tuninglib.statistics.ladder.fit_ladder`, and say so.

    Examples
    --------
    >>> pegged(9.9, 10.4, gauge_lowest=10.0, gauge_highest=20.0)
    True
    >>> pegged(12.6, 13.0, gauge_lowest=10.0, gauge_highest=20.0)
    False
    """
    # A gauge prints steps: within half a step of its end the true value may lie beyond.
    margin = 0.5 * resolution
    at_end = np.asarray(low) <= gauge_lowest + margin
    at_end = at_end | (np.asarray(high) >= gauge_highest - margin)
    return at_end if np.ndim(at_end) else bool(at_end)


@dataclass(frozen=True, kw_only=True)
class Readings:
    """Readings of a session, checked and brought to one length; one entry a run.

    Parameters
    ----------
    lambda_low, lambda_high : array (n,)
        Lowest and highest lambda of each run; none pegged.
    flow_m3_s : array (n,)
        Stated or measured flow of the run's injector at the bike's fuel pressure, the same on all
        fuels, or on each fuel by :func:`tuninglib.physics.injector.flow_on_fuel`. [m3/s]
    injector, engine : sequence of str, or one for all
        Names, one for each run.
    stoichiometric_ratio, density_kg_m3 : array (n,) or float
        Of the fuel in the tank. [1], [kg/m3]
    fuel : sequence of str, or one for all
        Name of that fuel; left out: all of one, of which everything is known.
    resolution : float or array
        The last step of the gauge, as lambda.
    offset : float or array
        Logarithm of the run's air density over a common one where the controller does not
        compensate for it; 0 where it does.
    weight : float or array
        0 to 1: the variance of a reading is what is assumed of it, over this. Of
        :mod:`tuninglib.statistics.repeats`.

    Examples
    --------
    >>> readings = Readings(
    ...     lambda_low=[0.86, 0.87], lambda_high=[0.88, 0.89], flow_m3_s=2.5e-6, injector="a",
    ...     engine="stock", stoichiometric_ratio=14.3, density_kg_m3=745.0)
    >>> readings.injector
    ('a', 'a')
    """

    lambda_low: np.ndarray
    lambda_high: np.ndarray
    flow_m3_s: np.ndarray
    injector: Sequence[str]
    engine: Sequence[str]
    stoichiometric_ratio: np.ndarray
    density_kg_m3: np.ndarray
    fuel: Sequence[str] = ""
    resolution: np.ndarray = 0.0
    offset: np.ndarray = 0.0
    weight: np.ndarray = 1.0

    def __post_init__(self):
        columns = [np.asarray(getattr(self, name), dtype=float) for name in _NUMBERS]
        shape = np.broadcast_shapes(*(column.shape for column in columns))
        if len(shape) != 1 or shape[0] == 0:
            raise ValueError("there is no reading; give one array entry for each run")
        for name, column in zip(_NUMBERS, columns, strict=True):
            object.__setattr__(self, name, np.broadcast_to(column, shape))
        for name in ("injector", "engine", "fuel"):
            object.__setattr__(self, name, _names(getattr(self, name), shape[0]))
        for value in (self.lambda_low, self.lambda_high):
            remedy = "divide the reading by the gauge's scale"
            # Far wider than petrol burns, but an air-fuel ratio such as 12.7, typed for lambda,
            # does not pass.
            require(value, "lambda", "", at_least=0.4, at_most=2.5, remedy=remedy)
        remedy = "1 cm3/min is 1.667e-8 m3/s"
        require(self.flow_m3_s, "flow", "m3/s", at_least=1e-8, at_most=1e-3, remedy=remedy)
        require(self.stoichiometric_ratio, "stoichiometric ratio", "", above=0)
        require(self.density_kg_m3, "density", "kg/m3", above=0)
        require(self.offset, "offset", "", remedy="give 0 where there is none")
        reading_midpoint(self.lambda_low, self.lambda_high, resolution=self.resolution)

    @property
    def log_lambda(self) -> np.ndarray:
        """Logarithm of the middle of each reading."""
        return np.log((self.lambda_low + self.lambda_high) / 2)

    @property
    def relative_sd(self) -> np.ndarray:
        """How well each middle stands for its run: :func:`reading_midpoint`."""
        found = reading_midpoint(self.lambda_low, self.lambda_high, resolution=self.resolution)
        return np.asarray(found.relative_sd)

    @property
    def log_fuel(self) -> np.ndarray:
        """Logarithm of what each fuel asks for."""
        # A fixed opening passes mass in proportion to the root of density (Bernoulli).
        return np.log(metering_demand(self.stoichiometric_ratio, self.density_kg_m3))


_NUMBERS = (
    "lambda_low", "lambda_high", "flow_m3_s", "stoichiometric_ratio", "density_kg_m3",
    "resolution", "offset", "weight",
)  # fmt: skip


def _names(names, count):
    names = (names,) * count if isinstance(names, str) else tuple(str(name) for name in names)
    if len(names) != count:
        raise ValueError(f"{len(names)} names for {count} readings; give one name for each run")
    return names
