"""The limits of every key and column, as they stand in a file: one that moves is seen."""

import csv
import dataclasses
import re

import pytest

from tests.tools.answers import CONTRACT, contract
from tuninglib.analysis.analyse import analyse
from tuninglib.interval import Measured
from tuninglib.physics.fuels import Octane
from tuninglib.report import cautions
from tuninglib.session import machine, schema
from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError


def test_no_limit_moves_unseen():
    with CONTRACT.open(encoding="utf-8", newline="") as stream:
        kept = [tuple(row) for row in csv.reader(stream)]
    assert contract() == kept, "python -m tests.tools.answers writes them anew, if that was wanted"


RIDINGS, COOLINGS = (
    schema.Use.__dataclass_fields__[key].metadata["choices"] for key in ("riding", "cooling")
)
ENGINE = {"bore": Measured(0.058), "stroke": Measured(0.055)}


@pytest.mark.parametrize(
    ("stated", "wanted"),
    [
        ({}, None),
        ({"compression_ratio": 10.5}, 10.5),
        ({"clearance_volume": Measured(16e-6)}, 1 + 0.25 * 3.141592653589793 * 58**2 * 55e-3 / 16),
        ({"clearance_volume": Measured(16e-6), "cylinders": 2.0}, 10.0822),
    ],
)
def test_compression_is_as_stated_or_from_the_volume(stated, wanted):
    found = machine.Engine(**ENGINE, **stated).compression
    assert found == (None if wanted is None else pytest.approx(wanted, rel=1e-4))


@pytest.mark.parametrize(
    ("stated", "wanted"),
    [({}, None), ({"ron": 95.0}, Octane(95.0, "RON")), ({"octane": Octane(91, "AKI")},) * 2],
)
def test_octane_is_on_the_scale_that_it_was_typed_in(stated, wanted):
    wanted = wanted["octane"] if isinstance(wanted, dict) else wanted
    assert machine.Fuel(**stated).octane_number == wanted
    bike = {f"lowest_{key}": value for key, value in stated.items()}
    assert machine.Bike(mass=Measured(120.0), **bike).octane_need == wanted


def test_the_careful_use_is_taken_unless_another_is_said():
    sustained = {one for one in RIDINGS if schema.Use(riding=one).sustained}
    assert sustained == {"unknown", "climbs", "motorway"}
    cooled = {one for one in COOLINGS if schema.Use(cooling=one).air_cooled}
    assert cooled == {"unknown", "air", "oil cooler"}


def test_a_rise_gives_the_grade_over_the_horizontal_distance():
    """By hand: 24 m up in 400 m of road are 24 in 399.279; a metre more is 4.2 % of that."""
    hill = schema.MeasuredHill(length=Measured(400.0, 0.0), rise=Measured(24.0, 1.0))
    assert hill.grade.value == pytest.approx(24 / 399.279, rel=1e-5)
    steeper, flatter = (
        schema.MeasuredHill(length=Measured(400.0), rise=Measured(rise)).grade.value
        for rise in (25.0, 23.0)
    )
    assert hill.grade.half_width == pytest.approx((steeper - flatter) / 2, rel=1e-3)
    longer, shorter = (
        schema.MeasuredHill(length=Measured(length), rise=Measured(24.0)).grade.value
        for length in (404.0, 396.0)
    )
    unsure = schema.MeasuredHill(length=Measured(400.0, 4.0), rise=Measured(24.0, 1.0))
    both = ((steeper - flatter) ** 2 + (longer - shorter) ** 2) ** 0.5 / 2
    assert unsure.grade.half_width == pytest.approx(both, rel=1e-3)
    assert dataclasses.replace(hill, pieces=()) == hill


def test_an_entry_speed_may_be_said_once_for_all_runs(results, demo_copy, retyped):
    told = results
    lacking = "entry_speed [km/h]"
    retyped(lambda rows: [{k: v for k, v in row.items() if k != lacking} for row in rows])
    with pytest.raises(SessionError, match=r"entry_speed: is empty while its partner is not"):
        load_session(demo_copy)
    path = demo_copy / "session.toml"
    text = path.read_text("utf-8")
    halves = []
    for half in (1, 3):
        said = f'[hill]\nentry_speed = "48 km/h +/- {half} km/h"'
        path.write_text(text.replace("[hill]", said, 1), "utf-8")
        session = load_session(demo_copy)
        runs = session.runs
        assert (runs["entry_taken"] == runs["shown_exit_m_s"].notna()).all()
        results = analyse(session)
        pulls = {pull.setup: pull for pull in results.pulls}
        for before in told.pulls:
            assert pulls[before.setup].force_n.value == pytest.approx(before.force_n.value, rel=0.1)
        halves.append((pulls["big_172"].force_n.half_width, pulls["big_172"].gain.ratio.half_width))
        (remark,) = [one for one in cautions.remarks(results) if "start line" in one]
        assert "one speed at the start line for all runs" in remark
        assert f"48.0 ± {half}.0 km/h as shown" in remark
    assert halves[1][0] > 1.001 * halves[0][0]
    assert halves[1][1] > 1.002 * halves[0][1]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('grade = "6.0 +/- 0.3 %"', 'rise = "24 m"'),
        ('grade = "6.0 +/- 0.3 %"', 'rise = "79 ft +/- 3 ft"'),
        ('grade = "6.0', 'rise = "24 m"\ngrade = "6.0'),
        ('grade = "6.0 +/- 0.3 %"', 'grade = ""\nrise = "24 m"'),
        ('grade = "6.0', 'rise = ""\ngrade = "6.0'),
    ],
)
def test_a_hill_has_a_grade_or_a_rise(edit, old, new):
    hill = load_session(edit("session.toml", old, new)).hill
    assert hill.grade.value == pytest.approx(0.0601, abs=3e-4)


def test_a_displacement_stands_for_bore_and_stroke(demo_folder, demo_copy):
    told = load_session(demo_folder)
    path = demo_copy / "session.toml"
    text = path.read_text("utf-8")
    sizes = {name: engine.displacement_m3 for name, engine in told.engines.items()}
    for name, size in sizes.items():
        head, tail = text.split(f"[engines.{name}]\n")
        tail = re.sub(r"(?m)^(bore|stroke) = .*\n", "", tail, count=2)
        text = f'{head}[engines.{name}]\ndisplacement = "{1e6 * size:.6f} cc"\n{tail}'
    path.write_text(text, "utf-8")
    found = load_session(demo_copy)
    for name, size in sizes.items():
        assert found.engines[name].displacement_m3 == pytest.approx(size, rel=1e-7)
        assert found.engines[name].compression == told.engines[name].compression
    path.write_text(text.replace("displacement = ", 'bore = "60 mm"\ndisplacement = ', 1), "utf-8")
    with pytest.raises(SessionError, match="has displacement as well as bore or stroke"):
        load_session(demo_copy)
