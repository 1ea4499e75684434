"""Which cells the edges of the board cut, found from their positions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hexterra.verification.rebuilt_board import NEAR, RebuiltBoard


@dataclass(frozen=True)
class Outline:
    """The outline of the board, and what it leaves of each cell.

    Parameters
    ----------
    is_straight
        Whether it is a rectangle that cuts cells; otherwise it runs round whole hexagons.
    kept
        Which half of each cell the board keeps, (n, 2) int8, along x and y: +1 the half toward
        greater coordinates, -1 the other, 0 where no edge cuts it.
    parts
        What of a hexagon each cell is.
    size_mm
        Width and depth of the rectangle up to the last centres.
    reaches_ends
        Whether the last centres lie on the right and the back edge.
    """

    is_straight: bool
    kept: NDArray[np.int8]
    parts: tuple[str, ...]
    size_mm: tuple[float, float]
    reaches_ends: bool


def find_outline(board: RebuiltBoard) -> Outline:
    """Find the edges of the board: where centres of whole hexagons lie on straight lines.

    Where cells were left out, the last centres need not lie on an edge. Most of their parts tell.
    """
    points = board.has_points_front
    pitch = board.flats_mm * math.sqrt(3.0) / 2.0
    near_mm = NEAR * board.flats_mm
    position = np.array([(tile.x_mm, tile.y_mm) for tile in board.tiles])
    beside = np.abs((position[:, int(points)] + pitch / 2) % pitch - pitch / 2)
    straight = bool(np.median(beside) < 10.0 * near_mm)  # a ragged board starts a margin inside
    size_mm = position.max(axis=0)
    at_start, at_end = position < near_mm, position > size_mm - near_mm
    kept = np.zeros((len(position), 2), dtype=np.int8)
    # A left or right edge runs through two corners of a hexagon if points face the front.
    halves = ("corner-cut half", "side-cut half")[:: 1 if points else -1]
    reaches_ends = straight
    for axis, half in enumerate(halves):
        is_cut = np.array([tile.part in (half, "quarter") for tile in board.tiles])
        is_edge = straight and bool(2 * is_cut[at_end[:, axis]].sum() >= at_end[:, axis].sum())
        kept[at_end[:, axis] & is_edge, axis] = -1
        kept[at_start[:, axis] & straight, axis] = 1
        reaches_ends &= is_edge
    name = {(False, False): "whole", (True, False): halves[0], (False, True): halves[1]}
    parts = tuple(name.get((x, y), "quarter") for x, y in (kept != 0).tolist())
    return Outline(straight, kept, parts, (float(size_mm[0]), float(size_mm[1])), reaches_ends)
