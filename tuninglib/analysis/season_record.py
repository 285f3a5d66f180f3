"""What one outing brings to its season: few numbers, from which the outing need not be seen again.

They stand in results.json under ``season``.
"""

import dataclasses
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import UnionType
from typing import Literal, Union, get_args, get_origin, get_type_hints

import numpy as np
import pandas as pd

from tuninglib.analysis.air_envelope import log_air
from tuninglib.analysis.combinations import Limits
from tuninglib.analysis.mixture import (
    density_not_corrected,
    flow_on_bike,
    fuel_terms,
    ladder_columns,
    tolerance_sd,
)
from tuninglib.analysis.records import Combination, GaugeCheck, Knock
from tuninglib.analysis.wear import WearOfDay, wear_of_day
from tuninglib.analysis.worth import Terms
from tuninglib.interval import Interval
from tuninglib.session.defaults import Taken, TakenRoadLoad
from tuninglib.session.records import Session
from tuninglib.statistics.flow_response import Response
from tuninglib.statistics.gain import GainFit
from tuninglib.statistics.ladder import ReadingCell, reading_cells
from tuninglib.statistics.ladder_prediction import FuelDemand
from tuninglib.text_files import Problem, SessionError, quoted

# Air that readings are brought to where the ECU does not correct for it: 15 °C at sea level.
_COMMON_DENSITY_KG_M3 = 1.225


@dataclass(frozen=True, kw_only=True)
class ForcesOfDay:
    """Wheel forces of an outing, and what of the unknowns other outings may share.

    Attributes
    ----------
    setups : tuple of str
        In the order of the numbers.
    unknowns : tuple of str
        What each of those that another outing may share is known by: the same text, the same
        unknown.
    mean : tuple of float
        Logarithm of the setups' forces in newtons, then the unknowns in standard deviations.
    covariance : tuple of tuple of float
        Of both together.
    own_covariance : tuple of tuple of float
        The part of the forces' that comes of what each run has of its own.
    scatter_dof : float
        How many degrees of freedom the day's scatter from run to run is worth.
    repeated : bool
        Whether the day's runs themselves say how they scatter.
    """

    setups: tuple[str, ...]
    unknowns: tuple[str, ...]
    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    own_covariance: tuple[tuple[float, ...], ...]
    scatter_dof: float
    repeated: bool


@dataclass(frozen=True, kw_only=True)
class SetupOfDay:
    """A setup as an outing states it.

    Attributes
    ----------
    name : str
        In session.toml.
    engine : str
        Its engine.
    injector : str
        Its injector.
    fuel : str
        Its fuel.
    parts : str
        What else is fitted.
    runs : int
        Full-throttle runs that count.
    """

    name: str
    engine: str
    injector: str
    fuel: str
    parts: str
    runs: int


@dataclass(frozen=True, kw_only=True)
class EngineOfDay:
    """An engine as an outing states it: displacement [m3] and compression ratio, if known.

    Attributes
    ----------
    displacement_m3 : float
        Of all cylinders. [m3]
    compression_ratio : float or None
        None: not known.
    """

    displacement_m3: float
    compression_ratio: float | None


@dataclass(frozen=True, kw_only=True)
class InjectorOfDay:
    """An injector as an outing states it: flow at the bike's pressure [m3/s], tolerance (sd).

    Attributes
    ----------
    flow_m3_s : float
        At the bike's fuel pressure. [m3/s]
    tolerance_sd : float
        Relative standard deviation of the true flow about the stated one.
    """

    flow_m3_s: float
    tolerance_sd: float


