"""Plans: the board's hexagons with a word in each, and names around them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing import map_features
from hexterra.drawing.lettering import text_width
from hexterra.drawing.map_style import MapSheet, edge_names
from hexterra.drawing.scene import INK, WHITE, Bounds, Item, Lines, Scene, Style, Text, rectangle

if TYPE_CHECKING:
    from hexterra.stages.mapping.ways import Ways
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.stages.water.flow import Watercourses

#: Room for the names of columns and rows around a plan.
NAMES_MM: Final = 9.0
GREY: Final = "#5a5a5a"
PALE: Final = "#e6e6e6"
_WORD_MM: Final = 3.0


def board_plan(
    schedule: Schedule,
    word: Callable[[int], str],
    *,
    room_mm: tuple[float, float],
    water: Watercourses | None = None,
    roads: Ways | None = None,
    shaded: NDArray[np.bool_] | None = None,
) -> Scene:
    """Draw a plan of the board.

    Parameters
    ----------
    schedule
        The board.
    word
        Returns what to write in a cell.
    room_mm
        Width and height that the plan may take.
    water
        Watercourses to draw; none by default.
    roads
        Roads to draw; none by default.
    shaded
        Cells to shade, (n_cells,) bool; those with water by default.
    """
    board = schedule.board
    if shaded is None:
        shaded = water.is_watercourse if water is not None else np.zeros(board.n_cells, bool)
    scale = float(((np.array(room_mm) - 2.0 * NAMES_MM) / board.size_mm).min())
    sheet = MapSheet(board, scale, NAMES_MM, NAMES_MM)
    middle = sheet.middle()
    items: list[Item] = [
        Lines(
            sheet.place(board.outline_mm(cell)),
            Style(GREY, 0.1, fill=PALE if shaded[cell] else ""),
            "closed",
        )
        for cell in range(board.n_cells)
    ]
    if water is not None:
        items += map_features.draw_water(sheet, water, schedule.cuts)
    if roads is not None:
        items += map_features.draw_roads(sheet, roads, schedule.cuts)
    for cell, (x, y) in enumerate(middle.tolist()):
        share = 0.42 if board.kept[cell, 0] else 0.8
        items += _word(word(cell), x, y, share * sheet.flats_mm, sheet.flats_mm)
    items += names_around(sheet, np.arange(board.n_cells), sheet.box)
    width, depth = (scale * side + 2.0 * NAMES_MM for side in board.size_mm)
    return Scene(tuple(items), page_mm=(width, depth))


def names_around(sheet: MapSheet, cells: NDArray[np.intp], box: Bounds) -> Iterator[Item]:
    """Name columns above and below a box, rows beside it, and what lies beyond."""
    yield from edge_names(sheet, cells, box, 3.2, INK)
    board, rows = sheet.board, sheet.board.row[cells]
    left, low, right, high = box
    for end, edge, way, y in (
        (rows.min() == board.row.min(), "front edge of the board", "toward the front", low - 8.0),
        (rows.max() == board.row.max(), "back edge of the board", "toward the back", high + 5.4),
    ):
        words = edge if end else way
        yield Text(((left + right) / 2.0, y), 2.7, words, "middle", ink=GREY)


def _word(words: str, x: float, y: float, width: float, flats: float) -> Iterator[Item]:
    """Write a word in the middle of a hexagon, on a pale ground."""
    if not words:
        return
    size = min(_WORD_MM, 0.26 * flats, width / text_width(words, 1.0))
    half = 0.52 * text_width(words, size)
    ground = rectangle(x - half, y - 0.5 * size, 2.0 * half, size)
    yield Lines(ground, Style(fill=WHITE, opacity=0.85), "closed")
    yield Text((x, y - 0.36 * size), size, words, "middle")
