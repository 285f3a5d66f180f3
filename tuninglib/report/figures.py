"""Results to pictures. Each title says what the picture shows; colours are told apart in grey."""

import textwrap

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from tuninglib import units
from tuninglib.report.display import Picture, Prose, picture
from tuninglib.rounding import listing, percent

# Okabe and Ito's palette (2008), ordered so that neighbours differ in lightness too.
INK, SOFT, BAND = "#22262b", "#8a8f96", "#cfe3dc"
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
MARKERS = ("o", "s", "^", "D", "v", "P")
WIDTH_IN = 4.6


# Around the axes; stated rather than worked out, which would draw every figure twice.
_TOP_IN, _BOTTOM_IN, _RIGHT_IN, _BETWEEN_IN = 0.45, 0.5, 0.12, 0.95
_CHARACTER_IN, _LEAST_LEFT_IN = 0.078, 0.62


def _figure(height_in: float, names=(), rows: int = 1, top_in: float = _TOP_IN):
    """Figure with axes one above the other; the left margin fits the longest name."""
    figure = Figure(figsize=(WIDTH_IN, height_in))
    axes = np.atleast_1d(figure.subplots(rows, 1))
    longest = max((len(name) for name in names), default=0)
    left_in = max(_LEAST_LEFT_IN, 0.15 + _CHARACTER_IN * min(longest, 26))
    inside_in = (height_in - top_in - _BOTTOM_IN - (rows - 1) * _BETWEEN_IN) / rows
    figure.subplots_adjust(
        left=left_in / WIDTH_IN,
        right=1 - _RIGHT_IN / WIDTH_IN,
        bottom=_BOTTOM_IN / height_in,
        top=1 - top_in / height_in,
        hspace=_BETWEEN_IN / inside_in,
    )
    for ax in axes:
        ax.spines[["top", "right"]].set_visible(False)
        ax.tick_params(labelsize=9, colors=INK)
        ax.xaxis.set_major_locator(MaxNLocator(6))
    return figure, axes


def _title(ax, text: str, pad: float = 6.0) -> None:
    """Title that starts at the figure's left edge, over two lines where it is long."""
    left = ax.get_position().x0
    width = ax.get_position().width
    lines = textwrap.fill(text, 54)
    ax.set_title(lines, loc="left", fontsize=10.5, color=INK, x=-(left - 0.02) / width, pad=pad)


def _spaced(name: str) -> str:
    return name.replace("_", " ")


def _name_rows(ax, names) -> None:
    ax.set_yticks(range(len(names)), [_spaced(name) for name in names])
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x", color="#e4e2dc", linewidth=0.7)
    ax.set_axisbelow(True)


def gain_figure(results) -> Picture | Prose:
    """Every run as a point, then each setup's gain with its interval, on aligned rows.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    Picture, or Prose that says why there is none
    """
    pulls, system = results.pulls, results.session.about.units
    if len(pulls) < 2:
        return Prose((("", "There are no two setups with speeds to draw side by side."),))
    names = [pull.setup for pull in pulls]
    figure, (top, bottom) = _figure(2.0 + 0.62 * len(names), names, rows=2)
    ridden = [run for run in results.runs if run.force_n is not None]
    riders = [name for name in results.session.riders if name in {run.rider for run in ridden}]
    for index, rider in enumerate(riders):
        runs = [run for run in ridden if run.rider == rider]
        top.plot(
            units.to_display(np.array([run.force_n for run in runs]), "force", system),
            [names.index(run.setup) + 0.16 * (index - (len(riders) - 1) / 2) for run in runs],
            MARKERS[index % len(MARKERS)],
            color=COLOURS[index % len(COLOURS)],
            markersize=5,
            markerfacecolor="none" if index % 2 else COLOURS[index % len(COLOURS)],
            label=rider,
        )
    _name_rows(top, names)
    top.set_xlabel(
        f"wheel force, riders and weather evened out [{units.unit_label('force', system)}]",
        fontsize=9,
    )
    if len(riders) > 1:
        # Above the axes, where no run can lie under it.
        top.legend(
            fontsize=8.5,
            frameon=False,
            loc="lower right",
            bbox_to_anchor=(1.0, 0.98),
            ncol=min(len(riders), 4),
            handletextpad=0.2,
            columnspacing=1.0,
        )
    _title(top, "Every run that counts")
    for row, pull in enumerate(pulls):
        if pull.gain is None:
            bottom.plot(0, row, "|", color=INK, markersize=14)
            continue
        ratio, told = pull.gain.ratio, pull.gain.told_apart
        bottom.plot([100 * ratio.low, 100 * ratio.high], [row, row], color=INK, linewidth=2)
        bottom.plot(
            100 * ratio.value, row, "o", color=INK, markerfacecolor=INK if told else "white"
        )
    bottom.axvline(0, color=SOFT, linewidth=1)
    _name_rows(bottom, names)
    bottom.set_xlabel(f"gain in wheel force over {_spaced(results.reference)} [%]", fontsize=9)
    told = [pull.setup for pull in pulls if pull.gain and pull.gain.told_apart]
    others = len(pulls) - 1
    _title(
        bottom,
        f"{len(told)} of {others} setups told apart from {_spaced(results.reference)}"
        if others
        else "Nothing to compare with",
    )
    words = [
        f"{pull.setup} {percent(pull.gain.ratio.value)} "
        f"({percent(pull.gain.ratio.low)} to {percent(pull.gain.ratio.high)})"
        for pull in pulls
        if pull.gain
    ]
    alt = (
        f"Two rows of panels. Above, the wheel force of all {len(ridden)} runs. "
        f"Below, the gain over {results.reference} with its 95 % interval: {listing(words)}."
    )
    return picture(figure, alt)


