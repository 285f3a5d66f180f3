"""The mixture: what the gauge said, and what it means on the fuel in the tank."""

from tuninglib.analysis.analyse import Results
from tuninglib.analysis.doubts import PART_THROTTLE, STATES
from tuninglib.analysis.records import GaugeCheck, HeldState
from tuninglib.interval import Measured
from tuninglib.physics.fuels import Blend, lambda_shift
from tuninglib.report import cautions
from tuninglib.report.page_parts import NONE, Prose, Table, spaced, spaced_list, table_of, taken
from tuninglib.rounding import (
    decimals_of_step,
    fixed,
    gauge_text,
    interval_text,
    listing,
    odds_text,
    percent,
)
from tuninglib.session.defaults import blend_of, ethanol_of

# Injectors whose flows differ by more than this tell whether lambda follows.
_FAR_ENOUGH = 1.095
# Fuels whose lambda is nearer than this come out the same on any gauge.
SMALLEST_SHIFT = 0.001


def sentences(results: Results) -> Prose:
    """What the gauge said, and what it means on the fuel that was in the tank."""
    items = []
    if results.gauge_check.code not in ("applied", "no readings"):
        items += [("Gauge check", sentence) for sentence in _gauge_check(results)]
    pegged = [m for m in results.mixtures if m.pegged]
    if pegged:
        names = listing(f"{spaced(m.setup)} ({m.pegged})" for m in pegged)
        said = f"{names}: these readings only say 'beyond', so they are left out of the sums."
        items.append(("At the gauge's end", said))
    silent = [m.setup for m in results.mixtures if m.lambda_ is None]
    if silent:
        items.append(("No reading", f"{spaced_list(silent)}."))
    items += cautions.of_readings(results)
    items += [("Fuel", sentence) for sentence in _fuels(results)]
    return Prose(tuple(items), style="points")


def gauge_sentences(results: Results) -> Prose:
    """What the gauge prints, and how it was checked where nothing speaks against it."""
    scale, items = results.session.gauge.scale, []
    if scale and scale > 1.5:
        said = (
            f"it measures lambda and shows it on a scale of {scale:g}: lambda 1 reads {scale:g}, "
            "whatever is in the tank. The true ratio of air to fuel is another number, because "
            "each fuel needs its own amount of air; the table of the mixture has both."
        )
        items.append(("The gauge", said))
    if results.gauge_check.code in ("applied", "no readings"):
        items += [("Gauge check", sentence) for sentence in _gauge_check(results)]
    return Prose(tuple(items), style="points")


def _gauge_check(results) -> list:
    """Whether the ECU holds lambda 1 at idle and cruise, and what was made of that."""
    check, gauge = results.gauge_check, results.session.gauge
    stated = f"{taken(Measured(100 * gauge.accuracy.value, 100 * gauge.accuracy.half_width))} %"
    if all(mixture.lambda_ is None for mixture in results.mixtures) or not gauge.scale:
        return []
    if check.code == "no readings":
        return [
            "there is none, as nothing was read at idle or cruise. Read there with two injectors "
            "that differ by a tenth or more, and the gauge is checked at no cost; for now its "
            f"offset is assumed to be {stated}."
        ]
    items = [
        "where the ECU (engine control unit) holds lambda 1 by its oxygen sensor, the gauge has to "
        f"show {gauge.scale:g}, within about 1 % (common practice). The chance that it does so is "
        f"{_chances(check.states)}. The gauge reads "
        f"{fixed(check.gauge, decimals_of_step(gauge.resolution) + 1)} there ({counted(check)})."
    ]
    if check.code != "applied":
        bias = ", its stated offset taken out," if gauge.accuracy.value else ""
        place, off = _standing_off(check)
        items.append(
            f"{place} the gauge{bias} reads up to {off} {_SUSPECTED[check.code]} If all that is "
            "sound, the gauge itself is off: calibrate it, or state its accuracy under [gauge]. "
            f"The chance that it is not the gauge is {odds_text(check.elsewhere)}; these readings "
            "count that much less."
        )
    items.append(
        "at full throttle the gauge is assumed to be off by "
        f"{interval_text(check.offset.scaled(100), '%')}; above 0 means that it reads too lean. "
        f"Without this check {stated} would be assumed. The check widens that as far as the ECU is "
        "likely to hold lambda 1, and never narrows it: a sensor that is right at lambda 1 may be "
        "wrong at a rich mixture (common practice). Every lambda in this report has the offset "
        "taken out; the Gauge column has what the gauge shows."
    )
    items += [settling(one) for one in check.states if not one.settled]
    return items


