"""Results to tables: text cells in the rider's units, rounded to their uncertainty."""

import dataclasses

from tuninglib import units
from tuninglib.analysis.analyse import what_if_setup
from tuninglib.report.display import Prose, Table
from tuninglib.rounding import (
    decimals_for,
    decimals_of_step,
    fixed,
    gauge_text,
    in_units,
    interval_text,
    listing,
    odds_text,
    percent,
)

NONE = "–"


def _system(results) -> str:
    return results.session.about.units


def _name(setup: str) -> str:
    return setup.replace("_", " ")


def _headed(text: str, kind: str, system: str) -> str:
    return f"{text} [{units.unit_label(kind, system)}]"


def _shown(value, kind, system, decimals=0) -> str:
    return NONE if value is None else fixed(units.to_display(value, kind, system), decimals)


def _interval(interval, kind, system) -> str:
    return NONE if interval is None else interval_text(in_units(interval, kind, system))


def setups(results) -> Table:
    """What was fitted and in the tank for each setup, and how often it ran."""
    session = results.session
    rows = []
    for name, setup in session.setups.items():
        engine = session.engines[setup.engine]
        runs = [
            run for run in results.runs if run.setup == name and run.counts and run.state == "full"
        ]
        rows.append(
            (
                _name(name),
                setup.parts or NONE,
                _shown(engine.displacement_m3, "displacement", _system(results)),
                setup.injector,
                setup.fuel,
                str(len(runs)),
                _money(setup.cost, session),
            )
        )
    header = (
        "Setup",
        "Parts",
        _headed("Engine", "displacement", _system(results)),
        "Injector",
        "Fuel",
        "Full-throttle runs",
        "Cost of parts",
    )
    return Table("What was tested", header, tuple(rows))


def _money(cost, session) -> str:
    return NONE if cost is None else f"{cost:g} {session.about.currency}".strip()


def mixture(results) -> Table:
    """Gauge reading, lambda and true ratio of each setup, with the odds of the target band."""
    rows = []
    for m in results.mixtures:
        if m.lambda_ is None:
            rows.append((_name(m.setup), m.fuel, str(m.readings), *[NONE] * 5))
            continue
        rows.append(
            (
                _name(m.setup),
                m.fuel,
                str(m.readings),
                gauge_text(m.gauge.value, results.session.gauge),
                interval_text(m.lambda_),
                fixed(m.true_ratio.value, 1),
                odds_text(m.odds.inside),
                odds_text(m.odds.leaner),
            )
        )
    target = results.session.target
    header = (
        "Setup",
        "Fuel",
        "Readings",
        "Gauge",
        "Lambda (95 % interval)",
        "True air to fuel",
        "Odds inside",
        "Odds leaner",
    )
    note = (
        f"Target band: lambda {fixed(target.lowest, 2)} to {fixed(target.highest, 2)}. The "
        "interval holds the spread of the readings and the accuracy of the gauge."
    )
    return Table("Full-throttle mixture, as read", header, tuple(rows), note)


def gain(results) -> Table | Prose:
    """Wheel force, power and gain of each setup."""
    if not results.pulls:
        return Prose(())
    system = _system(results)
    rows = []
    for g in results.pulls:
        reference = g.gain is None
        change = units.to_display(g.speed_gain_m_s, "speed", system)
        rows.append(
            (
                _name(g.setup),
                str(g.runs),
                NONE if reference else f"{'+' if change >= 0 else '−'}{abs(change):.1f}",
                _interval(g.force_n, "force", system),
                _interval(g.power_w, "power", system),
                NONE if reference else interval_text(g.gain.ratio.scaled(100), least_decimals=0),
                g.verdict,
            )
        )
    header = (
        "Setup",
        "Runs",
        _headed("Marker speed", "speed", system),
        _headed("Wheel force", "force", system),
        _headed("Wheel power", "power", system),
        "Gain in force [%]",
        "Verdict",
    )
    note = (
        "In brackets: 95 % intervals. Errors that all setups share (slope, drag, mass) make the "
        "force uncertain, but mostly cancel in the gain. Marker speed is as shown, against the "
        f"mean of {_name(results.reference)}."
    )
    return Table(f"Against {_name(results.reference)}", header, tuple(rows), note)


