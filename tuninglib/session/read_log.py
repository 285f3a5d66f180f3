"""A log that session.toml names, whatever it is: where its table begins, and its cells as a trace.

Machinery for the logs of an evening: pandas reads the table in one call. What a log has in too many
cells, or in cells that are no number, is counted with its reason and first line, never lost.
"""

import csv
import io
import json
import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from tuninglib.session import trace
from tuninglib.session.gpx_file import read_gpx
from tuninglib.session.read_toml import OWN, log_files, misnamed, tables_as_typed
from tuninglib.session.schema import Log
from tuninglib.text_files import (
    Problem,
    SessionError,
    decimal_comma_in,
    decoded,
    printable,
    quoted,
    require_regular,
    shortened,
)
from tuninglib.units import convert, measures, parse_unit


@dataclass(frozen=True, kw_only=True)
class Layout:
    """How the table is written.

    Attributes
    ----------
    separator : str
        As pandas takes it.
    decimal_comma, quoted : bool
    encoding : str
    header_row, first_row : int
        Lines of the header and of the first row of numbers, from 1; without a header, the columns
        are called by their numbers.
    heads, names, units : tuple of str
        Of each column: as it stands, without its unit, the unit (empty if there is none).
    sample : tuple of tuples of str
        Cells of the first rows.
    """

    separator: str
    decimal_comma: bool
    quoted: bool
    encoding: str
    header_row: int
    first_row: int
    heads: tuple
    names: tuple
    units: tuple
    sample: tuple

    def places(self, name: str, name_only: bool = False) -> list:
        """Positions of the columns of a name, with or without the unit in it."""
        wanted = _key(name)
        found = [] if name_only else [i for i, one in enumerate(self.heads) if _key(one) == wanted]
        return found or [i for i, one in enumerate(self.names) if _key(one) == wanted]

    def listed(self) -> str:
        """The columns as a sentence lists them, with the doubt that there is of their letters."""
        shown = ", ".join(quoted(one) for one in self.heads[:12])
        shown = f"{shown}{', …' if len(self.heads) > 12 else ''}"
        if self.encoding == "cp1252" and not shown.replace("…", "").isascii():
            return f"{shown} (read as Windows-1252, since the file is not UTF-8)"
        return shown


def _key(text: str) -> str:
    return re.sub(r"[\s_]+", "_", text.strip().lower())


def read_log(
    folder: Path | str,
    log: Log,
    *,
    cylinders: int = 1,
    within_rpm: tuple[float, float] | None = None,
) -> trace.Trace:
    """The log of one table [logs.a_name].

    Parameters
    ----------
    folder : path
        Of the session.
    log : tuninglib.session.schema.Log
    cylinders : int
        Of the engine, for a sound recording.
    within_rpm : tuple of float, optional
        Engine speeds that its gearing gives at the speeds typed, for the same.

    Returns
    -------
    Trace

    Raises
    ------
    SessionError
        If the file is not there or cannot be used, each problem in one sentence.
    """
    name = log.file
    if Path(name).name != name or name.startswith(".") or "\\" in name:
        said = f"{quoted(name)} is not the name of a file in the outing's folder; put the log there"
        raise SessionError([Problem("session.toml", said, column="file")])
    path = Path(folder) / name
    try:
        require_regular(path, "the log")
        with path.open("rb") as stream:
            start = stream.read(200)
        if _is_xml(start):
            return read_gpx(path)
        if is_sound(start, name):
            # What listens loads only where there is something to hear.
            from tuninglib.session.read_sound import read_recording

            return read_recording(path, cylinders, within_rpm)
        return read_delimited(path, log)
    except FileNotFoundError:
        message = "is named under [logs], but is not in the outing's folder; copy it there"
        raise SessionError([Problem(name, message)]) from None
    except OSError as error:
        raise SessionError([Problem(name, f"cannot be read: {error.strerror}")]) from None


# What recordings are called.
SOUNDS = (".wav", ".m4a", ".mp3", ".ogg", ".opus", ".3gp", ".aac", ".flac", ".amr", ".mp4")


