"""Elevation -> Drainage by bands of rows, for rasters larger than memory.

The same answer as `drain` in one piece, bit for bit: levels are least passes, breaches know nothing
of each other, distances through flats are what they are, and areas are sums of whole numbers, so
none depends on the bands. Basins and runoff are joined across bands as Barnes does with tiles
(Parallel priority-flood depression filling for trillion cell digital elevation models, Computers &
Geosciences 96, 2016; Parallel non-divergent flow accumulation, Environmental Modelling & Software
92, 2017): what a band leaves in memory is about its first and last row only.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.elevation.pixels import Window
from hexterra.elevation.undeclared import refusing_voids
from hexterra.kernels.compiled import frozen
from hexterra.kernels.raster import pixel_flow
from hexterra.kernels.raster.direction_codes import FLAT, OUTLET, VOID
from hexterra.stages.drainage.band_depressions import (
    breach_bands,
    fill_bands,
    label_band,
    mark_lakes,
)
from hexterra.stages.drainage.drain import Depressions, Drainage
from hexterra.stages.drainage.drainage_rules import (
    DrainageRules,
    Sides,
    check_rules,
    drain_board,
    read_ground,
    refuse_no_ground,
)
from hexterra.stages.drainage.raster_bands import Areas, Bands, Rasters, RowBand
from hexterra.stages.sampling.pixel_geometry import pixel_distances, pixel_steps

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation
    from hexterra.lattice.lattice import Lattice

_FAR: Final = 2**30


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
    """Drain a raster as `drain` does, holding one band of rows at a time.

    Equal to ``drain(elevation, ...)`` with the same keywords in every bit, whatever `band_rows`.

    Parameters
    ----------
    elevation
        The raster.
    folder
        An empty folder for the rasters of the answer: raw files, row by row, which the arrays of
        what is returned are mapped from, to be read only. They must stay as long as it is used.
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
    NotElevationError
        As in `drain`.

    Notes
    -----
    Memory holds up to 60 bytes per pixel of one band (for breaching, of a band that is longer by
    `breach_length_pixels` + 1 rows at both ends), and up to 250 per edge pixel: per pixel of the
    first and the last row of every band, whatever lies between. Of disk, 26 bytes per pixel are
    needed for float32 heights, of which 14 stay.
    """
    rules = check_rules(
        depressions,
        breach_length_pixels,
        breach_depth_m,
        lake_depth_m,
        lake_area_m2,
        sea_level_m,
    )
    Bands(elevation.shape, band_rows)  # refuses thin bands before any work
    ground = refusing_voids(elevation) if around is None else elevation
    window, rasters, is_complete = drain_board(
        elevation,
        around,
        surroundings_m,
        lambda window: _drain_window(ground, window, band_rows, folder, rules),
        _find_entries,
    )
    return Drainage(
        elevation,
        window,
        rasters.surface.mapped(),
        rasters.direction.mapped(),
        rasters.catchment.mapped(),
        rasters.lake.mapped(),
        is_complete,
    )


def _drain_window(
    elevation: Elevation, window: Window, band_rows: int, folder: Path, rules: DrainageRules
) -> Rasters:
    """Drain a window by bands into files."""
    bands = Bands(window.shape, band_rows)
    rasters = Rasters(folder, elevation.read(0, 1, 0, 1)[0].dtype, bands)
    areas = Areas(elevation, window, bands)
    _read(elevation, window, rasters, rules.sea_level_m)
    if rules.lakes is not None:
        fill_bands(bands, rasters.ground, rasters.surface)
        mark_lakes(rasters, areas, rules.lakes)
    if rules.breach is not None:
        breach_bands(rasters, rules.breach)
        fill_bands(bands, rasters.carved, rasters.surface)
    elif rules.lakes is None:
        fill_bands(bands, rasters.ground, rasters.surface)
    _direct(rasters, 1.0 / pixel_distances(elevation, window))
    entering = _carry(rasters, areas.of)
    for band in bands:
        _, total = _sum_band(rasters, band, areas.of(band), entering)
        rasters.catchment.write(band.row0, total[band.inner()] * areas.unit_m2)
    rasters.tidy()
    return rasters


def _read(
    elevation: Elevation, window: Window, rasters: Rasters, sea_level_m: float | None
) -> None:
    """Copy the ground, with -inf for voids and sea."""
    any_ground = False
    for band in rasters.bands:
        row0, row1 = window.row0 + band.row0, window.row0 + band.row1
        ground = read_ground(elevation, window._replace(row0=row0, row1=row1), sea_level_m)
        rasters.ground.write(band.row0, ground)
        any_ground = any_ground or bool(np.isfinite(ground.max()))
    if not any_ground:
        refuse_no_ground(elevation, window)


def _direct(rasters: Rasters, per_m: NDArray[np.float64]) -> None:
    """Direct all pixels, then the flats by their distance to a way out; put 0 in voids."""
    for band in rasters.bands:
        surface = rasters.surface.read(band.with_halo())
        code = np.where(surface == -np.inf, VOID, OUTLET)
        pixel_flow.direct(surface, np.ascontiguousarray(per_m[band.with_halo()]), code)
        own = code[band.inner()]
        rasters.direction.write(band.row0, own)
        rasters.distance.write(band.row0, np.where(own == FLAT, _FAR, 0))

    def update(band: RowBand) -> tuple[bool, bool]:
        """Shorten distances within a band, and tell whether those at its ends changed."""
        rows = band.with_halo()
        distance = rasters.distance.read(rows)
        own = distance[band.inner()]
        first, last = own[0].copy(), own[-1].copy()
        pixel_flow.relax_flats(rasters.surface.read(rows), rasters.direction.read(rows), distance)
        rasters.distance.write(band.row0, own)
        return bool((own[0] != first).any()), bool((own[-1] != last).any())

    rasters.bands.update_until_stable(update)
    for band in rasters.bands:
        rows = band.with_halo()
        code = rasters.direction.read(rows)
        pixel_flow.pick_by_distance(
            rasters.surface.read(rows).ravel(),
            frozen(rasters.ground.read(rows).ravel()),
            rasters.distance.read(rows).ravel(),
            pixel_steps(code.shape[1]),
            code.shape[1],
            code.ravel(),
        )
        rasters.direction.write(band.row0, code[band.inner()])
    for band in rasters.bands:
        surface = rasters.surface.read(band.rows)
        surface[surface == -np.inf] = 0.0
        rasters.surface.write(band.row0, surface)


def _sum_band(
    rasters: Rasters, band: RowBand, units: NDArray[np.float64], entering: NDArray[np.float64]
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Accumulate a band with what enters at its edge pixels; the halo gathers what leaves it."""
    code = rasters.direction.read(band.with_halo())
    total = np.zeros(code.shape)
    own = total[band.inner()]
    own[:] = units
    own[code[band.inner()] == VOID] = 0
    first, last = rasters.bands.edge_pixels(band)
    own[0] += entering[first]
    own[-1] += entering[last]
    if band.has_above:
        code[0] = np.where(code[0] == VOID, VOID, OUTLET)
    if band.has_below:
        code[-1] = np.where(code[-1] == VOID, VOID, OUTLET)
    inflows = np.empty(code.shape, dtype=np.uint8)
    pixel_flow.count_inflows(code, inflows)
    pixel_flow.accumulate(
        frozen(code.ravel()), pixel_steps(code.shape[1]), inflows.ravel(), total.ravel()
    )
    return code, total


