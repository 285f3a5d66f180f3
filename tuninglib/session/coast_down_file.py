"""coastdown.csv: timed falls of speed as a rider writes them down, both ways on the flat."""

from dataclasses import dataclass

import numpy as np

from tuninglib.session.columns import FALL_COLUMNS, header_line
from tuninglib.session.read_table import columns_in_si
from tuninglib.text_files import Problem, SessionError, parse_table

COASTDOWN = "coastdown.csv"
_WAYS = {"out": 1, "back": -1}
# What a rider starts from; the same header is put into a new file.
HEADER = header_line(FALL_COLUMNS) + "\n"
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
    >>> falls = parse_falls(HEADER + "1,out,70,60,4.4")
    >>> falls.time_s.tolist(), falls.direction.tolist()
    ([4.4], [1])
    """
    table = parse_table(text, COASTDOWN)
    problems: list[Problem] = []
    data = columns_in_si(table, COASTDOWN, FALL_COLUMNS, problems)
    problems += [
        Problem(COASTDOWN, f"{run:g} is not a whole number; count the rolls", row=row, column="run")
        for run, row in zip(data["run"], data["row"], strict=True)
        if run % 1 > 0
    ]
    if not table.rows and not problems:
        problems.append(Problem(COASTDOWN, "there is no timed fall yet; write one in each row"))
    if problems:
        raise SessionError(problems)
    return Falls(
        run=np.array(data["run"]).astype(int),
        direction=np.array([_WAYS[way] for way in data["direction"]]),
        shown_from_m_s=np.array(data["shown_from_m_s"]),
        shown_to_m_s=np.array(data["shown_to_m_s"]),
        time_s=np.array(data["time_s"]),
    )
