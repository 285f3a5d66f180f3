"""Runs whose speeds cannot be what was ridden: found before anything is worked out from them."""

import numpy as np

from tuninglib.physics.hill import wheel_force_n
from tuninglib.session.conditions import air_of_runs
from tuninglib.session.defaults import hill_of, road_load_of, speedometer_factor
from tuninglib.text_files import Problem
from tuninglib.units import to_display, unit_label

# Above this a run is not believed. Racing singles without charging reach about 150 kW a litre at
# the crankshaft (common practice); on the road the speeds are far likelier to be wrong.
HIGHEST_POWER_W_M3 = 130e6
# How far one run's wheel force may be from the median of its setup, and of the session.
WITHIN_SETUP, WITHIN_SESSION = 1.3, 1.7
_REMEDY = "check speeds, unit (km/h or mph?) and setup, or give a reason in exclude"


def implausible_runs(session):
    """Problems of single runs that only show once the motion up the hill is worked out.

    Parameters
    ----------
    session : tuninglib.session.load.Session

    Yields
    ------
    Problem
    """
    runs = session.runs
    rows = runs[(runs["exclude"] == "") & runs["shown_exit_m_s"].notna()]
    if rows.empty:
        return
    forces, exits = _forces(session, rows)
    median, system = float(np.median(forces)), session.about.units
    by_setup = {name: forces[(rows["setup"] == name).to_numpy()] for name in set(rows["setup"])}
    for row, force, exit_speed in zip(rows.itertuples(), forces, exits, strict=True):
        start, end = (
            to_display(speed, "speed", system)
            for speed in (row.shown_entry_m_s, row.shown_exit_m_s)
        )
        said = f"{start:.3g} to {end:.3g} {unit_label('speed', system)}"
        engine = session.engines[session.setups[row.setup].engine]
        highest = HIGHEST_POWER_W_M3 * engine.displacement_m3
        own = by_setup[row.setup]
        if force <= 0:
            message = f"{said} up this hill needs no pull at all; {_REMEDY}"
        elif force * exit_speed > highest:
            message = (
                f"{said} up this hill needs {force * exit_speed / 1000:.0f} kW at the wheel, more "
                f"than the {highest / 1000:.0f} kW that an engine of "
                f"{engine.displacement_m3 * 1e6:.0f} cc can give; {_REMEDY}"
            )
        elif own.size > 2 and not _near(force, float(np.median(own)), WITHIN_SETUP):
            message = _far(said, force, float(np.median(own)), "this setup", WITHIN_SETUP)
        elif forces.size > 2 and not _near(force, median, WITHIN_SESSION):
            message = _far(said, force, median, "the session", WITHIN_SESSION)
        else:
            continue
        yield Problem("runs.csv", message, row=row.row, column="exit_speed")


def _near(force, middle, factor) -> bool:
    return middle / factor <= force <= middle * factor


def _far(said, force, middle, whose, factor) -> str:
    return (
        f"{said} is {force / middle:.2f} times the wheel force of the middle run of {whose} "
        f"(limit {1 / factor:.2f} to {factor:g}); {_REMEDY}"
    )


def _forces(session, rows):
    """Wheel force of each row at the most likely values [N], and its true exit speed [m/s]."""
    air = air_of_runs(session).loc[rows.index]
    shown = rows[["shown_entry_m_s", "shown_exit_m_s"]].to_numpy()
    factor, _ = speedometer_factor(session, float(np.median(shown)))
    riders = np.array([session.riders[name].mass.value for name in rows["rider"]])
    mass = session.bike.mass.value + riders
    area, rolling, rotating, _ = road_load_of(session, float(mass.mean()))
    speeds = shown * factor.value
    forces = wheel_force_n(
        entry_speed_m_s=speeds[:, 0],
        exit_speed_m_s=speeds[:, 1],
        hill=hill_of(session),
        mass_kg=mass,
        rotating_mass_kg=rotating.value,
        air_density_kg_m3=air["density_kg_m3"].to_numpy(),
        drag_area_m2=area.value,
        rolling_coefficient=rolling.value,
    )
    return forces, speeds[:, 1]
