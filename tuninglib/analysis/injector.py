"""Injectors: how lambda follows their flow, any of them on any fuel, and a first guess.

The ladder brings all full-throttle readings of a session to one model. It can then be asked at
any point. Before anything is read, the flow that a change of engine calls for is worked out.
"""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from tuninglib.analysis.mixture import (
    flow_on_bike,
    fuel_terms,
    ladder_columns,
    lambda_of,
    tolerance_sd,
    weighed_readings,
)
from tuninglib.analysis.records import Ladder, LadderCurve, Prospect, one_each
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
from tuninglib.session.load import Session
from tuninglib.statistics.flow_response import Response, response_per_state
from tuninglib.statistics.ladder import LadderFit, fit_ladder, suspicious_injectors
from tuninglib.statistics.ladder_prediction import (
    Candidate,
    FuelDemand,
    Odds,
    predict,
)

if TYPE_CHECKING:
    from tuninglib.analysis.analyse import Results
    from tuninglib.analysis.combinations import Combination
    from tuninglib.analysis.decide import Plan


# The ladder ---------------------------------------------------------------------------------------

# Dry air at 25 °C and 1013.25 hPa, for the open time.
AIR_DENSITY_KG_M3 = 1.184
# Share of a cycle above which an injector runs out of time (common practice: 0.8 to 0.9).
HIGHEST_SHARE = 0.85


