"""One run that stands for all runs of a setup, and the ways in which it can be off together.

What is not known of drag, slope, wind and force is tied by the runs themselves: more drag goes
with more force. A prediction must move them together, or its interval is of another day.
"""

from dataclasses import dataclass

import numpy as np

from tuninglib.physics.hill import Hill, Ride, wheel_force_n
from tuninglib.statistics.road_runs import HILL_FIELDS, RUN_FIELDS, moved_fields

# Parts of the force that go with another rider: how he sits, shifts and holds the throttle.
OTHER_RIDER = ("other_rider_log_force", "other_rider_drag_ratio")
# Directions that add less than this share to any quantity's variance are left out.
_LEAST = 1e-10


@dataclass(frozen=True, kw_only=True)
class EquivalentRun:
    """One run that stands for all runs of a setup, with what is not known exactly about it.

    Attributes
    ----------
    setup : str
    entry_m_s, exit_m_s : float
        Mean true speeds of its runs, each with its weight. [m/s]
    force_n : float
        That turns the one into the other under what follows, in the air of the day.
    rider_mass_kg, bike_mass_kg, rotating_mass_kg : float
        [kg]
    air_density_kg_m3, output_factor : float
        Air of its runs, and the factor that brings engine output to reference air.
    drag_area_m2, rolling_coefficient : float
        With a rider of ``rider_mass_kg``.
    lengths_m, grade_ratios : tuple of float
        The hill in pieces.
    headwind_m_s : float
    moves : tuple of dict
        Independent ways in which it can be off, each one standard deviation: by how much every
        quantity moves (``log_force``, ``entry_m_s`` and those above; pieces of the hill as
        tuples). Those of ``OTHER_RIDER`` count only where another rider is asked about.
    """

    setup: str
    entry_m_s: float
    exit_m_s: float
    force_n: float
    rider_mass_kg: float
    bike_mass_kg: float
    rotating_mass_kg: float
    air_density_kg_m3: float
    output_factor: float
    drag_area_m2: float
    rolling_coefficient: float
    lengths_m: tuple
    grade_ratios: tuple
    headwind_m_s: float
    moves: tuple


def equivalent_run(setup, runs, own, fit, *, bike_mass_kg, other_rider_sds) -> EquivalentRun | None:
    """The run that stands for some of the runs of a day.

    Parameters
    ----------
    setup : str
    runs : tuninglib.statistics.road_runs.Runs
        All of the day.
    own : array (n,)
        Weight of each run in the mean; 0 for those of other setups.
    fit : tuninglib.statistics.gain.GainFit
        Of ``runs``.
    bike_mass_kg : float
        As stated; what the runs say of the mass beyond it is the rider's.
    other_rider_sds : tuple of float
        How far another rider may differ from those of the day, in the order of ``OTHER_RIDER``.

    Returns
    -------
    EquivalentRun or None
        None where its means need no pull.
    """
    share = own / own.sum()
    stated = {name: getattr(runs, name) for name in RUN_FIELDS}
    stated |= {name: getattr(runs.hill, name) for name in HILL_FIELDS}
    likely = moved_fields(stated, fit.shared, [one.mean for one in fit.unknowns])

    def mean(values):
        return float(share @ values)

    entry, end = mean(runs.true_entry_m_s), mean(runs.true_exit_m_s)
    quantities = {
        name: mean(likely[name])
        for name in ("rotating_mass_kg", "air_density_kg_m3", "drag_area_m2", "rolling_coefficient")
    }
    mass, wind = mean(likely["mass_kg"]), mean(likely["headwind_m_s"])
    ride = Ride(
        hill=Hill(likely["lengths_m"], likely["grade_ratios"]),
        mass_kg=mass,
        wind_m_s=wind,
        **quantities,
    )
    force = float(wheel_force_n(ride, entry_speed_m_s=entry, exit_speed_m_s=end))
    if not force > 0:
        return None
    return EquivalentRun(
        setup=setup,
        entry_m_s=entry,
        exit_m_s=end,
        force_n=force,
        rider_mass_kg=mass - bike_mass_kg,
        bike_mass_kg=bike_mass_kg,
        output_factor=float(np.exp(mean(runs.log_correction))),
        lengths_m=tuple(likely["lengths_m"].tolist()),
        grade_ratios=tuple(likely["grade_ratios"].tolist()),
        headwind_m_s=wind,
        moves=_moves(fit, stated, likely, share, int(runs.setup[np.argmax(own)]), other_rider_sds),
        **quantities,
    )


def _moves(fit, stated, likely, share, setup, other_rider_sds) -> tuple:
    """Independent directions of one standard deviation each, as few as there are quantities."""
    pieces = likely["lengths_m"].size
    names = [
        "log_force", "entry_m_s", "rider_mass_kg", "bike_mass_kg", "rotating_mass_kg",
        "air_density_kg_m3", "drag_area_m2", "rolling_coefficient", "headwind_m_s",
        *(("lengths_m", piece) for piece in range(pieces)),
        *(("grade_ratios", piece) for piece in range(pieces)),
    ]  # fmt: skip
    place = {name: number for number, name in enumerate(names)}
    # By how much each quantity moves with one standard deviation of each unknown.
    by_unknown = np.zeros((len(names), len(fit.shared)))
    for column, one in enumerate(fit.shared):
        for field, change in one.changes.items():
            scale = likely[field] / np.where(stated[field], stated[field], 1.0)
            if field in HILL_FIELDS:
                moved = np.broadcast_to(change, pieces)
                if field == "lengths_m":
                    moved = moved * scale
                for piece in range(pieces):
                    by_unknown[place[field, piece], column] += moved[piece]
                continue
            name, sign = _QUANTITIES.get(field, (field, 1.0))
            if field == "mass_kg":
                name = "bike_mass_kg" if one.name == "bike mass" else "rider_mass_kg"
            if name not in place:
                continue
            factor = 1.0 if field in ("headwind_m_s", "log_correction") else scale
            by_unknown[place[name], column] += sign * float(np.sum(share * change * factor))
    steps = fit.steps[setup]
    moved = by_unknown @ steps.shared
    moved[place["log_force"]] += steps.log_force
    found = []
    for direction in _independent(moved):
        one = {name: float(direction[at]) for name, at in place.items() if isinstance(name, str)}
        for field in HILL_FIELDS:
            one[field] = tuple(float(direction[place[field, piece]]) for piece in range(pieces))
        found.append(one)
    found += [{name: sd} for name, sd in zip(OTHER_RIDER, other_rider_sds, strict=True) if sd]
    return tuple(found)


# What some fields of the runs move in the run that stands for them. A force at reference air falls
# by what the correction adds.
_QUANTITIES = {"true_entry_m_s": ("entry_m_s", 1.0), "log_correction": ("log_force", -1.0)}


def _independent(moved):
    """Columns that give the same covariance as many, one for each quantity at the most.

    Cholesky's, in the order of the quantities: principal directions would be others on each
    machine, where two are alike.
    """
    size = np.sqrt((moved**2).sum(1))
    scale = np.where(size > 0, size, 1.0)
    scaled = moved / scale[:, None]
    left = scaled @ scaled.T
    for at in range(len(scale)):
        if left[at, at] > _LEAST:
            direction = left[:, at] / np.sqrt(left[at, at])
            left = left - np.outer(direction, direction)
            yield direction * scale
