"""What to be careful of: the usual cautions, doubts about what was typed, and remarks.

Doubts are what the rest of the session speaks against, with what to check. Remarks are what was
taken for granted that the rider could have said, and what would surprise.
"""

import math
from statistics import mean

from tuninglib.analysis.analyse import Results
from tuninglib.analysis.mixture import WIDEST_STEADY_LAMBDA
from tuninglib.analysis.records import Pull, Run
from tuninglib.interval import Interval
from tuninglib.report import sound
from tuninglib.report.page_parts import (
    Prose,
    distance_text,
    gain_text,
    mixture_of,
    plain,
    spaced,
    taken,
    with_unit,
)
from tuninglib.rounding import fixed, gauge_text, listing, percent
from tuninglib.session.cross_checks import SMALL_OUTPUT_W_M3, SURPRISING_OUTPUT_W_M3
from tuninglib.session.defaults import day_temperature_of, ethanol_of
from tuninglib.session.read_table import RUNS
from tuninglib.session.records import Session
from tuninglib.session.schema import SHOWS_LAMBDA
from tuninglib.statistics.repeats import NAMED
from tuninglib.statistics.speedometer import legal_true_speed_m_s
from tuninglib.units import convert, unit_label

# The usual cautions -------------------------------------------------------------------------------

CAUTIONS = {
    "The road": "Full-throttle runs belong on a closed or quiet road, within the law and the "
    "speed limit of the place, in dry light, with full protective gear and somebody who knows "
    "where you are. A marker speed is not worth a fall.",
    "Knock": "Stop at the first rattle, close the throttle and do not ride that setup again until "
    "it runs richer, cooler or on fuel of a higher octane number. Knock breaks pistons fast.",
    "Lean mixture": "Never go leaner to win a marker speed. Lean and hot go together on a long "
    "climb; if in doubt, stay on the rich side of the band.",
    "Fuel": "Handle fuel outdoors or with good ventilation, away from flames, sparks and hot "
    "parts, relieve the pressure before a line is opened, and catch what spills. Use no more "
    "ethanol and no lower octane number than the maker of the motorcycle allows.",
    "Hot parts": "Let the exhaust and the head cool before you change parts, and never run an "
    "engine in a closed room: carbon monoxide kills and has no smell.",
    "The law and the maker": "Local law, the maker's manual and a licensed mechanic come before "
    "anything that is written here. A changed engine may need approval for the road.",
}


def sentences() -> Prose:
    """The usual cautions, in full."""
    return Prose(tuple(CAUTIONS.items()), style="caution")


# Doubts -------------------------------------------------------------------------------------------

# Odds of being leaner than the band above which nobody is sent out with a setup again.
_LEAN = 0.1
_WEAKER = "a slipping clutch, a missed gear, a throttle that was not fully open or a gust"
_LAST_WORD = "If you know what went wrong, say so in the column exclude, and it is left out."


def doubts(results: Results) -> list:
    """Labels and sentences of all that the rest speaks against: headings and check say these."""
    return [*of_speeds(results), *of_readings(results), *of_knock(results)]


def of_readings(results: Results) -> list:
    """Labels and sentences about gauge readings and the order of setups."""
    codes = ("reading", "readings disagree", "flow direction", "fuel direction", "trend")
    wide = [doubt for doubt in results.doubts if doubt.code == "wide spread"]
    return _of_codes(results, codes) + ([_wide(results, wide)] if wide else [])


def of_knock(results: Results) -> list:
    """Labels and sentences about notes that speak of knock beside a column that does not."""
    return [*_of_codes(results, ("note",)), *sound.listen(results)]


def of_speeds(results: Results) -> list:
    """Labels and sentences about the speeds of runs."""
    stated = [doubt for doubt in results.doubts if doubt.code == "stated"]
    found = _of_codes(results, ("run", "runs disagree", "way down", "gain"))
    return [*found, _stated(stated)] if stated else found


