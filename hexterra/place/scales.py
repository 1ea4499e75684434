"""The largest ground a board can show: scales, and what a board would cover at each."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

from hexterra.elevation.elevation import Elevation
from hexterra.errors import BoardError, CoverageError
from hexterra.lattice.board import Board, Edges
from hexterra.lattice.hexagon import Facing, corner_offsets
from hexterra.place.survey import block_side, extent_km, usable_blocks
from hexterra.rounding import round_down
from hexterra.units import MM_PER_M

#: A cell with less of a pixel than this across its flats shows nothing that was measured.
_LEAST_PIXELS_PER_CELL: Final = 0.5
#: Shares of usable pixels that every cell should have: all but a speck, else what `gather` needs.
_WANTED_COVERAGE: Final = (0.98, 0.5)
#: How far a hexagon may reach past the raster, in pixels: what rounding alone can do.
_TOUCH_PIXELS: Final = 1e-6


def fit_scale(
    elevation: Elevation,
    *,
    columns: int,
    rows: int,
    across_flats_mm: float = 100.0,
    facing: Facing = "points",
    edges: Edges = "straight",
    bearing_deg: float = 0.0,
    lon_deg: float | None = None,
    lat_deg: float | None = None,
) -> float:
    """Find the largest round scale denominator at which a board lies inside a raster.

    Every hexagon lies on the raster *whole*, also where the board's edge cuts it, and on usable
    pixels if that can be had at any scale; if not, on half usable pixels; failing that, voids are
    left for `gather` to decide.

    Parameters
    ----------
    elevation
        The raster.
    columns, rows, across_flats_mm, facing, edges, bearing_deg, lon_deg, lat_deg
        As for `Board`. The middle of the board is the middle of the raster by default.

    Raises
    ------
    BoardError
        If a size is out of its range.
    CoverageError
        If the middle of the board lies off the raster, or cells would be smaller than half a
        pixel.
    """
    if lon_deg is None or lat_deg is None:
        lon_deg, lat_deg = middle(elevation)
    board_at = partial(
        Board,
        columns=columns,
        rows=rows,
        across_flats_mm=across_flats_mm,
        facing=facing,
        edges=edges,
        bearing_deg=bearing_deg,
        lon_deg=lon_deg,
        lat_deg=lat_deg,
    )
    return largest_board(elevation, usable_blocks(elevation), board_at).scale


def largest_board(
    elevation: Elevation,
    block_usable: NDArray[np.float64],
    board_at: Callable[..., Board],
    below: float = math.inf,
) -> Board:
    """Find the board of the largest round scale under `below` that lies inside a raster.

    Parameters
    ----------
    elevation
        The raster.
    block_usable
        Share of usable pixels of each block, from `usable_blocks`.
    board_at
        Gives the board at ``scale=``.
    below
        The scale must be less than this.

    Raises
    ------
    BoardError
        If a size other than the scale is out of its range.
    CoverageError
        If there is none.
    """
    sample = board_at(scale=1.0)  # refuses every size that is out of its range
    width_m, depth_m = (km * 1000.0 for km in extent_km(elevation))
    reach_m = math.hypot(width_m, depth_m)
    pixel_m = min(width_m / elevation.shape[1], depth_m / elevation.shape[0])
    least = max(1.0, _LEAST_PIXELS_PER_CELL * pixel_m / sample.across_flats_m)
    to_raster = Transformer.from_crs(sample.crs, elevation.crs, always_xy=True)
    has_voids = bool((block_usable < 1.0).any())
    best: tuple[int, Board] | None = None
    scale = round_down(min(reach_m * MM_PER_M / min(sample.size_mm), 0.999_999 * below, 1e9))
    while scale >= least:
        board = _board_inside(elevation, board_at, scale, to_raster)
        if board is not None:
            coverage = (
                _least_coverage(board, elevation, block_usable, to_raster) if has_voids else 1.0
            )
            grade = sum(coverage >= wanted for wanted in _WANTED_COVERAGE)
            if best is None or grade > best[0]:
                best = grade, board
            if grade == len(_WANTED_COVERAGE):
                break
        scale = round_down(0.999_999 * scale)
    if best is None:
        raise _no_board(elevation, sample, least, to_raster)
    return best[1]


def _board_inside(
    elevation: Elevation, board_at: Callable[..., Board], scale: float, to_raster: Transformer
) -> Board | None:
    """Lay out a board, or None if it reaches past the raster or cannot exist at this scale."""
    try:
        board = board_at(scale=scale)
    except BoardError:  # so much ground that no plane frame is true to it
        return None
    size_mm = np.array(board.size_mm)
    margin_mm = np.zeros(2)
    if board.edges == "straight":  # the outermost centres lie on the edges
        margin_mm = np.abs(corner_offsets(board.across_flats_mm, board.facing)).max(axis=0)
    along = np.linspace(0.0, 1.0, 17)[:, None]
    ends = (
        np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]) * (size_mm + 2 * margin_mm) - margin_mm
    )
    outline_mm = np.vstack([a + along * (b - a) for a, b in pairwise(ends)])
    pixel = to_pixel(board, outline_mm, elevation, to_raster)
    limits = np.array(elevation.shape[::-1])
    is_inside = (pixel >= -_TOUCH_PIXELS) & (pixel <= limits + _TOUCH_PIXELS)
    return board if is_inside.all() else None


def _least_coverage(
    board: Board,
    elevation: Elevation,
    block_usable: NDArray[np.float64],
    to_raster: Transformer,
) -> float:
    """Estimate the share of usable pixels of the worst covered cell, from blocks of pixels."""
    corners_mm = corner_offsets(board.across_flats_mm, board.facing)
    spread_mm = np.vstack([np.zeros((1, 2)), 0.45 * corners_mm, 0.9 * corners_mm])
    points_mm = (board.centre_mm[:, None] + spread_mm).reshape(-1, 2)
    pixel = to_pixel(board, points_mm, elevation, to_raster)
    block = block_side(elevation)
    at = np.clip(pixel // block, 0, np.array(block_usable.shape[::-1]) - 1).astype(np.intp)
    share = block_usable[at[:, 1], at[:, 0]].reshape(board.n_cells, -1)
    return float(share.mean(axis=1).min())


def _no_board(
    elevation: Elevation, sample: Board, least: float, to_raster: Transformer
) -> CoverageError:
    """Say why no scale fits."""
    rows, columns = elevation.shape
    middle_mm = np.array([sample.size_mm]) / 2.0
    ((column, row),) = to_pixel(sample, middle_mm, elevation, to_raster)
    if not (0 <= column <= columns and 0 <= row <= rows):
        return CoverageError(
            f"the middle of the board, {sample.lon_deg:.6f} degrees east {sample.lat_deg:.6f}"
            f" degrees north, lies off {elevation.name!r}: at pixel column {column:.0f} of"
            f" {columns}, row {row:.0f} of {rows}",
            remedy="move the middle of the board onto the raster",
            lon_deg=sample.lon_deg,
            lat_deg=sample.lat_deg,
        )
    return CoverageError(
        f"no board of {sample.columns} x {sample.rows} cells around {sample.lon_deg:.6f} degrees"
        f" east {sample.lat_deg:.6f} degrees north lies inside {elevation.name!r}"
        f" ({columns} x {rows} pixels) with cells of at least {_LEAST_PIXELS_PER_CELL:g} pixels,"
        f" which takes a scale of 1:{least:,.0f} or more",
        remedy="ask for fewer columns and rows, move the board toward the middle of the raster,"
        " or use a finer or larger raster",
        columns=sample.columns,
        rows=sample.rows,
        least_scale=least,
    )


def to_pixel(
    board: Board, bench_mm: NDArray[np.float64], elevation: Elevation, to_raster: Transformer
) -> NDArray[np.float64]:
    """Carry bench points, (k, 2) in millimetres, to pixel columns and rows; infinite if nowhere."""
    ground = board.bench_mm_to_ground_m(bench_mm)
    x, y = to_raster.transform(ground[:, 0], ground[:, 1])
    return elevation.to_pixel(np.column_stack([x, y]))


def middle(elevation: Elevation) -> tuple[float, float]:
    """Find longitude and latitude of the middle of the raster, in degrees.

    Raises
    ------
    CoverageError
        If it is not a place on the globe.
    """
    rows, columns = elevation.shape
    ((x, y),) = elevation.to_crs(np.array([[columns / 2.0, rows / 2.0]]))
    return place_on_globe(elevation, float(x), float(y))


def place_on_globe(elevation: Elevation, x: float, y: float) -> tuple[float, float]:
    """Find longitude and latitude of a place in the raster's own coordinates, in degrees.

    Raises
    ------
    CoverageError
        If it is not a place on the globe.
    """
    to_wgs84 = Transformer.from_crs(elevation.crs, "EPSG:4326", always_xy=True)
    lon_deg, lat_deg = to_wgs84.transform(x, y)
    if not (abs(lat_deg) <= 90.0 and abs(lon_deg) <= 360.0):  # also where PROJ answers infinity
        raise CoverageError(
            f"the middle of the board, x {x:g} y {y:g} in the coordinates of {elevation.name},"
            " is not a place on the globe",
            remedy="give board.x and board.y in the raster's own coordinates, or lon_deg, lat_deg",
            x=x,
            y=y,
        )
    return (lon_deg + 180.0) % 360.0 - 180.0, lat_deg
