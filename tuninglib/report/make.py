"""A session's folder in, its files out: the report page, the results, the executed workbook.

The workbook is run through papermill without starting a second Python. Of many sessions several are
made at a time, and those that have not changed are left as they are.
"""

import asyncio
import atexit
import hashlib
import io
import json
import os
import re
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, ThreadPoolExecutor, as_completed
from contextlib import ExitStack, chdir, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import nbformat
import papermill
from IPython import get_ipython
from IPython.core.displayhook import DisplayHook
from IPython.core.displaypub import CapturingDisplayPublisher
from IPython.core.interactiveshell import InteractiveShell
from papermill.engines import Engine, NotebookExecutionManager, papermill_engines
from papermill.inspection import inspect_notebook
from papermill.translators import translate_parameters
from traitlets import Type
from traitlets.config import Config

import tuninglib
from tuninglib.report.page_parts import (
    PACKAGE,
    MissingPdf,
    day_of,
    page_to_pdf,
    render_page,
    whose_readings,
)
from tuninglib.session.read_toml import log_files, own_files, tables_as_typed
from tuninglib.text_files import SessionError, printable
from tuninglib.whole_files import alone_in, in_words, write_atomic, write_together

# Running a workbook in this process ---------------------------------------------------------------
# Papermill lets an engine say how cells are run. This one runs them in an IPython shell inside
# the process that already has the library loaded: a report is ready in about half the time, and
# the notebook and its outputs are the same as from a kernel (a test compares the two).

NAME = "tuninglib-in-process"
# Python's own: no module from the current folder, in children and their children.
SAFE_PATH = "PYTHONSAFEPATH"


class InProcessEngine(Engine):
    """Papermill engine whose cells run in this process."""

    @classmethod
    def execute_managed_notebook(
        cls,
        nb_man: NotebookExecutionManager,
        kernel_name: str,
        *,
        namespace: dict | None = None,
        **kwargs: object,
    ) -> None:
        """Run every cell in order and store what it shows; stop at the first that fails."""
        with _shell() as shell:
            for index, cell in enumerate(nb_man.nb.cells):
                nb_man.cell_start(cell, index)
                failed = cell.cell_type == "code" and not _run_cell(shell, cell)
                if failed:
                    nb_man.cell_exception(cell, index)
                    return
                nb_man.cell_complete(cell, index)
            if namespace is not None:
                namespace.update(shell.user_ns)


class WorkbookError(RuntimeError):
    """The workbook failed: a cell, which the message names, or it left no results."""


class _Hook(DisplayHook):
    """Keeps the value of a cell's last line, beside what it shows, instead of printing it."""

    def write_output_prompt(self):
        pass

    def write_format_data(self, format_dict, md_dict=None):
        value = {"output_type": "execute_result", "data": format_dict, "metadata": md_dict or {}}
        self.shell.display_pub.outputs.append(value)

    def finish_displayhook(self):
        pass


class _Shell(InteractiveShell):
    """A shell that keeps what its cells show, in order."""

    displayhook_class = Type(_Hook)
    display_pub_class = Type(CapturingDisplayPublisher)


@contextmanager
def _shell():
    """A shell of its own, with nothing kept and the interpreter's hooks put back afterwards."""
    config = Config()
    config.HistoryManager.enabled = False
    config.InteractiveShell.colors = "nocolor"
    config.InteractiveShell.xmode = "Plain"
    hooks = sys.displayhook, sys.excepthook, sys.modules.get("__main__")
    shell = _Shell.instance(config=config)
    try:
        yield shell
    finally:
        _Shell.clear_instance()
        # The interpreter would keep every shell until it ends, with all that its cells made.
        atexit.unregister(shell.atexit_operations)
        shell.user_ns.clear()
        sys.displayhook, sys.excepthook = hooks[:2]
        if hooks[2] is not None:
            sys.modules["__main__"] = hooks[2]


