"""Plain twins of `kernels.levels` and `kernels.breaks`: slow, in whole Python numbers."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from itertools import combinations, pairwise, product

Rule = tuple[int, int, int]  # u, v, rise: u may stand at most `rise` above v
Cost = Callable[[int, int], int]  # of a cell, at a level


def tighten(level: list[int], rules: list[Rule]) -> list[int]:
    """Return the greatest board below `level` that keeps the rules (Bellman and Ford)."""
    lowered = list(level)
    for _ in lowered:
        for u, v, rise in rules:
            lowered[u] = min(lowered[u], lowered[v] + rise)
    return lowered


def raise_levels(level: list[int], top: list[int], rules: list[Rule], cost: Cost) -> list[int]:
    """Raise smallest minimum cuts, each found afresh, until none pays."""
    held = list(level)
    while raised := _smallest_cut(held, top, rules, cost):
        for cell in raised:
            held[cell] += 1
    return held


def _smallest_cut(level: list[int], top: list[int], rules: list[Rule], cost: Cost) -> set[int]:
    """Return the smallest set that is cheapest to raise, empty if none pays.

    A maximum flow by shortest augmenting paths (Edmonds and Karp, Journal of the ACM 19, 1972)
    from the cells that gain by rising, over tight rules, to those that lose.
    """
    n = len(level)
    source, sink, endless = n, n + 1, 10**30
    room: dict[int, dict[int, int]] = {node: {} for node in range(n + 2)}

    def add(one: int, other: int, capacity: int) -> None:
        room[one][other] = room[one].get(other, 0) + capacity
        room[other].setdefault(one, 0)

    for cell in range(n):
        rise = (
            endless
            if level[cell] == top[cell]
            else cost(cell, level[cell] + 1) - cost(cell, level[cell])
        )
        if rise < 0:
            add(source, cell, -rise)
        elif rise > 0:
            add(cell, sink, rise)
    for u, v, rise in rules:
        if level[u] - level[v] == rise:
            add(u, v, endless)
    while True:
        came_from = {source: source}
        queue = deque([source])
        while queue and sink not in came_from:
            node = queue.popleft()
            for other, capacity in room[node].items():
                if capacity > 0 and other not in came_from:
                    came_from[other] = node
                    queue.append(other)
        if sink not in came_from:
            return set(came_from) - {source}
        path = [sink]
        while path[-1] != source:
            path.append(came_from[path[-1]])
        links = [(one, other) for other, one in pairwise(path)]
        amount = min(room[one][other] for one, other in links)
        for one, other in links:
            room[one][other] -= amount
            room[other][one] += amount


def legal_boards(
    lower: list[int], upper: list[int], rules: list[Rule]
) -> Iterator[tuple[int, ...]]:
    """Yield every board within the ranges that keeps the rules."""
    ranges = [range(low, high + 1) for low, high in zip(lower, upper, strict=True)]
    for board in product(*ranges):
        if all(board[u] - board[v] <= rise for u, v, rise in rules):
            yield board


def squares(classes: list[list[float]]) -> float:
    """Sum the squared distances to the mean of each class."""
    return sum(
        sum((value - sum(members) / len(members)) ** 2 for value in members) for members in classes
    )


def natural_breaks(values: list[float], n_classes: int) -> float:
    """Return the least sum of squares over every split of the sorted values into classes."""
    ordered = sorted(values)
    n = len(ordered)
    best = float("inf")
    for cuts in combinations(range(1, n), n_classes - 1):
        ends = (0, *cuts, n)
        classes = [ordered[a:b] for a, b in pairwise(ends)]
        best = min(best, squares(classes))
    return best
