"""The injector ladder of a session: its readings brought to the model, and what it says."""

import numpy as np

from tuninglib.analysis.readings import flow_on_bike, ladder_columns, weighed_readings
from tuninglib.analysis.records import Ladder, LadderCurve, Prospect, one_each
from tuninglib.physics.engine import air_mass_per_cycle_kg, fuel_mass_per_cycle_kg
from tuninglib.physics.injector import (
    mass_flow_kg_s,
    open_time_fraction,
    open_time_s,
)
from tuninglib.session.defaults import band_of, blend_of
from tuninglib.statistics.ladder import fit_ladder
from tuninglib.statistics.ladder_checks import response_per_state, suspicious_injectors
from tuninglib.statistics.ladder_prediction import flow_for_lambda, predict

# Dry air at 25 °C and 1013.25 hPa, for the open time.
AIR_DENSITY_KG_M3 = 1.184
# Share of a cycle above which an injector runs out of time (common practice: 0.8 to 0.9).
HIGHEST_SHARE = 0.85


def session_fit(session, air, rows):
    """The ladder of a session's full-throttle readings; None without a usable one.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.readings.weighed_readings`.

    Returns
    -------
    tuninglib.statistics.ladder.LadderFit or None
    """
    return None if rows.empty else fit_ladder(**ladder_columns(session, air, rows))


def analyse_ladder(session, air, fit, plan, combinations, burnt) -> Ladder:
    """What the readings say of every injector on one engine, tried or not, on every fuel.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    fit : tuninglib.statistics.ladder.LadderFit
    plan : tuninglib.analysis.plan.Plan
    combinations : tuple of Combination
        With their gates.
    burnt : tuple of str
        Fuels that may be burnt, the leanest first; the first guess is for that.

    Returns
    -------
    Ladder
    """
    rows = weighed_readings(session, air, state=None)
    full = rows[rows["state"] == "full"]
    fuels = {
        name: (float(blend.stoichiometric_ratio), float(blend.density_kg_m3))
        for name, blend in ((n, blend_of(f)) for n, f in session.fuels.items())
    }
    engine = plan.engine
    # A fuel that is only listed decides nothing, unless no other is left.
    deciding = [fuels[name] for name in burnt] or list(fuels.values())
    leanest = min(deciding, key=lambda pair: pair[0] * pair[1])
    band = band_of(session)
    guess = flow_for_lambda(
        fit,
        target_lambda=float(np.sqrt(band.lowest * band.highest)),
        engine=engine,
        stoichiometric_ratio=leanest[0],
        density_kg_m3=leanest[1],
    )
    finite = np.isfinite([guess.value, guess.low, guess.high]).all() and guess.low > 0
    return Ladder(
        engine=engine,
        prospects=_prospects(session, fit, plan, combinations, burnt),
        curves=_curves(session, fit, engine, fuels, full),
        responses=response_per_state(
            **ladder_columns(session, air, rows), state=rows["state"].tolist()
        ),
        suspicions=suspicious_injectors(fit),
        first_guess=guess if finite else None,
        readings=len(full),
    )


def _prospects(session, fit, plan, combinations, burnt) -> tuple:
    """Injectors on one engine, those of the least expected harm first; shut ones last."""
    own = one_each(
        [one for one in combinations if one.engine == plan.engine and one.lambda_ is not None],
        plan.ride,
    )
    tried = fit.flow_m3_s.values()
    found = []
    for name, record in session.injectors.items():
        flow = flow_on_bike(session, name)
        rows = [one for one in own.values() if one.injector == name]
        found.append(
            Prospect(
                injector=name,
                flow_m3_s=flow,
                tried=name in fit.tolerance,
                outside_tried_range=not min(tried) * 0.999 <= flow <= max(tried) * 1.001,
                fuels=tuple(sorted(rows, key=lambda one: -one.lambda_.value)),
                price=record.price,
            )
        )

    def rank(prospect):
        decides = [one for one in prospect.fuels if one.fuel in burnt] or prospect.fuels
        shut = all(one.gate is not None for one in decides)
        return shut, sum(one.harm for one in decides), prospect.flow_m3_s

    return tuple(sorted(found, key=rank))


def open_time_share(session, engine: str, injector: str, fuel: str) -> float | None:
    """Share of the cycle for the middle of the band at the highest engine speed.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    engine, injector, fuel : str

    Returns
    -------
    float or None
        None where the highest engine speed is not known.
    """
    record, blend, band = session.engines[engine], blend_of(session.fuels[fuel]), band_of(session)
    if not record.highest_speed:
        return None
    air = air_mass_per_cycle_kg(
        displacement_m3=record.displacement_m3 / record.cylinders,
        air_density_kg_m3=AIR_DENSITY_KG_M3,
        volumetric_efficiency=record.breathing.value,
    )
    needed = fuel_mass_per_cycle_kg(
        air_mass_kg=air,
        lambda_=float(np.sqrt(band.lowest * band.highest)),
        stoichiometric_ratio=float(blend.stoichiometric_ratio),
    )
    flow = mass_flow_kg_s(flow_on_bike(session, injector), density_kg_m3=float(blend.density_kg_m3))
    dead_time = session.injectors[injector].dead_time.value
    return float(
        open_time_fraction(
            open_time_s(needed, mass_flow_kg_s=flow, dead_time_s=dead_time),
            engine_speed_rpm=record.highest_speed.value,
        )
    )


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
