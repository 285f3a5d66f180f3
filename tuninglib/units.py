"""The edge where people write units: text with a unit to SI floats, and back.

This is the only module that imports pint, for a unit that is in no table here. Everywhere else a
float is in SI and its name says the unit.
"""

import functools
import math
import re
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.interval import Measured

NUMBER = r"[-+−]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?"
# A unit as people write one: words and their powers, multiplied or divided; or one sign.
_WORD = r"[A-Za-zµμΩ°_]+(?:(?:\*\*|\^)?-?[1-4]|[²³])?"
_UNIT = re.compile(rf"(?:1|{_WORD})(?:\s?[*/·]\s?{_WORD}){{0,3}}|%|‰")
# What a plain ratio may be written in; degrees and turns are none.
_RATIOS = ("1", "%", "percent", "‰")
# No value with its unit is longer; of one that is, so much is shown.
LONGEST, BEGINNING = 80, 20
# What is said of a number that is none, for whoever checks one elsewhere.
SAID_OF_NUMBERS = {
    "too long": "{beginning!r}… is not a number; write digits alone",
    "no number": "{text!r} is not a number; write digits alone, with one decimal sign at most",
    "not finite": "{text!r} is not a finite number; write one that is",
    "grouped": "{text!r} has marks between its thousands; write {value!r}",
    "about": "{text!r} does not say how far off it may be; write {value} alone",
    "range": "{text!r} is a range, but one number is needed here; {remedy}",
    "plus minus": "{text!r} has a +/-, but one number is needed here; {remedy}",
    "unit": "{text!r} is more than a number; write {value} alone",
}
# What riders write in front of a value of which they are not sure.
ABOUT = r"(?:about|around|roughly|approximately|approx\.?|circa|ca\.?|~|≈)\s*"
ROUGHLY = rf"^{ABOUT}(?=[-+−.\d])"
PLUS_MINUS = r"\s*(?:±|\+/-|\+-)\s*"
# A number and what stands beside it, in small letters: the number first, then a second one.
BESIDE_A_NUMBER = {
    "about": rf"{ABOUT}({NUMBER})",
    "range": rf"({NUMBER})\s*(?:to|bis|–|—|-)\s*({NUMBER})",
    "plus minus": rf"({NUMBER}){PLUS_MINUS}({NUMBER})",
    "unit": rf"({NUMBER})\s*(?!(?:to|bis)\b)[^\s\d.,:+−-][^\d]*",
}
# What is to be done about a number with a second one, where nothing better is known.
ONE_NUMBER = "write {middle}"
# A comma inside a number.
COMMA = r"(?<=\d),(?=\d)"
# Digits with whatever marks stand between them.
MARKED = r"\d[\d.,]*\d"
# Marks between thousands, and one of the other kind for the decimals, or the same mark twice.
GROUPED = r"[-+−]?\d{1,3}(?:(?:\.\d{3})+,\d+|(?:,\d{3})+\.\d+|(?:\.\d{3}){2,}|(?:,\d{3}){2,})"
_QUANTITY = re.compile(
    rf"""\s*(?P<value>{NUMBER})\s*
    (?P<unit>[^±+]*?)\s*
    (?:{PLUS_MINUS}(?P<half>{NUMBER})\s*(?P<half_unit>.*?))?\s*""",
    re.VERBOSE,
)


# From one value to another, as in 15 to 22 degC; a hyphen only between two numbers.
_RANGE = re.compile(
    rf"""\s*(?P<low>{NUMBER})\s*(?P<low_unit>[^-–—\d±+]*?)\s*(?:\b(?:to|bis)\b|–|—|-)\s*
    (?P<high>{NUMBER})\s*(?P<unit>(?!\s*(?:to|bis)\b)[^±+–—]*?)\s*""",
    re.VERBOSE,
)


