"""Road load from coast-downs: rolling out of gear on a near-level road, both ways."""

from dataclasses import dataclass

import numpy as np

from tuninglib.checks import plain, require
from tuninglib.physics._motion import require_headway
from tuninglib.physics.air import STANDARD_GRAVITY_M_S2
from tuninglib.physics.road_load import RoadLoad
from tuninglib.statistics._coast_down_fit import fit_falls


@dataclass(frozen=True, kw_only=True)
class Bike:
    """Bike, rider and air of a coast-down.

    Parameters
    ----------
    mass_kg, rotating_mass_kg : float
        Bike and rider; what turning wheels add. [kg]
    air_density_kg_m3 : float
        [kg/m3]
    gravity_m_s2 : float
        [m/s2]
    """

    mass_kg: float
    rotating_mass_kg: float
    air_density_kg_m3: float
    gravity_m_s2: float = STANDARD_GRAVITY_M_S2

    def __post_init__(self):
        for name, unit in (("mass_kg", "kg"), ("air_density_kg_m3", "kg/m3")):
            require(getattr(self, name), what=name, unit=unit, above=0, remedy="measure it")


def coast_time_s(
    *,
    from_speed_m_s,
    to_speed_m_s,
    mass_kg,
    air_density_kg_m3,
    drag_area_m2,
    rolling_coefficient,
    rotating_mass_kg=0.0,
    grade_ratio=0.0,
    wind_m_s=0.0,
    gravity_m_s2=STANDARD_GRAVITY_M_S2,
):
    """Time to slow down from one speed to another out of gear.

    Parameters
    ----------
    from_speed_m_s, to_speed_m_s : float or array
        [m/s]
    mass_kg, rotating_mass_kg, air_density_kg_m3, drag_area_m2, rolling_coefficient, wind_m_s, \
gravity_m_s2
        As in :func:`tuninglib.physics.hill.wheel_force_n`.
    grade_ratio : float or array
        Rise over run, positive if the bike climbs. [unitless]

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

    >>> coast_time_s(from_speed_m_s=70 / 3.6, to_speed_m_s=60 / 3.6, mass_kg=170.0,
    ...     air_density_kg_m3=1.2, drag_area_m2=2 * 0.0244 * 3.6**2 / 1.2,
    ...     rolling_coefficient=6.06 / (170.0 * 9.80665))
    4.3489
    """
    v1 = require(from_speed_m_s, what="speed", unit="m/s", at_least=0, remedy="check its sign")
    v2 = require(to_speed_m_s, what="speed", unit="m/s", at_least=0, remedy="check its sign")
    grade = np.asarray(grade_ratio, dtype=float)
    resist = mass_kg * gravity_m_s2 * (grade + rolling_coefficient) / np.sqrt(1 + grade**2)
    k = air_density_kg_m3 * np.asarray(drag_area_m2, dtype=float) / 2
    require_headway(np.minimum(v1, v2) + 1e-9, wind_m_s)
    z1, z2 = v1 + wind_m_s, v2 + wind_m_s
    with np.errstate(all="ignore"):
        ratio = (z1 - z2) / (resist + k * z1 * z2)
        x = k * resist * ratio**2
        root = np.sqrt(np.abs(x))
        factor = np.where(x > 0, np.arctan(root), np.arctanh(root)) / root
        factor = np.where(np.abs(x) < 1e-12, 1 - x / 3, factor)
        time = (mass_kg + rotating_mass_kg) * ratio * factor
    return plain(np.where((resist + k * np.minimum(z1, z2) ** 2 > 0), time, np.nan))


