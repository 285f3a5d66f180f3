"""Your weight, your hill: the kept setup under another rider, between two bounds."""

from tuninglib import units
from tuninglib.report.cells import NONE, headed, interval_cell, shown, spaced, system_of
from tuninglib.report.display import Prose, Table
from tuninglib.rounding import percent, quantity_text

# Why there is no answer, by the code of :class:`tuninglib.analysis.what_if.Answer`.
REFUSALS = {
    "too far": "too far from what was tested to say",
    "stops": "the bike would stop before the marker, or could",
    "wind": "the wind from behind is faster than the bike",
}


def sentences(results) -> Prose:
    """What the table for another rider shows, and between which bounds."""
    if not results.what_if:
        return Prose((("", "Without a wheel force there is nothing to carry over."),))
    items = [
        (
            "",
            "The same bike under another rider; the table has the same hill and air. How the "
            "engine's pull changes with its speed is not known, so there are two bounds: the same "
            "force at the wheel, and the same power. A bigger rider meets more air, too: half of "
            "the drag area is taken to be the rider's, growing with mass to the power 0.425 (a "
            "rule, not a measurement). "
            f"{_own_ways(results)}",
        )
    ]
    top, system = results.flat_top_speeds, results.session.about.units
    if top is not None and top.at_power is not None:
        items.append(
            (
                "On the flat",
                "without wind the same power would hold "
                f"{quantity_text(top.at_power, 'speed', system)}; the same force "
                f"{quantity_text(top.at_force, 'speed', system)}, if the engine could still pull "
                "it there. Calculated; not a target.",
            )
        )
    return Prose(tuple(items))


def _own_ways(results) -> str:
    """How far another rider may differ, beyond mass."""
    taken = results.session.assumptions
    effect, drag = (percent(one.half_width) for one in (taken.rider_effect, taken.rider_drag))
    return (
        f"Every rider sits and shifts in a way of his own: {effect} of force and {drag} of drag "
        "either way are part of the intervals."
    )


def table(results) -> Table | Prose:
    """Marker speed under another rider, between constant force and constant power."""
    if not results.what_if:
        return Prose(())
    system = system_of(results)
    rows = tuple(
        (
            shown(mass, "mass", system),
            interval_cell(one.at_force, "speed", system) if one.at_force else REFUSALS[one.refusal],
            interval_cell(one.at_power, "speed", system) if one.at_power else NONE,
            _as_shown(one, results.road.speed_factor.value, system),
        )
        for mass, one in ((row.rider_mass_kg, row.answer) for row in results.what_if)
    )
    header = (
        headed("Rider, dressed", "mass", system),
        headed("Marker, same force", "speed", system),
        headed("Marker, same power", "speed", system),
        headed("As shown", "speed", system),
    )
    setup = results.what_if_setup
    start = shown(results.road.equivalent[setup].entry_m_s, "speed", system)
    return Table(
        f"Marker speed of {spaced(setup)} under another rider",
        header,
        rows,
        f"True speeds, from {start} {units.unit_label('speed', system)} at the start line; the "
        "last column is what this bike's speedometer makes of both.",
    )


def _as_shown(answer, factor: float, system: str) -> str:
    """Both answers on the speedometer of the day, as one number where they are the same."""
    if not (answer.at_force and answer.at_power):
        return NONE
    ends = [
        shown(one.value / factor, "speed", system) for one in (answer.at_force, answer.at_power)
    ]
    return " to ".join(dict.fromkeys(sorted(ends, key=float)))
