"""Every ± that is typed counts: what is known worse makes something less certain."""

import json
from dataclasses import fields, replace

import pytest

from tuninglib.analysis.analyse import analyse, results_document
from tuninglib.interval import Measured
from tuninglib.physics.fuels import Octane
from tuninglib.session.load import load_session
from tuninglib.session.schema import Assumptions

pytestmark = pytest.mark.slow

RECORDS = ("bike", "hill", "weather", "speedometer", "gauge", "assumptions")
TABLES = ("riders", "engines", "fuels", "injectors")
# What is a limit, a step or a half-width itself; a ± on it is refused when it is read.
EXACT = {
    "bike": {"highest_ethanol", "highest_head_temperature"},
    "speedometer": {"resolution"},
    "engines": {"bore", "stroke", "highest_speed", "clearance_volume"},
    "injectors": {"tolerance"},
    "assumptions": {"run_scatter", "leaner_limit"},
}


@pytest.fixture(scope="module")
def session(demo_folder):
    """The demo with all that it leaves out, on a hill of one slope."""
    demo = load_session(demo_folder)
    return replace(
        demo,
        bike=replace(demo.bike, drag_area=Measured(0.56, 0.1),
                     rolling_coefficient=Measured(0.015, 0.004)),
        hill=replace(demo.hill, pieces=()),
        weather=replace(demo.weather, temperature=Measured(290.0, 2.0), pressure=None),
        fuels={name: replace(one, petrol_density=Measured(745.0, 5.0), octane=Octane(98.0, "RON"))
               for name, one in demo.fuels.items()},
        runs=demo.runs.assign(air_temperature_k=float("nan")),
    )  # fmt: skip


@pytest.fixture(scope="module")
def base(session):
    return json.dumps(results_document(analyse(session)), sort_keys=True)


def measured(record, name):
    return [
        f.name
        for f in fields(record)
        if "Measured" in str(f.type) and f.name not in EXACT.get(name, ())
    ]


def wider(value):
    return replace(value, half_width=1.5 * value.half_width or 0.02 * abs(value.value))


KEYS = [(name, key) for name in ("assumptions",) for key in measured(Assumptions(), name)]


@pytest.mark.parametrize("name", [*RECORDS, *TABLES])
def test_a_wider_half_width_shows_in_the_results(session, base, name):
    part = getattr(session, name)
    one = next(iter(part.values())) if name in TABLES else part
    tried = 0
    for key in measured(one, name):
        if getattr(one, key) is None:
            continue
        if name in TABLES:
            changed = {k: replace(v, **{key: wider(getattr(v, key))}) for k, v in part.items()}
        else:
            changed = replace(part, **{key: wider(getattr(part, key))})
        found = results_document(analyse(replace(session, **{name: changed})))
        assert json.dumps(found, sort_keys=True) != base, f"{name}.{key}"
        tried += 1
    assert tried
