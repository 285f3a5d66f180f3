"""The fill-in session of ``tuninglib new``, written from the contract itself."""

import dataclasses
import json
from pathlib import Path

from tuninglib.session import schema
from tuninglib.session.read_table import COLUMNS, header_line
from tuninglib.text_files import Problem, SessionError
from tuninglib.units import DISPLAY
from tuninglib.whole_files import write_atomic

_HEAD = """\
# Fill in what stands between empty quotes; `tuninglib check` tells what is still missing.
# Values carry their unit, for example "{mass}" or "{heat}". Any unit will do.
# "a +/- b" means: you would bet 20 to 1 that the truth is within b of a; "a to b" will do, too.
# A line that starts with # is a remark. Take the # away to use the line.
"""

_REST = """\
# Nothing below has to be filled in. The more of it you know, the narrower the answers: the
# gauge's scale first, then the speedometer and the weather.
"""

# The named entries that a first session starts with, and what they refer to.
_ENTRIES = {
    "engines": {"standard": {}, "bigger": {}},
    "riders": {"me": {}},
    "fuels": {"usual": {}},
    "injectors": {"fitted": {}, "next": {}},
    "setups": {
        "before": {"engine": "standard", "injector": "fitted", "fuel": "usual"},
        "after": {"engine": "bigger", "injector": "fitted", "fuel": "usual"},
    },
}
_SINGLE = {"session": {"reference": "before"}}

_RUNS = """\
# One row a run. Units stand in the header; change them there if you read others (mph, degF).
# setup and rider are names from session.toml. state is full, cruise or idle; empty means full.
# gauge_low and gauge_high: the steady range after two or three seconds of full throttle.
# knock is none, light or heavy (or no, yes); none: somebody listened, empty: nobody did.
# Left out on purpose: {left_out};
# add them as columns if you have them. A reason in exclude leaves the run out of the sums.
{header}
"""


def session_template(units: str = "metric") -> str:
    """Text of a session.toml in which every key of the contract stands with its explanation.

    Parameters
    ----------
    units : str
        System of units that examples are given in: ``"metric"``, ``"us"`` or ``"imperial"``.

    Returns
    -------
    str
    """
    mass, heat = (example_in(text, units) for text in ("118 kg", "18 degC"))
    parts = [_HEAD.format(mass=mass, heat=heat)]

    def single(name):
        filled = _SINGLE.get(name, {}) | ({"units": units} if name == "session" else {})
        return f"[{name}]\n{_keys(schema.SINGLE[name], filled, units)}"

    parts += [single(name) for name in schema.REQUIRED_TABLES]
    for name, record in schema.NAMED.items():
        for entry, filled in _ENTRIES.get(name, {}).items():
            parts.append(f"[{name}.{entry}]\n{_keys(record, filled, units)}")
    parts.append(_REST)
    parts += [single(name) for name in schema.SINGLE if name not in schema.REQUIRED_TABLES]
    parts += [_as_remarks(f"{name}.a_name", schema.NAMED[name]) for name in schema.OPTIONAL]
    return "\n".join(parts)


def runs_template(units: str = "metric") -> str:
    """Text of a runs.csv without a run: what to write where, and the header.

    Parameters
    ----------
    units : str
        System of units in the header.

    Returns
    -------
    str
    """
    left_out = [key for key, column in COLUMNS.items() if not column.in_new_file]
    header = header_line(
        COLUMNS,
        speed_unit=DISPLAY[units]["speed"][0],
        temperature_unit=DISPLAY[units]["temperature"][0],
    )
    return _RUNS.format(left_out=", ".join(left_out), header=header)


