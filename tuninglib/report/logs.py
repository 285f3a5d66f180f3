"""What the logs gave: what was read, runs found, mixture by bands, force against speed.

Of the runs that were found it says what they gave, how sure that is, and how to overrule it.
"""

from itertools import pairwise

import numpy as np

from tuninglib.analysis.analyse import Results
from tuninglib.interval import Z_95
from tuninglib.report import page_parts, sound
from tuninglib.report.page_parts import (
    NONE,
    Picture,
    Prose,
    Table,
    as_points,
    count_of,
    gain_text,
    headed,
    interval_cell,
    picture,
    plain,
    shown,
    spaced,
    system_of,
    table_of,
    with_unit,
)
from tuninglib.rounding import fixed, in_units, interval_text, listing, percent, quantity_text
from tuninglib.session.defaults import hill_of
from tuninglib.session.records import FoundRuns, LogPass
from tuninglib.session.trace import SI_NAMES
from tuninglib.units import to_display, unit_label

# What was read and what was left out --------------------------------------------------------------

# What each channel is called, its kind of quantity, or else its unit, and its decimals.
_CHANNELS = {
    "latitude_deg": ("latitude", "", "°", 5),
    "longitude_deg": ("longitude", "", "°", 5),
    "elevation_m": ("elevation", "length", "", 0),
    "speed_m_s": ("speed", "speed", "", 1),
    "gauge": ("gauge", "", "as shown", 2),
    "throttle_ratio": ("throttle", "share", "", 0),
    "engine_speed_rpm": ("engine speed", "", "rpm", 0),
    "head_temperature_k": ("head", "temperature", "", 0),
    "air_temperature_k": ("air", "temperature", "", 0),
}


def sentences(results: Results) -> Prose:
    """What was read of each log, and what was not; nothing where there is none.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    items, system = [], system_of(results)
    heard = {one.name: one for one in results.sound}
    for log in results.logs:
        typed = results.session.logs[log.name]
        name = f"{log.file} ({spaced(log.name)})"
        if log.name in heard:
            items += sound.heard(name, heard[log.name], typed)
        else:
            items.append((name, _what_it_is(log)))
        if typed.note:
            items.append((f"Note on {log.file}", typed.note))
        if typed.time_format:
            items.append(("Format of its times", typed.time_format))
        items += [("Left out", _left_out(log, one, system)) for one in log.left_out]
        if log.reordered:
            often = _times(log.reordered)
            text = f"time went back {often} in {log.file}; its rows were sorted by time."
            items.append(("Order", text))
    return as_points(items)


def _what_it_is(log) -> str:
    what, rows = ("track", "points") if log.kind == "gpx" else ("table", "rows")
    step = log.usual_step_s
    text = (
        f"a {what} of {log.rows:,} {rows}, {log.used:,} of them used, over "
        f"{_time(log.duration_s)}; one every {fixed(step, 0) if step >= 9.5 else f'{step:.2g}'} s"
    )
    if log.gaps:
        text += f", with {count_of(log.gaps, 'gap')}, the longest of {_time(log.longest_gap_s)}"
    names = listing(_CHANNELS[one.name][0] for one in log.channels)
    text += f". It holds {names}." if names else ". It holds no channel that is used here."
    if log.unused:
        shown = listing([f"“{one}”" for one in log.unused[:8]])
        more = f" and {len(log.unused) - 8} more" if len(log.unused) > 8 else ""
        text += f" Columns that are not used: {shown}{more}."
    return text


def _time(seconds: float) -> str:
    if seconds < 120:
        return f"{fixed(seconds, 0 if seconds >= 10 else 1)} s"
    if seconds < 7200:
        return f"{fixed(seconds / 60, 0)} minutes"
    return f"{fixed(seconds / 3600, 1)} hours"


def _left_out(log, one, system) -> str:
    """Says one thing that was left out of a log."""
    place = "point" if log.kind == "gpx" else "line"
    shown = f"“{one.example}”" if one.example else "something else"
    if one.reason == "limits":
        name = SI_NAMES[one.channel]
        unit = _unit(name, system).removesuffix("as shown")
        shown = f"{_shown(float(one.example), name, system)} {unit}".strip()
    readings = f"{count_of(one.count, 'reading')} of {spaced(one.channel)}"
    if one.reason == "jump" and one.channel == "latitude":
        readings = count_of(one.count, "position")
    return _LEFT_OUT[one.reason].format(
        rows=count_of(one.count, place),
        readings=readings,
        shown=shown,
        at=f"{place} {one.first:,}" if one.first is not None else "",
        log=log.file,
        times=one.example,
    )


_LEFT_OUT = {
    "no time": "{rows} without a time that can be read, the first at {at}.",
    "time twice": "{rows} with a time that another also has, the first at {at}.",
    "too many cells": "{rows} with more cells than columns, the first is {at}.",
    "no number": "{readings}: no number; the first is {shown} at {at}.",
    "limits": "{readings} that cannot be, the first is {shown} at {at}.",
    "jump": "{readings} far from those before and after, the first at {at}.",
    "zero": "{readings} of exactly 0, which devices write when they have no value.",
    "other speed": "the speed that {log} holds: it is {times} times that of its positions, so it "
    "is not in metres a second.",
    "breaks off": "the file breaks off; everything up to {at} is used.",
}


def table(results: Results) -> Table | Prose:
    """Readings and range of every channel.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    system = system_of(results)
    columns = {
        "Log": lambda row: spaced(row[0].name),
        "Channel": lambda row: _CHANNELS[row[1].name][0],
        "Readings": lambda row: f"{row[1].readings:,}",
        "Lowest": lambda row: _shown(row[1].low, row[1].name, system),
        "Highest": lambda row: _shown(row[1].high, row[1].name, system),
        "Unit": lambda row: _unit(row[1].name, system),
    }
    channels = [(log, channel) for log in results.logs for channel in log.channels]
    return table_of(channels, columns, "Channels of the logs")


