"""Features -> Ways: roads and rivers of a map, carried from cell to cell.

Roads go on to the plan as they are; rivers go on to `watercourses_from_lines`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.errors import BriefError, VectorError
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.mapping.local_frame import Line, carry_lines, place_cells
from hexterra.stages.mapping.tracing import NearSegments, Run, Tracer
from hexterra.stages.mapping.way import WaterCrossing, Way, WayShape
from hexterra.stages.water.flow import WaterKind
from hexterra.values import Value, freeze_arrays
from hexterra.vectors.board_frame import nothing_here

if TYPE_CHECKING:
    from hexterra.lattice.lattice import Lattice
    from hexterra.stages.water.flow import Watercourses
    from hexterra.vectors.features import Features

#: Distance from the line that a path may keep, in distances between centres. From 0.87 on there
#: is a path everywhere, along a straight edge too, where no way may cross the sides it cuts.
TOLERANCE_CELLS: Final = 0.9
TOLERANCE_LIMITS: Final = (0.6, 3.0)


@dataclass(frozen=True, eq=False, repr=False)
class Ways(Value):
    """Ways on the cells of a lattice.

    Parameters
    ----------
    lattice
        The n cells.
    kinds
        The kinds of ways, in the order of the features.
    ways
        All that were carried: longest line first; ties go to the first feature.
    ports
        Sides that the ways of each kind cross, (len(kinds), n, 6) bool; symmetric.
    shape
        `WayShape` that all kinds together make in each cell, (n,) int8.
    leaves
        Cells where a way goes on beyond the lattice, (n,) bool.
    crossings
        Where ways cross the water that was given, by cell.
    notes
        What could not be built and why, in sentences.
    """

    lattice: Lattice
    kinds: tuple[str, ...]
    ways: tuple[Way, ...]
    ports: NDArray[np.bool_]
    shape: NDArray[np.int8]
    leaves: NDArray[np.bool_]
    crossings: tuple[WaterCrossing, ...]
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        n = self.lattice.n_cells
        freeze_arrays(
            self,
            ("ports", np.bool_, (len(self.kinds), n, N_SIDES)),
            ("shape", np.int8, (n,)),
            ("leaves", np.bool_, (n,)),
        )

    @property
    def any_ports(self) -> NDArray[np.bool_]:
        """Sides that any way crosses, (n, 6) bool."""
        return np.asarray(self.ports.any(axis=0))


@checked
def ways(
    features: Features,
    lattice: Lattice,
    *,
    tolerance_cells: float = TOLERANCE_CELLS,
    most_ports: int | None = None,
    water: Watercourses | None = None,
    width: NDArray[np.int8] | None = None,
    bridge_from: int = 2,
) -> Ways:
    """Carry lines from cell to cell.

    Each stretch of a line on the lattice becomes the cheapest path of adjacent cells from the
    cell where it begins to that where it ends, following the line within a tolerance. A step
    costs 1, or 3/4 where a longer way runs already, a wide bend 1/10, a tight bend 1, going back
    2, each cell half the squared distance of its centre from the line (in distances between
    centres); a step across a side that water crosses costs 3 more. Lines of one kind and name are
    joined first. No way crosses a side that a board's straight edge cuts in half.

    Parameters
    ----------
    features
        Lines, from `read_lines`.
    lattice
        A board, or cells of the globe.
    tolerance_cells
        Greatest distance between the line and the centres of its cells, in distances between
        centres, 0.6 to 3. A cell's own corners are always within tolerance.
    most_ports
        Sides that ways may cross in one cell, 2 to 6. Where a way would need more, it is cut in
        two; the longer of the lines keep theirs. None for no limit, as for rivers, which
        `watercourses_from_lines` thins itself.
    water
        Watercourses that the ways keep clear of and cross.
    width
        Width class of the water in each cell, from `width_classes`; all 1 by default.
    bridge_from
        Least width class that takes a bridge; narrower water is forded.

    Returns
    -------
    Ways
        For each way: the centres of its cells are within tolerance of the line, and each point
        of the line on the lattice within tolerance of one of its cells. Ends of lines that share
        a point on the lattice share a cell. `notes` name each cell
        where a way was cut, a side that a way shares with water, and a line that lost its way.

    Raises
    ------
    BriefError
        If the tolerance or the number of ports is out of range.
    VectorError
        If the features are areas, or none of them lies on the lattice.
    """
    _check(features, tolerance_cells, most_ports)
    place = place_cells(lattice)
    tracer = Tracer(lattice, place, tolerance_cells)
    seen: list[tuple[Line, NearSegments, Run, bool, bool]] = []
    for line in carry_lines(features, lattice, place):
        segments, runs = tracer.near_segments(line)
        for k, run in enumerate(runs):
            from_edge = k > 0 or line.goes_before or run.start > 0.0
            to_edge = k < len(runs) - 1 or line.goes_after or run.end < run.whole
            seen.append((line, segments, run, from_edge, to_edge))
    if not seen:
        raise nothing_here(repr(features.source), _bounds(features), features.crs, lattice)
    # To the millimetre, so that rounding decides nothing; ties are in order of the features.
    seen.sort(key=lambda item: round(item[2].start - item[2].end, 3))
    kinds = tuple(dict.fromkeys(features.kind))
    builder = WaysBuilder(lattice, kinds, N_SIDES if most_ports is None else most_ports)
    in_water = None if water is None else water.ports
    for line, segments, run, from_edge, to_edge in seen:
        kind, name = features.kind[line.feature], features.name[line.feature]
        number = features.number[line.feature]
        path = tracer.trace(segments, run, builder.used, in_water)
        if path is None:
            labels = lattice.labels[run.first], lattice.labels[run.last]
            builder.notes.append(
                f"The {features.title(line.feature)} is left out from {labels[0]} to {labels[1]}:"
                f" the cells within {tolerance_cells:g} cells of it are not connected."
            )
            continue
        whole = Way(
            kind=kind,
            name=name,
            number=number,
            cells=np.array(path.cells),
            sides=np.array(path.sides),
            from_edge=from_edge,
            to_edge=to_edge,
            offset_cells=path.offset,
        )
        builder.add(whole)
    if water is None:
        return builder.finish()
    widths = water.is_watercourse.astype(np.int8) if width is None else width
    return builder.finish(_cross(builder, water, widths, bridge_from))


def shapes(ports: NDArray[np.bool_]) -> NDArray[np.int8]:
    """Tell what ways with these ports, (n, 6) bool, do in each cell: `WayShape`, (n,) int8."""
    count = ports.sum(axis=1)
    shape = np.array(
        [WayShape.NONE, WayShape.END, WayShape.STRAIGHT, *[WayShape.JUNCTION] * (N_SIDES - 2)],
        dtype=np.int8,
    )[count]
    is_pair = count == 2
    first = ports.argmax(axis=1)
    last = N_SIDES - 1 - ports[:, ::-1].argmax(axis=1)
    between = np.minimum(last - first, N_SIDES - last + first)
    shape[is_pair & (between == 2)] = WayShape.WIDE_BEND
    shape[is_pair & (between == 1)] = WayShape.TIGHT_BEND
    return shape


class WaysBuilder:
    """Ways that have been admitted so far, and what came of them."""

    def __init__(self, lattice: Lattice, kinds: tuple[str, ...], most_ports: int = N_SIDES) -> None:
        self.lattice, self.kinds, self.most_ports = lattice, kinds, most_ports
        self.ways: list[Way] = []
        self.notes: list[str] = []
        self.ports = np.zeros((len(kinds), lattice.n_cells, N_SIDES), dtype=np.bool_)
        self.used = np.zeros((lattice.n_cells, N_SIDES), dtype=np.bool_)
        self.leaves = np.zeros(lattice.n_cells, dtype=np.bool_)

    def add(self, way: Way) -> None:
        """Admit a way, cut where a cell has no room for another port."""
        back, kind = self.lattice.back_sides, self.kinds.index(way.kind)
        begin = 0
        steps = zip(way.cells.tolist(), way.cells[1:].tolist(), way.sides.tolist(), strict=False)
        for step, (a, b, side) in enumerate(steps):
            if not self.used[a, side]:
                full = [cell for cell in (a, b) if self.used[cell].sum() >= self.most_ports]
                if full:
                    self._note_cut(way, a, b, full[0])
                    self._close(way, begin, step)
                    begin = step + 1
                    continue
                self.used[a, side] = self.used[b, back[a, side]] = True
            self.ports[kind, a, side] = self.ports[kind, b, back[a, side]] = True
        self._close(way, begin, len(way.cells) - 1)

    def finish(self, crossings: tuple[WaterCrossing, ...] = ()) -> Ways:
        """Put the value together."""
        return Ways(
            lattice=self.lattice,
            kinds=self.kinds,
            ways=tuple(self.ways),
            ports=self.ports,
            shape=shapes(self.used),
            leaves=self.leaves,
            crossings=crossings,
            notes=tuple(self.notes),
        )

    def _note_cut(self, way: Way, a: int, b: int, full: int) -> None:
        labels = self.lattice.labels
        self.notes.append(
            f"The {way.title} is cut between {labels[a]} and {labels[b]}: ways cross"
            f" {self.used[full].sum()} sides of {labels[full]} already, and a tile has room for"
            f" {self.most_ports}."
        )

    def _close(self, way: Way, begin: int, end: int) -> None:
        """Keep the cells `begin` to `end` of a way; a lone cell between two cuts is no way."""
        if begin == end and len(way.cells) > 1:
            return
        part = way.part(begin, end)
        self.ways.append(part)
        self.leaves[part.cells[0]] |= part.from_edge
        self.leaves[part.cells[-1]] |= part.to_edge


def _cross(
    builder: WaysBuilder, water: Watercourses, width: NDArray[np.int8], bridge_from: int
) -> tuple[WaterCrossing, ...]:
    """Find where ways cross water; note the sides that both cross."""
    lattice, used = builder.lattice, builder.used
    for cell, side in zip(*np.nonzero(used & water.ports), strict=True):
        other = int(lattice.neighbours[cell, side])
        if cell < other:
            builder.notes.append(
                f"A road and the water cross the same side, between {lattice.labels[cell]} and"
                f" {lattice.labels[other]}, with room for one of them: move the line of the road,"
                " or cut a causeway."
            )
    crossings: list[WaterCrossing] = []
    for cell in np.flatnonzero(used.any(axis=1) & water.is_watercourse).tolist():
        road, wet = used[cell], water.ports[cell]
        if builder.leaves[cell]:
            road = _with_way_off(lattice, cell, road)
        if water.kind[cell] in (WaterKind.MOUTH, WaterKind.ENTRY):
            wet = _with_way_off(lattice, cell, wet)
        times = _banks_joined(road, wet) - 1
        if times > 0:
            how = "bridge" if width[cell] >= bridge_from else "ford"
            crossings.append(WaterCrossing(cell, how, int(width[cell]), times))
    return tuple(crossings)


def _with_way_off(lattice: Lattice, cell: int, ports: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Add to the ports of a cell the side by which what crosses them runs off the lattice.

    The open side farthest around from all ports; ties go to the first.
    """
    is_open = (lattice.neighbours[cell] < 0) & (
        lattice.corner_of[cell] != np.roll(lattice.corner_of[cell], -1)
    )
    sides = ports.copy()
    if sides.any() and is_open.any():
        apart = np.abs(np.arange(N_SIDES)[:, None] - np.flatnonzero(sides))
        apart = np.minimum(apart, N_SIDES - apart).min(axis=1)
        sides[np.where(is_open, apart, -1).argmax()] = True
    return sides


