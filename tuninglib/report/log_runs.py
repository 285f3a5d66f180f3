"""Runs that were found in the logs: what they gave, how sure that is, and how to overrule it."""

from itertools import pairwise

import numpy as np

from tuninglib.report import drawing
from tuninglib.report.cells import NONE, headed, plain, shown, spaced, system_of
from tuninglib.report.display import Picture, Prose, Table, picture
from tuninglib.report.logs import thinned
from tuninglib.rounding import fixed, interval_text, listing, percent, quantity_text
from tuninglib.session.defaults import hill_of
from tuninglib.units import to_display, unit_label

# A typed speed is named where it is this many standard deviations from the log's.
_FAR = 3.0
# Of a run at full throttle; below, it was none.
_FULL_SHARE = 0.6
_MOST_STEPS, _MOST_LABELS = 700, 16


def sentences(results) -> Prose:
    """What was found, where it was used, and what to write if that is wrong.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    session, found = results.session, results.session.found
    if found is None:
        if session.traces and session.hill.start is None:
            track = any("latitude_deg" in one.channels for one in session.traces.values())
            text = (
                "write start and marker under [hill], each as latitude and longitude, and the runs "
                "are found in the track."
                if track
                else "no log has positions, so runs are not looked for in them."
            )
            return Prose((("Runs", text),), style="points")
        return Prose(())
    items = [("Runs", _found(found)), *_speeds(results, found), *_gauge(results, found)]
    return Prose(tuple(items), style="points")


def _found(found) -> str:
    up = sum(one.up for one in found.passes)
    down = len(found.passes) - up
    lists = f"runs = [1, 2, …] under [logs.{found.log}], one number for each way up and 0 for none"
    if not up and found.by != "places":
        return (
            f"no pull over the hill's length was found in {spaced(found.log)}; with a track and "
            "start and marker under [hill] the runs are found by their places."
        )
    if not up:
        return (
            f"no way from the start line to the marker was found in {spaced(found.log)}; check "
            "start and marker under [hill], and that the track is of this hill."
        )
    text = {
        "throttle": (
            f"{spaced(found.log)} has full throttle over the hill's length {_times(up)}, each "
            "from where the throttle was opened, which is taken for the start line. "
        ),
        "pattern": (
            f"{spaced(found.log)} has a pull over the hill's length from about the entry speed "
            f"{_times(up)}; where the speed bends upwards is taken for the start line. "
        ),
    }.get(found.by) or (
        f"{spaced(found.log)} has {up} {_ways(up)} from the start line to the marker"
        f"{f' and {down} back' if down else ''}. "
    )
    return (
        text
        + {
            "": f"In their order they are the runs of runs.csv; if not, write {lists}.",
            "count": (
                f"runs.csv has {found.rows} full-throttle rows, so which is which is not clear and "
                f"nothing is taken from it: write {lists}."
            ),
            "listed": (
                "The list under runs is longer or shorter than that, so nothing is taken from it: "
                f"write {lists}."
            ),
            "unknown": (
                "The list under runs names a run that runs.csv does not have, or one twice, so "
                f"nothing is taken from it: write {lists}."
            ),
        }[found.why_not]
    )


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _ways(count: int) -> str:
    return "way" if count == 1 else "ways"


def _speeds(results, found):
    """What the speeds are from, and how typed ones compare."""
    system = system_of(results)
    unit = unit_label("speed", system)
    if found.filled:
        own = [one for one in found.passes if one.run in found.filled]
        half = 1.96 * np.sqrt(np.mean([one.exit_sd_m_s**2 for one in own]))
        where = "logged speed" if found.source == "speed" else "positions, which hold no speed"
        yield (
            "Speeds",
            f"entry and exit speeds of {_runs(found.filled)} are from its {where}; one at the "
            f"marker is good to ± {fixed(to_display(half, 'speed', system), 1)} {unit}, the place "
            f"of the line (± {fixed(to_display(1.96 * found.position_sd_m, 'length', system), 0)} "
            f"{unit_label('length', system)}) included. Rows with a typed speed keep it.",
        )
    left = [one for one in found.passes if one.run is not None and one.run not in found.filled]
    unfit = [one.run for one in left if not np.isfinite(one.exit_sd_m_s + one.entry_sd_m_s)]
    if unfit:
        yield (
            "Speeds",
            f"too little was logged of {_runs(unfit)} to tell a speed.",
        )
    if found.factor is not None:
        typed = "a typed exit speed" if len(found.pairs) == 1 else "typed exit speeds"
        yield (
            "Speedometer",
            f"{typed} and the log's calibrate it: true over shown is "
            f"{fixed(found.factor.value, 3)} ± {fixed(found.factor.half_width, 3)}.",
        )
    if found.length_m is not None:
        yield from _length(results, found.length_m)
    if found.grade is not None:
        yield "Grade", _grade(results, found.grade)
    factor = results.road.speed_factor.value if results.road else 1.0
    far = [
        f"{fixed(to_display(typed, 'speed', system), 1)} as shown against "
        f"{fixed(to_display(true, 'speed', system), 1)} {unit} in truth"
        for typed, true, sd in found.pairs
        if abs(typed * factor - true) > _FAR * np.hypot(sd, 0.3)
    ]
    if far:
        yield (
            "Disagree",
            f"typed and logged exit speeds are far from each other: {listing(far)}. One of the two "
            "is wrong, or a row has another run's.",
        )


def _length(results, length):
    """The length by the track, where it is far from the stated one."""
    stated = results.session.hill.length
    level = stated.value / np.hypot(1.0, hill_of(results.session).mean_grade_ratio)
    if abs(length.value - level) > 1.5 * np.hypot(length.half_width, stated.half_width):
        system = system_of(results)
        yield (
            "Length",
            f"by the track it is {quantity_text(length, 'length', system)} from start to marker, "
            f"far from the {plain(stated.value, 'length', system)} that are stated: check length "
            "and the two places, for every force rests on them.",
        )


def _grade(results, grade) -> str:
    """The grade by the track's elevations beside the stated one."""
    stated = hill_of(results.session).mean_grade_ratio
    half = results.session.hill.grade.half_width
    logged = interval_text(grade.scaled(100), "%")
    text = (
        f"the elevations of the track give a mean grade of {logged}; {percent(stated, 1)} is stated"
    )
    apart = abs(grade.value - stated) > 1.5 * np.hypot(grade.half_width, half)
    return text + (
        ", which is far from it: check grade, length and the two places, for every force rests on "
        "them."
        if apart
        else " and taken, since elevations of a phone are rough."
    )


