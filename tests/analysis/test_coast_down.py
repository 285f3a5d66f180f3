import re

import numpy as np
import pytest

from tuninglib.analysis.coast_down import fit_of, half_widths, start_of, values_for_session
from tuninglib.physics.air import air_density_kg_m3
from tuninglib.physics.motion import Hill, Ride
from tuninglib.session.edit import write_new_session, write_values
from tuninglib.session.tables import FALLS_HEADER, parse_falls
from tuninglib.statistics.coast_down import coast_time_s


def rolled(area=0.55, rolling=0.016, wind=0.6):
    """Rows of an exact coast-down, timed to a hundredth of a second."""
    ride = Ride(
        hill=Hill(1000.0, 0.0), mass_kg=200.0, rotating_mass_kg=0.07 * 120, air_density_kg_m3=1.2,
        drag_area_m2=area, rolling_coefficient=rolling, wind_m_s=np.array([wind, -wind]),
    )  # fmt: skip
    rows = []
    for run, (name, direction) in enumerate((("out", 1), ("back", -1)) * 2, start=1):
        for start in (65, 55, 45, 35):
            times = coast_time_s(ride, from_speed_m_s=start / 3.6, to_speed_m_s=(start - 10) / 3.6)
            time = times[0] if direction == 1 else times[1]
            rows.append(f"{run},{name},{start},{start - 10},{time:.2f}")
    return FALLS_HEADER + "\n".join(rows) + "\n"


# Humid air of 293.15 K at this pressure has 1.2 kg/m3 to a per mille.
AIR = {"temperature_k": 293.15, "pressure_pa": 101400.0}


def test_a_typed_coast_down_gives_back_what_it_was_made_with():
    falls = parse_falls(rolled())
    road, _ = fit_of(falls, bike_kg=120.0, rider_kg=80.0, speed_factor=1.0, **AIR)
    area, rolling = half_widths(road)
    assert road.drag_area_m2 == pytest.approx(0.55, abs=max(area, 0.005))
    assert road.rolling_coefficient == pytest.approx(0.016, abs=max(rolling, 0.0005))
    assert road.headwind_m_s == pytest.approx(0.6, abs=0.15)


def test_a_session_without_runs_can_have_its_drag_area_written(tmp_path):
    write_new_session(tmp_path / "fresh")
    road, _ = fit_of(parse_falls(rolled()), bike_kg=120.0, rider_kg=80.0, speed_factor=1.0, **AIR)
    edited = write_values(tmp_path / "fresh", {"bike": values_for_session(road)})
    assert edited.kept is not None
    text = (tmp_path / "fresh" / "session.toml").read_text(encoding="utf-8")
    assert re.search(r'^drag_area = "0\.5\d* m2 \+/- .* m2"$', text, re.M)


def test_the_doubt_of_the_speedometer_is_in_what_is_written():
    """The same times at speeds two per cent higher: by how much both values move."""
    falls = parse_falls(rolled())
    usual, higher = (
        fit_of(falls, bike_kg=120.0, rider_kg=80.0, speed_factor=factor, **AIR)[0]
        for factor in (1.0, 1.02)
    )
    assert higher.drag_area_m2 / usual.drag_area_m2 == pytest.approx(1 / 1.02, rel=2e-3)
    assert higher.rolling_coefficient / usual.rolling_coefficient == pytest.approx(1.02, rel=2e-3)
    alone, with_doubt = half_widths(usual), half_widths(usual, 0.02)
    for i, value in enumerate((usual.drag_area_m2, usual.rolling_coefficient)):
        assert with_doubt[i] ** 2 - alone[i] ** 2 == pytest.approx((0.02 * value) ** 2)
    assert values_for_session(usual, 0.02) != values_for_session(usual)


def test_it_starts_with_the_factor_that_the_report_takes(demo_copy, edit, tmp_path):
    start = start_of(demo_copy)
    assert (start.speed_factor, start.factor_half_width) == (0.955, 0.01)
    checks = 'checks = [["60 km/h", "57 km/h"], ["50 km/h", "47.5 km/h"], ["40 km/h", "38 km/h"]]'
    edit("session.toml", 'factor = "0.955 +/- 0.01"', checks)
    start = start_of(demo_copy)
    assert start.speed_factor == pytest.approx(0.95, abs=0.002)
    assert 0 < start.factor_half_width < 0.03
    # Nothing is known of it: not 1, but what UN R39 leaves.
    write_new_session(tmp_path / "fresh")
    start = start_of(tmp_path / "fresh")
    assert 0.9 < start.speed_factor < 0.99
    assert start.factor_half_width > 0.02


def test_it_starts_from_what_is_typed_and_else_from_what_is_usual(demo_copy, tmp_path):
    write_new_session(tmp_path / "fresh", "us")
    start = start_of(tmp_path / "fresh")
    assert (start.system, start.bike_kg, start.rider_kg) == ("us", 120.0, 80.0)
    assert (start.temperature_k, start.pressure_pa) == (293.15, 101325.0)
    assert start.text.startswith("run,direction,from_speed [mph]")
    start = start_of(demo_copy)
    # The first rider; the day's pressure; the demo has no temperature for the whole day.
    assert (start.bike_kg, start.rider_kg, start.pressure_pa) == (124.0, 68.0, 98900.0)
    (demo_copy / "coastdown.csv").write_text("run,direction\n")
    assert start_of(demo_copy).text == "run,direction\n"


# Inertia [kg], time from 70 to 60 km/h [s], force at 65 km/h [N]. 7 % of a bike of 60 kg turn, too.
@pytest.mark.outside(source="40 CFR 86.529-98, figure F98-9: target times of coast-downs")
@pytest.mark.parametrize(
    ("mass", "time", "force"),
    [(150, 3.99, 104.9), (300, 6.18, 135.4)],
)
def test_published_times_give_the_published_force(mass, time, force):
    rows = [f"{run},{way},70,60,{time}" for run, way in enumerate(("out", "back") * 2, start=1)]
    day = {"temperature_k": 293.15, "pressure_pa": 98_210.0, "speed_factor": 1.0}
    falls, rider = parse_falls(FALLS_HEADER + "\n".join(rows) + "\n"), mass - 1.07 * 60
    road, _ = fit_of(falls, bike_kg=60.0, rider_kg=rider, **day)
    density = air_density_kg_m3(
        temperature_k=293.15, pressure_abs_pa=98_210.0, relative_humidity=0.5
    )
    drag = density / 2 * road.drag_area_m2 * (65 / 3.6) ** 2
    found = road.rolling_coefficient * (60 + rider) * 9.80665 + drag
    # Half the last printed digit of the time, of the force, and of C (5e-5 N at 65 km/h squared).
    digits = force * 0.005 / time + 0.05 + 5e-5 * 65**2
    assert found == pytest.approx(force, abs=digits)
