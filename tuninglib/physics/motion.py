"""Motion up or down a hill: force from speeds, speeds from force, and on another day.

Under a constant force everything is explicit. Under a force that changes with speed, as at
constant power, the classic fourth-order Runge-Kutta method integrates in distance; the kinetic
energy per mass is the state, so that standing still is no singular point of the left side.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import plain, require
from tuninglib.physics.air import STANDARD_GRAVITY_M_S2

# Motion under a constant force, in bare arrays ----------------------------------------------------
# Without wind v² is exponential in distance, so force and speed are explicit. With wind the
# motion is explicit in time, and Newton's method finds the time: m dz/dt = P − k z² for the speed
# z through the air gives z = (z0 c + (P/m) s)/(c + κ z0 s) with κ = k/m, c = cosh ωt, s =
# sinh(ωt)/ω and ω² = κP/m; the way through the air is ln(c + κ z0 s)/κ.
#
# Here k = ½ρCdA, m is the effective mass, w the wind against the rider, and climb the force of
# slope and rolling resistance; the last axis of climb, pull and lengths counts the pieces of the
# hill.

_MOST_STEPS = 60


def _require_rolling(speed, what) -> np.ndarray:
    """Speeds at an end of a run, all above zero."""
    remedy = "a run needs the bike rolling at both ends"
    return np.asarray(require(speed, what, "m/s", above=0, remedy=remedy))


def require_headway(speed: float | np.ndarray, wind: float | np.ndarray) -> None:
    """Refuse a wind from behind that is as fast as the bike."""
    headway = speed + wind
    if np.any(headway <= 0):
        worst = np.min(headway)
        raise ValueError(
            f"the wind from behind is {-worst:g} m/s faster than the bike; "
            "check its sign (against the rider is positive) or test on a calmer day"
        )


def even_climb(ride: "Ride") -> float | np.ndarray:
    """Force of slope and rolling resistance on a road that is even all along."""
    grade = ride.hill.even_grade_ratio
    weight = ride.mass_kg * ride.gravity_m_s2
    return weight * (grade + ride.rolling_coefficient) / np.sqrt(1 + grade**2)


def _growth(x):
    """x / (1 − e⁻ˣ), 1 at x = 0."""
    if np.min(x) < 1e-12:
        x = np.where(np.abs(x) < 1e-12, 1e-12, x)
    return -x / np.expm1(-x)


def _weighted(climb, lengths, x):
    """Mean of the pieces' forces, weighted by what each does to the exit speed."""
    if climb.shape[-1] == 1:
        return climb[..., 0]
    after = lengths[..., ::-1].cumsum(-1)[..., ::-1] - lengths
    rate = (x / lengths.sum(-1))[..., None]
    weight = np.exp(-rate * after) * lengths / _growth(rate * lengths)
    return (climb * weight).sum(-1) / weight.sum(-1)


def _cross_all(v0, lengths, pull, k, m, w, guesses=None):
    """Exit speed and time of each piece; NaN after a stall. Guesses of the times save steps."""
    require_headway(v0, w)
    times = []
    for piece in range(pull.shape[-1]):
        guess = guesses[piece] if guesses else None
        v0, time = _cross(v0, lengths[..., piece], pull[..., piece], k, m, w, guess)
        # Slower than a wind from behind, the square of the air speed would push the wrong way.
        v0 = np.where(v0 + w < 0, np.nan, v0)
        times.append(time)
    return v0, times


def _cross(v0, length, pull, k, m, w, time):
    """Speed after, and time over, one even piece."""
    a, kappa = pull / m, np.where(k == 0, 1e-300, k / m)
    omega2 = a * kappa
    q = np.sqrt(np.abs(omega2)) / 2
    q = np.where(q < 1e-9, 1e-9, q)
    rising = omega2 > 0
    z0 = v0 + w
    if time is None:
        # Newton's method cannot get lost from here: distance is concave in time when slowing down
        # (L/v0 is left of the root) and convex when speeding up (any start will do).
        gain = np.maximum((a - kappa * z0**2) * 2 * length / _growth(2 * kappa * length), 0.0)
        time = 2 * length / (v0 + np.sqrt(v0**2 + gain))
    time = time + 0 * q
    always = bool(np.all(rising))
    for _ in range(_MOST_STEPS):
        x = q * time
        with np.errstate(all="ignore"):
            half = np.sinh(x)
            whole = np.sqrt(1 + half**2)
            if not always:
                half = np.where(rising, half, np.sin(x))
                whole = np.where(rising, whole, np.cos(x))
            half = half / q
            s = half * whole
            c2 = half**2 / 2
            gain = a * c2 + z0 * s
            y = 1 + kappa * gain
            speed = (a * s + z0 * (1 + omega2 * c2)) / y - w
            way = np.log1p(kappa * gain) / kappa - w * time
            step = np.where((speed > 0) & (y > 0), (way - length) / speed, np.nan)
        time = time - step
        if not np.any(np.abs(step) > 1e-13 * np.abs(time)):
            break
    # One more step of order h² on the speed, so that it belongs to the corrected time.
    return speed - step * (a - kappa * (speed + w) ** 2), time