# What people type of each unit, in small letters. Engine speed is kept in 1/min (rpm): pint would
# count a revolution as 2π; the trade counts turns.
_TYPED = {
    "degC": "c, celsius, ℃",
    "degF": "fahrenheit, ℉, f",
    "km/hour": "kmh, km/h, kph, km/hr",
    "mile/hour": "mph",
    "kg": "kg, kgs, kilo, kilos",
    "lb": "lb, lbs",
    "cm**3": "cc, ccm, cm3",
    "cm**3/min": "cc/min, ccm/min, cm3/min, ml/min",
    "in**3": "cu in, ci",
    "stone": "st",
    "1/min": "rpm, rev/min, revs/min, r/min, min-1, min^-1, turns/min, revolution/minute, "
    "revolutions per minute",
    "hp": "bhp",
    "1/s": "rps, rev/s, r/s, revolutions per second",
    "turn_in_radians/s": "rad/s, radian/second",
    "%": "percent",
    "lb/hour": "lb/hr, lb/h",
    "m**2": "m2, m²",
    "ft**2": "ft2, ft², sq ft",
    "g/cm**3": "g/cc",
    "kg/L": "kg/l",
    "kg/m**3": "kg/m3, kg/m³",
    "g/mL": "g/ml",
    "imperial_gallon": "imp gal, imperial gal, imperial gallon, uk gal",
    "gallon": "us gal, us gallon",
    "L": "l, liter, litre",
    "mbar": "mbar",
    "degree": "°, deg",
}
_SPELLINGS = {typed: unit for unit, all_ in _TYPED.items() for typed in all_.split(", ")}


# Of a temperature, in words or with one of the signs that look like a degree's.
_DEGREES = re.compile(r"(?:[°º˚]|deg(?:rees?)?) ?(c|f|celsius|fahrenheit)|([cf])[°º˚]")


# How large the units of most riders are, in the SI unit of what they measure. Pint knows these, too
# (a test compares them), but takes half a second to load.
_POUND_FORCE = 0.45359237 * 9.80665
_PSI, _GALLON = _POUND_FORCE / 0.0254**2, 231 * 0.0254**3
_GALLONS = {"gal": _GALLON, "gallon": _GALLON, "imperial_gallon": 4.54609e-3}
_SIZES = {
    "1": {"%": 0.01},
    "1/min": {"1/s": 60.0},
    "s": {"ms": 1e-3, "min": 60.0},
    "m": {"km": 1e3, "cm": 1e-2, "mm": 1e-3, "in": 0.0254, "ft": 0.3048, "mile": 1609.344},
    "m/s": {"km/hour": 1 / 3.6, "mile/hour": 0.44704},
    "m**2": {"cm**2": 1e-4, "ft**2": 0.3048**2},
    "m**3": {"L": 1e-3, "mL": 1e-6, "cm**3": 1e-6, **_GALLONS},
    "m**3/s": {"cm**3/min": 1e-6 / 60},
    "kg": {"g": 1e-3, "lb": 0.45359237},
    "kg/s": {"lb/hour": 0.45359237 / 3600, "g/min": 1e-3 / 60},
    "kg/m**3": {"kg/L": 1e3, "g/cm**3": 1e3, "lb/ft**3": 0.45359237 / 0.3048**3},
    "K": {"degC": 1.0, "degF": 5 / 9},
    "Pa": {"hPa": 1e2, "mbar": 1e2, "kPa": 1e3, "bar": 1e5, "psi": _PSI, "inHg": 3386.388640341},
    "N": {"lbf": _POUND_FORCE},
    "N*m": {"lbf*ft": _POUND_FORCE * 0.3048},
    "W": {"kW": 1e3, "hp": 550 * 0.3048 * 0.45359237 * 9.80665},
}
# What a thermometer shows 0 at, in kelvin.
_ZEROS = {"degC": 273.15, "degF": 273.15 - 32 * 5 / 9}


class Unit(NamedTuple):
    """What a unit measures, its size, and where its zero lies.

    Attributes
    ----------
    measure : str
        The SI unit of the same kind of quantity.
    size, zero : float
        In that one.
    """

    measure: str
    size: float
    zero: float = 0.0


