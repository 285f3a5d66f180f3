"""Rows added to runs.csv as by hand: the file's own columns, units, separator and decimal sign."""

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

from tuninglib.session.columns import COLUMNS
from tuninglib.session.edit import problems_of
from tuninglib.session.read_runs import RUNS
from tuninglib.session.read_table import parse_head
from tuninglib.session.read_toml import tables_as_typed
from tuninglib.text_files import RawTable, read_table, read_text
from tuninglib.whole_files import keep_earlier, write_like


@dataclass(frozen=True)
class Sheet:
    """runs.csv as it stands, and the names that its rows may use.

    Attributes
    ----------
    folder : Path
    table : RawTable
    keys : tuple of str
        Of :data:`tuninglib.session.columns.COLUMNS`, one for each header; ``""`` where there is
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


def open_sheet(folder) -> Sheet:
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


def names_of(folder) -> tuple:
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
            # A rider types the decimal sign of the keyboard at hand; the file keeps one.
            cell = re.sub(r"(?<=\d)[.,](?=\d)", "," if sheet.table.decimal_comma else ".", cell)
        cells.append(cell)
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
    header = io.StringIO()
    csv.writer(header, delimiter=sheet.table.delimiter, lineterminator="\n").writerow(
        sheet.table.headers
    )
    found: dict[str, list] = {}
    # The row alone: what is wrong with others must not hide what is wrong with it.
    text = f"{header.getvalue()}{row_text(sheet, values)}"
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
                message = f"run {row[at]} stands in row {where} already; give each run a number"
                found.setdefault("run", []).append(message)
    return {key: "; ".join(messages) for key, messages in found.items()}


def add_run(sheet: Sheet, values: dict, *, keep: bool) -> Path | None:
    """Append a row to runs.csv; the file is the old one or the new one, never a part.

    Parameters
    ----------
    sheet : Sheet
        Freshly opened, so that rows typed elsewhere meanwhile are kept.
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
        Of :data:`tuninglib.session.columns.COLUMNS`.

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
    text = read_text(path)
    before, found, after = text.rpartition(f"{row}\n")
    if not found or after.strip() or not (before.endswith("\n")):
        return False
    write_like(path, before)
    return True
