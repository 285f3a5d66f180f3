"""Planning a test day under sliders: repeats, order, time, and the run sheet."""

from pathlib import Path

import ipywidgets as widgets

from tuninglib.analysis import day_plan
from tuninglib.lab import kit
from tuninglib.report.advice import gate_sentence
from tuninglib.report.page_parts import Prose, Table, count_of, spaced
from tuninglib.report.roadside import ON_THE_PHONE, roadside_page
from tuninglib.report.run_sheet import (
    ROWS_ON_A_PAGE,
    Heading,
    box,
    checklists,
    first_pass_text,
    run_sheet,
    watched_text,
    why_first,
)
from tuninglib.report.verdict import interim_sentences
from tuninglib.rounding import fixed, listing, percent
from tuninglib.session.edit import open_sheet
from tuninglib.session.read_toml import what_stands
from tuninglib.statistics.planning import RunOrder
from tuninglib.text_files import printable
from tuninglib.whole_files import write_together

SHEET = "run_sheet.html"
PHONE_PAGE = "roadside.html"
CHECKLISTS = "checklists.html"
ONCE, OFTEN = "once: each engine in one block", "as often as the order asks"


def plan(
    session_folder: Path | str,
    *,
    gain_percent: float = 100 * day_plan.USUAL_GAIN,
    sheet_file: str = "",
) -> widgets.VBox:
    """Sliders for a test day, its plan, and a button that writes the run sheet.

    Parameters
    ----------
    session_folder : path
        Its names and scatter are where the controls start; the sheet is written there.
    gain_percent : float
        Where the wanted gain starts. [%]
    sheet_file : str
        Write the run sheet of the starting plan there at once; empty: when the button is pressed.
    """
    start = day_plan.start_of(session_folder)
    controls = _controls(start, gain_percent / 100)

    def aim_now():
        gain, scatter = (kit.taken(controls[name]) for name in ("gain", "scatter"))
        return day_plan.Aim(gain=gain, scatter=scatter, day_sd=start.day_sd)

    def day_now():
        v = kit.values_of(controls)
        return day_plan.plan_day(
            aim_now(),
            setups=names_in(v["setups"]),
            riders=names_in(v["riders"]),
            minutes_a_run=v["run"],
            swap=day_plan.SwapTimes(fuel=v["fuel"], injector=v["injector"], engine=v["engine"]),
            parts=start.parts,
            richness=start.richness,
            in_blocks=v["blocks"] == ONCE,
        )

    rules = box(start.limits, start.system)

    def answer(**v):
        source = start.source if kit.at_rest(controls["scatter"]) else "moved"
        named = names_in(v["setups"])
        again = {name: one for name, one in start.closed.items() if name in named}
        warning = (closed_words(start, again, left_out=False),) if again else ()
        try:
            day = day_now()
        except ValueError as error:
            words = (kit.problems_prose(error),)
        else:
            words = day_words(day, aim_now(), source, start.watched)
        left_out = {name: one for name, one in start.closed.items() if name not in named}
        if left_out:
            words = (*words, closed_words(start, left_out, left_out=True))
        return kit.Said((*warning, *words, rules))

    if sheet_file:
        write_sheet(day_now(), start, sheet_file)
    more = _buttons(day_now, start, session_folder)
    return kit.panel(controls, answer, name=f"plan of {session_folder}", more=more)


def _controls(start, gain) -> dict:
    ratio, swap = kit.percent(), day_plan.USUAL_SWAP
    return {
        "gain": kit.slider("gain to be shown", ratio, gain, (0.01, 0.4), 0.5),
        "scatter": kit.slider("scatter from run to run", ratio, start.scatter, (0.005, 0.12), 0.1),
        "setups": kit.text("setups, commas between", ", ".join(start.setups)),
        "riders": kit.text("riders, commas between", ", ".join(start.riders)),
        "run": kit.slider("one run, back at the start", "min", day_plan.USUAL_RUN_MIN, (2, 20), 1),
        "fuel": kit.slider("one change of fuel", "min", swap.fuel, (5, 120), 5),
        "injector": kit.slider("one change of injector", "min", swap.injector, (5, 180), 5),
        "engine": kit.slider("opening the engine once", "min", swap.engine, (30, 600), 30),
        "blocks": kit.choice("the engine is opened", (ONCE, OFTEN)),
    }


