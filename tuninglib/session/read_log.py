"""A log that session.toml names, read whatever it is."""

import stat
from pathlib import Path

from tuninglib.session.delimited_file import read_delimited
from tuninglib.session.gpx_file import read_gpx
from tuninglib.session.trace import Trace
from tuninglib.text_files import Problem, SessionError, quoted


def read_log(folder, log) -> Trace:
    """The log of one table [logs.a_name].

    Parameters
    ----------
    folder : path
        Of the session.
    log : tuninglib.session.schema.Log

    Returns
    -------
    Trace

    Raises
    ------
    SessionError
        If the file is not there or cannot be used, each problem in one sentence.
    """
    name = log.file
    if not name or Path(name).name != name or name.startswith(".") or "\\" in name:
        message = f"{quoted(name)} is no name of a file in the session's folder; put the log there"
        raise SessionError([Problem("session.toml", message, column="file")])
    path = Path(folder) / name
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise SessionError([Problem(name, "is no ordinary file; put the log in its place")])
        with path.open("rb") as stream:
            start = stream.read(200)
        if _is_xml(start):
            return read_gpx(path)
        return read_delimited(
            path,
            columns=dict(log.columns),
            units=dict(log.units),
            time_format=log.time_format,
        )
    except FileNotFoundError:
        message = "is named under [logs], but is not in the session's folder; copy it there"
        raise SessionError([Problem(name, message)]) from None
    except OSError as error:
        raise SessionError([Problem(name, f"cannot be read: {error.strerror}")]) from None


def _is_xml(start: bytes) -> bool:
    """Whether a file begins as XML does, in any encoding."""
    bare = start.replace(b"\x00", b"").lstrip(b"\xff\xfe\xef\xbb\xbf \t\r\n")
    return bare.startswith(b"<")


def log_files(tables: dict) -> list:
    """Names of the files of the logs in tables as they were typed.

    Parameters
    ----------
    tables : dict
        Of a session.toml; need not be complete.

    Examples
    --------
    >>> log_files({"logs": {"phone": {"file": "phone.gpx"}, "other": 3}})
    ['phone.gpx']
    """
    logs = tables.get("logs")
    entries = logs.values() if isinstance(logs, dict) else ()
    named = (entry.get("file") for entry in entries if isinstance(entry, dict))
    return [name for name in named if isinstance(name, str) and name and Path(name).name == name]