def _gauge(results, found):
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
            "nothing": "it has no speed and no engine speed to go by",
        }[readings.why_not]
        yield (
            "Clock",
            f"how far the clock of {name} is from that of {spaced(found.log)} cannot be told: "
            f"{why}. Write shift under [logs.{readings.log}] to have its readings used.",
        )
        return
    shift = interval_text(readings.shift_s, "s", most_decimals=1)
    clock = {
        "same": "",
        "stated": f"its clock is shifted by {shift}, as stated; ",
        "found": (
            f"its clock is shifted by {shift}, found from what both saw of the ride (likeness "
            f"{fixed(readings.likeness or 0.0, 2)}); "
        ),
        "utc": f"its clock is shifted by {shift}, by the dates of both; ",
    }[readings.clock]
    lag = interval_text(readings.lag_s, "s", most_decimals=1)
    late = {
        "stated": f"it shows the mixture {lag} late, as stated",
        "found": f"it shows the mixture {lag} late, found where the throttle opens",
        "usual": f"it is taken to show the mixture {lag} late (common practice)",
    }[readings.lag_source]
    used = (
        f"the readings of {_runs(readings.filled)} are its steady range from 2.5 s and that lag "
        "after full throttle on, the lowest and highest twentieth left out"
        if readings.filled
        else "no row lacked a reading, so none is taken from it"
    )
    yield f"Gauge ({name})", f"{clock}{late}; {used}."
    short = [one.run for one in readings.readings if one.covered and not np.isfinite(one.low)]
    if short:
        yield (
            "Gauge",
            f"{_runs(short)} had no steady reading at full throttle that was long enough.",
        )
    late = [one.run for one in readings.readings if not one.covered]
    if late:
        yield "Gauge", f"{name} was not on for all of {_runs(late)}, so no reading is taken."
    shut = [one.run for one in readings.readings if one.covered and one.full_share < _FULL_SHARE]
    if shut:
        yield (
            "Throttle",
            f"{_runs(shut)} had the throttle fully open, as far as was logged, for less than "
            f"{percent(_FULL_SHARE)} of the way; no reading is taken, and a reason in exclude is "
            "due if that is so.",
        )


def _runs(numbers) -> str:
    numbers = [f"{one:g}" for one in numbers]
    if len(numbers) > 3 and all(int(b) == int(a) + 1 for a, b in pairwise(numbers)):
        return f"runs {numbers[0]} to {numbers[-1]}"
    return f"run{'s' * (len(numbers) > 1)} {listing(numbers)}"