# The long, the short and the metric ton, a hundredweight of 100 or of 112 lb; a gram or a grain, a
# metre or a mile; and what to write.
_TWO_MEANINGS = dict.fromkeys(("ton", "tons", "cwt", "hundredweight"), "kg or lb") | {
    "gr": "g or grain",
    "gr/min": "g/min or grain/min",
    "m/h": "mph or km/h",
    "m/hr": "mph or km/h",
}


@functools.cache
def parse_unit(text: str) -> Unit:
    """Unit that a rider's spelling stands for.

    Parameters
    ----------
    text : str
        For example ``"km/h"``, ``"°C"``, ``"cc/min"``, ``"lb"``, ``"%"``.

    Returns
    -------
    Unit

    Raises
    ------
    ValueError
        If the unit is unknown.

    Examples
    --------
    >>> parse_unit("°C")
    Unit(measure='K', size=1.0, zero=273.15)
    """
    if len(text) > LONGEST:
        raise ValueError(f"unknown unit {text.strip()[:BEGINNING]!r}…")
    plain = " ".join(text.split())
    degrees = _DEGREES.fullmatch(plain.lower())
    spelled = _SPELLINGS.get((degrees[1] or degrees[2]) if degrees else plain.lower())
    if spelled is None and not _UNIT.fullmatch(plain):
        raise ValueError(f"unknown unit {plain!r}")
    if spelled is None and plain.lower() in _TWO_MEANINGS:
        raise ValueError(f"{plain!r} has several meanings; write {_TWO_MEANINGS[plain.lower()]}")
    if spelled is None and re.search(r"rev|turns|cycle|radian|\brad\b|bpm", plain, re.IGNORECASE):
        # Pint counts these in radians or as nothing at all.
        raise ValueError(f"unknown unit {plain!r}; write rpm for engine speed")
    name = spelled or plain
    for measure, sizes in _SIZES.items():
        if name == measure or name in sizes:
            return Unit(measure, sizes.get(name, 1.0), _ZEROS.get(name, 0.0))
    try:
        return _unit_of_pint(name)
    except Exception as error:  # pint raises half a dozen kinds, tokenizer errors among them
        raise ValueError(f"unknown unit {text.strip()!r}") from error


def _unit_of_pint(name: str) -> Unit:
    """A unit that only pint knows."""
    registry = _registry()
    unit = registry.parse_units(name)
    for measure in _SIZES:
        if registry.parse_units(measure).dimensionality == unit.dimensionality:
            zero, one = (registry.Quantity(x, unit).to(measure).magnitude for x in (0.0, 1.0))
            return Unit(measure, one - zero, zero)
    # Of a kind that nothing here is of: it is like no other.
    return Unit(name, 1.0)


@functools.cache
def _registry():
    import pint

    try:
        # Pint's own cache of its definitions in the user's cache folder: ten times as fast.
        found = pint.UnitRegistry(cache_folder=":auto:")
    except OSError:
        found = pint.UnitRegistry()
    # A turn counts as 1, so that a radian is a part of it.
    found.define(f"turn_in_radians = {1 / math.tau!r}")
    return found


def measures(unit: str, si_unit: str) -> bool:
    """Whether a unit as typed is one of what is kept in an SI unit; a plain ratio is no angle.

    Raises
    ------
    ValueError
        If the unit is unknown.

    Examples
    --------
    >>> measures("mph", "m/s"), measures("deg", "1"), measures("%", "1")
    (True, False, True)
    """
    if si_unit == "1":
        return _SPELLINGS.get(unit.lower(), unit) in _RATIOS
    return parse_unit(unit).measure == parse_unit(si_unit).measure


