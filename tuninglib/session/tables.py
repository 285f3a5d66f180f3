"""The tables of a session: runs.csv, and climbs, fills, upkeep, coast-downs, benches beside it.

Each is brought to SI as :mod:`tuninglib.session.read_table` does, with its own checks, and every
problem is told with its row and column.
"""

import math
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from tuninglib.session.fields import read_value
from tuninglib.session.read_table import (
    BENCH_COLUMNS,
    BENCHFLOW,
    CLIMB_COLUMNS,
    CLIMBS,
    COASTDOWN,
    FALL_COLUMNS,
    FILL_COLUMNS,
    FILLS,
    NOTED,
    SPEED_COLUMNS,
    UPKEEP,
    UPKEEP_COLUMNS,
    columns_in_si,
    columns_of_runs,
    header_line,
    parse_head,
)
from tuninglib.text_files import Problem, SessionError, parse_table, read_table

# runs.csv -----------------------------------------------------------------------------------------

WRITTEN_TWICE = "is filled in beside gauge_low or gauge_high; write the reading once"


def read_runs(path: Path, known: dict[str, set], problems: list[Problem]) -> pd.DataFrame:
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
    riders = known.get("riders") or ()
    columns = columns_of_runs(riders if table.rows else ())
    data = columns_in_si(table, path.name, columns, problems, known)
    _spread_ranges(data, path.name, problems)
    if len(riders) == 1:
        data["rider"] = [rider or next(iter(riders)) for rider in data["rider"]]
    data["knock"] = [
        NOTED if knock in ("", "none") and speaks_of_knock(note) else knock
        for knock, note in zip(data["knock"], data["note"], strict=True)
    ]
    if not table.rows:
        problems.append(Problem(path.name, "has a header but no run; add one row for each run"))
    return pd.DataFrame(data)


# Words for knock in the languages of the spreadsheets that are read, as riders write them.
_KNOCK_WORDS = re.compile(
    r"\b(knock\w*|pink(s|ed|ing)|ping(s|ed|ing)?|detonat\w*|"
    r"klopf\w*|geklopft|klingel\w*|geklingelt|cliquet\w*|cogn\w*|"
    r"picad[oa]\w*|detonac\w*|batt(e|ito|iva)\b.{0,9}testa|detona\w*|pingel\w*|spikn\w*|nakut\w*)",
    re.IGNORECASE,
)
# Said shortly before, they turn it round.
_NOTHING = re.compile(
    r"\b(no|not|never|none|without|didn't|did not|kein\w*|nicht|ohne|nie|pas|sans|aucun\w*|jamais|"
    r"sin|ning\w*|non|senza|nessun\w*|geen|niet|zonder|inga?|inte|utan|ikke|uden|uten|ei)\b"
    r"[^.;:!?]{0,25}$",
    re.IGNORECASE,
)


def speaks_of_knock(note: str) -> bool:
    """Whether a note says that the engine knocked.

    Parameters
    ----------
    note : str

    Examples
    --------
    >>> speaks_of_knock("pinking near the top, backed off"), speaks_of_knock("no pinking at all")
    (True, False)
    """
    return any(
        not _NOTHING.search(note[: found.start()])
        and not re.match(r"\s*:?\s*(none|no|nein|kein\w*|non|aucun)\b", note[found.end() :], re.I)
        for found in _KNOCK_WORDS.finditer(note)
    )


def speed_units(path: Path) -> dict:
    """Unit under which each column of speeds was typed, by the column's name.

    Parameters
    ----------
    path : Path
        Of a file that :func:`read_runs` takes.

    Returns
    -------
    dict of str to str
    """
    heads = [parse_head(header) for header in read_table(path).headers]
    return {one.key: one.unit for one in heads if one.key in SPEED_COLUMNS}


def _spread_ranges(data, name, problems) -> None:
    """Readings of the one column for both ends, put where those of the two columns stand."""
    for at, (low, high) in enumerate(data.pop("gauge")):
        if math.isnan(low):
            continue
        if not (math.isnan(data["gauge_low"][at]) and math.isnan(data["gauge_high"][at])):
            problems.append(Problem(name, WRITTEN_TWICE, row=data["row"][at], column="gauge"))
        data["gauge_low"][at], data["gauge_high"][at] = low, high


