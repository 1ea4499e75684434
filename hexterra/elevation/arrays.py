"""Heights that are already in memory: NumPy arrays, masked arrays and xarray DataArrays."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import NDArray

from hexterra.elevation.pixels import Pixels, Source, Window, clean
from hexterra.errors import NoHeightsError, NotElevationError
from hexterra.values import freeze_arrays


@dataclass(frozen=True, eq=False, repr=False)
class ArraySource(Source):
    """Stored numbers in memory, (rows, columns) of a real dtype, and what they mean."""

    stored: NDArray[Any]
    usable: NDArray[np.bool_] | None
    nodata: tuple[float, ...]
    scale: float
    offset: float

    def __post_init__(self) -> None:
        shape = self.stored.shape
        for name in ("stored", "usable"):
            array = getattr(self, name)
            if array is not None:
                freeze_arrays(self, (name, array.dtype, shape))

    def read(self, window: Window) -> Pixels:
        """Read one window, which lies inside the array; the arrays come back read-only."""
        rows, columns = slice(window.row0, window.row1), slice(window.column0, window.column1)
        if self._is_clean:
            height_m = np.ascontiguousarray(self.stored[rows, columns])
            height_m.flags.writeable = False
            return Pixels(height_m, None)
        usable = None if self.usable is None else self.usable[rows, columns]
        return clean(
            self.stored[rows, columns],
            usable,
            nodata=self.nodata,
            scale=self.scale,
            offset=self.offset,
        )

    @property
    def scalings(self) -> tuple[tuple[float, float], ...]:
        """Scale and offset."""
        return ((self.scale, self.offset),)

    @cached_property
    def _is_clean(self) -> bool:
        """Whether what is stored is the heights, all usable: then reading need look at none."""
        pixels = clean(
            self.stored, self.usable, nodata=self.nodata, scale=self.scale, offset=self.offset
        )
        return pixels.height_m is self.stored and pixels.usable is None


def check_array(where: str, array: Any) -> NDArray[Any]:
    """Refuse what is not a grid of real numbers; drop leading axes of length one.

    Raises
    ------
    NotElevationError
        If the array is not two-dimensional, or its numbers are complex, logical or no numbers.
    """
    heights = np.asanyarray(array)
    while heights.ndim > 2 and heights.shape[0] == 1:
        heights = heights[0]
    if heights.ndim != 2:
        raise NotElevationError(
            f"{where} has the shape {heights.shape}; heights are one grid of rows and columns",
            remedy="give one two-dimensional array",
            shape=heights.shape,
        )
    check_dtype(where, heights.dtype)
    return heights if heights.dtype.isnative else heights.astype(heights.dtype.newbyteorder("="))


def check_dtype(where: str, dtype: np.dtype[Any]) -> None:
    """Refuse pixels that are no real numbers.

    Raises
    ------
    NotElevationError
        If the pixels are complex, logical or no numbers.
    """
    if dtype.kind not in "iuf":
        raise NotElevationError(
            f"{where} holds {dtype} pixels; heights are integers or real numbers",
            remedy="give the raster of heights itself",
            dtype=str(dtype),
        )


def source_from_array(
    where: str, array: Any, *, nodata: tuple[float, ...], scale: float, offset: float
) -> ArraySource:
    """Hold an array or masked array as a source.

    Raises
    ------
    NotElevationError
        If it is not a grid of real numbers.
    NoHeightsError
        If none of them is usable.
    """
    heights = check_array(where, array)
    usable: NDArray[np.bool_] | None = None
    if isinstance(heights, np.ma.MaskedArray):
        usable = ~np.ma.getmaskarray(heights)
        heights = np.ma.getdata(heights)
    source = ArraySource(heights, usable, nodata, scale, offset)
    found = source.read(Window(0, heights.shape[0], 0, heights.shape[1])).usable
    if heights.size == 0 or (found is not None and not found.any()):
        raise NoHeightsError(
            f"none of the {heights.size} pixels of {where} holds a usable height",
            remedy="check the nodata value and the mask",
            shape=heights.shape,
        )
    return source


@dataclass(frozen=True)
class Labelled:
    """What an xarray DataArray says about itself."""

    array: NDArray[Any]
    affine: Affine | None
    crs: object
    units: tuple[str, ...]
    nodata: tuple[float, ...]
    scale: float
    offset: float
    name: str


def bare(array: NDArray[Any]) -> Labelled:
    """Hold an array that says nothing about itself."""
    return Labelled(array, None, None, (), (), 1.0, 0.0, "array")


def read_labels(data: Any) -> Labelled:
    """Read an xarray DataArray: coordinates are pixel centres, evenly spaced.

    Dimensions are named ``y, x`` or ``lat, lon`` (or longer forms), in either order; others must
    have length one. The CRS comes from the coordinate that ``grid_mapping`` names or
    ``spatial_ref``.

    Raises
    ------
    NotElevationError
        If the dimensions cannot be distinguished, or the coordinates are not evenly spaced.
    """
    where = f"the DataArray {data.name!r}" if data.name else "the DataArray"
    names = {"x": "x", "lon": "x", "long": "x", "longitude": "x"}
    names |= {"y": "y", "lat": "y", "latitude": "y"}
    axes = {names[str(dim).lower()]: dim for dim in data.dims if str(dim).lower() in names}
    extra = [dim for dim in data.dims if dim not in axes.values()]
    if len(axes) < 2 or any(data.sizes[dim] != 1 for dim in extra):
        raise NotElevationError(
            f"{where} has the dimensions {dict(data.sizes)}; heights have y and x, or lat and lon",
            remedy="select one layer and name its dimensions y and x",
            dims=tuple(str(dim) for dim in data.dims),
        )
    flat = data.isel(dict.fromkeys(extra, 0)).transpose(axes["y"], axes["x"])
    affine = None
    if all(dim in flat.coords for dim in axes.values()):
        x0, dx = _spacing(where, flat.coords[axes["x"]].values, str(axes["x"]))
        y0, dy = _spacing(where, flat.coords[axes["y"]].values, str(axes["y"]))
        affine = Affine(dx, 0.0, x0 - dx / 2.0, 0.0, dy, y0 - dy / 2.0)
    attributes: dict[str, Any] = {**flat.encoding, **flat.attrs}
    is_decoded = "scale_factor" in flat.encoding  # xarray has applied what it keeps in `encoding`
    nodata = flat.attrs.get("_FillValue", flat.attrs.get("nodata"))
    return Labelled(
        array=flat.values,
        affine=affine,
        crs=_crs_of(flat, str(attributes.get("grid_mapping", "spatial_ref"))),
        units=(str(flat.attrs["units"]),) if flat.attrs.get("units") else (),
        nodata=() if nodata is None else (float(nodata),),
        scale=1.0 if is_decoded else float(flat.attrs.get("scale_factor", 1.0)),
        offset=0.0 if is_decoded else float(flat.attrs.get("add_offset", 0.0)),
        name=str(data.name or "array"),
    )


def _crs_of(data: Any, mapping: str) -> object:
    if mapping not in data.coords:
        return None
    attributes = data.coords[mapping].attrs
    return attributes.get("crs_wkt") or attributes.get("spatial_ref")


def _spacing(where: str, centres: NDArray[Any], axis: str) -> tuple[float, float]:
    """Return the first of evenly spaced centres, and the step between them."""
    centres = np.asarray(centres, dtype=np.float64)
    if len(centres) < 2:
        raise NoHeightsError(
            f"{where} has {len(centres)} pixel along {axis}; ground needs at least 2",
            remedy="give a raster with more pixels",
        )
    step = (centres[-1] - centres[0]) / (len(centres) - 1)
    even = centres[0] + step * np.arange(len(centres))
    if not step or not np.abs(centres - even).max() <= 1e-2 * abs(step):  # also catches NaN
        raise NotElevationError(
            f"the coordinates of {where} along {axis} are not evenly spaced",
            remedy="resample the heights to an even grid first",
            axis=axis,
        )
    return float(centres[0]), float(step)
