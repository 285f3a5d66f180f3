"""Runs of a road test: their wheel forces, what is not known of them, and what that does.

Rounded readings are among what is not known.
"""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import require
from tuninglib.physics.air import STANDARD_GRAVITY_M_S2
from tuninglib.physics.motion import Hill, Ride, exit_speed_m_s, wheel_force_n
from tuninglib.statistics.population import Kinds

# Runs, their wheel forces, and what each unknown does to them -------------------------------------


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
        return _ways(self, _stated(self))[0][0]


_OTHERS = ("hill", "setup", "rider", "gravity_m_s2")
RUN_FIELDS = tuple(f.name for f in dataclasses.fields(Runs) if f.name not in _OTHERS)
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


def linearised(
    runs: Runs,
    unknowns: "Sequence[Unknown]",
    moved: Sequence[float | np.ndarray],
    log_force: np.ndarray | None = None,
) -> Linearised:
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
    >>> from tuninglib.statistics.road_runs import Unknown
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
    # Forces multiply (an engine is so many per cent stronger), so that their logarithms are what
    # adds. Down there is no engine: the force is near 0 and stands as it is.
    up, down = _pulls_n(runs, now)
    log_up = np.log(up) + now["log_correction"]
    ridden = now
    # Slopes at a run's own noisy speeds would go with its reading error, and forces would climb
    # with repeats; on the ride that the setup's force gives they do not.
    if log_force is not None:
        up = np.exp(log_force - now["log_correction"])
        ridden = now | _ridden(runs, now, up)
    start = _Start(runs, ridden) if unknowns else None
    rises, falls = np.zeros((2, len(unknowns), up.size))
    # A field is moved once, however many unknowns move it: the chain rule gives each its share.
    # Linear in the unknowns, which holds as long as one standard deviation is a small change.
    for name in dict.fromkeys(name for one in unknowns for name in one.changes):
        rise, fall = _by_field(runs, ridden, start, name, up)
        for row, one in enumerate(unknowns):
            if name in one.changes:
                change = one.changes[name] * np.ones(stated[name].shape)
                # d/du of base exp(change u / base) is change times the value over the stated one.
                if name not in _EITHER_SIGN:
                    change = change * _over(ridden[name], stated[name])
                # A speed that was not read does not change.
                change = np.nan_to_num(change)
                # A hill's fields are by piece: the sum over the pieces is the whole hill's effect
                # on a run.
                if name in HILL_FIELDS:
                    rises[row] += change @ rise
                    falls[row] += change @ fall
                else:
                    rises[row] += rise * change
                    falls[row] += fall * change
    return Linearised(log_up, rises, down, falls)


def log_forces(
    runs: Runs, unknowns: "Sequence[Unknown]", moved: Sequence[float | np.ndarray]
) -> np.ndarray:
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
    return np.log(_pulls_n(runs, now)[0]) + now["log_correction"]


def _stated(runs) -> dict:
    """All that an unknown may change, as stated."""
    found = {name: np.array(getattr(runs, name)) for name in RUN_FIELDS}
    return found | {name: np.array(getattr(runs.hill, name)) for name in HILL_FIELDS}


def _pulls_n(runs, fields):
    """Wheel force of each way up, which has to be one, and of each way down. [N]"""
    up, down = _forces_n(runs, fields)
    if not np.all(up > 0):
        run = int(np.argmin(up))
        force = f"{up[run]:.3g} N" if np.isfinite(up[run]) else "of no size that gets it up"
        raise ValueError(
            f"the speeds of run {run + 1} need no pull at all (wheel force {force}); "
            "check its speeds and the grade"
        )
    return up, down


