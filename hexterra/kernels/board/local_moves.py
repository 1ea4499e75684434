"""Better a board by small moves: another tile in one cell, or corners raised and lowered together.

Called by `hexterra.stages.search.bounds` only. Tables as in `hexterra.kernels.board.tile_costs`.

Compiling takes the longer the more kinds of numbers meet: whole numbers that one function hands to
another are int64 here, so that each function is compiled once.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hexterra.kernels.board.tile_costs import NEVER, TOO_MUCH, face_price, inner, label_of


@njit(cache=True, nogil=True)
def improve(
    most_rounds: int,
    neighbours: NDArray[np.int32],
    back: NDArray[np.int8],
    fixed: NDArray[np.float64],
    per_step: NDArray[np.float64],
    falls: NDArray[np.int8],
    lowest: NDArray[np.int32],
    first: NDArray[np.int64],
    price: NDArray[np.float64],
    rises: NDArray[np.int32],
    row_of_code: NDArray[np.int16],
    setting: NDArray[np.int32],
    kind_of: NDArray[np.int32],
    owned: NDArray[np.int64],
    new_price: float,
    n_used: NDArray[np.int64],
    held: NDArray[np.int32],
    corners: NDArray[np.int32],
) -> None:
    """Make every move that lowers the cost, cell by cell, until none does.

    From each cell are tried: every other tile in it; each of its corners one step up and down in
    all cells that share it; the same for each of its sides' two corners; and for all six. A round
    visits the cells around those changed since the round before.

    Parameters
    ----------
    setting, kind_of, owned, new_price, n_used
        Each tile used of a kind, ``kind_of[setting, row]``, beyond the number owned costs
        `new_price`; `n_used` counts the tiles of the board and is kept up to date.
    held, corners
        Label of each cell, which must be one that is allowed, and corners, (n, 6); changed in
        place.
    """
    n = len(corners)
    n_rows = len(rises)
    is_due = np.empty(n, np.bool_)
    is_listed = np.empty(n, np.bool_)
    faces = np.empty(n, np.float64)
    for i in range(n):
        is_due[i] = True
        is_listed[i] = False
        faces[i] = _sum_faces(i, neighbours, back, fixed, per_step, falls, corners)
    group = np.empty(7, np.int64)
    old = np.empty(7, np.int64)
    new = np.empty(7, np.int64)
    for round_ in range(most_rounds):
        is_better = False
        for i in range(n):
            if not is_due[i]:
                continue
            is_due[i] = False
            # Moves 0 to 11 are of a corner, 12 to 23 of a side's two, 24 and 25 of all six, in
            # turn up and down; 26 is another tile.
            for move in range(27):
                begin = (move >> 1) % 6
                length = 0
                if move < 12:
                    length = 1
                elif move < 24:
                    length = 2
                elif move < 26:
                    length = 6
                step = 1 - 2 * (move & 1)
                n_group = _list_group(i, begin, length, neighbours, is_listed, group)
                is_repeated = False  # at first each set of corners is tried from one cell
                if round_ == 0 and move < 12:
                    for k in range(n_group):
                        is_repeated |= group[k] < i
                elif round_ == 0 and move < 24:
                    is_repeated = 0 <= neighbours[i, begin] < i
                gain = -NEVER
                if move == 26:
                    old[0] = held[i]
                    new[0] = _best_label(
                        i, neighbours, back, fixed, per_step, falls, lowest, first, price, rises,
                        setting, kind_of, owned, new_price, n_used, held, corners,
                    )  # fmt: skip
                    if new[0] != old[0]:
                        gain = NEVER
                elif not is_repeated:
                    gain = _try(
                        group, n_group, is_listed, old, new, begin, length, step, neighbours, back,
                        fixed, per_step, falls, lowest, first, price, new_price, row_of_code,
                        n_rows, held, faces, corners,
                    )  # fmt: skip
                for k in range(n_group):
                    is_listed[group[k]] = False
                if gain <= -TOO_MUCH:
                    continue
                n_more = _swap(group, n_group, old, new, n_rows, setting, kind_of, owned, n_used)
                if gain - new_price * n_more <= 1e-9:
                    _swap(group, n_group, new, old, n_rows, setting, kind_of, owned, n_used)
                    continue
                is_better = True
                for k in range(n_group):
                    j = group[k]
                    held[j] = new[k]
                if move == 26:
                    row = new[0] % n_rows
                    for s in range(6):
                        corners[i, s] = lowest[i] + new[0] // n_rows + rises[row, s]
                else:
                    _shift(corners, neighbours, back, i, begin, length, step)
                for k in range(n_group):
                    for s in range(7):
                        j = group[k]
                        if s < 6:
                            j = np.int64(neighbours[j, s])
                        if j >= 0:
                            is_due[j] = True
                            faces[j] = _sum_faces(
                                j, neighbours, back, fixed, per_step, falls, corners
                            )
        if not is_better:
            break


@inner
def _list_group(
    i: int,
    begin: int,
    length: int,
    neighbours: NDArray[np.int32],
    is_listed: NDArray[np.bool_],
    group: NDArray[np.int64],
) -> int:
    """List a cell and those that share the corners from `begin` on, each once; return how many."""
    group[0] = i
    is_listed[i] = True
    n_group = 1
    for side in range(begin + 5, begin + 6 + length):
        j = neighbours[i, side % 6]
        if length > 0 and j >= 0 and not is_listed[j]:
            is_listed[j] = True
            group[n_group] = j
            n_group += 1
    return n_group


@inner
def _try(
    group: NDArray[np.int64],
    n_group: int,
    is_listed: NDArray[np.bool_],
    old: NDArray[np.int64],
    new: NDArray[np.int64],
    begin: int,
    length: int,
    step: int,
    neighbours: NDArray[np.int32],
    back: NDArray[np.int8],
    fixed: NDArray[np.float64],
    per_step: NDArray[np.float64],
    falls: NDArray[np.int8],
    lowest: NDArray[np.int32],
    first: NDArray[np.int64],
    price: NDArray[np.float64],
    new_price: float,
    row_of_code: NDArray[np.int16],
    n_rows: int,
    held: NDArray[np.int32],
    faces: NDArray[np.float64],
    corners: NDArray[np.int32],
) -> float:
    """Return what moving corners of ``group[0]`` gains, hugely negative if surely nothing.

    Writes the labels of the group before and after into `old` and `new`.
    """
    gain = 0.0
    most = new_price * n_group
    for phase in range(2):  # as it would be, and as it is
        way = step if phase == 0 else -step
        _shift(corners, neighbours, back, group[0], begin, length, way)
        if phase == 0:
            for k in range(n_group):
                i = group[k]
                found = label_of(i, corners, lowest, first, row_of_code, n_rows)
                if found < 0 or price[first[i] + found] >= TOO_MUCH:
                    most = -NEVER
                    break
                old[k] = held[i]
                new[k] = found
                gain += float(price[first[i] + held[i]] - price[first[i] + found])
                most += float(faces[i])
            if gain + most <= 1e-9:  # not even if no face were left and no piece had to be cut
                gain = -NEVER
        if gain <= -TOO_MUCH:
            continue
        for k in range(n_group):
            i = group[k]
            for s in range(6):
                j = neighbours[i, s]
                if j < 0 or (is_listed[j] and j < i):
                    continue
                t = int(back[i, s])
                face = face_price(
                    fixed[i, s], per_step[i, s], falls[i, s],
                    corners[i, s], corners[i, (s + 1) % 6],
                    corners[j, (t + 1) % 6], corners[j, t],
                )  # fmt: skip
                gain += face if phase == 1 else -face
    return gain


@inner
def _sum_faces(
    i: int,
    neighbours: NDArray[np.int32],
    back: NDArray[np.int8],
    fixed: NDArray[np.float64],
    per_step: NDArray[np.float64],
    falls: NDArray[np.int8],
    corners: NDArray[np.int32],
) -> float:
    """Price all faces of a cell."""
    total = 0.0
    for s in range(6):
        j = neighbours[i, s]
        if j >= 0:
            t = int(back[i, s])
            total += face_price(
                fixed[i, s], per_step[i, s], falls[i, s],
                corners[i, s], corners[i, (s + 1) % 6],
                corners[j, (t + 1) % 6], corners[j, t],
            )  # fmt: skip
    return total


@inner
def _shift(
    corners: NDArray[np.int32],
    neighbours: NDArray[np.int32],
    back: NDArray[np.int8],
    i: int,
    begin: int,
    length: int,
    step: int,
) -> None:
    """Move consecutive corners of a cell, and the same corners of the cells that share them."""
    for k in range(begin, begin + length):
        corner = k % 6
        corners[i, corner] += step
        j = neighbours[i, corner]  # sees this corner as the end of its side
        if j >= 0:
            corners[j, (back[i, corner] + 1) % 6] += step
        side = (corner + 5) % 6
        j = neighbours[i, side]
        if j >= 0:
            corners[j, back[i, side]] += step


@inner
def _swap(
    group: NDArray[np.int64],
    n_group: int,
    out: NDArray[np.int64],
    into: NDArray[np.int64],
    n_rows: int,
    setting: NDArray[np.int32],
    kind_of: NDArray[np.int32],
    owned: NDArray[np.int64],
    n_used: NDArray[np.int64],
) -> int:
    """Count some tiles of a group out and others in; return how many more must be cut."""
    n_more = 0
    for k in range(n_group):
        kind = kind_of[setting[group[k]], out[k] % n_rows]
        n_used[kind] -= 1
        n_more -= int(n_used[kind] >= owned[kind])
    for k in range(n_group):
        kind = kind_of[setting[group[k]], into[k] % n_rows]
        n_more += int(n_used[kind] >= owned[kind])
        n_used[kind] += 1
    return n_more


@inner
def _best_label(
    i: int,
    neighbours: NDArray[np.int32],
    back: NDArray[np.int8],
    fixed: NDArray[np.float64],
    per_step: NDArray[np.float64],
    falls: NDArray[np.int8],
    lowest: NDArray[np.int32],
    first: NDArray[np.int64],
    price: NDArray[np.float64],
    rises: NDArray[np.int32],
    setting: NDArray[np.int32],
    kind_of: NDArray[np.int32],
    owned: NDArray[np.int64],
    new_price: float,
    n_used: NDArray[np.int64],
    held: NDArray[np.int32],
    corners: NDArray[np.int32],
) -> int:
    """Return the label of the cheapest tile of a cell among its neighbours as they are."""
    n_rows = len(rises)
    n_used[kind_of[setting[i], held[i] % n_rows]] -= 1
    best = held[i]
    least = NEVER
    for turn in range(-1, first[i + 1] - first[i]):  # what is there goes first
        label = held[i] if turn < 0 else turn
        value = price[first[i] + label]
        if value + 1e-9 >= least:
            continue
        row = label % n_rows
        base = lowest[i] + label // n_rows
        kind = kind_of[setting[i], row]
        if n_used[kind] >= owned[kind]:
            value += new_price
        for s in range(6):
            j = neighbours[i, s]
            if j < 0:
                continue
            t = int(back[i, s])
            value += face_price(
                fixed[i, s], per_step[i, s], falls[i, s],
                base + rises[row, s], base + rises[row, (s + 1) % 6],
                corners[j, (t + 1) % 6], corners[j, t],
            )  # fmt: skip
        if value + 1e-9 < least:
            least = value
            best = label
    n_used[kind_of[setting[i], held[i] % n_rows]] += 1
    return best
