"""Several rasters on one pixel grid, read as one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
from affine import Affine
from pyproj import CRS

from hexterra.elevation import georeference
from hexterra.elevation.pixels import Pixels, Source, Window
from hexterra.elevation.raster_files import FileSource
from hexterra.errors import GridMismatchError

#: How far the pixel corners of one raster may lie off another's grid, in pixels.
GRID_TOLERANCE: Final = 1e-3


class MosaicPart(NamedTuple):
    """One raster with a checked frame, before it is put among others."""

    where: str
    shape: tuple[int, int]
    place: georeference.Georeference
    source: FileSource


@dataclass(frozen=True, eq=False, repr=False)
class MosaicSource(Source):
    """Rasters side by side or overlapping; the first usable pixel wins.

    Parameters
    ----------
    sources
        In order of precedence.
    windows
        The pixels of the mosaic that each covers.
    dtype
        "float32" or "float64": what `read` returns for every window.
    """

    sources: tuple[Source, ...]
    windows: tuple[Window, ...]
    dtype: str

    @property
    def scalings(self) -> tuple[tuple[float, float], ...]:
        """Scales and offsets of all rasters, each once."""
        return tuple(dict.fromkeys(pair for source in self.sources for pair in source.scalings))

    def read(self, window: Window) -> Pixels:
        """Read one window, which lies inside the mosaic; the arrays come back read-only."""
        height_m = np.zeros(window.shape, dtype=self.dtype)
        usable = np.zeros(window.shape, dtype=bool)
        n_nan = n_infinite = 0
        for source, covered in zip(self.sources, self.windows, strict=True):
            shared = Window(
                max(window.row0, covered.row0),
                min(window.row1, covered.row1),
                max(window.column0, covered.column0),
                min(window.column1, covered.column1),
            )
            if shared.row0 >= shared.row1 or shared.column0 >= shared.column1:
                continue
            there = _slices(shared, window)
            if usable[there].all():
                continue
            pixels = source.read(_relative(shared, covered))
            n_nan += pixels.n_nan
            n_infinite += pixels.n_infinite
            if pixels.usable is None and not usable[there].any():
                height_m[there] = pixels.height_m
                usable[there] = True
                continue
            fresh = ~usable[there] if pixels.usable is None else pixels.usable & ~usable[there]
            np.copyto(height_m[there], pixels.height_m, where=fresh)
            usable[there] |= fresh
        height_m.flags.writeable = False
        if usable.all():
            return Pixels(height_m, None, n_nan, n_infinite)
        usable.flags.writeable = False
        return Pixels(height_m, usable, n_nan, n_infinite)


def join(parts: list[MosaicPart]) -> tuple[tuple[int, int], Affine, MosaicSource]:
    """Lay rasters on the pixel grid of the first.

    Parts of a geographic CRS may be moved by whole turns, so that tiles on both sides of the
    antimeridian become neighbours.

    Returns
    -------
    shape, affine, source
        Of the smallest raster that holds all parts.

    Raises
    ------
    GridMismatchError
        If the CRS differ, or the pixel corners lie apart by more than `GRID_TOLERANCE` pixels.
    """
    first = parts[0]
    crs = CRS(first.place.crs)
    for part in parts[1:]:
        if not crs.equals(CRS(part.place.crs), ignore_axis_order=True):
            raise GridMismatchError(
                f"{part.where} lies in {CRS(part.place.crs).name!r}, but {first.where} in"
                f" {crs.name!r}; rasters are joined in one CRS only",
                remedy="warp them to one CRS and grid first, or use one of them",
                crs=(first.place.crs, part.place.crs),
            )
    affines = [part.place.affine for part in parts]
    if crs.is_geographic:
        affines = _unwrap(parts, georeference.full_turn(crs))
    windows = [
        _window_on(first, affines[0], part, affine)
        for part, affine in zip(parts, affines, strict=True)
    ]
    row0 = min(window.row0 for window in windows)
    column0 = min(window.column0 for window in windows)
    shape = (
        max(window.row1 for window in windows) - row0,
        max(window.column1 for window in windows) - column0,
    )
    whole = Window(row0, row0 + shape[0], column0, column0 + shape[1])
    source = MosaicSource(
        sources=tuple(part.source for part in parts),
        windows=tuple(_relative(window, whole) for window in windows),
        dtype=max(part.source.dtype for part in parts),  # "float64" > "float32"
    )
    return shape, georeference.move(affines[0], column0, row0), source


def _unwrap(parts: list[MosaicPart], turn: float) -> list[Affine]:
    """Move parts by whole turns, if that brings them closer: start east of the widest gap."""
    ends = np.array([georeference.corners(part.place.affine, part.shape)[:, 0] for part in parts])
    west, east = ends.min(axis=1), ends.max(axis=1)
    starts = np.sort(west % turn)
    widest = int(np.diff(starts, append=starts[0] + turn).argmax())
    start = starts[(widest + 1) % len(parts)]
    past = (west - start) % turn
    past[past > turn * (1.0 - 1e-9)] -= turn  # a rounding error west of `start` is not a turn east
    turns = np.rint((start + past - west) / turn)
    moved_west, moved_east = west + turns * turn, east + turns * turn
    saved = (east.max() - west.min()) - (moved_east.max() - moved_west.min())
    if saved < 1e-6 * turn:
        turns[:] = 0.0
    return [_shifted(part.place.affine, n * turn) for part, n in zip(parts, turns, strict=True)]


def _shifted(affine: Affine, east: float) -> Affine:
    a, b, c, d, e, f = tuple(affine)[:6]
    return Affine(a, b, c + east, d, e, f)


def _window_on(first: MosaicPart, grid: Affine, part: MosaicPart, affine: Affine) -> Window:
    """Place one raster on the pixel grid of the first."""
    rows, columns = part.shape
    found = georeference.apply(~grid, georeference.corners(affine, part.shape))
    first_corner = np.rint(found[0])
    steps = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]])
    wanted = first_corner + steps
    off = float(np.abs(found - wanted).max())
    if not off <= GRID_TOLERANCE:
        raise GridMismatchError(
            f"the pixels of {part.where} lie up to {off:.4g} pixels off the grid of"
            f" {first.where}; at most {GRID_TOLERANCE:g} is allowed",
            remedy="resample the rasters to one grid first, or use one of them",
            off_pixels=off,
        )
    column0, row0 = (int(start) for start in first_corner)
    return Window(row0, row0 + rows, column0, column0 + columns)


def _relative(window: Window, origin: Window) -> Window:
    return Window(
        window.row0 - origin.row0,
        window.row1 - origin.row0,
        window.column0 - origin.column0,
        window.column1 - origin.column0,
    )


def _slices(window: Window, origin: Window) -> Any:
    at = _relative(window, origin)
    return slice(at.row0, at.row1), slice(at.column0, at.column1)
