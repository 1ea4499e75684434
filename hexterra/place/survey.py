"""What is in a raster: every pixel looked at once, band by band."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod, Transformer

from hexterra.arguments import checked
from hexterra.elevation.elevation import Elevation
from hexterra.elevation.pixels import Window
from hexterra.elevation.undeclared import VoidNumber, describe_void_number, find_void_number
from hexterra.errors import NoHeightsError
from hexterra.values import Value, freeze_arrays

_N_BLOCKS: Final = 256  # along the longer side
_BAND_PIXELS: Final = 4_000_000
_N_GEODESIC_PARTS: Final = 64
_N_NAMED: Final = 3


@dataclass(frozen=True, eq=False, repr=False)
class Survey(Value):
    """What is in a raster.

    Parameters
    ----------
    elevation
        The raster.
    width_km, depth_km
        Length of its middle row and middle column on the ground, along geodesics.
    min_m, mean_m, max_m
        Of all usable pixels.
    n_void, n_nan, n_infinite
        Pixels without a height; how many of them hold NaN or infinity that nothing had declared.
    void_numbers
        Numbers that seem to mark voids, but are not declared: they count as heights.
    block
        Side of the blocks, in pixels; the last row and column of blocks may be smaller.
    block_mean_m, block_usable
        Mean height and share of usable pixels of each block, (block rows, block columns) float64.
    """

    elevation: Elevation
    width_km: float
    depth_km: float
    min_m: float
    mean_m: float
    max_m: float
    n_void: int
    n_nan: int
    n_infinite: int
    void_numbers: tuple[VoidNumber, ...]
    block: int
    block_mean_m: NDArray[np.float64]
    block_usable: NDArray[np.float64]

    def __post_init__(self) -> None:
        freeze_arrays(
            self,
            ("block_mean_m", np.float64, (None, None)),
            ("block_usable", np.float64, (None, None)),
        )

    @property
    def pixel_m(self) -> tuple[float, float]:
        """Mean pixel size on the ground along the middle row and the middle column, in metres."""
        rows, columns = self.elevation.shape
        return self.width_km * 1000.0 / columns, self.depth_km * 1000.0 / rows

    @property
    def void_share(self) -> float:
        """Share of pixels without a height."""
        return self.n_void / math.prod(self.elevation.shape)

    @property
    def notes(self) -> tuple[str, ...]:
        """What deserves a look before building, in sentences."""
        notes: list[str] = []
        if self.n_nan or self.n_infinite:
            notes.append(
                f"{self.n_nan:,} pixels hold NaN and {self.n_infinite:,} infinity; they count as"
                " voids"
            )
        notes += map(describe_void_number, self.void_numbers)
        if self.min_m == self.max_m:
            notes.append("every height is the same: there is nothing to build")
        return tuple(notes)

    def describe(self) -> str:
        """Say it in a few lines of text."""
        rows, columns = self.elevation.shape
        pixel = " x ".join(f"{size:.3g}" for size in self.pixel_m)
        lines = [
            f"{self.elevation.name}: {columns:,} columns x {rows:,} rows of pixels, {pixel} m each",
            *(f"assumed  {words}" for words in self.elevation.assumed),
            f"ground   {self.width_km:,.4g} km x {self.depth_km:,.4g} km",
            f"heights  {self.min_m:z,.1f} to {self.max_m:z,.1f} m, mean {self.mean_m:z,.1f} m",
            f"voids    {self.void_share:.2%} of the pixels",
            *(f"note     {note}" for note in self.notes),
        ]
        return "\n".join(lines)


@checked
def survey(elevation: Elevation) -> Survey:
    """Look at every pixel of a raster once, band by band.

    Returns
    -------
    Survey
        Extents along geodesics on WGS 84 (Karney, 2013, Journal of Geodesy 87, 43-55, through
        PROJ); heights of all usable pixels, each with the same weight.

    Raises
    ------
    NoHeightsError
        If no pixel is usable.

    Notes
    -----
    Memory is bounded by a band of about 4 million pixels; nothing is left out or thinned.
    """
    rows, columns = elevation.shape
    block = block_side(elevation)
    starts = np.arange(0, columns, block)
    total = np.zeros((-(-rows // block), len(starts)))
    count = np.zeros_like(total)
    least, greatest, n_nan, n_infinite = math.inf, -math.inf, 0, 0
    void_numbers: dict[str, VoidNumber] = {}
    for row0, row1 in _bands(elevation, block):
        pixels = elevation.read_pixels(Window(row0, row1, 0, columns))
        n_nan, n_infinite = n_nan + pixels.n_nan, n_infinite + pixels.n_infinite
        here = slice(row0 // block, -(-row1 // block))
        down = np.arange(0, row1 - row0, block)
        along = np.add.reduceat(pixels.height_m, starts, axis=1, dtype=np.float64)
        total[here] = np.add.reduceat(along, down, axis=0)
        count[here] = _count_usable(pixels.usable, (row1 - row0, columns), block)
        usable = pixels.height_m if pixels.usable is None else pixels.height_m[pixels.usable]
        if found := find_void_number(elevation, pixels.height_m, pixels.height_m):
            before = void_numbers.get(found.stored, found._replace(n=0))
            void_numbers[found.stored] = found._replace(n=found.n + before.n)
        if usable.size:
            least, greatest = min(least, float(usable.min())), max(greatest, float(usable.max()))
    n_usable = int(count.sum())
    if not n_usable:
        raise NoHeightsError(
            f"none of the {rows * columns:,} pixels of {elevation.name} holds a usable height",
            remedy="check the nodata value, the mask and the band",
            shape=elevation.shape,
        )
    width_km, depth_km = extent_km(elevation)
    return Survey(
        elevation=elevation,
        width_km=width_km,
        depth_km=depth_km,
        min_m=least,
        mean_m=float(total.sum()) / n_usable,
        max_m=greatest,
        n_void=rows * columns - n_usable,
        n_nan=n_nan,
        n_infinite=n_infinite,
        void_numbers=tuple(sorted(void_numbers.values(), key=lambda found: -found.n)[:_N_NAMED]),
        block=block,
        block_mean_m=total / np.maximum(count, 1.0),
        block_usable=count / _count_usable(None, elevation.shape, block),
    )


def block_side(elevation: Elevation) -> int:
    """Choose the side of the blocks that pixels are summed up in, in pixels."""
    return -(-max(elevation.shape) // _N_BLOCKS)


def _bands(elevation: Elevation, block: int) -> Iterator[tuple[int, int]]:
    """Cut the raster into bands of whole blocks, and of about `_BAND_PIXELS` pixels."""
    rows, columns = elevation.shape
    height = block * max(1, _BAND_PIXELS // (columns * block))
    for row0 in range(0, rows, height):
        yield row0, min(row0 + height, rows)


def _count_usable(
    usable: NDArray[np.bool_] | None, shape: tuple[int, int], block: int
) -> NDArray[np.float64]:
    """Count the usable pixels of each block, (block rows, block columns) float64."""
    rows, columns = (np.arange(0, size, block) for size in shape)
    if usable is None:
        heights = np.diff(rows, append=shape[0])
        widths = np.diff(columns, append=shape[1])
        return np.outer(heights, widths).astype(np.float64)
    along = np.add.reduceat(usable, columns, axis=1, dtype=np.int64)
    return np.add.reduceat(along, rows, axis=0).astype(np.float64)


def usable_blocks(elevation: Elevation) -> NDArray[np.float64]:
    """Find the share of usable pixels of each block, (block rows, block columns) float64."""
    block, columns = block_side(elevation), elevation.shape[1]
    counts = [
        _count_usable(elevation.read(row0, row1, 0, columns)[1], (row1 - row0, columns), block)
        for row0, row1 in _bands(elevation, block)
    ]
    return np.vstack(counts) / _count_usable(None, elevation.shape, block)


def extent_km(elevation: Elevation) -> tuple[float, float]:
    """Measure the middle row and the middle column along geodesics, in km."""
    rows, columns = elevation.shape
    along = np.linspace(0.0, 1.0, _N_GEODESIC_PARTS + 1)
    to_wgs84 = Transformer.from_crs(elevation.crs, "EPSG:4326", always_xy=True)
    lengths: list[float] = []
    for column, row in (
        (along * columns, np.full_like(along, rows / 2.0)),
        (np.full_like(along, columns / 2.0), along * rows),
    ):
        xy = elevation.to_crs(np.column_stack([column, row]))
        lon, lat = to_wgs84.transform(xy[:, 0], xy[:, 1])
        is_on_globe = np.isfinite(lon) & np.isfinite(lat)
        lengths.append(Geod(ellps="WGS84").line_length(lon[is_on_globe], lat[is_on_globe]) / 1000.0)
    return lengths[0], lengths[1]
