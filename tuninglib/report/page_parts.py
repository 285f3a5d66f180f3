"""What all headings are made of: names, units and cells; sentences, tables, figures; HTML.

HTML is written in one way only: by the templates, in which all text is escaped, everything that
came from a person before all. The colours of the figures differ in grey, too.
"""

import base64
import datetime
import functools
import hashlib
import io
import math
import re
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import jinja2
import numpy as np
from markupsafe import Markup
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path
from matplotlib.ticker import AutoLocator

from tuninglib import units
from tuninglib.interval import Interval, Measured
from tuninglib.rounding import decimals_for, fixed, in_units, interval_text, listing
from tuninglib.session.schema import INVENTED

if TYPE_CHECKING:
    import nbformat

    from tuninglib.analysis.analyse import Results
    from tuninglib.analysis.records import Mixture
    from tuninglib.session.load import Session


# Templates ----------------------------------------------------------------------------------------
# A template's name is its path in the package. What comes out is marked as HTML, so that one
# piece can stand in another; plain text never is, so what a person typed is shown as text, never
# run.

PACKAGE = Path(__file__).parent.parent
_NO_BREAK = "\u00a0"
_BEFORE_UNIT = re.compile(
    r"(?<=\d) (?=(?:%|km/h|mph|N|lbf|kW|hp|bhp|kg|lb|m|ft|cc|cc/min|°C|°F|hPa|inHg|L)(?![\w/]))"
    # And a mark that a figure's key explains.
    r"|(?<=[●○◆]) "
)
# Up to so many characters a cell of a table does not wrap.
_SHORT_CELL = 14


def render(name: str, /, **values: object) -> Markup:
    """HTML of one template.

    Parameters
    ----------
    name : str
        Path in the package, for example ``"report/page/table.html.j2"``.
    values
        What the template names; text is escaped, :class:`markupsafe.Markup` is not. One that is
        missing is an error.

    Returns
    -------
    markupsafe.Markup

    Examples
    --------
    >>> page = render("report/page/prose.html.j2", style="points", items=[("Run", "62 km/h < 5")])
    >>> "62\N{NO-BREAK SPACE}km/h &lt; 5" in page
    True
    """
    return Markup(_environment().get_template(name).render(values).strip())


def asset(name: str) -> Markup:
    """A stylesheet or script of the package, to stand in a page as it is.

    Parameters
    ----------
    name : str
        Path in the package.
    """
    return Markup((PACKAGE / name).read_text(encoding="utf-8").strip())


def unbroken(text: str) -> str:
    """Text in which a number and its unit stay on one line.

    Examples
    --------
    >>> unbroken("62 km/h is 39 mph") == "62\N{NO-BREAK SPACE}km/h is 39\N{NO-BREAK SPACE}mph"
    True
    """
    return _BEFORE_UNIT.sub(_NO_BREAK, text)


def cell(text: str) -> str:
    """Text of a table's cell; a short one stays on one line.

    Examples
    --------
    >>> cell("62 to 64 km/h").count("\N{NO-BREAK SPACE}")
    3
    """
    return text.replace(" ", _NO_BREAK) if len(text) <= _SHORT_CELL else unbroken(text)


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(PACKAGE),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"unbroken": unbroken, "cell": cell}
    # The same session gives the same bytes, in its own order; no number that JSON does not have.
    environment.policies["json.dumps_kwargs"] = {"ensure_ascii": False, "allow_nan": False}
    return environment


# Names, values with their units, cells ------------------------------------------------------------

NONE = "–"
_SIGNS = ("$", "€", "£")  # stand before the amount; codes like EUR after it


def day_of(date: datetime.date) -> str:
    """A day as the page writes it.

    Examples
    --------
    >>> import datetime
    >>> day_of(datetime.date(2026, 5, 3))
    '3 May 2026'
    """
    return f"{date.day} {date:%B %Y}"


def whose_readings(*titles: str) -> str:
    """Where the numbers of these outings come from, as a page's last words say it.

    Parameters
    ----------
    *titles : str
        Of the outings.
    """
    if any(title.startswith(INVENTED) for title in titles):
        return f"{INVENTED}: the bike, the hill and every number are made up."
    return "All readings come from the rider."


