"""Whether the gauge reads lambda 1 where the ECU demonstrably holds it: at idle and at cruise."""

import numpy as np

from tuninglib.analysis.readings import ladder_columns, weighed_readings
from tuninglib.analysis.records import GaugeCheck, GaugeDeviation
from tuninglib.statistics.flow_response import response_per_state
from tuninglib.statistics.gauge_check import offset_stated, offset_where_lambda_is_one
from tuninglib.statistics.gauge_readings import reading_midpoint

# Where narrowband control is at work, if it is at work anywhere.
STATES = ("idle", "cruise")
# Farther off lambda 1 than this, beyond what is stated of the gauge, something else than the gauge
# is suspected: a leak, a misfire, an altered sensor signal (common practice: about 3 %).
FARTHEST = 0.03


def check_gauge(session, air) -> GaugeCheck:
    """What the readings at idle and at cruise say of the gauge.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.

    Returns
    -------
    GaugeCheck

    Notes
    -----
    A state counts if lambda does not follow injector flow there, over two or more injectors or
    fuels. Its readings, all together, give the offset. Where those of a state or of a setup stand
    clearly off lambda 1 the offset is not applied: a leak that reads lean at idle reads less lean
    at full throttle, and taking it for the gauge's fault would make a lean engine look rich.
    """
    rows = weighed_readings(session, air, state=None)
    rows = rows[rows["state"].isin(STATES)]
    if rows.empty:
        return GaugeCheck("no readings", None, 0, (), None, ())
    states = _where_it_corrects(session, air, rows)
    rows = rows[rows["state"].isin(states)]
    if rows.empty:
        return GaugeCheck("unproven", None, 0, (), None, ())
    middles, spreads = reading_midpoint(
        rows["gauge_low"].to_numpy(),
        rows["gauge_high"].to_numpy(),
        resolution=session.gauge.resolution,
    )
    stated = offset_stated(session.gauge.accuracy)
    shown = np.log(middles / session.gauge.scale)
    deviations = _deviations(session, rows, shown - stated.log_mean)
    lean = tuple(one for one in deviations if one.off > FARTHEST)
    rich = tuple(one for one in deviations if one.off < -FARTHEST)
    offset = None
    if not (lean or rich):
        offset = offset_where_lambda_is_one(shown, spreads, stated=stated).ratio
    return GaugeCheck(
        code="lean" if lean else "rich" if rich else "applied",
        offset=offset,
        readings=len(rows),
        states=states,
        gauge=float(np.exp(shown.mean()) * session.gauge.scale),
        deviations=lean or rich,
    )


def _where_it_corrects(session, air, rows) -> tuple:
    """States in which the ECU holds lambda, over two or more injectors or fuels."""
    responses = response_per_state(
        **ladder_columns(session, air, rows), state=rows["state"].tolist()
    )
    found = []
    for one in responses:
        setups = [session.setups[name] for name in rows["setup"][rows["state"] == one.state]]
        several = max(len({s.injector for s in setups}), len({s.fuel for s in setups})) > 1
        if one.verdict == "corrects" and several:
            found.append(one.state)
    return tuple(state for state in STATES if state in found)


def _deviations(session, rows, log_off) -> tuple:
    """How far each state and each setup stands off lambda 1, the farthest first."""
    found = [
        GaugeDeviation(kind, name, float(np.expm1(log_off[(rows[kind] == name).to_numpy()].mean())))
        for kind, names in (("state", STATES), ("setup", session.setups))
        for name in names
        if (rows[kind] == name).any()
    ]
    return tuple(sorted(found, key=lambda one: -abs(one.off)))
