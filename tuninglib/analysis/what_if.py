"""What a setup would do under another rider, on another hill or in other air.

A setup's runs are summed up as one equivalent run. Its force (or power) is put under the new
conditions, and what is not known of drag, slope, mass and force moves together, as the runs have
it, so that most of it cancels, as it does in a gain. The page's own script does the same sums.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tuninglib.interval import Z_95, Interval
from tuninglib.physics.motion import (
    Hill,
    Ride,
    exit_speed_by_steps_m_s,
    exit_speed_m_s,
    wheel_force_n,
    wheel_power_w,
)
from tuninglib.physics.road_load import top_speed_at_force_m_s, top_speed_at_power_m_s
from tuninglib.statistics.gain import GainFit
from tuninglib.statistics.road_runs import HILL_FIELDS, RUN_FIELDS, Runs, moved_fields

# One run that stands for all ----------------------------------------------------------------------
# What is not known of drag, slope, wind and force is tied by the runs themselves: more drag goes
# with more force. A prediction must move them together, or its interval is of another day.

# Parts of the force that go with another rider: how he sits, shifts and holds the throttle.
OTHER_RIDER = ("other_rider_log_force", "other_rider_drag_ratio")
# What can be off about a run, and about each piece of its hill.
_OF_PIECES = ("lengths_m", "grade_ratios")
_OF_THE_RUN = (
    "log_force", "entry_m_s", "rider_mass_kg", "bike_mass_kg", "rotating_mass_kg",
    "air_density_kg_m3", "drag_area_m2", "rolling_coefficient", "headwind_m_s",
)  # fmt: skip
# Directions that add less than this share to any quantity's variance are left out.
_LEAST = 1e-10


@dataclass(frozen=True, kw_only=True)
class EquivalentRun:
    """One run that stands for all runs of a setup, with what is not known exactly about it.

    Attributes
    ----------
    setup : str
        Name of the setup in session.toml.
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
        Against the rider on the way up. [m/s]
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
    lengths_m: tuple[float, ...]
    grade_ratios: tuple[float, ...]
    headwind_m_s: float
    moves: tuple[dict[str, float | tuple[float, ...]], ...]


def equivalent_run(
    setup: str,
    runs: Runs,
    own: np.ndarray,
    fit: GainFit,
    *,
    bike_mass_kg: float,
    other_rider_sds: tuple[float, ...],
) -> EquivalentRun | None:
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
        moves=_moves_of_the_run(
            fit, stated, likely, share, int(runs.setup[np.argmax(own)]), other_rider_sds
        ),
        **quantities,
    )


def _moves_of_the_run(fit, stated, likely, share, setup, other_rider_sds) -> tuple:
    """Independent directions of one standard deviation each, as few as there are quantities."""
    pieces = likely["lengths_m"].size
    sizes = [*((name, 1) for name in _OF_THE_RUN), *((field, pieces) for field in _OF_PIECES)]
    ends = np.cumsum([size for _, size in sizes])
    place = {name: slice(end - size, end) for (name, size), end in zip(sizes, ends, strict=True)}
    # By how much each quantity moves with one standard deviation of each unknown.
    by_unknown = np.zeros((ends[-1], len(fit.shared)))
    for column, one in enumerate(fit.shared):
        for field, change in one.changes.items():
            scale = likely[field] / np.where(stated[field], stated[field], 1.0)
            if field in ("grade_ratios", "headwind_m_s", "log_correction"):
                scale = 1.0
            if field in HILL_FIELDS:
                by_unknown[place[field], column] += change * scale
                continue
            name, sign = _QUANTITIES.get(field, (field, 1.0))
            if field == "mass_kg":
                name = "bike_mass_kg" if one.name == "bike mass" else "rider_mass_kg"
            if name not in place:
                continue
            by_unknown[place[name], column] += sign * np.sum(share * change * scale)
    steps = fit.steps[setup]
    moved = by_unknown @ steps.shared
    moved[place["log_force"]] += steps.log_force
    found = []
    for direction in _independent(moved):
        one = {name: direction[place[name]].tolist() for name in place}
        found.append(
            {name: tuple(own) if name in HILL_FIELDS else own[0] for name, own in one.items()}
        )
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


