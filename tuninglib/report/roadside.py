"""The page for the roadside: the runs of a planned day to fill in on a phone, without a network.

It keeps every field on the phone, checks it as ``tuninglib check`` does, says when to stop, and
gives back runs.csv: the file as it was, with the new rows below. Its script holds mechanism only;
what it says, and at which limit, comes with the page as data, from where the program has it.
"""

import hashlib
import json
from contextlib import suppress

from tuninglib import units
from tuninglib.analysis.combinations import SLACK
from tuninglib.analysis.day_plan import FAR_SPEED, OTHERS_TO_COMPARE, far_from
from tuninglib.report import run_sheet
from tuninglib.report.heat import heard_sentence
from tuninglib.report.page_parts import Prose, asset, policy_of, render, spaced, spaced_list
from tuninglib.report.run_sheet import AFTER, BEFORE, Heading
from tuninglib.report.verdict import SAID_OF_STOPS, STILL_TO_RIDE
from tuninglib.session import cross_checks, read_table
from tuninglib.session.edit import DECIMAL_SIGN, TAKEN, Sheet
from tuninglib.session.read_table import RUNS
from tuninglib.session.schema import Gauge
from tuninglib.session.tables import WRITTEN_TWICE
from tuninglib.statistics.planning import RunOrder
from tuninglib.text_files import COMMENT, LONGEST_SHOWN, read_text

_NUMBERS = ("quantity", "number", "range")
# What a card shows first; the others are behind a fold, as they were planned or stay as they are.
_BEHIND = ("run", "setup", "rider", "state")
# What a run most likely has as the one before it had: it is filled in, and says so.
_CARRIED = ("entry_speed",)
# Where the clock for cooling starts, in minutes: what counts is the head's temperature (ours).
_COOL_MIN = 5
# A range has two boxes here.
_RANGE_HELP = (
    "the steady range after two or three seconds of full throttle; one number if it stood still"
)
# A chosen file that is larger holds something else. [bytes]
_LARGEST_FILE = 5_000_000
# A number with more zeros behind its point is printed by Python with its power of ten.
_ZEROS = 4
# How it comes onto a phone.
ON_THE_PHONE = {
    "1": "send it to the phone by mail or cable, and save it there, among its files.",
    "2": "open it from there with a browser, once before you leave: it needs no network. A preview "
    "without buttons is no browser.",
    "3": f"at home put the {RUNS} that it saves into the outing's folder in place of the old one.",
}
# Every sentence of the page's script, with slots as of :meth:`str.format`; below, its own.
_SAYS = {
    **units.SAID_OF_NUMBERS,
    **read_table.SAID_OF_CELLS,
    **cross_checks.SAID_OF_ROWS,
    **SAID_OF_STOPS,
    "written twice": WRITTEN_TWICE,
    "taken": TAKEN,
    "elsewhere": "another row",
    "stop": "Stop: {why}",
    "from to": "{low} to {high}",
    "run": "Run {run}",
    "gauge": "gauge {reading}",
    "knocked": "knock {knock}",
    "left out": "left out: {exclude}",
    "to fix": "\u26a0 to fix",
    "ended by": "ended by run {run}",
    "ended": "Do not ride this: run {run} ended {setup}.",
    "ruled out": "Do not ride this: {setup} is ruled out: {reason}.",
    "start": "Start with {setup}{fuel}",
    "change": "Change to {setup}{fuel}; warm up, and check again from the top",
    "fuel": ", fuel: {fuel}",
    "kept": "{count} of {all} runs filled in; kept on this phone at every key.",
    "not kept": "This browser keeps nothing: save the file after each run, before you close this "
    "page.",
    "handed": "Handed to this phone's downloads with {count} new rows.",
    "still wrong": " Still to fix: run {runs}.",
    "taken in": "{count} runs taken from {whence}.",
    "differs": " Run {runs} differs there; what is here was kept.",
    "too large": "{name} is too large for a day's runs.",
    "other columns": "{name} has other columns than this page ({headers}).",
    "stopped": "\u26a0 stop",
    "ask": "? look again",
    "halt": "Stop",
    "go": "Go on",
    "done": "Ridden",
    "as before": "as on run {run}; change if it was another",
    "far": "{cell} is far from the {middle:g} of the other runs: misread, or in another unit?",
    "go on": f"Go on: {STILL_TO_RIDE} Only the form can say what these rows mean for setups not "
    "ridden yet: watch the gauge.",
    "to ride": "{setup} {runs}",
    "ridden": "Ridden as planned. The report at home says whether it is decided.",
    "nothing left": "Nothing left on the plan may be ridden. Take the file home.",
    "cooling": "Cooling: {left}",
    "cooled": "Cooled for {minutes} min: is the head as cool as before the other runs?",
    "cool": "Cool down: {minutes} min",
    "take over": "Take over {count} runs from an earlier page of this outing",
    "earlier": "the earlier page",
}


