"""The one way in which this package writes HTML: its templates, in which all text is escaped.

A template's name is its path in the package. What comes out is marked as HTML, so that one piece
can stand in another; plain text never is, so what a person typed is shown as text, never run.
"""

import functools
import re
from pathlib import Path

import jinja2
from markupsafe import Markup

PACKAGE = Path(__file__).parent.parent
_NO_BREAK = "\u00a0"
_BEFORE_UNIT = re.compile(
    r"(?<=\d) (?=(?:%|km/h|mph|N|lbf|kW|hp|bhp|kg|lb|m|ft|cc|cc/min|°C|°F|hPa|inHg|L)(?![\w/]))"
)
# Up to so many characters a cell of a table does not wrap.
_SHORT_CELL = 13


def render(name: str, /, **values) -> Markup:
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
        auto_reload=False,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"unbroken": unbroken, "cell": cell}
    # The same session gives the same bytes, in its own order; no number that JSON does not have.
    environment.policies["json.dumps_kwargs"] = {"ensure_ascii": False, "allow_nan": False}
    return environment
