"""Meshes of pieces and boards with nothing cut into their tops."""

from __future__ import annotations

from collections.abc import Iterable

from hexterra.lattice.hexagon import Facing
from hexterra.mesh.tile_columns import (
    Mesh,
    cell_columns,
    closed_mesh,
    grid_frame,
    piece_columns,
    stack_base_mm,
)
from hexterra.stages.schedule.schedule import Schedule
from hexterra.workshop.solids.solids import Solid


def piece_mesh(solid: Solid) -> Mesh:
    """Return the mesh of one piece, in the frame of `Solid`."""
    facing: Facing = "points" if solid.corner0_deg else "flats"
    frame = grid_frame(facing, solid.across_flats_mm, solid.step_mm, solid.base_mm)
    return closed_mesh(piece_columns(solid, facing), frame)


def board_mesh(schedule: Schedule, cells: Iterable[int] | None = None) -> Mesh:
    """Return one mesh of the stacks of these cells; of all by default."""
    board, base_mm = schedule.board, stack_base_mm(schedule)
    frame = grid_frame(board.facing, board.across_flats_mm, schedule.step_mm, base_mm)
    chosen = range(board.n_cells) if cells is None else cells
    columns = (column for cell in chosen for column in cell_columns(schedule, cell, frame))
    return closed_mesh(columns, frame)
