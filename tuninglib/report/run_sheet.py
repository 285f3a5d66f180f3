"""The run sheet: one page to print, with the cautions first and room to write."""

import html
from dataclasses import dataclass
from itertools import pairwise

from tuninglib import units
from tuninglib.report.make import POLICY
from tuninglib.statistics.planning import RunOrder

BEFORE = (
    "The road is closed or quiet, and what we do on it is within the law and its limits.",
    "Full protective gear; somebody knows where we are and when we are back; a phone is charged.",
    "Dry, in daylight, run-out behind the marker clear, turning place agreed.",
    "Tyres, brakes, chain, throttle return are in order; every fastener touched is tight.",
    "The fuel in the tank is the setup's own, and within what the maker allows; no line weeps.",
    "Fuel is handled outdoors, away from flames and hot parts; no engine runs in a closed room.",
    "On the first knock: close the throttle, stop, and ride that setup no more.",
    "Never leaner to win a marker speed. Who reads the gauge does not steer by it.",
)
AFTER = (
    "Test gear is off: gauge, wires, camera, tape.",
    "The sensor's hole has its plug again; guards and covers are back on.",
    "Every fastener that was touched is tight; no leak of fuel, oil or exhaust.",
    "The fuel in the tank is right for the setup that stays on.",
    "Fuel cans are closed and out of the sun; what was spilt is taken up.",
)
# Room for this many rows to write in on one page of A4 or US Letter.
ROWS_ON_A_PAGE = 24

_STYLE = """
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1rem; max-width: 190mm; background: #fff; color: #000;
  font: 9.2pt/1.28 "Gill Sans", "Noto Sans", "DejaVu Sans", sans-serif; }
h1 { font-size: 13pt; margin: 0 0 1mm; }
h2 { font-size: 10pt; margin: 2mm 0 .8mm; }
p { margin: 0 0 1mm; }
ul { columns: 2; column-gap: 6mm; list-style: none; margin: 0; padding: 0; font-size: 8pt; }
li { break-inside: avoid; padding-left: 4.6mm; text-indent: -4.6mm; margin-bottom: .5mm; }
li::before { content: "☐ "; font-size: 10pt; line-height: 1; }
.before { border: 1.5px solid #000; padding: 1.5mm 3mm; }
.before h2 { margin-top: 0; }
.blanks { display: flex; flex-wrap: wrap; gap: 1mm 5mm; margin: 2mm 0 1.5mm; font-size: 8.5pt; }
.blanks span { flex: 1 0 24mm; border-bottom: 1px solid #000; padding-top: 2mm; }
table { border-collapse: collapse; width: 100%; table-layout: fixed; font-size: 8.5pt; }
th, td { border: .5px solid #777; padding: 0 1mm; height: ROW_HEIGHT; text-align: left;
  overflow: hidden; white-space: nowrap; }
/* A name that is cut short could be another setup's. */
td.name { white-space: normal; overflow-wrap: anywhere; font-size: 7.3pt; line-height: 1; }
thead th { white-space: normal; font-size: 7.5pt; line-height: 1.1; vertical-align: bottom; }
tr.swap td, tr.swap th { border-top: 2.5px solid #000; }
.note { font-size: 8pt; margin-top: 1mm; }
tr { break-inside: avoid; }
@page { margin: 9mm; }
@media print { body { padding: 0; max-width: none; } }
"""


@dataclass(frozen=True)
class Heading:
    """What stands over the sheet.

    Attributes
    ----------
    title : str
    system : str
        System of units in which speeds and temperatures are to be written.
    fuels : dict of str to str
        Setup to what is to be in the tank; may be empty.
    """

    title: str
    system: str
    fuels: dict


def run_sheet(order: RunOrder, heading: Heading) -> str:
    """The sheet as one HTML page that loads nothing.

    Parameters
    ----------
    order : tuninglib.statistics.planning.RunOrder
    heading : Heading

    Returns
    -------
    str
    """
    speed = units.unit_label("speed", heading.system)
    temperature = units.unit_label("temperature", heading.system)
    pressure = units.unit_label("pressure", heading.system)
    columns = (
        ("run", 6),
        ("setup", 30),
        ("rider", 14),
        (f"entry speed [{speed}]", 11),
        (f"exit speed [{speed}]", 11),
        ("gauge low", 11),
        ("gauge high", 11),
        (f"air [{temperature}]", 10),
        ("knock: none light heavy", 12),
        (f"head [{temperature}]", 10),
        ("note, or why it does not count", 28),
    )
    widths = "".join(f'<col style="width:{width}mm">' for _, width in columns)
    head = "".join(f'<th scope="col">{html.escape(name)}</th>' for name, _ in columns)
    changes = [True, *(a != b for a, b in pairwise(order.setups))]
    rows = "\n".join(
        f'<tr{" class=swap" if change and number > 1 else ""}><th scope="row">{number}</th>'
        f"<td class=name>{'<b>▸ ' if change else ''}{_words(setup)}{'</b>' if change else ''}</td>"
        f"<td class=name>{_words(rider)}</td>" + "<td></td>" * (len(columns) - 3) + "</tr>"
        for number, (setup, rider, change) in enumerate(
            zip(order.setups, order.riders, changes, strict=True), start=1
        )
    )
    blanks = (
        "date",
        "hill",
        f"air pressure [{pressure}]",
        "humidity [%]",
        f"wind along the hill [{speed}]",
        "tyre pressures",
    )
    fuels = "; ".join(f"{_words(s)}: {html.escape(f)}" for s, f in heading.fuels.items())
    fuel_note = f" Fuel of each setup: {fuels}." if fuels else ""
    # As high as the page allows: somebody writes here with cold hands.
    height = min(8.5, max(5.6, 135 / len(order.setups)))
    style = _STYLE.replace("ROW_HEIGHT", f"{height:.1f}mm")
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Run sheet: {html.escape(heading.title)}</title>
<style>{style}</style>
</head>
<body>
<h1>Run sheet: {html.escape(heading.title)}</h1>
<section class="before">
<h2>Before the first run, and again after every change of parts</h2>
<ul>
{_items(BEFORE)}
</ul>
</section>
<p class="blanks">{"".join(f"<span>{html.escape(blank)}</span>" for blank in blanks)}</p>
<table>
<colgroup>{widths}</colgroup>
<thead><tr>{head}</tr></thead>
<tbody>
{rows}
</tbody>
</table>
<p class="note">▸ and a thick line: change parts, fuel included, let the engine warm up, check \
again from the top.{fuel_note} The columns are those of runs.csv.</p>
<section>
<h2>Before the ride home</h2>
<ul>
{_items(AFTER)}
</ul>
</section>
<p class="note">Local law, the maker's manual and a licensed mechanic go before this sheet.</p>
</body>
</html>
"""


def _words(name: str) -> str:
    return html.escape(name.replace("_", " "))


def _items(sentences) -> str:
    return "\n".join(f"<li>{html.escape(sentence)}</li>" for sentence in sentences)
