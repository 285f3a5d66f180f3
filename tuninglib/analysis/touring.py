"""What does not choose a setup: heat on long climbs, fuel and money, engine speeds.

Where the head's temperature would end on a long climb; fuel use against what mixture and energy
let expect, and what it all costs; what the gearing makes of the run that was ridden, and what
limits the top speed.
"""

from dataclasses import dataclass

import numpy as np

from tuninglib.analysis.combinations import stop_limits
from tuninglib.analysis.decide import Plan
from tuninglib.analysis.gain import Road
from tuninglib.analysis.records import Pull
from tuninglib.analysis.what_if import Answer
from tuninglib.interval import Interval
from tuninglib.physics import gearing as sums
from tuninglib.session.defaults import blend_of, day_temperature_of
from tuninglib.session.records import Session
from tuninglib.statistics.repeats import group_means, t_quantile
from tuninglib.statistics.warm_up import fit_warm_up

# Heat on a long climb -----------------------------------------------------------------------------

# A hot day in the sun (common practice). [K]
HOT_DAY_K = 308.15


@dataclass(frozen=True, kw_only=True)
class Climb:
    """One long climb.

    Attributes
    ----------
    climb : float
        Its number.
    setup : str
        Name of the setup in session.toml.
    readings : int
        How many.
    hottest_k : float
        That was read.
    final_k, hot_day_k : Interval
        Where it would end, on the day and with air of 35 °C.
    time_constant_s : Interval
        After which 63 per cent of the way there is done.
    told : bool
        Whether the readings tell the end.
    limit_k : float
        Of the head.
    limit_is_stated : bool
        By the rider; else it is the usual one.
    place : str
        Of the end on a hot day: ``"below"`` or ``"above"`` the limit, or ``"unclear"``.
    """

    climb: float
    setup: str
    readings: int
    hottest_k: float
    final_k: Interval
    hot_day_k: Interval
    time_constant_s: Interval
    told: bool
    limit_k: float
    limit_is_stated: bool
    place: str


def long_climbs(session: Session) -> tuple:
    """Ends of all climbs, in the order of the file.

    Parameters
    ----------
    session : tuninglib.session.records.Session

    Returns
    -------
    tuple of Climb
        Empty where none was read.

    Notes
    -----
    Under the same load the head's excess over the air stays as it is, so that a hotter day moves
    the end by as much as the air [1]_ (cooling by the air's density is left out).

    References
    ----------
    .. [1] 14 CFR 23.1043 (c): of all parts but cylinder barrels, 1.0 times the difference of the
       air's temperature.
    """
    climbs = session.climbs.groupby("climb", sort=False)
    return tuple(_climb(session, number, own) for number, own in climbs)


def _climb(session, number, own) -> Climb:
    limits, day = stop_limits(session), day_temperature_of(session)
    seen = own["head_temperature_k"].to_numpy()
    fit = fit_warm_up(own["time_s"].to_numpy(), seen)
    read = own["air_temperature_k"].dropna()
    air, doubt = (float(read.mean()), 0.0) if len(read) else (day.value, day.half_width)
    hot = _moved(fit.final_k, HOT_DAY_K - air, doubt)
    place = "unclear"
    if fit.told and hot.high < limits.hottest_k:
        place = "below"
    elif max(hot.low, float(seen.max())) > limits.hottest_k:
        place = "above"
    return Climb(
        climb=float(number),
        setup=str(own["setup"].iloc[0]),
        readings=len(own),
        hottest_k=float(seen.max()),
        final_k=fit.final_k,
        hot_day_k=hot,
        time_constant_s=fit.time_constant_s,
        told=fit.told,
        limit_k=limits.hottest_k,
        limit_is_stated=limits.hottest_is_stated,
        place=place,
    )


def _moved(interval, by, doubt) -> Interval:
    """An interval moved by something that is not exactly known itself."""
    value = interval.value + by
    low = np.hypot(interval.value - interval.low, doubt)
    high = np.hypot(interval.high - interval.value, doubt)
    return Interval(value, float(value - low), float(value + high))


