"""Sums of a strip of rows down its columns, and the share of cells in them, edge by edge.

Called by `hexterra.kernels.raster.coverage`, which explains the method.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hexterra.kernels.compiled import INNER
from hexterra.kernels.raster.edges import STRIP_ROWS, ByStrip

# NaN never gets here: the reader masks it. Sums keep their written order.
FAST: Final = {"nnan", "nsz", "contract"}


class Stripe(NamedTuple):
    """What is known of m neighbouring cells before any pixel is read.

    Parameters
    ----------
    strip0
        The strip of the raster in which they begin; s strips hold them.
    row_weight, weight_above
        (8 s,) float64 for the rows from there on: the weight of a pixel of each row (0 below the
        raster), and the sum of the weights above it.
    edge_xy, edge_cells
        (e, 4) float64 x0, y0, x1, y1 with y0 <= y1, x from the first column of the cells; (e, 2)
        uint32 the cell whose outline (counter-clockwise if rows ran upward) runs along the edge
        from end 0 to end 1, and the one that runs back. Number m stands for no cell.
    edges, cells
        Numbers of edges and cells by strip.
    """

    strip0: int
    row_weight: NDArray[np.float64]
    weight_above: NDArray[np.float64]
    edge_xy: NDArray[np.float64]
    edge_cells: NDArray[np.uint32]
    edges: ByStrip
    cells: ByStrip


class ColumnSums(NamedTuple):
    """Sums down the columns of a strip.

    Parameters
    ----------
    value
        F at the top of each row, (STRIP_ROWS + 1, columns + 1) float64.
    gap
        The same for missing weight, from the top of the strip: the weight of the row less what of
        it is usable.
    gap_left
        Sum of the last row of `gap` over the columns to the left, (columns + 1,) float64.
    """

    value: NDArray[np.float64]
    gap: NDArray[np.float64]
    gap_left: NDArray[np.float64]


class RowSpans(NamedTuple):
    """The columns that cells touch in each row of a strip, STRIP_ROWS per cell, as one sequence.

    Parameters
    ----------
    lo, hi
        The first and the past-the-last, uint32; `NOWHERE` and 0 for none.
    """

    lo: NDArray[np.uint32]
    hi: NDArray[np.uint32]


class CellTotals(NamedTuple):
    """What has been added up for m cells, (m + 1,) each; the last stands for no cell.

    Parameters
    ----------
    sums, areas
        The integral of weight x (height - reference) and of weight over the usable part, float64.
    lowest, highest
        Extremes of the usable pixels that overlap the cell, in the dtype of the heights.
    n_touched, n_usable
        How many pixels overlap the cell, and how many usable ones, int64.
    """

    sums: NDArray[np.float64]
    areas: NDArray[np.float64]
    lowest: NDArray[Any]
    highest: NDArray[Any]
    n_touched: NDArray[np.int64]
    n_usable: NDArray[np.int64]


@njit(**INNER, fastmath=FAST, error_model="numpy", forceinline=True)
def _integral(
    column_sum: NDArray[np.float64], k: int, left: float, right: float, y: float, slope: float
) -> float:
    """Integrate `column_sum` along an edge within row `k`, from x = left to x = right.

    `y` is where in the row (0 to 1) the edge stands at `left`; it changes by `slope` per column.
    """
    c_left, c_right = np.uint32(left), np.uint32(right)
    if c_left == c_right:
        width = right - left
        above = column_sum[k, c_left]
        return width * (above + (y + 0.5 * width * slope) * (column_sum[k + 1, c_left] - above))
    width = (c_left + 1.0) - left
    y += 0.5 * width * slope
    above = column_sum[k, c_left]
    total = width * (above + y * (column_sum[k + 1, c_left] - above))
    y += 0.5 * (width + 1.0) * slope
    for c in range(c_left + 1, c_right):
        above = column_sum[k, c]
        total += above + y * (column_sum[k + 1, c] - above)
        y += slope
    width = right - c_right
    y += 0.5 * (width - 1.0) * slope
    above = column_sum[k, c_right]
    return total + width * (above + y * (column_sum[k + 1, c_right] - above))


@njit(**INNER, fastmath=FAST, error_model="numpy")
def add_edges(
    strip: int,
    stripe: Stripe,
    columns: ColumnSums,
    is_void: bool,
    totals: CellTotals,
    spans: RowSpans,
) -> None:
    """Walk the edges of a strip through its rows, for the cells on both sides.

    Missing weight is summed within the strip only. So the part of a cell in the strip is closed
    along the bottom, by the gap left of where each edge leaves; edges along it add nothing.
    """
    edge_xy, edge_cells = stripe.edge_xy, stripe.edge_cells
    edges = stripe.edges.item[stripe.edges.start[strip] : stripe.edges.start[strip + 1]]
    row_weight = stripe.row_weight[strip * STRIP_ROWS :]
    weight_above = stripe.weight_above[strip * STRIP_ROWS :]
    column_sum, column_gap, gap_left = columns
    sums, areas, lo, hi = totals.sums, totals.areas, spans.lo, spans.hi
    top = (stripe.strip0 + strip) * STRIP_ROWS
    bottom = float(top + STRIP_ROWS)
    for i in range(len(edges)):
        e = edges[i]
        x0, y0, x1, y1 = edge_xy[e, 0], edge_xy[e, 1], edge_xy[e, 2], edge_xy[e, 3]
        west, east = np.int64(edge_cells[e, 0]), np.int64(edge_cells[e, 1])
        first = max(np.int64(y0) - top, 0)
        past = STRIP_ROWS
        if y1 < top + STRIP_ROWS:
            past = np.int64(np.ceil(y1)) - top
        if y0 == y1:
            # Along a row boundary the sums are those at the bottom of the row above it.
            first = np.int64(np.ceil(y1)) - 1 - top
            past = first + 1
        has_gap = is_void and y0 < bottom
        leaves = has_gap and y1 >= bottom
        if x0 == x1:
            column = np.uint32(x0)
            beyond = np.uint32(np.ceil(x0))
            for k in range(first, past):
                lo[east * STRIP_ROWS + k] = min(lo[east * STRIP_ROWS + k], column)
                hi[west * STRIP_ROWS + k] = max(hi[west * STRIP_ROWS + k], beyond)
            if leaves:
                gap = gap_left[column] + (x0 - column) * column_gap[STRIP_ROWS, column]
                areas[west] -= gap
                areas[east] += gap
            continue
        per_row = (x1 - x0) / (y1 - y0)
        per_column = (y1 - y0) / (x1 - x0)
        least, most = min(x0, x1), max(x0, x1)
        xa, ya = x0, y0
        if top + first > y0:
            ya = float(top + first)
            xa = min(max(x0 + (ya - y0) * per_row, least), most)
        total = 0.0
        area = 0.0
        for k in range(first, past):
            row = float(top + k)
            xb, yb = x1, y1
            if row + 1.0 < y1:
                yb = row + 1.0
                xb = min(max(x0 + (yb - y0) * per_row, least), most)
            left, right = min(xa, xb), max(xa, xb)
            y = (ya if xa < xb else yb) - row
            sign = 1.0 if xa < xb else -1.0
            middle = 0.5 * (ya + yb) - row
            area += (xb - xa) * (weight_above[k] + middle * row_weight[k])
            total += sign * _integral(column_sum, k, left, right, y, per_column)
            if has_gap:
                area -= sign * _integral(column_gap, k, left, right, y, per_column)
            if yb > ya:
                column = np.uint32(left)
                beyond = np.uint32(np.ceil(right))
                lo[east * STRIP_ROWS + k] = min(lo[east * STRIP_ROWS + k], column)
                hi[west * STRIP_ROWS + k] = max(hi[west * STRIP_ROWS + k], beyond)
            xa, ya = xb, yb
        if leaves:
            column = np.uint32(xa)
            area += gap_left[column] + (xa - column) * column_gap[STRIP_ROWS, column]
        sums[west] -= total
        areas[west] -= area
        sums[east] += total
        areas[east] += area


@njit(**INNER, fastmath=FAST)
def sum_columns(
    height: NDArray[Any],
    column0: int,
    column1: int,
    rows: NDArray[np.int64],
    row_weight: NDArray[np.float64],
    reference: float,
    column_sum: NDArray[np.float64],
) -> None:
    """Sum the `rows` of a strip without voids down its columns.

    The rows are written out, and taken from the whole `height`, which numba knows to be contiguous:
    each makes it twice as fast.
    """
    n = column1 - column0
    v0, v1 = height[rows[0], column0:column1], height[rows[1], column0:column1]
    v2, v3 = height[rows[2], column0:column1], height[rows[3], column0:column1]
    v4, v5 = height[rows[4], column0:column1], height[rows[5], column0:column1]
    v6, v7 = height[rows[6], column0:column1], height[rows[7], column0:column1]
    w0, w1, w2, w3 = row_weight[0], row_weight[1], row_weight[2], row_weight[3]
    w4, w5, w6, w7 = row_weight[4], row_weight[5], row_weight[6], row_weight[7]
    s0, s1, s2, s3 = column_sum[0], column_sum[1], column_sum[2], column_sum[3]
    s4, s5, s6, s7 = column_sum[4], column_sum[5], column_sum[6], column_sum[7]
    s8 = column_sum[8]
    for c in range(n):
        total = s0[c] + w0 * (v0[c] - reference)
        s1[c] = total
        total += w1 * (v1[c] - reference)
        s2[c] = total
        total += w2 * (v2[c] - reference)
        s3[c] = total
        total += w3 * (v3[c] - reference)
        s4[c] = total
        total += w4 * (v4[c] - reference)
        s5[c] = total
        total += w5 * (v5[c] - reference)
        s6[c] = total
        total += w6 * (v6[c] - reference)
        s7[c] = total
        total += w7 * (v7[c] - reference)
        s8[c] = total


@njit(**INNER)
def sum_columns_with_voids(
    block: NDArray[Any],
    usable: NDArray[np.bool_],
    pixel_weight: NDArray[np.float64],
    rows: NDArray[np.int64],
    row_weight: NDArray[np.float64],
    reference: float,
    columns: ColumnSums,
) -> None:
    """Sum a strip with voids, or with a weight for each pixel, down its columns."""
    column_sum, column_gap, gap_left = columns
    has_weights = pixel_weight.shape[0] > 0
    column_gap[0, :] = 0.0
    for k in range(STRIP_ROWS):
        r = rows[k]
        for c in range(block.shape[1]):
            weight = 0.0
            column_sum[k + 1, c] = column_sum[k, c]
            if usable[r, c] and row_weight[k] > 0.0:
                weight = row_weight[k]
                if has_weights:
                    weight *= pixel_weight[r, c]
                column_sum[k + 1, c] += weight * (block[r, c] - reference)
            column_gap[k + 1, c] = column_gap[k, c] + (row_weight[k] - weight)
    for c in range(block.shape[1]):
        gap_left[c + 1] = gap_left[c] + column_gap[STRIP_ROWS, c]
