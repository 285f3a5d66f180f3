"""Writes the schema of results.json anew, from the records that the file is made of.

    python -m tests.tools.results_schema

A key's type is its field's annotation, its meaning the field's entry under Attributes (or
Parameters) in the docstring of its record. A number that may be NaN or infinite says so there, and
is null in the file. A test holds the written file to what this gives.
"""

import dataclasses
import inspect
import json
import re
import types
import typing

from tuninglib.analysis.analyse import KEYS, SCHEMA, SCHEMA_FILE, WORKED_OUT, Results
from tuninglib.analysis.decide import Flip, Step
from tuninglib.analysis.gain import Road
from tuninglib.session.records import FoundRuns
from tuninglib.session.trace import LeftOut

# Names that a module knows only while types are checked.
LATE = {one.__name__: one for one in (Road, LeftOut)}
NULL = {"type": "null"}
PLAIN = {float: "number", int: "integer", str: "string", bool: "boolean"}
# Keys in front that no record holds.
FRONT = {
    "schema": {
        "description": "Always this text; another number means other keys.",
        "const": SCHEMA,
    },
    "title": {"description": "Of the outing.", "type": "string"},
    "invented": {"description": "Whether nobody rode it.", "type": "boolean"},
    "date": {
        "description": "Day of the outing, year-month-day.",
        "type": "string",
        "format": "date",
    },
    "reference": {"description": "The setup that gains are counted from.", "type": "string"},
    "interval": {
        "description": "Probability that every interval in this file is meant to have.",
        "const": 0.95,
    },
}


def meanings(record) -> dict:
    """What each attribute of a record means, as its docstring says."""
    section = re.search(
        r"(?:Attributes|Parameters)\n-+\n(.*?)(?:\n\w[^\n]*\n-{3,}|\Z)",
        inspect.getdoc(record),
        flags=re.DOTALL,
    )
    found, names = {}, []
    for line in section[1].replace("\\\n", " ").splitlines() if section else ():
        if line and not line.startswith(" "):
            names = [name.strip() for name in line.split(" : ")[0].split(",")]
            found |= dict.fromkeys(names, "")
        else:
            for name in names:
                found[name] = f"{found[name]} {line.strip()}".strip()
    return {name: in_plain_text(text) for name, text in found.items()}


def in_plain_text(text: str) -> str:
    """A docstring's text without its marks; what is None in Python is null in the file."""
    text = re.sub(r":\w+:`([^`]*)`", r"\1", text).replace("``", "")
    return re.sub(r"\bNone\b", "null", text)


def type_schema(kind, records: dict) -> dict:
    """The schema of an annotation; records that it names are added to those to be described."""
    if kind in PLAIN:
        return {"type": PLAIN[kind]}
    if dataclasses.is_dataclass(kind):
        records.setdefault(kind.__name__, kind)
        return {"$ref": f"#/$defs/{kind.__name__}"}
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        return either([NULL if one is type(None) else type_schema(one, records) for one in inner])
    if origin is typing.Literal:
        return {"enum": list(inner)}
    if origin is dict:
        return {"type": "object", "additionalProperties": type_schema(inner[1], records)}
    if origin is tuple and inner[-1] is Ellipsis:
        return {"type": "array", "items": type_schema(inner[0], records)}
    if origin is tuple:
        parts = [type_schema(one, records) for one in inner]
        return {"type": "array", "prefixItems": parts, "items": False, "minItems": len(parts)}
    raise TypeError(f"{kind!r} says too little; state what it holds")


def either(choices: list) -> dict:
    """One of several schemas; plain types in short."""
    if all(set(one) == {"type"} for one in choices):
        return {"type": [one["type"] for one in choices]}
    return {"anyOf": choices}


def with_null(schema: dict) -> dict:
    """A number that is null where it is not finite."""
    return either([schema, NULL])


def record_schema(record, records: dict, skipped=()) -> dict:
    """The schema of a record: every field, and the properties that are written beside them."""
    about = meanings(record)
    kinds = typing.get_type_hints(record, localns=LATE | every_record())
    properties = {}
    for field in dataclasses.fields(record):
        if field.name in skipped:
            continue
        said = about.get(field.name, "")
        schema = type_schema(kinds[field.name], records)
        if schema == {"type": "number"} and re.search(r"\b(NaN|infinite)\b", said):
            schema = with_null(schema)
        properties[field.name.rstrip("_")] = {"description": said} | schema
    for name in WORKED_OUT.get(record, ()):
        getter = getattr(record, name).fget
        kind = typing.get_type_hints(getter)["return"]
        said = in_plain_text(inspect.getdoc(getter))
        properties[name] = {"description": said} | type_schema(kind, records)
    return {
        "description": in_plain_text(inspect.getdoc(record).split("\n\n")[0].replace("\n", " ")),
        **object_schema(properties),
    }


def object_schema(properties: dict) -> dict:
    return {
        "type": "object",
        "additionalProperties": False,
        "required": list(properties),
        "properties": properties,
    }


def every_record() -> dict:
    """Records that annotations may name before they are imported."""
    from tuninglib.analysis import combinations, records

    return {
        name: one
        for module in (combinations, records)
        for name, one in vars(module).items()
        if inspect.isclass(one)
    }


def results_schema() -> dict:
    """The whole schema, as JSON Schema has it."""
    records: dict = {}
    about, kinds = meanings(Results), typing.get_type_hints(Results)

    def key(name):
        return {"description": about[name]} | type_schema(kinds[name], records)

    flip = {
        "code": record_schema(Flip, {})["properties"]["code"],
        "ride": {
            "description": "The setup to ride then; null if none.",
            "type": ["string", "null"],
        },
        "next": {"description": "The next step then."} | type_schema(Step, records),
    }
    special = FRONT | {
        "flips": {
            "description": about["flips"],
            "type": "array",
            "items": object_schema(flip),
        },
        "found_runs": {
            "description": "Runs that were found in a track; null where they were not looked for.",
            **type_schema(FoundRuns | None, records),
        },
        "provenance": {
            "description": about["provenance"],
            **type_schema(dict[str, str], records),
        },
    }
    properties = {name: special.get(name) or key(name) for name in (*FRONT, *KEYS)}
    defs: dict = {}
    while len(defs) < len(records):
        for name in [name for name in records if name not in defs]:
            # Forces for a season stand once, in the season's record.
            skipped = ("of_day",) if records[name] is Road else ()
            defs[name] = record_schema(records[name], records, skipped)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": SCHEMA,
        "description": "results.json beside a report: plain numbers in SI, the unit in each name; "
        "what is not known is null.",
        **object_schema(properties),
        "$defs": dict(sorted(defs.items())),
    }


def as_text(schema: dict) -> str:
    """As it stands in the file."""
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    SCHEMA_FILE.write_text(as_text(results_schema()), encoding="utf-8")
