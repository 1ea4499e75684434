"""What surrounds the board on a map: title, labels, scale bars, north arrow and key.

`lay_out` finds how large the sheet must be before anything is drawn; `draw` then fills it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing import map_features
from hexterra.drawing.lettering import text_width
from hexterra.drawing.map_style import CLIFF, INK, WATER, Tints
from hexterra.drawing.svg import Drawing, line_data, polygon_data
from hexterra.units import bench_mm_to_ground_m

if TYPE_CHECKING:
    from hexterra.lattice.board import Board
    from hexterra.plan.overlay import Overlay
    from hexterra.stages.schedule.schedule import Schedule

_LEAST_WIDTH_MM: Final = 150.0
_SHEET_WIDTH_MM: Final = 420.0


@dataclass(frozen=True)
class _Item:
    """One entry of the key: what its symbol is, and its words."""

    symbol: str
    words: str
    level: int = -1


@dataclass(frozen=True)
class Frame:
    """The sheet around the board; all lengths in millimetres of paper.

    `unit_mm` is 1 on an A3 sheet and grows with larger ones, and everything in the margins with
    it.
    """

    board: Board
    scale: float
    title: str
    items: tuple[_Item, ...]
    unit_mm: float
    width_mm: float
    height_mm: float
    board_left_mm: float
    board_top_mm: float
    key_left_mm: float
    key_top_mm: float

    @property
    def board_size_mm(self) -> tuple[float, float]:
        """Width and depth of the board on paper."""
        return self.board.size_mm[0] * self.scale, self.board.size_mm[1] * self.scale


def lay_out(
    pieces: Schedule,
    overlay: Overlay,
    *,
    scale: float,
    title: str,
    level_m: NDArray[np.float64],
) -> Frame:
    """Find the size of the sheet and where the board and the key go.

    Parameters
    ----------
    pieces, overlay
        What is drawn; only symbols that occur get into the key.
    scale
        Paper length per bench length.
    title
        Printed at the top.
    level_m
        Ground height that each level stands for, in metres.
    """
    board = pieces.board
    width, depth = board.size_mm[0] * scale, board.size_mm[1] * scale
    unit = max(1.0, width / (_SHEET_WIDTH_MM - 24.0))
    page_width = max(width + 24.0 * unit, _LEAST_WIDTH_MM)
    board_top = 24.0 * unit
    key_top = board_top + depth + 12.0 * unit
    items = _items(pieces, overlay, level_m)
    is_wide = page_width > 230.0 * unit
    key_left = (112.0 if is_wide else 6.0) * unit
    last = _flow(items, key_left, page_width - 6.0 * unit, unit)[-1][1]
    key_height = max(24.0 * unit, last + 8.0 * unit)
    if not is_wide:  # the key goes below arrow and bars
        key_height = last + 30.0 * unit
    return Frame(
        board=board,
        scale=scale,
        title=title,
        items=items,
        unit_mm=unit,
        width_mm=page_width,
        height_mm=key_top + key_height,
        board_left_mm=(page_width - width) / 2.0,
        board_top_mm=board_top,
        key_left_mm=key_left,
        key_top_mm=key_top,
    )


def draw(page: Drawing, frame: Frame, tints: Tints) -> None:
    """Draw everything around the board."""
    page.open(fill=INK)
    _draw_title(page, frame)
    _draw_labels(page, frame)
    _draw_arrow(page, frame)
    _draw_bars(page, frame)
    _draw_key(page, frame, tints)
    page.close()


def _items(pieces: Schedule, overlay: Overlay, level_m: NDArray[np.float64]) -> tuple[_Item, ...]:
    """List what the key explains: levels, then the symbols that occur."""
    tiles = pieces.tiles
    items = [
        _Item("level", f"{level}: {round(height):,} m", level)
        for level, height in enumerate(level_m.tolist())
    ]
    if bool((tiles.corners.max(axis=1) > tiles.corners.min(axis=1)).any()):
        items += [_Item("ramp", "ramp, strokes run down"), _Item("turn", "first corner of pattern")]
    if tiles.cliff.any():
        items.append(_Item("cliff", "step face, ticks run down"))
    water = tiles.legal.water
    if water is not None:
        kinds = set(np.unique(water.kind).tolist())
        items.append(_Item("water", "watercourse"))
        named = ((6, "entry"), (1, "spring"), (4, "mouth"), (5, "pool"))
        items += [_Item(name, name) for number, name in named if number in kinds]
    items += [_Item(symbol, words) for symbol, words in map_features.key(overlay, pieces.cuts)]
    return tuple(items)


def _flow(
    items: Sequence[_Item], left: float, right: float, unit: float
) -> list[tuple[float, float]]:
    """Place the key's entries line by line: x of each and y below the key's top."""
    placed: list[tuple[float, float]] = []
    x, y = left, 0.0
    for number, item in enumerate(items):
        width = (12.0 + text_width(item.words, 3.2)) * unit
        starts_symbols = number > 0 and item.level < 0 <= items[number - 1].level
        if number and (x + width > right or starts_symbols):
            x, y = left, y + 6.5 * unit
        placed.append((x, y))
        x += width + 2.0 * unit
    return placed


def _draw_title(page: Drawing, frame: Frame) -> None:
    unit, board = frame.unit_mm, frame.board
    room = frame.width_mm - 12.0 * unit
    size = min(6.5 * unit, room / text_width(frame.title or " ", 1.1))
    page.text(frame.width_mm / 2, 9.5 * unit, size, frame.title, text_anchor="middle",
              font_weight="bold")  # fmt: skip
    words = (
        f"{board.columns:,} columns, {board.rows:,} rows; hexagons {board.across_flats_mm:g} mm"
        f" across; 1:{board.scale:,.0f}; each number is a tile's level"
    )
    size = min(3.2 * unit, room / text_width(words, 1.0))
    page.text(frame.width_mm / 2, 15.0 * unit, size, words, text_anchor="middle")


def _draw_labels(page: Drawing, frame: Frame) -> None:
    """Name the columns along both long edges and the rows along both short ones."""
    board, unit = frame.board, frame.unit_mm
    flats = board.across_flats_mm * frame.scale
    size = min(3.6 * unit, 0.42 * flats)
    width, depth = frame.board_size_mm
    left, top = frame.board_left_mm, frame.board_top_mm
    x = left + board.centre_mm[:, 0] * frame.scale
    y = top + depth - board.centre_mm[:, 1] * frame.scale
    style = {"text_anchor": "middle", "font_weight": "bold"}
    for column in range(board.columns):
        cells = np.flatnonzero(board.column == column)
        if len(cells) == 0:
            continue
        letters = board.labels[cells[0]].rstrip("0123456789")
        page.text(float(x[cells[0]]), top + depth + 1.4 * size, size, letters, **style)
        page.text(float(x[cells[-1]]), top - 0.6 * size, size, letters, **style)
    for row in range(board.rows):
        cells = np.flatnonzero(board.row == row)
        if len(cells) == 0:
            continue
        name = str(row + 1)
        gap = 0.5 * size
        page.text(left - gap, float(y[cells[0]]) + 0.36 * size, size, name, text_anchor="end",
                  font_weight="bold")  # fmt: skip
        page.text(left + width + gap, float(y[cells[-1]]) + 0.36 * size, size, name,
                  font_weight="bold")  # fmt: skip
    page.text(
        left + width / 2, top + depth + 1.4 * size + 3.8 * unit, 2.8 * unit, "front edge",
        text_anchor="middle", font_style="italic",
    )  # fmt: skip


def _draw_arrow(page: Drawing, frame: Frame) -> None:
    """Draw the arrow to north; up the page is the bearing of the board."""
    unit = frame.unit_mm
    x, y = 14.0 * unit, frame.key_top_mm + 10.0 * unit
    bearing = math.radians(frame.board.bearing_deg)
    ahead = (-math.sin(bearing), -math.cos(bearing))  # north on the page, y down
    beside = (-ahead[1], ahead[0])

    def at(forward: float, sideward: float) -> tuple[float, float]:
        return (
            x + unit * (forward * ahead[0] + sideward * beside[0]),
            y + unit * (forward * ahead[1] + sideward * beside[1]),
        )

    left, right = ((at(5.5, 0), at(-6, 3.4 * way), at(-3.6, 0)) for way in (-1, 1))
    page.path(polygon_data(left), stroke=INK, stroke_width=0.25 * unit, fill="#ffffff")
    page.path(polygon_data(right), stroke=INK, stroke_width=0.25 * unit)
    letter_x, letter_y = at(7.6, 0)
    page.text(letter_x, letter_y + 1.2 * unit, 3.4 * unit, "N", text_anchor="middle",
              font_weight="bold")  # fmt: skip


def _draw_bars(page: Drawing, frame: Frame) -> None:
    """Draw one bar for lengths on the bench and one for lengths on the ground."""
    unit, board = frame.unit_mm, frame.board
    room_mm = 60.0 * unit / frame.scale  # on the bench
    bench_mm = _round_down(room_mm)
    ground_m = _round_down(bench_mm_to_ground_m(room_mm, board.scale))
    ground = f"{ground_m / 1000:,g} km" if ground_m >= 1000 else f"{ground_m:g} m"
    per_ground_m = frame.scale / bench_mm_to_ground_m(1.0, board.scale)
    for row, (length, words) in enumerate(
        (
            (bench_mm * frame.scale, f"{bench_mm:,g} mm on the bench"),
            (ground_m * per_ground_m, f"{ground} on the ground"),
        )
    ):
        x, y = 30.0 * unit, frame.key_top_mm + (4.0 + 10.0 * row) * unit
        page.text(x, y - 1.0 * unit, 3.0 * unit, words)
        for part in range(4):
            page.rectangle(
                x + part * length / 4, y, length / 4, 1.8 * unit,
                fill=INK if part % 2 == 0 else "#ffffff", stroke=INK, stroke_width=0.2 * unit,
            )  # fmt: skip


def _round_down(value: float) -> float:
    """Return the greatest 1, 2 or 5 times a power of ten that is not above `value`."""
    power = 10.0 ** math.floor(math.log10(value))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= value)


def _draw_key(page: Drawing, frame: Frame, tints: Tints) -> None:
    unit = frame.unit_mm
    is_wide = frame.key_left_mm > 6.0 * unit
    top = frame.key_top_mm + (1.0 if is_wide else 22.0) * unit
    places = _flow(frame.items, frame.key_left_mm, frame.width_mm - 6.0 * unit, unit)
    for item, (x, dy) in zip(frame.items, places, strict=True):
        y = top + dy
        _draw_symbol(page, item, x, y, unit, tints)
        page.text(x + 10.0 * unit, y + 3.4 * unit, 3.2 * unit, item.words)


def _draw_symbol(page: Drawing, item: _Item, x: float, y: float, unit: float, tints: Tints) -> None:
    """Draw one symbol of the key into 8 x 4.5 units from (x, y)."""
    middle_x, middle_y = x + 4.0 * unit, y + 2.25 * unit
    fill = tints.at(max(item.level, 0) if item.level >= 0 else tints.top / 2)
    if item.symbol in {"level", "ramp", "turn"}:
        page.rectangle(x, y, 8 * unit, 4.5 * unit, fill=fill, stroke=INK, stroke_width=0.2 * unit)
    if item.symbol == "ramp":
        strokes = (
            line_data([(x + k * unit, y + 0.6 * unit), (x + k * unit, y + 3.2 * unit)])
            for k in (1.6, 3.2, 4.8, 6.4)
        )
        page.path("".join(strokes), stroke=INK, stroke_width=0.2 * unit)
    elif item.symbol == "turn":
        wedge = ((0.0, -1.6), (1.2, 0.9), (-1.2, 0.9))
        points = [(middle_x + dx * unit, middle_y + dy * unit) for dx, dy in wedge]
        page.path(polygon_data(points))
    elif item.symbol == "cliff":
        page.path(line_data([(x, y + unit), (x + 8 * unit, y + unit)]), stroke=CLIFF,
                  stroke_width=0.8 * unit)  # fmt: skip
        ticks = (
            line_data([(x + k * unit, y + unit), (x + k * unit, y + 3.4 * unit)])
            for k in (0.8, 2.4, 4.0, 5.6, 7.2)
        )
        page.path("".join(ticks), stroke=CLIFF, stroke_width=0.35 * unit)
    elif item.symbol == "water":
        line = line_data([(x, middle_y), (x + 6.0 * unit, middle_y)])
        page.path(line, stroke=WATER, stroke_width=1.1 * unit)
        page.path(line, stroke="#ffffff", stroke_width=0.25 * unit,
                  stroke_dasharray=f"{unit:.3f} {0.8 * unit:.3f}")  # fmt: skip
        tip = ((8.0, 0.0), (5.2, -1.5), (5.2, 1.5))
        points = [(x + dx * unit, middle_y + dy * unit) for dx, dy in tip]
        page.path(polygon_data(points), fill=WATER)
    elif item.symbol in {"entry", "spring", "mouth", "pool"}:
        draw_water_end(page, middle_x, middle_y, 1.6 * unit, item.symbol)
    else:
        map_features.draw_symbol(page, item.symbol, x, y, unit)


def draw_water_end(page: Drawing, x: float, y: float, radius: float, kind: str) -> None:
    """Draw an entry (square), a spring (ring), a mouth (diamond) or a pool (disc) at a point."""
    style: dict[str, str | float] = {
        "stroke": WATER,
        "stroke_width": 0.25 * radius,
        "fill": WATER if kind == "pool" else "#ffffff",
    }
    if kind == "mouth":
        r = 1.35 * radius
        page.path(polygon_data([(x - r, y), (x, y - r), (x + r, y), (x, y + r)]), **style)
    elif kind == "entry":
        r = 0.95 * radius
        corners = [(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)]
        page.path(polygon_data(corners), **style)
    else:
        page.circle(x, y, radius, **style)
