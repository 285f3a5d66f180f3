"""A test day: in which order to ride, how often and how long, and whether to go on.

Before it is ridden: setups from rich to lean, the least number of repeats, the time that changes
of parts take. While it is ridden: what the rows so far say.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from tuninglib.analysis.analyse import Results, analyse
from tuninglib.analysis.combinations import StopLimits, no_safer, richer, stop_limits
from tuninglib.analysis.mixture import flow_on_bike
from tuninglib.analysis.records import Combination, Knock
from tuninglib.rounding import percent
from tuninglib.session.defaults import blend_of
from tuninglib.session.load import load_session
from tuninglib.session.read_table import KNOCKED, RUNS
from tuninglib.session.read_toml import tables_as_typed, what_stands
from tuninglib.session.records import Session
from tuninglib.session.schema import Assumptions, marked
from tuninglib.session.tables import read_runs
from tuninglib.statistics.planning import (
    RunOrder,
    half_width_across_days,
    repeats_needed,
    run_order,
    run_order_in_blocks,
    smallest_visible_gain,
)
from tuninglib.statistics.season import OWN_SHARE
from tuninglib.text_files import SessionError

# From rich to lean --------------------------------------------------------------------------------
# The richest is ridden first, and a leaner one only after the richer one was quiet: so no setup
# is ridden at full throttle of which a richer one had knocked.


@dataclass(frozen=True, kw_only=True)
class Richness:
    """How rich setups run against each other on the same engine.

    Attributes
    ----------
    engine : dict of str to str
        Setup to its engine.
    air_kg_s : dict of str to float
        Setup to the air that its injector's flow of its fuel burns at lambda 1, while open: flow
        times density times stoichiometric ratio. The more, the richer. [kg/s]
    lambda_ : dict of str to float
        Setup to what the gauge read of it.
    reference : str or None
        Ridden first, its mixture being known and passing every gate; None: nothing is put first.
    home : str or None
        Engine of the reference, whether or not it was ridden.
    """

    engine: dict = field(default_factory=dict)
    air_kg_s: dict = field(default_factory=dict)
    lambda_: dict = field(default_factory=dict)
    reference: str | None = None
    home: str | None = None


@dataclass(frozen=True, kw_only=True)
class FirstPass:
    """Order in which setups are ridden for the first time.

    Attributes
    ----------
    setups : tuple of str
    source : str
        ``"gauge"`` (as read), ``"flow"`` (injector flow and fuel) or ``"given"`` (as named,
        because it is not known which is richer).
    unknown : tuple of str
        Setups whose engine, injector flow or fuel is not known.
    reference_first : bool
        Whether the reference goes first because its mixture is known.
    """

    setups: tuple
    source: str
    unknown: tuple = ()
    reference_first: bool = False


def richness_of(known: Session | SimpleNamespace, results: Results | None = None) -> Richness:
    """Richness of a session's setups.

    Parameters
    ----------
    known : tuninglib.session.records.Session, or what stands of one
        See :func:`tuninglib.session.read_toml.what_stands`.
    results : Results, optional
        Of the same session, where something was ridden.
    """
    setups = {name: setup for name, setup in known.setups.items() if setup is not None}
    home = setups.get(known.about.reference) if known.about is not None else None
    read, reference = {}, None
    for one in results.combinations if results else ():
        if one.setup is not None and one.source == "read":
            read[one.setup] = one.lambda_.value
            if one.setup == known.about.reference and one.gate is None:
                reference = one.setup
    return Richness(
        engine={name: setup.engine for name, setup in setups.items()},
        air_kg_s={
            name: _air_kg_s(known, setup)
            for name, setup in setups.items()
            if known.bike and known.injectors.get(setup.injector) and known.fuels.get(setup.fuel)
        },
        lambda_=read,
        reference=reference,
        home=home.engine if home is not None else None,
    )


def _air_kg_s(known, setup) -> float:
    blend = blend_of(known.fuels[setup.fuel])
    flow = flow_on_bike(known, setup.injector)
    return float(flow * blend.density_kg_m3 * blend.stoichiometric_ratio)


def rich_to_lean(setups: Sequence[str], richness: Richness) -> FirstPass:
    """Setups in the order in which each is to be ridden for the first time.

    Parameters
    ----------
    setups : sequence of str
    richness : Richness

    Returns
    -------
    FirstPass

    Notes
    -----
    The reference goes first if its mixture is known. Then engine by engine, that of the reference
    first, so that engines are changed as seldom as setups are; on each from rich to lean. What the
    gauge read goes before what injectors are stated with, if every setup was read. Setups that are
    alike keep the order in which they were named, and so do all if one of them is not known.

    Examples
    --------
    >>> known = Richness(engine={"a": "big", "b": "big"}, air_kg_s={"a": 0.02, "b": 0.03})
    >>> rich_to_lean(["a", "b"], known).setups
    ('b', 'a')
    """
    setups = tuple(setups)
    unknown = tuple(name for name in setups if name not in richness.air_kg_s)
    if unknown:
        return FirstPass(setups=setups, source="given", unknown=unknown)
    read = all(name in richness.lambda_ for name in setups)
    engines = [richness.home, *(richness.engine[name] for name in setups)]

    def place(name):
        leanness = richness.lambda_[name] if read else -richness.air_kg_s[name]
        return name != richness.reference, engines.index(richness.engine[name]), leanness

    return FirstPass(
        setups=tuple(sorted(setups, key=place)),
        source="gauge" if read else "flow",
        reference_first=richness.reference in setups,
    )


# While it is ridden -------------------------------------------------------------------------------
# From the same plan as the report, so that the form at the roadside and the page cannot disagree.
# Knock, a lean reading and a hot head are seen in the row alone, whether or not the session is
# complete and whether or not the row counts.

# A look at the rows before all are ridden may decide only at this p (Haybittle-Peto): whoever
# looks after every run and stops at the first p below 5 % is fooled far more often than that.
SURE_EARLY = 0.001


@dataclass(frozen=True, kw_only=True)
class Interim:
    """What is to be done after the row that was added last.

    Attributes
    ----------
    code : str
        ``"stop"``, ``"go on"``, ``"decided"``, ``"ridden"`` (all that was planned, and it is not
        decided), or ``"unknown"`` (the session is not complete).
    why : str
        Of a stop: ``"knock"``, ``"lean"``, ``"heat"``, or ``"closed"`` (a gate shuts the setup that
        was ridden).
    run : float
    setup : str
        Of that row.
    shut : tuple of str
        Other setups that must not be ridden for the same reason.
    knock : Knock or None
    low, high : float or None
        Steady range that was too lean, on the gauge's own scale.
    head_k : float or None
        Head temperature that was too high. [K]
    combination : Combination or None
        With the gate that shuts it, of a stop because it is closed.
    to_ride : tuple of (str, int)
        Setups with the runs that each still needs, in the order in which to ride them.
    closed : tuple of (str, Combination)
        Setups that must not be ridden again, with what is known of each; not of a stop.
    limits : StopLimits
    problems : tuple
        What keeps the session from being complete.
    """

    code: str
    why: str = ""
    run: float
    setup: str
    shut: tuple = ()
    knock: Knock | None = None
    low: float | None = None
    high: float | None = None
    head_k: float | None = None
    combination: Combination | None = None
    to_ride: tuple = ()
    closed: tuple = ()
    limits: StopLimits
    problems: tuple = ()


def interim(results: Results, last_run: float, *, planned: int) -> Interim:
    """What the rows so far say, after the row that was added last.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    last_run : float
        Its number.
    planned : int
        Runs of each setup that were to be ridden.

    Returns
    -------
    Interim
    """
    row = next(run for run in results.runs if run.run == last_run)
    limits = stop_limits(results.judged)
    about = {"run": row.run, "setup": row.setup, "limits": limits}
    found = _stop(results, row, limits)
    if found is not None:
        return Interim(code="stop", **found, **about)
    closed, plan = closed_setups(results), results.plan
    about["closed"] = tuple(closed.items())
    left = _left(results, closed, planned)
    settled = plan.strength == "decided" and plan.next.code != "ride again"
    if settled and not any(_could_change(results, name) for name, _ in left):
        return Interim(code="decided", **about)
    if not left and plan.next.code == "ride again" and plan.next.runs:
        left = tuple((name, plan.next.runs) for name in plan.next.setups)
    return Interim(code="go on" if left else "ridden", to_ride=left, **about)


def interim_of_folder(folder: Path | str, *, planned: int) -> tuple:
    """Results of a session's folder, and what its rows say after the last one.

    Parameters
    ----------
    folder : path
    planned : int
        Runs of each setup that were to be ridden.

    Returns
    -------
    results : Results or None
        None while the session is not complete.
    interim : Interim
    """
    try:
        results = analyse(load_session(folder))
    except SessionError as error:
        return None, _row_alone(folder, error.problems)
    return results, interim(results, results.runs[-1].run, planned=planned)


def combination_of(results: Results, setup: str) -> Combination:
    """What is known of a setup, ridden or not.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    setup : str
    """
    parts = results.session.setups[setup]
    own = (parts.engine, parts.injector, parts.fuel)
    # Ridden under this name; else not ridden at all; else ridden under another name.
    return min(
        (one for one in results.combinations if (one.engine, one.injector, one.fuel) == own),
        key=lambda one: (one.setup != setup, one.setup is not None),
    )


def closed_setups(results: Results) -> dict:
    """Setups that must not be ridden again as they are, each with what is known of it.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    dict of str to Combination

    Notes
    -----
    Those that a gate shuts, except that one with some odds of being lean may be ridden in a test
    as long as its likeliest mixture is inside the band: what ends its run is the gauge.
    """
    return {name: one for name, one, tested in _gated(results) if not tested}


def watched_setups(results: Results) -> tuple[str, ...]:
    """Setups that may be tested with an eye on the gauge, but are not to be ridden.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    return tuple(name for name, _, tested in _gated(results) if tested)


