"""Metres from degrees, against the geodesics of a reference library."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from tuninglib.physics.track import WGS84_EQUATOR_M, WGS84_FLATTENING, local_metres


@pytest.mark.outside(source="geographiclib, C. F. F. Karney's own code (J. Geod. 87:43, 2013)")
@pytest.mark.parametrize("latitude", [-77.0, 0.0, 47.25])
def test_distances_are_those_of_the_geodesic(latitude):
    distance_m = 5000.0
    for azimuth in range(0, 360, 40):
        end = Geodesic.WGS84.Direct(latitude, 179.99, azimuth, distance_m)
        east, north = local_metres(end["lat2"], end["lon2"], origin_deg=(latitude, 179.99))
        assert np.hypot(east, north) == pytest.approx(distance_m, rel=2e-7)
        bearing = np.rad2deg(np.arctan2(east, north)) % 360
        assert (bearing - azimuth + 180) % 360 - 180 == pytest.approx(0, abs=0.03)


@pytest.mark.outside(source="geographiclib's constants of WGS84")
def test_the_ellipsoid_is_that_of_satellites():
    assert (Geodesic.WGS84.a, Geodesic.WGS84.f) == (WGS84_EQUATOR_M, WGS84_FLATTENING)


def test_missing_positions_stay_missing_and_wrong_ones_are_refused():
    east, north = local_metres([45.0, np.nan], [7.0, 7.0], origin_deg=(45.0, 7.0))
    np.testing.assert_array_equal(np.isnan(east + north), [False, True])
    with pytest.raises(ValueError, match="latitude is 91 deg but must be at most 90"):
        local_metres(91.0, 7.0, origin_deg=(45.0, 7.0))
    for origin, said in (((91.0, 7.0), "latitude of the origin"), ((45.0, 361.0), "longitude of")):
        with pytest.raises(
            ValueError, match=f"{said}.*; give degrees with decimals, north and east"
        ):
            local_metres(45.0, 7.0, origin_deg=origin)