def is_sound(start: bytes, name: str) -> bool:
    """Whether a file is a recording, by its first bytes or else by its name.

    Parameters
    ----------
    start : bytes
    name : str

    Examples
    --------
    >>> is_sound(b"RIFF\\0\\0\\0\\0WAVEfmt ", "run 7.dat"), is_sound(b"time,rpm", "run 7.csv")
    (True, False)
    """
    marks = start[:4] in (b"RIFF", b"OggS", b"fLaC") or start[:3] == b"ID3" or start[4:8] == b"ftyp"
    return marks or Path(name).suffix.lower() in SOUNDS


def _is_xml(start: bytes) -> bool:
    """Whether a file begins as XML does, in any encoding."""
    bare = start.replace(b"\x00", b"").lstrip(b"\xff\xfe\xef\xbb\xbf \t\r\n")
    return bare.startswith(b"<")


# Files that the program reads or writes by themselves.
_OF_LOGS = (".gpx", ".csv", *SOUNDS)


def unnamed_logs(folder: Path | str) -> list:
    """What is said of files that may be logs and that session.toml does not name, one each.

    Parameters
    ----------
    folder : path

    Returns
    -------
    list of str
        A sentence, and below it the lines that would name the file; none where session.toml
        cannot be read, which is said elsewhere.
    """
    try:
        tables = tables_as_typed(folder)
    except SessionError:
        return []
    logs, taken, said = log_files(tables), {*tables["logs"]}, []
    named = {*OWN, *logs, *misnamed(folder, logs)}
    for path in sorted(Path(folder).iterdir()):
        name, own = path.name, path.name in named or ".earlier-" in path.name
        if own or name.startswith(".") or path.suffix.lower() not in _OF_LOGS or not path.is_file():
            continue
        entry = re.sub(r"\W+", "_", path.stem.lower(), flags=re.ASCII).strip("_") or "log"
        while entry in taken:
            entry += "_too"
        taken.add(entry)
        said.append(
            f"{printable(name)} is in the folder, but session.toml does not name it, so it is "
            "not read; if it is a log of this outing, write at the end of session.toml\n"
            f"[logs.{entry}]\nfile = {json.dumps(printable(name), ensure_ascii=False)}"
        )
    return said


def read_delimited(path: Path, log: Log) -> trace.Trace:
    """A log in delimited text.

    Parameters
    ----------
    path : Path
    log : tuninglib.session.schema.Log
        Its columns by their names in the log; what is left out is found where a column has one of
        the plain names of ``CHANNELS``. Its units are for columns whose head has none.

    Returns
    -------
    Trace

    Raises
    ------
    SessionError
        In one sentence a problem: no table, no time, a column that is not there, no unit.

    Notes
    -----
    Lines with too many cells are left out and counted, cells that are no number are counted for
    each channel; lines with too few have no reading in the rest. An empty line is none.
    """
    require_regular(path, "the log", _LARGEST_BYTES, "keep only the part with the runs")
    text, encoding = decoded(path.read_bytes(), path.name)
    layout = layout_of(text, path.name, encoding)
    used, kind, unused = _columns(path, layout, log)
    table = _table_of(path.name, layout, sorted({one.position for one in used}), text)
    lines = np.arange(len(table)) + layout.first_row
    long = table.pop(len(layout.heads)).notna().to_numpy()
    left_out = trace.counted("too many cells", long, lines)
    empty = table[used[0].position].isna().to_numpy()
    if empty.any():
        empty = table.isna().all(axis=1).to_numpy()
    table, lines = table[~(long | empty)], lines[~(long | empty)]
    seconds = trace.seconds_of(table[used[0].position], kind, layout.decimal_comma)
    channels = {}
    for one in used[1:]:
        cells = table[one.position]
        values = trace.numbers(cells, layout.decimal_comma)
        left_out += _no_numbers(one.name, cells, values, lines, seconds)
        channels[one.name] = _in_si(values, one)
    scale = _scale(kind, seconds, layout, used[0].position)
    found = trace.in_order(
        "table", path.name, seconds, channels, lines, left_out=left_out, scale=scale
    )
    return replace(found, unused=unused)


# Hours of a quick log have a tenth of this.
_LARGEST_BYTES = 500_000_000


@dataclass(frozen=True)
class _Used:
    """One column that is used: what for, where it stands, and its unit."""

    name: str
    position: int
    unit: str


