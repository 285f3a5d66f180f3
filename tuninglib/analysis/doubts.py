"""What the rest of a session speaks against: the gauge, readings, runs, setups.

The gauge is checked where the ECU demonstrably holds lambda 1, at idle and at cruise, or at part
throttle in a log. A row is held against what all the others say of it.
"""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from tuninglib.analysis.logs import mixture_by_bands
from tuninglib.analysis.mixture import flow_on_bike, ladder_columns, mean_readings, weighed_readings
from tuninglib.analysis.records import Doubt, GaugeCheck, GaugeDeviation, Ladder
from tuninglib.interval import Z_95
from tuninglib.physics.injector import metering_demand
from tuninglib.session.defaults import blend_of, ethanol_of
from tuninglib.session.load import Session
from tuninglib.statistics.flow_response import (
    offset_stated,
    offset_where_lambda_is_one,
    response_per_state,
)
from tuninglib.statistics.gain import GainFit
from tuninglib.statistics.gauge_readings import reading_midpoint
from tuninglib.statistics.population import BREATHING_SD, MIXTURE_SD
from tuninglib.statistics.repeats import NAMED, Weighed, t_quantile
from tuninglib.statistics.road_runs import Runs

if TYPE_CHECKING:
    from tuninglib.analysis.gain import Road


# The gauge, where the ECU holds lambda 1 ----------------------------------------------------------
# Where no such rows were written down, at part throttle of a log.

# Where narrowband control is at work, if it is at work anywhere.
STATES = ("idle", "cruise")
PART_THROTTLE, _WIDEST_THROTTLE = "part throttle", 0.4
# Farther off lambda 1 than this, beyond what is stated of the gauge, something else than the gauge
# is suspected: a leak, a misfire, an altered sensor signal (common practice: about 3 %).
FARTHEST = 0.03


def check_gauge(session: Session, air: pd.DataFrame) -> GaugeCheck:
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
    states = rows["state"].tolist()
    responses = response_per_state(*ladder_columns(session, air, rows), state=states)
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


# Readings, runs and setups ------------------------------------------------------------------------

# Standard deviations from which a setup's force is named: of five good ones, on three days in a
# hundred.
_UNLIKELY = 2.7
# Weight below which a run that is weaker than its siblings is named. A good run is rarely much too
# weak, and what makes one so (clutch, gear, throttle) can be looked for.
_WEAKER = 0.9
# Flows, or demands of fuels, nearer than this have no order to be in (ours).
_SAME = 0.01


def find_doubts(
    session: Session, rows: pd.DataFrame, road: "Road | None", ladder: Ladder | None
) -> tuple:
    """What the rider should look at again before the answer is believed.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.mixture.weighed_readings`.
    road : Road or None
    ladder : Ladder or None

    Returns
    -------
    tuple of Doubt
        Of readings, of speeds, of the order of setups.
    """
    return (*_of_readings(rows), *(road.doubts if road else ()), *_of_order(session, rows, ladder))


def _of_readings(rows) -> list:
    found = []
    for setup, own in rows.groupby("setup", sort=False):
        if own["disagree"].any():
            apart = float(np.expm1(np.ptp(own["log_middle"]))) if len(own) == 2 else None
            numbers, weight = tuple(own["run"].tolist()), float(own["weight"].max())
            found.append(Doubt("readings disagree", numbers, setup, weight=weight, off=apart))
    doubted = rows[(rows["trust"] < NAMED) & ~rows["disagree"]]
    for row in doubted.itertuples():
        off = float(np.expm1(row.off))
        found.append(Doubt("reading", (row.run,), row.setup, weight=float(row.weight), off=off))
    # One remark for one reading.
    wide = rows[rows["wide"]].drop(doubted.index, errors="ignore")
    for setup, own in wide.groupby("setup", sort=False):
        weight = float(own["weight"].max())
        found.append(Doubt("wide spread", tuple(own["run"].tolist()), setup, weight=weight))
    return found


def doubts_of_the_stated(fit: GainFit, reference: str) -> tuple:
    """Stated values that all runs together contradict.

    Parameters
    ----------
    fit : tuninglib.statistics.gain.GainFit
    reference : str
    """
    return tuple(
        Doubt("stated", (), reference, off=abs(one.mean) / Z_95, what=one.name)
        for one in fit.contradicted
    )


