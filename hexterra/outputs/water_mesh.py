"""Watercourses -> a mesh: bands that lie on the tops, for looking at.

Channels are not carved into the solids. For a picture, the bed of every watercourse becomes a
solid of its own that ends a little above the tops; all but its uppermost skin is inside the board.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from hexterra.catalogue.solids import facets, surface_rise
from hexterra.lattice import hexagon
from hexterra.outputs.mesh import FINE, Column, Frame, Mesh, closed_mesh, grid_frame, stack_base_mm
from hexterra.workshop.channels import bed_mm
from hexterra.workshop.solids import channel_lines_mm

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.stages.schedule import Schedule

#: How far the bands stand above the tops.
SKIN_MM: Final = 0.3
#: The bed of each cell ends so far from its sides, that those of neighbours are apart.
_GAP_MM: Final = 0.03
#: Points on a fold are off it by the rounding of this grid.
_GRID_MM: Final = 0.01
_PARTS_OF_A_STEP: Final = 720


def water_mesh(schedule: Schedule, *, width_mm: float) -> Mesh | None:
    """Return the watercourses of a board as one mesh; None if there are none.

    Parameters
    ----------
    schedule
        What stands where.
    width_mm
        Distance between the banks.

    Returns
    -------
    Mesh or None
        In the frame of `hexterra.outputs.mesh.board_mesh`, from the underside of the board to
        `SKIN_MM` above its tops.
    """
    water, board = schedule.tiles.legal.water, schedule.board
    if water is None:
        return None
    frame = grid_frame(
        board.facing, board.across_flats_mm, schedule.step_mm, stack_base_mm(schedule) + SKIN_MM
    )
    columns: list[Column] = []
    for cell in np.flatnonzero(water.ports.any(axis=1)).tolist():
        columns += _cell_columns(schedule, cell, frame, width_mm)
    return closed_mesh(columns, frame) if columns else None


def _cell_columns(schedule: Schedule, cell: int, frame: Frame, width_mm: float) -> list[Column]:
    """Cut the bed in one cell into triangles, each within one facet of the top."""
    from shapely import Polygon, get_coordinates

    board, tiles, water = schedule.board, schedule.tiles, schedule.tiles.legal.water
    if water is None:
        return []
    corner = board.centre_mm[cell] + hexagon.corner_offsets(board.across_flats_mm, board.facing)
    outline = board.outline_mm(cell)
    is_whole = board.parts[cell] == "whole"
    middle = board.centre_mm[cell] if is_whole else (outline.min(axis=0) + outline.max(axis=0)) / 2
    ports = np.flatnonzero(water.ports[cell]).tolist()
    lines = channel_lines_mm(corner, ports, middle_mm=middle, is_whole=is_whole)
    bed = bed_mm(lines, len(ports), width_mm).intersection(
        Polygon(outline).buffer(-_GAP_MM, join_style="mitre")
    )
    height = tiles.corners[cell]
    rises = (height - height.min()).tolist()
    areas = [Polygon(corner[list(facet)]) for facet in facets(rises)]
    columns: list[Column] = []
    for triangle in _triangles(bed, areas):
        points = get_coordinates(triangle)[:3]
        from_middle = (points - board.centre_mm[cell]) / board.across_flats_mm
        rise = surface_rise(rises, 0, from_middle, board.corner0_deg)
        columns.append(_fine_column(points, int(height.min()) + rise, frame))
    return columns


def _triangles(bed: Any, areas: list[Any]) -> list[Any]:
    """Cut a bed along the edges of the facets, and what is left into triangles.

    All lines are joined on one grid before they are cut, so that neighbours share whole edges.
    """
    from shapely import (
        constrained_delaunay_triangles,
        get_parts,
        orient_polygons,
        polygonize,
        union_all,
    )

    lines = union_all([bed.boundary, *(area.boundary for area in areas)], grid_size=_GRID_MM)
    pieces = get_parts(polygonize(get_parts(lines)))
    wet = [piece for piece in pieces if bed.contains(piece.representative_point())]
    return [
        triangle
        for piece in wet
        for triangle in get_parts(orient_polygons(constrained_delaunay_triangles(piece)))
    ]


def _fine_column(
    points_mm: NDArray[np.float64], level: NDArray[np.float64], frame: Frame
) -> Column:
    """Carry a triangle to the fine grid, heights on a coarser one."""
    x, y = np.rint(points_mm.T / [[frame.half_x_mm], [frame.half_y_mm]] * FINE).astype(np.int64)
    z = np.rint(level * _PARTS_OF_A_STEP).astype(np.int64) * (FINE // _PARTS_OF_A_STEP)
    return tuple(zip(x.tolist(), y.tolist(), z.tolist(), strict=True))
