"""results.json: the results for programs, with a version in front and every key documented.

The keys, their units and meanings stand in ``results.schema.json`` beside this module, in the
open JSON Schema format; a test holds every report to it.
"""

import dataclasses
import math
from pathlib import Path

from tuninglib.analysis.records import Pull
from tuninglib.analysis.results import Results
from tuninglib.statistics.gain import Gain

SCHEMA = "tuninglib results 3"
SCHEMA_FILE = Path(__file__).with_name("results.schema.json")
# Properties that a program should not have to work out again.
_WORKED_OUT = {Gain: ("smallest_visible", "verdict"), Pull: ("verdict",)}


def results_document(results: Results) -> dict:
    """Results for programs: plain numbers in SI, the unit in each name, a version in front.

    Parameters
    ----------
    results : Results

    Returns
    -------
    dict
        Ready for JSON; numbers that are not finite become None.
    """
    about = results.session.about
    return {
        "schema": SCHEMA,
        "title": about.title,
        "date": about.date.isoformat(),
        "reference": about.reference,
        "interval": 0.95,
        "plan": _plain(results.plan),
        "flips": [
            {"code": one.code, "ride": _setup_of(one.plan), "next": _plain(one.plan.next)}
            for one in results.flips
        ],
        "combinations": _plain(results.combinations),
        "octane": _plain(results.octane),
        "gauge_check": _plain(results.gauge_check),
        "mixtures": _plain(results.mixtures),
        "road": _without(_plain(results.road), "of_day"),
        "ladder": _plain(results.ladder),
        "what_if": _plain(results.what_if),
        "flat_top_speeds": _plain(results.flat_top_speeds),
        "gearing": _plain(results.gearing),
        "climbs": _plain(results.climbs),
        "fuel_use": _plain(results.fuel_use),
        "outlay": _plain(results.outlay),
        "logs": _plain(results.logs),
        "bands": _plain(results.bands),
        "followings": _plain(results.followings),
        "force_curves": _plain(results.force_curves),
        "found_runs": _plain(results.session.found),
        "doubts": _plain(results.doubts),
        "knocks": _plain(results.knocks),
        "fuel_limits": _plain(results.fuel_limits),
        "runs": _plain(results.runs),
        "provenance": dict(results.provenance),
        "season": _plain(results.season),
    }


def _without(record, key):
    """A record without one of its parts, which stands elsewhere."""
    return record and {name: value for name, value in record.items() if name != key}


def _setup_of(plan) -> str | None:
    return plan.ride.setup if plan.ride else None


def _plain(value):
    if dataclasses.is_dataclass(value):
        names = [field.name for field in dataclasses.fields(value)]
        names += _WORKED_OUT.get(type(value), ())
        return {name.rstrip("_"): _plain(getattr(value, name)) for name in names}
    if isinstance(value, dict):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
