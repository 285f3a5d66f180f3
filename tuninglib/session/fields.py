"""Fields of the records of session.toml: a kind, a help, an example, limits.

A field says everything about its key, so that reading, refusing and the fill-in session need no
other list. A value is brought to what its field wants, or refused in one sentence.
"""

import dataclasses
import datetime
import math
import re
from collections.abc import Mapping
from dataclasses import Field, field
from functools import partial
from typing import Any

from tuninglib import units
from tuninglib.interval import Measured
from tuninglib.physics.fuels import SCALES, Octane
from tuninglib.text_files import nearest, shortened

MISSING = dataclasses.MISSING


def quantity(
    within: tuple[str, float, float],
    help_: str,
    example: str,
    *,
    default: object = None,
    widest: float | None = None,
    **more: object,
) -> Field:
    """Field for a value with a unit, kept in SI with its 95 % half-width.

    ``within`` has the SI unit and both limits. ``widest`` is the largest half-width; left out: half
    of the range of the value. Among ``more``, ``or_by_mass`` is a density in kg/m3: a mass may be
    typed instead of a volume, and is divided by it; ``plus_minus`` is ``"none"`` where a half-width
    has no meaning and is refused, or ``"needed"`` where a bare value could be read two ways;
    ``asked`` is whether a new session asks for it, though something else may be written
    ``instead``: with that key there, this one may stay empty; ``slope`` is whether an angle is
    told as the grade that it is.
    """
    unit, low, high = within
    widest = (high - low) / 2 if widest is None else widest
    more = {**_PLAIN_QUANTITY, **more, "unit": unit, "widest": widest}
    return _field("quantity", help_, example, default, (low, high), **more)


_PLAIN_QUANTITY = {"or_by_mass": None, "plus_minus": "", "asked": False, "instead": ""}


# Field for a value whose half-width has no meaning and is refused.
exact = partial(quantity, plus_minus="none")


def doubt(help_: str, sizes: tuple[float, float, float]) -> Field:
    """Field for how far a ratio may be off: 0 with a half-width, of which all depends.

    ``sizes`` are the usual half-width, the largest value and the largest half-width.
    """
    half_width, most, widest = sizes
    example, default = f"0 +/- {100 * half_width:g} %", Measured(0.0, half_width)
    within = ("1", -most, most)
    return quantity(within, help_, example, default=default, plus_minus="needed", widest=widest)


def number(
    help_: str, example: str, within: tuple[float, float], *, default: object = None, **more: bool
) -> Field:
    """Field for a plain number.

    Among ``more``, ``whole`` is whether it must be a whole one, ``to_one`` whether it may be
    written as 10.4:1, ``money`` whether a currency may stand with it.
    """
    more = {"whole": False, "to_one": False, "money": False, **more}
    return _field("number", help_, example, default, within, **more)


def mixture(help_: str, *, example: str, within: tuple[float, float]) -> Field:
    """Field for a number at lambda 1, with AFR or :1 behind it if one likes, or lambda for 1."""
    return _field("number", help_, example, None, within, to_one=True, mixture=True)


def choice(help_: str, choices: str) -> Field:
    """Field for one of a few words, with commas between them; left out: the first one."""
    words = tuple(choices.split(", "))
    return _field("choice", help_, words[0], words[0], choices=words)


def yes_or_no(help_: str) -> Field:
    """Field for a question that may stay open."""
    return choice(help_, "unknown, yes, no")


def reference(table: str, help_: str, *, example: str, default: object = MISSING) -> Field:
    """Field for the name of an entry in another table."""
    return _field("reference", help_, example, default, table=table)


def references(table: str, help_: str, *, example: list[str]) -> Field:
    """Field for a list of names of entries in another table."""
    return _field("references", help_, example, (), table=table)


def pieces(record: type) -> Field:
    """Field for tables of their own, each read as this record."""
    return field(default=(), metadata={"kind": "pieces", "record": record})


def _field(kind, help_, example="", default=None, within=(), **more):
    limits = dict(zip(("low", "high"), within, strict=False))
    metadata = {"kind": kind, "help": help_, "example": example, **limits, **more}
    return field(default=default, metadata=metadata)


