"""Assembly by map: the board on one page, then in parts that can be read from where one works.

The map is that of `hexterra.drawing.board_map`, as vectors. It is put into the file once, without
its words, and shown through a window on every page; words are written on the page of their cell
only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon

from hexterra.drawing import map_features
from hexterra.drawing.board_map import map_frame, map_svg
from hexterra.drawing.lettering import text_width
from hexterra.drawing.pdf_pages import POINTS_PER_MM
from hexterra.drawing.svg import Drawing
from hexterra.lattice import hexagon
from hexterra.outputs.surface import nearest_cell
from hexterra.stages.water.flow import WaterKind
from hexterra.workshop.book.paper import INK, SIDE_MM, WHITE, Format, Page, Pen, text_mm, wrapped
from hexterra.workshop.book.plan_pages import NAMES_MM, name_edges
from hexterra.workshop.book.svg_pages import Caption, Vectors, draw_caption, draw_shapes, read_svg

if TYPE_CHECKING:
    from hexterra.drawing.map_margins import Frame
    from hexterra.lattice.board import Board
    from hexterra.plan.plan import Plan
    from hexterra.stages.tiles.fit import Tiles

#: A part of the map shows hexagons at least this far across flats, and need not show larger ones.
LEAST_HEXAGON_MM: Final = 16.5
MOST_HEXAGON_MM: Final = 30.0
#: How much of its neighbours a part shows, in distances across flats.
_BEYOND: Final = 0.45
_FORM: Final = "map"
_KEY_MM: Final = 2.7
_KEY: Final = (
    "In each hexagon: its cell beside the large number, the level; pattern above and watercourse"
    " below, unless plain. A wedge marks the first corner, a thick line with ticks a step face."
)


@dataclass(frozen=True)
class BoardMap:
    """The map of a plan, and where the board lies on it."""

    tiles: Tiles
    vectors: Vectors
    frame: Frame
    ground_key: Vectors | None

    @property
    def board(self) -> Board:
        """The lattice."""
        return self.frame.board

    def bench_mm(self, caption: Caption) -> tuple[float, float]:
        """Carry the middle of a caption to the bench."""
        frame = self.frame
        x = (caption.x - frame.board_left_mm) / frame.scale
        up = caption.y - 0.36 * caption.size_mm - frame.board_top_mm
        return x, self.board.size_mm[1] - up / frame.scale


@dataclass(frozen=True)
class Part:
    """Some columns and rows of the board: the first, and the one past the last."""

    columns: tuple[int, int]
    rows: tuple[int, int]
    name: str

    def holds(self, board: Board) -> NDArray[np.bool_]:
        """Tell which cells are in it, (n_cells,) bool."""
        column, row = board.column, board.row
        inside = (column >= self.columns[0]) & (column < self.columns[1])
        return inside & (row >= self.rows[0]) & (row < self.rows[1])


def read_map(plan: Plan) -> BoardMap:
    """Draw the map of a plan and take it apart."""
    return BoardMap(plan.fitted, read_svg(map_svg(plan)), map_frame(plan), _ground_key(plan))


def _ground_key(plan: Plan) -> Vectors | None:
    """Draw one line with the symbols of the roads and the cover that occur."""
    items = list(map_features.key(plan.overlay, plan.pieces.cuts))
    if not items:
        return None
    unit_mm = _KEY_MM / 3.2
    ends = [0.0, *accumulate(13.0 * unit_mm + text_width(words, _KEY_MM) for _, words in items)]
    page = Drawing(ends[-1] - 3.0 * unit_mm, 4.5 * unit_mm, "roads and cover")
    for (symbol, words), x in zip(items, ends, strict=False):
        map_features.draw_symbol(page, symbol, x, 0.0, unit_mm)
        page.text(x + 10.0 * unit_mm, 3.4 * unit_mm, _KEY_MM, words, fill=INK)
    return read_svg(page.to_text())


def keep_map(canvas: Any, board_map: BoardMap) -> None:
    """Put the map, without words, into the file, for pages to show."""
    vectors = board_map.vectors
    size = vectors.width_mm * POINTS_PER_MM, vectors.height_mm * POINTS_PER_MM
    canvas.beginForm(_FORM, 0, 0, *size)
    draw_shapes(canvas, vectors.shapes, vectors.height_mm)
    canvas.endForm()


def map_pages(board_map: BoardMap, upright: Format, lying: Format) -> list[Page]:
    """Return the map on one page, then its parts."""
    vectors = board_map.vectors
    is_wide = vectors.width_mm > vectors.height_mm
    pages = [Page("The map", lambda pen: _whole(pen, board_map), is_wide, "The map")]
    parts = min((map_parts(board_map.board, paper) for paper in (lying, upright)), key=len)
    is_lying = len(parts) == len(map_parts(board_map.board, lying))
    for part in parts:
        heading = f"The map: {part.name}"

        def paint(pen: Pen, part: Part = part) -> None:
            _part(pen, board_map, part)
            if len(parts) > 1:
                _place(pen, board_map.board, part)

        pages.append(Page(heading, paint, is_lying, heading, 1))
    return pages


def map_parts(board: Board, paper: Format) -> list[Part]:
    """Part a board so that its hexagons stay readable: not at all, by quarters, or further."""
    choices: list[tuple[int, float, int, int]] = []
    for n_across in range(1, board.columns + 1):
        for n_away in range(1, board.rows + 1):
            if (n_across == 1) != (n_away == 1):
                continue  # strips would be longer ways to look for a cell than quarters are
            flats_mm = _flats_mm(board, paper, n_across, n_away)
            if flats_mm >= LEAST_HEXAGON_MM:
                choices.append((n_across * n_away, -flats_mm, n_across, n_away))
                break
    *_, n_across, n_away = min(choices)
    columns, rows = _shares(board.columns, n_across), _shares(board.rows, n_away)
    return [
        Part(span, line, _part_name(across, n_across, away, n_away))
        for away, line in reversed(list(enumerate(rows)))
        for across, span in enumerate(columns)
    ]


def _flats_mm(board: Board, paper: Format, n_across: int, n_away: int) -> float:
    """Return how large the hexagons of a part are on paper."""
    _, _, width, height = _window_room(paper)
    size_mm: list[float] = []
    for length, count, n_parts in zip(
        board.size_mm, (board.columns, board.rows), (n_across, n_away), strict=True
    ):
        share = math.ceil(count / n_parts) / count
        beyond = 2.0 * _BEYOND * board.across_flats_mm if n_parts > 1 else 0.0
        size_mm.append(share * length + beyond + 0.3 * board.across_flats_mm)
    scale = min(width / size_mm[0], height / size_mm[1])
    return min(scale * board.across_flats_mm, MOST_HEXAGON_MM)


def _window_room(paper: Format) -> tuple[float, float, float, float]:
    left, top, width, height = paper.room_mm
    key_mm = 5.0 if width > height else 10.0  # words take two lines across upright paper
    return left + NAMES_MM, top + NAMES_MM, width - 2 * NAMES_MM, height - 2 * NAMES_MM - key_mm


# Whole -------------------------------------------------------------------------------------------


def _whole(pen: Pen, board_map: BoardMap) -> None:
    vectors = board_map.vectors
    left, top, width, height = pen.paper.room_mm
    scale = min(width / vectors.width_mm, height / vectors.height_mm)
    x0 = left + (width - scale * vectors.width_mm) / 2.0
    low = top + scale * vectors.height_mm
    pen.canvas.saveState()
    pen.canvas.translate(*pen.at(x0, low))
    pen.canvas.scale(scale, scale)
    pen.canvas.doForm(_FORM)
    pen.canvas.restoreState()
    for caption in vectors.captions:
        draw_caption(pen, caption, x0 + scale * caption.x, top + scale * caption.y, scale)


# Parts -------------------------------------------------------------------------------------------


def _shares(count: int, n_parts: int) -> list[tuple[int, int]]:
    ends = [round(count * number / n_parts) for number in range(n_parts + 1)]
    return list(pairwise(ends))


def _part_name(across: int, n_across: int, away: int, n_away: int) -> str:
    away_words = {1: ("",), 2: ("front", "back"), 3: ("front", "middle", "back")}
    across_words = {1: ("",), 2: ("left", "right"), 3: ("left", "centre", "right")}
    if n_away not in away_words or n_across not in across_words:
        return f"part {across + 1} from the left, {away + 1} from the front"
    words = f"{away_words[n_away][away]} {across_words[n_across][across]}".strip()
    if (n_away, n_across) == (2, 2):
        return f"{words} quarter"
    return words or "at reading size"


def _part(pen: Pen, board_map: BoardMap, part: Part) -> None:
    """Show a part through a window, its neighbours pale, and write its words."""
    board, frame = board_map.board, board_map.frame
    held = part.holds(board)
    low, high = _window_mm(board, held)
    left, top, width, height = _window_room(pen.paper)
    scale = min((width, height) / (high - low))
    scale = min(scale, MOST_HEXAGON_MM / board.across_flats_mm)
    size = scale * (high - low)
    x0 = left + (width - float(size[0])) / 2.0

    def place(bench_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        x = x0 + (bench_mm[..., 0] - low[0]) * scale
        return np.stack((x, top + (high[1] - bench_mm[..., 1]) * scale), axis=-1)

    canvas = pen.canvas
    canvas.saveState()
    window = canvas.beginPath()
    foot = pen.at(x0, top + float(size[1]))
    window.rect(*foot, *(size * POINTS_PER_MM).tolist())
    canvas.clipPath(window, stroke=0, fill=0)
    canvas.saveState()
    ratio = scale / frame.scale
    front_left = place(np.zeros(2))
    below = board_map.vectors.height_mm - frame.board_top_mm - frame.board_size_mm[1]
    origin = front_left[0] - ratio * frame.board_left_mm, front_left[1] + ratio * below
    canvas.translate(*pen.at(*origin))
    canvas.scale(ratio, ratio)
    canvas.doForm(_FORM)
    canvas.restoreState()
    for cell in np.flatnonzero(~held).tolist():
        outline = board.outline_mm(cell)
        if (outline.max(axis=0) > low).all() and (outline.min(axis=0) < high).all():
            pen.polygon(place(outline).tolist(), fill=WHITE, opacity=0.62)
    canvas.restoreState()
    pen.rectangle(x0, top, *size.tolist(), ink=INK, line=0.3)
    captions = board_map.vectors.captions
    cells = nearest_cell(board, np.array([board_map.bench_mm(caption) for caption in captions]))
    for caption, cell in zip(captions, cells.tolist(), strict=True):
        if cell >= 0 and held[cell]:
            x = front_left[0] + (caption.x - frame.board_left_mm) * ratio
            y = front_left[1] + (caption.y - frame.board_top_mm - frame.board_size_mm[1]) * ratio
            draw_caption(pen, caption, float(x), float(y), ratio)
    for cell in np.flatnonzero(held).tolist():
        x, y = place(board.centre_mm[cell]).tolist()
        _name_cell(pen, board_map, cell, x, y, scale)
    at = place(board.centre_mm)
    name_edges(pen, board, held, at, (x0, top, *size.tolist()))
    y = top + float(size[1]) + NAMES_MM + 2.8
    for line in wrapped(_KEY, pen.paper.room_mm[2], _KEY_MM):
        pen.text(pen.paper.width_mm / 2.0, y, line, size=_KEY_MM, align="middle")
        y += 1.4 * _KEY_MM
    if board_map.ground_key is not None:
        _draw_key(pen, board_map.ground_key, y - 2.2)


def _draw_key(pen: Pen, key: Vectors, top: float) -> None:
    """Draw a line of symbols and their words in the middle of the page."""
    scale = min(1.0, pen.paper.room_mm[2] / key.width_mm)
    left = (pen.paper.width_mm - scale * key.width_mm) / 2.0
    pen.canvas.saveState()
    pen.canvas.translate(*pen.at(left, top + scale * key.height_mm))
    pen.canvas.scale(scale, scale)
    draw_shapes(pen.canvas, key.shapes, key.height_mm)
    pen.canvas.restoreState()
    for caption in key.captions:
        draw_caption(pen, caption, left + scale * caption.x, top + scale * caption.y, scale)


def _window_mm(
    board: Board, held: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the corners of what a page shows of the board, on the bench."""
    outlines = [board.outline_mm(cell) for cell in np.flatnonzero(held).tolist()]
    points = np.concatenate(outlines)
    beyond = _BEYOND * board.across_flats_mm
    low = np.maximum(points.min(axis=0) - beyond, 0.0)
    high = np.minimum(points.max(axis=0) + beyond, np.array(board.size_mm))
    return low, high


