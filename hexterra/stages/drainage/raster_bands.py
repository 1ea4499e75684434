"""Bands of rows of a raster that is too large for memory, and rasters in files, read by rows.

Used by `drain_bands`. What runs from one band to the next passes an *edge pixel*: a pixel of the
first or the last row of a band. Edge pixels are numbered from 1 on, band by band, the first row
before the last.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import DTypeLike, NDArray

from hexterra.elevation.pixels import Window
from hexterra.errors import BriefError
from hexterra.stages.sampling.pixel_geometry import area_unit, in_units, pixel_areas

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation

_MIN_BAND_ROWS: Final = 4


@dataclass(frozen=True)
class RowBand:
    """Rows `row0` to `row1` of a raster; the first of its bands has number 0."""

    number: int
    row0: int
    row1: int
    n_rows_of_raster: int

    @property
    def has_above(self) -> bool:
        """Whether there is a band above."""
        return self.row0 > 0

    @property
    def has_below(self) -> bool:
        """Whether there is a band below."""
        return self.row1 < self.n_rows_of_raster

    @property
    def rows(self) -> slice:
        """The rows of the band in the raster."""
        return slice(self.row0, self.row1)

    def with_halo(self, n: int = 1) -> slice:
        """Give the rows of the band and `n` above and below, as far as the raster has them."""
        return slice(max(self.row0 - n, 0), min(self.row1 + n, self.n_rows_of_raster))

    def inner(self, n: int = 1) -> slice:
        """Give the rows of the band in an array `with_halo`."""
        above = min(n, self.row0)
        return slice(above, above + self.row1 - self.row0)


@dataclass(frozen=True)
class Bands:
    """The bands of a raster of `shape`, of `band_rows` rows each but for the last."""

    shape: tuple[int, int]
    band_rows: int

    def __post_init__(self) -> None:
        if self.band_rows < _MIN_BAND_ROWS:
            raise BriefError(
                f"band_rows is {self.band_rows!r}; it must be at least {_MIN_BAND_ROWS}",
                remedy="use larger bands",
                band_rows=self.band_rows,
            )

    def __len__(self) -> int:
        whole, rest = divmod(self.shape[0], self.band_rows)
        return max(whole + (rest >= _MIN_BAND_ROWS), 1)  # no band but an only one is thinner

    def __getitem__(self, number: int) -> RowBand:
        if not 0 <= number < len(self):
            raise IndexError(number)
        n_rows = self.shape[0]
        is_last = number + 1 == len(self)
        row0 = number * self.band_rows
        return RowBand(number, row0, n_rows if is_last else row0 + self.band_rows, n_rows)

    def __iter__(self) -> Iterator[RowBand]:
        return (self[number] for number in range(len(self)))

    @property
    def n_edge_pixels(self) -> int:
        """How many edge pixels there are, and one more: 0 is no edge pixel."""
        return 2 * len(self) * self.shape[1] + 1

    def edge_pixels(self, band: RowBand) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Edge pixels in the first row and in the last row of a band."""
        n_columns = self.shape[1]
        first = 2 * band.number * n_columns + np.arange(1, n_columns + 1)
        return first, first + n_columns

    def edge_pixels_around(self, band: RowBand) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Edge pixels of the bands beside it, in the row above and in the row below; 0 for none."""
        first, last = self.edge_pixels(band)
        n_columns = self.shape[1]
        above = first - n_columns if band.has_above else np.zeros_like(first)
        below = last + n_columns if band.has_below else np.zeros_like(last)
        return above, below

    def update_until_stable(self, update: Callable[[RowBand], tuple[bool, bool]]) -> None:
        """Update bands, down and up in turn, until none changes any more.

        `update` tells whether the first row and whether the last row of the band changed: only
        then are its neighbours looked at again.
        """
        n = len(self)
        is_due = np.ones(n, np.bool_)
        down = np.arange(n)
        while is_due.any():
            for number in np.concatenate([down, down[::-1]]):
                if not is_due[number]:
                    continue
                is_due[number] = False
                above, below = update(self[int(number)])
                if above and number > 0:
                    is_due[number - 1] = True
                if below and number + 1 < n:
                    is_due[number + 1] = True


class RowFile:
    """A raster of numbers in a raw file, row by row: written and read by whole rows."""

    def __init__(self, path: Path, dtype: DTypeLike, shape: tuple[int, int]) -> None:
        """Make the file, full of zeros."""
        self.path = path
        self.dtype = np.dtype(dtype)
        self.shape = shape
        with path.open("wb") as file:
            file.truncate(shape[0] * self._row_bytes)

    @property
    def _row_bytes(self) -> int:
        return self.shape[1] * self.dtype.itemsize

    def read(self, rows: slice) -> NDArray[Any]:
        """Read rows into an array of their own."""
        count = (rows.stop - rows.start) * self.shape[1]
        read = np.fromfile(self.path, self.dtype, count, offset=rows.start * self._row_bytes)
        return read.reshape(-1, self.shape[1])

    def write(self, row0: int, array: NDArray[Any]) -> None:
        """Write rows from `row0` on."""
        with self.path.open("r+b") as file:
            file.seek(row0 * self._row_bytes)
            np.ascontiguousarray(array, self.dtype).tofile(file)

    def mapped(self) -> NDArray[Any]:
        """Map the whole raster into memory, to be read only."""
        return np.memmap(self.path, self.dtype, "r", shape=self.shape)

    def remove(self) -> None:
        """Delete the file."""
        self.path.unlink()


class Rasters:
    """The rasters of one draining, in files."""

    def __init__(self, folder: Path, dtype: np.dtype[Any], bands: Bands) -> None:
        def new(name: str, dtype: Any) -> RowFile:
            return RowFile(folder / f"{name}.raw", dtype, bands.shape)

        self.bands = bands
        self.ground = new("ground", dtype)
        self.carved = new("carved", dtype)
        self.surface = new("surface_m", dtype)
        self.direction = new("direction", np.uint8)
        self.distance = new("distance", np.int32)
        self.catchment = new("catchment_m2", np.float64)
        self.lake = new("is_lake", np.bool_)

    def tidy(self) -> None:
        """Delete what is not part of the answer."""
        for raster in (self.ground, self.carved, self.distance):
            raster.remove()


class Areas:
    """Ground area of the pixels of a window, in whole units."""

    def __init__(self, elevation: Elevation, window: Window, bands: Bands) -> None:
        self.elevation = elevation
        self.window = window
        self.by_row = None
        if pixel_areas(elevation, window._replace(row1=window.row0 + 1)).shape[1] == 1:
            self.by_row = pixel_areas(elevation, window)
        extremes = [(a.min(), a.max()) for a in map(self._in_m2, bands)]
        self.unit_m2 = area_unit(
            float(min(least for least, _ in extremes)), float(max(most for _, most in extremes))
        )

    def _in_m2(self, band: RowBand) -> NDArray[np.float64]:
        if self.by_row is not None:
            return self.by_row[band.rows]
        row0 = self.window.row0
        rows = self.window._replace(row0=row0 + band.row0, row1=row0 + band.row1)
        return pixel_areas(self.elevation, rows)

    def of(self, band: RowBand) -> NDArray[np.float64]:
        """Areas of the pixels of a band in units: (rows, 1), or (rows, columns) if rows vary."""
        return in_units(self._in_m2(band), self.unit_m2)
