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

Legend: `column_sum` is F at the top of each row, (STRIP_ROWS + 1, columns + 1). `column_gap` is
the same for missing weight, from the top of the strip: the weight of the row less what of it is
usable; `gap_left` sums its last row over the columns to the left. `lo` and `hi` are the
first and the past-the-last column that each cell touches in each row of the strip, STRIP_ROWS per
cell.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hexterra.kernels.raster.edges import STRIP_ROWS

NOWHERE: Final = 2**31 - 1  # a first column that no cell reaches
# Only kernels call these, so nothing is compiled for calls from Python.
_INNER: Final[dict[str, Any]] = {
    "cache": True,
    "nogil": True,
    "no_cpython_wrapper": True,
    "no_cfunc_wrapper": True,
}
# NaN never gets here: the reader masks it. Sums keep their written order.
_FAST: Final = {"nnan", "nsz", "contract"}


@njit(**_INNER, fastmath=_FAST, error_model="numpy", forceinline=True)
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


@njit(**_INNER, fastmath=_FAST, error_model="numpy")
def _add_edges(
    edges: NDArray[np.uint32],
    edge_xy: NDArray[np.float64],
    edge_cells: NDArray[np.uint32],
    top: int,
    row_weight: NDArray[np.float64],
    weight_above: NDArray[np.float64],
    column_sum: NDArray[np.float64],
    column_gap: NDArray[np.float64],
    gap_left: NDArray[np.float64],
    is_void: bool,
    sums: NDArray[np.float64],
    areas: NDArray[np.float64],
    lo: NDArray[np.uint32],
    hi: NDArray[np.uint32],
) -> None:
    """Walk `edges` through the rows of one strip, for the cells on both sides.

    Missing weight is summed within the strip only. So the part of a cell in the strip is closed
    along the bottom, by the gap left of where each edge leaves; edges along it add nothing.
    """
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


@njit(**_INNER, fastmath=_FAST)
def _load(
    height: NDArray[Any],
    column0: int,
    column1: int,
    rows: NDArray[np.int64],
    row_weight: NDArray[np.float64],
    reference: float,
    column_sum: NDArray[np.float64],
    low: NDArray[Any],
    high: NDArray[Any],
) -> None:
    """Sum a strip without voids down its columns, and find the extremes of its columns.

    Row 0 of `low` and `high` is for single columns, row 1 for the 4 columns from each one on, and
    row 2 for 16. The rows are written out, and taken from the whole `height`, which numba knows
    to be contiguous: each makes it twice as fast.
    """
    n = column1 - column0
    low1, low4, low16, high1, high4, high16 = low[0], low[1], low[2], high[0], high[1], high[2]
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
    for c in range(n):
        low1[c] = min(v0[c], v1[c], v2[c], v3[c], v4[c], v5[c], v6[c], v7[c])
        high1[c] = max(v0[c], v1[c], v2[c], v3[c], v4[c], v5[c], v6[c], v7[c])
    for c in range(n - 3):
        low4[c] = min(low1[c], low1[c + 1], low1[c + 2], low1[c + 3])
        high4[c] = max(high1[c], high1[c + 1], high1[c + 2], high1[c + 3])
    for c in range(n - 15):
        low16[c] = min(low4[c], low4[c + 4], low4[c + 8], low4[c + 12])
        high16[c] = max(high4[c], high4[c + 4], high4[c + 8], high4[c + 12])


@njit(**_INNER)
def _load_with_voids(
    block: NDArray[Any],
    rows: NDArray[np.int64],
    row_weight: NDArray[np.float64],
    reference: float,
    usable: NDArray[np.bool_],
    pixel_weight: NDArray[np.float64],
    column_sum: NDArray[np.float64],
    column_gap: NDArray[np.float64],
    gap_left: NDArray[np.float64],
) -> None:
    """Sum a strip with voids, or with a weight for each pixel, down its columns."""
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


@njit(**_INNER, fastmath=_FAST)
def _extremes_within(low: NDArray[Any], high: NDArray[Any], a: int, b: int) -> tuple[Any, Any]:
    """Find the extremes of columns a to b (at least one) by overlapping windows of 16, 4 or 1."""
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


@njit(**_INNER, fastmath=_FAST)
def _add_extremes(
    cells: NDArray[np.uint32],
    lo: NDArray[np.uint32],
    hi: NDArray[np.uint32],
    block: NDArray[Any],
    rows: NDArray[np.int64],
    low: NDArray[Any],
    high: NDArray[Any],
    lowest: NDArray[Any],
    highest: NDArray[Any],
    n_touched: NDArray[np.int64],
    n_usable: NDArray[np.int64],
) -> None:
    """Update extremes and counts of `cells` in a strip without voids.

    The columns that a cell touches in *every* row come from `low` and `high`; pixels are looked
    at only outside those, and only if the strip can hold a new extreme at all.
    """
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
        least_near, most_near = _extremes_within(low, high, left, right)
        if least_near >= least and most_near <= most:
            continue
        if inner_left < inner_right:
            least_near, most_near = _extremes_within(low, high, inner_left, inner_right)
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


@njit(**_INNER)
def _add_extremes_with_voids(
    cells: NDArray[np.uint32],
    lo: NDArray[np.uint32],
    hi: NDArray[np.uint32],
    block: NDArray[Any],
    usable: NDArray[np.bool_],
    rows: NDArray[np.int64],
    lowest: NDArray[Any],
    highest: NDArray[Any],
    n_touched: NDArray[np.int64],
    n_usable: NDArray[np.int64],
) -> None:
    """Update extremes and counts of `cells` in a strip with voids."""
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


