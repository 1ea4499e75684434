"""Breaching: carve a way out of pits through the ground around them.

Called by `hexterra.stages.drain` only; arrays are as `hexterra.kernels.drainage` describes them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def breach_pits(surface: NDArray[Any], pits: NDArray[np.int64], reach: int, depth: float) -> int:
    """Carve from each pit, in the order given, to the cheapest lower ground or outlet in reach.

    The cost is the sum of depths cut to the level of the pit (Lindsay, Hydrological Processes 30,
    2016); of equal costs the shorter way, then the one found first. A way is at most `reach`
    pixels long and nowhere cut deeper than `depth`. `surface` is changed in place; return how
    many ways were carved.
    """
    n_rows, n_columns = surface.shape
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
        floor = surface[row0, column0]
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
            last = heap[n_heap]
            last_key = key[n_heap]
            hole = 0
            while True:
                child = 2 * hole + 1
                if child >= n_heap:
                    break
                if child + 1 < n_heap and key[child + 1] < key[child]:
                    child += 1
                if key[child] >= last_key:
                    break
                heap[hole] = heap[child]
                key[hole] = key[child]
                hole = child
            heap[hole] = last
            key[hole] = last_key
            if spent > cost[place]:
                continue
            row = row0 + place // width - reach
            column = column0 + place % width - reach
            at_rim = row == 0 or column == 0 or row == n_rows - 1 or column == n_columns - 1
            if surface[row, column] < floor or at_rim:
                target = place
                break
            if steps[place] == reach:
                continue
            for d_row in range(-1, 2):
                for d_column in range(-1, 2):
                    z = surface[row + d_row, column + d_column]
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
                    hole = n_heap
                    n_heap += 1
                    while hole > 0 and key[(hole - 1) // 2] > total:
                        heap[hole] = heap[(hole - 1) // 2]
                        key[hole] = key[(hole - 1) // 2]
                        hole = (hole - 1) // 2
                    heap[hole] = there
                    key[hole] = total
        if target < 0:
            continue
        n_carved += 1
        while target >= 0:
            row = row0 + target // width - reach
            column = column0 + target % width - reach
            surface[row, column] = min(surface[row, column], floor)
            target = origin[target]
    return n_carved
