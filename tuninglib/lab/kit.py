"""The thin layer of widgets under the workbooks: controls, words, live pictures, buttons.

No sums are done here. A panel is a function from values to what is :class:`Said`, and controls
whose values it is given; it can be tested without a browser, and so it is. Pictures are made to
follow a slider: quick, with a true alternative text, without a flicker; so is the one of the
injector ladder.
"""

import base64
import io
import math
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import ipywidgets as widgets
import numpy as np
import PIL.Image
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from tuninglib import units
from tuninglib.analysis.injector import AskedLadder, Outlook
from tuninglib.report.page_parts import BAND, COLOURS, INK, Html, Picture, Prose, Table, render
from tuninglib.session.edit import Edited, write_values
from tuninglib.text_files import SessionError
from tuninglib.whole_files import in_words

# Pictures -----------------------------------------------------------------------------------------

DPI = 150
_WIDTH_IN, _WIDTH_PX = 4.6, 598


@dataclass(frozen=True)
class Image:
    """A rendered picture with the words for those who cannot see it."""

    png: bytes
    alt: str


def small_axes(height_in: float, across: str, upwards: str) -> Axes:
    """The axes of a figure that stands beside its controls.

    Parameters
    ----------
    height_in : float
    across, upwards : str
        What the axes say.
    """
    figure = Figure(figsize=(_WIDTH_IN, height_in), dpi=DPI, layout="constrained")
    FigureCanvasAgg(figure)
    ax = figure.subplots()
    ax.spines[["top", "right"]].set_visible(False)
    ax.tick_params(labelsize=9, colors=INK)
    ax.grid(color="#e4e2dc", linewidth=0.7)
    ax.set_axisbelow(True)
    ax.set_xlabel(across, fontsize=9)
    ax.set_ylabel(upwards, fontsize=9)
    return ax


def png_of(canvas: FigureCanvasAgg) -> bytes:
    """PNG of what is drawn on an Agg canvas: fast rather than small."""
    width, height = canvas.get_width_height(physical=True)
    buffer = io.BytesIO()
    size, drawn = (width, height), canvas.buffer_rgba()
    picture = PIL.Image.frombuffer("RGBA", size, drawn, "raw", "RGBA", 0, 1)
    picture.convert("RGB").save(buffer, "png", compress_level=1)
    return buffer.getvalue()


def image_html(image: Image) -> Markup:
    """A live picture as HTML."""
    png = base64.b64encode(image.png).decode()
    return render("lab/templates/picture.html.j2", png=png, alt=image.alt, width=_WIDTH_PX)


# Controls, words and buttons ----------------------------------------------------------------------

# Controls keep to the left, so that the answer stands beside them and not below the fold.
WIDE = {"width": "28rem", "max_width": "100%"}
_LOOK = {"style": {"description_width": "13rem"}, "layout": WIDE}


@dataclass(frozen=True)
class Said:
    """What a panel says for one position of its controls.

    Attributes
    ----------
    words : tuple
        Of :class:`tuninglib.report.page_parts.Prose`, tables and the like, top to bottom.
    image : Image or None
    """

    words: tuple
    image: Image | None = None


class Measure(NamedTuple):
    """How a number is shown: the unit of its label, and the ways from SI to there and back."""

    unit: str
    shown: Callable[[float], float] = float
    si: Callable[[float], float] = float


def of_kinds(system: str, *kinds: str) -> list[Measure]:
    """Quantities in the reader's units; kinds are those of :mod:`tuninglib.units`."""

    def measure(kind):
        return Measure(
            units.unit_label(kind, system),
            lambda value: float(units.to_display(value, kind, system)),
            lambda shown: units.from_display(shown, kind, system),
        )

    return [measure(kind) for kind in kinds]


def percent(unit: str = "%") -> Measure:
    """A ratio in per cent."""
    return Measure(unit, lambda ratio: 100 * ratio, lambda shown: shown / 100)


def slider(
    label: str, measure: Measure | str, value: float, ends: tuple[float, float], step: float
) -> widgets.FloatSlider:
    """A slider with its unit in the label, whose number can also be typed.

    Parameters
    ----------
    label : str
    measure : Measure or str
        A text alone: a unit in which the numbers are as they are; empty: none.
    value : float
        Where it starts: shown at the nearest step, and taken as it is until it is moved (see
        :func:`taken`); the range is widened to hold it. In SI, as the ends.
    ends : (float, float)
    step : float
        In the unit of the label.
    """
    measure = Measure(measure) if isinstance(measure, str) else measure
    decimals = next(d for d in range(9) if abs(round(step, d) - step) < 1e-12)
    # All three on multiples of the step: the browser counts its steps from the low end.
    low, high = (measure.shown(end) / step for end in ends)
    low, high = math.floor(low + 1e-9) * step, math.ceil(high - 1e-9) * step
    shown = round(round(measure.shown(value) / step) * step, decimals)
    made = widgets.FloatSlider(
        value=shown,
        min=min(round(low, decimals), shown),
        max=max(round(high, decimals), shown),
        step=step,
        description=f"{label} [{measure.unit}]" if measure.unit else label,
        readout_format=f".{decimals}f",
        **_LOOK,
        tooltip=f"{label}: arrow keys move it; click the number to type one",
    )
    made.measure, made.start = measure, (shown, value)
    return made