def mixture_figure(results) -> Picture | Prose:
    """Lambda of each setup with its interval, against the target band.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    Picture, or Prose that says why there is none
    """
    mixtures = [mixture for mixture in results.mixtures if mixture.lambda_ is not None]
    if not mixtures:
        return Prose((("", "There is no usable reading to draw."),))
    target, scale = results.session.target, results.session.gauge.scale
    names = [mixture.setup for mixture in mixtures]
    figure, (ax,) = _figure(
        1.75 + 0.36 * max(len(names), 3), names, top_in=1.05 if scale > 1.2 else _TOP_IN
    )
    ax.axvspan(target.lowest, target.highest, color=BAND, zorder=0)
    middle = (target.lowest + target.highest) / 2
    ax.text(middle, -0.55, "target band", fontsize=8.5, color=INK, ha="center", va="top")
    for row, mixture in enumerate(mixtures):
        interval = mixture.lambda_
        ax.plot([interval.low, interval.high], [row, row], color=INK, linewidth=2)
        inside = mixture.place == "inside"
        ax.plot(interval.value, row, "o", color=INK, markerfacecolor=INK if inside else "white")
    _name_rows(ax, names)
    ax.set_xlabel("lambda at full throttle (left: richer, right: leaner)", fontsize=9)
    if scale > 1.2:
        above = ax.secondary_xaxis("top", functions=(lambda x: x * scale, lambda x: x / scale))
        above.set_xlabel(f"the same on this gauge (scale {scale:g})", fontsize=9)
        above.tick_params(labelsize=9, colors=INK)
    lean = [mixture.setup for mixture in mixtures if mixture.place == "leaner"]
    inside = [mixture.setup for mixture in mixtures if mixture.place == "inside"]
    message = f"{len(inside)} of {len(mixtures)} setups are inside the target band"
    if lean:
        message += f"; too lean: {listing(lean)}".replace("_", " ")
    _title(ax, message, pad=34 if scale > 1.2 else 6)
    words = [
        f"{m.setup} {m.lambda_.value:.3f} ({m.lambda_.low:.3f} to {m.lambda_.high:.3f})"
        for m in mixtures
    ]
    alt = (
        f"Lambda at full throttle with 95 % intervals against the target band "
        f"{target.lowest:.2f} to {target.highest:.2f}: {listing(words)}."
    )
    return picture(figure, alt)


def ladder_figure(results) -> Picture | Prose:
    """Lambda against injector flow on each fuel: the curve, its interval, the readings.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    Picture, or Prose that says why there is none
    """
    if results.ladder is None:
        return Prose((("", "There is no usable reading at full throttle to draw a line through."),))
    system, target = results.session.about.units, results.session.target
    figure, (ax,) = _figure(3.6)
    draw_ladder(ax, results.ladder.curves, target.lowest, target.highest, system)
    for prospect in results.ladder.prospects:
        flow = units.to_display(prospect.flow_m3_s, "flow", system)
        if not prospect.tried:
            ax.axvline(flow, color=SOFT, linewidth=0.9, linestyle=":")
            ax.annotate(
                prospect.injector,
                (flow, 0.99),
                xycoords=("data", "axes fraction"),
                rotation=90,
                fontsize=8.5,
                ha="right",
                va="top",
                color=INK,
            )
    named = results.ladder.injector
    message = {
        "stay": f"Stay with {named}: nothing else has clearly better odds",
        "buy": f"{named} has the best odds of the target band",
        "none": "No injector can be named yet",
    }[results.ladder.advice]
    _title(ax, message)
    curve = results.ladder.curves[0]
    alt = (
        f"Lambda against injector flow with 95 % intervals on {len(results.ladder.curves)} fuels. "
        f"On {curve.fuel} it falls from {curve.lambda_[0]:.2f} to {curve.lambda_[-1]:.2f} over the "
        f"flows shown; the target band is {target.lowest:.2f} to {target.highest:.2f}."
    )
    return picture(figure, alt)


def draw_ladder(ax, curves, lowest, highest, system) -> None:
    """Curves of lambda against flow, their intervals and the readings, on given axes.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    curves : sequence of tuninglib.analysis.results.LadderCurve
    lowest, highest : float
        The target band.
    system : str
        System of units that is printed.
    """
    ax.axhspan(lowest, highest, color=BAND, zorder=0, label="target band")
    for index, curve in enumerate(curves):
        colour = COLOURS[index % len(COLOURS)]
        flow = units.to_display(curve.flow_m3_s, "flow", system)
        ax.fill_between(flow, curve.low, curve.high, color=colour, alpha=0.15, linewidth=0)
        ax.plot(flow, curve.lambda_, color=colour, linestyle=("-", "--", "-.")[index % 3])
        if len(curve.reading_flow_m3_s):
            ax.plot(
                units.to_display(curve.reading_flow_m3_s, "flow", system),
                curve.reading_lambda,
                MARKERS[index % len(MARKERS)],
                color=colour,
                markersize=4.5,
                markerfacecolor="none",
                label=f"{curve.fuel}, read",
            )
        ax.plot([], [], color=colour, linestyle=("-", "--", "-.")[index % 3], label=curve.fuel)
    ax.set_xlabel(f"stated injector flow [{units.unit_label('flow', system)}]", fontsize=9)
    ax.set_ylabel("lambda (up: leaner)", fontsize=9)
    ax.grid(color="#e4e2dc", linewidth=0.7)
    ax.set_axisbelow(True)
    ax.legend(fontsize=8.5, frameon=False, loc="lower left")
