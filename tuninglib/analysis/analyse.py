"""From a session to its results: everything that a report says, and results.json."""

import dataclasses
import hashlib
import math
from collections.abc import Collection
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

import pandas as pd

import tuninglib
from tuninglib import units
from tuninglib.analysis import air_envelope, mixture, records, touring
from tuninglib.analysis.air_envelope import AirEnvelope
from tuninglib.analysis.decide import Findings, Flip, Plan, advise
from tuninglib.analysis.doubts import check_gauge, find_doubts
from tuninglib.analysis.gain import Road, analyse_road
from tuninglib.analysis.injector import analyse_ladder, responses_of, session_fit
from tuninglib.analysis.logs import (
    BandMixture,
    ForceCurve,
    LogRead,
    curves_of_force,
    logs_read,
    mixture_by_bands,
)
from tuninglib.analysis.season_record import OutingRecord, outing_record
from tuninglib.analysis.what_if import Answer, ForRider, Question, answers, flat_top_speeds
from tuninglib.session.defaults import Band, air_of_runs, band_of, day_pressure_of
from tuninglib.session.machine import Setup
from tuninglib.session.read_table import KNOCKED
from tuninglib.session.read_toml import own_files
from tuninglib.session.records import Session
from tuninglib.statistics.gain import Gain
from tuninglib.text_files import a_few, quoted

# What it was made from ----------------------------------------------------------------------------


def provenance(folder: Path, logs: Collection[str] = ()) -> tuple:
    """Names and SHA-256 checksums of a session's files, and versions of what worked on them.

    Parameters
    ----------
    folder : Path
    logs : collection of str
        Names of files that belong to the session, whatever their kind.

    Returns
    -------
    tuple of (str, str)
        Name and value; no clock, no path, so that the same session gives the same report.
    """
    files = [
        (path.name, hashlib.sha256(path.read_bytes()).hexdigest())
        for path in own_files(folder, logs)
    ]
    libraries = [
        (name, metadata.version(name))
        for name in ("numpy", "scipy", "pandas", "matplotlib", "pint")
    ]
    return (*files, ("tuninglib", tuninglib.__version__), *libraries)


# All of it ----------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, repr=False)
class Results:
    """Everything that a report says, in SI.

    Attributes
    ----------
    session : Session
    runs : tuple of Run
        Every row of runs.csv with what follows from it.
    gauge_check : GaugeCheck
        Of the gauge at idle and cruise.
    mixtures : tuple of Mixture
        Full-throttle mixture of each setup, as read.
    road : Road or None
        What the road tests say; None without speeds.
    ladder : Ladder or None
        What the injector ladder says; None without a usable reading.
    doubts : tuple of Doubt
        What the rest of the session speaks against.
    knocks : tuple of Knock
        In the order of the runs.
    combinations : tuple of Combination
        Ridden ones first, each with its gate.
    plan : Plan
        The advice, made once.
    flips : tuple of Flip
        The nearest facts that would change it.
    fuel_limits : tuple of FuelLimit
        Fuels that must not be burnt.
    octane : tuple of OctaneMargin
        Octane of each fuel against the need of each engine.
    what_if_setup : str or None
        The setup that the fellow rider is told about.
    what_if : tuple of ForRider
        Marker speed of that setup under riders from light to heavy.
    flat_top_speeds : Answer or None
        Of that setup, on a flat road without wind.
    gearing : Gearing or None
        Of that setup; None where it is not known.
    climbs : tuple of Climb
        Long ones, with the head's temperature read on the way.
    fuel_use : tuple of FuelUse
        Of the setups that were filled.
    outlay : Outlay
        What the parts cost.
    logs : tuple of LogRead
        Logs of the outing, as they were read.
    air : AirEnvelope or None
        For which air the mixtures hold; None where none is known, or the ECU corrects at full
        throttle.
    sound : tuple of Recording
        What was heard in those that are recordings.
    bands : tuple of BandMixture
        Lambda by throttle and engine speed, from the log of a gauge.
    force_curves : tuple of ForceCurve
        Wheel force against speed, the reference first; empty without logged speeds.
    pressure_source : str
        ``"stated"``, ``"altitude"`` or ``"sea level"``.
    provenance : tuple
        SHA-256 of the session's files, and versions of the packages that did the sums.
    season : OutingRecord
        What this outing brings to its season.
    """

    session: Session
    runs: tuple[records.Run, ...]
    gauge_check: records.GaugeCheck
    mixtures: tuple[records.Mixture, ...]
    road: Road | None
    ladder: records.Ladder | None
    doubts: tuple[records.Doubt, ...]
    knocks: tuple[records.Knock, ...]
    combinations: tuple[records.Combination, ...]
    plan: Plan
    flips: tuple[Flip, ...]
    fuel_limits: tuple[records.FuelLimit, ...]
    octane: tuple[records.OctaneMargin, ...]
    what_if_setup: str | None
    what_if: tuple[ForRider, ...]
    flat_top_speeds: Answer | None
    gearing: touring.Gearing | None
    climbs: tuple[touring.Climb, ...]
    fuel_use: tuple[touring.FuelUse, ...]
    outlay: touring.Outlay
    logs: tuple[LogRead, ...]
    air: AirEnvelope | None
    sound: tuple[records.Recording, ...]
    bands: tuple[BandMixture, ...]
    force_curves: tuple[ForceCurve, ...]
    pressure_source: str
    provenance: tuple[tuple[str, str], ...]
    season: OutingRecord

    def __repr__(self) -> str:
        """A few lines: what was tested, and where to look."""
        about = self.session.about
        gains = [
            f"{pull.setup} {100 * pull.gain.ratio.value:+.1f} %" for pull in self.pulls if pull.gain
        ]
        lines = (
            f"Results of {quoted(about.title)}, {about.date}: {len(self.runs)} rows, "
            f"{len(self.session.setups)} setups",
            f"  wheel force over {self.reference}: {a_few(gains) if gains else 'not known'}",
            f"  ride now: {self.plan.ride.setup if self.plan.ride else 'none of them'}",
            "  see .plan .pulls .mixtures .ladder .knocks .runs .what_if .session",
        )
        return "\n".join(lines)

    @property
    def reference(self) -> str:
        """The setup that gains are counted from."""
        return self.session.about.reference

    @property
    def ridden_setup(self) -> Setup:
        """Parts and fuel of what is to be ridden now, or else of the reference."""
        ride = self.plan.ride
        return self.session.setups[ride.setup if ride else self.reference]

    @property
    def judged(self) -> Session:
        """The session with its gauge as the check found it, which every lambda here rests on."""
        return mixture.with_check(self.session, self.gauge_check)

    @property
    def shown_at_lambda_one(self) -> float | None:
        """What the gauge shows at a true lambda of 1; None where its scale is not known."""
        known = self.session.gauge.scale is not None
        return mixture.shown_at_lambda_one(self.judged) if known else None

    @property
    def band(self) -> Band:
        """The band of lambda that the advice is for."""
        return band_of(self.session)

    @property
    def knocked(self) -> tuple:
        """Setups with which knock was heard."""
        return tuple(dict.fromkeys(knock.setup for knock in self.knocks))

    @property
    def pulls(self) -> tuple:
        """What each setup pulls, the reference first; empty without speeds."""
        return self.road.pulls if self.road else ()