def _force_in_wind(v0, v1, lengths, m, k, climb, w):
    """Force by a secant search on the squared exit speed, between too little and too much."""
    length = lengths.sum(-1)
    mean = (v0 + v1) / 2
    k_wind = k * (1 + w / mean)
    x = 2 * k_wind * length / m
    rate = m / (2 * length) * _growth(x)
    force = _weighted(climb, lengths, x) + k * (mean + w) ** 2 - k_wind * (mean**2 - v0**2)
    force = force + rate * (v1**2 - v0**2)
    low, high, before = -np.inf, np.inf, None
    # One piece that speeds up is convex in time, so that any guess is safe.
    direct = climb.shape[-1] == 1 and np.all(v1 >= v0)
    guesses = [2 * length / (v0 + v1)] if direct else None
    for _ in range(_MOST_STEPS):
        pull = force[..., None] - climb
        reached, times = _cross_all(v0, lengths, pull, k, m, w, guesses)
        miss = reached**2 - v1**2
        lost = np.isnan(miss)
        if not np.any(lost | (np.abs(miss) > 1e-13 * v1**2)):
            break
        if before is not None:
            with np.errstate(all="ignore"):
                secant = (force - before[0]) / (miss - before[1])
            good = (secant > 0) & (np.abs(miss - before[1]) > 1e-9 * v1**2)
            rate = np.where(good, secant, rate)
        before = (force, miss)
        guesses = None if lost.any() else times
        # A stall, in a dip or on a crest, is a lack of force to pass it.
        lacks = lost | (miss < 0)
        low, high = np.where(lacks, force, low), np.where(lacks, high, force)
        kick = m * (v0**2 + v1**2) / (8 * length)
        trial = np.where(lost, force + kick, force - rate * miss)
        closed = np.isfinite(low) & np.isfinite(high)
        outside = closed & (lost | (trial <= low) | (trial >= high)) & (miss != 0)
        with np.errstate(invalid="ignore"):
            force = np.where(outside, (low + high) / 2, trial)
    return np.where(lost | (np.abs(miss) > 1e-9 * v1**2), np.nan, force)


# Motion of the bike under a constant force at the tyre --------------------------------------------
# ``m_eff v dv/ds = F - m g (sin θ + c_rr cos θ) - ½ ρ CdA (v + wind)²``
#
# m_eff is the mass plus what wheels and engine add to it when speeding up. Wind counts against
# the rider.


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
        remedy = "measure along the road from the start line to the marker"
        lengths = np.atleast_1d(self.lengths_m)
        lengths = require(lengths, "length of the hill", "m", above=0, remedy=remedy)
        remedy = "give rise over run as a ratio, 0.06 for 6 %"
        grades = np.atleast_1d(self.grade_ratios)
        grades = require(grades, "grade", "", at_least=-1, at_most=1, remedy=remedy)
        if lengths.shape[-1] != grades.shape[-1]:
            raise ValueError(
                f"the hill has {lengths.shape[-1]} lengths but {grades.shape[-1]} grades; "
                "give one grade for each piece"
            )
        object.__setattr__(self, "lengths_m", lengths)
        object.__setattr__(self, "grade_ratios", grades)

    @property
    def length_m(self) -> float | np.ndarray:
        """Length from the start line to the marker. [m]"""
        return plain(self.lengths_m.sum(-1))

    @property
    def mean_grade_ratio(self) -> float | np.ndarray:
        """Grade of an even hill with the same rise over the same horizontal distance."""
        run = self.lengths_m / np.sqrt(1 + self.grade_ratios**2)
        return plain((run * self.grade_ratios).sum(-1) / run.sum(-1))

    @property
    def even_grade_ratio(self) -> float | np.ndarray:
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
        near_0, tyres = {"at_least": -0.5, "at_most": 0.5}, "0.01 to 0.02 for road tyres"
        for name, what, unit, limits, remedy in (
            ("mass_kg", "mass", "kg", {"above": 0}, "add bike and rider"),
            ("air_density_kg_m3", "air density", "kg/m3", {"above": 0}, "about 1.2 at sea level"),
            ("drag_area_m2", "drag area", "m2", {"at_least": 0}, "0.4 to 0.7 for a seated rider"),
            ("rolling_coefficient", "rolling coefficient", "", near_0, tyres),
            ("rotating_mass_kg", "rotating mass", "kg", {"at_least": 0}, "use 0 if unknown"),
            ("wind_m_s", "wind", "m/s", {}, "use 0 if it was calm"),
            ("gravity_m_s2", "gravity", "m/s2", {"above": 0}, "9.81 on this planet"),
        ):
            value = require(getattr(self, name), what, unit, remedy=remedy, **limits)
            object.__setattr__(self, name, np.asarray(value))


