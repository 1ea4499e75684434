"""What every lattice knows: one neighbour table, one corner table, and its place on the ground."""

from __future__ import annotations

from abc import ABC, abstractmethod
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import N_SIDES
from hexterra.values import Value


class Lattice(Value, ABC):
    """Cells with sides and corners. Stages see no more of a board or the globe than this.

    Cells are numbered 0 to ``n_cells - 1``. A pentagon is a hexagon whose sixth corner repeats its
    first: its side 5 has no length and no neighbour.

    All tables are derived, computed once, and read-only.
    """

    @property
    @abstractmethod
    def n_cells(self) -> int:
        """How many cells there are."""

    @cached_property
    @abstractmethod
    def neighbours(self) -> NDArray[np.int32]:
        """Cell across each side, (n_cells, 6) int32; -1 where there is none."""

    @cached_property
    @abstractmethod
    def corner_of(self) -> NDArray[np.int32]:
        """Lattice corner at each cell corner, (n_cells, 6) int32 in 0 .. ``n_corners - 1``."""

    @cached_property
    @abstractmethod
    def corner_xy(self) -> NDArray[np.float64]:
        """Lattice corners on the ground, (n_corners, 2) float64, in `crs` (x before y)."""

    @cached_property
    @abstractmethod
    def centre_xy(self) -> NDArray[np.float64]:
        """Cell centres on the ground, (n_cells, 2) float64, in `crs` (x before y)."""

    @cached_property
    @abstractmethod
    def area_m2(self) -> NDArray[np.float64]:
        """Ground area of each whole cell, (n_cells,) float64, in square metres."""

    @cached_property
    @abstractmethod
    def labels(self) -> tuple[str, ...]:
        """Name of each cell, unique, as printed in tables and on the map."""

    @property
    @abstractmethod
    def crs(self) -> str:
        """The ground frame, as text PROJ understands."""

    @abstractmethod
    def only(self, present: NDArray[np.bool_]) -> Self:
        """Return the lattice of the cells where `present`, (n_cells,) bool, is True."""

    @property
    def rings_xy(self) -> NDArray[np.float64]:
        """Outline of each cell, counter-clockwise, (n_cells, k, 2) float64, in `crs`.

        Where `has_straight_sides` this is just the six corners. A ring with fewer than k vertices
        repeats its last.
        """
        return self.corner_xy[self.corner_of]

    @cached_property
    def kept_rings_xy(self) -> NDArray[np.float64]:
        """Outline of what is kept of each cell: `rings_xy`, less what a board's edges cut off."""
        return self.rings_xy

    @property
    def is_cut(self) -> bool:
        """Whether a straight edge cuts cells, so that `kept_rings_xy` differ from `rings_xy`."""
        return False

    @property
    def has_straight_sides(self) -> bool:
        """Whether each side is the straight line between its two corners in `crs`."""
        return True

    @property
    def n_corners(self) -> int:
        """How many lattice corners there are."""
        return len(self.corner_xy)

    @cached_property
    def back_sides(self) -> NDArray[np.int8]:
        """Which side of the neighbour each side is, (n_cells, 6) int8; -1 without neighbour."""
        there = self.neighbours
        back = np.full(there.shape, -1, dtype=np.int8)
        here = np.arange(self.n_cells, dtype=np.int32)
        for side in range(N_SIDES):
            matches = self.neighbours[there[:, side]] == here[:, None]
            back[:, side] = np.where(there[:, side] >= 0, matches.argmax(axis=1), -1)
        back.flags.writeable = False
        return back

    @cached_property
    def corner_cells(self) -> NDArray[np.int32]:
        """Cells that share each lattice corner, (n_corners, 3) int32, ascending, -1 last."""
        order = np.argsort(self.corner_of, axis=None, kind="stable")
        corner = self.corner_of.ravel()[order]
        cell = (order // N_SIDES).astype(np.int32)
        fresh = np.ones(len(cell), dtype=bool)  # a pentagon names its first corner twice
        fresh[1:] = (corner[1:] != corner[:-1]) | (cell[1:] != cell[:-1])
        corner, cell = corner[fresh], cell[fresh]
        first = np.searchsorted(corner, np.arange(self.n_corners))
        place = np.arange(len(corner)) - first[corner]
        table = np.full((self.n_corners, 3), -1, dtype=np.int32)
        table[corner, place] = cell
        table.flags.writeable = False
        return table

    @cached_property
    def seams(self) -> NDArray[np.int32]:
        """Sides that two cells share, each once, (n_seams, 2) int32: cell and side.

        The cell is the one with the lower number; rows are in order of cell, then side.
        """
        cell, side = np.nonzero(self.neighbours > np.arange(self.n_cells)[:, None])
        table = np.column_stack([cell, side]).astype(np.int32)
        table.flags.writeable = False
        return table

    @cached_property
    def water_neighbours(self) -> NDArray[np.int32]:
        """Cell that water can cross to over each side, (n_cells, 6) int32; -1 where it cannot.

        These are the `neighbours`, but for sides that a board's straight edge cuts in half.
        """
        return self.neighbours

    @cached_property
    def is_rim(self) -> NDArray[np.bool_]:
        """Cells with a side that no cell adjoins, (n_cells,) bool; a pentagon's sixth is none."""
        has_length = self.corner_of != np.roll(self.corner_of, -1, axis=1)
        rim = ((self.neighbours < 0) & has_length).any(axis=1)
        rim.flags.writeable = False
        return rim

    def around(self, cell: int, n_steps: int) -> NDArray[np.intp]:
        """Return all cells within a number of steps of one, ascending, that one included."""
        found = last = {cell}
        for _ in range(n_steps):
            last = {j for i in last for j in self.neighbours[i].tolist() if j >= 0} - found
            found = found | last
        return np.array(sorted(found), dtype=np.intp)

    def patches(self, is_in: NDArray[np.bool_]) -> NDArray[np.int32]:
        """Return the number of the connected patch of each cell of a set, (n_cells,) int32.

        Cells outside the set are patches of their own.
        """
        from scipy.sparse import coo_array  # slow to load
        from scipy.sparse.csgraph import connected_components

        cell, side = self.seams.T
        other = self.neighbours[cell, side]
        joined = is_in[cell] & is_in[other]
        link = (np.ones(np.count_nonzero(joined), np.int8), (cell[joined], other[joined]))
        shape = (self.n_cells, self.n_cells)
        return connected_components(coo_array(link, shape=shape), directed=False)[1]

    def spread(self, is_in: NDArray[np.bool_], n_steps: int) -> NDArray[np.bool_]:
        """Add to a set of cells, (n_cells,) bool, all within a number of steps of it."""
        cell, side = self.seams.T
        other = self.neighbours[cell, side]
        found = is_in.copy()
        for _ in range(n_steps):
            meets = found[cell] | found[other]
            found[cell[meets]] = found[other[meets]] = True
        return found