def _name_cell(pen: Pen, board_map: BoardMap, cell: int, x: float, y: float, scale: float) -> None:
    """Write the name of a cell where the map leaves room for it: left of the level, or below."""
    board, tiles = board_map.board, board_map.tiles
    flats = scale * board.across_flats_mm
    kept_x, kept_y = board.kept[cell].tolist()
    outline = hexagon.part_outline(1.0, board.facing, kept_x, kept_y) * (1.0, -1.0)
    lowest, highest = outline[:, 1].max(), outline[:, 1].min()
    middle, half = (lowest + highest) / 2.0, (lowest - highest) / 2.0
    name, size = board.labels[cell], 0.105
    if not kept_x:
        right = -0.2
        pen_x, pen_y, width = right - 0.11, middle, 0.25
    else:
        has_words = tiles.crossing[cell] >= 0 and not _is_end(tiles, cell)
        if has_words and kept_y:
            return  # a quarter with a watercourse has no room left; its row and column name it
        pen_y = middle + (0.185 if has_words else 0.52 * half)
        size = min(size, 0.3 * half)
        chord = Polygon(outline).intersection(LineString(((-1.0, pen_y), (1.0, pen_y))))
        start, _, end, _ = chord.bounds
        pen_x, width = (start + end) / 2.0, 0.8 * (end - start)
    size = min(size * flats, size * flats * width * flats / text_mm(name, size * flats))
    wide = text_mm(name, size)
    is_wet = tiles.legal.water is not None and bool(tiles.legal.water.is_watercourse[cell])
    pen.rectangle(x + pen_x * flats - 0.55 * wide, y + pen_y * flats - 0.55 * size, 1.1 * wide,
                  1.1 * size, fill=WHITE, opacity=0.95 if is_wet else 0.6)  # fmt: skip
    pen.text(x + pen_x * flats, y + (pen_y * flats + 0.36 * size), name, size=size, align="middle")


def _is_end(tiles: Tiles, cell: int) -> bool:
    """Tell whether water begins, leaves or stays in a cell, which the map marks with a symbol."""
    water = tiles.legal.water
    ends = (WaterKind.ENTRY, WaterKind.SPRING, WaterKind.MOUTH, WaterKind.POOL)
    return water is not None and WaterKind(int(water.kind[cell])) in ends


def _place(pen: Pen, board: Board, part: Part) -> None:
    """Draw the board in small at the upper right, with this part of it filled."""
    width, height = (min(14.0 / board.size_mm[0], 9.0 / board.size_mm[1]) * size
                     for size in board.size_mm)  # fmt: skip
    left, top = pen.paper.width_mm - SIDE_MM - width, 12.0
    pen.rectangle(left, top, width, height, ink=INK)
    (c0, c1), (r0, r1) = part.columns, part.rows
    x, y = left + width * c0 / board.columns, top + height * (1.0 - r1 / board.rows)
    pen.rectangle(
        x, y, width * (c1 - c0) / board.columns, height * (r1 - r0) / board.rows, fill=INK
    )