def moved_fields(
    stated: dict, unknowns: "Sequence[Unknown]", moved: Sequence[float | np.ndarray]
) -> dict:
    """Values of the fields where the unknowns stand.

    Parameters
    ----------
    stated : dict of str to array
        Names of ``RUN_FIELDS`` and ``HILL_FIELDS``.
    unknowns, moved
        As in :func:`linearised`.

    Examples
    --------
    >>> from tuninglib.statistics.road_runs import Unknown
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
        # exp keeps a mass or a drag area above zero even ten standard deviations away, where the
        # search for the best fit may look; near the stated value both ways are the same.
        adds = (name in _EITHER_SIGN) | (base == 0)
        found[name] = np.where(adds, base + change, base * np.exp(_over(change, base)))
    return found


def _over(value, base):
    """A quotient; a value of 0 is moved by adding, which is a factor of 1."""
    return np.where(base, value / np.where(base, base, 1.0), 1.0)


def _ride(runs, fields, hill, wind, rows=slice(None)) -> Ride:
    common = ("mass_kg", "rotating_mass_kg", "air_density_kg_m3", "drag_area_m2")
    own = {name: fields[name][rows] for name in (*common, "rolling_coefficient")}
    return Ride(hill=hill, wind_m_s=wind[rows], gravity_m_s2=runs.gravity_m_s2, **own)


def _ways(runs, fields) -> list:
    """The ways up, and the ways down that there are: ride, which runs, and speeds at both ends."""
    hill, wind = Hill(fields["lengths_m"], fields["grade_ratios"]), fields["headwind_m_s"]
    up = fields["true_entry_m_s"], fields["true_exit_m_s"]
    found = [(_ride(runs, fields, hill, wind), slice(None), *up)]
    there = runs.has_way_down
    if there.any():
        # The same pieces the other way round, with the wind from behind that was against the rider.
        back = -(wind + fields["wind_change_m_s"])
        down = (fields[name][there] for name in ("true_down_entry_m_s", "true_down_exit_m_s"))
        found.append((_ride(runs, fields, hill.reversed(), back, there), there, *down))
    return found


def _forces_n(runs, fields):
    """Wheel force of each way up, and of each way down; NaN where there is none. [N]"""
    found = np.full((2, runs.setup.size), np.nan)
    for own, (ride, rows, entry, end) in zip(found, _ways(runs, fields), strict=False):
        own[rows] = wheel_force_n(ride, entry_speed_m_s=entry, exit_speed_m_s=end)
    return found


def _reached(runs, fields, forces_n):
    """Speeds at the ends that forces give, up and down; NaN where the bike stalls, or no way is."""
    found = np.full((2, runs.setup.size), np.nan)
    ways = zip(found, forces_n, _ways(runs, fields), strict=False)
    for own, force, (ride, rows, entry, _) in ways:
        own[rows] = exit_speed_m_s(ride, force_n=force[rows], entry_speed_m_s=entry)
    return found


_ENDS = ("true_exit_m_s", "true_down_exit_m_s")


def _ridden(runs, fields, up_n) -> dict:
    """Speeds at the ends that the forces give, where they do; else those that were read."""
    # A force that would stall the bike before the marker has no end speed: what was read stands.
    ends = _reached(runs, fields, (up_n, np.zeros(up_n.shape)))
    pairs = zip(_ENDS, ends, strict=True)
    return {name: np.where(np.isfinite(end), end, fields[name]) for name, end in pairs}


class _Start:
    """Where slopes are taken: forces up and down [N], their misses, and the misses' slopes."""

    def __init__(self, runs, fields):
        self.forces = _forces_n(runs, fields)
        # Forward differences: at a relative step of 1e-5 the error of the slope (about 1e-5 of it)
        # and rounding (1e-16 over the step) are both far below what any slope matters.
        step = 1e-5 * float(np.mean(self.forces[0]))
        self.misses = _misses(runs, fields, self.forces)
        self.by_force = (_misses(runs, fields, self.forces + step) - self.misses) / step


