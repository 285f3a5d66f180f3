"""What to look at before the ride, after it, months later, and when all is undone: to print."""

from tuninglib.report.page import POLICY
from tuninglib.report.run_sheet import AFTER, BEFORE
from tuninglib.report.templates import asset, render

# Common practice, from memory; the maker's manual goes first.
GAUGE = (
    "The gauge is warmed up, and was calibrated in free air if it can be: sensor out of the pipe, "
    "engine off, no exhaust about.",
    "Its sensor sits upstream of any leak, its tip down, where no water runs into it; no gasket or "
    "joint before it leaks.",
    "Battery above 12.4 V at rest, about 14 V with the engine running: injectors open later at "
    "less.",
    "Wires and hoses are tied off hot and turning parts, and leave the steering free.",
)
SAME = (
    "The same gear, the same posture, the same clothes, the same tyre pressures on every run.",
    "The fuel in the tank is known and the setup's own; the level is about the same.",
)
OPENED = (
    "Run in as the maker of the parts says, before any full throttle; some ten heat cycles are "
    "common practice.",
    "After the first heat cycles, cold: head and cylinder fasteners at the maker's torque, in the "
    "maker's order.",
    "Valve clearance, cold, after the first hundred kilometres or sixty miles.",
    "Oil and filter changed after running in; the oil looked at for metal.",
    "Compression, or a leak-down, written down for later.",
)
LOOK = (
    "Plug: dry, light brown to grey; no specks of aluminium, no melted edge, which are knock.",
    "Piston crown through the plug's hole: no pitted or bright edge.",
)
LATER = (
    "Valve clearance, and the compression against what was written down.",
    "Fuel line and connector: dry, no crack, clip on.",
    "Exhaust joints and the sensor's plug: no soot beside them.",
    "Chain, sprockets and clutch: more pull wears them sooner.",
    "The gauge put on once more for one run: mixture as it was?",
)
UNDO = (
    "The engine is cold, the fuel line without pressure, the battery's minus off.",
    "The maker's injector, cylinder, jetting and mapping back, with new gaskets and sealing rings.",
    "The fuel of the changed setup out of the tank, if the maker does not allow it.",
    "What the ECU learnt is cleared, if it can be: else it corrects for parts that are gone.",
    "Idle, a leak check and a short ride with the gauge: lambda as before the change.",
    "Papers and insurance are told, if they were told of the change.",
)
LISTS = (
    ("Once, after the engine was opened", OPENED),
    ("Before the ride", BEFORE),
    ("The gauge", GAUGE),
    ("So that runs can be compared", SAME),
    ("Before the ride home", AFTER),
    ("At home, the engine cold", LOOK),
    ("Months later", LATER),
    ("Undoing it all", UNDO),
)


def checklists(title: str) -> str:
    """All lists as one HTML page to print; it loads nothing.

    Parameters
    ----------
    title : str
        Of the session.
    """
    page = render(
        "report/page/checklists.html.j2",
        policy=POLICY,
        style=asset("report/page/run_sheet.css"),
        title=title,
        lists=LISTS,
    )
    return f"{page}\n"
