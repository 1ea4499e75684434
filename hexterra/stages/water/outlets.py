"""Choose the outlet of every cell: the pixel by which the water of the raster leaves it.

Used by the route stage, which tells what it means that a cell is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.raster import cell_outlets, cell_pixels
from hexterra.stages.sampling.pixel_geometry import pixel_steps

if TYPE_CHECKING:
    from hexterra.stages.drainage.drain import Drainage

#: Catchment, in cells, above which an outlet is that of a large river.
LARGE_CELLS: Final = 20.0

#: Cells of pixels, or -2 - their exits; direction codes; what each code adds to a pixel's number.
Ground = tuple[NDArray[np.int32], NDArray[np.uint8], NDArray[np.uint64]]

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
    ways
        Neighbours of the cells, (n, 6), as `hexterra.kernels.raster.cell_outlets` wants them.
    area_m2
        Areas of the cells, (n,) float64.
    pixel_of
        Pixels of the exits in the window that was drained, (m,) uint32.
    exits, cells
        (m,) `outlets.EXIT` and (n,) `outlets.CELL`.
    size_m2
        Catchments of the first outlets, (n,) float64; 0 for none.
    """

    ways: NDArray[np.int32]
    area_m2: NDArray[np.float64]
    pixel_of: NDArray[np.uint32]
    exits: Any
    cells: Any
    size_m2: NDArray[np.float64]

    def add(self, found: Any, ground: Ground) -> None:
        """Add exits that were found, and tell of cells that had none which are wrong."""
        cells = self.cells
        had_none = cells["outlet"] < 0
        self.exits.resize(len(self.exits) + len(found), refcheck=False)  # no view of it is kept
        cell_pixels.add_exits(found, *ground, self.exits, cells)
        self.pixel_of = np.concatenate([self.pixel_of, found["pixel"]])
        gained = np.flatnonzero(had_none & (cells["outlet"] >= 0)).astype(np.int32)
        self.size_m2[gained] = self.exits["area"][cells["outlet"][gained]]
        is_large = self.size_m2[gained] >= LARGE_CELLS * self.area_m2[gained]
        cells["importance"][gained] = np.where(is_large, _IMPORTANCE, 1)
        cell_outlets.mark_wrong(gained, self.exits, cells, self.ways)

    @property
    def share_wrong(self) -> float:
        """Share of the cells with outlets that are wrong."""
        return float(self.cells["is_wrong"].sum() / max((self.cells["outlet"] >= 0).sum(), 1))

    def improve(self, least_share: float, sign: int, at_once: int) -> None:
        """Move outlets, errors toward small rivers (`sign` 1) or large ones (-1)."""
        cells = self.cells
        cells["weight"] = sign * self.size_m2
        cells["least"] = least_share * np.minimum(self.size_m2, self.area_m2)
        wrong = by_size(cells["is_wrong"], self.size_m2)
        cell_outlets.choose_outlets(wrong, at_once, self.exits, cells, self.ways)


def by_size(chosen: NDArray[np.bool_], size_m2: NDArray[np.float64]) -> NDArray[np.int32]:
    """List cells, the largest first, of equals the first."""
    cells = np.flatnonzero(chosen).astype(np.int32)
    return cells[np.argsort(-size_m2[cells], kind="stable")]


def choose(
    drained: Drainage,
    outlines: tuple[NDArray[np.float64], NDArray[np.int32]],
    area_m2: NDArray[np.float64],
    ways: NDArray[np.int32],
) -> Outlets:
    """Choose the outlets of cells that have exits, in passes over those that are wrong.

    Exits that drain little are many, and are worth their time only where cells would be wrong
    otherwise. So they are found after the first pass for the cells that still are, and for those
    that have no other; after the second, if more are wrong than is the goal, for the cells as well
    that a move would have left wrong. The first two passes shift errors to small rivers, the third
    one back, for where errors meet they vanish; it tries two moves at once where one repairs none.
    If the goal is still missed, a fourth shifts them once more.

    Parameters
    ----------
    drained
        The raster, from `drain`.
    outlines
        Corners in the pixel space of its window, (m, 2), and those of each cell, (n, k).
    area_m2
        Areas of the cells, (n,).
    ways
        Neighbours, (n, 6); see `Outlets`.
    """
    n, n_columns = len(ways), drained.direction.shape[1]
    code, catchment_m2 = drained.direction.ravel(), drained.catchment_m2.ravel()
    cell_at = np.full(code.shape, -1, dtype=np.int32)
    cell_pixels.cells_of_pixels(*outlines, n_columns, cell_at)
    ground = (cell_at, code, pixel_steps(n_columns).view(np.uint64))
    main_m2, least_m2 = float(area_m2.min()) * np.array([_MAIN_SHARE, _LEAST_SHARE])
    room = np.empty(max(code.size // _FEW, 1), dtype=cell_outlets.FOUND)
    cells = np.zeros(n, dtype=cell_outlets.CELL)
    cells["outlet"] = cells["first"] = -1
    exits, pixel_of = np.empty(0, dtype=cell_outlets.EXIT), np.empty(0, dtype=np.uint32)
    chosen = Outlets(ways, area_m2, pixel_of, exits, cells, np.zeros(n))

    def add_smaller(of_cells: NDArray[np.bool_]) -> None:
        numbers = np.flatnonzero(of_cells).astype(np.int32)
        bounds = (least_m2, main_m2)
        found = cell_pixels.find_smaller_exits(
            numbers, *outlines, n_columns, *ground, catchment_m2, *bounds, exits, cells, room
        )
        chosen.add(found, ground)

    chosen.add(cell_pixels.find_exits(*ground, catchment_m2, main_m2, n, room), ground)
    chosen.improve(_LEAST_AT_FIRST, 1, at_once=1)
    lacking = cells["is_wrong"] | (cells["outlet"] < 0)
    add_smaller(lacking)
    chosen.improve(0.0, 1, at_once=1)
    if chosen.share_wrong > _GOAL:
        add_smaller(cells["is_at_stake"] & ~lacking)
    chosen.improve(0.0, -1, at_once=2)
    if chosen.share_wrong > _GOAL:
        chosen.improve(0.0, 1, at_once=2)
    return chosen
