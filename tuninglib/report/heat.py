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
        items.append(("Knock", _not_heard(runs_listened(results))))
    items += [("Fuel", limit_sentence(limit)) for limit in results.fuel_limits]
    items += [("Octane", sentence) for sentence in _octane(results)]
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
    level = "" if knock.level == "heard" else f"{knock.level} "
    return f"{level}knock was heard on run {knock.run:g}"


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
    if limit.engine is None:
        return (
            f"{limit.fuel} has {limit.value}, below the {limit.limit} that the maker asks for: do "
            "not use it."
        )
    return (
        f"{limit.fuel} has {limit.value}; the maker asks for {limit.limit}, and the higher "
        f"compression of the engine {spaced(limit.engine)} for more: not enough."
    )


def runs_listened(results) -> int:
    """Runs on which somebody wrote down whether it knocked.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    return sum(bool(run.knock) for run in results.runs)


def _not_heard(listened: int) -> str:
    if not listened:
        return "nobody wrote down whether it knocked."
    return f"none was heard on the {listened} runs on which somebody listened. That is no proof."


_MARGINS = {
    "enough": "enough",
    "unclear": "enough or not, that cannot be said",
    "unknown": "its octane number is not written down",
}


def _octane(results) -> list:
    """Octane of the fuels against what each engine needs, where it is not plainly enough."""
    found = []
    for one in results.octane:
        raised = (
            f", compression raised by {one.compression_rise:.1f}" if one.compression_rise else ""
        )
        if one.margin in ("unclear", "unknown") or (one.margin == "enough" and raised):
            has = f" has {one.octane}" if one.octane else ""
            found.append(
                f"{one.fuel}{has} on the engine {spaced(one.engine)} (maker asks for {one.need}"
                f"{raised}): {_MARGINS[one.margin]}."
            )
    if any(one.compression_rise for one in results.octane):
        found.append(
            "each unit of compression ratio is taken to ask for 3 to 5 octane numbers more (from "
            "memory; engines differ)."
        )
    return found


def table(results) -> Table | Prose:
    """Head temperatures by setup."""
    if not any(run.head_temperature_k or run.knocked for run in results.runs):
        return Prose(())
    system = system_of(results)
    rows = []
    for name in results.session.setups:
        temperatures = [
            units.to_display(run.head_temperature_k, "temperature", system)
            for run in results.runs
            if run.setup == name and run.head_temperature_k is not None
        ]
        knocks = sum(run.knocked for run in results.runs if run.setup == name)
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
