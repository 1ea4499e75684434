"""Message passing over the sides of a lattice: a lower bound on any board, and good tiles.

Called by `hexterra.stages.search.message_tables` only. MessageTables as in
`hexterra.kernels.board.tile_costs`; besides:

A side of a top has a *state*: the height of its first corner and how much the second differs,
from ``-max_rise`` to ``max_rise``. In cell ``i`` the state of the oriented pattern ``p`` on base
``lowest[i] + b`` on side ``s`` is number ``b * width + codes[p, s]``, with
``width = 2 * max_rise + 1``. The incoming message across side ``s`` lies at
``start[i] + s * n_states[i] + state``, with ``n_states = n_heights * width``.
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
from hexterra.kernels.compiled import kernel


class SideStates(NamedTuple):
    """The states that R oriented patterns have on their sides.

    Parameters
    ----------
    rises, codes
        Corner rises in steps, and numbers of the states on base 0, (R, 6) int32.
    max_rise
        The greatest rise.
    """

    rises: NDArray[np.int32]
    codes: NDArray[np.int32]
    max_rise: int

    @property
    def width(self) -> int:
        """How many states there are for each height of a side's first corner."""
        return 2 * self.max_rise + 1


class Labels(NamedTuple):
    """The labels of n cells that are still in the running.

    Parameters
    ----------
    first, n_left
        Place of the first of each cell, (n + 1,) int64, and how many are left from it on, (n,)
        int32.
    price, oriented, offset
        Price of each label, float64, its oriented pattern, int16, and the number of the first state
        on its base, ``b * width``, int32.
    """

    first: NDArray[np.int64]
    n_left: NDArray[np.int32]
    price: NDArray[np.float64]
    oriented: NDArray[np.int16]
    offset: NDArray[np.int32]


class Messages(NamedTuple):
    """The incoming messages of n cells.

    Parameters
    ----------
    lowest, n_heights
        The least height that a corner of each cell may have, and how many there are from it on,
        (n,) int32.
    start
        Place of the first message of each cell, and of the end of all, (n + 1,) int64.
    value
        The messages, float64.
    """

    lowest: NDArray[np.int32]
    n_heights: NDArray[np.int32]
    start: NDArray[np.int64]
    value: NDArray[np.float64]


class MessageTables(NamedTuple):
    """What messages are passed with."""

    sides: BoardSides
    states: SideStates
    labels: Labels
    messages: Messages


