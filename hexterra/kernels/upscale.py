"""Carry the drainage of pixels onto cells: which pixels they hold, and their exits.

An *exit* is a pixel whose water leaves its cell. Exits form a forest: the water of each runs
through the next cell to one exit of that. A cell's *outlet* is the exit that stands for it:
`hexterra.kernels.outlets` chooses it.

Called by `hexterra.stages.route` only, which guarantees the shapes; rasters are flat, `step` turns
a direction code into a difference of pixel numbers.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

_VOID = np.uint8(247)
_BATCH = 1 << 12


@njit(cache=True, nogil=True)
def cells_of_pixels(ring_xy: NDArray[np.float64], cell_at: NDArray[np.int32]) -> None:
    """Write the number of each cell at the pixels whose centres it holds; (rows, columns).

    Outlines are convex, in pixel space. Both cells beside a side find the same crossing with a
    row, so a centre is never in both.
    """
    n_rows, n_columns = cell_at.shape
    first = np.empty(n_rows, np.int64)
    last = np.empty(n_rows, np.int64)
    for cell in range(ring_xy.shape[0]):
        lowest, highest = np.inf, -np.inf
        for i in range(ring_xy.shape[1]):
            lowest = min(lowest, ring_xy[cell, i, 1])
            highest = max(highest, ring_xy[cell, i, 1])
        top = max(np.int64(np.ceil(lowest - 0.5)), 0)
        bottom = min(np.int64(np.ceil(highest - 0.5)), n_rows)
        for row in range(top, bottom):
            first[row] = n_columns
            last[row] = 0
        for i in range(ring_xy.shape[1]):
            j = i + 1 if i + 1 < ring_xy.shape[1] else 0
            x0, y0 = ring_xy[cell, i, 0], ring_xy[cell, i, 1]
            x1, y1 = ring_xy[cell, j, 0], ring_xy[cell, j, 1]
            if y0 > y1:
                x0, y0, x1, y1 = x1, y1, x0, y0
            row0 = max(np.int64(np.ceil(y0 - 0.5)), 0)
            row1 = min(np.int64(np.ceil(y1 - 0.5)), n_rows)
            for row in range(row0, row1):
                column = np.int64(np.ceil(x0 + (row + 0.5 - y0) / (y1 - y0) * (x1 - x0) - 0.5))
                column = min(max(column, 0), n_columns)
                first[row] = min(first[row], column)
                last[row] = max(last[row], column)
        for row in range(top, bottom):
            for column in range(first[row], last[row]):
                cell_at[row, column] = cell


@njit(cache=True, nogil=True)
def find_exits(
    cell_at: NDArray[np.int32],
    code: NDArray[np.uint8],
    step: NDArray[np.int64],
    area: NDArray[np.float64],
    least: float,
    n_columns: int,
    count: NDArray[np.int32],
) -> NDArray[np.int32]:
    """Find the exits of every cell that drain at least `least`, and of a cell without such one.

    The one is the exit that drains most, of equals the first. Return their pixels, those at least
    `least` in their order first, and count them by cell.
    """
    capacity = 1 << 14
    found = np.empty(capacity, np.int32)
    is_edge = np.empty(_BATCH, np.uint8)
    edge = np.empty(_BATCH + 1, np.uint32)
    n = 0
    size = cell_at.size
    for start in range(0, size, _BATCH):
        width = min(_BATCH, size - start)
        if start > n_columns and start + width + n_columns < size:
            above = cell_at[start - n_columns - 1 :]
            here = cell_at[start - 1 :]
            below = cell_at[start + n_columns - 1 :]
            for i in range(width):
                a = here[i + 1]
                differs = (here[i] ^ a) | (here[i + 2] ^ a)
                differs |= (above[i] ^ a) | (above[i + 1] ^ a) | (above[i + 2] ^ a)
                differs |= (below[i] ^ a) | (below[i + 1] ^ a) | (below[i + 2] ^ a)
                is_edge[i] = (differs != 0) & (a >= 0)
        else:
            for i in range(width):
                is_edge[i] = cell_at[start + i] >= 0
        n_edge = 0
        for i in range(width):
            edge[n_edge] = start + i
            n_edge += (is_edge[i] != 0) | (code[start + i] == 0)
        if n + n_edge > capacity:
            capacity = 2 * (n + n_edge)
            more = np.empty(capacity, np.int32)
            for i in range(n):  # a slice would be several times as long to compile
                more[i] = found[i]
            found = more
        for i in range(n_edge):
            pixel = edge[i]
            by = step[code[pixel]]
            cell = cell_at[pixel]
            leaves = (cell_at[pixel + by] != cell) | (by == 0)
            is_exit = leaves & (cell >= 0) & (area[pixel] >= least) & (code[pixel] != _VOID)
            found[n] = pixel
            n += is_exit
    for i in range(n):
        count[cell_at[found[i]]] += 1
    largest = np.full(len(count), -1, np.int32)
    n_without = 0
    for cell in range(len(count)):
        n_without += count[cell] == 0
    for pixel in range(size if n_without > 0 else 0):
        cell = cell_at[pixel]
        if cell < 0 or count[cell] > 0 or code[pixel] == _VOID:
            continue
        by = step[code[pixel]]
        if (by == 0 or cell_at[pixel + by] != cell) and (
            largest[cell] < 0 or area[pixel] > area[largest[cell]]
        ):
            largest[cell] = pixel
    n_largest = 0
    for cell in range(len(count)):
        n_largest += largest[cell] >= 0
    exits = np.empty(n + n_largest, np.int32)
    for i in range(n):
        exits[i] = found[i]
    for cell in range(len(count)):
        if largest[cell] >= 0:
            exits[n] = largest[cell]
            count[cell] = 1
            n += 1
    return exits


@njit(cache=True, nogil=True)
def sort_exits(
    found: NDArray[np.int32], cell_at: NDArray[np.int32], begin: NDArray[np.int32]
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Sort exits by cell, and keep their order within; return their pixels and cells.

    `begin` tells where the exits of each cell begin, (n_cells + 1,).
    """
    place = begin.copy()
    exits = np.empty(len(found), np.int32)
    cell_of = np.empty(len(found), np.int32)
    for i in range(len(found)):
        cell = cell_at[found[i]]
        exits[place[cell]] = found[i]
        cell_of[place[cell]] = cell
        place[cell] += 1
    return exits, cell_of


