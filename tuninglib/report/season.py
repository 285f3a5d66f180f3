"""The season page: its outings, what days differ by, and what would surprise."""

from urllib.parse import quote

from tuninglib.report.cells import NONE, gain_text, plain, spaced
from tuninglib.report.display import Html, Prose
from tuninglib.report.templates import render
from tuninglib.rounding import fixed, interval_text, listing, percent


def day_of(date) -> str:
    """A day as the page writes it.

    Examples
    --------
    >>> import datetime
    >>> day_of(datetime.date(2026, 5, 3))
    '3 May 2026'
    """
    return f"{date.day} {date:%B %Y}"


def day_of_outing(season, at: int) -> str:
    """The day of one outing; with its title where two were on one day."""
    own = season.outings[at]
    several = sum(one.date == own.date for one in season.outings) > 1
    return f"{day_of(own.date)} ({own.title})" if several else day_of(own.date)


def sentences(season) -> Prose:
    """The season in a few sentences: knock first, then what pulls more."""
    outings = season.outings
    first, last = day_of(outings[0].date), day_of(outings[-1].date)
    when = f"on {first}" if first == last else f"from {first} to {last}"
    count = "one outing" if len(outings) == 1 else f"{len(outings)} outings"
    runs = sum(setup.runs for one in outings for setup in one.record.setups)
    riders = listing(dict.fromkeys(name for one in outings for name in one.record.riders))
    ridden = f"{runs} full-throttle runs by {riders}"
    items = [("", f"{count[0].upper()}{count[1:]} of {season.bike} {when}: {ridden}.")]
    items += [("Knock", sentence) for sentence in _knocks(season)]
    for pull in season.pulls:
        if pull.gain is None:
            continue
        name, over = spaced(pull.setup), spaced(season.reference)
        if pull.verdict == "not told apart":
            text = f"no difference from {over} was shown: {gain_text(pull.gain)}."
        else:
            more = "more" if pull.verdict == "faster" else "less"
            size = pull.gain if more == "more" else _negated(pull.gain)
            text = f"{gain_text(size)} {more} force at the wheel than {over}."
        items.append((name, f"{text}{_not_as_it_is(season, pull)}"))
    items.append(
        (
            "Before you ride",
            "this page does not say what may be ridden. Knock, mixture, heat, fuel and the maker's "
            "limits stand in the report of each outing, and go before any gain here.",
        )
    )
    return Prose(tuple(items), style="points")


def _not_as_it_is(season, pull) -> str:
    """What speaks against riding a setup, of what the season knows."""
    mixtures = season.ladder.mixtures if season.ladder else ()
    own = [one for one in mixtures if (one.engine, one.injector, one.fuel) == pull.parts]
    found = [
        said
        for said, holds in (
            ("it knocked", any(one.knocked for one in own)),
            ("it is too lean", any(one.too_lean for one in own)),
            ("its fuel is beyond the maker's limits", any(not one.allowed for one in own)),
        )
        if holds
    ]
    return f" Not to be ridden as it is: {listing(found)}." if found else ""


def _negated(interval):
    return type(interval)(-interval.value, -interval.high, -interval.low)


def _knocks(season) -> list:
    found: dict = {}
    for at, one in enumerate(season.outings):
        for knock in one.record.knocks:
            found.setdefault(knock.setup, {})[day_of_outing(season, at)] = None
    return [
        f"heard with {spaced(setup)} on {listing(days)}. No gain makes up for that."
        for setup, days in found.items()
    ]


def outings(season, links: bool = False) -> Html:
    """Every outing, with a link to its report where those stand beside the page.

    Parameters
    ----------
    season : tuninglib.analysis.season.Season
    links : bool
    """
    rows = []
    for one in season.outings:
        ridden = [setup for setup in one.record.setups if setup.runs]
        knocked = dict.fromkeys(spaced(knock.setup) for knock in one.record.knocks)
        offset = one.record.gauge_offset
        rows.append(
            {
                "link": quote(f"{one.folder}.report/report.html") if links else "",
                "title": one.title,
                "cells": (
                    day_of(one.date),
                    listing(one.record.riders) or NONE,
                    listing(f"{spaced(setup.name)} ({setup.runs})" for setup in ridden) or NONE,
                    listing(knocked) or "none heard",
                    NONE if offset is None else interval_text(offset.scaled(100)),
                ),
            }
        )
    header = ["Outing", "Day", "Riders", "Setups (full-throttle runs)", "Knock"]
    if any(one.record.gauge_offset for one in season.outings):
        header.append("Gauge off by [%]")
    for row in rows:
        row["cells"] = row["cells"][: len(header) - 1]
    text = "\n".join(f"{row['title']}: {', '.join(row['cells'])}" for row in rows)
    html = render("report/page/outings.html.j2", caption="The outings", header=header, rows=rows)
    return Html(html, text)


def remarks(season) -> Prose:
    """What would surprise of the names and numbers that the outings state."""
    return Prose(
        tuple(("Note", _remark(season, one.code, one.about)) for one in season.remarks),
        style="points",
    )


