"""The form for session.toml: one field for each key, checked as it is typed.

It writes the same file as by hand: remarks and the rider's own text stay where they are.
"""

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import Field
from pathlib import Path

import ipywidgets as widgets

from tuninglib.lab import kit
from tuninglib.lab.explore import written
from tuninglib.report.page_parts import Prose, render
from tuninglib.session import schema
from tuninglib.session.edit import problems_of, write_values
from tuninglib.session.fields import read_value
from tuninglib.session.new import example_in
from tuninglib.session.read_toml import TOML, tables_as_typed
from tuninglib.text_files import SessionError
from tuninglib.units import TWO_WAYS

# A choice that stands for no line in the file.
LEFT_OUT = "(left out)"
_BY_HAND = ("pieces",)
_MOST_SAID = 8


def session_form(session_folder: Path | str) -> widgets.VBox:
    """A form that fills in a session's session.toml, table by table.

    Parameters
    ----------
    session_folder : path

    Returns
    -------
    ipywidgets.VBox

    Notes
    -----
    What is typed is kept while another table is looked at, and written for all tables at once. A
    field that is emptied makes a remark of its line.
    """
    folder = Path(session_folder)
    try:
        tables_as_typed(folder)
    except SessionError as error:
        return widgets.HTML(kit.words_html(kit.problems_prose(error)))
    typed: dict[tuple, str] = {}
    added: list[str] = []
    tables = kit.choice("table", table_names(folder))
    place, words, missing = widgets.VBox(), widgets.HTML(), widgets.HTML()
    kind = kit.choice("one more of", tuple(schema.NAMED))
    name = kit.text("called", "", "letters, digits, _")

    def build(_=None):
        table = tables.value
        place.children = [
            _line(folder, table, field, typed, names_in(folder, added))
            for field in fields_of(table)
        ]

    def again(chosen):
        tables.options = table_names(folder, added)
        tables.value = chosen
        build()
        missing.value = kit.words_html(what_is_missing(folder))

    def add(_):
        new = name.value.strip()
        if not new.replace("_", "a").isalnum():
            return say(Prose((("Not added", f"{new!r} is no name; use letters, digits and _."),)))
        table = f"{kind.value}.{new}"
        if table in table_names(folder, added):
            return say(Prose((("Not added", f"{table} is there already; choose it above."),)))
        added.append(table)
        name.value = ""
        again(table)
        return say(Prose((("Added", f"{table}; fill it in, then write."),)))

    def write(_):
        try:
            values = values_to_write(folder, typed)
            say(written(write_values(folder, values)))
        except (SessionError, OSError) as error:
            return say(kit.problems_prose(error))
        typed.clear()
        return again(tables.value)

    def say(shown):
        words.value = kit.words_html(shown)

    tables.observe(build, "value")
    more = widgets.Button(description="Add", icon="plus", tooltip="One more entry, to fill in")
    more.on_click(add)
    button = widgets.Button(
        description="Write into session.toml",
        icon="pencil",
        button_style="primary",
        tooltip="Writes what was typed in all tables; the earlier file is kept",
        layout={"width": "auto"},
    )
    button.on_click(write)
    again(tables.value)
    return kit.beside([tables, place, button, words, kind, name, more], [missing])


def table_names(folder: Path | str, added: Sequence[str] = ()) -> list:
    """Tables of the contract, the named entries that the file has, and those just added."""
    tables = tables_as_typed(folder)
    names = list(schema.SINGLE)
    for kind in schema.NAMED:
        names += [f"{kind}.{entry}" for entry in tables[kind]]
        names += [one for one in added if one.startswith(f"{kind}.") and one not in names]
    return names


def fields_of(table: str) -> list:
    """Fields of a table, those that are needed first."""
    kind = table.partition(".")[0]
    record = schema.SINGLE.get(kind) or schema.NAMED[kind]
    found = [f for f in dataclasses.fields(record) if f.metadata["kind"] not in _BY_HAND]
    return sorted(found, key=lambda f: not _is_needed(f))


def _is_needed(field) -> bool:
    return field.default is dataclasses.MISSING or bool(field.metadata.get("asked"))


def names_in(folder: Path | str, added: Sequence[str] = ()) -> dict:
    """Names of the entries of each table, those just added too."""
    found: dict[str, list] = {kind: [] for kind in schema.NAMED}
    for table in table_names(folder, added):
        kind, _, entry = table.partition(".")
        if entry:
            found[kind].append(entry)
    return found


def as_text(value: object) -> str:
    """A TOML value as a field shows it; pairs as ``60 km/h = 57 km/h; ...``, lists with commas."""
    if isinstance(value, list) and all(isinstance(one, list) for one in value):
        return "; ".join(" = ".join(map(str, pair)) for pair in value)
    if isinstance(value, dict):
        return "; ".join(f"{key} = {text}" for key, text in value.items())
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return "" if value is None else str(value)


