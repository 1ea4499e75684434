"""Message passing over the sides of a lattice: a lower bound on any board, and good tiles.

Called by `hexterra.stages.search.message_tables` only. Tables as in
`hexterra.kernels.board.tile_costs`; besides:

A side of a top has a *state*: the height of its first corner and how much the second differs,
from ``-max_rise`` to ``max_rise``. In cell ``i`` the state of label ``b * R + row`` on side ``s``
is number ``b * width + codes[row, s]``, with ``width = 2 * max_rise + 1``. What the cell hears
across side ``s`` lies at ``start[i] + s * n_states[i] + state``.

Only labels still in the running are visited: ``count[i]`` of them from ``first[i]`` on, with their
price, row and state offset ``b * width``.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hexterra.kernels.board.tile_costs import NEVER, TOO_MUCH, face_price


@njit(cache=True, nogil=True)
def sweep(
    is_up: int,
    slack: float,
    neighbours: NDArray[np.int32],
    back: NDArray[np.int8],
    fixed: NDArray[np.float64],
    per_step: NDArray[np.float64],
    falls: NDArray[np.int8],
    share: NDArray[np.float64],
    codes: NDArray[np.int32],
    max_rise: int,
    lowest: NDArray[np.int32],
    n_heights: NDArray[np.int32],
    first: NDArray[np.int64],
    count: NDArray[np.int32],
    price: NDArray[np.float64],
    row: NDArray[np.int16],
    offset: NDArray[np.int32],
    start: NDArray[np.int64],
    message: NDArray[np.float64],
    part: NDArray[np.float64],
) -> tuple[float, float]:
    """Pass messages once, by ascending (`is_up` = 1) or descending number.

    Returns a lower bound and the greatest size of a message that was written, prohibitions left
    out. What each cell adds to the bound, and before that its sides to cells not yet swept, is
    written to `part`, (n, 7). Across a side goes `share`, (n, 6), of what a cell has to tell: to
    all cells ahead no more than all of it, and to all behind neither.

    Sequential tree-reweighted message passing (Kolmogorov, IEEE Transactions on Pattern Analysis
    and Machine Intelligence 28(10), 2006). The least way to change a state by whole steps is a
    distance transform of two passes over the states (Felzenszwalb and Huttenlocher, Theory of
    Computing 8, 2012); where water falls, one of them is left out.

    A label whose least price exceeds that of its cell by more than `slack` leaves the running: no
    board with it costs less than the bound of the sweep before plus `slack`.
    """
    n = len(count)
    width = 2 * max_rise + 1
    most = 0
    highest = 0
    lowest_of_all = lowest[0]
    for i in range(n):
        most = max(most, count[i])
        highest = max(highest, lowest[i] + n_heights[i])
        lowest_of_all = min(lowest_of_all, lowest[i])
    total = np.empty(most)
    least_of = np.empty((highest - lowest_of_all) * width)
    spread = np.empty((highest - lowest_of_all) * width)
    bound = 0.0
    greatest = 0.0
    for k in range(n):
        i = k if is_up == 1 else n - 1 - k
        at = first[i]
        n_states = n_heights[i] * width
        heard = start[i]
        least = 100.0 * NEVER
        for t in range(count[i]):
            value = price[at + t]
            r = row[at + t]
            place = heard + offset[at + t]
            for s in range(6):
                value += message[place + codes[r, s]]
                place += n_states
            total[t] = value
            least = min(least, value)
        part[i, 6] = least
        bound += float(least)
        kept = 0
        for t in range(count[i]):
            over = total[t] - least
            if over <= slack:
                total[kept] = over
                if kept < t:
                    price[at + kept] = price[at + t]
                    row[at + kept] = row[at + t]
                    offset[at + kept] = offset[at + t]
                kept += 1
        count[i] = kept
        for s in range(6):
            j = neighbours[i, s]
            part[i, s] = 0.0
            if j < 0 or (j > i) != (is_up == 1):
                continue
            for state in range(n_states):
                least_of[state] = NEVER
            for t in range(kept):
                state = offset[at + t] + codes[row[at + t], s]
                least_of[state] = min(least_of[state], total[t])
            # Heights of both cells, from `low` on.
            low = min(lowest[i], lowest[j])
            n_all = max(lowest[i] + n_heights[i], lowest[j] + n_heights[j]) - low
            for state in range(n_all * width):
                spread[state] = NEVER
            shift = (lowest[i] - low) * width
            for state in range(n_states):
                if least_of[state] < TOO_MUCH:
                    least_of[state] = (
                        share[i, s] * least_of[state] - message[heard + s * n_states + state]
                    )
                    spread[shift + state] = least_of[state]
            half = 0.5 * per_step[i, s]
            if falls[i, s] <= 0:
                for a in range(n_all):
                    for d in range(width):
                        b = a + d - max_rise
                        if b < 0 or b >= n_all:
                            continue
                        here = a * width + d
                        if a > 0 and d + 1 < width:
                            spread[here] = min(spread[here], spread[here - width + 1] + half)
                        if d > 0 and b > 0:
                            spread[here] = min(spread[here], spread[here - 1] + half)
            if falls[i, s] >= 0:
                for a in range(n_all - 1, -1, -1):
                    for d in range(width - 1, -1, -1):
                        b = a + d - max_rise
                        if b < 0 or b >= n_all:
                            continue
                        here = a * width + d
                        if a + 1 < n_all and d > 0:
                            spread[here] = min(spread[here], spread[here + width - 1] + half)
                        if d + 1 < width and b + 1 < n_all:
                            spread[here] = min(spread[here], spread[here + 1] + half)
            told = start[j] + back[i, s] * n_heights[j] * width
            least = NEVER
            for b in range(n_heights[j]):  # the neighbour's first corner is our second
                for d in range(width):
                    a = b + d - max_rise
                    if a < 0 or a >= n_heights[j]:
                        continue
                    mine = (a + lowest[j] - lowest[i]) * width + width - 1 - d
                    value = fixed[i, s] + spread[mine + shift]
                    if 0 <= mine < n_states:
                        value = min(value, least_of[mine])
                    message[told + b * width + d] = value
                    least = min(least, value)
            part[i, s] = least
            bound += float(least)
            for b in range(n_heights[j]):
                for d in range(width):
                    a = b + d - max_rise
                    if 0 <= a < n_heights[j]:
                        value = message[told + b * width + d] - least
                        message[told + b * width + d] = value
                        if value < TOO_MUCH:
                            greatest = max(greatest, abs(float(value)))
    return bound, greatest


@njit(cache=True, nogil=True)
def choose(
    order: NDArray[np.int32],
    neighbours: NDArray[np.int32],
    back: NDArray[np.int8],
    fixed: NDArray[np.float64],
    per_step: NDArray[np.float64],
    falls: NDArray[np.int8],
    rises: NDArray[np.int32],
    codes: NDArray[np.int32],
    width: int,
    lowest: NDArray[np.int32],
    n_heights: NDArray[np.int32],
    first: NDArray[np.int64],
    count: NDArray[np.int32],
    price: NDArray[np.float64],
    row: NDArray[np.int16],
    offset: NDArray[np.int32],
    start: NDArray[np.int64],
    message: NDArray[np.float64],
    corners: NDArray[np.int32],
) -> None:
    """Choose a tile for each cell in turn, given those chosen before it and the messages.

    Ties go to the label that comes first.
    """
    is_chosen = np.zeros(len(count), np.bool_)
    for i in order:
        at = first[i]
        n_states = n_heights[i] * width
        least = 100.0 * NEVER
        best = at
        for t in range(at, at + count[i]):
            value = price[t]
            r = row[t]
            base = lowest[i] + offset[t] // width
            for s in range(6):
                j = neighbours[i, s]
                if j < 0:
                    continue
                if is_chosen[j]:
                    u = int(back[i, s])
                    value += face_price(
                        fixed[i, s], per_step[i, s], falls[i, s],
                        base + rises[r, s], base + rises[r, (s + 1) % 6],
                        corners[j, (u + 1) % 6], corners[j, u],
                    )  # fmt: skip
                else:
                    value += message[start[i] + s * n_states + offset[t] + codes[r, s]]
                if value >= least:
                    break
            if value < least:
                least = value
                best = t
        is_chosen[i] = True
        for s in range(6):
            corners[i, s] = lowest[i] + offset[best] // width + rises[row[best], s]
