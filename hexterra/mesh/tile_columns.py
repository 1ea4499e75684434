"""Columns -> meshes: closed solids of every piece and of the whole board.

A solid is built from columns: prisms over convex polygons that share whole edges with their
neighbours, as hexagons and their facets do. Points are whole numbers in a fine grid that holds
all of them exactly, so surfaces close without any tolerance. Walls stand only where one column is
higher than the next. Watercourses are carved by `hexterra.mesh.carved_mesh`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import Facing
from hexterra.values import Value, readonly
from hexterra.workshop.solids.solids import AXES, Polygon, board_cuts, cut_top

if TYPE_CHECKING:
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.workshop.solids.solids import Solid

#: Parts of a half pitch, and of a step: every point of a cut top is a whole number of them, and so
#: is every point where two tops cross over a side. On tiles of 100 mm one is a millionth of a
#: millimetre, so that grooves, whose points are moved to it, keep their shape.
FINE: Final = 30_240_000
#: Height of the underside, below all that can be carved.
_GROUND: Final = -(10**12)

GridPoint = tuple[int, int]
TileColumn = tuple[tuple[int, int, int], ...]


@dataclass(frozen=True, eq=False)
class Mesh(Value):
    """A closed surface of triangles.

    Parameters
    ----------
    vertices_mm
        (n, 3) float64; x, y and height.
    faces
        (m, 3) int32, counter-clockwise from outside.
    is_top
        (m,) bool: faces of tops; the others are walls and undersides.
    """

    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int32]
    is_top: NDArray[np.bool_]

    def __post_init__(self) -> None:
        n = len(self.faces)
        for name, dtype, shape in (
            ("vertices_mm", np.float64, (None, 3)),
            ("faces", np.int32, (n, 3)),
            ("is_top", np.bool_, (n,)),
        ):
            held = readonly(getattr(self, name), dtype=dtype, shape=shape, name=name)
            object.__setattr__(self, name, held)

    @property
    def volume_mm3(self) -> float:
        """Volume within the surface."""
        one, two, three = self.vertices_mm[self.faces].transpose(1, 0, 2)
        return float(np.einsum("ij,ij->", one, np.cross(two, three))) / 6.0


@dataclass(frozen=True)
class MeshFrame:
    """Where the fine grid lies: millimetres of a half pitch, of a step, and of level 0."""

    half_x_mm: float
    half_y_mm: float
    step_mm: float
    base_mm: float

    def place(self, point: tuple[int, int, int]) -> tuple[float, float, float]:
        """Convert a point of the fine grid to millimetres."""
        x, y, z = point
        height_mm = self.base_mm + z / FINE * self.step_mm if z != _GROUND else 0.0
        return x / FINE * self.half_x_mm, y / FINE * self.half_y_mm, height_mm


def grid_frame(facing: Facing, across_flats_mm: float, step_mm: float, base_mm: float) -> MeshFrame:
    """Return the frame in which all corners of hexagons have whole half pitches."""
    halves = across_flats_mm / 2.0, hexagon.side_length(across_flats_mm) / 2.0
    half_x_mm, half_y_mm = halves if facing == "points" else halves[::-1]
    return MeshFrame(half_x_mm, half_y_mm, step_mm, base_mm)


def piece_columns(solid: Solid, facing: Facing) -> list[TileColumn]:
    """Return the columns of one piece, around the middle of the whole hexagon."""
    return [_column(polygon, facing) for polygon in solid.top]


def cell_columns(schedule: Schedule, cell: int, frame: MeshFrame) -> list[TileColumn]:
    """Return the columns of the stack of one cell, in bench coordinates."""
    board, tiles = schedule.board, schedule.tiles
    half_mm = np.array([frame.half_x_mm, frame.half_y_mm])
    x, y = np.rint(board.centre_mm[cell] / half_mm).astype(np.int64).tolist()
    level = int(tiles.level[cell])
    rises = tuple((tiles.corners[cell] - level).tolist())
    kept_x, kept_y = board.kept[cell].tolist()
    cuts = board_cuts(board.facing, kept_x, kept_y)
    return [_column(polygon, board.facing, x, y, level) for polygon in cut_top(rises, cuts)]


def stack_base_mm(schedule: Schedule) -> float:
    """Return how high the lowest corner of a tile at level 0 stands, footing included."""
    rises = {p.name: max(p.rises) for p in schedule.tiles.catalogue.patterns}
    tile = next(piece for piece in schedule.pieces if piece.kind == "tile")
    footing_mm = next((p.thickness_mm for p in schedule.pieces if p.kind == "footing"), 0.0)
    return footing_mm + tile.thickness_mm - rises[tile.pattern] * schedule.step_mm


def _column(polygon: Polygon, facing: Facing, x: int = 0, y: int = 0, level: int = 0) -> TileColumn:
    """Convert an exact polygon to the fine grid, around a centre in half pitches."""
    along_x, along_y = AXES[facing]
    return tuple(
        (
            _fine(x + along_x[0] * a + along_x[1] * b),
            _fine(y + along_y[0] * a + along_y[1] * b),
            _fine(level + rise),
        )
        for a, b, rise in polygon
    )


def _fine(value: Fraction) -> int:
    fine = value * FINE
    if fine.denominator != 1:
        raise ValueError(f"{value} is no whole number of {FINE} parts")
    return fine.numerator


# Closing ---------------------------------------------------------------------------------------


def closed_mesh(columns: Iterable[TileColumn], frame: MeshFrame) -> Mesh:
    """Return the closed surface of columns that stand on one plane.

    Parameters
    ----------
    columns
        Tops of the columns: planar convex polygons in the fine grid, counter-clockwise from
        above. They do not overlap, and those that touch share whole edges.
    frame
        Where the grid lies.

    Returns
    -------
    Mesh
        Every edge has two faces that pass it in opposite directions, and faces meet only in
        edges and vertices. Equal columns give equal vertices and faces.

    Notes
    -----
    Between two columns a wall fills what one top stands above the other; where the tops cross
    within an edge, each column has the wall on its higher side, and the crossing becomes a vertex
    of both tops. At a vertical line that several columns share, each wall gets a vertex at every
    height where one of them has one.
    """
    surface = _Surface(frame)
    tops = list(columns)
    ends: dict[tuple[GridPoint, GridPoint], tuple[int, int]] = {}
    heights: dict[GridPoint, set[int]] = {}
    for top in tops:
        for here, there in pairwise((*top, top[0])):
            ends[here[:2], there[:2]] = here[2], there[2]
            heights.setdefault(here[:2], set()).add(here[2])
    for top in tops:
        outline: list[tuple[int, int, int]] = []
        walls: list[tuple[list[tuple[int, int, int]], int]] = []
        for here, there in pairwise((*top, top[0])):
            outline.append(here)
            start, end = here[:2], there[:2]
            back = ends.get((end, start))
            low = (_GROUND, _GROUND) if back is None else (back[1], back[0])
            over, over_end = here[2] - low[0], there[2] - low[1]
            crossing = None
            if over * over_end < 0:
                crossing = _between(here, there, Fraction(over, over - over_end))
                outline.append(crossing)
            if over > 0 or over_end > 0:
                left = _riser(start, low[0], here[2], heights) if over > 0 else [crossing or here]
                right = (
                    _riser(end, low[1], there[2], heights) if over_end > 0 else [crossing or there]
                )
                walls.append((right + left[::-1], min(len(left), 2) + min(len(right), 2)))
        surface.add(outline, n_corners=len(top), is_top=True)
        foot = [(x, y, _GROUND) for x, y, _ in reversed(top)]
        surface.add(foot, n_corners=len(foot), is_top=False)
        for wall, n_corners in walls:
            surface.add(wall, n_corners=n_corners, is_top=False)
    return surface.mesh()


def _riser(
    at: GridPoint, low: int, high: int, heights: dict[GridPoint, set[int]]
) -> list[tuple[int, int, int]]:
    """Return the vertices of a vertical line from low to high."""
    between = sorted(z for z in heights[at] if low < z < high)
    return [(*at, z) for z in (low, *between, high)]


def _between(
    one: tuple[int, int, int], other: tuple[int, int, int], share: Fraction
) -> tuple[int, int, int]:
    # On the tops of tiles this is whole already; see `FINE`.
    x, y, z = (round(a + share * (b - a)) for a, b in zip(one, other, strict=True))
    return x, y, z


class _Surface:
    """Triangles in the making, with each vertex once."""

    def __init__(self, frame: MeshFrame) -> None:
        self._frame = frame
        self._number: dict[tuple[int, int, int], int] = {}
        self._vertices: list[tuple[float, float, float]] = []
        self._faces: list[tuple[int, int, int]] = []
        self._is_top: list[bool] = []

    def add(self, points: Sequence[tuple[int, int, int]], *, n_corners: int, is_top: bool) -> None:
        """Add a planar convex polygon; if it has points between its corners, around its middle."""
        ring = [self._vertex(point) for point in points]
        if len(ring) == n_corners:
            faces = [(ring[0], two, three) for two, three in pairwise(ring[1:])]
        else:
            places = [self._vertices[number] for number in ring]
            x, y, z = (sum(column) / len(ring) for column in zip(*places, strict=True))
            middle = len(self._vertices)
            self._vertices.append((x, y, z))
            faces = [(middle, two, three) for two, three in pairwise((*ring, ring[0]))]
        self._faces += faces
        self._is_top += [is_top] * len(faces)

    def _vertex(self, point: tuple[int, int, int]) -> int:
        if point not in self._number:
            self._number[point] = len(self._vertices)
            self._vertices.append(self._frame.place(point))
        return self._number[point]

    def mesh(self) -> Mesh:
        """Return what was added."""
        return Mesh(
            np.array(self._vertices).reshape(-1, 3),
            np.array(self._faces, dtype=np.int32).reshape(-1, 3),
            np.array(self._is_top, dtype=np.bool_),
        )
