"""Elevation -> Drainage by bands of rows, for rasters larger than memory.

The same answer as `drain` in one piece, bit for bit: levels are least passes, distances through
flats are what they are, and catchments are sums of whole numbers, so none depends on the bands.
Basins and runoff are joined across bands as Barnes does with tiles (Parallel priority-flood
depression filling for trillion cell digital elevation models, Computers & Geosciences 96, 2016;
Parallel non-divergent flow accumulation, Environmental Modelling & Software 92, 2017).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.elevation.pixels import Window
from hexterra.errors import BriefError, NoHeightsError
from hexterra.kernels import drainage, runoff
from hexterra.stages._pixel_ground import (
    frozen,
    pixel_areas,
    pixel_distances,
    pixel_steps,
    whole_units,
)
from hexterra.stages.drain import Depressions, Drainage

if TYPE_CHECKING:
    from hexterra.elevation import Elevation
    from hexterra.lattice import Lattice

_MIN_BAND_ROWS: Final = 4
_FAR: Final = 2**30
_VOID: Final = np.uint8(runoff.VOID)


def drain_by_bands(
    elevation: Elevation,
    folder: Path,
    *,
    band_rows: int = 1024,
    around: Lattice | None = None,
    surroundings_m: float | None = None,
    depressions: Depressions = "breach then fill",
    breach_length_pixels: int = 20,
    breach_depth_m: float = 10.0,
    lake_depth_m: float | None = None,
    lake_area_m2: float | None = None,
    sea_level_m: float | None = None,
) -> Drainage:
    """Drain a raster as `drain` does, holding a few bands of rows at a time.

    Equal to ``drain(elevation, ...)`` with the same keywords in every bit, whatever `band_rows`.

    Parameters
    ----------
    elevation
        The raster.
    folder
        An empty folder for the rasters of the answer: raw files, row by row, which the arrays of
        what is returned are mapped from read-only. They must stay as long as it is used.
    band_rows
        Rows in a band, at least 4.
    around, surroundings_m, depressions, breach_length_pixels, breach_depth_m, lake_depth_m, \
lake_area_m2, sea_level_m
        As in `drain`.

    Raises
    ------
    BriefError
        If a limit is out of range.
    NoHeightsError
        If no pixel of the window is usable.

    Notes
    -----
    Memory holds about 30 bytes per pixel of a band, and about 20 per pit and per pass between
    basins of the whole raster: well under 1 byte per pixel on most ground.
    """
    if (depressions, around, lake_depth_m) != ("fill", None, None):
        raise NotImplementedError("only filling a whole raster is done by bands so far")
    if band_rows < _MIN_BAND_ROWS:
        raise BriefError(
            f"band_rows is {band_rows!r}; it must be at least {_MIN_BAND_ROWS}",
            remedy="use larger bands",
            band_rows=band_rows,
        )
    store = _Store(folder, elevation, _bounds(elevation.shape[0], band_rows))
    _read(store, elevation, sea_level_m)
    _raise(store)
    window = Window(0, elevation.shape[0], 0, elevation.shape[1])
    _direct(store, 1.0 / pixel_distances(elevation, window))
    units, unit_m2 = whole_units(pixel_areas(elevation, window))
    _accumulate(store, units, unit_m2)
    return Drainage(
        elevation,
        window,
        store.finished("surface"),
        store.finished("code"),
        store.finished("catchment"),
        store.finished("lake"),
    )


def _bounds(n_rows: int, band_rows: int) -> NDArray[np.int64]:
    """First row of each band, and the row after the last; no band is shorter than the least."""
    first = np.arange(0, n_rows, band_rows)
    if len(first) > 1 and n_rows - first[-1] < _MIN_BAND_ROWS:
        first = first[:-1]
    return np.append(first, n_rows)


@dataclass(frozen=True)
class _Band:
    """Rows `row0` to `row1`; with its halo it begins `above` rows earlier, ends `below` later."""

    number: int
    row0: int
    row1: int
    above: int
    below: int

    @property
    def with_halo(self) -> slice:
        return slice(self.row0 - self.above, self.row1 + self.below)

    @property
    def rows(self) -> slice:
        return slice(self.row0, self.row1)

    @property
    def inner(self) -> slice:
        """The band's own rows in an array with halo."""
        return slice(self.above, self.above + self.row1 - self.row0)


