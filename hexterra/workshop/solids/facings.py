"""Tiles -> Facings: the upright faces where two tops do not meet, to be cut or covered."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.schedule.schedule import Schedule
from hexterra.values import Value, readonly

#: What lies at the foot of a face: dry land, a cell with water, or water that comes down the face.
FacingKind = Literal["land", "waterside", "fall"]
FACING_KINDS: Final[tuple[FacingKind, ...]] = ("land", "waterside", "fall")


@dataclass(frozen=True, eq=False)
class FacingPiece(Value):
    """Facings of one kind and size.

    Parameters
    ----------
    kind
        What lies at their foot.
    width_mm
        Along the side, at the foot.
    left_mm, right_mm
        Upright height at the left and right end, seen from the low side.
    batter_deg
        How far the face leans back from upright.
    count
        How many are needed.
    climb_mm
        How much higher its foot lies at the right end than at the left: the slope of the lower top.
    """

    kind: FacingKind
    width_mm: float
    left_mm: float
    right_mm: float
    batter_deg: float
    count: int
    climb_mm: float = 0.0

    @property
    def left_slant_mm(self) -> float:
        """Height at the left end, measured up the leaning face."""
        return self.left_mm / math.cos(math.radians(self.batter_deg))

    @property
    def right_slant_mm(self) -> float:
        """Height at the right end, measured up the leaning face."""
        return self.right_mm / math.cos(math.radians(self.batter_deg))

    @property
    def area_mm2(self) -> float:
        """Area of one face: a trapezoid, or a triangle where one end has no height."""
        return self.width_mm * (self.left_slant_mm + self.right_slant_mm) / 2.0


@dataclass(frozen=True, eq=False)
class Facings(Value):
    """Every upright face between two tops, in the order of the cells above them, then sides.

    Parameters
    ----------
    pieces
        The board.
    batter_deg
        How far faces lean back from upright; 0 for vertical-sided cuts.
    cell, side
        The higher cell and the side of it, (k,) int32 and int8. Two tops that cross each other
        along a side have a face on both of its cells.
    width_mm
        Length of the face along the side, (k,) float64: shorter where the board's edge or the
        other top cuts it.
    left_mm, right_mm
        Upright height at either end, seen from the low side, (k,) float64.
    base_mm
        Height of the lower top at the left and right end, above level 0, (k, 2) float64.
    kind
        (k,) int8, a number in `FACING_KINDS`.
    least_mm
        Faces that are lower all along are left to filler.
    """

    pieces: Schedule
    batter_deg: float
    cell: NDArray[np.int32]
    side: NDArray[np.int8]
    width_mm: NDArray[np.float64]
    left_mm: NDArray[np.float64]
    right_mm: NDArray[np.float64]
    base_mm: NDArray[np.float64]
    kind: NDArray[np.int8]
    least_mm: float = 0.0

    def __post_init__(self) -> None:
        n = len(self.cell)
        for name, dtype in (
            ("cell", np.int32),
            ("side", np.int8),
            ("width_mm", np.float64),
            ("left_mm", np.float64),
            ("right_mm", np.float64),
            ("kind", np.int8),
        ):
            held = readonly(getattr(self, name), dtype=dtype, shape=(n,), name=name)
            object.__setattr__(self, name, held)
        base = readonly(self.base_mm, dtype=np.float64, shape=(n, 2), name="base_mm")
        object.__setattr__(self, "base_mm", base)

    @property
    def n_faces(self) -> int:
        """How many faces there are."""
        return len(self.cell)

    @cached_property
    def area_mm2(self) -> NDArray[np.float64]:
        """Area of each face, leaning, (k,) float64."""
        upright = self.width_mm * (self.left_mm + self.right_mm) / 2.0
        return upright / math.cos(math.radians(self.batter_deg))

    @cached_property
    def parts(self) -> tuple[FacingPiece, ...]:
        """What to cut: equal faces counted, by kind, then height, high ones first."""
        rows = zip(
            self.kind.tolist(),
            self.width_mm.round(6).tolist(),
            self.left_mm.round(6).tolist(),
            self.right_mm.round(6).tolist(),
            (self.base_mm[:, 1] - self.base_mm[:, 0]).round(6).tolist(),
            strict=True,
        )
        counts = Counter(row for row in rows if max(row[2:4]) >= self.least_mm - 1e-6)
        order = sorted(counts, key=lambda row: (row[0], -max(row[2:4]), -row[1], -row[2], row[4]))
        return tuple(
            FacingPiece(FACING_KINDS[kind], width, left, right, self.batter_deg, counts[row], climb)
            for row in order
            for kind, width, left, right, climb in [row]
        )


def facings(pieces: Schedule, *, batter_deg: float = 0.0, least_mm: float = 0.0) -> Facings:
    """List the faces of a board where two tops do not meet.

    The face on a side is what the higher top shows above the lower one, between the board's
    edges. Where the tops cross, each shows a triangle above the other.

    Parameters
    ----------
    pieces
        The board's schedule.
    batter_deg
        How far faces lean back from upright: 0 for vertical-sided cuts.
    least_mm
        Faces that are lower all along get no facing.

    Returns
    -------
    Facings
        The upright area of its faces is the area between the two tops over every side in
        `Tiles.cliff` that lies on the board. A face is a fall where water crosses the side, and
        waterside where the cell at its foot carries water.
    """
    board, tiles = pieces.board, pieces.tiles
    water = tiles.legal.water
    cell, side = np.nonzero(tiles.cliff)
    there, back = board.neighbours[cell, side], board.back_sides[cell, side]
    height_mm = tiles.corners.astype(np.float64) * np.float64(pieces.step_mm)
    after = (side + 1) % N_SIDES
    own_mm = np.column_stack([height_mm[cell, side], height_mm[cell, after]])
    other_mm = np.column_stack([height_mm[there, (back + 1) % N_SIDES], height_mm[there, back]])
    ends = board.corner_mm[board.corner_of]
    first, second = ends[cell, side], ends[cell, after]
    on_board = _inside(first, second, np.array(board.size_mm), board.edges == "straight")
    rise_mm = own_mm - other_mm
    shown = _above(rise_mm, on_board)
    at = np.flatnonzero(shown[:, 1] - shown[:, 0] > 1e-9)
    cell, side, there = cell[at], side[at], there[at]
    span = shown[at]
    left_mm, right_mm = (_along(rise_mm[at], span[:, end]) for end in (0, 1))
    base_mm = np.column_stack([_along(other_mm[at], span[:, end]) for end in (0, 1)])
    kind = np.zeros(len(at), dtype=np.int8)
    if water is not None:
        kind[water.is_watercourse[there]] = FACING_KINDS.index("waterside")
        kind[water.ports[cell, side]] = FACING_KINDS.index("fall")
    length_mm = np.linalg.norm(second[at] - first[at], axis=1)
    return Facings(
        pieces=pieces,
        batter_deg=batter_deg,
        cell=cell.astype(np.int32),
        side=side.astype(np.int8),
        width_mm=length_mm * (span[:, 1] - span[:, 0]),
        left_mm=np.maximum(left_mm, 0.0),
        right_mm=np.maximum(right_mm, 0.0),
        base_mm=base_mm,
        kind=kind,
        least_mm=least_mm,
    )


def _along(ends: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what grows evenly from one end of a side to the other, at a share of its length."""
    return ends[:, 0] + (ends[:, 1] - ends[:, 0]) * at