def _run_cell(shell, cell) -> bool:
    """Run one code cell, put its outputs into it, and tell whether it succeeded."""
    shell.display_pub.outputs.clear()
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        result = shell.run_cell(cell.source, store_history=True)
    cell.execution_count = count = shell.execution_count - 1
    error = result.error_before_exec or result.error_in_exec
    shown = []
    for name, stream in (("stdout", out), ("stderr", err)):
        # A failing cell prints its traceback; the error output below has it already.
        if stream.getvalue() and error is None:
            shown.append({"output_type": "stream", "name": name, "text": stream.getvalue()})
    for one in shell.display_pub.outputs:
        if "output_type" in one:
            shown.append(one | {"execution_count": count})
        else:
            kept = {"data": one["data"], "metadata": one["metadata"] or {}}
            shown.append({"output_type": "display_data", **kept})
    if error is not None:
        traceback = shell.InteractiveTB.structured_traceback(
            type(error), error, error.__traceback__
        )
        shown.append(
            {
                "output_type": "error",
                "ename": type(error).__name__,
                "evalue": str(error),
                "traceback": shell.InteractiveTB.stb2text(traceback).split("\n"),
            }
        )
    # As nbformat's own constructors, which check each output against the format's schema: a test
    # does that.
    cell.outputs = nbformat.from_dict(shown)
    return error is None


def inside_a_notebook() -> bool:
    """Whether this process runs a notebook's cells: its shell is there, and only one can be."""
    return get_ipython() is not None


def run_workbook(
    path: Path,
    parameters: dict,
    *,
    shown: dict | None = None,
    failed: Path | None = None,
    namespace: dict | None = None,
    kernel: bool = False,
) -> nbformat.NotebookNode:
    """Notebook with its parameters set and all its outputs.

    Parameters
    ----------
    path : Path
        The workbook; it is read, never written.
    parameters : dict
        Values for its parameters cell: text, numbers, booleans, lists.
    shown : dict, optional
        Values that the finished notebook shows in place of some that it was run with.
    failed : Path, optional
        Where to leave the notebook so far if a cell fails.
    namespace : dict, optional
        Filled with the workbook's names at its end (not with a kernel).
    kernel : bool
        Run in a Jupyter kernel of its own instead of in this process. It is needed where
        :func:`inside_a_notebook` is true. It starts in an empty folder and imports nothing from
        where it stands: what lies in a stranger's outing is never run.

    Returns
    -------
    nbformat.NotebookNode

    Raises
    ------
    ValueError
        If the workbook has no such parameter (papermill itself would only log it).
    WorkbookError
        If a cell fails.
    """
    known = inspect_notebook(_literal(path))
    unknown = sorted((set(parameters) | set(shown or {})) - set(known))
    if unknown:
        raise ValueError(
            f"{path.name} has no parameter {unknown[0]!r}; it has {', '.join(sorted(known))}"
        )
    papermill_engines.register(NAME, InProcessEngine)
    engine = {} if kernel else {"engine_name": NAME, "namespace": namespace}
    # Papermill writes down where it put the notebook so far; that it was a folder of the moment.
    with tempfile.TemporaryDirectory() as moment, ExitStack() as apart:
        if kernel:
            apart.enter_context(_safe_children())
            apart.enter_context(chdir(moment))
        so_far = Path(moment) / path.name
        try:
            notebook = papermill.execute_notebook(
                _literal(path),
                None if failed is None else _literal(so_far),
                parameters=parameters,
                progress_bar=False,
                request_save_on_cell_execute=False,
                **engine,
            )
        except papermill.PapermillExecutionError as error:
            raise _failed(error, so_far, failed) from error
    if failed is not None:
        Path(failed).unlink(missing_ok=True)
    if shown:
        _show_instead(notebook, parameters | shown)
    return _without_clock(notebook)


@contextmanager
def _safe_children():
    """Let no Python that is started import from the current folder, which may be a stranger's."""
    before = os.environ.get(SAFE_PATH)
    os.environ[SAFE_PATH] = "1"
    try:
        yield
    finally:
        os.environ.pop(SAFE_PATH)
        if before is not None:
            os.environ[SAFE_PATH] = before


def _literal(path) -> str:
    """A path that papermill takes as it is: it would fill in what stands in braces."""
    return str(path).replace("{", "{{").replace("}", "}}")


def _failed(error, so_far, failed) -> WorkbookError:
    """Say which cell failed, and leave the notebook so far where that was asked for."""
    cell = error.source.strip().splitlines()[0] if error.source.strip() else ""
    said = f"the cell {cell!r} failed with {error.ename}: {error.evalue}"
    if failed is not None:
        write_atomic(Path(failed), so_far.read_bytes())
        said = f"{said}; the workbook so far is {failed}"
    return WorkbookError(said)


