"""The record of one outing, all in SI, and what its logs say of the runs."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pandas as pd

from tuninglib.interval import Interval, Measured
from tuninglib.session import machine, schema
from tuninglib.session.trace import Trace
from tuninglib.text_files import a_few, quoted


@dataclass(frozen=True, kw_only=True)
class LogPass:
    """One way over the hill that was found in a log.

    Attributes
    ----------
    number : int
        Of the passes up, from 1; of a way down that of the pass before it.
    up : bool
        From the start line to the marker.
    enter_s, leave_s : float
        In the log's own time.
    entry_m_s, exit_m_s : float
        True speeds at its first and second line; NaN where too little was logged.
    entry_sd_m_s, exit_sd_m_s : float
        Its standard deviation; NaN where there is no speed.
    run : float or None
        Its run's number in runs.csv; None, too, where a line was passed in a gap.
    gap_s : float
        The longer gap in which one of its lines was passed unseen; 0 where there was none.
    gap_at : str
        ``"start"``, ``"marker"`` or ``"both"``; empty where there was none.
    missed : float or None
        Number of the run whose speeds the gap hides.
    """

    number: int
    up: bool
    enter_s: float
    leave_s: float
    entry_m_s: float
    exit_m_s: float
    entry_sd_m_s: float
    exit_sd_m_s: float
    run: float | None
    gap_s: float = 0.0
    gap_at: str = ""
    missed: float | None = None


@dataclass(frozen=True, kw_only=True)
class LogReading:
    """The settled reading of one run.

    Attributes
    ----------
    run : float
        Its number.
    low, high : float
        On the gauge's own scale; NaN where too little is settled.
    samples : int
        That it is of.
    full_share : float
        Of the run at full throttle; NaN where no throttle was logged.
    covered : bool
        Whether the log was on for all of the run.
    """

    run: float
    low: float
    high: float
    samples: int
    full_share: float
    covered: bool


@dataclass(frozen=True, kw_only=True)
class FoundReadings:
    """What the log of a gauge says of the runs.

    Attributes
    ----------
    log : str
        Name of the log.
    clock : str
        How its clock was set: ``"same"`` log as the track; ``"stated"``; ``"found"`` by what both
        saw; ``"utc"``, both say the date; or ``"unknown"``.
    why_not : str
        Of :class:`tuninglib.statistics.clock_shift.ClockShift`, or ``"nothing"`` to compare.
    shift_s : Interval or None
        What to add to its times to have the track's.
    likeness : float or None
        Of what both saw.
    lag_s : Interval
        How late the gauge shows what burns.
    lag_source : str
        ``"stated"``, ``"found"`` or ``"usual"``.
    readings : tuple of LogReading
        Of each run.
    filled : tuple of float
        Runs whose reading is from the log.
    """

    log: str
    clock: Literal["same", "stated", "found", "utc", "unknown"]
    why_not: Literal["", "short", "unlike", "twins", "nothing"] = ""
    shift_s: Interval | None = None
    likeness: float | None = None
    lag_s: Interval
    lag_source: Literal["stated", "found", "usual"]
    readings: tuple[LogReading, ...] = ()
    filled: tuple[float, ...] = ()


@dataclass(frozen=True, kw_only=True)
class FoundRuns:
    """What a track says of the runs.

    Attributes
    ----------
    log : str
        Name of the log that it is from.
    by : str
        What they were found by: ``"places"``, ``"throttle"``, ``"pattern"`` of speed, or
        ``"pulls"`` in the sound of the engine.
    source : str
        Of the speeds: ``"speed"`` as logged, or ``"positions"``.
    passes : tuple of LogPass
        Ways over the hill, in their order.
    rows : int
        Of runs.csv that are runs.
    why_not : str
        Why passes are not brought to rows: empty if they are; ``"none"`` was found; ``"count"``:
        there are more or fewer than rows; ``"listed"``: another number than ``runs`` lists;
        ``"unknown"``: ``runs`` names a run that is not in runs.csv, or one twice.
    filled : tuple of float
        Runs whose speeds are from the log.
    pairs : tuple of (float, float, float)
        Shown at the marker, true there, standard deviation of that, of the rows that have both.
    factor : Measured or None
        True over shown speed by those pairs, where nothing else is said of the speedometer.
    position_sd_m : float
        Error of one position.
    grade, length_m : Interval or None
        Mean grade of the hill by the track's elevations, and its length by its positions.
    readings : FoundReadings or None
        What the log of the gauge says of them.
    metres_per_turn : Measured or None
        On the road, of the crank, where the speeds are from the sound.
    parts : tuple of (str, float)
        Names of the recordings and when each begins in the time of ``passes``.
    """

    log: str
    by: Literal["places", "throttle", "pattern", "pulls"]
    source: Literal["speed", "positions"]
    passes: tuple[LogPass, ...]
    rows: int
    why_not: Literal["", "none", "count", "listed", "unknown"]
    filled: tuple[float, ...] = ()
    pairs: tuple[tuple[float, float, float], ...] = ()
    factor: Measured | None = None
    position_sd_m: float
    grade: Interval | None = None
    length_m: Interval | None = None
    readings: FoundReadings | None = None
    metres_per_turn: Measured | None = None
    parts: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, kw_only=True, repr=False)
class Session:
    """One outing's numbers, all in SI."""

    folder: Path
    about: schema.About
    bike: machine.Bike
    hill: schema.MeasuredHill
    weather: schema.Weather
    gauge: schema.Gauge
    speedometer: schema.Speedometer
    target: schema.Target
    use: schema.Use
    gearing: machine.Gears
    assumptions: schema.Assumptions
    engines: dict
    riders: dict
    fuels: dict
    injectors: dict
    setups: dict
    runs: pd.DataFrame
    speed_units: dict
    fills: pd.DataFrame
    climbs: pd.DataFrame
    checks: pd.DataFrame
    upkeep: schema.Upkeep
    logs: dict
    traces: dict
    found: FoundRuns | None = None
    recordings: Trace | None = None
    logged_step_m_s: float | None = None

    def __repr__(self) -> str:
        """What was ridden where, and where to look."""
        return (
            f"Session {quoted(self.about.title)}, {self.about.date}: {len(self.runs)} rows, "
            f"{len(self.setups)} setups against {quoted(self.about.reference)}; "
            f"logs: {a_few(self.logs)}\n"
            "  see .runs .setups .engines .injectors .fuels .riders .bike .hill .gauge .use"
        )

    @property
    def track(self) -> Trace | None:
        """The log that the runs were found in; of several recordings, all of them in a row."""
        if self.recordings is not None or self.found is None:
            return self.recordings
        return self.traces[self.found.log]
