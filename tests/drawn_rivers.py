"""Rivers drawn through cells of invented slopes, and the water that runs along them."""

from __future__ import annotations

import numpy as np

from hexterra.stages.mapping.mapped_rivers import watercourses_from_lines
from hexterra.stages.mapping.ways import Ways, ways
from hexterra.stages.sampling.gather import Heights
from hexterra.stages.water.flow import Watercourses, flow
from tests.level_ground import heights_of
from tests.map_lines import board, features, through


def rivers(heights: Heights, *courses: tuple[str, ...], titles: tuple[str, ...] = ()) -> Ways:
    """Draw rivers through the centres of cells."""
    lattice = heights.lattice
    lines = [through(lattice, *course) for course in courses]
    held = features(lines, lattice, kinds=["river"] * len(lines), names=titles or None)
    return ways(held, lattice)


def slope(columns: int = 7, rows: int = 5) -> Heights:
    """Make ground that falls evenly to the right, 10 m per column."""
    lattice = board(columns, rows)
    return heights_of(lattice, 500.0 - 10.0 * lattice.column - 0.1 * np.abs(lattice.row - 2))


def computed(heights: Heights, n_cells: float = 1000.0) -> Watercourses:
    """Compute water with a threshold of so many cells."""
    return flow(heights, threshold_m2=n_cells * heights.lattice.area_m2[0])


def drawn(heights: Heights, lines: Ways, n_cells: float = 1000.0, **more: object) -> Watercourses:
    """Let water run along lines, with a threshold of so many cells."""
    return watercourses_from_lines(
        lines,
        computed(heights, n_cells),
        threshold_m2=n_cells * float(heights.lattice.area_m2[0]),
        **more,  # type: ignore[arg-type]
    )
