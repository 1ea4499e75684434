"""Pieces -> thumbnails: how a piece lies on a plan, small, with its folds, channels and corners."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.drawing.layers import stroke
from hexterra.drawing.scene import INK, Circles, Item, Scene, Style, Text
from hexterra.lattice.hexagon import N_SIDES
from hexterra.workshop.templates.footprints import kept_corners

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.workshop.solids.courses import Course
    from hexterra.workshop.solids.solids import Solid

#: A whole hexagon across flats on paper.
_FLATS_MM: Final = 17.0
_WORDS_MM: Final = 2.0
#: Room for one thumbnail with its words.
_CELL_MM: Final = (22.0, 24.0)
_ROWS: Final = 4
_IN_A_ROW: Final = 6


def thumbnail(
    solid: Solid,
    words: Iterable[str],
    *,
    turn: int,
    to_plan: NDArray[np.float64],
    course: Course | None = None,
) -> Scene:
    """Draw how a piece lies on a plan that is turned by `turn` sides on it.

    Corners have the numbers of the plan, a dot marks those that are raised, and what the board's
    edge cuts away is dashed. `to_plan` maps the plan's own frame to that on paper, (2, 2).
    """
    scale = _FLATS_MM / solid.across_flats_mm
    angle = -math.radians(60.0 * turn)
    back = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])

    def place(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return scale * points[:, :2] @ back @ to_plan

    corner = place(solid.corner_mm())
    items: list[Item] = [stroke("hidden", corner, is_closed=True)]
    items.append(stroke("piece", place(solid.outline_mm), is_closed=True, fill="#ececec"))
    items += [stroke("fold", place(crease)) for crease in solid.creases_mm]
    if course is not None:
        items += [stroke(course.what, place(line)) for line in solid.channels_mm(course)]
    for number in kept_corners(solid):
        x, y = (0.72 * corner[number]).tolist()
        items.append(Text((x, y - 0.7), _WORDS_MM, str((number - turn) % N_SIDES), "middle"))
        if solid.rises[number]:
            items.append(Circles(corner[[number]], 0.8, Style(fill=INK)))
    low = -_FLATS_MM / math.sqrt(3.0) - 2.2
    items += [
        Text((0.0, low - 2.4 * line), _WORDS_MM, word, "middle") for line, word in enumerate(words)
    ]
    return Scene(tuple(items))


def beside(
    scene: Scene, thumbnails: Sequence[Scene], low: float, *, most_columns: int
) -> list[Item]:
    """Lay thumbnails to the right of a scene, in so many columns at most, others in rows below.

    `low` is where what lies below the scene ends.
    """
    width, height = _CELL_MM
    left, _, right, top = scene.bounds
    n_columns = 1 if len(thumbnails) <= _ROWS else most_columns
    items: list[Item] = []
    for number, one in enumerate(thumbnails):
        row, column = divmod(number, n_columns)
        x, y = right + (column + 0.5) * width, top - (row + 0.45) * height
        if number >= n_columns * _ROWS:
            row, column = divmod(number - n_columns * _ROWS, _IN_A_ROW)
            x, y = left + (column + 0.5) * width, low - (row + 0.45) * height
        items += one.placed(x, y).items
    return items
