"""A session's folder, read and validated: session.toml and runs.csv to one frozen Session.

Every problem is collected before anything is refused, so that the rider fixes them in one go.
"""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from tuninglib.session import machine, schema
from tuninglib.session.cross_checks import contradictions, implausible_runs, whole_table
from tuninglib.session.read_toml import TOML, read_toml
from tuninglib.session.tables import (
    CLIMBS,
    FILLS,
    RUNS,
    read_climbs,
    read_fills,
    read_runs,
    speed_units,
)
from tuninglib.text_files import Problem, SessionError, a_few, quoted

if TYPE_CHECKING:
    from tuninglib.session.from_logs import FoundRuns


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
    logs: dict
    traces: dict
    found: "FoundRuns | None" = None
    logged_step_m_s: float | None = None

    def __repr__(self) -> str:
        """One screen: what was ridden where, and where to look."""
        ridden = [
            f"    {name}: engine {one.engine}, injector {one.injector}, fuel {one.fuel}"
            for name, one in self.setups.items()
        ]
        if len(ridden) > 9:
            ridden[8:] = [f"    and {len(ridden) - 8} more"]
        grade = f"{100 * self.hill.grade.value:.2g} %" if self.hill.grade else "no grade"
        lines = (
            f"Session {quoted(self.about.title)}, {self.about.date}: {len(self.runs)} rows, "
            f"{len(self.setups)} setups against {quoted(self.about.reference)}",
            f"  bike {self.bike.mass.value:.4g} kg; riders: {a_few(self.riders)}",
            f"  hill {self.hill.length.value:.4g} m at {grade}",
            "  setups",
            *ridden,
            f"  injectors in no setup: {a_few(self.candidates)}",
            f"  {len(self.fills)} fills, {len(self.climbs)} readings on climbs; "
            f"logs: {a_few(self.logs)}",
            "  see .runs .setups .engines .injectors .fuels .riders .bike .hill .gauge .use",
        )
        return "\n".join(lines)

    @property
    def candidates(self) -> tuple:
        """Names of the injectors that no setup uses: those that could be bought."""
        used = {setup.injector for setup in self.setups.values()}
        return tuple(name for name in self.injectors if name not in used)


def load_session(folder: Path | str) -> Session:
    """Session read from its folder.

    Parameters
    ----------
    folder : path
        Holds ``session.toml`` and ``runs.csv``.

    Returns
    -------
    Session

    Raises
    ------
    SessionError
        With every problem found, each with file, row, column, value, limit and remedy.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise SessionError([Problem(str(folder), "is not a folder that exists")])
    problems: list[Problem] = []
    tables = read_toml(folder / TOML, problems)
    known = {name: set(tables.get(name) or ()) for name in schema.NAMED}
    try:
        runs = read_runs(folder / RUNS, known, problems)
    except SessionError as error:
        runs = None
        problems.extend(error.problems)
    more = {}
    for name, read, file in (("fills", read_fills, FILLS), ("climbs", read_climbs, CLIMBS)):
        try:
            more[name] = read(folder / file, known, problems)
        except SessionError as error:
            problems.extend(error.problems)
    traces = {}
    for name, log in (tables.get("logs") or {}).items():
        try:
            traces[name] = log and _read_log(folder, log)
        except SessionError as error:
            problems.extend(error.problems)
    if problems:
        raise SessionError(problems)
    session = Session(
        folder=folder,
        about=tables.pop("session"),
        speed_units=speed_units(folder / RUNS),
        runs=_with_entry_speed(runs, tables["hill"].entry_speed),
        traces=traces,
        **more,
        **tables,
    )
    try:
        session = _with_logs(session)
    except ValueError as error:
        raise SessionError([Problem(TOML, str(error), column="hill")]) from None
    problems = [*contradictions(session)] or [*whole_table(session)] or [*implausible_runs(session)]
    if problems:
        raise SessionError(problems)
    return session


def _read_log(folder: Path, log):
    # The readers load only where a log is named: most sessions have none.
    from tuninglib.session.read_log import read_log

    return read_log(folder, log)


def _with_logs(session: Session) -> Session:
    """The session with what its logs say of runs, and which rows have it from there."""
    if not session.traces:
        runs = session.runs.assign(speeds_logged=False, readings_logged=False)
        return replace(session, runs=runs)
    from tuninglib.session.from_logs import with_logged_readings, with_logged_speeds

    return with_logged_readings(with_logged_speeds(session))


def _with_entry_speed(runs: pd.DataFrame, usual) -> pd.DataFrame:
    """Runs in which the entry speed of the day stands where a run has none of its own."""
    lacking = runs["shown_exit_m_s"].notna() & runs["shown_entry_m_s"].isna()
    taken = lacking & (usual is not None)
    if usual is not None:
        runs = runs.assign(shown_entry_m_s=runs["shown_entry_m_s"].mask(taken, usual.value))
    return runs.assign(entry_taken=taken)
