"""The globe: H3 cells as a lattice, for maps of whole regions.

H3 covers the sphere with hexagons and, at each resolution, twelve pentagons
(https://h3geo.org/docs/core-library/overview). The ground frame is longitude and latitude.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import chain, pairwise
from typing import TYPE_CHECKING, Any, Final, Literal, Self, cast

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import BoardError
from hexterra.lattice.board import EARTH_RADIUS_M, MAX_CELLS
from hexterra.lattice.hexagon import N_SIDES
from hexterra.lattice.lattice import Lattice
from hexterra.values import readonly

if TYPE_CHECKING:
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

#: Which cells cover an area: those whose centre lies in it, or all that share a point with it.
Rule = Literal["centre", "overlap"]

MAX_RESOLUTION: Final = 15

# H3 reads an edge longer than 180 degrees as one across the antimeridian; a strip has none.
_STRIP_DEG: Final = 90.0


@dataclass(frozen=True, eq=False, repr=False)
class Globe(Lattice):
    """H3 cells of one resolution.

    Parameters
    ----------
    cells
        H3 indexes as integers, (n_cells,) uint64; kept ascending, repeats dropped.

    Raises
    ------
    BoardError
        If there is no cell, an index is no H3 cell, resolutions differ, or a cell holds a pole,
        where longitude has no meaning.

    Notes
    -----
    A cell's corners are its topological ones, shared with its neighbours. Its outline `rings_xy`
    has further vertices where a cell of odd resolution crosses an edge of H3's icosahedron.
    `corner_xy` keeps longitudes from -180 to 180; `rings_xy` does not, so that no outline jumps.
    """

    cells: NDArray[np.uint64]

    def __post_init__(self) -> None:
        h3 = _h3()
        try:
            cells = np.unique(np.asarray(self.cells, dtype=np.uint64))
        except (OverflowError, TypeError, ValueError) as error:
            raise BoardError(
                f"H3 cells must be whole numbers of 64 bits: {error}",
                remedy="turn names of cells into integers with h3.str_to_int",
            ) from error
        if not len(cells):
            raise BoardError(
                "a globe needs at least one H3 cell, and none is given",
                remedy="name cells, or cover an area with `Globe.covering`",
            )
        invalid = [f"{cell:x}" for cell in cells.tolist() if not h3.is_valid_cell(cell)]
        if invalid:
            raise BoardError(
                f"{len(invalid)} of {len(cells)} indexes are not H3 cells, the first is"
                f" {invalid[0]}",
                remedy="give indexes of H3 cells, not of edges or vertexes",
                invalid=tuple(invalid),
            )
        resolutions = np.unique((cells >> np.uint64(52)) & np.uint64(15)).tolist()
        if len(resolutions) > 1:
            raise BoardError(
                f"the H3 cells mix resolutions {', '.join(map(str, resolutions))};"
                " neighbours need one",
                remedy="bring all cells to one resolution",
                resolutions=tuple(resolutions),
            )
        poles = [h3.latlng_to_cell(lat_deg, 0.0, resolutions[0]) for lat_deg in (90.0, -90.0)]
        polar = cells[np.isin(cells, np.array(poles, dtype=np.uint64))]
        if len(polar):
            raise BoardError(
                f"the H3 cell {int(polar[0]):x} holds a pole, where longitude has no meaning",
                remedy="leave the cell at the pole out",
                cell=f"{int(polar[0]):x}",
            )
        object.__setattr__(
            self, "cells", readonly(cells, dtype=np.uint64, shape=(None,), name="cells")
        )

    @classmethod
    def covering(cls, area: object, resolution: int, *, rule: Rule = "centre") -> Self:
        """Cover an area with the cells of one resolution.

        Parameters
        ----------
        area
            Bounds (west, south, east, north) in degrees, where west > east crosses the
            antimeridian; or a shapely polygon or multipolygon; or one as GeoJSON, a feature
            included. An outline in longitude and latitude has straight edges there, and is split
            at the antimeridian (RFC 7946, section 3.1.9).
        resolution
            0 to 15.
        rule
            "centre" takes the cells whose centre lies in the area, so areas that share an edge
            share no cell; "overlap" takes all cells that share a point with it.

        Raises
        ------
        BoardError
            If the area or resolution is none, the rule is unknown, more than `MAX_CELLS` cells
            would be needed, or no cell qualifies.
        """
        from shapely import box, get_parts

        is_whole = isinstance(resolution, int | np.integer) and not isinstance(resolution, bool)  # pyright: ignore[reportUnnecessaryIsInstance]
        if not is_whole or not 0 <= resolution <= MAX_RESOLUTION:
            raise BoardError(
                f"the H3 resolution is {resolution!r}; it must be a whole number from 0 to"
                f" {MAX_RESOLUTION}",
                remedy="choose a resolution from 0 to 15",
                resolution=resolution,
            )
        if rule not in ("centre", "overlap"):
            raise BoardError(
                f"the rule {rule!r} for covering an area is unknown",
                remedy='choose "centre" or "overlap"',
                rule=rule,
            )
        polygons = _polygons(area)
        _check_count(polygons, resolution, rule)
        h3 = _h3()
        contain = "center" if rule == "centre" else "overlap"
        found: list[NDArray[np.uint64]] = []
        for polygon in polygons:
            west, south, east, north = polygon.bounds
            n_strips = max(1, math.ceil((east - west) / _STRIP_DEG))
            edges = np.linspace(west, east, n_strips + 1)
            for left, right in pairwise(edges):
                strip = polygon.intersection(box(left, south, right, north))
                for part in get_parts(strip if n_strips > 1 else polygon):
                    if part.geom_type == "Polygon":  # else the strip touched a mere point or line
                        shape = h3.geo_to_h3shape(part)
                        cells = h3.h3shape_to_cells_experimental(shape, resolution, contain)
                        found.append(np.array(cells, dtype=np.uint64))
        if not sum(map(len, found)):
            raise BoardError(
                f"no H3 cell of resolution {resolution} has its centre in the area",
                remedy='choose a finer resolution, or the rule "overlap"',
                resolution=resolution,
            )
        return cls(np.concatenate(found))

    @property
    def n_cells(self) -> int:
        return len(self.cells)

    @property
    def resolution(self) -> int:
        """H3 resolution of all cells, 0 to 15."""
        return int(self.cells[0] >> np.uint64(52)) & 15

    @property
    def crs(self) -> str:
        return "OGC:CRS84"  # EPSG:4326 with longitude before latitude

    @property
    def has_straight_sides(self) -> bool:
        return False

    def only(self, present: NDArray[np.bool_]) -> Self:
        return type(self)(self.cells[present])

    # Ground ------------------------------------------------------------------------------------

    @cached_property
    def centre_xy(self) -> NDArray[np.float64]:
        to_latlng = _h3().cell_to_latlng
        return _lonlat(to_latlng(cell) for cell in self.cells.tolist())

    @cached_property
    def corner_xy(self) -> NDArray[np.float64]:
        to_latlng = _h3().vertex_to_latlng
        return _lonlat(to_latlng(vertex) for vertex in self._corner_tables[1].tolist())

    @property
    def rings_xy(self) -> NDArray[np.float64]:
        """Outline of each cell, counter-clockwise, (n_cells, k, 2) float64, in `crs`.

        Longitudes run on around the cell's centre, so may pass 180 or -180. A ring with fewer
        than k vertices repeats its last.
        """
        return self._rings

    @cached_property
    def _rings(self) -> NDArray[np.float64]:
        to_boundary = _h3().cell_to_boundary
        boundaries = [to_boundary(cell) for cell in self.cells.tolist()]
        count = np.fromiter(map(len, boundaries), dtype=np.int64, count=self.n_cells)
        vertices = _lonlat(chain.from_iterable(boundaries))
        first = np.cumsum(count) - count
        place = np.minimum(np.arange(count.max()), count[:, None] - 1)
        rings = vertices[first[:, None] + place]
        away = rings[..., 0] - self.centre_xy[:, :1]
        rings[..., 0] -= 360.0 * np.round(away / 360.0)
        rings.flags.writeable = False
        return rings

    @cached_property
    def area_m2(self) -> NDArray[np.float64]:
        """Ground area of each whole cell on H3's sphere, (n_cells,) float64, in square metres."""
        cell_area = _h3().cell_area
        areas = (cell_area(cell, "m^2") for cell in self.cells.tolist())
        area = np.fromiter(areas, dtype=np.float64, count=self.n_cells)
        area.flags.writeable = False
        return area

    @cached_property
    def labels(self) -> tuple[str, ...]:
        return tuple(f"{cell:x}" for cell in self.cells.tolist())

    # Topology ----------------------------------------------------------------------------------

    @property
    def corner_of(self) -> NDArray[np.int32]:  # type: ignore[override]
        return self._corner_tables[0]

    @cached_property
    def neighbours(self) -> NDArray[np.int32]:
        start = self.corner_of.astype(np.int64)
        end = np.roll(start, -1, axis=1)
        # A side is known by its two corners; two cells have a side in common, or one.
        name = (np.minimum(start, end) * self.n_corners + np.maximum(start, end)).ravel()
        order = np.argsort(name, kind="stable")
        twin = np.flatnonzero(name[order[1:]] == name[order[:-1]])
        here, there = order[twin], order[twin + 1]
        table = np.full(self.n_cells * N_SIDES, -1, dtype=np.int32)
        table[here] = there // N_SIDES
        table[there] = here // N_SIDES
        table = table.reshape(self.n_cells, N_SIDES)
        table.flags.writeable = False
        return table

    @cached_property
    def _corner_tables(self) -> tuple[NDArray[np.int32], NDArray[np.uint64]]:
        """`corner_of`, and the H3 vertex at each lattice corner, ascending."""
        to_vertexes = _h3().cell_to_vertexes
        vertexes = [to_vertexes(cell) for cell in self.cells.tolist()]
        full = [v if len(v) == N_SIDES else [*v, v[0]] for v in vertexes]  # pentagons
        flat = np.fromiter(chain.from_iterable(full), dtype=np.uint64, count=self.n_cells * N_SIDES)
        corners, number = np.unique(flat, return_inverse=True)
        corner_of = number.astype(np.int32).reshape(self.n_cells, N_SIDES)
        corner_of.flags.writeable = False
        return corner_of, corners


