"""The season page: one for each bike with two outings or more, beside the reports."""

import hashlib
import re
from pathlib import Path

import tuninglib
from tuninglib.analysis.season import bikes_of
from tuninglib.report.make import PACKAGE, WorkbookError, workbook_path
from tuninglib.report.outings import outings_below
from tuninglib.report.page import render_page
from tuninglib.report.season import day_of
from tuninglib.whole_files import write_together

NAME = "season"


def make_seasons(folder, out_folder=None) -> tuple:
    """Make or renew the season pages of a folder.

    Parameters
    ----------
    folder : path
        With sessions below it, whose reports were made.
    out_folder : path, optional
        Where the reports are and the pages go, if not beside the sessions.

    Returns
    -------
    tuple of Path
        The pages, ``season.html`` or, of several bikes, one for each name; those that have not
        changed, too. An earlier, different one is kept under a name of its own.

    Raises
    ------
    WorkbookError
        If a cell of the workbook fails.
    """
    outings, left_out = outings_below(folder, out_folder)
    place = Path(out_folder or folder)
    bikes = {bike: own for bike, own in bikes_of(outings).items() if len(own) > 1}
    pages = {}
    for bike, own in bikes.items():
        path = place / f"{_file_name(bike, bikes)}.html"
        made_from = _fingerprint((own, left_out))
        if not (path.is_file() and made_from in path.read_text(encoding="utf-8")):
            write_together({path: _page(own, bike, folder, out_folder, made_from)}, keep=True)
        pages[bike] = path
    return tuple(pages.values())


def _file_name(bike, bikes) -> str:
    """Of plain letters; two names that come out the same are told apart by a checksum."""
    if len(bikes) == 1:
        return NAME

    def plain(name):
        return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "unnamed"

    same = sum(plain(other) == plain(bike) for other in bikes) > 1
    more = f"-{hashlib.sha256(bike.encode()).hexdigest()[:6]}" if same else ""
    return f"{NAME}.{plain(bike)}{more}"


def _fingerprint(found) -> str:
    """Checksum of what a page follows from: the records, the workbook, the program."""
    whole = hashlib.sha256(repr(found).encode())
    program = sorted(
        path
        for path in PACKAGE.rglob("*")
        if path.suffix in (".py", ".j2", ".js", ".css") and path.is_file()
    )
    for path in (workbook_path(NAME), *program):
        whole.update(path.read_bytes())
    return whole.hexdigest()[:32]


def _page(outings, bike, folder, out_folder, made_from) -> str:
    import papermill

    from tuninglib.report.workbook import inside_a_notebook, run_workbook

    parameters = {
        "season_folder": str(Path(folder).resolve()),
        "reports_folder": str(Path(out_folder).resolve()) if out_folder else "",
        "bike": bike,
        "links": True,
    }
    try:
        notebook = run_workbook(workbook_path(NAME), parameters, kernel=inside_a_notebook())
    except papermill.PapermillExecutionError as error:
        raise WorkbookError(f"a cell failed with {error.ename}: {error.evalue}") from error
    first, last = outings[0].date, outings[-1].date
    return render_page(
        notebook,
        title=f"A season of {bike}",
        byline=f"Outings from {day_of(first)} to {day_of(last)}",
        footer=(
            f"Made with tuninglib {tuninglib.__version__} from the results beside each outing's "
            f"report (checksum {made_from}). All readings come from the riders. Read the cautions "
            "before riding."
        ),
    )
