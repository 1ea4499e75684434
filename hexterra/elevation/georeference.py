"""Where a raster lies and in which unit it measures heights: checked once.

A CRS is never guessed. Heights without a unit are taken for metres on a grid of degrees or metres,
as nearly all are, and what was assumed is kept; on a grid of feet the user must say.
"""

from __future__ import annotations

import warnings
from typing import Any, Final, NamedTuple

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError

from hexterra.errors import (
    CrsError,
    HexterraWarning,
    NoHeightsError,
    NotElevationError,
    VerticalUnitError,
)
from hexterra.units import METRES_PER_UNIT

#: Degrees by which the outermost pixels of a global raster may reach past the poles.
_OVERHANG_DEG: Final = 1.0
#: No ground survey has smaller pixels, in units of a projected CRS; rasters in degrees all do.
_LEAST_PIXEL: Final = 0.02
_UNIT_REMEDY: Final = (
    'say which it is: vertical_unit="m" or "ft" in Python, --vertical-unit m on the command line'
)
_CRS_ELSEWHERE: Final = 'in Python crs="EPSG:...", in the brief the key crs for a map'
_METRES_ASSUMED: Final = (
    "vertical unit = m (the elevation does not say; if its heights are feet, --vertical-unit ft)"
)


class Georeference(NamedTuple):
    """A checked place on Earth: pixel corners to `crs`, and metres per vertical unit."""

    affine: Affine
    crs: str
    metres_per_unit: float
    assumed: tuple[str, ...]


def make_frame(
    where: str,
    shape: tuple[int, int],
    affine: Affine,
    *,
    crs: CRS,
    stated_units: tuple[str, ...],
    vertical_unit: str | None,
) -> Georeference:
    """Check that a raster can be ground, and put its frame together.

    Parameters
    ----------
    where
        What the raster is called in messages.
    shape
        Rows and columns.
    affine
        Pixel corner coordinates to CRS coordinates.
    crs
        As the file states it or the user gave it; only the horizontal part is kept.
    stated_units
        Band units that the file or array states, if any.
    vertical_unit
        What the user says, or None.

    Raises
    ------
    NoHeightsError
        If there are fewer than 2 x 2 pixels.
    NotElevationError
        If `affine` is not finite or cannot be inverted.
    CrsError
        If `crs` is neither geographic nor projected, cannot be transformed to WGS 84 here, or
        contradicts the coordinates.
    VerticalUnitError
        If the stated unit is unknown, nobody states one and `crs` is neither in degrees nor in
        metres, or two statements differ.
    """
    if min(shape) < 2:
        raise NoHeightsError(
            f"{where} has {shape[0]} x {shape[1]} pixels; ground needs at least 2 x 2",
            remedy="name a raster with more pixels",
            shape=shape,
        )
    check_affine(where, affine)
    horizontal = crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()
    _check_crs(where, horizontal, affine, shape)
    units = (*stated_units, *_vertical_axis_unit(crs))
    assumed = ()
    if not units and vertical_unit is None and _is_in_degrees_or_metres(horizontal):
        vertical_unit, assumed = "m", (_METRES_ASSUMED,)
    metres = _metres_per_unit(where, units, vertical_unit, horizontal)
    return Georeference(affine, _canonical(horizontal).to_wkt(), metres, assumed)


def check_place(
    where: str, shape: tuple[int, int], affine: Affine | None, crs: Any, *, says_unit: bool
) -> Affine:
    """Return the affine of a raster whose place is known, or say all that is missing at once.

    Parameters
    ----------
    where, shape
        As in `make_frame`.
    affine, crs
        As the file states them or the user gave them; None where nobody did.
    says_unit
        Whether anybody states the vertical unit.

    Raises
    ------
    CrsError
        If the CRS is missing.
    NotElevationError
        If only the affine is.
    """
    placing = (
        "use the raster as it was before it lost its georeference; or write a world file beside it"
        " (its name with the ending .wld; six lines: pixel width, 0, 0, minus the pixel height, x"
        " and y of the middle of the top left pixel), or give affine= in Python; a raster placed by"
        " ground control points must be warped to a grid first"
    )
    if crs is not None and affine is not None:
        return affine
    if crs is not None:
        raise NotElevationError(
            f"{where} has no georeference that maps pixels to the ground", remedy=placing
        )
    lacks = "" if affine is not None else ", nor where its pixels are"
    lacks += "" if says_unit else ", nor whether its heights are metres or feet"
    remedy = (
        f"{placing}; then give --crs ({_CRS_ELSEWHERE})"
        if affine is None
        else _likely_crs(affine, shape)
    )
    if not says_unit:
        remedy += "; heights count as metres: if they are feet, add --vertical-unit ft"
    raise CrsError(f"{where} does not state its coordinate reference system{lacks}", remedy=remedy)


