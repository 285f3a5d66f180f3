"""Runs of a road test, and what is not known exactly about them."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from tuninglib.checks import require
from tuninglib.physics.air import STANDARD_GRAVITY_M_S2
from tuninglib.physics.hill import Hill, Ride


@dataclass(frozen=True, kw_only=True)
class Runs:
    """Runs up the hill, and back down where the bike was let roll; one element a run.

    Parameters
    ----------
    hill : Hill
    setup, rider : array of int
        Index of each run's setup and rider, from 0.
    entry_speed_m_s, exit_speed_m_s : array
        Up the hill, true speeds (a speedometer's factor already applied). [m/s]
    mass_kg, rotating_mass_kg : array
        Bike and rider; what turning parts add. [kg]
    air_density_kg_m3 : array
        [kg/m3]
    drag_area_m2, rolling_coefficient : array
        [m2], [unitless]
    headwind_m_s : array
        Best guess of the wind against the rider on the way up. [m/s]
    wind_change_m_s : array
        Best guess of how the wind (along the same direction) changed before the way down. [m/s]
    log_correction : array
        Natural logarithm of the factor that brings the wheel force to reference conditions.
    down_entry_speed_m_s, down_exit_speed_m_s : array
        Rolling down the same road out of gear, from the marker to the start line; NaN where it
        was not done. [m/s]
    gravity_m_s2 : float
        [m/s2]

    Notes
    -----
    Scalars are spread over the runs.
    """

    hill: Hill
    setup: np.ndarray
    rider: np.ndarray
    entry_speed_m_s: np.ndarray
    exit_speed_m_s: np.ndarray
    mass_kg: np.ndarray
    air_density_kg_m3: np.ndarray
    drag_area_m2: np.ndarray
    rolling_coefficient: np.ndarray
    rotating_mass_kg: np.ndarray = 0.0
    headwind_m_s: np.ndarray = 0.0
    wind_change_m_s: np.ndarray = 0.0
    log_correction: np.ndarray = 0.0
    down_entry_speed_m_s: np.ndarray = np.nan
    down_exit_speed_m_s: np.ndarray = np.nan
    gravity_m_s2: float = STANDARD_GRAVITY_M_S2

    def __post_init__(self):
        for name, kind in (("setup", int), ("rider", int), *((n, float) for n in RUN_FIELDS)):
            value = np.asarray(getattr(self, name), dtype=kind)
            shape = np.shape(self.setup)
            try:
                object.__setattr__(self, name, np.broadcast_to(value, shape))
            except ValueError:
                raise ValueError(
                    f"{name} has shape {value.shape} but there are {shape} runs; give one value, "
                    "or one for each run"
                ) from None

    @property
    def has_way_down(self) -> np.ndarray:
        """Whether each run has speeds of the way down."""
        return np.isfinite(self.down_entry_speed_m_s) & np.isfinite(self.down_exit_speed_m_s)

    @property
    def ride(self) -> Ride:
        """The ride up of each run, as stated."""
        return Ride(
            hill=self.hill,
            mass_kg=self.mass_kg,
            rotating_mass_kg=self.rotating_mass_kg,
            air_density_kg_m3=self.air_density_kg_m3,
            drag_area_m2=self.drag_area_m2,
            rolling_coefficient=self.rolling_coefficient,
            wind_m_s=self.headwind_m_s,
            gravity_m_s2=self.gravity_m_s2,
        )


RUN_FIELDS = tuple(
    f.name
    for f in dataclasses.fields(Runs)
    if f.name not in ("hill", "setup", "rider", "gravity_m_s2")
)
HILL_FIELDS = ("lengths_m", "grade_ratios")


@dataclass(frozen=True)
class Nuisance:
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

    Examples
    --------
    >>> Nuisance("drag area", {"drag_area_m2": 0.05}).name
    'drag area'
    """

    name: str
    changes: Mapping[str, np.ndarray] = field(default_factory=dict)
    each_run: bool = False

    def __post_init__(self):
        unknown = set(self.changes) - {*RUN_FIELDS, *HILL_FIELDS}
        if unknown:
            raise ValueError(
                f"{self.name!r} changes {', '.join(sorted(unknown))}, which no run has; "
                f"the fields are {', '.join((*RUN_FIELDS, *HILL_FIELDS))}"
            )


def usual_nuisances(
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
) -> tuple[Nuisance, ...]:
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
        Relative wheel force: steady drift of the day from its middle to its end; the runs are
        taken to be in the order ridden.

    Returns
    -------
    nuisances : tuple of Nuisance
        Those with a standard deviation above zero.

    Examples
    --------
    >>> runs = Runs(hill=Hill(400.0, 0.06), setup=[0, 1], rider=[0, 1], mass_kg=[190.0, 210.0],
    ...             entry_speed_m_s=13.0, exit_speed_m_s=[17.0, 18.0], air_density_kg_m3=1.2,
    ...             drag_area_m2=0.55, rolling_coefficient=0.015)
    >>> found = usual_nuisances(runs, grade_sd=0.002, rider_effect_sd=0.015)
    >>> [one.name for one in found]
    ['grade', 'rider', 'rider']
    """
    n = runs.setup.size
    riders = np.unique(runs.rider)
    share = float(road_load_correlation)
    require(share, what="correlation", unit="", at_least=-1, at_most=1, remedy="0 if unknown")
    speeds = (
        "entry_speed_m_s",
        "exit_speed_m_s",
        "down_entry_speed_m_s",
        "down_exit_speed_m_s",
    )
    lengths, grades = runs.hill.lengths_m, runs.hill.grade_ratios
    found = [
        Nuisance("bike mass", {"mass_kg": bike_mass_sd_kg}),
        Nuisance("rotating mass", {"rotating_mass_kg": rotating_mass_sd_kg}),
        Nuisance(
            "road load",
            {
                "drag_area_m2": drag_area_sd_m2,
                "rolling_coefficient": share * rolling_coefficient_sd,
            },
        ),
        Nuisance(
            "road load",
            {"rolling_coefficient": np.sqrt(1 - share**2) * rolling_coefficient_sd},
        ),
        Nuisance("grade", {"grade_ratios": np.full(grades.shape[-1], grade_sd)}),
        Nuisance("hill length", {"lengths_m": length_sd_m * lengths / lengths.sum()}),
        Nuisance("speed factor", {name: speed_factor_sd * getattr(runs, name) for name in speeds}),
        Nuisance("wind of the day", {"headwind_m_s": wind_sd_m_s}),
        Nuisance(
            "air density", {"air_density_kg_m3": air_density_sd_ratio * runs.air_density_kg_m3}
        ),
        Nuisance("drift of the day", {"log_correction": drift_sd * np.linspace(-1, 1, n)}),
    ]
    if grades.shape[-1] > 1:
        for piece in np.eye(grades.shape[-1]):
            found.append(Nuisance("grade", {"grade_ratios": piece * piece_grade_sd}))
    mass_sds = np.broadcast_to(rider_mass_sd_kg, riders.shape)
    for rider, mass_sd in zip(riders, mass_sds, strict=True):
        own = (runs.rider == rider).astype(float)
        drag = own * rider_drag_sd_ratio * runs.drag_area_m2
        found += [
            Nuisance("rider mass", {"mass_kg": own * mass_sd}),
            Nuisance("rider", {"log_correction": own * rider_effect_sd}),
            Nuisance("rider", {"drag_area_m2": drag}),
        ]
    # A speed that was not read is NaN, and so is its change.
    return tuple(
        one
        for one in found
        if any(np.any(np.nan_to_num(change)) for change in one.changes.values())
    )