def spaced(name: str) -> str:
    """A name of session.toml as a sentence prints it.

    Examples
    --------
    >>> spaced("big_164")
    'big 164'
    """
    return name.replace("_", " ")


def spaced_list(names: Iterable[str]) -> str:
    """Names of session.toml joined as a sentence does.

    Examples
    --------
    >>> spaced_list(["big_164", "big_172"])
    'big 164 and big 172'
    """
    return listing(spaced(name) for name in names)


def system_of(results: "Results") -> str:
    """System of units that the report prints."""
    return results.session.about.units


def headed(text: str, kind: str, system: str) -> str:
    """A column's head with the unit of its numbers."""
    return f"{text} [{units.unit_label(kind, system)}]"


def shown(value: float | None, kind: str, system: str, decimals: int = 0) -> str:
    """A number in the unit that its column's head names; a dash where there is none."""
    return NONE if value is None else fixed(units.to_display(value, kind, system), decimals)


def with_unit(value: float, kind: str, system: str, decimals: int = 0) -> str:
    """A number with its unit behind it."""
    return f"{shown(value, kind, system, decimals)} {units.unit_label(kind, system)}"


def count_of(count: int, what: str) -> str:
    """So many of something.

    Examples
    --------
    >>> count_of(1, "run"), count_of(3, "run")
    ('1 run', '3 runs')
    """
    return f"{count:,} {what}{'s' * (count != 1)}"


def signed(value: float, kind: str, system: str) -> str:
    """A change with its sign, in the unit that its column's head names."""
    change = units.to_display(value, kind, system)
    return f"{'+' if change >= 0 else '−'}{abs(change):.1f}"


def interval_cell(interval: Interval | None, kind: str, system: str) -> str:
    """An interval in the unit that its column's head names; a dash where there is none."""
    return NONE if interval is None else interval_text(in_units(interval, kind, system))


def plain(value: float, kind: str, system: str) -> str:
    """A value that is taken as it is, with its unit."""
    number = units.to_display(value, kind, system)
    return f"{number:.4g} {units.unit_label(kind, system)}"


def taken(measured: Measured, kind: str = "", system: str = "") -> str:
    """A value that was taken for granted with its ± (95 %)."""
    value, half = measured.value, measured.half_width
    unit = ""
    if kind:
        value, half = (units.to_display(x, kind, system) for x in (value, half))
        unit = f" {units.unit_label(kind, system)}"
    if not half:
        return f"{value:.4g}{unit}"
    decimals = decimals_for(half)
    return f"{fixed(value, decimals)} ± {fixed(half, decimals)}{unit}"


def money(cost: float | None, session: "Session") -> str:
    """An amount in the session's currency, its sign in front; a dash where there is none."""
    if cost is None:
        return NONE
    currency = session.about.currency
    before = f"{currency}{cost:g}" if currency in _SIGNS else f"{cost:g} {currency}"
    return before.strip()


def distance_text(distance_m: float, system: str) -> str:
    """A distance on the road in whole kilometres or miles.

    Examples
    --------
    >>> distance_text(300e3, "metric"), distance_text(300e3, "us")
    ('300 km', '186 miles')
    """
    unit = "km" if system == "metric" else "miles"
    return f"{fixed(units.convert(distance_m, 'm', unit), 0)} {unit}"


def gain_text(gain: Interval, unit: str = "%") -> str:
    """A gain with its interval as per cent; whole ones, unless it is known better than that.

    Parameters
    ----------
    gain : tuninglib.interval.Interval
        As a ratio.
    unit : str
        Left out where it stands in a column's head.
    """
    most = 0 if gain.half_width > 0.02 else 1
    return interval_text(gain.scaled(100), unit, least_decimals=0, most_decimals=most)


def mixture_of(results: "Results", setup: str) -> "Mixture | None":
    """The mixture of a setup, as read; None if there is none."""
    return next((mixture for mixture in results.mixtures if mixture.setup == setup), None)


# Sentences, tables and pictures -------------------------------------------------------------------
# Their HTML comes from templates, which escape everything that came from a person.