@dataclass(frozen=True, kw_only=True)
class AdviceOfDay:
    """What an outing's advice rested on, so that its season decides by the same rule.

    Attributes
    ----------
    combinations : tuple of Combination
        As the outing's report has them, each with its gate.
    terms : Terms
        What the session states.
    limits : Limits
        What its gates compared with.
    missing : tuple of str
        Halves of the evidence that are not there.
    """

    combinations: tuple[Combination, ...]
    terms: Terms
    limits: Limits
    missing: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class OutingRecord:
    """What one outing brings to its season.

    Attributes
    ----------
    bike : str
        Its name; empty if it has none.
    bike_mass_kg : float
        Stated mass of the bike. [kg]
    units : str
        Units that the report prints.
    riders : tuple of str
        Who rode runs that count.
    setups : tuple of SetupOfDay
        Setups as the outing states them.
    engines, injectors, fuels : dict
        Name to EngineOfDay, InjectorOfDay, FuelDemand.
    forces : ForcesOfDay or None
        Wheel forces, for pooling; None without speeds.
    readings : tuple of ReadingCell
        Of full throttle; none where the ECU corrects there.
    air : tuple of tuple of float
        Of each of ``readings``, its air as :func:`tuninglib.analysis.air_envelope.log_air` has it.
    density_compensation : str
        What is said of the ECU.
    ecu_corrects : bool
        Whether it was seen to do so at full throttle.
    gauge_offset : Interval or None
        Ratio by which the gauge shows too much, as idle and cruise have it.
    gauge_sd, breathing_sd, response_mean, response_sd : float
        What the ladder takes for granted.
    day_sd, mixture_day_sd : float
        How far a day is taken to move forces and mixtures: relative standard deviations.
    knocks : tuple of Knock
        Knock that was heard.
    wear : WearOfDay
        What it says of what wears.
    advice : AdviceOfDay
        What its advice rested on.
    """

    bike: str
    bike_mass_kg: float
    units: str
    riders: tuple[str, ...]
    setups: tuple[SetupOfDay, ...]
    engines: dict[str, EngineOfDay]
    injectors: dict[str, InjectorOfDay]
    fuels: dict[str, FuelDemand]
    forces: ForcesOfDay | None
    readings: tuple[ReadingCell, ...]
    air: tuple[tuple[float, ...], ...]
    density_compensation: str
    ecu_corrects: bool
    gauge_offset: Interval | None
    gauge_sd: float
    breathing_sd: float
    response_mean: float
    response_sd: float
    day_sd: float
    mixture_day_sd: float
    knocks: tuple[Knock, ...]
    wear: WearOfDay
    advice: AdviceOfDay

    @property
    def known_as(self) -> str:
        """What the bike is known by: its name, or else its mass as stated."""
        return self.bike or f"a bike of {self.bike_mass_kg:.4g} kg"


def forces_of_day(
    session: Session,
    setups: Sequence[str],
    riders: Sequence[str],
    load: TakenRoadLoad,
    factor: Taken,
    fit: GainFit,
) -> ForcesOfDay:
    """What a fit of an outing's runs says of its forces, and of what other outings may share.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    setups, riders : sequence of str
        As they are numbered in the fit.
    load : TakenRoadLoad
    factor : Taken
        Of the speedometer, true over shown.
    fit : tuninglib.statistics.gain.GainFit

    Returns
    -------
    ForcesOfDay
        Without the unknowns that are the day's alone (its wind, weather, drift and readings): they
        stay in the forces' covariance.
    """
    keys = [_key(session, one, riders, load, factor) for one in fit.shared]
    k = len(setups)
    kept = [*range(k), *(k + at for at, key in enumerate(keys) if key)]
    covariance = fit.joint_covariance[np.ix_(kept, kept)]
    return ForcesOfDay(
        setups=tuple(setups),
        unknowns=tuple(key for key in keys if key),
        mean=tuple(fit.joint[kept].tolist()),
        covariance=tuple(map(tuple, covariance.tolist())),
        own_covariance=tuple(map(tuple, fit.own_covariance.tolist())),
        scatter_dof=fit.scatter_dof,
        repeated=fit.repeated,
    )


