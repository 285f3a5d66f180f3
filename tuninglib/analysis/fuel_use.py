"""Fuel use from fills, against what mixture and energy let expect; and what it all costs."""

from dataclasses import dataclass

import numpy as np

from tuninglib.interval import Interval
from tuninglib.session.defaults import blend_of
from tuninglib.statistics.repeats import t_quantile
from tuninglib.statistics.robust import group_means

# How well a tank is filled to the same mark, and how far consumption scatters from fill to fill
# where no setup was filled twice (both ours).
FILL_SD_M3, USUAL_SD = 1e-4, 0.05


@dataclass(frozen=True, kw_only=True)
class FuelUse:
    """What one setup burnt on the road.

    Attributes
    ----------
    setup : str
    fills : int
    distance_m, volume_m3 : float
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


@dataclass(frozen=True, kw_only=True)
class Outlay:
    """What the parts cost.

    Attributes
    ----------
    ride : float or None
        Of what is to be ridden now.
    per_gain : Interval or None
        For each per cent of pull that it gains; None where no gain was shown.
    per_speed : float or None
        For each m/s at the marker. [s/m]
    detours : tuple of str
        Injectors at hand that what is to be ridden does not use, each with a price.
    detours_cost : float
    """

    ride: float | None
    per_gain: Interval | None
    per_speed: float | None
    detours: tuple
    detours_cost: float


def fuel_use(session) -> tuple:
    """Consumption of every setup that was filled.

    Parameters
    ----------
    session : tuninglib.session.load.Session

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
    return FuelUse(
        setup=name,
        fills=len(own),
        distance_m=float(own["distance_m"].sum()),
        volume_m3=float(own["volume_m3"].sum()),
        per_m=per_m,
        over=over,
        expected=expected,
        cost_per_m=per_m.scaled(fuel.price * 1000) if fuel.price else None,
        range_m=Interval(tank.value / per_m.value, tank.value / per_m.high, tank.value / per_m.low)
        if tank
        else None,
    )


def _interval(mean, variance, dof) -> Interval:
    half = float(t_quantile(0.975, dof if dof else np.inf) * np.sqrt(variance))
    return Interval(*(float(np.exp(mean + by)) for by in (0.0, -half, half)))


def outlay(session, plan, pulls) -> Outlay:
    """What it costs to ride what the plan says, and what the detours did.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    plan : tuninglib.analysis.plan.Plan
    pulls : tuple of tuninglib.analysis.records.Pull
    """
    setup = session.setups[plan.ride.setup] if plan.ride else None
    cost = setup.cost if setup else None
    pull = next((one for one in pulls if setup and one.setup == plan.ride.setup), None)
    per_gain = per_speed = None
    if cost and pull is not None and pull.gain is not None and pull.gain.ratio.low > 0:
        ratio = pull.gain.ratio
        per_gain = Interval(*(cost / (100 * one) for one in (ratio.value, ratio.high, ratio.low)))
        if pull.speed_gain_m_s and pull.speed_gain_m_s > 0:
            per_speed = cost / pull.speed_gain_m_s
    used = {setup.injector} if setup else set()
    fitted = {one.injector for one in session.setups.values()}
    left = tuple(
        name
        for name, one in session.injectors.items()
        if name not in used
        and one.price is not None
        and (one.owned == "yes" or (one.owned == "unknown" and name in fitted))
    )
    return Outlay(
        ride=cost,
        per_gain=per_gain,
        per_speed=per_speed,
        detours=left,
        detours_cost=float(sum(session.injectors[name].price for name in left)),
    )
