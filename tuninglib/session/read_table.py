"""Tables that a rider types: their columns, and how they come to SI, cell by cell.

Each column stands once, with its help, unit and limits. Every problem is told with its cell.
"""

import re
from collections.abc import Collection
from dataclasses import dataclass, field, replace

from tuninglib import units
from tuninglib.text_files import DASHES, Problem, RawTable, nearest, quoted, shortened

# The columns --------------------------------------------------------------------------------------

# Files of a session beside session.toml; logs have names of their own.
RUNS, CLIMBS, FILLS = "runs.csv", "climbs.csv", "fills.csv"
UPKEEP = "upkeep.csv"
COASTDOWN, BENCHFLOW = "coastdown.csv", "benchflow.csv"

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
    usual : str
        Unit that most riders type, where it is not that of all columns of the kind.
    of_two : str
        What to write instead of a range or a +/-, with slots for ``low``, ``high``, ``middle``.
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
    usual: str = ""
    of_two: str = units.ONE_NUMBER

    @property
    def options(self) -> list:
        """Pairs of what is shown and what is written, for a list to choose from."""
        values = [""] * ("" in self.labels) + list(self.choices)
        return [(self.labels.get(value, value), value) for value in values]

    @property
    def usual_unit(self) -> str:
        """The unit that most riders type; empty for a column without one."""
        return self.usual or _USUAL.get(self.unit, self.unit)


# One reading carries no +/- of its own: what all may be off stands once, in session.toml.
_SPEED_OF_TWO = (
    f"{units.ONE_NUMBER}, and how finely it can be read as resolution under [speedometer] in "
    "session.toml"
)
_READING_OF_TWO = "write {low} under gauge_low and {high} under gauge_high"
_WIND_OF_TWO = f"{units.ONE_NUMBER}, and how far winds may be off in headwind under [weather]"


def _quantity(unit, help_, low, high, **more) -> Column:
    return Column("quantity", help_, unit, low=low, high=high, **more)


def _speed(help_, *, low=1.0, **more) -> Column:
    return _quantity("m/s", help_, low, 70, of_two=_SPEED_OF_TWO, **more)


# What stands behind a column's name once it is in SI; speeds that were read are called shown.
_SUFFIXES = {"m/s": "m_s", "K": "k", "Pa": "pa", "1": "ratio", "s": "s", "m": "m", "m**3": "m3"}


def _in_si(**columns: Column) -> dict:
    """The columns by their names; those with a unit know their names in SI, too."""

    def si_name(key, column):
        stem = f"shown_{key.removesuffix('_speed')}" if key.endswith("_speed") else key
        return f"{stem}_{_SUFFIXES[column.unit]}" if column.unit else ""

    return {key: replace(one, si_name=si_name(key, one)) for key, one in columns.items()}


def _number_of(help_, *, low=0, **more) -> Column:
    """The number of a run, a roll or a climb."""
    return Column("number", help_, required=True, low=low, high=1e6, whole=True, **more)


def _reading(help_) -> Column:
    return Column("number", help_, low=0.4, high=40, of_two=_READING_OF_TWO)


# What may be heard; "heard": nobody said how loud.
LOUD = ("light", "heavy", "heard")
# What stands in the note of a run whose column says that nothing was heard, or nothing.
NOTED = "noted"
KNOCKED = (*LOUD, NOTED)