def roadside_page(
    order: RunOrder,
    heading: Heading,
    sheet: Sheet,
    *,
    ends: dict,
    closed: dict,
    gauge: Gauge | None,
    so_far: Prose | None = None,
) -> str:
    """One HTML page that loads nothing, with a card for each planned run.

    Parameters
    ----------
    order : tuninglib.statistics.planning.RunOrder
    heading : tuninglib.report.run_sheet.Heading
    sheet : tuninglib.session.edit.Sheet
        runs.csv as it stands: its columns are the fields, its rows come first in what is saved.
    ends : dict of str to dict
        For each setup, those that end with it, by ``"knock"`` and ``"lean"``.
    closed : dict of str to str
        Setups that must not be ridden at all, each with the reason.
    gauge : tuninglib.session.schema.Gauge or None
        None while session.toml does not say it.
    so_far : Prose, optional
        What the rows of runs.csv say until now.

    Returns
    -------
    str
    """
    script = asset("report/page/roadside.js")
    data = _data(order, heading, sheet, gauge) | {
        "ends": {
            name: {
                why: {"setups": list(names), "names": spaced_list(names)}
                for why, names in found.items()
            }
            for name, found in ends.items()
        },
        "closed": closed,
    }
    page = render(
        "report/page/roadside.html.j2",
        policy=policy_of(script),
        style=asset("report/page/roadside.css"),
        script=script,
        title=heading.title,
        stop_heading=run_sheet.END,
        stop=run_sheet.end_the_run(heading.limits, heading.system),
        whose=run_sheet.whose_limits(heading.limits),
        brief=run_sheet.stop_in_brief(heading.limits, heading.system),
        so_far=so_far.lines() if so_far else [],
        habits=(*run_sheet.HABITS, run_sheet.KNOCK_ENDS),
        order=run_sheet.first_pass_text(heading.first_pass)
        + f" {run_sheet.watched_text(heading.watched)}".rstrip(),
        before=BEFORE,
        after=AFTER,
        rows=len(sheet.table.rows),
        file=RUNS,
        fields=[_field(sheet, key) for key in sheet.keys if key],
        behind=_BEHIND,
        data=data | {"id": hashlib.sha256(json.dumps(data).encode()).hexdigest()[:16]},
    )
    return f"{page}\n"


def _field(sheet: Sheet, key: str) -> dict:
    """How one column is shown and checked; its limits are in SI, as text in the header's unit."""
    column = read_table.columns_of_runs(sheet.riders)[key]
    unit = sheet.units.get(key, "")
    names = {"setup": sheet.setups, "rider": sheet.riders}.get(key)
    choices = [(spaced(name), name) for name in names or ()]
    if column.kind == "choice":
        choices = column.options
    field = {
        "key": key,
        "label": spaced(key),
        "kind": column.kind if names != () else "text",
        "numeric": column.kind in _NUMBERS,
        "unit": units.sign_of(unit),
        "help": _RANGE_HELP if column.kind == "range" else column.help,
        "required": column.required,
        "whole": column.whole,
        "choices": choices,
        "synonyms": column.synonyms,
        "names": [name for _, name in choices if name],
        "known": ", ".join(map(repr, column.choices)),
        "own": key in read_table.OF_ONE_RUN,
        "carried": key in _CARRIED,
        "compared": key in read_table.SPEED_COLUMNS,
        "stays": key not in (*read_table.OF_ONE_RUN, *_BEHIND),
    }
    if column.kind in _NUMBERS:
        factor, offset = 1.0, 0.0
        if column.kind == "quantity":
            factor, offset = units.line_between(unit, column.unit)
        field |= {"factor": factor, "offset": offset, "least": column.low, "most": column.high}
        field |= read_table.limits_shown(column, unit) | {"of_two": column.of_two}
        field["in_unit"] = field["in_unit"].replace(unit, field["unit"]) if unit else ""
    return field


