"""Whether the gauge reads lambda 1 where the ECU demonstrably holds it: at idle and at cruise.

Where no such rows were written down, at part throttle of a log.
"""

import numpy as np
import pandas as pd

from tuninglib.analysis.log_mixture import mixture_by_bands
from tuninglib.analysis.readings import ladder_columns, weighed_readings
from tuninglib.analysis.records import GaugeCheck, GaugeDeviation
from tuninglib.interval import Z_95
from tuninglib.statistics.flow_response import response_per_state
from tuninglib.statistics.gauge_check import offset_stated, offset_where_lambda_is_one
from tuninglib.statistics.gauge_readings import reading_midpoint

# Where narrowband control is at work, if it is at work anywhere.
STATES = ("idle", "cruise")
PART_THROTTLE, _WIDEST_THROTTLE = "part throttle", 0.4
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

    Where no rows tell, the settled means of a log up to 40 % of throttle are taken for readings,
    one a setup and band, in the bands in which lambda stays with another injector.
    """
    found = _of_rows(session, air)
    return found if found.states else _of_log(session) or found


def _of_rows(session, air) -> GaugeCheck:
    """By the readings that were written down at idle and at cruise."""
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
    return _checked(session, rows, np.log(middles / session.gauge.scale), spreads, states)


def _of_log(session) -> GaugeCheck | None:
    """By the means of a log at part throttle, where lambda stays with another injector."""
    bands, followings = mixture_by_bands(session)
    moves = {one.low for one in followings if one.place == "follows"}
    stays = {
        (name, one.low)
        for one in followings
        if one.place == "stays" and one.high <= _WIDEST_THROTTLE and one.low not in moves
        for name in (session.about.reference, one.setup)
    }
    held = [one for one in bands if one.by == "throttle" and (one.setup, one.low) in stays]
    if not held:
        return None
    rows = pd.DataFrame({"setup": [one.setup for one in held], "state": PART_THROTTLE})
    stated = offset_stated(session.gauge.accuracy)
    shown = np.log([one.lambda_.value for one in held]) + stated.log_mean
    spreads = np.array([one.lambda_.half_width / one.lambda_.value for one in held]) / Z_95
    return _checked(session, rows, shown, spreads, (PART_THROTTLE,))


def _checked(session, rows, shown, spreads, states) -> GaugeCheck:
    """What logarithms of readings over the scale, where lambda is held at 1, say of the gauge."""
    stated = offset_stated(session.gauge.accuracy)
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
        for kind, names in (("state", (*STATES, PART_THROTTLE)), ("setup", session.setups))
        for name in names
        if (rows[kind] == name).any()
    ]
    return tuple(sorted(found, key=lambda one: -abs(one.off)))
