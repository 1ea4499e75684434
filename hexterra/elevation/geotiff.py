"""Elevation back to a file: a GeoTIFF that any other program reads."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final
from uuid import uuid4

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from rasterio.crs import CRS
from rasterio.errors import RasterioError
from rasterio.windows import Window as RasterioWindow

from hexterra.errors import OutputError

_BLOCK: Final = 256
_Read = Callable[[int, int, int, int], tuple[NDArray[Any], NDArray[np.bool_] | None]]


def write_geotiff(
    path: str | Path, read: _Read, *, shape: tuple[int, int], affine: Affine, crs: str
) -> None:
    """Write the heights that `read` gives, in metres, a row of tiles at a time.

    The file is written beside its place and then moved there, so it appears whole or not at all.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    path = Path(path)
    rows, columns = shape
    unfinished = path.with_name(f".{path.name}.{uuid4().hex}.tif")
    try:
        unfinished.touch()  # says in plain words why no file can be made there
        with rasterio.open(
            unfinished,
            "w",
            driver="GTiff",
            height=rows,
            width=columns,
            count=1,
            dtype=read(0, 1, 0, 1)[0].dtype,
            crs=CRS.from_wkt(crs),
            transform=affine,
            nodata=float("nan"),
            tiled=True,
            blockxsize=_BLOCK,
            blockysize=_BLOCK,
            compress="deflate",
            predictor=3,
        ) as dataset:
            dataset.set_band_unit(1, "m")
            for row0 in range(0, rows, _BLOCK):
                row1 = min(row0 + _BLOCK, rows)
                height_m, usable = read(row0, row1, 0, columns)
                if usable is not None:
                    height_m = np.where(usable, height_m, height_m.dtype.type("nan"))
                window = RasterioWindow.from_slices((row0, row1), (0, columns))
                dataset.write(height_m, 1, window=window)
        os.replace(unfinished, path)  # noqa: PTH105 - says what it does to a file in the way
    except (RasterioError, OSError) as error:
        why = getattr(error, "strerror", None) or str(error).replace(str(unfinished), str(path))
        raise OutputError(
            f"{str(path)!r} cannot be written: {why}",
            remedy="check that the folder exists, may be written to and has room",
            path=str(path),
        ) from error
    finally:
        with contextlib.suppress(OSError):  # it was moved, or could not be made
            unfinished.unlink()
