"""Hydrology on a neighbour table in plain Python: a heap, lists and dictionaries."""

from __future__ import annotations

import heapq
from collections.abc import Sequence

Neighbours = Sequence[Sequence[int]]


def flood(
    height: Sequence[float], neighbours: Neighbours, sources: Sequence[int]
) -> tuple[list[float], list[int], list[int]]:
    """Return water level, flood parent and the cells as they are visited.

    The queue holds (water level, ground, number), as priority-flood is told in Barnes, Lehman and
    Mulla, Computers & Geosciences 62, 2014.
    """
    filled = [float("nan")] * len(height)
    parent = [-1] * len(height)
    visited: list[int] = []
    queue = [(height[cell], height[cell], cell) for cell in sources]
    for cell in sources:
        filled[cell] = height[cell]
        parent[cell] = cell
    heapq.heapify(queue)
    while queue:
        level, _, cell = heapq.heappop(queue)
        visited.append(cell)
        for other in neighbours[cell]:
            if other >= 0 and parent[other] < 0:
                parent[other] = cell
                filled[other] = max(level, height[other])
                heapq.heappush(queue, (filled[other], height[other], other))
    return filled, parent, visited


def receivers(
    height: Sequence[float],
    neighbours: Neighbours,
    filled: Sequence[float],
    parent: Sequence[int],
) -> list[int]:
    """Return the lowest of the lower neighbours by (water level, ground, number), else parent."""
    received: list[int] = []
    for cell, around in enumerate(neighbours):
        lower = [(filled[k], height[k], k) for k in around if k >= 0 and filled[k] < filled[cell]]
        received.append(min(lower)[2] if lower else parent[cell])
    return received


def catchments(receiver: Sequence[int], area: Sequence[float]) -> list[float]:
    """Walk from every cell to its sink, leaving its area in each cell on the way."""
    total = [0.0] * len(receiver)
    for start in range(len(receiver)):
        cell = start
        total[cell] += area[start]
        while receiver[cell] != cell:
            cell = receiver[cell]
            total[cell] += area[start]
    return total


def lasting_pits(
    height: Sequence[float], neighbours: Neighbours, outlets: Sequence[int], depth: float
) -> set[int]:
    """Return the pits that a rising sea must lift by more than `depth` before they spill.

    A pit spills when its water meets an outlet, or water that rose from deeper: the elder rule of
    topological persistence (Edelsbrunner, Letscher and Zomorodian, Discrete & Computational
    Geometry 28, 2002). Heights must differ.
    """
    pit_of: dict[int, int] = {}  # each drowned cell, and the pit its water rose from; -1 outlets
    lasting: set[int] = set()
    for cell in sorted(range(len(height)), key=lambda k: height[k]):
        met = {pit_of[k] for k in neighbours[cell] if k in pit_of}
        if cell in outlets:
            met.add(-1)
        if not met:
            pit_of[cell] = cell
            continue
        elder = -1 if -1 in met else min(met, key=lambda k: height[k])
        lasting |= {pit for pit in met - {elder} if height[cell] - height[pit] > depth}
        pit_of[cell] = elder
        for drowned, pit in pit_of.items():
            if pit in met:
                pit_of[drowned] = elder
    return lasting
