"""Ways + Watercourses -> Watercourses: the rivers of a map take the place of computed ones.

Rivers come from `ways`, water computed from the ground from `flow` or `route`. What goes out is
of the same kind, so all that follows treats both alike.
"""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import BriefError
from hexterra.kernels.board import lattice_flow
from hexterra.ranges import check_positive
from hexterra.stages.mapping.receiver_paths import order_of, root_of, without_loops
from hexterra.stages.water.confluences import has_source_upstream, limit_inflows
from hexterra.stages.water.flow import (
    MAX_INFLOWS,
    MAX_INFLOWS_AT_SINK,
    ROUNDING,
    Watercourses,
    WaterKind,
    draw_watercourses,
)
from hexterra.stages.water.stubs import prune_stubs

if TYPE_CHECKING:
    from collections.abc import Iterable

    from hexterra.lattice.lattice import Lattice
    from hexterra.stages.mapping.way import Way
    from hexterra.stages.mapping.ways import Ways
    from hexterra.stages.sampling.gather import Heights

#: Which end of a line is downstream: its last point, or the lower one.
Direction = Literal["line", "height"]

#: A computed watercourse that runs beside a drawn one for this many cells is the same river.
_N_BESIDE: Final = 3


def watercourses_from_lines(
    lines: Ways,
    computed: Watercourses,
    *,
    threshold_m2: float,
    kinds: Iterable[str] | None = None,
    direction: Direction = "line",
    least_cells: int = 1,
) -> Watercourses:
    """Let water run along drawn rivers, and elsewhere as it was computed.

    Rivers are added one by one, those with names first, then the longer ones, then in their
    order. Each sends the water of its cells along its line. It joins a river added before it
    at the first cell they share; where that has no room for another drawn river, the rest is left
    out. A river that ends in a cell at the rim leaves the lattice there; one that ends elsewhere
    runs on the computed way. If that leads back into the river itself, the water takes the way to
    elsewhere with the lowest highest cell (ties go to the shortest); if there is none, it stays
    in a pool.

    A computed watercourse that runs beside a drawn one, the same way, for three cells, or to where
    it ends, is taken for the same river and joins it. Then watercourses are drawn again from the
    threshold; those that are drawn, and what they run on to, need not reach it. A cell has at most
    two inflows (three at a mouth or pool); of more, the smallest computed ones join another or
    are left out.

    Parameters
    ----------
    lines
        Rivers on the cells, from `ways`.
    computed
        Water on the same lattice, from `flow` or `route`.
    threshold_m2
        Least catchment of a computed watercourse, in square metres, above 0.
    kinds
        Kinds of `lines` that are water; None for all.
    direction
        "line": a line runs downstream, as is common practice in maps of water. "height": from
        its higher to its lower end, by the mean height of the cells; as drawn if they are equal.
    least_cells
        Fewest cells of a computed headwater; see `prune_stubs`.

    Returns
    -------
    Watercourses
        Receivers are neighbours and never form a circle. `filled_m` is the mean height, raised to
        that of the receiver where it was lower, so it never rises downstream. The ground of the
        catchments is that of `computed`. `notes` say what was turned, joined or left out, and
        which rivers are drawn uphill.

    Raises
    ------
    BriefError
        If the threshold is not a finite number above 0, the direction is unknown, or no line is
        of these kinds.
    ValueError
        If `lines` and `computed` are of different lattices: a programming error.
    """
    chosen = _chosen(lines, computed, threshold_m2, kinds, direction)
    river = _Rivers(computed)
    height = computed.heights.mean_m
    for drawn in chosen:
        way = downstream(drawn, computed.heights, direction)
        cells = way.cells.tolist()
        river.add_river(way, cells, comes_in=way.from_edge, runs_off=way.to_edge)
        if height[cells[-1]] > height[cells[0]]:
            labels = computed.heights.lattice.labels
            river.notes.append(
                f"The {way.title} is drawn uphill: the ground is {height[cells[0]]:.0f} m high"
                f" where it begins, in {labels[cells[0]]}, and {height[cells[-1]]:.0f} m where"
                f" it ends, in {labels[cells[-1]]}."
            )
    river.merge_parallel(threshold_m2)
    return _assemble(river, computed, threshold_m2, least_cells)