def convert(values: ArrayLike, from_unit: str, to_unit: str) -> float | np.ndarray:
    """Values given in one unit, in another.

    Parameters
    ----------
    values : float or array
    from_unit, to_unit : str
        Units as people write them. Absolute temperatures are converted with their offset.

    Returns
    -------
    float or array, same shape

    Raises
    ------
    ValueError
        If a unit is unknown or the two measure different things.

    Examples
    --------
    >>> convert(36.0, "km/h", "m/s")
    10.0
    >>> round(convert(68.0, "degF", "degC"), 6)
    20.0
    """
    factor, offset = line_between(from_unit, to_unit)
    array = np.asarray(values, dtype=float)
    result = factor * array
    if offset:
        result = result + offset
    return float(result) if array.ndim == 0 else result


@functools.cache
def line_between(from_unit: str, to_unit: str) -> tuple:
    """Factor and offset between two units.

    Parameters
    ----------
    from_unit, to_unit : str

    Examples
    --------
    >>> line_between("degC", "K")
    (1.0, 273.15)
    """
    source, target = parse_unit(from_unit), parse_unit(to_unit)
    if source.measure != target.measure:
        wanted = f"write a unit such as {to_unit!r}"
        raise ValueError(f"{from_unit.strip()!r} is the wrong kind of unit here; {wanted}")
    return source.size / target.size, (source.zero - target.zero) / target.size


def parse_number(text: str) -> float:
    """Plain number as a person types it, with a point as the decimal sign.

    Raises
    ------
    ValueError
        If the text is not one finite number, or has a decimal comma.

    Examples
    --------
    >>> parse_number(" 13.2 ")
    13.2
    """
    stripped = text.strip().replace("−", "-")
    said, typed = SAID_OF_NUMBERS, text.strip()
    if len(stripped) > LONGEST:
        raise ValueError(said["too long"].format(beginning=stripped[:BEGINNING]))
    if not re.fullmatch(NUMBER, stripped):
        refuse_marks(typed)
        if re.fullmatch(r"[-+]?[0-9]+,[0-9]+", stripped):
            raise ValueError(f"{typed!r} has a comma; write {stripped.replace(',', '.')!r}")
        code, slots = beside_a_number(typed)
        remedy = ONE_NUMBER.format(**slots) if code in ("range", "plus minus") else ""
        raise ValueError(said[code].format(text=typed, remedy=remedy, **slots))
    number = float(stripped)
    if not math.isfinite(number):
        raise ValueError(said["not finite"].format(text=typed))
    return number


# A comma that may part thousands or be the decimal sign.
TWO_WAYS = r"[1-9]\d{0,2},\d{3}"


def without_marks(text: str) -> str:
    """A number without the marks between its thousands, and with a point; empty if it has none.

    Examples
    --------
    >>> without_marks("1.300,5"), without_marks("1,300.5"), without_marks("1,250")
    ('1300.5', '1300.5', '')
    """
    if not re.fullmatch(GROUPED, text):
        return ""
    at = max(text.rfind("."), text.rfind(",")) if "." in text and "," in text else len(text)
    decimals = text[at + 1 :]
    return re.sub("[.,]", "", text[:at]) + (f".{decimals}" if decimals else "")


def beside_a_number(text: str, decimal_sign: str = ".") -> tuple:
    """What a text that is no plain number has beside one, and the numbers to say of it.

    Parameters
    ----------
    text : str
    decimal_sign : str
        Of the numbers that are shown.

    Returns
    -------
    tuple
        A key of :data:`SAID_OF_NUMBERS`, and ``value``, ``low``, ``high`` and ``middle`` as texts,
        as far as they are there.

    Examples
    --------
    >>> beside_a_number("61 to 62")
    ('range', {'value': '61', 'low': '61', 'high': '62', 'middle': '61.5'})
    >>> beside_a_number("~13")
    ('about', {'value': '13'})
    >>> beside_a_number("many")
    ('no number', {})
    """
    plain = text.strip().lower().replace("−", "-")
    plain = re.sub(COMMA, ".", plain)
    for code, pattern in BESIDE_A_NUMBER.items():
        match = re.fullmatch(pattern, plain) if len(plain) <= LONGEST else None
        if not match:
            continue
        slots = {"value": match[1]}
        if code in ("range", "plus minus"):
            one, other = float(match[1]), float(match[2])
            ends = (one, other) if code == "range" else (one - other, one + other)
            if not all(map(math.isfinite, ends)):
                break
            low, high = ends
            slots |= {"low": f"{low:g}", "high": f"{high:g}", "middle": f"{(low + high) / 2:g}"}
        return code, {name: shown.replace(".", decimal_sign) for name, shown in slots.items()}
    return "no number", {}


