"""benchflow.csv: volumes that injectors let through on the bench, as a rider writes them down."""

import math
from dataclasses import dataclass

import numpy as np

from tuninglib.session.columns import BENCH_COLUMNS, header_line
from tuninglib.session.read_table import columns_in_si
from tuninglib.text_files import Problem, SessionError, parse_table

BENCHFLOW = "benchflow.csv"
# What a rider starts from; the same header is put into a new file.
HEADER = header_line(BENCH_COLUMNS) + "\n"


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
    >>> found = parse_volumes(HEADER + "i150,1000,4,,7.5\\ni150,,,60,150")
    >>> found["i150"].pulses.tolist(), found["i150"].open_s.tolist()
    ([1000.0, 0.0], [0.004, 60.0])
    """
    table = parse_table(text, BENCHFLOW)
    problems: list[Problem] = []
    data = columns_in_si(table, BENCHFLOW, BENCH_COLUMNS, problems)
    rows: dict[str, list] = {}
    names = ("injector", "pulses", "width_s", "time_s", "volume_m3", "row")
    for name, pulses, width, time, volume, row in zip(*(data[one] for one in names), strict=True):
        held, pulsed = not math.isnan(time), not (math.isnan(pulses) and math.isnan(width))
        if held == pulsed or (pulsed and (math.isnan(pulses) or math.isnan(width))):
            message = (
                "needs either pulses and width, or the time for which the injector was held open"
            )
            problems.append(Problem(BENCHFLOW, message, row=row))
        rows.setdefault(name, []).append((0.0, time, volume) if held else (pulses, width, volume))
    if not table.rows and not problems:
        problems.append(Problem(BENCHFLOW, "there is no volume yet; write one in each row"))
    if problems:
        raise SessionError(problems)
    return {name: Volumes(*np.array(own, dtype=float).T) for name, own in rows.items()}