@kernel
def sweep(
    is_up: int,
    slack: float,
    tables: MessageTables,
    share: NDArray[np.float64],
    part: NDArray[np.float64],
) -> tuple[float, float]:
    """Pass messages once, by ascending (`is_up` = 1) or descending number.

    Returns a lower bound and the greatest size of a message that was written, infeasible ones left
    out. What each cell adds to the bound, and before that its sides to cells not yet swept, is
    written to `part`, (n, 7). Across a side goes `share`, (n, 6), of what a cell has to pass on: to
    all cells ahead no more than all of it, and to all behind neither.

    Sequential tree-reweighted message passing (Kolmogorov, IEEE Transactions on Pattern Analysis
    and Machine Intelligence 28(10), 2006). The least way to change a state by whole steps is a
    distance transform of two passes over the states (Felzenszwalb and Huttenlocher, Theory of
    Computing 8, 2012); where water falls, one of them is left out.

    A label whose least price exceeds that of its cell by more than `slack` leaves the running: no
    board with it costs less than the bound of the sweep before plus `slack`.
    """
    neighbours, back, fixed, per_step, falls = tables.sides
    codes, max_rise = tables.states.codes, tables.states.max_rise
    first, n_left, price, oriented, offset = tables.labels
    lowest, n_heights, start, message = tables.messages
    n = len(n_left)
    width = 2 * max_rise + 1
    most = 0
    highest = 0
    lowest_of_all = lowest[0]
    for i in range(n):
        most = max(most, n_left[i])
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
        incoming = start[i]
        least = 100.0 * INFEASIBLE
        for t in range(n_left[i]):
            value = price[at + t]
            p = oriented[at + t]
            place = incoming + offset[at + t]
            for s in range(6):
                value += message[place + codes[p, s]]
                place += n_states
            total[t] = value
            least = min(least, value)
        part[i, 6] = least
        bound += float(least)
        kept = 0
        for t in range(n_left[i]):
            over = total[t] - least
            if over <= slack:
                total[kept] = over
                if kept < t:
                    price[at + kept] = price[at + t]
                    oriented[at + kept] = oriented[at + t]
                    offset[at + kept] = offset[at + t]
                kept += 1
        n_left[i] = kept
        for s in range(6):
            j = neighbours[i, s]
            part[i, s] = 0.0
            if j < 0 or (j > i) != (is_up == 1):
                continue
            for state in range(n_states):
                least_of[state] = INFEASIBLE
            for t in range(kept):
                state = offset[at + t] + codes[oriented[at + t], s]
                least_of[state] = min(least_of[state], total[t])
            # Heights of both cells, from `low` on.
            low = min(lowest[i], lowest[j])
            n_all = max(lowest[i] + n_heights[i], lowest[j] + n_heights[j]) - low
            for state in range(n_all * width):
                spread[state] = INFEASIBLE
            shift = (lowest[i] - low) * width
            for state in range(n_states):
                if least_of[state] < INFEASIBLE_SUM:
                    least_of[state] = (
                        share[i, s] * least_of[state] - message[incoming + s * n_states + state]
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
            outgoing = start[j] + back[i, s] * n_heights[j] * width
            least = INFEASIBLE
            for b in range(n_heights[j]):  # the neighbour's first corner is our second
                for d in range(width):
                    a = b + d - max_rise
                    if a < 0 or a >= n_heights[j]:
                        continue
                    mine = (a + lowest[j] - lowest[i]) * width + width - 1 - d
                    value = fixed[i, s] + spread[mine + shift]
                    if 0 <= mine < n_states:
                        value = min(value, least_of[mine])
                    message[outgoing + b * width + d] = value
                    least = min(least, value)
            part[i, s] = least
            bound += float(least)
            for b in range(n_heights[j]):
                for d in range(width):
                    a = b + d - max_rise
                    if 0 <= a < n_heights[j]:
                        value = message[outgoing + b * width + d] - least
                        message[outgoing + b * width + d] = value
                        if value < INFEASIBLE_SUM:
                            greatest = max(greatest, abs(float(value)))
    return bound, greatest


@kernel
def choose(order: NDArray[np.int32], tables: MessageTables, corners: NDArray[np.int32]) -> None:
    """Choose a tile for each cell in turn, given those chosen before it and the messages.

    Writes the heights of its corners, (n, 6). Ties go to the label that comes first.
    """
    sides, rises, codes = tables.sides, tables.states.rises, tables.states.codes
    width = 2 * tables.states.max_rise + 1
    first, n_left, price, oriented, offset = tables.labels
    lowest, n_heights, start, message = tables.messages
    is_chosen = np.zeros(len(n_left), np.bool_)
    for i in order:
        at = first[i]
        n_states = n_heights[i] * width
        least = 100.0 * INFEASIBLE
        best = at
        for t in range(at, at + n_left[i]):
            value = price[t]
            p = oriented[t]
            base = lowest[i] + offset[t] // width
            for s in range(6):
                j = sides.neighbours[i, s]
                if j < 0:
                    continue
                if is_chosen[j]:
                    value += face_price_beside(
                        sides, corners, i, s, base + rises[p, s], base + rises[p, (s + 1) % 6]
                    )
                else:
                    value += message[start[i] + s * n_states + offset[t] + codes[p, s]]
                if value >= least:
                    break
            if value < least:
                least = value
                best = t
        is_chosen[i] = True
        for s in range(6):
            corners[i, s] = lowest[i] + offset[best] // width + rises[oriented[best], s]
