"""A session's folder, read and validated to one frozen Session; and packed into one file to send.

Every problem is collected before anything is refused, so that the rider fixes them in one go.
"""

import hashlib
import re
import zipfile
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from tuninglib.session import read_toml, schema
from tuninglib.session.cross_checks import (
    contradictions,
    implausible_runs,
    impossible_turns,
    whole_table,
)
from tuninglib.session.read_table import CLIMBS, FILLS, RUNS, UPKEEP
from tuninglib.session.records import Session
from tuninglib.session.tables import read_climbs, read_fills, read_runs, read_upkeep, speed_units
from tuninglib.session.trace import Trace
from tuninglib.text_files import Problem, SessionError, printable, quoted
from tuninglib.whole_files import write_atomic, write_together


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
    tables = read_toml.read_toml(folder / read_toml.TOML, problems)
    known = {name: set(tables.get(name) or ()) for name in schema.NAMED}

    def found_by(read, *arguments):
        try:
            return read(*arguments)
        except SessionError as error:
            problems.extend(error.problems)
        return None

    runs = found_by(read_runs, folder / RUNS, known, problems)
    fills = found_by(read_fills, folder / FILLS, known, problems)
    climbs = found_by(read_climbs, folder / CLIMBS, known, problems)
    checks = found_by(read_upkeep, folder / UPKEEP, problems)
    traces = {
        name: log and found_by(_read_log, folder, log, tables, runs)
        for name, log in (tables.get("logs") or {}).items()
    }
    logs = [log.file for log in (tables.get("logs") or {}).values() if log]
    for name, own in read_toml.misnamed(folder, logs).items():
        message = f"is not read, since that table is called {own}; rename it, or move it away"
        problems.append(Problem(printable(name), message))
    if problems:
        raise SessionError(problems)
    session = Session(
        folder=folder,
        about=tables.pop("session"),
        speed_units=speed_units(folder / RUNS),
        runs=_with_entry_speed(runs, tables["hill"].entry_speed),
        fills=fills,
        climbs=climbs,
        checks=checks,
        traces=traces,
        **tables,
    )
    try:
        session = _with_logs(session)
    except SessionError:
        raise
    except ValueError as error:
        raise SessionError([Problem(read_toml.TOML, str(error), column="hill")]) from None
    for check in (contradictions, whole_table, implausible_runs, impossible_turns):
        if problems := [*check(session)]:
            raise SessionError(problems)
    return session


def recording_in(folder: Path, path: Path) -> tuple[Trace, dict]:
    """A recording heard as of the engine of a session, which need not be complete.

    Parameters
    ----------
    folder : Path
        Of the session.
    path : Path
        Of the recording, wherever it lies.

    Returns
    -------
    Trace
    dict
        Tables of the session as far as they can be read.

    Raises
    ------
    SessionError
        If the recording cannot be used.
    """
    tables = read_toml.read_toml(folder / read_toml.TOML, [])
    tables = {"engines": {}, "hill": None, **tables}
    known = {name: set(tables.get(name) or ()) for name in schema.NAMED}
    try:
        runs = read_runs(folder / RUNS, known, [])
    except SessionError:
        runs = None
    return _read_log(path.parent, schema.Log(file=path.name), tables, runs), tables


def _read_log(folder: Path, log, tables, runs):
    # The readers load only where a log is named: most sessions have none.
    from tuninglib.session.read_log import read_log

    cylinders = max((one.cylinders for one in tables["engines"].values() if one), default=1)
    within = _turns_ridden(tables, runs) if cylinders > 1 else None
    return read_log(folder, log, cylinders=int(cylinders), within_rpm=within)


# Beyond the speeds typed, an engine that is listened to may turn so much slower or faster.
_BEYOND = 1.3


def _turns_ridden(tables, runs) -> tuple[float, float] | None:
    """Engine speeds around those of the speeds typed; None where no gearing tells. [1/min]"""
    gears, usual = tables.get("gearing"), tables["hill"] and tables["hill"].entry_speed
    typed = [] if runs is None else runs[["shown_entry_m_s", "shown_exit_m_s"]].stack().tolist()
    typed += [usual.value] if usual else []
    if not gears or not gears.is_known or not typed:
        return None
    low, high = (
        60 * speed / gears.rolling_circumference.value * gears.ratio()
        for speed in (min(typed) / _BEYOND, max(typed) * _BEYOND)
    )
    return low, high


def _with_logs(session: Session) -> Session:
    """The session with what its logs say of runs, and which rows have it from there."""
    if not session.traces:
        runs = session.runs.assign(speeds_logged=False, readings_logged=False)
        return replace(session, runs=runs)
    from tuninglib.session.from_logs import with_logged_readings, with_logged_speeds

    return with_logged_readings(with_logged_speeds(session))


def _with_entry_speed(runs: pd.DataFrame, usual) -> pd.DataFrame:
    """Runs in which the entry speed of the day stands where a run has none of its own."""
    taken = runs["shown_exit_m_s"].notna() & runs["shown_entry_m_s"].isna() & (usual is not None)
    speed = runs["shown_entry_m_s"].mask(taken, usual.value if usual else np.nan)
    return runs.assign(shown_entry_m_s=speed, entry_taken=taken)


# A session in one file ----------------------------------------------------------------------------

SUFFIX = ".outing.zip"
MANIFEST = "checksums.sha256"
# A session is a few small tables and the logs of a day; more than this is none.
MOST_FILES, MOST_BYTES = 20, 20_000_000
_NAME = re.compile(
    r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,80}\."
    r"(toml|csv|gpx|txt|tsv|log|wav|m4a|mp3|ogg|opus|3gp|aac|flac|amr|mp4)"
)
# The same session packs to the same bytes: no clock in it.
_WHEN = (1980, 1, 1, 0, 0, 0)


