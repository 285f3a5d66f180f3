"""The guide: every key of session.toml and every column of the tables, from the contract itself.

A workbook lays them out beside the rules of typing, and a command makes a page of it.
"""

import dataclasses
from pathlib import Path

import tuninglib
from tuninglib.interval import Measured
from tuninglib.report.make import inside_a_notebook, run_workbook, workbook_path
from tuninglib.report.page_parts import Table, render_page
from tuninglib.session import read_table, schema
from tuninglib.session.fields import MISSING, example_in
from tuninglib.units import convert, unit_typed
from tuninglib.whole_files import write_together

NAME = "guide"
_TABLES = {
    read_table.RUNS: (read_table.COLUMNS, "a row for each run, and for each reading at idle"),
    read_table.FILLS: (read_table.FILL_COLUMNS, "fuel, full to full"),
    read_table.CLIMBS: (read_table.CLIMB_COLUMNS, "head temperatures on long climbs"),
    read_table.UPKEEP: (read_table.UPKEEP_COLUMNS, "what wears, for the season page"),
    read_table.COASTDOWN: (read_table.FALL_COLUMNS, "rolling out of gear, timed"),
    read_table.BENCHFLOW: (read_table.BENCH_COLUMNS, "injectors into a measuring glass"),
}
# What riders write in a header in place of a metric unit.
_MILES = {"km/h": "mph", "km": "miles"}
_USUAL: dict[str, dict] = {
    "metric": {},
    "us": _MILES | {"degC": "degF", "hPa": "inHg", "L": "gal"},
    "imperial": _MILES | {"hPa": "mbar", "L": "imp gal"},
}


def keys(table: str, units: str = "metric") -> Table:
    """Every key of a table of session.toml.

    Parameters
    ----------
    table : str
        For example ``"bike"``, or ``"engines"`` for those of one engine.
    units : str
        System of units of the examples: ``"metric"``, ``"us"`` or ``"imperial"``.

    Returns
    -------
    Table
    """
    record = schema.SINGLE.get(table) or schema.NAMED[table]
    header = f"[{table}]" if table in schema.SINGLE else f"[{table}.a_name]"
    return _table_of(header, record, units)


def pieces(units: str = "metric") -> Table:
    """Every key of one stretch of a hill that is not of one grade."""
    return _table_of("[[hill.pieces]]", schema.Piece, units)


def columns(file: str, units: str = "metric") -> Table:
    """Every column of a table that a rider types.

    Parameters
    ----------
    file : str
        For example ``"runs.csv"``.
    units : str
        System of units in the headers.

    Returns
    -------
    Table
    """
    of_file, about = _TABLES[file]
    of_rider = _USUAL[units]
    rows = []
    for key, column in of_file.items():
        unit = column.usual_unit if column.kind == "quantity" else ""
        unit = of_rider.get(unit, unit)
        said = f"{column.help}{_listed(column.choices)}"
        need = "needed" if column.required else ""
        rows.append((f"{key} [{unit}]" if unit else key, said, need))
    return Table(f"{file}: {about}", ("column", "what it is", ""), tuple(rows))


def _table_of(header, record, units) -> Table:
    rows = tuple(
        (
            field.name,
            f"{field.metadata['help']}{_listed(field.metadata.get('choices', ()))}",
            _typed(field, units),
            _default(field, units),
        )
        for field in dataclasses.fields(record)
        if field.metadata["kind"] != "pieces"
    )
    about = " ".join(record.__doc__.split()).rstrip(".")
    return Table(f"{header}: {about}", ("key", "what it is", "for example", "left out"), rows)


def _listed(choices) -> str:
    return f" ({', '.join(choices)})" if choices else ""


def _typed(field, units) -> str:
    """An example as it stands behind the sign of equality."""
    example = example_in(field.metadata.get("example"), units)
    if not example or field.metadata["kind"] == "choice":
        return ""
    if isinstance(example, list):
        return str(example).replace("'", '"')
    if isinstance(example, dict):
        return "{ " + ", ".join(f'{key} = "{text}"' for key, text in example.items()) + " }"
    return f'"{example}"'


def _default(field, units) -> str:
    """What stands for a key that is left out; empty where its help says it, or nothing does."""
    if field.default is MISSING or field.metadata.get("asked"):
        return "needed"
    default = field.default
    if isinstance(default, Measured):
        si_unit = field.metadata["unit"]
        unit = unit_typed(example_in(field.metadata["example"], units), si_unit)
        value = convert(default.value, si_unit, unit)
        half = convert(default.value + default.half_width, si_unit, unit) - value
        shown = f"{value:.3g} +/- {half:.2g}" if half else f"{value:.3g}"
        return f"{shown} {unit}" if unit != "1" else shown
    if isinstance(default, float):
        return f"{default:g}"
    return default if isinstance(default, str) else ""


def make_guide(path: Path | str, units: str = "metric") -> Path:
    """Write the guide as a page of its own.

    Parameters
    ----------
    path : path
        An earlier, different file there is kept under another name.
    units : str
        System of units of the examples.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    WorkbookError
        If a cell of the workbook fails.
    """
    path = Path(path)
    parameters = {"units": units}
    notebook = run_workbook(workbook_path(NAME), parameters, kernel=inside_a_notebook())
    page = render_page(
        notebook,
        title="Every key and column",
        byline=f"The guide to tuninglib {tuninglib.__version__}",
        footer=(
            "Local law, the maker's manual and a licensed mechanic come before anything that this "
            "tool prints."
        ),
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    write_together({path: page}, keep=True)
    return path