def table(results) -> Table | Prose:
    """Every way up that was found, with what it gave.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    session, found = results.session, results.session.found
    if found is None or not found.passes:
        return Prose(())
    system = system_of(results)
    gauge = {one.run: one for one in found.readings.readings} if found.readings else {}
    setups = dict(zip(session.runs["run"], session.runs["setup"], strict=True))
    rows = []
    for one in found.passes:
        if not one.up:
            continue
        reading = gauge.get(one.run)
        rows.append(
            (
                str(one.number),
                NONE if one.run is None else f"{one.run:g}",
                NONE if one.run is None else spaced(setups[one.run]),
                _clock_text(one.enter_s),
                fixed(one.leave_s - one.enter_s, 1),
                _with_sd(one.entry_m_s, one.entry_sd_m_s, system),
                _with_sd(one.exit_m_s, one.exit_sd_m_s, system),
                NONE
                if reading is None or not (reading.covered and np.isfinite(reading.low))
                else f"{fixed(reading.low, 2)} to {fixed(reading.high, 2)}",
                NONE
                if reading is None or not (reading.covered and np.isfinite(reading.full_share))
                else percent(reading.full_share),
            )
        )
    header = (
        "Way up",
        "Run",
        "Setup",
        "At [min:s]",
        "Took [s]",
        headed("Entry", "speed", system),
        headed("Exit", "speed", system),
        "Gauge",
        "Full throttle",
    )
    return Table(
        f"Ways up in {spaced(found.log)}",
        header,
        tuple(rows),
        "True speeds, ± 95 %. Times are the log's own, from its first point.",
    )


def _clock_text(seconds: float) -> str:
    return f"{int(seconds // 60)}:{seconds % 60:04.1f}"


def _with_sd(speed, sd, system) -> str:
    if not np.isfinite(speed + sd):
        return NONE
    value = shown(speed, "speed", system, 1)
    return f"{value} ± {shown(1.96 * sd, 'speed', system, 1)}"


def figure(results) -> Picture | Prose:
    """The track's speed with the ways up marked, and these upon each other.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    session, found = results.session, results.session.found
    trace = session.traces[found.log] if found else None
    up = [one for one in found.passes if one.up] if found else []
    if not up or "speed_m_s" not in trace.channels:
        return Prose(())
    system = system_of(results)
    unit = unit_label("speed", system)
    speed = to_display(trace.channels["speed_m_s"], "speed", system)
    figure, (whole, laid) = drawing.figure_of(5.0, rows=2)
    time, low, high = thinned(trace.time_s / 60, speed, _MOST_STEPS)
    whole.fill_between(time, low, high, color=drawing.SOFT, linewidth=0.6)
    top = float(np.nanmax(speed)) * 1.12
    for one in up:
        whole.axvspan(one.enter_s / 60, one.leave_s / 60, color=drawing.BAND, zorder=0)
        if len(up) <= _MOST_LABELS:
            name = "–" if one.run is None else f"{one.run:g}"
            middle = (one.enter_s + one.leave_s) / 120
            whole.text(middle, top * 0.97, name, ha="center", va="top", fontsize=8)
    whole.set_ylim(0, top)
    drawing.title(whole, f"Speed in {spaced(found.log)}, the ways up with their runs")
    whole.set_xlabel("time in the log [min]", fontsize=9, color=drawing.INK)
    setups = dict(zip(session.runs["run"], session.runs["setup"], strict=True))
    names = list(dict.fromkeys(setups[one.run] for one in up if one.run is not None))
    for one in up:
        rows = (trace.time_s >= one.enter_s) & (trace.time_s <= one.leave_s)
        at = names.index(setups[one.run]) if one.run is not None else len(names)
        laid.plot(
            trace.time_s[rows] - one.enter_s,
            speed[rows],
            color=drawing.COLOURS[at % len(drawing.COLOURS)],
            linestyle=drawing.LINES[at % len(drawing.LINES)],
            linewidth=1.1,
        )
    for at, name in enumerate(names):
        laid.plot(
            [], [], color=drawing.COLOURS[at % len(drawing.COLOURS)],
            linestyle=drawing.LINES[at % len(drawing.LINES)], label=spaced(name),
        )  # fmt: skip
    if names:
        laid.legend(fontsize=8, frameon=False, loc="upper left")
    drawing.title(laid, "Each way up, from the start line on")
    laid.set_xlabel("time since the start line [s]", fontsize=9, color=drawing.INK)
    for ax in (whole, laid):
        ax.set_ylabel(f"speed [{unit}]", fontsize=9, color=drawing.INK)
    ends = [to_display(one.exit_m_s, "speed", system) for one in up if np.isfinite(one.exit_m_s)]
    said = f", with {fixed(min(ends), 1)} to {fixed(max(ends), 1)} {unit} at the marker"
    return picture(
        figure,
        f"Speed in {spaced(found.log)} over {fixed(trace.time_s[-1] / 60, 0)} minutes with "
        f"{len(up)} ways up marked{said if ends else ''}; below, each of them from the start line "
        "on, by setup.",
    )
