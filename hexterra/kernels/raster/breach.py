"""Breaching: carve a way out of pits through the ground around them.

Called by `hexterra.stages.drainage.drain` and the helpers of `hexterra.stages.drainage.band_drain`;
arrays are as `hexterra.kernels.raster.depression_fill` describes them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import helper, kernel


@kernel
def breach_pits(
    ground: NDArray[Any],
    is_lake: NDArray[np.bool_],
    pits: NDArray[np.int64],
    reach: int,
    depth: float,
    surface: NDArray[Any],
) -> int:
    """Carve from each pit to the cheapest lower ground or outlet in reach.

    The cost is the sum of depths cut to the level of the pit (Lindsay, Hydrological Processes 30,
    2016); of equal costs the shorter way, then the pixel that comes first. A way is at most
    `reach` pixels long and nowhere cut deeper than `depth`. Lakes stand in `ground` at the level
    of their water: a way may end in one below the pit, and cuts nothing beside one above it.

    Ways are found on `ground`, none depends on another, and `surface` is lowered to each: so the
    order of the pits does not matter, and only pixels up to `reach` + 1 away do. Where ways meet,
    the lower goes on to lower ground still, so all of them run down. Return how many were carved.
    """
    n_rows, n_columns = ground.shape
    width = 2 * reach + 1
    cost = np.empty(width * width, np.float64)
    steps = np.empty(width * width, np.int32)
    origin = np.empty(width * width, np.int32)
    seen = np.zeros(width * width, np.int64)  # number of the pit that saw a place, from 1
    heap = np.empty(width * width * 8 + 1, np.int32)
    key = np.empty(width * width * 8 + 1, np.float64)
    n_carved = 0
    for i in range(len(pits)):
        number = i + 1
        row0 = pits[i] // n_columns
        column0 = pits[i] % n_columns
        floor = np.float64(ground[row0, column0])
        centre = reach * width + reach
        cost[centre] = 0.0
        steps[centre] = 0
        origin[centre] = -1
        seen[centre] = number
        heap[0] = centre
        key[0] = 0.0
        n_heap = 1
        target = -1
        while n_heap > 0:
            place = heap[0]
            spent = key[0]
            n_heap -= 1
            _sink(heap, key, n_heap)
            if spent > cost[place]:
                continue
            row = row0 + place // width - reach
            column = column0 + place % width - reach
            if ground[row, column] < floor:
                target = place
                break
            if _is_beside_water_above(ground, is_lake, row, column, floor):
                continue
            if row == 0 or column == 0 or row == n_rows - 1 or column == n_columns - 1:
                target = place
                break
            if steps[place] == reach:
                continue
            for d_row in range(-1, 2):
                for d_column in range(-1, 2):
                    z = ground[row + d_row, column + d_column]
                    there = place + d_row * width + d_column
                    cut = max(0.0, np.float64(z) - floor)
                    if cut > depth or there == place:
                        continue
                    # A trace of cost per step makes the shorter of equal ways the cheaper.
                    total = spent + cut + 1e-9
                    if seen[there] == number and total >= cost[there]:
                        continue
                    seen[there] = number
                    cost[there] = total
                    steps[there] = steps[place] + 1
                    origin[there] = place
                    _lift(heap, key, n_heap, there, total)
                    n_heap += 1
        if target < 0:
            continue
        n_carved += 1
        while target >= 0:
            row = row0 + target // width - reach
            column = column0 + target % width - reach
            surface[row, column] = min(surface[row, column], floor)
            target = origin[target]
    return n_carved


@helper
def _is_beside_water_above(
    ground: NDArray[Any], is_lake: NDArray[np.bool_], row: int, column: int, floor: float
) -> bool:
    """Tell whether a lake above `floor` lies at a pixel or beside it."""
    n_rows, n_columns = ground.shape
    for r in range(max(row - 1, 0), min(row + 2, n_rows)):
        for c in range(max(column - 1, 0), min(column + 2, n_columns)):
            if is_lake[r, c] and ground[r, c] > floor:
                return True
    return False


@helper
def _lift(
    heap: NDArray[np.int32], key: NDArray[np.float64], hole: int, place: int, cost: float
) -> None:
    """Put a place into the heap, whose first free slot is `hole`."""
    while hole > 0:
        above = (hole - 1) // 2
        if key[above] < cost or (key[above] == cost and heap[above] < place):
            break
        heap[hole] = heap[above]
        key[hole] = key[above]
        hole = above
    heap[hole] = place
    key[hole] = cost


@helper
def _sink(heap: NDArray[np.int32], key: NDArray[np.float64], n: int) -> None:
    """Fill the first slot of the heap with its last item, so that n are left."""
    place = heap[n]
    cost = key[n]
    hole = 0
    while True:
        child = 2 * hole + 1
        if child >= n:
            break
        if child + 1 < n and (
            key[child + 1] < key[child]
            or (key[child + 1] == key[child] and heap[child + 1] < heap[child])
        ):
            child += 1
        if key[child] > cost or (key[child] == cost and heap[child] > place):
            break
        heap[hole] = heap[child]
        key[hole] = key[child]
        hole = child
    heap[hole] = place
    key[hole] = cost
