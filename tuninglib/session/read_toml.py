"""session.toml to frozen records in SI, every problem collected with its row."""

import dataclasses
import datetime
import re
import tomllib
from pathlib import Path

from tuninglib.interval import Measured
from tuninglib.session import schema
from tuninglib.text_files import Problem, SessionError, nearest, read_text
from tuninglib.units import parse_number, parse_quantity

TOML = "session.toml"


def read_toml(path, problems) -> dict:
    """Tables of session.toml by name: records, and dictionaries of records for the named ones.

    Parameters
    ----------
    path : Path
    problems : list of Problem
        What is wrong is appended; where it is not empty afterwards, the tables are not complete.

    Returns
    -------
    dict
    """
    try:
        document = tomllib.loads(read_text(path))
    except SessionError as error:
        problems.extend(error.problems)
        return {}
    except tomllib.TOMLDecodeError as error:
        at = re.search(r"\(at line (\d+)", str(error))
        row = int(at[1]) if at else None
        message = f"is not valid TOML: {str(error).split(' (at')[0].lower()}; text goes in quotes"
        problems.append(Problem(path.name, message, row=row))
        return {}
    lines = _without_notes(read_text(path)).split("\n")
    known = {**schema.SINGLE, **schema.NAMED}
    for name in document.keys() - known.keys():
        _say(problems, lines, name, None, f"unknown table [{name}]; {nearest(name, known)}")
    names = {
        name: set(document[name]) if isinstance(document.get(name), dict) else set()
        for name in schema.NAMED
    }
    tables = {}
    for name, record in schema.SINGLE.items():
        content = document.get(name, {})
        if name not in document and name in schema.REQUIRED_TABLES:
            _say(problems, lines, None, None, f"the table [{name}] is missing")
        elif not isinstance(content, dict):
            _say(
                problems,
                lines,
                name,
                None,
                f"{name} must be a table: write [{name}] above its keys",
            )
        else:
            tables[name] = _record(name, name, record, content, names, lines, problems)
    for name, record in schema.NAMED.items():
        entries = document.get(name, {})
        if not isinstance(entries, dict) or not all(isinstance(e, dict) for e in entries.values()):
            message = f"each of {name} needs its own table: write [{name}.a_name] above its keys"
            _say(problems, lines, name, None, message)
            continue
        if not entries:
            _say(
                problems, lines, None, None, f"no [{name}.a_name] is given; at least one is needed"
            )
        tables[name] = {
            entry: _record(f"{name}.{entry}", name, record, content, names, lines, problems)
            for entry, content in entries.items()
        }
    return tables


def tables_as_typed(folder) -> dict:
    """Tables of a session.toml that need not be complete yet, as they were typed.

    Parameters
    ----------
    folder : path

    Returns
    -------
    dict of str to dict
        Every table of the contract; empty where it is missing, is no table, or the text is no TOML.

    Raises
    ------
    SessionError
        If there is no session.toml that can be read as text.
    """
    text = read_text(Path(folder) / TOML)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        document = {}
    known = (*schema.SINGLE, *schema.NAMED)
    tables = {name: document.get(name) for name in known}
    return {name: table if isinstance(table, dict) else {} for name, table in tables.items()}


def _say(problems, lines, table, key, message):
    """Add a problem of session.toml with the row where its table or key stands."""
    problems.append(Problem(TOML, message, row=_row_of(lines, table, key), column=key))


def _without_notes(text: str) -> str:
    """The text with its strings over several lines emptied: what they say is no header or key."""
    return re.sub(
        r"(=\s*)(\"{3}|'{3})(.*?)\2",
        lambda match: match[1] + "\n" * match[3].count("\n"),
        text,
        flags=re.DOTALL,
    )


def _row_of(lines, table, key):
    """Row of a key, or of its table's header; None if it cannot be found by its text."""
    header = None
    for row, line in enumerate(lines, start=1):
        name = re.match(r"\s*\[+\s*([^\]]*?)\s*\]+", line)
        if name:
            inside = name[1].replace('"', "").replace(" ", "") == str(table).replace(" ", "")
            if inside and header is None:
                header = row
            elif header is not None and not inside:
                break
        elif header is not None and key and re.match(rf'\s*"?{re.escape(key)}"?\s*=', line):
            return row
    return header


def _record(where, table, record, content, names, lines, problems):
    """One frozen record from one TOML table; None after a problem."""
    fields = {f.name: f for f in dataclasses.fields(record)}
    before = len(problems)
    values = {}
    for key, value in content.items():
        if key not in fields:
            _say(problems, lines, where, key, f"unknown key {key!r}; {nearest(key, fields)}")
            continue
        try:
            values[key] = _value(fields[key].metadata, value, names)
        except _PieceError as error:
            for message in error.args[0]:
                _say(problems, lines, where, key, message)
        except ValueError as error:
            _say(problems, lines, where, key, str(error))
    missing = [
        f for f in fields.values() if f.name not in content and f.default is dataclasses.MISSING
    ]
    for f in missing:
        example = f.metadata["example"]
        message = f"{f.name} is missing in [{where}] ({f.metadata['help']}); write for example "
        _say(problems, lines, where, None, f'{message}{f.name} = "{example}"')
    return record(**values) if len(problems) == before else None


