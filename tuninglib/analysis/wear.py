"""What wears: what upkeep.csv says, and the minutes at full throttle since a check."""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tuninglib.session.defaults import speedometer_factor
from tuninglib.session.records import Session
from tuninglib.statistics.settled_gauge import FULL_THROTTLE

# Of each quantity, under which keys of [upkeep] its limits stand: a range, or the lower and upper.
QUANTITIES = {
    "compression_pa": ("", "lowest_compression", ""),
    "leak_down_ratio": ("", "", "highest_leak_down"),
    "intake_clearance_m": ("intake_clearance", "", ""),
    "exhaust_clearance_m": ("exhaust_clearance", "", ""),
    "plug_gap_m": ("plug_gap", "", ""),
    "oil_use_m2": ("", "", "highest_oil_use"),
}
# Runs of an outing without any speed are taken for this fast on average (ours). [m/s]
_USUAL_M_S = 17.0


@dataclass(frozen=True, kw_only=True)
class Check:
    """A row of upkeep.csv.

    Attributes
    ----------
    date : str
        Year-month-day.
    distance_m : float
        On the odometer. [m]
    values : dict of str to float
        What was measured, by the names of ``QUANTITIES``; oil as volume over distance. [m2]
    """

    date: str
    distance_m: float
    values: dict[str, float]


@dataclass(frozen=True, kw_only=True)
class WearOfDay:
    """What an outing brings to the season's wear.

    Attributes
    ----------
    checks : tuple of Check
        By date.
    limits : dict of str to tuple of (float or None)
        Lowest and highest of each quantity that has a limit.
    check_after_s : float or None
        At full throttle, until the rider wants to be reminded. [s]
    full_throttle_s : float
        Of this outing, from its runs or its logs, whichever is more. [s]
    """

    checks: tuple[Check, ...]
    limits: dict[str, tuple[float | None, ...]]
    check_after_s: float | None
    full_throttle_s: float


def wear_of_day(session: Session) -> WearOfDay:
    """What an outing's files say of wear.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    """
    stated = session.upkeep
    limits: dict[str, tuple[float | None, ...]] = {}
    for name, (span, lowest, highest) in QUANTITIES.items():
        of = getattr(stated, span or lowest or highest)
        if of is not None:
            low, high = of.value - of.half_width, of.value + of.half_width
            limits[name] = (None if highest else low, None if lowest else high)
    return WearOfDay(
        checks=_checks(session.checks),
        limits=limits,
        check_after_s=None if stated.check_after is None else stated.check_after.value,
        full_throttle_s=max(_of_runs(session), _of_logs(session)),
    )


def _checks(table) -> tuple:
    table = table.assign(
        oil_use_m2=table["oil_added_m3"].astype(float) / table["distance_m"].astype(float).diff()
    )
    names = [name for name in QUANTITIES if name in table]
    return tuple(
        Check(
            date=row["date"],
            distance_m=float(row["distance_m"]),
            values={name: float(row[name]) for name in names if np.isfinite(row[name])},
        )
        for _, row in table.iterrows()
    )


def _of_runs(session) -> float:
    """Every run at full throttle, whether or not it counts, at the mean speed of its ends."""
    full = session.runs[session.runs["state"] == "full"]
    shown = (full["shown_entry_m_s"] + full["shown_exit_m_s"]).dropna() / 2
    length, usual = session.hill.length.value, _USUAL_M_S
    if len(shown):
        shown = shown * speedometer_factor(session, float(shown.mean())).value
        usual = float(shown.mean())
    return float((length / shown).sum() + (len(full) - len(shown)) * length / usual)


def _of_logs(session) -> float:
    """The longest time that any log of a throttle has it open."""
    times = [0.0]
    for trace in session.traces.values():
        throttle = trace.channels.get("throttle_ratio")
        if throttle is not None:
            times.append(float(np.diff(trace.time_s)[throttle[:-1] >= FULL_THROTTLE].sum()))
    return max(times)


@dataclass(frozen=True, kw_only=True)
class Wear:
    """What wears over a season.

    Attributes
    ----------
    checks : tuple of Check
        Of all outings, by date; what several files have alike stands once.
    limits : dict of str to tuple of (float or None)
        Of the last outing that states them.
    check_after_s : float or None
    since_s : float
        At full throttle on outings after the last check; of all, where there is none. [s]
    """

    checks: tuple[Check, ...]
    limits: dict
    check_after_s: float | None
    since_s: float


def wear_of(days: Sequence[tuple[str, WearOfDay]]) -> Wear:
    """What the outings of a season say of wear.

    Parameters
    ----------
    days : sequence of (str, WearOfDay)
        Date of each outing as year-month-day, in their order.

    Examples
    --------
    >>> day = WearOfDay(checks=(), limits={}, check_after_s=3600.0, full_throttle_s=400.0)
    >>> wear_of([("2026-05-16", day), ("2026-06-01", day)]).since_s
    800.0
    """
    found = {dataclasses.astuple(one)[:2] + tuple(one.values.items()): one
             for _, day in days for one in day.checks}  # fmt: skip
    checks = sorted(found.values(), key=lambda one: (one.date, one.distance_m))
    last = checks[-1].date if checks else ""
    stated = [day for _, day in days if day.limits or day.check_after_s is not None]
    return Wear(
        checks=tuple(checks),
        limits=stated[-1].limits if stated else {},
        check_after_s=stated[-1].check_after_s if stated else None,
        since_s=sum(day.full_throttle_s for date, day in days if date > last),
    )
