"""Carry the drainage of pixels onto cells: exits of cells, the choice of one outlet per cell.

An *exit* is a pixel whose water leaves its cell. Exits form a forest: the water of each runs
through the next cell to one exit of that. A cell's *outlet* is the exit that stands for it.

Called by `hexterra.stages.route` only, which guarantees the shapes; rasters are flat, `step` turns
a direction code into a difference of pixel numbers, and every neighbour is -1 or a cell.
"""

from __future__ import annotations

from typing import Any

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
            here = cell_at[start : start + width]
            west, east = cell_at[start - 1 :], cell_at[start + 1 :]
            above, below = cell_at[start - n_columns :], cell_at[start + n_columns :]
            above_west, below_west = (
                cell_at[start - n_columns - 1 :],
                cell_at[start + n_columns - 1 :],
            )
            above_east, below_east = (
                cell_at[start - n_columns + 1 :],
                cell_at[start + n_columns + 1 :],
            )
            for i in range(width):
                a = here[i]
                differs = (west[i] ^ a) | (east[i] ^ a) | (above[i] ^ a) | (below[i] ^ a)
                differs |= (above_west[i] ^ a) | (above_east[i] ^ a)
                differs |= (below_west[i] ^ a) | (below_east[i] ^ a)
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
            more[:n] = found[:n]
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
def list_sources(then: NDArray[np.int32]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """List the exits that come directly before each: where the list of each begins, and all."""
    n_exits = len(then)
    before = np.zeros(n_exits + 1, np.int32)
    for i in range(n_exits):
        if then[i] >= 0:
            before[then[i] + 1] += 1
    for i in range(n_exits):
        before[i + 1] += before[i]
    source = np.empty(n_exits, np.int32)
    place = np.empty(n_exits, np.int32)
    for i in range(n_exits):
        place[i] = before[i]
    for i in range(n_exits):
        if then[i] >= 0:
            source[place[then[i]]] = i
            place[then[i]] += 1
    return before, source


@njit(cache=True, nogil=True)
def _next_outlet(
    exit_: int, then: NDArray[np.int32], cell_of: NDArray[np.int32], outlet: NDArray[np.int32]
) -> int:
    """Follow the water from an exit to the first outlet after it; -1 if it meets none."""
    exit_ = then[exit_]
    while exit_ >= 0 and outlet[cell_of[exit_]] != exit_:
        exit_ = then[exit_]
    return exit_


@njit(cache=True, nogil=True)
def _is_right(
    cell: int,
    then: NDArray[np.int32],
    cell_of: NDArray[np.int32],
    outlet: NDArray[np.int32],
    neighbours: NDArray[np.int32],
) -> bool:
    """Tell whether a cell's water first meets the outlet of a neighbour, or leaves at once."""
    if then[outlet[cell]] < 0:
        return True
    found = _next_outlet(outlet[cell], then, cell_of, outlet)
    if found < 0:
        return False
    is_neighbour = False
    for side in range(neighbours.shape[1]):
        is_neighbour = is_neighbour or neighbours[cell, side] == cell_of[found]
    return is_neighbour


@njit(cache=True, nogil=True)
def largest_exits(begin: NDArray[np.int32], area: NDArray[np.float64]) -> NDArray[np.int32]:
    """Find each cell's exit of the largest area, of equals the first; -1 for none."""
    outlet = np.full(len(begin) - 1, -1, np.int32)
    for cell in range(len(begin) - 1):
        for i in range(begin[cell], begin[cell + 1]):
            if outlet[cell] < 0 or area[i] > area[outlet[cell]]:
                outlet[cell] = i
    return outlet


@njit(cache=True, nogil=True)
def _touch(
    old: Any,
    chosen: Any,
    before: NDArray[np.int32],
    source: NDArray[np.int32],
    cell_of: NDArray[np.int32],
    outlet: NDArray[np.int32],
    move: np.int64,
    stamp: NDArray[np.int64],
    stack: NDArray[np.int32],
    touched: NDArray[np.int32],
) -> int:
    """List the cells that a move of an outlet touches in `touched`, and return how many.

    They are its own, and those whose outlets come next above the old exit or the chosen one.
    """
    touched[0] = cell_of[old]
    stamp[touched[0]] = move
    n_touched = 1
    stack[0] = old
    stack[1] = chosen
    n_stack = 2
    while n_stack > 0:
        n_stack -= 1
        here = stack[n_stack]
        for j in range(before[here], before[here + 1]):
            up = source[j]
            cell = cell_of[up]
            if outlet[cell] == up:
                if stamp[cell] != move:
                    stamp[cell] = move
                    touched[n_touched] = cell
                    n_touched += 1
            elif up != old and up != chosen:  # noqa: PLR1714 - they may differ in kind
                stack[n_stack] = up
                n_stack += 1
    return n_touched


@njit(cache=True, nogil=True)
def mark_wrong(
    then: NDArray[np.int32],
    cell_of: NDArray[np.int32],
    outlet: NDArray[np.int32],
    neighbours: NDArray[np.int32],
    is_wrong: NDArray[np.bool_],
) -> None:
    """Tell of every cell whether it is wrong; one without exits is not."""
    for cell in range(len(outlet)):
        is_wrong[cell] = outlet[cell] >= 0 and not _is_right(
            cell, then, cell_of, outlet, neighbours
        )


@njit(cache=True, nogil=True)
def choose_outlets(
    begin: NDArray[np.int32],
    then: NDArray[np.int32],
    before: NDArray[np.int32],
    source: NDArray[np.int32],
    cell_of: NDArray[np.int32],
    area: NDArray[np.float64],
    least: NDArray[np.float64],
    importance: NDArray[np.int64],
    weight: NDArray[np.float64],
    neighbours: NDArray[np.int32],
    visit: NDArray[np.int64],
    sweeps: int,
    outlet: NDArray[np.int32],
    is_wrong: NDArray[np.bool_],
) -> None:
    """Move the outlets of cells so that fewer are wrong; change both in place.

    Wrong cells are visited in the order given, sweep by sweep: the exit on its way in a cell
    between it and the next outlet, or another exit of the cell, becomes an outlet if that makes
    the cell right and leaves fewer cells wrong (counted by importance), or as many of less weight;
    of several such moves, the one that leaves the fewest, then the lightest, then the first. No
    exit that drains less than `least` of its cell becomes an outlet.
    """
    n_cells, n_exits = len(begin) - 1, len(then)
    stack = np.empty(n_exits + 2, np.int32)
    touched = np.empty(n_cells, np.int32)
    stamp = np.zeros(n_cells, np.int64)
    is_settled = np.zeros(n_cells, np.bool_)
    move = np.int64(0)
    for _ in range(sweeps):
        improved = False
        for wrong_cell in visit:
            if is_settled[wrong_cell] or not is_wrong[wrong_cell]:
                continue
            best_exit, best_gain, best_relief = np.int32(-1), 0, 0.0
            on_way = then[outlet[wrong_cell]]
            own = begin[wrong_cell]
            while True:
                if on_way >= 0 and outlet[cell_of[on_way]] == on_way:
                    on_way = -1
                if on_way >= 0:
                    chosen = on_way
                    on_way = then[on_way]
                elif own < begin[wrong_cell + 1]:
                    chosen = own
                    own += 1
                else:
                    break
                cell = cell_of[chosen]
                old = outlet[cell]
                if chosen == old or area[chosen] < least[cell]:
                    continue
                outlet[cell] = chosen
                if not _is_right(wrong_cell, then, cell_of, outlet, neighbours):
                    outlet[cell] = old
                    continue
                move += 1
                n = _touch(
                    old, chosen, before, source, cell_of, outlet, move, stamp, stack, touched
                )
                gain, relief = 0, 0.0
                for i in range(n):
                    right = _is_right(touched[i], then, cell_of, outlet, neighbours)
                    change = int(is_wrong[touched[i]]) + int(right) - 1
                    gain += change * importance[touched[i]]
                    relief += change * weight[touched[i]]
                outlet[cell] = old
                if gain > best_gain or (gain == best_gain and relief > best_relief):
                    best_exit, best_gain, best_relief = chosen, gain, relief
            if best_exit < 0:
                is_settled[wrong_cell] = True  # until a move touches it
                continue
            improved = True
            cell = cell_of[best_exit]
            old = outlet[cell]
            move += 1
            n = _touch(old, best_exit, before, source, cell_of, outlet, move, stamp, stack, touched)
            outlet[cell] = best_exit
            for i in range(n):
                is_wrong[touched[i]] = not _is_right(touched[i], then, cell_of, outlet, neighbours)
                is_settled[touched[i]] = False
        if not improved:
            break


@njit(cache=True, nogil=True)
def connect(
    then: NDArray[np.int32],
    cell_of: NDArray[np.int32],
    outlet: NDArray[np.int32],
    neighbours: NDArray[np.int32],
    visit: NDArray[np.int64],
    is_wrong: NDArray[np.bool_],
    meets: NDArray[np.int32],
    receiver: NDArray[np.int32],
    receiver_side: NDArray[np.int8],
    order: NDArray[np.int32],
) -> None:
    """Give every cell a receiver among its neighbours, itself at an outlet, without circles.

    A right cell runs to the cell whose outlet its water `meets` first, -1 for none. A wrong one,
    in the order of `visit`, runs to the last neighbour on its way that does not run to it. Write
    the cells upstream first.
    """
    n_cells = len(outlet)
    for cell in range(n_cells):
        receiver[cell] = cell
        receiver_side[cell] = -1
        meets[cell] = -1
        if outlet[cell] >= 0:
            found = _next_outlet(outlet[cell], then, cell_of, outlet)
            if found >= 0:
                meets[cell] = cell_of[found]
                if not is_wrong[cell]:
                    receiver[cell] = meets[cell]
    for cell in visit:
        if outlet[cell] < 0 or not is_wrong[cell]:
            continue
        chosen = cell
        exit_ = then[outlet[cell]]
        while exit_ >= 0:
            there = cell_of[exit_]
            is_neighbour = False
            for side in range(neighbours.shape[1]):
                is_neighbour = is_neighbour or neighbours[cell, side] == there
            if is_neighbour and there != chosen:
                end = there
                while receiver[end] != end:
                    end = receiver[end]
                if end != cell:
                    chosen = there
            exit_ = -1 if outlet[there] == exit_ else then[exit_]
        receiver[cell] = chosen
    n_donors = np.zeros(n_cells, np.int8)
    for cell in range(n_cells):
        if receiver[cell] != cell:
            n_donors[receiver[cell]] += 1
            for side in range(neighbours.shape[1]):
                if neighbours[cell, side] == receiver[cell]:
                    receiver_side[cell] = side
    n = 0
    for start in range(n_cells):
        cell = start
        while n_donors[cell] == 0:
            n_donors[cell] = -1
            order[n] = cell
            n += 1
            if receiver[cell] == cell:
                break
            cell = receiver[cell]
            n_donors[cell] -= 1


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
