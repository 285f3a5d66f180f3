"""Setups compared across the days of a season."""

import numpy as np

from tuninglib import units
from tuninglib.report.cells import NONE, gain_text, headed, interval_cell, spaced, spaced_list
from tuninglib.report.display import Picture, Prose, Table, picture
from tuninglib.report.drawing import COLOURS, INK, MARKERS, SOFT, figure_of, name_rows, title
from tuninglib.report.season import day_of_outing
from tuninglib.rounding import listing, percent

_VERDICTS = {"not told apart": "too close to call", "faster": "more", "slower": "less"}


def sentences(season) -> Prose:
    """What the comparisons rest on."""
    others = [pull for pull in season.pulls if pull.gain is not None]
    if not others:
        return Prose((("", "There are no two setups with speeds to compare."),))
    over, items = spaced(season.reference), []
    same = [pull.setup for pull in others if pull.shared_days]
    chained = [pull.setup for pull in others if not pull.shared_days and pull.linked]
    across = [pull.setup for pull in others if not pull.linked]
    if same:
        items.append(
            (
                "On the same day",
                f"{spaced_list(same)} shared a day or more with {over}; what a day does to all "
                "setups cancels there.",
            )
        )
    if chained:
        items.append(
            (
                "By way of others",
                f"{spaced_list(chained)} shared no day with {over}, but days with repeats lead "
                "from one to the other by way of other setups, so that days mostly cancel here, "
                "too.",
            )
        )
    if across:
        assumed = (
            " These outings do not tell how far days differ, so no such difference is called more "
            "or less, however large."
            if season.day_sd_is_assumed
            else ""
        )
        items.append(
            (
                "Across days alone",
                f"no day with repeats leads from {spaced_list(across)} to {over}, so the intervals "
                "hold all that days differ by. Two or three runs of one and the same setup on "
                f"every day make them narrower.{assumed}",
            )
        )
    return Prose(tuple(items), style="points")


def _label(season, at) -> str:
    """The day, and who rode where not everybody rode on every day."""
    riders = {one.record.riders for one in season.outings}
    who = f", {listing(season.outings[at].record.riders)}" if len(riders) > 1 else ""
    return f"{day_of_outing(season, at)}{who}"


def table(season) -> Table | Prose:
    """Wheel force and gain of each setup, all outings together."""
    if not season.pulls:
        return Prose(())
    rows = [
        (
            spaced(pull.setup),
            listing(day_of_outing(season, at) for at in pull.outings),
            interval_cell(pull.force_n, "force", season.units),
            NONE if pull.gain is None else gain_text(pull.gain, ""),
            NONE if pull.gain is None else _VERDICTS[pull.verdict],
        )
        for pull in season.pulls
    ]
    header = (
        "Setup",
        "Ridden on",
        headed("Wheel force", "force", season.units),
        "Gain in force [%]",
        "Verdict",
    )
    note = (
        "In brackets: 95 % intervals, with what days differ by. The force is uncertain by what all "
        "days share (slope, drag, mass), which mostly cancels in the gain."
    )
    return Table(f"Against {spaced(season.reference)}, over the season", header, tuple(rows), note)


def figure(season) -> Picture | Prose:
    """Every outing's forces, then each setup's gain over the season.

    Parameters
    ----------
    season : tuninglib.analysis.season.Season

    Returns
    -------
    Picture, or Prose that says why there is none
    """
    pulls, system = season.pulls, season.units
    if len(pulls) < 2:
        return Prose((("", "There are no two setups with speeds to draw side by side."),))
    names = [pull.setup for pull in pulls]
    shown = list(dict.fromkeys(one.outing for one in season.day_forces))
    lines = -(-len(shown) // 2)
    drawn, (top, bottom) = figure_of(
        2.2 + 0.62 * len(names) + 0.2 * lines, names, rows=2, top_in=0.45 + 0.2 * lines
    )
    for index, at in enumerate(shown):
        own = [one for one in season.day_forces if one.outing == at]
        place = 0.5 * ((index + 0.5) / len(shown) - 0.5)
        values = units.to_display(np.array([one.force_n.value for one in own]), "force", system)
        top.plot(
            values,
            [names.index(one.setup) + place for one in own],
            MARKERS[index % len(MARKERS)],
            color=COLOURS[index % len(COLOURS)],
            markersize=5.5,
            markerfacecolor="none" if index % 2 else COLOURS[index % len(COLOURS)],
            label=_label(season, at),
        )
    name_rows(top, names)
    top.set_xlabel(
        f"wheel force of each outing by itself [{units.unit_label('force', system)}]", fontsize=9
    )
    top.legend(
        fontsize=8,
        frameon=False,
        loc="lower right",
        bbox_to_anchor=(1.0, 0.98),
        ncol=2,
        handletextpad=0.2,
        columnspacing=1.0,
    )
    title(top, "Every outing", pad=6.0 + 14.4 * lines)
    for row, pull in enumerate(pulls):
        if pull.gain is None:
            bottom.plot(0, row, "D", color=INK, markersize=5)
            continue
        bottom.plot([100 * pull.gain.low, 100 * pull.gain.high], [row, row], color=INK, linewidth=2)
        bottom.plot(
            100 * pull.gain.value,
            row,
            "o",
            color=INK,
            markerfacecolor=INK if pull.told_apart else "white",
        )
    bottom.axvline(0, color=SOFT, linewidth=1)
    name_rows(bottom, names)
    over = spaced(season.reference)
    bottom.set_xlabel(f"gain in wheel force over {over} [%]", fontsize=9)
    told = sum(pull.told_apart for pull in pulls)
    title(bottom, f"{told} of {len(pulls) - 1} setups told apart from {over} over the season")
    words = [
        f"{spaced(pull.setup)} {percent(pull.gain.value)} "
        f"({percent(pull.gain.low)} to {percent(pull.gain.high)})"
        for pull in pulls
        if pull.gain
    ]
    alt = (
        f"Two rows of panels. Above, the wheel force of each setup as each of {len(shown)} outings "
        f"has it. Below, the gain over {over} with its 95 % interval: {listing(words)}."
    )
    return picture(drawn, alt)
