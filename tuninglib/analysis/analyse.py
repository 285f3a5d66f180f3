"""From a session to its results."""

import math

from tuninglib.analysis.decide import advise
from tuninglib.analysis.doubts import check_gauge, find_doubts
from tuninglib.analysis.gain import analyse_road
from tuninglib.analysis.injector import analyse_ladder, responses_of, session_fit
from tuninglib.analysis.logs import curves_of_force, logs_read, mixture_by_bands
from tuninglib.analysis.mixture import (
    analyse_mixtures,
    fuel_limits,
    octane_margins,
    weighed_readings,
    with_check,
)
from tuninglib.analysis.records import Knock, Run
from tuninglib.analysis.results import Results, provenance
from tuninglib.analysis.season_record import outing_record
from tuninglib.analysis.upkeep import fuel_use, gearing_of, long_climbs, outlay
from tuninglib.analysis.what_if import Answer, ForRider, Question, answers, flat_top_speeds
from tuninglib.session.defaults import air_of_runs, day_pressure_of
from tuninglib.session.load import Session
from tuninglib.session.read_table import KNOCKED

WHAT_IF_MASSES_KG = (45.0, 55.0, 65.0, 75.0, 85.0, 95.0, 110.0)


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
    judged = with_check(session, check)
    read = weighed_readings(judged, air)
    mixtures = analyse_mixtures(judged, read)
    responses = responses_of(judged, air)
    fit = session_fit(judged, air, read, responses)
    loud = session.runs[session.runs["knock"].isin(KNOCKED)]
    knocks = tuple(Knock(row.setup, row.run, row.knock) for row in loud.itertuples())
    limits = fuel_limits(session)
    climbs = long_climbs(session)
    hot_climbs = tuple(one.setup for one in climbs if one.place == "above")
    advice = advise(judged, read, fit, road, knocks, limits, hot_climbs)
    combinations, plan = advice.combinations, advice.plan
    burnt = tuple(one.fuel for one in plan.fuels)
    ladder = analyse_ladder(judged, read, fit, responses, plan, combinations, burnt)
    setup = _what_if_setup(road, plan)
    bands, followings = mixture_by_bands(judged)
    return Results(
        session=session,
        runs=_runs(session, air, road, read),
        gauge_check=check,
        mixtures=mixtures,
        road=road,
        ladder=ladder,
        doubts=find_doubts(judged, read, road, ladder),
        knocks=knocks,
        combinations=combinations,
        plan=plan,
        flips=advice.flips,
        fuel_limits=limits,
        octane=octane_margins(session),
        what_if_setup=setup,
        what_if=_what_if(road, setup),
        flat_top_speeds=_top_speeds(road, setup),
        gearing=gearing_of(session, road, setup, _top_speeds(road, setup)),
        climbs=climbs,
        fuel_use=fuel_use(session),
        outlay=outlay(session, plan, road.pulls if road else ()),
        logs=logs_read(session),
        bands=bands,
        followings=followings,
        force_curves=curves_of_force(session, air, road),
        pressure_source=day_pressure_of(session).source,
        provenance=provenance(session.folder, [log.file for log in session.logs.values()]),
        season=outing_record(judged, air, road, read, responses, check, knocks, limits),
    )


def _what_if_setup(road, plan) -> str | None:
    """The setup that the fellow rider is told about: the one to ride, or else the reference."""
    if road is None or not road.equivalent:
        return None
    ride = plan.ride.setup if plan.ride else None
    return ride if ride in road.equivalent else next(iter(road.equivalent))


def _what_if(road, setup) -> tuple:
    if setup is None:
        return ()
    run = road.equivalent[setup]
    questions = [Question(rider_mass_kg=mass) for mass in WHAT_IF_MASSES_KG]
    return tuple(map(ForRider, WHAT_IF_MASSES_KG, answers(run, questions)))


def _top_speeds(road, setup) -> Answer | None:
    return None if setup is None else flat_top_speeds(road.equivalent[setup])


def _runs(session, air, road, read) -> tuple:
    def known(value):
        return None if isinstance(value, float) and math.isnan(value) else value

    forces = road.force_of_run if road else {}
    stated = road.stated_force_of_run if road else {}
    speeds_count = road.weight_of_run if road else {}
    reading_counts = read["weight"].to_dict()
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
            reading_weight=reading_counts.get(row.Index),
            force_weight=speeds_count.get(row.Index),
        )
        for row in table.itertuples()
    )
