"""Road load from coast-downs: rolling out of gear on a near-level road, both ways."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import plain, require
from tuninglib.physics.motion import Ride, even_climb, require_headway
from tuninglib.physics.road_load import RoadLoad
from tuninglib.statistics.mixed_model import (
    Component,
    Rows,
    average_over_variances,
    fit_at,
    spread,
    variance_grid,
)

# Road load from coast-downs: what is taken of the wind -------------------------------------------


@dataclass(frozen=True, kw_only=True)
class WindSds:
    """How far the wind of a day may be from calm, and how it varies.

    Parameters
    ----------
    steady_sd_m_s : float
        How strong the steady wind along the road may be (standard deviation around calm). [m/s]
    gust_sd_m_s, gust_log_sd : float
        How the wind varies from run to run, and the standard deviation of the logarithm of that:
        0.5 for known to within a factor of 2.7. [m/s]
    """

    steady_sd_m_s: float = 2.0
    gust_sd_m_s: float = 0.6
    gust_log_sd: float = 0.5


USUAL_WIND = WindSds()

# The fit: least squares, a wind for each run ------------------------------------------------------

_MOST_STEPS, _NEAR = 30, 1e-3
# How far a speed is misread: from a millimetre a second in a log to metres a second by eye.
_MISREAD_M_S, _MISREAD_LOG_SD = 0.05, 2.0


def _fit_falls(data, correlation, model, run, direction, start, wind):
    """Gauss-Newton steps, each a mixed fit of the linearised model.

    The search starts at drag area [m2], rolling coefficient, wind [m/s] and whatever the model
    takes beyond these.
    """
    _, place = np.unique(run, return_inverse=True)
    if len(set(direction.tolist())) < 2:
        raise ValueError(
            "all coast-downs went the same way, so that wind and slope look like road load; "
            "ride the same stretch in both directions"
        )
    root = np.linalg.cholesky(correlation)
    # The common wind (2) is no fixed coefficient: it has a prior and comes from the residuals
    # below.
    fixed = np.array([0, 1, *range(3, start.size)])
    if data.size <= fixed.size + 1:
        raise ValueError(f"{data.size} falls of speed are too few; time at least 4, both ways")
    parameters = start
    winds, moved = np.zeros(place.max() + 1), np.inf
    for _ in range(_MOST_STEPS):
        now = model(parameters, winds[place])
        # Forward differences of 1e-6, and 1e-5 for wind: the motion is smooth, and they are off by
        # about as much, far less than any timing is.
        slopes = [(model(parameters + step, winds[place]) - now) / step.sum()
                  for step in np.diag(np.full(parameters.size, 1e-6))[fixed]]  # fmt: skip
        design = np.stack(slopes, axis=1)
        blow = (model(parameters, winds[place] + 1e-5) - now) / 1e-5
        by_run = blow[:, None] * (place[:, None] == np.arange(winds.size))
        # Linear around here: what the data would be if the model were its own tangent.
        target = data - now + design @ parameters[fixed] + by_run @ winds
        columns = np.column_stack([target, design, by_run])
        columns, noise = _condensed(np.linalg.solve(root, columns), place)
        target, design, by_run = np.split(columns, [1, 1 + fixed.size], axis=1)
        target, blow = target[:, 0], by_run.sum(1)
        # Each run has its own wind, all falls of a run the same: without this, many falls of one
        # run would look like many independent ones, and the interval would be too narrow.
        gust = Component((by_run @ by_run.T)[None], wind.gust_sd_m_s**2, wind.gust_log_sd)
        rows = Rows(
            target[None],
            design[None],
            np.zeros((1, target.size, 0)),
            (wind.steady_sd_m_s**2 * np.outer(blow, blow))[None],
            (gust, noise),
        )
        # Near the end of the search the scatters hardly change with where it stands.
        if moved > _NEAR:
            variances = variance_grid(rows).middle
        fit = fit_at(rows, variances)
        residuals = fit.scaled_residuals[0]
        new = parameters.copy()
        new[fixed] = fit.coefficients
        # Best linear prediction of the winds: prior variance times slope times scaled residual.
        common = wind.steady_sd_m_s**2 * (blow @ residuals)
        new[2] = common
        new_winds = common + fit.variances[0] * (by_run.T @ residuals)
        # Half the step, and half again, while it leads to where a bike would never slow down.
        share = 1.0
        while not np.all(np.isfinite(model(_between(parameters, new, share),
                                           _between(winds, new_winds, share)[place]))):  # fmt: skip
            share /= 2
            if share < 1e-3:
                raise ValueError(
                    "no road load explains these coast-downs; check units, directions and times"
                )
        moved = np.max(np.abs(new - parameters))
        parameters = _between(parameters, new, share)
        winds = _between(winds, new_winds, share)
        if moved < 1e-8:
            break
    area, rolling = parameters[:2]
    if area <= 0:
        raise ValueError(
            f"the coast-downs give a drag area of {area:.3g} m2; "
            "use a wider range of speeds, or check the times"
        )
    mixture = average_over_variances(rows, variance_grid(rows))
    found = [spread(mixture, unit) for unit in np.eye(fixed.size)[:2]]
    # Widths averaged over the scatters, correlation of the last fit: drag and rolling stay tied as
    # strongly as one fit ties them.
    sds = np.array([one.sd for one in found])
    covariance = fit.covariance[:2, :2]
    if not np.all(np.diag(covariance) > 0):
        raise ValueError(
            f"{data.size} falls of speed fit so closely that they do not tell how far off they "
            "are; time more, both ways"
        )
    own = np.sqrt(np.diag(covariance))
    return RoadLoad(
        drag_area_m2=float(area),
        rolling_coefficient=float(rolling),
        covariance=covariance * np.outer(sds / own, sds / own),
        dof=min(one.dof for one in found),
        headwind_m_s=float(parameters[2]),
        source=f"{winds.size} coast-downs",
    )


def _condensed(columns, place):
    """The same rows turned within each run so that only a few hold signal, and the noise left.

    What stands at right angles to all slopes of a run is noise alone: it says how large the noise
    is, with so many degrees of freedom, and nothing else.
    """
    rows, squares, dof = [], 0.0, 0
    for one in range(place.max() + 1):
        own = columns[place == one]
        slopes = own[:, 1:]
        base, values, _ = np.linalg.svd(slopes, full_matrices=False)
        base = base[:, values > 1e-12 * values[0]]
        turned = base.T @ own
        rows.append(turned)
        squares += own[:, 0] @ own[:, 0] - turned[:, 0] @ turned[:, 0]
        dof += own.shape[0] - base.shape[1]
    rows = np.concatenate(rows)
    seen = (max(squares / dof, 1e-8), dof) if dof else (1.0, 0)
    return rows, Component(np.eye(len(rows))[None], _MISREAD_M_S**2, _MISREAD_LOG_SD, seen)


def _between(old, new, share):
    return old + share * (new - old)


# Road load from coast-downs -----------------------------------------------------------------------


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
    v1 = require(from_speed_m_s, what="speed", unit="m/s", at_least=0, remedy="check its sign")
    v2 = require(to_speed_m_s, what="speed", unit="m/s", at_least=0, remedy="check its sign")
    k = ride.air_density_kg_m3 * ride.drag_area_m2 / 2
    mass = ride.mass_kg + ride.rotating_mass_kg
    require_headway(np.minimum(v1, v2) + 1e-9, ride.wind_m_s)
    return plain(_fall_time(v1, v2, even_climb(ride), k, mass, ride.wind_m_s))


def _fall_time(v1, v2, resist, k, mass, wind):
    """Time from one speed to another; NaN where the bike does not slow down, or is blown along."""
    z1, z2 = v1 + wind, v2 + wind
    with np.errstate(all="ignore"):
        ratio = (z1 - z2) / (resist + k * z1 * z2)
        # arctan becomes artanh where the slope pushes more than rolling holds; for small x both are
        # 1 − x/3.
        x = k * resist * ratio**2
        root = np.sqrt(np.abs(x))
        factor = np.where(x > 0, np.arctan(root), np.arctanh(root)) / root
        factor = np.where(np.abs(x) < 1e-12, 1 - x / 3, factor)
        time = mass * ratio * factor
    slowest = np.minimum(z1, z2)
    return np.where((slowest > -1e-9) & (resist + k * slowest**2 > 0), time, np.nan)


def fit_coast_down(
    ride: Ride,
    *,
    run: ArrayLike,
    direction: ArrayLike,
    from_speed_m_s: ArrayLike,
    to_speed_m_s: ArrayLike,
    time_s: ArrayLike,
    wind: WindSds = USUAL_WIND,
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
    wind : WindSds

    Returns
    -------
    RoadLoad
        With the wind against the rider on the way out, from the difference of directions.

    Notes
    -----
    Generalised least squares on the times, each scaled to the error of speed that it stands for,
    around the exact :func:`coast_time_s`; the wind of each run is its own, and the answer is
    averaged over what its scatter and that of the readings may be.

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
    (0.553, 0.0153)
    """
    run, direction, v1, v2, t = _columns(run, direction, from_speed_m_s, to_speed_m_s, time_s)
    require(v1 - v2, what="fall of speed", unit="m/s", above=0, remedy="swap from and to")
    require(t, what="time", unit="s", above=0, remedy="leave out what was not timed")
    # A misread speed costs this much time.
    per_speed = t / (v1 - v2)
    resist_at = _resistance(ride, direction)
    mass = ride.mass_kg + ride.rotating_mass_kg
    if np.ptp(v1) == np.ptp(v2) == 0:
        raise ValueError(
            "all falls are between the same two speeds, which cannot tell drag from rolling; time "
            "at least two ranges of speed, both ways"
        )

    def model(parameters, wind):
        area, rolling = parameters[:2]
        k = ride.air_density_kg_m3 * area / 2
        return _fall_time(v1, v2, resist_at(rolling), k, mass, direction * wind) / per_speed

    # Two falls of a run that meet at one speed share the error of that reading, one as its end and
    # the other as its start.
    meet = (run[:, None] == run) & (v2[:, None] == v1)
    correlation = np.eye(t.size) - 0.5 * (meet | meet.T)
    return _fit_falls(
        t / per_speed, correlation, model, run, direction, _start(ride), wind
    )  # fmt: skip