# Under other conditions ---------------------------------------------------------------------------

# Body surface grows with mass to this power at a given height [1]; half of the drag area of a
# seated rider on a small motorcycle is taken to be the rider's (ours).
# [1] D. Du Bois, E. F. Du Bois, Archives of Internal Medicine 17 (1916), 863-871.
BODY_EXPONENT = 0.425
RIDER_SHARE = 0.5

# Of the integration at constant power, on each piece: good to 1e-6 of the marker speed. The
# page's script takes as many.
STEPS = 20

# Farther than this from the marker speed that was measured, no prediction is made.
FARTHEST = 0.35
# The same for a top speed, as a multiple of the marker speed.
FARTHEST_TOP = 1.6


@dataclass(frozen=True, kw_only=True)
class Question:
    """The conditions asked about; what is left out stays as it was.

    Attributes
    ----------
    rider_mass_kg, entry_m_s, air_density_kg_m3, output_factor, headwind_m_s : float or None
    lengths_m, grade_ratios : tuple of float or None
    """

    rider_mass_kg: float | None = None
    entry_m_s: float | None = None
    air_density_kg_m3: float | None = None
    output_factor: float | None = None
    headwind_m_s: float | None = None
    lengths_m: tuple | None = None
    grade_ratios: tuple | None = None


@dataclass(frozen=True)
class Answer:
    """Marker speed under the question's conditions, between two bounds; true speeds. [m/s]

    Attributes
    ----------
    at_force, at_power : Interval or None
        With the same wheel force, and with the same wheel power; None if refused.
    refusal : str
        Why there is no answer: ``"too far"`` from what was tested, it ``"stops"`` before the
        marker, or a ``"wind"`` from behind that is faster than the bike. Empty if there is one.
    """

    at_force: Interval | None
    at_power: Interval | None
    refusal: str


@dataclass(frozen=True)
class ForRider:
    """The answer for one rider. [kg]

    Attributes
    ----------
    rider_mass_kg : float
        Rider, dressed. [kg]
    answer : Answer
        Marker speed under this rider.
    """

    rider_mass_kg: float
    answer: Answer


def rider_drag_factor(
    rider_mass_kg: float | np.ndarray, than_kg: float | np.ndarray
) -> float | np.ndarray:
    """Drag area with one rider over that with another, by a rule.

    Parameters
    ----------
    rider_mass_kg, than_kg : float or array
        [kg]

    Examples
    --------
    >>> round(rider_drag_factor(90.0, 75.0), 3)
    1.04
    """
    return 1 + RIDER_SHARE * ((rider_mass_kg / than_kg) ** BODY_EXPONENT - 1)


def answers(run: EquivalentRun, questions: Sequence[Question]) -> tuple:
    """Marker speeds that the same engine gives under other conditions.

    Parameters
    ----------
    run : EquivalentRun
    questions : sequence of Question

    Returns
    -------
    tuple of Answer
        Intervals are 95 %; they hold what is not known of the run, not how the gearing falls.

    Notes
    -----
    Each of the run's moves is made both ways, in the run and in the question alike; half the
    differences of the answers add in quadrature. A question that changes nothing gives back the
    mean marker speed that was measured, by force and by power, with the interval of that mean.
    """
    force, power = day_outputs(run)
    return tuple(_answer(run, question, force, power) for question in questions)


def day_outputs(run: EquivalentRun) -> tuple:
    """Wheel force and wheel power of the equivalent run, on the day.

    Parameters
    ----------
    run : EquivalentRun

    Returns
    -------
    force_n, power_w : array (1 + 2 k,)
        As likely, then with each of the run's k moves made and turned round.
    """
    moved = _moves(run)
    force = run.force_n * np.exp(moved["log_force"])
    ride, entry = _ridden(run, moved, Question())
    end = exit_speed_m_s(ride, force_n=force, entry_speed_m_s=entry)
    return force, wheel_power_w(ride, steps=STEPS, entry_speed_m_s=entry, exit_speed_m_s=end)