def _sound(session, mixtures) -> tuple:
    """What listens is loaded only where there is something to hear."""
    if not any(trace.kind == "sound" for trace in session.traces.values()):
        return ()
    from tuninglib.analysis.sound import recordings

    return recordings(session, mixtures)


# results.json -------------------------------------------------------------------------------------
# The keys, their units and meanings stand in ``results.schema.json`` beside this module, in the
# open JSON Schema format; it is written from the records here and what their docstrings say.

SCHEMA = "tuninglib results 3"
SCHEMA_FILE = Path(__file__).with_name("results.schema.json")
# What stands in the file after what it is about, in this order.
KEYS = (
    "plan", "flips", "combinations", "octane", "gauge_check", "mixtures", "road", "ladder",
    "what_if", "flat_top_speeds", "gearing", "climbs", "fuel_use", "outlay", "logs", "air", "bands",
    "sound", "force_curves", "found_runs", "doubts", "knocks", "fuel_limits", "runs",
    "provenance", "season",
)  # fmt: skip
# Properties that a program should not have to work out again.
WORKED_OUT = {Gain: ("smallest_visible", "verdict"), records.Pull: ("verdict",)}


def results_document(results: Results) -> dict:
    """Results for programs: plain numbers in SI, the unit in each name, a version in front.

    Parameters
    ----------
    results : Results

    Returns
    -------
    dict
        Ready for JSON; numbers that are not finite become None.
    """
    about = results.session.about
    front = {
        "schema": SCHEMA,
        "title": about.title,
        "invented": about.invented == "yes",
        "date": about.date.isoformat(),
        "reference": about.reference,
        "interval": 0.95,
    }
    otherwise = {
        "flips": [
            {
                "code": one.code,
                "ride": one.plan.ride and one.plan.ride.setup,
                "next": _plain(one.plan.next),
            }
            for one in results.flips
        ],
        "road": _without(_plain(results.road), "of_day"),
        "found_runs": _plain(results.session.found),
        "provenance": dict(results.provenance),
    }
    own = (name for name in KEYS if name not in otherwise)
    found = otherwise | {name: _plain(getattr(results, name)) for name in own}
    return front | {name: found[name] for name in KEYS}


def _without(record, key):
    """A record without one of its parts, which stands elsewhere."""
    return record and {name: value for name, value in record.items() if name != key}


