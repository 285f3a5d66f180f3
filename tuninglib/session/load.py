"""A session's folder, read and validated to one frozen Session.

Every problem is collected before anything is refused, so that the rider fixes them in one go.
"""

from dataclasses import replace
from pathlib import Path

import pandas as pd

from tuninglib.session import schema
from tuninglib.session.cross_checks import (
    contradictions,
    implausible_runs,
    impossible_turns,
    whole_table,
)
from tuninglib.session.read_table import CLIMBS, FILLS, RUNS
from tuninglib.session.read_toml import (
    TOML,
    misnamed,
    read_toml,
)
from tuninglib.session.records import Session
from tuninglib.session.tables import read_climbs, read_fills, read_runs, speed_units
from tuninglib.text_files import Problem, SessionError, printable


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
    logs = [log.file for log in (tables.get("logs") or {}).values() if log]
    for name, own in misnamed(folder, logs).items():
        message = f"is not read, since that table is called {own}; rename it, or move it away"
        problems.append(Problem(printable(name), message))
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
    for check in (contradictions, whole_table, implausible_runs, impossible_turns):
        if problems := [*check(session)]:
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