def _gated(results):
    """Setups that a gate shuts, each with what is known of it and whether it may be tested."""
    for name in results.session.setups:
        one = combination_of(results, name)
        if one.gate is not None:
            lean = one.gate.code in ("lean", "air") and one.lambda_ is not None
            yield name, one, lean and one.lambda_.value <= results.band.highest


def _stop(results, row, limits) -> dict | None:
    """Why to stop after a row; None: there is no reason."""
    last = combination_of(results, row.setup)
    ended = ended_with(row.setup, results.session.setups, Richness(), results)
    if row.knocked or last.knocks:
        heard = Knock(row.setup, row.run, row.knock) if row.knocked else last.knocks[-1]
        # And what is shut because the mixture does not explain its engine's knock.
        shut = {*ended["knock"]} | {
            name
            for name, one, _ in _gated(results)
            if one.gate.code == "knock unexplained" and one.engine == last.engine
        }
        names = (name for name in results.session.setups if name in shut - {row.setup})
        return {"why": "knock", "knock": heard, "shut": tuple(names)}
    found = _stop_of_row(row.state, row.gauge_low, row.gauge_high, row.head_temperature_k, limits)
    if found is not None and found["why"] == "lean":
        found["shut"] = ended["lean"]
    closed = closed_setups(results)
    if found is None and row.state == "full" and row.setup in closed:
        found = {"why": "closed", "combination": closed[row.setup]}
    return found