def downstream(way: Way, heights: Heights, direction: Direction) -> Way:
    """Return a river with its cells in the order in which water runs; see `Direction`."""
    first, last = way.cells[[0, -1]]
    is_drawn_up = heights.mean_m[last] > heights.mean_m[first]
    return way.turned(heights.lattice) if direction == "height" and is_drawn_up else way


def _chosen(
    lines: Ways,
    computed: Watercourses,
    threshold_m2: float,
    kinds: Iterable[str] | None,
    direction: Direction,
) -> list[Way]:
    """Check the arguments; return the rivers in the order of adding them."""
    if not lines.lattice.same_as(computed.heights.lattice):
        raise ValueError("the lines and the computed water are of different lattices")
    check_positive("threshold_m2", threshold_m2, "m2")
    if direction not in get_args(Direction):
        raise BriefError(
            f"direction is {direction!r}; it must be one of: {', '.join(get_args(Direction))}",
            remedy='choose "line" if rivers are drawn downstream, or "height"',
            key="direction",
            value=direction,
        )
    wanted = lines.kinds if kinds is None else tuple(kinds)
    if not set(wanted) & set(lines.kinds):
        raise BriefError(
            f"none of the lines is of the kinds {', '.join(map(repr, wanted))}; they are of the"
            f" kinds {', '.join(map(repr, lines.kinds))}",
            remedy="name the kinds that are water",
            key="kinds",
            value=wanted,
        )
    chosen = (way for way in lines.ways if way.kind in wanted)
    return sorted(chosen, key=lambda way: (not way.name, -len(way.cells)))


