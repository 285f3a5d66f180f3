"""Metres from degrees of latitude and longitude, on the ellipsoid that satellites use."""

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import limited, plain

# Defining constants of the World Geodetic System 1984.
WGS84_EQUATOR_M = 6378137.0
WGS84_FLATTENING = 1 / 298.257223563


def local_metres(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike, *, origin_deg: tuple[float, ...]
) -> tuple:
    """Metres east and north of an origin.

    Parameters
    ----------
    latitude_deg, longitude_deg : float or array
        On WGS84; NaN where there is none. [deg]
    origin_deg : tuple of float
        Latitude and longitude of the origin. [deg]

    Returns
    -------
    east_m, north_m : float or array
        [m]

    Raises
    ------
    ValueError
        On a latitude beyond 90 or a longitude beyond 360 degrees.

    Notes
    -----
    Positions on the ellipsoid as cartesian coordinates, turned into the plane that touches it at
    the origin ([1]_, section 4.1): within 10 km distances agree with the geodesic ([2]_) to a
    millionth, farther away they are too short.

    Examples
    --------
    A minute of latitude is a nautical mile of 1852 m in the middle latitudes:

    >>> local_metres(45.0 + 1 / 60, 7.0, origin_deg=(45.0, 7.0))
    (0.0, 1852.2)

    References
    ----------
    .. [1] B. Hofmann-Wellenhof, H. Lichtenegger, J. Collins, "GPS Theory and Practice" (from
       memory).
    .. [2] C. F. F. Karney, "Algorithms for geodesics", J. Geod. 87, 43-55 (2013),
       doi:10.1007/s00190-012-0578-z.
    """
    phi0, lambda0 = origin_deg
    remedy = "give degrees with decimals, north and east positive"
    for name, value, most in (
        ("latitude", latitude_deg, 90), ("longitude", longitude_deg, 360),
        ("latitude of the origin", phi0, 90), ("longitude of the origin", lambda0, 360),
    ):  # fmt: skip
        limited(value, name, "deg", -most, most, remedy)
    phi = np.deg2rad(np.asarray(latitude_deg, dtype=float))
    apart = np.deg2rad(np.asarray(longitude_deg, dtype=float) - lambda0)
    phi0 = np.deg2rad(float(phi0))
    east, across, up = _from_axis(phi, apart, phi0)
    north = up * np.cos(phi0) - across * np.sin(phi0)
    return plain(east), plain(north)


def complete_rows(*columns: ArrayLike) -> np.ndarray:
    """Columns of a log, of the rows alone in which each of them has a value.

    Parameters
    ----------
    columns : array (n,)
        NaN where there is none.

    Returns
    -------
    array (columns, m)

    Examples
    --------
    >>> complete_rows([0.0, 1.0, 2.0], [5.0, np.nan, 7.0])
    array([[0., 2.],
           [5., 7.]])
    """
    rows = np.array(columns, dtype=float)
    return rows[:, np.isfinite(rows).all(axis=0)]


def _from_axis(phi, apart, phi0):
    """Cartesian steps from the origin: east, away from the axis, along the axis."""
    e2 = WGS84_FLATTENING * (2 - WGS84_FLATTENING)
    radius, radius0 = (WGS84_EQUATOR_M / np.sqrt(1 - e2 * np.sin(p) ** 2) for p in (phi, phi0))
    ring = radius * np.cos(phi)
    east = ring * np.sin(apart)
    across = ring - radius0 * np.cos(phi0) - 2 * ring * np.sin(apart / 2) ** 2
    up = (1 - e2) * (radius * np.sin(phi) - radius0 * np.sin(phi0))
    return east, across, up
