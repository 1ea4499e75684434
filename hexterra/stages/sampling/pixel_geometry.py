"""What the pixels of a raster are on the ground: steps, distances, areas, windows under a board.

Used by the drain and route stages.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from hexterra.elevation.pixels import Window
from hexterra.stages.sampling.outlines import PixelWeights, outline_cells

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation
    from hexterra.lattice.lattice import Lattice

_UNITS_PER_PIXEL: Final = 2**20

#: Rows down and columns right of the neighbour that each direction code names.
STEP_OF_CODE: Final[dict[int, tuple[int, int]]] = {
    1: (0, 1),
    2: (1, 1),
    4: (1, 0),
    8: (1, -1),
    16: (0, -1),
    32: (-1, -1),
    64: (-1, 0),
    128: (-1, 1),
}


def pixel_steps(n_columns: int) -> NDArray[np.int64]:
    """Difference of pixel numbers for each of the 256 direction codes; 0 where water stays."""
    steps = np.zeros(256, dtype=np.int64)
    for code, (d_row, d_column) in STEP_OF_CODE.items():
        steps[code] = d_row * n_columns + d_column
    return steps


def area_unit(least_m2: float, largest_m2: float) -> float:
    """Choose what to count areas in, in m2: a pixel if all are alike, or 2^-20 of the largest.

    No pixel is more than 2^20 units, so sums of fewer than 2^33 of them are exact.
    """
    return largest_m2 if least_m2 == largest_m2 else largest_m2 / _UNITS_PER_PIXEL


def in_units(area_m2: NDArray[np.float64], unit_m2: float) -> NDArray[np.float64]:
    """Express pixel areas in whole units, at least one each."""
    return np.maximum(np.rint(area_m2 / unit_m2), 1.0)


def pixel_areas(elevation: Elevation, window: Window) -> NDArray[np.float64]:
    """Ground area of pixels in square metres: (rows, 1), or (rows, columns) if rows vary."""
    crs, affine = CRS(elevation.crs), elevation.affine
    determinant = abs(affine.determinant)
    if not elevation.is_geographic:
        return np.full((window.shape[0], 1), determinant * _metres_per_unit(crs) ** 2)
    weights = PixelWeights(elevation)
    geod = crs.get_geod()
    axis_m = 6_371_008.8 if geod is None else float(geod.a)
    scale = determinant * _metres_per_unit(crs) ** 2 * axis_m**2 / 2.0
    if weights.differ_in_rows:
        return weights.of_pixels(*window) * scale
    return weights.of_rows(window.row0, window.row1)[:, None] * scale


def pixel_distances(elevation: Elevation, window: Window) -> NDArray[np.float64]:
    """Ground distance along rows, along columns and along diagonals, (rows, 3), in metres.

    On a geographic raster with the radii of curvature at the latitude of the middle of the row
    (Snyder, Map Projections: A Working Manual, USGS Professional Paper 1395, 1987, p. 24-25).
    """
    crs, affine = CRS(elevation.crs), elevation.affine
    unit = _metres_per_unit(crs)
    x_m = y_m = np.full(window.shape[0], unit)
    if elevation.is_geographic:
        row = np.arange(window.row0, window.row1) + 0.5
        column = (window.column0 + window.column1) / 2.0
        lat = np.clip((affine.d * column + affine.e * row + affine.f) * unit, -1.57, 1.57)
        geod = crs.get_geod()
        axis_m, e2 = (6_371_008.8, 0.0) if geod is None else (float(geod.a), float(geod.es))
        w2 = 1.0 - e2 * np.sin(lat) ** 2
        x_m = axis_m / np.sqrt(w2) * np.cos(lat) * unit
        y_m = axis_m * (1.0 - e2) / w2**1.5 * unit
    along = np.hypot(affine.a * x_m, affine.d * y_m)
    across = np.hypot(affine.b * x_m, affine.e * y_m)
    return np.column_stack([along, across, np.hypot(along, across)])


def _metres_per_unit(crs: Any) -> float:
    """Length of the unit of the axes in metres, or in radians if they are angles."""
    return float(crs.axis_info[0].unit_conversion_factor)


def window_of(elevation: Elevation, lattice: Lattice) -> Window:
    """Rows and columns that the whole cells reach, within the raster."""
    outlines = outline_cells(elevation, lattice)
    rows, columns = elevation.shape
    if outlines is None:
        return Window(0, rows, 0, columns)
    points = np.concatenate((outlines.ring_xy.reshape(-1, 2), outlines.corner_xy))
    least = np.floor(points.min(axis=0)).astype(int) - 1
    most = np.ceil(points.max(axis=0)).astype(int) + 1
    row0, row1 = np.clip((least[1], most[1]), 0, rows)
    column0, column1 = np.clip((least[0], most[0]), 0, columns)
    if row1 - row0 < 1 or column1 - column0 < 1:
        return Window(0, rows, 0, columns)
    return Window(int(row0), int(row1), int(column0), int(column1))


def pixels_in(elevation: Elevation, window: Window, length_m: float) -> tuple[int, int]:
    """Rows and columns that make up a length on the ground, rounded up."""
    along, across, _ = pixel_distances(elevation, window).min(axis=0)
    return math.ceil(length_m / across), math.ceil(length_m / along)


def grown(window: Window, limit: Window, by: tuple[int, ...]) -> Window:
    """Grow a window by rows above and below and columns before and after, within `limit`."""
    return Window(
        max(window.row0 - by[0], limit.row0),
        min(window.row1 + by[1], limit.row1),
        max(window.column0 - by[2], limit.column0),
        min(window.column1 + by[3], limit.column1),
    )
