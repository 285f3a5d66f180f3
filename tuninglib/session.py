"""A session's folder, read and validated: session.toml and runs.csv to one frozen Session.

Every problem is collected before anything is refused, so that the rider mends them in one go.
"""

import dataclasses
import datetime
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from tuninglib import schema
from tuninglib.files import Problem, SessionError, nearest, read_table, read_text
from tuninglib.plausibility import implausible_runs
from tuninglib.units import Measured, convert, parse_number, parse_quantity, parse_unit

TOML = "session.toml"
RUNS = "runs.csv"


@dataclass(frozen=True, kw_only=True)
class Session:
    """One outing's numbers, all in SI."""

    folder: Path
    about: schema.About
    bike: schema.Bike
    hill: schema.Hill
    weather: schema.Weather
    gauge: schema.Gauge
    speedometer: schema.Speedometer
    target: schema.Target
    assumptions: schema.Assumptions
    engines: dict
    riders: dict
    fuels: dict
    injectors: dict
    setups: dict
    runs: pd.DataFrame

    @property
    def candidates(self) -> tuple:
        """Names of the injectors that no setup uses: those that could be bought."""
        used = {setup.injector for setup in self.setups.values()}
        return tuple(name for name in self.injectors if name not in used)


def load_session(folder) -> Session:
    """Session read from its folder.

    Parameters
    ----------
    folder : path
        Holds ``session.toml`` and ``runs.csv``.

    Returns
    -------
    Session

    Raises
    ------
    SessionError
        With every problem found, each with file, row, column, value, limit and remedy.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise SessionError([Problem(str(folder), "is not a folder that exists")])
    problems: list[Problem] = []
    tables = _read_toml(folder / TOML, problems)
    known = {name: set(tables.get(name) or ()) for name in schema.NAMED}
    try:
        runs = _read_runs(folder / RUNS, known, problems)
    except SessionError as error:
        runs = None
        problems.extend(error.problems)
    if problems:
        raise SessionError(problems)
    session = Session(
        folder=folder,
        about=tables.pop("session"),
        runs=runs,
        **tables,
    )
    problems = [*_cross_checks(session)] or [*implausible_runs(session)]
    if problems:
        raise SessionError(problems)
    return session


# session.toml --------------------------------------------------------------------------------


def _read_toml(path, problems) -> dict:
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
    lines = read_text(path).split("\n")
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


def _say(problems, lines, table, key, message):
    """Add a problem of session.toml with the row where its table or key stands."""
    problems.append(Problem(TOML, message, row=_row_of(lines, table, key), column=key))


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
        return _pieces(value, names)
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


def _pieces(value, names):
    if not isinstance(value, list) or not all(isinstance(piece, dict) for piece in value):
        raise ValueError("pieces must be tables: write [[hill.pieces]] above each")
    fields = {f.name: f for f in dataclasses.fields(schema.Piece)}
    pieces, messages = [], []
    for number, piece in enumerate(value, start=1):
        unknown, missing = piece.keys() - fields.keys(), fields.keys() - piece.keys()
        messages += [f"piece {number}: unknown key {k!r}; {nearest(k, fields)}" for k in unknown]
        messages += [f"piece {number}: {k} is missing" for k in sorted(missing)]
        if unknown or missing:
            continue
        try:
            read = {key: _value(fields[key].metadata, text, names) for key, text in piece.items()}
            pieces.append(schema.Piece(**read))
        except ValueError as error:
            messages.append(f"piece {number}: {error}")
    if messages:
        raise _PieceError(messages)
    return tuple(pieces)


# runs.csv ------------------------------------------------------------------------------------


def _read_runs(path, known, problems) -> pd.DataFrame:
    """Runs in SI: one row a run, every column of the contract present, ``row`` the file's row."""
    table = read_table(path)
    name = path.name
    found: dict[str, tuple[int, str]] = {}
    for position, header in enumerate(table.headers):
        match = re.fullmatch(r"\s*([^\[\]]*?)\s*(?:\[\s*(.*?)\s*\])?\s*", header)
        key, unit = (match[1], match[2] or "") if match else (header, "")
        key = key.strip().lower().replace(" ", "_")
        if not key and not any(row[position] for row in table.rows):
            continue
        if key not in schema.COLUMNS:
            message = f"unknown column {header!r}; {nearest(key, schema.COLUMNS)}"
            problems.append(Problem(name, message, row=1))
            continue
        if key in found:
            problems.append(Problem(name, f"the column {key} stands twice", row=1, column=key))
            continue
        column = schema.COLUMNS[key]
        try:
            _check_unit(key, unit, column)
        except ValueError as error:
            problems.append(Problem(name, str(error), row=1, column=key))
            continue
        found[key] = (position, unit)
    headed = {re.sub(r"\s*\[.*", "", h).strip().lower().replace(" ", "_") for h in table.headers}
    for key, column in schema.COLUMNS.items():
        if column.required and key not in headed:
            message = f"the column {key} is missing ({column.help})"
            problems.append(Problem(name, message, row=1, column=key))
    if not table.rows:
        problems.append(Problem(name, "has a header but no run; add one row for each run"))
    data: dict[str, list] = {"row": list(table.row_numbers)}
    for key, column in schema.COLUMNS.items():
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