def _unit(name: str, system: str) -> str:
    _, kind, unit, _ = _CHANNELS[name]
    return unit_label(kind, system) if kind else unit


def _in_display(values, name: str, system: str):
    kind = _CHANNELS[name][1]
    return to_display(values, kind, system) if kind else values


def _shown(value: float, name: str, system: str) -> str:
    return fixed(float(_in_display(value, name, system)), _CHANNELS[name][3])


# What is drawn of a log: the first of these that it holds. More points than this look the same.
_DRAWN = ("speed_m_s", "gauge", "throttle_ratio", "engine_speed_rpm", "elevation_m")
_MOST_STEPS = 700


def figure(results: Results) -> Picture | Prose:
    """One line for each log, over its own time.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    system = system_of(results)
    drawn, said = [], []
    for log in results.logs:
        if log.kind == "sound":
            continue
        trace = results.session.traces[log.name]
        name = next((one for one in _DRAWN if one in trace.channels), None)
        if name is None:
            continue
        what, unit = _CHANNELS[name][0], _unit(name, system)
        values = _in_display(trace.channels[name], name, system)
        drawn.append((f"{spaced(log.name)}: {what} [{unit}]", trace.time_s / 60, values))
        low, high = (fixed(float(end(values)), 1) for end in (np.nanmin, np.nanmax))
        said.append(
            f"{what} of {spaced(log.name)} from {low} to {high} {unit} over {_time(log.duration_s)}"
        )
    if not drawn:
        return Prose(())

    def draw(width_in):
        figure, axes = page_parts.figure_of(width_in, 2.4 * len(drawn), rows=len(drawn))
        for ax, (what, minutes, values) in zip(axes, drawn, strict=True):
            time, low, high = thinned(minutes, values, _MOST_STEPS)
            ax.fill_between(time, low, high, color=page_parts.COLOURS[0], linewidth=0.6)
            page_parts.title(ax, what)
            ax.set_xlabel("time in the log [min]")
        return figure

    words = f"{'; '.join(said)}."
    return picture(draw, f"Logs over time: {words}", f"{words[0].upper()}{words[1:]}")


def thinned(
    time: np.ndarray, values: np.ndarray, most: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lowest and highest reading in each of many equal steps of time, as a picture shows them.

    Parameters
    ----------
    time, values : array
        Rising, and NaN where there is no reading.
    most : int
        Of steps.

    Returns
    -------
    middle, low, high : array
        NaN in steps without a reading.

    Examples
    --------
    >>> import numpy as np
    >>> middle, low, high = thinned(np.arange(6.0), np.array([1.0, 3, 2, 5, 4, np.nan]), 2)
    >>> low, high
    (array([1., 4.]), array([3., 5.]))
    """
    edges = np.linspace(time[0], time[-1], most + 1)
    step = np.clip(np.searchsorted(edges, time, side="right") - 1, 0, most - 1)
    low, high = np.full(most, np.nan), np.full(most, np.nan)
    known = np.isfinite(values)
    np.fmin.at(low, step[known], values[known])
    np.fmax.at(high, step[known], values[known])
    return (edges[1:] + edges[:-1]) / 2, low, high