def wheel_force_n(
    ride: Ride, *, entry_speed_m_s: ArrayLike, exit_speed_m_s: ArrayLike
) -> float | np.ndarray:
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
    v0 = _require_rolling(entry_speed_m_s, "entry speed")
    v1 = _require_rolling(exit_speed_m_s, "exit speed")
    m, k, climb, w = _terms(ride)
    length = ride.hill.lengths_m.sum(-1)
    if not np.any(w):
        x = 2 * k * length / m
        mean_climb = _weighted(climb, ride.hill.lengths_m, x)
        return plain(mean_climb + k * v0**2 + m * (v1**2 - v0**2) / (2 * length) * _growth(x))
    require_headway(np.minimum(v0, v1), w)
    return plain(_force_in_wind(v0, v1, ride.hill.lengths_m, m, k, climb, w))


def exit_speed_m_s(
    ride: Ride, *, force_n: ArrayLike, entry_speed_m_s: ArrayLike
) -> float | np.ndarray:
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
    v0 = _require_rolling(entry_speed_m_s, "entry speed")
    force, lengths = np.asarray(force_n, dtype=float), ride.hill.lengths_m
    m, k, climb, w = _terms(ride)
    if np.any(w):
        return plain(_cross_all(v0, lengths, force[..., None] - climb, k, m, w)[0])
    squared = v0**2
    for piece in range(climb.shape[-1]):
        length = lengths[..., piece]
        pull = force - climb[..., piece] - k * squared
        squared = squared + 2 * length / m * pull / _growth(2 * k * length / m)
        squared = np.where(squared > 0, squared, np.nan)
    return plain(np.sqrt(squared))


def travel_time_s(
    ride: Ride, *, force_n: ArrayLike, entry_speed_m_s: ArrayLike
) -> float | np.ndarray:
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
    v0 = _require_rolling(entry_speed_m_s, "entry speed")
    m, k, climb, w = _terms(ride)
    pull = np.asarray(force_n, dtype=float)[..., None] - climb
    return plain(sum(_cross_all(v0, ride.hill.lengths_m, pull, k, m, w)[1]))


def climb_force_n(ride: Ride) -> np.ndarray:
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
    columns = (ride.mass_kg, ride.rolling_coefficient, ride.gravity_m_s2)
    mass, c_rr, g = (column[..., None] for column in columns)
    # sin θ + c cos θ = (grade + c) cos θ
    return (grades + c_rr) * (g / np.sqrt(1 + grades**2)) * mass


def _terms(ride):
    """Effective mass, ½ρCdA, slope and rolling force by piece, wind."""
    k = ride.air_density_kg_m3 * ride.drag_area_m2 / 2
    return ride.mass_kg + ride.rotating_mass_kg, k, climb_force_n(ride), ride.wind_m_s


# Motion under a force that changes with speed -----------------------------------------------------


def exit_speed_by_steps_m_s(
    ride: Ride,
    *,
    force_at: Callable[[np.ndarray], float | np.ndarray],
    entry_speed_m_s: ArrayLike,
    steps: int = 120,
) -> float | np.ndarray:
    """Speed at the marker under a force that depends on speed.

    Parameters
    ----------
    ride : Ride
    force_at : callable
        Force at the tyre [N] for an array of speeds [m/s].
    entry_speed_m_s : float or array
        [m/s]
    steps : int
        On each piece of the hill.

    Returns
    -------
    speed_m_s : float or array
        NaN where the bike stops before the marker. [m/s]

    Examples
    --------
    >>> from tuninglib.physics.motion import Hill
    >>> ride = Ride(hill=Hill(100.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.0, rolling_coefficient=0.0)
    >>> exit_speed_by_steps_m_s(ride, force_at=lambda v: 3000.0 / v, entry_speed_m_s=10.0)
    17.6517
    """
    speed = _require_rolling(entry_speed_m_s, "entry speed")
    m = ride.mass_kg + ride.rotating_mass_kg
    k = ride.air_density_kg_m3 * ride.drag_area_m2 / 2
    climb = climb_force_n(ride)
    energy = speed**2 / 2
    for piece in range(climb.shape[-1]):
        h = ride.hill.lengths_m[..., piece] / steps
        resist, h_half = climb[..., piece], h / 2

        def pull(energy, resist=resist):
            v = np.sqrt(2 * energy)
            air = v + ride.wind_m_s
            return (force_at(v) - resist - k * air * np.abs(air)) / m

        with np.errstate(invalid="ignore", divide="ignore"):
            for _ in range(steps):
                a1 = pull(energy)
                a2 = pull(energy + h_half * a1)
                a3 = pull(energy + h_half * a2)
                a4 = pull(energy + h * a3)
                energy = energy + h / 6 * (a1 + 2 * (a2 + a3) + a4)
    return plain(np.sqrt(2 * energy))


