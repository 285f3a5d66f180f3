"""A session's folder, read and validated: session.toml and runs.csv to one frozen Session.

Every problem is collected before anything is refused, so that the rider mends them in one go.
"""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from tuninglib.session import machine, schema
from tuninglib.session.cross_checks import implausible_runs
from tuninglib.session.read_runs import RUNS, read_runs
from tuninglib.session.read_toml import TOML, read_toml
from tuninglib.text_files import Problem, SessionError


@dataclass(frozen=True, kw_only=True)
class Session:
    """One outing's numbers, all in SI."""

    folder: Path
    about: schema.About
    bike: machine.Bike
    hill: schema.MeasuredHill
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
    tables = read_toml(folder / TOML, problems)
    known = {name: set(tables.get(name) or ()) for name in schema.NAMED}
    try:
        runs = read_runs(folder / RUNS, known, problems)
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
            values = [getattr(row, f"shown_{end_}_m_s") for end_ in (start, end)]
            empty = [value != value for value in values]
            if any(empty) and not all(empty):
                lacking = f"{(start, end)[empty.index(True)]}_speed"
                message = "is empty while its partner is not; write it, or a reason in exclude"
                yield Problem(RUNS, message, row=row.row, column=lacking)
        if row.state != "full" and row.shown_exit_m_s == row.shown_exit_m_s:
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