def _inside(
    first: NDArray[np.float64],
    second: NDArray[np.float64],
    size_mm: NDArray[np.float64],
    is_cut: bool,
) -> NDArray[np.float64]:
    """Return where each side enters and leaves the board, (k, 2), as shares of its length.

    Two cells of a board share no side that lies off it.
    """
    span = np.tile([0.0, 1.0], (len(first), 1))
    if not is_cut:
        return span
    near_mm = 1e-6
    for axis in (0, 1):
        for limit_mm, sign in ((0.0, 1.0), (float(size_mm[axis]), -1.0)):
            start = sign * (first[:, axis] - limit_mm)
            end = sign * (second[:, axis] - limit_mm)
            with np.errstate(divide="ignore", invalid="ignore"):
                meets = start / (start - end)
            enters = (start < -near_mm) & (end > near_mm)
            leaves = (start > near_mm) & (end < -near_mm)
            span[enters, 0] = np.maximum(span[enters, 0], meets[enters])
            span[leaves, 1] = np.minimum(span[leaves, 1], meets[leaves])
    return span


def _above(rise_mm: NDArray[np.float64], span: NDArray[np.float64]) -> NDArray[np.float64]:
    """Narrow each span to where the rise, given at both ends of the side, is above 0."""
    shown = span.copy()
    start, end = rise_mm[:, 0], rise_mm[:, 1]
    shown[np.maximum(start, end) <= 0.0] = 0.0
    crosses = start * end < 0.0
    meets = np.divide(start, start - end, out=np.zeros_like(start), where=crosses)
    climbs, falls = crosses & (end > 0.0), crosses & (start > 0.0)
    shown[climbs, 0] = np.maximum(shown[climbs, 0], meets[climbs])
    shown[falls, 1] = np.minimum(shown[falls, 1], meets[falls])
    return shown
