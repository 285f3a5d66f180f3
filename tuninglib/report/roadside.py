"""The page for the roadside: the runs of a planned day to fill in on a phone, without a network.

It keeps every field on the phone, checks it as ``tuninglib check`` does, says when to stop, and
gives back runs.csv: the file as it was, with the new rows below.
"""

import hashlib
import json

from tuninglib import units
from tuninglib.report import run_sheet
from tuninglib.report.page import policy_of
from tuninglib.report.page_parts import asset, render
from tuninglib.report.run_sheet import AFTER, BEFORE, Heading
from tuninglib.session.cross_checks import HIGHEST_LAMBDA, LOWEST_LAMBDA, SHARE_OF_WIND
from tuninglib.session.edit import Sheet
from tuninglib.session.read_table import COLUMNS, NO_REASON, OF_ONE_RUN
from tuninglib.session.tables import RUNS
from tuninglib.statistics.planning import RunOrder
from tuninglib.text_files import read_text

_NUMBERS = ("quantity", "number", "range")
# What a card shows first; the others are behind a fold, as they were planned or stay as they are.
_BEHIND = ("run", "setup", "rider", "state")


def roadside_page(
    order: RunOrder, heading: Heading, sheet: Sheet, *, ends: dict, closed: dict, gauge
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
    gauge : tuninglib.session.machine.Gauge or None
        None while session.toml does not say it.

    Returns
    -------
    str
    """
    script = asset("report/page/roadside.js")
    data = _data(order, heading, sheet, gauge) | {"ends": ends, "closed": closed}
    page = render(
        "report/page/roadside.html.j2",
        policy=policy_of(script),
        style=asset("report/page/roadside.css"),
        script=script,
        title=heading.title,
        stop_heading=run_sheet.END,
        stop=run_sheet.end_the_run(heading.limits, heading.system),
        whose=run_sheet.whose_limits(heading.limits),
        habits=(*run_sheet.HABITS, run_sheet.KNOCK_ENDS),
        order=run_sheet.first_pass_text(heading.first_pass),
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
    """How one column is shown and checked; its limits are in the unit of the header."""
    column = COLUMNS[key]
    unit = sheet.units.get(key, "")
    names = {"setup": sheet.setups, "rider": sheet.riders}.get(key)
    choices = [(name.replace("_", " "), name) for name in names or ()]
    if column.kind == "choice":
        choices = column.options
    field = {
        "key": key,
        "label": key.replace("_", " "),
        "kind": column.kind if names != () else "text",
        "unit": unit,
        "help": column.help,
        "required": column.required,
        "whole": column.whole,
        "choices": choices,
        "synonyms": column.synonyms,
        "names": [name for _, name in choices if name],
        "own": key in OF_ONE_RUN,
    }
    if column.kind in _NUMBERS:
        low, high = column.low, column.high
        if column.kind == "quantity":
            low, high = (units.convert(limit, column.unit, unit) for limit in (low, high))
            zero, one = (units.convert(number, unit, column.unit) for number in (0.0, 1.0))
            field |= {"si_offset": zero, "si_factor": one - zero}
        field |= {"low": low, "high": high, "low_text": f"{low:.4g}", "high_text": f"{high:.4g}"}
    return field


def _data(order, heading, sheet, gauge) -> dict:
    """What the page's script needs to know."""
    limits = heading.limits
    return {
        "title": heading.title,
        "file": RUNS,
        "text": read_text(sheet.folder / RUNS),
        "keys": list(sheet.keys),
        "headers": list(sheet.table.headers),
        "delimiter": sheet.table.delimiter,
        "decimal_comma": sheet.table.decimal_comma,
        "next_run": int(sheet.next_run),
        "fields": [_field(sheet, key) for key in sheet.keys if key],
        "planned": [
            {"setup": setup, "rider": rider}
            for setup, rider in zip(order.setups, order.riders, strict=True)
        ],
        "fuels": heading.fuels,
        "gauge": {
            "scale": gauge.scale if gauge else None,
            "lowest": (gauge.lowest if gauge else None) or 0.0,
            "highest": gauge.highest if gauge else None,
            "lowest_lambda": LOWEST_LAMBDA,
            "highest_lambda": HIGHEST_LAMBDA,
        },
        "limits": {
            "reading": limits.reading,
            "edge": run_sheet.edge_text(limits),
            "hottest_k": limits.hottest_k,
            "hottest": run_sheet.hottest_text(limits, heading.system),
            "whose_hottest": "your limit of" if limits.hottest_is_stated else "the usual limit of",
        },
        "wind": {
            "share": SHARE_OF_WIND,
            "per_m_s": units.to_display(1.0, "speed", heading.system),
            "label": units.unit_label("speed", heading.system),
        },
        "no_reason": sorted(NO_REASON),
    }
