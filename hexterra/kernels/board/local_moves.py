"""Improve a board by small moves: another tile in one cell, or corners raised or lowered together.

Called by `hexterra.stages.search.bounds` only. Tables as in `hexterra.kernels.board.tile_costs`.

Compiling takes the longer the more kinds of numbers meet: whole numbers that one function hands to
another are int64 here, so that each function is compiled once. Arrays are taken out of tuples once
in a function, since each time is counted.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.board.tile_costs import (
    INFEASIBLE,
    INFEASIBLE_SUM,
    BoardSides,
    face_price_beside,
)
from hexterra.kernels.compiled import helper, kernel


class Candidates(NamedTuple):
    """The tiles that each of n cells may get.

    Parameters
    ----------
    lowest, first
        As in `hexterra.kernels.board.tile_costs.BaseLevels`.
    price
        Price of each label, float64.
    rises, setting
        As in `hexterra.kernels.board.tile_costs.OrientedPatterns`.
    oriented_of_code
        Oriented pattern by rises read in base three, (729,) int16; -1 where there is none.
    """

    lowest: NDArray[np.int32]
    first: NDArray[np.int64]
    price: NDArray[np.float64]
    rises: NDArray[np.int32]
    setting: NDArray[np.int32]
    oriented_of_code: NDArray[np.int16]


class PieceStock(NamedTuple):
    """The pieces that are there.

    Parameters
    ----------
    kind_of
        Kind of tile that each oriented pattern makes in each setting, (k, R) int32.
    owned
        Pieces of each kind, (n_kinds,) int64.
    new_price
        What each tile used of a kind costs beyond those owned.
    """

    kind_of: NDArray[np.int32]
    owned: NDArray[np.int64]
    new_price: float


class PlacedTiles(NamedTuple):
    """The tiles of n cells, changed in place.

    Parameters
    ----------
    label
        Label of each cell, (n,) int32.
    corners
        Their corner heights in steps, (n, 6) int32.
    n_used
        Tiles of each kind, (n_kinds,) int64.
    """

    label: NDArray[np.int32]
    corners: NDArray[np.int32]
    n_used: NDArray[np.int64]


class _Move(NamedTuple):
    """Which consecutive corners of a cell are moved by how many steps."""

    begin: int
    length: int
    step: int


class _Work(NamedTuple):
    """What a move is worked out in.

    `cells` are those that it touches, (7,) int64, `before` and `after` their labels, (7,) int64;
    `is_touched` tells which of all cells are among them, (n,) bool, and `faces` what all faces of
    each cell cost on the board as it is, (n,) float64.
    """

    cells: NDArray[np.int64]
    before: NDArray[np.int64]
    after: NDArray[np.int64]
    is_touched: NDArray[np.bool_]
    faces: NDArray[np.float64]


@kernel
def improve(
    most_rounds: int,
    sides: BoardSides,
    candidates: Candidates,
    stock: PieceStock,
    board: PlacedTiles,
) -> None:
    """Make every move that lowers the cost, cell by cell, until none does.

    From each cell are tried: every other tile in it; each of its corners one step up and down in
    all cells that share it; the same for each of its sides' two corners; and for all six. A round
    visits the cells around those changed since the round before. The tiles of the board must be
    allowed.
    """
    neighbours, corners = sides.neighbours, board.corners
    rises = candidates.rises
    n = len(corners)
    n_oriented = len(rises)
    is_due = np.ones(n, np.bool_)
    work = _Work(
        np.empty(7, np.int64), np.empty(7, np.int64), np.empty(7, np.int64),
        np.zeros(n, np.bool_), np.empty(n, np.float64),
    )  # fmt: skip
    cells, before, after, faces = work.cells, work.before, work.after, work.faces
    for i in range(n):
        faces[i] = _sum_faces(i, sides, corners)
    for round_ in range(most_rounds):
        is_improved = False
        for i in range(n):
            if not is_due[i]:
                continue
            is_due[i] = False
            # Moves 0 to 11 are of a corner, 12 to 23 of a side's two, 24 and 25 of all six, in
            # turn up and down; 26 is another tile.
            for number in range(27):
                length = 0
                if number < 12:
                    length = 1
                elif number < 24:
                    length = 2
                elif number < 26:
                    length = 6
                move = _Move((number >> 1) % 6, length, 1 - 2 * (number & 1))
                n_cells = _list_cells(i, move, neighbours, work)
                is_repeated = False  # at first each set of corners is tried from one cell
                if round_ == 0 and number < 12:
                    for k in range(n_cells):
                        is_repeated |= cells[k] < i
                elif round_ == 0 and number < 24:
                    is_repeated = 0 <= neighbours[i, move.begin] < i
                gain = -INFEASIBLE
                if number == 26:
                    before[0] = board.label[i]
                    after[0] = _best_label(i, sides, candidates, stock, board)
                    if after[0] != before[0]:
                        gain = INFEASIBLE
                elif not is_repeated:
                    gain = _try(move, n_cells, work, sides, candidates, stock.new_price, board)
                for k in range(n_cells):
                    work.is_touched[cells[k]] = False
                if gain <= -INFEASIBLE_SUM:
                    continue
                n_more = _swap(n_cells, cells, before, after, candidates, stock, board)
                if gain - stock.new_price * n_more <= 1e-9:
                    _swap(n_cells, cells, after, before, candidates, stock, board)
                    continue
                is_improved = True
                for k in range(n_cells):
                    board.label[cells[k]] = after[k]
                if number == 26:
                    base = candidates.lowest[i] + after[0] // n_oriented
                    for s in range(6):
                        corners[i, s] = base + rises[after[0] % n_oriented, s]
                else:
                    _shift(i, move, 1, sides, corners)
                for k in range(n_cells):
                    for s in range(7):
                        j = cells[k]
                        if s < 6:
                            j = np.int64(neighbours[j, s])
                        if j >= 0:
                            is_due[j] = True
                            faces[j] = _sum_faces(j, sides, corners)
        if not is_improved:
            break


@helper
def _list_cells(i: int, move: _Move, neighbours: NDArray[np.int32], work: _Work) -> int:
    """List a cell and those that share the corners of a move, each once; return how many."""
    work.cells[0] = i
    work.is_touched[i] = True
    n_cells = 1
    for side in range(move.begin + 5, move.begin + 6 + move.length):
        j = neighbours[i, side % 6]
        if move.length > 0 and j >= 0 and not work.is_touched[j]:
            work.is_touched[j] = True
            work.cells[n_cells] = j
            n_cells += 1
    return n_cells


@helper
def _try(
    move: _Move,
    n_cells: int,
    work: _Work,
    sides: BoardSides,
    candidates: Candidates,
    new_price: float,
    board: PlacedTiles,
) -> float:
    """Return what moving corners of the first cell gains, hugely negative if surely nothing.

    Writes the labels of the cells before and after.
    """
    cells, before, after, is_touched, faces = work
    lowest, first, price = candidates.lowest, candidates.first, candidates.price
    oriented_of_code, n_oriented = candidates.oriented_of_code, len(candidates.rises)
    label, corners = board.label, board.corners
    gain = 0.0
    most = new_price * n_cells
    for phase in range(2):  # as it would be, and as it is
        _shift(cells[0], move, 1 - 2 * phase, sides, corners)
        if phase == 0:
            for k in range(n_cells):
                i = cells[k]
                found = _label_of(i, corners, lowest, first, oriented_of_code, n_oriented)
                if found < 0 or price[first[i] + found] >= INFEASIBLE_SUM:
                    most = -INFEASIBLE
                    break
                before[k] = label[i]
                after[k] = found
                gain += float(price[first[i] + label[i]] - price[first[i] + found])
                most += float(faces[i])
            if gain + most <= 1e-9:  # not even if no face were left and no piece had to be cut
                gain = -INFEASIBLE
        if gain <= -INFEASIBLE_SUM:
            continue
        for k in range(n_cells):
            i = cells[k]
            for s in range(6):
                j = sides.neighbours[i, s]
                if j < 0 or (is_touched[j] and j < i):
                    continue
                face = face_price_beside(
                    sides, corners, i, s, int(corners[i, s]), int(corners[i, (s + 1) % 6])
                )
                gain += face if phase == 1 else -face
    return gain


@helper
def _label_of(
    i: int,
    corners: NDArray[np.int32],
    lowest: NDArray[np.int32],
    first: NDArray[np.int64],
    oriented_of_code: NDArray[np.int16],
    n_oriented: int,
) -> int:
    """Return the label of a cell with the corners that it has, or -1 if there is none."""
    base = corners[i, 0]
    top = base
    for s in range(1, 6):
        base = min(base, corners[i, s])
        top = max(top, corners[i, s])
    at = (base - lowest[i]) * n_oriented
    if at < 0 or at >= first[i + 1] - first[i] or top > base + 2:
        return -1
    code = 0
    for s in range(6):
        code = 3 * code + corners[i, s] - base
    p = oriented_of_code[code]
    return at + p if p >= 0 else -1


@helper
def _sum_faces(i: int, sides: BoardSides, corners: NDArray[np.int32]) -> float:
    """Price all faces of a cell."""
    total = 0.0
    for s in range(6):
        if sides.neighbours[i, s] >= 0:
            total += face_price_beside(
                sides, corners, i, s, int(corners[i, s]), int(corners[i, (s + 1) % 6])
            )
    return total


@helper
def _shift(i: int, move: _Move, sign: int, sides: BoardSides, corners: NDArray[np.int32]) -> None:
    """Move corners of a cell, or back, and the same corners of the cells that share them."""
    step = sign * move.step
    for k in range(move.begin, move.begin + move.length):
        corner = k % 6
        corners[i, corner] += step
        j = sides.neighbours[i, corner]  # sees this corner as the end of its side
        if j >= 0:
            corners[j, (sides.back[i, corner] + 1) % 6] += step
        side = (corner + 5) % 6
        j = sides.neighbours[i, side]
        if j >= 0:
            corners[j, sides.back[i, side]] += step


@helper
def _swap(
    n_cells: int,
    cells: NDArray[np.int64],
    out: NDArray[np.int64],
    into: NDArray[np.int64],
    candidates: Candidates,
    stock: PieceStock,
    board: PlacedTiles,
) -> int:
    """Count some labels of cells out and others in; return how many more tiles must be cut."""
    n_oriented, setting = len(candidates.rises), candidates.setting
    n_more = 0
    for k in range(n_cells):
        kind = stock.kind_of[setting[cells[k]], out[k] % n_oriented]
        board.n_used[kind] -= 1
        n_more -= int(board.n_used[kind] >= stock.owned[kind])
    for k in range(n_cells):
        kind = stock.kind_of[setting[cells[k]], into[k] % n_oriented]
        n_more += int(board.n_used[kind] >= stock.owned[kind])
        board.n_used[kind] += 1
    return n_more


@helper
def _best_label(
    i: int, sides: BoardSides, candidates: Candidates, stock: PieceStock, board: PlacedTiles
) -> int:
    """Return the label of the cheapest tile of a cell among its neighbours as they are."""
    first, price, rises = candidates.first, candidates.price, candidates.rises
    kind_of, owned, n_used, corners = stock.kind_of, stock.owned, board.n_used, board.corners
    n_oriented, setting, lowest = len(rises), candidates.setting[i], candidates.lowest[i]
    old = board.label[i]
    n_used[kind_of[setting, old % n_oriented]] -= 1
    best = old
    least = INFEASIBLE
    for turn in range(-1, first[i + 1] - first[i]):  # ties go to what is there
        label = old if turn < 0 else turn
        value = price[first[i] + label]
        if value + 1e-9 >= least:
            continue
        p = label % n_oriented
        base = lowest + label // n_oriented
        kind = kind_of[setting, p]
        if n_used[kind] >= owned[kind]:
            value += stock.new_price
        for s in range(6):
            if sides.neighbours[i, s] >= 0:
                value += face_price_beside(
                    sides, corners, i, s, base + rises[p, s], base + rises[p, (s + 1) % 6]
                )
        if value + 1e-9 < least:
            least = value
            best = label
    n_used[kind_of[setting, old % n_oriented]] += 1
    return best
