"""The season: its headings, and ``season.html``, one for each bike with two outings or more.

Outings, setups compared across days, mixtures, what days differ by, and what would surprise.
"""

import datetime
import hashlib
import re
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

import numpy as np

import tuninglib
from tuninglib import units
from tuninglib.analysis.analyse import analyse, results_document
from tuninglib.analysis.season import Outing, Season, bikes_of, season_of
from tuninglib.analysis.season_record import read_document, record_from
from tuninglib.report import make, page_parts
from tuninglib.report.advice import shut_word, step_in_short
from tuninglib.report.mixture import chances_text
from tuninglib.report.page_parts import (
    NONE,
    Html,
    Picture,
    Prose,
    Table,
    as_points,
    count_of,
    day_of,
    gain_text,
    picture,
    plain,
    render,
    render_page,
    shown,
    spaced,
    spaced_list,
    table_of,
    whose_readings,
    with_unit,
)
from tuninglib.rounding import fixed, interval_text, listing, odds_text, percent
from tuninglib.session.load import load_session
from tuninglib.session.schema import INVENTED
from tuninglib.text_files import Problem, SessionError, printable
from tuninglib.whole_files import write_together

# Outings, days and remarks ------------------------------------------------------------------------


def day_of_outing(season: Season, at: int) -> str:
    """The day of one outing; with its title where two were on one day."""
    own = season.outings[at]
    several = sum(one.date == own.date for one in season.outings) > 1
    return f"{day_of(own.date)} ({own.title})" if several else day_of(own.date)


def sentences(season: Season) -> Prose:
    """The season in a few sentences: what to ride and to repeat, knock, then what pulls more."""
    outings = season.outings
    first, last = day_of(outings[0].date), day_of(outings[-1].date)
    when = f"on {first}" if first == last else f"from {first} to {last}"
    runs = sum(setup.runs for one in outings for setup in one.record.setups)
    riders = listing(dict.fromkeys(name for one in outings for name in one.record.riders))
    ridden = f"{count_of(runs, 'full-throttle run')} by {riders}"
    items = [("Ride now", f"{_ride(season)} {_once_more(season)}")]
    last_one = outings[-1].record
    # One without a name is known by its mass, in the reader's units.
    bike = last_one.bike or f"a bike of {plain(last_one.bike_mass_kg, 'mass', season.units)}"
    items += [("", f"{count_of(len(outings), 'outing')} of {bike} {when}: {ridden}.")]
    items += [("Knock", sentence) for sentence in _knocks(season)]
    for pull in _open_first(season):
        if pull.gain is None:
            continue
        name, over = spaced(pull.setup), spaced(season.reference)
        if pull.gain.verdict == "not told apart":
            text = f"no difference from {over} was shown: {gain_text(pull.gain.ratio)}."
        else:
            more = "more" if pull.gain.verdict == "faster" else "less"
            size = pull.gain.ratio if more == "more" else pull.gain.ratio.turned()
            text = f"{gain_text(size)} {more} pull than {over}."
        shut = season.shut(pull)
        if shut is not None:
            text = f"do not ride: {_why(shut)}. Measured: {text}"
        items.append((name, text))
    said = (
        "what to ride and what is ruled out follow from all outings together, by the rules of "
        "their reports. Where an outing's report rules out something that this page does not, the "
        "report counts."
    )
    return as_points([*items, ("Before you ride", said)])


def _ride(season) -> str:
    """What to leave on the bike, by all outings together."""
    ride = season.plan.ride
    if ride is None:
        ridden = [one for one in season.combinations if one.setup is not None]
        ruled_out = all(one.gate is not None for one in ridden)
        why = "every one is ruled out" if ruled_out else "too little is known of any"
        return f"none of these setups: {why}."
    return f"{spaced(ride.setup)} (injector {ride.injector}, fuel {ride.fuel})."


