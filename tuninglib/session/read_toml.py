"""session.toml to frozen records in SI, every problem collected with its row."""

import dataclasses
import re
import tomllib
from collections.abc import Collection, Sequence
from functools import partial
from pathlib import Path
from types import SimpleNamespace

from tuninglib.session import schema
from tuninglib.session.fields import PieceError, currency_of, in_units, read_value
from tuninglib.session.read_table import BENCHFLOW, CLIMBS, COASTDOWN, FILLS, RUNS, UPKEEP
from tuninglib.text_files import Problem, SessionError, nearest, quoted, read_text, shortened
from tuninglib.units import SYSTEMS

TOML = "session.toml"
# Every table that a session may have.
OWN = (TOML, RUNS, FILLS, CLIMBS, COASTDOWN, BENCHFLOW, UPKEEP)
_LONGEST_NAME = 100
# Nobody rides more in a day, and the sums grow faster than their number.
MOST_SETUPS = 60
_KNOWN = {**schema.SINGLE, **schema.NAMED}


def read_toml(path: Path, problems: list[Problem]) -> dict:
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
        text = read_text(path)
        document = _document(text, path.name, problems)
    except SessionError as error:
        problems.extend(error.problems)
        return {}
    except RecursionError:
        problems.append(Problem(path.name, "nests its brackets too deeply to be read"))
        return {}
    if document is None:
        return {}
    lines = without_notes(text).split("\n")

    def say(table, key, message):
        """Add a problem with the row where its table or key stands."""
        row = row_of(lines, table, key)
        problems.append(Problem(TOML, message, row=row, column=key))

    for name in document.keys() - _KNOWN.keys():
        say(name, None, f"unknown table [{shortened(name)}]; {nearest(name, _KNOWN)}")
    found = {name: document.get(name) for name in schema.NAMED}
    names = {name: set(one) if isinstance(one, dict) else set() for name, one in found.items()}
    read_record = partial(_record, names=names, units=units_of(document), say=say)
    tables = {}
    for name, record in schema.SINGLE.items():
        content = document.get(name, {})
        if name not in document and name in schema.REQUIRED_TABLES:
            say("", None, f"the table [{name}] is missing")
        elif not isinstance(content, dict):
            say(name, None, f"{name} must be a table: write [{name}] above its keys")
        else:
            tables[name] = read_record(name, record, content)
    for name, record in schema.NAMED.items():
        entries = document.get(name, {})
        if not isinstance(entries, dict) or not all(isinstance(e, dict) for e in entries.values()):
            message = f"each of {name} needs its own table: write [{name}.a_name] above its keys"
            say(name, None, message)
            continue
        if not entries and name not in schema.OPTIONAL:
            say("", None, f"no [{name}.a_name] is given; at least one is needed")
        if name == "setups" and len(entries) > MOST_SETUPS:
            message = (
                f"has {len(entries)} setups; one outing can have at most {MOST_SETUPS}, so put the "
                "others into an outing of their own"
            )
            say(name, None, message)
        for entry in entries:
            if wrong := _wrong_name(entry):
                say(f"{name}.{entry}", None, f"{quoted(entry)} {wrong}")
        pairs = entries.items()
        tables[name] = {key: read_record(f"{name}.{key}", record, own) for key, own in pairs}
    about = tables.get("session")
    if about and not about.reference and names["setups"]:
        tables["session"] = dataclasses.replace(about, reference=next(iter(document["setups"])))
    _one_currency(document, say)
    problems.sort(key=lambda one: one.row or 0)
    return tables


_MOST_BROKEN = 30
# A key and what stands behind it without quotes, or with quotes of the wrong kind.
_UNQUOTED = re.compile(
    r"""(\s*[\w.-]+\s*)[=:]\s*["'“”„‟‘’`´]*([^"'“”„‟‘’`´#]+?)["'“”„‟‘’`´]*\s*(#.*)?"""
)
# What tomllib says, and what to do about it.
_SAID_OF_TOML = {
    "cannot overwrite a value": "this key is there twice; keep one of the two lines",
    "cannot declare": "this table is already above; write its keys there",
    "cannot mutate": "this table is complete, in braces or under its header; write its keys there",
}


