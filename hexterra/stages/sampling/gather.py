"""Gather: the heights of every cell, from the pixels under it.

The first stage: an `Elevation` and a lattice come in, `Heights` go out to quantise and flow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

from hexterra.arguments import checked
from hexterra.elevation import georeference
from hexterra.elevation.undeclared import find_void_number, undeclared
from hexterra.errors import BriefError, CoverageError, NoHeightsError
from hexterra.lattice.lattice import Lattice
from hexterra.stages.sampling.outlines import Outlines, PixelWeights, outline_cells
from hexterra.stages.sampling.raster_passes import Ground, Totals, add_up, find_quantiles
from hexterra.values import Value, freeze_arrays

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation

#: What to do with cells that have too few usable pixels.
Below = Literal["refuse", "leave out"]

_N_NAMED = 5


@dataclass(frozen=True, eq=False, repr=False)
class Heights(Value):
    """The ground under each cell, in metres.

    Parameters
    ----------
    lattice
        The cells that have enough usable ground, and no others.
    mean_m, min_m, max_m
        (n_cells,) float64. Mean by area; extremes of all usable pixels that the cell overlaps.
    quantiles
        Which quantiles were asked for, 0 to 1.
    quantile_m
        (n_cells, len(quantiles)) float64: the least height with at least that share of the
        cell's usable area at or below it (Hyndman and Fan, Sample quantiles in statistical
        packages, The American Statistician 50, 1996, definition 1, weighted by area).
    coverage
        (n_cells,) float64: share of the cell's area with usable pixels, 0 to 1.
    corner_m
        (n_corners,) float64: bilinear between the four nearest pixel centres; where one of them
        is void or off the raster, the mean of the means of the cells that meet there.
    grid
        `Elevation.grid_digest` of the raster; "" where there was none.
    """

    lattice: Lattice
    mean_m: NDArray[np.float64]
    min_m: NDArray[np.float64]
    max_m: NDArray[np.float64]
    quantiles: tuple[float, ...]
    quantile_m: NDArray[np.float64]
    coverage: NDArray[np.float64]
    corner_m: NDArray[np.float64]
    grid: str = ""

    def __post_init__(self) -> None:
        n = self.lattice.n_cells
        freeze_arrays(
            self,
            ("mean_m", np.float64, (n,)),
            ("min_m", np.float64, (n,)),
            ("max_m", np.float64, (n,)),
            ("quantile_m", np.float64, (n, len(self.quantiles))),
            ("coverage", np.float64, (n,)),
            ("corner_m", np.float64, (self.lattice.n_corners,)),
        )


@checked
def gather(
    elevation: Elevation,
    lattice: Lattice,
    *,
    quantiles: Sequence[float] = (),
    minimum_coverage: float = 0.5,
    below: Below = "refuse",
) -> Heights:
    """Gather the mean, extremes and quantiles of the ground under each cell.

    Pixels count by the exact area of their overlap with the cell; in a geographic CRS by their
    true area on the ellipsoid. Corners of cells are projected to the raster exactly, and joined
    by straight lines there.

    Parameters
    ----------
    elevation
        The raster. Read once, and once more for quantiles, only where the cells are.
    lattice
        A board, or cells of the globe.
    quantiles
        Quantiles to find, each 0 to 1 (0.5 is the median), in any order.
    minimum_coverage
        Least share of a cell's area that must have usable pixels, above 0, up to 1. Voids and
        ground beyond the raster both count as not usable.
    below
        What becomes of cells with less: "refuse" raises, "leave out" drops them.

    Returns
    -------
    Heights
        ``min_m <= mean_m <= max_m`` and, for every quantile, ``min_m <= quantile_m <= max_m``.
        Pixels under a mask have no influence.

    Raises
    ------
    BriefError
        If `minimum_coverage` or a quantile is out of range, or `below` is unknown.
    CoverageError
        If the board lies off the raster, or cells have too little usable ground.
    NoHeightsError
        If the board lies on the raster, and all pixels under it are voids.
    NotElevationError
        If pixels under the board contain numbers that seem to mark voids, but are not declared.

    Notes
    -----
    Memory is bounded by two bands of about two million pixels. The same input gives the same
    bits, whatever the threads. In a row of pixels, the extremes of a cell that is not convex
    include what lies between its parts in that row.
    """
    wanted = _check(quantiles, minimum_coverage, below)
    outlines = outline_cells(elevation, lattice)
    if outlines is None:
        raise _off_raster(elevation, lattice)
    ground = Ground(elevation, PixelWeights(elevation), outlines.period)
    totals = add_up(ground, outlines)
    if not totals.n_touched.any():
        raise _off_raster(elevation, lattice)
    if not totals.n_usable.any():
        raise NoHeightsError(
            "the board lies on the raster, but every pixel under it is void",
            remedy="move the board to where the raster has heights, or use another raster",
            n_pixels=int(totals.n_touched.sum()),
        )
    _refuse_void_numbers(elevation, lattice, totals)
    coverage = _coverage(ground, outlines, totals)
    present = coverage >= minimum_coverage
    if not present.all() and (below == "refuse" or not present.any()):
        raise _too_little(lattice, coverage, minimum_coverage)
    corner_m = _corner_heights(lattice, outlines, totals, present)
    cells = np.flatnonzero(present)
    kept = lattice if present.all() else lattice.only(present)
    if kept is not lattice:
        kept_corner_m = np.empty(kept.n_corners)
        kept_corner_m[kept.corner_of] = corner_m[lattice.corner_of[cells]]
        corner_m = kept_corner_m
    quantile_m = np.empty((len(cells), 0))
    if wanted:
        quantile_m = find_quantiles(ground, outlines, cells, wanted)
    return Heights(
        lattice=kept,
        mean_m=totals.mean[cells],
        min_m=totals.lowest[cells],
        max_m=totals.highest[cells],
        quantiles=wanted,
        quantile_m=quantile_m,
        coverage=coverage[cells],
        corner_m=corner_m,
        grid=elevation.grid_digest,
    )


def average_cells(
    elevation: Elevation, lattice: Lattice
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Average the usable pixels under each cell, as `gather` does, and refuse nothing.

    Returns
    -------
    tuple
        Mean of each cell, NaN without any usable pixel, and coverage, NaN off the raster, both
        (n_cells,) float64. None if no cell has a place on the raster.
    """
    outlines = outline_cells(elevation, lattice)
    if outlines is None:
        return None
    ground = Ground(elevation, PixelWeights(elevation), outlines.period)
    totals = add_up(ground, outlines)
    if not totals.n_touched.any():
        return None
    coverage = _coverage(ground, outlines, totals)
    return totals.mean, np.where(totals.n_touched > 0, coverage, np.nan)


