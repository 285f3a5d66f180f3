import re

import numpy as np
import pytest

from tuninglib.analysis.coast_down import fit_of, half_widths, values_for_session
from tuninglib.physics.hill import Hill, Ride
from tuninglib.session.coast_down_file import HEADER, parse_falls
from tuninglib.session.edit import write_values
from tuninglib.session.new import write_new_session
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
    return HEADER + "\n".join(rows) + "\n"


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
    assert re.search(r'^drag_area = "0\.5\d* m2 \+/- .* m2"  # drag coefficient', text, re.M)
