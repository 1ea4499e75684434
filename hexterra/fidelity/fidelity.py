"""Tiles -> Fidelity: how true the built board is to the ground."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Final, cast

import numpy as np
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.brief.fidelity_section import FidelityBrief
from hexterra.elevation.averaging import average
from hexterra.elevation.elevation import Elevation
from hexterra.fidelity.built_surface import NODATA, SurfaceGrid, built_rows
from hexterra.fidelity.intervisibility import NEAR_CELLS, Intervisibility, intervisibility
from hexterra.fidelity.landforms import (
    SLOPES,
    Landforms,
    SlopeClasses,
    compare_slopes,
    drainage_agreement,
    find_floors,
    find_summits,
)
from hexterra.lattice.board import Board
from hexterra.stages.sampling.outlines import PixelWeights, columns_per_turn
from hexterra.stages.sampling.raster_passes import Ground
from hexterra.stages.tiles.fit import Tiles
from hexterra.stages.water.flow import Watercourses
from hexterra.values import Value

#: Most pixels that are compared; those of finer rasters are averaged.
MOST_PIXELS: Final = 4_000_000

#: Rows of pixels on which the built surface is found at once.
_BLOCK: Final = 256


@dataclass(frozen=True, eq=False, repr=False)
class Deviation(Value):
    """How far built heights lie from the ground.

    Parameters
    ----------
    n
        How many heights were compared, at least 1.
    bias_m
        Built height less ground on average, in metres.
    rms_m
        Root mean square of the difference, in metres.
    within_95_m
        What 95% of the differences do not exceed, up or down, in metres.
    """

    n: int
    bias_m: float
    rms_m: float
    within_95_m: float

    @staticmethod
    def of(difference_m: NDArray[np.float64]) -> Deviation:
        """Sum up differences, any shape, at least one."""
        return Deviation(
            n=difference_m.size,
            bias_m=float(difference_m.mean()),
            rms_m=float(np.sqrt(np.square(difference_m).mean())),
            within_95_m=float(np.quantile(np.abs(difference_m), 0.95, method="inverted_cdf")),
        )


@dataclass(frozen=True, eq=False, repr=False)
class Fidelity(Value):
    """How true the built board is to the ground.

    Parameters
    ----------
    cells
        Means of whole tops against the means of the ground under them.
    summits, floors
        Summits that rise more than a step, and valley floors.
    slopes
        Slopes of cells, in classes.
    drainage
        Share of cells from which water runs where the ground's does, 0 to 1; None if the board
        shows no water.
    pixels
        The built surface against every usable pixel of the raster under the board; None if there
        is none.
    sight
        Who sees whom. This and `pixels` are None if the raster is not at hand.
    pixels_averaged
        Pixels of the raster along each edge of one that was compared; 0 if none was.
    corners
        Digest of the corner heights of the tiles that were measured.
    """

    cells: Deviation
    summits: Landforms
    floors: Landforms
    slopes: SlopeClasses
    drainage: float | None
    pixels: Deviation | None
    sight: Intervisibility | None
    pixels_averaged: int
    corners: str

    def is_of(self, tiles: Tiles) -> bool:
        """Tell whether it was measured on tops just as high."""
        return self.corners == _digest(tiles)

    def sentence(self) -> str:
        """Say the most important of it in plain words."""
        heights, what = self.cells, f"mean heights of {self.cells.n:,} cells are"
        if self.pixels is not None:
            heights, n = self.pixels, self.pixels_averaged
            means = f" means of {n} x {n}" if n > 1 else ""
            what = f"built heights at {heights.n:,}{means} pixels are"
        way = "neither too high nor too low"
        if abs(heights.bias_m) >= 0.05:
            way = f"{abs(heights.bias_m):,.1f} m too {'high' if heights.bias_m > 0 else 'low'}"
        words = (
            f"{what} within {heights.rms_m:,.1f} m (rms) of the ground, 95% within"
            f" {heights.within_95_m:,.1f} m, on average {way}"
        )
        if self.sight is not None and self.sight.overall.n_pairs:
            seen = self.sight.overall
            words += (
                f"; who sees whom agrees for {seen.agreement:.0%} of pairs of cells"
                f" (kappa {seen.kappa:.2f})"
            )
        return words

    def rows(self) -> tuple[tuple[str, float, str], ...]:
        """Everything as rows of a table: label, value, unit ("" for a count)."""
        rows: list[tuple[str, float, str]] = []
        for name, heights in (("cells", self.cells), ("pixels", self.pixels)):
            if heights is not None:
                rows += [
                    (f"Heights of {name}: compared", heights.n, ""),
                    (f"Heights of {name}: built less ground, mean", heights.bias_m, "m"),
                    (f"Heights of {name}: root mean square", heights.rms_m, "m"),
                    (f"Heights of {name}: 95% are within", heights.within_95_m, "m"),
                ]
        if self.pixels_averaged > 1:
            rows.append(("Pixels averaged into one, along its edge", self.pixels_averaged, ""))
        for name, forms in (("Summits", self.summits), ("Valley floors", self.floors)):
            rows += [
                (f"{name}: on the ground", forms.n, ""),
                (f"{name}: not shown", forms.n_lost, ""),
                (f"{name}: mean change against the cells around", forms.change_m, "m"),
            ]
        rows.append(("Slopes: cells of the same class", 100.0 * self.slopes.share_same, "%"))
        for number, name in enumerate(SLOPES):
            on_ground = sum(self.slopes.n_cells[number])
            on_board = sum(row[number] for row in self.slopes.n_cells)
            rows += [
                (f"Slopes: {name} cells of the ground", on_ground, ""),
                (f"Slopes: {name} cells of the board", on_board, ""),
            ]
        if self.drainage is not None:
            rows.append(("Water: cells that drain as the ground", 100.0 * self.drainage, "%"))
        if (sight := self.sight) is not None:
            rows += [
                ("Who sees whom: eyes above the ground", sight.eye_m, "m"),
                ("Who sees whom: targets above the ground", sight.target_m, "m"),
            ]
            near = f"Who sees whom, up to {NEAR_CELLS} cells away"
            for name, seen in ((near, sight.near), ("Who sees whom, overall", sight.overall)):
                rows += [
                    (f"{name}: pairs of cells", seen.n_pairs, ""),
                    (f"{name}: seen on the ground only", seen.on_ground_only, ""),
                    (f"{name}: seen on the board only", seen.on_board_only, ""),
                    (f"{name}: agreement", 100.0 * seen.agreement, "%"),
                    (f"{name}: kappa", seen.kappa, ""),
                ]
        return tuple(rows)


@checked
def measure(
    tiles: Tiles,
    elevation: Elevation | None,
    brief: FidelityBrief,
    *,
    step_m: float,
    water: Watercourses | None = None,
) -> Fidelity:
    """Measure how true a built board is to the ground.

    Parameters
    ----------
    tiles
        The tiles of a `Board`.
    elevation
        The ground; None if it is not at hand. It is read once, under the board only.
    brief
        How high eyes and targets are, and how many pairs are looked at.
    step_m
        Ground height of a step, in metres.
    water
        Where the water of the ground runs; None for none.

    Notes
    -----
    Pixels whose middle lies on the board are compared. Where a cell is more than 32 pixels across,
    or there are more than `MOST_PIXELS`, square blocks of pixels are averaged and compared with
    the built surface in the middle of each.
    """
    heights = tiles.legal.levels.heights
    lattice, ground_m = cast("Board", heights.lattice), heights.mean_m
    pixels, sight, averaged = None, None, 0
    if elevation is not None:
        grid = SurfaceGrid(lattice, elevation.affine, elevation.crs, most_pixels=MOST_PIXELS)
        averaged = grid.step
        pixel_m, surface_m = _surfaces(tiles, elevation, grid)
        known = ~np.isnan(pixel_m)
        if known.any():
            pixels = Deviation.of(surface_m[known] - pixel_m[known])
        sight = intervisibility(
            lattice,
            grid,
            pixel_m,
            surface_m,
            eye_m=brief.eye_m,
            target_m=brief.target_m,
            n_pairs=brief.n_pairs,
            seed=brief.seed,
        )
    return Fidelity(
        cells=Deviation.of(tiles.residual_m),
        summits=find_summits(lattice, ground_m, tiles.built_m, step_m),
        floors=find_floors(lattice, ground_m, tiles.built_m, step_m, water),
        slopes=compare_slopes(lattice, ground_m, tiles.built_m, step_m),
        drainage=None if water is None else drainage_agreement(water, tiles.built_m),
        pixels=pixels,
        sight=sight,
        pixels_averaged=averaged,
        corners=_digest(tiles),
    )


def _surfaces(
    tiles: Tiles, elevation: Elevation, grid: SurfaceGrid
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return ground and built surface on the pixels of `grid`, in metres.

    Both are NaN where either is not known: off the board, off the raster, and in voids.
    """
    surface = np.full((grid.height, grid.width), np.nan)
    for row0 in range(0, grid.height, _BLOCK):
        row1 = min(row0 + _BLOCK, grid.height)
        rows = built_rows(tiles, grid, row0, row1)
        np.copyto(surface[row0:row1], rows, where=rows != NODATA)
    coarse = average(elevation, grid.step)
    period, (n_rows, n_columns) = columns_per_turn(coarse), coarse.shape
    row0, row1 = max(grid.first_row, 0), min(grid.first_row + grid.height, n_rows)
    column0, column1 = grid.first_column, grid.first_column + grid.width
    if not period:
        column0, column1 = max(column0, 0), min(column1, n_columns)
    ground = np.full(surface.shape, np.nan)
    if row0 < row1 and column0 < column1:
        band = Ground(coarse, PixelWeights(coarse), period).read(row0, row1, column0, column1)
        ground[
            row0 - grid.first_row : row1 - grid.first_row,
            column0 - grid.first_column : column1 - grid.first_column,
        ] = np.where(band.usable, band.height, np.nan) if band.usable.size else band.height
    ground[np.isnan(surface)] = np.nan
    surface[np.isnan(ground)] = np.nan
    return ground, surface


def _digest(tiles: Tiles) -> str:
    corners = tiles.corners.astype("<i4").tobytes()
    return hashlib.blake2b(corners, digest_size=16).hexdigest()
