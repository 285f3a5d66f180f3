"""climbs.csv: head temperatures of long climbs, several readings of each."""

import pandas as pd

from tuninglib.session.columns import CLIMB_COLUMNS
from tuninglib.session.read_table import columns_in_si
from tuninglib.text_files import Problem, read_table

CLIMBS = "climbs.csv"
_FEWEST = 3


def read_climbs(path, known, problems) -> pd.DataFrame:
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
    if not path.exists():
        return pd.DataFrame(
            {
                name: []
                for name in ("climb", "setup", "time_s", "head_temperature_k", "air_temperature_k")
            }
        )
    table = read_table(path)
    before = len(problems)
    climbs = pd.DataFrame(columns_in_si(table, path.name, CLIMB_COLUMNS, problems, known))
    if len(problems) > before:
        return climbs
    for number, own in climbs.groupby("climb", sort=False):
        first, row = own.iloc[0], int(own["row"].iloc[0])
        by_time = own.sort_values("time_s", kind="stable")["head_temperature_k"]
        message = ""
        if own["setup"].nunique() > 1:
            message = (
                f"climb {number:g} has rows of {own['setup'].nunique()} setups; number each climb"
            )
        elif own["time_s"].nunique() < _FEWEST:
            message = f"climb {number:g} has fewer than {_FEWEST} readings at different times"
        elif by_time.iloc[-1] <= by_time.iloc[0]:
            message = (
                f"the head of climb {number:g} ({first['setup']}) did not get hotter from its "
                "first reading to its last; leave out what came after the climb"
            )
        if message:
            problems.append(Problem(CLIMBS, message, row=row, column="climb"))
    return climbs