@njit(**_INNER)
def _has_void(usable: NDArray[np.bool_], row0: int, row1: int) -> bool:
    for r in range(row0, row1):
        n = 0
        for c in range(usable.shape[1]):
            n += usable[r, c]
        if n < usable.shape[1]:
            return True
    return False


@njit(cache=True, nogil=True)
def gather_rows(
    height: NDArray[Any],
    usable: NDArray[np.bool_],
    pixel_weight: NDArray[np.float64],
    column0: int,
    column1: int,
    row0: int,
    strip0: int,
    reference: float,
    row_weight: NDArray[np.float64],
    weight_above: NDArray[np.float64],
    edge_xy: NDArray[np.float64],
    edge_cells: NDArray[np.uint32],
    edge_start: NDArray[np.int64],
    edge_item: NDArray[np.uint32],
    cell_start: NDArray[np.int64],
    cell_item: NDArray[np.uint32],
    column_sum: NDArray[np.float64],
    column_gap: NDArray[np.float64],
    gap_left: NDArray[np.float64],
    low: NDArray[Any],
    high: NDArray[Any],
    lo: NDArray[np.uint32],
    hi: NDArray[np.uint32],
    rows: NDArray[np.int64],
    sums: NDArray[np.float64],
    areas: NDArray[np.float64],
    lowest: NDArray[Any],
    highest: NDArray[Any],
    n_touched: NDArray[np.int64],
    n_usable: NDArray[np.int64],
) -> None:
    """Add a band of rows to the sums, areas, extremes and counts of m cells.

    Parameters
    ----------
    height
        (rows, columns) float32 or float64, whose first row is row `row0` of the raster, a
        multiple of `STRIP_ROWS`. Bands must come in order and without gaps.
    usable
        (rows, columns) bool, or (0, 0) if all pixels are usable.
    pixel_weight
        (rows, columns) float64, or (0, 0) if rows weigh alike throughout; needs `usable`.
    column0, column1
        The columns of `height` that the cells lie in.
    strip0
        The strip of the raster in which the cells begin.
    reference
        A height that is subtracted before summing.
    row_weight, weight_above
        (8 s,) float64 for the rows from the top of `strip0` on, in s strips: the weight of a
        pixel of each row (0 below the raster), and the sum of the weights above it.
    edge_xy, edge_cells
        (e, 4) float64 x0, y0, x1, y1 with y0 <= y1, x from `column0`; (e, 2) uint32 the cell
        whose outline (counter-clockwise if rows ran upward) runs along the edge from end 0 to
        end 1, and the one that runs back. Number m stands for no cell.
    edge_start, edge_item, cell_start, cell_item
        Edges and cells by strip, from `hexterra.kernels.raster.edges.list_by_strip`.
    column_sum, column_gap, gap_left
        (STRIP_ROWS + 1, columns + 1) float64 and (columns + 1,), zeros at the first call. Row 0
        of `column_sum` is the state between calls; the others are scratch.
    low, high, lo, hi, rows
        Scratch: (3, columns) in the dtype of `height`, (m + 1, STRIP_ROWS) uint32 flattened and
        filled with `NOWHERE` and 0, (STRIP_ROWS,) int64.
    sums, areas, lowest, highest, n_touched, n_usable
        (m + 1,) results, added to: the integral of weight x (height - reference) and of weight
        over the usable part of each cell, float64; extremes, in the dtype of `height`; how many
        pixels overlap the cell, and how many usable ones, int64.
    """
    n_columns = column1 - column0
    block = height[:, column0:column1]
    mask = usable[:, column0:column1]
    weights = pixel_weight[:, column0:column1]
    n_strips = (height.shape[0] + STRIP_ROWS - 1) // STRIP_ROWS
    for s in range(n_strips):
        strip = row0 // STRIP_ROWS + s - strip0
        if strip < 0 or strip >= len(edge_start) - 1:
            continue
        first = s * STRIP_ROWS
        past = min(first + STRIP_ROWS, height.shape[0])
        for k in range(STRIP_ROWS):  # rows below the raster weigh nothing; any will do
            rows[k] = min(first + k, past - 1)
        here = strip * STRIP_ROWS
        weight, above = row_weight[here:], weight_above[here:]
        is_void = pixel_weight.shape[0] > 0
        if usable.shape[0] > 0 and not is_void:
            is_void = _has_void(mask, first, past)
        if is_void:
            _load_with_voids(
                block, rows, weight, reference, mask, weights, column_sum, column_gap, gap_left
            )
        else:
            _load(height, column0, column1, rows, weight, reference, column_sum, low, high)
        edges = edge_item[edge_start[strip] : edge_start[strip + 1]]
        cells = cell_item[cell_start[strip] : cell_start[strip + 1]]
        top = row0 + first
        _add_edges(
            edges,
            edge_xy,
            edge_cells,
            top,
            weight,
            above,
            column_sum,
            column_gap,
            gap_left,
            is_void,
            sums,
            areas,
            lo,
            hi,
        )
        if is_void:
            _add_extremes_with_voids(
                cells, lo, hi, block, mask, rows, lowest, highest, n_touched, n_usable
            )
        else:
            _add_extremes(
                cells, lo, hi, block, rows, low, high, lowest, highest, n_touched, n_usable
            )
        for i in range(len(cells)):
            for j in range(cells[i] * STRIP_ROWS, (cells[i] + 1) * STRIP_ROWS):
                lo[j], hi[j] = NOWHERE, 0
        for c in range(n_columns):
            column_sum[0, c] = column_sum[STRIP_ROWS, c]
