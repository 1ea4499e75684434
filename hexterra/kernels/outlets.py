"""Choose one outlet per cell so that few are wrong, and connect the cells.

Follows `hexterra.kernels.upscale`, which tells what exits and outlets are. Called by
`hexterra.stages.route` only. The neighbour across a side that no water crosses is written as -2 -
its number: a cell whose water would meet the outlet of that one next ends there, as a mouth.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

_MAX_BROKEN: Final = 2  # one move seldom mends more


@njit(cache=True, nogil=True)
def list_sources(
    then: NDArray[np.int32], cell_of: NDArray[np.int32]
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
    """List the exits that come directly before each: where the list of each begins, all, cells.

    A cell is written as -1 - its number if nothing comes before the exit.
    """
    n_exits = len(then)
    before = np.zeros(n_exits + 1, np.int32)
    for i in range(n_exits):
        if then[i] >= 0:
            before[then[i] + 1] += 1
    for i in range(n_exits):
        before[i + 1] += before[i]
    source = np.empty(n_exits, np.int32)
    source_cell = np.empty(n_exits, np.int32)
    place = np.empty(n_exits, np.int32)
    for i in range(n_exits):
        place[i] = before[i]
    for i in range(n_exits):
        if then[i] >= 0:
            j = place[then[i]]
            source[j] = i
            source_cell[j] = cell_of[i] if before[i + 1] > before[i] else -1 - cell_of[i]
            place[then[i]] += 1
    return before, source, source_cell


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
        there = neighbours[cell, side]
        is_neighbour = is_neighbour or there == cell_of[found] or there == -2 - cell_of[found]
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
def _move(chosen: Any, forest: Any, choice: Any, scratch: Any) -> tuple[int, float]:
    """Make an exit the outlet of its cell; return how many errors that mends, and their weight.

    The cells whose errors may change are its own, and those whose outlets come next above the old
    outlet or the chosen exit; they are left in `touched`, their number in ``counts[0]``.
    """
    then, before, source, source_cell, cell_of, neighbours = forest
    outlet, is_wrong, importance, weight = choice
    stack, touched, was_wrong, stamp, counts = scratch
    counts[1] += 1
    move = counts[1]
    cell = cell_of[chosen]
    old = outlet[cell]
    outlet[cell] = chosen
    touched[0] = cell
    stamp[cell] = move
    n_touched = 1
    stack[0] = old
    stack[1] = chosen
    n_stack = 2
    while n_stack > 0:
        n_stack -= 1
        here = stack[n_stack]
        for j in range(before[here], before[here + 1]):
            up = source[j]
            is_first = source_cell[j] < 0
            cell = -1 - source_cell[j] if is_first else source_cell[j]
            if up != old and outlet[cell] == up:
                if stamp[cell] != move:
                    stamp[cell] = move
                    touched[n_touched] = cell
                    n_touched += 1
            elif not is_first and up != old and up != chosen:  # noqa: PLR1714 - they may differ in kind
                stack[n_stack] = up
                n_stack += 1
    gain, relief = 0, 0.0
    for i in range(n_touched):
        cell = int(touched[i])
        wrong = not _is_right(cell, then, cell_of, outlet, neighbours)
        change = int(is_wrong[cell]) - int(wrong)
        was_wrong[i] = is_wrong[cell]
        is_wrong[cell] = wrong
        gain += change * importance[cell]
        relief += change * weight[cell]
    counts[0] = n_touched
    return gain, relief


@njit(cache=True, nogil=True)
def _undo(old: Any, cell: Any, choice: Any, scratch: Any) -> None:
    """Take the last move back: `old` was the outlet of `cell`."""
    outlet, is_wrong = choice[0], choice[1]
    _, touched, was_wrong, _, counts = scratch
    outlet[cell] = old
    for i in range(counts[0]):
        is_wrong[touched[i]] = was_wrong[i]


@njit(cache=True, nogil=True)
def _list_moves(
    cell: Any,
    begin: NDArray[np.int32],
    area: NDArray[np.float64],
    least: NDArray[np.float64],
    forest: Any,
    choice: Any,
    moves: NDArray[np.int32],
) -> int:
    """List the exits that may mend a wrong cell as outlets of theirs; return how many.

    They are those on its way to the next outlet, then its own.
    """
    then, cell_of = forest[0], forest[4]
    outlet = choice[0]
    n = 0
    on_way = then[outlet[cell]]
    while on_way >= 0 and outlet[cell_of[on_way]] != on_way:
        if area[on_way] >= least[cell_of[on_way]]:
            moves[n] = on_way
            n += 1
        on_way = then[on_way]
    for exit_ in range(begin[cell], begin[cell + 1]):
        if exit_ != outlet[cell] and area[exit_] >= least[cell]:
            moves[n] = exit_
            n += 1
    return n


@njit(cache=True, nogil=True)
def _mends(chosen: Any, cell: Any, forest: Any, outlet: NDArray[np.int32]) -> bool:
    """Tell whether a cell would be right if an exit were the outlet of its cell."""
    then, cell_of, neighbours = forest[0], forest[4], forest[5]
    moved = cell_of[chosen]
    old = outlet[moved]
    outlet[moved] = chosen
    mends = _is_right(cell, then, cell_of, outlet, neighbours)
    outlet[moved] = old
    return mends


@njit(cache=True, nogil=True)
def _best_move(
    cell: Any,
    begin: NDArray[np.int32],
    area: NDArray[np.float64],
    least: NDArray[np.float64],
    forest: Any,
    choice: Any,
    scratch: Any,
    moves: NDArray[np.int32],
) -> tuple[int, int, float]:
    """Find the move that mends a cell and most others; return its exit, -1 for none, and gain."""
    cell_of, outlet = forest[4], choice[0]
    best_exit, best_gain, best_relief = np.int32(-1), 0, 0.0
    for i in range(_list_moves(cell, begin, area, least, forest, choice, moves)):
        if not _mends(moves[i], cell, forest, outlet):
            continue
        old = outlet[cell_of[moves[i]]]
        gain, relief = _move(moves[i], forest, choice, scratch)
        _undo(old, cell_of[moves[i]], choice, scratch)
        if gain > best_gain or (gain == best_gain and relief > best_relief):
            best_exit, best_gain, best_relief = moves[i], gain, relief
    return int(best_exit), best_gain, best_relief


@njit(cache=True, nogil=True)
def choose_outlets(
    begin: NDArray[np.int32],
    area: NDArray[np.float64],
    least: NDArray[np.float64],
    visit: NDArray[np.int64],
    sweeps: int,
    pairs: int,
    forest: Any,
    choice: Any,
) -> None:
    """Move the outlets of cells so that fewer are wrong; change both in place.

    Wrong cells are visited in the order given, sweep by sweep. Of the moves that make the cell
    right, the one is made that leaves the fewest cells wrong (counted by importance), or as many
    of the least weight; of several, the first. In the last `pairs` sweeps, where no such move is
    left, two moves at once may be made: one that mends the cell, one that mends what the first
    breaks. No exit that drains less than `least` of its cell becomes an outlet.
    """
    cell_of = forest[4]
    outlet, is_wrong, _, _ = choice
    n_cells, n_exits = len(begin) - 1, len(cell_of)
    touched, stamp = np.empty(n_cells, np.int32), np.zeros(n_cells, np.int64)
    counts = np.zeros(2, np.int64)
    was_wrong = np.empty(n_cells, np.bool_)
    scratch = (np.empty(n_exits + 2, np.int32), touched, was_wrong, stamp, counts)
    moves, more_moves = np.empty(n_exits, np.int32), np.empty(n_exits, np.int32)
    broken = np.empty(n_cells, np.int32)
    is_settled = np.zeros(n_cells, np.bool_)
    for sweep in range(sweeps + pairs):
        improved = False
        if sweep >= sweeps:
            for cell in range(n_cells):
                is_settled[cell] = False
        for cell in visit:
            if is_settled[cell] or not is_wrong[cell]:
                continue
            first, _, _ = _best_move(cell, begin, area, least, forest, choice, scratch, moves)
            second = np.int32(-1)
            if first < 0 and sweep >= sweeps:
                n = _list_moves(cell, begin, area, least, forest, choice, moves)
                for i in range(n):
                    if not _mends(moves[i], cell, forest, outlet):
                        continue
                    old = outlet[cell_of[moves[i]]]
                    gain, _ = _move(moves[i], forest, choice, scratch)
                    n_broken = 0
                    for j in range(counts[0]):
                        if is_wrong[touched[j]]:
                            broken[n_broken] = touched[j]
                            n_broken += 1
                    for j in range(n_broken if n_broken <= _MAX_BROKEN else 0):
                        found, more, _ = _best_move(
                            int(broken[j]),
                            begin,
                            area,
                            least,
                            forest,
                            choice,
                            scratch,
                            more_moves,
                        )
                        if found >= 0 and gain + more > 0:
                            first, second = moves[i], found
                            break
                    _move(old, forest, choice, scratch)
                    if second >= 0:
                        break
            if first < 0:
                is_settled[cell] = True  # until a move touches it
                continue
            improved = True
            _move(first, forest, choice, scratch)
            for i in range(counts[0]):
                is_settled[touched[i]] = False
            if second >= 0:
                _move(second, forest, choice, scratch)
                for i in range(counts[0]):
                    is_settled[touched[i]] = False
        if not improved and sweep >= sweeps:
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

    A right cell runs to the cell whose outlet its water `meets` first, -1 for none, or for one
    across a side that no water crosses. A wrong one,
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
            is_closed = False
            for side in range(neighbours.shape[1]):
                is_closed = is_closed or (
                    found >= 0 and neighbours[cell, side] == -2 - cell_of[found]
                )
            if found >= 0 and not is_closed:
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
