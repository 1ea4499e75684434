"""Labels of the build book, to be cut out and stuck under the tiles."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing.board_plan import GREY
from hexterra.drawing.flowables import Picture, broken, section
from hexterra.drawing.map_style import arrow_heads
from hexterra.drawing.scene import INK, Item, Lines, Scene, Style, Text, rectangle
from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import N_SIDES
from hexterra.workshop.book.book_words import first_corner, stack_words
from hexterra.workshop.book.layout import CONTENT_MM, lead

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

    from hexterra.stages.schedule.schedule import Schedule

_COLUMNS: Final = 4
_WIDTH_MM: Final = CONTENT_MM / _COLUMNS
_HEIGHT_MM: Final = 18.6
_ICON_MM: Final = 15.0
_WORDS: Final = (
    "Each drawing shows its tile from below, the back of the board up. Stick the label under the"
    " tile so that outline, wedge (first corner), watercourse and sunken road (dashes) of drawing"
    " and tile agree: then the small arrow always points to the back of the board."
)


def label_pages(schedule: Schedule) -> list[Flowable]:
    """Draw a label for every tile, in rows from the front left."""
    rows: list[Flowable] = []
    cells = range(schedule.board.n_cells)
    for first in cells[::_COLUMNS]:
        row = cells[first : first + _COLUMNS]
        items = [
            item
            for place, cell in enumerate(row)
            for item in _label(schedule, cell, place * _WIDTH_MM)
        ]
        page_mm = len(row) * _WIDTH_MM, _HEIGHT_MM
        rows.append(Picture(Scene(tuple(items), page_mm=page_mm), "LEFT"))
    return section("Labels to stick under tiles", [lead(_WORDS), *rows])


def _label(schedule: Schedule, cell: int, x: float) -> Iterator[Item]:
    yield Lines(rectangle(x, 0.0, _WIDTH_MM, _HEIGHT_MM), Style(GREY, 0.1), "closed")
    middle = np.array((x + 1.0 + _ICON_MM / 2.0, _HEIGHT_MM / 2.0 - 1.0))
    yield from _from_below(schedule, cell, middle)
    left, room = x + _ICON_MM + 2.5, _WIDTH_MM - _ICON_MM - 3.5
    level, name = int(schedule.tiles.level[cell]), schedule.board.labels[cell]
    stack = f"on {stack_words(schedule, level)} mm" if level else "on no spacers"
    yield Text((left, _HEIGHT_MM - 5.4), 4.6 if len(name) < 5 else 3.6, name, is_bold=True)
    yield Text((x + _WIDTH_MM - 1.2, _HEIGHT_MM - 5.4), 2.5, f"level {level}", "end")
    lines = [(2.3, line) for line in broken(stack, room, 2.3)]
    lines += [(2.2, line) for line in broken(schedule.piece_names[cell], room, 2.2)]
    for number, (size, line) in enumerate(lines[:4]):
        yield Text((left, _HEIGHT_MM - 9.0 - 2.8 * number), size, line)


def _from_below(schedule: Schedule, cell: int, at: NDArray[np.float64]) -> Iterator[Item]:
    """Draw a tile from below, the back of the board up: left and right change places."""
    board, tiles = schedule.board, schedule.tiles
    flats = 0.78 * _ICON_MM * (np.sqrt(3.0) / 2.0 if board.facing == "points" else 1.0)
    kept_x, kept_y = board.kept[cell].tolist()
    outline = hexagon.part_outline(1.0, board.facing, kept_x, kept_y)
    middle = (outline.min(axis=0) + outline.max(axis=0)) / 2.0

    def place(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return (points - middle) * (-flats, flats) + at

    yield Lines(place(outline), Style(INK, 0.2), "closed")
    corner = hexagon.corner_offsets(1.0, board.facing)
    port = (corner + np.roll(corner, -1, axis=0)) / 2.0
    water = tiles.legal.water
    wet = water.ports[cell] if water is not None else np.zeros(N_SIDES, dtype=np.bool_)
    centre = board.kept[cell] * corner.max(axis=0) / 2.0
    for ports, dashes in ((wet, ()), (schedule.cuts.road[cell], (0.9, 0.6))):
        for side in np.flatnonzero(ports).tolist():
            yield Lines(place(np.array([port[side], centre])), Style(INK, 0.6, dashes))
    if first_corner(schedule, cell):
        tip = corner[[schedule.turn[cell]]]
        wedge = tip + arrow_heads(tip, 1.0, ahead=-0.05, behind=0.19, half=0.07)[0]
        yield Lines(place(wedge), Style(fill=INK), "closed")
    x, up = float(at[0]), float(at[1] + np.ptp(outline[:, 1]) * flats / 2.0 + 0.8)
    arrow = np.array([[x, up + 1.9], [x + 1.0, up], [x - 1.0, up]])
    yield Lines(arrow, Style(INK, 0.2), "closed")