# Runs that were found -----------------------------------------------------------------------------

# A typed speed is named where it is this many standard deviations from the log's.
_FAR = 3.0
# Of a run at full throttle; below, it was none.
_FULL_SHARE = 0.6


def run_sentences(results: Results) -> Prose:
    """What was found, where it was used, and what to write if that is wrong.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    session, found = results.session, results.session.found
    if found is None:
        only_heard = all(one.kind == "sound" for one in session.traces.values())
        if only_heard or session.hill.start is not None:
            return Prose(())
        text = "no log has positions, so no runs can be found in them."
        if any("latitude_deg" in one.channels for one in session.traces.values()):
            text = (
                "write start and marker under [hill], each as latitude and longitude, and the runs "
                "are found in the track."
            )
        return as_points({"Runs": text})
    items = [("Runs", _found(found, session.logs[found.log].runs))]
    items += [*_gaps_at_lines(found), *_speeds(results, found), *_gauge(found)]
    return as_points(items)


def _found(found, listed) -> str:
    up = sum(one.up for one in found.passes)
    down, name = len(found.passes) - up, in_name(found)
    if not up and found.by == "pulls":
        return (
            f"no pull that ends in {name}: a recording must go on until some seconds after the "
            "throttle is shut at the marker."
        )
    if not up:
        return (
            f"no run from the start line to the marker was found in {name}: see that it is of this "
            "hill, and that start and marker under [hill] are right; by them runs are found in a "
            "track."
        )
    text = {
        "throttle": f"full throttle over the hill's length {_times(up)}, each from where the "
        "throttle was opened, which is taken as the start line.",
        "pattern": f"a pull over the hill's length from about the entry speed {_times(up)}; where "
        "the speed starts to climb is taken as the start line.",
        "places": f"{count_of(up, 'run')} from the start line to the "
        f"marker{f' and {down} back' if down else ''}.",
        "pulls": f"{count_of(up, 'pull')} in one gear, each from the start line to the marker, as "
        "session.toml says.",
    }[found.by]
    so = "so nothing is taken from the log:"
    taken = {
        "": "In their order they are the runs of runs.csv; if not,",
        "count": f"runs.csv has {count_of(found.rows, 'full-throttle row')}, {so}",
        "listed": f"The list under runs is longer or shorter than that, {so}",
        "unknown": f"The list under runs has a run twice, or one that runs.csv does not have, {so}",
    }[found.why_not]
    has = "have" if len(found.parts) > 1 else "has"
    if listed and not found.why_not:
        return f"{name} {has} {text} Which run is which stands under runs in session.toml."
    return (
        f"{name} {has} {text} {taken} write runs = [1, 2, …] under [logs.{found.log}], one for "
        "each logged run, 0 for none."
    )


def _gaps_at_lines(found):
    """Which gap of the track hid a run's speeds."""
    at = {"start": "the start line", "marker": "the marker", "both": "both lines"}
    for one in found.passes:
        if one.missed is not None:
            gap = f"{spaced(found.log)} has a gap of {_time(one.gap_s)} at {at[one.gap_at]}"
            text = f"the speeds of run {one.missed:g} were not found: {gap}."
            yield "Gap", f"{text} Type them if somebody read them."


