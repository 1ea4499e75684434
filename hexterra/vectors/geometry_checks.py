"""What makes lines and areas usable: one shape, sound outlines, coordinates that are true.

Part of reading: every check raises one clear error.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Transformer

from hexterra.errors import CrsError, VectorError

if TYPE_CHECKING:
    from pyproj import CRS

_SHAPE_OF_TYPE: Final = {
    "LineString": "lines",
    "LinearRing": "lines",
    "MultiLineString": "lines",
    "Polygon": "areas",
    "MultiPolygon": "areas",
    "Point": "points",
    "MultiPoint": "points",
}
_MARGIN_DEG: Final = 1.0  # by which data may lie beyond the area a CRS is meant for


def shapes_of(where: str, number: NDArray[Any], wkb: NDArray[Any]) -> NDArray[Any]:
    """Turn well-known binary into geometries, None where there is none.

    Raises
    ------
    VectorError
        If one cannot be read, such as an outline of two points.
    """
    with np.errstate(invalid="ignore"):  # what is no number is refused later, by its place
        shapes = np.asarray(shapely.from_wkb(wkb, on_invalid="ignore"), dtype=object)
    is_lost = np.array([held is not None for held in wkb], dtype=bool) & shapely.is_missing(shapes)
    if is_lost.any():
        first = int(number[is_lost.argmax()])
        raise VectorError(
            f"feature {first} of {where} is not a line or area: its geometry cannot be read",
            remedy="delete the feature, or draw it again",
            feature=first,
        )
    return shapes


def is_there(shapes: NDArray[Any]) -> NDArray[np.bool_]:
    """Tell which geometries have any coordinates."""
    return ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))


def flatten(shapes: NDArray[Any]) -> tuple[NDArray[Any], int]:
    """Drop heights and measures; return the geometries and how many carried any."""
    has_more = shapely.get_coordinate_dimension(shapes) > 2
    return np.asarray(shapely.force_2d(shapes), dtype=object), int(has_more.sum())


def check_shape(where: str, shapes: NDArray[Any], wanted: str) -> None:
    """Refuse all but the wanted shape.

    Raises
    ------
    VectorError
        If there are features of other shapes, or collections of several.
    """
    count = Counter(_SHAPE_OF_TYPE.get(held.geom_type, "collections") for held in shapes)
    if set(count) == {wanted}:
        return
    held = " and ".join(f"{name} ({n})" for name, n in sorted(count.items()))
    is_mixed = len(count) > 1
    raise VectorError(
        f"{where} holds {held} where only {wanted} can be used",
        remedy=(
            f"keep the {wanted} in a layer or file of their own, or pick them by kind_field and"
            " kinds"
            if is_mixed
            else f"name a file of {wanted}"
        ),
        counts=dict(count),
    )


def check_outlines(where: str, number: NDArray[Any], shapes: NDArray[Any]) -> None:
    """Refuse areas whose outline crosses itself or whose parts overlap.

    Raises
    ------
    VectorError
        If there is one, naming it and the place.
    """
    is_sound = shapely.is_valid(shapes)
    if is_sound.all():
        return
    broken = np.flatnonzero(~is_sound)
    first = int(number[broken[0]])
    reason = str(shapely.is_valid_reason(shapes[broken[0]])).replace("[", " at ").rstrip("]")
    more = f" ({len(broken)} features are broken like this)" if len(broken) > 1 else ""
    raise VectorError(
        f"the outline of feature {first} of {where} is broken: {reason}{more}",
        remedy="repair the outlines in a geographic information system, then use the repaired file",
        feature=first,
        features=tuple(int(number[i]) for i in broken),
        reason=reason,
    )


def check_coordinates(where: str, number: NDArray[Any], shapes: NDArray[Any], crs: CRS) -> None:
    """Refuse coordinates that are no numbers, or none of this CRS, and jumps round the globe.

    Raises
    ------
    VectorError
        If a coordinate is NaN or infinite, or a line jumps by more than half a turn.
    CrsError
        If `crs` has no place on a map, or the coordinates cannot be its.
    """
    xy, feature = shapely.get_coordinates(shapes, return_index=True)
    is_wrong = ~np.isfinite(xy).all(axis=1)
    if is_wrong.any():
        first = int(number[feature[is_wrong.argmax()]])
        raise VectorError(
            f"feature {first} of {where} has a coordinate that is no number",
            remedy="delete the feature, or draw it again",
            feature=first,
        )
    check_place(where, xy, crs)
    if crs.is_geographic:
        deg = _degrees(crs)
        _check_jumps(where, number, shapes, 180.0 / deg, deg)


def check_place(where: str, xy: NDArray[np.float64], crs: CRS) -> None:
    """Refuse coordinates, (k, 2), that cannot be those of a CRS.

    Raises
    ------
    CrsError
        If `crs` has no place on a map, degrees reach too far, or metres look like degrees.
    """
    if not (crs.is_geographic or crs.is_projected):
        raise CrsError(
            f"{where} lies in {crs.name!r}, which has no place on a map (type: {crs.type_name})",
            remedy="use a file in a geographic or projected CRS",
            crs=crs.to_wkt(),
        )
    reach = np.abs(xy).max(axis=0)
    if crs.is_geographic:
        deg = _degrees(crs)
        if reach[0] * deg > 360.0 or reach[1] * deg > 90.0:
            raise CrsError(
                f"{where} is in {crs.name!r}, in degrees, but its coordinates reach"
                f" {reach[0] * deg:,.0f} east or west and {reach[1] * deg:,.0f} north or south; at"
                " most 360 and 90 are degrees. They look like metres of a projected CRS",
                remedy="save the file again with the CRS in which its numbers are; a GeoJSON file"
                " holds WGS 84 degrees (RFC 7946)",
                reach_deg=tuple(reach * deg),
            )
    elif reach[0] <= 360.0 and reach[1] <= 90.0 and not _is_in_use(crs, xy):
        raise CrsError(
            f"{where} is in {crs.name!r}, in {crs.axis_info[0].unit_name}, but all its coordinates"
            f" lie within {reach[0]:.6g} and {reach[1]:.6g} of the origin: these are degrees",
            remedy='label the file with a geographic CRS, for example crs="EPSG:4326"',
            reach=tuple(reach),
        )


def _degrees(crs: CRS) -> float:
    """Give the unit of a geographic CRS in degrees."""
    return float(np.rad2deg(crs.axis_info[0].unit_conversion_factor))


def _check_jumps(
    where: str, number: NDArray[Any], shapes: NDArray[Any], half_turn: float, deg: float
) -> None:
    """Refuse a segment longer than half a turn: it means the short way, or is no segment."""
    parts, feature = shapely.get_parts(shapes, return_index=True)
    if shapely.get_type_id(parts[0]) == shapely.GeometryType.POLYGON:
        parts, part = shapely.get_rings(parts, return_index=True)
        feature = feature[part]
    xy, part = shapely.get_coordinates(parts, return_index=True)
    jumps = (np.abs(np.diff(xy[:, 0])) > half_turn) & (part[1:] == part[:-1])
    if not jumps.any():
        return
    place = int(jumps.argmax())
    first = int(number[feature[part[place]]])
    raise VectorError(
        f"feature {first} of {where} jumps from longitude {xy[place, 0] * deg:.4f} to"
        f" {xy[place + 1, 0] * deg:.4f} degrees in one straight piece, more than half round the"
        " globe",
        remedy="cut it in two at the antimeridian, as RFC 7946, section 3.1.9, asks for",
        feature=first,
        longitudes_deg=(float(xy[place, 0] * deg), float(xy[place + 1, 0] * deg)),
    )


def _is_in_use(crs: CRS, xy: NDArray[np.float64]) -> bool:
    """Tell whether the middle of the coordinates lies where the CRS is meant to be used."""
    area = crs.area_of_use
    if area is None:
        return True
    x, y = (xy.min(axis=0) + xy.max(axis=0)) / 2.0
    lon, lat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y)
    width = (area.east - area.west) % 360.0 or 360.0
    return bool(
        area.south - _MARGIN_DEG <= lat <= area.north + _MARGIN_DEG
        and (lon - area.west + _MARGIN_DEG) % 360.0 <= width + 2.0 * _MARGIN_DEG
    )
