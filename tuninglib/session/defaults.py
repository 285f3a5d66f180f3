"""What is used: what the rider said, else a default, always with its source."""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pandas as pd

from tuninglib.interval import Z_95, Measured
from tuninglib.physics import road_load
from tuninglib.physics.air import (
    air_density_kg_m3,
    correction_iso_1585,
    correction_sae_j1349,
    standard_pressure_pa,
)
from tuninglib.physics.fuels import PETROL_DENSITY_KG_M3, Blend
from tuninglib.physics.motion import Hill
from tuninglib.session.machine import Fuel
from tuninglib.session.records import Session
from tuninglib.statistics.speedometer import speed_factor, unknown_factor


@dataclass(frozen=True)
class Taken(Measured):
    """A value as the sums take it.

    ``half_width`` is 0 where the sums make no use of one. ``source`` is a code, for the report to
    put into words: ``"stated"`` in session.toml; ``"checks"`` of the speedometer; its
    ``"legal range"``; ``"table"`` of road loads, or ``"table and tyres"``; ``"rule"`` of thumb; the
    standard atmosphere at the hill's ``"altitude"`` or at ``"sea level"``; ``"pump petrol"``;
    ``"usual petrol"``; a ``"riding day"``; a ``"usual step"`` of speedometers; a ``"log"``;
    ``"pairs"`` of a typed and a logged speed.

    Attributes
    ----------
    value : float
        As used, in SI.
    half_width : float
        Half of the 95 % interval.
    source : str
        Code of where it is from: stated, checks, legal range, table, rule, altitude, sea level,
        pump petrol, usual petrol.
    """

    source: str = "stated"


@dataclass(frozen=True)
class TakenRoadLoad:
    """Drag area [m2], rolling coefficient and rotating mass [kg] as the sums take them."""

    drag_area_m2: Taken
    rolling_coefficient: Taken
    rotating_mass_kg: Taken


# Petrol at a European pump, E5 and E10 alike (EN 228).
SUSTAINED_RICHER = 0.02  # of lambda; ours
# From a frosty morning to a hot afternoon: nobody rides hill tests in worse (ours).
_RIDING_DAY = Taken(288.15, 15.0, "riding day")
# How far true speed may be from that of a satellite receiver (ours; makers claim about 0.1 m/s),
# and from that of a wheel, by the wear and pressure of its tyre (ours).
RECEIVER_HALF, WHEEL_HALF = 0.005, 0.02
_USUAL_STEP = Taken(1 / 3.6, source="usual step")
_USUAL_STEP_MPH = Taken(1609.344 / 3600, source="usual step")
_PUMP_ETHANOL = Taken(0.05, 0.05, "pump petrol")


def _stated(measured: Measured | None, otherwise: Taken) -> Taken:
    if measured is None:
        return otherwise
    return Taken(measured.value, measured.half_width, "stated")


def ethanol_of(fuel: Fuel) -> Taken:
    """Ethanol by volume of a fuel: as stated, or what pump petrol may have.

    Parameters
    ----------
    fuel : tuninglib.session.machine.Fuel

    Examples
    --------
    >>> from tuninglib.session.machine import Fuel
    >>> ethanol_of(Fuel())
    Taken(value=0.05, half_width=0.05, source='pump petrol')
    """
    return _stated(fuel.ethanol, _PUMP_ETHANOL)


def petrol_density_of(fuel: Fuel) -> Taken:
    """Density of a fuel's petrol part: as stated, or the usual one. [kg/m3]

    Parameters
    ----------
    fuel : tuninglib.session.machine.Fuel

    Examples
    --------
    >>> from tuninglib.session.machine import Fuel
    >>> petrol_density_of(Fuel())
    Taken(value=745.0, half_width=0.0, source='usual petrol')
    """
    return _stated(fuel.petrol_density, Taken(PETROL_DENSITY_KG_M3, source="usual petrol"))


