"""The plan: what to ride now, what to do next, and what on each fuel. Decided once, here.

Verdict, watch box, tables, lab and results.json all speak from this one record, so that no two of
them can disagree.
"""

from dataclasses import dataclass

from tuninglib.analysis.combinations import Combination


@dataclass(frozen=True, kw_only=True)
class Step:
    """The next thing to do: exactly one.

    Attributes
    ----------
    code : str
        ``"nothing"`` (it is decided), ``"fit"`` (an injector that is owned), ``"buy"``,
        ``"ride again"``, ``"change fuel"`` (without ``fuels``: none of them is allowed),
        ``"find knock"``, ``"find heat"``, ``"find power"`` or ``"list injectors"`` (none of those
        listed would do).
    why : str
        ``""``, or for ``"ride again"``: ``"gauge"``, ``"range"``, ``"steady"``,
        ``"open loop"``, ``"speeds"``, ``"too close"``.
    engine, injector : str or None
        The engine is another one than that of the ride where the page must say so.
    fuels : tuple of str
        The fuels it is for, or to keep to.
    setups : tuple of str
        To ride again.
    runs : int or None
        More runs of each of them until it is likely decided.
    """

    code: str
    why: str = ""
    engine: str | None = None
    injector: str | None = None
    fuels: tuple = ()
    setups: tuple = ()
    runs: int | None = None


@dataclass(frozen=True)
class OnFuel:
    """The plan's answer on one fuel that may be burnt.

    Attributes
    ----------
    fuel : str
    best : Combination or None
        On the plan's engine; None if all are shut, or if a cause has to be found before anything
        else is fitted.
    fitted : Combination or None
        What is ridden now, on this fuel.
    """

    fuel: str
    best: Combination | None
    fitted: Combination | None


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What the session advises.

    Attributes
    ----------
    ride : Combination or None
        What to leave on the bike today; None if nothing of the session can be.
    engine : str or None
        That the next injector is for.
    strength : str
        ``"decided"``, ``"leaning"`` or ``"open"``.
    runs : int or None
        More runs of each setup that would likely decide it; None if it is, or no number would.
    next : Step
    fuels : tuple of OnFuel
        Of those that may be burnt, the leanest first.
    for_all : str or None
        One injector that passes every gate on all of them.
    equals : tuple of str
        Setups that the test cannot tell from ``ride`` in force, and that no gate shuts.
    shut : tuple of Combination
        Ridden setups that are never recommended, each with its gate.
    missing : tuple of str
        Halves of the evidence that are not there: ``"gauge"``, ``"range"`` (every reading stood at
        the gauge's end), ``"steady"`` (most readings are the extremes of a whole run),
        ``"open loop"`` (the ECU corrects at full throttle), ``"speeds"``, ``"knock"``.
    """

    ride: Combination | None
    engine: str | None
    strength: str
    runs: int | None
    next: Step
    fuels: tuple
    for_all: str | None
    equals: tuple
    shut: tuple
    missing: tuple
