"""The form for roadside runs: one field for each column of the rider's own runs.csv.

After each run it says what the rows so far say.
"""

from collections.abc import Collection
from pathlib import Path

import ipywidgets as widgets

from tuninglib.analysis.day_plan import interim_of_folder, start_of, usual_repeats
from tuninglib.lab import kit
from tuninglib.report import run_sheet, verdict
from tuninglib.report.page_parts import Prose, Table, render
from tuninglib.session.edit import (
    Sheet,
    add_column,
    add_run,
    cells_of,
    open_sheet,
    problems_of_row,
    row_text,
    take_back,
)
from tuninglib.session.read_table import COLUMNS, OF_ONE_RUN
from tuninglib.session.tables import RUNS
from tuninglib.text_files import SessionError

# A row with none of these says nothing.
_SAYS_SOMETHING = tuple(key for key in OF_ONE_RUN if key != "exclude")
# Fewer tell nothing of the scatter.
FEWEST_RUNS = 2


def _field(sheet: Sheet, key: str):
    column = COLUMNS[key]
    label = key.replace("_", " ")
    if key in sheet.units:
        label += f" [{sheet.units[key]}]"
    names = {"setup": sheet.setups, "rider": sheet.riders}.get(key)
    if names:
        return kit.choice(label, names)
    if column.kind == "choice":
        return kit.choice(label, column.options)
    start = sheet.next_run if key == "run" else ""
    return kit.text(label, start, column.help)