def _once_more(season) -> str:
    """What one outing more should repeat, and what comes next."""
    step = season.plan.next
    then = step_in_short(step)
    if not season.again:
        return f"Before another full-throttle run: {then}."
    each = "it twice" if len(season.again) == 1 else "each twice, taking turns"
    text = f"One more outing should repeat {spaced_list(season.again)}: ride {each}."
    return text if step.code == "ride again" else f"{text} Next: {then}."


def _open_first(season) -> list:
    """Setups in the order of the season, those that must not be ridden last."""
    return sorted(season.pulls, key=lambda pull: season.shut(pull) is not None)


def _why(one) -> str:
    """Why a combination is shut, with the chance of a lean one, as its report says it."""
    gate, word = one.gate, shut_word(one)
    if gate.code != "lean" or gate.value is None:
        return word
    own = one.odds is None or gate.value == one.odds.leaner
    where = "" if own else ", in the report of its last outing"
    return f"{word} ({odds_text(gate.value)}{where})"


def _knocks(season) -> list:
    found: dict = {}
    for at, one in enumerate(season.outings):
        for knock in one.record.knocks:
            found.setdefault(knock.setup, {})[day_of_outing(season, at)] = None
    return [
        f"heard with {spaced(setup)} on {listing(days)}. No gain makes up for that."
        for setup, days in found.items()
    ]


def outings(season: Season, links: bool = False) -> Html:
    """Every outing, with a link to its report where those stand beside the page.

    Parameters
    ----------
    season : tuninglib.analysis.season.Season
    links : bool
    """
    header = ["Outing", "Day", "Riders", "Setups (full-throttle runs)", "Knock", "Gauge off by [%]"]
    if not any(one.record.gauge_offset for one in season.outings):
        header.pop()
    rows = []
    for one in season.outings:
        ridden = [setup for setup in one.record.setups if setup.runs]
        knocked = dict.fromkeys(spaced(knock.setup) for knock in one.record.knocks)
        offset = one.record.gauge_offset
        cells = (
            day_of(one.date),
            listing(one.record.riders) or NONE,
            listing(f"{spaced(setup.name)} ({setup.runs})" for setup in ridden) or NONE,
            listing(knocked) or "none heard",
            NONE if offset is None else interval_text(offset.scaled(100)),
        )
        link = quote(f"{one.folder}.report/report.html") if links else ""
        rows.append({"link": link, "title": one.title, "cells": cells[: len(header) - 1]})
    text = "\n".join(f"{row['title']}: {', '.join(row['cells'])}" for row in rows)
    html = render("report/page/outings.html.j2", caption="The outings", header=header, rows=rows)
    return Html(html, text)


def remarks(season: Season) -> Prose:
    """What would surprise of the names and numbers that the outings state."""
    return as_points(("Note", _remark(season, one.code, one.about)) for one in season.remarks)


_REMARKS = {
    "unnamed": "these outings do not name their bike; all with the same stated mass are assumed to "
    "be of one bike. Write name under [bike] in each session.toml if there are several.",
    "copy": "{about[1]} has the same runs as {about[0]}; they are counted once.",
    "left out": "{about[0]} is left out: something in its files needs fixing first.",
    "masses": "the bike's stated mass is between {mass[0]} and {mass[1]}. If these are several "
    "bikes, give each a name under [bike].",
    "corrects": "on {day} the ECU (engine control unit) was seen to correct at full throttle; its "
    "readings say nothing of injectors and are left out below.",
    "parts": "the parts of {name} are described as {parts}. They are treated as one setup; if they "
    "are not, give the setup another name on the other days.",
    "several engines": "the engine {name} {several}",
    "several injectors": "the injector {name} {several}",
    "several fuels": "the fuel {name} {several}",
}
_SEVERAL = (
    "does not have the same numbers on all days, so it is treated as several, each named after its "
    "first day."
)