def in_name(found: FoundRuns) -> str:
    """The log that runs were found in, or that there are several recordings.

    Parameters
    ----------
    found : tuninglib.session.records.FoundRuns
    """
    parts = len(found.parts)
    return f"{parts} recordings" if parts > 1 else spaced(found.log)


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _speeds(results, found):
    """What the speeds are from, and how typed ones compare."""
    system = system_of(results)
    if found.filled:
        own = [one for one in found.passes if one.run in found.filled]
        half = Z_95 * np.sqrt(np.mean([one.exit_sd_m_s**2 for one in own]))
        where = "its logged speed"
        if found.metres_per_turn is not None:
            where = "the engine speed that was heard"
        elif found.source != "speed":
            where = "its positions, which hold no speed"
        text = (
            f"entry and exit speeds of {_runs(found.filled)} are from {where}; one at the "
            f"marker is good to ± {with_unit(half, 'speed', system, 1)}, the place of the line (± "
            f"{with_unit(Z_95 * found.position_sd_m, 'length', system)}) included. Rows with a "
            "typed speed keep that one."
        )
        yield "Speeds", text
    left = [one for one in found.passes if one.run is not None and one.run not in found.filled]
    unfit = [one.run for one in left if not np.isfinite(one.exit_sd_m_s + one.entry_sd_m_s)]
    if unfit:
        yield "Speeds", f"too little of {_runs(unfit)} was logged to give a speed."
    if found.metres_per_turn is not None:
        yield "Turns", sound.turns(found.metres_per_turn, results.session.gearing)
    if found.factor is not None:
        typed = "a typed exit speed" if len(found.pairs) == 1 else "typed exit speeds"
        factor = f"{fixed(found.factor.value, 3)} ± {fixed(found.factor.half_width, 3)}"
        yield "Speedometer", f"{typed} and the log's calibrate it: true over shown is {factor}."
    if found.length_m is not None:
        yield from _length(results, found.length_m)
    if found.grade is not None:
        yield "Grade", _grade(results, found.grade)
    factor = results.road.speed_factor.value if results.road else 1.0
    far = [
        f"{shown(typed, 'speed', system, 1)} as shown against "
        f"{with_unit(true, 'speed', system, 1)} in truth"
        for typed, true, sd in found.pairs
        if abs(typed * factor - true) > _FAR * np.hypot(sd, 0.3)
    ]
    if far:
        text = f"typed and logged exit speeds are far from each other: {listing(far)}."
        yield "Disagree", f"{text} One of the two is wrong, or a row has another run's."


def _length(results, length):
    """The length by the track, where it is far from the stated one."""
    stated = results.session.hill.length
    level = stated.value / np.hypot(1.0, hill_of(results.session).mean_grade_ratio)
    if abs(length.value - level) > 1.5 * np.hypot(length.half_width, stated.half_width):
        system = system_of(results)
        text = (
            f"by the track it is {quantity_text(length, 'length', system)} from start to marker, "
            f"far from the {plain(stated.value, 'length', system)} that are stated: check length "
            "and the two places, for every force rests on them."
        )
        yield "Length", text


def _grade(results, grade) -> str:
    """The grade by the track's elevations beside the stated one."""
    stated = hill_of(results.session).mean_grade_ratio
    half = results.session.hill.grade.half_width
    so = " and used, since elevations of a phone are rough."
    if abs(grade.value - stated) > 1.5 * np.hypot(grade.half_width, half):
        so = (
            ", which is far from it: check grade, length and the two places, for every force rests "
            "on them."
        )
    return (
        f"the elevations of the track give a mean grade of {interval_text(grade.scaled(100), '%')};"
        f" {percent(stated, 1)} is stated{so}"
    )


