"""The outings below a folder, as their reports left them, or worked out once more."""

import datetime
import hashlib
from pathlib import Path
from typing import NamedTuple

from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.results_json import results_document
from tuninglib.analysis.season import Outing, Season, season_of
from tuninglib.analysis.season_record import read_document, record_from
from tuninglib.report.many import place_of, sessions_in
from tuninglib.session.load import load_session
from tuninglib.text_files import Problem, SessionError, printable


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


def outings_below(folder, out_folder=None) -> Found:
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


def season_below(folder, bike: str = "", out_folder="") -> Season:
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