def _likely_crs(affine: Affine, shape: tuple[int, int]) -> str:
    """Say which kind of CRS the numbers of a raster fit, and how to give it."""
    ends = corners(affine, shape)
    (x0, y0), (x1, y1) = ends.min(axis=0), ends.max(axis=0)
    numbers = f"its numbers (x {x0:,.7g} to {x1:,.7g}, y {y0:,.7g} to {y1:,.7g}) fit"
    reach = np.abs(ends).max(axis=0)
    if reach[0] <= 360.0 and reach[1] <= 90.0 and max(pixel_size(affine)) <= 1.0:
        return f"{numbers} degrees: probably --crs EPSG:4326 ({_CRS_ELSEWHERE})"
    kind = "a local grid"
    if reach.max() >= 1e5:
        kind = "a projected CRS, such as a UTM zone or a national grid"
    return (
        f"{numbers} {kind}; find its EPSG code where you found the file, or in a .prj, .xml or"
        f" readme file that came with it, and give it, as in --crs EPSG:32616 ({_CRS_ELSEWHERE})"
    )


def parse_crs(where: str, given: Any, stated: Any = None) -> CRS:
    """Read a CRS as the user gave it, or else as the raster states it.

    Raises
    ------
    CrsError
        If there is none, it cannot be read, or the two differ.
    """
    crs = None if stated is None else _read_crs(where, stated)
    if given is None:
        if crs is None:
            raise CrsError(
                f"{where} does not state its coordinate reference system",
                remedy='give it: crs="EPSG:32616" in Python, in the brief the key crs for a map',
            )
        return crs
    chosen = _read_crs(where, given)
    if crs is not None and not crs.equals(chosen, ignore_axis_order=True):
        raise CrsError(
            f"{where} states the CRS {crs.name!r}, but {chosen.name!r} was given",
            remedy="leave crs out, or correct what the file states",
            stated=crs.to_wkt(),
            given=chosen.to_wkt(),
        )
    return chosen if crs is None else crs


def check_affine(where: str, affine: Affine) -> None:
    """Refuse a georeference that does not give every pixel an area.

    Raises
    ------
    NotElevationError
        If a term is not finite, or rows and columns run along one line.
    """
    terms = tuple(affine)[:6]
    if np.isfinite(terms).all():
        along_columns, along_rows = np.hypot(terms[0], terms[3]), np.hypot(terms[1], terms[4])
        if abs(affine.determinant) > 1e-12 * along_columns * along_rows:
            return
    raise NotElevationError(
        f"{where} has the affine {terms}, in which pixels have no area",
        remedy="give the affine of the raster: six finite numbers, neither pixel size zero",
        affine=terms,
    )


def move(affine: Affine, columns: float, rows: float) -> Affine:
    """Put the origin of `affine` at pixel coordinates (`columns`, `rows`)."""
    a, b, c, d, e, f = tuple(affine)[:6]
    return Affine(a, b, c + a * columns + b * rows, d, e, f + d * columns + e * rows)


def apply(affine: Affine, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Carry points, (k, 2) float64, through `affine`."""
    a, b, c, d, e, f = tuple(affine)[:6]
    x, y = points[:, 0], points[:, 1]
    return np.column_stack([a * x + b * y + c, d * x + e * y + f])


def corners(affine: Affine, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Outer corners of a raster in CRS coordinates, (4, 2) float64."""
    rows, columns = shape
    ends = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], dtype=np.float64)
    return apply(affine, ends)


def pixel_size(affine: Affine) -> tuple[float, float]:
    """Length of a step along columns and along rows, in CRS units."""
    a, b, _, d, e, _ = tuple(affine)[:6]
    return float(np.hypot(a, d)), float(np.hypot(b, e))


def full_turn(crs: CRS) -> float:
    """Return 360 degrees in the angular unit of a geographic CRS."""
    return float(2.0 * np.pi / crs.axis_info[0].unit_conversion_factor)


def _read_crs(where: str, given: Any) -> CRS:
    try:
        return CRS.from_user_input(given)
    except CRSError as error:
        raise CrsError(
            f"the CRS of {where} cannot be read: {str(given)[:120]!r}",
            remedy="give an EPSG code such as EPSG:32616, WKT, or a PROJ string",
            given=str(given),
        ) from error


def _canonical(crs: CRS) -> CRS:
    """Return the registered form of a CRS, so that every way to state it gives the same text."""
    authority = crs.to_authority(min_confidence=100)
    registered = crs if authority is None else CRS.from_authority(*authority)
    return registered if registered.equals(crs, ignore_axis_order=True) else crs


