"""The pooled ladder of a season: what all outings' readings say of every injector."""

from dataclasses import dataclass, replace

import numpy as np

from tuninglib.interval import Interval
from tuninglib.statistics.ladder import Priors
from tuninglib.statistics.ladder_prediction import Odds, predict
from tuninglib.statistics.season_ladder import pool_readings


@dataclass(frozen=True, kw_only=True)
class SeasonMixture:
    """Lambda of one engine, injector and fuel on another day.

    Attributes
    ----------
    engine, injector, fuel : str
    flow_m3_s : float
    lambda_ : Interval
        True, at full throttle.
    odds : Odds
        Of the band of the last outing.
    outings, readings : int
        That had it; 0: not tried on this fuel.
    tried : bool
        Whether the injector was read with any engine or fuel.
    extrapolated : bool
        Whether its flow is outside those read.
    too_lean : bool
        Whether its odds of being leaner than the band are above what the last outing allows.
    knocked : bool
        Whether knock was heard with it.
    allowed : bool
        Whether the maker's limits let the fuel be burnt.
    """

    engine: str
    injector: str
    fuel: str
    flow_m3_s: float
    lambda_: Interval
    odds: Odds
    outings: int
    readings: int
    tried: bool
    extrapolated: bool
    too_lean: bool
    knocked: bool
    allowed: bool


@dataclass(frozen=True, kw_only=True)
class SeasonLadder:
    """What all readings of a season say together.

    Attributes
    ----------
    response : Interval
        How lambda follows flow: 1 where the ECU follows its table.
    mixtures : tuple of SeasonMixture
        By engine, fuel and flow.
    outings, readings : int
        With readings at full throttle that count.
    scatter : float
        Scatter of readings and days over what was assumed of both.
    band : tuple of float
        Of lambda, of the last outing.
    """

    response: Interval
    mixtures: tuple
    outings: int
    readings: int
    scatter: float
    band: tuple


def season_ladder(outings, names) -> SeasonLadder | None:
    """The ladder of all outings' readings.

    Parameters
    ----------
    outings : sequence of Outing
        By date.
    names : tuninglib.analysis.season_names.Names

    Returns
    -------
    SeasonLadder or None
        None without a usable reading.
    """
    days = [
        [
            replace(
                cell,
                engine=names.engines[at, cell.engine],
                injector=names.injectors[at, cell.injector],
                fuel=names.fuels[at, cell.fuel],
            )
            for cell in one.record.readings
        ]
        for at, one in enumerate(outings)
    ]
    if not any(days):
        return None
    stated = _stated(outings, names)
    tried = {cell.injector for day in days for cell in day}
    last = [one.record for one, day in zip(outings, days, strict=True) if day][-1]
    day_sd = max(one.record.mixture_day_sd for one in outings)
    fit = pool_readings(
        days,
        displacement={name: one.displacement_m3 for name, one in stated["engines"].items()},
        tolerance={name: stated["injectors"][name].tolerance_sd for name in tried},
        fuel_sd={name: one.fuel_sd for name, one in stated["fuels"].items()},
        day_sd=day_sd,
        priors=Priors(
            response_mean=last.response_mean,
            response_sd=last.response_sd,
            breathing_sd=max(one.record.breathing_sd for one in outings),
            gauge_sd=max(one.record.gauge_sd for one in outings),
        ),
    )
    engine = [cell.engine for day in days if day for cell in day][-1]
    wanted = {(cell.engine, cell.injector, cell.fuel): None for day in days for cell in day} | {
        (engine, injector, fuel): None
        for injector in stated["injectors"]
        for fuel in _of_the_last(outings, names)
    }
    heard = _knocked(outings, names)
    band = (outings[-1].record.band_lowest, outings[-1].record.band_highest)
    limit = outings[-1].record.leaner_limit
    mixtures = [
        _mixture(fit, key, stated, days, tried, (*band, limit), day_sd, key in heard)
        for key in wanted
    ]
    at = list(stated["engines"])
    return SeasonLadder(
        response=fit.interval("response"),
        mixtures=tuple(
            sorted(mixtures, key=lambda one: (at.index(one.engine), one.fuel, one.flow_m3_s))
        ),
        outings=sum(map(bool, days)),
        readings=sum(cell.count for day in days for cell in day),
        scatter=float(fit.weights @ fit.noise_scale),
        band=band,
    )


def _stated(outings, names) -> dict:
    """What the last outing that names a thing says of it, under the season's names."""
    found: dict = {"engines": {}, "injectors": {}, "fuels": {}}
    for at, one in enumerate(outings):
        for kind, things in found.items():
            for name, thing in getattr(one.record, kind).items():
                things[getattr(names, kind)[at, name]] = thing
    return found


def _of_the_last(outings, names) -> list:
    """Fuels of the last outing."""
    at = len(outings) - 1
    return [names.fuels[at, name] for name in outings[-1].record.fuels]


def _knocked(outings, names) -> set:
    """Engine, injector and fuel with which knock was heard on any day."""
    found = set()
    for at, one in enumerate(outings):
        parts = {setup.name: setup for setup in one.record.setups}
        for knock in one.record.knocks:
            setup = parts[knock.setup]
            found.add(
                (
                    names.engines[at, setup.engine],
                    names.injectors[at, setup.injector],
                    names.fuels[at, setup.fuel],
                )
            )
    return found


def _mixture(fit, key, stated, days, tried, limits, day_sd, knocked) -> SeasonMixture:
    engine, injector, fuel = key
    lowest, highest, leaner = limits
    flow, blend = stated["injectors"][injector].flow_m3_s, stated["fuels"][fuel]
    found = predict(
        fit,
        flow_m3_s=flow,
        engine=engine,
        stoichiometric_ratio=blend.stoichiometric_ratio,
        density_kg_m3=blend.density_kg_m3,
        injector=injector if injector in tried else None,
        tolerance=None if injector in tried else stated["injectors"][injector].tolerance_sd,
        fuel=fuel,
        fuel_sd=blend.fuel_sd,
        day_sd=day_sd,
    )
    odds = found.odds(low=lowest, high=highest)
    own = [[cell for cell in day if (cell.engine, cell.injector, cell.fuel) == key] for day in days]
    return SeasonMixture(
        engine=engine,
        injector=injector,
        fuel=fuel,
        flow_m3_s=flow,
        lambda_=found.lambda_,
        odds=odds,
        outings=sum(map(bool, own)),
        readings=int(np.sum([cell.count for day in own for cell in day])),
        tried=injector in tried,
        extrapolated=bool(found.extrapolated),
        too_lean=bool(odds.leaner > leaner),
        knocked=knocked,
        allowed=blend.allowed,
    )
