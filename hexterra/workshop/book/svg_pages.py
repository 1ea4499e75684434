"""SVG -> PDF: the drawings of `hexterra.drawing.svg` put on a page as they are, not as pixels.

Only what that writer writes is understood: groups, paths of straight lines and quadratic curves,
rectangles, circles and single lines of text, in millimetres.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final
from xml.etree import ElementTree

from hexterra.drawing.pdf_pages import POINTS_PER_MM
from hexterra.workshop.book.paper import BOLD, FONT, Align, Pen, colour, text_mm

_TOKEN: Final = re.compile(r"[MLQZ]|-?[\d.]+")
_COUNTS: Final = {"M": 2, "L": 2, "Q": 4, "Z": 0}
_ALIGN: Final[dict[str, Align]] = {"start": "left", "middle": "middle", "end": "right"}
_JOINS: Final = {"miter": 0, "round": 1, "bevel": 2}
_CAPS: Final = {"butt": 0, "round": 1, "square": 2}
#: Faces that touch are outlined this wide in their own ink, so that no gap shows between them.
_SEAM_MM: Final = 0.08

#: What lines that can be seen through are mixed with: a middling tint of the map.
_GROUND: Final = (150, 160, 140)
#: A halo around letters becomes a ground behind them, this opaque.
_HALO: Final = 0.88

#: A letter of a path and the numbers after it.
Segment = tuple[str, tuple[float, ...]]


@dataclass(frozen=True)
class Shape:
    """A path, rectangle or circle, and its looks."""

    segments: tuple[Segment, ...]
    circle: tuple[float, float, float] | None
    looks: dict[str, str]


@dataclass(frozen=True)
class Caption:
    """One line of text, and its looks."""

    x: float
    y: float
    size_mm: float
    words: str
    looks: dict[str, str]


@dataclass(frozen=True)
class Vectors:
    """An SVG drawing taken apart, in drawing order."""

    width_mm: float
    height_mm: float
    shapes: tuple[Shape, ...]
    captions: tuple[Caption, ...]


def read_svg(svg: str) -> Vectors:
    """Take a drawing of `hexterra.drawing.svg.Drawing` apart."""
    root = ElementTree.fromstring(svg)
    shapes: list[Shape] = []
    captions: list[Caption] = []
    for tag, looks, words in _elements(root, {}):
        if tag == "text":
            place = float(looks["x"]), float(looks["y"]), float(looks["font-size"])
            captions.append(Caption(*place, words, looks))
        elif tag == "path":
            shapes.append(Shape(tuple(_segments(looks["d"])), None, looks))
        elif tag == "circle":
            circle = float(looks["cx"]), float(looks["cy"]), float(looks["r"])
            shapes.append(Shape((), circle, looks))
        elif tag == "rect":
            x, y, width, height = (float(looks[name]) for name in ("x", "y", "width", "height"))
            right, low = x + width, y + height
            corners = ((x, y), (right, y), (right, low), (x, low))
            outline = [("L" if n else "M", corner) for n, corner in enumerate(corners)]
            shapes.append(Shape((*outline, ("Z", ())), None, looks))
    width_mm, height_mm = (
        float(root.attrib[name].removesuffix("mm")) for name in ("width", "height")
    )
    return Vectors(width_mm, height_mm, tuple(shapes), tuple(captions))


def _elements(
    element: ElementTree.Element, inherited: dict[str, str]
) -> Iterator[tuple[str, dict[str, str], str]]:
    """Walk a drawing; each element comes with the looks that its groups give it."""
    for child in element:
        tag = child.tag.rpartition("}")[2]
        looks = {**inherited, **child.attrib}
        if tag == "g":
            yield from _elements(child, looks)
        else:
            yield tag, looks, child.text or ""


def _segments(data: str) -> Iterator[Segment]:
    tokens = _TOKEN.findall(data)
    letter, place = "M", 0
    while place < len(tokens):
        if tokens[place] in _COUNTS:
            letter = tokens[place]
            place += 1
        count = _COUNTS[letter]
        yield letter, tuple(float(token) for token in tokens[place : place + count])
        place += count


def draw_shapes(canvas: Any, shapes: Sequence[Shape], height_mm: float) -> None:
    """Draw shapes on a canvas at full size, with the drawing's lower left corner at the origin."""
    for shape in shapes:
        looks = shape.looks
        fill, ink = looks.get("fill", "#000000"), looks.get("stroke", "none")
        width_mm = float(looks.get("stroke-width", "1"))
        if fill != "none" and looks.get("shape-rendering") == "crispEdges":
            ink, width_mm = fill, _SEAM_MM
        if fill != "none":
            canvas.setFillColor(colour(fill))
        if ink != "none":
            canvas.setStrokeColor(colour(_mixed(ink, float(looks.get("stroke-opacity", "1")))))
            canvas.setLineWidth(width_mm * POINTS_PER_MM)
            canvas.setLineJoin(_JOINS[looks.get("stroke-linejoin", "miter")])
            canvas.setLineCap(_CAPS[looks.get("stroke-linecap", "butt")])
            dashes = looks.get("stroke-dasharray", "").split()
            canvas.setDash([float(dash) * POINTS_PER_MM for dash in dashes])
        drawn = {"stroke": int(ink != "none"), "fill": int(fill != "none")}
        if shape.circle is not None:
            x, y, radius = shape.circle
            middle = x * POINTS_PER_MM, (height_mm - y) * POINTS_PER_MM
            canvas.circle(*middle, radius * POINTS_PER_MM, **drawn)
            continue
        is_even_odd = looks.get("fill-rule") == "evenodd"
        canvas.drawPath(_path(canvas, shape.segments, height_mm), fillMode=0 if is_even_odd else 1,
                        **drawn)  # fmt: skip
    canvas.setDash([])
    canvas.setLineCap(0)