def _h3() -> Any:
    """Load H3 when a globe is first made; a planar board has no need of it."""
    import h3.api.basic_int as h3

    return h3


def _lonlat(points: Iterable[tuple[float, float]]) -> NDArray[np.float64]:
    """Turn (latitude, longitude) pairs into a read-only (k, 2) array, longitude first."""
    flat = np.fromiter(chain.from_iterable(points), dtype=np.float64)
    table = np.ascontiguousarray(flat.reshape(-1, 2)[:, ::-1])
    table.flags.writeable = False
    return table


def _polygons(area: object) -> list[Polygon]:
    """Read an area of any accepted kind as valid polygons in longitude and latitude."""
    from shapely import get_parts

    geometry = _geometry(area)
    if geometry.geom_type not in ("Polygon", "MultiPolygon") or geometry.is_empty:
        raise _no_area(f"a {geometry.geom_type.lower()}, or empty")
    if not geometry.is_valid:
        raise _no_area("an outline that crosses itself")
    west, south, east, north = geometry.bounds
    if west < -180.0 or east > 180.0 or south < -90.0 or north > 90.0:
        raise _no_area(
            f"from {west:g} to {east:g} degrees of longitude and {south:g} to {north:g} of latitude"
        )
    return list(get_parts(geometry))


def _geometry(area: object) -> BaseGeometry:
    from shapely import MultiPolygon, box
    from shapely.errors import ShapelyError
    from shapely.geometry import shape
    from shapely.geometry.base import BaseGeometry

    if isinstance(area, BaseGeometry):
        return area
    outline = getattr(area, "__geo_interface__", area)
    if isinstance(outline, Mapping):
        geojson = dict(cast("Mapping[str, Any]", outline))
        try:
            return shape(geojson["geometry"] if geojson.get("type") == "Feature" else geojson)
        except (ShapelyError, LookupError, TypeError, ValueError, AttributeError) as error:
            raise _no_area(f"unreadable GeoJSON ({error})") from error
    try:
        west, south, east, north = (float(edge) for edge in cast("Sequence[float]", area))
    except (TypeError, ValueError) as error:
        raise _no_area(f"{area!r}") from error
    if not (
        -180.0 <= west <= 180.0
        and -180.0 <= east <= 180.0
        and -90.0 <= south < north <= 90.0
        and west != east
    ):
        raise _no_area(f"bounds of west {west:g}, south {south:g}, east {east:g}, north {north:g}")
    if west < east:
        return box(west, south, east, north)
    boxes = [box(west, south, 180.0, north), box(-180.0, south, east, north)]
    return MultiPolygon([part for part in boxes if part.area > 0.0])


