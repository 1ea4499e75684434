"""Cells and features in one frame of equal area, so that lengths and shares of area are true.

Used by `ways` and `cover` before anything else. On a board the frame is the board's own; for
cells of the globe it is the Lambert azimuthal equal-area projection around their middle (Snyder,
Map Projections: A Working Manual, USGS Professional Paper 1395, 1987, p. 182).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from hexterra.errors import BoardError
from hexterra.lattice.board import Board
from hexterra.vectors.board_frame import bounds_around

if TYPE_CHECKING:
    from hexterra.lattice.lattice import Lattice
    from hexterra.vectors.features import Features

#: Straight pieces of a feature are cut to this share of a cell before they are carried over, for
#: what is straight in one frame is not in another. Over an eighth of a cell of 10 km, a straight
#: line in degrees at 60 degrees of latitude bends by 0.05 m (length^2 * tan(latitude) / 8 R).
_PIECE_CELLS: Final = 0.125
_M_PER_DEG: Final = 111_195.0  # of a great circle, on the mean radius of WGS 84
_MAX_REACH_DEG: Final = 85.0


@dataclass(frozen=True)
class LocalFrame:
    """Where the cells lie in a frame of equal area.

    Parameters
    ----------
    crs
        The frame, in metres.
    ring_xy
        Outline of what is kept of each cell, (n_cells, k, 2) float64, counter-clockwise; a ring
        with fewer than k vertices repeats its last.
    centre_xy
        Centres of the whole cells, (n_cells, 2) float64.
    pitch_m
        Distance between centres, (n_cells,) float64: exact on a board; on the globe, that of
        regular hexagons as large as the cell.
    """

    crs: str
    ring_xy: NDArray[np.float64]
    centre_xy: NDArray[np.float64]
    pitch_m: NDArray[np.float64]

    @cached_property
    def outlines(self) -> NDArray[Any]:
        """`ring_xy` as shapely polygons, (n_cells,) object."""
        return np.asarray(shapely.polygons(self.ring_xy), dtype=object)


def place_cells(lattice: Lattice) -> LocalFrame:
    """Lay the outlines of cells out in a frame of equal area.

    Raises
    ------
    BoardError
        If the cells reach further than `_MAX_REACH_DEG` from their middle.
    """
    pitch = np.sqrt(lattice.area_m2 * 2.0 / np.sqrt(3.0))
    if isinstance(lattice, Board):
        return LocalFrame(lattice.crs, lattice.kept_rings_xy, lattice.centre_xy, pitch)
    crs = _frame_around(lattice)
    to_frame = Transformer.from_crs(lattice.crs, crs, always_xy=True)

    def carry(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.stack(to_frame.transform(points[..., 0], points[..., 1]), axis=-1)

    return LocalFrame(crs, carry(lattice.rings_xy), carry(lattice.centre_xy), pitch)


def _frame_around(lattice: Lattice) -> str:
    """Return the equal-area projection around the middle of cells given in degrees."""
    lon, lat = np.deg2rad(lattice.centre_xy).T
    on_sphere = np.column_stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    middle = on_sphere.sum(axis=0)
    middle /= max(float(np.linalg.norm(middle)), 1e-300)
    reach_deg = float(np.rad2deg(np.arccos(np.clip(on_sphere @ middle, -1.0, 1.0)).max()))
    if reach_deg > _MAX_REACH_DEG:
        raise BoardError(
            f"the cells reach {reach_deg:.0f} degrees of arc from their middle; lines and areas"
            f" can be put on cells within {_MAX_REACH_DEG:g} degrees",
            remedy="take the cells in several regions",
            reach_deg=reach_deg,
        )
    lon_0 = float(np.rad2deg(np.arctan2(middle[1], middle[0])))
    lat_0 = float(np.rad2deg(np.arcsin(middle[2])))
    return f"+proj=laea +lat_0={lat_0!r} +lon_0={lon_0!r} +datum=WGS84 +units=m +no_defs"


class Line(NamedTuple):
    """A line, or the part of one that comes near the cells, in the frame of a `LocalFrame`."""

    feature: int  # the first of those that were joined to it
    xy: NDArray[np.float64]  # (k, 2) in metres, short pieces
    goes_before: bool  # whether more of it lies before the first point
    goes_after: bool


def carry_lines(features: Features, lattice: Lattice, place: LocalFrame) -> list[Line]:
    """Carry lines to the frame of the cells: those parts that come near them, in order.

    Lines of one kind and name are joined where the end of one is the start of just one other.
    """
    crs = CRS(features.crs)
    boxes = bounds_around(lattice, crs)
    to_frame = Transformer.from_crs(crs, place.crs, always_xy=True)
    longest = _piece(crs, place)
    carried: list[Line] = []
    for feature, line in _joined(features):
        xy = shapely.get_coordinates(line)
        least, greatest = np.minimum(xy[:-1], xy[1:]), np.maximum(xy[:-1], xy[1:])
        is_near = np.zeros(len(least), dtype=bool)
        for west, south, east, north in boxes:
            is_near |= ((least <= (east, north)) & (greatest >= (west, south))).all(axis=1)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], is_near, [False]])))
        for first, past in edges.reshape(-1, 2):
            part = shapely.segmentize(shapely.linestrings(xy[first : past + 1]), longest)
            points = shapely.get_coordinates(part)
            on_frame = np.column_stack(to_frame.transform(points[:, 0], points[:, 1]))
            carried.append(Line(feature, on_frame, bool(first > 0), bool(past < len(is_near))))
    return carried


def _joined(features: Features) -> list[tuple[int, Any]]:
    """Join the lines of each kind and name; those without a name stay by themselves."""
    groups: dict[tuple[str, str, int], list[int]] = {}
    for i in range(features.n_features):
        name = features.name[i]
        groups.setdefault((features.kind[i], name, -1 if name else i), []).append(i)
    shapes = features.geometries()
    joined: list[tuple[int, Any]] = []
    for members in groups.values():
        parts, index = shapely.get_parts(shapes[members], return_index=True)
        first_of: dict[tuple[float, float], int] = {}
        for part, i in zip(parts, index, strict=True):
            for x, y in shapely.get_coordinates(part):
                first_of.setdefault((float(x), float(y)), members[i])
        if len(parts) == 1:
            joined.append((members[0], parts[0]))
            continue
        merged = shapely.line_merge(shapely.multilinestrings(parts), directed=True)
        pieces = shapely.get_parts(merged).tolist()
        starts = [first_of[tuple(shapely.get_coordinates(p)[0].tolist())] for p in pieces]
        joined += sorted(zip(starts, pieces, strict=True), key=lambda pair: pair[0])
    return joined


class Area(NamedTuple):
    """The part of an area that lies near the cells, in the frame of a `LocalFrame`."""

    feature: int
    polygon: Any


def carry_areas(features: Features, lattice: Lattice, place: LocalFrame) -> list[Area]:
    """Carry areas to the frame of the cells: what of them lies near these, in order."""
    crs = CRS(features.crs)
    to_frame = Transformer.from_crs(crs, place.crs, always_xy=True)
    longest = _piece(crs, place)
    parts, feature = shapely.get_parts(features.geometries(), return_index=True)
    carried: list[Area] = []
    for box in bounds_around(lattice, crs):
        near = shapely.box(*box)
        for i in np.flatnonzero(shapely.intersects(parts, near)):
            kept = shapely.segmentize(shapely.intersection(parts[i], near), longest)
            shape = shapely.transform(
                kept, lambda xy: np.column_stack(to_frame.transform(xy[:, 0], xy[:, 1]))
            )
            if not shapely.is_valid(shape):  # rounding made a needle cross itself
                shape = shapely.make_valid(shape)
            carried += [
                Area(int(feature[i]), polygon)
                for polygon in shapely.get_parts(shape)
                if polygon.geom_type == "Polygon"
            ]
    carried.sort(key=lambda area: area.feature)
    return carried


def _piece(crs: CRS, place: LocalFrame) -> float:
    """Longest straight piece that is carried over as such, in units of `crs`."""
    longest_m = _PIECE_CELLS * float(place.pitch_m.min())
    unit = crs.axis_info[0].unit_conversion_factor
    return longest_m / (np.rad2deg(unit) * _M_PER_DEG if crs.is_geographic else unit)
