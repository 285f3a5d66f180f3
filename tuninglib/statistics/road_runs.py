"""Runs of a road test, their wheel forces, and what each thing not known does to them."""

import dataclasses
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tuninglib.physics.air import STANDARD_GRAVITY_M_S2
from tuninglib.physics.hill import Hill, Ride, exit_speed_m_s, wheel_force_n


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
# What can be negative; the rest is moved by factors, so that it never is.
_EITHER_SIGN = ("headwind_m_s", "wind_change_m_s", "log_correction", "grade_ratios")


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


def linearised(runs: Runs, unknowns, moved, log_force=None) -> Linearised:
    """Log wheel force up, and residual force down, with their slopes by each unknown.

    Parameters
    ----------
    runs : Runs
    unknowns : sequence of Unknown
    moved : sequence of array
        Where each unknown stands, in standard deviations: one value, or one a run.
    log_force : array, n, optional
        Logarithm of the force that each run is thought to have had; slopes are then taken on the
        ride that it gives, and on the way down that no force gives, else on what was read.

    Returns
    -------
    Linearised

    Notes
    -----
    What cannot be negative (masses, lengths, speeds, drag, rolling, air) is moved by the factor
    exp(change / value), the rest by adding.

    Examples
    --------
    >>> from tuninglib.statistics.unknowns import Unknown
    >>> runs = Runs(hill=Hill(400.0, 0.06), setup=[0, 0], rider=0, mass_kg=200.0,
    ...             true_entry_m_s=13.0, true_exit_m_s=[17.0, 18.0], air_density_kg_m3=1.2,
    ...             drag_area_m2=0.55, rolling_coefficient=0.015)
    >>> found = linearised(runs, [Unknown("mass", {"mass_kg": 2.0})], [0.0])
    >>> np.exp(found.log_force)
    array([256.64, 272.40])
    >>> found.up_slopes.tolist()
    [[0.0067, 0.0066]]
    """
    unknowns = list(unknowns)
    stated = _stated(runs)
    now = moved_fields(stated, unknowns, moved)
    up, down = _pull_n(runs, now), _down_n(runs, now)
    log_up = np.log(up) + now["log_correction"]
    ridden = now
    if log_force is not None:
        up = np.exp(log_force - now["log_correction"])
        ridden = now | _ridden(runs, now, up)
    start = _Start.of(runs, ridden) if unknowns else None
    rises, falls = np.zeros((2, len(unknowns), up.size))
    for name in dict.fromkeys(name for one in unknowns for name in one.changes):
        rise, fall = _by_field(runs, ridden, start, name, up)
        for row, one in enumerate(unknowns):
            if name in one.changes:
                change = one.changes[name] * np.ones(stated[name].shape)
                if name not in _EITHER_SIGN:
                    change = change * _over(ridden[name], stated[name])
                # A speed that was not read does not change.
                change = np.nan_to_num(change)
                if name in HILL_FIELDS:
                    rises[row] += change @ rise
                    falls[row] += change @ fall
                else:
                    rises[row] += rise * change
                    falls[row] += fall * change
    return Linearised(log_up, rises, down, falls)


def log_forces(runs: Runs, unknowns, moved):
    """Log wheel force of each way up where the unknowns stand, brought to reference conditions.

    Parameters
    ----------
    runs, unknowns, moved
        As in :func:`linearised`.

    Returns
    -------
    log_force : array, n

    Examples
    --------
    >>> runs = Runs(hill=Hill(400.0, 0.06), setup=[0], rider=0, mass_kg=200.0, true_entry_m_s=13.0,
    ...             true_exit_m_s=17.0, air_density_kg_m3=1.2, drag_area_m2=0.55,
    ...             rolling_coefficient=0.015)
    >>> np.exp(log_forces(runs, [], []))
    array([256.64])
    """
    now = moved_fields(_stated(runs), unknowns, moved)
    return np.log(_pull_n(runs, now)) + now["log_correction"]


def _stated(runs) -> dict:
    """All that an unknown may change, as stated."""
    found = {name: np.array(getattr(runs, name)) for name in RUN_FIELDS}
    return found | {name: np.array(getattr(runs.hill, name)) for name in HILL_FIELDS}


def _pull_n(runs, fields):
    """Wheel force of each way up, which has to be one. [N]"""
    up = _up_n(runs, fields)
    if not np.all(up > 0):
        run = int(np.argmin(up))
        raise ValueError(
            f"the speeds of run {run + 1} need no pull at all (wheel force {up[run]:.3g} N); "
            "check its speeds and the grade"
        )
    return up


def moved_fields(stated: dict, unknowns, moved) -> dict:
    """Values of the fields where the unknowns stand.

    Parameters
    ----------
    stated : dict of str to array
        Names of ``RUN_FIELDS`` and ``HILL_FIELDS``.
    unknowns, moved
        As in :func:`linearised`.

    Examples
    --------
    >>> from tuninglib.statistics.unknowns import Unknown
    >>> drag = Unknown("drag area", {"drag_area_m2": 0.1})
    >>> moved_fields({"drag_area_m2": np.array([0.5])}, [drag], [-10.0])
    {'drag_area_m2': array([0.0677])}
    """
    added = {}
    for one, at in zip(unknowns, moved, strict=True):
        for name, change in one.changes.items():
            added[name] = added.get(name, 0.0) + change * np.asarray(at)
    found = dict(stated)
    for name, change in added.items():
        base = stated[name]
        adds = (name in _EITHER_SIGN) | (base == 0)
        found[name] = np.where(adds, base + change, base * np.exp(_over(change, base)))
    return found