def put(slider: widgets.FloatSlider, value: float) -> None:
    """Bring a slider of :func:`slider` to a new start, in SI."""
    shown = round(slider.measure.shown(value) / slider.step) * slider.step
    slider.start = (shown, value)
    slider.value = shown


def at_rest(slider: widgets.FloatSlider) -> bool:
    """Whether a slider stands where it started."""
    return not moved(slider.value, slider.start[0])


def taken(control: widgets.Widget) -> object:
    """The value of a control; of a slider in SI, and at rest not the step that is shown.

    Parameters
    ----------
    control : ipywidgets widget
    """
    if not isinstance(control, widgets.FloatSlider):
        return control.value
    return control.start[1] if at_rest(control) else control.measure.si(control.value)


def values_of(controls: dict[str, widgets.Widget]) -> dict:
    """What each control stands at, as :func:`taken`."""
    return {name: taken(control) for name, control in controls.items()}


def moved(value: float, start: float) -> bool:
    """Whether a slider stands elsewhere than at its start; the browser sends back 6.000000001."""
    return not math.isclose(value, start, rel_tol=1e-6, abs_tol=1e-6)


def choice(label: str, options: Iterable, value: object = None) -> widgets.Dropdown:
    """A list to choose one entry from; an entry may be a pair of what is shown and its value."""
    start = {} if value is None else {"value": value}
    return widgets.Dropdown(options=list(options), description=label, **_LOOK, **start)


def text(label: str, value: str = "", placeholder: str = "") -> widgets.Text:
    """A line to type in."""
    return widgets.Text(value=value, placeholder=placeholder, description=label, **_LOOK)


def words_html(*shown: Prose | Table | Html | Picture, live: bool = True) -> Markup:
    """Prose and tables as one piece of HTML that a screen reader follows when it changes."""
    return render("lab/templates/words.html.j2", shown=shown, live=live)


def with_watch(said: dict[str, str], watch: Sequence[str]) -> tuple[Prose, ...]:
    """Sentences by their labels, and below them what to watch, in a caution box if there is any."""
    box = Prose(tuple(("Watch", sentence) for sentence in watch), style="caution")
    return (Prose(tuple(said.items())), *([box] if watch else []))


def unreadable(error: SessionError) -> widgets.HTML:
    """In place of a panel: what needs fixing before there can be one."""
    return widgets.HTML(words_html(problems_prose(error)))


def problems_prose(error: ValueError | OSError) -> Prose:
    """What needs fixing, as a caution box."""
    said = in_words(error) if isinstance(error, OSError) else error
    items = (("Not possible", f"{said}."),)
    if isinstance(error, SessionError):
        items = tuple(("To fix", str(one)) for one in error.problems)
    return Prose(items, style="caution")


# What a rider moved or typed and no file has yet, by what it belongs to.
_KEPT: dict[str, dict] = {}


def kept(name: str) -> dict:
    """What was moved or typed under a name, to be there again when its cell is run again.

    Parameters
    ----------
    name : str

    Returns
    -------
    dict
        To be written in; forgotten when the workbook's kernel ends.
    """
    return _KEPT.setdefault(name, {})