def _document(text: str, name: str, problems: list) -> dict | None:
    """What a TOML file says; None where a line cannot be understood, every one of which is said.

    A line that lacks its quotes is refused, but understood, so that the rest is checked as well.
    """
    lines, understood = text.split("\n"), True
    for _ in range(_MOST_BROKEN):
        try:
            found = tomllib.loads("\n".join(lines))
            return found if understood else None
        except tomllib.TOMLDecodeError as error:
            said = str(error).split(" (at")[0].lower()
            at = re.search(r"\(at line (\d+)", str(error))
        except ValueError:
            problems.append(Problem(name, "has a number of thousands of digits; shorten it"))
            return None
        # At the end of the file no line is named.
        row = int(at[1]) if at else len(lines)
        line = lines[row - 1]
        match = None if _is_toml(line) else _UNQUOTED.fullmatch(line)
        quoted_line = f'{match[1].rstrip()} = "{match[2]}"' if match else ""
        mended = bool(quoted_line) and _is_toml(quoted_line)
        if mended:
            message = f"is not valid TOML, since text goes in quotes; write {quoted_line.strip()}"
        else:
            known = next((t for key, t in _SAID_OF_TOML.items() if said.startswith(key)), "")
            message = f"is not valid TOML: {known or f'{said}; text goes in quotes'}"
        problems.append(Problem(name, message, row=row))
        if not line.strip():
            return None
        understood = understood and mended
        lines[row - 1] = quoted_line if mended else ""
    return None


def _is_toml(line: str) -> bool:
    try:
        return bool(tomllib.loads(line))
    except ValueError:
        return False


def units_of(document: dict) -> str:
    """System of units of a session.toml that need not be complete; metric where none is said."""
    about = document.get("session")
    units = about.get("units") if isinstance(about, dict) else None
    return units if units in SYSTEMS else "metric"


# Signs and the codes that they may stand for; a dollar is one of many.
_CURRENCIES = {"€": "EUR", "£": "GBP"}
_OF_A_SIGN = {"$": r"[A-Z]{2}D|[A-Z]{0,3}\$", "¥": "JPY|CNY|¥"}


def _same_currency(one: str, other: str) -> bool:
    one, other = (_CURRENCIES.get(name, name.upper()) for name in (one, other))
    return one == other or any(
        sign in pair and all(re.fullmatch(f"{codes}|{re.escape(sign)}", name) for name in pair)
        for pair in ({one, other},)
        for sign, codes in _OF_A_SIGN.items()
    )


def _one_currency(document, say) -> None:
    """Refuse amounts that are not in the session's currency: they are added as they stand."""
    about = document.get("session")
    stated = about.get("currency") if isinstance(about, dict) else None
    first = (stated.strip(), "under [session]") if isinstance(stated, str) and stated else None
    for table, key in (("fuels", "price"), ("injectors", "price"), ("setups", "cost")):
        entries = document.get(table)
        for name, entry in entries.items() if isinstance(entries, dict) else ():
            value = entry.get(key) if isinstance(entry, dict) else None
            found = currency_of(value)
            if not found:
                continue
            where = f"{table}.{name}"
            if first and not _same_currency(found, first[0]):
                message = (
                    f"{quoted(str(value))} is in {found}, but the currency {first[1]} is "
                    f"{first[0]}; write all amounts in one currency"
                )
                say(where, key, message)
            first = first or (found, f"of {where}")


def _wrong_name(name: str) -> str:
    """What is wrong with a name that stands in the cells of runs.csv; empty if nothing is."""
    if not name.strip():
        return "is not a name; write at least one letter"
    if name != name.strip() or any(not letter.isprintable() for letter in name):
        return "begins or ends with a space, or has a line break or the like in it; take it out"
    if name.startswith("#"):
        return "begins with #, as comments in runs.csv do; call it something else"
    if len(name) > _LONGEST_NAME:
        return f"has {len(name)} letters; at most {_LONGEST_NAME} are allowed"
    return ""


def tables_as_typed(folder: Path | str) -> dict:
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
    except (ValueError, RecursionError):
        document = {}
    tables = {name: document.get(name) for name in _KNOWN}
    return {name: table if isinstance(table, dict) else {} for name, table in tables.items()}


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


def own_files(folder: Path | str, logs: Collection[str]) -> list:
    """Paths of a session's tables and logs in the order of their names, and of nothing else.

    Parameters
    ----------
    folder : path
    logs : sequence of str
        Names of the files of its logs.
    """
    named = (*OWN, *logs)
    return [one for one in sorted(Path(folder).iterdir()) if one.name in named and one.is_file()]


# Of files in which somebody may have typed one of a session's tables.
_TYPED_IN = (".csv", ".txt", ".tsv", ".toml", ".xlsx", ".xls", ".ods", "")