# Examples in round numbers of other units, for those whose unit riders there do not use.
_ELSEWHERE = {
    "118 kg": {"us": "260 lb", "imperial": "260 lb"},
    "124 kg +/- 2 kg": {"us": "270 lb +/- 4 lb", "imperial": "270 lb +/- 4 lb"},
    "84 kg +/- 2 kg": {"us": "185 lb +/- 4 lb", "imperial": "185 lb +/- 4 lb"},
    "8 kg +/- 3 kg": {"us": "18 lb +/- 7 lb", "imperial": "18 lb +/- 7 lb"},
    "0.55 m2 +/- 0.05 m2": {"us": "6 ft2 +/- 0.5 ft2", "imperial": "6 ft2 +/- 0.5 ft2"},
    "3 bar": {"us": "43.5 psi", "imperial": "43.5 psi"},
    "10 L": {"us": "2.6 gal", "imperial": "2.2 imp gal"},
    "18 degC": {"us": "65 degF"},
    "220 degC": {"us": "430 degF"},
    "978 hPa": {"us": "28.9 inHg", "imperial": "978 mbar"},
    "745 kg/m3": {"us": "6.2 lb/gal"},
    "400 m +/- 2 m": {"us": "1300 ft +/- 6 ft", "imperial": "1300 ft +/- 6 ft"},
    "150 m": {"us": "500 ft", "imperial": "500 ft"},
    "24 m +/- 1 m": {"us": "80 ft +/- 3 ft", "imperial": "80 ft +/- 3 ft"},
    "310 m": {"us": "1000 ft", "imperial": "1000 ft"},
    "1.86 m +/- 0.01 m": {"us": "73 in +/- 0.4 in", "imperial": "73 in +/- 0.4 in"},
    "350 km": {"us": "220 miles", "imperial": "220 miles"},
    "300 km": {"us": "190 miles", "imperial": "190 miles"},
    "48 km/h +/- 2 km/h": {"us": "30 mph +/- 1 mph", "imperial": "30 mph +/- 1 mph"},
    "0 +/- 1.5 m/s": {"us": "0 +/- 3 mph", "imperial": "0 +/- 3 mph"},
    "1 km/h": {"us": "1 mph", "imperial": "1 mph"},
    "60 km/h": {"us": "40 mph", "imperial": "40 mph"},
    "57.2 km/h": {"us": "38.1 mph", "imperial": "38.1 mph"},
    "50 km/h": {"us": "30 mph", "imperial": "30 mph"},
    "300 m in 22.6 s": {"us": "1000 ft in 23.8 s", "imperial": "1000 ft in 23.8 s"},
    "EUR": {"us": "$", "imperial": "£"},
    "1.79 EUR/L": {"us": "$4.89/gal", "imperial": "£1.45/L"},
}


def example_in(example: str, units: str) -> str:
    """A metric example as a rider would write one in another system's units.

    Parameters
    ----------
    example : str
    units : str

    Examples
    --------
    >>> example_in("124 kg +/- 2 kg", "us"), example_in("62 mm", "us")
    ('270 lb +/- 4 lb', '62 mm')
    """
    return _ELSEWHERE.get(example, {}).get(units, example)


def _as_remarks(header: str, record) -> str:
    """A table that a session need not have, as remarks, its keys set in."""
    lines = [f"# [{header}]  # {' '.join(record.__doc__.split())}"]
    for field in dataclasses.fields(record):
        about, example = field.metadata["help"], field.metadata["example"]
        if isinstance(example, dict):
            value = "{ " + ", ".join(f"{k} = {json.dumps(v)}" for k, v in example.items()) + " }"
        else:
            value = json.dumps(example)
        lines.append(f"#   {field.name} = {value}  # {about}")
    return "\n".join(lines) + "\n"


def _keys(record, filled, units) -> str:
    first, later = [], []
    for field in dataclasses.fields(record):
        meta = field.metadata
        if meta["kind"] == "pieces":
            continue
        about = meta["help"]
        if meta["kind"] == "place":
            later.append(f'# {field.name} = "{meta["example"]}"  # {about}')
            continue
        if meta["kind"] in ("speed pairs", "references"):
            pairs = [[example_in(one, units) for one in pair] for pair in meta["example"]]
            names = list(_ENTRIES[meta["table"]]) if "table" in meta else pairs
            later.append(f"# {field.name} = {json.dumps(names)}  # {about}")
            continue
        if meta["kind"] == "choice":
            about += f" ({', '.join(meta['choices'])})"
        example = example_in(meta["example"], units)
        if field.name in filled:
            first.append(f'{field.name} = "{filled[field.name]}"  # {about}')
        elif field.default is dataclasses.MISSING or meta.get("asked"):
            first.append(f'{field.name} = ""  # {about}; for example "{example}"')
        else:
            value = example if meta["kind"] == "number" else f'"{example}"'
            later.append(f"# {field.name} = {value}  # {about}")
    return "\n".join(first + later) + "\n"


def write_new_session(folder: Path | str, units: str = "metric") -> tuple:
    """A new folder with a session to fill in.

    Parameters
    ----------
    folder : path
        Must not exist yet, or be empty.
    units : str
        System of units of examples and headers.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    SessionError
        If there is something in the folder: it is left alone.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        message = "exists and is not an empty folder; choose a new name"
        raise SessionError([Problem(str(folder), message)])
    folder.mkdir(parents=True, exist_ok=True)
    texts = {"session.toml": session_template(units), "runs.csv": runs_template(units)}
    for name, text in texts.items():
        write_atomic(folder / name, text)
    return tuple(folder / name for name in texts)