# runs.csv.
COLUMNS = _in_si(
    run=_number_of("its number, each number once", unique=True),
    setup=Column("name", "a setup of session.toml", required=True),
    rider=Column("name", "a rider of session.toml, where there is more than one"),
    entry_speed=_speed("at the start line"),
    exit_speed=_speed("at the marker"),
    gauge_low=_reading("lowest of the steady range, after two or three seconds of full throttle"),
    gauge_high=_reading("highest of the steady range; the same number if it did not move"),
    gauge=Column(
        "range",
        "instead of gauge_low and gauge_high: the steady range, as 12.6 to 12.8 or 12.7 +/- 0.1, "
        "or one number",
        low=0.4,
        high=40,
    ),
    state=Column(
        "choice",
        "throttle of the reading; idle and cruise rows have no speeds",
        choices=("full", "cruise", "idle"),
    ),
    down_entry_speed=_speed("rolling back down out of gear, at the marker", low=0.5),
    down_exit_speed=_speed("rolling back down out of gear, at the start line", low=0.5),
    air_temperature=_quantity("K", "of the air", 233.15, 328.15),
    air_pressure=_quantity("Pa", "where the hill is", 5e4, 1.1e5),
    humidity=_quantity("1", "relative", 0.011, 1),
    headwind=_quantity("m/s", "against the rider on the way up", -15, 15, of_two=_WIND_OF_TWO),
    knock=Column(
        "choice",
        "heard on the run; none: somebody listened and heard nothing; empty: nobody listened",
        choices=("none", *LOUD),
        synonyms={"no": "none", "yes": "heard"},
        absent="",
        labels={"": "nobody listened", "heard": "heard, not how loud"},
    ),
    head_temperature=_quantity("K", "right after the run", 250, 700),
    exclude=Column("reason", "why this run does not count; empty, no or -: it counts"),
    note=Column("text", "anything"),
)


def columns_of_runs(riders: Collection[str]) -> dict:
    """Columns of runs.csv where these ride: who it was need not be said of one.

    Examples
    --------
    >>> columns_of_runs(["me"])["rider"].required, columns_of_runs(["me", "you"])["rider"].required
    (False, True)
    """
    return COLUMNS | {"rider": replace(COLUMNS["rider"], required=len(riders) > 1)}


# What one speedometer showed, and what else one run has of its own; the rest mostly stays as it is
# from run to run.
SPEED_COLUMNS = tuple(key for key in COLUMNS if key.endswith("_speed"))
_GAUGE = ("gauge_low", "gauge_high", "gauge")
OF_ONE_RUN = (*SPEED_COLUMNS, *_GAUGE, "knock", "head_temperature", "exclude", "note")

# coastdown.csv; no time by hand is shorter than the lowest, and no bike rolls slower.
FALL_COLUMNS = _in_si(
    run=_number_of("number of the roll; all its falls of speed share it", low=1),
    direction=Column("choice", "out or back", required=True, choices=("out", "back")),
    from_speed=_speed("as shown, at the start", low=0.1, required=True),
    to_speed=_speed("as shown, at the end", low=0.1, required=True),
    time=_quantity("s", "from the first speed to the second", 0.05, 600, required=True),
)


# climbs.csv: readings of one climb share its number.
CLIMB_COLUMNS = _in_si(
    climb=_number_of("its number"),
    setup=COLUMNS["setup"],
    time=_quantity("s", "since the climb began", 0, 3e4, required=True),
    head_temperature=replace(COLUMNS["head_temperature"], help="then", required=True),
    air_temperature=COLUMNS["air_temperature"],
    note=COLUMNS["note"],
)

# fills.csv: full to full.
FILL_COLUMNS = _in_si(
    setup=Column("name", "the setup that was ridden since the last fill", required=True),
    distance=_quantity("m", "since the last fill", 5e3, 2e6, required=True, usual="km"),
    volume=_quantity(
        "m**3", "that filled the tank to the same mark again", 2e-4, 0.1, required=True, usual="L"
    ),
    exclude=Column("reason", "why this fill does not count; empty, no or -: it counts"),
    note=COLUMNS["note"],
)

# upkeep.csv: what wears, as it was measured.
UPKEEP_COLUMNS = _in_si(
    date=Column("text", "year-month-day", required=True),
    distance=_quantity("m", "on the odometer", 0, 1e9, required=True, usual="km"),
    compression=_quantity("Pa", "cranking, throttle open", 2e5, 3e6, usual="bar"),
    leak_down=_quantity("1", "of the cylinder", 0, 1, usual="%"),
    intake_clearance=_quantity("m", "of the valve, cold", 0, 1e-3, usual="mm"),
    exhaust_clearance=_quantity("m", "of the valve, cold", 0, 1e-3, usual="mm"),
    plug_gap=_quantity("m", "of the spark plug", 1e-4, 2.5e-3, usual="mm"),
    oil_added=_quantity("m**3", "since the row before, to the same mark", 0, 0.01, usual="mL"),
    note=COLUMNS["note"],
)