def parse_quantity(text: str, si_unit: str, example: str = "", *, plus_minus: str = "") -> Measured:
    """Value with unit, and uncertainty where there is one, in SI.

    Parameters
    ----------
    text : str
        ``"118 kg"``, ``"6.5 +/- 0.3 %"``, ``"72 kg ± 2 lb"``. What follows the sign is the
        half-width of a 95 % interval. If only one of the two has a unit, both have it.
        ``"15 to 22 degC"`` is the middle with half of the way.
    si_unit : str
        The unit of the result: ``"kg"``, ``"K"``, ``"1"`` for a plain ratio, ...
    example : str
        What the remedy shows as a good value; left out: one that fits the unit.
    plus_minus : str
        ``"none"`` where a remedy must not speak of a +/-, ``"needed"`` where it must.

    Returns
    -------
    Measured

    Raises
    ------
    ValueError
        In one sentence that ends with the remedy: no unit, unknown unit, a unit of another kind,
        or no number.

    Examples
    --------
    >>> parse_quantity("6.5 +/- 0.3 %", "1")
    Measured(value=0.065, half_width=0.003)
    >>> parse_quantity("20 degC +/- 2 degC", "K")
    Measured(value=293.15, half_width=2.0)
    >>> parse_quantity("2 to 5 m/s", "m/s")
    Measured(value=3.5, half_width=1.5)
    """
    example = example or _EXAMPLES[si_unit]
    remedy = f"write for example {example!r}"
    text = re.sub("[‐‑‒]", "-", " ".join(text.split()))
    if len(text) > LONGEST:
        raise ValueError(f"{text[:20]!r}… is not a value with a unit; {remedy}")
    refuse_marks(text)
    if re.search(r"\d,\d", text):
        pointed = re.sub(COMMA, ".", text)
        raise ValueError(f"{text!r} has a comma in a number; write a point: {pointed!r}")
    sure = re.sub(ROUGHLY, "", text, flags=re.IGNORECASE)
    if sure != text:
        return _about(text, sure, si_unit, example, plus_minus)
    span = _RANGE.fullmatch(text.replace("−", "-"))
    if span:
        return _from_to(span, si_unit, example)
    match = _QUANTITY.fullmatch(text.replace("−", "-"))
    if not match:
        raise ValueError(f"{text!r} is not a value with a unit; {remedy}")
    unit = match["unit"] or match["half_unit"] or ""
    half_unit = match["half_unit"] or unit
    if not unit and si_unit != "1":
        raise ValueError(f"{text!r} has no unit; {remedy}")
    unit, half_unit = unit or "1", half_unit or "1"
    value = float(match["value"])
    half = float(match["half"]) if match["half"] else 0.0
    if not (math.isfinite(value) and math.isfinite(half)):
        raise ValueError(f"{text!r} is not a finite number; {remedy}")
    if half < 0:
        raise ValueError(f"{text!r} has a negative uncertainty; write it without the minus sign")
    for name in (unit, half_unit):
        try:
            fits = measures(name, si_unit)
        except ValueError as error:
            said = f"{error}" if "; write" in f"{error}" else f"{error}; {remedy}"
            raise ValueError(said) from None
        if not fits:
            raise ValueError(f"{name!r} is the wrong kind of unit here; {remedy}")
    # A width has no zero of its own: of the two numbers of a line, only the factor counts.
    width = half * line_between(half_unit, si_unit)[0]
    return Measured(_tidy(convert(value, unit, si_unit)), _tidy(width))


