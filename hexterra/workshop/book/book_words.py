"""Words of the build book: directions as the maker sees them, water, and amounts."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.lattice.hexagon import CORNER0_DEG, N_SIDES, Facing, Part
from hexterra.stages.water.flow import WaterKind

if TYPE_CHECKING:
    from hexterra.brief.bench_sections import BenchBrief
    from hexterra.stages.schedule.schedule import Schedule

_PLURALS: Final[dict[Part, str]] = {
    "corner-cut half": "corner-cut halves",
    "side-cut half": "side-cut halves",
}

#: What lies at an angle, counter-clockwise from the right, for one who stands at the front edge.
_DIRECTIONS: Final = {
    0: "right",
    30: "back right",
    60: "back right",
    90: "back",
    120: "back left",
    150: "back left",
    180: "left",
    210: "front left",
    240: "front left",
    270: "front",
    300: "front right",
    330: "front right",
}


def corner_word(facing: Facing, corner: int) -> str:
    """Say where a corner of a hexagon points, seen from the front edge."""
    return _DIRECTIONS[round(CORNER0_DEG[facing] + 60 * (corner % N_SIDES)) % 360]


def side_word(facing: Facing, side: int) -> str:
    """Say where a side of a hexagon lies, seen from the front edge."""
    return _DIRECTIONS[round(CORNER0_DEG[facing] + 30 + 60 * (side % N_SIDES)) % 360]


def first_corner(schedule: Schedule, cell: int) -> str:
    """Say where the first corner of a cell's tile goes; "" if the tile fits in any turn, or one.

    A flat whole tile into which nothing is cut may be turned at will. A tile that the board's edge
    cuts fits in one way only.
    """
    board, tiles = schedule.board, schedule.tiles
    is_whole = not board.kept[cell].any()
    is_cut = bool(_ports(schedule, cell)) or schedule.cuts.road[cell].any()
    if not is_whole or (np.ptp(tiles.corners[cell]) == 0 and not is_cut):
        return ""
    return corner_word(board.facing, int(schedule.turn[cell]))


def water_words(schedule: Schedule, cell: int) -> str:
    """Say how water crosses a cell; "" if it is dry."""
    water, facing = schedule.tiles.legal.water, schedule.board.facing
    if water is None or not water.is_watercourse[cell]:
        return ""
    kind, out = WaterKind(int(water.kind[cell])), int(water.outflow[cell])
    inflows = [side_word(facing, side) for side in _ports(schedule, cell) if side != out]
    start = "comes onto the board" if kind == WaterKind.ENTRY else "rises here"
    words = f"from {' and '.join(inflows)}" if inflows else start
    if out >= 0:
        return f"{words} to {side_word(facing, out)}"
    if kind == WaterKind.POOL:
        return f"{words}, stays as a pool"
    return f"{words}, leaves the board"


def stack_words(schedule: Schedule, level: int) -> str:
    """List the spacers under a tile of this level, from the lowest, as "3 x 30 + 15"."""
    words: list[str] = []
    for thickness_mm, alike in groupby(schedule.stacks_mm[level]):
        count = len(list(alike))
        words.append(f"{thickness_mm:g}" if count == 1 else f"{count} x {thickness_mm:g}")
    return " + ".join(words) or "none"


def counted(count: int, noun: str) -> str:
    """Say how many there are of something."""
    return f"{count} {noun}" if count == 1 else f"{count:,} {noun}s"


def box_words(bench: BenchBrief) -> str:
    """Say how large a storage box is inside."""
    return f"{bench.box_length_mm:,g} x {bench.box_width_mm:,g} x {bench.box_height_mm:,g} mm"


def part_words(counts: Iterable[tuple[Part, int]]) -> str:
    """List outlines with their numbers, as "15 whole, 2 corner-cut halves"."""
    words: list[str] = []
    for part, count in counts:
        plural = part if part == "whole" or count == 1 else _PLURALS.get(part, f"{part}s")
        words.append(f"{count:,} {plural}")
    return ", ".join(words)


def duration(minutes: float) -> str:
    """Say a time in hours, or in minutes if it is short."""
    if minutes < 90.0:
        return f"{max(round(minutes), 1) if minutes > 0 else 0} min"
    return f"{minutes / 60.0:,.1f} h"


def _ports(schedule: Schedule, cell: int) -> list[int]:
    water = schedule.tiles.legal.water
    return [] if water is None else np.flatnonzero(water.ports[cell]).tolist()