def _remark(season, code, about) -> str:
    return _REMARKS[code].format(
        about=about,
        several=_SEVERAL,
        name=spaced(str(about[0])) if about else "",
        parts=listing(f"“{one}”" if one else "nothing" for one in about[1:]),
        mass=[plain(one, "mass", season.units) for one in about if code == "masses"],
        day=day_of_outing(season, about[0]) if code == "corrects" else "",
    )


def days(season: Season) -> Prose:
    """How far days differ once the weather is taken out, and whether the bike changes over them."""
    if season.day_sd is None:
        return Prose((("", "There are no speeds in these outings, so no forces."),))
    said = {}
    if season.day_sd_is_assumed:
        said["From day to day"] = (
            "Next to nothing is known yet of how far a day moves the force of all setups together. "
            f"About {percent(season.day_sd.value, 1)} is assumed (standard deviation; "
            "you can set it as day_to_day under [assumptions]). The same setup ridden on several "
            "days would show it."
        )
    else:
        said["From day to day"] = (
            "Weather aside, a day moves the force of all setups together by "
            f"{_sd_text(season.day_sd)}, and that of one setup alone by {_sd_text(season.own_sd)} "
            "(standard deviations). Every comparison across days allows for both."
        )
    if season.trend is not None:
        said["Wear or drift"] = _trend(season.trend)
    if drift := _gauge(season):
        said["Gauge"] = drift
    return as_points(said)


def _sd_text(interval) -> str:
    low, high = fixed(100 * interval.low, 1), percent(interval.high, 1)
    return f"{percent(interval.value, 1)} ({low} to {high})"


def _trend(trend) -> str:
    over = f"from the first outing to the last, {trend.days} days, the force of all setups together"
    if trend.p_value >= 0.05:
        return f"none was shown: {over} changed by {gain_text(trend.ratio)}."
    if trend.ratio.value > 0:
        why = "An engine that loosens up, or a change in the test, looks like that."
        return f"{over} rose by {gain_text(trend.ratio)}. {why}"
    why = (
        "Worn or leaking parts, a chain, a tyre, a filter or a slipping clutch look like that; "
        "find out before the next full-throttle run."
    )
    return f"{over} fell by {gain_text(trend.ratio.turned())}. {why}"


def _gauge(season) -> str:
    offsets = {at: one.record.gauge_offset for at, one in enumerate(season.outings)}
    found = [at for at, offset in offsets.items() if offset is not None]
    if len(found) < 2:
        return ""
    first, last = found[0], found[-1]
    early, late = offsets[first], offsets[last]
    apart = late.value - early.value
    certain = (early.half_width**2 + late.half_width**2) ** 0.5
    words = (
        "no drift was shown"
        if abs(apart) < certain
        else f"the gauge drifted by {percent(apart, 1)}; its sensor may be near its end"
    )
    return (
        f"at idle and cruise the gauge was off by {interval_text(early.scaled(100), '%')} on "
        f"{day_of_outing(season, first)} and by {interval_text(late.scaled(100), '%')} on "
        f"{day_of_outing(season, last)}: {words}."
    )


def method(season: Season) -> Prose:
    """How the season was worked out."""
    return Prose(tuple(_METHOD.items()))


_METHOD = {
    "Forces": "each outing brings the wheel forces that its own report has, corrected to "
    "the same air. A value given identically for several days (mass, road load, hill, "
    "speedometer, riders) has the same error on each and mostly cancels; wind, weather "
    "and drift are each day's own. A day moves all its setups, and each one besides, by "
    "amounts that the outings themselves tell as far as they can; before that, day_to_day "
    "under [assumptions] says how far. All possible amounts are averaged over.",
    "Scatter": "a day's scatter is known from few repeats, so the usual scatter of a day "
    "counts beside them.",
    "Mixture": "one model over all readings of all outings: engine, injector, fuel, how "
    "lambda follows flow, and what each day moves all its readings by (mixture_day_to_day "
    "under [assumptions]).",
    "Intervals": "all are 95 %. The words more and less are only used where the "
    "difference is clear even after allowing for every comparison (5 % together), and "
    "rests on days with repeats.",
}


