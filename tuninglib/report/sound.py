"""What the sound of the runs gave: what was heard, pulls, the clutch, a picture of each run."""

import base64

import numpy as np
from matplotlib.axes import Axes

from tuninglib.analysis.analyse import Results
from tuninglib.analysis.records import Recording
from tuninglib.interval import Measured
from tuninglib.report import page_parts
from tuninglib.report.page_parts import Html, Picture, Prose, count_of, picture, spaced
from tuninglib.rounding import fixed, interval_text, listing, percent
from tuninglib.session.machine import Gears
from tuninglib.session.schema import Log
from tuninglib.session.trace import Trace

_WHY = {
    "past": "the pitch falls as the bike goes past: this was recorded beside the road. Carry the "
    "phone on the bike.",
    "octave": "for much of the rest it cannot be told from half or double the speed, so nothing "
    "is said of it.",
    "clipped": "the rest is too loud for the microphone, or wind is: put the phone inside the "
    "jacket.",
    "drowned": "in the rest, wind or other noise drowns it, or it stands still: put the phone "
    "inside the jacket.",
}
# A clutch slips where this is exceeded for sure (common practice), and what listening is good to.
_SLIPS = 0.02


def heard(label: str, one: Recording, log: Log) -> list:
    """What was heard in a recording, and what to write if its pulls are runs.

    Parameters
    ----------
    label : str
    one : tuninglib.analysis.records.Recording
    log : tuninglib.session.schema.Log

    Returns
    -------
    list of (str, str)
    """
    text = f"a recording of {fixed(one.seconds, 0)} s; "
    if one.why_not != "past":
        share = "nothing" if not one.heard_share else percent(one.heard_share)
        share = "nearly all" if one.heard_share > 0.99 else share
        good = f", good to ± {percent(1.96 * one.sd_ratio, 1)}" if one.sd_ratio else ""
        text += f"the engine is heard in {share} of it{good}. "
    if one.why_not:
        why = _WHY[one.why_not]
        text += f"{why[0].upper()}{why[1:]}" if one.why_not != "past" else why
    items = [(label, text.strip())]
    if one.gear_changes_s:
        times = listing([f"{fixed(at, 1)} s" for at in one.gear_changes_s[:6]])
        items.append(("Gear", f"engine speed steps at {times}, as where the gear is changed."))
    if one.pulls and log.pulls_are_runs == "unknown" and not log.marks:
        pulls = listing(
            [f"{fixed(it.begin_s, 1)} to {fixed(it.end_s, 1)} s" for it in one.pulls[:8]]
        )
        text = (
            f"{count_of(len(one.pulls), 'pull')} in one gear: {pulls}. If each began at the start "
            "line and ended at the marker, "
            f'write pulls_are_runs = "yes" under [logs.{one.name}], and their speeds are used.'
        )
        items.append(("Pulls", text))
        items += _loud(one)
    if one.slip is not None and one.slip.low > _SLIPS:
        text = (
            f"for the same road speed the engine turns {interval_text(one.slip.scaled(100), '%')} "
            "faster in one part of the runs than in another: the clutch slips, and runs with a "
            "slipping clutch do not count."
        )
        items.append(("Clutch", text))
    return items


# By the codes of where the phone lay.
_PLACES = {
    "good": "good place: the engine stands clear of the wind, with some to spare for the hill",
    "wind": "too much wind: put the phone inside the jacket, microphone to the body, and try again",
    "clipped": "too loud for the microphone, or wind is: put the phone inside the jacket, and try "
    "again",
    "past": "this was recorded beside the road: carry the phone on the bike",
}


def place(code: str, one: Recording) -> str:
    """What some ten seconds say of where the phone lay; empty where they say nothing.

    Parameters
    ----------
    code : str
        Of :func:`tuninglib.analysis.sound.place_of_phone`.
    one : tuninglib.analysis.records.Recording
    """
    if not code:
        return ""
    share = percent(one.heard_share) if one.heard_share else "none"
    return f"engine heard in {share} of the seconds; {_PLACES[code]}."


