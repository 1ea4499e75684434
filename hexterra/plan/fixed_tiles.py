"""What earlier plans fix on a board: tiles that stay, and corners along a joint."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Self

import numpy as np

from hexterra.errors import BriefError
from hexterra.inputs.earlier_plans import EarlierPlan
from hexterra.inputs.joints import (
    check_heights,
    check_lattice,
    check_same_board,
    check_shape,
    check_step,
    grid_points,
    joint_shift_mm,
    shape_beside,
)
from hexterra.lattice.board import Board
from hexterra.lattice.hexagon import N_SIDES
from hexterra.plan.defaults import find_cell
from hexterra.values import Value, readonly

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.brief.brief import Brief


@dataclass(frozen=True, eq=False, repr=False)
class FixedTiles(Value):
    """What earlier plans fix on a board of n cells.

    Parameters
    ----------
    lattice
        The cells.
    corners
        Height of the six corners of earlier tiles, (n, 6) int32, in steps; 0 where none is known.
    is_known
        Cells of which an earlier tile is known, (n,) bool.
    is_kept
        Of these, the ones that keep it, (n,) bool.
    is_joined
        Of these, the ones that keep it because another board has their other half, (n,) bool.
    cliff
        Sides where the earlier tiles have a step face, (n, 6) bool, symmetric.
    profile
        Lattice corners and the height in steps that a joining board has there.
    assumed
        What was taken from the earlier plans, in sentences.
    """

    lattice: Board
    corners: NDArray[np.int32]
    is_known: NDArray[np.bool_]
    is_kept: NDArray[np.bool_]
    is_joined: NDArray[np.bool_]
    cliff: NDArray[np.bool_]
    profile: tuple[tuple[int, int], ...] = ()
    assumed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n = self.lattice.n_cells
        for name, dtype, shape in (
            ("corners", np.int32, (n, N_SIDES)),
            ("is_known", np.bool_, (n,)),
            ("is_kept", np.bool_, (n,)),
            ("is_joined", np.bool_, (n,)),
            ("cliff", np.bool_, (n, N_SIDES)),
        ):
            fixed = readonly(getattr(self, name), dtype=dtype, shape=shape, name=name)
            object.__setattr__(self, name, fixed)

    @classmethod
    def nothing(cls, board: Board) -> Self:
        """Fix nothing."""
        none, corners = np.zeros(board.n_cells, bool), np.zeros((board.n_cells, N_SIDES), np.int32)
        return cls(board, corners, none, none, none, corners.astype(bool))

    @property
    def fixes_any(self) -> bool:
        """Whether anything is fixed."""
        return bool(self.profile) or bool(self.is_kept.any())

    @property
    def joints(self) -> FixedTiles:
        """What joining boards fix, for good; tiles that were kept once may change."""
        only = self.is_joined
        return replace(
            self,
            corners=np.where(only[:, None], self.corners, 0),
            is_known=only,
            is_kept=only,
            cliff=self.cliff & only[:, None] & only[self.lattice.neighbours],
            assumed=(),
        )


def fix_tiles(
    brief: Brief,
    board: Board,
    metres_per_step: float,
    kept: EarlierPlan | None,
    joined: Mapping[str, EarlierPlan],
) -> FixedTiles:
    """Find what earlier plans fix on a board.

    Parameters
    ----------
    brief
        What is wanted, from `fill_open_keys`.
    board
        The cells.
    metres_per_step
        Ground height of a step.
    kept
        The plan whose tiles stay.
    joined
        The plans of the boards that stand against this one, by edge.

    Raises
    ------
    BriefError
        If such a plan is of another board, has other steps, its lattice does not go on in this
        one, or the brief names a cell that the board does not have.
    """
    fixed = FixedTiles.nothing(board)
    if kept is not None:
        check_same_board(board, kept)
        check_heights("keep.plan", brief, kept, metres_per_step)
        is_kept = cells_of(board, brief.keep.cells) & ~cells_of(board, brief.keep.free)
        fixed = keep(fixed, kept.corners, kept.cliff, is_kept)
        said = f"{is_kept.sum():,} cells keep the tile they have in {kept.name}"
        fixed = replace(fixed, assumed=(said,))
    for edge, earlier in joined.items():
        key = f"join.{edge}"
        check_shape(key, shape_beside(edge), board, earlier)
        check_heights(key, brief, earlier, metres_per_step)
        check_step(key, brief, earlier)
        fixed = _join(fixed, key, edge, earlier)
    return fixed


def keep(
    fixed: FixedTiles,
    corners: NDArray[np.int32],
    cliff: NDArray[np.bool_],
    is_kept: NDArray[np.bool_],
) -> FixedTiles:
    """Keep the tiles of an earlier plan of the same board in some of its cells."""
    every = np.ones_like(is_kept)
    return replace(
        fixed, corners=corners, is_known=every, is_kept=fixed.is_kept | is_kept, cliff=cliff
    )


def cells_of(board: Board, names: tuple[str, ...]) -> NDArray[np.bool_]:
    """Mark the cells that a brief names: single ones, blocks from corner to corner, or all.

    Raises
    ------
    BriefError
        If the board does not have such a cell.
    """
    marked = np.zeros(board.n_cells, dtype=np.bool_)
    for name in names:
        if name.strip().lower() == "all":
            marked[:] = True
            continue
        ends = [find_cell(board, end.strip()) for end in name.split(":", 1)]
        column, row = board.column, board.row
        marked |= (
            (column >= column[ends].min())
            & (column <= column[ends].max())
            & (row >= row[ends].min())
            & (row <= row[ends].max())
        )
    return marked


def _join(fixed: FixedTiles, key: str, edge: str, earlier: EarlierPlan) -> FixedTiles:
    """Fix what a neighbouring board has along the joint."""
    board, other = fixed.lattice, earlier.board
    shift_mm = joint_shift_mm(edge, board.size_mm, other)
    check_lattice(key, board, other, shift_mm)
    theirs = {point: cell for cell, point in enumerate(grid_points(other.centre_mm, other))}
    shared = [
        (cell, theirs[point])
        for cell, point in enumerate(grid_points(board.centre_mm + shift_mm, other))
        if point in theirs
    ]
    if shared:
        return _share_cells(fixed, key, shared, earlier)
    heights: dict[tuple[int, int], set[int]] = {}
    corner_mm = other.corner_mm[other.corner_of].reshape(-1, 2)
    for point, height in zip(
        grid_points(corner_mm, other), earlier.corners.ravel().tolist(), strict=True
    ):
        heights.setdefault(point, set()).add(height)
    profile = dict(fixed.profile)
    n_free = 0
    for corner, point in enumerate(grid_points(board.corner_mm + shift_mm, other)):
        wanted = heights.get(point, set()) | ({profile[corner]} if corner in profile else set())
        if point in heights and len(wanted) == 1:
            profile[corner] = wanted.pop()
        elif point in heights:
            n_free += 1
            profile.pop(corner, None)
    said = fixed.assumed
    if n_free:
        said += (
            f"{n_free:,} corners of the {edge} edge are free: step faces of"
            f" {earlier.name} end there",
        )
    return replace(fixed, profile=tuple(sorted(profile.items())), assumed=said)


def _share_cells(
    fixed: FixedTiles, key: str, shared: list[tuple[int, int]], earlier: EarlierPlan
) -> FixedTiles:
    """Keep the tiles of which the neighbour has the other halves."""
    board = fixed.lattice
    mine, theirs = np.array(shared, dtype=np.intp).T
    corners, cliff = fixed.corners.copy(), fixed.cliff.copy()
    wanted = earlier.corners[theirs]
    differs = fixed.is_joined[mine] & (corners[mine] != wanted).any(axis=1)
    if differs.any():
        raise BriefError(
            f"{key} wants another tile in {board.labels[mine[differs.argmax()]]} than another"
            " board that joins there",
            remedy="join one of the two boards only, or plan one of them to join the other",
            key=key,
        )
    corners[mine], is_joined = wanted, fixed.is_joined.copy()
    is_joined[mine] = True
    cliff[mine] = earlier.cliff[theirs]
    beyond = (board.neighbours >= 0) & is_joined[board.neighbours]
    cliff = np.where(
        is_joined[:, None] & beyond, cliff, fixed.cliff & ~(is_joined[:, None] | beyond)
    )
    return replace(
        fixed,
        corners=corners,
        is_known=fixed.is_known | is_joined,
        is_kept=fixed.is_kept | is_joined,
        is_joined=is_joined,
        cliff=cliff,
    )