def _mixed(ink: str, opacity: float) -> str:
    """Return the ink that a see-through line has on a middling ground.

    A form that a PDF keeps to be shown again knows no opacity in reportlab.
    """
    channels = (int(ink[at : at + 2], 16) for at in (1, 3, 5))
    mixed = (
        round(c * opacity + g * (1.0 - opacity)) for c, g in zip(channels, _GROUND, strict=True)
    )
    return "#" + "".join(f"{channel:02x}" for channel in mixed)


def _path(canvas: Any, segments: Sequence[Segment], height_mm: float) -> Any:
    path = canvas.beginPath()
    x0 = y0 = 0.0
    for letter, numbers in segments:
        if letter == "Z":
            path.close()
            continue
        points = [
            (x * POINTS_PER_MM, (height_mm - y) * POINTS_PER_MM)
            for x, y in zip(numbers[::2], numbers[1::2], strict=True)
        ]
        if letter == "M":
            path.moveTo(*points[0])
        elif letter == "L":
            path.lineTo(*points[0])
        else:  # the cubic curve that a quadratic one is
            (via_x, via_y), (x, y) = points
            one = x0 + (via_x - x0) * 2.0 / 3.0, y0 + (via_y - y0) * 2.0 / 3.0
            two = x + (via_x - x) * 2.0 / 3.0, y + (via_y - y) * 2.0 / 3.0
            path.curveTo(*one, *two, x, y)
        x0, y0 = points[-1]
    return path


def draw_caption(pen: Pen, caption: Caption, x: float, y: float, scale: float) -> None:
    """Write one line of a drawing at a place of the page, on a pale ground if it has a halo."""
    looks, size = caption.looks, caption.size_mm * scale
    font = BOLD if looks.get("font-weight") == "bold" else FONT
    align = _ALIGN[looks.get("text-anchor", "start")]
    if "stroke" in looks:
        width = text_mm(caption.words, size, font) + 0.2 * size
        shift = {"left": 0.0, "middle": -0.5, "right": -1.0}[align]
        pen.rectangle(x + shift * width, y - 0.84 * size, width, 0.96 * size, fill=looks["stroke"],
                      opacity=_HALO)  # fmt: skip
    pen.text(x, y, caption.words, size=size, font=font, align=align, ink=looks["fill"])
