"""Relief in the build book: the built board, seen from the front at a slant.

A parallel view. The board is drawn from the back to the front, each stack over those behind it:
hexagons are the places nearest to their centres, so of two stacks the one whose centre is farther
away never hides the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.catalogue.tops import surface_rise
from hexterra.lattice.hexagon import CORNER0_DEG, N_SIDES, Facing, corner_offsets
from hexterra.mesh.tile_columns import board_cuts
from hexterra.workshop.solids.solids import cut_top

if TYPE_CHECKING:
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.workshop.book.paper import Pen
    from hexterra.workshop.solids.solids import EdgeCuts

#: The board is turned clockwise by this before it is looked at from the front ...
_TURN_DEG: Final = 14.0
#: ... from this far above the bench.
_ABOVE_DEG: Final = 38.0
#: Light comes from the back left, low, so that gentle slopes show.
_LIGHT_FROM_DEG: Final = 150.0
_LIGHT_ABOVE_DEG: Final = 28.0

_WATER: Final = "#1c1c1c"
_OUTLINE: Final = "#6e6e6e"


@dataclass(frozen=True)
class Face:
    """A face or a line of a view: its points on paper, y up, and how it is drawn."""

    points: NDArray[np.float64]
    fill: str = ""
    ink: str = ""
    width_mm: float = 0.1


def board_faces(schedule: Schedule) -> list[Face]:
    """Return the faces of a built board in drawing order, in millimetres of the bench."""
    board, tiles, step_mm = schedule.board, schedule.tiles, schedule.step_mm
    base_mm = -_below_mm(schedule)
    depth = _turned(board.centre_mm)[:, 1]
    top_steps = max(int(tiles.corners.max(initial=0)), 1)
    found: list[Face] = []
    for cell in np.argsort(-depth, kind="stable").tolist():
        walls: list[Face] = []
        tops: list[Face] = []
        for top, normal in _tops(schedule, cell):
            share = float(top[:, 2].mean()) / (top_steps * step_mm)
            tops.append(Face(_project(top), _tint(normal, share)))
            edges = pairwise((*top, top[0]))
            for side, (start, end) in zip(_sides(schedule, cell, top), edges, strict=True):
                if side is None:
                    continue
                if _is_exposed(schedule, cell, side):
                    walls += _wall(start, end, base_mm)
                tops.append(Face(_project(np.array([start, end])), ink=_OUTLINE, width_mm=0.09))
        found += [*walls, *tops, *_water(schedule, cell)]
    return found


def wedge_points(
    corner: NDArray[np.float64], middle: NDArray[np.float64], across_flats: float
) -> NDArray[np.float64]:
    """Return a wedge that points at a corner from within, (3, 2) float64."""
    out = (corner - middle) / np.linalg.norm(corner - middle) * across_flats
    across = np.array([-out[1], out[0]])
    head, foot = corner - 0.05 * out, corner - 0.19 * out
    return np.array([head, foot + 0.07 * across, foot - 0.07 * across])


def draw_faces(
    pen: Pen, faces: Sequence[Face], left: float, top: float, width: float, height: float
) -> None:
    """Draw a view into the middle of a frame, as large as fits."""
    points = np.concatenate([face.points for face in faces])
    low, high = points.min(axis=0), points.max(axis=0)
    size = high - low
    scale = min(width / float(size[0]), height / float(size[1]))
    x0 = left + (width - scale * float(size[0])) / 2.0 - scale * float(low[0])
    y0 = top + (height + scale * float(size[1])) / 2.0 + scale * float(low[1])
    for face in faces:
        places = (face.points * (scale, -scale) + (x0, y0)).tolist()
        if face.fill:
            # An outline in its own ink closes the gaps between faces that touch.
            pen.polygon(places, fill=face.fill, ink=face.fill, width=0.1)
        else:
            pen.line(places, width=face.width_mm, ink=face.ink)


# The board ---------------------------------------------------------------------------------------


def _below_mm(schedule: Schedule) -> float:
    """Return how far the underside of the stacks lies below the lowest corner of level 0."""
    rises = {pattern.name: max(pattern.rises) for pattern in schedule.tiles.catalogue.patterns}
    tile_mm = [p.thickness_mm - rises[p.pattern] * schedule.step_mm
               for p in schedule.pieces if p.kind == "tile"]  # fmt: skip
    footing_mm = [p.thickness_mm for p in schedule.pieces if p.kind == "footing"]
    return max(tile_mm) + max(footing_mm, default=0.0)


def _tops(
    schedule: Schedule, cell: int
) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Yield each facet that the board keeps of a top, (k, 3), and its normal."""
    board, tiles = schedule.board, schedule.tiles
    level = int(tiles.level[cell])
    rises = tuple((tiles.corners[cell] - level).tolist())
    kept_x, kept_y = board.kept[cell].tolist()
    frame = corner_offsets(board.across_flats_mm, board.facing)[:2]
    for points in _cut_points(rises, board_cuts(board.facing, kept_x, kept_y)):
        plan = points[:, :2] @ frame + board.centre_mm[cell]
        top = np.column_stack([plan, (level + points[:, 2]) * schedule.step_mm])
        yield top, np.cross(top[1] - top[0], top[2] - top[0])


