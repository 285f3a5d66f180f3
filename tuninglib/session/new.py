"""The fill-in session of ``tuninglib new``, written from the contract itself."""

import dataclasses
import json
from pathlib import Path

from tuninglib.session import schema
from tuninglib.session.columns import COLUMNS, header_line
from tuninglib.text_files import Problem, SessionError
from tuninglib.whole_files import write_atomic

_HEAD = """\
# Fill in what stands between empty quotes; `tuninglib check` tells what is still missing.
# Values carry their unit: "118 kg" or "260 lb", "18 degC" or "64 degF". Any unit will do.
# "a +/- b" means: you would bet 20 to 1 that the truth is within b of a.
# A line that starts with # is a remark. Take the # away to use the line.
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
# knock is none, light or heavy; none means that somebody listened, empty that nobody did.
# Left out on purpose: {left_out};
# add them as columns if you have them. A reason in exclude leaves the run out of the sums.
{header}
"""


def session_template() -> str:
    """Text of a session.toml in which every key of the contract stands with its explanation.

    Returns
    -------
    str
    """
    parts = [_HEAD]
    for name, record in schema.SINGLE.items():
        parts.append(f"[{name}]\n{_keys(record, _SINGLE.get(name, {}))}")
    for name, record in schema.NAMED.items():
        for entry, filled in _ENTRIES[name].items():
            parts.append(f"[{name}.{entry}]\n{_keys(record, filled)}")
    return "\n".join(parts)


def runs_template() -> str:
    """Text of a runs.csv without a run: what to write where, and the header.

    Returns
    -------
    str
    """
    left_out = [key for key, column in COLUMNS.items() if not column.in_new_file]
    return _RUNS.format(left_out=", ".join(left_out), header=header_line(COLUMNS))


def _keys(record, filled) -> str:
    first, later = [], []
    for field in dataclasses.fields(record):
        meta = field.metadata
        if meta["kind"] == "pieces":
            continue
        about = meta["help"]
        if meta["kind"] in ("speed pairs", "references"):
            names = list(_ENTRIES[meta["table"]]) if "table" in meta else meta["example"]
            later.append(f"# {field.name} = {json.dumps(names)}  # {about}")
            continue
        if meta["kind"] == "choice":
            about += f" ({', '.join(meta['choices'])})"
        if field.name in filled:
            first.append(f'{field.name} = "{filled[field.name]}"  # {about}')
        elif field.default is dataclasses.MISSING or meta.get("asked"):
            first.append(f'{field.name} = ""  # {about}; for example "{meta["example"]}"')
        else:
            value = meta["example"] if meta["kind"] == "number" else f'"{meta["example"]}"'
            later.append(f"# {field.name} = {value}  # {about}")
    return "\n".join(first + later) + "\n"


def write_new_session(folder) -> tuple:
    """A new folder with a session to fill in.

    Parameters
    ----------
    folder : path
        Must not exist yet, or be empty.

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
    texts = {"session.toml": session_template(), "runs.csv": runs_template()}
    for name, text in texts.items():
        write_atomic(folder / name, text)
    return tuple(folder / name for name in texts)
