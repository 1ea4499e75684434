"""What a map writes on each tile: its cell, level, pattern and crossing, where there is room."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Polygon

from hexterra.drawing.lettering import text_width
from hexterra.drawing.map_style import INK, MapSheet
from hexterra.drawing.scene import WHITE, Text
from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import Facing
from hexterra.stages.water.flow import WaterKind

if TYPE_CHECKING:
    from hexterra.stages.tiles.fit import Tiles

#: How watercourses begin and end; a symbol takes the room of a word there.
_ENDS: Final = (WaterKind.SPRING, WaterKind.MOUTH, WaterKind.POOL, WaterKind.ENTRY)
#: Size of the name of a cell, in distances across flats.
_NAME: Final = 0.115


class _Placed(NamedTuple):
    """A word, and where its baseline has its middle and its size, in distances across flats."""

    word: str
    x: float
    y: float
    size: float
    role: str


def cell_words(
    sheet: MapSheet, tiles: Tiles, has_road: NDArray[np.bool_]
) -> Iterator[tuple[int, Text]]:
    """Yield each cell with its name, its level, and its pattern and crossing unless plain."""
    board, water, f = sheet.board, tiles.legal.water, sheet.flats_mm
    centre, kept = sheet.centre().tolist(), board.kept.tolist()
    patterns = [pattern.name for pattern in tiles.catalogue.patterns]
    crossings = [crossing.name for crossing in tiles.catalogue.crossings]
    is_flat = tiles.corners.max(axis=1) == tiles.corners.min(axis=1)
    for cell in range(board.n_cells):
        kind = WaterKind.DRY if water is None else WaterKind(int(water.kind[cell]))
        is_end, is_busy = kind in _ENDS, kind != WaterKind.DRY or bool(has_road[cell])
        top = "" if is_flat[cell] else patterns[tiles.pattern[cell]]
        foot = crossings[tiles.crossing[cell]] if tiles.crossing[cell] >= 0 else ""
        if is_end and any(kept[cell]):  # its symbol takes the room
            foot = ""
        x, y = centre[cell]
        for placed in _places(
            board.facing, *kept[cell], top, str(tiles.level[cell]), foot, board.labels[cell]
        ):
            on_symbol = placed.role == "level" and is_end
            halo = 0.22 if placed.role == "name" else 0.11
            yield (
                cell,
                Text(
                    (x + placed.x * f, y + placed.y * f),
                    placed.size * f,
                    placed.word,
                    "middle",
                    ink=WHITE if on_symbol and kind == WaterKind.POOL else INK,
                    is_bold=placed.role == "level",
                    halo_mm=halo * placed.size * f if is_busy and not on_symbol else 0.0,
                    layer="cells" if placed.role == "name" else "tiles",
                ),
            )


@cache
def _places(
    facing: Facing, kept_x: int, kept_y: int, top: str, level: str, foot: str, name: str
) -> tuple[_Placed, ...]:
    """Place the words of a tile.

    The level stands in the middle of what is left of the hexagon, with the name of the cell to its
    left, or below it where a straight edge cuts the hexagon. Every word is made as small as the
    width of the outline at its height asks.
    """
    outline = hexagon.part_outline(1.0, facing, kept_x, kept_y)
    low, high = float(outline[:, 1].min()), float(outline[:, 1].max())
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    found: list[_Placed] = []
    for word, offset, wanted, role in (
        (top, 0.52, 0.125, "top"),
        (level, 0.0, 0.2, "level"),
        (foot, -0.52, 0.125, "foot"),
    ):
        if word:
            size = min(wanted, 0.42 * half)
            y = middle + offset * half
            left, right = _chord(outline, (y - 0.5 * size, y + 0.5 * size))
            room = 0.86 * (right - left)
            size = min(size, room / text_width(word, 1.0, bold=role == "level"))
            found.append(_Placed(word, (left + right) / 2.0, y - 0.36 * size, size, role))
    size = min(_NAME, 0.3 * half)
    if not kept_x:
        beside = 0.0 if facing == "points" or kept_y else 0.13  # signs of cover stand at the level
        x, y, room = -0.31, middle - beside, 0.25
    elif foot and kept_y:
        return tuple(found)  # a quarter with a watercourse has no room left
    else:
        y = middle - (0.185 if foot else 0.52 * half)
        left, right = _chord(outline, (y - 0.5 * size, y + 0.5 * size))
        x, room = (left + right) / 2.0, 0.8 * (right - left)
    size = min(size, room / text_width(name, 1.0))
    return (*found, _Placed(name, x, y - 0.36 * size, size, "name"))


def _chord(outline: NDArray[np.float64], heights: Iterable[float]) -> tuple[float, float]:
    """Left and right end of what a convex outline spans at all these heights."""
    area = Polygon(outline)
    spans = [area.intersection(LineString([(-1.0, y), (1.0, y)])).bounds for y in heights]
    return max(span[0] for span in spans), min(span[2] for span in spans)
