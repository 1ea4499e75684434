"""Elevation in: a description of heights on a pixel grid, read window by window.

The head of the flow. Files, arrays and DataArrays come in; what goes out is an `Elevation`, whose
frame and units are known and whose pixels are metres under a mask. All reading of raster files is
in this package.
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Literal, NamedTuple

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS

from hexterra.arguments import checked
from hexterra.elevation import arrays, georeference, mosaic, raster_files
from hexterra.elevation.geotiff import write_geotiff
from hexterra.elevation.pixels import Pixels, Source, Window
from hexterra.errors import InputError, NotElevationError
from hexterra.text import cleaned
from hexterra.values import Value

__all__ = ["Elevation", "Registration", "read_elevation", "write_elevation"]

#: What the affine of an array maps: pixel corners ("area") or pixel centres ("point").
Registration = Literal["area", "point"]


@dataclass(frozen=True, eq=False, repr=False)
class Elevation(Value):
    """Heights on a pixel grid: a description; pixels are read by windows.

    Made by `read_elevation`, which checks everything. Can be pickled: files are opened where and
    when they are read.

    Parameters
    ----------
    shape
        Rows and columns.
    affine
        Pixel *corner* coordinates (column, row) to `crs` coordinates (x, y), whatever the
        registration of the file was.
    crs
        Horizontal coordinate reference system, WKT.
    metres_per_unit
        Length of the stored vertical unit. `read` has applied it already.
    source
        Where the pixels come from.
    name
        What to call it; no part of the digest.
    assumed
        What nobody had said and was assumed in reading, in words; no part of the digest.
    """

    shape: tuple[int, int]
    affine: Affine
    crs: str
    metres_per_unit: float
    source: Source
    name: str
    assumed: tuple[str, ...] = ()

    def read(
        self, row0: int, row1: int, column0: int, column1: int
    ) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
        """Read the pixels of rows `row0` to `row1` and columns `column0` to `column1`.

        Returns
        -------
        height_m
            (rows, columns) float32 or float64, contiguous, read-only, in metres. Unusable pixels
            hold 0.0. The dtype is the same for every window of one elevation.
        usable
            (rows, columns) bool, contiguous, read-only; None when every pixel is usable.

        Raises
        ------
        ValueError
            If the window is empty or leaves the raster: a programming error.
        NotElevationError
            If the file is damaged there.
        """
        pixels = self.read_pixels(Window(row0, row1, column0, column1))
        return pixels.height_m, pixels.usable

    def read_pixels(self, window: Window) -> Pixels:
        """Read like `read`, and tell how many pixels held NaN or infinity undeclared."""
        rows, columns = self.shape
        if not (0 <= window.row0 < window.row1 <= rows):
            raise ValueError(f"rows {window.row0}:{window.row1} are not within 0:{rows}")
        if not (0 <= window.column0 < window.column1 <= columns):
            raise ValueError(
                f"columns {window.column0}:{window.column1} are not within 0:{columns}"
            )
        return self.source.read(window)

    @cached_property
    def is_geographic(self) -> bool:
        """Whether `crs` measures in degrees (or other angles) rather than lengths."""
        return CRS(self.crs).is_geographic

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Least x and y and greatest x and y of the raster in `crs`."""
        ends = georeference.corners(self.affine, self.shape)
        (x_min, y_min), (x_max, y_max) = ends.min(axis=0), ends.max(axis=0)
        return float(x_min), float(y_min), float(x_max), float(y_max)

    @property
    def pixel_size(self) -> tuple[float, float]:
        """Length of a step along columns and along rows, in units of `crs`."""
        return georeference.pixel_size(self.affine)

    def to_pixel(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Carry points in `crs`, (k, 2), to pixel corner coordinates: column, then row.

        In a geographic CRS a longitude may be off by whole turns: the one nearest to the middle
        of the raster counts.
        """
        if self.is_geographic:
            turn = self._full_turn
            middle = (self.bounds[0] + self.bounds[2]) / 2.0
            turns = np.rint((xy[:, 0] - middle) / turn)
            xy = np.column_stack([xy[:, 0] - turns * turn, xy[:, 1]])
        return georeference.apply(~self.affine, xy)

    @cached_property
    def _full_turn(self) -> float:
        return georeference.full_turn(CRS(self.crs))

    def to_crs(self, pixel: NDArray[np.float64]) -> NDArray[np.float64]:
        """Carry pixel corner coordinates, (k, 2) column and row, to points in `crs`."""
        return georeference.apply(self.affine, pixel)

    @cached_property
    def grid_digest(self) -> str:
        """32 hexadecimal digits of where the pixels lie and of the vertical unit."""
        state = hashlib.blake2b(digest_size=16)
        terms = " ".join(float(term).hex() for term in tuple(self.affine)[:6])
        state.update(f"elevation {self.shape} {terms} {self.metres_per_unit.hex()}".encode())
        state.update(self.crs.encode())
        return state.hexdigest()

    @cached_property
    def digest(self) -> str:
        """32 hexadecimal digits of the content: grid and pixels, but neither name nor path."""
        state = hashlib.blake2b(self.grid_digest.encode(), digest_size=16)
        state.update(self.source.digest.encode())
        return state.hexdigest()


@checked
def read_elevation(
    source: Any,
    *,
    crs: Any = None,
    affine: Affine | None = None,
    vertical_unit: str | None = None,
    nodata: float | Sequence[float] | None = None,
    band: int | None = None,
    registration: Registration | None = None,
    name: str | None = None,
    trust_sources: bool = False,
) -> Elevation:
    """Describe the heights in a file, several files, an array or an xarray DataArray.

    Pixels are read later, window by window; an array is held (copied if it could still change).

    Parameters
    ----------
    source
        One path or a sequence of paths (GeoTIFF, ESRI ASCII grid, SRTM .hgt, VRT and more; see
        `trust_sources`), a NumPy array or masked array of rows and columns, or an xarray
        DataArray whose coordinates are pixel centres.
        Several files must lie on one pixel grid to 1/1000 pixel; where they overlap, the first
        usable pixel wins. Geographic tiles on both sides of the antimeridian are joined.
    crs
        Whatever pyproj takes (``"EPSG:32616"``, WKT, a CRS object). Needed unless `source`
        states one, which it must then equal.
    affine
        Column and row to x and y. Needed for arrays, and for files without georeference.
    vertical_unit
        "m", "ft" or "us-ft" (`hexterra.units.METRES_PER_UNIT` lists the spellings); must equal
        what `source` states. If nobody says, metres are assumed on a grid of degrees or metres,
        which `Elevation.assumed` then says; on one of feet it is needed.
    nodata
        One or several stored numbers that stand for voids, beside the one that `source` states.
    band
        Which band holds the heights, from 1. Needed if there are several.
    registration
        For arrays: whether `affine` maps pixel corners ("area", the default) or pixel centres
        ("point") from whole numbers. Files say it themselves.
    name
        What to call the elevation; the file's stem by default.
    trust_sources
        Whether to open whatever GDAL opens, and follow what it names: web addresses, other
        folders, any format. Without it, files are read whose numbers are in them or beside them,
        and virtual rasters (VRT) of such files in their own folder.

    Raises
    ------
    UntrustedSourceError
        If a source is no regular file, or leads elsewhere, and is not trusted.
    FileMissingError
        If a file does not exist or may not be read.
    NotElevationError
        If something is not one grid of real numbers on an invertible affine.
    CrsError
        If the CRS is missing (the message says what else is), cannot be used, or contradicts the
        coordinates or the file.
    VerticalUnitError
        If the vertical unit is unknown or cannot be assumed, or two statements contradict each
        other.
    NoHeightsError
        If there are fewer than 2 x 2 pixels, or (arrays) no usable one.
    GridMismatchError
        If several files do not lie on one pixel grid in one CRS.

    Notes
    -----
    Reading a window takes the memory of that window, and of two rows of the file's blocks across
    it (at least 16 MiB) or GDAL_CACHEMAX if that is less.
    """
    voids = () if nodata is None else tuple(np.ravel(nodata).astype(float).tolist())
    given = _Given(crs, affine, vertical_unit, voids, band, registration, name, trust_sources)
    if _is_data_array(source):
        return _from_labels(arrays.read_labels(source), given)
    if isinstance(source, np.ndarray):
        return _from_labels(arrays.bare(source), given)
    paths: list[Any] = [source] if isinstance(source, str | Path) else []
    if isinstance(source, Sequence) and not isinstance(source, str):
        paths = list(source)
    if not paths or not all(isinstance(path, str | Path) for path in paths):
        raise NotElevationError(
            f"{str(source)[:80]!r} is not a source of heights",
            remedy="give a path, several paths, a NumPy array or an xarray DataArray",
            kind=type(source).__name__,
        )
    return _from_files(paths, given)


class _Given(NamedTuple):
    """What the user said beside the source."""

    crs: Any
    affine: Affine | None
    vertical_unit: str | None
    nodata: tuple[float, ...]
    band: int | None
    registration: Registration | None
    name: str | None
    trust_sources: bool


@checked
def write_elevation(elevation: Elevation, path: str | Path) -> None:
    """Write an elevation as a GeoTIFF in metres: tiled, deflated, voids as NaN.

    The file appears whole or not at all, and the same elevation gives the same bytes.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    write_geotiff(
        path,
        elevation.read,
        shape=elevation.shape,
        affine=elevation.affine,
        crs=elevation.crs,
    )


def _is_data_array(source: object) -> bool:
    """Tell whether `source` is an xarray DataArray, without importing xarray."""
    xarray = sys.modules.get("xarray")
    return xarray is not None and isinstance(source, xarray.DataArray)


def _from_labels(labelled: arrays.Labelled, given: _Given) -> Elevation:
    """Describe heights in memory."""
    where = f"the {labelled.name}"
    if given.band is not None:
        raise InputError(
            f"band {given.band} was requested from {where}, which has no bands",
            remedy="leave band out, and give the layer of heights",
            band=given.band,
        )
    if given.registration not in {None, "area", "point"}:
        raise InputError(
            f"the registration {given.registration!r} is unknown; it is 'area' or 'point'",
            remedy="say what the affine maps to the ground: pixel corners (area) or centres",
            registration=given.registration,
        )
    array = arrays.check_array(where, labelled.array)
    shape = (array.shape[0], array.shape[1])
    affine = georeference.check_place(
        where,
        shape,
        labelled.affine if given.affine is None else given.affine,
        given.crs or labelled.crs,
        says_unit=bool(labelled.units or given.vertical_unit),
    )
    if given.affine is not None and given.registration == "point":
        affine = georeference.move(affine, -0.5, -0.5)
    place = georeference.make_frame(
        where,
        shape,
        affine,
        crs=georeference.parse_crs(where, given.crs, labelled.crs),
        stated_units=labelled.units,
        vertical_unit=given.vertical_unit,
    )
    source = arrays.source_from_array(
        where,
        array,
        nodata=(*labelled.nodata, *given.nodata),
        scale=labelled.scale * place.metres_per_unit,
        offset=labelled.offset * place.metres_per_unit,
    )
    return _described(shape, place, source, cleaned(given.name or labelled.name))


def _from_files(paths: Sequence[str | Path], given: _Given) -> Elevation:
    """Describe heights in one file, or in several on one grid."""
    if given.registration is not None:
        raise InputError(
            f"the registration {given.registration!r} was given for a file; files state it"
            " themselves",
            remedy="leave registration out",
            registration=given.registration,
        )
    parts = [_part(path, given) for path in paths]
    name = cleaned(given.name or Path(paths[0]).stem)
    if len(parts) == 1:
        return _described(parts[0].shape, parts[0].place, parts[0].source, name)
    shape, affine, source = mosaic.join(parts)
    assumed = tuple(dict.fromkeys(words for part in parts for words in part.place.assumed))
    place = parts[0].place._replace(affine=affine, assumed=assumed)
    return _described(shape, place, source, name)


def _described(
    shape: tuple[int, int], place: georeference.Georeference, source: Source, name: str
) -> Elevation:
    return Elevation(
        shape, place.affine, place.crs, place.metres_per_unit, source, name, place.assumed
    )


def _part(path: str | Path, given: _Given) -> mosaic.MosaicPart:
    """Check one file by itself."""
    where = repr(os.fspath(path))
    opened = raster_files.open_file(
        path, band=given.band, nodata=given.nodata, trust_sources=given.trust_sources
    )
    if opened.affine is not None and given.affine is not None:
        raise NotElevationError(
            f"{where} has a georeference of its own, and another affine was given",
            remedy="leave affine out",
            stated=tuple(opened.affine)[:6],
            given=tuple(given.affine)[:6],
        )
    affine = georeference.check_place(
        where,
        opened.shape,
        given.affine if opened.affine is None else opened.affine,
        given.crs or opened.crs,
        says_unit=bool(opened.units or given.vertical_unit),
    )
    place = georeference.make_frame(
        where,
        opened.shape,
        affine,
        crs=georeference.parse_crs(where, given.crs, opened.crs),
        stated_units=opened.units,
        vertical_unit=given.vertical_unit,
    )
    source = raster_files.in_metres(opened.source, place.metres_per_unit)
    return mosaic.MosaicPart(where, opened.shape, place, source)
