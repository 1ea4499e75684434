"""Pieces -> courses: where water or a sunken road runs on the plan of a tile, whole or cut."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import N_SIDES

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from hexterra.stages.schedule.pieces import Piece
    from hexterra.stages.schedule.schedule import Schedule

#: What runs there.
What = Literal["water", "road"]
#: How the stretches from its sides end in the tile: joined to each other, closed within it, or
#: open through the board's edge.
End = Literal["joined", "closed", "open"]

_ARC_STEP_DEG: Final = 5.0


@dataclass(frozen=True)
class Course:
    """What is cut into one top, in the numbers of its sides.

    Parameters
    ----------
    what
        Water, or a sunken road.
    sides
        Those that it crosses, ascending, that at the board's edge included.
    widths
        Width class of the water at each of them; 0 for roads.
    upright
        Whether its banks stand upright there.
    end
        What becomes of it in the tile.
    """

    what: What
    sides: tuple[int, ...]
    widths: tuple[int, ...]
    upright: tuple[bool, ...]
    end: End

    def turned(self, turn: int) -> Course:
        """Return it turned by so many sides counter-clockwise."""
        rows = zip(self.sides, self.widths, self.upright, strict=True)
        held = sorted(((side + turn) % N_SIDES, width, stands) for side, width, stands in rows)
        sides, widths, upright = zip(*held, strict=True) if held else ((), (), ())
        return Course(self.what, sides, widths, upright, self.end)

    @property
    def lowest(self) -> Course:
        """The turn of it that reads lowest: courses that can be turned into each other share it."""
        turns = [self.turned(turn) for turn in range(N_SIDES)]
        return min(turns, key=lambda held: (held.sides, held.widths, held.upright))

    @property
    def words(self) -> str:
        """Its sides, and what tells it from others over the same sides."""
        if not self.sides:
            return "no side"
        listed = " ".join(map(str, self.sides))
        words = [f"sides {listed}" if len(self.sides) > 1 else f"side {listed}"]
        if any(width > 1 for width in self.widths):
            words.append(f"widths {' '.join(map(str, self.widths))}")
        stands = [side for side, is_so in zip(self.sides, self.upright, strict=True) if is_so]
        if len(stands) == len(self.sides):
            words.append("upright banks")
        elif stands:
            words.append(f"upright banks at {' '.join(map(str, stands))}")
        return ", ".join(words)


def piece_course(piece: Piece) -> Course | None:
    """Return what is cut into the top of a piece, None if nothing is.

    A piece that says nothing of the widths of its water has class 1 on every side that it crosses.
    """
    crossed = {*piece.ports, piece.leaves}
    return _course(
        piece.part == "whole",
        piece.water,
        piece.widths or tuple(int(side in crossed) for side in range(N_SIDES)),
        piece.upright,
        piece.leaves,
        {*piece.road, piece.road_leaves} - {-1},
    )


def cell_course(schedule: Schedule, cell: int) -> Course | None:
    """Return what is cut into the top of a cell, None if nothing is."""
    cuts = schedule.cuts
    roads = {*np.flatnonzero(cuts.road[cell]).tolist(), int(cuts.road_leaves[cell])}
    return _course(
        schedule.board.parts[cell] == "whole",
        schedule.pieces[int(schedule.piece[cell])].water,
        cuts.width[cell].tolist(),
        np.flatnonzero(cuts.upright[cell]).tolist(),
        int(cuts.leaves[cell]),
        roads - {-1},
    )


def _course(
    is_whole: bool,
    water: str,
    widths: Sequence[int],
    upright: Collection[int],
    leaves: int,
    roads: Collection[int],
) -> Course | None:
    """Return what is cut into a top; a road that comes to a cut tile by one side runs off it."""
    if water:
        sides = tuple(side for side in range(N_SIDES) if widths[side])
        end: End = "joined"
        is_through = water in {"mouth", "entry"}  # through the board's edge
        if is_through and not is_whole:
            end = "open"
        elif is_whole and (water == "pool" or (is_through and leaves < 0)):
            end = "closed"
        stands = tuple(side in upright for side in sides)
        return Course("water", sides, tuple(widths[side] for side in sides), stands, end)
    if not roads:
        return None
    sides, n = tuple(sorted(roads)), len(roads)
    return Course("road", sides, (0,) * n, (False,) * n, "joined" if is_whole or n > 1 else "open")


def course_ends(course: Course, *, is_whole: bool) -> tuple[tuple[int, ...], ...]:
    """Return the sides that each stretch of a course joins: two, or one where it ends in the tile.

    Two sides are joined by one stretch. More are joined in the middle of a whole tile, to which
    each has its own; on a cut tile each is joined with the next.
    """
    sides = course.sides
    if course.end == "joined" and (len(sides) == 2 or (len(sides) > 2 and not is_whole)):
        return tuple(pairwise(_in_a_row(sides)))
    return tuple((side,) for side in sides)


def course_lines_mm(
    corner_mm: NDArray[np.float64], course: Course, *, is_whole: bool, past_mm: float = 0.0
) -> tuple[NDArray[np.float64], ...]:
    """Return the middle lines of a course on the plan, each (k, 2) float64 that starts at a side.

    There is one for each of `course_ends`, and all are square to the sides they cross.

    Two sides are joined by the straight line or the circular arc that meets both squarely; a
    straight edge of the board cuts none of these arcs. All else runs straight from each side to
    the middle of the hexagon. That lies on every straight cut: so what is open at the board's edge
    is so as if a straight channel had been cut in half. What stays in a cut tile keeps off the
    edge: from a single side it ends half way. Water that crosses no side has no line.

    Parameters
    ----------
    corner_mm
        Corners of the whole hexagon, (6, 2) float64.
    course
        What runs there.
    is_whole
        Whether nothing of the hexagon is cut away.
    past_mm
        How far lines that run off a cut tile go on past the board's edge.

    Notes
    -----
    Arcs are polygons of 5 degrees a corner around the circle, so both ends are square to the
    sides, and they are longer than the circle by less than 0.07 %.
    """
    centre = corner_mm.mean(axis=0)
    port = (corner_mm + np.roll(corner_mm, -1, axis=0)) / 2.0
    past = 0.0
    if not is_whole:
        past = past_mm if course.end == "open" else -float(np.linalg.norm(port[0] - centre)) / 2.0

    def line(ends: tuple[int, ...]) -> NDArray[np.float64]:
        if len(ends) == 2:
            return _arc(corner_mm - centre, *ends) + centre
        start = port[ends[0]]
        return np.array([start, centre + past * (centre - start) / np.linalg.norm(centre - start)])

    return tuple(line(ends) for ends in course_ends(course, is_whole=is_whole))


def _in_a_row(sides: Sequence[int]) -> list[int]:
    """Put sides in order around the hexagon, after the widest gap; later turns count on from 6."""
    held = sorted(sides)
    gaps = [
        (after - before) % N_SIDES for before, after in zip(held[-1:] + held, held, strict=False)
    ]
    start = max(range(len(held)), key=lambda number: (gaps[number], -number))
    return held[start:] + [side + N_SIDES for side in held[:start]]


def _arc(corner: NDArray[np.float64], first: int, second: int) -> NDArray[np.float64]:
    """Return the curve that meets two sides of a hexagon squarely in their middles."""
    middle = (corner + np.roll(corner, -1, axis=0)) / 2.0
    start, end = middle[first % N_SIDES], middle[second % N_SIDES]
    if second - first == N_SIDES // 2:
        return np.array([start, end])
    # Sides that are not parallel meet, extended, in the middle of the arc: in the corner between
    # neighbours, or across the side that lies between.
    pivot = corner[second % N_SIDES]
    if second - first == 2:
        pivot = corner[(first + 1) % N_SIDES] + corner[second % N_SIDES]
    from_pivot = start - pivot
    turn = np.deg2rad(180.0 - 60.0 * (second - first))
    n_corners = round(float(np.rad2deg(turn)) / _ARC_STEP_DEG)
    step = turn / n_corners
    angle = -step * (np.arange(n_corners) + 0.5)
    across = np.array([-from_pivot[1], from_pivot[0]])
    around = np.cos(angle)[:, None] * from_pivot + np.sin(angle)[:, None] * across
    return np.concatenate([[start], pivot + around / np.cos(step / 2.0), [end]])