def _plain(value):
    if dataclasses.is_dataclass(value):
        names = [field.name for field in dataclasses.fields(value)]
        names += WORKED_OUT.get(type(value), ())
        return {name.rstrip("_"): _plain(getattr(value, name)) for name in names}
    if isinstance(value, dict):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


# The order of work --------------------------------------------------------------------------------

# Riders that are told about, in round numbers of kilograms or pounds.
_KILOGRAMS, _POUNDS = (45, 55, 65, 75, 85, 95, 110), (100, 120, 145, 165, 185, 210, 240)


def analyse(session: Session) -> Results:
    """Results of a session.

    Parameters
    ----------
    session : Session

    Returns
    -------
    Results
    """
    air = air_of_runs(session)
    road = analyse_road(session, air)
    check = check_gauge(session, air)
    # From here on the gauge is what the check found it to be.
    judged = mixture.with_check(session, check)
    read = mixture.weighed_readings(judged, air)
    mixtures = mixture.analyse_mixtures(judged, read)
    responses = responses_of(judged, air)
    fit = session_fit(judged, air, read, responses)
    loud = session.runs[session.runs["knock"].isin(KNOCKED)]
    knocks = tuple(records.Knock(row.setup, row.run, row.knock) for row in loud.itertuples())
    limits = mixture.fuel_limits(session)
    climbs = touring.long_climbs(session)
    known_air = air_envelope.known_air(judged, air, read, open_loop=fit is not None)
    advice = advise(
        Findings(
            session=judged,
            read=read,
            fit=fit,
            road=road,
            knocks=knocks,
            fuel_limits=limits,
            hot_climbs=tuple(one.setup for one in climbs if one.place == "above"),
            air=known_air,
        )
    )
    combinations, plan = advice.combinations, advice.plan
    burnt = tuple(one.fuel for one in plan.fuels)
    ladder = analyse_ladder(
        judged, read, fit, responses, plan.engine, plan.ride, combinations, burnt
    )
    setup, riders, top_speeds = _fellow(session, road, plan)
    return Results(
        session=session,
        runs=_runs(session, air, road, read),
        gauge_check=check,
        mixtures=mixtures,
        road=road,
        ladder=ladder,
        doubts=find_doubts(judged, read, road.doubts if road else (), ladder),
        knocks=knocks,
        combinations=combinations,
        plan=plan,
        flips=advice.flips,
        fuel_limits=limits,
        octane=mixture.octane_margins(session),
        what_if_setup=setup,
        what_if=riders,
        flat_top_speeds=top_speeds,
        gearing=touring.gearing_of(session, road, setup, top_speeds),
        climbs=climbs,
        fuel_use=touring.fuel_use(session),
        outlay=touring.outlay(session, plan, road.pulls if road else ()),
        logs=logs_read(session),
        air=air_envelope.air_envelope(judged, known_air, combinations, plan.ride, plan.engine),
        sound=_sound(session, mixtures),
        bands=mixture_by_bands(judged),
        force_curves=curves_of_force(session, air, road.load if road else None),
        pressure_source=day_pressure_of(session).source,
        provenance=provenance(session.folder, [log.file for log in session.logs.values()]),
        season=outing_record(
            judged, air, road.of_day if road else None, read, responses, check, knocks,
            advice.of_day,
        ),
    )  # fmt: skip


def _fellow(session, road, plan) -> tuple:
    """The setup that the fellow rider is told about, its marker speeds and its top speeds."""
    if road is None or not road.equivalent:
        return None, (), None
    # The one to ride, or else the reference.
    ride = plan.ride.setup if plan.ride else None
    setup = ride if ride in road.equivalent else next(iter(road.equivalent))
    run, system = road.equivalent[setup], session.about.units
    shown = _KILOGRAMS if system == "metric" else _POUNDS
    masses = [float(units.from_display(mass, "mass", system)) for mass in shown]
    found = answers(run, [Question(rider_mass_kg=mass) for mass in masses])
    return setup, tuple(map(ForRider, masses, found)), flat_top_speeds(run)


def _runs(session, air, road, read) -> tuple:
    def known(value):
        return None if isinstance(value, float) and math.isnan(value) else value

    # Every field is a column of that name: a new one of runs.csv needs nothing here.
    found = session.runs.assign(
        **dict(air.items()),
        reading_weight=read["weight"],
        force_weight=pd.Series(road.weight_of_run if road else {}, dtype=float),
        force_n=pd.Series(road.force_of_run if road else {}, dtype=float),
        stated_force_n=pd.Series(road.stated_force_of_run if road else {}, dtype=float),
    )
    names = [field.name for field in dataclasses.fields(records.Run)]
    rows = found[names].itertuples(index=False)
    return tuple(records.Run(**dict(zip(names, map(known, row), strict=True))) for row in rows)