def _chances(states) -> str:
    """The chance that lambda 1 is held, each said once with the places that it is the same in."""
    places = {}
    for one in states:
        places.setdefault(odds_text(one.chance), []).append(place_words(one))
    return listing(
        f"{chance} at {listing(place.removeprefix('at ') for place in own)}"
        for chance, own in places.items()
    )


def place_words(one: HeldState) -> str:
    """Where lambda may be held, in words."""
    if one.throttle is None:
        return f"at {one.state}"
    low, high = (fixed(100 * end, 0) for end in one.throttle)
    return f"at {one.state} ({low} to {high} %)"


def settling(one: HeldState) -> str:
    """The reading that would settle whether the ECU corrects in a state."""
    how = "two or three times more with the injectors that differ most"
    if one.flow_ratio < _FAR_ENOUGH:
        how = "with another injector, too, one that differs by a tenth or more"
    said = "that would decide whether the ECU corrects there."
    return f"read the gauge {place_words(one)} {how}: {said}"


def counted(check: GaugeCheck) -> str:
    """What a check rests on, in words."""
    if any(one.state == PART_THROTTLE for one in check.states):
        return f"{check.readings} means of settled stretches in the log"
    return f"{check.readings} readings"


_SUSPECTED = {
    "lean": "leaner. Suspect air that leaks into the exhaust, secondary air injection, or a "
    "misfire: check the exhaust joints ahead of the gauge's sensor, shut off the secondary air for "
    "the test, and look at the spark plug. An ECU at the end of its trim reads lean, too. A leak "
    "matters less at full throttle, where there is more exhaust.",
    "rich": "richer. Suspect air that leaks in just ahead of the ECU's own oxygen sensor, a device "
    "that alters its signal, or an ECU at the end of its trim.",
}


def _standing_off(check) -> tuple:
    """Where readings stand off, in states of the throttle or with a setup, and how far."""
    names = [one.name for one in check.deviations]
    place = f"with {spaced_list(names)}"
    if check.deviations[0].kind == "state":
        place = f"at {listing(one for one in (*STATES, PART_THROTTLE) if one in names)}"
    return place, percent(abs(check.deviations[0].off), 1)


def _fuels(results) -> list:
    """What the fuels do to the reading on the same injector, by their labels."""
    # Where the ECU trims at full throttle, fuel does not move lambda there.
    if results.ladder is None or results.ladder.withheld:
        return []
    # What a fuel without a label has in it is not known, so it is not compared.
    labelled = {
        name: blend_of(fuel)
        for name, fuel in results.session.fuels.items()
        if ethanol_of(fuel).source == "stated"
    }
    if len(labelled) < 2:
        return []
    lean, rich = (
        ends(labelled, key=lambda name: lambda_shift(labelled[name], Blend(0.0)))
        for ends in (min, max)
    )
    shift = float(lambda_shift(labelled[rich], labelled[lean])) - 1
    if shift < SMALLEST_SHIFT:
        return []
    scale, middle = results.shown_at_lambda_one, (results.band.lowest + results.band.highest) / 2
    shown = f", {fixed(shift * middle * scale, 1)} on this gauge" if scale > 1.5 else ""
    return [
        f"on the same injector {spaced(lean)} runs {percent(shift, 1)} leaner than "
        f"{spaced(rich)}{shown}."
    ]


def table(results: Results) -> Table | Prose:
    """Gauge reading, lambda and true ratio of each setup, with the odds of the target band."""
    band, gauge = results.band, results.session.gauge

    def read(cell):
        return lambda mixture: NONE if mixture.lambda_ is None else cell(mixture)

    columns = {
        "Setup": lambda mixture: spaced(mixture.setup),
        "Lambda (95 % interval)": read(lambda mixture: interval_text(mixture.lambda_)),
        "Chance inside": read(lambda mixture: odds_text(mixture.odds.inside)),
        "Chance leaner": read(lambda mixture: odds_text(mixture.odds.leaner)),
        "Gauge": read(lambda mixture: gauge_text(mixture.gauge.value, gauge)),
        "True air to fuel": read(
            lambda mixture: fixed(mixture.true_ratio.value, 1) if mixture.true_ratio else NONE
        ),
        "Fuel": lambda mixture: mixture.fuel,
        "Readings": lambda mixture: str(mixture.readings),
    }
    note = (
        f"Target band: lambda {fixed(band.lowest, 2)} to {fixed(band.highest, 2)}. The interval "
        "covers the spread of the readings and the uncertainty of the gauge's offset."
    )
    return table_of(results.mixtures, columns, "Full-throttle mixture, as read", note)