def _show_instead(notebook, parameters: dict) -> None:
    """Write other values into the cell that papermill put in, as papermill writes them."""
    kernel = notebook.metadata.kernelspec
    for cell in notebook.cells:
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell.source = translate_parameters(kernel.name, kernel.language, parameters)


def _without_clock(notebook):
    """The notebook without times and random ids, so that the same session gives the same bytes."""
    notebook.metadata.pop("papermill", None)
    for number, cell in enumerate(notebook.cells):
        for key in ("papermill", "execution"):
            cell.metadata.pop(key, None)
        cell["id"] = f"cell-{number}"
    return notebook


# From the folder to the files ---------------------------------------------------------------------


@dataclass(frozen=True)
class Written:
    """Where a report went, and which earlier files were kept under another name."""

    page: Path
    summary: Path
    results: Path
    notebook: Path
    pdf: Path | None
    kept: tuple


def workbook_path(name: str) -> Path:
    """Path of a workbook: beside the package in a checkout, inside it when installed.

    Raises
    ------
    FileNotFoundError
        If there is no such workbook.
    """
    for folder in (PACKAGE / "workbooks", PACKAGE.parent / "workbooks"):
        path = folder / f"{name}.ipynb"
        if path.is_file():
            return path
    raise FileNotFoundError(f"there is no workbook named {name!r}")


def report_folder(session_folder: Path | str) -> Path:
    """Where the report of a session goes if nothing else is said: beside its folder.

    Parameters
    ----------
    session_folder : path
        The report of a link to a folder goes beside the link.
    """
    folder = Path(os.path.abspath(session_folder))
    return folder.parent / f"{folder.name}.report"


def make_report(
    session_folder: Path | str,
    out_folder: Path | str | None = None,
    *,
    progress: Callable[[str], object] | None = None,
    kernel: bool = False,
    pdf: bool = False,
) -> Written:
    """The written tuning report of a session.

    Parameters
    ----------
    session_folder : path
    out_folder : path, optional
        Left out: a folder beside the session's, named after it with ``.report``.
    progress : callable, optional
        Called with one line of text at each step.
    kernel : bool
        Run the workbook in a Jupyter kernel of its own; slower, for those who doubt. Inside a
        notebook it is always so.
    pdf : bool
        Write ``report.pdf``, too.

    Returns
    -------
    Written

    Raises
    ------
    SessionError
        If the session cannot be used; nothing is written then.
    WorkbookError
        If a cell of the workbook fails: only the notebook so far is written, as
        ``workbook.failed.ipynb``. Or if the workbook leaves no results: nothing is written.

    Notes
    -----
    Page and ``results.json`` come from the same results. In this process they are those that the
    workbook leaves under the name ``results``. Nothing can be taken out of a kernel of its own:
    with one they are worked out here, once more, from the same session.
    """
    from tuninglib.session.load import load_session

    say = progress or (lambda line: None)
    say("Reading the outing")
    session = load_session(session_folder)
    out = Path(os.path.abspath(out_folder)) if out_folder else report_folder(session_folder)
    out.mkdir(parents=True, exist_ok=True)
    with alone_in(out):
        return _write(out, _contents(session, out, say, kernel, pdf))


def _contents(session, out: Path, say, kernel: bool, pdf: bool) -> dict:
    """What each file of a report holds, all from the same results."""
    from tuninglib.analysis.analyse import results_document
    from tuninglib.report import tested, verdict_figure, what_if

    notebook, results = _run(session, out / "workbook.failed.ipynb", say, kernel)
    line = tested.in_one_line(results)
    say("Writing the page")
    title, whose = session.about.title, whose_readings(session.about.title)
    byline = f"{day_of(session.about.date)}: {line}."
    # The program's own workbook, never a copy that was edited in JupyterLab.
    path = workbook_path("session_report")
    workbook = f"{path.name} (SHA-256 {checksum(path)[:12]}…)"
    made = (
        f"Made with tuninglib {tuninglib.__version__}, by its own workbook {workbook}, from the "
        f"files named under provenance. {whose} Read the cautions before riding."
    )
    script = what_if.script(results)
    page = render_page(notebook, title=title, byline=byline, footer=made, script=script)
    part = (
        "One page of a report that also holds every run, the weather, the method and all cautions. "
        f"{whose} Local law and the maker's manual come before anything that is written here."
    )
    summary = render_page(notebook, title=title, byline=byline, footer=part, only="summary")
    document = json.dumps(results_document(results), indent=2, ensure_ascii=False)
    contents = {
        "report.html": page,
        "summary.html": summary,
        "results.json": f"{document}\n",
        "workbook.ipynb": f"{nbformat.v4.writes(notebook)}\n",
    }
    shared = verdict_figure.shared_picture(results)
    if shared is not None:
        contents["summary.png"] = shared
    if pdf:
        say("Writing the PDF")
        contents[_PDF] = page_to_pdf(page)
    return contents


