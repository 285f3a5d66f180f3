"""How it was worked out: the sums, what they rest on, what makes the gain uncertain."""

import dataclasses

from tuninglib import units
from tuninglib.analysis.analyse import Results
from tuninglib.analysis.gain import steeper_by_a_point_n
from tuninglib.interval import Measured
from tuninglib.physics.air import REFERENCE_DRY_PA, REFERENCE_K
from tuninglib.physics.fuels import PETROL_DENSITY_KG_M3
from tuninglib.report import injector, what_if
from tuninglib.report.mixture import counted
from tuninglib.report.page_parts import Prose, Table, plain, spaced, system_of, table_of, taken
from tuninglib.rounding import fixed, listing, percent
from tuninglib.session.defaults import leaner_limit_of

METHOD = {
    "Wheel force": "the constant force at the tyre that turns the entry speed into the exit speed "
    "on this hill, against slope, rolling resistance and air drag; with a force that varies on "
    "the way it is the mean over the hill. Solved in closed form: at constant force the square of "
    "the speed is exponential in distance.",
    "Gain": "ratio of two setups' mean wheel forces minus 1, from all runs at once by generalised "
    "least squares on the logarithm of force. What setups share (slope, drag, mass, wind of the "
    "day, speedometer) is one error for all and mostly cancels; what a run has of its own has the "
    "usual distribution, sharpened by what the runs show. So has a wind that gets up or dies from "
    "the first run to the last: it mostly cancels where setups take turns, and widens the gains "
    "of setups ridden one after the other. The wheel force of a setup uses the same fit: runs of "
    "light and heavy riders, and of fast and slow entries, say a little of drag and slope, too.",
    "Smallest visible gain": "the true gain that a test with these repeats and this scatter would "
    "have told apart in four of five such days (noncentral t, 5 % over all comparisons).",
    "Weather": "moist-air density as an ideal gas, saturation pressure after IAPWS-IF97; engine "
    "output brought to {reference} of dry air by SAE J1349 (ISO 1585 beside it).",
    "Lambda": "gauge reading over gauge scale, with the gauge's offset taken out: as stated or, "
    "where the ECU holds lambda 1 at idle or cruise, the closed-form normal posterior of the "
    "statement and those readings. The true ratio is lambda times the stoichiometric ratio of the "
    "fuel, from an atom balance with standard atomic weights; petrol is taken as CH1.85 at "
    "{petrol} unless session.toml says otherwise.",
    "Injector ladder": "logarithm of lambda times stoichiometric ratio times the root of density "
    "(an injector delivers so much more of a denser fuel), linear in the logarithm of stated "
    "flow, with a deviation for each injector that is the same on all its runs and fuels; normal "
    "priors, closed-form posterior.",
    "Other air": "lambda goes with the oxygen in a volume of air, (pressure − vapour) / "
    "temperature, less what the ECU corrects for: four cases, weighed by Bayes' rule unless "
    "stated. Published corrections of output go with the root of temperature, so frost may lean "
    "less than this. Pressure: the standard atmosphere's ± 2 %; relative humidity: 50 ± 30 %.",
    "Flow response": "how strongly lambda follows the stated flow, as the slope of their "
    "logarithms: at 1 it follows (fuel table), at 0 it stays put (the ECU corrects).{found}",
    "Doubtful rows": "every reading and every run is compared with what the others predict for "
    "it, its own value left out. Up to 2.5 standard deviations it counts fully, beyond with "
    "weight (2.5 over the distance)⁴; the same weights stand behind mixture, ladder and gains. In "
    "a setup without a majority all count equally, with the scatter that they show. Rows with a "
    "reason in the column exclude are left out before any of this.",
    "Intervals": "all 95 %. A ± in session.toml is read as a 95 % interval, too.",
    "Sources": "40 CFR 86.529-98 (road load of motorcycles), 40 CFR 1066.805 (reference air), SAE "
    "J1349 and ISO 1585 (output corrections), IAPWS-IF97, ISO 2533 (standard atmosphere), UN R39 "
    "(speedometers), JCGM 100 (uncertainty), Patterson and Thompson 1971 (restricted likelihood "
    "of the scatter), Satterthwaite 1946 (degrees of freedom of the mixtures).",
}


def sentences(results: Results) -> Prose:
    """How the numbers come about, what they rest on, and where that is published."""
    found, system = injector.in_numbers(results), results.session.about.units
    values = {
        "reference": f"{plain(REFERENCE_K, 'temperature', system)} and "
        f"{plain(REFERENCE_DRY_PA, 'pressure', system)}",
        "petrol": plain(PETROL_DENSITY_KG_M3, "density", system),
        "found": f" Found here: {found}." if found else "",
    }
    items = [(label, text.format(**values)) for label, text in METHOD.items()]
    # A track with elevations is a second opinion on the grade, and is said with the logs.
    if results.road and not (results.session.found and results.session.found.grade):
        items.insert(1, ("The grade", _a_point(results)))
    if results.what_if:
        items.append(("Another rider", what_if.in_method(results)))
    if any(one.compression_rise for one in results.octane):
        items.append(("Octane", _OCTANE))
    return Prose(tuple(items), style="points")