def panel(
    controls: dict, answer: Callable[..., Said], *, name: str, more: Sequence[widgets.Widget] = ()
) -> widgets.VBox:
    """Controls, the answer to where they stand, and a button that puts them back.

    Parameters
    ----------
    controls : dict of str to widget
        Named as ``answer`` names its arguments.
    answer : callable
        Values of the controls to what is :class:`Said`; a ValueError becomes a sentence.
    name : str
        What tells it from other panels: under it, what was moved is kept (see :func:`kept`).
    more : sequence of widgets
        Shown below the controls.

    Returns
    -------
    ipywidgets.VBox
        Where the cell is run again, controls that were moved stand where they stood; the others
        start afresh.
    """
    start = {name: control.value for name, control in controls.items()}
    left = kept(name)
    # By its label too, for a number is meant in the unit that stands there.
    labels = {key: (key, control.description) for key, control in controls.items()}
    for key, control in controls.items():
        if labels[key] in left and possible(control, left[labels[key]]):
            control.value = left[labels[key]]
    picture, words = widgets.HTML(), widgets.HTML()
    busy = []

    def show(_=None):
        if busy:
            return
        for key, control in controls.items():
            left[labels[key]] = control.value
            if control.value == start[key]:
                del left[labels[key]]
        try:
            said = answer(**values_of(controls))
        except ValueError as error:
            # An old picture beside a new problem would mislead.
            picture.value, words.value = "", words_html(problems_prose(error))
            return
        if said.image is not None:
            picture.value = image_html(said.image)
        words.value = words_html(*said.words)

    def reset():
        busy.append(True)
        try:
            for name, control in controls.items():
                control.value = start[name]
        finally:
            busy.clear()
        show()

    back = button("Reset", "Put every control back to where it started", "undo", reset, words)
    for control in controls.values():
        control.observe(show, "value")
    show()
    return beside([*controls.values(), back, *more], [picture, words])


def possible(control: widgets.Widget, value: object) -> bool:
    """Whether a control can hold a value: anything, but for a list, which holds its entries."""
    if not isinstance(control, widgets.Dropdown):
        return True
    return value in [one[1] if isinstance(one, tuple) else one for one in control.options]


def beside(controls: Sequence[widgets.Widget], answer: Sequence[widgets.Widget]) -> widgets.VBox:
    """Controls with the answer at their side; below them where the screen is narrow.

    Parameters
    ----------
    controls, answer : sequence of widgets
    """
    left = widgets.VBox(list(controls), layout={"flex": "0 1 29rem", "min_width": "18rem"})
    left.add_class("tuning-controls")
    right = widgets.VBox(list(answer), layout={"flex": "1 1 26rem", "min_width": "18rem"})
    layout = {"display": "flex", "flex_flow": "row wrap", "width": "100%"}
    row = widgets.Box([left, right], layout=layout)
    return widgets.VBox([widgets.HTML(render("lab/templates/labels.html.j2")), row])


def action(
    label: str, tooltip: str, act: Callable[[], Prose | Html], *, icon: str = "pencil"
) -> widgets.VBox:
    """A button that does something once, and says beside it what came of it.

    Parameters
    ----------
    label, tooltip, icon : str
    act : callable
        Takes nothing, returns what to show; a ValueError becomes a sentence.

    Returns
    -------
    ipywidgets.VBox
        The button, and the place for its words.
    """
    words = widgets.HTML()
    return widgets.VBox([button(label, tooltip, icon, act, words), words])


def button(
    label: str,
    tooltip: str,
    icon: str,
    act: Callable[[], Prose | Html | None],
    words: widgets.HTML,
    **more: object,
) -> widgets.Button:
    """A button whose words, or what went wrong, go to a place of their own.

    Parameters
    ----------
    label, tooltip, icon : str
    act : callable
        As of :func:`action`; None: nothing is said.
    words : ipywidgets.HTML
    **more
        As of ipywidgets.
    """

    def clicked(_):
        try:
            shown = act()
        except (ValueError, OSError) as error:
            shown = problems_prose(error)
        if shown is not None:
            words.value = words_html(shown)

    layout = {"width": "auto", "align_self": "flex-start"}
    made = widgets.Button(description=label, tooltip=tooltip, icon=icon, layout=layout, **more)
    made.on_click(clicked)
    return made


def background_action(
    label: str, tooltip: str, act: Callable[[Callable], Prose | Html], *, icon: str
) -> widgets.VBox:
    """As :func:`action`, for work that takes seconds: the notebook stays usable meanwhile.

    ``act`` is given a function that shows something, to call at each step.
    """
    words = widgets.HTML()

    def show(shown):
        words.value = words_html(shown)

    def work():
        try:
            show(act(show))
        except (ValueError, OSError) as error:
            show(problems_prose(error))
        finally:
            made.disabled = False

    def begin():
        made.disabled = True
        threading.Thread(target=work, name=label).start()

    made = button(label, tooltip, icon, begin, words)
    return widgets.VBox([made, words])


# The injector ladder ------------------------------------------------------------------------------