def _columns(path, layout: Layout, log: Log):
    """Columns that are used, how time is written, and the names of the other columns."""
    problems, used, listed = [], [], layout.listed()
    columns, units = dict(log.columns), dict(log.units)

    def say(message, column=None):
        problems.append(Problem(path.name, message, row=layout.header_row, column=column))

    usual = {"time": trace.TIME_NAMES, **{key: one.names for key, one in trace.CHANNELS.items()}}
    for name, names in usual.items():
        if name in columns:
            places = layout.places(columns[name])
            if not places:
                say(f"has no column {quoted(columns[name])} for {name}; its columns are {listed}")
        else:
            places = [at for one in names for at in layout.places(one, name_only=True)]
        if len(places) > 1:
            both = " and ".join(quoted(layout.names[at]) for at in places[:2])
            say(
                f"has {both}, both for {name}; say which, for example columns = {{ {name} = "
                f"{quoted(layout.heads[places[0]])} }}, and rename one if both are the same"
            )
        elif places:
            unit = units.get(name) or layout.units[places[0]]
            unit = unit or _own_unit(name, layout.heads[places[0]])
            used.append(_Used(name, places[0], unit))
    if not any(one.name == "time" for one in used) and not problems:
        say(
            "has no column called time; say which it is, for example columns = { time = "
            f'"{layout.heads[0]}" }}; its columns are {layout.listed()}'
        )
    kind = "s"
    for one in used:
        try:
            if one.name == "time":
                cells = [row[one.position] for row in layout.sample]
                kind = trace.kind_of_time(cells, one.unit, log.time_format)
            else:
                _require_unit(one)
        except ValueError as error:
            say(str(error), layout.heads[one.position])
    if len(used) < 2 and not problems:
        say(
            "has a time but no channel that is used here; say what its columns are, for example "
            f'columns = {{ gauge = "{layout.heads[-1]}" }}; its columns are {layout.listed()}'
        )
    if problems:
        raise SessionError(problems)
    taken = {one.position for one in used}
    unused = tuple(head for at, head in enumerate(layout.heads) if at not in taken and head)
    return used, kind, unused


def _own_unit(name: str, head: str) -> str:
    """The head itself where it is nothing but a unit, such as rpm."""
    wanted = "s" if name == "time" else trace.CHANNELS[name].unit
    try:
        return head if wanted not in ("", "degree") and measures(head, wanted) else ""
    except ValueError:
        return ""


def _require_unit(one: _Used) -> None:
    """Refuse a channel whose unit is not said, or is of another kind."""
    channel = trace.CHANNELS[one.name]
    if not channel.unit:
        return
    example = f'units = {{ {one.name} = "{channel.usual}" }}'
    if not one.unit:
        if channel.unit == "degree":
            return  # latitudes and longitudes of a log are in degrees, or outside the limits
        raise ValueError(f"has no unit for {one.name}; write for example {example}")
    if channel.unit == "degree" and one.unit.lower() in ("deg", "°", "degree", "degrees"):
        return
    if not measures(one.unit, channel.unit):
        raise ValueError(f"[{shortened(one.unit)}] is not a unit of {one.name}; write {example}")


_LONGEST_LINE = 200_000
# Words for "no reading", besides those that pandas knows.
_NOTHING = ["-", "--", "---", "–", "*", "?", "n.a.", "none", "off"]


def _table_of(name: str, layout: Layout, positions, text: str) -> pd.DataFrame:
    """Cells of every line below the header by their position, one column more for what is too long.

    Parameters
    ----------
    name : str
    layout : Layout
    positions : list of int
        Of the columns that are wanted.
    text : str
        With plain line ends.
    """
    below = text.removesuffix("\n").split("\n")[layout.first_row - 1 :]
    numbered = [*enumerate(below, start=layout.first_row)]
    # What is not made of lines would be one cell of any size.
    if long := [at for at, line in numbered if len(line) > _LONGEST_LINE]:
        message = f"has a line of more than {_LONGEST_LINE // 1000} kB; is it a log?"
        raise SessionError([Problem(name, message, row=long[0])])
    # A first row with a cell more than the header shows which lines have too many.
    joint = " " if layout.separator == r"\s+" else layout.separator
    first = joint.join(["0"] * (len(layout.heads) + 1))
    try:
        table = pd.read_csv(
            io.StringIO("\n".join([first, *below])),
            names=range(len(layout.heads) + 1),
            usecols=[*positions, len(layout.heads)],
            sep=layout.separator,
            decimal="," if layout.decimal_comma else ".",
            header=None,
            skip_blank_lines=False,
            na_values=_NOTHING,
            quoting=csv.QUOTE_MINIMAL if layout.quoted else csv.QUOTE_NONE,
            low_memory=False,
        ).iloc[1:]
    except (pd.errors.ParserError, ValueError):
        table = None
    # Without quotation marks nothing can swallow the end of a line.
    if table is None or (layout.quoted and len(table) != len(below)):
        odd = next((at for at, line in numbered if line.count('"') % 2), layout.first_row)
        message = (
            f"has lines from here to line {numbered[-1][0]} that run together, as if a quotation "
            "mark were not closed; export the log again"
        )
        raise SessionError([Problem(name, message, row=odd)])
    return table


