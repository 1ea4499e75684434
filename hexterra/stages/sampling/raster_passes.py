"""The passes of the gather stage over the pixels: bands of rows in, totals per cell out.

A pass reads the raster under the board once, in bands of whole rows of its window, and never
holds more than two of them. Within a band, stripes of neighbouring cells are worked on by threads:
stripes share nothing, and each adds up its rows in order, so neither threads nor bands change a
bit of the result.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import frozen
from hexterra.kernels.raster.column_sums import CellTotals, RowSpans, Stripe
from hexterra.kernels.raster.coverage import NOWHERE, PassBand, gather_rows
from hexterra.kernels.raster.edges import STRIP_ROWS, list_by_strip, pick_edges
from hexterra.kernels.raster.quantiles import CellOutlines, select_quantiles

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation
    from hexterra.stages.sampling.outlines import Outlines, PixelWeights

BAND_PIXELS: Final = 2**21
STRIPE_COLUMNS: Final = 2048
_MOST_OF_ROW: Final = 0.8  # from which share on whole rows are read: those need no copy
_MIN_CELLS_ACROSS: Final = 6  # of a stripe: cells on its flanks are walked twice


@dataclass(frozen=True)
class Ground:
    """A raster, the weights of its pixels, and the columns after which it begins again (or 0)."""

    elevation: Elevation
    weights: PixelWeights
    period: int

    def read(self, row0: int, row1: int, column0: int, column1: int) -> PassBand:
        """Read a window; its columns may go on past a raster that runs round the globe."""
        parts: list[tuple[NDArray[Any], NDArray[np.bool_] | None]] = []
        column = column0
        while column < column1:
            start = column % self.period if self.period else column
            past = min(start + column1 - column, self.period or self.elevation.shape[1])
            parts.append(self.elevation.read(row0, row1, start, past))
            column += past - start
        height, mask = parts[0]
        if len(parts) > 1:
            height = np.hstack([height for height, _ in parts])
            masks = [np.ones(h.shape, np.bool_) if m is None else m for h, m in parts]
            mask = None if all(m is None for _, m in parts) else np.hstack(masks)
        weight = np.empty((0, 0))
        if self.weights.differ_in_rows:
            weight = self.weights.of_pixels(row0, row1, column0, column1)
            mask = np.ones(height.shape, np.bool_) if mask is None else mask
        usable = np.empty((0, 0), np.bool_) if mask is None else mask
        return PassBand(row0, frozen(height), frozen(usable), weight)

    def bands(self, window: tuple[int, int, int, int]) -> Iterator[PassBand]:
        """Read a window in bands whose first rows are multiples of `STRIP_ROWS`."""
        row0, row1, column0, column1 = window
        strips = max(1, BAND_PIXELS // (column1 - column0) // STRIP_ROWS)
        row0 -= row0 % STRIP_ROWS
        for row in range(row0, row1, strips * STRIP_ROWS):
            yield self.read(row, min(row + strips * STRIP_ROWS, row1), column0, column1)


@dataclass(frozen=True)
class Totals:
    """What a pass leaves: per cell, (n_cells,); of the four pixels around each corner, (.., 4)."""

    weight: NDArray[np.float64]  # of the usable part
    mean: NDArray[np.float64]  # NaN where nothing is usable, as the extremes
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]
    n_touched: NDArray[np.int64]
    n_usable: NDArray[np.int64]
    corner_height: NDArray[np.float64]
    corner_usable: NDArray[np.bool_]


class _Stripe:
    """Neighbouring cells, and what has been added up for them so far."""

    def __init__(
        self, cells: NDArray[np.int64], outlines: Outlines, ground: Ground, dtype: np.dtype[Any]
    ) -> None:
        n = len(cells)
        number = np.full(len(outlines.ring_xy), n, dtype=np.int32)
        number[cells] = np.arange(n)
        edge_xy, edge_cells, edge_strips, cell_strips = pick_edges(
            outlines.edge_xy, outlines.edge_cells, number, n
        )
        self.cells = cells
        self.is_empty = len(edge_xy) == 0
        if self.is_empty:
            return
        self.column0 = int(np.floor(edge_xy[:, ::2].min()))
        if not ground.period:  # cells may all be pressed onto the right border
            self.column0 = min(self.column0, ground.elevation.shape[1] - 1)
        self.column1 = max(int(np.ceil(edge_xy[:, ::2].max())), self.column0 + 1)
        strip0 = int(edge_strips[:, 0].min())
        n_strips = int(edge_strips[:, 1].max()) + 1 - strip0
        edge_xy[:, ::2] -= self.column0
        self.row0 = strip0 * STRIP_ROWS
        weight = np.zeros(n_strips * STRIP_ROWS)
        on_raster = min(self.row0 + len(weight), ground.elevation.shape[0])
        weight[: on_raster - self.row0] = ground.weights.of_rows(self.row0, on_raster)
        self.stripe = Stripe(
            strip0=strip0,
            row_weight=weight,
            weight_above=np.cumsum(weight) - weight,
            edge_xy=edge_xy,
            edge_cells=edge_cells,
            edges=list_by_strip(edge_strips, strip0, n_strips),
            cells=list_by_strip(cell_strips, strip0, n_strips),
        )
        self.reference: float | None = None
        self.column_sum = np.zeros((STRIP_ROWS + 1, self.column1 - self.column0 + 1))
        self.spans = RowSpans(
            np.full((n + 1) * STRIP_ROWS, NOWHERE, np.uint32),
            np.zeros((n + 1) * STRIP_ROWS, np.uint32),
        )
        self.totals = CellTotals(
            sums=np.zeros(n + 1),
            areas=np.zeros(n + 1),
            lowest=np.full(n + 1, np.inf, dtype),
            highest=np.full(n + 1, -np.inf, dtype),
            n_touched=np.zeros(n + 1, np.int64),
            n_usable=np.zeros(n + 1, np.int64),
        )

    def add(self, band: PassBand, band_column0: int) -> None:
        """Add the rows of a band; bands come in order."""
        columns = slice(self.column0 - band_column0, self.column1 - band_column0)
        row = max(self.row0 - band.row0, 0)
        if row >= len(band.height):
            return
        if self.reference is None:
            # The first usable height keeps the sums small; which one it is no band can change.
            height = band.height[row:, columns]
            place = int(band.usable[row:, columns].argmax()) if band.usable.size else 0
            if not band.usable.size or band.usable[row:, columns].flat[place]:
                self.reference = float(height.flat[place])
        gather_rows(
            band,
            (columns.start, columns.stop),
            self.reference or 0.0,
            self.stripe,
            self.spans,
            self.column_sum,
            self.totals,
        )


def add_up(ground: Ground, outlines: Outlines) -> Totals:
    """Read the raster under the cells once; sum, compare and count it per cell."""
    n_cells, n_corners = len(outlines.ring_xy), len(outlines.corner_xy)
    corner_height, corner_usable = np.zeros((n_corners, 4)), np.zeros((n_corners, 4), np.bool_)
    weight, mean = np.zeros(n_cells), np.full(n_cells, np.nan)
    lowest, highest = np.full(n_cells, np.nan), np.full(n_cells, np.nan)
    n_touched, n_usable = np.zeros(n_cells, np.int64), np.zeros(n_cells, np.int64)
    window = _window(ground, outlines)
    if window is not None:
        dtype = ground.elevation.read(0, 1, 0, 1)[0].dtype
        stripes = [
            stripe
            for cells in _split(outlines.ring_xy)
            if not (stripe := _Stripe(cells, outlines, ground, dtype)).is_empty
        ]
        pixel = _corner_pixels(outlines, window[2])
        by_row = np.argsort(pixel[:, 0], kind="stable")
        with ThreadPoolExecutor(max(1, min(len(stripes), os.cpu_count() or 1))) as pool:
            running: list[Any] = []
            for band in ground.bands(window):  # the next band is read while this one is added
                for future in running:
                    future.result()
                running = [pool.submit(stripe.add, band, window[2]) for stripe in stripes]
                _sample_corners(band, window[2], pixel, by_row, corner_height, corner_usable)
            for future in running:
                future.result()
        for stripe in stripes:
            cells = stripe.cells
            sums, areas, low, high, touched, usable = (total[:-1] for total in stripe.totals)
            n_touched[cells], n_usable[cells] = touched, usable
            weight[cells] = np.where(usable > 0, areas, 0.0)
            holds = weight[cells] > 0.0
            here = cells[holds]
            lowest[here], highest[here] = low[holds], high[holds]
            exact = (stripe.reference or 0.0) + sums[holds] / weight[here]
            # A mean lies between the extremes; rounding may not carry it beyond.
            mean[here] = np.clip(exact, lowest[here], highest[here])
    return Totals(weight, mean, lowest, highest, n_touched, n_usable, corner_height, corner_usable)


def _window(ground: Ground, outlines: Outlines) -> tuple[int, int, int, int] | None:
    """Rows and columns of the raster that cells and corners reach, and one pixel around them."""
    if len(outlines.edge_xy) == 0:
        return None
    # Corners that a board's edge cuts away are sampled too.
    x = np.concatenate([outlines.edge_xy[:, ::2].ravel(), outlines.corner_xy[:, 0]])
    y = np.concatenate([outlines.edge_xy[:, 1::2].ravel(), outlines.corner_xy[:, 1]])
    row0, row1 = int(np.floor(y.min())) - 1, int(np.ceil(y.max())) + 1
    column0, column1 = int(np.floor(x.min())) - 1, int(np.ceil(x.max())) + 1
    n_columns = ground.elevation.shape[1]
    if not ground.period:
        column0, column1 = max(column0, 0), min(column1, n_columns)
        if column1 - column0 > _MOST_OF_ROW * n_columns:
            column0, column1 = 0, n_columns
    return max(row0, 0), min(row1, ground.elevation.shape[0]), column0, column1


def _split(ring_xy: NDArray[np.float64]) -> list[NDArray[np.int64]]:
    """Split the cells into stripes of columns, by a rule that knows nothing of threads."""
    here, opposite = ring_xy[:, 0], ring_xy[:, 3]
    centre = (here[:, 0] + opposite[:, 0]) / 2.0
    width = float(np.hypot(*(opposite - here).T).max())
    reach = float(np.ptp(centre))
    n = max(1, round(reach / max(STRIPE_COLUMNS, _MIN_CELLS_ACROSS * width)))
    stripe = np.minimum((centre - centre.min()) * (n / max(reach, 1.0)), n - 1).astype(np.int64)
    return [np.flatnonzero(stripe == i) for i in range(n)]


def _corner_pixels(outlines: Outlines, column0: int) -> NDArray[np.int64]:
    """Row and column of the pixel whose centre is next above and left of each corner, (k, 2)."""
    pixel = np.floor(outlines.corner_xy[:, ::-1] - 0.5).astype(np.int64)
    if outlines.period:
        pixel[:, 1] = column0 + (pixel[:, 1] - column0) % outlines.period
    return pixel


def _sample_corners(
    band: PassBand,
    column0: int,
    pixel: NDArray[np.int64],
    by_row: NDArray[np.int64],
    height: NDArray[np.float64],
    usable: NDArray[np.bool_],
) -> None:
    """Take what the band holds of the four pixels around each corner; `by_row` sorts them."""
    n_rows, n_columns = band.height.shape
    for tap in range(4):
        ends = band.row0 - tap // 2 + np.array([0, n_rows])
        first, past = np.searchsorted(pixel[:, 0], ends, sorter=by_row)
        here = by_row[first:past]
        column = pixel[here, 1] + tap % 2 - column0
        is_inside = (column >= 0) & (column < n_columns)
        here, column = here[is_inside], column[is_inside]
        row = pixel[here, 0] + tap // 2 - band.row0
        height[here, tap] = band.height[row, column]
        usable[here, tap] = band.usable[row, column] if band.usable.size else True


def find_quantiles(
    ground: Ground, outlines: Outlines, cells: NDArray[np.int64], quantiles: tuple[float, ...]
) -> NDArray[np.float64]:
    """Area-weighted quantiles of `cells`, (len(cells), len(quantiles)), in a pass of its own."""
    n_cells = len(outlines.ring_xy)
    rank = np.argsort(quantiles, kind="stable")
    wanted = np.array(quantiles, dtype=np.float64)[rank]
    chosen = np.full((n_cells, len(quantiles)), np.nan)
    owner = np.concatenate([outlines.edge_cells[:, 0], outlines.edge_cells[:, 1]])
    sign = np.repeat([-1.0, 1.0], len(outlines.edge_cells))
    order = np.argsort(owner, kind="stable")
    start = np.searchsorted(owner[order], np.arange(n_cells + 1))
    edge = order % len(outlines.edge_cells)
    boxes = np.zeros((n_cells, 4), np.int64)
    boxes[:, ::2] = np.iinfo(np.int64).max
    boxes[:, 1::2] = np.iinfo(np.int64).min
    for side in (0, 1):
        mine = outlines.edge_cells[:, side] >= 0
        cell, xy = outlines.edge_cells[mine, side], outlines.edge_xy[mine]
        for box, axis in ((0, 1), (2, 0)):
            low = np.floor(np.minimum(xy[:, axis], xy[:, axis + 2])).astype(np.int64)
            high = np.ceil(np.maximum(xy[:, axis], xy[:, axis + 2])).astype(np.int64)
            np.minimum.at(boxes[:, box], cell, low)
            np.maximum.at(boxes[:, box + 1], cell, high)
    ordered = cells[np.argsort(boxes[cells, 0], kind="stable")]
    column0, column1 = int(boxes[cells, 2].min()), int(boxes[cells, 3].max())
    rows_at_once = max(STRIP_ROWS, BAND_PIXELS // (column1 - column0))
    shift = np.array([column0, 0.0, column0, 0.0])
    n_threads = os.cpu_count() or 1
    with ThreadPoolExecutor(n_threads) as pool:
        group = (boxes[ordered, 0] - boxes[ordered[0], 0]) // rows_at_once
        for batch in np.split(ordered, np.flatnonzero(np.diff(group)) + 1):
            row0, row1 = int(boxes[batch, 0].min()), int(boxes[batch, 1].max())
            band = ground.read(row0, row1, column0, column1)
            band = band._replace(height=band.height.astype(np.float64))  # one kernel serves both
            weight = ground.weights.of_rows(row0, row1)
            cell_outlines = CellOutlines(
                box=boxes - np.array([row0, row0, column0, column0]),
                edge_xy=outlines.edge_xy - shift - np.array([0.0, row0, 0.0, row0]),
                start=start,
                edge=edge,
                sign=sign[order],
            )
            jobs = [
                pool.submit(
                    select_quantiles,
                    band,
                    weight,
                    np.ascontiguousarray(batch[i::n_threads]),
                    cell_outlines,
                    wanted,
                    chosen,
                )
                for i in range(n_threads)
            ]
            for job in jobs:
                job.result()
    result = np.empty((len(cells), len(quantiles)))
    result[:, rank] = chosen[cells]
    return result
