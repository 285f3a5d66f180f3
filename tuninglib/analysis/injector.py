"""The injector ladder of a session: its readings brought to the model, and advice from it."""

import numpy as np

from tuninglib.analysis.readings import (
    flow_on_bike,
    ladder_columns,
    tolerance_sd,
    weighed_readings,
)
from tuninglib.analysis.results import FuelProspect, Ladder, LadderCurve, Prospect
from tuninglib.physics.engine import air_mass_per_cycle_kg, cycle_time_s, fuel_mass_per_cycle_kg
from tuninglib.physics.injector import (
    mass_flow_kg_s,
    open_time_fraction,
    open_time_s,
)
from tuninglib.session.defaults import blend_of
from tuninglib.statistics.ladder import fit_ladder
from tuninglib.statistics.ladder_checks import response_per_state, suspicious_injectors
from tuninglib.statistics.ladder_prediction import flow_for_lambda, predict

# Dry air at 25 °C and 1013.25 hPa, for the open time.
AIR_DENSITY_KG_M3 = 1.184
# Share of a cycle above which an injector runs out of time (common practice: 0.8 to 0.9).
HIGHEST_SHARE = 0.85
# A candidate must be this much likelier to hit the band before buying it is advised.
_WORTH_BUYING = 0.10


def analyse_ladder(session, air, keep: str | None, knocks: tuple) -> Ladder | None:
    """What the readings say of every injector, tried or not, on every fuel.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    keep : str or None
        The setup that is kept.
    knocks : tuple of Knock

    Returns
    -------
    Ladder or None
        None without a usable reading at full throttle.
    """
    rows = weighed_readings(session, air, state=None)
    full = rows[rows["state"] == "full"]
    if full.empty:
        return None
    last = list(session.setups.values())[-1]
    kept = session.setups.get(keep) if keep else None
    engine = kept.engine if kept and keep != session.about.reference else last.engine
    fit = fit_ladder(**ladder_columns(session, air, full))
    fuels = {
        name: (float(blend.stoichiometric_ratio), float(blend.density_kg_m3))
        for name, blend in ((n, blend_of(f)) for n, f in session.fuels.items())
    }
    prospects = _prospects(session, fit, engine, fuels, knocks)
    fitted = kept.injector if kept and kept.engine == engine else None
    advice, injector = _advice(session, prospects, fitted)
    leanest = min(fuels.values(), key=lambda pair: pair[0] * pair[1])
    middle = float(np.sqrt(session.target.lowest * session.target.highest))
    guess = flow_for_lambda(
        fit,
        target_lambda=middle,
        engine=engine,
        stoichiometric_ratio=leanest[0],
        density_kg_m3=leanest[1],
    )
    finite = np.isfinite([guess.value, guess.low, guess.high]).all() and guess.low > 0
    return Ladder(
        engine=engine,
        prospects=prospects,
        advice=advice,
        injector=injector,
        fitted=fitted,
        curves=_curves(session, fit, engine, fuels, full),
        responses=response_per_state(
            **ladder_columns(session, air, rows), state=rows["state"].tolist()
        ),
        suspicions=suspicious_injectors(fit),
        first_guess=guess if finite else None,
        readings=len(full),
    )


def _prospects(session, fit, engine, fuels, knocks) -> tuple:
    """Injectors in the order of their odds of the target band on the fuel where they are least.

    Among equals the one less likely to run lean comes first.
    """
    heard = {
        session.setups[knock.setup].injector
        for knock in knocks
        if session.setups[knock.setup].engine == engine
    }
    prospects = [
        _prospect(session, fit, engine, fuels, name, name in heard) for name in session.injectors
    ]
    return tuple(sorted(prospects, key=lambda one: (-one.least_inside, one.fuels[0].odds.leaner)))


