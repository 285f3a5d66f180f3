"""What sentences and tables share: names, values with their units, cells."""

from tuninglib import units
from tuninglib.rounding import decimals_for, fixed, in_units, interval_text, listing

NONE = "–"
_SIGNS = ("$", "€", "£")  # stand before the amount; codes like EUR after it


def spaced(name: str) -> str:
    """A name of session.toml as a sentence prints it.

    Examples
    --------
    >>> spaced("big_164")
    'big 164'
    """
    return name.replace("_", " ")


def spaced_list(names) -> str:
    """Names of session.toml joined as a sentence does.

    Examples
    --------
    >>> spaced_list(["big_164", "big_172"])
    'big 164 and big 172'
    """
    return listing(spaced(name) for name in names)


def system_of(results) -> str:
    """System of units that the report prints."""
    return results.session.about.units


def headed(text: str, kind: str, system: str) -> str:
    """A column's head with the unit of its numbers."""
    return f"{text} [{units.unit_label(kind, system)}]"


def shown(value, kind, system, decimals=0) -> str:
    """A number in the unit that its column's head names; a dash where there is none."""
    return NONE if value is None else fixed(units.to_display(value, kind, system), decimals)


def interval_cell(interval, kind, system) -> str:
    """An interval in the unit that its column's head names; a dash where there is none."""
    return NONE if interval is None else interval_text(in_units(interval, kind, system))


def plain(value, kind, system) -> str:
    """A value that is taken as it is, with its unit."""
    number = units.to_display(value, kind, system)
    return f"{number:.4g} {units.unit_label(kind, system)}"


def taken(measured, kind: str = "", system: str = "") -> str:
    """A value that was taken for granted with its ± (95 %)."""
    value, half = measured.value, measured.half_width
    unit = ""
    if kind:
        value, half = (units.to_display(x, kind, system) for x in (value, half))
        unit = f" {units.unit_label(kind, system)}"
    if not half:
        return f"{value:.4g}{unit}"
    decimals = decimals_for(half)
    return f"{fixed(value, decimals)} ± {fixed(half, decimals)}{unit}"


def money(cost, session) -> str:
    """An amount in the session's currency, its sign in front; a dash where there is none."""
    if cost is None:
        return NONE
    currency = session.about.currency
    before = f"{currency}{cost:g}" if currency in _SIGNS else f"{cost:g} {currency}"
    return before.strip()


def distance_text(distance_m: float, system: str) -> str:
    """A distance on the road in whole kilometres or miles.

    Examples
    --------
    >>> distance_text(300e3, "metric"), distance_text(300e3, "us")
    ('300 km', '186 miles')
    """
    unit = "km" if system == "metric" else "miles"
    return f"{fixed(units.convert(distance_m, 'm', unit), 0)} {unit}"


def gain_text(gain, unit: str = "%") -> str:
    """A gain with its interval as per cent; whole ones, unless it is known better than that.

    Parameters
    ----------
    gain : tuninglib.interval.Interval
        As a ratio.
    unit : str
        Left out where it stands in a column's head.
    """
    most = 0 if gain.half_width > 0.02 else 1
    return interval_text(gain.scaled(100), unit, least_decimals=0, most_decimals=most)


def bold_name(results, names) -> str:
    """What a bold name in a figure means, for those who cannot see it; empty if there is none."""
    ride = results.plan.ride
    return f" In bold: {spaced(ride.setup)}, to ride now." if ride and ride.setup in names else ""


def mixture_of(results, setup):
    """The mixture of a setup, as read; None if there is none."""
    return next((mixture for mixture in results.mixtures if mixture.setup == setup), None)