def _no_numbers(name, cells, values, lines, seconds):
    """Cells of a channel, in rows with a time, where something stands that is no number."""
    if cells.dtype.kind in "fiu":
        return []
    wrong = np.isfinite(seconds) & cells.notna().to_numpy() & np.isnan(values)
    wrong &= cells.astype(str).str.strip(" \t\"'").ne("").to_numpy()
    return trace.counted(
        "no number", wrong, lines, name, lambda at: shortened(str(cells.iloc[at]).strip(), 20)
    )


def _in_si(values, one: _Used):
    unit = trace.CHANNELS[one.name].unit
    same = unit in ("", "degree") or one.unit == unit
    return values if same else convert(values, one.unit, unit)


def _scale(kind: str, seconds, layout: Layout, position: int) -> str:
    """What times count from, as :func:`tuninglib.session.trace.in_order` has it."""
    if kind.startswith("%"):
        dated, zoned = bool(re.search("%[Yy]", kind)), "%z" in kind
    else:
        # Numbers since 1970 are in UTC; a text says how far from it, or is of a place.
        dated = kind == "iso" or (kind != "clock" and trace.is_since_1970(seconds))
        zone = re.compile(r".*(Z|z|[-+]\d\d:?\d\d)")
        zoned = kind != "iso" or all(zone.fullmatch(row[position]) for row in layout.sample)
    if dated:
        return "utc" if zoned else "local"
    return "clock" if kind == "clock" or kind.startswith("%") else "elapsed"


_LINES, _SAMPLE = 200, 40
_SEPARATORS = (",", ";", "\t", "|", r"\s+")
_MOST_COLUMNS = 2000


def layout_of(text: str, name: str, encoding: str = "utf-8-sig") -> Layout:
    """The layout of a log.

    Parameters
    ----------
    text : str
        With plain line ends.
    name : str
        Of the file, for the problems.
    encoding : str
        That it was in.

    Raises
    ------
    SessionError
        If no table of numbers can be found in its first lines.

    Notes
    -----
    For each separator the first line of which half of the cells are numbers or times, with as many
    cells in the line after it, begins the table; the separator that makes the largest share of
    numbers, and among equals the most cells, is taken; blanks are one where no other one fits the
    header. The line above is the header; where that holds nothing but units, the one above it is,
    too.
    """
    lines = text.split("\n", _LINES + 2 * _SAMPLE)[: _LINES + 2 * _SAMPLE]
    best = None
    for separator in _SEPARATORS:
        # A blank between date and time, or in a head, is none where another separator fits.
        if separator == r"\s+" and best and best[0][1]:
            break
        found = _first_table(lines, separator)
        if found and (best is None or found[0] > best[0]):
            best = found
    if best is None:
        message = (
            "holds no table of numbers (a line of names, then lines with as many numbers); export "
            "the log as CSV"
        )
        raise SessionError([Problem(name, message)])
    _, separator, first, rows = best
    width = len(rows[0])
    if width > _MOST_COLUMNS:
        message = f"has {width} columns; at most {_MOST_COLUMNS} are allowed"
        raise SessionError([Problem(name, message)])
    heads, units, header_row = _heads(lines, separator, first, width)
    split = [_split_unit(head) for head in heads]
    names = tuple(name for name, _ in split)
    units = tuple(own or unit for own, (_, unit) in zip(units, split, strict=True))
    flat = [cell for row in rows for cell in row]
    return Layout(
        separator=separator,
        decimal_comma=decimal_comma_in(flat) and (separator != "," or '"' in text),
        quoted='"' in text,
        encoding=encoding,
        header_row=header_row,
        first_row=first + 1,
        heads=heads,
        names=names,
        units=units,
        sample=tuple(map(tuple, rows)),
    )