def fit_coast_down(
    *,
    run,
    direction,
    from_speed_m_s,
    to_speed_m_s,
    time_s,
    bike: Bike,
    grade_ratio=0.0,
    wind_sd_m_s=2.0,
    gust_sd_m_s=0.6,
    gust_dof=4.0,
) -> RoadLoad:
    """Road load from timed falls of speed, both ways.

    Parameters
    ----------
    run : array of int
        Which run each timed fall belongs to: falls of one run share its wind.
    direction : array of int
        +1 out, -1 back.
    from_speed_m_s, to_speed_m_s, time_s : array
        A fall of speed and the time it took. [m/s], [s]
    bike : Bike
    grade_ratio : float
        Of the road, rising outward. [unitless]
    wind_sd_m_s : float
        How strong the steady wind along the road may be (standard deviation around calm). [m/s]
    gust_sd_m_s, gust_dof : float
        How the wind varies from run to run, and how many degrees of freedom that statement is
        worth. [m/s]

    Returns
    -------
    RoadLoad
        With the wind against the rider on the way out, from the difference of directions.

    Notes
    -----
    Generalised least squares on the times, each scaled to the error of speed that it stands for,
    around the exact :func:`coast_time_s`; the wind of each run is its own, and both its scatter
    and that of the readings are estimated by restricted likelihood.

    Examples
    --------
    Two runs out and two back, each timed from 18 to 12 and from 12 to 7 m/s:

    >>> road = fit_coast_down(
    ...     run=[1, 1, 2, 2, 3, 3, 4, 4], direction=[1, 1, -1, -1, 1, 1, -1, -1],
    ...     from_speed_m_s=[18, 12] * 4, to_speed_m_s=[12, 7] * 4,
    ...     time_s=[10.8, 15.5, 13.0, 18.9, 11.4, 16.3, 13.8, 20.1],
    ...     bike=Bike(mass_kg=200.0, rotating_mass_kg=8.0, air_density_kg_m3=1.2))
    >>> road.drag_area_m2, road.rolling_coefficient
    (0.553, 0.0153)
    """
    run, direction, v1, v2, t = _columns(run, direction, from_speed_m_s, to_speed_m_s, time_s)
    require(v1 - v2, what="fall of speed", unit="m/s", above=0, remedy="swap from and to")
    require(t, what="time", unit="s", above=0, remedy="leave out what was not timed")
    # A misread speed costs this much time.
    per_speed = t / (v1 - v2)

    def model(parameters, wind):
        area, rolling = parameters[:2]
        time = coast_time_s(
            from_speed_m_s=v1,
            to_speed_m_s=v2,
            mass_kg=bike.mass_kg,
            rotating_mass_kg=bike.rotating_mass_kg,
            air_density_kg_m3=bike.air_density_kg_m3,
            drag_area_m2=area,
            rolling_coefficient=rolling,
            grade_ratio=direction * grade_ratio,
            wind_m_s=direction * wind,
            gravity_m_s2=bike.gravity_m_s2,
        )
        return time / per_speed

    # Two falls of a run that meet at one speed share the error of that reading, one as its end and
    # the other as its start.
    meet = (run[:, None] == run) & (v2[:, None] == v1)
    correlation = np.eye(t.size) - 0.5 * (meet | meet.T)
    return fit_falls(
        t / per_speed, correlation, model, run, direction, np.empty(0),
        wind_sd_m_s, gust_sd_m_s, gust_dof,
    )  # fmt: skip


def fit_coast_down_trace(
    *,
    run,
    direction,
    time_s,
    speed_m_s,
    bike: Bike,
    grade_ratio=0.0,
    wind_sd_m_s=2.0,
    gust_sd_m_s=0.6,
    gust_dof=4.0,
) -> RoadLoad:
    """Road load from logged speeds of coast-downs, both ways.

    Parameters
    ----------
    run, direction
        As in :func:`fit_coast_down`.
    time_s, speed_m_s : array
        Of each logged point; the time may start anywhere in each run. [s], [m/s]
    bike, grade_ratio, wind_sd_m_s, gust_sd_m_s, gust_dof
        As in :func:`fit_coast_down`.

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
    >>> road = fit_coast_down_trace(
    ...     run=np.repeat([1, 2], 4), direction=np.repeat([1, -1], 4), time_s=time, speed_m_s=speed,
    ...     bike=Bike(mass_kg=200.0, rotating_mass_kg=8.0, air_density_kg_m3=1.2))
    >>> road.source
    '2 coast-downs'
    """
    run, direction, t, v = _columns(run, direction, time_s, speed_m_s)
    _, first, place = np.unique(run, return_index=True, return_inverse=True)
    t = t - t[first][place]
    start = v[first]
    k0, g = bike.air_density_kg_m3 / 2, bike.gravity_m_s2
    m = bike.mass_kg + bike.rotating_mass_kg
    slope = direction * grade_ratio

    def model(parameters, wind):
        area, rolling = parameters[:2]
        resist = bike.mass_kg * g * (slope + rolling) / np.sqrt(1 + slope**2)
        kappa, a = k0 * area / m, -resist / m
        z0 = parameters[3:][place] + direction * wind
        q = np.sqrt(np.abs(a * kappa)) + 1e-12
        falling = a * kappa < 0
        s = np.where(falling, np.sin(q * t), np.sinh(q * t)) / q
        c = np.where(falling, np.cos(q * t), np.cosh(q * t))
        return (a * s + z0 * c) / (c + kappa * z0 * s) - direction * wind

    return fit_falls(
        v, np.eye(v.size), model, run, direction, start, wind_sd_m_s, gust_sd_m_s, gust_dof
    )


def _columns(run, direction, *columns):
    """Arrays of one length, with directions of ±1."""
    run, direction = np.asarray(run), np.asarray(direction, dtype=float)
    arrays = [
        require(c, what="coast-down value", unit="", at_least=0, remedy="leave out what is unread")
        for c in columns
    ]
    sizes = {a.shape for a in (run, direction, *arrays)}
    if len(sizes) != 1 or run.ndim != 1:
        raise ValueError(f"the columns have shapes {sorted(sizes)}; give one value a row in each")
    if not np.all(np.abs(direction) == 1):
        raise ValueError("a direction is neither 1 (out) nor -1 (back); write one of the two")
    return run, direction, *arrays
