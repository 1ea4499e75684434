"""Raster files as sources of heights: opened where they are read, never held by a value.

The only place that imports rasterio for reading. A `FileSource` knows a path and how to read it;
open datasets live in a small cache of each thread, so a source can be pickled, shared between
threads and sent to other processes.
"""

from __future__ import annotations

import hashlib
import os
import re
import threading
from collections import OrderedDict
from collections.abc import Generator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from rasterio.enums import ColorInterp, MaskFlags
from rasterio.env import get_gdal_config, set_gdal_config
from rasterio.errors import RasterioError
from rasterio.windows import Window as RasterioWindow

from hexterra.elevation.arrays import check_dtype
from hexterra.elevation.pixels import Pixels, Source, Window, clean, height_dtype
from hexterra.elevation.trust import TRUST, Access, open_raster, raster_access
from hexterra.errors import FileMissingError, NotElevationError

#: How many datasets each thread keeps open.
_MAX_OPEN: Final = 32
_LEAST_CACHE_BYTES: Final = 2**24
_VECTOR_SUFFIXES: Final = frozenset(
    {".csv", ".dxf", ".fgb", ".geojson", ".gml", ".gpkg", ".gpx", ".json", ".kml", ".shp"}
)


@dataclass(frozen=True, eq=False, repr=False)
class FileSource(Source):
    """One band of a raster file.

    Parameters
    ----------
    path
        Where the file is. No part of the digest: that depends on the bytes.
    drivers
        Those of GDAL that may open it; none if the user trusts the file, whatever it is.
    band
        Which band holds the heights, from 1.
    nodata
        Stored numbers that stand for a void.
    mask_band
        Band number of an alpha band, 0 for the mask of the file itself, None without mask.
    scale, offset
        ``height_m = stored * scale + offset``.
    dtype
        What the pixels are read as: "float32" or "float64".
    """

    path: str
    drivers: tuple[str, ...]
    band: int
    nodata: tuple[float, ...]
    mask_band: int | None
    scale: float
    offset: float
    dtype: str

    def read(self, window: Window) -> Pixels:
        """Read one window, which lies inside the raster; the arrays come back read-only."""
        at = RasterioWindow.from_slices(
            (window.row0, window.row1), (window.column0, window.column1)
        )
        with _damage_named(self.path, window), _opened_bounded(self._access, window) as dataset:
            stored: NDArray[Any] = dataset.read(self.band, window=at, out_dtype=self.dtype)
            usable = None
            if self.mask_band is not None:
                mask = (
                    dataset.read(self.mask_band, window=at)
                    if self.mask_band
                    else dataset.read_masks(self.band, window=at)
                )
                usable = mask != 0
        return clean(stored, usable, nodata=self.nodata, scale=self.scale, offset=self.offset)

    @property
    def scalings(self) -> tuple[tuple[float, float], ...]:
        """Scale and offset."""
        return ((self.scale, self.offset),)

    @property
    def _access(self) -> Access:
        return Access(self.path, self.drivers)

    @cached_property
    def digest(self) -> str:
        """32 hexadecimal digits of the bytes of all files of the dataset, and how it is read."""
        state = hashlib.blake2b(digest_size=16)
        choices = (self.band, self.nodata, self.mask_band, self.scale.hex(), self.offset.hex())
        state.update(f"file {choices} ".encode())
        with _damage_named(self.path, None):
            parts = [_bytes_digest(part) for part in _opened(self._access).files]
        for part in sorted(parts):  # by content: names and folders are no part of it
            state.update(part)
        return state.hexdigest()


class Opened(NamedTuple):
    """What a raster file says about itself."""

    source: FileSource
    shape: tuple[int, int]
    affine: Affine | None
    crs: str | None
    units: tuple[str, ...]


