"""Engine speeds of the run that was ridden, what limits the top speed, and one tooth taller."""

from dataclasses import dataclass

import numpy as np

from tuninglib.analysis.what_if import Answer, Question, answers
from tuninglib.interval import Interval
from tuninglib.physics import gearing as sums
from tuninglib.physics.hill import Hill, Ride, climb_force_n


@dataclass(frozen=True, kw_only=True)
class Taller:
    """The same setup with one tooth more in front, at the same torque.

    Attributes
    ----------
    front_teeth : float
    exit_rpm : Interval
        At the marker speed that follows.
    marker : Answer
        Of which the bound of the same force counts.
    still_speeds_up : bool or None
        Whether there is pull to spare at the marker; None where no speed follows.
    """

    front_teeth: float
    exit_rpm: Interval | None
    marker: Answer
    still_speeds_up: bool | None


@dataclass(frozen=True, kw_only=True)
class Gearing:
    """What the gearing makes of one setup.

    Attributes
    ----------
    setup : str
    ratio : float
    entry_rpm, exit_rpm : Interval
    limit_rpm : float or None
        Highest engine speed of the engine.
    limit_speed_m_s : Interval or None
        Road speed there.
    limited_by : str
        Of the flat top speed: ``"revs"``, ``"drag"``, ``"unclear"``, or empty where one of the
        two is not known.
    torque_n_m, power_w : Interval
        At the crank, mean over the hill.
    taller : Taller
    """

    setup: str
    ratio: float
    entry_rpm: Interval
    exit_rpm: Interval
    limit_rpm: float | None
    limit_speed_m_s: Interval | None
    limited_by: str
    torque_n_m: Interval
    power_w: Interval
    taller: Taller


def gearing_of(session, road, setup, flat) -> Gearing | None:
    """Engine speeds of a setup, and what follows from them.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    road : tuninglib.analysis.gain.Road or None
    setup : str or None
        Whose run is looked at.
    flat : tuninglib.analysis.what_if.Answer or None
        Its flat top speed.

    Returns
    -------
    Gearing or None
        None where gearing or speeds are not known.

    Notes
    -----
    Errors of circumference, slip and speedometer add in quadrature. With one tooth more in front
    the same torque gives less force, in the ratio of the teeth; the engine turns slower by as much
    at the same road speed, and torque is taken to be the same there.
    """
    own = session.gearing
    if setup is None or not own.is_known:
        return None
    run = road.equivalent[setup]
    ratio = own.ratio()
    around, slip = own.rolling_circumference, own.slip
    doubt = float(
        np.sqrt(
            (around.half_width / around.value) ** 2
            + slip.half_width**2
            + (road.speed_factor.half_width / road.speed_factor.value) ** 2
        )
    )
    same = {"circumference_m": around.value, "slip": slip.value}

    def rpm(speed, of=ratio):
        value = sums.engine_speed_rpm(speed, ratio=of, **same)
        return Interval(value, value * (1 - doubt), value * (1 + doubt))

    engine = session.engines[session.setups[setup].engine]
    limit = engine.highest_speed.value if engine.highest_speed else None
    limit_speed = None
    if limit is not None:
        value = sums.road_speed_m_s(limit, ratio=ratio, **same)
        limit_speed = Interval(value, value * (1 - doubt), value * (1 + doubt))
    pull = next(one for one in road.pulls if one.setup == setup)
    efficiency = own.efficiency
    lost = np.hypot(efficiency.half_width / efficiency.value, around.half_width / around.value)
    torque = sums.crank_torque_n_m(
        pull.force_n.value, ratio=ratio, circumference_m=around.value, efficiency=efficiency.value
    )
    return Gearing(
        setup=setup,
        ratio=ratio,
        entry_rpm=rpm(run.entry_m_s),
        exit_rpm=rpm(run.exit_m_s),
        limit_rpm=limit,
        limit_speed_m_s=limit_speed,
        limited_by=_limited_by(limit_speed, flat),
        torque_n_m=_wider(torque, pull.force_n, lost),
        power_w=_wider(
            pull.power_w.value / efficiency.value,
            pull.power_w,
            efficiency.half_width / efficiency.value,
        ),
        taller=_taller(own, run, rpm),
    )


def _wider(value, of: Interval, doubt) -> Interval:
    """A value with the relative interval of another, and one more doubt."""
    half = value * float(np.hypot(of.half_width / of.value, doubt))
    return Interval(float(value), float(value - half), float(value + half))


def _limited_by(limit: Interval | None, flat) -> str:
    if limit is None or flat is None or flat.at_power is None:
        return ""
    if limit.high < flat.at_power.low:
        return "revs"
    return "drag" if limit.low > flat.at_power.high else "unclear"


def _taller(own, run, rpm) -> Taller:
    front = own.front + 1
    share = own.front / front
    # A larger output factor is less output.
    (marker,) = answers(run, [Question(output_factor=run.output_factor / share)])
    if marker.at_force is None:
        return Taller(front_teeth=front, exit_rpm=None, marker=marker, still_speeds_up=None)
    speed = marker.at_force.value
    ride = Ride(
        hill=Hill(run.lengths_m[-1], run.grade_ratios[-1]),
        mass_kg=run.bike_mass_kg + run.rider_mass_kg,
        air_density_kg_m3=run.air_density_kg_m3,
        drag_area_m2=run.drag_area_m2,
        rolling_coefficient=run.rolling_coefficient,
    )
    air = speed + run.headwind_m_s
    against = float(climb_force_n(ride)[-1])
    against += run.air_density_kg_m3 / 2 * run.drag_area_m2 * air * abs(air)
    return Taller(
        front_teeth=front,
        exit_rpm=rpm(speed, own.ratio(front)),
        marker=marker,
        still_speeds_up=bool(run.force_n * share > against),
    )
