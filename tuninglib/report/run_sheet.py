"""What to print for the day: the run sheet, when to end a run, and checklists.

When to end a run at once, and how to read the gauge, is said here once, for plan, run sheet and
form. The sheet has the cautions first and room to write; the lists are for before the ride, after
it, months later, and when all is undone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from tuninglib import units
from tuninglib.analysis.combinations import StopLimits
from tuninglib.analysis.day_plan import FirstPass
from tuninglib.report.page_parts import POLICY, Prose, asset, plain, render, spaced, spaced_list
from tuninglib.rounding import decimals_of_step, fixed
from tuninglib.statistics.planning import RunOrder

# When to end a run --------------------------------------------------------------------------------

END = "Close the throttle and end the run"
# The usual limit of a head by system of units, rounded as riders say it.
USUAL_HOTTEST = {"metric": "230 °C", "us": "445 °F", "imperial": "230 °C"}


def edge_text(limits: StopLimits) -> str:
    """Lean edge of the band as the gauge shows it and as lambda; empty if it is not known.

    Parameters
    ----------
    limits : tuninglib.analysis.combinations.StopLimits
    """
    if limits.band is None:
        return ""
    lambda_ = f"lambda {fixed(limits.band.highest, 2)}"
    if limits.reading is None:
        return lambda_
    shown = fixed(limits.reading, decimals_of_step(limits.resolution))
    return lambda_ if shown == lambda_.split()[1] else f"{shown} on this gauge ({lambda_})"


def hottest_text(limits: StopLimits, system: str) -> str:
    """Head temperature above which a run is ended.

    Parameters
    ----------
    limits : tuninglib.analysis.combinations.StopLimits
    system : str
    """
    if limits.hottest_is_stated:
        return plain(limits.hottest_k, "temperature", system)
    return f"about {USUAL_HOTTEST[system]} at the spark plug"


def whose_hottest(limits: StopLimits, system: str) -> str:
    """Head temperature above which a run is ended, and whose limit that is.

    Parameters
    ----------
    limits : tuninglib.analysis.combinations.StopLimits
    system : str
    """
    whose = "your limit" if limits.hottest_is_stated else "the usual limit"
    return f"{whose} of {hottest_text(limits, system)}"


def end_the_run(limits: StopLimits, system: str) -> tuple:
    """What ends a run at once: one sentence for each sign.

    Parameters
    ----------
    limits : tuninglib.analysis.combinations.StopLimits
    system : str
    """
    edge = edge_text(limits) or "your target band"
    coolant = ", or the coolant hotter than usual" if limits.liquid else ""
    return (
        "At the first rattle or ping. Do not ride that setup again, nor any leaner one.",
        f"When you read leaner than {edge} after two seconds of full throttle.",
        f"When the head is hotter than {hottest_text(limits, system)}{coolant}.",
        "When anything smells, leaks, slips or feels loose.",
    )


def stop_in_brief(limits: StopLimits, system: str) -> str:
    """The same in one line, for beside a clock.

    Parameters
    ----------
    limits : tuninglib.analysis.combinations.StopLimits
    system : str
    """
    edge = edge_text(limits).partition(" (")[0] or "your target band"
    hottest = hottest_text(limits, system).partition(" at the ")[0]
    coolant = ", or the coolant above its usual" if limits.liquid else ""
    return (
        f"End the run: at the first rattle; leaner than {edge}; head above {hottest}{coolant}; "
        "anything that smells, leaks, slips or feels loose."
    )


def whose_limits(limits: StopLimits) -> str:
    """Where the limits come from.

    Parameters
    ----------
    limits : tuninglib.analysis.combinations.StopLimits
    """
    found = []
    if limits.band is not None:
        found.append("lambda is the lean edge of your target band")
        if limits.band.moved:
            found[-1] += (
                f", moved from {fixed(limits.band.stated_highest, 2)} to the rich side for minutes "
                "of full load on an air-cooled engine (see [use])"
            )
        if limits.reading is None:
            found.append("look up what your gauge shows there, since session.toml does not say")
    whose = "yours" if limits.hottest_is_stated else "a rule of thumb, as you state none"
    text = "; ".join([*found, f"the head's limit is {whose}"])
    return f"{text[0].upper()}{text[1:]}."


HABITS = (
    "Write down the gauge's steady range after two or three seconds of full throttle, not the "
    "extremes of the whole run.",
    "Before each run let the engine cool to the same head temperature.",
    "A phone inside the jacket may record the sound: start it standing, hold a steady speed for "
    "the last eight seconds before the line, stop it standing.",
)
KNOCK_ENDS = (
    "Ride a leaner setup only after the richer one stayed quiet. A setup that knocks ends all "
    "leaner ones: strike them out."
)


def box(limits: StopLimits, system: str) -> Prose:
    """The rules for the panels, as a caution box.

    Parameters
    ----------
    limits : tuninglib.analysis.combinations.StopLimits
    system : str
    """
    items = [(END, "")]
    items += [("", sentence) for sentence in end_the_run(limits, system)]
    items.append(("Limits", whose_limits(limits)))
    items += [("On every run", " ".join(HABITS)), ("From rich to lean", KNOCK_ENDS)]
    return Prose(tuple(items), style="caution")


def first_pass_text(first_pass: FirstPass) -> str:
    """Why the setups of a planned day come in their order.

    Parameters
    ----------
    first_pass : tuninglib.analysis.day_plan.FirstPass
    """
    if first_pass.source == "given":
        return "As you named them; check that the richest comes first."
    reference = "The reference, as its mixture is known; then from" * first_pass.reference_first
    return f"{reference or 'From'} rich to lean on each engine."


def why_first(first_pass: FirstPass) -> str:
    """What the order rests on.

    Parameters
    ----------
    first_pass : tuninglib.analysis.day_plan.FirstPass
    """
    return {
        "gauge": "Which is richer follows from what the gauge showed.",
        "flow": "Which is richer follows from injector flow and fuel, as not all were read yet.",
        "given": (
            "Which is richer is not known here: session.toml does not say engine, injector flow "
            f"and fuel of {spaced_list(first_pass.unknown)}."
        ),
    }[first_pass.source]


# The run sheet ------------------------------------------------------------------------------------

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
    "Fuel cans are closed and out of the sun; what was spilt is wiped up.",
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
    watched : tuple of str
        Setups that may be tested with an eye on the gauge, but are not to be ridden.
    """

    title: str
    system: str
    fuels: dict
    limits: StopLimits
    first_pass: FirstPass
    watched: tuple[str, ...] = ()


