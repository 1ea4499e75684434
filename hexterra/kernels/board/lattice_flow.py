"""Hydrology on a neighbour table: rank the ground, flood it, find receivers, sum downstream.

Called by `hexterra.stages.water.flow`, `hexterra.stages.water.route` and
`hexterra.stages.mapping.mapped_rivers`, which guarantee the shapes, that every neighbour is -1 or a
cell, and that each connected part of the lattice holds at least one source.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import helper, kernel

_ONE: Final = np.uint64(1)
_SIX_BITS: Final = np.uint64(63)
_SIXTY_SEVEN: Final = np.uint64(67)
_DIGIT_BITS: Final = 11
_N_DIGITS: Final = 6

# Number of a word's only set bit, by the remainder of the word on division by 67: the powers 2^0 to
# 2^65 leave all remainders but 0, each once.
_BIT_OF_REMAINDER: Final = np.zeros(67, np.int64)
for _bit in range(64):
    _BIT_OF_REMAINDER[2**_bit % 67] = _bit


class RankedGround(NamedTuple):
    """The ground of n cells, and their order by height, then by number.

    Parameters
    ----------
    height
        (n,) float64.
    cell_at, rank_of
        The cell at each rank and the rank of each cell, (n,) int32; see `rank`.
    """

    height: NDArray[np.float64]
    cell_at: NDArray[np.int32]
    rank_of: NDArray[np.int32]


@kernel
def rank(key: NDArray[np.uint64], cell_at: NDArray[np.int32], rank_of: NDArray[np.int32]) -> None:
    """Sort cells by key, then by number; write the cell at each rank and the rank of each cell.

    A radix sort by six digits of eleven bits, the lowest first; `key` is used up.
    """
    n = len(key)
    spare_key = np.empty(n, np.uint64)
    cell = cell_at
    spare_cell = rank_of
    mask = np.uint64(2**_DIGIT_BITS - 1)
    start = np.zeros((_N_DIGITS, 2**_DIGIT_BITS), np.int64)
    for i in range(n):
        cell[i] = i
        for digit in range(_N_DIGITS):
            start[digit, (key[i] >> np.uint64(_DIGIT_BITS * digit)) & mask] += 1
    for digit in range(_N_DIGITS):
        total = 0
        for value in range(2**_DIGIT_BITS):
            count = start[digit, value]
            start[digit, value] = total
            total += count
        for i in range(n):
            value = (key[i] >> np.uint64(_DIGIT_BITS * digit)) & mask
            to = start[digit, value]
            start[digit, value] = to + 1
            spare_key[to] = key[i]
            spare_cell[to] = cell[i]
        key, spare_key = spare_key, key
        cell, spare_cell = spare_cell, cell
    # An even number of digits: the order is back in `cell_at`, and `rank_of` is free.
    for i in range(n):
        rank_of[cell_at[i]] = i


@kernel
def flood(
    ground: RankedGround,
    neighbours: NDArray[np.int32],
    is_source: NDArray[np.bool_],
    filled: NDArray[np.float64],
    parent: NDArray[np.int32],
    order: NDArray[np.int32],
) -> None:
    """Flood the lattice inward from its sources, lowest ground first.

    Priority-flood (Barnes, Lehman and Mulla, Computers & Geosciences 62, 2014, algorithm 1). The
    queue is ordered by ground height, not by water level: as the water never sinks, that visits
    cells by level all the same, and those of one lake from its deepest on. Waiting ranks are bits
    of a two-storey bit set, whose lowest is found in two look-ups.

    Parameters
    ----------
    neighbours, is_source
        Neighbour table (n, 6), and where water leaves the lattice (n,).
    filled, parent, order
        Results (n,): water level; the cell the flood came from (a source is its own); the cells,
        last visited first.
    """
    height, cell_at, rank_of = ground
    n = len(height)
    waiting = np.zeros((n >> 6) + 1, np.uint64)  # one bit per rank
    busy = np.zeros((n >> 12) + 1, np.uint64)  # one bit per word of `waiting` that is not 0
    lowest_busy = 0  # no word of `busy` before this one has a bit
    n_waiting = 0
    for cell in range(n):
        parent[cell] = -1
        if is_source[cell]:
            filled[cell] = height[cell]
            parent[cell] = cell
            _add(waiting, busy, int(rank_of[cell]))
            n_waiting += 1
    place = n
    while n_waiting > 0:
        while busy[lowest_busy] == 0:
            lowest_busy += 1
        word = (lowest_busy << 6) + _lowest_bit(busy[lowest_busy])
        cell = cell_at[(word << 6) + _lowest_bit(waiting[word])]
        waiting[word] &= waiting[word] - _ONE
        if waiting[word] == 0:
            busy[lowest_busy] &= busy[lowest_busy] - _ONE
        n_waiting -= 1
        place -= 1
        order[place] = cell
        level = filled[cell]
        for side in range(6):
            other = neighbours[cell, side]
            if other >= 0 and parent[other] < 0:
                parent[other] = cell
                filled[other] = max(level, height[other])
                _add(waiting, busy, int(rank_of[other]))
                lowest_busy = min(lowest_busy, rank_of[other] >> 12)
                n_waiting += 1


@kernel
def descend(
    height: NDArray[np.float64],
    neighbours: NDArray[np.int32],
    filled: NDArray[np.float64],
    receiver: NDArray[np.int32],
    side: NDArray[np.int8],
) -> None:
    """Turn flood parents in `receiver`, (n,), into receivers, and write the sides they lie across.

    A cell runs to its neighbour of lowest water level, if that is below its own; among equals to
    the one of lowest ground, then of lowest number. All others keep their parent.
    """
    for cell in range(len(height)):
        parent = receiver[cell]
        own = filled[cell]
        lowest_level = own
        for s in range(6):  # the level first, without a branch that depends on the ground
            other = neighbours[cell, s]
            level = filled[other] if other >= 0 else own
            lowest_level = level if level < lowest_level else lowest_level
        lowest = -1
        across = -1
        for s in range(6):
            other = neighbours[cell, s]
            if lowest_level == own:
                if other == parent:
                    across = s
            elif (
                other >= 0
                and filled[other] == lowest_level
                and (
                    lowest < 0
                    or height[other] < height[lowest]
                    or (height[other] == height[lowest] and other < lowest)
                )
            ):
                lowest = other
                across = s
        if lowest >= 0:
            receiver[cell] = lowest
        side[cell] = across


@kernel
def accumulate(
    order: NDArray[np.int32], receiver: NDArray[np.int32], total: NDArray[np.float64]
) -> None:
    """Add each cell's total, (n,), to its receiver's, upstream first; a sink is its own."""
    for cell in order:
        down = receiver[cell]
        if down != cell:
            total[down] += total[cell]


@helper
def _add(waiting: NDArray[np.uint64], busy: NDArray[np.uint64], place: int) -> None:
    """Put a rank into the bit set."""
    waiting[place >> 6] |= _ONE << (np.uint64(place) & _SIX_BITS)
    busy[place >> 12] |= _ONE << (np.uint64(place >> 6) & _SIX_BITS)


@helper
def _lowest_bit(word: np.uint64) -> int:
    """Return the number of the lowest set bit of a word that is not 0."""
    return _BIT_OF_REMAINDER[(word & (~word + _ONE)) % _SIXTY_SEVEN]
