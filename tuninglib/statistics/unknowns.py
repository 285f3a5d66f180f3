"""What is not known exactly about the runs of a road test, rounded readings among it."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from tuninglib.checks import require
from tuninglib.statistics.road_runs import HILL_FIELDS, RUN_FIELDS, SPEED_FIELDS, Runs


@dataclass(frozen=True)
class Unknown:
    """Something that is not known exactly, as what one standard deviation of it changes.

    Parameters
    ----------
    name : str
        What the report calls it; several may share a name.
    changes : mapping of str to float or array
        For each field of :class:`Runs` that moves with it, by how much at one standard deviation;
        the hill's ``lengths_m`` and ``grade_ratios`` are by piece, the others by run.
    each_run : bool
        True if every run draws its own, independently.
    which : int
        Which of several with the same name: number of the rider, of the piece of the hill, of the
        way in which the road load can be off.

    Examples
    --------
    >>> Unknown("drag area", {"drag_area_m2": 0.05}).name
    'drag area'
    """

    name: str
    changes: Mapping[str, np.ndarray] = field(default_factory=dict)
    each_run: bool = False
    which: int = 0

    def __post_init__(self):
        strange = set(self.changes) - {*RUN_FIELDS, *HILL_FIELDS}
        if strange:
            raise ValueError(
                f"{self.name!r} changes {', '.join(sorted(strange))}, which no run has; "
                f"the fields are {', '.join((*RUN_FIELDS, *HILL_FIELDS))}"
            )
        changes = {name: np.asarray(change, dtype=float) for name, change in self.changes.items()}
        object.__setattr__(self, "changes", changes)


def usual_unknowns(
    runs: Runs,
    *,
    bike_mass_sd_kg=0.0,
    rotating_mass_sd_kg=0.0,
    rider_mass_sd_kg=0.0,
    drag_area_sd_m2=0.0,
    rolling_coefficient_sd=0.0,
    road_load_correlation=0.0,
    grade_sd=0.0,
    piece_grade_sd=0.0,
    length_sd_m=0.0,
    speed_factor_sd=0.0,
    wind_sd_m_s=0.0,
    air_density_sd_ratio=0.0,
    rider_effect_sd=0.0,
    rider_drag_sd_ratio=0.0,
    drift_sd=0.0,
    order=None,
) -> tuple[Unknown, ...]:
    """What is usually not known exactly about a road test.

    Parameters
    ----------
    runs : Runs
    bike_mass_sd_kg, rotating_mass_sd_kg : float
        Common to all runs. [kg]
    rider_mass_sd_kg : float or array
        One for each rider, or one for all alike; each rider draws his own. [kg]
    drag_area_sd_m2, rolling_coefficient_sd, road_load_correlation : float
        Common to all runs. [m2], [unitless], -1 to 1
    grade_sd, piece_grade_sd : float
        Of the whole hill; of each piece on its own. [unitless]
    length_sd_m : float
        Of the whole hill. [m]
    speed_factor_sd : float
        Relative, common to all speeds. [unitless]
    wind_sd_m_s : float
        Of the steady wind that all runs share. [m/s]
    air_density_sd_ratio : float
        Relative, common to all runs. [unitless]
    rider_effect_sd : float
        Relative wheel force, each rider on his own (how he shifts and holds the throttle).
    rider_drag_sd_ratio : float
        Relative drag area, each rider on his own.
    drift_sd : float
        Relative wheel force: steady drift from the first run to the last.
    order : array, optional
        Numbers that rise in the order ridden, one a run; left out: as the runs stand.

    Returns
    -------
    unknowns : tuple of Unknown
        Those with a standard deviation above zero.

    Examples
    --------
    >>> from tuninglib.physics.hill import Hill
    >>> runs = Runs(hill=Hill(400.0, 0.06), setup=[0, 1], rider=[0, 1], mass_kg=[190.0, 210.0],
    ...             true_entry_m_s=13.0, true_exit_m_s=[17.0, 18.0], air_density_kg_m3=1.2,
    ...             drag_area_m2=0.55, rolling_coefficient=0.015)
    >>> found = usual_unknowns(runs, grade_sd=0.002, rider_effect_sd=0.015)
    >>> [one.name for one in found]
    ['grade', 'rider', 'rider']
    """
    n = runs.setup.size
    riders = np.unique(runs.rider)
    share = float(road_load_correlation)
    require(share, what="correlation", unit="", at_least=-1, at_most=1, remedy="0 if unknown")
    lengths, grades = runs.hill.lengths_m, runs.hill.grade_ratios
    found = [
        Unknown("bike mass", {"mass_kg": bike_mass_sd_kg}),
        Unknown("rotating mass", {"rotating_mass_kg": rotating_mass_sd_kg}),
        Unknown(
            "road load",
            {
                "drag_area_m2": drag_area_sd_m2,
                "rolling_coefficient": share * rolling_coefficient_sd,
            },
        ),
        Unknown(
            "road load",
            {"rolling_coefficient": np.sqrt(1 - share**2) * rolling_coefficient_sd},
            which=1,
        ),
        Unknown("grade", {"grade_ratios": np.full(grades.shape[-1], grade_sd)}),
        Unknown("hill length", {"lengths_m": length_sd_m * lengths / lengths.sum()}),
        Unknown(
            "speed factor", {name: speed_factor_sd * getattr(runs, name) for name in SPEED_FIELDS}
        ),
        Unknown("wind of the day", {"headwind_m_s": wind_sd_m_s}),
        Unknown(
            "air density", {"air_density_kg_m3": air_density_sd_ratio * runs.air_density_kg_m3}
        ),
        Unknown("drift of the day", {"log_correction": drift_sd * _through_the_day(n, order)}),
    ]
    if grades.shape[-1] > 1:
        for number, piece in enumerate(np.eye(grades.shape[-1]), start=1):
            found.append(Unknown("grade", {"grade_ratios": piece * piece_grade_sd}, which=number))
    mass_sds = np.broadcast_to(rider_mass_sd_kg, riders.shape)
    for rider, mass_sd in zip(riders, mass_sds, strict=True):
        own = (runs.rider == rider).astype(float)
        drag = own * rider_drag_sd_ratio * runs.drag_area_m2
        found += [
            Unknown("rider mass", {"mass_kg": own * mass_sd}, which=int(rider)),
            Unknown("rider", {"log_correction": own * rider_effect_sd}, which=int(rider)),
            Unknown("rider", {"drag_area_m2": drag}, which=int(rider)),
        ]
    # A speed that was not read is NaN, and so is its change.
    return tuple(
        one
        for one in found
        if any(np.any(np.nan_to_num(change)) for change in one.changes.values())
    )


def _through_the_day(count, order):
    """Place of each run in the day, from −½ to ½ in equal steps."""
    place = np.arange(count) if order is None else np.argsort(np.argsort(order, kind="stable"))
    return place / max(count - 1, 1) - 0.5


def reading_unknowns(runs: Runs, *, resolution_m_s) -> tuple[Unknown, ...]:
    """Rounding of the speeds that were read.

    Parameters
    ----------
    runs : Runs
    resolution_m_s : float
        Smallest step that was read, in true speed. [m/s]

    Returns
    -------
    unknowns : tuple of Unknown

    Notes
    -----
    A rounded reading has the variance a²/12 of a rectangular distribution of width a [1]_. If the
    true speeds of repeats spread over more than a third of a step, their rounding errors are as
    good as independent; if the readings do not spread at all, the repeats share one error and
    their mean keeps all of a²/12. Between the two, errors of normally spread speeds have the
    correlation 6/π² Σ exp(−4π²j²σ²/a²)/j², j = 1, 2, ..., taken here with the spread of the
    readings within a setup and rider, less a²/12, as σ².

    Examples
    --------
    >>> from tuninglib.physics.hill import Hill
    >>> runs = Runs(hill=Hill(400.0, 0.06), setup=[0, 0], rider=0, mass_kg=200.0,
    ...             true_entry_m_s=[12.0, 14.0], true_exit_m_s=[17.0, 18.0],
    ...             air_density_kg_m3=1.2, drag_area_m2=0.55, rolling_coefficient=0.015)
    >>> found = reading_unknowns(runs, resolution_m_s=0.12)
    >>> [(list(one.changes), one.each_run) for one in found]
    [(['true_entry_m_s'], True), (['true_exit_m_s'], True)]

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 4.3.7 and F.2.2.1.
    """
    a = float(
        require(resolution_m_s, what="resolution", unit="m/s", at_least=0, remedy="0.28 for 1 km/h")
    )
    if a == 0:
        return ()
    sd = a / np.sqrt(12)
    _, cell = np.unique(np.stack([runs.setup, runs.rider]), axis=1, return_inverse=True)
    cell = cell.reshape(-1)
    found = []
    for name in SPEED_FIELDS:
        speeds = getattr(runs, name)
        if not np.isfinite(speeds).any():
            continue
        shared = _shared_rounding(speeds, cell, a)
        found.append(Unknown("reading", {name: sd * np.sqrt(1 - shared)}, each_run=True))
        if shared > 1e-6:
            for one in range(cell.max() + 1):
                member = (cell == one) * sd * np.sqrt(shared)
                found.append(Unknown("reading", {name: member}))
    return tuple(found)


def _shared_rounding(speeds, cell, resolution):
    """Correlation of the rounding errors of repeats."""
    squares, dof = 0.0, 0
    for one in range(cell.max() + 1):
        own = speeds[(cell == one) & np.isfinite(speeds)]
        if own.size > 1:
            squares += ((own - own.mean()) ** 2).sum()
            dof += own.size - 1
    if dof == 0:
        return 0.0
    spread2 = max(squares / dof / resolution**2 - 1 / 12, 0.0)
    j = np.arange(1, 20)
    terms = np.exp(-4 * np.pi**2 * j**2 * spread2) / j**2
    return min(terms.sum() / (1 / j**2).sum(), 1.0)