# A table of more columns is set smaller.
WIDE_TABLE = 8


def not_mathematics(html: Markup | str) -> str:
    """HTML for JupyterLab, which sets what stands between two dollar signs as mathematics."""
    return str(render("report/page/not_mathematics.html.j2", html=html)) if html else ""


class _Shown:
    """Something a notebook can show: HTML for the page, plain text for everything else."""

    def _repr_mimebundle_(self, include=None, exclude=None):
        return {"text/html": not_mathematics(self.html()), "text/plain": self.plain()}


@dataclass(frozen=True)
class Prose(_Shown):
    """Paragraphs or points of plain text, each with an optional bold label before it.

    Attributes
    ----------
    items : tuple of (str, str)
        Label (may be empty) and sentence.
    style : str
        ``"paragraphs"``, ``"points"``, ``"verdict"`` or ``"caution"``.
    """

    items: tuple
    style: str = "paragraphs"

    def html(self) -> Markup:
        """The same as HTML."""
        if not self.items:
            return Markup("")
        return render("report/page/prose.html.j2", items=self.items, style=self.style)

    def lines(self) -> list[str]:
        """The same as plain text, a line an item."""
        return [f"{label}: {text}" if label else text for label, text in self.items]

    def plain(self) -> str:
        """The same as one plain text."""
        return "\n".join(self.lines())

    __str__ = plain


def as_points(said: Mapping[str, str] | Iterable[tuple[str, str]]) -> Prose:
    """Sentences as points, each behind its label.

    Parameters
    ----------
    said : dict of str to str, or iterable of (str, str)
        Label and sentence.
    """
    return Prose(tuple(said.items() if isinstance(said, Mapping) else said), style="points")


@dataclass(frozen=True)
class Table(_Shown):
    """A table with a caption; cells are text already rounded and with their units in the header.

    Attributes
    ----------
    caption : str
    header : tuple of str
    rows : tuple of tuples of str
        The first cell of each heads its row.
    note : str
        Printed below.
    """

    caption: str
    header: tuple
    rows: tuple
    note: str = ""

    def html(self) -> Markup:
        """The same as HTML."""
        (header, *rows), note = self._filled()
        columns = [_aligned(column) for column in zip(*rows, strict=True)]
        return render(
            "report/page/table.html.j2",
            caption=self.caption,
            header=header,
            kinds=[kind for kind, _ in columns] or [""] * len(header),
            rows=list(zip(*(cells for _, cells in columns), strict=True)),
            note=note,
            wide=len(header) > WIDE_TABLE,
        )

    def _filled(self) -> tuple:
        """Header and rows without columns that hold nothing, or one value; and the note."""
        kept, same = [], []
        for at, head in enumerate(self.header):
            values = {row[at] for row in self.rows} - {""}
            # The first names the row, and the second is what it is read for.
            if at < 2 or len(values) > 1 or not self.rows or (len(self.rows) == 1 and values):
                kept.append(at)
            elif values - {NONE}:
                same.append(f"{head} {values.pop()}")
        said = f"In every row: {'; '.join(same)}." if same else ""
        lines = [tuple(line[at] for at in kept) for line in (self.header, *self.rows)]
        return lines, " ".join(filter(None, (self.note, said)))

    def _repr_mimebundle_(self, include=None, exclude=None):
        return super()._repr_mimebundle_(), {"text/html": {"caption": self.caption}}

    def plain(self) -> str:
        """The same as plain text, columns aligned."""
        lines, note = self._filled()
        widths = [max(len(line[i]) for line in lines) for i in range(len(lines[0]))]
        body = "\n".join(
            "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
            for line in lines
        )
        return "\n".join(part for part in (self.caption, body, note) if part)

    __str__ = plain