_SAID = {
    "note": "the note speaks of knock, the column knock does not. It counts as knock until one of "
    "the two is changed: write light or heavy in the column, or say in the note what it was.",
    "trend": "the readings move by {size} to the {side} side from run {first:g} to run {last:g}, "
    "on all setups alike. Think of an engine that was still warming up, hotter air, or a sensor "
    "that drifts: the mean of cold and hot runs is the mixture of neither. Warm up for longer, and "
    "read the first setup again at the end.",
    "reading": "reads {read} where the other readings suggest {suggested} ({size} {side}). The "
    "reading counts with {weight} instead of 1. Check what was written down; if it is right, look "
    "for a misfire, an air leak or a throttle that was not fully open. {last_word}",
    "readings disagree": "read {read}, and {undecided} with {weight}, which makes the interval "
    "wide. Check what was written down{again}. {last_word}",
    "flow direction": "{setup} reads {fine} leaner than {other}, although its injector flows more "
    "and should read richer. Check that the injectors or the fuels were not swapped, that the "
    "stated flows are right, and that there is no air leak.",
    "fuel direction": "{setup} reads {fine} richer than {other}, although its fuel has more "
    "ethanol and should read leaner. Check that the fuels were not swapped, and that the tank was "
    "empty before it was filled.",
    "run": "its speeds need {size} {more} wheel force than the other runs suggest. The run counts "
    "with {weight} instead of 1. Check both speeds as they were written down; if they are right, "
    "{why}. {last_word}",
    "runs disagree": "their wheel forces {differ}, more than is usual from run to run, and "
    "{undecided} with {weight}, which makes the interval of this setup wide. Check the speeds as "
    "they were written down{again}. If they are right, {weaker} would explain why run {weakest:g} "
    "is the weakest of them. {last_word}",
    "gain": "{whose} speeds need {size} {more} wheel force than the other setups and the size of "
    "the engines suggest. Injectors of one engine rarely differ by more than a few per cent, and "
    "force goes with displacement, give or take a fifth. This gain is not used until it is "
    "confirmed: check the speeds as they were written down{again}. {last_word}",
    "way down": "the speeds of its roll back down do not fit the other runs. They count with "
    "{weight} instead of 1. Check both as they were written down, and that the clutch was pulled "
    "all the way. {last_word}",
}


def _of_codes(results, codes) -> list:
    return [_said(results, doubt) for doubt in results.doubts if doubt.code in codes]


def _said(results, doubt) -> tuple:
    """Label and sentence of a doubt, of whatever code."""
    gauge, off = results.session.gauge, doubt.off or 0.0
    runs = {run.run: run for run in results.runs if run.run in doubt.runs}
    read = [
        (runs[number].gauge_low + runs[number].gauge_high) / 2
        for number in doubt.runs
        if doubt.code in ("reading", "readings disagree")
    ]
    numbers = listing(f"{number:g}" for number in doubt.runs)
    label = f"Run{'s' if len(doubt.runs) > 1 else ''} {numbers} ({spaced(doubt.setup)})"
    if doubt.code == "trend":
        label = "Over the day"
    elif doubt.other:
        label = f"{spaced(doubt.setup)} and {spaced(doubt.other)}"
    return label, _SAID[doubt.code].format(
        size=percent(abs(off)),
        fine=percent(abs(off), 1),
        side="leaner" if off > 0 else "richer",
        more="more" if off > 0 else "less",
        differ=f"differ by {percent(off)}" if off else "differ",
        weight=f"weight {weight_text(1.0 if doubt.weight is None else doubt.weight)}",
        setup=spaced(doubt.setup),
        other=spaced(doubt.other or ""),
        first=doubt.runs[0] if doubt.runs else "",
        last=doubt.runs[-1] if doubt.runs else "",
        read=listing(gauge_text(middle, gauge) for middle in read),
        suggested=listing(gauge_text(middle / (1 + off), gauge) for middle in read),
        undecided=_undecided(doubt),
        again=_again(results, doubt),
        whose="its" if len(doubt.runs) == 1 else "their",
        why=f"{_WEAKER} would explain it" if off < 0 else "think of a gust from behind or the gear",
        weaker=_WEAKER,
        weakest=min(runs, key=lambda number: runs[number].force_n or math.inf, default=""),
        last_word=_LAST_WORD,
    )


def _stated(found) -> tuple:
    def how(doubt) -> str:
        times = f"by {fixed(doubt.off, 1)} times its ±"
        return times if doubt.off > 1 else "within its ±, but together with the rest"

    what = listing(f"{doubt.what} ({how(doubt)})" for doubt in found)
    return (
        "Against session.toml",
        "all runs together do not fit what is stated about slope, wind, masses, drag and the "
        f"speedometer; they would fit best with another {what}. Slope and wind have the same "
        "effect here: check the grade first, then masses and the speedometer. The intervals do "
        "not allow for a mistake in what is stated.",
    )


