"""Price every tile that a cell may get, and the faces between tiles.

Called by `hexterra.stages.search.candidates` and by the kernels of the search. They all know the
tables defined here, of n cells and R *oriented patterns*, which have six rises each. Cell ``i`` may
stand on ``n_bases[i]`` base levels from ``lowest[i]`` on. Its label ``b * R + p`` is the oriented
pattern ``p`` on base ``lowest[i] + b``; its price lies at ``first[i] + label``, and is `INFEASIBLE`
or more where the tile is not allowed.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import helper, kernel

#: What is not allowed costs this; a sum with it in is at least `INFEASIBLE_SUM`, and no other is.
INFEASIBLE: Final = 1e9
INFEASIBLE_SUM: Final = 1e8


class BoardSides(NamedTuple):
    """The six sides of n cells, and what a face costs there.

    Parameters
    ----------
    neighbours
        The cell across, (n, 6) int32; -1 for none.
    back
        Number of the side as seen from there, (n, 6) int8.
    fixed, per_step
        Price of a step face, and of each step of its mean height, (n, 6) float64.
    falls
        1 where the far side may not be higher, -1 where it may not be lower, else 0, (n, 6) int8.
    """

    neighbours: NDArray[np.int32]
    back: NDArray[np.int8]
    fixed: NDArray[np.float64]
    per_step: NDArray[np.float64]
    falls: NDArray[np.int8]


class TargetHeights(NamedTuple):
    """Target heights of the tops of n cells.

    Parameters
    ----------
    position, corner_position
        Target mean height, (n,) float64, and corner heights, (n, 6) float64, in steps.
    mean_weight, corner_weight
        What a step of distance from them costs, (n,) and (n, 6) float64.
    """

    position: NDArray[np.float64]
    corner_position: NDArray[np.float64]
    mean_weight: NDArray[np.float64]
    corner_weight: NDArray[np.float64]


class BaseLevels(NamedTuple):
    """Where n cells may stand, and where the prices of their labels lie.

    Parameters
    ----------
    lowest, n_bases
        The least base level of each cell, and how many there are from it on, (n,) int32.
    first
        Place of the first price of each cell, and of the end of all, (n + 1,) int64.
    """

    lowest: NDArray[np.int32]
    n_bases: NDArray[np.int32]
    first: NDArray[np.int64]


class OrientedPatterns(NamedTuple):
    """What R oriented patterns are, and what they cost but for the ground.

    Parameters
    ----------
    rises
        Corner rises, (R, 6) int32, in steps.
    mean_rise, price
        Their mean over what is kept of the top, in steps, and the price of each, in each of k
        settings, (k, R) float64.
    setting
        Setting of each cell, (n,) int32.
    """

    rises: NDArray[np.int32]
    mean_rise: NDArray[np.float64]
    price: NDArray[np.float64]
    setting: NDArray[np.int32]


@kernel
def price_labels(
    ground: TargetHeights,
    oriented: OrientedPatterns,
    bases: BaseLevels,
    upper: int,
    price: NDArray[np.float64],
) -> None:
    """Write the price of every label: distance from the ground plus its oriented pattern's price.

    No corner may stand higher than `upper`.
    """
    rises = oriented.rises
    n_oriented = len(rises)
    top = 0
    top_of = np.zeros(n_oriented, np.int32)
    for p in range(n_oriented):
        for s in range(6):
            top_of[p] = max(top_of[p], rises[p, s])
        top = max(top, top_of[p])
    off = np.empty((6, top + 1))
    for i in range(len(ground.position)):
        for b in range(bases.n_bases[i]):
            base = bases.lowest[i] + b
            for s in range(6):
                for rise in range(top + 1):
                    away = abs(base + rise - ground.corner_position[i, s])
                    off[s, rise] = ground.corner_weight[i, s] * away
            at = bases.first[i] + b * n_oriented
            for p in range(n_oriented):
                total = oriented.price[oriented.setting[i], p]
                total += ground.mean_weight[i] * abs(
                    base + oriented.mean_rise[oriented.setting[i], p] - ground.position[i]
                )
                for s in range(6):
                    total += off[s, rises[p, s]]
                price[at + p] = total if base + top_of[p] <= upper else INFEASIBLE


@helper
def face_price(sides: BoardSides, cell: int, side: int, first: int, second: int) -> float:
    """Price a side by how far the cell's top stands above the one across, at its two corners."""
    if first == 0 and second == 0:
        return 0.0
    falls = sides.falls[cell, side]
    if min(falls * first, falls * second) < 0:
        return INFEASIBLE
    return sides.fixed[cell, side] + 0.5 * sides.per_step[cell, side] * (abs(first) + abs(second))


@helper
def face_price_beside(
    sides: BoardSides, corners: NDArray[np.int32], cell: int, side: int, first: int, second: int
) -> float:
    """Price a shared side whose corners stand so high on the cell's own top.

    Those of the cell across are among the `corners` of all, (n, 6) int32.
    """
    other = sides.neighbours[cell, side]
    back = int(sides.back[cell, side])
    return face_price(
        sides, cell, side, first - corners[other, (back + 1) % 6], second - corners[other, back]
    )