def _prospect(session, fit, engine, fuels, name, heard) -> Prospect:
    tried, flow = name in fit.tolerance, flow_on_bike(session, name)
    rows, outside = [], False
    for fuel, (ratio, density) in fuels.items():
        predicted = predict(
            fit,
            flow_m3_s=flow,
            engine=engine,
            stoichiometric_ratio=ratio,
            density_kg_m3=density,
            injector=name if tried else None,
            tolerance=None if tried else tolerance_sd(session, name),
        )
        outside = outside or predicted.extrapolated
        rows.append(
            FuelProspect(
                fuel=fuel,
                lambda_=predicted.lambda_,
                gauge=predicted.lambda_.scaled(session.gauge.scale),
                odds=predicted.odds(low=session.target.lowest, high=session.target.highest),
                open_time_fraction=_open_time_fraction(session, engine, name, ratio, density),
            )
        )
    rows.sort(key=lambda one: -one.lambda_.value)
    speed = session.engines[engine].highest_speed
    cycle = float(cycle_time_s(speed.value)) if speed else None
    fraction = max(one.open_time_fraction for one in rows) if speed else None
    if heard:
        reason = "knock was heard"
    elif rows[0].odds.leaner > session.assumptions.leaner_limit.value:
        reason = f"likely too lean on {rows[0].fuel}"
    elif speed and fraction > HIGHEST_SHARE:
        reason = "would run out of time"
    elif min(one.odds.richer for one in rows) > 0.5:
        reason = "likely richer than the band"
    else:
        reason = "possible"
    return Prospect(
        injector=name,
        flow_m3_s=flow,
        tried=tried,
        outside_tried_range=outside,
        fuels=tuple(rows),
        open_time_s=fraction * cycle if speed else None,
        cycle_time_s=cycle,
        price=session.injectors[name].price,
        knocked=heard,
        recommended=reason == "possible",
        reason=reason,
    )


def _open_time_fraction(session, engine, injector, ratio, density) -> float | None:
    """Share of the cycle for the middle of the band at the highest engine speed."""
    record = session.engines[engine]
    if not record.highest_speed:
        return None
    air = air_mass_per_cycle_kg(
        displacement_m3=record.displacement_m3 / record.cylinders,
        air_density_kg_m3=AIR_DENSITY_KG_M3,
        volumetric_efficiency=record.breathing.value,
    )
    middle = float(np.sqrt(session.target.lowest * session.target.highest))
    open_time = open_time_s(
        fuel_mass_per_cycle_kg(air_mass_kg=air, lambda_=middle, stoichiometric_ratio=ratio),
        mass_flow_kg_s=mass_flow_kg_s(flow_on_bike(session, injector), density_kg_m3=density),
        dead_time_s=session.injectors[injector].dead_time.value,
    )
    return open_time_fraction(open_time, engine_speed_rpm=record.highest_speed.value)


def _advice(session, prospects, fitted) -> tuple:
    """Stay with the fitted injector, buy another, or neither can be said."""
    allowed = [p for p in prospects if p.recommended]
    if not allowed:
        return "none", None
    best = max(allowed, key=lambda one: one.least_inside)
    own = next((p for p in allowed if p.injector == fitted), None)
    if own and own.least_inside >= best.least_inside - _WORTH_BUYING:
        return "stay", own.injector
    return "buy", best.injector


def _curves(session, fit, engine, fuels, full) -> tuple:
    flows = [flow_on_bike(session, name) for name in session.injectors]
    grid = np.linspace(min(flows) * 0.95, max(flows) * 1.05, 60)
    scale = session.gauge.scale
    curves = []
    for fuel, (ratio, density) in fuels.items():
        line = predict(
            fit,
            flow_m3_s=grid,
            engine=engine,
            stoichiometric_ratio=ratio,
            density_kg_m3=density,
        )
        read = [
            (
                flow_on_bike(session, session.setups[row.setup].injector),
                (row.gauge_low + row.gauge_high) / 2 / scale,
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