def _data(order, heading, sheet, gauge) -> dict:
    """What the page's script needs to know."""
    limits = heading.limits
    full = read_table.COLUMNS["state"].choices[0]
    at = sheet.keys.index("run") if "run" in sheet.keys else None
    return {
        "title": heading.title,
        "file": RUNS,
        "text": read_text(sheet.folder / RUNS),
        "keys": list(sheet.keys),
        "headers": list(sheet.table.headers),
        "delimiter": sheet.table.delimiter,
        "decimal_comma": sheet.table.decimal_comma,
        "taken": [] if at is None else [row[at] for row in sheet.table.rows],
        "next_run": int(sheet.next_run),
        "fields": [_field(sheet, key) for key in sheet.keys if key],
        "planned": [
            {"setup": setup, "rider": rider}
            for setup, rider in zip(order.setups, order.riders, strict=True)
        ],
        "fresh": {"state": full} if "state" in sheet.keys else {},
        "full": full,
        "fuels": heading.fuels,
        "gauge": {
            "prints": {
                "low": (gauge.lowest if gauge else None) or 0.0,
                "high": gauge.highest if gauge else None,
            },
            "mixture": {
                "scale": gauge.scale if gauge else None,
                "low": cross_checks.LOWEST_LAMBDA,
                "high": cross_checks.HIGHEST_LAMBDA,
            },
        },
        "limits": {
            "leanest": None if limits.reading is None else limits.reading + SLACK,
            "edge": run_sheet.edge_text(limits),
            "hottest_k": limits.hottest_k + SLACK,
            "limit": run_sheet.whose_hottest(limits, heading.system),
        },
        "wind": {
            "share": cross_checks.SHARE_OF_WIND,
            "factor": units.to_display(1.0, "speed", heading.system),
            "unit": units.unit_label("speed", heading.system),
        },
        "pairs": [
            [(key, cross_checks.lacking_said(key)) for key in pair]
            for pair in cross_checks.PAIRS
            if {*pair} <= {*sheet.keys}
        ],
        "heard": {level: heard_sentence(level, "{run}") for level in read_table.LOUD},
        "no_reason": sorted(read_table.NO_REASON),
        "far": {"factor": FAR_SPEED, "fewest": OTHERS_TO_COMPARE, "known": _speeds_of(sheet)},
        "cool": {"minutes": _COOL_MIN, "second_ms": 1000, "minute_s": 60},
        "patterns": {
            "number": units.NUMBER,
            "with_thousands": read_table.WITH_THOUSANDS,
            "decimal_sign": DECIMAL_SIGN,
            "from_to": read_table.FROM_TO,
            "no_reading": read_table.NO_READING,
            "marked": units.MARKED,
            "grouped": units.GROUPED,
            "comma": units.COMMA,
            "roughly": units.ROUGHLY,
            "comment": COMMENT.pattern,
        },
        "beside": units.BESIDE_A_NUMBER,
        "longest": {
            "number": units.LONGEST,
            "beginning": units.BEGINNING,
            "shown": LONGEST_SHOWN,
            "zeros": _ZEROS,
        },
        "largest_file": _LARGEST_FILE,
        "says": _SAYS,
    }


def _speeds_of(sheet) -> dict:
    """Speeds of the file's rows that count, by column, as typed; without those that are far off."""
    found: dict = {}
    for row in sheet.table.rows:
        cells = dict(zip(sheet.keys, row, strict=True))
        if cells.get("exclude", "").strip().lower() not in ("", *read_table.NO_REASON):
            continue
        for key in filter(read_table.SPEED_COLUMNS.__contains__, sheet.keys):
            with suppress(ValueError):
                found.setdefault(key, []).append(float(cells[key].replace(",", ".")))
    return {
        key: [one for one in speeds if far_from(one, speeds) is None]
        for key, speeds in found.items()
    }
