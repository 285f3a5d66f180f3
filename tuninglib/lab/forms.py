"""Forms for session.toml and runs.csv: one field for each key or column, checked as it is typed.

They write the same files as by hand: remarks and the rider's own text stay where they are.
"""

import dataclasses
import re
from collections.abc import Collection
from dataclasses import Field
from pathlib import Path

import ipywidgets as widgets

from tuninglib.analysis.day_plan import interim_of_folder, start_of, usual_repeats
from tuninglib.lab import kit
from tuninglib.report import run_sheet, verdict
from tuninglib.report.page_parts import Prose, Table, count_of, render
from tuninglib.session import edit, schema
from tuninglib.session.fields import example_in, read_value
from tuninglib.session.read_table import COLUMNS, OF_ONE_RUN, RUNS
from tuninglib.session.read_toml import TOML, tables_as_typed
from tuninglib.text_files import SessionError
from tuninglib.units import TWO_WAYS, sign_of

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
    What is typed is kept while another table is looked at, and when the cell is run again; it is
    written for all tables at once. A
    field that is emptied makes a remark of its line.
    """
    folder = Path(session_folder)
    try:
        tables_as_typed(folder)
    except SessionError as error:
        return kit.unreadable(error)
    typed, added = kit.kept(f"fields of {folder}"), kit.kept(f"tables of {folder}")
    tables = kit.choice("table", table_names(folder))
    place, words, missing = widgets.VBox(), widgets.HTML(), widgets.HTML()
    kind = kit.choice("one more of", tuple(schema.NAMED))
    name = kit.text("called", "", "letters, digits, _")

    def build(_=None):
        table = tables.value
        names = names_in(folder, added)
        place.children = [_line(folder, table, one, typed, names) for one in fields_of(table)]

    def again(chosen):
        tables.options = table_names(folder, added)
        tables.value = chosen
        build()
        missing.value = kit.words_html(what_is_missing(folder))

    def add():
        new = name.value.strip()
        if not new.replace("_", "a").isalnum():
            return Prose((("Not added", f"{new!r} is no name; use letters, digits and _."),))
        table = f"{kind.value}.{new}"
        if table in table_names(folder, added):
            return Prose((("Not added", f"{table} is there already; choose it above."),))
        added[table] = None
        name.value = ""
        again(table)
        return Prose((("Added", f"{table}; fill it in, then write."),))

    def remove():
        table = tables.value
        if table in added:
            said = Prose((("Removed", f"{table}, which was not written yet."),))
        else:
            text = f"[{table}]; its lines in {TOML} are comments now."
            said = kit.written(edit.remove_table(folder, table), [("Removed", text)])
        added.pop(table, None)
        for key in [key for key in typed if key[0] == table]:
            del typed[key]
        again(table if table in table_names(folder, added) else next(iter(schema.SINGLE)))
        return said

    def write():
        said = kit.write(folder, values_to_write(folder, typed))
        typed.clear()
        again(tables.value)
        return said

    tables.observe(build, "value")
    more = kit.button("Add", "One more entry, to fill in", "plus", add, words)
    tooltip = "Writes what was typed in all tables; the earlier file is kept"
    label, look = "Write into session.toml", {"button_style": "primary"}
    button = kit.button(label, tooltip, "pencil", write, words, **look)
    tooltip = "Turns its lines into comments in session.toml; the earlier file is kept"
    gone = kit.button("Remove this table", tooltip, "trash", remove, words)
    again(tables.value)
    return kit.beside([tables, place, button, words, gone, kind, name, more], [missing])


def table_names(folder: Path | str, added: Collection[str] = ()) -> list:
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


def names_in(folder: Path | str, added: Collection[str] = ()) -> dict:
    """Names of the entries of each table, those just added too."""
    found: dict[str, list] = {kind: [] for kind in schema.NAMED}
    for table in table_names(folder, added):
        kind, _, entry = table.partition(".")
        if entry:
            found[kind].append(entry)
    return found


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
    if kind in ("references", "spans"):
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
    stands = kit.as_text(_standing(folder, table).get(field.name))
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
        example = kit.as_text(example_in(meta.get("example"), system))
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
        if text.strip() == kit.as_text(stands.get(key)) or (value is None and key not in stands):
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
    found = [one for one in edit.problems_of(Path(folder), {}) if one.file == TOML]
    if not found:
        return Prose((("Complete", f"nothing is missing in {TOML}."),))
    items = [("To fill in", str(one)) for one in found[:_MOST_SAID]]
    if len(found) > _MOST_SAID:
        items.append(("", f"and {len(found) - _MOST_SAID} more."))
    return Prose(tuple(items))


# runs.csv, typed into a form ----------------------------------------------------------------------

# A row with none of these says nothing.
_SAYS_SOMETHING = tuple(key for key in OF_ONE_RUN if key != "exclude")
# Fewer tell nothing of the scatter.
FEWEST_RUNS = 2
_ROWS_SHOWN = 6


def _label(sheet, key: str) -> str:
    """A column's name with its unit, in words that a line can be broken between."""
    unit = f" [{sign_of(sheet.units[key])}]" if key in sheet.units else ""
    return f"{key.replace('_', ' ')}{unit}"