def _gauge(found):
    """How the gauge's log was read."""
    readings = found.readings
    if readings is None:
        return
    name = spaced(readings.log)
    if readings.shift_s is None:
        why = {
            "short": "they have too little in common",
            "unlike": "what they hold does not rise and fall together",
            "twins": "two shifts fit about as well, as one round looks like the next",
            "nothing": "it has no speed, engine speed or throttle to go by",
        }[readings.why_not]
        text = f"how far the clock of {name} is from that of {spaced(found.log)} cannot be told"
        write = f"Write shift under [logs.{readings.log}] to have its readings used."
        yield "Clock", f"{text}: {why}. {write}"
        return
    shift = interval_text(readings.shift_s, "s", most_decimals=1)
    clock = {
        "same": "",
        "stated": f"its clock is shifted by {shift}, as stated; ",
        "found": f"its clock is shifted by {shift}, found from what both recorded of the ride; ",
        "utc": f"its clock is shifted by {shift}, by the dates of both; ",
    }[readings.clock]
    lag = interval_text(readings.lag_s, "s", most_decimals=1)
    late = {
        "stated": f"it shows the mixture {lag} late, as stated",
        "found": f"it shows the mixture {lag} late, found where the throttle opens",
        "usual": f"it is assumed to show the mixture {lag} late (common practice)",
    }[readings.lag_source]
    used = "no row lacked a reading, so none is used"
    if readings.filled:
        used = (
            f"the readings of {_runs(readings.filled)} are its steady range from 2.5 s and that "
            "lag after full throttle on, the lowest and highest twentieth left out"
        )
    yield f"Gauge ({name})", f"{clock}{late}; {used}."
    short = [one.run for one in readings.readings if one.covered and not np.isfinite(one.low)]
    if short:
        said = "had no steady reading at full throttle that was long enough."
        yield "Gauge", f"{_runs(short)} {said}"
    late = [one.run for one in readings.readings if not one.covered]
    if late:
        yield "Gauge", f"{name} was not on for all of {_runs(late)}, so no reading is used."
    shut = [one.run for one in readings.readings if one.covered and one.full_share < _FULL_SHARE]
    if shut:
        text = (
            f"{_runs(shut)} had the throttle fully open, as far as was logged, for less than "
            f"{percent(_FULL_SHARE)} of the way; no reading is taken, so give a reason in exclude "
            "if that is right."
        )
        yield "Throttle", text


def _runs(numbers) -> str:
    numbers = [f"{one:g}" for one in numbers]
    if len(numbers) > 3 and all(int(b) == int(a) + 1 for a, b in pairwise(numbers)):
        return f"runs {numbers[0]} to {numbers[-1]}"
    return f"run{'s' * (len(numbers) > 1)} {listing(numbers)}"