def table_of(
    things: Iterable, columns: dict, caption: str, note: str = "", *, system: str = ""
) -> Table | Prose:
    """A table with a row for each of some things; nothing where there is none.

    Parameters
    ----------
    things : iterable
    columns : dict of (str, or tuple of str and str) to callable
        Under each header what makes the cell of a thing: text, or None for a dash. Or under a
        header and a kind of quantity what gives a number or an interval in SI.
    caption, note : str
    system : str
        Of the units in which quantities are shown; not needed where there is none.

    Examples
    --------
    >>> table_of([4, 6], {"Number": str, "Half": lambda one: f"{one / 2:g}"}, "Halves").rows
    (('4', '2'), ('6', '3'))
    >>> columns = {"Run": str, ("Exit", "speed"): {1: 10.0, 2: None}.get}
    >>> table_of([1, 2], columns, "Runs", system="metric").rows
    (('1', '36'), ('2', '–'))
    """

    def cell_of(head, found) -> str:
        if found is None or isinstance(found, str):
            return NONE if found is None else found
        show = interval_cell if isinstance(found, Interval) else shown
        return show(found, head[1], system)

    rows = tuple(tuple(cell_of(head, of(one)) for head, of in columns.items()) for one in things)
    header = tuple(
        one if isinstance(one, str) else headed(one[0], one[1], system) for one in columns
    )
    return Table(caption, header, rows, note) if rows else Prose(())


# A cell that is a number, and one that begins with one; as wide as a digit.
_NUMBER = re.compile(r"(over |under |about )?[+−]?[\d,]*\d(\.\d+)?( %)?")
_BEGINS = re.compile(r"[+−]?[\d,]*\d(?![\w:])")
_FIGURE_SPACE = "\u2007"
# Text from this length on is given room, so that it does not become a column of words.
_LONG_TEXT = 18


def _aligned(column: Sequence[str]) -> tuple:
    """A column's kind, and its cells so that numbers stand with their decimals in line.

    Whole and equally sharp numbers are set to the right; what begins with a number, as an interval
    does, is filled up on the left. Neither is ever broken.
    """
    numbers = [text for text in column if text not in ("", NONE)]
    sharpness = {len(text.removesuffix(" %").partition(".")[2]) for text in numbers}
    if len(sharpness) == 1 and all(_NUMBER.fullmatch(text) for text in numbers):
        return "number", [text.replace(" ", _NO_BREAK) for text in column]
    begins = [_BEGINS.match(text) for text in column]
    if numbers and sum(map(bool, begins)) == len(numbers):
        most = max(found.end() for found in begins if found)
        return "interval", [
            _FIGURE_SPACE * (most - found.end() if found else 0) + text.replace(" ", _NO_BREAK)
            for text, found in zip(column, begins, strict=True)
        ]
    longest = max(map(len, column))
    return "text" if longest > _LONG_TEXT else "", [cell(text) for text in column]


@dataclass(frozen=True)
class Html(_Shown):
    """A piece of HTML from a template of its own, with its plain-text stand-in.

    Attributes
    ----------
    source : markupsafe.Markup
        As :func:`tuninglib.report.page_parts.render` gives it; empty text for nothing.
    text : str
    """

    source: Markup | str
    text: str

    def html(self) -> Markup:
        """The HTML as it is."""
        return self.source

    def plain(self) -> str:
        """The plain-text stand-in."""
        return self.text


@dataclass(frozen=True)
class Picture(_Shown):
    """A figure as SVG for wide and for narrow screens, with its words.

    The same figure gives the same bytes: no date, no random ids, text as outlines.

    Attributes
    ----------
    svg, narrow : str
        The same drawn twice, so that letters have the size of the page's text on either screen.
    alt : str
        For those who cannot see it.
    caption : str
        What it shows, as a finding.
    key : str
        What its marks mean.
    """

    svg: str
    narrow: str
    alt: str
    caption: str
    key: str = ""

    def html(self) -> Markup:
        """The same as HTML."""
        wide, narrow = (base64.b64encode(one.encode()).decode() for one in (self.svg, self.narrow))
        shown = vars(self) | {"wide": wide, "narrow": narrow}
        return render("report/page/figure.html.j2", **shown)

    def _repr_mimebundle_(self, include=None, exclude=None):
        return super()._repr_mimebundle_(), {"text/html": {"figure": True}}

    def plain(self) -> str:
        """What it shows in words."""
        return self.alt