def _buttons(day_now, start, session_folder) -> list:
    """What writes the plan as it stands."""
    folder = Path(session_folder)
    rows = (
        ("the run sheet", f"{SHEET}, to print", "print",
         lambda: write_sheet(day_now(), start, folder / SHEET)),
        ("the page for the phone", f"{PHONE_PAGE}, to fill in at the roadside", "mobile",
         lambda: write_phone_page(day_now(), start, folder)),
        ("the checklists", f"{CHECKLISTS}, to print", "check-square-o",
         lambda: write_checklists(start, folder)),
    )  # fmt: skip
    return [
        kit.action(f"Write {name}", f"Writes {file}, into the outing's folder", act, icon=icon)
        for name, file, icon, act in rows
    ]


_SOURCES = {
    "assumed": "assumed; nothing is repeated in this outing yet",
    "repeats": "from this outing's repeats",
    "moved": "as set here",
}


def day_words(
    day: day_plan.Day, aim: day_plan.Aim, source: str, watched: tuple[str, ...] = ()
) -> tuple:
    """A planned day in sentences, with the order as a table.

    Parameters
    ----------
    day : Day
    aim : Aim
    source : str
        Where the scatter comes from, as of :class:`PlanStart`; ``"moved"``: set here.
    watched : tuple of str
        Of :class:`PlanStart`.
    """
    runs = len(day.order.setups)
    hours, minutes = divmod(round(day.minutes), 60)
    said = {
        "Runs": f"{day.repeats} of each setup, {runs} in all: a gain of {percent(aim.gain, 1)} or "
        f"more will then most likely show, at a scatter of {percent(aim.scatter, 1)} "
        f"({_SOURCES[source]}).",
        "Smallest visible gain": f"{percent(day.visible, 1)} with these repeats.",
    }
    if day.visible_with_one_less is not None:
        shown = percent(day.visible_with_one_less, 1)
        said["With one run less of each"] = f"{shown} would be the smallest."
    left = ""
    if day.order.remaining_drift >= 1e-9 and not day.in_blocks:
        left = (
            f"; with an odd number of repeats {fixed(day.order.remaining_drift, 1)} runs' worth of "
            f"drift remains between two setups; {day.repeats + 1} runs of each would cancel it"
        )
    said |= {
        "Time": f"{hours} h {minutes:02d} min, with {_changes_text(day.changes)}.",
        "First pass": f"{first_pass_text(day.first_pass)} {why_first(day.first_pass)}",
        "Order": "there and back, so that a steady drift (warming engine, wind, tiring rider) hits "
        f"all setups{' of an engine' * day.in_blocks} alike{left}.",
    }
    said |= _day_remarks(day)
    tested = watched_text([name for name in watched if name in day.order.setups])
    if tested:
        said["Not for riding"] = tested
    return (Prose(tuple(said.items())), _blocks(day.order))


def _day_remarks(day) -> dict:
    """What else there is to know of so many engines, setups, days and hours."""
    said, setups = {}, len(set(day.order.setups))
    if day.in_blocks:
        said["Each engine in one block"] = (
            "an engine that was opened is run in first, as its maker says, and checked again; "
            "that time is extra. Between two engines the difference of their days stays in the "
            "gain: pick days with like wind and air, or ride the first engine again at the end if "
            "the gain is small."
        )
    elif day.changes["engine"]:
        said["Running in"] = (
            f"the engine is opened {day.changes['engine']} times, and each time it is to be "
            "run in before full throttle, as its maker says; that time is extra."
        )
    if setups > 2:
        said["Several setups"] = (
            f"{setups - 1} comparisons with the reference share the 5 % of false alarms, as in "
            "the report."
        )
    none, two, four = (percent(day.across_days[count], 1) for count in day_plan.COMMON_RUNS)
    said["Against another day"] = (
        f"a gain over a setup ridden on another such day is known to about ± {none}, as days "
        "differ. Two runs of one and the same setup on both days, first or last, make that about "
        f"± {two}; four, ± {four}."
    )
    if day.minutes > 8 * 60:
        text = "more than eight hours: tired riders fall. Take two days, or fewer setups."
        said["Too long?"] = text
    return said


def _changes_text(changes: dict) -> str:
    """How often parts are changed between runs."""
    found = (f"{count_of(count, 'change')} of {kind}" for kind, count in changes.items() if count)
    return listing(found) or "nothing to change"


