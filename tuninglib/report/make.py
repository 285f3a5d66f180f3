"""A session's folder in, three files out: the report page, the results, the executed workbook."""

import json
import os
import re
from dataclasses import dataclass
from pathlib import Path

import tuninglib
from tuninglib.report.page import page_to_pdf, render_page
from tuninglib.text_files import printable
from tuninglib.whole_files import alone_in, write_together

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


def report_folder(session_folder) -> Path:
    """Where the report of a session goes if nothing else is said: beside its folder.

    Parameters
    ----------
    session_folder : path
        The report of a link to a folder goes beside the link.
    """
    folder = Path(os.path.abspath(session_folder))
    return folder.parent / f"{folder.name}.report"


def make_report(
    session_folder, out_folder=None, *, progress=None, kernel: bool = False, pdf: bool = False
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

    from tuninglib.analysis.results_json import results_document
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

    from tuninglib.analysis.analyse import Results, analyse
    from tuninglib.report.workbook import inside_a_notebook, run_workbook

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