def ended_with(
    setup: str, setups: Sequence[str], richness: Richness, results: Results | None = None
) -> dict:
    """Other setups that are not ridden again once one of them knocked, or read too lean.

    Parameters
    ----------
    setup : str
    setups : sequence of str
        Those that are planned.
    richness : tuninglib.analysis.day_plan.Richness
    results : Results, optional
        Of the session, where it is complete.

    Returns
    -------
    dict of str to tuple of str
        Under ``"knock"`` and ``"lean"``. What is not known of a setup counts against it.
    """
    others = [name for name in setups if name != setup]
    if results is not None and {setup, *others} <= set(results.session.setups):
        last = combination_of(results, setup)
        known = [(name, combination_of(results, name)) for name in others]
        knock = [name for name, one in known if no_safer(one, last)]
        alike = [(name, one) for name, one in known if one.engine == last.engine]
        lean = [name for name, one in alike if not richer(one, last)]
    else:
        engine, air = richness.engine.get(setup), richness.air_kg_s
        same = [name for name in others if engine in (None, richness.engine.get(name, engine))]
        least = air.get(setup, math.inf)
        knock = lean = [name for name in same if not air.get(name, 0.0) > least]
    return {"knock": tuple(knock), "lean": tuple(lean)}


def _stop_of_row(state, low, high, head_k, limits) -> dict | None:
    """What a row alone says against going on, knock aside."""
    if state == "full" and low is not None and high is not None and limits.too_lean(low, high):
        return {"why": "lean", "low": low, "high": high}
    if head_k is not None and limits.too_hot(head_k):
        return {"why": "heat", "head_k": head_k}
    return None


