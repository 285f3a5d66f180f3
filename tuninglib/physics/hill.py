"""Motion of the bike up or down a hill under a constant force at the tyre.

``m_eff v dv/ds = F - m g (sin θ + c_rr cos θ) - ½ ρ CdA (v + wind)²``

m_eff is the mass plus what wheels and engine add to it when speeding up. Wind counts against the
rider.
"""

from dataclasses import dataclass

import numpy as np

from tuninglib.checks import plain, require
from tuninglib.physics._motion import (
    cross_all,
    force_in_wind,
    growth,
    require_headway,
    require_rolling,
    weighted,
)
from tuninglib.physics.air import STANDARD_GRAVITY_M_S2


@dataclass(frozen=True)
class Hill:
    """The road from the start line to the marker, in one or more even pieces.

    Parameters
    ----------
    lengths_m : float or array
        Along the road; the last axis counts the pieces in the order ridden. [m]
    grade_ratios : float or array
        Rise over horizontal distance, negative downhill; as many as lengths. [unitless]

    Examples
    --------
    >>> Hill([150.0, 250.0], [0.052, 0.065]).mean_grade_ratio
    0.0601
    """

    lengths_m: np.ndarray
    grade_ratios: np.ndarray

    def __post_init__(self):
        lengths = require(
            np.atleast_1d(self.lengths_m),
            what="length of the hill",
            unit="m",
            above=0,
            remedy="measure along the road from the start line to the marker",
        )
        grades = require(
            np.atleast_1d(self.grade_ratios),
            what="grade",
            unit="",
            at_least=-1,
            at_most=1,
            remedy="give rise over run as a ratio, 0.06 for 6 %",
        )
        if lengths.shape[-1] != grades.shape[-1]:
            raise ValueError(
                f"the hill has {lengths.shape[-1]} lengths but {grades.shape[-1]} grades; "
                "give one grade for each piece"
            )
        object.__setattr__(self, "lengths_m", lengths)
        object.__setattr__(self, "grade_ratios", grades)

    @property
    def length_m(self):
        """Length from the start line to the marker. [m]"""
        return plain(self.lengths_m.sum(-1))

    @property
    def mean_grade_ratio(self):
        """Grade of an even hill with the same rise over the same horizontal distance."""
        run = self.lengths_m / np.sqrt(1 + self.grade_ratios**2)
        return plain((run * self.grade_ratios).sum(-1) / run.sum(-1))

    @property
    def even_grade_ratio(self):
        """Grade of a road that is even all along; refused if it is not."""
        grades = self.grade_ratios
        if np.any(grades != grades[..., :1]):
            raise ValueError(
                f"grade of the road is {grades.min():g} to {grades.max():g} but must be one here; "
                "give a road of one piece"
            )
        return grades[..., 0]

    def reversed(self) -> "Hill":
        """The same road from the marker back to the start line."""
        return Hill(self.lengths_m[..., ::-1], -self.grade_ratios[..., ::-1])


@dataclass(frozen=True, kw_only=True)
class Ride:
    """Bike, rider, road and air of a ride: all that the motion depends on but speed and force.

    Parameters
    ----------
    hill : Hill
    mass_kg : float or array
        Bike and rider. [kg]
    air_density_kg_m3, drag_area_m2 : float or array
        Drag area is drag coefficient times frontal area. [kg/m3], [m2]
    rolling_coefficient : float or array
        Rolling resistance over weight on the road. [unitless]
    rotating_mass_kg : float or array
        What wheels and engine add to the mass when speeding up. [kg]
    wind_m_s : float or array
        Along the road, positive against the rider. [m/s]
    gravity_m_s2 : float or array
        [m/s2]

    Raises
    ------
    ValueError
        On a value that cannot be.

    Notes
    -----
    Checked once and kept as arrays, which broadcast against each other and against the speeds and
    forces that the functions of motion take.

    Examples
    --------
    >>> ride = Ride(hill=Hill(400.0, 0.06), mass_kg=[190.0, 210.0], air_density_kg_m3=1.2,
    ...             drag_area_m2=0.55, rolling_coefficient=0.015)
    >>> wheel_force_n(ride, entry_speed_m_s=13.0, exit_speed_m_s=17.0)
    array([248.01, 265.29])
    """

    hill: Hill
    mass_kg: np.ndarray
    air_density_kg_m3: np.ndarray
    drag_area_m2: np.ndarray
    rolling_coefficient: np.ndarray
    rotating_mass_kg: np.ndarray = 0.0
    wind_m_s: np.ndarray = 0.0
    gravity_m_s2: np.ndarray = STANDARD_GRAVITY_M_S2

    def __post_init__(self):
        for name, what, unit, limits, remedy in (
            ("mass_kg", "mass", "kg", {"above": 0}, "add bike and rider"),
            ("air_density_kg_m3", "air density", "kg/m3", {"above": 0}, "about 1.2 at sea level"),
            ("drag_area_m2", "drag area", "m2", {"at_least": 0}, "0.4 to 0.7 for a seated rider"),
            (
                "rolling_coefficient",
                "rolling coefficient",
                "",
                {"at_least": -0.5, "at_most": 0.5},
                "0.01 to 0.02 for road tyres",
            ),
            ("rotating_mass_kg", "rotating mass", "kg", {"at_least": 0}, "use 0 if unknown"),
            ("wind_m_s", "wind", "m/s", {}, "use 0 if it was calm"),
            ("gravity_m_s2", "gravity", "m/s2", {"above": 0}, "9.81 on this planet"),
        ):
            value = require(getattr(self, name), what=what, unit=unit, remedy=remedy, **limits)
            object.__setattr__(self, name, np.asarray(value))


