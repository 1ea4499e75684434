"""A small SVG writer in millimetres, and the PNG picture of what it wrote.

Coordinates run to the right and down the page, one user unit to the millimetre. Numbers are
written with three decimals at most, so the same drawing always gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import Final
from xml.sax.saxutils import escape, quoteattr

FONT: Final = "DejaVu Sans"

_PIECES_TO_A_PATH: Final = 64


def number(value: float) -> str:
    """Write a number with three decimals at most and no trailing zeros."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def polygon_data(points: Iterable[Sequence[float]]) -> str:
    """Path data of one closed polygon."""
    return "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points) + "Z"


def line_data(points: Iterable[Sequence[float]]) -> str:
    """Path data of one open line through `points`."""
    return "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points)


class Drawing:
    """A page that elements are added to in drawing order.

    Parameters
    ----------
    width_mm, height_mm
        Size of the page.
    title
        What the drawing shows, for screen readers.
    """

    def __init__(self, width_mm: float, height_mm: float, title: str) -> None:
        self.width_mm = width_mm
        self.height_mm = height_mm
        self._lines = [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{number(width_mm)}mm"'
            f' height="{number(height_mm)}mm" viewBox="0 0 {number(width_mm)} {number(height_mm)}"'
            f' font-family="{FONT}, sans-serif">',
            f"<title>{escape(title)}</title>",
        ]

    def open(self, **attributes: str | float) -> None:
        """Open a group; its attributes hold for what is added until `close`."""
        self._lines.append(f"<g{_attributes(attributes)}>")

    def close(self) -> None:
        """Close the innermost open group."""
        self._lines.append("</g>")

    def path(self, data: str, **attributes: str | float) -> None:
        """Add a path; nothing if it has no data."""
        if data:
            self._lines.append(f'<path d="{data}"{_attributes(attributes)}/>')

    def paths(self, pieces: Sequence[str], **attributes: str | float) -> None:
        """Add many small paths of one style, some to an element.

        Pieces that follow each other should lie near each other: the cost of drawing an element
        grows with the height it spans.
        """
        self.open(**attributes)
        for first in range(0, len(pieces), _PIECES_TO_A_PATH):
            self.path("".join(pieces[first : first + _PIECES_TO_A_PATH]))
        self.close()

    def rectangle(
        self, x: float, y: float, width: float, height: float, **attributes: str | float
    ) -> None:
        """Add an upright rectangle by its upper left corner and size."""
        self._lines.append(
            f'<rect x="{number(x)}" y="{number(y)}" width="{number(width)}"'
            f' height="{number(height)}"{_attributes(attributes)}/>'
        )

    def circle(self, x: float, y: float, radius: float, **attributes: str | float) -> None:
        """Add a circle by its centre."""
        self._lines.append(
            f'<circle cx="{number(x)}" cy="{number(y)}" r="{number(radius)}"'
            f"{_attributes(attributes)}/>"
        )

    def text(self, x: float, y: float, size: float, words: str, **attributes: str | float) -> None:
        """Add one line of text; `y` is its baseline and `size` its font size."""
        self._lines.append(
            f'<text x="{number(x)}" y="{number(y)}" font-size="{number(size)}"'
            f"{_attributes(attributes)}>{escape(words)}</text>"
        )

    def to_text(self) -> str:
        """Return the whole document."""
        return "\n".join([*self._lines, "</svg>", ""])


def _attributes(attributes: dict[str, str | float]) -> str:
    return "".join(
        f" {name.replace('_', '-')}={quoteattr(value if isinstance(value, str) else number(value))}"
        for name, value in attributes.items()
    )


def text_width(words: str, size: float) -> float:
    """Width of one line of text in the page's font, in the unit of `size`."""
    return sum(_advance(letter) for letter in words) * size


@cache
def _advance(letter: str) -> float:
    """How far one letter moves the pen, in font sizes."""
    from matplotlib.ft2font import FT2Font, LoadFlags

    font = FT2Font(str(_font_file("DejaVuSans.ttf")))
    font.set_size(64, 72)
    glyph = font.load_char(ord(letter), flags=LoadFlags.NO_HINTING)
    return glyph.linearHoriAdvance / 65536.0 / 64.0


def render_png(svg: str, width_pixels: int, height_pixels: int) -> bytes:
    """Draw an SVG document as a PNG picture of this size, on white.

    The fonts are those that matplotlib's own package carries, so the picture is the same on a
    machine without fonts.
    """
    import resvg_py

    return resvg_py.svg_to_bytes(
        svg_string=svg,
        background="#ffffff",
        width=width_pixels,
        height=height_pixels,
        dpi=25.4,
        skip_system_fonts=True,
        font_files=[str(_font_file(name)) for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")],
        font_family=FONT,
        sans_serif_family=FONT,
    )


def _font_file(name: str) -> Path:
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name