def _banks_joined(way: NDArray[np.bool_], water: NDArray[np.bool_]) -> int:
    """Count the stretches of bank, between sides that water crosses, from which ways leave."""
    wet = np.flatnonzero(water)
    if len(wet) < 2:
        return 1
    dry_ways = np.flatnonzero(way & ~water)
    # A stretch of bank is known by the wet side before it, counter-clockwise.
    return len({int(np.searchsorted(wet, side)) % len(wet) for side in dry_ways})


def _check(features: Features, tolerance_cells: float, most_ports: int | None) -> None:
    if features.form != "lines":
        raise VectorError(
            f"{features.source!r} was read as areas; ways are lines",
            remedy="read it with read_lines",
            form=features.form,
        )
    least, greatest = TOLERANCE_LIMITS
    if not least <= tolerance_cells <= greatest:  # NaN never is
        raise BriefError(
            f"tolerance_cells is {tolerance_cells!r}; it must be from {least:g} to {greatest:g}"
            " distances between centres",
            remedy=f"leave it at {TOLERANCE_CELLS:g}, or choose a number within that range",
            key="tolerance_cells",
            value=tolerance_cells,
        )
    if most_ports is not None and most_ports not in range(2, N_SIDES + 1):
        raise BriefError(
            f"most_ports is {most_ports!r}; it must be a whole number from 2 to {N_SIDES}",
            remedy="give the number of sides that ways may cross in one tile",
            key="most_ports",
            value=most_ports,
        )


def _bounds(features: Features) -> tuple[float, float, float, float]:
    from shapely import total_bounds

    west, south, east, north = total_bounds(features.geometries()).tolist()
    return west, south, east, north
