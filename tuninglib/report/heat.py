"""Knock and heat: what was heard, what the fuels allow, how hot the head was."""

from tuninglib import units
from tuninglib.report.cells import NONE, headed, spaced, system_of
from tuninglib.report.display import Prose, Table
from tuninglib.rounding import fixed, percent
from tuninglib.session.defaults import ethanol_of


def sentences(results) -> Prose:
    """Knock that was heard, fuel against the maker's limits, and head temperatures."""
    items = []
    for run in results.runs:
        if run.knock != "none":
            items.append((f"Run {run.run:g}, {spaced(run.setup)}", f"{run.knock} knock was heard."))
    if not items:
        items.append(("Knock", "none was heard on any run."))
    items += [("Fuel", sentence) for sentence in limits(results)]
    items.append(
        (
            "Heat",
            "head temperatures of single runs say little: the engine warms over the day, and the "
            "air cools it more the faster it goes. Compare neighbours in time.",
        )
    )
    return Prose(tuple(items), style="points")


def limits(results) -> list:
    """Fuels against what the maker of the motorcycle allows."""
    bike, found = results.session.bike, []
    for name, fuel in results.session.fuels.items():
        if bike.highest_ethanol and ethanol_of(fuel).value > bike.highest_ethanol.value + 1e-9:
            found.append(
                f"{name} has {percent(ethanol_of(fuel).value)} ethanol, more than the "
                f"{percent(bike.highest_ethanol.value)} that the maker allows: do not use it."
            )
        if bike.lowest_ron and fuel.ron and fuel.ron < bike.lowest_ron:
            found.append(
                f"{name} has RON {fuel.ron:g}, below the {bike.lowest_ron:g} that the maker asks "
                "for: do not use it."
            )
    ratios = {
        name: engine.compression_ratio
        for name, engine in results.session.engines.items()
        if engine.compression_ratio
    }
    if len(set(ratios.values())) > 1:
        found.append(
            "a higher compression ratio asks for a higher octane number, by some 3 to 5 for each "
            "unit (from memory); the maker's number holds for the engine as it was made."
        )
    return found


def table(results) -> Table | Prose:
    """Head temperatures by setup."""
    if not any(run.head_temperature_k or run.knock != "none" for run in results.runs):
        return Prose(())
    system = system_of(results)
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
                spaced(name),
                fixed(min(temperatures), 0) if temperatures else NONE,
                fixed(max(temperatures), 0) if temperatures else NONE,
                str(knocks),
            )
        )
    header = (
        "Setup",
        headed("Head, lowest", "temperature", system),
        headed("Head, highest", "temperature", system),
        "Runs with knock",
    )
    return Table("Heat and knock", header, tuple(rows))
