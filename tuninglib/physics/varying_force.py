"""Motion under a force that changes with speed, and what another day would bring.

Integrated by the classic fourth-order Runge-Kutta method in distance; the kinetic energy per mass
is the state, so that standing still is no singular point of the left side.
"""

from typing import NamedTuple

import numpy as np

from tuninglib.checks import plain
from tuninglib.physics._motion import require_rolling
from tuninglib.physics.hill import Ride, climb_force_n, exit_speed_m_s, travel_time_s, wheel_force_n


class ExitSpeeds(NamedTuple):
    """Exit speed if the wheel force stayed the same, and if the wheel power did. [m/s]

    With fixed gearing the truth lies near the first; with gears to match, near the second.
    """

    at_force_m_s: float
    at_power_m_s: float


def exit_speed_by_steps_m_s(ride: Ride, *, force_at, entry_speed_m_s, steps=120):
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
    >>> from tuninglib.physics.hill import Hill
    >>> ride = Ride(hill=Hill(100.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.0, rolling_coefficient=0.0)
    >>> exit_speed_by_steps_m_s(ride, force_at=lambda v: 3000.0 / v, entry_speed_m_s=10.0)
    17.6517
    """
    speed = require_rolling(entry_speed_m_s, "entry speed")
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


def exit_speed_at_power_m_s(ride: Ride, *, power_w, entry_speed_m_s, steps=120):
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
    >>> from tuninglib.physics.hill import Hill
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
    return exit_speed_by_steps_m_s(
        ride, force_at=lambda v: power / v, entry_speed_m_s=entry_speed_m_s, steps=steps
    )


def wheel_power_w(ride: Ride, *, entry_speed_m_s, exit_speed_m_s, steps=120):
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
    >>> from tuninglib.physics.hill import Hill
    >>> ride = Ride(hill=Hill(100.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.0, rolling_coefficient=0.0)
    >>> wheel_power_w(ride, entry_speed_m_s=10.0, exit_speed_m_s=5500 ** (1 / 3))
    3000.0
    """
    force = wheel_force_n(ride, entry_speed_m_s=entry_speed_m_s, exit_speed_m_s=exit_speed_m_s)
    power = np.asarray(mean_power_w(ride, force_n=force, entry_speed_m_s=entry_speed_m_s))
    before = None
    for _ in range(40):
        reached = exit_speed_at_power_m_s(
            ride, power_w=power, entry_speed_m_s=entry_speed_m_s, steps=steps
        )
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


def mean_power_w(ride: Ride, *, force_n, entry_speed_m_s):
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
    >>> from tuninglib.physics.hill import Hill
    >>> ride = Ride(hill=Hill(100.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.0, rolling_coefficient=0.0)
    >>> mean_power_w(ride, force_n=300.0, entry_speed_m_s=10.0)
    4500.0
    """
    time = travel_time_s(ride, force_n=force_n, entry_speed_m_s=entry_speed_m_s)
    return plain(np.asarray(force_n) * ride.hill.length_m / time)


def predict_exit_speed(
    ride: Ride, *, force_n, power_w, entry_speed_m_s, engine_factor=1.0
) -> ExitSpeeds:
    """Exit speed of the same engine with another rider, hill, air or wind.

    Parameters
    ----------
    ride : Ride
        As it will be there.
    force_n, power_w : float or array
        As found on the test hill: the wheel force, and its :func:`mean_power_w`.
    entry_speed_m_s : float or array
        [m/s]
    engine_factor : float or array
        What the engine makes there over what it made here, for thinner air for example.

    Returns
    -------
    ExitSpeeds

    Examples
    --------
    >>> from tuninglib.physics.hill import Hill
    >>> there = Ride(hill=Hill(100.0, 0.0), mass_kg=220.0, air_density_kg_m3=1.2,
    ...              drag_area_m2=0.5, rolling_coefficient=0.015)
    >>> predict_exit_speed(there, force_n=300.0, power_w=4500.0, entry_speed_m_s=10.0)
    ExitSpeeds(at_force_m_s=17.0024, at_power_m_s=17.2861)
    """
    force, power, factor = (
        np.asarray(value, dtype=float) for value in (force_n, power_w, engine_factor)
    )
    return ExitSpeeds(
        exit_speed_m_s(ride, force_n=force * factor, entry_speed_m_s=entry_speed_m_s),
        # Twenty steps hold a centimetre a second on any road that this is for.
        exit_speed_at_power_m_s(
            ride, power_w=power * factor, entry_speed_m_s=entry_speed_m_s, steps=20
        ),
    )
