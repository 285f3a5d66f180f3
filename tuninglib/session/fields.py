"""Fields of the records of session.toml: a kind, a help, an example, limits.

A field says everything about its key, so that reading, refusing and the fill-in session need no
other list.
"""

import dataclasses
from dataclasses import field

MISSING = dataclasses.MISSING


def quantity(
    unit,
    help_,
    *,
    example,
    low=None,
    high=None,
    default=MISSING,
    or_by_mass=None,
    plus_minus="",
    widest=None,
    asked=False,
):
    """Field for a value with a unit, kept in SI with its 95 % half-width.

    ``or_by_mass`` is a density in kg/m3: a mass may be typed instead of a volume, and is divided
    by it. ``plus_minus`` is ``"none"`` where a half-width has no meaning and is refused, or
    ``"needed"`` where a bare value could be read two ways. ``widest`` is the largest half-width;
    left out: half of the range of the value. ``asked`` is whether a new session asks for it,
    though something else may be written instead.
    """
    more = {
        "low": low,
        "high": high,
        "or_by_mass": or_by_mass,
        "plus_minus": plus_minus,
        "widest": (high - low) / 2 if widest is None and high is not None else widest,
    }
    return _field("quantity", help_, example, default, unit=unit, asked=asked, **more)


def number(help_, *, example, low=None, high=None, default=MISSING, whole=False):
    """Field for a plain number, or a whole one."""
    return _field("number", help_, example, default, low=low, high=high, whole=whole)


def text(help_, *, example="", default=MISSING):
    """Field for free text."""
    return _field("text", help_, example, default)


def date(help_, *, example):
    """Field for a day."""
    return _field("date", help_, example, MISSING)


def choice(help_, *choices, default=MISSING):
    """Field for one of a few words."""
    return _field("choice", help_, choices[0], default, choices=choices)


def reference(table, help_, *, example, default=MISSING):
    """Field for the name of an entry in another table."""
    return _field("reference", help_, example, default, table=table)


def references(table, help_, *, example):
    """Field for a list of names of entries in another table."""
    return _field("references", help_, example, (), table=table)


def octane(help_, *, example):
    """Field for an octane number with its scale."""
    return _field("octane", help_, example, None)


def price(help_, *, example, low, high):
    """Field for the price of one litre; another volume may be named."""
    return _field("price", help_, example, None, low=low, high=high)


def names(help_, *, example, keys):
    """Field for a table in braces: some of these keys, each with a text."""
    return _field("names", help_, example, (), keys=keys)


def place(help_, *, example):
    """Field for a place by its coordinates."""
    return _field("place", help_, example, None)


def numbers(help_, *, example, low, high):
    """Field for a list of whole numbers."""
    return _field("numbers", help_, example, (), low=low, high=high)


def pieces(record):
    """Field for tables of their own, each read as this record."""
    return field(default=(), metadata={"kind": "pieces", "record": record})


def speed_pairs(help_, *, example, low, high):
    """Field for pairs of shown and true speed, in m/s."""
    return _field("speed pairs", help_, example, (), unit="m/s", low=low, high=high)


def _field(kind, help_, example, default, **more):
    metadata = {"kind": kind, "help": help_, "example": example, **more}
    return field(default=default, metadata=metadata)
