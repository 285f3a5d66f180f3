"""The columns of runs.csv and coastdown.csv: each once, with its help, unit and limits."""

from dataclasses import dataclass, field

# The unit in which a column of each SI unit is usually typed.
_USUAL = {"m/s": "km/h", "K": "degC", "Pa": "hPa", "1": "%", "s": "s"}


@dataclass(frozen=True)
class Column:
    """One column of a table that a rider types.

    Attributes
    ----------
    kind : str
        ``"quantity"`` (with a unit in the header), ``"number"``, ``"range"`` (one number, or from
        one to another), ``"choice"``, ``"name"`` (of an entry in session.toml), ``"reason"`` (text;
        no and the like are none) or ``"text"``.
    help : str
    unit : str
        Of the values once read; limits are in it, too.
    required : bool
        The column must be there, with something in every row.
    unique : bool
        No value stands twice.
    low, high : float
        Limits; both are allowed values.
    choices : tuple of str
    synonyms : dict of str to str
        What people write for a choice.
    whole : bool
        Only whole numbers are allowed.
    absent : str or None
        What stands for an empty cell, where that is not the first of the choices.
    labels : dict of str to str
        What choices are called in a list to choose from, where not as in the file; under ``""``
        what an empty cell means, where that is one of them.
    si_name : str
        Name of the column once read; left out: as in the file.
    in_new_file : bool
        Whether a new file starts with it.
    usual : str
        Unit that most riders type, where it is not that of all columns of the kind.
    """

    kind: str
    help: str
    unit: str = ""
    required: bool = False
    unique: bool = False
    low: float | None = None
    high: float | None = None
    choices: tuple = ()
    synonyms: dict = field(default_factory=dict)
    whole: bool = False
    absent: str | None = None
    labels: dict = field(default_factory=dict)
    si_name: str = ""
    in_new_file: bool = True
    usual: str = ""

    @property
    def options(self) -> list:
        """Pairs of what is shown and what is written, for a list to choose from."""
        values = [""] * ("" in self.labels) + list(self.choices)
        return [(self.labels.get(value, value), value) for value in values]

    @property
    def usual_unit(self) -> str:
        """The unit that most riders type; empty for a column without one."""
        return self.usual or _USUAL.get(self.unit, self.unit)


def _speed(help_, si_name, *, low=1.0, **more) -> Column:
    return Column("quantity", help_, "m/s", low=low, high=70, si_name=si_name, **more)


def _reading(help_) -> Column:
    return Column("number", help_, low=0.4, high=40)


# What may be heard; "heard": nobody said how loud.
LOUD = ("light", "heavy", "heard")

# runs.csv.
COLUMNS = {
    "run": Column(
        "number", "its number, each once", required=True, unique=True, low=0, high=1e6, whole=True
    ),
    "setup": Column("name", "a setup of session.toml", required=True),
    "rider": Column("name", "a rider of session.toml", required=True),
    "entry_speed": _speed("at the start line", "shown_entry_m_s"),
    "exit_speed": _speed("at the marker", "shown_exit_m_s"),
    "gauge_low": _reading(
        "lowest of the steady range, after two or three seconds of full throttle"
    ),
    "gauge_high": _reading("highest of the steady range; the same number if it stood"),
    "gauge": Column(
        "range",
        "instead of gauge_low and gauge_high: the steady range, as 12.6 to 12.8, or one number",
        low=0.4,
        high=40,
        in_new_file=False,
    ),
    "state": Column(
        "choice",
        "throttle of the reading; idle and cruise rows have no speeds",
        choices=("full", "cruise", "idle"),
    ),
    "down_entry_speed": _speed(
        "rolling back down out of gear, at the marker",
        "shown_down_entry_m_s",
        low=0.5,
        in_new_file=False,
    ),
    "down_exit_speed": _speed(
        "rolling back down out of gear, at the start line",
        "shown_down_exit_m_s",
        low=0.5,
        in_new_file=False,
    ),
    "air_temperature": Column(
        "quantity", "of the air", "K", low=233.15, high=328.15, si_name="air_temperature_k"
    ),
    "air_pressure": Column(
        "quantity",
        "where the hill is",
        "Pa",
        low=5e4,
        high=1.1e5,
        si_name="air_pressure_pa",
        in_new_file=False,
    ),
    "humidity": Column(
        "quantity", "relative", "1", low=0, high=1, si_name="humidity_ratio", in_new_file=False
    ),
    "headwind": Column(
        "quantity",
        "against the rider on the way up",
        "m/s",
        low=-15,
        high=15,
        si_name="headwind_m_s",
        in_new_file=False,
    ),
    "knock": Column(
        "choice",
        "heard on the run; none: somebody listened and heard nothing; empty: nobody listened",
        choices=("none", *LOUD),
        synonyms={"no": "none", "yes": "heard"},
        absent="",
        labels={"": "nobody listened", "heard": "heard, not how loud"},
    ),
    "head_temperature": Column(
        "quantity", "right after the run", "K", low=250, high=700, si_name="head_temperature_k"
    ),
    "exclude": Column("reason", "why this run does not count; empty, no or -: it counts"),
    "note": Column("text", "anything"),
}

