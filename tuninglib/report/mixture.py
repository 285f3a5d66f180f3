"""The mixture: what the gauge said, and what it means on the fuel in the tank."""

import math
from collections.abc import Mapping

import numpy as np

from tuninglib import units
from tuninglib.analysis.air_envelope import STATED, InAir
from tuninglib.analysis.analyse import Results
from tuninglib.analysis.doubts import PART_THROTTLE, STATES
from tuninglib.analysis.records import GaugeCheck, HeldState
from tuninglib.interval import Measured
from tuninglib.physics.fuels import Blend, lambda_shift
from tuninglib.report import cautions, page_parts
from tuninglib.report.advice import chance_of
from tuninglib.report.page_parts import (
    Picture,
    Prose,
    Table,
    as_points,
    picture,
    shown,
    spaced,
    spaced_list,
    table_of,
    taken,
    with_unit,
)
from tuninglib.rounding import (
    decimals_of_step,
    fixed,
    gauge_text,
    interval_text,
    listing,
    odds_text,
    percent,
)
from tuninglib.session.defaults import blend_of, day_temperature_of, ethanol_of, leaner_limit_of
from tuninglib.session.schema import SHOWS_LAMBDA

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
    if scale and scale > SHOWS_LAMBDA:
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
        f"{fixed(check.gauge, decimals_of_step(gauge.step) + 1)} there ({counted(check)})."
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
        place = place_words(one).removeprefix("at ")
        places.setdefault(odds_text(one.chance), []).append(place)
    return listing(f"{chance} at {listing(own)}" for chance, own in places.items())


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
    if PART_THROTTLE in [one.state for one in check.states]:
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
    shown = f", {fixed(shift * middle * scale, 1)} on this gauge" if scale > SHOWS_LAMBDA else ""
    return [
        f"on the same injector {spaced(lean)} runs {percent(shift, 1)} leaner than "
        f"{spaced(rich)}{shown}."
    ]


def table(results: Results) -> Table | Prose:
    """Gauge reading, lambda and true ratio of each setup, with the odds of the target band."""
    band, gauge = results.band, results.session.gauge
    columns = {
        "Setup": lambda mixture: spaced(mixture.setup),
        "Lambda (95 % interval)": lambda one: one.lambda_ and interval_text(one.lambda_),
        "Chance inside": lambda one: one.lambda_ and odds_text(one.odds.inside),
        "Chance leaner": lambda one: one.lambda_ and odds_text(one.odds.leaner),
        "Gauge": lambda one: one.lambda_ and gauge_text(one.gauge.value, gauge),
        "True air to fuel": lambda one: one.true_ratio and fixed(one.true_ratio.value, 1),
        "Fuel": lambda mixture: mixture.fuel,
        "Readings": lambda mixture: str(mixture.readings),
    }
    note = (
        f"Target band: lambda {fixed(band.lowest, 2)} to {fixed(band.highest, 2)}. The interval "
        "covers the spread of the readings and the uncertainty of the gauge's offset."
    )
    return table_of(results.mixtures, columns, "Full-throttle mixture, as read", note)


# For which air it holds ---------------------------------------------------------------------------

_CORRECTS = {
    "both": "both air temperature and pressure", "neither": "neither",
    "temperature": "air temperature alone", "pressure": "air pressure alone",
}  # fmt: skip
# What is behind an edge that is met in these cases alone.
_LACKS = (
    ({"neither", "pressure"}, "air temperature"), ({"neither", "temperature"}, "air pressure"),
    ({"neither", "temperature", "pressure"}, "the air"),
)  # fmt: skip
_EITHER, _BOTH = "either air temperature or pressure", "both air temperature and pressure"


