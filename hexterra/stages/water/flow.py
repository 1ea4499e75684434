"""Heights -> Watercourses: where water runs on the lattice, and which sides it crosses.

Everything is computed on the cells themselves, whatever the lattice: boards with cells left out,
and cells of the globe with pentagons among them.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.kernels.board import lattice_flow as kernels
from hexterra.lattice.hexagon import N_SIDES
from hexterra.ranges import check_positive
from hexterra.stages.water.confluences import Inflows
from hexterra.stages.water.standing import StandingWater
from hexterra.stages.water.stubs import prune_stubs
from hexterra.values import Value, freeze_arrays

if TYPE_CHECKING:
    from hexterra.lattice.lattice import Lattice
    from hexterra.stages.sampling.gather import Heights

#: Inflows a cell may have beside an outflow, and at a mouth or pool.
MAX_INFLOWS: Final = 2
MAX_INFLOWS_AT_SINK: Final = 3

# A threshold of k cell areas must take in a catchment of k cells, however their sum is rounded.
ROUNDING: Final = 1e-9


class WaterKind(IntEnum):
    """What a watercourse does in a cell."""

    DRY = 0
    SPRING = 1
    REACH = 2
    CONFLUENCE = 3
    MOUTH = 4
    POOL = 5
    ENTRY = 6


@dataclass(frozen=True, eq=False, repr=False)
class Watercourses(Value):
    """Where water runs.

    Parameters
    ----------
    heights
        What it was computed from; n is its number of cells.
    filled_m
        Water level, (n,) float64, in metres: the mean height with every depression filled to its
        pour point, except those that keep a pool.
    receiver
        Cell the water of each cell runs to, (n,) int32; its own number at an outlet or pool.
    receiver_side
        Side by which it leaves, (n,) int8; -1 at an outlet or pool.
    order
        All cells, upstream before downstream, (n,) int32.
    catchment_m2
        Ground area that drains through each cell, its own included, (n,) float64.
    is_watercourse
        Cells that a watercourse touches, (n,) bool.
    ports
        Sides that it crosses, (n, 6) bool; symmetric.
    outflow
        Side by which it leaves, (n,) int8; -1 at a mouth, in a pool and in dry cells.
    kind
        `WaterKind` of each cell, (n,) int8.
    notes
        A sentence for each watercourse that was merged or dropped, in the order it was done.
    standing
        Lakes and the sea, into which watercourses run and from which they come; None for none.
    """

    heights: Heights
    filled_m: NDArray[np.float64]
    receiver: NDArray[np.int32]
    receiver_side: NDArray[np.int8]
    order: NDArray[np.int32]
    catchment_m2: NDArray[np.float64]
    is_watercourse: NDArray[np.bool_]
    ports: NDArray[np.bool_]
    outflow: NDArray[np.int8]
    kind: NDArray[np.int8]
    notes: tuple[str, ...] = ()
    standing: StandingWater | None = None

    def __post_init__(self) -> None:
        n = self.heights.lattice.n_cells
        freeze_arrays(
            self,
            ("filled_m", np.float64, (n,)),
            ("receiver", np.int32, (n,)),
            ("receiver_side", np.int8, (n,)),
            ("order", np.int32, (n,)),
            ("catchment_m2", np.float64, (n,)),
            ("is_watercourse", np.bool_, (n,)),
            ("outflow", np.int8, (n,)),
            ("kind", np.int8, (n,)),
            ("ports", np.bool_, (n, N_SIDES)),
        )


@checked
def flow(
    heights: Heights,
    *,
    threshold_m2: float,
    pool_depth_m: float | None = None,
    least_cells: int = 1,
    standing: StandingWater | None = None,
) -> Watercourses:
    """Fill depressions, send each cell's water to a neighbour, and draw the watercourses.

    Water leaves the lattice at its rim and beside cells that are left out. Depressions are filled
    to their lowest pass (Barnes, Lehman and Mulla, Priority-flood, Computers & Geosciences 62,
    2014). Each cell runs to its lowest neighbour on the filled surface, by the drop alone: centres
    of neighbours are equally far apart on a board, and nearly so on the globe. Among equals the
    one of lower ground, then of lower number, receives. Where no neighbour is lower, water goes
    back the way the flood came, so a lake drains along its own deepest ground to its pass, and a
    cell at the rim is an outlet. No water crosses a side that a board's straight edge cuts in half.

    A watercourse runs where the catchment reaches the threshold. So that every cell can be cut, a
    cell has at most three ports. Cells with too many inflows are repaired, those downstream first:
    a smaller tributary is turned into a neighbour that flows in too and that the flood reached
    first, so is not higher; if none can be turned, the watercourse of the smallest is dropped.

    Parameters
    ----------
    heights
        Heights of the lattice, from `gather`.
    threshold_m2
        Least catchment of a watercourse, in square metres, above 0.
    pool_depth_m
        Closed depressions deeper than this keep their water in a pool at their deepest cell, in
        metres, above 0. None fills them all.
    least_cells
        Fewest cells of a headwater; see `prune_stubs`.
    standing
        Lakes and the sea. No watercourse is drawn within them.

    Returns
    -------
    Watercourses
        Receivers are neighbours and never form a circle; `filled_m` never rises downstream;
        catchments of outlets and pools add up to the area of the lattice.

    Raises
    ------
    BriefError
        If the threshold or the pool depth is not a finite number above 0.

    Notes
    -----
    Linear in the number of cells, for any heights.
    """
    check_positive("threshold_m2", threshold_m2, "m2")
    if pool_depth_m is not None:
        check_positive("pool_depth_m", pool_depth_m, "m")
    lattice = heights.lattice
    filled, receiver, side, order = _drain(lattice, heights.mean_m, pool_depth_m)
    catchment = lattice.area_m2.copy()
    kernels.accumulate(order, receiver, catchment)

    own = lattice.area_m2
    nowhere = np.zeros(lattice.n_cells, np.bool_)
    runs = Runs(lattice, order, receiver, side, catchment, own, nowhere, standing)
    is_wet, notes = wet_cells(runs, threshold_m2, least_cells)

    return draw_watercourses(
        heights=heights,
        filled_m=filled,
        receiver=receiver,
        receiver_side=side,
        order=order,
        catchment_m2=catchment,
        is_watercourse=is_wet,
        comes_in=nowhere,
        notes=notes,
        standing=standing,
    )


class Runs(NamedTuple):
    """Where the water of n cells runs, before it is known where a watercourse is drawn.

    Parameters
    ----------
    lattice, order, receiver, receiver_side, catchment_m2
        As of `Watercourses`.
    own_m2
        Ground whose water each cell brings in, (n,) float64.
    comes_in
        Cells to which a watercourse comes from beyond the lattice, (n,) bool.
    standing
        Lakes and the sea, or None.
    """

    lattice: Lattice
    order: NDArray[np.int32]
    receiver: NDArray[np.int32]
    receiver_side: NDArray[np.int8]
    catchment_m2: NDArray[np.float64]
    own_m2: NDArray[np.float64]
    comes_in: NDArray[np.bool_]
    standing: StandingWater | None


def wet_cells(
    runs: Runs, threshold_m2: float, least_cells: int
) -> tuple[NDArray[np.bool_], tuple[str, ...]]:
    """Tell which cells have a watercourse, and what was merged or dropped so that all can be cut.

    Receivers, their sides and catchments change in place where a tributary is turned.
    """
    lattice, order, receiver, side, catchment, own_m2, comes_in, standing = runs
    ends = receiver.copy() if standing is None else standing.stops(receiver)
    is_end = ends == np.arange(lattice.n_cells)
    is_wet = catchment >= threshold_m2 * (1.0 - ROUNDING)
    is_wet &= ~is_end | (count_inflows(ends, is_wet) > 0)  # a lone cell joins nothing
    before = ends.copy()
    notes = repair_confluences(lattice, order, ends, side, catchment, is_wet)
    if notes:
        np.copyto(receiver, ends, where=ends != before)
        catchment[:] = np.maximum(own_m2, 0.0)
        kernels.accumulate(order, receiver, catchment)
    if least_cells > 1:
        is_kept = comes_in & lattice.is_rim
        if standing is not None:
            is_kept |= standing.is_under
        prune_stubs(ends, catchment, is_wet, is_kept, least_cells)
        is_wet &= ~is_end | (count_inflows(ends, is_wet) > 0)
    return is_wet, notes


def draw_watercourses(
    *,
    heights: Heights,
    filled_m: NDArray[np.float64],
    receiver: NDArray[np.int32],
    receiver_side: NDArray[np.int8],
    order: NDArray[np.int32],
    catchment_m2: NDArray[np.float64],
    is_watercourse: NDArray[np.bool_],
    comes_in: NDArray[np.bool_],
    notes: tuple[str, ...],
    standing: StandingWater | None = None,
) -> Watercourses:
    """Put watercourses together: ports, outflows and kinds follow from where the water runs.

    The parameters are fields of `Watercourses`, but for `comes_in`: cells, (n,) bool, to which a
    watercourse comes from beyond the lattice. One that has no inflow and lies at the rim is an
    entry, not a spring. Within standing water nothing is drawn: what runs in ends at its
    shore. All that makes watercourses ends here: `flow`, `route` and lines drawn on a map.
    """
    lattice = heights.lattice
    ends = receiver if standing is None else standing.stops(receiver)
    is_end = ends == np.arange(lattice.n_cells)
    outflow = np.where(is_watercourse & ~is_end, receiver_side, np.int8(-1))
    cell = np.flatnonzero(outflow >= 0)
    ports = np.zeros((lattice.n_cells, N_SIDES), dtype=np.bool_)
    ports[cell, outflow[cell]] = True
    ports[receiver[cell], lattice.back_sides[cell, outflow[cell]]] = True

    n_inflows = np.minimum(count_inflows(ends, is_watercourse), MAX_INFLOWS)
    kind = np.array([WaterKind.SPRING, WaterKind.REACH, WaterKind.CONFLUENCE], dtype=np.int8)[
        n_inflows
    ]
    kind[(kind == WaterKind.SPRING) & comes_in & lattice.is_rim] = WaterKind.ENTRY
    kind[is_end] = np.where(lattice.is_rim[is_end], WaterKind.MOUTH, WaterKind.POOL)
    kind[~is_watercourse] = WaterKind.DRY
    return Watercourses(
        heights=heights,
        filled_m=filled_m,
        receiver=receiver,
        receiver_side=receiver_side,
        order=order,
        catchment_m2=catchment_m2,
        is_watercourse=is_watercourse,
        ports=ports,
        outflow=outflow,
        kind=kind,
        notes=notes,
        standing=standing,
    )


def _drain(
    lattice: Lattice, height: NDArray[np.float64], pool_depth_m: float | None
) -> tuple[NDArray[np.float64], NDArray[np.int32], NDArray[np.int8], NDArray[np.int32]]:
    """Return water level, receiver, receiver side and order (upstream first) of every cell."""
    n = lattice.n_cells
    cell_at, rank_of = np.empty((2, n), dtype=np.int32)
    kernels.rank(_sortable(height), cell_at, rank_of)
    ground = kernels.RankedGround(height, cell_at, rank_of)
    filled = np.empty(n)
    receiver, order = np.empty((2, n), dtype=np.int32)
    is_source = lattice.is_rim.copy()
    while True:
        kernels.flood(ground, lattice.neighbours, is_source, filled, receiver, order)
        if pool_depth_m is None:
            break
        # A pool lowers the water around it, which may leave other depressions deep enough.
        pools = _deepest_cells(lattice, height, filled, pool_depth_m)
        if not len(pools):
            break
        is_source[pools] = True
    side = np.empty(n, dtype=np.int8)
    kernels.descend(height, lattice.water_neighbours, filled, receiver, side)
    return filled, receiver, side, order


def _sortable(height: NDArray[np.float64]) -> NDArray[np.uint64]:
    """Map floats to unsigned integers in the same order; both zeros map to one."""
    bits = (height + 0.0).view(np.int64)
    # The sign bit of a positive number is flipped, and all bits of a negative one.
    return (bits ^ ((bits >> 63) | np.int64(-(2**63)))).view(np.uint64)


def _deepest_cells(
    lattice: Lattice, height: NDArray[np.float64], filled: NDArray[np.float64], depth_m: float
) -> NDArray[np.int64]:
    """Find the deepest cell of each filled depression deeper than `depth_m`; ties by number."""
    is_under = filled > height
    lake = lattice.patches(is_under)
    under = np.flatnonzero(is_under)
    by_depth = under[np.lexsort((under, height[under], lake[under]))]
    _, first = np.unique(lake[by_depth], return_index=True)
    deepest = by_depth[first]
    return deepest[filled[deepest] - height[deepest] > depth_m]


def count_inflows(receiver: NDArray[np.int32], is_wet: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Count the watercourses that run into each cell."""
    cell = np.flatnonzero(is_wet & (receiver != np.arange(len(receiver))))
    return np.bincount(receiver[cell], minlength=len(receiver))