def _key(session, unknown, riders, load, factor) -> str:
    """By what another outing's unknown is known to be this one; empty for the day's own.

    What is stated alike is off alike. A table's value is off alike for all who take it.
    """
    name, hill = unknown.name, session.hill
    said = {
        "bike mass": (session.bike.mass,),
        "rotating mass": (_stated(load.rotating_mass_kg),),
        "road load": (_stated(load.drag_area_m2), _stated(load.rolling_coefficient)),
        "grade": (hill.length, hill.grade, hill.pieces),
        "hill length": (hill.length, hill.grade, hill.pieces),
        "speed factor": (_stated(factor), session.speedometer.checks),
    }
    if name in ("rider mass", "rider"):
        rider = riders[unknown.which]
        said["rider mass"] = (rider, session.riders[rider].mass)
        said["rider"] = (rider, *sorted(unknown.changes))
    which = unknown.which if name in ("road load", "grade") else ""
    return f"{name} {which}: {', '.join(map(_text, said[name]))}" if name in said else ""


def _stated(taken):
    """The value where it was stated, else where it is from."""
    return taken if taken.source == "stated" else taken.source


def _text(said) -> str:
    if isinstance(said, (tuple, list)):
        return f"({' '.join(map(_text, said))})"
    if hasattr(said, "half_width"):
        return f"{said.value:.9g} ± {said.half_width:.9g}"
    if dataclasses.is_dataclass(said):
        return _text([getattr(said, field.name) for field in dataclasses.fields(said)])
    return f"{said:.9g}" if isinstance(said, float) else str(said)


def outing_record(
    session: Session,
    air: pd.DataFrame,
    forces: ForcesOfDay | None,
    read: pd.DataFrame,
    responses: tuple[Response, ...],
    check: GaugeCheck,
    knocks: tuple[Knock, ...],
    advice: AdviceOfDay,
) -> OutingRecord:
    """What an outing brings to its season.

    Parameters
    ----------
    session : tuninglib.session.records.Session
        With its gauge as the check found it.
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    forces : ForcesOfDay or None
    read : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.mixture.weighed_readings`.
    responses : tuple of Response
    check : GaugeCheck
    knocks : tuple of Knock
    advice : AdviceOfDay
    """
    rows = session.runs[(session.runs["exclude"] == "") & (session.runs["state"] == "full")]
    count = rows["setup"].value_counts()
    taken = session.assumptions
    cells, gauge_sd, corrects = full_throttle_cells(session, air, read, responses)
    return OutingRecord(
        bike=session.bike.name,
        bike_mass_kg=session.bike.mass.value,
        units=session.about.units,
        riders=tuple(name for name in session.riders if name in set(rows["rider"])),
        setups=tuple(
            SetupOfDay(
                name=name,
                engine=one.engine,
                injector=one.injector,
                fuel=one.fuel,
                parts=one.parts,
                runs=int(count.get(name, 0)),
            )
            for name, one in session.setups.items()
        ),
        engines={
            name: EngineOfDay(
                displacement_m3=float(one.displacement_m3), compression_ratio=one.compression
            )
            for name, one in session.engines.items()
        },
        injectors={
            name: InjectorOfDay(
                flow_m3_s=flow_on_bike(session, name), tolerance_sd=tolerance_sd(session, name)
            )
            for name in session.injectors
        },
        fuels={name: fuel_terms(session, name) for name in session.fuels},
        forces=forces,
        readings=_in_common_air(session, air, read, cells),
        air=_air_of(session, air, read, cells),
        density_compensation=session.bike.density_compensation,
        ecu_corrects=corrects,
        gauge_offset=check.offset,
        gauge_sd=gauge_sd,
        breathing_sd=taken.breathing_change.sd,
        response_mean=taken.flow_response.value,
        response_sd=taken.flow_response.sd,
        day_sd=taken.day_to_day.sd,
        mixture_day_sd=taken.mixture_day_to_day.sd,
        knocks=tuple(knocks),
        wear=wear_of_day(session),
        advice=advice,
    )


def full_throttle_cells(
    session: Session, air: pd.DataFrame, read: pd.DataFrame, responses: Sequence[Response]
) -> tuple[tuple[ReadingCell, ...], float, bool]:
    """Readings of full throttle as few numbers, with what the gauge may be off by.

    Parameters
    ----------
    session : tuninglib.session.records.Session
        With its gauge as the check found it.
    air, read : pandas.DataFrame
    responses : sequence of Response

    Returns
    -------
    cells : tuple of ReadingCell
        None of them where the ECU corrects.
    gauge_sd : float
        Relative standard deviation.
    corrects : bool
        Whether the ECU was seen to correct at full throttle.
    """
    corrects = any(one.verdict == "corrects" for one in responses)
    if read.empty or corrects:
        return (), session.gauge.accuracy.sd, corrects
    readings, parts = ladder_columns(session, air, read)
    cells = reading_cells(readings, run_sd=parts.priors.run_sd)
    return cells, parts.priors.gauge_sd, corrects


