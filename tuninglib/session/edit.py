"""A session's files written: values in session.toml, rows added to runs.csv, a new session.

The rider's own text and comments stay as they are, and so do the columns, units, separator and
decimal sign of the table.
"""

import csv
import io
import re
import shutil
import tempfile
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Comment, InlineTable, Table

from tuninglib.session import schema
from tuninglib.session.fields import example_in
from tuninglib.session.load import load_session, require_new
from tuninglib.session.read_table import COLUMNS, RUNS, header_line, parse_head
from tuninglib.session.read_toml import TOML, log_files, row_of, tables_as_typed, without_notes
from tuninglib.text_files import Problem, RawTable, SessionError, quoted, read_table, read_text
from tuninglib.units import convert, unit_of
from tuninglib.whole_files import keep_earlier, one_writer, write_atomic, write_like

# Values of session.toml ---------------------------------------------------------------------------

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
    A remark behind a value stays behind the new one. Where a key is only there as a remark, the
    remark's mark is taken away. The new text is read back: it must differ from the old one in these
    values and in nothing else.

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
    if row is not None and re.match(rf'[^=#]*?"?{re.escape(key)}"?\s*=', lines[row - 1]):
        lines[row - 1] = f"# {lines[row - 1].lstrip()}"
        return "\n".join(lines)
    return _out_of_braces(text, tuple(table.split(".")), key)


def _out_of_braces(text: str, path: tuple, key: str) -> str:
    """The text without a key of a table in braces, which hold no remark; else as it is."""
    document = tomlkit.parse(text)
    for content, form in _tables(document, path) if path else ():
        if form == "inline" and key in content:
            content.remove(key)
            return document.as_string()
    return text


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
    else:
        # A new table belongs into the braces of the one that it is in, if that has some.
        parents = _tables(document, path[:-1]) if len(path) > 1 else ()
        inline = next((parent for parent, form in parents if form == "inline"), None)
        if inline is not None:
            inline[path[-1]] = _item({key: value})
            return document.as_string()
        gap = "" if text.endswith("\n\n") else "\n" if text.endswith("\n") else "\n\n"
        header = ".".join(tomlkit.key(part).as_string() for part in path)
        return f"{text}{gap}[{header}]\n{_line(key, value)}\n"
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
        typed = _parsed(texts[TOML]) or {} if TOML in texts else tables_as_typed(folder)
        for name in (TOML, RUNS, *log_files(typed)):
            if name not in texts and (folder / name).is_file():
                shutil.copyfile(folder / name, Path(trial) / name)
        for name, text in texts.items():
            (Path(trial) / name).write_text(text, encoding="utf-8", newline="\n")
        try:
            load_session(trial)
        except SessionError as error:
            return error.problems
    return ()


def write_values(folder: Path | str, tables: dict) -> Edited:
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

    def changed(text):
        for table, values in tables.items():
            text = set_values(text, table, values)
        return text

    return _write(Path(folder) / TOML, changed)


def remove_table(folder: Path | str, table: str) -> Edited:
    """Turn the lines of a table into comments, if the session can still be used afterwards.

    Parameters
    ----------
    folder : path
    table : str
        As in :func:`set_values`.

    Raises
    ------
    SessionError
        As :func:`write_values`; a table that something refers to stays.
    """
    return _write(Path(folder) / TOML, lambda text: without_table(text, table))


def without_table(text: str, table: str) -> str:
    """Text of a TOML file with the lines of one table made comments; everything else to the letter.

    Parameters
    ----------
    text, table : str
        As in :func:`set_values`.

    Raises
    ------
    ValueError
        If the new text would not say what it should.

    Examples
    --------
    >>> print(without_table("[fuels.e5]\\n[fuels.e10]\\nethanol = '9 %'", "fuels.e10"))
    [fuels.e5]
    # [fuels.e10]
    # ethanol = '9 %'
    """
    path, wanted = tuple(table.split(".")), tomllib.loads(text)
    *parents, name = path
    inside = wanted
    for part in parents:
        inside = inside.get(part, {})
    inside.pop(name, None)
    own = re.compile(rf'\s*"?{re.escape(name)}"?\s*[.=]')
    lines, section = text.split("\n"), ()
    for number, line in enumerate(lines):
        section = _section(line) or section
        mine = section[: len(path)] == path or (section == tuple(parents) and own.match(line))
        if mine and line.strip() and not line.lstrip().startswith("#"):
            lines[number] = f"# {line}"
    after = _out_of_braces("\n".join(lines), tuple(parents), name)
    if _without_empty(_parsed(after)) != _without_empty(wanted):
        raise ValueError(f"[{table}] cannot be removed without changing other values; {_BY_HAND}")
    return after


