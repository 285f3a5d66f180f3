"""The thin layer of widgets under the workbooks: controls, words, a live picture, buttons.

No sums are done here. A panel is a function from values to what is :class:`Said`, and controls
whose values it is given; it can be tested without a browser, and so it is.
"""

import math
import threading
from dataclasses import dataclass

import ipywidgets as widgets
from markupsafe import Markup

from tuninglib.lab.live_image import Image, image_html
from tuninglib.report.display import Prose
from tuninglib.report.templates import render
from tuninglib.text_files import SessionError
from tuninglib.whole_files import in_words

# Controls keep to the left, so that the answer stands beside them and not below the fold.
_WIDE = {"width": "28rem", "max_width": "100%"}
_LABEL = {"description_width": "13rem"}


@dataclass(frozen=True)
class Said:
    """What a panel says for one position of its controls.

    Attributes
    ----------
    words : tuple
        Of :class:`tuninglib.report.display.Prose`, tables and the like, top to bottom.
    image : Image or None
    """

    words: tuple
    image: Image | None = None


def slider(label: str, unit: str, value: float, *, low: float, high: float, step: float):
    """A slider with its unit in the label, whose number can also be typed.

    Parameters
    ----------
    label, unit : str
        No unit: an empty string.
    value : float
        Where it starts, brought to the nearest step; the range is widened to hold it.
    low, high, step : float
        In the unit of the label.
    """
    decimals = max(0, next(d for d in range(9) if abs(round(step, d) - step) < 1e-12))
    # All three on multiples of the step: the browser counts its steps from the low end.
    value = round(round(value / step) * step, decimals)
    low = round(math.floor(low / step + 1e-9) * step, decimals)
    high = round(math.ceil(high / step - 1e-9) * step, decimals)
    return widgets.FloatSlider(
        value=value,
        min=min(low, value),
        max=max(high, value),
        step=step,
        description=f"{label} [{unit}]" if unit else label,
        readout_format=f".{decimals}f",
        style=_LABEL,
        layout=_WIDE,
        tooltip=f"{label}: arrow keys move it; click the number to type one",
    )


def moved(value: float, start: float) -> bool:
    """Whether a slider stands elsewhere than at its start; the browser sends back 6.000000001."""
    return not math.isclose(value, start, rel_tol=1e-6, abs_tol=1e-6)


def choice(label: str, options, value=None):
    """A list to choose one entry from; an entry may be a pair of what is shown and its value."""
    options = list(options)
    start = options[0][1] if isinstance(options[0], tuple) else options[0]
    first = start if value is None else value
    return widgets.Dropdown(
        options=options, value=first, description=label, style=_LABEL, layout=_WIDE
    )


def text(label: str, value: str = "", placeholder: str = ""):
    """A line to type in."""
    return widgets.Text(
        value=value, placeholder=placeholder, description=label, style=_LABEL, layout=_WIDE
    )


def words_html(*shown, live: bool = True) -> Markup:
    """Prose and tables as one piece of HTML that a screen reader follows when it changes."""
    return render("lab/templates/words.html.j2", shown=shown, live=live)


def problems_prose(error: ValueError | OSError) -> Prose:
    """What needs fixing, as a caution box."""
    if isinstance(error, OSError):
        return Prose((("Not possible", f"{in_words(error)}."),), style="caution")
    if isinstance(error, SessionError):
        return Prose(tuple(("To fix", str(one)) for one in error.problems), style="caution")
    return Prose((("Not possible", f"{error}."),), style="caution")


def panel(controls: dict, answer, *, more=()):
    """Controls, the answer to where they stand, and a button that puts them back.

    Parameters
    ----------
    controls : dict of str to widget
        Named as ``answer`` names its arguments.
    answer : callable
        Values of the controls to what is :class:`Said`; a ValueError becomes a sentence.
    more : sequence of widgets
        Shown below the controls.

    Returns
    -------
    ipywidgets.VBox
        Nothing is remembered: running the cell again starts afresh.
    """
    start = {name: control.value for name, control in controls.items()}
    picture, words = widgets.HTML(), widgets.HTML()
    busy = []

    def show(_=None):
        if busy:
            return
        try:
            said = answer(**{name: control.value for name, control in controls.items()})
        except ValueError as error:
            # An old picture beside a new problem would mislead.
            picture.value, words.value = "", words_html(problems_prose(error))
            return
        if said.image is not None:
            picture.value = image_html(said.image)
        words.value = words_html(*said.words)

    def reset(_):
        busy.append(True)
        try:
            for name, control in controls.items():
                control.value = start[name]
        finally:
            busy.clear()
        show()

    back = widgets.Button(
        description="Reset", icon="undo", tooltip="Put every control back to where it started"
    )
    back.on_click(reset)
    for control in controls.values():
        control.observe(show, "value")
    show()
    return beside([*controls.values(), back, *more], [picture, words])


def beside(controls, answer):
    """Controls with the answer at their side; below them where the screen is narrow.

    Parameters
    ----------
    controls, answer : sequence of widgets
    """
    left = widgets.VBox(list(controls), layout={"flex": "0 1 29rem", "min_width": "18rem"})
    left.add_class("tuning-controls")
    right = widgets.VBox(list(answer), layout={"flex": "1 1 26rem", "min_width": "18rem"})
    row = widgets.Box(
        [left, right], layout={"display": "flex", "flex_flow": "row wrap", "width": "100%"}
    )
    return widgets.VBox([widgets.HTML(render("lab/templates/labels.html.j2")), row])


def action(label: str, tooltip: str, act, *, icon: str = "pencil"):
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
    button = widgets.Button(
        description=label,
        tooltip=tooltip,
        icon=icon,
        layout={"width": "auto", "align_self": "flex-start"},
    )
    words = widgets.HTML()

    def clicked(_):
        try:
            shown = act()
        except (ValueError, OSError) as error:
            shown = problems_prose(error)
        words.value = words_html(shown)

    button.on_click(clicked)
    return widgets.VBox([button, words])


def background_action(label: str, tooltip: str, act, *, icon: str = "play"):
    """As :func:`action`, for work that takes seconds: the notebook stays usable meanwhile.

    ``act`` is given a function that shows something, to call at each step.
    """
    button = widgets.Button(
        description=label,
        tooltip=tooltip,
        icon=icon,
        layout={"width": "auto", "align_self": "flex-start"},
    )
    words = widgets.HTML()

    def show(shown):
        words.value = words_html(shown)

    def work():
        try:
            show(act(show))
        except (ValueError, OSError) as error:
            show(problems_prose(error))
        finally:
            button.disabled = False

    def clicked(_):
        button.disabled = True
        threading.Thread(target=work, name=label).start()

    button.on_click(clicked)
    return widgets.VBox([button, words])
