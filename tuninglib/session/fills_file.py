"""fills.csv: what went into the tank and how far it took, as a rider writes it down."""

import pandas as pd

from tuninglib.session.columns import FILL_COLUMNS
from tuninglib.session.read_table import columns_in_si
from tuninglib.text_files import Problem, read_table

FILLS = "fills.csv"
# Between these a small motorcycle's consumption lies, on any fuel: 0.8 and 9 L/100 km
# (common practice). A wider upper limit would let litres typed as gallons pass. [m3/m]
_LEAST, _MOST = 0.8e-8, 9e-8


def read_fills(path, known, problems) -> pd.DataFrame:
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
    if not path.exists():
        return pd.DataFrame(
            {"row": [], "setup": [], "distance_m": [], "volume_m3": [], "exclude": [], "note": []}
        )
    table = read_table(path)
    fills = pd.DataFrame(columns_in_si(table, path.name, FILL_COLUMNS, problems, known))
    for one in fills[fills["exclude"] == ""].itertuples():
        used = one.volume_m3 / one.distance_m if one.distance_m > 0 else float("nan")
        if used < _LEAST or used > _MOST:
            message = (
                f"{1e8 * used:.3g} L/100 km ({0.00378541 / 1609.344 / used:.3g} miles to the US "
                "gallon) is no small motorcycle's; check distance, volume and their units, or give "
                "a reason in exclude"
            )
            problems.append(Problem(FILLS, message, row=one.row, column="volume"))
    return fills
