"""What a setup would do under another rider, on another hill or in other air.

A setup's runs are summed up as one equivalent run. Force (or power) is worked out from it and put
under the new conditions with the same drag, slope and mass each time, so that what is not known of
them mostly cancels, as it does in a gain. The page's own script does the same sums.
"""

from dataclasses import dataclass

import numpy as np

from tuninglib.interval import Z_95, Interval
from tuninglib.physics.hill import Hill, Ride, exit_speed_m_s, wheel_force_n
from tuninglib.physics.road_load import top_speed_at_force_m_s, top_speed_at_power_m_s
from tuninglib.physics.varying_force import exit_speed_by_steps_m_s, wheel_power_w

# Body surface grows with mass to this power at a given height [1]; half of the drag area of a
# seated rider on a small motorcycle is taken to be the rider's (ours).
# [1] D. Du Bois, E. F. Du Bois, Archives of Internal Medicine 17 (1916), 863-871.
BODY_EXPONENT = 0.425
RIDER_SHARE = 0.5

# Of the integration at constant power, on each piece: good to 1e-6 of the marker speed. The
# page's script takes as many.
STEPS = 40

# Farther than this from the marker speed that was measured, no prediction is made.
FARTHEST = 0.35
# The same for a top speed, as a multiple of the marker speed.
FARTHEST_TOP = 1.6


@dataclass(frozen=True, kw_only=True)
class EquivalentRun:
    """One run that stands for all runs of a setup, with what is not known exactly about it.

    Attributes
    ----------
    setup : str
    entry_m_s, exit_m_s : float
        True speeds. [m/s]
    rider_mass_kg, bike_mass_kg, rotating_mass_kg : float
        [kg]
    air_density_kg_m3, output_factor : float
        Air of the day, and the factor that brings engine output to reference air.
    drag_area_m2, rolling_coefficient : float
        With a rider of ``rider_mass_kg``.
    lengths_m, grade_ratios : tuple of float
        The hill in pieces.
    headwind_m_s : float
    sds : dict of str to float
        Standard deviations: ``drag_area_m2``, ``rolling_coefficient``, ``grade_ratio``,
        ``bike_mass_kg``, ``rider_mass_kg``, ``rotating_mass_kg``, ``speed_ratio``,
        ``headwind_m_s``, ``log_force`` (scatter of the setup's mean).
    """

    setup: str
    entry_m_s: float
    exit_m_s: float
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
    sds: dict


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
    Each standard deviation moves its quantity up and down on both sides, in the run and in the
    question; half the differences of the answers add in quadrature. A question that changes
    nothing gives back the marker speed that was measured, by force and by power.
    """
    force, power = day_outputs(run)
    return tuple(_answer(run, question, _shifts(run), force, power) for question in questions)


def day_outputs(run: EquivalentRun) -> tuple:
    """Wheel force and wheel power that the equivalent run needs, on the day.

    Parameters
    ----------
    run : EquivalentRun

    Returns
    -------
    force_n, power_w : array (1 + 2 k,)
        As stated, then with each of the k standard deviations of ``run.sds`` up and down.
    """
    shift = _shifts(run)
    speed = 1 + shift["speed_ratio"]
    ride = _ride(run, shift, run.rider_mass_kg + shift["rider_mass_kg"], run.rider_mass_kg, None)
    ends = {"entry_speed_m_s": run.entry_m_s * speed, "exit_speed_m_s": run.exit_m_s * speed}
    return wheel_force_n(ride, **ends), wheel_power_w(ride, steps=STEPS, **ends)


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
    shift = _shifts(run)
    force, power = day_outputs(run)
    output = np.exp(shift["log_force"])
    rider = run.rider_mass_kg + shift["rider_mass_kg"]
    flat = Ride(
        hill=Hill(1000.0, 0.0),
        mass_kg=run.bike_mass_kg + shift["bike_mass_kg"] + rider,
        air_density_kg_m3=run.air_density_kg_m3,
        drag_area_m2=run.drag_area_m2 + shift["drag_area_m2"],
        rolling_coefficient=run.rolling_coefficient + shift["rolling_coefficient"],
    )
    at_force = top_speed_at_force_m_s(flat, force_n=force * output)
    at_power = top_speed_at_power_m_s(flat, power_w=power * output)
    if not min(at_force[0], at_power[0]) < FARTHEST_TOP * run.exit_m_s:
        return Answer(None, None, "too far")
    return Answer(_interval(at_force), _interval(at_power), "")


def _shifts(run) -> dict:
    """For each quantity: nothing in the first place, then a pair of places for each that moves."""
    names = list(run.sds)
    shift = {}
    for number, name in enumerate(names):
        shift[name] = np.zeros(1 + 2 * len(names))
        shift[name][1 + 2 * number], shift[name][2 + 2 * number] = run.sds[name], -run.sds[name]
    return shift


def _answer(run, question, shift, force, power) -> Answer:
    asked = question.rider_mass_kg
    # Another rider's mass is taken as exact: he knows it.
    rider = run.rider_mass_kg + shift["rider_mass_kg"] if asked is None else asked
    ride = _ride(run, shift, rider, asked or run.rider_mass_kg, question)
    output = np.exp(shift["log_force"])
    if question.output_factor is not None:
        output = output * run.output_factor / question.output_factor
    entry = run.entry_m_s * (1 + shift["speed_ratio"])
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


def _ride(run, shift, rider_mass, drag_rider, question) -> Ride:
    """Conditions of the run or of the question, each with the moves of what is not known."""
    lengths, grades = run.lengths_m, run.grade_ratios
    density, wind = run.air_density_kg_m3, run.headwind_m_s
    if question is not None:
        lengths = question.lengths_m or lengths
        grades = question.grade_ratios or grades
        density = question.air_density_kg_m3 or density
        wind = run.headwind_m_s if question.headwind_m_s is None else question.headwind_m_s
    same_hill = question is None or question.grade_ratios is None
    same_wind = question is None or question.headwind_m_s is None
    slope = np.array(grades) + (shift["grade_ratio"][:, None] if same_hill else 0.0)
    hill = Hill(np.broadcast_to(np.array(lengths), slope.shape), slope)
    area = run.drag_area_m2 + shift["drag_area_m2"]
    return Ride(
        hill=hill,
        mass_kg=run.bike_mass_kg + shift["bike_mass_kg"] + rider_mass,
        rotating_mass_kg=run.rotating_mass_kg + shift["rotating_mass_kg"],
        air_density_kg_m3=density,
        drag_area_m2=area * rider_drag_factor(drag_rider, run.rider_mass_kg),
        rolling_coefficient=run.rolling_coefficient + shift["rolling_coefficient"],
        wind_m_s=wind + (shift["headwind_m_s"] if same_wind else 0.0),
    )


def _interval(values) -> Interval:
    value = float(values[0])
    halves = (values[1::2] - values[2::2]) / 2
    half = Z_95 * float(np.sqrt(np.sum(halves**2)))
    return Interval(value, value - half, value + half)
