"""Runs to wheel forces, and what each nuisance does to them."""

import numpy as np

from tuninglib.physics.hill import Hill, Ride, wheel_force_n
from tuninglib.statistics.unknowns import HILL_FIELDS, RUN_FIELDS, Runs


def linearised(runs: Runs, nuisances, moved, step=1e-3):
    """Log wheel force up, and residual force down, with their slopes by each nuisance.

    Parameters
    ----------
    runs : Runs
    nuisances : sequence of Nuisance
    moved : sequence of array
        Where each nuisance stands, in standard deviations: one value, or one a run.
    step : float
        Of the finite differences, in standard deviations.

    Returns
    -------
    log_force : array, n
    up_slopes : array, nuisances by n
    down_force_n : array, n
        Force that the way down seems to need, 0 at the true nuisances; NaN without a way down.
    down_slopes : array, nuisances by n

    Examples
    --------
    >>> from tuninglib.statistics.unknowns import Nuisance
    >>> runs = Runs(hill=Hill(400.0, 0.06), setup=[0, 0], rider=0, mass_kg=200.0,
    ...             entry_speed_m_s=13.0, exit_speed_m_s=[17.0, 18.0], air_density_kg_m3=1.2,
    ...             drag_area_m2=0.55, rolling_coefficient=0.015)
    >>> up, slopes, down, _ = linearised(runs, [Nuisance("mass", {"mass_kg": 2.0})], [0.0])
    >>> np.exp(up)
    array([256.64, 272.40])
    >>> slopes
    array([[0.0067, 0.0066]])
    """
    nuisances = list(nuisances)
    count = len(nuisances) + 1
    values = {name: np.array(getattr(runs, name)) for name in RUN_FIELDS}
    hill = {name: np.array(getattr(runs.hill, name)) for name in HILL_FIELDS}
    for nuisance, at in zip(nuisances, moved, strict=True):
        for name, change in nuisance.changes.items():
            part = hill if name in HILL_FIELDS else values
            part[name] = part[name] + change * np.asarray(at)
    changed = {name for nuisance in nuisances for name in nuisance.changes}
    stacks = {}
    for name, base in {**values, **hill}.items():
        stack = np.tile(base, (count, 1)) if name in changed else base[None]
        for row, nuisance in enumerate(nuisances, start=1):
            if name in nuisance.changes:
                stack[row] += nuisance.changes[name] * step
        stacks[name] = stack
    lengths, grades = (stacks[name][:, None, :] for name in HILL_FIELDS)
    common = {
        name: stacks[name]
        for name in (
            "mass_kg",
            "rotating_mass_kg",
            "air_density_kg_m3",
            "drag_area_m2",
            "rolling_coefficient",
        )
    }
    ride = Ride(
        hill=Hill(lengths, grades),
        wind_m_s=stacks["headwind_m_s"],
        gravity_m_s2=runs.gravity_m_s2,
        **common,
    )
    up = wheel_force_n(
        ride,
        entry_speed_m_s=stacks["entry_speed_m_s"],
        exit_speed_m_s=stacks["exit_speed_m_s"],
    )
    if not np.all(up > 0):
        run = int(np.argmax(np.any(~(up > 0), axis=0)))
        raise ValueError(
            f"the speeds of run {run + 1} need no pull at all (wheel force "
            f"{up[:, run].min():.3g} N); check its speeds and the grade"
        )
    up = np.log(up) + stacks["log_correction"]
    up = np.broadcast_to(up, (count, up.shape[-1]))
    down = np.full(up.shape, np.nan)
    there = runs.has_way_down
    if there.any():
        wind = -(stacks["headwind_m_s"] + stacks["wind_change_m_s"])
        pick = {name: stack[:, there] for name, stack in common.items()}
        back = Ride(
            hill=ride.hill.reversed(),
            wind_m_s=wind[:, there],
            gravity_m_s2=runs.gravity_m_s2,
            **pick,
        )
        down[:, there] = wheel_force_n(
            back,
            entry_speed_m_s=stacks["down_entry_speed_m_s"][:, there],
            exit_speed_m_s=stacks["down_exit_speed_m_s"][:, there],
        )
    return up[0], (up[1:] - up[0]) / step, down[0], (down[1:] - down[0]) / step
