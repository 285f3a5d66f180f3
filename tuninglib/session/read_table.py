"""A table that a rider typed, brought to SI column by column, every problem with its cell."""

import re
from dataclasses import dataclass

from tuninglib.text_files import Problem, RawTable, nearest, quoted, shortened
from tuninglib.units import convert, measures, parse_number


@dataclass(frozen=True)
class Head:
    """One cell of a header: the name of the column, and its unit where one stands there."""

    key: str
    unit: str


def parse_head(text: str) -> Head:
    """A header cell of the kind ``name [unit]``.

    Parameters
    ----------
    text : str

    Examples
    --------
    >>> parse_head("Exit speed [km/h]")
    Head(key='exit_speed', unit='km/h')
    """
    match = re.fullmatch(r"([^\[\]]*)(?:\[([^\[\]]*)\])?", text.strip())
    key, unit = (match[1], match[2] or "") if match else (text, "")
    return Head(_key(key), unit.strip())


def _key(text: str) -> str:
    return text.strip().lower().replace(" ", "_")


def columns_in_si(table: RawTable, name: str, columns: dict, problems: list, known=None) -> dict:
    """Values of every column of the contract, in SI; empty cells are NaN or the default word.

    Parameters
    ----------
    table : RawTable
    name : str
        Of the file.
    columns : dict of str to Column
    problems : list of Problem
        What is wrong with the header and with single cells is appended.
    known : dict of str to set, optional
        Names that session.toml has, by table, for columns that hold one.

    Returns
    -------
    dict of str to list
        By ``si_name``, and ``row`` with the row of the file.
    """
    found = _found(table, name, columns, problems)
    data: dict[str, list] = {"row": list(table.row_numbers)}
    for key, column in columns.items():
        if key in found:
            position, unit = found[key]
            values = []
            for cells, row in zip(table.rows, table.row_numbers, strict=True):
                try:
                    value = _value(
                        key, column, cells[position], unit, table.decimal_comma, known or {}
                    )
                except ValueError as error:
                    problems.append(Problem(name, str(error), row=row, column=key))
                    value = _absent(column)
                values.append(value)
            if column.unique:
                problems.extend(_repeated(name, key, values, table.row_numbers))
        else:
            values = [_absent(column)] * len(table.rows)
        data[column.si_name or key] = values
    return data


def _found(table, name, columns, problems) -> dict:
    """Position and unit of each column that can be used; what is wrong with the header is said."""
    found: dict[str, tuple] = {}
    for position, header in enumerate(table.headers):
        head = parse_head(header)
        if not head.key and not any(row[position] for row in table.rows):
            continue
        if head.key not in columns:
            message = f"unknown column {quoted(header)}; {nearest(head.key, columns)}"
            problems.append(Problem(name, message, row=1))
        elif head.key in found:
            message = f"the column {head.key} stands twice"
            problems.append(Problem(name, message, row=1, column=head.key))
        else:
            wrong = _wrong_unit(head, columns[head.key])
            if wrong:
                problems.append(Problem(name, wrong, row=1, column=head.key))
            else:
                found[head.key] = (position, head.unit)
    headed = {_key(header.partition("[")[0]) for header in table.headers}
    for key, column in columns.items():
        if column.required and key not in headed:
            message = f"the column {key} is missing ({column.help})"
            problems.append(Problem(name, message, row=1, column=key))
    return found


# What people write in a cell to say that there is nothing to say.
NO_REASON = {"no", "n", "0", "false", "none", "-", "–", "—", "−", "/"}


def _wrong_unit(head: Head, column) -> str:
    """What is wrong with the unit of a header; empty if nothing is."""
    if column.kind != "quantity":
        unit = f"has the unit [{shortened(head.unit)}], but {head.key} has none; write {head.key}"
        return unit if head.unit else ""
    example = f"write for example {head.key} [{column.usual_unit}]"
    if not head.unit:
        return f"has no unit; {example}"
    try:
        fits = measures(head.unit, column.unit)
    except ValueError as error:
        return f"{error}; {example}"
    return "" if fits else f"[{shortened(head.unit)}] is not a unit of {head.key}; {example}"


def _absent(column):
    """What an empty cell stands for."""
    if column.kind in ("quantity", "number"):
        return float("nan")
    if column.kind == "range":
        return float("nan"), float("nan")
    if column.absent is not None or column.kind != "choice":
        return column.absent or ""
    return column.choices[0]


def _value(key, column, cell, unit, decimal_comma, known):
    if not cell:
        if column.required:
            raise ValueError(f"is empty; {column.help}")
        return _absent(column)
    if column.kind in ("quantity", "number"):
        return _number(column, cell, unit, decimal_comma)
    if column.kind == "range":
        return _range(column, cell, decimal_comma)
    if column.kind == "reason":
        return "" if cell.lower() in NO_REASON else cell
    if column.kind == "name":
        # Nothing known: session.toml could not be read, which is said already.
        names = known.get(f"{key}s")
        if names and cell not in names:
            raise ValueError(
                f"{quoted(cell)} is not one of the {key}s of session.toml; {nearest(cell, names)}"
            )
        return cell
    if column.kind == "choice":
        word = column.synonyms.get(cell.lower(), cell.lower())
        if word not in column.choices:
            raise ValueError(f"{quoted(cell)} is not one of {', '.join(map(repr, column.choices))}")
        return word
    return cell


def _range(column, cell, decimal_comma) -> tuple:
    """Both ends of a range, or one number twice."""
    low, _, high = re.sub(r"(?<=\d)\s*(?:to|–|—|-)\s*(?=\d)", "|", cell).partition("|")
    ends = tuple(_number(column, end, "", decimal_comma) for end in (low, high or low))
    if ends[0] > ends[1]:
        raise ValueError(f"{cell} goes down; write the lower reading first")
    return ends


def _number(column, cell, unit, decimal_comma) -> float:
    if column.whole and re.fullmatch(r"\d{1,3}([.,]\d{3})+", cell):
        raise ValueError(f"{cell} could be read two ways; write it without a comma or a point")
    number = parse_number(cell.replace(",", ".") if decimal_comma or column.whole else cell)
    if column.whole and number != round(number):
        raise ValueError(f"{cell} is not a whole number; write it without a comma or a point")
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


def _repeated(name, key, values, row_numbers):
    """Problems of values that stand twice; what is missing was said already."""
    first: dict[float, int] = {}
    for value, row in zip(values, row_numbers, strict=True):
        if value != value:
            continue
        if value in first:
            message = f"{key} {value:g} stands in row {first[value]} too; give each {key} a number"
            yield Problem(name, message, row=row, column=key)
        first.setdefault(value, row)