def closed_words(start: day_plan.PlanStart, closed: dict, *, left_out: bool) -> Prose:
    """Why setups are not to be ridden again: a warning if they are planned all the same.

    Parameters
    ----------
    start : PlanStart
    closed : dict of str to Combination
    left_out : bool
    """
    gates = {spaced(name): gate_sentence(start.results, one) for name, one in closed.items()}
    reasons = "; ".join(f"{name}: {gate}" for name, gate in gates.items())
    if left_out:
        return Prose((("Left out", f"{reasons}."),))
    return Prose((("Not to be ridden as it is", f"{reasons}."),), style="caution")


def _blocks(order: RunOrder) -> Table:
    """Runs in a row of one setup, as the rows of a table."""
    rows, first = [], 0
    for place in range(1, len(order.setups) + 1):
        if place == len(order.setups) or order.setups[place] != order.setups[first]:
            riders = ", ".join(rider for rider in order.riders[first:place] if rider)
            number = str(first + 1) if place == first + 1 else f"{first + 1} to {place}"
            rows.append((number, spaced(order.setups[first]), riders))
            first = place
    return Table("Order of the runs", ("Runs", "Setup", "Riders"), tuple(rows))


def write_sheet(day: day_plan.Day, start: day_plan.PlanStart, path: Path | str) -> Prose:
    """Write the run sheet; an earlier, different one is kept under another name.

    Parameters
    ----------
    day : Day
    start : PlanStart
    path : path
    """
    items = _written(path, run_sheet(day.order, _heading(day, start)), "in a browser and print it")
    if len(day.order.setups) > ROWS_ON_A_PAGE:
        items.append(("Pages", f"more than {ROWS_ON_A_PAGE} runs take a second page."))
    return Prose(tuple(items))


def write_phone_page(
    day: day_plan.Day, start: day_plan.PlanStart, session_folder: Path | str
) -> Prose:
    """Write the page for the roadside; an earlier, different one is kept under another name.

    Parameters
    ----------
    day : Day
    start : PlanStart
    session_folder : path
        Whose runs.csv gives the columns, and the rows that come first in what the page saves.
    """
    sheet = open_sheet(session_folder)
    names = tuple(dict.fromkeys([*sheet.setups, *day.order.setups]))
    ends = {name: day_plan.ended_with(name, names, start.richness, start.results) for name in names}
    gauge = what_stands(session_folder).gauge
    closed = {name: gate_sentence(start.results, one) for name, one in start.closed.items()}
    said = {"ends": ends, "closed": closed, "gauge": gauge, "so_far": _so_far(day, start)}
    page = roadside_page(day.order, _heading(day, start), sheet, **said)
    path = Path(session_folder) / PHONE_PAGE
    return Prose((*_written(path, page, "on the phone, in its browser"), *ON_THE_PHONE.items()))


def _so_far(day, start) -> Prose | None:
    """What the rows that stand in the file say already."""
    if start.results is None:
        return None
    found = day_plan.interim(start.results, start.results.runs[-1].run, planned=day.repeats)
    return interim_sentences(start.results, found, start.system)


def write_checklists(start: day_plan.PlanStart, session_folder: Path | str) -> Prose:
    """Write what to look at before, after, months later, and when all is undone.

    Parameters
    ----------
    start : PlanStart
    session_folder : path
    """
    path = Path(session_folder) / CHECKLISTS
    return Prose(tuple(_written(path, checklists(start.title), "in a browser and print it")))


def _heading(day: day_plan.Day, start: day_plan.PlanStart) -> Heading:
    fuels = {name: start.fuels[name] for name in day.order.setups if name in start.fuels}
    return Heading(start.title, start.system, fuels, start.limits, day.first_pass, start.watched)


def _written(path, page: str, how: str) -> list:
    """Write a page; an earlier, different one is kept. Returns what to say of it."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    kept = write_together({path: page}, keep=True)
    shown = printable(str(path.absolute()))
    return [
        ("Written", f"{shown}; open it {how}."),
        *(("Kept", f"the earlier one is {earlier.name}.") for earlier in kept),
    ]


def names_in(text: str) -> tuple:
    """Names typed with commas between them, each once."""
    return tuple(dict.fromkeys(name.strip() for name in text.split(",") if name.strip()))