def open_file(
    path: str | Path, *, band: int | None, nodata: tuple[float, ...], trust_sources: bool
) -> Opened:
    """Look into a raster file without reading its pixels.

    Raises
    ------
    UntrustedSourceError
        See `raster_access`; not with `trust_sources`.
    FileMissingError
        If it does not exist or may not be read.
    NotElevationError
        If it is no raster, or does not say which band holds heights, or its pixels are no
        real numbers.
    """
    name = os.fspath(path)
    where = repr(name)
    access = raster_access(name, trust_sources=trust_sources)
    _close(access)  # a file may have appeared beside it since, such as a .prj
    dataset = _first_opened(name, access)
    heights = [
        number
        for number, meaning in enumerate(dataset.colorinterp, start=1)
        if meaning != ColorInterp.alpha
    ]
    if band is None and len(heights) == 1:
        band = heights[0]
    if band not in heights:
        asked = "" if band is None else f", and no band {band}"
        bands = "band" if len(heights) == 1 else "bands"
        raise NotElevationError(
            f"{where} has {len(heights)} {bands} of numbers{asked}; heights are one band",
            remedy="say which: band=1 in Python; on the command line --band 1 for heights, in the"
            " brief the key band for land cover",
            bands=tuple(heights),
            band=band,
        )
    at = band - 1
    stored = np.dtype(_complex_safe(dataset.dtypes[at]))
    check_dtype(where, stored)
    scale, offset = float(dataset.scales[at]), float(dataset.offsets[at])
    voids = [value for value in (dataset.nodatavals[at], *nodata) if value is not None]
    if stored == np.float32:  # a void was rounded as it was stored
        with np.errstate(over="ignore"):
            voids = [float(np.float32(value)) for value in voids]
    transform = dataset.transform
    return Opened(
        source=FileSource(
            path=access.name,
            drivers=access.drivers,
            band=band,
            nodata=tuple(float(value) for value in voids),
            mask_band=_mask_band(dataset, at),
            scale=scale,
            offset=offset,
            dtype=height_dtype(stored, is_scaled=(scale, offset) != (1.0, 0.0)).name,
        ),
        shape=(dataset.height, dataset.width),
        affine=None if transform == Affine.identity() else transform,
        crs=dataset.crs.to_wkt() if dataset.crs else None,
        units=(dataset.units[at],) if dataset.units[at] else (),
    )


def in_metres(source: FileSource, metres_per_unit: float) -> FileSource:
    """Let a source that reads in its file's vertical unit read in metres."""
    if metres_per_unit == 1.0:
        return source
    return replace(
        source,
        scale=source.scale * metres_per_unit,
        offset=source.offset * metres_per_unit,
        dtype="float64",
    )


def _bytes_digest(path: str) -> bytes:
    """Fingerprint the bytes of a file, or of the archive that GDAL reads it from.

    Of what is not on this computer only the address is known.
    """
    found = Path(re.sub(r"^(/vsi\w+)+/", "", path))
    while not found.is_file() and found != found.parent:
        found = found.parent
    if not found.is_file():
        return hashlib.blake2b(path.encode()).digest()
    with found.open("rb") as file:
        return hashlib.file_digest(file, "blake2b").digest()


def _complex_safe(dtype: str) -> str:
    """GDAL's integer complex types have no NumPy name."""
    return "complex64" if dtype.startswith("complex") else dtype


def _mask_band(dataset: Any, at: int) -> int | None:
    for number, meaning in enumerate(dataset.colorinterp, start=1):
        if meaning == ColorInterp.alpha:
            return number
    return 0 if MaskFlags.per_dataset in dataset.mask_flag_enums[at] else None


def _first_opened(name: str, access: Access) -> Any:
    """Open a file that has not been looked into yet, or say what it is instead."""
    try:
        dataset = _opened(access)
    except RasterioError as error:
        kind = "is not a raster that GDAL can read"
        remedy = "name a raster of heights: GeoTIFF, ESRI ASCII grid, SRTM .hgt or similar"
        if Path(name).suffix.lower() in _VECTOR_SUFFIXES:
            kind = "holds points, lines or areas, or a table; heights are a raster"
        elif Path(name).is_dir():
            kind = "is a folder, not a raster"
        elif access.drivers:
            kind = "is not a raster, or is in a format that may refer to other files"
            remedy += f"; or, {TRUST}: then every format of GDAL is read"
        raise NotElevationError(f"{name!r} {kind}", remedy=remedy, path=name) from error
    if not dataset.count:
        raise NotElevationError(
            f"{name!r} holds no raster itself, only {len(dataset.subdatasets)} datasets",
            remedy="name one of them: " + ", ".join(dataset.subdatasets[:5]),
            path=name,
            subdatasets=tuple(dataset.subdatasets),
        )
    return dataset