def refuse_marks(text: str, decimal_sign: str = ".") -> None:
    """Refuse numbers with marks between their thousands, or that could have one.

    Parameters
    ----------
    text : str
    decimal_sign : str
        Of the table in which the text stands.

    Raises
    ------
    ValueError
        With what to write instead, in both readings where there are two.

    Examples
    --------
    >>> refuse_marks("13.2 ft")
    >>> refuse_marks("1,300 ft")
    Traceback (most recent call last):
    ValueError: '1,300 ft' could be read two ways; write '1300 ft' or '1.3 ft'
    """
    for match in re.finditer(MARKED, text if len(text) <= LONGEST else ""):
        number, before, after = match[0], text[: match.start()], text[match.end() :]
        plain = without_marks(number).replace(".", decimal_sign)
        if plain:
            value = before + plain + after
            raise ValueError(SAID_OF_NUMBERS["grouped"].format(text=text, value=value))
        if decimal_sign == "." and re.fullmatch(TWO_WAYS, number):
            raise ValueError(two_ways_said(text, number))


def two_ways_said(text: str, number: str) -> str:
    """What is said of three digits behind one mark, in ways that are no riddle themselves.

    Examples
    --------
    >>> two_ways_said("1.862 km", "1.862")
    "'1.862 km' could be read two ways; write '1862 km' or '1.8620 km'"
    """
    parts = number.replace(",", ".")
    plain = f"{float(parts):.2f}".rstrip("0") if parts.endswith("0") else f"{parts}0"
    readings = re.sub("[.,]", "", number), plain + "0" * plain.endswith(".")
    whole, parts = (text.replace(number, one, 1) for one in readings)
    return f"{text!r} could be read two ways; write {whole!r} or {parts!r}"


def _about(text: str, sure: str, si_unit: str, example: str, plus_minus: str) -> Measured:
    """A value that is called a rough one: read if it says how rough, else refused."""
    read = parse_quantity(sure, si_unit, example, plus_minus=plus_minus)
    if read.half_width:
        return read
    match = _QUANTITY.fullmatch(sure.replace("−", "-"))
    remedy = f"write {sure!r}"
    if match and not match["half"] and plus_minus != "none":
        # No more than the form of an answer: one digit, of the size of a few per cent.
        half = f"{abs(float(match['value'])) / 25 or 1.0:.0e}"
        doubted = f"{match['value']} +/- {float(half):g} {match['unit']}".strip()
        bare = "write " if plus_minus == "needed" else f"{remedy}, or "
        remedy = f"{bare}{doubted!r} if it may be off by so much"
    raise ValueError(f"{text!r} does not say how far off it may be; {remedy}")


def unit_typed(text: str, si_unit: str) -> str:
    """The unit in which a quantity was typed, to say limits in it; else the SI unit.

    Parameters
    ----------
    text : str
    si_unit : str

    Examples
    --------
    >>> unit_typed("1240 lb +/- 4 lb", "kg"), unit_typed("15 to 22 degC", "K")
    ('lb', 'degC')
    >>> unit_typed("0.3", "1"), unit_typed("30 %", "1"), unit_typed("12 apples", "kg")
    ('1', '%', 'kg')
    """
    text = " ".join(text.split()).replace("−", "-")
    match = _RANGE.fullmatch(text) or _QUANTITY.fullmatch(text)
    found = match.groupdict() if match else {}
    unit = found.get("unit") or found.get("half_unit") or si_unit
    try:
        return unit if measures(unit, si_unit) else si_unit
    except ValueError:
        return si_unit


def _from_to(span, si_unit: str, example: str) -> Measured:
    """The middle of a range, with half of its width."""
    units = span["low_unit"] or span["unit"], span["unit"] or span["low_unit"]
    ends = (f"{span[end]} {unit}" for end, unit in zip(("low", "high"), units, strict=True))
    low, high = (parse_quantity(end, si_unit, example).value for end in ends)
    if low > high:
        said = f"{' '.join(span[0].split())!r} goes down; write the lower value first"
        raise ValueError(f"{said}, for example {example!r}")
    return Measured(_tidy((low + high) / 2), _tidy((high - low) / 2))


