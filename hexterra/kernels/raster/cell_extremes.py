"""Extremes of the pixels under cells, strip by strip, and how many pixels there are.

Called by `hexterra.kernels.raster.coverage`.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hexterra.kernels.compiled import INNER
from hexterra.kernels.raster.column_sums import FAST, CellTotals, RowSpans
from hexterra.kernels.raster.edges import STRIP_ROWS


class ColumnExtremes(NamedTuple):
    """The least and the greatest height in windows of columns of a strip, (3, columns) each.

    Row 0 is for single columns, row 1 for the 4 columns from each one on, and row 2 for 16. In the
    dtype of the heights.
    """

    low: NDArray[Any]
    high: NDArray[Any]


@njit(**INNER, fastmath=FAST)
def find_extremes(
    height: NDArray[Any],
    column0: int,
    column1: int,
    rows: NDArray[np.int64],
    extremes: ColumnExtremes,
) -> None:
    """Find the extremes of the columns of a strip without voids, of its `rows`."""
    n = column1 - column0
    low, high = extremes
    low1, low4, low16, high1, high4, high16 = low[0], low[1], low[2], high[0], high[1], high[2]
    v0, v1 = height[rows[0], column0:column1], height[rows[1], column0:column1]
    v2, v3 = height[rows[2], column0:column1], height[rows[3], column0:column1]
    v4, v5 = height[rows[4], column0:column1], height[rows[5], column0:column1]
    v6, v7 = height[rows[6], column0:column1], height[rows[7], column0:column1]
    for c in range(n):
        low1[c] = min(v0[c], v1[c], v2[c], v3[c], v4[c], v5[c], v6[c], v7[c])
        high1[c] = max(v0[c], v1[c], v2[c], v3[c], v4[c], v5[c], v6[c], v7[c])
    for c in range(n - 3):
        low4[c] = min(low1[c], low1[c + 1], low1[c + 2], low1[c + 3])
        high4[c] = max(high1[c], high1[c + 1], high1[c + 2], high1[c + 3])
    for c in range(n - 15):
        low16[c] = min(low4[c], low4[c + 4], low4[c + 8], low4[c + 12])
        high16[c] = max(high4[c], high4[c + 4], high4[c + 8], high4[c + 12])


@njit(**INNER, fastmath=FAST)
def _extremes_within(extremes: ColumnExtremes, a: int, b: int) -> tuple[Any, Any]:
    """Find the extremes of columns a to b (at least one) by overlapping windows of 16, 4 or 1."""
    low, high = extremes
    window, width = 0, 1
    if b - a >= 16:
        window, width = 2, 16
    elif b - a >= 4:
        window, width = 1, 4
    last = np.uint32(b - width)
    least, most = low[window, last], high[window, last]
    for c in range(a, last, width):
        least = min(least, low[window, c])
        most = max(most, high[window, c])
    return least, most


@njit(**INNER, fastmath=FAST)
def add_extremes(
    cells: NDArray[np.uint32],
    spans: RowSpans,
    block: NDArray[Any],
    rows: NDArray[np.int64],
    extremes: ColumnExtremes,
    totals: CellTotals,
) -> None:
    """Update extremes and counts of `cells` in a strip without voids.

    The columns that a cell touches in *every* row come from `extremes`; pixels are looked
    at only outside those, and only if the strip can hold a new extreme at all.
    """
    lo, hi, lowest, highest = spans.lo, spans.hi, totals.lowest, totals.highest
    n_touched, n_usable = totals.n_touched, totals.n_usable
    for i in range(len(cells)):
        cell = cells[i]
        j = np.int64(cell) * STRIP_ROWS
        left, right = lo[j], hi[j]
        inner_left, inner_right = left, right
        n = 0
        for k in range(STRIP_ROWS):
            a, b = lo[j + k], hi[j + k]
            left, right = min(left, a), max(right, b)
            inner_left, inner_right = max(inner_left, a), min(inner_right, b)
            n += max(np.int64(b) - np.int64(a), 0)
        if n == 0:
            continue
        n_touched[cell] += n
        n_usable[cell] += n
        least, most = lowest[cell], highest[cell]
        least_near, most_near = _extremes_within(extremes, left, right)
        if least_near >= least and most_near <= most:
            continue
        if inner_left < inner_right:
            least_near, most_near = _extremes_within(extremes, inner_left, inner_right)
            least, most = min(least, least_near), max(most, most_near)
        else:
            inner_left, inner_right = right, right
        for k in range(STRIP_ROWS):
            for c in range(lo[j + k], min(inner_left, hi[j + k])):
                v = block[rows[k], c]
                least, most = min(least, v), max(most, v)
            for c in range(inner_right, hi[j + k]):
                v = block[rows[k], c]
                least, most = min(least, v), max(most, v)
        lowest[cell], highest[cell] = least, most


@njit(**INNER)
def add_extremes_with_voids(
    cells: NDArray[np.uint32],
    spans: RowSpans,
    block: NDArray[Any],
    usable: NDArray[np.bool_],
    rows: NDArray[np.int64],
    totals: CellTotals,
) -> None:
    """Update extremes and counts of `cells` in a strip with voids."""
    lo, hi, lowest, highest = spans.lo, spans.hi, totals.lowest, totals.highest
    n_touched, n_usable = totals.n_touched, totals.n_usable
    for i in range(len(cells)):
        cell = cells[i]
        j = np.int64(cell) * STRIP_ROWS
        for k in range(STRIP_ROWS):
            for c in range(lo[j + k], hi[j + k]):
                n_touched[cell] += 1
                if usable[rows[k], c]:
                    n_usable[cell] += 1
                    lowest[cell] = min(lowest[cell], block[rows[k], c])
                    highest[cell] = max(highest[cell], block[rows[k], c])