# benchflow.csv: what an injector let through on the bench.
BENCH_COLUMNS = _in_si(
    injector=Column("name", "an injector of session.toml", required=True),
    pulses=Column("number", "how many; empty if it was held open", low=1, high=1e7, whole=True),
    width=_quantity("s", "of one pulse", 2e-4, 0.1, usual="ms"),
    time=_quantity("s", "how long it was held open", 1, 3600),
    volume=_quantity("m**3", "that was caught", 1e-7, 0.01, required=True, usual="mL"),
)


def header_line(columns: dict, *, speed_unit: str = "km/h") -> str:
    """Header of a new file, with the units in which riders usually type.

    Parameters
    ----------
    columns : dict of str to Column
    speed_unit : str

    Examples
    --------
    >>> header_line(FALL_COLUMNS, speed_unit="mph")
    'run,direction,from_speed [mph],to_speed [mph],time [s]'
    """
    heads = []
    for key, column in columns.items():
        unit = speed_unit if column.unit == "m/s" else column.usual_unit
        heads.append(f"{key} [{unit}]" if unit else key)
    return ",".join(heads)


# From text to SI ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Head:
    """One cell of a header: the name of the column, and its unit where one stands there."""

    key: str
    unit: str


def parse_head(text: str) -> Head:
    """A header cell of the kind ``name [unit]``.

    Parameters
    ----------
    text : str

    Examples
    --------
    >>> parse_head("Exit speed [km/h]")
    Head(key='exit_speed', unit='km/h')
    """
    match = re.fullmatch(r"([^\[\]]*)(?:\[([^\[\]]*)\])?", text.strip())
    key, unit = (match[1], match[2] or "") if match else (text, "")
    return Head(_key(key), unit.strip())


def _key(text: str) -> str:
    return text.strip().lower().replace(" ", "_")


def columns_in_si(
    table: RawTable, name: str, columns: dict, problems: list, known: dict[str, set] | None = None
) -> dict:
    """Values of every column of the contract, in SI; empty cells are NaN or the default word.

    Parameters
    ----------
    table : RawTable
    name : str
        Of the file.
    columns : dict of str to Column
    problems : list of Problem
        What is wrong with the header and with single cells is appended.
    known : dict of str to set, optional
        Names that session.toml has, by table, for columns that hold one.

    Returns
    -------
    dict of str to list
        By ``si_name``, and ``row`` with the row of the file.
    """
    found, known = _found(table, name, columns, problems), known or {}
    data: dict[str, list] = {"row": list(table.row_numbers)}
    for key, column in columns.items():
        values = data[column.si_name or key] = [_absent(column)] * len(table.rows)
        if key not in found:
            continue
        (position, unit), comma = found[key], table.decimal_comma
        for at, cells in enumerate(table.rows):
            try:
                values[at] = _value(key, column, cells[position], unit, comma, known)
            except ValueError as error:
                row = table.row_numbers[at]
                problems.append(Problem(name, str(error), row=row, column=key))
        if column.unique:
            problems.extend(_repeated(name, key, values, table.row_numbers))
    return data


