"""What surrounds the board on a map: title, labels, scale bars, north arrow and key.

`lay_out` finds how large the page must be before anything is drawn; `margins` then fills it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing import map_features
from hexterra.drawing.lettering import text_width
from hexterra.drawing.map_style import CLIFF, INK, WATER, MapSheet, Tints, edge_names
from hexterra.drawing.scene import WHITE, Anchor, Circles, Item, Lines, Style, Text, rectangle
from hexterra.rounding import told_apart
from hexterra.units import bench_mm_to_ground_m

if TYPE_CHECKING:
    from hexterra.plan.overlay import Overlay
    from hexterra.stages.schedule.schedule import Schedule

_LEAST_WIDTH_MM: Final = 150.0
_SHEET_WIDTH_MM: Final = 420.0


@dataclass(frozen=True)
class _Entry:
    """One entry of the key: what its symbol is, and its words."""

    symbol: str
    words: str
    level: int = -1


@dataclass(frozen=True)
class MapFrame:
    """The page around the board; all lengths in millimetres of paper, from its lower left corner.

    `unit_mm` is 1 on an A3 sheet and grows with larger ones, and everything in the margins with
    it.
    """

    sheet: MapSheet
    title: str
    entries: tuple[_Entry, ...]
    unit_mm: float
    width_mm: float
    height_mm: float
    key_left_mm: float
    key_top_mm: float


def lay_out(
    pieces: Schedule,
    overlay: Overlay,
    *,
    scale: float,
    title: str,
    level_m: NDArray[np.float64],
) -> MapFrame:
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
    entries = _entries(pieces, overlay, level_m)
    is_wide = page_width > 230.0 * unit
    key_left = (112.0 if is_wide else 6.0) * unit
    last = _flow(entries, key_left, page_width - 6.0 * unit, unit)[-1][1]
    key_height = max(24.0 * unit, last + 8.0 * unit)
    if not is_wide:  # the key goes below arrow and bars
        key_height = last + 30.0 * unit
    key_top = key_height
    low = key_top + 12.0 * unit
    return MapFrame(
        sheet=MapSheet(board, scale, (page_width - width) / 2.0, low),
        title=title,
        entries=entries,
        unit_mm=unit,
        width_mm=page_width,
        height_mm=low + depth + 24.0 * unit,
        key_left_mm=key_left,
        key_top_mm=key_top,
    )


def margins(frame: MapFrame, tints: Tints) -> Iterator[Item]:
    """Draw everything around the board."""
    board, unit, (left, low, right, high) = (
        frame.sheet.board, frame.unit_mm, frame.sheet.box
    )  # fmt: skip
    yield from _title(frame)
    size = min(3.6 * unit, 0.42 * frame.sheet.flats_mm)
    yield from edge_names(
        frame.sheet, np.arange(board.n_cells), (left, low, right, high), size, INK
    )
    y = low - 1.4 * size - 3.8 * unit
    yield _words((left + right) / 2.0, y, 2.8 * unit, "front edge", "middle", is_italic=True)
    yield from _arrow(frame)
    yield from _bars(frame)
    yield from _key(frame, tints)


def _words(x: float, y: float, size: float, text: str, anchor: Anchor = "start", *,
           is_bold: bool = False, is_italic: bool = False) -> Text:  # fmt: skip
    return Text((x, y), size, text, anchor, ink=INK, is_bold=is_bold, is_italic=is_italic,
                layer="around")  # fmt: skip


def _entries(
    pieces: Schedule, overlay: Overlay, level_m: NDArray[np.float64]
) -> tuple[_Entry, ...]:
    """List what the key explains: levels, then the symbols that occur."""
    tiles = pieces.tiles
    entries = [
        _Entry("level", f"{level}: {height} m", level)
        for level, height in enumerate(told_apart(level_m.tolist()))
    ]
    if bool((tiles.corners.max(axis=1) > tiles.corners.min(axis=1)).any()):
        entries += [
            _Entry("ramp", "ramp, strokes run down"),
            _Entry("turn", "first corner of pattern"),
        ]
    if tiles.cliff.any():
        entries.append(_Entry("cliff", "step face, ticks run down"))
    water = tiles.legal.water
    if water is not None:
        kinds = set(np.unique(water.kind).tolist())
        entries.append(_Entry("water", "watercourse"))
        named = ((6, "entry"), (1, "spring"), (4, "mouth"), (5, "pool"))
        entries += [_Entry(name, name) for number, name in named if number in kinds]
    entries += [_Entry(symbol, words) for symbol, words in map_features.key(overlay, pieces.cuts)]
    return tuple(entries)


def _flow(
    entries: Sequence[_Entry], left: float, right: float, unit: float
) -> list[tuple[float, float]]:
    """Place the key's entries line by line: x of each and how far below the key's top."""
    placed: list[tuple[float, float]] = []
    x, y = left, 0.0
    for number, entry in enumerate(entries):
        width = (12.0 + text_width(entry.words, 3.2)) * unit
        starts_symbols = number > 0 and entry.level < 0 <= entries[number - 1].level
        if number and (x + width > right or starts_symbols):
            x, y = left, y + 6.5 * unit
        placed.append((x, y))
        x += width + 2.0 * unit
    return placed


def _title(frame: MapFrame) -> Iterator[Item]:
    unit, board = frame.unit_mm, frame.sheet.board
    room, middle, top = frame.width_mm - 12.0 * unit, frame.width_mm / 2.0, frame.height_mm
    size = min(6.5 * unit, room / text_width(frame.title or " ", 1.0, bold=True))
    yield _words(middle, top - 9.5 * unit, size, frame.title, "middle", is_bold=True)
    words = (
        f"{board.columns:,} columns, {board.rows:,} rows; hexagons {board.across_flats_mm:g} mm"
        f" across; 1:{board.scale:,.0f}; each number is a tile's level"
    )
    size = min(3.2 * unit, room / text_width(words, 1.0))
    yield _words(middle, top - 15.0 * unit, size, words, "middle")


def _arrow(frame: MapFrame) -> Iterator[Item]:
    """Draw the arrow to north; up the page is the bearing of the board."""
    unit = frame.unit_mm
    bearing = math.radians(frame.sheet.board.bearing_deg)
    ahead = np.array((-math.sin(bearing), math.cos(bearing)))  # north on the page
    beside = np.array((-ahead[1], ahead[0]))
    middle = np.array((14.0 * unit, frame.key_top_mm - 10.0 * unit))

    def at(forward: float, sideward: float) -> NDArray[np.float64]:
        return middle + unit * (forward * ahead + sideward * beside)

    for way, fill in ((1, WHITE), (-1, INK)):
        half = np.array((at(5.5, 0), at(-6, 3.4 * way), at(-3.6, 0)))
        yield Lines(half, Style(INK, 0.25 * unit, fill=fill), "closed")
    x, y = at(7.6, 0).tolist()
    yield _words(x, y - 1.2 * unit, 3.4 * unit, "N", "middle", is_bold=True)


def _bars(frame: MapFrame) -> Iterator[Item]:
    """Draw one bar for lengths on the bench and one for lengths on the ground."""
    unit, board, scale = frame.unit_mm, frame.sheet.board, frame.sheet.scale
    room_mm = 60.0 * unit / scale  # on the bench
    bench_mm = _round_down(room_mm)
    ground_m = _round_down(bench_mm_to_ground_m(room_mm, board.scale))
    ground = f"{ground_m / 1000:,g} km" if ground_m >= 1000 else f"{ground_m:g} m"
    per_ground_m = scale / bench_mm_to_ground_m(1.0, board.scale)
    for row, (length, words) in enumerate(
        (
            (bench_mm * scale, f"{bench_mm:,g} mm on the bench"),
            (ground_m * per_ground_m, f"{ground} on the ground"),
        )
    ):
        x, y = 30.0 * unit, frame.key_top_mm - (4.0 + 10.0 * row) * unit
        yield _words(x, y + unit, 3.0 * unit, words)
        for part in range(4):
            box = rectangle(x + part * length / 4, y - 1.8 * unit, length / 4, 1.8 * unit)
            fill = INK if part % 2 == 0 else WHITE
            yield Lines(box, Style(INK, 0.2 * unit, fill=fill), "closed")


def _round_down(value: float) -> float:
    """Return the greatest 1, 2 or 5 times a power of ten that is not above `value`."""
    power = 10.0 ** math.floor(math.log10(value))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= value)


def _key(frame: MapFrame, tints: Tints) -> Iterator[Item]:
    unit = frame.unit_mm
    is_wide = frame.key_left_mm > 6.0 * unit
    top = frame.key_top_mm - (1.0 if is_wide else 22.0) * unit
    places = _flow(frame.entries, frame.key_left_mm, frame.width_mm - 6.0 * unit, unit)
    for entry, (x, down) in zip(frame.entries, places, strict=True):
        y = top - down
        yield from _symbol(entry, x, y - 4.5 * unit, unit, tints)
        yield _words(x + 10.0 * unit, y - 3.4 * unit, 3.2 * unit, entry.words)


def _symbol(entry: _Entry, x: float, y: float, unit: float, tints: Tints) -> Iterator[Item]:
    """Draw one symbol of the key into 8 x 4.5 units from its lower left corner (x, y)."""
    corner = np.array((x, y))

    def at(*points: tuple[float, float]) -> NDArray[np.float64]:
        return corner + unit * np.array(points)

    def ticks(places: Sequence[float], high: float, low: float) -> NDArray[np.float64]:
        return np.array([at((k, high), (k, low)) for k in places])

    name = entry.symbol
    if name in {"level", "ramp", "turn"}:
        fill = tints.at(entry.level if entry.level >= 0 else tints.top / 2)
        box = rectangle(x, y, 8 * unit, 4.5 * unit)
        yield Lines(box, Style(INK, 0.2 * unit, fill=fill), "closed")
    if name == "ramp":
        yield Lines(ticks((1.6, 3.2, 4.8, 6.4), 3.9, 1.3), Style(INK, 0.2 * unit))
    elif name == "turn":
        yield Lines(at((4.0, 3.85), (5.2, 1.35), (2.8, 1.35)), Style(fill=INK), "closed")
    elif name == "cliff":
        yield Lines(at((0.0, 3.5), (8.0, 3.5)), Style(CLIFF, 0.8 * unit))
        yield Lines(ticks((0.8, 2.4, 4.0, 5.6, 7.2), 3.5, 1.1), Style(CLIFF, 0.35 * unit))
    elif name == "water":
        line = at((0.0, 2.25), (6.0, 2.25))
        yield Lines(line, Style(WATER, 1.1 * unit))
        yield Lines(line, Style(WHITE, 0.25 * unit, (unit, 0.8 * unit)))
        yield Lines(at((8.0, 2.25), (5.2, 3.75), (5.2, 0.75)), Style(fill=WATER), "closed")
    elif name in {"entry", "spring", "mouth", "pool"}:
        yield water_end(at((4.0, 2.25))[0], 1.6 * unit, name)
    elif name != "level":
        yield from map_features.symbol(name, x, y, unit)


def water_end(at: NDArray[np.float64], radius: float, kind: str) -> Item:
    """Draw an entry (square), a spring (ring), a mouth (diamond) or a pool (disc) at a point."""
    style = Style(WATER, 0.25 * radius, fill=WATER if kind == "pool" else WHITE)
    if kind == "mouth":
        ways = np.array([(-1.0, 0.0), (0.0, 1.0), (1.0, 0.0), (0.0, -1.0)])
        return Lines(at + 1.35 * radius * ways, style, "closed")
    if kind == "entry":
        return Lines(at + 0.95 * radius * rectangle(-1.0, -1.0, 2.0, 2.0), style, "closed")
    return Circles(at[None], radius, style)
