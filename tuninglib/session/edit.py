"""Values written into session.toml: the rider's own text and remarks stay as they are."""

import os
import re
import shutil
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Comment, InlineTable, Table

from tuninglib.session.load import RUNS, TOML, load_session
from tuninglib.session.read_log import log_files
from tuninglib.session.read_toml import row_of, tables_as_typed, without_notes
from tuninglib.text_files import Problem, SessionError, read_text
from tuninglib.whole_files import keep_earlier, write_like

_BY_HAND = "change it by hand"


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
    values : dict of str to str, float, list or None
        Key to value; None makes a remark of the line, so that what stood there is not lost.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        If a value that stands there now is spread over several lines, if the table is something
        else, or if the new text would not say what it should.

    Notes
    -----
    A remark behind a value stays behind the new one. Where a key is only there as a remark, as in
    a session of ``tuninglib new``, the remark's mark is taken away. The new text is read back: it
    must differ from the old one in these values and in nothing else.

    Examples
    --------
    >>> print(set_values('[target]\\nlowest = 0.83  # richest', "target", {"lowest": 0.84}))
    [target]
    lowest = 0.84  # richest
    """
    path, wanted = tuple(table.split(".")), tomllib.loads(text)
    for key, value in values.items():
        place = f"{key} under [{table}]"
        _put(wanted, path, key, value)
        try:
            if value is None:
                text = _as_remark(text, table, key)
            else:
                text = _set_value(text, path, key, value)
        except TOMLKitError as error:
            raise ValueError(f"{place} cannot be set ({error}); {_BY_HAND}") from error
        if _parsed(text) != wanted:
            raise ValueError(f"{place} cannot be set without changing other values; {_BY_HAND}")
    return text


def _put(document: dict, path: tuple, key: str, value) -> None:
    for part in path:
        document = document.setdefault(part, {})
        if not isinstance(document, dict):
            raise ValueError(f"{part} is not a table in {TOML}; write [{part}] above its keys")
    if value is None:
        document.pop(key, None)
    else:
        document[key] = value


def _as_remark(text: str, table: str, key: str) -> str:
    """The text with the line of a key made a remark; as it is where there is none."""
    row = row_of(without_notes(text).split("\n"), table, key)
    lines = text.split("\n")
    if row is not None and re.match(rf'\s*"?{re.escape(key)}"?\s*=', lines[row - 1]):
        lines[row - 1] = f"# {lines[row - 1].lstrip()}"
    return "\n".join(lines)


def _set_value(text: str, path: tuple, key: str, value) -> str:
    document = tomlkit.parse(text)
    if document.as_string() != text:
        raise ValueError(f"{TOML} cannot be edited to the letter; {_BY_HAND}")
    found = list(_tables(document, path))
    for table, _ in found:
        if key in table:
            if "\n" in table[key].as_string():
                raise ValueError(f"{key} is spread over several lines in {TOML}; {_BY_HAND}")
            if table[key].unwrap() != value:
                table[key] = _item(value)
            return document.as_string()
    headed = [table for table, form in found if form == "headed"]
    if any(_remark_to_value(table.value.body, key, value) for table in headed):
        return document.as_string()
    if headed:
        _add_line(headed[0], _line(key, value))
    elif found:
        found[0][0][key] = _item(value)
    elif not _add_inline(document, path, {key: value}):
        gap = "" if text.endswith("\n\n") else "\n" if text.endswith("\n") else "\n\n"
        return f"{text}{gap}[{_header(path)}]\n{_line(key, value)}\n"
    return document.as_string()


def _tables(container, path: tuple, form: str = ""):
    """Every place where keys of a table stand, each with how: headed, dotted or inline.

    A table that is only there because it has tables inside has no keys of its own.
    """
    for name, item in container.body:
        if name is None or name.key != path[0] or not isinstance(item, (Table, InlineTable)):
            continue
        own = form or ("inline" if isinstance(item, InlineTable) else "")
        own = own or ("dotted" if name.is_dotted() else "")
        if len(path) > 1:
            yield from _tables(item.value, path[1:], own)
        elif own or not item.is_super_table():
            yield item, own or "headed"


def _item(value):
    """A value as it stands behind its key: a table in braces on one line."""
    if not isinstance(value, dict):
        return value
    inline = tomlkit.inline_table()
    inline.update(value)
    return inline


def _line(key: str, value) -> str:
    return tomlkit.dumps({key: _item(value)}).rstrip("\n")


def _header(path: tuple) -> str:
    return ".".join(tomlkit.key(part).as_string() for part in path)


def _remark_to_value(body, key: str, value) -> bool:
    """Turn the first remark of the kind ``# key = value`` into a line; False if there is none."""
    for _, item in body:
        if not isinstance(item, Comment):
            continue
        bare = item.trivia.comment.lstrip("# ")
        if re.match(r"\[.*\]\s*(#|$)", bare):
            # What follows belongs to a table that is a remark as a whole.
            return False
        try:
            line = tomlkit.parse(bare)
        except TOMLKitError:
            continue
        if list(line) == [key]:
            line[key] = _item(value)
            item.trivia.comment = line.as_string()
            return True
    return False


def _add_line(table, line: str) -> None:
    """Put a line behind the last value of a table, or below its header."""
    own = [item for name, item in table.value.body if name and not isinstance(item, (Table, AoT))]
    trivia = own[-1].trivia if own else table.trivia
    trivia.trail = f"{trivia.trail or chr(10)}{line}\n"


def _add_inline(document, path: tuple, values: dict) -> bool:
    """Put a new table into the table in braces that it belongs to; False if there is none."""
    parents = _tables(document, path[:-1]) if len(path) > 1 else ()
    for parent, form in parents:
        if form == "inline":
            new = tomlkit.inline_table()
            new.update(values)
            parent[path[-1]] = new
            return True
    return False


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
        typed = _parsed(texts[TOML]) or {} if TOML in texts else tables_as_typed(folder)
        for name in log_files(typed):
            _bring(folder / name, Path(trial) / name)
        for name, text in texts.items():
            (Path(trial) / name).write_text(text, encoding="utf-8", newline="\n")
        try:
            load_session(trial)
        except SessionError as error:
            return error.problems
    return ()


def _bring(source: Path, target: Path) -> None:
    """Have a large file in another folder, without a copy where the system can do that."""
    if not source.is_file():
        return
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)


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
    if _parsed(before) is None:
        raise SessionError([one for one in problems_of(path.parent, {}) if one.file == TOML])
    try:
        for table, values in tables.items():
            after = set_values(after, table, values)
    except ValueError as error:
        raise SessionError([Problem(TOML, str(error))]) from error
    if after == before:
        return Edited(path, None)
    known = {(p.file, p.column, p.message) for p in problems_of(path.parent, {})}
    made = [
        problem
        for problem in problems_of(path.parent, {TOML: after})
        if (problem.file, problem.column, problem.message) not in known
    ]
    if made:
        raise SessionError(made)
    kept = keep_earlier(path)
    write_like(path, after)
    return Edited(path, kept)


def _parsed(text: str) -> dict | None:
    """What a TOML file says; None if it is not valid."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None