@contextmanager
def _in_letters(folder: str):
    """A path that a notebook can hold; to a folder whose name is no text, a link for the moment."""
    try:
        folder.encode()
    except UnicodeEncodeError:
        with tempfile.TemporaryDirectory() as moment:
            link = os.path.join(moment, "outing")
            os.symlink(folder, link)
            yield link
        return
    yield folder


def _run(session, failed: Path, say, kernel: bool) -> tuple:
    """The executed workbook, and the results that page and results.json are made of."""
    from tuninglib.analysis.analyse import Results, analyse

    say("Working it out")
    kernel = kernel or inside_a_notebook()
    names: dict = {}
    with _in_letters(os.path.abspath(session.folder)) as folder:
        notebook = run_workbook(
            workbook_path("session_report"),
            {"session_folder": folder},
            # It is handed on: where the folder lies on this machine is nobody's business.
            shown={"session_folder": printable(Path(os.path.abspath(session.folder)).name)},
            failed=failed,
            namespace=names,
            kernel=kernel,
        )
    if kernel:
        return notebook, analyse(session)
    if not isinstance(names.get("results"), Results):
        raise WorkbookError(
            "the workbook session_report left no results under the name 'results'; one of its "
            "cells has to say results = analyse(...)"
        )
    return notebook, names["results"]


def _write(out: Path, contents: dict) -> Written:
    """Write every file; an earlier, different one is kept under a name of its own."""
    # The page comes last: what it stands on is there already.
    names = sorted(contents, key="report.html".__eq__)
    kept = write_together({out / name: contents[name] for name in names}, keep=True)
    return Written(
        page=out / "report.html",
        summary=out / "summary.html",
        results=out / "results.json",
        notebook=out / "workbook.ipynb",
        pdf=out / _PDF if _PDF in contents else None,
        kept=kept,
    )


# On the workers of a club's server: an executor of dask, an optional extra ------------------------

# A worker that is lost this often with one session is not given that session again.
_RETRIES = 2
_PATIENCE_S = 8


class NoCluster(RuntimeError):
    """The cluster's package is not installed, or its scheduler or workers do not answer."""


@contextmanager
def executor_at(address: str) -> Iterator[Executor]:
    """Executor whose tasks run on the workers of a scheduler.

    Parameters
    ----------
    address : str
        Of the scheduler: of one on this machine, for example ``"tcp://127.0.0.1:8786"``, or
        ``"tls://..."`` anywhere, with the certificates that dask's own settings name.

    Yields
    ------
    concurrent.futures.Executor

    Raises
    ------
    NoCluster
        If the package is not there, the address is open to others, or within ten seconds nobody
        answers or no worker is there.

    Notes
    -----
    Scheduling, retries and lost workers are dask.distributed's own. Whoever reaches a scheduler
    runs code on its workers and on the machine of who hands it work: over a network only known
    certificates keep strangers out, so that a plain address there is refused.
    """
    try:
        from distributed import Client
        from distributed.security import Security
    except ImportError as error:
        raise NoCluster(
            "a scheduler needs the extra package: pip install 'tuninglib[cluster]'; or leave "
            "--scheduler out to use this machine's cores"
        ) from error
    if not _OF_OURSELVES.match(address):
        raise NoCluster(
            f"{address} is neither on this machine nor at tls://, so whoever reaches it could run "
            "code here; start the scheduler with certificates and name it at tls://, or let "
            "ssh -L lead to it and name tcp://127.0.0.1:8786"
        )
    security = Security()
    asked = _require_workers(address, security.get_connection_args("client"))
    # A notebook has a loop of its own running in its thread.
    with ThreadPoolExecutor(1) as aside:
        aside.submit(asyncio.run, asked).result()
    try:
        client = Client(address, timeout=_PATIENCE_S, security=security, set_as_default=False)
    except (OSError, ValueError) as error:
        raise _no_answer(address, error) from error
    with client:
        yield client.get_executor(pure=False, retries=_RETRIES)


