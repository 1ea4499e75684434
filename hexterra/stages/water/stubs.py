"""Short headwaters are left out: a brook of a tile or two is work that nobody sees."""

from __future__ import annotations

import heapq

import numpy as np
from numpy.typing import NDArray


def prune_stubs(
    receiver: NDArray[np.int32],
    catchment_m2: NDArray[np.float64],
    is_wet: NDArray[np.bool_],
    is_kept: NDArray[np.bool_],
    least_cells: int,
) -> int:
    """Dry the headwaters that are shorter than `least_cells`, in place; return how many.

    A headwater is a run of wet cells from one without inflow to the last before a confluence, or
    to the end of the water. The smallest goes first; what is left of a confluence may then be a
    longer headwater, and stays.

    Parameters
    ----------
    receiver
        Where each of n cells runs to, (n,) int32; its own number where water ends.
    catchment_m2
        What drains through each cell, (n,) float64.
    is_wet
        Cells with a watercourse, (n,) bool.
    is_kept
        Cells from which a watercourse comes whatever its length, (n,) bool: it enters from beyond
        the lattice, leaves a lake, or is drawn on a map.
    least_cells
        Fewest cells of a headwater.
    """
    runs_on = receiver != np.arange(len(receiver))
    n_inflows = np.bincount(receiver[is_wet & runs_on], minlength=len(receiver))
    starts = np.flatnonzero(is_wet & (n_inflows == 0) & ~is_kept).tolist()
    waiting = [(float(catchment_m2[cell]), cell) for cell in starts]
    heapq.heapify(waiting)
    n_pruned = 0
    while waiting:
        _, start = heapq.heappop(waiting)
        if not is_wet[start] or n_inflows[start]:
            continue
        run = [start]
        while runs_on[run[-1]] and n_inflows[receiver[run[-1]]] == 1 and len(run) < least_cells:
            run.append(int(receiver[run[-1]]))
        if len(run) >= least_cells or is_kept[run].any():
            continue
        is_wet[run] = False
        n_pruned += 1
        if runs_on[run[-1]]:
            n_inflows[receiver[run[-1]]] -= 1
        n_inflows[run] = 0
    return n_pruned