def _remark(season, code, about) -> str:
    if code == "unnamed":
        return (
            "these outings do not name their bike; all of one stated mass are taken to be of one. "
            "Write name under [bike] in each session.toml if there are several."
        )
    if code == "copy":
        return f"{about[1]} has the same runs as {about[0]}; they are counted once."
    if code == "left out":
        return f"{about[0]} is left out: something in its files needs fixing first."
    if code == "masses":
        low, high = (plain(mass, "mass", season.units) for mass in about)
        return (
            f"the bike's stated mass is between {low} and {high}. If these are several bikes, give "
            "each a name under [bike]."
        )
    if code == "corrects":
        return (
            f"on {day_of_outing(season, about[0])} the ECU (engine control unit) was seen to "
            "correct at full throttle; its readings say nothing of injectors and are left out "
            "below."
        )
    if code == "parts":
        name, *texts = about
        described = listing(f"“{text}”" if text else "nothing" for text in texts)
        return (
            f"the parts of {spaced(name)} are described as {described}. It is taken to be one "
            "setup; give it another name on the other days if it is not."
        )
    kind = code.removeprefix("several ").removesuffix("s")
    return (
        f"the {kind} {spaced(about[0])} does not have the same numbers on all days, so it is taken "
        "for several, each called after its first day."
    )


def days(season) -> Prose:
    """How far days differ once the weather is taken out, and whether the bike changes over them."""
    if season.day_sd is None:
        return Prose((("", "There are no speeds in these outings, so no forces."),))
    items = []
    if len(season.outings) < 2:
        text = "One outing tells nothing of how far days differ."
    elif season.day_sd_is_assumed:
        text = (
            "These outings say next to nothing of how far a day moves the force of all setups "
            f"alike. About {percent(season.day_sd.value, 1)} is taken (standard deviation; "
            "day_to_day under [assumptions] says better). The same setup on several days would "
            "tell."
        )
    else:
        text = (
            "With weather taken out, a day moves the force of all setups alike by "
            f"{_sd_text(season.day_sd)}, and that of one setup alone by {_sd_text(season.own_sd)} "
            "(standard deviations). Every comparison across days allows for both."
        )
    items.append(("From day to day", text))
    if season.trend is not None:
        items.append(("Wear or drift", _trend(season.trend)))
    items += [("Gauge", sentence) for sentence in _gauge(season)]
    return Prose(tuple(items), style="points")


def _sd_text(interval) -> str:
    low, high = fixed(100 * interval.low, 1), percent(interval.high, 1)
    return f"{percent(interval.value, 1)} ({low} to {high})"


def _trend(trend) -> str:
    text = gain_text(trend.ratio)
    over = f"over the {trend.days} days from the first outing to the last"
    if trend.p_value >= 0.05:
        return (
            f"none was shown. {over[0].upper()}{over[1:]} the force of all setups alike changed by "
            f"{text}."
        )
    more = "rose" if trend.ratio.value > 0 else "fell"
    size = trend.ratio if trend.ratio.value > 0 else _negated(trend.ratio)
    why = (
        "An engine that loosens, or a test that changed, looks like that."
        if more == "rose"
        else "Worn or leaking parts, a chain, a tyre, a filter or a slipping clutch look like "
        "that; find out before the next full-throttle run."
    )
    return f"{over} the force of all setups alike {more} by {gain_text(size)}. {why}"


def _gauge(season) -> list:
    found = [
        (at, one.record.gauge_offset)
        for at, one in enumerate(season.outings)
        if one.record.gauge_offset is not None
    ]
    if len(found) < 2:
        return []
    (first, early), (last, late) = found[0], found[-1]
    apart = late.value - early.value
    certain = (early.half_width**2 + late.half_width**2) ** 0.5
    words = (
        "no drift was shown"
        if abs(apart) < certain
        else f"it drifted by {percent(apart, 1)}; its sensor may be near its end"
    )
    return [
        f"at idle and cruise it was off by {interval_text(early.scaled(100), '%')} on "
        f"{day_of_outing(season, first)} and by {interval_text(late.scaled(100), '%')} on "
        f"{day_of_outing(season, last)}: {words}."
    ]


def method(season) -> Prose:
    """How the season was worked out."""
    return Prose(
        (
            (
                "Forces",
                "each outing brings the wheel forces that its own report has, brought to one air. "
                "What is stated alike on several days (mass, road load, hill, speedometer, riders) "
                "is off alike on them and mostly cancels; wind, weather and drift are each day's "
                "own. A day moves all its setups, and each one besides, by amounts that the "
                "outings themselves tell as far as they can; before that, day_to_day under "
                "[assumptions] says how far. All possible amounts are averaged over.",
            ),
            (
                "Scatter",
                "a day's scatter is known from few repeats, so it is drawn towards that of the "
                "other days, as far as days scatter alike.",
            ),
            (
                "Mixture",
                "one model over all readings of all outings: engine, injector, fuel, how lambda "
                "follows flow, and what each day moves all its readings by (mixture_day_to_day "
                "under [assumptions]).",
            ),
            (
                "Intervals",
                "all are 95 %. The words more and less are only used where the difference stands "
                f"up to {max(len(season.pulls) - 1, 1)} comparison"
                f"{'s' if len(season.pulls) > 2 else ''} at 5 % together, and rests on days with "
                "repeats.",
            ),
        )
    )
