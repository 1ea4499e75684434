"""Relief: the built board, seen from the front at a slant.

A parallel view. The board is drawn from the back to the front, each stack over those behind it:
hexagons are the places nearest to their centres, so of two stacks the one whose centre is farther
away never hides the other.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator
from functools import lru_cache
from itertools import chain, pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.catalogue.tops import surface_rise
from hexterra.drawing.scene import Lines, Scene, Style
from hexterra.lattice.hexagon import N_SIDES, corner_offsets
from hexterra.workshop.solids.solids import board_cuts, cut_top
from hexterra.workshop.templates.piece_drawings import projected, turned

if TYPE_CHECKING:
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.workshop.solids.solids import EdgeCuts

#: The board is turned clockwise by this, then seen from the front.
_TURN_DEG: Final = 14.0
#: Light comes from the back left, low, so that gentle slopes show.
_LIGHT_FROM_DEG: Final = 150.0
_LIGHT_ABOVE_DEG: Final = 28.0

_WATER: Final = Style("#1c1c1c", 0.55)
_OUTLINE: Final = Style("#6e6e6e", 0.09)


def board_view(schedule: Schedule) -> Scene:
    """Draw a built board, in millimetres of the bench."""
    board, tiles, step_mm = schedule.board, schedule.tiles, schedule.step_mm
    base_mm = -_below_mm(schedule)
    depth = turned(board.centre_mm, _TURN_DEG)[:, 1]
    top_steps = max(int(tiles.corners.max(initial=0)), 1)
    found: list[Lines] = []
    for cell in np.argsort(-depth, kind="stable").tolist():
        tops = list(_tops(schedule, cell))
        rims = [
            np.array([start, end])
            for top, is_rim in tops
            for start, end, is_end in zip(top, np.roll(top, -1, axis=0), is_rim, strict=True)
            if is_end
        ]
        for start, end in rims:  # what other stacks hide of a wall is drawn over
            found += _wall(start, end, base_mm)
        for top, _ in tops:
            normal = np.cross(top[1] - top[0], top[2] - top[0])
            share = float(top[:, 2].mean()) / (top_steps * step_mm)
            found.append(_face(top, _tint(normal, share)))
        found += [Lines(projected(rim, _TURN_DEG), _OUTLINE) for rim in rims]
        found += _water(schedule, cell)
    return Scene(tuple(found))


def _face(points: NDArray[np.float64], grey: str) -> Lines:
    """Draw a face; an outline in its own ink closes the gaps between faces that touch."""
    return Lines(projected(points, _TURN_DEG), Style(grey, 0.1, fill=grey), "closed")


# The board ---------------------------------------------------------------------------------------


def _below_mm(schedule: Schedule) -> float:
    """Return how far the underside of the stacks lies below the lowest corner of level 0."""
    rises = {pattern.name: max(pattern.rises) for pattern in schedule.tiles.catalogue.patterns}
    tile_mm = [p.thickness_mm - rises[p.pattern] * schedule.step_mm
               for p in schedule.pieces if p.kind == "tile"]  # fmt: skip
    footing_mm = [p.thickness_mm for p in schedule.pieces if p.kind == "footing"]
    return max(tile_mm) + max(footing_mm, default=0.0)


def _tops(schedule: Schedule, cell: int) -> Iterator[tuple[NDArray[np.float64], tuple[bool, ...]]]:
    """Yield each facet that the board keeps of a top, (k, 3), and which edges are no folds."""
    board, tiles = schedule.board, schedule.tiles
    level = int(tiles.level[cell])
    rises = tuple((tiles.corners[cell] - level).tolist())
    kept_x, kept_y = board.kept[cell].tolist()
    frame = corner_offsets(board.across_flats_mm, board.facing)[:2]
    for points, is_rim in _cut_facets(rises, board_cuts(board.facing, kept_x, kept_y)):
        plan = points[:, :2] @ frame + board.centre_mm[cell]
        yield np.column_stack([plan, (level + points[:, 2]) * schedule.step_mm]), is_rim


@lru_cache(maxsize=1024)
def _cut_facets(
    rises: tuple[int, ...], cuts: EdgeCuts
) -> tuple[tuple[NDArray[np.float64], tuple[bool, ...]], ...]:
    """Return facets, (k, 3), in the frame of corners 0 and 1, and steps, and which edges are rims.

    Edge n begins at point n; a fold is an edge of two facets.
    """
    exact = cut_top(rises, cuts)
    edges = [[frozenset(edge) for edge in pairwise((*facet, facet[0]))] for facet in exact]
    counts = Counter(chain.from_iterable(edges))
    return tuple(
        (np.array(facet, dtype=np.float64), tuple(counts[edge] == 1 for edge in own))
        for facet, own in zip(exact, edges, strict=True)
    )


def _wall(start: NDArray[np.float64], end: NDArray[np.float64], base_mm: float) -> list[Lines]:
    """Return the wall below an edge, if it faces the viewer."""
    outward = np.array([end[1] - start[1], start[0] - end[0]])
    if turned(outward[None], _TURN_DEG)[0, 1] >= 0.0:
        return []
    foot = np.array([[*start[:2], base_mm], [*end[:2], base_mm]])
    wall = np.concatenate([foot, [end, start]])
    return [_face(wall, _wall_tint(outward))]


def _water(schedule: Schedule, cell: int) -> Iterable[Lines]:
    """Draw a watercourse from each port to the middle of what the board keeps of the cell."""
    water, board = schedule.tiles.legal.water, schedule.board
    if water is None or not water.is_watercourse[cell]:
        return
    flats_mm = board.across_flats_mm
    corner = corner_offsets(flats_mm, board.facing)
    middle = board.kept[cell] * corner.max(axis=0) / 2.0
    rises = (schedule.tiles.corners[cell] - schedule.tiles.level[cell]).tolist()
    for side in np.flatnonzero(water.ports[cell]).tolist():
        port = (corner[side] + corner[(side + 1) % N_SIDES]) / 2.0
        line = port + np.linspace(0.0, 1.0, 7)[:, None] * (middle - port)
        steps = surface_rise(rises, 0, line / flats_mm, board.corner0_deg)
        z = (steps + float(schedule.tiles.level[cell])) * schedule.step_mm
        points = np.column_stack([line + board.centre_mm[cell], z])
        yield Lines(projected(points, _TURN_DEG), _WATER)


# Light ---------------------------------------------------------------------------------------


def _light(normal: NDArray[np.float64]) -> float:
    """Return how brightly a face is lit, 0 to 1 (Lambert's cosine law)."""
    around, above = math.radians(_LIGHT_FROM_DEG - _TURN_DEG), math.radians(_LIGHT_ABOVE_DEG)
    towards = np.array([
        math.cos(above) * math.cos(around), math.cos(above) * math.sin(around), math.sin(above)
    ])  # fmt: skip
    return max(float(normal @ towards) / float(np.linalg.norm(normal)), 0.0)


def _tint(normal: NDArray[np.float64], height_share: float) -> str:
    """Return the grey of a top: lit from the back left, and a little lighter where it is high."""
    return _grey(0.12 + 1.05 * _light(normal) + 0.16 * height_share)


def _wall_tint(outward: NDArray[np.float64]) -> str:
    """Return the grey of an upright face: in shade, the side a little lighter than the front."""
    lean = float(turned(outward[None], _TURN_DEG)[0, 0]) / float(np.linalg.norm(outward))
    return _grey(0.42 - 0.08 * lean)


def _grey(share: float) -> str:
    level = round(255 * min(max(share, 0.0), 0.97))
    return f"#{level:02x}{level:02x}{level:02x}"
