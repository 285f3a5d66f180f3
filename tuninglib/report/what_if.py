"""Of the setup to ride: another rider or hill, its engine speeds, its fuel and its price.

Marker speeds stand between two bounds; fuel use and money in the rider's own way of counting.
"""

from typing import TYPE_CHECKING

from tuninglib import units
from tuninglib.interval import Interval
from tuninglib.report.page_parts import (
    NONE,
    Prose,
    Table,
    headed,
    interval_cell,
    money,
    shown,
    spaced,
    spaced_list,
    system_of,
)
from tuninglib.rounding import fixed, interval_text, percent, quantity_text

if TYPE_CHECKING:
    from tuninglib.analysis.results import Results


# Your weight, your hill ---------------------------------------------------------------------------

# Why there is no answer, by the code of :class:`tuninglib.analysis.what_if.Answer`.
REFUSALS = {
    "too far": "too far from what was tested to say",
    "stops": "the bike would stop before the marker, or could",
    "wind": "the wind from behind is faster than the bike",
}


def sentences(results: "Results") -> Prose:
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


def table(results: "Results") -> Table | Prose:
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


# Engine speeds ------------------------------------------------------------------------------------


def gearing_sentences(results: "Results") -> Prose:
    """What the gearing makes of the setup that is told about.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    found = results.gearing
    if found is None:
        text = "it is not known; [gearing] in session.toml would tell engine speeds and the crank."
        return Prose((("Gearing", text),))
    system = results.session.about.units
    items = [
        (
            spaced(found.setup),
            f"{_rpm(found.entry_rpm)} at the start line, {_rpm(found.exit_rpm)} at the marker "
            f"({fixed(found.ratio, 2)} turns of the crank for one of the wheel).",
        ),
        (
            "At the crank",
            f"{interval_text(found.torque_n_m, 'N·m')} and "
            f"{quantity_text(found.power_w, 'power', system)}, mean over the hill; losses of "
            "gearbox and chain are part of the interval.",
        ),
    ]
    if tyre := results.session.gearing.tyre:
        items.append(("Tyre", f"{tyre}; a measured circumference would be more exact."))
    if found.limit_speed_m_s is not None:
        items.append(("Top speed", _limit(found, system)))
    items.append(("One tooth more in front", _taller(found, system)))
    return Prose(tuple(items), style="points")


def _rpm(interval) -> str:
    return interval_text(interval, "rpm", most_decimals=0)


def _limit(found, system) -> str:
    speed = quantity_text(found.limit_speed_m_s, "speed", system)
    said = {
        "revs": "; on the flat the engine runs out of revs before drag stops it: taller gearing "
        "would be faster there",
        "drag": "; on the flat drag stops it before: shorter gearing would lose nothing there",
        "unclear": "; on the flat that is about where drag stops it, too",
        "": "",
    }[found.limited_by]
    return f"{fixed(found.limit_rpm, 0)} rpm are {speed}{said}."


def _taller(found, system) -> str:
    taller = found.taller
    if taller.marker.at_force is None:
        return f"{taller.front_teeth:g} teeth are too far from what was tested to say."
    pull = (
        "and it still gains speed there"
        if taller.still_speeds_up
        else "and it gains no more speed there: it is at its limit on this hill"
    )
    return (
        f"with {taller.front_teeth:g} teeth and the same torque "
        f"{quantity_text(taller.marker.at_force, 'speed', system)} at the marker, true speed, at "
        f"{_rpm(taller.exit_rpm)}, {pull}."
    )


# Fuel use and money -------------------------------------------------------------------------------

_MILE_M = units.convert(1.0, "mile", "m")


def fuel_use_sentences(results: "Results") -> Prose:
    """What the fills say, against what was to be expected, and what the parts cost.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    items = [
        (spaced(one.setup), _compared(one)) for one in results.fuel_use if one.over is not None
    ]
    if not results.fuel_use:
        items.append(("", "no fill was written down; fills.csv would tell the fuel use."))
    items += _outlay(results)
    if results.fuel_use:
        items.append(
            (
                "Note",
                "from fill to fill the road and the right hand count more than the setup. The ECU "
                "holds lambda 1 where it corrects, so a richer full throttle shows only as far as "
                "full throttle was ridden.",
            )
        )
    return Prose(tuple(items), style="points")


