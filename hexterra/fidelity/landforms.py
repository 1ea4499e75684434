"""What becomes of the landforms of the cells: summits, valley floors, slopes, and the way down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.values import Value

if TYPE_CHECKING:
    from hexterra.lattice.lattice import Lattice
    from hexterra.stages.water.flow import Watercourses

#: Slopes of cells, gentle first: by the steepest of their sides.
SLOPES: Final = ("flat", "gentle", "steep", "cliff")

#: Rise across a side, in steps, from which a cell is of the next class. One step is what a gentle
#: ramp rises, two are what a steep one rises, and what rises more no ramp can show.
_FROM_STEPS: Final = (0.5, 1.5, 2.5)

#: Heights that differ by less are equal: they are sums of the same fractions of a step.
_EQUAL_M: Final = 1e-6


@dataclass(frozen=True, eq=False, repr=False)
class Landforms(Value):
    """What becomes of summits, or of valley floors.

    Parameters
    ----------
    n
        How many the ground has.
    n_lost
        How many of them the board does not show.
    mean_ground_m, mean_built_m
        How far they stand above (lie below) the mean of the cells around them, on the ground and
        on the board, in metres, on average; 0 if there are none.
    """

    n: int
    n_lost: int
    mean_ground_m: float
    mean_built_m: float

    @property
    def change_m(self) -> float:
        """By how much the board exaggerates them, in metres; negative where it flattens them."""
        return self.mean_built_m - self.mean_ground_m


@dataclass(frozen=True, eq=False, repr=False)
class SlopeClasses(Value):
    """How the slopes of cells are shown.

    Parameters
    ----------
    n_cells
        Number of cells, (4, 4) int64, of each class of `SLOPES` on the ground (row) and on the
        built board (column).
    """

    n_cells: tuple[tuple[int, ...], ...]

    @property
    def share_same(self) -> float:
        """Share of cells of one class on ground and board, 0 to 1."""
        counts = np.array(self.n_cells)
        return float(np.trace(counts) / counts.sum())


def find_summits(
    lattice: Lattice, ground_m: NDArray[np.float64], built_m: NDArray[np.float64], least_m: float
) -> Landforms:
    """Compare the summits of the ground with the built board.

    A summit is higher than all cells around it (of equals the one of lower number), lies off the
    rim, and has a prominence above `least_m`. It is lost if a cell beside it is built as high.
    """
    is_summit = (prominence_m(lattice, ground_m) > least_m) & ~lattice.is_rim
    is_lower = _around(lattice, built_m) < built_m[:, None] - _EQUAL_M
    is_lost = ((lattice.neighbours >= 0) & ~is_lower).any(axis=1)
    return _compare(lattice, is_summit, np.asarray(is_lost), ground_m, built_m)


def find_floors(
    lattice: Lattice,
    ground_m: NDArray[np.float64],
    built_m: NDArray[np.float64],
    least_m: float,
    water: Watercourses | None,
) -> Landforms:
    """Compare the valley floors of the ground with the built board.

    Valley floors are the cells off the rim that watercourses run through, and without water on
    the board the hollows deeper than `least_m`, if they lie lower than the mean of the cells
    around them. They are lost if the board shows them no lower.
    """
    is_floor = prominence_m(lattice, -ground_m) > least_m if water is None else water.is_watercourse
    is_floor = is_floor & ~lattice.is_rim & (_standing_m(lattice, ground_m) < 0.0)
    is_lost = _standing_m(lattice, built_m) >= -_EQUAL_M
    return _compare(lattice, is_floor, is_lost, -ground_m, -built_m)


def _compare(
    lattice: Lattice,
    is_form: NDArray[np.bool_],
    is_lost: NDArray[np.bool_],
    ground_m: NDArray[np.float64],
    built_m: NDArray[np.float64],
) -> Landforms:
    if not is_form.any():
        return Landforms(0, 0, 0.0, 0.0)
    means = (float(_standing_m(lattice, z)[is_form].mean()) for z in (ground_m, built_m))
    return Landforms(int(is_form.sum()), int((is_form & is_lost).sum()), *means)


def _around(lattice: Lattice, height_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the heights of the cells across each side, (n, 6); their own where there is none."""
    across = lattice.neighbours
    return np.where(across >= 0, height_m[across], height_m[:, None])


def _standing_m(lattice: Lattice, height_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far each cell stands above the mean of the cells around it, (n,)."""
    n_around = np.maximum((lattice.neighbours >= 0).sum(axis=1), 1)
    return (height_m[:, None] - _around(lattice, height_m)).sum(axis=1) / n_around


def prominence_m(lattice: Lattice, height_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Find the prominence of every summit, (n,) float64, in metres; 0 for all other cells.

    That is the least descent on the way to higher ground; of the highest summit, the one to the
    lowest cell. Cells are taken from the highest down, of equals the one of lower number first:
    where two summits meet, the lower ends.
    """
    order = np.lexsort((np.arange(len(height_m)), -height_m)).tolist()
    neighbours, height = lattice.neighbours.tolist(), height_m.tolist()
    rank = [0] * len(order)
    summit = [-1] * len(order)  # a cell nearer to its summit, or the summit; -1 if still to come
    prominence = np.zeros(len(order))

    def summit_of(cell: int) -> int:
        while summit[cell] != cell:
            summit[cell] = cell = summit[summit[cell]]
        return cell

    for number, cell in enumerate(order):
        rank[cell] = number
        meeting = {summit_of(j) for j in neighbours[cell] if j >= 0 and summit[j] >= 0}
        highest = min(meeting, key=rank.__getitem__, default=cell)
        for other in meeting - {highest}:
            prominence[other] = height[other] - height[cell]
            summit[other] = highest
        summit[cell] = highest
    for cell in order:
        if summit[cell] == cell:
            prominence[cell] = height[cell] - height[order[-1]]
    return prominence


def compare_slopes(
    lattice: Lattice, ground_m: NDArray[np.float64], built_m: NDArray[np.float64], step_m: float
) -> SlopeClasses:
    """Class cells by the greatest difference from a cell beside them, on ground and board."""
    ground, built = (
        np.digitize(
            np.abs(_around(lattice, height_m) - height_m[:, None]).max(axis=1) / step_m,
            _FROM_STEPS,
        )
        for height_m in (ground_m, built_m)
    )
    n = len(SLOPES)
    counts = np.bincount(n * ground + built, minlength=n * n).reshape(n, n)
    return SlopeClasses(tuple(tuple(row) for row in counts.tolist()))


def drainage_agreement(water: Watercourses, built_m: NDArray[np.float64]) -> float:
    """Share of cells from which water on the board runs where the ground's does, 0 to 1.

    A watercourse runs along its channel. From any other cell, the built tops must fall that way:
    the cell that its water runs to is built no higher than itself, and no cell that water could
    reach is lower (where tops are level, it may run either way). Cells whose water leaves the board
    or ends in a pool do not count. 1 if there are no others.
    """
    lattice = water.heights.lattice
    cell = np.flatnonzero(water.receiver != np.arange(lattice.n_cells))
    if not len(cell):
        return 1.0
    across = lattice.water_neighbours[cell]
    lowest_m = np.where(across >= 0, built_m[across], np.inf).min(axis=1)
    below_m = np.minimum(lowest_m, built_m[cell])
    falls = built_m[water.receiver[cell]] <= below_m + _EQUAL_M
    return float((falls | water.is_watercourse[cell]).mean())
