"""Choose tiles cell after cell, going on with many partial boards at a time.

Called by `hexterra.stages.search.message_tables` only. MessageTables as in
`hexterra.kernels.board.message_sweeps`; besides:

The cells of `order` are decided in turn. All that the others feel of a decided cell is its two
corner heights on each side towards a cell not yet decided: these lie in a *slot* of the side.
Partial boards with equal slots are one, and the cheapest of them is kept.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.board.message_sweeps import MessageTables
from hexterra.kernels.board.tile_costs import INFEASIBLE, face_price
from hexterra.kernels.compiled import helper, kernel


@kernel
def search_partial_boards(
    order: NDArray[np.int32],
    limit: NDArray[np.float64],
    n_kept: int,
    tables: MessageTables,
    corners: NDArray[np.int32],
) -> int:
    """Write the cheapest board found to `corners`, (n, 6); return how it was found.

    Dynamic programming over layers, one for each cell, that keeps the `n_kept` cheapest partial
    boards (beam search: Lowerre, The Harpy speech recognition system, 1976). One is priced
    with the messages of its undecided neighbours, which leaves out none of their costs if the
    messages are those of a sweep in the opposite order.

    Parameters
    ----------
    order
        All cells, each once, (n,).
    limit
        What a partial board that ends with each cell of `order` may cost, (n,).

    Returns
    -------
    int
        1 if partial boards were dropped for lack of room, 0 if the board is the cheapest
        within the limits, -1 if there is none within them.
    """
    sides, rises, codes = tables.sides, tables.states.rises, tables.states.codes
    neighbours, back, max_rise = sides.neighbours, sides.back, tables.states.max_rise
    first, n_left, price, oriented, offset = tables.labels
    lowest, n_heights, start, message = tables.messages
    width = 2 * max_rise + 1
    n = len(order)
    place = np.empty(n, np.int64)
    most_labels = 0
    for k in range(n):
        place[order[k]] = k
        most_labels = max(most_labels, n_left[order[k]])
    slot = np.empty((n, 6), np.int64)
    n_slots = _find_slots(order, place, neighbours, back, slot)
    base = np.empty(most_labels)
    by_price = np.empty(most_labels, np.int64)
    heights = np.empty((most_labels, 6), np.int64)
    behind = np.empty(6, np.int64)
    # Only what is written to takes up memory.
    here = np.zeros((n_kept, n_slots, 2), np.int16)
    there = np.zeros((n_kept, n_slots, 2), np.int16)
    value = np.zeros(n_kept)
    next_value = np.empty(n_kept)
    n_here = 1
    found_value = np.empty(n_kept * most_labels)
    found_parent = np.empty(n_kept * most_labels, np.int32)
    found_label = np.empty(n_kept * most_labels, np.int32)
    parent = np.empty(n * n_kept, np.int32)
    label = np.empty(n * n_kept, np.int32)
    layer = np.zeros(n + 1, np.int64)
    bucket = np.empty(1, np.int64)
    is_dropped = 0
    for k in range(n):
        i = order[k]
        at = first[i]
        n_labels = n_left[i]
        # Price each label by itself and the messages of undecided neighbours; list the decided.
        n_behind = 0
        for t in range(n_labels):
            base[t] = price[at + t]
            for s in range(6):
                low = lowest[i] + offset[at + t] // width
                heights[t, s] = low + rises[oriented[at + t], s]
        for s in range(6):
            j = neighbours[i, s]
            if j < 0:
                continue
            if place[j] < k:
                behind[n_behind] = s
                n_behind += 1
                continue
            incoming = start[i] + s * n_heights[i] * width
            for t in range(n_labels):
                base[t] += message[incoming + offset[at + t] + codes[oriented[at + t], s]]
        _sort(base, n_labels, by_price)
        n_found = 0
        for p in range(n_here):
            so_far = value[p]
            for q in range(n_behind):
                j = neighbours[i, behind[q]]
                u = int(back[i, behind[q]])
                z = slot[place[j], u]
                a = here[p, z, 0]
                state = (a - lowest[j]) * width + here[p, z, 1] - a + max_rise
                so_far -= message[start[j] + u * n_heights[j] * width + state]
            for q in range(n_labels):
                t = by_price[q]
                total = so_far + base[t]
                if total > limit[k]:
                    break
                for r in range(n_behind):
                    s = behind[r]
                    z = slot[place[neighbours[i, s]], int(back[i, s])]
                    total += face_price(
                        sides, i, s, heights[t, s] - here[p, z, 1],
                        heights[t, (s + 1) % 6] - here[p, z, 0],
                    )  # fmt: skip
                if total > limit[k]:
                    continue
                found_value[n_found] = total
                found_parent[n_found] = p
                found_label[n_found] = t
                n_found += 1
        if n_found == 0:
            return -1
        dearest = 1e3 * INFEASIBLE
        if n_found > n_kept:
            dearest = _nth_least(found_value, n_found, n_kept)
        n_room = 0
        for c in range(n_found):
            n_room += int(found_value[c] <= dearest)
        if n_room < n_found:
            is_dropped = 1
            n_room = min(n_room, n_kept)
        # Build the partial boards that are left.
        size = 16
        while size < 2 * n_room:
            size *= 2
        if size > len(bucket):
            bucket = np.empty(size, np.int64)
        for b in range(size):
            bucket[b] = -1
        n_there = 0
        for c in range(n_found):
            if n_there == n_room:  # of those that cost the same, the first have room
                break
            if found_value[c] > dearest:
                continue
            for z in range(n_slots):
                there[n_there, z, 0] = here[found_parent[c], z, 0]
                there[n_there, z, 1] = here[found_parent[c], z, 1]
            t = found_label[c]
            for s in range(6):
                j = neighbours[i, s]
                if j >= 0 and place[j] < k:
                    z = slot[place[j], int(back[i, s])]
                    there[n_there, z, 0] = 0
                    there[n_there, z, 1] = 0
            for s in range(6):
                j = neighbours[i, s]
                if j >= 0 and place[j] > k:
                    there[n_there, slot[k, s], 0] = heights[t, s]
                    there[n_there, slot[k, s], 1] = heights[t, (s + 1) % 6]
            same = _find_equal(there, n_there, n_slots, size, bucket)
            if same == n_there:
                next_value[same] = 1e3 * INFEASIBLE
                n_there += 1
            if found_value[c] < next_value[same]:
                next_value[same] = found_value[c]
                parent[layer[k] + same] = found_parent[c]
                label[layer[k] + same] = t
        here, there = there, here
        value, next_value = next_value, value
        n_here = n_there
        layer[k + 1] = layer[k] + n_there
    best = 0
    for p in range(n_here):
        if value[p] < value[best]:
            best = p
    for k in range(n - 1, -1, -1):
        i = order[k]
        t = first[i] + label[layer[k] + best]
        for s in range(6):
            corners[i, s] = lowest[i] + offset[t] // width + rises[oriented[t], s]
        best = parent[layer[k] + best]
    return is_dropped


@helper
def _find_slots(
    order: NDArray[np.int32],
    place: NDArray[np.int64],
    neighbours: NDArray[np.int32],
    back: NDArray[np.int8],
    slot: NDArray[np.int64],
) -> int:
    """Give each side of a decided cell a slot until the cell across is decided; return how many."""
    n_slots = 0
    n_free = 0
    free = np.empty(6 * len(order), np.int64)
    for k in range(len(order)):
        for way in range(2):
            for s in range(6):
                j = neighbours[order[k], s]
                if j < 0:
                    continue
                if way == 0 and place[j] < k:
                    free[n_free] = slot[place[j], int(back[order[k], s])]
                    n_free += 1
                elif way == 1 and place[j] > k:
                    if n_free > 0:
                        n_free -= 1
                        slot[k, s] = free[n_free]
                    else:
                        slot[k, s] = n_slots
                        n_slots += 1
    return n_slots


@helper
def _sort(value: NDArray[np.float64], n: int, by_value: NDArray[np.int64]) -> None:
    """Give the numbers of values in ascending order; equals stay (Shell sort, made stable)."""
    for t in range(n):
        by_value[t] = t
    gap = 1
    while gap < n:
        gap = 3 * gap + 1
    while gap > 1:
        gap //= 3
        for t in range(gap, n):
            moved = by_value[t]
            at = t
            while at >= gap:
                other = by_value[at - gap]
                if value[other] < value[moved]:
                    break
                if value[other] == value[moved] and other < moved:
                    break
                by_value[at] = other
                at -= gap
            by_value[at] = moved


@helper
def _nth_least(value: NDArray[np.float64], n: int, n_most: int) -> float:
    """Return a value that nearly `n_most` of the values are at or below, and no more."""
    low = value[0]
    high = value[0]
    for c in range(n):
        low = min(low, value[c])
        high = max(high, value[c])
    histogram = np.empty(256, np.int64)
    n_below = 0
    least = low
    for _ in range(8):
        scale = 255.5 / (high - low) if high > low else 0.0
        for b in range(256):
            histogram[b] = 0
        for c in range(n):
            if low < value[c] <= high or (n_below == 0 and value[c] == low):
                histogram[int((value[c] - low) * scale)] += 1
        b = 0
        while b < 255 and n_below + histogram[b] <= n_most:
            n_below += histogram[b]
            b += 1
        if high <= low:
            break
        high = low + (b + 1) / scale
        low = low + b / scale
        if n_below > 0:
            least = low
        if 10 * n_below > 9 * n_most:
            break
    return least


@helper
def _find_equal(
    there: NDArray[np.int16], n_there: int, n_slots: int, size: int, bucket: NDArray[np.int64]
) -> int:
    """Return the first of the slots `there` that equal those at `n_there`, noting them if new."""
    code = 2166136261  # FNV-1a of 32 bits: in 64 bits nothing overflows
    for z in range(n_slots):
        for e in range(2):
            code = (code ^ (int(there[n_there, z, e]) + 40000)) * 16777619 & 0xFFFFFFFF
    at = (code ^ (code >> 15)) & (size - 1)
    while bucket[at] >= 0:
        other = bucket[at]
        is_same = True
        for z in range(n_slots):
            if (
                there[other, z, 0] != there[n_there, z, 0]
                or there[other, z, 1] != there[n_there, z, 1]
            ):
                is_same = False
                break
        if is_same:
            return other
        at = (at + 1) & (size - 1)
    bucket[at] = n_there
    return n_there