def flat_top_speeds(run: EquivalentRun) -> Answer:
    """Speed that the engine would hold on a flat road without wind, between the two bounds.

    Parameters
    ----------
    run : EquivalentRun

    Returns
    -------
    Answer
        Refused if the lower of the two is farther than ``FARTHEST_TOP`` from the marker speed:
        neither force nor power stays what it was over so many engine speeds.

    Notes
    -----
    Pull falls with engine speed, so the same force is the higher bound; gears to match would keep
    the power.
    """
    force, power = day_outputs(run)
    nothing = Question(headwind_m_s=0.0, lengths_m=(1000.0,), grade_ratios=(0.0,))
    flat, _ = _ridden(run, _moves(run), nothing)
    at_force = top_speed_at_force_m_s(flat, force_n=force)
    at_power = top_speed_at_power_m_s(flat, power_w=power)
    if not min(at_force[0], at_power[0]) < FARTHEST_TOP * run.exit_m_s:
        return Answer(None, None, "too far")
    return Answer(_interval(at_force), _interval(at_power), "")


def _moves(run) -> dict:
    """For each quantity: nothing in the first place, then a pair of places for each move."""
    pieces = len(run.lengths_m)
    moved = {name: np.zeros((1 + 2 * len(run.moves), pieces)) for name in _OF_PIECES}
    moved |= {name: np.zeros(1 + 2 * len(run.moves)) for name in (*_OF_THE_RUN, *OTHER_RIDER)}
    for number, move in enumerate(run.moves):
        for name, by in move.items():
            moved[name][1 + 2 * number] = by
            moved[name][2 + 2 * number] = -np.array(by)
    return moved


def _answer(run, question, force, power) -> Answer:
    moved = _moves(run)
    ride, entry = _ridden(run, moved, question)
    output = np.ones(force.shape)
    if question.rider_mass_kg is not None:
        output = np.exp(moved["other_rider_log_force"])
    if question.output_factor is not None:
        output = output * run.output_factor / question.output_factor
    if np.any(entry + ride.wind_m_s <= 0):
        return Answer(None, None, "wind")
    at_force = exit_speed_m_s(ride, force_n=force * output, entry_speed_m_s=entry)
    with_power = power * output
    at_power = exit_speed_by_steps_m_s(
        ride, force_at=lambda speed: with_power / speed, entry_speed_m_s=entry, steps=STEPS
    )
    if not (np.isfinite(at_force).all() and np.isfinite(at_power).all()):
        return Answer(None, None, "stops")
    if max(abs(v[0] / run.exit_m_s - 1) for v in (at_force, at_power)) > FARTHEST:
        return Answer(None, None, "too far")
    return Answer(_interval(at_force), _interval(at_power), "")


def _ridden(run, moved, question) -> tuple:
    """Ride and entry speed of the question, with the moves of what is not known of the run.

    What is asked about is exact: whoever asks knows it.
    """
    drag = 1.0
    if question.rider_mass_kg is not None:
        drag = rider_drag_factor(question.rider_mass_kg, run.rider_mass_kg)
        drag = drag + moved["other_rider_drag_ratio"]

    def taken(name):
        asked = getattr(question, name, None)
        return getattr(run, name) + moved[name] if asked is None else np.array(asked)

    ride = Ride(
        hill=Hill(taken("lengths_m"), taken("grade_ratios")),
        mass_kg=taken("bike_mass_kg") + taken("rider_mass_kg"),
        rotating_mass_kg=taken("rotating_mass_kg"),
        air_density_kg_m3=taken("air_density_kg_m3"),
        drag_area_m2=taken("drag_area_m2") * drag,
        rolling_coefficient=taken("rolling_coefficient"),
        wind_m_s=taken("headwind_m_s"),
    )
    return ride, taken("entry_m_s")


def _interval(values) -> Interval:
    value = float(values[0])
    halves = (values[1::2] - values[2::2]) / 2
    half = Z_95 * float(np.sqrt(np.sum(halves**2)))
    return Interval(value, value - half, value + half)
