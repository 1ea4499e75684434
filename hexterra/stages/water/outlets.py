"""Choose the outlet of every cell: the pixel by which the water of the raster leaves it.

Used by the route stage, which says what it means that a cell is misrouted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.raster import cell_outlets, cell_pixels
from hexterra.kernels.raster.cell_outlets import ExitTables
from hexterra.kernels.raster.cell_pixels import CellCorners, DrainedPixels
from hexterra.stages.sampling.pixel_geometry import pixel_steps

if TYPE_CHECKING:
    from hexterra.stages.drainage.drain import Drainage

#: Catchment, in cells, above which an outlet is that of a large river.
LARGE_CELLS: Final = 20.0

_MAIN_SHARE: Final = 0.12  # of a cell: what drains less is looked at only where it is needed
_LEAST_SHARE: Final = 0.005  # of a cell: what drains less is no outlet unless there is no other
_LEAST_AT_FIRST: Final = 0.25  # of a cell or of its largest exit, in the first pass
_GOAL: Final = 0.02  # share of cells: where more are wrong, more time is spent
_IMPORTANCE: Final = 8  # how many small rivers may be wrong for a large one to be right
_FEW: Final = 16  # exits are seldom more than one pixel in so many


@dataclass
class Outlets:
    """The exits of cells, and which is the outlet of each: tables in the making.

    Parameters
    ----------
    pixels
        The window that was drained, for the kernels.
    tables
        (m,) exits, (n,) cells and their neighbours, for the kernels.
    area_m2
        Areas of the cells, (n,) float64.
    pixel_of
        Pixels of the exits in the window that was drained, (m,) uint32.
    size_m2
        Catchments of the first outlets, (n,) float64; 0 for none.
    """

    pixels: DrainedPixels
    tables: ExitTables
    area_m2: NDArray[np.float64]
    pixel_of: NDArray[np.uint32]
    size_m2: NDArray[np.float64]

    def add(self, found: Any) -> None:
        """Add exits that were found, and note which of the cells that had none are misrouted."""
        exits, cells, _ = self.tables
        had_none = cells["outlet"] < 0
        exits.resize(len(exits) + len(found), refcheck=False)  # no view of it is kept
        cell_pixels.add_exits(found, self.pixels, self.tables)
        self.pixel_of = np.concatenate([self.pixel_of, found["pixel"]])
        gained = np.flatnonzero(had_none & (cells["outlet"] >= 0)).astype(np.int32)
        self.size_m2[gained] = exits["area"][cells["outlet"][gained]]
        is_large = self.size_m2[gained] >= LARGE_CELLS * self.area_m2[gained]
        cells["importance"][gained] = np.where(is_large, _IMPORTANCE, 1)
        cell_outlets.mark_misrouted(gained, self.tables)

    @property
    def share_misrouted(self) -> float:
        """Share of the cells with outlets that are misrouted."""
        cells = self.tables.cells
        return float(cells["is_misrouted"].sum() / max((cells["outlet"] >= 0).sum(), 1))

    def improve(self, least_share: float, sign: int, at_once: int) -> None:
        """Move outlets, errors toward small rivers (`sign` 1) or large ones (-1)."""
        cells = self.tables.cells
        cells["weight"] = sign * self.size_m2
        cells["least"] = least_share * np.minimum(self.size_m2, self.area_m2)
        misrouted = by_size(cells["is_misrouted"], self.size_m2)
        cell_outlets.choose_outlets(misrouted, at_once, self.tables)


def by_size(chosen: NDArray[np.bool_], size_m2: NDArray[np.float64]) -> NDArray[np.int32]:
    """List cells, largest first; ties go to the first."""
    cells = np.flatnonzero(chosen).astype(np.int32)
    return cells[np.argsort(-size_m2[cells], kind="stable")]


def choose(
    drained: Drainage,
    corners: CellCorners,
    area_m2: NDArray[np.float64],
    ways: NDArray[np.int32],
) -> Outlets:
    """Choose the outlets of cells that have exits, in passes over those that are misrouted.

    Exits that drain little are many, and are worth their time only where cells would be misrouted
    without them. So they are found after the first pass for the cells that still are, and for those
    that have no other; after the second, if more are than is the goal, for the cells as well that a
    move would have left so. The first two passes shift errors to small rivers, the third one back,
    for where errors meet they vanish; it tries two moves at once where one repairs none.
    If the goal is still missed, a fourth shifts them once more.

    Parameters
    ----------
    drained
        The raster, from `drain`.
    corners
        Those of the cells, in the pixel space of its window.
    area_m2
        Areas of the cells, (n,).
    ways
        Neighbours, (n, 6); see `hexterra.kernels.raster.cell_outlets.ExitTables`.
    """
    n, n_columns = len(ways), drained.direction.shape[1]
    code, contributing_m2 = drained.direction.ravel(), drained.catchment_m2.ravel()
    cell_at = np.full(code.shape, -1, dtype=np.int32)
    cell_pixels.cells_of_pixels(corners, n_columns, cell_at)
    pixels = DrainedPixels(n_columns, cell_at, code, contributing_m2, pixel_steps(n_columns))
    main_m2, least_m2 = float(area_m2.min()) * np.array([_MAIN_SHARE, _LEAST_SHARE])
    room = np.empty(max(code.size // _FEW, 1), dtype=cell_outlets.FOUND)
    cells = np.zeros(n, dtype=cell_outlets.CELL)
    cells["outlet"] = cells["first"] = -1
    tables = ExitTables(np.empty(0, dtype=cell_outlets.EXIT), cells, ways)
    chosen = Outlets(pixels, tables, area_m2, np.empty(0, dtype=np.uint32), np.zeros(n))

    def add_smaller(of_cells: NDArray[np.bool_]) -> None:
        numbers = np.flatnonzero(of_cells).astype(np.int32)
        found = cell_pixels.find_smaller_exits(
            numbers, corners, pixels, tables, least_m2, main_m2, room
        )
        chosen.add(found)

    chosen.add(cell_pixels.find_exits(pixels, n, main_m2, room))
    chosen.improve(_LEAST_AT_FIRST, 1, at_once=1)
    lacking = cells["is_misrouted"] | (cells["outlet"] < 0)
    add_smaller(lacking)
    chosen.improve(0.0, 1, at_once=1)
    if chosen.share_misrouted > _GOAL:
        add_smaller(cells["is_at_stake"] & ~lacking)
    chosen.improve(0.0, -1, at_once=2)
    if chosen.share_misrouted > _GOAL:
        chosen.improve(0.0, 1, at_once=2)
    return chosen
