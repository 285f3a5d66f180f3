"""A picture that follows a slider: quick PNG, true alternative text, no flicker."""

import base64
import html
import io
from dataclasses import dataclass

import PIL.Image

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


def image_html(image: Image) -> str:
    """A live picture; decoded before it is shown, so that it does not flicker."""
    data = base64.b64encode(image.png).decode()
    return (
        f'<img class="tuning-picture" alt="{html.escape(image.alt, quote=True)}" decoding="sync" '
        f'width="{image.width}" src="data:image/png;base64,{data}">'
    )
