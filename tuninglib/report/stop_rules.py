"""When to end a test run at once, and how to read it: said here, for plan, run sheet and form."""

from tuninglib.report.cells import plain, spaced_list
from tuninglib.report.display import Prose
from tuninglib.rounding import decimals_of_step, fixed

END = "Close the throttle and end the run"
# Rounded as riders say it.
_USUAL_HOTTEST = {"metric": "230 °C", "us": "445 °F", "imperial": "230 °C"}


def edge_text(limits) -> str:
    """Lean edge of the band as the gauge shows it and as lambda; empty if it is not known.

    Parameters
    ----------
    limits : tuninglib.analysis.stop_limits.StopLimits
    """
    if limits.band is None:
        return ""
    lambda_ = f"lambda {fixed(limits.band.highest, 2)}"
    if limits.reading is None:
        return lambda_
    shown = fixed(limits.reading, decimals_of_step(limits.resolution))
    return lambda_ if shown == lambda_.split()[1] else f"{shown} on this gauge ({lambda_})"


def hottest_text(limits, system: str) -> str:
    """Head temperature above which a run is ended.

    Parameters
    ----------
    limits : tuninglib.analysis.stop_limits.StopLimits
    system : str
    """
    if limits.hottest_is_stated:
        return plain(limits.hottest_k, "temperature", system)
    return f"about {usual_hottest(system)} at the spark plug"


def usual_hottest(system: str) -> str:
    """The usual limit of a head, as riders say it.

    Parameters
    ----------
    system : str
    """
    return _USUAL_HOTTEST[system]


def end_the_run(limits, system: str) -> tuple:
    """What ends a run at once: one sentence for each sign.

    Parameters
    ----------
    limits : tuninglib.analysis.stop_limits.StopLimits
    system : str
    """
    edge = edge_text(limits) or "your target band"
    coolant = ", or the coolant hotter than usual" if limits.liquid else ""
    return (
        "At the first rattle or ping. Ride that setup no more, nor any leaner one.",
        f"When you read leaner than {edge} after two seconds of full throttle.",
        f"When the head is hotter than {hottest_text(limits, system)}{coolant}.",
        "When anything smells, leaks, slips or feels loose.",
    )


def whose_limits(limits) -> str:
    """Where the limits come from.

    Parameters
    ----------
    limits : tuninglib.analysis.stop_limits.StopLimits
    """
    found = []
    if limits.band is not None:
        found.append("lambda is the lean edge of your target band")
        if limits.band.moved:
            found[-1] += (
                f", brought from {fixed(limits.band.stated_highest, 2)} to the rich side because "
                "of minutes of full load on an air-cooled engine (see [use])"
            )
        if limits.reading is None:
            found.append("look up what your gauge shows there, session.toml does not say")
    found.append(
        "the head's limit is yours"
        if limits.hottest_is_stated
        else "the head's limit is common practice, from memory, as you state none"
    )
    text = "; ".join(found)
    return f"{text[0].upper()}{text[1:]}."


HABITS = (
    "Write down the gauge's steady range after two or three seconds of full throttle, not the "
    "extremes of the whole run.",
    "Before each run let the engine cool to the same head temperature.",
)
KNOCK_ENDS = (
    "Ride a leaner setup only after the richer one stayed quiet. A setup that knocks ends all "
    "leaner ones: strike them out."
)


def box(limits, system: str) -> Prose:
    """The rules for the panels, as a caution box.

    Parameters
    ----------
    limits : tuninglib.analysis.stop_limits.StopLimits
    system : str
    """
    items = [(END, "")]
    items += [("", sentence) for sentence in end_the_run(limits, system)]
    items.append(("Limits", whose_limits(limits)))
    items += [("On every run", " ".join(HABITS)), ("From rich to lean", KNOCK_ENDS)]
    return Prose(tuple(items), style="caution")


def first_pass_text(first_pass) -> str:
    """Why the setups of a planned day come in their order.

    Parameters
    ----------
    first_pass : tuninglib.analysis.ride_order.FirstPass
    """
    if first_pass.source == "given":
        return "As you named them; check that the richest comes first."
    reference = "The reference, as its mixture is known; then from" * first_pass.reference_first
    return f"{reference or 'From'} rich to lean on each engine."


def why_first(first_pass) -> str:
    """What the order rests on.

    Parameters
    ----------
    first_pass : tuninglib.analysis.ride_order.FirstPass
    """
    return {
        "gauge": "Which is richer follows from what the gauge showed.",
        "flow": "Which is richer follows from injector flow and fuel, as not all were read yet.",
        "given": (
            "Which is richer is not known here: session.toml does not say engine, injector flow "
            f"and fuel of {spaced_list(first_pass.unknown)}."
        ),
    }[first_pass.source]