# What one run has of its own; the rest mostly stays as it is from run to run.
OF_ONE_RUN = (
    "entry_speed",
    "exit_speed",
    "down_entry_speed",
    "down_exit_speed",
    "gauge_low",
    "gauge_high",
    "gauge",
    "knock",
    "head_temperature",
    "exclude",
    "note",
)
# What one speedometer showed.
SPEED_COLUMNS = tuple(key for key in OF_ONE_RUN if key.endswith("_speed"))

# coastdown.csv; no time by hand is shorter than the lowest, and no bike rolls slower.
FALL_COLUMNS = {
    "run": Column("number", "falls of one roll share it", required=True, low=1, high=1e6),
    "direction": Column("choice", "out or back", required=True, choices=("out", "back")),
    "from_speed": _speed("as shown, at the start", "shown_from_m_s", low=0.1, required=True),
    "to_speed": _speed("as shown, at the end", "shown_to_m_s", low=0.1, required=True),
    "time": Column(
        "quantity",
        "from the one speed to the other",
        "s",
        required=True,
        low=0.05,
        high=600,
        si_name="time_s",
    ),
}


# climbs.csv: readings of one climb share its number.
CLIMB_COLUMNS = {
    "climb": Column("number", "its number", required=True, low=0, high=1e6, whole=True),
    "setup": Column("name", "a setup of session.toml", required=True),
    "time": Column(
        "quantity", "since the climb began", "s", required=True, low=0, high=3e4, si_name="time_s"
    ),
    "head_temperature": Column(
        "quantity", "then", "K", required=True, low=250, high=700, si_name="head_temperature_k"
    ),
    "air_temperature": Column(
        "quantity", "of the air", "K", low=233.15, high=328.15, si_name="air_temperature_k"
    ),
    "note": Column("text", "anything"),
}

# fills.csv: full to full.
FILL_COLUMNS = {
    "setup": Column("name", "the setup that was ridden since the fill before", required=True),
    "distance": Column(
        "quantity", "since the fill before", "m", required=True, low=5e3, high=2e6,
        si_name="distance_m", usual="km",
    ),
    "volume": Column(
        "quantity", "that filled the tank to the same mark again", "m**3", required=True,
        low=2e-4, high=0.1, si_name="volume_m3", usual="L",
    ),
    "exclude": Column("reason", "why this fill does not count; empty, no or -: it counts"),
    "note": Column("text", "anything"),
}  # fmt: skip

# benchflow.csv: what an injector let through on the bench.
BENCH_COLUMNS = {
    "injector": Column("name", "an injector of session.toml", required=True),
    "pulses": Column("number", "how many; empty if it was held open", low=1, high=1e7, whole=True),
    "width": Column(
        "quantity", "of one pulse", "s", low=2e-4, high=0.1, si_name="width_s", usual="ms"
    ),
    "time": Column(
        "quantity", "how long it was held open", "s", low=1, high=3600, si_name="time_s"
    ),
    "volume": Column(
        "quantity", "that was caught", "m**3", required=True, low=1e-7, high=0.01,
        si_name="volume_m3", usual="mL",
    ),
}  # fmt: skip


def header_line(columns: dict, *, speed_unit: str = "km/h", temperature_unit: str = "degC") -> str:
    """Header of a new file, with the units in which riders usually type.

    Parameters
    ----------
    columns : dict of str to Column
    speed_unit, temperature_unit : str

    Examples
    --------
    >>> header_line(FALL_COLUMNS, speed_unit="mph")
    'run,direction,from_speed [mph],to_speed [mph],time [s]'
    """
    typed = {"m/s": speed_unit, "K": temperature_unit}
    heads = []
    for key, column in columns.items():
        if column.in_new_file:
            unit = typed.get(column.unit, column.usual_unit)
            heads.append(f"{key} [{unit}]" if unit else key)
    return ",".join(heads)
