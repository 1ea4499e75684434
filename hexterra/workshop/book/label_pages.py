"""Labels of the build book, to be cut out and stuck under the tiles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import N_SIDES
from hexterra.workshop.book.book_words import first_corner, stack_words
from hexterra.workshop.book.paper import BOLD, GREY, INK, TEXT_MM, Format, Page, Pen, wrapped
from hexterra.workshop.book.relief import wedge_points

if TYPE_CHECKING:
    from hexterra.stages.schedule.schedule import Schedule

_COLUMNS: Final = 4
_HEIGHT_MM: Final = 18.6
_ICON_MM: Final = 15.0
_LEAD: Final = (
    "Each drawing shows its tile from below, the back of the board up. Stick the label under the"
    " tile so that outline, wedge (first corner), watercourse and sunken road (dashes) of drawing"
    " and tile agree: then the small arrow always points to the back of the board."
)


def label_pages(schedule: Schedule, paper: Format) -> list[Page]:
    """Draw a label for every tile, in rows from the front left."""
    left, top, width, height = paper.room_mm
    lead = wrapped(_LEAD, width, TEXT_MM)
    start = top + 1.4 * TEXT_MM * len(lead) + 2.0
    per_page = _COLUMNS * int((top + height - start) // _HEIGHT_MM)
    cells = range(schedule.board.n_cells)
    pages: list[Page] = []
    for first in cells[::per_page]:
        held = cells[first : first + per_page]

        def paint(pen: Pen, held: range = held) -> None:
            y = top + TEXT_MM
            for line in lead:
                pen.text(left, y, line)
                y += 1.4 * TEXT_MM
            for place, cell in enumerate(held):
                line, column = divmod(place, _COLUMNS)
                x = left + column * width / _COLUMNS
                _label(pen, schedule, cell, x, start + line * _HEIGHT_MM, width / _COLUMNS)

        names = schedule.board.labels
        heading = f"Labels {names[held[0]]} to {names[held[-1]]}"
        pages.append(Page(heading, paint, entry="" if first else "Labels to stick under tiles"))
    return pages


def _label(pen: Pen, schedule: Schedule, cell: int, x: float, y: float, width: float) -> None:
    pen.rectangle(x, y, width, _HEIGHT_MM, ink=GREY, line=0.1)
    _from_below(pen, schedule, cell, x + 1.0 + _ICON_MM / 2.0, y + _HEIGHT_MM / 2.0 + 1.0)
    text_x, room = x + _ICON_MM + 2.5, width - _ICON_MM - 3.5
    level = int(schedule.tiles.level[cell])
    pen.text(text_x, y + 5.4, schedule.board.labels[cell], size=4.6, font=BOLD, within=0.6 * room)
    pen.text(x + width - 1.2, y + 5.4, f"level {level}", size=2.5, align="right")
    stack = f"on {stack_words(schedule, level)} mm" if level else "on no spacers"
    pen.text(text_x, y + 9.0, stack, size=2.3, within=room)
    lines = wrapped(schedule.piece_names[cell], room, 2.2)
    for number, line in enumerate(lines[:3]):
        pen.text(text_x, y + 12.2 + 2.7 * number, line, size=2.2, within=room)


def _from_below(pen: Pen, schedule: Schedule, cell: int, x: float, y: float) -> None:
    """Draw a tile from below, the back of the board up: left and right change places."""
    board, tiles = schedule.board, schedule.tiles
    flats = 0.78 * _ICON_MM * (np.sqrt(3.0) / 2.0 if board.facing == "points" else 1.0)
    kept_x, kept_y = board.kept[cell].tolist()
    outline = hexagon.part_outline(1.0, board.facing, kept_x, kept_y)
    middle = (outline.min(axis=0) + outline.max(axis=0)) / 2.0

    def place(points: NDArray[np.float64]) -> list[list[float]]:
        return ((points - middle) * (-flats, -flats) + (x, y)).tolist()

    pen.polygon(place(outline), ink=INK, width=0.2)
    corner = hexagon.corner_offsets(1.0, board.facing)
    water = tiles.legal.water
    wet = water.ports[cell] if water is not None else np.zeros(N_SIDES, dtype=np.bool_)
    centre = board.kept[cell] * corner.max(axis=0) / 2.0
    for ports, dashes in ((wet, ()), (schedule.cuts.road[cell], (0.9, 0.6))):
        for side in np.flatnonzero(ports).tolist():
            port = (corner[side] + corner[(side + 1) % N_SIDES]) / 2.0
            pen.line(place(np.array([port, centre])), width=0.6, dashes=dashes)
    if first_corner(schedule, cell):
        turn = int(schedule.turn[cell])
        pen.polygon(place(wedge_points(corner[turn], np.zeros(2), 1.0)), fill=INK)
    up = y - float(np.ptp(outline[:, 1])) * flats / 2.0 - 0.8
    pen.polygon(((x, up - 1.9), (x + 1.0, up), (x - 1.0, up)), ink=INK, width=0.2)
