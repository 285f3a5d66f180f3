"""Runs of a road test, their wheel forces, and what each thing not known does to them."""

import dataclasses
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tuninglib.physics.air import STANDARD_GRAVITY_M_S2
from tuninglib.physics.hill import Hill, Ride, wheel_force_n


@dataclass(frozen=True, kw_only=True)
class Runs:
    """Runs up the hill, and back down where the bike was let roll; one element a run.

    Parameters
    ----------
    hill : Hill
    setup, rider : array of int
        Index of each run's setup and rider, from 0.
    true_entry_m_s, true_exit_m_s : array
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
    true_down_entry_m_s, true_down_exit_m_s : array
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
    true_entry_m_s: np.ndarray
    true_exit_m_s: np.ndarray
    mass_kg: np.ndarray
    air_density_kg_m3: np.ndarray
    drag_area_m2: np.ndarray
    rolling_coefficient: np.ndarray
    rotating_mass_kg: np.ndarray = 0.0
    headwind_m_s: np.ndarray = 0.0
    wind_change_m_s: np.ndarray = 0.0
    log_correction: np.ndarray = 0.0
    true_down_entry_m_s: np.ndarray = np.nan
    true_down_exit_m_s: np.ndarray = np.nan
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
        return np.isfinite(self.true_down_entry_m_s) & np.isfinite(self.true_down_exit_m_s)

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
SPEED_FIELDS = ("true_entry_m_s", "true_exit_m_s", "true_down_entry_m_s", "true_down_exit_m_s")


class Linearised(NamedTuple):
    """Wheel forces of the runs, and their slopes by each thing not known.

    Attributes
    ----------
    log_force : array, n
    up_slopes : array, unknowns by n
    down_force_n : array, n
        Force that the way down seems to need, 0 at the true unknowns; NaN without a way down.
    down_slopes : array, unknowns by n
    """

    log_force: np.ndarray
    up_slopes: np.ndarray
    down_force_n: np.ndarray
    down_slopes: np.ndarray


def linearised(runs: Runs, unknowns, moved, step=1e-3) -> Linearised:
    """Log wheel force up, and residual force down, with their slopes by each unknown.

    Parameters
    ----------
    runs : Runs
    unknowns : sequence of Unknown
    moved : sequence of array
        Where each unknown stands, in standard deviations: one value, or one a run.
    step : float
        Of the finite differences, in standard deviations.

    Returns
    -------
    Linearised

    Examples
    --------
    >>> from tuninglib.statistics.unknowns import Unknown
    >>> runs = Runs(hill=Hill(400.0, 0.06), setup=[0, 0], rider=0, mass_kg=200.0,
    ...             true_entry_m_s=13.0, true_exit_m_s=[17.0, 18.0], air_density_kg_m3=1.2,
    ...             drag_area_m2=0.55, rolling_coefficient=0.015)
    >>> found = linearised(runs, [Unknown("mass", {"mass_kg": 2.0})], [0.0])
    >>> np.exp(found.log_force)
    array([256.64, 272.40])
    >>> found.up_slopes
    array([[0.0067, 0.0066]])
    """
    unknowns = list(unknowns)
    count = len(unknowns) + 1
    values = {name: np.array(getattr(runs, name)) for name in RUN_FIELDS}
    hill = {name: np.array(getattr(runs.hill, name)) for name in HILL_FIELDS}
    for unknown, at in zip(unknowns, moved, strict=True):
        for name, change in unknown.changes.items():
            part = hill if name in HILL_FIELDS else values
            part[name] = part[name] + change * np.asarray(at)
    changed = {name for unknown in unknowns for name in unknown.changes}
    stacks = {}
    for name, base in {**values, **hill}.items():
        stack = np.tile(base, (count, 1)) if name in changed else base[None]
        for row, unknown in enumerate(unknowns, start=1):
            if name in unknown.changes:
                stack[row] += unknown.changes[name] * step
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
        entry_speed_m_s=stacks["true_entry_m_s"],
        exit_speed_m_s=stacks["true_exit_m_s"],
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
            entry_speed_m_s=stacks["true_down_entry_m_s"][:, there],
            exit_speed_m_s=stacks["true_down_exit_m_s"][:, there],
        )
    slopes = [(stack[1:] - stack[0]) / step for stack in (up, down)]
    return Linearised(up[0], slopes[0], down[0], slopes[1])