def _check(quantiles: Sequence[float], minimum_coverage: float, below: str) -> tuple[float, ...]:
    if not 0.0 < minimum_coverage <= 1.0:
        raise BriefError(
            f"the minimum coverage is {minimum_coverage!r}; it must be above 0, up to 1",
            remedy="give the least share of a cell that must have heights, such as 0.5",
            minimum_coverage=minimum_coverage,
        )
    if below not in ("refuse", "leave out"):
        raise BriefError(
            f"{below!r} is not known for cells below the minimum coverage",
            remedy='choose "refuse" or "leave out"',
            below=below,
        )
    for quantile in quantiles:
        if not 0.0 <= quantile <= 1.0:
            raise BriefError(
                f"the quantile {quantile!r} does not exist; quantiles go from 0 to 1",
                remedy="write the median as 0.5, and the upper tenth as 0.9",
                quantile=quantile,
            )
    return tuple(float(quantile) for quantile in quantiles)


def _refuse_void_numbers(elevation: Elevation, lattice: Lattice, totals: Totals) -> None:
    """Refuse extremes of cells, or pixels around their corners, that seem to mark voids."""
    has_any = np.isfinite(totals.lowest)
    corners = totals.corner_height[totals.corner_usable]
    lowest, highest = (
        np.concatenate([extreme[has_any], corners]) for extreme in (totals.lowest, totals.highest)
    )
    if found := find_void_number(elevation, lowest, highest):
        is_there = (totals.lowest == found.height_m) | (totals.highest == found.height_m)
        named = [lattice.labels[cell] for cell in np.flatnonzero(is_there)]
        more = f" and {len(named) - _N_NAMED:,} more" if len(named) > _N_NAMED else ""
        under = f" ({', '.join(named[:_N_NAMED])}{more})" if named else ""
        raise undeclared(elevation, found, f"under the board{under}")


