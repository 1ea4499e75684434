"""Room for inflows: a cell can take only so many, so others are turned elsewhere or dropped."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from hexterra.lattice.lattice import Lattice


@dataclass
class Inflows:
    """The watercourses that run into cells; receivers, catchments and wet cells change in place.

    Parameters
    ----------
    lattice, receiver, catchment, is_wet
        The n cells, where each runs to, what drains through it, and whether a watercourse does.
    allowed
        Most inflows of each cell, (n,).
    rank
        The least of this is the first inflow to be turned or dropped.
    notes
        What was done.
    """

    lattice: Lattice
    receiver: NDArray[np.int32]
    catchment: NDArray[np.float64]
    is_wet: NDArray[np.bool_]
    allowed: NDArray[np.int64]
    rank: Callable[[int], Any]
    notes: list[str] = field(default_factory=list[str])

    def of(self, cell: int) -> list[int]:
        """List what runs into a cell, the least first."""
        around = [k for k in self.lattice.water_neighbours[cell].tolist() if k >= 0]
        return sorted(
            (k for k in around if self.is_wet[k] and self.receiver[k] == cell), key=self.rank
        )

    def turn(self, tributary: int, hosts: list[int], cell: int) -> int:
        """Turn an inflow of a cell into the last host with room, or the last; return that."""
        said = f"{self._labels[cell]}, which has {self._count(cell)}"
        has_room = [k for k in hosts if len(self.of(k)) < self.allowed[k]]
        host = (has_room or hosts)[-1]
        self.receiver[tributary] = host
        self.catchment[host] += self.catchment[tributary]
        self.notes.append(
            f"The watercourse from {self._labels[tributary]} runs to {self._labels[host]}"
            f" instead of {said}."
        )
        return host

    def drop(self, tributary: int, cell: int) -> None:
        """Drop an inflow of a cell and all that runs into it."""
        said = f"{self._labels[cell]} has {self._count(cell)}"
        pending, n_dropped = [tributary], 0
        while pending:
            dropped = pending.pop()
            pending += self.of(dropped)
            self.is_wet[dropped] = False
            n_dropped += 1
        self.notes.append(
            f"The watercourse above {self._labels[tributary]} ({n_dropped}"
            f" {'cell' if n_dropped == 1 else 'cells'}, catchment"
            f" {self.catchment[tributary]:,.0f} m2) is left out: {said}."
        )

    @property
    def _labels(self) -> tuple[str, ...]:
        return self.lattice.labels

    def _count(self, cell: int) -> str:
        return f"{len(self.of(cell))} inflows and room for {self.allowed[cell]}"


def has_source_upstream(
    order: NDArray[np.int32], receiver: NDArray[np.int32], source: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Tell which cells are a source or have one upstream; `order` is upstream first."""
    fed = source.copy()
    for cell in order:
        if fed[cell]:
            fed[receiver[cell]] = True
    return fed


def limit_inflows(
    lattice: Lattice,
    receiver: NDArray[np.int32],
    catchment: NDArray[np.float64],
    is_wet: NDArray[np.bool_],
    is_drawn: NDArray[np.bool_],
    allowed: NDArray[np.int64],
) -> tuple[str, ...]:
    """Turn or drop the least inflows, in place, until no cell has too many; return what was done.

    The least is the smallest computed one, or the smallest drawn one if all are drawn; ties go to
    the first cell. It is turned into another inflow of the cell that adjoins it, one with room if
    there is one, else the largest; if none adjoins, it is dropped with all that runs into it.
    """
    inflows = Inflows(
        lattice, receiver, catchment, is_wet, allowed, lambda k: (is_drawn[k], catchment[k], k)
    )
    here = np.arange(lattice.n_cells)
    n_inflows = np.bincount(receiver[is_wet & (receiver != here)], minlength=len(here))
    waiting = np.flatnonzero(n_inflows > allowed).tolist()
    heapq.heapify(waiting)
    while waiting:
        cell = heapq.heappop(waiting)
        while is_wet[cell] and len(found := inflows.of(cell)) > allowed[cell]:
            least, *others = found
            if hosts := [k for k in others if k in lattice.water_neighbours[least]]:
                host = inflows.turn(least, hosts, cell)
                is_drawn[host] |= is_drawn[least]
                heapq.heappush(waiting, host)
            else:
                inflows.drop(least, cell)
    return tuple(inflows.notes)