class _Store:
    """Rasters on disk, and the bands they are worked on by."""

    def __init__(self, folder: Path, elevation: Elevation, bounds: NDArray[np.int64]) -> None:
        self.folder = folder
        self.shape = elevation.shape
        self.dtype = elevation.read(0, 1, 0, 1)[0].dtype
        self.bounds = bounds
        self.ground = self._new("ground", self.dtype)
        self.surface = self._new("surface", self.dtype)
        self.code = self._new("code", np.dtype(np.uint8))
        self.number = self._new("number", np.dtype(np.int32))  # labels, later distances
        self.catchment = self._new("catchment", np.dtype(np.float64))
        self.lake = self._new("lake", np.dtype(np.bool_))

    def _new(self, name: str, dtype: np.dtype[Any]) -> NDArray[Any]:
        return np.memmap(self.folder / f"{name}.raw", dtype, "w+", shape=self.shape)

    def finished(self, name: str) -> NDArray[Any]:
        """Map a finished raster read-only."""
        raster: Any = getattr(self, name)
        raster.flush()
        return np.memmap(self.folder / f"{name}.raw", raster.dtype, "r", shape=self.shape)

    @property
    def n_bands(self) -> int:
        return len(self.bounds) - 1

    def bands(self) -> Iterator[_Band]:
        """List the bands from the first row to the last."""
        for i in range(self.n_bands):
            yield _Band(
                i,
                int(self.bounds[i]),
                int(self.bounds[i + 1]),
                int(i > 0),
                int(i + 1 < self.n_bands),
            )

    def doors(self, band: _Band) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Numbers of the pixels in the first and in the last row of a band, among all such."""
        columns = np.arange(self.shape[1])
        first = 2 * band.number * self.shape[1] + columns
        return first, first + self.shape[1]

    def halo_doors(self, band: _Band) -> NDArray[np.int64]:
        """Numbers of the pixels above a band and then of those below it."""
        above, _ = self.doors(band)
        around = np.concatenate([above - self.shape[1], above + 2 * self.shape[1]])
        # Above the first band and below the last nothing leads; any number will do.
        return np.clip(around, 0, 2 * self.n_bands * self.shape[1] - 1)


def _read(store: _Store, elevation: Elevation, sea_level_m: float | None) -> None:
    """Copy the ground, with -inf for voids and sea."""
    any_usable = False
    for band in store.bands():
        ground, usable = elevation.read(band.row0, band.row1, 0, store.shape[1])
        is_void = np.zeros(ground.shape, np.bool_) if usable is None else ~usable
        if sea_level_m is not None:
            is_void |= ground <= sea_level_m
        store.ground[band.rows] = np.where(is_void, ground.dtype.type(-np.inf), ground)
        any_usable = any_usable or not is_void.all()
    if not any_usable:
        raise NoHeightsError(
            f"no pixel of {elevation.name!r} is usable ground",
            remedy="drain another raster, or check the voids and the sea level",
        )


def _label(
    store: _Store, band: _Band, code: NDArray[np.uint8], label: NDArray[np.int32]
) -> tuple[int, int]:
    """Label a band whose halo holds doors; return how many labels are doors, and there are."""
    n_columns = store.shape[1]
    columns = np.arange(n_columns)
    if band.above:
        label[0] = np.where(label[0] < 0, columns + 1, 0)
    if band.below:
        label[-1] = np.where(label[-1] < 0, columns + 1 + n_columns, 0)
    n_doors = 1 + 2 * n_columns
    n = drainage.label_basins(frozen(code.ravel()), pixel_steps(n_columns), label.ravel(), n_doors)
    return n_doors, n


def _raise(store: _Store) -> None:
    """Fill: label the basins of each band, join them at the doors, raise to their levels."""
    n_columns = store.shape[1]
    door_label = np.zeros(2 * store.n_bands * n_columns, dtype=np.int64)
    names: list[NDArray[np.int64]] = []  # of each band's labels: a basin, or -1 - door
    pairs: list[tuple[int, NDArray[np.int64], NDArray[Any]]] = []
    n_basins = 1
    for band in store.bands():
        surface = np.array(store.ground[band.with_halo])
        code = np.zeros(surface.shape, dtype=np.uint8)
        label = np.zeros(surface.shape, dtype=np.int32)
        label[np.isfinite(surface)] = -1
        label[:, [0, -1]] = 0
        if not band.above:
            label[0] = 0
        if not band.below:
            label[-1] = 0
        drainage.point_down(surface, code, label)
        n_doors, n = _label(store, band, code, label)
        name = np.zeros(n, dtype=np.int64)
        name[1:n_doors] = -1 - store.halo_doors(band)
        name[n_doors:] = n_basins + np.arange(n - n_doors)
        n_basins += n - n_doors
        own = label[band.inner]
        first, last = store.doors(band)
        door_label[first], door_label[last] = name[own[0]], name[own[-1]]
        store.number[band.rows] = own
        names.append(name)
        pair, height = drainage.find_passes(surface.ravel(), label.ravel(), n_columns)
        pairs.append((band.number, pair, height))
    while (door_label < 0).any():  # a way leads down from door to door, so there is an end
        behind = door_label < 0
        door_label[behind] = door_label[-1 - door_label[behind]]
    names = [
        np.where(name < 0, door_label[np.where(name < 0, -1 - name, 0)], name) for name in names
    ]
    first = np.concatenate([names[i][pair >> 32] for i, pair, _ in pairs])
    second = np.concatenate([names[i][pair & 0x7FFFFFFF] for i, pair, _ in pairs])
    height = np.concatenate([height for *_, height in pairs])
    differs = first != second
    pair = np.minimum(first, second)[differs] << 32 | np.maximum(first, second)[differs]
    level, _ = drainage.spill_levels(pair, height[differs], n_basins)
    for band in store.bands():
        surface = np.array(store.ground[band.rows])
        label = np.array(store.number[band.rows])
        drainage.raise_to(surface.ravel(), label.ravel(), level[names[band.number]])
        store.surface[band.rows] = surface


def _direct(store: _Store, per_m: NDArray[np.float64]) -> None:
    """Direct all pixels, then the flats by their distance to a way out."""
    n_flat = 0
    for band in store.bands():
        surface = np.array(store.surface[band.with_halo])
        code = np.where(surface == -np.inf, runoff.VOID, runoff.OUTLET)
        n_flat += runoff.direct(surface, np.ascontiguousarray(per_m[band.with_halo]), code)
        store.code[band.rows] = code[band.inner]
        store.number[band.rows] = np.where(code[band.inner] == runoff.FLAT, _FAR, 0)
    is_changed = n_flat > 0
    while is_changed:
        is_changed = False
        for band in store.bands():
            distance = np.array(store.number[band.with_halo])
            shorter = runoff.relax_flats(
                np.array(store.surface[band.with_halo]),
                np.array(store.code[band.with_halo]),
                distance,
            )
            if shorter:
                store.number[band.rows] = distance[band.inner]
                is_changed = True
    for band in store.bands() if n_flat else ():
        code = np.array(store.code[band.with_halo])
        runoff.pick_by_distance(
            np.array(store.surface[band.with_halo]).ravel(),
            frozen(np.array(store.ground[band.with_halo]).ravel()),
            np.array(store.number[band.with_halo]).ravel(),
            pixel_steps(store.shape[1]),
            store.shape[1],
            code.ravel(),
        )
        store.code[band.rows] = code[band.inner]
    for band in store.bands():
        surface = store.surface[band.rows]
        surface[surface == -np.inf] = 0.0


def _sum_band(
    store: _Store, band: _Band, units: NDArray[np.float64], entering: NDArray[np.float64]
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Accumulate a band with what enters at its doors; the halo gathers what leaves it."""
    code = np.array(store.code[band.with_halo])
    total = np.zeros(code.shape)
    own = total[band.inner]
    own[:] = units[band.rows]
    own[code[band.inner] == _VOID] = 0
    first, last = store.doors(band)
    own[0] += entering[first]
    own[-1] += entering[last]
    if band.above:
        code[0] = np.where(code[0] == _VOID, _VOID, runoff.OUTLET)
    if band.below:
        code[-1] = np.where(code[-1] == _VOID, _VOID, runoff.OUTLET)
    inflows = np.zeros(code.shape, dtype=np.uint8)
    runoff.count_inflows(code, inflows)
    runoff.accumulate(
        frozen(code.ravel()), pixel_steps(store.shape[1]), inflows.ravel(), total.ravel()
    )
    return code, total