@contextmanager
def _damage_named(path: str, window: Window | None) -> Generator[None]:
    """Say which file could not be read after it had been opened well before."""
    try:
        yield
    except (RasterioError, OSError) as error:
        if not path.startswith("/vsi") and not Path(path).exists():
            raise FileMissingError(
                f"the file {path!r} is gone",
                remedy="put it back where it was",
                path=path,
            ) from error
        rows = "" if window is None else f" at rows {window.row0} to {window.row1 - 1}"
        raise NotElevationError(
            f"{path!r} cannot be read{rows}: the file is damaged or cut short",
            remedy="fetch or write the file again",
            path=path,
        ) from error


class _Open(threading.local):
    """The datasets that one thread has open; GDAL's must not be shared between threads.

    By process and access: after a fork, parent and child would share the position in the file.
    """

    def __init__(self) -> None:
        self.datasets: OrderedDict[tuple[int, Access], tuple[Any, list[str], list[object]]] = (
            OrderedDict()
        )


_open = _Open()


def _opened(access: Access) -> Any:
    """Return an open dataset, opening it if it is not, or a file of it has changed.

    Raises
    ------
    RasterioError
        If it cannot be opened.
    """
    key = (os.getpid(), access)
    if key in _open.datasets:
        dataset, files, states = _open.datasets[key]
        if states == _states(files):
            _open.datasets.move_to_end(key)
            return dataset
        _close(access)
    dataset = open_raster(*access)
    files = list(dataset.files)
    _open.datasets[key] = (dataset, files, _states(files))
    if len(_open.datasets) > _MAX_OPEN:
        _open.datasets.popitem(last=False)[1][0].close()
    return dataset


class _BlockCache:
    """GDAL's cache of blocks, kept small while heights are read.

    Its size, 5 % of the machine's memory by default, is a setting of the whole process. The last
    of several readers at once puts it back.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._needs: list[int] = []
        self._usual_bytes = 0

    @contextmanager
    def bounded(self, need_bytes: int) -> Generator[None]:
        """Hold no more than `need_bytes`, or what other readers need."""
        with self._lock:
            if not self._needs:
                self._usual_bytes = int(get_gdal_config("GDAL_CACHEMAX"))
            self._needs.append(need_bytes)
            self._apply()
        try:
            yield
        finally:
            with self._lock:
                self._needs.remove(need_bytes)
                self._apply()

    def _apply(self) -> None:
        need_bytes = max(self._needs, default=self._usual_bytes)
        set_gdal_config("GDAL_CACHEMAX", min(self._usual_bytes, need_bytes))


_block_cache = _BlockCache()


@contextmanager
def _opened_bounded(access: Access, window: Window) -> Generator[Any]:
    """Open a dataset, with a cache for one row of blocks across the window.

    That is what two windows below each other may share.
    """
    dataset = _opened(access)
    rows, columns = (max(sizes) for sizes in zip(*dataset.block_shapes, strict=True))
    across = min(window.shape[1] + 2 * columns, dataset.width + columns)
    need_bytes = (
        2 * rows * across * sum(np.dtype(_complex_safe(t)).itemsize for t in dataset.dtypes)
    )
    with _block_cache.bounded(max(_LEAST_CACHE_BYTES, need_bytes)):
        yield dataset


def _close(access: Access) -> None:
    """Close a dataset if this thread has it open."""
    key = (os.getpid(), access)
    if key in _open.datasets:
        _open.datasets.pop(key)[0].close()


def _states(paths: list[str]) -> list[object]:
    """Tell when each file was last written, and its size; None for a file that is not there."""
    states: list[object] = []
    for path in paths:
        try:
            state = os.stat(path)  # noqa: PTH116 - a Path for each file of each read is slow
        except OSError:
            states.append(None)
        else:
            states.append((state.st_mtime_ns, state.st_size))
    return states