# Fields for free text, a day, an octane number with its scale, a place by its coordinates, the
# price of one litre (another volume may be named), a table in braces that has some of ``keys``,
# each with a text, a list of whole numbers, stretches of a recording (``most`` of them, none over
# ``longest_s``), and pairs of shown and true speed.
text = partial(_field, "text", default="")
date = partial(_field, "date", default=MISSING)
octane = partial(_field, "octane")
place = partial(_field, "place")
price = partial(_field, "price")
names = partial(_field, "names", default=())
numbers = partial(_field, "numbers", default=())
spans = partial(_field, "spans", default=())
speed_pairs = partial(_field, "speed pairs", default=(), unit="m/s")


def one_of(record: object, key: str, other: str) -> None:
    """Refuse two keys for one thing: one of them would be passed over without a word."""
    if all(getattr(record, name) not in (None, "", ()) for name in (key, other)):
        both = f"has {key} and {other}, which say the same thing"
        raise ValueError(f"{both}; keep the one that you trust")


# Examples in round numbers of other units, for those whose unit riders there do not use.
_ELSEWHERE = {
    "118 kg": {"us": "260 lb", "imperial": "260 lb"},
    "124 kg +/- 2 kg": {"us": "270 lb +/- 4 lb", "imperial": "270 lb +/- 4 lb"},
    "84 kg +/- 2 kg": {"us": "185 lb +/- 4 lb", "imperial": "185 lb +/- 4 lb"},
    "8 kg +/- 3 kg": {"us": "18 lb +/- 7 lb", "imperial": "18 lb +/- 7 lb"},
    "0.55 m2 +/- 0.05 m2": {"us": "6 ft2 +/- 0.5 ft2", "imperial": "6 ft2 +/- 0.5 ft2"},
    "3 bar": {"us": "43.5 psi", "imperial": "43.5 psi"},
    "10 L": {"us": "2.6 gal", "imperial": "2.2 imp gal"},
    "18 degC": {"us": "65 degF"},
    "5 to 35 degC": {"us": "40 to 95 degF"},
    "0 to 1200 m": {"us": "0 to 4000 ft", "imperial": "0 to 4000 ft"},
    "220 degC": {"us": "430 degF"},
    "11 bar": {"us": "160 psi", "imperial": "160 psi"},
    "0.05 to 0.12 mm": {"us": "0.002 to 0.005 in"},
    "0.08 to 0.15 mm": {"us": "0.003 to 0.006 in"},
    "0.7 to 0.9 mm": {"us": "0.028 to 0.035 in"},
    "0.5 mL/km": {"us": "0.8 mL/mile", "imperial": "0.8 mL/mile"},
    "978 hPa": {"us": "28.9 inHg", "imperial": "978 mbar"},
    "745 kg/m3": {"us": "6.2 lb/gal"},
    "400 m +/- 2 m": {"us": "1300 ft +/- 6 ft", "imperial": "1300 ft +/- 6 ft"},
    "150 m": {"us": "500 ft", "imperial": "500 ft"},
    "24 m +/- 1 m": {"us": "80 ft +/- 3 ft", "imperial": "80 ft +/- 3 ft"},
    "310 m": {"us": "1000 ft", "imperial": "1000 ft"},
    "1.86 m +/- 0.01 m": {"us": "73 in +/- 0.4 in", "imperial": "73 in +/- 0.4 in"},
    "350 km": {"us": "220 miles", "imperial": "220 miles"},
    "300 km": {"us": "190 miles", "imperial": "190 miles"},
    "48 km/h +/- 2 km/h": {"us": "30 mph +/- 1 mph", "imperial": "30 mph +/- 1 mph"},
    "0 +/- 1.5 m/s": {"us": "0 +/- 3 mph", "imperial": "0 +/- 3 mph"},
    "1 km/h": {"us": "1 mph", "imperial": "1 mph"},
    "60 km/h": {"us": "40 mph", "imperial": "40 mph"},
    "57.2 km/h": {"us": "38.1 mph", "imperial": "38.1 mph"},
    "50 km/h": {"us": "30 mph", "imperial": "30 mph"},
    "300 m in 22.6 s": {"us": "1000 ft in 23.8 s", "imperial": "1000 ft in 23.8 s"},
    "EUR": {"us": "$", "imperial": "£"},
    "1.79 EUR/L": {"us": "$4.89/gal", "imperial": "£1.45/L"},
}