def responses_of(session: Session, air: pd.DataFrame) -> tuple:
    """How strongly lambda follows injector flow at full throttle.

    Parameters
    ----------
    session : tuninglib.session.load.Session
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
    session : tuninglib.session.load.Session
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
    plan: "Plan",
    combinations: "tuple[Combination, ...]",
    burnt: tuple[str, ...],
) -> Ladder | None:
    """What the readings say of every injector on one engine, tried or not, on every fuel.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.mixture.weighed_readings`.
    fit : tuninglib.statistics.ladder.LadderFit or None
    responses : tuple of Response
    plan : tuninglib.analysis.decide.Plan
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
    prospects = _prospects(session, plan, combinations, burnt, rows)
    listed = {one.injector for one in prospects}
    return Ladder(
        engine=plan.engine,
        prospects=prospects,
        curves=_curves(session, fit, plan.engine, rows) if fit else (),
        responses=responses,
        suspicions=suspicious_injectors(fit) if fit else (),
        readings=len(rows),
        withheld=None if fit else "corrects",
        not_predicted=tuple(name for name in session.injectors if name not in listed),
    )


def _prospects(session, plan, combinations, burnt, rows) -> tuple:
    """Injectors on one engine, those of the least expected harm first; shut ones last."""
    own = one_each(
        [one for one in combinations if one.engine == plan.engine and one.lambda_ is not None],
        plan.ride,
    )
    used = {session.setups[name].injector for name in rows["setup"]}
    tried = [flow_on_bike(session, name) for name in used]
    found = []
    for name, record in session.injectors.items():
        flow = flow_on_bike(session, name)
        known = [one for one in own.values() if one.injector == name]
        if not known:
            continue
        found.append(
            Prospect(
                injector=name,
                flow_m3_s=flow,
                tried=name in used,
                outside_tried_range=not min(tried) * 0.999 <= flow <= max(tried) * 1.001,
                fuels=tuple(sorted(known, key=lambda one: -one.lambda_.value)),
                price=record.price,
            )
        )

    def rank(prospect):
        decides = [one for one in prospect.fuels if one.fuel in burnt] or prospect.fuels
        shut = all(one.gate is not None for one in decides)
        return shut, sum(one.harm or 0.0 for one in decides), prospect.flow_m3_s

    return tuple(sorted(found, key=rank))


def open_time_share(session: Session, engine: str, injector: str, fuel: str) -> Interval | None:
    """Share of the cycle for the middle of the band at the highest engine speed.

    Parameters
    ----------
    session : tuninglib.session.load.Session
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
    per_breathing = fuel_mass_per_cycle_kg(
        air_mass_kg=air_mass_per_cycle_kg(
            displacement_m3=record.displacement_m3 / record.cylinders,
            air_density_kg_m3=AIR_DENSITY_KG_M3,
            volumetric_efficiency=1.0,
        ),
        lambda_=float(np.sqrt(band.lowest * band.highest)),
        stoichiometric_ratio=float(blend.stoichiometric_ratio),
    )
    flow = mass_flow_kg_s(
        flow_on_bike(session, injector),
        density_kg_m3=float(blend.density_kg_m3),
        rated_density_kg_m3=PETROL_DENSITY_KG_M3,
    )
    fraction = float(
        open_time_fraction(
            open_time_s(
                per_breathing * breathing.value, mass_flow_kg_s=flow, dead_time_s=dead_time.value
            ),
            engine_speed_rpm=record.highest_speed.value,
        )
    )
    per_second = 1 / cycle_time_s(record.highest_speed.value)
    fuelling = fraction - dead_time.value * per_second
    relative = np.hypot(breathing.sd / breathing.value, tolerance_sd(session, injector))
    if session.bike.fuel_pressure is not None:
        pressure = session.bike.fuel_pressure
        relative = np.hypot(relative, pressure.sd / pressure.value / 2)
    half = Z_95 * float(np.hypot(fuelling * relative, dead_time.sd * per_second))
    return Interval(fraction, fraction - half, fraction + half)


def _curves(session, fit, engine, full) -> tuple:
    flows = [flow_on_bike(session, name) for name in session.injectors]
    grid = np.linspace(min(flows) * 0.95, max(flows) * 1.05, 60)
    asked = Candidate(flow_m3_s=grid)
    curves = []
    for fuel in session.fuels:
        line = predict(fit, asked, engine=engine, fuel=fuel_terms(session, fuel))
        read = [
            (
                flow_on_bike(session, session.setups[row.setup].injector),
                lambda_of(session, (row.gauge_low + row.gauge_high) / 2),
            )
            for row in full.itertuples()
            if session.setups[row.setup].engine == engine and session.setups[row.setup].fuel == fuel
        ]
        curves.append(
            LadderCurve(
                fuel=fuel,
                flow_m3_s=tuple(grid.tolist()),
                lambda_=tuple(line.lambda_.value.tolist()),
                low=tuple(line.lambda_.low.tolist()),
                high=tuple(line.lambda_.high.tolist()),
                reading_flow_m3_s=tuple(flow for flow, _ in read),
                reading_lambda=tuple(float(value) for _, value in read),
            )
        )
    return tuple(curves)


# The ladder asked at any point --------------------------------------------------------------------

_POINTS = 60


@dataclass(frozen=True, kw_only=True)
class AskedLadder:
    """What the sliders ask: a session's fit, and what does not change under them.

    Attributes
    ----------
    fit : tuninglib.statistics.ladder.LadderFit
    engine : str
    flow_m3_s : array
        Of the curve. [m3/s]
    reading_flow_m3_s, reading_lambda_by_fuel : array
        Of each reading on this engine; lambda times what the fuel asks for, so that it can be
        brought to any fuel.
    petrol_density_kg_m3 : float
    fuels : dict of float to FuelDemand
        Each fuel of the session, by its ethanol.
    """

    fit: object
    engine: str
    flow_m3_s: np.ndarray
    reading_flow_m3_s: np.ndarray
    reading_lambda_by_fuel: np.ndarray
    petrol_density_kg_m3: float
    fuels: dict

    def blend(self, ethanol_volume_fraction: float) -> Blend:
        """The session's petrol with this much ethanol."""
        return Blend(ethanol_volume_fraction, petrol_density_kg_m3=self.petrol_density_kg_m3)


@dataclass(frozen=True, kw_only=True)
class Outlook:
    """Lambda of one injector on one fuel, and the curve that it lies on.

    Attributes
    ----------
    lambda_, true_ratio : Interval
    odds : Odds
    outside_tried_range : bool
    open_time_s, cycle_time_s : float or None
    curve : Interval of array
        Lambda at the flows of the ladder.
    reading_lambda : array
        Of each reading, brought to this fuel.
    """

    lambda_: Interval
    odds: Odds
    true_ratio: Interval
    outside_tried_range: bool
    open_time_s: float | None
    cycle_time_s: float | None
    curve: Interval
    reading_lambda: np.ndarray


def ladder_of(results: "Results") -> AskedLadder | None:
    """The ladder of a session, ready to be asked; None where nothing can be predicted."""
    session = results.judged
    if results.ladder is None or results.ladder.withheld:
        return None
    air = air_of_runs(session)
    readings, parts = ladder_columns(session, air, weighed_readings(session, air))
    own = np.array([name == results.ladder.engine for name in readings.engine])
    flows = [flow_on_bike(session, name) for name in session.injectors]
    kept = results.ridden_setup
    return AskedLadder(
        fit=fit_ladder(readings, parts),
        engine=results.ladder.engine,
        flow_m3_s=np.linspace(min(flows) * 0.9, max(flows) * 1.1, _POINTS),
        reading_flow_m3_s=readings.flow_m3_s[own],
        reading_lambda_by_fuel=np.exp(readings.log_lambda + readings.log_fuel)[own],
        petrol_density_kg_m3=petrol_density_of(session.fuels[kept.fuel]).value,
        fuels={
            round(ethanol_of(record).value, 6): fuel_terms(session, name)
            for name, record in session.fuels.items()
        },
    )


def outlook(
    results: "Results",
    ladder: AskedLadder,
    *,
    ethanol: float,
    lowest: float,
    highest: float,
    flow_m3_s: float,
    tolerance: float,
) -> Outlook:
    """Lambda, odds and open time of an untried injector.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    ladder : AskedLadder
    ethanol : float
        By volume, 0 to 1.
    lowest, highest : float
        The target band.
    flow_m3_s : float
        At the bike's fuel pressure. [m3/s]
    tolerance : float
        How far the flow may be off what is stated (95 %), as a ratio.
    """
    blend = ladder.blend(ethanol)
    ratio, density = float(blend.stoichiometric_ratio), float(blend.density_kg_m3)
    fuel = FuelDemand(stoichiometric_ratio=ratio, density_kg_m3=density)
    known = ladder.fuels.get(round(ethanol, 6))
    if known is not None:
        fuel = replace(fuel, name=known.name, sd=known.sd)
    # The asked flow goes along with the curve: one prediction instead of two.
    flows = np.append(ladder.flow_m3_s, flow_m3_s)
    asked = Candidate(flow_m3_s=flows, tolerance=tolerance / Z_95)
    line = predict(ladder.fit, asked, engine=ladder.engine, fuel=fuel)
    lambda_ = line.lambda_.at(-1)
    record = results.session.engines[ladder.engine]
    time = cycle = None
    if record.highest_speed:
        air = air_mass_per_cycle_kg(
            displacement_m3=record.displacement_m3 / record.cylinders,
            air_density_kg_m3=AIR_DENSITY_KG_M3,
            volumetric_efficiency=record.breathing.value,
        )
        middle = float(np.sqrt(lowest * highest))
        time = open_time_s(
            fuel_mass_per_cycle_kg(air_mass_kg=air, lambda_=middle, stoichiometric_ratio=ratio),
            mass_flow_kg_s=mass_flow_kg_s(
                flow_m3_s, density_kg_m3=density, rated_density_kg_m3=PETROL_DENSITY_KG_M3
            ),
            dead_time_s=_dead_time_s(results.session),
        )
        cycle = cycle_time_s(record.highest_speed.value)
    return Outlook(
        lambda_=lambda_,
        odds=line.odds(low=lowest, high=highest).at(-1),
        true_ratio=lambda_.scaled(ratio),
        outside_tried_range=bool(line.extrapolated[-1]),
        open_time_s=time,
        cycle_time_s=cycle,
        curve=line.lambda_.at(slice(-1)),
        reading_lambda=ladder.reading_lambda_by_fuel / fuel.demand,
    )


def _dead_time_s(session) -> float:
    """The longest of the injectors listed."""
    return max(one.dead_time.value for one in session.injectors.values())


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
    pressure = (change.old_pressure_pa / change.new_pressure_pa) ** 0.5
    asked = EngineChange(
        displacement_ratio=change.new_displacement_m3 / change.old_displacement_m3,
        breathing_ratio=change.breathing_ratio,
        lambda_ratio=change.lambda_read / change.lambda_wanted,
        pressure_ratio=change.old_pressure_pa / change.new_pressure_pa,
        fuel_ratio=old / new,
        breathing_sd=change.breathing_half_width / Z_95,
        lambda_sd=change.gauge_accuracy / Z_95,
    )
    guess = first_guess_flow(change.flow_m3_s, asked, flow_sd=change.flow_tolerance / Z_95)
    stated = guess.flow_m3_s
    # first_guess_flow states it at the old pressure; on the bike it flows by the root more.
    flow = stated.scaled(1 / pressure)
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
    air = change.new_displacement_m3 / change.old_displacement_m3 * change.breathing_ratio
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
