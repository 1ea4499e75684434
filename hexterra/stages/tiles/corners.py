"""Levels -> corner heights: how high every corner of every top would stand, were all of them cut.

`fit` takes the tops of the catalogue that come nearest.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import N_SIDES

if TYPE_CHECKING:
    from hexterra.lattice.lattice import Lattice
    from hexterra.stages.levels.legalise import LegalLevels
    from hexterra.stages.water.flow import Watercourses


def start_corners(legal: LegalLevels) -> NDArray[np.int32]:
    """Return the height of every cell's corners, (n, 6) int32: `corner_heights`, less at shores.

    Around standing water corners stand at its level, so that its own tops are level. A cliff along
    the shore stays one. So does the side of a watercourse that runs beside the water without
    running into it, where it would otherwise have to leave its cell above the lowest corner, cross
    a sloping side, or rise.
    """
    lattice, water = legal.levels.heights.lattice, legal.water
    corners = corner_heights(lattice, legal.level, legal.cliff)
    standing = None if water is None else water.standing
    if water is None or standing is None:
        return corners
    under, nowhere = np.flatnonzero(standing.is_under), np.iinfo(np.int32).min
    of_corner = np.full(lattice.n_corners, nowhere, np.int32)
    of_corner[lattice.corner_of[under]] = legal.level[under, None]
    at_water = of_corner[lattice.corner_of]
    beside = legal.cliff & (lattice.neighbours >= 0) & standing.is_under[lattice.neighbours]
    is_own = (beside | np.roll(beside, 1, axis=1)) & ~standing.is_under[:, None]
    at_shore = np.where((at_water > nowhere) & ~is_own, at_water, corners)
    return _where_water_runs_down(water, lattice, at_shore, corners)


def _where_water_runs_down(
    water: Watercourses,
    lattice: Lattice,
    at_shore: NDArray[np.int32],
    corners: NDArray[np.int32],
) -> NDArray[np.int32]:
    """Take `corners` for `at_shore` in the cells whose water could not run otherwise."""
    cell = np.flatnonzero(water.outflow >= 0)
    out = water.outflow[cell]
    to, back = lattice.neighbours[cell, out], lattice.back_sides[cell, out]
    next_corner = np.roll(at_shore, -1, axis=1)
    is_bad = (water.ports & (at_shore != next_corner)).any(axis=1)
    is_bad[cell] |= np.maximum(at_shore[cell, out], next_corner[cell, out]) > at_shore[cell].min(1)
    while True:
        found = np.where(is_bad[:, None], corners, at_shore)
        rises = ~is_bad[cell] & (found[to, back] > found[cell, out])
        if not rises.any():
            return found
        is_bad[cell[rises]] = True


def corner_heights(
    lattice: Lattice, level: NDArray[np.int32], cliff: NDArray[np.bool_]
) -> NDArray[np.int32]:
    """Return the height of every cell's corners, (n, 6) int32: the highest of the cells joined.

    Parameters
    ----------
    lattice
        The cells.
    level
        (n,) int32.
    cliff
        (n, 6) bool, symmetric: sides that do not join their cells.
    """
    first, second = across(lattice, (lattice.neighbours >= 0) & ~cliff)
    second = np.roll(second, 1, axis=1)  # now by corner instead of by side
    is_pentagon = lattice.corner_of[:, 0] == lattice.corner_of[:, -1]
    pentagons = np.flatnonzero(is_pentagon)
    height = np.repeat(level[:, None], N_SIDES, axis=1)
    for _ in range(2):  # of three cells around a corner, any two are at most two sides apart
        height = np.maximum(np.maximum(height, height.take(first)), height.take(second))
        if len(pentagons):
            both = np.maximum(height[pentagons, 0], height[pentagons, -1])
            height[pentagons, 0] = height[pentagons, -1] = both
    return height


def across(
    lattice: Lattice, is_joined: NDArray[np.bool_]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Find the same corner across each side, as flat numbers of an (n, 6) table, by side.

    The first table is for the side's first corner, the second for its second. Where a side is
    not joined the corner is its own.
    """
    corner = np.arange(N_SIDES)
    own = N_SIDES * np.arange(lattice.n_cells)[:, None]
    there = N_SIDES * lattice.neighbours.astype(np.intp)
    back = lattice.back_sides.astype(np.intp)
    first = np.where(is_joined, there + (back + 1) % N_SIDES, own + corner)
    second = np.where(is_joined, there + back, own + (corner + 1) % N_SIDES)
    return first, second
