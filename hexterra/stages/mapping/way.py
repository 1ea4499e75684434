"""One way from cell to cell, and where it crosses water."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.values import Value, readonly


class WayShape(IntEnum):
    """What the ways do in a cell."""

    NONE = 0
    END = 1
    STRAIGHT = 2
    WIDE_BEND = 3
    TIGHT_BEND = 4
    JUNCTION = 5


@dataclass(frozen=True, eq=False, repr=False)
class Way(Value):
    """One way from cell to cell.

    Parameters
    ----------
    kind, name
        What it is, and what it is called; "" for what has no name.
    number
        Number of its feature in the file.
    cells
        Its cells in the order of the line, (m,) int32; each adjoins the next.
    sides
        Side by which it leaves each but the last, (m - 1,) int8.
    from_edge, to_edge
        Whether the line comes from beyond the cells, and goes on beyond them.
    offset_cells
        Mean over its cells of the least distance between line and centre, in distances between
        centres.
    """

    kind: str
    name: str
    number: int
    cells: NDArray[np.int32]
    sides: NDArray[np.int8]
    from_edge: bool
    to_edge: bool
    offset_cells: float

    def __post_init__(self) -> None:
        cells = readonly(self.cells, dtype=np.int32, shape=(None,), name="cells")
        sides = readonly(self.sides, dtype=np.int8, shape=(len(cells) - 1,), name="sides")
        object.__setattr__(self, "cells", cells)
        object.__setattr__(self, "sides", sides)

    @property
    def title(self) -> str:
        """What to call it in a sentence."""
        return f"{self.kind} {self.name!r}" if self.name else f"{self.kind} (feature {self.number})"

    def part(self, begin: int, end: int) -> Way:
        """Return its cells from place `begin` to place `end`, both included."""
        return replace(
            self,
            cells=self.cells[begin : end + 1],
            sides=self.sides[begin:end],
            from_edge=self.from_edge and begin == 0,
            to_edge=self.to_edge and end == len(self.cells) - 1,
        )


class WaterCrossing(NamedTuple):
    """A cell where a way crosses water, each with the side by which it runs off the lattice.

    Parameters
    ----------
    cell
        Which.
    how
        "ford" or "bridge".
    width
        Width class of the water there.
    times
        How often: a junction in a confluence may need several.
    """

    cell: int
    how: Literal["ford", "bridge"]
    width: int
    times: int