def _accumulate(store: _Store, units: NDArray[np.float64], unit_m2: float) -> None:
    """Sum each band, carry what crosses the doors on to where it ends, and sum again."""
    n_columns = store.shape[1]
    n_all = 2 * store.n_bands * n_columns
    entering = np.zeros(n_all)
    leads_to = np.full(n_all, -1, dtype=np.int64)
    nothing = np.zeros(n_all)
    for band in store.bands():
        code, total = _sum_band(store, band, units, nothing)
        label = np.where(code == _VOID, np.int32(0), np.int32(-1))
        n_doors, _ = _label(store, band, code, label)
        own = label[band.inner]
        halo_doors = store.halo_doors(band)
        for door, ends in zip(store.doors(band), (own[0], own[-1]), strict=True):
            passes = (ends > 0) & (ends < n_doors)
            leads_to[door[passes]] = halo_doors[ends[passes] - 1]
        if band.above:
            entering[halo_doors[:n_columns]] += total[0]
        if band.below:
            entering[halo_doors[n_columns:]] += total[-1]
    moving = entering.copy()
    while moving.any():  # what crosses one door reaches the next, until it ends within a band
        at = np.flatnonzero((moving > 0) & (leads_to >= 0))
        moved = np.zeros(n_all)
        np.add.at(moved, leads_to[at], moving[at])
        entering += moved
        moving = moved
    for band in store.bands():
        _, total = _sum_band(store, band, units, entering)
        store.catchment[band.rows] = total[band.inner] * unit_m2