def on_run(run: Run) -> str:
    """With what weight a run's reading and speeds count, where that is less than half or so."""
    weights = {"reading counts": run.reading_weight, "speeds count": run.force_weight}
    return "; ".join(
        f"{what} {weight_text(weight)}"
        for what, weight in weights.items()
        if weight is not None and weight < NAMED
    )


def weight_text(weight: float) -> str:
    """A weight with two decimals.

    Examples
    --------
    >>> weight_text(0.0021), weight_text(0.126)
    ('under 0.01', '0.13')
    """
    return "under 0.01" if weight < 0.01 else fixed(weight, 2)


def _undecided(doubt) -> str:
    if len(doubt.runs) == 2:
        return "of two, there is no telling which is wrong. Both are kept"
    return "there is no majority to show which are wrong. All are kept"


def _again(results, doubt) -> str:
    """The advice to ride a setup again; never one that knocked or may be lean."""
    mixture = mixture_of(results, doubt.setup)
    may_be_lean = mixture is None or mixture.odds is None or mixture.odds.leaner > _LEAN
    if doubt.setup in results.knocked or may_be_lean:
        return ""
    return ", or ride that setup once more"


def _wide(results, doubts) -> tuple:
    scale = results.session.gauge.scale
    limit = fixed(WIDEST_STEADY_LAMBDA * scale, 1 if scale > SHOWS_LAMBDA else 3)
    runs = [number for doubt in doubts for number in doubt.runs]
    read = [run for run in results.runs if run.reading_weight is not None and run.state == "full"]
    which = f"run{'s' if len(runs) > 1 else ''} {listing(f'{n:g}' for n in sorted(runs))}"
    if len(runs) == len(read) > 1:
        which = f"all {len(runs)} runs"
    return (
        "Wide readings",
        f"on {which} low and high are more than {limit} apart on this gauge, further than at "
        "steady full throttle. Write down the steady range after two or three seconds of full "
        "throttle, not the extremes of the whole run. As it is, the steady reading may be anywhere "
        "between the two: these readings count less, and the intervals are wider.",
    )


# Remarks ------------------------------------------------------------------------------------------

# Highest mean wind of a road test in UN GTR 2 (from memory).
STRONG_WIND_M_S = 3.0


def remarks(results: Results) -> list:
    """What was taken for granted that the rider could have said."""
    return [*_remarks(results)]


def _remarks(results):
    session = results.session
    if session.gauge.scale is None and session.runs["gauge_low"].notna().any():
        yield (
            "the gauge's scale is not known (what it shows at lambda 1), so its readings say "
            "nothing about lambda and no mixture is judged; write scale under [gauge]."
        )
    unlabelled = [n for n, fuel in session.fuels.items() if ethanol_of(fuel).source != "stated"]
    if unlabelled:
        yield (
            f"the ethanol content of {listing(unlabelled)} is not written down; 5 % is assumed, "
            "and 0 to 10 % would move lambda by about 2 % either way."
        )
    yield from _left_out(session)
    yield from _running_in(session)
    yield from _taken(results)
    if results.road is not None:
        yield from _surprises(results)
        yield from _speedometer(results)
        return
    ridden = any(run.shown_entry_m_s is not None for run in results.runs)
    who = f"run of the reference {spaced(results.reference)}" if ridden else "run"
    yield (
        f"no {who} has speeds, so no gain can be worked out; write them in the column exit_speed "
        f"[{unit_label('speed', session.about.units)}] of {RUNS}."
    )


def _left_out(session):
    """Cells of full-throttle runs that others have, or that no run has."""
    rows = session.runs[(session.runs["state"] == "full") & (session.runs["exclude"] == "")]
    silent = rows[rows["shown_exit_m_s"].isna()]
    if 0 < len(silent) < len(rows):
        where = listing([f"row {row}" for row in silent["row"]])
        yield (
            f"no speed at the marker is written in {where} of {RUNS}, which therefore says nothing "
            "of the gain; write exit_speed if you know it."
        )
    if len(rows) and rows["gauge_low"].isna().all():
        yield (
            "no full-throttle run has a gauge reading, so nothing is known of the mixture; write "
            f"readings in the column gauge of {RUNS}."
        )