def prospects(results) -> Table | Prose:
    """Each injector on each fuel, tried or not, with its odds of the target band."""
    if results.ladder is None:
        return Prose(())
    system = _system(results)
    rows = []
    for p in results.ladder.prospects:
        for number, one in enumerate(p.fuels):
            first = number == 0
            share = (
                percent(p.open_time_s / p.cycle_time_s)
                if p.open_time_s and p.cycle_time_s
                else NONE
            )
            rows.append(
                (
                    p.injector if first else f"{p.injector} ",
                    _shown(p.flow_m3_s, "flow", system) if first else "",
                    one.fuel,
                    interval_text(one.lambda_),
                    gauge_text(one.gauge.value, results.session.gauge),
                    odds_text(one.odds.inside),
                    odds_text(one.odds.leaner),
                    share if first else "",
                    p.reason if first else "",
                )
            )
    header = (
        "Injector",
        _headed("Flow", "flow", system),
        "Fuel",
        "Lambda (95 % interval)",
        "Gauge",
        "Odds inside",
        "Odds leaner",
        "Open time of a cycle",
        "In short",
    )
    note = (
        f"On the engine {results.ladder.engine!r}. Open time, dead time included, is for the "
        "richer fuel demand at the highest engine speed; above about 85 % an injector runs out "
        "(common practice)."
    )
    return Table("Injectors, tried and to buy", header, tuple(rows), note)


def what_if(results) -> Table | Prose:
    """Marker speed under another rider, between constant force and constant power."""
    if not results.what_if:
        return Prose(())
    system = _system(results)
    rows = tuple(
        (
            _shown(mass, "mass", system),
            _interval(one.at_force, "speed", system) if one.at_force else one.refusal,
            _interval(one.at_power, "speed", system) if one.at_power else NONE,
        )
        for mass, one in results.what_if
    )
    header = (
        _headed("Rider, dressed", "mass", system),
        _headed("Marker, same force", "speed", system),
        _headed("Marker, same power", "speed", system),
    )
    setup = what_if_setup(results.road, results.choice)
    start = _shown(results.road.equivalent[setup].entry_m_s, "speed", system)
    return Table(
        f"Marker speed of {_name(setup)} under another rider",
        header,
        rows,
        "True speeds, not what a speedometer shows, from "
        f"{start} {units.unit_label('speed', system)} at the start line.",
    )


def heat(results) -> Table | Prose:
    """Head temperatures by setup."""
    if not any(run.head_temperature_k or run.knock != "none" for run in results.runs):
        return Prose(())
    system = _system(results)
    rows = []
    for name in results.session.setups:
        temperatures = [
            units.to_display(run.head_temperature_k, "temperature", system)
            for run in results.runs
            if run.setup == name and run.head_temperature_k is not None
        ]
        knocks = sum(run.knock != "none" for run in results.runs if run.setup == name)
        rows.append(
            (
                _name(name),
                fixed(min(temperatures), 0) if temperatures else NONE,
                fixed(max(temperatures), 0) if temperatures else NONE,
                str(knocks),
            )
        )
    header = (
        "Setup",
        _headed("Head, lowest", "temperature", system),
        _headed("Head, highest", "temperature", system),
        "Runs with knock",
    )
    return Table("Heat and knock", header, tuple(rows))


def weather(results) -> Table | Prose:
    """Gain before and after the weather correction, and the correction's range."""
    if not results.pulls:
        return Prose(())
    rows = []
    for g in results.pulls:
        runs = [run for run in results.runs if run.setup == g.setup and run.force_n is not None]
        rows.append(
            (
                _name(g.setup),
                _span([run.sae_j1349 for run in runs]),
                _span([run.iso_1585 for run in runs]),
                NONE if g.gain is None else percent(g.raw_gain, 1),
                NONE if g.gain is None else percent(g.gain.ratio.value, 1),
            )
        )
    header = ("Setup", "SAE J1349", "ISO 1585", "Gain, raw", "Gain, corrected")
    note = "Factors that bring engine output to 25 °C and 990 hPa of dry air; gains use SAE J1349."
    return Table("Weather corrections", header, tuple(rows), note)


def _span(factors) -> str:
    if not factors:
        return NONE
    low, high = fixed(min(factors), 3), fixed(max(factors), 3)
    return low if low == high else f"{low} to {high}"