def picture(draw: Callable[[float], Figure], alt: str, caption: str, key: str = "") -> Picture:
    """SVG of a matplotlib figure that is the same every time.

    Parameters
    ----------
    draw : callable
        Makes the figure for a width [in]; it is asked for a wide and for a narrow one.
    alt : str
        What the figure shows, in one or two sentences.
    caption, key : str
        See :class:`Picture`.
    """
    return Picture(_svg(draw, WIDE_IN), _svg(draw, NARROW_IN), alt, caption, key)


def _svg(draw, width_in) -> str:
    buffer = io.StringIO()
    with in_style({"svg.hashsalt": f"tuninglib {width_in}"}):
        drawn = with_round_ticks(draw(width_in))
        drawn.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return buffer.getvalue()


# Figures ------------------------------------------------------------------------------------------

# Each stands out from white paper by 3 to 1 and, turned as the page turns it, from dark paper;
# neighbours differ in lightness, and in marker and line, too.
INK, SOFT, BAND, GRID = "#22262b", "#777c84", "#cfe3dc", "#e4e2dc"
COLOURS = ("#0072B2", "#D55E00", "#00875F", "#B5578D", "#9A6B00", "#2C86B8")
MARKERS = ("o", "s", "^", "D", "v", "P")
LINES = ("-", "--", "-.", ":")

# 34rem, and what a phone of 390 px leaves beside its margins. At 96 px to the inch 12 pt are 16 px.
WIDE_IN, NARROW_IN, LETTER_PT = 5.667, 3.69, 12
_STYLE = {
    "font.size": LETTER_PT,
    **{f"{part}size": LETTER_PT for part in ("axes.title", "axes.label")},
    **{f"{part}.labelsize": LETTER_PT for part in ("xtick", "ytick")},
    **{f"{part}color": INK for part in ("text.", "axes.label", "axes.edge", "xtick.", "ytick.")},
    "axes.titlelocation": "left",
    "axes.titlepad": 8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.facecolor": "none",
    "figure.facecolor": "none",
    "grid.color": GRID,
    "grid.linewidth": 0.7,
    "legend.fontsize": LETTER_PT,
    "legend.frameon": False,
    "svg.fonttype": "path",
    "text.parse_math": False,
}
# Around the axes; stated rather than worked out, which would draw every figure twice.
_TOP_IN, _BOTTOM_IN, _RIGHT_IN, _LEAST_LEFT_IN = 0.36, 0.55, 0.16, 0.55
# From one tick of a column to the next, and the least that a number in a line takes.
_APART_IN, _DIGIT_IN = 0.4, 0.15


def look_of(index: int) -> tuple[str, str, str]:
    """Colour, marker and line of one of several."""
    return tuple(every[index % len(every)] for every in (COLOURS, MARKERS, LINES))


@contextmanager
def in_style(more: dict | None = None) -> Iterator[None]:
    """Figures as the page has them: its letters and colours, on no paper of their own.

    Parameters
    ----------
    more : dict, optional
        Other settings of matplotlib.
    """
    with rc_context(_STYLE | (more or {})), warnings.catch_warnings():
        # A letter that the font lacks is drawn as a box; nobody needs a warning in a report.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


@functools.cache
def width_of(text: str, bold: bool = False) -> float:
    """How wide a line of text is in a figure. [in]"""
    font = FontProperties(size=LETTER_PT, weight="bold" if bold else "normal")
    with in_style():
        return text_to_path.get_text_width_height_descent(text, font, False)[0] / 72


def figure_of(
    width_in: float,
    height_in: float,
    names: Sequence[str] = (),
    rows: int = 1,
    legend: Sequence[str] = (),
) -> tuple[Figure, np.ndarray]:
    """Figure with axes one above the other; the left margin fits the longest name.

    Over them is room for :func:`add_legend` with these names.
    """
    over_in = 0.24 * math.ceil(len(legend) / _columns(legend, width_in)) if legend else 0.0
    height_in += over_in
    figure = Figure(figsize=(width_in, height_in))
    axes = np.atleast_1d(figure.subplots(rows, 1))
    longest = max((width_of(spaced(name), bold=True) for name in names), default=0.0)
    left_in = max(_LEAST_LEFT_IN, 0.1 + min(longest, 0.45 * width_in))
    inside_in = (height_in - over_in - rows * (_TOP_IN + _BOTTOM_IN)) / rows
    figure.subplots_adjust(
        left=left_in / width_in,
        right=1 - _RIGHT_IN / width_in,
        bottom=_BOTTOM_IN / height_in,
        top=1 - (_TOP_IN + over_in) / height_in,
        hspace=(_TOP_IN + _BOTTOM_IN) / inside_in,
    )
    return figure, axes


