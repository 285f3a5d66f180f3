"""The injector ladder of a session: its readings brought to the model, and advice from it."""

from dataclasses import replace

import numpy as np

from tuninglib.analysis.mixture import lambda_of, offset_of, readings_of, shown_at_lambda_one
from tuninglib.analysis.results import FuelProspect, Ladder, LadderCurve, Prospect
from tuninglib.interval import Z_95
from tuninglib.physics.engine import air_mass_per_cycle_kg, cycle_time_s, fuel_mass_per_cycle_kg
from tuninglib.physics.injector import (
    flow_at_pressure,
    mass_flow_kg_s,
    open_time_fraction,
    open_time_s,
)
from tuninglib.session.defaults import blend_of
from tuninglib.statistics.ladder import Priors, fit_ladder
from tuninglib.statistics.ladder_checks import response_per_state, suspicious_injectors
from tuninglib.statistics.ladder_prediction import flow_for_lambda, predict

# Dry air at 25 °C and 1013.25 hPa, for the open time.
AIR_DENSITY_KG_M3 = 1.184
# Share of a cycle above which an injector runs out of time (common practice: 0.8 to 0.9).
HIGHEST_SHARE = 0.85
# A candidate must be this much likelier to hit the band before buying it is advised.
_WORTH_BUYING = 0.10


def analyse_ladder(session, air, keep: str | None, knocks: tuple, check) -> Ladder | None:
    """What the readings say of every injector, tried or not, on every fuel.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    keep : str or None
        The setup that is kept.
    knocks : tuple of Knock
    check : GaugeCheck or None

    Returns
    -------
    Ladder or None
        None without a usable reading at full throttle.
    """
    rows = readings_of(session, state=None)
    rows = rows[~rows["pegged"]]
    full = rows[rows["state"] == "full"]
    if full.empty:
        return None
    last = list(session.setups.values())[-1]
    kept = session.setups.get(keep) if keep else None
    engine = kept.engine if kept and keep != session.about.reference else last.engine
    responses = response_per_state(
        **ladder_columns(session, air, rows, check), state=rows["state"].tolist()
    )
    corrects = any(one.state == "full" and one.verdict == "corrects" for one in responses)
    columns = ladder_columns(session, air, full, check)
    fit = fit_ladder(**(_as_held(columns) if corrects else columns))
    fuels = {
        name: (float(blend.stoichiometric_ratio), float(blend.density_kg_m3))
        for name, blend in ((n, blend_of(f)) for n, f in session.fuels.items())
    }
    fuels_of = dict.fromkeys(session.injectors, fuels)
    if corrects:
        fuels_of = _fuels_read(session, engine, fuels, full)
    prospects = _prospects(session, fit, engine, fuels_of, knocks, check, held=corrects)
    listed = {one.injector for one in prospects}
    fitted = kept.injector if kept and kept.engine == engine and kept.injector in listed else None
    advice, injector = ("none", None) if corrects else _advice(session, prospects, fitted)
    return Ladder(
        engine=engine,
        prospects=prospects,
        advice=advice,
        injector=injector,
        fitted=fitted,
        curves=() if corrects else _curves(session, fit, engine, fuels, full, check),
        responses=responses,
        suspicions=() if corrects else suspicious_injectors(fit),
        first_guess=None if corrects else _first_guess(session, fit, engine, fuels),
        readings=len(full),
        withheld="corrects" if corrects else None,
        not_predicted=tuple(name for name in session.injectors if name not in listed),
    )


def _first_guess(session, fit, engine, fuels):
    """Flow for the middle of the band on the leanest fuel; None where no flow gets there."""
    leanest = min(fuels.values(), key=lambda pair: pair[0] * pair[1])
    guess = flow_for_lambda(
        fit,
        target_lambda=float(np.sqrt(session.target.lowest * session.target.highest)),
        engine=engine,
        stoichiometric_ratio=leanest[0],
        density_kg_m3=leanest[1],
    )
    finite = np.isfinite([guess.value, guess.low, guess.high]).all() and guess.low > 0
    return guess if finite else None


def _as_held(columns) -> dict:
    """Columns of a ladder on which neither flow, fuel, air nor displacement moves lambda."""
    priors = replace(columns["priors"], response_mean=0.0)
    engines = dict.fromkeys(columns["displacement"], 1.0)
    same = {"stoichiometric_ratio": 1.0, "density_kg_m3": 1.0, "offset": 0.0}
    return {**columns, **same, "displacement": engines, "priors": priors}