# What wears ---------------------------------------------------------------------------------------

# Each quantity's name, kind of unit and decimals.
_WEARS = {
    "compression_pa": ("Cranking compression", "fuel_pressure", 1),
    "leak_down_ratio": ("Leak-down", "share", 0),
    "intake_clearance_m": ("Intake clearance", "clearance", 3),
    "exhaust_clearance_m": ("Exhaust clearance", "clearance", 3),
    "plug_gap_m": ("Plug gap", "clearance", 2),
    "oil_use_m2": ("Oil used", "oil_use", 2),
}


def wear_sentences(season: Season) -> Prose:
    """Each quantity's last value against the rider's limit, and full throttle since the check."""
    wear, said = season.wear, {}
    for name, (title, *unit) in _WEARS.items():
        own = [one for one in wear.checks if name in one.values]
        if own:
            text = _against_limit(own[-1].values[name], wear.limits.get(name), season.units, *unit)
            said[title] = f"{_day(own[-1])}: {text}."
    if wear.check_after_s is not None:
        minutes = f"{wear.since_s / 60:.0f} of {wear.check_after_s / 60:.0f} minutes"
        last = f"since the check of {_day(wear.checks[-1])}" if wear.checks else "and no check yet"
        due = ": it is time for the next" if wear.since_s >= wear.check_after_s else ""
        said["Full throttle"] = f"{minutes} {last}, by runs and logs{due}."
    return as_points(said)


def _day(check) -> str:
    return day_of(datetime.date.fromisoformat(check.date))


def _against_limit(value, limits, system, kind, decimals) -> str:
    said = with_unit(value, kind, system, decimals)
    if limits is None:
        return f"{said}; no limit is written under [upkeep]"
    low, high = limits
    ends = [with_unit(end, kind, system, decimals) for end in limits if end is not None]
    span = f"at least {ends[0]}" if high is None else f"at most {ends[-1]}"
    if len(ends) == 2:
        span = f"{shown(low, kind, system, decimals)} to {ends[1]}"
    # Binary fractions miss what was typed.
    below = low is not None and value < low * (1 - 1e-9)
    if below or (high is not None and value > high * (1 + 1e-9)):
        return f"{said}, beyond your limit, {span}: see to it before you ride at full throttle"
    return f"{said}, within your limit, {span}"


def wear_figure(season: Season) -> Picture | Prose:
    """What was measured over the distance, with the limits that the rider states.

    Parameters
    ----------
    season : tuninglib.analysis.season.Season

    Returns
    -------
    Picture, or Prose where nothing was measured twice
    """
    wear, system = season.wear, season.units
    measured = {
        name: [one for one in wear.checks if name in one.values]
        for name in _WEARS
        if sum(name in one.values for one in wear.checks) > 1
    }
    if not measured:
        return Prose(())
    way = "km" if system == "metric" else "mile"

    def drawn(width_in):
        figure, axes = page_parts.figure_of(width_in, 1.9 * len(measured), rows=len(measured))
        ends = units.convert([wear.checks[at].distance_m for at in (0, -1)], "m", way)
        beside = max(0.05 * np.ptp(ends), 1.0)
        for ax, (name, own) in zip(axes, measured.items(), strict=True):
            title, kind, _ = _WEARS[name]
            at = units.convert(np.array([one.distance_m for one in own]), "m", way)
            values = units.to_display([one.values[name] for one in own], kind, system)
            ax.plot(at, values, "o-", color=page_parts.INK, linewidth=1.4, markersize=6)
            for limit in wear.limits.get(name, ()):
                if limit is not None:
                    edge = units.to_display(limit, kind, system)
                    ax.axhline(edge, color=page_parts.look_of(1)[0], linestyle="--", linewidth=1.4)
            ax.set_xlim(ends[0] - beside, ends[1] + beside)
            ax.margins(y=0.15)
            ax.grid()
            page_parts.title(ax, f"{title} [{units.unit_label(kind, system)}]")
        axes[-1].set_xlabel(f"on the odometer [{'km' if way == 'km' else 'miles'}]")
        return figure

    said = []
    for name, own in measured.items():
        title, kind, decimals = _WEARS[name]
        ends = (with_unit(own[at].values[name], kind, system, decimals) for at in (0, -1))
        said.append(f"{title.lower()} {' to '.join(ends)}")
    alt = f"From the first check to the last: {listing(said)}."
    caption = f"{len(wear.checks)} checks over the distance."
    return picture(drawn, alt, caption, "Broken lines: the limits under [upkeep].")