def exit_speed_at_power_m_s(
    ride: Ride, *, power_w: ArrayLike, entry_speed_m_s: ArrayLike, steps: int = 120
) -> float | np.ndarray:
    """Speed at the marker under a constant power at the tyre.

    Parameters
    ----------
    ride : Ride
    power_w : float or array
        [W]
    entry_speed_m_s : float or array
        [m/s]
    steps : int
        At least so many on each piece; more are taken where the bike gets slow and the force of
        constant power changes quickly.

    Returns
    -------
    speed_m_s : float or array
        NaN where the bike stops before the marker. [m/s]

    Examples
    --------
    >>> from tuninglib.physics.motion import Hill
    >>> ride = Ride(hill=Hill(100.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.0, rolling_coefficient=0.0)
    >>> exit_speed_at_power_m_s(ride, power_w=3000.0, entry_speed_m_s=10.0)
    17.6517
    """
    # On any piece the bike stays faster than both its entry speed and what the power holds there
    # against the drag at entry; the force changes by its whole self within m v³/P of way.
    climb = climb_force_n(ride).max()
    entry = np.max(entry_speed_m_s) + max(np.max(ride.wind_m_s), 0.0)
    drag = np.max(ride.air_density_kg_m3) * np.max(ride.drag_area_m2) / 2 * entry**2
    power = np.asarray(power_w, dtype=float)
    slowest = min(np.min(entry_speed_m_s), np.min(power) / max(climb + drag, 1e-9))
    rate = np.max(power) / (np.min(ride.mass_kg) * max(slowest, 0.5) ** 3)
    steps = int(np.clip(2 * np.max(ride.hill.lengths_m) * rate, steps, 5000))
    at_power = {"force_at": lambda v: power / v, "entry_speed_m_s": entry_speed_m_s}
    return exit_speed_by_steps_m_s(ride, **at_power, steps=steps)


def wheel_power_w(
    ride: Ride, *, entry_speed_m_s: ArrayLike, exit_speed_m_s: ArrayLike, steps: int = 120
) -> float | np.ndarray:
    """Constant power at the tyre that turns the entry speed into the exit speed.

    Parameters
    ----------
    ride : Ride
    entry_speed_m_s, exit_speed_m_s : float or array
        [m/s]
    steps : int
        As in :func:`exit_speed_at_power_m_s`.

    Returns
    -------
    power_w : float or array
        [W]

    Examples
    --------
    >>> from tuninglib.physics.motion import Hill
    >>> ride = Ride(hill=Hill(100.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.0, rolling_coefficient=0.0)
    >>> wheel_power_w(ride, entry_speed_m_s=10.0, exit_speed_m_s=5500 ** (1 / 3))
    3000.0
    """
    force = wheel_force_n(ride, entry_speed_m_s=entry_speed_m_s, exit_speed_m_s=exit_speed_m_s)
    power = np.asarray(mean_power_w(ride, force_n=force, entry_speed_m_s=entry_speed_m_s))
    before, begin = None, {"entry_speed_m_s": entry_speed_m_s, "steps": steps}
    for _ in range(40):
        reached = exit_speed_at_power_m_s(ride, power_w=power, **begin)
        miss = np.square(reached) - np.square(exit_speed_m_s)
        if not np.any(np.abs(miss) > 1e-12 * np.square(exit_speed_m_s)):
            break
        if before is None:
            trial = power * 1.001 + 0.1
        else:
            with np.errstate(all="ignore"):
                slope = (power - before[0]) / (miss - before[1])
            trial = np.where(np.isfinite(slope), power - slope * miss, power)
        before, power = (power, miss), trial
    return plain(power)


def mean_power_w(
    ride: Ride, *, force_n: ArrayLike, entry_speed_m_s: ArrayLike
) -> float | np.ndarray:
    """Mean power at the tyre under a constant force: its work over the time on the hill.

    Parameters
    ----------
    ride : Ride
    force_n : float or array
        [N]
    entry_speed_m_s : float or array
        [m/s]

    Returns
    -------
    power_w : float or array
        NaN where the bike stops before the marker. [W]

    Examples
    --------
    >>> from tuninglib.physics.motion import Hill
    >>> ride = Ride(hill=Hill(100.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.0, rolling_coefficient=0.0)
    >>> mean_power_w(ride, force_n=300.0, entry_speed_m_s=10.0)
    4500.0
    """
    time = travel_time_s(ride, force_n=force_n, entry_speed_m_s=entry_speed_m_s)
    return plain(np.asarray(force_n) * ride.hill.length_m / time)
