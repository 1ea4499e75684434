"""The height of the built board at any point, and its pixels beside those of the raster."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from hexterra.catalogue.tops import surface_rise
from hexterra.stages.tiles.fit import level_to_metres

if TYPE_CHECKING:
    from hexterra.lattice.board import Board
    from hexterra.stages.tiles.fit import Tiles

NODATA: Final = -9999.0

#: Most pixels across a cell, and in the whole raster.
MAX_ACROSS: Final = 32
MAX_PIXELS: Final = 100_000_000

#: Pixels between the points that are projected; the rest is interpolated between them.
_NODE_STEP: Final = 16


class SurfaceGrid:
    """Pixels over the board: whole multiples of the input's, on the input's grid lines.

    Parameters
    ----------
    board
        The lattice.
    affine, crs
        Pixel corners to coordinates, and the reference system, of the input raster.
    most_pixels
        Most pixels in all. There are never more than `MAX_ACROSS` across a cell.

    Attributes
    ----------
    step
        Pixels of the input along each edge of one of these.
    first_row, first_column
        Where the first of these lies among all such pixels of the input.
    """

    def __init__(
        self, board: Board, affine: Affine, crs: str, *, most_pixels: int = MAX_PIXELS
    ) -> None:
        self.board = board
        self.crs = CRS.from_user_input(crs)
        self._given = affine
        self._to_board = Transformer.from_crs(self.crs, board.crs, always_xy=True)
        self._to_crs = Transformer.from_crs(board.crs, self.crs, always_xy=True)
        width, depth = board.size_mm
        along = np.linspace(0.0, 1.0, 65)
        edges = [(along * width, 0 * along), (along * width, 0 * along + depth)]
        edges += [(0 * along, along * depth), (0 * along + width, along * depth)]
        rim = np.concatenate([np.column_stack(edge) for edge in edges])
        column, row = _apply(~affine, *self._coordinates(rim))
        span = np.array((np.ptp(column), np.ptp(row)))
        extent = board.across_flats_m * np.array((width, depth)) / board.across_flats_mm
        pixel_m = float(extent.max() / span.max())
        step = max(1, math.ceil(board.across_flats_m / (MAX_ACROSS * pixel_m)))
        self.step = step = max(step, math.ceil(math.sqrt(span.prod() / most_pixels)))
        self.first_column = math.floor(column.min() / step)
        self.first_row = math.floor(row.min() / step)
        self.width = math.ceil(column.max() / step) - self.first_column
        self.height = math.ceil(row.max() / step) - self.first_row
        first = np.array(self.first_column * step), np.array(self.first_row * step)
        start_x, start_y = _apply(affine, *first)
        steps = (affine.a * step, affine.b * step, affine.d * step, affine.e * step)
        self.affine = Affine(*steps[:2], float(start_x), *steps[2:], float(start_y))

    def to_pixel(self, bench_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Carry bench points, (k, 2) in mm, to columns and rows of these pixels, (k, 2)."""
        return np.column_stack(_apply(~self.affine, *self._coordinates(bench_mm)))

    def _coordinates(
        self, bench_mm: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Carry bench points to the input's reference system, longitudes as the raster counts."""
        x, y = self._to_crs.transform(*self.board.bench_mm_to_ground_m(bench_mm).T)
        x, y = np.asarray(x), np.asarray(y)
        if self.crs.is_geographic:
            middle = self._to_crs.transform(0.0, 0.0)[0]  # of the board
            left = self._given.c
            middle = left + (middle - left) % math.copysign(360.0, self._given.a)
            x = middle + (x - middle + 180.0) % 360.0 - 180.0
        return x, y

    def bench_mm(self, row0: int, row1: int) -> NDArray[np.float64]:
        """Carry the pixel centres of these rows to the bench, (rows, width, 2) float64, in mm.

        Every 16th point is projected exactly; between them the map is bilinear. Over so few
        pixels a projection is so nearly linear that the error is far below a pixel.
        """
        rows, row_weight, row_first = _nodes(row0, row1)
        columns, weight, first = _nodes(0, self.width)
        x, y = _apply(self.affine, *np.meshgrid(columns + 0.5, rows + 0.5))
        east, north = self._to_board.transform(x, y)
        nodes = np.stack((np.asarray(east), np.asarray(north)), axis=-1)
        bench = self.board.ground_m_to_bench_mm(nodes.reshape(-1, 2)).reshape(nodes.shape)
        down = (
            bench[row_first] * (1.0 - row_weight)[:, None, None]
            + bench[row_first + 1] * row_weight[:, None, None]
        )
        return down[:, first] * (1.0 - weight)[:, None] + down[:, first + 1] * weight[:, None]


def _apply(
    affine: Affine, x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return affine.a * x + affine.b * y + affine.c, affine.d * x + affine.e * y + affine.f


def _nodes(
    start: int, stop: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.intp]]:
    """Place nodes over pixels `start` to `stop`: positions, and weight and node of each pixel."""
    n_steps = max(1, -(-(stop - 1 - start) // _NODE_STEP))
    at = np.arange(stop - start) / _NODE_STEP
    first = np.minimum(at.astype(np.intp), n_steps - 1)
    return start + _NODE_STEP * np.arange(n_steps + 1.0), at - first, first


def nearest_cell(board: Board, bench_mm: NDArray[np.float64]) -> NDArray[np.int32]:
    """Find the cell that bench points lie in, (k,) int32; -1 off the board.

    Centres form two rectangular lattices, of the shifted and of the other rows (columns); the
    nearest centre in each is found by rounding, and the nearer of both is the cell.
    """
    points = board.facing == "points"
    flats = board.across_flats_mm
    pitch = flats * math.sqrt(3.0) / 2.0
    start = (0.0, 0.0)
    if board.edges == "whole":
        start = (flats / 2.0, flats / math.sqrt(3.0))
    along, across = (bench_mm[:, 0], bench_mm[:, 1]) if points else (bench_mm[:, 1], bench_mm[:, 0])
    along, across = along - start[0], across - start[1]
    best = np.full(len(along), np.inf)
    place = np.zeros(len(along), dtype=np.int64)
    line = np.zeros(len(along), dtype=np.int64)
    for odd in (0, 1):
        shift = 0.0 if odd else flats / 2.0
        this_line = 2 * np.rint((across / pitch - odd) / 2.0) + odd
        this_place = np.rint((along - shift) / flats)
        distance = (along - shift - this_place * flats) ** 2 + (across - this_line * pitch) ** 2
        nearer = distance < best
        best = np.where(nearer, distance, best)
        place = np.where(nearer, this_place, place).astype(np.int64)
        line = np.where(nearer, this_line, line).astype(np.int64)
    column, row = (place, line) if points else (line, place)
    on_board = (column >= 0) & (column < board.columns) & (row >= 0) & (row < board.rows)
    if board.edges == "straight":
        on_board &= ((bench_mm >= 0.0) & (bench_mm <= np.array(board.size_mm))).all(axis=1)
    cell_at = np.full(board.rows * board.columns, -1, dtype=np.int32)
    cell_at[board.places] = np.arange(board.n_cells, dtype=np.int32)
    number = np.where(on_board, row * board.columns + column, 0)
    return np.where(on_board, cell_at[number], np.int32(-1))


def built_m(tiles: Tiles, board: Board, bench_mm: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the ground height that the built top stands for at bench points.

    Parameters
    ----------
    tiles
        The fitted tiles of `board`.
    bench_mm
        (k, 2) float64, in millimetres.

    Returns
    -------
    NDArray[np.float32]
        (k,), in metres; `NODATA` off the board.
    """
    cell = nearest_cell(board, bench_mm)
    on_board = np.flatnonzero(cell >= 0)
    cell = cell[on_board]
    offset = (bench_mm[on_board] - board.centre_mm[cell]) / board.across_flats_mm
    shape = tiles.pattern[cell].astype(np.int64) * 6 + tiles.turn[cell]
    shape[np.ptp(tiles.corners, axis=1)[cell] == 0] = -1
    steps = tiles.level[cell].astype(np.float64)
    order = np.argsort(shape, kind="stable")
    found, starts = np.unique(shape[order], return_index=True)
    for key, points in zip(found.tolist(), np.split(order, starts)[1:], strict=True):
        if key >= 0:
            pattern, turn = divmod(key, 6)
            rises = tiles.catalogue.patterns[pattern].rises
            steps[points] += surface_rise(rises, turn, offset[points], board.corner0_deg)
    heights = np.full(len(bench_mm), NODATA, dtype=np.float32)
    heights[on_board] = level_to_metres(tiles.legal.levels, steps)
    return heights


def built_rows(tiles: Tiles, grid: SurfaceGrid, row0: int, row1: int) -> NDArray[np.float32]:
    """Return `built_m` in the middle of the pixels of these rows, (rows, width)."""
    bench_mm = grid.bench_mm(row0, row1).reshape(-1, 2)
    return built_m(tiles, grid.board, bench_mm).reshape(row1 - row0, grid.width)
