"""The injector ladder of a session: its readings brought to the model, and what it says."""

import numpy as np

from tuninglib.analysis.fuel import fuel_terms
from tuninglib.analysis.readings import (
    flow_on_bike,
    ladder_columns,
    lambda_of,
    tolerance_sd,
    weighed_readings,
)
from tuninglib.analysis.records import Ladder, LadderCurve, Prospect, one_each
from tuninglib.interval import Z_95, Interval
from tuninglib.physics.blend import PETROL_DENSITY_KG_M3
from tuninglib.physics.engine import air_mass_per_cycle_kg, cycle_time_s, fuel_mass_per_cycle_kg
from tuninglib.physics.injector import (
    mass_flow_kg_s,
    metering_demand,
    open_time_fraction,
    open_time_s,
)
from tuninglib.session.defaults import band_of, blend_of
from tuninglib.statistics.flow_response import response_per_state
from tuninglib.statistics.ladder import fit_ladder
from tuninglib.statistics.ladder_checks import suspicious_injectors
from tuninglib.statistics.ladder_prediction import flow_for_lambda, predict

# Dry air at 25 °C and 1013.25 hPa, for the open time.
AIR_DENSITY_KG_M3 = 1.184
# Share of a cycle above which an injector runs out of time (common practice: 0.8 to 0.9).
HIGHEST_SHARE = 0.85


def responses_of(session, air) -> tuple:
    """How strongly lambda follows injector flow in each state of the throttle.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.

    Returns
    -------
    tuple of tuninglib.statistics.flow_response.Response
    """
    rows = weighed_readings(session, air, state=None)
    if not (rows["state"] == "full").any():
        return ()
    return response_per_state(**ladder_columns(session, air, rows), state=rows["state"].tolist())


def session_fit(session, air, rows, responses):
    """The ladder of a session's full-throttle readings.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.readings.weighed_readings`.
    responses : tuple of Response

    Returns
    -------
    tuninglib.statistics.ladder.LadderFit or None
        None without a usable reading, and where the ECU corrects at full throttle: another
        injector does not move lambda there, so nothing can be predicted.
    """
    corrects = any(one.state == "full" and one.verdict == "corrects" for one in responses)
    return None if rows.empty or corrects else fit_ladder(**ladder_columns(session, air, rows))


def analyse_ladder(session, rows, fit, responses, plan, combinations, burnt) -> Ladder | None:
    """What the readings say of every injector on one engine, tried or not, on every fuel.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.readings.weighed_readings`.
    fit : tuninglib.statistics.ladder.LadderFit or None
    responses : tuple of Response
    plan : tuninglib.analysis.plan.Plan
    combinations : tuple of Combination
        With their gates.
    burnt : tuple of str
        Fuels that may be burnt, the leanest first; the first guess is for that.

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
        first_guess=_first_guess(session, fit, plan.engine, burnt) if fit else None,
        readings=len(rows),
        withheld=None if fit else "corrects",
        not_predicted=tuple(name for name in session.injectors if name not in listed),
    )


def _first_guess(session, fit, engine, burnt):
    """Flow for the middle of the band on the leanest fuel; None where no flow gets there."""
    # A fuel that is only listed decides nothing, unless no other is left.
    deciding = [fuel_terms(session, name) for name in burnt or session.fuels]
    leanest = min(
        deciding, key=lambda one: metering_demand(one["stoichiometric_ratio"], one["density_kg_m3"])
    )
    band = band_of(session)
    middle = float(np.sqrt(band.lowest * band.highest))
    guess = flow_for_lambda(fit, target_lambda=middle, engine=engine, **leanest)
    finite = np.isfinite([guess.value, guess.low, guess.high]).all() and guess.low > 0
    return guess if finite else None


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
        return shut, sum(one.harm for one in decides), prospect.flow_m3_s

    return tuple(sorted(found, key=rank))


def open_time_share(session, engine: str, injector: str, fuel: str) -> Interval | None:
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
    curves = []
    for fuel in session.fuels:
        line = predict(fit, flow_m3_s=grid, engine=engine, **fuel_terms(session, fuel))
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
                reading_lambda=tuple(value for _, value in read),
            )
        )
    return tuple(curves)
