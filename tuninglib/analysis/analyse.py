"""From a session to its results."""

import dataclasses
import math
from dataclasses import dataclass

from tuninglib.analysis.choice import choose, fuel_limits
from tuninglib.analysis.gain import Road, analyse_road
from tuninglib.analysis.gauge_check import check_gauge
from tuninglib.analysis.injector import analyse_ladder
from tuninglib.analysis.mixture import analyse_mixtures, shown_at_lambda_one
from tuninglib.analysis.provenance import provenance
from tuninglib.analysis.results import Choice, GaugeCheck, Knock, Ladder, Pull, Run
from tuninglib.analysis.what_if import Answer, Question, answers, flat_top_speeds
from tuninglib.session.defaults import air_of_runs, day_pressure_of
from tuninglib.session.load import Session
from tuninglib.statistics.gain import Gain

SCHEMA = "tuninglib results 1"
# Properties that a program should not have to work out again.
_WORKED_OUT = {Gain: ("smallest_visible", "verdict"), Pull: ("verdict",)}
WHAT_IF_MASSES_KG = (55.0, 65.0, 75.0, 85.0, 95.0, 110.0)


@dataclass(frozen=True, kw_only=True)
class Results:
    """Everything that a report says, in SI.

    Attributes
    ----------
    session : Session
    runs : tuple of Run
    gauge_check : GaugeCheck
    mixtures : tuple of Mixture
    road : Road or None
    ladder : Ladder or None
    knocks : tuple of Knock
        In the order of the runs.
    choice : Choice
    fuel_limits : tuple of FuelLimit
    what_if : tuple of (float, Answer)
        Rider's mass, and the marker speed of the kept setup under that rider.
    flat_top_speeds : Answer or None
        Of the kept setup, on a flat road without wind.
    pressure_source : str
        ``"stated"``, ``"altitude"`` or ``"sea level"``.
    provenance : tuple
    """

    session: Session
    runs: tuple
    gauge_check: GaugeCheck
    mixtures: tuple
    road: Road | None
    ladder: Ladder | None
    knocks: tuple
    choice: Choice
    fuel_limits: tuple
    what_if: tuple
    flat_top_speeds: Answer | None
    pressure_source: str
    provenance: tuple

    @property
    def reference(self) -> str:
        """The setup that gains are counted from."""
        return self.session.about.reference

    @property
    def shown_at_lambda_one(self) -> float | None:
        """What the gauge shows at a true lambda of 1; None where its scale is not known."""
        if self.session.gauge.scale is None:
            return None
        return shown_at_lambda_one(self.session, self.gauge_check)

    @property
    def knocked(self) -> tuple:
        """Setups with which knock was heard."""
        return tuple(dict.fromkeys(knock.setup for knock in self.knocks))

    @property
    def pulls(self) -> tuple:
        """What each setup pulls, the reference first; empty without speeds."""
        return self.road.pulls if self.road else ()


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
    mixtures = analyse_mixtures(session, check)
    loud = session.runs[session.runs["knock"] != "none"]
    knocks = tuple(Knock(row.setup, row.run, row.knock) for row in loud.itertuples())
    limits = fuel_limits(session)
    choice = choose(session, road, mixtures, knocks, limits)
    return Results(
        session=session,
        runs=_runs(session, air, road),
        gauge_check=check,
        mixtures=mixtures,
        road=road,
        ladder=analyse_ladder(session, air, choice.keep, knocks, check),
        knocks=knocks,
        choice=choice,
        fuel_limits=limits,
        what_if=_what_if(road, what_if_setup(road, choice)),
        flat_top_speeds=_top_speeds(road, what_if_setup(road, choice)),
        pressure_source=day_pressure_of(session).source,
        provenance=provenance(session.folder),
    )


def what_if_setup(road, choice) -> str | None:
    """The setup that the fellow rider is told about: the one kept, or else the reference."""
    if road is None or not road.equivalent:
        return None
    return choice.keep if choice.keep in road.equivalent else next(iter(road.equivalent))


def _what_if(road, setup) -> tuple:
    if setup is None:
        return ()
    run = road.equivalent[setup]
    questions = [Question(rider_mass_kg=mass) for mass in WHAT_IF_MASSES_KG]
    return tuple(zip(WHAT_IF_MASSES_KG, answers(run, questions), strict=True))


def _top_speeds(road, setup) -> Answer | None:
    return None if setup is None else flat_top_speeds(road.equivalent[setup])


def _runs(session, air, road) -> tuple:
    def known(value):
        return None if isinstance(value, float) and math.isnan(value) else value

    forces = road.force_of_run if road else {}
    stated = road.stated_force_of_run if road else {}
    table = session.runs.join(
        air[["temperature_k", "density_kg_m3", "sae_j1349", "iso_1585", "within_limits"]]
    )
    return tuple(
        Run(
            run=row.run,
            setup=row.setup,
            rider=row.rider,
            state=row.state,
            shown_entry_m_s=known(row.shown_entry_m_s),
            shown_exit_m_s=known(row.shown_exit_m_s),
            gauge_low=known(row.gauge_low),
            gauge_high=known(row.gauge_high),
            temperature_k=known(row.temperature_k),
            density_kg_m3=known(row.density_kg_m3),
            sae_j1349=known(row.sae_j1349),
            iso_1585=known(row.iso_1585),
            within_limits=bool(row.within_limits),
            stated_force_n=stated.get(row.Index),
            force_n=forces.get(row.Index),
            knock=row.knock,
            head_temperature_k=known(row.head_temperature_k),
            exclude=row.exclude,
            note=row.note,
        )
        for row in table.itertuples()
    )


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
    return {
        "schema": SCHEMA,
        "title": about.title,
        "date": about.date.isoformat(),
        "reference": about.reference,
        "interval": 0.95,
        "choice": _plain(results.choice),
        "gauge_check": _plain(results.gauge_check),
        "mixtures": _plain(results.mixtures),
        "road": _plain(results.road),
        "ladder": _plain(results.ladder),
        "what_if": [{"rider_mass_kg": mass, **_plain(one)} for mass, one in results.what_if],
        "flat_top_speeds": _plain(results.flat_top_speeds),
        "knocks": _plain(results.knocks),
        "fuel_limits": _plain(results.fuel_limits),
        "runs": _plain(results.runs),
        "provenance": dict(results.provenance),
    }


def _plain(value):
    if dataclasses.is_dataclass(value):
        names = [field.name for field in dataclasses.fields(value)]
        names += _WORKED_OUT.get(type(value), ())
        return {name.rstrip("_"): _plain(getattr(value, name)) for name in names}
    if isinstance(value, dict):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
