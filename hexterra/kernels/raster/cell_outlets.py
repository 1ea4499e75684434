"""Choose one outlet per cell so that few cells are misrouted, and connect the cells.

Follows `hexterra.kernels.raster.cell_pixels`, which defines exits and outlets. Called by
`hexterra.stages.water.outlets` and `hexterra.stages.water.route` only. Exits and cells are rows of
two tables, since what belongs together is then fetched together, and since numba counts who has
an array at every call.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import helper, kernel

#: What is found of an exit: its pixel, its cell, and the area that it drains.
FOUND: Final = np.dtype(
    (np.record, [("pixel", np.uint32), ("cell", np.int32), ("area", np.float64)]), align=True
)
#: What is known of an exit: the exit its water comes to next, -1 for none; the first of those that
#: come directly before it, and the next that comes before the same; its cell, and the next exit of
#: that; whether it is the outlet of its cell; the area that it drains.
EXIT: Final = np.dtype(
    (
        np.record,
        [
            ("then", np.int32),
            ("above", np.int32),
            ("next_above", np.int32),
            ("cell", np.int32),
            ("beside", np.int32),
            ("is_outlet", np.bool_),
            ("area", np.float64),
        ],
    ),
    align=True,
)
#: What is known of a cell: its outlet and its first exit, -1 for none; how many errors its own
#: counts for, and what that weighs; the least area of an outlet; whether it is misrouted, stands
#: in the queue, and would be misrouted after one of the moves that were tried.
CELL: Final = np.dtype(
    (
        np.record,
        [
            ("outlet", np.int32),
            ("first", np.int32),
            ("importance", np.int32),
            ("least", np.float64),
            ("weight", np.float64),
            ("is_misrouted", np.bool_),
            ("is_queued", np.bool_),
            ("is_at_stake", np.bool_),
        ],
    ),
    align=True,
)
_MAX_BROKEN: Final = 2  # one move seldom repairs more
# Rows of `room`: exits still to look above, cells whose errors may change and those that do, exits
# to try, those to try first of two, and cells that the first breaks.
_STACK, _TOUCHED, _CHANGED, _MOVES, _FIRST_MOVES, _BROKEN = range(6)


class ExitTables(NamedTuple):
    """The exits and their cells, changed in place.

    Parameters
    ----------
    exits, cells
        Rows of `EXIT` and of `CELL`.
    ways
        Neighbours of the cells, (n, 6) int32. One across a side that no water crosses is written as
        -2 - its number: a cell whose water would meet the outlet of that one next ends there, as a
        mouth.
    """

    exits: Any
    cells: Any
    ways: NDArray[np.int32]


@helper
def _may_run(cell: Any, there: Any, ways: NDArray[np.int32]) -> bool:
    """Tell whether the water of a cell may meet the outlet of another next: a neighbour."""
    may = False
    for side in range(ways.shape[1]):
        may |= (ways[cell, side] == there) | (ways[cell, side] == -2 - there)
    return may


@helper
def _is_right(cell: Any, exit_: Any, exits: Any, ways: NDArray[np.int32]) -> bool:
    """Tell whether the water of an exit leaves the lattice at once, or meets a neighbour next."""
    exit_ = exits[exit_].then
    if exit_ < 0:
        return True
    while exit_ >= 0 and not exits[exit_].is_outlet:
        exit_ = exits[exit_].then
    return exit_ >= 0 and _may_run(cell, exits[exit_].cell, ways)


@kernel
def mark_misrouted(chosen: NDArray[np.int32], tables: ExitTables) -> None:
    """Note of some cells, which have outlets, whether they are misrouted."""
    exits, cells, ways = tables
    for cell in chosen:
        cells[cell].is_misrouted = not _is_right(cell, cells[cell].outlet, exits, ways)


@helper
def _move(chosen: Any, tables: ExitTables, room: NDArray[np.int32]) -> tuple[int, int, int, float]:
    """Make an exit the outlet of its cell.

    The cells whose errors may change are its own, and those whose outlets come next above the old
    outlet or the chosen exit; they are left in `room`, as are those that did change. Return the
    numbers of both, how many errors the move repairs, and their weight.
    """
    exits, cells, ways = tables
    cell = exits[chosen].cell
    old = cells[cell].outlet
    cells[cell].outlet = chosen
    exits[old].is_outlet = False
    exits[chosen].is_outlet = True
    room[_TOUCHED, 0] = cell
    n_touched = 1
    room[_STACK, 0] = old
    room[_STACK, 1] = chosen
    n_stack = 2
    while n_stack > 0:
        n_stack -= 1
        above = exits[room[_STACK, n_stack]].above
        while above >= 0:
            if exits[above].is_outlet:
                room[_TOUCHED, n_touched] = exits[above].cell
                n_touched += above != chosen
            elif above != old and exits[above].above >= 0:
                room[_STACK, n_stack] = above
                n_stack += 1
            above = exits[above].next_above
    n_changed, gain, relief = 0, 0, 0.0
    for i in range(n_touched):
        cell = room[_TOUCHED, i]
        is_misrouted = not _is_right(cell, cells[cell].outlet, exits, ways)
        if is_misrouted != cells[cell].is_misrouted:
            cells[cell].is_misrouted = is_misrouted
            room[_CHANGED, n_changed] = cell
            n_changed += 1
            gain += -cells[cell].importance if is_misrouted else cells[cell].importance
            relief += -cells[cell].weight if is_misrouted else cells[cell].weight
    return n_touched, n_changed, gain, relief


@helper
def _list_moves(cell: Any, tables: ExitTables, room: NDArray[np.int32]) -> int:
    """List in `room` the exits that repair a misrouted cell as outlets of theirs.

    They are those on its way to the next outlet, then its own. Return how many.
    """
    exits, cells, ways = tables
    old = cells[cell].outlet
    n = 0
    on_way = exits[old].then
    while on_way >= 0 and not exits[on_way].is_outlet:
        there = exits[on_way].cell
        is_move = there != cell and exits[on_way].area >= cells[there].least
        if is_move and _may_run(cell, there, ways):
            room[_MOVES, n] = on_way
            n += 1
        on_way = exits[on_way].then
    exits[old].is_outlet = False
    own = cells[cell].first
    while own >= 0:
        is_move = own != old and exits[own].area >= cells[cell].least
        if is_move and _is_right(cell, own, exits, ways):
            room[_MOVES, n] = own
            n += 1
        own = exits[own].beside
    exits[old].is_outlet = True
    return n


@helper
def _best_move(cell: Any, tables: ExitTables, room: NDArray[np.int32]) -> tuple[Any, Any]:
    """Find the move that repairs a cell and most others; return its exit, -1 for none, and gain."""
    exits, cells = tables.exits, tables.cells
    best_exit, best_gain, best_relief = np.int32(-1), 0, 0.0
    for i in range(_list_moves(cell, tables, room)):
        chosen = room[_MOVES, i]
        moved = exits[chosen].cell
        old = cells[moved].outlet
        _, n_changed, gain, relief = _move(chosen, tables, room)
        exits[chosen].is_outlet = False
        exits[old].is_outlet = True
        cells[moved].outlet = old
        for j in range(n_changed):
            touched = room[_CHANGED, j]
            cells[touched].is_at_stake |= cells[touched].is_misrouted
            cells[touched].is_misrouted = not cells[touched].is_misrouted
        if gain > best_gain or (gain == best_gain and relief > best_relief):
            best_exit, best_gain, best_relief = chosen, gain, relief
    return best_exit, best_gain


@helper
def _best_pair(cell: Any, tables: ExitTables, room: NDArray[np.int32]) -> tuple[Any, Any]:
    """Find a move that repairs a cell, and one that repairs what it breaks; -1, -1 for none."""
    exits, cells = tables.exits, tables.cells
    n_moves = _list_moves(cell, tables, room)
    for i in range(n_moves):
        room[_FIRST_MOVES, i] = room[_MOVES, i]
    for i in range(n_moves):
        first, second = room[_FIRST_MOVES, i], np.int32(-1)
        old = cells[exits[first].cell].outlet
        _, n_changed, gain, _ = _move(first, tables, room)
        n_broken = 0
        for j in range(n_changed):
            if cells[room[_CHANGED, j]].is_misrouted:
                room[_BROKEN, n_broken] = room[_CHANGED, j]
                n_broken += 1
        for j in range(n_broken if n_broken <= _MAX_BROKEN else 0):
            found, more = _best_move(room[_BROKEN, j], tables, room)
            if found >= 0 and gain + more > 0:
                second = found
                break
        _move(old, tables, room)
        if second >= 0:
            return first, second
    return np.int32(-1), np.int32(-1)


@kernel
def choose_outlets(visit: NDArray[np.int32], at_once: int, tables: ExitTables) -> None:
    """Move the outlets of cells so that fewer are misrouted; change the tables in place.

    Misrouted cells are visited in the order given, then those that moves broke. Of the moves that
    make the cell right, the one is made that leaves the fewest misrouted (counted by importance),
    or as many of the least weight; of several, the first. If there is none, and two moves may be
    made `at_once`, one is made that repairs the cell, and one that repairs what it breaks. No exit
    that drains less than the least of its cell becomes an outlet.
    """
    exits, cells, _ = tables
    room = np.empty((6, max(len(exits), len(cells)) + 2), np.int32)
    queue = np.empty(len(cells), np.int32)
    n_queue = len(visit)
    for cell in range(len(cells)):
        cells[cell].is_queued = False
        cells[cell].is_at_stake = False
    for i in range(n_queue):
        queue[i] = visit[i]
        cells[visit[i]].is_queued = True
    place = 0
    while place < n_queue:
        cell = queue[place]
        place += 1
        if not cells[cell].is_misrouted:
            continue
        first, _ = _best_move(cell, tables, room)
        second = np.int32(-1)
        if first < 0 and at_once > 1:
            first, second = _best_pair(cell, tables, room)
        for move in (first, second):
            if move < 0:
                continue
            n_touched, _, _, _ = _move(move, tables, room)
            for i in range(n_touched):
                touched = room[_TOUCHED, i]
                if cells[touched].is_misrouted and not cells[touched].is_queued:
                    cells[touched].is_queued = True
                    queue[n_queue] = touched
                    n_queue += 1


@kernel
def connect(
    visit: NDArray[np.int32],
    tables: ExitTables,
    meets: NDArray[np.int32],
    receiver: NDArray[np.int32],
    receiver_side: NDArray[np.int8],
    order: NDArray[np.int32],
) -> None:
    """Give every cell a receiver among its neighbours, itself at an outlet, without circles.

    A right cell runs to the cell whose outlet its water `meets` first, -1 for none, or for one
    across a side that no water crosses. A misrouted one, in the order of `visit`, which holds them
    all, runs to the last neighbour on its way that does not run to it. Write the cells upstream
    first.
    """
    exits, cells, ways = tables
    n_cells = len(cells)
    for cell in range(n_cells):
        receiver[cell] = cell
        receiver_side[cell] = -1
        meets[cell] = -1
        if cells[cell].outlet < 0:
            continue
        exit_ = exits[cells[cell].outlet].then
        while exit_ >= 0 and not exits[exit_].is_outlet:
            exit_ = exits[exit_].then
        if exit_ < 0:
            continue
        there = exits[exit_].cell
        is_closed = False
        for side in range(ways.shape[1]):
            is_closed |= ways[cell, side] == -2 - there
        if not is_closed:
            meets[cell] = there
            if not cells[cell].is_misrouted:
                receiver[cell] = there
    for cell in visit:
        chosen = cell
        exit_ = exits[cells[cell].outlet].then
        while exit_ >= 0:
            there = exits[exit_].cell
            is_neighbour = False
            for side in range(ways.shape[1]):
                is_neighbour |= ways[cell, side] == there
            if is_neighbour and there != chosen:
                end = there
                while receiver[end] != end:
                    end = receiver[end]
                if end != cell:
                    chosen = there
            exit_ = np.int32(-1) if exits[exit_].is_outlet else exits[exit_].then
        receiver[cell] = chosen
    n_donors = np.zeros(n_cells, np.int8)
    for cell in range(n_cells):
        if receiver[cell] != cell:
            n_donors[receiver[cell]] += 1
            for side in range(ways.shape[1]):
                if ways[cell, side] == receiver[cell]:
                    receiver_side[cell] = side
    n = 0
    for start in range(n_cells):
        cell = np.int32(start)
        while n_donors[cell] == 0:
            n_donors[cell] = -1
            order[n] = cell
            n += 1
            if receiver[cell] == cell:
                break
            cell = receiver[cell]
            n_donors[cell] -= 1