def _loud(one):
    """What stood out near the pulls, as marks that the rider may take."""
    if len(one.loud_s) < 2:
        return
    times = [fixed(at, 1) for at in one.loud_s[:12]]
    text = (
        f"at {listing(times)} s something short and loud stood out. If it was a horn or a word at "
        f'the start line and at the marker, write marks = ["{times[0]} to {times[1]} s"] under '
        f"[logs.{one.name}], one for each run, and runs go from mark to mark. Nothing is taken by "
        "itself."
    )
    yield "Loud", text


def turns(per: Measured, gears: Gears) -> str:
    """What a turn of the crank is on the road, beside what the gearing gives.

    Parameters
    ----------
    per : Measured
        By the hill's length.
    gears : tuninglib.session.machine.Gears
    """
    text = (
        "the hill's length over the turns that its runs took gives "
        f"{_length(per.value)} ± {_length(per.half_width)} m per turn of the crank, so that "
        "neither gearing nor speedometer is asked"
    )
    if not gears.is_known:
        return f"{text}."
    around = gears.rolling_circumference
    by_gears = around.value / gears.ratio() / (1 + gears.slip.value)
    half = by_gears * np.hypot(around.half_width / around.value, gears.slip.half_width)
    text += f"; the gearing gives {_length(by_gears)} m"
    if abs(by_gears - per.value) > 1.5 * np.hypot(half, per.half_width):
        text += (
            ", which is far from it: check length and [gearing], and that the throttle was opened "
            "at the start line and shut at the marker"
        )
    return f"{text}."


def listen(results: Results) -> list:
    """Labels and sentences about places where something may have rattled; none clears a setup.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    list of (str, str)
    """
    found = []
    for one in results.sound:
        file = results.session.logs[one.name].file
        for it in one.rings:
            low, high = (fixed(hz / 1000, 1) for hz in (it.low_hz, it.high_hz))
            text = (
                f"listen to {fixed(it.begin_s, 1)} to {fixed(it.end_s, 1)} s of {file}: something "
                f"between {low} and {high} kHz, where a cylinder of this bore rings when it "
                f"knocks, that was not there on the runs of {spaced(it.against)}. If it is knock, "
                "write light or heavy in the column knock. A phone mostly hears valves and wind, "
                "and where it points to nothing, that says nothing about knock."
            )
            found.append((f"Run {it.run:g}", text))
    return found


