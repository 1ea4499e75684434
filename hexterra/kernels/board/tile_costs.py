"""Price every tile that a cell may get, and the faces between tiles.

Called by `hexterra.stages.search.candidates` and the kernels of `hexterra.stages.search.bounds`
only. They all know the same tables:

n cells; R *rows*, the oriented patterns, with six rises each. Cell ``i`` may stand on
``n_bases[i]`` base levels from ``lowest[i]`` on. Its label ``b * R + row`` is the top ``row`` on
base ``lowest[i] + b``; its price lies at ``first[i] + label``, and is `NEVER` or more where the
tile is not allowed.
"""

from __future__ import annotations

from typing import Any, Final, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

#: What may not be costs this; a sum with it in is at least `TOO_MUCH`, and no other sum is.
NEVER: Final = 1e9
TOO_MUCH: Final = 1e8

#: For kernels that only kernels call. Python need not be able to, which saves much compiling.
inner: Any = cast("Any", njit)(nogil=True, no_cpython_wrapper=True, no_cfunc_wrapper=True)


@njit(cache=True, nogil=True)
def price_labels(
    position: NDArray[np.float64],
    corner_position: NDArray[np.float64],
    mean_weight: NDArray[np.float64],
    corner_weight: NDArray[np.float64],
    mean_rise: NDArray[np.float64],
    rises: NDArray[np.int32],
    shape_price: NDArray[np.float64],
    setting: NDArray[np.int32],
    lowest: NDArray[np.int32],
    n_bases: NDArray[np.int32],
    upper: int,
    first: NDArray[np.int64],
    price: NDArray[np.float64],
) -> None:
    """Write the price of every label into `price`: distance from the ground plus `shape_price`.

    Parameters
    ----------
    position, corner_position, mean_weight, corner_weight
        Wanted mean height (n,) and corner heights (n, 6) in steps, and what a step of distance
        from them costs.
    mean_rise, rises
        Mean (R,) and corner rises (R, 6) of the rows.
    shape_price, setting
        What a row costs in each setting (k, R), and the setting of each cell (n,).
    upper
        No corner may stand higher.
    """
    n_rows = len(mean_rise)
    top = 0
    top_of = np.zeros(n_rows, np.int32)
    for row in range(n_rows):
        for s in range(6):
            top_of[row] = max(top_of[row], rises[row, s])
        top = max(top, top_of[row])
    off = np.empty((6, top + 1))
    for i in range(len(position)):
        for b in range(n_bases[i]):
            base = lowest[i] + b
            for s in range(6):
                for rise in range(top + 1):
                    away = abs(base + rise - corner_position[i, s])
                    off[s, rise] = corner_weight[i, s] * away
            at = first[i] + b * n_rows
            for row in range(n_rows):
                total = shape_price[setting[i], row]
                total += mean_weight[i] * abs(base + mean_rise[row] - position[i])
                for s in range(6):
                    total += off[s, rises[row, s]]
                price[at + row] = total if base + top_of[row] <= upper else NEVER


@inner
def face_price(
    fixed: float, per_step: float, falls: int, a: int, b: int, other_a: int, other_b: int
) -> float:
    """Price the side between a top with corner heights a, b and one with other_a, other_b there.

    `falls` is 1 where the first may not be lower at either corner, -1 where it may not be higher.
    """
    if a == other_a and b == other_b:
        return 0.0
    if (falls > 0 and (a < other_a or b < other_b)) or (falls < 0 and (a > other_a or b > other_b)):
        return NEVER
    return fixed + 0.5 * per_step * (abs(a - other_a) + abs(b - other_b))


@inner
def label_of(
    cell: int,
    corners: NDArray[np.int32],
    lowest: NDArray[np.int32],
    first: NDArray[np.int64],
    row_of_code: NDArray[np.int16],
    n_rows: int,
) -> int:
    """Return the label of a cell with these corner heights, or -1 if it has none."""
    base = corners[cell, 0]
    top = base
    for s in range(1, 6):
        base = min(base, corners[cell, s])
        top = max(top, corners[cell, s])
    at = (base - lowest[cell]) * n_rows
    if at < 0 or at >= first[cell + 1] - first[cell] or top > base + 2:
        return -1
    code = 0
    for s in range(6):
        code = 3 * code + corners[cell, s] - base
    row = row_of_code[code]
    return at + row if row >= 0 else -1
