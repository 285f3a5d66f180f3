"""What disagrees with the rest of a session: the gauge, readings, runs, setups.

The gauge is checked where the ECU demonstrably holds lambda 1, at idle and at cruise, or at part
throttle in a log. A row is held against what all the others say of it.
"""

import numpy as np
import pandas as pd

from tuninglib.analysis.logs import mixture_by_bands
from tuninglib.analysis.mixture import (
    flow_on_bike,
    fuel_terms,
    mean_readings,
    tolerance_sd,
    weighed_readings,
)
from tuninglib.analysis.records import Doubt, GaugeCheck, GaugeDeviation, HeldState, Ladder
from tuninglib.interval import Z_95
from tuninglib.physics.injector import metering_demand
from tuninglib.session.defaults import blend_of, ethanol_of
from tuninglib.session.read_table import NOTED
from tuninglib.session.records import Session
from tuninglib.statistics.flow_response import SteadyReadings, offset_stated, weigh_control
from tuninglib.statistics.gain import GainFit
from tuninglib.statistics.ladder import Parts, Priors
from tuninglib.statistics.population import BREATHING_SD, MIXTURE_SD
from tuninglib.statistics.repeats import NAMED, Weighed, t_quantile
from tuninglib.statistics.road_runs import Runs

# Whether the ECU holds lambda 1 at idle and cruise, and what that makes of the gauge --------------
# Where no such rows were written down, at part throttle of a log.

# Where narrowband control is at work, if it is at work anywhere.
STATES = ("idle", "cruise")
PART_THROTTLE, _WIDEST_THROTTLE = "part throttle", 0.4
# The chance beforehand that the ECU holds lambda 1 there, by what the rider says of an oxygen
# sensor (common practice).
_BEFOREHAND = {"yes": 0.9, "unknown": 0.5, "no": 0.02}


def check_gauge(session: Session, air: pd.DataFrame) -> GaugeCheck:
    """What the readings at idle and at cruise say of the ECU and of the gauge.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.

    Returns
    -------
    GaugeCheck

    Notes
    -----
    Where the ECU holds lambda 1 by its oxygen sensor, the gauge has to show it. Whether it does so
    has a probability, of :func:`tuninglib.statistics.flow_response.weigh_control`, and that is the
    weight of these readings in the gauge's offset. A gauge stands off lambda 1 as well where air
    leaks into the exhaust ahead of it, or where the ECU holds something else: that, too, has a
    probability, and takes from the weight.

    Without such rows the settled means of a log up to 40 % of throttle are taken for readings, one
    a setup and band of throttle.
    """
    found = _of_rows(session, air)
    return found if found.offset is not None else _of_log(session)


def _of_rows(session, air) -> GaugeCheck:
    """By the readings that were written down at idle and at cruise."""
    rows = weighed_readings(session, air, state=None)
    rows = rows[rows["state"].isin(STATES)]
    shown = rows["log_middle"].to_numpy() - np.log(session.gauge.scale or 1.0)
    return _weighed(
        session,
        setups=rows["setup"].tolist(),
        places=[(state, None) for state in rows["state"]],
        shown=shown,
        spreads=rows["own_sd"].to_numpy(),
    )


def _of_log(session) -> GaugeCheck:
    """By the means of a log at part throttle."""
    bands = [
        one
        for one in mixture_by_bands(session)
        if one.by == "throttle" and one.high <= _WIDEST_THROTTLE and one.lambda_ is not None
    ]
    bias = offset_stated(session.gauge.accuracy).log_mean
    return _weighed(
        session,
        setups=[one.setup for one in bands],
        places=[(PART_THROTTLE, (one.low, one.high)) for one in bands],
        shown=np.array([np.log(one.lambda_.value) + bias for one in bands]),
        spreads=np.array([one.lambda_.half_width / one.lambda_.value / Z_95 for one in bands]),
    )