def _field(sheet: edit.Sheet, key: str):
    column, label = COLUMNS[key], _label(sheet, key)
    names = {"setup": sheet.setups, "rider": sheet.riders}.get(key)
    if names:
        return kit.choice(label, names)
    if column.kind == "choice":
        return kit.choice(label, column.options)
    start = sheet.next_run if key == "run" else ""
    return kit.text(label, start, column.help)


def checked(sheet: edit.Sheet, values: dict, touched: Collection[str]) -> dict:
    """Problems to show beside the fields while a row is being typed.

    Parameters
    ----------
    sheet : Sheet
    values : dict of str to str
    touched : collection of str
        Columns that were typed in; the others are not blamed for being empty yet.
    """
    found = edit.problems_of_row(sheet, values)
    return {
        key: message
        for key, message in found.items()
        if key in touched and not (message.startswith("is empty") and not values[key])
    }


def runs_form(session_folder: Path | str) -> widgets.VBox:
    """A form that adds runs to a session's runs.csv.

    Parameters
    ----------
    session_folder : path

    Returns
    -------
    ipywidgets.VBox

    Notes
    -----
    The file as it stood when the form was opened is kept once, as ``runs.earlier-1.csv`` or the
    next free number, before the first run is added. What is typed and not added yet stays when the
    cell is run again. After each run the form says what the rows so far say: go on, stop, or
    decided.
    """
    whole = widgets.VBox()

    def build(said=None):
        try:
            whole.children = [_form(session_folder, build, said)]
        except SessionError as error:
            whole.children = [kit.unreadable(error)]

    build()
    return whole


