"""Motion under a force that changes with speed, and what another day would bring.

Integrated by the classic fourth-order Runge-Kutta method in distance; the kinetic energy per mass
is the state, so that standing still is no singular point of the left side.
"""

from typing import NamedTuple

import numpy as np

from tuninglib.checks import plain, require
from tuninglib.physics.air import STANDARD_GRAVITY_M_S2
from tuninglib.physics.hill import climb_force_n, exit_speed_m_s, travel_time_s, wheel_force_n


class Prediction(NamedTuple):
    """Exit speed if the wheel force stayed the same, and if the wheel power did. [m/s]

    With fixed gearing the truth lies near the first; with gears to match, near the second.
    """

    at_force_m_s: float
    at_power_m_s: float


def exit_speed_by_steps_m_s(
    *,
    force_at,
    entry_speed_m_s,
    hill,
    mass_kg,
    air_density_kg_m3,
    drag_area_m2,
    rolling_coefficient,
    rotating_mass_kg=0.0,
    wind_m_s=0.0,
    gravity_m_s2=STANDARD_GRAVITY_M_S2,
    steps=120,
):
    """Speed at the marker under a force that depends on speed.

    Parameters
    ----------
    force_at : callable
        Force at the tyre [N] for an array of speeds [m/s].
    entry_speed_m_s, hill, mass_kg, air_density_kg_m3, drag_area_m2, rolling_coefficient, \
rotating_mass_kg, wind_m_s, gravity_m_s2
        As in :func:`tuninglib.physics.hill.wheel_force_n`.
    steps : int
        On each piece of the hill.

    Returns
    -------
    speed_m_s : float or array
        NaN where the bike stops before the marker. [m/s]

    Examples
    --------
    >>> from tuninglib.physics.hill import Hill
    >>> exit_speed_by_steps_m_s(force_at=lambda v: 3000.0 / v, entry_speed_m_s=10.0,
    ...     hill=Hill(100.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2, drag_area_m2=0.0,
    ...     rolling_coefficient=0.0)
    17.6517
    """
    remedy = "a run needs the bike rolling at both ends"
    speed = require(entry_speed_m_s, what="entry speed", unit="m/s", above=0, remedy=remedy)
    mass = require(mass_kg, what="mass", unit="kg", above=0, remedy="add bike and rider")
    m = mass + rotating_mass_kg
    k = np.asarray(air_density_kg_m3) * drag_area_m2 / 2
    climb = climb_force_n(
        hill=hill,
        mass_kg=mass,
        rolling_coefficient=rolling_coefficient,
        gravity_m_s2=gravity_m_s2,
    )
    energy = speed**2 / 2
    for piece in range(climb.shape[-1]):
        h = hill.lengths_m[..., piece] / steps
        resist, h_half = climb[..., piece], h / 2

        def pull(energy, resist=resist):
            v = np.sqrt(2 * energy)
            air = v + wind_m_s
            return (force_at(v) - resist - k * air * np.abs(air)) / m

        with np.errstate(invalid="ignore", divide="ignore"):
            for _ in range(steps):
                a1 = pull(energy)
                a2 = pull(energy + h_half * a1)
                a3 = pull(energy + h_half * a2)
                a4 = pull(energy + h * a3)
                energy = energy + h / 6 * (a1 + 2 * (a2 + a3) + a4)
    return plain(np.sqrt(2 * energy))


def exit_speed_at_power_m_s(*, power_w, steps=120, entry_speed_m_s, hill, **road):
    """Speed at the marker under a constant power at the tyre.

    Parameters
    ----------
    power_w : float or array
        [W]
    steps : int
        At least so many on each piece; more are taken where the bike gets slow and the force of
        constant power changes quickly.
    entry_speed_m_s, hill, **road
        The other arguments of :func:`exit_speed_by_steps_m_s`.

    Returns
    -------
    speed_m_s : float or array
        NaN where the bike stops before the marker. [m/s]

    Examples
    --------
    >>> from tuninglib.physics.hill import Hill
    >>> exit_speed_at_power_m_s(power_w=3000.0, entry_speed_m_s=10.0, hill=Hill(100.0, 0.0),
    ...     mass_kg=200.0, air_density_kg_m3=1.2, drag_area_m2=0.0, rolling_coefficient=0.0)
    17.6517
    """
    # On any piece the bike stays faster than both its entry speed and what the power holds there
    # against the drag at entry; the force changes by its whole self within m v³/P of way.
    climb = climb_force_n(
        hill=hill,
        mass_kg=road["mass_kg"],
        rolling_coefficient=road["rolling_coefficient"],
        gravity_m_s2=road.get("gravity_m_s2", STANDARD_GRAVITY_M_S2),
    ).max()
    entry = np.max(entry_speed_m_s) + max(np.max(road.get("wind_m_s", 0.0)), 0.0)
    drag = np.max(road["air_density_kg_m3"]) * np.max(road["drag_area_m2"]) / 2 * entry**2
    power = np.asarray(power_w, dtype=float)
    slowest = min(np.min(entry_speed_m_s), np.min(power) / max(climb + drag, 1e-9))
    rate = np.max(power) / (np.min(road["mass_kg"]) * max(slowest, 0.5) ** 3)
    steps = int(np.clip(2 * np.max(hill.lengths_m) * rate, steps, 5000))
    return exit_speed_by_steps_m_s(
        force_at=lambda v: power / v,
        steps=steps,
        entry_speed_m_s=entry_speed_m_s,
        hill=hill,
        **road,
    )


