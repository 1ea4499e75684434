"""The cheapest path of adjacent cells along a line, within a tolerance of it.

Part of `ways`. Each cell is near the line for one or more *segments*, stretches of the line that
lie within the tolerance of its centre. From a segment the path may go on to a segment of an
adjacent cell if the two overlap. So the path follows the line from its start to its end: every cell
on it is within tolerance of the line, every point of the line within tolerance of a cell on the
path, and a hairpin wider than the tolerance is not cut short. (The same idea matches lines to road
maps under the Frechet distance: Alt, Efrat, Rote and Wenk, Matching planar maps, Journal of
Algorithms 49, 2003.)
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

if TYPE_CHECKING:
    from hexterra.lattice.lattice import Lattice
    from hexterra.stages.mapping.local_frame import Line, LocalFrame

# Costs in millionths of a step, as whole numbers, so that ties are ties.
_STEP: Final = 1_000_000
_USED_STEP: Final = 750_000  # where another way runs already, or ways close together would braid
_OFFSET: Final = 500_000  # per squared distance between centre and line, in distances of centres
#: By the number of sides between entry and exit: back, tight bend, wide bend, straight.
_TURN: Final = (2_000_000, 1_000_000, 100_000, 0)
_IN_WATER: Final = 3_000_000  # to cross a side that water crosses
#: Stretches off the cells shorter than this, in distances of centres, do not break a way.
_GAP_CELLS: Final = 0.05
#: A cell takes in what lies this near to it, in distances of centres. Then a line along a side
#: lies in the cells on both of its sides, and one along the edge of a board on the board, however
#: the coordinates are rounded; alone, each cell might take the line to be in the other. Far more
#: than rounding, and on a table far less than a saw cuts.
_EDGE_CELLS: Final = 0.001


class NearSegments(NamedTuple):
    """Stretches of a line near (or within) cells: one row each, ordered by start."""

    cell: NDArray[np.int64]
    start: NDArray[np.float64]  # metres along the line
    end: NDArray[np.float64]
    offset: NDArray[np.float64]  # least distance from the centre, in distances of centres


class Run(NamedTuple):
    """A stretch of a line on the cells.

    Parameters
    ----------
    start, end
        Where along the line, in metres.
    first, last
        Cells in which it starts and ends: those in which these points lie deepest, whatever the
        way there, so that lines which meet do so in one cell.
    whole
        Length of the line.
    """

    start: float
    end: float
    first: int
    last: int
    whole: float


class Path(NamedTuple):
    """Cells along a line."""

    cells: list[int]
    sides: list[int]
    offset: float  # mean of the segments'


@dataclass(frozen=True)
class Tracer:
    """What paths on one lattice share."""

    lattice: Lattice
    place: LocalFrame
    tolerance_cells: float

    @cached_property
    def _radius_m(self) -> NDArray[np.float64]:
        """Tolerance of each cell: never less than what it takes in, or paths could break."""
        to_corner = self.place.ring_xy - self.place.centre_xy[:, None]
        reach = np.hypot(to_corner[..., 0], to_corner[..., 1]).max(axis=1)
        # A corner of 60 degrees, as sharp as they get, moves out by twice as much as its sides.
        reach += 2.0 * _EDGE_CELLS * self.place.pitch_m
        return np.maximum(self.tolerance_cells * self.place.pitch_m, reach)

    @cached_property
    def _tree(self) -> Any:
        from scipy.spatial import KDTree

        return KDTree(self.place.centre_xy)

    @cached_property
    def _hulls(self) -> NDArray[np.float64]:
        """Outlines without dents, which some cells of the globe have where H3's faces meet."""
        rings = self.place.ring_xy
        hulls = shapely.convex_hull(self.place.outlines)
        dented = shapely.area(hulls) > shapely.area(self.place.outlines) * (1.0 + 1e-9)
        if dented.any():
            rings = rings.copy()
        for cell in np.flatnonzero(dented):
            ring = shapely.get_coordinates(hulls[cell])[:-1]
            if not shapely.is_ccw(shapely.get_exterior_ring(hulls[cell])):
                ring = ring[::-1]
            rings[cell] = ring[np.minimum(np.arange(rings.shape[1]), len(ring) - 1)]
        return rings

    def near_segments(self, line: Line) -> tuple[NearSegments, list[Run]]:
        """Find where the line is near which cells, and where it runs on the cells at all."""
        xy = line.xy
        length = np.hypot(*np.diff(xy, axis=0).T)
        keep = np.concatenate([[True], length > 0.0])
        xy = xy[keep]
        if len(xy) == 1:
            xy = np.repeat(xy, 2, axis=0)
        length = np.hypot(*np.diff(xy, axis=0).T)
        along = np.concatenate([[0.0], np.cumsum(length)])
        middle = (xy[:-1] + xy[1:]) / 2.0
        reach = float(self._radius_m.max()) + length / 2.0
        found = self._tree.query_ball_point(middle, reach, return_sorted=True)
        count = np.array([len(cells) for cells in found])
        piece = np.repeat(np.arange(len(found)), count)
        cell = np.array([c for cells in found for c in cells], dtype=np.int64)
        if not len(cell):
            return NearSegments(cell, np.empty(0), np.empty(0), np.empty(0)), []
        p, q = xy[piece], xy[piece + 1]
        start, end, offset = _within_circles(p, q, self.place.centre_xy[cell], self._radius_m[cell])
        at, span = along[piece], length[piece]
        offset /= self.place.pitch_m[cell]
        tiny = 1e-9 * float(self.place.pitch_m.min())
        segments = _merge(cell, at + start * span, at + end * span, offset, start <= end, tiny)
        edge_m = _EDGE_CELLS * self.place.pitch_m[cell]
        inner, outer = _within_rings(p, q, self._hulls[cell], edge_m)
        inside = _merge(cell, at + inner * span, at + outer * span, offset, inner <= outer, tiny)
        gap = _GAP_CELLS * float(self.place.pitch_m.min())
        whole = float(along[-1])
        runs: list[Run] = []
        for ends in _stretches(inside, gap, whole):
            first, last = (
                self._deepest(
                    inside.cell[(inside.start <= end) & (inside.end >= end)],
                    np.array([np.interp(end, along, xy[:, 0]), np.interp(end, along, xy[:, 1])]),
                )
                for end in ends
            )
            runs.append(Run(*ends, first, last, whole))
        return segments, runs

    def _deepest(self, cells: NDArray[np.int64], point: NDArray[np.float64]) -> int:
        """Return that of some cells in which a point lies deepest; ties go to the first."""
        cells = np.sort(cells)
        height, _ = _heights(np.broadcast_to(point, (len(cells), 2)), self._hulls[cells])
        return int(cells[height.min(axis=1).argmax()])

    def trace(
        self,
        segments: NearSegments,
        run: Run,
        used: NDArray[np.bool_],
        in_water: NDArray[np.bool_] | None,
    ) -> Path | None:
        """Find the cheapest path for one run; None if the cells are not connected.

        Of equally cheap paths, the one whose segments come first along the line.
        """
        here = np.flatnonzero((segments.start <= run.end) & (segments.end >= run.start))
        cell = segments.cell[here].tolist()
        start = np.maximum(segments.start[here], run.start).tolist()
        end = np.minimum(segments.end[here], run.end).tolist()
        offset = (_OFFSET * segments.offset[here] ** 2).round().astype(np.int64).tolist()
        by_cell: dict[int, list[int]] = {}
        for segment, number in enumerate(cell):
            by_cell.setdefault(number, []).append(segment)
        source = next(s for s in by_cell[run.first] if start[s] <= run.start)
        target = next(s for s in reversed(by_cell[run.last]) if end[s] >= run.end)
        neighbours, back = self.lattice.water_neighbours, self.lattice.back_sides
        is_pentagon = self.lattice.corner_of[:, 0] == self.lattice.corner_of[:, -1]

        # A node is a segment and the side by which its cell was entered.
        best: dict[tuple[int, int], int] = {(source, -1): 0}
        came: dict[tuple[int, int], tuple[int, int]] = {}
        waiting = [(0, source, -1)]
        while waiting:
            cost, segment, entered = heapq.heappop(waiting)
            if cost > best[segment, entered]:
                continue
            if segment == target:
                return self._unwind((segment, entered), came, cell, segments.offset[here])
            a = cell[segment]
            n_sides = 5 if is_pentagon[a] else 6
            for side, b in enumerate(neighbours[a].tolist()):
                for onward in by_cell.get(b, ()) if b >= 0 else ():
                    if start[onward] > end[segment] or end[onward] < start[segment]:
                        continue
                    total = cost + offset[onward] + (_USED_STEP if used[a, side] else _STEP)
                    if entered >= 0:
                        bend = abs(side - entered)
                        total += _TURN[min(bend, n_sides - bend)]
                    if in_water is not None and in_water[a, side]:
                        total += _IN_WATER
                    node = (onward, int(back[a, side]))
                    if total < best.get(node, total + 1):
                        best[node] = total
                        came[node] = (segment, entered)
                        heapq.heappush(waiting, (total, *node))
        return None

    def _unwind(
        self,
        node: tuple[int, int],
        came: dict[tuple[int, int], tuple[int, int]],
        cell: list[int],
        offset: NDArray[np.float64],
    ) -> Path:
        """Follow a path back to its source."""
        nodes = [node]
        while nodes[-1] in came:
            nodes.append(came[nodes[-1]])
        nodes.reverse()
        cells = [cell[segment] for segment, _ in nodes]
        back = self.lattice.back_sides
        sides = [int(back[b, in_]) for b, (_, in_) in zip(cells[1:], nodes[1:], strict=True)]
        return Path(cells, sides, float(np.mean([offset[segment] for segment, _ in nodes])))


