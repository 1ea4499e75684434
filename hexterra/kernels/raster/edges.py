"""Outlines as edges: each side once, those of some cells by themselves, and what reaches where.

Called by the gather stage, before `hexterra.kernels.raster.coverage` walks the edges through the
pixels.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import kernel

STRIP_ROWS: Final = 8
_UNTOUCHED: Final = 2**31 - 1


class ByStrip(NamedTuple):
    """Items by strips of rows: those of strip s are ``item[start[s] : start[s + 1]]``, ascending.

    Parameters
    ----------
    start
        (n_strips + 1,) int64.
    item
        Numbers of the items, uint32.
    """

    start: NDArray[np.int64]
    item: NDArray[np.uint32]


@kernel
def list_edges(
    ring_xy: NDArray[np.float64], neighbours: NDArray[np.int32], is_clockwise: bool
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """List each side once, from its upper row to its lower, with the cells beside it.

    Parameters
    ----------
    ring_xy
        (n, k, 2) float64 outlines in pixel space.
    neighbours
        (n, k) int32, the cell that has the same side; -1 for none.
    is_clockwise
        Whether outlines run clockwise with rows drawn upward.

    Returns
    -------
    edge_xy, edge_cells
        As in `hexterra.stages.sampling.outlines.Outlines`; sides without length are dropped.
    """
    n, k = neighbours.shape
    edge_xy = np.empty((n * k, 4))
    edge_cells = np.empty((n * k, 2), np.int32)
    e = 0
    for cell in range(n):
        for side in range(k):
            there = neighbours[cell, side]
            if 0 <= there < cell:
                continue
            end = side + 1 if side + 1 < k else 0
            x0, y0 = ring_xy[cell, side, 0], ring_xy[cell, side, 1]
            x1, y1 = ring_xy[cell, end, 0], ring_xy[cell, end, 1]
            if x0 == x1 and y0 == y1:
                continue
            along, back = 0, 1
            if y0 > y1:
                x0, y0, x1, y1 = x1, y1, x0, y0
                along, back = 1, 0
            if is_clockwise:
                along, back = back, along
            edge_xy[e, 0], edge_xy[e, 1], edge_xy[e, 2], edge_xy[e, 3] = x0, y0, x1, y1
            edge_cells[e, along], edge_cells[e, back] = cell, there
            e += 1
    return edge_xy[:e], edge_cells[:e]


@kernel
def pick_edges(
    edge_xy: NDArray[np.float64],
    edge_cells: NDArray[np.int32],
    number: NDArray[np.int32],
    n_cells: int,
) -> tuple[NDArray[np.float64], NDArray[np.uint32], NDArray[np.int32], NDArray[np.int32]]:
    """Pick the edges of some cells, and tell which strips of rows they and the cells reach into.

    Parameters
    ----------
    edge_xy, edge_cells
        (e, 4) and (e, 2), all edges.
    number
        (all cells,) int32, a new number for each of the cells, and `n_cells` for others.
    n_cells
        How many cells are picked.

    Returns
    -------
    edge_xy, edge_cells, edge_strips, cell_strips
        Of the picked edges, with new numbers; (.., 2) int32 first and last strip of each edge and
        each cell. A cell without edges has its last before its first.
    """
    picked = np.empty(len(edge_xy), np.int32)
    n = 0
    for e in range(len(edge_xy)):
        for side in range(2):
            cell = edge_cells[e, side]
            if cell >= 0 and number[cell] < n_cells:
                picked[n] = e
                n += 1
                break
    xy, cells = np.empty((n, 4)), np.empty((n, 2), np.uint32)
    edge_strips = np.empty((n, 2), np.int32)
    cell_strips = np.empty((n_cells + 1, 2), np.int32)
    for cell in range(n_cells + 1):
        cell_strips[cell, 0], cell_strips[cell, 1] = _UNTOUCHED, -1
    for i in range(n):
        e = picked[i]
        for j in range(4):
            xy[i, j] = edge_xy[e, j]
        # An edge along a row boundary belongs to the row above it.
        last = (np.int64(np.ceil(xy[i, 3])) - 1) // STRIP_ROWS
        first = min(np.int64(xy[i, 1]) // STRIP_ROWS, last)
        edge_strips[i, 0], edge_strips[i, 1] = first, last
        for side in range(2):
            cell = edge_cells[e, side]
            mine = number[cell] if cell >= 0 else n_cells
            cells[i, side] = mine
            cell_strips[mine, 0] = min(cell_strips[mine, 0], first)
            cell_strips[mine, 1] = max(cell_strips[mine, 1], last)
    return xy, cells, edge_strips, cell_strips[:n_cells]


@kernel
def list_by_strip(strips: NDArray[np.int32], strip0: int, n_strips: int) -> ByStrip:
    """List the items that reach into each strip.

    Item i reaches from strip ``strips[i, 0]`` to ``strips[i, 1]``, of the `n_strips` from `strip0`
    on.
    """
    start = np.zeros(n_strips + 1, np.int64)
    for i in range(len(strips)):
        for s in range(strips[i, 0] - strip0, strips[i, 1] - strip0 + 1):
            start[s + 1] += 1
    for s in range(n_strips):
        start[s + 1] += start[s]
    item = np.empty(start[n_strips], np.uint32)
    place = start.copy()
    for i in range(len(strips)):
        for s in range(strips[i, 0] - strip0, strips[i, 1] - strip0 + 1):
            item[place[s]] = i
            place[s] += 1
    return ByStrip(start, item)