def played(results: Results) -> Html | Prose:
    """Seconds that the rider asked to hear; nothing where none are asked for.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    session, heard = results.session, []
    for name, log in session.logs.items():
        for begin, end in log.play:
            # What reads sound loads only where there is some.
            from tuninglib.session.read_sound import to_hear

            trace = session.traces[name]
            rows = (trace.time_s >= begin) & (trace.time_s <= end)
            rpm = trace.channels.get("engine_speed_rpm", np.full(rows.size, np.nan))[rows]
            words = f"{fixed(begin, 1)} to {fixed(end, 1)} s of it, made louder. {_engine_at(rpm)}"
            wav = to_hear(session.folder / log.file, begin, end)
            heard.append((log.file, words, base64.b64encode(wav).decode()))
    if not heard:
        return Prose(())
    said = " ".join(f"{name}: {words}" for name, words, _ in heard)
    return Html(page_parts.render("report/page/audio.html.j2", heard=heard), said)


def _engine_at(rpm) -> str:
    """The engine speed in some seconds, for those who cannot hear them."""
    known = rpm[np.isfinite(rpm)]
    if not known.size:
        return "The engine speed is not known there."
    return f"The engine turns at {fixed(known.min(), -1)} to {fixed(known.max(), -1)} rpm there."


def _length(metres: float) -> str:
    return fixed(metres, 4)


def draw_heard(
    ax: Axes, trace: Trace, within_s: tuple[float, float], top_rpm: float, per_hz: float
) -> None:
    """Draw what stands out of the noise, and the engine speed that was found in it.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    trace : tuninglib.session.trace.Trace
        Of a recording.
    within_s : (float, float)
    top_rpm : float
        Of the axis.
    per_hz : float
        Engine speed over the frequency of firing.
    """
    from tuninglib.statistics.engine_sound import PICTURE_BAND_HZ, STEP_S

    if trace.heard is None:
        return
    step, start = 2 * STEP_S, trace.time_s[0]
    low = max(int((within_s[0] - start) / step), 0)
    high = min(int((within_s[1] - start) / step), len(trace.heard.picture))
    rows = round(top_rpm / per_hz / PICTURE_BAND_HZ)
    edges = start + step * np.array([low, high])
    ax.imshow(
        trace.heard.picture[low:high].T[:rows], origin="lower", aspect="auto", cmap="Greys",
        vmin=20, vmax=250, interpolation="nearest",
        extent=(*edges, 0, rows * PICTURE_BAND_HZ * per_hz / 1000),
    )  # fmt: skip
    near = (trace.time_s >= edges[0]) & (trace.time_s <= edges[1])
    if "engine_speed_rpm" in trace.channels:
        shown = trace.channels["engine_speed_rpm"][near] / 1000
        ax.plot(trace.time_s[near], shown, "--", color=page_parts.COLOURS[1], lw=1.4)
    ax.set_ylim(0, top_rpm / 1000)


# Pictured around a run, and no more runs than this. [s]
_BEFORE_S, _AFTER_S, _MOST = 4.0, 2.0, 12


def figure(results: Results) -> Picture | Prose:
    """The sound of each run with the engine speed that was found in it; nothing without sound.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    session, drawn = results.session, []
    for one in results.sound:
        trace, runs = session.traces[one.name], session.logs[one.name].runs
        for number, pull in enumerate(one.pulls):
            name = f"run {runs[number]:g}" if len(runs) == len(one.pulls) else spaced(one.name)
            drawn.append((name, trace, one.rings, pull))
    drawn = drawn[:_MOST]
    if not drawn:
        return Prose(())
    per_hz = 120.0 / max(one.cylinders for one in session.engines.values())
    top = 2.3 * max(pull.high_rpm for *_, pull in drawn)

    def draw(width_in):
        figure, axes = page_parts.figure_of(width_in, 1.75 * len(drawn), rows=len(drawn))
        for ax, (name, trace, rings, pull) in zip(axes, drawn, strict=True):
            begin, end = pull.begin_s - _BEFORE_S, pull.end_s + _AFTER_S
            draw_heard(ax, trace, (begin, end), top, per_hz)
            for it in rings:
                ax.axvspan(it.begin_s, it.end_s, color=page_parts.COLOURS[2], alpha=0.35, lw=0)
            page_parts.title(ax, f"{name}: engine speed [1000 rpm]")
            ax.set_xlabel("time in the recording [s]")
        return figure

    # Where nothing is shaded nothing is said of it: that would sound as if nothing had knocked.
    any_ring = any(rings for *_, rings, _ in drawn)
    shaded = "Shaded: a place to listen to for knock." if any_ring else ""
    said = "; ".join(
        f"{name} from {fixed(pull.low_rpm, -1)} to {fixed(pull.high_rpm, -1)} rpm between "
        f"{fixed(pull.begin_s, 1)} and {fixed(pull.end_s, 1)} s"
        for name, *_, pull in drawn
    )
    return picture(
        draw,
        f"Spectrogram of each pull with the engine speed that was heard: {said}.",
        f"Heard: {said}.",
        "Streaks: what stands out of the noise. Dashed: engine speed; above it, its harmonics. "
        + shaded,
    )