def _tidy(value: float) -> float:
    """The same value without the last-bit noise that a chain of conversions leaves."""
    return float(f"{value:.12g}")


_EXAMPLES = {
    "kg/s": "16 lb/h",
    "1": "0.02 +/- 0.005",
    "kg": "118 kg",
    "m": "400 m",
    "m/s": "62 km/h",
    "K": "18 degC",
    "Pa": "1013 hPa",
    "m**2": "0.55 m2",
    "m**3": "180 cc",
    "m**3/s": "160 cc/min",
    "kg/m**3": "745 kg/m3",
    "1/min": "9000 rpm",
    "s": "1.1 ms",
}

# What is printed of each kind of quantity: in SI, then in each system of units.
SYSTEMS = ("metric", "us", "imperial")
KINDS = {
    "speed": ("m/s", "km/h", "mph", "mph"),
    "length": ("m", "m", "ft", "ft"),
    "mass": ("kg", "kg", "lb", "lb"),
    "temperature": ("K", "degC", "degF", "degC"),
    "pressure": ("Pa", "hPa", "inHg", "mbar"),
    "fuel_pressure": ("Pa", "bar", "psi", "psi"),
    "force": ("N", "N", "lbf", "lbf"),
    "power": ("W", "kW", "hp", "bhp"),
    "flow": ("m**3/s", "cm**3/min", "cm**3/min", "cm**3/min"),
    "volume": ("m**3", "L", "gallon", "imperial_gallon"),
    "displacement": ("m**3", "cm**3", "cm**3", "cm**3"),
    "area": ("m**2", "m**2", "ft**2", "ft**2"),
    "time": ("s", "ms", "ms", "ms"),
    "clearance": ("m", "mm", "inch", "mm"),
    "oil_use": ("m**2", "mL/km", "mL/mile", "mL/mile"),
    "share": ("1", "percent", "percent", "percent"),
    "density": ("kg/m**3", "kg/m**3", "lb/ft**3", "kg/m**3"),
    "torque": ("N*m", "N*m", "lbf*ft", "lbf*ft"),
}
# Units as people write them, where a header spells them out.
_LABELS = {
    "degC": "°C",
    "degF": "°F",
    "cm**3/min": "cc/min",
    "gallon": "US gal",
    "imperial_gallon": "gal (imperial)",
    "cm**3": "cc",
    "percent": "%",
    "inch": "in",
    "m**2": "m²",
    "ft**2": "ft²",
    "kg/m**3": "kg/m³",
    "lb/ft**3": "lb/ft³",
    "N*m": "N·m",
    "lbf*ft": "lb·ft",
}


def unit_of(kind: str, system: str) -> str:
    """Unit of a kind of quantity in a system of units, as a header spells it.

    Examples
    --------
    >>> unit_of("temperature", "us")
    'degF'
    """
    return KINDS[kind][1 + SYSTEMS.index(system)]


def unit_label(kind: str, system: str) -> str:
    """Unit that a report in this system of units prints for a kind of quantity.

    Examples
    --------
    >>> unit_label("speed", "us")
    'mph'
    """
    return sign_of(unit_of(kind, system))


def sign_of(unit: str) -> str:
    """A unit that a file's header spells out as a page shows it.

    Examples
    --------
    >>> sign_of("degC"), sign_of("km/h")
    ('°C', 'km/h')
    """
    return _LABELS.get(unit, unit)


def to_display(values: ArrayLike, kind: str, system: str) -> float | np.ndarray:
    """SI values in the unit that a report in this system of units prints.

    Examples
    --------
    >>> to_display(10.0, "speed", "metric")
    36.0
    """
    return convert(values, KINDS[kind][0], unit_of(kind, system))


def from_display(values: ArrayLike, kind: str, system: str) -> float | np.ndarray:
    """Values in a report's unit, in SI: the way back from :func:`to_display`.

    Examples
    --------
    >>> from_display(36.0, "speed", "metric")
    10.0
    """
    return convert(values, unit_of(kind, system), KINDS[kind][0])
