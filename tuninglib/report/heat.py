"""Knock and heat: what was heard, what the fuels allow, how hot the head was.

And where the head would end on a long climb, and how far that is from its limit.
"""

from collections import Counter

from tuninglib.analysis.analyse import Results
from tuninglib.analysis.records import FuelLimit, Knock
from tuninglib.physics.fuels import known_higher
from tuninglib.report import cautions
from tuninglib.report.page_parts import Prose, Table, plain, spaced, system_of, table_of
from tuninglib.report.run_sheet import USUAL_HOTTEST
from tuninglib.rounding import fixed, in_units, interval_text, percent
from tuninglib.session.read_table import NOTED
from tuninglib.units import unit_label


def sentences(results: Results) -> Prose:
    """Knock that was heard, fuel against the maker's limits, and head temperatures."""
    items = [
        (spaced(knock.setup).capitalize(), f"{knock_sentence(knock)}.") for knock in results.knocks
    ] or [("Knock", _not_heard(runs_listened(results)))]
    items += cautions.of_knock(results)
    items += [("Fuel", limit_sentence(limit)) for limit in results.fuel_limits]
    items += [("Octane", sentence) for sentence in _octane(results)]
    return Prose(tuple(items), style="points")


def knock_sentence(knock: Knock) -> str:
    """What was heard and when, without a full stop.

    Parameters
    ----------
    knock : tuninglib.analysis.records.Knock
    """
    return heard_sentence(knock.level, f"{knock.run:g}")


def heard_sentence(level: str, run: str) -> str:
    """How loud knock was on which run, without a full stop.

    Parameters
    ----------
    level : str
        Of :data:`tuninglib.session.read_table.KNOCKED`.
    run : str
    """
    if level == NOTED:
        return f"knock was noted on run {run}"
    return f"{'' if level == 'heard' else f'{level} '}knock was heard on run {run}"


def limit_sentence(limit: FuelLimit) -> str:
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
        f"compression of the engine '{spaced(limit.engine)}' for more: not enough."
    )


def runs_listened(results: Results) -> int:
    """Runs on which somebody wrote down whether it knocked.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    return sum(bool(run.knock) for run in results.runs)


def _not_heard(listened: int) -> str:
    if not listened:
        return "nobody wrote down whether it knocked."
    return f"none was heard on the {listened} runs on which somebody listened. That is no proof."


_MARGINS = {
    "enough": "enough",
    "unclear": "whether that is enough cannot be said",
    "unknown": "its octane number is not written down",
}


def _octane(results) -> list:
    """Octane of the fuels against what each engine needs, where it is not plainly enough."""
    found = []
    heavy = {
        (one.engine, fuel.fuel)
        for one in results.combinations
        if any(knock.level == "heavy" for knock in one.knocks)
        for fuel in results.combinations
        if not known_higher(fuel.octane, one.octane)
    }
    for one in results.octane:
        if (one.engine, one.fuel) in heavy:
            # What a sum says is enough is no word beside heavy knock.
            continue
        raised = (
            f", compression raised by {one.compression_rise:.1f}" if one.compression_rise else ""
        )
        if one.margin in ("unclear", "unknown") or (one.margin == "enough" and raised):
            has = f" has {one.octane}" if one.octane else ""
            found.append(
                f"{one.fuel}{has} on the engine '{spaced(one.engine)}' (maker asks for {one.need}"
                f"{raised}): {_MARGINS[one.margin]}."
            )
    return found


def table(results: Results) -> Table | Prose:
    """Head temperatures by setup."""
    if not any(run.head_temperature_k or run.knocked for run in results.runs):
        return Prose(())

    def heads(setup) -> list:
        own = [run.head_temperature_k for run in results.runs if run.setup == setup]
        return [one for one in own if one is not None]

    knocks = Counter(run.setup for run in results.runs if run.knocked)
    columns = {
        "Setup": spaced,
        "Runs with knock": lambda setup: str(knocks[setup]),
        ("Head, highest", "temperature"): lambda setup: max(heads(setup), default=None),
        ("Head, lowest", "temperature"): lambda setup: min(heads(setup), default=None),
    }
    note = (
        "Head temperatures of single runs say little: the engine warms over the day, and the air "
        "cools it more the faster it goes. Compare neighbours in time."
    )
    return table_of(
        results.session.setups, columns, "Heat and knock", note, system=system_of(results)
    )


# Long climbs --------------------------------------------------------------------------------------


def climbs_sentences(results: Results) -> Prose:
    """What the climbs say of sustained load; nothing where none was read.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    items = [
        (f"Long climb, {spaced(one.setup)}", _sentence(one, results)) for one in results.climbs
    ]
    if items:
        text = (
            "a pull up the test hill is over long before the head is as hot as it gets, so it "
            "says little of a long climb. With a tenth more power the head's excess over the "
            f"air grows by about {percent(1.10**0.38 - 1)} (Schey and Pinkel, 1936); richer "
            "runs cooler, and each hundredth of lambda costs about one per cent of fuel."
        )
        items.append(("Sustained load", text))
    return Prose(tuple(items), style="points")


def _sentence(one, results) -> str:
    system = results.session.about.units
    limit = f"your limit of {plain(one.limit_k, 'temperature', system)}"
    if not one.limit_is_stated:
        limit = (
            f"the usual limit of about {USUAL_HOTTEST[system]} under the spark plug (common "
            "practice)"
        )
    if not one.told and one.place != "above":
        return (
            f"the readings end too early to tell where the head would end; "
            f"{plain(one.hottest_k, 'temperature', system)} was read. Read on for longer."
        )
    hot, unit = plain(308.15, "temperature", system), unit_label("temperature", system)
    end = in_units(one.hot_day_k, "temperature", system)
    head = interval_text(end, unit, least_decimals=0, most_decimals=0)
    said = {
        "below": f"that stays below {limit}",
        "above": f"that is above {limit}: not for long climbs as it is",
        "unclear": f"whether that stays below {limit} cannot be said: go easy",
    }[one.place]
    return (
        f"the head would end at {head} with air of {hot}; {said}. Most of the way there takes "
        f"about {fixed(2 * one.time_constant_s.value / 60, 0)} minutes."
    )


def climbs_table(results: Results) -> Table | Prose:
    """End and time constant of each climb.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    columns = {
        "Climb, setup": lambda one: f"{one.climb:g}, {spaced(one.setup)}",
        ("End on a hot day", "temperature"): lambda one: one.hot_day_k if one.told else "not told",
        ("End on the day", "temperature"): lambda one: one.final_k if one.told else "not told",
        ("Hottest read", "temperature"): lambda one: one.hottest_k,
        "Time constant [s]": lambda one: interval_text(one.time_constant_s, most_decimals=0),
        "Readings": lambda one: str(one.readings),
    }
    note = "In brackets: 95 % intervals."
    return table_of(results.climbs, columns, "Head on long climbs", note, system=system_of(results))