def example_in(example: Any, units: str) -> Any:
    """A metric example as a rider would write one in another system's units.

    Parameters
    ----------
    example : str, or list of such
    units : str

    Examples
    --------
    >>> example_in("124 kg +/- 2 kg", "us"), example_in("62 mm", "us")
    ('270 lb +/- 4 lb', '62 mm')
    """
    if isinstance(example, list):
        return [example_in(one, units) for one in example]
    if not isinstance(example, str):
        return example
    return _ELSEWHERE.get(example, {}).get(units, example)


def in_units(meta: Mapping, units: str) -> Mapping:
    """A field's metadata with its example as riders with these units write it."""
    return {**meta, "example": example_in(meta["example"], units)} if "example" in meta else meta


# A value as its field wants it --------------------------------------------------------------------

_LONGEST_TEXT = 5000
# No quantity of a session is so small in SI and not zero.
_LEAST = 1e-12


class PieceError(ValueError):
    """Problems of the pieces of a hill; ``args[0]`` lists them."""


def read_value(meta: Mapping, value: object, names: dict[str, set[str]]) -> object:
    """A TOML value as its field wants it.

    Parameters
    ----------
    meta : mapping
        Of the field, see :mod:`tuninglib.session.fields`.
    value : TOML value
    names : dict of str to set of str
        Names of the entries of each table.

    Raises
    ------
    ValueError
        In one sentence.
    """
    kind = meta["kind"]
    if value == "" and kind != "text":
        example = f"; {_such_as(meta)}" if "example" in meta else ""
        raise ValueError(f"is still empty ({meta.get('help', 'leave it out')}){example}")
    try:
        return _READERS[kind](value, meta, names)
    except PieceError:
        raise
    except ValueError as error:
        # What was typed is shown, but not a page of it.
        typed = repr(value)
        raise ValueError(str(error).replace(typed, shortened(typed))) from None


def _such_as(meta) -> str:
    return f"write for example {meta['example']!r}"


_OF_MONTH = r"(\d\d?)(?:\.|st|nd|rd|th)?"
_BY_NAME = re.compile(rf"(?:{_OF_MONTH} )?([A-Za-z]{{3,9}})\.?(?: {_OF_MONTH},?)? (\d{{4}})")
_MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september",
    "october", "november", "december",
)  # fmt: skip


def _date(value, meta, names):
    if isinstance(value, datetime.datetime):
        return value.date()
    if isinstance(value, datetime.date):
        return value
    found = _dates_of(" ".join(str(value).split()))
    if len(found) > 1:
        ways = " or ".join(f"'{day}'" for day in sorted(found))
        raise ValueError(f"{value!r} could be read two ways; write {ways}")
    if not found:
        wanted = f"write year-month-day, for example {meta['example']}"
        raise ValueError(f"{value!r} is not a date; {wanted}")
    return found.pop()


def _dates_of(text: str) -> set:
    """Days that a text may mean: year first, points with the day first, or a month by its name."""
    if parts := re.fullmatch(r"(\d{4})([-/.])(\d\d?)\2(\d\d?)", text):
        return _days((parts[1], parts[3], parts[4]))
    if parts := re.fullmatch(r"(\d\d?)([-/.])(\d\d?)\2(\d{4})", text):
        one, mark, other, year = parts.groups()
        # Points have the day first wherever they are used; other marks go either way.
        return _days((year, other, one), *([] if mark == "." else [(year, one, other)]))
    parts = _BY_NAME.fullmatch(text)
    if not parts or bool(parts[1]) == bool(parts[3]):
        return set()
    day, begins = parts[1] or parts[3], parts[2].lower()
    numbers = [at for at, name in enumerate(_MONTHS, start=1) if name.startswith(begins)]
    return _days(*((parts[4], month, day) for month in numbers[:1]))


def _days(*readings) -> set:
    """Those readings of year, month and day that are in the calendar."""
    found = set()
    for reading in readings:
        try:
            found.add(datetime.date(*map(int, reading)))
        except ValueError:
            continue
    return found