# Setups across days -------------------------------------------------------------------------------

_VERDICTS = {"not told apart": "too close to call", "faster": "more", "slower": "less"}


def gain_sentences(season: Season) -> Prose:
    """What the comparisons rest on."""
    others = [pull for pull in season.pulls if pull.gain is not None]
    if not others:
        return Prose((("", "There are no two setups with speeds to compare."),))
    over, said = spaced(season.reference), {}
    same = [pull.setup for pull in others if pull.shared_days]
    chained = [pull.setup for pull in others if not pull.shared_days and pull.linked]
    across = [pull.setup for pull in others if not pull.linked]
    if same:
        said["On the same day"] = (
            f"{spaced_list(same)} shared a day or more with {over}; what a day does to all "
            "setups cancels there."
        )
    if chained:
        said["Through other setups"] = (
            f"{spaced_list(chained)} shared no day with {over}; they are compared through setups "
            "ridden on both days, so that days mostly cancel here, too."
        )
    if across:
        assumed = (
            " These outings do not show how far days differ, so no such difference is called more "
            "or less, however large."
            if season.day_sd_is_assumed
            else ""
        )
        said["Across days alone"] = (
            f"no days with repeats link {spaced_list(across)} to {over}, so the intervals include "
            "all day-to-day variation. Two or three runs of one and the same setup on every day "
            f"make them narrower.{assumed}"
        )
    return as_points(said)


def gain_table(season: Season) -> Table | Prose:
    """Wheel force and gain of each setup, all outings together."""
    if not season.pulls:
        return Prose(())
    columns = {
        "Setup": lambda pull: spaced(pull.setup),
        "Ridden on": lambda pull: listing(day_of_outing(season, at) for at in pull.outings),
        ("Wheel force", "force"): lambda pull: pull.force_n,
        "Gain in pull [%]": lambda pull: pull.gain and gain_text(pull.gain.ratio, ""),
        "Verdict": lambda pull: _verdict(season, pull),
    }
    note = (
        "In brackets: 95 % intervals, day-to-day variation included. What all days share (slope, "
        "drag, mass) makes the force uncertain, but mostly cancels in the gain."
    )
    caption = f"Against {spaced(season.reference)}, over the season"
    return table_of(_open_first(season), columns, caption, note, system=season.units)


def _verdict(season, pull) -> str:
    shut = season.shut(pull)
    said = [] if pull.gain is None else [_VERDICTS[pull.gain.verdict]]
    return "; ".join(said if shut is None else [*said, f"do not ride: {_why(shut)}"]) or NONE


