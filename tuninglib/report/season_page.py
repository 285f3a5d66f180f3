"""``season.html``: one for each bike with two outings or more, beside the reports.

The outings below a folder are taken as their reports left them, or worked out once more.
"""

import datetime
import hashlib
import re
from pathlib import Path
from typing import NamedTuple

import tuninglib
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.results import results_document
from tuninglib.analysis.season import Outing, Season, bikes_of, season_of
from tuninglib.analysis.season_record import read_document, record_from
from tuninglib.report.make import PACKAGE, WorkbookError, workbook_path
from tuninglib.report.many import place_of, sessions_in
from tuninglib.report.page import render_page
from tuninglib.report.season import day_of
from tuninglib.session.load import load_session
from tuninglib.text_files import Problem, SessionError, printable
from tuninglib.whole_files import write_together

# Outings below a folder ---------------------------------------------------------------------------


class Found(NamedTuple):
    """Outings below a folder.

    Attributes
    ----------
    outings : tuple of Outing
        In the order of their folders' names.
    left_out : tuple of str
        Folders of those that need fixing first.
    """

    outings: tuple
    left_out: tuple


def outings_below(folder: Path | str, out_folder: Path | str | None = None) -> Found:
    """Every outing below a folder.

    Parameters
    ----------
    folder : path
    out_folder : path, optional
        Where the reports are, if not beside the sessions.

    Returns
    -------
    Found

    Raises
    ------
    SessionError
        If there is no session below it.

    Notes
    -----
    Of a report that was made from just these files its results.json is read, and nothing is worked
    out again; others are analysed here.
    """
    found, left_out = [], []
    sessions = sessions_in(folder)
    if not sessions:
        raise SessionError(
            [
                Problem(
                    printable(Path(folder).name), "has no session below it; name a folder of them"
                )
            ]
        )
    for session in sessions:
        name = printable(session.relative_to(folder).as_posix())
        try:
            document = _document(session, place_of(session, folder, out_folder) / "results.json")
        except SessionError:
            left_out.append(name)
            continue
        found.append(
            Outing(
                folder=name,
                title=document["title"],
                date=datetime.date.fromisoformat(document["date"]),
                record=record_from(document["season"]),
                runs_checksum=document["provenance"].get("runs.csv", ""),
            )
        )
    return Found(tuple(found), tuple(left_out))


def season_below(folder: Path | str, bike: str = "", out_folder: Path | str = "") -> Season:
    """The season of one bike, from the outings below a folder.

    Parameters
    ----------
    folder : path
    bike : str
        What it is known by; empty: the one with most outings.
    out_folder : path
        Where the reports are; empty: beside the sessions.

    Returns
    -------
    Season
    """
    outings, left_out = outings_below(folder, out_folder or None)
    names = [one.record.known_as for one in outings]
    bike = bike or max(dict.fromkeys(names), key=names.count, default="")
    return season_of([one for one in outings if one.record.known_as == bike], left_out)


def _document(session, path) -> dict:
    """The results of a session: as its report left them, if it was made from these files."""
    try:
        document = read_document(path)
        if _is_of(document, session):
            return document
    except SessionError:
        pass
    return results_document(analyse(load_session(session)))


def _is_of(document, session) -> bool:
    made_from = document["provenance"]
    files = {name: value for name, value in made_from.items() if Path(name).suffix}
    try:
        return bool(files) and all(
            hashlib.sha256((session / name).read_bytes()).hexdigest() == value
            for name, value in files.items()
        )
    except OSError:
        return False


# The page -----------------------------------------------------------------------------------------

NAME = "season"


def make_seasons(folder: Path | str, out_folder: Path | str | None = None) -> tuple:
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

    from tuninglib.report.make import inside_a_notebook, run_workbook

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