def air_in_brief(results: Results, one: InAir) -> str:
    """For which air a mixture holds, in a sentence.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    one : tuninglib.analysis.air_envelope.InAir
    """
    system, riding = results.session.about.units, results.air.riding
    hilly = riding.lowest_m < riding.highest_m

    def at(kelvin):
        return with_unit(kelvin, "temperature", system)

    edges = (
        (one.lean_below_k, one.lean_cases, "leaner", "below", riding.hottest_k, riding.lowest_m),
        (one.rich_above_k, one.rich_cases, "richer", "above", riding.coldest_k, riding.highest_m),
    )
    sure, maybe = {}, {}
    for kelvin, cases, word, side, end, height in edges:
        if kelvin is None:
            continue
        chance = math.fsum(results.air.ecu_corrects[case] for case in cases)
        # Over hills, an ECU that corrects for nothing misses pressure and temperature alike.
        every = _LACKS[-1:] if hilly and cases == ("neither",) else _LACKS
        lacks = next((what for known, what in every if set(cases) <= known), "")
        found = sure if chance > 0.5 or not lacks else maybe
        if found is maybe and lacks == "the air":
            # Two edges may be met in other cases, with other chances: each is told exactly.
            lacks = _EITHER if cases == ("neither",) else _BOTH
        where = "throughout" if kelvin == end else f"{side} {at(kelvin)}"
        where += f" at {with_unit(height, 'length', system)}" * hilly
        found.setdefault((lacks, odds_text(chance)), []).append(f"{word} than the band {where}")
    text = f"In air of {_air_text(results)} it "
    lacked = list(dict.fromkeys(lacks for lacks, _ in sure if lacks))
    lacked = ["the air"] if "the air" in lacked else lacked
    said = listing(one for own in sure.values() for one in own)
    text += f"is likely {said}" if sure else "keeps its place in the band"
    text += f", as the ECU does not correct for {listing(lacked)}" if lacked else ""
    if not (sure or maybe) and one.worst_leaner > leaner_limit_of(results.session):
        likely = odds_text(one.worst_leaner)
        text += f"; at {at(riding.coldest_k)} it is {likely} likely to run leaner"
    for (lacks, chance), own in maybe.items():
        odds = "not known" if results.air.source == "unknown" else f"{chance} chance"
        does_not = f"; if the ECU does not correct for {lacks}"
        if not sure and len(maybe) == 1:
            does_not = f" if the ECU corrects for {lacks}; if it does not"
        text += f"{does_not} ({odds}), it is {listing(own)}"
    if (sure or maybe) and one.coldest_read_k is None:
        taken_as = day_temperature_of(results.session).value
        text += f", taking the air of the day as {at(taken_as)}, which nobody wrote down"
    return f"{text}."


def _air_text(results) -> str:
    """The rider's air in words."""
    system, riding = results.session.about.units, results.air.riding
    ends = [riding.coldest_k, riding.hottest_k], [riding.lowest_m, riding.highest_m]
    kinds = [("temperature", ends[0])] + [("length", ends[1])] * riding.altitude_is_stated
    return ", ".join(_span(low, high, kind, system) for kind, (low, high) in kinds)


def _span(low, high, kind, system) -> str:
    end = with_unit(high, kind, system)
    return end if low == high else f"{shown(low, kind, system)} to {end}"


# From this chance on it is a caution: where nothing is known of the ECU it is about an even bet.
_CAUTION = 0.6


def lean_in_the_cold(results: Results) -> list:
    """A caution where what is ridden is likely leaner than the band in the air of the season."""
    own = results.air and results.air.of(results.plan.ride)
    if not own or own.setup is None or own.worst_leaner <= _CAUTION or own.lean_below_k is None:
        return []
    system, riding = results.session.about.units, results.air.riding
    coldest, below = (
        with_unit(kelvin, "temperature", system) for kelvin in (riding.coldest_k, own.lean_below_k)
    )
    where = "" if own.lean_below_k == riding.hottest_k else f" below {below}"
    chance = chance_of(own.worst_leaner, "running leaner than the band")
    return [
        f"in air of {coldest}, {spaced(own.setup)} has {chance}: no full throttle{where} until the "
        "gauge was read in such air."
    ]


def air_sentences(results: Results) -> Prose:
    """For which air the mixture holds, what the ECU does about it, and what is assumed."""
    air = results.air
    if air is None:
        return Prose(())
    own, items, riding = air.of(results.plan.ride), [], air.riding
    # Where nothing covers more, the verdict's sentence says it all.
    if own is not None and own.setup is not None and (more := _covering(results, own)):
        said = air_in_brief(results, own)
        items.append((spaced(own.setup), f"{said[0].lower()}{said[1:]}{more}"))
    items.append(("The ECU", ecu_sentence(results)))
    missing = [] if riding.air_is_stated else ["air"]
    missing += [] if riding.altitude_is_stated else ["altitude"]
    where = "" if riding.altitude_is_stated else " at the hill's altitude"
    assumed = (
        f"air of {_air_text(results)}{where} is assumed ({listing(missing)} under [use] "
        f"{'change' if len(missing) > 1 else 'changes'} it); "
    )
    text = (
        f"{assumed if missing else ''}denser air, in frost or lower down, runs leaner unless the "
        "ECU corrects for it; hot air brings an engine nearer to knock, the more so the higher its "
        "compression; by how much was not measured."
    )
    return as_points([*items, ("Other air", text)])


def ecu_sentence(results: Results) -> str:
    """What the ECU is known, or likely, to correct for."""
    air, system = results.air, results.session.about.units
    if air.source == "stated":
        case = _CORRECTS[STATED[results.session.bike.density_compensation]].replace(
            "neither", "neither air temperature nor pressure"
        )
        return f"corrects for {case}, as session.toml says; humid air still runs a little richer."
    read = [k for one in air.mixtures for k in (one.coldest_read_k, one.hottest_read_k) if k]
    span = "that nobody wrote down"
    if read:
        span = f"of {_span(min(read), max(read), 'temperature', system)}"
    if air.source == "unknown":
        apart = "20 °F" if units.unit_of("temperature", system) == "degF" else "10 °C"
        return (
            f"not known, and readings in air {span} cannot tell: the intervals span all cases. "
            f"Read again on a day that is {apart} colder or warmer, or write density_compensation "
            "under [bike]."
        )
    return (
        f"by readings in air {span}, the chances are that it corrects for "
        f"{chances_text(air.ecu_corrects)}; the intervals span them. A day that is much colder, or "
        "a hill much higher, tells more."
    )