def wheel_force_n(ride: Ride, *, entry_speed_m_s, exit_speed_m_s):
    """Constant force at the tyre that turns the entry speed into the exit speed.

    Parameters
    ----------
    ride : Ride
    entry_speed_m_s, exit_speed_m_s : float or array
        True speeds at the start line and at the marker. [m/s]

    Returns
    -------
    force_n : float or array
        Negative if the bike was braked. With wind, NaN where any constant force that gets over a
        steep piece makes the bike faster than that. [N]

    Raises
    ------
    ValueError
        On a speed that is not positive, or a wind from behind that is faster than the bike.

    Notes
    -----
    Without wind, with k = ½ρCdA and x = 2kL/m_eff,
    F = W + k v0² + m_eff (v1² − v0²)/(2L) · x/(1 − e⁻ˣ), where W is the mean of
    m g (sin θ + c_rr cos θ) over the pieces; a piece's weight is the share of 1 − e⁻ˣ that falls
    on it, so that late pieces count a little more. Where the true force varies on the way, the
    result is close to its mean over the hill: work at the tyre divided by length.

    Examples
    --------
    Without drag, rolling or slope the force is the gain in kinetic energy over the length:

    >>> ride = Ride(hill=Hill(100.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.0, rolling_coefficient=0.0)
    >>> wheel_force_n(ride, entry_speed_m_s=10.0, exit_speed_m_s=20.0)
    300.0
    """
    v0 = require_rolling(entry_speed_m_s, "entry speed")
    v1 = require_rolling(exit_speed_m_s, "exit speed")
    m, k, climb, w = _terms(ride)
    length = ride.hill.lengths_m.sum(-1)
    if not np.any(w):
        x = 2 * k * length / m
        mean_climb = weighted(climb, ride.hill.lengths_m, x)
        return plain(mean_climb + k * v0**2 + m * (v1**2 - v0**2) / (2 * length) * growth(x))
    require_headway(np.minimum(v0, v1), w)
    return plain(force_in_wind(v0, v1, ride.hill.lengths_m, m, k, climb, w))


def exit_speed_m_s(ride: Ride, *, force_n, entry_speed_m_s):
    """Speed at the marker under a constant force at the tyre.

    Parameters
    ----------
    ride : Ride
    force_n : float or array
        At the tyre, constant over the hill. [N]
    entry_speed_m_s : float or array
        True speed at the start line. [m/s]

    Returns
    -------
    speed_m_s : float or array
        NaN where the bike stops before the marker, or gets slower than a wind from behind. [m/s]

    Examples
    --------
    >>> ride = Ride(hill=Hill(100.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.0, rolling_coefficient=0.0)
    >>> exit_speed_m_s(ride, force_n=300.0, entry_speed_m_s=10.0)
    20.0
    """
    v0 = require_rolling(entry_speed_m_s, "entry speed")
    force, lengths = np.asarray(force_n, dtype=float), ride.hill.lengths_m
    m, k, climb, w = _terms(ride)
    if np.any(w):
        return plain(cross_all(v0, lengths, force[..., None] - climb, k, m, w)[0])
    squared = v0**2
    for piece in range(climb.shape[-1]):
        length = lengths[..., piece]
        pull = force - climb[..., piece] - k * squared
        squared = squared + 2 * length / m * pull / growth(2 * k * length / m)
        squared = np.where(squared > 0, squared, np.nan)
    return plain(np.sqrt(squared))


def travel_time_s(ride: Ride, *, force_n, entry_speed_m_s):
    """Time from the start line to the marker under a constant force at the tyre.

    Parameters
    ----------
    ride, force_n, entry_speed_m_s
        As in :func:`exit_speed_m_s`.

    Returns
    -------
    time_s : float or array
        NaN where the bike stops before the marker. The mean power at the tyre is force times
        length over this time. [s]

    Examples
    --------
    >>> ride = Ride(hill=Hill(100.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.0, rolling_coefficient=0.0)
    >>> travel_time_s(ride, force_n=300.0, entry_speed_m_s=10.0)
    6.6667
    """
    v0 = require_rolling(entry_speed_m_s, "entry speed")
    m, k, climb, w = _terms(ride)
    pull = np.asarray(force_n, dtype=float)[..., None] - climb
    return plain(sum(cross_all(v0, ride.hill.lengths_m, pull, k, m, w)[1]))


def climb_force_n(ride: Ride):
    """Force of slope and rolling resistance on each piece of the hill.

    Parameters
    ----------
    ride : Ride

    Returns
    -------
    force_n : array
        The last axis counts the pieces. [N]

    Examples
    --------
    >>> climb_force_n(Ride(hill=Hill(100.0, 0.75), mass_kg=10.0, air_density_kg_m3=1.2,
    ...                    drag_area_m2=0.5, rolling_coefficient=0.0, gravity_m_s2=10.0))
    array([60.])
    """
    grades = ride.hill.grade_ratios
    mass, c_rr, g = (
        v[..., None] for v in (ride.mass_kg, ride.rolling_coefficient, ride.gravity_m_s2)
    )
    # sin θ + c cos θ = (grade + c) cos θ
    return (grades + c_rr) * (g / np.sqrt(1 + grades**2)) * mass


def _terms(ride):
    """Effective mass, ½ρCdA, slope and rolling force by piece, wind."""
    k = ride.air_density_kg_m3 * ride.drag_area_m2 / 2
    return ride.mass_kg + ride.rotating_mass_kg, k, climb_force_n(ride), ride.wind_m_s