@lru_cache(maxsize=1024)
def _cut_points(rises: tuple[int, ...], cuts: EdgeCuts) -> tuple[NDArray[np.float64], ...]:
    """Return the facets of a top, (k, 3) each, in the frame of corners 0 and 1, and steps."""
    exact = cut_top(rises, cuts)
    return tuple(np.array([[float(v) for v in point] for point in facet]) for facet in exact)


@lru_cache(maxsize=2)
def _outward(facing: Facing) -> NDArray[np.float64]:
    """Return the directions in which the sides lie, (6, 2) float64."""
    angle = np.deg2rad(CORNER0_DEG[facing] + 30.0 + 60.0 * np.arange(N_SIDES))
    return np.column_stack([np.cos(angle), np.sin(angle)])


def _sides(schedule: Schedule, cell: int, top: NDArray[np.float64]) -> list[int | None]:
    """Find the side of the cell that each edge of a facet lies on.

    -1 for an edge of the board, None for a fold.
    """
    board = schedule.board
    middle = (top[:, :2] + np.roll(top[:, :2], -1, axis=0)) / 2.0
    near = 1e-6 * board.across_flats_mm
    distance = (middle - board.centre_mm[cell]) @ _outward(board.facing).T
    side = distance.argmax(axis=1)
    is_fold = distance.max(axis=1) < board.across_flats_mm / 2.0 - near
    is_rim: NDArray[np.bool_] = np.zeros(len(top), dtype=bool)
    if board.kept[cell].any():
        is_rim |= ((middle < near) | (middle > np.array(board.size_mm) - near)).any(axis=1)
    return [
        -1 if is_rim[edge] else None if is_fold[edge] else int(side[edge])
        for edge in range(len(top))
    ]


def _is_exposed(schedule: Schedule, cell: int, side: int) -> bool:
    """Tell whether a side of a cell has a wall that may be seen."""
    is_rim = side < 0 or int(schedule.board.neighbours[cell, side]) < 0
    return is_rim or bool(schedule.tiles.cliff[cell, side])


def _wall(start: NDArray[np.float64], end: NDArray[np.float64], base_mm: float) -> list[Face]:
    """Return the wall below an edge, if it faces the viewer."""
    outward = np.array([end[1] - start[1], start[0] - end[0]])
    if _turned(outward[None])[0, 1] >= 0.0:
        return []
    foot = np.array([[*start[:2], base_mm], [*end[:2], base_mm]])
    wall = np.concatenate([foot, [end, start]])
    return [Face(_project(wall), _wall_tint(outward))]


def _water(schedule: Schedule, cell: int) -> Iterable[Face]:
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
        yield Face(_project(points), ink=_WATER, width_mm=0.55)


# The view ----------------------------------------------------------------------------------------


def _turned(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn points of the plan, (k, 2), to lie before the viewer."""
    angle = math.radians(_TURN_DEG)
    x, y = points.T
    return np.column_stack(
        [x * math.cos(angle) + y * math.sin(angle), y * math.cos(angle) - x * math.sin(angle)]
    )


def _project(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Carry points in space, (k, 3), to paper, y up."""
    above = math.radians(_ABOVE_DEG)
    x, y = _turned(points[:, :2]).T
    return np.column_stack([x, y * math.sin(above) + points[:, 2] * math.cos(above)])


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
    lean = float(_turned(outward[None])[0, 0]) / float(np.linalg.norm(outward))
    return _grey(0.42 - 0.08 * lean)


def _grey(share: float) -> str:
    level = round(255 * min(max(share, 0.0), 0.97))
    return f"#{level:02x}{level:02x}{level:02x}"