def chances_text(ecu_corrects: Mapping[str, float]) -> str:
    """What an ECU may correct for, the likeliest first.

    Parameters
    ----------
    ecu_corrects : dict of str to float
        As of :class:`tuninglib.analysis.air_envelope.AirEnvelope`.
    """
    ranked = sorted(ecu_corrects.items(), key=lambda one: -one[1])
    return listing(f"{_CORRECTS[case]} {odds_text(chance)}" for case, chance in ranked)


def _covering(results, own) -> str:
    """Of injectors that may be ridden or tried: which one stays inside, or is at least not lean."""
    if own.lean_below_k is None:
        return ""
    others = [one for one in results.air.mixtures if one.may_be_tried and one.lean_below_k is None]
    inside = [one for one in others if one.rich_above_k is None]
    if inside:
        best = inside[0]
        verb = "stays" if best.setup else "is expected to stay"
        return f" Injector {best.injector} {verb} inside all of it."
    if not others or others[0].rich_above_k == results.air.riding.coldest_k:
        return " No injector listed covers all of it."
    system, least = results.session.about.units, others[0]
    return (
        f" None that is listed covers all of it; {least.injector} is nowhere leaner, and richer "
        f"than the band above {with_unit(least.rich_above_k, 'temperature', system)}."
    )


def air_figure(results: Results) -> Picture | Prose:
    """Lambda over air temperature of what is ridden, of another altitude, and of what is next.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    Picture, or Prose where there is none
    """
    air, system = results.air, results.session.about.units
    own = air and (air.of(results.plan.ride) or air.mixtures[0])
    if not own:
        return Prose(())
    kelvin, step = np.array(air.temperature_k), results.plan.next
    degrees = units.to_display(kelvin, "temperature", system)
    here = with_unit(air.altitude_m[0], "length", system)
    lines = [(f"{own.injector}, {here}", own.lambda_[0])]
    apart = np.abs(np.subtract(own.lambda_[-1], own.lambda_[0])).max()
    if apart > _SEEN:
        there = with_unit(air.altitude_m[-1], "length", system)
        lines.append((f"{own.injector}, {there}", own.lambda_[-1]))
    if step.code in ("fit", "buy"):
        lines += [
            (f"{one.injector}, {here}", one.lambda_[0])
            for one in air.mixtures
            if one.injector == step.injector and one != own
        ][:1]
    names, band = [name for name, _ in lines], results.band

    def drawn(width_in):
        figure, (ax,) = page_parts.figure_of(width_in, 2.6, legend=names)
        ax.axhspan(band.lowest, band.highest, color=page_parts.BAND, linewidth=0, zorder=0)
        for edge in (band.lowest, band.highest):
            ax.axhline(edge, color=page_parts.SOFT, linewidth=0.9, linestyle=":")
        handles = []
        for index, (_, values) in enumerate(lines):
            colour, _, line = page_parts.look_of(index)
            handles += ax.plot(degrees, values, color=colour, linestyle=line)
        first = page_parts.look_of(0)[0]
        ax.fill_between(degrees, own.low[0], own.high[0], color=first, alpha=0.13, linewidth=0)
        if own.coldest_read_k is not None:
            read = units.to_display([own.coldest_read_k, own.hottest_read_k], "temperature", system)
            ink = {"color": page_parts.INK, "linewidth": 5, "solid_capstyle": "round"}
            ax.plot(read, [own.read_lambda] * 2, **ink)
        ax.set_xlabel(f"air temperature [{units.unit_label('temperature', system)}]")
        page_parts.title(ax, "Lambda (up: leaner)")
        ax.grid()
        page_parts.add_legend(figure, handles, names)
        return figure

    cold, hot = (with_unit(kelvin[at], "temperature", system) for at in (0, -1))
    said = "; ".join(
        f"{name}: {fixed(values[0], 2)} at {cold}, {fixed(values[-1], 2)} at {hot}"
        for name, values in lines
    )
    edges = f"{fixed(band.lowest, 2)} to {fixed(band.highest, 2)}"
    alt = f"Lambda against air temperature. {said}. The target band is {edges}."
    ends = (f"{fixed(own.lambda_[0][at], 2)} at {t}" for at, t in ((0, cold), (-1, hot)))
    caption = f"{spaced(own.setup or own.injector)} in other air: lambda {' and '.join(ends)}."
    thick = "Thick: as it was read; around" if own.coldest_read_k else "Around"
    key = (
        f"{thick} the first line: 95 % interval; shaded, with dotted edges: target band, lambda "
        f"{edges}."
    )
    return picture(drawn, alt, caption, key)


# Lines nearer than this are one in the picture.
_SEEN = 0.01