def _check_crs(where: str, crs: CRS, affine: Affine, shape: tuple[int, int]) -> None:
    if not (crs.is_geographic or crs.is_projected):
        raise CrsError(
            f"{where} lies in {crs.name!r}, which has no place on a map (type: {crs.type_name})",
            remedy="use a raster in a geographic or projected CRS, or warp it into one",
            crs=crs.to_wkt(),
        )
    ends = corners(affine, shape)
    reach = np.abs(ends).max(axis=0)
    if crs.is_geographic:
        deg_per_unit = np.rad2deg(crs.axis_info[0].unit_conversion_factor)
        reach_deg = reach * deg_per_unit
        if reach_deg[0] > 360.0 + _OVERHANG_DEG or reach_deg[1] > 90.0 + _OVERHANG_DEG:
            raise CrsError(
                f"{where} is labelled {crs.name!r}, in degrees, but its coordinates reach"
                f" {reach_deg[0]:,.0f} east or west and {reach_deg[1]:,.0f} north or south; at most"
                " 360 and 90 are degrees. They look like metres of a projected CRS",
                remedy="label the raster with the projected CRS in which it was made",
                reach_deg=tuple(reach_deg),
            )
    elif _looks_like_degrees(crs, affine, shape):
        size = pixel_size(affine)
        raise CrsError(
            f"{where} is labelled {crs.name!r}, in {crs.axis_info[0].unit_name}, but lies within"
            f" {reach[0]:.6g} and {reach[1]:.6g} of its origin with pixels of {size[0]:.6g} x"
            f" {size[1]:.6g}: these numbers are degrees",
            remedy='label the raster with a geographic CRS, for example crs="EPSG:4326"',
            reach=tuple(reach),
        )
    if not np.isfinite(_to_wgs84(where, crs, affine, shape)).any():
        raise CrsError(
            f"no corner of {where}, nor its middle, can be transformed from {crs.name!r} to WGS 84",
            remedy="check that the raster really is in this CRS",
            crs=crs.to_wkt(),
        )


def _looks_like_degrees(crs: CRS, affine: Affine, shape: tuple[int, int]) -> bool:
    """Tell whether the coordinates of a projected raster can only be degrees."""
    reach = np.abs(corners(affine, shape)).max(axis=0)
    size = max(pixel_size(affine))
    if reach[0] > 360.0 or reach[1] > 90.0 or size > 1.0:
        return False
    if size < _LEAST_PIXEL:
        return True
    area = crs.area_of_use
    if area is None:
        return False
    lon, lat = _to_wgs84("", crs, affine, shape)[:, -1]
    return not (
        area.south - 1 <= lat <= area.north + 1
        and (lon - area.west) % 360 <= ((area.east - area.west) % 360 or 360)
    )


def _to_wgs84(where: str, crs: CRS, affine: Affine, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Carry the four corners and the middle to longitude and latitude, (2, 5) float64."""
    ends = corners(affine, shape)
    points = np.vstack([ends, ends.mean(axis=0)])
    try:
        to_wgs84 = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
        return np.array(to_wgs84.transform(points[:, 0], points[:, 1]))
    except ProjError as error:
        raise CrsError(
            f"{where} lies in {crs.name!r}, which cannot be transformed to WGS 84",
            remedy="warp the raster into a well-known CRS first",
            crs=crs.to_wkt(),
        ) from error


def _vertical_axis_unit(crs: CRS) -> tuple[str, ...]:
    """Name the unit of the height axis of a compound or three-dimensional CRS, if it has one."""
    parts = crs.sub_crs_list if crs.is_compound else [crs]
    return tuple(
        axis.unit_name for part in parts for axis in part.axis_info if axis.direction == "up"
    )


def _is_in_degrees_or_metres(crs: CRS) -> bool:
    unit = crs.axis_info[0].unit_conversion_factor
    return bool(np.isclose(unit, np.deg2rad(1.0) if crs.is_geographic else 1.0, rtol=1e-9))


def _metres_per_unit(where: str, stated: tuple[str, ...], given: str | None, crs: CRS) -> float:
    """Find the vertical unit from what the file states and the user gave."""
    if given is not None and given.strip().lower() not in METRES_PER_UNIT:
        raise VerticalUnitError(
            f"the vertical unit {given!r} is unknown; known are {', '.join(METRES_PER_UNIT)}",
            remedy=_UNIT_REMEDY,
            given=given,
        )
    known = {unit: METRES_PER_UNIT[unit.strip().lower()] for unit in stated if _is_known(unit)}
    unknown = [unit for unit in stated if not _is_known(unit)]
    said = known if given is None else known | {given: METRES_PER_UNIT[given.strip().lower()]}
    if len(set(said.values())) > 1:
        names = " and ".join(repr(unit) for unit in known)
        raise VerticalUnitError(
            f"{where} states the vertical unit {names}"
            + ("" if given is None else f", but {given!r} was given"),
            remedy="leave vertical_unit out, or correct what the file states",
            stated=stated,
            given=given,
        )
    if not said:
        problem = (
            f"{where} does not say whether its heights are metres or feet, and its CRS"
            f" {crs.name!r} is in units of {crs.axis_info[0].unit_name}"
        )
        if unknown:
            problem = f"{where} states the vertical unit {unknown[0]!r}, which is unknown"
        raise VerticalUnitError(problem, remedy=_UNIT_REMEDY, stated=stated)
    if unknown and not known:
        warnings.warn(
            f"{where} states the vertical unit {unknown[0]!r}, which is unknown; its heights are"
            f" taken to be in {given!r}, as given",
            HexterraWarning,
            stacklevel=2,
        )
    return next(iter(said.values()))


def _is_known(unit: str) -> bool:
    return unit.strip().lower() in METRES_PER_UNIT