def as_value(field: Field, text: str) -> object:
    """What is typed in a field as the value that is written; None where nothing is.

    Parameters
    ----------
    field : dataclasses.Field
    text : str
    """
    text, kind = text.strip(), field.metadata["kind"]
    if not text:
        return None
    if kind == "speed pairs":
        return [[one.strip() for one in pair.split("=")] for pair in text.split(";")]
    if kind == "names":
        pairs = (pair.partition("=") for pair in text.split(";") if pair.strip())
        return {key.strip(): value.strip() for key, _, value in pairs}
    if kind == "numbers":
        parts = [one.strip() for one in text.split(",")]
        return [int(one) if one.lstrip("+-").isdigit() else one for one in parts]
    if kind == "references":
        return [one.strip() for one in text.split(",")]
    if kind in ("number", "price"):
        if re.fullmatch(TWO_WAYS, text):
            return text
        try:
            return int(text) if text.lstrip("+-").isdigit() else float(text.replace(",", "."))
        except ValueError:
            return text
    return text


def problem_of(field: Field, text: str, names: dict) -> str:
    """What is wrong with what is typed in a field, in the sentence of the reader; may be empty.

    Parameters
    ----------
    field : dataclasses.Field
    text : str
    names : dict of str to list of str
        Of :func:`names_in`.
    """
    value = as_value(field, text)
    if value is None:
        return ""
    try:
        read_value(field.metadata, value, {kind: set(own) for kind, own in names.items()})
    except ValueError as error:
        return f"{error}"
    return ""


def _line(folder, table, field, typed, names):
    """A field with what is wrong with it below; what was typed before comes back."""
    meta = field.metadata
    stands = as_text(_standing(folder, table).get(field.name))
    start = typed.get((table, field.name), stands)
    label = field.name.replace("_", " ") + (" *" if _is_needed(field) else "")
    options = {"choice": meta.get("choices"), "reference": names.get(meta.get("table"))}
    if meta["kind"] in options:
        known = [LEFT_OUT, *options[meta["kind"]]]
        # What stands in the file and is no choice is shown, to be changed, not dropped.
        known += [start] if start and start not in known else []
        control = kit.choice(label, known, start or LEFT_OUT)
    else:
        system = tables_as_typed(folder)["session"].get("units", "metric")
        example = as_text(meta.get("example"))
        if meta["kind"] in ("quantity", "speed pairs") and system in ("us", "imperial"):
            example = as_text(_in_system(meta["example"], system))
        control = kit.text(label, start, f"for example {example}" if example else "")
        control.continuous_update = False
    control.tooltip = meta["help"]
    below = widgets.HTML()

    def show(problem):
        below.value = render("lab/templates/problem.html.j2", text=problem)

    def changed(change):
        text = "" if change["new"] == LEFT_OUT else change["new"]
        typed[table, field.name] = text
        show(problem_of(field, text, names))

    control.observe(changed, "value")
    show(problem_of(field, start, names) if (table, field.name) in typed else "")
    about = widgets.HTML(render("lab/templates/about.html.j2", text=meta["help"]))
    return widgets.VBox([control, about, below])


def _in_system(example, system: str):
    if isinstance(example, list):
        return [_in_system(one, system) for one in example]
    return example_in(example, system)


def _standing(folder, table: str) -> dict:
    """Keys of one table as they stand in the file."""
    kind, _, entry = table.partition(".")
    found = tables_as_typed(folder)[kind]
    found = found.get(entry, {}) if entry else found
    return found if isinstance(found, dict) else {}


def values_to_write(folder: Path | str, typed: dict) -> dict:
    """Tables to keys and values, of what differs from the file.

    Parameters
    ----------
    folder : path
    typed : dict of (str, str) to str
        Table and key to what was typed.
    """
    values: dict[str, dict] = {}
    for (table, key), text in typed.items():
        stands = _standing(folder, table)
        field = next(one for one in fields_of(table) if one.name == key)
        value = as_value(field, text)
        if text.strip() == as_text(stands.get(key)) or (value is None and key not in stands):
            continue
        values.setdefault(table, {})[key] = value
    for table, own in values.items():
        # Asked for by a new session, and something else was written in its place.
        for field in fields_of(table):
            left = _standing(folder, table).get(field.name) == ""
            if left and field.default is not dataclasses.MISSING:
                own.setdefault(field.name, None)
    return values


def what_is_missing(folder: Path | str) -> Prose:
    """What session.toml still lacks, in the sentences of ``tuninglib check``.

    Parameters
    ----------
    folder : path
    """
    found = [one for one in problems_of(Path(folder), {}) if one.file == TOML]
    if not found:
        return Prose((("Complete", f"nothing is missing in {TOML}."),))
    items = [("To fill in", str(one)) for one in found[:_MOST_SAID]]
    if len(found) > _MOST_SAID:
        items.append(("", f"and {len(found) - _MOST_SAID} more."))
    return Prose(tuple(items))
