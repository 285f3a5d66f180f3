"""Road load from coast-downs: rolling out of gear on a near-level road, both ways."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import least_squares

from tuninglib.checks import plain, require
from tuninglib.physics.motion import Ride, even_climb, require_headway
from tuninglib.physics.road_load import RoadLoad
from tuninglib.statistics import mixed_model

# How strong the steady wind along the road may be about calm; how the wind varies from run to run,
# usually, and the standard deviation of the logarithm of that: known to a factor of 2.7. [m/s]
_STEADY_SD_M_S, _GUST_SD_M_S, _GUST_LOG_SD = 2.0, 0.6, 0.5
# How far a speed is misread with the needle of a dial and a thumb: usual, and the standard
# deviation of the logarithm of that. [m/s]
_MISREAD_M_S, _MISREAD_LOG_SD = 0.2, 0.7
# What a motorcycle with its rider has beforehand, so wide that it only counts where the falls say
# next to nothing: drag area, the standard deviation of its logarithm, rolling coefficient, its own.
_USUAL_AREA_M2, _AREA_LOG_SD, _USUAL_ROLLING, _ROLLING_SD = 0.5, 0.5, 0.015, 0.008
# Scatters and road load are sought in turn until the scatters move by less than a hundredth.
_MOST_TURNS, _NEAR = 12, 0.01
# Beyond it the times do not belong to what was written beside them: a row that is off by this share
# of a usual fall, and a wind that changes by so much from run to run.
_FAR, _FAR_GUST_M_S = 0.8, 4.0
# Where a bike would not slow down at all; far from any fall. [m/s]
_NOWHERE_M_S = 1e4


class _Falls:
    """What was timed, and how far a road load and winds are from it.

    Unknowns stand in one row: the logarithm of the drag area, rolling coefficient, the common wind,
    the wind of each run.
    """

    def __init__(self, data, correlation, model, run):
        _, self.place = np.unique(run, return_inverse=True)
        self.runs = int(self.place.max()) + 1
        self.data, self.model = data, model
        # Turns columns or data into ones with errors that are independent and of one size.
        self.turn = np.linalg.inv(np.linalg.cholesky(correlation))

    def modelled(self, at):
        """The data that unknowns would give."""
        return self.model(np.exp(at[0]), at[1], at[3:][self.place])

    def search(self, begin, variances):
        """The likeliest unknowns where both scatters are known; never beyond what can be."""
        gust_sd, misread_sd = np.sqrt(variances)

        def off(at):
            left = self.data - self.modelled(at)
            left = np.where(np.isfinite(left), left, _NOWHERE_M_S)
            beforehand = [
                at[2] / _STEADY_SD_M_S,
                (at[0] - np.log(_USUAL_AREA_M2)) / _AREA_LOG_SD,
                (at[1] - _USUAL_ROLLING) / _ROLLING_SD,
            ]
            gusts = (at[3:] - at[2]) / gust_sd
            return np.concatenate([self.turn @ left / misread_sd, gusts, beforehand])

        steps = np.array([0.3, 0.005, *np.ones(begin.size - 2)])
        return least_squares(off, begin, x_scale=steps, xtol=1e-10, ftol=1e-10, gtol=1e-10).x

    def linear(self, at) -> mixed_model.Rows:
        """The rows around there: the data if the model were its own tangent, drag area for its log.

        The common wind is no fixed coefficient: it has a prior. Each run has its own, all falls of
        a run the same: without this, many falls of one run would look like many independent ones,
        and the interval would be too narrow.
        """
        now, area = self.modelled(at), np.exp(at[0])
        # Forward differences of 1e-6, and 1e-5 for wind: the motion is smooth, and they are off by
        # about as much, far less than any timing is.
        slopes = [(self.modelled(at + 1e-6 * one) - now) / 1e-6 for one in np.eye(2, at.size)]
        slopes[0] = slopes[0] / area
        design = np.stack(slopes, axis=1)
        everywhere = np.zeros(at.size)
        everywhere[3:] = 1e-5
        blow = (self.modelled(at + everywhere) - now) / 1e-5
        by_run = blow[:, None] * (self.place[:, None] == np.arange(self.runs))
        target = self.data - now + design @ [area, at[1]] + by_run @ at[3:]
        target, design, by_run = (self.turn @ columns for columns in (target, design, by_run))
        blow = by_run.sum(1)
        # What is known beforehand, as two rows more.
        usual = np.array([area * (1 + np.log(_USUAL_AREA_M2) - at[0]), _USUAL_ROLLING])
        known = np.diag([*np.zeros(len(blow)), (area * _AREA_LOG_SD) ** 2, _ROLLING_SD**2])
        blow, by_run = np.append(blow, [0, 0]), np.vstack([by_run, np.zeros((2, self.runs))])
        read = np.diag([*np.ones(len(target)), 0.0, 0.0])
        gust = (by_run @ by_run.T)[None], _GUST_SD_M_S**2, _GUST_LOG_SD
        misread = read[None], _MISREAD_M_S**2, _MISREAD_LOG_SD
        return mixed_model.Rows(
            np.append(target, usual)[None],
            np.vstack([design, np.eye(2)])[None],
            np.zeros((1, known.shape[0], 0)),
            (known + _STEADY_SD_M_S**2 * np.outer(blow, blow))[None],
            (mixed_model.Component(*gust), mixed_model.Component(*misread)),
        )

    def require_sense(self, at, variances, usual_fall) -> None:
        """Refuse times that do not belong to what was written beside them."""
        left = np.abs(self.data - self.modelled(at))
        if left.max() < _FAR * usual_fall and np.sqrt(variances[0]) < _FAR_GUST_M_S:
            return
        raise ValueError(
            "no road load explains these coast-downs: the worst of them, row "
            f"{int(left.argmax()) + 1}, is {left.max():.2g} m/s from what the others say; check "
            "units, directions and times"
        )


def _fit_falls(falls: _Falls, ride: Ride, usual_fall) -> RoadLoad:
    """Scatters and road load in turn, then the interval averaged over what the scatters may be."""
    if falls.data.size <= 3:
        count = falls.data.size
        raise ValueError(f"{count} falls of speed are too few; time at least 4, both ways")
    at = np.array([np.log(ride.drag_area_m2), ride.rolling_coefficient, *np.zeros(1 + falls.runs)])
    if not np.all(np.isfinite(falls.modelled(at))):
        # Downhill the usual rolling coefficient need not hold a bike.
        at[1] += 0.1
    variances = np.array([_GUST_SD_M_S, _MISREAD_M_S]) ** 2
    for _ in range(_MOST_TURNS):
        at = falls.search(at, variances)
        rows = falls.linear(at)
        grid = mixed_model.variance_grid(rows)
        moved = np.abs(np.log(grid.middle / variances)).max()
        variances = grid.middle
        if moved < _NEAR:
            break
    falls.require_sense(at, variances, usual_fall)
    mixture = mixed_model.average_over_variances(rows, grid)
    found = [mixed_model.spread(mixture, unit) for unit in np.eye(2)]
    # Widths averaged over the scatters, correlation of the last fit: drag and rolling stay tied as
    # strongly as one fit ties them.
    sds = np.array([one.sd for one in found])
    covariance = mixed_model.fit_at(rows, variances).covariance
    own = np.sqrt(np.diag(covariance))
    return RoadLoad(
        drag_area_m2=float(np.exp(at[0])),
        rolling_coefficient=float(at[1]),
        covariance=covariance * np.outer(sds / own, sds / own),
        dof=min(one.dof for one in found),
        headwind_m_s=float(at[2]),
        source=f"{falls.runs} coast-downs",
    )


def coast_time_s(
    ride: Ride, *, from_speed_m_s: ArrayLike, to_speed_m_s: ArrayLike
) -> float | np.ndarray:
    """Time to slow down from one speed to another out of gear.

    Parameters
    ----------
    ride : Ride
        On an even road, positive grade if the bike climbs; the length does not count.
    from_speed_m_s, to_speed_m_s : float or array
        [m/s]

    Returns
    -------
    time_s : float or array
        NaN where the bike would not slow down to that speed. [s]

    Notes
    -----
    t = m_eff ∫ dz/(R + k z²) over the speed z through the air, with R of slope and rolling and
    k = ½ρCdA: m_eff/√(kR) · arctan(√(kR)(z1 − z2)/(R + k z1 z2)).

    Examples
    --------
    A 170 kg motorcycle of the table of 40 CFR 86.529-98 from 70 to 60 km/h; the table prints
    4.36 s:

    >>> from tuninglib.physics.motion import Hill
    >>> ride = Ride(hill=Hill(1000.0, 0.0), mass_kg=170.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=2 * 0.0244 * 3.6**2 / 1.2,
    ...             rolling_coefficient=6.06 / (170.0 * 9.80665))
    >>> coast_time_s(ride, from_speed_m_s=70 / 3.6, to_speed_m_s=60 / 3.6)
    4.3489
    """
    v1 = require(from_speed_m_s, "speed", "m/s", at_least=0, remedy="check its sign")
    v2 = require(to_speed_m_s, "speed", "m/s", at_least=0, remedy="check its sign")
    k = ride.air_density_kg_m3 * ride.drag_area_m2 / 2
    mass = ride.mass_kg + ride.rotating_mass_kg
    require_headway(np.minimum(v1, v2) + 1e-9, ride.wind_m_s)
    return plain(_fall_time(v1, v2, even_climb(ride), k, mass, ride.wind_m_s))


def _fall_time(v1, v2, resist, k, mass, wind):
    """Time from one speed to another; NaN where the bike does not slow down.

    Below the speed of a wind from behind the air pushes; the search for a wind may pass there.
    """
    z1, z2 = v1 + wind, v2 + wind
    against = _part_of_fall(np.maximum(z1, 0), np.maximum(z2, 0), resist, k, mass)
    return against + _part_of_fall(np.minimum(z1, 0), np.minimum(z2, 0), resist, -k, mass)


def _part_of_fall(z1, z2, resist, k, mass):
    """Time from one speed through the air to another, the air pulling (k > 0) or pushing."""
    with np.errstate(all="ignore"):
        ratio = (z1 - z2) / (resist + k * z1 * z2)
        # arctan becomes artanh where slope or air push more than rolling holds; for small x both
        # are 1 − x/3.
        x = k * resist * ratio**2
        root = np.sqrt(np.abs(x))
        factor = np.where(x > 0, np.arctan(root), np.arctanh(root)) / root
        factor = np.where(np.abs(x) < 1e-12, 1 - x / 3, factor)
        time = mass * ratio * factor
    least = resist + k * np.minimum(z1, z2) ** 2
    return np.where((z1 == z2) & (z1 == 0), 0.0, np.where(least > 0, time, np.nan))


def fit_coast_down(
    ride: Ride,
    *,
    run: ArrayLike,
    direction: ArrayLike,
    from_speed_m_s: ArrayLike,
    to_speed_m_s: ArrayLike,
    time_s: ArrayLike,
) -> RoadLoad:
    """Road load from timed falls of speed, both ways.

    Parameters
    ----------
    ride : Ride
        On an even road, its grade positive if it rises outward. Its drag area and rolling
        coefficient are where the search starts; the wind, which is found as well, is left at 0.
    run : array of int
        Which run each timed fall belongs to: falls of one run share its wind.
    direction : array of int
        +1 out, -1 back.
    from_speed_m_s, to_speed_m_s, time_s : array
        A fall of speed and the time it took. [m/s], [s]

    Returns
    -------
    RoadLoad
        With the wind against the rider on the way out, from the difference of directions.

    Notes
    -----
    Generalised least squares on the times, each scaled to the error of speed that it stands for,
    around the exact :func:`coast_time_s`; the wind of each run is its own, and the answer is
    averaged over what its scatter and that of the readings may be. Beforehand a drag area of 0.2 to
    1.3 m2 and a rolling coefficient of 0 to 0.03 are expected (ours, 95 %), which only counts where
    the falls tell next to nothing.

    Examples
    --------
    Two runs out and two back, each timed from 18 to 12 and from 12 to 7 m/s:

    >>> from tuninglib.physics.motion import Hill
    >>> ride = Ride(hill=Hill(1000.0, 0.0), mass_kg=200.0, rotating_mass_kg=8.0,
    ...             air_density_kg_m3=1.2, drag_area_m2=0.5, rolling_coefficient=0.012)
    >>> road = fit_coast_down(
    ...     ride, run=[1, 1, 2, 2, 3, 3, 4, 4], direction=[1, 1, -1, -1, 1, 1, -1, -1],
    ...     from_speed_m_s=[18, 12] * 4, to_speed_m_s=[12, 7] * 4,
    ...     time_s=[10.8, 15.5, 13.0, 18.9, 11.4, 16.3, 13.8, 20.1])
    >>> road.drag_area_m2, road.rolling_coefficient
    (0.552, 0.0152)
    """
    runs, ways, v1, v2, t = _columns(run, direction, from_speed_m_s, to_speed_m_s, time_s)
    if np.any(ride.wind_m_s):
        raise ValueError(
            f"wind is {np.max(ride.wind_m_s):g} m/s but must be 0 m/s; the fit finds it from the "
            "two directions"
        )
    require(v1 - v2, "fall of speed", "m/s", above=0, remedy="swap from and to")
    require(t, "time", "s", above=0, remedy="leave out what was not timed")
    # A misread speed costs this much time.
    per_speed = t / (v1 - v2)
    slope = ways * ride.hill.even_grade_ratio
    weight = ride.mass_kg * ride.gravity_m_s2 / np.sqrt(1 + slope**2)
    mass = ride.mass_kg + ride.rotating_mass_kg

    def model(area, rolling, wind):
        k, resist = ride.air_density_kg_m3 * area / 2, weight * (slope + rolling)
        return _fall_time(v1, v2, resist, k, mass, ways * wind) / per_speed

    # Two falls of a run that meet at one speed share the error of that reading, one as its end and
    # the other as its start.
    meet = (runs[:, None] == runs) & (v2[:, None] == v1)
    correlation = np.eye(t.size) - 0.5 * (meet | meet.T)
    return _fit_falls(_Falls(v1 - v2, correlation, model, runs), ride, np.mean(v1 - v2))


def _columns(run, direction, *columns):
    """Arrays of one length, with directions of ±1."""
    run, direction = np.asarray(run), np.asarray(direction, dtype=float)
    limits = {"at_least": 0, "remedy": "leave out the unread"}
    arrays = [np.asarray(require(one, "coast-down value", "", **limits)) for one in columns]
    sizes = {a.shape for a in (run, direction, *arrays)}
    if len(sizes) != 1 or run.ndim != 1:
        raise ValueError(f"the columns have shapes {sorted(sizes)}; give one value a row in each")
    if not np.all(np.abs(direction) == 1):
        raise ValueError("a direction is neither 1 (out) nor -1 (back); write one of the two")
    if len(set(direction.tolist())) < 2:
        raise ValueError(
            "all coast-downs went the same way, so that wind and slope look like road load; "
            "ride the same stretch in both directions"
        )
    return run, direction, *arrays
