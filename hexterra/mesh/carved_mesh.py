"""Pieces and boards -> closed meshes with water and roads carved in, and what is seen in them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import N_SIDES, Facing
from hexterra.mesh.carving import ToGrid, Weld, carved_columns, groove_ends, hollow_columns, to_grid
from hexterra.mesh.tile_columns import (
    FINE,
    Mesh,
    MeshFrame,
    TileColumn,
    cell_columns,
    closed_mesh,
    grid_frame,
    piece_columns,
    stack_base_mm,
)
from hexterra.workshop.solids.carved import piece_stretches
from hexterra.workshop.solids.courses import Course, What, cell_course, piece_course
from hexterra.workshop.solids.grooves import FILLED, Grooves, thinnest_mm
from hexterra.workshop.solids.hollows import Stretch, filled_mm, hollow_mm, stretches

if TYPE_CHECKING:
    from hexterra.stages.schedule.pieces import Piece
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.workshop.solids.solids import Solid


def carved_piece_mesh(piece: Piece, solid: Solid, grooves: Grooves) -> Mesh:
    """Return the mesh of one piece with what is cut into it, in the frame of `Solid`.

    Parameters
    ----------
    piece
        What crosses it.
    solid
        Its shape.
    grooves
        The sections of what is cut.

    Returns
    -------
    Mesh
        Its volume is that of `hexterra.workshop.solids.carved.piece_measures`. Points of grooves
        are moved by less than 0.0001 mm on tiles of 100 mm, and what is taken out of a groove 20 mm
        wide is true to 2e-5 of it.

    Raises
    ------
    BriefError
        If a groove is too wide or too deep for the piece.
    """
    facing: Facing = "points" if solid.corner0_deg else "flats"
    columns = piece_columns(solid, facing)
    frame = grid_frame(facing, solid.across_flats_mm, solid.step_mm, solid.base_mm)
    course, laid = piece_course(piece), piece_stretches(piece, solid, grooves)
    if course is not None:
        shares = _edges(course, grooves, solid.across_flats_mm)
        carry = to_grid(frame, groove_ends(_corner_places((0, 0), frame, facing), shares))
        columns = carved_columns(columns, hollow_mm(laid), frame, carry, Weld())
    return closed_mesh(columns, frame)


def carved_board_mesh(
    schedule: Schedule, grooves: Grooves, cells: Iterable[int] | None = None
) -> Mesh:
    """Return one closed mesh of the board, with all water and sunken roads as grooves.

    Parameters
    ----------
    schedule
        What stands where.
    grooves
        The sections of what is cut.
    cells
        Only the stacks of these cells; all by default.

    Returns
    -------
    Mesh
        In bench coordinates, standing on height 0, footings and spacers included.

    Raises
    ------
    BriefError
        If a groove is too wide or too deep for the tiles.
    """
    carver = _Carver(schedule, grooves)
    chosen = range(schedule.board.n_cells) if cells is None else cells
    columns = [column for cell in chosen for column in carver.carved(cell)]
    return closed_mesh(columns, carver.frame)


def surface_mesh(schedule: Schedule, grooves: Grooves, what: What) -> Mesh | None:
    """Return the water of a board, or the surface of its sunken roads, as one mesh.

    Returns
    -------
    Mesh or None
        In the frame of `carved_board_mesh`, from the underside of the board to the share of the
        depth of the grooves that `hexterra.workshop.solids.grooves.FILLED` names. It is for looking
        at: all but its surface lies within the board. None if the board has none.
    """
    carver = _Carver(schedule, grooves)
    cells = [cell for cell, course in carver.courses.items() if course.what == what]
    if not cells:
        return None
    columns = [column for cell in cells for column in carver.filled(cell)]
    return closed_mesh(columns, carver.frame)


class _Carver:
    """The cells of one board, which share a grid and the heights of places in it."""

    def __init__(self, schedule: Schedule, grooves: Grooves) -> None:
        cuts, board = schedule.cuts, schedule.board
        has_cut = (schedule.tiles.crossing >= 0) | cuts.road.any(axis=1) | (cuts.road_leaves >= 0)
        found = ((cell, cell_course(schedule, cell)) for cell in np.flatnonzero(has_cut).tolist())
        self.courses = {cell: course for cell, course in found if course is not None}
        self.frame = grid_frame(
            board.facing, board.across_flats_mm, schedule.step_mm, stack_base_mm(schedule)
        )
        self._schedule, self._grooves, self._weld = schedule, grooves, Weld()
        # Sides that only the neighbour's road crosses: their edges too are cut where its are.
        beyond = cuts.road[board.neighbours, board.back_sides] & (board.neighbours >= 0)
        self._beyond = beyond & ~cuts.road
        grooves.check(
            tuple(set(self.courses.values())),
            across_flats_mm=board.across_flats_mm,
            base_mm=thinnest_mm(schedule),
        )

    def carved(self, cell: int) -> list[TileColumn]:
        """Return the columns of a cell, carved by what is cut into it."""
        columns = cell_columns(self._schedule, cell, self.frame)
        course, beyond = self.courses.get(cell), np.flatnonzero(self._beyond[cell]).tolist()
        if course is None and not beyond:
            return columns
        road = self._grooves.road.edge_shares(self._schedule.board.across_flats_mm)
        corner = self._corner_mm(cell)
        hollows = [_seam(corner, side, share) for side in beyond for share in road[:2]]
        if course is not None:
            hollows.insert(0, hollow_mm(self._laid(cell, course)))
        carry = self._carry(cell, dict.fromkeys(beyond, road))
        return carved_columns(columns, np.concatenate(hollows), self.frame, carry, self._weld)

    def filled(self, cell: int) -> list[TileColumn]:
        """Return the columns of what fills the course of a cell."""
        course = self.courses[cell]
        depth_mm = (self._grooves.at_sides(course) or (self._grooves.pool,))[0].depth_mm
        surface = filled_mm(self._laid(cell, course), depth_mm, FILLED[course.what])
        columns = cell_columns(self._schedule, cell, self.frame)
        return hollow_columns(columns, surface, self.frame, self._carry(cell, {}), self._weld)

    def _laid(self, cell: int, course: Course) -> tuple[Stretch, ...]:
        is_whole = self._schedule.board.parts[cell] == "whole"
        return stretches(course, self._grooves, self._corner_mm(cell), is_whole=is_whole)

    def _corner_mm(self, cell: int) -> NDArray[np.float64]:
        board = self._schedule.board
        return board.centre_mm[cell] + hexagon.corner_offsets(board.across_flats_mm, board.facing)

    def _carry(self, cell: int, beyond: Mapping[int, Sequence[float]]) -> ToGrid:
        """Return what carries points to the grid, those on crossed sides where both cells do."""
        board, course = self._schedule.board, self.courses.get(cell)
        half_mm = np.array([self.frame.half_x_mm, self.frame.half_y_mm])
        x, y = np.rint(board.centre_mm[cell] / half_mm).astype(np.int64).tolist()
        edges = _edges(course, self._grooves, board.across_flats_mm) if course else {}
        places = _corner_places((x, y), self.frame, board.facing)
        return to_grid(self.frame, groove_ends(places, {**edges, **beyond}))


def _edges(
    course: Course, grooves: Grooves, across_flats_mm: float
) -> dict[int, tuple[float, ...]]:
    """Return where the edges of a course meet each of its sides; see `groove_ends`."""
    held = zip(course.sides, grooves.at_sides(course), strict=True)
    return {side: groove.edge_shares(across_flats_mm) for side, groove in held}


def _seam(corner: NDArray[np.float64], side: int, share: float) -> NDArray[np.float64]:
    """Return a hollow of no depth whose corners part a side where a groove beyond it ends."""
    start, end = corner[side], corner[(side + 1) % N_SIDES]
    middle = (start + end) / 2.0
    points = [
        middle - share * (end - start),
        middle + share * (end - start),
        middle + 0.1 * (corner.mean(axis=0) - middle),
    ]
    return np.column_stack([points, np.zeros(3)])[None]


def _corner_places(
    centre: tuple[int, int], frame: MeshFrame, facing: Facing
) -> Sequence[tuple[int, int]]:
    """Return the corners of a hexagon in the fine grid, around a centre in half pitches."""
    across_flats = 2.0 * (frame.half_x_mm if facing == "points" else frame.half_y_mm)
    half_mm = np.array([frame.half_x_mm, frame.half_y_mm])
    steps = np.rint(hexagon.corner_offsets(across_flats, facing) / half_mm).astype(np.int64)
    return [(x, y) for x, y in ((steps + np.array(centre)) * FINE).tolist()]