def wheel_power_w(*, entry_speed_m_s, exit_speed_m_s, steps=120, **road):
    """Constant power at the tyre that turns the entry speed into the exit speed.

    Parameters
    ----------
    entry_speed_m_s, exit_speed_m_s : float or array
        [m/s]
    steps : int
    **road
        The other arguments of :func:`exit_speed_by_steps_m_s`.

    Returns
    -------
    power_w : float or array
        [W]

    Examples
    --------
    >>> from tuninglib.physics.hill import Hill
    >>> wheel_power_w(entry_speed_m_s=10.0, exit_speed_m_s=5500 ** (1 / 3), hill=Hill(100.0, 0.0),
    ...     mass_kg=200.0, air_density_kg_m3=1.2, drag_area_m2=0.0, rolling_coefficient=0.0)
    3000.0
    """
    force = wheel_force_n(entry_speed_m_s=entry_speed_m_s, exit_speed_m_s=exit_speed_m_s, **road)
    power = np.asarray(mean_power_w(force_n=force, entry_speed_m_s=entry_speed_m_s, **road))
    before = None
    for _ in range(40):
        reached = exit_speed_at_power_m_s(
            power_w=power, steps=steps, entry_speed_m_s=entry_speed_m_s, **road
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


def mean_power_w(*, force_n, hill, **road):
    """Mean power at the tyre under a constant force: its work over the time on the hill.

    Parameters
    ----------
    force_n : float or array
        [N]
    hill : Hill
    **road
        The other arguments of :func:`tuninglib.physics.hill.travel_time_s`.

    Returns
    -------
    power_w : float or array
        NaN where the bike stops before the marker. [W]

    Examples
    --------
    >>> from tuninglib.physics.hill import Hill
    >>> mean_power_w(force_n=300.0, entry_speed_m_s=10.0, hill=Hill(100.0, 0.0), mass_kg=200.0,
    ...              air_density_kg_m3=1.2, drag_area_m2=0.0, rolling_coefficient=0.0)
    4500.0
    """
    return plain(
        np.asarray(force_n) * hill.length_m / travel_time_s(force_n=force_n, hill=hill, **road)
    )


def predict_exit_speed(*, force_n, power_w, engine_factor=1.0, **road) -> Prediction:
    """Exit speed of the same engine with another rider, hill, air or wind.

    Parameters
    ----------
    force_n, power_w : float or array
        As found on the test hill: the wheel force, and its :func:`mean_power_w`.
    engine_factor : float or array
        What the engine makes there over what it made here, for thinner air for example.
    **road
        The other arguments of :func:`tuninglib.physics.hill.exit_speed_m_s`, as they will be there.

    Returns
    -------
    Prediction

    Examples
    --------
    >>> from tuninglib.physics.hill import Hill
    >>> predict_exit_speed(force_n=300.0, power_w=4500.0, entry_speed_m_s=10.0,
    ...     hill=Hill(100.0, 0.0), mass_kg=220.0, air_density_kg_m3=1.2, drag_area_m2=0.5,
    ...     rolling_coefficient=0.015)
    Prediction(at_force_m_s=17.0024, at_power_m_s=17.2861)
    """
    return Prediction(
        exit_speed_m_s(force_n=force_n * engine_factor, **road),
        # Twenty steps hold a centimetre a second on any road that this is for.
        exit_speed_at_power_m_s(power_w=power_w * engine_factor, steps=20, **road),
    )
