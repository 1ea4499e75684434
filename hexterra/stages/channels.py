"""Watercourses on the board: how wide they are, how they are sided, where they fall.

Pure questions to `Watercourses` and `Tiles`, for those who draw, count and cut them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal, NamedTuple, get_args

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import BriefError
from hexterra.lattice.hexagon import N_SIDES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from hexterra.stages.fit import Tiles
    from hexterra.stages.flow import Watercourses
    from hexterra.stages.ways import Ways

#: What a width class goes by.
WidthBy = Literal["catchment", "order"]


def stream_orders(water: Watercourses) -> NDArray[np.int32]:
    """Order of the watercourse in each cell, (n,) int32; 0 where it is dry.

    A watercourse without inflows has order 1; where two or more of the highest order meet, the
    order goes up by one (Strahler, Quantitative analysis of watershed geomorphology, Transactions
    of the American Geophysical Union 38, 1957).
    """
    n = len(water.receiver)
    highest, n_highest = np.zeros((2, n), dtype=np.int32)
    order = np.zeros(n, dtype=np.int32)
    for cell in water.order[water.is_watercourse[water.order]].tolist():
        order[cell] = max(1, highest[cell] + (n_highest[cell] > 1))
        down = int(water.receiver[cell])
        if down == cell:
            continue
        if order[cell] > highest[down]:
            highest[down], n_highest[down] = order[cell], 1
        elif order[cell] == highest[down]:
            n_highest[down] += 1
    return order


def width_classes(
    water: Watercourses, *, limits: Sequence[float], by: WidthBy = "catchment"
) -> NDArray[np.int8]:
    """Width class of the watercourse in each cell.

    Parameters
    ----------
    water
        The watercourses.
    limits
        From which catchment (m2) or stream order on each further class begins, ascending. Rivers
        grow with the square root of their water (Leopold and Maddock, The hydraulic geometry of
        stream channels, USGS Professional Paper 252, 1953), so classes twice as wide begin at
        four times the catchment.
    by
        "catchment" or "order" (see `stream_orders`). Order knows nothing of the ground beyond the
        board: a river that enters it large has order 1 there.

    Returns
    -------
    (n,) int8: 0 where it is dry, else 1 plus the number of limits that are reached. Never falls
    downstream.

    Raises
    ------
    BriefError
        If the limits do not ascend from above 0, or `by` is unknown.
    """
    if by not in get_args(WidthBy):
        raise BriefError(
            f"widths go by {by!r}; it must be one of: {', '.join(get_args(WidthBy))}",
            remedy='choose "catchment" or "order"',
            key="by",
            value=by,
        )
    held = np.array(limits, dtype=np.float64)
    is_sound = held.ndim == 1 and len(held) < 127 and np.isfinite(held).all()
    if not is_sound or not (np.diff(held, prepend=0.0) > 0.0).all():
        raise BriefError(
            f"the limits of widths are {tuple(limits)!r}; they must be finite, and ascend from"
            " above 0",
            remedy="give the least catchment (m2) or stream order of each wider class, ascending",
            key="limits",
            value=tuple(limits),
        )
    measure = water.catchment_m2 if by == "catchment" else stream_orders(water)
    reached = np.searchsorted(held, measure, side="right") + 1
    return np.where(water.is_watercourse, reached, 0).astype(np.int8)


def vertical_sides(water: Watercourses, lines: Ways, kinds: Iterable[str]) -> NDArray[np.bool_]:
    """Find the watercourse cells with vertical sides, (n,) bool; the others have natural banks.

    Those that lines of these kinds (canals, ditches) pass; a spring, mouth or pool with them.
    """
    vertical = np.zeros(len(water.receiver), dtype=np.bool_)
    wanted = set(kinds)
    for way in lines.ways:
        if way.kind in wanted:
            vertical[way.cells] = True
    return vertical & water.is_watercourse


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


def descends(tiles: Tiles) -> NDArray[np.bool_]:
    """Tell in which cells a watercourse runs down a ramp, (n,) bool.

    Where the bed stands higher at some port by which water comes in than at that by which it
    leaves.
    """
    water = tiles.legal.water
    sloping = np.zeros(len(tiles.level), dtype=np.bool_)
    if water is None:
        return sloping
    ends = np.minimum(tiles.corners, np.roll(tiles.corners, -1, axis=1))
    highest = np.where(water.ports, ends, np.iinfo(np.int32).min).max(axis=1)
    runs = np.flatnonzero(water.outflow >= 0)
    sloping[runs] = highest[runs] > ends[runs, water.outflow[runs]]
    return sloping


def _bed(tiles: Tiles, cell: int, side: int) -> int:
    corners = tiles.corners[cell]
    return int(min(corners[side], corners[(side + 1) % N_SIDES]))
