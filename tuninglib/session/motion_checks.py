"""A whole table of speeds in another unit than its header says, or with its two lines swapped.

No single run shows it: all are wrong alike. What gives it away is the speedometer's own step, and
the way back down, which gravity rides and no engine.
"""

import numpy as np

from tuninglib.physics.hill import Hill, Ride, wheel_force_n
from tuninglib.session.columns import COLUMNS, SPEED_COLUMNS
from tuninglib.session.cross_checks import KMH_IN_MPH
from tuninglib.session.defaults import air_of_runs, hill_of, road_load_of, speedometer_factor
from tuninglib.session.read_runs import RUNS
from tuninglib.text_files import Problem
from tuninglib.units import to_display, unit_label

# Of the speeds, so many at most are on the stated steps as they stand; and so many are needed.
_ON_STEPS, _FEWEST = 0.5, 8
# A speed is on a step if it is within this share of it.
_NEAR = 0.02
# Standard deviations: so far from what gravity does is wrong, so near is what was meant.
_FAR, _MEANT = 4.0, 2.0
# What is not stated of a hill, a road and a day: slope, rolling, wind [m/s], and what the air does.
_GRADE_SD, _ROLLING_SD, _WIND_SD, _DRAG_SD = 0.003, 0.004, 1.0, 0.15


def whole_table(session):
    """Problems that all speeds of a session have alike.

    Parameters
    ----------
    session : tuninglib.session.load.Session

    Yields
    ------
    Problem
        One at most.
    """
    runs = session.runs[session.runs["exclude"] == ""]
    problem = _steps(session, runs) or _way_down(session, runs)
    if problem:
        yield problem


def _steps(session, runs) -> Problem | None:
    """Speeds that are on the speedometer's steps only if they are brought to the other unit."""
    if session.speedometer.resolution is None:
        return None
    step = session.speedometer.resolution.value
    # An entry speed that was said once for all runs is no reading.
    read = runs.copy()
    read.loc[read["entry_taken"], "shown_entry_m_s"] = np.nan
    read.loc[read["speeds_logged"], ["shown_entry_m_s", "shown_exit_m_s"]] = np.nan
    by_column = {key: read[COLUMNS[key].si_name].dropna().to_numpy() for key in SPEED_COLUMNS}
    # The whole table first, then one column under another unit than its neighbours.
    found = _other_unit(step, np.concatenate([*by_column.values()]))
    if found:
        return _off_the_steps(step, "entry_speed", "speed", *found)
    for key, speeds in by_column.items():
        found = _other_unit(step, speeds)
        if found:
            return _off_the_steps(step, key, key, *found)
    return None


def _other_unit(step, speeds) -> tuple | None:
    """Number of speeds, the unit in which all are on the steps, and the one in which few are."""
    if step <= 0 or len(speeds) < _FEWEST or len(np.unique(speeds.round(6))) < 4:
        return None

    def on_steps(values):
        return float(np.mean(np.abs(values / step - np.round(values / step)) < _NEAR))

    if on_steps(speeds) > _ON_STEPS:
        return None
    for factor, typed, under in ((1 / KMH_IN_MPH, "km/h", "mph"), (KMH_IN_MPH, "mph", "km/h")):
        if on_steps(speeds * factor) == 1.0:
            return len(speeds), typed, under
    return None


def _off_the_steps(step, column, what, count, typed, under) -> Problem:
    number = to_display(float(step), "speed", "metric" if typed == "km/h" else "us")
    message = (
        f"no {what} is on the speedometer's steps of {number:g} {typed} (resolution), but all "
        f"{count} are if they are {typed} and not {under}; write {typed} in the header, or the "
        "right resolution under [speedometer]"
    )
    return Problem(RUNS, message, row=1, column=column)


def _way_down(session, runs) -> Problem | None:
    """Ways down that gravity cannot have ridden, while in the other unit it could."""
    there = runs["shown_down_entry_m_s"].notna() & runs["shown_down_exit_m_s"].notna()
    rows = runs[there]
    if len(rows) < 2:
        return None
    off = {}
    for said, factor, swapped in (
        ("", 1.0, False),
        ("km/h under a header in mph", 1 / KMH_IN_MPH, False),
        ("mph under a header in km/h", KMH_IN_MPH, False),
        ("marker and start line swapped", 1.0, True),
    ):
        off[said] = _push(session, rows, factor, swapped)
    push, sds = off.pop("")
    if not sds >= _FAR:
        return None
    off = {said: found for said, found in off.items() if found[1] <= _MEANT}
    if not off:
        return None
    meant = min(off, key=lambda said: off[said][1])
    system = session.about.units
    force = to_display(abs(push), "force", system)
    message = (
        f"rolling down as these speeds say takes a {'push' if push > 0 else 'brake'} of "
        f"{force:.0f} {unit_label('force', system)} that nobody gave (middle of {len(rows)} runs); "
        f"it takes none if they are {meant}; mend the header or the columns, or the hill's grade"
    )
    return Problem(RUNS, message, row=1, column="down_exit_speed")


def _push(session, rows, factor, swapped) -> tuple:
    """Force that the ways down need beside gravity [N], and how many standard deviations it is.

    The force is that of the middle run; what is not known is moved by its standard deviation, one
    after the other, and the motion worked out anew. What stalls or blows away accuses nobody.
    """
    shown = rows[["shown_down_entry_m_s", "shown_down_exit_m_s"]].to_numpy() * factor
    if swapped:
        shown = shown[:, ::-1]
    scale = speedometer_factor(session, float(np.median(shown)))
    mass = session.bike.mass.value + np.array(
        [session.riders[name].mass.value for name in rows["rider"]]
    )
    road, hill = road_load_of(session, float(mass.mean())), session.hill
    area, rolling, day = road.drag_area_m2, road.rolling_coefficient, session.weather.headwind
    # What blew against the rider on the way up blows from behind on the way down.
    wind = -rows["headwind_m_s"].fillna(day.value).to_numpy()
    density = air_of_runs(session).loc[rows.index, "density_kg_m3"].to_numpy()
    back = hill_of(session).reversed()

    def middle(*, grade=0.0, rolled=0.0, drag=0.0, gust=0.0, shows=0.0):
        speeds = shown * (scale.value + shows)
        if np.any(speeds + (wind + gust)[:, None] <= 0):
            return np.nan
        ride = Ride(
            hill=Hill(back.lengths_m, back.grade_ratios + grade),
            mass_kg=mass,
            rotating_mass_kg=road.rotating_mass_kg.value,
            air_density_kg_m3=density,
            drag_area_m2=area.value + drag,
            rolling_coefficient=rolling.value + rolled,
            wind_m_s=wind + gust,
        )
        ends = {"entry_speed_m_s": speeds[:, 0], "exit_speed_m_s": speeds[:, 1]}
        return float(np.median(wheel_force_n(ride, **ends)))

    sds = {
        "grade": max(hill.grade.sd, _GRADE_SD, *(piece.grade.sd for piece in hill.pieces)),
        "rolled": max(rolling.sd, _ROLLING_SD),
        "drag": max(area.sd, _DRAG_SD * area.value),
        "gust": float(np.hypot(day.sd, _WIND_SD)),
        "shows": scale.sd,
    }
    push = middle()
    sd = float(np.sqrt(sum((middle(**{name: by}) - push) ** 2 for name, by in sds.items())))
    return (push, abs(push) / sd) if np.isfinite(sd) else (push, np.nan)