def pack_session(folder: Path | str, file: Path | str | None = None) -> Path:
    """Write a session's files into one file, with a checksum of each.

    Parameters
    ----------
    folder : path
    file : path, optional
        Left out: beside the folder, named after it.

    Returns
    -------
    Path

    Raises
    ------
    SessionError
        If it is no session, or something stands in the way.
    """
    folder = Path(folder)
    if not (folder / "session.toml").is_file():
        raise SessionError([Problem(str(folder), "holds no session.toml, so it is not an outing")])
    logs = read_toml.log_files(read_toml.tables_as_typed(folder))
    found = read_toml.own_files(folder, logs)
    message = "is a link, so whatever it points to would be sent; put the file in its place"
    if links := [Problem(path.name, message) for path in found if path.is_symlink()]:
        raise SessionError(links)
    names = [path.name for path in found if _NAME.fullmatch(path.name)]
    strange = next((name for name in logs if name not in names), None)
    if strange is not None:
        message = (
            f"{quoted(strange)} cannot be packed: it is not there, or its name is not made of "
            "letters, digits and _ with the ending of a table, track or recording; rename it here "
            "and under [logs]"
        )
        raise SessionError([Problem("session.toml", message)])
    contents = {name: (folder / name).read_bytes() for name in names}
    if problem := _too_much(len(contents), sum(map(len, contents.values()))):
        raise SessionError([Problem(str(folder), problem)])
    file = Path(file) if file else folder.absolute().parent / f"{folder.resolve().name}{SUFFIX}"
    if file.exists():
        message = "is there already; move it away, or choose another name"
        raise SessionError([Problem(str(file), message)])
    lines = [f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in contents.items()]
    part = file.with_name(f".{file.name}.part")
    try:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as packed:
            for name, data in {**contents, MANIFEST: "".join(lines).encode()}.items():
                packed.writestr(zipfile.ZipInfo(name, _WHEN), data, zipfile.ZIP_DEFLATED)
        write_atomic(file, part.read_bytes())
    finally:
        part.unlink(missing_ok=True)
    return file


def unpack_session(file: Path | str, folder: Path | str | None = None) -> Path:
    """A packed session as a folder, if it is just that.

    Parameters
    ----------
    file : path
    folder : path, optional
        Left out: beside the file, named after it. Must not exist yet, or be empty.

    Returns
    -------
    Path

    Raises
    ------
    SessionError
        If the file is damaged, holds anything that is no session's, or more than a session has;
        nothing is written then.
    """
    file = Path(file)
    stem = file.name.removesuffix(".zip").removesuffix(".outing")
    folder = Path(folder) if folder else file.parent / stem
    require_new(folder)
    try:
        with zipfile.ZipFile(file) as packed:
            contents = _contents(packed)
    except FileNotFoundError:
        raise SessionError([Problem(str(file), "is not there")]) from None
    except ValueError as error:
        raise SessionError([Problem(file.name, str(error))]) from None
    except (zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, EOFError, OSError, RuntimeError,
            NotImplementedError) as error:  # fmt: skip
        message = f"is not a packed outing, or is damaged ({error}); ask for it to be sent again"
        raise SessionError([Problem(file.name, message)]) from None
    folder.mkdir(parents=True, exist_ok=True)
    write_together({folder / name: data for name, data in contents.items()})
    return folder


def require_new(folder: Path) -> None:
    """Refuse a folder in which something stands already."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        message = "exists and is not an empty folder; choose a new name"
        raise SessionError([Problem(str(folder), message)])


def _too_much(count: int, size: int) -> str:
    if count > MOST_FILES:
        return f"holds {count} files; an outing has at most {MOST_FILES}"
    if size > MOST_BYTES:
        return f"holds {size / 1e6:.0f} MB; an outing has at most {MOST_BYTES / 1e6:.0f} MB"
    return ""


def _contents(packed: zipfile.ZipFile) -> dict:
    """Every file of a packed session, each as its checksum says."""
    infos = packed.infolist()
    names = [info.filename for info in infos]
    if problem := _too_much(len(infos) - 1, sum(info.file_size for info in infos)):
        raise ValueError(problem)
    if len(set(map(str.lower, names))) != len(names):
        raise ValueError("holds two files with the same name; ask for it to be packed again")
    strange = next((name for name in names if name != MANIFEST and not _NAME.fullmatch(name)), None)
    if strange is not None:
        raise ValueError(f"holds {quoted(strange)}, which is no part of an outing")
    if MANIFEST not in names or "session.toml" not in names:
        raise ValueError("holds no session.toml with its checksum, so it is not a packed outing")
    data = {info.filename: _read(packed, info) for info in infos}
    lines = data.pop(MANIFEST).decode("ascii", "replace").splitlines()
    said = {line.partition("  ")[2]: line.partition("  ")[0] for line in lines}
    if set(said) != set(data):
        raise ValueError("holds other files than its checksums name, so it was changed")
    wrong = next((n for n, d in data.items() if hashlib.sha256(d).hexdigest() != said[n]), None)
    if wrong is not None:
        raise ValueError(f"{wrong} is not as it was packed; ask for it to be sent again")
    return data


def _read(packed, info) -> bytes:
    """One file, never more of it than it says, so that a small one cannot fill the memory."""
    with packed.open(info) as stream:
        data = stream.read(info.file_size + 1)
    if len(data) != info.file_size:
        raise ValueError(f"{info.filename} is longer than it says, so it was changed")
    return data
