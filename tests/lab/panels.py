"""What tests of panels share: to read what one says, and to find its widgets."""

import html
import re


def words(widget) -> str:
    """Everything that a panel says in HTML, as text with single blanks."""
    said = " ".join(getattr(one, "value", "") for one in everything(widget) if is_html(one))
    plain = re.sub(r"<style>.*?</style>|<[^>]+>", "", said, flags=re.DOTALL)
    return " ".join(html.unescape(plain).split())


def is_html(widget) -> bool:
    return type(widget).__name__ == "HTML"


def everything(widget):
    yield widget
    for child in getattr(widget, "children", ()):
        yield from everything(child)


def labelled(widget, start: str):
    return next(w for w in everything(widget) if getattr(w, "description", "").startswith(start))
