"""The live picture of the injector ladder, quick enough to follow a slider."""

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from tuninglib import units
from tuninglib.analysis.untried_injector import AskedLadder, Outlook
from tuninglib.lab.live_image import DPI, Image, png_of
from tuninglib.report.drawing import BAND, COLOURS, INK

_WIDTH_IN, _HEIGHT_IN = 4.6, 3.5


class LadderPicture:
    """The curve, its interval, the band, the readings and the injector asked for.

    One figure is kept. Its frame is drawn once for each range of the axis; under the sliders only
    the pieces that move are drawn on it, which takes a fifth of the time.
    """

    def __init__(self, results, ladder: AskedLadder):
        self._system, self._flow = results.session.about.units, ladder.flow_m3_s
        self._engine = ladder.engine
        figure = Figure(figsize=(_WIDTH_IN, _HEIGHT_IN), dpi=DPI, layout="constrained")
        FigureCanvasAgg(figure)
        self._figure, ax = figure, figure.subplots()
        self._ax = ax
        ax.spines[["top", "right"]].set_visible(False)
        ax.tick_params(labelsize=9, colors=INK)
        ax.grid(color="#e4e2dc", linewidth=0.7)
        ax.set_axisbelow(True)
        x = self._shown(self._flow)
        ax.set_xlim(x[0], x[-1])
        self._band = Rectangle(
            (0.002, 0), 0.998, 1, transform=ax.get_yaxis_transform(), color=BAND, linewidth=0
        )
        ax.add_patch(self._band)
        self._area = ax.fill_between(x, 0 * x, 0 * x, color=COLOURS[0], alpha=0.15, linewidth=0)
        (self._line,) = ax.plot(x, x, color=COLOURS[0], label="lambda, untried injector")
        (self._read,) = ax.plot(
            self._shown(ladder.reading_flow_m3_s),
            0 * ladder.reading_flow_m3_s,
            "o",
            color=COLOURS[0],
            markersize=4.5,
            markerfacecolor="none",
            label="readings, brought to this fuel",
        )
        (self._bar,) = ax.plot([], [], color=INK, linewidth=2)
        (self._dot,) = ax.plot([], [], "D", color=INK, markersize=6, label="injector asked about")
        ax.set_xlabel(f"injector flow [{units.unit_label('flow', self._system)}]", fontsize=9)
        ax.set_ylabel("lambda (up: leaner)", fontsize=9)
        ax.set_ylim(0.7, 1.1)
        ax.legend(fontsize=8.5, frameon=False, loc="upper right")
        scale = results.session.gauge.scale
        if scale > 1.5:
            one = results.shown_at_lambda_one
            gauge = ax.secondary_yaxis("right", functions=(lambda y: y * one, lambda y: y / one))
            gauge.set_ylabel(f"on this gauge (scale {scale:g})", fontsize=9)
            gauge.tick_params(labelsize=9, colors=INK)
        self._moving = (self._band, self._area, self._line, self._read, self._bar, self._dot)
        # Lay out once; it does not change under the sliders.
        figure.canvas.draw()
        figure.set_layout_engine("none")
        for artist in self._moving:
            artist.set_animated(True)
        self._frame = None

    def _shown(self, flow_m3_s):
        return units.to_display(np.asarray(flow_m3_s), "flow", self._system)

    def render(self, one: Outlook, *, lowest, highest, flow_m3_s) -> Image:
        """The picture for one outlook."""
        x = self._line.get_xdata()
        self._band.set_y(lowest)
        self._band.set_height(highest - lowest)
        self._area.set_verts([np.vstack([np.c_[x, one.curve.low], np.c_[x, one.curve.high][::-1]])])
        self._line.set_ydata(one.curve.value)
        self._read.set_ydata(one.reading_lambda)
        at = float(self._shown(flow_m3_s))
        self._bar.set_data([at, at], [one.lambda_.low, one.lambda_.high])
        self._dot.set_data([at], [one.lambda_.value])
        # Whole tenths, so that the axis stands still under small moves.
        ends = (one.curve.low.min(), one.curve.high.max(), lowest, highest)
        range_ = (np.floor(min(ends) * 10) / 10, np.ceil(max(ends) * 10) / 10)
        canvas = self._figure.canvas
        if self._frame is None or range_ != self._ax.get_ylim():
            self._ax.set_ylim(range_)
            canvas.draw()
            self._frame = canvas.copy_from_bbox(self._figure.bbox)
        canvas.restore_region(self._frame)
        for artist in self._moving:
            self._ax.draw_artist(artist)
        label = units.unit_label("flow", self._system)
        alt = (
            f"Lambda against injector flow on engine {self._engine}: it falls from "
            f"{one.curve.value[0]:.2f} at {x[0]:.0f} {label} to {one.curve.value[-1]:.2f} at "
            f"{x[-1]:.0f} {label}. The target band is {lowest:.3f} to {highest:.3f}. At {at:.4g} "
            f"{label} it is "
            f"{one.lambda_.value:.3f}, with a 95 % interval from {one.lambda_.low:.3f} to "
            f"{one.lambda_.high:.3f}."
        )
        return Image(png_of(canvas), alt, round(_WIDTH_IN * 130))
