"""Cell outlines on the pixel grid of a raster, and how much ground a pixel holds.

Used by the gather stage before it reads any pixel. Pixel space is column to the right and row
downward; pixel (r, c) is the unit square [c, c + 1] x [r, r + 1].
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from hexterra.elevation import georeference
from hexterra.kernels.compiled import frozen
from hexterra.kernels.raster.edges import list_edges

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation
    from hexterra.lattice.lattice import Lattice

_PERIOD_TOLERANCE: Final = 1e-3  # pixels by which a full turn may miss whole pixels


@dataclass(frozen=True)
class Outlines:
    """The cells of a lattice in pixel space.

    Parameters
    ----------
    ring_xy
        (n_cells, k, 2) float64, columns and rows, not cut to the raster. Columns go on past a
        raster that runs round the globe.
    edge_xy
        (e, 4) float64, x0, y0, x1, y1 with y0 <= y1: all sides, once for both cells where they
        share one, cut to the raster.
    edge_cells
        (e, 2) int32. With rows drawn upward, the outline of the first cell runs
        counter-clockwise along the edge from end 0 to end 1, that of the second runs back; -1
        for none.
    corner_xy
        (n_corners, 2) float64, the lattice corners.
    is_cut
        (n_cells,) bool, whether a cell reaches beyond the raster.
    period
        Columns after which the raster begins again, 0 if it does not run round the globe.
    """

    ring_xy: NDArray[np.float64]
    edge_xy: NDArray[np.float64]
    edge_cells: NDArray[np.int32]
    corner_xy: NDArray[np.float64]
    is_cut: NDArray[np.bool_]
    period: int


def outline_cells(elevation: Elevation, lattice: Lattice) -> Outlines | None:
    """Carry the outlines of what is kept of each cell to the pixel grid of `elevation`.

    Vertices are projected exactly; between them, sides are straight in pixel space. In a
    geographic CRS, longitudes are shifted by whole turns so that no outline jumps and each lies
    where the raster is. None if a vertex has no place in the CRS of the raster.
    """
    to_raster = Transformer.from_crs(lattice.crs, elevation.crs, always_xy=True)
    period = columns_per_turn(elevation)

    def carry(points: NDArray[np.float64]) -> NDArray[np.float64]:
        x, y = to_raster.transform(points[..., 0], points[..., 1])
        return np.stack([x, y], axis=-1)

    if lattice.has_straight_sides and not lattice.is_cut:
        corner_xy = carry(lattice.corner_xy)
        if not np.isfinite(corner_xy).all():
            return None
        corner_xy = _to_pixels(elevation, corner_xy[None])[0]
        ring_xy = corner_xy[lattice.corner_of]
        sides = lattice.neighbours
    else:
        ring_xy, corner_xy = carry(lattice.kept_rings_xy), carry(lattice.corner_xy)
        if not (np.isfinite(ring_xy).all() and np.isfinite(corner_xy).all()):
            return None
        ring_xy = _to_pixels(elevation, ring_xy)
        corner_xy = _to_pixels(elevation, corner_xy[:, None])[:, 0]
        sides = _shared_sides(lattice, ring_xy)
    is_clockwise = bool(ring_areas(ring_xy[:1])[0] < 0.0)
    rows, columns = elevation.shape
    least = np.array([-np.inf if period else 0.0, 0.0])
    most = np.array([np.inf if period else float(columns), float(rows)])
    is_beyond = (ring_xy < least) | (ring_xy > most)
    is_cut: NDArray[np.bool_] = np.logical_or.reduce(is_beyond, axis=(1, 2))
    if not is_cut.any():
        edge_xy, edge_cells = list_edges(ring_xy, sides, is_clockwise)
        return Outlines(ring_xy, edge_xy, edge_cells, corner_xy, is_cut, period)
    is_shared = (sides >= 0) & ~is_cut[:, None] & ~is_cut[sides]
    own_sides = np.where(is_shared, sides, np.int32(-1))
    own_sides.flags.writeable = False
    edge_xy, edge_cells = list_edges(ring_xy, own_sides, is_clockwise)
    is_whole = ~is_cut[edge_cells.max(axis=1)]
    cells, parts = _clip(ring_xy, np.flatnonzero(is_cut), least, most)
    alone = frozen(np.full(parts.shape[:2], -1, dtype=np.int32))
    part_xy, part_cells = list_edges(parts, alone, is_clockwise)
    # Along the top border nothing lies above, so those edges add nothing.
    part_xy, part_cells = part_xy[part_xy[:, 3] > 0.0], part_cells[part_xy[:, 3] > 0.0]
    edge_xy = np.concatenate([edge_xy[is_whole], part_xy])
    edge_cells = np.concatenate([edge_cells[is_whole], _renumber(part_cells, cells)])
    return Outlines(ring_xy, edge_xy, edge_cells, corner_xy, is_cut, period)


def ring_areas(ring_xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Signed area of each ring, (n, k, 2), positive if counter-clockwise: the shoelace rule."""
    from_first = ring_xy - ring_xy[:, :1]
    there = np.roll(from_first, -1, axis=1)
    cross = from_first[..., 0] * there[..., 1] - from_first[..., 1] * there[..., 0]
    return cross.sum(axis=1) / 2.0