def _quantity(value, meta, names):
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        if meta["unit"] != "1":
            raise ValueError(f"{value} has no unit; {_such_as(meta)} in quotes")
        measured = Measured(_number(value, meta | {"low": -math.inf, "high": math.inf}, names))
    elif isinstance(value, str):
        measured = _measured(value, meta)
    else:
        raise ValueError(f"{value!r} must be text with a unit: {meta['example']!r}")
    _within(measured, measured.value, value, meta)
    return _believable(measured, value, meta)


_PLUS_MINUS = re.compile(r"±|\+/?-")


def _believable(measured, typed, meta) -> Measured:
    """A quantity whose ± can be what it says; refused otherwise."""
    half, wanted = measured.half_width, meta.get("plus_minus", "")
    marked = _PLUS_MINUS.search(str(typed))
    if half and wanted == "none":
        if marked:
            raise ValueError(f"{typed!r} has a +/-, but this is taken as exact; leave it out")
        unit, (middle,) = _as_typed(typed, meta, (measured.value,))
        wanted = f"write one value, such as its middle '{middle}{unit}'"
        raise ValueError(f"{typed!r} is a range, but this is taken as exact; {wanted}")
    if wanted == "needed" and not half and not marked:
        raise ValueError(_two_readings(str(typed).strip(), meta["example"]))
    low, widest = meta.get("low"), meta.get("widest")
    if widest is not None and half > widest:
        unit, (most,) = _as_typed(typed, meta, (widest,), as_width=True)
        most = f"{most}{unit}, the most that makes sense here"
        raise ValueError(f"{typed!r} is uncertain by more than {most}; {_such_as(meta)}")
    if low is not None and low > 0 and half >= measured.value:
        wanted = f"write a +/- below the value, for example {meta['example']!r}"
        raise ValueError(f"{typed!r} is as uncertain as it is large; {wanted}")
    return measured


def _two_readings(typed: str, example: str) -> str:
    """What is said of a bare value where how far off it may be counts for as much."""
    if example.startswith("0 "):
        sure, unsure = f"{typed} +/- 0", f"0 +/- {typed}"
        return f"{typed!r} could be read two ways; write {unsure!r}, or {sure!r} if it is certain"
    wanted = f"write {typed} +/- how far it may be off, as in {example!r}"
    return f"{typed!r} could be read two ways, as exact or as a rough value; {wanted}"


def _number(value, meta, names):
    plain = units.parse_number(_bare(value, meta)) if isinstance(value, str) else value
    if isinstance(plain, bool) or not isinstance(plain, (int, float)):
        raise ValueError(f"{value!r} must be a number, for example {meta['example']}")
    in_parts = isinstance(plain, float) and math.isfinite(plain) and plain != round(plain)
    if meta.get("whole") and in_parts:
        raise ValueError(f"{value!r} must be a whole number, for example {meta['example']}")
    try:
        number = float(plain)
    except OverflowError:
        raise ValueError(f"has too many digits; write for example {meta['example']}") from None
    return _within(number, number, value, meta)


# A reduction, as people write one; money with its currency before or after, and no cents as 38,-
_TO_ONE = re.compile(r"(.*\d)\s*:\s*1(?:\.0*)?")
CURRENCY = r"(?:[A-Z]{3}|[A-Z]{0,3}[$€£¥]|kr\.?|zł)"
_MONEY = re.compile(rf"(?:({CURRENCY})\s*)?(\d[\d.,]*?)(?:[.,][-–—]+)?(?:\s*({CURRENCY}))?")


def _bare(text: str, meta: Mapping) -> str:
    """The number in a text, without what may stand with it here."""
    if meta.get("mixture"):
        text = re.sub(r"^\s*AFR\s*(?=\d)|(?<=\d)\s*AFR\s*$", "", text, flags=re.IGNORECASE)
        text = "1" if re.fullmatch(r"lambda|λ", text.strip(), flags=re.IGNORECASE) else text
    if meta.get("to_one"):
        match = _TO_ONE.fullmatch(text.strip())
        return match[1] if match else text
    if meta.get("money"):
        about = re.match(units.ABOUT, text.strip(), flags=re.IGNORECASE)
        before = about[0] if about else ""
        match = _MONEY.fullmatch(text.strip()[len(before) :])
        return before + match[2] if match and not (match[1] and match[3]) else text
    return text


