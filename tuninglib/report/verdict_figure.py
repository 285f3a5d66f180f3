"""The verdict in one picture: of every setup mixture, gain and what the plan says of it."""

import io
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tuninglib.analysis.analyse import Results
from tuninglib.interval import Interval
from tuninglib.report import page_parts
from tuninglib.report.advice import MAY_BE_RIDDEN, band_text, must_not_be_ridden, status_word
from tuninglib.report.page_parts import Picture, Prose, gain_text, picture, spaced
from tuninglib.rounding import interval_text


@dataclass(frozen=True)
class _Row:
    """A setup: what is known of it, and what the plan says of it."""

    name: str
    status: str
    may: bool
    now: bool
    sure: bool
    reference: bool
    lambda_: Interval | None
    gain: Interval | None


def figure(results: Results) -> Picture | Prose:
    """Every setup's mixture and gain, the best first, and what the plan says of it.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    Picture, or Prose that says why there is none
    """
    rows = _rows(results)
    if not _panels(rows):
        return Prose((("", "No setup was read, and no two were timed: there is nothing to draw."),))
    return picture(
        lambda width_in: _drawn(width_in, rows, results),
        f"One row for each setup. {' '.join(map(_in_words, rows))}",
        _finding(results, rows),
        _key(results, rows),
    )