def _columns(names, width_in) -> int:
    """How many names of a legend have room side by side."""
    return max(1, int(width_in / (0.6 + max(map(width_of, names)))))


def add_legend(figure: Figure, handles: Sequence, names: Sequence[str]) -> None:
    """What lines and marks are, above all axes, where nothing lies under it."""
    figure.legend(
        handles, names, loc="upper left", ncol=_columns(names, figure.get_figwidth()), borderpad=0,
        borderaxespad=0.1, columnspacing=1, handletextpad=0.5, handlelength=1.8,
    )  # fmt: skip


def with_round_ticks(figure: Figure) -> Figure:
    """The figure with ticks in steps of 1, 2 or 5 and so on, as close as their numbers may stand.

    Axes whose ticks were set by hand keep them.
    """
    for ax in figure.axes:
        size = ax.get_position().size * figure.get_size_inches()
        for axis, length_in, across in ((ax.xaxis, size[0], True), (ax.yaxis, size[1], False)):
            if isinstance(axis.get_major_locator(), AutoLocator):
                _round_ticks(axis, length_in, across)
    return figure


def _round_ticks(axis, length_in, across) -> None:
    low, high = sorted(axis.get_view_interval())
    for step in (m * 10.0**k for k in range(-6, 9) for m in (1, 2, 5)):
        places = max(0, -math.floor(math.log10(step) + 1e-9))
        room = step / (high - low) * length_in
        # A column of numbers takes its height, a line of them its width: a digit's at least, so
        # that the widths of most candidates, which cost time, need not be measured.
        if room < (_DIGIT_IN if across else _APART_IN):
            continue
        if not across or room >= max(width_of(fixed(end, places)) for end in (low, high)) + 0.1:
            break
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    if last <= first:
        first, last = math.floor(low / step), math.ceil(high / step)
        axis.set_view_interval(step * first, step * last)
    ticks = [step * at for at in range(first, last + 1)]
    axis.set_ticks(ticks, [fixed(tick, places) for tick in ticks])


def title(ax: Axes, text: str) -> None:
    """What an axes shows, from the figure's left edge on."""
    place = ax.get_position()
    ax.set_title(text, x=-place.x0 / place.width)


def name_rows(ax: Axes, names: Sequence[str]) -> None:
    """Rows named after setups, from the top."""
    ax.set_yticks(range(len(names)), [spaced(name) for name in names])
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x")


# An executed workbook as one page, and that page as a PDF -----------------------------------------

# What :func:`~tuninglib.report.page_parts.not_mathematics` puts around an output.
NOT_MATHEMATICS = not_mathematics("|").split("|")
# What the page may do: show its own styles and images, run its own one script, load nothing.
POLICY = Markup("default-src 'none'; form-action 'none'; img-src data:; style-src 'unsafe-inline'")


class MissingPdf(RuntimeError):
    """A PDF was asked for, and what makes it is not installed."""


def render_page(
    notebook: "nbformat.NotebookNode",
    *,
    title: str,
    byline: str,
    footer: str,
    script: str = "",
    only: str = "",
) -> str:
    """One self-contained HTML page made from an executed notebook; its code is left out.

    Parameters
    ----------
    notebook : nbformat.NotebookNode
    title, byline, footer : str
        Plain text; escaped here.
    script : str
        Inline script beside the page's own; the policy allows exactly these, by their checksum.
    only : str
        Keep the cells with this tag alone, tables and all open; empty: the whole notebook.

    Returns
    -------
    str
    """
    # The browser compares the checksum with the script as it stands in the finished page.
    script = Markup(f"{asset('report/page/folds.js').strip()}\n{script.strip()}".strip())
    sections = list(page_sections(notebook, only))
    # A sound may be played from the page itself, where there is one.
    heard = any("<audio " in content for one in sections for _, content, _ in one.blocks)
    page = render(
        "report/page/page.html.j2",
        title=title,
        byline=byline,
        footer=footer,
        policy=policy_of(script) + ("; media-src data:" if heard else ""),
        script=script,
        style=asset("report/page/style.css"),
        sections=sections,
        kind=only,
    )
    return f"{page}\n"