class LadderPicture:
    """The curve, its interval, the band, the readings and the injector asked for.

    One figure is kept. Its frame is drawn once for each range of the axis; under the sliders only
    the pieces that move are drawn on it, which takes a fifth of the time.
    """

    def __init__(self, results, ladder: AskedLadder):
        self._system, self._flow = results.session.about.units, ladder.flow_m3_s
        self._engine = ladder.engine
        self._unit = units.unit_label("flow", self._system)
        ax = self._ax = small_axes(3.5, f"injector flow [{self._unit}]", "lambda (up: leaner)")
        x = self._shown(self._flow)
        ax.set_xlim(x[0], x[-1])
        self._band = ax.axhspan(0, 1, xmin=0.002, color=BAND, linewidth=0)
        self._area = ax.fill_between(x, 0 * x, 0 * x, color=COLOURS[0], alpha=0.15, linewidth=0)
        (self._line,) = ax.plot(x, x, color=COLOURS[0], label="lambda, untried injector")
        rings = {"color": COLOURS[0], "markersize": 4.5, "markerfacecolor": "none"}
        read, label = self._shown(ladder.reading_flow_m3_s), "readings, brought to this fuel"
        (self._read,) = ax.plot(read, 0 * read, "o", **rings, label=label)
        (self._bar,) = ax.plot([], [], color=INK, linewidth=2)
        (self._dot,) = ax.plot([], [], "D", color=INK, markersize=6, label="injector asked about")
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
        ax.figure.canvas.draw()
        ax.figure.set_layout_engine("none")
        for artist in self._moving:
            artist.set_animated(True)
        self._frame = None

    def _shown(self, flow_m3_s):
        return units.to_display(np.asarray(flow_m3_s), "flow", self._system)

    def render(self, one: Outlook) -> Image:
        """The picture for one outlook."""
        lowest, highest = one.lowest, one.highest
        x = self._line.get_xdata()
        self._band.set_y(lowest)
        self._band.set_height(highest - lowest)
        self._area.set_verts([np.vstack([np.c_[x, one.curve.low], np.c_[x, one.curve.high][::-1]])])
        self._line.set_ydata(one.curve.value)
        self._read.set_ydata(one.reading_lambda)
        at = float(self._shown(one.flow_m3_s))
        self._bar.set_data([at, at], [one.lambda_.low, one.lambda_.high])
        self._dot.set_data([at], [one.lambda_.value])
        # Whole tenths, so that the axis stands still under small moves.
        ends = (one.curve.low.min(), one.curve.high.max(), lowest, highest)
        range_ = (np.floor(min(ends) * 10) / 10, np.ceil(max(ends) * 10) / 10)
        canvas, label = self._ax.figure.canvas, self._unit
        if self._frame is None or range_ != self._ax.get_ylim():
            self._ax.set_ylim(range_)
            canvas.draw()
            self._frame = canvas.copy_from_bbox(self._ax.figure.bbox)
        canvas.restore_region(self._frame)
        for artist in self._moving:
            self._ax.draw_artist(artist)
        alt = (
            f"Lambda against injector flow on the engine '{self._engine}': it falls from "
            f"{one.curve.value[0]:.2f} at {x[0]:.0f} {label} to {one.curve.value[-1]:.2f} at "
            f"{x[-1]:.0f} {label}. The target band is {lowest:.3f} to {highest:.3f}. At {at:.4g} "
            f"{label} it is {one.lambda_.value:.3f}, with a 95 % interval from "
            f"{one.lambda_.low:.3f} to {one.lambda_.high:.3f}."
        )
        return Image(png_of(canvas), alt)


def write(folder: Path | str, tables: dict) -> Prose:
    """Write values into session.toml, and say what was written.

    Parameters
    ----------
    folder : path
    tables : dict of str to dict
        As of :func:`tuninglib.session.edit.write_values`.
    """
    items = [("Written", f"[{table}] {_listed(values)}.") for table, values in tables.items()]
    return written(write_values(folder, tables), items)


def written(edited: Edited, items: Sequence[tuple[str, str]]) -> Prose:
    """What was done to a file, and where the file as it was is kept.

    Parameters
    ----------
    edited : tuninglib.session.edit.Edited
    items : sequence of (str, str)
        What was done.
    """
    if edited.kept is None:
        return Prose((("Nothing to do", f"{edited.path.name} says that already."),))
    text = f"{edited.kept.name} is the file as it was. Run all cells again to work with the new one"
    return Prose((*items, ("Kept", f"{text}.")))


def _listed(values) -> str:
    """Keys with their values; an emptied one is a remark in the file."""
    return ", ".join(
        f"{key} emptied" if value is None else f"{key} = {as_text(value)}"
        for key, value in values.items()
    )


def as_text(value: object) -> str:
    """A TOML value as a field shows it; pairs as ``60 km/h = 57 km/h; ...``, lists with commas."""
    if isinstance(value, list) and all(isinstance(one, list) for one in value):
        return "; ".join(" = ".join(map(str, pair)) for pair in value)
    if isinstance(value, dict):
        return "; ".join(f"{key} = {text}" for key, text in value.items())
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return "" if value is None else str(value)
