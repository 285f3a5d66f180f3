"""Reports of many sessions: several at a time, those that have not changed left as they are."""

import hashlib
import os
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from tuninglib.report.make import (
    PACKAGE,
    WorkbookError,
    make_report,
    report_folder,
    workbook_path,
)
from tuninglib.report.page import MissingPdf
from tuninglib.text_files import SessionError
from tuninglib.whole_files import in_words, write_atomic

# Beside each report: what it was made from and with.
MADE_FROM = "made_from.sha256"
_SESSION = "session.toml"
_OF_THE_SESSION = (".toml", ".csv")
_OF_THE_PROGRAM = (".py", ".j2", ".js", ".css", ".json")


@dataclass(frozen=True)
class Outcome:
    """What became of one session.

    Attributes
    ----------
    session : Path
    code : str
        ``"made"``, ``"unchanged"``, ``"to fix"`` (something is wrong with its files), or
        ``"fault"`` (of the program).
    said : str
        Of what went wrong; else empty.
    """

    session: Path
    code: str
    said: str = ""


def sessions_in(folder) -> tuple:
    """Folders with a session.toml below a folder, in the order of their names.

    Parameters
    ----------
    folder : path
        Hidden folders and reports in it are passed over, and so is what lies inside a session.
    """
    found, todo = [], [Path(folder)]
    while todo:
        here = todo.pop()
        if (here / _SESSION).is_file():
            found.append(here)
            continue
        todo += [
            below
            for below in here.iterdir()
            if below.is_dir()
            and not below.is_symlink()
            and not below.name.startswith(".")
            and not below.name.endswith(".report")
        ]
    return tuple(sorted(found))


def fingerprint(session_folder) -> str:
    """Checksum of everything that a report follows from: the session, the workbook, the program.

    Parameters
    ----------
    session_folder : path
    """
    own = [
        path
        for path in sorted(Path(session_folder).iterdir())
        if path.suffix in _OF_THE_SESSION
        and ".earlier-" not in path.name
        and not path.name.startswith(".")
    ]
    program = sorted(
        path for path in PACKAGE.rglob("*") if path.suffix in _OF_THE_PROGRAM and path.is_file()
    )
    whole = hashlib.sha256()
    for path in (*own, workbook_path("session_report"), *program):
        whole.update(path.name.encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    return whole.hexdigest()


def make_reports(
    folder, out_folder=None, *, jobs=None, anew: bool = False, pdf: bool = False, progress=None
) -> tuple:
    """Make or renew the reports of all sessions below a folder.

    Parameters
    ----------
    folder : path
    out_folder : path, optional
        Where the reports go, each under the name of its session; left out: beside each session.
    jobs : int, optional
        How many at a time; left out: as many as there are cores.
    anew : bool
        Make those, too, that have not changed.
    pdf : bool
        Write ``report.pdf`` beside each page, too.
    progress : callable, optional
        Called with an outcome, how many are done, and how many there are.

    Returns
    -------
    tuple of Outcome
        In the order of the sessions' names.

    Notes
    -----
    A session that cannot be used does not stop the others. Whatever is stopped half way, by a kill
    or a power cut, leaves whole files; what was made is not made again the next time.
    """
    sessions = sessions_in(folder)
    tasks = {one: place_of(one, folder, out_folder) for one in sessions}
    say, found = progress or (lambda *_: None), {}
    todo = []
    for session, out in tasks.items():
        if not anew and _is_made(session, out, pdf):
            found[session] = Outcome(session, "unchanged")
            say(found[session], len(found), len(sessions))
        else:
            todo.append(session)
    workers = max(1, min(jobs or os.cpu_count() or 1, len(todo)))
    if workers == 1:
        finished = ((session, _make(session, tasks[session], pdf)) for session in todo)
        for session, outcome in finished:
            found[session] = outcome
            say(outcome, len(found), len(sessions))
    else:
        # Spawned: a copy of a process that runs notebooks is not safe to run them in.
        with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
            waiting = {
                pool.submit(_make, session, tasks[session], pdf): session for session in todo
            }
            for done in as_completed(waiting):
                session = waiting[done]
                error = done.exception()
                found[session] = done.result() if error is None else _fault(session, error)
                say(found[session], len(found), len(sessions))
    return tuple(found[session] for session in sessions)


def place_of(session, folder, out_folder=None) -> Path:
    """Where the report of one of many sessions goes.

    Parameters
    ----------
    session, folder : path
        The session, and the folder that it is below.
    out_folder : path, optional
        Left out: beside the session.
    """
    if out_folder is None:
        return report_folder(session)
    below = session.relative_to(folder)
    return Path(out_folder) / below.parent / f"{below.name}.report"


def _is_made(session, out, pdf) -> bool:
    """Whether the report there was made from just this, and is whole."""
    mark = out / MADE_FROM
    return (
        (out / "report.html").is_file()
        and (not pdf or (out / "report.pdf").is_file())
        and mark.is_file()
        and mark.read_text(encoding="utf-8").strip() == fingerprint(session)
    )


def _make(session, out, pdf) -> Outcome:
    try:
        # Before: what is typed meanwhile is not in the report.
        mark = fingerprint(session)
        make_report(session, out, pdf=pdf)
        write_atomic(out / MADE_FROM, f"{mark}\n")
    except SessionError as error:
        more = f" (and {len(error.problems) - 1} more)" if len(error.problems) > 1 else ""
        return Outcome(session, "to fix", f"{error.problems[0]}{more}")
    except OSError as error:
        return Outcome(session, "to fix", in_words(error))
    except MissingPdf as error:
        return Outcome(session, "to fix", str(error))
    except WorkbookError as error:
        return _fault(session, error)
    return Outcome(session, "made")


def _fault(session, error) -> Outcome:
    return Outcome(session, "fault", f"{type(error).__name__}: {error}")