def shared_picture(results: Results) -> bytes | None:
    """The same as a PNG to send on, with title, finding and key; None where nothing is drawn.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    rows = _rows(results)
    if not _panels(rows):
        return None
    key = f"{_key(results, rows)} Read the report before riding."
    finding, key = (textwrap.fill(text, 56) for text in (_finding(results, rows), key))
    buffer = io.BytesIO()
    with page_parts.in_style():
        drawn = page_parts.with_round_ticks(_drawn(page_parts.WIDE_IN, rows, results))
        above = 1 + 0.1 / drawn.get_figheight()
        drawn.text(0, above, finding, va="bottom", linespacing=1.4)
        above += 0.28 * (1 + finding.count("\n")) / drawn.get_figheight()
        title = textwrap.fill(results.session.about.title, 50)
        drawn.text(0, above, title, va="bottom", weight="bold", linespacing=1.4)
        drawn.text(0, -0.03, key, va="top", linespacing=1.4)
        drawn.savefig(
            buffer, format="png", dpi=200, facecolor="white", bbox_inches="tight", pad_inches=0.25,
            metadata={"Software": None},
        )  # fmt: skip
    return buffer.getvalue()


def _rows(results) -> list[_Row]:
    """What was ridden: first what to ride now, then what may be, then what must not be."""
    ride, gains = results.plan.ride, {pull.setup: pull.gain for pull in results.pulls}
    found = {}
    for one in results.combinations:
        if one.setup is None:
            continue
        now, gain = ride is not None and one.setup == ride.setup, gains.get(one.setup)
        # What is ridden now is perhaps ridden on another fuel than on the day.
        mixture = ride if now else one
        status = status_word(results, one)
        row = _Row(
            name=spaced(one.setup),
            status=status,
            may=not must_not_be_ridden(results, one),
            now=now,
            sure=now or status == MAY_BE_RIDDEN,
            reference=one.setup == results.reference,
            lambda_=mixture.lambda_ if now or one.source == "read" else None,
            gain=gain.ratio if gain and not gain.doubted else None,
        )
        found[not now, not row.may, -(one.worth or 0.0), row.name] = row
    return [found[place] for place in sorted(found)]


def _panels(rows) -> list[str]:
    """Which of the two halves there is anything of."""
    found = ["mixture"] if any(row.lambda_ for row in rows) else []
    return [*found, "gain"] if any(row.gain for row in rows) else found


def _finding(results, rows) -> str:
    """What the picture comes to."""
    ride, shut = results.plan.ride, sum(not row.may for row in rows)
    if shut == len(rows):
        return f"None of the {shut} setups may be ridden." if shut > 1 else "It must not be ridden."
    said = f"{spaced(ride.setup)} is the one to ride now" if ride else "None is known well enough"
    return f"{said}; {shut} of {len(rows)} setups must not be ridden." if shut else f"{said}."


def _key(results, rows) -> str:
    """What the marks mean, of those that are there."""
    panels = _panels(rows)
    said = [f"● {MAY_BE_RIDDEN}"] if any(row.sure for row in rows) else []
    said += ["grey ●: too little is known"] if any(row.may and not row.sure for row in rows) else []
    said += ["○ and broken line: must not be ridden"] if _has_rule(rows) else []
    said += [f"◆ {spaced(results.reference)}, the reference"] if "gain" in panels else []
    said += [f"shaded: target band, lambda {band_text(results)}"] if "mixture" in panels else []
    return f"{'; '.join((*said, 'lines: 95 % intervals'))}."


def _in_words(row) -> str:
    """A row for those who cannot see it."""
    mixture = f"lambda {interval_text(row.lambda_)}" if row.lambda_ else "mixture not known"
    gain = f"gain {gain_text(row.gain)}" if row.gain else "gain not known"
    status = row.status if row.may else f"must not be ridden, {row.status}"
    return f"{row.name}: {mixture}, {'the reference' if row.reference else gain}: {status}."


# Drawing it ---------------------------------------------------------------------------------------

# In inches: a line of letters, what stands round a row and over what must not be ridden, between
# panels, beside one, over one and under it; and at how many letters a name or a status is broken.
_LINE_IN, _ROUND_IN, _RULE_IN, _GAP_IN, _BESIDE_IN, _OVER_IN = 0.2, 0.1, 0.32, 0.24, 0.14, 0.38
_BREAK_AT, _FORBIDDEN = 15, "Not to be ridden"
_UNDER_IN = {"mixture": 0.56, "gain": 0.34}
_TITLES = {"mixture": "Lambda", "gain": "Gain in pull [%]"}


def _drawn(width_in: float, rows: Sequence[_Row], results: Results) -> Figure:
    """Panels side by side, a status at the end of each row; or one above the other."""
    panels, wide = _panels(rows), width_in >= page_parts.WIDE_IN
    names, states = (
        ["\n".join(textwrap.wrap(text, _BREAK_AT)) for text in column]
        for column in ([row.name for row in rows], [row.status for row in rows])
    )
    both = [f"{name}\n{state}" for name, state in zip(names, states, strict=True)]
    labels = [names if wide else both, names]
    # A row is as tall as what is written beside it.
    lines = [_lines(names, states)] * len(panels) if wide else [_lines(both), _lines(names)]
    tall = [sum(own) + _RULE_IN * _has_rule(rows) for own in lines]
    over = page_parts.width_of(_FORBIDDEN) * _has_rule(rows)
    left = _BESIDE_IN + max(_widest(labels[0]), over)
    right = _BESIDE_IN + _widest(states) * wide
    room = width_in - left - right
    across = (room - _GAP_IN) / 2 if wide and len(panels) > 1 else room
    each = [_OVER_IN + tall[at] + _UNDER_IN[panel] for at, panel in enumerate(panels)]
    high = max(each) if wide else sum(each)
    drawn = Figure(figsize=(width_in, high))
    for at, panel in enumerate(panels):
        x = left + at * wide * (across + _GAP_IN)
        y = high - _OVER_IN - tall[at] - sum(each[:at]) * (not wide)
        ax = drawn.add_axes((x / width_in, y / high, across / width_in, tall[at] / high))
        ax.set_ylim(tall[at], 0)
        places = _places(rows, lines[at])
        _marks(ax, panel, rows, places, results)
        if at == 0 or not wide:
            _write(ax, rows, places, labels[at], -left / across)
            _rule(ax, rows, lines[at], -left / across, room / across)
        if wide and at == len(panels) - 1:
            _write(ax, rows, places, states, 1 + _BESIDE_IN / across)
    return drawn


def _widest(texts) -> float:
    return max(page_parts.width_of(line, bold=True) for text in texts for line in text.split("\n"))


def _lines(*columns) -> list[float]:
    """How tall the rows are that have room for these texts. [in]"""
    most = (max(text.count("\n") + 1 for text in row) for row in zip(*columns, strict=True))
    return [_LINE_IN * lines + _ROUND_IN for lines in most]


def _has_rule(rows) -> bool:
    return not all(row.may for row in rows)


def _places(rows, heights) -> list[float]:
    """Where the rows stand, from the top of a panel. [in]"""
    above = accumulate(heights, initial=0.0)
    return [
        over + own / 2 + _RULE_IN * (not row.may)
        for row, over, own in zip(rows, above, heights, strict=False)
    ]


def _write(ax: Axes, rows, places, texts, x) -> None:
    """Texts beside the rows; that of what is ridden now stands out."""
    across = ax.get_yaxis_transform()
    for row, y, text in zip(rows, places, texts, strict=True):
        weight = "bold" if row.now else "normal"
        va = "center" if "\n" in text else "center_baseline"
        ax.text(x, y, text, weight=weight, va=va, linespacing=1.15, transform=across)


def _rule(ax: Axes, rows, heights, start, end) -> None:
    """The line below which nothing may be ridden."""
    if not _has_rule(rows):
        return
    over = sum(own for row, own in zip(rows, heights, strict=True) if row.may)
    y, across = over + _RULE_IN / 2, ax.get_yaxis_transform()
    how: dict[str, Any] = {"color": page_parts.SOFT, "transform": across}
    ax.text(start, y, _FORBIDDEN, va="center_baseline", **how)
    ax.plot((0, end), (y, y), ":", linewidth=1, clip_on=False, **how)


def _marks(ax: Axes, panel, rows, places, results) -> None:
    """Values and intervals of one panel; hollow and broken where it must not be ridden."""
    mixture, band = panel == "mixture", results.band
    ax.set_title(_TITLES[panel])
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.grid(axis="x")
    ax.margins(x=0.07)
    if mixture:
        ax.axvspan(band.lowest, band.highest, color=page_parts.BAND, linewidth=0, zorder=0)
        for x, text in ((0, "richer"), (1, "leaner")):
            ax.annotate(
                text, (x, 0), (0, -35), "axes fraction", "offset points", ha=("left", "right")[x]
            )
    else:
        ax.axvline(0, color=page_parts.SOFT, linewidth=1)
    for row, y in zip(rows, places, strict=True):
        found = row.lambda_ if mixture else row.gain and row.gain.scaled(100)
        colour = page_parts.INK if row.sure else page_parts.SOFT
        fill = colour if row.may else "white"
        if row.reference and not mixture:
            ax.plot(0, y, "D", markersize=7, color=colour, markerfacecolor=fill)
        elif found is None:
            ax.text(0.03, y, "not known", va="center", transform=ax.get_yaxis_transform())
        else:
            line, size = "-" if row.may else (0, (2, 1)), 9 if row.now else 7
            ax.plot((found.low, found.high), (y, y), color=colour, linewidth=2.4, linestyle=line)
            ax.plot(found.value, y, "o", markersize=size, color=colour, markerfacecolor=fill)
    if mixture:
        # A bit over whole tenths: a narrow panel has room for no closer ticks.
        low, high = (10 * end for end in ax.get_xlim())
        ax.set_xlim(math.floor(low) / 10 - 0.02, math.ceil(high) / 10 + 0.02)