def _left(results, closed, planned: int) -> tuple:
    """Setups that may be ridden, with the runs that each still lacks, the richest first."""
    names = tuple(name for name in results.session.setups if name not in closed)
    ridden = Counter(run.setup for run in results.runs if run.state == "full" and run.counts)
    order = rich_to_lean(names, richness_of(results.session, results)).setups
    return tuple((name, planned - ridden[name]) for name in order if planned > ridden[name])


def _could_change(results, setup: str) -> bool:
    """Whether more runs of a setup could still change what to ride."""
    plan = results.plan
    ride, reference = plan.ride.setup, results.reference
    timed = {pull.setup for pull in results.pulls}
    if setup not in timed or (plan.equals and setup in (ride, *plan.equals)):
        return True
    if setup == reference == ride:
        return False
    against = reference if setup == ride else ride
    pair = next(p for p in results.road.pairs if {p.setup, p.over} == {setup, against})
    return pair.p_value > SURE_EARLY


def _row_alone(folder, problems) -> Interim:
    """What the last row says where the session as a whole cannot be read yet."""
    row = read_runs(Path(folder) / RUNS, {}, []).iloc[-1]
    limits, setup = stop_limits(what_stands(folder)), row["setup"]
    names = ("run", "gauge_low", "gauge_high", "head_temperature_k")
    run, low, high, head_k = (None if math.isnan(row[n]) else float(row[n]) for n in names)
    found = _stop_of_row(row["state"], low, high, head_k, limits) or {}
    if row["knock"] in KNOCKED:
        found = {"why": "knock", "knock": Knock(setup, run, row["knock"])}
    code = "stop" if found else "unknown"
    return Interim(code=code, run=run, setup=setup, limits=limits, problems=problems, **found)


# A speed so many times that of the middle run is asked about: no part moves the speed at a marker
# so far, but the other unit does, and a slip of the key.
FAR_SPEED = 1.25
# From so many other runs on.
OTHERS_TO_COMPARE = 2


def far_from(speed: float, others: Sequence[float]) -> float | None:
    """The middle of other runs' speeds, if one is far from it; None: it is near, or they are few.

    Parameters
    ----------
    speed : float
        At the start line, or at the marker.
    others : sequence of float
        At the same line, in the same unit.

    Examples
    --------
    >>> far_from(56.0, [38.0, 39.0, 38.0]), far_from(41.0, [38.0, 39.0])
    (38.0, None)
    """
    if len(others) < OTHERS_TO_COMPARE:
        return None
    middle = float(np.median(others))
    return None if middle / FAR_SPEED <= speed <= middle * FAR_SPEED else middle


# Before it is ridden ------------------------------------------------------------------------------

MOST_RUNS = 120
# The gain that a plan starts with: less is seldom worth the parts.
USUAL_GAIN = 0.10
# Runs of one and the same setup on two days that a plan speaks of.
COMMON_RUNS = (0, 2, 4)
# Those of a new session.
_NEW_SETUPS = ("before", "after")
_KINDS = ("engine", "injector", "fuel")


@dataclass(frozen=True, kw_only=True)
class SwapTimes:
    """What one change of each kind takes, the warm-up after it included. [min]

    Attributes
    ----------
    fuel, injector, engine : float
        An engine is changed by its cylinder, head or cam; running in is not counted.
    """

    fuel: float
    injector: float
    engine: float


# What a run takes until the bike is back at the start, and each kind of change. [min]
USUAL_RUN_MIN, USUAL_SWAP = 6, SwapTimes(fuel=15, injector=30, engine=180)


