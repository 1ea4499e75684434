"""Paper of the build book: a pen that draws in millimetres, and what a page is.

x runs to the right and y down from the upper left corner of the page, as in the board's map.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, Literal

from hexterra.drawing.lettering import is_plain, outlines
from hexterra.drawing.pdf_pages import PAPER_MM, POINTS_PER_MM, draw_figure, write_line

if TYPE_CHECKING:
    from hexterra.drawing.figures import Figure
    from hexterra.workshop.solids.guides import Paper

FONT: Final = "DejaVuSans"
BOLD: Final = "DejaVuSans-Bold"
INK: Final = "#000000"
GREY: Final = "#5a5a5a"
PALE: Final = "#e6e6e6"
WHITE: Final = "#ffffff"

SIDE_MM: Final = 14.0
#: Where the content of a page begins, below its heading, and how far above the foot it ends.
TOP_MM: Final = 27.0
FOOT_MM: Final = 14.0
#: Ordinary text.
TEXT_MM: Final = 3.2

Align = Literal["left", "middle", "right"]
Point = Sequence[float]


@dataclass(frozen=True)
class Format:
    """A sheet of paper, one way up."""

    width_mm: float
    height_mm: float

    @property
    def room_mm(self) -> tuple[float, float, float, float]:
        """Left, top, width and height of what content may cover."""
        return (
            SIDE_MM,
            TOP_MM,
            self.width_mm - 2.0 * SIDE_MM,
            self.height_mm - TOP_MM - FOOT_MM,
        )


def formats(paper: Paper) -> tuple[Format, Format]:
    """Return a paper upright and lying."""
    width_mm, height_mm = PAPER_MM[paper]
    return Format(width_mm, height_mm), Format(height_mm, width_mm)


@dataclass(frozen=True)
class Page:
    """One page in the making.

    Parameters
    ----------
    heading
        Printed at its top; "" on the cover.
    paint
        Draws its content.
    is_lying
        Whether the long side of the paper is at the bottom.
    entry
        What the contents and the bookmarks call the page; "" if it only goes on.
    depth
        0 for a section, 1 for a part of one.
    """

    heading: str
    paint: Callable[[Pen], None]
    is_lying: bool = False
    entry: str = ""
    depth: int = 0


class Pen:
    """Draws on a reportlab canvas in millimetres.

    Parameters
    ----------
    canvas
        A `reportlab.pdfgen.canvas.Canvas`; the fonts must have been registered.
    paper
        The page that is being drawn.
    """

    def __init__(self, canvas: Any, paper: Format) -> None:
        self.canvas = canvas
        self.paper = paper

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Carry a place to points from the lower left corner."""
        return x * POINTS_PER_MM, (self.paper.height_mm - y) * POINTS_PER_MM

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float = TEXT_MM,
        font: str = FONT,
        align: Align = "left",
        ink: str = INK,
        within: float | None = None,
    ) -> None:
        """Write one line; `y` is its baseline. Letters shrink to fit `within`."""
        width = text_mm(words, size, font)
        if within is not None and width > within:
            size, width = size * within / width, within
        shift = {"left": 0.0, "middle": -0.5, "right": -1.0}[align]
        self.canvas.setFillColor(colour(ink))
        write_line(self.canvas, *self.at(x + shift * width, y), size * POINTS_PER_MM, words, font)

    def lines(
        self, x: float, y: float, words: str, width: float, *, size: float = TEXT_MM,
        font: str = FONT, ink: str = INK,
    ) -> float:  # fmt: skip
        """Write words in as many lines as they take; return the baseline after the last."""
        for line in wrapped(words, width, size, font):
            self.text(x, y, line, size=size, font=font, ink=ink)
            y += 1.4 * size
        return y

    def line(
        self, points: Sequence[Point], *, width: float = 0.2, ink: str = INK,
        dashes: Sequence[float] = (),
    ) -> None:  # fmt: skip
        """Draw a line through points."""
        self._stroke(width, ink, dashes)
        self.canvas.drawPath(self._path(points, is_closed=False), stroke=1, fill=0)

    def polygon(
        self, points: Sequence[Point], *, fill: str = "", ink: str = "", width: float = 0.2,
        opacity: float = 1.0,
    ) -> None:  # fmt: skip
        """Draw a closed outline, a face, or both; only the face may be seen through."""
        if fill:
            self.canvas.setFillColor(colour(fill, opacity))
        if ink:
            self._stroke(width, ink, ())
        path = self._path(points, is_closed=True)
        self.canvas.drawPath(path, stroke=1 if ink else 0, fill=1 if fill else 0)

    def rectangle(
        self, x: float, y: float, width: float, height: float, *, fill: str = "", ink: str = "",
        line: float = 0.2, opacity: float = 1.0,
    ) -> None:  # fmt: skip
        """Draw an upright rectangle by its upper left corner."""
        points = ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
        self.polygon(points, fill=fill, ink=ink, width=line, opacity=opacity)

    def box(self, x: float, y: float, *, size: float = 3.4, holds: str = "") -> None:
        """Draw a box to tick; `y` is the baseline of the text beside it."""
        self.rectangle(x, y - 0.86 * size, size, size, ink=INK, line=0.25)
        if holds:
            self.text(x + size / 2.0, y - 0.1 * size, holds, size=0.62 * size, align="middle",
                      ink=GREY, within=0.86 * size)  # fmt: skip

    def figure(self, figure: Figure, middle: float, top: float) -> None:
        """Draw a figure below `top`, at its own size, its middle at `middle`."""
        left, _, right, high = figure.bounds
        low = self.paper.height_mm - top - high
        draw_figure(self.canvas, figure, middle - (left + right) / 2.0, low)

    def _path(self, points: Iterable[Point], *, is_closed: bool) -> Any:
        path = self.canvas.beginPath()
        for number, (x, y) in enumerate(points):
            (path.lineTo if number else path.moveTo)(*self.at(x, y))
        if is_closed:
            path.close()
        return path

    def _stroke(self, width: float, ink: str, dashes: Sequence[float]) -> None:
        self.canvas.setLineWidth(width * POINTS_PER_MM)
        self.canvas.setStrokeColor(colour(ink))
        self.canvas.setLineJoin(1)
        self.canvas.setDash([dash * POINTS_PER_MM for dash in dashes])


@lru_cache(maxsize=1024)
def colour(ink: str, opacity: float = 1.0) -> Any:
    """Return a colour written as in SVG for reportlab, which is slow to read it."""
    from reportlab.lib.colors import Color

    red, green, blue = (int(ink[at : at + 2], 16) / 255.0 for at in (1, 3, 5))
    return Color(red, green, blue, opacity)


def text_mm(words: str, size: float, font: str = FONT) -> float:
    """Return the width of one line."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    if is_plain(words):
        return stringWidth(words, font, size)
    return outlines(words, bold=font == BOLD)[0] * size


def wrapped(words: str, width: float, size: float, font: str = FONT) -> list[str]:
    """Break words into lines that fit a width: at blanks, and beside letters as wide as words."""
    from reportlab.lib.utils import simpleSplit

    if is_plain(words):
        return simpleSplit(words, font, size, width)
    lines = [""]
    for part in re.split(r"(?<= )|(?<=[\u2e80-\uffef])", words):
        if lines[-1] and text_mm((lines[-1] + part).rstrip(), size, font) > width:
            lines.append("")
        lines[-1] += part
    return [line.rstrip() for line in lines]