def blend_of(fuel: Fuel) -> Blend:
    """A fuel of the session as a blend of petrol and ethanol.

    Parameters
    ----------
    fuel : tuninglib.session.machine.Fuel

    Examples
    --------
    >>> from tuninglib.session.machine import Fuel
    >>> blend_of(Fuel(ethanol=Measured(0.1))).ethanol_volume_fraction
    0.1
    """
    return Blend(ethanol_of(fuel).value, petrol_density_kg_m3=petrol_density_of(fuel).value)


@dataclass(frozen=True)
class Band:
    """The band of lambda that the advice is for.

    Attributes
    ----------
    lowest, highest : float
        Its rich and its lean edge.
    stated_highest : float
        The lean edge as stated; ``highest`` is richer by ``SUSTAINED_RICHER`` where minutes of
        full load on an engine that only the moving air cools are said to come.
    """

    lowest: float
    highest: float
    stated_highest: float

    @property
    def moved(self) -> bool:
        """Whether the lean edge was moved."""
        return self.highest < self.stated_highest


def band_of(session: Session | SimpleNamespace) -> Band:
    """The target band, with its lean edge moved for sustained load on an air-cooled engine.

    It is moved where the rider says so. Where nothing is said of the riding, a first outing up a
    short hill would else shut the bike as its maker delivered it; then the richer of two is
    preferred, and the page says what long climbs would ask for.
    """
    target, use = session.target, session.use
    highest = _edge_on_climbs(session) if use.sustained_as_said else target.highest
    return Band(target.lowest, highest, target.highest)


def _edge_on_climbs(session) -> float:
    """The lean edge for minutes of full load: richer where only the moving air cools."""
    target = session.target
    if not session.use.air_cooled:
        return target.highest
    # Never past the middle: a narrow band stays a band.
    return target.highest - min(SUSTAINED_RICHER, (target.highest - target.lowest) / 2)


def edge_not_said(session: Session) -> float | None:
    """The lean edge that long climbs would ask for, where nothing is said of the riding."""
    edge = _edge_on_climbs(session)
    return edge if session.use.riding == "unknown" and edge < session.target.highest else None


# Chance of being leaner than the band above which nothing is recommended, by what is wanted. Ours;
# an even bet is no safety limit.
_LEANER_LIMIT = {"pull first": 0.15, "balanced": 0.10, "cool first": 0.05}


def leaner_limit_of(session: Session) -> float:
    """Highest chance of being leaner than the band: as stated, or by what the rider wants."""
    stated = session.assumptions.leaner_limit
    return stated.value if stated else _LEANER_LIMIT[session.use.wanted]


def hill_of(session: Session) -> Hill:
    """The session's hill as the road-test functions take it."""
    pieces = session.hill.pieces
    if not pieces:
        return Hill(session.hill.length.value, session.hill.grade.value)
    return Hill([piece.length.value for piece in pieces], [piece.grade.value for piece in pieces])


def speedometer_step(session: Session | SimpleNamespace) -> Taken:
    """Smallest step of the speedometer, as shown: as stated, 1 km/h or 1 mph; that of a log. [m/s]

    Parameters
    ----------
    session : tuninglib.session.records.Session
    """
    logged = session.logged_step_m_s
    if logged is not None:
        return Taken(logged, source="log")
    in_miles = session.speed_units.get("exit_speed") == "mph"
    return _stated(session.speedometer.resolution, _USUAL_STEP_MPH if in_miles else _USUAL_STEP)


def speedometer_factor(session: Session | SimpleNamespace, shown_m_s: float) -> Taken:
    """True speed over shown speed: as stated, from checks, or the middle of what UN R39 allows.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    shown_m_s : float
        A typical speed as shown. [m/s]
    """
    if session.logged_step_m_s is not None:
        return logged_factor(session)
    if session.found is not None and session.found.factor is not None:
        return Taken(session.found.factor.value, session.found.factor.half_width, "pairs")
    if session.speedometer.checks:
        shown, true = zip(*session.speedometer.checks, strict=True)
        found = speed_factor(shown, true, resolution=speedometer_step(session).value)
        otherwise = Taken(found.value, (found.high - found.low) / 2, "checks")
    else:
        factor, sd = unknown_factor(shown_m_s)
        otherwise = Taken(factor, Z_95 * sd, "legal range")
    return _stated(session.speedometer.factor, otherwise)