def gain_figure(season: Season) -> Picture | Prose:
    """Every outing's forces, then each setup's gain over the season.

    Parameters
    ----------
    season : tuninglib.analysis.season.Season

    Returns
    -------
    Picture, or Prose that says why there is none
    """
    pulls, system = _open_first(season), season.units
    if len(pulls) < 2:
        return Prose((("", "There are no two setups with speeds to draw side by side."),))
    names, over = [pull.setup for pull in pulls], spaced(season.reference)
    shown = list(dict.fromkeys(one.outing for one in season.day_forces))
    labels = [day_of_outing(season, at) for at in shown]
    if len({one.record.riders for one in season.outings}) > 1:
        riders = (listing(season.outings[at].record.riders) for at in shown)
        labels = [f"{day}, {who}" for day, who in zip(labels, riders, strict=True)]

    def drawn(width_in):
        handles: list = []
        height_in = 1.9 + 0.62 * len(names)
        figure, (top, bottom) = page_parts.figure_of(
            width_in, height_in, names, rows=2, legend=labels
        )
        for index, at in enumerate(shown):
            own = [one for one in season.day_forces if one.outing == at]
            place = 0.5 * ((index + 0.5) / len(shown) - 0.5)
            values = units.to_display(np.array([one.force_n.value for one in own]), "force", system)
            colour, mark, _ = page_parts.look_of(index)
            handles += top.plot(
                values, [names.index(one.setup) + place for one in own],
                mark, color=colour, markersize=6,
                markerfacecolor="none" if index % 2 else colour,
            )  # fmt: skip
        page_parts.title(top, f"Wheel force [{units.unit_label('force', system)}]")
        page_parts.add_legend(figure, handles, labels)
        bottom.axvline(0, color=page_parts.SOFT, linewidth=1)
        for row, pull in enumerate(pulls):
            # As in the picture of an outing's verdict.
            shut = season.shut(pull) is not None
            ink = page_parts.SOFT if shut else page_parts.INK
            fill, line = ("white", (0, (2, 1))) if shut else (ink, "-")
            if pull.gain is None:
                bottom.plot(0, row, "D", color=ink, markersize=6, markerfacecolor=fill)
                continue
            ends = [100 * pull.gain.ratio.low, 100 * pull.gain.ratio.high]
            bottom.plot(ends, [row, row], color=ink, linewidth=2, linestyle=line)
            bottom.plot(100 * pull.gain.ratio.value, row, "o", color=ink, markerfacecolor=fill)
        page_parts.title(bottom, f"Gain over {over} [%]")
        for ax in (top, bottom):
            page_parts.name_rows(ax, names)
        return figure

    told = sum(pull.gain.told_apart for pull in pulls if pull.gain)
    words = [
        f"{spaced(pull.setup)} {percent(pull.gain.ratio.value)} "
        f"({percent(pull.gain.ratio.low)} to {percent(pull.gain.ratio.high)})"
        f"{', do not ride' if season.shut(pull) is not None else ''}"
        for pull in pulls
        if pull.gain
    ]
    alt = (
        f"Two rows of panels. Above, the wheel force of each setup as each of {len(shown)} outings "
        f"has it. Below, the gain over {over} with its 95 % interval: {listing(words)}."
    )
    return picture(
        drawn,
        alt,
        f"{told} of {count_of(len(pulls) - 1, 'setup')} told apart from {over} over the season.",
        "Above: each outing by itself. Below: ○ and broken line: do not ride; ◆ the reference; "
        "lines: 95 % intervals.",
    )


# Mixtures -----------------------------------------------------------------------------------------

# Beyond it, readings and days scatter by more than was taken for granted.
_FAR = 1.5


def mixture_sentences(season: Season) -> Prose:
    """What the pooled readings are, and what they rest on."""
    ladder = season.ladder
    if ladder is None:
        text = "No reading at full throttle in these outings tells anything of injectors."
        return Prose((("", text),))
    said = {
        "Readings": f"{count_of(ladder.readings, 'reading')} of "
        f"{count_of(ladder.outings, 'outing')} in one model. Its intervals are of the true lambda "
        "on another day.",
        "How lambda follows flow": f"{interval_text(ladder.response)}; 1 is an ECU (engine "
        "control unit) that follows its table, 0 one that corrects.",
    }
    if ladder.air is not None:
        said["The ECU and the air"] = (
            "by the readings of days in other air, the chances are that it corrects for "
            f"{chances_text(ladder.air)}. Once you are sure, write density_compensation under "
            "[bike] of each outing: each report then says for which air its mixture holds."
        )
    if ladder.scatter > _FAR:
        said["Note"] = (
            f"readings and days scatter {ladder.scatter:.1f} times as much as was assumed, and the "
            "intervals are wider by the same factor. See whether the gauge, the fuel or the air "
            "filter changed between outings."
        )
    said["Do not ride"] = (
        "a combination marked “do not ride” is ruled out by the rule of each outing's report (a "
        "chance of running lean: by leaner_limit under [assumptions]). No mark does not mean safe."
    )
    if any(one.knocks for one in season.combinations):
        said["Knock"] = "a mixture inside the band is no reason to ride a combination that knocked."
    return as_points(said)