def _running_in(session):
    """Engines that were ridden at full throttle before they were run in, as far as is said."""
    rows = session.runs[(session.runs["state"] == "full") & (session.runs["exclude"] == "")]
    ridden = {session.setups[name].engine for name in rows["setup"]}
    for name, wanted, done in _new_engines(session, ridden):
        asked = f"its parts ask for {wanted} of running in"
        if done is None:
            yield (
                f"the engine '{spaced(name)}' was ridden at full throttle, and {asked}: was it run "
                "in? Write since_opened under its table."
            )
        else:
            yield (
                f"the engine '{spaced(name)}' was ridden at full throttle {done} after it was "
                f"opened, but {asked}: it may wear, and pull less than it will."
            )


def _new_engines(session, names):
    """Those that their parts ask to run in: how far, and how far they have come; None: not said."""
    system = session.about.units
    for name in (one for one in session.engines if one in names):
        wanted, since = session.engines[name].running_in, session.engines[name].since_opened
        if wanted is not None and (since is None or since.value < wanted.value):
            done = None if since is None else distance_text(since.value, system)
            yield name, distance_text(wanted.value, system), done


def not_run_in(session: Session) -> list:
    """Engines that have not been run in yet, as far as is said, with how far they have come.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    """
    fitted = {setup.engine for setup in session.setups.values()}
    return [
        f"the engine '{spaced(name)}' has done {done} of the {wanted} that its parts ask for"
        for name, wanted, done in _new_engines(session, fitted)
        if done is not None
    ]


def _taken(results):
    """In one line what stands in for speeds, air and speedometer that were not written down."""
    session, road = results.session, results.road
    system, said, names = session.about.units, [], {}
    if int((session.runs["entry_taken"] & (session.runs["exclude"] == "")).sum()):
        entry = taken(session.hill.entry_speed, "speed", system)
        said.append(f"one speed at the start line for all runs ({entry} as shown)")
        names["entry speed"] = "a start speed that is read on every run"
    if road is not None and road.speed_factor.source == "legal range":
        factor = road.speed_factor
        low, high = factor.value - factor.half_width, factor.value + factor.half_width
        said.append(
            f"a speedometer that may read high (true speed {percent(low)} to {percent(high)} of "
            "what it shows, UN R39)"
        )
        names["speed factor"] = "a speedometer checked against a satellite receiver"
    if air_was_not_read(session):
        day = day_temperature_of(session)
        ends = (day.value - day.half_width, day.value + day.half_width)
        low, high = (plain(end, "temperature", system) for end in ends)
        said.append(f"air somewhere from {low} to {high}")
        names["weather"] = "the air temperature"
    where = {"altitude": "the hill's altitude", "sea level": "sea level"}
    if results.pressure_source in where:
        said.append(f"standard air pressure at {where[results.pressure_source]}")
    if said:
        yield f"not written down, so assumed: {listing(said)}.{_cost(results, names)}"


def _cost(results, names) -> str:
    """What of it would narrow the gain that matters most, and to what; the largest first."""
    pull = headline_pull(results)
    if pull is None or pull.gain is None:
        return ""
    ratio, shares, parts = pull.gain.ratio, pull.gain.shares, []
    for share, name in sorted(((shares.get(name, 0.0), name) for name in names), reverse=True):
        left = math.sqrt(1 - share)
        ends = (ratio.value + left * (end - ratio.value) for end in (ratio.low, ratio.high))
        narrower = gain_text(Interval(ratio.value, *ends))
        # What changes no digit is not worth the trouble.
        if narrower != gain_text(ratio):
            parts.append(f"{names[name]} would narrow it to {narrower}")
    what = f"the gain of {spaced(pull.setup)}, {gain_text(ratio)}"
    return f" Of {what}: {'; '.join(parts)}." if parts else f" For {what}, that hardly matters."


