"""Values written into session.toml: the rider's own text and remarks stay as they are."""

import re
import shutil
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path

from tuninglib.session.load import RUNS, TOML, load_session
from tuninglib.text_files import Problem, SessionError, read_text, write_atomic


@dataclass(frozen=True)
class Edited:
    """What became of a file: where its earlier version is kept; None if nothing had to change."""

    path: Path
    kept: Path | None


def set_values(text: str, table: str, values: dict) -> str:
    """Text of a TOML file with some keys of one table set; everything else to the letter.

    Parameters
    ----------
    text : str
        With plain line ends.
    table : str
        ``"target"``, ``"injectors.next"``; put at the end if it is not there yet.
    values : dict of str to str or float
        Key to value: text is put in quotes, numbers are not.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        If a value that stands there now is spread over several lines.

    Notes
    -----
    A remark behind a value stays behind the new one. Where a key is only there as a remark, as in
    a session of ``tuninglib new``, the remark's mark is taken away.

    Examples
    --------
    >>> print(set_values('[target]\\nlowest = 0.83  # richest', "target", {"lowest": 0.84}))
    [target]
    lowest = 0.84  # richest
    """
    lines = text.split("\n")
    span = _span(lines, table)
    if span is None:
        while lines and not lines[-1].strip():
            lines.pop()
        lines += ["", f"[{table}]"]
        span = (len(lines), len(lines))
        lines.append("")
    first, end = span
    for key, value in values.items():
        line = f"{key} = {_literal(value)}"
        at = _find(lines, first, end, rf'\s*"?{re.escape(key)}"?\s*=')
        if at is None:
            at = _find(lines, first, end, rf"\s*#\s*{re.escape(key)}\s*=")
        if at is None:
            while end > first and not lines[end - 1].strip():
                end -= 1
            lines.insert(end, line)
            end += 1
        else:
            lines[at] = line + _remark(lines[at], key)
    return "\n".join(lines)


def _literal(value) -> str:
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return f"{value:g}"


def _span(lines, table):
    """First and last-plus-one line of a table's keys; None if it has no header."""
    wanted = table.replace('"', "")
    first = None
    for index, line in enumerate(lines):
        header = re.match(r"\s*\[+\s*([^\]]*?)\s*\]+\s*(?:#.*)?$", line)
        if not header:
            continue
        if first is not None:
            return first, index
        if header[1].replace('"', "").replace(" ", "") == wanted:
            first = index + 1
    return None if first is None else (first, len(lines))


def _find(lines, first, end, pattern):
    return next((i for i in range(first, end) if re.match(pattern, lines[i])), None)


def _remark(line: str, key: str) -> str:
    """The remark behind a value, with the blanks before it."""
    bare = re.sub(r"^\s*#\s*", "", line)
    for match in re.finditer(r"\s*#|\s*$", bare):
        try:
            read = tomllib.loads(bare[: match.start()])
        except tomllib.TOMLDecodeError:
            continue
        if key in read:
            return bare[match.start() :].rstrip()
    raise ValueError(f"{key} is spread over several lines in {TOML}; change it there by hand")


def keep_earlier(path: Path) -> Path:
    """A copy of a file under the next free name of the kind ``session.earlier-1.toml``."""
    number = 1
    while (kept := path.with_name(f"{path.stem}.earlier-{number}{path.suffix}")).exists():
        number += 1
    shutil.copyfile(path, kept)
    return kept


def write_like(path: Path, text: str) -> None:
    """Write a text file over an earlier one, with the line ends and the mark that it had."""
    raw = path.read_bytes()
    if b"\r\n" in raw or b"\r\x00\n\x00" in raw:
        text = text.replace("\n", "\r\n")
    if raw.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")):
        # UTF-16 becomes UTF-8 with a mark, which spreadsheets read as well.
        text = "\ufeff" + text
    write_atomic(path, text)


def problems_of(folder: Path, texts: dict) -> tuple:
    """Problems that the session would have with these files.

    Parameters
    ----------
    folder : Path
    texts : dict of str to str
        Name of a file to its text; the others are taken from the folder.

    Returns
    -------
    tuple of Problem
    """
    with tempfile.TemporaryDirectory() as trial:
        for name in (TOML, RUNS):
            if name not in texts and (folder / name).is_file():
                shutil.copyfile(folder / name, Path(trial) / name)
        for name, text in texts.items():
            (Path(trial) / name).write_text(text, encoding="utf-8", newline="\n")
        try:
            load_session(trial)
        except SessionError as error:
            return error.problems
    return ()


def write_values(folder, tables: dict) -> Edited:
    """Set values in a session's session.toml, if the session can still be used afterwards.

    Parameters
    ----------
    folder : path
    tables : dict of str to dict
        Table to its keys and values, as in :func:`set_values`.

    Returns
    -------
    Edited

    Raises
    ------
    SessionError
        With every problem that the new values would make; nothing is changed then. Problems that
        the session has already do not hinder: it may be half filled in.
    """
    path = Path(folder) / TOML
    before = after = read_text(path)
    try:
        for table, values in tables.items():
            after = set_values(after, table, values)
    except ValueError as error:
        if isinstance(error, SessionError):
            raise
        raise SessionError([Problem(TOML, str(error))]) from error
    if tomllib.loads(before) == _parsed(after):
        return Edited(path, None)
    known = {(p.file, p.column, p.message) for p in problems_of(Path(folder), {})}
    made = [
        problem
        for problem in problems_of(Path(folder), {TOML: after})
        if (problem.file, problem.column, problem.message) not in known
    ]
    if made:
        raise SessionError(made)
    kept = keep_earlier(path)
    write_like(path, after)
    return Edited(path, kept)


def _parsed(text: str):
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        # Loading says it in the rider's words.
        return None