def misnamed(folder: Path | str, logs: Collection[str]) -> dict:
    """Files that are not read, though their names nearly are those of tables that are missing.

    Parameters
    ----------
    folder : path
    logs : sequence of str
        Names of the files of its logs, which may be called anything.

    Returns
    -------
    dict of str to str
        The name that is read, by the name that is there.
    """
    there = {path.name for path in Path(folder).iterdir() if path.is_file()}
    lacking = {_letters(own): own for own in OWN if own not in there}
    found = {name: lacking.get(_letters(name), "") for name in sorted(there - {*logs})}
    return {
        name: own
        for name, own in found.items()
        if own and Path(name).suffix.lower() in _TYPED_IN and ".earlier-" not in name
    }


def _letters(name: str) -> str:
    """What is left of a name without capitals, marks, numbers, suffixes and a plural."""
    return re.sub(r"[^a-z]", "", name.lower().partition(".")[0]).rstrip("s")


def what_stands(folder: Path | str) -> SimpleNamespace:
    """Tables of a session.toml that need not be complete yet, as records in SI.

    Parameters
    ----------
    folder : path

    Returns
    -------
    types.SimpleNamespace
        Named as a Session is: for each table its record, or None where it has a problem; for the
        named ones a dictionary of such, empty where there is none.
    """
    found = dict.fromkeys(schema.SINGLE) | {name: {} for name in schema.NAMED}
    found |= read_toml(Path(folder) / TOML, [])
    found["about"] = found.pop("session")
    return SimpleNamespace(logged_step_m_s=None, found=None, speed_units={}, **found)


def without_notes(text: str) -> str:
    """The text with its strings over several lines emptied: what they say is no header or key."""
    several = re.compile(r"(=\s*)(\"{3}|'{3})(.*?)\2", re.DOTALL)
    return several.sub(lambda match: match[1] + "\n" * match[3].count("\n"), text)


def row_of(lines: Sequence[str], table: str, key: str | None) -> int | None:
    """Row of a key, or of its table's first line; None if it cannot be found by its text.

    Parameters
    ----------
    lines : sequence of str
    table : str
        Its keys may stand below its header, dotted below that of the table around it, or in braces.
    key : str or None

    Examples
    --------
    >>> row_of(["[riders]", 'me.mass = ""'], "riders.me", "mass")
    2
    """
    wanted, above, first = _path(str(table)), "", None
    for row, line in enumerate(lines, start=1):
        header = re.fullmatch(r"\s*\[+([^\]]*)\]+\s*(#.*)?", line)
        if header:
            above = _path(header[1])
            if above == wanted and first is None:
                first = row
            continue
        left = re.match(r"\s*([^=#\[\]{}]+?)\s*=", line)
        if left:
            here = ".".join(filter(None, (above, _path(left[1]))))
            if key and here == f"{wanted}.{_path(key)}":
                return row
            if first is None and (here == wanted or here.startswith(f"{wanted}.")):
                first = row
    return first


def _path(text: str) -> str:
    """A header or a key without its quotes and blanks."""
    return text.replace('"', "").replace(" ", "")


def _home_of(key: str) -> str:
    """Where a key belongs that stands in another table; empty if it is none of any."""
    homes = [
        f"[{name}]" if name in schema.SINGLE else f"[{name}.a_name]"
        for name, record in _KNOWN.items()
        if key in {field.name for field in dataclasses.fields(record)}
    ]
    return f"it belongs below {' or '.join(homes)}" if homes else ""


def _record(where, record, content, *, names, units, say):
    """One frozen record from one TOML table; None after a problem."""
    fields = {f.name: f for f in dataclasses.fields(record)}
    values, whole = {}, True

    def refuse(key, message):
        nonlocal whole
        whole = False
        say(where, key, message)

    for key, value in content.items():
        if key not in fields:
            message = f"unknown key {quoted(key)}; {_home_of(key) or nearest(key, fields)}"
            refuse(key, message)
            continue
        other = fields[key].metadata.get("instead", "")
        if value == "" and content.get(other, "") != "":
            # What is still empty is said otherwise, as far as it is needed.
            continue
        try:
            values[key] = read_value(in_units(fields[key].metadata, units), value, names)
        except PieceError as error:
            for message in error.args[0]:
                refuse(key, message)
        except ValueError as error:
            field = fields[key]
            needed = field.default is dataclasses.MISSING or field.metadata.get("instead")
            or_not = "" if value != "" or needed else ", or take the line out"
            refuse(key, f"{error}{or_not}")
    for f in fields.values():
        if f.name not in content and f.default is dataclasses.MISSING:
            example = in_units(f.metadata, units)["example"]
            message = f"{f.name} is missing in [{where}] ({f.metadata['help']}); write for example "
            refuse(None, f'{message}{f.name} = "{example}"')
    try:
        return record(**values) if whole else None
    except ValueError as error:
        say(where, None, f"[{where}] {error}")
        return None