def _misses(runs, fields, forces_n):
    """Squares of the end speeds that forces give, less those there are; NaN without a way down."""
    # Squares of speeds, since kinetic energy is what force and way make: nearly linear in both.
    return _reached(runs, fields, forces_n) ** 2 - np.square([fields[name] for name in _ENDS])


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
    slopes = []
    for piece in np.eye(base.size) if by_piece else [np.ones(base.shape)]:
        # Implicit differentiation: dF/dx = −(∂miss/∂x) / (∂miss/∂F), so that no force need be
        # searched for at each step.
        moved = _misses(runs, fields | {name: base + step * piece}, start.forces)
        size = (step * piece).sum() if by_piece else step
        slopes.append((start.misses - moved) / size / start.by_force)
    rise, fall = np.moveaxis(slopes, 1, 0) if by_piece else slopes[0]
    return np.nan_to_num(rise) / up, fall


# What is not known --------------------------------------------------------------------------------


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
    kinds : Kinds or None
        Where it is larger on some kinds of days than on others; of runs together only one is.

    Examples
    --------
    >>> Unknown("drag area", {"drag_area_m2": 0.05}).name
    'drag area'
    """

    name: str
    changes: Mapping[str, np.ndarray] = field(default_factory=dict)
    each_run: bool = False
    which: int = 0
    kinds: Kinds | None = None

    def __post_init__(self):
        strange = set(self.changes) - {*RUN_FIELDS, *HILL_FIELDS}
        if strange:
            raise ValueError(
                f"{self.name!r} changes {', '.join(sorted(strange))}, which no run has; "
                f"the fields are {', '.join((*RUN_FIELDS, *HILL_FIELDS))}"
            )
        changes = {name: np.asarray(change, dtype=float) for name, change in self.changes.items()}
        object.__setattr__(self, "changes", changes)


@dataclass(frozen=True, kw_only=True)
class StatedSds:
    """How far what is stated of a road test may be off, as standard deviations.

    Parameters
    ----------
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
    wind_over_the_outing_m_s : Kinds or None
        How far the wind along the hill goes up or down steadily from the first run to the last.
    """

    bike_mass_sd_kg: float = 0.0
    rotating_mass_sd_kg: float = 0.0
    rider_mass_sd_kg: ArrayLike = 0.0
    drag_area_sd_m2: float = 0.0
    rolling_coefficient_sd: float = 0.0
    road_load_correlation: float = 0.0
    grade_sd: float = 0.0
    piece_grade_sd: float = 0.0
    length_sd_m: float = 0.0
    speed_factor_sd: float = 0.0
    wind_sd_m_s: float = 0.0
    air_density_sd_ratio: float = 0.0
    rider_effect_sd: float = 0.0
    rider_drag_sd_ratio: float = 0.0
    drift_sd: float = 0.0
    wind_over_the_outing_m_s: Kinds | None = None

    def __post_init__(self):
        share = float(self.road_load_correlation)
        require(share, "correlation", "", at_least=-1, at_most=1, remedy="0 if unknown")


def usual_unknowns(
    runs: Runs,
    stated: StatedSds,
    *,
    order: np.ndarray | None = None,
    wind_written: np.ndarray | bool = False,
) -> tuple[Unknown, ...]:
    """What is usually not known exactly about a road test.

    Parameters
    ----------
    runs : Runs
    stated : StatedSds
    order : array, optional
        Numbers that rise in the order ridden, one a run; left out: as the runs stand.
    wind_written : array of bool
        Whether the wind of each run was written down, so that it cannot have gone unnoticed.

    Returns
    -------
    unknowns : tuple of Unknown
        Those with a standard deviation above zero.

    Examples
    --------
    >>> from tuninglib.physics.motion import Hill
    >>> runs = Runs(hill=Hill(400.0, 0.06), setup=[0, 1], rider=[0, 1], mass_kg=[190.0, 210.0],
    ...             true_entry_m_s=13.0, true_exit_m_s=[17.0, 18.0], air_density_kg_m3=1.2,
    ...             drag_area_m2=0.55, rolling_coefficient=0.015)
    >>> found = usual_unknowns(runs, StatedSds(grade_sd=0.002, rider_effect_sd=0.015))
    >>> [one.name for one in found]
    ['grade', 'rider', 'rider']
    """
    share = float(stated.road_load_correlation)
    lengths, grades = runs.hill.lengths_m, runs.hill.grade_ratios
    rolling, factor = stated.rolling_coefficient_sd, stated.speed_factor_sd
    swing = stated.wind_over_the_outing_m_s
    place = _through_the_day(runs.setup.size, order)

    def moved(name, which=0, kinds=None, **changes):
        found.append(Unknown(name, changes, which=which, kinds=kinds))

    found: list[Unknown] = []
    moved("bike mass", mass_kg=stated.bike_mass_sd_kg)
    moved("rotating mass", rotating_mass_kg=stated.rotating_mass_sd_kg)
    moved("road load", drag_area_m2=stated.drag_area_sd_m2, rolling_coefficient=share * rolling)
    moved("road load", 1, rolling_coefficient=np.sqrt(1 - share**2) * rolling)
    moved("grade", grade_ratios=np.full(grades.shape[-1], stated.grade_sd))
    moved("hill length", lengths_m=stated.length_sd_m * lengths / lengths.sum())
    moved("speed factor", **{name: factor * getattr(runs, name) for name in SPEED_FIELDS})
    moved("wind of the day", headwind_m_s=stated.wind_sd_m_s)
    moved("air density", air_density_kg_m3=stated.air_density_sd_ratio * runs.air_density_kg_m3)
    moved("drift of the day", log_correction=stated.drift_sd * place)
    if swing:
        unnoticed = np.where(wind_written, 0.0, swing.sd * place)
        moved("wind of the day", 1, swing, headwind_m_s=unnoticed)
    if grades.shape[-1] > 1:
        for number, piece in enumerate(np.eye(grades.shape[-1]), start=1):
            moved("grade", number, grade_ratios=piece * stated.piece_grade_sd)
    riders = np.unique(runs.rider)
    mass_sds = np.broadcast_to(stated.rider_mass_sd_kg, riders.shape)
    for rider, mass_sd in zip(riders, mass_sds, strict=True):
        # Each rider draws his own: it cancels between setups that he rode equally often, and widens
        # the gain of a setup that another one rode.
        own = (runs.rider == rider).astype(float)
        moved("rider mass", int(rider), mass_kg=own * mass_sd)
        moved("rider", int(rider), log_correction=own * stated.rider_effect_sd)
        drag = own * stated.rider_drag_sd_ratio * runs.drag_area_m2
        moved("rider", int(rider), drag_area_m2=drag)
    # A speed that was not read is NaN, and so is its change.
    return tuple(one for one in found if any(np.nan_to_num(x).any() for x in one.changes.values()))


def _through_the_day(count, order):
    """Place of each run in the day, from −½ to ½ in equal steps."""
    # Ranks, as run numbers say no times. Centred, so that a drift does not move the day's mean.
    place = np.arange(count) if order is None else np.argsort(np.argsort(order, kind="stable"))
    return place / max(count - 1, 1) - 0.5


def reading_unknowns(runs: Runs, *, resolution_m_s: float) -> tuple[Unknown, ...]:
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
    >>> from tuninglib.physics.motion import Hill
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
    a = float(require(resolution_m_s, "resolution", "m/s", at_least=0, remedy="0.28 for 1 km/h"))
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
        # One rounding error is split into a part that repeats share and one of each run's own;
        # their variances add up to a²/12 whatever the split.
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
    # In steps squared. Rounding itself spreads readings by 1/12, which is no spread of the speeds.
    spread2 = max(squares / dof / resolution**2 - 1 / 12, 0.0)
    # Fourier series of the rounding error, over its own sum, so that no spread gives just 1; with
    # any spread exp(−4π²j²σ²) leaves nothing of the terms beyond.
    j = np.arange(1, 20)
    terms = np.exp(-4 * np.pi**2 * j**2 * spread2) / j**2
    return min(terms.sum() / (1 / j**2).sum(), 1.0)
