"""The columns of runs.csv: each once, with its help, unit and limits."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    """One column of runs.csv."""

    kind: str
    help: str
    unit: str = ""
    required: bool = False
    low: float | None = None
    high: float | None = None
    choices: tuple = ()
    si_name: str = ""


COLUMNS = {
    "run": Column("number", "its number, each once", required=True, low=0, high=1e6),
    "setup": Column("name", "a setup of session.toml", required=True),
    "rider": Column("name", "a rider of session.toml", required=True),
    "entry_speed": Column(
        "quantity", "at the start line", "m/s", low=1.0, high=70, si_name="shown_entry_m_s"
    ),
    "exit_speed": Column(
        "quantity", "at the marker", "m/s", low=1.0, high=70, si_name="shown_exit_m_s"
    ),
    "gauge_low": Column("number", "lowest reading during the run", low=0.4, high=40),
    "gauge_high": Column("number", "highest reading during the run", low=0.4, high=40),
    "state": Column(
        "choice",
        "throttle of the reading; idle and cruise rows have no speeds",
        choices=("full", "cruise", "idle"),
    ),
    "down_entry_speed": Column(
        "quantity",
        "rolling back down out of gear, at the marker",
        "m/s",
        low=0.5,
        high=70,
        si_name="shown_down_entry_m_s",
    ),
    "down_exit_speed": Column(
        "quantity",
        "rolling back down out of gear, at the start line",
        "m/s",
        low=0.5,
        high=70,
        si_name="shown_down_exit_m_s",
    ),
    "air_temperature": Column(
        "quantity", "of the air", "K", low=233.15, high=328.15, si_name="air_temperature_k"
    ),
    "air_pressure": Column(
        "quantity", "where the hill is", "Pa", low=5e4, high=1.1e5, si_name="air_pressure_pa"
    ),
    "humidity": Column("quantity", "relative", "1", low=0, high=1, si_name="humidity_ratio"),
    "headwind": Column(
        "quantity",
        "against the rider on the way up",
        "m/s",
        low=-15,
        high=15,
        si_name="headwind_m_s",
    ),
    "knock": Column("choice", "heard on the run", choices=("none", "light", "heavy")),
    "head_temperature": Column(
        "quantity", "right after the run", "K", low=250, high=700, si_name="head_temperature_k"
    ),
    "exclude": Column("text", "why this run does not count; empty: it counts"),
    "note": Column("text", "anything"),
}
