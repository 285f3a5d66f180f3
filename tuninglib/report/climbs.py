"""Heat on a long climb: where the head would end, and how far that is from its limit."""

from tuninglib import units
from tuninglib.report.cells import headed, interval_cell, plain, spaced, system_of
from tuninglib.report.display import Prose, Table
from tuninglib.report.stop_rules import usual_hottest
from tuninglib.rounding import fixed, interval_text, percent


def sentences(results) -> Prose:
    """What the climbs say of sustained load; nothing where none was read.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    items = [
        (f"Long climb, {spaced(one.setup)}", _sentence(one, results)) for one in results.climbs
    ]
    if items:
        items.append(
            (
                "Sustained load",
                "a pull up the test hill is over long before the head is as hot as it gets, so it "
                "says little of a long climb. With a tenth more power the head's excess over the "
                f"air grows by about {percent(1.10**0.38 - 1)} (NACA Report 550); richer runs "
                "cooler, and each hundredth of lambda costs about one per cent of fuel.",
            )
        )
    return Prose(tuple(items), style="points")


def _sentence(one, results) -> str:
    system = results.session.about.units
    limit = plain(one.limit_k, "temperature", system)
    if not one.limit_is_stated:
        limit = usual_hottest(system)
    whose = "your limit of" if one.limit_is_stated else "the usual limit of about"
    where = "" if one.limit_is_stated else " under the spark plug (common practice)"
    if not one.told and one.place != "above":
        return (
            f"the readings end too early to tell where the head would end; "
            f"{plain(one.hottest_k, 'temperature', system)} was read. Read on for longer."
        )
    hot = plain(308.15, "temperature", system)
    said = {
        "below": f"that stays below {whose} {limit}{where}",
        "above": f"that is above {whose} {limit}{where}: not for long climbs as it is",
        "unclear": f"whether that stays below {whose} {limit}{where} cannot be said: go easy",
    }[one.place]
    return (
        f"the head would end at {_text(one.hot_day_k, system)} with air of {hot}; {said}. Most of "
        f"the way there takes about {fixed(2 * one.time_constant_s.value / 60, 0)} minutes."
    )


def _text(interval, system) -> str:
    shown = type(interval)(
        *(
            units.to_display(one, "temperature", system)
            for one in (interval.value, interval.low, interval.high)
        )
    )
    return interval_text(
        shown, units.unit_label("temperature", system), least_decimals=0, most_decimals=0
    )


def table(results) -> Table | Prose:
    """End and time constant of each climb.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    if not results.climbs:
        return Prose(())
    system = system_of(results)
    rows = [
        (
            f"{one.climb:g}",
            spaced(one.setup),
            str(one.readings),
            fixed(units.to_display(one.hottest_k, "temperature", system), 0),
            interval_cell(one.final_k, "temperature", system) if one.told else "not told",
            interval_cell(one.hot_day_k, "temperature", system) if one.told else "not told",
            interval_text(one.time_constant_s, most_decimals=0),
        )
        for one in results.climbs
    ]
    header = (
        "Climb",
        "Setup",
        "Readings",
        headed("Hottest read", "temperature", system),
        headed("End on the day", "temperature", system),
        headed("End on a hot day", "temperature", system),
        "Time constant [s]",
    )
    return Table("Head on long climbs", header, tuple(rows), "In brackets: 95 % intervals.")