@dataclass(frozen=True, kw_only=True)
class Day:
    """A planned test day.

    Attributes
    ----------
    repeats : int
        Runs of each setup.
    order : RunOrder
    first_pass : FirstPass
        Why the setups come in this order.
    visible : float
        Gain that it shows four times out of five.
    visible_with_one_less : float or None
    minutes : float
    changes : dict of str to int
        How often ``"engine"``, ``"injector"`` and ``"fuel"`` are changed between runs.
    in_blocks : bool
        Whether the runs of each engine stand in one block.
    across_days : dict of int to float
        Half-width of a gain over a setup of another such day, by how many runs of one and the same
        setup both days have.
    """

    repeats: int
    order: RunOrder
    first_pass: FirstPass
    visible: float
    visible_with_one_less: float | None
    minutes: float
    changes: dict
    in_blocks: bool
    across_days: dict


@dataclass(frozen=True, kw_only=True)
class PlanStart:
    """Where the sliders of the plan start, and why.

    Attributes
    ----------
    title, system : str
    setups, riders : tuple of str
    fuels : dict of str to str
        Setup to fuel.
    parts : dict of str to dict
        Setup to its engine, injector and fuel, of those that are known.
    scatter : float
        From run to run, as a ratio.
    day_sd : float
        What a day is taken to do to the force of all setups alike, as a ratio.
    source : str
        Where the scatter comes from: ``"assumed"``, or the session's ``"repeats"``.
    closed : dict of str to Combination
        Setups that must not be ridden again, each with its gate; they are left out.
    watched : tuple of str
        Setups that may be tested with an eye on the gauge, but are not to be ridden.
    richness : Richness
    limits : StopLimits
    results : Results or None
        None of a session that is not complete.
    """

    title: str
    system: str
    setups: tuple
    riders: tuple
    fuels: dict
    parts: dict
    scatter: float
    day_sd: float
    source: str
    closed: dict
    watched: tuple[str, ...]
    richness: Richness
    limits: StopLimits
    results: Results | None


def start_of(session_folder: Path | str) -> PlanStart:
    """Names from a session that need not be complete, and the scatter of one that is.

    Parameters
    ----------
    session_folder : path

    Raises
    ------
    SessionError
        If there is no session.toml that can be read.
    """
    folder = Path(session_folder)
    tables = tables_as_typed(folder)
    about, setups = tables["session"], tables["setups"]
    scatter, source = Assumptions().run_scatter.value, "assumed"
    known, results = what_stands(folder), None
    try:
        known = load_session(folder)
        results = analyse(known)
    except SessionError:
        # Not ridden yet, or not complete: a plan can be made all the same.
        pass
    road = results.road if results else None
    if road is not None and road.repeated:
        scatter, source = road.scatter_sd, "repeats"
    system = about.get("units", "metric")
    closed = closed_setups(results) if results else {}
    return PlanStart(
        title=marked(str(about.get("title") or folder.name), str(about.get("invented"))),
        system=system if system in ("metric", "us", "imperial") else "metric",
        setups=tuple(name for name in setups if name not in closed) if setups else _NEW_SETUPS,
        riders=tuple(tables["riders"]) or ("me",),
        fuels={
            name: str(record["fuel"])
            for name, record in setups.items()
            if isinstance(record, dict) and record.get("fuel")
        },
        parts={
            name: {kind: getattr(setup, kind) for kind in _KINDS}
            for name, setup in known.setups.items()
            if setup is not None
        },
        scatter=scatter,
        day_sd=(known.assumptions or Assumptions()).day_to_day.sd,
        source=source,
        closed=closed,
        watched=watched_setups(results) if results else (),
        richness=richness_of(known, results),
        limits=stop_limits(known),
        results=results,
    )


def usual_repeats(start: PlanStart) -> int | None:
    """Runs of each setup that the plan starts with; None if no such test is possible.

    Parameters
    ----------
    start : PlanStart
    """
    try:
        return _repeats(USUAL_GAIN, start.scatter, len(start.setups))
    except ValueError:
        return None


@dataclass(frozen=True, kw_only=True)
class Aim:
    """What a day is to show, and through what scatter; as ratios of wheel force.

    Attributes
    ----------
    gain : float
        That is to be shown.
    scatter : float
        Standard deviation from run to run.
    day_sd : float or None
        As of :class:`PlanStart`; None: the usual one.
    """

    gain: float
    scatter: float
    day_sd: float | None = None