# Fuel use and money -------------------------------------------------------------------------------

# How well a tank is filled to the same mark, and how far consumption scatters from fill to fill
# where no setup was filled twice (both ours).
FILL_SD_M3, USUAL_SD = 1e-4, 0.05


@dataclass(frozen=True, kw_only=True)
class FuelUse:
    """What one setup burnt on the road.

    Attributes
    ----------
    setup : str
        Name of the setup in session.toml.
    fills : int
        How many fills count.
    distance_m, volume_m3 : float
        Together.
    per_m : Interval
        Fuel for each metre. [m3/m]
    over : Interval or None
        That over what the reference burns, less 1; None of the reference, or without its fills.
    expected : float or None
        The same as the fuels' energy lets expect, all else alike.
    cost_per_m : Interval or None
        In the session's currency. [1/m]
    range_m : Interval or None
        On a full tank; None where its volume is not stated.
    """

    setup: str
    fills: int
    distance_m: float
    volume_m3: float
    per_m: Interval
    over: Interval | None
    expected: float | None
    cost_per_m: Interval | None
    range_m: Interval | None


@dataclass(frozen=True)
class Outlay:
    """What the parts cost.

    Attributes
    ----------
    ride : float or None
        Of what is to be ridden now.
    per_gain : Interval or None
        For each per cent of pull that it gains; None where no gain was shown.
    """

    ride: float | None
    per_gain: Interval | None


def fuel_use(session: Session) -> tuple:
    """Consumption of every setup that was filled.

    Parameters
    ----------
    session : tuninglib.session.records.Session

    Returns
    -------
    tuple of FuelUse
        In the order of session.toml; empty without fills.

    Notes
    -----
    The logarithms of volume over distance are averaged for each setup. Their scatter, of roads and
    riding, is pooled over the setups, and is never taken to be less than what filling to the same
    mark allows; intervals are by Student's t.
    """
    fills = session.fills
    fills = fills[fills["exclude"] == ""]
    if fills.empty:
        return ()
    names = [name for name in session.setups if name in set(fills["setup"])]
    volume, distance = fills["volume_m3"].to_numpy(), fills["distance_m"].to_numpy()
    group = fills["setup"].map({name: j for j, name in enumerate(names)}).to_numpy()
    means = group_means(
        np.log(volume / distance),
        # A fill has an error at each of its ends.
        np.sqrt(2) * FILL_SD_M3 / volume,
        np.ones(len(fills)),
        group,
        assumed_sd=USUAL_SD,
    )
    by_name = {name: means[j] for j, name in enumerate(names)}
    reference = by_name.get(session.about.reference)
    return tuple(
        _of_setup(session, name, fills[fills["setup"] == name], by_name[name], reference)
        for name in names
    )


def _of_setup(session, name, own, mean, reference) -> FuelUse:
    per_m = _interval(mean.mean, mean.variance, mean.dof)
    fuel = session.fuels[session.setups[name].fuel]
    over = expected = None
    if reference is not None and name != session.about.reference:
        ratio = _interval(mean.mean - reference.mean, mean.variance + reference.variance, mean.dof)
        over = Interval(ratio.value - 1, ratio.low - 1, ratio.high - 1)
        before = session.fuels[session.setups[session.about.reference].fuel]
        energy = [blend_of(one).lower_heating_value_j_m3 for one in (before, fuel)]
        expected = float(energy[0] / energy[1] - 1)
    tank = session.bike.tank
    # The less it burns, the farther it goes.
    ways = [tank.value / one for one in (per_m.value, per_m.high, per_m.low)] if tank else []
    return FuelUse(
        setup=name,
        fills=len(own),
        distance_m=float(own["distance_m"].sum()),
        volume_m3=float(own["volume_m3"].sum()),
        per_m=per_m,
        over=over,
        expected=expected,
        cost_per_m=per_m.scaled(fuel.price * 1000) if fuel.price else None,
        range_m=Interval(*ways) if ways else None,
    )