def currency_of(value: object) -> str:
    """The currency that stands with an amount; empty where there is none.

    Examples
    --------
    >>> currency_of("$38"), currency_of("4.89 USD/gal"), currency_of(38)
    ('$', 'USD', '')
    """
    amount = value.partition("/")[0].strip() if isinstance(value, str) else ""
    match = _MONEY.fullmatch(amount.upper()) or _MONEY.fullmatch(amount)
    return (match[1] or match[3] or "") if match else ""


def _text(value, meta, names):
    if not isinstance(value, str):
        raise ValueError(f"{value!r} must be text in quotes")
    strange = next((one for one in value if not one.isprintable() and one not in "\n\t"), None)
    if strange is not None:
        raise ValueError(f"has the character {strange!r}, which no page can show; take it out")
    if len(value) > _LONGEST_TEXT:
        raise ValueError(f"has {len(value)} letters; at most {_LONGEST_TEXT} are allowed")
    return value


def _choice(value, meta, names):
    if _text(value, meta, names) not in meta["choices"]:
        raise ValueError(f"{value!r} is not one of {', '.join(map(repr, meta['choices']))}")
    return value


def _reference(value, meta, names):
    known = names[meta["table"]]
    if _text(value, meta, names) not in known:
        raise ValueError(f"{value!r} is not one of the {meta['table']}; {nearest(value, known)}")
    return value


def _references(value, meta, names):
    if not isinstance(value, list) or not value:
        raise ValueError(f"{value!r} must be a list of names, for example {meta['example']}")
    return tuple(dict.fromkeys(_reference(one, meta, names) for one in value))


def _names(value, meta, names):
    """Pairs of a key and a text."""
    wanted = f"write for example {_in_braces(meta['example'])}"
    if not isinstance(value, dict):
        raise ValueError(f"{value!r} must be in braces; {wanted}")
    for key, text in value.items():
        if key not in meta["keys"]:
            raise ValueError(f"has {key!r}; {nearest(key, meta['keys'])}")
        if not isinstance(text, str) or not _text(text, meta, names).strip():
            raise ValueError(f"{key} is {text!r}, but must be text in quotes; {wanted}")
    return tuple(value.items())


def _in_braces(example: dict) -> str:
    return "{ " + ", ".join(f'{key} = "{text}"' for key, text in example.items()) + " }"


_LONGEST_PLACE = 60
_COORDINATES = re.compile(r"([-+−]?\d{1,2}(?:\.\d+)?),([-+−]?\d{1,3}(?:\.\d+)?)")


def _place(value, meta, names):
    """Latitude and longitude in degrees."""
    # One kind of separator and no blanks, so that nothing is there to backtrack over.
    bare = ",".join(re.split(r"[,;\s]+", value.replace("°", ""))) if isinstance(value, str) else ""
    match = _COORDINATES.fullmatch(bare.strip(",")) if len(bare) < _LONGEST_PLACE else None
    if not match:
        raise ValueError(
            f"{value!r} is not a place; write latitude and longitude in degrees with decimals, "
            f"south and west negative, for example {meta['example']!r}"
        )
    latitude, longitude = (float(one.replace("−", "-")) for one in match.groups())
    if abs(latitude) > 90 or abs(longitude) > 180:
        raise ValueError(f"{value!r} is beyond 90 degrees of latitude or 180 of longitude")
    return latitude, longitude


def _numbers(value, meta, names):
    if not isinstance(value, list) or not value:
        raise ValueError(f"{value!r} must be a list of numbers, for example {meta['example']}")
    return tuple(_number(one, {**meta, "whole": True}, names) for one in value)


_SPAN = re.compile(rf"({units.NUMBER}) ?(?:s ?)?(?:to|-|–) ?({units.NUMBER}) ?s")


