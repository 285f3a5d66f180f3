"""A session's folder in, its files out: the report page, the results, the executed workbook.

The workbook is run through papermill without starting a second Python.
"""

import atexit
import io
import json
import os
import re
import sys
import tempfile
from collections.abc import Callable
from contextlib import chdir, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import nbformat
import papermill
from IPython import get_ipython
from IPython.core.displayhook import DisplayHook
from IPython.core.displaypub import DisplayPublisher
from IPython.core.interactiveshell import InteractiveShell
from nbformat import NotebookNode
from papermill.engines import Engine, NotebookExecutionManager, papermill_engines
from papermill.inspection import inspect_notebook
from papermill.translators import translate_parameters
from traitlets import Type
from traitlets.config import Config

import tuninglib
from tuninglib.report.page import page_to_pdf, render_page
from tuninglib.text_files import printable
from tuninglib.whole_files import alone_in, write_atomic, write_together

# Running a workbook in this process ---------------------------------------------------------------
# Papermill lets an engine say how cells are run. This one runs them in an IPython shell inside
# the process that already has the library loaded: a report is ready in about half the time, and
# the notebook and its outputs are the same as from a kernel (a test compares the two).

NAME = "tuninglib-in-process"


class InProcessEngine(Engine):
    """Papermill engine whose cells run in this process."""

    @classmethod
    def execute_managed_notebook(
        cls,
        nb_man: NotebookExecutionManager,
        kernel_name: str,
        *,
        on_cell: Callable[[int, NotebookNode], object] | None = None,
        namespace: dict | None = None,
        **kwargs: object,
    ) -> None:
        """Run every cell in order and store what it shows; stop at the first that fails."""
        with _shell() as shell:
            for index, cell in enumerate(nb_man.nb.cells):
                if on_cell is not None:
                    on_cell(index, cell)
                nb_man.cell_start(cell, index)
                failed = cell.cell_type == "code" and not _run_cell(shell, cell)
                if failed:
                    nb_man.cell_exception(cell, index)
                    return
                nb_man.cell_complete(cell, index)
            if namespace is not None:
                namespace.update(shell.user_ns)


class _Hook(DisplayHook):
    """Keeps the value of a cell's last line instead of printing it."""

    def write_output_prompt(self):
        pass

    def write_format_data(self, format_dict, md_dict=None):
        self.shell.shown.append(("execute_result", format_dict, md_dict or {}))

    def finish_displayhook(self):
        pass


class _Publisher(DisplayPublisher):
    """Keeps what a cell shows with display()."""

    def publish(self, data, metadata=None, **kwargs):
        self.shell.shown.append(("display_data", data, metadata or {}))


class _Shell(InteractiveShell):
    """A shell that keeps what its cells show, in order, in ``shown``."""

    displayhook_class = Type(_Hook)
    display_pub_class = Type(_Publisher)

    def __init__(self, **kwargs):
        self.shown = []
        super().__init__(**kwargs)


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
    shell.shown.clear()
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        result = shell.run_cell(cell.source, store_history=True)
    cell.execution_count = shell.execution_count - 1
    error = result.error_before_exec or result.error_in_exec
    for name, stream in (("stdout", out), ("stderr", err)):
        # A failing cell prints its traceback; the error output below has it already.
        if stream.getvalue() and error is None:
            cell.outputs.append(nbformat.v4.new_output("stream", name=name, text=stream.getvalue()))
    for kind, data, metadata in shell.shown:
        count = {"execution_count": cell.execution_count} if kind == "execute_result" else {}
        cell.outputs.append(nbformat.v4.new_output(kind, data=data, metadata=metadata, **count))
    if error is None:
        return True
    cell.outputs.append(
        nbformat.v4.new_output(
            "error",
            ename=type(error).__name__,
            evalue=str(error),
            traceback=shell.InteractiveTB.stb2text(
                shell.InteractiveTB.structured_traceback(type(error), error, error.__traceback__)
            ).split("\n"),
        )
    )
    return False


def inside_a_notebook() -> bool:
    """Whether this process runs a notebook's cells: its shell is there, and only one can be."""
    return get_ipython() is not None


