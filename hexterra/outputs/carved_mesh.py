"""Pieces and boards -> closed meshes with their watercourses carved in, and the water in them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import Facing
from hexterra.outputs.carving import Weld, carved_columns, groove_ends, hollow_columns, to_grid
from hexterra.outputs.mesh import (
    FINE,
    Column,
    Frame,
    Mesh,
    cell_columns,
    closed_mesh,
    grid_frame,
    piece_columns,
    stack_base_mm,
)
from hexterra.workshop.courses import channel_lines_mm
from hexterra.workshop.grooves import Groove, groove_hollow, water_hollow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hexterra.stages.schedule import Piece, Schedule
    from hexterra.workshop.solids import Solid

_Carve = Callable[..., list[Column]]
_Hollow = Callable[..., NDArray[np.float64]]


def carved_piece_mesh(piece: Piece, solid: Solid, groove: Groove) -> Mesh:
    """Return the mesh of one piece with its channel as a groove, in the frame of `Solid`.

    Parameters
    ----------
    piece
        Which sides its water crosses, and what it does.
    solid
        Its shape.
    groove
        The section of the channel.

    Returns
    -------
    Mesh
        Its volume is the solid's, less `hexterra.workshop.grooves.hollow_volume_mm3` of what lies
        on the piece. Points of the groove are moved by less than
        0.0001 mm on tiles of 100 mm, and what is taken out of a groove
        20 mm wide is true to 2e-5 of it.

    Raises
    ------
    BriefError
        If the groove is too wide or too deep for the piece.
    """
    facing: Facing = "points" if solid.corner0_deg else "flats"
    columns = piece_columns(solid, facing)
    frame = grid_frame(facing, solid.across_flats_mm, solid.step_mm, solid.base_mm)
    if piece.crossing:
        groove.check(across_flats_mm=solid.across_flats_mm, base_mm=solid.base_mm)
        hollow = groove_hollow(
            groove,
            solid.channels_mm(piece.ports, piece.water, past_mm=groove.width_mm),
            len(piece.ports),
            centre_mm=np.zeros(2),
            across_flats_mm=solid.across_flats_mm,
        )
        carry = to_grid(
            frame,
            groove_ends(
                _corner_places((0, 0), frame, facing),
                piece.ports,
                groove.edge_shares(solid.across_flats_mm),
            ),
        )
        columns = carved_columns(columns, hollow, frame, carry, Weld())
    return closed_mesh(columns, frame)


def carved_board_mesh(
    schedule: Schedule, groove: Groove, cells: Iterable[int] | None = None
) -> Mesh:
    """Return `hexterra.outputs.mesh.board_mesh` with all watercourses as grooves.

    Raises
    ------
    BriefError
        If the groove is too wide or too deep for the tiles.
    """
    board = schedule.board
    _check(schedule, groove)
    chosen = range(board.n_cells) if cells is None else cells
    frame, weld = _frame(schedule), Weld()
    columns: list[Column] = []
    for cell in chosen:
        columns += _carved_cell(schedule, cell, groove, frame, weld, carved_columns, groove_hollow)
    return closed_mesh(columns, frame)


def water_mesh(schedule: Schedule, groove: Groove) -> Mesh | None:
    """Return the water of a board as one mesh; None if there is none.

    Returns
    -------
    Mesh or None
        In the frame of `carved_board_mesh`, from the underside of the board to half the depth of
        the grooves. It is for looking at: all but its surface lies within the board.
    """
    water = schedule.tiles.legal.water
    if water is None or not water.is_watercourse.any():
        return None
    _check(schedule, groove)
    frame, weld = _frame(schedule), Weld()
    columns: list[Column] = []
    for cell in np.flatnonzero(water.is_watercourse).tolist():
        columns += _carved_cell(schedule, cell, groove, frame, weld, hollow_columns, water_hollow)
    return closed_mesh(columns, frame)


def _check(schedule: Schedule, groove: Groove) -> None:
    thinnest_mm = min(
        piece.thickness_mm - max(rises[piece.pattern]) * schedule.step_mm
        for rises in [{p.name: p.rises for p in schedule.tiles.catalogue.patterns}]
        for piece in schedule.pieces
        if piece.kind == "tile"
    )
    groove.check(across_flats_mm=schedule.board.across_flats_mm, base_mm=thinnest_mm)


def _frame(schedule: Schedule) -> Frame:
    board = schedule.board
    base_mm = stack_base_mm(schedule)
    return grid_frame(board.facing, board.across_flats_mm, schedule.step_mm, base_mm)


def _carved_cell(
    schedule: Schedule,
    cell: int,
    groove: Groove,
    frame: Frame,
    weld: Weld,
    carve: _Carve,
    hollow: _Hollow,
) -> list[Column]:
    """Return the columns of one cell, carved if water crosses it."""
    board, water = schedule.board, schedule.tiles.legal.water
    columns = cell_columns(schedule, cell, frame)
    if water is None or not water.is_watercourse[cell]:
        return columns
    centre = board.centre_mm[cell]
    corner = centre + hexagon.corner_offsets(board.across_flats_mm, board.facing)
    ports = np.flatnonzero(water.ports[cell]).tolist()
    lines = channel_lines_mm(
        corner,
        ports,
        is_whole=board.parts[cell] == "whole",
        water=schedule.pieces[int(schedule.piece[cell])].water,
        past_mm=groove.width_mm,
    )
    depths = hollow(
        groove, lines, len(ports), centre_mm=centre, across_flats_mm=board.across_flats_mm
    )
    half_mm = np.array([frame.half_x_mm, frame.half_y_mm])
    x, y = np.rint(centre / half_mm).astype(np.int64).tolist()
    places = _corner_places((x, y), frame, board.facing)
    carry = to_grid(frame, groove_ends(places, ports, groove.edge_shares(board.across_flats_mm)))
    return carve(columns, depths, frame, carry, weld)


def _corner_places(
    centre: tuple[int, int], frame: Frame, facing: Facing
) -> Sequence[tuple[int, int]]:
    """Return the corners of a hexagon in the fine grid, around a centre in half pitches."""
    across_flats = 2.0 * (frame.half_x_mm if facing == "points" else frame.half_y_mm)
    half_mm = np.array([frame.half_x_mm, frame.half_y_mm])
    steps = np.rint(hexagon.corner_offsets(across_flats, facing) / half_mm).astype(np.int64)
    return [(x, y) for x, y in ((steps + np.array(centre)) * FINE).tolist()]
