"""The run sheet: one page to print, with the cautions first and room to write."""

from dataclasses import dataclass
from itertools import pairwise

from tuninglib import units
from tuninglib.analysis.ride_order import FirstPass
from tuninglib.analysis.stop_limits import StopLimits
from tuninglib.report import stop_rules
from tuninglib.report.page import POLICY
from tuninglib.report.templates import asset, render
from tuninglib.statistics.planning import RunOrder

BEFORE = (
    "The road is closed or quiet, and what we do on it is within the law and its limits.",
    "Full protective gear; somebody knows where we are and when we are back; a phone is charged.",
    "Dry, in daylight, run-out behind the marker clear, turning place agreed.",
    "Tyres, brakes, chain, throttle return are in order; every fastener touched is tight.",
    "The fuel in the tank is the setup's own, and within what the maker allows; no line weeps.",
    "Fuel is handled outdoors, away from flames and hot parts; no engine runs in a closed room.",
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
    limits : StopLimits
        At which a run is ended.
    first_pass : FirstPass
        Why the setups come in their order.
    """

    title: str
    system: str
    fuels: dict
    limits: StopLimits
    first_pass: FirstPass


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
    blanks = (
        "date",
        "hill",
        f"air pressure [{pressure}]",
        "humidity [%]",
        f"wind along the hill [{speed}]",
        "tyre pressures",
    )
    changes = [True, *(a != b for a, b in pairwise(order.setups))]
    page = render(
        "report/page/run_sheet.html.j2",
        policy=POLICY,
        style=asset("report/page/run_sheet.css"),
        # As high as the page allows: somebody writes here with cold hands.
        row_height=f"{min(8.5, max(5.2, 125 / len(order.setups))):.1f}mm",
        title=heading.title,
        before=BEFORE,
        stop_heading=stop_rules.END,
        stop=stop_rules.end_the_run(heading.limits, heading.system),
        habits=stop_rules.HABITS,
        order=f"{stop_rules.first_pass_text(heading.first_pass)} {stop_rules.KNOCK_ENDS}",
        after=AFTER,
        blanks=blanks,
        columns=columns,
        rows=[
            (setup.replace("_", " "), rider.replace("_", " "), change)
            for setup, rider, change in zip(order.setups, order.riders, changes, strict=True)
        ],
        fuels=[(setup.replace("_", " "), fuel) for setup, fuel in heading.fuels.items()],
    )
    return f"{page}\n"
