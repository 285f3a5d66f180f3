"""runs.csv to a table in SI, every problem collected with its row and column."""

import math

import pandas as pd

from tuninglib.session.columns import COLUMNS, SPEED_COLUMNS
from tuninglib.session.read_table import columns_in_si, parse_head
from tuninglib.text_files import Problem, read_table

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
    data = columns_in_si(table, path.name, COLUMNS, problems, known)
    _spread_ranges(data, path.name, problems)
    if not table.rows:
        problems.append(Problem(path.name, "has a header but no run; add one row for each run"))
    return pd.DataFrame(data)


def speed_units(path) -> dict:
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
            message = "stands beside gauge_low or gauge_high; write the reading once"
            problems.append(Problem(name, message, row=data["row"][at], column="gauge"))
        data["gauge_low"][at], data["gauge_high"][at] = low, high