def columns_per_turn(elevation: Elevation) -> int:
    """Tell after how many columns a raster round the globe begins again; 0 if it does not."""
    if not elevation.is_geographic or elevation.affine.b or elevation.affine.d:
        return 0
    exact = georeference.full_turn(CRS(elevation.crs)) / abs(elevation.affine.a)
    period = round(exact)
    fits = abs(exact - period) < _PERIOD_TOLERANCE and period <= elevation.shape[1]
    return period if fits else 0


def _to_pixels(elevation: Elevation, groups: NDArray[np.float64]) -> NDArray[np.float64]:
    """Carry groups of points, (g, k, 2) in the CRS of the raster, to pixel space.

    In a geographic CRS each group is brought together, then as a whole near the raster.
    """
    if elevation.is_geographic:
        turn = georeference.full_turn(CRS(elevation.crs))
        lon = groups[..., 0]
        lon = lon - turn * np.rint((lon - lon[:, :1]) / turn)
        middle = (lon.min(axis=1) + lon.max(axis=1)) / 2.0
        raster_middle = (elevation.bounds[0] + elevation.bounds[2]) / 2.0
        lon = lon - turn * np.rint((middle - raster_middle) / turn)[:, None]
        groups = np.stack([lon, groups[..., 1]], axis=-1)
    return georeference.apply(~elevation.affine, groups.reshape(-1, 2)).reshape(groups.shape)


def _shared_sides(lattice: Lattice, ring_xy: NDArray[np.float64]) -> NDArray[np.int32]:
    """Tell which cell has just the same side, (n_cells, k) int32; -1 for none.

    Vertices must agree bit for bit, as most do. Others are rounded differently, lie a turn of the
    globe apart, or are numbered on where an outline has more vertices than its cell has corners.
    """
    n_vertices = ring_xy.shape[1]
    sides = np.full(ring_xy.shape[:2], -1, dtype=np.int32)
    cell, side = np.nonzero(lattice.neighbours >= 0)
    there, back = lattice.neighbours[cell, side], lattice.back_sides[cell, side]
    start, end = ring_xy[cell, side], ring_xy[cell, (side + 1) % n_vertices]
    is_same = (start == ring_xy[there, (back + 1) % n_vertices]) & (end == ring_xy[there, back])
    agrees = is_same.all(axis=1)
    sides[cell[agrees], side[agrees]] = there[agrees]
    sides.flags.writeable = False  # as those of a board: the kernel is compiled once
    return sides


