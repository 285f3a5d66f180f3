"""Injectors: how lambda follows their flow, any of them on any fuel, and a first guess.

The ladder brings all full-throttle readings of a session to one model. It can then be asked at
any point. Before anything is read, the flow that a change of engine calls for is worked out.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtr

from tuninglib.analysis.mixture import (
    candidate_of,
    flow_on_bike,
    fuel_terms,
    ladder_columns,
    lambda_of,
    tolerance_sd,
    weighed_readings,
)
from tuninglib.analysis.records import Combination, Ladder, LadderCurve, Prospect, one_each
from tuninglib.interval import Z_95, Interval
from tuninglib.physics.engine import air_mass_per_cycle_kg, cycle_time_s, fuel_mass_per_cycle_kg
from tuninglib.physics.fuels import PETROL_DENSITY_KG_M3, Blend
from tuninglib.physics.injector import (
    EngineChange,
    first_guess_flow,
    flow_on_fuel,
    flow_that_runs_out,
    mass_flow_kg_s,
    metering_demand,
    open_time_fraction,
    open_time_s,
)
from tuninglib.session.defaults import (
    air_of_runs,
    band_of,
    blend_of,
    ethanol_of,
    petrol_density_of,
)
from tuninglib.session.records import Session
from tuninglib.statistics.flow_response import Response, response_per_state
from tuninglib.statistics.ladder import LadderFit, fit_ladder, suspicious_injectors
from tuninglib.statistics.ladder_prediction import Candidate, FuelDemand, Odds, predict

# The ladder ---------------------------------------------------------------------------------------

# Dry air at 25 °C and 1013.25 hPa, for the open time.
AIR_DENSITY_KG_M3 = 1.184
# Share of a cycle above which an injector runs out of time (common practice: 0.8 to 0.9).
HIGHEST_SHARE = 0.85


def responses_of(session: Session, air: pd.DataFrame) -> tuple:
    """How strongly lambda follows injector flow at full throttle.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.

    Returns
    -------
    tuple of tuninglib.statistics.flow_response.Response
    """
    rows = weighed_readings(session, air)
    if rows.empty:
        return ()
    return response_per_state(*ladder_columns(session, air, rows), state=rows["state"].tolist())


def session_fit(
    session: Session, air: pd.DataFrame, rows: pd.DataFrame, responses: tuple[Response, ...]
) -> LadderFit | None:
    """The ladder of a session's full-throttle readings.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.mixture.weighed_readings`.
    responses : tuple of Response

    Returns
    -------
    tuninglib.statistics.ladder.LadderFit or None
        None without a usable reading, and where the ECU corrects at full throttle: another
        injector does not move lambda there, so nothing can be predicted.
    """
    corrects = any(one.state == "full" and one.verdict == "corrects" for one in responses)
    return None if rows.empty or corrects else fit_ladder(*ladder_columns(session, air, rows))


def analyse_ladder(
    session: Session,
    rows: pd.DataFrame,
    fit: LadderFit | None,
    responses: tuple[Response, ...],
    engine: str | None,
    ride: Combination | None,
    combinations: tuple[Combination, ...],
    burnt: tuple[str, ...],
) -> Ladder | None:
    """What the readings say of every injector on one engine, tried or not, on every fuel.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.mixture.weighed_readings`.
    fit : tuninglib.statistics.ladder.LadderFit or None
    responses : tuple of Response
    engine : str or None
        The one that the next injector is for.
    ride : Combination or None
        What is ridden now.
    combinations : tuple of Combination
        With their gates.
    burnt : tuple of str
        Fuels that may be burnt, the leanest first.

    Returns
    -------
    Ladder or None
        None without a usable reading at full throttle.
    """
    if rows.empty:
        return None
    prospects = _prospects(session, engine, ride, combinations, burnt, rows)
    listed = {one.injector for one in prospects}
    return Ladder(
        engine=engine,
        prospects=prospects,
        curves=_curves(session, fit, engine, rows) if fit else (),
        responses=responses,
        suspicions=suspicious_injectors(fit) if fit else (),
        readings=len(rows),
        withheld=None if fit else "corrects",
        not_predicted=tuple(name for name in session.injectors if name not in listed),
    )


def _prospects(session, engine, ride, combinations, burnt, rows) -> tuple:
    """Injectors on one engine, those of the least expected harm first; shut ones last."""
    read = [one for one in combinations if one.engine == engine and one.lambda_ is not None]
    own = one_each(read, ride).values()
    used = {session.setups[name].injector for name in rows["setup"]}
    tried = [flow_on_bike(session, name) for name in used]
    found = []
    for name, record in session.injectors.items():
        flow = flow_on_bike(session, name)
        known = [one for one in own if one.injector == name]
        prospect = Prospect(
            injector=name,
            flow_m3_s=flow,
            tried=name in used,
            outside_tried_range=not min(tried) * 0.999 <= flow <= max(tried) * 1.001,
            fuels=tuple(sorted(known, key=lambda one: -one.lambda_.value)),
            price=record.price,
        )
        found += [prospect] if known else []

    def rank(prospect):
        decides = [one for one in prospect.fuels if one.fuel in burnt] or prospect.fuels
        shut = all(one.gate is not None for one in decides)
        return shut, sum(one.harm or 0.0 for one in decides), prospect.flow_m3_s

    return tuple(sorted(found, key=rank))


def open_time_share(session: Session, engine: str, injector: str, fuel: str) -> Interval | None:
    """Share of the cycle for the middle of the band at the highest engine speed.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    engine, injector, fuel : str

    Returns
    -------
    Interval or None
        With what is not known of breathing, flow and dead time; None where the highest engine
        speed is not known.
    """
    record, blend, band = session.engines[engine], blend_of(session.fuels[fuel]), band_of(session)
    if not record.highest_speed:
        return None
    breathing, dead_time = record.breathing, session.injectors[injector].dead_time
    pulse = _pulse_s(
        record,
        lambda_=_middle(band.lowest, band.highest),
        fuel=blend,
        flow_m3_s=flow_on_bike(session, injector),
        dead_time_s=dead_time.value,
    )
    per_second = 1 / cycle_time_s(record.highest_speed.value)
    fraction = float(open_time_fraction(pulse, engine_speed_rpm=record.highest_speed.value))
    fuelling = fraction - dead_time.value * per_second
    relative = np.hypot(breathing.sd / breathing.value, tolerance_sd(session, injector))
    if session.bike.fuel_pressure is not None:
        pressure = session.bike.fuel_pressure
        relative = np.hypot(relative, pressure.sd / pressure.value / 2)
    half = Z_95 * float(np.hypot(fuelling * relative, dead_time.sd * per_second))
    return Interval(fraction, fraction - half, fraction + half)


def _middle(lowest, highest) -> float:
    return float(np.sqrt(lowest * highest))


def _pulse_s(engine, *, lambda_, fuel, flow_m3_s, dead_time_s):
    """How long an injector is open for one cycle of one cylinder at full throttle. [s]"""
    air = air_mass_per_cycle_kg(
        displacement_m3=engine.displacement_m3 / engine.cylinders,
        air_density_kg_m3=AIR_DENSITY_KG_M3,
        volumetric_efficiency=engine.breathing.value,
    )
    ratio, density = float(fuel.stoichiometric_ratio), float(fuel.density_kg_m3)
    mass = fuel_mass_per_cycle_kg(air_mass_kg=air, lambda_=lambda_, stoichiometric_ratio=ratio)
    flow = mass_flow_kg_s(
        flow_m3_s, density_kg_m3=density, rated_density_kg_m3=PETROL_DENSITY_KG_M3
    )
    return open_time_s(mass, mass_flow_kg_s=flow, dead_time_s=dead_time_s)


def _curves(session, fit, engine, full) -> tuple:
    flows = [flow_on_bike(session, name) for name in session.injectors]
    grid = np.linspace(min(flows) * 0.95, max(flows) * 1.05, 60)
    asked = Candidate(flow_m3_s=grid)
    curves = []
    for fuel in session.fuels:
        line = predict(fit, asked, engine=engine, fuel=fuel_terms(session, fuel))
        on = {
            name: flow_on_bike(session, one.injector)
            for name, one in session.setups.items()
            if (one.engine, one.fuel) == (engine, fuel)
        }
        read = full[full["setup"].isin(list(on))]
        middles = lambda_of(session, (read["gauge_low"] + read["gauge_high"]) / 2)
        curves.append(
            LadderCurve(
                fuel=fuel,
                flow_m3_s=tuple(grid.tolist()),
                lambda_=tuple(line.lambda_.value.tolist()),
                low=tuple(line.lambda_.low.tolist()),
                high=tuple(line.lambda_.high.tolist()),
                reading_flow_m3_s=tuple(map(on.get, read["setup"])),
                reading_lambda=tuple(middles.tolist()),
            )
        )
    return tuple(curves)


# The ladder asked at any point --------------------------------------------------------------------

_POINTS = 60


@dataclass(frozen=True, kw_only=True)
class AskedLadder:
    """A session's fit, and what does not change under the sliders that ask it.

    Attributes
    ----------
    session : tuninglib.session.records.Session
    fit : tuninglib.statistics.ladder.LadderFit
    engine : str
    prospects : tuple of Prospect
        What the report says of each injector.
    flow_m3_s : array
        Of the curve. [m3/s]
    reading_flow_m3_s, reading_lambda_by_fuel : array
        Of each reading on this engine; lambda times what the fuel asks for, so that it can be
        brought to any fuel.
    """

    session: Session
    fit: LadderFit
    engine: str
    prospects: tuple[Prospect, ...]
    flow_m3_s: np.ndarray
    reading_flow_m3_s: np.ndarray
    reading_lambda_by_fuel: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Asked:
    """One question to the ladder: an injector and a fuel of the session, changed or as they are.

    Attributes
    ----------
    injector, fuel : str
        Their names in session.toml.
    lowest, highest : float
        The band of lambda.
    flow_m3_s : float or None
        Another flow, at the bike's fuel pressure; None: the injector's own. [m3/s]
    tolerance : float or None
        How far the flow may be off what is stated (95 %), as a ratio; None: as the injector's own
        is known.
    ethanol : float or None
        Another content of the fuel, by volume, 0 to 1; None: its own.
    """

    injector: str
    fuel: str
    lowest: float
    highest: float
    flow_m3_s: float | None = None
    tolerance: float | None = None
    ethanol: float | None = None

    @property
    def unchanged(self) -> bool:
        """Whether injector and fuel are those of the session, as the report has them."""
        return self.flow_m3_s is self.tolerance is self.ethanol is None


@dataclass(frozen=True, kw_only=True)
class Outlook:
    """Lambda of one injector on one fuel, and the curve that it lies on.

    Attributes
    ----------
    flow_m3_s, ethanol : float
        What was asked about. [m3/s], by volume
    lowest, highest : float
        The band.
    lambda_, true_ratio : Interval
    odds : Odds
    outside_tried_range : bool
    open_time_s, cycle_time_s : float or None
    curve : Interval of array
        Lambda of an untried injector at the flows of the ladder.
    reading_lambda : array
        Of each reading, brought to this fuel.
    reported : Combination or None
        What the report says of this injector on this fuel, where neither was changed.
    """

    flow_m3_s: float
    ethanol: float
    lowest: float
    highest: float
    lambda_: Interval
    odds: Odds
    true_ratio: Interval
    outside_tried_range: bool
    open_time_s: float | None
    cycle_time_s: float | None
    curve: Interval
    reading_lambda: np.ndarray
    reported: Combination | None


def ladder_of(session: Session, ladder: Ladder | None) -> AskedLadder | None:
    """The ladder of a session, ready to be asked; None where nothing can be predicted.

    Parameters
    ----------
    session : tuninglib.session.records.Session
        With its gauge as the check found it.
    ladder : Ladder or None
        As the report has it.
    """
    if ladder is None or ladder.withheld:
        return None
    air = air_of_runs(session)
    readings, parts = ladder_columns(session, air, weighed_readings(session, air))
    own = np.array([name == ladder.engine for name in readings.engine])
    flows = [flow_on_bike(session, name) for name in session.injectors]
    return AskedLadder(
        session=session,
        fit=fit_ladder(readings, parts),
        engine=ladder.engine,
        prospects=ladder.prospects,
        flow_m3_s=np.linspace(min(flows) * 0.9, max(flows) * 1.1, _POINTS),
        reading_flow_m3_s=readings.flow_m3_s[own],
        reading_lambda_by_fuel=np.exp(readings.log_lambda + readings.log_fuel)[own],
    )


def outlook(ladder: AskedLadder, asked: Asked) -> Outlook:
    """Lambda, chance of the band and open time of an injector, tried or not.

    Parameters
    ----------
    ladder : AskedLadder
    asked : Asked
    """
    session, own = ladder.session, asked.injector
    ethanol, fuel = _fuel_asked(session, asked)
    flow = flow_on_bike(session, own) if asked.flow_m3_s is None else asked.flow_m3_s
    known = asked.tolerance is None
    tolerance = tolerance_sd(session, own) if known else asked.tolerance / Z_95
    # The asked flow goes along with the curve: one prediction instead of two.
    flows = np.append(ladder.flow_m3_s, flow)
    terms = {"engine": ladder.engine, "fuel": fuel}
    line = predict(ladder.fit, Candidate(flow_m3_s=flows, tolerance=tolerance), **terms)
    lambda_, odds = line.lambda_.at(-1), line.odds(low=asked.lowest, high=asked.highest).at(-1)
    if known and asked.flow_m3_s is None:
        one = predict(ladder.fit, candidate_of(session, ladder.fit, own), **terms)
        lambda_, odds = one.lambda_, one.odds(low=asked.lowest, high=asked.highest)
    reported = _reported(ladder.prospects, asked)
    if reported is not None and reported.source == "read":
        lambda_, odds = reported.lambda_, _odds_of_read(band_of(session), reported, asked)
    times = _open_time(session, ladder.engine, asked, flow, fuel)
    return Outlook(
        flow_m3_s=flow,
        ethanol=ethanol,
        lowest=asked.lowest,
        highest=asked.highest,
        lambda_=lambda_,
        odds=odds,
        true_ratio=lambda_.scaled(fuel.stoichiometric_ratio),
        outside_tried_range=bool(line.extrapolated[-1]),
        open_time_s=times[0],
        cycle_time_s=times[1],
        curve=line.lambda_.at(slice(-1)),
        reading_lambda=ladder.reading_lambda_by_fuel / fuel.demand,
        reported=reported,
    )


def _fuel_asked(session, asked) -> tuple:
    """Ethanol of the fuel that is asked about, and what the fuel is to the ladder."""
    record = session.fuels[asked.fuel]
    if asked.ethanol is None:
        return ethanol_of(record).value, fuel_terms(session, asked.fuel)
    blend = Blend(asked.ethanol, petrol_density_kg_m3=petrol_density_of(record).value)
    ratio, density = float(blend.stoichiometric_ratio), float(blend.density_kg_m3)
    return asked.ethanol, FuelDemand(stoichiometric_ratio=ratio, density_kg_m3=density)


def _reported(prospects, asked):
    """What the report says of an injector on a fuel; None where either was changed."""
    own = (one for one in prospects if one.injector == asked.injector and asked.unchanged)
    return next((found for one in own if (found := one.on(asked.fuel))), None)


def _odds_of_read(band, read, asked) -> Odds:
    """Odds of a mixture that was read: those of the report, unless the band was moved."""
    if (asked.lowest, asked.highest) == (band.lowest, band.highest):
        return read.odds
    middle, sd = read.lambda_.value, read.lambda_.half_width / Z_95
    richer = float(ndtr(np.log(asked.lowest / middle) * middle / sd))
    leaner = float(ndtr(np.log(middle / asked.highest) * middle / sd))
    return Odds(richer, 1 - richer - leaner, leaner)


def _open_time(session, engine, asked, flow_m3_s, fuel) -> tuple:
    """Open time for the middle of the band, and the cycle at the highest engine speed. [s]"""
    record = session.engines[engine]
    if not record.highest_speed:
        return None, None
    # Of an injector that is none of them: the longest dead time.
    like = session.injectors if asked.flow_m3_s is not None else (asked.injector,)
    pulse = _pulse_s(
        record,
        lambda_=_middle(asked.lowest, asked.highest),
        fuel=fuel,
        flow_m3_s=flow_m3_s,
        dead_time_s=max(session.injectors[name].dead_time.value for name in like),
    )
    return pulse, cycle_time_s(record.highest_speed.value)


# The first guess, before anything is read ---------------------------------------------------------

DEAD_TIME_S = 1e-3  # default of a session's injectors


@dataclass(frozen=True, kw_only=True)
class Change:
    """From the engine, injector and fuel that were read to those that are planned.

    Attributes
    ----------
    flow_m3_s, flow_tolerance : float
        Injector fitted now, and how far it may be off (95 %, as a ratio).
    lambda_read, lambda_wanted, gauge_accuracy : float
        The last as a ratio (95 %).
    old_displacement_m3, new_displacement_m3 : float
    breathing_ratio, breathing_half_width : float
        New over old volumetric efficiency, and its 95 % half-width.
    old_pressure_pa, new_pressure_pa : float
    old_ethanol, new_ethanol : float
        By volume, 0 to 1.
    breathing, engine_speed_rpm, cylinders : float
        Volumetric efficiency before the change, and the highest engine speed.
    idle_pulse_s : float
        That the injector fitted now is given at a warm idle, dead time included.
    chosen_m3_s : float or None
        Flow of the injector that is to be had, at the new pressure; None: the one called for.
    """

    flow_m3_s: float
    flow_tolerance: float
    lambda_read: float
    lambda_wanted: float
    gauge_accuracy: float
    old_displacement_m3: float
    new_displacement_m3: float
    breathing_ratio: float
    breathing_half_width: float
    old_pressure_pa: float
    new_pressure_pa: float
    old_ethanol: float
    new_ethanol: float
    breathing: float
    engine_speed_rpm: float
    cylinders: float = 1.0
    idle_pulse_s: float = 2e-3
    chosen_m3_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Guess:
    """What the change calls for; flows are at the new pressure.

    Attributes
    ----------
    flow_m3_s, stated_at_old_pressure_m3_s : Interval
    open_time_s, cycle_time_s, runs_out_m3_s : float
    idle_pulse_s : float
        At idle with the injector that is to be had.
    trims : tuple of float
        What the ECU must add where it corrects at part load, as ratios, lower first: with a table
        by throttle, where the air stays as it was, and with one by manifold pressure, where it
        grows with the engine. Below zero it must take away.
    """

    flow_m3_s: Interval
    stated_at_old_pressure_m3_s: Interval
    open_time_s: float
    cycle_time_s: float
    runs_out_m3_s: float
    idle_pulse_s: float
    trims: tuple


def guess_of(change: Change) -> Guess:
    """First guess, open time and the flow that runs out.

    Parameters
    ----------
    change : Change
    """
    before, after = Blend(change.old_ethanol), Blend(change.new_ethanol)
    old, new = (metering_demand(b.stoichiometric_ratio, b.density_kg_m3) for b in (before, after))
    pressure = change.old_pressure_pa / change.new_pressure_pa
    grown = change.new_displacement_m3 / change.old_displacement_m3
    asked = EngineChange(
        displacement_ratio=grown,
        breathing_ratio=change.breathing_ratio,
        lambda_ratio=change.lambda_read / change.lambda_wanted,
        pressure_ratio=pressure,
        fuel_ratio=old / new,
        breathing_sd=change.breathing_half_width / Z_95,
        lambda_sd=change.gauge_accuracy / Z_95,
    )
    stated = first_guess_flow(change.flow_m3_s, asked, flow_sd=change.flow_tolerance / Z_95)
    # first_guess_flow states it at the old pressure; on the bike it flows by the root more.
    flow = stated.scaled(1 / pressure**0.5)
    fuel = fuel_mass_per_cycle_kg(
        air_mass_kg=air_mass_per_cycle_kg(
            displacement_m3=change.new_displacement_m3 / change.cylinders,
            air_density_kg_m3=AIR_DENSITY_KG_M3,
            volumetric_efficiency=change.breathing * change.breathing_ratio,
        ),
        lambda_=change.lambda_wanted,
        stoichiometric_ratio=after.stoichiometric_ratio,
    )
    mass_flow = mass_flow_kg_s(
        flow.value, density_kg_m3=after.density_kg_m3, rated_density_kg_m3=PETROL_DENSITY_KG_M3
    )
    runs_out = flow_that_runs_out(
        fuel,
        density_kg_m3=after.density_kg_m3,
        engine_speed_rpm=change.engine_speed_rpm,
        dead_time_s=DEAD_TIME_S,
        highest_fraction=HIGHEST_SHARE,
    )
    # How much more of the air that is there the new injector's fuel burns in the same time.
    richer = (change.chosen_m3_s or flow.value) / change.flow_m3_s * new / old
    air = grown * change.breathing_ratio
    return Guess(
        idle_pulse_s=DEAD_TIME_S + (change.idle_pulse_s - DEAD_TIME_S) / richer,
        trims=tuple(sorted((1 / richer - 1, air / richer - 1))),
        flow_m3_s=flow,
        stated_at_old_pressure_m3_s=stated,
        open_time_s=open_time_s(fuel, mass_flow_kg_s=mass_flow, dead_time_s=DEAD_TIME_S),
        cycle_time_s=cycle_time_s(change.engine_speed_rpm),
        runs_out_m3_s=flow_on_fuel(
            runs_out,
            rated_density_kg_m3=after.density_kg_m3,
            density_kg_m3=PETROL_DENSITY_KG_M3,
        ),
    )
