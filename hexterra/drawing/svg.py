"""A small SVG writer in millimetres, and the PNG picture of what it wrote.

Coordinates run to the right and down the page, one user unit to the millimetre. Numbers are
written with three decimals at most, so the same drawing always gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final
from xml.etree import ElementTree
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from hexterra.drawing.lettering import FONT, is_own, outlines, own_font

_PIECES_TO_A_PATH: Final = 64
_SVG: Final = "{http://www.w3.org/2000/svg}"


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


def render_png(svg: str, width_pixels: int, height_pixels: int) -> bytes:
    """Draw an SVG document as a PNG picture of this size, on white.

    Fonts are those of `hexterra.drawing.lettering`, so the picture is the same on a machine without
    any, but for letters that only its own fonts hold.
    """
    import resvg_py

    return resvg_py.svg_to_bytes(
        svg_string=svg if is_own(svg) else _outlined(svg),
        background="#ffffff",
        width=width_pixels,
        height=height_pixels,
        dpi=25.4,
        skip_system_fonts=True,
        font_files=[own_font(), own_font(bold=True)],
        font_family=FONT,
        sans_serif_family=FONT,
    )


def _outlined(svg: str) -> str:
    """Draw the outlines of words for which resvg would look in several fonts, or find none."""
    root = ElementTree.fromstring(svg)
    for parent in root.iter():
        for place, child in enumerate(parent):
            words = child.text or ""
            if child.tag != f"{_SVG}text" or is_own(words):
                continue
            looks = dict(child.attrib)
            x, y, size = (float(looks.pop(name)) for name in ("x", "y", "font-size"))
            width, segments = outlines(words, bold=looks.pop("font-weight", "") == "bold")
            shift = {"start": 0.0, "middle": -0.5, "end": -1.0}[looks.pop("text-anchor", "start")]
            start = np.array([x + shift * width * size, y])
            data = (
                letter + " ".join(map(number, (start + points * (size, -size)).ravel().tolist()))
                for letter, points in segments
            )
            parent[place] = ElementTree.Element(f"{_SVG}path", {**looks, "d": "".join(data)})
    return ElementTree.tostring(root, encoding="unicode")