def _clip(
    ring_xy: NDArray[np.float64],
    cells: NDArray[np.intp],
    least: NDArray[np.float64],
    most: NDArray[np.float64],
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Clip the outlines of some cells to the raster; return those of which anything is left.

    One border after the other (Sutherland and Hodgman, Reentrant polygon clipping, Communications
    of the ACM 17, 1974): what is left of a convex outline is convex. A ring with fewer vertices
    than another repeats its last. `least` and `most` are the first and past-the-last column, and
    row.
    """
    lowest, highest = ring_xy[cells].min(axis=1), ring_xy[cells].max(axis=1)
    reaches = ((highest > least) & (lowest < most)).all(axis=1)
    kept: list[int] = []
    rings: list[NDArray[np.float64]] = []
    for cell in cells[reaches].tolist():
        ring = ring_xy[cell]
        for axis in (0, 1):
            for border, sign in ((least[axis], 1.0), (most[axis], -1.0)):
                ring = _within(ring, axis, float(border), sign)
        if len(ring) > 2:
            kept.append(cell)
            rings.append(ring)
    n_vertices = max((len(ring) for ring in rings), default=3)
    parts = np.empty((len(rings), n_vertices, 2))
    for part, ring in zip(parts, rings, strict=True):
        part[:] = ring[np.minimum(np.arange(n_vertices), len(ring) - 1)]
    return np.array(kept, dtype=np.int32), parts


def _within(
    ring: NDArray[np.float64], axis: int, border: float, sign: float
) -> NDArray[np.float64]:
    """Clip an outline, (k, 2), to where `sign` times a coordinate is not below that of a border."""
    inside = sign * (ring[:, axis] - border) if np.isfinite(border) else np.ones(len(ring))
    if (inside >= 0.0).all():
        return ring
    points: list[NDArray[np.float64]] = []
    for k in range(len(ring)):
        here, there, h, t = ring[k - 1], ring[k], inside[k - 1], inside[k]
        if (h < 0.0) != (t < 0.0):
            crossing = here + (there - here) * (h / (h - t))
            crossing[axis] = border
            points.append(crossing)
        if t >= 0.0:
            points.append(there)
    return np.array(points).reshape(-1, 2)


def _renumber(edge_cells: NDArray[np.int32], cells: NDArray[np.int32]) -> NDArray[np.int32]:
    """Put the numbers of cells for their places in a list; -1 stays."""
    return np.where(edge_cells < 0, np.int32(-1), cells[edge_cells])


@dataclass(frozen=True)
class PixelWeights:
    """How much ground pixels hold, relative to each other.

    In a projected CRS all weigh 1. In a geographic one a pixel weighs by its true area on the
    ellipsoid: a band of latitude by the difference of q, formula 3-12 of Snyder, Map Projections:
    A Working Manual, USGS Professional Paper 1395 (1987), p. 16; where the raster is rotated, a
    pixel by dq / d latitude at its centre.
    """

    elevation: Elevation

    @cached_property
    def _crs(self) -> CRS:
        return CRS(self.elevation.crs)

    @property
    def differ_in_rows(self) -> bool:
        """Whether pixels of one row weigh differently."""
        return self.elevation.is_geographic and self.elevation.affine.d != 0.0

    def of_rows(self, row0: int, row1: int) -> NDArray[np.float64]:
        """Weights of the pixels in rows `row0` to `row1`; 1 if they `differ_in_rows`."""
        if not self.elevation.is_geographic or self.differ_in_rows:
            return np.ones(row1 - row0)
        rows = np.arange(row0, row1 + 1, dtype=np.float64)
        lat = self._latitude(np.zeros_like(rows), rows)
        height = abs(self.elevation.affine.e) * self._radians_per_unit
        return np.abs(np.diff(self._q(lat))) / height

    def of_pixels(self, row0: int, row1: int, column0: int, column1: int) -> NDArray[np.float64]:
        """Weights of the pixels of a window, where they `differ_in_rows`."""
        rows = np.arange(row0, row1)[:, None] + 0.5
        columns = np.arange(column0, column1) + 0.5
        return self._density(self._latitude(columns, rows))

    def of_rings(self, ring_xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Weight of each whole outline, (n, k, 2) in pixel space, on the raster or beyond it.

        Each triangle from the middle of the outline by the rule of its three side midpoints,
        exact where the weight is quadratic (Strang and Fix, An Analysis of the Finite Element
        Method, 1973, table 4.1).
        """
        if not self.elevation.is_geographic:
            return np.abs(ring_areas(ring_xy))
        middle = np.broadcast_to(ring_xy.mean(axis=1, keepdims=True), ring_xy.shape)
        there = np.roll(ring_xy, -1, axis=1)
        total = np.zeros(ring_xy.shape[:2])
        for p, q in ((middle, ring_xy), (ring_xy, there), (there, middle)):
            point = (p + q) / 2.0
            lat = self._latitude(point[..., 0], point[..., 1])
            total += self._density(lat) / 3.0
        a, b = ring_xy - middle, there - middle
        area = (a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]) / 2.0
        return np.abs((area * total).sum(axis=1))

    @property
    def _radians_per_unit(self) -> float:
        return 2.0 * np.pi / georeference.full_turn(self._crs)

    @cached_property
    def _eccentricity2(self) -> float:
        geod = self._crs.get_geod()
        return 0.0 if geod is None else float(geod.es)

    def _latitude(
        self, columns: NDArray[np.floating[Any]], rows: NDArray[np.floating[Any]]
    ) -> NDArray[np.float64]:
        _, _, _, d, e, f = tuple(self.elevation.affine)[:6]
        lat = (d * columns + e * rows + f) * self._radians_per_unit
        return np.clip(lat, -np.pi / 2.0, np.pi / 2.0)

    def _q(self, lat: NDArray[np.float64]) -> NDArray[np.float64]:
        """Area from the equator to `lat`, in radians, per radian and half squared major axis."""
        e2 = self._eccentricity2
        sine = np.sin(lat)
        if e2 == 0.0:
            return 2.0 * sine
        e = np.sqrt(e2)
        return (1.0 - e2) * (sine / (1.0 - e2 * sine**2) + np.arctanh(e * sine) / e)

    def _density(self, lat: NDArray[np.float64]) -> NDArray[np.float64]:
        e2 = self._eccentricity2
        return 2.0 * (1.0 - e2) * np.cos(lat) / (1.0 - e2 * np.sin(lat) ** 2) ** 2
