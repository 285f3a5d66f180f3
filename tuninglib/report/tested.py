"""What was tested: the day, the hill, the bike and the setups; every run; the weather.

And which files and versions the report was made from.
"""

from collections import Counter

from tuninglib import units
from tuninglib.analysis.analyse import Results
from tuninglib.physics.air import REFERENCE_DRY_PA, REFERENCE_K
from tuninglib.report import cautions
from tuninglib.report.page_parts import (
    NONE,
    Prose,
    Table,
    count_of,
    money,
    plain,
    shown,
    spaced,
    system_of,
    table_of,
    with_unit,
)
from tuninglib.rounding import decimals_of_step, fixed, gauge_text, listing, percent
from tuninglib.session.defaults import speedometer_step


def in_one_line(results: Results) -> str:
    """Bike, cylinder, hill, riders and runs, as they stand under the title.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    session, system = results.session, results.session.about.units
    ride, reference = results.plan.ride, session.setups[session.about.reference]
    engine = session.engines[ride.engine if ride else reference.engine]
    runs = sum(run.counts and run.state == "full" for run in results.runs)
    parts = (
        f"{plain(session.bike.mass.value, 'mass', system)} bike",
        f"{with_unit(engine.displacement_m3, 'displacement', system)} cylinder",
        f"{plain(session.hill.length.value, 'length', system)} at "
        f"{percent(session.hill.grade.value, 1)}",
        listing(session.riders) if len(session.riders) > 1 else "",
        count_of(runs, "full-throttle run"),
    )
    return ", ".join(filter(None, parts))


def sentences(results: Results) -> Prose:
    """The riders, the hill and the air of the day, and what the rider wrote of it."""
    session, system = results.session, results.session.about.units
    runs = [run for run in results.runs if run.force_n is not None]
    riders = listing(
        f"{name} {plain(rider.mass.value, 'mass', system)}"
        for name, rider in session.riders.items()
    )
    day = [f"riders, dressed: {riders}"]
    if runs and not cautions.air_was_not_read(session):
        read = sorted(run.temperature_k for run in runs)
        ends = dict.fromkeys(plain(end, "temperature", system) for end in (read[0], read[-1]))
        day.append(f"air: {' to '.join(ends)}")
    if session.hill.surface:
        day.append(f"road: {session.hill.surface}")
    items = [("The day", f"{'; '.join(day)}.")]
    left_out = [run for run in results.runs if run.exclude]
    if left_out:
        reasons = "; ".join(f"run {run.run:g}: {run.exclude}" for run in left_out)
        items.append(("Left out by the rider", f"{reasons}."))
    if session.about.note:
        items.append(("The rider's note", session.about.note))
    # Of setups they stand in the table below.
    for what, named in (("fuel", session.fuels), ("injector", session.injectors)):
        items += [
            (f"Note on the {what} {spaced(name)}", one.note)
            for name, one in named.items()
            if one.note
        ]
    items += [("Note", remark) for remark in cautions.remarks(results)]
    return Prose(tuple(items))


def table(results: Results) -> Table | Prose:
    """What was fitted and in the tank for each setup, and how often it ran."""
    session = results.session
    ran = Counter(run.setup for run in results.runs if run.counts and run.state == "full")
    columns = {
        "Setup": lambda item: spaced(item[0]),
        "Parts": lambda item: item[1].parts or NONE,
        ("Engine", "displacement"): lambda item: session.engines[item[1].engine].displacement_m3,
        "Injector": lambda item: item[1].injector,
        "Fuel": lambda item: item[1].fuel,
        "Full-throttle runs": lambda item: str(ran[item[0]]),
        "Cost of parts": lambda item: money(item[1].cost, session),
        "Note": lambda item: item[1].note or NONE,
    }
    return table_of(session.setups.items(), columns, "The setups", system=system_of(results))


# Every run as it was written down -----------------------------------------------------------------


def runs_table(results: Results) -> Table | Prose:
    """Every run as written down, with the wheel force that follows from it."""
    system, gauge = system_of(results), results.session.gauge
    step = units.to_display(speedometer_step(results.session).value, "speed", system)
    # A step that was typed in another unit needs no more decimals than one.
    digits = min(decimals_of_step(step), 1)

    def reading(run) -> str:
        if run.gauge_low is None:
            return NONE
        ends = (gauge_text(end, gauge) for end in (run.gauge_low, run.gauge_high))
        return " to ".join(dict.fromkeys(ends))

    columns = {
        "Run": lambda run: f"{run.run:g}",
        "Setup": lambda run: spaced(run.setup),
        ("Force", "force"): lambda run: run.stated_force_n,
        "Gauge": reading,
        ("Entry", "speed"): lambda run: shown(run.shown_entry_m_s, "speed", system, digits),
        ("Exit", "speed"): lambda run: shown(run.shown_exit_m_s, "speed", system, digits),
        "Rider": lambda run: run.rider,
        ("Air", "temperature"): lambda run: run.temperature_k,
        ("Density", "density"): lambda run: shown(run.density_kg_m3, "density", system, 3),
        "Note": _remarks_on,
    }
    note = (
        "Force is what the run's own numbers give with the stated masses, slope and road load, in "
        "the air of the run and without any correction. The forces and gains further up also weigh "
        "what all runs together say of drag, slope, wind and riders."
    )
    shown_by = "the speedometer" if results.session.logged_step_m_s is None else "the log"
    caption = f"Speeds as shown by {shown_by}"
    return table_of(results.runs, columns, caption, note, system=system)


def _remarks_on(run) -> str:
    parts = (
        "" if run.state == "full" else run.state,
        f"left out: {run.exclude}" if run.exclude else "",
        cautions.on_run(run),
        run.note,
    )
    return "; ".join(part for part in parts if part)


# The weather, and how it is taken out of the gains ------------------------------------------------


def weather_sentences(results: Results) -> Prose:
    """How far the weather moved, and whether the corrections for it may be used."""
    if results.road is None:
        return Prose((("", "Without gains there is nothing to correct."),))
    runs, spread = _timed(results), _weather_spread(results)
    found = [
        f"Over the runs that count the air changed engine output by {percent(spread, 1)}; the "
        "gains are corrected for it by SAE J1349."
        if spread
        else "The air is taken as the same on all runs, so there is nothing to correct."
    ]
    outside = sorted({spaced(r.setup) for r in runs if not r.within_limits})
    if outside:
        found.append(
            f"For {listing(outside)} a factor lies outside what its standard allows (0.95 to 1.05 "
            "for SAE J1349, 0.93 to 1.07 for ISO 1585): forces of these runs are not comparable "
            "with a bench; gains between runs in the same air still are."
        )
    return Prose(tuple(("", sentence) for sentence in found))


def _timed(results) -> list:
    return [run for run in results.runs if run.force_n is not None]


def _weather_spread(results) -> float:
    factors = [run.sae_j1349 for run in _timed(results)]
    return max(factors) / min(factors) - 1 if factors else 0.0


def weather_table(results: Results) -> Table | Prose:
    """Gain before and after the weather correction, and its range; nothing where it is nothing."""
    system, timed = system_of(results), _timed(results)
    if not _weather_spread(results):
        return Prose(())

    def factors(standard):
        return lambda pull: _span([getattr(r, standard) for r in timed if r.setup == pull.setup])

    columns = {
        "Setup": lambda pull: spaced(pull.setup),
        "Gain, corrected": lambda pull: pull.gain and percent(pull.gain.ratio.value, 1),
        "Gain, raw": lambda pull: pull.gain and percent(pull.raw_gain, 1),
        "SAE J1349": factors("sae_j1349"),
        "ISO 1585": factors("iso_1585"),
    }
    note = (
        f"Factors that bring engine output to {plain(REFERENCE_K, 'temperature', system)} and "
        f"{plain(REFERENCE_DRY_PA, 'pressure', system)} of dry air; gains use SAE J1349."
    )
    return table_of(results.pulls, columns, "Weather corrections", note)


def _span(factors) -> str:
    if not factors:
        return NONE
    low, high = fixed(min(factors), 3), fixed(max(factors), 3)
    return low if low == high else f"{low} to {high}"


# What nobody wrote down ---------------------------------------------------------------------------


def missing_sentences(results: Results) -> Prose:
    """What the report could say as well, and by which file; nothing where all is there.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    said = {
        "engine speeds and the crank's torque ([gearing] in session.toml)": results.gearing,
        "fuel use (fills.csv)": results.fuel_use,
        "the logs of a phone or a gauge ([logs] in session.toml)": results.logs,
    }
    could = [text for text, there in said.items() if not there]
    return Prose((("What could be added", f"{listing(could)}."),) if could else ())


# Files and versions -------------------------------------------------------------------------------


# Letters of a SHA-256 as it is written down.
_CHECKSUM = 64


def provenance_table(results: Results) -> Table:
    """Checksums of the session's files and versions of the packages that did the sums."""
    made_from = results.provenance
    files = [one for one in made_from if len(one[1]) == _CHECKSUM]
    versions = [" ".join(one) for one in made_from if len(one[1]) != _CHECKSUM]
    return Table(
        "Provenance",
        ("What", "SHA-256 or version"),
        (*files, ("Versions", ", ".join(versions))),
        "No random numbers are drawn anywhere in this report, so there is no seed. The same files "
        "and versions give the same report, byte for byte.",
    )
