"""Reports of many sessions: several at a time, those that have not changed left as they are."""

import hashlib
import os
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from tuninglib.report.make import PACKAGE, WorkbookError, make_report, report_folder, workbook_path
from tuninglib.report.page import MissingPdf
from tuninglib.session.read_log import log_files
from tuninglib.session.read_toml import tables_as_typed
from tuninglib.text_files import SessionError
from tuninglib.whole_files import in_words, write_atomic

# On the workers of a club's server: an executor of dask, an optional extra ------------------------

# A worker that is lost this often with one session is not given that session again.
_RETRIES = 2
_PATIENCE_S = 10


class NoCluster(RuntimeError):
    """The cluster's package is not installed, or its scheduler does not answer."""


@contextmanager
def executor_at(address: str) -> Iterator[Executor]:
    """Executor whose tasks run on the workers of a scheduler.

    Parameters
    ----------
    address : str
        Of the scheduler, for example ``"tcp://127.0.0.1:8786"``.

    Yields
    ------
    concurrent.futures.Executor

    Raises
    ------
    NoCluster
        If the package is not there, or nobody answers within ten seconds.

    Notes
    -----
    Scheduling, retries and lost workers are dask.distributed's own.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise NoCluster(
            "a scheduler needs the extra package: pip install 'tuninglib[cluster]'; or leave "
            "--scheduler out to use this machine's cores"
        ) from error
    try:
        client = Client(address, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise NoCluster(
            f"no scheduler answers at {address}; start one with: dask scheduler, and workers "
            "with: dask worker ADDRESS --nthreads 1"
        ) from error
    with client:
        yield client.get_executor(pure=False, retries=_RETRIES)


# Many reports -------------------------------------------------------------------------------------

# Beside each report: what it was made from and with.
MADE_FROM = "made_from.sha256"
_SESSION = "session.toml"
_OF_THE_SESSION = (".toml", ".csv")
# The process that made it was lost; nobody outside hears of this one.
_LOST = "lost"
# A workbook runs inside its session's folder, which is the whole process's.
_ONE_AT_A_TIME = threading.Lock()
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


def sessions_in(folder: Path | str) -> tuple:
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


def fingerprint(session_folder: Path | str) -> str:
    """Checksum of everything that a report follows from: the session, the workbook, the program.

    Parameters
    ----------
    session_folder : path
    """
    try:
        logs = log_files(tables_as_typed(session_folder))
    except SessionError:
        logs = []
    own = [
        path
        for path in sorted(Path(session_folder).iterdir())
        if (path.suffix in _OF_THE_SESSION or path.name in logs)
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
    folder: Path | str,
    out_folder: Path | str | None = None,
    *,
    jobs: int | None = None,
    anew: bool = False,
    pdf: bool = False,
    progress: Callable[[Outcome, int, int], object] | None = None,
    executor: Executor | None = None,
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
    executor : concurrent.futures.Executor, optional
        Does the work instead of processes of this machine, each session one task; of
        :func:`tuninglib.report.many.executor_at`, for example. Whoever works for it has to see
        the same folders under the same names, and the same version of this package.

    Returns
    -------
    tuple of Outcome
        In the order of the sessions' names.

    Notes
    -----
    A session that cannot be used does not stop the others. Whatever is stopped half way, by a kill
    or a power cut, leaves whole files; what was made is not made again the next time. A session
    whose worker was lost is given to another one, once; a task that is run twice finds what the
    first run made.
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
    for session, outcome in _finished(todo, tasks, (anew, pdf), jobs, executor):
        found[session] = outcome
        say(outcome, len(found), len(sessions))
    return tuple(found[session] for session in sessions)


def _finished(todo, tasks, options, jobs, executor):
    """Sessions with their outcomes, as they come."""
    if executor is not None:
        yield from _handed_out(executor, todo, tasks, options)
        return
    workers = max(1, min(jobs or os.cpu_count() or 1, len(todo)))
    if workers == 1:
        for session in todo:
            yield session, _make(session, tasks[session], *options)
        return
    lost = []
    # Spawned: a copy of a process that runs notebooks is not safe to run them in.
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        for session, outcome in _handed_out(pool, todo, tasks, options):
            if outcome.code == _LOST:
                lost.append(session)
            else:
                yield session, outcome
    for session in lost:
        # One by one, each in a process of its own: the one that kills its process is then known.
        with ProcessPoolExecutor(1, get_context("spawn")) as pool:
            for again, outcome in _handed_out(pool, [session], tasks, options):
                known = outcome.code != _LOST
                yield again, outcome if known else Outcome(again, "fault", outcome.said)


def _handed_out(executor, todo, tasks, options):
    waiting = {
        executor.submit(_make, session, tasks[session], *options): session for session in todo
    }
    for done in as_completed(waiting):
        session, error = waiting[done], done.exception()
        if error is None:
            yield session, done.result()
        elif isinstance(error, BrokenExecutor):
            yield session, Outcome(session, _LOST, "the process that made it was stopped")
        else:
            yield session, _fault(session, error)


def place_of(session: Path, folder: Path | str, out_folder: Path | str | None = None) -> Path:
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


def _make(session, out, anew, pdf) -> Outcome:
    """One report, in whichever process; workbooks of one process run one after the other."""
    with _ONE_AT_A_TIME:
        return _made(session, out, anew, pdf)


def _made(session, out, anew, pdf) -> Outcome:
    try:
        if not anew and _is_made(session, out, pdf):
            return Outcome(session, "made")
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
