"""Assembly by map: the board on one page, then in parts that can be read from where one works.

The ground of the map is put into the file once and shown through a window on every page; words are
written on the page of their cell only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray
from reportlab.platypus import Table

from hexterra.drawing import map_features
from hexterra.drawing.board_map import BoardMap, board_map
from hexterra.drawing.board_plan import NAMES_MM, names_around
from hexterra.drawing.flowables import FittedPicture, Picture, paragraph, section
from hexterra.drawing.lettering import text_width
from hexterra.drawing.map_style import MapSheet
from hexterra.drawing.pdf import FONT, POINTS_PER_MM
from hexterra.drawing.scene import (
    INK,
    WHITE,
    Clipped,
    Item,
    Lines,
    Scene,
    SharedScene,
    Style,
    Text,
    rectangle,
)
from hexterra.workshop.book.layout import content_mm, whole_page

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

    from hexterra.lattice.board import Board
    from hexterra.plan.plan import Plan

#: A part of the map shows hexagons at least this far across flats, and need not show larger ones.
LEAST_HEXAGON_MM: Final = 16.5
MOST_HEXAGON_MM: Final = 30.0
#: How much of its neighbours a part shows, in distances across flats.
_BEYOND: Final = 0.45
#: Words and symbols above a part; on portrait pages the words take two lines.
_KEY_MM: Final = 2.7
_KEY: Final = (
    "In each hexagon: a large number, the level; its cell in small; pattern above and watercourse"
    " below, unless plain. A wedge marks the first corner, a thick line with ticks a step face."
)
#: Largest width and depth of the small plan beside the key.
_SMALL_MM: Final = (14.0, 9.0)


@dataclass(frozen=True)
class MapPart:
    """Some columns and rows of the board: the first, and the one past the last."""

    columns: tuple[int, int]
    rows: tuple[int, int]
    name: str

    def contains(self, board: Board) -> NDArray[np.bool_]:
        """Return which cells are in it, (n_cells,) bool."""
        column, row = board.column, board.row
        inside = (column >= self.columns[0]) & (column < self.columns[1])
        return inside & (row >= self.rows[0]) & (row < self.rows[1])


def map_pages(plan: Plan, paper_mm: tuple[float, float]) -> list[Flowable]:
    """Return the map on one page, then its parts; `paper_mm` is that of a portrait page."""
    drawn = board_map(plan)
    scene, board = drawn.scene, drawn.sheet.board
    width, height = scene.size_mm
    whole = whole_page(lambda room_mm: scene.fitted(*room_mm))
    pages = section("The map", [whole], is_landscape=width > height)
    rooms = [content_mm(paper_mm, is_landscape=is_landscape) for is_landscape in (True, False)]
    choices = [map_parts(board, room_mm) for room_mm in rooms]
    is_landscape = len(choices[0]) <= len(choices[1])
    (wide, _), parts = rooms[not is_landscape], choices[not is_landscape]
    for part in parts:
        key: list[Flowable] = [paragraph(_KEY, size_mm=_KEY_MM), *_ground_key(plan)]
        if len(parts) > 1:
            key = [_beside(key, Picture(_small(board, part), "RIGHT"), wide)]
        picture = whole_page(lambda room_mm, part=part: _part_scene(drawn, part, room_mm))
        pages += section(
            f"The map: {part.name}", [*key, picture], level=1, is_landscape=is_landscape
        )  # fmt: skip
    return pages


def map_parts(board: Board, room_mm: tuple[float, float]) -> list[MapPart]:
    """Divide a board so that its hexagons stay readable: not at all, by quarters, or further.

    Parameters
    ----------
    board
        What the map shows.
    room_mm
        Width and height of the content of a page.
    """
    choices: list[tuple[int, float, int, int]] = []
    for n_across in range(1, board.columns + 1):
        for n_away in range(1, board.rows + 1):
            if (n_across == 1) != (n_away == 1):
                continue  # a cell takes longer to find in a strip than in a quarter
            flats_mm = _flats_mm(board, room_mm, n_across, n_away)
            if flats_mm >= LEAST_HEXAGON_MM:
                choices.append((n_across * n_away, -flats_mm, n_across, n_away))
                break
    *_, n_across, n_away = min(choices)
    columns, rows = _shares(board.columns, n_across), _shares(board.rows, n_away)
    return [
        MapPart(span, line, _part_name(across, n_across, away, n_away))
        for away, line in reversed(list(enumerate(rows)))
        for across, span in enumerate(columns)
    ]


def _flats_mm(board: Board, room_mm: tuple[float, float], n_across: int, n_away: int) -> float:
    """Return how large the hexagons of a part are on paper."""
    width, height = (side - 2.0 * NAMES_MM for side in room_mm)
    height -= 8.0 if width > height else 12.0  # for the key
    size_mm: list[float] = []
    for length, count, n_parts in zip(
        board.size_mm, (board.columns, board.rows), (n_across, n_away), strict=True
    ):
        share = math.ceil(count / n_parts) / count
        beyond = 2.0 * _BEYOND * board.across_flats_mm if n_parts > 1 else 0.0
        size_mm.append(share * length + beyond + 0.3 * board.across_flats_mm)
    scale = min(width / size_mm[0], height / size_mm[1])
    return min(scale * board.across_flats_mm, MOST_HEXAGON_MM)


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


def _part_scene(drawn: BoardMap, part: MapPart, room_mm: tuple[float, float]) -> Scene:
    """Show a part through a window, its neighbours pale, and write its words."""
    board = drawn.sheet.board
    own = part.contains(board)
    low, high = _window_mm(board, own)
    scale = float(((np.array(room_mm) - 2.0 * NAMES_MM) / (high - low)).min())
    scale = min(scale, MOST_HEXAGON_MM / board.across_flats_mm)
    sheet = MapSheet(board, scale, *(NAMES_MM - scale * low).tolist())
    width, height = (scale * (high - low)).tolist()
    box = NAMES_MM, NAMES_MM, NAMES_MM + width, NAMES_MM + height
    ratio = scale / drawn.sheet.scale
    at = sheet.left_mm - ratio * drawn.sheet.left_mm, sheet.low_mm - ratio * drawn.sheet.low_mm
    pale = Style(fill=WHITE, opacity=0.62)
    veils = [
        Lines(sheet.place(outline), pale, "closed")
        for outline in map(board.outline_mm, np.flatnonzero(~own).tolist())
        if (outline.max(axis=0) > low).all() and (outline.min(axis=0) < high).all()
    ]
    items: list[Item] = [
        Clipped(box, (SharedScene(drawn.ground, *at, ratio), *veils)),
        Lines(rectangle(NAMES_MM, NAMES_MM, width, height), Style(INK, 0.3), "closed"),
        *(text.placed(*at, ratio) for cell, text in drawn.words if own[cell]),
        *names_around(sheet, np.flatnonzero(own), box),
    ]
    return Scene(tuple(items), page_mm=(width + 2.0 * NAMES_MM, height + 2.0 * NAMES_MM))


def _window_mm(
    board: Board, own: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the corners of what a page shows of the board, on the bench."""
    outlines = [board.outline_mm(cell) for cell in np.flatnonzero(own).tolist()]
    points = np.concatenate(outlines)
    beyond = _BEYOND * board.across_flats_mm
    low = np.maximum(points.min(axis=0) - beyond, 0.0)
    high = np.minimum(points.max(axis=0) + beyond, np.array(board.size_mm))
    return low, high