def repair_confluences(
    lattice: Lattice,
    order: NDArray[np.int32],
    receiver: NDArray[np.int32],
    side: NDArray[np.int8],
    catchment: NDArray[np.float64],
    is_wet: NDArray[np.bool_],
) -> tuple[str, ...]:
    """Merge or drop tributaries, in place, until no cell has too many; return what was done.

    The smallest tributary that can be turned is turned; if none can, the smallest is dropped. A
    turned one still runs to a cell that the flood reached before it, so `order` stays right.
    """
    neighbours = lattice.water_neighbours
    here = np.arange(lattice.n_cells)
    allowed = np.where(receiver == here, MAX_INFLOWS_AT_SINK, MAX_INFLOWS)
    crowded = np.flatnonzero(count_inflows(receiver, is_wet) > allowed)
    if not len(crowded):
        return ()
    visit = np.empty(lattice.n_cells, dtype=np.int64)  # when the flood reached each cell
    visit[order] = here[::-1]
    inflows = Inflows(
        lattice, receiver, catchment, is_wet, allowed, lambda k: (catchment[k], -visit[k])
    )
    waiting = [(int(visit[cell]), int(cell)) for cell in crowded]
    heapq.heapify(waiting)
    while waiting:
        _, cell = heapq.heappop(waiting)
        while is_wet[cell] and len(found := inflows.of(cell)) > allowed[cell]:
            for tributary in found[:-1]:
                beside = neighbours[tributary]
                if hosts := [k for k in found if k in beside and visit[k] < visit[tributary]]:
                    host = inflows.turn(tributary, hosts, cell)
                    side[tributary] = np.flatnonzero(beside == host)[0]
                    heapq.heappush(waiting, (int(visit[host]), host))
                    break
            else:
                inflows.drop(found[0], cell)
    return tuple(inflows.notes)
