"""A session's folder in, three files out: the report page, the results, the executed workbook."""

import json
import re
from dataclasses import dataclass
from pathlib import Path

import tuninglib
from tuninglib.report.page import page_to_pdf, render_page
from tuninglib.text_files import write_atomic

PACKAGE = Path(__file__).parent.parent


class WorkbookError(RuntimeError):
    """A cell of the workbook failed; the message names it and where the notebook so far is."""


@dataclass(frozen=True)
class Written:
    """Where a report went, and which earlier files were kept under another name."""

    page: Path
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
        Run the workbook in a Jupyter kernel of its own; slower, for those who doubt.
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
        If a cell of the workbook fails; only the notebook so far is written, as
        ``workbook.failed.ipynb``.
    """
    from tuninglib.analysis.analyse import analyse, results_document
    from tuninglib.report import fellow
    from tuninglib.session.load import load_session

    say = progress or (lambda line: None)
    say("Reading the session")
    session = load_session(session_folder)
    folder = session.folder.resolve()
    out = Path(out_folder) if out_folder else folder.parent / f"{folder.name}.report"
    out.mkdir(parents=True, exist_ok=True)

    import papermill

    from tuninglib.report.workbook import run_workbook

    def on_cell(index, cell):
        heading = re.match(r"#+ (.+)", cell.source) if cell.cell_type == "markdown" else None
        if heading:
            say(heading[1])

    names: dict = {}
    failed = out / "workbook.failed.ipynb"
    try:
        notebook = run_workbook(
            workbook_path("session_report"),
            {"session_folder": str(folder)},
            failed=str(failed),
            on_cell=on_cell,
            namespace=names,
            kernel=kernel,
        )
    except papermill.PapermillExecutionError as error:
        cell = error.source.strip().splitlines()[0] if error.source.strip() else ""
        raise WorkbookError(
            f"the cell {cell!r} failed with {error.ename}: {error.evalue}; the workbook so far is "
            f"{failed}"
        ) from error
    results = names.get("results") or analyse(session)
    _hide_folder(notebook, str(folder), folder.name)
    say("Writing the page")
    page = render_page(
        notebook,
        title=session.about.title,
        byline=f"Tuning report, {session.about.date.day} {session.about.date:%B %Y}",
        footer=(
            f"Made with tuninglib {tuninglib.__version__} from the files named under "
            "provenance. Every number is the rider's own; the cautions come first."
        ),
        script=fellow.script(results),
    )
    document = json.dumps(results_document(results), indent=2, ensure_ascii=False) + "\n"
    import nbformat

    contents = {
        "report.html": page.encode(),
        "results.json": document.encode(),
        "workbook.ipynb": f"{nbformat.writes(notebook)}\n".encode(),
    }
    if pdf:
        say("Writing the PDF")
        contents["report.pdf"] = page_to_pdf(page)
    kept = [_keep_earlier(out / name, content) for name, content in contents.items()]
    for name, content in contents.items():
        write_atomic(out / name, content)
    return Written(
        page=out / "report.html",
        results=out / "results.json",
        notebook=out / "workbook.ipynb",
        pdf=out / "report.pdf" if pdf else None,
        kept=tuple(path for path in kept if path is not None),
    )


def _keep_earlier(path: Path, content: bytes):
    """Give an earlier, different file a name of its own; None if there is nothing to keep."""
    if not path.exists() or path.read_bytes() == content:
        return None
    number = 1
    while (kept := path.with_name(f"{path.stem}.earlier-{number}{path.suffix}")).exists():
        number += 1
    # A copy, so that the name report.html never stands empty.
    kept.write_bytes(path.read_bytes())
    return kept


def _hide_folder(notebook, path: str, name: str) -> None:
    """Put the folder's bare name where the executed notebook has its path: it is handed on."""
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.source = cell.source.replace(json.dumps(path), json.dumps(name))