def run_workbook(
    path: Path,
    parameters: dict,
    *,
    shown: dict | None = None,
    failed: Path | None = None,
    on_cell: Callable[[int, NotebookNode], object] | None = None,
    namespace: dict | None = None,
    kernel: bool = False,
    inside: Path | None = None,
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
    on_cell : callable, optional
        Called with index and cell before each cell, to show progress (not with a kernel).
    namespace : dict, optional
        Filled with the workbook's names at its end (not with a kernel).
    kernel : bool
        Run in a Jupyter kernel of its own instead of in this process. It is needed where
        :func:`inside_a_notebook` is true.
    inside : Path, optional
        Folder in which the cells run.

    Returns
    -------
    nbformat.NotebookNode

    Raises
    ------
    ValueError
        If the workbook has no such parameter (papermill itself would only log it).
    papermill.PapermillExecutionError
        If a cell fails.
    """
    known = inspect_notebook(_literal(path))
    unknown = sorted((set(parameters) | set(shown or {})) - set(known))
    if unknown:
        raise ValueError(
            f"{path.name} has no parameter {unknown[0]!r}; it has {', '.join(sorted(known))}"
        )
    papermill_engines.register(NAME, InProcessEngine)
    engine = {} if kernel else {"engine_name": NAME, "on_cell": on_cell, "namespace": namespace}
    # Papermill writes down where it put the notebook so far; that it was a folder of the moment.
    with tempfile.TemporaryDirectory() as moment, chdir(inside or "."):
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
        except papermill.PapermillExecutionError:
            if failed is not None and so_far.exists():
                write_atomic(Path(failed), so_far.read_bytes())
            raise
    if failed is not None:
        Path(failed).unlink(missing_ok=True)
    if shown:
        _show_instead(notebook, parameters | shown)
    return _without_clock(notebook)


def _literal(path) -> str:
    """A path that papermill takes as it is: it would fill in what stands in braces."""
    return str(path).replace("{", "{{").replace("}", "}}")


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

PACKAGE = Path(__file__).parent.parent


class WorkbookError(RuntimeError):
    """The workbook failed: a cell, which the message names, or it left no results."""


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
    say("Reading the session")
    session = load_session(session_folder)
    out = Path(os.path.abspath(out_folder)) if out_folder else report_folder(session_folder)
    out.mkdir(parents=True, exist_ok=True)
    with alone_in(out):
        return _write(out, _contents(session, out, say, kernel, pdf))


def _contents(session, out: Path, say, kernel: bool, pdf: bool) -> dict:
    """What each file of a report holds, all from the same results."""
    # Late: what runs notebooks takes long to load, and a session may be refused before.
    import nbformat

    from tuninglib.analysis.results import results_document
    from tuninglib.report import fellow

    notebook, results = _run(session, out / "workbook.failed.ipynb", say, kernel)
    say("Writing the page")
    page = render_page(
        notebook,
        title=session.about.title,
        byline=f"Tuning report, {_day(session.about.date)}",
        footer=(
            f"Made with tuninglib {tuninglib.__version__} from the files named under "
            "provenance. All readings come from the rider. Read the cautions before riding."
        ),
        script=fellow.script(results),
    )
    summary = render_page(
        notebook,
        title=session.about.title,
        byline=f"Summary of the tuning report, {_day(session.about.date)}",
        footer=(
            "One page of a report that also holds every run, the weather, the method and all "
            "cautions. All readings come from the rider. Local law and the maker's manual go "
            "before anything that is written here."
        ),
        only="summary",
    )
    document = json.dumps(results_document(results), indent=2, ensure_ascii=False)
    contents = {
        "report.html": page,
        "summary.html": summary,
        "results.json": f"{document}\n",
        "workbook.ipynb": f"{nbformat.writes(notebook)}\n",
    }
    if pdf:
        say("Writing the PDF")
        contents["report.pdf"] = page_to_pdf(page)
    return contents


def _day(date) -> str:
    return f"{date.day} {date:%B %Y}"


def _run(session, failed: Path, say, kernel: bool) -> tuple:
    """The executed workbook, and the results that page and results.json are made of."""
    import papermill

    from tuninglib.analysis.analyse import analyse
    from tuninglib.analysis.results import Results

    def on_cell(index, cell):
        heading = re.match(r"#+ (.+)", cell.source) if cell.cell_type == "markdown" else None
        if heading:
            say(heading[1])

    kernel = kernel or inside_a_notebook()
    names: dict = {}
    try:
        notebook = run_workbook(
            workbook_path("session_report"),
            # It is handed on: where the folder lies on this machine is nobody's business, so the
            # workbook is run inside it and never hears of it.
            {"session_folder": "."},
            shown={"session_folder": printable(Path(os.path.abspath(session.folder)).name)},
            failed=failed,
            on_cell=on_cell,
            namespace=names,
            kernel=kernel,
            inside=Path(os.path.abspath(session.folder)),
        )
    except papermill.PapermillExecutionError as error:
        cell = error.source.strip().splitlines()[0] if error.source.strip() else ""
        raise WorkbookError(
            f"the cell {cell!r} failed with {error.ename}: {error.evalue}; the workbook so far is "
            f"{failed}"
        ) from error
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
        pdf=out / "report.pdf" if "report.pdf" in contents else None,
        kept=kept,
    )
