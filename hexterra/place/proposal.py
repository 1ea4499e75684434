"""What is in a raster, and which boards and scales suit it.

Stands before the brief: `survey` looks at every pixel once, `propose` turns that into a few boards
to choose from, and `fit_scale` chooses the scale that a brief leaves open. Nothing here is needed
once the brief says what it wants.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
from pyproj import Transformer

from hexterra.arguments import checked
from hexterra.elevation.elevation import Elevation
from hexterra.errors import CoverageError
from hexterra.lattice.board import Board, Edges, board_size_mm
from hexterra.lattice.hexagon import Facing
from hexterra.place.scales import fit_scale, largest_board, middle, to_pixel
from hexterra.place.survey import Survey, survey
from hexterra.rounding import round_nearest
from hexterra.units import MM_PER_M, bench_mm_to_ground_m, ground_m_to_bench_mm
from hexterra.values import Value

__all__ = ["LEAST_RELIEF_M", "Proposal", "Proposals", "Survey", "fit_scale", "propose", "survey"]

#: Cells of a proposed board, about: 24 x 16, a table of some 2.35 m x 1.3 m in 100 mm tiles.
_N_CELLS: Final = 384
_MAX_ASPECT: Final = 3.0
_N_STEPS: Final = 10
_N_SCALES: Final = 3
#: Ground with less relief is flat: steps are then true to scale.
LEAST_RELIEF_M: Final = 0.01


@dataclass(frozen=True, eq=False, repr=False)
class Proposal(Value):
    """One board that fits the raster, around its middle.

    `relief_m` is the range of cell heights under it, estimated from blocks; `n_steps` how many
    steps of `metres_per_step` that takes; `exaggeration` how many times taller than true to scale
    it is then built; `pixels_per_cell` the area of a cell in pixels.
    """

    columns: int
    rows: int
    size_mm: tuple[float, float]
    scale: float
    ground_km: tuple[float, float]
    relief_m: float
    metres_per_step: float
    n_steps: float
    exaggeration: float
    pixels_per_cell: float

    def describe(self) -> str:
        """Say it in one line of text."""
        return (
            f"{self.columns:,} x {self.rows:,} cells ({self.size_mm[0] / MM_PER_M:.2f} x"
            f" {self.size_mm[1] / MM_PER_M:.2f} m) at 1:{self.scale:,.0f} shows"
            f" {self.ground_km[0]:,.3g} x {self.ground_km[1]:,.3g} km; {self.metres_per_step:,g} m"
            f" per step makes {self.n_steps:,.0f} steps, {self.exaggeration:.2g} times true height;"
            f" {self.pixels_per_cell:,.3g} pixels per cell"
        )


@dataclass(frozen=True, eq=False, repr=False)
class Proposals(Value):
    """Boards to choose from, the one that shows most ground first."""

    survey: Survey
    boards: tuple[Proposal, ...]

    def describe(self) -> str:
        """Say it in a line of text for each board."""
        lines = [f"{n}. {board.describe()}" for n, board in enumerate(self.boards, start=1)]
        return "\n".join(["Boards that fit:", *lines])


@checked
def propose(
    ground: Survey | Elevation,
    *,
    across_flats_mm: float = 100.0,
    facing: Facing = "points",
    edges: Edges = "straight",
    step_mm: float = 7.5,
) -> Proposals:
    """Propose a board shaped like the raster, at the three largest round scales that fit.

    Scale denominators and metres per step are round numbers (`hexterra.rounding`); the metres per
    step are those that bring the relief nearest to ten steps, or true to scale without relief.

    Parameters
    ----------
    ground
        A survey, or an elevation, which is surveyed first.
    across_flats_mm, facing, edges
        As for `Board`.
    step_mm
        Height of one step on the bench, in millimetres.

    Raises
    ------
    NoHeightsError
        If no pixel is usable.
    CoverageError
        If the raster is so small or thin that cells would be smaller than half a pixel.
    """
    found = ground if isinstance(ground, Survey) else survey(ground)
    columns, rows = _shape_like(found, across_flats_mm, facing)
    lon_deg, lat_deg = middle(found.elevation)
    board_at = partial(
        Board,
        columns=columns,
        rows=rows,
        across_flats_mm=across_flats_mm,
        facing=facing,
        edges=edges,
        lon_deg=lon_deg,
        lat_deg=lat_deg,
    )
    boards = [largest_board(found.elevation, found.block_usable, board_at)]
    while len(boards) < _N_SCALES:
        try:
            below = boards[-1].scale
            boards.append(largest_board(found.elevation, found.block_usable, board_at, below))
        except CoverageError:  # the raster is too coarse for a smaller one
            break
    return Proposals(found, tuple(_proposal(found, board, step_mm) for board in boards))


def _shape_like(found: Survey, across_flats_mm: float, facing: Facing) -> tuple[int, int]:
    """Choose columns and rows whose board has the raster's aspect, and about `_N_CELLS` cells."""
    one_mm, two_mm = (board_size_mm(n, n, across_flats_mm, facing, "straight") for n in (1, 2))
    pitch = (two_mm[0] - one_mm[0]) / (two_mm[1] - one_mm[1])
    aspect = min(max(found.width_km / found.depth_km, 1.0 / _MAX_ASPECT), _MAX_ASPECT)
    columns = max(2, round(math.sqrt(_N_CELLS * aspect / pitch)))
    return columns, max(2, round(_N_CELLS / columns))


def _proposal(found: Survey, board: Board, step_mm: float) -> Proposal:
    """Work out what a board of this scale looks like."""
    from scipy import ndimage  # slow to load, and no plan needs it

    pixel_m2 = math.prod(found.pixel_m)
    cell_m2 = float(board.area_m2[0])
    to_raster = Transformer.from_crs(board.crs, found.elevation.crs, always_xy=True)
    pixel = to_pixel(board, board.centre_mm, found.elevation, to_raster)
    # Heights of cells: block means, averaged over squares of about a cell.
    side = max(1, round(math.sqrt(cell_m2 / pixel_m2) / found.block))
    weight = ndimage.uniform_filter(found.block_usable, side, mode="constant")
    mean_m = ndimage.uniform_filter(found.block_mean_m * found.block_usable, side, mode="constant")
    at = np.clip(pixel // found.block, 0, np.array(weight.shape[::-1]) - 1).astype(np.intp)
    column, row = at[:, 0], at[:, 1]
    has_height = weight[row, column] > 1e-9
    height_m = (mean_m[row, column] / np.maximum(weight[row, column], 1e-9))[has_height]
    relief_m = float(np.ptp(height_m)) if height_m.size else 0.0
    metres_per_step = (
        bench_mm_to_ground_m(step_mm, board.scale)
        if relief_m < LEAST_RELIEF_M
        else round_nearest(relief_m / _N_STEPS)
    )
    width_mm, depth_mm = board.size_mm
    return Proposal(
        columns=board.columns,
        rows=board.rows,
        size_mm=board.size_mm,
        scale=board.scale,
        ground_km=(
            bench_mm_to_ground_m(width_mm, board.scale) / 1000.0,
            bench_mm_to_ground_m(depth_mm, board.scale) / 1000.0,
        ),
        relief_m=relief_m,
        metres_per_step=metres_per_step,
        n_steps=relief_m / metres_per_step,
        exaggeration=step_mm / ground_m_to_bench_mm(metres_per_step, board.scale),
        pixels_per_cell=cell_m2 / pixel_m2,
    )
