"""coastdown.csv: timed falls of speed as a rider writes them down, both ways on the flat."""

import csv
import io
import re
from dataclasses import dataclass

import numpy as np

from tuninglib.text_files import Problem, RawTable, SessionError
from tuninglib.units import convert, parse_number, parse_unit

COASTDOWN = "coastdown.csv"
COLUMNS = ("run", "direction", "from_speed", "to_speed", "time")
DIRECTIONS = {"out": 1, "back": -1}
# What a rider starts from; the same header is put into a new file.
HEADER = "run,direction,from_speed [km/h],to_speed [km/h],time [s]\n"
HEADER_MPH = "run,direction,from_speed [mph],to_speed [mph],time [s]\n"


@dataclass(frozen=True)
class Falls:
    """Timed falls of speed, as shown by the speedometer.

    Attributes
    ----------
    run, direction : array of int
        Falls of one roll share a run; out is 1, back is −1.
    shown_from_m_s, shown_to_m_s, time_s : array
    """

    run: np.ndarray
    direction: np.ndarray
    shown_from_m_s: np.ndarray
    shown_to_m_s: np.ndarray
    time_s: np.ndarray


def parse_falls(text: str) -> Falls:
    """Timed falls from text with a header row; commas, semicolons or tabs between the cells.

    Parameters
    ----------
    text : str

    Raises
    ------
    SessionError
        With every problem, each with its row.

    Examples
    --------
    >>> falls = parse_falls(HEADER + "1,out,70,60,4.4")
    >>> falls.time_s.tolist(), falls.direction.tolist()
    ([4.4], [1])
    """
    table = _split(text)
    units, at, problems = {}, {}, []
    for position, header in enumerate(table.headers):
        match = re.fullmatch(r"\s*([^\[\]]*?)\s*(?:\[\s*(.*?)\s*\])?\s*", header)
        key = match[1].lower().replace(" ", "_") if match else header
        if key in COLUMNS:
            at[key], units[key] = position, match[2] or ""
        elif key:
            problems.append(_problem(f"unknown column {header!r}; known: {', '.join(COLUMNS)}", 1))
    for key, wanted in (("from_speed", "km/h"), ("to_speed", "km/h"), ("time", "s")):
        if key in at and not _measures(units[key], wanted):
            problems.append(
                _problem(f"write {key} [{wanted}], or another unit of its kind", 1, key)
            )
    problems += [_problem(f"the column {key} is missing", 1) for key in COLUMNS if key not in at]
    if problems:
        raise SessionError(problems)
    columns = {key: [] for key in COLUMNS}
    for row, number in zip(table.rows, table.row_numbers, strict=True):
        for key in COLUMNS:
            try:
                columns[key].append(_cell(key, row[at[key]], units[key], table.decimal_comma))
            except ValueError as error:
                problems.append(_problem(str(error), number, key))
    if not table.rows:
        problems.append(_problem("there is no timed fall yet; write one in each row", None))
    if problems:
        raise SessionError(problems)
    return Falls(*(np.array(columns[key]) for key in COLUMNS))


def _problem(message, row, column=None) -> Problem:
    return Problem(COASTDOWN, message, row=row, column=column)


def _measures(unit: str, wanted: str) -> bool:
    try:
        return parse_unit(unit).dimensionality == parse_unit(wanted).dimensionality
    except ValueError:
        return False


def _cell(key, cell, unit, decimal_comma):
    if not cell:
        raise ValueError("is empty")
    if key == "direction":
        if cell.lower() not in DIRECTIONS:
            raise ValueError(f"{cell!r} is not one of 'out', 'back'")
        return DIRECTIONS[cell.lower()]
    number = parse_number(cell.replace(",", ".") if decimal_comma else cell)
    if number <= 0:
        raise ValueError(f"{cell} must be above 0")
    if key == "run":
        return int(number)
    value = convert(number, unit, "s" if key == "time" else "m/s")
    most, name = (600.0, "600 s") if key == "time" else (70.0, "252 km/h")
    if value > most:
        raise ValueError(f"{cell} {unit} is above {name}; check the number and the header's unit")
    return value


def _split(text: str) -> RawTable:
    lines = [(number, line) for number, line in enumerate(text.splitlines(), start=1)]
    kept = [(n, line) for n, line in lines if line.strip() and not line.lstrip().startswith("#")]
    if not kept:
        raise SessionError([_problem("is empty; it starts with a header row", None)])
    delimiter = max(",;\t", key=kept[0][1].count)
    cells = [next(csv.reader(io.StringIO(line), delimiter=delimiter), []) for _, line in kept]
    cells = [[cell.strip() for cell in row] for row in cells]
    width = len(cells[0])
    long = [n for (n, _), row in zip(kept, cells, strict=True) if len(row) > width]
    if long:
        message = "has more cells than the header; a decimal comma? Write a point"
        raise SessionError([_problem(message, n) for n in long])
    rows = tuple(tuple((row + [""] * width)[:width]) for row in cells[1:])
    return RawTable(
        headers=tuple(cells[0]),
        rows=rows,
        row_numbers=tuple(n for n, _ in kept[1:]),
        delimiter=delimiter,
        decimal_comma=delimiter != "," and any(re.search(r"\d,\d", c) for r in rows for c in r),
    )
