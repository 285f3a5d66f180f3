"""Default road load."""

import numpy as np
import pytest

from tuninglib.physics.road_load import (
    REFERENCE_AIR_DENSITY_KG_M3,
    default_road_load,
    table_coefficients,
)


def test_default_gives_back_the_table_at_its_own_air():
    for mass in (120.0, 165.0, 240.0):
        load = default_road_load(mass)
        speed = np.array([5.0, 15.0, 25.0])
        drag = 0.5 * REFERENCE_AIR_DENSITY_KG_M3 * load.drag_area_m2 * speed**2
        assert drag == pytest.approx(table_coefficients(mass)[1] * (3.6 * speed) ** 2, rel=1e-12)


def test_beyond_the_rows_it_goes_on_straight():
    _, c = table_coefficients(np.array([80.0, 90.0, 100.0]))
    assert c[2] - c[1] == pytest.approx(c[1] - c[0])
    assert table_coefficients(80.0)[0] == 0.0


def test_default_is_wide():
    load = default_road_load(200.0)
    assert load.drag_area_sd_m2 == pytest.approx(0.07)
    assert load.rolling_coefficient_sd == pytest.approx(0.00276, abs=1e-5)
    assert load.covariance[0, 1] == 0
    assert "86.529-98" in load.source


@pytest.mark.parametrize("mass", [59.0, 401.0, np.nan])
def test_refusals(mass):
    with pytest.raises(ValueError, match=r"mass is .*; outside the motorcycle table"):
        default_road_load(mass)