def fit_coast_down_trace(
    ride: Ride,
    *,
    run: ArrayLike,
    direction: ArrayLike,
    time_s: ArrayLike,
    speed_m_s: ArrayLike,
    wind: WindSds = USUAL_WIND,
) -> RoadLoad:
    """Road load from logged speeds of coast-downs, both ways.

    Parameters
    ----------
    ride, run, direction
        As in :func:`fit_coast_down`.
    time_s, speed_m_s : array
        Of each logged point; the time may start anywhere in each run. [s], [m/s]
    wind : WindSds

    Returns
    -------
    RoadLoad

    Notes
    -----
    As :func:`fit_coast_down`, on the speeds; the first speed of each run is a parameter of its
    own.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.tile([0.0, 5.0, 10.0, 15.0], 2)
    >>> speed = [18.0, 14.8, 12.1, 9.9, 18.0, 15.2, 12.8, 10.8]
    >>> from tuninglib.physics.motion import Hill
    >>> ride = Ride(hill=Hill(1000.0, 0.0), mass_kg=200.0, rotating_mass_kg=8.0,
    ...             air_density_kg_m3=1.2, drag_area_m2=0.5, rolling_coefficient=0.012)
    >>> road = fit_coast_down_trace(
    ...     ride, run=np.repeat([1, 2], 4), direction=np.repeat([1, -1], 4), time_s=time,
    ...     speed_m_s=speed)
    >>> road.source
    '2 coast-downs'
    """
    run, direction, t, v = _columns(run, direction, time_s, speed_m_s)
    _, first, place = np.unique(run, return_index=True, return_inverse=True)
    t = t - t[first][place]
    resist_at = _resistance(ride, direction)
    mass = ride.mass_kg + ride.rotating_mass_kg

    def model(parameters, wind):
        area, rolling = parameters[:2]
        kappa, a = ride.air_density_kg_m3 / 2 * area / mass, -resist_at(rolling) / mass
        z0 = parameters[3:][place] + direction * wind
        q = np.sqrt(np.abs(a * kappa)) + 1e-12
        falling = a * kappa < 0
        s = np.where(falling, np.sin(q * t), np.sinh(q * t)) / q
        c = np.where(falling, np.cos(q * t), np.cosh(q * t))
        return (a * s + z0 * c) / (c + kappa * z0 * s) - direction * wind

    return _fit_falls(
        v, np.eye(v.size), model, run, direction, _start(ride, v[first]), wind
    )  # fmt: skip


