"""GDAL's viewshed, from the library that the wheels of rasterio bring with them."""

from __future__ import annotations

import ctypes
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray

#: "Edge", the default of gdal_viewshed: heights are interpolated between the pixels on the way.
_EDGE = 2
_NUMBER, _POINTER, _TEXT, _WHOLE = ctypes.c_double, ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int


def find_gdal() -> ctypes.CDLL | None:
    """Load the GDAL beside rasterio; None where it is built in otherwise."""
    package = Path(rasterio.__file__).parent
    for folder in (package.parent / "rasterio.libs", package / ".dylibs"):
        for path in sorted(folder.glob("libgdal*")):
            gdal = ctypes.CDLL(str(path))
            if hasattr(gdal, "GDALViewshedGenerate"):
                gdal.GDALOpen.restype = gdal.GDALGetRasterBand.restype = _POINTER
                gdal.GDALOpen.argtypes = [_TEXT, _WHOLE]
                gdal.GDALGetRasterBand.argtypes = [_POINTER, _WHOLE]
                gdal.GDALClose.argtypes = [_POINTER]
                gdal.GDALViewshedGenerate.restype = _POINTER
                gdal.GDALViewshedGenerate.argtypes = [
                    _POINTER, _TEXT, _TEXT, _POINTER, *[_NUMBER] * 9, _WHOLE, _NUMBER, _POINTER,
                    _POINTER, _WHOLE, _POINTER,
                ]  # fmt: skip
                return gdal
    return None


def viewshed(
    gdal: ctypes.CDLL,
    folder: Path,
    height_m: NDArray[np.float32],
    place: tuple[int, int],
    eye_m: float,
    target_m: float,
) -> NDArray[np.bool_]:
    """Tell which pixels (their middles) an eye over the middle of a pixel sees, on a flat earth."""
    ground, seen = folder / "ground.tif", folder / "seen.tif"
    rows, columns = height_m.shape
    affine = Affine(1.0, 0.0, 0.0, 0.0, -1.0, float(rows))
    with rasterio.open(
        ground, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32",
        crs="EPSG:32632", transform=affine,
    ) as raster:  # fmt: skip
        raster.write(height_m, 1)
    gdal.GDALAllRegister()
    opened = gdal.GDALOpen(str(ground).encode(), 0)
    x, y = affine @ (place[1] + 0.5, place[0] + 0.5)
    found = gdal.GDALViewshedGenerate(
        gdal.GDALGetRasterBand(opened, 1), b"GTiff", str(seen).encode(), None, x, y, eye_m,
        target_m, 1.0, 0.0, 2.0, -1.0, 0.0, _EDGE, 0.0, None, None, 1, None,
    )  # fmt: skip
    gdal.GDALClose(found)
    gdal.GDALClose(opened)
    with rasterio.open(seen) as raster:
        return raster.read(1) == 1