def _carry(
    rasters: Rasters, units_of: Callable[[RowBand], NDArray[np.float64]]
) -> NDArray[np.float64]:
    """Find what enters at each edge pixel if every pixel gives its units.

    A band is summed by itself, so that what leaves it is known; what crosses an edge pixel then
    runs on to the edge pixel it leads to, until it ends within a band.
    """
    bands = rasters.bands
    nothing, entering = np.zeros(bands.n_edge_pixels), np.zeros(bands.n_edge_pixels)
    leads_to = np.zeros(bands.n_edge_pixels, np.int64)
    for band in bands:
        code, total = _sum_band(rasters, band, units_of(band), nothing)
        label = np.where(code == VOID, np.int32(0), np.int32(-1))
        n_edge_pixels, n = label_band(bands, band, code, label)
        above, below = bands.edge_pixels_around(band)
        ends_at = np.zeros(n, np.int64)
        ends_at[1:n_edge_pixels] = np.concatenate([above, below])
        own = label[band.inner()]
        for row, edge_pixels in zip((own[0], own[-1]), bands.edge_pixels(band), strict=True):
            leads_to[edge_pixels] = ends_at[row]
        if band.has_above:
            entering[above] += total[0]
        if band.has_below:
            entering[below] += total[-1]
    at = np.flatnonzero((entering > 0) & (leads_to > 0))
    moving = entering[at]
    while len(at):
        at, which = np.unique(leads_to[at], return_inverse=True)
        moving = np.bincount(which, moving)
        entering[at] += moving
        goes_on = leads_to[at] > 0
        at, moving = at[goes_on], moving[goes_on]
    return entering


def _find_entries(rasters: Rasters, board: Window, is_cut: Sides) -> Sides:
    """Tell on which sides of the window that are cut water runs on to the board.

    The pixels of a side are outlets, so those beside them are looked at.
    """
    n_rows, n_columns = rasters.bands.shape
    top, bottom, left, right = (
        cut and _reaches(rasters, side, board)
        for cut, side in zip(
            is_cut,
            (
                Window(1, 2, 0, n_columns),
                Window(n_rows - 2, n_rows - 1, 0, n_columns),
                Window(0, n_rows, 1, 2),
                Window(0, n_rows, n_columns - 2, n_columns - 1),
            ),
            strict=True,
        )
    )
    return top, bottom, left, right


def _reaches(rasters: Rasters, start: Window, end: Window) -> bool:
    """Tell whether water of one part of the window runs on in another, not just out of it."""

    def units_of(band: RowBand) -> NDArray[np.float64]:
        units = np.zeros((band.row1 - band.row0, rasters.bands.shape[1]))
        rows = slice(max(start.row0 - band.row0, 0), max(start.row1 - band.row0, 0))
        units[rows, start.column0 : start.column1] = 1.0
        return units

    entering = _carry(rasters, units_of)
    for band in rasters.bands:
        code, total = _sum_band(rasters, band, units_of(band), entering)
        rows = slice(max(end.row0 - band.row0, 0), max(end.row1 - band.row0, 0))
        part = rows, slice(end.column0, end.column1)
        runs_on = code[band.inner()][part] != OUTLET
        if (runs_on & (total[band.inner()][part] > 0)).any():
            return True
    return False
