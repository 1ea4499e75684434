"""Slow plain twins of the drainage and upscaling kernels, written from their definitions."""

from __future__ import annotations

import heapq
import math

import numpy as np
from numpy.typing import NDArray

STEPS = {
    1: (0, 1),
    2: (1, 1),
    4: (1, 0),
    8: (1, -1),
    16: (0, -1),
    32: (-1, -1),
    64: (-1, 0),
    128: (-1, 1),
}


def fill(heights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fill by priority-flood (Barnes, Lehman and Mulla, 2014, algorithm 1) from the rim."""
    rows, columns = heights.shape
    filled = heights.copy()
    is_done = np.zeros(heights.shape, bool)
    queue: list[tuple[float, int, int]] = []
    for row in range(rows):
        for column in range(columns):
            if row in (0, rows - 1) or column in (0, columns - 1):
                heapq.heappush(queue, (filled[row, column], row, column))
                is_done[row, column] = True
    while queue:
        level, row, column = heapq.heappop(queue)
        for d_row, d_column in STEPS.values():
            there = row + d_row, column + d_column
            if 0 <= there[0] < rows and 0 <= there[1] < columns and not is_done[there]:
                is_done[there] = True
                filled[there] = max(filled[there], level)
                heapq.heappush(queue, (filled[there], *there))
    return filled


def lakes(ground: NDArray[np.float64], depth: float, n_pixels: int) -> NDArray[np.bool_]:
    """Mark the flooded pixels of a fill that hang together, if deep enough and enough of them."""
    filled = fill(ground)
    is_flooded = filled > ground
    is_lake = np.zeros(ground.shape, bool)
    is_done = ~is_flooded
    for start in np.ndindex(*ground.shape):
        if is_done[start]:
            continue
        is_done[start] = True
        water = [start]
        for row, column in water:  # grows as it is gone through
            for d_row, d_column in STEPS.values():
                there = row + d_row, column + d_column
                if not is_done[there]:  # what is flooded never lies on the rim
                    is_done[there] = True
                    water.append(there)
        deepest = max(filled[pixel] - ground[pixel] for pixel in water)
        if deepest >= depth and len(water) >= n_pixels:
            for pixel in water:
                is_lake[pixel] = True
    return is_lake


def breach(
    ground: NDArray[np.float64], is_lake: NDArray[np.bool_], reach: int, depth: float
) -> NDArray[np.float64]:
    """Carve the cheapest way out of each pit of `ground`, in which lakes stand at their level.

    The cheapest ways from a pit are found after Dijkstra, "A note on two problems in connexion with
    graphs", Numerische Mathematik 1, 1959.
    """
    rows, columns = ground.shape
    carved = ground.copy()

    def around(row: int, column: int) -> list[tuple[int, int]]:
        pixels = [(row + d_row, column + d_column) for d_row, d_column in STEPS.values()]
        return [(r, c) for r, c in pixels if 0 <= r < rows and 0 <= c < columns]

    for pit in np.ndindex(rows, columns):
        floor = ground[pit]
        is_on_rim = pit[0] in (0, rows - 1) or pit[1] in (0, columns - 1)
        is_lowest = all((ground[there], there) > (floor, pit) for there in around(*pit))
        if is_on_rim or not is_lowest or is_lake[pit] or floor == -np.inf:
            continue
        way: dict[tuple[int, int], list[tuple[int, int]]] = {}
        queue: list[tuple[float, tuple[int, int], int, list[tuple[int, int]]]] = [
            (0.0, pit, 0, [pit])
        ]
        while queue:
            cost, here, _, to_here = heapq.heappop(queue)
            if here in way:
                continue
            way[here] = to_here
            is_lower = ground[here] < floor
            beside = [here, *around(*here)]
            if not is_lower and any(is_lake[p] and ground[p] > floor for p in beside):
                continue
            if is_lower or here[0] in (0, rows - 1) or here[1] in (0, columns - 1):
                for pixel in to_here:
                    carved[pixel] = min(carved[pixel], floor)
                break
            for there in around(*here) if len(to_here) <= reach else ():
                cut = max(0.0, ground[there] - floor)
                if cut <= depth:
                    # The trace of cost makes the shorter of equal ways the cheaper.
                    heapq.heappush(queue, (cost + cut + 1e-9, there, len(way), [*to_here, there]))
    return carved


def direct(surface: NDArray[np.float64], ground: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Direct pixels of a filled surface on square pixels: steepest, flats by distance."""
    rows, columns = surface.shape
    code = np.zeros(surface.shape, np.uint8)
    distance = np.zeros(surface.shape)
    interior = [(r, c) for r in range(1, rows - 1) for c in range(1, columns - 1)]
    for row, column in interior:
        best = 0.0
        for name, (d_row, d_column) in STEPS.items():
            drop = surface[row, column] - surface[row + d_row, column + d_column]
            slope = drop * (1.0 / math.hypot(d_row, d_column))
            if slope > best:
                best, code[row, column] = slope, name
        distance[row, column] = 0 if best > 0.0 else np.inf
    for _ in range(rows * columns):  # distances settle after as many rounds at the latest
        before = distance.copy()
        for row, column in interior:
            for d_row, d_column in STEPS.values():
                there = row + d_row, column + d_column
                if surface[there] == surface[row, column]:
                    distance[row, column] = min(distance[row, column], distance[there] + 1)
        if (before == distance).all():
            break
    for row, column in interior:
        if distance[row, column] > 0:
            nearer = [
                (ground[row + d_row, column + d_column], name)
                for name, (d_row, d_column) in STEPS.items()
                if surface[row + d_row, column + d_column] == surface[row, column]
                and distance[row + d_row, column + d_column] == distance[row, column] - 1
            ]
            code[row, column] = min(nearer)[1]
    return code


def accumulate(code: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Count the pixels that drain through each, by following the water of every one."""
    total = np.zeros(code.shape, np.int64)
    for row, column in np.ndindex(*code.shape):
        r, c = row, column
        total[r, c] += 1
        while code[r, c] in STEPS:
            d_row, d_column = STEPS[int(code[r, c])]
            r, c = r + d_row, c + d_column
            total[r, c] += 1
    return total


def next_outlet(
    code: NDArray[np.uint8], outlet_at: dict[tuple[int, int], int], row: int, column: int
) -> int | None:
    """Follow the water from a pixel to the first outlet after it and return its cell."""
    while code[row, column] in STEPS:
        d_row, d_column = STEPS[int(code[row, column])]
        row, column = row + d_row, column + d_column
        if (row, column) in outlet_at:
            return outlet_at[row, column]
    return None


def exits(
    code: NDArray[np.uint8], cell_at: NDArray[np.int32], area: NDArray[np.float64], least: float
) -> dict[tuple[int, int], tuple[int, int] | None]:
    """Find pixels that drain `least` and whose water leaves their cell; tell which it meets next.

    None if it stays somewhere or leaves the cells, which are numbered from 0, before it meets one.
    """

    def below(pixel: tuple[int, int]) -> tuple[int, int]:
        d_row, d_column = STEPS.get(int(code[pixel]), (0, 0))
        return pixel[0] + d_row, pixel[1] + d_column

    def leaves(pixel: tuple[int, int]) -> bool:
        return below(pixel) == pixel or cell_at[below(pixel)] != cell_at[pixel]

    places = (pixel for pixel in np.ndindex(code.shape) if cell_at[pixel] >= 0)
    found = {pixel for pixel in places if area[pixel] >= least and leaves(pixel)}
    then: dict[tuple[int, int], tuple[int, int] | None] = {}
    for pixel in found:
        here = pixel
        while (on := below(here)) != here and on not in found and cell_at[on] >= 0:
            here = on
        then[pixel] = on if on != here and on in found else None
    return then