def _optional(path, columns, problems, known) -> pd.DataFrame:
    """A table in SI that a session need not have; without rows where it has none."""
    if not path.exists():
        return pd.DataFrame(columns=["row", *(one.si_name or key for key, one in columns.items())])
    return pd.DataFrame(columns_in_si(read_table(path), path.name, columns, problems, known))


# climbs.csv: head temperatures of long climbs -----------------------------------------------------

_FEWEST = 3


def read_climbs(path: Path, known: dict[str, set], problems: list[Problem]) -> pd.DataFrame:
    """Readings in SI: one row a reading; none where there is no such file.

    Parameters
    ----------
    path : Path
    known : dict of str to set
        Names that session.toml has, by table.
    problems : list of Problem
        What is wrong with single cells, headers and climbs is appended.

    Returns
    -------
    pandas.DataFrame
        With ``climb``, ``setup``, ``time_s``, ``head_temperature_k`` and ``air_temperature_k``.

    Raises
    ------
    SessionError
        If the file cannot be read as a table at all.
    """
    before = len(problems)
    climbs = _optional(path, CLIMB_COLUMNS, problems, known)
    if len(problems) > before:
        return climbs
    for number, own in climbs.groupby("climb", sort=False):
        first = own.iloc[0]
        by_time = own.sort_values("time_s", kind="stable")["head_temperature_k"]
        message = ""
        if own["setup"].nunique() > 1:
            mixed = f"climb {number:g} has rows of {own['setup'].nunique()} setups"
            message = f"{mixed}; number each climb anew"
        elif own["time_s"].nunique() < _FEWEST:
            message = f"climb {number:g} has fewer than {_FEWEST} readings at different times"
        elif by_time.iloc[-1] <= by_time.iloc[0]:
            message = (
                f"the head of climb {number:g} ({first['setup']}) did not get hotter from its "
                "first reading to its last; leave out what came after the climb"
            )
        if message:
            problems.append(Problem(CLIMBS, message, row=int(first["row"]), column="climb"))
    return climbs


# fills.csv: what went into the tank, and how far it took ------------------------------------------

# Between these a small motorcycle's consumption lies, on any fuel: 0.8 and 9 L/100 km
# (common practice). A wider upper limit would let litres typed as gallons pass. [m3/m]
_LEAST, _MOST = 0.8e-8, 9e-8


def read_fills(path: Path, known: dict[str, set], problems: list[Problem]) -> pd.DataFrame:
    """Fills in SI: one row a fill, ``row`` the file's row; none where there is no such file.

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
        With ``setup``, ``distance_m``, ``volume_m3`` and ``exclude``.

    Raises
    ------
    SessionError
        If the file cannot be read as a table at all.
    """
    fills = _optional(path, FILL_COLUMNS, problems, known)
    for one in fills[fills["exclude"] == ""].itertuples():
        used = one.volume_m3 / one.distance_m if one.distance_m > 0 else float("nan")
        if used < _LEAST or used > _MOST:
            message = (
                f"{1e8 * used:.3g} L/100 km ({0.00378541 / 1609.344 / used:.3g} miles to the US "
                "gallon) is not what a small motorcycle uses; check distance, volume and their "
                "units, or give a reason in exclude"
            )
            problems.append(Problem(FILLS, message, row=one.row, column="volume"))
    return fills


# upkeep.csv: what wears ---------------------------------------------------------------------------


