"""Wheel force against speed: where in the speeds of the hill a setup pulls more."""

import numpy as np

from tuninglib.report import drawing
from tuninglib.report.cells import NONE, gain_text, headed, interval_cell, shown, spaced, system_of
from tuninglib.report.display import Picture, Prose, Table, picture
from tuninglib.rounding import fixed
from tuninglib.units import to_display, unit_label


def sentences(results) -> Prose:
    """What the curves rest on; nothing where no speeds were logged.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    curves = results.force_curves
    if not curves:
        return Prose(())
    system = results.session.about.units
    unit = unit_label("speed", system)
    low, high = (fixed(to_display(curves[0].speed_m_s[end], "speed", system), 0) for end in (0, -1))
    text = (
        f"from {low} to {high} {unit}, by the motion over the whole of each run instead of its two "
        "ends: a force that may change with speed is moved until the motion under it goes through "
        "the logged speeds. No value stands where less than three quarters of a setup's runs, or "
        "fewer than two, were at that speed."
    )
    more = (
        "forces are in the air of the day, at the stated slope, drag and wind, whose uncertainty "
        "is in their intervals and mostly not in the gains. The gain of the verdict is over the "
        "whole hill, and brought to one air."
    )
    return Prose((("What it is", text), ("Mind", more)), style="points")


def table(results) -> Table | Prose:
    """Force of each setup at each speed, and its gain over the reference there.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    curves = results.force_curves
    if not curves:
        return Prose(())
    system = system_of(results)
    rows = []
    for at, speed in enumerate(curves[0].speed_m_s):
        row = [shown(speed, "speed", system)]
        for one in curves:
            row.append(interval_cell(one.force_n[at], "force", system))
            if one is not curves[0]:
                gain = one.gain[at]
                row.append(NONE if gain is None else gain_text(gain, unit=""))
        rows.append(tuple(row))
    header = [headed("Speed", "speed", system)]
    for one in curves:
        header.append(headed(spaced(one.setup), "force", system))
        if one is not curves[0]:
            header.append("Gain [%]")
    return Table(
        "Wheel force against speed",
        tuple(header),
        tuple(rows),
        f"In brackets: 95 % intervals. Gains are over {spaced(curves[0].setup)} at the same speed.",
    )


def figure(results) -> Picture | Prose:
    """Force of each setup over speed, each with its band.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    curves = results.force_curves
    if not curves or not any(one is not None for curve in curves for one in curve.force_n):
        return Prose(())
    system = system_of(results)
    figure, (ax,) = drawing.figure_of(3.3)
    said = []
    for at, curve in enumerate(curves):
        told = [i for i, one in enumerate(curve.force_n) if one is not None]
        if not told:
            continue
        speed = to_display(np.array([curve.speed_m_s[i] for i in told]), "speed", system)
        value, low, high = (
            to_display(np.array([getattr(curve.force_n[i], end) for i in told]), "force", system)
            for end in ("value", "low", "high")
        )
        colour = drawing.COLOURS[at % len(drawing.COLOURS)]
        ax.fill_between(speed, low, high, color=colour, alpha=0.18, linewidth=0)
        ax.plot(
            speed, value, color=colour, marker=drawing.MARKERS[at % len(drawing.MARKERS)],
            linestyle=drawing.LINES[at % len(drawing.LINES)], label=spaced(curve.setup),
        )  # fmt: skip
        ends = [f"{fixed(value[k], 0)} at {fixed(speed[k], 0)}" for k in dict.fromkeys((0, -1))]
        said.append(f"{spaced(curve.setup)} {' and '.join(ends)}")
    force, road = unit_label("force", system), unit_label("speed", system)
    ax.set_xlabel(f"speed [{road}]", fontsize=9, color=drawing.INK)
    ax.set_ylabel(f"wheel force [{force}]", fontsize=9, color=drawing.INK)
    ax.legend(fontsize=8, frameon=False)
    drawing.title(ax, "Wheel force against speed, with 95 % bands")
    return picture(figure, f"Wheel force in {force} against speed in {road}: {'; '.join(said)}.")