def _spans(value, meta, names):
    """Begin and end of each, in seconds."""
    wanted = f"write begin and end in seconds, for example {meta['example']}"
    found, typed = [], [value] if isinstance(value, str) else value
    if not isinstance(typed, list) or not typed:
        raise ValueError(f"{value!r} is no stretch of a recording; {wanted}")
    if len(typed) > meta["most"]:
        raise ValueError(f"has {len(typed)} stretches; at most {meta['most']} are allowed")
    for one in typed:
        match = isinstance(one, str) and _SPAN.fullmatch(" ".join(one.split()))
        if not match:
            raise ValueError(f"{one!r} is no stretch of a recording; {wanted}")
        begin, end = (units.parse_number(text) for text in match.groups())
        if not 0 <= begin < end:
            raise ValueError(f"{one!r} does not end after it begins; {wanted}")
        if end - begin > meta["longest_s"] + 1e-9:
            raise ValueError(f"{one!r} is longer than {meta['longest_s']:g} s; {wanted}")
        if found and begin < found[-1][1]:
            raise ValueError(f"{one!r} begins before the one above it ends; put them in order")
        found.append((begin, end))
    return tuple(found)


def _octane(value, meta, names):
    scales = "|".join(SCALES)
    match = re.fullmatch(rf"([0-9.,]+) ?({scales})", " ".join(str(value).split()), re.IGNORECASE)
    if not match:
        raise ValueError(
            f"{value!r} is not an octane number with its scale; {_such_as(meta)} (RON in most of "
            "the world, AKI on American pumps)"
        )
    return Octane(units.parse_number(match[1]), match[2].upper())


_AMOUNT = re.compile(r"\s*[A-Za-z$€£¥]*\s*([0-9][0-9.,]*?)(?:[.,][-–—]+)?\s*[A-Za-z$€£¥]*\s*")
_HUNDREDTHS = re.compile(r"[\d.,]+\s*(?:p|c|ct|cts|cents?|pence|¢)", re.IGNORECASE)


def _price(value, meta, names):
    """Price of one litre, from a number, or from text that names its volume."""
    if not isinstance(value, str):
        return _number(value, meta | {"example": "1.89"}, names)
    amount, slash, volume = value.partition("/")
    if _HUNDREDTHS.fullmatch(amount.strip()):
        raise ValueError(f"{value!r} is in cents or pence; {_such_as(meta)}")
    if re.match(units.ABOUT, value.strip(), flags=re.IGNORECASE):
        raise ValueError(f"{value!r} is not an exact price; {_such_as(meta)}")
    bare = _AMOUNT.fullmatch(amount)
    try:
        litres = units.convert(1.0, volume, "L") if slash else 1.0
    except ValueError:
        bare = None
    if not bare:
        raise ValueError(
            f"{value!r} is not a price per volume; {_such_as(meta)} (gal is the US gallon; write "
            "imperial gal for the other) or 1.89 for one litre"
        )
    each = units.parse_number(bare[1]) / litres
    return _within(each, each, value, meta)


def _measured(text, meta) -> Measured:
    """A quantity in SI; a mass is taken for a volume where the field says how."""
    density = meta.get("or_by_mass")
    if density is not None:
        # Injectors are called by their flow in a minute: a 120 cc one.
        text = re.sub(r"(?<=\d)\s*(cc|ccm)\s*$", " cc/min", text, flags=re.IGNORECASE)
        try:
            mass = units.parse_quantity(text, meta["unit"].replace("m**3", "kg"))
        except ValueError:
            pass
        else:
            return Measured(mass.value / density, mass.half_width / density)
    wanted = meta.get("plus_minus", "")
    if meta.get("slope") and re.search("deg|°", text):
        angle = units.parse_quantity(text, "deg", "4 +/- 0.5 deg")
        slope = math.tan(math.radians(angle.value))
        grade, half = 100 * slope, 100 * math.radians(angle.half_width) * (1 + slope**2)
        if abs(slope) <= meta["high"]:
            as_grade = f"{grade:.1f} +/- {half:.1f} %" if half else f"{grade:.1f} %"
            raise ValueError(f"{text!r} is an angle; as a grade it is {as_grade!r}: write that")
    return units.parse_quantity(text, meta["unit"], meta["example"], plus_minus=wanted)


def _speed_pairs(value, meta, names) -> tuple:
    """Pairs of shown and true speed in m/s; the true one may be a distance in a time."""
    wanted = f"write pairs of shown and true speed, for example {meta['example']}"
    pairs = value if isinstance(value, list) else []
    good = [p for p in pairs if isinstance(p, list) and list(map(type, p)) == [str, str]]
    if len(pairs) < 2 or good != pairs:
        raise ValueError(f"{value!r} is not at least two pairs of speeds; {wanted}")
    return tuple(tuple(_speed(text, meta) for text in pair) for pair in pairs)