def _first_table(lines, separator):
    """Score, separator, position of the first row and cells of the first rows; None if no table."""
    cut = [_cut(line, separator) if line.strip() else [] for line in lines]
    for first, cells in enumerate(cut[:_LINES]):
        if len(cells) < 2 or _share(cells) < 0.5 or sum(map(_numeric, cells)) < 2:
            continue
        below = next((row for row in cut[first + 1 :] if row), cells)
        header = next((row for row in reversed(cut[:first]) if row), [])
        fits = len(header) == len(cells)
        # A line of a version may hold a number; below a header, or above its like, is a table.
        goes_on = len(below) == len(cells) and _share(below) >= 0.5
        if not goes_on and not (fits and _share(header) < 0.5):
            continue
        rows = [row for row in cut[first : first + _SAMPLE] if len(row) == len(cells)]
        share = sum(map(_share, rows)) / len(rows)
        return (round(share, 2), fits, len(cells)), separator, first, rows
    return None


_NUMBER = re.compile(r"[-+−]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?")
_TIME = re.compile(
    r"\d{1,4}[-./:]\d{1,2}[-./:]\d{1,4}([T ,]?[\d:.,]*)?( ?[AP]M)?( ?(Z|[-+]\d\d:?\d\d))?",
    re.IGNORECASE,
)


def _share(cells) -> float:
    """Share of numbers among the cells in which something stands."""
    filled = [cell for cell in cells if cell]
    return sum(map(_numeric, filled)) / len(filled) if filled else 0.0


def _numeric(cell: str) -> bool:
    return bool(_NUMBER.fullmatch(cell) or _TIME.fullmatch(cell))


def _cut(line: str, separator: str) -> list:
    """Cells of one line, without blanks and quotation marks around them."""
    if separator == r"\s+":
        found = line.split()
    elif '"' in line:
        one = re.escape(separator)
        found = re.findall(rf'(?:^|{one})("[^"]*"|[^{one}]*)', line)
    else:
        found = line.split(separator)
    return [cell.strip(" \t\"'") for cell in found]


def _heads(lines, separator, first, width):
    """Heads and units of a line of their own, and the row of the header (from 1)."""
    above = [
        (at, cells)
        for at in range(first - 1, -1, -1)
        if lines[at].strip() and len(cells := _cut(lines[at], separator)) == width
    ][:2]
    none = ("",) * width
    if not above or above[0][0] < first - 3:
        return tuple(str(number) for number in range(1, width + 1)), none, first + 1
    at, cells = above[0]
    above_it, names = above[1] if len(above) > 1 else (-9, ())
    filled, named = sum(map(bool, cells)), sum(map(bool, names))
    of_units = filled and all(map(_unit_or_nothing, cells))
    if of_units and above_it >= at - 2 and named >= filled:
        return tuple(names), tuple(map(_bare, cells)), above_it + 1
    return tuple(cells), none, at + 1


def _bare(cell: str) -> str:
    """A unit without the brackets around it."""
    found = cell.strip("[](){} ")
    return found if _is_unit(found) else ""


def _unit_or_nothing(cell: str) -> bool:
    return not cell.strip("[](){} -") or _is_unit(cell.strip("[](){} ")) or cell.strip("[]() ") in (
        "lambda", "AFR", "afr", "hh:mm:ss",
    )  # fmt: skip


def _is_unit(text: str) -> bool:
    if not text or text.isdigit() or len(text) > 20:
        return False
    try:
        parse_unit(text)
    except ValueError:
        return False
    return True


def _split_unit(head: str) -> tuple:
    """Name and unit of a head such as ``speed [km/h]`` or ``Speed (km/h)``."""
    match = re.fullmatch(r"(.*?)\s*[\[(]([^\[\]()]*)[\])]\s*", head)
    if match and match[1] and (_is_unit(match[2]) or match[2] in ("", "lambda", "AFR")):
        return match[1], match[2] if _is_unit(match[2]) else ""
    return head, ""
