"""Area-weighted quantiles of the pixels under each cell, by selection.

Called by the gather stage, for the cells of a window of the raster. Outlines arrive as in
`hexterra.kernels.raster.coverage`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hexterra.kernels.compiled import INNER, helper, kernel
from hexterra.kernels.raster.coverage import PassBand


class CellOutlines(NamedTuple):
    """The outlines of n cells in the pixel space of a window.

    Parameters
    ----------
    box
        First and past-the-last row, then column, of each cell, (n, 4) int64.
    edge_xy
        x0, y0, x1, y1 of all edges, with y0 <= y1, (e, 4) float64.
    start, edge
        Edges of cell i are ``edge[start[i] : start[i + 1]]``, int64.
    sign
        +1 where the cell lies right of its edge, -1 where left, in the order of `edge`, float64.
    """

    box: NDArray[np.int64]
    edge_xy: NDArray[np.float64]
    start: NDArray[np.int64]
    edge: NDArray[np.int64]
    sign: NDArray[np.float64]


@njit(**INNER, error_model="numpy")
def _add_edge(
    x0: float, y0: float, x1: float, y1: float, sign: float, cover: NDArray[np.float64]
) -> None:
    """Add the edge to `cover`, whose running sum along each row becomes the covered share.

    In each pixel the edge covers, to its right, its height times the width right of its middle;
    all pixels further right are covered by its full height.
    """
    if y0 == y1:
        return
    per_row = (x1 - x0) / (y1 - y0)
    least, most = min(x0, x1), max(x0, x1)
    xa, ya = x0, y0
    for r in range(int(y0), int(np.ceil(y1))):
        xb, yb = x1, y1
        if r + 1.0 < y1:
            yb = r + 1.0
            xb = min(max(x0 + (yb - y0) * per_row, least), most)
        left, right = min(xa, xb), max(xa, xb)
        for c in range(int(left), max(int(np.ceil(right)), int(left) + 1)):
            a, b = max(left, float(c)), min(right, c + 1.0)
            height = yb - ya
            if right > left:
                height *= (b - a) / (right - left)
            share = 0.5 * (a + b) - c
            cover[r, c] += sign * height * (1.0 - share)
            cover[r, c + 1] += sign * height * share
        xa, ya = xb, yb


@helper
def _select(
    height: NDArray[np.float64],
    weight: NDArray[np.float64],
    n: int,
    quantiles: NDArray[np.float64],
    chosen: NDArray[np.float64],
) -> None:
    """Find the least height with at least the share q of all weight at or below it.

    Quickselect on pairs (`height` and `weight` are reordered) for ascending `quantiles`; each
    search starts where the one before ended.
    """
    total = 0.0
    for i in range(n):
        total += weight[i]
    start = 0
    below_start = 0.0
    for q in range(len(quantiles)):
        target = quantiles[q] * total
        a, b = start, n
        below = below_start
        while True:
            first, middle, last = height[a], height[(a + b) // 2], height[b - 1]
            pivot = max(min(first, middle), min(max(first, middle), last))
            # a .. less: smaller than the pivot; less .. i: equal; more .. b: greater
            less, i, more = a, a, b
            weight_less, weight_equal = 0.0, 0.0
            while i < more:
                h, w = height[i], weight[i]
                if h < pivot:
                    height[i], weight[i] = height[less], weight[less]
                    height[less], weight[less] = h, w
                    weight_less += w
                    less += 1
                    i += 1
                elif h > pivot:
                    more -= 1
                    height[i], weight[i] = height[more], weight[more]
                    height[more], weight[more] = h, w
                else:
                    weight_equal += w
                    i += 1
            if less > a and below + weight_less >= target:
                b = less
            elif more == b or below + weight_less + weight_equal >= target:
                chosen[q] = pivot
                start, below_start = less, below + weight_less
                break
            else:
                a = more
                below += weight_less + weight_equal


@kernel
def select_quantiles(
    band: PassBand,
    row_weight: NDArray[np.float64],
    cells: NDArray[np.int64],
    outlines: CellOutlines,
    quantiles: NDArray[np.float64],
    chosen: NDArray[np.float64],
) -> None:
    """Find the quantiles of each of `cells`.

    Parameters
    ----------
    band
        The window of the raster, with float64 heights.
    row_weight
        (rows,) float64.
    cells
        (k,) int64, rows of `outlines.box` and `chosen`.
    quantiles
        (q,) float64 ascending, 0 to 1.
    chosen
        (n, q) float64, written to; NaN where no usable pixel overlaps the cell.
    """
    height, usable, pixel_weight = band.height, band.usable, band.weight
    box, edge_xy, start, edge, sign = outlines
    for i in range(len(cells)):
        cell = cells[i]
        row0, row1, column0, column1 = box[cell]
        n_rows, n_columns = max(row1 - row0, 0), max(column1 - column0, 0)
        cover = np.zeros((n_rows, n_columns + 2))
        for j in range(start[cell], start[cell + 1]):
            e = edge[j]
            _add_edge(
                edge_xy[e, 0] - column0,
                edge_xy[e, 1] - row0,
                edge_xy[e, 2] - column0,
                edge_xy[e, 3] - row0,
                sign[j],
                cover,
            )
        heights = np.empty(n_rows * n_columns)
        weights = np.empty(n_rows * n_columns)
        n = 0
        for r in range(n_rows):
            share = 0.0
            for c in range(n_columns):
                share += cover[r, c]
                if share < 1e-12:  # rounding
                    continue
                y, x = row0 + r, column0 + c
                if usable.shape[0] > 0 and not usable[y, x]:
                    continue
                heights[n] = height[y, x]
                weights[n] = share * row_weight[y]
                if pixel_weight.shape[0] > 0:
                    weights[n] *= pixel_weight[y, x]
                n += 1
        if n > 0:
            _select(heights, weights, n, quantiles, chosen[cell])
        else:
            chosen[cell, :] = np.nan
