"""Better a board by small moves: another tile in one cell, or corners raised and lowered together.

Called by `hexterra.stages.improving` only. Tables as in `hexterra.kernels.labels`.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hexterra.kernels.labels import NEVER, TOO_MUCH, face_price, label_of


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
) -> int:
    """Make every move that lowers the cost, cell by cell, until none does; return how many.

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
    is_due = np.ones(n, np.bool_)
    faces = np.empty(n)
    for i in range(n):
        faces[i] = _sum_faces(i, neighbours, back, fixed, per_step, falls, corners)
    is_listed = np.zeros(n, np.bool_)
    group = np.empty(7, np.int32)
    label = np.empty((2, 7), np.int32)
    n_moves = 0
    for round_ in range(most_rounds):
        n_before = n_moves
        for i in range(n):
            if not is_due[i]:
                continue
            is_due[i] = False
            # Moves 0 to 11 are of a corner, 12 to 23 of a side's two, 24 and 25 of all six, in
            # turn up and down; 26 is another tile.
            for move in range(27):
                group[0] = i
                n_group = 1
                if move == 26:
                    if not _retile(
                        i, neighbours, back, fixed, per_step, falls, lowest, first, price, rises,
                        setting, kind_of, owned, new_price, n_used, held, corners,
                    ):  # fmt: skip
                        continue
                else:
                    begin = move // 2 % 6
                    length = 1 if move < 12 else (2 if move < 24 else 6)
                    step = 1 if move % 2 == 0 else -1
                    # The cells that share a corner to be moved, each once.
                    is_listed[i] = True
                    is_repeated = False  # at first each set of corners is tried from one cell
                    for side in range(begin + 5, begin + 6 + length):
                        j = neighbours[i, side % 6]
                        if j >= 0 and not is_listed[j]:
                            is_listed[j] = True
                            group[n_group] = j
                            n_group += 1
                            is_repeated |= j < i and (move < 12 or side == begin + 6)
                    gain = -NEVER
                    if not is_repeated or round_ > 0 or move >= 24:
                        gain = _try(
                            group, n_group, is_listed, label, begin, length, step, neighbours, back,
                            fixed, per_step, falls, lowest, first, price, new_price, row_of_code,
                            n_rows, held, faces, corners,
                        )  # fmt: skip
                    for k in range(n_group):
                        is_listed[group[k]] = False
                    if gain <= -TOO_MUCH:
                        continue
                    if new_price > 0.0:
                        gain -= new_price * _swap(
                            group, n_group, label, 0, n_rows, setting, kind_of, owned, n_used
                        )
                    if gain <= 1e-9:
                        if new_price > 0.0:
                            _swap(group, n_group, label, 1, n_rows, setting, kind_of, owned, n_used)
                        continue
                    _shift(corners, neighbours, back, i, begin, length, step)
                    for k in range(n_group):
                        held[group[k]] = label[1, k]
                n_moves += 1
                for k in range(n_group):
                    for s in range(7):
                        j = group[k] if s == 6 else neighbours[group[k], s]
                        if j >= 0:
                            is_due[j] = True
                            faces[j] = _sum_faces(
                                j, neighbours, back, fixed, per_step, falls, corners
                            )
        if n_moves == n_before:
            break
    return n_moves


@njit(cache=True, nogil=True)
def _try(
    group: NDArray[np.int32],
    n_group: int,
    is_listed: NDArray[np.bool_],
    label: NDArray[np.int32],
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

    Writes the labels of the group before and after into `label`, (2, 7).
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
                label[0, k] = held[i]
                label[1, k] = found
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


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _swap(
    group: NDArray[np.int32],
    n_group: int,
    label: NDArray[np.int32],
    out: int,
    n_rows: int,
    setting: NDArray[np.int32],
    kind_of: NDArray[np.int32],
    owned: NDArray[np.int64],
    n_used: NDArray[np.int64],
) -> int:
    """Count the tiles ``label[out]`` out and the others in; return how many more must be cut."""
    n_more = 0
    for k in range(n_group):
        kind = kind_of[setting[group[k]], label[out, k] % n_rows]
        n_used[kind] -= 1
        n_more -= int(n_used[kind] >= owned[kind])
    for k in range(n_group):
        kind = kind_of[setting[group[k]], label[1 - out, k] % n_rows]
        n_more += int(n_used[kind] >= owned[kind])
        n_used[kind] += 1
    return n_more


@njit(cache=True, nogil=True)
def _retile(
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
) -> bool:
    """Give a cell the cheapest tile among its neighbours as they are; tell whether it changed."""
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
    n_used[kind_of[setting[i], best % n_rows]] += 1
    if best == held[i]:
        return False
    held[i] = best
    for s in range(6):
        corners[i, s] = lowest[i] + best // n_rows + rises[best % n_rows, s]
    return True
