"""Room for inflows where drawn rivers and computed watercourses meet.

Part of `mapped_rivers`. A cell can take only so many inflows; rivers of a
map take precedence over computed ones, and larger catchments over smaller.
"""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from hexterra.lattice.lattice import Lattice


def is_fed(
    order: NDArray[np.int32], receiver: NDArray[np.int32], source: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Tell which cells are a source or have one upstream; `order` is upstream first."""
    fed = source.copy()
    for cell in order:
        if fed[cell]:
            fed[receiver[cell]] = True
    return fed


def give_room(
    lattice: Lattice,
    receiver: NDArray[np.int32],
    catchment: NDArray[np.float64],
    is_wet: NDArray[np.bool_],
    is_drawn: NDArray[np.bool_],
    allowed: NDArray[np.int64],
) -> tuple[str, ...]:
    """Turn or drop the least inflows, in place, until no cell has too many; return what was done.

    The least is the smallest computed one, or the smallest drawn one if all are drawn; of equals
    the first cell. It is turned into another inflow of the cell that adjoins it, rather one with
    room, else the largest; if none adjoins, it is dropped with all that runs into it.
    """
    neighbours = lattice.water_neighbours
    notes: list[str] = []

    def inflows_of(cell: int) -> list[int]:
        around = [k for k in neighbours[cell].tolist() if k >= 0]
        inflows = [k for k in around if is_wet[k] and receiver[k] == cell]
        return sorted(inflows, key=lambda k: (is_drawn[k], catchment[k], k))

    here = np.arange(lattice.n_cells)
    n_inflows = np.bincount(receiver[is_wet & (receiver != here)], minlength=len(here))
    waiting = np.flatnonzero(n_inflows > allowed).tolist()
    heapq.heapify(waiting)
    while waiting:
        cell = heapq.heappop(waiting)
        while is_wet[cell] and len(inflows := inflows_of(cell)) > allowed[cell]:
            least, labels = inflows[0], lattice.labels
            said = f"{labels[cell]} has {len(inflows)} inflows and room for {allowed[cell]}."
            hosts = [k for k in inflows[1:] if k in neighbours[least]]
            if hosts:
                has_room = [k for k in hosts if len(inflows_of(k)) < allowed[k]]
                host = (has_room or hosts)[-1]
                receiver[least] = host
                catchment[host] += catchment[least]
                is_drawn[host] |= is_drawn[least]
                heapq.heappush(waiting, host)
                notes.append(f"The watercourse from {labels[least]} runs to {labels[host]}: {said}")
                continue
            pending, n_dropped = [least], 0
            while pending:
                dropped = pending.pop()
                pending += inflows_of(dropped)
                is_wet[dropped] = False
                n_dropped += 1
            notes.append(
                f"The watercourse above {labels[least]} ({n_dropped}"
                f" {'cell' if n_dropped == 1 else 'cells'}, catchment"
                f" {catchment[least]:,.0f} m2) is left out: {said}"
            )
    return tuple(notes)