def _start(ride, first_speeds=()):
    """Drag area, rolling coefficient and wind, then what else is sought."""
    if np.any(ride.wind_m_s):
        raise ValueError(
            f"wind is {np.max(ride.wind_m_s):g} m/s but must be 0 m/s; the fit finds it from the "
            "two directions"
        )
    return np.array([ride.drag_area_m2, ride.rolling_coefficient, 0.0, *first_speeds])


def _resistance(ride, direction):
    """Force of slope and rolling each way, as a function of the rolling coefficient."""
    slope = direction * ride.hill.even_grade_ratio
    weight = ride.mass_kg * ride.gravity_m_s2 / np.sqrt(1 + slope**2)
    return lambda rolling: weight * (slope + rolling)


def _columns(run, direction, *columns):
    """Arrays of one length, with directions of ±1."""
    run, direction = np.asarray(run), np.asarray(direction, dtype=float)
    arrays = [
        np.asarray(
            require(c, what="coast-down value", unit="", at_least=0, remedy="leave out the unread")
        )
        for c in columns
    ]
    sizes = {a.shape for a in (run, direction, *arrays)}
    if len(sizes) != 1 or run.ndim != 1:
        raise ValueError(f"the columns have shapes {sorted(sizes)}; give one value a row in each")
    if not np.all(np.abs(direction) == 1):
        raise ValueError("a direction is neither 1 (out) nor -1 (back); write one of the two")
    return run, direction, *arrays