def _in_common_air(session, air, read, cells) -> tuple:
    """Readings brought to one air for all outings."""
    density = density_not_corrected(session, air.loc[read.index])
    if density is None or not cells:
        return cells
    shift = math.log(float(density.mean()) / _COMMON_DENSITY_KG_M3)
    return tuple(dataclasses.replace(cell, log_mean=cell.log_mean - shift) for cell in cells)


def _air_of(session, air, read, cells) -> tuple:
    """Mean air of the readings of each cell."""
    own = air.loc[read.index]
    names = ("temperature_k", "pressure_abs_pa", "humidity_ratio")
    left = log_air(*(own[name].to_numpy() for name in names))
    setups = [session.setups[name] for name in read["setup"]]
    parts = [(one.engine, one.injector, one.fuel) for one in setups]
    own = [[part == (one.engine, one.injector, one.fuel) for part in parts] for one in cells]
    return tuple(tuple(left[at].mean(axis=0).tolist()) for at in own)


def without_copies(outings: Sequence) -> tuple[tuple, tuple]:
    """Outings with runs of their own, and pairs of those whose runs are the same.

    Parameters
    ----------
    outings : sequence
        Each with a ``runs_checksum``; where it is empty, it is like no other.

    Returns
    -------
    kept : tuple
    copies : tuple of (one, other)
        The first is kept.
    """
    kept: dict = {}
    pairs = [(kept.setdefault(one.runs_checksum or id(one), one), one) for one in outings]
    return tuple(kept.values()), tuple(pair for pair in pairs if pair[0] is not pair[1])


def record_from(document: dict) -> OutingRecord:
    """The record that stands in the results of an outing.

    Parameters
    ----------
    document : dict
        As read from results.json.

    Raises
    ------
    ValueError
        If anything in it is not of the kind that the record has there.
    """
    return _built(OutingRecord, document)


_TOO_LARGE = 1e300


def _built(kind, value):
    """A value read from JSON as an annotation wants it; what does not fit is refused."""
    parts, origin = get_args(kind), get_origin(kind)
    for one in parts if origin in (Union, UnionType) else ():
        # The first of several kinds that it fits.
        try:
            return _built(one, value)
        except ValueError:
            continue
    if origin is Literal and value in parts:
        return value
    if dataclasses.is_dataclass(kind) and isinstance(value, dict):
        kinds = get_type_hints(kind)
        names = {field.name.rstrip("_"): field.name for field in dataclasses.fields(kind)}
        if value.keys() == names.keys():
            return kind(**{names[one]: _built(kinds[names[one]], value[one]) for one in names})
    if origin is tuple and isinstance(value, list):
        return tuple(_built(parts[0], one) for one in value)
    if origin is dict and isinstance(value, dict):
        return {name: _built(parts[1], one) for name, one in value.items()}
    # Infinity, NaN and whole numbers too long for a float are none.
    real = type(value) in (int, float) and abs(value) < _TOO_LARGE
    if real if kind is float else type(value) is kind:
        return value
    raise ValueError(f"{quoted(str(value))} does not belong there in the record of an outing")


def read_document(path: Path | str) -> dict:
    """results.json of a report, if it is one of this version that holds a season's record.

    Parameters
    ----------
    path : path

    Raises
    ------
    SessionError
        If it is not.
    """
    path = Path(path)
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        usable = isinstance(document, dict) and isinstance(document.get("title"), str)
        usable = usable and bool(record_from(document.get("season")))
    except (OSError, ValueError, RecursionError):
        usable = False
    if not usable:
        raise SessionError(
            [Problem(path.name, "is not from this version of the program; make the report again")]
        )
    return document
