"""An executed workbook as one page that loads nothing, and that page as a PDF."""

import base64
import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from markupsafe import Markup

from tuninglib.report.page_parts import asset, not_mathematics, render

if TYPE_CHECKING:
    import nbformat


# What :func:`~tuninglib.report.page_parts.not_mathematics` puts around an output.
NOT_MATHEMATICS = not_mathematics("|").split("|")
# What the page may do: show its own styles and images, run its own one script, load nothing.
POLICY = Markup("default-src 'none'; img-src data:; style-src 'unsafe-inline'")


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
    page = render(
        "report/page/page.html.j2",
        title=title,
        byline=byline,
        footer=footer,
        policy=policy_of(script),
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
        Kind, content, and words for it: ``"image"`` with base64 of its SVG and its alt text,
        ``"table"`` with its caption, or other ``"html"``.
    """

    heading: str = ""
    anchor: str = ""
    folded: bool = False
    blocks: list = field(default_factory=list)


def page_sections(notebook: "nbformat.NotebookNode", only: str = "") -> Iterator[Section]:
    """What the page keeps of a notebook, in order.

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
            if section.heading or section.blocks:
                yield section
            section = Section(content, words, kind == "folded")
        else:
            section.blocks.append((kind, content, words))
    yield section


def _blocks(notebook, only):
    import mistune

    to_html = mistune.create_markdown()
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
                    yield "html", Markup(to_html(part).strip()), ""
        for output in cell.get("outputs", []):
            data = output.get("data", {})
            if "image/svg+xml" in data:
                picture = base64.b64encode(data["image/svg+xml"].encode()).decode()
                yield "image", picture, output.metadata["image/svg+xml"]["alt"]
            elif "text/html" in data:
                caption = output.metadata.get("text/html", {}).get("caption", "")
                html = Markup(_unwrapped(data["text/html"]).strip())
                yield "table" if caption else "html", html, caption


def _unwrapped(html: str) -> str:
    """What a notebook shows, without what keeps JupyterLab from setting it as mathematics."""
    before, after = (str(part) for part in NOT_MATHEMATICS)
    return html.strip().removeprefix(before).removesuffix(after) if html else ""


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
