"""Units of the other system in what a rider reads."""

import html
import re

_METRIC = ("km/h", "m/s", "km", "m", "m²", "N", "N·m", "kg", "kg/m³", "°C", "hPa", "mbar", "bar",
           "kW", "L", "L/100 km")  # fmt: skip
_US = ("mph", "ft", "ft²", "mi", "miles", "lb", "lbf", "lb/ft³", "lb·ft", "°F", "inHg", "psi",
       "hp", "US gal", "gal", "mpg")  # fmt: skip
FOREIGN = {"us": _METRIC, "metric": _US}


def foreign_units(page: str, system: str) -> list:
    """Pieces of a page, HTML or text, in which a unit stands that a rider of a system never wrote.

    A unit is one behind a number or in the brackets of a header. Scripts and styles are left out.
    """
    page = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    alts = " ".join(re.findall(r'(?:alt|placeholder|aria-label)="([^"]*)"', page))
    text = html.unescape(re.sub(r"<[^>]+>", " ", page)) + " " + html.unescape(alts)
    text = re.sub(r"\s+", " ", text)
    named = "|".join(sorted(map(re.escape, FOREIGN[system]), key=len, reverse=True))
    found = re.finditer(rf"(?:\d\)? ?|\[)(?:{named})(?![\w²³/·°-])", text)
    return [text[max(one.start() - 60, 0) : one.end() + 25] for one in found]
