"""A log as a table of numbers in text, of any make, to a trace.

:mod:`tuninglib.session.log_layout` tells how it is written, :mod:`tuninglib.session.log_blocks`
reads its cells.
"""

import functools
import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tuninglib.session.log_blocks import read_blocks
from tuninglib.session.log_channels import CHANNELS, TIME_NAMES
from tuninglib.session.log_layout import Layout, layout_of
from tuninglib.session.log_times import is_since_1970, kind_of_time, numbers, seconds_of
from tuninglib.session.trace import LeftOut, Trace, in_order
from tuninglib.text_files import Problem, SessionError, quoted, shortened
from tuninglib.units import convert, measures


@dataclass(frozen=True)
class _Used:
    """One column that is used: what for, where it stands, and its unit."""

    name: str
    position: int
    unit: str


def read_delimited(path: Path, *, columns=None, units=None, time_format: str = "") -> Trace:
    """A log in delimited text.

    Parameters
    ----------
    path : Path
    columns : dict of str to str, optional
        ``"time"`` and names of channels to the log's own names of its columns. What is left out is
        found where a column has one of the plain names of ``CHANNELS``.
    units : dict of str to str, optional
        For columns whose head has none.
    time_format : str
        As :func:`tuninglib.session.log_times.kind_of_time` has it.

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
    layout = layout_of(path)
    used, kind, unused = _columns(path, layout, columns or {}, units or {}, time_format)
    read = functools.partial(_read_block, layout=layout, used=used, kind=kind)
    rows = _rows_expected(path, layout)
    whole = {one.name: _Column(rows) for one in used}
    blocks = []
    for block in read_blocks(path, layout, [one.position for one in used], read):
        for name in whole:
            whole[name].append(block.values.pop(name))
        blocks.append(block)
    channels = {name: column.values for name, column in whole.items()}
    seconds = channels.pop("time")
    if not seconds.size:
        raise SessionError([Problem(path.name, "has a header, but no row of numbers below it")])
    left_out = _joined(blocks, layout.first_row)
    absolute = _says_the_date(kind, seconds)
    return in_order(
        "table",
        path.name,
        seconds,
        channels,
        _line_of(blocks, layout.first_row),
        rows=seconds.size + sum(one.count for one in left_out if not one.channel),
        left_out=left_out,
        absolute=absolute,
        utc=absolute and _says_the_zone(kind, layout, used[0].position),
        clock=not absolute and (kind == "clock" or kind.startswith("%")),
        unused=unused,
    )


def _says_the_date(kind: str, seconds) -> bool:
    """Whether times are since 1970 rather than since a start, or of the day."""
    if kind.startswith("%"):
        return "%Y" in kind or "%y" in kind
    return kind == "iso" or (kind != "clock" and is_since_1970(seconds))


def _says_the_zone(kind: str, layout: Layout, position: int) -> bool:
    """Whether a date is in UTC or says how far from it; numbers since 1970 are in UTC."""
    if kind.startswith("%"):
        return "%z" in kind
    zoned = re.compile(r".*(Z|z|[-+]\d\d:?\d\d)")
    return kind != "iso" or all(zoned.fullmatch(row[position]) for row in layout.sample)


@dataclass(frozen=True)
class _Block:
    """What a block of whole lines holds.

    ``lines`` counts its lines from 0 and ``length`` has all of them; so does what was left out.
    """

    lines: np.ndarray | range
    length: int
    values: dict
    left_out: list


def _read_block(table, layout, used, kind) -> _Block:
    """One block in SI, with what cannot be used."""
    length = len(table)
    lines, left_out = range(length), []
    if layout.width in table:
        long = table.pop(layout.width).notna().to_numpy()
        if long.any():
            left_out.append(LeftOut("too many cells", int(long.sum()), int(np.argmax(long))))
            table, lines = table[~long], np.flatnonzero(~long)
    when = table[used[0].position]
    if when.isna().any():
        empty = table.isna().all(axis=1).to_numpy()
        table, lines = table[~empty], np.asarray(lines)[~empty]
        when = table[used[0].position]
    seconds = seconds_of(when, kind, layout.decimal_comma)
    found = {"time": seconds}
    for one in used[1:]:
        cells = table[one.position]
        values = numbers(cells, layout.decimal_comma)
        left_out += _no_numbers(one.name, cells, values, lines, seconds)
        found[one.name] = _in_si(values, one)
    return _Block(lines, length, found, left_out)


def _rows_expected(path, layout: Layout) -> int:
    """About how many rows there are, rather more than too few."""
    shortest = min(sum(map(len, row)) + len(row) for row in layout.sample)
    return path.stat().st_size // max(2, shortest) + 1


class _Column:
    """Values of one column as they come, in memory that is taken once."""

    def __init__(self, rows: int):
        self._room, self._filled = np.empty(rows), 0

    def append(self, values) -> None:
        """Put values behind those that are there."""
        end = self._filled + values.size
        if end > self._room.size:
            self._room = np.concatenate([self._room[: self._filled], np.empty(2 * end)])
        self._room[self._filled : end] = values
        self._filled = end

    @property
    def values(self) -> np.ndarray:
        """Everything so far."""
        return self._room[: self._filled]


def _joined(blocks, first_row) -> list:
    """What was left out of all blocks: one record for each reason and channel."""
    found: dict[tuple, LeftOut] = {}
    for block in blocks:
        for one in block.left_out:
            key = one.reason, one.channel
            before = found.get(key, replace(one, count=0, first=one.first + first_row))
            found[key] = replace(before, count=before.count + one.count)
        first_row += block.length
    return list(found.values())


def _line_of(blocks, first_row):
    """Line of the file of each row, by the number of the row."""
    rows = np.cumsum([0] + [len(block.lines) for block in blocks])
    firsts = first_row + np.cumsum([0] + [block.length for block in blocks])

    def line(row: int) -> int:
        block = int(np.searchsorted(rows, row, side="right")) - 1
        return int(firsts[block] + blocks[block].lines[row - rows[block]])

    return line


def _in_si(values, one: _Used):
    unit = CHANNELS[one.name].unit
    same = unit in ("", "degree") or one.unit == unit
    return values if same else convert(values, one.unit, unit)


def _no_numbers(name, cells, values, lines, seconds):
    """Cells of a channel, in rows with a time, where something stands that is no number."""
    if cells.dtype.kind in "fiu":
        return
    wrong = np.isfinite(seconds) & cells.notna().to_numpy() & np.isnan(values)
    wrong &= cells.astype(str).str.strip(" \t\"'").ne("").to_numpy()
    if wrong.any():
        at = int(np.argmax(wrong))
        example = shortened(str(cells.iloc[at]).strip(), 20)
        yield LeftOut("no number", int(wrong.sum()), int(lines[at]), name, example)


def _columns(path, layout: Layout, columns: dict, units: dict, time_format: str):
    """Columns that are used, how time is written, and the names of the other columns."""
    problems, used = [], []
    usual = {"time": TIME_NAMES} | {key: channel.names for key, channel in CHANNELS.items()}
    for name, names in usual.items():
        if name in columns:
            places = layout.places(columns[name])
            if not places:
                message = (
                    f"has no column {quoted(columns[name])} for {name}; its columns are "
                    f"{layout.listed()}"
                )
                problems.append(Problem(path.name, message, row=layout.header_row))
        else:
            places = [at for one in names for at in layout.places(one, name_only=True)]
        if len(places) > 1:
            both = " and ".join(quoted(layout.names[at]) for at in places[:2])
            message = (
                f"has {both}, both for {name}; say which, for example columns = {{ {name} = "
                f"{quoted(layout.heads[places[0]])} }}, and rename one if both are the same"
            )
            problems.append(Problem(path.name, message, row=layout.header_row))
        elif places:
            unit = units.get(name) or layout.units[places[0]]
            unit = unit or _own_unit(name, layout.heads[places[0]])
            used.append(_Used(name, places[0], unit))
    if not any(one.name == "time" for one in used) and not problems:
        message = (
            "has no column time; say which it is, for example columns = { time = "
            f'"{layout.heads[0]}" }}; its columns are {layout.listed()}'
        )
        problems.append(Problem(path.name, message, row=layout.header_row))
    kind = "s"
    for one in used:
        try:
            if one.name == "time":
                cells = [row[one.position] for row in layout.sample]
                kind = kind_of_time(cells, one.unit, time_format)
            else:
                _require_unit(one)
        except ValueError as error:
            head = layout.heads[one.position]
            problems.append(Problem(path.name, str(error), row=layout.header_row, column=head))
    if len(used) < 2 and not problems:
        message = (
            "has a time but no channel of ours; say what its columns are, for example columns = "
            f'{{ gauge = "{layout.heads[-1]}" }}; its columns are {layout.listed()}'
        )
        problems.append(Problem(path.name, message, row=layout.header_row))
    if problems:
        raise SessionError(problems)
    taken = {one.position for one in used}
    unused = tuple(head for at, head in enumerate(layout.heads) if at not in taken and head)
    return used, kind, unused


def _own_unit(name: str, head: str) -> str:
    """The head itself where it is nothing but a unit, such as rpm."""
    wanted = "s" if name == "time" else CHANNELS[name].unit
    try:
        return head if wanted not in ("", "degree") and measures(head, wanted) else ""
    except ValueError:
        return ""


def _require_unit(one: _Used) -> None:
    """Refuse a channel whose unit is not said, or is of another kind."""
    channel = CHANNELS[one.name]
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
        raise ValueError(f"[{shortened(one.unit)}] is no unit of {one.name}; write {example}")
