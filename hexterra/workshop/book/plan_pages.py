"""Plans of the build book: the board's hexagons with a word in each, and names around them."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import corner_offsets
from hexterra.workshop.book.paper import BOLD, GREY, INK, PALE, WHITE, Format, Page, Pen, text_mm

if TYPE_CHECKING:
    from hexterra.lattice.board import Board
    from hexterra.stages.mapping.ways import Ways
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.stages.water.flow import Watercourses

#: Room for the names of columns and rows around a plan.
NAMES_MM: Final = 9.0
_WORD_MM: Final = 3.0
#: Room for what is said below a plan.
_KEY_MM: Final = 9.0


def plan_page(
    schedule: Schedule, heading: str, upright: Format, lying: Format, word: Callable[[int], str],
    water: Watercourses | None = None, roads: Ways | None = None,
    pale: NDArray[np.bool_] | None = None, key: str = "",
) -> Page:  # fmt: skip
    """Return a page with the plan of the board.

    Parameters
    ----------
    schedule
        The board.
    heading
        Of the page.
    upright, lying
        The paper; a wide board lies.
    word
        Told a cell, says what to write in it.
    water
        Watercourses to draw; none by default.
    roads
        Roads to draw; none by default.
    pale
        Cells to shade, (n_cells,) bool; those with water by default.
    key
        What to say below the plan.
    """
    board = schedule.board
    shaded = pale if pale is not None else water.is_watercourse if water is not None else None
    board_mm = np.array(board.size_mm)
    is_lying = bool(board_mm[0] > board_mm[1])
    left, top, width, height = (lying if is_lying else upright).room_mm
    room = np.array([width, height - (_KEY_MM if key else 0.0)]) - 2.0 * NAMES_MM
    scale = float((room / board_mm).min())
    flats = scale * board.across_flats_mm
    x0, y0 = left + (width - scale * float(board_mm[0])) / 2.0, top + NAMES_MM

    def place(points: NDArray[np.float64]) -> NDArray[np.float64]:
        x = x0 + points[:, 0] * scale
        return np.column_stack([x, y0 + (board_mm[1] - points[:, 1]) * scale])

    def paint(pen: Pen) -> None:
        shift = board.kept * corner_offsets(board.across_flats_mm, board.facing).max(axis=0) / 2.0
        middle = place(board.centre_mm + shift)
        for cell in range(board.n_cells):
            fill = PALE if shaded is not None and shaded[cell] else ""
            pen.polygon(place(board.outline_mm(cell)).tolist(), ink=GREY, width=0.1, fill=fill)
        if water is not None:
            _draw_water(pen, board, water, place, middle)
        if roads is not None:
            _draw_roads(pen, schedule, roads, place, middle, flats)
        for cell in range(board.n_cells):
            share = 0.42 if board.kept[cell, 0] else 0.8
            x, y = middle[cell].tolist()
            _write(pen, word(cell), x, y, share * flats, flats)
        everything = np.ones(board.n_cells, dtype=bool)
        window = (x0, y0, *(scale * board_mm).tolist())
        name_edges(pen, board, everything, place(board.centre_mm), window)
        if key:
            pen.lines(left, y0 + window[3] + NAMES_MM + 4.5, key, width, size=2.7)

    return Page(heading, paint, is_lying, heading, 1)


def _draw_water(
    pen: Pen, board: Board, water: Watercourses,
    place: Callable[[NDArray[np.float64]], NDArray[np.float64]], middle: NDArray[np.float64],
) -> None:  # fmt: skip
    """Draw watercourses through the middles of cells, an arrow on every side they leave by."""
    corner = corner_offsets(board.across_flats_mm, board.facing)
    port = (corner + np.roll(corner, -1, axis=0)) / 2.0
    for cell in np.flatnonzero(water.is_watercourse).tolist():
        at = place(board.centre_mm[cell] + port)
        for side in np.flatnonzero(water.ports[cell]).tolist():
            pen.line((at[side].tolist(), middle[cell].tolist()), width=0.7)
        out = int(water.outflow[cell])
        if out >= 0:
            ahead = at[out] - middle[cell]
            ahead /= np.linalg.norm(ahead)
            across = np.array([-ahead[1], ahead[0]])
            foot = at[out] - 1.2 * ahead
            head = (at[out] + 1.2 * ahead, foot + 1.0 * across, foot - 1.0 * across)
            pen.polygon([point.tolist() for point in head], fill=INK)


def _draw_roads(
    pen: Pen, schedule: Schedule, roads: Ways,
    place: Callable[[NDArray[np.float64]], NDArray[np.float64]], middle: NDArray[np.float64],
    flats: float,
) -> None:  # fmt: skip
    """Draw roads through the middles of cells as double lines, broken where they are sunken."""
    board = schedule.board
    corner = corner_offsets(board.across_flats_mm, board.facing)
    port = (corner + np.roll(corner, -1, axis=0)) / 2.0
    width, dash = 0.14 * flats, 0.13 * flats
    halves = [
        (place(board.centre_mm[cell] + port)[side].tolist(), middle[cell].tolist(),
         bool(schedule.cuts.road[cell, side]))
        for cell, side in np.argwhere(roads.any_ports).tolist()
    ]  # fmt: skip
    for start, end, _ in halves:
        pen.line((start, end), width=width)
    for start, end, is_sunken in halves:
        pen.line((start, end), width=0.6 * width, ink=WHITE,
                 dashes=(dash, dash) if is_sunken else ())  # fmt: skip


def _write(pen: Pen, words: str, x: float, y: float, width: float, flats: float) -> None:
    """Write a word in the middle of a hexagon, on a pale ground."""
    if not words:
        return
    size = min(_WORD_MM, 0.26 * flats)
    size = min(size, size * width / text_mm(words, size))
    half = 0.52 * text_mm(words, size)
    pen.rectangle(x - half, y - 0.5 * size, 2.0 * half, size, fill=WHITE, opacity=0.85)
    pen.text(x, y + 0.36 * size, words, size=size, align="middle")


def name_edges(
    pen: Pen, board: Board, held: NDArray[np.bool_], at: NDArray[np.float64],
    window: tuple[float, float, float, float],
) -> None:  # fmt: skip
    """Name columns above and below a window, rows beside it, and what lies beyond."""
    left, top, width, height = window
    cells = np.flatnonzero(held)
    for column in np.unique(board.column[cells]).tolist():
        own = cells[board.column[cells] == column]
        letters = board.labels[own[0]].rstrip("0123456789")
        pen.text(float(at[own[0], 0]), top + height + 4.0, letters, font=BOLD, align="middle")
        pen.text(float(at[own[-1], 0]), top - 1.4, letters, font=BOLD, align="middle")
    for row in np.unique(board.row[cells]).tolist():
        own = cells[board.row[cells] == row]
        name = str(row + 1)
        pen.text(left - 1.4, float(at[own[0], 1]) + 1.1, name, font=BOLD, align="right")
        pen.text(left + width + 1.4, float(at[own[-1], 1]) + 1.1, name, font=BOLD)
    rows = board.row[cells]
    beyond = (
        ("front edge of the board" if rows.min() == board.row.min() else "toward the front",
         top + height + 8.0),
        ("back edge of the board" if rows.max() == board.row.max() else "toward the back",
         top - 5.4),
    )  # fmt: skip
    for words, y in beyond:
        pen.text(left + width / 2.0, y, words, size=2.7, align="middle", ink=GREY)
