"""What days have in common: how far runs, riders, winds and engines usually differ.

One population of days, stated here and used always, beside whatever a day's own rows say. Where no
source is named it is common practice: what riders who repeat runs on one hill find.
"""

from dataclasses import dataclass
from typing import NamedTuple


class LogNormal(NamedTuple):
    """A standard deviation that is itself known within limits only.

    Attributes
    ----------
    median : float
    log_sd : float
        Of its natural logarithm: 0.5 says that 95 of 100 days have it within a factor of 2.7.
    """

    median: float
    log_sd: float


class Kinds(NamedTuple):
    """A normal unknown that is usually small, on some days large.

    Attributes
    ----------
    sds : tuple of float
        Its standard deviation on each kind of day.
    chances : tuple of float
        Of the kinds; they sum to 1.
    """

    sds: tuple[float, ...]
    chances: tuple[float, ...]

    @property
    def sd(self) -> float:
        """Over all kinds of days."""
        parts = zip(self.sds, self.chances, strict=True)
        return sum(chance * sd**2 for sd, chance in parts) ** 0.5


# Wheel force from run to run, reading excluded, wind included: 95 of 100 days between 1 and 7 %.
RUN_SCATTER = LogNormal(0.026, 0.5)
# Where the way down tells the wind apart, what is left is the engine's and the rider's part.
ENGINE_SHARE = 0.5
# Mean wind of a run along the hill, against that of the day; 0.5 m/s is a light air (Beaufort 1).
RUN_WIND_M_S = LogNormal(0.5, 0.6)
# And its change until the way down, minutes later: winds minutes apart are nearly as unlike as
# winds of two runs, on some days much less so.
WIND_CHANGE_M_S = LogNormal(0.5, 0.7)

# And how far it goes up or down steadily from the first run to the last: little, but on one outing
# in ten, in the hours in which wind gets up or dies (Beaufort 2 to calm in an evening).
WIND_OVER_THE_OUTING_M_S = Kinds((0.5, 2.0), (0.9, 0.1))

# Each rider on his own, beyond mass and drag: how he shifts and holds the throttle.
RIDER_EFFECT_SD = 0.03
# Breathing of one engine against another, beyond displacement.
BREATHING_SD = 0.10
# Gains of one engine among its injectors: torque over lambda is nearly flat inside the usual band
# (2 %), and a few per cent lower a tenth of lambda beside it.
MIXTURE_SD = 0.03


@dataclass(frozen=True)
class Scatters:
    """Of a day: what is usual of the standard deviations that its runs tell in part.

    Parameters
    ----------
    run : LogNormal
        Wheel force from run to run, where nobody rolled back down.
    wind_m_s, wind_change_m_s : LogNormal
        With ways down: wind from run to run, and its change until the way down. [m/s]
    """

    run: LogNormal = RUN_SCATTER
    wind_m_s: LogNormal = RUN_WIND_M_S
    wind_change_m_s: LogNormal = WIND_CHANGE_M_S

    @property
    def engine(self) -> LogNormal:
        """What is left of ``run`` where the way down tells the wind."""
        return LogNormal(ENGINE_SHARE * self.run.median, self.run.log_sd)


USUAL = Scatters()
