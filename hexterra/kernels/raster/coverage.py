"""Exact areas of polygons on a pixel grid: sums, extremes and counts per cell, row by row.

Called by the gather stage. Outlines arrive as edges in pixel space: column to the right, row
downward, pixel (r, c) the unit square [c, c+1] x [r, r+1].

By Green's theorem the sum of ``w (v - reference)`` over a cell is the line integral around it of
F dx, where F(x, y) sums the column at x from the top of the window down to y. F is linear within
a pixel, so the integral along the straight piece of an edge inside one pixel is its width times F
at its middle: exact, boundary pixels included. An edge between two cells is walked once for both.
Summing down columns, unlike along rows, leaves the additions of neighbouring pixels independent.

Rows come in strips of `STRIP_ROWS`, aligned to the raster. What has to survive from strip to
strip is handed on in arrays, so the results do not depend on how many rows a call gets.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import helper, kernel
from hexterra.kernels.raster.cell_extremes import (
    ColumnExtremes,
    add_extremes,
    add_extremes_with_voids,
    find_extremes,
)
from hexterra.kernels.raster.column_sums import (
    CellTotals,
    ColumnSums,
    RowSpans,
    Stripe,
    add_edges,
    sum_columns,
    sum_columns_with_voids,
)
from hexterra.kernels.raster.edges import STRIP_ROWS

NOWHERE: Final = 2**31 - 1  # a first column that no cell reaches


class PassBand(NamedTuple):
    """Whole rows of a window of the raster.

    Parameters
    ----------
    row0
        Their first row in the raster.
    height
        (rows, columns) float32 or float64.
    usable
        (rows, columns) bool, or (0, 0) if all pixels are usable.
    weight
        Weight of each pixel, (rows, columns) float64, or (0, 0) if rows weigh alike throughout;
        needs `usable`.
    """

    row0: int
    height: NDArray[Any]
    usable: NDArray[np.bool_]
    weight: NDArray[np.float64]


@helper
def _has_void(usable: NDArray[np.bool_], row0: int, row1: int) -> bool:
    for r in range(row0, row1):
        n = 0
        for c in range(usable.shape[1]):
            n += usable[r, c]
        if n < usable.shape[1]:
            return True
    return False


@kernel
def gather_rows(
    band: PassBand,
    columns: tuple[int, int],
    reference: float,
    stripe: Stripe,
    spans: RowSpans,
    column_sum: NDArray[np.float64],
    totals: CellTotals,
) -> None:
    """Add a band of rows to the sums, areas, extremes and counts of the m cells of a stripe.

    Parameters
    ----------
    band
        `row0` is a multiple of `STRIP_ROWS`. Bands must come in order and without gaps.
    columns
        The columns of the band that the cells lie in: the first, and that after the last.
    reference
        A height that is subtracted before summing.
    spans
        Scratch for m + 1 cells, all `NOWHERE` and 0.
    column_sum
        (STRIP_ROWS + 1, columns + 1) float64, zeros at the first call. Row 0 is the state between
        calls; the others are scratch.
    totals
        Added to.
    """
    height = band.height
    column0, column1 = columns
    n_columns = column1 - column0
    block = height[:, column0:column1]
    mask = band.usable[:, column0:column1]
    weights = band.weight[:, column0:column1]
    lo, hi = spans
    rows = np.empty(STRIP_ROWS, np.int64)
    extremes = ColumnExtremes(
        np.empty((3, n_columns), height.dtype), np.empty((3, n_columns), height.dtype)
    )
    gap_shape = column_sum.shape if band.usable.shape[0] > 0 else (0, 0)
    sums = ColumnSums(column_sum, np.zeros(gap_shape), np.zeros(gap_shape[1]))
    for s in range((height.shape[0] + STRIP_ROWS - 1) // STRIP_ROWS):
        strip = band.row0 // STRIP_ROWS + s - stripe.strip0
        if strip < 0 or strip >= len(stripe.edges.start) - 1:
            continue
        first = s * STRIP_ROWS
        past = min(first + STRIP_ROWS, height.shape[0])
        for k in range(STRIP_ROWS):  # rows below the raster weigh nothing; any will do
            rows[k] = min(first + k, past - 1)
        row_weight = stripe.row_weight[strip * STRIP_ROWS :]
        is_void = band.weight.shape[0] > 0
        if band.usable.shape[0] > 0 and not is_void:
            is_void = _has_void(mask, first, past)
        if is_void:
            sum_columns_with_voids(block, mask, weights, rows, row_weight, reference, sums)
        else:
            sum_columns(height, column0, column1, rows, row_weight, reference, column_sum)
        add_edges(strip, stripe, sums, is_void, totals, spans)
        cells = stripe.cells.item[stripe.cells.start[strip] : stripe.cells.start[strip + 1]]
        if is_void:
            add_extremes_with_voids(cells, spans, block, mask, rows, totals)
        else:
            find_extremes(height, column0, column1, rows, extremes)
            add_extremes(cells, spans, block, rows, extremes, totals)
        for i in range(len(cells)):
            for j in range(cells[i] * STRIP_ROWS, (cells[i] + 1) * STRIP_ROWS):
                lo[j], hi[j] = NOWHERE, 0
        for c in range(n_columns):
            column_sum[0, c] = column_sum[STRIP_ROWS, c]
