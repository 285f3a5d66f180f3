"""What a setup would do under another rider, on another hill or in other air.

A setup's runs are summed up as one equivalent run. Its force (or power) is put under the new
conditions, and what is not known of drag, slope, mass and force moves together, as the runs have
it, so that most of it cancels, as it does in a gain. The page's own script does the same sums.
"""

from dataclasses import dataclass

import numpy as np

from tuninglib.analysis.equivalent_run import OTHER_RIDER, EquivalentRun
from tuninglib.interval import Z_95, Interval
from tuninglib.physics.hill import Hill, Ride, exit_speed_m_s
from tuninglib.physics.road_load import top_speed_at_force_m_s, top_speed_at_power_m_s
from tuninglib.physics.varying_force import exit_speed_by_steps_m_s, wheel_power_w

# Body surface grows with mass to this power at a given height [1]; half of the drag area of a
# seated rider on a small motorcycle is taken to be the rider's (ours).
# [1] D. Du Bois, E. F. Du Bois, Archives of Internal Medicine 17 (1916), 863-871.
BODY_EXPONENT = 0.425
RIDER_SHARE = 0.5

_OF_PIECES = ("lengths_m", "grade_ratios")
_OF_THE_RUN = (
    "log_force", "entry_m_s", "rider_mass_kg", "bike_mass_kg", "rotating_mass_kg",
    "air_density_kg_m3", "drag_area_m2", "rolling_coefficient", "headwind_m_s",
)  # fmt: skip

# Of the integration at constant power, on each piece: good to 1e-6 of the marker speed. The
# page's script takes as many.
STEPS = 40

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
    """The answer for one rider. [kg]"""

    rider_mass_kg: float
    answer: Answer


def rider_drag_factor(rider_mass_kg, than_kg):
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


def answers(run: EquivalentRun, questions) -> tuple:
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
    ride, entry = _ride(run, moved, Question()), run.entry_m_s + moved["entry_m_s"]
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
    flat = _ride(run, _moves(run), nothing)
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
    ride = _ride(run, moved, question)
    output = np.ones(force.shape)
    if question.rider_mass_kg is not None:
        output = np.exp(moved["other_rider_log_force"])
    if question.output_factor is not None:
        output = output * run.output_factor / question.output_factor
    entry = run.entry_m_s + moved["entry_m_s"]
    if question.entry_m_s is not None:
        entry = np.full(entry.shape, question.entry_m_s)
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


def _ride(run, moved, question) -> Ride:
    """Conditions of the question, each with the moves of what is not known of it.

    What is asked about is exact: whoever asks knows it.
    """
    asked, rider = question.rider_mass_kg, run.rider_mass_kg + moved["rider_mass_kg"]
    drag = 1.0
    if asked is not None:
        rider = asked
        drag = rider_drag_factor(asked, run.rider_mass_kg) + moved["other_rider_drag_ratio"]
    density, wind = question.air_density_kg_m3, question.headwind_m_s
    lengths, grades = question.lengths_m, question.grade_ratios
    if lengths is None:
        lengths = np.array(run.lengths_m) + moved["lengths_m"]
    if grades is None:
        grades = np.array(run.grade_ratios) + moved["grade_ratios"]
    if density is None:
        density = run.air_density_kg_m3 + moved["air_density_kg_m3"]
    if wind is None:
        wind = run.headwind_m_s + moved["headwind_m_s"]
    return Ride(
        hill=Hill(lengths, grades),
        mass_kg=run.bike_mass_kg + moved["bike_mass_kg"] + rider,
        rotating_mass_kg=run.rotating_mass_kg + moved["rotating_mass_kg"],
        air_density_kg_m3=density,
        drag_area_m2=(run.drag_area_m2 + moved["drag_area_m2"]) * drag,
        rolling_coefficient=run.rolling_coefficient + moved["rolling_coefficient"],
        wind_m_s=wind,
    )


def _interval(values) -> Interval:
    value = float(values[0])
    halves = (values[1::2] - values[2::2]) / 2
    half = Z_95 * float(np.sqrt(np.sum(halves**2)))
    return Interval(value, value - half, value + half)
