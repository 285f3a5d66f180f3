"""A test day before it is ridden: where its numbers start, its repeats, order and length."""

import math
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.interim import closed_setups
from tuninglib.analysis.results import Results
from tuninglib.analysis.ride_order import FirstPass, Richness, rich_to_lean, richness_of
from tuninglib.analysis.season import OWN_SHARE
from tuninglib.analysis.stop_limits import StopLimits, stop_limits
from tuninglib.rounding import percent
from tuninglib.session.load import load_session
from tuninglib.session.read_toml import tables_as_typed, what_stands
from tuninglib.session.schema import Assumptions
from tuninglib.statistics.planning import (
    RunOrder,
    half_width_across_days,
    repeats_needed,
    run_order,
    run_order_in_blocks,
    smallest_visible_gain,
)
from tuninglib.text_files import SessionError

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
    richness: Richness
    limits: StopLimits
    results: Results | None


def start_of(session_folder) -> PlanStart:
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
    scatter = Assumptions().run_scatter.value
    source = "assumed"
    known, results = what_stands(folder), None
    try:
        known = load_session(folder)
        results = analyse(known)
    except SessionError:
        # Not ridden yet, or not complete: a plan can be made all the same.
        pass
    road = results.road if results else None
    if road is not None and not road.scatter_is_assumed:
        scatter, source = road.scatter_sd, "repeats"
    system = about.get("units", "metric")
    closed = closed_setups(results) if results else {}
    return PlanStart(
        title=str(about.get("title") or folder.name),
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
        richness=richness_of(known, results),
        limits=stop_limits(known),
        results=results,
    )


def usual_repeats(start: PlanStart) -> int | None:
    """Runs of each setup that the plan starts with; None if it starts with no test that can be.

    Parameters
    ----------
    start : PlanStart
    """
    try:
        return _repeats(USUAL_GAIN, start.scatter, len(start.setups))
    except ValueError:
        return None


def plan_day(
    *,
    gain,
    scatter,
    setups,
    riders,
    minutes_a_run,
    swap: SwapTimes,
    parts=None,
    richness=None,
    in_blocks: bool = False,
    day_sd: float | None = None,
) -> Day:
    """Repeats, order and length of a test day that shows a wanted gain.

    Parameters
    ----------
    gain, scatter : float
        Wanted gain, and standard deviation of wheel force from run to run, as ratios.
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
    day_sd : float, optional
        As of :class:`PlanStart`; left out: the usual one.

    Raises
    ------
    ValueError
        If it would take more than a long day.
    """
    setups = tuple(setups)
    repeats = _repeats(gain, scatter, len(setups))
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

    def visible(count):
        return smallest_visible_gain(
            scatter_sd=scatter, repeats=count, setups=len(setups), alpha=_alpha(len(setups))
        )

    return Day(
        repeats=repeats,
        order=order,
        first_pass=first_pass,
        visible=visible(repeats),
        visible_with_one_less=visible(repeats - 1) if repeats > 2 else None,
        minutes=len(order.setups) * minutes_a_run
        + sum(count * getattr(swap, kind) for kind, count in changes.items()),
        changes=changes,
        in_blocks=in_blocks,
        across_days=_across_days(scatter, repeats, day_sd or Assumptions().day_to_day.sd),
    )


def _alpha(setups: int) -> float:
    """The report counts every comparison with the reference, so the plan does, too."""
    return 0.05 / (setups - 1)


def _repeats(gain, scatter, setups: int) -> int:
    """Runs of each setup that show the gain, if they are no more than a long day."""
    if setups < 2:
        raise ValueError("a comparison needs two setups at least; name them with commas between")
    most = MOST_RUNS // setups
    try:
        return math.ceil(
            repeats_needed(gain, scatter_sd=scatter, setups=setups, alpha=_alpha(setups), most=most)
        )
    except ValueError:
        raise ValueError(
            f"{percent(gain, 1)} at a scatter of {percent(scatter, 1)} takes more than "
            f"{MOST_RUNS} runs; compare fewer setups, ask for a larger gain, or make the runs more "
            "alike (a longer hill, one rider, calm air)"
        ) from None


def _across_days(scatter, repeats, day_sd) -> dict:
    """What a gain over a setup of another day is known to, with common runs and without."""
    return {
        common: half_width_across_days(
            scatter_sd=scatter,
            repeats=repeats,
            common_repeats=common,
            day_sd=day_sd,
            own_sd=day_sd * OWN_SHARE,
        )
        for common in COMMON_RUNS
    }


def _changes(setups, parts) -> dict:
    """How often each kind of part is changed from one run to the next."""
    counts = dict.fromkeys(_KINDS, 0)
    for one, other in pairwise(setups):
        if one == other:
            continue
        if one not in parts or other not in parts:
            counts["injector"] += 1
            continue
        for kind in _KINDS:
            counts[kind] += parts[one][kind] != parts[other][kind]
    return counts