def _fuels_read(session, engine, fuels, full) -> dict:
    """For each injector the fuels on which it was read on this engine; none: left out."""
    setups = [session.setups[name] for name in dict.fromkeys(full["setup"])]
    read = {(one.injector, one.fuel) for one in setups if one.engine == engine}
    found = {
        name: {fuel: fuels[fuel] for fuel in fuels if (name, fuel) in read}
        for name in session.injectors
    }
    return {name: own for name, own in found.items() if own}


def flow_on_bike(session, injector: str) -> float:
    """Stated flow of an injector brought to the bike's fuel pressure. [m3/s]"""
    record, pressure = session.injectors[injector], session.bike.fuel_pressure
    if record.flow_pressure is None or pressure is None:
        return record.flow.value
    return float(
        flow_at_pressure(
            record.flow.value,
            rated_pressure_pa=record.flow_pressure.value,
            pressure_pa=pressure.value,
        )
    )


def ladder_columns(session, air, rows, check) -> dict:
    """Readings as :func:`tuninglib.statistics.ladder.fit_ladder` takes them.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    rows : pandas.DataFrame
        Of :func:`readings_of`.
    check : GaugeCheck or None

    Returns
    -------
    dict
        Its keyword arguments.
    """
    setups = [session.setups[name] for name in rows["setup"]]
    blends = [blend_of(session.fuels[setup.fuel]) for setup in setups]
    density = air.loc[rows.index, "density_kg_m3"].to_numpy()
    offset = np.zeros(len(rows))
    if session.bike.density_compensation == "no":
        offset = np.log(density / density.mean())
    used = {setup.injector for setup in setups}
    taken = session.assumptions
    return {
        "lambda_low": lambda_of(session, rows["gauge_low"].to_numpy(), check),
        "lambda_high": lambda_of(session, rows["gauge_high"].to_numpy(), check),
        "flow_m3_s": np.array([flow_on_bike(session, setup.injector) for setup in setups]),
        "injector": [setup.injector for setup in setups],
        "engine": [setup.engine for setup in setups],
        "stoichiometric_ratio": np.array([float(b.stoichiometric_ratio) for b in blends]),
        "density_kg_m3": np.array([float(b.density_kg_m3) for b in blends]),
        "displacement": {n: float(e.displacement_m3) for n, e in session.engines.items()},
        "resolution": lambda_of(session, session.gauge.resolution, check),
        "offset": offset,
        "tolerance": {name: _tolerance_sd(session, name) for name in used},
        "priors": Priors(
            response_mean=taken.flow_response.value,
            response_sd=taken.flow_response.sd,
            breathing_sd=taken.breathing_change.sd,
            gauge_sd=offset_of(session, check).log_sd,
        ),
    }


def _tolerance_sd(session, injector: str) -> float:
    # The tolerance is typed as a 95 % half-width, like every uncertainty.
    return session.injectors[injector].tolerance.value / Z_95


def _prospects(session, fit, engine, fuels_of, knocks, check, *, held) -> tuple:
    """Injectors in the order of their odds of the target band on the fuel where they are least.

    Among equals the one less likely to run lean comes first.
    """
    heard = {
        session.setups[knock.setup].injector
        for knock in knocks
        if session.setups[knock.setup].engine == engine
    }
    prospects = [
        _prospect(session, fit, engine, fuels, name, name in heard, check, held)
        for name, fuels in fuels_of.items()
    ]
    return tuple(sorted(prospects, key=lambda one: (-one.least_inside, one.fuels[0].odds.leaner)))


def _prospect(session, fit, engine, fuels, name, heard, check, held) -> Prospect:
    tried, flow = name in fit.tolerance, flow_on_bike(session, name)
    rows, outside = [], False
    for fuel, (ratio, density) in fuels.items():
        predicted = predict(
            fit,
            flow_m3_s=flow,
            engine=engine,
            stoichiometric_ratio=1.0 if held else ratio,
            density_kg_m3=1.0 if held else density,
            injector=name if tried else None,
            tolerance=None if tried else _tolerance_sd(session, name),
        )
        outside = outside or predicted.extrapolated
        rows.append(
            FuelProspect(
                fuel=fuel,
                lambda_=predicted.lambda_,
                gauge=predicted.lambda_.scaled(shown_at_lambda_one(session, check)),
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


def _curves(session, fit, engine, fuels, full, check) -> tuple:
    flows = [flow_on_bike(session, name) for name in session.injectors]
    grid = np.linspace(min(flows) * 0.95, max(flows) * 1.05, 60)
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
                lambda_of(session, (row.gauge_low + row.gauge_high) / 2, check),
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
