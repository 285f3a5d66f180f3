"""runs.csv to a table in SI, every problem collected with its row and column."""

import re

import pandas as pd

from tuninglib.session.columns import COLUMNS
from tuninglib.session.read_toml import TOML
from tuninglib.text_files import Problem, nearest, read_table
from tuninglib.units import convert, parse_number, parse_unit

RUNS = "runs.csv"


def read_runs(path, known, problems) -> pd.DataFrame:
    """Runs in SI: one row a run, every column of the contract present, ``row`` the file's row.

    Parameters
    ----------
    path : Path
    known : dict of str to set
        Names that session.toml has, by table.
    problems : list of Problem
        What is wrong with single cells and headers is appended.

    Returns
    -------
    pandas.DataFrame

    Raises
    ------
    SessionError
        If the file cannot be read as a table at all.
    """
    table = read_table(path)
    name = path.name
    found: dict[str, tuple[int, str]] = {}
    for position, header in enumerate(table.headers):
        match = re.fullmatch(r"\s*([^\[\]]*?)\s*(?:\[\s*(.*?)\s*\])?\s*", header)
        key, unit = (match[1], match[2] or "") if match else (header, "")
        key = key.strip().lower().replace(" ", "_")
        if not key and not any(row[position] for row in table.rows):
            continue
        if key not in COLUMNS:
            message = f"unknown column {header!r}; {nearest(key, COLUMNS)}"
            problems.append(Problem(name, message, row=1))
            continue
        if key in found:
            problems.append(Problem(name, f"the column {key} stands twice", row=1, column=key))
            continue
        column = COLUMNS[key]
        try:
            _check_unit(key, unit, column)
        except ValueError as error:
            problems.append(Problem(name, str(error), row=1, column=key))
            continue
        found[key] = (position, unit)
    headed = {re.sub(r"\s*\[.*", "", h).strip().lower().replace(" ", "_") for h in table.headers}
    for key, column in COLUMNS.items():
        if column.required and key not in headed:
            message = f"the column {key} is missing ({column.help})"
            problems.append(Problem(name, message, row=1, column=key))
    if not table.rows:
        problems.append(Problem(name, "has a header but no run; add one row for each run"))
    data: dict[str, list] = {"row": list(table.row_numbers)}
    for key, column in COLUMNS.items():
        cells = [row[found[key][0]] for row in table.rows] if key in found else None
        data[column.si_name or key] = _column(
            name, key, column, cells, found.get(key, (0, ""))[1], table, known, problems
        )
    return pd.DataFrame(data)


def _check_unit(key, unit, column) -> None:
    if column.kind != "quantity":
        if unit:
            raise ValueError(f"has the unit [{unit}], but {key} has none; write {key}")
        return
    if not unit:
        example = {"m/s": "km/h", "K": "degC", "Pa": "hPa", "1": "%"}[column.unit]
        raise ValueError(f"has no unit; write for example {key} [{example}]")
    if parse_unit(unit).dimensionality != parse_unit(column.unit).dimensionality:
        raise ValueError(f"[{unit}] is not a unit of {key}; write for example [{column.unit}]")


def _column(file, key, column, cells, unit, table, known, problems) -> list:
    """Values of one column; empty cells become None, NaN or the column's default word."""
    numeric = column.kind in ("quantity", "number")
    absent = float("nan") if numeric else {"choice": column.choices[:1]}.get(column.kind)
    if column.kind == "choice":
        absent = column.choices[0]
    elif not numeric:
        absent = ""
    if cells is None:
        return [absent] * len(table.rows)
    values = []
    for cell, row in zip(cells, table.row_numbers, strict=True):
        value = absent
        try:
            if cell:
                value = _cell(key, column, cell, unit, table.decimal_comma, known)
            elif column.required:
                raise ValueError(f"is empty; {column.help}")
        except ValueError as error:
            problems.append(Problem(file, str(error), row=row, column=key))
        values.append(value)
    if key == "run":
        first: dict[float, int] = {}
        for value, row in zip(values, table.row_numbers, strict=True):
            if value in first:
                message = f"run {value:g} stands in row {first[value]} too; give each run a number"
                problems.append(Problem(file, message, row=row, column=key))
            first.setdefault(value, row)
    return values


def _cell(key, column, cell, unit, decimal_comma, known):
    if column.kind in ("quantity", "number"):
        number = parse_number(cell.replace(",", ".") if decimal_comma else cell)
        value = convert(number, unit, column.unit) if column.kind == "quantity" else number
        if not column.low <= value <= column.high:
            low, high = column.low, column.high
            if column.kind == "quantity":
                low, high = (convert(limit, column.unit, unit) for limit in (low, high))
            label = f" {unit}" if unit else ""
            raise ValueError(
                f"{cell}{label} is outside {low:.4g} to {high:.4g}{label}; "
                "check the number and the header's unit"
            )
        return value
    if column.kind == "name":
        # Nothing known: session.toml could not be read, which is said already.
        if known[f"{key}s"] and cell not in known[f"{key}s"]:
            raise ValueError(
                f"{cell!r} is not one of the {key}s of {TOML}; {nearest(cell, known[f'{key}s'])}"
            )
        return cell
    if column.kind == "choice":
        if cell.lower() not in column.choices:
            raise ValueError(f"{cell!r} is not one of {', '.join(map(repr, column.choices))}")
        return cell.lower()
    return cell