def _speed(text, meta) -> float:
    way, between, time = text.partition(" in ")
    typed = [(way, "m"), (time, "s")] if between else [(text, "m/s")]
    parts = [units.parse_quantity(one, unit, plus_minus="none") for one, unit in typed]
    if any(part.half_width for part in parts):
        raise ValueError(
            f"{text!r} has a +/-, which is not used here, as it follows from how well the pairs "
            "agree; leave it out"
        )
    if any(part.value <= 0 for part in parts):
        raise ValueError(f"{text!r} is not above zero; write for example '57 km/h'")
    speed = parts[0].value / parts[1].value if between else parts[0].value
    return _within(speed, speed, text, {**meta, "example": "57 km/h"})


def _within(result, value, typed, meta):
    """The result, if the value is within the field's limits."""
    low, high = meta.get("low"), meta.get("high")
    if not low <= value <= high or 0 < abs(value) < _LEAST:
        bare = meta.get("unit") == "1" and re.fullmatch(units.NUMBER, str(typed).strip())
        remedy = f"check the number and the unit (for example {meta.get('example', '')!r})"
        if bare and value >= 2 and low <= value / 100 <= high:
            remedy = f"write '{typed} %' for per cent"
        unit, (low, high) = _as_typed(typed, meta, (low, high))
        raise ValueError(f"{typed!r} is outside {low} to {high}{unit}; {remedy}")
    _one_way(typed, meta)
    return result


_POINT_OF_THREE = re.compile(r"(?<![\d.])[1-9]\d{0,2}\.\d{3}(?![\d.])")


def _one_way(typed, meta) -> None:
    """Refuse a point before three digits where it may part thousands as well: 1.000 km."""
    match = isinstance(typed, str) and _POINT_OF_THREE.search(typed)
    # A litre of fuel is sold at three decimals, and never at thousands.
    if not match or meta["kind"] == "price":
        return
    try:
        read_value(meta, typed.replace(match[0], match[0].replace(".", ""), 1), {})
    except ValueError:
        return
    raise ValueError(units.two_ways_said(typed, match[0]))


def _as_typed(typed, meta, limits, as_width: bool = False) -> tuple:
    """The unit that somebody typed, with a blank before it, and limits in it."""
    unit = meta.get("unit", "")
    if not unit or not isinstance(typed, str):
        return "", [f"{limit:g}" for limit in limits]
    own = units.unit_typed(typed, unit)
    zero = units.convert(0.0, unit, own) if as_width else 0.0
    shown = [f"{units.convert(limit, unit, own) - zero:.4g}" for limit in limits]
    return "" if own == "1" else f" {own}", shown


def _pieces(value, meta, names):
    record = meta["record"]
    if not isinstance(value, list) or not all(isinstance(piece, dict) for piece in value):
        raise ValueError("pieces must be tables: write [[hill.pieces]] above each")
    fields = {f.name: f for f in dataclasses.fields(record)}
    pieces, messages = [], []
    for number, piece in enumerate(value, start=1):
        unknown, missing = piece.keys() - fields.keys(), fields.keys() - piece.keys()
        messages += [f"piece {number}: unknown key {k!r}; {nearest(k, fields)}" for k in unknown]
        messages += [f"piece {number}: {k} is missing" for k in sorted(missing)]
        if unknown or missing:
            continue
        try:
            read = {k: read_value(fields[k].metadata, text, names) for k, text in piece.items()}
            pieces.append(record(**read))
        except ValueError as error:
            messages.append(f"piece {number}: {error}")
    if messages:
        raise PieceError(messages)
    return tuple(pieces)


_READERS = {
    "pieces": _pieces,
    "speed pairs": _speed_pairs,
    "date": _date,
    "quantity": _quantity,
    "number": _number,
    "text": _text,
    "choice": _choice,
    "reference": _reference,
    "references": _references,
    "names": _names,
    "numbers": _numbers,
    "spans": _spans,
    "octane": _octane,
    "place": _place,
    "price": _price,
}