def _form(session_folder, build, said):
    """The form as it is for the columns that the file has now; ``build`` makes it anew."""
    sheet, start = edit.open_sheet(session_folder), start_of(session_folder)
    fields = {key: _field(sheet, key) for key in sheet.keys if key}
    beside = {key: widgets.HTML() for key in fields}
    words, so_far, rows = widgets.HTML(), widgets.HTML(), widgets.HTML()
    rules = widgets.HTML(kit.words_html(run_sheet.box(start.limits, start.system), live=False))
    repeats = usual_repeats(start) or FEWEST_RUNS
    planned = kit.slider("planned runs of each setup", "", repeats, (FEWEST_RUNS, 20), 1)
    left = kit.kept(f"a run of {session_folder}")
    touched: set[str] = set()
    state = {"sheet": sheet, "kept": False, "quiet": False, "added": []}

    def values():
        return {key: field.value for key, field in fields.items()}

    def blame(found):
        for key, place in beside.items():
            place.value = render("lab/templates/problem.html.j2", text=found.get(key, ""))

    def typed(change, key):
        if not state["quiet"]:
            # By its label, for a number is meant in the unit that stands there.
            left[fields[key].description] = change["new"]
            touched.add(key)
            blame(checked(state["sheet"], values(), touched))

    def not_done(what, text):
        return Prose(((what, text),), style="caution")

    def add():
        # Afresh: the file may have been typed in elsewhere meanwhile.
        sheet = edit.open_sheet(session_folder)
        if (sheet.keys, sheet.units) != (state["sheet"].keys, state["sheet"].units):
            # What was typed is meant in the units that the fields say.
            text = f"the header of {RUNS} was changed meanwhile; open this form again."
            return not_done("Not added", text)
        state["sheet"] = sheet
        found = edit.problems_of_row(sheet, values())
        blame(found)
        wrong = [key for key in found if key]
        if wrong:
            names = ", ".join(key.replace("_", " ") for key in wrong)
            return not_done("Not added", f"fix {names} first.")
        if not any(values().get(key) for key in _SAYS_SOMETHING):
            text = "nothing was typed but names: write speeds, a reading or a note first."
            return not_done("Not added", text)
        kept = edit.add_run(sheet, values(), keep=not state["kept"])
        state["added"].append(edit.row_text(sheet, values()))
        back.disabled = False
        state["kept"] = True
        items = [("Added", f"run {fields['run'].value if 'run' in fields else ''}.")]
        if kept:
            items.append(("Kept", f"the file as it was is {kept.name}."))
        clear()
        tell()
        return Prose(tuple(items))

    def undo():
        if not edit.take_back(edit.open_sheet(session_folder), state["added"][-1]):
            text = f"the last row of {RUNS} is not the one that was added here; change it there."
            return not_done("Not taken back", text)
        row = state["added"].pop()
        back.disabled = not state["added"]
        clear()
        # What was typed comes back, to be mended and added again.
        for key, cell in zip(state["sheet"].keys, edit.cells_of(state["sheet"], row), strict=True):
            if key in fields and kit.possible(fields[key], cell):
                fields[key].value = cell
        tell()
        return Prose((("Taken back", f"{row}. Fix it above and add it again, or leave it."),))

    def tell():
        try:
            results, found = interim_of_folder(session_folder, planned=round(planned.value))
            shown = verdict.interim_sentences(results, found, start.system)
        except (ValueError, OSError) as error:
            shown = kit.problems_prose(error)
        so_far.value = kit.words_html(shown)

    def clear():
        state["sheet"] = edit.open_sheet(session_folder)
        state["quiet"] = True
        touched.clear()
        for key in OF_ONE_RUN:
            if key in fields:
                left.pop(fields[key].description, None)
                is_choice = COLUMNS[key].kind == "choice"
                fields[key].value = COLUMNS[key].options[0][1] if is_choice else ""
        if "run" in fields:
            fields["run"].value = state["sheet"].next_run
        state["quiet"] = False
        blame({})
        rows.value = kit.words_html(last_rows(state["sheet"]), live=False)

    for key, field in fields.items():
        if isinstance(field, widgets.Text):
            # Judge a number when it is finished, not at its first digit.
            field.continuous_update = False
        if field.description in left and kit.possible(field, left[field.description]):
            field.value = left[field.description]
            touched.add(key)
        field.observe(lambda change, key=key: typed(change, key), "value")
    blame(checked(sheet, values(), touched))
    button = kit.button("Add run", "Append to runs.csv", "plus", add, words, button_style="primary")
    tooltip = "Takes out of runs.csv what was added here last; its cells can then be fixed"
    back = kit.button("Take back the last run", tooltip, "undo", undo, words, disabled=True)
    rows.value = kit.words_html(last_rows(sheet), live=False)
    others = [key for key in COLUMNS if key not in sheet.keys]
    column = kit.choice("a column that is not there", others or ["(all are there)"])

    def add_one():
        kept = edit.add_column(edit.open_sheet(session_folder), column.value)
        remark = f"; the file as it was is {kept.name}" if kept else ""
        build(Prose((("Added", f"the column {column.value}{remark}."),)))

    tooltip = "Adds it to runs.csv, empty in every row so far"
    off = {"disabled": not others}
    new_column = kit.button("Add the column", tooltip, "columns", add_one, words, **off)
    if said is not None:
        words.value = kit.words_html(said)
    lines = [widgets.VBox([fields[key], beside[key]]) for key in fields]
    controls = [*lines, planned, button, back, words, column, new_column]
    # Below both, where it has the whole width.
    return widgets.VBox([kit.beside(controls, [so_far, rules]), rows])


def last_rows(sheet: edit.Sheet) -> Table:
    """The last rows of the file as they were typed."""
    used = [i for i, key in enumerate(sheet.keys) if key or sheet.table.headers[i]]
    rows = sheet.table.rows[-_ROWS_SHOWN:]
    title = f"The last {len(rows)} of {count_of(len(sheet.table.rows), 'row')} of {RUNS}"
    named = ((sheet.keys[i], sheet.table.headers[i]) for i in used)
    heads = tuple(_label(sheet, key) if key else header for key, header in named)
    cells = tuple(tuple(row[i] for i in used) for row in rows)
    return Table(title if rows else f"No row in {RUNS} yet", heads, cells)