@dataclass
class _Rivers:
    """Where water runs, while drawn rivers are added."""

    computed: Watercourses
    receiver: NDArray[np.int32] = field(init=False)
    is_set: NDArray[np.bool_] = field(init=False)  # cells whose receiver a line gave
    is_drawn: NDArray[np.bool_] = field(init=False)  # cells on lines
    comes_in: NDArray[np.bool_] = field(init=False)  # cells where one comes onto the lattice
    own_m2: NDArray[np.float64] = field(init=False)  # ground whose water each cell brings in
    notes: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        water = self.computed
        n = self.lattice.n_cells
        self.receiver = water.receiver.copy()
        self.is_set, self.is_drawn = np.zeros((2, n), dtype=np.bool_)
        self.comes_in = water.kind == WaterKind.ENTRY
        own = water.catchment_m2.copy()
        runs_on = np.flatnonzero(water.receiver != np.arange(n))
        np.subtract.at(own, water.receiver[runs_on], water.catchment_m2[runs_on])
        self.own_m2 = np.maximum(own, 0.0)

    @property
    def lattice(self) -> Lattice:
        """The lattice of the water."""
        return self.computed.heights.lattice

    def add_river(self, way: Way, cells: list[int], *, comes_in: bool, runs_off: bool) -> None:
        """Send the water of a way's cells along it, as far as it can be."""
        labels = self.lattice.labels
        direct = without_loops(cells)
        if n_cut := len(set(cells)) - len(direct):
            self.notes.append(
                f"The {way.title} comes back to cells it has passed; {n_cut} of its"
                f" {len(set(cells))} cells lie on such loops, and are left out."
            )
        cells = direct
        joins = next((i for i, cell in enumerate(cells) if self.is_set[cell]), len(cells))
        if joins == 0:  # it begins in a river: water does not divide
            leaves = next((i for i, cell in enumerate(cells) if not self.is_set[cell]), len(cells))
            if leaves == len(cells):
                return  # all of it runs where rivers run already
            self.notes.append(
                f"The {way.title} begins in {labels[cells[leaves]]}, not in"
                f" {labels[cells[leaves - 1]]}: a river runs there already, and water does not"
                " divide."
            )
            self.add_river(way, cells[leaves:], comes_in=False, runs_off=runs_off)
            return
        if lost := [cell for cell in cells[joins + 1 :] if not self.is_set[cell]]:
            self.notes.append(
                f"The {way.title} joins another river in {labels[cells[joins]]}; {len(lost)} of its"
                f" cells further on, from {labels[lost[0]]}, are left out."
            )
        if joins < len(cells):
            cells, runs_off = cells[: joins + 1], False
            above, cell = set(cells[:-1]), cells[-1]
            while self.is_set[cell] and self.receiver[cell] != cell and cell not in above:
                cell = int(self.receiver[cell])
            if cell in above:
                self.notes.append(
                    f"The {way.title} ends in {labels[cells[-2]]}: in {labels[cells[-1]]} it would"
                    " run into a river that runs into it."
                )
                cells = cells[:-1]
        while len(cells) > 1 and not self._has_room(cells[-1], cells[-2]):
            self.notes.append(
                f"The {way.title} ends in {labels[cells[-2]]}: {labels[cells[-1]]} has room for"
                f" {MAX_INFLOWS} inflows, and rivers have taken them."
            )
            cells, runs_off = cells[:-1], False
        for cell, onward in pairwise(cells):
            self.receiver[cell] = onward
            self.is_set[cell] = True
        self.is_drawn[cells] = True
        self.comes_in[cells[0]] |= comes_in
        last = cells[-1]
        if self.lattice.is_rim[last] and not self.is_set[last]:
            self.receiver[last] = last
            self.is_set[last] = runs_off
        passed = self._downstream(last)
        if self.receiver[passed[-1]] != passed[-1]:
            # A computed stretch on the circle leads back; cells set by lines never do alone.
            self._route_elsewhere(way, next(cell for cell in passed if not self.is_set[cell]))

    def _has_room(self, cell: int, above: int) -> bool:
        """Whether one more drawn river may run into a cell."""
        sources = [
            int(k)
            for k in self.lattice.water_neighbours[cell]
            if k >= 0 and k != above and self.is_set[k] and self.receiver[k] == cell
        ]
        return len(sources) < MAX_INFLOWS

    def _downstream(self, cell: int, most: float = math.inf) -> list[int]:
        """List the cells that water passes from here, this one first; once round if it circles."""
        passed = [cell]
        seen = {cell}
        while len(passed) < most and (onward := int(self.receiver[passed[-1]])) not in seen:
            passed.append(onward)
            seen.add(onward)
        return passed

    def _route_elsewhere(self, way: Way, last: int) -> None:
        """Lead the water of a river's end to the rim or a cell that drains elsewhere."""
        lattice, labels = self.lattice, self.lattice.labels
        height = self.computed.heights.mean_m
        self.receiver[last] = last
        drains_here = root_of(self.receiver) == last
        best: dict[int, tuple[float, int]] = {last: (-math.inf, 0)}
        came: dict[int, int] = {}
        waiting = [(-math.inf, 0, last)]
        while waiting:
            highest, steps, cell = heapq.heappop(waiting)
            if (highest, steps) > best[cell]:
                continue
            if lattice.is_rim[cell] or not drains_here[cell]:
                if drains_here[cell]:
                    self.receiver[cell] = cell
                to = cell
                while cell in came:
                    self.receiver[came[cell]] = cell
                    cell = came[cell]
                self.notes.append(
                    f"With the {way.title}, the water from {labels[last]} would run in a circle; it"
                    f" is routed to {labels[to]}."
                )
                return
            for onward in lattice.water_neighbours[cell].tolist():
                if onward < 0 or (drains_here[onward] and self.is_set[onward]):
                    continue
                rank = max(highest, float(height[onward])), steps + 1
                if rank < best.get(onward, (math.inf, 0)):
                    best[onward] = rank
                    came[onward] = cell
                    heapq.heappush(waiting, (*rank, onward))
        self.notes.append(
            f"With the {way.title}, the water from {labels[last]} would run in a circle; it stays"
            " there in a pool, as no route leads on."
        )

    def merge_parallel(self, threshold_m2: float) -> None:
        """Let computed watercourses join the drawn ones that they run beside."""
        lattice = self.lattice
        catchment = self.catchments()
        order = order_of(self.receiver)
        rank = np.empty(lattice.n_cells, dtype=np.int64)  # higher is further downstream
        rank[order] = np.arange(lattice.n_cells)
        beside = [
            [k for k in around if k >= 0 and self.is_drawn[k]]
            for around in lattice.water_neighbours.tolist()
        ]
        for cell in order.tolist():
            if self.is_drawn[cell] or catchment[cell] < threshold_m2 * (1.0 - ROUNDING):
                continue
            course = self._downstream(cell, _N_BESIDE)
            if len(course) == 1 or any(self.is_drawn[k] or not beside[k] for k in course):
                continue
            passed = self._downstream(min(beside[cell], key=lambda k: int(rank[k])))
            ends = [k for k in beside[course[-1]] if k in passed[1:]]
            hosts = [k for k in beside[cell] if k in passed and cell not in self._downstream(k)]
            if not ends or not hosts:
                continue
            host = min(hosts, key=lambda k: (self._n_inflows(k, catchment, threshold_m2), rank[k]))
            for k in self._downstream(int(self.receiver[cell])):
                catchment[k] -= catchment[cell]
            self.receiver[cell] = host
            for k in self._downstream(host):
                catchment[k] += catchment[cell]
            self.notes.append(
                f"The watercourse above {lattice.labels[cell]} joins the drawn one in"
                f" {lattice.labels[host]}: it would run beside it."
            )

    def _n_inflows(self, cell: int, catchment: NDArray[np.float64], threshold_m2: float) -> int:
        around = [k for k in self.lattice.water_neighbours[cell].tolist() if k >= 0]
        return sum(
            1
            for k in around
            if self.receiver[k] == cell and (self.is_set[k] or catchment[k] >= threshold_m2)
        )

    def catchments(self) -> NDArray[np.float64]:
        """Ground that drains through each cell."""
        total = self.own_m2.copy()
        lattice_flow.accumulate(order_of(self.receiver), self.receiver, total)
        return total


