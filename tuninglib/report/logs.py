"""What the logs hold, what of them was left out, and how they ran."""

import numpy as np

from tuninglib.report import drawing
from tuninglib.report.cells import spaced, system_of
from tuninglib.report.display import Picture, Prose, Table, picture
from tuninglib.rounding import fixed, listing
from tuninglib.session.log_channels import SI_NAMES
from tuninglib.units import to_display, unit_label

# What each channel is called, and its kind of quantity where it has a unit of the reader's.
_CHANNELS = {
    "latitude_deg": ("latitude", "", "°", 1.0, 5),
    "longitude_deg": ("longitude", "", "°", 1.0, 5),
    "elevation_m": ("elevation", "length", "", 1.0, 0),
    "speed_m_s": ("speed", "speed", "", 1.0, 1),
    "gauge": ("gauge", "", "", 1.0, 2),
    "throttle_ratio": ("throttle", "", "%", 100.0, 0),
    "engine_speed_rpm": ("engine speed", "", "rpm", 1.0, 0),
    "head_temperature_k": ("head", "temperature", "", 1.0, 0),
    "air_temperature_k": ("air", "temperature", "", 1.0, 0),
}


def sentences(results) -> Prose:
    """What was read of each log, and what was not; nothing where there is none.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    items, system = [], system_of(results)
    for log in results.logs:
        items.append((f"{log.file} ({spaced(log.name)})", _what_it_is(log)))
        items += [("Left out", one) for one in map(_left_out(log, system), log.left_out)]
        if log.reordered:
            items.append(
                (
                    "Order",
                    f"time went back {log.reordered} times in {log.file}; its rows are taken in "
                    "the order of their times.",
                )
            )
    return Prose(tuple(items), style="points")


def _what_it_is(log) -> str:
    rows = "points" if log.kind == "gpx" else "rows"
    what = "a track" if log.kind == "gpx" else "a table"
    text = (
        f"{what} of {log.rows:,} {rows}, {log.used:,} of them used, over "
        f"{_time(log.duration_s)}; from one to the next it is {_step(log.usual_step_s)}"
    )
    if log.gaps:
        text += f", with {_gaps(log.gaps)}, the longest of {_time(log.longest_gap_s)}"
    names = listing(_CHANNELS[one.name][0] for one in log.channels)
    text += f". It holds {names}." if names else ". It holds no channel of ours."
    if log.unused:
        shown = listing([f"“{one}”" for one in log.unused[:8]])
        more = f" and {len(log.unused) - 8} more" if len(log.unused) > 8 else ""
        text += f" Columns that are not used: {shown}{more}."
    return text


def _gaps(count: int) -> str:
    return "one gap" if count == 1 else f"{count} gaps"


def _time(seconds: float) -> str:
    if seconds < 120:
        return f"{fixed(seconds, 0 if seconds >= 10 else 1)} s"
    if seconds < 7200:
        return f"{fixed(seconds / 60, 0)} minutes"
    return f"{fixed(seconds / 3600, 1)} hours"


def _step(seconds: float) -> str:
    return f"{fixed(seconds, 0)} s" if seconds >= 9.5 else f"{seconds:.2g} s"


def _left_out(log, system):
    """Says one thing that was left out of a log."""
    place = "point" if log.kind == "gpx" else "line"

    def sentence(one) -> str:
        count, channel = one.count, one.channel.replace("_", " ")
        rows = f"{place}{'s' * (count != 1)}"
        readings = f"reading{'s' * (count != 1)} of {channel}"
        shown = f"“{one.example}”" if one.example else "something else"
        if one.reason == "limits":
            name = SI_NAMES[one.channel]
            unit = _unit(name, system) if _CHANNELS[name][1] or _CHANNELS[name][2] else ""
            shown = f"{_shown(float(one.example), name, system)} {unit}".strip()
        at = f"{place} {one.first:,}" if one.first is not None else ""
        return {
            "no time": f"{count:,} {rows} without a time that can be read, the first at {at}.",
            "time twice": f"{count:,} {rows} with a time that another has too, the first at {at}.",
            "too many cells": f"{count:,} {rows} with more cells than columns, the first is {at}.",
            "no number": f"{count:,} {readings}: no number; the first is {shown} at {at}.",
            "limits": f"{count:,} {readings} that cannot be, the first is {shown} at {at}.",
            "zero": f"{count:,} {readings} of just 0, which devices write where they know none.",
            "other speed": (
                f"the speed that {log.file} holds: it is {one.example} times that of its "
                "positions, so it is not in metres a second."
            ),
            "breaks off": f"the file ends in the middle; what stands up to {at} is used.",
        }[one.reason]

    return sentence


def table(results) -> Table | Prose:
    """Readings and range of every channel.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    system = system_of(results)
    rows = [
        (
            spaced(log.name),
            _CHANNELS[one.name][0],
            f"{one.readings:,}",
            _shown(one.low, one.name, system),
            _shown(one.high, one.name, system),
            _unit(one.name, system),
        )
        for log in results.logs
        for one in log.channels
    ]
    if not rows:
        return Prose(())
    return Table(
        "Channels of the logs",
        ("Log", "Channel", "Readings", "Lowest", "Highest", "Unit"),
        tuple(rows),
    )


def _unit(name: str, system: str) -> str:
    _, kind, unit, _, _ = _CHANNELS[name]
    return unit_label(kind, system) if kind else unit or "as shown"


def _in_display(values, name: str, system: str):
    _, kind, _, factor, _ = _CHANNELS[name]
    return to_display(values, kind, system) if kind else np.multiply(values, factor)


def _shown(value: float, name: str, system: str) -> str:
    return fixed(float(_in_display(value, name, system)), _CHANNELS[name][4])


# What is drawn of a log: the first of these that it holds. More points than this look the same.
_DRAWN = ("speed_m_s", "gauge", "throttle_ratio", "engine_speed_rpm", "elevation_m")
_MOST_STEPS = 600


def figure(results) -> Picture | Prose:
    """One line for each log, over its own time.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    system = system_of(results)
    drawn = []
    for log in results.logs:
        trace = results.session.traces[log.name]
        name = next((one for one in _DRAWN if one in trace.channels), None)
        if name:
            drawn.append((log, trace, name))
    if not drawn:
        return Prose(())
    figure, axes = drawing.figure_of(1.1 + 1.75 * len(drawn), rows=len(drawn))
    said = []
    for ax, (log, trace, name) in zip(axes, drawn, strict=True):
        values = _in_display(trace.channels[name], name, system)
        time, low, high = thinned(trace.time_s / 60, values, _MOST_STEPS)
        ax.fill_between(time, low, high, color=drawing.COLOURS[0], linewidth=0.6)
        unit = _unit(name, system)
        ax.set_ylabel(f"{_CHANNELS[name][0]} [{unit}]", fontsize=9, color=drawing.INK)
        ax.set_xlabel("time in the log [min]", fontsize=9, color=drawing.INK)
        drawing.title(ax, f"{spaced(log.name)}: {_CHANNELS[name][0]}")
        said.append(
            f"{_CHANNELS[name][0]} of {spaced(log.name)} from "
            f"{fixed(float(np.nanmin(values)), 1)} to {fixed(float(np.nanmax(values)), 1)} {unit} "
            f"over {_time(log.duration_s)}"
        )
    return picture(figure, f"Logs over time: {'; '.join(said)}.")


def thinned(time, values, most: int):
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