def policy_of(script: Markup) -> Markup:
    """What a page with one inline script may do: run that, by its checksum, and load nothing.

    Parameters
    ----------
    script : markupsafe.Markup
    """
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return POLICY + Markup(f"; script-src 'sha256-{digest}'")


@dataclass
class Section:
    """One part of the page.

    Attributes
    ----------
    heading, anchor : str
        Empty before the first heading.
    folded : bool
        Whether it is shut until somebody opens it; always open on paper.
    blocks : list of (str, str, str)
        Kind, content, and words for it: ``"figure"``, ``"table"`` with its caption, or other
        ``"html"``.
    """

    heading: str = ""
    anchor: str = ""
    folded: bool = False
    blocks: list = field(default_factory=list)


def page_sections(notebook: "nbformat.NotebookNode", only: str = "") -> Iterator[Section]:
    """What the page keeps of a notebook, in order; no heading under which nothing stands.

    Parameters
    ----------
    notebook : nbformat.NotebookNode
        A heading whose cell has the tag ``folded`` makes a folded section.
    only : str
        See :func:`render_page`.

    Yields
    ------
    Section
    """
    section = Section()
    for kind, content, words in _blocks(notebook, only):
        if kind in ("heading", "folded"):
            if section.blocks:
                yield section
            section = Section(content, words, kind == "folded")
        elif content:
            section.blocks.append((kind, content, words))
    if section.blocks:
        yield section


def _blocks(notebook, only):
    for cell in notebook.cells:
        tags = set(cell.metadata.get("tags", []))
        if {"workbook-only", "parameters"} & tags or (only and only not in tags):
            continue
        if cell.cell_type == "markdown":
            for part in re.split(r"^(## .+)$", cell.source, flags=re.MULTILINE):
                heading = re.match(r"## (.+)", part)
                if heading:
                    anchor = re.sub(r"[^a-z0-9]+", "-", heading[1].lower()).strip("-")
                    yield "folded" if "folded" in tags else "heading", heading[1], anchor
                elif part.strip():
                    # Late: the report's workbook has no words between its headings.
                    import mistune

                    yield "html", Markup(mistune.create_markdown()(part).strip()), ""
        for output in cell.get("outputs", []):
            data = output.get("data", {})
            if "text/html" in data:
                said = output.metadata.get("text/html", {})
                kind = "table" if said.get("caption") else "figure" if "figure" in said else "html"
                # Without what keeps JupyterLab from setting it as mathematics.
                before, after = NOT_MATHEMATICS
                html = data["text/html"].strip().removeprefix(before).removesuffix(after)
                yield kind, Markup(html.strip()), said.get("caption", "")


def page_to_pdf(page: str) -> bytes:
    """The page as PDF, from the same HTML and its print styles.

    Parameters
    ----------
    page : str

    Returns
    -------
    bytes

    Raises
    ------
    MissingPdf
        If WeasyPrint or the Pango library that it uses is not installed.
    """
    try:
        import weasyprint
        from weasyprint.urls import URLFetcher
    except (ImportError, OSError) as error:
        raise MissingPdf(
            "a PDF needs the extra package: pip install 'tuninglib[pdf]' (and the Pango library of "
            "your system); or open report.html in a browser and print it"
        ) from error
    # Everything that the page shows is inside it: nothing else may be fetched.
    inside_only = URLFetcher(allowed_protocols=["data"], fail_on_errors=True)
    return weasyprint.HTML(string=page, url_fetcher=inside_only).write_pdf(pdf_tags=True)