def _assemble(
    river: _Rivers, computed: Watercourses, threshold_m2: float, least_cells: int
) -> Watercourses:
    """Decide which cells are wet, give every cell room, and put the value together."""
    lattice = river.lattice
    n = lattice.n_cells
    here, receiver = np.arange(n), river.receiver
    carries = has_source_upstream(order_of(receiver), receiver, river.is_drawn)
    catchment = river.catchments()
    is_wet = carries | (catchment >= threshold_m2 * (1.0 - ROUNDING))
    standing = computed.standing
    ends = receiver if standing is None else standing.stops(receiver)
    before = ends.copy()
    is_sink = ends == here
    allowed = np.where(is_sink, MAX_INFLOWS_AT_SINK, MAX_INFLOWS)
    notes = limit_inflows(lattice, ends, catchment, is_wet, carries, allowed)
    np.copyto(receiver, ends, where=ends != before)
    order = order_of(receiver)
    catchment = river.own_m2.copy()
    lattice_flow.accumulate(order, receiver, catchment)
    filled = computed.heights.mean_m.copy()
    for cell in order[::-1]:
        filled[cell] = max(filled[cell], filled[receiver[cell]])

    if least_cells > 1:
        from_lakes = np.zeros(n, np.bool_) if standing is None else standing.is_under
        is_kept = carries | river.comes_in | from_lakes
        prune_stubs(ends, catchment, is_wet, is_kept, least_cells)
    n_inflows = np.bincount(ends[is_wet & ~is_sink], minlength=n)
    alone = np.flatnonzero(river.is_drawn & is_sink & (n_inflows == 0))
    notes += tuple(
        f"The river in {lattice.labels[cell]} is left out: it neither enters from a cell nor leaves"
        " to one."
        for cell in alone
    )
    is_wet &= ~is_sink | (n_inflows > 0)  # a lone cell joins nothing
    matches = lattice.neighbours == receiver[:, None]
    side = np.where(receiver == here, -1, matches.argmax(axis=1)).astype(np.int8)
    return draw_watercourses(
        heights=computed.heights,
        filled_m=filled,
        receiver=receiver,
        receiver_side=side,
        order=order,
        catchment_m2=catchment,
        is_watercourse=is_wet,
        comes_in=river.comes_in,
        notes=(*river.notes, *notes),
        standing=standing,
    )
