"""Where the head's temperature would end on a long climb, on the day and on a hot one."""

from dataclasses import dataclass

import numpy as np

from tuninglib.analysis.stop_limits import stop_limits
from tuninglib.interval import Interval
from tuninglib.session.defaults import day_temperature_of
from tuninglib.statistics.warm_up import fit_warm_up

# A hot day in the sun (common practice). [K]
HOT_DAY_K = 308.15


@dataclass(frozen=True, kw_only=True)
class Climb:
    """One long climb.

    Attributes
    ----------
    climb : float
    setup : str
    readings : int
    hottest_k : float
        That was read.
    final_k, hot_day_k : Interval
        Where it would end, on the day and with air of 35 °C.
    time_constant_s : Interval
    told : bool
        Whether the readings tell the end.
    limit_k : float
    limit_is_stated : bool
    place : str
        Of the end on a hot day: ``"below"`` or ``"above"`` the limit, or ``"unclear"``.
    """

    climb: float
    setup: str
    readings: int
    hottest_k: float
    final_k: Interval
    hot_day_k: Interval
    time_constant_s: Interval
    told: bool
    limit_k: float
    limit_is_stated: bool
    place: str


def long_climbs(session) -> tuple:
    """Ends of all climbs, in the order of the file.

    Parameters
    ----------
    session : tuninglib.session.load.Session

    Returns
    -------
    tuple of Climb
        Empty where none was read.

    Notes
    -----
    Under the same load the head's excess over the air stays as it is, so that a hotter day moves
    the end by as much as the air [1]_ (cooling by the air's density is left out).

    References
    ----------
    .. [1] O. W. Schey, B. Pinkel, NACA Report 550 (1936): head temperature less that of the air.
    """
    limits, day = stop_limits(session), day_temperature_of(session)
    found = []
    for number, own in session.climbs.groupby("climb", sort=False):
        seen = own["head_temperature_k"].to_numpy()
        fit = fit_warm_up(own["time_s"].to_numpy(), seen)
        read = own["air_temperature_k"].dropna()
        air, doubt = (float(read.mean()), 0.0) if len(read) else (day.value, day.half_width)
        hot = _moved(fit.final_k, HOT_DAY_K - air, doubt)
        place = "unclear"
        if fit.told and hot.high < limits.hottest_k:
            place = "below"
        elif max(hot.low, float(seen.max())) > limits.hottest_k:
            place = "above"
        found.append(
            Climb(
                climb=float(number),
                setup=str(own["setup"].iloc[0]),
                readings=len(own),
                hottest_k=float(seen.max()),
                final_k=fit.final_k,
                hot_day_k=hot,
                time_constant_s=fit.time_constant_s,
                told=fit.told,
                limit_k=limits.hottest_k,
                limit_is_stated=limits.hottest_is_stated,
                place=place,
            )
        )
    return tuple(found)


def _moved(interval, by, doubt) -> Interval:
    """An interval moved by something that is not exactly known itself."""
    value = interval.value + by
    low = np.hypot(interval.value - interval.low, doubt)
    high = np.hypot(interval.high - interval.value, doubt)
    return Interval(value, float(value - low), float(value + high))
