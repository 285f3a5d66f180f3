"""What the figures share: colours that differ in grey too, margins, titles, named rows."""

import textwrap

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from tuninglib.report.cells import spaced

# Okabe and Ito's palette (2008), ordered so that neighbours differ in lightness too.
INK, SOFT, BAND = "#22262b", "#8a8f96", "#cfe3dc"


COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
MARKERS = ("o", "s", "^", "D", "v", "P")
LINES = ("-", "--", "-.", ":")
WIDTH_IN = 4.6


# Around the axes; stated rather than worked out, which would draw every figure twice.
TOP_IN, _BOTTOM_IN, _RIGHT_IN, _BETWEEN_IN = 0.45, 0.5, 0.12, 0.95
_CHARACTER_IN, _LEAST_LEFT_IN = 0.078, 0.62


def figure_of(height_in: float, names=(), rows: int = 1, top_in: float = TOP_IN):
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


def title(ax, text: str, pad: float = 6.0) -> None:
    """Title that starts at the figure's left edge, over two lines where it is long."""
    left = ax.get_position().x0
    width = ax.get_position().width
    lines = textwrap.fill(text, 54)
    ax.set_title(lines, loc="left", fontsize=10.5, color=INK, x=-(left - 0.02) / width, pad=pad)


def name_rows(ax, names, ride=None) -> None:
    """Rows named after setups, from the top; what is ridden now stands out."""
    labels = [spaced(name) for name in names]
    ax.set_yticks(range(len(names)), labels)
    for name, label in zip(names, ax.get_yticklabels(), strict=True):
        label.set_fontweight("bold" if ride and name == ride.setup else "normal")
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x", color="#e4e2dc", linewidth=0.7)
    ax.set_axisbelow(True)