def _section(line: str) -> tuple:
    """The names in a line that begins a table; empty of any other line."""
    found = _parsed(line) if line.lstrip().startswith("[") else None
    names = []
    while found:
        ((name, found),) = found.items()
        names.append(name)
        found = found[0] if isinstance(found, list) else found
    return tuple(names)


def _without_empty(document):
    """A document without tables that hold none: their last one may be gone."""
    return document and {
        key: value for key, value in document.items() if value != {} or key not in schema.NAMED
    }


def _write(path: Path, changed: Callable[[str], str]) -> Edited:
    """Write session.toml as it is changed, unless that makes a new problem."""
    with one_writer(path.parent):
        before = read_text(path)
        if _parsed(before) is None:
            raise SessionError([one for one in problems_of(path.parent, {}) if one.file == TOML])
        try:
            after = changed(before)
        except ValueError as error:
            raise SessionError([Problem(TOML, str(error))]) from error
        if after == before:
            return Edited(path, None)
        known = {(p.file, p.column, p.message) for p in problems_of(path.parent, {})}
        found = problems_of(path.parent, {TOML: after})
        if made := [p for p in found if (p.file, p.column, p.message) not in known]:
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


# Rows of runs.csv ---------------------------------------------------------------------------------

# A rider types the decimal sign of the keyboard at hand; the file keeps one. A number with several
# marks stays as it is, so that what is said of it speaks of what was typed.
DECIMAL_SIGN = r"(?<![\d.,])(\d+)[.,](\d+)(?![.,]?\d)"
TAKEN = "run {run} is in {where} already; give each run a number of its own"


@dataclass(frozen=True)
class Sheet:
    """runs.csv as it stands, and the names that its rows may use.

    Attributes
    ----------
    folder : Path
    table : RawTable
    keys : tuple of str
        Of :data:`tuninglib.session.read_table.COLUMNS`, one for each header; ``""`` where there is
        none.
    units : dict of str to str
        Unit in the header of each column that has one.
    setups, riders : tuple of str
    """

    folder: Path
    table: RawTable
    keys: tuple
    units: dict
    setups: tuple
    riders: tuple

    @property
    def next_run(self) -> str:
        """The number after the highest one."""
        if "run" not in self.keys:
            return "1"
        at = self.keys.index("run")
        whole = [int(row[at]) for row in self.table.rows if re.fullmatch(r"\d+", row[at])]
        return str(max(whole, default=0) + 1)


def open_sheet(folder: Path | str) -> Sheet:
    """The sheet of a session's folder; the session need not be complete yet.

    Raises
    ------
    SessionError
        If one of the two files cannot be read at all.
    """
    folder = Path(folder)
    table = read_table(folder / RUNS)
    heads = [parse_head(header) for header in table.headers]
    keys = tuple(head.key if head.key in COLUMNS else "" for head in heads)
    units = {head.key: head.unit for head in heads if head.unit}
    setups, riders = names_of(folder)
    return Sheet(folder, table, keys, units, setups, riders)


def names_of(folder: Path | str) -> tuple:
    """Names of the setups and of the riders in session.toml, which need not be complete yet."""
    tables = tables_as_typed(folder)
    return tuple(tables["setups"]), tuple(tables["riders"])


def row_text(sheet: Sheet, values: dict) -> str:
    """One row as it would be typed into the file, without its line end.

    Parameters
    ----------
    sheet : Sheet
    values : dict of str to str
        Column to what was typed; columns that are left out stay empty.
    """
    cells = []
    for key in sheet.keys:
        cell = " ".join(values.get(key, "").split())
        column = COLUMNS.get(key)
        if column and column.kind in ("quantity", "number", "range"):
            sign = "," if sheet.table.decimal_comma else "."
            cell = re.sub(DECIMAL_SIGN, rf"\1{sign}\2", cell)
        cells.append(cell)
    return _line_of(sheet, cells)


def _line_of(sheet, cells) -> str:
    """Cells as they stand in a line of the file."""
    out = io.StringIO()
    csv.writer(out, delimiter=sheet.table.delimiter, lineterminator="").writerow(cells)
    return out.getvalue()


def cells_of(sheet: Sheet, row: str) -> list:
    """Cells of one row of the file, as typed."""
    return next(csv.reader([row], delimiter=sheet.table.delimiter))