def mixture_table(season: Season) -> Table | Prose:
    """Lambda of every injector on every fuel, from all readings."""
    ladder = season.ladder
    if ladder is None:
        return Prose(())
    low, high = ladder.band
    columns = {
        "Injector, fuel, engine": lambda one: (
            f"{spaced(one.injector)}, {spaced(one.fuel)}, {spaced(one.engine)} engine"
        ),
        ("Flow", "flow"): lambda one: one.flow_m3_s,
        "Readings on outings": lambda one: (
            f"{one.readings} on {one.outings}" if one.readings else NONE
        ),
        "Lambda": lambda one: interval_text(one.lambda_),
        f"Inside {low:.2f} to {high:.2f}": lambda one: odds_text(one.odds.inside),
        "Leaner": lambda one: odds_text(one.odds.leaner),
        "Mind": lambda one: _notes(season, one),
    }
    note = (
        "A dash: that combination was not read, and what is said of it follows from the others. "
        "The band is that of the last outing."
    )
    rows = sorted(ladder.mixtures, key=lambda one: one.gate is not None)
    return table_of(rows, columns, "At full throttle on another day", note, system=season.units)


def _notes(season, one) -> str:
    found = []
    if one.gate:
        key = (one.engine, one.injector, one.fuel)
        shut = next(own for own in season.combinations if own.gate and own.key[:3] == key)
        found.append(f"do not ride: {_why(shut)}")
    if not one.tried:
        found.append("injector not tried")
    if one.extrapolated:
        found.append("flow outside those tried")
    return "; ".join(found) or NONE


# Outings below a folder ---------------------------------------------------------------------------


def outings_below(
    folder: Path | str, out_folder: Path | str | None = None
) -> tuple[tuple[Outing, ...], tuple[str, ...]]:
    """Every outing below a folder.

    Parameters
    ----------
    folder : path
    out_folder : path, optional
        Where the reports are, if not beside the sessions.

    Returns
    -------
    outings : tuple of Outing
        In the order of their folders' names.
    left_out : tuple of str
        Folders of those that need fixing first.

    Raises
    ------
    SessionError
        If there is no session below it.

    Notes
    -----
    Of a report that was made from just these files its results.json is read, and nothing is worked
    out again; others are analysed here.
    """
    found, left_out = [], []
    sessions = make.sessions_in(folder)
    if not sessions:
        said = "has no session below it; name a folder of them"
        raise SessionError([Problem(printable(Path(folder).name), said)])
    for session in sessions:
        name = printable(session.relative_to(folder).as_posix())
        path = make.place_of(session, folder, out_folder) / "results.json"
        try:
            kept = _kept_outing(session, name, path)
            anew = None if kept else results_document(analyse(load_session(session)))
            found.append(kept or _outing(name, anew))
        except SessionError:
            left_out.append(name)
    return tuple(found), tuple(left_out)


def season_below(folder: Path | str, bike: str = "", out_folder: Path | str = "") -> Season:
    """The season of one bike, from the outings below a folder.

    Parameters
    ----------
    folder : path
    bike : str
        What it is known by; empty: the one with most outings.
    out_folder : path
        Where the reports are; empty: beside the sessions.

    Returns
    -------
    Season
    """
    outings, left_out = outings_below(folder, out_folder or None)
    names = [one.record.known_as for one in outings]
    bike = bike or max(dict.fromkeys(names), key=names.count, default="")
    return season_of([one for one in outings if one.record.known_as == bike], left_out)