def _weighed(session, *, setups, places, shown, spreads) -> GaugeCheck:
    """What logarithms of readings over the scale say of the ECU and of the gauge."""
    if not setups:
        return GaugeCheck("no readings", None, 0, (), None, 0.0, ())
    stated = offset_stated(session.gauge.accuracy)
    records = [session.setups[name] for name in setups]
    # The table is taken to be written for the reference.
    reference = session.setups[session.about.reference]
    fuels = {one.fuel: fuel_terms(session, one.fuel) for one in (reference, *records)}
    offered = np.array([_offered(session, one, fuels) for one in (reference, *records)])
    readings = SteadyReadings(
        state=[str(place) for place in places],
        log_lambda=shown,
        relative_sd=spreads,
        log_fuel=offered[1:, 0] - offered[0, 0],
        log_size=offered[1:, 1] - offered[0, 1],
        setup=setups,
        injector=[one.injector for one in records],
        engine=[one.engine for one in records],
        fuel=[one.fuel for one in records],
    )
    parts = Parts(
        displacement={name: one.displacement_m3 for name, one in session.engines.items()},
        tolerance={one.injector: tolerance_sd(session, one.injector) for one in records},
        fuel_sd={name: one.sd for name, one in fuels.items()},
        priors=Priors(breathing_sd=session.assumptions.breathing_change.sd),
    )
    chance = _BEFOREHAND[session.bike.oxygen_sensor]
    found = weigh_control(readings, parts=parts, stated=stated, chance=chance)
    states = []
    for place in sorted(set(places), key=lambda one: ((*STATES, PART_THROTTLE).index(one[0]), one)):
        own = [one for one, at in zip(records, places, strict=True) if at == place]
        flows = [flow_on_bike(session, one.injector) for one in own]
        states.append(
            HeldState(
                state=place[0],
                throttle=place[1],
                chance=found.held[str(place)],
                readings=len(own),
                injectors=len({one.injector for one in own}),
                flow_ratio=max(flows) / min(flows),
            )
        )
    off = shown - stated.log_mean
    elsewhere = found.elsewhere + sum(found.odd.values())
    deviations = ()
    if elsewhere > 0.5 and max(one.chance for one in states) > 0.5:
        deviations = _deviations(found, setups, places, off)
    return GaugeCheck(
        code=("lean" if deviations[0].off > 0 else "rich") if deviations else "applied",
        offset=found.offset,
        readings=len(setups),
        states=tuple(states),
        gauge=float(np.exp(shown.mean()) * session.gauge.scale),
        elsewhere=elsewhere,
        deviations=deviations,
    )


def _offered(session, setup, fuels) -> tuple:
    """Logarithms of the fuel of a pulse, by what it asks for, and of displacement."""
    terms = fuels[setup.fuel]
    asked = metering_demand(terms.stoichiometric_ratio, terms.density_kg_m3)
    size = float(session.engines[setup.engine].displacement_m3)
    return np.log(flow_on_bike(session, setup.injector) * asked), np.log(size)


def _deviations(found, setups, places, log_off) -> tuple:
    """How far the states stand off lambda 1, or the one setup that does, the farthest first."""
    odd = max(found.odd, key=found.odd.get)
    if found.odd[odd] > found.elsewhere:
        kind, of_reading, names = "setup", setups, [odd]
    else:
        kind, of_reading = "state", [place[0] for place in places]
        names = dict.fromkeys(of_reading)
    means = [(name, log_off[[one == name for one in of_reading]].mean()) for name in names]
    means.sort(key=lambda one: -abs(one[1]))
    return tuple(GaugeDeviation(kind, name, float(np.expm1(off))) for name, off in means)


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
    session: Session, rows: pd.DataFrame, of_speeds: tuple[Doubt, ...], ladder: Ladder | None
) -> tuple:
    """What the rider should look at again before the answer is believed.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.mixture.weighed_readings`.
    of_speeds : tuple of Doubt
        What speaks against the road tests.
    ladder : Ladder or None

    Returns
    -------
    tuple of Doubt
        Of readings, of speeds, of the order of setups.
    """
    return (
        *_of_notes(session),
        *_of_readings(rows),
        *_of_the_day(rows),
        *of_speeds,
        *_of_order(session, rows, ladder),
    )


def _of_notes(session) -> list:
    noted = session.runs[session.runs["knock"] == NOTED]
    return [Doubt("note", (row.run,), row.setup) for row in noted.itertuples()]


# A change from the first run to the last that is spoken of, in standard errors and in lambda.
_SURE_TREND, _LARGE_TREND = 3.0, 0.03


def _of_the_day(rows) -> list:
    """Readings that all move one way over the day: warming, fuel or a sensor that drifts."""
    own = rows[rows["trust"] >= NAMED]
    counts = own.groupby("setup")["run"].transform("count")
    own = own[counts >= 2]
    groups = own.groupby("setup")
    free = len(own) - groups.ngroups - 1
    if free < 3:
        return []
    # Within setups, so that what they differ by does not count.
    place = own["run"].rank().to_numpy() / len(own)
    x = place - pd.Series(place, own.index).groupby(own["setup"]).transform("mean").to_numpy()
    y = own["log_middle"] - groups["log_middle"].transform("mean")
    squares = float(x @ x)
    if squares < 1e-9:
        return []
    slope = float(x @ y / squares)
    error = float(np.sqrt(((y - slope * x) ** 2).sum() / free / squares))
    if abs(slope) < max(_SURE_TREND * error, _LARGE_TREND):
        return []
    numbers = tuple(own["run"].tolist())
    return [Doubt("trend", (numbers[0], numbers[-1]), "", off=float(np.expm1(slope)))]


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
    """The setup whose force is far from what the others and the engine sizes suggest.

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