def plan_day(
    aim: Aim,
    *,
    setups: Sequence[str],
    riders: Sequence[str],
    minutes_a_run: float,
    swap: SwapTimes,
    parts: dict | None = None,
    richness: Richness | None = None,
    in_blocks: bool = False,
) -> Day:
    """Repeats, order and length of a test day that shows a wanted gain.

    Parameters
    ----------
    aim : Aim
    setups, riders : sequence of str
    minutes_a_run : float
    swap : SwapTimes
    parts : dict, optional
        As of :class:`PlanStart`; from one setup whose parts are not known to another, an injector
        is changed.
    richness : Richness, optional
        Of the setups, to ride the richest first; left out: they are ridden as they are named.
    in_blocks : bool
        Ride all runs of one engine before the next one is opened.

    Raises
    ------
    ValueError
        If it would take more than a long day.
    """
    setups = tuple(setups)
    repeats = _repeats(aim.gain, aim.scatter, len(setups))
    first_pass = rich_to_lean(setups, richness or Richness())
    parts, riders = parts or {}, tuple(riders) or ("",)
    blocks: dict = {}
    for name in first_pass.setups:
        blocks.setdefault(parts.get(name, {}).get("engine"), []).append(name)
    in_blocks = in_blocks and len(blocks) > 1
    if in_blocks:
        order = run_order_in_blocks(list(blocks.values()), repeats=repeats, riders=riders)
    else:
        order = run_order(first_pass.setups, repeats=repeats, riders=riders)
    changes = _changes(order.setups, parts)
    day_sd = aim.day_sd or Assumptions().day_to_day.sd
    test = {"scatter_sd": aim.scatter, "setups": len(setups), "alpha": _alpha(len(setups))}
    days = {"scatter_sd": aim.scatter, "day_sd": day_sd, "own_sd": day_sd * OWN_SHARE}

    return Day(
        repeats=repeats,
        order=order,
        first_pass=first_pass,
        visible=smallest_visible_gain(repeats=repeats, **test),
        visible_with_one_less=(
            smallest_visible_gain(repeats=repeats - 1, **test) if repeats > 2 else None
        ),
        minutes=len(order.setups) * minutes_a_run
        + sum(count * getattr(swap, kind) for kind, count in changes.items()),
        changes=changes,
        in_blocks=in_blocks,
        across_days={
            common: half_width_across_days(repeats=repeats, common_repeats=common, **days)
            for common in COMMON_RUNS
        },
    )


def usual_day(start: PlanStart, gain: float = USUAL_GAIN) -> Day:
    """The day that the controls of a plan start with, each engine opened once.

    Parameters
    ----------
    start : PlanStart
    gain : float
        That is to be shown.

    Raises
    ------
    ValueError
        If there is only one setup, or it would take more than a long day.
    """
    return plan_day(
        Aim(gain=gain, scatter=start.scatter, day_sd=start.day_sd),
        setups=start.setups,
        riders=start.riders,
        minutes_a_run=USUAL_RUN_MIN,
        swap=USUAL_SWAP,
        parts=start.parts,
        richness=start.richness,
        in_blocks=True,
    )


def _alpha(setups: int) -> float:
    """The report counts every comparison with the reference, so the plan does, too."""
    return 0.05 / (setups - 1)


def _repeats(gain, scatter, setups: int) -> int:
    """Runs of each setup that show the gain, if they are no more than a long day."""
    if setups < 2:
        raise ValueError("a comparison needs at least two setups; name them with commas between")
    most = MOST_RUNS // setups
    try:
        return math.ceil(
            repeats_needed(gain, scatter_sd=scatter, setups=setups, alpha=_alpha(setups), most=most)
        )
    except ValueError:
        raise ValueError(
            f"a gain of {percent(gain, 1)} at a scatter of {percent(scatter, 1)} takes more than "
            f"{MOST_RUNS} runs; compare fewer setups, ask for a larger gain, or make the runs more "
            "alike (a longer hill, one rider, calm air)"
        ) from None


def _changes(setups, parts) -> dict:
    """How often each kind of part is changed from one run to the next."""
    counts = dict.fromkeys(_KINDS, 0)
    for one, other in pairwise(setups):
        if one in parts and other in parts:
            for kind in _KINDS:
                counts[kind] += parts[one][kind] != parts[other][kind]
        else:
            counts["injector"] += one != other
    return counts
