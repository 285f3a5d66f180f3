"""A coast-down and its session: where the numbers start, the fit, the values to keep."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tuninglib.physics.air import air_density_kg_m3
from tuninglib.physics.motion import Hill, Ride
from tuninglib.physics.road_load import ROTATING_MASS_RATIO, RoadLoad
from tuninglib.rounding import decimals_for, fixed
from tuninglib.session.defaults import Taken, speedometer_factor
from tuninglib.session.read_table import COASTDOWN
from tuninglib.session.read_toml import tables_as_typed, what_stands
from tuninglib.session.schema import Speedometer
from tuninglib.session.tables import FALLS_HEADER, HEADER_MPH, Falls
from tuninglib.statistics.coast_down import fit_coast_down
from tuninglib.statistics.repeats import t_quantile
from tuninglib.text_files import read_text
from tuninglib.units import parse_quantity

_HUMIDITY = 0.5
# Where most of a coast-down takes place, for a speedometer of which nothing is known.
_USUAL_SHOWN_M_S = 14.0
# Where the fit starts.
_USUAL_DRAG_AREA_M2, _USUAL_ROLLING_COEFFICIENT = 0.5, 0.012


@dataclass(frozen=True)
class CoastDownStart:
    """Where the controls start: what session.toml says, complete or not."""

    system: str
    bike_kg: float
    rider_kg: float
    temperature_k: float
    pressure_pa: float
    speed_factor: float
    factor_half_width: float
    text: str


def start_of(session_folder: Path | str) -> CoastDownStart:
    """Bike, rider and weather as far as session.toml has them, and coastdown.csv if it is there."""
    folder = Path(session_folder)
    tables = tables_as_typed(folder)

    def said(table, key, unit, otherwise):
        try:
            return parse_quantity(str(table.get(key, "")), unit).value
        except (ValueError, AttributeError):
            return otherwise

    riders = list(tables["riders"].values()) or [{}]
    system = tables["session"].get("units", "metric")
    path = folder / COASTDOWN
    factor = _factor_of(folder)
    header = FALLS_HEADER if system == "metric" else HEADER_MPH
    return CoastDownStart(
        system=system,
        bike_kg=said(tables["bike"], "mass", "kg", 120.0),
        rider_kg=said(riders[0], "mass", "kg", 80.0),
        temperature_k=said(tables["weather"], "temperature", "K", 293.15),
        pressure_pa=said(tables["weather"], "pressure", "Pa", 101325.0),
        speed_factor=factor.value,
        factor_half_width=factor.half_width,
        text=read_text(path) if path.is_file() else header,
    )


def _factor_of(folder) -> Taken:
    """True speed over shown, as the report takes it: stated, checked, or what the law allows."""
    known = what_stands(folder)
    if known.speedometer is None:
        known.speedometer = Speedometer()
    return speedometer_factor(known, _USUAL_SHOWN_M_S)


def fit_of(
    falls: Falls,
    *,
    bike_kg: float,
    rider_kg: float,
    temperature_k: float,
    pressure_pa: float,
    speed_factor: float,
) -> tuple:
    """Road load of timed falls, and the ride that it makes of bike and rider.

    Parameters
    ----------
    falls : Falls
    bike_kg, rider_kg, temperature_k, pressure_pa : float
    speed_factor : float
        True speed over shown speed.

    Returns
    -------
    RoadLoad
    Ride
        With that road load, on the level.
    """
    ride = Ride(
        hill=Hill(1000.0, 0.0),
        mass_kg=bike_kg + rider_kg,
        rotating_mass_kg=ROTATING_MASS_RATIO * bike_kg,
        air_density_kg_m3=air_density_kg_m3(
            temperature_k=temperature_k, pressure_abs_pa=pressure_pa, relative_humidity=_HUMIDITY
        ),
        drag_area_m2=_USUAL_DRAG_AREA_M2,
        rolling_coefficient=_USUAL_ROLLING_COEFFICIENT,
    )
    road = fit_coast_down(
        ride,
        run=falls.run,
        direction=falls.direction,
        from_speed_m_s=falls.shown_from_m_s * speed_factor,
        to_speed_m_s=falls.shown_to_m_s * speed_factor,
        time_s=falls.time_s,
    )
    area, rolling = road.drag_area_m2, road.rolling_coefficient
    return road, replace(ride, drag_area_m2=area, rolling_coefficient=rolling)


def half_widths(road: RoadLoad, factor_doubt: float = 0.0) -> tuple:
    """95 % half-widths of drag area and rolling coefficient.

    Parameters
    ----------
    road : tuninglib.physics.road_load.RoadLoad
    factor_doubt : float
        Half-width of the speedometer's factor over the factor.

    Notes
    -----
    With all speeds a hundredth higher, the same times make the drag area a hundredth smaller (it
    goes with one over length) and the rolling coefficient a hundredth larger (with acceleration).
    """
    quantile = t_quantile(0.975, road.dof)
    values = (road.drag_area_m2, road.rolling_coefficient)
    return tuple(
        float(np.hypot(quantile * np.sqrt(road.covariance[i, i]), value * factor_doubt))
        for i, value in enumerate(values)
    )


def values_for_session(road: RoadLoad, factor_doubt: float = 0.0) -> dict:
    """Keys of [bike] as they are written into session.toml.

    Parameters
    ----------
    road, factor_doubt
        As of :func:`half_widths`.
    """
    area, rolling = half_widths(road, factor_doubt)
    return {
        "drag_area": f"{rounded(road.drag_area_m2, area)} m2 +/- {rounded(area, area)} m2",
        "rolling_coefficient": (
            f"{rounded(road.rolling_coefficient, rolling)} +/- {rounded(rolling, rolling)}"
        ),
    }


def rounded(value: float, half_width: float) -> str:
    """A value with as many decimals as its half-width deserves, for a file."""
    return fixed(value, decimals_for(half_width)).replace("−", "-")