_OCTANE = (
    "each unit of compression ratio is assumed to ask for 3 to 5 octane numbers more (rule of "
    "thumb; engines differ)."
)


def _a_point(results) -> str:
    """What the forces would be on a hill that is one point steeper or less steep."""
    session, system = results.session, results.session.about.units
    more, force = steeper_by_a_point_n(session), results.pulls[0].force_n.value
    half, grade = session.hill.grade.half_width, session.hill.grade.value
    within = f"allow for ±{fixed(100 * half, 1)} points of grade" if half else "take it as exact"
    said = f"{units.to_display(more, 'force', system):.2g} {units.unit_label('force', system)}"
    tenth = 0.1 * force / (force + more)
    return (
        f"the intervals of force {within}. If the grade were one point steeper "
        f"({percent(grade + 0.01, 1)}), every force would be {said} higher "
        f"({percent(more / force)} of that of {spaced(results.reference)}); one point less steep, "
        f"as much lower. Gains hardly change: one of 10 % would become {percent(tenth, 1)}."
    )


def assumptions(results: Results) -> Table:
    """What was taken for granted, and where each value comes from."""
    session, system = results.session, system_of(results)
    rows = []
    if results.road:
        road = results.road
        values = (
            ("Drag area", road.drag_area_m2, "area"),
            ("Rolling coefficient", road.rolling_coefficient, ""),
            ("Rotating mass", road.rotating_mass_kg, "mass"),
            ("True over shown speed", road.speed_factor, ""),
        )
        sources = _SOURCES | {"checks": f"{len(session.speedometer.checks)} checks in session.toml"}
        rows += [
            (what, taken(value, kind, system), sources[value.source])
            for what, value, kind in values
        ]
        wind = taken(session.weather.headwind, "speed", system)
        rows.append(("Headwind", wind, _whence(session.weather, "headwind", "[weather]")))
    for field in dataclasses.fields(session.assumptions):
        value = getattr(session.assumptions, field.name)
        if field.name == "leaner_limit":
            value = leaner_limit_of(session)
        text = taken(value) if isinstance(value, Measured) else fixed(value, 2)
        rows.append((field.name.replace("_", " ").capitalize(), text, field.metadata["help"]))
    if session.gauge.scale:
        offset = results.gauge_check.offset or session.gauge.accuracy
        source = _whence(session.gauge, "accuracy", "[gauge]")
        if results.gauge_check.offset:
            source = f"{counted(results.gauge_check)} where the ECU may hold lambda 1"
        too_high = taken(Measured(100 * offset.value, 100 * offset.half_width))
        rows.append(("Gauge reads too high by", f"{too_high} %", source))
    injectors = session.injectors.values()
    tolerances = sorted({record.tolerance.value for record in injectors})
    about = f"±{listing(percent(value, 1) for value in tolerances)}"
    stated = dict.fromkeys(_whence(record, "tolerance", "[injectors]") for record in injectors)
    rows.append(("Injector tolerance", about, f"of the stated flow; {'; '.join(stated)}"))
    return Table(
        "What the sums rest on",
        ("Quantity", "Value", "Where from"),
        tuple(rows),
        "You can set what is usual under [assumptions] in session.toml.",
    )


def _whence(record, key, section) -> str:
    """Where a value is from that has a usual one."""
    usual = {field.name: field.default for field in dataclasses.fields(record)}[key]
    if getattr(record, key) != usual:
        return f"{key} under {section} in session.toml"
    return f"usual ({key} under {section} changes it)"


_SOURCES = {
    "stated": "session.toml",
    "pairs": "exit speeds, typed and in the log",
    "length": "the engine speed that was heard, over the known length of the hill",
    "log": "speeds of a log are true ones (ours: ± 0.5 % by satellites, ± 2 % in a table)",
    "legal range": "no calibration: legal range of UN R39",
    "table": "motorcycle table of 40 CFR 86.529-98",
    "table and tyres": "the same table, joined with 0.010 to 0.020 of road tyres (rule of thumb)",
    "rule": "7 % of the bike (rule of thumb, after UN GTR 2)",
}


def contributions(results: Results) -> Table | Prose:
    """What makes the gain of the kept setup uncertain, by share of its variance."""
    shares, ride = results.road.shares if results.road else {}, results.plan.ride
    if not shares:
        return Prose(())
    own = [name for name in shares if ride and name == ride.setup]
    setup = next(iter(own or shares))
    ordered = sorted(shares[setup].items(), key=lambda item: -item[1])
    return table_of(
        [item for item in ordered if item[1] >= 0.005],
        {
            "Source": lambda item: item[0].capitalize(),
            "Share of the variance": lambda item: percent(item[1]),
        },
        f"What makes the gain of {spaced(setup)} uncertain",
        "To learn more from the next outing, work on the largest share.",
    )
