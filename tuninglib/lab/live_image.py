"""A picture that follows a slider: quick PNG, true alternative text, no flicker."""

import base64
import io
from dataclasses import dataclass

import PIL.Image
from markupsafe import Markup

from tuninglib.report.templates import render

DPI = 150


@dataclass(frozen=True)
class Image:
    """A rendered picture with the words for those who cannot see it."""

    png: bytes
    alt: str
    width: int


def png_of(canvas) -> bytes:
    """PNG of what is drawn on an Agg canvas: fast rather than small."""
    width, height = canvas.get_width_height(physical=True)
    buffer = io.BytesIO()
    picture = PIL.Image.frombuffer(
        "RGBA", (width, height), canvas.buffer_rgba(), "raw", "RGBA", 0, 1
    )
    picture.convert("RGB").save(buffer, "png", compress_level=1)
    return buffer.getvalue()


def image_html(image: Image) -> Markup:
    """A live picture as HTML."""
    png = base64.b64encode(image.png).decode()
    return render("lab/templates/picture.html.j2", png=png, alt=image.alt, width=image.width)
