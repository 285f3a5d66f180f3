"""Knock and heat: what was heard, what the fuels allow, how hot the head was."""

from tuninglib import units
from tuninglib.report.cells import NONE, headed, spaced, system_of
from tuninglib.report.display import Prose, Table
from tuninglib.rounding import fixed, percent


def sentences(results) -> Prose:
    """Knock that was heard, fuel against the maker's limits, and head temperatures."""
    items = []
    for knock in results.knocks:
        items.append((spaced(knock.setup).capitalize(), f"{knock_sentence(knock)}."))
    if not items:
        items.append(("Knock", "none was heard on any run."))
    items += [("Fuel", limit_sentence(limit)) for limit in results.fuel_limits]
    items += [("Fuel", sentence) for sentence in _compression(results)]
    items.append(
        (
            "Heat",
            "head temperatures of single runs say little: the engine warms over the day, and the "
            "air cools it more the faster it goes. Compare neighbours in time.",
        )
    )
    return Prose(tuple(items), style="points")


def knock_sentence(knock) -> str:
    """What was heard and when, without a full stop.

    Parameters
    ----------
    knock : tuninglib.analysis.records.Knock
    """
    return f"{knock.level} knock was heard on run {knock.run:g}"


def limit_sentence(limit) -> str:
    """A fuel against what the maker of the motorcycle allows.

    Parameters
    ----------
    limit : tuninglib.analysis.records.FuelLimit
    """
    if limit.code == "ethanol":
        return (
            f"{limit.fuel} has {percent(limit.value)} ethanol, more than the "
            f"{percent(limit.limit)} that the maker allows: do not use it."
        )
    return (
        f"{limit.fuel} has RON {limit.value:g}, below the {limit.limit:g} that the maker asks for: "
        "do not use it."
    )


def _compression(results) -> list:
    """What a raised compression ratio asks of the fuel."""
    ratios = {
        name: engine.compression_ratio
        for name, engine in results.session.engines.items()
        if engine.compression_ratio
    }
    if len(set(ratios.values())) < 2:
        return []
    return [
        "a higher compression ratio asks for a higher octane number, by some 3 to 5 for each "
        "unit (from memory); the maker's number holds for the engine as it was made."
    ]


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