def runs(results) -> Table:
    """Every run as written down, with the wheel force that follows from it."""
    system, gauge = _system(results), results.session.gauge
    step = units.to_display(results.session.speedometer.resolution.value, "speed", system)
    # A step that was typed in another unit needs no more decimals than one.
    digits = min(decimals_of_step(round(step, 3)), 1)
    rows = []
    for run in results.runs:
        reading = (
            NONE
            if run.gauge_low is None
            else f"{gauge_text(run.gauge_low, gauge)} to {gauge_text(run.gauge_high, gauge)}"
        )
        rows.append(
            (
                f"{run.run:g}",
                _name(run.setup),
                run.rider,
                _shown(run.entry_m_s, "speed", system, digits),
                _shown(run.exit_m_s, "speed", system, digits),
                reading,
                _shown(run.temperature_k, "temperature", system),
                _shown(run.density_kg_m3, "density", system, 3),
                _shown(run.stated_force_n, "force", system),
                _remarks_on(run),
            )
        )
    header = (
        "Run",
        "Setup",
        "Rider",
        _headed("Entry", "speed", system),
        _headed("Exit", "speed", system),
        "Gauge",
        _headed("Air", "temperature", system),
        _headed("Density", "density", system),
        _headed("Force", "force", system),
        "Note",
    )
    note = (
        "Force is what the run's own numbers give with the stated masses, slope and road load, in "
        "the air of the run and without any correction. The forces and gains further up also weigh "
        "what all runs together say of drag, slope, wind and riders."
    )
    return Table("Speeds as shown by the speedometer", header, tuple(rows), note)


def _remarks_on(run) -> str:
    parts = (
        "" if run.state == "full" else run.state,
        f"left out: {run.exclude}" if run.exclude else "",
        run.note,
    )
    return "; ".join(part for part in parts if part)


def assumptions(results) -> Table:
    """What was taken for granted, and where each value comes from."""
    session, system = results.session, _system(results)
    rows = []
    if results.road:
        road = results.road
        rows += [
            ("Drag area", _taken(road.drag_area_m2, "area", system), road.sources["drag_area"]),
            (
                "Rolling coefficient",
                _taken(road.rolling_coefficient),
                road.sources["rolling_coefficient"],
            ),
            (
                "Rotating mass",
                _taken(road.rotating_mass_kg, "mass", system),
                road.sources["rotating_mass"],
            ),
            ("True over shown speed", _taken(road.speed_factor), road.sources["speed_factor"]),
            ("Headwind", _taken(session.weather.headwind, "speed", system), "session.toml"),
        ]
    for field in dataclasses.fields(session.assumptions):
        measured = getattr(session.assumptions, field.name)
        rows.append(
            (
                field.name.replace("_", " ").capitalize(),
                _taken(measured),
                f"{field.metadata['help']}; session.toml can say better",
            )
        )
    tolerances = sorted({record.tolerance.value for record in session.injectors.values()})
    rows.append(
        (
            "Injector tolerance",
            f"±{listing(percent(value, 1) for value in tolerances)}",
            "of the stated flow, 95 %; session.toml",
        )
    )
    return Table("What the sums rest on", ("Quantity", "Value", "Where from"), tuple(rows))


def _taken(measured, kind: str = "", system: str = "") -> str:
    """A value that was taken for granted with its ± (95 %)."""
    value, half = measured.value, measured.half_width
    unit = ""
    if kind:
        value, half = (units.to_display(x, kind, system) for x in (value, half))
        unit = f" {units.unit_label(kind, system)}"
    if not half:
        return f"{value:.4g}{unit}"
    decimals = decimals_for(half)
    return f"{fixed(value, decimals)} ± {fixed(half, decimals)}{unit}"


def contributions(results) -> Table | Prose:
    """What makes the gain of the kept setup uncertain, by share of its variance."""
    if len(results.pulls) < 2:
        return Prose(())
    setup = results.choice.keep
    shares = results.road.shares if results.road else {}
    if setup not in shares and shares:
        setup = next(iter(shares))
    ordered = sorted(shares.get(setup, {}).items(), key=lambda item: -item[1])
    rows = tuple((name.capitalize(), percent(share)) for name, share in ordered if share >= 0.005)
    return Table(
        f"What makes the gain of {_name(setup or 'a setup')} uncertain",
        ("Source", "Share of the variance"),
        rows,
        "To learn more from the next outing, work on the largest share.",
    )


def provenance(results) -> Table:
    """Checksums of the session's files and versions of the packages that did the sums."""
    return Table(
        "Provenance",
        ("What", "SHA-256 or version"),
        tuple(results.provenance),
        "No random numbers are drawn anywhere in this report, so there is no seed. The same files "
        "and versions give the same report, byte for byte.",
    )