@njit(cache=True, nogil=True)
def follow_exits(
    exits: NDArray[np.int32],
    code: NDArray[np.uint8],
    step: NDArray[np.int64],
    cell_at: NDArray[np.int32],
) -> NDArray[np.int32]:
    """Find the exit that the water of each comes to next, -1 if it leaves the lattice first.

    `cell_at` is used up: where water has been followed, it holds -2 - the exit that comes next, or
    -1, so no pixel is walked through twice.
    """
    then = np.empty(len(exits), np.int32)
    for i in range(len(exits)):
        cell_at[exits[i]] = -2 - i
    for i in range(len(exits)):
        first = np.uint64(exits[i] + step[code[exits[i]]])
        if first == np.uint64(exits[i]):
            then[i] = -1
            continue
        pixel = first
        while cell_at[pixel] >= 0 and step[code[pixel]] != 0:
            pixel = np.uint64(pixel + step[code[pixel]])
        known = min(cell_at[pixel], np.int32(-1))  # a pixel that keeps its water has a cell
        then[i] = -2 - known if known < -1 else -1
        pixel = first
        while cell_at[pixel] >= 0:
            cell_at[pixel] = known
            pixel = np.uint64(pixel + step[code[pixel]])
    return then


@njit(cache=True, nogil=True)
def measure_displacement(
    code: NDArray[np.uint8],
    step: NDArray[np.int64],
    n_columns: int,
    exits: NDArray[np.int32],
    centre_xy: NDArray[np.float64],
    outlet: NDArray[np.int32],
    receiver: NDArray[np.int32],
    cells: NDArray[np.int64],
    total: NDArray[np.float64],
    length: NDArray[np.int64],
) -> None:
    """Add up how far the way of the water is from the drawn line, in pixels, for some cells.

    The way goes from the outlet of a cell to that of its receiver, the line from the centre of the
    cell over that of its receiver to that of the next.
    """
    for cell in cells:
        end = exits[outlet[receiver[cell]]]
        pixel = np.int64(exits[outlet[cell]])
        while pixel != end and step[code[pixel]] != 0:
            pixel += step[code[pixel]]
            x, y = pixel % n_columns + 0.5, pixel // n_columns + 0.5
            nearest = np.inf
            for start in (cell, np.int64(receiver[cell])):
                x0, y0 = centre_xy[start, 0], centre_xy[start, 1]
                dx = centre_xy[receiver[start], 0] - x0
                dy = centre_xy[receiver[start], 1] - y0
                square = dx * dx + dy * dy
                along = ((x - x0) * dx + (y - y0) * dy) / square if square > 0.0 else 0.0
                along = min(max(along, 0.0), 1.0)
                nearest = min(nearest, np.hypot(x - x0 - along * dx, y - y0 - along * dy))
            total[cell] += nearest
            length[cell] += 1
