"""Watercourses on the board: how wide they are, how their banks stand, where they fall.

Pure questions to `Watercourses` and `Tiles`, for those who draw, count and cut them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import BriefError
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.tiles.cuts import MAX_WIDTHS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from hexterra.stages.mapping.ways import Ways
    from hexterra.stages.tiles.fit import Tiles
    from hexterra.stages.water.flow import Watercourses


def width_classes(water: Watercourses, *, limits: Sequence[float]) -> NDArray[np.int8]:
    """Width class of the watercourse in each cell.

    Parameters
    ----------
    water
        The watercourses.
    limits
        From which catchment (m2) on each further class begins, ascending, fewer than `MAX_WIDTHS`.
        Rivers grow with the square root of their water (Leopold and Maddock, The hydraulic geometry
        of stream channels, USGS Professional Paper 252, 1953), so classes twice as wide begin at
        four times the catchment.

    Returns
    -------
    (n,) int8: 0 where it is dry, else 1 plus the number of limits that are reached. Never falls
    downstream.

    Raises
    ------
    BriefError
        If the limits do not ascend from above 0, or are too many.
    """
    ascending = np.array(limits, dtype=np.float64)
    is_sound = ascending.ndim == 1 and len(ascending) < MAX_WIDTHS and np.isfinite(ascending).all()
    if not is_sound or not (np.diff(ascending, prepend=0.0) > 0.0).all():
        raise BriefError(
            f"the limits of widths are {tuple(limits)!r}; they must be finite, ascend from above 0,"
            f" and be {MAX_WIDTHS - 1} at most",
            remedy="give the least catchment (m2) of each wider class, ascending",
            key="limits",
            value=tuple(limits),
        )
    reached = np.searchsorted(ascending, water.catchment_m2, side="right") + 1
    return np.where(water.is_watercourse, reached, 0).astype(np.int8)


def upright_cells(water: Watercourses, lines: Ways, kinds: Iterable[str]) -> NDArray[np.bool_]:
    """Find the watercourse cells with vertical banks, (n,) bool; the banks of others slope.

    These are the cells on lines of these kinds (canals, ditches), with springs, mouths and pools.
    """
    stands = np.zeros(len(water.receiver), dtype=np.bool_)
    wanted = set(kinds)
    for way in lines.ways:
        if way.kind in wanted:
            stands[way.cells] = True
    return stands & water.is_watercourse


class Fall(NamedTuple):
    """A side down which water falls.

    Parameters
    ----------
    cell, side
        Where it falls from, and over which side.
    to
        The cell at its foot.
    steps
        Height of the fall in steps, from bed to bed.
    """

    cell: int
    side: int
    to: int
    steps: int


def falls(tiles: Tiles) -> tuple[Fall, ...]:
    """List the falls: the step faces that water leaves a cell over, by cell.

    None on a board without water. The bed stands where the lower end of the side does, on both
    tops.
    """
    water = tiles.legal.water
    if water is None:
        return ()
    lattice = tiles.legal.levels.heights.lattice
    here = np.flatnonzero(water.outflow >= 0)
    here = here[tiles.cliff[here, water.outflow[here]]]
    found: list[Fall] = []
    for cell in here.tolist():
        side = int(water.outflow[cell])
        to, back = int(lattice.neighbours[cell, side]), int(lattice.back_sides[cell, side])
        steps = _bed(tiles, cell, side) - _bed(tiles, to, back)
        if steps > 0:
            found.append(Fall(cell, side, to, steps))
    return tuple(found)


def _bed(tiles: Tiles, cell: int, side: int) -> int:
    corners = tiles.corners[cell]
    return int(min(corners[side], corners[(side + 1) % N_SIDES]))