def headline_pull(results: Results) -> Pull | None:
    """The gain that the page speaks of first: of what to ride now, else the largest.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    timed = [pull for pull in results.pulls if pull.gain is not None and not pull.gain.doubted]
    ride = results.plan.ride
    own = [pull for pull in timed if ride is not None and pull.setup == ride.setup]
    return max(own or timed, key=lambda pull: pull.gain.ratio.value, default=None)


def _speedometer(results):
    """A calibration that the law would not expect."""
    factor = results.road.speed_factor
    if factor.source not in ("stated", "checks", "pairs"):
        return
    middle = mean(run.shown_exit_m_s for run in results.runs if run.force_n is not None)
    lowest, highest = (speed / middle for speed in legal_true_speed_m_s(middle, as_made=True))
    low, high = factor.value - factor.half_width, factor.value + factor.half_width
    if low > highest:
        yield (
            "by its calibration the speedometer shows less than the true speed, which no legal one "
            "may: check the calibration."
        )
    elif high < lowest:
        above = with_unit(8 / 3.6, "speed", results.session.about.units)
        yield (
            "by its calibration the speedometer shows more than UN R39 allows even a motorcycle "
            f"in production (true speed plus a tenth plus {above}): check the calibration, the "
            "tyre size and the gearing."
        )


def _output_w_m3(results) -> dict:
    """Wheel power over displacement, by setup."""
    session = results.session
    return {
        pull.setup: pull.power_w.value
        / session.engines[session.setups[pull.setup].engine].displacement_m3
        for pull in results.pulls
    }


def not_believable(results: Results) -> list:
    """Speeds that no full throttle on this hill explains: then nothing else on the page counts.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    output, found = _output_w_m3(results), _slower_at_the_marker(results)
    loud = [spaced(setup) for setup, value in output.items() if value > SURPRISING_OUTPUT_W_M3]
    if loud:
        found.append(
            f"{listing(loud)} would put up to {max(output.values()) / 1e6:.0f} kW per litre on the "
            "road on average over the hill, a lot for a road engine: check the units of the speeds "
            "(km/h or mph?), the masses and the grade."
        )
    return found


def _slower_at_the_marker(results) -> list:
    timed = [run for run in results.runs if run.counts and run.shown_exit_m_s is not None]
    slowed = [run for run in timed if run.shown_exit_m_s < run.shown_entry_m_s]
    if not results.pulls or len(slowed) <= len(timed) / 2:
        return []
    system = results.session.about.units
    least = with_unit(min(pull.force_n.value for pull in results.pulls), "force", system)
    return [
        f"on {len(slowed)} of {len(timed)} runs the bike was slower at the marker than at the "
        f"start line, at full throttle. That makes {least} at the wheel of the weakest setup: "
        "check that entry_speed and exit_speed are not swapped, and that their headers have the "
        "right unit (km/h or mph?)."
    ]


def _surprises(results):
    """Forces and winds that are possible, but would surprise."""
    session, output = results.session, _output_w_m3(results)
    system = session.about.units
    yield from not_believable(results)
    if max(output.values()) < SMALL_OUTPUT_W_M3:
        yield (
            f"no setup puts more than {max(output.values()) / 1e6:.0f} kW per litre on the road on "
            "average over the hill, little for full throttle: check the units of the speeds (mph "
            "or km/h?), the masses and the grade."
        )
    yield from _mixed_units(session.speed_units)
    wind = session.weather.headwind
    blowing = max([abs(wind.value), *(abs(v) for v in session.runs["headwind_m_s"].dropna())])
    if blowing > STRONG_WIND_M_S:
        yield (
            f"a wind of {plain(blowing, 'speed', system)} was written down; standards for road "
            f"tests allow {with_unit(STRONG_WIND_M_S, 'speed', system, 1)} at most, on average."
        )


def _mixed_units(units):
    """Columns of one speedometer under different units."""
    by_unit = {}
    for key, unit in units.items():
        by_unit.setdefault(convert(1.0, unit, "m/s"), (unit, []))[1].append(key)
    if len(by_unit) > 1:
        said = listing(f"{listing(keys)} in {unit}" for unit, keys in by_unit.values())
        yield (
            f"runs.csv has {said}, but one speedometer shows one unit: check the header, since a "
            "wrong unit there makes every force wrong."
        )


def air_was_not_read(session: Session) -> bool:
    """Whether the air of a timed run is known neither from its row nor from the day."""
    runs = session.runs
    timed = runs[(runs["exclude"] == "") & runs["shown_exit_m_s"].notna()]
    return session.weather.temperature is None and timed["air_temperature_k"].isna().any()