def _outing(name, document) -> Outing:
    return Outing(
        folder=name,
        title=document["title"],
        date=datetime.date.fromisoformat(document["date"]),
        record=record_from(document["season"]),
        runs_checksum=document["provenance"].get("runs.csv", ""),
    )


def _kept_outing(session, name, path) -> Outing | None:
    """An outing as its report left it, if that was made from these files; None if it was not.

    Somebody else may have made the folder, and written anything there: what does not stand by
    itself is worked out again, so that it stops nobody's page.
    """
    try:
        document = read_document(path)
        made_from = document["provenance"]
        files = {name: value for name, value in made_from.items() if Path(name).suffix}
        if not files or any(make.checksum(session / name) != files[name] for name in files):
            return None
        outing = _outing(name, document)
        # Two of it, so that everything that is pooled is.
        season_of([outing, replace(outing, folder="", runs_checksum="")])
    except Exception:
        return None
    return outing


# The page -----------------------------------------------------------------------------------------

NAME = "season"


def make_seasons(folder: Path | str, out_folder: Path | str | None = None) -> tuple:
    """Make or renew the season pages of a folder.

    Parameters
    ----------
    folder : path
        With sessions below it, whose reports were made.
    out_folder : path, optional
        Where the reports are and the pages go, if not beside the sessions.

    Returns
    -------
    tuple of Path
        The pages, ``season.html`` or, of several bikes, one for each name; those that have not
        changed, too. An earlier, different one is kept under a name of its own.

    Raises
    ------
    WorkbookError
        If a cell of the workbook fails.
    """
    outings, left_out = outings_below(folder, out_folder)
    place = Path(out_folder or folder)
    bikes = {bike: own for bike, own in bikes_of(outings).items() if len(own) > 1}
    pages = {}
    for bike, own in bikes.items():
        path = place / f"{_file_name(bike, bikes)}.html"
        made_from = _fingerprint((own, left_out))
        if not (path.is_file() and made_from in path.read_text(encoding="utf-8")):
            write_together({path: _page(own, bike, folder, out_folder, made_from)}, keep=True)
        pages[bike] = path
    return tuple(pages.values())


def _file_name(bike, bikes) -> str:
    """Of plain letters; two names that come out the same are told apart by a checksum."""
    if len(bikes) == 1:
        return NAME

    def plain(name):
        return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "unnamed"

    same = sum(plain(other) == plain(bike) for other in bikes) > 1
    more = f"-{hashlib.sha256(bike.encode()).hexdigest()[:6]}" if same else ""
    return f"{NAME}.{plain(bike)}{more}"


def _fingerprint(found) -> str:
    """Checksum of what a page follows from: the records, the workbook, the program."""
    whole = hashlib.sha256(repr(found).encode())
    for path in (make.workbook_path(NAME), *make.program_files()):
        whole.update(path.read_bytes())
    return whole.hexdigest()[:32]


def _page(outings, bike, folder, out_folder, made_from) -> str:
    reports = str(Path(out_folder).resolve()) if out_folder else ""
    parameters: dict = {"season_folder": str(Path(folder).resolve()), "reports_folder": reports}
    parameters |= {"bike": bike, "links": True}
    kernel = make.inside_a_notebook()
    notebook = make.run_workbook(make.workbook_path(NAME), parameters, kernel=kernel)
    whose = whose_readings(*(one.title for one in outings))
    made_up = f"{INVENTED}: " if whose.startswith(INVENTED) else ""
    footer = (
        f"Made with tuninglib {tuninglib.__version__} from the results beside each outing's report "
        f"(checksum {made_from}). {whose} Read the cautions before riding."
    )
    byline = f"Outings from {day_of(outings[0].date)} to {day_of(outings[-1].date)}"
    return render_page(notebook, title=f"{made_up}A season of {bike}", byline=byline, footer=footer)