def _coverage(ground: Ground, outlines: Outlines, totals: Totals) -> NDArray[np.float64]:
    """Share of each cell that is usable: exactly 0 or 1 where counting pixels says so."""
    coverage = (totals.n_usable == totals.n_touched).astype(np.float64)
    partly = np.flatnonzero(outlines.is_cut | (totals.n_usable < totals.n_touched))
    whole = ground.weights.of_rings(outlines.ring_xy[partly])
    coverage[partly] = np.clip(totals.weight[partly] / whole, 0.0, 1.0)
    return coverage


def _corner_heights(
    lattice: Lattice, outlines: Outlines, totals: Totals, present: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Bilinear height at each corner, or the mean of the `present` cells that meet there."""
    x, y = (outlines.corner_xy - 0.5).T
    right, down = x - np.floor(x), y - np.floor(y)
    upper_left, upper_right, lower_left, lower_right = totals.corner_height.T
    upper = upper_left + right * (upper_right - upper_left)
    lower = lower_left + right * (lower_right - lower_left)
    corner_m = upper + down * (lower - upper)
    lost = np.flatnonzero(~totals.corner_usable.all(axis=1))
    around = lattice.corner_cells[lost] if len(lost) else np.empty((0, 3), np.int32)
    counts = (around >= 0) & present[around]
    total = np.where(counts, totals.mean[around], 0.0).sum(axis=1)
    # Without any present cell the corner goes with its cells.
    corner_m[lost] = total / np.maximum(counts.sum(axis=1), 1)
    return corner_m


def _too_little(
    lattice: Lattice, coverage: NDArray[np.float64], minimum_coverage: float
) -> CoverageError:
    few = np.flatnonzero(coverage < minimum_coverage)
    named = [f"{lattice.labels[cell]} ({coverage[cell]:.0%})" for cell in few[:_N_NAMED]]
    more = f" and {len(few) - _N_NAMED:,} more" if len(few) > _N_NAMED else ""
    left_out = (
        'build without these cells: below="leave out" in Python,'
        ' heights.below_coverage = "leave out" in the brief'
        if len(few) < lattice.n_cells
        else "lower the minimum coverage: minimum_coverage=, heights.minimum_coverage in the brief"
    )
    return CoverageError(
        f"{len(few):,} of {lattice.n_cells:,} cells have heights on less than"
        f" {minimum_coverage:.0%} of their area: {', '.join(named)}{more}",
        remedy="show less ground (fewer cells, or a smaller number for the scale), choose another"
        f" place, or {left_out}",
        n_cells=len(few),
        cells=tuple(lattice.labels[cell] for cell in few),
        least_coverage=float(coverage.min()),
    )


def _off_raster(elevation: Elevation, lattice: Lattice) -> CoverageError:
    ends = georeference.corners(elevation.affine, elevation.shape)
    raster = _extent(elevation.crs, ends)
    board = _extent(lattice.crs, lattice.corner_xy)
    return CoverageError(
        f"the board lies off the raster: the board spans {board}, the raster {raster}",
        remedy="move the board onto the raster, or use a raster of the board's place",
        board=board,
        raster=raster,
    )


def _extent(crs: str, points: NDArray[np.float64]) -> str:
    """Least and greatest longitude and latitude of `points`, in words."""
    to_degrees = Transformer.from_crs(crs, "OGC:CRS84", always_xy=True)
    lon, lat = to_degrees.transform(points[:, 0], points[:, 1])
    return (
        f"longitude {np.min(lon):.4f} to {np.max(lon):.4f},"
        f" latitude {np.min(lat):.4f} to {np.max(lat):.4f} degrees"
    )