def _measured(text, meta) -> Measured:
    """A quantity in SI; a mass is taken for a volume where the field says how."""
    density = meta.get("or_by_mass")
    if density is not None:
        try:
            mass = parse_quantity(text, meta["unit"].replace("m**3", "kg"))
        except ValueError:
            pass
        else:
            return Measured(mass.value / density, mass.half_width / density)
    return parse_quantity(text, meta["unit"], meta["example"])


class _PieceError(ValueError):
    """Problems of the pieces of a hill."""


def _speed_pairs(value, meta) -> tuple:
    """Pairs of shown and true speed in m/s; the true one may be a distance in a time."""
    wanted = f"write pairs of shown and true speed, for example {meta['example']}"
    pairs = value if isinstance(value, list) else []
    if len(pairs) < 2 or not all(
        isinstance(pair, list) and len(pair) == 2 and all(isinstance(x, str) for x in pair)
        for pair in pairs
    ):
        raise ValueError(f"{value!r} is not two pairs of speeds or more; {wanted}")
    return tuple(tuple(_speed(text, meta) for text in pair) for pair in pairs)


def _speed(text, meta) -> float:
    way, *time = text.split(" in ")
    if time:
        speed = parse_quantity(way, "m").value / parse_quantity(time[0], "s").value
    else:
        speed = parse_quantity(text, "m/s").value
    return _within(speed, speed, text, {**meta, "example": "57 km/h"})


def _value(meta, value, names):
    """A TOML value as its field wants it; ValueError in one sentence otherwise."""
    kind = meta["kind"]
    if value == "" and kind != "text":
        raise ValueError(f"is still empty ({meta['help']}); write for example {meta['example']!r}")
    if kind == "pieces":
        return _pieces(value, meta["record"], names)
    if kind == "speed pairs":
        return _speed_pairs(value, meta)
    if kind == "date":
        if isinstance(value, datetime.datetime):
            return value.date()
        if isinstance(value, datetime.date):
            return value
        try:
            return datetime.date.fromisoformat(str(value).strip())
        except ValueError:
            raise ValueError(
                f"{value!r} is not a date; write year-month-day, for example {meta['example']}"
            ) from None
    if kind == "quantity":
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            if meta["unit"] != "1":
                raise ValueError(
                    f"{value} has no unit; write for example {meta['example']!r} in quotes"
                )
            measured = Measured(float(value))
        elif isinstance(value, str):
            measured = _measured(value, meta)
        else:
            raise ValueError(f"{value!r} must be text with a unit: {meta['example']!r}")
        return _within(measured, measured.value, value, meta)
    if kind == "number":
        plain = parse_number(value) if isinstance(value, str) else value
        if isinstance(plain, bool) or not isinstance(plain, (int, float)):
            raise ValueError(f"{value!r} must be a number, for example {meta['example']}")
        return _within(float(plain), float(plain), value, meta)
    if not isinstance(value, str):
        raise ValueError(f"{value!r} must be text in quotes")
    if kind == "choice" and value not in meta["choices"]:
        raise ValueError(f"{value!r} is not one of {', '.join(map(repr, meta['choices']))}")
    if kind == "reference" and value not in names[meta["table"]]:
        known = nearest(value, names[meta["table"]])
        raise ValueError(f"{value!r} is not one of the {meta['table']}; {known}")
    return value


def _within(result, value, typed, meta):
    """The result, if the value is within the field's limits."""
    low, high = meta.get("low"), meta.get("high")
    unit = meta.get("unit", "")
    name = "" if unit in ("", "1") else f" {unit}"
    if not low <= value <= high:
        raise ValueError(
            f"{typed!r} is outside {_plain(low)} to {_plain(high)}{name}; "
            f"check the number and the unit (for example {meta.get('example', '')!r})"
        )
    return result


def _plain(limit) -> str:
    return f"{limit:g}"


def _pieces(value, record, names):
    if not isinstance(value, list) or not all(isinstance(piece, dict) for piece in value):
        raise ValueError("pieces must be tables: write [[hill.pieces]] above each")
    fields = {f.name: f for f in dataclasses.fields(record)}
    pieces, messages = [], []
    for number, piece in enumerate(value, start=1):
        unknown, missing = piece.keys() - fields.keys(), fields.keys() - piece.keys()
        messages += [f"piece {number}: unknown key {k!r}; {nearest(k, fields)}" for k in unknown]
        messages += [f"piece {number}: {k} is missing" for k in sorted(missing)]
        if unknown or missing:
            continue
        try:
            read = {key: _value(fields[key].metadata, text, names) for key, text in piece.items()}
            pieces.append(record(**read))
        except ValueError as error:
            messages.append(f"piece {number}: {error}")
    if messages:
        raise _PieceError(messages)
    return tuple(pieces)
