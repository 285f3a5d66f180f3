"""What the rows so far say while a test is being ridden: go on, stop, or decided.

From the same plan as the report, so that the form at the roadside and the page cannot disagree.
Knock, a lean reading and a hot head are seen in the row alone, whether or not the session is
complete and whether or not the row counts.
"""

import math
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.combinations import Combination
from tuninglib.analysis.gates import no_safer, richer
from tuninglib.analysis.records import Knock
from tuninglib.analysis.ride_order import Richness, rich_to_lean, richness_of
from tuninglib.analysis.stop_limits import StopLimits, stop_limits
from tuninglib.session.columns import LOUD
from tuninglib.session.load import RUNS, load_session
from tuninglib.session.read_runs import read_runs
from tuninglib.session.read_toml import what_stands
from tuninglib.text_files import SessionError

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


def interim(results, last_run: float, *, planned: int) -> Interim:
    """What the rows so far say, after the row that was added last.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
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


def interim_of_folder(folder, *, planned: int) -> tuple:
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


def combination_of(results, setup: str) -> Combination:
    """What is known of a setup, ridden or not.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    setup : str
    """
    parts = results.session.setups[setup]
    own = (parts.engine, parts.injector, parts.fuel)
    # Ridden under this name; else not ridden at all; else ridden under another name.
    return min(
        (one for one in results.combinations if (one.engine, one.injector, one.fuel) == own),
        key=lambda one: (one.setup != setup, one.setup is not None),
    )


def closed_setups(results) -> dict:
    """Setups that must not be ridden again as they are, each with what is known of it.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results

    Returns
    -------
    dict of str to Combination

    Notes
    -----
    Those that a gate shuts, except that one with some odds of being lean may be ridden in a test
    as long as its likeliest mixture is inside the band: what ends its run is the gauge.
    """
    found = {}
    for name in results.session.setups:
        one = combination_of(results, name)
        if one.gate is None:
            continue
        if one.gate.code != "lean" or one.lambda_.value > results.band.highest:
            found[name] = one
    return found


def _stop(results, row, limits) -> dict | None:
    """Why to stop after a row; None: there is no reason."""
    last = combination_of(results, row.setup)
    ended = ended_with(row.setup, results.session.setups, Richness(), results)
    if row.knocked or last.knocks:
        return {
            "why": "knock",
            "knock": Knock(row.setup, row.run, row.knock) if row.knocked else last.knocks[-1],
            "shut": tuple(
                name
                for name in results.session.setups
                if name in ended["knock"]
                or (name != row.setup and _ends_engine(results, name, last.engine))
            ),
        }
    found = _stop_of_row(row.state, row.gauge_low, row.gauge_high, row.head_temperature_k, limits)
    if found is not None and found["why"] == "lean":
        found["shut"] = ended["lean"]
    closed = closed_setups(results)
    if found is None and row.state == "full" and row.setup in closed:
        found = {"why": "closed", "combination": closed[row.setup]}
    return found


def ended_with(setup: str, setups, richness: Richness, results=None) -> dict:
    """Other setups that are ridden no more once one of them knocked, or read too lean.

    Parameters
    ----------
    setup : str
    setups : sequence of str
        Those that are planned.
    richness : tuninglib.analysis.ride_order.Richness
    results : Results, optional
        Of the session, where it is complete.

    Returns
    -------
    dict of str to tuple of str
        Under ``"knock"`` and ``"lean"``. What is not known of a setup counts against it.
    """
    others = tuple(name for name in setups if name != setup)
    if results is not None and {setup, *others} <= set(results.session.setups):
        last = combination_of(results, setup)
        known = {name: combination_of(results, name) for name in others}
        return {
            "knock": tuple(name for name, one in known.items() if no_safer(one, last)),
            "lean": tuple(
                name
                for name, one in known.items()
                if one.engine == last.engine and not richer(one, last)
            ),
        }
    engine, air = richness.engine.get(setup), richness.air_kg_s
    ended = tuple(
        name
        for name in others
        if engine in (None, richness.engine.get(name, engine))
        and not air.get(name, 0.0) > air.get(setup, math.inf)
    )
    return {"knock": ended, "lean": ended}


def _ends_engine(results, setup, engine) -> bool:
    """Whether a setup is shut because the mixture does not explain its engine's knock."""
    one = combination_of(results, setup)
    return one.engine == engine and one.gate is not None and one.gate.code == "knock unexplained"


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
    if setup not in {pull.setup for pull in results.pulls}:
        return True
    if plan.equals and setup in (ride, *plan.equals):
        return True
    against = reference if setup == ride else ride
    if setup == reference == ride:
        return False
    pair = next(p for p in results.road.pairs if {p.setup, p.over} == {setup, against})
    return pair.p_value > SURE_EARLY


def _row_alone(folder, problems) -> Interim:
    """What the last row says where the session as a whole cannot be read yet."""
    limits = stop_limits(what_stands(folder))
    row = read_runs(Path(folder) / RUNS, {}, []).iloc[-1]

    def known(value):
        return None if math.isnan(value) else float(value)

    about = {"run": known(row["run"]), "setup": row["setup"], "limits": limits}
    if row["knock"] in LOUD:
        heard = Knock(row["setup"], about["run"], row["knock"])
        return Interim(code="stop", why="knock", knock=heard, problems=problems, **about)
    found = _stop_of_row(
        row["state"],
        known(row["gauge_low"]),
        known(row["gauge_high"]),
        known(row["head_temperature_k"]),
        limits,
    )
    if found is not None:
        return Interim(code="stop", problems=problems, **found, **about)
    return Interim(code="unknown", problems=problems, **about)