def logged_factor(session: Session | SimpleNamespace) -> Taken:
    """True speed over that of a log: a satellite receiver's, or maybe a wheel's in a table.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    """
    heard = session.found.metres_per_turn
    if heard is not None:
        return Taken(1.0, heard.half_width / heard.value, "length")
    half = RECEIVER_HALF if session.track.kind == "gpx" else WHEEL_HALF
    return Taken(1.0, half, "log")


def road_load_of(session: Session, mass_kg: float) -> TakenRoadLoad:
    """Road load: as stated, or by the published table and the rule for the rotating mass.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    mass_kg : float
        Bike and rider. [kg]
    """
    bike, table = session.bike, road_load.default_road_load(mass_kg)
    area = Taken(table.drag_area_m2, Z_95 * table.drag_area_sd_m2, "table")
    sd = Z_95 * table.rolling_coefficient_sd
    rolling = Taken(table.rolling_coefficient, sd, "table and tyres")
    mass, sd = bike.mass.value, Z_95 * road_load.ROTATING_MASS_RATIO_SD
    rotating = Taken(road_load.ROTATING_MASS_RATIO * mass, sd * mass, "rule")
    stated = (bike.drag_area, bike.rolling_coefficient, bike.rotating_mass)
    return TakenRoadLoad(*map(_stated, stated, (area, rolling, rotating)))


def day_pressure_of(session: Session) -> Taken:
    """Air pressure of the day where the hill is. [Pa]

    Parameters
    ----------
    session : tuninglib.session.records.Session
    """
    altitude = session.hill.altitude
    height, source = (altitude.value, "altitude") if altitude else (0.0, "sea level")
    otherwise = Taken(float(standard_pressure_pa(height)), source=source)
    return _stated(session.weather.pressure, otherwise)


def day_temperature_of(session: Session) -> Taken:
    """Temperature of the air, for runs without their own. [K]

    Parameters
    ----------
    session : tuninglib.session.records.Session
    """
    return _stated(session.weather.temperature, _RIDING_DAY)


def air_of_runs(session: Session) -> pd.DataFrame:
    """Air at each row of runs.csv: from the row, else of the day; and its effect on the engine.

    Parameters
    ----------
    session : tuninglib.session.records.Session

    Returns
    -------
    pandas.DataFrame
        Indexed like ``session.runs``: ``temperature_k``, ``pressure_abs_pa``, ``humidity_ratio``,
        ``headwind_m_s``, ``density_kg_m3``, ``sae_j1349`` and ``iso_1585`` (factors),
        ``within_limits`` (both standards allow their factor).
    """
    weather, runs = session.weather, session.runs
    air = pd.DataFrame()
    air["temperature_k"] = runs["air_temperature_k"].fillna(day_temperature_of(session).value)
    air["pressure_abs_pa"] = runs["air_pressure_pa"].fillna(day_pressure_of(session).value)
    air["humidity_ratio"] = runs["humidity_ratio"].fillna(weather.humidity.value)
    air["headwind_m_s"] = runs["headwind_m_s"].fillna(weather.headwind.value)
    state = {name: air[name].to_numpy() for name in ("temperature_k", "pressure_abs_pa")}
    state["relative_humidity"] = air["humidity_ratio"].to_numpy()
    sae, iso = correction_sae_j1349(**state), correction_iso_1585(**state)
    return air.assign(
        density_kg_m3=air_density_kg_m3(**state),
        sae_j1349=sae.factor,
        iso_1585=iso.factor,
        within_limits=np.asarray(sae.within_limits) & np.asarray(iso.within_limits),
    )