def problems_of_row(sheet: Sheet, values: dict) -> dict:
    """What is wrong with a row, by column, in the sentences of ``tuninglib check``.

    Parameters
    ----------
    sheet : Sheet
    values : dict of str to str

    Returns
    -------
    dict of str to str
        Under ``""`` what belongs to no column of the row, such as a session.toml that is not
        complete; that does not stop a row from being added.
    """
    found: dict[str, list] = {}
    # The row alone: what is wrong with others must not hide what is wrong with it.
    text = f"{_line_of(sheet, sheet.table.headers)}\n{row_text(sheet, values)}"
    for problem in problems_of(sheet.folder, {RUNS: text}):
        of_row = problem.file == RUNS and problem.row not in (None, 1)
        column = problem.column
        if column in ("gauge_low", "gauge_high") and column not in sheet.keys:
            column = "gauge"
        key = column if of_row and column in sheet.keys else ""
        found.setdefault(key, []).append(problem.message if key else str(problem))
    if "run" in sheet.keys and values.get("run"):
        at = sheet.keys.index("run")
        for row, where in zip(sheet.table.rows, sheet.table.row_numbers, strict=True):
            if row[at] == values["run"].strip():
                message = TAKEN.format(run=row[at], where=f"row {where}")
                found.setdefault("run", []).append(message)
    return {key: "; ".join(messages) for key, messages in found.items()}


def add_run(sheet: Sheet, values: dict, *, keep: bool) -> Path | None:
    """Append a row to runs.csv; the file is the old one or the new one, never a part.

    Parameters
    ----------
    sheet : Sheet
        Rows and columns that others typed meanwhile are kept.
    values : dict of str to str
        Already found to be without problems.
    keep : bool
        Whether to keep the file as it was under a name of its own.

    Returns
    -------
    Path or None
        Where the earlier file is kept.
    """
    path = sheet.folder / RUNS
    with one_writer(sheet.folder):
        # As it stands now: a column may have come in meanwhile.
        sheet = open_sheet(sheet.folder)
        kept = keep_earlier(path) if keep else None
        text = read_text(path)
        if not text.endswith("\n"):
            text += "\n"
        write_like(path, f"{text}{row_text(sheet, values)}\n")
    return kept


def add_column(sheet: Sheet, key: str) -> Path | None:
    """Add a column to runs.csv, empty in every row that is there.

    Parameters
    ----------
    sheet : Sheet
        Freshly opened.
    key : str
        Of :data:`tuninglib.session.read_table.COLUMNS`.

    Returns
    -------
    Path or None
        Where the earlier file is kept.

    Notes
    -----
    Its unit is the one in which a column of the same kind is typed already.
    """
    column, path = COLUMNS[key], sheet.folder / RUNS
    typed = [unit for other, unit in sheet.units.items() if COLUMNS[other].unit == column.unit]
    unit = (typed or [column.usual_unit])[0]
    head = f"{key} [{unit}]" if column.kind == "quantity" else key
    lines, headed = [], False
    with one_writer(sheet.folder):
        for line in read_text(path).split("\n"):
            if line.strip() and not line.startswith("#"):
                line += sheet.table.delimiter + ("" if headed else head)
                headed = True
            lines.append(line)
        kept = keep_earlier(path)
        write_like(path, "\n".join(lines))
    return kept


def take_back(sheet: Sheet, row: str) -> bool:
    """Take the last row out of runs.csv again, if it still stands there as it was added.

    Parameters
    ----------
    sheet : Sheet
        Freshly opened.
    row : str
        As :func:`row_text` gave it.

    Returns
    -------
    bool
        False if something else was written behind it or over it meanwhile: nothing is changed then.
    """
    path = sheet.folder / RUNS
    with one_writer(sheet.folder):
        before, found, after = read_text(path).rpartition(f"{row}\n")
        if not found or after.strip() or not before.endswith("\n"):
            return False
        write_like(path, before)
    return True


# A hill from a track -----------------------------------------------------------------------------

_PROPOSED = """\
# {what}, found in {name}. Check both places on a map, and the values
# below; take away the # from those that are right, and write the rest yourself."""
_RIDES = "The stretch that was ridden up {rides} times"
_STRAIGHT = "The steepest straight, ridden once"