def checked(sheet: Sheet, values: dict, touched: Collection[str]) -> dict:
    """Problems to show beside the fields while a row is being typed.

    Parameters
    ----------
    sheet : Sheet
    values : dict of str to str
    touched : collection of str
        Columns that were typed in; the others are not blamed for being empty yet.
    """
    found = problems_of_row(sheet, values)
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
    next free number, before the first run is added. After each run the form says what the rows so
    far say: go on, stop, or decided.
    """
    whole = widgets.VBox()

    def build(said=None):
        try:
            whole.children = [_form(session_folder, build, said)]
        except SessionError as error:
            whole.children = [widgets.HTML(kit.words_html(kit.problems_prose(error)))]

    build()
    return whole


def _form(session_folder, build, said):
    """The form as it is for the columns that the file has now; ``build`` makes it anew."""
    sheet, start = open_sheet(session_folder), start_of(session_folder)
    fields = {key: _field(sheet, key) for key in sheet.keys if key}
    beside = {key: widgets.HTML() for key in fields}
    words, so_far, rows = widgets.HTML(), widgets.HTML(), widgets.HTML()
    rules = widgets.HTML(kit.words_html(run_sheet.box(start.limits, start.system), live=False))
    planned = kit.slider(
        "planned runs of each setup",
        "",
        usual_repeats(start) or FEWEST_RUNS,
        low=FEWEST_RUNS,
        high=20,
        step=1,
    )
    touched: set[str] = set()
    state = {"sheet": sheet, "kept": False, "quiet": False, "added": []}

    def values():
        return {key: field.value for key, field in fields.items()}

    def blame(found):
        for key, place in beside.items():
            place.value = render("lab/templates/problem.html.j2", text=found.get(key, ""))

    def typed(change, key):
        if not state["quiet"]:
            touched.add(key)
            blame(checked(state["sheet"], values(), touched))

    def add(_):
        try:
            # Afresh: the file may have been typed in elsewhere meanwhile.
            sheet = open_sheet(session_folder)
            if (sheet.keys, sheet.units) != (state["sheet"].keys, state["sheet"].units):
                # What was typed is meant in the units that the fields say.
                text = f"the header of {RUNS} was changed meanwhile; open this form again."
                say(Prose((("Not added", text),), style="caution"))
                return
            state["sheet"] = sheet
            found = problems_of_row(sheet, values())
            blame(found)
            wrong = [key for key in found if key]
            if wrong:
                names = ", ".join(key.replace("_", " ") for key in wrong)
                say(Prose((("Not added", f"fix {names} first."),), style="caution"))
                return
            if not any(values().get(key) for key in _SAYS_SOMETHING):
                text = "nothing was typed but names: write speeds, a reading or a note first."
                say(Prose((("Not added", text),), style="caution"))
                return
            kept = add_run(sheet, values(), keep=not state["kept"])
            state["added"].append(row_text(sheet, values()))
            back.disabled = False
        except (SessionError, OSError) as error:
            say(kit.problems_prose(error))
            return
        state["kept"] = True
        items = [("Added", f"run {fields['run'].value if 'run' in fields else ''}.")]
        if kept:
            items.append(("Kept", f"the file as it was is {kept.name}."))
        say(Prose(tuple(items)))
        clear()
        tell()

    def undo(_):
        try:
            gone = take_back(open_sheet(session_folder), state["added"][-1])
        except (SessionError, OSError) as error:
            say(kit.problems_prose(error))
            return
        if not gone:
            text = f"the last row of {RUNS} is not the one that was added here; change it there."
            say(Prose((("Not taken back", text),), style="caution"))
            return
        row = state["added"].pop()
        back.disabled = not state["added"]
        clear()
        # What was typed comes back, to be mended and added again.
        for key, cell in zip(state["sheet"].keys, cells_of(state["sheet"], row), strict=True):
            if key in fields and cell in _possible(fields[key], cell):
                fields[key].value = cell
        say(Prose((("Taken back", f"{row}. Mend it above and add it again, or leave it."),)))
        tell()

    def tell():
        try:
            results, found = interim_of_folder(session_folder, planned=round(planned.value))
            shown = verdict.interim_sentences(results, found, start.system)
        except (ValueError, OSError) as error:
            shown = kit.problems_prose(error)
        so_far.value = kit.words_html(shown)

    def say(shown):
        words.value = kit.words_html(shown)

    def clear():
        state["sheet"] = open_sheet(session_folder)
        state["quiet"] = True
        touched.clear()
        for key in OF_ONE_RUN:
            if key in fields:
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
        field.observe(lambda change, key=key: typed(change, key), "value")
    button = widgets.Button(
        description="Add run", icon="plus", button_style="primary", tooltip="Append to runs.csv"
    )
    button.on_click(add)
    back = widgets.Button(
        description="Take back the last run",
        icon="undo",
        tooltip="Takes out of runs.csv what was added here last; its cells can be mended",
        layout={"width": "auto"},
        disabled=True,
    )
    back.on_click(undo)
    rows.value = kit.words_html(last_rows(sheet), live=False)
    others = [key for key in COLUMNS if key not in sheet.keys]
    column = kit.choice("a column that is not there", others or ["(all are there)"])

    def add_one(_):
        try:
            kept = add_column(open_sheet(session_folder), column.value)
        except (SessionError, OSError) as error:
            say(kit.problems_prose(error))
            return
        remark = f"; the file as it was is {kept.name}" if kept else ""
        build(Prose((("Added", f"the column {column.value}{remark}."),)))

    new_column = widgets.Button(
        description="Add the column",
        icon="columns",
        tooltip="Adds it to runs.csv, empty in every row so far",
        layout={"width": "auto"},
        disabled=not others,
    )
    new_column.on_click(add_one)
    if said is not None:
        say(said)
    lines = [widgets.VBox([fields[key], beside[key]]) for key in fields]
    return kit.beside(
        [*lines, planned, button, back, words, column, new_column], [so_far, rules, rows]
    )


def _possible(field, cell) -> tuple:
    """What a field can hold of a cell: anything typed, or one of a list's entries."""
    if not isinstance(field, widgets.Dropdown):
        return (cell,)
    return tuple(one[1] if isinstance(one, tuple) else one for one in field.options)


def last_rows(sheet: Sheet, count: int = 6) -> Table:
    """The last rows of the file as they were typed."""
    used = [i for i, key in enumerate(sheet.keys) if key or sheet.table.headers[i]]
    rows = sheet.table.rows[-count:]
    return Table(
        f"The last {len(rows)} of {len(sheet.table.rows)} rows of {RUNS}"
        if rows
        else f"No row in {RUNS} yet",
        tuple(sheet.table.headers[i] for i in used),
        tuple(tuple(row[i] for i in used) for row in rows),
    )
