"""What the lines of guides and drawings with dimensions mean, and how each meaning looks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

from hexterra.drawing.lettering import text_width
from hexterra.drawing.scene import Anchor, Lines, Point, Style, Text

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

#: What a line is for.
Meaning = Literal[
    "guide", "finish", "wire", "loop", "piece", "fold", "mark", "water", "road", "lip", "hidden",
    "dimension",
]  # fmt: skip


@dataclass(frozen=True)
class LineLayer:
    """What lines of one meaning look like, their description, and their colour number in DXF."""

    style: Style
    words: str
    dxf_colour: int


def _layer(
    width_mm: float, dashes_mm: tuple[float, ...], ink: str, dxf_colour: int, words: str
) -> LineLayer:
    return LineLayer(Style(ink, width_mm, dashes_mm), words, dxf_colour)


#: They differ in width and dashes, so that they can be told apart in print without colour.
LAYERS: Final[dict[Meaning, LineLayer]] = {
    "guide": _layer(0.4, (), "#000000", 7, "cut the guide along the middle of this line"),
    "finish": _layer(0.13, (), "#6e6e6e", 8, "face that the wire leaves"),
    "wire": _layer(0.13, (4.0, 1.0, 0.5, 1.0), "#a03010", 1, "path of the middle of the wire"),
    "loop": _layer(0.4, (4.0, 1.0, 0.5, 1.0), "#000000", 4, "bend the wire of a loop to this line"),
    "piece": _layer(0.18, (), "#000000", 7, "outline of the finished piece"),
    "fold": _layer(0.25, (3.0, 1.5), "#000000", 3, "fold: the top changes its slope"),
    "mark": _layer(0.25, (6.0, 1.0), "#000000", 6, "edge of what is glued on or stands here"),
    "water": _layer(0.35, (0.8, 1.2), "#0b3569", 5, "bank of a watercourse"),
    "road": _layer(0.35, (3.0, 0.8), "#4a3c2e", 30, "edge of a sunken road"),
    "lip": _layer(0.7, (), "#0b3569", 5, "lip that water falls over"),
    "hidden": _layer(0.13, (1.5, 1.5), "#6e6e6e", 9, "middle line, or end of the tile"),
    "dimension": _layer(0.13, (), "#3c3c3c", 8, "dimension"),
}

_ARROW_MM: Final = 2.4
#: Size of the words of dimensions.
WORDS_MM: Final = 2.8


def stroke(
    layer: Meaning,
    points: Sequence[Sequence[float]] | NDArray[np.float64],
    *,
    is_closed: bool = False,
    fill: str = "",
) -> Lines:
    """Return a line with a meaning through the first two coordinates of each point."""
    style = LAYERS[layer].style
    places = [(float(point[0]), float(point[1])) for point in points]
    course = "closed" if is_closed else "open"
    return Lines(places, replace(style, fill=fill) if fill else style, course, layer)  # pyright: ignore[reportArgumentType] - read as an array


def dimension(
    start: Sequence[float],
    end: Sequence[float],
    *,
    away_mm: float,
    text: str,
    reach_mm: Sequence[float] = (0.0, 0.0),
) -> list[Lines | Text]:
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

    def at(origin: Sequence[float], forward: float, aside: float) -> Point:
        return (
            origin[0] + along[0] * forward + left[0] * aside,
            origin[1] + along[1] * forward + left[1] * aside,
        )

    sign = math.copysign(1.0, away_mm)
    is_narrow = length < 2.5 * _ARROW_MM + 0.5
    inward = -1.0 if is_narrow else 1.0  # arrows stand outside where there is no room
    items: list[Lines | Text] = [
        stroke("dimension", (at(point, 0.0, sign * (1.0 - reach)), at(point, 0.0, away_mm + sign)))
        for point, reach in zip((start, end), reach_mm, strict=True)
        if away_mm or reach  # else the arrows touch what is measured
    ]
    for point, way in ((start, inward), (end, -inward)):
        tip = at(point, 0.0, away_mm)
        barbs = [at(point, way * _ARROW_MM, away_mm + side * _ARROW_MM / 6.0) for side in (1, -1)]
        ink = LAYERS["dimension"].style.ink
        items.append(stroke("dimension", (tip, *barbs), is_closed=True, fill=ink))
    over = 2.5 * _ARROW_MM if is_narrow else 0.0
    items.append(stroke("dimension", (at(start, -over, away_mm), at(end, over, away_mm))))
    angle = math.degrees(math.atan2(y, x))
    is_upside_down = not -90.0 + 1e-6 < angle <= 90.0 + 1e-6
    angle = angle - math.copysign(180.0, angle) if is_upside_down else angle
    if has_room(text, length):
        baseline = -1.0 - 0.75 * WORDS_MM if is_upside_down else 1.0
        where = at(start, length / 2.0, away_mm + baseline)
        return [*items, Text(where, WORDS_MM, text, "middle", angle)]
    aside = 0.35 * WORDS_MM if is_upside_down else -0.35 * WORDS_MM
    where = at(start, length + over + 1.0, away_mm + aside)
    anchor: Anchor = "end" if is_upside_down else "start"
    return [*items, Text(where, WORDS_MM, text, anchor, angle)]


def has_room(text: str, length_mm: float) -> bool:
    """Return whether a dimension of this length has room for its words between the arrows."""
    return text_width(text, WORDS_MM) <= length_mm