def runs_table(results: Results) -> Table | Prose:
    """Every way up that was found, with what it gave.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    session, found = results.session, results.session.found
    if found is None:
        return Prose(())
    system = system_of(results)
    gauge = {one.run: one for one in found.readings.readings} if found.readings else {}
    setups = dict(zip(session.runs["run"], session.runs["setup"], strict=True))

    def run_of(one):
        return one.missed if one.run is None else one.run

    def at(one) -> str:
        minutes, seconds = divmod(one.enter_s - begin_of(found, one), 60)
        return f"{minutes:.0f}:{seconds:04.1f}"

    def read(one, known, cell) -> str:
        reading = gauge.get(run_of(one))
        covered = reading is not None and reading.covered
        return cell(reading) if covered and np.isfinite(getattr(reading, known)) else NONE

    columns = {
        "Logged run": lambda one: str(one.number),
        "Run": lambda one: NONE if run_of(one) is None else f"{run_of(one):g}",
        "Setup": lambda one: NONE if run_of(one) is None else spaced(setups[run_of(one)]),
        "At [min:s]": at,
        "Took [s]": lambda one: fixed(one.leave_s - one.enter_s, 1),
        ("Entry", "speed"): lambda one: _with_sd(one.entry_m_s, one.entry_sd_m_s, system),
        ("Exit", "speed"): lambda one: _with_sd(one.exit_m_s, one.exit_sd_m_s, system),
        "Gauge": lambda one: read(
            one, "low", lambda it: f"{fixed(it.low, 2)} to {fixed(it.high, 2)}"
        ),
        "Full throttle": lambda one: read(one, "full_share", lambda it: percent(it.full_share)),
    }
    return table_of(
        [one for one in found.passes if one.up],
        columns,
        f"Logged runs in {in_name(found)}",
        "True speeds, ± 95 %. Times are the log's own, from its first point.",
        system=system,
    )


def begin_of(found: FoundRuns, one: LogPass) -> float:
    """When the recording of a pass begins in the time of the passes; 0 in other logs. [s]

    Parameters
    ----------
    found : tuninglib.session.records.FoundRuns
    one : tuninglib.session.records.LogPass
    """
    return max((begin for _, begin in found.parts if begin <= one.enter_s), default=0.0)


def _with_sd(speed, sd, system) -> str:
    if not np.isfinite(speed + sd):
        return NONE
    value, half = (shown(one, "speed", system, 1) for one in (speed, Z_95 * sd))
    return f"{value} ± {half}"


def runs_figure(results: Results) -> Picture | Prose:
    """The track's speed with the ways up marked, and these upon each other.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    session, found = results.session, results.session.found
    trace = session.track
    up = [one for one in found.passes if one.up] if found else []
    if not up or "speed_m_s" not in trace.channels:
        return Prose(())
    system = system_of(results)
    unit = unit_label("speed", system)
    speed = to_display(trace.channels["speed_m_s"], "speed", system)
    setups = dict(zip(session.runs["run"], session.runs["setup"], strict=True))
    names = list(dict.fromkeys(setups[one.run] for one in up if one.run is not None))

    def draw(width_in):
        figure, (whole, laid) = page_parts.figure_of(width_in, 5.4, rows=2)
        time, low, high = thinned(trace.time_s / 60, speed, _MOST_STEPS)
        whole.fill_between(time, low, high, color=page_parts.SOFT, linewidth=0.6)
        top = float(np.nanmax(speed)) * 1.2
        for one in up:
            whole.axvspan(one.enter_s / 60, one.leave_s / 60, color=page_parts.BAND, zorder=0)
            if len(up) * page_parts.width_of("00 ") < width_in - 1:
                name = "–" if one.run is None else f"{one.run:g}"
                middle = (one.enter_s + one.leave_s) / 120
                whole.text(middle, top * 0.99, name, ha="center", va="top")
        whole.set_ylim(0, top)
        page_parts.title(whole, f"Speed over the log [{unit}]")
        whole.set_xlabel("time in the log [min]")
        for one in up:
            rows = (trace.time_s >= one.enter_s) & (trace.time_s <= one.leave_s)
            at = names.index(setups[one.run]) if one.run is not None else len(names)
            colour, _, line = page_parts.look_of(at)
            laid.plot(trace.time_s[rows] - one.enter_s, speed[rows], line, color=colour, lw=1.1)
        for at, name in enumerate(names):
            colour, _, line = page_parts.look_of(at)
            laid.plot([], [], line, color=colour, label=spaced(name))
        if names:
            laid.legend(loc="lower right")
        page_parts.title(laid, f"Each run's speed [{unit}]")
        laid.set_xlabel("time since the start line [s]")
        return figure

    ends = [to_display(one.exit_m_s, "speed", system) for one in up if np.isfinite(one.exit_m_s)]
    said, runs = "", count_of(len(up), "run")
    if ends:
        said = f", with {fixed(min(ends), 1)} to {fixed(max(ends), 1)} {unit} at the marker"
    return picture(
        draw,
        f"Speed in {in_name(found)} over {fixed(trace.time_s[-1] / 60, 0)} minutes with "
        f"{runs} marked{said}; below, each of them from the start line on, by setup.",
        f"{runs} found in {in_name(found)}.",
        "Shaded: a run, with its number in runs.csv; a dash: no row of runs.csv goes with it.",
    )


# Mixture by throttle and engine speed -------------------------------------------------------------