def _compared(one) -> str:
    value, low, high = one.over.value, one.over.low, one.over.high
    more, size = "more", one.over
    if value < 0:
        more, size = "less", Interval(-value, -high, -low)
    share = interval_text(size.scaled(100), "%", least_decimals=0)
    doubt = "; that may be none at all" if low <= 0 <= high else ""
    text = f"{share} {more} fuel than the reference{doubt}."
    if abs(one.expected) < 5e-4:
        return text
    way = "more" if one.expected > 0 else "less"
    return f"{text} Its fuel's energy lets expect {percent(abs(one.expected), 1)} {way}."


def _outlay(results) -> list:
    outlay, session, items = results.outlay, results.session, []
    if outlay.per_gain is not None:
        value, low, high = (
            money(float(f"{one:.2f}"), session)
            for one in (outlay.per_gain.value, outlay.per_gain.low, outlay.per_gain.high)
        )
        text = f"{money(outlay.ride, session)}, which is {value} ({low} to {high}) per 1 % of pull"
        if outlay.per_speed is not None:
            unit = units.unit_label("speed", system_of(results))
            each = outlay.per_speed * units.from_display(1.0, "speed", system_of(results))
            text += f", and about {money(float(f'{each:.2f}'), session)} per {unit} at the marker"
        items.append((f"What {spaced(results.plan.ride.setup)} costs", f"{text}."))
    if outlay.detours:
        items.append(
            (
                "Detours",
                f"{spaced_list(outlay.detours)} for {money(outlay.detours_cost, session)} are at "
                "hand and not used by it; a second rider who knows the answer need not buy them.",
            )
        )
    return items


def fuel_use_table(results: "Results") -> Table | Prose:
    """Consumption, range and price of distance of each setup that was filled.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    if not results.fuel_use:
        return Prose(())
    system, session = system_of(results), results.session
    rows = [
        (
            spaced(one.setup),
            str(one.fills),
            fixed(one.distance_m / _distance_unit(system)[0], 0),
            interval_text(per_distance(one.per_m, system), most_decimals=2),
            _or_none(one.range_m, lambda it: it.scaled(1 / _distance_unit(system)[0]), 0),
            _price(one.cost_per_m, session, system),
        )
        for one in results.fuel_use
    ]
    unit = _distance_unit(system)[1]
    header = (
        "Setup",
        "Fills",
        f"Distance [{unit}]",
        f"Fuel [{consumption_unit(system)}]",
        f"Range on a tank [{unit}]",
        f"Fuel for 100 {unit}",
    )
    return Table("Fuel use", header, tuple(rows), "In brackets: 95 % intervals.")


def consumption_unit(system: str) -> str:
    """How riders of a system count fuel.

    Parameters
    ----------
    system : str
    """
    return {"metric": "L/100 km", "us": "mpg (US)", "imperial": "mpg (imperial)"}[system]


def per_distance(per_m: Interval, system: str) -> Interval:
    """Fuel for each metre in the way that riders of a system count it.

    Parameters
    ----------
    per_m : tuninglib.interval.Interval
        [m3/m]
    system : str

    Examples
    --------
    >>> per_distance(Interval(3e-8, 2.5e-8, 4e-8), "metric")
    Interval(value=3.0, low=2.5, high=4.0)
    >>> round(per_distance(Interval(3e-8, 2.5e-8, 4e-8), "us").value, 1)
    78.4
    """
    if system == "metric":
        return per_m.scaled(1e8)
    gallon = units.from_display(1.0, "volume", system)
    return Interval(*(gallon / _MILE_M / one for one in (per_m.value, per_m.high, per_m.low)))


def _distance_unit(system: str) -> tuple:
    return (1000.0, "km") if system == "metric" else (_MILE_M, "miles")


def _or_none(interval, change, decimals) -> str:
    return NONE if interval is None else interval_text(change(interval), most_decimals=decimals)


def _price(cost, session, system) -> str:
    if cost is None:
        return NONE
    value = cost.value * 100 * _distance_unit(system)[0]
    return money(float(f"{value:.2f}"), session)