def watched_text(watched: Sequence[str]) -> str:
    """That a test of a setup is no ride with it; empty where there is none.

    Parameters
    ----------
    watched : sequence of str
    """
    if not watched:
        return ""
    names = spaced_list(watched)
    return f"May run lean, so only for tests with an eye on the gauge, not for riding: {names}."


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
    speed, temperature, pressure = (
        units.unit_label(kind, heading.system) for kind in ("speed", "temperature", "pressure")
    )
    columns = (
        "run",
        "setup",
        "rider",
        f"entry speed [{speed}]",
        f"exit speed [{speed}]",
        "gauge low",
        "gauge high",
        f"air [{temperature}]",
        "knock: none light heavy",
        f"head [{temperature}]",
        "note, or why it does not count",
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
    watched = watched_text([one for one in heading.watched if one in order.setups])
    page = render(
        "report/page/run_sheet.html.j2",
        policy=POLICY,
        style=asset("report/page/run_sheet.css"),
        # As high as the page allows: somebody writes here with cold hands.
        row_height=f"{min(8.5, max(5.2, 125 / len(order.setups))):.1f}mm",
        title=heading.title,
        before=BEFORE,
        stop_heading=END,
        stop=end_the_run(heading.limits, heading.system),
        habits=HABITS,
        order=" ".join(filter(None, (first_pass_text(heading.first_pass), KNOCK_ENDS, watched))),
        after=AFTER,
        blanks=blanks,
        columns=columns,
        rows=[
            (spaced(setup), spaced(rider), change)
            for setup, rider, change in zip(order.setups, order.riders, changes, strict=True)
        ],
        fuels=[(spaced(setup), fuel) for setup, fuel in heading.fuels.items()],
    )
    return f"{page}\n"


# Checklists ---------------------------------------------------------------------------------------

# Common practice, from memory; the maker's manual goes first.
LISTS = {
    "Once, after the engine was opened": (
        "Run in as the maker of the parts says, before any full throttle; about ten heat cycles "
        "are common practice.",
        "After the first heat cycles, cold: head and cylinder fasteners at the maker's torque, in "
        "the maker's order.",
        "Valve clearance, cold, after the first hundred kilometres or sixty miles.",
        "Oil and filter changed after running in; the oil looked at for metal.",
        "Compression, or a leak-down, written down for later.",
    ),
    "Before the ride": BEFORE,
    "The gauge": (
        "The gauge is warmed up, and was calibrated in free air if it can be: sensor out of the "
        "pipe, engine off, no exhaust about.",
        "Its sensor sits upstream of any leak, its tip down, where no water runs into it; no "
        "gasket or joint ahead of it leaks.",
        "Battery above 12.4 V at rest, about 14 V with the engine running: injectors open later at "
        "less.",
        "Wires and hoses are tied off hot and turning parts, and leave the steering free.",
    ),
    "So that runs can be compared": (
        "The same gear, the same posture, the same clothes, the same tyre pressures on every run.",
        "The fuel in the tank is known and the setup's own; the level is about the same.",
    ),
    "Before the ride home": AFTER,
    "At home, the engine cold": (
        "Plug: dry, light brown to grey; no specks of aluminium, no melted edge, which are signs "
        "of knock.",
        "Piston crown through the plug's hole: no pitted or bright edge.",
    ),
    "Months later": (
        "Valve clearance, and the compression against what was written down.",
        "Fuel line and connector: dry, no crack, clip on.",
        "Exhaust joints and the sensor's plug: no soot beside them.",
        "Chain, sprockets and clutch: more pull wears them sooner.",
        "The gauge put on once more for one run: mixture as it was?",
    ),
    "Undoing it all": (
        "The engine is cold, the fuel line without pressure, the battery's minus off.",
        "The maker's injector, cylinder and mapping back, with new gaskets and sealing rings.",
        "The fuel of the changed setup out of the tank, if the maker does not allow it.",
        "What the ECU has learned is cleared, if it can be: else the ECU corrects for parts that "
        "are gone.",
        "Idle, a leak check and a short ride with the gauge: lambda as before the change.",
        "Insurer and registration are informed, if they were informed of the change.",
    ),
}


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
        lists=LISTS.items(),
    )
    return f"{page}\n"