def mixture_sentences(results: Results) -> Prose:
    """Engine speeds at which a setup is leaner than the band, though its mean is not.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    highest, items = results.band.highest, []
    means = {one.setup: one.lambda_.value for one in results.mixtures if one.lambda_ is not None}
    for one in results.bands:
        own = one.by == "engine speed" and one.lambda_ is not None and one.setup in means
        if own and means[one.setup] <= highest < one.lambda_.value:
            text = (
                f"{spaced(one.setup)} reads {_lambda(one.lambda_)} at full throttle from "
                f"{one.low:.0f} to {one.high:.0f} rpm, leaner than the band up to "
                f"{fixed(highest, 2)}, while its mean is inside. Engines fail at their leanest "
                "spot: go by this reading, not by the mean."
            )
            items.append(("Lean spot", text))
    return as_points(items)


def _lambda(interval) -> str:
    return interval_text(interval, least_decimals=2, most_decimals=3)


def mixture_table(results: Results) -> Table | Prose:
    """Lambda of each setup by throttle, and at full throttle by engine speed.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """

    def span(one) -> str:
        if one.by == "throttle":
            return f"{percent(one.low)} to {percent(min(one.high, 1.0))}"
        return f"{one.low:.0f} to {one.high:.0f} rpm"

    columns = {
        "Throttle, or engine speed at full throttle": span,
        "Lambda": lambda one: one.lambda_ and _lambda(one.lambda_),
        "Setup": lambda one: spaced(one.setup),
        "Seconds": lambda one: fixed(one.seconds, 0),
        "Stretches": lambda one: str(one.stretches),
    }
    return table_of(
        results.bands,
        columns,
        "Settled lambda in the log, by throttle and by engine speed",
        "A stretch counts from 1.5 s and the gauge's lag after it was entered. In brackets: 95 % "
        "by the scatter of the stretches; a gauge error common to all is not included.",
    )


# Wheel force against speed ------------------------------------------------------------------------


def curve_sentences(results: Results) -> Prose:
    """What the curves rest on; nothing where no speeds were logged.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    curves = results.force_curves
    if not curves:
        return Prose(())
    system, speeds = system_of(results), curves[0].speed_m_s
    said = {
        "What it is": f"from {shown(speeds[0], 'speed', system)} to "
        f"{with_unit(speeds[-1], 'speed', system)}, by the motion over the whole of each run "
        "instead of its two ends: a force that may change with speed is adjusted until the motion "
        "it gives matches the logged speeds. No value is given where less than three quarters of "
        "a setup's runs, or fewer than two, were at that speed.",
        "Mind": "forces are in the air of the day, at the stated slope, drag and wind, whose "
        "uncertainty is in their intervals and mostly not in the gains. The gain of the verdict "
        "is over the whole hill, and corrected to the same air.",
    }
    return as_points(said)


def curve_table(results: Results) -> Table | Prose:
    """Force of each setup at each speed, and its gain over the reference there.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    curves = results.force_curves
    if not curves:
        return Prose(())
    system = system_of(results)
    header = [headed("Speed", "speed", system)]
    columns = [[shown(speed, "speed", system) for speed in curves[0].speed_m_s]]
    for one in curves:
        header.append(headed(spaced(one.setup), "force", system))
        columns.append([interval_cell(force, "force", system) for force in one.force_n])
        if one is not curves[0]:
            header.append("Gain [%]")
            columns.append([NONE if it is None else gain_text(it, unit="") for it in one.gain])
    return Table(
        "Wheel force against speed",
        tuple(header),
        tuple(zip(*columns, strict=True)),
        f"In brackets: 95 % intervals. Gains are over {spaced(curves[0].setup)} at the same speed.",
    )


def curve_figure(results: Results) -> Picture | Prose:
    """Force of each setup over speed, each with its band.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    curves = results.force_curves
    if not any(one is not None for curve in curves for one in curve.force_n):
        return Prose(())
    system = system_of(results)
    force, road = unit_label("force", system), unit_label("speed", system)
    drawn, said = [], []
    for at, curve in enumerate(curves):
        points = [
            (to_display(speed, "speed", system), in_units(one, "force", system))
            for speed, one in zip(curve.speed_m_s, curve.force_n, strict=True)
            if one is not None
        ]
        if points:
            drawn.append((at, spaced(curve.setup), points))
            ends = dict.fromkeys(
                f"{fixed(one.value, 0)} at {fixed(v, 0)}" for v, one in (points[0], points[-1])
            )
            said.append(f"{spaced(curve.setup)} {' and '.join(ends)}")

    def draw(width_in):
        names = [name for _, name, _ in drawn]
        figure, (ax,) = page_parts.figure_of(width_in, 3.4, legend=names)
        shown = []
        for at, _, points in drawn:
            colour, mark, line = page_parts.look_of(at)
            speed = [v for v, _ in points]
            low, high = ([getattr(one, end) for _, one in points] for end in ("low", "high"))
            ax.fill_between(speed, low, high, color=colour, alpha=0.18, linewidth=0)
            shown += ax.plot(speed, [one.value for _, one in points], mark + line, color=colour)
        ax.set_xlabel(f"speed [{road}]")
        page_parts.title(ax, f"Wheel force [{force}]")
        page_parts.add_legend(figure, shown, names)
        return figure

    words = f"{'; '.join(said)}."
    return picture(
        draw,
        f"Wheel force in {force} against speed in {road}: {words}",
        f"Wheel force [{force}] at speed [{road}]: {words}",
        "Shaded: 95 % intervals.",
    )
