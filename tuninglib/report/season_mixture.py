"""The mixtures that all readings of a season together tell of."""

from tuninglib.report.cells import NONE, headed, shown, spaced
from tuninglib.report.display import Prose, Table
from tuninglib.rounding import interval_text, odds_text

# Beyond it, readings and days scatter by more than was taken for granted.
_FAR = 1.5


def sentences(season) -> Prose:
    """What the pooled readings are, and what they rest on."""
    ladder = season.ladder
    if ladder is None:
        return Prose(
            (("", "No reading at full throttle in these outings tells anything of injectors."),)
        )
    items = [
        (
            "Readings",
            f"{ladder.readings} readings of {ladder.outings} "
            f"outing{'s' if ladder.outings != 1 else ''} in one model. Its intervals are of the "
            "true lambda on another day.",
        ),
        (
            "How lambda follows flow",
            f"{interval_text(ladder.response)}; 1 is an ECU (engine control unit) that follows its "
            "table, 0 one that corrects.",
        ),
    ]
    if ladder.scatter > _FAR:
        items.append(
            (
                "Note",
                f"readings and days scatter {ladder.scatter:.1f} times as much as was taken for "
                "granted, and the intervals are as much wider. See whether the gauge, the fuel "
                "or the air filter changed between outings.",
            )
        )
    items.append(
        (
            "Too lean",
            "a combination that is more likely than allowed to be leaner than the band "
            "(leaner_limit under [assumptions]) is marked. One that is not marked is not thereby "
            "safe.",
        )
    )
    if any(one.knocked for one in ladder.mixtures):
        items.append(
            (
                "Knock",
                "a mixture inside the band is no reason to ride a combination that knocked.",
            )
        )
    return Prose(tuple(items), style="points")


def table(season) -> Table | Prose:
    """Lambda of every injector on every fuel, from all readings."""
    ladder = season.ladder
    if ladder is None:
        return Prose(())
    low, high = ladder.band
    rows = [
        (
            f"{spaced(one.injector)}, {spaced(one.fuel)}, {spaced(one.engine)} engine",
            shown(one.flow_m3_s, "flow", season.units),
            f"{one.readings} on {one.outings}" if one.readings else NONE,
            interval_text(one.lambda_),
            odds_text(one.odds.inside),
            odds_text(one.odds.leaner),
            _notes(one),
        )
        for one in ladder.mixtures
    ]
    header = (
        "Injector, fuel, engine",
        headed("Flow", "flow", season.units),
        "Readings on outings",
        "Lambda",
        f"Inside {low:.2f} to {high:.2f}",
        "Leaner",
        "Mind",
    )
    note = (
        "A dash: that combination was not read, and what is said of it follows from the others. "
        "The band is that of the last outing."
    )
    return Table("At full throttle on another day", header, tuple(rows), note)


def _notes(one) -> str:
    found = []
    if one.knocked:
        found.append("knocked")
    if one.too_lean:
        found.append("too lean to ride")
    if not one.allowed:
        found.append("fuel beyond the maker's limits")
    if not one.tried:
        found.append("injector not tried")
    if one.extrapolated:
        found.append("flow outside those tried")
    return "; ".join(found) or NONE