def read_upkeep(path: Path, problems: list[Problem]) -> pd.DataFrame:
    """Measurements in SI by date: one row a check; none where there is no such file.

    Parameters
    ----------
    path : Path
    problems : list of Problem
        What is wrong with single cells, headers and rows is appended.

    Returns
    -------
    pandas.DataFrame
        With ``date`` (year-month-day), ``distance_m`` and what was measured.

    Raises
    ------
    SessionError
        If the file cannot be read as a table at all.
    """
    before = len(problems)
    table = _optional(path, UPKEEP_COLUMNS, problems, {})
    if len(problems) > before:
        return table
    days = []
    for one in table.itertuples():
        try:
            days.append(f"{read_value(_DAY, one.date, {})}")
        except ValueError as error:
            problems.append(Problem(UPKEEP, str(error), row=int(one.row), column="date"))
    if len(problems) > before:
        return table
    table = table.assign(date=days).sort_values(["date", "row"], kind="stable")
    for earlier, one in zip(table.itertuples(), table.iloc[1:].itertuples(), strict=False):
        if one.distance_m < earlier.distance_m:
            message = (
                f"is less than on {earlier.date} (row {earlier.row}), and no odometer runs back; "
                "check both, or leave out what is from before it was changed"
            )
            problems.append(Problem(UPKEEP, message, row=int(one.row), column="distance"))
    return table


_DAY = {"kind": "date", "example": "2026-05-16"}


# coastdown.csv: timed falls of speed, both ways ---------------------------------------------------

_WAYS = {"out": 1, "back": -1}
# What a rider starts from; the same header is put into a new file.
FALLS_HEADER = header_line(FALL_COLUMNS) + "\n"
HEADER_MPH = header_line(FALL_COLUMNS, speed_unit="mph") + "\n"


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
    >>> falls = parse_falls(FALLS_HEADER + "1,out,70,60,4.4")
    >>> falls.time_s.tolist(), falls.direction.tolist()
    ([4.4], [1])
    """
    data, problems = _typed(text, COASTDOWN, FALL_COLUMNS, "timed fall")
    if problems:
        raise SessionError(problems)
    run, direction = np.array(data["run"]).astype(int), [_WAYS[way] for way in data["direction"]]
    speeds = (np.array(data[one]) for one in ("shown_from_m_s", "shown_to_m_s", "time_s"))
    return Falls(run, np.array(direction), *speeds)


def _typed(text, name, columns, what) -> tuple[dict, list[Problem]]:
    """Columns in SI of a table that was typed in a workbook, and its problems."""
    table, problems = parse_table(text, name), []
    data = columns_in_si(table, name, columns, problems)
    if not table.rows and not problems:
        problems.append(Problem(name, f"there is no {what} yet; write one in each row"))
    return data, problems


# benchflow.csv: volumes that injectors let through ------------------------------------------------

# What a rider starts from; the same header is put into a new file.
BENCH_HEADER = header_line(BENCH_COLUMNS) + "\n"


@dataclass(frozen=True)
class Volumes:
    """What one injector let through.

    Attributes
    ----------
    pulses : array
        0 where it was held open.
    open_s : array
        Width of one pulse, or how long it was held open.
    volume_m3 : array
    """

    pulses: np.ndarray
    open_s: np.ndarray
    volume_m3: np.ndarray


def parse_volumes(text: str) -> dict:
    """Volumes of each injector from text with a header row.

    Parameters
    ----------
    text : str

    Returns
    -------
    dict of str to Volumes

    Raises
    ------
    SessionError
        With every problem, each with its row.

    Examples
    --------
    >>> found = parse_volumes(BENCH_HEADER + "i150,1000,4,,7.5\\ni150,,,60,150")
    >>> found["i150"].pulses.tolist(), found["i150"].open_s.tolist()
    ([1000.0, 0.0], [0.004, 60.0])
    """
    data, problems = _typed(text, BENCHFLOW, BENCH_COLUMNS, "volume")
    rows: dict[str, list] = {}
    names = ("injector", "pulses", "width_s", "time_s", "volume_m3", "row")
    for name, pulses, width, time, volume, row in zip(*(data[one] for one in names), strict=True):
        held, pulsed = not math.isnan(time), not (math.isnan(pulses) and math.isnan(width))
        if held == pulsed or (pulsed and (math.isnan(pulses) or math.isnan(width))):
            said = "needs either pulses and width, or the time for which the injector was held open"
            problems.append(Problem(BENCHFLOW, said, row=row))
        rows.setdefault(name, []).append((0.0, time, volume) if held else (pulses, width, volume))
    if problems:
        raise SessionError(problems)
    return {name: Volumes(*np.array(own, dtype=float).T) for name, own in rows.items()}
