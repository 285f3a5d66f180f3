"""Readings, runs and setups that the rest of the session speaks against."""

import numpy as np

from tuninglib.analysis.mixture import mean_readings
from tuninglib.analysis.readings import flow_on_bike
from tuninglib.analysis.records import Doubt
from tuninglib.interval import Z_95
from tuninglib.physics.injector import metering_demand
from tuninglib.session.defaults import blend_of, ethanol_of
from tuninglib.statistics.repeats import t_quantile
from tuninglib.statistics.robust import NAMED

# Flows, or demands of fuels, nearer than this have no order to be in (ours).
_SAME = 0.01


def find_doubts(session, rows, road, ladder) -> tuple:
    """What the rider should look at again before the answer is believed.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.readings.weighed_readings`.
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


def doubts_of_the_stated(fit, reference) -> tuple:
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


def doubts_of_speeds(rows, runs, weighed, weight) -> tuple:
    """Runs whose speeds are far from what the other runs say, in the order ridden.

    Parameters
    ----------
    rows : pandas.DataFrame
        One for each run.
    runs : tuninglib.statistics.road_runs.Runs
    weighed : tuninglib.statistics.robust.Weighed
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
        elif weighed.weight[at] < NAMED:
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