def doubts_of_gains(
    fit: GainFit, setups: list, displacements_m3: list, engines: list, numbers: dict
) -> tuple:
    """The setup whose force is far from what the others and their engines' size let expect.

    Parameters
    ----------
    fit : tuninglib.statistics.gain.GainFit
    setups : list of str
        As they are numbered in the fit.
    displacements_m3 : list of float
        Of each setup's engine. [m3]
    engines : list of str
        Name of each setup's engine.
    numbers : dict of str to list
        Numbers of each setup's runs.

    Notes
    -----
    Beforehand the force goes with displacement, each engine's breathing and each injector's
    mixture aside. The others' forces then tell what is to be expected of one, as the other runs do
    of a run: (P r)_i / P_ii, with P the inverse of the covariance but for a common level. This
    needs no repeats. A gain itself is never drawn towards what displacement lets expect.
    """
    if len(setups) < 2:
        return ()
    alike = np.array(engines)[:, None] == np.array(engines)
    covariance = fit.covariance + alike * BREATHING_SD**2 / 2 + np.eye(len(setups)) * MIXTURE_SD**2
    inverse = np.linalg.inv(covariance)
    level = inverse.sum(1)
    p = inverse - np.outer(level, level) / level.sum()
    scaled = p @ (fit.log_force - np.log(displacements_m3))
    far = scaled / np.sqrt(np.diag(p))
    # Of two, each is as far from the other, and the reference is the one that was not changed.
    worst = 1 if len(setups) == 2 else int(np.argmax(np.abs(far)))
    if abs(far[worst]) < _UNLIKELY:
        return ()
    off = float(np.expm1(scaled[worst] / p[worst, worst]))
    return (Doubt("gain", tuple(numbers[setups[worst]]), setups[worst], off=off),)


def doubts_of_speeds(rows: pd.DataFrame, runs: Runs, weighed: Weighed, weight: np.ndarray) -> tuple:
    """Runs whose speeds are far from what the other runs say, in the order ridden.

    Parameters
    ----------
    rows : pandas.DataFrame
        One for each run.
    runs : tuninglib.statistics.road_runs.Runs
    weighed : tuninglib.statistics.repeats.Weighed
        Of the ways up, then of the ways down.
    weight : array
        Of each run.
    """
    numbers, names = rows["run"].tolist(), rows["setup"].tolist()
    found, disagreeing = [], {}
    back = np.full(len(numbers), 1.0)
    back[runs.has_way_down] = weighed.weight[len(numbers) :]
    for at, (number, name) in enumerate(zip(numbers, names, strict=True)):
        counts = float(weight[at])
        if weighed.disagree[at]:
            disagreeing.setdefault(name, []).append(at)
        elif weighed.weight[at] < (_WEAKER if weighed.off[at] < 0 else NAMED):
            off = float(np.expm1(weighed.off[at]))
            found.append(Doubt("run", (number,), name, weight=counts, off=off))
        elif back[at] < NAMED:
            found.append(Doubt("way down", (number,), name, weight=counts))
    for name, own in disagreeing.items():
        # Of two, each is as far from the other.
        off = float(np.expm1(abs(weighed.off[own[0]]))) if len(own) == 2 else None
        ran = tuple(numbers[at] for at in own)
        counts = float(weight[own].max())
        found.append(Doubt("runs disagree", ran, name, weight=counts, off=off))
    return tuple(found)


def _of_order(session, rows, ladder) -> list:
    """Pairs of setups that go the wrong way: more flow that reads leaner, more ethanol richer.

    An injector that is named as off its stated flow, and a controller that corrects at full
    throttle, explain it already.
    """
    if ladder is None or rows.empty:
        return []
    if any(one.state == "full" and one.verdict == "corrects" for one in ladder.responses):
        return []
    suspected = {one.injector for one in ladder.suspicions}
    means, found = mean_readings(session, rows), []
    for name in means:
        for other in means:
            one, two = session.setups[name], session.setups[other]
            if one.engine != two.engine or {one.injector, two.injector} & suspected:
                continue
            change = means[name].mean - means[other].mean
            error = np.sqrt(means[name].variance + means[other].variance)
            noise = error * t_quantile(0.975, max(means[name].dof, 1))
            doubt = None
            if one.fuel == two.fuel and one.injector != two.injector:
                more = np.log(flow_on_bike(session, one.injector))
                more -= np.log(flow_on_bike(session, two.injector))
                if more > _SAME and change > noise:
                    doubt = "flow direction"
            elif one.injector == two.injector and one.fuel != two.fuel:
                shift = _demand(session, two.fuel) - _demand(session, one.fuel)
                if shift > _SAME and change < 0 and shift - change > noise:
                    doubt = "fuel direction"
            if doubt:
                size = abs(change) / error
                found.append((size, Doubt(doubt, (), name, other, off=float(np.expm1(change)))))
    return _worst_first(found)


def _demand(session, fuel) -> float:
    """Logarithm of the air that a volume of a fuel asks for; NaN where its ethanol is not known."""
    record = session.fuels[fuel]
    if ethanol_of(record).source != "stated":
        return np.nan
    blend = blend_of(record)
    return float(np.log(metering_demand(blend.stoichiometric_ratio, blend.density_kg_m3)))


def _worst_first(found) -> list:
    """The clearest pairs, each setup at most once: one that is off is off against several."""
    named, kept = set(), []
    for _, doubt in sorted(found, key=lambda pair: -pair[0]):
        if not named & {doubt.setup, doubt.other}:
            kept.append(doubt)
            named |= {doubt.setup, doubt.other}
    return kept