def _found(table, name, columns, problems) -> dict:
    """Position and unit of each column that can be used; what is wrong with the header is said."""
    found: dict[str, tuple] = {}
    for position, header in enumerate(table.headers):
        head = parse_head(header)
        if not head.key and not any(row[position] for row in table.rows):
            continue
        if head.key not in columns:
            message = f"unknown column {quoted(header)}; {nearest(head.key, columns)}"
            problems.append(Problem(name, message, row=1))
        elif head.key in found:
            message = f"the column {head.key} is there twice"
            problems.append(Problem(name, message, row=1, column=head.key))
        elif wrong := _wrong_unit(head, columns[head.key]):
            problems.append(Problem(name, wrong, row=1, column=head.key))
        else:
            found[head.key] = (position, head.unit)
    headed = {_key(header.partition("[")[0]) for header in table.headers}
    for key, column in columns.items():
        if column.required and key not in headed:
            missing = f"the column {key} is missing ({column.help})"
            message = f"{missing}; add it to the header and to each row"
            problems.append(Problem(name, message, row=1, column=key))
    return found


# What is said of a cell that cannot be read; the phone's page says it in the same words.
SAID_OF_CELLS = {
    "empty": "is empty; {help}",
    "unknown name": "{cell!r} is not one of the {key}s in session.toml",
    "no choice": "{cell!r} is not one of {known}",
    "goes down": "{cell} goes down; write the lower reading first",
    "about a range": "{text!r} does not say how far off it may be; write {value}, or the steady "
    "range, as 12.6 to 12.8",
    "no reading": "{cell!r} is not a reading; write one number, as 12.8, or the steady range, as "
    "12.6 to 12.8, or leave it empty; where the gauge was at its end, write the number of that end "
    "here, and as highest or lowest under [gauge] in session.toml",
    "two ways": "{cell} could be read two ways, as {whole} or as {parts}; write it without a comma "
    "or a point",
    "in parts": "{cell} is not a whole number; write it without a comma or a point",
    "outside": "{cell}{in_unit} is outside {low} to {high}{in_unit}; "
    "check the number and the header's unit",
}
# One number to another; a whole number that may have marks between its thousands.
FROM_TO = rf"(?<=\d)\s*(?:to|bis|{DASHES})\s*(?=\d)"
# What a range cannot be: a bound, a slash, or words alone.
NO_READING = r"[<>≤≥]|(?<!\+)/|^[^0-9]*$"
WITH_THOUSANDS = r"\d{1,3}[.,]\d{3}"
# What people write in a cell to say that there is nothing to say.
NO_REASON = {"no", "n", "0", "false", "none", "-", "–", "—", "−", "/"}


def _wrong_unit(head: Head, column) -> str:
    """What is wrong with the unit of a header; empty if nothing is."""
    if column.kind != "quantity":
        unit = f"has the unit [{shortened(head.unit)}], but {head.key} has none; write {head.key}"
        return unit if head.unit else ""
    example = f"write for example {head.key} [{column.usual_unit}]"
    if not head.unit:
        return f"has no unit; {example}"
    try:
        fits = units.measures(head.unit, column.unit)
    except ValueError as error:
        return f"{error}; {example}"
    return "" if fits else f"[{shortened(head.unit)}] is not a unit of {head.key}; {example}"


def _absent(column):
    """What an empty cell stands for."""
    if column.kind in ("quantity", "number"):
        return float("nan")
    if column.kind == "range":
        return float("nan"), float("nan")
    if column.absent is not None or column.kind != "choice":
        return column.absent or ""
    return column.choices[0]


def _value(key, column, cell, unit, decimal_comma, known):
    if not cell:
        if column.required:
            raise ValueError(SAID_OF_CELLS["empty"].format(help=column.help))
        return _absent(column)
    if column.kind in ("quantity", "number"):
        return _number(column, cell, unit, decimal_comma)
    if column.kind == "range":
        return _range(column, cell, decimal_comma)
    if column.kind == "reason":
        return "" if cell.lower() in NO_REASON else cell
    if column.kind == "name":
        # Nothing known: session.toml could not be read, which is said already.
        names = known.get(f"{key}s")
        if names and cell not in names:
            said = SAID_OF_CELLS["unknown name"].format(cell=shortened(cell), key=key)
            raise ValueError(f"{said}; {nearest(cell, names)}")
        return cell
    if column.kind == "text":
        return cell
    word = column.synonyms.get(cell.lower(), cell.lower())
    if word not in column.choices:
        known = ", ".join(map(repr, column.choices))
        raise ValueError(SAID_OF_CELLS["no choice"].format(cell=shortened(cell), known=known))
    return word