def _over(value, base):
    """A quotient; a value of 0 is moved by adding, which is a factor of 1."""
    return np.where(base, value / np.where(base, base, 1.0), 1.0)


def _ride(runs, fields, hill=None, wind=None, rows=slice(None)) -> Ride:
    common = ("mass_kg", "rotating_mass_kg", "air_density_kg_m3", "drag_area_m2")
    return Ride(
        hill=hill or Hill(fields["lengths_m"], fields["grade_ratios"]),
        wind_m_s=fields["headwind_m_s"] if wind is None else wind,
        gravity_m_s2=runs.gravity_m_s2,
        **{name: fields[name][rows] for name in (*common, "rolling_coefficient")},
    )


def _way_down(runs, fields) -> Ride:
    """Ride back down, of those that there are."""
    there = runs.has_way_down
    hill = Hill(fields["lengths_m"], fields["grade_ratios"]).reversed()
    wind = -(fields["headwind_m_s"] + fields["wind_change_m_s"])
    return _ride(runs, fields, hill, wind[there], there)


def _up_n(runs, fields):
    """Wheel force of each way up. [N]"""
    return wheel_force_n(
        _ride(runs, fields),
        entry_speed_m_s=fields["true_entry_m_s"],
        exit_speed_m_s=fields["true_exit_m_s"],
    )


def _down_n(runs, fields):
    """Force that each way down seems to need; NaN where there is none. [N]"""
    there = runs.has_way_down
    down = np.full(there.shape, np.nan)
    if there.any():
        down[there] = wheel_force_n(
            _way_down(runs, fields),
            entry_speed_m_s=fields["true_down_entry_m_s"][there],
            exit_speed_m_s=fields["true_down_exit_m_s"][there],
        )
    return down


def _ridden(runs, fields, up_n) -> dict:
    """Speeds at the ends that the forces give, where they do; else those that were read."""
    up = exit_speed_m_s(_ride(runs, fields), force_n=up_n, entry_speed_m_s=fields["true_entry_m_s"])
    found = {"true_exit_m_s": np.where(np.isfinite(up), up, fields["true_exit_m_s"])}
    there = runs.has_way_down
    if there.any():
        down = exit_speed_m_s(
            _way_down(runs, fields),
            force_n=0.0,
            entry_speed_m_s=fields["true_down_entry_m_s"][there],
        )
        ends = np.array(fields["true_down_exit_m_s"])
        ends[there] = np.where(np.isfinite(down), down, ends[there])
        found["true_down_exit_m_s"] = ends
    return found


class _Start(NamedTuple):
    """Where slopes are taken: forces up and down, and how the ends follow.

    Attributes
    ----------
    forces : tuple of array
        [N]
    misses, by_force : tuple of array
        Of :func:`_misses`, and its slope by the force.
    """

    forces: tuple
    misses: tuple
    by_force: tuple

    @classmethod
    def of(cls, runs, fields) -> "_Start":
        forces = _up_n(runs, fields), _down_n(runs, fields)
        step = 1e-5 * float(np.mean(forces[0]))
        misses = _misses(runs, fields, forces)
        after = _misses(runs, fields, [force + step for force in forces])
        slopes = tuple((b - a) / step for a, b in zip(misses, after, strict=True))
        return cls(forces, misses, slopes)


def _misses(runs, fields, forces):
    """Squares of the end speeds that forces give, less those there are; NaN without a way down."""
    there, (up, down) = runs.has_way_down, forces
    found = np.full((2, up.size), np.nan)
    reached = exit_speed_m_s(
        _ride(runs, fields), force_n=up, entry_speed_m_s=fields["true_entry_m_s"]
    )
    found[0] = reached**2 - fields["true_exit_m_s"] ** 2
    if there.any():
        reached = exit_speed_m_s(
            _way_down(runs, fields),
            force_n=down[there],
            entry_speed_m_s=fields["true_down_entry_m_s"][there],
        )
        found[1, there] = reached**2 - fields["true_down_exit_m_s"][there] ** 2
    return tuple(found)


def _by_field(runs, fields, start, name, up):
    """Slopes of log force up and of force down by one field; by piece and run for the hill's.

    The force that keeps the ends where they are, as a field moves: what the field does to the end
    over what force does to it.
    """
    if name == "log_correction":
        return np.ones(up.shape), np.zeros(up.shape)
    base = fields[name]
    step = 1e-5 * (1.0 if name in _EITHER_SIGN else np.where(base, base, 1.0))
    by_piece = name in HILL_FIELDS
    slopes = [[], []]
    for piece in np.eye(base.size) if by_piece else [np.ones(base.shape)]:
        moved = _misses(runs, fields | {name: base + step * piece}, start.forces)
        size = (step * piece).sum() if by_piece else step
        for found, after, before, slope in zip(
            slopes, moved, start.misses, start.by_force, strict=True
        ):
            found.append((before - after) / size / slope)
    rise, fall = (np.array(one) if by_piece else one[0] for one in slopes)
    return np.nan_to_num(rise) / up, fall
