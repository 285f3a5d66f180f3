"""Sentences, tables and pictures that a notebook shows and a report prints.

Their HTML comes from templates, which escape everything that came from a person.
"""

import io
import warnings
from dataclasses import dataclass

from markupsafe import Markup

from tuninglib.report.cells import NONE
from tuninglib.report.templates import render

# A table of more columns is set smaller.
WIDE_TABLE = 8


def not_mathematics(html) -> str:
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
        return render("report/page/prose.html.j2", items=self.items, style=self.style)

    def plain(self) -> str:
        """The same as plain text, a line an item."""
        return "\n".join(f"{label}: {text}" if label else text for label, text in self.items)

    __str__ = plain


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
        header, *rows = self._filled()
        return render(
            "report/page/table.html.j2",
            caption=self.caption,
            header=header,
            rows=rows,
            note=self.note,
            wide=len(header) > WIDE_TABLE,
        )

    def _filled(self) -> list:
        """Header and rows without the columns in which nothing stands."""
        lines = [self.header, *self.rows]
        kept = [
            at
            for at in range(len(self.header))
            if at == 0 or not self.rows or any(row[at] not in ("", NONE) for row in self.rows)
        ]
        return [tuple(line[at] for at in kept) for line in lines]

    def _repr_mimebundle_(self, include=None, exclude=None):
        return super()._repr_mimebundle_(), {"text/html": {"caption": self.caption}}

    def plain(self) -> str:
        """The same as plain text, columns aligned."""
        lines = self._filled()
        widths = [max(len(line[i]) for line in lines) for i in range(len(lines[0]))]
        body = "\n".join(
            "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
            for line in lines
        )
        return "\n".join(part for part in (self.caption, body, self.note) if part)

    __str__ = plain


@dataclass(frozen=True)
class Html(_Shown):
    """A piece of HTML from a template of its own, with its plain-text stand-in.

    Attributes
    ----------
    source : markupsafe.Markup
        As :func:`tuninglib.report.templates.render` gives it; empty text for nothing.
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
class Picture:
    """A figure as SVG, with the words for those who cannot see it.

    The same figure gives the same bytes: no date, no random ids, text as outlines.
    """

    svg: str
    alt: str

    def _repr_mimebundle_(self, include=None, exclude=None):
        data = {"image/svg+xml": self.svg, "text/plain": self.alt}
        return data, {"image/svg+xml": {"alt": self.alt}}


def picture(figure, alt: str) -> Picture:
    """SVG of a matplotlib figure that is the same every time.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    alt : str
        What the figure shows, in one or two sentences.
    """
    from matplotlib import rc_context
    from matplotlib.text import Text

    buffer = io.StringIO()
    literal = {"svg.hashsalt": "tuninglib", "svg.fonttype": "path", "text.parse_math": False}
    with rc_context(literal), warnings.catch_warnings():
        # A letter that the font lacks is drawn as a box; nobody needs a warning in a report.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        for one in figure.findobj(Text):
            one.set_parse_math(False)
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return Picture(svg=buffer.getvalue(), alt=alt)
