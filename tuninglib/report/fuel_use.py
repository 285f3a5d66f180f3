"""Fuel use and money, in the rider's own way of counting."""

from tuninglib import units
from tuninglib.interval import Interval
from tuninglib.report.cells import NONE, money, spaced, spaced_list, system_of
from tuninglib.report.display import Prose, Table
from tuninglib.rounding import fixed, interval_text, percent

_MILE_M = units.convert(1.0, "mile", "m")


def sentences(results) -> Prose:
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


def table(results) -> Table | Prose:
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