def hill_lines(track: Path | str, units: str = "metric") -> str:
    """Lines of a session.toml, as comments, that propose the hill of a track.

    Parameters
    ----------
    track : path
        A GPX file.
    units : str
        System of units of the length.

    Returns
    -------
    str

    Raises
    ------
    SessionError
        If it cannot be read, or no stretch of it can be a test hill.
    """
    # The reader and the search load only where a track is named: most sessions have none.
    from tuninglib.session.gpx_file import read_gpx
    from tuninglib.statistics.hill_of_track import propose_hill

    track = Path(track)
    trace = read_gpx(track)
    keys = ("latitude_deg", "longitude_deg", "elevation_m", "speed_m_s")
    hill = propose_hill(trace.time_s, **{key: trace.channels.get(key) for key in keys})
    if hill is None:
        message = (
            "shows no stretch that was ridden up three times and no straight of 400 m that climbs "
            "2 % or more; leave --track out and measure the hill, or ride it and try again"
        )
        raise SessionError([Problem(track.name, message)])
    what = _RIDES.format(rides=hill.rides) if hill.rides > 1 else _STRAIGHT
    unit = unit_of("length", units)
    length, half = (convert(x, "m", unit) for x in (hill.length_m.value, hill.length_m.half_width))
    values = {
        "start": "{:.5f}, {:.5f}".format(*hill.start_deg),
        "marker": "{:.5f}, {:.5f}".format(*hill.marker_deg),
        "length": f"{length:.0f} {unit} +/- {max(half, 1):.0f} {unit}",
    }
    if hill.grade:
        grade, doubt = 100 * hill.grade.value, max(100 * hill.grade.half_width, 0.1)
        values["grade"] = f"{grade:.1f} +/- {doubt:.1f} %"
    lines = [f'# {key} = "{value}"' for key, value in values.items()]
    lines += [] if hill.grade else ['grade = ""  # the track has no heights']
    return "\n".join([_PROPOSED.format(what=what, name=quoted(track.name)), *lines])


# The fill-in session ------------------------------------------------------------------------------

# What a first report needs, on one screen.
_TOML = """\
# Type between the quotes, in any unit; "5 to 6 %" and "{length} +/- {doubt}" are fine, too.
# All other keys are in guide.html, which `tuninglib guide` writes.
[session]
date = ""  # "2026-05-16"
units = "{units}"
[bike]
mass = ""  # "{bike}", with fuel, without rider
[riders]
me.mass = ""  # "{rider}", dressed to ride
[hill]
{hill}
entry_speed = ""  # "{entry}": as shown at the start line, and how far off at most
[gauge]
scale = ""  # "14.7": what it shows at lambda 1; "1" if it shows lambda
[engines]
stock.displacement = ""  # "125 cc"
big.displacement = ""  # "143 cc"
[injectors]  # one that no setup uses is one to buy
stock.flow = ""  # "120 cc/min"
large.flow = ""  # "140 cc/min"
[fuels.usual]
[setups]  # a line for each; gains are counted from the first
stock = {{ engine = "stock", injector = "stock", fuel = "usual" }}
big = {{ engine = "big", injector = "stock", fuel = "usual" }}
"""
_HILL = """\
length = ""  # "{length}", along the road from the start line to the marker
grade = ""  # "6 %", or write rise = "{rise}" here"""

_RUNS = """\
# One row per run. gauge: the steady range after 2 or 3 seconds of full throttle, as 12.6 to 12.8.
# knock: none, light or heavy; empty: nobody listened. `tuninglib guide` lists other columns.
{header}
"""


def session_template(units: str = "metric", *, hill: str = "") -> str:
    """Text of a session.toml with what a first report needs, to fill in.

    Parameters
    ----------
    units : str
        System of units that examples are given in: ``"metric"``, ``"us"`` or ``"imperial"``.
    hill : str
        Lines to put in place of those of its length and grade.

    Returns
    -------
    str
    """
    metric = {"bike": "124 kg +/- 2 kg", "rider": "84 kg +/- 2 kg"}
    metric |= {"length": "400 m +/- 2 m", "rise": "24 m +/- 1 m"}
    typed = {name: example_in(text, units).split(" +/- ") for name, text in metric.items()}
    example = {name: value for name, (value, _) in typed.items()}
    example |= {"doubt": typed["length"][1], "entry": example_in("48 km/h +/- 2 km/h", units)}
    return _TOML.format(**example, units=units, hill=hill or _HILL.format(**example))


def write_new_session(folder: Path | str, units: str = "metric", *, hill: str = "") -> tuple:
    """A new folder with a session to fill in.

    Parameters
    ----------
    folder : path
        Must not exist yet, or be empty.
    units, hill : str
        As in :func:`session_template`.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    SessionError
        If there is something in the folder: it is left alone.
    """
    folder = Path(folder)
    require_new(folder)
    folder.mkdir(parents=True, exist_ok=True)
    keys = ("run", "setup", "exit_speed", "gauge", "knock", "note")
    columns = {key: COLUMNS[key] for key in keys}
    header = header_line(columns, speed_unit=unit_of("speed", units))
    texts = {TOML: session_template(units, hill=hill), RUNS: _RUNS.format(header=header)}
    for name, content in texts.items():
        write_atomic(folder / name, content)
    return tuple(folder / name for name in texts)