def _range(column, cell, decimal_comma) -> tuple:
    """Both ends of a range, or one number twice."""
    sign = "," if decimal_comma else "."
    if re.search(NO_READING, cell):
        raise ValueError(SAID_OF_CELLS["no reading"].format(cell=shortened(cell)))
    code, slots = units.beside_a_number(cell, sign)
    if code == "about":
        raise ValueError(SAID_OF_CELLS["about a range"].format(text=cell, **slots))
    # What is called a rough one says how rough if it is a range.
    sure = re.sub(units.ROUGHLY, "", cell, flags=re.IGNORECASE)
    code, slots = units.beside_a_number(sure, sign)
    low, _, high = re.sub(FROM_TO, "|", sure).partition("|")
    if code == "plus minus":
        low, high = slots["low"], slots["high"]
    ends = tuple(_number(column, end, "", decimal_comma) for end in (low, high or low))
    if ends[0] > ends[1]:
        raise ValueError(SAID_OF_CELLS["goes down"].format(cell=cell))
    return ends


def _number(column, cell, unit, decimal_comma) -> float:
    sign = "," if decimal_comma else "."
    if column.whole and re.fullmatch(WITH_THOUSANDS, cell):
        raise ValueError(_two_ways(cell, sign))
    units.refuse_marks(cell, sign)
    text = re.sub(units.COMMA, ".", cell) if decimal_comma or column.whole else cell
    code, slots = units.beside_a_number(text, sign)
    if code in units.BESIDE_A_NUMBER:
        remedy = column.of_two.format(**slots) if "middle" in slots else ""
        raise ValueError(units.SAID_OF_NUMBERS[code].format(text=cell, remedy=remedy, **slots))
    number = units.parse_number(text)
    if column.whole and number != round(number):
        raise ValueError(SAID_OF_CELLS["in parts"].format(cell=cell))
    value = units.convert(number, unit, column.unit) if column.kind == "quantity" else number
    if not column.low <= value <= column.high:
        if re.fullmatch(WITH_THOUSANDS, cell):
            whole = float(re.sub("[.,]", "", cell))
            other = units.convert(whole, unit, column.unit) if column.kind == "quantity" else whole
            if column.low <= other <= column.high:
                raise ValueError(_two_ways(cell, sign))
        limits = limits_shown(column, unit)
        raise ValueError(SAID_OF_CELLS["outside"].format(cell=cell, **limits))
    return value


def _two_ways(cell: str, sign: str) -> str:
    """What is said of a number whose one mark may part thousands."""
    whole, parts = (re.sub("[.,]", by, cell) for by in ("", sign))
    return SAID_OF_CELLS["two ways"].format(cell=cell, whole=whole, parts=parts)


def limits_shown(column: Column, unit: str) -> dict:
    """Limits of a column as a sentence shows them, in the unit of the header.

    Parameters
    ----------
    column : tuninglib.session.read_table.Column
    unit : str
        Of the header; empty for a column without one.

    Returns
    -------
    dict of str to str
        ``low``, ``high``, and ``in_unit``, the unit with a blank before it.
    """
    low, high = column.low, column.high
    if column.kind == "quantity":
        low, high = (units.convert(limit, column.unit, unit) for limit in (low, high))
    return {"low": f"{low:.4g}", "high": f"{high:.4g}", "in_unit": f" {unit}" if unit else ""}


def _repeated(name, key, values, row_numbers):
    """Problems of values that stand twice; what is missing was said already."""
    first: dict[float, int] = {}
    for value, row in zip(values, row_numbers, strict=True):
        if value == value and value in first:
            again = f"{key} {value:g} is in row {first[value]}, too"
            message = f"{again}; give each {key} a number of its own"
            yield Problem(name, message, row=row, column=key)
        first.setdefault(value, row)