# An address with certificates, or on this machine.
_OF_OURSELVES = re.compile(r"tls://|(tcp://)?(127\.\d+\.\d+\.\d+|localhost|\[::1\])(:\d+)?/?$")


async def _require_workers(address: str, connection: dict) -> None:
    """Refuse a scheduler that is silent or has nobody to work: a client would wait for ever."""
    from distributed import rpc

    answered = False
    try:
        async with asyncio.timeout(_PATIENCE_S), rpc(address, connection_args=connection) as one:
            while not (await one.identity())["workers"]:
                answered = True
                await asyncio.sleep(_PATIENCE_S / 50)
    # Something else may listen there and answer whatever it likes.
    except Exception as error:
        if answered:
            raise NoCluster(
                f"the scheduler at {address} has no workers; start one with: dask worker {address} "
                "--nthreads 1"
            ) from error
        raise _no_answer(address, error) from error


def _no_answer(address: str, error: Exception) -> NoCluster:
    if address.startswith("tls"):
        remedy = "name its certificates in dask's settings, as the guide says under Many outings"
        return NoCluster(f"no scheduler answers at {address} ({error or 'silence'}); {remedy}")
    return NoCluster(
        f"no scheduler answers at {address}; start one with: dask scheduler --host 127.0.0.1, and "
        "workers with: dask worker ADDRESS --nthreads 1"
    )


# Many reports -------------------------------------------------------------------------------------

# Beside each report: a checksum of what it was made from and with, and one of each of its files.
MADE_FROM = "made_from.sha256"
_SESSION, _PDF = "session.toml", "report.pdf"
# A workbook's shell is the whole process's.
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
    whole = hashlib.sha256()
    program = (workbook_path("session_report"), *program_files())
    for path in (*own_files(session_folder, logs), *program):
        whole.update(path.name.encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    return whole.hexdigest()


def program_files() -> list:
    """Paths of everything of this program that a page follows from, its workbooks aside."""
    return sorted(
        path for path in PACKAGE.rglob("*") if path.suffix in _OF_THE_PROGRAM and path.is_file()
    )


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
        :func:`tuninglib.report.make.executor_at`, for example. Whoever works for it has to see
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
    # Late: one report alone needs no processes.
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    # Spawned: a copy of a process that runs notebooks is not safe to run them in.
    how = {"mp_context": get_context("spawn"), "initializer": _end_with_parent}
    with _safe_children(), ProcessPoolExecutor(workers, **how) as pool:
        yield from _handed_out(pool, todo, tasks, options)


def _end_with_parent() -> None:
    """End this process as soon as the one that started it is gone, however that ended.

    A worker waits for its next task at a pipe that it holds open itself. What it writes is whole or
    not there at any moment.
    """
    from multiprocessing import parent_process

    def wait():
        parent_process().join()
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()


def _handed_out(executor, todo, tasks, options):
    waiting = {
        executor.submit(_make, session, tasks[session], *options): session for session in todo
    }
    for done in as_completed(waiting):
        session, error = waiting[done], done.exception()
        if error is None:
            yield session, done.result()
        elif isinstance(error, BrokenExecutor):
            said = "a process that made reports was stopped; give the command once more"
            yield session, Outcome(session, "fault", said)
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
    """Whether the report there was made from just this, and each of its files is as it was made."""
    try:
        mark, *files = (out / MADE_FROM).read_text(encoding="utf-8").splitlines()
        wanted = dict(line.split("  ")[::-1] for line in files)
        made = bool(wanted) and (not pdf or _PDF in wanted) and mark == fingerprint(session)
        return made and all(
            checksum(out / name) == known for name, known in wanted.items() if pdf or name != _PDF
        )
    except (OSError, ValueError):
        return False


def checksum(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


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
        written = make_report(session, out, pdf=pdf)
        files = (written.page, written.summary, written.results, written.notebook, written.pdf)
        lines = [f"{checksum(path)}  {path.name}" for path in files if path]
        write_atomic(out / MADE_FROM, "\n".join([mark, *lines, ""]))
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
