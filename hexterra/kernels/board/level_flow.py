"""Integer levels under difference constraints: envelopes, and the steepest rise with its flow.

Called by `hexterra.stages.levels.legalise` only, which guarantees the shapes and that the start is
feasible.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import helper, kernel

#: What a rise costs at the top: more than all other costs together, which stay below 2**60.
_FORBIDDEN: Final = 2**61

# Marks of cells without a distance, in `raise_levels`.
_UNSEEN: Final = -1
_SEEN: Final = -2
_STUCK: Final = -3


class Slots(NamedTuple):
    """Difference constraints between n cells.

    A slot e of cell u, ``first[u] <= e < first[u + 1]``, leads to cell ``v = to[e]`` and stands for
    ``level[u] - level[v] <= bound[e]``. Bounds are not negative, so no cycle of constraints
    contradicts itself.

    Parameters
    ----------
    first
        First slot of each cell, and the end of all, (n + 1,) int32.
    to, twin
        The cell that each slot leads to, and the slot that leads back, (n_slots,) int32.
    bound, back
        The bound of each slot, and of its twin, (n_slots,) int32.
    """

    first: NDArray[np.int32]
    to: NDArray[np.int32]
    twin: NDArray[np.int32]
    bound: NDArray[np.int32]
    back: NDArray[np.int32]


class RiseCost(NamedTuple):
    """What one more level of each of n cells costs.

    That is ``weight * clip((2 * level + 1) * step - 2 * target, +-cap)``, which does not fall with
    the level; above ``top`` nothing may rise.

    Parameters
    ----------
    weight, target
        (n,) int64.
    step, cap
        Whole numbers.
    top
        (n,) int32.
    """

    weight: NDArray[np.int64]
    target: NDArray[np.int64]
    step: int
    cap: int
    top: NDArray[np.int32]


@kernel
def tighten(slots: Slots, level: NDArray[np.int32], via: NDArray[np.int32]) -> None:
    """Lower levels as little as possible until every constraint holds, in place.

    The result is the greatest feasible board nowhere above the given one: shortest paths, found
    by correcting labels in the order of a ring of waiting cells. `via` receives the neighbour
    that lowered each cell last; it keeps its value where nothing was lowered. Both are (n,) int32.
    """
    first, to, back = slots.first, slots.to, slots.back
    n = len(level)
    ring = np.empty(n, np.int32)
    is_waiting = np.empty(n, np.bool_)
    for i in range(n):
        ring[i] = i
        is_waiting[i] = True
    head = 0
    n_waiting = n
    while n_waiting > 0:
        v = ring[head]
        head += 1
        if head == n:
            head = 0
        n_waiting -= 1
        is_waiting[v] = False
        for e in range(first[v], first[v + 1]):
            u = to[e]
            most = level[v] + back[e]
            if level[u] > most:
                level[u] = most
                via[u] = v
                if not is_waiting[u]:
                    is_waiting[u] = True
                    tail = head + n_waiting
                    if tail >= n:
                        tail -= n
                    ring[tail] = u
                    n_waiting += 1


@helper
def _rise_cost(i: int, level: NDArray[np.int32], cost: RiseCost) -> np.int64:
    """Price one more level of cell i."""
    if level[i] >= cost.top[i]:
        return np.int64(_FORBIDDEN)
    slope = (2 * np.int64(level[i]) + 1) * cost.step - 2 * cost.target[i]
    return cost.weight[i] * min(max(slope, np.int64(-cost.cap)), np.int64(cost.cap))


@kernel
def raise_levels(
    slots: Slots,
    cost: RiseCost,
    level: NDArray[np.int32],
    flow: NDArray[np.int64],
    inflow: NDArray[np.int64],
) -> None:
    """Raise levels to the lowest best board at or above them, in place.

    Sets of cells are raised by one level at a time, each set a smallest minimum cut, with the flow
    kept from cut to cut (steepest descent of an L-natural-convex function: Murota, Discrete Convex
    Analysis, SIAM, 2003, chapter 10). The board that results is the least of all that are cheapest
    among those at or above the start, so it depends neither on the numbering nor on the flow.

    Each round works on the cells that cells with excess can press on, and on no others: find
    them (breadth first), measure their distance to the nearest cell with room (breadth first,
    backwards), let the excess run down the distances from the farthest cell on, and raise what
    presses on no room at all.

    ``flow[e]``, (n_slots,), is the net pressure of a cell on that across the slot, and
    ``flow[twin[e]] == -flow[e]``. A positive flow is the multiplier of the slot's constraint, and
    only a tight constraint may carry one. `inflow`, (n,), is what each cell receives less what it
    sends; on return none exceeds the cost of the next rise.
    """
    first, to, twin, bound, back = slots
    n = len(level)
    spare = np.empty(n, np.int64)  # cost of the next rise less inflow: room if > 0, excess if < 0
    distance = np.empty(n, np.int32)
    seen = np.empty(n, np.int32)
    queue = np.empty(n, np.int32)
    n_excess = 0
    for i in range(n):
        spare[i] = _rise_cost(i, level, cost) - inflow[i]
        distance[i] = _UNSEEN
        if spare[i] < 0:
            distance[i] = _SEEN
            seen[n_excess] = i
            n_excess += 1

    while n_excess > 0:
        n_seen = n_excess
        tail = 0
        k = 0
        while k < n_seen:
            u = seen[k]
            k += 1
            if spare[u] > 0:
                distance[u] = 0
                queue[tail] = u
                tail += 1
                continue
            for e in range(first[u], first[u + 1]):
                v = to[e]
                if distance[v] == _UNSEEN and (flow[e] < 0 or level[u] - level[v] == bound[e]):
                    distance[v] = _SEEN
                    seen[n_seen] = v
                    n_seen += 1

        k = 0
        while k < tail:
            v = queue[k]
            k += 1
            for e in range(first[v], first[v + 1]):
                u = to[e]
                if distance[u] == _SEEN and (flow[e] > 0 or level[u] - level[v] == back[e]):
                    distance[u] = distance[v] + 1
                    queue[tail] = u
                    tail += 1

        for k in range(tail - 1, -1, -1):
            u = queue[k]
            if spare[u] >= 0:
                continue
            nearer = distance[u] - 1
            for e in range(first[u], first[u + 1]):
                v = to[e]
                if nearer < 0 or distance[v] != nearer:
                    continue
                if level[u] - level[v] == bound[e]:
                    amount = -spare[u]
                else:  # only what v sends can be sent back
                    amount = min(-spare[u], max(-flow[e], 0))
                if nearer == 0:
                    amount = min(amount, spare[v])
                flow[e] += amount
                flow[twin[e]] -= amount
                spare[u] += amount
                spare[v] -= amount
                if spare[u] == 0:
                    break

        tail = 0
        for k in range(n_excess):
            i = seen[k]
            if distance[i] == _SEEN:
                distance[i] = _STUCK
                queue[tail] = i
                tail += 1
        k = 0
        while k < tail:
            u = queue[k]
            k += 1
            for e in range(first[u], first[u + 1]):
                v = to[e]
                if distance[v] == _SEEN and (flow[e] < 0 or level[u] - level[v] == bound[e]):
                    distance[v] = _STUCK
                    queue[tail] = v
                    tail += 1
        for k in range(tail):
            i = queue[k]
            spare[i] -= _rise_cost(i, level, cost)
            level[i] += 1
            spare[i] += _rise_cost(i, level, cost)

        n_excess = 0
        for k in range(n_seen):
            i = seen[k]
            distance[i] = _UNSEEN
            if spare[i] < 0:
                distance[i] = _SEEN
                seen[n_excess] = i
                n_excess += 1

    for i in range(n):
        inflow[i] = _rise_cost(i, level, cost) - spare[i]