def _ground_key(plan: Plan) -> list[Flowable]:
    """Draw one line with the symbols of the roads and the cover that occur."""
    entries = list(map_features.key(plan.overlay, plan.pieces.cuts))
    if not entries:
        return []
    unit_mm = _KEY_MM / 3.2
    widths = (13.0 * unit_mm + text_width(words, _KEY_MM) for _, words in entries)
    ends = [0.0, *accumulate(widths)]
    items: list[Item] = []
    for (symbol, words), x in zip(entries, ends, strict=False):
        items += map_features.symbol(symbol, x, 0.0, unit_mm)
        items.append(Text((x + 10.0 * unit_mm, 1.1 * unit_mm), _KEY_MM, words))
    line = Scene(tuple(items), page_mm=(ends[-1], 4.5 * unit_mm))
    return [FittedPicture(lambda width, _: line.fitted(min(width, ends[-1]), 4.5 * unit_mm))]


def _beside(key: list[Flowable], small: Flowable, width_mm: float) -> Flowable:
    """Put a small plan of the board to the right of a key."""
    right = _SMALL_MM[0] + 2.0
    commands = [("FONTNAME", (0, 0), (-1, -1), FONT), ("VALIGN", (0, 0), (-1, -1), "TOP")]
    commands += [
        (f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")
    ]
    widths = [(width_mm - right) * POINTS_PER_MM, right * POINTS_PER_MM]
    return Table([[key, small]], widths, style=commands)


def _small(board: Board, part: MapPart) -> Scene:
    """Draw a small plan of the board with one part filled."""
    scale = min(most / side for most, side in zip(_SMALL_MM, board.size_mm, strict=True))
    width, height = (scale * side for side in board.size_mm)
    (c0, c1), (r0, r1) = part.columns, part.rows
    x, y = width / board.columns, height / board.rows
    filled = rectangle(x * c0, y * r0, x * (c1 - c0), y * (r1 - r0))
    return Scene((
        Lines(rectangle(0.0, 0.0, width, height), Style(INK, 0.2), "closed"),
        Lines(filled, Style(fill=INK), "closed"),
    ))  # fmt: skip