def _within_circles(
    p: NDArray[np.float64],
    q: NDArray[np.float64],
    centre: NDArray[np.float64],
    radius: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Share of each piece p-q at which a circle is entered and left, and least distance.

    Entered after left where it is missed.
    """
    d, to = q - p, centre - p
    squared = (d**2).sum(axis=1)
    safe = np.where(squared > 0.0, squared, 1.0)
    at = np.where(squared > 0.0, (d * to).sum(axis=1) / safe, 0.0)
    off2 = ((to - at[:, None] * d) ** 2).sum(axis=1)
    half = np.where(squared > 0.0, np.sqrt(np.maximum(radius**2 - off2, 0.0) / safe), 1.0)
    is_missed = off2 > radius**2
    start = np.where(is_missed, 1.0, np.maximum(at - half, 0.0))
    end = np.where(is_missed, 0.0, np.minimum(at + half, 1.0))
    nearest = np.clip(at, 0.0, 1.0)[:, None]
    return start, end, np.hypot(*(to - nearest * d).T)


def _heights(
    xy: NDArray[np.float64], ring: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distance of points from the sides of counter-clockwise rings, and directions of these.

    (m, k) in metres, more than 0 within, infinite for a side without length; and (m, k, 2).
    """
    side = np.roll(ring, -1, axis=1) - ring
    length = np.hypot(side[..., 0], side[..., 1])
    along = side / np.where(length > 0.0, length, 1.0)[..., None]
    to = xy[:, None] - ring
    height = along[..., 0] * to[..., 1] - along[..., 1] * to[..., 0]
    return np.where(length > 0.0, height, np.inf), along


def _within_rings(
    p: NDArray[np.float64],
    q: NDArray[np.float64],
    ring: NDArray[np.float64],
    edge_m: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Share of each piece p-q at which a convex, counter-clockwise ring is entered and left.

    The sides of the ring are moved out by `edge_m`. Cyrus and Beck, Generalized two- and
    three-dimensional clipping, Computers & Graphics 3, 1978.
    """
    height, along = _heights(p, ring)
    height += edge_m[:, None]
    d = q - p
    rate = along[..., 0] * d[:, None, 1] - along[..., 1] * d[:, None, 0]
    at = np.zeros_like(rate)
    np.divide(-height, rate, out=at, where=rate != 0.0)
    start = np.where(rate > 0.0, at, 0.0).max(axis=1)
    end = np.where(rate < 0.0, at, 1.0).min(axis=1)
    is_out = ((rate == 0.0) & (height < 0.0)).any(axis=1)
    return np.where(is_out, 1.0, np.maximum(start, 0.0)), np.where(is_out, 0.0, end)


def _merge(
    cell: NDArray[np.int64],
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    offset: NDArray[np.float64],
    exists: NDArray[np.bool_],
    tiny: float,
) -> NearSegments:
    """Join the stretches of pieces that follow each other, cell by cell."""
    order = np.flatnonzero(exists)
    order = order[np.lexsort((start[order], cell[order]))]
    cell, start, end, offset = cell[order], start[order], end[order], offset[order]
    if not len(cell):
        return NearSegments(cell, start, end, offset)
    begins = np.concatenate([[True], (np.diff(cell) != 0) | (start[1:] > end[:-1] + tiny)])
    first = np.flatnonzero(begins)
    last = np.concatenate([first[1:], [len(cell)]]) - 1
    segments = NearSegments(
        cell[first], start[first], end[last], np.minimum.reduceat(offset, first)
    )
    order = np.lexsort((segments.cell, segments.start))
    return NearSegments(
        segments.cell[order], segments.start[order], segments.end[order], segments.offset[order]
    )


def _stretches(inside: NearSegments, gap: float, whole: float) -> list[tuple[float, float]]:
    """Cut a line, `whole` metres long, into stretches on the cells; mere touches do not count."""
    stretches: list[tuple[float, float]] = []
    for start, end in zip(inside.start.tolist(), inside.end.tolist(), strict=True):
        if stretches and start <= stretches[-1][1] + gap:
            begin, before = stretches[-1]
            stretches[-1] = begin, max(before, end)
        else:
            stretches.append((start, end))
    least = min(gap, whole / 2.0)
    return [(start, end) for start, end in stretches if end - start > least or whole == 0.0]
