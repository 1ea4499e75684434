"""What templates and drawings are made of: lines with a meaning, faces and words, in millimetres.

A `Figure` knows no file format. It is written as SVG here, as DXF and PDF in
`hexterra.drawing.dxf` and `hexterra.drawing.pdf_pages`. x runs to the right and y
up; lengths are true unless the figure says it is drawn smaller.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final, Literal, Self, cast

import numpy as np

from hexterra.drawing.lettering import text_width
from hexterra.drawing.svg import Drawing, line_data, polygon_data
from hexterra.values import Value

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: What a line is for.
Layer = Literal[
    "guide", "finish", "wire", "piece", "fold", "mark", "water", "road", "lip", "hidden",
    "dimension",
]  # fmt: skip
Anchor = Literal["start", "middle", "end"]
Place = tuple[float, float]


@dataclass(frozen=True)
class Style:
    """How lines of a layer look: width, dashes and gaps in millimetres, and ink."""

    width_mm: float
    dashes_mm: tuple[float, ...]
    ink: str
    words: str


#: Told apart by width and dashes alone, so that they are in grey print too.
STYLES: Final[dict[Layer, Style]] = {
    "guide": Style(0.4, (), "#000000", "cut the guide along the middle of this line"),
    "finish": Style(0.13, (), "#6e6e6e", "face that the wire leaves"),
    "wire": Style(0.13, (4.0, 1.0, 0.5, 1.0), "#a03010", "path of the middle of the wire"),
    "piece": Style(0.18, (), "#000000", "outline of the finished piece"),
    "fold": Style(0.25, (3.0, 1.5), "#000000", "fold: the top changes its slope"),
    "mark": Style(0.25, (6.0, 1.0), "#000000", "edge of what is glued on or stands here"),
    "water": Style(0.35, (0.8, 1.2), "#0b3569", "bank of a watercourse"),
    "road": Style(0.35, (3.0, 0.8), "#4a3c2e", "edge of a sunken road"),
    "lip": Style(0.7, (), "#0b3569", "lip that water falls over"),
    "hidden": Style(0.13, (1.5, 1.5), "#6e6e6e", "middle line, or end of the tile"),
    "dimension": Style(0.13, (), "#3c3c3c", "dimension"),
}

_ARROW_MM: Final = 2.4
_WORDS_MM: Final = 2.8


@dataclass(frozen=True)
class Stroke:
    """A line through points, or round them if closed; a face if it has a `fill`."""

    layer: Layer
    points: tuple[Place, ...]
    is_closed: bool = False
    fill: str = ""


@dataclass(frozen=True)
class Words:
    """One line of text; `at` is where its baseline starts, has its middle or ends."""

    at: Place
    size_mm: float
    text: str
    anchor: Anchor = "start"
    angle_deg: float = 0.0

    @property
    def corners(self) -> tuple[Place, ...]:
        """Corners of the box around the text."""
        width = text_width(self.text, self.size_mm)
        left = {"start": 0.0, "middle": -width / 2.0, "end": -width}[self.anchor]
        angle = math.radians(self.angle_deg)
        low, high = -0.25 * self.size_mm, 0.8 * self.size_mm
        return tuple(
            (
                self.at[0] + along * math.cos(angle) - up * math.sin(angle),
                self.at[1] + along * math.sin(angle) + up * math.cos(angle),
            )
            for along in (left, left + width)
            for up in (low, high)
        )


@dataclass(frozen=True, eq=False)
class Figure(Value):
    """Lines and words around one piece.

    Parameters
    ----------
    name
        File name without ending: lower-case words joined by hyphens.
    title
        What it shows, in one line.
    strokes, words
        In drawing order, words over strokes.
    notes
        Sentences to print below it.
    """

    name: str
    title: str
    strokes: tuple[Stroke, ...]
    words: tuple[Words, ...] = ()
    notes: tuple[str, ...] = ()

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """Least x and y and greatest x and y of all strokes and words."""
        points = [point for stroke in self.strokes for point in stroke.points]
        points += [corner for words in self.words for corner in words.corners]
        x, y = zip(*points, strict=True)
        return min(x), min(y), max(x), max(y)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        left, low, right, high = self.bounds
        return right - left, high - low

    def moved(self, x_mm: float, y_mm: float) -> Self:
        """Return the figure shifted to the right and up."""
        strokes = tuple(
            replace(stroke, points=tuple((x + x_mm, y + y_mm) for x, y in stroke.points))
            for stroke in self.strokes
        )
        words = tuple(
            replace(item, at=(item.at[0] + x_mm, item.at[1] + y_mm)) for item in self.words
        )
        return replace(self, strokes=strokes, words=words)

    def scaled(self, by: float) -> Self:
        """Return the figure smaller or larger on paper, words and all; line widths stay."""
        strokes = tuple(
            replace(stroke, points=tuple((x * by, y * by) for x, y in stroke.points))
            for stroke in self.strokes
        )
        words = tuple(
            replace(item, at=(item.at[0] * by, item.at[1] * by), size_mm=item.size_mm * by)
            for item in self.words
        )
        return replace(self, strokes=strokes, words=words)

    def layers(self) -> tuple[Layer, ...]:
        """Layers that occur, in the order of `STYLES`."""
        used = {stroke.layer for stroke in self.strokes}
        return tuple(layer for layer in STYLES if layer in used)


def stroke(
    layer: Layer, points: NDArray[np.float64], *, is_closed: bool = False, fill: str = ""
) -> Stroke:
    """Make a stroke from the first two columns of an array of points."""
    places = cast("list[list[float]]", points[:, :2].tolist())
    return Stroke(layer, tuple((x, y) for x, y in places), is_closed, fill)


def joined(figures: Iterable[Figure], *, name: str, title: str, notes: Sequence[str]) -> Figure:
    """Put figures that already lie beside each other into one."""
    held = tuple(figures)
    return Figure(
        name=name,
        title=title,
        strokes=tuple(line for figure in held for line in figure.strokes),
        words=tuple(item for figure in held for item in figure.words),
        notes=tuple(notes),
    )


def dimension(
    start: Sequence[float],
    end: Sequence[float],
    *,
    away_mm: float,
    text: str,
    reach_mm: Sequence[float] = (0.0, 0.0),
) -> tuple[tuple[Stroke, ...], tuple[Words, ...]]:
    """Draw a dimension from one point to another.

    Parameters
    ----------
    start, end
        What is measured, (x, y) each.
    away_mm
        How far the line lies to the left of the way from `start` to `end`; to the right if
        negative.
    text
        Written along it, readable from below or from the right.
    reach_mm
        How much longer the lines to the two points are than to `start` and `end`, where what is
        measured lies further in.
    """
    x, y = end[0] - start[0], end[1] - start[1]
    length = math.hypot(x, y)
    along, left = (x / length, y / length), (-y / length, x / length)

    def at(origin: Sequence[float], forward: float, aside: float) -> Place:
        return (
            origin[0] + along[0] * forward + left[0] * aside,
            origin[1] + along[1] * forward + left[1] * aside,
        )

    sign = math.copysign(1.0, away_mm)
    is_narrow = length < 2.5 * _ARROW_MM + 0.5
    inward = -1.0 if is_narrow else 1.0  # arrows stand outside where there is no room
    lines = [
        Stroke("dimension", (at(point, 0.0, sign * (1.0 - reach)), at(point, 0.0, away_mm + sign)))
        for point, reach in zip((start, end), reach_mm, strict=True)
    ]
    for point, way in ((start, inward), (end, -inward)):
        tip = at(point, 0.0, away_mm)
        barbs = [at(point, way * _ARROW_MM, away_mm + side * _ARROW_MM / 6.0) for side in (1, -1)]
        lines.append(Stroke("dimension", (tip, *barbs), is_closed=True, fill="#3c3c3c"))
    over = 2.5 * _ARROW_MM if is_narrow else 0.0
    lines.append(Stroke("dimension", (at(start, -over, away_mm), at(end, over, away_mm))))
    angle = math.degrees(math.atan2(y, x))
    is_upside_down = not -90.0 + 1e-6 < angle <= 90.0 + 1e-6
    angle = angle - math.copysign(180.0, angle) if is_upside_down else angle
    baseline = -1.0 - 0.75 * _WORDS_MM if is_upside_down else 1.0
    if fits(text, length):
        where = at(start, length / 2.0, away_mm + baseline)
        return tuple(lines), (Words(where, _WORDS_MM, text, "middle", angle),)
    forward = length + over + 1.0
    aside = 0.35 * _WORDS_MM if is_upside_down else -0.35 * _WORDS_MM
    where = at(start, forward, away_mm + aside)
    anchor: Anchor = "end" if is_upside_down else "start"
    return tuple(lines), (Words(where, _WORDS_MM, text, anchor, angle),)


def fits(text: str, length_mm: float) -> bool:
    """Tell whether a dimension of this length has room for its words between the arrows."""
    return text_width(text, _WORDS_MM) <= length_mm


def figure_svg(figure: Figure, *, margin_mm: float = 5.0) -> str:
    """Write a figure as an SVG document at its own size, one group for each layer."""
    left, low, right, high = figure.bounds
    page = Drawing(right - left + 2.0 * margin_mm, high - low + 2.0 * margin_mm, figure.title)
    x0, y0 = margin_mm - left, margin_mm + high
    for layer in figure.layers():
        style = STYLES[layer]
        looks: dict[str, str | float] = {
            "id": layer,
            "fill": "none",
            "stroke": style.ink,
            "stroke_width": style.width_mm,
            "stroke_linejoin": "round",
        }
        if style.dashes_mm:
            looks["stroke_dasharray"] = " ".join(f"{dash:g}" for dash in style.dashes_mm)
        page.open(**looks)
        for line in figure.strokes:
            if line.layer == layer:
                points = [(x + x0, y0 - y) for x, y in line.points]
                data = polygon_data(points) if line.is_closed else line_data(points)
                page.path(data, **({"fill": line.fill} if line.fill else {}))
        page.close()
    if figure.words:
        page.open(id="words", fill="#000000")
        for item in figure.words:
            x, y = item.at[0] + x0, y0 - item.at[1]
            turned = {"transform": f"rotate({-item.angle_deg:.3f} {x:.3f} {y:.3f})"}
            page.text(
                x,
                y,
                item.size_mm,
                item.text,
                text_anchor=item.anchor,
                **(turned if abs(item.angle_deg) > 1e-9 else {}),
            )
        page.close()
    return page.to_text()
