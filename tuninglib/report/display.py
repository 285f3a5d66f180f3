"""Sentences, tables and pictures that a notebook shows and a report prints.

Everything that came from a person is escaped here, once: it is shown as text, never run.
"""

import html
import io
import re
from dataclasses import dataclass

# Up to so many characters a cell does not wrap; beyond so many columns a table is set smaller.
SHORT_CELL, WIDE_TABLE = 13, 8


class _Shown:
    """Something a notebook can show: HTML for the page, plain text for everything else."""

    def _repr_mimebundle_(self, include=None, exclude=None):
        return {"text/html": self.html(), "text/plain": self.plain()}


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

    def html(self) -> str:
        """The same as HTML, everything escaped."""
        if not self.items:
            return ""
        tag = "li" if self.style == "points" else "p"
        body = "\n".join(f"<{tag}>{_labelled(*item)}</{tag}>" for item in self.items)
        if self.style == "points":
            return f"<ul>\n{body}\n</ul>"
        if self.style == "paragraphs":
            return body
        role = ' role="note"' if self.style == "caution" else ""
        return f'<div class="{self.style}"{role}>\n{body}\n</div>'

    def plain(self) -> str:
        """The same as plain text, a line an item."""
        return "\n".join(f"{label}: {text}" if label else text for label, text in self.items)

    __str__ = plain


def _labelled(label: str, text: str) -> str:
    start = f"<strong>{html.escape(label)}:</strong> " if label else ""
    return start + _escaped(text)


def _cell(text: str) -> str:
    """A cell as HTML; a short one stays on one line."""
    shown = _escaped(text)
    return shown.replace(" ", "\u00a0") if len(text) <= SHORT_CELL else shown


def _escaped(text: str) -> str:
    """Text as HTML, with a space that does not break between a number and its unit."""
    units = r"%|km/h|mph|N|lbf|kW|hp|bhp|kg|lb|m|ft|cc|cc/min|°C|°F|hPa|inHg|L"
    return re.sub(rf"(?<=\d) (?=(?:{units})(?![\w/]))", "\u00a0", html.escape(text))


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

    def html(self) -> str:
        """The same as HTML, everything escaped."""
        head = "".join(f'<th scope="col">{html.escape(cell)}</th>' for cell in self.header)
        body = "\n".join(
            f'<tr><th scope="row">{_cell(row[0])}</th>'
            + "".join(f"<td>{_cell(cell)}</td>" for cell in row[1:])
            + "</tr>"
            for row in self.rows
        )
        note = f'<p class="note">{html.escape(self.note)}</p>' if self.note else ""
        label = html.escape(self.caption, quote=True)
        wide = " wide" if len(self.header) > WIDE_TABLE else ""
        return (
            f'<div class="table{wide}" role="region" tabindex="0" aria-label="{label}"><table>\n'
            f"<caption>{html.escape(self.caption)}</caption>\n"
            f"<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n</tbody>\n</table></div>{note}"
        )

    def plain(self) -> str:
        """The same as plain text, columns aligned."""
        lines = [self.header, *self.rows]
        widths = [max(len(line[i]) for line in lines) for i in range(len(self.header))]
        body = "\n".join(
            "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
            for line in lines
        )
        return "\n".join(part for part in (self.caption, body, self.note) if part)

    __str__ = plain


@dataclass(frozen=True)
class Html(_Shown):
    """A ready piece of HTML that the library wrote itself, with its plain-text stand-in."""

    source: str
    text: str

    def html(self) -> str:
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

    buffer = io.StringIO()
    with rc_context({"svg.hashsalt": "tuninglib", "svg.fonttype": "path"}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return Picture(svg=buffer.getvalue(), alt=alt)