def _no_area(what: str) -> BoardError:
    return BoardError(
        f"the area to cover is {what}; it must be bounds (west, south, east, north) or polygons"
        " in degrees, longitude from -180 to 180 and latitude from -90 to 90, south below north",
        remedy="give bounds or polygons in longitude and latitude",
        area=what,
    )


def _check_count(polygons: Sequence[Polygon], resolution: int, rule: Rule) -> None:
    """Refuse an area of far too many cells before any is listed."""
    from shapely import area, length, transform

    h3 = _h3()
    # On the cylinder of equal area around the sphere, longitude runs on as is and latitude as
    # its sine (Lambert 1772; Snyder, USGS Professional Paper 1395, 1987, p. 76).
    on_cylinder = transform(
        polygons, lambda xy: np.column_stack([np.deg2rad(xy[:, 0]), np.sin(np.deg2rad(xy[:, 1]))])
    )
    ground_m2 = float(area(on_cylinder).sum()) * EARTH_RADIUS_M**2
    n_cells = ground_m2 / h3.average_hexagon_area(resolution, "m^2")
    if rule == "overlap":
        rim_m = float(np.deg2rad(length(polygons)).sum()) * EARTH_RADIUS_M
        n_cells += rim_m / h3.average_hexagon_edge_length(resolution, "m")
    if n_cells > MAX_CELLS:
        raise BoardError(
            f"the area needs about {n_cells:,.0f} H3 cells of resolution {resolution}; at most"
            f" {MAX_CELLS:,} fit one plan",
            remedy="choose a coarser resolution, or cut the area into several",
            n_cells=n_cells,
            resolution=resolution,
        )