def _interval(mean, variance, dof) -> Interval:
    half = float(t_quantile(0.975, dof if dof else np.inf) * np.sqrt(variance))
    return Interval(*(float(np.exp(mean + by)) for by in (0.0, -half, half)))


def outlay(session: Session, plan: Plan, pulls: tuple[Pull, ...]) -> Outlay:
    """What it costs to ride what the plan says.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    plan : tuninglib.analysis.decide.Plan
    pulls : tuple of tuninglib.analysis.records.Pull
    """
    if plan.ride is None:
        return Outlay(None, None)
    cost = session.setups[plan.ride.setup].cost
    gain = next((one.gain for one in pulls if one.setup == plan.ride.setup), None)
    if not cost or gain is None or not gain.ratio.low > 0:
        return Outlay(cost, None)
    ratio = gain.ratio
    per = (cost / (100 * one) for one in (ratio.value, ratio.high, ratio.low))
    return Outlay(cost, Interval(*per))


# Gearing ------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Gearing:
    """What the gearing makes of one setup.

    Attributes
    ----------
    setup : str
        Name of the setup in session.toml.
    ratio : float
        Turns of the crank for one of the wheel.
    entry_rpm : Interval
        Engine speed at the start line.
    exit_rpm : Interval
        Engine speed at the marker.
    limit_rpm : float or None
        Highest engine speed of the engine.
    limit_speed_m_s : Interval or None
        Road speed there.
    limited_by : str
        Of the flat top speed: ``"revs"``, ``"drag"``, ``"unclear"``, or empty where one of the
        two is not known.
    torque_n_m, power_w : Interval
        At the crank, mean over the hill.
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


def gearing_of(
    session: Session, road: Road | None, setup: str | None, flat: Answer | None
) -> Gearing | None:
    """Engine speeds of a setup, and what follows from them.

    Parameters
    ----------
    session : tuninglib.session.records.Session
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
    Errors of circumference, slip and speedometer add in quadrature.
    """
    own = session.gearing
    if setup is None or not own.is_known:
        return None
    run = road.equivalent[setup]
    ratio = own.ratio()
    around, slip = own.rolling_circumference, own.slip
    shares = (_share(around), slip.half_width, _share(road.speed_factor))
    doubt = float(np.sqrt(sum(share**2 for share in shares)))
    same = {"circumference_m": around.value, "slip": slip.value}

    def about(value):
        return Interval(value, value * (1 - doubt), value * (1 + doubt))

    def rpm(speed):
        return about(sums.engine_speed_rpm(speed, ratio=ratio, **same))

    engine = session.engines[session.setups[setup].engine]
    limit = engine.highest_speed.value if engine.highest_speed else None
    top = None if limit is None else about(sums.road_speed_m_s(limit, ratio=ratio, **same))
    pull = next(one for one in road.pulls if one.setup == setup)
    efficiency = own.efficiency
    lost = np.hypot(_share(efficiency), _share(around))
    torque = sums.crank_torque_n_m(
        pull.force_n.value, ratio=ratio, circumference_m=around.value, efficiency=efficiency.value
    )
    return Gearing(
        setup=setup,
        ratio=ratio,
        entry_rpm=rpm(run.entry_m_s),
        exit_rpm=rpm(run.exit_m_s),
        limit_rpm=limit,
        limit_speed_m_s=top,
        limited_by=_limited_by(top, flat),
        torque_n_m=_wider(torque, pull.force_n, lost),
        power_w=_wider(pull.power_w.value / efficiency.value, pull.power_w, _share(efficiency)),
    )


def _share(of) -> float:
    """Half-width of an interval over its value."""
    return of.half_width / of.value


def _wider(value, of: Interval, doubt) -> Interval:
    """A value with the relative interval of another, and one more doubt."""
    half = value * float(np.hypot(_share(of), doubt))
    return Interval(float(value), float(value - half), float(value + half))


def _limited_by(limit: Interval | None, flat) -> str:
    if limit is None or flat is None or flat.at_power is None:
        return ""
    if limit.high < flat.at_power.low:
        return "revs"
    return "drag" if limit.low > flat.at_power.high else "unclear"