# What only shows when the two files are read together ------------------------------------------


def _cross_checks(session: Session):
    """Problems that no single cell shows."""
    target, gauge = session.target, session.gauge
    if not target.lowest < target.highest:
        message = f"lowest ({target.lowest:g}) must be below highest ({target.highest:g})"
        yield Problem(TOML, message, column="target")
    ends = (gauge.lowest or 0.0, gauge.highest or float("inf"))
    for row in session.runs.itertuples():
        if row.exclude:
            continue
        for key in ("gauge_low", "gauge_high"):
            reading = getattr(row, key)
            if reading < ends[0] or reading > ends[1]:
                message = (
                    f"{reading:g} is beyond what the gauge can print "
                    f"({ends[0]:g} to {ends[1]:g}); check the reading"
                )
                yield Problem(RUNS, message, row=row.row, column=key)
            lambda_ = reading / gauge.scale if gauge.scale else 1.0
            if lambda_ < 0.5 or lambda_ > 2.0:
                message = (
                    f"{reading:g} is lambda {lambda_:.2f} on a scale of {gauge.scale:g}, outside "
                    "0.5 to 2; check the reading and the gauge's scale"
                )
                yield Problem(RUNS, message, row=row.row, column=key)
        if row.gauge_low > row.gauge_high:
            message = f"{row.gauge_low:g} is above gauge_high {row.gauge_high:g}; swap the two"
            yield Problem(RUNS, message, row=row.row, column="gauge_low")
        if (row.gauge_low != row.gauge_low) != (row.gauge_high != row.gauge_high):
            lacking = "gauge_low" if row.gauge_low != row.gauge_low else "gauge_high"
            message = "is empty while its partner is not; write the same number in both if it stood"
            yield Problem(RUNS, message, row=row.row, column=lacking)
        for start, end in (("entry", "exit"), ("down_entry", "down_exit")):
            values = [getattr(row, f"{end_}_speed_m_s") for end_ in (start, end)]
            empty = [value != value for value in values]
            if any(empty) and not all(empty):
                lacking = f"{(start, end)[empty.index(True)]}_speed"
                message = "is empty while its partner is not; write it, or a reason in exclude"
                yield Problem(RUNS, message, row=row.row, column=lacking)
        if row.state != "full" and row.exit_speed_m_s == row.exit_speed_m_s:
            message = f"speeds belong to full-throttle runs; this row says {row.state}"
            yield Problem(RUNS, message, row=row.row, column="state")
    if session.weather.temperature is None and session.runs["air_temperature_k"].isna().any():
        message = (
            "the air temperature is neither here nor in every row of runs.csv; "
            'write for example temperature = "18 degC"'
        )
        yield Problem(TOML, message, column="weather")
    if session.hill.pieces:
        total = sum(piece.length.value for piece in session.hill.pieces)
        length = session.hill.length
        if abs(total - length.value) > max(2 * length.half_width, 0.005 * length.value):
            message = (
                f"the pieces add up to {total:.4g} m, but length is {length.value:.4g} m; "
                "make them agree"
            )
            yield Problem(TOML, message, column="hill")
